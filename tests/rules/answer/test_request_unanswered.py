"""request-unanswered: the session is open, and the PC's request gets no answer."""

import struct

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from analyzer.linkup import LISTENED
from captures.layouts import Record
from captures.plant import Session, Station, modbus_answer, modbus_read, modbus_refusal
from rules.answer.request_unanswered import (
    BEHIND,
    BUSY,
    LOG_IN,
    LOST_BEHIND,
    ONLY_SENDS,
    OTHER_PROTOCOL,
    PATH_BROKEN,
    RULE,
    UNIT,
)
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "request-unanswered"


def asked(session: Session, after: float = 0.01) -> None:
    """A request that the controller's TCP takes."""
    session.transaction += 1
    session.send(modbus_read(session.transaction, unit=255), after=after)
    session.ack(session.server.station, after=0.15)


def assert_leads(
    diagnosis: Diagnosis,
    verdict: Verdict = Verdict.STOPPED,
    certainty: Certainty = Certainty.SHOWN,
    **values: object,
) -> None:
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert finding.certainty is certainty
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (verdict, "answer")
    assert diagnosis.status == FAULT


def assert_nothing_to_tell(diagnosis: Diagnosis) -> None:
    assert slugs(diagnosis) == []
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_found_on_first_contact(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    asked(plant.tcp(pc, unit).open())
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert_leads(diagnosis, answers=0, repeats=0, acknowledged=True, one=True, passed=0, of=0)
    finding = found(diagnosis, SLUG)
    assert [finding.values[one] for one in ("sessions", "requests", "single")] == [0, 0, True]
    assert (finding.values["unit"], finding.values["by_unit"]) == (255, True)
    assert "compare it with 255" in finding.what_to_do[0].text
    assert finding.values["waited"] == pytest.approx(diagnosis.facts.heard_after(finding.moment))
    assert left_out(found(diagnosis, SLUG), RULE) == ([LOST_BEHIND], [PATH_BROKEN])
    assert [line.moment.frame for line in found(diagnosis, SLUG).evidence] == [9, 10]


def test_found_in_lines_of_text() -> None:
    """They have no unit numbers."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 2000).open()
    session.send(b"READ D100\r\n", after=0.5)
    session.ack(unit)
    finding = found(diagnosed(ended(plant), ("192.0.2.60:2000",)), SLUG)
    assert (finding.values["by_lines"], finding.values["by_manual"]) == (True, False)
    assert finding.likely_causes[0] == RULE.likely_causes[LOG_IN]
    assert UNIT in left_out(finding, RULE)[0]


@told_or_not
@pytest.mark.parametrize("by_reset", [True, False])
def test_found_where_the_pc_gives_up(controllers: tuple[str, ...], by_reset: bool) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.0)
        asked(session)
        if by_reset:
            session.rst(after=2.85)
        else:
            session.close(after=2.85)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert_leads(diagnosis)
    assert len(found(diagnosis, SLUG).evidence) == 3


@told_or_not
def test_found_where_the_pc_asks_again_in_the_same_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        asked(session, after=1.0)
    session.close(after=2.0)
    assert_leads(diagnosed(ended(plant), controllers), answers=0)


def test_found_with_the_first_confirmation_of_the_request_as_proof() -> None:
    """What confirms the PC's close confirms the request only once more."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asks = session.send(modbus_read(1), after=0.01)
    confirms = session.ack(unit, after=0.04)
    gives_up = session.fin(after=3.0)
    session.ack(unit)
    session.fin(unit, after=0.5)
    session.ack()
    evidence = found(diagnosed(ended(plant)), SLUG).evidence
    assert [one.moment.frame for one in evidence] == [
        plant.number(record) for record in (asks, confirms, gives_up)
    ]


def test_found_on_a_later_request() -> None:
    """The session worked; then one request stays open until the PC gives up and calls again."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    asked(session)
    session.close(after=4.85)
    again = plant.tcp(pc, unit).open(after=1.0)
    again.poll(3)
    again.close()
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Verdict.UNSTABLE, answers=6)
    finding = found(diagnosis, SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[BUSY]
    assert left_out(finding, RULE) == ([OTHER_PROTOCOL, LOST_BEHIND], [PATH_BROKEN])


def test_found_where_the_answer_comes_after_the_pc_gave_up() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    asked(session)
    session.fin(after=3.0)
    session.ack(unit)
    session.fin(unit, after=0.2)
    session.ack()
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Verdict.UNSTABLE, by_unit=False, by_manual=True)
    assert found(diagnosis, SLUG).values["waited"] == pytest.approx(3.15, abs=0.01)


def test_found_with_a_request_in_several_segments() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    request = modbus_read(1)
    session.send(request[:6], after=0.01)
    last = session.send(request[6:])
    session.ack(unit)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis)
    assert [one.moment.frame for one in found(diagnosis, SLUG).evidence] == [
        plant.number(last),
        plant.number(last) + 1,
    ]


def test_found_with_less_certainty_where_the_request_is_not_even_confirmed() -> None:
    """The way may have broken right then; the PC does not repeat for long enough to tell."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.01)
    for pause in (0.3, 0.6):
        session.again(after=pause)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, certainty=Certainty.FITS, repeats=2, acknowledged=False)


def test_found_where_a_repeated_request_is_confirmed() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), lost=True, after=0.01)
    session.again(after=0.3)
    session.ack(unit)
    assert_leads(diagnosed(ended(plant)), repeats=1, acknowledged=True)


def test_found_behind_a_greeting() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(b"ready", unit)
    session.ack()
    asked(session)
    assert_leads(diagnosed(ended(plant)), answers=0)


def test_found_behind_keep_alives() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    for _ in range(5):
        session.keep_alive(after=10.0)
        session.ack(unit)
        session.keep_alive(unit, after=3.0)
        session.ack()
    assert_leads(diagnosed(ended(plant)), repeats=0, acknowledged=True)


def test_found_with_sequence_numbers_that_wrap() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=2**32 - 7, server_seq=2**32 - 1).open()
    asked(session)
    assert_leads(diagnosed(ended(plant)), acknowledged=True)


def test_found_in_frames_recorded_twice_with_packet_ids_of_zero(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Station, "next_packet_id", lambda station: 0)
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    plant.raw(session.send(modbus_read(1), after=0.5).data, pc, after=0.0001)
    session.ack(unit)
    assert_leads(diagnosed(ended(plant)), repeats=0)


def test_found_with_less_certainty_where_the_recorder_lost_frames() -> None:
    plant, pc, unit = acquainted()
    asked(plant.tcp(pc, unit).open())
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=5)
    assert_leads(diagnosed(octets), certainty=Certainty.FITS)


@told_or_not
def test_quiet_where_the_recording_ends_too_soon(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    asked(plant.tcp(pc, unit).open())
    diagnosis = diagnosed(ended(plant, 3), controllers)
    assert slugs(diagnosis) == ["stopped-early"]
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_the_answer_is_slow(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.send(modbus_answer(1), unit, after=7.0)
    session.ack()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_recording_ends_in_the_middle_of_work(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    session.send(modbus_read(7), after=1.0)
    plant.chatter()
    assert_healthy(diagnosed(plant, controllers))


@told_or_not
def test_quiet_where_the_pc_waits_on_purpose(controllers: tuple[str, ...]) -> None:
    """A request for the next event stays open for as long as nothing happens."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    asked(session)
    assert_healthy(diagnosed(ended(plant, 60), controllers))


@told_or_not
def test_quiet_where_a_program_ends_while_it_waits_on_purpose(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for pause in (12.0, 25.0, 18.0):
        session.exchange(b"next event?", b"door closed", think=pause)
    asked(session)
    session.close(after=9.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_one_session_waits_for_events_and_another_works(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    events = plant.tcp(pc, unit).open()
    asked(events)
    session = plant.tcp(pc, unit).open()
    session.poll(12)
    session.close()
    events.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize(
    ("times", "waited", "level"),
    [(1, 3.0, Level.NOTE), (1, 6.0, Level.WARNING), (2, 3.0, Level.WARNING), (3, 3.0, Level.FAULT)],
)
def test_found_though_a_later_session_is_answered(
    controllers: tuple[str, ...], times: int, waited: float, level: Level
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(times):
        session = plant.tcp(pc, unit).open(after=1.0)
        asked(session)
        session.close(after=waited)
    plant.tcp(pc, unit).open(after=1.0).poll(6)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is level
    assert found(diagnosis, SLUG).values["later"]


@told_or_not
def test_found_where_the_controller_closes_long_after_the_request(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        asked(session)
        session.close(unit, after=15.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert_leads(diagnosis, sessions=2, closed=pytest.approx(15.15, abs=0.01))


def test_how_long_the_pc_waits_is_not_told_where_it_went_on_beside_an_open_session() -> None:
    plant, pc, unit = acquainted()
    asked(plant.tcp(pc, unit).open())
    asked(plant.tcp(pc, unit).open(after=2.0))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.values["sessions"], finding.values["waited"]) == (2, 0)


@told_or_not
def test_found_where_the_last_request_of_a_session_in_use_is_not_even_confirmed(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.send(modbus_read(6), after=1.0)
    for pause in (0.3, 0.6):
        session.again(after=pause)
    diagnosis = diagnosed(ended(plant, 30), controllers)
    assert_leads(diagnosis, Verdict.UNSTABLE, Certainty.FITS, answers=5, repeats=2)


@told_or_not
@pytest.mark.parametrize("in_last_segment", [True, False])
def test_quiet_where_the_pc_only_sends_and_closes(
    controllers: tuple[str, ...], in_last_segment: bool
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.send(b"recipe line", after=3.0)
        session.ack(unit)
    if in_last_segment:
        session.segment("FPA", b"end of recipe", after=3.0)
        session.fin(unit)
        session.ack()
    else:
        session.close(after=0.02)
    assert_nothing_to_tell(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize("silent", [True, False])
def test_quiet_where_the_controller_speaks_first(
    controllers: tuple[str, ...], silent: bool
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(1 if silent else 40):
        session.send(b"state: ready", unit, after=0.2)
        session.ack()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("by_reset", [True, False])
def test_quiet_where_the_controller_itself_ends_the_session(
    controllers: tuple[str, ...], by_reset: bool
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    if by_reset:
        session.rst(unit)
    else:
        session.close(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pcs_program_ends_right_after_its_last_request(
    controllers: tuple[str, ...],
) -> None:
    """A farewell wants no answer."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(b"farewell", after=1.0)
    session.rst(after=0.1)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize("length", [0, 1])
def test_quiet_where_an_idle_session_began_before_the_recording(
    controllers: tuple[str, ...], length: int
) -> None:
    """Keep-alives of the PC, with one old octet or none, look like data at first sight."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    for _ in range(4):
        old = session.client.next - 1
        session.segment("A", b"\0" * length, seq=old, after=10.0)
        session.ack(unit, ack=session.client.next)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) is None
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_the_recorder_lost_the_answer(controllers: tuple[str, ...]) -> None:
    """The PC confirms octets of the controller that are not in the file."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    plant.lose(session.send(modbus_answer(1), unit))
    session.ack(after=0.04)
    session.close(after=3.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["recorder-dropped"]
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_others_are_not_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for server in (unit, drive):
        other = plant.tcp(panel, server).open()
        asked(other)
        other.close(after=3.0)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_asks_the_pc(controllers: tuple[str, ...]) -> None:
    """The controller's own session, say for the time of day, is not the link-up."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    call = plant.tcp(unit, pc, 8123).open()
    call.send(b"time?")
    call.close(after=4.0)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_later_numbers_show_an_answer_that_the_recorder_lost(
    controllers: tuple[str, ...],
) -> None:
    """The controller's last confirmation begins behind octets that are not in the recording."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.ack(unit)
    plant.lose(session.send(modbus_answer(1), by=unit))
    plant.lose(session.ack())
    plant.lose(session.keep_alive(after=30.0))
    session.ack(unit)
    assert "request-unanswered" not in slugs(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(("after", "told"), [(0.8, 0), (0.9, 1)])
def test_quiet_where_the_pc_waits_for_less_than_a_second(after: float, told: int) -> None:
    """Together with the 0.15 s until the confirmation."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.close(after=after)
    assert slugs(diagnosed(ended(plant))) == [SLUG] * told


@pytest.mark.parametrize(("answers", "cause"), [(1, UNIT), (2, BUSY)])
def test_the_first_cause_depends_on_the_answers_before(answers: int, cause: str) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(answers)
    asked(session)
    session.close(after=3.0)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


def test_found_without_a_second_try_where_the_request_is_confirmed() -> None:
    """One try is evidence where the recording goes on; without a confirmation it only fits."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.01)
    assert_leads(diagnosed(ended(plant)), certainty=Certainty.FITS, acknowledged=False)


def test_found_where_the_recording_ends_soon_after_repeats() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), lost=True, after=0.01)
    for pause in (0.3, 0.6):
        session.again(after=pause)
    session.ack(unit)
    diagnosis = diagnosed(ended(plant, 2))
    assert_leads(diagnosis, certainty=Certainty.FITS, repeats=2, acknowledged=True)


@pytest.mark.parametrize("seconds", [4, 8])
def test_quiet_where_the_recording_ends_soon_after_the_last_request_of_a_session_in_use(
    seconds: float,
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.send(modbus_read(6), after=1.0)
    plant.wait(seconds)
    plant.chatter()
    assert (SLUG in slugs(diagnosed(plant))) == (seconds > LISTENED)


@told_or_not
def test_quiet_where_a_port_test_asks_and_hangs_up_before_the_work(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.close(after=0.5)
    plant.tcp(pc, unit).open(after=1.0).poll(6)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_confirmed_request_stays_open_beside_later_sessions(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    events = plant.tcp(pc, unit).open()
    events.poll(2)
    asked(events)
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=2.0)
        session.poll(4)
        session.close()
    assert_healthy(diagnosed(ended(plant, 30), controllers))


def test_the_session_that_waits_to_the_end_is_told_first() -> None:
    """An earlier one waited, too, and one that got its answers came in between."""
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit).open()
    asked(first)
    first.close(after=3.0)
    works = plant.tcp(pc, unit).open(after=1.0)
    works.poll(2)
    works.close()
    last = plant.tcp(pc, unit).open(after=1.0)
    asks = last.send(modbus_read(1))
    last.ack(unit, after=0.15)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.values["sessions"], finding.values["requests"]) == (2, 2)
    assert finding.evidence[0].moment.frame == plant.number(asks)


# --- requests that later ones overtook ------------------------------------------------------------


def passes_over(session: Session, number: int) -> Record:
    """The controller's TCP takes a request, and nothing answers it."""
    record = session.send(modbus_read(number), after=1.0)
    session.ack(session.server_station, after=0.04)
    return record


def polled(session: Session, begin: int, times: int = 3, function: int = 3) -> None:
    for number in range(begin, begin + times):
        request, answer = of_function(modbus_read(number), function), modbus_answer(number)
        session.exchange(request, of_function(answer, function), after=1.0)


def of_function(message: bytes, function: int) -> bytes:
    return message[:7] + bytes([function]) + message[8:]


def assert_passed_over(diagnosis: Diagnosis, level: Level, passed: int, of: int) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (level, Certainty.SHOWN)
    assert [finding.values[one] for one in ("passed", "of", "one")] == [passed, of, 0]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, diagnosis.status) == (Verdict.COMPLETE, NO_FAULT)


@told_or_not
def test_found_where_every_fourth_request_is_passed_over(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    records = []
    for begin in range(1, 16, 4):
        polled(session, begin)
        records.append(passes_over(session, begin + 3))
    polled(session, 17)
    session.close()
    diagnosis = diagnosed(ended(plant), controllers)
    assert_passed_over(diagnosis, Level.WARNING, passed=4, of=19)
    finding = found(diagnosis, SLUG)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in records]
    assert finding.likely_causes[0] == RULE.likely_causes[BUSY]
    out = [UNIT, OTHER_PROTOCOL, BEHIND, LOG_IN], [PATH_BROKEN, ONLY_SENDS]
    assert left_out(finding, RULE) == out


@pytest.mark.parametrize(
    ("passed", "level"), [(1, Level.NOTE), (2, Level.NOTE), (3, Level.WARNING)]
)
def test_found_as_a_note_where_it_is_no_pattern(passed: int, level: Level) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(passed):
        polled(session, 1 + 4 * number)
        passes_over(session, 4 + 4 * number)
    polled(session, 100)
    assert_passed_over(diagnosed(ended(plant)), level, passed, of=4 * passed + 3)


def test_found_in_several_sessions() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.0)
        polled(session, 1)
        passes_over(session, 4)
        polled(session, 5)
        session.close()
    diagnosis = diagnosed(ended(plant))
    assert_passed_over(diagnosis, Level.WARNING, passed=3, of=21)
    assert found(diagnosis, SLUG).values["sessions"] == 3


def test_found_where_every_request_has_the_same_number() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.exchange(modbus_read(0), modbus_answer(0), after=1.0)
        passes_over(session, 0)
        session.exchange(modbus_read(0), modbus_answer(0), after=1.0)
    assert_passed_over(diagnosed(ended(plant)), Level.WARNING, passed=3, of=9)


def test_quiet_about_a_function_that_is_never_answered() -> None:
    """Values are posted beside the reads: they want no answer."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(1, 21, 2):
        polled(session, number, times=1)
        session.send(of_function(modbus_read(number + 1), 16), after=0.5)
        session.ack(unit, after=0.04)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_a_unit_that_is_never_answered() -> None:
    """A broadcast to all units behind the gateway wants no answer."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(1, 21, 2):
        polled(session, number, times=1)
        session.send(modbus_read(number + 1, unit=0), after=0.5)
        session.ack(unit, after=0.04)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_several_are_under_way_and_answered_late() -> None:
    """The first of each four comes back last, 3 s later."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 20, 4):
        for number in range(begin, begin + 4):
            session.send(modbus_read(number), after=0.01)
        for number in range(begin + 1, begin + 4):
            session.send(modbus_answer(number), unit, after=0.02)
        session.send(modbus_answer(begin), unit, after=3.0)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize("closes", [True, False])
def test_quiet_about_requests_under_way_at_the_end(closes: bool) -> None:
    """Those to slow units took 3 s each time before."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 20, 4):
        for number in range(begin, begin + 4):
            session.send(modbus_read(number), after=0.01)
        session.send(modbus_answer(begin + 3), unit, after=0.02)
        if begin < 17:
            for number in range(begin, begin + 3):
                session.send(modbus_answer(number), unit, after=2.0 if number == begin else 0.1)
    if closes:
        session.close(after=2.0)
    assert_healthy(diagnosed(ended(plant) if closes else plant))


def test_quiet_where_answers_are_joined_in_one_segment() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 20, 4):
        for number in range(begin, begin + 4):
            session.send(modbus_read(number), after=0.01)
        answers = b"".join(modbus_answer(number) for number in range(begin, begin + 4))
        session.send(answers, unit, after=0.02)
        session.ack(after=1.0)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_answers_go_on_in_the_next_segment() -> None:
    """A segment ends in the middle of an answer, and the next begins there."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 20, 4):
        for number in range(begin, begin + 4):
            session.send(modbus_read(number), after=0.01)
        answers = b"".join(modbus_answer(number) for number in range(begin, begin + 4))
        session.send(answers[:20], unit, after=0.02)
        session.send(answers[20:], unit)
        session.ack(after=1.0)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize("confirmed", [True, False])
def test_quiet_where_the_recorder_lost_the_answers(confirmed: bool) -> None:
    """The PC confirms them, or the controller's numbers are beyond them."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 16, 4):
        polled(session, begin)
        session.send(modbus_read(begin + 3), after=1.0)
        plant.lose(session.send(modbus_answer(begin + 3), unit))
        if confirmed:
            session.ack()
    polled(session, 17)
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_an_answer_comes_late_into_its_gap() -> None:
    """The controller's segments overtake one another."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for begin in range(1, 20, 2):
        for number in (begin, begin + 1):
            session.send(modbus_read(number), after=0.5)
        at = session.server.next
        session.send(modbus_answer(begin + 1), unit, seq=at + 15)
        session.send(modbus_answer(begin), unit, seq=at)
        session.server.next = at + 30
        session.ack()
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_answers_have_other_numbers() -> None:
    """A controller that answers with a number of its own."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(1, 12):
        session.exchange(modbus_read(number), modbus_answer(7), after=1.0)
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_requests_are_cut_over_segments() -> None:
    """What is written looks like a request, and stands at the beginning of the second half."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(1, 12, 2):
        polled(session, number, times=1)
        values = modbus_read(9000 + number)
        head = struct.pack("!HHHBBHHB", number + 1, 0, 7 + len(values), 1, 16, 100, 6, len(values))
        session.send(head, after=1.0)
        session.send(values)
        session.send(of_function(modbus_refusal(number + 1), 0x90), unit)
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_pc_closes_right_after_an_answer_that_overtook_another() -> None:
    plant, pc, unit = acquainted()
    for number in range(1, 12, 2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(modbus_read(number))
        session.exchange(modbus_read(number + 1), modbus_answer(number + 1))
        session.close(after=0.5)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_recorder_lost_the_last_answers() -> None:
    """They come in another order than they were asked for, and the PC confirms what is lost."""
    plant, pc, unit = acquainted()
    for number in range(1, 12, 2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(modbus_read(number))
        session.exchange(modbus_read(number + 1), modbus_answer(number + 1))
        plant.lose(session.send(modbus_answer(number), unit, after=0.1))
        session.ack()
        plant.wait(3)
        session.rst(unit, after=0.5)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_found_in_a_session_from_before_the_recording() -> None:
    """Its first answer is to a request that is not recorded."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.send(modbus_answer(99), unit)
    for begin in range(1, 13, 4):
        polled(session, begin)
        passes_over(session, begin + 3)
    polled(session, 17)
    assert found(diagnosed(ended(plant)), SLUG).values["passed"] == 3


def test_quiet_beside_requests_that_are_joined() -> None:
    """That the second in each segment gets no answer is told by the rule about it."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for number in range(1, 12, 2):
        session.send(modbus_read(number) + modbus_read(number + 1), after=1.0)
        session.send(modbus_answer(number), unit)
        session.ack(after=0.04)
    assert SLUG not in slugs(diagnosed(ended(plant)))
