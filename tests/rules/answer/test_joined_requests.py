"""joined-requests: several requests in a segment, or one in several, and answers lack."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "joined-requests"


def joined(session: Session, first: int, unit: Station, answers: int, count: int = 2) -> None:
    """Several requests in one segment, and answers to the first of them."""
    session.send(b"".join(modbus_read(first + n) for n in range(count)), after=1.0)
    session.ack(unit)
    for n in range(answers):
        session.send(modbus_answer(first + n), unit, after=0.004)
        session.ack(after=0.04)


def begun() -> tuple[Plant, Station, Session]:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    return plant, unit, session


def assert_leads(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert outcome.stopped_at == "answer"
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("answers", [0, 1])
@pytest.mark.parametrize("gives_up", [True, False])
def test_found_where_no_more_answers_come(
    controllers: tuple[str, ...], answers: int, gives_up: bool
) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers)
    if gives_up:
        session.close(after=3.0)
    assert_leads(diagnosed(ended(plant), controllers), joined=1, missing=2 - answers, alone=0)


@told_or_not
def test_found_where_the_pc_asks_on_in_vain(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=1)
    for turn in (6, 7):
        session.send(modbus_read(turn), after=2.0)
        session.ack(unit)
    session.close(after=2.0)
    assert_leads(diagnosed(ended(plant), controllers), joined=1, missing=3, alone=2)


@told_or_not
def test_found_where_a_request_comes_in_pieces(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    session.send(modbus_read(4)[:7], after=0.01)
    session.send(modbus_read(4)[7:])
    session.ack(unit)
    session.close(after=5.0)
    assert_leads(diagnosed(ended(plant), controllers), joined=0, split=1, missing=1)


def test_found_as_a_warning_where_the_first_request_comes_in_pieces() -> None:
    """It may be unanswered for what it asks: that leads."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1)[:7], after=0.01)
    session.send(modbus_read(1)[7:])
    session.ack(unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["request-unanswered", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_as_a_warning_where_each_joined_segment_costs_an_answer() -> None:
    plant, unit, session = begun()
    for turn in range(4, 16, 3):
        joined(session, turn, unit, answers=1)
        session.exchange(modbus_read(turn + 2), modbus_answer(turn + 2), after=1.0)
    session.close(after=0.3)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    values = found(diagnosis, SLUG).values
    assert (values["missing"], values["answers"], values["loses"]) == (4, 11, True)
    assert diagnosis.status == NO_FAULT


def test_found_as_a_warning_where_a_later_session_works() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    joined(session, 1, unit, answers=0)
    session.close(after=3.0)
    plant.tcp(pc, unit).open(after=0.5).poll(5)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


@told_or_not
@pytest.mark.parametrize("count", [2, 5])
def test_quiet_where_all_are_answered(controllers: tuple[str, ...], count: int) -> None:
    plant, unit, session = begun()
    for turn in (4, 10, 16):
        joined(session, turn, unit, answers=count, count=count)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_pieces_are_answered(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    for turn in (4, 5, 6):
        session.send(modbus_read(turn)[:7], after=1.0)
        session.send(modbus_read(turn)[7:])
        session.send(modbus_answer(turn), unit, after=0.01)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_does_not_wait(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=0)
    session.close(after=0.05)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_single_requests_stay_open(controllers: tuple[str, ...]) -> None:
    """Joined ones were all answered before: joining is not the trouble."""
    plant, unit, session = begun()
    joined(session, 4, unit, answers=2)
    session.send(modbus_read(6), after=1.0)
    session.ack(unit)
    session.close(after=3.0)
    assert lead(diagnosed(ended(plant), controllers)) == "request-unanswered"


@told_or_not
def test_quiet_where_the_recording_ends_too_soon(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=1)
    assert SLUG not in slugs(diagnosed(ended(plant, 2), controllers))


@told_or_not
def test_quiet_where_the_controller_ends_the_session(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=0)
    session.rst(unit, after=0.05)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


def test_quiet_where_the_protocol_is_not_known() -> None:
    """Two messages, perhaps: nobody here can tell."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 9600).open()
    session.send(b"\x02one\x03\x02two\x03", after=0.01)
    session.ack(unit)
    assert lead(diagnosed(ended(plant))) == "request-unanswered"


@pytest.mark.parametrize(("segments", "told"), [(1, False), (2, True)])
def test_quiet_where_one_joined_segment_costs_an_answer(segments: int, told: bool) -> None:
    plant, unit, session = begun()
    for turn in range(4, 4 + 3 * segments, 3):
        joined(session, turn, unit, answers=1)
        session.exchange(modbus_read(turn + 2), modbus_answer(turn + 2), after=1.0)
    session.close(after=0.3)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def test_found_where_the_recording_ends_soon_after_more_requests_in_vain() -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=1)
    for turn in (6, 7):
        session.send(modbus_read(turn), after=1.0)
        session.ack(unit)
    assert_leads(diagnosed(ended(plant, 1)), missing=3)


@pytest.mark.parametrize(("after", "told"), [(0.9, False), (1.1, True)])
def test_quiet_where_the_pc_waits_for_less_than_a_second(after: float, told: bool) -> None:
    plant, unit, session = begun()
    joined(session, 4, unit, answers=0)
    session.close(after=after)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def test_quiet_where_the_recorder_lost_frames_of_the_session() -> None:
    """The PC confirms an answer that is not in the recording."""
    plant, unit, session = begun()
    joined(session, 4, unit, answers=1)
    plant.lose(session.send(modbus_answer(5), unit))
    session.ack(after=0.04)
    session.close(after=3.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_found_as_a_fault_where_each_joined_segment_costs_an_answer_and_the_last_costs_all() -> (
    None
):
    plant, unit, session = begun()
    for turn in (4, 7):
        joined(session, turn, unit, answers=1)
        session.exchange(modbus_read(turn + 2), modbus_answer(turn + 2), after=1.0)
    joined(session, 10, unit, answers=0)
    assert_leads(diagnosed(ended(plant)), joined=3, missing=4)
