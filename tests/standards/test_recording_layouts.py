"""Published values of recording files: octets, magic numbers, link types."""

import struct

import pytest

from analyzer.inputs import pcap
from analyzer.inputs.records import LINK_NAMES, Link
from tests import raw

ASK = bytes.fromhex(
    "ffffffffffff00005e0053010806 0001080006040001 00005e005301 c000020a 000000000000 c0000214"
)


def test_pcap_magic_numbers() -> None:
    """draft-ietf-opsawg-pcap, section 4: 0xA1B2C3D4 with microseconds, 0xA1B23C4D with
    nanoseconds, in the writer's order. (Its list of octets contradicts this: the numbers count.)"""
    assert {
        struct.pack("<I", 0xA1B2C3D4): ("<", 1000),
        struct.pack(">I", 0xA1B2C3D4): (">", 1000),
        struct.pack("<I", 0xA1B23C4D): ("<", 1),
        struct.pack(">I", 0xA1B23C4D): (">", 1),
    } == pcap.MAGICS


def test_pcap_worked_octets() -> None:
    """draft-ietf-opsawg-pcap, sections 4 and 5: little-endian, snap length 262144, Ethernet; a
    record of 42 octets at 1700000000.123456 s."""
    header = bytes.fromhex("d4c3b2a1020004000000000000000000 0000040001000000")
    record = bytes.fromhex("00f1536540e201002a0000002a000000")
    recording, (chunk,) = raw.read(header + record + ASK)
    assert (recording.interfaces[0].link, recording.interfaces[0].snap_length) == (1, 262144)
    assert chunk.time.tolist() == [1_700_000_000_123_456_000]
    assert raw.stored(chunk) == [ASK]


def test_pcap_link_type_word_with_fcs() -> None:
    """draft-ietf-opsawg-pcap, section 4: Ethernet with 4 octets of FCS is 0x24000001."""
    header = bytes.fromhex("d4c3b2a1020004000000000000000000 0000040001000024")
    recording, _ = raw.read(header)
    assert (recording.interfaces[0].link, recording.interfaces[0].fcs_octets) == (1, 4)


SECTION = bytes.fromhex("0a0d0d0a1c0000004d3c2b1a01000000ffffffffffffffff1c000000")
INTERFACE = bytes.fromhex("0100000014000000010000000000040014000000")


def test_pcapng_worked_octets() -> None:
    """draft-ietf-opsawg-pcapng, sections 4.1 to 4.3: 1700000000.123456 s is 0x60A2418202240 us;
    a block with a frame of 42 octets has 76 octets."""
    block = bytes.fromhex("06000000 4c000000 00000000 240a0600 40222018 2a000000 2a000000")
    block += ASK + bytes(2) + bytes.fromhex("4c000000")
    assert len(block) == 76
    recording, (chunk,) = raw.read(SECTION + INTERFACE + block)
    assert recording.damage is None
    assert (recording.interfaces[0].link, recording.interfaces[0].snap_length) == (1, 262144)
    assert chunk.time.tolist() == [1_700_000_000_123_456_000]
    assert raw.stored(chunk) == [ASK]


def test_pcapng_worked_nanoseconds() -> None:
    """draft-ietf-opsawg-pcapng, section 4.2: if_tsresol 9 is octets 0900 0100 09000000;
    1700000000123456789 is 0x17979CFE 0x3D85CD15."""
    options = bytes.fromhex("09000100 09000000 00000000")
    interface = raw.interface(options=options)
    packet = raw.enhanced(ASK, 0x17979CFE << 32 | 0x3D85CD15)
    chunk = raw.only(SECTION + interface + packet)
    assert chunk.time.tolist() == [1_700_000_000_123_456_789]


def test_pcapng_worked_binary_resolution() -> None:
    """draft-ietf-opsawg-pcapng, section 4.2: if_tsresol 0x8A counts in 1/1024 s."""
    interface = raw.interface(options=raw.option(9, b"\x8a"))
    chunk = raw.only(SECTION + interface + raw.enhanced(ASK, 1024 + 1))
    assert chunk.time.tolist() == [raw.SECOND + raw.SECOND // 1024]


def test_pcapng_worked_flags() -> None:
    """draft-ietf-opsawg-pcapng, section 4.3.1: outbound is 0200 0400 02000000; with the end of the
    options a block with 42 octets has 88."""
    packet = raw.enhanced(ASK, options=bytes.fromhex("02000400 02000000 00000000"))
    assert len(packet) == 88
    assert raw.only(SECTION + INTERFACE + packet).direction.tolist() == [2]


def test_pcapng_worked_address_option() -> None:
    """draft-ietf-opsawg-pcapng, section 4.2, if_IPv4addr: 192 168 1 1 255 255 255 0, in either
    octet order."""
    for order in "<>":
        options = raw.option(4, bytes([192, 168, 1, 1, 255, 255, 255, 0]), order)
        recording, _ = raw.read(raw.section(order) + raw.interface(options=options, order=order))
        assert recording.interfaces[0].addresses == [(0xC0A80101, 0xFFFFFF00)]


@pytest.mark.parametrize(
    ("number", "link"),
    [
        (0, Link.NULL),
        (1, Link.ETHERNET),
        (101, Link.RAW),
        (108, Link.LOOP),
        (113, Link.COOKED),
        (228, Link.IPV4),
        (229, Link.IPV6),
        (276, Link.COOKED2),
    ],
)
def test_link_type_numbers(number: int, link: Link) -> None:
    """draft-ietf-opsawg-pcaplinktype, the registry."""
    assert link == number
    assert number in LINK_NAMES


def test_link_types_known_by_name_only() -> None:
    """The same registry: 105 is IEEE 802.11, 127 the same with radiotap."""
    assert {105, 127} <= LINK_NAMES.keys()
    assert not {105, 127} & {int(link) for link in Link}
