"""late-forwarding: the switch port is still in its start-up delay when the PC tries."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from tests.support import TOLD, diagnosed, found, lead, slugs, told_or_not

SLUG = "late-forwarding"
DELAY = 30.0
"""Twice the forward delay of 15 s (IEEE 802.1D-1998 8.10)."""
SWITCH = Station("192.0.2.5", "00:00:5e:00:53:05")
DISCARDING, LEARNING, FORWARDING = 0x0C, 0x1C, 0x3C


def plugged_in(address: str = "192.0.2.15") -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(address, hw="00:00:5e:00:53:15"), plant.station()
    plant.link_up(pc)
    return plant, pc, unit


def trees(plant: Plant, since: float = 0.5) -> None:
    """The switch sends its spanning-tree frames over the whole story."""
    plant.meanwhile(2.0, lambda: plant.bpdu(SWITCH, fwddelay=15), first=since)


def rapid_trees(plant: Plant, opens: float) -> None:
    """The same in the rapid variant, whose frames state the port (IEEE 802.1D-2004 9.3.3)."""
    for n in range(int(plant.now / 2)):
        at = 0.5 + 2 * n
        state = FORWARDING if at > opens else LEARNING if at > opens / 2 else DISCARDING
        with plant.at(at):
            plant.bpdu(SWITCH, version=2, bpdutype=2, bpduflags=state, fwddelay=15)


def others_from(plant: Plant, opens: float) -> None:
    """Once the port is open, the others are heard."""
    end = plant.now
    for n in range(int((end - opens) / 1.7)):
        with plant.at(opens + n * 1.7):
            plant.announce(plant_station(n), times=1)


def plant_station(n: int) -> Station:
    last = (20, 31, 42)[n % 3]
    return Station(f"192.0.2.{last}", f"00:00:5e:00:53:{last}")


def gives_up(plant: Plant, pc: Station, unit: Station) -> None:
    for _ in range(3):
        plant.ask(pc, unit, after=2)


@told_or_not
def test_found_where_the_pc_gave_up_before_the_port_opened(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert finding.values["closed"] == pytest.approx(DELAY, abs=0.1)
    assert finding.values["delay"] == 15
    assert 0 < finding.values["early"] < DELAY
    assert diagnosis.outcomes[0].stopped_at == "link"
    assert diagnosis.status == FAULT


@told_or_not
def test_found_as_shown_where_the_switch_states_it(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    rapid_trees(plant, opens=DELAY)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_found_where_the_recording_ends_while_the_port_is_closed() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(8)
    trees(plant)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (values["opened"], values["early"]) == (False, 0.0)


def test_found_where_the_switch_itself_is_the_first_to_be_heard() -> None:
    """A switch has an address too: its other frames are no sign of its own port."""
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    with plant.at(DELAY + 1):
        plant.announce(SWITCH, times=1)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["closed"] == pytest.approx(DELAY + 1, abs=0.1)


def test_found_for_two_controllers() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.ask(pc, plant.station("192.0.2.61"), after=2)
    plant.wait(40)
    trees(plant)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant, [*TOLD, "192.0.2.61:502"])
    assert slugs(diagnosis) == [SLUG, SLUG]


@told_or_not
def test_found_where_the_pc_gave_itself_an_address_meanwhile(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in("169.254.7.15")
    for secs in (0, 4, 12):
        plant.dhcp("discover", pc, secs=secs, after=1 + secs / 2)
    plant.probe(pc, after=3)
    plant.announce(pc, after=2)
    plant.wait(25)
    plant.ask(pc, unit)
    plant.wait(10)
    trees(plant)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]


def test_found_where_only_an_address_was_looked_for() -> None:
    plant, pc, _ = plugged_in("169.254.7.15")
    for secs in (0, 4, 12):
        plant.dhcp("discover", pc, secs=secs, after=1 + secs / 2)
    plant.wait(40)
    trees(plant)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant)
    assert lead(diagnosis) == SLUG
    assert "self-assigned-address" not in slugs(diagnosis)


@told_or_not
def test_found_as_a_note_where_the_pc_went_on_and_got_through(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    for _ in range(6):
        plant.ask(pc, unit, after=2.5)
    plant.resolve(pc, unit, after=1)
    plant.tcp(pc, unit).open().poll(5)
    trees(plant)
    others_from(plant, DELAY)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    tried = [one.moment.seconds for one in finding.evidence if "tries" in one.text]
    assert 3 < tried[0] < tried[1] < finding.values["closed"]
    assert diagnosis.status == NO_FAULT


def test_quiet_where_others_are_heard_and_the_controller_is_late() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    others_from(plant, 1.0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_on_an_edge_port() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    others_from(plant, 3.0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


@pytest.mark.parametrize("times", [1, 3])
def test_quiet_where_the_pc_asked_again_afterwards_in_vain(times: int) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(20)
    plant.ask(pc, unit, times)
    plant.wait(10)
    trees(plant)
    others_from(plant, DELAY)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_address_server_is_still_silent_afterwards() -> None:
    plant, pc, unit = plugged_in("169.254.7.15")
    for secs in (0, 4, 12, 28, 60):
        plant.dhcp("discover", pc, secs=secs, after=1 + secs / 2)
    plant.ask(pc, unit)
    plant.wait(10)
    trees(plant)
    others_from(plant, DELAY)
    assert slugs(diagnosed(plant, TOLD)) == ["self-assigned-address"]


def test_quiet_where_nobody_but_the_switch_is_ever_heard() -> None:
    plant, pc, unit = plugged_in()
    for _ in range(10):
        gives_up(plant, pc, unit)
    trees(plant)
    plant.wait(8)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_link_was_up_before() -> None:
    plant = Plant()
    pc, unit = plant.pc("192.0.2.15", hw="00:00:5e:00:53:15"), plant.station()
    plant.wait(3)
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    others_from(plant, DELAY)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_without_spanning_tree() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    others_from(plant, DELAY)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_switch_asks_who_is_there() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(15)
    trees(plant)
    plant.meanwhile(10, lambda: plant.eapol(SWITCH), first=0.7)
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == "port-access-control"
    assert SLUG not in slugs(diagnosis)


def test_quiet_where_the_pc_had_to_log_in_first() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    with plant.at(10):
        plant.eapol(SWITCH)
    with plant.at(DELAY - 1):
        plant.eapol(SWITCH, "success")
    others_from(plant, DELAY)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_recording_ends_right_behind_the_only_try() -> None:
    plant, pc, unit = plugged_in()
    plant.wait(1)
    trees(plant)
    plant.ask(pc, unit, times=1)
    assert slugs(diagnosed(plant, TOLD)) == ["stopped-early"]


@pytest.mark.parametrize(("opens", "told"), [(26.5, True), (25.5, False)])
def test_the_port_may_have_come_up_some_seconds_before(opens: float, told: bool) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    others_from(plant, opens)
    assert (SLUG in slugs(diagnosed(plant, TOLD))) is told


@pytest.mark.parametrize(("opens", "told"), [(64.5, True), (65.5, False)])
def test_it_may_take_longer_until_somebody_speaks(opens: float, told: bool) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(70)
    trees(plant)
    others_from(plant, opens)
    assert (SLUG in slugs(diagnosed(plant, TOLD))) is told


@pytest.mark.parametrize(("frames", "told"), [(3, True), (2, False)])
def test_it_takes_some_spanning_tree_frames(frames: int, told: bool) -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    for n in range(frames):
        with plant.at(1 + 2 * n):
            plant.bpdu(SWITCH, fwddelay=15)
    others_from(plant, DELAY)
    assert (SLUG in slugs(diagnosed(plant, TOLD))) is told


def test_quiet_where_spanning_tree_was_only_heard_before_the_link_came_up() -> None:
    plant = Plant()
    pc, unit = plant.pc("192.0.2.15", hw="00:00:5e:00:53:15"), plant.station()
    plant.meanwhile(2.0, lambda: plant.bpdu(SWITCH, fwddelay=15), first=0)
    plant.wait(10)
    plant.meanwhile(2.0, lambda: plant.bpdu(SWITCH, fwddelay=15), first=0.5)
    plant.wait(3)
    plant.link_up(pc)
    gives_up(plant, pc, unit)
    plant.wait(30)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_found_at_the_frame_that_shows_the_port_open_and_at_the_tries() -> None:
    plant, pc, unit = plugged_in()
    first = plant.ask(pc, unit, times=1, after=2)
    last = plant.ask(pc, unit, times=2, after=2)
    plant.wait(40)
    trees(plant)
    others_from(plant, DELAY)
    finding = found(diagnosed(plant, TOLD), SLUG)
    lines = {one.text: one.moment for one in finding.evidence}
    opened = next(at for text, at in lines.items() if "port is open" in text)
    assert opened.seconds == pytest.approx(DELAY, abs=0.1)
    tried = [one.moment.frame for one in finding.evidence if "tries" in one.text]
    assert tried == [plant.number(first[0]), plant.number(last[-1])]


def test_the_last_delay_is_told_where_there_are_two() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40 - plant.now)
    again = plant.now
    plant.link_up(pc)
    gives_up(plant, pc, unit)
    plant.wait(40)
    trees(plant)
    for begin in (DELAY, again + DELAY):
        with plant.at(begin):
            plant.announce(plant_station(1), times=1)
    with plant.at(again + DELAY + 3):
        plant.announce(plant_station(2), times=1)
    finding = found(diagnosed(plant, TOLD), SLUG)
    assert finding.moment is not None
    assert finding.moment.seconds == pytest.approx(again, abs=0.1)


def test_quiet_without_a_clear_pc() -> None:
    plant = Plant()
    plant.wait(40)
    trees(plant)
    assert SLUG not in slugs(diagnosed(plant))
