"""controller-starting: the controller was starting while the PC tried."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station, modbus_read
from tests.support import (
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

SLUG = "controller-starting"


def comes_up(plant: Plant, unit: Station, after: float) -> None:
    plant.probe(unit, after=after)
    plant.announce(unit, after=2.0)


def refused(plant: Plant, pc: Station, unit: Station, times: int = 2, every: float = 3.0) -> None:
    for _ in range(times):
        call = plant.tcp(pc, unit)
        call.syn(after=every)
        call.refuse()


def assert_stopped(
    diagnosis: Diagnosis, certainty: Certainty, at: str = "neighbour", **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, certainty)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, at)
    assert diagnosis.status == FAULT


def assert_noted(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert {name: finding.values[name] for name in values} == values
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_found_where_the_pc_gave_up_before_the_controller_came_up(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    asked = plant.ask(pc, unit) + plant.ask(pc, unit, after=2.0)
    comes_up(plant, unit, after=15.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_stopped(diagnosis, Certainty.SHOWN, tries=len(asked), starts=1, refused=0)
    assert found(diagnosis, SLUG).values["first"] > found(diagnosis, SLUG).values["last_try"]


@told_or_not
def test_found_where_the_pc_gave_up_while_calls_were_refused(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=2.0)
    refused(plant, pc, unit)
    assert_stopped(diagnosed(ended(plant), controllers), Certainty.FITS, "port", tries=5, refused=2)


def test_found_where_only_refusals_follow_a_start() -> None:
    """The PC waited for the first sign, and not long enough."""
    plant, pc, unit = begun()
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=2.0)
    refused(plant, pc, unit)
    assert_stopped(diagnosed(ended(plant)), Certainty.FITS, "port", tries=2, refused=2)


def test_found_with_an_address_from_a_server() -> None:
    plant, pc, unit = begun()
    server = plant.station("192.0.2.2")
    plant.ask(pc, unit)
    plant.wait(20)
    plant.lease(unit, server)
    plant.announce(unit)
    assert_stopped(diagnosed(ended(plant)), Certainty.SHOWN)


@told_or_not
def test_found_as_a_note_where_it_takes_calls_in_the_end(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=2.0)
    refused(plant, pc, unit)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    assert_noted(diagnosed(ended(plant), controllers), starts=1, tries=5, refused=2, up=True)


def comes_up_again_and_again(plant: Plant, pc: Station, unit: Station, gaps: list[float]) -> None:
    """It takes a call each time, and dies with a request open."""
    for gap in gaps:
        plant.ask(pc, unit, after=1.0)
        comes_up(plant, unit, after=gap - 4.0)
        plant.resolve(pc, unit, after=1.0)
        session = plant.tcp(pc, unit).open()
        session.poll(2)
        session.send(modbus_read(9), lost=True, after=1.0)
        for pause in (0.3, 0.6, 1.2):
            session.again(after=pause, lost=True)


def test_found_in_a_loop_of_restarts() -> None:
    plant, pc, unit = begun()
    comes_up_again_and_again(plant, pc, unit, [30.0, 31.0, 30.0, 30.5])
    diagnosis = diagnosed(ended(plant))
    finding = found(diagnosis, SLUG)
    assert lead(diagnosis) == SLUG
    assert (finding.values["starts"], finding.certainty) == (4, Certainty.FITS)
    assert finding.values["loop"]
    assert finding.likely_causes[0].startswith("The controller restarts again and again")
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


@told_or_not
def test_quiet_where_nobody_waited_for_it(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=20.0)
    plant.tcp(pc, unit).open().poll(4)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_refusals_go_on(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=2.0)
    refused(plant, pc, unit, times=5, every=30.0)
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-refused"]


def test_quiet_about_refusals_of_a_controller_that_announces_itself_now_and_then() -> None:
    plant, pc, unit = begun()
    plant.announce(unit, times=1)
    plant.resolve(pc, unit, after=2.0)
    refused(plant, pc, unit)
    plant.announce(unit, times=1, after=20.0)
    refused(plant, pc, unit)
    plant.announce(unit, times=1, after=20.0)
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


def test_quiet_where_the_controller_was_heard_before() -> None:
    plant, pc, unit = acquainted()
    refused(plant, pc, unit)
    comes_up(plant, unit, after=5.0)
    refused(plant, pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


def test_quiet_where_calls_are_silent_after_the_start() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=2.0)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant))) == ["port-silent"]


def test_quiet_where_it_does_not_come_up() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_where_another_controller_comes_up() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    comes_up(plant, plant.station("192.0.2.31"), after=5.0)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


@pytest.mark.parametrize(
    ("times", "seconds", "told"), [(1, 1, False), (2, 1, False), (3, 1, True), (1, 8, True)]
)
def test_quiet_where_the_recording_ends_too_soon(times: int, seconds: float, told: bool) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    comes_up(plant, unit, after=5.0)
    plant.ask(pc, unit, times=times, after=2.0)
    assert (SLUG in slugs(diagnosed(ended(plant, seconds)))) is told


@pytest.mark.parametrize("gaps", [[30.0, 90.0, 31.0, 200.0], [30.0, 30.0]])
def test_quiet_where_it_restarts_now_and_then(gaps: list[float]) -> None:
    """Somebody at work on it: every restart is told as one."""
    plant, pc, unit = begun()
    comes_up_again_and_again(plant, pc, unit, gaps)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) != SLUG


def test_quiet_where_it_announces_itself_regularly_on_a_lossy_path() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(5):
        session.poll(3, every=5.0)
        session.send(modbus_read(9), lost=True, after=1.0)
        session.again(after=0.3)
        session.send(b"late", unit, after=0.01)
        session.ack()
        plant.announce(unit, times=1, after=10.0)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_the_session_broke_by_a_restart() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.send(modbus_read(9), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause, lost=True)
    comes_up(plant, unit, after=12.0)
    unit.packet_id = 0
    session.again(after=1.0)
    session.rst(unit, bare=True)
    refused(plant, pc, unit)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    assert slugs(diagnosed(ended(plant))) == ["controller-restarted"]


def test_found_with_an_announcement_alone_where_the_pc_gave_up_before() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    plant.announce(unit, after=15.0)
    assert_stopped(diagnosed(ended(plant)), Certainty.SHOWN, tries=6)


def test_quiet_where_the_trouble_came_after_the_start() -> None:
    plant, pc, unit = begun()
    comes_up(plant, unit, after=5.0)
    plant.resolve(pc, unit, after=20.0)
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(modbus_read(9), lost=True, after=1.0)
    session.again(after=0.3, lost=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_pc_called_another_unit_before() -> None:
    plant, pc, unit = begun()
    new = plant.station("192.0.2.30")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    comes_up(plant, new, after=10.0)
    assert lead(diagnosed(ended(plant))) == "port-silent"
