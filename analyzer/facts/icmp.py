"""Pings and their replies, and error messages tied to the packet they quote (RFC 792, RFC 4443)."""

import struct
from dataclasses import dataclass, field

from analyzer.facts.values import Address, Hardware, Moment, Series, Spread
from analyzer.frames import NO_HARDWARE, Frames, IcmpTable, Protocol

Socket = tuple[Address, int]
ECHO_REPLY, UNREACHABLE, REDIRECT, ECHO, TIME_EXCEEDED, PARAMETER_PROBLEM = 0, 3, 5, 8, 11, 12
ERRORS = (UNREACHABLE, REDIRECT, TIME_EXCEEDED, PARAMETER_PROBLEM)
PORT_UNREACHABLE = 3
"""Code of the message that nobody is on a port (RFC 792)."""
TOO_LARGE = 4
"""Code of the message that a packet does not fit (RFC 792)."""
PROHIBITED = (9, 10, 13)
"""Codes of a filter (RFC 1122 3.2.2.1, RFC 1812 5.2.7.1)."""
QUOTED = 60 + 8
"""Octets of a quoted packet that are looked at: the longest IPv4 header and both ports."""
IPV6_HEADER = 40
"""Octets of an IPv6 header (RFC 8200 3)."""
WAITING = 64
"""Pings without a reply that are remembered for one pair, the latest."""
MAX_ERRORS = 10_000
"""Error messages kept; a recording of a link-up holds a handful."""
MAX_PAIRS = 32_768
"""Pairs of addresses whose pings are kept, 3 KiB each: whoever looks through a network of 16 bits
half fills it.
"""

CODES = {
    (3, 0): "network unreachable",
    (3, 1): "host unreachable",
    (3, 2): "protocol unreachable",
    (3, 3): "port unreachable",
    (3, 4): "packet too large for the way, and not to be cut up",
    (3, 5): "source route failed",
    (3, 6): "network unknown",
    (3, 7): "host unknown",
    (3, 8): "source host isolated",
    (3, 9): "network prohibited by a rule",
    (3, 10): "host prohibited by a rule",
    (3, 11): "network unreachable for this service",
    (3, 12): "host unreachable for this service",
    (3, 13): "prohibited by a rule",
    (3, 14): "precedence violation",
    (3, 15): "precedence cut-off",
    (5, 0): "use another router for this network",
    (5, 1): "use another router for this host",
    (5, 2): "use another router for this network and service",
    (5, 3): "use another router for this host and service",
    (11, 0): "passed through too many routers",
    (11, 1): "fragments missing",
}
"""Type and code -> meaning (RFC 792; RFC 1122 3.2.2.1; RFC 1812 5.2.7.1)."""


UNTIMED = Spread()
"""Stands for the round trips of every pair without any; nobody changes it."""


@dataclass(slots=True, eq=False, repr=False)
class Echo:
    """Pings from one address to another. round_trips: seconds from each request to the reply with
    its identifier and number (RFC 792); one that was sent again before its reply is not timed;
    waiting: when those were sent that have no reply yet, None where sent again.
    """

    src: Address
    dst: Address
    requests: Series = field(default_factory=Series)
    replies: Series = field(default_factory=Series)
    reply_ttl: int | None = None
    round_trips: Spread = field(default_factory=lambda: UNTIMED)
    waiting: dict[tuple[int, int], float | None] = field(default_factory=dict)

    def ask(self, moment: Moment, key: tuple[int, int]) -> None:
        """Count a request."""
        self.requests.add(moment)
        self.waiting[key] = None if key in self.waiting else moment.seconds
        if len(self.waiting) > WAITING:
            del self.waiting[next(iter(self.waiting))]

    def answer(self, moment: Moment, key: tuple[int, int], ttl: int) -> None:
        """Count a reply."""
        self.replies.add(moment)
        self.reply_ttl = ttl
        asked = self.waiting.pop(key, None)
        if asked is not None:
            self.round_trips = Spread() if self.round_trips is UNTIMED else self.round_trips
            self.round_trips.add(max(0.0, moment.seconds - asked))


@dataclass(slots=True, eq=False, repr=False)
class IcmpError:
    """An error message. sender: who sent it; to: whom; about_*: the packet that it quotes;
    ports are None where the quote is too short or has none; router: the better one of a redirect.
    """

    moment: Moment
    type: int
    code: int
    sender: Address
    sender_hw: Hardware | None
    to: Address
    protocol: int
    about_src: Address
    about_dst: Address
    sport: int | None
    dport: int | None
    router: Address

    @property
    def is_closed_port(self) -> bool:
        """Whether it says that nobody takes a datagram on its UDP port, whoever says so."""
        kind = (self.type, self.code, self.protocol)
        return kind == (UNREACHABLE, PORT_UNREACHABLE, Protocol.UDP)

    @property
    def is_about_tcp(self) -> bool:
        """Whether it quotes a TCP segment."""
        return self.protocol == Protocol.TCP

    @property
    def is_redirect(self) -> bool:
        """Whether it names a better router, and delivers the packet all the same."""
        return self.type == REDIRECT

    @property
    def is_prohibited(self) -> bool:
        """Whether it says that a rule forbids the packet."""
        return self.type == UNREACHABLE and self.code in PROHIBITED

    @property
    def is_too_large(self) -> bool:
        """Whether it says that a packet is too large for the way (RFC 1191 4)."""
        return (self.type, self.code) == (UNREACHABLE, TOO_LARGE)

    @property
    def refused_datagram(self) -> tuple[Socket, Socket] | None:
        """The sender's and the receiver's socket of a UDP datagram of which the receiver itself
        says that nobody takes it; None where it says something else.
        """
        if not self.is_closed_port or self.sender != self.about_dst:
            return None
        if self.sport is None or self.dport is None:
            return None
        return (self.about_src, self.sport), (self.about_dst, self.dport)

    @property
    def meaning(self) -> str:
        """What the type and code say, in words."""
        return CODES.get((self.type, self.code), f"type {self.type}, code {self.code}")


@dataclass(slots=True, eq=False, repr=False)
class Icmp:
    """Pings by (asker, asked), and error messages in file order. left_out: pings and replies of
    pairs beyond MAX_PAIRS.
    """

    echoes: dict[tuple[Address, Address], Echo] = field(default_factory=dict)
    errors: list[IcmpError] = field(default_factory=list)
    left_out: int = 0

    def add(self, frames: Frames) -> None:
        """Take in the ICMP messages of one chunk."""
        table = frames.icmp
        for index, kind in enumerate(table.type.tolist()):
            row = int(table.row[index])
            moment = Moment(int(frames.number[row]), float(frames.seconds[row]))
            src, dst = (
                Address(frames.listed.address(int(column[table.ip[index]])))
                for column in (frames.ip.src, frames.ip.dst)
            )
            if kind == ECHO:
                if (echo := self._echo(src, dst)) is not None:
                    echo.ask(moment, _key(table, index))
            elif kind == ECHO_REPLY:
                ttl = int(frames.ip.ttl[table.ip[index]])
                if (echo := self._echo(dst, src)) is not None:
                    echo.answer(moment, _key(table, index), ttl)
            elif kind in ERRORS and len(self.errors) < MAX_ERRORS:
                self._error(frames, index, moment, src, dst)

    def _echo(self, src: Address, dst: Address) -> Echo | None:
        """The pings of a pair; None, and counted, where there is no room for one more."""
        if len(self.echoes) >= MAX_PAIRS and (src, dst) not in self.echoes:
            self.left_out += 1
            return None
        return self.echoes.setdefault((src, dst), Echo(src, dst))

    def _error(
        self, frames: Frames, index: int, moment: Moment, src: Address, dst: Address
    ) -> None:
        table = frames.icmp
        row = int(table.row[index])
        quote = frames.octets_at(row, int(table.body[index]), QUOTED)
        quoted = _quoted6(quote) if src.is_ipv6 else _quoted(quote)
        if quoted is None:
            return
        protocol, about_src, about_dst, at = quoted
        has_ports = protocol in (Protocol.TCP, Protocol.UDP) and len(quote) >= at + 4
        ports = struct.unpack_from(">HH", quote, at) if has_ports else (None, None)
        hardware = int(frames.src[row])
        self.errors.append(
            IcmpError(
                moment=moment,
                type=int(table.type[index]),
                code=int(table.code[index]),
                sender=src,
                sender_hw=None if hardware == NO_HARDWARE else Hardware(hardware),
                to=dst,
                protocol=protocol,
                about_src=about_src,
                about_dst=about_dst,
                sport=ports[0],
                dport=ports[1],
                router=Address((int(table.id[index]) << 16) | int(table.seq[index])),
            )
        )


def _quoted(quote: bytes) -> tuple[int, Address, Address, int] | None:
    """The protocol of a quoted packet, its ends, and where what it carries begins."""
    at = (quote[0] & 15) * 4 if quote else 0
    if len(quote) < 20 or quote[0] >> 4 != 4 or at < 20:
        return None
    src, dst = struct.unpack_from(">II", quote, 12)
    return quote[9], Address(src), Address(dst), at


def _quoted6(quote: bytes) -> tuple[int, Address, Address, int] | None:
    """The same of an IPv6 packet; what stands behind extension headers is not looked for."""
    if len(quote) < IPV6_HEADER or quote[0] >> 4 != 6:
        return None
    ends = (quote[8:24], quote[24:40])
    src, dst = map(Address.of_ipv6, ends)
    protocol = Protocol.ICMP if quote[6] == Protocol.ICMPV6 else quote[6]
    return protocol, src, dst, IPV6_HEADER


def _key(table: IcmpTable, index: int) -> tuple[int, int]:
    """Identifier and number of a ping."""
    return int(table.id[index]), int(table.seq[index])
