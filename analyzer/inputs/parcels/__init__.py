"""A parcel -> the recordings in it: folders, ZIP, gzip and tar archives, mails, in one another.

Nothing is written, no link is followed, and names found inside are only shown.
"""

import stat
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs import is_recording, open_recording
from analyzer.inputs.gunzip import MAGIC as GZIP
from analyzer.inputs.gunzip import Gunzip
from analyzer.inputs.limits import DEEPEST, RAISE, Limits
from analyzer.inputs.parcels.folders import CHECK, folder_files, on_disk
from analyzer.inputs.parcels.sources import Item, Shelf, Source
from analyzer.inputs.records import Recording, Stream
from analyzer.inputs.strangers import AGAIN, HEAD, is_mail, refusal

__all__ = ["Limits", "unpack"]

ZIP = (b"PK\x03\x04", b"PK\x05\x06")
TAR, TAR_AT = b"ustar", 257
NAME_FOLDER = "Name the one that the recordings lie in; hidden files are left out."
MAX_PIPED = 64 << 20
"""Octets of a parcel that comes through a pipe: it has to be held in memory. Mails are smaller."""


def unpack(
    origin: Path | BinaryIO, name: str, limits: Limits | None = None
) -> Generator[Recording | NotARecording, None, None]:
    """Everything in a parcel: recordings to read, and a refusal for each thing that is none.

    origin: a file, a folder, or a stream (standard input); name: what to call it in messages.
    Each recording has to be read (diagnosed) before the next one is asked for. Its name is the way
    to it: "mail.eml > capture.zip > a.pcap". Pieces of one rotating recording come as one; its
    `pieces` then says which. A parcel that is a single recording gives just that. A refusal is an
    exception that is handed over, not raised: str() of it is one line that says what the thing is
    and what to send instead. limits: a new Limits for each parcel.
    """
    limits = limits or Limits()
    if not isinstance(origin, Path):
        yield from _from_stream(origin, name, limits)
        return
    try:
        mode = origin.stat().st_mode
        stream = None if stat.S_ISDIR(mode) else origin.open("rb")
    except FileNotFoundError:
        yield NotARecording("does not exist.", str(origin), CHECK)
        return
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        yield NotARecording(f"cannot be opened: {why}.", str(origin), CHECK)
        return
    if stream is None:
        yield from _from_files(folder_files(origin, name, limits), name, limits)
        return
    with stream:
        if stat.S_ISREG(mode):
            yield from _from_files([on_disk(origin, name)], name, limits)
        else:
            yield from _from_stream(stream, name, limits)


def _from_stream(
    stream: BinaryIO, name: str, limits: Limits
) -> Iterator[Recording | NotARecording]:
    """What comes through a pipe cannot be read twice: a parcel is held in memory."""
    if not stream.seekable():
        head = stream.read(HEAD)
        if _is_recording(head):
            yield open_recording(_Behind(head, stream), name, limits)
            return
        stream = BytesIO(head + stream.read(MAX_PIPED - len(head)))
        if len(stream.getbuffer()) == MAX_PIPED:
            what = f"is larger than {MAX_PIPED >> 20} MiB, and no recording by itself."
            yield NotARecording(what, name, "Save it as a file and name that.")
            return
    yield from _from_files([Source(name, partial(_again, stream), on_disk=True)], name, limits)


class _Behind:
    """The first octets of a stream, and then the rest."""

    def __init__(self, head: bytes, stream: Stream) -> None:
        self.head = head
        self.stream = stream

    def read(self, size: int) -> bytes:
        data, self.head = self.head[:size], self.head[size:]
        return data or self.stream.read(size)


@contextmanager
def _again(stream: BinaryIO) -> Iterator[BinaryIO]:
    stream.seek(0)
    yield stream


def _from_files(
    items: Iterable[Item], name: str, limits: Limits
) -> Iterator[Recording | NotARecording]:
    """Look everything through, then hand over what was found."""
    with Shelf(limits) as shelf:
        found: list[Source] = []
        seen = False
        for item in items:
            for one in _walk(item, shelf):
                seen = True
                if isinstance(one, Source):
                    found.append(one)
                else:
                    yield one
        if not seen and not limits.reached:
            yield NotARecording("is a folder without files.", name, NAME_FOLDER)
        yield from _recordings(found, limits)
    if limits.reached:
        what = f"is not looked through to its end: {limits.reached}."
        yield NotARecording(what, name, RAISE)


def _recordings(found: Sequence[Source], limits: Limits) -> Iterator[Recording | NotARecording]:
    chains = [[source] for source in found]
    if len(found) > 1:
        from analyzer.inputs.parcels import pieces

        limits.renew()
        chains = pieces.chains(found, limits)
    limits.renew()
    for chain in chains:
        if limits.octets < 0:
            return
        if len(chain) > 1:
            yield pieces.joined(chain, limits)
            continue
        with ExitStack() as opened:
            yield _opened(chain[0], limits, opened)


def _opened(source: Source, limits: Limits, opened: ExitStack) -> Recording | NotARecording:
    try:
        stream = opened.enter_context(source.opened())
        recording = open_recording(stream, source.way, limits)
    except NotARecording as problem:
        todo = RAISE if limits.reached else problem.todo
        return NotARecording(problem.what, problem.where, todo)
    except (Broken, OSError) as problem:
        return _unreadable(source, problem)
    recording.size = source.size
    return recording


def _unreadable(source: Source, problem: Exception) -> NotARecording:
    if isinstance(problem, OSError):
        return NotARecording(f"cannot be opened: {problem.strerror}.", source.way, CHECK)
    return NotARecording(f"cannot be read: {problem}.", source.way, AGAIN)


def _walk(item: Item, shelf: Shelf) -> Iterator[Item]:
    """The recordings in a file, however deep, and what in it is none."""
    if shelf.limits.reached:
        return
    if not isinstance(item, Source):
        yield item
        return
    try:
        shelf.limits.member()
        with item.opened() as stream:
            head = stream.read(HEAD)
        if _is_recording(head):
            yield item
        else:
            yield from _inside(item, head, shelf)
    except LimitReached:
        return
    except (Broken, OSError) as problem:
        if not shelf.limits.reached:
            yield _unreadable(item, problem)


def _inside(source: Source, head: bytes, shelf: Shelf) -> Iterator[Item]:
    """What a container holds; a refusal for what is none."""
    members = _members(source, head, shelf)
    if members is None:
        yield refusal(head, source.way)
        return
    if source.depth >= shelf.limits.depth:
        what = f"lies inside {source.depth} others and is not opened."
        todo = RAISE if source.depth < DEEPEST else "Take it out of them."
        yield NotARecording(what, source.way, todo)
        return
    empty = True
    for member in members:
        empty = False
        yield from _walk(member, shelf)
    if empty and not shelf.limits.reached:
        yield NotARecording("is an archive that holds no files.", source.way, AGAIN)


def _members(source: Source, head: bytes, shelf: Shelf) -> Iterator[Item] | None:
    """The files in a container; None where it is none."""
    if head.startswith(GZIP):
        unpacked = partial(_unpacked, source, shelf.limits)
        return iter([Source(source.way, unpacked, depth=source.depth + 1)])
    if head.startswith(ZIP):
        from analyzer.inputs.parcels.zips import zip_members

        return zip_members(source, shelf)
    if head[TAR_AT:].startswith(TAR):
        from analyzer.inputs.parcels.tars import tar_members

        return tar_members(source, shelf)
    if is_mail(head):
        from analyzer.inputs.parcels.mails import mail_parts

        return mail_parts(source, shelf)
    return None


@contextmanager
def _unpacked(source: Source, limits: Limits) -> Iterator[Stream]:
    with source.opened() as stream:
        yield Gunzip(stream, limits)


def _is_recording(head: bytes) -> bool:
    """Whether octets begin like a recording, or like one that is packed with gzip."""
    if head.startswith(GZIP):
        try:
            head = Gunzip(BytesIO(head), Limits()).read(4)
        except Broken:
            return False
    return is_recording(head)
