"""session-limit: all sessions that the controller allows are taken."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import Record
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.port.session_limit import ACCESS_LIST, LEFT_OVER, ONE_VALUE, OTHERS, REQUEST, RULE
from tests.support import (
    a_sheet,
    acquainted,
    assert_healthy,
    assert_no_alarm,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "session-limit"


def asked(session: Session, after: float = 1.0) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=after)


def refused(session: Session, after: float = 1.0) -> None:
    session.syn(after=after)
    session.refuse()


def panel_is_connected() -> tuple[Plant, Station, Station, Session]:
    """A mirrored switch port shows the panel in session with the controller."""
    plant, pc, unit = acquainted()
    session = plant.tcp(plant.station("192.0.2.20"), unit).open()
    session.poll(2)
    return plant, pc, unit, session


def assert_leads(
    diagnosis: Diagnosis, verdict: Verdict = Verdict.STOPPED, **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    shows_at = {"refused": "port", "silent": "port", "dropped": "session", "ended": "session"}
    ways = [one for one in (*shows_at, "unanswered") if finding.values[one]]
    assert (outcome.verdict, outcome.stopped_at) == (verdict, shows_at.get(ways[0], "answer"))
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_call_is_refused_while_a_panel_is_connected(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, panel = panel_is_connected()
    for _ in range(3):
        refused(plant.tcp(pc, unit))
        panel.poll(1)
    diagnosis = diagnosed(ended(plant), controllers, pc="192.0.2.15")
    assert_leads(diagnosis, refused=3, others=1, own=0, further=False, first=True)
    told = {"beside_others": True, "beside_own": False, "newer_others": False}
    assert told.items() <= found(diagnosis, SLUG).values.items()


@told_or_not
def test_found_where_the_call_is_ignored_while_a_panel_is_connected(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, panel = panel_is_connected()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    panel.poll(2)
    diagnosis = diagnosed(ended(plant), controllers, pc="192.0.2.15")
    assert_leads(diagnosis, silent=1, others=1)


def asks_beside_the_panel(unit_number: int = 1, confirmed: bool = True) -> Plant:
    """The PC's requests are taken and not answered, while the panel's are answered."""
    plant, pc, unit, panel = panel_is_connected()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=0.4)
        session.send(modbus_read(1, unit=unit_number), after=0.01, lost=not confirmed)
        if confirmed:
            session.ack(unit)
        panel.poll(3)
        session.fin(after=0.1, lost=not confirmed)
    panel.poll(4)
    return plant


@told_or_not
def test_found_where_the_panel_is_served_and_the_pc_is_not(controllers: tuple[str, ...]) -> None:
    """As a mirrored switch port shows it."""
    diagnosis = diagnosed(ended(asks_beside_the_panel()), controllers, pc="192.0.2.15")
    assert_leads(diagnosis, unanswered=2, others=1, own=0)
    finding = found(diagnosis, SLUG)
    assert [str(one) for one in finding.values["stations"]] == ["192.0.2.20"]
    assert left_out(finding, RULE)[1] == [ONE_VALUE]


@told_or_not
def test_quiet_where_the_panel_asks_another_unit(controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(ended(asks_beside_the_panel(7)), controllers, pc="192.0.2.15")
    assert slugs(diagnosis) == ["request-unanswered"]


@told_or_not
def test_quiet_where_the_pcs_requests_do_not_arrive(controllers: tuple[str, ...]) -> None:
    plant = asks_beside_the_panel(confirmed=False)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers, pc="192.0.2.15"))


def test_quiet_where_the_panel_was_served_before_only() -> None:
    """Now the service hangs for everybody."""
    plant, pc, unit, panel = panel_is_connected()
    for session in (panel, plant.tcp(pc, unit).open(after=0.5)):
        asked(session)
        session.ack(unit)
    assert slugs(diagnosed(ended(plant), pc="192.0.2.15")) == ["request-unanswered"]


def test_quiet_where_the_answer_to_the_pc_is_slow() -> None:
    plant, pc, unit, panel = panel_is_connected()
    session = plant.tcp(pc, unit).open(after=0.5)
    asked(session)
    session.ack(unit)
    panel.poll(5)
    session.send(modbus_answer(1), unit)
    session.ack()
    assert_healthy(diagnosed(ended(plant), pc="192.0.2.15"))


@told_or_not
@pytest.mark.parametrize("how", ["fin", "rst"])
def test_found_where_the_accepted_call_is_dropped_at_once(
    how: str, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=3.0)
        if how == "rst":
            session.rst(unit, after=0.03)
        else:
            session.close(unit, after=0.03)
    assert_leads(diagnosed(ended(plant), controllers), dropped=2, own=0, others=0)


BUSY = b"ERR 12 BUSY: SESSION IN USE BY PANEL\r\n"


def told_and_closed(
    plant: Plant, pc: Station, unit: Station, text: bytes, by_pc: bool = False, after: float = 1.0
) -> list[Record]:
    """The controller accepts, says something, and the session is closed."""
    session = plant.tcp(pc, unit).open(after=after)
    says = session.send(text, unit)
    closes = session.fin(None if by_pc else unit)
    session.fin(unit if by_pc else None, after=0.2)
    session.ack(unit)
    return [says, closes]


@told_or_not
@pytest.mark.parametrize("by_pc", [True, False])
@pytest.mark.parametrize("text", [BUSY, b"sorry, too many clients\n", b"Connection refused\r"])
def test_found_where_a_text_turns_the_pc_away(
    controllers: tuple[str, ...], text: bytes, by_pc: bool
) -> None:
    plant, pc, unit = acquainted()
    records = [one for _ in range(3) for one in told_and_closed(plant, pc, unit, text, by_pc)]
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, dropped=3, told=3, octets=len(text))
    finding = found(diagnosis, SLUG)
    assert [line.moment.frame for line in finding.evidence] == [plant.number(r) for r in records]
    assert left_out(finding, RULE)[1] == [REQUEST]


@told_or_not
@pytest.mark.parametrize("text", [b"2025-03-11 09:00\r\n", b"  12.50 kg\r\n", b"terror 7\r\n"])
def test_quiet_where_each_caller_is_given_one_value(
    controllers: tuple[str, ...], text: bytes
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        told_and_closed(plant, pc, unit, text)
    assert slugs(diagnosed(ended(plant), controllers)) == []


@told_or_not
def test_quiet_where_the_pc_is_turned_away_first_and_let_in_later(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    told_and_closed(plant, pc, unit, BUSY)
    plant.tcp(pc, unit).open(after=2.0).poll(4)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_a_greeting_speaks_of_errors_and_work_goes_on() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 10001).open()
    session.send(b"ready, last error 0\r\n", unit)
    for _ in range(4):
        session.exchange(b"read 7\r\n", b"12.5\r\n", after=0.5)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_found_where_the_pc_never_closed_its_earlier_sessions(controllers: tuple[str, ...]) -> None:
    """One session for each start of the program; the controller allows two."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        plant.tcp(pc, unit).open(after=2.0).poll(1)
    for _ in range(2):
        refused(plant.tcp(pc, unit), after=4.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Verdict.UNSTABLE, refused=2, own=2, others=0)
    told = {"further": True, "first": False, "beside_own": True, "newer_own": False}
    assert told.items() <= found(diagnosis, SLUG).values.items()


@pytest.mark.parametrize(("beside", "cause"), [(False, LEFT_OVER), (True, OTHERS)])
def test_found_where_a_pulled_cable_left_a_session_behind(beside: bool, cause: str) -> None:
    plant, pc, unit = acquainted()
    if beside:
        plant.tcp(plant.station("192.0.2.20"), unit).open().poll(2)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    asked(session)
    plant.wait(20)
    plant.link_up(pc)
    plant.resolve(pc, unit)
    for _ in range(3):
        refused(plant.tcp(pc, unit), after=4.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert finding.values["own"] == 1
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


@told_or_not
def test_found_where_each_newer_session_ends_the_older_one(controllers: tuple[str, ...]) -> None:
    """Two programs of the PC take the only session from each other."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    for _ in range(3):
        newer = plant.tcp(pc, unit).open(after=0.4)
        session.rst(unit, after=0.01)
        newer.poll(3)
        session = newer
    session.close()
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Verdict.UNSTABLE, ended=3, own=3)


def test_found_where_a_panel_takes_the_session_away() -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(3)
        other = plant.tcp(panel, unit).open(after=0.2)
        session.rst(unit, after=0.01)
        other.poll(2)
        other.close()
    session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(3)
    session.close()
    diagnosis = diagnosed(ended(plant), pc="192.0.2.15")
    assert_leads(diagnosis, Verdict.UNSTABLE, ended=2, others=2, own=0)
    finding = found(diagnosis, SLUG)
    told = {"beside_others": False, "newer_others": True, "further": False, "first": False}
    assert told.items() <= finding.values.items()
    assert (finding.values["displaced"], finding.values["kept_out"]) == (True, False)
    causes, _ = left_out(finding, RULE)
    assert {LEFT_OVER, ACCESS_LIST} <= set(causes)
    assert len(finding.what_to_do) == 3  # none of those for a PC that cannot get in


@told_or_not
def test_found_where_two_sessions_of_one_pc_upset_the_controller(
    controllers: tuple[str, ...],
) -> None:
    """From the second opening on neither gets an answer; the first that waits tells it."""
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit).open()
    first.poll(3)
    second = plant.tcp(pc, unit).open(after=1.0)
    for session in (first, second):
        asked(session)
        session.ack(unit)
    for session in (first, second):
        session.fin(after=4.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Verdict.UNSTABLE, unanswered=1, own=1)


def test_found_behind_vlan_tags_in_frames_recorded_twice_with_numbers_that_wrap() -> None:
    plant, pc, unit, panel = panel_is_connected()
    call = plant.tcp(pc, unit, client_seq=2**32 - 1)
    with plant.tagged(0, priority=4):
        plant.raw(call.syn().data, pc, after=0.0001)
        plant.raw(call.refuse().data, unit, after=0.0001)
    panel.poll(1)
    diagnosis = diagnosed(ended(plant), pc="192.0.2.15")
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["refused"] == 1


def test_found_as_a_warning_where_one_program_works_and_another_is_turned_away() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.poll(5)
        refused(plant.tcp(pc, unit))
    session.poll(2)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == NO_FAULT


@pytest.mark.parametrize(("times", "level"), [(1, Level.NOTE), (3, Level.WARNING)])
def test_found_where_sessions_are_dropped_at_once_beside_one_that_works(
    times: int, level: Level
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(times):
        session.poll(5)
        plant.tcp(pc, unit).open().close(unit)
    session.poll(5)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is level


def test_found_as_a_warning_where_it_works_once_a_session_is_closed() -> None:
    plant, pc, unit, panel = panel_is_connected()
    for _ in range(3):
        refused(plant.tcp(pc, unit), after=5.0)
        panel.poll(1)
    panel.close()
    session = plant.tcp(pc, unit).open(after=4.0)
    session.poll(3)
    session.close()
    diagnosis = diagnosed(ended(plant), pc="192.0.2.15")
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_with_refusals_alone(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        refused(plant.tcp(pc, unit), after=4.0)
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-refused"]


@told_or_not
def test_quiet_with_silence_alone(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-silent"]


@told_or_not
def test_quiet_where_the_pc_closed_its_earlier_sessions(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    session.close()
    for _ in range(15):
        refused(plant.tcp(pc, unit), after=10.0)
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-refused"]


def test_quiet_where_the_panel_had_closed_before() -> None:
    plant, pc, unit, panel = panel_is_connected()
    panel.close()
    for _ in range(3):
        refused(plant.tcp(pc, unit), after=4.0)
    assert slugs(diagnosed(ended(plant), pc="192.0.2.15")) == ["port-refused"]


def test_quiet_where_the_panel_is_connected_to_another_port_or_device() -> None:
    plant, pc, unit = acquainted()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    sessions = [plant.tcp(panel, unit, 4_840).open(), plant.tcp(panel, drive).open()]
    for session in sessions:
        session.poll(2)
    for _ in range(3):
        refused(plant.tcp(pc, unit), after=4.0)
    assert slugs(diagnosed(ended(plant), pc="192.0.2.15")) == ["port-refused"]


@told_or_not
def test_quiet_where_the_controller_went_away(controllers: tuple[str, ...]) -> None:
    """The PC's old session waits in vain, too; nothing says that it takes a place."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    asked(session)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(after=pause)
    for _ in range(2):
        plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=3.0)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_was_restarted(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    asked(session)
    session.again(after=0.3)
    plant.wait(10)
    plant.announce(unit)
    refused(plant.tcp(pc, unit))
    plant.tcp(pc, unit).open(after=5.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


def closing_after_each_answer(plant: Plant, pc: Station, unit: Station) -> None:
    """By design, and the PC's two threads overlap."""
    for _ in range(5):
        one = plant.tcp(pc, unit).open(after=0.5)
        one.poll(1, every=0.01)
        other = plant.tcp(pc, unit).open(after=0.01)
        one.rst(unit, after=0.05)
        other.poll(1, every=0.01)
        other.close(unit, after=0.05)


def closing_the_idle(plant: Plant, pc: Station, unit: Station) -> None:
    """A time limit of 10 s; that another session opens then is chance."""
    for _ in range(3):
        one = plant.tcp(pc, unit).open(after=1.0)
        one.poll(2)
        other = plant.tcp(pc, unit).open(after=9.8)
        one.close(unit, after=0.2)
        other.poll(1)
        other.close()


def two_sessions(plant: Plant, pc: Station, unit: Station) -> None:
    one, other = plant.tcp(pc, unit).open(), plant.tcp(pc, unit).open(after=1.0)
    for session in (one, other, one, other):
        session.poll(2)


def changing_over(plant: Plant, pc: Station, unit: Station) -> None:
    """The program opens its new session before the old one ends, and is content."""
    one = plant.tcp(pc, unit).open()
    one.poll(3)
    other = plant.tcp(pc, unit).open(after=0.5)
    one.close(unit, after=0.1)
    other.poll(5)


def dropped_and_then_taken(plant: Plant, pc: Station, unit: Station) -> None:
    """A controller that was starting."""
    plant.tcp(pc, unit).open().rst(unit, after=0.02)
    plant.tcp(pc, unit).open(after=2.0).poll(4)


def turned_away_once(plant: Plant, pc: Station, unit: Station) -> None:
    one = plant.tcp(pc, unit).open()
    one.poll(2)
    refused(plant.tcp(pc, unit))
    one.poll(4)


def a_web_page(plant: Plant, pc: Station, unit: Station) -> None:
    session = plant.tcp(pc, unit).open()
    page = plant.tcp(pc, unit, 80).open()
    page.exchange(b"GET /", b"state")
    for _ in range(4):
        refused(plant.tcp(pc, unit, 80), after=4.0)
    session.poll(3)


@pytest.mark.parametrize(
    "happens",
    [
        closing_after_each_answer,
        closing_the_idle,
        two_sessions,
        changing_over,
        dropped_and_then_taken,
        turned_away_once,
        a_web_page,
    ],
)
@told_or_not
def test_quiet_where_the_controller_has_room(
    controllers: tuple[str, ...], happens: Callable[[Plant, Station, Station], None]
) -> None:
    plant, pc, unit = acquainted()
    happens(plant, pc, unit)
    assert_no_alarm(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_first_request_of_the_only_session_is_reset(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session, after=0.01)
    session.rst(unit)
    assert slugs(diagnosed(ended(plant), controllers)) == ["dropped-on-first-request"]


@told_or_not
def test_quiet_where_one_session_stops_and_another_still_works(
    controllers: tuple[str, ...],
) -> None:
    """The second program asks for what the controller does not answer."""
    plant, pc, unit = acquainted()
    first, second = plant.tcp(pc, unit).open(), plant.tcp(pc, unit).open(after=1.0)
    first.poll(2)
    asked(second)
    second.ack(unit)
    first.poll(5)
    second.fin(after=3.0)
    second.fin(unit)
    first.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_goes_away_right_after_a_second_opening(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit).open()
    first.poll(3)
    plant.tcp(pc, unit).open(after=1.0)
    asked(first)
    for pause in (0.3, 0.6, 1.2, 2.4):
        first.again(after=pause)
    first.fin(after=2.0)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(
    ("limit", "certainty"), [(1, Certainty.SHOWN), (2, Certainty.FITS), (None, Certainty.FITS)]
)
def test_found_for_certain_where_the_sheet_knows_the_limit(
    limit: int | None, certainty: Certainty
) -> None:
    plant, pc, unit, panel = panel_is_connected()
    for _ in range(3):
        refused(plant.tcp(pc, unit))
        panel.poll(1)
    sheet = a_sheet("" if limit is None else f"sessions = {limit}")
    diagnosis = diagnosed(ended(plant), sheet=sheet)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is certainty
    assert diagnosis.outcomes[0].linkup.pc.how_known == "sheet"


def test_quiet_where_the_limit_is_reached_and_nobody_is_turned_away() -> None:
    plant, pc, unit, panel = panel_is_connected()
    plant.tcp(pc, unit).open().poll(3)
    panel.poll(2)
    assert_healthy(diagnosed(ended(plant), sheet=a_sheet("sessions = 2")))


@told_or_not
@pytest.mark.parametrize("heard", [True, False])
def test_quiet_where_the_controller_is_not_heard_after_the_ignored_call(
    controllers: tuple[str, ...], heard: bool
) -> None:
    plant, pc, unit, panel = panel_is_connected()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    if heard:
        plant.ping(pc, unit)
        plant.pong(unit, pc)
    panel.poll(2)
    diagnosis = diagnosed(ended(plant), controllers, pc="192.0.2.15")
    assert lead(diagnosis) == (SLUG if heard else "port-silent")


@told_or_not
def test_found_where_the_last_call_is_ignored_right_before_the_end(
    controllers: tuple[str, ...],
) -> None:
    """The refusals tell it, whatever becomes of that one."""
    plant, pc, unit, panel = panel_is_connected()
    for _ in range(2):
        refused(plant.tcp(pc, unit))
        panel.poll(1)
    plant.tcp(pc, unit).syn(after=1.0)
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    panel.poll(1)
    diagnosis = diagnosed(ended(plant, 0.5), controllers, pc="192.0.2.15")
    assert_leads(diagnosis, refused=2, silent=1)


@told_or_not
def test_quiet_where_the_panel_came_after_the_request(controllers: tuple[str, ...]) -> None:
    """And is served: when the PC asked, nobody took its place."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.ack(unit)
    panel = plant.tcp(plant.station("192.0.2.20"), unit).open(after=5.0)
    panel.poll(3)
    session.fin(after=1.0)
    session.fin(unit)
    diagnosis = diagnosed(ended(plant), controllers, pc="192.0.2.15")
    assert SLUG not in slugs(diagnosis)


@pytest.mark.parametrize(("after", "certain"), [(0.3, True), (0.7, False)])
def test_quiet_where_the_older_session_ends_long_after_the_newer_ones_opening(
    after: float, certain: bool
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(3)
        newer = plant.tcp(pc, unit).open(after=0.4)
        session.rst(unit, after=after)
        session = newer
    session.poll(3)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == certain


@pytest.mark.parametrize(("idle", "told"), [(3.0, True), (6.0, False)])
def test_quiet_where_the_older_session_was_idle_for_long(idle: float, told: bool) -> None:
    """A time limit is the first thing to think of then."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(3)
        newer = plant.tcp(pc, unit).open(after=idle)
        session.rst(unit, after=0.1)
        session = newer
    session.poll(3)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == told


@told_or_not
def test_quiet_where_the_controller_lives_and_nobody_else_is_connected(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-silent"]
