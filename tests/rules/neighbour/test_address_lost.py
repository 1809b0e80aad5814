"""address-lost: the controller asks for an address, or uses another one."""

import pytest

from analyzer.diagnosis import FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station, modbus_read
from rules.neighbour.address_lost import RULE
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "address-lost"
SERVER = Station("192.0.2.2", "00:00:5e:00:53:02")


def asks(plant: Plant, station: Station, times: int = 5, every: float = 8.0) -> None:
    for turn in range(times):
        plant.dhcp("discover", station, secs=round(turn * every), after=every)


def worked_and_broke(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(modbus_read(9), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(after=pause, lost=True)


def assert_leads(
    diagnosis: Diagnosis, certainty: Certainty, verdict: Verdict, **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-60"
    assert finding.certainty is certainty
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (verdict, "neighbour")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_a_station_without_address_asks(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    asks(plant, unit, times=3)
    plant.ask(pc, unit)
    asks(plant, unit, times=2)
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.FITS, Verdict.STOPPED, tries=6, requests=5, since=False)
    assert len(found(diagnosis, SLUG).what_to_do) == len(RULE.what_to_do)
    assert len(found(diagnosis, SLUG).also_fits) == 2


@told_or_not
def test_found_after_a_power_dip(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    asks(plant, unit)
    asked = plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.SHOWN, Verdict.UNSTABLE, requests=5, others=0)
    assert found(diagnosis, SLUG).evidence[-1].moment.frame == plant.number(asked[-1])
    assert found(diagnosis, SLUG).also_fits == []


def test_found_where_it_has_only_begun_to_ask() -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    asks(plant, unit, times=2)
    plant.ask(pc, unit)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, Verdict.UNSTABLE, requests=2)


@pytest.mark.parametrize("address", ["192.168.0.1", "169.254.7.60", "192.0.2.250"])
def test_found_with_another_address(address: str) -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    plant.announce(Station(address, unit.hw), after=20.0)
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Certainty.SHOWN, Verdict.UNSTABLE, requests=0, others=1)
    texts = [one.text for one in found(diagnosis, SLUG).evidence]
    assert any("another address" in text for text in texts)


def test_found_where_it_announced_its_address_and_withdrew() -> None:
    """Another device took the address; the controller goes to its default one."""
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.announce(Station("192.168.0.1", unit.hw), after=5.0)
    plant.ask(pc, unit, after=5.0)
    plant.ask(pc, unit, after=5.0)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN, Verdict.STOPPED, tries=6)


def test_found_behind_a_tag() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    with plant.tagged(0, priority=5):
        asks(plant, unit)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, Verdict.STOPPED)


@told_or_not
def test_quiet_where_the_controller_works(controllers: tuple[str, ...]) -> None:
    """A new drive asks for an address."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    asks(plant, Station("0.0.0.0", "00:00:5e:00:53:32"))
    session.poll(3)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_asks_by_design(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(5):
        session.poll(3)
        asks(plant, unit, times=1)
    session.poll(3)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_station_gets_an_address() -> None:
    plant, pc, unit = begun()
    printer, server = plant.station("192.0.2.44"), plant.station("192.0.2.2")
    plant.ask(pc, unit)
    asks(plant, printer, times=3)
    plant.lease(printer, server)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_where_the_controller_gets_its_address_again() -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    asks(plant, unit, times=2)
    plant.lease(unit, SERVER)
    plant.ask(pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_nothing_is_tried() -> None:
    plant, pc, unit = begun()
    plant.announce(pc)
    asks(plant, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


def test_quiet_about_a_pc_that_gives_itself_an_address() -> None:
    plant, pc, unit = begun()
    laptop = plant.station("169.254.3.44")
    plant.ask(pc, unit)
    asks(plant, laptop)
    plant.probe(laptop)
    plant.announce(laptop, after=2.0)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_about_a_station_with_ipv6() -> None:
    plant, pc, unit = begun()
    phone = plant.station("0.0.0.0", hw="00:00:5e:00:53:44")
    plant.ask(pc, unit)
    asks(plant, phone)
    plant.frame(phone, "33:33:00:00:00:02", 0x86DD, bytes.fromhex("60") + bytes(39))
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_about_another_station_where_the_controllers_device_is_known() -> None:
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.ask(pc, unit, after=5.0)
    asks(plant, Station("0.0.0.0", "00:00:5e:00:53:32"))
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_about_the_pcs_own_request() -> None:
    plant, pc, unit = begun()
    asks(plant, pc)
    plant.ask(pc, unit)
    plant.ask(pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_about_a_renewal() -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    for _ in range(3):
        plant.dhcp("request", unit, unit.address, server=SERVER, renew=True, after=5.0)
    plant.ask(pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_controller_comes_back_with_its_address() -> None:
    plant, pc, unit = begun()
    worked_and_broke(plant, pc, unit)
    asks(plant, unit, times=2)
    plant.announce(unit, after=5.0)
    plant.tcp(pc, unit).open(after=2.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_about_a_device_with_several_addresses() -> None:
    plant, pc, unit = begun()
    plant.announce(Station("192.0.2.61", unit.hw))
    worked_and_broke(plant, pc, unit)
    plant.announce(Station("192.0.2.61", unit.hw), after=20.0)
    plant.ask(pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_another_unit_took_over() -> None:
    """The old one was given another address; the PC waited for the new one."""
    plant, pc, unit = begun()
    new = Station(unit.address, "00:00:5e:00:53:61")
    worked_and_broke(plant, pc, unit)
    plant.announce(Station("192.0.2.70", unit.hw), after=20.0)
    plant.ask(pc, unit)
    plant.announce(new, after=10.0)
    plant.resolve(pc, new)
    plant.tcp(pc, new).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_nothing_was_tried_in_vain() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    asks(plant, unit)
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize(("times", "leads"), [(1, None), (2, None), (3, SLUG)])
def test_a_recording_that_ends_soon_is_judged_by_the_repeats(times: int, leads: str | None) -> None:
    plant, pc, unit = begun()
    asks(plant, unit, times=3)
    plant.ask(pc, unit, times=times)
    assert lead(diagnosed(ended(plant, 1))) == leads


def test_tries_from_before_it_left_the_address_are_not_counted() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.announce(unit, after=5.0)
    asks(plant, unit)
    plant.ask(pc, unit)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert (finding.values["tries"], finding.values["requests"]) == (3, 5)
    assert finding.values["since"] is True


@pytest.mark.parametrize(("announced", "level"), [(True, Level.WARNING), (False, Level.NOTE)])
def test_found_where_it_worked_and_the_device_is_heard_under_another_address(
    announced: bool, level: Level
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close()
    moved = plant.station("192.0.2.61", hw=unit.hw)
    if announced:
        plant.announce(moved, after=5.0)
    plant.resolve(pc, moved, after=5.0)
    plant.tcp(pc, moved).open().poll(5)
    diagnosis = diagnosed(ended(plant), ["192.0.2.60:502"])
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (level, Certainty.FITS)
    assert (finding.values["moved"], finding.values["others"]) == (True, 1)
    assert (finding.values["last"] > 0, finding.values["since"]) == (True, False)
    assert not any("label" in step.text for step in finding.what_to_do)


def test_quiet_where_the_device_is_still_heard_under_the_first_address() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    second = plant.station("192.0.2.61", hw=unit.hw)
    plant.resolve(pc, second, after=5.0)
    plant.tcp(pc, second).open().poll(5)
    session.poll(2)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:502"]))


def test_quiet_where_a_router_passes_on_what_another_station_sent() -> None:
    plant, pc, router = acquainted()
    session = plant.tcp(pc, router).open()
    session.poll(5)
    session.close()
    far = plant.station("198.51.100.61", hw="00:00:5e:00:53:62")
    plant.tcp(pc, far, via=router).open(after=5.0).poll(5)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:502"]))
