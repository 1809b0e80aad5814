"""Several link-ups at a glance."""

from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Diagnosis, Level, Outcome, Verdict
from analyzer.reports.blocks import Block, Heading, Paragraph, Table
from analyzer.reports.document.bounds import FEW, MOST_ROWS, first
from analyzer.reports.document.verdict import (
    CONTROLLER,
    NAMES,
    STILL_TROUBLE,
    WARNED,
    WORST_FIRST,
    because_of,
    capital,
    counted,
    far_end,
    short_verdict,
    worst_first,
)
from analyzer.words import LONGEST_NAME, count, quoted


def overview(
    outcomes: Sequence[Outcome], everything: bool, is_open: bool, links: Sequence[str] = ()
) -> Iterator[Block]:
    """How many ended how, and a row for each, in the order given: the worst first. is_open: whether
    each caller is taken for the PC: then a row names it. links: where each is told in full.
    """
    what = "connections" if is_open or _column(outcomes) != CALLED else "controllers"
    yield Heading(f"{len(outcomes):,} {what}: {counted(outcomes)}")
    shown = first(outcomes, MOST_ROWS, everything)
    header: tuple[str, ...] = (_column(shown), "Port", "Verdict", "Stage", "Why")
    rows = [_row(one) for one in shown]
    if is_open:
        header = ("PC", *header)
        rows = [(_pc(one), *row) for one, row in zip(shown, rows, strict=True)]
    yield Table(header, rows, links=links[: len(rows)])
    if len(shown) < len(outcomes):
        yield Paragraph(
            f"{len(outcomes) - len(shown):,} more, none of them worse: --all lists them, and tells "
            "every connection in full."
        )
    works = all(one.verdict is Verdict.COMPLETE for one in outcomes)
    if works and len(outcomes) > FEW:
        yield Paragraph(STILL_TROUBLE)


CALLED, FAR_END = capital(CONTROLLER), "Far end"


def _column(outcomes: Sequence[Outcome]) -> str:
    """What a column of far ends is called: one of them may be a server of the network."""
    others = any(far_end(one.linkup) != CONTROLLER for one in outcomes)
    return FAR_END if others else CALLED


def _pc(outcome: Outcome) -> str:
    linkup = outcome.linkup
    return str(linkup.pc_address or linkup.pc.hardware or "-")


def _row(outcome: Outcome) -> tuple[str, ...]:
    stage = NAMES[outcome.stopped_at] if outcome.stopped_at else "-"
    verdict, target = short_verdict(outcome), outcome.linkup.target
    leads = outcome.warning if verdict == WARNED else outcome.fault
    why = leads.title if leads else because_of(outcome)
    return str(target.address), str(target.port or "-"), verdict, stage, why


def recordings(diagnoses: Sequence[Diagnosis], links: Sequence[str] = ()) -> Iterator[Block]:
    """Several recordings at a glance, a row for each, the worst first. links: where each is told;
    then none is left out.
    """
    places = sorted(range(len(diagnoses)), key=lambda place: _badness(diagnoses[place]))
    shown = places if links else places[:MOST_ROWS]
    yield Heading(count(len(diagnoses), "recording"))
    told = [diagnoses[place] for place in shown]
    worst = [one for each in told for one in worst_first(each.outcomes)[:1]]
    header = ("File", _column(worst), "Port", "Verdict", "Stage", "Why")
    rows = list(map(_recording, told))
    yield Table(header, rows, links=[links[place] for place in shown if links], name_above=True)
    if len(shown) < len(diagnoses):
        yield Paragraph(f"{len(diagnoses) - len(shown):,} more, none of them worse: add --all.")


def worst_recording(diagnoses: Sequence[Diagnosis]) -> Diagnosis:
    """The one that matters most."""
    return min(diagnoses, key=_badness)


def _recording(diagnosis: Diagnosis) -> tuple[str, ...]:
    name = quoted(diagnosis.facts.file, LONGEST_NAME)
    outcomes = worst_first(diagnosis.outcomes)
    if outcomes:
        controller, *rest = _row(outcomes[0])
        more = f" and {len(outcomes) - 1:,} more" if len(outcomes) > 1 else ""
        return name, f"{controller}{more}", *rest
    why = next((f"{one.title}" for one in diagnosis.findings), "No controller was found")
    return name, "-", "-", str(Verdict.CANNOT_TELL), "-", why


def _badness(diagnosis: Diagnosis) -> tuple[bool, int]:
    """What is judged by its worst connection; one without any connection, by whether it has a
    fault.
    """
    has_fault = any(one.level is Level.FAULT for one in diagnosis.findings)
    verdicts = [WORST_FIRST.index(short_verdict(one)) for one in diagnosis.outcomes]
    return not has_fault, min(verdicts, default=WORST_FIRST.index(Verdict.CANNOT_TELL))
