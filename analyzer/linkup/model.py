"""What is known of a link-up: plain data, and the arithmetic of networks."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import IPv4Network

from analyzer.facts import (
    Address,
    Echo,
    Exchange,
    Facts,
    Hardware,
    IcmpError,
    Moment,
    Question,
    Session,
    Spread,
    Station,
)
from analyzer.site import Controller, Site

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


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """A stage seen working: the frame that shows it, and what that frame is."""

    moment: Moment
    what: str
    values: Mapping[str, object] = field(default_factory=dict)


@dataclass(slots=True, eq=False)
class Pc:
    """The host that recorded. addresses: the most used first; how_known: a key of the words."""

    hardware: Hardware | None
    addresses: list[Address]
    how_known: str
    masks: list[tuple[Address, Address]] = field(default_factory=list)

    def mask_for(self, address: Address) -> Address | None:
        """The mask that the recording or the site sheet states for one of the PC's addresses."""
        return next((mask for own, mask in self.masks if own == address), None)


@dataclass(slots=True, eq=False)
class Target:
    """Whom the PC tried to reach. port and transport are None where only the address is known."""

    address: Address
    port: int | None
    transport: str | None
    how_known: str


@dataclass(slots=True, eq=False)
class LinkUp:
    """One PC trying to reach one controller.

    pc_address: the PC's address in frames for the controller, None where there is none; mask: its
    mask, from the recording or the site sheet; controller_mask: the controller's, from the same;
    hardware: who claims the controller's address;
    sessions: the PC's TCP attempts to this controller, on the port where one is known;
    other_sessions: its attempts on other ports; strange_sessions: those of another device with the
    PC's address, of which packets came to the PC; exchanges: its UDP exchanges; questions: its ARP
    requests for the controller; pings: its echo requests and their replies; errors: ICMP errors
    about its packets to the controller; router: the station that it hands packets for the
    controller to, where that is not the controller; sent_to: hardware addresses that its packets
    for the controller went to; heard, last_heard: first and last packet from the controller to the
    PC; last_sent: the PC's last frame for the controller; site: what the site sheet says, nothing
    where there is none.
    """

    facts: Facts
    pc: Pc
    target: Target
    pc_address: Address | None
    mask: Address | None
    controller_mask: Address | None
    hardware: Hardware | None
    sessions: list[Session]
    other_sessions: list[Session]
    strange_sessions: list[Session]
    exchanges: list[Exchange]
    questions: list[Question]
    pings: Echo | None
    errors: list[IcmpError]
    router: Hardware | None
    sent_to: set[Hardware]
    heard: Moment | None
    last_heard: Moment | None
    last_sent: Moment | None
    site: Site = field(default_factory=Site)
    proofs: dict[Stage, Proof] = field(default_factory=dict)

    @property
    def controller(self) -> Address:
        """The controller's address."""
        return self.target.address

    @property
    def sheet(self) -> Controller | None:
        """What the site sheet says of the controller."""
        return self.site.controller(self.controller, self.target.port)

    @property
    def labelled(self) -> Hardware | None:
        """The hardware address on the controller's label, by the site sheet."""
        return None if self.sheet is None else self.sheet.hardware_address

    @property
    def never_answers_arp(self) -> bool:
        """Whether the controller keeps its hardware address to itself, by the site sheet."""
        return self.sheet is not None and self.sheet.answers_arp is False

    @property
    def is_heard(self) -> bool:
        """Whether any IPv4 packet came from the controller to the PC."""
        return self.heard is not None

    @property
    def is_tried(self) -> bool:
        """Whether any frame of the PC was meant for the controller, or came from it."""
        return bool(self.attempts or self.last_sent or self.is_heard)

    @property
    def is_elsewhere(self) -> bool:
        """Whether the recorded adapter leads to other stations than the controller: nothing was
        tried, no address of the controller's network occurs, and the PC is in use with others
        here, or is not here at all.
        """
        if self.is_tried or self.self_assigned or not self.pc.addresses:
            return False
        here, mask = self.facts.addresses, presumed_mask(self.controller)
        if self.mask is not None:
            mask &= self.mask
        near = any(address & mask == self.controller & mask for address in here)
        if near or not here:
            return False
        own = here & set(self.pc.addresses)
        if not own or not self.facts.coverage.frames or all(map(is_loopback, here)):
            return True
        return any(one.dst_ip in own and one.src_ip not in own for one in self.facts.paths)

    @property
    def is_near(self) -> bool:
        """Whether the PC takes the controller for a neighbour, by its known or presumed mask."""
        if self.pc_address is None:
            return True
        mask = self.mask if self.mask is not None else presumed_mask(self.pc_address)
        return self.pc_address & mask == self.controller & mask

    @property
    def same_network(self) -> bool:
        """Whether PC and controller share a network, by the masks of both."""
        own, mask = self.pc_address, self.controller_mask
        agrees = own is None or mask is None or own & mask == self.controller & mask
        return self.is_near and agrees

    @property
    def presumes_mask(self) -> bool:
        """Whether the PC's mask is presumed, as nothing names it."""
        return self.mask is None and self.pc_address is not None

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
        """Whether the recorder saw one direction only, or stood aside and heard the PC's broadcasts
        and nothing else of it: then silence is no evidence.
        """
        pc = self.facts.station(self.pc.hardware)
        aside = pc is not None and pc.came_over_the_cable and not pc.unicast
        return aside or any(session.is_one_sided for session in self.sessions)

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
    def durations(self) -> dict[str, Spread]:
        """How long things took: each ping to its reply, each SYN to its acceptance, each request to
        its answer. A SYN that was sent again is left out: which one was accepted is not known
        (RFC 6298 3). Only kinds that were timed.
        """
        shaken = Spread()
        for session in self.sessions:
            took = session.handshake_seconds
            if took is not None and session.syns.count == 1:
                shaken.add(took)
        timed = {
            "ping": self.pings.round_trips if self.pings else Spread(),
            "handshake": shaken,
            "answer": Spread.joined(one.answer_times for one in self.sessions if one.is_timed),
        }
        return {kind: spread for kind, spread in timed.items() if spread.count}

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

    def asks_after(self, moment: Moment | None) -> Moment | None:
        """The PC's first try from a moment on, or of all; a request that waits is one too."""
        requests = [one.waits_since for one in self.sessions if one.waits_since is not None]
        tries = (one for one in (*self.attempts, *requests) if moment is None or one >= moment)
        return min(tries, default=None)

    def answers_after(self, moment: Moment) -> bool:
        """Whether any session got an answer later than a moment."""
        return any(one.answered is not None and one.answered > moment for one in self.sessions)

    @property
    def works(self) -> bool:
        """Whether the controller answered a request."""
        return Stage.ANSWER in self.proofs


@dataclass(slots=True, eq=False)
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


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the user told: controllers as (address, port or None), the PC by either address, and
    the site sheet.
    """

    controllers: tuple[tuple[Address, int | None], ...] = ()
    pc: Address | Hardware | None = None
    site: Site = field(default_factory=Site)


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


def is_loopback(address: Address) -> bool:
    """127.0.0.0/8, which never leaves a host (RFC 1122 3.2.1.3)."""
    return address >> 24 == 127


def network(address: Address, mask: Address | int) -> str:
    """The network of an address as text, such as 192.0.2.0/24 (RFC 4632 3.1)."""
    return str(IPv4Network((int(address), str(Address(mask))), strict=False))
