"""What the recording could have heard: length, copies, cut frames, the clock, lost frames."""

import struct
from datetime import UTC, datetime

import pytest

from analyzer.facts import Facts, Kind, Moment, gather
from analyzer.facts.coverage import MAX_SPANS
from tests import raw
from tests.raw import PC, PC_HW, UNIT


def frame(n: int = 1) -> bytes:
    return raw.ethernet(raw.ipv4(raw.udp(), id=n)).ljust(60, b"\0")


def at(*seconds: float) -> Facts:
    return raw.facts(*((time, frame(n)) for n, time in enumerate(seconds)))


def test_length_and_beginning() -> None:
    facts = at(1_700_000_000.5, 1_700_000_010.75)
    assert facts.coverage.frames == 2
    assert facts.coverage.seconds == pytest.approx(10.25)
    assert facts.first_seen == datetime(2023, 11, 14, 22, 13, 20, 500_000, UTC)


def test_without_frames() -> None:
    facts = gather(raw.opened(raw.pcap_header()))
    assert (facts.coverage.frames, facts.coverage.seconds) == (0, 0)
    assert facts.first_seen is None
    assert facts.stations == []
    assert facts.link_type == "Ethernet"


def test_the_length_runs_to_the_latest_frame_not_to_the_last() -> None:
    assert at(0, 9, 5).coverage.seconds == 9


def test_packets_that_claim_more_than_their_frame_had() -> None:
    lies = raw.ethernet(raw.ipv4(raw.udp(), id=2, total=900))
    assert raw.facts((0, frame(1)), (1, lies), (2, frame(3))).coverage.overlong == 1


def test_clock_steps() -> None:
    assert at(10, 20, 19.5, 21).coverage.backwards.count == 0
    stepped = at(10, 20, 19, 21, 5).coverage.backwards
    assert [moment.frame for moment in stepped.moments] == [3, 5]


@pytest.mark.parametrize("step", [1.0, 3600.0])
def test_a_clock_step_over_the_border_of_a_chunk(step: float) -> None:
    big = raw.ethernet(raw.ipv4(raw.udp(bytes(60000))))
    fits = ((1 << 22) - 24) // (len(big) + 16)
    frames = [(10_000.0 + n, big) for n in range(fits + 1)]
    late = 10_000.0 + fits - step
    backwards = raw.facts(*frames, (late, big)).coverage.backwards
    assert [moment.frame for moment in backwards.moments] == [fits + 2]


DAY = 86400.0


def test_a_month_without_a_frame_is_a_leap_and_a_day_is_not() -> None:
    assert at(0, 29 * DAY).coverage.forwards.count == 0
    coverage = at(0, 5, 5 + 30 * DAY, 9 + 30 * DAY).coverage
    assert [moment.frame for moment in coverage.forwards.moments] == [3]
    assert coverage.backwards.count == 0
    assert coverage.listened == pytest.approx(9)


def test_each_jump_counts_once_whatever_follows() -> None:
    coverage = at(100, 120, 10, 11, 12, 13).coverage
    assert [moment.frame for moment in coverage.backwards.moments] == [3]
    assert [(span.frame, span.begin, span.end) for span in coverage.spans] == [
        (1, 0, 20),
        (3, -90, -87),
    ]


@pytest.mark.parametrize(
    ("times", "frame", "left"),
    [
        ((0, 10, 30), 2, 20),
        ((0, 10, 5, 6), 2, 1),  # the second after the step back, and nothing before it
        ((0, 10, 5, 6), 1, 11),
        ((0, 10, 5, 6), 3, 1),
        ((0, 10, 10 + 400 * DAY, 12 + 400 * DAY), 2, 2),
        ((0, 10, 9.5), 3, 0.5),
        ((0, 10, 9.5), 2, 0),
    ],
)
def test_listening_is_counted_where_the_clock_runs_evenly(
    times: tuple[float, ...], frame: int, left: float
) -> None:
    facts = at(*times)
    moment = Moment(frame, times[frame - 1])
    assert facts.heard_after(moment) == pytest.approx(left)


def test_frames_out_of_order_keep_few_spans() -> None:
    coverage = at(*(1000 + 5 * (n % 2) for n in range(1000))).coverage
    assert len(coverage.spans) == MAX_SPANS
    assert coverage.backwards.count == MAX_SPANS - 1


def test_cut_frames() -> None:
    records = raw.record(frame()[:40], 0, original=60) + raw.record(frame(2), raw.SECOND)
    records += raw.record(frame(3)[:34], 2 * raw.SECOND, original=1514)
    coverage = gather(raw.opened(raw.pcap_header() + records)).coverage
    assert (coverage.cut, coverage.shortest_cut) == (2, 34)
    assert coverage.cut_example is not None
    assert coverage.cut_example.frame == 1


def test_a_frame_without_its_fcs_is_not_cut() -> None:
    header = raw.pcap_header(link=0x24000001)
    coverage = gather(raw.opened(header + raw.record(frame(), original=64))).coverage
    assert coverage.cut == 0


def test_copies_are_counted_apart() -> None:
    coverage = raw.facts((0, frame()), (0.0001, frame()), (1, frame(2))).coverage
    assert (coverage.frames, coverage.copies) == (3, 1)
    assert [moment.frame for moment in coverage.copy_examples.moments] == [2]
    assert coverage.count(Kind.IPV4) == 2


def test_kinds() -> None:
    tree = raw.ethernet(b"\x42\x42\x03" + bytes(43), 38)
    ipv6 = raw.ethernet(bytes([0x60]) + bytes(45), 0x86DD)
    facts = raw.facts(
        raw.arp_frame(1, PC_HW, PC, UNIT), (1, tree), (2, ipv6), (3, frame()), (4, b"")
    )
    kinds = (Kind.ARP, Kind.SPANNING_TREE, Kind.IPV6, Kind.IPV4, Kind.UNREADABLE)
    assert [facts.coverage.count(kind) for kind in kinds] == [1] * 5
    assert facts.coverage.count(Kind.LLDP) == 0


def test_lost_frames_are_added_over_the_interfaces_that_tell() -> None:
    def told(*drops: int | None) -> int | None:
        octets = raw.section() + raw.interface() * len(drops)
        for index, count in enumerate(drops):
            if count is not None:
                octets += raw.statistics(index, raw.option(5, struct.pack("<Q", count)))
        return gather(raw.opened(octets)).drops

    assert told(None) is None
    assert told(None, 0) == 0
    assert told(2, None, 3) == 5


def test_link_types_in_words() -> None:
    octets = raw.section() + b"".join(map(raw.interface, (1, 1, 113, 12345)))
    facts = gather(raw.opened(octets))
    assert facts.link_type == "Ethernet, cooked (all adapters), link type 12345"
