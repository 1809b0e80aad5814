"""The command: parse options, call, print. It decides nothing."""

import os
import string
import sys
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import datetime
from functools import partial
from importlib.resources import files
from io import BytesIO
from ipaddress import IPv4Address
from pathlib import Path
from secrets import token_bytes
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import click

from analyzer import __version__
from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, UNUSABLE, Diagnosis, diagnose
from analyzer.errors import BadOption, NotARecording, Unusable
from analyzer.facts import Address, Hardware
from analyzer.inputs import open_recording
from analyzer.inputs.parcels import Limits, unpack
from analyzer.inputs.records import Chunk, Recording
from analyzer.linkup import Told
from analyzer.reports.document import report
from analyzer.reports.explain import explanation, rule_list
from analyzer.reports.letter import letter
from analyzer.reports.ranking import columns, ranked, ranking, rows_to_json
from analyzer.reports.row import Row
from analyzer.reports.to_csv import to_csv
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from analyzer.site import LARGEST, Adapter, Controller, Site
from analyzer.site import read as read_site
from analyzer.site import write as write_site
from analyzer.words import clean
from rules import all_rules

if TYPE_CHECKING:
    from analyzer.planning import Plan
    from analyzer.triage import Order, Sent

MEGA = 10**6
LONG_WORK = 16 << 20
"""Octets of a file from which on a progress bar is worth its place."""
MOST_COMPLAINTS = 20
"""Lines about things that are no recordings; more are only counted."""
STANDARD_INPUT = "-"


class _OneLine(click.Group):
    """Says what is wrong with a call in one line on standard error, with exit status 2."""

    def main(self, *args: Any, **settings: Any) -> Any:
        settings["standalone_mode"] = False
        try:
            status = super().main(*args, **settings)
        except Unusable as problem:
            status = _complain(*problem.lines)
        except click.exceptions.NoArgsIsHelpError as problem:
            click.echo(problem.format_message())
            status = 0
        except click.ClickException as problem:
            status = _complain(f"{problem.format_message()} See whynolink --help.")
        except click.Abort:
            status = _complain("stopped from the keyboard.")
        sys.exit(status)


def _complain(*lines: str) -> int:
    for line in lines:
        click.echo(f"whynolink: {clean(' '.join(line.split()))}", err=True)
    return UNUSABLE


@click.group(cls=_OneLine, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="whynolink", message="%(prog)s %(version)s")
def main() -> None:
    """Say at which stage link-up from a PC to a controller stopped.

    Reads recordings (pcap, pcapng, gzip) that were made on the PC while it tried to connect. Sends
    nothing, and changes nothing.
    """


controllers_option = click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller that the PC should reach; may be given again.",
)
pc_option = click.option("--pc", metavar="ADDRESS", help="The PC by its IPv4 or hardware address.")
limit_option = click.option(
    "--limit",
    metavar="FACTOR",
    type=click.IntRange(1, 1000),
    default=1,
    show_default=True,
    help="Unpack this many times as much as is usual from a parcel.",
)
site_option = click.option(
    "--site", "sheet", metavar="FILE", help="A site sheet: what is known on site."
)


@main.command(name="diagnose")
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
@click.option(
    "--format",
    "layout",
    type=click.Choice(["text", "json", "html", "letter"]),
    default="text",
    show_default=True,
    help="A text to read, JSON for other programs, a page with pictures, or a reply to the site.",
)
@click.option("--output", metavar="PATH", help="Write to this file, not to the terminal.")
@limit_option
@click.option("--all", "everything", is_flag=True, help="Tell every finding and station in full.")
def diagnose_command(
    inputs: Sequence[str],
    controllers: Sequence[str],
    pc: str | None,
    sheet: str | None,
    new_sheet: str | None,
    layout: str,
    output: str | None,
    limit: int,
    everything: bool,
) -> int:
    """Diagnose recordings; "-" is standard input.

    An INPUT is a recording, or a parcel with recordings: a folder, a ZIP or tar archive, a mail.

    Exit status: 0 no fault found, 1 at least one fault, 2 input or options unusable, 3 cannot tell.
    """
    known = _site(sheet) if sheet is not None else Site()
    told = Told(tuple(_controller(text) for text in controllers), _pc(pc), known)
    if output is not None and any(_is_input(output, name) for name in inputs):
        todo = "Name another file, in another folder, with --output."
        raise BadOption("would be overwritten.", output, todo)
    diagnoses: list[Diagnosis] = []
    refused: list[NotARecording] = []
    unusable = 0
    for name in inputs:
        found = list(_diagnosed(name, told, Limits(limit)))
        usable = [one for one in found if isinstance(one, Diagnosis)]
        diagnoses += usable
        refused += [one for one in found if isinstance(one, NotARecording)]
        unusable = unusable if usable else UNUSABLE
    _complain_of(refused)
    if diagnoses:
        made = _made(controllers, pc, limit, sheet)
        on_screen = layout == "text" and output is None
        beside = [] if on_screen else refused
        _write(_render(layout, diagnoses, everything, made, beside), output)
    if new_sheet is not None:
        from analyzer.reports.sheet import sheet as sheet_shown

        _write_sheet(sheet_shown(diagnoses), new_sheet)
    return unusable or _worst([one.status for one in diagnoses])


def _complain_of(refused: Sequence[NotARecording]) -> None:
    for problem in refused[:MOST_COMPLAINTS]:
        _complain(str(problem))
    if len(refused) > MOST_COMPLAINTS:
        _complain(f"{len(refused) - MOST_COMPLAINTS:,} more files are no recordings.")


def _made(
    controllers: Sequence[str], pc: str | None, limit: int, sheet: str | None = None
) -> tuple[str, str]:
    """By which version and with which options, for the end of a report."""
    told = [f"--controller {text}" for text in controllers] + ([f"--pc {pc}"] if pc else [])
    if limit > 1:
        told.append(f"--limit {limit}")
    if sheet is not None:
        told.append(f"--site {Path(sheet).name}")
    return f"whynolink {__version__}", f"Options: {' '.join(told) or 'none'}"


def _render(
    layout: str,
    diagnoses: Sequence[Diagnosis],
    everything: bool,
    made: Sequence[str],
    refused: Sequence[NotARecording],
) -> str:
    lines = [str(one) for one in refused]
    match layout:
        case "json":
            return to_json(diagnoses, [(one.where, one.what, one.todo) for one in refused])
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(report(diagnoses, everything, pictures=True, made=made, refused=lines))
        case "letter":
            return to_text(letter(diagnoses, lines))
    return to_text(report(diagnoses, everything, refused=lines))


def _worst(statuses: Sequence[int]) -> int:
    """A fault counts before what cannot be told, and that before no fault."""
    return min(statuses, key=lambda status: (status != FAULT, status != CANNOT_TELL))


@main.command(name="triage")
@click.argument("inputs", metavar="FOLDER_OR_FILE...", nargs=-1, required=True)
@controllers_option
@pc_option
@click.option(
    "--format",
    "layout",
    type=click.Choice(["text", "html", "json", "csv"]),
    default="text",
    show_default=True,
    help="A text to read, a page, JSON for other programs, or a table for a spreadsheet.",
)
@click.option("--output", metavar="PATH", help="Write to this file, not to the terminal.")
@click.option(
    "--reports", metavar="FOLDER", help="Write the page of each recording there, and link to it."
)
@click.option(
    "--keep", metavar="FOLDER", help="Keep results there, not in your own folder for settings."
)
@limit_option
def triage_command(
    inputs: Sequence[str],
    controllers: Sequence[str],
    pc: str | None,
    layout: str,
    output: str | None,
    reports: str | None,
    keep: str | None,
    limit: int,
) -> int:
    """Review many recordings side by side: one table, worst first.

    Parcels are opened. Hidden files in folders are left out. Results are kept; stopped and started
    again, it takes up where it was. Exit status as of diagnose.
    """
    from analyzer.triage import Order, files_in, fingerprint  # takes long to import

    order = Order(
        rules=all_rules,
        told=Told(tuple(_controller(text) for text in controllers), _pc(pc)),
        made=_made(controllers, pc, limit),
        limit=limit,
        judged_by=fingerprint(all_rules()),
        keep=_keep(keep),
        reports=None if reports is None else _folder(reports, "--reports"),
    )
    if output is not None and (
        any(_is_same_file(Path(output), name) for name in inputs) or _is_recording(output)
    ):
        raise BadOption("would be overwritten.", output, "Name another file with --output.")
    own = [Path(path) for path in (output, order.reports, order.keep) if path is not None]
    files = files_in(inputs, without=own)
    if not files:
        raise NotARecording("holds no files.", " ".join(inputs), "Name a folder with recordings.")
    rows = ranked(_reviewed(files, order))
    links = {row.report: _link(Path(reports or "", row.report), output) for row in rows}
    _write(_render_rows(layout, rows, links, order.made, reports), output)
    statuses = [row.status for row in rows]
    if UNUSABLE in statuses:
        unread = f"{statuses.count(UNUSABLE):,} of {len(rows):,}"
        return _complain(f"{unread} could not be read: the table says why, and what to do.")
    return _worst(statuses)


def _reviewed(files: Sequence["Sent"], order: "Order") -> list[Row]:
    """The rows of all files, with a count and the time left where somebody watches."""
    from analyzer.triage import triage

    rows: list[Row] = []
    done = kept = 0
    watched = sys.stderr.isatty()
    try:
        with click.progressbar(
            length=len(files), label="Reviewing", show_pos=True, file=sys.stderr, hidden=not watched
        ) as bar:
            for one in triage(files, order):
                rows += one.rows
                done, kept = done + 1, kept + one.kept
                bar.update(1)
    except KeyboardInterrupt:
        what = f"{done:,} of {len(files):,} files are done."
        todo = "The same command goes on from there." if order.keep else ""
        raise Unusable(what, "stopped from the keyboard", todo) from None
    if watched and order.keep is not None:
        taken = f"{kept:,} of {len(files):,} were there already" if kept else "none was there yet"
        click.echo(f"Results are kept in {clean(str(order.keep))} ({taken}).", err=True)
    return rows


def _render_rows(
    layout: str,
    rows: Sequence[Row],
    links: Mapping[str, str],
    made: Sequence[str],
    reports: str | None,
) -> str:
    match layout:
        case "json":
            return rows_to_json(rows, links)
        case "csv":
            return to_csv(columns(rows, links))
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(ranking(rows, made, reports or "", links))
    return to_text(ranking(rows, made, reports or ""))


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
    start = Path.cwd() if output is None else Path(output).parent.resolve()
    try:
        return quote(Path(os.path.relpath(page.resolve(), start)).as_posix())
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


@main.command(name="trim")
@click.argument("recording")
@click.option(
    "--output", "-o", metavar="PATH", required=True, help="Write the copy here; .gz packs it."
)
@controllers_option
@pc_option
@click.option("--keep-payload", is_flag=True, help="Leave the contents of frames as recorded.")
@click.option("--rename", is_flag=True, help="Give all addresses other names.")
@limit_option
def trim_command(
    recording: str,
    output: str,
    controllers: Sequence[str],
    pc: str | None,
    keep_payload: bool,
    rename: bool,
    limit: int,
) -> int:
    """Copy RECORDING with only what its diagnosis needs, for mailing.

    RECORDING may be a parcel that holds one recording.

    The copy is diagnosed too, and kept only where it is judged alike. Nothing is overwritten.
    """
    from analyzer.reports.trimmed import comment, summary
    from analyzer.trim import Order, trim

    if recording == STANDARD_INPUT:
        todo = "Give the name of a file: it is read more than once."
        raise BadOption("standard input cannot be trimmed.", recording, todo)
    told = Told(tuple(_controller(text) for text in controllers), _pc(pc))
    said = comment(f"whynolink {__version__}", keep_payload, rename)
    order = Order(said, keep_payload, token_bytes(16) if rename else None)
    _check_single(recording, list(_unpacked(recording, Limits(limit))))
    again = partial(_recording, recording, limit)
    trimmed = trim(again, all_rules(), told, order, Path(output))
    options = "".join(f" {text}" for text in _options(trimmed.told))
    _write(to_text(summary(trimmed, order, options)), None)
    return 0


@main.command(name="compare")
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
@click.option(
    "--format",
    "layout",
    type=click.Choice(["text", "json", "html"]),
    default="text",
    show_default=True,
    help="A text to read, JSON for other programs, or a page.",
)
@click.option("--output", metavar="PATH", help="Write to this file, not to the terminal.")
@limit_option
def compare_command(
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
    from analyzer.comparison import Remark, compare
    from analyzer.reports import comparison as reported

    if output is not None and any(_is_input(output, one) for one in (working, failing)):
        todo = "Name another file, in another folder, with --output."
        raise BadOption("would be overwritten.", output, todo)
    told = [
        Told((_controller(one),) if one else (), _pc(pc))
        for one, pc in zip(_each(controllers, "--controller"), _each(pcs, "--pc"), strict=True)
    ]
    compared = compare(_single(working, told[0], limit), _single(failing, told[1], limit))
    match layout:
        case "json":
            text = reported.to_json(compared)
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            text = to_html(reported.document(compared))
        case _:
            text = to_text(reported.document(compared))
    _write(text, output)
    if Remark.BOTH_WORK in compared.remarks:
        return NO_FAULT
    return FAULT if compared.first or compared.fault else CANNOT_TELL


def _each(given: Sequence[str], option: str) -> tuple[str | None, str | None]:
    """What was told of the first and of the second recording: once for both, or once for each."""
    if len(given) > 2:
        raise BadOption("is given more than twice.", option, "Give it once or twice.")
    return (given[0], given[-1]) if given else (None, None)


def _single(name: str, told: Told, limit: int) -> Diagnosis:
    """The diagnosis of an input that is one recording. Raises Unusable where it is not one."""
    found = list(_diagnosed(name, told, Limits(limit)))
    _check_single(name, found)
    return next(one for one in found if isinstance(one, Diagnosis))


def _check_single(name: str, found: Sequence[object]) -> None:
    """Raises Unusable where an input does not hold just one recording."""
    refused = [one for one in found if isinstance(one, NotARecording)]
    number = len(found) - len(refused)
    if number > 1:
        raise NotARecording(f"holds {number:,} recordings.", name, "Name a file with one of them.")
    if number == 0:
        raise refused[0]


@contextmanager
def _recording(name: str, limit: int) -> Iterator[Recording]:
    """The recording in an input, to be read once, with its progress shown."""
    with closing(_unpacked(name, Limits(limit))) as items:
        recording = next(one for one in items if isinstance(one, Recording))
        with _progress(recording.size) as advance:
            recording.chunks = _watched(recording, recording.chunks, advance)
            yield recording


def _watched(
    recording: Recording, chunks: Iterator[Chunk], advance: Callable[[int], None]
) -> Iterator[Chunk]:
    for chunk in chunks:
        yield chunk
        advance(recording.consumed)


def _options(told: Told) -> Iterator[str]:
    """The options that tell this."""
    for address, port in told.controllers:
        yield f"--controller {address}" + (f":{port}" if port else "")
    if told.pc is not None:
        yield f"--pc {told.pc}"


@main.command(name="plan")
@site_option
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller to connect with; of a site sheet, only this one. May be given again.",
)
@click.option(
    "--pc",
    "own",
    metavar="ADDRESS",
    multiple=True,
    help="The PC's address; once for each adapter of the PC.",
)
@click.option("--mask", metavar="MASK", help="The mask of all of them, such as 255.255.255.0.")
@click.option(
    "--cable", type=click.Choice(["direct", "switch"]), help="How the controller is connected."
)
@click.option(
    "--format",
    "layout",
    type=click.Choice(["text", "json", "html"]),
    default="text",
    show_default=True,
    help="A text to read, JSON for other programs, or a page to print.",
)
@click.option("--output", metavar="PATH", help="Write to this file, not to the terminal.")
@click.option(
    "--write-site",
    "new_sheet",
    metavar="PATH",
    help="Write the options into a site sheet, with the rest to fill in.",
)
def plan_command(
    sheet: str | None,
    controllers: Sequence[str],
    own: Sequence[str],
    mask: str | None,
    cable: str | None,
    layout: str,
    output: str | None,
    new_sheet: str | None,
) -> int:
    """Plan a connection: print an ordered sheet of what to check, set and plug in.

    It only prints; it changes nothing on this PC. Exit status: 0 the numbers hold, 1 they do not, 2
    sheet or options unusable.
    """
    from analyzer.planning import plan

    named = [_controller(text) for text in controllers]
    if sheet is None:
        bits = _mask(mask)
        site = Site(
            tuple(Adapter(_address(one, "--pc"), mask=bits) for one in own),
            tuple(Controller(at, mask=bits, port=port, cable=cable) for at, port in named),
        )
    elif own or mask or cable or new_sheet:
        todo = "Give --site with --controller only, and write the rest into the sheet."
        raise BadOption("does not go with the other options.", "--site", todo)
    else:
        site = _site(sheet)
    plans = plan(site, [_in_sheet(site, *one) for one in named] or site.controllers)
    if not plans:
        raise BadOption("is missing.", "--controller", "Name a controller, or give --site FILE.")
    _write(_render_plan(layout, plans), output)
    if new_sheet is not None:
        _write_sheet(write_site(site, "Site sheet, by the options of a plan."), new_sheet)
    return NO_FAULT if all(one.holds for one in plans) else FAULT


def _in_sheet(site: Site, address: Address, port: int | None) -> Controller:
    known = site.controller(address, port)
    if known is None:
        raise BadOption(f"{address} is not in the site sheet.", "--controller", "Add it there.")
    return known


def _render_plan(layout: str, plans: "Sequence[Plan]") -> str:
    from analyzer.reports.plan import plan_report
    from analyzer.reports.plan_json import plan_json

    match layout:
        case "json":
            return plan_json(plans)
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(plan_report(plans))
    return to_text(plan_report(plans))


@main.command(name="rules")
@click.argument("name", required=False)
def rules_command(name: str | None) -> int:
    """List what is looked for, or explain the rule NAME."""
    known = {rule.slug: rule for rule in all_rules()}
    if name is None:
        _write(to_text(rule_list(list(known.values()))), None)
    elif name.lower() in known:
        _write(to_text(explanation(known[name.lower()])), None)
    else:
        raise BadOption("is not a rule.", name, "List them with: whynolink rules")
    return 0


@main.command(name="demo")
def demo_command() -> int:
    """Diagnose a recording that comes along, made in an invented plant."""
    octets = BytesIO((files("analyzer") / "demo.pcap").read_bytes())
    recording = open_recording(octets, "demo.pcap (an invented plant)")
    diagnosis = diagnose(recording, all_rules())
    _write(to_text(report([diagnosis])), None)
    return 0


@main.command(name="record")
@click.argument("adapter", required=False)
@click.option("--list", "only_list", is_flag=True, help="List the adapters and do nothing else.")
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller that the PC is to reach; may be given again.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(0, 10080, min_open=True),
    default=10,
    show_default=True,
    help="End after this time.",
)
@click.option(
    "--megabytes",
    type=click.IntRange(4, 100_000),
    default=100,
    show_default=True,
    help="Room on the disk; it is used in four pieces, and the oldest gives way.",
)
@click.option("--keep-on", is_flag=True, help="Go on when the link-up is complete.")
@click.option("--output", metavar="PATH", help="Record into this file.")
def record_command(
    adapter: str | None,
    only_list: bool,
    controllers: Sequence[str],
    minutes: float,
    megabytes: int,
    keep_on: bool,
    output: str | None,
) -> int:
    """Record on ADAPTER and show the stages of the link-up as they come up.

    Without ADAPTER, the one whose network the controller is in, or the only one with a link.
    Nothing is sent. The recording ends by itself when the link-up stays complete for 30 s. Exit
    status as of diagnose.
    """
    from analyzer.recorder import running  # what recording needs takes long to import
    from analyzer.recorder.adapters import adapters, choose, warnings
    from analyzer.recorder.capture import Source
    from analyzer.recorder.pieces import Pieces
    from analyzer.reports import recording as words
    from analyzer.reports.live import Live

    known = adapters()
    if only_list:
        _write(to_text(words.adapter_list(known)), None)
        return 0
    told = Told(tuple(_controller(text) for text in controllers))
    addresses = [IPv4Address(int(address)) for address, _ in told.controllers]
    chosen = choose(known, adapter, addresses)
    warned = list(warnings(chosen, known, addresses))
    click.echo(to_text([*words.adapter_list(known, chosen), *words.warned(warned)]))

    source = Source(chosen.name)
    interface = running.described(chosen, source.link)
    began = datetime.now()
    path = Path(output or f"whynolink-{began:%Y%m%d-%H%M%S}.pcapng")
    made_with = f"whynolink {__version__}"
    head = running.head(interface, made_with, list(words.comments(known, chosen, controllers)))
    pieces = Pieces(path, head, megabytes * MEGA)
    with running.Recorder(source, pieces) as recorder:
        at = f"{began:%H:%M:%S}"
        click.echo(to_text(words.begins(chosen, path, at, minutes * 60, megabytes * MEGA)))
        watch, live = running.Watch(recorder, interface, all_rules(), told), Live()
        try:
            for elapsed, linked, diagnosis in watch.looks(minutes * 60, keep_on):
                for line in live.lines(diagnosis, elapsed, linked):
                    click.echo(line)
        except KeyboardInterrupt:
            click.echo()
    paths = list(pieces.paths)
    more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
    with running.Together(paths) as stream:
        diagnosis = diagnose(open_recording(stream, f"{paths[0].name}{more}"), all_rules(), told)
    click.echo(to_text([*report([diagnosis]), *words.ended(watch.ended, recorder)]), nl=False)
    return diagnosis.status if recorder.problem is None else _complain(str(recorder.problem))


def _diagnosed(name: str, told: Told, limits: Limits) -> Iterator[Diagnosis | NotARecording]:
    """What is in an input: each recording diagnosed, each other thing refused."""
    for item in _unpacked(name, limits):
        if isinstance(item, NotARecording):
            yield item
            continue
        with _progress(item.size) as advance:
            yield diagnose(item, all_rules(), told, advance)


def _unpacked(name: str, limits: Limits) -> Generator[Recording | NotARecording, None, None]:
    if name == STANDARD_INPUT:
        return unpack(sys.stdin.buffer, "standard input", limits)
    return unpack(Path(name), _called(Path(name)), limits)


def _called(path: Path) -> str:
    """The name of a file or folder, also of "." and ".."."""
    return path.name if path.name not in ("", "..") else path.absolute().resolve().name


@contextmanager
def _progress(size: int) -> Iterator[Callable[[int], None]]:
    """Shows a bar on long work, on a terminal only."""
    if size < LONG_WORK or not sys.stderr.isatty():
        yield lambda octets: None
        return
    with click.progressbar(length=size, label="Reading", file=sys.stderr) as bar:
        yield lambda octets: bar.update(octets - bar.pos)


def _write(text: str, output: str | None) -> None:
    if output is None:
        click.echo(text, nl=False)
        return
    try:
        Path(output).write_text(text, encoding="utf-8", newline="\n")
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        raise BadOption(f"cannot be written: {why}.", output, "Choose another --output.") from None


def _site(name: str) -> Site:
    path = Path(name)
    try:
        with path.open("rb") as stream:
            octets = stream.read(LARGEST + 1)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        raise BadOption(f"cannot be read: {why}.", name, "Check the path after --site.") from None
    return read_site(octets, path.name)


def _write_sheet(text: str | None, name: str) -> None:
    """Write a new sheet; one that is there already is left alone: somebody filled it in."""
    if text is None:
        todo = "Give a recording in which the controller answers."
        raise BadOption("no sheet is written: no link-up here works.", "--write-site", todo)
    try:
        with Path(name).open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        raise BadOption(f"cannot be written: {why}.", name, "Choose another path.") from None


def _is_input(output: str, name: str) -> bool:
    """Whether a file is an input, or lies in a folder that is one."""
    try:
        path, given = Path(output).resolve(strict=True), Path(name).resolve()
    except (OSError, ValueError):
        return False
    return _is_same_file(path, name) or (name != STANDARD_INPUT and given in path.parents)


def _is_same_file(path: Path, name: str) -> bool:
    try:
        return name != STANDARD_INPUT and path.samefile(name)
    except (OSError, ValueError):
        return False


def _controller(text: str) -> tuple[Address, int | None]:
    if text.count(":") > 1:
        todo = "Give its IPv4 address: link-up is judged for IPv4 only."
        raise BadOption(f"{text!r} looks like an IPv6 address.", "--controller", todo)
    address, colon, port = text.partition(":")
    number = int(port) if port.isascii() and port.isdigit() else 0
    if colon and not 0 < number < 1 << 16:
        raise BadOption(f"{port!r} is not a port.", "--controller", "Give a number, 1 to 65535.")
    return _address(address, "--controller"), number or None


def _pc(text: str | None) -> Address | Hardware | None:
    if text is None:
        return None
    digits = text.replace("-", "").replace(":", "")
    if len(digits) == 12 and all(digit in string.hexdigits for digit in digits):
        return Hardware(int(digits, 16))
    return _address(text, "--pc")


def _mask(text: str | None) -> Address | None:
    mask = None if text is None else _address(text, "--mask")
    if mask is not None and not mask.is_mask:
        raise BadOption(f"{text!r} is not a mask.", "--mask", "Give one such as 255.255.255.0.")
    return mask


def _address(text: str, option: str) -> Address:
    try:
        return Address.parse(text)
    except ValueError:
        todo = "Give four numbers with dots, such as 192.0.2.60."
        raise BadOption(f"{text!r} is not an IPv4 address.", option, todo) from None
