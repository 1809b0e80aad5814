"""Whom the PC tried to reach."""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import NamedTuple

from analyzer.facts import Address, Exchange, Hardware, Question, Session
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS, TUNNEL_PORTS
from analyzer.linkup.called import is_taken_call
from analyzer.linkup.model import Pc, Target, Told
from analyzer.linkup.pc import is_host
from analyzer.site import Site

SELF_SERVICE = frozenset({67, 68, 137, 138, 546, 547, 1900, 3702, 5353, 5355})
"""UDP ports on which systems find addresses, names and devices by themselves (IANA)."""


NEXT_ADDRESS = 3.0
"""Seconds after a refused call within which a program tries the next address of the same name
(common practice, no source)."""


class Strength(IntEnum):
    """How plainly somebody was meant to be reached."""

    ASKED = 0
    PINGED = 1
    SERVED = 2
    TRIED = 3


@dataclass(slots=True, eq=False, repr=False)
class _Trial:
    """What the PC did towards one address."""

    address: Address
    tcp: dict[int, list[Session]] = field(default_factory=dict)
    udp: dict[int, list[Exchange]] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    pinged: bool = False
    ponged: bool = False
    quoted: bool = False
    called: bool = False

    @property
    def industrial(self) -> bool:
        return any(port in INDUSTRIAL_PORTS for port in (*self.tcp, *self.udp))

    @property
    def opens(self) -> bool:
        return any(port not in OFFICE_PORTS for port in (*self.tcp, *self.udp))

    @property
    def strength(self) -> Strength:
        """How plainly it was meant."""
        if self.tcp or self.quoted or any(port not in OFFICE_PORTS for port in self.udp):
            return Strength.TRIED
        if self.udp:
            return Strength.SERVED
        return Strength.PINGED if self.pinged else Strength.ASKED

    @property
    def answered(self) -> bool:
        """Whether anything but a question for its hardware address was answered."""
        sessions = (one for group in self.tcp.values() for one in group)
        datagrams = (one for group in self.udp.values() for one in group)
        return (
            self.ponged
            or any(one.is_open or one.is_one_sided for one in sessions)
            or any(one.answered.count for one in datagrams)
        )

    @property
    def unanswered(self) -> int:
        """ARP requests that nobody answered."""
        return sum(one.asked.count for one in self.questions if not one.answered)


class Reach(NamedTuple):
    """Somebody whom a caller tried to reach, and how plainly. in_vain: whether nobody answered a
    mere question.
    """

    target: Target
    strength: Strength
    in_vain: bool

    def counts_beside(self, strongest: Strength | None) -> bool:
        """Whether it is worth a link-up where others were meant more plainly."""
        return self.strength is strongest


def reached(pc: Pc, told: Told) -> list[Reach]:
    """Everybody whom a caller tried to reach, registered industrial ports first."""
    trials = _trials(pc)
    if told.controllers or told.site.controllers:
        named = [one for one in _named(trials, told) if one.address in trials]
        return [Reach(one, Strength.TRIED, False) for one in named]
    found = sorted(trials.values(), key=lambda one: not one.industrial)
    return [
        Reach(_target(one, "tried"), one.strength, one.unanswered > 0)
        for one in found
        if not one.called
    ]


def find_targets(pc: Pc, told: Told) -> tuple[list[Target], list[_Trial]]:
    """Whom the PC tried to reach, and what else it tried.

    Told controllers are taken as they are; of those in the site sheet, the ones that were tried, or
    all where none was. Otherwise the first of these that fits anybody:
    registered industrial ports; other sessions and addresses that nobody answered for; stations
    that call the PC and are answered; office services in the PC's own network; anything else that
    it asked for. Public addresses are somebody else's servers; with IPv6 plants use them, too.
    """
    trials = _trials(pc)
    if told.controllers or told.site.controllers:
        targets = _named(trials, told)
        named = {target.address for target in targets}
        return targets, [one for one in trials.values() if one.address not in named]
    routers = _routers(pc)
    sweeping = pc.is_searching
    near = [
        one
        for one in trials.values()
        if one.industrial or not (one.address in routers or _is_public(one.address, pc))
    ]
    replaced = _replaced(near)
    near = [one for one in near if one.address not in replaced]
    most_asked = _most_asked(near, at_least=ASKED_ON_PURPOSE if sweeping else 2)
    unanswered = {one.address for one in most_asked}
    tiers = (
        ("industrial", [one for one in near if one.industrial]),
        ("tried", [one for one in near if one.opens or one.address in unanswered]),
        ("called", [one for one in near if one.called]),
        ("tried", [one for one in near if one.tcp and pc.facing(one.address).is_near(one.address)]),
        ("tried", [one for one in near if one.pinged]),
        ("asked", [] if sweeping else [one for one in near if one.questions]),
        ("tried", [one for one in trials.values() if one.quoted or one.answered]),
        ("tried", [one for one in trials.values() if one.tcp and one.address.is_ipv6]),
    )
    for how, chosen in tiers:
        if chosen:
            taken = {one.address for one in chosen}
            others = [one for one in trials.values() if one.address not in taken]
            return [_target(one, how) for one in chosen], others
    return [], list(trials.values())


def _replaced(trials: list[_Trial]) -> set[Address]:
    """Addresses whose every call was refused, where the same port of the same device then took one
    over the other version of IP: programs try one address of a name after the other (RFC 8305 5).
    """
    calls = [one for trial in trials for group in trial.tcp.values() for one in group]
    begun: dict[tuple[int, Hardware | None, bool], list[float]] = {}
    for one in sorted(calls, key=lambda one: one.first):
        for hardware in one.from_server.hardware if one.is_open else ():
            key = one.server.port, hardware, one.server.address.is_ipv6
            begun.setdefault(key, []).append(one.first.seconds)

    def is_replaced(one: Session) -> bool:
        if one.refused is None:
            return False
        key = one.server.port, one.refused.hardware, not one.server.address.is_ipv6
        later, at = begun.get(key, []), one.first.seconds
        place = bisect_right(later, at)
        return place < len(later) and later[place] - at < NEXT_ADDRESS

    called = {one.server.address for one in calls}
    return called - {one.server.address for one in calls if not is_replaced(one)}


def _is_public(address: Address, pc: Pc) -> bool:
    """Whether an address is of the Internet, and of IPv6 not on the PC's own cable: prefixes of
    cables have 64 bits (RFC 4291 2.5.1).
    """
    return address.is_public and address >> 64 not in pc.facing(address).prefixes


ASKED_ON_PURPOSE = 3
"""ARP requests of one whole attempt: systems ask three times (common practice, no source)."""
GATEWAY_NUMBERS = (1, 254)
"""Last numbers that gateways usually have (common practice, no source)."""


def is_gateway_number(address: Address) -> bool:
    """Whether an address ends as those of gateways usually do."""
    return not address.is_ipv6 and address & 0xFF in GATEWAY_NUMBERS


def _most_asked(trials: list[_Trial], at_least: int) -> list[_Trial]:
    """Addresses asked for in vain, without those asked for in passing: fewer than half as often as
    another, and less than a whole attempt or for what looks like a gateway.
    """
    often = max((one.unanswered for one in trials), default=0) / 2
    asked = [one for one in trials if one.unanswered >= at_least]
    return [
        one
        for one in asked
        if one.unanswered >= often
        or (one.unanswered >= ASKED_ON_PURPOSE and not is_gateway_number(one.address))
    ]


def _trials(pc: Pc | None) -> dict[Address, _Trial]:
    """What the PC did towards each address, of IPv4 and of IPv6."""
    if pc is None:
        return {}
    trials = _trials_of(pc) | _trials(pc.over_ipv6)
    for adapter in pc.adapters:
        trials |= {at: one for at, one in _trials(adapter).items() if at not in trials}
    return trials


def _trials_of(pc: Pc) -> dict[Address, _Trial]:
    trials: dict[Address, _Trial] = {}
    facts, own = pc.facts, frozenset(pc.addresses)
    groups = facts.index.groups

    def trial(address: Address) -> _Trial:
        return trials.setdefault(address, _Trial(address))

    for session in pc.sessions:
        trial(session.server.address).tcp.setdefault(session.server.port, []).append(session)
    for address in own:
        for session in facts.index.sessions_to[address]:
            if is_taken_call(session, pc):
                trial(session.client.address).called = True
    for exchange in sorted(_datagrams(pc), key=lambda one: one.first):
        address, port = exchange.server
        if address in own or (address not in groups and is_host(address)):
            trial(address).udp.setdefault(port, []).append(exchange)
    for question in pc.questions:
        if is_host(question.wanted):
            trial(question.wanted).questions.append(question)
    for error in (one for address in own for one in facts.index.errors_to[address]):
        trial(error.about_dst).quoted = True
    for echo in (one for address in own for one in facts.index.pings_from[address]):
        if echo.dst not in own and echo.requests.count and is_host(echo.dst):
            trial(echo.dst).pinged = True
            trial(echo.dst).ponged |= echo.replies.count > 0
    return trials


def _datagrams(pc: Pc) -> Iterator[Exchange]:
    """Its exchanges, without those that find an address or a name for it, and tunnels: what is
    meant goes through them.
    """
    for own in pc.addresses:
        for one in pc.facts.index.exchanges_from[own]:
            if one.server[1] not in SELF_SERVICE | TUNNEL_PORTS:
                yield one


def _routers(pc: Pc) -> set[Address]:
    """Addresses of stations that the PC hands packets for other addresses to."""
    index = pc.facts.index
    handed = {
        path.dst
        for path in index.paths_from[pc.hardware]
        if path.dst is not None and path.dst_ip and not pc.facing(path.dst_ip).is_near(path.dst_ip)
    }
    return {address for hardware in handed for address in index.claimed_by[hardware]}


def _named(trials: dict[Address, _Trial], told: Told) -> list[Target]:
    """The controllers told, or else those of the site sheet."""
    if told.controllers:
        return [_told_target(trials, at, port, told.site) for at, port in told.controllers]
    sheet = told.site.controllers
    tried = [one for one in sheet if one.address in trials] or sheet
    return [
        replace(_told_target(trials, one.address, one.port, told.site), how_known="sheet")
        for one in tried
    ]


def _told_target(
    trials: dict[Address, _Trial], address: Address, port: int | None, site: Site
) -> Target:
    trial, sheet = trials.get(address), site.controller(address, port)
    found = _target(trial, "told") if trial else Target(address, None, None, "told")
    port = port if port is not None or sheet is None else sheet.port
    if port is None:
        return found
    by_udp = trial is not None and port in trial.udp and port not in trial.tcp
    transport = "udp" if by_udp else "tcp"
    if sheet is not None and sheet.port == port and sheet.transport is not None:
        transport = sheet.transport
    return Target(address, port, transport, "told")


def _target(trial: _Trial, how: str) -> Target:
    """The port that tells most: one that answered, then a registered one, then the first tried; an
    office service only where nothing else was called.
    """
    ports = sorted(
        trial.tcp,
        key=lambda port: (
            port in OFFICE_PORTS,
            not any(session.is_open for session in trial.tcp[port]),
            port not in INDUSTRIAL_PORTS,
            trial.tcp[port][0].first,
        ),
    )
    if ports:
        return Target(trial.address, ports[0], "tcp", how)
    industrial = [port for port in trial.udp if port in INDUSTRIAL_PORTS]
    others = [port for port in trial.udp if port not in OFFICE_PORTS or trial.answered]
    udp = industrial or others
    if udp:
        return Target(trial.address, udp[0], "udp", how)
    return Target(trial.address, None, None, how)
