"""When calls hold a place at the other end: who does at a moment is found by bisecting."""

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from analyzer.facts import Moment
from analyzer.linkup.tries import Call, first_after

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

    @classmethod
    def of(cls, calls: Iterable[Call], came_back: Sequence[Moment]) -> "Spans":
        """Each call's own: until it ends, or waits in vain itself, as with a dead peer. Once the
        PC came back to the cable, a call that waits is left over, and holds a place again.
        """
        return cls(span for one in calls for span in _spans_of(one, came_back))

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


def _spans_of(call: Call, came_back: Sequence[Moment]) -> Iterator[Span]:
    if call.unwelcome:
        return
    end, waits = call.ended or NEVER, call.unanswered
    yield Span(call, call.first, min([end, *waits]))
    back = first_after(came_back, call.last) if waits else None
    if back is not None and back < end:
        yield Span(call, back, end)
