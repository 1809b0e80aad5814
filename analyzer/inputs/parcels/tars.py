"""Tar archives: their members as sources. Nothing is extracted, no link is followed.

Headers are parsed by the standard library, one block at a time. Its reader of whole archives is not
used: it takes in long names and extended headers of any length that they claim.
"""

from collections.abc import Iterator
from tarfile import HeaderError, TarInfo

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs.parcels.sources import Item, Shelf, Source, is_hidden
from analyzer.inputs.strangers import AGAIN, NO_FILE, NO_LINK, NOT_A_FILE

BLOCK = 512
FILLING = 20 * BLOCK
"""What follows the mark that ends an archive fills up blocks of this size (POSIX.1 pax)."""
PLAIN, LONG_NAME = (b"0", b"\0", b"7"), b"L"
EXTENSIONS = (LONG_NAME, b"K", b"x", b"g")
NO_DATA = (b"1", b"2", b"3", b"4", b"5", b"6")
"""Type flags: files; names and records about the next member; links, devices, folders, pipes."""
MAX_HEADER = 1 << 16
"""Octets of a long name or of extended headers; file systems end at 4,096."""


def tar_members(source: Source, shelf: Shelf) -> Iterator[Item]:
    """The files of a tar archive (POSIX.1 ustar and pax; long names as GNU writes them)."""
    try:
        yield from _members(source, shelf)
    except LimitReached:
        raise
    except Broken as problem:
        what = f"is a tar archive that cannot be read on: {problem}."
        yield NotARecording(what, source.way, AGAIN)


def _members(source: Source, shelf: Shelf) -> Iterator[Item]:
    at = 0
    told: dict[str, str] = {}
    while (member := _header(shelf.read(source, at, BLOCK))) is not None:
        at += BLOCK
        size = 0 if member.type in NO_DATA else member.size
        if member.type in EXTENSIONS:
            shelf.limits.member()
            extension = shelf.read(source, at, min(size, MAX_HEADER))
            told |= {"path": _text(extension)} if member.type == LONG_NAME else _records(extension)
        else:
            name, size = told.get("path", member.name), _number(told.get("size")) or size
            told = {}
            if member.isdir() or is_hidden(name):
                shelf.limits.member()
            else:
                yield _member(member, source.inside(name, shelf.window(source, at, size), size))
        at += -(-size // BLOCK) * BLOCK
    while octets := shelf.read(source, at, FILLING):  # a damage is told at the end of the packing
        at += len(octets)


def _member(member: TarInfo, found: Source) -> Item:
    if member.issym() or member.islnk():
        return NotARecording("is a link to another file.", found.way, NO_LINK)
    if member.type not in PLAIN:
        return NotARecording(NOT_A_FILE, found.way, NO_FILE)
    return found


def _header(block: bytes) -> TarInfo | None:
    """The header of a member; None at the mark that ends the archive. Raises Broken."""
    if block == bytes(BLOCK):
        return None
    if len(block) < BLOCK:
        raise Broken("it ends too early")
    try:
        member = TarInfo.frombuf(block, "utf-8", "replace")
    except HeaderError as problem:
        raise Broken("its tar packing is damaged") from problem
    if member.size < 0:
        raise Broken("its tar packing is damaged")
    return member


def _records(extension: bytes) -> dict[str, str]:
    """Extended header records (POSIX.1 pax: "length key=value" and a line end)."""
    lines = (line.partition(b" ")[2].partition(b"=") for line in extension.split(b"\n"))
    return {_text(key): _text(value) for key, _, value in lines if key in (b"path", b"size")}


def _text(octets: bytes) -> str:
    return octets.split(b"\0")[0].decode("utf-8", "replace")


def _number(text: str | None) -> int:
    """A size that a record tells, 0 where it tells none."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 20 else 0
