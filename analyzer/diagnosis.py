"""The whole program in one function: a recording goes in, a diagnosis comes out.

    recording -> facts -> case -> sightings -> findings and outcomes

`diagnose` is handed the rules; it knows none of them.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from analyzer.common import FEWEST, Common, Observed, common, compare, joined, observe
from analyzer.facts import (
    Exchange,
    Facts,
    Kind,
    Moment,
    Series,
    Session,
    Spread,
    Station,
    gather,
)
from analyzer.facts.index import by
from analyzer.findings import (
    STAGES,
    Certainty,
    Evidence,
    Finding,
    Level,
    Need,
    Rule,
    Sighting,
    Step,
)
from analyzer.incidents import Incident, Incidents, Sign, incidents
from analyzer.inputs.records import Recording
from analyzer.linkup import (
    BEGINNING,
    PC_ANSWERS,
    USES_ADDRESS,
    Call,
    Case,
    How,
    LinkUp,
    Pc,
    Proof,
    Stage,
    Told,
    Try,
    What,
    in_rows,
    work_out,
)
from analyzer.silent import Silent
from analyzer.telling import (
    NO_CALL,
    NOBODY_OBJECTS,
    UNPROVEN,
    WORKED_BEFORE,
    WORKED_LATER,
    because,
    in_common,
    worded,
)

__all__ = [
    "CANNOT_TELL",
    "ONCE",
    "Call",
    "Certainty",
    "Diagnosis",
    "Evidence",
    "Exchange",
    "Finding",
    "How",
    "Incident",
    "Incidents",
    "Kind",
    "Level",
    "LinkUp",
    "Moment",
    "Observed",
    "Outcome",
    "Pc",
    "Rule",
    "Series",
    "Session",
    "Sign",
    "Silent",
    "Spread",
    "Stage",
    "StageResult",
    "State",
    "Station",
    "Step",
    "Try",
    "Verdict",
    "What",
    "diagnose",
    "in_common_of_all",
    "judge",
]
"""What reports speak of: they import nothing from further below."""

NO_FAULT, FAULT, UNUSABLE, CANNOT_TELL = 0, 1, 2, 3
"""Exit statuses; a diagnosis has none that is UNUSABLE: that is for an input that has none."""


ONCE = 1
"""Breaks of a link-up that failed for good; after more it comes and goes."""


class Verdict(StrEnum):
    """How a link-up ended."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    UNSTABLE = "unstable"
    CANNOT_TELL = "cannot tell"


class State(StrEnum):
    """How a stage of a link-up is: seen working; working at times, and not always; working until it
    failed for good; where the fault lies; tried, and not seen working; not in the recording; behind
    the fault, and not tried.
    """

    PASSED = "passed"
    AT_TIMES = "at times"
    AT_FIRST = "at first"
    FAILED = "failed"
    UNCLEAR = "unclear"
    NOT_SHOWN = "not shown"
    NOT_REACHED = "not reached"


class StageResult(NamedTuple):
    """One stage: its state, why, and the frame that shows it. worked: when it worked all the same,
    in words, where it failed and a later one was reached.
    """

    stage: Stage
    state: State
    why: Proof | Finding | str
    moment: Moment | None
    worked: str = ""

    @property
    def because(self) -> str:
        """Why, in words."""
        if isinstance(self.why, Finding):
            return f"{self.why.title}{self.worked}"
        return self.why if isinstance(self.why, str) else because(self.why)


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """How far a link-up got, the fault that explains it, the first warning that concerns it, and
    what the PC tried on the way.

    incidents: every time that it stopped; common: what these have in common, None where they are
    too few to tell.
    """

    linkup: LinkUp
    verdict: Verdict
    fault: Finding | None
    warning: Finding | None
    stages: list[StageResult]
    tries: list[Try]
    incidents: Incidents
    common: Common | None

    @property
    def in_common(self) -> list[str]:
        """What its incidents have in common, in words, or what was looked at in vain."""
        return [] if self.common is None else in_common(self.common)

    @property
    def observed(self) -> Observed:
        """What is known of its incidents and of other times, as plain data."""
        return observe(self.linkup, self.incidents.kept)

    @property
    def asked_by_controller(self) -> bool:
        """Whether it works the other way round: the controller asks, and the PC answers."""
        proof = self.linkup.proofs.get(Stage.ANSWER)
        return proof is not None and proof.what == PC_ANSWERS

    @property
    def failed_for_good(self) -> bool:
        """Whether it broke once, and nothing worked after that."""
        is_lost = self.verdict is Verdict.UNSTABLE and self.linkup.is_lost
        return is_lost and self.incidents.count <= ONCE

    @property
    def stopped_at(self) -> Stage | None:
        """The stage that failed."""
        failed = (result.stage for result in self.stages if result.state is State.FAILED)
        return next(failed, None)


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """Everything that reports say about one recording.

    quiet: rules that looked and saw nothing; unable: rules that could not look, with the reason.
    """

    facts: Facts
    case: Case
    outcomes: list[Outcome]
    findings: list[Finding]
    quiet: list[str]
    unable: list[tuple[str, str]]

    @property
    def status(self) -> int:
        """The exit status: a fault was found, it cannot be told, or there is none."""
        if any(finding.level is Level.FAULT for finding in self.findings):
            return FAULT
        verdicts = {outcome.verdict for outcome in self.outcomes}
        return CANNOT_TELL if Verdict.CANNOT_TELL in verdicts or not verdicts else NO_FAULT


def diagnose(
    recording: Recording,
    rules: Sequence[Rule],
    told: Told | None = None,
    progress: Callable[[int], None] = lambda octets: None,
) -> Diagnosis:
    """Say at which stage link-up stopped in a recording, and why."""
    return judge(gather(recording, progress), rules, told)


def judge(facts: Facts, rules: Sequence[Rule], told: Told | None = None) -> Diagnosis:
    """The same of facts, which may be those of a recording that still goes on."""
    case = work_out(facts, told or Told())
    able = [rule for rule in rules if _lack(rule, case) is None]
    stops = incidents(case)
    shared = [common(one, found) for one, found in zip(case.linkups, stops, strict=True)]
    by_linkup = {id(one): told for one, told in zip(case.linkups, shared, strict=True)}
    found = [finding for rule in able for finding in _look(rule, case, by_linkup)]
    causes = _without_consequences(found, {rule.slug: rule.explains for rule in able})
    outcomes = _outcomes(case.linkups, causes, list(zip(stops, shared, strict=True)))
    seen = {finding.rule for finding in found}
    return Diagnosis(
        facts=facts,
        case=case,
        outcomes=outcomes,
        findings=_worth_telling(causes, outcomes),
        quiet=[rule.slug for rule in able if rule.slug not in seen],
        unable=[(rule.slug, str(lack)) for rule in rules if (lack := _lack(rule, case))],
    )


def in_common_of_all(several: Sequence[tuple[float, Observed]]) -> list[str]:
    """What the incidents of several recordings have in common, in words. several: of each the
    seconds at which it began, in order, and what is known of it.
    """
    seen = joined(several)
    return in_common(compare(seen)) if len(seen.moments) >= FEWEST else []


def _lack(rule: Rule, case: Case) -> Need | None:
    """What a rule needs and the recording does not have."""
    if rule.needs and not case.facts.coverage.frames:
        return Need.FRAMES
    if Need.LINKUP in rule.needs and not case.linkups:
        return Need.LINKUP if case.pc is not None else Need.PC
    if Need.IPV4 in rule.needs and case.linkups and all(one.is_ipv6 for one in case.linkups):
        return Need.IPV4
    if Need.HARDWARE in rule.needs and not case.facts.has_hardware_addresses:
        return Need.HARDWARE
    return None


def _look(rule: Rule, case: Case, shared: Mapping[int, Common | None]) -> Iterator[Finding]:
    """What a rule sees, in the whole recording or link-up by link-up, where that is evidence.
    shared: what the incidents of each link-up have in common.
    """
    for sighting in _sightings(rule, case):
        if sighting.silence is None or sighting.silence.is_evidence:
            yield worded(rule, sighting, case.facts.drops or 0, shared.get(id(sighting.linkup)))


def _sightings(rule: Rule, case: Case) -> Iterator[Sighting]:
    if rule.survey is not None:
        yield from rule.survey(case)
    if rule.find is not None:
        for linkup in case.linkups:
            if linkup.is_ipv6 and Need.IPV4 in rule.needs:
                continue
            for sighting in rule.find(linkup):
                yield sighting._replace(linkup=linkup)


def _without_consequences(
    found: list[Finding], explained: Mapping[str, Sequence[str]]
) -> list[Finding]:
    """The findings that no other one about the same link-up explains, unless that is the lesser
    one. What is about the whole recording is about every link-up.
    """
    gravest: dict[tuple[int | None, str], int] = {}
    for one in found:
        for slug in explained[one.rule]:
            for key in ((id(one.linkup) if one.linkup else None, slug), (EVERY, slug)):
                gravest[key] = min(gravest.get(key, NO_LEVEL), _severity(one))
    return [one for one in found if not _is_explained(one, gravest)]


EVERY = 0
"""Stands for the link-up of any finding; no object has this identity."""
NO_LEVEL = len(Level)


def _is_explained(one: Finding, gravest: Mapping[tuple[int | None, str], int]) -> bool:
    keys = [EVERY] if one.linkup is None else [id(one.linkup), None]
    return any(gravest.get((key, one.rule), NO_LEVEL) <= _severity(one) for key in keys)


def _severity(finding: Finding) -> int:
    """0 for a fault, more for what matters less."""
    return list(Level).index(finding.level)


Stops = tuple[Incidents, Common | None]


def _outcomes(
    linkups: Sequence[LinkUp], found: list[Finding], stops: Sequence[Stops]
) -> list[Outcome]:
    about = by(found, lambda one: id(one.linkup) if one.linkup else None)
    return [
        _outcome(one, [*about[id(one)], *about[None]], told)
        for one, told in zip(linkups, stops, strict=True)
    ]


def _outcome(linkup: LinkUp, found: list[Finding], stops: Stops) -> Outcome:
    """The lowest broken stage leads; without a fault, the stages seen working decide."""
    fault, warning = (
        min((one for one in found if one.level is level), key=_rank, default=None)
        for level in (Level.FAULT, Level.WARNING)
    )
    if fault is not None:
        verdict = Verdict.UNSTABLE if linkup.works else Verdict.STOPPED
    else:
        works = linkup.works or linkup.is_answered
        verdict = Verdict.COMPLETE if works else Verdict.CANNOT_TELL
    until = State.AT_FIRST if stops[0].count <= ONCE else State.AT_TIMES
    stages, tries = _stages(linkup, fault, until), in_rows(linkup.tries)
    return Outcome(linkup, verdict, fault, warning, stages, tries, *stops)


def _rank(finding: Finding) -> tuple[int, bool]:
    return STAGES.index(finding.stage), finding.certainty is Certainty.FITS


def _stages(linkup: LinkUp, fault: Finding | None, until: State) -> list[StageResult]:
    """Each stage, as far as the recording shows it. Not reached is what lies behind the fault and
    behind all that was tried: without a fault nobody knows how far connecting got. until: how a
    stage is that worked until nothing did any more.
    """
    stages = list(Stage)
    results = [_seen(linkup, stage, fault) for stage in stages]
    if fault is None or fault.stage not in stages:
        return results
    failed = stages.index(Stage(fault.stage))
    results[failed] = _failed(fault, stages[failed], results[failed + 1 :], linkup.is_lost)
    if linkup.is_lost:
        behind = results[failed:]
        results[failed:] = [_not_to_the_end(one, stages[failed], until) for one in behind]
    if not any(one.under_way for one in linkup.on_port):
        reached = (at for at, one in enumerate(results) if one.state is not State.NOT_SHOWN)
        for at in range(max(reached) + 1, len(stages)):
            results[at] = StageResult(stages[at], State.NOT_REACHED, "", None)
    return results


def _failed(fault: Finding, stage: Stage, behind: Sequence[StageResult], lost: bool) -> StageResult:
    """The stage of the fault. A later one that was reached shows that it worked, too."""
    depends = (one for one in behind if (stage, one.stage) not in INDEPENDENT)
    reached = (one.moment for one in depends if one.moment and one.state is not State.NOT_SHOWN)
    first = min(reached, default=None)
    worked = ""
    if first is not None and fault.moment is not None:
        worked = WORKED_LATER if first > fault.moment and not lost else WORKED_BEFORE
    return StageResult(stage, State.FAILED, fault, fault.moment, worked)


def _not_to_the_end(one: StageResult, failed: Stage, until: State) -> StageResult:
    """A stage that works, behind one that failed for good."""
    worked = one.state in (State.PASSED, State.AT_TIMES)
    return one._replace(state=until) if worked and (failed, one.stage) not in INDEPENDENT else one


INDEPENDENT = {(Stage.LINK, Stage.ADDRESS), (Stage.ADDRESS, Stage.NEIGHBOUR)}
"""A stage, and a later one that may be reached without it: a PC uses an address without a link, and
ARP is answered whichever address asks (RFC 826).
"""


def _seen(linkup: LinkUp, stage: Stage, fault: Finding | None) -> StageResult:
    """How a stage is seen, wherever the fault lies."""
    proof = linkup.proofs.get(stage)
    works = proof is not None or (stage is Stage.SESSION and linkup.works)
    ending = _bad_ending(linkup, fault) if stage is Stage.SESSION else None
    if ending is not None:
        return StageResult(stage, State.AT_TIMES if works else State.UNCLEAR, *ending)
    if proof is not None and proof.what == USES_ADDRESS and not _is_linked(linkup, fault):
        return StageResult(stage, State.UNCLEAR, NOBODY_OBJECTS, proof.moment)
    if proof is not None:
        return StageResult(stage, State.PASSED, proof, proof.moment)
    if works:
        return StageResult(stage, State.PASSED, "nobody broke it while in use", None)
    if (tried := _tried(linkup, stage)) is not None:
        return StageResult(stage, State.UNCLEAR, *tried)
    uncalled = stage is Stage.PORT and linkup.is_answered
    return StageResult(stage, State.NOT_SHOWN, NO_CALL if uncalled else UNPROVEN[stage], None)


def _is_linked(linkup: LinkUp, fault: Finding | None) -> bool:
    """Whether others are heard on the PC's network."""
    return Stage.LINK in linkup.proofs and (fault is None or fault.stage != Stage.LINK)


def _bad_ending(linkup: LinkUp, fault: Finding | None) -> tuple[str, Moment | None] | None:
    """How a session did not end well, whatever other sessions did."""
    calls = linkup.on_port
    if fault and any(one.broken or one.hangs for one in calls):
        return "a session broke or hung", None
    if calls and calls[-1].hangs:
        return "the last data is repeated, without an answer to the end", calls[-1].session.asked
    called = max((one.first for one in calls if fault and one.calls), default=BEGINNING)
    left = (one.last for one in calls if one.is_left_open)
    first = min((at for at in left if at < called), default=None)
    return None if first is None else ("a session broke off, and the PC called anew", first)


def _tried(linkup: LinkUp, stage: Stage) -> tuple[str, Moment] | None:
    """What came of the PC's tries at a stage that is not seen working."""
    opened = linkup.on_port.opened
    tries = {
        Stage.PORT: ("the call is turned down", linkup.calls.that(How.REFUSED).ends),
        Stage.SESSION: (UNPROVEN[Stage.SESSION], opened.firsts),
        Stage.ANSWER: ("the PC's request is not answered, or turned down", opened.asks),
    }
    because, moments = tries.get(stage, ("", []))
    first = min(moments, default=None)
    return None if first is None else (because, first)


def _worth_telling(found: list[Finding], outcomes: list[Outcome]) -> list[Finding]:
    """One fault a link-up, then warnings, then notes: consequences are not separate faults."""
    faults = {id(one.fault): one.fault for one in outcomes if one.fault is not None}
    leading = list(faults.values())
    if not outcomes:
        leading = sorted((one for one in found if one.level is Level.FAULT), key=_rank)[:1]
    rest = [one for one in found if one.level is not Level.FAULT]
    return leading + sorted(rest, key=lambda one: (_severity(one), _rank(one)))
