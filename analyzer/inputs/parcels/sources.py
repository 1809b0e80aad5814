"""Octets inside octets, read without ever holding or writing out a whole file."""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs.limits import Limits
from analyzer.inputs.records import Stream

if TYPE_CHECKING:
    from zipfile import ZipFile

BLOCK = 1 << 16
HELD = 4 << 20
"""Octets of a nested container that are kept in memory; what follows is unpacked again on need."""
NO_NAME = "a file without a name"
MAX_NAME = 200
"""Letters of a name that are shown; longer ones are shortened in the middle."""

FARTHEST = 1 << 62
"""No file is as long; positions that are claimed beyond it do not fit into system calls."""

Opener = Callable[[], AbstractContextManager[Any]]


class Source(NamedTuple):
    """A file, somewhere: `opened` gives its octets from the first one on, as often as wanted.

    way: how to get there, for people; size: octets that it is said to have, 0 where unknown;
    depth: containers around it; on_disk: `opened` gives a real file that can be sought in.
    """

    way: str
    opened: Opener
    size: int = 0
    depth: int = 0
    on_disk: bool = False

    def inside(self, name: str, opened: Opener, size: int = 0) -> "Source":
        """A file in this container."""
        return Source(f"{self.way} > {shown(name)}", opened, size, self.depth + 1)


def shown(name: str) -> str:
    """A name from outside in bounded length; it is made harmless where it is printed."""
    name = name or NO_NAME
    half = MAX_NAME // 2
    return name if len(name) <= MAX_NAME else f"{name[:half]}...{name[-half:]}"


Item = Source | NotARecording
"""What containers hold: files to look into, and refusals."""


def is_hidden(name: str) -> bool:
    """Whether the last part of a name begins with one dot: what programs leave for themselves."""
    return re.search(r"(^|[/\\])\.[^./\\][^/\\]*$", name) is not None


class Metered:
    """What a container holds, read in full pieces and counted. Raises Broken, and only that."""

    def __init__(self, stream: Stream, limits: Limits) -> None:
        self.stream = stream
        self.limits = limits
        self.why = ""

    def read(self, size: int) -> bytes:
        """As many octets as wanted, fewer only at the end."""
        pieces: list[bytes] = []
        while size > 0 and not self.why:
            try:
                piece = self.stream.read(min(size, BLOCK))
                self.limits.unpacked(len(piece))
            except Broken as problem:
                self.why = str(problem)
                break
            if not piece:
                break
            pieces.append(piece)
            size -= len(piece)
        if self.why and not pieces:
            raise Broken(self.why)
        return b"".join(pieces)


class _InFile:
    """A file, read from anywhere."""

    def __init__(self, opened: Opener) -> None:
        self.closing = ExitStack()
        self.stream: BinaryIO = self.closing.enter_context(opened())

    def read_at(self, at: int, size: int) -> bytes:
        self.stream.seek(at)
        return self.stream.read(size)

    def end(self) -> int:
        return self.stream.seek(0, 2)


class _Again:
    """What cannot be sought in, read from anywhere: its first octets are kept, and to go back
    behind them means to unpack it again from its start.
    """

    def __init__(self, opened: Opener) -> None:
        self.opened = opened
        self.closing = ExitStack()
        self.stream: Stream = self.closing.enter_context(opened())
        self.head: bytes = self.stream.read(HELD)
        self.stands = len(self.head)

    def read_at(self, at: int, size: int) -> bytes:
        if at < len(self.head):
            return self.head[at : at + size]
        if at < self.stands:
            self.closing.close()
            self.stream = self.closing.enter_context(self.opened())
            self.stands = 0
        while self.stands < at:
            if not self._next(min(BLOCK, at - self.stands)):
                return b""
        return self._next(size)

    def end(self) -> int:
        try:
            self.read_at(self.stands, BLOCK)
            while self._next(BLOCK):
                pass
        except LimitReached:
            raise
        except Broken:
            pass  # what came before the damage may be whole
        return self.stands

    def _next(self, size: int) -> bytes:
        data = self.stream.read(size)
        self.stands += len(data)
        return data


class View:
    """A source with a position, as ZipFile needs it. Closed, it opens itself again on need.

    most: octets that one read may give. Raises Broken, LimitReached where there are more than
    most, and OSError before the first octet.
    """

    def __init__(self, source: Source, most: int) -> None:
        self.source = source
        self.most = most
        self.at = 0
        self.length: int | None = None
        self.reader: _InFile | _Again | None = None
        self.archive: ZipFile | None = None

    def close(self) -> None:
        """Let go of what is open."""
        if self.reader is not None:
            self.reader.closing.close()
        self.reader, self.archive = None, None

    def seekable(self) -> bool:
        """It can be sought in."""
        return True

    def tell(self) -> int:
        """The position of the next octet."""
        return self.at

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a position, as in a file."""
        to = offset + (self._end() if whence == 2 else self.at if whence == 1 else 0)
        if to < 0:
            raise OSError("there is nothing before the first octet")
        self.at = min(to, FARTHEST)
        return to

    def read(self, size: int = -1) -> bytes:
        """Up to size octets, all that follow where it is -1."""
        wanted = size if 0 <= size <= self.most else self.most + 1
        pieces: list[bytes] = []
        while wanted and (piece := self._piece(min(wanted, BLOCK), bool(pieces))):
            pieces.append(piece)
            self.at += len(piece)
            wanted -= len(piece)
        data = b"".join(pieces)
        if len(data) > self.most:
            raise LimitReached(f"its directory is larger than {self.most >> 20:,} MiB")
        return data

    def _piece(self, size: int, has_more: bool) -> bytes:
        """The next octets; a damage is told by the read that would begin with it."""
        try:
            return self._opened().read_at(self.at, size)
        except Broken:
            if has_more:
                return b""
            raise

    def _end(self) -> int:
        if self.length is None:
            self.length = self._opened().end()
        return self.length

    def _opened(self) -> _InFile | _Again:
        if self.reader is None:
            opened = self.source.opened
            self.reader = _InFile(opened) if self.source.on_disk else _Again(opened)
        return self.reader


class Shelf:
    """The containers that were read last, kept open; the others are closed."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.views: dict[Source, View] = {}

    def __enter__(self) -> "Shelf":
        return self

    def __exit__(self, *trouble: object) -> None:
        for view in self.views.values():
            view.close()

    def view(self, source: Source) -> View:
        """A container's octets from anywhere."""
        view = self.views.pop(source, None) or View(source, self.limits.directory)
        self.views[source] = view
        if len(self.views) > self.limits.depth + 1:
            self.views.pop(next(iter(self.views))).close()
        return view

    def read(self, source: Source, at: int, size: int) -> bytes:
        """Octets of a container from a position on, fewer only at its end."""
        view = self.view(source)
        view.seek(at)
        return view.read(size)

    def window(self, source: Source, start: int, length: int) -> Opener:
        """Opens a part of a container's octets."""

        @contextmanager
        def opened() -> Iterator[Stream]:
            yield Metered(_Window(self, source, start, length), self.limits)

        return opened


class _Window:
    def __init__(self, shelf: Shelf, source: Source, start: int, length: int) -> None:
        self.shelf = shelf
        self.source = source
        self.at = start
        self.end = start + length

    def read(self, size: int) -> bytes:
        wanted = min(size, self.end - self.at)
        data = self.shelf.read(self.source, self.at, wanted)
        if wanted and not data:
            raise Broken("its archive ends too early")
        self.at += len(data)
        return data
