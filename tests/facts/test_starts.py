"""A station's link comes up: the burst of frames that shows it, and what only looks like it."""

from collections.abc import Callable

import pytest

from analyzer.facts import Hardware, gather
from analyzer.facts.starts import Sign, Start
from captures.plant import Plant, Station
from tests import raw

PC = Hardware(0x00005E005315)


def starts(plant: Plant) -> list[Start]:
    return gather(raw.opened(plant.pcap())).starts.of(PC)


def begun() -> tuple[Plant, Station]:
    plant = Plant()
    pc = plant.pc("192.0.2.15", hw="00:00:5e:00:53:15")
    plant.bpdu(plant.station("192.0.2.5"))
    return plant, pc


def test_one_burst_is_one_start() -> None:
    plant, pc = begun()
    plant.wait(10)
    plant.link_up(pc)
    (start,) = starts(plant)
    assert (start.moment.frame, start.signs[0]) == (2, Sign.SOLICITATION)
    assert set(start.signs) == {Sign.SOLICITATION, Sign.ROUTER, Sign.PROBE}
    assert start.before is not None
    assert (start.before.frame, start.silent) == (1, pytest.approx(10.02))


def test_a_burst_at_the_beginning_of_the_recording() -> None:
    plant = Plant()
    plant.link_up(plant.pc("192.0.2.15", hw="00:00:5e:00:53:15"))
    (start,) = starts(plant)
    assert (start.moment.frame, start.before, start.silent) == (1, None, 0)


def test_two_bursts_are_two_starts() -> None:
    plant, pc = begun()
    for _ in range(2):
        plant.wait(10)
        plant.link_up(pc)
    assert len(starts(plant)) == 2


def test_a_burst_without_a_silence_is_none_where_the_clock_was_set_back() -> None:
    """Only the first one can stand at the beginning of the recording."""
    plant, pc = begun()
    plant.wait(0.1)
    plant.step_clock(-100)
    for _ in range(2):
        plant.link_up(pc)
        plant.wait(25)
    switch = plant.station("192.0.2.6")
    for n in range(round(2 * plant.now)):
        with plant.at(n / 2 + 0.2):
            plant.bpdu(switch)
    plant.wait(10)
    plant.link_up(pc)
    assert [one.before is None for one in starts(plant)] == [True, False]


@pytest.mark.parametrize("every", [6.5, 30.0])
def test_series_of_checks_alone_are_starts(every: float) -> None:
    plant, pc = begun()
    for _ in range(3):
        plant.probe(pc, after=every)
        plant.announce(pc, after=1.5)
    assert len(starts(plant)) == 3


def test_an_address_server_that_answers_late_is_no_second_start() -> None:
    """RFC 2131 4.4.1: the address that was given is checked, and then announced."""
    plant, pc = begun()
    plant.wait(5)
    plant.link_up(pc)
    for secs in (0, 4, 12, 28):
        plant.dhcp("discover", pc, secs=secs, after=4.0 + secs / 2)
    given = Station("192.0.2.77", pc.hw, is_pc=True)
    plant.lease(given, plant.station("192.0.2.1"))
    plant.probe(given, after=0.1)
    plant.announce(given)
    assert len(starts(plant)) == 1


def test_repeats_of_a_search_are_no_second_start() -> None:
    plant, pc = begun()
    plant.wait(5)
    plant.link_up(pc)
    for secs in (0, 4, 12, 28, 60):
        plant.dhcp("discover", pc, secs=secs, after=4.0 + secs)
    assert len(starts(plant)) == 1


def test_a_self_assigned_address_is_no_second_start() -> None:
    plant, pc = begun()
    plant.wait(5)
    plant.link_up(pc)
    plant.wait(30)
    own = Station("169.254.7.8", pc.hw, is_pc=True)
    for _ in range(2):
        plant.probe(own, after=8)
    assert len(starts(plant)) == 1


def renews(plant: Plant, pc: Station) -> None:
    plant.dhcp("request", pc, pc.address, server=plant.station("192.0.2.1"), renew=True, after=5)


def announces(plant: Plant, pc: Station) -> None:
    plant.announce(pc, after=10)


def probes_once(plant: Plant, pc: Station) -> None:
    plant.probe(pc, times=1, after=10)


def joins(plant: Plant, pc: Station) -> None:
    frame = raw.ethernet(
        raw.ipv4(b"\x16\0\0\0" + bytes(4), 2, pc.address, "224.0.0.251"), 0x0800, raw.PC_HW
    )
    plant.raw(frame, by=pc, after=10)
    plant.announce(pc)


@pytest.mark.parametrize("does", [renews, announces, probes_once, joins])
def test_other_reasons_for_the_same_frames(does: Callable[[Plant, Station], None]) -> None:
    plant, pc = begun()
    plant.link_up(pc)
    plant.wait(10)
    does(plant, pc)
    plant.wait(20)
    plant.bpdu(Station("192.0.2.5", "00:00:5e:00:53:05"))
    assert len(starts(plant)) == 1


def test_a_check_amid_other_traffic_is_no_start() -> None:
    """While a link is down nothing can be recorded."""
    plant, pc = begun()
    plant.link_up(pc)
    plant.wait(30)
    plant.probe(pc)
    plant.announce(pc)
    plant.chatter(every=0.4)
    assert len(starts(plant)) == 1


def test_groups_are_joined_in_both_versions() -> None:
    plant, pc = begun()
    listener = bytes.fromhex("8f00 0000 0000 0001 0400 0000") + bytes(16)  # RFC 3810 5.2
    header = bytes.fromhex("60000000 0024 00 01") + bytes(15) + b"\x01" + bytes(15) + b"\x16"
    options = bytes.fromhex("3a00 0502 0000 0100")  # RFC 2711 2.1, padded
    plant.wait(5)
    plant.raw(raw.ethernet(header + options + listener, 0x86DD, raw.PC_HW), by=pc)
    plant.probe(pc, times=1)
    (start,) = starts(plant)
    assert start.signs == [Sign.JOIN, Sign.PROBE]


def test_nothing_is_known_of_a_station_that_sent_nothing() -> None:
    plant, _ = begun()
    found = gather(raw.opened(plant.pcap())).starts
    assert (found.of(PC), found.of(None)) == ([], [])


def test_a_silence_over_the_border_of_a_chunk(monkeypatch: pytest.MonkeyPatch) -> None:
    plant, pc = begun()
    big = raw.ethernet(raw.ipv4(raw.udp(bytes(60_000))))
    for n in range(75):
        plant.raw(big + bytes([n]), after=0.01)
    plant.wait(7)
    plant.link_up(pc)
    (start,) = starts(plant)
    assert start.silent == pytest.approx(7.02)
    assert start.before is not None
    assert start.before.frame == 76


def test_a_storm_of_signs_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analyzer.facts.starts.MAX_SIGNS", 4)
    monkeypatch.setattr("analyzer.facts.starts.MAX_STATIONS", 2)
    plant = Plant()
    for n in range(5):
        one = plant.pc(f"192.0.2.{20 + n}")
        plant.probe(one, times=9)
    signs = gather(raw.opened(plant.pcap())).starts.signs
    assert [len(seen) for seen in signs.values()] == [4, 4]
