"""When calls hold a place at the other end: who does at a moment is found by bisecting."""

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple

from analyzer.facts import Moment
from analyzer.linkup.tries import Call

NEVER = Moment(1 << 62, float("inf"))
"""Later than every frame: the end of what goes on."""


class Span(NamedTuple):
    """A time in which a call holds a place: later than begin, and not later than end."""

    call: Call
    begin: Moment
    end: Moment


class Spans:
    """Such times of many calls."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self._spans = list(spans)
        self._begins = sorted(one.begin for one in self._spans)
        self._ends = sorted(one.end for one in self._spans)

    def at(self, moment: Moment) -> int:
        """How many hold a place at a moment."""
        return bisect_left(self._begins, moment) - bisect_left(self._ends, moment)

    def meet(self, moments: Collection[Moment], own: Mapping[Call, Moment]) -> list[Call]:
        """The calls that hold a place at any of some moments, other than each one's own."""
        at, met = sorted(moments), list[Call]()
        for call, begin, end in self._spans:
            itself = call in own and begin < own[call] <= end
            if bisect_right(at, end) - bisect_right(at, begin) > itself:
                met.append(call)
        return list(dict.fromkeys(met))
