"""Several link-ups at a glance."""

from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Outcome, Stage, Verdict
from analyzer.reports.blocks import Block, Heading, Paragraph, Table
from analyzer.reports.document.bounds import FEW, MOST_ROWS, first
from analyzer.reports.document.verdict import (
    STILL_TROUBLE,
    WARNED,
    because_of,
    counted,
    short_verdict,
)


def overview(outcomes: Sequence[Outcome], everything: bool, is_open: bool) -> Iterator[Block]:
    """How many ended how, and a row for each, in the order given: the worst first. is_open: whether
    each caller is taken for the PC: then a row names it.
    """
    what = "connections" if is_open else "controllers"
    yield Heading(f"{len(outcomes):,} {what}: {counted(outcomes)}")
    shown = first(outcomes, MOST_ROWS, everything)
    header: tuple[str, ...] = ("Controller", "Port", "Verdict", "Stage", "Why")
    rows = [_row(one) for one in shown]
    if is_open:
        header = ("PC", *header)
        rows = [(_pc(one), *row) for one, row in zip(shown, rows, strict=True)]
    yield Table(header, rows)
    if len(shown) < len(outcomes):
        yield Paragraph(
            f"{len(outcomes) - len(shown):,} more, none of them worse: --all lists them, and tells "
            "every link-up in full."
        )
    works = all(one.verdict is Verdict.COMPLETE for one in outcomes)
    if works and len(outcomes) > FEW:
        yield Paragraph(STILL_TROUBLE)


def _pc(outcome: Outcome) -> str:
    linkup = outcome.linkup
    return str(linkup.pc_address or linkup.pc.hardware or "-")


def _row(outcome: Outcome) -> tuple[str, ...]:
    stage = list(Stage).index(outcome.stopped_at) + 1 if outcome.stopped_at else "-"
    verdict, target = short_verdict(outcome), outcome.linkup.target
    leads = outcome.warning if verdict == WARNED else outcome.fault
    why = leads.title if leads else because_of(outcome)
    return str(target.address), str(target.port or "-"), verdict, str(stage), why
