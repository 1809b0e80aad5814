"""Counters that a sender carries on from packet to packet, and where they jump.

Two of them start again when a device does: the identification of IPv4 packets (RFC 791 3.1) and
the clock of TCP timestamps (RFC 7323 5.4). Some systems choose such numbers at random: they jump
all the time.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from analyzer.columns import Ints
from analyzer.facts.values import KEPT, Moment
from analyzer.frames import Frames

IDENTIFICATIONS = ((1 << 16, 1 << 15), 1024)
"""How many there are (some systems use half of them), and how far they go on between two packets to
the same station at most: those in between went to others (common practice, no source)."""
STAMPS = ((1 << 32,), 1 << 31)
"""The same of timestamps: up to half the circle ahead is later (RFC 7323 5.2)."""
GOES_ON = 3
REGULAR = 0.75
"""Steps that go on from the one before, and their share, from which on a number is a counter; one
chosen at random does so in one step of 64."""


OVERTAKING = 16
"""Packets that may overtake each other: a number that falls by less says nothing."""


class Jump(NamedTuple):
    """A number that does not go on from the one before it."""

    moment: Moment
    before: int
    after: int


@dataclass(slots=True)
class Counter:
    """One number of one sender. steps: changes from packet to packet; jumps: the first KEPT of
    those that do not go on; last: the latest number and its packet.
    """

    steps: int = 0
    jumped: int = 0
    jumps: list[Jump] = field(default_factory=list)
    value: int = -1
    last: Moment | None = None

    @property
    def is_regular(self) -> bool:
        """Whether the sender counts, rather than choosing each number anew."""
        went_on = self.steps - self.jumped
        return went_on >= GOES_ON and went_on >= REGULAR * self.steps

    def begins_anew(self, low: int) -> list[Moment]:
        """Where it falls back below a number, by more than packets that overtake each other."""
        jumps = self.jumps if self.is_regular else []
        fell = (one for one in jumps if one.before - one.after > OVERTAKING)
        return [one.moment for one in fell if one.after < low]

    def goes_on(self, begin: Moment, end: Moment) -> bool:
        """Whether it goes on from one moment until after another one."""
        is_seen = self.is_regular and self.last is not None and self.last > end
        return is_seen and not any(jump.moment > begin for jump in self.jumps)


def follow(
    counters: list[Counter],
    group: Ints,
    value: Ints,
    rows: Ints,
    circle: tuple[tuple[int, ...], int],
    frames: Frames,
) -> None:
    """Carry on the counters with the numbers of one chunk, sorted by counter.

    group: whose number it is; value: the number, -1 where a packet has none; rows: its frame;
    circle: IDENTIFICATIONS or STAMPS.
    """
    sizes, near = circle
    present = np.flatnonzero(value >= 0)
    if not len(present):
        return
    group, value = group[present], value[present]
    begin = np.append(True, group[1:] != group[:-1])
    carried = np.array([one.value for one in counters])
    before = np.where(begin, carried[group], np.append(-1, value[:-1]))
    step = (before >= 0) & (value != before)
    jump = step.copy()
    for size in sizes:
        jump &= ((value - before) & (size - 1) >= near) | (before >= size)
    steps = np.bincount(group[step], minlength=len(counters)).tolist()
    jumped = np.bincount(group[jump], minlength=len(counters)).tolist()
    last = np.flatnonzero(np.append(begin[1:], True))
    for at in last.tolist():
        one = counters[group[at]]
        one.steps += steps[group[at]]
        one.jumped += jumped[group[at]]
        one.value = int(value[at])
        one.last = _moment(frames, rows[present[at]])
    for at in _first_of_each(group, np.flatnonzero(jump)).tolist():
        jumps = counters[group[at]].jumps
        if len(jumps) < KEPT:
            moment = _moment(frames, rows[present[at]])
            jumps.append(Jump(moment, int(before[at]), int(value[at])))


def _moment(frames: Frames, row: int) -> Moment:
    return Moment(int(frames.number[row]), float(frames.seconds[row]))


def _first_of_each(group: Ints, at: Ints) -> Ints:
    """Those of the sorted places that are among the first KEPT of their group."""
    if not len(at):
        return at
    place = np.arange(len(at))
    begin = np.append(True, group[at][1:] != group[at][:-1])
    return at[place - np.maximum.accumulate(np.where(begin, place, 0)) < KEPT]


def stamps(frames: Frames) -> Ints:
    """The timestamp of each TCP segment by frame, -1 where there is none.

    Only where the option stands alone in the header behind two fillers, as all but a SYN have it
    (RFC 7323 appendix A).
    """
    found = np.full(len(frames), -1)
    table = frames.tcp
    header = frames.ip.body[table.ip]
    room = (table.payload - header >= HEADER + ALONE) & (
        header + HEADER + ALONE <= frames.end[table.row]
    )
    at = header[room] + HEADER
    marked = frames.numbers_at(at) == FILLERS_AND_OPTION
    found[table.row[room][marked]] = frames.numbers_at(at + 4)[marked]
    return found


HEADER, ALONE = 20, 12
"""Octets of the TCP header without options, and of the option with its fillers."""
FILLERS_AND_OPTION = 0x0101080A
"""Two fillers (kind 1), then kind 8 and length 10 (RFC 7323 3.2)."""
