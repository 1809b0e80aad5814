"""whynolink compare: one recording and another, in any order -> what differs."""

from collections.abc import Sequence
from dataclasses import replace

import click

from analyzer.cli.options import by_example, format_option, limit_option, output_option, told_by
from analyzer.cli.reading import STANDARD_INPUT, check_single, diagnosed, single, unpacked
from analyzer.cli.writing import keep_inputs, write
from analyzer.comparison import (
    Comparison,
    Remark,
    Stretch,
    beside_a_break,
    compare,
    says_more,
    wanted,
)
from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, diagnose
from analyzer.errors import BadOption, NotARecording
from analyzer.inputs.parcels import Limits
from analyzer.inputs.records import Recording, cut_out
from analyzer.linkup import Told
from analyzer.reports import comparison
from analyzer.reports.to_text import to_text
from analyzer.words import count, seconds
from rules import all_rules


@click.command(
    name="compare",
    short_help="Say what differs first between two recordings.",
    epilog=by_example(
        "whynolink compare monday.pcapng tuesday.pcapng",
        "whynolink compare works.pcapng mail.eml --controller 192.0.2.60:502",
        "whynolink compare one.pcapng other.pcapng --format html --output differs.html",
        "whynolink compare night.pcapng --break 3",
    ),
)
@click.argument("one")
@click.argument("other", required=False)
@click.option(
    "--break",
    "number",
    type=click.IntRange(1),
    metavar="NUMBER",
    help="Instead of OTHER: the break of ONE that is held against a calm stretch of it.",
)
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller; given twice, first that of ONE, then that of OTHER.",
)
@click.option("--pc", "pcs", metavar="ADDRESS", multiple=True, help="The PC; twice as well.")
@format_option("A text to read, JSON for other programs, or a page.", "json", "html")
@output_option
@limit_option
def command(
    one: str,
    other: str | None,
    number: int | None,
    controllers: Sequence[str],
    pcs: Sequence[str],
    layout: str,
    output: str | None,
    limit: int,
) -> int:
    """Say what differs first between a recording that works and one that does not.

    They may be given in any order. Each may be a parcel, of which one may hold several recordings:
    each of them is compared with the other input. Where neither works: what is better or worse in
    the later one. Of a recording in which the connection breaks now and then, a break is held
    against a stretch in which nothing broke.

    Exit status: 0 all work, 1 a difference that matters was found, 2 input or options unusable, 3
    none was found, or they cannot be compared.
    """
    if (other is None) is (number is None):
        raise click.UsageError("Missing argument 'OTHER', or --break, and not both.")
    keep_inputs(output, [one] if other is None else [one, other])
    if other is None or number is not None:
        told = told_by(controllers[:1], pcs[0] if pcs else None)
        compared = [_with_calm(one, number or 1, told, limit)]
    else:
        compared = _with_other(one, other, controllers, pcs, limit)
    write(_render(layout, compared), output)
    return _status(compared)


def _with_calm(name: str, number: int, told: Told, limit: int) -> Comparison:
    """A break beside a stretch of the same recording in which nothing broke."""
    if name == STANDARD_INPUT:
        todo = "Give the name of a file: it is read more than once."
        raise BadOption("a stream cannot be compared with itself.", name, todo)
    whole = single(name, told, limit)
    outcome = max(whole.outcomes, key=lambda one: one.incidents.count, default=None)
    breaks = 0 if outcome is None else len(outcome.incidents.kept)
    if outcome is None or number > breaks:
        todo = "The report of the recording lists its breaks."
        raise BadOption(f"shows {count(breaks, 'break')}.", name, todo)
    parts = beside_a_break(outcome, number)
    if parts is None:
        todo = "Compare it with another recording, in which it works."
        raise BadOption("works nowhere long enough to compare.", name, todo)
    target = outcome.linkup.target
    told = Told(((target.address, target.port),), told.pc or outcome.linkup.pc_address)
    began = whole.facts.coverage.began or 0
    return compare(*(_part(name, part, began, told, limit) for part in parts))


def _part(name: str, part: Stretch, began: int, told: Told, limit: int) -> Diagnosis:
    """The diagnosis of a part of a recording; began: nanoseconds since 1970."""
    begin, end = (began + round(at * 1e9) for at in part)
    items = unpacked(name, Limits(limit))
    recording = next(one for one in items if isinstance(one, Recording))
    cut_out(recording, begin, end)
    recording.name += f", {seconds(part.begin)} to {seconds(part.end)}"
    return diagnose(recording, all_rules(), told)


def _with_other(
    one: str, other: str, controllers: Sequence[str], pcs: Sequence[str], limit: int
) -> list[Comparison]:
    """Every recording of an input beside every one of another."""
    told = [
        told_by([at] if at else [], pc)
        for at, pc in zip(_each(controllers, "--controller"), _each(pcs, "--pc"), strict=True)
    ]
    sides = [_all_of(name, known, limit) for name, known in zip((one, other), told, strict=True)]
    if min(map(len, sides)) > 1:
        todo = "Name one recording on one side, and the parcel on the other."
        raise NotARecording(f"and {other} hold several recordings each.", one, todo)
    if not controllers:
        sides = [
            _looked_for(name, works, fails, known, limit)
            for name, works, fails, known in zip(
                (one, other), sides[::-1], sides, told, strict=True
            )
        ]
    return [compare(here, there) for here in sides[0] for there in sides[1]]


def _all_of(name: str, told: Told, limit: int) -> list[Diagnosis]:
    """Every recording of an input, diagnosed. Raises Unusable where it holds none."""
    found = list(diagnosed(name, told, Limits(limit)))
    recordings = [one for one in found if isinstance(one, Diagnosis)]
    if not recordings:
        check_single(name, found)
    return recordings


def _looked_for(
    name: str, works: Sequence[Diagnosis], found: list[Diagnosis], told: Told, limit: int
) -> list[Diagnosis]:
    """The recordings of one input. Those that are not about whom the PC calls in the other one,
    where it works, are diagnosed again.
    """
    calls = [wanted(works[0], one) if len(works) == 1 else None for one in found]
    called = next(filter(None, calls), None)
    if called is None or name == STANDARD_INPUT:
        return found
    again = _all_of(name, replace(called, pc=told.pc), limit)
    looks = zip(calls, again, found, strict=True)
    return [new if call and says_more(new, old) else old for call, new, old in looks]


def _render(layout: str, compared: Sequence[Comparison]) -> str:
    if layout == "json":
        return comparison.to_json(compared)
    blocks = [block for one in compared for block in comparison.document(one)]
    if layout == "html":
        from analyzer.reports.to_html import to_html  # takes long to import

        return to_html(blocks)
    return to_text(blocks)


def _status(compared: Sequence[Comparison]) -> int:
    if any(one.first or one.fault for one in compared):
        return FAULT
    both_work = all(Remark.BOTH_WORK in one.remarks for one in compared)
    return NO_FAULT if both_work else CANNOT_TELL


def _each(given: Sequence[str], option: str) -> tuple[str | None, str | None]:
    """What was told of the first and of the second recording: once for both, or once for each."""
    if len(given) > 2:
        raise BadOption("is given more than twice.", option, "Give it once or twice.")
    return (given[0], given[-1]) if given else (None, None)
