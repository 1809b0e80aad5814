"""Chunks of octets -> tables of frame headers: one column a field, one row a frame.

`decode` fills the table of a whole chunk at once. Every header is a numpy record type whose
fields stand where the standard puts them, and `take` picks one record a row out of the octets.
Nothing here raises on bad octets: a header that is cut short or contradicts itself is left out
of its layer's table, and the frame keeps the layers below.
"""

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any, TypeVar

import numpy as np

from analyzer.columns import (
    Flags,
    Floats,
    Ints,
    Keys,
    Octets,
    Records,
    Small,
    among,
    distinct,
    pick,
    take,
)
from analyzer.inputs.records import Chunk, Direction, Interface, Link, of_each

NO_HARDWARE = np.uint64(1 << 48)
"""Stands where a link type gives no hardware address."""
SHORTEST = 60
"""Octets of the shortest frame on the wire without FCS (IEEE 802.3); shorter ones were recorded
before the adapter padded them, so this host sent them."""
FCS = 4
"""Octets of the frame check sequence (IEEE 802.3 3.2.9)."""
BROADCAST = (1 << 48) - 1
NO_TAG = -1
MAX_TAGS = 4
"""Stacked VLAN tags that are looked behind; two are in use (IEEE 802.1ad)."""
COPY_WITHIN = 1_000_000
"""Nanoseconds within which the same packet from the same station is the recorder's copy (common
practice, no source)."""
COPY_LOOKBACK = 3
"""Frames of the same packet looked back for the one that this is a copy of, beside the first."""
REMEMBERED = 4096
"""Frames of the chunk before that a copy may be of: 50 ms at a gigabit's 80,000 frames/s."""
BUCKET_BITS = 16
"""Bits of a fingerprint by which most frames are known to have no copy."""
BUCKET = np.uint64(64 - BUCKET_BITS)
"""Bits of a fingerprint that do not count for that."""


class Kind(IntEnum):
    """What an Ethernet frame carries: its EtherType, or a number below 0x0600 for LLC frames."""

    UNREADABLE = 0
    OTHER_LLC = 1
    SPANNING_TREE = 2
    IPV4 = 0x0800
    ARP = 0x0806
    IPV6 = 0x86DD
    EAPOL = 0x888E
    LLDP = 0x88CC


class Protocol(IntEnum):
    """Protocol numbers (IANA)."""

    ICMP = 1
    TCP = 6
    UDP = 17
    ICMPV6 = 58


class Tcp(IntEnum):
    """TCP control bits (RFC 9293 3.1)."""

    FIN = 1
    SYN = 2
    RST = 4
    PSH = 8
    ACK = 16


TAGS = (0x8100, 0x88A8, 0x9100)
ETHERNET = np.dtype(
    [("dst2", ">u2"), ("dst4", ">u4"), ("src2", ">u2"), ("src4", ">u4"), ("type", ">u2")]
)
TAG = np.dtype([("control", ">u2"), ("type", ">u2")])
LLC = np.dtype([("saps", ">u2"), ("control", "u1"), ("oui", "u1", 3), ("type", ">u2")])
COOKED = np.dtype(
    [
        ("way", ">u2"), ("arphrd", ">u2"), ("length", ">u2"),
        ("src2", ">u2"), ("src4", ">u4"), ("spare", ">u2"), ("type", ">u2"),
    ]
)  # fmt: skip
COOKED2 = np.dtype(
    [
        ("type", ">u2"), ("reserved", ">u2"), ("index", ">u4"), ("arphrd", ">u2"), ("way", "u1"),
        ("length", "u1"), ("src2", ">u2"), ("src4", ">u4"), ("spare", ">u2"),
    ]
)  # fmt: skip
ARP = np.dtype(
    [
        ("hardware", ">u2"), ("protocol", ">u2"), ("lengths", ">u2"), ("operation", ">u2"),
        ("sha2", ">u2"), ("sha4", ">u4"), ("spa", ">u4"),
        ("tha2", ">u2"), ("tha4", ">u4"), ("tpa", ">u4"),
    ]
)  # fmt: skip
IPV4 = np.dtype(
    [
        ("version", "u1"), ("tos", "u1"), ("length", ">u2"), ("id", ">u2"), ("fragment", ">u2"),
        ("ttl", "u1"), ("protocol", "u1"), ("checksum", ">u2"), ("src", ">u4"), ("dst", ">u4"),
    ]
)  # fmt: skip
IPV6 = np.dtype(
    [
        ("version", ">u4"), ("length", ">u2"), ("next", "u1"), ("limit", "u1"),
        ("src8", ">u8"), ("src", ">u8"), ("dst8", ">u8"), ("dst", ">u8"),
    ]
)  # fmt: skip
EXTENSION = np.dtype([("next", "u1"), ("eights", "u1")])
EXTENSIONS = (0, 43, 60)
"""Hop-by-hop, routing and destination options: eight octets, and as many more as they say."""
MAX_EXTENSIONS = 4
"""Extension headers that are looked behind; RFC 8200 4.1 recommends each of them once."""
UNLISTED = 1 << 32
"""The number of the first IPv6 address in a recording: those of IPv4 are smaller."""
IPV6_BIT = 1 << 128
"""Stands before the 128 bits of an IPv6 address, and tells it from an IPv4 address."""
SOLICITATION = np.dtype(
    [
        ("type", "u1"), ("code", "u1"), ("checksum", ">u2"), ("flags", ">u4"),
        ("wanted8", ">u8"), ("wanted", ">u8"),
    ]
)  # fmt: skip
"""A neighbour solicitation, or the advertisement that answers it (RFC 4861 4.3, 4.4)."""
NEIGHBOURS = (135, 136)
UNROUTED = 255
"""The hop limit of what no router has handed on (RFC 4861 7.1)."""
AS_ICMP = {
    (128, 0): (8, 0), (129, 0): (0, 0),
    (1, 0): (3, 0), (1, 1): (3, 13), (1, 2): (3, 1), (1, 3): (3, 1), (1, 4): (3, 3),
    (1, 5): (3, 13), (1, 6): (3, 13), (2, 0): (3, 4), (3, 0): (11, 0), (3, 1): (11, 1),
    (4, 0): (12, 0), (4, 1): (3, 2), (4, 2): (12, 0),
}  # fmt: skip
"""Type and code of ICMPv6 (RFC 4443) -> those of ICMP that say the same (RFC 792, RFC 1812)."""
NO_ICMP = (-1, -1)
"""Stands for what ICMP has no words for."""
TCP = np.dtype(
    [
        ("sport", ">u2"), ("dport", ">u2"), ("seq", ">u4"), ("ack", ">u4"), ("offset", "u1"),
        ("flags", "u1"), ("window", ">u2"), ("checksum", ">u2"), ("urgent", ">u2"),
    ]
)  # fmt: skip
UDP = np.dtype([("sport", ">u2"), ("dport", ">u2"), ("length", ">u2"), ("checksum", ">u2")])
ICMP = np.dtype(
    [("type", "u1"), ("code", "u1"), ("checksum", ">u2"), ("id", ">u2"), ("seq", ">u2")]
)


@dataclass(slots=True, eq=False, repr=False)
class ArpTable:
    """ARP for Ethernet and IPv4 (RFC 826). row: index into the frame table. Neighbour discovery of
    IPv6 (RFC 4861) asks and answers the same, so it has a table of the same kind.
    """

    row: Ints
    operation: Ints
    sha: Keys
    spa: Keys
    tha: Keys
    tpa: Keys


@dataclass(slots=True, eq=False, repr=False)
class IpTable:
    """IPv4 packets (RFC 791), and those of IPv6 (RFC 8200) from one single host to another that
    carry TCP, UDP, pings or ICMPv6 errors. src, dst: numbers of addresses, see Listed; fragment:
    flags and offset, as in the header; body: octet position behind all headers; length: octets
    there, as the header says, but no more than were on the wire; surplus: those that the header
    says beyond that. IPv6 has identification 0, and what is in pieces is not looked into.
    """

    row: Ints
    src: Keys
    dst: Keys
    id: Ints
    ttl: Ints
    protocol: Ints
    fragment: Ints
    body: Ints
    length: Ints
    surplus: Ints


@dataclass(slots=True, eq=False, repr=False)
class TcpTable:
    """TCP segments (RFC 9293). ip: index into the table of packets; payload: octet position;
    length: payload octets, from the headers, not from what was stored.
    """

    ip: Ints
    row: Ints
    sport: Keys
    dport: Keys
    seq: Ints
    ack: Ints
    flags: Ints
    window: Ints
    payload: Ints
    length: Ints


@dataclass(slots=True, eq=False, repr=False)
class UdpTable:
    """UDP datagrams (RFC 768), first fragments included; columns as in TcpTable."""

    ip: Ints
    row: Ints
    sport: Keys
    dport: Keys
    payload: Ints
    length: Ints


@dataclass(slots=True, eq=False, repr=False)
class IcmpTable:
    """ICMP messages (RFC 792), those of ICMPv6 with the type and code that say the same. body:
    octet position behind the 8-octet header, where an error message quotes the packet that it is
    about.
    """

    ip: Ints
    row: Ints
    type: Ints
    code: Ints
    id: Ints
    seq: Ints
    body: Ints


class Listed:
    """The IPv6 addresses of a recording, numbered as they come, so that each stands in a column of
    64 bits; numbers below UNLISTED are IPv4 addresses. An address is a number of 32 bits, or of 128
    behind IPV6_BIT.
    """

    def __init__(self) -> None:
        self.addresses: list[int] = []
        self.numbers: dict[int, int] = {}

    def put(self, high: Keys, low: Keys) -> Keys:
        """The numbers of addresses, given as halves; new ones are listed."""
        every = np.arange(len(high))
        different, _, group = distinct(mix(high, low))
        first = np.empty(len(different), np.int64)
        first[group[::-1]] = every[::-1]
        if (high[first][group] != high).any() or (low[first][group] != low).any():
            first = group = every  # two addresses with one mixed number
        pairs = zip(high[first].tolist(), low[first].tolist(), strict=True)
        numbers = [self._number(IPV6_BIT | front << 64 | back) for front, back in pairs]
        return np.array(numbers, np.uint64)[group]

    def _number(self, address: int) -> int:
        if address not in self.numbers:
            self.numbers[address] = UNLISTED + len(self.addresses)
            self.addresses.append(address)
        return self.numbers[address]

    def address(self, number: int) -> int:
        """The address of a number."""
        return number if number < UNLISTED else self.addresses[number - UNLISTED]

    def number(self, address: int) -> int:
        """The number of an address, which no address has where this one has not occurred."""
        if address < UNLISTED:
            return address
        return self.numbers.get(address, UNLISTED + len(self.addresses))


@dataclass(slots=True, eq=False, repr=False)
class Frames:
    """The frame table of one chunk. Columns have a row a frame, in file order.

    number: from 1 in the file; time: nanoseconds since 1970; seconds: since the first frame of the
    recording; wire, stored: octets on the wire and in the file, without the FCS; start, end:
    positions of the first stored octet and behind the last; src, dst: hardware addresses as 48-bit
    numbers, or NO_HARDWARE; tag: first VLAN id or NO_TAG; kind: a Kind or another EtherType;
    network: position of the header behind the link layer's; fingerprint: the same number for the
    same packet; copy: this packet is in the recording already, written twice or seen on the other
    side of a router; forwarded: the copies of the second sort; listed: the addresses behind the
    numbers in the layer tables. These leave copies out.
    """

    octets: Octets
    number: Ints
    time: Ints
    seconds: Floats
    start: Ints
    end: Ints
    wire: Ints
    stored: Ints
    interface: Small
    direction: Octets
    src: Keys
    dst: Keys
    tag: Ints
    kind: Ints
    network: Ints
    fingerprint: Keys
    copy: Flags
    forwarded: Flags
    arp: ArpTable
    ip: IpTable
    tcp: TcpTable
    udp: UdpTable
    icmp: IcmpTable
    neighbours: ArpTable
    listed: Listed

    def __len__(self) -> int:
        return len(self.number)

    def octets_at(self, row: int, position: int, most: int) -> bytes:
        """Up to `most` stored octets of a frame from a position on."""
        return self.octets[position : min(position + most, int(self.end[row]))].tobytes()

    def numbers_at(self, positions: Ints) -> Ints:
        """The 32-bit numbers at octet positions, which must leave room for them (see PADDING)."""
        return take(self.octets, positions, FOUR_OCTETS).astype(np.int64)


@dataclass(slots=True, eq=False, repr=False)
class _Link:
    """The link layer of a chunk; network: position of the header behind it."""

    src: Keys
    dst: Keys
    tag: Ints
    kind: Ints
    network: Ints
    direction: Octets


@dataclass(slots=True, eq=False, repr=False)
class _Seen:
    """What tells a copy: a fingerprint of the packet, when, between whom, how far it had come, and
    whether its sender numbers its packets: identification 0 numbers nothing (RFC 6864 4.1).
    """

    fingerprint: Keys
    time: Ints
    src: Keys
    dst: Keys
    ttl: Ints
    numbered: Flags

    def part(self, rows: Any) -> "_Seen":
        """The same of some rows."""
        return _Seen(*(column[rows] for column in _columns(self)))


class Decoder:
    """Decodes the chunks of one recording, in order."""

    def __init__(self, interfaces: list[Interface]) -> None:
        self.interfaces = interfaces
        self.began: int | None = None
        self.before: _Seen | None = None
        self.listed = Listed()

    def decode(self, chunk: Chunk) -> Frames:
        """The frame table of a chunk, whatever its octets say."""
        if self.began is None:
            self.began = int(chunk.time[0])
        surplus = np.maximum(0, chunk.stored - (chunk.original - chunk.fcs))
        stored = np.maximum(0, chunk.stored - np.where(chunk.fcs > 0, surplus, 0))
        end = chunk.start + stored
        link = _link_layer(chunk, end, self.interfaces)
        wire = np.maximum(chunk.original - chunk.fcs, stored)
        arp = _arp(chunk.data, link, end)
        ip = _ip(chunk.data, link, end, chunk.start + wire)
        if _ends_in_fcs(chunk, link, arp, ip):
            return self.decode(replace(chunk, fcs=np.full(len(end), FCS)))
        seen = _seen(chunk, link, end, arp, ip)
        copy, forwarded = self._copies(seen)
        if copy.any():
            arp, ip = _without(arp, copy), _without(ip, copy)
        ip6, neighbours = self._ip6(chunk.data, link, end, copy)
        if len(ip6.row):
            ip = _together(ip, ip6)
        return Frames(
            octets=chunk.data,
            number=np.arange(chunk.first, chunk.first + len(chunk.start)),
            time=chunk.time,
            seconds=(chunk.time - self.began) / 1e9,
            start=chunk.start,
            end=end,
            wire=wire,
            stored=stored,
            interface=chunk.interface,
            direction=link.direction,
            src=link.src,
            dst=link.dst,
            tag=link.tag,
            kind=link.kind,
            network=link.network,
            fingerprint=seen.fingerprint,
            copy=copy,
            forwarded=forwarded,
            arp=arp,
            ip=ip,
            tcp=_tcp(chunk.data, ip, end),
            udp=_udp(chunk.data, ip, end),
            icmp=_icmp(chunk.data, ip, end),
            neighbours=neighbours,
            listed=self.listed,
        )

    def _ip6(self, octets: Octets, link: _Link, end: Ints, copy: Flags) -> tuple[IpTable, ArpTable]:
        """IPv6 packets between single hosts, and neighbour discovery, without copies."""
        rows = np.flatnonzero((link.kind == Kind.IPV6) & ~copy)
        rows = rows[link.network[rows] + IPV6.itemsize <= end[rows]]
        rows = rows[octets[link.network[rows]] >> 4 == 6]
        header = take(octets, link.network[rows], IPV6)
        protocol, body = _behind_extensions(octets, link.network[rows], header["next"], end[rows])
        behind = link.network[rows] + IPV6.itemsize + header["length"]
        behind = np.where(header["length"] == 0, end[rows], behind)  # cut up by the adapter later
        kind = _first_octet(octets, body, end[rows], protocol == Protocol.ICMPV6)
        single = (header["dst8"] >> np.uint64(56) != GROUP6) & (
            (header["src8"] != 0) | (header["src"] != 0)
        )
        carried = among(protocol, (Protocol.TCP, Protocol.UDP)) | among(kind, ICMPV6_TYPES)
        chosen = single & carried
        at = pick(header, chosen)
        table = IpTable(
            row=rows[chosen],
            src=self.listed.put(at["src8"], at["src"]),
            dst=self.listed.put(at["dst8"], at["dst"]),
            id=np.zeros(len(at), np.int64),
            ttl=at["limit"].astype(np.int64),
            protocol=np.where(kind >= 0, Protocol.ICMP, protocol)[chosen].astype(np.int64),
            fragment=np.zeros(len(at), np.int64),
            body=body[chosen],
            length=np.maximum(0, behind - body)[chosen],
            surplus=np.zeros(len(at), np.int64),
        )
        chosen = among(kind, NEIGHBOURS) & (body + SOLICITATION.itemsize <= end[rows])
        chosen &= (header["limit"] == UNROUTED) & (link.src[rows] != NO_HARDWARE)
        at, said = pick(header, chosen), take(octets, body[chosen], SOLICITATION)
        return table, self._neighbours(link, rows[chosen], at, said)

    def _neighbours(self, link: _Link, rows: Ints, ip: Records, said: Records) -> ArpTable:
        """Neighbour discovery as ARP would put it: an advertisement is a reply about its target."""
        wanted = self.listed.put(said["wanted8"], said["wanted"])
        source, to = self.listed.put(ip["src8"], ip["src"]), self.listed.put(ip["dst8"], ip["dst"])
        source[(ip["src8"] == 0) & (ip["src"] == 0)] = 0
        asks = said["type"] == NEIGHBOURS[0]
        return ArpTable(
            row=rows,
            operation=np.where(asks, 1, 2),
            sha=link.src[rows],
            spa=np.where(asks, source, wanted),
            tha=np.where(asks, np.uint64(0), link.dst[rows]),
            tpa=np.where(asks, wanted, to),
        )

    def _copies(self, now: _Seen) -> tuple[Flags, Flags]:
        """Rows whose packet is in the recording already, and those of them that were forwarded."""
        old = self.before
        if old is not None:
            columns = zip(_columns(old), _columns(now), strict=True)
            now = _Seen(*(np.concatenate(pair) for pair in columns))
        skipped = 0 if old is None else len(old.time)
        copy, forwarded = np.zeros((2, len(now.time)), bool)
        rows, first = _alike(now.fingerprint)
        pairs = [(rows[:-lag], rows[lag:]) for lag in range(1, COPY_LOOKBACK + 1)]
        sent_anew = np.zeros(len(copy), bool)
        sent_anew[rows] = _same_way(now.part(first), now.part(rows))
        for before, after in [*pairs, (first, rows)]:
            one, other = now.part(before), now.part(after)
            alike = (one.fingerprint == other.fingerprint) & (before != after)
            again = _same_way(one, other) & _near(one, other)
            passed = _passed_a_router(one, other) & ~sent_anew[after]
            copy[after[alike & again]] = True
            forwarded[after[alike & passed]] = True
        copy |= forwarded
        self.before = now.part(np.flatnonzero(~copy)[-REMEMBERED:])
        return copy[skipped:], forwarded[skipped:]


def _alike(fingerprint: Keys) -> tuple[Ints, Ints]:
    """Rows that are not alone with their fingerprint, and a few that are: those of each in a run
    and in file order, and for each of them the row that begins its run.
    """
    in_order = np.sort(fingerprint)
    twice = in_order[1:][in_order[1:] == in_order[:-1]]
    shared = np.zeros(1 << BUCKET_BITS, bool)
    shared[twice >> BUCKET] = True
    rows = np.flatnonzero(shared[fingerprint >> BUCKET])
    rows = rows[np.argsort(fingerprint[rows], kind="stable")]
    begins = np.append(True, fingerprint[rows[1:]] != fingerprint[rows[:-1]])[: len(rows)]
    return rows, rows[begins][np.cumsum(begins) - 1]


def _same_way(one: _Seen, other: _Seen) -> Flags:
    """Whether packets come from the same hardware address and have come as far."""
    same: Flags = (one.src == other.src) & (one.ttl == other.ttl)
    return same


def _near(one: _Seen, other: _Seen) -> Flags:
    near: Flags = np.abs(other.time - one.time) <= COPY_WITHIN
    return near


def _passed_a_router(one: _Seen, other: _Seen) -> Flags:
    """Whether the second is the first behind a router, at any delay.

    Nobody lowers the TTL of a packet but who forwards it (RFC 1812 5.3.1). Two devices with one
    address may answer alike, with unlike TTL, but to the same hardware address: that tells them
    from a router, which writes its own hardware addresses. One that leaves the TTL as it was is
    known by these alone, where the sender numbers its packets.
    """
    hops = one.ttl - other.ttl
    from_other = one.src != other.src
    between_others = from_other & (one.dst != other.dst)
    for column in (one.src, one.dst, other.src, other.dst):
        between_others &= column != NO_HARDWARE
    passed: Flags = (hops == 1) & (from_other | _near(one, other)) | (hops > 1) & between_others
    passed |= (hops == 0) & between_others & other.numbered
    return passed


def _columns(table: Any) -> list[Any]:
    return [getattr(table, name) for name in table.__slots__]


Layer = TypeVar("Layer", ArpTable, IpTable)


def _together(one: IpTable, other: IpTable) -> IpTable:
    """The rows of two tables, in file order."""
    order = np.argsort(np.concatenate((one.row, other.row)), kind="stable")
    pairs = zip(_columns(one), _columns(other), strict=True)
    return IpTable(*(np.concatenate(pair)[order] for pair in pairs))


def _without(table: Layer, copy: Flags) -> Layer:
    """A layer table without the rows whose frame is a copy."""
    keep = ~copy[table.row]
    return type(table)(*(column[keep] for column in _columns(table)))


def _hardware(high: Records, low: Records) -> Keys:
    return (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)


def _link_layer(chunk: Chunk, end: Ints, interfaces: list[Interface]) -> _Link:
    count = len(chunk.start)
    link = _Link(
        src=np.full(count, NO_HARDWARE),
        dst=np.full(count, NO_HARDWARE),
        tag=np.full(count, NO_TAG),
        kind=np.full(count, int(Kind.UNREADABLE)),
        network=chunk.start.copy(),
        direction=chunk.direction.copy(),
    )
    types = of_each(interfaces, chunk.interface.astype(np.int64), lambda one: one.link)
    for number in distinct(types)[0]:
        rows = np.flatnonzero(types == number)
        match int(number):
            case Link.ETHERNET:
                _ethernet(chunk, end, link, rows)
            case Link.COOKED:
                _cooked(chunk, end, link, rows, COOKED)
            case Link.COOKED2:
                _cooked(chunk, end, link, rows, COOKED2)
            case Link.NULL | Link.LOOP:
                _loopback(chunk, end, link, rows)
            case Link.RAW | Link.IPV4 | Link.IPV6:
                _raw(chunk, end, link, rows)
    return link


def _ethernet(chunk: Chunk, end: Ints, link: _Link, rows: Ints) -> None:
    rows = rows[chunk.start[rows] + ETHERNET.itemsize <= end[rows]]
    header = take(chunk.data, chunk.start[rows], ETHERNET)
    link.dst[rows] = _hardware(header["dst2"], header["dst4"])
    link.src[rows] = _hardware(header["src2"], header["src4"])
    link.kind[rows] = header["type"]
    link.network[rows] += ETHERNET.itemsize
    _behind_tags(chunk.data, end, link, rows)


def _behind_tags(octets: Octets, end: Ints, link: _Link, rows: Ints) -> None:
    """Look behind VLAN tags (IEEE 802.1Q) and into LLC frames (IEEE 802.2)."""
    for _ in range(MAX_TAGS):
        rows_here = rows[among(link.kind[rows], TAGS)]
        rows_here = rows_here[link.network[rows_here] + TAG.itemsize <= end[rows_here]]
        if not len(rows_here):
            break
        tag = take(octets, link.network[rows_here], TAG)
        first = link.tag[rows_here] == NO_TAG
        link.tag[rows_here[first]] = tag["control"][first] & 0x0FFF
        link.kind[rows_here] = tag["type"]
        link.network[rows_here] += TAG.itemsize
    short = rows[link.kind[rows] < 0x0600]
    link.kind[short] = Kind.OTHER_LLC
    short = short[link.network[short] + LLC.itemsize <= end[short]]
    llc = take(octets, link.network[short], LLC)
    plain_tree = llc["saps"] == 0x4242
    snap = llc["saps"] == 0xAAAA
    link.kind[short[plain_tree | (snap & (llc["type"] == 0x010B))]] = Kind.SPANNING_TREE
    carried = snap & (llc["oui"] == 0).all(axis=1) & (llc["type"] >= 0x0600)  # RFC 1042
    link.kind[short[carried]] = llc["type"][carried]
    link.network[short[carried]] += LLC.itemsize


SENT_BY_US = 4
"""Packet type of a cooked header: sent by the recording host."""


def _cooked(chunk: Chunk, end: Ints, link: _Link, rows: Ints, layout: Any) -> None:
    rows = rows[chunk.start[rows] + layout.itemsize <= end[rows]]
    header = take(chunk.data, chunk.start[rows], layout)
    known = header["length"] == 6
    link.src[rows[known]] = _hardware(header["src2"], header["src4"])[known]
    sent = header["way"] == SENT_BY_US
    link.direction[rows] = np.where(sent, Direction.OUT, Direction.IN)
    link.kind[rows] = header["type"]
    link.network[rows] += layout.itemsize
    _behind_tags(chunk.data, end, link, rows)


def _loopback(chunk: Chunk, end: Ints, link: _Link, rows: Ints) -> None:
    """Four octets of address family, in either octet order: 2 is IPv4; 24, 28 and 30 are IPv6."""
    rows = rows[chunk.start[rows] + 4 <= end[rows]]
    family = take(chunk.data, chunk.start[rows], np.dtype(">u4")).astype(np.int64)
    family = np.where(family > 0xFFFF, family >> 24, family)
    link.kind[rows[family == 2]] = Kind.IPV4
    link.kind[rows[among(family, (24, 28, 30))]] = Kind.IPV6
    link.network[rows] += 4


def _raw(chunk: Chunk, end: Ints, link: _Link, rows: Ints) -> None:
    rows = rows[chunk.start[rows] < end[rows]]
    version = chunk.data[chunk.start[rows]] >> 4
    link.kind[rows[version == 4]] = Kind.IPV4
    link.kind[rows[version == 6]] = Kind.IPV6


ETHERNET_IPV4_LENGTHS = 0x0604
"""Six octets of hardware address, four of protocol address."""


def _arp(octets: Octets, link: _Link, end: Ints) -> ArpTable:
    rows = np.flatnonzero(link.kind == Kind.ARP)
    rows = rows[link.network[rows] + ARP.itemsize <= end[rows]]
    header = take(octets, link.network[rows], ARP)
    usable = (header["protocol"] == Kind.IPV4) & (header["lengths"] == ETHERNET_IPV4_LENGTHS)
    rows, header = rows[usable], pick(header, usable)
    return ArpTable(
        row=rows,
        operation=header["operation"].astype(np.int64),
        sha=_hardware(header["sha2"], header["sha4"]),
        spa=header["spa"].astype(np.uint64),
        tha=_hardware(header["tha2"], header["tha4"]),
        tpa=header["tpa"].astype(np.uint64),
    )


def _ip(octets: Octets, link: _Link, end: Ints, wire_end: Ints) -> IpTable:
    """wire_end: position behind the last octet that each frame had on the wire."""
    rows = np.flatnonzero(link.kind == Kind.IPV4)
    rows = rows[link.network[rows] + IPV4.itemsize <= end[rows]]
    header = take(octets, link.network[rows], IPV4)
    octets_of_header = (header["version"] & 15).astype(np.int64) * 4
    total = header["length"].astype(np.int64)
    present = end[rows] - link.network[rows]
    total = np.where(total == 0, present, total)
    sound = (header["version"] >> 4 == 4) & (octets_of_header >= 20) & (total >= octets_of_header)
    rows, header = rows[sound], pick(header, sound)
    body = link.network[rows] + octets_of_header[sound]
    length = (total - octets_of_header)[sound]
    surplus = np.maximum(0, body + length - np.maximum(body, wire_end[rows]))
    return IpTable(
        row=rows,
        src=header["src"].astype(np.uint64),
        dst=header["dst"].astype(np.uint64),
        id=header["id"].astype(np.int64),
        ttl=header["ttl"].astype(np.int64),
        protocol=header["protocol"].astype(np.int64),
        fragment=header["fragment"].astype(np.int64),
        body=body,
        length=length - surplus,
        surplus=surplus,
    )


GROUP6 = 0xFF
"""First octet of multicast addresses (RFC 4291 2.7)."""
ICMPV6_TYPES = tuple({kind for kind, _ in AS_ICMP})


def _behind_extensions(
    octets: Octets, header: Ints, after: Records, end: Ints
) -> tuple[Ints, Ints]:
    """The protocol behind the extension headers of IPv6, and where it begins."""
    protocol, body = after.astype(np.int64), header + IPV6.itemsize
    for _ in range(MAX_EXTENSIONS):
        extended = np.flatnonzero(among(protocol, EXTENSIONS) & (body + 8 <= end))
        if not len(extended):
            break
        extension = take(octets, body[extended], EXTENSION)
        protocol[extended] = extension["next"]
        body[extended] += 8 * (1 + extension["eights"].astype(np.int64))
    return protocol, body


def _first_octet(octets: Octets, at: Ints, end: Ints, chosen: Flags) -> Ints:
    """The octet at the position of chosen rows, -1 for others and where it was cut off."""
    found = np.full(len(at), -1)
    there = np.flatnonzero(chosen & (at < end))
    found[there] = octets[at[there]]
    return found


def _ends_in_fcs(chunk: Chunk, link: _Link, arp: ArpTable, ip: IpTable) -> bool:
    """Whether every Ethernet frame of IPv4 or ARP was four octets longer than what it carries, or
    than the shortest frame, where the recording does not say how long the check sequence is.

    It may be stored, or left out of the file and counted as on the wire: neither is padding, and
    neither was cut off.
    """
    rows = np.concatenate((arp.row, ip.row))
    if chunk.fcs.any() or not len(rows) or (link.dst[rows] == NO_HARDWARE).any():
        return False
    behind = np.concatenate((link.network[arp.row] + ARP.itemsize, ip.body + ip.length))
    carried = behind - chunk.start[rows]
    spare = chunk.original[rows] - carried
    padded = (carried < SHORTEST) & (chunk.original[rows] == SHORTEST + FCS)
    return bool(((spare == FCS) | padded).all())


FRAGMENT_OFFSET = 0x1FFF


def _transport(
    octets: Octets, ip: IpTable, end: Ints, protocol: Protocol, layout: Any
) -> tuple[Ints, Records]:
    """The packets that carry a whole header of one transport protocol, and those headers.

    Later fragments have none (RFC 791 3.2): their offset is not zero.
    """
    whole = ip.body + layout.itemsize <= end[ip.row]
    whole &= (ip.protocol == protocol) & (ip.fragment & FRAGMENT_OFFSET == 0)
    whole &= ip.length >= layout.itemsize
    index = np.flatnonzero(whole)
    return index, take(octets, ip.body[index], layout)


def _tcp(octets: Octets, ip: IpTable, end: Ints) -> TcpTable:
    index, header = _transport(octets, ip, end, Protocol.TCP, TCP)
    octets_of_header = (header["offset"] >> 4).astype(np.int64) * 4
    sound = (octets_of_header >= 20) & (ip.length[index] >= octets_of_header)
    index, header, octets_of_header = index[sound], pick(header, sound), octets_of_header[sound]
    return TcpTable(
        ip=index,
        row=ip.row[index],
        sport=header["sport"].astype(np.uint64),
        dport=header["dport"].astype(np.uint64),
        seq=header["seq"].astype(np.int64),
        ack=header["ack"].astype(np.int64),
        flags=header["flags"].astype(np.int64) & 0x1F,
        window=header["window"].astype(np.int64),
        payload=ip.body[index] + octets_of_header,
        length=ip.length[index] - octets_of_header,
    )


def _udp(octets: Octets, ip: IpTable, end: Ints) -> UdpTable:
    index, header = _transport(octets, ip, end, Protocol.UDP, UDP)
    return UdpTable(
        ip=index,
        row=ip.row[index],
        sport=header["sport"].astype(np.uint64),
        dport=header["dport"].astype(np.uint64),
        payload=ip.body[index] + UDP.itemsize,
        length=np.maximum(0, header["length"].astype(np.int64) - UDP.itemsize),
    )


def _icmp(octets: Octets, ip: IpTable, end: Ints) -> IcmpTable:
    index, header = _transport(octets, ip, end, Protocol.ICMP, ICMP)
    kind, code = header["type"].astype(np.int64), header["code"].astype(np.int64)
    over6 = np.flatnonzero(ip.src[index] >= UNLISTED)
    for at in over6.tolist():
        kind[at], code[at] = AS_ICMP.get((int(kind[at]), int(code[at])), NO_ICMP)
    return IcmpTable(
        ip=index,
        row=ip.row[index],
        type=kind,
        code=code,
        id=header["id"].astype(np.int64),
        seq=header["seq"].astype(np.int64),
        body=ip.body[index] + ICMP.itemsize,
    )


FOUR_OCTETS = np.dtype(">u4")
EIGHT_OCTETS = np.dtype(">u8")
HOP_LIMIT = np.uint64(0xFF)
"""Where it stands in the first eight octets of an IPv6 header (RFC 8200 3)."""
ODD = np.uint64(0x9E3779B97F4A7C15)
"""2^64 divided by the golden ratio: spreads the bits of a product (from memory)."""


def mix(*columns: Records) -> Keys:
    """One well-spread 64-bit number a row from several columns of whole numbers."""
    mixed = np.zeros(len(columns[0]), np.uint64)
    for column in columns:
        mixed ^= column.astype(np.uint64)
        mixed *= ODD
        mixed ^= mixed >> np.uint64(29)
    return mixed


def _seen(chunk: Chunk, link: _Link, end: Ints, arp: ArpTable, ip: IpTable) -> _Seen:
    """What tells two recordings of one packet from two packets, a row a frame.

    IPv4: addresses, identification, fragment, length and the first 16 octets of the body (ports,
    sequence numbers, flags); hardware addresses, TTL and checksums change on the way through a
    router. Other frames than IPv4 and ARP: hardware address, length, the first 64 octets, which
    hold all headers, and the last 8. IPv6: the same without what a router changes.
    """
    fingerprint, ttl = np.zeros(len(end), np.uint64), np.zeros(len(end), np.int64)
    numbered = np.zeros(len(end), bool)
    fingerprint[arp.row] = mix(arp.operation, arp.sha, arp.spa, arp.tha, arp.tpa)
    body_end = np.minimum(end[ip.row], ip.body + ip.length)
    fingerprint[ip.row] = mix(
        ip.src, ip.dst, ip.id, ip.protocol, ip.fragment, ip.length + ip.surplus,
        *_sixteen(chunk.data, ip.body, body_end),
    )  # fmt: skip
    ttl[ip.row], numbered[ip.row] = ip.ttl, ip.id != 0
    other = np.ones(len(end), bool)
    other[arp.row] = other[ip.row] = False
    rows = np.flatnonzero(other)
    at, end = link.network[rows], end[rows]
    places = [*(at + 16 * n for n in range(4)), np.maximum(at, end - 8)]
    head, *halves = (half for place in places for half in _sixteen(chunk.data, place, end))
    ipv6 = link.kind[rows] == Kind.IPV6
    ttl[rows[ipv6]] = head[ipv6] & HOP_LIMIT
    head[ipv6] &= ~HOP_LIMIT
    to = np.where(ipv6, np.uint64(0), link.dst[rows])
    fingerprint[rows] = mix(to, link.kind[rows], chunk.original[rows], head, *halves)
    return _Seen(fingerprint, chunk.time, link.src, link.dst, ttl, numbered)


def _sixteen(octets: Octets, at: Ints, end: Ints) -> tuple[Keys, Keys]:
    """The 16 octets at each position as two numbers, those behind the end as zero."""
    halves = []
    for start in (at, at + 8):
        spare = np.clip(start + 8 - end, 0, 8)
        value = take(octets, np.minimum(start, len(octets) - 8), EIGHT_OCTETS).astype(np.uint64)
        shift = np.minimum(spare * 8, 63).astype(np.uint64)
        halves.append(np.where(spare == 8, np.uint64(0), (value >> shift) << shift))
    return halves[0], halves[1]
