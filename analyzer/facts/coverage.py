"""What the recording could and could not have heard."""

from dataclasses import dataclass, field, replace

import numpy as np

from analyzer.columns import distinct
from analyzer.facts.values import Moment, Series
from analyzer.frames import Frames, Kind

CLOCK_STEP = 1.0
"""Seconds by which time runs backwards before it counts as a jump of the clock."""
CLOCK_LEAP = 30 * 86400.0
"""Seconds without a frame after which the clock was set rather than the line idle: no recording of
a link-up stays silent for a month (common practice, no source)."""
MOST_SILENCE = 86400.0
"""Seconds of silence that are believed of a recorder which says when it listened: beyond a day its
clock was set rather than the line idle (common practice, no source)."""
COPIES_SHOWN = 4
"""Copies named as examples."""
MAX_SPANS = 64
"""Spans kept at most; a file with more jumps is out of order rather than badly timed."""


@dataclass(slots=True, eq=False, repr=False)
class Span:
    """A part of the recording over which the clock ran evenly: its first frame, and seconds."""

    frame: int
    begin: float
    end: float


@dataclass(slots=True, eq=False, repr=False)
class Coverage:
    """Counts over the whole recording.

    began: nanoseconds since 1970 of the first frame, None without frames; seconds: from the first
    frame to the latest; copies: frames whose packet is in the file already, which no other count
    holds; alike: those of kinds other than IPv4 and ARP, whose cyclic frames may be alike by
    nature; forwarded: those of them that were seen on the other side of a router; overlong: IPv4
    packets that claim to be longer than their frame was on the wire; cut: frames stored shorter
    than they were; shortest_cut: octets stored of the most shortened one; kinds: frames by Kind or
    EtherType;
    spans: where the clock ran evenly, in file order; backwards, forwards: the frames that begin a
    span CLOCK_STEP or more earlier, or CLOCK_LEAP or more later, than the one before it ended.
    """

    frames: int = 0
    began: int | None = None
    seconds: float = 0.0
    lead: float = 0.0
    copies: int = 0
    alike: int = 0
    forwarded: int = 0
    copy_examples: Series = field(default_factory=Series)
    overlong: int = 0
    cut: int = 0
    shortest_cut: int = 0
    cut_example: Moment | None = None
    kinds: dict[int, int] = field(default_factory=dict)
    spans: list[Span] = field(default_factory=list)
    backwards: Series = field(default_factory=Series)
    forwards: Series = field(default_factory=Series)

    def add(self, frames: Frames) -> None:
        """Take in the frames of one chunk."""
        if self.began is None:
            self.began = int(frames.time[0])
        self.frames += len(frames)
        self._clock(frames)
        copies = np.flatnonzero(frames.copy)
        certain = (frames.kind == Kind.IPV4) | (frames.kind == Kind.ARP)
        self.alike += int(np.count_nonzero(frames.copy & ~certain))
        self.copies += len(copies)
        self.forwarded += int(np.count_nonzero(frames.forwarded))
        for row in copies[: max(0, COPIES_SHOWN - self.copy_examples.count)].tolist():
            self.copy_examples.add(_moment(frames, row))
        self.overlong += int(np.count_nonzero(frames.ip.surplus))
        self._cut(frames)
        kinds, counts, _ = distinct(frames.kind[~frames.copy])
        for kind, count in zip(kinds.tolist(), counts.tolist(), strict=True):
            self.kinds[kind] = self.kinds.get(kind, 0) + count

    def listening(self, began: int | None, ended: int | None) -> "Coverage":
        """The same, where the recorder says from when to when it listened: nanoseconds since 1970,
        None where it does not say. Times that contradict the frames are not believed.
        """
        if self.began is None:
            return self
        told = replace(self)
        if began is not None and 0 < (lead := (self.began - began) / 1e9) < MOST_SILENCE:
            told.lead = lead
        end = self.spans[-1].end if ended is None else (ended - self.began) / 1e9
        if 0 < end - self.spans[-1].end < MOST_SILENCE:
            told.spans = [*self.spans[:-1], replace(self.spans[-1], end=end)]
            told.seconds = max(self.seconds, end)
        return told

    def count(self, kind: Kind) -> int:
        """Frames of one kind, copies left out."""
        return self.kinds.get(kind, 0)

    @property
    def listened(self) -> float:
        """Seconds that the recorder listened, jumps of its clock left out."""
        return sum(span.end - span.begin for span in self.spans)

    def listened_after(self, moment: Moment) -> float:
        """Seconds that the recorder listened after a moment, jumps of its clock left out."""
        later = [span for span in self.spans if span.frame > moment.frame]
        own = [span for span in self.spans if span.frame <= moment.frame][-1:]
        left = sum(max(0.0, span.end - moment.seconds) for span in own)
        return left + sum(span.end - span.begin for span in later)

    def _clock(self, frames: Frames) -> None:
        self.seconds = max(self.seconds, float(frames.seconds.max()))
        if not self.spans:
            self.spans.append(Span(int(frames.number[0]), 0.0, 0.0))
        row = 0
        while row < len(frames):
            row = self._run_on(frames, row)

    def _run_on(self, frames: Frames, row: int) -> int:
        """Prolong the last span from a row on; returns the row that begins the next one."""
        span, times = self.spans[-1], frames.seconds[row:]
        latest = np.maximum.accumulate(np.append(span.end, times))
        back, ahead = times <= latest[:-1] - CLOCK_STEP, times >= latest[:-1] + CLOCK_LEAP
        jumps = np.flatnonzero(back | ahead)
        run = int(jumps[0]) if len(jumps) and len(self.spans) < MAX_SPANS else len(times)
        span.end = float(latest[run])
        if run < len(times):
            moment = _moment(frames, row + run)
            self.spans.append(Span(moment.frame, moment.seconds, moment.seconds))
            (self.backwards if back[run] else self.forwards).add(moment)
        return row + run

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
