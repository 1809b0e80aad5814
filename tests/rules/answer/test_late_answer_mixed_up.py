"""late-answer-mixed-up: the answer to an old request is taken for the next one's."""

import pytest

from analyzer.diagnosis import NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from tests.support import acquainted, assert_healthy, diagnosed, ended, found, slugs, told_or_not

SLUG = "late-answer-mixed-up"


def begun(**numbers: int) -> tuple[Plant, Station, Session]:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, **numbers).open()
    session.poll(4)
    return plant, unit, session


def out_of_step(session: Session, unit: Station, turns: int, pause: float = 1.0) -> None:
    """Request 5 is given up; from then on each answer has the number before."""
    session.send(modbus_read(5), after=1.0)
    session.ack(unit, after=0.1)
    session.send(modbus_read(6), after=pause)
    for turn in range(6, 6 + turns):
        session.send(modbus_answer(turn - 1), unit, after=0.02)
        session.send(modbus_read(turn + 1), after=0.5)
    session.ack(unit, after=0.1)


def assert_told(diagnosis: Diagnosis, level: Level, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is level
    assert {name: finding.values[name] for name in values} == values
    assert [outcome.verdict for outcome in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_found_where_the_pc_asks_on_behind_late_answers(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    out_of_step(session, unit, turns=5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_told(diagnosis, Level.WARNING, late=5, shifted=5, patience=pytest.approx(1.1, abs=0.01))
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert len(finding.evidence) == 8


@told_or_not
def test_found_with_numbers_that_wrap(controllers: tuple[str, ...]) -> None:
    """2^16 - 1 is followed by 0, and 0 tells nothing: the rest is enough."""
    plant, unit, session = begun(client_seq=2**32 - 40)
    session.send(modbus_read(0xFFFE), after=1.0)
    session.send(modbus_read(0xFFFF), after=1.0)
    for turn in (0xFFFE, 0xFFFF, 0, 1, 2):
        session.send(modbus_answer(turn), unit, after=0.02)
        session.send(modbus_read((turn + 2) % 2**16), after=0.5)
    session.ack(unit, after=0.1)
    assert_told(diagnosed(ended(plant), controllers), Level.WARNING)


@told_or_not
def test_found_as_a_note_where_the_answer_is_only_late(controllers: tuple[str, ...]) -> None:
    """The PC puts the late answer aside, and waits for the right one."""
    plant, unit, session = begun()
    session.send(modbus_read(5), after=1.0)
    session.send(modbus_read(6), after=1.0)
    session.send(modbus_answer(5), unit, after=0.02)
    session.send(modbus_answer(6), unit, after=0.02)
    session.transaction = 6
    session.poll(4)
    assert_told(diagnosed(ended(plant), controllers), Level.NOTE, late=1, shifted=0)


@told_or_not
@pytest.mark.parametrize("depth", [2, 4])
def test_quiet_where_several_requests_are_open_on_purpose(
    controllers: tuple[str, ...], depth: int
) -> None:
    plant, unit, session = begun()
    for turn in range(5, 5 + depth):
        session.send(modbus_read(turn), after=0.002)
    for turn in range(5, 25):
        session.send(modbus_answer(turn), unit, after=0.02)
        session.send(modbus_read(turn + depth), after=0.002)
    for turn in range(25, 25 + depth):
        session.send(modbus_answer(turn), unit, after=0.02)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_requests_are_joined(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    session.send(modbus_read(5) + modbus_read(6), after=1.0)
    session.send(modbus_answer(5), unit, after=0.02)
    session.send(modbus_answer(6), unit, after=0.02)
    session.transaction = 6
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_opens_a_new_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=1.0)
    session.send(modbus_answer(4), unit, after=3.0)
    session.close()
    again = plant.tcp(pc, unit).open(after=0.5)
    again.transaction = 4
    again.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_repeated_request_has_the_same_number(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    session.send(modbus_read(5), after=1.0)
    session.send(modbus_read(5), after=1.0)
    session.send(modbus_answer(5), unit, after=0.02)
    session.transaction = 5
    session.poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["request-unanswered"]  # two requests, one answer: a note
    assert found(diagnosis, "request-unanswered").level is Level.NOTE


@told_or_not
def test_quiet_where_a_controller_does_not_repeat_numbers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for turn in range(1, 8):
        session.exchange(modbus_read(turn), modbus_answer(0), after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_answers_are_slow_and_in_order(controllers: tuple[str, ...]) -> None:
    plant, _, session = begun()
    for turn in range(5, 12):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=1.7, after=0.5)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(("pause", "told"), [(0.05, False), (0.15, True)])
def test_quiet_where_the_pc_asks_again_soon(pause: float, told: bool) -> None:
    """The confirmation takes 0.1 s before that."""
    plant, unit, session = begun()
    out_of_step(session, unit, turns=3, pause=pause)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("turns", "level"), [(1, Level.NOTE), (2, Level.WARNING)])
def test_one_request_behind_a_late_answer_is_not_out_of_step(turns: int, level: Level) -> None:
    plant, unit, session = begun()
    out_of_step(session, unit, turns=turns)
    assert found(diagnosed(ended(plant)), SLUG).level is level
