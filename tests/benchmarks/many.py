"""Recordings with many of one thing, written as fast as Python can.

Every kind is a generator of frames: (microseconds since the frame before, octets). They begin with
the PC finding its controller and being answered, and end with seconds in which others are heard,
unless the kind is about that. Frames of the PC are as short as before the adapter pads them, those
of others are padded, so that it is plain who recorded. IPv4 checksums are zero: nobody looks at
them. The many hosts have addresses of RFC 2544 and hardware addresses that no maker has.
"""

import struct
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain, count, islice
from typing import BinaryIO, NamedTuple

Frame = tuple[int, bytes]
"""Microseconds since the frame before, and the octets."""

SECOND = 1_000_000
STEP = 500
"""Microseconds between frames: as a program without a pause makes them."""
APART = 3_000
"""Microseconds between frames that are alike, so that none is taken for the recorder's copy."""
EPOCH = 1_741_683_600 * SECOND
SHORTEST = 60
"""Octets that an adapter pads frames to (IEEE 802.3 3.2.8)."""


class Host(NamedTuple):
    """Both addresses of a host, and whether its frames were recorded before they were padded."""

    hardware: bytes
    address: bytes
    records: bool = False


def example(last: int, records: bool = False) -> Host:
    """A host of the usual plant: 192.0.2.15 has 00-00-5E-00-53-15."""
    hardware = bytes.fromhex(f"00005e0053{last:02}")
    return Host(hardware, bytes((192, 0, 2, last)), records)


def host(n: int) -> Host:
    """One of many: 198.18.0.1 and up, without last numbers 0 and 255 (RFC 2544 appendix C)."""
    high, low = divmod(n, 254)
    address = (198 << 24 | 18 << 16) + (high << 8) + low + 1
    return Host(b"\x02\0\0" + n.to_bytes(3), address.to_bytes(4))


PC, ROUTER, SECOND_PC, UNIT = example(15, records=True), example(1), example(16), example(60)
OTHER, RIVAL = example(99), Host(bytes.fromhex("00005e005361"), UNIT.address)
EVERYBODY = Host(b"\xff" * 6, b"\xff" * 4)
NOBODY = Host(bytes(6), bytes(4))

# --- frames -------------------------------------------------------------------------------------

LINK = struct.Struct(">6s6sH")
ARP = struct.Struct(">6s6sHHHBBH6s4s6s4s")
IPV4 = struct.Struct(">6s6sHBBHHHBBH4s4s")
SEGMENT = struct.Struct(">6s6sHBBHHHBBH4s4sHHIIBBHHH")
ICMP, TCP, UDP = 1, 6, 17
FIN, SYN, RST, PSH, ACK = 1, 2, 4, 8, 16


def sent(src: Host, frame: bytes) -> bytes:
    """A frame as it is recorded."""
    return frame if src.records else frame.ljust(SHORTEST, b"\0")


def ethernet(src: Host, dst: bytes, kind: int, body: bytes) -> bytes:
    return sent(src, LINK.pack(dst, src.hardware, kind) + body)


def arp(operation: int, src: Host, wanted: bytes, to: Host = NOBODY) -> bytes:
    """A request to everybody, or a reply to somebody."""
    dst = EVERYBODY if to is NOBODY else to
    head = dst.hardware, src.hardware, 0x0806, 1, 0x0800, 6, 4, operation
    return sent(src, ARP.pack(*head, src.hardware, src.address, to.hardware, wanted))


def ipv4(src: Host, dst: Host, protocol: int, body: bytes, number: int = 0, cut: int = 0) -> bytes:
    """number: the identification; cut: flags and offset of a fragment."""
    number &= 0xFFFF
    head = dst.hardware, src.hardware, 0x0800, 0x45, 0, 20 + len(body), number, cut, 64, protocol, 0
    return sent(src, IPV4.pack(*head, src.address, dst.address) + body)


def udp(src: Host, dst: Host, sport: int, dport: int, payload: bytes, number: int = 0) -> bytes:
    head = struct.pack(">4H", sport, dport, 8 + len(payload), 0)
    return ipv4(src, dst, UDP, head + payload, number)


def icmp(src: Host, dst: Host, kind: int, rest: int) -> bytes:
    """A ping or its reply."""
    return ipv4(src, dst, ICMP, struct.pack(">BBHI", kind, 0, 0, rest))


def unreachable(src: Host, dst: Host, code: int, frame: bytes, number: int) -> bytes:
    """What a router or host says of a frame: it quotes its first octets (RFC 792)."""
    body = struct.pack(">BBHI", 3, code, 0, 0) + frame[14:42]
    return ipv4(src, dst, ICMP, body, number)


class Talk:
    """The segments of one session; numbers go on by themselves."""

    def __init__(self, client: Host, server: Host, sport: int, dport: int = 502) -> None:
        self.client, self.server, self.sport, self.dport = client, server, sport, dport
        self.asked, self.told = sport * 1000, sport * 7000

    def ask(self, flags: int, payload: bytes = b"", skip: int = 0) -> bytes:
        """A segment of the client, `skip` octets behind where it stands."""
        seq = self.asked + skip
        self.asked = seq + len(payload) + (flags & SYN > 0) + (flags & FIN > 0)
        ack = self.told if flags & ACK else 0
        ends = self.client, self.server, self.sport, self.dport
        return segment(*ends, seq, ack, flags, payload)

    def tell(self, flags: int, payload: bytes = b"", skip: int = 0, window: int = 8192) -> bytes:
        """A segment of the server, likewise."""
        seq = self.told + skip
        self.told = seq + len(payload) + (flags & SYN > 0) + (flags & FIN > 0)
        ends = self.server, self.client, self.dport, self.sport
        return segment(*ends, seq, self.asked, flags, payload, window)


def segment(
    src: Host,
    dst: Host,
    sport: int,
    dport: int,
    seq: int,
    ack: int,
    flags: int,
    payload: bytes = b"",
    window: int = 8192,
) -> bytes:
    link = dst.hardware, src.hardware, 0x0800
    head = 0x45, 0, 40 + len(payload), 0, 0x4000, 64, TCP, 0, src.address, dst.address
    numbers = sport, dport, seq & 0xFFFFFFFF, ack & 0xFFFFFFFF, 0x50, flags, window, 0, 0
    return sent(src, SEGMENT.pack(*link, *head, *numbers) + payload)


def port(n: int) -> int:
    """A port of a client: those above 1024, again and again."""
    return 1025 + n % 64_000


def request(n: int) -> bytes:
    """Modbus/TCP: read twenty registers."""
    return struct.pack(">HHHBBHH", n & 0xFFFF, 0, 6, 1, 3, 108, 20)


def answer(n: int) -> bytes:
    return struct.pack(">HHHBBB", n & 0xFFFF, 0, 43, 1, 3, 40) + bytes(40)


def exception(n: int) -> bytes:
    """Modbus/TCP: no such registers."""
    return struct.pack(">HHHBBB", n & 0xFFFF, 0, 3, 1, 0x83, 2)


# --- scenes -------------------------------------------------------------------------------------


def paced(*frames: bytes, step: int = STEP) -> Iterator[Frame]:
    return ((step, frame) for frame in frames)


def opened(talk: Talk) -> Iterator[Frame]:
    yield from paced(talk.ask(SYN), talk.tell(SYN | ACK), talk.ask(ACK))


def asked(talk: Talk, n: int = 0) -> Iterator[Frame]:
    """A request and its answer."""
    yield STEP, talk.ask(PSH | ACK, request(n))
    yield STEP, talk.tell(ACK)
    yield STEP, talk.tell(PSH | ACK, answer(n))
    yield STEP, talk.ask(ACK)


def closed(talk: Talk) -> Iterator[Frame]:
    """The client closes, then the server."""
    yield from paced(talk.ask(FIN | ACK), talk.tell(ACK), talk.tell(FIN | ACK), talk.ask(ACK))


def acquainted() -> Iterator[Frame]:
    """The recorder runs for 5 s, then the PC finds its controller."""
    yield 0, arp(1, OTHER, ROUTER.address)
    yield 5 * SECOND, arp(1, PC, UNIT.address)
    yield STEP, arp(2, UNIT, PC.address, PC)


def served() -> Iterator[Frame]:
    """As acquainted, and the PC is answered in a session."""
    talk = Talk(PC, UNIT, 65_500)
    yield from chain(acquainted(), opened(talk), asked(talk), closed(talk))


def ended() -> Iterator[Frame]:
    """The recorder runs on for a while, and others are heard."""
    for _ in range(4):
        yield 2 * SECOND, arp(1, OTHER, ROUTER.address)


def busy_session() -> tuple[Talk, Iterator[Frame]]:
    """A session of the PC, and the frames up to its first answer."""
    talk = Talk(PC, UNIT, 49_152)
    return talk, chain(acquainted(), opened(talk), asked(talk))


# --- kinds: the PC's sessions -------------------------------------------------------------------


def sessions_closed(number: int) -> Iterator[Frame]:
    """Short sessions that end in order: 11 frames each."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        yield from asked(talk, n)
        yield from closed(talk)
    yield from ended()


def sessions_reset(number: int) -> Iterator[Frame]:
    """The controller resets each session after its answer."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        yield from asked(talk, n)
        yield STEP, talk.tell(RST | ACK)
    yield from ended()


def sessions_left_open(number: int) -> Iterator[Frame]:
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        yield from asked(talk, n)
    yield from ended()


def sessions_dropped(number: int) -> Iterator[Frame]:
    """The controller accepts, and resets at once."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        yield STEP, talk.tell(RST | ACK)
    yield from ended()


def sessions_unanswered(number: int) -> Iterator[Frame]:
    """The controller confirms each request and never answers; the PC closes after a second."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        yield STEP, talk.ask(PSH | ACK, request(n))
        yield STEP, talk.tell(ACK)
        yield SECOND, talk.ask(FIN | ACK)
        yield from paced(talk.tell(ACK), talk.tell(FIN | ACK), talk.ask(ACK))
    yield from ended()


def sessions_recovered(number: int) -> Iterator[Frame]:
    """As before, and at the end one session that works."""
    in_vain = list(islice(sessions_unanswered(number), 3 + 9 * number))
    talk = Talk(PC, UNIT, 65_501)
    yield from chain(in_vain, opened(talk), asked(talk), closed(talk), ended())


def sessions_hung(number: int) -> Iterator[Frame]:
    """Nothing comes back for a request, and the PC calls anew without closing."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        asks = talk.ask(PSH | ACK, request(n))
        yield from ((STEP, asks), (300_000, asks), (600_000, asks))
    yield from ended()


def sessions_joined_late(number: int) -> Iterator[Frame]:
    """The PC asks in sessions from before, and the controller knows none of them."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from paced(talk.ask(PSH | ACK, request(n)), talk.tell(RST))
    talk = Talk(PC, UNIT, 65_501)
    yield from chain(opened(talk), asked(talk), closed(talk), ended())


def calls_held_over(number: int) -> Iterator[Frame]:
    """The controller confirms other numbers than the call's, and the PC resets that."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield STEP, talk.ask(SYN)
        ends = UNIT, PC, 502, port(n)
        yield STEP, segment(*ends, talk.told, talk.asked - 50_000, ACK)
        yield STEP, talk.ask(RST, skip=-50_001)
    yield from ended()


def lines_busy(number: int) -> Iterator[Frame]:
    """The controller says by itself that it is busy, and closes."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n), 10_001)
        yield from opened(talk)
        yield STEP, talk.tell(PSH | ACK, b"ERROR: busy, connection failed\r\n")
        yield STEP, talk.tell(FIN | ACK)
        yield from paced(talk.ask(ACK), talk.ask(FIN | ACK), talk.tell(ACK))
    yield from ended()


def calls_refused(number: int) -> Iterator[Frame]:
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from paced(talk.ask(SYN), talk.tell(RST | ACK))
    yield from ended()


def calls_silent(number: int) -> Iterator[Frame]:
    """Each SYN is sent again after a second, and never answered."""
    yield from acquainted()
    for n in range(number):
        call = Talk(PC, UNIT, port(n)).ask(SYN)
        yield from ((STEP, call), (SECOND, call))
    yield from ended()


def calls_unheard(number: int) -> Iterator[Frame]:
    """Each SYN is accepted, and accepted again after a second; the PC never takes that up."""
    yield from acquainted()
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield STEP, talk.ask(SYN)
        accepted = talk.tell(SYN | ACK)
        yield from ((STEP, accepted), (SECOND, accepted))
    yield from ended()


def calls_prohibited(number: int) -> Iterator[Frame]:
    """A router answers each SYN with "prohibited by a rule" (RFC 1812 5.2.7.1)."""
    yield from acquainted()
    for n in range(number):
        call = Talk(PC, UNIT, port(n)).ask(SYN)
        yield STEP, call
        yield STEP, unreachable(ROUTER, PC, 13, call, n)
    yield from ended()


def ports_called(number: int) -> Iterator[Frame]:
    """The PC calls one port of the controller after the other, and each is refused."""
    yield from served()
    for n in range(number):
        talk = Talk(PC, UNIT, 50_000, port(n))
        yield from paced(talk.ask(SYN), talk.tell(RST | ACK))
    yield from ended()


# --- kinds: many hosts --------------------------------------------------------------------------


def stations(number: int) -> Iterator[Frame]:
    """Each sends a datagram to everybody."""
    yield from served()
    for n in range(number):
        yield STEP, udp(host(n), EVERYBODY, 5000, 5001, b"here I am")
    yield from ended()


def addresses_searched(number: int) -> Iterator[Frame]:
    """The PC asks for one address after the other."""
    yield from served()
    for n in range(number):
        yield STEP, arp(1, PC, host(n).address)
    yield from ended()


def addresses_asked(number: int) -> Iterator[Frame]:
    """The PC asks for each as often as it takes to give up, and does nothing else."""
    yield 0, arp(1, OTHER, ROUTER.address)
    for n in range(number):
        yield from ((SECOND, arp(1, PC, host(n).address)) for _ in range(3))
    yield from ended()


def controllers(number: int) -> Iterator[Frame]:
    """The PC has a session with each."""
    yield from served()
    for n in range(number):
        talk = Talk(PC, host(n), port(n))
        yield from opened(talk)
        yield from asked(talk, n)
        yield from closed(talk)
    yield from ended()


def controllers_silent(number: int) -> Iterator[Frame]:
    """The PC finds each by ARP and calls it in vain, three times."""
    yield from acquainted()
    for n in range(number):
        unit = host(n)
        call = Talk(PC, unit, port(n)).ask(SYN)
        yield from paced(arp(1, PC, unit.address), arp(2, unit, PC.address, PC), call)
        yield from paced(call, call, step=APART)
    yield from ended()


def callers(number: int) -> Iterator[Frame]:
    """Many PCs have a session with one controller."""
    yield from served()
    for n in range(number):
        talk = Talk(host(n), UNIT, port(n))
        yield from opened(talk)
        yield from asked(talk, n)
        yield from closed(talk)
    yield from ended()


def calls_to_pc(number: int) -> Iterator[Frame]:
    """Many controllers call the PC, which refuses."""
    yield from served()
    for n in range(number):
        talk = Talk(host(n), PC, port(n), 2000)
        yield from paced(talk.ask(SYN), talk.tell(RST | ACK))
    yield from ended()


def two_pcs(number: int) -> Iterator[Frame]:
    """Two PCs, of which neither can have recorded rather than the other, call the same ones."""
    pcs = PC._replace(records=False), SECOND_PC
    for n in range(number):
        for pc in pcs:
            talk = Talk(pc, host(n), port(n))
            yield from opened(talk)
            yield from asked(talk, n)
    yield from ended()


def owners_in_turn(number: int) -> Iterator[Frame]:
    """Two stations claim the controller's address in turn."""
    yield from served()
    for _ in range(number):
        yield APART, arp(2, RIVAL, PC.address, PC)
        yield APART, arp(2, UNIT, PC.address, PC)
    yield from ended()


def senders_in_turn(number: int) -> Iterator[Frame]:
    """For each of many addresses, two stations send to the PC in turn."""
    yield from served()
    for n in range(number):
        one, other = host(n), host(n)._replace(hardware=b"\x02\1\0" + n.to_bytes(3))
        for sender in (one, other, one, other):
            yield APART, udp(sender, PC, 5000, 5001, b"value")
    yield from ended()


# --- kinds: within one session ------------------------------------------------------------------


def requests(number: int) -> Iterator[Frame]:
    """Requests that are answered, as on any healthy day."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        yield from asked(talk, n)
    yield from chain(closed(talk), ended())


def exceptions(number: int) -> Iterator[Frame]:
    """Every request is rejected with a Modbus exception."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        yield STEP, talk.ask(PSH | ACK, request(n))
        yield STEP, talk.tell(PSH | ACK, exception(n))
    yield from chain(closed(talk), ended())


def sessions_rejected(number: int) -> Iterator[Frame]:
    """One session works; each of the others gets nothing but exceptions."""
    talk, begin = busy_session()
    yield from begin
    yield from chain(asked(talk), closed(talk))
    for n in range(number):
        talk = Talk(PC, UNIT, port(n))
        yield from opened(talk)
        for turn in range(3):
            yield STEP, talk.ask(PSH | ACK, request(turn))
            yield STEP, talk.tell(PSH | ACK, exception(turn))
        yield from closed(talk)
    yield from ended()


def passed_over(number: int) -> Iterator[Frame]:
    """The controller answers every second request, and confirms the others."""
    talk, begin = busy_session()
    yield from begin
    for n in range(1, number + 1):
        yield SECOND, talk.ask(PSH | ACK, request(2 * n))
        yield STEP, talk.tell(ACK)
        yield from asked(talk, 2 * n + 1)
    yield from chain(closed(talk), ended())


def overlaps(number: int) -> Iterator[Frame]:
    """Each segment repeats the last half of the one before."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        yield STEP, talk.ask(PSH | ACK, request(n), skip=-6 if n else 0)
        yield STEP, talk.tell(ACK)
    yield from chain(closed(talk), ended())


def retransmissions(number: int) -> Iterator[Frame]:
    """Every request is sent twice and answered once."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        again = talk.ask(PSH | ACK, request(n))
        yield from ((STEP, again), (200_000, again))
        yield STEP, talk.tell(PSH | ACK, answer(n))
    yield from chain(closed(talk), ended())


def holes(number: int) -> Iterator[Frame]:
    """Behind every answer, another one is missing in the recording."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        yield STEP, talk.ask(PSH | ACK, request(n))
        yield STEP, talk.tell(PSH | ACK, answer(n), skip=49)
    yield from chain(closed(talk), ended())


def keep_alives(number: int) -> Iterator[Frame]:
    """The PC probes an idle session each second: an octet that was sent before, and an answer."""
    talk, begin = busy_session()
    yield from begin
    for _ in range(number):
        yield SECOND, talk.ask(ACK, b"\0", skip=-1)
        yield STEP, talk.tell(ACK)
    yield from chain(closed(talk), ended())


def windows_shut(number: int) -> Iterator[Frame]:
    """The controller says that it can take no more, and takes that back."""
    talk, begin = busy_session()
    yield from begin
    for n in range(number):
        yield STEP, talk.ask(PSH | ACK, request(n))
        yield STEP, talk.tell(ACK, window=0)
        yield APART, talk.tell(ACK)
        yield STEP, talk.tell(PSH | ACK, answer(n))
    yield from chain(closed(talk), ended())


# --- kinds: ARP, UDP, ICMP, DHCP ----------------------------------------------------------------


def arp_repeated(number: int) -> Iterator[Frame]:
    """The PC asks for its controller again and again, in vain."""
    yield 0, arp(1, OTHER, ROUTER.address)
    for _ in range(number):
        yield SECOND, arp(1, PC, UNIT.address)
    yield from ended()


def arp_askers(number: int) -> Iterator[Frame]:
    """Everybody asks for the controller."""
    yield from served()
    for n in range(number):
        yield STEP, arp(1, host(n), UNIT.address)
    yield from ended()


def arp_announced(number: int) -> Iterator[Frame]:
    """Everybody probes for its own address, then announces it (RFC 5227 2.1.1, 2.3)."""
    yield from served()
    for n in range(number):
        one = host(n)
        yield STEP, arp(1, one._replace(address=bytes(4)), one.address)
        yield STEP, arp(1, one, one.address)
    yield from ended()


def arp_unasked(number: int) -> Iterator[Frame]:
    """One station tells the PC twice, unasked, that everybody's address is its own; everybody
    greets all.
    """
    yield from served()
    taker = host(number)
    for n in range(number):
        one = host(n)
        claim = arp(2, taker._replace(address=one.address), PC.address)
        yield from ((STEP, claim), (STEP, claim))
        yield STEP, udp(one, EVERYBODY, 5000, 5000, b"here", n + 1)
    yield from ended()


def udp_exchanges(number: int) -> Iterator[Frame]:
    """The PC asks one port of the controller from many of its own, and is answered."""
    yield from served()
    for n in range(number):
        yield STEP, udp(PC, UNIT, port(n), 2222, b"question")
        yield STEP, udp(UNIT, PC, 2222, port(n), b"answer")
    yield from ended()


def udp_targets(number: int) -> Iterator[Frame]:
    """The PC asks many controllers, and nobody answers."""
    yield from served()
    for n in range(number):
        yield STEP, udp(PC, host(n), 50_000, 2222, b"question")
    yield from ended()


def udp_refused(number: int) -> Iterator[Frame]:
    """The controller says of each datagram that nobody is on that port."""
    yield from served()
    for n in range(number):
        question = udp(PC, UNIT, port(n), 2222, b"question")
        yield from paced(question, unreachable(UNIT, PC, 3, question, n))
    yield from ended()


def fragments(number: int) -> Iterator[Frame]:
    """Datagrams from many ports, each in two fragments."""
    yield from served()
    for n in range(number):
        whole = struct.pack(">4H", port(n), 2222, 168, 0) + bytes(160)
        yield STEP, ipv4(PC, UNIT, UDP, whole[:80], n, 0x2000)
        yield STEP, ipv4(PC, UNIT, UDP, whole[80:], n, 80 // 8)
    yield from ended()


def pings(number: int) -> Iterator[Frame]:
    yield from served()
    for n in range(number):
        rest = 7 << 16 | n & 0xFFFF
        yield from paced(icmp(PC, UNIT, 8, rest), icmp(UNIT, PC, 0, rest))
    yield from ended()


def pinged(number: int) -> Iterator[Frame]:
    """The PC pings one address after the other, in vain."""
    yield from acquainted()
    for n in range(number):
        yield STEP, icmp(PC, host(n), 8, 7 << 16 | n & 0xFFFF)
    yield from ended()


def dhcp_clients(number: int) -> Iterator[Frame]:
    """Everybody asks the address server, and gets one (RFC 2131 3.1)."""
    yield from served()
    for n in range(number):
        one = host(n)
        for by_client, kind in ((True, 1), (False, 2), (True, 3), (False, 5)):
            src = one._replace(address=bytes(4)) if by_client else ROUTER
            given = bytes(4) if by_client else one.address
            head = struct.pack(">BBBBIHH", 1 if by_client else 2, 1, 6, 0, n, 0, 0x8000)
            addresses = bytes(4) + given + ROUTER.address + bytes(4)
            names = one.hardware + bytes(10 + 64 + 128)
            options = bytes.fromhex("63825363") + bytes((53, 1, kind, 54, 4)) + ROUTER.address
            mask = bytes((1, 4, 255, 254, 0, 0, 255))
            ports = (68, 67) if by_client else (67, 68)
            message = head + addresses + names + options + mask
            yield STEP, udp(src, EVERYBODY, *ports, message, 4 * n + kind)
    yield from ended()


def dhcp_unserved(number: int) -> Iterator[Frame]:
    """Everybody asks for an address three times, and nobody answers."""
    yield from served()
    for n in range(number):
        for turn in range(3):
            src = host(n)._replace(address=bytes(4))
            head = struct.pack(">BBBBIHH", 1, 1, 6, 0, n, turn, 0x8000)
            names = src.hardware + bytes(10 + 64 + 128)
            message = head + bytes(16) + names + bytes.fromhex("63825363") + bytes((53, 1, 1, 255))
            yield STEP, udp(src, EVERYBODY, 68, 67, message, 3 * n + turn)
    yield from ended()


# --- kinds: switches and others -----------------------------------------------------------------


def vlans(number: int) -> Iterator[Frame]:
    """Tagged frames, of all VLANs there are and then of the next sender."""
    yield from served()
    for n in range(number):
        tagged = struct.pack(">HH", n % 4094 + 1, 0x88B5) + bytes(46)
        yield STEP, ethernet(host(n // 4094), EVERYBODY.hardware, 0x8100, tagged)
    yield from ended()


def lldp_senders(number: int) -> Iterator[Frame]:
    """Each names its port and itself (IEEE 802.1AB 8.4)."""
    yield from served()
    for n in range(number):
        one, name = host(n), b"switch %05d" % n
        parts = ((1, b"\4" + one.hardware), (2, b"\5" + name), (3, b"\0\x78"), (5, name), (0, b""))
        body = b"".join(struct.pack(">H", kind << 9 | len(of)) + of for kind, of in parts)
        yield STEP, ethernet(one, bytes.fromhex("0180c200000e"), 0x88CC, body)
    yield from ended()


def spanning_tree_senders(number: int) -> Iterator[Frame]:
    """Each sends a configuration frame of the rapid variant (IEEE 802.1D-2004 9.3.3)."""
    yield from served()
    for n in range(number):
        one = host(n)
        bridge = struct.pack(">H", 0x8000) + one.hardware
        says = bytes((0, 0, 2, 2, 0x3C)) + bridge + bytes(4) + bridge
        times = struct.pack(">HHHHHB", 0x8001, 0, 20 << 8, 2 << 8, 15 << 8, 0)
        llc = b"\x42\x42\3" + says + times
        yield STEP, ethernet(one, bytes.fromhex("0180c2000000"), len(llc), llc)
    yield from ended()


def ethertypes(number: int) -> Iterator[Frame]:
    """An EtherType and a sender of its own for each frame."""
    yield from served()
    for n in range(number):
        yield STEP, ethernet(host(n), EVERYBODY.hardware, 0x9000 + n % 24_000, bytes(46))
    yield from ended()


def port_access(number: int) -> Iterator[Frame]:
    """A switch port asks everybody who it is (IEEE 802.1X-2010 11.3)."""
    yield from served()
    asks = bytes.fromhex("0200000501") + bytes((0, 0, 5, 1))
    for n in range(number):
        yield STEP, ethernet(host(n), bytes.fromhex("0180c2000003"), 0x888E, asks)
    yield from ended()


# --- files --------------------------------------------------------------------------------------

KINDS: dict[str, Callable[[int], Iterator[Frame]]] = {
    make.__name__.replace("_", "-"): make
    for make in (
        sessions_closed, sessions_reset, sessions_left_open, sessions_dropped,
        sessions_unanswered, sessions_recovered, sessions_hung, sessions_joined_late,
        calls_held_over, lines_busy, calls_refused, calls_silent, calls_unheard, calls_prohibited,
        ports_called, stations, addresses_searched, addresses_asked, controllers,
        controllers_silent, callers, calls_to_pc, two_pcs, owners_in_turn, senders_in_turn,
        requests, exceptions, sessions_rejected, passed_over, overlaps, retransmissions, holes,
        keep_alives, windows_shut, arp_repeated, arp_askers, arp_announced, arp_unasked,
        udp_exchanges, udp_targets, udp_refused, fragments, pings, pinged, dhcp_clients,
        dhcp_unserved, vlans,
        lldp_senders, spanning_tree_senders, ethertypes, port_access,
    )
}  # fmt: skip


def pcap(frames: Iterator[Frame]) -> Iterator[bytes]:
    """The head of the file, then a record a frame."""
    yield struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1)
    pack, now = struct.Struct("<IIII").pack, EPOCH
    for wait, octets in frames:
        now += wait
        yield pack(now // SECOND, now % SECOND, len(octets), len(octets)) + octets


def pcapng(frames: Iterator[Frame], often: bytes, indices: Iterator[int]) -> Iterator[bytes]:
    """The head of the file, then the blocks `often` and an enhanced packet block a frame."""
    yield SECTION
    now = EPOCH
    for (wait, octets), index in zip(frames, indices, strict=False):
        now += wait
        size = len(octets)
        body = struct.pack("<5I", index, now >> 32, now & 0xFFFFFFFF, size, size)
        yield often + block(6, body + octets + bytes(-size % 4))


def block(kind: int, body: bytes) -> bytes:
    size = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + size + body + size


SECTION = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
INTERFACE = block(1, struct.pack("<HHI", 1, 0, 262_144))


def sections(number: int) -> Iterator[bytes]:
    """A pcapng section, with its interface, for each frame."""
    frames = islice(requests(number), number)
    return pcapng(frames, SECTION + INTERFACE, (0 for _ in count()))


def interfaces(number: int) -> Iterator[bytes]:
    """A pcapng interface for each frame; more than the reader takes are damage."""
    return pcapng(islice(requests(number), number), INTERFACE, count())


FILES: dict[str, Callable[[int], Iterator[bytes]]] = {
    **{
        kind: partial(lambda make, number: pcap(make(number)), make) for kind, make in KINDS.items()
    },
    "pcapng-sections": sections,
    "pcapng-interfaces": interfaces,
}
"""The octets of a recording by its kind and number: the head of the file, then a piece a frame."""


def write(out: BinaryIO, kind: str, number: int) -> int:
    """Write a recording, and tell how many frames it has."""
    frames = -1
    for frames, octets in enumerate(FILES[kind](number)):  # noqa: B007
        out.write(octets)
    return frames
