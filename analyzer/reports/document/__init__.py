"""A diagnosis -> one document. Here is the order in which things are told; their words are decided
in the files beside this one, a subject each.

A document is a list of blocks. Renderers turn blocks into characters and add no words.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, tzinfo

from analyzer.diagnosis import Diagnosis, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, safely
from analyzer.reports.differences import differences
from analyzer.reports.document.another import GOOD_RECORDING, calls_for_another
from analyzer.reports.document.finding import Findings, unled
from analyzer.reports.document.incidents import breaks
from analyzer.reports.document.linkup import durations, link_up
from analyzer.reports.document.parties import how_known, nobody, which_pc
from analyzer.reports.document.recording import Clock, about
from analyzer.reports.document.several import overview
from analyzer.reports.document.stations import station_table
from analyzer.reports.document.untold import cannot_tell
from analyzer.reports.document.verdict import told_in_full, worst_first
from analyzer.reports.sequence import Charts
from analyzer.words import clean, quoted

NOT_RECORDINGS = "What came along and could not be used"


def report(
    diagnoses: Sequence[Diagnosis],
    everything: bool = False,
    refused: Sequence[str] = (),
    zone: tzinfo | None = UTC,
) -> list[Block]:
    """The document for one or several recordings; everything: all link-ups, findings and stations
    in full; refused: a line for each thing that came with them and is no recording; zone: that of
    the times, None for this machine's own.
    """
    blocks = [
        block
        for number, one in enumerate(diagnoses, 1)
        for block in _recording(one, str(number), everything, zone)
    ]
    blocks += refusals(refused)
    return list(safely(blocks))


def how_made(diagnoses: Sequence[Diagnosis], made: Sequence[str]) -> Iterator[Block]:
    """By which version, with which options, and of which recordings; nothing where made is not
    told.
    """
    if made:
        hashes = [f"{quoted(one.facts.file)}: SHA-256 {one.facts.sha256}" for one in diagnoses]
        yield Heading("How this report was made")
        yield Listing([Step(clean(text)) for text in (*made, *hashes)])


def refusals(lines: Sequence[str]) -> Iterator[Block]:
    """What came along and is no recording, a line each."""
    if lines:
        yield Heading(NOT_RECORDINGS)
        yield Listing([Step(text) for text in lines])


def _recording(
    diagnosis: Diagnosis, number: str, everything: bool, zone: tzinfo | None
) -> Iterator[Block]:
    outcomes = worst_first(diagnosis.outcomes)
    clock = Clock(diagnosis, zone)
    findings = Findings(diagnosis, clock)
    charts = Charts(diagnosis)
    yield Heading(quoted(diagnosis.facts.file), 1)
    yield from about(diagnosis, everything, zone)
    if not outcomes:
        yield Paragraph(nobody(diagnosis))
    if len(outcomes) > 1:
        yield from overview(outcomes, everything, diagnosis.case.pc_unknown)
    for place, one in enumerate(outcomes if everything else told_in_full(outcomes), 1):
        passed = charts.of(one, f"event-{number}-{place}") if everything else None
        known = how_known(diagnosis, one.linkup)
        yield from link_up(one, known, differences(one.linkup), everything)
        yield from breaks(one, clock, None if everything else 0)
        yield from findings.tell(one.fault or one.warning)
        if passed is not None:
            yield Heading(passed.title)
            yield passed
        if everything:
            yield from durations(one)
    for finding in diagnosis.findings if everything else unled(diagnosis):
        yield from findings.tell(finding)
    yield from findings.the_rest()
    yield from the_rest(diagnosis, everything)


def the_rest(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    """Who else is there, what the recording cannot tell, and how to make a better one."""
    outcomes = worst_first(diagnosis.outcomes)
    yield from station_table(diagnosis, everything)
    narrower = which_pc(diagnosis)
    if narrower is not None:
        yield Heading("Which one is your PC?")
        yield Paragraph(narrower)
    yield Heading("What this recording cannot tell")
    yield Listing([Step(text) for text in cannot_tell(diagnosis, outcomes, everything)])
    if calls_for_another(diagnosis):
        yield Heading("How to make a good recording")
        yield Listing(GOOD_RECORDING, numbered=True)
