"""EtherNet/IP encapsulation over TCP (CIP Networks Library volume 2 chapter 2, from memory).

Header of 24 octets, little-endian: command, length of what follows, session handle, status, a
context that the answer repeats, options 0. Answers to unconnected messages are looked into for the
general status and the first word of the extended one (volume 1 section 2-4 and appendix B).
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets, Records, among
from analyzer.facts.protocols.framing import Framing, Heads, Kind, Span, heads, records

HEAD = np.dtype(
    [
        ("command", "<u2"), ("length", "<u2"), ("session", "<u4"), ("status", "<u4"),
        ("context", "<u8"), ("options", "<u4"),
    ]
)  # fmt: skip
ANSWER = np.dtype(
    [
        ("interface", "<u4"), ("timeout", "<u2"), ("items", "<u2"), ("address", "<u4"),
        ("item", "<u2"), ("octets", "<u2"), ("service", "u1"), ("spare", "u1"), ("status", "u1"),
        ("words", "u1"), ("extended", "<u2"),
    ]
)  # fmt: skip
"""What follows where an answer to an unconnected message has an empty address item."""
LENGTH_END, STATUS_AT, CONTEXT_AT, OPTIONS_AT = 4, 8, 12, 20
"""Where parts of HEAD end and begin."""
ITEMS_AT, ITEM_END, SERVICE_AT, GENERAL_AT = 6, 14, 16, 18
"""The same of ANSWER: from the number of items up to the second one's type; the service; status."""
STATUS_END, EXTENDED_END = 20, 22
"""Octets of ANSWER up to and with the number of extended words, and the first of them."""
LIST_SERVICES, LIST_IDENTITY, LIST_INTERFACES = 0x0004, 0x0063, 0x0064
REGISTER, UNREGISTER, UNCONNECTED, CONNECTED = 0x0065, 0x0066, 0x006F, 0x0070
COMMANDS = (
    LIST_SERVICES, LIST_IDENTITY, LIST_INTERFACES, REGISTER, UNREGISTER, UNCONNECTED, CONNECTED,
)  # fmt: skip
UNCONNECTED_ITEM = 0x00B2
FORWARD_OPEN, LARGE_FORWARD_OPEN = 0x54 | 0x80, 0x5B | 0x80
PARTIAL = 0x06
"""General status of an answer that has more to come: no refusal."""
INNER = 1 << 16
"""From here on codes hold (general status + 1) << 16 | extended status."""
STATUSES = {
    0x01: "command not supported",
    0x02: "no memory left for the request",
    0x03: "data of the request not understood",
    0x64: "session handle not known",
    0x65: "length of the request not right",
    0x69: "protocol version not supported",
}
"""Status of the encapsulation."""
GENERAL = {
    0x01: "inner connection not possible",
    0x02: "no resource left",
    0x03: "parameter not allowed",
    0x04: "path not understood",
    0x05: "path leads to nothing",
    0x07: "inner connection lost",
    0x08: "service not supported",
    0x09: "attribute value not allowed",
    0x0C: "not in this state of the object",
    0x0E: "attribute cannot be set",
    0x0F: "no permission",
    0x10: "not in this state of the device",
    0x11: "answer too large",
    0x13: "not enough data",
    0x14: "attribute not supported",
    0x15: "too much data",
    0x16: "object does not exist",
    0x20: "parameter not allowed",
    0x26: "path size not right",
}
EXTENDED = {
    0x0100: "inner connection already in use",
    0x0106: "another owner holds it",
    0x0107: "inner connection not known",
    0x0109: "connection size not allowed",
    0x0111: "packet interval not supported",
    0x0113: "no more inner connections",
    0x0114: "another device type is expected",
    0x0115: "another device type is expected",
    0x0116: "another revision is expected",
    0x0204: "the inner request got no answer in time",
    0x0311: "no such port in the path",
    0x0312: "no such link address in the path",
    0x0315: "path not understood",
}
"""Extended status behind general status 0x01."""


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """Heads of EtherNet/IP messages."""
    head, present = records(octets, at, HEAD), end - at
    command, status = head["command"], head["status"].astype(np.int64)
    sound = (present >= HEAD.itemsize) & (head["options"] == 0)
    sound &= among(command, COMMANDS) & (by_server | (status == 0))
    kind = np.where(command == REGISTER, Kind.OPEN, Kind.DATA)
    kind[command == UNREGISTER] = Kind.ASIDE
    no = by_server & (status != 0)
    kind[no] = np.where(command[no] == REGISTER, Kind.REFUSE, Kind.REJECT)
    code = np.where(no, np.minimum(status, INNER - 1), 0)
    end = np.minimum(end, at + HEAD.itemsize + head["length"])
    _look_inside(octets, at, end, np.flatnonzero(sound & by_server & ~no), command, kind, code)
    return heads(
        np.where(sound, head["length"].astype(np.int64) + HEAD.itemsize, 0),
        id=np.where(command == CONNECTED, np.uint64(0), head["context"]),
        kind=kind,
        code=code,
        function=command,
    )


def _look_inside(
    octets: Octets, at: Ints, end: Ints, rows: Ints, command: Ints, kind: Ints, code: Ints
) -> None:
    """Set kind and code where an unconnected message is answered with a status of its own."""
    rows = rows[command[rows] == UNCONNECTED]
    inner = at[rows] + HEAD.itemsize
    rows, inner = rows[inner + STATUS_END <= end[rows]], inner[inner + STATUS_END <= end[rows]]
    answer = records(octets, inner, ANSWER)
    service, status = answer["service"], answer["status"].astype(np.int64)
    whole = _is_answer(answer)
    opens = whole & ((service == FORWARD_OPEN) | (service == LARGE_FORWARD_OPEN))
    kind[rows[opens]] = Kind.OPEN
    no = whole & (status != 0) & (status != PARTIAL)
    told = (answer["words"] > 0) & (inner + EXTENDED_END <= end[rows])
    extended = np.where(told, answer["extended"], 0)
    kind[rows[no]] = np.where(opens, Kind.REFUSE, Kind.REJECT)[no]
    code[rows[no]] = ((status + 1) * INNER + extended)[no]


def _is_answer(answer: Records) -> Flags:
    """Whether an unconnected message holds an answer, with an empty address item."""
    is_one: Flags = (answer["items"] >= 2) & (answer["address"] == 0)
    is_one &= (answer["item"] == UNCONNECTED_ITEM) & (answer["service"] >= 0x80)
    return is_one


def explain(code: int) -> tuple[int, str]:
    """A status and its meaning; an extended one where there is one."""
    unknown = "no published meaning"
    if code < INNER:
        return code, STATUSES.get(code, unknown)
    general, extended = (code >> 16) - 1, code & 0xFFFF
    if general == 1 and extended:
        return extended, EXTENDED.get(extended, GENERAL[general])
    return general, GENERAL.get(general, unknown)


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of messages: of answers to unconnected ones the inner status, too."""
    head, inner = records(octets, at, HEAD), at + HEAD.itemsize
    answer = records(octets, inner, ANSWER)
    whole = (head["command"] == UNCONNECTED) & _is_answer(answer) & (inner + STATUS_END <= end)
    size = np.where(answer["words"] > 0, EXTENDED_END, STATUS_END)
    behind = inner + np.where(whole, size, 0)
    return [
        Span(at, at + LENGTH_END),
        Span(at + STATUS_AT, at + STATUS_AT + 4),
        Span(at + CONTEXT_AT, at + CONTEXT_AT + 8, is_number=True),
        Span(at + OPTIONS_AT, inner),
        Span(inner + ITEMS_AT, np.minimum(behind, inner + ITEM_END)),
        Span(inner + SERVICE_AT, np.minimum(behind, inner + SERVICE_AT + 1)),
        Span(inner + GENERAL_AT, behind),
    ]


FRAMING = Framing("EtherNet/IP", frozenset({44818}), read, reads, explain, has_answers=True)
