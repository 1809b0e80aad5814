"""OPC UA over TCP (OPC 10000-6 section 7.1).

Header: three letters, a chunk letter, the size of the whole message, little-endian. HEL is
acknowledged with ACK; OPN opens the secure channel; MSG carries requests and answers; CLO closes.
ERR carries a status code instead.
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets, among
from analyzer.facts.protocols.framing import Framing, Heads, Kind, Span, heads, records

HEAD = np.dtype([("letters", ">u4"), ("size", "<u4"), ("status", "<u4")])
SIZE_END, STATUS_END = 8, 12
LARGEST = 1 << 26
"""A message that claims more is none: far above the limits that stacks set (from memory)."""
CHUNKS = (ord("F"), ord("C"), ord("A"))
"""Final, in the middle, given up."""
HELLO, ACKNOWLEDGE, REVERSE_HELLO, ERROR, OPEN, MESSAGE, CLOSE = (
    int.from_bytes(letters) for letters in (b"HEL", b"ACK", b"RHE", b"ERR", b"OPN", b"MSG", b"CLO")
)
LETTERS = (HELLO, ACKNOWLEDGE, REVERSE_HELLO, ERROR, OPEN, MESSAGE, CLOSE)
MEANINGS = {
    0x80020000: "the server has trouble of its own",
    0x80030000: "no memory left",
    0x800A0000: "it took too long",
    0x800C0000: "the server is ending",
    0x800E0000: "the server is halted",
    0x80120000: "certificate not valid",
    0x80130000: "security check not passed",
    0x80140000: "certificate too old or too young for the controller's clock",
    0x80150000: "issuer's certificate too old or too young for the controller's clock",
    0x80160000: "certificate for another host name",
    0x80170000: "certificate for another program",
    0x80180000: "certificate not for this use",
    0x801A0000: "certificate not trusted",
    0x801B0000: "cannot find out whether the certificate was withdrawn",
    0x801D0000: "certificate withdrawn",
    0x80540000: "security mode not accepted",
    0x80550000: "security policy not accepted",
    0x807D0000: "the server is too busy",
    0x807E0000: "kind of message not known",
    0x807F0000: "secure channel not known",
    0x80800000: "message too large",
    0x80810000: "no resource left",
    0x80820000: "the server has trouble of its own",
    0x80830000: "endpoint address not known",
    0x80860000: "secure channel closed",
    0x80BE0000: "protocol version not supported",
}
"""Status codes (OPC 10000-6 annex A, from memory)."""


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """Heads of OPC UA messages."""
    head, present = records(octets, at, HEAD), end - at
    letters, chunk = head["letters"] >> 8, head["letters"] & 0xFF
    sound = (present >= 8) & among(letters, LETTERS) & among(chunk, CHUNKS)
    sound &= (head["size"] >= 8) & (head["size"] <= LARGEST)
    kind = np.where(letters == MESSAGE, Kind.DATA, Kind.OPEN)
    kind[(letters == CLOSE) | (letters == ERROR)] = Kind.ASIDE
    no = by_server & (letters == ERROR)
    kind[no] = Kind.REFUSE
    code = np.where(no & (np.minimum(present, head["size"]) >= STATUS_END), head["status"], 0)
    return heads(np.where(sound, head["size"], 0), kind=kind, code=code)


def explain(code: int) -> tuple[int, str]:
    """A status code and its meaning."""
    return code, MEANINGS.get(code & 0xFFFF0000, "no published meaning")


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of messages: a status only where one stands behind the size."""
    says_no = records(octets, at, HEAD)["letters"] >> 8 == ERROR
    return [Span(at, at + np.where(says_no, STATUS_END, SIZE_END))]


FRAMING = Framing("OPC UA", frozenset({4840}), read, reads, explain)
