"""A station's link comes up: what its system sends then, and only then, as one burst.

A system whose link comes up checks its own address again (RFC 5227 2.1, RFC 4862 5.4), announces
it (RFC 5227 2.3), looks for routers (RFC 4861 6.3.7) and for an address server (RFC 2131 4.4), and
joins its groups (RFC 3376 5.1, RFC 3810 6.1). Each of these alone has other reasons too.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import islice
from typing import NamedTuple

import numpy as np

from analyzer.columns import Ints, Keys, among
from analyzer.facts.arp import REQUEST
from analyzer.facts.dhcp import CLIENT_PORT, SERVER_PORT
from analyzer.facts.switch import moment
from analyzer.facts.values import Hardware, Moment
from analyzer.frames import NO_HARDWARE, Frames, Kind

BURST = 2.0
"""Seconds that the first frames of such a burst take (common practice, no source)."""
SERIES = 5.0
"""Seconds up to which the same sign again belongs to the same series: ARP probes come 1 to 2 s
apart, announcements 2 s (RFC 5227 1.1), router solicitations 4 s (RFC 4861 10)."""
SILENCE = 1.0
"""Seconds without any frame while a link is down and comes up: two ends need about that to agree
on a speed (common practice, no source)."""
MISSED = 2.0
"""Seconds without any frame in which a station is missed that else is heard at a shorter pace."""
MAX_SILENCES = 1000
MAX_STATIONS = 1000
MAX_SIGNS = 1000
"""Signs kept of one station; a burst has about ten."""
SELF_ASSIGNED = 0xA9FE
"""First half of an address that a system tries long after its link came up (RFC 3927 2.1)."""


class Sign(StrEnum):
    """One thing that a system sends when its link comes up, and the words for it."""

    PROBE = "checks whether its own address is free"
    SOLICITATION = "checks its IPv6 address"
    ANNOUNCEMENT = "announces its address"
    ROUTER = "looks for routers"
    SERVER = "looks for an address server"
    JOIN = "joins groups"


CHECKS = (Sign.PROBE, Sign.SOLICITATION)
"""Done once for an address that a system begins to use: the same one again is a new beginning."""


class Seen(NamedTuple):
    """One sign. subject: the address that it is about, or 0; silence: the frames before and behind
    the last SILENCE in the recording, None where there was none.
    """

    sign: Sign
    subject: int
    moment: Moment
    silence: tuple[Moment, Moment] | None


class Start(NamedTuple):
    """A station's link came up. signs: none where only the silence of all others tells; before: the
    last frame of the recording before the silence, None where the recording begins with the burst;
    silent: seconds of it.
    """

    moment: Moment
    signs: list[Sign]
    before: Moment | None
    silent: float


@dataclass(slots=True, eq=False, repr=False)
class Starts:
    """The signs of every station, in file order. silences: the frames before and behind the first
    MAX_SILENCES times of MISSED seconds without any frame.
    """

    signs: dict[int, list[Seen]] = field(default_factory=dict)
    silences: list[tuple[Moment, Moment]] = field(default_factory=list)
    _last: Moment | None = None
    _silence: tuple[Moment, Moment] | None = None

    def add(self, frames: Frames) -> None:
        """Take in the signs of one chunk."""
        behind = np.flatnonzero(np.diff(frames.seconds) >= SILENCE) + 1
        if self._last is not None and frames.seconds[0] - self._last.seconds >= SILENCE:
            self._silence = self._last, moment(frames, 0)
            self._keep([self._silence])
        self._keep(_silence(frames, row) for row in behind.tolist())
        rows, kinds, subjects = _signs(frames)
        silences = np.searchsorted(behind, rows, side="right")
        for row, kind, subject, count in zip(
            rows.tolist(), kinds.tolist(), subjects.tolist(), silences.tolist(), strict=True
        ):
            station = int(frames.src[row])
            if len(self.signs) >= MAX_STATIONS and station not in self.signs:
                continue
            seen = self.signs.setdefault(station, [])
            if len(seen) < MAX_SIGNS:
                silence = _silence(frames, behind[count - 1]) if count else self._silence
                seen.append(Seen(SIGNS[kind], subject, moment(frames, row), silence))
        if len(behind):
            self._silence = _silence(frames, int(behind[-1]))
        self._last = moment(frames, -1)

    def _keep(self, silences: Iterable[tuple[Moment, Moment]]) -> None:
        long = (one for one in silences if one[1].seconds - one[0].seconds >= MISSED)
        self.silences += islice(long, MAX_SILENCES - len(self.silences))

    def right_behind(self, hardware: Hardware | None) -> set[Moment]:
        """The frames that ended a silence, where a station sent a sign within BURST."""
        seen = [] if hardware is None else self.signs.get(hardware, [])
        ends = ((one.moment, one.silence[1]) for one in seen if one.silence is not None)
        return {end for sent, end in ends if sent.seconds - end.seconds <= BURST}

    def of(self, hardware: Hardware | None) -> list[Start]:
        """The moments at which a station's link came up.

        Every burst begins with signs that the station has not just sent. It takes two kinds of
        them, or a series of checks for one address. From the second burst on, signs count only
        where the station has sent them before: a late address from a server brings new ones.
        """
        if hardware is None:
            return []
        seen = self.signs.get(hardware, [])
        starts: list[Start] = []
        for burst in _bursts(seen):
            first, silence = burst[0].now, burst[0].now.silence
            if silence is None and starts:  # the clock was set back: it is not the beginning
                continue
            counted = [one for one in burst if one.before is not None] if starts else burst
            began = silence[1].seconds if silence else 0.0
            if first.moment.seconds - began > BURST:
                continue
            if _is_start(counted, seen, again=bool(starts)):
                signs = list(dict.fromkeys(one.now.sign for one in burst))
                before = silence[0] if silence else None
                silent = began - before.seconds if before else 0.0
                starts.append(Start(first.moment, signs, before, silent))
        return starts


SIGNS = tuple(Sign)


def _silence(frames: Frames, row: int) -> tuple[Moment, Moment]:
    """The frames before and behind a silence, by the row behind it."""
    return moment(frames, row - 1), moment(frames, row)


class _Fresh(NamedTuple):
    """A sign that begins a series; before: when the same one was last sent."""

    now: Seen
    before: Moment | None


def _bursts(seen: list[Seen]) -> list[list[_Fresh]]:
    """Signs that begin a series, those within BURST of the first one together."""
    last: dict[tuple[Sign, int], Moment] = {}
    bursts: list[list[_Fresh]] = []
    for one in seen:
        before = last.get((one.sign, one.subject))
        last[one.sign, one.subject] = one.moment
        if before is not None and one.moment.seconds - before.seconds <= SERIES:
            continue
        if not bursts or one.moment.seconds - bursts[-1][0].now.moment.seconds > BURST:
            bursts.append([])
        bursts[-1].append(_Fresh(one, before))
    return bursts


def _is_start(burst: list[_Fresh], seen: list[Seen], again: bool) -> bool:
    checks = [one.now for one in burst if one.now.sign in CHECKS and _is_own(one.now)]
    if again and not checks:
        return False
    kinds = {one.now.sign for one in burst if _is_own(one.now)}
    return len(kinds) >= 2 or any(_is_series(one, seen) for one in checks)


def _is_own(one: Seen) -> bool:
    """Whether the sign is about no self-assigned address, which comes long after the start."""
    return one.sign is not Sign.PROBE or one.subject >> 16 != SELF_ASSIGNED


def _is_series(check: Seen, seen: list[Seen]) -> bool:
    """Whether an ARP probe is repeated: a system that begins to use an address sends three."""
    key, end = (Sign.PROBE, check.subject), check.moment.seconds + SERIES
    later = (one for one in seen if one.moment > check.moment and one.moment.seconds <= end)
    return check.sign is Sign.PROBE and any((one.sign, one.subject) == key for one in later)


IGMP, ICMPV6, HOP_BY_HOP = 2, 58, 0
IGMP_REPORTS = (0x12, 0x16, 0x22)
"""Versions 1, 2 and 3 (RFC 3376 4)."""
ROUTER_SOLICITATION, NEIGHBOUR_SOLICITATION = 133, 135
MLD_REPORTS = (131, 143)
"""Versions 1 and 2 (RFC 3810 4)."""
FIXED, OPTIONS = 40, 8
"""Octets of the IPv6 header, and of the hop-by-hop options before an MLD report (RFC 3810 5)."""


def _signs(frames: Frames) -> tuple[Ints, Ints, Keys]:
    """Row, kind and subject of every sign in a chunk, in file order."""
    arp, ip, udp = frames.arp, frames.ip, frames.udp
    asks = (arp.operation == REQUEST) & (arp.tpa > 0)
    probes, own = asks & (arp.spa == 0), asks & (arp.spa == arp.tpa)
    server = (udp.sport == CLIENT_PORT) & (udp.dport == SERVER_PORT) & (ip.src[udp.ip] == 0)
    igmp = ip.row[(ip.protocol == IGMP) & (ip.body < frames.end[ip.row])]
    body = ip.body[(ip.protocol == IGMP) & (ip.body < frames.end[ip.row])]
    joins = igmp[among(frames.octets[body], IGMP_REPORTS)]
    found = [
        (Sign.PROBE, arp.row[probes], arp.tpa[probes]),
        (Sign.ANNOUNCEMENT, arp.row[own], arp.tpa[own]),
        (Sign.SERVER, udp.row[server], np.zeros(int(server.sum()), np.uint64)),
        (Sign.JOIN, joins, np.zeros(len(joins), np.uint64)),
        *_ipv6_signs(frames),
    ]
    kinds = [np.full(len(rows), SIGNS.index(sign)) for sign, rows, _ in found]
    rows = np.concatenate([rows for _, rows, _ in found])
    subjects = np.concatenate([subjects for _, _, subjects in found])
    order = np.argsort(rows, kind="stable")
    order = order[frames.src[rows[order]] != NO_HARDWARE]
    return rows[order], np.concatenate(kinds)[order], subjects[order]


def _ipv6_signs(frames: Frames) -> list[tuple[Sign, Ints, Keys]]:
    """Signs in ICMPv6 messages; the subject is the last half of the address asked for."""
    octets, end = frames.octets, frames.end
    rows = np.flatnonzero((frames.kind == Kind.IPV6) & ~frames.copy)
    rows = rows[frames.network[rows] + FIXED < end[rows]]
    at = frames.network[rows]
    options = (octets[at + 6] == HOP_BY_HOP) & (octets[at + FIXED] == ICMPV6)
    message = at + FIXED + np.where(options, OPTIONS, 0)
    known = ((octets[at + 6] == ICMPV6) | options) & (message < end[rows])
    rows, at, message = rows[known], at[known], message[known]
    kind = octets[message]
    asks = np.flatnonzero((kind == NEIGHBOUR_SOLICITATION) & (message + 24 <= end[rows]))
    checks = asks[~octets[at[asks, None] + np.arange(8, 24)].any(axis=1)]
    halves = octets[message[checks, None] + np.arange(16, 24)].view(">u8").reshape(-1)
    routers, joins = rows[kind == ROUTER_SOLICITATION], rows[among(kind, MLD_REPORTS)]
    return [
        (Sign.SOLICITATION, rows[checks], halves.astype(np.uint64)),
        (Sign.ROUTER, routers, np.zeros(len(routers), np.uint64)),
        (Sign.JOIN, joins, np.zeros(len(joins), np.uint64)),
    ]
