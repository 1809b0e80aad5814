"""path-lost: in an open session nothing is acknowledged any more."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, State, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import RAW
from captures.plant import Session, modbus_answer, modbus_read
from rules.session.path_lost import (
    ASLEEP,
    CONTROLLER_SIDE,
    DROPPED,
    LARGE_ANSWERS,
    LOOSE,
    PC_SIDE,
    RULE,
    TOO_LARGE,
    TOO_LATE,
)
from tests.support import (
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "path-lost"
DOUBLING = (0.3, 0.6, 1.2, 2.4, 4.8)


def in_vain(session: Session, pauses: tuple[float, ...] = DOUBLING, after: float = 1.0) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=after, lost=True)
    for pause in pauses:
        session.again(after=pause, lost=True)


@told_or_not
@pytest.mark.parametrize("gives_up", [True, False])
def test_found_in_the_middle_of_the_work(controllers: tuple[str, ...], gives_up: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    in_vain(session)
    if gives_up:
        session.rst(after=3.0)
    plant.ask(pc, unit, after=0.5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert SLUG in slugs(diagnosis)
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (finding.values["repeats"], finding.values["size"]) == (5, 12)
    assert (finding.values["asked"] > 0, finding.values["heard"] > 0) == (True, True)
    assert finding.values["span"] == pytest.approx(9.0, abs=0.01)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "session")
    assert diagnosis.status == FAULT
    assert slugs(diagnosis) == [SLUG]


def test_found_through_the_calls_in_vain_that_follow() -> None:
    """For minutes: what the PC tries behind the break is its consequence."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    in_vain(session)
    session.rst(after=3.0)
    for _ in range(8):
        plant.tcp(pc, unit).syn((1.0, 2.0, 4.0), after=15.0)
    plant.ask(pc, unit, after=1.0)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_on_the_first_request() -> None:
    plant, pc, unit = acquainted()
    in_vain(plant.tcp(pc, unit).open(), after=0.01)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.STOPPED]


def test_found_where_a_session_is_dropped_in_between_while_it_rests() -> None:
    """The old session is dead, a new one opens at once."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, after=300.0)
    session.rst(after=5.0)
    plant.tcp(pc, unit).open(after=0.5).poll(4)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]
    assert "firewall" in found(diagnosis, SLUG).likely_causes[0].lower()


def test_found_where_only_the_controllers_repeats_still_come() -> None:
    """The way to the controller is broken, the way back is not."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_answer(4), unit, after=1.0)
    session.ack(lost=True)
    in_vain(session, (0.3, 0.6))
    session.again(unit, after=0.1)
    session.again(after=1.2, lost=True)
    session.again(unit, after=1.0)
    assert slugs(diagnosed(ended(plant))) == [SLUG]


def test_found_in_a_session_from_before_the_recording_with_numbers_that_wrap() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit, client_seq=2**32 - 30, server_seq=2**32 - 40)
    for record in (session.syn(), session.syn_ack(), session.ack()):
        plant.lose(record)
    session.poll(3)
    in_vain(session)
    diagnosis = diagnosed(ended(plant))
    assert found(diagnosis, SLUG).values["repeats"] == 5


def test_found_with_less_certainty_where_the_recorder_lost_frames() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=5)
    assert found(diagnosed(octets), SLUG).certainty is Certainty.FITS


def test_found_without_the_causes_that_the_recording_rules_out() -> None:
    """Others are heard, the session did not rest, and pieces of this size had passed."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    in_vain(session)
    asked = plant.ask(pc, unit, after=0.5)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE) == ([LOOSE, PC_SIDE, DROPPED, ASLEEP], [TOO_LARGE, TOO_LATE])
    shown = {one.moment.frame for one in finding.evidence}
    assert {plant.number(one) for one in asked} <= shown


def test_all_causes_are_told_where_nothing_else_is_heard_behind_a_rest() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    in_vain(session, after=120.0)
    plant.wait(8)
    session.again(lost=True)
    finding = found(diagnosed(plant), SLUG)
    assert left_out(finding, RULE) == ([LOOSE], [TOO_LARGE])


@told_or_not
@pytest.mark.parametrize(("repeats", "certainty"), [(5, Certainty.SHOWN), (3, Certainty.FITS)])
def test_found_with_less_certainty_where_the_recording_ends_soon_after_the_request(
    controllers: tuple[str, ...], repeats: int, certainty: Certainty
) -> None:
    """The pauses double: the recording rarely goes on for long after the last repeat."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, DOUBLING[:repeats])
    diagnosis = diagnosed(ended(plant, 2), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is certainty
    assert (TOO_LATE in left_out(finding, RULE)[1]) is (certainty is Certainty.SHOWN)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_without_the_controllers_side_where_it_answers_in_other_ways() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, (0.3, 0.6, 1.2))
    plant.ping(pc, unit)
    answer = plant.pong(unit, pc)
    session.again(after=2.4, lost=True)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[0] == [CONTROLLER_SIDE, LOOSE, PC_SIDE, ASLEEP]
    assert plant.number(answer) in {one.moment.frame for one in finding.evidence}


def test_the_controllers_side_is_told_where_it_comes_back_later() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session)
    session.rst(after=3.0)
    plant.tcp(pc, unit).open(after=20).poll(3)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[0] == [LOOSE, PC_SIDE, DROPPED, ASLEEP]


def breaks(session: Session, pauses: tuple[float, ...] = DOUBLING) -> None:
    """Nothing gets through for a while; then the repeat does, and the work goes on."""
    in_vain(session, pauses)
    session.again(after=2 * pauses[-1])
    session.send(modbus_answer(session.transaction), session.server_station)
    session.ack()
    session.poll(6)


@told_or_not
@pytest.mark.parametrize("times", [2, 3])
def test_found_as_a_warning_where_the_way_breaks_and_comes_back(
    controllers: tuple[str, ...], times: int
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    for _ in range(times):
        breaks(session)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert [finding.values[one] for one in ("breaks", "repeats", "others")] == [times, 6, True]
    assert finding.values["span"] == pytest.approx(18.6, abs=0.1)
    assert finding.likely_causes[0] == RULE.likely_causes[LOOSE]
    out = [PC_SIDE, DROPPED, ASLEEP], [TOO_LARGE, TOO_LATE, LARGE_ANSWERS]
    assert (left_out(finding, RULE), diagnosis.status) == (out, NO_FAULT)


def test_breaks_of_several_sessions_count_together() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        breaks(session)
        session.close()
    assert found(diagnosed(ended(plant)), SLUG).values["breaks"] == 2


def test_the_pcs_side_is_likeliest_where_nobody_else_is_heard() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(2):
        breaks(session)
    finding = found(diagnosed(plant), SLUG)
    assert finding.values["others"] is False
    assert finding.likely_causes[0] == RULE.likely_causes[PC_SIDE]
    assert left_out(finding, RULE)[0] == [DROPPED]


def test_the_last_break_is_told_where_the_way_had_come_back_before() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(2):
        breaks(session)
    in_vain(session)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.values["breaks"]) == (Level.FAULT, 0)


@pytest.mark.parametrize("pauses", [(0.2, 0.4), (0.1, 0.2, 0.4)])
def test_quiet_where_single_frames_are_lost(pauses: tuple[float, ...]) -> None:
    """Two repeats each time, or repeats within less than a second: no break of the way."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(2):
        in_vain(session, pauses)
        session.send(modbus_answer(session.transaction), unit, after=0.1)
        session.ack()
        session.poll(6)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_a_segment_is_repeated_twice(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, DOUBLING[:2])
    diagnosis = diagnosed(ended(plant, 2), controllers)
    assert SLUG not in slugs(diagnosis)
    (outcome,) = diagnosis.outcomes
    assert [one.state for one in outcome.stages if one.stage == "session"] == [State.AT_TIMES]


def test_quiet_where_the_recording_ends_on_a_single_repeat() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, DOUBLING[:1])
    assert_healthy(diagnosed(ended(plant, 2)))


@told_or_not
def test_quiet_where_it_is_acknowledged_after_all(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session)
    session.again(after=9.6)
    session.send(modbus_answer(4), unit)
    session.ack()
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_one_frame_is_repeated(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, (0.3,))
    session.send(modbus_answer(4), unit)
    session.ack()
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_request_is_confirmed_and_not_answered(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    in_vain(session, (0.3, 0.6, 1.2))
    session.again(after=2.4)
    session.ack(unit)
    assert slugs(diagnosed(ended(plant), controllers)) == ["request-unanswered"]


@told_or_not
def test_quiet_where_a_restarted_controller_resets(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-reset"]


@told_or_not
def test_quiet_where_the_controller_had_closed_the_session(controllers: tuple[str, ...]) -> None:
    """It is gone by its own will, and what the PC asks behind the close goes nowhere."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.fin(unit, after=0.2)
    session.ack()
    in_vain(session)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-closed"]


@told_or_not
def test_quiet_where_keep_alives_are_not_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    for _ in range(6):
        session.keep_alive(after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_others_paths_break(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    other = plant.tcp(panel, unit).open()
    other.poll(2)
    other.send(modbus_read(3))
    for pause in DOUBLING:
        other.again(after=pause)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_only_the_controller_repeats() -> None:
    """Its way back is another matter: nothing of the PC's is missing at the controller."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_answer(4), unit, after=1.0)
    for pause in DOUBLING:
        session.again(unit, after=pause)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize(("rest", "ruled_out"), [(58.0, True), (65.0, False)])
def test_a_session_is_forgotten_only_behind_a_rest(rest: float, ruled_out: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, after=rest)
    assert (DROPPED in left_out(found(diagnosed(ended(plant)), SLUG), RULE)[0]) is ruled_out


def test_frames_that_are_too_large_are_told_where_none_of_the_size_had_passed() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(bytes(1400), lost=True, after=0.2)
    for pause in DOUBLING:
        session.again(after=pause, lost=True)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert TOO_LARGE not in left_out(finding, RULE)[1]


def test_whose_side_it_was_is_open_without_hardware_addresses() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session)
    octets = ended(plant).pcap(link_type=RAW)
    finding = found(diagnosed(octets, ("192.0.2.60:502",), pc="192.0.2.15"), SLUG)
    assert PC_SIDE not in left_out(finding, RULE)[0]


def test_quiet_where_the_controller_still_sends_something_new() -> None:
    """The way back works, and the controller goes on: it only does not confirm."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, (0.3, 0.6))
    session.send(b"event", unit, after=0.1)
    for pause in (1.2, 2.4):
        session.again(after=pause, lost=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_silence_counts_from_the_request_on() -> None:
    """Its first repeat comes 0.3 s later: from there on the recording lasts less than 5 s."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    in_vain(session, (0.3, 0.6, 1.2))
    plant.announce(plant.station("192.0.2.31"), times=1, after=3.05)
    plant.chatter()
    assert found(diagnosed(plant), SLUG).certainty is Certainty.SHOWN


def test_quiet_where_the_controller_acknowledges_late_again_and_again() -> None:
    """Half a second after the request: systems repeat it by then, once or twice."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        in_vain(session, (0.2, 0.25))
        session.ack(unit, after=0.05)
        session.send(modbus_answer(session.transaction), unit, after=1.0)
        session.ack()
    assert SLUG not in slugs(diagnosed(ended(plant)))
