"""vlan-mismatch: the PC's port is in another VLAN than the controller."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, State
from analyzer.findings import Certainty, Level
from analyzer.linkup import Stage
from captures.plant import Plant, Station
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "vlan-mismatch"
SWITCH = Station("192.0.2.5", "00:00:5e:00:53:05")
DRIVES = [Station(f"198.51.100.{n}", f"00:00:5e:00:53:{n}") for n in (31, 32, 33)]


def asks(plant: Plant, pc: Station, unit: Station, answered_in: int | None = None) -> None:
    """The PC asks three times; the controller answers with a tag, or not at all."""
    for _ in range(3):
        plant.ask(pc, unit, times=1, after=1)
        if answered_in is not None:
            with plant.tagged(answered_in):
                plant.reply(unit, pc)


def tagged_chatter(plant: Plant, vlan: int, *stations: Station) -> None:
    plant.wait(8)
    with plant.tagged(vlan):
        plant.chatter(*stations)


@told_or_not
def test_found_as_shown_where_the_answers_have_a_tag(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit, answered_in=20)
    plant.wait(8)
    plant.lldp(SWITCH, vlan=10)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert (finding.values["vlans"], finding.values["frames"]) == ([20], 3)
    assert (finding.values["answers"], finding.values["answered_in"]) == (3, [20])
    assert (finding.values["port_vlan"], finding.values["in_port_vlan"]) == (10, True)
    assert (finding.values["beside"], finding.values["strangers"]) == ([], [])
    assert (finding.values["inside"], finding.values["only_tagged"]) == (0, 1)
    stages = {one.stage: one.state for one in diagnosis.outcomes[0].stages}
    assert stages[Stage.LINK] is State.FAILED
    assert stages[Stage.NEIGHBOUR] is State.NOT_REACHED
    assert finding.also_fits == []
    assert diagnosis.outcomes[0].stopped_at == "link"
    assert diagnosis.status == FAULT


def test_it_only_fits_where_the_pc_does_not_ask_again() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    with plant.tagged(20):
        plant.reply(unit, pc)
    plant.wait(8)
    plant.lldp(SWITCH, vlan=10)
    assert found(diagnosed(plant, TOLD), SLUG).certainty is Certainty.FITS


@told_or_not
def test_found_where_the_controller_is_heard_with_a_tag(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    with plant.tagged(20):
        plant.announce(unit)
        plant.announce(plant.station("192.0.2.20"))
    asks(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert list(map(str, finding.values["beside"])) == ["192.0.2.20"]
    assert finding.values["strangers"] == []


@told_or_not
def test_found_on_a_trunk_port(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    tagged_chatter(plant, 20)
    plant.meanwhile(2.0, lambda: plant.bpdu(SWITCH))
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    values = finding.values
    assert (values["answers"], values["only_others"], values["untagged"]) == (0, True, True)
    assert list(map(str, values["strangers"])) == ["192.0.2.20", "192.0.2.31"]


def test_found_where_the_pc_uses_another_tag() -> None:
    plant, pc, unit = begun()
    with plant.tagged(10):
        asks(plant, pc, unit)
    tagged_chatter(plant, 20)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (values["own_vlans"], values["untagged"]) == ([10], False)


def test_of_many_stations_with_a_tag_the_first_are_named() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    tagged_chatter(
        plant, 20, *(Station(f"192.0.2.{n}", f"00:00:5e:00:53:{n}") for n in range(31, 38))
    )
    values = found(diagnosed(plant, TOLD), SLUG).values
    assert (len(values["strangers"]), values["more"]) == (4, True)


def test_found_as_a_note_where_all_stations_are_in_other_networks() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    plant.wait(8)
    plant.chatter(*DRIVES)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == ["unanswered-arp", SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert (finding.values["inside"], finding.values["outside"]) == (0, 3)
    assert finding.what_happened.startswith("Of other networks, 3 stations can be heard.")


def test_found_as_a_note_where_tags_come_beside_the_pcs_own_network() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    tagged_chatter(plant, 20, *DRIVES)
    plant.chatter()
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == ["unanswered-arp", SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert (finding.values["inside"], finding.values["only_tagged"]) == (2, 0)


@told_or_not
@pytest.mark.parametrize("vlan", [1, 20])
def test_quiet_where_a_tagged_recording_works(vlan: int, controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    with plant.tagged(vlan):
        plant.resolve(pc, unit)
        plant.tcp(pc, unit).open().poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_only_answers_show_their_tag_and_it_works() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    with plant.tagged(20):
        plant.reply(unit, pc)
        session = plant.tcp(pc, unit)
    session.syn()
    with plant.tagged(20):
        session.syn_ack()
    session.ack()
    session.send(b"\0\1\0\0\0\6\1\3\0\0\0\1")
    with plant.tagged(20):
        session.send(b"\0\1\0\0\0\5\1\3\2\0\1", unit)
    session.ack()
    session.close(after=1)
    tagged_chatter(plant, 20)
    assert_healthy(diagnosed(plant, TOLD))


def test_quiet_where_a_router_leads_from_a_trunk_to_the_controllers_vlan() -> None:
    plant = Plant()
    pc, unit = plant.pc("198.51.100.15"), plant.station()
    router = plant.station("198.51.100.1")
    plant.wait(5)
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).open().poll(3)
    with plant.tagged(20):
        plant.announce(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_nothing_is_tried() -> None:
    plant, pc, unit = begun()
    plant.announce(pc)
    with plant.tagged(20):
        plant.announce(unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


def test_quiet_for_tags_that_only_have_a_priority() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    tagged_chatter(plant, 0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_pc_talks_with_a_tagged_station() -> None:
    plant, pc, unit = begun()
    panel = plant.station("192.0.2.20")
    plant.ask(pc, panel, times=1)
    with plant.tagged(20):
        plant.reply(panel, pc)
    plant.ping(pc, panel)
    with plant.tagged(20):
        plant.pong(panel, pc)
    asks(plant, pc, unit)
    tagged_chatter(plant, 20)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_for_tags_between_other_stations() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    with plant.tagged(20):
        for n in range(5):
            plant.ping(DRIVES[0], DRIVES[1], n, after=0.2)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_port_is_refused_with_tags_around() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    tagged_chatter(plant, 20)
    assert lead(diagnosed(plant, TOLD)) == "port-refused"
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_with_two_networks_in_one_vlan() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    plant.wait(8)
    plant.chatter(*DRIVES)
    plant.chatter(every=3.1)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_in_different_networks() -> None:
    plant = Plant()
    pc, unit = plant.pc("198.51.100.15"), plant.station()
    plant.wait(5)
    asks(plant, pc, unit)
    plant.wait(8)
    plant.chatter()
    assert slugs(diagnosed(plant, TOLD)) == ["subnet-mismatch"]


def test_quiet_where_all_stations_have_only_self_assigned_addresses() -> None:
    plant, pc, unit = begun()
    asks(plant, pc, unit)
    plant.wait(8)
    plant.chatter(*(Station(f"169.254.1.{n}", f"00:00:5e:00:53:{n}") for n in (31, 32, 33)))
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_found_in_a_recording_of_some_seconds_where_the_pc_repeats_itself() -> None:
    plant, pc, unit = begun()
    with plant.tagged(20):
        plant.announce(unit)
    asks(plant, pc, unit)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG, "stopped-early"]
    assert found(diagnosis, SLUG).certainty is Certainty.FITS
    assert diagnosis.status == FAULT


def test_quiet_where_the_recording_ends_right_behind_the_only_try() -> None:
    plant, pc, unit = begun()
    with plant.tagged(20):
        plant.announce(unit)
    plant.ask(pc, unit, times=1)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == ["stopped-early"]
    assert diagnosis.status == CANNOT_TELL
