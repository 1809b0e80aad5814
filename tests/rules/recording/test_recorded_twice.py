"""recorded-twice: many frames are copies that the recorder made."""

from dataclasses import replace

import pytest

from analyzer.diagnosis import NO_FAULT, Verdict
from analyzer.facts import Address
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.layouts import Record, octets
from captures.plant import Plant, Station, modbus_read
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "recorded-twice"
RIGHT_AFTER = 40_000  # nanoseconds


def healthy(polls: int = 4) -> tuple[Plant, Station, Station]:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(polls)
    session.close(after=0.5)
    return ended(plant), pc, unit


def again(record: Record) -> Record:
    return replace(record, time=record.time + RIGHT_AFTER)


def mirrored(records: list[Record]) -> list[Record]:
    """Every frame, and right behind it once more."""
    return [one for record in records for one in (record, again(record))]


def routed(records: list[Record], delay: float, ttl: int = 1) -> list[Record]:
    """The IPv4 packets once more, on the other side of a router."""
    both = []
    for one in records:
        both.append(one)
        if one.data[12:14] == b"\x08\x00" and one.data[0] & 1 == 0:
            data = bytearray(one.data.ljust(60, b"\0"))
            data[:12] = octets("00:00:5e:00:53:f2") + octets("00:00:5e:00:53:f1")
            data[22] -= ttl
            later = one.time + round(delay * 1e9)
            both.append(replace(one, time=later, data=bytes(data), outbound=False))
    return sorted(both, key=lambda one: one.time)


@told_or_not
@pytest.mark.parametrize("ttl", [0, 1])
@pytest.mark.parametrize("delay", [0.0001, 0.05])
def test_found_once_where_packets_are_seen_on_both_sides_of_a_router(
    delay: float, ttl: int, controllers: tuple[str, ...]
) -> None:
    """No repeat, no loss, no second device with the address."""
    plant, pc, unit = healthy(polls=40)
    records = routed(plant.records, delay, ttl)
    diagnosis = diagnosed(layouts.pcap(records), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.values["forwarded"] == finding.values["copies"]
    assert finding.values["forwarded"] == len(records) - len(plant.records)
    assert "router" in finding.likely_causes[0]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    for station in (pc, unit):
        users = diagnosis.facts.index.users[Address.parse(station.address)]
        assert {int(hardware) for _, hardware in users} == {int.from_bytes(octets(station.hw))}
    assert not any(side.repeats.count for one in diagnosis.facts.sessions for side in one.sides)


@pytest.mark.parametrize("delay", [0.0001, 0.05])
def test_repeats_on_the_wire_still_count_beside_copies_of_a_router(delay: float) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    session.send(modbus_read(session.transaction), after=1)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)
    before = diagnosed(ended(plant))
    after = diagnosed(layouts.pcap(routed(plant.records, delay)))
    assert lead(after) == lead(before) is not None
    for diagnosis in (before, after):
        assert [side.repeats.count for side in diagnosis.facts.sessions[0].sides] == [3, 0]


@told_or_not
def test_found_where_every_frame_is_twice(controllers: tuple[str, ...]) -> None:
    plant, _, _ = healthy()
    frames = len(plant.records)
    diagnosis = diagnosed(layouts.pcap(mirrored(plant.records)), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert not any("router" in cause for cause in finding.likely_causes)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.SHOWN)
    assert (finding.values["copies"], finding.values["frames"]) == (frames, 2 * frames)
    assert [line.moment.frame for line in finding.evidence][:3] == [2, 4, 6]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


def test_found_where_only_one_direction_is_twice() -> None:
    plant, _, _ = healthy()
    records = [
        one
        for record in plant.records
        for one in ((record, again(record)) if record.outbound else (record,))
    ]
    finding = found(diagnosed(layouts.pcap(records)), SLUG)
    assert finding.values["copies"] == sum(record.outbound for record in plant.records)


def test_found_for_tagged_and_untagged_copies() -> None:
    """As where a bridge and the port below it were recorded together."""
    plant, _, _ = healthy()
    tag = bytes.fromhex("81000005")
    records = [
        one
        for record in plant.records
        for one in (replace(record, data=record.data[:12] + tag + record.data[12:]), again(record))
    ]
    diagnosis = diagnosed(layouts.pcap(records))
    assert slugs(diagnosis) == [SLUG]


def test_found_beside_the_fault_that_leads() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, port=503)
    session.syn()
    session.refuse()
    records = mirrored(ended(plant).records)
    assert slugs(diagnosed(layouts.pcap(records))) == ["port-refused", SLUG]


def test_quiet_where_every_packet_is_there_once() -> None:
    assert_healthy(diagnosed(healthy()[0]))


def test_quiet_for_a_few_frames_that_look_alike() -> None:
    plant, _, _ = healthy(polls=20)
    records = plant.records
    few = len(records) // 12
    assert few >= 5
    assert_healthy(diagnosed(layouts.pcap(mirrored(records[:few]) + records[few:])))


def test_quiet_for_cyclic_frames_that_are_alike_by_nature() -> None:
    """They are left out of the counts, and tell nothing about the way of recording."""
    plant, pc, _ = acquainted()
    frame = octets("01:00:5e:00:53:ff") + octets(pc.hw) + bytes.fromhex("88b5") + bytes(46)
    start = plant.records[-1].time
    cyclic = [Record(start + n * 500_000, frame, outbound=False) for n in range(200)]
    diagnosis = diagnosed(layouts.pcap([*plant.records, *cyclic]))
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.facts.coverage.copies == diagnosis.facts.coverage.alike > 100


@pytest.mark.parametrize("pauses", [(0.3, 0.6, 1.2), (0.002, 0.002, 0.002)])
def test_quiet_for_segments_sent_again(pauses: tuple[float, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.send(modbus_read(session.transaction), after=1)
        for pause in pauses:
            session.again(after=pause)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_for_questions_repeated_every_second() -> None:
    plant, pc, unit = acquainted()
    plant.ask(pc, unit, times=20)
    assert SLUG not in slugs(diagnosed(plant))


def test_quiet_without_frames() -> None:
    assert SLUG not in slugs(diagnosed(Plant()))
