"""Seconds full of frames to groups, and what of them comes with a steady period."""

import pytest

from analyzer.facts import Facts
from analyzer.facts import flood as module
from tests import raw

LOOPED = raw.arp_frame(1, raw.OTHER_HW, "192.0.2.20", "192.0.2.33").ljust(60, b"\0")


def announcement(n: int, src: str = raw.OTHER_HW) -> bytes:
    packet = raw.ipv4(raw.udp(n.to_bytes(32)), src="192.0.2.20", dst="192.0.2.255", id=n & 0xFFFF)
    return raw.ethernet(packet, 0x0800, src, raw.BROADCAST_HW)


def cyclic(n: int) -> bytes:
    return raw.ethernet(n.to_bytes(46), 0x8892, raw.OTHER_HW, "010ecf000001")


def uneven(n: int) -> float:
    """Bursts of ten frames 40 us apart, ten bursts a 10 ms."""
    return n // 10 * 0.005 + n % 10 * 0.000_04


def over(seconds: int, every: float, make: object = announcement) -> Facts:
    assert callable(make)
    return raw.facts(*((n * every, make(n)) for n in range(round(seconds / every))))


def test_frames_that_come_in_bursts() -> None:
    facts = raw.facts(*((uneven(n), announcement(n)) for n in range(4000)))
    busy = facts.flood.seconds
    assert list(busy) == [0, 1]
    assert [(one.frames, one.unsteady, one.different) for one in busy.values()] == [
        (2000, 2000, 2000),
        (2000, 2000, 2000),
    ]
    ((sender, kind), count) = busy[0].senders.most_common(1)[0]
    assert (str(sender), kind, count) == ("00-00-5E-00-53-99", 0x0800, 2000)
    assert (busy[1].first.frame, busy[1].last.frame) == (2001, 4000)


def test_one_frame_that_goes_round_and_round() -> None:
    (busy,) = over(1, 0.0002, lambda n: LOOPED).flood.seconds.values()
    assert (busy.frames, busy.steady, busy.different) == (5000, 0, 1)


@pytest.mark.parametrize("every", [0.0005, 0.001])
def test_a_steady_period_is_told_apart(every: float) -> None:
    facts = over(2, every, cyclic)
    assert len(facts.flood.seconds) == 2
    assert {one.unsteady for one in facts.flood.seconds.values()} == {0}


def test_a_steady_period_of_the_same_content_is_told_apart() -> None:
    (busy,) = over(1, 0.001, lambda n: cyclic(7)).flood.seconds.values()
    assert (busy.frames, busy.unsteady) == (1000, 0)


def test_a_mirror_doubles_no_packet() -> None:
    frames = [(uneven(n // 2), announcement(n // 2)) for n in range(4000)]
    (busy,) = raw.facts(*frames).flood.seconds.values()
    assert (busy.frames, busy.different) == (4000, 2000)


def test_frames_to_one_station_are_not_counted() -> None:
    frames = (raw.ethernet(raw.ipv4(raw.udp(n.to_bytes(8)), id=n)) for n in range(3000))
    assert raw.facts(*((n * 0.0003, frame) for n, frame in enumerate(frames))).flood.seconds == {}


def test_a_quiet_cable_has_no_busy_second() -> None:
    assert over(5, 0.01).flood.seconds == {}


def test_a_link_without_hardware_addresses_has_no_groups() -> None:
    frames = [(n * 0.0003, raw.ipv4(raw.udp(n.to_bytes(8)), id=n)) for n in range(3000)]
    assert raw.facts(*frames, link=101).flood.seconds == {}


def test_a_second_over_the_border_of_a_chunk() -> None:
    """A chunk holds 4 MiB: about 2,800 frames of 1,490 octets."""

    def big(n: int) -> bytes:
        return announcement(n).ljust(1490, b"\0")

    facts = raw.facts(*((uneven(n), big(n)) for n in range(4000)))
    assert [one.frames for one in facts.flood.seconds.values()] == [2000, 2000]
    assert facts.flood.seconds[1].last.frame == 4000


def test_memory_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_SECONDS", 2)
    assert list(over(4, 0.001).flood.seconds) == [0, 1]
    many = raw.facts(*((n * 0.0003, announcement(n, f"02005e{n:06x}")) for n in range(3000)))
    (busy,) = many.flood.seconds.values()
    assert (busy.frames, len(busy.senders)) == (3000, module.SENDERS)
