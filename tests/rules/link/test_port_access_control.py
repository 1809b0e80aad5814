"""port-access-control: the switch asks who is there, or has shut the port."""

import pytest

from analyzer.diagnosis import FAULT
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from rules.link.port_access_control import NOT_LOGGED_IN, RULE, SECOND_ADDRESS
from tests import raw
from tests.support import TOLD, assert_healthy, diagnosed, found, lead, slugs, told_or_not

SLUG = "port-access-control"
SWITCH = Station("192.0.2.5", "00:00:5e:00:53:05")
GUEST = Station("192.0.2.16", "02:00:5e:00:53:16", is_pc=True)


def plugged_in(address: str = "192.0.2.15") -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(address, hw="00:00:5e:00:53:15"), plant.station()
    plant.link_up(pc)
    return plant, pc, unit


def gives_up(plant: Plant, pc: Station, unit: Station) -> None:
    for _ in range(3):
        plant.ask(pc, unit, after=2)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, after=8)


def asks(plant: Plant) -> None:
    plant.meanwhile(30.0, lambda: plant.eapol(SWITCH), first=0.5)


@told_or_not
@pytest.mark.parametrize("again", [1, 4])
def test_found_where_the_switch_asks_and_forwards_nothing(
    again: int, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = plugged_in()
    for _ in range(again):
        gives_up(plant, pc, unit)
    asks(plant)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert finding.values["asked"] == 1 + int((plant.now - 0.5) / 30)
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-15"
    assert 0 < finding.values["from"] < finding.values["to"] < plant.now
    assert finding.values["refused"] == 0
    assert diagnosis.outcomes[0].stopped_at == "link"
    assert diagnosis.status == FAULT


@told_or_not
def test_found_as_shown_where_the_switch_turns_the_pc_down(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    plant.eapol(pc, "start")
    plant.eapol(SWITCH)
    plant.eapol(pc, "response")
    refusal = plant.eapol(SWITCH, "failure", after=0.5)
    gives_up(plant, pc, unit)
    plant.meanwhile(2.0, lambda: plant.bpdu(SWITCH), first=0.7)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (finding.values["asked"], finding.values["refused"]) == (1, 1)
    assert plant.number(refusal) in [line.moment.frame for line in finding.evidence]


def test_found_where_a_log_in_is_refused_later_on() -> None:
    plant, pc, unit = plugged_in()
    plant.eapol(SWITCH)
    plant.eapol(SWITCH, "success", after=0.3)
    plant.resolve(pc, unit, after=1)
    plant.wait(10)
    plant.eapol(SWITCH)
    plant.wait(5)
    plant.chatter()
    plant.eapol(SWITCH, "failure")
    gives_up(plant, pc, unit)
    assert lead(diagnosed(plant, TOLD)) == SLUG


def test_found_where_only_an_address_was_looked_for() -> None:
    plant, pc, _ = plugged_in("169.254.7.15")
    for secs in (0, 4, 12):
        plant.dhcp("discover", pc, secs=secs, after=1 + secs / 2)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, after=10)
    asks(plant)
    diagnosis = diagnosed(plant)
    assert lead(diagnosis) == SLUG
    assert "self-assigned-address" not in slugs(diagnosis)


@told_or_not
def test_found_where_a_second_address_shuts_the_port(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    plant.resolve(pc, unit, after=5)
    plant.chatter(every=0.9)
    plant.announce(GUEST, times=1)
    for _ in range(3):
        plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=1)
    plant.wait(8)
    plant.datagram(pc, "224.0.0.251", 5353, 5353)
    octets = plant.pcapng(name="cable", hw=pc.hw)
    diagnosis = diagnosed(octets, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.certainty, finding.values["guests"]) == (Certainty.FITS, 1)
    assert finding.likely_causes[0] == RULE.likely_causes[SECOND_ADDRESS]


@told_or_not
def test_quiet_on_an_open_port_that_asks(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = plugged_in()
    plant.resolve(pc, unit, after=2)
    plant.tcp(pc, unit).open().poll(40)
    asks(plant)
    assert_healthy(diagnosed(plant, controllers))


def test_quiet_on_an_open_port_where_the_controller_is_off() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    asks(plant)
    plant.chatter()
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_after_success() -> None:
    plant, pc, unit = plugged_in()
    plant.eapol(SWITCH)
    plant.eapol(SWITCH, "failure", after=0.3)
    plant.eapol(SWITCH, after=1)
    plant.eapol(SWITCH, "success", after=0.3)
    gives_up(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_for_the_keys_of_a_wireless_network() -> None:
    plant, pc, unit = plugged_in()
    for n in range(4):
        key = raw.ethernet(bytes([2, 3, 0, 95, 2, 0, n]) + bytes(92), 0x888E, "020000000001")
        plant.raw(key, after=0.1)
    gives_up(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_for_requests_to_another_station() -> None:
    plant, pc, unit = plugged_in()
    asks_other = raw.ethernet(
        bytes.fromhex("02000005 0101000501"), 0x888E, "00005e005305", raw.OTHER_HW
    )
    plant.raw(asks_other.ljust(60, b"\0"), after=0.5)
    gives_up(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_nobody_tries() -> None:
    plant, _, _ = plugged_in()
    plant.wait(60)
    asks(plant)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_pc_tried_long_before() -> None:
    plant, pc, unit = plugged_in()
    gives_up(plant, pc, unit)
    plant.wait(40)
    plant.chatter()
    plant.eapol(SWITCH)
    plant.eapol(SWITCH, "failure")
    plant.wait(10)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


@pytest.mark.parametrize(
    ("times", "expected"), [(3, [SLUG, "stopped-early"]), (2, ["stopped-early"])]
)
def test_a_recording_of_some_seconds_tells_where_the_pc_repeats_itself(
    times: int, expected: list[str]
) -> None:
    plant, pc, unit = plugged_in()
    plant.eapol(SWITCH)
    plant.ask(pc, unit, times=times)
    plant.wait(1)
    assert slugs(diagnosed(plant, TOLD)) == expected


def test_quiet_where_a_guest_joins_and_the_cable_stays_alive() -> None:
    plant, pc, unit = plugged_in()
    plant.resolve(pc, unit, after=5)
    plant.announce(GUEST, times=1)
    plant.tcp(pc, unit).open().poll(20)
    assert_healthy(diagnosed(plant.pcapng(name="cable", hw=pc.hw), TOLD))


def test_quiet_where_all_was_silent_before_a_guest_joined() -> None:
    plant, pc, unit = plugged_in()
    plant.resolve(pc, unit, after=5)
    plant.announce(GUEST, times=1, after=20)
    for _ in range(3):
        gives_up(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(plant.pcapng(name="cable", hw=pc.hw), TOLD))


def joined(silent_before: float, busy_after: float, listens: float) -> Plant:
    """The PC and others speak, a guest joins after a pause, and then only the PC goes on."""
    plant, pc, unit = plugged_in()
    plant.resolve(pc, unit, after=5)
    plant.chatter(every=0.5)
    end = plant.now
    plant.wait(silent_before)
    plant.announce(GUEST, times=1)
    joined_at = plant.now
    with plant.at(joined_at + busy_after):
        plant.announce(unit, times=1) if busy_after else None
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=0.5)
    plant.wait(joined_at + listens - plant.now)
    plant.datagram(pc, "224.0.0.251", 5353, 5353)
    assert end < joined_at
    return plant


@pytest.mark.parametrize(
    ("silent_before", "busy_after", "listens", "told"),
    [
        (9.0, 0.0, 20.0, True),
        (11.0, 0.0, 20.0, False),
        (1.0, 1.8, 20.0, True),
        (1.0, 2.4, 20.0, False),
        (1.0, 0.0, 15.2, True),
        (1.0, 0.0, 14.2, False),
    ],
)
def test_a_shut_port_is_silent_at_once_and_for_long(
    silent_before: float, busy_after: float, listens: float, told: bool
) -> None:
    plant = joined(silent_before, busy_after, listens)
    octets = plant.pcapng(name="cable", hw="00:00:5e:00:53:15")
    assert (SLUG in slugs(diagnosed(octets, TOLD))) is told


@pytest.mark.parametrize(("after", "told"), [(9.0, True), (11.0, False)])
def test_a_try_some_seconds_before_the_switch_asks_counts(after: float, told: bool) -> None:
    plant, pc, unit = plugged_in()
    plant.ask(pc, unit, times=1)
    plant.eapol(SWITCH, after=after)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, after=8)
    assert (SLUG in slugs(diagnosed(plant, TOLD))) is told


def test_found_with_the_time_since_the_switch_asked_first() -> None:
    plant, pc, unit = plugged_in()
    plant.wait(10)
    plant.eapol(SWITCH)
    asked = plant.now
    gives_up(plant, pc, unit)
    finding = found(diagnosed(plant, TOLD), SLUG)
    assert finding.values["span"] == pytest.approx(plant.now - asked, abs=0.1)
    assert finding.likely_causes[0] == RULE.likely_causes[NOT_LOGGED_IN]


def test_quiet_without_a_clear_pc() -> None:
    plant = Plant()
    plant.eapol(SWITCH, after=1)
    plant.wait(20)
    plant.eapol(SWITCH)
    assert SLUG not in slugs(diagnosed(plant))
