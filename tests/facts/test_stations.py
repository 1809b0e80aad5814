"""Who was heard, with which addresses, and what gives a router or a switch away."""

import netaddr
import pytest

from analyzer.facts import Facts, Hardware, Kind, Station, gather
from tests import raw
from tests.raw import OTHER_HW, PC, PC_HW, UNIT, UNIT_HW


def packet(src: str, hardware: str, to: str = PC_HW, dst: str = PC, id: int = 1) -> bytes:
    return raw.ethernet(raw.ipv4(raw.udp(), 17, src, dst, id=id), 0x0800, hardware, to).ljust(
        60, b"\0"
    )


def station(facts: Facts, hardware: str) -> Station:
    found = facts.station(Hardware(int(hardware, 16)))
    assert found is not None
    return found


def test_stations_in_order_of_their_first_frame() -> None:
    facts = raw.facts((0, packet(UNIT, UNIT_HW)), (1, packet(PC, PC_HW, UNIT_HW, UNIT)))
    assert [str(one.hardware) for one in facts.stations] == [
        "00-00-5E-00-53-60",
        "00-00-5E-00-53-15",
    ]
    assert facts.station(None) is None
    assert facts.station(Hardware(1)) is None


def test_addresses_are_those_of_packets_and_of_claims() -> None:
    reply = raw.arp_frame(2, UNIT_HW, "192.0.2.61", PC, PC_HW)
    probe = raw.arp_frame(1, UNIT_HW, "0.0.0.0", "192.0.2.62")
    facts = raw.facts(
        (0, packet(UNIT, UNIT_HW)), (1, reply), (2, probe), (3, packet(UNIT, UNIT_HW))
    )
    found = station(facts, UNIT_HW)
    assert {str(address): count for address, count in found.addresses.items()} == {
        UNIT: 2,
        "192.0.2.61": 1,
    }
    assert (found.first.frame, found.last.frame, found.frames) == (1, 4, 4)
    assert found.kinds == {Kind.IPV4: 2, Kind.ARP: 2}


def test_a_router_sends_packets_of_several_addresses() -> None:
    sources = ["192.0.2.1", "198.51.100.7", "203.0.113.9"]
    frames = [(n, packet(src, OTHER_HW, id=n)) for n, src in enumerate(sources)]
    assert station(raw.facts(*frames), OTHER_HW).is_router
    assert not station(raw.facts(*frames[:2]), OTHER_HW).is_router


def test_a_switch_takes_part_in_spanning_tree() -> None:
    tree = raw.ethernet(b"\x42\x42\x03" + bytes(43), 38, OTHER_HW, "0180c2000000")
    facts = raw.facts((0, tree), (1, packet(UNIT, UNIT_HW)))
    assert station(facts, OTHER_HW).is_switch
    assert not station(facts, UNIT_HW).is_switch


def test_frames_between_two_single_stations_count_for_both() -> None:
    broadcast = packet(PC, PC_HW, raw.BROADCAST_HW, "192.0.2.255")
    facts = raw.facts(
        (0, packet(UNIT, UNIT_HW)),
        (1, packet(PC, PC_HW, UNIT_HW, UNIT)),
        (2, broadcast),
        (3, packet(PC, PC_HW, OTHER_HW, "192.0.2.99")),  # never heard itself
    )
    assert station(facts, UNIT_HW).unicast == 2
    assert station(facts, PC_HW).unicast == 3
    assert {str(one) for one in station(facts, PC_HW).broadcast_to} == {"192.0.2.255"}


def test_without_hardware_addresses_stations_are_addresses() -> None:
    there = raw.ipv4(raw.udp(), 17, PC, UNIT)
    back = raw.ipv4(raw.udp(), 17, UNIT, PC)
    facts = raw.facts((0, there), (1, back), (2, there), link=101)
    assert not facts.has_hardware_addresses
    assert [(list(map(str, one.addresses)), one.frames) for one in facts.stations] == [
        ([PC], 2),
        ([UNIT], 1),
    ]
    assert [one.unicast for one in facts.stations] == [3, 3]


def test_short_frames_are_counted() -> None:
    ask = raw.arp_frame(1, PC_HW, PC, UNIT)
    facts = raw.facts((0, ask), (1, packet(UNIT, UNIT_HW)))
    assert (station(facts, PC_HW).short, station(facts, UNIT_HW).short) == (1, 0)


def test_maker_is_what_the_public_registry_says() -> None:
    registered, own, free, example = "080030000001", "020000000001", "fcffff000001", UNIT_HW
    frames = [(n, packet(PC, one)) for n, one in enumerate((registered, own, free, example))]
    facts = raw.facts(*frames)
    assert station(facts, registered).maker == netaddr.OUI(0x080030).registration().org
    assert station(facts, own).maker is None  # locally administered
    assert station(facts, free).maker is None
    assert station(facts, example).maker is None  # for documentation (RFC 9542 2.1.3)


def test_unreadable_frames_make_no_trouble() -> None:
    facts = raw.facts((1000, b""), (2000, b"\x01"), (3000, packet(UNIT, UNIT_HW)))
    assert facts.has_hardware_addresses
    assert facts.coverage.count(Kind.UNREADABLE) == 2


@pytest.mark.parametrize(
    ("padded", "way", "over_the_cable"),
    [
        (True, 0, True),
        (False, 0, False),
        (True, 2, False),  # marked as sent by this host
        (False, 1, True),  # marked as received, as on a virtual network
    ],
)
def test_whose_frames_came_over_the_cable(padded: bool, way: int, over_the_cable: bool) -> None:
    asks = raw.arp_frame(1, PC_HW, PC, UNIT).ljust(60 if padded else 42, b"\0")
    marks = raw.option(2, way.to_bytes(4, "little")) if way else b""
    facts = gather(raw.opened(raw.section() + raw.interface() + raw.enhanced(asks, options=marks)))
    assert station(facts, PC_HW).came_over_the_cable is over_the_cable


def test_long_packets_alone_do_not_tell_where_they_were_recorded() -> None:
    assert not station(raw.facts((0, packet(PC, PC_HW))), PC_HW).came_over_the_cable


def test_every_address_that_occurs() -> None:
    facts = raw.facts(
        (0, raw.arp_frame(1, PC_HW, PC, "192.0.2.61")),
        (1, raw.arp_frame(1, PC_HW, "0.0.0.0", "192.0.2.62")),
        (2, packet("198.51.100.7", OTHER_HW, dst="192.0.2.255")),
    )
    assert sorted(map(str, facts.addresses)) == [
        PC,
        "192.0.2.255",
        "192.0.2.61",
        "192.0.2.62",
        "198.51.100.7",
    ]


@pytest.mark.parametrize(
    ("seconds", "more", "filtered"),
    [
        (30.0, None, True),
        (29.9, None, False),
        (30.0, raw.arp_frame(1, PC_HW, PC, UNIT), False),
        (30.0, packet(UNIT, UNIT_HW, "ffffffffffff"), False),
        (30.0, raw.ethernet(bytes(46), 0x86DD), False),
    ],
)
def test_what_looks_filtered(seconds: float, more: bytes | None, filtered: bool) -> None:
    frames = [(0.0, packet(PC, PC_HW, UNIT_HW)), (seconds, packet(UNIT, UNIT_HW))]
    extra = [(1.0, more)] if more else []
    assert raw.facts(frames[0], *extra, frames[1]).looks_filtered is filtered
