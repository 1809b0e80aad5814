"""whynolink triage: many recordings -> one table."""

import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from tempfile import TemporaryFile
from typing import TypeVar
from urllib.parse import quote

import click

from analyzer.cli import complain
from analyzer.cli.options import (
    by_example,
    controllers_option,
    format_option,
    limit_option,
    output_option,
    pc_option,
    told_by,
    utc_option,
)
from analyzer.cli.writing import is_same_file, made_with, worst, write
from analyzer.diagnosis import UNUSABLE
from analyzer.errors import BadOption, NotARecording, Unusable
from analyzer.inputs.parcels import unpack
from analyzer.inputs.records import Recording
from analyzer.reports.over_files import Broken, Together, together
from analyzer.reports.ranking import columns, ranked, ranking, ranking_page, rows_to_json
from analyzer.reports.row import Row
from analyzer.reports.to_csv import to_csv
from analyzer.reports.to_text import to_text
from analyzer.triage import (
    Order,
    Sent,
    Workers,
    files_in,
    fingerprint,
    joined,
    look_through,
    triage,
)
from analyzer.triage.files import is_folder
from analyzer.words import clean
from rules import all_rules

Item = TypeVar("Item")


@click.command(
    name="triage",
    epilog=by_example(
        "whynolink triage FOLDER",
        "whynolink triage FOLDER --format html --output table.html --reports pages",
        "whynolink triage FOLDER --format csv --output table.csv",
    ),
)
@click.argument("inputs", metavar="FOLDER_OR_FILE...", nargs=-1, required=True)
@controllers_option
@pc_option
@format_option(
    "A text to read, a page, JSON for other programs, or a table for a spreadsheet.",
    "html",
    "json",
    "csv",
)
@output_option
@click.option(
    "--reports",
    metavar="FOLDER",
    help="Write the page of each recording there; table and pages link to each other.",
)
@click.option(
    "--keep", metavar="FOLDER", help="Keep results there, not in your own folder for settings."
)
@limit_option
@utc_option
def command(
    inputs: Sequence[str],
    controllers: Sequence[str],
    pc: str | None,
    layout: str,
    output: str | None,
    reports: str | None,
    keep: str | None,
    limit: int,
    zone: tzinfo | None,
) -> int:
    """Review many recordings side by side: one table, worst first.

    Parcels are opened. Hidden files in folders are left out. Results are kept; stopped and started
    again, it takes up where it was. Exit status as of diagnose.
    """
    order = Order(
        rules=all_rules,
        told=told_by(controllers, pc),
        made=made_with(controllers, pc, limit),
        limit=limit,
        judged_by=fingerprint(all_rules()),
        keep=_keep(keep),
        reports=None if reports is None else _folder(reports, "--reports"),
        table=_back(reports, output) if layout == "html" else "",
        zone=zone,
    )
    if output is not None and (
        any(is_same_file(Path(output), name) for name in inputs) or _is_recording(output)
    ):
        raise BadOption("would be overwritten.", output, "Name another file with --output.")
    for own_folder, option in ((order.reports, "--reports"), (order.keep, "--keep")):
        if own_folder is not None and any(is_same_file(own_folder, name) for name in inputs):
            todo = f"Name another {option}, which may lie in it."
            raise BadOption("is the folder to be reviewed.", str(own_folder), todo)
    own = [Path(path) for path in (output, order.reports, order.keep) if path is not None]
    files = files_in(inputs, without=own)
    if not files:
        raise NotARecording("holds no files.", " ".join(inputs), "Name a folder with recordings.")
    if not any(os.path.lexists(path) for one in files for path in one.paths):
        raise NotARecording("does not exist.", " ".join(inputs), "Check the path.")
    found, broken = _reviewed(files, order)
    rows = ranked(found)
    pages = [row.report for row in rows if row.report]
    links = {page: _link(Path(reports or "", page), output) for page in pages}
    folder = inputs[0] if len(inputs) == 1 and is_folder(Path(inputs[0])) else ""
    if layout == "html" and not folder:
        start = _same_folder(inputs)
        rows = [replace(row, file=_inside(row.file, start)) for row in rows]
        broken = [replace(one, file=_inside(one.file, start)) for one in broken]
    whole = together(broken)
    write(_render_rows(layout, rows, links, order, reports, folder, whole), output)
    statuses = [row.status for row in rows]
    if UNUSABLE in statuses:
        unread = f"{statuses.count(UNUSABLE):,} of {len(rows):,}"
        return complain(f"{unread} could not be read: the table says why, and what to do.")
    return worst(statuses)


def _reviewed(files: Sequence[Sent], order: Order) -> tuple[list[Row], list[Broken]]:
    """The rows of all files and what broke in them, with a count and the time left where somebody
    watches.
    """
    rows: list[Row] = []
    broken: list[Broken] = []
    done = kept = 0
    unkept = ""
    try:
        with Workers() as workers:
            looked = look_through(files, order, workers)
            files = joined(_counted("Looking through", looked, len(files)))
            for one in _counted("Reviewing", triage(files, order, workers), len(files)):
                rows += one.rows
                broken += one.broken
                done, kept, unkept = done + 1, kept + one.kept, unkept or one.unkept
    except KeyboardInterrupt:
        what = f"{done:,} of {len(files):,} files are done."
        todo = "The same command goes on from there." if order.keep else ""
        raise Unusable(what, "stopped from the keyboard", todo) from None
    if unkept:
        todo = "Make room, or choose another --keep: the next triage judges them again."
        complain(f"not all results are kept in {order.keep}: {unkept}. {todo}")
    elif sys.stderr.isatty() and order.keep is not None:
        taken = f"{kept:,} of {len(files):,} were there already" if kept else "none was there yet"
        click.echo(f"Results are kept in {clean(str(order.keep))} ({taken}).", err=True)
    return rows, broken


def _counted(label: str, items: Iterable[Item], number: int) -> Iterator[Item]:
    """The same items, with a bar on a terminal."""
    with click.progressbar(
        items,
        length=number,
        label=label,
        show_pos=True,
        file=sys.stderr,
        hidden=not sys.stderr.isatty(),
    ) as bar:
        yield from bar


def _render_rows(
    layout: str,
    rows: Sequence[Row],
    links: Mapping[str, str],
    order: Order,
    reports: str | None,
    folder: str,
    whole: Sequence[Together],
) -> str:
    match layout:
        case "json":
            return rows_to_json(rows, links, whole)
        case "csv":
            return to_csv(columns(rows, links))
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(ranking_page(rows, order.made, links, whole, order.zone))
    return to_text(ranking(rows, order.made, reports or "", folder, whole, order.zone))


def _same_folder(inputs: Sequence[str]) -> str:
    """The folder in which all inputs lie, empty where there is none."""
    try:
        return os.path.commonpath([Path(name).parent for name in inputs])
    except ValueError:  # on several drives, or from here and from the top
        return ""


def _inside(name: str, folder: str) -> str:
    """A name that begins inside a folder: a page may go to people who have no such folder."""
    return name.removeprefix(folder).lstrip(os.sep) if folder else name


def _keep(folder: str | None) -> Path | None:
    """Where results are kept; a folder that nobody named may be missing."""
    if folder is not None:
        return _folder(folder, "--keep")
    try:
        own = Path(click.get_app_dir("whynolink", roaming=False), "triage")
        return _folder(str(own), "--keep")
    except BadOption as problem:
        click.echo(f"whynolink: results are not kept. {clean(str(problem))}", err=True)
        return None


def _folder(text: str, option: str) -> Path:
    """A folder that can be written to, made where it is missing."""
    try:
        folder = Path(text)
        folder.mkdir(parents=True, exist_ok=True)
        TemporaryFile(dir=folder).close()
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable folder name"
        raise BadOption(f"cannot be written: {why}.", text, f"Choose another {option}.") from None
    return folder


def _link(page: Path, output: str | None) -> str:
    """The address of a page from where the table lies."""
    return _address(page, Path.cwd() if output is None else Path(output).parent.resolve())


def _back(reports: str | None, output: str | None) -> str:
    """The address of the table from where the pages lie; empty where it lies nowhere."""
    if reports is None or output is None:
        return ""
    return _address(Path(output), Path(reports).resolve())


def _address(page: Path, start: Path) -> str:
    try:
        return quote(os.fsencode(Path(os.path.relpath(page.resolve(), start)).as_posix()))
    except ValueError:  # on another drive
        return page.resolve().as_uri()


def _is_recording(name: str) -> bool:
    """Whether a file is a recording, or holds one."""
    try:
        return Path(name).is_file() and any(
            isinstance(one, Recording) for one in unpack(Path(name), name)
        )
    except (OSError, ValueError):
        return False
