"""lossy-path: too many segments had to be sent again."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.layouts import Record
from captures.plant import Session, Station, modbus_answer, modbus_read
from rules.session.lossy_path import LATE, NOISE, RULE
from tests.support import (
    acquainted,
    assert_healthy,
    assert_no_alarm,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "lossy-path"


def busy(session: Session, polls: int = 60) -> None:
    session.poll(polls, every=0.2)


def request_lost(session: Session) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), lost=True, after=0.2)
    session.again(after=0.3)
    session.send(modbus_answer(session.transaction), session.server.station, after=0.004)
    session.ack(after=0.04)


def answer_lost(session: Session) -> None:
    """Its first piece is lost on the way to the PC, the second arrives and shows the gap."""
    unit = session.server.station
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=0.2)
    start = session.server.next
    session.send(b"first", unit, lost=True, after=0.004)
    session.send(b"second", unit)
    session.ack()
    session.segment("PA", b"first", unit, seq=start, after=0.2)
    session.client.expects = session.server.next
    session.ack()


def confirmation_lost(session: Session) -> None:
    """The controller sends its answer again although the PC has long confirmed it."""
    session.poll(1, every=0.2)
    session.again(session.server.station, after=0.3)
    session.ack()


@told_or_not
@pytest.mark.parametrize(
    "losses",
    [
        (request_lost, answer_lost, confirmation_lost),
        (answer_lost, confirmation_lost, request_lost),
    ],
)
def test_found_in_both_directions(
    controllers: tuple[str, ...], losses: Sequence[Callable[[Session], None]]
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for lose in losses:
        busy(session, 25)
        lose(session)
    busy(session, 5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.SHOWN)
    assert (finding.values["there"], finding.values["back"]) == (1, 2)
    assert len(finding.values["at"]) >= 3
    assert finding.moment == finding.evidence[0].moment
    assert finding.likely_causes[0] == RULE.likely_causes[NOISE]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


def test_found_with_less_certainty_where_only_the_pc_repeats() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=2**32 - 400).open()
    for _ in range(3):
        busy(session, 20)
        request_lost(session)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


@told_or_not
def test_found_as_a_fault_where_a_session_broke_by_it(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        busy(session, 20)
        answer_lost(session)
    session.send(modbus_read(99), lost=True)
    for pause in (0.3, 0.6, 1.2):
        session.again(lost=True, after=pause)
    session.rst(after=1.0)
    plant.tcp(pc, unit).open(after=1.0).poll(5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["sessions"]) == (Level.FAULT, 1)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]
    assert diagnosis.status == FAULT


def test_found_beside_the_path_that_is_lost_for_good() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        busy(session, 20)
        answer_lost(session)
    session.send(modbus_read(99), lost=True)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(lost=True, after=pause)
    assert slugs(diagnosed(ended(plant))) == ["path-lost", SLUG]


@told_or_not
def test_quiet_but_for_a_note_where_the_controller_confirms_late(
    controllers: tuple[str, ...],
) -> None:
    """It acknowledges every request later than the PC's system waits."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(60):
        request_lost(session)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE


def test_found_where_the_recording_ends_in_the_middle_of_repeats() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(12):
        busy(session, 3)
        request_lost(session)
        confirmation_lost(session)
        answer_lost(session)
    session.send(modbus_read(99), lost=True, after=0.2)
    for pause in (0.3, 0.6, 1.2):
        session.again(lost=True, after=pause)
    assert slugs(diagnosed(ended(plant, 3))) == ["path-lost", SLUG]


@told_or_not
def test_quiet_below_one_in_a_hundred(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        busy(session, 60)
        answer_lost(session)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_one_interruption_passes(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session)
    session.send(modbus_read(99), lost=True)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(lost=True, after=pause)
    session.again(after=4.8)
    session.send(modbus_answer(99), unit)
    session.ack()
    busy(session, 5)
    assert_healthy(diagnosed(ended(plant), controllers))


def interruption(session: Session) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), lost=True)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(lost=True, after=pause)
    session.again(after=4.8)
    session.send(modbus_answer(session.transaction), session.server.station)
    session.ack()


def test_quiet_where_the_way_only_breaks_for_seconds() -> None:
    """Told by the rule about that: all other segments pass."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        busy(session, 15)
        interruption(session)
    assert slugs(diagnosed(ended(plant))) == ["path-lost"]


def test_found_where_single_segments_are_lost_beside_breaks() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for lose in (interruption, request_lost, request_lost, interruption, request_lost):
        busy(session, 15)
        lose(session)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (values["lost"], values["at"]) == (5, [])


@told_or_not
def test_quiet_where_the_recorder_lost_frames(controllers: tuple[str, ...]) -> None:
    """The PC acknowledges octets that are not in the file."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(10):
        busy(session, 6)
        session.send(modbus_read(99), after=0.2)
        plant.lose(session.send(modbus_answer(99), unit))
        session.ack()
    assert_no_alarm(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_frames_are_in_the_file_twice(
    controllers: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Station, "next_packet_id", lambda station: 0)
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(70):
        plant.raw(session.send(modbus_read(7), after=0.2).data, pc, after=0.0001)
        plant.raw(session.send(modbus_answer(7), unit, after=0.01).data, after=0.0001)
        session.ack()
    assert_no_alarm(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_keep_alives_go_back_and_forth(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session)
    for _ in range(20):
        session.keep_alive(after=2.0)
        session.ack(unit)
        session.keep_alive(unit, after=2.0)
        session.ack()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_repeats_before_the_pc_confirms(
    controllers: tuple[str, ...],
) -> None:
    """The PC holds its acknowledgement back for 200 ms, and the controller waits for 100 ms."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for turn in range(60):
        session.send(modbus_read(turn), after=0.2)
        session.send(modbus_answer(turn), unit, after=0.01)
        session.again(unit, after=0.1)
        session.ack()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_segments_change_places(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for turn in range(60):
        session.send(modbus_read(turn), after=0.2)
        start = session.server.next
        late = session.send(b"first", unit, lost=True, after=0.01)
        session.send(b"second", unit)
        plant.wait(0.0005)
        session.segment("PA", b"first", unit, seq=start)
        session.client.expects = session.server.next
        session.ack()
        assert late not in plant.records
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_headers_claim_more_than_was_sent(controllers: tuple[str, ...]) -> None:
    """What comes next would look like a repetition of octets that never were."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session, 60)
    records = [
        claiming_more(one) if n % 20 == 0 else one for n, one in enumerate(ended(plant).records)
    ]
    diagnosis = diagnosed(layouts.pcap(records), controllers)
    assert diagnosis.facts.coverage.overlong > 5
    assert_healthy(diagnosis)


def claiming_more(record: Record) -> Record:
    """The same frame, with an IPv4 header that says 9,000 octets."""
    return replace(record, data=record.data[:16] + (9000).to_bytes(2) + record.data[18:])


@told_or_not
def test_quiet_for_few_segments(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        busy(session, 5)
        answer_lost(session)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(("losses", "told"), [(2, False), (3, True)])
def test_quiet_for_few_losses(losses: int, told: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session)
    for _ in range(losses):
        answer_lost(session)
    busy(session, 5)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("polls", "told"), [(41, False), (50, True)])
def test_found_from_a_hundred_segments_on(polls: int, told: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session, polls)
    for _ in range(4):
        answer_lost(session)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("polls", "cause"), [(28, LATE), (40, NOISE)])
def test_late_confirmations_are_likelier_than_many_losses(polls: int, cause: str) -> None:
    """Of the 76 or 88 segments that the PC sent, 24 were repeats."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    busy(session, polls)
    for _ in range(24):
        request_lost(session)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]
    assert finding.level is (Level.NOTE if cause == LATE else Level.WARNING)


@told_or_not
def test_quiet_where_others_lose_frames(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session, other = plant.tcp(pc, unit).open(), plant.tcp(panel, unit).open()
    for _ in range(5):
        busy(other, 20)
        other.send(b"more", after=0.2)
        other.again(after=0.3)
        other.send(b"done", unit)
        other.ack()
        session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))
