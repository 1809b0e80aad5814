"""Who was silent while a controller did not answer, by when each station was heard.

Told only of a wait that is long enough, and by stations that speak so often that their silence says
something. A recording does not tell which stations are behind one switch: only which fell silent
together.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from enum import StrEnum
from heapq import nlargest

from analyzer.facts import Facts, Moment, Station
from analyzer.linkup import LinkUp

LEAST, MOST = 4.0, 60.0
"""Seconds of a wait that tells who was silent, and of the part of it that is looked at: spans of
presence bridge 2 s (common practice, no source)."""
EDGE = 1.0
"""Seconds at both ends of it in which some stop sooner or come back sooner than others (common
practice, no source)."""
BEFORE = 3
"""Times in a row, each as long as the wait, in which a station was heard before, of which its
silence tells something (common practice, no source)."""
WATCHED = 16
"""Stations looked at, those with the most frames."""


class Silent(StrEnum):
    """Who was silent, the PC left out where it was heard."""

    NOBODY = "nobody"
    CONTROLLER = "controller"
    SOME = "some"
    ALL = "all"
    PC_TOO = "pc too"


class Times:
    """When a station was heard."""

    def __init__(self, station: Station) -> None:
        self.hardware = station.hardware
        self._begins = [begin for begin, _ in station.presence.spans]
        self._ends = [end for _, end in station.presence.spans]

    def within(self, begin: float, end: float) -> bool:
        """Whether it was heard between two times."""
        place = bisect_left(self._ends, begin)
        return place < len(self._ends) and self._begins[place] <= end

    def after(self, at: float) -> float:
        """When it was heard next, infinite where never again."""
        place = bisect_right(self._ends, at)
        if place == len(self._ends):
            return float("inf")
        return max(self._begins[place], at)


class Heard:
    """When the busiest stations of a recording were heard."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        busiest = nlargest(WATCHED + 2, facts.stations, key=lambda one: one.frames)
        self._busiest = [Times(one) for one in busiest if one.hardware is not None]

    def beside(self, linkup: LinkUp) -> "Beside | None":
        """The same as one link-up sees it, None where no frames are known to be the controller's
        own.
        """
        station = self._facts.station(linkup.hardware)
        if station is None or linkup.router is not None:
            return None
        pc = self._facts.station(linkup.pc.hardware)
        ends = station.hardware, linkup.pc.hardware
        others = [one for one in self._busiest if one.hardware not in ends][:WATCHED]
        last = self._facts.coverage.seconds
        return Beside(Times(station), None if pc is None else Times(pc), others, last)


class Beside:
    """Who was heard beside a link-up."""

    def __init__(
        self, controller: Times, pc: Times | None, others: Sequence[Times], last: float
    ) -> None:
        self._controller, self._pc, self._others, self._last = controller, pc, others, last

    def silent(self, at: Moment) -> Silent | None:
        """Who was silent from a moment on, until the controller was heard again; None where that
        was too short, or nobody else speaks often enough to tell.
        """
        end = min(self._controller.after(at.seconds), self._last, at.seconds + MOST)
        wait = end - at.seconds
        if self._controller.within(at.seconds + EDGE, at.seconds + LEAST):
            return Silent.NOBODY
        if wait < LEAST:
            return None
        begin, end = at.seconds + EDGE, end - EDGE
        often = [one for one in self._others if _is_often_heard(one, at.seconds, wait)]
        heard = [one for one in self._others if one.within(begin, end)]
        fell = [one for one in often if one not in heard]
        if not fell:
            return Silent.CONTROLLER if heard else None
        if heard:
            return Silent.SOME
        return Silent.ALL if self._pc is None or self._pc.within(begin, end) else Silent.PC_TOO


def _is_often_heard(one: Times, at: float, wait: float) -> bool:
    return all(one.within(at - n * wait, at - (n - 1) * wait) for n in range(1, BEFORE + 1))
