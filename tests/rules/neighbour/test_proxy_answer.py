"""proxy-answer: another device answers for the controller."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not

SLUG = "proxy-answer"
SILENT = (1, 2, 4)


def begun(**router: str) -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, the controller, and a router that answers for it."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    return plant, pc, unit, plant.station("192.0.2.1", ttl=255, **router)


def stands_in(plant: Plant, pc: Station, router: Station, *addresses: str) -> None:
    for wanted in addresses:
        plant.ask(pc, wanted, times=1, after=0.5)
        plant.reply(router, pc, for_ip=wanted)


@told_or_not
def test_found_where_a_router_answers_for_many_and_nothing_comes_back(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    called = plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert str(finding.values["proxy"]) == "00-00-5E-00-53-01"
    assert str(finding.values["answered"]) == "[192.0.2.60, 192.0.2.70, 192.0.2.71]"
    assert len(finding.evidence) == 3 + 4
    assert finding.values["tries"] == 1 + len(SILENT)
    assert {plant.number(called)} < {one.moment.frame for one in finding.evidence}
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "neighbour")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_pcs_router_answers_because_of_a_wide_mask(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, router = begun()
    far = plant.station("198.51.100.7")
    plant.resolve(pc, router)
    plant.ping(pc, far, via=router)
    plant.pong(far, pc, via=router)
    stands_in(plant, pc, router, unit.address)
    plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    diagnosis = diagnosed(ended(plant), controllers or TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_found_where_the_other_stations_behind_it_work() -> None:
    plant, pc, unit, router = begun()
    for number in (70, 71):
        station = plant.station(f"192.0.2.{number}")
        stands_in(plant, pc, router, station.address)
        plant.ping(pc, station, via=router)
        plant.pong(station, pc, via=router)
    stands_in(plant, pc, router, unit.address)
    plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == [SLUG]


def test_found_where_it_says_that_it_cannot_deliver() -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, unit.address)
    tried = plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    plant.unreachable(router, pc, tried)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert len(finding.evidence) == 1 + 4 + 1


def test_found_where_the_controller_answers_too_and_the_pc_sends_to_the_other() -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71")
    plant.resolve(pc, unit)
    plant.reply(router, pc, for_ip=unit.address)
    plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_found_behind_the_shared_address_of_redundant_routers() -> None:
    plant, pc, unit, router = begun(hw="00:00:5e:00:01:07")
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def test_found_as_a_note_where_both_answer_and_packets_come_back() -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    ended(plant)
    plant.ping(pc, unit, 1)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.SHOWN)
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_where_the_networks_differ() -> None:
    plant, pc, _, router = begun()
    far = plant.station("198.51.100.61")
    stands_in(plant, pc, router, "198.51.100.70", "198.51.100.71", far.address)
    plant.tcp(pc, far, via=router).syn(repeats=SILENT)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["subnet-mismatch", SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE


@told_or_not
def test_quiet_where_a_radio_link_answers_on_purpose(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_where_the_port_behind_it_is_refused() -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    call = plant.tcp(pc, unit, via=router)
    call.syn()
    call.refuse()
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-refused"]


def test_quiet_about_a_controller_with_several_addresses_that_it_uses() -> None:
    plant, pc, unit, _ = begun()
    for own in ("192.0.2.61", "192.0.2.62"):
        stands_in(plant, pc, unit, own)
        plant.ask(unit, pc, times=1, sender=own)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_about_a_controller_that_sends_as_each_of_its_addresses() -> None:
    plant, pc, unit, _ = begun()
    for own in ("192.0.2.61", "192.0.2.62"):
        stands_in(plant, pc, unit, own)
        plant.ping(pc, Station(own, unit.hw))
        plant.pong(unit, pc, source=own)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


@pytest.mark.parametrize(("used", "told"), [(1, True), (2, False)])
def test_a_stand_in_answers_for_two_addresses_that_it_never_uses(used: int, told: bool) -> None:
    plant, pc, unit, _ = begun()
    for n, own in enumerate(("192.0.2.61", "192.0.2.62")):
        stands_in(plant, pc, unit, own)
        if n < used:
            plant.announce(Station(own, unit.hw))
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert (SLUG in slugs(diagnosed(ended(plant), TOLD))) is told


def test_quiet_about_a_controller_with_two_addresses() -> None:
    plant, pc, unit, _ = begun()
    stands_in(plant, pc, unit, "192.0.2.61", unit.address)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_about_a_controller_that_announces_its_address() -> None:
    plant, pc, unit, _ = begun()
    stands_in(plant, pc, unit, "192.0.2.61", "192.0.2.62", unit.address)
    plant.announce(unit)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_where_the_pc_sends_to_the_controller_itself() -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_about_two_devices_with_one_address() -> None:
    plant, pc, unit, _ = begun()
    twin = plant.station(unit.address, hw="00:00:5e:00:53:61")
    for _ in range(2):
        plant.resolve(pc, unit, after=1.0)
        plant.reply(twin, pc)
    plant.tcp(pc, unit).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["duplicate-address"]


def test_found_before_a_dispute_with_the_controller_itself() -> None:
    plant, pc, unit, router = begun()
    for _ in range(2):
        plant.resolve(pc, unit, after=1.0)
        plant.reply(router, pc, for_ip=unit.address)
    tried = plant.tcp(pc, unit, via=router).syn(repeats=SILENT)
    plant.unreachable(router, pc, tried)
    assert slugs(diagnosed(ended(plant), TOLD)) == [SLUG]


def test_quiet_where_one_of_two_devices_refuses_a_datagram() -> None:
    plant, pc, unit, _ = begun()
    twin = plant.station(unit.address, hw="00:00:5e:00:53:61")
    for _ in range(2):
        plant.resolve(pc, unit)
        plant.reply(twin, pc)
    sent = plant.datagram(pc, unit, 50000, 47808, b"who is there")
    plant.unreachable(unit, pc, sent, code=3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_two_routers_answer_and_packets_come_back() -> None:
    plant, pc, unit, router = begun()
    second = plant.station("192.0.2.2", ttl=255)
    for one in (second, router):
        stands_in(plant, pc, one, "192.0.2.70", "192.0.2.71", unit.address)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_pc_once_had_the_address_and_packets_come_back() -> None:
    plant, pc, unit, router = begun()
    plant.announce(Station(unit.address, pc.hw, is_pc=True))
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


@pytest.mark.parametrize(("repeats", "told"), [((), False), ((0.5,), False), ((0.5, 1), True)])
def test_quiet_where_the_recording_stops_at_once(repeats: tuple[float, ...], told: bool) -> None:
    plant, pc, unit, router = begun()
    stands_in(plant, pc, router, "192.0.2.70", "192.0.2.71", unit.address)
    plant.tcp(pc, unit, via=router).syn(repeats=repeats)
    assert (SLUG in slugs(diagnosed(ended(plant, 1), TOLD))) is told


def test_quiet_about_a_router_in_another_network() -> None:
    plant, pc, _, router = begun()
    far = plant.station("198.51.100.61")
    plant.resolve(pc, router)
    plant.tcp(pc, far, via=router).syn(repeats=SILENT)
    assert slugs(diagnosed(ended(plant))) == ["subnet-mismatch"]


def test_a_note_where_one_station_answers_for_several_controllers_and_uses_their_addresses() -> (
    None
):
    plant, pc, unit, _ = begun()
    for one in (unit, plant.station("192.0.2.61", hw=unit.hw)):
        plant.resolve(pc, one)
        plant.tcp(pc, one).open(after=1.0).poll(3)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["several"]) == (Level.NOTE, True)
    assert len(finding.values["answered"]) == 2


def test_quiet_where_each_controller_answers_for_itself() -> None:
    plant, pc, unit, _ = begun()
    for one in (unit, plant.station("192.0.2.61")):
        plant.resolve(pc, one)
        plant.tcp(pc, one).open(after=1.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))
