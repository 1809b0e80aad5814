"""whynolink trim: a recording -> a smaller, more private copy."""

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from secrets import token_bytes

import click

from analyzer import __version__
from analyzer.cli.options import (
    by_example,
    controllers_option,
    limit_option,
    pc_option,
    read_sheet,
    told_by,
)
from analyzer.cli.reading import STANDARD_INPUT, check_single, progress, unpacked
from analyzer.cli.writing import keep_inputs, reason, write
from analyzer.errors import BadOption, NotARecording
from analyzer.facts import Address
from analyzer.inputs.parcels import Limits
from analyzer.inputs.records import Chunk, Recording
from analyzer.linkup import Told
from analyzer.reports.to_text import to_text
from analyzer.reports.trimmed import comment, summary
from analyzer.site import Adapter, Controller
from analyzer.trim import Order, trim
from analyzer.trim.names import ENDING, read_names, say_back, write_names
from rules import all_rules

MAX_TEXT = 64 << 20
"""Octets of a report; a page of a large recording has a few MiB."""
CONTROLS = re.compile(r"[^\S\n\t ]|[\x00-\x08\x0b-\x1f\x7f-\x9f]")


@click.command(
    name="trim",
    epilog=by_example(
        "whynolink trim recording.pcapng --output copy.pcapng.gz",
        "whynolink trim recording.pcapng --output copy.pcapng.gz --rename",
        "whynolink trim --back copy.pcapng.gz.names answer.txt",
    ),
)
@click.argument("recording")
@click.option("--output", "-o", metavar="PATH", help="Write the copy here; .gz packs it.")
@controllers_option
@pc_option
@click.option("--keep-payload", is_flag=True, help="Leave the contents of frames as recorded.")
@click.option(
    "--rename",
    is_flag=True,
    help=f"Give all addresses other names, and list them in PATH{ENDING}, for you only.",
)
@click.option(
    "--site", "sheet", metavar="FILE", help="A site sheet: no new name is an address in it."
)
@click.option(
    "--back",
    "names",
    metavar="LIST",
    help="Say RECORDING, a report or an answer about the copy, in the old names of LIST again.",
)
@limit_option
def command(
    recording: str,
    output: str | None,
    controllers: Sequence[str],
    pc: str | None,
    keep_payload: bool,
    rename: bool,
    sheet: str | None,
    names: str | None,
    limit: int,
) -> int:
    """Copy RECORDING with only what its diagnosis needs, for mailing.

    RECORDING may be a parcel that holds one recording.

    The copy is diagnosed too, and kept only where it is judged alike. Nothing is overwritten.
    """
    if names is not None:
        keep_inputs(output, [recording, names])
        write(_said_back(recording, Path(names)), output)
        return 0
    if output is None:
        raise BadOption("is missing.", "--output", "Say where the copy goes.")
    if not _can_be_read_again(recording):
        todo = "Give the name of a file: it is read more than once."
        raise BadOption("a stream cannot be trimmed.", recording, todo)
    told = told_by(controllers, pc)
    said = comment(f"whynolink {__version__}", keep_payload, rename)
    order = Order(said, keep_payload, token_bytes(16) if rename else None, _addresses(sheet))
    check_single(recording, list(unpacked(recording, Limits(limit))))
    again = partial(_recording, recording, limit)
    trimmed = trim(again, all_rules(), told, order, Path(output))
    if rename:
        _write_names(trimmed.names, output)
    options = "".join(f" {text}" for text in _options(trimmed.told))
    write(to_text(summary(trimmed, order, options, output + ENDING)), None)
    return 0


def _write_names(names: dict[str, str], output: str) -> None:
    """Write the list of names beside a copy. Without it there is none."""
    try:
        write_names(names, Path(output + ENDING))
    except BaseException:
        Path(output).unlink()
        raise


def _can_be_read_again(name: str) -> bool:
    """Whether an input is no stream. What does not exist is told by whoever opens it."""
    path = Path(name)
    try:
        return name != STANDARD_INPUT and (path.is_file() or path.is_dir() or not path.exists())
    except (OSError, ValueError):
        return True


def _addresses(sheet: str | None) -> set[Address]:
    """The addresses in a site sheet."""
    if sheet is None:
        return set()
    site = read_sheet(sheet)
    told: list[Adapter | Controller] = [*site.adapters, *site.controllers]
    found = {one for each in told for one in (each.address, each.gateway) if one is not None}
    for text in (text for each in site.controllers for text in each.others):
        with suppress(ValueError):  # it may be a name
            found.add(Address.parse(text))
    return found


def _said_back(text: str, names: Path) -> str:
    """A text in its old names; octets that could steer a terminal are left out."""
    known = read_names(names)
    try:
        if text == STANDARD_INPUT:
            octets = sys.stdin.buffer.read(MAX_TEXT + 1)
        else:
            with Path(text).open("rb") as stream:
                octets = stream.read(MAX_TEXT + 1)
    except (OSError, ValueError) as problem:
        why = f"cannot be read: {reason(problem)}."
        raise BadOption(why, text, "Name a report, or a file with the answer.") from None
    if len(octets) > MAX_TEXT:
        raise BadOption(f"is larger than {MAX_TEXT >> 20} MiB.", text, "Name a report.")
    said = octets.decode("utf-8", "replace").replace("\r\n", "\n")
    return say_back(CONTROLS.sub("", said), known)


@contextmanager
def _recording(name: str, limit: int) -> Iterator[Recording]:
    """The recording in an input, to be read once, with its progress shown."""
    with closing(unpacked(name, Limits(limit))) as items:
        recording = next((one for one in items if isinstance(one, Recording)), None)
        if recording is None:
            raise NotARecording("changed while it was read.", name, "Try again.")
        with progress(recording.size) as advance:
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
        yield f"--controller {address.with_port(port) if port else address}"
    if told.pc is not None:
        yield f"--pc {told.pc}"
