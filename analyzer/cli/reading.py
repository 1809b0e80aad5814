"""Inputs -> recordings -> diagnoses, with a bar where it takes long and somebody watches."""

import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import NotARecording
from analyzer.inputs.parcels import Limits, unpack
from analyzer.inputs.records import Recording
from analyzer.linkup import Told
from rules import all_rules

LONG_WORK = 16 << 20
"""Octets of a file from which on a progress bar is worth its place."""
STANDARD_INPUT = "-"


def diagnosed(name: str, told: Told, limits: Limits) -> Iterator[Diagnosis | NotARecording]:
    """What is in an input: each recording diagnosed, each other thing refused."""
    for item in unpacked(name, limits):
        if isinstance(item, NotARecording):
            yield item
            continue
        with progress(item.size) as advance:
            yield diagnose(item, all_rules(), told, advance)


def single(name: str, told: Told, limit: int) -> Diagnosis:
    """The diagnosis of an input that is one recording. Raises Unusable where it is not one."""
    found = list(diagnosed(name, told, Limits(limit)))
    check_single(name, found)
    return next(one for one in found if isinstance(one, Diagnosis))


def check_single(name: str, found: Sequence[object]) -> None:
    """Raises Unusable where an input does not hold just one recording."""
    refused = [one for one in found if isinstance(one, NotARecording)]
    number = len(found) - len(refused)
    if number > 1:
        todo = "Take them out of it, and name one of them at a time."
        raise NotARecording(f"holds {number:,} recordings.", name, todo)
    if number == 0:
        raise refused[0]


def unpacked(name: str, limits: Limits) -> Generator[Recording | NotARecording, None, None]:
    """What is in an input, not read yet."""
    if name == STANDARD_INPUT:
        if sys.stdin is None:
            raise NotARecording("is closed.", "standard input", "Give the name of a file.")
        return unpack(sys.stdin.buffer, "standard input", limits)
    return unpack(Path(name), called(Path(name)), limits)


def called(path: Path) -> str:
    """The name of a file or folder, also of "." and ".."."""
    return path.name if path.name not in ("", "..") else path.absolute().resolve().name


@contextmanager
def progress(size: int) -> Iterator[Callable[[int], None]]:
    """Shows a bar on long work, on a terminal only."""
    if size < LONG_WORK or not sys.stderr.isatty():
        yield lambda octets: None
        return
    with click.progressbar(length=size, label="Reading", file=sys.stderr) as bar:
        yield lambda octets: bar.update(octets - bar.pos)
