"""What commands print, write and end with."""

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from analyzer import __version__
from analyzer.cli.reading import STANDARD_INPUT
from analyzer.diagnosis import CANNOT_TELL, FAULT
from analyzer.errors import BadOption
from analyzer.outputs.whole import write_new, write_to


def write(text: str, output: str | None) -> None:
    """Print a text, or write it into a file."""
    if output is None:
        _print(text)
        return
    try:
        write_to(Path(output), text.encode())
    except (OSError, ValueError) as problem:
        why = reason(problem)
        raise BadOption(f"cannot be written: {why}.", output, "Choose another --output.") from None


def show_page(page: str) -> None:
    """Show a page in the browser of this PC, from a temporary file that stays for it."""
    import webbrowser  # both take long to import
    from tempfile import NamedTemporaryFile

    with NamedTemporaryFile(
        "w", encoding="utf-8", prefix="whynolink-", suffix=".html", delete=False
    ) as stream:
        stream.write(page)
    where = Path(stream.name)
    if not webbrowser.open(where.as_uri()):
        raise BadOption("no browser can be started.", "--open", f"Open {where} yourself.")


def _print(text: str) -> None:
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    text = text.encode(encoding, "replace").decode(encoding)  # house wording has letters of its own
    click.echo(text, nl=False)


def write_sheet(text: str | None, name: str) -> None:
    """Write a new sheet; one that is there already is left alone: somebody filled it in."""
    if text is None:
        todo = "Give a recording in which the controller answers."
        raise BadOption("no sheet is written: no connection here works.", "--write-site", todo)
    try:
        write_new(Path(name), text.encode())
    except (OSError, ValueError) as problem:
        why = reason(problem)
        raise BadOption(f"cannot be written: {why}.", name, "Choose another path.") from None


def reason(problem: Exception) -> str:
    """Why a file cannot be opened, as part of a sentence."""
    return getattr(problem, "strerror", None) or "not a usable file name"


def keep_inputs(output: str | None, inputs: Sequence[str]) -> None:
    """Raises BadOption where writing would replace an input, or a file in a folder that is one."""
    if output is not None and any(_is_input(output, name) for name in inputs):
        todo = "Name another file, in another folder, with --output."
        raise BadOption("would be overwritten.", output, todo)


def _is_input(output: str, name: str) -> bool:
    try:
        path, given = Path(output).resolve(strict=True), Path(name).resolve()
    except (OSError, ValueError):
        return False
    return is_same_file(path, name) or (name != STANDARD_INPUT and given in path.parents)


def is_same_file(path: Path, name: str) -> bool:
    """Whether a path and the name of an input mean one file."""
    try:
        return name != STANDARD_INPUT and path.samefile(name)
    except (OSError, ValueError):
        return False


def worst(statuses: Sequence[int]) -> int:
    """A fault counts before what cannot be told, and that before no fault."""
    return min(statuses, key=lambda status: (status != FAULT, status != CANNOT_TELL))


def made_with(
    controllers: Sequence[str], pc: str | None, limit: int, sheet: str | None = None
) -> tuple[str, str]:
    """By which version and with which options, for the end of a report."""
    told = [f"--controller {text}" for text in controllers] + ([f"--pc {pc}"] if pc else [])
    if limit > 1:
        told.append(f"--limit {limit}")
    if sheet is not None:
        told.append(f"--site {Path(sheet).name}")
    return f"whynolink {__version__}", f"Options: {' '.join(told) or 'none'}"
