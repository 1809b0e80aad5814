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


def overview(outcomes: Sequence[Outcome], everything: bool) -> Iterator[Block]:
    """How many ended how, and a row for each, in the order given: the worst first."""
    yield Heading(f"{len(outcomes):,} controllers: {counted(outcomes)}")
    shown = first(outcomes, MOST_ROWS, everything)
    yield Table(("Controller", "Port", "Verdict", "Stage", "Why"), [_row(one) for one in shown])
    if len(shown) < len(outcomes):
        yield Paragraph(
            f"{len(outcomes) - len(shown):,} more, none of them worse: --all lists them, and tells "
            "every link-up in full."
        )
    works = all(one.verdict is Verdict.COMPLETE for one in outcomes)
    if works and len(outcomes) > FEW:
        yield Paragraph(STILL_TROUBLE)


def _row(outcome: Outcome) -> tuple[str, ...]:
    stage = list(Stage).index(outcome.stopped_at) + 1 if outcome.stopped_at else "-"
    verdict, target = short_verdict(outcome), outcome.linkup.target
    leads = outcome.warning if verdict == WARNED else outcome.fault
    why = leads.title if leads else because_of(outcome)
    return str(target.address), str(target.port or "-"), verdict, str(stage), why
