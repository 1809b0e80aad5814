"""What the recording could and could not have heard."""

from dataclasses import dataclass, field

import numpy as np

from analyzer.columns import distinct
from analyzer.facts.values import Moment, Series
from analyzer.frames import Frames, Kind

CLOCK_STEP = 1.0
"""Seconds by which time runs backwards before it counts as a jump of the clock."""


@dataclass(slots=True, eq=False)
class Coverage:
    """Counts over the whole recording.

    began: nanoseconds since 1970 of the first frame, None without frames; seconds: from the first
    frame to the latest; copies: frames written twice; cut: frames stored shorter than they were;
    shortest_cut: octets stored of the most shortened one; kinds: frames by Kind or EtherType;
    backwards: frames that are CLOCK_STEP or more earlier than one before.
    """

    frames: int = 0
    began: int | None = None
    seconds: float = 0.0
    copies: int = 0
    copy_examples: Series = field(default_factory=Series)
    cut: int = 0
    shortest_cut: int = 0
    cut_example: Moment | None = None
    kinds: dict[int, int] = field(default_factory=dict)
    backwards: Series = field(default_factory=Series)

    def add(self, frames: Frames) -> None:
        """Take in the frames of one chunk."""
        if self.began is None:
            self.began = int(frames.time[0])
        self.frames += len(frames)
        self._clock(frames)
        copies = np.flatnonzero(frames.copy)
        self.copies += len(copies)
        for row in copies[:4].tolist():
            self.copy_examples.add(_moment(frames, row))
        self._cut(frames)
        kinds, counts, _ = distinct(frames.kind[~frames.copy])
        for kind, count in zip(kinds.tolist(), counts.tolist(), strict=True):
            self.kinds[kind] = self.kinds.get(kind, 0) + count

    def count(self, kind: Kind) -> int:
        """Frames of one kind, copies left out."""
        return self.kinds.get(kind, 0)

    def _clock(self, frames: Frames) -> None:
        latest = np.maximum.accumulate(np.append(self.seconds, frames.seconds))
        for row in np.flatnonzero(frames.seconds <= latest[:-1] - CLOCK_STEP)[:4].tolist():
            self.backwards.add(_moment(frames, row))
        self.seconds = float(latest[-1])

    def _cut(self, frames: Frames) -> None:
        cut = np.flatnonzero(frames.stored < frames.wire)
        if not len(cut):
            return
        shortest = int(frames.stored[cut].min())
        self.shortest_cut = min(self.shortest_cut or shortest, shortest)
        self.cut_example = self.cut_example or _moment(frames, int(cut[0]))
        self.cut += len(cut)


def _moment(frames: Frames, row: int) -> Moment:
    return Moment(int(frames.number[row]), float(frames.seconds[row]))
