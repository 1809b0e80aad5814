"""pc-gave-up: what the PC waited for came, too late."""

import pytest

from analyzer.diagnosis import FAULT, State, Verdict
from analyzer.findings import Certainty, Finding
from captures.plant import Session, modbus_answer, modbus_read
from rules.session.pc_gave_up import (
    ACCEPTED_LATE,
    ANSWERED_LATE,
    RULE,
    SLOW_LINE,
    TOO_SHORT,
    UNREACHED,
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

SLUG = "pc-gave-up"


def slow(session: Session, waits: float, took: float, reset: bool = False) -> None:
    """The PC ends after `waits` seconds, the answer comes after `took`."""
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=0.5)
    session.ack(session.server.station, after=0.1)
    if reset:
        session.rst(after=waits - 0.1)
    else:
        session.fin(after=waits - 0.1)
    session.send(modbus_answer(1), session.server.station, after=took - waits)
    session.rst(bare=True)


def kinds(finding: Finding) -> set[str]:
    """Which of the rule's sentences the first frames have."""
    texts = {
        text.format(controller="192.0.2.60", port=502, again=""): key
        for key, text in RULE.evidence.items()
    }
    return {texts[one.text] for one in finding.evidence[:3]}


@told_or_not
@pytest.mark.parametrize("reset", [True, False])
def test_found_after_each_request(controllers: tuple[str, ...], reset: bool) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        slow(plant.tcp(pc, unit).open(after=1.0), 3.0, 4.5, reset)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.values["times"] == 3
    assert finding.values["waited"] == pytest.approx(3.0, abs=0.01)
    assert finding.values["took"] == pytest.approx(4.5, abs=0.01)
    assert finding.values["least"] == 0.0
    assert finding.likely_causes[0] == RULE.likely_causes[TOO_SHORT]
    assert kinds(finding) == set(ANSWERED_LATE)
    assert [one.stopped_at for one in diagnosis.outcomes] == ["session"]
    assert diagnosis.status == FAULT


def test_found_once_in_a_session_that_worked() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    slow(session, 2.0, 2.4)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_with_a_short_waiting_time_that_is_always_the_same() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        slow(plant.tcp(pc, unit).open(after=1.0), 0.25, 0.4)
    assert found(diagnosed(ended(plant)), SLUG).values["times"] == 3


def test_found_with_numbers_that_wrap() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=2**32 - 5, server_seq=2**32 - 4).open()
    slow(session, 3.0, 4.5)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]


def test_found_with_the_least_and_the_most_that_answers_took() -> None:
    plant, pc, unit = acquainted()
    for took in (4.5, 3.5):
        slow(plant.tcp(pc, unit).open(after=1.0), 3.0, took)
    values = found(diagnosed(ended(plant)), SLUG).values
    assert [values["least"], values["took"]] == pytest.approx([3.5, 4.5], abs=0.01)


@told_or_not
def test_found_where_the_call_is_accepted_too_late(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit)
        session.syn((1.0,), after=2.0)
        session.syn_ack(after=2.5)
        session.rst(bare=True)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.values["took"] == pytest.approx(3.5, abs=0.01)
    assert finding.likely_causes[0] == RULE.likely_causes[UNREACHED]
    assert kinds(finding) == set(ACCEPTED_LATE)
    assert left_out(finding, RULE)[0] == [SLOW_LINE]
    (outcome,) = diagnosis.outcomes
    assert outcome.stopped_at == "session"
    assert [one.state for one in outcome.stages[4:6]] == [State.PASSED, State.FAILED]


@told_or_not
def test_quiet_where_nothing_comes_later(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=0.5)
    session.ack(unit)
    session.close(after=3.0)
    assert slugs(diagnosed(ended(plant), controllers)) == ["request-unanswered"]


@told_or_not
def test_quiet_where_a_farewell_crosses_its_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(b"farewell", after=1.0)
    session.fin(after=0.001)
    session.send(b"farewell", unit, after=0.002)
    session.rst(bare=True)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_somebody_ends_the_program_in_the_middle(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    slow(session, 0.4, 0.41)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_slow_answer_is_waited_for(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.exchange(modbus_read(1), modbus_answer(1), think=7.0)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_port_is_only_tested(controllers: tuple[str, ...]) -> None:
    """The tester drops the connection as soon as it is accepted."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(after=0.01)
    session.rst(bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_next_call_opens(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn((1.0,))
    session.syn_ack(after=2.5)
    session.rst(bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(
    ("waits", "times"),
    [((0.25, 0.25, 0.26), 3), ((0.25, 0.25, 0.35), 0), ((0.06, 0.06, 0.06), 0), ((0.25, 1.2), 1)],
)
def test_waiting_times_are_alike_or_long(waits: tuple[float, ...], times: int) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    for wait in waits:
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(modbus_read(1), after=0.5)
        session.fin(after=wait)
        session.send(modbus_answer(1), unit, after=0.2)
        session.rst(bare=True)
    findings = [one for one in diagnosed(ended(plant)).findings if one.rule == SLUG]
    assert [one.values["times"] for one in findings] == [times] * bool(times)


def test_quiet_where_the_pc_takes_its_time_to_turn_an_acceptance_down() -> None:
    """The controller was quick; how long the PC kept the call afterwards is no waiting for it."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    session.rst(bare=True, after=8.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_acceptance_comes_soon() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(after=0.6)
    session.rst(bare=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))
