"""frames-cut-short: frames were stored shorter than they were."""

import zlib
from collections.abc import Callable

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT
from analyzer.findings import Level
from captures import layouts
from captures.layouts import Record
from captures.plant import Plant
from tests import raw
from tests.support import diagnosed, found, lead, slugs, told_or_not

SLUG = "frames-cut-short"


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


def refused() -> Plant:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    plant.resolve(pc, unit)
    for _ in range(2):
        session = plant.tcp(pc, unit)
        session.syn(after=2)
        session.refuse()
    plant.wait(6)
    plant.chatter()
    return plant


@told_or_not
@pytest.mark.parametrize("kept", [60, 64])
def test_found_as_a_note_where_the_headers_are_whole(
    kept: int, controllers: tuple[str, ...]
) -> None:
    plant = healthy()
    diagnosis = diagnosed(plant, controllers, snaplen=kept)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    longer = [n for n, record in enumerate(plant.records, 1) if len(record.data) > kept]
    assert finding.level is Level.NOTE
    assert (finding.values["cut"], finding.values["kept"]) == (len(longer), kept)
    assert [one.moment.frame for one in finding.evidence] == longer[:1]
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("kept", [14, 34, 50])
def test_found_as_a_warning_where_headers_are_gone(kept: int, controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(healthy(), controllers, snaplen=kept)
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert lead(diagnosis) is None
    assert diagnosis.status == CANNOT_TELL


def test_found_beside_a_fault_that_the_headers_still_show() -> None:
    diagnosis = diagnosed(refused(), snaplen=64)
    assert lead(diagnosis) == "port-refused"
    assert diagnosis.status == FAULT


def test_found_as_a_warning_where_a_tag_moves_the_headers_behind_the_cut() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    with plant.tagged(0, priority=6):
        plant.resolve(pc, unit)
        plant.tcp(pc, unit).open().poll(3)
    plant.wait(6)
    plant.chatter()
    assert found(diagnosed(plant, snaplen=56), SLUG).level is Level.WARNING
    assert found(diagnosed(plant, snaplen=60), SLUG).level is Level.NOTE


@told_or_not
def test_quiet_where_all_frames_are_whole(controllers: tuple[str, ...]) -> None:
    assert slugs(diagnosed(healthy(), controllers)) == []


def test_quiet_where_the_limit_is_not_reached() -> None:
    assert slugs(diagnosed(healthy(), snaplen=200)) == []


def test_quiet_for_frames_that_are_short_by_nature() -> None:
    plant = healthy()
    assert min(len(record.data) for record in plant.records) < 60
    assert slugs(diagnosed(plant, snaplen=262144)) == []


def test_quiet_for_a_layout_without_padding() -> None:
    assert SLUG not in slugs(diagnosed(healthy(), link_type=101))


def as_pcap(frames: list[tuple[Record, bytes, int]]) -> bytes:
    """(frame, octets stored, octets on the wire)"""
    parts = (raw.record(data, one.time, original=wire) for one, data, wire in frames)
    return raw.pcap_header() + b"".join(parts)


def as_pcapng(frames: list[tuple[Record, bytes, int]]) -> bytes:
    parts = (raw.enhanced(data, one.time // 1000, original=wire) for one, data, wire in frames)
    return raw.section() + raw.interface() + b"".join(parts)


def kept(one: Record) -> tuple[Record, bytes, int]:
    """With the check sequence, as it is on the wire."""
    check = zlib.crc32(one.data).to_bytes(4, "little")
    return one, one.data + check, len(one.data) + 4


def counted(one: Record) -> tuple[Record, bytes, int]:
    """Without the check sequence, which counts as on the wire."""
    return one, one.data, len(one.data) + 4


@pytest.mark.parametrize("layout", [as_pcap, as_pcapng])
@pytest.mark.parametrize("how", [kept, counted])
@pytest.mark.parametrize("story", [healthy, refused])
def test_quiet_for_check_sequences_that_nobody_told_of(
    story: Callable[[], Plant],
    how: Callable[[Record], tuple[Record, bytes, int]],
    layout: Callable[[list[tuple[Record, bytes, int]]], bytes],
) -> None:
    """Neither padding nor cut off: everything is as without them."""
    plant = story()
    plain = diagnosed(layouts.pcap(plant.records))
    diagnosis = diagnosed(layout([how(one) for one in plant.records]))
    assert slugs(diagnosis) == slugs(plain)
    assert diagnosis.facts.coverage.cut == diagnosis.facts.coverage.overlong == 0
    sent, had = (
        [[side.octets for side in each.sides] for each in one.facts.sessions]
        for one in (diagnosis, plain)
    )
    assert sent == had
    lengths = [sum(path.octets for path in one.facts.paths) for one in (diagnosis, plain)]
    assert lengths[0] == lengths[1]


@pytest.mark.parametrize("layout", [as_pcap, as_pcapng])
def test_found_where_the_last_four_octets_are_the_packets(
    layout: Callable[[list[tuple[Record, bytes, int]]], bytes],
) -> None:
    records = [one for one in healthy().records if len(one.data) > 60]
    frames = [(one, one.data[:-4], len(one.data)) for one in records]
    assert found(diagnosed(layout(frames)), SLUG).values["cut"] == len(frames)
