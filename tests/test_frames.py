"""The frame table: every header where the standard puts it, and nothing made of lies."""

import struct
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.frames import NO_HARDWARE, NO_TAG, Decoder, Frames, Kind
from analyzer.inputs.pcap import BLOCK
from analyzer.inputs.records import Direction, Interface, Link
from tests import raw
from tests.raw import PC, PC_HW, UNIT, UNIT_HW, ethernet, ipv4, table

MS = 1_000_000  # nanoseconds
LINKS = [int(link) for link in Link]
PLAIN_TCP = ipv4(raw.tcp(b"hello"), 6)


def number(text: str) -> int:
    return int.from_bytes(raw.ip(text))


def hw(text: str) -> int:
    return int(text, 16)


def layers(frames: Frames) -> tuple[int, int, int, int, int]:
    """Rows in the ARP, IPv4, TCP, UDP and ICMP tables."""
    return (
        len(frames.arp.row),
        len(frames.ip.row),
        len(frames.tcp.row),
        len(frames.udp.row),
        len(frames.icmp.row),
    )


def assert_plain_tcp(frames: Frames) -> None:
    assert layers(frames) == (0, 1, 1, 0, 0)
    assert frames.ip.src.tolist() == [number(PC)]
    assert frames.ip.dst.tolist() == [number(UNIT)]
    assert (frames.tcp.sport.tolist(), frames.tcp.dport.tolist()) == ([49152], [502])
    assert (frames.tcp.seq.tolist(), frames.tcp.ack.tolist()) == ([100], [300])
    assert frames.tcp.length.tolist() == [5]
    assert frames.octets_at(0, int(frames.tcp.payload[0]), 99) == b"hello"


# --- link layers ----------------------------------------------------------------------------------


def test_ethernet() -> None:
    frames = table(ethernet(PLAIN_TCP))
    assert_plain_tcp(frames)
    assert (frames.src.tolist(), frames.dst.tolist()) == ([hw(PC_HW)], [hw(UNIT_HW)])
    assert frames.tag.tolist() == [NO_TAG]
    assert frames.number.tolist() == [1]


@pytest.mark.parametrize(
    ("tags", "first"),
    [
        ("8100000a", 10),
        ("8100a00a", 10),  # priority 5
        ("8100f00a", 10),  # priority 7, drop eligible
        ("8100a000", 0),  # id 0: priority only (IEEE 802.1Q 9.6)
        ("88a80064 8100000a", 100),
        ("91000064 8100000a", 100),
        ("88a80001 88a80002 81000003 81000004", 1),
    ],
)
def test_vlan_tags(tags: str, first: int) -> None:
    frames = table(ethernet(PLAIN_TCP, tags=bytes.fromhex(tags)))
    assert_plain_tcp(frames)
    assert frames.tag.tolist() == [first]
    assert frames.kind.tolist() == [Kind.IPV4]


def test_a_tower_of_tags_is_not_climbed() -> None:
    frames = table(ethernet(PLAIN_TCP, tags=bytes.fromhex("81000001") * 5))
    assert layers(frames) == (0, 0, 0, 0, 0)
    assert frames.tag.tolist() == [1]


def test_spanning_tree_in_llc_and_in_snap() -> None:
    tree = bytes(35)
    plain = ethernet(b"\x42\x42\x03" + tree, 38, dst="0180c2000000")
    snap = ethernet(bytes.fromhex("aaaa0300000c010b") + tree, 43, dst="01000ccccccd")
    tagged = ethernet(b"\x42\x42\x03" + tree, 38, tags=bytes.fromhex("81000001"))
    assert table(plain, snap, tagged).kind.tolist() == [Kind.SPANNING_TREE] * 3


def test_llc_and_snap_of_other_kinds() -> None:
    netbios = ethernet(b"\xf0\xf0\x03" + bytes(40), 43)
    private = ethernet(bytes.fromhex("aaaa03 00000c 0800") + PLAIN_TCP, 60)
    short = ethernet(b"", 3)
    frames = table(netbios, private, short)
    assert frames.kind.tolist() == [Kind.OTHER_LLC] * 3
    assert layers(frames) == (0, 0, 0, 0, 0)


def test_ipv4_in_snap() -> None:
    """RFC 1042: organisation 00-00-00, then the EtherType."""
    assert_plain_tcp(table(ethernet(bytes.fromhex("aaaa03 000000 0800") + PLAIN_TCP, 53)))


@pytest.mark.parametrize("link", [Link.RAW, Link.IPV4])
def test_raw_ip(link: int) -> None:
    frames = table(PLAIN_TCP, link=link)
    assert_plain_tcp(frames)
    assert frames.src.tolist() == frames.dst.tolist() == [int(NO_HARDWARE)]


@pytest.mark.parametrize("link", [Link.RAW, Link.IPV6])
def test_raw_ipv6_is_counted(link: int) -> None:
    frames = table(bytes.fromhex("60000000") + bytes(36), link=link)
    assert frames.kind.tolist() == [Kind.IPV6]
    assert layers(frames) == (0, 0, 0, 0, 0)


def cooked(way: int, kind: int = 0x0800, hardware: str = UNIT_HW, length: int = 6) -> bytes:
    address = bytes.fromhex(hardware).ljust(8, b"\0")
    return struct.pack(">HHH", way, 1, length) + address + struct.pack(">H", kind)


def cooked2(way: int, kind: int = 0x0800, hardware: str = UNIT_HW, length: int = 6) -> bytes:
    address = bytes.fromhex(hardware).ljust(8, b"\0")
    return struct.pack(">HHIHBB", kind, 0, 2, 1, way, length) + address


@pytest.mark.parametrize(("header", "link"), [(cooked, Link.COOKED), (cooked2, Link.COOKED2)])
def test_cooked(header: object, link: int) -> None:
    assert callable(header)
    for way, direction in ((0, Direction.IN), (1, Direction.IN), (4, Direction.OUT)):
        frames = table(header(way) + PLAIN_TCP, link=link)
        assert_plain_tcp(frames)
        assert frames.src.tolist() == [hw(UNIT_HW)]
        assert frames.dst.tolist() == [int(NO_HARDWARE)]
        assert frames.direction.tolist() == [direction]
    nameless = table(header(0, length=0) + PLAIN_TCP, link=link)
    assert nameless.src.tolist() == [int(NO_HARDWARE)]
    arp = raw.arp(1, PC_HW, PC, "00" * 6, UNIT)
    assert layers(table(header(1, 0x0806) + arp, link=link)) == (1, 0, 0, 0, 0)
    tree = table(header(2, 4) + b"\x42\x42\x03" + bytes(35), link=link)
    assert tree.kind.tolist() == [Kind.SPANNING_TREE]
    tagged = table(header(0, 0x8100) + bytes.fromhex("000a0800") + PLAIN_TCP, link=link)
    assert_plain_tcp(tagged)
    assert tagged.tag.tolist() == [10]


@pytest.mark.parametrize("link", [Link.NULL, Link.LOOP])
@pytest.mark.parametrize("order", ["<", ">"])
def test_loopback_in_either_order(link: int, order: str) -> None:
    assert_plain_tcp(table(struct.pack(order + "I", 2) + PLAIN_TCP, link=link))
    for family in (24, 28, 30):
        frames = table(struct.pack(order + "I", family) + bytes(40), link=link)
        assert frames.kind.tolist() == [Kind.IPV6]
    other = table(struct.pack(order + "I", 7) + PLAIN_TCP, link=link)
    assert other.kind.tolist() == [Kind.UNREADABLE]


def test_link_types_that_cannot_be_read_are_counted() -> None:
    frames = table(ethernet(PLAIN_TCP), PLAIN_TCP, link=105)
    assert frames.kind.tolist() == [Kind.UNREADABLE] * 2
    assert layers(frames) == (0, 0, 0, 0, 0)


@pytest.mark.parametrize("kind", [Kind.IPV6, Kind.EAPOL, Kind.LLDP, 0x8892, 0x9000])
def test_other_kinds_are_counted(kind: int) -> None:
    frames = table(ethernet(PLAIN_TCP, kind))
    assert frames.kind.tolist() == [kind]
    assert layers(frames) == (0, 0, 0, 0, 0)


def test_each_interface_has_its_own_link_layer() -> None:
    octets = raw.section() + raw.interface(1) + raw.interface(101) + raw.interface(113)
    octets += raw.enhanced(cooked(4) + PLAIN_TCP, 0, 2) + raw.enhanced(PLAIN_TCP, 9000, 1)
    octets += raw.enhanced(ethernet(PLAIN_TCP), 18000, 0)
    (frames,) = raw.decoded(octets)
    assert layers(frames) == (0, 3, 3, 0, 0)
    assert frames.src.tolist() == [hw(UNIT_HW), int(NO_HARDWARE), hw(PC_HW)]


def test_fcs_is_taken_off() -> None:
    fcs = b"\xde\xad\xbe\xef"
    whole = ethernet(PLAIN_TCP).ljust(60, b"\0")
    header = raw.pcap_header(link=0x24000001)
    (frames,) = raw.decoded(header + raw.record(whole + fcs))
    assert (frames.wire.tolist(), frames.stored.tolist()) == ([60], [60])
    (cut,) = raw.decoded(header + raw.record(whole[:58], original=64))
    assert (cut.wire.tolist(), cut.stored.tolist()) == ([60], [58])
    (part,) = raw.decoded(header + raw.record(whole + fcs[:2], original=64))
    assert (part.wire.tolist(), part.stored.tolist()) == ([60], [60])
    options = raw.option(13, b"\x20")
    octets = raw.section() + raw.interface(options=options) + raw.enhanced(whole + fcs)
    assert raw.decoded(octets)[0].wire.tolist() == [60]


# --- ARP ------------------------------------------------------------------------------------------


def test_arp() -> None:
    frames = table(raw.arp_frame(2, UNIT_HW, UNIT, PC, tha=PC_HW, dst=PC_HW).ljust(60, b"\0"))
    arp = frames.arp
    assert arp.operation.tolist() == [2]
    assert (arp.sha.tolist(), arp.spa.tolist()) == ([hw(UNIT_HW)], [number(UNIT)])
    assert (arp.tha.tolist(), arp.tpa.tolist()) == ([hw(PC_HW)], [number(PC)])


@pytest.mark.parametrize(("at", "octets"), [(16, "86dd"), (18, "0804"), (18, "0610"), (18, "0000")])
def test_arp_for_other_protocols_or_lengths_is_left_out(at: int, octets: str) -> None:
    frame = bytearray(raw.arp_frame(1, PC_HW, PC, UNIT))
    frame[at : at + 2] = bytes.fromhex(octets)
    frames = table(bytes(frame))
    assert frames.kind.tolist() == [Kind.ARP]
    assert len(frames.arp.row) == 0


def test_arp_cut_short_is_left_out() -> None:
    frame = raw.arp_frame(1, PC_HW, PC, UNIT)
    assert [len(table(frame[:size]).arp.row) for size in (41, 42)] == [0, 1]


# --- IPv4 -----------------------------------------------------------------------------------------


def test_ipv4_fields() -> None:
    frames = table(ethernet(ipv4(raw.tcp(), 6, id=0xBEEF, ttl=17)))
    assert (frames.ip.id.tolist(), frames.ip.ttl.tolist()) == ([0xBEEF], [17])
    assert frames.ip.protocol.tolist() == [6]
    assert frames.ip.length.tolist() == [20]


def test_options_stand_between_header_and_body() -> None:
    for size in (4, 20, 40):
        assert_plain_tcp(table(ethernet(ipv4(raw.tcp(b"hello"), 6, options=b"\x01" * size))))


def test_fragments() -> None:
    """RFC 791 3.2: only the first fragment has the ports."""
    body = raw.udp(bytes(1472), length=3008)
    first = ethernet(ipv4(body, 17, id=7, fragment=0x2000))
    middle = ethernet(ipv4(bytes(1480), 17, id=7, fragment=0x2000 | 185))
    last = ethernet(ipv4(bytes(48), 17, id=7, fragment=370))
    frames = table(first, middle, last)
    assert layers(frames) == (0, 3, 0, 1, 0)
    assert frames.udp.row.tolist() == [0]
    assert frames.udp.length.tolist() == [3000]
    assert not frames.copy.any()


def test_do_not_fragment_is_no_fragment() -> None:
    assert layers(table(ethernet(ipv4(raw.tcp(), 6, fragment=0x4000)))) == (0, 1, 1, 0, 0)


def test_total_length_zero_means_all_that_is_there() -> None:
    """Segmentation offload: the adapter fills it in when it cuts the segment."""
    packet = ipv4(raw.tcp(bytes(5000)), 6, total=0)
    assert table(ethernet(packet)).tcp.length.tolist() == [5000]


def test_a_length_beyond_the_frame_counts_up_to_its_end_on_the_wire() -> None:
    lies = ethernet(ipv4(raw.tcp(b"hello"), 6, total=5000))
    true = ethernet(ipv4(raw.tcp(bytes(1000)), 6))
    padded = ethernet(ipv4(raw.tcp(b"hello"), 6)).ljust(60, b"\0")
    stored = (lies, padded, true[:60], lies[:54])
    records = (
        raw.record(data, n * raw.SECOND, original=len(whole))
        for n, (data, whole) in enumerate(zip(stored, (lies, padded, true, lies), strict=True))
    )
    (frames,) = raw.decoded(raw.pcap_header() + b"".join(records))
    assert frames.tcp.length.tolist() == [5, 5, 1000, 5]
    assert frames.ip.surplus.tolist() == [4955, 0, 0, 4955]


def test_the_check_sequence_is_no_room_for_a_packet() -> None:
    octets = raw.pcap_header(link=0x24000001) + raw.record(
        ethernet(ipv4(raw.tcp(b"hello"), 6, total=49)) + b"fcs!"
    )
    (frames,) = raw.decoded(octets)
    assert frames.tcp.length.tolist() == [5]


@pytest.mark.parametrize(
    "datagram",
    [
        ipv4(raw.tcp(), 6, first=0x44),  # header length below 20
        ipv4(raw.tcp(), 6, first=0x65),  # version 6
        ipv4(raw.tcp(), 6, total=19),  # shorter than its own header
        ipv4(raw.tcp(), 6, first=0x4F, total=40),  # header longer than the packet
        ipv4(raw.tcp(), 6)[:19],
        b"",
    ],
)
def test_an_ipv4_header_that_contradicts_itself_is_left_out(datagram: bytes) -> None:
    frames = table(ethernet(datagram))
    assert layers(frames) == (0, 0, 0, 0, 0)
    assert frames.kind.tolist() == [Kind.IPV4]
    assert frames.src.tolist() == [hw(PC_HW)]


# --- TCP, UDP, ICMP -------------------------------------------------------------------------------


def test_payload_length_is_from_the_headers_not_from_the_padding() -> None:
    bare, one = ipv4(raw.tcp(), 6), ipv4(raw.tcp(b"x", seq=101), 6, id=2)
    frames = table(*(ethernet(packet).ljust(60, b"\0") for packet in (bare, one)))
    assert frames.tcp.length.tolist() == [0, 1]


def test_payload_length_is_from_the_headers_not_from_what_was_stored() -> None:
    frame = ethernet(ipv4(raw.tcp(bytes(1000)), 6))
    (frames,) = raw.decoded(raw.pcap_header() + raw.record(frame[:60], original=len(frame)))
    assert frames.tcp.length.tolist() == [1000]
    assert frames.octets_at(0, int(frames.tcp.payload[0]), 99) == bytes(6)


def test_tcp_fields() -> None:
    segment = raw.tcp(b"abc", 0x12, 502, 49152, seq=2**32 - 1, ack=2**31, window=65535)
    tcp = table(ethernet(ipv4(segment, 6))).tcp
    assert (tcp.sport.tolist(), tcp.dport.tolist()) == ([502], [49152])
    assert (tcp.seq.tolist(), tcp.ack.tolist()) == ([2**32 - 1], [2**31])
    assert (tcp.flags.tolist(), tcp.window.tolist()) == ([0x12], [65535])


def test_tcp_options_are_not_payload() -> None:
    for size in (4, 40):
        segment = raw.tcp(b"hello", options=b"\x01" * size)
        assert_plain_tcp(table(ethernet(ipv4(segment, 6))))


@pytest.mark.parametrize("offset", [0x00, 0x40, 0xF0])
def test_a_tcp_header_that_contradicts_itself_is_left_out(offset: int) -> None:
    segment = bytearray(raw.tcp())
    segment[12] = offset
    assert layers(table(ethernet(ipv4(bytes(segment), 6)))) == (0, 1, 0, 0, 0)


@pytest.mark.parametrize(
    ("protocol", "body", "header"), [(6, raw.tcp(), 20), (17, raw.udp(), 8), (1, raw.icmp(8), 8)]
)
def test_headers_cut_short_are_left_out(protocol: int, body: bytes, header: int) -> None:
    frame = ethernet(ipv4(body, protocol))
    whole = 34 + header
    for size, found in ((whole, 1), (whole - 1, 0), (34, 0)):
        (frames,) = raw.decoded(raw.pcap_header() + raw.record(frame[:size], original=len(frame)))
        assert sum(layers(frames)[2:]) == found
        assert len(frames.ip.row) == 1


def test_a_total_length_too_short_for_the_next_header_leaves_it_out() -> None:
    frames = table(ethernet(ipv4(raw.tcp(), 6, total=39)), ethernet(ipv4(raw.udp(), total=27)))
    assert layers(frames) == (0, 2, 0, 0, 0)


def test_udp() -> None:
    frames = table(ethernet(ipv4(raw.udp(b"data", 1000, 67))).ljust(60, b"\0"))
    udp = frames.udp
    assert (udp.sport.tolist(), udp.dport.tolist(), udp.length.tolist()) == ([1000], [67], [4])
    assert frames.octets_at(0, int(udp.payload[0]), 4) == b"data"
    assert table(ethernet(ipv4(raw.udp(length=3)))).udp.length.tolist() == [0]


def test_icmp_and_the_packet_that_it_quotes() -> None:
    quoted = ipv4(raw.tcp(flags=2), 6, options=b"\x01" * 8)[:36]
    frames = table(ethernet(ipv4(raw.icmp(3, 1, 0, quoted), 1, UNIT, PC)))
    assert layers(frames) == (0, 1, 0, 0, 1)
    assert (frames.icmp.type.tolist(), frames.icmp.code.tolist()) == ([3], [1])
    assert frames.octets_at(0, int(frames.icmp.body[0]), 99) == quoted
    echo = table(ethernet(ipv4(raw.icmp(8, 0, 0x00010007), 1))).icmp
    assert (echo.id.tolist(), echo.seq.tolist()) == ([1], [7])


def test_times_and_numbers_run_over_chunks() -> None:
    big = ethernet(ipv4(raw.udp(bytes(60000))))
    octets = raw.pcap(*((n * raw.SECOND, big) for n in range(100)))
    numbers: list[int] = []
    seconds: list[float] = []
    parts = raw.decoded(octets)
    for frames in parts:
        numbers += frames.number.tolist()
        seconds += frames.seconds.tolist()
    assert len(parts) > 1
    assert numbers == [*range(1, 101)]
    assert seconds == [float(n) for n in range(100)]


# --- the recorder's copies ------------------------------------------------------------------------


def copies(*frames: tuple[int, bytes], link: int = 1) -> list[bool]:
    return [bool(one) for part in raw.decoded(raw.pcap(*frames, link=link)) for one in part.copy]


def segment(**fields: int) -> bytes:
    """A TCP segment in Ethernet; id, ttl and fragment go to the IPv4 header; other=1 changes the
    hardware address that it comes from, other=2 both.
    """
    src, dst = OTHER[fields.pop("other", 0)]
    outer = {name: fields.pop(name) for name in ("id", "ttl", "fragment") if name in fields}
    return ethernet(ipv4(raw.tcp(b"ask", **fields), 6, **outer), src=src, dst=dst)


OTHER = ((PC_HW, UNIT_HW), (raw.OTHER_HW, UNIT_HW), (raw.OTHER_HW, "00005e005398"))
DF = 0x4000
LATER = (100_000, 50 * MS, 30 * raw.SECOND)


def test_the_same_packet_within_a_millisecond_is_counted_once() -> None:
    assert copies((0, segment()), (MS, segment())) == [False, True]
    frames = table((0, segment()), (10, segment()))
    assert len(frames) == 2
    assert layers(frames) == (0, 1, 1, 0, 0)


def test_the_same_packet_later_is_no_copy() -> None:
    assert copies((0, segment()), (MS + 1, segment())) == [False, False]


def test_a_retransmission_is_no_copy() -> None:
    assert copies((0, segment(id=1)), (MS // 2, segment(id=2))) == [False, False]


def test_new_data_is_no_copy() -> None:
    assert copies((0, segment()), (10, segment(seq=103))) == [False, False]
    assert copies((0, segment()), (10, segment(ack=301))) == [False, False]
    assert copies((0, segment()), (10, segment(flags=0x10))) == [False, False]


def test_a_packet_before_and_behind_a_router_is_counted_once() -> None:
    behind = segment(ttl=63, other=1)
    assert copies((0, segment()), (200, behind)) == [False, True]


@pytest.mark.parametrize("delay", LATER)
@pytest.mark.parametrize(
    "behind",
    [
        {"ttl": 63, "other": 2},
        {"ttl": 63, "other": 1},
        {"ttl": 61, "other": 2},
        {"ttl": 64, "other": 2},
        {"ttl": 63, "other": 2, "id": 0, "fragment": DF},
    ],
    ids=["router", "one that keeps its address", "three routers", "TTL kept", "not numbered"],
)
def test_a_forwarded_packet_is_counted_once_at_any_delay(
    delay: int, behind: dict[str, int]
) -> None:
    sent = {**behind, "ttl": 64, "other": 0}
    frames = table((0, segment(**sent)), (delay, segment(**behind)))
    assert frames.copy.tolist() == frames.forwarded.tolist() == [False, True]
    assert layers(frames) == (0, 1, 1, 0, 0)


@pytest.mark.parametrize("delay", LATER[1:])
@pytest.mark.parametrize(
    "again",
    [
        {},
        {"id": 2},
        {"id": 0, "fragment": DF},
        {"id": 0, "fragment": DF, "other": 2},
        {"id": 0, "fragment": DF, "ttl": 128, "other": 1},
        {"ttl": 65, "other": 2},
        {"ttl": 60},
    ],
    ids=["as it was", "new number", "not numbered", "not numbered, elsewhere", "another stack",
         "TTL higher", "TTL lower, the same sender"],
)  # fmt: skip
def test_a_packet_sent_again_is_no_copy(delay: int, again: dict[str, int]) -> None:
    unnumbered = {name: again[name] for name in ("id", "fragment") if again.get("id") == 0}
    assert copies((0, segment(**unnumbered)), (delay, segment(**again))) == [False, False]


@pytest.mark.parametrize("number", [0, 7])
@pytest.mark.parametrize("kept", [0, 1])
def test_what_is_sent_again_through_a_router_is_one_repeat(number: int, kept: int) -> None:
    """Sent, forwarded, sent again, forwarded again. Without numbers the TTL alone tells."""
    if number == 0 and kept:
        return
    near = segment(id=number, fragment=DF)
    far = segment(id=number, fragment=DF, other=2, ttl=63 + kept)
    frames = [(0, near), (MS // 10, far), (300 * MS, near), (305 * MS, far)]
    assert copies(*frames) == [False, True, False, True]


def test_four_that_waited_in_a_router_are_four_copies() -> None:
    near, far = segment(), segment(ttl=63, other=2)
    sent = [(n * 2 * MS, near) for n in range(4)]
    passed = [(50 * MS + n * 2 * MS, far) for n in range(4)]
    assert copies(*sent, *passed) == [False] * 4 + [True] * 4


@pytest.mark.parametrize("answer", [{}, {"id": 0}, {"id": 0, "ttl": 128}, {"id": 0, "ttl": 255}])
def test_two_devices_that_answer_alike_are_no_copies(answer: dict[str, int]) -> None:
    """Both answer the same PC: the hardware address that they send to is the same."""
    first = segment(id=answer.get("id", 1))
    second = segment(**{"id": 1, **answer}, other=1)
    assert copies((0, first), (200, second)) == [False, False]


@pytest.mark.parametrize("other", [segment(other=1), segment(ttl=62, other=1), segment(ttl=60)])
def test_another_sender_or_another_way_is_no_copy(other: bytes) -> None:
    assert copies((0, segment()), (200, other)) == [False, False]


def test_a_tagged_and_an_untagged_copy_are_one_packet() -> None:
    tagged = ethernet(ipv4(raw.tcp(b"ask"), 6), tags=bytes.fromhex("8100000a"))
    assert copies((0, tagged), (50, segment())) == [False, True]


def test_arp_copies() -> None:
    ask = raw.arp_frame(1, PC_HW, PC, UNIT)
    answer = raw.arp_frame(2, UNIT_HW, UNIT, PC, tha=PC_HW)
    padded = ask.ljust(60, b"\0")
    assert copies((0, ask), (9, padded), (20, answer)) == [False, True, False]
    assert copies((0, ask), (raw.SECOND, ask)) == [False, False]


def test_copies_over_a_few_frames_between() -> None:
    between = [(n, segment(id=n, seq=n * 10)) for n in range(2, 7)]
    assert copies((0, segment()), *between, (9, segment())) == [False] * 6 + [True]


def test_a_router_that_repeats_a_copy_thrice() -> None:
    assert copies((0, segment()), (1, segment()), (2, segment())) == [False, True, True]


def test_copies_over_the_border_of_a_chunk() -> None:
    """The first chunk ends exactly behind the packet, the second holds its copy alone."""
    room = BLOCK - len(raw.record(segment()))
    filler = ethernet(ipv4(raw.udp(bytes(60000))))
    fill, rest = divmod(room, len(raw.record(filler)))
    frames = [(n * raw.SECOND, filler) for n in range(fill)]
    last = fill * raw.SECOND
    frames += [(last, ethernet(bytes(rest - 16 - 14), 0x9000)), (last, segment())]
    before, after = raw.decoded(raw.pcap(*frames, (last + 5, segment())))
    assert not before.copy.any()
    assert after.copy.tolist() == [True]


@pytest.mark.parametrize("remembered", [1, 4096])
def test_what_is_remembered_of_a_chunk_is_packets_and_not_their_copies(
    remembered: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A periodic packet without number: its copy must not be taken for what was sent."""
    monkeypatch.setattr("analyzer.frames.REMEMBERED", remembered)
    near, far = (segment(id=0, fragment=DF, ttl=64 - n, other=2 * n) for n in (0, 1))
    decoder = Decoder([Interface(1)])
    for second in range(3):
        at = second * raw.SECOND
        chunk = raw.only(raw.pcap((at, near), (at + 50 * MS, far)))
        assert decoder.decode(chunk).copy.tolist() == [False, True]


def test_a_forwarded_packet_behind_the_border_of_a_chunk() -> None:
    decoder = Decoder([Interface(1)])
    frames = (0, segment()), (50 * MS, segment(ttl=63, other=2))
    parts = [decoder.decode(raw.only(raw.pcap(one))) for one in frames]
    assert [part.copy.tolist() for part in parts] == [[False], [True]]


def test_ipv6_packets_that_differ_behind_their_header_are_no_copies() -> None:
    def packet(ack: int) -> bytes:
        head = bytes.fromhex("60000000") + struct.pack(">HBB", 32, 6, 64) + bytes(32)
        options = bytes.fromhex("0101080a 00000001 00000001")
        return ethernet(head + raw.tcp(b"", 0x10, ack=ack, options=options), 0x86DD)

    assert copies((0, packet(1)), (10, packet(2)), (20, packet(2))) == [False, False, True]


def test_fragments_of_one_packet_are_no_copies() -> None:
    def part(fragment: int) -> bytes:
        return ethernet(ipv4(bytes(1480), 17, id=9, fragment=fragment))

    assert copies((0, part(0x20B9)), (1, part(0x2172)), (2, part(0x2172))) == [False, False, True]


def test_cooked_and_raw_copies() -> None:
    sent, received = cooked(4, hardware=PC_HW) + PLAIN_TCP, cooked(0, hardware=PC_HW) + PLAIN_TCP
    assert copies((0, sent), (5, received), link=113) == [False, True]
    assert copies((0, PLAIN_TCP), (5, PLAIN_TCP), link=101) == [False, True]


# --- anything at all ------------------------------------------------------------------------------


def assert_sound(frames: Frames) -> None:
    """What every table promises, whatever the octets were."""
    count = len(frames)
    assert (frames.stored >= 0).all()
    assert (frames.stored <= frames.wire).all()
    assert (frames.end >= frames.start).all()
    for layer in (frames.arp, frames.ip, frames.tcp, frames.udp, frames.icmp):
        assert (layer.row < count).all()
        assert (np.diff(layer.row) > 0).all()
        assert not frames.copy[layer.row].any()
    for inner in (frames.tcp, frames.udp, frames.icmp):
        assert (frames.ip.row[inner.ip] == inner.row).all()
    on_wire = (frames.start + frames.wire)[frames.ip.row]
    assert (frames.ip.body + frames.ip.length <= np.maximum(frames.ip.body, on_wire)).all()
    for lengths in (frames.ip.length, frames.tcp.length, frames.udp.length):
        assert (lengths >= 0).all()


STARTS = [
    b"",
    ethernet(b""),
    ethernet(b"", 0x0806),
    ethernet(b"", 0x8100),
    ethernet(b"", 30),
    ethernet(b"\x45\0"),
    ethernet(ipv4(b"", 6, total=60)),
    ethernet(ipv4(b"", 17, total=60)),
    ethernet(ipv4(b"", 1, total=60)),
    cooked(0),
    cooked2(0),
    b"\2\0\0\0\x45",
]
noise = st.builds(lambda head, tail: head + tail, st.sampled_from(STARTS), st.binary(max_size=80))


@settings(max_examples=150, deadline=None)
@given(st.lists(noise, min_size=1, max_size=30), st.sampled_from([*LINKS, 105, 65535]))
def test_never_raises_on_random_octets(frames: Sequence[bytes], link: int) -> None:
    found = table(*((raw.SECOND, frame) for frame in frames), link=link)  # all zeros are no frame
    assert len(found) == len(frames)
    assert_sound(found)


@settings(max_examples=60, deadline=None)
@given(noise, st.integers(0, 100), st.integers(0, 4), st.integers(0, 2**32 - 1))
def test_never_raises_on_lying_lengths(data: bytes, cut: int, fcs: int, original: int) -> None:
    header = raw.pcap_header(link=1 | 0x04000000 | fcs << 28)
    (frames,) = raw.decoded(header + raw.record(data[:cut], raw.SECOND, original=original))
    assert_sound(frames)


def test_one_decoder_may_meet_new_interfaces_on_the_way() -> None:
    octets = raw.section() + raw.interface(1) + raw.enhanced(ethernet(PLAIN_TCP))
    octets += raw.section() + raw.interface(101) + raw.enhanced(PLAIN_TCP, 99_000)
    recording = raw.opened(octets)
    decoder = Decoder(recording.interfaces)
    tables = [decoder.decode(chunk) for chunk in recording.chunks]
    assert [layers(one) for one in tables] == [(0, 1, 1, 0, 0)] * 2
