"""What the site sent -> recordings: octets in, bounded chunks of frames out.

The only part of the program that touches recording files.
"""

import hashlib
from collections.abc import Iterator
from threading import Thread

from analyzer.errors import Broken, NotARecording
from analyzer.inputs import gunzip, pcap, pcapng, snoop
from analyzer.inputs.limits import Limits
from analyzer.inputs.records import Chunk, Recording, Stream
from analyzer.inputs.strangers import AGAIN, HEAD, refusal

__all__ = ["is_recording", "open_recording"]

PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"
STARTS = {*pcap.MAGICS, *pcap.LONGER, PCAPNG_MAGIC, snoop.MAGIC[:4]}
LARGE = 1 << 20
"""Octets from which on a thread of its own pays for hashing them: a millisecond or more."""


def is_recording(head: bytes) -> bool:
    """Whether octets begin like a recording that can be read, not packed."""
    return head[:4] in STARTS


def open_recording(stream: Stream, name: str, limits: Limits | None = None) -> Recording:
    """Start reading a recording; gzip is opened on the way.

    stream: octets of the file as sent; name: what to call it in messages; limits: how much gzip may
    unpack to. Raises NotARecording where the first octets belong to nothing that can be read.
    """
    recording = Recording(name=name, format="")
    counted = _Counted(stream, recording)
    head = counted.read(4)
    octets: Stream = counted
    if head[:2] == gunzip.MAGIC:
        recording.compressed = True
        octets = _Mended(gunzip.Gunzip(counted, limits or Limits(), head), recording)
        head = octets.read(4)
    if head in pcap.MAGICS or head in pcap.LONGER:
        recording.format = "pcap"
        pcap.read(recording, octets, head)
    elif head == PCAPNG_MAGIC:
        recording.format = "pcapng"
        pcapng.read(recording, octets, head)
    elif head == snoop.MAGIC[:4]:
        recording.format = "snoop"
        snoop.read(recording, octets, head)
    else:
        head += octets.read(HEAD - len(head))
        if recording.cut and not head:
            raise NotARecording(f"cannot be read: {recording.cut}.", name, AGAIN)
        raise refusal(head, name)
    recording.chunks = _to_the_end(recording.chunks, counted)
    return recording


def _to_the_end(chunks: Iterator[Chunk], stream: Stream) -> Iterator[Chunk]:
    """All chunks, and then the octets behind a damage too: the digest is that of the whole file."""
    yield from chunks
    while stream.read(gunzip.BLOCK):
        pass


class _Mended:
    """Ends where a stream breaks, and notes why in the recording."""

    def __init__(self, stream: Stream, recording: Recording) -> None:
        self.stream = stream
        self.recording = recording

    def read(self, size: int) -> bytes:
        try:
            return self.stream.read(size)
        except Broken as problem:
            self.recording.cut = self.recording.cut or str(problem)
        except OSError as problem:
            self.recording.cut = f"the file cannot be read on ({problem.strerror})"
        return b""


class _Counted:
    """Counts and hashes the octets of the file as sent, large blocks in a thread of their own."""

    def __init__(self, stream: Stream, recording: Recording) -> None:
        self.stream = _Mended(stream, recording)
        self.recording = recording
        self.digest = hashlib.sha256()
        self.hashing: Thread | None = None

    def read(self, size: int) -> bytes:
        data = self.stream.read(size)
        if self.hashing is not None:
            self.hashing.join()
            self.hashing = None
        if len(data) < LARGE:
            self.digest.update(data)
        else:
            self.hashing = Thread(target=self.digest.update, args=(data,))
            self.hashing.start()
        self.recording.consumed += len(data)
        if not data:
            self.recording.sha256 = self.digest.hexdigest()
        return data
