"""TLS records (RFC 8446 section 5.1; the same layout since RFC 2246).

Header: type, version 3.x, length of what follows. What is inside is encrypted once the opening is
done; before, an alert says in two octets how grave it is and why (section 6).
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets
from analyzer.facts.protocols.framing import Framing, Heads, Kind, Span, heads, records

HEAD = np.dtype(
    [("type", "u1"), ("version", ">u2"), ("length", ">u2"), ("level", "u1"), ("reason", "u1")]
)
LENGTH_END = 5
CHANGE, ALERT, HANDSHAKE, DATA = 20, 21, 22, 23
OLDEST, NEWEST = 0x0301, 0x0304
LARGEST = (1 << 14) + 2048
"""Most octets of a record (RFC 5246 section 6.2.3)."""
FATAL = 2
MEANINGS = {
    10: "message at the wrong time",
    20: "record could not be checked",
    22: "record too large",
    40: "no agreement on the protection",
    42: "certificate not usable",
    43: "kind of certificate not supported",
    44: "certificate withdrawn",
    45: "certificate no longer or not yet valid",
    46: "certificate not accepted",
    47: "value not allowed",
    48: "issuer of the certificate not known",
    49: "no permission",
    50: "message not understood",
    51: "signature or check not right",
    70: "protocol version not supported",
    71: "protection too weak",
    80: "trouble of its own",
    86: "older version offered without need",
    109: "extension missing",
    110: "extension not supported",
    112: "server name not known",
    115: "key name not known",
    116: "a certificate of the PC is wanted",
    120: "no common protocol inside",
}
"""Alerts of RFC 8446 section 6.2 and, for 115, RFC 4279."""


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """Heads of TLS records."""
    head, present = records(octets, at, HEAD), end - at
    type, length = head["type"], head["length"].astype(np.int64)
    sound = (type >= CHANGE) & (type <= DATA) & (present >= 5) & (length > 0) & (length <= LARGEST)
    sound &= (head["version"] >= OLDEST) & (head["version"] <= NEWEST)
    kind = np.where(type == DATA, Kind.DATA, Kind.OPEN)
    kind[type == ALERT] = Kind.ASIDE
    no = (type == ALERT) & (length == 2) & (head["level"] == FATAL) & (present >= HEAD.itemsize)
    kind[no] = Kind.REFUSE
    return heads(np.where(sound, length + 5, 0), kind=kind, code=np.where(no, head["reason"], 0))


def explain(code: int) -> tuple[int, str]:
    """The reason of an alert and its meaning."""
    return code, MEANINGS.get(code, "no published meaning")


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of records: of an alert that is not encrypted what it says, too."""
    head = records(octets, at, HEAD)
    alert = (head["type"] == ALERT) & (head["length"] == 2)
    return [Span(at, at + np.where(alert, HEAD.itemsize, LENGTH_END))]


FRAMING = Framing("TLS", frozenset({443, 802, 4843}), read, reads, explain)
