"""A recording on the disk: files of bounded size that can be read at any moment.

Whole blocks are handed to the system together and nothing is held back, so what was recorded
survives the end of this program. Once a second the disk is told to keep it through a power cut.
"""

import os
from collections import deque
from contextlib import suppress
from pathlib import Path

from analyzer.errors import BadOption, CannotRecord

KEPT = 4
"""Pieces kept: when the oldest gives way, three quarters of the room are still there."""


class Pieces:
    """Files that each begin with the same head: path, then path-2, path-3 and so on, without those
    that are there already.

    most: octets of all pieces together; the oldest piece is removed where one more would not fit.
    Pieces that are to be kept are left out of that account.
    Raises BadOption where the first cannot be made.
    """

    def __init__(self, path: Path, head: bytes, most: int) -> None:
        self.paths: deque[Path] = deque()
        self.removed = 0
        self._to_keep: set[Path] = set()
        self._number = 0
        self._path, self._head, self._most = path, head, most // KEPT
        self._begin()

    def fits(self, octets: bytes) -> bool:
        """Whether more octets have room in this piece; an empty one takes anything."""
        return self._size + len(octets) <= self._most or self._size == len(self._head)

    def write(self, blocks: bytes) -> None:
        """Write whole blocks. Raises CannotRecord where the disk takes no more; the piece then ends
        with the last whole block.
        """
        rest = memoryview(blocks)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except (OSError, ValueError) as problem:
            with suppress(OSError, ValueError):
                self._file.truncate(self._size)
                self._file.seek(self._size)
            what = f"no more can be written: {getattr(problem, 'strerror', problem)}."
            todo = "What was written before can be read. Make room, then record again."
            raise CannotRecord(what, str(self._file.name), todo) from None
        self._size += len(blocks)

    def go_on(self) -> None:
        """End this piece and begin the next; the oldest gives way."""
        self.close()
        loose = [one for one in self.paths if one not in self._to_keep]
        if len(loose) >= KEPT:
            with suppress(OSError):
                loose[0].unlink()
            self.paths.remove(loose[0])
            self.removed += 1
        self._begin()

    def keep(self) -> None:
        """Let the piece that is written, and the one before it, never give way."""
        self._to_keep.update(list(self.paths)[-2:])

    def sync(self) -> None:
        """Have the disk keep what was written."""
        with suppress(OSError, ValueError):
            os.fsync(self._file.fileno())

    def close(self) -> None:
        """End this piece."""
        self.sync()
        self._file.close()

    def _next(self) -> Path:
        """The path of the next piece: pieces of an earlier recording are left alone."""
        self._number += 1
        path = self._path
        while self._number > 1:
            path = self._path.with_stem(f"{self._path.stem}-{self._number}")
            if not os.path.lexists(path):
                break
            self._number += 1
        return path

    def _begin(self) -> None:
        path = self._next()
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError:
            raise BadOption("exists already.", str(path), "Name another --output.") from None
        except (OSError, ValueError) as problem:
            why = getattr(problem, "strerror", None) or "not a usable file name"
            todo = "Choose another --output."
            raise BadOption(f"cannot be written: {why}.", str(path), todo) from None
        self._size = 0
        try:
            self.write(self._head)
        except CannotRecord:
            self._file.close()
            path.unlink()
            raise
        self.paths.append(path)
