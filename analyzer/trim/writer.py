"""Writes one recording as pcapng: a section, all interfaces, frames, statistics."""

from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO

from analyzer.inputs.records import Interface
from analyzer.outputs import pcapng


class Writer:
    """Writes one recording. Interfaces keep addresses, mask, hardware address, speed, drops, and
    when they listened.
    """

    def __init__(self, out: BinaryIO, interfaces: Sequence[Interface], comment: str) -> None:
        self.out = out
        self.interfaces = interfaces
        out.write(pcapng.section(comments=[comment]))
        for one in interfaces:
            out.write(pcapng.interface(replace(one, name="", fcs_octets=0)))

    def frame(
        self, octets: bytes, interface: int, nanoseconds: int, wire: int, direction: int
    ) -> None:
        """Write a frame; nanoseconds since 1970, wire: octets it had, direction: a Direction."""
        self.out.write(pcapng.packet(nanoseconds, octets, wire, interface, direction))

    def untimed(self, octets: bytes, wire: int) -> None:
        """Write a frame that has no time, of the first interface."""
        self.out.write(pcapng.untimed_packet(octets, wire))

    def end(self, nanoseconds: int, damaged: bool) -> None:
        """Write what was counted. damaged: end inside a block, as the recording that is copied
        does.
        """
        for index, one in enumerate(self.interfaces):
            if (one.began, one.ended, one.lost) != (None, None, None):
                self.out.write(
                    pcapng.statistics(
                        nanoseconds, one.began, one.ended, dropped=one.lost, index=index
                    )
                )
        if damaged:
            self.out.write(pcapng.statistics(nanoseconds)[:8])
