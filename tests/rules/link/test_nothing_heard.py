"""nothing-heard: only the PC's own frames are recorded while it tries."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, State, Verdict
from analyzer.findings import Certainty
from captures import layouts
from captures.plant import Plant, Station
from rules.link.nothing_heard import RULE
from tests.support import TOLD, diagnosed, found, lead, slugs, told_or_not

SLUG = "nothing-heard"


def begun(address: str = "192.0.2.15") -> tuple[Plant, Station]:
    """The PC is plugged in, and sends what PCs send then."""
    plant = Plant()
    pc = plant.pc(address, hw="00:00:5e:00:53:15")
    plant.link_up(pc)
    plant.wait(3)
    return plant, pc


def ended(plant: Plant, pc: Station, after: float = 8) -> Plant:
    """The PC itself is the last one to be recorded."""
    plant.wait(after)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, b"who")
    return plant


def asks(plant: Plant, pc: Station) -> None:
    plant.ask(pc, "192.0.2.60")
    plant.ask(pc, "192.0.2.60", after=3)


def calls(plant: Plant, pc: Station) -> None:
    unit = Station("192.0.2.60", "00:00:5e:00:53:60")
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))


def sends(plant: Plant, pc: Station) -> None:
    unit = Station("192.0.2.60", "00:00:5e:00:53:60")
    plant.datagram(pc, unit, 50000, 47808, b"who")


def pings(plant: Plant, pc: Station) -> None:
    unit = Station("192.0.2.60", "00:00:5e:00:53:60")
    for turn in range(4):
        plant.ping(pc, unit, turn, after=1)


@told_or_not
@pytest.mark.parametrize("tries", [asks, calls, sends, pings])
def test_found_however_the_pc_tries(
    tries: Callable[[Plant, Station], None], controllers: tuple[str, ...]
) -> None:
    plant, pc = begun()
    tries(plant, pc)
    diagnosis = diagnosed(ended(plant, pc), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert finding.values["span"] == pytest.approx(plant.now, abs=0.1)
    assert str(finding.controller) == "192.0.2.60"
    assert finding.evidence
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "link")
    assert outcome.stages[0].state is State.FAILED
    assert diagnosis.status == FAULT


def test_found_once_for_several_addresses_that_are_tried() -> None:
    plant, pc = begun()
    for address in ("192.0.2.60", "192.0.2.1", "192.0.2.53"):
        plant.ask(pc, address, after=2)
    diagnosis = diagnosed(ended(plant, pc))
    assert slugs(diagnosis) == [SLUG]
    assert len(diagnosis.outcomes) == 3
    assert {one.stopped_at for one in diagnosis.outcomes} == {"link"}


@told_or_not
def test_found_where_the_pc_still_asks_at_the_end(controllers: tuple[str, ...]) -> None:
    plant, pc = begun()
    plant.ask(pc, "192.0.2.60", times=40)
    diagnosis = diagnosed(plant, controllers)
    assert lead(diagnosis) == SLUG
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_cable_was_pulled_before_the_attempt(controllers: tuple[str, ...]) -> None:
    plant, pc = begun()
    plant.wait(20)
    plant.chatter()
    begin = plant.now
    for _ in range(5):
        plant.ask(pc, "192.0.2.60", after=5)
    diagnosis = diagnosed(ended(plant, pc), controllers)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["span"] == pytest.approx(plant.now - begin, abs=2)
    assert diagnosis.outcomes[0].stopped_at == "link"


def test_found_where_a_guest_on_the_same_pc_is_recorded_too() -> None:
    plant, pc = begun()
    guest = plant.pc("192.0.2.16", hw="02:00:5e:00:53:16")
    plant.ask(guest, "192.0.2.1")
    plant.ask(pc, "192.0.2.60")
    octets = ended(plant, pc).pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24")
    assert lead(diagnosed(octets, TOLD)) == SLUG


def test_found_where_frames_are_recorded_twice() -> None:
    plant, pc = begun()
    asks(plant, pc)
    twice = [record for record in ended(plant, pc).records for _ in range(2)]
    assert slugs(diagnosed(layouts.pcap(twice), TOLD))[0] == SLUG


def test_found_with_a_doubt_where_the_recorder_lost_frames() -> None:
    plant, pc = begun()
    asks(plant, pc)
    ended(plant, pc)
    sure = found(diagnosed(plant.pcapng(hw=pc.hw, drops=0), TOLD), SLUG)
    doubtful = found(diagnosed(plant.pcapng(hw=pc.hw, drops=7), TOLD), SLUG)
    assert len(sure.also_fits) == len(RULE.also_fits)
    assert len(doubtful.also_fits) == len(RULE.also_fits) + 1


def test_found_with_a_doubt_where_the_recording_begins_with_the_attempt() -> None:
    plant = Plant()
    pc = plant.pc()
    asks(plant, pc)
    finding = found(diagnosed(ended(plant, pc), TOLD), SLUG)
    assert len(finding.also_fits) == len(RULE.also_fits) + 1


@told_or_not
def test_quiet_where_another_station_is_heard(controllers: tuple[str, ...]) -> None:
    plant, pc = begun()
    asks(plant, pc)
    ended(plant, pc)
    plant.chatter()
    diagnosis = diagnosed(plant, controllers)
    assert lead(diagnosis) == "unanswered-arp"


def test_quiet_where_a_single_frame_of_a_switch_is_heard() -> None:
    plant, pc = begun()
    asks(plant, pc)
    plant.bpdu(plant.station("192.0.2.5"))
    diagnosis = diagnosed(ended(plant, pc), TOLD)
    assert lead(diagnosis) != SLUG
    assert diagnosis.outcomes[0].stopped_at != "link"


@told_or_not
def test_quiet_while_a_quiet_network_is_silent_for_some_seconds(
    controllers: tuple[str, ...],
) -> None:
    plant, pc = begun()
    plant.wait(6)
    plant.chatter()
    calls(plant, pc)
    diagnosis = diagnosed(ended(plant, pc), controllers)
    assert SLUG not in slugs(diagnosis)


def test_quiet_on_a_direct_cable_where_nobody_tries() -> None:
    plant, pc = begun()
    diagnosis = diagnosed(ended(plant, pc, after=60))
    assert slugs(diagnosis) == ["no-attempt"]
    assert diagnosis.status == CANNOT_TELL
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == ["no-attempt"]
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_on_a_direct_cable_that_works(controllers: tuple[str, ...]) -> None:
    plant, pc = begun()
    unit = plant.station()
    plant.wait(40)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_where_a_switch_port_opens_after_its_delay(controllers: tuple[str, ...]) -> None:
    plant, pc = begun()
    unit = plant.station()
    for _ in range(6):
        plant.ask(pc, unit, after=4)
    plant.resolve(pc, unit, after=4)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == ["late-start"]


def test_quiet_with_a_self_assigned_address() -> None:
    plant, pc = begun("169.254.23.15")
    asks(plant, pc)
    assert lead(diagnosed(ended(plant, pc), TOLD)) == "self-assigned-address"


def test_quiet_in_different_networks() -> None:
    plant, pc = begun("198.51.100.15")
    asks(plant, pc)
    assert lead(diagnosed(ended(plant, pc), TOLD)) == "subnet-mismatch"


def test_found_in_a_recording_of_some_seconds_where_the_pc_repeats_itself() -> None:
    plant, pc = begun()
    plant.ask(pc, "192.0.2.60")
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG, "stopped-early"]
    assert diagnosis.status == FAULT


@pytest.mark.parametrize(("after", "expected"), [(4.8, "stopped-early"), (5.2, SLUG)])
def test_a_single_try_tells_after_some_seconds(after: float, expected: str) -> None:
    plant, pc = begun()
    sends(plant, pc)
    assert slugs(diagnosed(ended(plant, pc, after), TOLD)) == [expected]


def test_quiet_where_the_recording_lacks_the_other_direction() -> None:
    plant, pc = begun()
    unit = plant.station()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close()
    own = [record for record in ended(plant, pc).records if record.outbound]
    diagnosis = diagnosed(layouts.pcap(own), TOLD)
    assert lead(diagnosis) is None
    assert diagnosis.status == NO_FAULT  # the PC confirms more and more data


def test_quiet_where_the_other_direction_is_missing_for_one_of_two_controllers() -> None:
    plant, pc = begun()
    plant.tcp(pc, plant.station()).open().poll(2)
    plant.ask(pc, "192.0.2.61")
    own = [record for record in ended(plant, pc).records if record.outbound]
    assert SLUG not in slugs(diagnosed(layouts.pcap(own), [*TOLD, "192.0.2.61:502"]))


def test_quiet_on_a_link_without_hardware_addresses() -> None:
    plant, pc = begun()
    calls(plant, pc)
    assert SLUG not in slugs(diagnosed(ended(plant, pc), TOLD, link_type=layouts.RAW))


def test_quiet_where_the_cable_is_pulled_after_the_link_up() -> None:
    plant, pc = begun()
    unit = plant.station()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    diagnosis = diagnosed(ended(plant, pc, after=60), TOLD)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@pytest.mark.parametrize(("after", "told"), [(31, True), (29, False)])
def test_half_a_minute_tells_where_others_were_heard_before(after: float, told: bool) -> None:
    plant, pc = begun()
    plant.announce(plant.station("192.0.2.20"), times=1)
    heard = plant.now
    plant.wait(2)
    asks(plant, pc)
    ended(plant, pc, after=heard + after - plant.now)
    assert (SLUG in slugs(diagnosed(plant, TOLD))) is told


def test_quiet_where_the_recording_looks_filtered() -> None:
    plant, pc = Plant(), Station("192.0.2.15", "00:00:5e:00:53:15", is_pc=True)
    plant.wait(1)
    for _ in range(6):
        calls(plant, pc)
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_pc_talks_with_itself() -> None:
    plant = Plant()
    pc = Station("127.0.0.1", "00:00:00:00:00:00", is_pc=True)
    plant.wait(1)
    plant.tcp(pc, pc).syn(repeats=(1, 2, 4))
    plant.wait(8)
    plant.tcp(pc, pc).syn()
    assert SLUG not in slugs(diagnosed(plant))
