"""Findings in full: what happened, the proof, what to do."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from analyzer.diagnosis import Diagnosis, Evidence, Finding, Level, Step
from analyzer.reports.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    SequenceChart,
    Table,
)
from analyzer.reports.document.bounds import MOST_NOTICED, left_out
from analyzer.reports.document.recording import Clock
from analyzer.reports.document.verdict import capital, worst_first


def main_findings(diagnosis: Diagnosis) -> list[Finding]:
    """The findings that matter most: the fault of each link-up, the worst first, or what is told
    without one.
    """
    led = [one.fault for one in worst_first(diagnosis.outcomes) if one.fault is not None]
    return list(dict.fromkeys(led)) or unled(diagnosis)


def unled(diagnosis: Diagnosis) -> list[Finding]:
    """What is told in full where no link-up has a fault: the first fault or warning."""
    if any(outcome.fault for outcome in diagnosis.outcomes):
        return []
    return [one for one in diagnosis.findings if one.level is not Level.NOTE][:1]


class Findings:
    """Tells findings, each once, and causes and steps once a rule."""

    def __init__(self, diagnosis: Diagnosis, clock: Clock) -> None:
        self._diagnosis = diagnosis
        self._clock = clock
        self._told: set[Finding | None] = set()
        self._explained: dict[str, str] = {}

    def tell(
        self, finding: Finding | None, passed: SequenceChart | None = None, done: int = 0
    ) -> Iterator[Block]:
        """A finding in full, nothing where it was told before. passed: the picture that its proof
        leads to, frame by frame; without one, frames that show the same are one row. done: how many
        of its steps stand further above.
        """
        if finding is None or finding in self._told:
            return
        self._told.add(finding)
        yield Heading(finding.title)
        yield Paragraph(finding.what_happened)
        if finding.evidence:
            yield Heading("Why we think so", 3)
            yield _proof(finding, self._clock, passed)
        if finding.rule in self._explained:
            before = self._explained[finding.rule]
            yield Paragraph(f'Causes and steps are those under "{before}" above.')
            return
        self._explained[finding.rule] = finding.title
        yield from _explanation(finding, done)

    def the_rest(self) -> Iterator[Block]:
        """Titles of what was not told and does not lead any link-up."""
        known = self._told | {outcome.fault for outcome in self._diagnosis.outcomes}
        left = [one for one in self._diagnosis.findings if one not in known]
        if left:
            shown = left[:MOST_NOTICED]
            yield Heading("Also noticed")
            yield Listing(
                [Step(f"{capital(one.level)}: {one.title} ({one.rule}).") for one in shown]
            )
            yield from left_out(left, shown)
            these = "this" if len(left) == 1 else "these"
            yield Paragraph(f"Run it again with --all to have {these} explained.")


def _explanation(finding: Finding, done: int) -> Iterator[Block]:
    if finding.likely_causes:
        yield Heading("Likely causes, most likely first", 3)
        yield Listing([Step(text) for text in finding.likely_causes])
    if finding.also_fits:
        yield Heading("What would look the same", 3)
        yield Listing([Step(text) for text in finding.also_fits])
    left = finding.what_to_do[done:]
    if left:
        yield Heading("What to do next" if done else "What to do", 3)
        yield from () if done else general_cautions(finding)
        yield Listing(left, numbered=True, begin=done + 1)
    if finding.confirm.text:
        yield Heading("The test that decides", 3)
        yield Listing([finding.confirm])
    yield Paragraph(f"More about this: {how_explained(finding)}")


def how_explained(finding: Finding) -> str:
    """What to type to have the rule explained that saw it."""
    return f"whynolink rules {finding.rule}"


def general_cautions(finding: Finding) -> Iterator[Block]:
    """The cautions that belong to no single step."""
    beside = {step.caution for step in [*finding.what_to_do, finding.confirm]}
    yield from (one for one in finding.cautions if one not in beside)


ALIKE = 3
"""Frames in a row that show the same, from which on they are told in one row."""
AGAIN = " again"
"""How the words of a frame end that is not the first of its kind."""


def _proof(finding: Finding, clock: Clock, passed: SequenceChart | None) -> Table:
    header = ("Frame", "Seconds", clock.zone, "What it shows")
    evidence = _by_frame(finding.evidence)
    if passed is None:
        runs = _runs(evidence)
        return Table(header, [row for run in runs for row in _rows(run, clock)])
    names = {one.frame: one.name for one in passed.events if one.name}
    events = [names.pop(one.moment.frame, "") for one in evidence]
    return Table(header, [_row(one, clock) for one in evidence], events)


def _by_frame(evidence: Sequence[Evidence]) -> list[Evidence]:
    """Each frame once, with all that it shows."""
    frames = groupby(evidence, lambda one: one.moment)
    return [Evidence(at, "; ".join(one.text for one in same)) for at, same in frames]


def _runs(evidence: Sequence[Evidence]) -> list[list[Evidence]]:
    """Frames in a row that show the same."""
    return [list(run) for _, run in groupby(evidence, lambda one: one.text.removesuffix(AGAIN))]


def _rows(run: Sequence[Evidence], clock: Clock) -> Iterator[tuple[str, ...]]:
    """A row for each frame, or one with a count and a span for many."""
    if len(run) < ALIKE:
        yield from (_row(one, clock) for one in run)
        return
    first, last = _row(run[0], clock), _row(run[-1], clock)
    spans = [f"{begin}-{end}" if begin else "" for begin, end in zip(first, last, strict=True)]
    yield *spans[:-1], f"{first[-1].removesuffix(AGAIN)} ({len(run)} of these frames)"


def _row(one: Evidence, clock: Clock) -> tuple[str, ...]:
    moment = one.moment
    return f"{moment.frame:,}", f"{moment.seconds:.3f}", clock.at(moment), one.text
