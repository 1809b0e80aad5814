"""Paths from one station to another, and when a station was heard."""

import pytest

from analyzer.facts import Address, Hardware, Path, gather
from analyzer.facts.arp import MAX_RUNS
from analyzer.facts.paths import MAX_SPANS, QUIET, Presence
from tests import raw
from tests.raw import PC, PC_HW, UNIT, UNIT_HW


def frame(src: str = PC, dst: str = UNIT, size: int = 60, tags: bytes = b"", **more: int) -> bytes:
    hardware = (PC_HW, UNIT_HW) if src == PC else (UNIT_HW, PC_HW)
    packet = raw.ipv4(raw.udp(), 17, src, dst, **more)
    return raw.ethernet(packet, 0x0800, *hardware, tags).ljust(size, b"\0")


def paths(*frames: tuple[float, bytes]) -> list[Path]:
    return raw.facts(*frames).paths


def test_one_path_for_each_pair_of_addresses() -> None:
    found = paths(
        (0, frame()), (1, frame(id=2)), (2, frame(UNIT, PC)), (3, frame(dst="192.0.2.61"))
    )
    assert len(found) == 3
    first = next(one for one in found if str(one.dst_ip) == UNIT)
    assert (first.src, first.dst) == (Hardware(int(PC_HW, 16)), Hardware(int(UNIT_HW, 16)))
    assert (str(first.src_ip), str(first.dst_ip), first.kind) == (PC, UNIT, 0x0800)
    assert (first.frames, first.first.frame, first.last.frame) == (2, 1, 2)
    assert first.octets == 120


def test_other_kinds_have_no_ip_addresses() -> None:
    (found,) = paths((0, raw.arp_frame(1, PC_HW, PC, UNIT)))
    assert (found.kind, found.src_ip, found.dst_ip) == (0x0806, None, None)


def test_raw_packets_have_no_hardware_addresses() -> None:
    (found,) = raw.facts(raw.ipv4(raw.udp()), link=101).paths
    assert (found.src, found.dst) == (None, None)
    assert (str(found.src_ip), found.short) == (PC, 0)


@pytest.mark.parametrize(
    ("size", "short", "long"), [(59, 1, 0), (60, 0, 0), (1518, 0, 0), (1519, 0, 1)]
)
def test_short_and_long_frames(size: int, short: int, long: int) -> None:
    (found,) = paths((0, frame(size=size)))
    assert (found.short, found.long) == (short, long)


def test_priority_tags_are_no_vlan() -> None:
    tags = bytes.fromhex("8100a000"), bytes.fromhex("8100000a")
    (found,) = paths(*((n, frame(tags=tag, id=n)) for n, tag in enumerate(tags)))
    assert (found.frames, found.tagged) == (2, 1)


def test_least_and_greatest_time_to_live() -> None:
    (found,) = paths(*((n, frame(ttl=ttl, id=n)) for n, ttl in enumerate((64, 63, 128, 64))))
    assert found.ttls == (63, 128)


def test_directions_are_counted() -> None:
    blocks = b"".join(
        raw.enhanced(frame(id=n), n * 10**6, options=raw.option(2, bytes([flag, 0, 0, 0])))
        for n, flag in enumerate((2, 2, 1, 0))
    )
    (found,) = gather(raw.opened(raw.section() + raw.interface() + blocks)).paths
    assert (found.frames, found.sent, found.received) == (4, 2, 1)


def test_copies_are_left_out() -> None:
    (found,) = paths((0, frame()), (0.0001, frame()))
    assert found.frames == 1


def test_a_path_goes_on_over_the_border_of_a_chunk() -> None:
    found = paths(*((n, frame(size=60000, id=n)) for n in range(150)))
    assert [(one.frames, one.last.frame) for one in found] == [(150, 150)]


def spans(*seconds: float) -> list[tuple[float, float]]:
    station = raw.facts(*((at, frame(id=n)) for n, at in enumerate(seconds))).stations[0]
    return station.presence.spans


def test_presence_ends_where_a_station_was_quiet() -> None:
    assert spans(0, 1, 2, 4, 7, 8) == [(0, 4), (7, 8)]
    assert spans(0, QUIET) == [(0, QUIET)]
    assert spans(0) == [(0, 0)]


def test_presence_within() -> None:
    presence = Presence([(0, 4), (7, 8)])
    assert presence.within(3, 5)
    assert presence.within(4, 4)
    assert presence.within(5, 7)
    assert not presence.within(4.5, 6.5)
    assert not presence.within(9, 99)


def test_spans_are_capped_by_joining_the_oldest() -> None:
    presence = Presence()
    for n in range(MAX_SPANS + 10):
        presence.add(10.0 * n, 10.0 * n + 1)
    assert len(presence.spans) == MAX_SPANS
    assert presence.spans[0] == (0, 10.0 * 10 + 1)
    assert presence.spans[-1] == (10.0 * (MAX_SPANS + 9), 10.0 * (MAX_SPANS + 9) + 1)


def test_a_clock_that_steps_back_is_no_trouble() -> None:
    found = spans(10, 11, 0, 1, 12)
    assert all(begin <= end for begin, end in found)
    assert Presence(found).within(-10, -9)
    assert Presence(found).within(0.5, 1)


def turns(*frames: tuple[float, bytes]) -> list[tuple[str, int, int, int]]:
    """Sender (its last octet), first frame, last frame and count of each run to the PC."""
    found = raw.facts(*frames).turns.get((Address.parse(UNIT), Address.parse(PC)), [])
    return [(str(one.hardware)[-2:], one.first.frame, one.last.frame, one.count) for one in found]


def sent(hardware: str, number: int, size: int = 60, dst: str = PC_HW) -> bytes:
    packet = raw.ipv4(raw.udp(), 17, UNIT, PC, id=number)
    return raw.ethernet(packet, 0x0800, hardware, dst).ljust(size, b"\0")


TWIN_HW = UNIT_HW[:-2] + "99"


def test_runs_of_two_that_send_as_one() -> None:
    senders = (UNIT_HW, UNIT_HW, TWIN_HW, UNIT_HW, UNIT_HW)
    unit = UNIT_HW[-2:].upper()
    assert turns(*((n, sent(hardware, n)) for n, hardware in enumerate(senders))) == [
        (unit, 1, 2, 2),
        ("99", 3, 3, 1),
        (unit, 4, 5, 2),
    ]


def test_no_runs_of_one_sender_or_of_frames_to_everybody() -> None:
    assert turns(*((n, sent(UNIT_HW, n)) for n in range(5))) == []
    everybody = "ff" * 6
    assert turns((0, sent(UNIT_HW, 1, dst=everybody)), (1, sent(TWIN_HW, 2, dst=everybody))) == []


def test_a_run_goes_on_over_the_border_of_a_chunk() -> None:
    senders = [UNIT_HW] * 150 + [TWIN_HW] * 3 + [UNIT_HW] * 150
    unit = UNIT_HW[-2:].upper()
    frames = ((n, sent(hardware, n, size=60000)) for n, hardware in enumerate(senders))
    assert turns(*frames) == [(unit, 1, 150, 150), ("99", 151, 153, 3), (unit, 154, 303, 150)]


def test_runs_are_capped() -> None:
    frames = ((n, sent((UNIT_HW, TWIN_HW)[n % 2], n)) for n in range(MAX_RUNS + 20))
    assert len(turns(*frames)) == MAX_RUNS
