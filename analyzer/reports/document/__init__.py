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
from analyzer.reports.document.linkup import durations, link_up
from analyzer.reports.document.parties import how_known, nobody, which_pc
from analyzer.reports.document.recording import Clock, comments, pieces, what_it_is
from analyzer.reports.document.several import overview
from analyzer.reports.document.stations import station_table
from analyzer.reports.document.untold import cannot_tell
from analyzer.reports.document.verdict import told_in_full, worst_first
from analyzer.reports.overview import strip
from analyzer.reports.sequence import Charts
from analyzer.words import clean, quoted

NOT_RECORDINGS = "What came along and could not be used"


def report(
    diagnoses: Sequence[Diagnosis],
    everything: bool = False,
    pictures: bool = False,
    made: Sequence[str] = (),
    refused: Sequence[str] = (),
    zone: tzinfo | None = UTC,
) -> list[Block]:
    """The document for one or several recordings; everything: all link-ups, findings and stations
    in full; pictures: with those that only a page can show; made: by which version and with which
    options, told at the end; refused: a line for each thing that came with them and is no
    recording; zone: that of the times, None for this machine's own.
    """
    blocks = [
        block
        for number, one in enumerate(diagnoses, 1)
        for block in _recording(one, str(number), everything, pictures, zone)
    ]
    blocks += refusals(refused)
    if made:
        hashes = [f"{quoted(one.facts.file)}: SHA-256 {one.facts.sha256}" for one in diagnoses]
        told = [Step(clean(text)) for text in (*made, *hashes)]
        blocks += [Heading("How this report was made"), Listing(told)]
    return list(safely(blocks))


def refusals(lines: Sequence[str]) -> Iterator[Block]:
    """What came along and is no recording, a line each."""
    if lines:
        yield Heading(NOT_RECORDINGS)
        yield Listing([Step(text) for text in lines])


def _recording(
    diagnosis: Diagnosis, number: str, everything: bool, pictures: bool, zone: tzinfo | None
) -> Iterator[Block]:
    outcomes = worst_first(diagnosis.outcomes)
    findings = Findings(diagnosis, Clock(diagnosis, zone))
    charts = Charts(diagnosis)
    in_time = strip(diagnosis) if pictures else None
    pictured = pictures or everything
    yield Heading(quoted(diagnosis.facts.file), 1)
    yield Paragraph(what_it_is(diagnosis, zone))
    yield from comments(diagnosis)
    yield from pieces(diagnosis, everything)
    if not outcomes:
        yield Paragraph(nobody(diagnosis))
    if len(outcomes) > 1:
        yield from overview(outcomes, everything, diagnosis.case.pc_unknown)
    for place, one in enumerate(outcomes if everything else told_in_full(outcomes), 1):
        passed = charts.of(one, f"event-{number}-{place}") if pictured else None
        known = how_known(diagnosis, one.linkup)
        yield from link_up(one, known, differences(one.linkup), everything)
        yield from findings.tell(one.fault or one.warning, passed if pictures else None)
        if passed is not None:
            yield Heading(passed.title)
            yield from () if in_time is None else (in_time,)
            yield passed
            in_time = None
        if pictured:
            yield from durations(one)
    yield from () if in_time is None else (in_time,)
    for finding in diagnosis.findings if everything else unled(diagnosis):
        yield from findings.tell(finding)
    yield from findings.the_rest()
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
