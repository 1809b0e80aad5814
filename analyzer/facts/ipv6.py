"""Calls and pings over IPv6: who tried whom, and whether that was answered (RFC 8200, RFC 4443).

Link-up is judged over IPv4. What stands here is told, so that nobody takes it for no attempt.
"""

from dataclasses import dataclass, field
from ipaddress import IPv6Address

import numpy as np

from analyzer.facts.groups import ends, groups
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.facts.values import Moment
from analyzer.frames import Frames, Tcp

ECHO_REQUEST, ECHO_REPLY = 128, 129
MAX_CALLS = 10_000
"""Pairs kept; a recording of a link-up holds a handful."""
Key = tuple[int, int, int | None]
"""Both addresses as numbers, and the port, None for pings."""


@dataclass(slots=True, eq=False)
class Ipv6Call:
    """What one address tried with another over IPv6: calls to a TCP port, or pings (port None).

    tried: calls opened, or pings; accepted: calls; refused: calls that the server reset; answers:
    segments of the server with data, or replies to pings; first: the first frame of either end.
    """

    client: IPv6Address
    server: IPv6Address
    port: int | None
    first: Moment
    tried: int = 0
    accepted: int = 0
    refused: int = 0
    answers: int = 0


@dataclass(slots=True, eq=False)
class Ipv6:
    """Gathers the calls and pings of a recording, chunk by chunk."""

    calls: dict[Key, Ipv6Call] = field(default_factory=dict)

    def add(self, frames: Frames) -> None:
        """Take in the segments and pings over IPv6 of one chunk."""
        if len(frames.tcp6.row):
            self._segments(frames)
        if len(frames.icmp6.row):
            self._pings(frames)

    def _segments(self, frames: Frames) -> None:
        """Add up the segments of each way of each session."""
        table, ip = frames.tcp6, frames.ip6
        at = table.ip
        columns = (ip.src8[at], ip.src[at], ip.dst8[at], ip.dst[at], table.sport, table.dport)
        first, group = groups(*columns)
        order, start, _ = ends(group, len(first))
        opening, reset = table.flags & (Tcp.SYN | Tcp.ACK), table.flags & Tcp.RST != 0
        signs = (
            opening == Tcp.SYN,
            opening == Tcp.SYN | Tcp.ACK,
            reset,
            (table.length > 0) & ~reset,
        )
        seen = zip(
            *(column[first].tolist() for column in columns),
            order[start].tolist(),
            *(np.bincount(group, sign, len(first)).astype(int).tolist() for sign in signs),
            strict=True,
        )
        for src8, src, dst8, dst, sport, dport, index, calls, accepts, resets, data in seen:
            source, target = src8 << 64 | src, dst8 << 64 | dst
            by_client = bool(calls) or not (accepts or _serves(sport, dport))
            ends_of = (source, target, dport) if by_client else (target, source, sport)
            call = self._call(ends_of, _moment(frames, int(table.row[index])))
            if call is None:
                continue
            call.tried += bool(calls)
            if not by_client:
                call.accepted += bool(accepts)
                call.refused += bool(resets and not (accepts or data))
                call.answers += data

    def _pings(self, frames: Frames) -> None:
        table, ip = frames.icmp6, frames.ip6
        for index in np.flatnonzero((table.type | 1) == ECHO_REPLY).tolist():
            at = int(table.ip[index])
            source = int(ip.src8[at]) << 64 | int(ip.src[at])
            target = int(ip.dst8[at]) << 64 | int(ip.dst[at])
            asks = int(table.type[index]) == ECHO_REQUEST
            ends_of = (source, target, None) if asks else (target, source, None)
            call = self._call(ends_of, _moment(frames, int(table.row[index])))
            if call is not None:
                call.tried += asks
                call.answers += not asks

    def _call(self, key: Key, moment: Moment) -> Ipv6Call | None:
        """The pair with a key; None where there are too many."""
        call = self.calls.get(key)
        if call is None and len(self.calls) < MAX_CALLS:
            client, server, port = key
            call = Ipv6Call(IPv6Address(client), IPv6Address(server), port, moment)
            self.calls[key] = call
        return call


def _serves(port: int, other: int) -> bool:
    """Whether a port is the server's, where no frame shows who called: the registered industrial
    one, or the lower one (RFC 6335 6).
    """
    return (port not in INDUSTRIAL_PORTS, port) < (other not in INDUSTRIAL_PORTS, other)


def _moment(frames: Frames, row: int) -> Moment:
    return Moment(int(frames.number[row]), float(frames.seconds[row]))
