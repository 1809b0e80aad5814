"""A trimmed copy is diagnosed like its recording, holds no payload, and keeps what it says."""

import io
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path
from random import Random
from typing import Any

import dpkt
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP, TCP, UDP

from analyzer import trim as trimming
from analyzer.diagnosis import Diagnosis
from analyzer.errors import BadOption, Unusable
from analyzer.facts import Address
from analyzer.findings import Level
from analyzer.inputs import open_recording
from analyzer.inputs.records import Interface, Recording
from analyzer.linkup import Told
from analyzer.outputs import pcapng
from analyzer.trim import Order, Trimmed, trim
from captures import layouts, make
from captures.plant import Plant, modbus_read
from rules import ALL
from tests import raw
from tests.support import acquainted, begun, diagnosed, ended, slugs
from tests.test_metamorphic import NAMES, SCENES, judged, story, woven

ROOT = Path(__file__).parents[2]
KEPT = sorted((ROOT / "tests" / "lab" / "kept").glob("*.pcap*"))
"""Recordings of real systems, where they are there."""
KEY = bytes(range(16))
HW = "00:00:5e:00:53:16"
FEW = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    database=None,
    phases=(Phase.explicit, Phase.generate),
)


def trimmed(
    octets: bytes, out: Path, told: Told | None = None, **order: Any
) -> tuple[Trimmed, bytes]:
    """The result and the octets of the copy, which is not left behind."""

    @contextmanager
    def again() -> Iterator[Recording]:
        yield open_recording(io.BytesIO(octets), "test")

    out.unlink(missing_ok=True)
    result = trim(again, ALL, told or Told(), Order("A comment.", **order), out)
    copy = out.read_bytes()
    out.unlink()
    return result, copy


def judgement(diagnosis: Diagnosis) -> tuple[Any, ...]:
    """What has to be the same, whatever the names are."""
    return (
        [one.rule for one in diagnosis.findings if one.level is Level.FAULT][:1],
        sorted((str(one.verdict), str(one.stopped_at)) for one in diagnosis.outcomes),
        {(one.rule, one.level) for one in diagnosis.findings},
        diagnosis.status,
    )


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("trim") / "copy.pcapng"


renamed_or_not = pytest.mark.parametrize("key", [None, KEY], ids=["names kept", "renamed"])


# --- the same diagnosis -------------------------------------------------------------------------


@renamed_or_not
@pytest.mark.parametrize("name", make.STORIES)
def test_a_demo_recording_is_judged_alike(name: str, key: bytes | None, out: Path) -> None:
    octets = (ROOT / "captures" / name).read_bytes()
    result, copy = trimmed(octets, out, key=key)
    assert judgement(diagnosed(copy)) == judgement(diagnosed(octets))
    assert result.sparing or not result.original.outcomes


@pytest.mark.skipif(not KEPT, reason="no recordings of real systems here")
@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.name.partition(".")[0])
def test_a_recording_of_real_systems_is_judged_alike(path: Path, out: Path) -> None:
    octets = path.read_bytes()
    result, copy = trimmed(octets, out, key=KEY)
    assert judgement(diagnosed(copy)) == judgement(diagnosed(octets))
    assert result.sparing or not result.original.outcomes


LAYOUTS: list[Callable[[Sequence[layouts.Record]], bytes]] = [
    layouts.pcap,
    lambda records: layouts.pcapng(records, resolution=9, drops=0),
    lambda records: layouts.pcapng(records, directions=False, big_endian=True),
    lambda records: layouts.pcap(records, link_type=layouts.COOKED),
    lambda records: layouts.pcap(records, snaplen=96),
]


@FEW
@given(
    name=st.sampled_from(NAMES),
    scenes=st.lists(st.tuples(st.integers(0, len(SCENES) - 1), st.floats(0, 0.9)), max_size=6),
    layout=st.sampled_from(LAYOUTS),
    key=st.none() | st.binary(min_size=16, max_size=16),
    kept=st.booleans(),
)
def test_any_story_among_others_is_judged_alike(
    out: Path, name: str, scenes: list[tuple[int, float]], layout: Any, key: bytes | None,
    kept: bool,
) -> None:  # fmt: skip
    told = story(name)
    octets = layout(woven(told.records, scenes))
    controllers = tuple(
        (Address.parse(one.partition(":")[0]), int(one.partition(":")[2] or 0) or None)
        for one in told.controllers
    )
    pc = Address.parse(told.pc) if told.pc else None
    result, _ = trimmed(octets, out, Told(controllers, pc), key=key, keep_payload=kept)
    assert judgement(result.copy) == judgement(judged(told, octets))
    if key is None:
        assert [str(one.linkup.controller) for one in result.copy.outcomes] == [
            str(one.linkup.controller) for one in result.original.outcomes
        ]


def test_the_stories_tell_many_diagnoses_apart() -> None:
    told = {
        str(judgement(judged(story(name), layouts.pcap(story(name).records)))) for name in NAMES
    }
    assert len(told) > 20


@FEW
@given(
    link=st.sampled_from([0, 1, 1, 1, 101, 113, 147, 276]),
    frames=st.lists(
        st.binary(max_size=120)
        | st.builds(
            lambda kind, rest: bytes.fromhex("00005e00536000005e005315") + kind + rest,
            st.sampled_from(
                [bytes.fromhex(one) for one in ("0800", "0806", "86dd", "88cc", "888e", "0026")]
            ),
            st.binary(max_size=90)
            | st.binary(max_size=90).map(lambda rest: b"\x45" + rest)
            | st.binary(max_size=90).map(lambda rest: b"\x42\x42\x03" + rest)
            | st.binary(max_size=60).map(
                lambda rest: raw.ipv4(raw.icmp(3, payload=b"\x45" + rest), protocol=1)
            ),
        ),
        max_size=8,
    ),
    key=st.sampled_from([None, KEY]),
)
def test_any_octets_give_a_copy_with_the_same_lengths_or_none(
    out: Path, frames: list[bytes], link: int, key: bytes | None
) -> None:
    octets = raw.pcap(*((raw.SECOND, one) for one in frames), link=link)
    try:
        result, copy = trimmed(octets, out, key=key)
    except Unusable:
        assert not out.exists()
        return
    assert judgement(result.copy) == judgement(diagnosed(octets))
    if not result.original.outcomes:
        stored = [one for chunk in raw.read(copy)[1] for one in raw.stored(chunk)]
        assert [len(one) for one in stored] == [len(one) for one in frames]


# --- what left ----------------------------------------------------------------------------------

SECRET = b"SECRET-OF-SITE"


def telling() -> Plant:
    """A link-up in which everybody tells a secret in every protocol."""
    plant, pc, unit = begun()
    server, switch = plant.station("192.0.2.9"), plant.station("192.0.2.8")
    plant.dhcp("discover", pc, options=[("hostname", SECRET)])
    plant.lldp(switch, name=SECRET.decode())
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for number in range(4):
        session.send(modbus_read(number + 1), after=0.5)
        head = modbus_read(number + 1)[:4] + bytes([0, len(SECRET) + 3, 1, 3, len(SECRET)])
        session.send(head + SECRET, unit)
    plant.tcp(pc, unit, 9999).open().exchange(SECRET, SECRET)
    plant.tcp(pc, unit, 23).open().exchange(SECRET + b"\r\n", SECRET + b"\r\n")
    plant.datagram(pc, unit, 50000, 47808, SECRET)
    plant.datagram(unit, pc, 47808, 50000, SECRET)
    plant.tcp(server, switch, 8080).open().exchange(SECRET, SECRET)
    return ended(plant)


@pytest.mark.parametrize("layout", LAYOUTS[:4])
def test_no_payload_stays(layout: Any, out: Path) -> None:
    octets = layout(telling().records)
    assert octets.count(SECRET) >= 12
    result, copy = trimmed(octets, out)
    assert SECRET[:4] not in copy
    assert SECRET[-4:] not in copy
    assert result.covered > 12 * len(SECRET)
    known = {one.dialogue.protocol for one in result.copy.facts.sessions}
    assert known >= {"Modbus/TCP", "lines of text"}


HELLO, ALERT = bytes.fromhex("16 0301 0040 01") + bytes(63), bytes([21, 3, 3, 0, 2, 2, 48])
"""RFC 8446 sections 5.1 and 6."""


@pytest.mark.parametrize(
    ("said", "rule"),
    [
        ([(modbus_read(1), ALERT)], "dropped-on-first-request"),
        ([(HELLO, HELLO), (ALERT, b"")], "inner-open-refused"),
    ],
)
def test_a_refusal_in_the_protocol_of_one_end_stays(
    said: list[tuple[bytes, bytes]], rule: str, out: Path
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit, 802).open(after=1.0)
        for request, answer in said:
            session.exchange(request, answer)
        session.close()
    octets = ended(plant).pcap()
    result, copy = trimmed(octets, out)
    assert slugs(diagnosed(copy)) == slugs(diagnosed(octets)) == [rule]
    assert result.sparing


def test_of_a_text_that_turns_away_only_the_word_stays(out: Path) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit, 10001).open(after=1.0)
        session.send(b"ERR 12: in use by " + SECRET + b"\r\n", unit)
        session.close(unit)
    octets = ended(plant).pcap()
    result, copy = trimmed(octets, out)
    assert slugs(diagnosed(copy)) == slugs(diagnosed(octets)) == ["session-limit"]
    assert result.sparing
    assert (SECRET in copy, b"in use" in copy, b"12" in copy, b"ERR" in copy) == (
        False,
        False,
        False,
        True,
    )


def test_payload_stays_where_that_is_wanted(out: Path) -> None:
    octets = telling().pcap()
    result, copy = trimmed(octets, out, keep_payload=True)
    assert copy.count(SECRET) >= 12
    assert result.covered == 0


def test_no_address_stays_where_they_are_renamed(out: Path) -> None:
    plant = telling()
    router, pc = plant.station("192.0.2.1"), replace(plant.station("192.0.2.15", hw=HW), is_pc=True)
    quoted = plant.datagram(pc, "192.0.2.60", 50001, 47809, SECRET)
    plant.unreachable(router, pc, quoted)
    octets = plant.pcapng(hw="00:00:5e:00:53:15", address="192.0.2.15/24")
    _, copy = trimmed(octets, out, key=KEY)
    for last in (15, 60, 9, 8):
        assert bytes([192, 0, 2, last]) in octets
    hardware = bytes.fromhex("00005e0053")
    assert hardware in octets
    assert hardware not in copy
    for network in ("192.0.2.15", "192.0.2.60"):
        assert Address.parse(network).to_bytes(4) not in copy


def crowded(random: Random, key: bytes) -> bytes:
    """A network where most addresses are somebody's, many of them named in messages alone: three in
    five IPv4 addresses, the first made-up hardware ones, and IPv6 ones as this key makes them up.
    """
    four = iter([bytes([203, 0, 113, last]) for last in random.sample(range(2, 254), 160)])
    mac = iter([b"\2\0\0\0\0" + bytes([number]) for number in random.sample(range(1, 90), 60)])
    six = iter([key[:4] + key[-2:] + bytes([0, number]) for number in range(1, 30)])
    fronts = iter([b"\x20\1\x0d\xb8" + key[-2:] + bytes([0, number]) for number in range(1, 9)])

    def packet(body: bytes, protocol: int = 17) -> bytes:
        src, dst = (str(IPv4Address(next(four))) for _ in range(2))
        return next(mac) + next(mac) + b"\x08\0" + raw.ipv4(body, protocol, src, dst)

    def lease() -> bytes:
        said = b"\2\1\6\0" + bytes(8) + b"".join(next(four) for _ in range(4)) + next(mac)
        said += bytes(202) + b"\x63\x82\x53\x63\x35\1\5"
        for code, number in ((54, 1), (50, 1), (28, 1), (3, 3)):
            said += bytes([code, 4 * number]) + b"".join(next(four) for _ in range(number))
        return raw.udp(said + b"\xff", 67, 68)

    def error(kind: int) -> bytes:
        quoted = raw.ipv4(raw.udp(), 17, *(str(IPv4Address(next(four))) for _ in range(2)))
        return raw.icmp(kind, 1, int.from_bytes(next(four)) if kind == 5 else 0, quoted)

    def over_ipv6() -> bytes:
        ends = b"\xfe\x80" + bytes(6) + next(six) + next(fronts) + next(six)
        udp = raw.udp()
        head = struct.pack(">IHBB", 6 << 28, len(udp), 17, 255)
        return next(mac) + next(mac) + b"\x86\xdd" + head + ends + udp

    frames = [packet(raw.udp(b"?", 50000, 50001)) for _ in range(10)]
    frames += [packet(lease()) for _ in range(7)]
    frames += [packet(error(kind), 1) for kind in (3, 5)]
    frames += [over_ipv6() for _ in range(6)]
    return raw.pcap(*((number * raw.SECOND, frame) for number, frame in enumerate(frames)))


@pytest.mark.parametrize("seed", range(6))
def test_no_new_name_is_an_address_in_the_recording(seed: int, out: Path) -> None:
    random = Random(seed)
    key = random.randbytes(16)
    octets = crowded(random, key)
    result, _ = trimmed(octets, out, key=key)
    assert len(result.names) > 180
    new = [IPv4Address(one).packed for one in result.names.values() if one.count(".") == 3]
    new += [IPv6Address(one).packed for one in result.names.values() if ":" in one]
    new += [bytes.fromhex(one.replace("-", "")) for one in result.names.values() if "-" in one]
    assert len(new) == len(set(new)) == len(result.names)
    assert not [one for one in new if one in octets]


def test_traffic_of_others_leaves_but_for_a_thin_sample(out: Path) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    one, other = plant.station("192.0.2.101"), plant.station("192.0.2.102")
    busy = plant.tcp(one, other).open()
    for _ in range(400):
        busy.exchange(bytes(900), bytes(900))
    session.poll(4)
    octets = ended(plant).pcap()
    result, copy = trimmed(octets, out)
    assert result.sparing
    assert judgement(diagnosed(copy)) == judgement(diagnosed(octets))
    assert len(copy) < len(octets) / 5
    was, now = result.original.facts, result.copy.facts
    assert now.coverage.frames < was.coverage.frames / 4
    assert now.addresses == was.addresses
    assert [len(s.presence.spans) for s in now.stations] == [
        len(s.presence.spans) for s in was.stations
    ]


def test_everything_stays_where_less_would_be_judged_otherwise(out: Path) -> None:
    """Copies are behind a tenth of all frames only where others' frames are left out."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    one, other = plant.station("192.0.2.101"), plant.station("192.0.2.102")
    busy = plant.tcp(one, other).open()
    for _ in range(150):
        busy.exchange(b"more", b"and more")
    session.poll(4)
    records = ended(plant).records
    own = [record for record in records if record.outbound]
    copies = [layouts.Record(one.time + 20_000, one.data, True) for one in own]
    octets = layouts.pcap(sorted([*records, *copies], key=lambda record: record.time))
    result, _ = trimmed(octets, out)
    assert not result.sparing
    assert slugs(result.copy) == slugs(result.original)
    assert result.copy.facts.coverage.frames == result.original.facts.coverage.frames


def test_others_can_read_the_copy(out: Path) -> None:
    octets = telling().pcap(nanoseconds=True)
    before = list(dpkt.pcap.Reader(io.BytesIO(octets)))
    _, copy = trimmed(octets, out)
    after = list(dpkt.pcapng.Reader(io.BytesIO(copy)))
    assert {round(float(time), 6) for time, _ in after} <= {
        round(float(time), 6) for time, _ in before
    }
    (first, was), (again, now) = before[0], after[0]
    assert float(first) == pytest.approx(float(again), abs=1e-6)
    assert now[:14] == was[:14]
    spoken = [dpkt.ethernet.Ethernet(frame) for _, frame in after]
    assert sum(isinstance(getattr(one.data, "data", None), dpkt.tcp.TCP) for one in spoken) > 20


def plain_sums() -> Plant:
    """A story without checksums that are left to an adapter."""
    plant = Plant(offload=False)
    pc, unit, router = plant.pc(), plant.station(), plant.station("192.0.2.1")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.ping(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    plant.unreachable(router, pc, plant.datagram(pc, "198.51.100.9", 50001, 47809, SECRET))
    plant.datagram(unit, pc, 47808, 50000, SECRET)
    return ended(plant)


@renamed_or_not
@pytest.mark.parametrize("keep", [False, True], ids=["filled", "payload kept"])
def test_lengths_and_checksums_are_right_to_independent_readers(
    key: bytes | None, keep: bool, out: Path
) -> None:
    """dpkt reads the file and sums anew (RFC 1071); scapy builds every packet anew."""
    octets = plain_sums().pcap()
    _, copy = trimmed(octets, out, key=key, keep_payload=keep)
    before = [frame for _, frame in dpkt.pcap.Reader(io.BytesIO(octets))]
    after = [frame for _, frame in dpkt.pcapng.Reader(io.BytesIO(copy))]
    assert [len(frame) for frame in after] == [len(frame) for frame in before]
    packets = [packet for packet in map(dpkt.ethernet.Ethernet, after) if packet.type == 0x0800]
    assert len(packets) > 15
    for packet in packets:
        ip = packet.data
        assert dpkt.dpkt.in_cksum(bytes(ip)[: ip.hl * 4]) == 0
        told = bytes(ip)[: ip.len]
        anew = IP(told)
        for layer in (IP, TCP, UDP, ICMP):
            if layer in anew:
                del anew[layer].chksum
        assert bytes(anew) == told


def test_renamed_stations_share_networks_as_before_to_an_independent_reader(out: Path) -> None:
    """Who shares a network of 24 bits, read by dpkt; no adapter's maker is to be seen."""
    octets = plain_sums().pcap()
    result, copy = trimmed(octets, out, key=KEY)

    def networks(reader: Any) -> list[tuple[bool, bool]]:
        packets = (dpkt.ethernet.Ethernet(frame) for _, frame in reader)
        return [(p.data.src[:3] == p.data.dst[:3], p.data.src == p.data.dst)
                for p in packets if p.type == 0x0800]  # fmt: skip

    assert networks(dpkt.pcapng.Reader(io.BytesIO(copy))) == networks(
        dpkt.pcap.Reader(io.BytesIO(octets))
    )
    assert {one.maker for one in result.copy.facts.stations} == {None}
    assert result.renamed.keys() >= {"192.0.2.15", "192.0.2.60", "192.0.2.1", "198.51.100.9"}
    assert not set(result.names.values()) & set(result.names)
    assert result.renamed["192.0.2.1"].endswith((".1", ".254"))


# --- what stayed --------------------------------------------------------------------------------


@renamed_or_not
def test_times_directions_and_the_interface_stay(key: bytes | None, out: Path) -> None:
    plant = telling()
    records = [layouts.Record(one.time + 7, one.data, one.outbound) for one in plant.records]
    octets = layouts.pcapng(
        records, resolution=9, name="first floor", hw="00:00:5e:00:53:15", address="192.0.2.15/26",
        speed=100_000_000, drops=0,
    )  # fmt: skip
    before, chunks = raw.read(octets)
    _, copy = trimmed(octets, out, key=key, keep_payload=True)
    after, copied = raw.read(copy)
    for chunk, again in zip(chunks, copied, strict=True):
        assert set(again.time.tolist()) <= set(chunk.time.tolist())
        assert again.time[0] == chunk.time[0]
        assert set(again.direction.tolist()) == {1, 2}
    (was,), (now,) = before.interfaces, after.interfaces
    assert (now.link, now.snap_length, now.speed, now.lost) == (
        was.link, was.snap_length, was.speed, was.lost,
    )  # fmt: skip
    assert now.addresses[0][1] == was.addresses[0][1]
    assert (now.addresses == was.addresses) is (key is None)
    assert (now.hardware == was.hardware) is (key is None)
    assert now.name == ""
    assert after.comments == ["A comment."]


def test_the_copy_ends_where_a_damaged_recording_does(out: Path) -> None:
    octets = telling().pcap()[:-7]
    result, copy = trimmed(octets, out)
    assert "damaged-file" in slugs(result.copy)
    assert diagnosed(copy).facts.damage is not None


def test_frames_without_a_time_stay_so(out: Path) -> None:
    frames = [raw.simple(record.data) for record in telling().records]
    octets = raw.section() + raw.interface() + b"".join(frames)
    result, _ = trimmed(octets, out)
    assert result.original.facts.untimed == len(frames)
    assert result.copy.facts.untimed == result.copy.facts.coverage.frames


def test_gzip_packs_the_copy(tmp_path: Path) -> None:
    octets = telling().pcap()
    _, plain = trimmed(octets, tmp_path / "copy.pcapng")
    _, packed = trimmed(octets, tmp_path / "copy.pcapng.gz")
    assert packed[:2] == b"\x1f\x8b"
    assert len(packed) < len(plain) / 2
    assert judgement(diagnosed(packed)) == judgement(diagnosed(octets))


def test_the_same_order_gives_the_same_copy(out: Path) -> None:
    octets = telling().pcap()
    assert trimmed(octets, out, key=KEY)[1] == trimmed(octets, out, key=KEY)[1]
    assert trimmed(octets, out, key=KEY)[1] != trimmed(octets, out, key=bytes(16))[1]


# --- files --------------------------------------------------------------------------------------


def test_an_existing_file_is_left_alone(tmp_path: Path) -> None:
    there = tmp_path / "copy.pcapng"
    there.write_bytes(b"mine")

    @contextmanager
    def again() -> Iterator[Recording]:
        yield open_recording(io.BytesIO(telling().pcap()), "test")

    with pytest.raises(BadOption, match="exists already"):
        trim(again, ALL, Told(), Order(""), there)
    assert there.read_bytes() == b"mine"


@pytest.mark.parametrize("problem", [OSError(28, "No space left"), KeyboardInterrupt()])
def test_nothing_is_left_of_a_copy_that_breaks_off(
    problem: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_off(*_: object) -> None:
        raise problem

    monkeypatch.setattr(trimming.Writer, "end", break_off)
    expected = BadOption if isinstance(problem, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        trimmed(telling().pcap(), tmp_path / "copy.pcapng")
    assert list(tmp_path.iterdir()) == []


def test_a_copy_that_is_judged_otherwise_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        trimming.Rewriter, "frame", lambda *arguments, **_: bytes(len(arguments[1]))
    )
    with pytest.raises(Unusable, match="not be judged"):
        trimmed(telling().pcap(), tmp_path / "copy.pcapng")
    assert list(tmp_path.iterdir()) == []


def test_counts_that_add_up_beyond_64_bits_are_written(out: Path) -> None:
    most = raw.option(5, b"\xff" * 8) + raw.option(7, b"\xff" * 8)
    octets = telling().pcapng() + raw.statistics(0, most)
    _, copy = trimmed(octets, out)
    assert raw.read(copy)[0].interfaces[0].lost == 2**64 - 1


def test_until_it_is_diagnosed_a_copy_has_another_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So a signal that nothing can catch leaves none under the name that was given."""
    there: list[bool] = []
    out, judge = tmp_path / "copy.pcapng", trimming.diagnose

    def diagnose(*given: Any) -> Diagnosis:
        there.append(out.exists())
        return judge(*given)

    monkeypatch.setattr(trimming, "diagnose", diagnose)
    trimmed(telling().pcap(), out)
    assert there == [False, False]
    assert list(tmp_path.iterdir()) == []


def test_a_copy_says_how_long_the_recorder_listened(out: Path) -> None:
    """Silence stays evidence where no frame came any more."""
    second = 10**9
    one = Interface(1, 65535, 9, name="cable")
    frame = bytes.fromhex("ffffffffffff00005e0053150806") + bytes(46)
    blocks = [pcapng.section(), pcapng.interface(one), pcapng.packet(20 * second, frame)]
    blocks.append(pcapng.statistics(50 * second, 10 * second, 50 * second))
    result, _ = trimmed(b"".join(blocks), out)
    for diagnosis in (result.original, result.copy):
        assert diagnosis.facts.coverage.lead == 10
        assert diagnosis.facts.coverage.seconds == 30
