"""self-assigned-address: the PC calls from 169.254.x.x."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty
from captures.plant import Plant, Station
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not

SLUG = "self-assigned-address"
PC_HW = "00:00:5e:00:53:15"
BOTH = ("169.254.80.60:502",)
both_or_not = pytest.mark.parametrize("controllers", [(), BOTH], ids=["not told", "told"])


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc("169.254.23.15", hw=PC_HW), plant.station()
    plant.wait(3)
    return plant, pc, unit


def looks_for_server(plant: Plant, pc: Station) -> None:
    for pause in (0, 4, 8):
        plant.dhcp("discover", pc, after=pause)
    gives_itself_an_address(plant, pc)


def gives_itself_an_address(plant: Plant, pc: Station) -> None:
    plant.probe(pc, after=1)
    plant.announce(pc, after=1)


def fixed(pc: Station, address: str = "192.0.2.15") -> Station:
    """The same PC with another address."""
    return Station(address, pc.hw, pc.ttl, is_pc=True)


@told_or_not
def test_found_where_no_server_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (str(finding.values["pc"]), finding.values["searches"]) == ("169.254.23.15", 3)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "address")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_address_was_taken_before_the_recording(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["searches"] == 0


@told_or_not
def test_found_where_the_pc_sends_nothing_to_the_controller(controllers: tuple[str, ...]) -> None:
    plant, pc, _ = begun()
    looks_for_server(plant, pc)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG, "no-attempt"]
    assert diagnosis.status == FAULT


@told_or_not
def test_found_on_a_direct_cable_where_nothing_else_is_heard(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    plant.wait(9)
    plant.dhcp("discover", pc)
    diagnosis = diagnosed(plant, controllers)
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].stopped_at == "address"


def test_found_where_the_controller_answers_arp_and_nothing_more() -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]


def test_found_where_the_recording_ends_at_once() -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    assert slugs(diagnosed(plant, TOLD)) == [SLUG]


@both_or_not
def test_quiet_where_both_ends_are_self_assigned_and_it_works(controllers: tuple[str, ...]) -> None:
    plant, pc, _ = begun()
    unit = plant.station("169.254.80.60", hw="00:00:5e:00:53:61")
    looks_for_server(plant, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@both_or_not
def test_quiet_where_both_ends_are_self_assigned_and_it_does_not(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, _ = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, "169.254.80.60", after=2)
    assert slugs(diagnosed(ended(plant), controllers)) == ["unanswered-arp"]


@told_or_not
def test_quiet_where_the_pc_calls_from_its_fixed_address(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.resolve(fixed(pc), unit)
    plant.tcp(fixed(pc), unit).open().poll(3)
    for _ in range(30):
        plant.datagram(pc, "224.0.0.251", 5353, 5353, b"who", after=0.5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_where_the_fixed_address_is_the_one_without_an_answer(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(fixed(pc), unit)
    assert lead(diagnosed(ended(plant), controllers)) == "unanswered-arp"


@told_or_not
def test_quiet_where_a_slow_server_gives_an_address_and_it_works(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    plant.wait(4)
    plant.lease(fixed(pc), plant.station("192.0.2.1"))
    plant.resolve(fixed(pc), unit, after=2)
    plant.tcp(fixed(pc), unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["late-start"]


@told_or_not
def test_quiet_where_a_slow_server_gives_an_address_and_it_does_not(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    plant.wait(4)
    plant.lease(fixed(pc), plant.station("192.0.2.1"))
    plant.ask(fixed(pc), unit, after=2)
    assert lead(diagnosed(ended(plant), controllers)) == "unanswered-arp"


def test_quiet_where_the_pc_has_a_fixed_address_beside_it_and_does_not_try() -> None:
    plant, pc, _ = begun()
    looks_for_server(plant, pc)
    plant.announce(fixed(pc))
    for _ in range(30):
        plant.datagram(pc, "224.0.0.251", 5353, 5353, b"who", after=0.5)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


@told_or_not
def test_quiet_where_the_controller_answers_all_the_same(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    looks_for_server(plant, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE


@told_or_not
def test_quiet_for_another_station_with_such_an_address(controllers: tuple[str, ...]) -> None:
    plant, printer, unit = begun()
    printer.is_pc = False
    pc = plant.pc("192.0.2.15", hw="00:00:5e:00:53:16")
    looks_for_server(plant, printer)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


def test_quiet_where_others_are_self_assigned_too_and_nobody_tries() -> None:
    plant, pc, _ = begun()
    looks_for_server(plant, pc)
    plant.announce(plant.station("169.254.80.60", hw="00:00:5e:00:53:61"))
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["no-attempt"]
    assert diagnosis.status == CANNOT_TELL


def test_found_where_the_pc_itself_had_the_wanted_address() -> None:
    plant, pc, unit = begun()
    plant.link_up(fixed(pc))
    looks_for_server(plant, pc)
    plant.ask(pc, unit, after=2)
    assert SLUG in slugs(diagnosed(ended(plant), TOLD))


@told_or_not
@pytest.mark.parametrize("tries", [True, False])
def test_quiet_where_the_wanted_address_was_taken(
    tries: bool, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    laptop = plant.station("192.0.2.15", hw="00:00:5e:00:53:77")
    plant.probe(fixed(pc), times=1)
    plant.reply(laptop, fixed(pc), after=0.01)
    looks_for_server(plant, pc)
    if tries:
        plant.ask(pc, unit, after=2)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == "address-in-use"
    assert SLUG not in slugs(diagnosis)


def test_quiet_where_a_lease_comes_before_anybody_tries() -> None:
    plant, pc, _ = begun()
    looks_for_server(plant, pc)
    plant.lease(fixed(pc), plant.station("192.0.2.1"))
    plant.announce(fixed(pc))
    assert slugs(diagnosed(ended(plant))) == ["no-attempt"]
