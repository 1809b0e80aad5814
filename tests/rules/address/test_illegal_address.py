"""illegal-address: an address that no single device can have."""

import pytest

from analyzer.diagnosis import FAULT, Verdict
from analyzer.findings import Certainty, Level
from analyzer.linkup import KnownFrom
from captures import layouts
from captures.plant import Plant, Station
from tests.support import diagnosed, ended, found, lead, slugs

SLUG = "illegal-address"
PC_HW = "00:00:5e:00:53:15"


def begun(pc: str = "192.0.2.15") -> tuple[Plant, Station]:
    plant = Plant()
    station = plant.pc(pc, hw=PC_HW)
    plant.wait(5)
    return plant, station


def with_mask(plant: Plant, address: str) -> bytes:
    """The recording, whose interface record names the PC's address and mask."""
    return ended(plant).pcapng(hw=PC_HW, address=address)


@pytest.mark.parametrize(
    "address", ["225.0.0.60", "240.0.2.60", "0.0.2.60", "127.0.0.60", "255.255.255.255"]
)
def test_found_without_a_single_frame_to_it(address: str) -> None:
    plant, pc = begun()
    plant.link_up(pc)
    diagnosis = diagnosed(ended(plant), (f"{address}:502",))
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["address"]) == address
    assert finding.values["mask"] is None
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "address")
    assert diagnosis.status == FAULT


def test_found_where_the_pc_has_no_address() -> None:
    plant, pc = begun()
    plant.dhcp("discover", pc)
    octets = ended(plant).pcapng(hw=PC_HW)
    finding = found(diagnosed(octets, ("225.0.0.60:502",)), SLUG)
    assert finding.values["pc"] == "no address"


def test_found_where_a_whole_plant_is_numbered_with_groups() -> None:
    plant, pc = begun("225.0.0.15")
    plant.tcp(pc, Station("225.0.0.60", "01:00:5e:00:00:3c")).syn(repeats=(1, 2))
    diagnosis = diagnosed(ended(plant), ("225.0.0.60:502",))
    assert lead(diagnosis) == SLUG
    assert len(found(diagnosis, SLUG).evidence) == 2


@pytest.mark.parametrize("controllers", [(), ("192.0.2.128:502",)], ids=["not told", "told"])
def test_found_where_the_controller_has_the_networks_own_number(
    controllers: tuple[str, ...],
) -> None:
    plant, pc = begun("192.0.2.130")
    plant.ask(pc, "192.0.2.128")
    diagnosis = diagnosed(with_mask(plant, "192.0.2.130/26"), controllers)
    assert lead(diagnosis) == SLUG
    values = found(diagnosis, SLUG).values
    assert str(values["address"]) == "192.0.2.128"
    assert (values["whose"], str(values["mask"])) == ("The controller's", "255.255.255.192")
    assert values["known_from"] is KnownFrom.RECORD


def test_found_where_the_controller_has_the_number_of_everybody() -> None:
    plant, pc = begun("192.0.2.130")
    plant.tcp(pc, Station("192.0.2.191", "ff:ff:ff:ff:ff:ff")).syn(repeats=(1, 2))
    diagnosis = diagnosed(with_mask(plant, "192.0.2.130/26"), ("192.0.2.191:502",))
    assert lead(diagnosis) == SLUG


def test_found_where_the_pc_has_the_networks_own_number() -> None:
    plant, pc = begun("192.0.2.0")
    plant.ask(pc, "192.0.2.60")
    diagnosis = diagnosed(with_mask(plant, "192.0.2.0/24"), ("192.0.2.60:502",))
    assert lead(diagnosis) == SLUG
    values = found(diagnosis, SLUG).values
    assert (str(values["address"]), values["whose"]) == ("192.0.2.0", "The PC's")


def test_found_where_nothing_else_is_on_the_cable() -> None:
    plant, pc = begun("192.0.2.130")
    plant.ask(pc, "192.0.2.128")
    plant.announce(pc, times=1, after=40)
    octets = plant.pcapng(hw=PC_HW, address="192.0.2.130/26")
    assert slugs(diagnosed(octets, ("192.0.2.128:502",))) == [SLUG]


def test_found_where_a_group_of_searches_is_named_as_the_controller() -> None:
    plant, pc = begun()
    for _ in range(4):
        plant.datagram(pc, "239.1.2.3", 50000, 47808, b"who is there", after=1.0)
    assert slugs(diagnosed(ended(plant), ("239.1.2.3:47808",))) == [SLUG]


@pytest.mark.parametrize("address", ["192.0.2.0", "192.0.2.255"])
def test_quiet_where_the_mask_is_not_known(address: str) -> None:
    plant, pc = begun()
    plant.ask(pc, address)
    assert slugs(diagnosed(ended(plant), (f"{address}:502",))) == ["unanswered-arp"]


@pytest.mark.parametrize("address", ["10.1.2.0", "10.1.2.255"])
def test_quiet_in_a_network_with_a_wide_mask(address: str) -> None:
    plant, pc = begun("10.1.3.15")
    plant.ask(pc, address)
    octets = with_mask(plant, "10.1.3.15/16")
    assert slugs(diagnosed(octets, (f"{address}:502",))) == ["unanswered-arp"]


def test_quiet_in_a_network_of_two() -> None:
    plant, pc = begun("192.0.2.1")
    plant.ask(pc, "192.0.2.0")
    octets = with_mask(plant, "192.0.2.1/31")
    assert slugs(diagnosed(octets, ("192.0.2.0:502",))) == ["unanswered-arp"]


def test_quiet_where_the_controller_answers_all_the_same() -> None:
    plant, pc = begun()
    unit = plant.station("192.0.2.0")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(with_mask(plant, "192.0.2.15/24"), ("192.0.2.0:502",))) == []


def test_quiet_where_the_last_number_is_that_of_another_network() -> None:
    plant, pc = begun()
    router = plant.station("192.0.2.1")
    plant.resolve(pc, router)
    plant.tcp(pc, Station("198.51.100.255", "-"), via=router).syn(repeats=(1, 2, 4))
    octets = with_mask(plant, "192.0.2.15/24")
    assert SLUG not in slugs(diagnosed(octets, ("198.51.100.255:502",)))


def test_quiet_about_searches_of_a_pc_that_calls_its_controller() -> None:
    plant, pc = begun()
    unit = plant.station("192.0.2.60")
    for group in ("239.1.2.3", "255.255.255.255", "192.0.2.255"):
        plant.datagram(pc, group, 50000, 47808, b"who is there", after=1.0)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(with_mask(plant, "192.0.2.15/24"))) == ["discovery-unanswered"]


def test_quiet_about_the_middle_of_a_network() -> None:
    plant, pc = begun()
    plant.ask(pc, "192.0.2.128")
    octets = with_mask(plant, "192.0.2.15/24")
    assert slugs(diagnosed(octets, ("192.0.2.128:502",))) == ["unanswered-arp"]


def test_quiet_on_loopback() -> None:
    plant = Plant()
    pc, unit = (Station(one, "00:00:00:00:00:00", is_pc=True) for one in ("127.0.0.1", "127.0.0.2"))
    plant.tcp(pc, unit).open().poll(5)
    for layout in (layouts.COOKED, layouts.NULL):
        diagnosis = diagnosed(plant, ("127.0.0.2:502",), link_type=layout)
        assert diagnosis.case.pc is not None
        assert SLUG not in slugs(diagnosis)
