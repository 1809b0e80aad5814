"""ISO transport on TCP (RFC 1006 section 6) with the transport messages of X.224 (as RFC 905).

Packet header: version 3, reserved 0, length of the whole packet. Then the length of the transport
header and its code: connect request 0xE0, confirm 0xD0, disconnect request 0x80, data 0xF0,
error 0x70.
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets, among
from analyzer.facts.protocols.framing import Framing, Heads, Kind, Span, heads, records

HEAD = np.dtype(
    [
        ("version", "u1"), ("reserved", "u1"), ("length", ">u2"), ("header", "u1"), ("code", "u1"),
        ("destination", ">u2"), ("cause", "u1"), ("source", "u1"), ("reason", "u1"),
    ]
)  # fmt: skip
"""An error has its cause behind the destination; a disconnect request its reason behind both."""
CODE_END, CAUSE_END, REASON_END = 6, 9, 11
"""Octets of a head up to and with this field."""
SHORTEST = 7
"""Octets of the shortest packet (RFC 1006 section 6)."""
CONNECT, CONFIRM, DISCONNECT, DATA, ERROR = 0xE0, 0xD0, 0x80, 0xF0, 0x70
NORMAL = 128
"""Reason of a disconnect that only ends the work."""
CAUSES = 1 << 8
"""Added to the causes of an error, to tell them from the reasons of a disconnect."""
REASONS = {
    0: "no reason given",
    1: "the service is overloaded",
    2: "nobody serves that service name",
    3: "the service name is not known",
    NORMAL: "ended in order",
    NORMAL + 1: "overloaded when asked",
    NORMAL + 2: "no agreement on the options",
    NORMAL + 3: "reference used twice",
    NORMAL + 4: "references do not match",
    NORMAL + 5: "message not understood",
    NORMAL + 7: "no reference left",
    NORMAL + 8: "no further connection allowed",
    NORMAL + 10: "length not right",
    CAUSES: "no reason given",
    CAUSES + 1: "parameter not known",
    CAUSES + 2: "kind of message not known",
    CAUSES + 3: "parameter value not allowed",
}
"""RFC 905 sections 13.5.3 and 13.12.3."""


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """Heads of ISO-on-TCP packets."""
    head, present = records(octets, at, HEAD), end - at
    length, code = head["length"].astype(np.int64), head["code"] & 0xF0
    sound = (head["version"] == 3) & (head["reserved"] == 0) & (present >= CODE_END)
    sound &= (length >= SHORTEST) & (head["header"] >= 2)
    sound &= among(code, (CONNECT, CONFIRM, DISCONNECT, DATA, ERROR))
    sound &= head["header"].astype(np.int64) + 5 <= length
    kind = np.where((code == CONNECT) | (code == CONFIRM), Kind.OPEN, Kind.DATA)
    ends, wrong = code == DISCONNECT, code == ERROR
    kind[ends | wrong] = Kind.ASIDE
    present = np.minimum(present, length)
    reason = np.where(present >= REASON_END, head["reason"], 0).astype(np.int64)
    cause = np.where(present >= CAUSE_END, head["cause"], 0).astype(np.int64)
    kind[by_server & ((ends & (reason != NORMAL)) | wrong)] = Kind.REFUSE
    return heads(
        np.where(sound, length, 0),
        kind=kind,
        code=np.where(ends, reason, np.where(wrong, CAUSES + cause, 0)),
    )


def explain(code: int) -> tuple[int, str]:
    """The reason of a disconnect or the cause of an error, and its meaning."""
    return code & 0xFF, REASONS.get(code, "no published meaning")


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of packets: the reason or cause only where something ends or is wrong."""
    code = records(octets, at, HEAD)["code"] & 0xF0
    ends, wrong = code == DISCONNECT, code == ERROR
    last = np.where(ends, REASON_END, np.where(wrong, CAUSE_END, 0))
    return [Span(at, at + CODE_END), Span(at + last - 1, at + last)]


FRAMING = Framing("ISO on TCP", frozenset({102}), read, reads, explain)
