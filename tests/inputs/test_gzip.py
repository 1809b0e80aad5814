"""Recordings packed with gzip (RFC 1952)."""

import gzip
import zlib

import pytest

from analyzer.inputs.gunzip import BLOCK as GZIP_BLOCK
from tests import raw

FRAME = bytes(range(60))
WHOLE = raw.pcap(*((n * raw.SECOND, FRAME) for n in range(50)))


def test_unpacks_on_the_way() -> None:
    packed = gzip.compress(WHOLE, mtime=0)
    recording, (chunk,) = raw.read(packed)
    assert recording.compressed
    assert recording.format == "pcap"
    assert recording.consumed == len(packed)
    assert raw.stored(chunk) == [FRAME] * 50
    assert recording.damage is None


def test_a_plain_recording_is_not_called_packed() -> None:
    recording, _ = raw.read(WHOLE)
    assert not recording.compressed


def test_digest_is_that_of_the_file_as_sent() -> None:
    one, _ = raw.read(gzip.compress(WHOLE, 1, mtime=0))
    other, _ = raw.read(gzip.compress(WHOLE, 9, mtime=0))
    assert one.sha256 != other.sha256


def test_reads_members_one_after_the_other() -> None:
    """RFC 1952 2.2: a file is a series of members."""
    packed = b"".join(gzip.compress(part, mtime=0) for part in (WHOLE[:333], WHOLE[333:]))
    assert len(raw.only(packed).start) == 50


@pytest.mark.parametrize("left", [0, 1, 2, 5])
def test_a_member_may_begin_anywhere_in_what_was_read(left: int) -> None:
    """left: octets of the second member that are read together with the first."""
    noise = raw.pcap_header() + raw.record(bytes(range(256)) * 253)
    member = gzip.compress(noise, 0, mtime=0)
    room = GZIP_BLOCK + 4 - left - len(member)  # 4 octets are read before the blocks
    name = b"n" * (room - 1) + b"\0"
    named = member[:3] + b"\x08" + member[4:10] + name + member[10:]  # flag 8: a name follows
    assert len(named) == GZIP_BLOCK + 4 - left
    assert len(raw.only(named + gzip.compress(raw.record(FRAME), mtime=0)).start) == 2


def test_octets_behind_the_last_member_are_left_alone() -> None:
    assert len(raw.only(gzip.compress(WHOLE, mtime=0) + bytes(100)).start) == 50


def test_cut_packing_is_damage_and_what_came_before_is_kept() -> None:
    noise = raw.pcap(*((n, bytes([n, n * 7 & 255] * 30)) for n in range(200)))
    packed = gzip.compress(noise, mtime=0)
    recording, chunks = raw.read(packed[: len(packed) // 2])
    kept = sum(len(chunk.start) for chunk in chunks)
    assert 0 < kept < 200
    assert recording.damage is not None
    assert recording.damage.why == "the gzip packing ends too early"
    assert recording.damage.after_frame == kept


def test_spoiled_packing_is_damage() -> None:
    packed = bytearray(gzip.compress(WHOLE, mtime=0))
    packed[-6] ^= 0xFF  # in the check sum of the member
    recording, chunks = raw.read(bytes(packed))
    assert recording.damage is not None
    assert recording.damage.why == "the gzip packing is damaged"
    assert sum(len(chunk.start) for chunk in chunks) == 50


def test_what_is_packed_before_a_damage_is_handed_out() -> None:
    """Up to the block of deflate (RFC 1951 3.2.3) whose kind is none."""
    first = zlib.compressobj(wbits=31)
    packed = first.compress(WHOLE) + first.flush(zlib.Z_SYNC_FLUSH) + b"\x07" + bytes(400)
    recording, (chunk,) = raw.read(packed)
    assert len(chunk.start) == 50
    assert recording.damage is not None


def test_a_damage_that_needs_no_more_octets_raises_nothing() -> None:
    """A copy from before the beginning (RFC 1951 3.2.3), met when the head was read already."""
    packed = gzip.compress(b"", mtime=0)[:10] + bytes.fromhex("9a001010000900")
    assert raw.refusal(packed).startswith("does not start like")


def test_packed_something_else_is_refused() -> None:
    assert raw.refusal(gzip.compress(b"dear support,\n" * 9)).startswith("is text")
    assert raw.refusal(gzip.compress(b"")) == "is empty."
    assert raw.refusal(b"\x1f\x8b\x08\x00")


def test_a_recording_that_unpacks_large_is_read_in_pieces() -> None:
    many = raw.pcap_header() + raw.record(bytes(60)) * 200_000
    recording, chunks = raw.read(gzip.compress(many, 1, mtime=0))
    assert sum(len(chunk.start) for chunk in chunks) == 200_000
    assert max(len(chunk.data) for chunk in chunks) < 1 << 23
    assert recording.damage is None
