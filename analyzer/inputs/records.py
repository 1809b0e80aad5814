"""The plain values that every reader produces: interfaces, chunks of frames, damage."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple, Protocol

import numpy as np

from analyzer.columns import Ints, Octets, Small, distinct

PADDING = bytes(128)
"""Spare octets behind a chunk, so that a header read at its end stays inside the buffer."""

MAX_FRAME = 1 << 20
"""A stored length above this is a lie: the largest real snap length in use is 262,144 octets,
and a coalesced segment is at most 65,535."""


class Link(IntEnum):
    """Link types that can be read (the link-type registry of draft-ietf-opsawg-pcaplinktype)."""

    NULL = 0
    ETHERNET = 1
    RAW = 101
    LOOP = 108
    COOKED = 113
    IPV4 = 228
    IPV6 = 229
    COOKED2 = 276


LINK_NAMES = {
    0: "loopback",
    1: "Ethernet",
    101: "raw IP",
    105: "wireless (radio frames)",
    108: "loopback",
    113: "cooked (all adapters)",
    127: "wireless (radio frames)",
    228: "raw IPv4",
    229: "raw IPv6",
    276: "cooked (all adapters)",
}


@dataclass(slots=True, eq=False, repr=False)
class Interface:
    """One capturing interface, with what the recording says about it.

    resolution: the if_tsresol octet (draft-ietf-opsawg-pcapng 4.2); offset: whole seconds to add.
    addresses: (address, mask) pairs as unsigned 32-bit numbers.
    drops: frames lost over the whole recording, missed: those lost before single frames, as the
    recorder says; began, ended: nanoseconds since 1970 between which it listened, where it went on
    without frames too; None where it does not say.
    """

    link: int
    snap_length: int = 0
    fcs_octets: int = 0
    resolution: int = 6
    offset: int = 0
    name: str = ""
    addresses: list[tuple[int, int]] = field(default_factory=list)
    hardware: int | None = None
    speed: int | None = None
    drops: int | None = None
    missed: int | None = None
    began: int | None = None
    ended: int | None = None

    @property
    def lost(self) -> int | None:
        """Frames that the recorder says it lost, by the count that knows of more."""
        told = [count for count in (self.drops, self.missed) if count is not None]
        return max(told, default=None)


class Direction(IntEnum):
    """Which way a frame went, where the recording says so (epb_flags bits 0-1)."""

    UNKNOWN = 0
    IN = 1
    OUT = 2


@dataclass(slots=True, eq=False, repr=False)
class Chunk:
    """A bounded run of frames. All arrays have one entry a frame, in file order.

    data: octets with PADDING behind; start: index of each frame's first octet in data;
    stored, original: octets in the file and on the wire; fcs: how many of the latter are the frame
    check sequence, which may be in the file or not; time: nanoseconds since 1970 (UTC);
    interface: index into Recording.interfaces; direction: a Direction; first: number of the
    first frame, counted from 1.
    """

    data: Octets
    start: Ints
    stored: Ints
    original: Ints
    fcs: Ints
    time: Ints
    interface: Small
    direction: Octets
    first: int


class Damage(NamedTuple):
    """What is wrong: octet position in the (unpacked) file and the last whole frame before it.
    stopped: whether reading had to stop there, as nobody can tell where the next frame begins.
    """

    octet: int
    after_frame: int
    why: str
    stopped: bool = True


class Piece(NamedTuple):
    """One file of several that were joined to a recording, and the number of its first frame."""

    name: str
    first: int
    sha256: str


class Stream(Protocol):
    """What a reader needs of a file: octets, in order."""

    def read(self, size: int, /) -> bytes:
        """Up to size octets; none at the end. Raises Broken where there should be more."""
        ...


@dataclass(slots=True, eq=False, repr=False)
class Recording:
    """One recording while it is being read: iterate `chunks` once, then look at the rest.

    comments: what somebody wrote into the file, not to be trusted;
    cut: why the octets ended before the file did; untimed: frames that carry no time;
    size: octets of the file as sent, 0 where that is not known; consumed: those read so far;
    sha256: their hexadecimal digest, filled at the end; pieces: the files that were joined, none
    for a single one (sha256 is then the digest of their digests in this order).
    """

    name: str
    format: str
    interfaces: list[Interface] = field(default_factory=list)
    chunks: Iterator[Chunk] = field(default_factory=lambda: iter(()))
    comments: list[str] = field(default_factory=list)
    damage: Damage | None = None
    untimed: int = 0
    compressed: bool = False
    cut: str = ""
    size: int = 0
    consumed: int = 0
    sha256: str = ""
    pieces: list[Piece] = field(default_factory=list)

    def note(self, octet: int, after_frame: int, why: str) -> None:
        """Tell a damage behind which reading goes on; the first one stands for all."""
        self.damage = self.damage or Damage(octet, after_frame, why, stopped=False)


def cut_out(recording: Recording, begin: int, end: int) -> None:
    """Leave only the frames between two times of a recording, in nanoseconds since 1970. They keep
    their numbers; when the recorder listened is not known of a part.
    """
    recording.chunks = _between(recording, recording.chunks, begin, end)


def _between(
    recording: Recording, chunks: Iterator[Chunk], begin: int, end: int
) -> Iterator[Chunk]:
    for chunk in chunks:
        for interface in recording.interfaces:
            interface.began = interface.ended = None
        inside = np.flatnonzero((chunk.time >= begin) & (chunk.time <= end))
        if len(inside):
            rows = slice(int(inside[0]), int(inside[-1]) + 1)
            yield Chunk(
                chunk.data, chunk.start[rows], chunk.stored[rows], chunk.original[rows],
                chunk.fcs[rows], chunk.time[rows], chunk.interface[rows], chunk.direction[rows],
                chunk.first + rows.start,
            )  # fmt: skip
    for interface in recording.interfaces:
        interface.began = interface.ended = None


def more_than_there_was(stored: int, original: int) -> str:
    """What is wrong with a frame of which more is stored than was on the wire."""
    return f"of a frame of {original:,} octets {stored:,} are stored"


def of_each(interfaces: list[Interface], index: Ints, what: Callable[[Interface], int]) -> Ints:
    """What is asked of the interface of each frame, by the number of its interface. Only those that
    occur are asked.
    """
    different, _, place = distinct(index)
    told = [what(interfaces[number]) for number in different.tolist()]
    return np.array(told, np.int64)[place]
