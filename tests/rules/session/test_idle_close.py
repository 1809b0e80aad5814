"""idle-close: the controller ends each session after the same time without a request."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import START, Plant, Station, modbus_read
from rules.session.idle_close import PC_PAUSED, RULE, SLOW_POLLS
from tests.support import (
    a_sheet,
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "idle-close"


def idle(
    plant: Plant,
    pc: Station,
    unit: Station,
    *pauses: float,
    reset: bool = False,
    again: float = 0.5,
) -> None:
    """Sessions that the controller ends after these pauses; the PC calls again after each."""
    for pause in pauses:
        session = plant.tcp(pc, unit).open(after=again)
        session.poll(3)
        if reset:
            session.rst(unit, after=pause)
        else:
            session.close(unit, after=pause)
    last = plant.tcp(pc, unit).open(after=again)
    last.poll(3)
    last.close()


@told_or_not
@pytest.mark.parametrize("reset", [True, False])
def test_found_three_times(controllers: tuple[str, ...], reset: bool) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 60.0, 61.5, 60.4, reset=reset)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.values["times"] == 3
    assert finding.values["limit"] == pytest.approx(60.04, abs=0.01)
    assert finding.values["third"] == pytest.approx(20.01, abs=0.01)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]
    assert diagnosis.status == FAULT


def test_found_with_less_certainty_where_two_agree() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 100.0, 100.2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.certainty, finding.level) == (Certainty.FITS, Level.FAULT)


@pytest.mark.parametrize(
    ("limit", "certainty"), [(100, Certainty.SHOWN), (60, Certainty.FITS), (110, Certainty.FITS)]
)
def test_found_for_certain_where_the_sheet_has_the_limit(limit: int, certainty: Certainty) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 100.0, 100.2)
    diagnosis = diagnosed(ended(plant), sheet=a_sheet(f"idle_limit = {limit}"))
    assert found(diagnosis, SLUG).certainty is certainty


def test_found_behind_keep_alives() -> None:
    """The controller counts requests only."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(2)
        for _ in range(3):
            session.keep_alive(after=10.0)
            session.ack(unit)
        session.close(unit, after=10.0)
    plant.tcp(pc, unit).open(after=0.5).poll(2)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["keep_alives"] == 6


def test_found_beside_an_early_close_of_another_kind() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 30.0, 4.0, 30.2, 30.1)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["times"] == 3


def test_found_with_frames_recorded_twice() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 30.0, 30.2, 30.1)
    for record in plant.records:
        with plant.at(record.time / 1e9 - START):
            plant.raw(record.data, pc if record.outbound else None, after=0.0001)
    diagnosis = diagnosed(ended(plant))
    assert found(diagnosis, SLUG).values["times"] == 3


@told_or_not
def test_quiet_but_for_a_note_where_the_pc_comes_back_on_demand(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 5.0, 5.0, 5.0, again=15.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("reset", [True, False])
def test_quiet_where_the_times_differ(controllers: tuple[str, ...], reset: bool) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 20.0, 30.0, 45.0, 9.0, reset=reset)
    expected = "session-reset" if reset else "session-closed"
    assert slugs(diagnosed(ended(plant), controllers)) == [expected]


@told_or_not
@pytest.mark.parametrize("others", [(4.0, 9.0), (4.0, 9.0, 13.0)])
def test_quiet_where_two_of_many_agree_by_chance(
    controllers: tuple[str, ...], others: tuple[float, ...]
) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 20.0, 20.1, *others)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-closed"]


@pytest.mark.parametrize(("polls", "cause"), [(1, SLOW_POLLS), (2, PC_PAUSED)])
def test_the_usual_interval_is_known_from_two_requests_on(polls: int, cause: str) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(polls)
        session.close(unit, after=30.0)
    plant.tcp(pc, unit).open(after=0.5).poll(2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


def test_found_as_a_fault_where_the_pc_misses_one_session_of_several() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 30.0, 30.1)
    session = plant.tcp(pc, unit).open(after=100.0)
    session.poll(3)
    session.close(unit, after=30.2)
    assert found(diagnosed(ended(plant)), SLUG).level is Level.FAULT


@told_or_not
def test_quiet_where_nobody_comes_back_soon(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=600.0)
        session.poll(3)
        session.close(unit, after=60.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_closes_after_each_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(1)
        session.close(unit, after=0.2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_closes_after_the_same_rest(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(2)
        session.close(after=30.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_requests_stay_open_as_long(controllers: tuple[str, ...]) -> None:
    """The controller ends a session in which it owes an answer: not a limit of idleness."""
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(2)
        session.send(modbus_read(9), after=1.0)
        session.ack(unit)
        session.close(unit, after=30.0)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-closed"]


def test_quiet_where_sessions_outlast_the_limit_of_the_sheet() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    plant.wait(90)
    session.poll(3)
    session.close()
    assert_healthy(diagnosed(ended(plant), sheet=a_sheet("idle_limit = 60")))


@pytest.mark.parametrize(("every", "cause"), [(1.0, PC_PAUSED), (25.0, SLOW_POLLS)])
def test_the_first_cause_depends_on_the_usual_interval(every: float, cause: str) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(3, every=every)
        session.close(unit, after=30.0)
    plant.tcp(pc, unit).open(after=0.5).poll(2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


@pytest.mark.parametrize(("other", "expected"), [(104.0, SLUG), (106.0, "session-closed")])
def test_quiet_where_two_differ_by_more_than_one_in_twenty(other: float, expected: str) -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 100.0, other)
    assert slugs(diagnosed(ended(plant))) == [expected]


def test_quiet_where_only_a_greeting_came_before_the_rest() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.send(b"ready", unit)
        session.close(unit, after=30.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_one_session_only_was_closed_at_rest() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 30.0)
    assert slugs(diagnosed(ended(plant))) == ["session-closed"]


def test_found_with_less_certainty_where_one_of_two_differs_from_the_sheet() -> None:
    plant, pc, unit = acquainted()
    idle(plant, pc, unit, 100.0, 104.0)
    diagnosis = diagnosed(ended(plant), sheet=a_sheet("idle_limit = 97"))
    assert found(diagnosis, SLUG).certainty is Certainty.FITS
