"""damaged-file: reading had to stop before the end of the file, or met what contradicts itself."""

import struct

import pytest

from analyzer.diagnosis import CANNOT_TELL, NO_FAULT, Verdict
from analyzer.findings import Level
from captures import layouts
from captures.plant import Plant
from tests import raw
from tests.support import diagnosed, found, slugs, told_or_not

SLUG = "damaged-file"


def healthy() -> Plant:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close()
    plant.wait(6)
    plant.chatter()
    return plant


@told_or_not
@pytest.mark.parametrize("layout", ["pcap", "pcapng"])
def test_found_where_the_file_ends_inside_a_frame(
    layout: str, controllers: tuple[str, ...]
) -> None:
    plant = healthy()
    diagnosis = diagnosed(getattr(plant, layout)()[:-7], controllers)
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.WARNING
    assert finding.values["frames"] == len(plant.records) - 1
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


def test_found_where_the_next_frame_header_is_cut() -> None:
    plant = healthy()
    whole = plant.pcap()
    finding = found(diagnosed(whole + b"\1" * 9), SLUG)
    assert finding.values["octet"] == len(whole)
    assert finding.values["frames"] == len(plant.records)


def test_found_where_a_length_is_a_lie() -> None:
    plant = healthy()
    lie = struct.pack("<IIII", 1_741_683_700, 0, 0x7FFFFFFF, 60)
    diagnosis = diagnosed(plant.pcap() + lie + bytes(60))
    assert found(diagnosis, SLUG).values["frames"] == len(plant.records)
    assert diagnosis.status == NO_FAULT


def test_found_where_a_frame_contradicts_itself_and_reading_went_on() -> None:
    plant = healthy()
    whole = plant.pcap()
    odd = whole[:36] + struct.pack("<I", 10) + whole[40:]
    diagnosis = diagnosed(odd)
    assert found(diagnosis, SLUG).values["frames"] == len(plant.records)
    assert diagnosis.status == NO_FAULT
    assert "had to stop" not in found(diagnosis, SLUG).texts.what_happened


def test_found_where_the_packing_is_cut() -> None:
    packed = layouts.compressed(healthy().pcap())
    finding = found(diagnosed(packed[: len(packed) * 2 // 3]), SLUG)
    assert 0 < finding.values["frames"] < len(healthy().records)


@told_or_not
def test_found_where_no_whole_frame_is_left(controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(healthy().pcap()[: 24 + 30], controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["frames"] == 0
    assert diagnosis.outcomes == []
    assert diagnosis.status == CANNOT_TELL


def test_found_and_the_lost_part_is_no_silence() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    plant.resolve(pc, unit)
    called = plant.tcp(pc, unit).syn()
    plant.wait(30)
    plant.chatter()
    octets = layouts.pcap(plant.records[: plant.number(called) + 1])
    diagnosis = diagnosed(octets[:-5])
    assert slugs(diagnosis) == [SLUG, "stopped-early"]
    assert diagnosis.status == CANNOT_TELL


def test_found_where_the_rest_of_the_file_is_zeros() -> None:
    plant = healthy()
    finding = found(diagnosed(plant.pcap() + bytes(4096)), SLUG)
    assert finding.values["frames"] == len(plant.records)


@told_or_not
@pytest.mark.parametrize("layout", ["pcap", "pcapng"])
def test_quiet_where_the_file_ends_behind_a_whole_frame(
    layout: str, controllers: tuple[str, ...]
) -> None:
    diagnosis = diagnosed(getattr(healthy(), layout)(), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


def test_quiet_for_a_whole_packed_file() -> None:
    assert slugs(diagnosed(layouts.compressed(healthy().pcap()))) == []


def test_quiet_for_two_packed_parts_one_after_the_other() -> None:
    octets = healthy().pcap()
    packed = layouts.compressed(octets[:500]) + layouts.compressed(octets[500:])
    assert slugs(diagnosed(packed)) == []


def test_quiet_for_several_sections() -> None:
    records = healthy().records
    octets = layouts.pcapng(records[:9]) + layouts.pcapng(records[9:])
    assert slugs(diagnosed(octets)) == []


def test_quiet_for_blocks_that_hold_no_frames() -> None:
    """Name resolution, statistics, a block of somebody's own (draft-ietf-opsawg-pcapng 4)."""
    others = [raw.block(4, bytes(4)), raw.statistics(0, raw.option(5, bytes(8)))]
    others.append(raw.block(0x80000007, bytes(range(80))))
    octets = healthy().pcapng() + b"".join(others)
    assert slugs(diagnosed(octets)) == []


def test_quiet_for_either_octet_order_and_nanoseconds() -> None:
    assert slugs(diagnosed(healthy(), big_endian=True, nanoseconds=True)) == []
    assert slugs(diagnosed(healthy().pcapng(big_endian=True, resolution=9))) == []


def test_quiet_for_frames_that_were_cut_on_purpose() -> None:
    assert SLUG not in slugs(diagnosed(healthy(), snaplen=64))


def test_quiet_for_a_file_that_holds_no_frames() -> None:
    diagnosis = diagnosed(layouts.pcap([]))
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == CANNOT_TELL
