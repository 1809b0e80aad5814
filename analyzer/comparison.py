"""Two diagnoses -> what differs, stage by stage: one recording that works and one that does not.

Compared is what a link-up rests on, in the order in which it is built. A difference matters where
it can by itself make the one work and the other not; only stages that the failing link-up reached
count. Nothing here is worded: `analyzer/reports/comparison.py` is.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product

from analyzer.diagnosis import Diagnosis, Finding, Outcome, State, Verdict
from analyzer.facts import NOBODY, Moment, Session
from analyzer.linkup import LinkUp, Stage, TryEnd, is_self_assigned

SLOWER, NOTICEABLE = 5.0, 0.1
"""A time matters where it is that many times as long, and longer by that many seconds (a starting
value, not measured)."""
OCTETS = 16
"""First octets of a request that are compared: the heads of the known protocols, and what is asked
in the shorter ones."""
NUMBERS = {"Modbus/TCP": [(0, 2)], "EtherNet/IP": [(4, 8), (12, 20)]}
"""Octets of requests that count up or are agreed on anew each time."""
RANDOM = {"TLS"}
"""Protocols whose first message is different each time."""


class Weight(StrEnum):
    """What a difference means. follows: it would matter, at a stage that was not reached."""

    SAME = "same"
    UNKNOWN = "not in both"
    BESIDE = "differs"
    FOLLOWS = "follows"
    MATTERS = "matters"


class Remark(StrEnum):
    """Why two recordings cannot be compared, or only in part."""

    NOBODY = "no link-up"
    OTHER_CONTROLLER = "other controller"
    OTHER_PORT = "other port"
    BOTH_WORK = "both work"
    FAIL_ALIKE = "both fail alike"
    BOTH_FAIL = "both fail"
    SWAPPED = "swapped"
    UNCLEAR = "cannot tell"


DECIDES = (Remark.NOBODY, Remark.BOTH_WORK, Remark.FAIL_ALIKE, Remark.BOTH_FAIL, Remark.SWAPPED)
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
    """The whole comparison. outcomes are None where the recording holds no link-up; first: the
    first difference that matters; parts_at: the first stage at which the two are not alike.
    """

    working: Diagnosis
    failing: Diagnosis
    outcomes: tuple[Outcome, Outcome] | None
    remarks: list[Remark]
    aspects: list[Aspect]
    first: Aspect | None
    parts_at: Stage | None

    @property
    def fault(self) -> Finding | None:
        """What the failing recording shows at the stage where the two part; none where no
        difference explains anything.
        """
        if self.outcomes is None or set(self.remarks) & set(DECIDES):
            return None
        return self.outcomes[1].fault

    @property
    def is_comparable(self) -> bool:
        """Whether one works, the other does not, and both are about the same service."""
        return not set(self.remarks) - {Remark.UNCLEAR}


def compare(working: Diagnosis, failing: Diagnosis) -> Comparison:
    """Compare the link-ups that fit each other best."""
    pair = _pair(working, failing)
    if pair is None:
        return Comparison(working, failing, None, [Remark.NOBODY], [], None, None)
    good, bad = pair
    remarks = list(_remarks(good, bad))
    reached = _reached(bad)
    sides = _Side(working, good), _Side(failing, bad)
    aspects = [_as_reached(one, reached) for one in _aspects(*sides)]
    first = next((one for one in aspects if one.weight is Weight.MATTERS), None)
    if set(remarks) & set(DECIDES):
        first = None
    parts = (a.stage for a, b in zip(good.stages, bad.stages, strict=True) if a.state != b.state)
    return Comparison(working, failing, pair, remarks, aspects, first, next(parts, None))


def _pair(working: Diagnosis, failing: Diagnosis) -> tuple[Outcome, Outcome] | None:
    """The same controller and port, the one working, the other not, as far as there is such."""

    def fit(pair: tuple[Outcome, Outcome]) -> tuple[bool, ...]:
        good, bad = (one.linkup.target for one in pair)
        return (
            good.address == bad.address,
            good.port == bad.port,
            pair[0].verdict is Verdict.COMPLETE,
            pair[1].verdict is not Verdict.COMPLETE,
        )

    return max(product(working.outcomes, failing.outcomes), key=fit, default=None)


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
    elif does_not:
        yield Remark.SWAPPED
    elif not works:
        yield Remark.FAIL_ALIKE if _ending(good) == _ending(bad) else Remark.BOTH_FAIL
    elif bad.verdict is Verdict.CANNOT_TELL:
        yield Remark.UNCLEAR


def _ending(outcome: Outcome) -> tuple[object, ...]:
    rule = outcome.fault.rule if outcome.fault else None
    return outcome.verdict, outcome.stopped_at, rule


def _reached(outcome: Outcome) -> int:
    """The place of the stage at which a link-up ended."""
    ends = [
        list(Stage).index(one.stage)
        for one in outcome.stages
        if one.state in (State.FAILED, State.UNCLEAR)
    ]
    return min(ends, default=len(Stage))


def _as_reached(aspect: Aspect, reached: int) -> Aspect:
    """A difference behind the stage that was reached is a consequence."""
    place = -1 if aspect.stage is None else list(Stage).index(aspect.stage)
    follows = aspect.weight is Weight.MATTERS and place > reached
    return replace(aspect, weight=Weight.FOLLOWS) if follows else aspect


# --- what is compared ---------------------------------------------------------------------------


class _Side:
    """What one recording says of its link-up, value by value."""

    def __init__(self, diagnosis: Diagnosis, outcome: Outcome) -> None:
        self.facts = diagnosis.facts
        self.outcome = outcome
        self.linkup: LinkUp = outcome.linkup
        calls = [*self.linkup.sessions, *self.linkup.other_sessions]
        asked = [one for one in calls if one.from_client.first_data]
        self.session: Session | None = next(iter(asked or calls), None)

    @property
    def heard(self) -> bool:
        own = self.linkup.pc.hardware
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
    def arp(self) -> str | None:
        """Whether anybody answered for the controller's hardware address."""
        if any(one.answered for one in self.linkup.questions):
            return "answered"
        return "silent" if self.linkup.questions else None

    @property
    def arp_seconds(self) -> float | None:
        answer = self.linkup.arp_answered
        asked = [one.asked.first for one in self.linkup.questions if one.answered]
        return answer.seconds - min(asked).seconds if answer and asked else None

    @property
    def way(self) -> str | None:
        """To whom the PC hands packets for the controller: itself, or a router."""
        if self.linkup.router is not None:
            return str(self.linkup.router)
        return "direct" if self.linkup.sent_to else None

    @property
    def ttl(self) -> int | None:
        return self.session.from_server.ttl if self.session else None

    @property
    def port(self) -> str | None:
        target = self.linkup.target
        calls = self.linkup.calls
        port = calls[0].server.port if calls else target.port
        return f"{(target.transport or 'tcp').upper()} {port}" if port else None

    @property
    def order(self) -> list[str]:
        """What was tried, each kind once, in order."""
        tried = (one.what + (f" {one.port}" if one.port else "") for one in self.outcome.tries)
        return list(dict.fromkeys(tried))

    @property
    def opening(self) -> str | None:
        """How the calls on the port ended."""
        ends = [one.ending for one in self.outcome.tries if one.what in ("tcp", "udp")]
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
        if self.session is None or not self.session.is_open:
            return None
        if not self.session.closing:
            return "open"
        end = self.session.closing[0]
        return f"{'controller' if end.side else 'pc'} {'reset' if end.reset else 'close'}"

    @property
    def idle(self) -> float | None:
        """Seconds without data before the end."""
        ends = self.session.closing if self.session else []
        return ends[0].since_data if ends and ends[0].after != NOBODY else None

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
        if self.session is None or not self.session.is_open:
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


NOT_OPEN = (TryEnd.SILENT, TryEnd.REFUSED, TryEnd.UNFINISHED)


def _aspects(good: _Side, bad: _Side) -> Iterator[Aspect]:
    """Everything compared, in the order in which a link-up is built."""
    here, there = good.linkup, bad.linkup
    yield _plain(None, "controller", here.controller, there.controller, True)
    yield _plain(Stage.LINK, "heard", good.heard, bad.heard, good.heard)
    yield _timed(Stage.LINK, "after link", good.after_link, bad.after_link, early=True)
    own = here.pc_address, there.pc_address
    odd = [one is not None and is_self_assigned(one) for one in own]
    yield _plain(Stage.ADDRESS, "pc address", *own, odd[0] != odd[1])
    yield _plain(Stage.ADDRESS, "pc hardware", here.pc.hardware, there.pc.hardware, False)
    apart = here.same_network != there.same_network
    yield _plain(Stage.ADDRESS, "mask", here.mask, there.mask, apart)
    yield _plain(Stage.NEIGHBOUR, "arp", good.arp, bad.arp, True)
    same = here.controller == there.controller
    yield _plain(Stage.NEIGHBOUR, "controller hardware", here.hardware, there.hardware, same)
    yield _timed(Stage.NEIGHBOUR, "arp time", good.arp_seconds, bad.arp_seconds)
    yield _plain(Stage.ROUTE, "same network", here.same_network, there.same_network, True)
    yield _plain(Stage.ROUTE, "way", good.way, bad.way, True)
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
    tells = good.protocol not in RANDOM
    yield _plain(Stage.ANSWER, "request", good.request, bad.request, tells)
    yield _plain(Stage.ANSWER, "unit", good.unit, bad.unit, True)
    answered = bool(good.answers) != bool(bad.answers)
    yield _plain(Stage.ANSWER, "answers", good.answers, bad.answers, answered)
    yield _timed(Stage.ANSWER, "answer time", good.answer_seconds, bad.answer_seconds)


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
