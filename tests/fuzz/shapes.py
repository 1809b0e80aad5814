"""Files taken apart and put together again, so that changes get behind the container's own fields.

A file changed at random is refused at its first length. Here one piece of it (a frame, a block, a
member, a line) is changed, and lengths and checksums around it are made to fit.
"""

import gzip
import hashlib
import io
import re
import struct
import tarfile
import warnings
import zipfile
import zlib
from collections.abc import Callable, Sequence
from random import Random

from analyzer.inputs.pcap import FILE_HEADER, MAGICS, RECORD_HEADER
from analyzer.inputs.pcapng import ORDERS

Pieces = list[bytes]
Join = Callable[[Pieces], bytes]
Native = Callable[[bytes, int], bytes]
"""Changes octets at random, to so many at most."""

AS_THEY_ARE = 0.15
"""Part of the changes that leave the container to chance: its own fields lie then."""
MOST_CHANGES = 4
ROOM = 64
"""Octets by which a piece may grow at a time."""
TAR_BLOCK = 512
MOST_UNPACKED = 1 << 20


def taken_apart(octets: bytes) -> tuple[Pieces, Join]:
    """The pieces of a file, and how they become a file again. Raises what readers raise."""
    if octets[:4] in MAGICS:
        return _pcap(octets)
    if octets[:4] == b"\n\r\r\n":
        return _pcapng(octets)
    if octets[:2] == b"\x1f\x8b":
        pieces, join = taken_apart(_unpacked(octets))
        return pieces, lambda pieces: gzip.compress(join(pieces), 1, mtime=0)
    if octets[:2] == b"PK":
        return _zip(octets)
    if octets[257:262] == b"ustar":
        return _tar(octets)
    if re.match(rb"[0-9a-f]{64}\n", octets):
        return [octets[65:]], lambda pieces: _under_its_digest(b"".join(pieces))
    return octets.split(b"\n"), b"\n".join


def _unpacked(octets: bytes) -> bytes:
    unpacked = b""
    while octets[:2] == b"\x1f\x8b":
        inflate = zlib.decompressobj(31)
        unpacked += inflate.decompress(octets, MOST_UNPACKED)
        octets = inflate.unused_data
    return unpacked


def _pcap(octets: bytes) -> tuple[Pieces, Join]:
    """Pieces are records with their headers."""
    order, _ = MAGICS[octets[:4]]
    head, pieces, at = octets[:FILE_HEADER], [], FILE_HEADER
    while at + RECORD_HEADER <= len(octets):
        size = RECORD_HEADER + struct.unpack_from(order + "I", octets, at + 8)[0]
        pieces.append(octets[at : at + size])
        at += size

    def record(piece: bytes) -> bytes:
        piece = piece.ljust(RECORD_HEADER, b"\0")
        stored = struct.pack(order + "I", len(piece) - RECORD_HEADER)
        return piece[:8] + stored + piece[12:]

    return pieces, lambda pieces: head + b"".join(map(record, pieces))


def _pcapng(octets: bytes) -> tuple[Pieces, Join]:
    """Pieces are blocks without their lengths."""
    order, pieces, at = ORDERS[octets[8:12]], [], 0
    while at + 12 <= len(octets):
        size = struct.unpack_from(order + "I", octets, at + 4)[0]
        if size < 12:
            break
        pieces.append(octets[at : at + 4] + octets[at + 8 : at + size - 4])
        at += size

    def block(piece: bytes) -> bytes:
        piece += bytes(-len(piece) % 4)
        length = struct.pack(order + "I", len(piece) + 8)
        return piece[:4] + length + piece[4:] + length

    return pieces, lambda pieces: b"".join(map(block, pieces))


def _zip(octets: bytes) -> tuple[Pieces, Join]:
    """Pieces are names and contents, with a zero between."""
    with zipfile.ZipFile(io.BytesIO(octets)) as archive:
        members = [(name, archive.open(name)) for name in archive.namelist()]
        pieces = [
            name.encode("utf-8", "surrogateescape") + b"\0" + member.read(MOST_UNPACKED)
            for name, member in members
        ]

    def join(pieces: Pieces) -> bytes:
        made = io.BytesIO()
        with warnings.catch_warnings(), zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            warnings.simplefilter("ignore")  # the same name twice
            for piece in pieces:
                name, _, content = piece.partition(b"\0")
                archive.writestr(name.decode("utf-8", "replace"), content)
        return made.getvalue()

    return pieces, join


def _tar(octets: bytes) -> tuple[Pieces, Join]:
    """Pieces are headers with the octets that belong to them."""
    pieces, at = [], 0
    while any(octets[at : at + TAR_BLOCK]):
        size = int(octets[at + 124 : at + 136].rstrip(b"\0 ") or b"0", 8)
        pieces.append(octets[at : at + TAR_BLOCK + size])
        at += TAR_BLOCK + size + (-size % TAR_BLOCK)

    def member(piece: bytes) -> bytes:
        head = piece[:124].ljust(124, b"\0")
        size = b"%011o\0" % max(0, len(piece) - TAR_BLOCK)
        head += size + piece[136:148].ljust(12, b"\0") + b" " * 8 + piece[156:TAR_BLOCK]
        head = head.ljust(TAR_BLOCK, b"\0")
        head = head[:148] + b"%06o\0 " % tarfile.calc_chksums(head)[0] + head[156:]
        return head + piece[TAR_BLOCK:] + bytes(-len(piece) % TAR_BLOCK)

    return pieces, lambda pieces: b"".join(map(member, pieces)) + bytes(2 * TAR_BLOCK)


def _under_its_digest(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def mutator(native: Native, seeds: Sequence[bytes]) -> Callable[[bytes, int, int], bytes]:
    """Changes a file: some of its pieces, or, now and then, anything in it."""
    others: dict[bytes, Pieces] = {}
    for seed in seeds:
        others.setdefault(seed[:4], []).extend(taken_apart(seed)[0])

    def mutated(octets: bytes, most: int, number: int) -> bytes:
        random = Random(number)
        if random.random() < AS_THEY_ARE:
            return native(octets, most)
        try:
            pieces, join = taken_apart(octets)
            for _ in range(random.randint(1, MOST_CHANGES)):
                _change(pieces, random, native, others.get(octets[:4], []))
            return join(pieces)[:most]
        except Exception:  # what chance made of it cannot be taken apart
            return native(octets, most)

    return mutated


def _change(pieces: Pieces, random: Random, native: Native, others: Sequence[bytes]) -> None:
    at = random.randrange(len(pieces))
    other = random.choice(others or pieces)
    match random.randrange(8):
        case 0:
            del pieces[at]
        case 1:
            pieces.insert(random.randrange(len(pieces)), pieces[at])
        case 2:
            to = random.randrange(len(pieces))
            pieces[at], pieces[to] = pieces[to], pieces[at]
        case 3:
            pieces.insert(at, other)
        case 4 | 5:
            begin = random.randrange(len(pieces[at]))
            end = begin + random.choice((1, 2, 4, 6, 20))
            pieces[at] = pieces[at][:begin] + other[begin:end] + pieces[at][end:]
        case _:
            pieces[at] = native(pieces[at], len(pieces[at]) + ROOM)
