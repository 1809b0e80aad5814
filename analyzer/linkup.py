"""Facts -> who the PC is, who the controller is, and how far each link-up got.

Every stage is told by its proof: the first frame that shows it working. What broke a stage is for
the rules to say; a stage without proof is not yet a fault.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import IPv4Address, IPv4Network

from analyzer.facts import (
    Address,
    Echo,
    Exchange,
    Facts,
    Hardware,
    IcmpError,
    Moment,
    Path,
    Question,
    Session,
    Station,
)
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS

PRESUMED_MASK = 0xFFFFFF00
"""Where no mask is known: 255.255.255.0 (common practice, no source)."""
LISTEN_AFTER = 5.0
"""Seconds that the recording has to go on before silence is evidence (ground rule)."""
LISTEN_LONG = 15.0
"""Seconds of asking in vain that are evidence even where the PC still asks at the end."""
LISTEN_BEFORE = 2.0
"""Seconds that the recording has to run before the first attempt (ground rule)."""


class Stage(StrEnum):
    """The stages of a link-up, in the order in which they build on each other."""

    LINK = "link"
    ADDRESS = "address"
    NEIGHBOUR = "neighbour"
    ROUTE = "route"
    PORT = "port"
    SESSION = "session"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True)
class Proof:
    """A stage seen working: the frame that shows it, and what that frame is."""

    moment: Moment
    what: str
    values: Mapping[str, object] = field(default_factory=dict)


@dataclass(slots=True)
class Pc:
    """The host that recorded. addresses: the most used first; how_known: a key of the words."""

    hardware: Hardware | None
    addresses: list[Address]
    how_known: str
    masks: list[tuple[Address, Address]] = field(default_factory=list)

    def mask_for(self, address: Address) -> Address | None:
        """The mask that the recording states for one of the PC's addresses."""
        return next((mask for own, mask in self.masks if own == address), None)


@dataclass(slots=True)
class Target:
    """Whom the PC tried to reach. port and transport are None where only the address is known."""

    address: Address
    port: int | None
    transport: str | None
    how_known: str


@dataclass(slots=True)
class LinkUp:
    """One PC trying to reach one controller.

    pc_address: the PC's address in frames for the controller, None where there is none; mask: its
    mask, from the recording; hardware: who claims the controller's address; sessions: the PC's TCP
    attempts to this controller, on the port where one is known; other_sessions: its attempts on
    other ports; exchanges: its UDP exchanges; questions: its ARP requests for the controller;
    pings: its echo requests and their replies; errors: ICMP errors about its packets to the
    controller; router: the station that it hands packets for the controller to, where that is not
    the controller; sent_to: hardware addresses that its packets for the controller went to; heard,
    last_heard: first and last packet from the controller to the PC; last_sent: the PC's last frame
    for the controller.
    """

    facts: Facts
    pc: Pc
    target: Target
    pc_address: Address | None
    mask: Address | None
    hardware: Hardware | None
    sessions: list[Session]
    other_sessions: list[Session]
    exchanges: list[Exchange]
    questions: list[Question]
    pings: Echo | None
    errors: list[IcmpError]
    router: Hardware | None
    sent_to: set[Hardware]
    heard: Moment | None
    last_heard: Moment | None
    last_sent: Moment | None
    proofs: dict[Stage, Proof] = field(default_factory=dict)

    @property
    def controller(self) -> Address:
        """The controller's address."""
        return self.target.address

    @property
    def is_heard(self) -> bool:
        """Whether any IPv4 packet came from the controller to the PC."""
        return self.heard is not None

    @property
    def same_network(self) -> bool:
        """Whether PC and controller share a network, by the known mask or the presumed one."""
        if self.pc_address is None:
            return True
        mask = self.mask if self.mask is not None else presumed_mask(self.pc_address)
        return self.pc_address & mask == self.controller & mask

    @property
    def self_assigned(self) -> bool:
        """Whether the PC uses a self-assigned address and the controller does not."""
        return self.pc_address is not None and (
            is_self_assigned(self.pc_address) and not is_self_assigned(self.controller)
        )

    @property
    def calls(self) -> list[Session]:
        """The TCP attempts on the port meant; without any, those on the first port called instead,
        unless another port opened.
        """
        others = self.other_sessions
        if self.sessions or self.target.transport != "tcp" or Stage.PORT in self.proofs:
            return self.sessions
        if any(session.is_open for session in others):
            return []
        return [one for one in others if one.server.port == others[0].server.port]

    @property
    def is_one_sided(self) -> bool:
        """Whether the recorder saw one direction only: then silence is no evidence."""
        return any(session.is_one_sided for session in self.sessions)

    @property
    def waiting_since(self) -> Moment | None:
        """From when on the PC waits for an answer, at the furthest stage reached."""
        waits = [one.waits_since for one in self.sessions if one.waits_since is not None]
        waits += [one.syns.first for one in self.sessions if one.is_silent]
        for exchange in self.exchanges:
            if not exchange.answered.count:
                waits += [one for one in (exchange.asked.first, exchange.asked.last) if one]
        if not waits and not self.is_heard:
            asked = [one.since_answer for one in self.questions if one.since_answer.count]
            waits = [moment for one in asked for moment in (one.first, one.last)]
        return silence(waits, self.facts)

    @property
    def arp_answered(self) -> Moment | None:
        """The first ARP reply that gave the PC the controller's hardware address."""
        answers = [answer for question in self.questions for answer, _ in question.answers]
        return min(answers, default=None)

    @property
    def attempts(self) -> list[Moment]:
        """Everything the PC did to reach the controller, first and last of each kind."""
        series = [question.asked for question in self.questions]
        series += [session.syns for session in self.sessions if session.syns.count]
        series += [self.pings.requests] if self.pings else []
        moments = [moment for one in series for moment in (one.first, one.last)]
        moments += [session.first for session in self.sessions if not session.syns.count]
        moments += [one.asked.first for one in self.exchanges if one.asked.first]
        return sorted(moments)

    @property
    def works(self) -> bool:
        """Whether the controller answered a request."""
        return Stage.ANSWER in self.proofs


@dataclass(slots=True)
class Case:
    """Everything that rules judge: the facts of a recording, the PC, and its link-ups.

    pc is None where no station, or more than one, can be the PC: candidates lists those. others:
    addresses that the PC had to do with beside its controllers; unanswered: those of them that it
    asked for as one does for a controller, in vain.
    """

    facts: Facts
    pc: Pc | None
    candidates: list[Station]
    linkups: list[LinkUp]
    others: list[Address] = field(default_factory=list)
    unanswered: list[Address] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Told:
    """What the user told: controllers as (address, port or None), and the PC by either address."""

    controllers: tuple[tuple[Address, int | None], ...] = ()
    pc: Address | Hardware | None = None


def work_out(facts: Facts, told: Told) -> Case:
    """Who tried to reach whom, and how far it got."""
    pc, candidates = find_pc(facts, told)
    if pc is None:
        return Case(facts, None, candidates, [])
    targets, others = find_targets(facts, pc, told)
    linkups = [_linkup(facts, pc, target) for target in targets]
    addresses = [trial.address for trial in others]
    unanswered = [one.address for one in others if one.unanswered >= ASKED_ON_PURPOSE]
    return Case(facts, pc, candidates, linkups, addresses, unanswered)


# --- the PC -------------------------------------------------------------------------------------

SURE = 100.0
"""A vote that decides: the recording's own interface record, or the user."""
ENOUGH = 2.0
"""What a station needs among others: more than that it asks everybody for an address."""
TOO_CLOSE = 1.0
"""Two stations whose votes differ by less cannot be told apart."""


def find_pc(facts: Facts, told: Told) -> tuple[Pc | None, list[Station]]:
    """The host that recorded, by votes; (None, candidates) where the votes do not decide."""
    hosts = [station for station in facts.stations if _host(station)]
    if told.pc is not None:
        hosts = [one for one in hosts if told.pc in (one.hardware, *one.addresses)]
        if not hosts:
            return _not_seen(told.pc, facts), []
    votes = sorted(
        ((_votes(facts, station, told), station) for station in hosts),
        key=lambda vote: (-vote[0], vote[1].first),
    )
    enough = 1.0 if len(votes) == 1 else ENOUGH
    if not votes or (votes[0][0] < enough and told.pc is None):
        return _recorded_by(facts), [station for _, station in votes]
    if len(votes) > 1 and votes[0][0] - votes[1][0] < TOO_CLOSE:
        return None, [station for score, station in votes if votes[0][0] - score < TOO_CLOSE]
    score, station = votes[0]
    how = "told" if told.pc is not None else "recorded" if score >= SURE else "traffic"
    addresses = sorted(station.addresses, key=lambda one: -station.addresses[one])
    if isinstance(told.pc, Address):
        addresses = [told.pc]
    return Pc(station.hardware, addresses, how, _masks(facts, station)), [station]


def _not_seen(told: Address | Hardware, facts: Facts) -> Pc:
    """The PC as told, where it sent no frame."""
    if isinstance(told, Hardware):
        return Pc(told, [], "told", _masks(facts, None))
    return Pc(None, [told], "told", _masks(facts, None))


def _host(station: Station) -> bool:
    return not (station.hardware is not None and station.hardware.is_group)


def _recorded_by(facts: Facts) -> Pc | None:
    """The PC as the interface record describes it, where it sent nothing at all."""
    for interface in facts.interfaces:
        if interface.addresses:
            hardware = None if interface.hardware is None else Hardware(interface.hardware)
            addresses = [Address(address) for address, _ in interface.addresses]
            return Pc(hardware, addresses, "recorded", _masks(facts, None))
    return None


def _votes(facts: Facts, station: Station, told: Told) -> float:
    """How much speaks for a station being the one that recorded (ground rule on directions)."""
    score = 0.0
    for interface in facts.interfaces:
        score += SURE * (interface.hardware is not None and interface.hardware == station.hardware)
        score += SURE * any(address in station.addresses for address, _ in interface.addresses)
    score += SURE * (station.sent > 0)
    score -= 10.0 * (station.received > 0 and station.sent == 0)
    total = sum(one.unicast for one in facts.stations) / 2
    score += 6.0 * station.unicast / total if total else 0.0
    score += 12.0 * (station.short > 0 and _alone(facts, station))
    score += 12.0 * _leaves_checksums(facts, station)
    score += 2.0 * (station.long > 0)
    score += 3.0 * any(one.syns.count and _by(one, station) for one in facts.sessions)
    score += 1.0 * _asks(facts, station)
    score += 3.0 * any(_calls(facts, station, address) for address, _ in told.controllers)
    score += 0.5 * any(address for address in station.addresses)
    return score - 8.0 * station.is_router - 8.0 * station.is_switch


def _alone(facts: Facts, station: Station) -> bool:
    return not any(one.short for one in facts.stations if one is not station)


def _leaves_checksums(facts: Facts, station: Station) -> bool:
    own = [one for one in facts.sessions if one.checksum_filled is not None and _by(one, station)]
    return any(one.checksum_filled is False for one in own)


def _by(session: Session, station: Station) -> bool:
    if station.hardware is not None:
        return station.hardware in session.from_client.hardware
    return session.client.address in station.addresses


def _asks(facts: Facts, station: Station) -> bool:
    """Whether a station asks everybody for addresses, or uses sessions as a client."""
    questions = facts.arp.questions.values()
    asks = any(one.asker == station.hardware and one.broadcasts for one in questions)
    return asks or any(_by(session, station) for session in facts.sessions)


def _calls(facts: Facts, station: Station, controller: Address) -> bool:
    """Whether a station asks for a controller or sends packets to it."""
    questions = facts.arp.questions.values()
    asks = any(one.asker == station.hardware and one.wanted == controller for one in questions)
    own = (path for path in facts.paths if path.src == station.hardware)
    return asks or any(path.dst_ip == controller for path in own)


def _masks(facts: Facts, station: Station | None) -> list[tuple[Address, Address]]:
    """Masks that the recording tells: interface records, DHCP option 1, directed broadcasts."""
    masks = [
        (Address(address), Address(mask))
        for interface in facts.interfaces
        for address, mask in interface.addresses
        if Address(mask).is_mask
    ]
    masks += [
        (message.offered, message.mask)
        for message in facts.dhcp
        if message.mask is not None
        and not message.from_client
        and (station is None or message.client == station.hardware)
    ]
    return masks + (_broadcast_masks(station) if station is not None else [])


def _broadcast_masks(station: Station) -> list[tuple[Address, Address]]:
    """Masks that a station's own directed broadcasts tell: all ones behind the network (RFC 922).
    Where a narrower mask would fit as well, the widest is taken.
    """
    masks = []
    for own in station.addresses:
        for group in station.broadcast_to:
            host = group & ~(group + 1)
            mask = Address(~host & 0xFFFFFFFF)
            if mask and own & mask == group & mask:
                masks.append((own, mask))
    return masks


# --- the controllers ----------------------------------------------------------------------------


@dataclass(slots=True)
class _Trial:
    """What the PC did towards one address."""

    address: Address
    tcp: dict[int, list[Session]] = field(default_factory=dict)
    udp: dict[int, list[Exchange]] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    pinged: bool = False

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

    Told controllers are taken as they are. Otherwise the first of these that fits anybody:
    registered industrial ports; other sessions and addresses that nobody answered for; office
    services in the PC's own network; anything else that it asked for. Public addresses are
    somebody else's servers.
    """
    trials = _trials(facts, pc)
    if told.controllers:
        targets = [_told_target(trials, address, port) for address, port in told.controllers]
        return targets, [
            one for one in trials.values() if one.address not in dict(told.controllers)
        ]
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
        ("tried", [one for one in near if one.tcp and _is_near(pc, one.address)]),
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
        or (one.unanswered >= ASKED_ON_PURPOSE and one.address & 0xFF not in GATEWAY_NUMBERS)
    ]


def _trials(facts: Facts, pc: Pc) -> dict[Address, _Trial]:
    trials: dict[Address, _Trial] = {}
    groups = {address for station in facts.stations for address in station.broadcast_to}

    def trial(address: Address) -> _Trial:
        return trials.setdefault(address, _Trial(address))

    for session in facts.sessions:
        if _from_pc(session, pc) and session.server.address not in pc.addresses:
            trial(session.server.address).tcp.setdefault(session.server.port, []).append(session)
    for exchange in facts.exchanges:
        address, port = exchange.server
        if address in groups or address in pc.addresses or not _is_host(address):
            continue
        if exchange.client[0] in pc.addresses and port not in OFFICE_PORTS:
            trial(address).udp.setdefault(port, []).append(exchange)
    for question in facts.arp.questions.values():
        if _asked_by_pc(question, pc) and _is_host(question.wanted):
            trial(question.wanted).questions.append(question)
    for echo in facts.icmp.echoes.values():
        pinged = echo.src in pc.addresses and echo.dst not in pc.addresses
        if pinged and echo.requests.count and _is_host(echo.dst):
            trial(echo.dst).pinged = True
    return trials


def _from_pc(session: Session, pc: Pc) -> bool:
    if pc.hardware is not None and session.from_client.hardware:
        return pc.hardware in session.from_client.hardware
    return session.client.address in pc.addresses


def _asked_by_pc(question: Question, pc: Pc) -> bool:
    return question.asker == pc.hardware if pc.hardware is not None else False


def _is_host(address: Address) -> bool:
    """Whether an address is neither multicast nor broadcast nor reserved (RFC 1112, RFC 1122)."""
    return 0 < address >> 24 < 224 and address >> 24 != 127 and address & 0xFF != 0xFF


def _is_near(pc: Pc, address: Address) -> bool:
    return any(_share(pc, own, address) for own in pc.addresses)


def _share(pc: Pc, own: Address, address: Address) -> bool:
    """Whether an address is in the network of one of the PC's own."""
    mask = pc.mask_for(own) or presumed_mask(own)
    return own & mask == address & mask


def _routers(facts: Facts, pc: Pc) -> set[Address]:
    """Addresses of stations that the PC hands packets for other addresses to."""
    handed = {
        path.dst
        for path in facts.paths
        if path.src == pc.hardware and path.dst_ip and not _is_near(pc, path.dst_ip)
    }
    own = (claim for claim in facts.arp.claims.items())
    return {address for address, claims in own if any(hw in handed for hw in claims.counts)}


def _told_target(trials: dict[Address, _Trial], address: Address, port: int | None) -> Target:
    trial = trials.get(address)
    found = _target(trial, "told") if trial else Target(address, None, None, "told")
    if port is None:
        return found
    by_udp = trial is not None and port in trial.udp and port not in trial.tcp
    return Target(address, port, "udp" if by_udp else "tcp", "told")


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


# --- one link-up --------------------------------------------------------------------------------


def _linkup(facts: Facts, pc: Pc, target: Target) -> LinkUp:
    controller = target.address
    mine = [one for one in facts.sessions if one.server.address == controller and _from_pc(one, pc)]
    on_port = [one for one in mine if target.port is None or one.server.port == target.port]
    exchanges = [
        one
        for one in facts.exchanges
        if one.server[0] == controller
        and one.client[0] in pc.addresses
        and (one.server[1] == target.port or one.server[1] not in OFFICE_PORTS)
        and (target.transport != "udp" or one.server[1] == target.port)
    ]
    questions = [
        one
        for one in facts.arp.questions.values()
        if one.wanted == controller and _asked_by_pc(one, pc)
    ]
    to_controller = [
        path
        for path in facts.paths
        if path.dst_ip == controller
        and (path.src == pc.hardware if pc.hardware is not None else path.src_ip in pc.addresses)
    ]
    back = [
        path
        for path in facts.paths
        if path.src_ip == controller
        and path.dst_ip in pc.addresses
        and (path.src is None or path.src != pc.hardware)
    ]
    pc_address = _pc_address(pc, controller, questions, to_controller)
    sent_to = {path.dst for path in to_controller if path.dst is not None and not path.dst.is_group}
    hardware = _controller_hardware(facts, controller, pc)
    linkup = LinkUp(
        facts=facts,
        pc=pc,
        target=target,
        pc_address=pc_address,
        mask=pc.mask_for(pc_address) if pc_address is not None else None,
        hardware=hardware,
        sessions=on_port if target.transport != "udp" else [],
        other_sessions=[one for one in mine if one not in on_port],
        exchanges=exchanges,
        questions=questions,
        pings=_pings(facts, pc, controller),
        errors=[error for error in facts.icmp.errors if error.about_dst == controller],
        router=_router(facts, sent_to, controller),
        sent_to=sent_to,
        heard=min((path.first for path in back), default=None),
        last_heard=max((path.last for path in back), default=None),
        last_sent=_last_sent(to_controller, questions),
    )
    linkup.proofs = _proofs(linkup)
    return linkup


def _pc_address(
    pc: Pc, controller: Address, questions: list[Question], paths: list[Path]
) -> Address | None:
    """The PC's address in its last frame for the controller; else its most used one, those in the
    controller's network first and self-assigned ones last.
    """
    used = [(path.last, path.src_ip) for path in paths if path.src_ip]
    used += [(question.asked.last, question.asker_ip) for question in questions]
    if used:
        return max(used)[1]
    ranks = {one: (is_self_assigned(one), not _share(pc, one, controller)) for one in pc.addresses}
    return min(pc.addresses, key=ranks.__getitem__, default=None)


def _pings(facts: Facts, pc: Pc, controller: Address) -> Echo | None:
    found = (facts.icmp.echoes.get((address, controller)) for address in pc.addresses)
    return next((echo for echo in found if echo is not None and echo.requests.count), None)


def _last_sent(paths: list[Path], questions: list[Question]) -> Moment | None:
    """The PC's last frame for the controller."""
    moments = [path.last for path in paths] + [question.asked.last for question in questions]
    return max(moments, default=None)


def _controller_hardware(facts: Facts, controller: Address, pc: Pc) -> Hardware | None:
    """Who last claimed the controller's address, or sent packets with it and for no one else; None
    where two devices dispute it.
    """
    claims = facts.arp.claims.get(controller)
    if claims is not None:
        return None if claims.are_disputed else claims.runs[-1].hardware
    senders = {path.src for path in facts.paths if path.src_ip == controller and path.src}
    stations = [facts.station(sender) for sender in senders if sender != pc.hardware]
    plain = [one.hardware for one in stations if one is not None and len(one.addresses) == 1]
    return plain[0] if len(plain) == 1 else None


def _router(facts: Facts, sent_to: set[Hardware], controller: Address) -> Hardware | None:
    """The station that the PC hands packets for the controller to, if it answers as another."""
    for hardware in sent_to:
        claimed = {a for a, claims in facts.arp.claims.items() if hardware in claims.counts}
        if claimed and controller not in claimed:
            return hardware
    return None


def _proofs(linkup: LinkUp) -> dict[Stage, Proof]:
    """The stages seen working. A later one proves the earlier ones for the same pair; only that
    the PC uses an address says nothing about its cable.
    """
    found = {
        Stage.ANSWER: _answer_proof(linkup),
        Stage.SESSION: _session_proof(linkup),
        Stage.PORT: _port_proof(linkup),
        Stage.ROUTE: _route_proof(linkup),
        Stage.NEIGHBOUR: _neighbour_proof(linkup),
        Stage.ADDRESS: _address_proof(linkup),
        Stage.LINK: _link_proof(linkup),
    }
    proofs: dict[Stage, Proof] = {}
    later: Proof | None = None
    for stage, proof in found.items():
        if proof is not None:
            proofs[stage] = proof
            later = proof if stage is not Stage.ADDRESS else later
        elif later is not None and stage is not Stage.SESSION:
            proofs[stage] = Proof(later.moment, "later stage", later.values)
    return proofs


def _link_proof(linkup: LinkUp) -> Proof | None:
    others = [one for one in linkup.facts.stations if one.hardware != linkup.pc.hardware]
    if linkup.pc.hardware is None:
        others = [one for one in others if not set(one.addresses) & set(linkup.pc.addresses)]
    first = min((station.first for station in others), default=None)
    return None if first is None else Proof(first, "another station")


def _address_proof(linkup: LinkUp) -> Proof | None:
    address = linkup.pc_address
    if address is None:
        return None
    if linkup.arp_answered is not None:
        return Proof(linkup.arp_answered, "answered to address", {"pc": address})
    own = [path.first for path in linkup.facts.paths if path.src_ip == address]
    questions = linkup.facts.arp.questions.values()
    own += [question.asked.first for question in questions if question.asker_ip == address]
    return Proof(min(own), "uses address", {"pc": address}) if own else None


def _neighbour_proof(linkup: LinkUp) -> Proof | None:
    answers = [answer for question in linkup.questions for answer in question.answers]
    if answers:
        moment, hardware = min(answers)
        return Proof(moment, "arp answer", {"hardware": hardware})
    if linkup.heard is not None and linkup.router is not None:
        return Proof(linkup.heard, "by router", {"hardware": linkup.router})
    return None


def _route_proof(linkup: LinkUp) -> Proof | None:
    return None if linkup.heard is None else Proof(linkup.heard, "packet back")


def _port_proof(linkup: LinkUp) -> Proof | None:
    opened = [session for session in linkup.sessions if session.is_open]
    for session in opened:
        took = session.handshake_seconds
        if session.completed is not None and took is not None:
            values = {"port": session.server.port, "took": took}
            return Proof(session.completed, "handshake", values)
    if opened:
        return Proof(opened[0].first, "open before", {"port": opened[0].server.port})
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.server[1]})
    return None


def _session_proof(linkup: LinkUp) -> Proof | None:
    """A session that carried an answer, and then closed in order or was still open at the end."""
    for session in linkup.sessions:
        if session.is_open and session.answers and not any(end.reset for end in session.closing):
            return Proof(session.last, "stayed up", {"answers": session.answers})
    for exchange in linkup.exchanges:
        if exchange.answered.last is not None:
            return Proof(exchange.answered.last, "udp answer", {"port": exchange.server[1]})
    return None


def _answer_proof(linkup: LinkUp) -> Proof | None:
    for session in linkup.sessions:
        if session.is_stream and session.from_server.first_data:
            return Proof(session.from_server.first_data.moment, "speaks first")
        if session.answers and session.answered is not None:
            values = {"answers": session.answers, "took": session.answer_times.median}
            return Proof(session.answered, "answers", values)
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.server[1]})
    return None


def presumed_mask(address: Address) -> int:
    """The mask where the recording names none; 169.254.0.0/16 has its own (RFC 3927 2.1)."""
    return 0xFFFF0000 if is_self_assigned(address) else PRESUMED_MASK


def silence(unanswered: Iterable[Moment], facts: Facts) -> Moment | None:
    """The frame from which on the silence after several unanswered ones counts: the last, or the
    first where the PC has asked for LISTEN_LONG.
    """
    moments = sorted(unanswered)
    if not moments:
        return None
    return moments[0] if facts.heard_after(moments[0]) >= LISTEN_LONG else moments[-1]


def is_self_assigned(address: Address) -> bool:
    """169.254.0.0/16 (RFC 3927 2.1)."""
    return address >> 16 == 0xA9FE


def network(address: Address, mask: Address | int) -> str:
    """The network of an address as text, such as 192.0.2.0/24 (RFC 4632 3.1)."""
    return str(IPv4Network((int(address), str(Address(mask))), strict=False))
