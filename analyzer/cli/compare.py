"""whynolink compare: a recording that works and one that does not -> what differs."""

from collections.abc import Sequence
from dataclasses import replace

import click

from analyzer.cli.options import format_option, limit_option, output_option, told_by
from analyzer.cli.reading import STANDARD_INPUT, single
from analyzer.cli.writing import keep_inputs, write
from analyzer.comparison import Remark, compare, says_more, wanted
from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT
from analyzer.errors import BadOption
from analyzer.reports import comparison
from analyzer.reports.to_text import to_text


@click.command(name="compare")
@click.argument("working")
@click.argument("failing")
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller; given twice, first that of WORKING, then that of FAILING.",
)
@click.option("--pc", "pcs", metavar="ADDRESS", multiple=True, help="The PC; twice as well.")
@format_option("A text to read, JSON for other programs, or a page.", "json", "html")
@output_option
@limit_option
def command(
    working: str,
    failing: str,
    controllers: Sequence[str],
    pcs: Sequence[str],
    layout: str,
    output: str | None,
    limit: int,
) -> int:
    """Say what differs first between a recording that works and one that does not.

    Each may be a parcel that holds one recording.

    Exit status: 0 both work, 1 a difference that matters was found, 2 input or options unusable, 3
    none was found, or the two cannot be compared.
    """
    keep_inputs(output, (working, failing))
    told = [
        told_by([one] if one else [], pc)
        for one, pc in zip(_each(controllers, "--controller"), _each(pcs, "--pc"), strict=True)
    ]
    works, fails = single(working, told[0], limit), single(failing, told[1], limit)
    called = wanted(works, fails)
    if called is not None and not controllers and failing != STANDARD_INPUT:
        again = single(failing, replace(called, pc=told[1].pc), limit)
        fails = again if says_more(again, fails) else fails
    compared = compare(works, fails)
    match layout:
        case "json":
            text = comparison.to_json(compared)
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            text = to_html(comparison.document(compared))
        case _:
            text = to_text(comparison.document(compared))
    write(text, output)
    if Remark.BOTH_WORK in compared.remarks:
        return NO_FAULT
    return FAULT if compared.first or compared.fault else CANNOT_TELL


def _each(given: Sequence[str], option: str) -> tuple[str | None, str | None]:
    """What was told of the first and of the second recording: once for both, or once for each."""
    if len(given) > 2:
        raise BadOption("is given more than twice.", option, "Give it once or twice.")
    return (given[0], given[-1]) if given else (None, None)
