"""RFC 1761: every field where its sections say, and lies told as damage."""

import struct

import pytest

from tests import raw
from tests.support import acquainted, diagnosed, ended, slugs

FRAME = raw.ethernet(raw.ipv4(raw.tcp(b"hello"), 6))


def header(version: int = 2, link: int = 4) -> bytes:
    """Identification pattern, version number, datalink type."""
    return bytes.fromhex("736e6f6f70000000") + struct.pack(">II", version, link)


def packet(
    data: bytes,
    second: int = 0,
    micro: int = 0,
    *,
    original: int | None = None,
    drops: int = 0,
    size: int | None = None,
    stored: int | None = None,
) -> bytes:
    """Original, included and record length, drops, time stamp; then data and padding."""
    padding = bytes(-len(data) % 4)
    record = 24 + len(data) + len(padding) if size is None else size
    wire = len(data) if original is None else original
    kept = len(data) if stored is None else stored
    return struct.pack(">6I", wire, kept, record, drops, second, micro) + data + padding


def test_frames_times_and_lengths() -> None:
    octets = header() + packet(FRAME, 5, 250_000) + packet(FRAME[:57], 6, 1, original=90)
    recording, (chunk,) = raw.read(octets)
    assert (recording.format, recording.damage) == ("snoop", None)
    assert raw.stored(chunk) == [FRAME, FRAME[:57]]
    assert chunk.time.tolist() == [5_250_000_000, 6_000_001_000]
    assert chunk.original.tolist() == [len(FRAME), 90]
    assert [(one.link, one.lost) for one in recording.interfaces] == [(1, 0)]


def test_drops_are_counted_from_the_first_packet_on() -> None:
    octets = header() + packet(FRAME) + packet(FRAME, drops=3) + packet(FRAME, drops=7)
    recording, _ = raw.read(octets)
    assert recording.interfaces[0].lost == 7


def test_a_record_may_hold_more_padding() -> None:
    octets = header() + packet(FRAME, size=24 + len(FRAME) + 40) + bytes(100)
    padded = header() + packet(FRAME, size=24 + len(FRAME) + 40).ljust(64 + len(FRAME), b"\0")
    _, (chunk,) = raw.read(padded + packet(FRAME))
    assert raw.stored(chunk) == [FRAME, FRAME]
    assert raw.read(octets)[0].damage is not None


@pytest.mark.parametrize("link", [0, 4])
def test_both_datalink_types_of_ethernet(link: int) -> None:
    assert raw.stored(raw.only(header(link=link) + packet(FRAME))) == [FRAME]


@pytest.mark.parametrize(
    ("octets", "what"),
    [
        (header(link=8), "is an RFC 1761 recording of version 2 and link type 8"),
        (header(version=1), "is an RFC 1761 recording of version 1"),
        (header()[:12], "is an RFC 1761 recording cut"),
        (header()[:4], "is text"),
    ],
)
def test_what_is_not_read(octets: bytes, what: str) -> None:
    assert raw.refusal(octets).startswith(what)


@pytest.mark.parametrize(
    ("second", "why"),
    [
        (packet(FRAME)[:-1], "the file ends inside a frame"),
        (packet(FRAME, stored=1 << 21), "a frame claims 2,097,152 stored octets"),
        (packet(FRAME, size=24), "claims a record of 24"),
        (packet(FRAME, size=0xFFFFFFFF), "claims a record of 4,294,967,295"),
        (bytes(24), "claims a record of 0"),
    ],
)
def test_lies_are_damage(second: bytes, why: str) -> None:
    first = header() + packet(FRAME)
    recording, (chunk,) = raw.read(first + second)
    assert len(chunk.start) == 1
    assert recording.damage is not None
    assert recording.damage.why.endswith(why)
    assert (recording.damage.octet, recording.damage.after_frame) == (len(first), 1)


def test_more_than_a_chunk() -> None:
    one = packet(FRAME.ljust(60_000, b"\0"))
    _, chunks = raw.read(header() + one * 100)
    assert len(chunks) > 1
    assert sum(len(chunk.start) for chunk in chunks) == 100
    assert chunks[0].first == 1


def test_a_story_is_judged_as_in_any_other_file() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, port=503)
    session.syn()
    session.refuse()
    records = ended(plant).records
    parts = (packet(one.data, *divmod(one.time // 1000, 1_000_000)) for one in records)
    assert slugs(diagnosed(header() + b"".join(parts))) == slugs(diagnosed(plant))
