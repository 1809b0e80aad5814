"""What the site sent -> recordings: octets in, bounded chunks of frames out.

The only part of the program that touches recording files.
"""

import hashlib
import zlib
from collections.abc import Iterator
from typing import BinaryIO

from analyzer.errors import NotARecording
from analyzer.inputs import pcap, pcapng
from analyzer.inputs.records import Chunk, Recording, Stream

__all__ = ["open_recording"]

GZIP_MAGIC = b"\x1f\x8b"
PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"
GZIP_BLOCK = 1 << 16

SAVE_AS = "Save the recording as pcap or pcapng and pass that file."
LOOKS_LIKE = (
    (b"PK\x03\x04", "is a ZIP archive, not a recording.", "Unpack it and pass the file inside."),
    (b"\x89PNG", "is a picture, not a recording.", SAVE_AS),
    (b"\xff\xd8\xff", "is a picture, not a recording.", SAVE_AS),
    (b"%PDF", "is a PDF document, not a recording.", SAVE_AS),
    (b"snoop\x00", "is an RFC 1761 recording, which is not read here.", SAVE_AS),
)


def open_recording(stream: BinaryIO, name: str) -> Recording:
    """Start reading a recording; gzip is opened on the way.

    stream: octets of the file as sent; name: what to call it in messages.
    Raises NotARecording where the first octets belong to nothing that can be read.
    """
    recording = Recording(name=name, format="")
    counted = _Counted(stream, recording)
    head = counted.read(4)
    octets: Stream = counted
    if head[:2] == GZIP_MAGIC:
        recording.compressed = True
        octets = _Gunzip(counted, head, recording)
        head = octets.read(4)
    if head in pcap.MAGICS:
        recording.format = "pcap"
        pcap.read(recording, octets, head)
    elif head == PCAPNG_MAGIC:
        recording.format = "pcapng"
        pcapng.read(recording, octets, head)
    else:
        raise _not_a_recording(name, head, octets)
    recording.chunks = _to_the_end(recording.chunks, counted)
    return recording


def _to_the_end(chunks: Iterator[Chunk], stream: Stream) -> Iterator[Chunk]:
    """All chunks, and then the octets behind a damage too: the digest is that of the whole file."""
    yield from chunks
    while stream.read(GZIP_BLOCK):
        pass


def _not_a_recording(name: str, head: bytes, stream: Stream) -> NotARecording:
    head += stream.read(508)
    if not head:
        return NotARecording("is empty.", name, "Ask for the file again: it may have been cut.")
    for magic, what, todo in LOOKS_LIKE:
        if head.startswith(magic):
            return NotARecording(what, name, todo)
    if _is_text(head):
        return NotARecording("is text, not a recording.", name, SAVE_AS)
    return NotARecording("does not start like a pcap or pcapng recording.", name, SAVE_AS)


def _is_text(head: bytes) -> bool:
    readable = sum(octet in b"\t\n\r" or 32 <= octet < 127 for octet in head)
    return readable >= 0.95 * len(head)


class _Counted:
    """Counts and hashes the octets of the file as sent."""

    def __init__(self, stream: BinaryIO, recording: Recording) -> None:
        self.stream = stream
        self.recording = recording
        self.digest = hashlib.sha256()

    def read(self, size: int) -> bytes:
        data = self.stream.read(size)
        self.digest.update(data)
        self.recording.consumed += len(data)
        if not data:
            self.recording.sha256 = self.digest.hexdigest()
        return data


class _Gunzip:
    """Opens a gzip stream piece by piece; what can be unpacked before damage is handed on."""

    def __init__(self, stream: Stream, head: bytes, recording: Recording) -> None:
        self.stream = stream
        self.recording = recording
        self.waiting = head
        self.inflate = zlib.decompressobj(wbits=31)
        self.ended = False

    def read(self, size: int) -> bytes:
        pieces: list[bytes] = []
        while size and not self.ended:
            pieces.append(self._piece(size))
            size -= len(pieces[-1])
        return b"".join(pieces)

    def _piece(self, size: int) -> bytes:
        packed = self.waiting or self.stream.read(GZIP_BLOCK)
        if not packed:
            return self._end("the gzip packing ends too early")
        try:
            data = self.inflate.decompress(packed, size)
        except zlib.error:
            return self._end("the gzip packing is damaged")
        self.waiting = self.inflate.unconsumed_tail
        if self.inflate.eof:
            self.waiting = self.inflate.unused_data
            if len(self.waiting) < len(GZIP_MAGIC):
                self.waiting += self.stream.read(GZIP_BLOCK)
            self.inflate = zlib.decompressobj(wbits=31)
            self.ended = not self.waiting.startswith(GZIP_MAGIC)
        return data

    def _end(self, why: str) -> bytes:
        self.ended = True
        self.recording.cut = why
        return b""
