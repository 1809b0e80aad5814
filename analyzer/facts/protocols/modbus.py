"""Modbus/TCP (MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3).

Header: transaction number, protocol number 0, length of what follows, unit; then the function. An
answer repeats the transaction number. A refusal has function + 0x80 and a code (MODBUS Application
Protocol V1.1b3 section 7).
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets, among
from analyzer.facts.protocols.framing import Framing, Heads, Kind, Span, records

HEAD = np.dtype(">u8")
"""Transaction 2 octets, protocol 2, length 2, unit, function; the code stands behind."""
LENGTH_END, UNIT_END, FUNCTION_END, CODE_END = 6, 7, 8, 9
"""Octets of a head up to and with this field."""
LONGEST = 254
"""Most octets behind the length field: 260 for the whole message (guide, section 4.1)."""
REFUSED = 0x80
MEANINGS = {
    0x01: "function not supported",
    0x02: "no such data address",
    0x03: "value or amount not allowed",
    0x04: "the device could not carry it out",
    0x05: "accepted, takes long",
    0x06: "device busy",
    0x07: "negative acknowledge",
    0x08: "memory parity",
    0x0A: "gateway has no path to the device",
    0x0B: "the device behind the gateway does not answer",
}
"""Exception codes of section 7; 0x07 is from older editions (from memory)."""
LATER = (0x05, 0x06)
"""Codes that ask to try again."""


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """Heads of Modbus/TCP messages."""
    head, present = records(octets, at, HEAD).astype(np.uint64), end - at
    number = (head >> np.uint64(48)).astype(np.int64)
    rest = head.astype(np.int64)
    protocol, length = rest >> 32 & 0xFFFF, rest >> 16 & 0xFFFF
    unit, function = rest >> 8 & 0xFF, rest & 0xFF
    sound = (protocol == 0) & (length >= 2) & (length <= LONGEST) & (present >= LENGTH_END)
    usual = (function & ~REFUSED != 0) & ((function < REFUSED) | by_server)
    sound &= usual | (present < FUNCTION_END)
    unit[present < UNIT_END] = -1
    kind, code = np.zeros(len(at), np.int64), np.zeros(len(at), np.int64)
    whole = (present >= CODE_END) & (length + LENGTH_END >= CODE_END)
    refused = np.flatnonzero(by_server & (function >= REFUSED) & whole)
    code[refused] = octets[at[refused] + CODE_END - 1]
    kind[refused] = np.where(among(code[refused], LATER), Kind.LATER, Kind.REJECT)
    length += LENGTH_END
    length[~sound] = 0
    function[present < FUNCTION_END] = -1
    return Heads(length, number.astype(np.uint64), kind, code, unit, function)


def explain(code: int) -> tuple[int, str]:
    """An exception code and its meaning."""
    return code, MEANINGS.get(code, "no published meaning")


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of messages: the octet behind the function only where that says no."""
    refused = octets[at + FUNCTION_END - 1] >= REFUSED
    return [Span(at, at + np.where(refused, CODE_END, FUNCTION_END))]


FRAMING = Framing(
    "Modbus/TCP", frozenset({502}), read, reads, explain, is_sure=False, has_answers=True
)
