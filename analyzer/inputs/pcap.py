"""Reads pcap (draft-ietf-opsawg-pcap): either octet order, microseconds or nanoseconds, and a
variant with longer record heads.
"""

import struct
from collections.abc import Callable, Iterator

import numpy as np

from analyzer.columns import Ints, take
from analyzer.errors import NotARecording
from analyzer.inputs.records import (
    MAX_FRAME,
    PADDING,
    Chunk,
    Damage,
    Interface,
    Recording,
    Stream,
    more_than_there_was,
)
from analyzer.inputs.strangers import AGAIN

FILE_HEADER = 24
RECORD_HEADER = 16
FCS_PRESENT = 0x04000000
BLOCK = 1 << 22

MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
"""First four octets -> (octet order, nanoseconds in one unit of the fraction). Section 4."""
LONGER = {b"\x34\xcd\xb2\xa1": ("<", 1000), b"\xa1\xb2\xcd\x34": (">", 1000)}
"""The same of the variant whose record heads have eight octets more behind the usual four words:
interface index (4), protocol (2), packet type (1), padding (1). All from memory."""
LONGER_HEADER = RECORD_HEADER + 8


def read(recording: Recording, stream: Stream, head: bytes) -> None:
    """Fill the recording from a stream whose first octets, `head`, were already taken.

    Raises NotARecording where the file ends inside its header.
    """
    order, unit = (MAGICS | LONGER)[head[:4]]
    header = LONGER_HEADER if head[:4] in LONGER else RECORD_HEADER
    head += stream.read(FILE_HEADER - len(head)) if len(head) < FILE_HEADER else b""
    if len(head) < FILE_HEADER:
        cut = f"cut after {len(head)} bytes, inside its file header: it holds no frames."
        raise NotARecording(f"is a pcap recording {cut}", recording.name, AGAIN)
    snap_length, link = struct.unpack(order + "II", head[16:FILE_HEADER])
    fcs = 2 * (link >> 28) if link & FCS_PRESENT else 0
    recording.interfaces.append(Interface(link & 0xFFFF, snap_length, fcs))

    def walk(data: bytes, size: int) -> tuple[Ints, int, str]:
        return _walk(data, size, order, header)

    def chunk(data: bytes, starts: Ints, number: int) -> Chunk:
        return _chunk(data, starts, order, unit, header, number, fcs)

    recording.chunks = in_chunks(recording, stream, head, FILE_HEADER, walk, chunk)


def in_chunks(
    recording: Recording,
    stream: Stream,
    head: bytes,
    position: int,
    walk: Callable[[bytes, int], tuple[Ints, int, str]],
    chunk: Callable[[bytes, Ints, int], Chunk],
) -> Iterator[Chunk]:
    """The frames of a file of records, the first of which begins at a position in the file.

    walk: positions of the whole records in the first octets of some data, how many octets they
    take, and what is wrong next; chunk: the frames of these records, from the number of the first.
    """
    data, number, more = head[position:], 1, True
    while more:
        block = stream.read(BLOCK)
        more = bool(block)
        size = len(data) + len(block)
        data = b"".join((data, block, PADDING))
        starts, used, lie = walk(data, size)
        if len(starts):
            frames = chunk(data, starts, number)
            _doubt(recording, frames, position + starts)
            yield frames
        number += len(starts)
        position += used
        data = data[used:size]
        if lie:
            recording.damage = Damage(position, number - 1, lie)
            return
    if data or recording.cut:
        why = recording.cut or "the file ends inside a frame"
        recording.damage = Damage(position, number - 1, why)


def _doubt(recording: Recording, chunk: Chunk, at: Ints) -> None:
    """Tell the first frame that contradicts itself, and give it back the octets that are stored.

    at: where the record of each frame begins in the file.
    """
    odd = np.flatnonzero(chunk.original < chunk.stored)
    if len(odd):
        sizes = int(chunk.stored[odd[0]]), int(chunk.original[odd[0]])
        recording.note(int(at[odd[0]]), chunk.first + int(odd[0]) - 1, more_than_there_was(*sizes))
    chunk.original = np.maximum(chunk.original, chunk.stored)


def _walk(data: bytes, size: int, order: str, header: int) -> tuple[Ints, int, str]:
    """See in_chunks; header: octets of a record's head. One that is all zeros is no frame's: a
    disk holds zeros where a file was not written to its end.
    """
    stored_at = struct.Struct(order + "I").unpack_from
    sure, at = _leap(data, size, order, header)
    starts: list[int] = []
    keep = starts.append
    empty, lie = bytes(header), ""
    while at + header <= size:
        (stored,) = stored_at(data, at + 8)
        following = at + header + stored
        if not stored and data.startswith(empty, at):
            lie = "there are only zeros where a frame should begin"
            break
        if following > size or stored > MAX_FRAME:
            lie = too_long(stored) if stored > MAX_FRAME else ""
            break
        keep(at)
        at = following
    return np.concatenate((sure, np.array(starts, np.int64))), at, lie


def too_long(stored: int) -> str:
    """What is wrong with a record that cannot be true."""
    return f"a frame claims {stored:,} stored octets"


def _leap(data: bytes, size: int, order: str, header: int) -> tuple[Ints, int]:
    """The same for the records that can be found without walking, and where the walk goes on.

    For 18 hours on end the seconds begin with the same sixteen bits, so a record may start wherever
    these stand. Such places are believed as far as each leads to the next. Where they are too many,
    as in zeros, they say nothing.
    """
    octets = np.frombuffer(data, np.uint8)
    skip, even = (2 if order == "<" else 0), size & ~1
    shifted = [octets[odd + skip : odd + skip + even].view(np.uint16) for odd in (0, 1)]
    found = [halves == shifted[0][:1] for halves in shifted]
    if sum(map(np.count_nonzero, found)) > size // header:
        return np.empty(0, np.int64), 0
    at = np.sort(np.concatenate([np.flatnonzero(half) * 2 + odd for odd, half in enumerate(found)]))
    at = at[at + header <= size]
    stored = take(octets, at + 8, np.dtype(order + "u4")).astype(np.int64)
    likely = (stored > 0) & (stored <= MAX_FRAME)
    at, following = at[likely], (at + header + stored)[likely]
    if not len(at) or at[0]:
        return at[:0], 0
    doubt = np.append(following[:-1] != at[1:], True).argmax()
    return at[:doubt], int(at[doubt])


def _chunk(
    data: bytes, at: Ints, order: str, unit: int, header: int, number: int, fcs: int
) -> Chunk:
    octets = np.frombuffer(data, np.uint8)
    record = np.dtype([(name, order + "u4") for name in ("seconds", "part", "stored", "original")])
    headers = take(octets, at, record)
    count = len(at)
    stored = headers["stored"].astype(np.int64)
    return Chunk(
        data=octets,
        start=at + header,
        stored=stored,
        original=headers["original"].astype(np.int64),
        fcs=np.full(count, fcs),
        time=headers["seconds"].astype(np.int64) * 1_000_000_000
        + headers["part"].astype(np.int64) * unit,
        interface=np.zeros(count, np.int32),
        direction=np.zeros(count, np.uint8),
        first=number,
    )
