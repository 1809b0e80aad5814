"""The whole program in one function: a recording goes in, a diagnosis comes out.

    recording -> facts -> case -> sightings -> findings and outcomes

`diagnose` is handed the rules; it knows none of them.
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from analyzer.facts import Facts, Kind, Moment, Series, Session, Spread, Station, gather
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
from analyzer.inputs.records import Recording
from analyzer.linkup import (
    LISTEN_AFTER,
    LISTEN_BEFORE,
    PC_ANSWERS,
    Case,
    LinkUp,
    Proof,
    Stage,
    Told,
    Try,
    TryEnd,
    tries_of,
    work_out,
)
from analyzer.words import again, say

__all__ = [
    "CANNOT_TELL",
    "Certainty",
    "Diagnosis",
    "Finding",
    "Kind",
    "Level",
    "LinkUp",
    "Moment",
    "Outcome",
    "Rule",
    "Series",
    "Session",
    "Spread",
    "Stage",
    "StageResult",
    "State",
    "Station",
    "Step",
    "TryEnd",
    "Verdict",
    "diagnose",
    "judge",
]
"""What reports speak of: they import nothing from further below."""

NO_FAULT, FAULT, UNUSABLE, CANNOT_TELL = 0, 1, 2, 3
"""Exit statuses; a diagnosis has none that is UNUSABLE: that is for an input that has none."""
MOST_EVIDENCE = 8
"""Frames shown for one finding: enough to prove it, few enough to read."""


class Verdict(StrEnum):
    """How a link-up ended."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    UNSTABLE = "unstable"
    CANNOT_TELL = "cannot tell"


class State(StrEnum):
    """How a stage of a link-up is."""

    PASSED = "passed"
    FAILED = "failed"
    UNCLEAR = "unclear"
    NOT_REACHED = "not reached"


@dataclass(frozen=True, slots=True, eq=False)
class StageResult:
    """One stage: its state, why, and the frame that shows it."""

    stage: Stage
    state: State
    because: str
    moment: Moment | None


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """How far a link-up got, the fault that explains it, the first warning that concerns it, and
    what the PC tried on the way.
    """

    linkup: LinkUp
    verdict: Verdict
    fault: Finding | None
    warning: Finding | None
    stages: list[StageResult]
    tries: list[Try]

    @property
    def asked_by_controller(self) -> bool:
        """Whether it works the other way round: the controller asks, and the PC answers."""
        proof = self.linkup.proofs.get(Stage.ANSWER)
        return proof is not None and proof.what == PC_ANSWERS

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
    found = [finding for rule in able for finding in _look(rule, case)]
    explained = {rule.slug: rule.explains for rule in able}
    causes = [one for one in found if not any(_explains(other, one, explained) for other in found)]
    outcomes = [_outcome(linkup, causes) for linkup in case.linkups]
    findings = _worth_telling(causes, outcomes)
    seen = {finding.rule for finding in found}
    return Diagnosis(
        facts=facts,
        case=case,
        outcomes=outcomes,
        findings=findings,
        quiet=[rule.slug for rule in able if rule.slug not in seen],
        unable=[(rule.slug, str(lack)) for rule in rules if (lack := _lack(rule, case))],
    )


def _lack(rule: Rule, case: Case) -> Need | None:
    """What a rule needs and the recording does not have."""
    if rule.needs and not case.facts.coverage.frames:
        return Need.FRAMES
    if Need.LINKUP in rule.needs and not case.linkups:
        return Need.LINKUP if case.pc is not None else Need.PC
    if Need.HARDWARE in rule.needs and not case.facts.has_hardware_addresses:
        return Need.HARDWARE
    return None


def _look(rule: Rule, case: Case) -> list[Finding]:
    proven = (one for one in rule.find(case) if _was_listening(one, case.facts))
    return [_finding(rule, sighting, case.facts) for sighting in proven]


def _was_listening(sighting: Sighting, facts: Facts) -> bool:
    """Silence is only evidence if the recording heard both directions, and for long enough after
    the question.
    """
    if sighting.silent_since is None:
        return True
    one_sided = sighting.linkup is not None and sighting.linkup.is_one_sided
    return not one_sided and facts.heard_after(sighting.silent_since) >= LISTEN_AFTER


def _finding(rule: Rule, sighting: Sighting, facts: Facts) -> Finding:
    doubts = _doubts(sighting, facts)
    certainty = Certainty.FITS if doubts else sighting.certainty
    values = {**sighting.values, "fits": certainty is Certainty.FITS}

    def filled(texts: Sequence[str]) -> list[str]:
        return [say(text, values) for text in texts]

    confirm = Step(say(rule.confirm, values), say(rule.confirm_caution, values))
    filled_in = (Step(say(s.text, values), say(s.caution, values)) for s in rule.what_to_do)
    steps = [step for step in filled_in if step.text]
    cautions = [*filled(rule.cautions), *(s.caution for s in [*steps, confirm] if s.caution)]
    return Finding(
        rule=rule.slug,
        stage=rule.stage,
        level=sighting.level or rule.level,
        certainty=certainty,
        controller=None if sighting.linkup is None else sighting.linkup.controller,
        title=say(rule.title, values),
        what_happened=say(f"{rule.what_happened} {rule.means}".strip(), values),
        means=say(rule.means, values),
        likely_causes=filled(_by_likelihood(rule, sighting)),
        confirm=confirm,
        what_to_do=steps,
        cautions=list(dict.fromkeys(cautions)),
        also_fits=[*filled(_left(rule.also_fits, sighting.also_excluded)), *doubts],
        moment=next((moments[0] for moments in sighting.frames.values() if moments), None),
        evidence=_evidence(rule, sighting),
        values=dict(sighting.values),
        sources=list(rule.sources),
        linkup=sighting.linkup,
    )


def _by_likelihood(rule: Rule, sighting: Sighting) -> list[str]:
    """The causes in the rule's order, the one that the sighting favours first, without those that
    it excludes.
    """
    favoured = rule.likely_causes[sighting.likeliest]
    others = _left(rule.likely_causes, {*sighting.excluded, sighting.likeliest})
    return [favoured, *others]


def _left(texts: Sequence[str], excluded: Collection[int]) -> list[str]:
    """The texts whose places are not excluded."""
    return [text for place, text in enumerate(texts) if place not in excluded]


def _doubts(sighting: Sighting, facts: Facts) -> list[str]:
    """What weakens a silence: frames that the recorder lost, or a recording begun too late."""
    if sighting.silent_since is None:
        return []
    doubts = []
    if facts.drops:
        lost = "The recorder lost {n:count frame}: the answer may be among them."
        doubts.append(say(lost, {"n": facts.drops}))
    attempts = sighting.linkup.attempts if sighting.linkup else []
    if attempts and facts.heard_before(attempts[0]) < LISTEN_BEFORE:
        doubts.append("The recording began with the attempt: what came before is not in it.")
    return doubts


def _evidence(rule: Rule, sighting: Sighting) -> list[Evidence]:
    """The frames in order, each once with its sentence; {again} tells a repetition."""
    each = [(key, at) for key, moments in sighting.frames.items() for at in dict.fromkeys(moments)]
    each.sort(key=lambda one: one[1])
    half = MOST_EVIDENCE // 2
    shown = each if len(each) <= MOST_EVIDENCE else each[:half] + each[-half:]
    lines, told = [], Counter[str]()
    for key, moment in shown:
        told[key] += 1
        values = {**sighting.values, "again": again(told[key])}
        lines.append(Evidence(moment, say(rule.evidence[key], values)))
    return lines


def _explains(cause: Finding, other: Finding, explained: Mapping[str, Sequence[str]]) -> bool:
    """Whether a finding is only the consequence of another one."""
    if other.rule not in explained[cause.rule] or _severity(cause) > _severity(other):
        return False
    return cause.linkup is other.linkup or None in (cause.linkup, other.linkup)


def _severity(finding: Finding) -> int:
    """0 for a fault, more for what matters less."""
    return list(Level).index(finding.level)


def _outcome(linkup: LinkUp, found: list[Finding]) -> Outcome:
    """The lowest broken stage leads; without a fault, the stages seen working decide."""
    fault, warning = (
        min(
            (one for one in found if one.level is level and one.linkup in (linkup, None)),
            key=_rank,
            default=None,
        )
        for level in (Level.FAULT, Level.WARNING)
    )
    if fault is not None:
        verdict = Verdict.UNSTABLE if linkup.works else Verdict.STOPPED
    else:
        verdict = Verdict.COMPLETE if linkup.works else Verdict.CANNOT_TELL
    return Outcome(linkup, verdict, fault, warning, _stages(linkup, fault), tries_of(linkup))


def _rank(finding: Finding) -> tuple[int, bool]:
    return STAGES.index(finding.stage), finding.certainty is Certainty.FITS


def _stages(linkup: LinkUp, fault: Finding | None) -> list[StageResult]:
    """The failed stage fails; what is seen working stays passed, before it and behind it; what was
    tried and did not work is unclear; the rest behind it is not reached.
    """
    results = []
    stopped = False
    for stage in Stage:
        proof, tried = linkup.proofs.get(stage), _tried(linkup, stage)
        ending = _bad_ending(linkup, fault) if stage is Stage.SESSION else None
        if fault is not None and stage == fault.stage:
            results.append(StageResult(stage, State.FAILED, fault.title, fault.moment))
            stopped = True
        elif ending is not None:
            results.append(StageResult(stage, State.UNCLEAR, *ending))
        elif proof is not None:
            results.append(StageResult(stage, State.PASSED, _because(proof), proof.moment))
        elif stage is Stage.SESSION and linkup.works:
            results.append(StageResult(stage, State.PASSED, "nobody broke it while in use", None))
        elif not stopped:
            results.append(StageResult(stage, State.UNCLEAR, UNPROVEN[stage], None))
            stopped = fault is None
        elif fault is not None and tried is not None:
            results.append(StageResult(stage, State.UNCLEAR, *tried))
        else:
            results.append(StageResult(stage, State.NOT_REACHED, "", None))
    return results


def _bad_ending(linkup: LinkUp, fault: Finding | None) -> tuple[str, Moment | None] | None:
    """How a session did not end well, whatever other sessions did."""
    sessions = linkup.sessions
    if fault and any(one.broken_by or one.is_hung for one in sessions):
        return "a session broke or hung", None
    if sessions and sessions[-1].is_hung:
        return "the last data is repeated, without an answer to the end", sessions[-1].asked
    left = (one.last for one in sessions if fault and _is_left(one, sessions))
    first = min(left, default=None)
    return None if first is None else ("a session broke off, and the PC called anew", first)


def _is_left(session: Session, sessions: Sequence[Session]) -> bool:
    """Whether an open session fell silent for good, without an end, before the PC called again."""
    silent = session.is_open and not session.ends
    return silent and any(one.syns.count and one.first > session.last for one in sessions)


def _tried(linkup: LinkUp, stage: Stage) -> tuple[str, Moment] | None:
    """What came of the PC's tries at a stage that is not seen working."""
    opened = [one for one in linkup.sessions if one.is_open]
    tries: Mapping[Stage, tuple[str, list[Moment | None]]] = {
        Stage.PORT: (
            "the call is turned down",
            [one.refused.moment for one in linkup.calls if one.refused],
        ),
        Stage.SESSION: (UNPROVEN[Stage.SESSION], [one.first for one in opened]),
        Stage.ANSWER: (
            "the PC's request is not answered, or turned down",
            [one.asked for one in opened],
        ),
    }
    because, moments = tries.get(stage, ("", []))
    first = min((one for one in moments if one is not None), default=None)
    return None if first is None else (because, first)


PROOFS = {
    "another station": "another station is heard",
    "answered to address": "the PC uses {pc} and is answered there",
    "uses address": "the PC uses {pc}",
    "arp answer": "{hardware} answers for the controller's address",
    "by router": "the router {hardware} takes the packets, and answers come back",
    "router answers": "the router {hardware} answers the PC, which hands it the packets",
    "packet back": "a packet comes back from the controller",
    "handshake": "port {port} opens, after {took:seconds}",
    "accepted in vain": "port {port} accepts, after {took:seconds}; the PC turns that down",
    "accepted unheard": "port {port} accepts and sends data; nothing of the PC is recorded",
    "open before": "port {port} was open when the recording began",
    "udp answer": "an answer comes from UDP port {port}",
    "stayed up": "it carries {answers:count answer} and nobody breaks it",
    "speaks first": "the controller sends by itself, before any request",
    "call taken": "the PC takes the controller's call to its port {port}",
    PC_ANSWERS: "the controller asks, and the PC sends {answers:count answer}",
    "answers": "{answers:count answer}, typically after {took:seconds}",
    "untimed answers": "{answers:count answer}, after times that cannot be told",
    "later stage": "a later stage works, so this one does",
}
UNPROVEN = {
    Stage.LINK: "nothing from another station is in the recording",
    Stage.ADDRESS: "no frame shows the PC's own address",
    Stage.NEIGHBOUR: "no frame shows whose hardware address was reached",
    Stage.ROUTE: "no packet from the controller is in the recording",
    Stage.PORT: "the recording does not show the port opening",
    Stage.SESSION: "no session carried an answer and stayed up",
    Stage.ANSWER: "the recording shows no request with its answer",
}


def _because(proof: Proof) -> str:
    return say(PROOFS[proof.what], proof.values)


def _worth_telling(found: list[Finding], outcomes: list[Outcome]) -> list[Finding]:
    """One fault a link-up, then warnings, then notes: consequences are not separate faults."""
    leading: list[Finding] = []
    for outcome in outcomes:
        if outcome.fault is not None and outcome.fault not in leading:
            leading.append(outcome.fault)
    if not outcomes:
        leading = sorted((one for one in found if one.level is Level.FAULT), key=_rank)[:1]
    rest = [one for one in found if one.level is not Level.FAULT]
    return leading + sorted(rest, key=lambda one: (_severity(one), _rank(one)))
