"""What has nothing to do with the link-up changes nothing of the diagnosis.

Every story is diagnosed as it is and once more after a change: traffic of others woven in or left
out, addresses renamed, times shifted, another file layout, tags, copies. Who leads, how far each
link-up got, and which faults and warnings are told has to stay; frame numbers, times and notes may
differ.
"""

import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from analyzer.diagnosis import Diagnosis
from analyzer.findings import Level
from captures import layouts, make
from captures.layouts import Record, network_header
from captures.plant import Plant, Station, modbus_read
from tests.dressing import SCENES, SECOND, Story, of_the_demo, tagged, woven
from tests.support import diagnosed, lead

FEW = settings(
    max_examples=5,
    derandomize=True,
    deadline=None,
    database=None,
    phases=(Phase.explicit, Phase.generate),
)
"""The same changes on every day. One that fails is not made smaller: that takes minutes."""

PC, UNIT = "192.0.2.15", "192.0.2.60"


# --- stories --------------------------------------------------------------------------------------


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(PC), plant.station(UNIT)
    plant.wait(5)
    return plant, pc, unit


def ended(plant: Plant) -> tuple[Record, ...]:
    plant.wait(8)
    plant.chatter()
    return tuple(plant.records)


def datagrams(answered: bool) -> Story:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(4):
        plant.datagram(pc, unit, 50000, 47808, b"read", after=1)
        if answered:
            plant.datagram(unit, pc, 47808, 50000, b"here")
    return Story(ended(plant))


def half_open() -> Story:
    """An older session is in the way of the first try; the second works."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit, client_seq=7000)
    session.syn()
    session.ack(unit, seq=5000, ack=77_000)
    session.rst(bare=True, seq=77_000)
    session.again(after=1)
    session.syn_ack()
    session.ack()
    session.poll(4)
    return Story(ended(plant))


def two_controllers() -> Story:
    plant, pc, unit = begun()
    other = plant.station("192.0.2.61")
    for one in (unit, other):
        plant.resolve(pc, one)
    plant.tcp(pc, unit).open().poll(4)
    refused = plant.tcp(pc, other)
    refused.syn()
    refused.refuse()
    return Story(ended(plant), (UNIT, "192.0.2.61:502"))


def lost_answer() -> Story:
    """The recorder missed an answer, and the PC confirms it."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.5)
    plant.lose(session.send(b"answer", unit))
    session.ack(after=0.04)
    return Story(ended(plant))


def filtered() -> Story:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16))
    plant.wait(8)
    plant.tcp(pc, unit).syn()
    plant.wait(8)
    plant.tcp(pc, unit).syn()
    return Story(tuple(plant.records), alone=True)


def beside() -> Story:
    """A recorder that is neither end hears only the PC's broadcasts."""
    plant = Plant()
    recorder, client = plant.pc("192.0.2.99"), plant.station(PC)
    plant.datagram(recorder, "192.0.2.255", 50000, 50000, b"who", after=2)
    plant.wait(5)
    plant.ask(client, UNIT)
    return Story(ended(plant), (UNIT,), PC)


def other_adapter() -> Story:
    plant = Plant()
    pc, server = plant.pc("198.51.100.15"), plant.station("198.51.100.9")
    plant.wait(5)
    plant.resolve(pc, server)
    plant.tcp(pc, server, 443).open().poll(4)
    plant.wait(6)
    plant.chatter(plant.station("198.51.100.20"), plant.station("198.51.100.31"))
    return Story(tuple(plant.records), (UNIT,), alone=True)


TOLD_HERE: dict[str, Callable[[], Story]] = {
    "datagrams answered": lambda: datagrams(answered=True),
    "datagrams not answered": lambda: datagrams(answered=False),
    "half-open session": half_open,
    "two controllers": two_controllers,
    "lost answer": lost_answer,
    "filtered": filtered,
    "recorded beside": beside,
    "other adapter": other_adapter,
}
NAMES = [*make.STORIES, *TOLD_HERE]
every_story = pytest.mark.parametrize("name", NAMES)


@cache
def story(name: str) -> Story:
    return TOLD_HERE[name]() if name in TOLD_HERE else of_the_demo(name)


every_story_in_company = pytest.mark.parametrize(
    "name", [name for name in NAMES if not story(name).alone]
)


# --- diagnoses ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Essence:
    """What has to stay."""

    lead: str | None
    outcomes: tuple[tuple[str, str, str | None], ...]
    told: frozenset[tuple[str, str]]
    status: int


def judged(told: Story, octets: bytes) -> Diagnosis:
    return diagnosed(octets, told.controllers, told.pc)


def essence(diagnosis: Diagnosis, named: Callable[[str], str] = str) -> Essence:
    return Essence(
        lead(diagnosis),
        tuple(
            (named(str(one.linkup.controller)), one.verdict.value, one.stopped_at)
            for one in diagnosis.outcomes
        ),
        frozenset(
            (one.rule, one.level.value) for one in diagnosis.findings if one.level is not Level.NOTE
        ),
        diagnosis.status,
    )


@cache
def plainly(name: str) -> Diagnosis:
    return judged(story(name), layouts.pcap(story(name).records))


def assert_unchanged(name: str, records: Sequence[Record], **layout: Any) -> None:
    changed = judged(story(name), layouts.pcap(records, **layout))
    assert essence(changed) == essence(plainly(name))


# --- traffic of others ----------------------------------------------------------------------------


@every_story_in_company
@FEW
@given(
    scenes=st.lists(
        st.tuples(st.integers(0, len(SCENES) - 1), st.floats(0.0, 0.9)), min_size=2, max_size=8
    )
)
def test_traffic_of_others_changes_nothing(name: str, scenes: list[tuple[int, float]]) -> None:
    assert_unchanged(name, woven(story(name).records, scenes))


def uninvolved(diagnosis: Diagnosis) -> list[int]:
    """Stations that are not PC or controller, nor pass on, claim or lease anything of theirs."""
    case, facts = diagnosis.case, diagnosis.facts
    involved = {None if case.pc is None else case.pc.hardware}
    wanted = set(case.pc.addresses) if case.pc else set()
    for linkup in case.linkups:
        involved |= {linkup.router, *linkup.sent_to}
        wanted.add(linkup.controller)
        involved |= {error.sender_hw for error in linkup.errors}
    involved |= {message.sender for message in facts.dhcp}
    return [
        int(one.hardware)
        for one in facts.stations
        if one.hardware is not None and one.hardware not in involved
        if not wanted & set(one.addresses) and not one.short
    ]


@every_story_in_company
@FEW
@given(data=st.data())
def test_stations_that_are_not_involved_can_be_left_out(name: str, data: st.DataObject) -> None:
    """All but one, as that somebody is heard at all does matter."""
    others = uninvolved(plainly(name))[1:]
    left_out = data.draw(st.sets(st.sampled_from(others), min_size=1)) if others else set()
    first, *inner, last = story(name).records
    kept = [one for one in inner if int.from_bytes(one.data[6:12]) not in left_out]
    assert_unchanged(name, [first, *kept, last])


# --- names and times ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Names:
    """New names: a network for each network, a last number for each last number. Those that say
    something by themselves stay: 0, 1, 254 and 255.
    """

    networks: dict[bytes, bytes]
    numbers: dict[int, int]
    hardware: dict[int, int]

    def of(self, match: re.Match[bytes]) -> bytes:
        front, last = match[0][:-1], match[0][-1]
        if len(front) == 5:
            return front + bytes([self.hardware[last]])
        return self.networks[front] + bytes([self.numbers[last]])

    def renamed(self, octets: bytes) -> bytes:
        return NAMED.sub(self.of, octets)

    def address(self, text: str) -> str:
        address, colon, port = text.partition(":")
        new = self.renamed(bytes(map(int, address.split("."))))
        return ".".join(map(str, new)) + colon + port

    def record(self, record: Record) -> Record:
        data = self.renamed(record.data)
        at = network_header(data)
        if data != record.data and data[at - 2 : at] == b"\x08\x00":
            data = data[:at] + _summed(data[at:], record.data[at:], record.outbound)
        return replace(record, data=data)


NETWORKS = [bytes([192, 0, 2]), bytes([198, 51, 100]), bytes([203, 0, 113])]
NAMED = re.compile(
    b"(?:" + b"|".join(map(re.escape, [*NETWORKS, bytes.fromhex("00005e0053")])) + b").", re.DOTALL
)


CHECKSUM = {1: 2, 6: 16, 17: 6}  # where ICMP, TCP and UDP have it in their header


def _summed(data: bytes, before: bytes, outbound: bool) -> bytes:
    """A renamed IPv4 packet with its checksums as right, or as unfinished, as before (RFC 1624)."""
    changed = bytearray(data)
    header, protocol = (data[0] & 15) * 4, data[9]
    _adjust(changed, 10, _sum(before[:header]) - _sum(data[:header]))
    if protocol in CHECKSUM and int.from_bytes(data[6:8]) & 0x1FFF == 0:
        gone = _sum(before[header:]) - _sum(data[header:])
        if protocol != 1:
            gone += _sum(before[12:20]) - _sum(data[12:20])
        unfinished = outbound and protocol != 1
        _adjust(changed, header + CHECKSUM[protocol], -gone if unfinished else gone)
    return bytes(changed)


def _sum(octets: bytes) -> int:
    octets += bytes(len(octets) & 1)
    return sum(struct.unpack(f"!{len(octets) // 2}H", octets))


def _adjust(octets: bytearray, at: int, by: int) -> None:
    octets[at : at + 2] = ((int.from_bytes(octets[at : at + 2]) + by) % 0xFFFF).to_bytes(2)


def shuffled(numbers: Sequence[int]) -> st.SearchStrategy[dict[int, int]]:
    others = [number for number in range(256) if number not in numbers]
    return st.permutations(numbers).map(
        lambda new: dict(zip([*numbers, *others], [*new, *others], strict=True))
    )


names = st.builds(
    Names,
    st.permutations(NETWORKS).map(lambda new: dict(zip(NETWORKS, new, strict=True))),
    shuffled(range(2, 254)),
    shuffled(range(256)),
)


@every_story
@FEW
@given(new=names)
def test_other_names_change_nothing_but_the_names(name: str, new: Names) -> None:
    old = story(name)
    told = Story(
        tuple(map(new.record, old.records)),
        tuple(map(new.address, old.controllers)),
        new.address(old.pc) if old.pc else None,
    )
    expected = essence(plainly(name), new.address)
    changed = essence(judged(told, layouts.pcap(told.records)))
    assert set(changed.outcomes) == set(expected.outcomes)
    assert replace(changed, outcomes=()) == replace(expected, outcomes=())


@every_story
@FEW
@given(nanoseconds=st.integers(-10 * 365 * 86400 * SECOND, 10 * 365 * 86400 * SECOND))
def test_another_day_changes_nothing(name: str, nanoseconds: int) -> None:
    whole = nanoseconds // 1000 * 1000
    assert_unchanged(name, [replace(one, time=one.time + whole) for one in story(name).records])


# --- the file -------------------------------------------------------------------------------------


@every_story
@pytest.mark.parametrize(
    ("nanoseconds", "big_endian"), [(False, True), (True, False)], ids=["big-endian", "nanoseconds"]
)
def test_another_pcap_layout_changes_nothing(
    name: str, nanoseconds: bool, big_endian: bool
) -> None:
    records = story(name).records
    assert_unchanged(name, records, nanoseconds=nanoseconds, big_endian=big_endian)


@every_story
@pytest.mark.parametrize(
    "layout",
    [
        {"directions": False, "big_endian": True},
        {"directions": True, "resolution": 9},
    ],
    ids=["big-endian", "directions"],
)
def test_the_pcapng_layout_changes_nothing(name: str, layout: dict[str, Any]) -> None:
    octets = layouts.pcapng(story(name).records, **layout)
    assert essence(judged(story(name), octets)) == essence(plainly(name))


@every_story
def test_a_tag_on_every_frame_changes_nothing(name: str) -> None:
    assert_unchanged(name, [tagged(one) for one in story(name).records])


@every_story
def test_a_copy_of_every_frame_changes_nothing(name: str) -> None:
    pairs = ((one, replace(one, time=one.time + 30_000)) for one in story(name).records)
    assert_unchanged(name, [one for pair in pairs for one in pair])


# --- the test itself ------------------------------------------------------------------------------


def test_what_matters_does_change_the_diagnosis() -> None:
    """The comparison can fail: with the beginning alone nothing is the same."""
    told = story("healthy-cached-neighbour.pcap")
    assert essence(judged(told, layouts.pcap(told.records[:1]))) != essence(
        plainly("healthy-cached-neighbour.pcap")
    )


def test_renaming_keeps_checksums_as_right_as_they_were() -> None:
    new = Names(
        dict(zip(NETWORKS, [*NETWORKS[1:], NETWORKS[0]], strict=True)),
        {number: number * 7 % 256 for number in range(256)},
        {number: number * 5 % 256 for number in range(256)},
    )
    renamed = [new.record(one) for one in story("healthy-busy-site.pcap").records]
    after = diagnosed(layouts.pcap(renamed)).facts.sessions
    before = plainly("healthy-busy-site.pcap").facts.sessions
    filled = [one.checksum_filled for one in before]
    assert [one.checksum_filled for one in after] == filled
    assert set(filled) == {True, False}


def test_the_stories_end_in_many_ways() -> None:
    verdicts = {one.verdict.value for name in NAMES for one in plainly(name).outcomes}
    assert verdicts == {"complete", "stopped", "unstable", "cannot tell"}
    assert len({lead(plainly(name)) for name in NAMES}) >= 12
