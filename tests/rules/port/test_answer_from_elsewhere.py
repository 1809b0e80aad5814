"""answer-from-elsewhere: answers come from another address or port than the one asked."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, Diagnosis, Verdict
from analyzer.facts import Address
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from rules.port.answer_from_elsewhere import OTHER_ADDRESS, OTHER_DEVICE, OTHER_PORT, RULE
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    left_out,
    slugs,
)

SLUG = "answer-from-elsewhere"
PORT, OWN, FRESH = 5_500, 50_000, 34_567
UNIT, SECOND = Address.parse("192.0.2.60"), Address.parse("192.0.2.61")
told_or_not = pytest.mark.parametrize(
    "controllers", [(), ("192.0.2.60:5500",)], ids=["not told", "told"]
)


def second_address(plant: Plant, pc: Station, unit: Station) -> Station:
    second = plant.station("192.0.2.61", hw=unit.hw)
    plant.resolve(pc, second)
    return second


def ask(
    plant: Plant,
    pc: Station,
    unit: Station,
    by: Station,
    back: int = PORT,
    own: int = OWN,
    refused: bool = True,
    late: float = 0.001,
) -> None:
    plant.datagram(pc, unit, own, PORT, b"state?", after=0.9)
    answer = plant.datagram(by, pc, back, own, b"running", after=late)
    if refused:
        plant.unreachable(pc, by, answer, code=3)


def assert_leads(diagnosis: Diagnosis, certainty: Certainty, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, certainty)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_second_address_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    second = second_address(plant, pc, unit)
    for _ in range(4):
        ask(plant, pc, unit, second)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(
        diagnosis,
        Certainty.SHOWN,
        controller=UNIT,
        answerer=SECOND,
        answering_port=PORT,
        asked=4,
        answers=4,
        refusals=4,
    )
    finding = found(diagnosis, SLUG)
    assert [one.moment.frame for one in finding.evidence] == [9, 10, 11, 14, 18, 21]
    assert left_out(finding, RULE) == ([OTHER_PORT], [OTHER_DEVICE])
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-60"


@told_or_not
def test_found_where_another_port_answers_and_the_pc_turns_it_down(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        ask(plant, pc, unit, unit, back=FRESH)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.SHOWN, answerer=UNIT, answering_port=FRESH, refusals=3)
    assert left_out(found(diagnosis, SLUG), RULE) == ([OTHER_ADDRESS], [])


@told_or_not
def test_found_where_each_question_has_a_socket_of_its_own(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    second = second_address(plant, pc, unit)
    for own in range(OWN, OWN + 3):
        ask(plant, pc, unit, second, own=own)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.FITS, answerer=SECOND, asked=3, refusals=3)


@told_or_not
def test_found_as_a_note_where_nothing_is_turned_down(controllers: tuple[str, ...]) -> None:
    """The PC's firewall may drop it in silence, or the program may take it."""
    plant, pc, unit = acquainted()
    second = second_address(plant, pc, unit)
    for _ in range(4):
        ask(plant, pc, unit, second, refused=False)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_another_port_answers_by_design(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        ask(plant, pc, unit, unit, back=FRESH, refused=False)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_each_answer_has_a_new_port(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for n in range(5):
        ask(plant, pc, unit, unit, back=FRESH + n, own=OWN + n, refused=False)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_only_the_last_answer_finds_nobody(controllers: tuple[str, ...]) -> None:
    """The program had its answers and has ended."""
    plant, pc, unit = acquainted()
    for n in range(3):
        ask(plant, pc, unit, unit, back=FRESH, refused=n == 2)
    assert_healthy(diagnosed(ended(plant), controllers))


def other_station(plant: Plant, pc: Station, unit: Station) -> None:
    panel = plant.station("192.0.2.20")
    for _ in range(4):
        ask(plant, pc, unit, panel)


def search(plant: Plant, pc: Station, unit: Station) -> None:
    """The same socket asks the second address, too."""
    second = second_address(plant, pc, unit)
    plant.datagram(pc, second, OWN, 7_000, b"who is there")
    for _ in range(4):
        ask(plant, pc, unit, second)


def late(plant: Plant, pc: Station, unit: Station) -> None:
    second = second_address(plant, pc, unit)
    for own in range(OWN, OWN + 4):
        ask(plant, pc, unit, second, own=own, late=3.0)


def one_answer(plant: Plant, pc: Station, unit: Station) -> None:
    """The program did not wait."""
    ask(plant, pc, unit, second_address(plant, pc, unit))


def own_stream(plant: Plant, pc: Station, unit: Station) -> None:
    """The controller sends by itself, from before the PC asked."""
    second = second_address(plant, pc, unit)
    plant.datagram(second, pc, PORT, OWN, b"state")
    for _ in range(4):
        ask(plant, pc, unit, second)


@pytest.mark.parametrize("happens", [other_station, search, late, one_answer, own_stream])
def test_quiet_where_what_comes_is_no_answer(
    happens: Callable[[Plant, Station, Station], None],
) -> None:
    plant, pc, unit = acquainted()
    happens(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:5500"]))


def test_quiet_where_the_link_up_works() -> None:
    plant, pc, unit = acquainted()
    second = second_address(plant, pc, unit)
    plant.tcp(pc, unit).open().poll(2)
    for _ in range(3):
        ask(plant, pc, unit, second)
    assert SLUG not in slugs(diagnosed(ended(plant)))
