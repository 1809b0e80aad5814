"""ZIP archives: their members as sources. Nothing is extracted, no link is followed."""

import stat
import struct
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs.limits import RAISE
from analyzer.inputs.parcels.sources import Item, Metered, Shelf, Source, is_hidden
from analyzer.inputs.records import Stream
from analyzer.inputs.strangers import AGAIN, FROM_OFFICE, NO_LINK, SENT_OPEN

LOCKED = 1
"""Bit of a ZIP member's flags: it is encrypted."""
FOLDER = "/"
"""Last letter of a folder's name; a file may have no name at all."""
OFFICE = ("[Content_Types].xml", "META-INF/manifest.xml")
"""Members that tell an office document that is packed as ZIP."""


def zip_members(source: Source, shelf: Shelf) -> Iterator[Item]:
    """The files of a ZIP archive, in the order in which they are packed."""
    try:
        listed = _archive(source, shelf).infolist()
    except Broken as problem:
        what = f"is a ZIP archive that cannot be opened: {problem}."
        todo = RAISE if isinstance(problem, LimitReached) else AGAIN
        yield NotARecording(what, source.way, todo)
        return
    members = [one for one in listed if one.filename[-1:] != FOLDER]
    if any(one.filename in OFFICE for one in members):
        what = "is an office document, such as a spreadsheet, not a recording."
        yield NotARecording(what, source.way, FROM_OFFICE)
        return
    locked = [one for one in members if one.flag_bits & LOCKED]
    if locked:
        yield _locked(source, locked, members)
    for one in sorted(members, key=lambda one: one.header_offset):
        if not one.flag_bits & LOCKED and not is_hidden(one.filename):
            yield _member(source, shelf, one)


def _locked(source: Source, locked: Sequence[ZipInfo], members: Sequence[ZipInfo]) -> NotARecording:
    if len(locked) == len(members):
        what = "is locked with a password, and none is tried here."
    else:
        what = f"holds {len(locked):,} of {len(members):,} files locked with a password."
    return NotARecording(what, source.way, SENT_OPEN)


def _member(source: Source, shelf: Shelf, member: ZipInfo) -> Item:
    @contextmanager
    def opened() -> Iterator[Stream]:
        with _telling():
            stream = _archive(source, shelf).open(member)
        with stream:
            yield Metered(_Unzip(stream), shelf.limits)

    found = source.inside(member.filename, opened, member.file_size)
    if stat.S_ISLNK(member.external_attr >> 16):
        return NotARecording("is a link to another file.", found.way, NO_LINK)
    if member.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
        todo = "Pack it with the usual method (deflate), or send it as it is."
        return NotARecording("is packed in a way that is not opened here.", found.way, todo)
    return found


def _archive(source: Source, shelf: Shelf) -> ZipFile:
    view = shelf.view(source)
    if view.archive is None:
        with _telling():
            view.archive = ZipFile(view)
    return view.archive


class _Unzip:
    """What ZipFile gives, with any trouble told as Broken."""

    def __init__(self, stream: Stream) -> None:
        self.stream = stream

    def read(self, size: int) -> bytes:
        with _telling():
            return self.stream.read(size)


@contextmanager
def _telling() -> Iterator[None]:
    """Tells as Broken what zipfile raises on archives that lie."""
    try:
        yield
    except (BadZipFile, zlib.error, struct.error, EOFError, OSError) as problem:
        raise Broken("its ZIP packing is damaged or cut") from problem
    except (ValueError, RuntimeError, ArithmeticError, LookupError) as problem:
        raise Broken("its ZIP packing contradicts itself") from problem
