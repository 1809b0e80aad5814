"""overlapping-adapters: another adapter, address or tunnel of the PC takes the packets."""

import pytest

from analyzer.diagnosis import FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Station
from rules.address.overlapping_adapters import RULE, TWO_ADAPTERS
from tests.support import (
    TOLD,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "overlapping-adapters"
WIRELESS_HW = "00:00:5e:00:53:77"
PEER = "203.0.113.9"


def other(pc: Station, address: str) -> Station:
    """The same adapter with another address."""
    return Station(address, pc.hw, pc.ttl, is_pc=True)


def two_adapters(
    plant: Plant, pc: Station, cable: str = "192.0.2.15/24", wireless: str = "192.0.2.77/24"
) -> bytes:
    """The recording, with a record of the cable's adapter and one of the wireless adapter."""
    first = layouts.pcapng(ended(plant).records, hw=pc.hw, address=cable)
    return first + layouts.pcapng([], hw=WIRELESS_HW, address=wireless)


@told_or_not
@pytest.mark.parametrize("asks", [True, False], ids=["question", "packet"])
def test_found_where_the_other_adapter_is_answered(
    asks: bool, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    wireless = Station("192.0.2.77", WIRELESS_HW, is_pc=True)
    plant.ask(pc, unit)
    if asks:
        plant.resolve(wireless, unit)
    else:
        plant.datagram(unit, wireless, 50000, 50000, b"running")
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(two_adapters(plant, pc), controllers, pc=pc.address)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["ways"]) == "[192.0.2.15, 192.0.2.77]"
    assert finding.values["used"] is None
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "address")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_as_a_warning_where_neither_adapter_is_answered(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    diagnosis = diagnosed(two_adapters(plant, pc), controllers, pc=pc.address)
    assert slugs(diagnosis) == ["unanswered-arp", SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)


def test_found_as_a_warning_where_the_call_is_not_answered() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(two_adapters(plant, pc), TOLD, pc=pc.address)
    assert slugs(diagnosis) == ["port-silent", SLUG]


def test_found_as_a_note_where_the_link_up_works() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(two_adapters(plant, pc), TOLD, pc=pc.address)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE


def test_found_as_a_note_where_nothing_is_tried() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    diagnosis = diagnosed(two_adapters(plant, pc), TOLD, pc=pc.address)
    assert slugs(diagnosis) == ["no-attempt", SLUG]


@told_or_not
def test_found_where_the_call_leaves_as_another_adapters_address(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    wrong = other(pc, "198.51.100.15")
    plant.ask(wrong, unit)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    diagnosis = diagnosed(octets, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert str(finding.values["inside"]) == "[192.0.2.15]"
    assert (str(finding.values["used"]), finding.values["ways"]) == ("198.51.100.15", [])
    assert left_out(finding, RULE)[0] == [TWO_ADAPTERS]
    assert len(finding.evidence) == 2


def test_found_where_the_good_address_is_in_use_all_the_while() -> None:
    plant, pc, unit = begun()
    wrong, panel = other(pc, "198.51.100.15"), plant.station("192.0.2.20")
    for _ in range(3):
        plant.resolve(pc, panel)
        plant.ask(wrong, unit, times=1, after=1.0)
        plant.ping(pc, panel)
        plant.pong(panel, pc)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def test_found_where_the_pc_that_was_named_sends_nothing() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    diagnosis = diagnosed(ended(plant), TOLD, pc="192.0.2.16")
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert str(finding.values["ways"]) == "[192.0.2.16, 192.0.2.15]"


@pytest.mark.parametrize("late", [False, True], ids=["from the start", "begun late"])
def test_found_as_a_note_where_only_a_tunnel_is_kept_up(late: bool) -> None:
    plant, pc, _ = begun()
    router, peer = plant.station("192.0.2.1"), plant.station(PEER)
    plant.resolve(pc, router)
    if late:
        plant.datagram(peer, pc, 4500, 4500, b"sealed", via=router)
    for _ in range(4):
        plant.datagram(pc, peer, 4500, 4500, b"sealed", via=router, after=1.0)
        plant.datagram(peer, pc, 4500, 4500, b"sealed", via=router)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == ["no-attempt", SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)
    assert {str(address) for address in finding.values["ways"]} == {PEER, "192.0.2.15"}


def test_quiet_about_a_tunnel_beside_an_attempt() -> None:
    plant, pc, unit = begun()
    router, peer = plant.station("192.0.2.1"), plant.station(PEER)
    plant.resolve(pc, router)
    plant.datagram(pc, peer, 4500, 4500, b"sealed", via=router)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_about_other_datagrams_where_nothing_is_tried() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1")
    plant.resolve(pc, router)
    plant.datagram(pc, plant.station(PEER), 50000, 53, b"who is", via=router)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


def test_quiet_about_two_adapters_in_different_networks() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    octets = two_adapters(plant, pc, wireless="198.51.100.77/24")
    assert slugs(diagnosed(octets, TOLD, pc=pc.address)) == ["unanswered-arp"]


def test_quiet_about_records_without_hardware_addresses() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    first = ended(plant).pcapng(address="192.0.2.15/24")
    octets = first + layouts.pcapng([], address="192.0.2.77/24")
    assert slugs(diagnosed(octets, TOLD, pc=pc.address)) == ["unanswered-arp"]


def test_quiet_where_all_addresses_of_the_adapter_are_in_other_networks() -> None:
    plant, pc, unit = begun()
    plant.ask(other(pc, "198.51.100.15"), unit)
    octets = ended(plant).pcapng(hw=pc.hw, address="203.0.113.15/24")
    assert slugs(diagnosed(octets, TOLD)) == ["subnet-mismatch"]


def test_quiet_where_a_guest_calls_and_the_pc_that_was_named_is_heard() -> None:
    plant, pc, unit = begun()
    guest = plant.pc("192.0.2.16", hw="02:00:5e:00:53:16")
    plant.link_up(pc)
    plant.resolve(guest, unit)
    plant.tcp(guest, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD, pc=pc.address)) == ["third-party-recording"]


def test_quiet_about_one_adapter_that_two_sections_describe() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    first = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    second = layouts.pcapng([], hw=pc.hw, address="192.0.2.16/24")
    assert slugs(diagnosed(first + second, TOLD)) == ["unanswered-arp"]


def test_quiet_about_an_adapter_with_two_addresses_that_calls_as_the_right_one() -> None:
    plant, pc, unit = begun()
    plant.announce(other(pc, "198.51.100.15"))
    plant.ask(pc, unit)
    plant.announce(other(pc, "198.51.100.15"))
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_pc_left_the_good_address_for_another() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    changed = other(pc, "198.51.100.15")
    plant.link_up(changed)
    plant.ask(changed, unit)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_pc_was_put_into_the_right_network_later() -> None:
    plant, pc, unit = begun()
    plant.ask(other(pc, "198.51.100.15"), unit)
    plant.link_up(pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["late-start"]


def test_quiet_about_a_self_assigned_address_beside_a_good_one() -> None:
    plant, pc, unit = begun()
    plant.ask(other(pc, "169.254.23.15"), unit)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    assert slugs(diagnosed(octets, TOLD)) == ["self-assigned-address"]


def test_quiet_where_a_controller_in_another_network_answers() -> None:
    plant, pc, unit = begun()
    outside = other(pc, "198.51.100.15")
    plant.announce(pc)
    plant.resolve(outside, unit)
    plant.tcp(outside, unit).open().poll(3)
    plant.announce(pc)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_a_panel_calls_and_the_pc_that_was_named_sends_nothing() -> None:
    plant = Plant()
    panel, unit = plant.station("192.0.2.20"), plant.station()
    plant.wait(5)
    plant.resolve(panel, unit)
    plant.tcp(panel, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD, pc="192.0.2.15"))


def test_quiet_about_a_guest_with_an_address_of_its_own() -> None:
    plant, pc, unit = begun()
    guest = plant.pc("192.0.2.16", hw="02:00:5e:00:53:16")
    plant.link_up(guest)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    assert slugs(diagnosed(octets, TOLD)) == []


def test_quiet_about_the_record_of_a_host_that_only_recorded() -> None:
    plant, pc, unit = begun()
    plant.ask(other(pc, "198.51.100.15"), unit)
    octets = ended(plant).pcapng(hw=WIRELESS_HW, address="192.0.2.77/24")
    assert SLUG not in slugs(diagnosed(octets, TOLD, pc="198.51.100.15"))


def test_packets_to_the_pc_itself_are_no_answer_to_the_other_adapter() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    finding = found(diagnosed(two_adapters(plant, pc), TOLD, pc=pc.address), SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)


def test_quiet_where_a_recorded_address_is_outside_and_nothing_is_tried() -> None:
    plant, pc, _ = begun()
    plant.announce(other(pc, "198.51.100.15"))
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    assert SLUG not in slugs(diagnosed(octets, TOLD))
