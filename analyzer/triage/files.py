"""Which files are meant: those named, and all in the folders named."""

import os
import stat
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

from analyzer.errors import NotARecording


@dataclass(frozen=True, slots=True)
class Sent:
    """A file as it was sent: what the reader calls it, and where it lies.

    pieces: the files of which it is one recording, in order of time; none for a single file.
    """

    name: str
    path: Path
    pieces: tuple["Sent", ...] = ()

    @property
    def paths(self) -> list[Path]:
        """All files that are meant."""
        return [one.path for one in self.pieces] or [self.path]


def files_in(inputs: Sequence[str], without: Collection[Path] = ()) -> list[Sent]:
    """The files named, each once, and those in the folders named, down to the last.

    Left out: names in folders that begin with a dot, and what lies in or is one of `without`.
    Links in folders are listed and not followed. Of a single folder, names begin inside it.
    """
    without = {_resolved(path) for path in without}
    alone = len(inputs) == 1
    found: dict[Path, Sent] = {}
    for text in inputs:
        top = Path(text)
        if not is_folder(top):
            found.setdefault(_resolved(top), Sent(text, _resolved(top)))
            continue
        for path in _below(top, without):
            name = str(path.relative_to(top)) if alone else str(path)
            found.setdefault(_resolved(top) / path.relative_to(top), Sent(name, path))
    return list(found.values())


def is_folder(path: Path) -> bool:
    """Whether there is a folder; a name that is too long to be one names none."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def opened(path: Path) -> BufferedReader:
    """An ordinary file. Raises NotARecording where it is something else, and OSError."""
    try:
        kind = os.lstat(path).st_mode
    except FileNotFoundError:
        raise NotARecording("does not exist.", str(path), "Check the path.") from None
    except ValueError:
        raise NotARecording("is no file name.", str(path), "Check the path.") from None
    if stat.S_ISLNK(kind):
        todo = "Name what it points to."
        raise NotARecording("is a link; links in a folder are not followed.", str(path), todo)
    if stat.S_ISDIR(kind):
        raise NotARecording("is a folder that cannot be opened.", str(path), "Check its rights.")
    if not stat.S_ISREG(kind):
        raise NotARecording("is no ordinary file.", str(path), "Copy the recording to a file.")
    return path.open("rb")


def _below(top: Path, without: Collection[Path]) -> Iterator[Path]:
    """Files, links to folders, and folders that cannot be opened, in the order of their names."""
    closed: list[Path] = []
    for folder, folders, files in os.walk(
        top, onerror=lambda one: closed.append(Path(one.filename))
    ):
        here = Path(folder)
        links = [name for name in folders if (here / name).is_symlink()]
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and _resolved(here / name) not in without
        )
        for name in sorted([*files, *links]):
            if not name.startswith(".") and _resolved(here / name) not in without:
                yield here / name
    yield from closed


def _resolved(path: Path) -> Path:
    """The path without links, as far as it can be told."""
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return path
