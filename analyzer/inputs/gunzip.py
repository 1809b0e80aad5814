"""Opens gzip (RFC 1952) piece by piece; what can be unpacked before damage is handed on."""

import zlib

from analyzer.errors import Broken
from analyzer.inputs.limits import Limits
from analyzer.inputs.records import Stream

MAGIC = b"\x1f\x8b"
BLOCK = 1 << 16
DAMAGED = "the gzip packing is damaged"


def up_to_damage(inflate: "zlib._Decompress", packed: bytes, size: int) -> bytes:
    """What comes, size octets at most, of packed octets in which damage was met. zlib hands out
    nothing then: the most that it takes without complaint is looked for.
    """
    data, good, bad = b"", 0, len(packed)
    while bad - good > 1:
        middle = (good + bad) // 2
        try:
            data = inflate.copy().decompress(packed[:middle], size)
            good = middle
        except zlib.error:
            bad = middle
    return data


class Gunzip:
    """The octets inside a gzip stream whose first octets, `head`, were already taken."""

    def __init__(self, stream: Stream, limits: Limits, head: bytes = b"") -> None:
        self.stream = stream
        self.limits = limits
        self.waiting = head
        self.inflate = zlib.decompressobj(wbits=31)
        self.ended = False
        self.why = ""

    def read(self, size: int) -> bytes:
        """Up to size octets; none at the end. Raises Broken where the packing is damaged."""
        pieces: list[bytes] = []
        while size and not self.ended:
            try:
                pieces.append(self._piece(size))
            except Broken as problem:
                self.ended, self.why = True, str(problem)
                break
            size -= len(pieces[-1])
        data = b"".join(pieces)
        if self.why and not data:
            raise Broken(self.why)
        return data

    def _piece(self, size: int) -> bytes:
        packed = self.waiting or self.stream.read(BLOCK)
        if not packed:
            raise Broken("the gzip packing ends too early")
        before = self.inflate.copy()
        try:
            data = self.inflate.decompress(packed, size)
        except zlib.error:
            data, self.why, self.ended = up_to_damage(before, packed, size), DAMAGED, True
        self.limits.unpacked(len(data))
        self.waiting = self.inflate.unconsumed_tail
        if self.inflate.eof:
            self.waiting = self.inflate.unused_data
            if len(self.waiting) < len(MAGIC):
                self.waiting += self.stream.read(BLOCK)
            self.inflate = zlib.decompressobj(wbits=31)
            self.ended = not self.waiting.startswith(MAGIC)
        return data
