"""half-open-session: one end holds a session that the other end has given up."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import Record
from captures.plant import Session, modbus_answer, modbus_read
from rules import cautions
from rules.port.half_open_session import FIREWALL_ON_PC, RESTARTED, RULE
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

SLUG = "half-open-session"


def odd(session: Session, ack: int = 100) -> Record:
    """The controller confirms an older session's numbers (RFC 9293 figure 9)."""
    seq = (session.server.next + 2**31 - 9) % 2**32
    return session.ack(session.server.station, seq=seq, ack=ack)


def cleared(session: Session, ack: int = 100, after: float = 1.0) -> None:
    session.rst(bare=True, seq=ack)
    session.again(after=after)
    session.syn_ack()
    session.ack()


def assert_lasts(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


def assert_noted(diagnosis: Diagnosis, **values: object) -> None:
    """Frames of the older session may be noted as a late start, too."""
    assert set(slugs(diagnosis)) <= {SLUG, "started-late"}
    finding = found(diagnosis, SLUG)
    assert {one.level for one in diagnosis.findings} == {Level.NOTE}
    assert {name: finding.values[name] for name in values} == values
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("client_seq", [400, 2**32 - 1])
def test_found_where_the_pc_never_sends_the_reset(
    client_seq: int, controllers: tuple[str, ...]
) -> None:
    """A firewall on the PC swallows the odd answer: every repeat meets the same."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=client_seq)
    calls, answers = [session.syn()], [odd(session)]
    for pause in (1.0, 2.0, 4.0):
        calls.append(session.again(after=pause))
        answers.append(odd(session))
    diagnosis = diagnosed(ended(plant), controllers)
    assert_lasts(diagnosis, port=502, odd=1, repeats=3, swallowed=True)
    finding = found(diagnosis, SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[FIREWALL_ON_PC]
    assert left_out(finding, RULE)[0] == [RESTARTED]
    assert finding.values["own_ports"] == [session.client.port]
    assert len(finding.what_to_do) == len(RULE.what_to_do)
    assert cautions.FIREWALL in finding.cautions
    shown = [plant.number(one) for one in (*calls, answers[0], answers[-1])]
    assert [one.moment.frame for one in finding.evidence] == sorted(shown)


def test_found_where_the_pcs_reset_got_out_without_a_word_of_its_firewall() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    odd(session)
    session.rst(bare=True, seq=100)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[0] == [FIREWALL_ON_PC, RESTARTED]
    assert len(finding.what_to_do) == len(RULE.what_to_do) - 1
    assert cautions.FIREWALL not in finding.cautions


@told_or_not
def test_found_where_the_reset_clears_nothing(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit, sport=50_000, client_seq=round(plant.now * 1e6))
        session.syn(after=2.0)
        odd(session)
        session.rst(bare=True, seq=100)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_lasts(diagnosis, odd=3)
    assert len(found(diagnosis, SLUG).evidence) == 8


def test_found_behind_a_vlan_tag_and_recorded_twice() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    with plant.tagged(0, priority=3):
        for record in (session.syn(), session.ack(unit, seq=5, ack=100)):
            plant.raw(record.data, pc, after=0.0001)
    diagnosis = diagnosed(ended(plant), pc="192.0.2.15")
    assert found(diagnosis, SLUG).level is Level.FAULT
    assert found(diagnosis, SLUG).values["odd"] == 1


@told_or_not
def test_found_as_a_note_where_it_heals(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    odd(session)
    cleared(session)
    session.poll(3)
    session.close()
    assert_noted(diagnosed(ended(plant), controllers), odd=1)


def test_found_as_a_note_where_another_port_of_the_pc_is_accepted() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, sport=50_000)
    session.syn()
    odd(session)
    session = plant.tcp(pc, unit).open(after=2.0)
    session.poll(3)
    session.close()
    assert_noted(diagnosed(ended(plant)), odd=1)


@told_or_not
def test_found_as_a_note_where_the_controller_was_restarted(controllers: tuple[str, ...]) -> None:
    """RFC 9293 figure 10: data of the PC's old session meets a reset; a new session works."""
    plant, pc, unit = acquainted()
    old = plant.tcp(pc, unit, sport=50_001)
    old.send(modbus_read(9))
    old.rst(unit, bare=True)
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(3)
    session.close()
    assert_noted(diagnosed(ended(plant), controllers), unknown=1, odd=0)


@told_or_not
@pytest.mark.parametrize("resets", [True, False])
def test_found_as_a_note_where_the_controller_sends_to_the_pc_of_before(
    resets: bool, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    old = plant.tcp(pc, unit, sport=50_001)
    old.send(modbus_answer(9), unit)
    for pause in (1.0, 2.0):
        if resets:
            old.rst(bare=True)
        old.again(unit, after=pause)
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(3)
    session.close()
    assert_noted(diagnosed(ended(plant), controllers), old_data=1, odd=0)


def test_found_as_a_note_where_nothing_else_happens() -> None:
    plant, pc, unit = acquainted()
    old = plant.tcp(pc, unit, sport=50_001)
    old.send(modbus_answer(9), unit)
    old.rst(bare=True)
    diagnosis = diagnosed(ended(plant))
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_only_the_acceptance_is_missing(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    plant.lose(session.syn_ack())
    session.ack()
    session.send(modbus_read(1))
    session.ack(unit)
    session.send(modbus_answer(1), unit)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_with_plain_confirmations_inside_a_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.keep_alive(after=5.0)
        session.ack(unit)
        session.poll(1)
    session.ack(unit, ack=100)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_an_old_acceptance_is_turned_down(controllers: tuple[str, ...]) -> None:
    """RFC 9293 figure 11: an acceptance of older numbers is no plain acknowledgement."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(ack=77)
    session.rst(bare=True, seq=77)
    session.again(after=1.0)
    session.syn_ack()
    session.ack()
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pcs_program_ended_as_the_recording_began(
    controllers: tuple[str, ...],
) -> None:
    """Its reset is the last of a session that nobody holds."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit, sport=50_001).rst(after=0.1)
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == ["started-late"]


def test_quiet_where_the_odd_answer_comes_right_before_the_end() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    odd(session)
    session.rst(bare=True, seq=100)
    diagnosis = diagnosed(ended(plant, 1.0))
    assert SLUG not in slugs(diagnosis)


@told_or_not
def test_quiet_where_the_call_is_refused_in_the_end(controllers: tuple[str, ...]) -> None:
    """The old session is gone; what is left is a port that refuses."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    odd(session)
    session.rst(bare=True, seq=100)
    session.again(after=1.0)
    session.refuse()
    diagnosis = diagnosed(ended(plant), controllers)
    assert diagnosis.findings[0].rule == "port-refused"
    assert [one.level for one in diagnosis.findings[1:]] == [Level.NOTE]


@told_or_not
def test_quiet_where_others_have_half_open_sessions(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    other = plant.tcp(panel, unit)
    other.syn()
    odd(other)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_recording_begins_inside_a_session() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.send(modbus_answer(9), unit)
    session.ack()
    session.poll(3)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)


def test_quiet_where_the_first_call_is_lost_and_its_repeat_accepted() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.again(after=1.0)
    session.syn_ack()
    session.ack()
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_found_as_a_note_where_it_heals_right_before_the_end() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    odd(session)
    cleared(session, after=0.1)
    session.poll(1, every=0.1)
    assert_noted(diagnosed(ended(plant, 0.5)), odd=1)


@pytest.mark.parametrize("repeats", [0, 1])
def test_quiet_where_the_pc_ignores_old_data_that_comes_once(repeats: int) -> None:
    plant, pc, unit = acquainted()
    old = plant.tcp(pc, unit).send(modbus_answer(1), unit)
    for _ in range(repeats):
        plant.raw(old.data, unit, after=0.5)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == bool(repeats)


def test_quiet_where_the_pc_resets_the_close_of_an_old_session() -> None:
    plant, pc, unit = acquainted()
    old = plant.tcp(pc, unit)
    old.fin(unit)
    old.rst(bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))
