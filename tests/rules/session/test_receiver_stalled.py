"""receiver-stalled: one end says that it takes no more data, and stays so."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.session.receiver_stalled import CONTROLLER_STOPPED, PC_STOPPED, RULE
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

SLUG = "receiver-stalled"


def working() -> tuple[Plant, Station, Station, Session]:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    return plant, pc, unit, session


def stall(
    session: Session,
    reader: Station,
    pauses: tuple[float, ...] = (1.0, 2.0, 4.0),
    new: bool = False,
) -> None:
    """The reader's window is zero; the other end probes, with a new octet or with an old one."""
    sender = session.side(reader)[1].station
    session.ack(reader, window=0, after=0.5)
    start = session.side(sender)[0].next
    for pause in pauses:
        if new:
            session.segment("A", b"x", sender, seq=start, after=pause)
        else:
            session.keep_alive(sender, after=pause)
        session.ack(reader, window=0, ack=start)


@told_or_not
@pytest.mark.parametrize("new", [True, False])
def test_found_where_the_pc_stops_reading(controllers: tuple[str, ...], new: bool) -> None:
    plant, pc, _, session = working()
    stall(session, pc, new=new)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.FAULT
    assert str(finding.values["reader"]) == "192.0.2.15"
    assert (finding.values["times"], finding.values["probes"]) == (1, 3)
    assert finding.values["recovered"] is False
    assert finding.likely_causes[0] == RULE.likely_causes[PC_STOPPED]
    assert left_out(finding, RULE)[0] == [CONTROLLER_STOPPED]
    assert (finding.values["to_the_end"], finding.values["to_its_end"]) == (True, False)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "session")
    assert diagnosis.status == FAULT


def test_found_where_the_controller_stops_reading() -> None:
    plant, _, unit, session = working()
    session.send(modbus_read(9), after=0.5)
    stall(session, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert str(found(diagnosis, SLUG).values["reader"]) == "192.0.2.60"


def test_found_where_the_session_is_broken_off() -> None:
    plant, pc, _, session = working()
    stall(session, pc, (1.0, 2.0, 4.0))
    session.rst(pc, after=3.0)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert values["stalled"] == pytest.approx(10.0, abs=0.1)
    assert (values["to_the_end"], values["to_its_end"]) == (False, True)


def test_found_in_a_session_from_before_the_recording() -> None:
    """A window of zero is zero on any scale."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    for record in (session.syn(), session.syn_ack(), session.ack()):
        plant.lose(record)
    session.poll(3)
    stall(session, pc)
    assert found(diagnosed(ended(plant)), SLUG).level is Level.FAULT


@told_or_not
def test_quiet_but_for_a_note_where_it_reads_on_after_a_while(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, _, session = working()
    stall(session, pc)
    session.ack(pc)
    session.poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert found(diagnosis, SLUG).values["recovered"] is True
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_where_the_receiver_slows_the_sender_down(controllers: tuple[str, ...]) -> None:
    plant, _, unit, session = working()
    for _ in range(5):
        session.send(b"a" * 1000, unit, after=0.2)
        session.ack(window=0)
        session.keep_alive(unit, after=0.3)
        session.ack(window=0)
        session.ack(after=0.3)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_windows_are_small(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, server_window=16).open()
    session.poll(6)
    for _ in range(4):
        session.keep_alive(after=3.0)
        session.ack(unit)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_resets_and_closes_carry_a_zero(controllers: tuple[str, ...]) -> None:
    plant, _, unit, session = working()
    session.fin(after=0.5, window=0)
    session.fin(unit, window=0)
    session.rst()
    session.rst(unit, bare=True)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_nothing_waits_to_be_read(controllers: tuple[str, ...]) -> None:
    """The window is zero, and nobody has anything to send."""
    plant, _, unit, session = working()
    session.ack(unit, window=0, after=0.5)
    assert_healthy(diagnosed(ended(plant, 30), controllers))


@told_or_not
def test_quiet_where_others_stall(controllers: tuple[str, ...]) -> None:
    plant, _, unit, session = working()
    panel = plant.station("192.0.2.20")
    other = plant.tcp(panel, unit).open()
    other.send(b"all of it")
    other.send(modbus_answer(1), unit)
    stall(other, panel)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(
    ("pauses", "told"), [((8.0,), False), ((1.0, 2.0), False), ((1.0, 2.5, 2.0), True)]
)
def test_quiet_with_one_probe_or_for_less_than_five_seconds(
    pauses: tuple[float, ...], told: bool
) -> None:
    plant, pc, _, session = working()
    stall(session, pc, pauses)
    session.ack(pc)
    session.poll(4)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def test_the_stall_that_lasts_is_told_before_one_that_passed() -> None:
    plant, pc, unit, session = working()
    stall(session, pc)
    session.ack(pc)
    session.poll(2)
    session.close()
    session = plant.tcp(pc, unit).open(after=0.5)
    session.poll(2)
    session.send(modbus_read(9), after=0.5)
    stall(session, unit, (1.0, 2.0, 4.0, 8.0))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (str(finding.values["reader"]), finding.level) == ("192.0.2.60", Level.FAULT)
    assert finding.likely_causes[0] == RULE.likely_causes[CONTROLLER_STOPPED]
    assert left_out(finding, RULE)[0] == [PC_STOPPED]
    assert not any("program" in step.text for step in finding.what_to_do)
