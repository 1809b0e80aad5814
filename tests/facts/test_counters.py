"""Identifications and timestamps that go on from packet to packet, and where they jump."""

import random

import pytest

from analyzer.facts import Moment, Path
from analyzer.facts.values import KEPT
from tests import raw
from tests.raw import PC, PC_HW, UNIT, UNIT_HW


def packet(id: int, size: int = 60, src: str = UNIT, dst: str = PC) -> bytes:
    hardware = (UNIT_HW, PC_HW) if src == UNIT else (PC_HW, UNIT_HW)
    return raw.ethernet(raw.ipv4(raw.udp(), 17, src, dst, id=id), 0x0800, *hardware).ljust(
        size, b"\0"
    )


def of_ids(*ids: int, size: int = 60) -> Path:
    (found,) = raw.facts(*((n, packet(id, size)) for n, id in enumerate(ids))).paths
    return found


def jumps(path: Path) -> list[tuple[int, int, int]]:
    return [(one.moment.frame, one.before, one.after) for one in path.ids.jumps]


def test_a_counter_goes_on() -> None:
    ids = of_ids(7, 8, 9, 500, 1500).ids
    assert (ids.steps, ids.jumped, ids.jumps, ids.is_regular) == (4, 0, [], True)
    assert (ids.value, ids.last and ids.last.frame) == (1500, 5)


def test_a_counter_goes_over_the_top() -> None:
    assert jumps(of_ids(65533, 65534, 65535, 1, 2, 40)) == []


def test_a_counter_of_fifteen_bits_goes_over_the_top() -> None:
    assert jumps(of_ids(32761, 32763, 32767, 4, 5)) == []
    assert jumps(of_ids(32769, 32770, 4, 5)) == [(3, 32770, 4)]


@pytest.mark.parametrize("after", [5, 3000, 39999, 41025])
def test_a_counter_jumps(after: int) -> None:
    path = of_ids(39990, 39995, 39998, 40000, after, after + 1)
    assert jumps(path) == [(5, 40000, after)]
    assert path.ids.is_regular


@pytest.mark.parametrize(("after", "begins"), [(99, True), (100, False)])
def test_a_counter_begins_anew_below_a_number(after: int, begins: bool) -> None:
    ids = of_ids(39990, 39995, 39998, 40000, after, after + 1).ids
    assert [at.frame for at in ids.begins_anew(100)] == ([5] if begins else [])


@pytest.mark.parametrize(("fell", "begins"), [(16, False), (17, True)])
def test_packets_that_overtake_each_other_are_no_new_beginning(fell: int, begins: bool) -> None:
    ids = of_ids(60, 61, 62, 63, 64, 64 - fell, 66).ids
    assert bool(ids.begins_anew(100)) == begins


def test_numbers_at_random_neither_begin_anew_nor_go_on() -> None:
    ids = of_ids(40000, 5, 60000, 20000, 9, 33000).ids
    assert ids.begins_anew(100) == []
    assert not ids.goes_on(Moment(1, 1.0), Moment(2, 2.0))


def test_a_counter_goes_on_from_a_moment_until_after_another() -> None:
    path = of_ids(39990, 39995, 39998, 40000, 5, 6, 7, 8)
    at = [Moment(n + 1, path.first.seconds + n) for n in range(8)]
    assert path.ids.last == at[7]
    assert path.ids.goes_on(at[4], at[6])
    assert not path.ids.goes_on(at[3], at[6])
    assert not path.ids.goes_on(at[4], at[7])


def test_zero_and_repeats_are_no_steps() -> None:
    """No fragments, no identification (RFC 6864 4.1); fragments share one (RFC 791 3.2)."""
    ids = of_ids(7, 0, 8, 8, 0, 9).ids
    assert (ids.steps, ids.jumped, ids.value) == (2, 0, 9)
    assert of_ids(0, 0, 0).ids.last is None


def test_numbers_at_random_are_no_counter_and_few_are_kept() -> None:
    choose = random.Random(5)
    ids = of_ids(*(choose.randrange(1, 65536) for _ in range(400))).ids
    assert not ids.is_regular
    assert ids.jumped > 350
    assert len(ids.jumps) == KEPT


def test_a_few_packets_are_no_counter() -> None:
    assert not of_ids(7, 8, 9).ids.is_regular
    assert of_ids(7, 8, 9, 10).ids.is_regular


def test_every_pair_of_stations_has_its_own() -> None:
    frames = [(n, packet(id=100 + n)) for n in range(5)]
    frames += [(n + 0.5, packet(9000 + n, src=PC, dst=UNIT)) for n in range(5)]
    found = raw.facts(*sorted(frames)).paths
    assert [(one.ids.steps, one.ids.jumped) for one in found] == [(4, 0), (4, 0)]


def test_a_counter_goes_on_over_the_border_of_a_chunk() -> None:
    ids = [*range(1, 120), *range(1, 31)]
    path = of_ids(*ids, size=60000)
    assert jumps(path) == [(120, 119, 1)]
    assert path.ids.steps == len(ids) - 1


def segment(stamp: int, options: str = "0101080a{:08x}00000000", id: int = 1) -> bytes:
    header = raw.tcp(options=bytes.fromhex(options.format(stamp)))
    return raw.ethernet(raw.ipv4(header, 6, UNIT, PC, id=id), 0x0800, UNIT_HW, PC_HW)


def test_timestamps_go_on_and_back() -> None:
    stamps = (5000, 5000, 9000, 2**31, 12)
    (path,) = raw.facts(*((n, segment(at, id=n + 1)) for n, at in enumerate(stamps))).paths
    found = [(one.moment.frame, one.before, one.after) for one in path.stamps.jumps]
    assert found == [(5, 2**31, 12)]
    assert path.stamps.steps == 3


def test_timestamps_go_over_the_top() -> None:
    stamps = (2**32 - 20, 2**32 - 1, 4, 9)
    (path,) = raw.facts(*((n, segment(at, id=n + 1)) for n, at in enumerate(stamps))).paths
    assert (path.stamps.steps, path.stamps.jumped) == (3, 0)


@pytest.mark.parametrize(
    "options",
    ["", "0204{:04x}", "01010101{:08x}00000000", "0101050a{:08x}00000000"],
    ids=["none", "segment size", "fillers", "selective acknowledgement"],
)
def test_other_options_are_no_timestamps(options: str) -> None:
    (path,) = raw.facts(*((n, segment(500 + n, options, id=n + 1)) for n in range(5))).paths
    assert path.stamps.last is None


def test_a_header_cut_short_has_no_timestamp() -> None:
    whole = segment(77)
    records = b"".join(
        raw.record(whole[:size], n * raw.SECOND, nanoseconds=True, original=len(whole))
        for n, size in enumerate((len(whole) - 1, 54, 60))
    )
    (path,) = raw.gather(raw.opened(raw.pcap_header(nanoseconds=True) + records)).paths
    assert path.stamps.last is None
