"""Seconds that are full of frames to groups: broadcasts and multicasts (IEEE 802 8.2.2).

Counted are all frames, those too that look like the recorder's copies: a loop in the network makes
copies of its own. Frames that come with a steady period are counted apart.
"""

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from analyzer.columns import Flags, Ints, distinct
from analyzer.facts.groups import ends, groups
from analyzer.facts.switch import moment
from analyzer.facts.values import Hardware, Moment
from analyzer.frames import NO_HARDWARE, Frames, mix

LEAST = 500
"""Frames to groups in one second from which on it is looked at."""
MAX_SECONDS = 3600
"""Seconds kept."""
STEADY = 0.3
"""Average difference of a steady period from its mean, as a part of the mean; where frames come
at random it is 2/e = 0.74 (exponential distribution)."""
STREAM = 20
"""Frames of one sender and kind in a second that show a period."""
TOO_FAST = 0.000_25
"""Seconds between frames of the same content that no cyclic exchange has: the shortest cycles of
devices on Ethernet are about this long (common practice, no source)."""
SENDERS = 8
"""Senders kept a second, the busiest first."""


@dataclass(slots=True, eq=False, repr=False)
class Busy:
    """One second with LEAST or more frames to groups. steady: those that come with a steady period;
    different: packets among the others that are not the same; senders: the others by (sender,
    kind).
    """

    second: int
    first: Moment
    last: Moment
    frames: int = 0
    steady: int = 0
    different: int = 0
    senders: Counter[tuple[Hardware, int]] = field(default_factory=Counter)

    @property
    def unsteady(self) -> int:
        """Frames that come without a steady period."""
        return self.frames - self.steady


@dataclass(slots=True, eq=False, repr=False)
class Flood:
    """The busy seconds of a recording, by the second counted from its first frame."""

    seconds: dict[int, Busy] = field(default_factory=dict)

    def add(self, frames: Frames) -> None:
        """Take in one chunk."""
        group = (frames.dst >> np.uint64(40)) & np.uint64(1) == 1
        rows = np.flatnonzero(group & (frames.dst != NO_HARDWARE))
        if len(rows) < LEAST:
            return
        second = np.floor(frames.seconds[rows]).astype(np.int64)
        _, counts, place = distinct(second)
        busy = counts[place] >= LEAST
        if busy.any():
            self._count(frames, rows[busy], second[busy])

    def _count(self, frames: Frames, rows: Ints, second: Ints) -> None:
        src, kind = frames.src[rows], frames.kind[rows]
        first, stream = groups(second, src, frames.dst[rows], kind)
        counts = np.bincount(stream, minlength=len(first))
        different = _different(frames, rows, stream, len(first))
        steady = _steady(frames.seconds[rows], stream, counts, different)
        for one in distinct(second[first])[0].tolist():
            busy = self._second(frames, one, rows[second == one])
            if busy is None:
                return
            mine = np.flatnonzero(second[first] == one)
            busy.frames += int(counts[mine].sum())
            busy.steady += int(counts[mine][steady[mine]].sum())
            loose = mine[~steady[mine]]
            busy.different += int(different[loose].sum())
            for at in loose[np.argsort(-counts[loose], kind="stable")[:SENDERS]].tolist():
                sender = Hardware(int(src[first[at]])), int(kind[first[at]])
                busy.senders[sender] += int(counts[at])

    def _second(self, frames: Frames, second: int, rows: Ints) -> Busy | None:
        begin, end = moment(frames, rows[0]), moment(frames, rows[-1])
        if second not in self.seconds:
            if len(self.seconds) >= MAX_SECONDS:
                return None
            self.seconds[second] = Busy(second, begin, end)
        self.seconds[second].last = end
        return self.seconds[second]


def _different(frames: Frames, rows: Ints, stream: Ints, streams: int) -> Ints:
    """How many packets of each stream are not the same."""
    mixed, _, place = distinct(mix(stream, frames.fingerprint[rows]))
    owner = np.empty(len(mixed), np.int64)
    owner[place] = stream
    return np.bincount(owner, minlength=streams)


def _steady(seconds: np.ndarray, stream: Ints, counts: Ints, different: Ints) -> Flags:
    """Which streams come with a steady period. The same content again and again, faster than any
    device exchanges it, is none: it goes round in a loop.
    """
    order, start, last = ends(stream, len(counts))
    ordered = seconds[order]
    mean = (ordered[last] - ordered[start]) / np.maximum(counts - 1, 1)
    inner = np.flatnonzero(stream[order][1:] == stream[order][:-1])
    owner = stream[order][inner]
    off = np.abs(ordered[inner + 1] - ordered[inner] - mean[owner])
    average = np.bincount(owner, off, len(counts)) / np.maximum(counts - 1, 1)
    turns = (mean < TOO_FAST) & (counts >= STREAM * different)
    steady: Flags = (counts >= STREAM) & (average <= STEADY * mean) & ~turns
    return steady
