"""filtered-recording: nothing that stations send by themselves is in the file."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.layouts import COOKED, RAW, Record
from captures.plant import Plant, Station
from tests.support import (
    TOLD,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "filtered-recording"


def only_tcp(plant: Plant) -> bytes:
    """As a recorder saves it that was told to keep TCP only."""
    kept = [one for one in plant.records if _is_tcp(one)]
    return layouts.pcap(kept)


def _is_tcp(record: Record) -> bool:
    at = layouts.network_header(record.data)
    return record.data[at - 2 : at] == b"\x08\x00" and record.data[at + 9] == 6


def polls(plant: Plant, pc: Station, unit: Station, times: int = 40) -> None:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(times)
    session.close(after=0.5)


@told_or_not
def test_found_where_the_calls_are_all_that_is_left(controllers: tuple[str, ...]) -> None:
    """Without the filter the controller is heard in ARP; with it, nothing at all seems to be."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16))
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(only_tcp(ended(plant, 20)), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert finding.values["seconds"] == pytest.approx(38, abs=0.1)
    assert (finding.values["frames"], finding.values["stations"]) == (10, 1)
    assert [str(one) for one in finding.values["unheard"]] == ["192.0.2.60"]
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_found_beside_a_refusal(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    for _ in range(5):
        session = plant.tcp(pc, unit)
        session.syn(after=9)
        session.refuse()
    diagnosis = diagnosed(only_tcp(ended(plant)), controllers)
    assert slugs(diagnosis) == ["port-refused", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == FAULT


def test_found_as_a_note_where_all_works_and_others_are_there() -> None:
    plant, pc, unit = begun()
    polls(plant, pc, unit)
    plant.tcp(plant.station("192.0.2.20"), unit).open().poll(3)
    diagnosis = diagnosed(only_tcp(ended(plant)))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == NO_FAULT


def test_found_where_no_attempt_at_the_controller_was_kept() -> None:
    plant, pc, unit = begun()
    polls(plant, pc, unit)
    assert slugs(diagnosed(only_tcp(ended(plant)), ["192.0.2.61"])) == ["no-attempt", SLUG]


def test_found_where_a_pair_is_left_and_one_of_two_link_ups_does_not_work() -> None:
    plant, pc, unit = begun()
    polls(plant, pc, unit)
    diagnosis = diagnosed(only_tcp(ended(plant)), [*TOLD, "192.0.2.61"])
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_quiet_where_a_pair_is_left_and_works() -> None:
    plant, pc, _ = begun()
    router, web = plant.station("192.0.2.1"), plant.station("203.0.113.9")
    plant.tcp(pc, web, port=443, via=router).open().poll(40)
    diagnosis = diagnosed(only_tcp(plant))
    assert [str(one.linkup.controller) for one in diagnosis.outcomes] == ["203.0.113.9"]
    assert SLUG not in slugs(diagnosis)


@told_or_not
def test_quiet_on_a_direct_cable_where_the_controller_was_known_before(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    polls(plant, pc, unit)
    assert_healthy(diagnosed(only_tcp(plant), controllers))


def test_quiet_on_a_direct_cable_with_one_question_long_before() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16, 32))
    plant.wait(6)
    plant.ping(pc, unit)
    assert SLUG not in slugs(diagnosed(plant))


@pytest.mark.parametrize("broadcasts", [1, 5])
def test_quiet_where_a_broadcast_is_there(broadcasts: int) -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16))
    for _ in range(broadcasts):
        plant.datagram(pc, "192.0.2.255", 50000, 50000, b"running", after=2)
    assert SLUG not in slugs(diagnosed(plant))


def test_quiet_where_only_switch_frames_and_multicasts_are_there() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16))
    plant.bpdu(plant.station("192.0.2.5"), after=8)
    assert lead(diagnosed(plant)) == "port-silent"
    assert SLUG not in slugs(diagnosed(plant))


@told_or_not
def test_quiet_for_a_short_recording(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8))
    plant.wait(8)
    assert SLUG not in slugs(diagnosed(only_tcp(plant), controllers))


def test_quiet_where_a_clock_jump_makes_it_look_long() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    plant.step_clock(400 * 86400)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    assert SLUG not in slugs(diagnosed(plant))


@pytest.mark.parametrize("link_type", [RAW, COOKED])
def test_quiet_where_the_layer_carries_or_shows_no_broadcast(link_type: int) -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4, 8, 16))
    assert SLUG not in slugs(diagnosed(plant, link_type=link_type))


@told_or_not
def test_quiet_for_a_whole_recording(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    polls(plant, pc, unit)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_without_frames() -> None:
    assert SLUG not in slugs(diagnosed(Plant()))
