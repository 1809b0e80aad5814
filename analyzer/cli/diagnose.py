"""whynolink diagnose: recordings -> reports."""

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import tzinfo

import click

from analyzer.cli import complain
from analyzer.cli.options import (
    by_example,
    controllers_option,
    format_option,
    house_option,
    limit_option,
    output_option,
    pc_option,
    site_option,
    told_by,
    utc_option,
)
from analyzer.cli.reading import diagnosed
from analyzer.cli.writing import keep_inputs, made_with, show_page, worst, write, write_sheet
from analyzer.diagnosis import UNUSABLE, Diagnosis
from analyzer.errors import BadOption, NotARecording
from analyzer.inputs.limits import RAISE
from analyzer.inputs.parcels import Limits
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.page import page
from analyzer.reports.to_text import to_text

LETTERS = ("letter", "eml")
"""Layouts that leave the desk: what lies on it is not named there by its own name."""
MOST_COMPLAINTS = 20
"""Lines about things that are no recordings; more are only counted."""
FEW_ALIKE = 3
"""Things that a line is said about each, although the same is said of all."""


@contextmanager
def _kept_to_the_end() -> Iterator[None]:
    """What is made stays to the end: that Python's garbage collector looks through it again and
    again takes a fifth of the time.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


@click.command(
    name="diagnose",
    epilog=by_example(
        "whynolink recording.pcapng --controller 192.0.2.60:502",
        "whynolink recording.pcapng --pc 192.0.2.15 --all",
        "whynolink recording.pcapng --site site.toml --open",
        "whynolink mail.eml --format letter --house house.toml",
        "whynolink mail.eml --format eml --output reply.eml",
        "whynolink monday.pcap tuesday.pcap.gz --format json",
        "whynolink good.pcapng --write-site site.toml",
        "whynolink parcel.zip --limit 10",
    ),
)
@click.argument("inputs", metavar="INPUT...", nargs=-1, required=True)
@controllers_option
@pc_option
@site_option
@click.option(
    "--write-site",
    "new_sheet",
    metavar="PATH",
    help="Write a site sheet of what a good recording shows.",
)
@format_option(
    "A text to read, JSON for other programs, a page with pictures, a reply to the site, or a mail "
    "draft of that reply with the page attached.",
    "json",
    "html",
    *LETTERS,
)
@house_option
@output_option
@limit_option
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Tell everything, with the proof: every connection, finding and station.",
)
@click.option(
    "--open",
    "shown",
    is_flag=True,
    help="Show the page with pictures in the browser, too. It is kept with temporary files.",
)
@utc_option
@_kept_to_the_end()
def command(
    inputs: Sequence[str],
    controllers: Sequence[str],
    pc: str | None,
    sheet: str | None,
    new_sheet: str | None,
    layout: str,
    house: str | None,
    output: str | None,
    limit: int,
    everything: bool,
    shown: bool,
    zone: tzinfo | None,
) -> int:
    """Diagnose recordings; "-" is standard input.

    An INPUT is a recording, or a parcel with recordings: a folder, a ZIP or tar archive, a mail.

    Exit status: 0 no fault found, 1 at least one fault, 2 input or options unusable, 3 cannot tell.
    """
    told = told_by(controllers, pc, sheet)
    keep_inputs(output, [*inputs, *filter(None, (sheet, house))])
    desk = None
    if layout in LETTERS:
        from analyzer.cli.replying import Desk

        desk = Desk(inputs, house)
    elif house is not None:
        todo = f"Add --format {' or --format '.join(LETTERS)}."
        raise BadOption("is for letters.", "--house", todo)
    diagnoses: list[Diagnosis] = []
    refused: list[NotARecording] = []
    unusable = 0
    for name in inputs:
        found = list(diagnosed(name, told, Limits(limit)))
        usable = [one for one in found if isinstance(one, Diagnosis)]
        diagnoses += usable
        refused += [one for one in found if isinstance(one, NotARecording)]
        if desk is not None:
            desk.take(name, found)
        unusable = unusable if usable else UNUSABLE
    _complain_of(refused)
    if diagnoses:
        made = made_with(controllers, pc, limit, sheet)
        on_screen = layout == "text" and output is None
        beside = [] if on_screen else refused
        if desk is not None:
            text = desk.reply(made, everything, as_draft=layout == "eml")
        else:
            text = _render(layout, diagnoses, everything, made, beside, zone)
        write(text, output)
        if shown:
            show_page(_render("html", diagnoses, everything, made, refused, zone))
    if new_sheet is not None:
        from analyzer.reports.sheet import sheet as sheet_shown

        write_sheet(sheet_shown(diagnoses), new_sheet)
    return unusable or worst([one.status for one in diagnoses])


def _complain_of(refused: Sequence[NotARecording]) -> None:
    """What many things have in common is said once. A limit that was reached comes first: of many
    lines only some are shown.
    """
    alike: dict[tuple[str, str], list[NotARecording]] = {}
    for problem in sorted(refused, key=lambda problem: problem.todo != RAISE):
        alike.setdefault((problem.what, problem.todo), []).append(problem)
    lines = [line for problems in alike.values() for line in _lines(problems)]
    for first, *others in lines[:MOST_COMPLAINTS]:
        complain(f"{first} The same holds for {len(others):,} more." if others else str(first))
    untold = sum(map(len, lines[MOST_COMPLAINTS:]))
    if untold:
        complain(f"{untold:,} more files are no recordings.")


def _lines(alike: list[NotARecording]) -> list[list[NotARecording]]:
    """What each line is about: all of many, one of a few."""
    return [alike] if len(alike) > FEW_ALIKE else [[one] for one in alike]


def _render(
    layout: str,
    diagnoses: Sequence[Diagnosis],
    everything: bool,
    made: Sequence[str],
    refused: Sequence[NotARecording],
    zone: tzinfo | None,
) -> str:
    lines = [str(one) for one in refused]
    match layout:
        case "json":
            from analyzer.reports.to_json import to_json

            return to_json(diagnoses, [(one.where, one.what, one.todo) for one in refused])
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(page(diagnoses, everything, made, lines, zone))
    if everything:
        return to_text(in_full(diagnoses, zone, lines))
    return to_text(in_short(diagnoses, zone=zone, refused=lines))
