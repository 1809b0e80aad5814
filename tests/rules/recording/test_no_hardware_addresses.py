"""no-hardware-addresses: the link type of the recording has none."""

import struct

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, State, Verdict
from analyzer.findings import Level
from captures.layouts import COOKED, NULL, RAW
from captures.plant import Plant, Session
from tests.support import TOLD, diagnosed, found, lead, slugs, told_or_not

SLUG = "no-hardware-addresses"
RADIO = 127


def called() -> tuple[Plant, Session]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    return plant, plant.tcp(pc, unit)


def healthy() -> Plant:
    plant, session = called()
    session.open().poll(5)
    return ended(plant)


def ended(plant: Plant) -> Plant:
    plant.wait(7)
    plant.chatter()
    return plant


@told_or_not
@pytest.mark.parametrize("link_type", [RAW, NULL])
def test_found_as_a_note_where_the_link_up_works(
    link_type: int, controllers: tuple[str, ...]
) -> None:
    diagnosis = diagnosed(healthy(), controllers, link_type=link_type)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_found_as_a_warning_beside_a_refusal(controllers: tuple[str, ...]) -> None:
    plant, session = called()
    session.syn()
    session.refuse()
    diagnosis = diagnosed(ended(plant), controllers, link_type=RAW)
    assert slugs(diagnosis) == ["port-refused", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.outcomes[0].stopped_at == "port"
    assert diagnosis.status == FAULT


def test_found_as_a_warning_where_one_of_two_link_ups_does_not_work() -> None:
    diagnosis = diagnosed(healthy(), [*TOLD, "192.0.2.61"], link_type=RAW)
    assert found(diagnosis, SLUG).level is Level.WARNING


@told_or_not
def test_found_and_a_silent_tunnel_is_no_dead_cable(controllers: tuple[str, ...]) -> None:
    plant, session = called()
    session.syn(repeats=(1, 2))
    plant.wait(8)
    plant.datagram(session.client_station, "192.0.2.255", 50000, 50000, b"running")
    diagnosis = diagnosed(plant, controllers, link_type=RAW)
    assert SLUG in slugs(diagnosis)
    assert "nothing-heard" not in slugs(diagnosis)
    assert "nothing-heard" in [slug for slug, _ in diagnosis.unable]
    states = {one.stage.value: one.state for one in diagnosis.outcomes[0].stages}
    assert states["link"] is not State.FAILED
    assert states["neighbour"] is not State.FAILED


@told_or_not
def test_found_for_radio_frames_that_nobody_reads(controllers: tuple[str, ...]) -> None:
    octets = healthy().pcap()
    radio = octets[:20] + struct.pack("<I", RADIO) + octets[24:]
    diagnosis = diagnosed(radio, controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_on_a_cable_adapter_without_any_arp(controllers: tuple[str, ...]) -> None:
    plant, session = called()
    session.open().poll(5)
    plant.wait(7)
    assert slugs(diagnosed(plant, controllers)) == []


def test_quiet_for_all_adapters_together_with_addresses() -> None:
    diagnosis = diagnosed(healthy(), link_type=COOKED)
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == NO_FAULT


def test_quiet_for_tagged_frames() -> None:
    plant, session = called()
    with plant.tagged(0, priority=6):
        session.open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_for_a_file_without_frames() -> None:
    assert SLUG not in slugs(diagnosed(Plant(), link_type=RAW))


def test_quiet_where_the_link_up_stops_on_ethernet() -> None:
    plant, session = called()
    session.syn()
    session.refuse()
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == "port-refused"
    assert SLUG not in slugs(diagnosis)
