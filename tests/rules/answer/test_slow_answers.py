"""slow-answers: answers come in steps of held-back acknowledgements."""

import pytest

from analyzer.diagnosis import NO_FAULT, Diagnosis
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.answer.slow_answers import (
    ANSWER,
    IN_ANSWERS,
    IN_REQUESTS,
    JOINING,
    REQUEST,
    RULE,
    SLOW,
)
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "slow-answers"
SPREAD = (0.05, 0.13, 0.21, 0.34, 0.09, 0.27, 0.16, 0.3, 0.07, 0.24, 0.11, 0.33, 0.14, 0.29)


def begun() -> tuple[Plant, Station, Session]:
    plant, pc, unit = acquainted()
    return plant, unit, plant.tcp(pc, unit).open()


def assert_told(diagnosis: Diagnosis, level: Level, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (level, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("step", [0.2, 0.04])
def test_found_where_a_request_comes_in_pieces(controllers: tuple[str, ...], step: float) -> None:
    plant, unit, session = begun()
    for turn in range(1, 15):
        session.send(modbus_read(turn)[:7], after=1.0)
        session.ack(unit, after=step)
        session.send(modbus_read(turn)[7:])
        session.send(modbus_answer(turn), unit, after=0.004)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_told(diagnosis, Level.WARNING, step=step, slow=14, answers=14, whose=REQUEST)
    assert found(diagnosis, SLUG).likely_causes[0] == RULE.likely_causes[IN_REQUESTS]


@told_or_not
def test_found_where_an_answer_comes_in_pieces(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    for turn in range(1, 15):
        session.send(modbus_read(turn), after=1.0)
        session.send(modbus_answer(turn)[:9], unit, after=0.003)
        session.ack(after=0.2)
        session.send(modbus_answer(turn)[9:], unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_told(diagnosis, Level.WARNING, step=0.2, whose=ANSWER)
    finding = found(diagnosis, SLUG)
    assert left_out(finding, RULE)[0] == [IN_REQUESTS, JOINING, SLOW]
    assert finding.likely_causes == [RULE.likely_causes[IN_ANSWERS]]
    assert len(finding.what_to_do) == len(RULE.what_to_do) - 1


@told_or_not
@pytest.mark.parametrize("step", [0.2, 0.04])
def test_found_as_a_note_where_whole_answers_come_so_late(
    controllers: tuple[str, ...], step: float
) -> None:
    """The controller's cycle may last as long."""
    plant, _, session = begun()
    for turn in range(1, 15):
        think = step + (turn % 3) * 0.002
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_told(diagnosis, Level.NOTE, step=step, answers=14, whose=None)


def test_found_where_both_ends_send_in_pieces() -> None:
    """One exchange counts once."""
    plant, unit, session = begun()
    for turn in range(1, 15):
        session.send(modbus_read(turn)[:7], after=1.0)
        session.ack(unit, after=0.2)
        session.send(modbus_read(turn)[7:])
        session.send(modbus_answer(turn)[:9], unit, after=0.003)
        session.ack(after=0.2)
        session.send(modbus_answer(turn)[9:], unit)
    assert_told(diagnosed(ended(plant)), Level.WARNING, slow=14, answers=14, whose=ANSWER)


def test_found_in_a_protocol_that_is_not_known() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 9600).open()
    for _ in range(12):
        session.exchange(b"\x02ask", b"\x02told", think=0.203, after=1.0)
    assert_told(diagnosed(ended(plant)), Level.NOTE, protocol=None)


@told_or_not
def test_quiet_where_answers_are_spread(controllers: tuple[str, ...]) -> None:
    plant, _, session = begun()
    for turn, think in enumerate(SPREAD, 1):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize("think", [0.004, 0.02, 0.1, 0.3])
def test_quiet_at_any_other_pace(controllers: tuple[str, ...], think: float) -> None:
    plant, _, session = begun()
    for turn in range(1, 15):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_over_a_slow_way(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn(after=0.5)
    session.syn_ack(after=0.19)
    session.ack()
    for turn in range(1, 15):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=0.2, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_answers_are_few(controllers: tuple[str, ...]) -> None:
    plant, _, session = begun()
    for turn in range(1, 6):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=0.2, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_sends_by_itself(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    session.poll(2)
    for _ in range(60):
        session.send(b"state: ready", unit, after=0.2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_only_some_answers_are_slow(controllers: tuple[str, ...]) -> None:
    plant, _, session = begun()
    for turn in range(1, 15):
        think = 0.2 if turn % 3 == 0 else 0.005
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(("slow", "quick", "told"), [(9, 0, 0), (10, 0, 1), (10, 4, 1), (10, 5, 0)])
def test_found_from_ten_answers_on_where_most_are_slow(slow: int, quick: int, told: int) -> None:
    plant, _, session = begun()
    for turn, think in enumerate([0.2] * slow + [0.005] * quick, 1):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
    assert slugs(diagnosed(ended(plant))) == [SLUG] * told


def test_the_session_with_most_answers_is_told() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit, 502).open().poll(2)
    session = plant.tcp(pc, unit, 502).open()
    for turn in range(1, 15):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=0.2, after=1.0)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["typical"] == pytest.approx(0.2, abs=0.05)
    assert [one.moment.seconds > 20 for one in finding.evidence] == [True]
