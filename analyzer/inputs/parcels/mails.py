"""Mails (RFC 5322, MIME RFC 2045 to 2047): their attachments as sources, read line by line.

Parts are found by walking the lines once; no more than the lines of one header is ever held.
"""

import binascii
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from email.header import decode_header, make_header
from email.parser import BytesHeaderParser
from functools import partial
from string import ascii_letters, digits
from typing import TypeVar

from analyzer.errors import Broken, LimitReached, NotARecording
from analyzer.inputs.fields import BOUNDED
from analyzer.inputs.parcels.sources import BLOCK, Item, Metered, Shelf, Source
from analyzer.inputs.records import Stream
from analyzer.inputs.strangers import AGAIN, SENT_OPEN

MAX_FIELDS = 1 << 14
"""Octets kept of the fields that describe one part: three lines, as a rule."""
MAX_LINE = 1 << 16
"""Octets of a line. Mails keep below 998 (RFC 5322 2.1.1); a longer line is read in pieces."""
MAX_MULTIPARTS = 64
"""Multiparts inside one another whose boundaries are looked for; mail programs nest three."""
SIGNATURES = ("application/pgp-signature", "application/pkcs7-signature",
              "application/x-pkcs7-signature")  # fmt: skip
ENCRYPTED = ("multipart/encrypted", "application/pkcs7-mime", "application/x-pkcs7-mime")
ATTACH = "Ask for the recording as an attachment, packed as ZIP."
MAIL = "message/rfc822"
BASE64 = f"{ascii_letters}{digits}+/=".encode()
NOT_BASE64 = bytes(octet for octet in range(256) if octet not in BASE64)
Said = TypeVar("Said")
CUT = "the mail ends too early"
DAMAGED = "its base64 packing is damaged"


def mail_parts(source: Source, shelf: Shelf) -> Iterator[Item]:
    """The attachments of a mail; forwarded mails are attachments too."""
    try:
        yield from _mail_parts(source, shelf)
    except LimitReached:
        raise
    except Broken as problem:
        yield NotARecording(f"is a mail that cannot be read on: {problem}.", source.way, AGAIN)


def _mail_parts(source: Source, shelf: Shelf) -> Iterator[Item]:
    lines = _Lines(source, shelf, 0)
    boundaries: list[bytes] = []
    attached = 0
    part: _Part | None = _described(lines)
    while part is not None:
        if part.kind in ENCRYPTED:
            attached += 1
            yield NotARecording("is encrypted, and no key is tried here.", source.way, SENT_OPEN)
        elif part.boundary and len(boundaries) < MAX_MULTIPARTS:
            shelf.limits.member()
            boundaries.append(part.boundary)
        elif part.is_attachment:
            attached += 1
            default = f"{'mail' if part.kind == MAIL else 'attachment'} {attached}"
            opened = partial(_opened, part, source, shelf, lines.at, tuple(boundaries))
            yield source.inside(part.name or default, opened)
        else:
            shelf.limits.member()
        part = _next(lines, boundaries)
    if not attached:
        yield NotARecording("is a mail without an attachment.", source.way, ATTACH)


@dataclass(frozen=True, slots=True)
class _Part:
    """What the header of a mail or of a part says; boundary: the line between its parts, b"" where
    it has none.
    """

    kind: str = "text/plain"
    boundary: bytes = b""
    name: str = ""
    packing: str = ""
    attached: bool = False

    @property
    def is_attachment(self) -> bool:
        """Whether it is more than the words of the mail, or a signature under them."""
        other = not self.kind.startswith(("text/", "multipart/"))
        return self.kind not in SIGNATURES and (self.attached or bool(self.name) or other)


def _next(lines: "_Lines", boundaries: list[bytes]) -> _Part | None:
    """Go on to the next part, inside the same multipart or one around it; None at the end."""
    while boundaries and (line := lines.next()):
        mark = line.rstrip() if line.startswith(b"--") else b""
        if mark in boundaries:
            del boundaries[boundaries.index(mark) + 1 :]
            return _described(lines)
        if mark.endswith(b"--") and mark[:-2] in boundaries:
            del boundaries[boundaries.index(mark[:-2]) :]
    return None


def _described(lines: "_Lines") -> _Part:
    """Read a header up to the empty line behind it."""
    kept, keep = b"", False
    while (line := lines.next()).strip():
        if line[:1] not in b" \t":
            keep = line[:8].lower() == b"content-"
        if keep and len(kept) < MAX_FIELDS:
            kept += line
    told = BytesHeaderParser(policy=BOUNDED).parsebytes(kept)
    kind = _said(told.get_content_type, "text/plain")
    boundary = _said(told.get_boundary, None) if kind.startswith("multipart/") else None
    name = _said(told.get_filename, None) or ""
    return _Part(
        kind=kind,
        boundary=b"--" + boundary.encode("utf-8", "surrogateescape") if boundary else b"",
        name=_said(lambda: str(make_header(decode_header(name))), name),  # RFC 2047
        packing=str(told.get("content-transfer-encoding", "")).strip().lower(),
        attached=_said(told.get_content_disposition, None) == "attachment",
    )


def _said(read: Callable[[], Said], default: Said) -> Said:
    """What one field says. A broken one says the default, and the others are read all the same."""
    try:
        return read()
    except Exception:  # the library raises whatever comes up on broken fields
        return default


class _Lines:
    """The lines of a mail from a position on; at: where the next one begins."""

    def __init__(self, source: Source, shelf: Shelf, at: int) -> None:
        self.source = source
        self.shelf = shelf
        self.at = at
        self.data = b""
        self.start = 0

    def next(self) -> bytes:
        """The next line with its line end, or MAX_LINE octets of it; none at the end."""
        end = self.data.find(b"\n", self.start) + 1
        while not end and len(self.data) - self.start < MAX_LINE:
            more = self.shelf.read(self.source, self.at + len(self.data) - self.start, BLOCK)
            if not more:
                break
            self.data, self.start = self.data[self.start :] + more, 0
            end = self.data.find(b"\n") + 1
        line = self.data[self.start : end or self.start + MAX_LINE]
        self.start += len(line)
        self.at += len(line)
        return line


@contextmanager
def _opened(
    part: _Part, source: Source, shelf: Shelf, at: int, boundaries: Sequence[bytes]
) -> Iterator[Stream]:
    unpacked = _Unpacked(_Lines(source, shelf, at), boundaries, part.packing)
    yield Metered(unpacked, shelf.limits)


class _Unpacked:
    """The content of a part, up to the next boundary; left: octets that wait for the next line."""

    def __init__(self, lines: _Lines, boundaries: Sequence[bytes], packing: str) -> None:
        self.lines = lines
        self.marks = {*boundaries, *(one + b"--" for one in boundaries)}
        self.packing = packing
        self.waiting = bytearray()
        self.left = b""
        self.ended = False
        self.why = ""

    def read(self, size: int) -> bytes:
        while len(self.waiting) < size and not self.ended:
            try:
                line = self.lines.next()
                self.ended = not line or (line.startswith(b"--") and line.rstrip() in self.marks)
                self.waiting += self._rest(line) if self.ended else self._unpack(line)
            except binascii.Error:
                self.ended, self.why = True, DAMAGED
            except Broken as problem:
                self.ended, self.why = True, str(problem)
        if self.why and not self.waiting:
            raise Broken(self.why)
        data = bytes(self.waiting[:size])
        del self.waiting[:size]
        return data

    def _unpack(self, line: bytes) -> bytes:
        match self.packing:
            case "base64":
                letters = self.left + line.translate(None, NOT_BASE64)
                whole = len(letters) & ~3
                self.left = letters[whole:]
                if letters[:whole].partition(b"=")[2].strip(b"="):  # nothing follows padding
                    self.ended, self.why = True, DAMAGED
                return binascii.a2b_base64(letters[:whole])
            case "quoted-printable":
                line = binascii.a2b_qp(line)
        text = line.rstrip(b"\r\n")
        before, self.left = self.left, line[len(text) :]  # a last line end is the boundary's
        return before + text

    def _rest(self, boundary: bytes) -> bytes:
        """What is left at the end of the part."""
        if not boundary and (self.marks or (self.packing == "base64" and self.left)):
            self.why = CUT
            return b""
        if self.packing == "base64":  # some leave the padding out
            return binascii.a2b_base64(self.left + b"==") if self.left else b""
        return b"" if boundary else self.left
