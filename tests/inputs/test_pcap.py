"""The pcap reader, against draft-ietf-opsawg-pcap."""

import hashlib
import io
import struct
from itertools import pairwise

import pytest

from analyzer.inputs import open_recording
from analyzer.inputs.records import Damage
from tests import raw

FRAME = bytes(range(60))
TIME = 1_700_000_000_123_456_789
ORDERS = pytest.mark.parametrize("order", ["<", ">"])


@ORDERS
@pytest.mark.parametrize("nanoseconds", [False, True])
def test_reads_either_order_and_either_unit(order: str, nanoseconds: bool) -> None:
    octets = raw.pcap_header(order, nanoseconds=nanoseconds) + raw.record(
        FRAME, TIME, order, nanoseconds=nanoseconds
    )
    chunk = raw.only(octets)
    assert raw.stored(chunk) == [FRAME]
    assert chunk.time.tolist() == [TIME if nanoseconds else TIME // 1000 * 1000]
    assert chunk.original.tolist() == [60]


@ORDERS
def test_keeps_both_lengths_of_a_shortened_frame(order: str) -> None:
    octets = raw.pcap_header(order, snap_length=60) + raw.record(FRAME, 0, order, original=1514)
    chunk = raw.only(octets)
    assert (chunk.stored.tolist(), chunk.original.tolist()) == ([60], [1514])


def test_an_original_length_below_the_stored_one_is_told_and_read_over() -> None:
    before = raw.pcap_header() + raw.record(FRAME)
    recording, (chunk,) = raw.read(before + raw.record(FRAME, original=10) + raw.record(FRAME))
    assert chunk.stored.tolist() == chunk.original.tolist() == [60, 60, 60]
    assert recording.damage == Damage(
        len(before), 1, "of a frame of 10 octets 60 are stored", stopped=False
    )


@pytest.mark.parametrize("zeros", [16, 160, 600])
def test_zeros_are_no_frames(zeros: int) -> None:
    before = raw.pcap_header() + raw.record(FRAME, TIME)
    recording, (chunk,) = raw.read(before + bytes(zeros) + raw.record(FRAME, TIME))
    assert raw.stored(chunk) == [FRAME]
    assert recording.damage is not None
    assert (recording.damage.octet, recording.damage.after_frame) == (len(before), 1)


def test_a_frame_without_octets_is_one() -> None:
    octets = raw.pcap_header() + raw.record(b"", TIME) + raw.record(b"", original=60)
    recording, (chunk,) = raw.read(octets)
    assert raw.stored(chunk) == [b"", b""]
    assert recording.damage is None


@ORDERS
def test_link_type_word_holds_type_and_fcs_length(order: str) -> None:
    """Section 4: low 16 bits the type; P bit 0x04000000; top 4 bits the FCS in 16-bit units."""
    for word, link, fcs in ((0x24000001, 1, 4), (0x20000001, 1, 0), (113, 113, 0), (276, 276, 0)):
        recording, _ = raw.read(raw.pcap_header(order, link=word))
        (interface,) = recording.interfaces
        assert (interface.link, interface.fcs_octets) == (link, fcs)


def test_snap_length_is_kept_and_zero_survives() -> None:
    for snap_length in (0, 96, 262144, 0xFFFFFFFF):
        octets = raw.pcap_header(snap_length=snap_length) + raw.record(FRAME)
        recording, chunks = raw.read(octets)
        assert recording.interfaces[0].snap_length == snap_length
        assert len(chunks) == 1


def test_header_alone_is_a_recording_without_frames() -> None:
    recording, chunks = raw.read(raw.pcap_header())
    assert chunks == []
    assert recording.damage is None


@pytest.mark.parametrize("size", [4, 10, 23])
def test_a_file_that_ends_inside_its_header_is_refused(size: int) -> None:
    what = raw.refusal(raw.pcap_header()[:size])
    assert what.startswith(f"is a pcap recording cut after {size} bytes")


def test_every_cut_inside_the_last_frame_keeps_the_frames_before() -> None:
    whole = raw.pcap_header() + 3 * raw.record(FRAME)
    last = len(whole) - len(raw.record(FRAME))
    for size in range(last + 1, len(whole)):
        recording, (chunk,) = raw.read(whole[:size])
        assert len(chunk.start) == 2
        assert recording.damage is not None
        assert (recording.damage.octet, recording.damage.after_frame) == (last, 2)
    recording, _ = raw.read(whole[:last])
    assert recording.damage is None


@ORDERS
def test_a_lying_length_stops_the_reading_there(order: str) -> None:
    honest = raw.pcap_header(order) + raw.record(FRAME, 0, order)
    lie = raw.record(FRAME, 0, order, stored=0x7FFFFFFF)
    recording, (chunk,) = raw.read(honest + lie + raw.record(FRAME, 0, order))
    assert len(chunk.start) == 1
    assert recording.damage is not None
    assert (recording.damage.octet, recording.damage.after_frame) == (len(honest), 1)
    assert "2,147,483,647" in recording.damage.why


@ORDERS
@pytest.mark.parametrize(
    ("odd_one", "later"),
    [
        (raw.record(FRAME, TIME), 0),  # what looks like records and is none
        (raw.record(FRAME, TIME, ">") * 3, 0),
        (raw.record(b"", TIME, stored=7) + FRAME, 0),
        (raw.record(b"", TIME, stored=7, order=">"), 0),
        (b"", 0),
        (bytes(600), 0),
        (FRAME, 20 * 3600 * raw.SECOND),  # the seconds begin with other bits
        (FRAME, -TIME),
    ],
)
@pytest.mark.parametrize("place", [0, 3, 9])
def test_no_frame_is_lost_or_made_up(order: str, odd_one: bytes, later: int, place: int) -> None:
    frames = [(FRAME + FRAME)[: 50 + n] for n in range(10)]
    times = [TIME // 1000 * 1000 + n * raw.SECOND for n in range(10)]
    frames[place], times[place] = odd_one, max(0, times[place] + later)
    records = map(raw.record, frames, times, order * 10)
    chunk = raw.only(raw.pcap_header(order) + b"".join(records))
    assert raw.stored(chunk) == frames
    assert chunk.time.tolist() == [time // 1000 * 1000 for time in times]


def test_frames_over_the_border_of_a_block_stay_whole() -> None:
    big = bytes(65535)
    count = 130  # about 8.5 million octets, three blocks
    octets = raw.pcap_header() + b"".join(
        raw.record(big, n * raw.SECOND, stored=65535) for n in range(count)
    )
    recording, chunks = raw.read(octets)
    assert recording.damage is None
    assert len(chunks) >= 3
    assert sum(len(chunk.start) for chunk in chunks) == count
    for before, after in pairwise(chunks):
        assert after.first == before.first + len(before.start)
        assert after.time[0] == before.time[-1] + raw.SECOND
    assert all(set(chunk.stored.tolist()) == {65535} for chunk in chunks)


def test_digest_covers_the_octets_behind_a_damage() -> None:
    damaged = raw.pcap_header() + raw.record(FRAME, stored=0x7FFFFFFF)
    one, _ = raw.read(damaged)
    other, _ = raw.read(damaged + bytes(9 << 20))
    assert one.sha256 == hashlib.sha256(damaged).hexdigest()
    assert other.sha256 == hashlib.sha256(damaged + bytes(9 << 20)).hexdigest()
    assert other.consumed == len(damaged) + (9 << 20)


@pytest.mark.parametrize("order", ["<", ">"])
def test_reads_longer_record_heads(order: str) -> None:
    """Eight octets more behind the usual words: interface index, protocol, type, padding."""

    def longer(data: bytes, second: int) -> bytes:
        more = struct.pack(order + "IHBB", 3, 0x0800, 4, 0)
        head = struct.pack(order + "4I", second, 250_000, len(data), len(data) + 9)
        return head + more + data

    file_header = struct.pack(order + "IHHIIII", 0xA1B2CD34, 2, 4, 0, 0, 65535, 1)
    octets = file_header + b"".join(longer(FRAME[n:], n) for n in range(20))
    recording, (chunk,) = raw.read(octets)
    assert (recording.format, recording.damage) == ("pcap", None)
    assert raw.stored(chunk) == [FRAME[n:] for n in range(20)]
    assert chunk.time.tolist() == [n * raw.SECOND + 250_000_000 for n in range(20)]
    assert chunk.original.tolist() == [len(FRAME) - n + 9 for n in range(20)]
    cut, _ = raw.read(octets[:-1])
    assert cut.damage is not None
    assert cut.damage.after_frame == 19


@pytest.mark.parametrize(
    ("octets", "what"),
    [
        (b"", "is empty."),
        (b"PK\x03\x04" + bytes(60), "is a ZIP archive"),
        (b"\x89PNG\r\n\x1a\n" + bytes(60), "is a picture"),
        (b"\xff\xd8\xff\xe0" + bytes(60), "is a picture"),
        (b"%PDF-1.7\n", "is a PDF document"),
        (b"snooping around\n", "is text"),
        (b"time,source,destination\n1,2,3\n", "is text"),
        (bytes(64), "holds only zeros"),
        (b"\xd4\xc3\xb2", "does not start like"),
    ],
)
def test_says_what_an_input_is_instead(octets: bytes, what: str) -> None:
    assert raw.refusal(octets).startswith(what)


def test_reads_a_stream_that_hands_out_little_at_a_time() -> None:
    class Slow(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            return super().read(size if size is None or size < 100 else 100)

    octets = raw.pcap_header() + 20 * raw.record(FRAME)
    recording = open_recording(Slow(octets), "slow")
    assert sum(len(chunk.start) for chunk in recording.chunks) == 20
    assert recording.damage is None
