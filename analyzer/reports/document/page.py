"""The document for a page: each recording begins with the answer, then come the stages, pictures,
the proof, causes and the rest. Of several, an index comes first.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, tzinfo

from analyzer.diagnosis import Diagnosis, Level, Outcome, Verdict
from analyzer.reports.blocks import (
    Banner,
    Block,
    Heading,
    Labelled,
    Mood,
    TimeStrip,
    safely,
)
from analyzer.reports.differences import differences
from analyzer.reports.document import how_made, refusals, the_rest
from analyzer.reports.document.answer import Answer, Room
from analyzer.reports.document.bounds import MOST_BREAKS, MOST_STEPS
from analyzer.reports.document.finding import Findings, unled
from analyzer.reports.document.incidents import SEVERAL, breaks
from analyzer.reports.document.linkup import both_ends, durations, how_far, how_sure
from analyzer.reports.document.parties import how_known, who
from analyzer.reports.document.recording import Clock, about, when
from analyzer.reports.document.several import overview, recordings
from analyzer.reports.document.verdict import headline, told_in_full, worst_first
from analyzer.reports.overview import strip
from analyzer.reports.sequence import Charts
from analyzer.words import quoted

ROOM = Room(letters=100, cause=True, noticed=True)
"""In the answer: on a telephone the first step stands on the first screen."""
ABOVE = ("Who", "Recorded", "What", "Breaks", "How sure")
BELOW = ("Likely why", "But", "Besides", "Noticed", "Which PC")
"""What is told of the answer above its first steps and below them."""
IN_A_WORD = {
    Verdict.STOPPED: (Mood.STOPPED, "Stopped"),
    Verdict.UNSTABLE: (Mood.STOPPED, "Unstable"),
    Verdict.CANNOT_TELL: (Mood.CANNOT_TELL, "Cannot tell"),
}
FOR_GOOD = Mood.STOPPED, "Worked, then stopped"


def page(
    diagnoses: Sequence[Diagnosis],
    everything: bool = False,
    made: Sequence[str] = (),
    refused: Sequence[str] = (),
    zone: tzinfo | None = UTC,
) -> list[Block]:
    """The page for one or several recordings. made: by which version and with which options, told
    at the end; the others as for `report`.
    """
    blocks: list[Block] = []
    if len(diagnoses) > 1:
        blocks += recordings(diagnoses, [f"#recording-{n + 1}" for n in range(len(diagnoses))])
    for number, one in enumerate(diagnoses, 1):
        blocks += _recording(one, str(number), everything, zone)
    blocks += refusals(refused)
    blocks += how_made(diagnoses, made)
    return list(safely(blocks))


def _recording(
    diagnosis: Diagnosis, number: str, everything: bool, zone: tzinfo | None
) -> Iterator[Block]:
    outcomes = worst_first(diagnosis.outcomes)
    told = outcomes if everything else told_in_full(outcomes)
    yield Heading(quoted(diagnosis.facts.file), 1, f"recording-{number}")
    yield from _answer(diagnosis, next(iter(outcomes), None), zone)
    if len(outcomes) > 1:
        names = {id(one): f"#{_name(number, place)}" for place, one in enumerate(told)}
        links = [names.get(id(one), "") for one in outcomes]
        yield from overview(outcomes, everything, diagnosis.case.pc_unknown, links)
    yield from _connections(diagnosis, told, number, everything, zone)
    yield Heading("The recording")
    yield from about(diagnosis, everything, zone)
    yield from the_rest(diagnosis, everything)


def _name(number: str, place: int) -> str:
    return f"connection-{number}-{place}"


def _answer(diagnosis: Diagnosis, outcome: Outcome | None, zone: tzinfo | None) -> Iterator[Block]:
    """The same answer as the short text gives; the name of the file stands above it."""
    answer = Answer(diagnosis)
    told_here = {
        "Recorded": when(diagnosis, zone),
        "How sure": answer.how_sure(zone, with_zone=True),
    }
    rows = dict(answer.rows(ROOM, zone)) | told_here
    yield _banner(outcome, answer)
    yield Labelled([(label, rows[label]) for label in ABOVE if rows.get(label)])
    yield from answer.first_steps(MOST_STEPS, 2)
    yield Labelled([(label, rows[label].strip()) for label in BELOW if rows.get(label)])


def _banner(outcome: Outcome | None, answer: Answer) -> Banner:
    if outcome is not None:
        return Banner(*_in_a_word(outcome), answer.verdict)
    lead = answer.lead
    is_fault = lead is not None and lead.level is Level.FAULT
    verdict = Verdict.STOPPED if is_fault else Verdict.CANNOT_TELL
    return Banner(*IN_A_WORD[verdict], answer.verdict)


def _in_a_word(outcome: Outcome) -> tuple[Mood, str]:
    if outcome.verdict is not Verdict.COMPLETE:
        return FOR_GOOD if outcome.failed_for_good else IN_A_WORD[outcome.verdict]
    word = "Works" if outcome.linkup.works else "Answers"
    if outcome.warning is not None:
        return Mood.WARNED, f"{word}, with a warning"
    return Mood.WORKS, word


def _connections(
    diagnosis: Diagnosis,
    told: Sequence[Outcome],
    number: str,
    everything: bool,
    zone: tzinfo | None,
) -> Iterator[Block]:
    """Each connection: how far it got, what passed, the proof, causes and steps."""
    clock, charts = Clock(diagnosis, zone), Charts(diagnosis)
    findings = Findings(diagnosis, clock)
    several = len(diagnosis.outcomes) > 1
    lead = Answer(diagnosis).lead
    in_time = strip(diagnosis)
    for place, one in enumerate(told):
        yield Heading(who(one.linkup) if several else "How far it got", 2, _name(number, place))
        if several:
            yield Banner(*_in_a_word(one), headline(one))
            yield from how_sure(one)
        yield from how_far(one, everything)
        yield from breaks(one, clock, None if everything else MOST_BREAKS)
        if one.incidents.count >= SEVERAL:
            yield from _once(in_time)
            in_time = None
        passed = charts.of(one, f"event-{number}-{place}")
        if passed is not None:
            yield Heading(passed.title)
            yield from _once(in_time)
            yield passed
            in_time = None
        yield from durations(one)
        gravest = one.fault or one.warning
        yield from findings.tell(gravest, passed, MOST_STEPS if gravest is lead else 0)
        yield from both_ends(one, how_known(diagnosis, one.linkup), differences(one.linkup))
    yield from _once(in_time)
    yield from findings.tell(lead, done=MOST_STEPS)
    for finding in diagnosis.findings if everything else unled(diagnosis):
        yield from findings.tell(finding)
    yield from findings.the_rest()


def _once(in_time: TimeStrip | None) -> Iterator[Block]:
    yield from () if in_time is None else (in_time,)
