"""Parcels made in memory, and a look at what comes out of them."""

import gzip
import io
import tarfile
import zipfile
from collections.abc import Mapping
from email.message import EmailMessage
from pathlib import Path

from analyzer.errors import NotARecording
from analyzer.inputs.limits import Limits
from analyzer.inputs.parcels import unpack
from tests import raw

FRAME = bytes(range(60))
WHOLE = raw.pcap(*((n * raw.SECOND, FRAME) for n in range(5)))
OTHER = raw.section() + raw.interface() + raw.enhanced(FRAME) * 3
PNG = b"\x89PNG\r\n\x1a\n" + bytes(100)


def zipped(
    members: Mapping[str, bytes | zipfile.ZipInfo], packing: int = zipfile.ZIP_DEFLATED
) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", packing) as archive:
        for name, octets in members.items():
            archive.writestr(name, octets)
    return made.getvalue()


def tarred(members: Mapping[str, bytes], layout: int = tarfile.PAX_FORMAT) -> bytes:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=layout) as archive:
        for name, octets in members.items():
            about = tarfile.TarInfo(name)
            about.size = len(octets)
            archive.addfile(about, io.BytesIO(octets))
    return made.getvalue()


def mailed(members: Mapping[str, bytes], words: str = "It does not connect.\n") -> EmailMessage:
    mail = EmailMessage()
    mail["From"], mail["To"] = "site@plant.example", "support@plant.example"
    mail["Subject"] = "No link"
    mail.set_content(words)
    for name, octets in members.items():
        mail.add_attachment(octets, maintype="application", subtype="octet-stream", filename=name)
    return mail


def looked(
    parcel: bytes | Path, name: str = "parcel", limits: Limits | None = None
) -> tuple[dict[str, int], list[str]]:
    """Way and frames of each recording, and the line about each thing that is none."""
    origin = parcel if isinstance(parcel, Path) else io.BytesIO(parcel)
    frames: dict[str, int] = {}
    refused: list[str] = []
    for item in unpack(origin, name, limits):
        if isinstance(item, NotARecording):
            refused.append(str(item))
        else:
            assert item.name not in frames
            frames[item.name] = sum(len(chunk.start) for chunk in item.chunks)
    return frames, refused


def only_refusal(parcel: bytes | Path, limits: Limits | None = None) -> str:
    """The one line about a parcel that holds nothing to read."""
    frames, (line,) = looked(parcel, limits=limits)
    assert frames == {}
    return line


def packed_deep(octets: bytes, depth: int, name: str = "in.zip") -> bytes:
    for _ in range(depth):
        octets = zipped({name: octets})
    return octets


def gzipped(octets: bytes) -> bytes:
    return gzip.compress(octets, mtime=0)
