"""The same recording, read by this program, by dpkt and by scapy: all three see the same frames."""

import gzip
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import dpkt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.l2 import ARP, Dot1Q, Dot3, Ether
from scapy.packet import Packet, Padding
from scapy.utils import PcapNgReader, PcapReader

from analyzer.frames import NO_HARDWARE
from captures import layouts
from captures.layouts import Record
from tests import raw

CAPTURES = Path(__file__).parents[1] / "captures"
RECORDINGS = sorted(
    path for path in CAPTURES.iterdir() if {".pcap", ".pcapng"} & set(path.suffixes)
)
CONTROL_BITS = 0x1F  # FIN, SYN, RST, PSH, ACK
START = 1_741_683_600 * raw.SECOND
DEVIATION = 1000  # nanoseconds: dpkt keeps seconds as a float


class Arp(NamedTuple):
    operation: int
    sha: int
    spa: int
    tha: int
    tpa: int


class Ip(NamedTuple):
    src: int
    dst: int
    id: int
    ttl: int
    protocol: int


class Tcp(NamedTuple):
    sport: int
    dport: int
    seq: int
    ack: int
    flags: int
    window: int
    payload: int


class Udp(NamedTuple):
    sport: int
    dport: int
    payload: int


class Icmp(NamedTuple):
    type: int
    code: int


class Row(NamedTuple):
    """One frame; payload: octets of it that are in the file."""

    time: int
    hardware: tuple[int, int] | None
    arp: Arp | None = None
    ip: Ip | None = None
    transport: Tcp | Udp | Icmp | None = None


# --- read by this program -------------------------------------------------------------------------


def by_us(octets: bytes) -> tuple[list[Row], set[int]]:
    """All frames, and the rows of the recorder's copies, which the tables leave out."""
    rows: list[Row] = []
    copies: set[int] = set()
    for frames in raw.decoded(octets):
        count = len(rows)
        for row, (time, src, dst) in enumerate(
            zip(frames.time.tolist(), frames.src.tolist(), frames.dst.tolist(), strict=True)
        ):
            known = NO_HARDWARE not in (src, dst)
            rows.append(Row(time, (src, dst) if known else None))
            if frames.copy[row]:
                copies.add(count + row)
        arp, ip = frames.arp, frames.ip
        for row, *values in columns(arp.row, arp.operation, arp.sha, arp.spa, arp.tha, arp.tpa):
            rows[count + row] = rows[count + row]._replace(arp=Arp(*values))
        for row, *values in columns(ip.row, ip.src, ip.dst, ip.id, ip.ttl, ip.protocol):
            rows[count + row] = rows[count + row]._replace(ip=Ip(*values))
        for row, transport in transports(frames):
            rows[count + row] = rows[count + row]._replace(transport=transport)
    return rows, copies


def columns(*arrays: Any) -> Iterator[tuple[int, ...]]:
    return zip(*(array.tolist() for array in arrays), strict=True)


def transports(frames: Any) -> Iterator[tuple[int, Tcp | Udp | Icmp]]:
    tcp, udp, icmp = frames.tcp, frames.udp, frames.icmp
    for row, sport, dport, seq, ack, flags, window, at, length in columns(
        tcp.row, tcp.sport, tcp.dport, tcp.seq, tcp.ack, tcp.flags, tcp.window, tcp.payload,
        tcp.length,
    ):  # fmt: skip
        stored = len(frames.octets_at(row, at, length))
        yield row, Tcp(sport, dport, seq, ack, flags, window, stored)
    for row, sport, dport, at, length in columns(
        udp.row, udp.sport, udp.dport, udp.payload, udp.length
    ):
        yield row, Udp(sport, dport, len(frames.octets_at(row, at, length)))
    for row, kind, code in columns(icmp.row, icmp.type, icmp.code):
        yield row, Icmp(kind, code)


# --- read by dpkt ---------------------------------------------------------------------------------


def by_dpkt(octets: bytes) -> list[Row]:
    reader = dpkt.pcap.UniversalReader(io.BytesIO(octets))
    link = reader.datalink()
    return [_dpkt_row(round(float(time) * 1e6) * 1000, data, link) for time, data in reader]


def _dpkt_row(time: int, data: bytes, link: int) -> Row:
    hardware = None
    if link == 1:
        frame = dpkt.ethernet.Ethernet(data)
        hardware, carried = (number(frame.src), number(frame.dst)), frame.data
    elif link == 113:
        carried = dpkt.sll.SLL(data).data
    else:
        carried = dpkt.ip.IP(data)
    if isinstance(carried, dpkt.arp.ARP):
        parts = (carried.sha, carried.spa, carried.tha, carried.tpa)
        return Row(time, hardware, arp=Arp(carried.op, *map(number, parts)))
    if not isinstance(carried, dpkt.ip.IP):
        return Row(time, hardware)
    src, dst = number(carried.src), number(carried.dst)
    ip = Ip(src, dst, carried.id, carried.ttl, carried.p)
    inner, transport = carried.data, None
    if isinstance(inner, dpkt.tcp.TCP):
        flags = inner.flags & CONTROL_BITS
        size = len(inner.data)
        transport = Tcp(inner.sport, inner.dport, inner.seq, inner.ack, flags, inner.win, size)
    elif isinstance(inner, dpkt.udp.UDP):
        transport = Udp(inner.sport, inner.dport, len(inner.data))
    elif isinstance(inner, dpkt.icmp.ICMP):
        transport = Icmp(inner.type, inner.code)
    return Row(time, hardware, ip=ip, transport=transport)


def number(octets: bytes) -> int:
    return int.from_bytes(octets)


# --- read by scapy --------------------------------------------------------------------------------


def by_scapy(octets: bytes) -> list[Row]:
    reader = PcapNgReader if octets.startswith(b"\x0a\x0d\x0d\x0a") else PcapReader
    return [_scapy_row(packet) for packet in reader(io.BytesIO(octets))]


def _scapy_row(packet: Packet) -> Row:
    time = round(packet.time * raw.SECOND)
    hardware = None
    if isinstance(packet, Ether | Dot3):
        hardware = (hex_number(packet.src), hex_number(packet.dst))
    if ARP in packet:
        arp = packet[ARP]
        parts = (hex_number(arp.hwsrc), dotted(arp.psrc), hex_number(arp.hwdst), dotted(arp.pdst))
        return Row(time, hardware, arp=Arp(arp.op, *parts))
    if IP not in packet:
        return Row(time, hardware)
    outer = packet[IP]
    ip = Ip(dotted(outer.src), dotted(outer.dst), outer.id, outer.ttl, outer.proto)
    inner, transport = outer.payload, None
    if isinstance(inner, TCP):
        flags = int(inner.flags) & CONTROL_BITS
        size = payload(inner)
        transport = Tcp(inner.sport, inner.dport, inner.seq, inner.ack, flags, inner.window, size)
    elif isinstance(inner, UDP):
        transport = Udp(inner.sport, inner.dport, payload(inner))
    elif isinstance(inner, ICMP):
        transport = Icmp(inner.type, inner.code)
    return Row(time, hardware, ip=ip, transport=transport)


def payload(packet: Packet) -> int:
    """Octets behind a header, without the padding of the frame."""
    padding = packet.getlayer(Padding)
    return len(packet.payload) - (len(padding) if padding else 0)


def hex_number(text: str) -> int:
    return int(text.replace(":", ""), 16)


def dotted(text: str) -> int:
    return int.from_bytes(raw.ip(text))


# --- all three ------------------------------------------------------------------------------------


def assert_same(octets: bytes) -> None:
    ours, copies = by_us(octets)
    for reader in (by_dpkt, by_scapy):
        theirs = reader(octets)
        if raw.read(octets)[0].damage is None:
            assert len(ours) == len(theirs)
        for index, (mine, other) in enumerate(zip(ours, theirs, strict=False)):
            assert abs(mine.time - other.time) <= DEVIATION
            bare = Row(mine.time, other.hardware) if index in copies else other
            assert mine == bare._replace(time=mine.time), (reader.__name__, index + 1)


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.name)
def test_demo_recordings(path: Path) -> None:
    octets = path.read_bytes()
    assert_same(gzip.decompress(octets) if path.suffix == ".gz" else octets)


addresses = st.integers(1, 0xDFFFFFFF).map(lambda n: ".".join(map(str, n.to_bytes(4))))
hardware_addresses = st.binary(min_size=6, max_size=6).map(lambda octets: octets.hex(":"))
ports = st.integers(0, 65535)
words = st.integers(0, 2**32 - 1)
data = st.binary(max_size=40)

arp_packets = st.builds(
    ARP,
    op=st.integers(0, 4),
    hwsrc=hardware_addresses,
    psrc=addresses,
    hwdst=hardware_addresses,
    pdst=addresses,
)
tcp_headers = st.builds(
    TCP,
    sport=ports,
    dport=ports,
    seq=words,
    ack=words,
    flags=st.integers(0, 255),
    window=ports,
    options=st.sampled_from([[], [("MSS", 1460)], [("NOP", None), ("Timestamp", (1, 2))]]),
)
udp_headers = st.builds(UDP, sport=ports, dport=ports)
icmp_headers = st.builds(ICMP, type=st.sampled_from([0, 3, 8, 11]), code=st.integers(0, 15))
ip_headers = st.builds(
    IP,
    src=addresses,
    dst=addresses,
    id=ports,
    ttl=st.integers(0, 255),
    tos=st.integers(0, 255),
    flags=st.sampled_from([0, 1, 2]),
    frag=st.sampled_from([0, 0, 0, 185]),
)
tags = st.lists(st.builds(Dot1Q, vlan=st.integers(0, 4095), prio=st.integers(0, 7)), max_size=2)


@st.composite
def frames(draw: st.DrawFn) -> bytes:
    frame = Ether(src=draw(hardware_addresses), dst=draw(hardware_addresses))
    for tag in draw(tags):
        frame /= tag
    if draw(st.integers(0, 4)) == 0:
        frame /= draw(arp_packets)
    else:
        header = draw(st.one_of(tcp_headers, udp_headers, icmp_headers))
        frame /= draw(ip_headers) / header / draw(data)
    return bytes(frame).ljust(draw(st.sampled_from([0, 60])), b"\0")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(frames(), min_size=1, max_size=6),
    st.integers(0, raw.SECOND - 1),
    st.booleans(),
    st.booleans(),
)
def test_generated_recordings(
    octets: list[bytes], part: int, big_endian: bool, next_generation: bool
) -> None:
    """A second apart, so that none is taken for the recorder's copy."""
    records = [
        Record(START + n * raw.SECOND + part, one, outbound=False) for n, one in enumerate(octets)
    ]
    if next_generation:
        assert_same(layouts.pcapng(records, resolution=9, big_endian=big_endian))
    else:
        assert_same(layouts.pcap(records, nanoseconds=True, big_endian=big_endian))
