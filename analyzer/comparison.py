"""Two diagnoses -> what differs, stage by stage: one recording that works and one that does not,
given in any order. Where neither works, the later one is held against the earlier.

Compared is what a link-up rests on, in the order in which it is built. A difference matters where
it can by itself make the one work and the other not; only stages that the failing link-up reached
count. Nothing here is worded: `analyzer/reports/comparison.py` is.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from analyzer.diagnosis import Diagnosis, Finding, Outcome, State, Verdict
from analyzer.facts import NOBODY, Address, Hardware, Moment, Session
from analyzer.linkup import Call, How, LinkUp, Stage, Told, is_self_assigned

SLOWER, NOTICEABLE = 5.0, 0.1
"""A time matters where it is that many times as long, and longer by that many seconds (a starting
value, not measured)."""
OCTETS = 16
"""First octets of a request that are compared: the heads of the known protocols, and what is asked
in the shorter ones."""
NUMBERS = {"Modbus/TCP": [(0, 2)], "EtherNet/IP": [(4, 8), (12, 20)]}
"""Octets of requests that count up or are agreed on anew each time."""
SILENCE = {"heard", "arp", "packet back", "opening", "answers"}
"""What a recording shows by not holding it."""
RANDOM = {"TLS"}
"""Protocols whose first message is different each time."""


BEFORE, BEHIND = 60.0, 30.0
"""Seconds before and after a break that are held against a calm stretch, at most."""
MARGIN, SHORTEST = 1.0, 2.0
"""Seconds before the next break that are no calm any more, and of a stretch that tells something
(common practice, no source)."""


class Weight(StrEnum):
    """What a difference means. follows: at a stage that was not reached; not reached: so that the
    failing recording cannot show it; could matter: it would, but both work.
    """

    SAME = "same"
    NOT_REACHED = "not reached"
    UNKNOWN = "not in both"
    BESIDE = "differs"
    FOLLOWS = "follows"
    COULD_MATTER = "could matter"
    MATTERS = "matters"


class Remark(StrEnum):
    """Why two recordings cannot be compared, or only in part."""

    SAME = "same recording"
    NOBODY = "no link-up"
    OTHER_CONTROLLER = "other controller"
    OTHER_PORT = "other port"
    BOTH_WORK = "both work"
    FAIL_ALIKE = "both fail alike"
    BOTH_FAIL = "both fail"
    NOT_TRIED = "not tried"
    UNCLEAR = "cannot tell"


DECIDES = {
    Remark.SAME, Remark.NOBODY, Remark.BOTH_WORK, Remark.FAIL_ALIKE, Remark.BOTH_FAIL,
}  # fmt: skip
"""Remarks with which no difference explains anything."""


@dataclass(frozen=True, slots=True, eq=False)
class Aspect:
    """One thing compared. name: a key of the words; values: raw, None where not in the recording;
    stage: None for whom the PC calls, which comes before all stages.
    """

    stage: Stage | None
    name: str
    working: object
    failing: object
    weight: Weight


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """The whole comparison. working, failing: the earlier and the later one where neither works;
    outcomes are None where the recording holds no link-up; first: the first difference that
    matters; parts_at: the stage at which the failing one failed, or else the first at which the
    two are not alike; more: other controllers that work in the one recording and not in the other.
    """

    working: Diagnosis
    failing: Diagnosis
    outcomes: tuple[Outcome, Outcome] | None
    remarks: list[Remark]
    aspects: list[Aspect]
    first: Aspect | None
    parts_at: Stage | None
    more: list[Address]

    @property
    def explains(self) -> bool:
        """Whether a difference can explain anything."""
        return not set(self.remarks) & DECIDES

    @property
    def fault(self) -> Finding | None:
        """What the failing recording shows at the stage where the two part; none where no
        difference explains anything.
        """
        if self.outcomes is None or not self.explains:
            return None
        return self.outcomes[1].fault

    @property
    def came_up(self) -> list[Stage]:
        """Stages that the second recording shows working, and the first one not."""
        return self._only(1)

    @property
    def went_down(self) -> list[Stage]:
        """Stages that the first one shows working, and the second one not."""
        return self._only(0)

    def _only(self, side: int) -> list[Stage]:
        """What is unclear in a recording may have worked there."""
        if self.outcomes is None or self.outcomes[1 - side].verdict is Verdict.CANNOT_TELL:
            return []
        pairs = zip(self.outcomes[side].stages, self.outcomes[1 - side].stages, strict=True)
        return [
            one.stage
            for one, other in pairs
            if one.state in WORKING and other.state in (State.FAILED, State.NOT_REACHED)
        ]

    @property
    def is_comparable(self) -> bool:
        """Whether one works, the other does not, and both are about the same service."""
        return not set(self.remarks) - {Remark.UNCLEAR, Remark.NOT_TRIED}


WORKING = (State.PASSED, State.AT_TIMES, State.AT_FIRST)


class Stretch(NamedTuple):
    """A part of a recording, in seconds since its first frame."""

    begin: float
    end: float


def beside_a_break(outcome: Outcome, number: int) -> tuple[Stretch, Stretch] | None:
    """A stretch in which nothing broke, and the one around a break, as long; both begin with the
    opening of a session where that is not too far back. number: of the break, from 1. None where
    nothing worked for long enough.
    """
    kept = outcome.incidents.kept
    one, last = kept[number - 1], outcome.linkup.facts.coverage.seconds
    opened = one.call.first.seconds
    is_near = one.began.seconds - opened <= BEFORE
    begin = opened if is_near else one.began.seconds - BEFORE
    end = min(one.again.seconds if one.again else last, one.began.seconds + BEHIND)
    calls = [call for call in outcome.linkup.on_port if call.first_good is not None]
    broke = [each.began.seconds for each in kept]
    works = [_works_from(call, broke, last) for call in calls]
    calm = max(works, key=lambda span: span.end - span.begin, default=Stretch(0.0, 0.0))
    if calm.end - calm.begin < SHORTEST:
        return None
    start = calm.begin if is_near else max(calm.begin, (calm.begin + calm.end) / 2 - BEFORE)
    return Stretch(start, min(start + end - begin, calm.end)), Stretch(begin, end)


def _works_from(call: Call, broke: Sequence[float], last: float) -> Stretch:
    """From the opening of a session to the next break, or to its own end."""
    begin, end = call.first.seconds, call.last.seconds
    place = bisect_left(broke, begin)
    until = broke[place] - MARGIN if place < len(broke) else last
    return Stretch(begin, max(begin, min(end, until)))


def wanted(working: Diagnosis, failing: Diagnosis) -> Told | None:
    """Whom the PC calls where it works, if the failing recording shows no link-up with any of them.

    Diagnosed again with this told, it may show that a cable is dead or an address is wrong.
    """
    calls = [one.linkup.target for one in working.outcomes if one.verdict is Verdict.COMPLETE]
    tried = {one.linkup.controller for one in failing.outcomes}
    if not calls or tried & {one.address for one in calls}:
        return None
    return Told(tuple((one.address, one.port) for one in calls))


def says_more(again: Diagnosis, failing: Diagnosis) -> bool:
    """Whether the second look shows more than that others were called."""
    tried = any(one.linkup.attempts or one.fault for one in again.outcomes)
    return tried or not failing.outcomes


def compare(one: Diagnosis, other: Diagnosis) -> Comparison:
    """Compare the link-ups that fit each other best, given in any order."""
    compared = _compare(one, other)
    return _compare(other, one) if _is_turned_round(compared) else compared


def _is_turned_round(comparison: Comparison) -> bool:
    """Whether only the second works, or neither does and the second is the earlier one."""
    if comparison.outcomes is None:
        return False
    works = [one.verdict is Verdict.COMPLETE for one in comparison.outcomes]
    first, second = (
        one.facts.coverage.began or 0 for one in (comparison.working, comparison.failing)
    )
    return works == [False, True] or (works == [False, False] and second < first)


def _compare(working: Diagnosis, failing: Diagnosis) -> Comparison:
    pair = _pair(working, failing)
    if pair is None:
        return Comparison(working, failing, None, [Remark.NOBODY], [], None, None, [])
    good, bad = pair
    remarks = list(_remarks(good, bad))
    same_file = working.facts.sha256 == failing.facts.sha256
    same_part = working.facts.coverage.began == failing.facts.coverage.began
    if same_file and same_part and _called(good) == _called(bad):
        remarks = [Remark.SAME]
    sides = _Side(working, good), _Side(failing, bad)
    aspects = [_as_reached(one, _reached(bad)) for one in _aspects(*sides)]
    if bad.verdict is Verdict.CANNOT_TELL:
        aspects = [_unproven(one) for one in aspects]
    first = None
    if not set(remarks) & DECIDES:
        first = next((one for one in aspects if one.weight is Weight.MATTERS), None)
    else:
        weight = Weight.COULD_MATTER if Remark.BOTH_WORK in remarks else Weight.BESIDE
        aspects = [_explains_nothing(one, weight) for one in aspects]
    more = _more(working, failing, bad.linkup.controller)
    return Comparison(working, failing, pair, remarks, aspects, first, _parts_at(good, bad), more)


def _called(outcome: Outcome) -> tuple[Address, int | None]:
    return outcome.linkup.target.address, outcome.linkup.target.port


def _more(working: Diagnosis, failing: Diagnosis, compared: Address) -> list[Address]:
    works = {one.linkup.controller for one in working.outcomes if one.verdict is Verdict.COMPLETE}
    fails = [one.linkup.controller for one in failing.outcomes if one.fault is not None]
    return [one for one in dict.fromkeys(fails) if one in works and one != compared]


def _parts_at(good: Outcome, bad: Outcome) -> Stage | None:
    pairs = zip(good.stages, bad.stages, strict=True)
    apart = [other for one, other in pairs if one.state is not other.state]
    failed = [one for one in apart if one.state is State.FAILED]
    return next((one.stage for one in failed or apart), None)


def _pair(working: Diagnosis, failing: Diagnosis) -> tuple[Outcome, Outcome] | None:
    """The same controller and port, the one working, the other not, as far as there is such. Each
    that works is held against the one that fits it best only.
    """
    partners: dict[object, Outcome] = {}
    for bad in sorted(failing.outcomes, key=lambda one: one.verdict is Verdict.COMPLETE):
        for alike in _likeness(bad):
            partners.setdefault(alike, bad)
    if not partners:
        return None
    pairs = [
        (good, next(partners[alike] for alike in _likeness(good) if alike in partners))
        for good in working.outcomes
    ]
    return max(pairs, key=_fit, default=None)


def _likeness(outcome: Outcome) -> tuple[object, ...]:
    """In what two link-ups may be alike, the most first; in the last all are."""
    address, port = _called(outcome)
    return (address, port), ("address", address), ("port", port), ()


def _fit(pair: tuple[Outcome, Outcome]) -> tuple[bool, ...]:
    good, bad = (one.linkup.target for one in pair)
    return (
        good.address == bad.address,
        good.port == bad.port,
        pair[0].verdict is Verdict.COMPLETE,
        pair[1].verdict is not Verdict.COMPLETE,
    )


def _remarks(good: Outcome, bad: Outcome) -> Iterator[Remark]:
    here, there = good.linkup.target, bad.linkup.target
    if here.address != there.address:
        yield Remark.OTHER_CONTROLLER
    ports = (here.transport, here.port), (there.transport, there.port)
    if ports[0] != ports[1] and None not in (here.port, there.port):
        yield Remark.OTHER_PORT
    works, does_not = (one.verdict is Verdict.COMPLETE for one in (good, bad))
    if works and does_not:
        yield Remark.BOTH_WORK
    elif not works:
        yield Remark.FAIL_ALIKE if _ending(good) == _ending(bad) else Remark.BOTH_FAIL
    elif bad.verdict is Verdict.CANNOT_TELL:
        yield Remark.UNCLEAR if bad.linkup.attempts else Remark.NOT_TRIED


def _ending(outcome: Outcome) -> tuple[object, ...]:
    rule = outcome.fault.rule if outcome.fault else None
    return outcome.verdict, outcome.stopped_at, rule


def _reached(outcome: Outcome) -> int:
    """The place of the stage at which a link-up ended."""
    states = [one.state for one in outcome.stages]
    if State.FAILED in states:
        return states.index(State.FAILED)
    return next((at for at, one in enumerate(states) if one is not State.PASSED), len(states))


def _as_reached(aspect: Aspect, reached: int) -> Aspect:
    """A difference behind the stage that was reached is a consequence."""
    place = -1 if aspect.stage is None else list(Stage).index(aspect.stage)
    weight = aspect.weight
    if place > reached and weight in (Weight.MATTERS, Weight.BESIDE):
        weight = Weight.FOLLOWS
    elif place > reached and weight is Weight.UNKNOWN and aspect.failing is None:
        weight = Weight.NOT_REACHED
    return replace(aspect, weight=weight)


def _unproven(aspect: Aspect) -> Aspect:
    """That something is missing proves nothing in a recording that cannot tell."""
    missing = aspect.failing in (False, 0, "silent")
    return replace(aspect, weight=Weight.UNKNOWN) if missing and aspect.name in SILENCE else aspect


def _explains_nothing(aspect: Aspect, weight: Weight) -> Aspect:
    """Where nothing can be explained, nothing matters."""
    return replace(aspect, weight=weight) if aspect.weight is Weight.MATTERS else aspect


# --- what is compared ---------------------------------------------------------------------------


class _Side:
    """What one recording says of its link-up, value by value."""

    def __init__(self, diagnosis: Diagnosis, outcome: Outcome) -> None:
        self.facts = diagnosis.facts
        self.outcome = outcome
        self.linkup: LinkUp = outcome.linkup
        calls = [*self.linkup.on_port, *self.linkup.on_others]
        asked = [one for one in calls if one.session.from_client.first_data]
        self.call: Call | None = next(iter(asked or calls), None)
        self.session: Session | None = self.call and self.call.session

    @property
    def heard(self) -> bool | None:
        own = self.linkup.pc.hardware
        if own is None:
            return self.linkup.is_heard or None
        return any(one.hardware != own for one in self.facts.stations)

    @property
    def after_link(self) -> float | None:
        """Seconds from the PC's link coming up to its first try."""
        if not self.linkup.attempts:
            return None
        tried = self.linkup.attempts[0]
        starts = self.facts.starts.of(self.linkup.pc.hardware)
        before = [one.moment for one in starts if one.moment <= tried]
        return tried.seconds - before[-1].seconds if before else None

    @property
    def asked_for(self) -> list[str] | None:
        """Whose hardware address the PC asks for to reach the controller: the controller's, or in
        vain that of others where nothing goes to the controller.
        """
        if self.linkup.questions:
            return [str(self.linkup.controller)]
        own = self.linkup.pc.hardware
        if own is None or self.linkup.sent_to:
            return None
        asked = self.linkup.pc.questions
        vain = [str(one.wanted) for one in asked if one.asker == own and not one.answered]
        return list(dict.fromkeys(vain)) or None

    @property
    def arp(self) -> str | None:
        """Whether anybody answered for the controller's hardware address."""
        if any(one.answered for one in self.linkup.questions):
            return "answered"
        return "silent" if self.linkup.questions else None

    @property
    def answers_for_it(self) -> Hardware | None:
        """The one that says it has the controller's address, be it the controller or not."""
        own = self.linkup.pc.hardware
        claim = [one for one in self.linkup.claims.counts if one != own]
        return self.linkup.hardware or (claim[0] if len(claim) == 1 else None)

    @property
    def arp_seconds(self) -> float | None:
        answer = self.linkup.arp_answered
        asked = [one.asked.first for one in self.linkup.questions if one.answered]
        return answer.seconds - min(asked).seconds if answer and asked else None

    @property
    def way(self) -> str | None:
        """To whom the PC hands packets for the controller: itself, a router, or a station that is
        not the one with the controller's address.
        """
        if self.linkup.router is not None:
            return f"router {self.linkup.router}"
        if self.is_misdirected:
            return ", ".join(sorted(map(str, self.linkup.sent_to)))
        return "direct" if self.linkup.sent_to else None

    @property
    def is_misdirected(self) -> bool:
        """Whether packets go to a hardware address that is not the controller's."""
        known, sent_to = self.linkup.hardware, self.linkup.sent_to
        return bool(sent_to) and known is not None and known not in sent_to

    @property
    def same_network(self) -> str | None:
        """Whether the PC takes the controller for a neighbour, by its mask or a presumed one. No
        mask is presumed where the PC asks for others instead.
        """
        if self.linkup.pc_address is None:
            return None
        asks_others = self.asked_for not in (None, [str(self.linkup.controller)])
        if self.linkup.presumes_mask and asks_others:
            return None
        presumed = "presumed " if self.linkup.presumes_mask else ""
        return presumed + ("yes" if self.linkup.same_network else "no")

    @property
    def ttl(self) -> int | None:
        return self.session.from_server.ttl if self.session else None

    @property
    def port(self) -> str | None:
        target, calls = self.linkup.target, self.linkup.calls
        used = target.port if self.linkup.exchanges else None
        port = calls[0].port if calls else used
        return f"{(target.transport or 'tcp').upper()} {port}" if port else None

    @property
    def order(self) -> list[str]:
        """What was tried, each kind once, in order."""
        tried = (one.what + (f" {one.port}" if one.port else "") for one in self.outcome.tries)
        return list(dict.fromkeys(tried))

    @property
    def opening(self) -> str | None:
        """How the calls on the port ended."""
        ends = [one.how for one in self.outcome.tries if one.what in ("tcp", "udp")]
        if not ends:
            return None
        opened = [one for one in ends if one not in NOT_OPEN]
        return "open" if opened else str(ends[-1])

    @property
    def handshake(self) -> float | None:
        took = (one.handshake_seconds for one in self.linkup.sessions)
        return next((one for one in took if one is not None), None)

    @property
    def ended(self) -> str | None:
        """Who ended the session first, and how."""
        if self.call is None or not self.call.opened:
            return None
        end = self.call.end
        if end is None:
            return "open"
        return f"{'controller' if end.side else 'pc'} {'reset' if end.reset else 'close'}"

    @property
    def idle(self) -> float | None:
        """Seconds without data before the end."""
        end = self.call.end if self.call is not None and self.call.opened else None
        return end.since_data if end is not None and end.after != NOBODY else None

    @property
    def protocol(self) -> str | None:
        return self.session.dialogue.protocol if self.session else None

    @property
    def unit(self) -> int | None:
        return self.session.dialogue.unit if self.session else None

    @property
    def request(self) -> bytes | None:
        """The first octets that the PC sent, numbers that change each time as zero."""
        data = self.session.from_client.first_data if self.session else None
        if data is None:
            return None
        octets = bytearray(data.octets[:OCTETS])
        for begin, end in NUMBERS.get(self.protocol or "", []):
            octets[begin:end] = bytes(len(octets[begin:end]))
        return bytes(octets)

    @property
    def speaks_first(self) -> bool | None:
        """Whether the controller sends before it is asked."""
        if self.session is None or self.call is None or not self.call.opened:
            return None
        own, other = (side.first_data for side in self.session.sides)
        if other is None:
            return False if own else None
        return own is None or _before(other.moment, own.moment)

    @property
    def answers(self) -> int:
        return sum(one.answers for one in self.linkup.sessions) + sum(
            one.answered.count for one in self.linkup.exchanges
        )

    @property
    def answer_seconds(self) -> float | None:
        timed = [one.answer_times for one in self.linkup.sessions if one.answer_times.count]
        return timed[0].median if timed else None


def _before(one: Moment, other: Moment) -> bool:
    return one.frame < other.frame


NOT_OPEN = (How.IGNORED, How.REFUSED, How.HELD_OVER, How.TURNED_DOWN, How.UNHEARD, How.NOT_SEEN)


def _aspects(good: _Side, bad: _Side) -> Iterator[Aspect]:
    """Everything compared, in the order in which a link-up is built."""
    here, there = good.linkup, bad.linkup
    yield _plain(None, "controller", here.controller, there.controller, True)
    yield _plain(Stage.LINK, "heard", good.heard, bad.heard, True)
    yield _timed(Stage.LINK, "after link", good.after_link, bad.after_link, early=True)
    own = here.pc_address, there.pc_address
    odd = [
        one is not None and (is_self_assigned(one) or one == side.controller)
        for one, side in zip(own, (here, there), strict=True)
    ]
    yield _plain(Stage.ADDRESS, "pc address", *own, odd[0] != odd[1])
    yield _plain(Stage.ADDRESS, "pc hardware", here.pc.hardware, there.pc.hardware, False)
    apart = here.same_network != there.same_network
    yield _plain(Stage.ADDRESS, "mask", here.mask, there.mask, apart)
    same = here.controller == there.controller
    yield _plain(Stage.NEIGHBOUR, "asked for", good.asked_for, bad.asked_for, same)
    yield _plain(Stage.NEIGHBOUR, "arp", good.arp, bad.arp, True)
    hardware = good.answers_for_it, bad.answers_for_it
    yield _plain(Stage.NEIGHBOUR, "controller hardware", *hardware, same)
    yield _timed(Stage.NEIGHBOUR, "arp time", good.arp_seconds, bad.arp_seconds)
    network = _plain(Stage.ROUTE, "same network", good.same_network, bad.same_network, apart)
    yield network if apart else replace(network, weight=Weight.SAME)
    shown_at = Stage.NEIGHBOUR if bad.is_misdirected else Stage.ROUTE
    yield _plain(shown_at, "way", good.way, bad.way, True)
    yield _plain(Stage.ROUTE, "packet back", here.is_heard, there.is_heard, True)
    yield _plain(Stage.ROUTE, "ttl", good.ttl, bad.ttl, False)
    yield _plain(Stage.PORT, "port", good.port, bad.port, True)
    yield _plain(Stage.PORT, "opening", good.opening, bad.opening, True)
    yield _timed(Stage.PORT, "handshake", good.handshake, bad.handshake)
    yield _plain(Stage.PORT, "order", good.order, bad.order, False)
    broken = bad.ended is not None and bad.ended.startswith("controller")
    yield _plain(Stage.SESSION, "ended", good.ended, bad.ended, broken)
    yield _timed(Stage.SESSION, "idle", good.idle, bad.idle, early=None)
    yield _plain(Stage.ANSWER, "protocol", good.protocol, bad.protocol, True)
    yield _plain(Stage.ANSWER, "speaks first", good.speaks_first, bad.speaks_first, True)
    yield _plain(Stage.ANSWER, "unit", good.unit, bad.unit, True)
    yield _request(good, bad)
    answers = _plain(Stage.ANSWER, "answers", good.answers, bad.answers, True)
    few = bool(good.answers) == bool(bad.answers)
    yield replace(answers, weight=Weight.SAME) if few else answers
    yield _timed(Stage.ANSWER, "answer time", good.answer_seconds, bad.answer_seconds)


def _request(good: _Side, bad: _Side) -> Aspect:
    """Where frames were stored in part, only what both hold can differ."""
    tells = good.protocol not in RANDOM
    aspect = _plain(Stage.ANSWER, "request", good.request, bad.request, tells)
    one, other = good.request or b"", bad.request or b""
    common = min(len(one), len(other))
    alike = common and one[:common] == other[:common]
    cut = any(side.facts.coverage.cut for side in (good, bad))
    return replace(aspect, weight=Weight.SAME) if alike and cut else aspect


def _plain(
    stage: Stage | None, name: str, working: object, failing: object, matters: bool
) -> Aspect:
    if working == failing:
        weight = Weight.SAME
    elif working is None or failing is None:
        weight = Weight.UNKNOWN
    else:
        weight = Weight.MATTERS if matters else Weight.BESIDE
    return Aspect(stage, name, working, failing, weight)


def _timed(
    stage: Stage,
    name: str,
    working: float | None,
    failing: float | None,
    early: bool | None = False,
) -> Aspect:
    """Two times are the same where nobody would notice the difference. early: whether the shorter
    one is the worse; None where neither is.
    """
    if working is None or failing is None:
        return _plain(stage, name, working, failing, False)
    low, high = sorted((working, failing))
    if high <= SLOWER * low or high - low <= NOTICEABLE:
        return Aspect(stage, name, working, failing, Weight.SAME)
    worse = early is not None and (failing < working) is early
    return _plain(stage, name, working, failing, worse)
