"""session-reset: the controller broke a session that the PC still wanted."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_read
from rules.session.session_reset import (
    BAD_REQUEST,
    FIREWALL,
    OTHERS,
    PC_SLEPT,
    RESTART,
    RULE,
    TIME_LIMIT,
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

SLUG = "session-reset"


def asked(session: Session, after: float = 1.0) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=after)


def assert_leads(
    diagnosis: Diagnosis, verdict: Verdict = Verdict.UNSTABLE, **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (verdict, "session")
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("bare", [True, False])
def test_found_with_a_request_open(controllers: tuple[str, ...], bare: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    session.rst(unit, bare, after=0.25)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, sessions=1, answers=5, idle=pytest.approx(0.25), data=True)
    assert len(found(diagnosis, SLUG).evidence) == 2


def first_cause(diagnosis: Diagnosis) -> str:
    names = {text: name for name, text in RULE.likely_causes.items()}
    return names[found(diagnosis, SLUG).likely_causes[0]]


@pytest.mark.parametrize(
    ("bare", "cause"), [(True, RESTART), (False, BAD_REQUEST)], ids=["unknown session", "taken"]
)
def test_the_first_cause_of_a_reset_at_once_depends_on_the_acknowledgement(
    bare: bool, cause: str
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session, after=0.3)
    if not bare:
        session.ack(unit)
    session.rst(unit, bare)
    diagnosis = diagnosed(ended(plant))
    assert first_cause(diagnosis) == cause
    assert left_out(found(diagnosis, SLUG), RULE)[0] == [PC_SLEPT, TIME_LIMIT]


def silent_for_long(others: bool, again: bool = False) -> Diagnosis:
    """The PC asks after a rest, and the controller knows the session no more. again: a later
    session breaks without a rest.
    """
    plant, pc, unit = acquainted()
    heard = [plant.station(f"192.0.2.{number}") for number in (20, 31, 42)]

    def speak() -> None:
        for one in heard:
            plant.announce(one, times=1)

    session = plant.tcp(pc, unit).open()
    speak()
    session.poll(5)
    if others:
        plant.wait(40.0)
        speak()
    asked(session, after=50.0 if others else 90.0)
    session.rst(unit, bare=True)
    session = plant.tcp(pc, unit).open(after=0.1)
    session.poll(3)
    if again:
        asked(session, after=0.3)
        session.rst(unit, bare=True)
        plant.tcp(pc, unit).open(after=0.1).poll(3)
    speak()
    plant.wait(8.0)
    return diagnosed(plant)


def test_a_pc_that_slept_is_told_and_not_the_controller() -> None:
    diagnosis = silent_for_long(others=False)
    finding = found(diagnosis, SLUG)
    assert first_cause(diagnosis) == PC_SLEPT
    assert "while the PC was silent" in finding.title
    assert "awake" in finding.what_to_do[0].text
    assert {RESTART, BAD_REQUEST} <= set(left_out(finding, RULE)[0])


def test_a_sleep_before_one_of_two_resets_is_not_their_cause() -> None:
    diagnosis = silent_for_long(others=False, again=True)
    assert found(diagnosis, SLUG).values["sessions"] == 2
    assert first_cause(diagnosis) != PC_SLEPT
    assert "broke the session" in found(diagnosis, SLUG).title


def test_a_pc_that_rests_while_others_are_heard_did_not_sleep() -> None:
    diagnosis = silent_for_long(others=True)
    assert first_cause(diagnosis) != PC_SLEPT
    assert "broke the session" in found(diagnosis, SLUG).title


def test_a_rest_before_the_request_is_the_first_cause() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    asked(session, after=7_200.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=0.01).poll(3)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, sessions=1, answers=6)
    assert first_cause(diagnosis) == TIME_LIMIT


def test_another_client_is_the_first_cause_where_the_same_request_was_answered_before() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close()
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=1.0)
        asked(session, after=0.001)
        session.ack(unit)
        session.rst(unit)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, sessions=4, answers=0)
    assert first_cause(diagnosis) == OTHERS
    assert left_out(found(diagnosis, SLUG), RULE)[0] == [PC_SLEPT, RESTART, BAD_REQUEST, TIME_LIMIT]


@pytest.mark.parametrize(
    ("times", "pause", "cause"), [(3, 1.0, OTHERS), (2, 1.0, RESTART), (3, 4.0, RESTART)]
)
def test_a_port_that_opens_again_at_once_and_often_speaks_against_a_start(
    times: int, pause: float, cause: str
) -> None:
    plant, pc, unit = acquainted()
    for one in range(times):
        session = plant.tcp(pc, unit).open(after=pause)
        session.poll(4 + one)
        session.rst(unit, after=0.5)
    plant.tcp(pc, unit).open(after=pause).poll(3)
    diagnosis = diagnosed(ended(plant))
    assert first_cause(diagnosis) == cause
    assert (RESTART in left_out(found(diagnosis, SLUG), RULE)[0]) == (cause == OTHERS)


def test_the_request_stays_the_first_cause_where_another_one_was_answered_before() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close()
    session = plant.tcp(pc, unit).open(after=1.0)
    session.send(modbus_read(1, register=9_000), after=0.001)
    session.ack(unit)
    session.rst(unit)
    diagnosis = diagnosed(ended(plant))
    assert first_cause(diagnosis) == BAD_REQUEST
    assert left_out(found(diagnosis, SLUG), RULE)[0] == [PC_SLEPT, TIME_LIMIT]


@pytest.mark.parametrize(
    ("ttl", "nearer"),
    [(64, True), (255, True), (63, False), (254, False)],
    ids=["the router", "the router, other start", "the controller", "the controller, other start"],
)
def test_a_firewall_is_the_first_cause_where_the_reset_comes_from_nearer(
    ttl: int, nearer: bool
) -> None:
    """The controller is behind a router, which takes one off."""
    plant = Plant()
    pc, router, unit = plant.pc(), plant.station("192.0.2.1"), plant.station("198.51.100.60")
    plant.wait(5)
    plant.resolve(pc, router)
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(5)
    asked(session)
    with_ttl = Station(unit.address, unit.hw, ttl=ttl + 1)
    session.segment("R", by=with_ttl, seq=session.server.next, window=0)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, answers=5, ttl=ttl, usual_ttl=63, nearer=nearer)
    assert first_cause(diagnosis) == (FIREWALL if nearer else RESTART)


def test_another_time_to_live_says_nothing_on_the_pcs_own_network() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station(ttl=60)
    plant.wait(5)
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    session.rst(Station(unit.address, unit.hw, ttl=64), bare=True)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, ttl=64, usual_ttl=60, nearer=False)
    assert first_cause(diagnosis) == RESTART


@told_or_not
def test_quiet_where_each_session_ends_on_its_first_request(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=2.0)
        asked(session, after=0.01)
        session.rst(unit)
    assert slugs(diagnosed(ended(plant), controllers)) == ["dropped-on-first-request"]


def test_found_before_the_pc_had_sent_anything() -> None:
    """Too late to be dropped at once, which is how some say that all sessions are taken."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.rst(unit, after=0.3)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Verdict.STOPPED, answers=0, idle=pytest.approx(0.3), no_data=True)


def test_found_after_a_greeting() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(b"welcome", unit)
    session.ack()
    session.rst(unit, after=0.5)
    assert_leads(diagnosed(ended(plant)), Verdict.STOPPED, answers=0)


@told_or_not
def test_found_after_idle_where_the_pc_calls_again(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for pause in (30.0, 12.0, 47.0):
        session = plant.tcp(pc, unit).open(after=2.0)
        session.poll(2)
        session.rst(unit, after=pause)
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(2)
    session.close()
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, sessions=3, answers=2, idle=pytest.approx(30.04))


def test_found_behind_keep_alives() -> None:
    """Keep-alives are no data: the controller counts requests only."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(4):
        session.keep_alive(after=10.0)
        session.ack(unit)
    session.rst(unit, after=5.0)
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(2)
    session.close()
    assert_leads(diagnosed(ended(plant)), sessions=1, idle=pytest.approx(45.04, abs=0.01))


def test_found_where_repeats_of_a_request_meet_a_restarted_controller() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    asked(session)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)
    session.rst(unit, bare=True)
    assert_leads(diagnosed(ended(plant)), idle=pytest.approx(2.1, abs=0.01))


def test_found_in_a_session_that_began_before_the_recording() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.poll(4)
    asked(session)
    session.rst(unit)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_with_sequence_numbers_that_wrap() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=2**32 - 20, server_seq=2**32 - 30).open()
    session.poll(5)
    asked(session)
    session.rst(unit)
    assert_leads(diagnosed(ended(plant)), answers=5)


def test_found_in_frames_recorded_twice_with_packet_ids_of_zero(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Station, "next_packet_id", lambda station: 0)
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    asked(session)
    plant.raw(session.rst(unit, after=0.1).data, unit, after=0.0001)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["sessions"] == 1


@pytest.mark.parametrize("drops", [0, 7])
def test_found_with_a_lossy_recorder(drops: int) -> None:
    """A reset is seen, not concluded from silence."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    asked(session)
    session.rst(unit)
    diagnosis = diagnosed(ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=drops))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_found_through_the_refusal_before_it() -> None:
    """The same call is refused, accepted, and later broken with a request open."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    session.again(after=0.5)
    session.syn_ack()
    session.ack()
    session.poll(2)
    asked(session)
    session.rst(unit)
    assert_leads(diagnosed(ended(plant)), answers=2)


@told_or_not
@pytest.mark.parametrize("closer", ["pc", "unit"])
def test_quiet_where_the_session_was_closed_in_order(
    controllers: tuple[str, ...], closer: str
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.fin(pc if closer == "pc" else unit, after=0.5)
    session.rst(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_closes_and_late_data_is_turned_down(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close(after=0.5)
    session.ack(after=0.2)
    session.rst(unit, bare=True)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pcs_program_ends_with_a_reset(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(4)
        session.rst(after=0.3)
        session.rst(unit, bare=True)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_closes_after_each_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(6):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(1, every=0.01)
        session.rst(unit, after=0.05)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_an_idle_session_is_dropped_and_nobody_minds(
    controllers: tuple[str, ...],
) -> None:
    """The work was done: the PC does not call again, or only much later."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=600.0)
        session.poll(4)
        session.rst(unit, after=60.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_first_try_is_dropped_and_the_next_one_works(
    controllers: tuple[str, ...],
) -> None:
    """A controller that was starting, or a program that begins with a newer protocol."""
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit).open()
    first.send(bytes.fromhex("1603010005"), after=0.01)
    first.rst(unit)
    plant.tcp(pc, unit).open(after=0.2).poll(5)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_an_old_session_is_cleared_away(controllers: tuple[str, ...]) -> None:
    """A reset for a session from before the recording; then the PC calls and all is well."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit, sport=50_001).rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=2.0).poll(5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert {one.level for one in diagnosis.findings} <= {Level.NOTE}
    assert diagnosis.status == NO_FAULT


def test_quiet_where_an_old_session_is_cleared_away_and_nothing_else_happens() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit, sport=50_001).rst(unit, bare=True)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) is None
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_others_sessions_break(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for server in (unit, drive):
        other = plant.tcp(panel, server).open()
        other.poll(2)
        asked(other)
        other.rst(server)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_call_itself_was_refused(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["port-refused"]
    assert diagnosis.status == FAULT


@told_or_not
def test_quiet_where_the_controller_turns_down_its_own_late_acceptance(
    controllers: tuple[str, ...],
) -> None:
    """The PC had given up and reset the session; the controller repeats its acceptance."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(after=3.0)
    session.rst(bare=True)
    session.rst(unit, after=2.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["pc-gave-up"]


@told_or_not
def test_quiet_where_the_web_page_of_the_controller_breaks(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    page = plant.tcp(pc, unit, 80).open()
    page.send(b"GET /")
    page.rst(unit)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_gave_up_before_the_reset(controllers: tuple[str, ...]) -> None:
    """The reset only confirms that the session is over; the open request is what counts."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session, after=0.01)
    session.fin(after=3.0)
    session.rst(unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["request-unanswered"]
    assert [one.stopped_at for one in diagnosis.outcomes] == ["answer"]


@pytest.mark.parametrize(("after", "cause"), [(0.05, BAD_REQUEST), (0.15, RESTART)])
def test_the_first_cause_depends_on_how_soon_the_request_is_reset(after: float, cause: str) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session, after=0.3)
    session.ack(unit)
    session.rst(unit, after=after)
    assert first_cause(diagnosed(ended(plant))) == cause


@pytest.mark.parametrize(
    ("after", "ruled_out"), [(0.8, [BAD_REQUEST, TIME_LIMIT]), (1.2, [BAD_REQUEST])]
)
def test_a_time_limit_needs_a_rest(after: float, ruled_out: list[str]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.rst(unit, after=after)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[0] == [PC_SLEPT, *ruled_out]


def test_a_reset_right_after_a_greeting_answers_no_request() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(b"ready", unit, after=0.5)
    session.rst(unit, after=0.05)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[RESTART]


@told_or_not
def test_found_in_the_midst_of_work_though_the_pc_comes_back_each_time(
    controllers: tuple[str, ...],
) -> None:
    """Nine resets in an hour and a half of polling: each a moment after an answer."""
    plant, pc, unit = acquainted()
    for polls in (60, 71, 55, 64, 58, 66, 73, 52, 61):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(polls, every=10.0)
        session.rst(unit, after=0.5)
    plant.tcp(pc, unit).open(after=1.0).poll(60, every=10.0)
    assert_leads(diagnosed(ended(plant), controllers), sessions=9, answers=60)


@told_or_not
def test_found_in_the_midst_of_work_where_the_pc_never_comes_back(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.rst(unit, after=0.2)
    assert_leads(diagnosed(ended(plant, 60), controllers), sessions=1, answers=5, left=False)


@pytest.mark.parametrize(
    ("rest", "level"), [(4.0, Level.WARNING), (6.0, Level.NOTE)], ids=["short", "long"]
)
def test_a_rest_before_it_tells_less_where_the_pc_never_comes_back(
    rest: float, level: Level
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.rst(unit, after=rest)
    diagnosis = diagnosed(ended(plant, 60))
    assert found(diagnosis, SLUG).level is level
    assert found(diagnosis, SLUG).values["left"]
    assert diagnosis.status == NO_FAULT


def test_quiet_where_a_reset_follows_each_farewell_at_once() -> None:
    plant, pc, unit = acquainted()
    for polls in (5, 3, 8):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(polls)
        session.exchange(b"farewell", b"farewell", after=0.5)
        session.rst(unit)
    assert_healthy(diagnosed(ended(plant)))
