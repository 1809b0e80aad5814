"""Writes pcapng (draft-ietf-opsawg-pcapng): one section, all interfaces, frames, statistics."""

import struct
from collections.abc import Sequence
from typing import BinaryIO

from analyzer.inputs.records import Interface

SECTION, INTERFACE, SIMPLE_PACKET, STATISTICS, PACKET = 0x0A0D0D0A, 1, 3, 5, 6
COMMENT, ADDRESS, HARDWARE, SPEED, RESOLUTION, FLAGS, DROPS = 1, 4, 6, 8, 9, 2, 5
"""Option codes: opt_comment, if_IPv4addr, if_MACaddr, if_speed, if_tsresol, epb_flags, isb_ifdrop
(sections 3.5, 4.2, 4.3 and 4.6).
"""
NANOSECONDS = b"\x09"
UNKNOWN_LENGTH = -1

Option = tuple[int, bytes]


class Writer:
    """Writes one recording. Interfaces keep addresses, mask, hardware address, speed and drops."""

    def __init__(self, out: BinaryIO, interfaces: Sequence[Interface], comment: str) -> None:
        self.out = out
        self.interfaces = interfaces
        section = struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, UNKNOWN_LENGTH)
        self._block(SECTION, section, [(COMMENT, comment.encode())])
        for one in interfaces:
            self._interface(one)

    def frame(
        self, octets: bytes, interface: int, nanoseconds: int, wire: int, direction: int
    ) -> None:
        """Write a frame; nanoseconds since 1970, wire: octets it had, direction: a Direction."""
        high, low = divmod(nanoseconds, 1 << 32)
        head = struct.pack("<IIIII", interface, high, low, len(octets), wire)
        options = [(FLAGS, struct.pack("<I", direction))] if direction else []
        self._block(PACKET, head + _padded(octets), options)

    def untimed(self, octets: bytes, wire: int) -> None:
        """Write a frame that has no time, of the first interface (section 4.4)."""
        self._block(SIMPLE_PACKET, struct.pack("<I", wire) + _padded(octets))

    def end(self, nanoseconds: int, damaged: bool) -> None:
        """Write the drops. damaged: end inside a block, as the recording that is copied does."""
        stamp = divmod(nanoseconds, 1 << 32)
        for number, one in enumerate(self.interfaces):
            if one.lost is not None:
                head = struct.pack("<III", number, *stamp)
                self._block(STATISTICS, head, [(DROPS, struct.pack("<Q", one.lost))])
        if damaged:
            self.out.write(struct.pack("<II", STATISTICS, 24))

    def _interface(self, one: Interface) -> None:
        options = [(ADDRESS, struct.pack(">II", *pair)) for pair in one.addresses]
        if one.hardware is not None:
            options.append((HARDWARE, one.hardware.to_bytes(6)))
        if one.speed is not None:
            options.append((SPEED, struct.pack("<Q", one.speed)))
        head = struct.pack("<HHI", one.link, 0, one.snap_length)
        self._block(INTERFACE, head, [*options, (RESOLUTION, NANOSECONDS)])

    def _block(self, kind: int, body: bytes, options: Sequence[Option] = ()) -> None:
        for code, value in [*options, (0, b"")] if options else []:
            body += struct.pack("<HH", code, len(value)) + _padded(value)
        length = struct.pack("<I", len(body) + 12)
        self.out.write(struct.pack("<I", kind) + length + body + length)


def _padded(octets: bytes) -> bytes:
    return octets + bytes(-len(octets) % 4)
