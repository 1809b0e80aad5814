"""Tell what happened on a small plant network, frame by frame, and save it as a recording.

    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    plant.ask(pc, unit, times=1)
    plant.reply(unit, pc)
    plant.tcp(pc, unit).open().poll(4)
    plant.chatter()
    plant.write("healthy.pcap")

Every frame comes 0.3 ms after the one before it; `after=` gives another time in seconds.
A Station is a plain value: for a lie on the wire (a second owner, a stale entry, a filter that
answers in another's name) make a second one with the same address and pass it as `by`.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Interface, ip_address
from itertools import count
from pathlib import Path
from typing import Any, Self

from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import ICMP, IP, TCP, UDP, fragment
from scapy.layers.inet6 import ICMPv6ND_NS, ICMPv6ND_RS, IPv6
from scapy.layers.l2 import ARP, LLC, STP
from scapy.packet import Packet

from captures import layouts
from captures.layouts import Record, network_header, octets

START = 1_741_683_600.0  # 2025-03-11 09:00:00 UTC
REPLY_TIME = 0.0003  # seconds
FRAGMENT = 1480  # octets of data in each but the last
SHORTEST = 60  # octets of a received frame without its check sequence (IEEE 802.3)
ECHO = b"abcdefghijklmnopqrstuvwxyz012345"
BROADCAST = "ff:ff:ff:ff:ff:ff"
PC_SYN_OPTIONS = (("MSS", 1460), ("NOP", None), ("WScale", 8), ("SAckOK", b""), ("EOL", None))
UNIT_SYN_OPTIONS = (("MSS", 1460),)


@dataclass(eq=False)
class Station:
    """One end on the network: its addresses and how its stack numbers its packets."""

    address: str
    hw: str
    ttl: int = 64
    is_pc: bool = False
    packet_id: int = 0

    def next_packet_id(self) -> int:
        self.packet_id = (self.packet_id + 1) & 0xFFFF
        return self.packet_id


Target = Station | str


class Plant:
    """A clock, the stations, and the frames recorded so far."""

    def __init__(self, start: float = START, offload: bool = True) -> None:
        """Start at `start` seconds since 1970; `offload` leaves the PC's checksums unfinished."""
        self._start = self._clock = round(start * 1e9)
        self._offload = offload
        self._tag = b""
        self._steps: list[tuple[int, int]] = []
        self._ports = count(49152)
        self._records: list[Record] = []
        self._taken: set[str] = set()

    # the clock

    @property
    def now(self) -> float:
        """Seconds since the start."""
        return (self._clock - self._start) / 1e9

    def wait(self, seconds: float) -> None:
        self._clock += round(seconds * 1e9)

    @contextmanager
    def at(self, seconds: float) -> Iterator[None]:
        """Tell something that happened `seconds` after the start, then come back to now."""
        back, self._clock = self._clock, self._start + round(seconds * 1e9)
        yield
        self._clock = back

    def step_clock(self, seconds: float) -> None:
        """From here on the recorder's clock is wrong by `seconds` more; the story goes on."""
        self._steps.append((self._clock, round(seconds * 1e9)))

    # the stations

    def pc(self, address: str = "192.0.2.15", hw: str | None = None, ttl: int = 128) -> Station:
        """The recording PC: its frames are outbound, unpadded, with unfinished checksums."""
        return self._join(address, hw, ttl, is_pc=True)

    def station(self, address: str = "192.0.2.60", hw: str | None = None, ttl: int = 64) -> Station:
        """Another station; without `hw` it gets 00-00-5E-00-53 and the address's last number."""
        return self._join(address, hw, ttl, is_pc=False)

    def _join(self, address: str, hw: str | None, ttl: int, is_pc: bool) -> Station:
        last = int(address.rsplit(".", 1)[1])
        own = f"00:00:5e:00:53:{last:02d}" if last < 100 else f"00:00:5e:00:53:{last:02x}"
        if hw is None and own in self._taken:
            raise ValueError(f"{own} is taken: give {address} a hw of its own")
        self._taken.add(hw or own)
        return Station(address, hw or own, ttl, is_pc, packet_id=last * 97)

    # any frame

    def raw(self, data: bytes, by: Station | None = None, after: float | None = None) -> Record:
        """Record these octets, an Ethernet header first, as they are."""
        self.wait(REPLY_TIME if after is None else after)
        record = Record(self._clock, data, outbound=by is not None and by.is_pc)
        self._records.append(record)
        return record

    def frame(
        self,
        by: Station,
        to_hw: str,
        ethertype: int,
        payload: bytes,
        *,
        from_hw: str | None = None,
        after: float | None = None,
    ) -> Record:
        """Any Ethernet frame; an `ethertype` below 0x600 is a length (IEEE 802.3)."""
        addresses = octets(to_hw + (from_hw or by.hw))
        data = addresses + self._tag + struct.pack("!H", ethertype) + payload
        return self.raw(data if by.is_pc else data.ljust(SHORTEST, b"\0"), by, after)

    @contextmanager
    def tagged(self, vlan: int, priority: int = 0) -> Iterator[None]:
        """Frames made inside wear an IEEE 802.1Q tag."""
        self._tag = struct.pack("!HH", 0x8100, priority << 13 | vlan)
        yield
        self._tag = b""

    def lose(self, record: Record) -> None:
        """Take a frame out of the recording: it happened, and the recorder missed it."""
        self._records.remove(record)

    @property
    def records(self) -> list[Record]:
        """The frames in file order, stamped by the recorder's clock."""
        return [replace(record, time=self._stamp(record.time)) for record in self._in_order()]

    def _stamp(self, time: int) -> int:
        return time + sum(step for since, step in self._steps if time > since)

    def _in_order(self) -> list[Record]:
        return sorted(self._records, key=lambda record: record.time)

    def number(self, record: Record) -> int:
        """The frame's number in the file, counted from 1."""
        return self._in_order().index(record) + 1

    # ARP (RFC 826, RFC 5227)

    def arp(
        self,
        by: Station,
        operation: int,
        sender: str,
        wanted: str,
        *,
        to_hw: str = BROADCAST,
        sender_hw: str | None = None,
        target_hw: str = "00:00:00:00:00:00",
        after: float | None = None,
    ) -> Record:
        """Any ARP frame; operation 1 asks, 2 replies."""
        body = ARP(op=operation, hwsrc=sender_hw or by.hw, psrc=sender, hwdst=target_hw)
        body.pdst = wanted
        return self.frame(by, to_hw, 0x0806, bytes(body), after=after)

    def ask(
        self,
        by: Station,
        wanted: Target,
        times: int = 3,
        every: float = 1.0,
        *,
        to: Station | None = None,
        sender: str | None = None,
        after: float | None = None,
    ) -> list[Record]:
        """Ask for an address, `times` times; `to` asks one station only (a refresh)."""
        to_hw = to.hw if to else BROADCAST
        pauses = [after] + [every] * (times - 1)
        return [
            self.arp(by, 1, sender or by.address, _address(wanted), to_hw=to_hw, after=pause)
            for pause in pauses
        ]

    def reply(
        self, by: Station, to: Station, for_ip: str | None = None, after: float | None = None
    ) -> Record:
        mine = for_ip or by.address
        return self.arp(by, 2, mine, to.address, to_hw=to.hw, target_hw=to.hw, after=after)

    def resolve(self, by: Station, wanted: Station, after: float | None = None) -> None:
        """Ask once and be answered."""
        self.ask(by, wanted, times=1, after=after)
        self.reply(wanted, by)

    def probe(
        self, by: Station, wanted: Target | None = None, times: int = 3, **more: Any
    ) -> list[Record]:
        """Check whether an address (its own unless given) is free: the sender is 0.0.0.0."""
        return self.ask(by, wanted or by, times, sender="0.0.0.0", **more)

    def announce(
        self, by: Station, times: int = 2, every: float = 2.0, after: float | None = None
    ) -> list[Record]:
        return self.ask(by, by, times, every, after=after)

    # IP, ICMP (RFC 792), UDP

    def ip(
        self,
        by: Station,
        to: Target,
        transport: Packet,
        *,
        via: Station | None = None,
        source: str | None = None,
        after: float | None = None,
    ) -> Record:
        """Any IPv4 packet; `via` a router it has that hardware address, inbound one ttl less."""
        packet = IP(src=source or by.address, dst=_address(to), ttl=by.ttl, id=by.next_packet_id())
        to_hw, from_hw = _hw(to), by.hw
        if by.is_pc:
            packet.flags = "DF"
        if via and by.is_pc:
            to_hw = via.hw
        elif via:
            from_hw = via.hw
            packet.ttl -= 1
        packet.add_payload(transport)
        data = bytes(packet)
        if by.is_pc and self._offload:
            data = _unfinished(data)
        return self.frame(by, to_hw, 0x0800, data, from_hw=from_hw, after=after)

    def ping(
        self, by: Station, to: Target, sequence: int = 1, payload: bytes = ECHO, **more: Any
    ) -> Record:
        return self.ip(by, to, ICMP(type=8, id=1, seq=sequence) / payload, **more)

    def pong(
        self, by: Station, to: Target, sequence: int = 1, payload: bytes = ECHO, **more: Any
    ) -> Record:
        return self.ip(by, to, ICMP(type=0, id=1, seq=sequence) / payload, **more)

    def unreachable(
        self, by: Station, to: Station, quoted: Record, code: int = 1, type: int = 3, **more: Any
    ) -> Record:
        """Say that a packet could not be delivered, quoting it; code 4 takes `next_size` too."""
        message = ICMP(type=type, code=code, nexthopmtu=more.pop("next_size", 0))
        return self.ip(by, to, message / _quote(quoted), **more)

    def redirect(
        self, by: Station, to: Station, quoted: Record, gateway: Target, **more: Any
    ) -> Record:
        return self.ip(by, to, ICMP(type=5, code=1, gw=_address(gateway)) / _quote(quoted), **more)

    def datagram(
        self, by: Station, to: Target, sport: int, dport: int, payload: bytes = b"", **more: Any
    ) -> Record:
        """One UDP datagram; `to` may be a broadcast or group address."""
        return self.ip(by, to, UDP(sport=sport, dport=dport) / payload, **more)

    def in_fragments(
        self, by: Station, to: Station, sport: int, dport: int, payload: bytes, after: float = 0.001
    ) -> list[Record]:
        """One UDP datagram that is too long for a frame (RFC 791 section 3.2)."""
        packet = IP(src=by.address, dst=to.address, ttl=by.ttl, id=by.next_packet_id())
        pieces = fragment(packet / UDP(sport=sport, dport=dport) / payload, FRAGMENT)
        return [
            self.frame(by, to.hw, 0x0800, bytes(piece), after=0.00002 if n else after)
            for n, piece in enumerate(pieces)
        ]

    def tcp(
        self, client: Station, server: Station, port: int = 502, sport: int = 0, **more: Any
    ) -> "Session":
        """A TCP session still to be opened; `more` are fields of Session (`via`, `client_seq`)."""
        sport = sport or next(self._ports)
        numbers = {"client_seq": sport * 40_503 % 2**32, "server_seq": sport * 50_021 % 2**32}
        return Session(self, client, server, port, sport, **{**numbers, **more})

    # DHCP (RFC 2131)

    def dhcp(
        self,
        kind: str,
        client: Station,
        address: str = "0.0.0.0",
        *,
        server: Station | None = None,
        xid: int = 0x5A17,
        secs: int = 0,
        renew: bool = False,
        options: Sequence[tuple[str, Any]] = (),
        after: float | None = None,
    ) -> Record:
        """discover, request, decline, release by the client; offer, ack, nak by the server.

        `address` is the one wished for or offered; `options` adds ("subnet_mask", "255.255.255.0"),
        ("router", ...), ("lease_time", ...) and the like; `renew` asks the server directly from
        the address in use.
        """
        answers = server is not None and kind in ("offer", "ack", "nak")
        body = BOOTP(op=1 + answers, chaddr=octets(client.hw), xid=xid, secs=secs, flags=0x8000)
        body.ciaddr = address if renew else "0.0.0.0"
        body.yiaddr = address if answers and kind != "nak" else "0.0.0.0"
        said: list[Any] = [("message-type", kind), *options]
        if server and not renew:
            said.append(("server_id", server.address))
        if not answers and not renew and address != "0.0.0.0":
            said.append(("requested_addr", address))
        message = bytes(body / DHCP(options=[*said, "end"])).ljust(300, b"\0")
        if answers and server:
            return self.datagram(server, "255.255.255.255", 67, 68, message, after=after)
        to, source = (server, address) if server and renew else ("255.255.255.255", "0.0.0.0")
        return self.datagram(client, to, 68, 67, message, source=source, after=after)

    def lease(self, client: Station, server: Station, **options: Any) -> None:
        """Discover, offer, request and ack of the client's own address; `options` by name."""
        said = list({"subnet_mask": "255.255.255.0", "lease_time": 86400, **options}.items())
        self.dhcp("discover", client)
        self.dhcp("offer", client, client.address, server=server, options=said)
        self.dhcp("request", client, client.address, server=server)
        self.dhcp("ack", client, client.address, server=server, options=said)

    # switches, IPv6, and the rest of a plant

    def bpdu(self, switch: Station, after: float | None = None, **fields: Any) -> Record:
        """A spanning-tree frame (IEEE 802.1D); `fields` are those of the STP layer."""
        root = {"rootid": 0x8000, "rootmac": switch.hw, "bridgeid": 0x8000, "age": 0}
        tree = STP(**{**root, "bridgemac": switch.hw, "portid": 0x8005, **fields})
        body = bytes(LLC(dsap=0x42, ssap=0x42, ctrl=3) / tree)
        return self.frame(switch, "01:80:c2:00:00:00", len(body), body, after=after)

    def lldp(
        self,
        switch: Station,
        port: str = "port 5",
        name: str = "switch",
        vlan: int | None = None,
        **more: Any,
    ) -> Record:
        """A switch says who it is (IEEE 802.1AB), and the VLAN of its port."""
        parts = ((1, b"\x04" + octets(switch.hw)), (2, b"\x05" + port.encode()), (3, b"\0\x78"))
        told = [] if vlan is None else [(127, bytes.fromhex("0080c201") + struct.pack("!H", vlan))]
        said = [*parts, (5, name.encode()), *told, (0, b"")]
        body = b"".join(struct.pack("!H", kind << 9 | len(value)) + value for kind, value in said)
        return self.frame(switch, "01:80:c2:00:00:0e", 0x88CC, body, **more)

    def eapol(self, by: Station, says: str = "identity", **more: Any) -> Record:
        """The switch port asks who is there, or a later step of that (IEEE 802.1X, RFC 3748)."""
        message = bytes.fromhex(
            {
                "start": "02010000",
                "identity": "02000005 0101000501",
                "response": "02000007 0201000701 7063",
                "success": "02000004 03020004",
                "failure": "02000004 04020004",
            }[says]
        )
        return self.frame(by, "01:80:c2:00:00:03", 0x888E, message, **more)

    def link_up(self, pc: Station) -> None:
        """What a PC with a fixed address sends in the 6 s after link-up (RFC 4862, RFC 5227)."""
        mac = octets(pc.hw)
        low = "fe80::" + (bytes([mac[0] ^ 2]) + mac[1:3] + b"\xff\xfe" + mac[3:]).hex(":", 2)
        for group, source, message in (
            (f"ff02::1:ff{low[-7:]}", "::", ICMPv6ND_NS(tgt=low)),
            ("ff02::2", low, ICMPv6ND_RS()),
        ):
            message_octets = bytes(IPv6(src=source, dst=group, hlim=255) / message)
            self.frame(pc, _hw(group), 0x86DD, message_octets, after=0.02)
        self.probe(pc, after=0.2)
        self.announce(pc, after=2.0)

    def meanwhile(self, every: float, make: Callable[[], object], first: float = 0.0) -> None:
        """Call `make` every so many seconds from `first` until now: background of the story."""
        times = int((self.now - first) / every) + 1
        for n in range(times):
            with self.at(first + n * every):
                make()

    def chatter(self, *stations: Station, every: float = 1.7, first: float = 0.3) -> None:
        """Let other stations be heard over the whole story so far (two of them unless given).

        In turn they look for the next one by ARP and broadcast a short datagram on their network.
        """
        others = stations or (
            Station("192.0.2.20", "00:00:5e:00:53:20"),
            Station("192.0.2.31", "00:00:5e:00:53:31", ttl=255),
        )
        turns = count()

        def speak() -> None:
            turn = next(turns)
            one, other = others[turn % len(others)], others[(turn + 1) % len(others)]
            if turn // len(others) % 2 and one is not other:
                self.ask(one, other, times=1)
            else:
                everyone = str(IPv4Interface(one.address + "/24").network.broadcast_address)
                self.datagram(one, everyone, 50000, 50000, f"running {turn}".encode())

        self.meanwhile(every, speak, first)

    # recordings

    def pcap(self, **options: Any) -> bytes:
        """The story so far in the classic layout; options as of layouts.pcap."""
        return layouts.pcap(self.records, **options)

    def pcapng(self, **options: Any) -> bytes:
        """The story so far in the next-generation layout; options as of layouts.pcapng."""
        return layouts.pcapng(self.records, **options)

    def write(self, path: str | Path, **options: Any) -> None:
        """Save as .pcap or .pcapng, with .gz after it compressed; options as of that layout."""
        path = Path(path)
        make = self.pcapng if ".pcapng" in path.suffixes else self.pcap
        data = make(**options)
        path.write_bytes(layouts.compressed(data) if path.suffix == ".gz" else data)


@dataclass(eq=False)
class Side:
    """One end of a session: its next sequence number, and the one it expects from the other end."""

    station: Station
    port: int
    next: int
    window: int
    expects: int = 0
    last: tuple[str, bytes, int] = ("", b"", 0)

    @property
    def syn_options(self) -> Sequence[tuple[str, Any]]:
        return PC_SYN_OPTIONS if self.station.is_pc else UNIT_SYN_OPTIONS


@dataclass(eq=False)
class Session:
    """One TCP session (RFC 9293). `by` is the station that sends, the client unless given.

    A station that is neither end speaks for the end whose address it has.
    `lost` segments never arrive: the PC's are in the file, the others' are not.
    """

    plant: Plant
    client_station: Station
    server_station: Station
    port: int
    sport: int
    via: Station | None = None
    client_seq: int = 100
    server_seq: int = 300
    client_window: int = 64240
    server_window: int = 8192
    transaction: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self.client = Side(self.client_station, self.sport, self.client_seq, self.client_window)
        self.server = Side(self.server_station, self.port, self.server_seq, self.server_window)
        self.client.expects, self.server.expects = self.server.next, self.client.next

    def side(self, by: Station | None) -> tuple[Side, Side]:
        mine = by is None or by.address == self.client.station.address
        return (self.client, self.server) if mine else (self.server, self.client)

    def segment(
        self,
        flags: str,
        payload: bytes = b"",
        by: Station | None = None,
        *,
        seq: int | None = None,
        ack: int | None = None,
        window: int | None = None,
        options: Sequence[tuple[str, Any]] | None = None,
        lost: bool = False,
        after: float | None = None,
    ) -> Record:
        """Any segment: flags as letters (S A F R P), numbers the session's own unless given."""
        mine, theirs = self.side(by)
        start = mine.next if seq is None else seq
        end = (start + len(payload) + ("S" in flags) + ("F" in flags)) % 2**32
        header = TCP(sport=mine.port, dport=theirs.port, flags=flags, seq=start)
        usual = mine.syn_options if "S" in flags else ()
        header.options = list(usual if options is None else options)
        header.ack = (mine.expects if ack is None else ack) if "A" in flags else 0
        header.window = mine.window if window is None else window
        if payload:
            header.add_payload(payload)
        by = by or mine.station
        record = self.plant.ip(by, theirs.station, header, via=self.via, after=after)
        if end != start:
            mine.last = (flags, payload, start)
        if start == mine.next:
            mine.next = end
        if lost and not by.is_pc:
            self.plant.lose(record)
        if not lost and (start == theirs.expects or "S" in flags):
            theirs.expects = end
        return record

    def syn(self, repeats: Sequence[float] = (), **more: Any) -> Record:
        """Call; `repeats` are the seconds between further tries, e.g. (1, 2, 4)."""
        record = self.segment("S", **more)
        for pause in repeats:
            self.again(after=pause)
        return record

    def syn_ack(self, **more: Any) -> Record:
        return self.segment("SA", **{"by": self.server.station, **more})

    def ack(self, by: Station | None = None, **more: Any) -> Record:
        return self.segment("A", by=by, **more)

    def open(self, after: float | None = None) -> Self:
        """The whole handshake."""
        self.syn(after=after)
        self.syn_ack()
        self.ack()
        return self

    def refuse(self, **more: Any) -> Record:
        """The server turns a SYN down."""
        refusal = {"by": self.server.station, "seq": 0, "window": 0}
        return self.segment("RA", **{**refusal, **more})

    def send(self, payload: bytes, by: Station | None = None, **more: Any) -> Record:
        return self.segment("PA", payload, by, **more)

    def again(self, by: Station | None = None, **more: Any) -> Record:
        """The last segment of that side that took sequence numbers, once more."""
        flags, payload, seq = self.side(by)[0].last
        return self.segment(flags, payload, by, seq=seq, **more)

    def keep_alive(self, by: Station | None = None, **more: Any) -> Record:
        """One old octet, to be acknowledged again (RFC 9293, 3.8.4)."""
        old = (self.side(by)[0].next - 1) % 2**32
        return self.segment("A", b"\0", by, seq=old, **more)

    def fin(self, by: Station | None = None, **more: Any) -> Record:
        return self.segment("FA", by=by, **more)

    def rst(self, by: Station | None = None, bare: bool = False, **more: Any) -> Record:
        """Break the session; `bare`: as a stack does that knows of none (no ACK flag)."""
        return self.segment("R" if bare else "RA", by=by, **{"window": 0, **more})

    def close(self, by: Station | None = None, after: float | None = None) -> None:
        """FIN, FIN, ACK, begun by `by`."""
        mine, theirs = self.side(by)
        self.fin(mine.station, after=after)
        self.fin(theirs.station)
        self.ack(mine.station)

    def exchange(
        self, request: bytes, answer: bytes, think: float = 0.004, after: float | None = None
    ) -> Record:
        """A request of the client, its answer `think` seconds later, and the client's ACK."""
        record = self.send(request, after=after)
        self.send(answer, self.server.station, after=think)
        self.ack(after=0.04)
        return record

    def poll(self, times: int = 3, every: float = 1.0) -> None:
        """Modbus reads that are answered, with `every` seconds of rest before each."""
        for _ in range(times):
            self.transaction += 1
            turn = self.transaction
            self.exchange(modbus_read(turn), modbus_answer(turn), after=every)


def modbus_read(transaction: int, unit: int = 1, register: int = 108, count: int = 3) -> bytes:
    """Read holding registers; 108 travels as 0x006B (Modbus application protocol 1.1b3, 6.3)."""
    return struct.pack("!HHHBBHH", transaction, 0, 6, unit, 3, register - 1, count)


def modbus_answer(
    transaction: int, unit: int = 1, values: Sequence[int] = (0x022B, 0, 0x64)
) -> bytes:
    data = struct.pack(f"!{len(values)}H", *values)
    return struct.pack("!HHHBBB", transaction, 0, 3 + len(data), unit, 3, len(data)) + data


def modbus_refusal(transaction: int, unit: int = 1, function: int = 3, code: int = 2) -> bytes:
    """An exception answer (section 7): function + 0x80 and a code."""
    return struct.pack("!HHHBBB", transaction, 0, 3, unit, function | 0x80, code)


def _address(target: Target) -> str:
    return target if isinstance(target, str) else target.address


def _hw(target: Target) -> str:
    """The hardware address for a station, a group (RFC 1112, 6.4; RFC 2464, 7) or everybody."""
    if isinstance(target, Station):
        return target.hw
    address = ip_address(target)
    if address.version == 6:
        return "33:33:" + address.packed[-4:].hex(":")
    if address.is_multicast:
        return "01:00:5e:" + (int(address) & 0x7FFFFF).to_bytes(3).hex(":")
    return BROADCAST


def _unfinished(data: bytes) -> bytes:
    """An IP packet whose TCP or UDP checksum is only the sum of the pseudo-header (offload)."""
    place = {6: 36, 17: 26}.get(data[9])
    if place is None:
        return data
    total = sum(struct.unpack("!4H", data[12:20])) + data[9] + len(data) - 20
    return data[:place] + struct.pack("!H", total % 0xFFFF or 0xFFFF) + data[place + 2 :]


def _quote(quoted: Record) -> bytes:
    """The IP header and the first 8 octets behind it (RFC 792)."""
    start = network_header(quoted.data)
    return quoted.data[start : start + 28]
