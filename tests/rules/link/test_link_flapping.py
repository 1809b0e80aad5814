"""link-flapping: the PC's link goes down and comes up, again and again."""

import pytest

from analyzer.diagnosis import Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Session, Station
from rules.link.link_flapping import POWER_SAVING, RULE
from tests.support import (
    TOLD,
    assert_healthy,
    diagnosed,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "link-flapping"


DRIVE = Station("192.0.2.31", "00:00:5e:00:53:31")


class Cable(Plant):
    """A plant whose cable carries nothing while the link is down."""

    def __init__(self) -> None:
        super().__init__()
        self.up_since = 0.0

    def others_speak(self) -> None:
        """Others are heard since the link came up."""
        for n in range(int((self.now - self.up_since) / 0.7)):
            with self.at(self.up_since + 0.7 * n):
                self.announce(DRIVE, times=1)

    def goes_down(self, pc: Station, seconds: float = 4.0) -> None:
        """Nothing is recorded for so long; then the link is up again."""
        self.goes_down_unsaid(seconds)
        self.link_up(pc)

    def goes_down_unsaid(self, seconds: float = 4.0) -> None:
        """As before, and the PC's system checks nothing."""
        self.others_speak()
        self.wait(seconds)
        self.up_since = self.now


def begun() -> tuple[Cable, Station, Station]:
    plant = Cable()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    return plant, pc, unit


def ended(plant: Cable) -> Cable:
    plant.wait(8)
    plant.others_speak()
    return plant


def connected() -> tuple[Cable, Station, Station]:
    """The PC is plugged in, and finds the controller."""
    plant, pc, unit = begun()
    plant.up_since = plant.now
    plant.link_up(pc)
    plant.resolve(pc, unit, after=2)
    return plant, pc, unit


def cut(plant: Cable, session: Session) -> None:
    """The link goes down with the session open."""
    session.poll(5)
    plant.goes_down(session.client_station)


@told_or_not
def test_found_where_each_break_cuts_the_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = connected()
    for _ in range(3):
        cut(plant, plant.tcp(pc, unit).open(after=1.5))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert (finding.values["starts"], finding.values["sessions"]) == (4, 3)
    assert finding.values["silent"] == pytest.approx(4.0, abs=0.8)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "link")


@told_or_not
def test_found_where_the_controller_breaks_the_old_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = connected()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.5)
        cut(plant, session)
        session.send(b"\0\1\0\0\0\6\1\3\0\0\0\1", after=0.5)
        session.rst(unit, bare=True)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["sessions"] == 2


def test_found_where_frames_are_recorded_twice_and_with_tags() -> None:
    plant, pc, unit = begun()
    with plant.tagged(20):
        for _ in range(3):
            plant.goes_down(pc)
            plant.resolve(pc, unit, after=1)
            cut(plant, plant.tcp(pc, unit).open(after=1.5))
    twice = [record for record in ended(plant).records for _ in range(2)]
    diagnosis = diagnosed(layouts.pcap(twice), TOLD)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["starts"] == 6


@told_or_not
def test_found_where_the_link_never_stays_up(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    for _ in range(5):
        plant.goes_down(pc, seconds=2.0)
        plant.ask(pc, unit, after=1.0)
        plant.wait(2)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.values["starts"] == 5
    assert isinstance(finding.values["longest"], float)
    assert finding.values["longest"] < 20


@pytest.mark.parametrize(("breaks", "regular"), [(2, False), (3, True)])
def test_power_saving_comes_first_where_three_breaks_are_regular(
    breaks: int, regular: bool
) -> None:
    plant, pc, unit = connected()
    for _ in range(breaks):
        session = plant.tcp(pc, unit).open(after=1.5)
        session.poll(20)
        plant.goes_down(pc)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert finding.level is Level.FAULT
    assert (finding.likely_causes[0] == RULE.likely_causes[POWER_SAVING]) is regular


def test_found_as_a_warning_where_sessions_outlive_the_breaks() -> None:
    plant, pc, unit = connected()
    session = plant.tcp(pc, unit).open(after=1.5)
    for _ in range(3):
        session.poll(40)
        plant.goes_down(pc, seconds=2.0)
    session.poll(3)
    session.close()
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert found(diagnosis, SLUG).values["stood"] == 1
    assert diagnosis.status == 0


def test_found_as_a_note_where_it_was_plugged_in_again_once() -> None:
    plant, pc, unit = connected()
    cut(plant, plant.tcp(pc, unit).open(after=1.5))
    plant.tcp(pc, unit).open(after=1.5).poll(5)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert lead(diagnosis) != SLUG


def at_work() -> tuple[Cable, Station, Session]:
    """A session is polled, and the PC's system never checks anything."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    return plant, pc, session


@told_or_not
def test_found_by_the_silence_of_all_where_each_break_cuts_the_session(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, session = at_work()
    for _ in range(3):
        plant.goes_down_unsaid()
        session.send(b"\0\1\0\0\0\6\1\3\0\0\0\1", after=0.1)
        session.fin(pc)
        session.rst(session.server_station)
        session = plant.tcp(pc, session.server_station).open(after=1)
        session.poll(5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert (finding.values["starts"], finding.values["sessions"]) == (3, 3)
    assert finding.values["silent"] == pytest.approx(4.0, abs=0.8)


@told_or_not
def test_found_by_the_silence_of_all_where_the_session_stands_still(
    controllers: tuple[str, ...],
) -> None:
    plant, _, session = at_work()
    for _ in range(3):
        plant.goes_down_unsaid()
        session.poll(8)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.WARNING
    assert (finding.values["starts"], finding.values["stood"]) == (3, 1)
    assert diagnosis.status == 0


def breaks_between_sessions(sign: bool) -> Cable:
    """Each session is closed before the link breaks; the PC may announce itself when it is back."""
    plant, pc, unit = begun()
    for _ in range(4):
        session = plant.tcp(pc, unit).open()
        session.poll(8, every=1.0)
        session.close()
        plant.goes_down_unsaid()
        plant.wait(0.1)
        if sign:
            plant.announce(pc, times=1)
        plant.wait(1)
    return ended(plant)


def test_found_as_a_note_where_the_pc_announces_itself_behind_a_silence_of_all() -> None:
    diagnosis = diagnosed(breaks_between_sessions(sign=True), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["starts"]) == (Level.NOTE, 4)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]


def test_quiet_where_all_are_silent_between_sessions_and_the_pc_sends_nothing_behind() -> None:
    assert_healthy(diagnosed(breaks_between_sessions(sign=False), TOLD))


def test_quiet_where_a_program_pauses_and_nobody_else_speaks() -> None:
    plant, _, session = at_work()
    for _ in range(3):
        plant.wait(4)
        session.poll(8)
    assert_healthy(diagnosed(plant, TOLD))


def test_quiet_where_a_program_pauses_and_others_are_heard() -> None:
    plant, _, session = at_work()
    for _ in range(3):
        plant.wait(4)
        session.poll(8)
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_pc_slept_between_two_pieces_of_work() -> None:
    plant, pc, session = at_work()
    for _ in range(3):
        session.close(after=0.3)
        plant.goes_down_unsaid(20)
        session = plant.tcp(pc, session.server_station).open()
        session.poll(8)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_others_are_missed_at_other_times_too() -> None:
    plant, _, session = at_work()
    for _ in range(3):
        plant.goes_down_unsaid()
        session.poll(12)
        plant.others_speak()
        session.poll(12)
        plant.up_since = plant.now
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_other_answers_the_pc() -> None:
    """A second controller that is polled with the first stops with it: the program pauses."""
    plant, pc, session = at_work()
    second = plant.tcp(pc, DRIVE).open()
    for _ in range(3):
        plant.goes_down_unsaid()
        for _ in range(8):
            session.poll(1)
            second.poll(1)
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_link_broke_once() -> None:
    plant, _, session = at_work()
    plant.goes_down_unsaid()
    session.poll(8)
    assert_healthy(diagnosed(ended(plant), TOLD))


@pytest.mark.parametrize(("every", "told"), [(1.0, True), (2.5, False)])
def test_a_program_is_at_work_where_it_asks_every_two_seconds(every: float, told: bool) -> None:
    plant, _, session = at_work()
    session.poll(20, every=every)
    for _ in range(3):
        plant.goes_down_unsaid()
        session.poll(8, every=every)
    assert (SLUG in slugs(diagnosed(ended(plant), TOLD))) is told


@told_or_not
def test_quiet_when_the_pc_is_plugged_in(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = connected()
    plant.tcp(pc, unit).open().poll(5)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_when_leases_are_renewed() -> None:
    plant, pc, unit = connected()
    router = plant.station("192.0.2.1")
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(10)
        plant.dhcp("request", pc, pc.address, server=router, renew=True, after=2)
        plant.dhcp("ack", pc, pc.address, server=router)
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_when_the_pc_takes_other_addresses() -> None:
    plant, pc, unit = connected()
    for last in (16, 17, 18):
        plant.wait(5)
        again = Station(f"192.0.2.{last}", pc.hw, is_pc=True)
        plant.probe(again)
        plant.announce(again, after=2)
        plant.resolve(again, unit, after=1)
        plant.tcp(again, unit).open().poll(2)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_when_the_pc_announces_itself_from_time_to_time() -> None:
    plant, pc, unit = connected()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.poll(10)
        plant.announce(pc, after=3)
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_after_sleep() -> None:
    plant, pc, unit = connected()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.5)
        session.poll(5)
        plant.goes_down(pc, seconds=600)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_when_another_station_is_plugged_in_again_and_again() -> None:
    plant, pc, unit = connected()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.poll(8)
        plant.link_up(DRIVE)
        plant.wait(3)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), TOLD))


def test_quiet_on_a_link_without_hardware_addresses() -> None:
    plant, pc, unit = connected()
    for _ in range(3):
        cut(plant, plant.tcp(pc, unit).open(after=1.5))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD, link_type=101))


@pytest.mark.parametrize(("seconds", "told"), [(58, True), (61, False)])
def test_a_minute_of_silence_is_no_break_but_sleep(seconds: float, told: bool) -> None:
    plant, pc, unit = connected()
    for _ in range(2):
        plant.tcp(pc, unit).open(after=1.5).poll(5)
        plant.goes_down(pc, seconds=seconds)
    assert (SLUG in slugs(diagnosed(ended(plant), TOLD))) is told


@pytest.mark.parametrize(("after", "level"), [(9, Level.FAULT), (11, Level.WARNING)])
def test_a_reset_belongs_to_the_break_before_it_for_some_seconds(
    after: float, level: Level
) -> None:
    plant, pc, unit = connected()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.5)
        cut(plant, session)
        session.send(b"\0\1\0\0\0\6\1\3\0\0\0\1", after=0.5)
        session.rst(unit, bare=True, after=plant.up_since + after - plant.now)
    plant.tcp(pc, unit).open(after=1.5).poll(3)
    assert found(diagnosed(ended(plant), TOLD), SLUG).level is level


@pytest.mark.parametrize(("stays", "level"), [(29, Level.FAULT), (32, Level.NOTE)])
def test_a_stretch_is_long_enough_to_connect_in_half_a_minute(stays: float, level: Level) -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.goes_down(pc, seconds=2.0)
        plant.ask(pc, unit, after=1.0)
        plant.wait(5)
    plant.wait(plant.up_since + stays - plant.now)
    plant.others_speak()
    assert found(diagnosed(plant, TOLD), SLUG).level is level


def test_quiet_about_the_fault_where_a_session_ended_well_between_the_breaks() -> None:
    plant, pc, unit = connected()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.5)
        session.poll(3)
        session.close(after=0.5)
        plant.goes_down(pc)
    plant.tcp(pc, unit).open(after=1.5).poll(3)
    assert found(diagnosed(ended(plant), TOLD), SLUG).level is Level.NOTE


def test_other_things_come_first_where_breaks_come_at_odd_times() -> None:
    plant, pc, unit = connected()
    for polls in (10, 40, 20, 60):
        plant.tcp(pc, unit).open(after=1.5).poll(polls)
        plant.goes_down(pc)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert finding.likely_causes[0] != RULE.likely_causes[POWER_SAVING]


def test_quiet_without_a_clear_pc() -> None:
    plant, _, _ = begun()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_calls_that_never_opened_are_not_cut() -> None:
    plant, pc, unit = connected()
    for _ in range(3):
        plant.tcp(pc, unit).syn(after=1.5)
        plant.wait(31)
        plant.goes_down(pc)
    assert found(diagnosed(ended(plant), TOLD), SLUG).values["sessions"] == 0


def test_a_reset_before_every_break_is_none_of_them() -> None:
    plant, pc, unit = connected()
    session = plant.tcp(pc, unit).open(after=1.5)
    session.poll(5)
    session.rst(unit)
    for _ in range(2):
        plant.wait(5)
        plant.goes_down(pc)
    assert found(diagnosed(ended(plant), TOLD), SLUG).values["sessions"] == 0


def test_a_reset_of_a_session_from_after_the_break_is_no_cut() -> None:
    plant, pc, unit = connected()
    for _ in range(2):
        plant.wait(5)
        plant.goes_down(pc)
        session = plant.tcp(pc, unit).open(after=1.0)
        session.rst(unit)
    assert found(diagnosed(ended(plant), TOLD), SLUG).values["sessions"] == 0
