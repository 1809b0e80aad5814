"""Reads the packet capture file format of RFC 1761: big-endian, microseconds."""

import struct

import numpy as np

from analyzer.columns import Ints, take
from analyzer.errors import NotARecording
from analyzer.inputs.pcap import in_chunks, too_long
from analyzer.inputs.records import MAX_FRAME, Chunk, Interface, Link, Recording, Stream
from analyzer.inputs.strangers import AGAIN, HEAD, SAVE_AS, refusal

MAGIC = b"snoop\0\0\0"
FILE_HEADER = 16
RECORD_HEADER = 24
VERSION = 2
ETHERNET = (0, 4)
"""Datalink types that hold Ethernet frames: IEEE 802.3 and Ethernet."""
RECORD = np.dtype(
    [(name, ">u4") for name in ("original", "stored", "size", "drops", "seconds", "part")]
)


def read(recording: Recording, stream: Stream, head: bytes) -> None:
    """Fill the recording from a stream whose first octets, `head`, were already taken.

    Raises NotARecording where it is something else, ends inside its header, is of another version
    than 2, or holds other frames than Ethernet's.
    """
    head += stream.read(FILE_HEADER - len(head)) if len(head) < FILE_HEADER else b""
    if not head.startswith(MAGIC):
        raise refusal(head + stream.read(HEAD - len(head)), recording.name)
    if len(head) < FILE_HEADER:
        raise NotARecording(
            "is an RFC 1761 recording cut inside its file header.", recording.name, AGAIN
        )
    version, link = struct.unpack(">II", head[8:FILE_HEADER])
    if version != VERSION or link not in ETHERNET:
        what = f"is an RFC 1761 recording of version {version} and link type {link}; {KNOWN}"
        raise NotARecording(what, recording.name, SAVE_AS)
    interface = Interface(Link.ETHERNET)
    recording.interfaces.append(interface)

    def chunk(data: bytes, starts: Ints, number: int) -> Chunk:
        return _chunk(data, starts, number, interface)

    recording.chunks = in_chunks(recording, stream, head, FILE_HEADER, _walk, chunk)


KNOWN = "version 2 with Ethernet is read here."


def _walk(data: bytes, size: int) -> tuple[Ints, int, str]:
    """See in_chunks. A record tells its own length, padding included."""
    sizes = struct.Struct(">II").unpack_from
    starts: list[int] = []
    at, lie = 0, ""
    while at + RECORD_HEADER <= size:
        stored, taken = sizes(data, at + 4)
        if stored > MAX_FRAME:
            lie = too_long(stored)
        elif not RECORD_HEADER + stored <= taken <= RECORD_HEADER + 2 * MAX_FRAME:
            lie = f"a frame of {stored:,} octets claims a record of {taken:,}"
        if lie or at + taken > size:
            break
        starts.append(at)
        at += taken
    return np.array(starts, np.int64), at, lie


def _chunk(data: bytes, at: Ints, number: int, interface: Interface) -> Chunk:
    octets = np.frombuffer(data, np.uint8)
    headers = take(octets, at, RECORD)
    stored = headers["stored"].astype(np.int64)
    interface.missed = int(headers["drops"][-1])  # counted from the first packet on
    return Chunk(
        data=octets,
        start=at + RECORD_HEADER,
        stored=stored,
        original=headers["original"].astype(np.int64),
        fcs=np.zeros(len(at), np.int64),
        time=headers["seconds"].astype(np.int64) * 1_000_000_000
        + headers["part"].astype(np.int64) * 1000,
        interface=np.zeros(len(at), np.int32),
        direction=np.zeros(len(at), np.uint8),
        first=number,
    )
