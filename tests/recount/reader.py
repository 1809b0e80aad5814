"""A recording -> plain records, one a frame, on dpkt: a second reader that shares no line with the
tool's.

Conventions. Frames are numbered from 1 in file order. Seconds are counted from the first frame that
has a time; a frame without one (pcapng's simple packet block) stands at the frame before it.
Times beyond what 64 bits of nanoseconds show are held inside. Of a frame that was stored without
its end, a header counts where it was stored whole, and lengths are those that the headers tell. Of
fragments only the first has ports.

A copy is the same packet again, and no recount counts it. The same are packets with the same ARP
body, or the same IPv4 header (TTL and checksum aside) and the same 16 octets behind it, as an
adapter may fill in checksums in between; the same IPv6 packet (hop limit aside); of another kind,
the same frame. It is a copy within 1 ms of the first one from the same hardware address with the
same TTL, and at any time behind a router: with a TTL that is one lower, from another hardware
address; or with any lower TTL, or the same and an identification, between other hardware addresses.
"""

import gzip
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from ipaddress import IPv6Address
from pathlib import Path

import dpkt

ETHERNET, RAW, SLL, SLL2, LOOPBACK = (1,), (12, 14, 101, 228, 229), (113,), (276,), (0, 108)
IPV4, ARP, IPV6 = 0x0800, 0x0806, 0x86DD
TAGS = (0x8100, 0x88A8, 0x9100)
COPY_SECONDS = 0.001
LONG = b"\x34\xcd\xb2\xa1"
"""The magic of pcap files whose records have heads of 24 octets."""
LOOKED_AT = 8
"""Frames of the same packet that are looked at for the one that a frame is a copy of."""
LATEST = (2**63 - 1) / 1e9
SYN, RST, FIN, PSH, ACK = 2, 4, 1, 8, 16


@dataclass(frozen=True)
class Arp:
    """One ARP packet; addresses as text."""

    operation: int
    sender: str
    sender_hw: str
    target: str
    target_hw: str

    @property
    def asks(self) -> bool:
        """Asks for another's hardware address, as a station that has an address."""
        return self.operation == 1 and self.sender not in ("0.0.0.0", self.target)

    @property
    def checks(self) -> bool:
        """Asks whether an address is free (RFC 5227 1.1), as a station without one."""
        return self.operation == 1 and self.sender == "0.0.0.0"

    @property
    def announces(self) -> bool:
        """Tells its own address without being asked."""
        return self.sender == self.target


@dataclass(frozen=True)
class Segment:
    """One TCP segment; size: octets of payload by the headers, payload: those that were stored."""

    sport: int
    dport: int
    seq: int
    ack: int
    flags: int
    window: int
    size: int
    payload: bytes

    def has(self, flag: int) -> bool:
        """Whether a control bit is set."""
        return bool(self.flags & flag)

    @property
    def calls(self) -> bool:
        """SYN alone."""
        return self.has(SYN) and not self.flags & (ACK | RST | FIN)

    @property
    def accepts(self) -> bool:
        """SYN with ACK."""
        return self.has(SYN) and self.has(ACK)


@dataclass(frozen=True)
class Quoted:
    """What an ICMP message says, and about which packet; ports None where they were not quoted."""

    type: int
    code: int
    gateway: str
    src: str
    dst: str
    protocol: int
    sport: int | None
    dport: int | None


@dataclass(frozen=True, eq=False)
class Frame:
    """One frame. src_hw and dst_hw are None where the link has none; size is that of the IPv4
    packet; body is what follows the network header, as stored.
    """

    number: int
    at: float
    timed: bool
    stored: int
    wire: int
    kind: int
    src_hw: str | None = None
    dst_hw: str | None = None
    tag: int | None = None
    arp: Arp | None = None
    src: str | None = None
    dst: str | None = None
    ttl: int = 0
    protocol: int = 0
    fragment: int = 0
    more: bool = False
    size: int = 0
    identification: int = 0
    tcp: Segment | None = None
    udp: tuple[int, int] | None = None
    echo: tuple[int, int, int] | None = None
    icmp: Quoted | None = None
    dhcp: bool = False  # or BOOTP, which it is built on
    same: bytes = b""
    copy: bool = False
    came_in: bool = False

    @property
    def numbered(self) -> bool:
        """Whether its sender numbers its packets (RFC 6864 4.1: 0 numbers nothing)."""
        return self.kind == IPV4 and self.identification != 0

    def between(self, src: str, dst: str) -> bool:
        """Whether it is a packet from one address to another."""
        return self.src == src and self.dst == dst


class Recording:
    """All frames of one file, and those that are no copies."""

    def __init__(self, octets: bytes) -> None:
        self.all = list(_frames(octets))

    @cached_property
    def frames(self) -> list[Frame]:
        """Without copies."""
        return [one for one in self.all if not one.copy]

    def __getitem__(self, number: int) -> Frame:
        return self.all[number - 1]


def read(path: Path) -> Recording:
    """The frames of a file, gzip opened."""
    octets = path.read_bytes()
    return Recording(gzip.decompress(octets) if octets[:2] == b"\x1f\x8b" else octets)


# --- files ----------------------------------------------------------------------------------------

Record = tuple[int, float | None, bytes, int, bool]
"""Link type, seconds, stored octets, octets on the wire, whether it is marked as received."""


def _records(octets: bytes) -> Iterator[Record]:
    if octets[:8] == b"snoop\0\0\0":
        yield from _snoop(octets)
    else:
        yield from (_pcapng if octets[:4] == b"\x0a\x0d\x0d\x0a" else _pcap)(octets)


def _snoop(octets: bytes) -> Iterator[Record]:
    """RFC 1761; data link type 4 is Ethernet."""
    link = 1 if octets[12:16] == b"\0\0\0\4" else -1
    place = 16
    while place + 24 <= len(octets):
        wire, stored, whole, _, second, part = struct.unpack_from(">6I", octets, place)
        if whole < 24 or place + whole > len(octets):
            return
        yield link, second + part / 1e6, octets[place + 24 : place + 24 + stored], wire, False
        place += whole


def _pcap(octets: bytes) -> Iterator[Record]:
    order = "<" if octets[:4] in (b"\xd4\xc3\xb2\xa1", b"\x4d\x3c\xb2\xa1", LONG) else ">"
    fine = octets[:4] in (b"\x4d\x3c\xb2\xa1", b"\xa1\xb2\x3c\x4d")
    link = struct.unpack_from(order + "I", octets, 20)[0] & 0xFFFF
    place, head = 24, 24 if octets[:4] in (LONG, LONG[::-1]) else 16
    while place + head <= len(octets):
        second, part, stored, wire = struct.unpack_from(order + "4I", octets, place)
        if place + head + stored > len(octets):
            return
        moment = second + part / (1e9 if fine else 1e6)
        yield link, moment, octets[place + head : place + head + stored], wire, False
        place += head + stored


def _pcapng(octets: bytes) -> Iterator[Record]:
    place, order = 0, "<"
    interfaces: list[tuple[int, int, float, int]] = []
    while place + 12 <= len(octets):
        kind = octets[place : place + 4]
        if kind == b"\x0a\x0d\x0d\x0a":
            order = "<" if octets[place + 8 : place + 12] == b"\x4d\x3c\x2b\x1a" else ">"
            interfaces = []
        kind_number, length = struct.unpack_from(order + "2I", octets, place)
        if length < 12 or length % 4 or place + length > len(octets):
            return
        body = octets[place + 8 : place + length - 4]
        if kind_number == 1:
            interfaces.append(_interface(body, order))
        elif kind_number in (2, 6) and interfaces:
            layout = "I4I" if kind_number == 6 else "2H4I"
            first, *rest = struct.unpack_from(order + layout, body)
            high, low, stored, wire = rest[-4:]
            link, _, unit, offset = interfaces[first]
            moment = ((high << 32) + low) * unit + offset
            flags = _option(body, 20 + stored + -stored % 4, 2, order)
            yield link, moment, body[20 : 20 + stored], wire, flags & 3 == 1
        elif kind_number == 3 and interfaces:
            (wire,) = struct.unpack_from(order + "I", body)
            link, most, _, _ = interfaces[0]
            stored = min(wire, most or wire, len(body) - 4)
            yield link, None, body[4 : 4 + stored], wire, False
        place += length


def _option(body: bytes, place: int, wanted: int, order: str) -> int:
    """The number in an option of a block, 0 where it is not there."""
    while place + 8 <= len(body):
        code, length, value = struct.unpack_from(order + "2HI", body, place)
        if code == wanted:
            return int(value)
        place += 4 + length + -length % 4
    return 0


def _interface(body: bytes, order: str) -> tuple[int, int, float, int]:
    """Link type, most octets stored, seconds a tick, seconds to add."""
    link, _, most = struct.unpack_from(order + "2HI", body)
    unit, offset, place = 1e-6, 0, 8
    while place + 4 <= len(body):
        code, length = struct.unpack_from(order + "2H", body, place)
        value = body[place + 4 : place + 4 + length]
        if code == 9 and length == 1:
            unit = 2.0 ** -(value[0] & 0x7F) if value[0] & 0x80 else 10.0 ** -value[0]
        elif code == 14 and length == 8:
            (offset,) = struct.unpack(order + "q", value)
        place += 4 + length + -length % 4
    return link, most, unit, offset


# --- frames ---------------------------------------------------------------------------------------


def _frames(octets: bytes) -> Iterator[Frame]:
    began: float | None = None
    at = 0.0
    before: dict[bytes, list[Frame]] = {}
    for number, (link, moment, data, wire, came_in) in enumerate(_records(octets), 1):
        if moment is not None:
            began = moment if began is None else began
            at = min(moment, LATEST) - began
        one = Frame(number, at, moment is not None, len(data), wire, 0, came_in=came_in)
        frame = _frame(one, link, data)
        alike = before.setdefault(frame.same, [])
        if frame.same and any(_is_copy(old, frame) for old in alike):
            frame = replace(frame, copy=True)
        before[frame.same] = [*alike, frame][-LOOKED_AT:]
        yield frame


def _is_copy(old: Frame, new: Frame) -> bool:
    near = abs(new.at - old.at) <= COPY_SECONDS + 1e-9
    passed = old.ttl - new.ttl
    from_other = old.src_hw != new.src_hw
    between_others = from_other and old.dst_hw != new.dst_hw
    between_others &= None not in (old.src_hw, old.dst_hw, new.src_hw, new.dst_hw)
    if passed == 1:
        return near or from_other
    if passed > 1:
        return between_others
    return passed == 0 and ((near and not from_other) or (between_others and new.numbered))


def _frame(frame: Frame, link: int, data: bytes) -> Frame:
    kind, rest, src_hw, dst_hw, tag = _link(link, data)
    frame = replace(frame, kind=kind, src_hw=src_hw, dst_hw=dst_hw, tag=tag, same=data)
    try:
        if kind == ARP:
            return replace(frame, arp=_arp(rest), same=rest[:28])
        if kind == IPV4:
            return _ip(frame, rest)
        if kind == IPV6 and len(rest) >= 40:
            return _ip6(replace(frame, ttl=rest[7], same=rest[:7] + rest[8:]), rest)
    except (dpkt.UnpackError, struct.error, IndexError):
        pass
    return frame


def _hw(octets: bytes) -> str:
    return octets.hex("-").upper()


def _link(link: int, data: bytes) -> tuple[int, bytes, str | None, str | None, int | None]:
    """Kind of packet, what follows the link header, source, destination, outer VLAN tag."""
    src: str | None = None
    dst: str | None = None
    tag: int | None = None
    if link in ETHERNET and len(data) >= 14:
        src, dst, ethertype, rest = _hw(data[6:12]), _hw(data[:6]), data[12:14], data[14:]
    elif link in SLL and len(data) >= 16:
        src = _hw(data[6:12]) if data[4:6] == b"\0\6" else None
        ethertype, rest = data[14:16], data[16:]
    elif link in SLL2 and len(data) >= 20:
        src = _hw(data[12:18]) if data[11] == 6 else None
        ethertype, rest = data[:2], data[20:]
    elif link in LOOPBACK and len(data) >= 4:
        family = int.from_bytes(data[:4], "little"), int.from_bytes(data[:4], "big")
        kind = IPV4 if 2 in family else IPV6 if {24, 28, 30} & set(family) else 0
        return kind, data[4:], None, None, None
    elif link in RAW and data:
        return {4: IPV4, 6: IPV6}.get(data[0] >> 4, 0), data, None, None, None
    else:
        return 0, b"", None, None, None
    kind = int.from_bytes(ethertype)
    while kind in TAGS and len(rest) >= 4:
        tag = int.from_bytes(rest[:2]) & 0x0FFF if tag is None else tag
        kind, rest = int.from_bytes(rest[2:4]), rest[4:]
    if rest[:6] == b"\xaa\xaa\x03\0\0\0" and kind < 0x0600:  # RFC 1042
        kind, rest = int.from_bytes(rest[6:8]), rest[8:]
    return kind, rest, src, dst, tag


def _address(octets: bytes) -> str:
    return ".".join(map(str, octets))


def _arp(octets: bytes) -> Arp | None:
    one = dpkt.arp.ARP(octets)
    if (one.hrd, one.pro, one.hln, one.pln) != (1, IPV4, 6, 4):
        return None
    return Arp(one.op, _address(one.spa), _hw(one.sha), _address(one.tpa), _hw(one.tha))


def _ip(frame: Frame, octets: bytes) -> Frame:
    head = dpkt.ip.IP.__hdr_len__
    if len(octets) < head or octets[0] >> 4 != 4:
        return frame
    own, total = (octets[0] & 15) * 4, int.from_bytes(octets[2:4])
    if own < head or len(octets) < own:
        return frame
    if 0 < total < own:
        return frame
    size = total or frame.wire - (frame.stored - len(octets))  # 0: the adapter splits it later
    packet = octets[:size]
    offset = int.from_bytes(octets[6:8])
    body = packet[own:]
    frame = replace(
        frame,
        src=_address(octets[12:16]),
        dst=_address(octets[16:20]),
        ttl=octets[8],
        protocol=octets[9],
        fragment=(offset & 0x1FFF) * 8,
        more=bool(offset & 0x2000),
        size=size,
        identification=int.from_bytes(octets[4:6]),
        same=packet[:8] + packet[9:10] + packet[12:20] + body[:16],
    )
    if frame.fragment:
        return frame
    if frame.protocol == 6 and len(body) >= 20:
        one = dpkt.tcp.TCP(body[:20])
        start = one.off * 4
        payload = body[start:]
        length = max(0, size - own - start)
        flags = one.flags & 0x3F
        numbers = (one.sport, one.dport, one.seq, one.ack, flags, one.win, length, payload)
        return replace(frame, tcp=Segment(*numbers)) if start >= 20 else frame
    if frame.protocol == 17 and len(body) >= 8:
        sport, dport = struct.unpack_from(">2H", body)
        is_dhcp = {sport, dport} <= {67, 68}
        return replace(frame, udp=(sport, dport), dhcp=is_dhcp)
    if frame.protocol == 1 and len(body) >= 8:
        kind, code, _, word, number = struct.unpack_from(">2B3H", body)
        if kind in (0, 8):
            return replace(frame, echo=(kind, word, number))
        return replace(frame, icmp=_quoted(kind, code, body))
    return frame


def _ip6(frame: Frame, octets: bytes) -> Frame:
    """What goes between single hosts and is TCP, UDP, a ping or an error; and neighbour discovery,
    put as ARP.
    """
    src, dst = (str(IPv6Address(octets[at : at + 16])) for at in (8, 24))
    protocol, body = octets[6], octets[40:]
    size = int.from_bytes(octets[4:6]) or len(body)
    for _ in range(4):
        if protocol in (0, 43, 60) and len(body) >= 8:
            length = 8 * (1 + body[1])
            protocol, body, size = body[0], body[length:], size - length
    single = octets[24] != 0xFF and any(octets[8:24])
    kind = body[0] if protocol == 58 and body else -1
    if kind in (135, 136) and octets[7] == 255 and len(body) >= 24 and frame.src_hw is not None:
        return replace(frame, arp=_neighbour(frame, kind, src, dst, body))
    if not single or not (protocol in (6, 17) or kind in (1, 2, 3, 4, 128, 129)):
        return frame
    frame = replace(frame, src=src, dst=dst, protocol=1 if kind >= 0 else protocol, size=size)
    if protocol == 6 and len(body) >= 20 and size >= 20:
        one = dpkt.tcp.TCP(body[:20])
        start = one.off * 4
        numbers = (one.sport, one.dport, one.seq, one.ack, one.flags & 0x3F, one.win)
        segment = Segment(*numbers, max(0, size - start), body[start:size])
        return replace(frame, tcp=segment) if 20 <= start <= size else frame
    if protocol == 17 and len(body) >= 8:
        return replace(frame, udp=struct.unpack_from(">2H", body))
    if kind >= 0 and len(body) >= 8:
        code, word, number = struct.unpack_from(">xB2x2H", body)
        if kind in (128, 129):
            return replace(frame, echo=(8 if kind == 128 else 0, word, number))
        return replace(frame, icmp=_quoted6(kind, code, body[8:]))
    return frame


def _neighbour(frame: Frame, kind: int, src: str, dst: str, body: bytes) -> Arp:
    wanted, nobody = str(IPv6Address(body[8:24])), "00-00-00-00-00-00"
    own, other = frame.src_hw or nobody, frame.dst_hw or nobody
    if kind == 135:
        return Arp(1, "0.0.0.0" if src == "::" else src, own, wanted, nobody)
    return Arp(2, wanted, own, dst, other)


SAID = {
    1: {0: (3, 0), 1: (3, 13), 2: (3, 1), 3: (3, 1), 4: (3, 3), 5: (3, 13), 6: (3, 13)},
    2: {0: (3, 4)},
    3: {0: (11, 0), 1: (11, 1)},
    4: {0: (12, 0), 1: (3, 2), 2: (12, 0)},
}


def _quoted6(kind: int, code: int, inner: bytes) -> Quoted | None:
    said = SAID[kind].get(code)
    if said is None or len(inner) < 40 or inner[0] >> 4 != 6:
        return None
    src, dst = (str(IPv6Address(inner[at : at + 16])) for at in (8, 24))
    ports = struct.unpack_from(">2H", inner, 40) if len(inner) >= 44 else (None, None)
    return Quoted(*said, "", src, dst, 1 if inner[6] == 58 else inner[6], *ports)


def _quoted(kind: int, code: int, body: bytes) -> Quoted | None:
    inner = body[8:]
    if kind not in (3, 4, 5, 11, 12) or len(inner) < 20 or inner[0] >> 4 != 4:
        return None
    head = (inner[0] & 15) * 4
    ports = struct.unpack_from(">2H", inner, head) if len(inner) >= head + 4 else (None, None)
    addresses = _address(body[4:8]), _address(inner[12:16]), _address(inner[16:20])
    return Quoted(kind, code, *addresses, inner[9], *ports)
