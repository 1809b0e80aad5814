"""What the incidents of one link-up have in common, against how often that is so at other times.

Each thing that is looked at has a chance: how likely it comes to this without any connection.
Only what is so in most incidents, seldom at other times, and unlikely to be chance is a pattern.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import ceil
from typing import NamedTuple

from analyzer.chance import agreement, around, by_chance, by_parts, fisher, holm, in_a_circle
from analyzer.facts import Request, Spread
from analyzer.incidents import Incident, Incidents, Sign
from analyzer.linkup import START_TAKES, LinkUp

FEWEST = 3
"""Incidents from which on anything is claimed (common practice, no source)."""
UNLIKELY = 0.01
"""A pattern is told where chance makes one of all those looked at no more often than this."""
AS_USUAL = 0.05
"""What chance makes more often is as usual: a rest that the PC takes at other times too."""
MOST_OF_THEM = 0.75
"""The part of the incidents in which a pattern is seen, at least."""
SELDOM = 1 / 3
"""How often it may be so at other times, as a part of how often it is so in incidents."""
ALIKE = 1.05
"""Times within 5 % are one limit (common practice, no source)."""
DAY, HOUR_HAND = 86400.0, 30.0
"""Seconds of a day, and within which something is done at the same time of day (common practice, no
source)."""
DAYS = 2.0
"""Days from which on the same time of day can be seen."""
APART = 3600.0
"""Seconds after which an incident tells something new of the time of day (common practice, no
source)."""
SCHEDULED = 60.0
"""Seconds of the shortest interval that is a schedule, and no pace of the programs themselves
(common practice, no source)."""
RESOLVED, TIMERS = 0.001, 2
"""Seconds that a recorder's clock tells apart, at least, and digits of seconds that timers of
programs keep to (common practice, no source)."""
NEAR, FAR = 1.0, 10.0
"""Seconds before an incident in which something that happens may be its reason (common practice, no
source)."""
BACK = 6.0
"""Seconds after a break within which a small controller is back (common practice, no source)."""


class Factor(StrEnum):
    """What was looked at."""

    REQUEST = "request"
    SIZE = "size"
    AT_REQUEST = "at request"
    UNKNOWN = "unknown session"
    PAUSE = "pause"
    SLOWER = "slower"
    REST = "rest"
    AGE = "age"
    REQUESTS = "requests"
    INTERVAL = "interval"
    TIME_OF_DAY = "time of day"
    CLIENT = "client"
    CLAIM = "claim"
    LEASE = "lease"
    TREE = "tree"
    BURST = "burst"
    RESTART = "restart"


class Pattern(NamedTuple):
    """One thing that incidents have in common.

    hits: the incidents in which it is so, of how many; other_hits, others: the same of other times:
    other requests, pauses, sessions or spans of time. least, most: between which the
    values lie, in seconds or requests; kind: the request, with -1 for what differs; who: those who
    did what came before, the most frequent first; as_well: what fits as well, and cannot be told
    from it; chance: how likely chance makes it, corrected for all that was looked at.
    """

    factor: Factor
    hits: int
    of: int
    other_hits: int
    others: int
    chance: float
    least: float = 0.0
    most: float = 0.0
    kind: Request | None = None
    who: Sequence[str] = ()
    as_well: "Pattern | None" = None

    @property
    def is_strong(self) -> bool:
        """Whether it is so in most incidents, and seldom at other times."""
        often = self.hits / self.of
        seldom = self.other_hits <= SELDOM * often * self.others
        return self.hits >= FEWEST - 1 and often >= MOST_OF_THEM and seldom


@dataclass(frozen=True, slots=True)
class Common:
    """What was looked at, over how many incidents, and what they have in common: the least likely
    to be chance first. doubtful: what is so in most right at a request, and may be chance; sign: by
    which all of them showed, None where they differ.
    """

    of: int
    looked: Sequence[Factor]
    patterns: Sequence[Pattern]
    doubtful: Sequence[Pattern] = ()
    sign: Sign | None = None

    @property
    def stalls(self) -> bool:
        """Whether all of them are late answers."""
        return self.sign is Sign.LATE


class Event(NamedTuple):
    """Something that may be a reason: seconds, and who did it, where that is told."""

    seconds: float
    who: str = ""


@dataclass(slots=True)
class Observed:
    """What is known of incidents and of other times. Each list has an entry an incident.

    moments: seconds; signs, rests, ages, requests, kinds, bare, slows: see Incident; answered:
    seconds from the request that the end answers at once to that end; all_kinds: requests by kind,
    all of them; asked: requests in all; slowing, answers: answers that came slower and slower, and
    answers in all; pauses: all that a request followed; lived, carried: seconds and requests of the
    sessions that ended otherwise; open: seconds for which sessions were open, added up; events:
    what may be a reason, in order; up: seconds for which it worked; clock: seconds since midnight,
    UTC, at the beginning, None where not known; listened: seconds in all.
    """

    moments: Sequence[float]
    signs: Sequence[Sign] = ()
    rests: Sequence[float | None] = ()
    ages: Sequence[float | None] = ()
    requests: Sequence[int | None] = ()
    kinds: Sequence[Request | None] = ()
    answered: Sequence[float | None] = ()
    bare: Sequence[bool] = ()
    slows: Sequence[bool] = ()
    asked: int = 0
    slowing: int = 0
    answers: int = 0
    all_kinds: Mapping[Request, int] = field(default_factory=dict)
    pauses: Spread = field(default_factory=Spread)
    lived: Sequence[float] = ()
    carried: Sequence[int] = ()
    open: float = 0.0
    events: Mapping[Factor, Sequence[Event]] = field(default_factory=dict)
    up: float = 0.0
    clock: float | None = None
    listened: float = 0.0


def common(linkup: LinkUp, found: Incidents) -> Common | None:
    """What the incidents of a link-up have in common; None where they are too few to tell."""
    return compare(observe(linkup, found.kept)) if len(found.kept) >= FEWEST else None


def compare(seen: Observed) -> Common:
    """The same of what was observed."""
    tried = [one for look in LOOKS for one in look(seen)]
    chances = holm([one.chance for one in tried])
    corrected = [one._replace(chance=chance) for one, chance in zip(tried, chances, strict=True)]
    strong = [one for one in corrected if one.is_strong]
    told = _without_implied([one for one in strong if one.chance <= UNLIKELY])
    told = [_with_twin(one, strong) for one in told]
    doubtful = [] if told else [one for one in strong if one.factor in AT_REQUESTS]
    looked = list(dict.fromkeys(one.factor for one in tried))
    sign = seen.signs[0] if len(set(seen.signs)) == 1 else None
    return Common(len(seen.moments), looked, told, doubtful[:1], sign)


# --- what is looked at ----------------------------------------------------------------------------


def _requests(seen: Observed) -> Iterator[Pattern]:
    """The last request before: its kind as a whole, and each part of it that differs."""
    last = [one for one in seen.kinds if one is not None]
    differs = [len({kind[at] for kind in seen.all_kinds}) > 1 for at in range(len(Request._fields))]
    if not last or not any(differs):
        return
    parts = [[at] for at, does in enumerate(differs) if does]
    if len(parts) > 1:
        parts.insert(0, [at for (at,) in parts])
    requests = sum(seen.all_kinds.values())
    for part in parts:
        totals, hits = Counter[Request](), Counter(_only(one, part) for one in last)
        for kind, count in seen.all_kinds.items():
            totals[_only(kind, part)] += count
        for kind, total in totals.items():
            others = total - hits[kind]
            table = _fisher(seen, Factor.REQUEST, hits[kind], others, requests - len(last))
            yield table._replace(kind=kind)


def _only(kind: Request, part: Sequence[int]) -> Request:
    """A kind of request, but for the fields that are not looked at."""
    return Request(*(value if at in part else -1 for at, value in enumerate(kind)))


def _sizes(seen: Observed) -> Iterator[Pattern]:
    """A large request: as large as in all, and as in most."""
    known = sorted(one.size for one in seen.kinds if one is not None and one.size >= 0)
    if not known or len({one.size for one in seen.all_kinds}) < 2:
        return
    requests = sum(seen.all_kinds.values())
    for hits in _most_of(known):
        least = known[-hits]
        larger = sum(count for one, count in seen.all_kinds.items() if one.size >= least) - hits
        table = _fisher(seen, Factor.SIZE, hits, larger, requests - len(known))
        yield table._replace(least=least, most=known[-1])


def _most_of(known: Sequence[float]) -> set[int]:
    """How many are looked at together: all, and most."""
    return {len(known), ceil(len(known) * MOST_OF_THEM)} - {0}


def _slower(seen: Observed) -> Iterator[Pattern]:
    """Answers that grew slower and slower."""
    if seen.answers:
        hits = sum(seen.slows)
        others = seen.answers - len(seen.slows)
        yield _fisher(seen, Factor.SLOWER, hits, seen.slowing - hits, others)


def _at_requests(seen: Observed) -> Iterator[Pattern]:
    """Right behind a request: all of them, and most. What ends without regard to requests ends so
    as often as requests fill the time.
    """
    for factor, bare in ((Factor.AT_REQUEST, False), (Factor.UNKNOWN, True)):
        both = zip(seen.answered, seen.bare, strict=True)
        known = sorted(one for one, is_bare in both if one is not None and is_bare is bare)
        for hits in _most_of(known):
            within, of = known[hits - 1], len(seen.moments)
            filled = min(1.0, seen.asked * max(within, RESOLVED) / max(seen.open, RESOLVED))
            chance = by_parts(hits, of, filled)
            yield Pattern(
                factor, hits, of, 0, seen.asked - hits, chance,
                least=known[0], most=max(within, RESOLVED),
            )  # fmt: skip


def _rests(seen: Observed) -> Iterator[Pattern]:
    """The same time without data: a limit, where the PC seldom pauses for as long otherwise."""
    found = agreement([one for one in seen.rests if one is not None], ALIKE)
    if found is None or not seen.pauses.count:
        return
    longer = seen.pauses.at_least(found.least)
    table = _fisher(seen, Factor.REST, found.times, longer, seen.pauses.count)
    chance = by_chance(found, len(seen.moments)) if table.chance <= AS_USUAL else table.chance
    yield table._replace(chance=chance, least=found.least, most=found.most)


def _pauses(seen: Observed) -> Iterator[Pattern]:
    """A long pause: as long as in all, and as long as in most."""
    known = sorted(one for one in seen.rests if one is not None)
    if not known or not seen.pauses.count:
        return
    for hits in _most_of(known):
        longer = seen.pauses.at_least(known[-hits])
        table = _fisher(seen, Factor.PAUSE, hits, longer, seen.pauses.count)
        yield table._replace(least=known[-hits], most=known[-1])


def _ages(seen: Observed) -> Iterator[Pattern]:
    """The same time since the session opened, which hardly any session outlived."""
    yield from _limit(seen, Factor.AGE, seen.ages, seen.lived, 0.0)


def _numbers(seen: Observed) -> Iterator[Pattern]:
    """The same number of requests, which hardly any session went beyond."""
    yield from _limit(seen, Factor.REQUESTS, seen.requests, seen.carried, 1.0)


def _limit(
    seen: Observed,
    factor: Factor,
    values: Sequence[float | None],
    others: Sequence[float],
    step: float,
) -> Iterator[Pattern]:
    found = agreement([one for one in values if one is not None], ALIKE)
    if found is not None:
        beyond = sum(one > found.most for one in others)
        chance = by_chance(found, len(seen.moments), step)
        yield Pattern(
            factor, found.times, len(seen.moments), beyond, len(others), chance,
            least=found.least, most=found.most,
        )  # fmt: skip


def _intervals(seen: Observed) -> Iterator[Pattern]:
    """The same time from one to the next."""
    intervals = [later - one for one, later in zip(seen.moments, seen.moments[1:], strict=False)]
    found = agreement(intervals, ALIKE)
    if found is not None and found.least >= SCHEDULED:
        chance = by_chance(found, len(intervals))
        yield Pattern(
            Factor.INTERVAL, found.times, len(intervals), 0, 0, chance,
            least=found.least, most=found.most,
        )  # fmt: skip


def _times_of_day(seen: Observed) -> Iterator[Pattern]:
    """The same time of day, on days enough; of several within an hour the first counts."""
    if seen.clock is None or seen.listened < DAYS * DAY:
        return
    apart: list[float] = []
    for at in seen.moments:
        if not apart or at - apart[-1] >= APART:
            apart.append(at)
    found = around([seen.clock + at for at in apart], DAY, HOUR_HAND)
    if found is not None:
        chance = in_a_circle(found, len(apart), DAY)
        yield Pattern(
            Factor.TIME_OF_DAY, found.times, len(apart), 0, 0, chance,
            least=found.least, most=found.most,
        )  # fmt: skip


def _events(seen: Observed) -> Iterator[Pattern]:
    """What happened shortly before, or, of a restart, around it: as close as in all, and as in
    most; whoever did it, and the one who did it most often.
    """
    for factor, events in seen.events.items():
        if factor is Factor.RESTART:
            moments = [one.seconds for one in events]
            for before, behind in ((NEAR, BACK), (FAR, START_TAKES)):
                yield _event(seen, factor, moments, before, behind)
            continue
        before_each = _before(seen, events)
        by_whom = Counter(one.who for one in before_each)
        yield from _closely(seen, factor, events, before_each)
        if len({one.who for one in events}) > 1 and by_whom:
            (who, _), *_ = by_whom.most_common(1)
            own = [one for one in events if one.who == who]
            for pattern in _closely(seen, factor, own, _before(seen, own)):
                chance = min(1.0, pattern.chance * len(by_whom))
                yield pattern._replace(chance=chance)


def _before(seen: Observed, events: Sequence[Event]) -> list[Event]:
    """The last event before each incident that has one shortly before: how long before, and who."""
    moments = [one.seconds for one in events]
    places = ((at, bisect_right(moments, at) - 1) for at in seen.moments)
    last = (Event(at - moments[place], events[place].who) for at, place in places if place >= 0)
    return sorted(one for one in last if one.seconds <= FAR)


def _closely(
    seen: Observed, factor: Factor, events: Sequence[Event], before_each: Sequence[Event]
) -> Iterator[Pattern]:
    if not before_each:
        yield Pattern(factor, 0, len(seen.moments), 0, 0, 1.0)
    moments = [one.seconds for one in events]
    known = [one.seconds for one in before_each]
    for hits in _most_of(known):
        within = max(known[hits - 1], RESOLVED)
        often = Counter(one.who for one in before_each if one.seconds <= within)
        table = _event(seen, factor, moments, within, 0.0)
        who = [name for name, _ in often.most_common() if name]
        yield table._replace(least=known[0], most=within, who=who)


def _event(
    seen: Observed, factor: Factor, events: Sequence[float], before: float, behind: float
) -> Pattern:
    """How many incidents have one of the events near, and how many other spans of that length."""
    within = before + behind
    hits = sum(_any_between(events, at - before, at + behind) for at in seen.moments)
    others, last = 0, float("-inf")
    for at in events:
        near = _any_between(seen.moments, at - behind, at + before)
        if not near and at - last >= within:
            others, last = others + 1, at
    spans = max(int(seen.up / within) - len(seen.moments), others)
    return _fisher(seen, factor, hits, others, spans)


def _any_between(moments: Sequence[float], begin: float, end: float) -> bool:
    place = bisect_right(moments, end)
    return place > 0 and moments[place - 1] >= begin


def _fisher(seen: Observed, factor: Factor, hits: int, other_hits: int, others: int) -> Pattern:
    """A pattern by how often it is so in incidents and at other times."""
    of, seldom = len(seen.moments), max(0, min(other_hits, others))
    chance = fisher(hits, of - hits, seldom, others - seldom) if hits else 1.0
    return Pattern(factor, hits, of, seldom, others, chance)


LOOKS: Sequence[Callable[[Observed], Iterator[Pattern]]] = (
    _requests, _sizes, _at_requests, _rests, _pauses, _slower, _ages, _numbers, _intervals,
    _times_of_day, _events,
)  # fmt: skip
"""Everything that is looked at."""
LIMITS = (Factor.REST, Factor.AGE, Factor.REQUESTS, Factor.INTERVAL)
"""Of these the one whose values agree best explains the others: time with a constant time added
agrees no better.
"""
AT_REQUESTS = (Factor.AT_REQUEST, Factor.UNKNOWN)
"""What follows from other patterns, as these show at the next request."""
BY_TIME = (Factor.AGE, Factor.REQUESTS, Factor.INTERVAL, Factor.TIME_OF_DAY)
"""Patterns that it does not follow from: what goes by a clock waits for no request."""
TIMED = (*LIMITS, *AT_REQUESTS, Factor.PAUSE, Factor.TIME_OF_DAY)
"""Patterns that say when, and not what somebody did: they are told behind those that do."""


def _without_implied(told: Sequence[Pattern]) -> list[Pattern]:
    """One pattern a factor, and one limit: the others follow from it."""
    best: dict[Factor, Pattern] = {}
    for one in sorted(told, key=_doubt):
        best.setdefault(one.factor, one)
    limits = [best[one] for one in LIMITS if one in best]
    longest = max((one.most for one in limits if one.factor is not Factor.REQUESTS), default=1.0)
    limit = min(limits, key=lambda one: _width(one, longest), default=None)
    daily = Factor.TIME_OF_DAY in best
    implied = {one for one in LIMITS if limit is None or one is not limit.factor}
    implied |= {Factor.PAUSE} if Factor.REST in best else set()
    implied |= {Factor.SIZE} if Factor.REQUEST in best else set()
    implied |= {Factor.INTERVAL} if daily else set()
    left = [one for one in best if one not in implied]
    if any(one not in (*AT_REQUESTS, *BY_TIME) for one in left):
        implied |= set(AT_REQUESTS)
    kept = [one for factor, one in best.items() if factor not in implied]
    return sorted(kept, key=lambda one: one.factor in TIMED)


def _with_twin(one: Pattern, strong: Sequence[Pattern]) -> Pattern:
    """A time since the opening, with the number of requests where that was the same in all: at a
    steady pace so many requests take that time, and which of the two is the limit stays open.
    Where the pace differs, one of the two does not agree.
    """
    if one.factor is not Factor.AGE:
        return one
    numbers = (each for each in strong if each.factor is Factor.REQUESTS)
    same = (each for each in numbers if each.least == each.most and each.hits >= one.hits)
    return one._replace(as_well=next(same, None))


def _doubt(one: Pattern) -> tuple[float, int]:
    """Chance, and of equals the most particular request first."""
    return one.chance, 0 if one.kind is None else one.kind.count(-1)


def _width(one: Pattern, longest: float) -> float:
    """Seconds between its values; requests are taken to fill the longest time."""
    if one.factor is Factor.REQUESTS:
        return (one.most + 1 - one.least) / one.least * longest
    return round(one.most - one.least, TIMERS)


# --- what is observed -----------------------------------------------------------------------------


def observe(linkup: LinkUp, kept: Sequence[Incident]) -> Observed:
    """What is known of the incidents of a link-up, and of other times."""
    facts, broken = linkup.facts, {id(one.call) for one in kept}
    opened = linkup.on_port.opened
    well = [one.session for one in opened if id(one) not in broken]
    all_kinds = Counter[Request]()
    for session in linkup.sessions:
        all_kinds.update(session.dialogue.kinds)
    out = sum(one.out or facts.heard_after(one.began) for one in kept)
    began = facts.first_seen
    return Observed(
        moments=[one.began.seconds for one in kept],
        signs=[one.sign for one in kept],
        rests=[one.rest for one in kept],
        ages=[one.age for one in kept],
        requests=[one.requests for one in kept],
        kinds=[one.kind for one in kept],
        answered=[one.call.idle if one.at_request else None for one in kept],
        bare=[one.bare for one in kept],
        slows=[one.slows for one in kept],
        asked=sum(one.session.requests for one in opened),
        slowing=sum(one.session.slowing for one in opened),
        answers=sum(one.session.answer_times.count for one in opened),
        all_kinds=all_kinds,
        pauses=_without(
            Spread.joined(one.pauses for one in linkup.sessions),
            [one.pause for one in kept if one.pause is not None],
        ),
        lived=[one.last.seconds - one.completed.seconds for one in well if one.completed],
        carried=[one.requests for one in well],
        open=sum(one.last.seconds - one.first.seconds for one in opened),
        events={factor: sorted(found) for factor, found in _reasons(linkup).items()},
        up=max(0.0, facts.coverage.listened - out),
        clock=None if began is None else began.timestamp() % DAY,
        listened=facts.coverage.listened,
    )


def joined(several: Sequence[tuple[float, Observed]]) -> Observed:
    """What is known of several recordings on one time axis, each with the seconds at which it
    began, in order.
    """
    start = several[0][0]
    all_kinds, events = Counter[Request](), dict[Factor, list[Event]]()
    for began, one in several:
        all_kinds.update(one.all_kinds)
        for factor, moments in one.events.items():
            later = (Event(at.seconds + began - start, at.who) for at in moments)
            events.setdefault(factor, []).extend(later)
    seen = [one for _, one in several]
    last, end = several[-1]
    return Observed(
        moments=[at + began - start for began, one in several for at in one.moments],
        signs=[value for one in seen for value in one.signs],
        rests=[value for one in seen for value in one.rests],
        ages=[value for one in seen for value in one.ages],
        requests=[value for one in seen for value in one.requests],
        kinds=[value for one in seen for value in one.kinds],
        answered=[value for one in seen for value in one.answered],
        bare=[value for one in seen for value in one.bare],
        slows=[value for one in seen for value in one.slows],
        asked=sum(one.asked for one in seen),
        slowing=sum(one.slowing for one in seen),
        answers=sum(one.answers for one in seen),
        all_kinds=all_kinds,
        pauses=Spread.joined(one.pauses for one in seen),
        lived=[value for one in seen for value in one.lived],
        carried=[value for one in seen for value in one.carried],
        open=sum(one.open for one in seen),
        events=events,
        up=sum(one.up for one in seen),
        clock=seen[0].clock,
        listened=last + end.listened - start,
    )


def _without(pauses: Spread, ended: Sequence[float]) -> Spread:
    """The pauses but for those of which the request was the last one, where they are among them: a
    session of one request has none.
    """
    for place in map(Spread.bin_of, ended):
        if pauses.bins.get(place):
            pauses.put(place, -1)
    return pauses


def _reasons(linkup: LinkUp) -> dict[Factor, list[Event]]:
    """When something happened that may be a reason, and who did it. What is announced is a claim
    where two devices do so, and the sign of a fresh start where one does.
    """
    facts, own, unit = linkup.facts, linkup.pc.hardware, linkup.hardware
    calls = [one for one in linkup.rivals.opened if one.calls]
    several = len(linkup.owners) > 1
    claims = [(at, who) for at, who in linkup.claims.unasked if who != own]
    leases = [
        (one.moment, name)
        for name, hardware in (("the PC", own), ("the controller", unit))
        if hardware is not None
        for one in facts.index.dhcp_of[hardware]
    ]
    trees = [(one.first, one.sender) for one in facts.switch.trees.values()]
    return {
        Factor.CLIENT: [Event(one.first.seconds, str(one.session.client.address)) for one in calls],
        Factor.CLAIM: [Event(at.seconds, str(who)) for at, who in claims if several],
        Factor.LEASE: [Event(at.seconds, who) for at, who in leases],
        Factor.TREE: [Event(at.seconds, str(who)) for at, who in trees],
        Factor.BURST: [Event(one.first.seconds) for one in facts.flood.seconds.values()],
        Factor.RESTART: [Event(one.moment.seconds) for one in facts.boots(unit) if not several],
    }
