"""one-way-stream: a stream of datagrams that should run both ways runs one way."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import FAULT, Diagnosis, Verdict
from analyzer.facts import Address
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station
from tests.support import (
    acquainted,
    assert_healthy,
    assert_no_alarm,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
)

SLUG = "one-way-stream"
IO = 2222
PC, UNIT = Address.parse("192.0.2.15"), Address.parse("192.0.2.60")
told_or_not = pytest.mark.parametrize(
    "controllers", [(), ("192.0.2.60:44818",)], ids=["not told", "told"]
)


def agreed() -> tuple[Plant, Station, Station, Session]:
    """The PC asked the controller for cyclic I/O, and the controller said yes."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 44_818).open()
    session.exchange(b"open cyclic I/O, 100 ms", b"open")
    return plant, pc, unit, session


def stream(
    plant: Plant, by: Station, to: Station | str, times: int = 8, period: float = 0.1
) -> None:
    for _ in range(times):
        plant.datagram(by, to, IO, IO, b"inputs", after=period)


def assert_leads(diagnosis: Diagnosis, verdict: Verdict, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (verdict, "answer")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_pc_sends_nothing_and_the_controller_closes(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc)
    session.close(unit, after=0.1)
    assert_leads(
        diagnosed(ended(plant), controllers),
        Verdict.UNSTABLE,
        sender=UNIT,
        receiver=PC,
        port=IO,
        datagrams=8,
        period=pytest.approx(0.1),
        starts=1,
        stopped=True,
        closed=True,
    )


def test_found_where_the_last_datagrams_come_behind_the_controllers_close() -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc)
    session.close(unit, after=0.05)
    stream(plant, unit, pc, 2)
    plant.resolve(pc, unit)
    assert found(diagnosed(ended(plant)), SLUG).values["datagrams"] == 10


def test_found_with_the_frame_that_shows_that_the_controller_is_there() -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc)
    session.close(unit, after=0.1)
    assert len(found(diagnosed(ended(plant)), SLUG).evidence) == 3


def test_found_where_the_pc_streams_and_the_controller_is_heard_behind_it() -> None:
    plant, pc, unit, session = agreed()
    stream(plant, pc, unit, times=60)
    session.keep_alive(after=1.0)
    session.ack(unit)
    assert len(found(diagnosed(ended(plant)), SLUG).evidence) == 3


@pytest.mark.parametrize("pc_streams", [False, True])
def test_found_beside_office_services_in_the_other_direction(pc_streams: bool) -> None:
    plant, pc, unit, session = agreed()
    sender, receiver = (pc, unit) if pc_streams else (unit, pc)
    plant.datagram(receiver, sender, 514, 514, b"log entry")
    stream(plant, sender, receiver, times=30)
    session.close(unit, after=0.1)
    assert SLUG in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_controller_answers_the_pcs_stream_slowly() -> None:
    plant, pc, unit, _ = agreed()
    for _ in range(3):
        stream(plant, pc, unit, times=20)
        plant.datagram(unit, pc, IO, IO, b"alive", after=0.1)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_another_port_takes_the_pcs_stream() -> None:
    plant, pc, unit, session = agreed()
    stream(plant, pc, unit, times=30)
    plant.datagram(unit, pc, 3_333, 3_334, b"alive", after=0.1)
    session.keep_alive(after=1.0)
    session.ack(unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_alarms_are_turned_down_beside_a_session_that_rests() -> None:
    """The closed port is noted; the alarms were no stream that the PC owes the other half of."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 10_001).open()
    session.exchange(b"READ 7\r\n", b"7 = 21\r\n")
    for _ in range(8):
        alarm = plant.datagram(unit, pc, 5_000, 5_501, b"alarm", after=0.4)
        plant.unreachable(pc, unit, alarm, code=3)
    session.keep_alive(after=2.0)
    session.ack(unit)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_found_where_the_pc_tries_again_and_again() -> None:
    plant, pc, unit, session = agreed()
    for _ in range(3):
        stream(plant, unit, pc, times=5, period=0.01)
        plant.wait(4.0)
        session.exchange(b"open cyclic I/O, 10 ms", b"open")
    stream(plant, unit, pc, times=5, period=0.01)
    session.keep_alive(after=2.0)
    session.ack(unit)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Verdict.UNSTABLE, datagrams=20, starts=4)


@told_or_not
def test_found_where_only_the_pc_streams(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = agreed()
    stream(plant, pc, unit, times=60)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Verdict.UNSTABLE, sender=PC, receiver=UNIT, datagrams=60)
    assert len(found(diagnosis, SLUG).evidence) == 2  # the controller is not heard behind it


def test_found_where_the_pc_streams_and_opens_no_session() -> None:
    plant, pc, unit = acquainted()
    stream(plant, pc, unit, times=60)
    assert SLUG in slugs(diagnosed(ended(plant)))


def both_ways(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(20):
        stream(plant, unit, pc, times=1)
        stream(plant, pc, unit, times=1, period=0.001)
    session.close(after=0.01)


def only_listening(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    """The stream goes on for as long as the PC wants it."""
    stream(plant, unit, pc, times=400)
    session.keep_alive(after=1.0)
    session.ack(unit)


def heartbeat(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(3):
        stream(plant, unit, pc, times=5)
        plant.datagram(pc, unit, 3_333, 3_333, b"alive")
    session.keep_alive(after=1.0)
    session.ack(unit)


def asked_to_stop(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    stream(plant, unit, pc, times=8)
    session.exchange(b"close cyclic I/O", b"closed", think=0.05)
    stream(plant, unit, pc, times=1, period=0.001)
    session.keep_alive(after=1.0)
    session.ack(unit)


def closed_by_the_pc(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    stream(plant, unit, pc, times=8)
    session.fin()
    stream(plant, unit, pc, times=1, period=0.001)
    session.fin(unit)
    session.ack()


def a_few_words(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for pause in (0.1, 0.9, 0.02, 0.02, 1.3, 0.02):
        plant.datagram(unit, pc, 5_000, 5_000, b"event", after=pause)
    session.keep_alive(after=1.0)
    session.ack(unit)


def signs_of_life(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(6):
        plant.datagram(unit, pc, 5_000, 5_000, b"alive", after=1.5)
    session.keep_alive(after=1.0)
    session.ack(unit)


def office_service(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(6):
        plant.datagram(unit, pc, 514, 514, b"log entry", after=0.1)
    session.keep_alive(after=1.0)
    session.ack(unit)


def to_others(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    panel = plant.station("192.0.2.20")
    for to in (panel, "239.192.1.1", "192.0.2.255"):
        stream(plant, unit, to)
    stream(plant, panel, pc)
    session.keep_alive(after=1.0)
    session.ack(unit)


def group_in_return(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(40):
        stream(plant, pc, unit, times=1)
        stream(plant, unit, "239.192.1.1", times=1, period=0.001)
    session.keep_alive(after=1.0)
    session.ack(unit)


def one_way_by_design(plant: Plant, pc: Station, unit: Station, session: Session) -> None:
    for _ in range(60):
        plant.datagram(pc, unit, 7_000, 7_000, b"set point", after=0.05)
    session.keep_alive(after=1.0)
    session.ack(unit)


@pytest.mark.parametrize(
    "happens",
    [
        both_ways,
        only_listening,
        heartbeat,
        asked_to_stop,
        closed_by_the_pc,
        a_few_words,
        signs_of_life,
        office_service,
        to_others,
        group_in_return,
        one_way_by_design,
    ],
)
def test_quiet_where_the_stream_is_as_it_should_be(
    happens: Callable[[Plant, Station, Station, Session], None],
) -> None:
    happens(*(parts := agreed()))
    assert_healthy(diagnosed(ended(parts[0])))


def test_quiet_where_the_controller_falls_silent_altogether() -> None:
    plant, pc, unit, _ = agreed()
    stream(plant, unit, pc)
    assert SLUG not in slugs(diagnosed(ended(plant, 20.0)))


def test_quiet_where_the_recording_ends_with_the_stream() -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc)
    session.close(unit, after=0.1)
    assert SLUG not in slugs(diagnosed(ended(plant, 1.0)))


def test_quiet_where_the_pc_says_that_nobody_takes_the_stream() -> None:
    """A closed port of the PC is what the engineer has to look at."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 44_818).open()
    session.send(b"open cyclic I/O, 100 ms")
    session.ack(unit)
    for _ in range(5):
        state = plant.datagram(unit, pc, 5_000, 5_001, b"inputs", after=0.1)
        plant.unreachable(pc, unit, state, code=3)
    session.keep_alive(after=1.0)
    session.ack(unit)
    assert lead(diagnosed(ended(plant))) == "udp-port-closed"


def test_quiet_where_the_pc_turns_alarms_down_beside_a_session_that_works() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 10_001).open()
    for _ in range(8):
        alarm = plant.datagram(unit, pc, 5_000, 5_501, b"alarm", after=0.4)
        plant.unreachable(pc, unit, alarm, code=3)
        session.exchange(b"READ 7\r\n", b"7 = 21\r\n")
    session.close(after=0.4)
    diagnosis = diagnosed(ended(plant))
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["udp-port-closed"]


@pytest.mark.parametrize(("times", "told"), [(290, True), (320, False)])
def test_quiet_where_the_controllers_stream_lasts_for_long(times: int, told: bool) -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc, times)
    session.keep_alive(after=1.0)
    session.ack(unit)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(
    ("times", "period", "told"), [(20, 0.1, True), (19, 0.1, False), (25, 0.35, False)]
)
def test_quiet_where_the_pcs_datagrams_are_few_or_slow(
    times: int, period: float, told: bool
) -> None:
    plant, pc, unit, session = agreed()
    stream(plant, pc, unit, times, period)
    session.keep_alive(after=1.0)
    session.ack(unit)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("period", "told"), [(0.9, True), (1.1, False)])
def test_quiet_where_the_controllers_datagrams_are_slow(period: float, told: bool) -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc, 6, period)
    session.close(unit, after=0.1)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("jitter", "told"), [(0.04, True), (0.06, False)])
def test_quiet_where_the_controllers_datagrams_come_unevenly(jitter: float, told: bool) -> None:
    """Pauses of 0.1 s, each by so much shorter or longer."""
    plant, pc, unit, session = agreed()
    for _ in range(10):
        stream(plant, unit, pc, 1, 0.1 + jitter)
        stream(plant, unit, pc, 1, 0.1 - jitter)
    session.close(unit, after=0.1)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("times", "told"), [(1, False), (3, False), (4, True)])
def test_quiet_where_the_controllers_datagrams_are_few(times: int, told: bool) -> None:
    plant, pc, unit, session = agreed()
    stream(plant, unit, pc, times)
    session.close(unit, after=0.1)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told
