"""ZIP archives: their members as sources. Nothing is extracted, no link is followed."""

import stat
import struct
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from copy import copy
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipExtFile, ZipFile, ZipInfo

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs.gunzip import up_to_damage
from analyzer.inputs.limits import RAISE
from analyzer.inputs.parcels.sources import BLOCK, Item, Metered, Shelf, Source, is_hidden
from analyzer.inputs.records import Stream
from analyzer.inputs.strangers import AGAIN, FROM_OFFICE, NO_LINK, SENT_OPEN

DAMAGED = "its ZIP packing is damaged or cut"
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
            stream = _archive(source, shelf).open(_packed(member))
        with stream:
            assert isinstance(stream, ZipExtFile)
            yield Metered(_Unzip(stream, member), shelf.limits)

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


def _packed(member: ZipInfo) -> ZipInfo:
    """The same member as if it were not packed, and had no checksum: ZipFile gives nothing of a
    piece in which it meets damage.
    """
    plain = copy(member)
    plain.compress_type, plain.file_size = ZIP_STORED, member.compress_size
    del plain.CRC
    return plain


class _Unzip:
    """What is in a member, up to where it is damaged. Raises Broken there."""

    def __init__(self, packed: ZipExtFile, member: ZipInfo) -> None:
        self.packed = packed
        self.member = member
        self.inflate = zlib.decompressobj(wbits=-15)
        self.waiting = b""
        self.sum = 0
        self.broken = False

    def read(self, size: int) -> bytes:
        if self.broken:
            raise Broken(DAMAGED)
        with _telling():
            stored = self.member.compress_type == ZIP_STORED
            data = self.packed.read1(size) if stored else self._inflated(size)
        self.sum = zlib.crc32(data, self.sum)
        if not data and (self.broken or self.sum != self.member.CRC):
            raise Broken(DAMAGED)
        return data

    def _inflated(self, size: int) -> bytes:
        data = b""
        while not (data or self.broken or self.inflate.eof):
            packed = self.waiting or self.packed.read1(BLOCK)
            before = self.inflate.copy()
            try:
                data = self.inflate.decompress(packed, size)
            except zlib.error:
                data, self.broken = up_to_damage(before, packed, size), True
            self.broken |= not packed
            self.waiting = self.inflate.unconsumed_tail
        return data


@contextmanager
def _telling() -> Iterator[None]:
    """Tells as Broken what zipfile raises on archives that lie."""
    try:
        yield
    except (BadZipFile, zlib.error, struct.error, EOFError, OSError) as problem:
        raise Broken(DAMAGED) from problem
    except (ValueError, RuntimeError, ArithmeticError, LookupError) as problem:
        raise Broken("its ZIP packing contradicts itself") from problem
