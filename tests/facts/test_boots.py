"""Frames of a station that comes up."""

from analyzer.facts import BootSign, Facts, Hardware, gather
from captures.plant import Plant, Station
from tests import raw

UNIT_HW = Hardware(int(raw.UNIT_HW, 16))


def facts(plant: Plant) -> Facts:
    return gather(raw.opened(plant.pcap()))


def signs(plant: Plant, hardware: Hardware = UNIT_HW) -> list[tuple[str, int]]:
    return [(one.sign, one.moment.frame) for one in facts(plant).boots(hardware)]


def test_checks_and_announcements_in_order() -> None:
    plant = Plant()
    unit = plant.station()
    plant.probe(unit, times=2)
    plant.announce(unit, after=2.0)
    plant.probe(unit, times=1, after=60.0)
    assert signs(plant) == [
        ("probe", 1), ("probe", 2), ("announcement", 3), ("announcement", 4), ("probe", 5),
    ]  # fmt: skip


def test_requests_for_an_address() -> None:
    plant = Plant()
    unit, server = plant.station(), plant.station("192.0.2.1")
    plant.lease(unit, server)
    assert signs(plant) == [("address request", 1), ("address request", 3)]


def test_a_renewal_is_no_start() -> None:
    plant = Plant()
    unit, server = plant.station(), plant.station("192.0.2.1")
    plant.dhcp("request", unit, unit.address, server=server, renew=True)
    plant.dhcp("decline", unit, unit.address, server=server)
    assert signs(plant) == []


def test_probes_for_addresses_of_others_are_no_start() -> None:
    """A switch looks whether its stations are still there."""
    plant = Plant()
    switch, unit = plant.station("192.0.2.5"), plant.station()
    plant.announce(unit, times=1)
    plant.probe(switch, unit)
    assert signs(plant, Hardware(0x00005E005305)) == []


def test_others_are_left_out() -> None:
    plant = Plant()
    other = plant.station("192.0.2.20")
    plant.announce(other)
    plant.dhcp("discover", Station("0.0.0.0", "00:00:5e:00:53:21"))
    assert signs(plant) == []
    assert facts(plant).boots(None) == []


def test_a_reply_for_ones_own_address_announces_it() -> None:
    """RFC 5227 3: an announcement may be a reply."""
    plant = Plant()
    unit = plant.station()
    plant.arp(unit, 2, unit.address, unit.address)
    assert [one.sign for one in facts(plant).boots(UNIT_HW)] == [BootSign.ANNOUNCEMENT]
