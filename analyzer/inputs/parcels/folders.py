"""Folders: the files below them as sources. No link is followed."""

import os
import re
import stat
from collections.abc import Iterator
from functools import partial
from itertools import islice
from pathlib import Path

from analyzer.errors import NotARecording
from analyzer.inputs.limits import Limits
from analyzer.inputs.parcels.sources import Item, Source, shown
from analyzer.inputs.strangers import NO_FILE, NO_LINK, NOT_A_FILE

CHECK = "Check path and rights."
MOUNT_POINT = 0xA0000003
"""stat.IO_REPARSE_TAG_MOUNT_POINT, which Python names on Windows only."""


def folder_files(folder: Path, way: str, limits: Limits) -> Iterator[Item]:
    """The files in a folder and in those below it, by name; hidden ones are left out."""
    left = [(folder, way)]
    while left:
        path, way = left.pop()
        try:
            status = path.lstat() if path is not folder else path.stat()
            inside = _names(path, limits) if stat.S_ISDIR(status.st_mode) else []
        except OSError as problem:
            yield NotARecording(f"cannot be opened: {problem.strerror}.", way, CHECK)
            continue
        if _is_link(status) and path is not folder:
            yield NotARecording("is a link.", way, NO_LINK)
        elif stat.S_ISREG(status.st_mode):
            yield on_disk(path, way)
        elif stat.S_ISDIR(status.st_mode):
            left += [(path / name, f"{way}/{shown(name)}") for name in reversed(inside)]
        else:
            yield NotARecording(NOT_A_FILE, way, NO_FILE)


def on_disk(path: Path, way: str) -> Source:
    """A file as a source. Raises OSError where it is gone."""
    return Source(way, partial(path.open, "rb"), path.stat().st_size, on_disk=True)


def _names(folder: Path, limits: Limits) -> list[str]:
    """What a folder holds, by name, with numbers in the order of their values."""
    with os.scandir(folder) as entries:
        few = islice((one.name for one in entries), limits.members + 1)
        return sorted((name for name in few if not name.startswith(".")), key=_by_number)


def _by_number(name: str) -> list[tuple[int, str]]:
    pieces = re.split(r"(\d+)", name)
    return [(int(piece) if number % 2 else 0, piece) for number, piece in enumerate(pieces)]


def _is_link(status: os.stat_result) -> bool:
    """Whether it leads elsewhere: a symbolic link, or a mount point of Windows."""
    return stat.S_ISLNK(status.st_mode) or getattr(status, "st_reparse_tag", 0) == MOUNT_POINT
