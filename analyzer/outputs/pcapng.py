"""Writes pcapng (draft-ietf-opsawg-pcapng): each function gives one whole block.

A file is section(), then interface() for each interface, then packet() and statistics() in any
order. Times are nanoseconds since 1970; all numbers stand in little-endian order.
"""

import struct
from collections.abc import Iterator, Sequence

from analyzer.inputs.records import Direction, Interface

SECTION, INTERFACE, SIMPLE_PACKET, STATISTICS, PACKET = 0x0A0D0D0A, 1, 3, 5, 6
ORDER, UNKNOWN_LENGTH = 0x1A2B3C4D, -1
END, COMMENT = 0, 1
NANOSECONDS = 9
"""if_tsresol: units of 10^-9 s (section 4.2)."""
MOST_COUNT = (1 << 64) - 1
"""Two counts of a recording that is copied may add up to more."""
MOST_TEXT = 0xFFFF
"""Octets of one option at most: its length has 16 bits (section 3.5)."""

_PACKET = struct.Struct("<IIIIIII")
_FLAGS = struct.Struct("<HHIHH")
_TAIL = struct.Struct("<I")
Options = list[tuple[int, bytes]]


def section(
    hardware: str = "", system: str = "", program: str = "", comments: Sequence[str] = ()
) -> bytes:
    """The section header: on what machine and system, and by which program it is written (4.1)."""
    head = struct.pack("<IHHq", ORDER, 1, 0, UNKNOWN_LENGTH)
    options = _texts((2, hardware), (3, system), (4, program), *((COMMENT, c) for c in comments))
    return _block(SECTION, head, options)


def interface(one: Interface, system: str = "", comments: Sequence[str] = ()) -> bytes:
    """The description of an interface (4.2). Its times are in nanoseconds, whatever it read as."""
    options = _texts((2, one.name))
    options += [(4, struct.pack(">II", address, mask)) for address, mask in one.addresses]
    if one.hardware is not None:
        options.append((6, one.hardware.to_bytes(6)))
    if one.speed is not None:
        options.append((8, struct.pack("<Q", one.speed)))
    options.append((9, bytes([NANOSECONDS])))
    options += _texts((12, system))
    if one.fcs_octets:
        options.append((13, bytes([one.fcs_octets])))
    options += _texts(*((COMMENT, text) for text in comments))
    return _block(INTERFACE, struct.pack("<HHI", one.link, 0, one.snap_length), options)


def packet(
    time: int,
    octets: bytes,
    original: int | None = None,
    index: int = 0,
    direction: int = Direction.UNKNOWN,
) -> bytes:
    """One frame (4.3). original: its octets on the wire, where fewer are stored; index: the place
    of its interface in the section.
    """
    stored = len(octets)
    padding = -stored & 3
    flags = _FLAGS.pack(2, 4, direction, END, 0) if direction else b""
    size = _PACKET.size + stored + padding + len(flags) + _TAIL.size
    wire = stored if original is None else original
    head = _PACKET.pack(PACKET, size, index, time >> 32, time & 0xFFFFFFFF, stored, wire)
    return b"".join((head, octets, bytes(padding), flags, _TAIL.pack(size)))


def untimed_packet(octets: bytes, original: int) -> bytes:
    """One frame of the first interface without a time (4.4); original: its octets on the wire."""
    return _block(SIMPLE_PACKET, struct.pack("<I", original) + octets + bytes(-len(octets) & 3), [])


def statistics(
    time: int,
    began: int | None = None,
    ended: int | None = None,
    received: int | None = None,
    dropped: int | None = None,
    index: int = 0,
    comment: str = "",
) -> bytes:
    """What an interface has counted so far (4.6): when recording on it began and ended, frames that
    reached it, and frames among them that the recorder lost.
    """
    options = _texts((1, comment))
    options += [(code, _time(at)) for code, at in ((2, began), (3, ended)) if at is not None]
    counts = ((4, received), (5, dropped))
    options += [
        (code, struct.pack("<Q", min(count, MOST_COUNT)))
        for code, count in counts
        if count is not None
    ]
    return _block(STATISTICS, struct.pack("<I", index) + _time(time), options)


def _time(time: int) -> bytes:
    return struct.pack("<II", time >> 32, time & 0xFFFFFFFF)


def _texts(*texts: tuple[int, str]) -> Options:
    """Options of those texts that are not empty."""
    return [(code, text.encode("utf-8", "replace")[:MOST_TEXT]) for code, text in texts if text]


def _block(kind: int, body: bytes, options: Options) -> bytes:
    body += b"".join(_written(options))
    size = len(body) + 12
    return struct.pack("<II", kind, size) + body + _TAIL.pack(size)


def _written(options: Options) -> Iterator[bytes]:
    for code, value in options:
        yield struct.pack("<HH", code, len(value)) + value + bytes(-len(value) & 3)
    if options:
        yield struct.pack("<HH", END, 0)
