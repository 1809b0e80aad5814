"""third-party-recording: the recorder stood beside the PC and the controller."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.layouts import RAW, Record
from captures.plant import Plant, Station
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "third-party-recording"
CLIENT, UNIT = "192.0.2.15", "192.0.2.60"


def aside(recorder_speaks: bool = True) -> tuple[Plant, Station, Station]:
    """The PC that connects and the controller, both heard by a recorder that is neither."""
    plant = Plant()
    if recorder_speaks:
        recorder = plant.pc("192.0.2.99")
        plant.resolve(recorder, plant.station("192.0.2.1"), after=1)
        plant.datagram(recorder, "192.0.2.255", 50000, 50000, b"who", after=2)
    client, unit = plant.station(CLIENT, ttl=128), plant.station(UNIT)
    plant.wait(5)
    return plant, client, unit


def conversation(plant: Plant, client: Station, unit: Station) -> None:
    plant.resolve(client, unit)
    session = plant.tcp(client, unit).open()
    session.poll(4)
    session.close(after=0.5)


def without(plant: Plant, sender: Station) -> list[Record]:
    """As a mirror port gives it that leaves one direction out."""
    hardware = layouts.octets(sender.hw)
    return [one for one in plant.records if one.data[6:12] != hardware or one.data[0] & 1]


def test_found_where_two_others_have_the_named_controller() -> None:
    """The user says that the recorder is the PC."""
    plant, client, unit = aside()
    conversation(plant, client, unit)
    conversation(plant, plant.station("192.0.2.20"), unit)
    diagnosis = diagnosed(ended(plant), TOLD, pc="192.0.2.99")
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert (str(finding.values["client"]), str(finding.values["controller"])) == (CLIENT, UNIT)
    assert (finding.values["there"], finding.values["back"]) == (12, 6)
    assert diagnosis.status == CANNOT_TELL


def test_found_where_the_recorder_has_no_address() -> None:
    plant, client, unit = aside(recorder_speaks=False)
    plant.dhcp("discover", plant.pc("192.0.2.99"))
    conversation(plant, client, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == [SLUG]


def test_quiet_where_a_guest_makes_it_unclear_which_of_two_recorded() -> None:
    plant, client, unit = aside()
    guest = plant.pc("192.0.2.98")
    for _ in range(3):
        plant.datagram(guest, "192.0.2.255", 50000, 50000, b"who", after=1)
    conversation(plant, client, unit)
    conversation(plant, plant.station("192.0.2.20"), plant.station("192.0.2.31"))
    diagnosis = diagnosed(ended(plant))
    assert diagnosis.case.pc is None
    assert SLUG not in slugs(diagnosis)
    assert len(diagnosis.outcomes) == 2


def test_found_as_a_note_in_passing_where_no_controller_was_named() -> None:
    plant, client, unit = aside()
    conversation(plant, client, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == CANNOT_TELL


@pytest.mark.parametrize("recorder_speaks", [True, False])
def test_found_as_a_note_where_a_mirror_port_shows_both_ends(recorder_speaks: bool) -> None:
    plant, client, unit = aside(recorder_speaks)
    conversation(plant, client, unit)
    diagnosis = diagnosed(ended(plant), TOLD, pc=CLIENT)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_beside_the_fault_that_the_mirror_port_shows() -> None:
    plant, client, unit = aside()
    plant.resolve(client, unit)
    session = plant.tcp(client, unit)
    session.syn()
    session.refuse()
    diagnosis = diagnosed(ended(plant), TOLD, pc=CLIENT)
    assert slugs(diagnosis) == ["port-refused", SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == FAULT


@pytest.mark.parametrize("recorder_speaks", [True, False])
def test_found_at_an_ordinary_port_and_no_silence_is_believed(recorder_speaks: bool) -> None:
    """Only the PC's broadcasts are there: the reply went to the PC alone."""
    plant, client, unit = aside(recorder_speaks)
    plant.ask(client, unit)
    diagnosis = diagnosed(ended(plant), TOLD, pc=CLIENT)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.WARNING
    assert (finding.values["there"], finding.values["back"]) == (0, 0)
    assert diagnosis.status == CANNOT_TELL


def test_found_where_one_direction_is_mirrored() -> None:
    plant, client, unit = aside()
    conversation(plant, client, unit)
    diagnosis = diagnosed(layouts.pcap(without(ended(plant), unit)), TOLD, pc=CLIENT)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert (finding.values["there"], finding.values["back"]) == (12, 0)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]  # it confirms answers


def test_found_where_the_recording_marks_the_pc_as_received() -> None:
    plant, client, unit = aside()
    session = plant.tcp(client, unit)
    session.syn(repeats=(1, 2))
    octets = ended(plant).pcapng(name="cable")
    finding = found(diagnosed(octets, TOLD, pc=CLIENT), SLUG)
    assert (finding.level, finding.values["there"]) == (Level.WARNING, 3)


@told_or_not
def test_quiet_where_the_pc_recorded_itself(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    conversation(plant, pc, unit)
    assert_healthy(diagnosed(ended(plant), controllers))
    assert_healthy(diagnosed(plant, controllers, pc=CLIENT))


@told_or_not
def test_quiet_where_the_pc_overhears_others_beside_its_own(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    conversation(plant, plant.station("192.0.2.20"), unit)
    conversation(plant, pc, unit)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_pc_tries_in_vain_and_overhears_others() -> None:
    plant, pc, unit = acquainted()
    conversation(plant, plant.station("192.0.2.20"), unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_where_one_direction_of_the_pcs_own_recording_is_missing() -> None:
    plant, pc, unit = acquainted()
    conversation(plant, pc, unit)
    own = [record for record in ended(plant).records if record.outbound]
    assert SLUG not in slugs(diagnosed(layouts.pcap(own), TOLD))


def test_quiet_where_no_frame_is_padded() -> None:
    """As on a network between virtual machines."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station(UNIT)
    unit.is_pc = True
    plant.wait(5)
    conversation(plant, pc, unit)
    plant.wait(6)
    assert SLUG not in slugs(diagnosed(plant, TOLD, pc=CLIENT))


def test_quiet_where_others_only_use_office_services() -> None:
    plant, client, unit = aside()
    plant.tcp(client, unit, port=443).open().poll(2)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_others_are_connected_to_another_controller() -> None:
    plant, client, unit = aside()
    conversation(plant, client, unit)
    assert slugs(diagnosed(ended(plant), ["192.0.2.61"])) == ["no-attempt"]


def test_quiet_where_it_is_unclear_who_recorded() -> None:
    plant, client, unit = aside(recorder_speaks=False)
    conversation(plant, client, unit)
    conversation(plant, plant.station("192.0.2.20"), plant.station("192.0.2.31"))
    diagnosis = diagnosed(ended(plant))
    assert diagnosis.case.pc is None
    assert SLUG not in slugs(diagnosis)


def test_quiet_without_hardware_addresses() -> None:
    plant, pc, unit = acquainted()
    conversation(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD, link_type=RAW))


def test_quiet_without_frames() -> None:
    assert SLUG not in slugs(diagnosed(Plant(), TOLD, pc=CLIENT))


@told_or_not
def test_quiet_on_loopback_that_the_system_marks_as_received(controllers: tuple[str, ...]) -> None:
    plant = Plant()
    here = Station("127.0.0.1", "00:00:00:00:00:00")
    plant.tcp(here, Station("127.0.0.2", here.hw)).open().poll(5)
    octets = plant.pcap(link_type=layouts.COOKED)
    octets = octets.replace(bytes((127, 0, 0, 2)), bytes((127, 0, 0, 1)))
    told = [one.replace(UNIT, "127.0.0.1") for one in controllers]
    diagnosis = diagnosed(octets, told)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert SLUG not in slugs(diagnosis)
