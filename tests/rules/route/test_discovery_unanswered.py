"""discovery-unanswered: the PC's search for controllers finds nothing."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, NO_FAULT
from analyzer.findings import Certainty, Level
from analyzer.linkup import Stage
from captures.plant import Plant, Station
from rules.route.discovery_unanswered import CHOICE, FIREWALL, NOT_HERE, RULE
from tests.support import (
    TOLD,
    acquainted,
    begun,
    diagnosed,
    ended,
    found,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "discovery-unanswered"
IDENTITY = bytes.fromhex("63000000") + bytes(20)
EVERYBODY = pytest.mark.parametrize("to", ["255.255.255.255", "192.0.2.255", "239.192.1.3"])


def searched(
    plant: Plant, pc: Station, times: int = 2, port: int = 44818, to: str = "255.255.255.255"
) -> None:
    for _ in range(times):
        plant.datagram(pc, to, 50_100, port, IDENTITY, after=2.0)


def worked(plant: Plant, pc: Station, unit: Station) -> None:
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close()


@told_or_not
@EVERYBODY
@pytest.mark.parametrize(("times", "certainty"), [(2, Certainty.FITS), (3, Certainty.SHOWN)])
def test_found_as_a_note_where_the_address_works(
    controllers: tuple[str, ...], to: str, times: int, certainty: Certainty
) -> None:
    plant, pc, unit = acquainted()
    searched(plant, pc, times, to=to)
    worked(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, certainty)
    values = finding.values
    assert (values["port"], values["searches"], values["answers"]) == (44818, times, 0)
    works = diagnosis.outcomes[0].linkup.proofs[Stage.ANSWER].moment
    assert works in [one.moment for one in finding.evidence]
    assert finding.likely_causes[0].startswith("The controller takes no part")
    assert left_out(finding, RULE) == ([FIREWALL], [CHOICE])
    assert diagnosis.status == NO_FAULT


def test_found_on_the_port_of_the_controller() -> None:
    plant, pc, unit = acquainted()
    searched(plant, pc, port=9600)
    plant.tcp(pc, unit, 9600).open().poll(4)
    assert slugs(diagnosed(ended(plant))) == [SLUG]


def test_found_with_a_router_in_between() -> None:
    plant = Plant()
    pc, router = plant.pc(), plant.station("192.0.2.1")
    far = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(5)
    plant.resolve(pc, router)
    searched(plant, pc)
    plant.tcp(pc, far, via=router).open().poll(4)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).likely_causes[0].startswith("A router or a VPN")


def test_found_with_another_address_of_the_pc() -> None:
    plant, pc, unit = acquainted()
    searched(plant, Station("169.254.7.15", pc.hw, is_pc=True))
    worked(plant, pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).likely_causes[0].startswith("The search leaves by another")


def answered(plant: Plant, pc: Station, unit: Station, times: int) -> None:
    for _ in range(times):
        searched(plant, pc, times=1)
        plant.datagram(unit, pc, 44818, 50_100, IDENTITY, after=0.01)


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:44818",)])
def test_found_as_a_warning_where_answers_do_not_reach_the_program(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.resolve(unit, pc)
    answered(plant, pc, unit, times=4)
    diagnosis = diagnosed(ended(plant), controllers, pc="192.0.2.15")
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert (finding.values["searches"], finding.values["answers"]) == (4, 4)
    assert [str(one) for one in finding.values["found"]] == ["192.0.2.60"]
    assert str(finding.values["first"]) == "192.0.2.60"
    assert finding.likely_causes[0].startswith("A firewall on the PC")
    assert left_out(finding, RULE) == ([], [NOT_HERE])
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_the_search_is_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    answered(plant, pc, unit, times=4)
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_where_the_answer_goes_to_everybody() -> None:
    plant, pc, unit = acquainted()
    searched(plant, pc, port=47808)
    plant.datagram(unit, "255.255.255.255", 47808, 47808, IDENTITY)
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == []


@pytest.mark.parametrize("port", [137, 1900, 3702, 5353, 5355, 17_000])
def test_quiet_about_office_software_and_unknown_ports(port: int) -> None:
    plant, pc, unit = acquainted()
    searched(plant, pc, times=5, port=port, to="239.255.255.250")
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_a_stream_to_a_group() -> None:
    plant, pc, unit = acquainted()
    for _ in range(60):
        plant.datagram(pc, "239.192.1.3", 2222, 2222, bytes(40), after=0.05)
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_searches_of_others() -> None:
    plant, pc, unit = acquainted()
    searched(plant, plant.station("192.0.2.20"))
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_the_search_stands_at_the_end() -> None:
    plant, pc, unit = acquainted()
    worked(plant, pc, unit)
    searched(plant, pc, times=1)
    assert slugs(diagnosed(ended(plant, 1))) == []


def test_quiet_where_nothing_works_at_all() -> None:
    plant, pc, unit = begun()
    searched(plant, pc)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_program_turns_to_who_answered() -> None:
    plant, pc, unit = acquainted()
    answered(plant, pc, unit, times=4)
    call = plant.tcp(pc, unit, 44818)
    call.syn()
    call.refuse()
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


def test_quiet_where_somebody_looked_once() -> None:
    plant, pc, unit = begun()
    answered(plant, pc, unit, times=1)
    assert SLUG not in slugs(diagnosed(ended(plant), pc="192.0.2.15"))


def test_quiet_where_the_first_of_several_searches_is_answered() -> None:
    plant, pc, unit = acquainted()
    answered(plant, pc, unit, times=1)
    searched(plant, pc, to="239.192.1.3")
    worked(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == []


@pytest.mark.parametrize(("times", "told"), [(2, False), (3, True)])
def test_quiet_where_it_searches_twice(times: int, told: bool) -> None:
    plant, pc, unit = begun()
    plant.resolve(unit, pc)
    answered(plant, pc, unit, times=times)
    assert (SLUG in slugs(diagnosed(ended(plant), TOLD, pc="192.0.2.15"))) == told


@pytest.mark.parametrize(
    ("times", "every", "told"), [(9, 0.05, True), (12, 0.05, False), (12, 1.2, True)]
)
def test_quiet_about_many_datagrams_in_a_short_time(times: int, every: float, told: bool) -> None:
    plant, pc, unit = acquainted()
    for _ in range(times):
        plant.datagram(pc, "239.192.1.3", 50_100, 44818, IDENTITY, after=every)
    worked(plant, pc, unit)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == told
