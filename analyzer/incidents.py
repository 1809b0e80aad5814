"""Every time that something that worked stopped: when, by which sign, and for how long.

An incident is a row of tries of a link-up that ended badly after something had worked, up to the
next good answer; or a session that the PC's link cut off; or an answer far later than usual. How a
try ended is read from the table in `linkup/tries.py`. What the recorder lost, a PC that
slept and a clock that was set are none.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate, pairwise
from typing import NamedTuple

from analyzer.facts import Facts, Moment, Request, Spread
from analyzer.facts.starts import Start
from analyzer.linkup import AT_ONCE, PATIENCE, Call, Case, How, LinkUp, Pc
from analyzer.silent import Beside, Heard, Silent

MOST = 1000
"""Incidents kept of one link-up; more are counted."""
SLEPT = 60.0
"""Seconds without a single frame, where others are heard before and after, from which on the PC
slept or its adapter was off: stations send at least so often (common practice, no source)."""
OTHERS = 3
"""Stations heard shortly before and after, of which one is neither the PC nor the controller."""
TOGETHER = 1.0
"""Seconds within which the ends of sessions that were open together are one incident (common
practice, no source)."""
PACE = 2.0
"""Seconds between requests, and from the last frame to the end of the link, up to which a session
was at work when the link went down (common practice, no source)."""
BACK = 10.0
"""Seconds after the link came back within which a program ends a session that broke with it (common
practice, no source)."""
LATER, RARE = 10.0, 0.05
"""How many times as long as usual an answer takes that is far later, and which part of all may be
so: what comes oftener is usual (common practice, no source)."""


class Sign(StrEnum):
    """What the first frame of an incident shows."""

    RESET = "reset"
    CLOSED = "closed"
    HUNG = "hung"
    GIVEN_UP = "given up"
    REFUSED = "refused"
    IGNORED = "ignored"
    UNANSWERED = "unanswered"
    LATE = "late"
    CUT = "cut off"


WAITS = (Sign.HUNG, Sign.GIVEN_UP, Sign.IGNORED, Sign.UNANSWERED, Sign.LATE)
"""Signs of a wait for a controller that says nothing."""
IN_VAIN = {
    How.REFUSED: Sign.REFUSED,
    How.IGNORED: Sign.IGNORED,
    How.HELD_OVER: Sign.UNANSWERED,
    How.UNHEARD: Sign.UNANSWERED,
    How.TURNED_AWAY: Sign.REFUSED,
    How.DROPPED: Sign.REFUSED,
    How.MUTE: Sign.UNANSWERED,
}
"""Endings of a try that brought no answer."""


class Incident(NamedTuple):
    """One time that it stopped.

    began: the first frame that shows it; call: the one that ended so; last_good: the last good
    answer before, of any session; linked: when the PC's link was back, where it cut the session
    off; called: when the PC called again, this call where it is one in vain, None where it did not
    or only waited; again: the first good answer of a later call,
    or the one that came late, None where none is in the recording; in_vain: calls in vain until
    then, this one counted where it is one; silent: who was silent at the beginning, None where that
    cannot be told or where nobody waited.
    """

    sign: Sign
    began: Moment
    call: Call
    last_good: Moment
    linked: Moment | None = None
    called: Moment | None = None
    again: Moment | None = None
    in_vain: int = 0
    silent: Silent | None = None

    @property
    def out(self) -> float | None:
        """Seconds until it worked again."""
        return self._until(self.again)

    @property
    def without_link(self) -> float | None:
        """Seconds until the PC's link was back."""
        return self._until(self.linked)

    @property
    def uncalled(self) -> float | None:
        """Seconds until the PC called again."""
        return self._until(self.called)

    def _until(self, moment: Moment | None) -> float | None:
        return None if moment is None else moment.seconds - self.began.seconds

    @property
    def age(self) -> float | None:
        """Seconds for which the session had been open, None where that is not known."""
        opened = self.call.session.completed
        return None if opened is None else max(0.0, self.began.seconds - opened.seconds)

    @property
    def requests(self) -> int | None:
        """How many requests the session had carried, None where not all are recorded, or where it
        went on.
        """
        unknown = self.call.under_way or self.sign is Sign.LATE
        return None if unknown else self.call.session.requests

    @property
    def rest(self) -> float | None:
        """Seconds without data until the end, or until the request that the end answers at once, or
        that nothing answers, or nothing for long.
        """
        asked, answered = self.call.session.asked, self.call.last_answer
        if self.sign is Sign.LATE:
            return self.began.seconds - self.last_good.seconds
        if asked is None or self.sign not in (Sign.RESET, Sign.CLOSED, Sign.HUNG, Sign.GIVEN_UP):
            return None
        if not self.on_request:
            return self.call.idle
        return None if answered is None else max(0.0, asked.seconds - answered.seconds)

    @property
    def pause(self) -> float | None:
        """Seconds of the pause up to a request in which it stopped, None where no request came."""
        rest, asked = self.rest, self.call.session.asked
        if rest is None or self.on_request:
            return rest
        late = 0.0 if asked is None else asked.seconds - self.began.seconds
        return rest + late if late > 0 else None

    @property
    def on_request(self) -> bool:
        """Whether the request is told from which it did not go on."""
        return self.at_request or self.sign in (Sign.HUNG, Sign.GIVEN_UP, Sign.LATE)

    @property
    def at_request(self) -> bool:
        """Whether the session ended at once on a request."""
        if self.sign not in (Sign.RESET, Sign.CLOSED):
            return False
        return self.call.ended_on_request and self.call.idle < AT_ONCE

    @property
    def bare(self) -> bool:
        """Whether it is a reset that confirms nothing, as of one that knows no such session."""
        return self.call.end is not None and self.call.end.bare

    @property
    def kind(self) -> Request | None:
        """The last request of the session, where it is the end of this session that shows it."""
        shown = self.call.answers and self.sign is not Sign.LATE
        return self.call.session.dialogue.last_kind if shown else None

    @property
    def slows(self) -> bool:
        """Whether its last answers came slower and slower."""
        return self.call.session.slows and self.sign is not Sign.LATE


class Asleep(NamedTuple):
    """An ending behind so many seconds in which the PC slept or its adapter was off."""

    at: Moment
    silent: float


@dataclass(frozen=True, slots=True, eq=False)
class Incidents:
    """Those of one link-up: how many, the first MOST of them in order, and what passed for none.

    asleep: endings behind a time in which the PC slept or its adapter was off; clock_set: those
    across which the recorder's clock was set.
    """

    count: int = 0
    kept: Sequence[Incident] = ()
    asleep: Sequence[Asleep] = ()
    clock_set: int = 0

    @property
    def outages(self) -> list[float]:
        """Seconds out of each kept one after which it worked again."""
        return [one.out for one in self.kept if one.out is not None]

    @property
    def between(self) -> list[float]:
        """Seconds for which it worked between a kept one and the next."""
        return [
            later.began.seconds - one.again.seconds
            for one, later in pairwise(self.kept)
            if one.again is not None and one.again < later.began
        ]


NONE = Incidents()


class _Bad(NamedTuple):
    """A call that ended badly, or an answer of one that came late: when that shows, by which sign,
    and of a late answer the one before, and when it came. until: when the link came up again.
    """

    at: Moment
    sign: Sign
    call: Call
    before: Moment | None = None
    again: Moment | None = None
    until: Moment | None = None


class _Good:
    """When any call of a link-up brought good answers: questions are answered by bisecting."""

    def __init__(self, calls: Sequence[Call]) -> None:
        spans = sorted(
            (one.first_good, one.last_good) for one in calls if one.first_good and one.last_good
        )
        self._begins = [begin for begin, _ in spans]
        self._latest = list(accumulate((end for _, end in spans), max))
        self._ends = sorted(end for _, end in spans)

    def __len__(self) -> int:
        return len(self._begins)

    def goes_on(self, at: Moment) -> bool:
        """Whether good answers of one session came before and after a moment."""
        place = bisect_left(self._begins, at)
        return place > 0 and self._latest[place - 1] > at

    def before(self, at: Moment) -> Moment | None:
        """The last end of good answers before a moment."""
        place = bisect_left(self._ends, at)
        return self._ends[place - 1] if place else None

    def after(self, at: Moment) -> Moment | None:
        """The first good answer of a session that had none before a moment."""
        place = bisect_right(self._begins, at)
        return self._begins[place] if place < len(self._begins) else None


class _Idle:
    """Times in which the recording holds no frame at all, though others are heard around them."""

    def __init__(self, facts: Facts) -> None:
        spans = [
            (begin, end, number)
            for number, one in enumerate(facts.stations)
            for begin, end in one.presence.spans
        ]
        self._begins = sorted((begin, number) for begin, _, number in spans)
        self._ends = sorted((end, number) for _, end, number in spans)
        latest = list(accumulate((end for _, end, _ in sorted(spans)), max))
        gaps = zip(latest, (begin for begin, _ in self._begins[1:]), strict=False)
        self._gaps = [one for one in gaps if self._is_sleep(*one)]

    def between(self, begin: float, end: float) -> float | None:
        """Seconds of the first of them that lies between two times."""
        place = bisect_left(self._gaps, (begin, begin))
        if place == len(self._gaps) or self._gaps[place][1] > end:
            return None
        return self._gaps[place][1] - self._gaps[place][0]

    def _is_sleep(self, begin: float, end: float) -> bool:
        if end - begin < SLEPT:
            return False
        before = _within(self._ends, begin - SLEPT, begin)
        after = _within(self._begins, end, end + SLEPT)
        return len(before) >= OTHERS and len(after) >= OTHERS


def _within(times: Sequence[tuple[float, int]], begin: float, end: float) -> set[int]:
    """Those with one of their sorted times between two."""
    low, high = bisect_left(times, (begin, -1)), bisect_right(times, (end, len(times)))
    return {number for _, number in times[low:high]}


def incidents(case: Case) -> list[Incidents]:
    """Those of each link-up of a case, in its order."""
    ups = {id(one): _ups(one) for one in dict.fromkeys(one.pc for one in case.linkups)}
    found = ([*_bad(one), *_late(one), *_cut(one, ups[id(one.pc)])] for one in case.linkups)
    bad = [sorted(one, key=lambda one: one.at) for one in found]
    if not any(bad):
        return [NONE] * len(bad)
    idle, heard = _Idle(case.facts), Heard(case.facts)
    return [
        _of(one, found, idle, heard.beside(one)) if found else NONE
        for one, found in zip(case.linkups, bad, strict=True)
    ]


def _bad(linkup: LinkUp) -> Iterator[_Bad]:
    """The calls that ended badly, whatever had worked before."""
    for call in linkup.on_port:
        sign = IN_VAIN.get(call.how) if not call.answers else _sign(call)
        sign = _ended(call) or sign
        if sign is None:
            continue
        at = call.ended if sign in (Sign.RESET, Sign.CLOSED) else call.session.asked
        at = at or call.first
        waits = sign in (Sign.IGNORED, Sign.UNANSWERED)
        if not waits or linkup.facts.heard_after(at) >= PATIENCE:
            yield _Bad(at, sign, call, _before_late(call))


def _before_late(call: Call) -> Moment | None:
    """The answer before the one that came when the PC had given up."""
    came = call.answered_late
    return next((one.before for one in call.session.waits if one.answered == came), None)


def _late(linkup: LinkUp) -> Iterator[_Bad]:
    """Answers that came far later than usual, where that is rare."""
    calls = [one for one in linkup.on_port if one.session.waits]
    if not calls:
        return
    took = Spread.joined(one.session.answer_times for one in linkup.on_port)
    late = LATER * took.median
    if took.at_least(late) > RARE * took.count:
        return
    for call in calls:
        for one in call.session.waits:
            if one.seconds >= late:
                yield _Bad(one.asked, Sign.LATE, call, one.before, one.answered)


def _ups(pc: Pc) -> list[Start]:
    """When the PC's link came up again, by its checks or by a silence of all."""
    told = {one.moment: one for one in pc.cable.fell_silent if one.before}
    told |= {one.moment: one for one in pc.facts.starts.of(pc.hardware) if one.before}
    return [told[moment] for moment in sorted(told)]


def _cut(linkup: LinkUp, ups: Sequence[Start]) -> Iterator[_Bad]:
    """Sessions at work that did not outlive a time without the PC's link."""
    moments = [one.moment for one in ups]
    for call in linkup.on_port.opened if ups else ():
        answered, ended = call.last_answer, call.ended
        if answered is None or call.interval > PACE:
            continue
        place = bisect_right(moments, answered)
        if call.ended_by_client and call.ended_on_request and ended is not None:
            back = bisect_right(moments, ended) - 1
            soon = back >= 0 and ended.seconds - moments[back].seconds <= BACK
            place = back if soon else place
        if place == len(ups) or (ended is not None and ended < moments[place]):
            continue
        before = ups[place].before
        if before is not None and call.first < before and before.seconds - answered.seconds <= PACE:
            yield _Bad(before, Sign.CUT, call, min(before, answered), until=moments[place])


def _ended(call: Call) -> Sign | None:
    """The end of a session that the PC still wanted."""
    if not call.wanted:
        return None
    return Sign.RESET if call.broken else Sign.CLOSED


def _sign(call: Call) -> Sign | None:
    """How a session that had worked waits for an answer that is not recorded by mistake."""
    if call.session.lacks_answer:
        return None
    if call.hangs:
        return Sign.HUNG
    too_late = call.answered_late is not None and call.idle >= PATIENCE
    return Sign.GIVEN_UP if (call.gave_up or too_late) and call.ended_on_request else None


def _of(linkup: LinkUp, bad: Sequence[_Bad], idle: _Idle, beside: Beside | None) -> Incidents:
    good = _Good(linkup.on_port)
    if not good:
        return NONE
    jumps = [span.frame for span in linkup.facts.coverage.spans[1:]]
    mute = sorted(one.at for one in bad if not one.call.answers)
    calls = [one.first for one in linkup.on_port if one.calls]
    asked = sorted(at for one in linkup.questions for at in one.ignored)
    count, clock_set = 0, 0
    kept: list[Incident] = []
    asleep: list[Asleep] = []
    last: _Bad | None = None
    for one in bad:
        before = _worked_before(one, good)
        if before is None or (last is not None and _belongs(one, last, before)):
            continue
        last = one
        if bisect_right(jumps, before.frame) < bisect_right(jumps, one.at.frame):
            clock_set += 1
            continue
        slept = idle.between(before.seconds, (one.again or one.until or one.at).seconds)
        if slept is not None:
            asleep.append(Asleep(one.at, slept))
            continue
        count += 1
        if len(kept) < MOST:
            again = one.again or good.after(one.at)
            upto = len(mute) if again is None else bisect_left(mute, again)
            in_vain = upto - bisect_left(mute, one.at)
            silent = beside.silent(one.at) if beside and one.sign in WAITS else None
            silent = Silent.PC_TOO if one.sign is Sign.CUT else silent
            called = _called(one, calls, asked, again)
            kept.append(
                Incident(
                    one.sign, one.at, one.call, before, one.until, called, again, in_vain, silent
                )
            )
    return Incidents(count, kept, asleep, clock_set)


def _called(
    one: _Bad, calls: Sequence[Moment], asked: Sequence[Moment], again: Moment | None
) -> Moment | None:
    """The first call from when it stopped on until it worked again, or the first question for the
    hardware address that stayed unanswered: without it there is no call. Where the PC waits, its
    system asks for the session of before.
    """
    if not one.call.answers:
        return one.at
    if one.sign is Sign.LATE:
        return None
    begun = [calls] if one.sign in WAITS else [calls, asked]
    places = [(several, bisect_right(several, one.at)) for several in begun]
    first = min((several[at] for several, at in places if at < len(several)), default=None)
    return first if first is None or again is None or first < again else None


def _worked_before(one: _Bad, good: _Good) -> Moment | None:
    """The last good answer before it stopped; None where nothing stopped: nothing had worked, or a
    call found nobody while another session worked on.
    """
    own = one.before or one.call.last_good
    if own is not None and own <= one.at:
        return own
    return None if good.goes_on(one.at) else good.before(one.at)


def _belongs(one: _Bad, last: _Bad, worked: Moment) -> bool:
    """Whether it is still the same incident: nothing worked since, or both were open together."""
    together = one.call.first < last.at and one.at.seconds - last.at.seconds <= TOGETHER
    return worked < last.at or together
