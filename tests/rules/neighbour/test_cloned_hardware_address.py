"""cloned-hardware-address: two units seem to share one hardware address."""

from dataclasses import replace

from analyzer.diagnosis import FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Station, modbus_read
from tests.support import TOLD, acquainted, begun, diagnosed, ended, found, slugs, told_or_not

SLUG = "cloned-hardware-address"


def breaks(plant: Plant, pc: Station, unit: Station) -> None:
    """A ping is answered, the call after it is not."""
    plant.ping(pc, unit, after=1.0)
    plant.pong(unit, pc)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=3)


def speaks(plant: Plant, by: Station) -> None:
    for _ in range(3):
        plant.datagram(by, "192.0.2.255", 50000, 50000, b"running", after=1.0)


def received(plant: Plant, foreign: str) -> bytes:
    """The recording with direction marks; frames of one address came in, whoever sent them."""
    sender = bytes(int(part) for part in foreign.split("."))
    return layouts.pcapng(
        [
            replace(one, outbound=one.outbound and one.data[26:30] != sender)
            for one in ended(plant).records
        ]
    )


@told_or_not
def test_found_where_a_second_system_goes_on_while_the_controller_is_silent(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    breaks(plant, pc, unit)
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=128))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-60"
    assert str(finding.values["other"]) == "192.0.2.33"
    assert finding.values["packets"] == 3
    assert (str(finding.values["unit"]), finding.values["since"] > 0) == ("192.0.2.60", True)


def test_found_where_a_session_breaks_off() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(after=pause)
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=255))
    assert SLUG in slugs(diagnosed(ended(plant), TOLD))


@told_or_not
def test_found_where_frames_of_the_pcs_hardware_address_come_in(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.16", pc.hw, ttl=128))
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(received(plant, "192.0.2.16"), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-15"
    assert str(finding.values["other"]) == "192.0.2.16"
    assert (str(finding.values["unit"]), finding.values["since"]) == ("192.0.2.15", 0.0)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "neighbour")
    assert diagnosis.status == FAULT


def test_found_as_a_warning_where_the_pc_has_no_trouble_yet() -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.16", pc.hw, ttl=128))
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(received(plant, "192.0.2.16"), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_quiet_about_frames_of_the_pc_that_come_back() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    sent = plant.datagram(pc, "192.0.2.255", 50000, 50000, b"here", after=1.0)
    records = ended(plant).records
    at = next(n for n, one in enumerate(records) if one.data == sent.data)
    back = replace(records[at], time=records[at].time + 5_000_000, outbound=False)
    records = sorted([*records, back], key=lambda record: record.time)
    assert slugs(diagnosed(layouts.pcapng(records), TOLD)) == []


def test_quiet_about_a_guest_that_sends_with_the_pcs_hardware_address() -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.16", pc.hw, ttl=64, is_pc=True))
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant).pcapng(), TOLD)) == ["port-silent"]


def test_quiet_about_one_device_with_two_addresses() -> None:
    plant, pc, unit = acquainted()
    breaks(plant, pc, unit)
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=unit.ttl))
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_where_the_controller_never_sends_as_itself() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4), after=3)
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=128))
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_where_the_link_up_has_no_trouble() -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=128))
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_the_second_address_went_silent_too() -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.33", unit.hw, ttl=128))
    breaks(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_about_a_router_with_the_controller_behind_it() -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1", ttl=255)
    plant.ask(pc, unit, times=1)
    plant.reply(router, pc, for_ip=unit.address)
    plant.ping(pc, unit, via=router)
    plant.pong(unit, pc, via=router)
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2, 4), after=3)
    speaks(plant, router)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_device_with_many_addresses() -> None:
    plant, pc, unit = acquainted()
    breaks(plant, pc, unit)
    for number in (33, 34):
        speaks(plant, Station(f"192.0.2.{number}", unit.hw, ttl=128))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_recording_does_not_say_what_came_in() -> None:
    plant, pc, unit = acquainted()
    speaks(plant, Station("192.0.2.16", pc.hw, ttl=128))
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_the_station_taken_for_the_pc_sent_nothing() -> None:
    plant = Plant()
    far = plant.station("198.51.100.7")
    plant.wait(5)
    speaks(plant, far)
    diagnosis = diagnosed(plant.pcap(link_type=layouts.COOKED), pc="198.51.100.7")
    assert diagnosis.case.pc is not None
    assert SLUG not in slugs(diagnosis)


def test_quiet_about_loopback() -> None:
    plant = Plant()
    here, there = (
        Station(address, "00:00:00:00:00:00", is_pc=sends)
        for address, sends in (("127.0.0.1", True), ("127.0.0.2", False))
    )
    for _ in range(3):
        plant.datagram(here, there, 50000, 50000, b"hello", after=1.0)
        plant.datagram(there, here, 50000, 50000, b"hello")
    diagnosis = diagnosed(plant.pcap(link_type=layouts.COOKED))
    assert diagnosis.case.pc is not None
    assert SLUG not in slugs(diagnosis)
