"""controller-restarted: the controller restarted while a session was open."""

from pathlib import Path

import pytest

from analyzer.diagnosis import FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_read
from rules.session.controller_restarted import REPLUGGED, RULE
from tests.support import (
    TOLD,
    acquainted,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "controller-restarted"


def asked(session: Session, after: float = 1.0, **more: bool) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=after, **more)


def in_vain(session: Session) -> None:
    """A request and its repeats go unanswered."""
    asked(session, lost=True)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(after=pause, lost=True)


def comes_up(plant: Plant, unit: Station, pc: Station) -> None:
    """The unit announces itself, asks for the PC, and counts its packets from one again."""
    plant.probe(unit, after=12.0)
    plant.announce(unit, after=2.0)
    plant.ask(unit, pc, times=1, after=0.5)
    unit.packet_id = 0


def assert_leads(diagnosis: Diagnosis, certainty: Certainty, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, certainty)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "session")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_with_every_sign(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    comes_up(plant, unit, pc)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.SHOWN, answers=5, signs=4, sessions=1)
    values = found(diagnosis, SLUG).values
    assert values["pause"] == pytest.approx(5.5 + 12.0, abs=0.1)
    assert values["back"] == pytest.approx(values["pause"] + 10.5, abs=0.1)
    assert values["away"] is False


def test_found_where_no_session_opens_afterwards() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    comes_up(plant, unit, pc)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=3.0)
    values = found(diagnosed(ended(plant)), SLUG).values
    assert (values["back"], values["away"]) == (0.0, True)


def test_found_where_the_service_comes_up_later_than_the_network() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    comes_up(plant, unit, pc)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    for pause in (1.0, 3.0):
        call = plant.tcp(pc, unit)
        call.syn(after=pause)
        call.refuse()
    plant.tcp(pc, unit).open(after=9.0).poll(4)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN)


@told_or_not
def test_found_where_the_pc_gives_up_and_nothing_works_again(controllers: tuple[str, ...]) -> None:
    """The controller announces itself, and refuses for good."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    session.rst(after=1.0)
    comes_up(plant, unit, pc)
    for _ in range(3):
        call = plant.tcp(pc, unit)
        call.syn(after=60.0)
        call.refuse()
    assert_leads(diagnosed(ended(plant), controllers), Certainty.SHOWN, answers=5)


def test_found_by_announcement_and_silence_only() -> None:
    """Packet numbers at zero and no timestamps: a cable on that side would look the same."""
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.announce(unit, times=1, after=20.0)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, signs=2, away=False)


def test_found_by_a_request_for_an_address() -> None:
    plant, pc, unit = acquainted()
    server = plant.station("192.0.2.2")
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.wait(15)
    plant.lease(unit, server)
    unit.packet_id = 3
    session.again(after=1.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN)


def test_found_behind_a_router_by_numbers_and_silence() -> None:
    plant = Plant()
    pc, router = plant.pc(), plant.station("192.0.2.1")
    far = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(5)
    plant.resolve(pc, router)
    session = plant.tcp(pc, far, via=router).open()
    session.poll(5)
    in_vain(session)
    far.packet_id = 0
    plant.wait(20)
    session.again()
    session.rst(far, bare=True)
    plant.tcp(pc, far, via=router).open(after=3.0).poll(4)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Certainty.SHOWN, signs=2)
    assert len(found(diagnosis, SLUG).evidence) == 5  # the last sign, two repeats, number, end


@pytest.mark.parametrize(("ticks", "told"), [(290_000, True), (310_000, False)])
def test_the_clock_of_tcp_begins_anew_where_it_shows_little(ticks: int, told: bool) -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    for turn in range(6):
        stamped(session, 900 + turn)
        stamped(session, 70_000_000 + turn, unit)
    in_vain(session)
    session.again(after=20.0)
    session.rst(unit, bare=True)
    session = plant.tcp(pc, unit).open(after=1.0)
    stamped(session, 31_000)
    stamped(session, ticks, unit)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def stamped(session: Session, ticks: int, by: Station | None = None, flags: str = "PA") -> None:
    """A segment whose TCP clock shows so many ticks."""
    options = [("NOP", None), ("NOP", None), ("Timestamp", (ticks, 0))]
    session.segment(flags, b"data", by, options=options, after=0.2)


def test_found_by_the_clock_of_tcp() -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    for turn in range(6):
        stamped(session, 900 + turn)
        stamped(session, 70_000_000 + turn, unit)
    in_vain(session)
    plant.announce(unit, times=1, after=20.0)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    session = plant.tcp(pc, unit).open(after=1.0)
    stamped(session, 31_000)
    stamped(session, 24_000, unit)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN, signs=3)


def test_found_in_an_idle_session_of_which_the_controller_knows_nothing() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    comes_up(plant, unit, pc)
    asked(session, after=30.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(4)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN)


def test_found_where_sessions_are_closed_before_a_commanded_restart() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close(unit, after=0.5)
    comes_up(plant, unit, pc)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_in_a_session_that_began_before_the_recording() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.poll(5)
    in_vain(session)
    comes_up(plant, unit, pc)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    assert lead(diagnosed(ended(plant))) == SLUG


@told_or_not
def test_quiet_where_the_session_goes_on(controllers: tuple[str, ...]) -> None:
    """Its cable was out for a moment: it announces itself, and knows the session."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.announce(unit, after=5.0)
    session.again(after=0.5)
    session.ack(unit)
    session.poll(3)
    session.close(after=0.5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["request-unanswered"]  # it confirms that one, and never answers it
    assert found(diagnosis, "request-unanswered").level is Level.NOTE


def test_quiet_where_the_packet_numbers_go_on() -> None:
    """The cable was out for so long that the controller had dropped the session."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.announce(unit, after=20.0)
    plant.ask(unit, pc, times=1)
    session.again(after=0.5)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(5)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_link_of_the_pc_came_up() -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.wait(5)
    plant.link_up(pc)
    plant.announce(unit, times=1)  # the common switch was off
    plant.ask(unit, pc, times=1)
    session.again(after=0.5)
    session.rst(unit, bare=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_everybody_fell_silent() -> None:
    """The common switch was off: the silence says nothing about the controller."""
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    plant.chatter()
    plant.wait(3)
    in_vain(session)
    plant.announce(unit, times=1, after=20.0)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    plant.wait(8)
    assert slugs(diagnosed(plant)) == ["session-reset"]


@told_or_not
def test_quiet_where_a_session_breaks_without_a_sign(controllers: tuple[str, ...]) -> None:
    """A change of mode: every session ends, and the controller goes on."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    session.rst(unit, after=0.2)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-reset"]


def test_quiet_with_one_sign_only() -> None:
    """A controller that announces its address from time to time."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(5)
        plant.announce(unit, times=1)
    asked(session)
    session.rst(unit, after=0.2)
    plant.announce(unit, times=1, after=5.0)
    assert slugs(diagnosed(ended(plant))) == ["session-reset"]


def test_quiet_where_the_neighbour_entry_ran_out() -> None:
    """The controller asks for the PC for the first time, after a loss: no sign of its own start."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.ask(unit, pc, times=1, after=1.0)
    session.again(after=0.5)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant))) == ["session-reset"]


def test_quiet_where_packet_numbers_go_over_the_top() -> None:
    plant, pc, unit = acquainted()
    unit.packet_id = 65_530 - 6
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    unit.packet_id = 200
    session.again(after=20.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(5)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_packet_numbers_are_chosen_at_random() -> None:
    plant, pc, unit = acquainted()
    numbers = iter([(n * 40_503) % 65_000 + 400 for n in range(1, 7)] + [3, 4] + [900] * 9)
    unit.next_packet_id = lambda: next(numbers)  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    session.again(after=20.0)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant))) == ["session-reset"]


def test_quiet_where_another_controller_restarts() -> None:
    plant, pc, unit = acquainted()
    other = plant.station("192.0.2.31")
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    session.rst(unit, after=0.2)
    comes_up(plant, other, pc)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["session-reset"]


@pytest.mark.parametrize(("calls", "level"), [(0, Level.NOTE), (2, Level.WARNING)])
def test_found_between_the_sessions_of_a_program_that_opens_one_for_each_poll(
    calls: int, level: Level
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=5.0)
        session.poll(1)
        session.close()
    for _ in range(calls):
        plant.tcp(pc, unit).syn(repeats=(1, 2), after=2.0)
    comes_up(plant, unit, pc)
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=5.0)
        session.poll(1)
        session.close()
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is level
    assert found(diagnosis, SLUG).values["between"]


def test_quiet_between_sessions_where_the_numbers_go_on() -> None:
    """It announces its address and looks for the PC, as after a cable that was plugged again."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        for _ in range(4):
            session = plant.tcp(pc, unit).open(after=5.0)
            session.poll(1)
            session.close()
        plant.announce(unit, after=2.0)
        plant.ask(unit, pc, times=1, after=0.5)
    plant.tcp(pc, unit).open(after=5.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [(5_000, 250, True), (5_000, 257, False), (34, 10, False), (35, 10, True)],
)
def test_numbers_begin_anew_where_they_fall_low(before: int, after: int, told: bool) -> None:
    plant, pc, unit = acquainted()
    unit.packet_id = before - 16
    session = plant.tcp(pc, unit).open()
    session.poll(7)
    in_vain(session)
    unit.packet_id = after - 1
    session.again(after=20.0)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=1.0).poll(5)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


@pytest.mark.parametrize(("after", "told"), [(100.0, True), (130.0, False)])
def test_quiet_where_the_signs_come_much_later(after: float, told: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.wait(after)
    plant.announce(unit)
    unit.packet_id = 0
    plant.tcp(pc, unit).open(after=1.0).poll(4)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def test_to_check_an_address_and_to_announce_it_is_one_sign() -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    plant.probe(unit, after=12.0)
    plant.announce(unit, after=2.0)
    asked(session)
    session.rst(unit, bare=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_every_session_that_broke_is_counted() -> None:
    plant, pc, unit = acquainted()
    sessions = [plant.tcp(pc, unit).open() for _ in range(3)]
    for session in sessions:
        session.poll(3)
    for session in sessions:
        in_vain(session)
    comes_up(plant, unit, pc)
    for session in sessions:
        session.again(after=1.0)
        session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=3.0).poll(4)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN, sessions=3)


def test_found_with_a_single_repeat_while_others_are_heard() -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session, lost=True)
    session.again(after=0.3, lost=True)
    plant.announce(unit, times=1, after=5.0)
    session.rst(unit, bare=True, after=1.0)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, signs=2)


def test_quiet_where_the_controller_asks_the_pc_itself_whether_it_is_there() -> None:
    """A neighbour entry that it checks: no sign that it has forgotten it (RFC 1122 2.3.2.1)."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    plant.ask(unit, pc, times=1, to=pc, after=1.0)
    plant.announce(unit, times=1, after=1.0)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant))) == ["session-reset"]


def test_quiet_where_the_controller_asks_for_others() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    plant.ask(unit, "192.0.2.20", times=1, after=1.0)
    plant.announce(unit, times=1, after=1.0)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant))) == ["session-reset"]


def test_the_cable_is_ruled_out_only_where_counters_begin_anew() -> None:
    for begins_anew in (True, False):
        plant, pc, unit = acquainted()
        session = plant.tcp(pc, unit).open()
        session.poll(5)
        in_vain(session)
        plant.announce(unit, after=20.0)
        unit.packet_id = 0 if begins_anew else 40_000
        session.again(after=1.0)
        session.rst(unit, bare=True)
        finding = found(diagnosed(ended(plant)), SLUG)
        assert (REPLUGGED in left_out(finding, RULE)[1]) is begins_anew


def test_found_with_less_certainty_by_a_request_for_an_address_and_silence() -> None:
    plant, pc, unit = acquainted()
    unit.next_packet_id = lambda: 0  # type: ignore[method-assign]
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    in_vain(session)
    plant.wait(15)
    plant.dhcp("discover", unit)
    session.again(after=1.0)
    session.rst(unit, bare=True)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, signs=2)


def test_what_is_sent_again_during_restarts_is_no_loss() -> None:
    kept = Path(__file__).parents[2] / "lab" / "kept" / "controller-restarts-each-time.pcapng.gz"
    assert "lossy-path" not in slugs(diagnosed(kept.read_bytes()))
