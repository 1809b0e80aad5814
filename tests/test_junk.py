"""Whatever the input: a diagnosis, or one sentence on why there is none. Nothing else."""

import gzip
import struct
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analyzer.diagnosis import Diagnosis
from analyzer.errors import Unusable
from tests import raw
from tests.support import diagnosed

CAPTURES = Path(__file__).parents[1] / "captures"
RECORDINGS = sorted(
    path for path in CAPTURES.iterdir() if {".pcap", ".pcapng"} & set(path.suffixes)
)
CUT_EVERYWHERE = ("stopped-early.pcap", "port-silent.pcap.gz")
SHORT_NG = 900  # octets of a pcapng recording that are cut everywhere
LONGEST = 5.0  # seconds of the processor: far above what any of these inputs takes
MAGICS = (
    b"\xd4\xc3\xb2\xa1",
    b"\xa1\xb2\xc3\xd4",
    b"\x4d\x3c\xb2\xa1",
    b"\xa1\xb2\x3c\x4d",
    b"\x0a\x0d\x0d\x0a",
    b"\x0a\x0d\x0d\x0a\x1c\0\0\0\x4d\x3c\x2b\x1a\x01\0\0\0",
    b"\x0a\x0d\x0d\x0a\0\0\0\x1c\x1a\x2b\x3c\x4d\0\x01\0\0",
    b"\x1f\x8b",
    b"\x1f\x8b\x08\0\0\0\0\0\0\x03",
    b"PK\x03\x04",
)
CLASSIC = [path for path in RECORDINGS if path.suffix == ".pcap"]
DAMAGED = CAPTURES / "damaged-file.pcap"  # octet 600: header length in frame 8 of 49, the SYN
parts = st.floats(0, 1, exclude_max=True)
quickly = settings(max_examples=100, deadline=None)


def survive(octets: bytes) -> Diagnosis | None:
    """The diagnosis, None where the input is refused; anything else raised is a failure."""
    began = time.process_time()
    diagnosis, refusal = None, None
    try:
        diagnosis = diagnosed(octets)
    except Unusable as error:
        refusal = error
    assert time.process_time() - began < LONGEST
    assert refusal is None or (refusal.what and refusal.todo)
    return diagnosis


@cache
def octets_of(path: Path) -> bytes:
    return path.read_bytes()


# --- not recordings -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "octets",
    [
        b"",
        b"\0",
        b"hello",
        "Schönen guten Tag,\n".encode() * 50,
        b'{"time": 1}' * 100,
        b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4,
        b"\xff\xd8\xff\xe0" + bytes(1000),
        b"%PDF-1.4\n" + bytes(1000),
        bytes(100_000),
        b"\xff" * 100_000,
    ],
    ids=lambda octets: repr(octets[:8]),
)
def test_something_else_is_refused(octets: bytes) -> None:
    assert survive(octets) is None


@quickly
@given(st.binary(max_size=600))
def test_random_octets(octets: bytes) -> None:
    survive(octets)


@quickly
@given(st.sampled_from(MAGICS), st.binary(max_size=600))
def test_a_magic_number_and_then_anything(magic: bytes, octets: bytes) -> None:
    survive(magic + octets)


@quickly
@given(st.sampled_from("<>"), st.integers(0, 2**32 - 1), st.binary(max_size=600))
def test_a_pcap_header_and_then_anything(order: str, link: int, octets: bytes) -> None:
    survive(raw.pcap_header(order, link=link) + octets)


@quickly
@given(st.sampled_from("<>"), st.integers(0, 2**16 - 1), st.binary(max_size=600))
def test_a_section_with_an_interface_and_then_anything(
    order: str, link: int, octets: bytes
) -> None:
    survive(raw.section(order) + raw.interface(link, order=order) + octets)


# --- demo recordings, cut and spoiled -------------------------------------------------------------


@pytest.mark.parametrize("name", CUT_EVERYWHERE)
def test_a_recording_cut_at_every_octet(name: str) -> None:
    whole = octets_of(CAPTURES / name)
    for size in range(len(whole)):
        survive(whole[:size])


def test_a_next_generation_recording_cut_at_every_octet() -> None:
    whole = octets_of(CAPTURES / "healthy-first-contact.pcapng")
    for size in range(SHORT_NG):
        survive(whole[:size])


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(RECORDINGS), parts)
def test_a_recording_cut_anywhere(path: Path, part: float) -> None:
    whole = octets_of(path)
    survive(whole[: int(part * len(whole))])


@settings(max_examples=200, deadline=None)
@example(DAMAGED, [(600.5 / 3839, 4)])
@given(
    st.sampled_from(RECORDINGS),
    st.lists(st.tuples(parts, st.integers(0, 7)), min_size=1, max_size=8),
)
def test_a_recording_with_flipped_bits(path: Path, flips: list[tuple[float, int]]) -> None:
    octets = bytearray(octets_of(path))
    for part, bit in flips:
        octets[int(part * len(octets))] ^= 1 << bit
    survive(bytes(octets))


@settings(max_examples=150, deadline=None)
@example(DAMAGED, 600.5 / 3839, b"\x90")
@given(st.sampled_from(RECORDINGS), parts, st.binary(min_size=1, max_size=40))
def test_a_recording_with_octets_written_over(path: Path, part: float, noise: bytes) -> None:
    octets = bytearray(octets_of(path))
    at = int(part * len(octets))
    octets[at : at + len(noise)] = noise[: len(octets) - at]
    survive(bytes(octets))


@settings(max_examples=150, deadline=None)
@example(DAMAGED, [(7.5 / 49, 46.5 / 66, 0x90)], [])
@given(
    st.sampled_from(CLASSIC),
    st.lists(st.tuples(parts, parts, st.integers(0, 255)), min_size=1, max_size=20),
    st.lists(st.tuples(parts, parts), max_size=4),
)
def test_frames_that_lie_in_a_sound_recording(
    path: Path, lies: list[tuple[float, float, int]], cuts: list[tuple[float, float]]
) -> None:
    """The layout stays whole, so that the lies reach the facts and the rules."""
    frames = [(when, bytearray(frame)) for when, frame in frames_of(path)]
    for place, at, value in lies:
        _, frame = frames[int(place * len(frames))]
        frame[int(at * len(frame))] = value
    for place, at in cuts:
        _, frame = frames[int(place * len(frames))]
        del frame[int(at * len(frame)) + 1 :]
    link = raw.opened(octets_of(path)).interfaces[0].link
    assert survive(raw.pcap(*((when, bytes(frame)) for when, frame in frames), link=link))


def frames_of(path: Path) -> Iterator[tuple[int, bytes]]:
    for chunk in raw.read(octets_of(path))[1]:
        yield from zip(chunk.time.tolist(), raw.stored(chunk), strict=True)


def test_a_recording_that_begins_with_an_acceptance() -> None:
    there, back = (raw.PC_HW, raw.UNIT_HW), (raw.UNIT_HW, raw.PC_HW)
    accept = raw.tcp(b"", 0x12, 502, 49152, seq=300, ack=101)
    answer = raw.tcp(b"answer", 0x18, 502, 49152, seq=301, ack=104)
    packets = (
        (raw.ipv4(accept, 6, raw.UNIT, raw.PC), back),
        (raw.ipv4(raw.tcp(b"", 0x10, seq=101, ack=301), 6, id=2), there),
        (raw.ipv4(raw.tcp(b"ask", 0x18, seq=101, ack=301), 6, id=3), there),
        (raw.ipv4(answer, 6, raw.UNIT, raw.PC, id=4), back),
    )
    frames = (raw.ethernet(packet, 0x0800, *hardware) for packet, hardware in packets)
    assert survive(raw.pcap(*((n * raw.SECOND, one) for n, one in enumerate(frames)))) is not None


# --- lengths, options and floods ------------------------------------------------------------------

FRAME = raw.tcp_frame(b"ask")
HEAD = raw.section() + raw.interface()
HUGE = (0, 1, 3, 11, 13, 28, 2**16, 2**20 + 4, 2**24 + 4, 2**31 - 1, 2**31, 2**32 - 4, 2**32 - 1)


@pytest.mark.parametrize("length", HUGE)
@pytest.mark.parametrize("order", ["<", ">"])
def test_lengths_that_lie(length: int, order: str) -> None:
    for field in ("stored", "original"):
        header = raw.pcap_header(order)
        assert survive(header + raw.record(FRAME, 0, order, **{field: length}) * 3) is not None
        head = raw.section(order) + raw.interface(order=order)
        block = raw.enhanced(FRAME, order=order, **{field: length})
        assert survive(head + block * 3) is not None
    for kind in (1, 2, 3, 4, 5, 6, 10, 0x0A0D0D0A, 0x80000001):
        block = raw.block(kind, FRAME + bytes(2), order, length)
        assert survive(head + block + raw.enhanced(FRAME, order=order)) is not None
    simple = raw.simple(FRAME, order, original=length)
    assert survive(head + simple * 2) is not None


@pytest.mark.parametrize("kind", [1, 5, 6])
@pytest.mark.parametrize(
    "options",
    [
        struct.pack("<HH", 1, 0) * 5000,  # a list that never comes to its end
        struct.pack("<HH", 2, 65535),
        struct.pack("<HH", 0, 65535) * 100,
        struct.pack("<HH", 65535, 0) * 100 + b"\1",
        b"".join(raw.option(code, bytes([255]) * 8) for code in range(20)),
        b"\0",
    ],
    ids=lambda options: options[:4].hex(),
)
def test_options_that_lead_nowhere(kind: int, options: bytes) -> None:
    options = raw.padded(options)
    block = {
        1: raw.interface(options=options),
        5: raw.statistics(0, options),
        6: raw.enhanced(FRAME, options=options),
    }[kind]
    assert survive(HEAD + block + raw.enhanced(FRAME, 9)) is not None


@pytest.mark.parametrize("mask", ["00000000", "000000ff", "ffffffff", "00ffffff", "ff00ff00"])
def test_masks_that_are_none(mask: str) -> None:
    """In the interface record, where a controller stands in another network."""
    option = raw.option(4, raw.ip(raw.PC) + bytes.fromhex(mask)) + raw.option(
        6, bytes.fromhex(raw.PC_HW)
    )
    blocks = b"".join(
        raw.enhanced(raw.arp_frame(1, raw.PC_HW, raw.PC, "198.51.100.60"), n * 1_000_000)
        for n in range(3, 30)
    )
    other = raw.enhanced(raw.arp_frame(1, raw.UNIT_HW, raw.UNIT, "192.0.2.1"), 0)
    octets = raw.section() + raw.interface(options=option) + other + blocks + other
    assert survive(octets) is not None


def test_a_flood_of_interfaces() -> None:
    assert survive(raw.section() + raw.interface() * 20_000) is not None


def test_a_flood_of_sections() -> None:
    assert survive(raw.section() * 50_000) is not None
    assert survive((HEAD + raw.enhanced(FRAME)) * 5_000) is not None


def test_a_flood_of_empty_frames() -> None:
    assert survive(raw.pcap_header() + raw.record(b"") * 200_000) is not None
    assert survive(HEAD + raw.enhanced(b"") * 100_000) is not None
    assert survive(HEAD + raw.simple(b"") * 100_000) is not None


def test_a_packing_that_grows_a_thousandfold() -> None:
    assert survive(gzip.compress(raw.pcap_header() + bytes(8 << 20), 9)) is not None


def test_a_packing_within_a_packing() -> None:
    assert survive(gzip.compress(gzip.compress(raw.pcap(FRAME)))) is None


@pytest.mark.parametrize("link", [0, 1, 101, 105, 108, 113, 127, 228, 229, 276, 9999])
def test_every_link_type_with_frames_of_another(link: int) -> None:
    frames = (FRAME, FRAME[14:], raw.arp_frame(1, raw.PC_HW, raw.PC, raw.UNIT), b"", bytes(1500))
    assert survive(raw.pcap(*((n * raw.SECOND, one) for n, one in enumerate(frames)), link=link))


@pytest.mark.parametrize("times", [(0, 2**32 - 1), (2**32 - 1, 0), (5, 3, 1), (0, 0, 0)])
def test_times_that_jump(times: tuple[int, ...]) -> None:
    frames = [(when * raw.SECOND, raw.tcp_frame(seq=n)) for n, when in enumerate(times)]
    assert survive(raw.pcap(*frames)) is not None
    blocks = b"".join(raw.enhanced(FRAME, when << 32) for when in times)
    options = raw.option(14, struct.pack("<q", -(2**63))) + raw.option(9, b"\xff")
    assert survive(raw.section() + raw.interface(options=options) + blocks) is not None
