"""Whom the PC tried to reach."""

from dataclasses import dataclass, field, replace
from ipaddress import IPv4Address

from analyzer.facts import Address, Exchange, Facts, Question, Session
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.linkup.called import is_taken_call
from analyzer.linkup.model import Pc, Target, Told
from analyzer.linkup.pc import asked_by_pc, from_pc, is_near
from analyzer.site import Site


@dataclass(slots=True, eq=False)
class _Trial:
    """What the PC did towards one address."""

    address: Address
    tcp: dict[int, list[Session]] = field(default_factory=dict)
    udp: dict[int, list[Exchange]] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    pinged: bool = False
    called: bool = False

    @property
    def industrial(self) -> bool:
        return any(port in INDUSTRIAL_PORTS for port in (*self.tcp, *self.udp))

    @property
    def opens(self) -> bool:
        return any(port not in OFFICE_PORTS for port in (*self.tcp, *self.udp))

    @property
    def unanswered(self) -> int:
        """ARP requests that nobody answered."""
        return sum(one.asked.count for one in self.questions if not one.answered)


def find_targets(facts: Facts, pc: Pc, told: Told) -> tuple[list[Target], list[_Trial]]:
    """Whom the PC tried to reach, and what else it tried.

    Told controllers are taken as they are; of those in the site sheet, the ones that were tried, or
    all where none was. Otherwise the first of these that fits anybody:
    registered industrial ports; other sessions and addresses that nobody answered for; stations
    that call the PC and are answered; office services in the PC's own network; anything else that
    it asked for. Public addresses are somebody else's servers.
    """
    trials = _trials(facts, pc)
    if told.controllers or told.site.controllers:
        targets = _named(trials, told)
        named = {target.address for target in targets}
        return targets, [one for one in trials.values() if one.address not in named]
    routers = _routers(facts, pc)
    sweeping = pc.hardware is not None and facts.arp.is_sweep(pc.hardware)
    near = [
        one
        for one in trials.values()
        if one.industrial or not (one.address in routers or IPv4Address(one.address).is_global)
    ]
    unanswered = _most_asked(near, at_least=ASKED_ON_PURPOSE if sweeping else 2)
    tiers = (
        ("industrial", [one for one in near if one.industrial]),
        ("tried", [one for one in near if one.opens or one in unanswered]),
        ("called", [one for one in near if one.called]),
        ("tried", [one for one in near if one.tcp and is_near(pc, one.address)]),
        ("tried", [one for one in near if one.pinged]),
        ("asked", [] if sweeping else [one for one in near if one.questions]),
    )
    for how, chosen in tiers:
        if chosen:
            targets = [_target(one, how) for one in chosen]
            return targets, [one for one in trials.values() if one not in chosen]
    return [], list(trials.values())


ASKED_ON_PURPOSE = 3
"""ARP requests of one whole attempt: systems ask three times (common practice, no source)."""
GATEWAY_NUMBERS = (1, 254)
"""Last numbers that gateways usually have (common practice, no source)."""


def is_gateway_number(address: Address) -> bool:
    """Whether an address ends as those of gateways usually do."""
    return address & 0xFF in GATEWAY_NUMBERS


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


def _trials(facts: Facts, pc: Pc) -> dict[Address, _Trial]:
    trials: dict[Address, _Trial] = {}
    groups = {address for station in facts.stations for address in station.broadcast_to}

    def trial(address: Address) -> _Trial:
        return trials.setdefault(address, _Trial(address))

    for session in facts.sessions:
        if from_pc(session, pc) and session.server.address not in pc.addresses:
            trial(session.server.address).tcp.setdefault(session.server.port, []).append(session)
        elif is_taken_call(session, pc):
            trial(session.client.address).called = True
    for exchange in facts.exchanges:
        address, port = exchange.server
        if address in groups or address in pc.addresses or not _is_host(address):
            continue
        if exchange.client[0] in pc.addresses and port not in OFFICE_PORTS:
            trial(address).udp.setdefault(port, []).append(exchange)
    for question in facts.arp.questions.values():
        if asked_by_pc(question, pc) and _is_host(question.wanted):
            trial(question.wanted).questions.append(question)
    for echo in facts.icmp.echoes.values():
        pinged = echo.src in pc.addresses and echo.dst not in pc.addresses
        if pinged and echo.requests.count and _is_host(echo.dst):
            trial(echo.dst).pinged = True
    return trials


def _routers(facts: Facts, pc: Pc) -> set[Address]:
    """Addresses of stations that the PC hands packets for other addresses to."""
    handed = {
        path.dst
        for path in facts.paths
        if path.src == pc.hardware and path.dst_ip and not is_near(pc, path.dst_ip)
    }
    own = (claim for claim in facts.arp.claims.items())
    return {address for address, claims in own if any(hw in handed for hw in claims.counts)}


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
    """The port that tells most: one that opened, then a registered one, then the first tried."""
    ports = sorted(
        trial.tcp,
        key=lambda port: (
            not any(session.is_open for session in trial.tcp[port]),
            port not in INDUSTRIAL_PORTS,
            port in OFFICE_PORTS,
            trial.tcp[port][0].first,
        ),
    )
    if ports:
        return Target(trial.address, ports[0], "tcp", how)
    industrial = [port for port in trial.udp if port in INDUSTRIAL_PORTS]
    udp = industrial or list(trial.udp)
    if udp:
        return Target(trial.address, udp[0], "udp", how)
    return Target(trial.address, None, None, how)


def _is_host(address: Address) -> bool:
    """Whether an address is neither multicast nor broadcast nor reserved (RFC 1112, RFC 1122)."""
    return 0 < address >> 24 < 224 and address >> 24 != 127 and address & 0xFF != 0xFF
