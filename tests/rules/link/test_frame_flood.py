"""frame-flood: broadcasts and multicasts fill the cable while the PC waits."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.layouts import Record
from captures.plant import Plant, Station
from rules.link.frame_flood import LOOP, NOT_A_LOOP, RULE, WORN_OUT
from tests import raw
from tests.support import (
    TOLD,
    acquainted,
    begun,
    diagnosed,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "frame-flood"
PANEL = Station("192.0.2.20", "00:00:5e:00:53:20")


def arp_of(station: Station, wanted: str) -> bytes:
    hardware = station.hw.replace(":", "")
    return raw.arp_frame(1, hardware, station.address, wanted).ljust(60, b"\0")


def loop(plant: Plant, begin: float, end: float) -> None:
    """Three broadcasts turn in a loop, one behind the other: 1,500 frames a second."""
    turning = [arp_of(PANEL, f"192.0.2.{n}") for n in (31, 32, 33)]
    for n in range(round((end - begin) * 1500)):
        with plant.at(begin + n // 3 * 0.002 + n % 3 * 0.00005):
            plant.raw(turning[n % 3], after=0)


def datagram(n: int, kind: int = 0x0800) -> bytes:
    packet = raw.ipv4(raw.udp(n.to_bytes(32)), src="192.0.2.20", dst="192.0.2.255", id=n & 0xFFFF)
    return raw.ethernet(packet, kind, "00005e005320", raw.BROADCAST_HW)


def copying(plant: Plant, begin: float, end: float) -> None:
    """Somebody sends a picture of a disk to all: bursts of 15 datagrams, 1,200 a second."""
    for n in range(round((end - begin) * 1200)):
        with plant.at(begin + n // 15 * 0.0125 + n % 15 * 0.00005):
            plant.raw(datagram(n), after=0)


def cyclic(plant: Plant, begin: float, end: float) -> None:
    """I/O of a device: one frame each 0.8 ms, each with its count."""
    for n in range(round((end - begin) * 1250)):
        with plant.at(begin + n * 0.0008):
            plant.raw(raw.ethernet(n.to_bytes(46), 0x8892, "00005e005331", "010ecf000001"), after=0)


Floods = Callable[[Plant, float, float], None]


@told_or_not
@pytest.mark.parametrize(
    ("floods", "certainty"), [(loop, Certainty.SHOWN), (copying, Certainty.FITS)]
)
def test_found_while_the_pc_asks_in_vain(
    floods: Floods, certainty: Certainty, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    asked = plant.ask(pc, unit)
    plant.wait(6)
    floods(plant, 3, plant.now)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, certainty)
    assert finding.values["rate"] == pytest.approx(1350, abs=250)
    assert finding.values["came_back"] is False
    assert left_out(finding, RULE)[0] == []
    assert str(finding.values["sender"]) == "00-00-5E-00-53-20"
    assert str(finding.values["controller"]) == "192.0.2.60"
    frames = [one.moment.frame for one in finding.evidence]
    assert plant.number(asked[0]) in frames
    assert plant.number(asked[0]) > frames[0]
    assert frames[-1] >= len(plant.records) - 1
    assert diagnosis.outcomes[0].stopped_at == "link"
    assert diagnosis.status == FAULT


@told_or_not
def test_found_while_the_port_keeps_silent(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    plant.wait(6)
    loop(plant, 3, plant.now)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["repeats"] == pytest.approx(430, abs=70)


def test_found_where_the_pcs_own_frame_goes_round() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    own = arp_of(pc, unit.address)
    for n in range(9_000):
        with plant.at(7.5 + n // 5 * 0.004 + n % 5 * 0.00005):
            plant.raw(own, after=0)
    octets = plant.pcapng(name="cable", hw=pc.hw)
    diagnosis = diagnosed(octets, TOLD)
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["came_back"]) == (Level.FAULT, True)
    assert left_out(finding, RULE)[0] == [WORN_OUT, NOT_A_LOOP]
    assert 0 < finding.values["begin"] < finding.values["end"]
    assert str(finding.values["sender"]) == "00-00-5E-00-53-15"
    assert finding.likely_causes[0] == RULE.likely_causes[LOOP]
    assert finding.moment is not None
    assert finding.moment.seconds == pytest.approx(2.5, abs=0.01)
    assert diagnosis.outcomes[0].tries[0].times == 3


def test_it_is_a_loop_where_the_pcs_question_comes_back_among_many_different_frames() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    copying(plant, 3, plant.now)
    with plant.at(7.6):
        back = plant.raw(arp_of(pc, unit.address), after=0)
    finding = found(diagnosed(plant, TOLD), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[LOOP]
    assert plant.number(back) in {one.moment.frame for one in finding.evidence}


def test_found_as_a_note_where_the_link_up_works() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(6)
    session.close()
    copying(plant, 3, plant.now)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.likely_causes[0]) == (
        Level.NOTE,
        RULE.likely_causes[NOT_A_LOOP],
    )
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_where_the_port_is_refused() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    plant.wait(8)
    copying(plant, 3, plant.now)
    assert slugs(diagnosed(plant, TOLD)) == ["port-refused", SLUG]


@told_or_not
def test_quiet_for_cyclic_io(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    cyclic(plant, 0, plant.now)
    assert slugs(diagnosed(plant, controllers)) == ["unanswered-arp"]


def test_quiet_for_cyclic_io_whose_content_stays_the_same() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    for n in range(round(plant.now * 1000)):
        with plant.at(n * 0.001 + n % 3 * 0.0001):
            plant.raw(raw.ethernet(bytes(46), 0x8892, "00005e005331", "010ecf000001"), after=0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def twice(records: list[Record]) -> list[Record]:
    return [record for record in records for _ in range(2)]


def test_quiet_at_a_mirror_port() -> None:
    """900 different broadcasts a second, each of them recorded twice."""
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    for n in range(round((plant.now - 3) * 900)):
        with plant.at(3 + n // 9 * 0.01 + n % 9 * 0.00005):
            plant.raw(datagram(n), after=0)
    diagnosis = diagnosed(layouts.pcap(twice(plant.records)), TOLD)
    assert lead(diagnosis) == "unanswered-arp"
    assert SLUG not in slugs(diagnosis)


def test_quiet_while_one_station_searches_the_network() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    scanner = Station("192.0.2.99", "00:00:5e:00:53:99")
    for n in range(round((plant.now - 3) * 1200)):
        wanted = f"198.51.{n // 250}.{1 + n % 250}"
        with plant.at(3 + n // 12 * 0.01 + n % 12 * 0.00005):
            plant.raw(arp_of(scanner, wanted), after=0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


@pytest.mark.parametrize("floods", [loop, copying])
def test_quiet_for_a_short_burst(floods: Floods) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(8)
    plant.chatter()
    floods(plant, 5, 7)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_below_the_threshold() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    for n in range(round(plant.now * 800)):
        with plant.at(n // 16 * 0.02 + n % 16 * 0.00005):
            plant.raw(datagram(n), after=0)
    assert slugs(diagnosed(plant, TOLD)) == ["unanswered-arp"]


def test_quiet_about_the_fault_where_the_flood_was_over_before() -> None:
    plant, pc, unit = begun()
    plant.wait(20)
    plant.ask(pc, unit)
    plant.wait(8)
    plant.chatter()
    loop(plant, 1, 6)
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == "unanswered-arp"
    assert found(diagnosis, SLUG).level is Level.NOTE


def test_found_as_a_note_where_nobody_is_the_pc() -> None:
    plant = Plant()
    turning = raw.ethernet(bytes(46), 0x88B5, "00005e005331", raw.BROADCAST_HW)
    for n in range(3_200):
        with plant.at(n // 5 * 0.005 + n % 5 * 0.00005):
            plant.raw(turning, after=0)
    diagnosis = diagnosed(plant)
    assert diagnosis.case.pc is None
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.controller) == (Level.NOTE, None)


def test_found_as_a_note_where_the_pc_asks_once_right_before_the_end() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    loop(plant, 1, plant.now)
    diagnosis = diagnosed(plant, TOLD)
    assert slugs(diagnosis) == ["stopped-early", SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE


def test_quiet_about_the_fault_where_the_address_explains_the_silence() -> None:
    plant = Plant()
    pc, unit = plant.pc("198.51.100.15"), plant.station()
    plant.wait(5)
    plant.ask(pc, unit)
    plant.wait(6)
    loop(plant, 3, plant.now)
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == "subnet-mismatch"
    assert found(diagnosis, SLUG).level is Level.NOTE


def test_found_for_each_controller_that_is_waited_for() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, "192.0.2.61")
    plant.wait(6)
    loop(plant, 3, plant.now)
    diagnosis = diagnosed(plant, [*TOLD, "192.0.2.61:502"])
    assert slugs(diagnosis) == [SLUG, SLUG]
    assert {str(one.controller) for one in diagnosis.findings} == {"192.0.2.60", "192.0.2.61"}


def test_quiet_about_the_fault_where_requests_were_answered_since() -> None:
    """A session died in the flood; the next one works."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    plant.wait(4)
    plant.tcp(pc, unit).open().poll(5)
    loop(plant, 3, 9)
    diagnosis = diagnosed(plant, TOLD)
    assert found(diagnosis, SLUG).level is Level.NOTE


@pytest.mark.parametrize(("seconds", "told"), [(3.1, True), (1.9, False)])
def test_it_takes_three_full_seconds(seconds: float, told: bool) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(6)
    plant.chatter()
    loop(plant, 6, 6 + seconds)
    assert (lead(diagnosed(plant, TOLD)) == SLUG) is told
