"""nobody-speaks: the session opens, and neither end says anything."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import Record
from captures.plant import Plant, Station
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "nobody-speaks"


def waits(
    plant: Plant, pc: Station, unit: Station, seconds: float = 4.0, port: int = 502
) -> list[Record]:
    """The PC opens a session, waits, and closes it: the frames that open and close it."""
    session = plant.tcp(pc, unit, port)
    session.syn(after=0.3)
    session.syn_ack()
    opens, closes = session.ack(), session.fin(after=seconds)
    session.fin(unit)
    session.ack()
    return [opens, closes]


def assert_leads(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "answer")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_each_end_waits_for_the_other(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    records = waits(plant, pc, unit) + waits(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, sessions=2, port=502, waited=pytest.approx(4.0, abs=0.01))
    frames = [line.moment.frame for line in found(diagnosis, SLUG).evidence]
    assert frames == [plant.number(record) for record in records]


def test_found_on_a_port_that_nobody_registered_and_with_resets() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        plant.tcp(pc, unit, 10001).open(after=0.3).rst(after=4.0)
    assert_leads(diagnosed(ended(plant)), sessions=3, port=10001)


def test_found_behind_keep_alives() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit, client_seq=2**32 - 1).open(after=0.5)
        for _ in range(3):
            session.keep_alive(after=1.0)
            session.ack(unit)
        session.close(after=1.0)
    assert_leads(diagnosed(ended(plant)), sessions=2)


def test_found_as_a_note_where_it_happened_once() -> None:
    plant, pc, unit = acquainted()
    waits(plant, pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_the_program_only_looks_whether_the_port_opens(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        waits(plant, pc, unit, 0.5)
    assert slugs(diagnosed(ended(plant), controllers)) == []


@told_or_not
@pytest.mark.parametrize("port", [502, 4840])
def test_quiet_beside_a_session_that_works(controllers: tuple[str, ...], port: int) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(1)
        waits(plant, pc, unit, port=port)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_later_session_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        waits(plant, pc, unit)
    plant.tcp(pc, unit).open(after=0.5).poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_controller_ends_the_session() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        plant.tcp(pc, unit).open(after=0.5).close(unit, after=4.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_recorder_lost_what_was_said() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=0.5)
        plant.lose(session.send(b"ready", unit))
        session.ack()
        session.close(after=4.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_session_is_still_open() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_controller_speaks_by_datagrams() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit, 44818).open(after=0.5)
        plant.datagram(pc, unit, 50001, 2222, b"ask")
        plant.datagram(unit, pc, 2222, 50001, b"tell")
        session.close(after=3.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize(("seconds", "told"), [(1.9, 0), (2.1, 1)])
def test_quiet_where_the_pc_waits_for_less_than_two_seconds(seconds: float, told: int) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        waits(plant, pc, unit, seconds)
    assert slugs(diagnosed(ended(plant))) == [SLUG] * told


@pytest.mark.parametrize(("pause", "level"), [(58.0, Level.FAULT), (61.0, Level.NOTE)])
def test_found_as_a_note_where_the_pc_comes_back_much_later(pause: float, level: Level) -> None:
    plant, pc, unit = acquainted()
    waits(plant, pc, unit)
    plant.wait(pause)
    waits(plant, pc, unit)
    assert found(diagnosed(ended(plant)), SLUG).level is level
