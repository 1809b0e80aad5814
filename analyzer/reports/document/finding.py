"""Findings in full: what happened, the proof, what to do."""

from collections.abc import Iterator

from analyzer.diagnosis import Diagnosis, Finding, Level, Step
from analyzer.reports.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    SequenceChart,
    Table,
)
from analyzer.reports.document.bounds import MOST_NOTICED, left_out
from analyzer.reports.document.recording import clock
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

    def __init__(self, diagnosis: Diagnosis) -> None:
        self._diagnosis = diagnosis
        self._told: set[Finding | None] = set()
        self._explained: dict[str, str] = {}

    def tell(self, finding: Finding | None, passed: SequenceChart | None = None) -> Iterator[Block]:
        """A finding in full, nothing where it was told before. passed: the picture that its proof
        leads to.
        """
        if finding is None or finding in self._told:
            return
        self._told.add(finding)
        yield Heading(finding.title)
        yield Paragraph(finding.what_happened)
        if finding.evidence:
            yield Heading("Why we think so", 3)
            yield _proof(self._diagnosis, finding, passed)
        if finding.rule in self._explained:
            before = self._explained[finding.rule]
            yield Paragraph(f'Causes and steps are those under "{before}" above.')
            return
        self._explained[finding.rule] = finding.title
        yield from _explanation(finding)

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


def _explanation(finding: Finding) -> Iterator[Block]:
    if finding.likely_causes:
        yield Heading("Likely causes, most likely first", 3)
        yield Listing([Step(text) for text in finding.likely_causes])
    if finding.also_fits:
        yield Heading("What would look the same", 3)
        yield Listing([Step(text) for text in finding.also_fits])
    yield Heading("What to do", 3)
    yield from general_cautions(finding)
    yield Listing(finding.what_to_do, numbered=True)
    if finding.confirm.text:
        yield Heading("The test that decides", 3)
        yield Listing([finding.confirm])


def general_cautions(finding: Finding) -> Iterator[Block]:
    """The cautions that belong to no single step."""
    beside = {step.caution for step in [*finding.what_to_do, finding.confirm]}
    yield from (one for one in finding.cautions if one not in beside)


def _proof(diagnosis: Diagnosis, finding: Finding, passed: SequenceChart | None) -> Table:
    named = passed.events if passed is not None else ()
    names = {one.frame: one.name for one in named if one.name}
    rows = []
    for one in finding.evidence:
        when = clock(diagnosis, one.moment)
        rows.append((f"{one.moment.frame:,}", f"{one.moment.seconds:.3f}", when, one.text))
    events = [names.pop(one.moment.frame, "") for one in finding.evidence]
    return Table(("Frame", "Seconds", "UTC", "What it shows"), rows, events)
