"""What is known of a link-up."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from itertools import accumulate
from operator import itemgetter
from types import MappingProxyType
from typing import NamedTuple

from analyzer.facts import (
    Address,
    Claims,
    DhcpMessage,
    Echo,
    Exchange,
    Facts,
    Hardware,
    IcmpError,
    Moment,
    Path,
    Question,
    Series,
    Session,
    Spread,
    Station,
)
from analyzer.facts.dhcp import ACK, DISCOVER, SERVER_PORT
from analyzer.facts.icmp import UNREACHABLE
from analyzer.facts.index import Groups, by, grouped
from analyzer.facts.paths import FRESH, times_to_live
from analyzer.facts.ports import OFFICE_PORTS, TUNNEL_PORTS
from analyzer.linkup.cable import Cable
from analyzer.linkup.networks import Network, is_loopback, is_self_assigned, network_of, presumed
from analyzer.linkup.silences import Silence, silence_of
from analyzer.linkup.tries import (
    BEGINNING,
    Calls,
    How,
    Tries,
    Try,
    first_after,
    of_exchange,
    of_pings,
    of_question,
    of_session,
)
from analyzer.site import Controller, Site


class Stage(StrEnum):
    """The stages of a link-up, in the order in which they build on each other."""

    LINK = "link"
    ADDRESS = "address"
    NEIGHBOUR = "neighbour"
    ROUTE = "route"
    PORT = "port"
    SESSION = "session"
    ANSWER = "answer"


class Proof(NamedTuple):
    """A stage seen working: the frame that shows it, and what that frame is."""

    moment: Moment
    what: str
    values: Mapping[str, object] = MappingProxyType({})


CALLER = "caller"
"""How a PC is known that is only taken for one because it called."""


@dataclass(eq=False)
class Pc:
    """A host that tries to reach controllers. addresses: all of IPv4 or all of IPv6, the most used
    first; how_known: a key of the words; adapters: its others that were recorded, too.
    """

    facts: Facts = field(repr=False)
    site: Site = field(repr=False)
    hardware: Hardware | None
    addresses: list[Address]
    how_known: str
    adapters: list["Pc"] = field(default_factory=list, repr=False)

    @property
    def is_ipv6(self) -> bool:
        """Whether its addresses are those of IPv6."""
        return any(one.is_ipv6 for one in self.addresses)

    @cached_property
    def prefixes(self) -> set[int]:
        """The first 64 bits of its IPv6 addresses."""
        return {own >> 64 for own in self.addresses if own.is_ipv6}

    @cached_property
    def over_ipv6(self) -> "Pc | None":
        """The same host with its IPv6 addresses, None where it has none or has no others."""
        own = {} if self.station is None else self.station.ipv6
        if self.is_ipv6 or not own:
            return None
        return replace(self, addresses=sorted(own, key=lambda one: -own[one]), adapters=[])

    def facing(self, address: Address) -> "Pc":
        """The same host with addresses of the same sort as another's, and with the adapter that it
        tried to reach that one by.
        """
        tried = (one for one in (self, *self.adapters) if one.has_tried(address))
        own = next(tried, self)
        return own.over_ipv6 or own if address.is_ipv6 else own

    def has_tried(self, address: Address) -> bool:
        """Whether its adapter sent anything to an address, or asked for it."""
        index = self.facts.index
        sent = any(one.src == self.hardware for one in index.packets_to[address])
        return sent or any(one.asker == self.hardware for one in index.questions_for[address])

    def network(self, address: Address) -> Network:
        """The network of one of its addresses."""
        if address not in self._networks:
            found = network_of(self.facts, self.site, address, self.hardware)
            self._networks[address] = found
        return self._networks[address]

    def first_use(self, address: Address) -> Moment | None:
        """The first frame with one of its addresses as its sender's, in IPv4 or in ARP."""
        if address not in self._first_uses:
            index = self.facts.index
            used = [path.first for path in index.packets_from[address]]
            used += [one.asked.first for one in index.questions_as[address]]
            self._first_uses[address] = min(used, default=None)
        return self._first_uses[address]

    def last_use(self, address: Address) -> Moment | None:
        """Its last frame in which it claims an address in ARP or sends with it."""
        if address not in self._last_uses:
            claims = self.facts.claims(address).runs
            used = [one.last for one in claims if one.hardware == self.hardware]
            sent = self.facts.index.packets_from[address]
            used += [one.last for one in sent if one.src == self.hardware]
            self._last_uses[address] = max(used, default=None)
        return self._last_uses[address]

    def is_near(self, address: Address) -> bool:
        """Whether an address is in a network of the PC."""
        return any(self.network(own).holds(address) for own in self.addresses)

    def reach(self, own: Address) -> int:
        """How many of the last bits differ between one of its addresses and the farthest that it
        asks for or sends to with that one: its mask leaves so many open.
        """
        if own not in self._reach:
            index = self.facts.index
            there = [one.wanted for one in index.questions_as[own] if one.asker == self.hardware]
            sent = (one for one in self.paths if one.dst is not None and not one.dst.is_group)
            there += [one.dst_ip for one in sent if one.dst_ip]
            there = [one for one in there if one.is_ipv6 == own.is_ipv6]
            self._reach[own] = max(((own ^ one).bit_length() for one in there), default=0)
        return self._reach[own]

    @cached_property
    def station(self) -> Station | None:
        """What is known of it as a station, None where it sent nothing."""
        return self.facts.station(self.hardware)

    @property
    def came_over_the_cable(self) -> bool:
        """Whether another host recorded its frames. Loopback frames, which some systems mark as
        received only, can be recorded by their own host alone.
        """
        inside = any(map(is_loopback, self.addresses))
        return self.station is not None and self.station.came_over_the_cable and not inside

    @cached_property
    def others(self) -> list[Station]:
        """Stations that are neither the PC nor one of its guests."""
        return others(self.facts, self)

    def hears(self, begin: float, end: float) -> bool:
        """Whether any other station is heard between two times, as far as frames tell stations."""
        if self.hardware is None:
            return True
        place = bisect_right(self._heard, end, key=itemgetter(0))
        return place > 0 and self._heard[place - 1][1] >= begin

    @cached_property
    def came_up(self) -> list[Moment]:
        """The frames that it sent when its link came up."""
        return [one.moment for one in self.facts.boots(self.hardware)]

    @cached_property
    def sessions(self) -> list[Session]:
        """Sessions that it opened, in order: by its hardware address, where that is known."""
        index = self.facts.index
        as_address = [one for own in self.addresses for one in index.sessions_from[own]]
        if self.hardware is not None:
            as_address = [one for one in as_address if not one.from_client.hardware]
            as_address += index.sessions_by[self.hardware]
        own = (one for one in as_address if one.client.address.is_ipv6 == self.is_ipv6)
        return sorted(own, key=lambda one: one.first)

    @cached_property
    def checked(self) -> list[Address]:
        """Addresses of which it checked whether they are free (RFC 5227 2.1.1)."""
        if self.hardware is None:
            return []
        return [address for address, _ in self.facts.index.probes_by[self.hardware]]

    @cached_property
    def times_to_live(self) -> set[int]:
        """Times to live of its packets."""
        own = (one for one in self.paths if one.src_ip and one.src_ip.is_ipv6 == self.is_ipv6)
        return times_to_live(own)

    @cached_property
    def questions(self) -> list[Question]:
        """Its ARP questions, or neighbour solicitations."""
        asked = [] if self.hardware is None else self.facts.index.questions_by[self.hardware]
        return [one for one in asked if one.wanted.is_ipv6 == self.is_ipv6]

    @cached_property
    def paths(self) -> list[Path]:
        """Paths of its frames: by its hardware address, where that is known."""
        if self.hardware is not None:
            return self.facts.index.paths_from[self.hardware]
        return [one for own in self.addresses for one in self.facts.index.packets_from[own]]

    @cached_property
    def brought(self) -> Groups[tuple[Hardware, Network], Path]:
        """Packets for it that a router handed over, by that router and the sender's presumed
        network: their time to live is no fresh one.
        """
        index = self.facts.index
        to_it = (one for own in self.addresses for one in index.packets_to[own])
        return grouped(
            ((one.src, presumed(one.src_ip).whole), one)
            for one in to_it
            if one.src is not None and one.src_ip and one.ttls[1] not in FRESH
        )

    @cached_property
    def searches(self) -> list[Moment]:
        """Its searches for an address server."""
        if self.hardware is None:
            return []
        own = self.facts.index.dhcp_of[self.hardware]
        return [one.moment for one in own if one.type == DISCOVER]

    @cached_property
    def gateways(self) -> set[Hardware]:
        """Stations that it hands packets for addresses that they do not answer for."""
        replied = self.facts.arp.replied
        return {
            one.dst
            for one in self.paths
            if one.dst is not None and one.dst_ip and not one.dst_ip.is_ipv6
            if one.dst_ip not in replied.get(one.dst, ())
        }

    @cached_property
    def strayed(self) -> list[Station]:
        """Other stations that have nothing but addresses that they gave themselves (RFC 3927)."""
        return [
            one
            for one in self.facts.stations
            if one.hardware not in (self.hardware, None)
            and one.addresses
            and all(map(is_self_assigned, one.addresses))
        ]

    @cached_property
    def exchanges(self) -> list[Exchange]:
        """UDP exchanges that it began."""
        index = self.facts.index
        return [one for own in self.addresses for one in index.exchanges_from[own]]

    @cached_property
    def tunnels(self) -> list[tuple[Address, Address, Moment]]:
        """Its end, the far end and the first packet of tunnels (VPN) that it keeps up."""
        index = self.facts.index
        ends = [(one.client, one.server, one.first) for one in self.exchanges]
        ends += [
            (one.server, one.client, one.first)
            for own in self.addresses
            for one in index.exchanges_to[own]
        ]
        return [(own[0], far[0], first) for own, far, first in ends if far[1] in TUNNEL_PORTS]

    @cached_property
    def checks(self) -> list[Moment]:
        """Its ARP probes: it checks an address when it comes to the cable (RFC 5227 2.1)."""
        if self.hardware is None:
            return []
        sent = self.facts.index.probes_by[self.hardware]
        return sorted(moment for _, series in sent for moment in series.moments)

    @property
    def is_searching(self) -> bool:
        """Whether it searches the network: many addresses asked for, most without an answer."""
        return self.hardware in self.facts.index.searchers

    @cached_property
    def cable(self) -> Cable:
        """What comes in over its cable."""
        return Cable(self)

    @cached_property
    def guests(self) -> list[Station]:
        """Other stations whose frames this host sent, as virtual machines on it."""
        guests = (one for one in self.facts.stations if one.sent and not one.received)
        return [one for one in guests if one.hardware != self.hardware]

    @cached_property
    def _heard(self) -> list[tuple[float, float]]:
        """When others are heard, by the beginning: each with the latest end until then."""
        stations = (one for one in self.facts.stations if one.hardware != self.hardware)
        spans = sorted(span for one in stations for span in one.presence.spans)
        latest = accumulate((end for _, end in spans), max)
        return [(begin, end) for (begin, _), end in zip(spans, latest, strict=True)]

    @cached_property
    def _reach(self) -> dict[Address, int]:
        return {}

    @cached_property
    def _last_uses(self) -> dict[Address, Moment | None]:
        return {}

    @cached_property
    def _first_uses(self) -> dict[Address, Moment | None]:
        return {}

    @cached_property
    def _networks(self) -> dict[Address, Network]:
        return {}


def others(facts: Facts, pc: Pc | None) -> list[Station]:
    """Stations that are neither the PC nor one of its guests: those whose frames the recording
    marks as sent.
    """
    own = None if pc is None else pc.hardware
    return [
        one
        for one in facts.stations
        if not (one.sent and not one.received) and not (pc is not None and one.hardware == own)
    ]


@dataclass(slots=True, eq=False, repr=False)
class Target:
    """Whom the PC tried to reach. port and transport are None where only the address is known."""

    address: Address
    port: int | None
    transport: str | None
    how_known: str

    @property
    def is_named(self) -> bool:
        """Whether somebody named it, so that it is no guess."""
        return self.how_known in ("told", "sheet")


@dataclass(eq=False)
class LinkUp:
    """One PC trying to reach one controller.

    pc_address: the PC's address in frames for the controller, None where there is none;
    controller_network: the controller's network, by what names its own mask, else presumed;
    hardware: who claims the controller's address; packets_back: paths of its packets to the PC;
    on_port: the PC's calls to this controller, on the port where one is known; on_others: its
    calls to other ports; strange_sessions: those of another device with the PC's address, of which
    packets came to the PC; exchanges: its UDP exchanges; questions: its ARP
    requests for the controller; pings: its echo requests and their replies; errors: ICMP errors
    about its packets to the controller; router: the station that it hands packets for the
    controller to, where that is not the controller; sent_to: hardware addresses that its packets
    for the controller went to; heard, last_heard: first and last packet from the controller to the
    PC; last_sent: the PC's last frame for the controller; site: what the site sheet says, nothing
    where there is none; alone: whether it is the only one that is judged.
    """

    facts: Facts
    pc: Pc
    target: Target
    pc_address: Address | None
    controller_network: Network
    hardware: Hardware | None
    packets_back: list[Path]
    on_port: Calls
    on_others: Calls
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
    alone: bool = True
    proofs: dict[Stage, Proof] = field(default_factory=dict)

    @cached_property
    def controller(self) -> Address:
        """The controller's address."""
        return self.target.address

    @cached_property
    def is_ipv6(self) -> bool:
        """Whether PC and controller speak IPv6."""
        return self.controller.is_ipv6

    @property
    def claims(self) -> Claims:
        """Who claims the controller's address in ARP."""
        return self.facts.claims(self.controller)

    @property
    def owners(self) -> list[Hardware]:
        """Devices but the PC that claim the controller's address, the most frequent first."""
        counts = self.claims.counts
        often = sorted(counts, key=lambda one: -counts[one])
        return [one for one in often if one != self.pc.hardware and self.facts.is_a_device(one)]

    @property
    def uses(self) -> list[tuple[Moment, Hardware]]:
        """First and last frames in which others than the PC claim the controller's address in ARP
        or send with it, in order: when, and who.
        """
        used = self.facts.index.users[self.controller]
        return [(at, who) for at, who in used if who != self.pc.hardware]

    def is_stranger(self, hardware: Hardware | None) -> bool:
        """Whether a station that answers never claimed the controller's address, and somebody else
        did; no router on the way, which answers for others.
        """
        known = self.claims.counts.keys()
        return bool(known) and hardware not in (*known, self.router, self.pc.hardware, None)

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
    def has_no_router(self) -> bool:
        """Whether the site sheet tells both masks, and a direct cable or no gateway on either."""
        adapter, sheet = self.site.adapter(self.pc_address), self.sheet
        if adapter is None or sheet is None or not (adapter.mask and sheet.mask):
            return False
        return sheet.cable == "direct" or (adapter.gateway is None and sheet.gateway is None)

    @property
    def is_heard(self) -> bool:
        """Whether any IPv4 packet came from the controller to the PC."""
        return self.heard is not None

    def is_heard_after(self, moment: Moment) -> bool:
        """Whether a packet came from the controller later than a moment."""
        return self.last_heard is not None and self.last_heard > moment

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
        if self.controller.is_ipv6:
            return False
        here, near_to = self.facts.index.addresses, presumed(self.controller)
        if self.mask is not None:
            near_to = Network(self.controller, Address(near_to.mask & self.mask))
        if near_to.holds_any(here) or not here:
            return False
        own = self.facts.addresses & set(self.pc.addresses)
        only_loopback = is_loopback(here[0]) and is_loopback(here[-1])
        if not own or not self.facts.coverage.frames or only_loopback:
            return True
        to_own = (one for address in own for one in self.facts.index.packets_to[address])
        return any(one.src_ip not in own for one in to_own)

    @property
    def network(self) -> Network | None:
        """The PC's network, None where it has no address."""
        return None if self.pc_address is None else self.pc.network(self.pc_address)

    @property
    def mask(self) -> Address | None:
        """The PC's mask, where anything names it."""
        network = self.network
        return None if network is None or network.is_presumed else network.mask

    @property
    def is_near(self) -> bool:
        """Whether the PC takes the controller for a neighbour."""
        return self.network is None or self.network.holds(self.controller)

    @property
    def same_network(self) -> bool:
        """Whether PC and controller share a network, by the masks of both."""
        own, theirs = self.pc_address, self.controller_network
        return self.is_near and (own is None or theirs.is_presumed or theirs.holds(own))

    @property
    def in_reach(self) -> bool:
        """Whether the addresses let an answer come, or one came all the same."""
        return self.same_network or self.is_heard

    @property
    def presumes_mask(self) -> bool:
        """Whether the PC's mask is presumed, as nothing names it."""
        return self.network is not None and self.network.is_presumed

    @property
    def self_assigned(self) -> bool:
        """Whether the PC uses a self-assigned address and the controller does not."""
        return self.pc_address is not None and (
            is_self_assigned(self.pc_address) and not is_self_assigned(self.controller)
        )

    @property
    def sessions(self) -> list[Session]:
        """The sessions of its calls on the port."""
        return [one.session for one in self.on_port]

    @property
    def other_sessions(self) -> list[Session]:
        """The sessions of its calls to other ports."""
        return [one.session for one in self.on_others]

    @property
    def other_clients(self) -> list[Address]:
        """Who else had a session with the controller, in order."""
        sessions = self.facts.index.sessions_to[self.controller]
        clients = {one.client.address for one in sessions if of_session(one).opened}
        return sorted(clients.difference(self.pc.addresses))

    @cached_property
    def fallbacks(self) -> Calls:
        """The calls to other ports by which a program may get its work done all the same: no
        services of any office PC.
        """
        return Calls(one for one in self.on_others if one.port not in OFFICE_PORTS)

    @cached_property
    def calls(self) -> Calls:
        """The calls to the port meant; without any, those to the first port called instead, unless
        another port opened.
        """
        elsewhere = self.on_others
        if self.on_port or self.target.transport != "tcp" or Stage.PORT in self.proofs:
            return self.on_port
        if elsewhere.opened:
            return Calls(())
        return Calls(one for one in elsewhere if one.port == elsewhere[0].port)

    @cached_property
    def tries(self) -> Tries[Try]:
        """Everything that the PC tried with the controller."""
        refused = self.facts.index.refused_datagrams
        sent = (of_exchange(one, (one.client, one.server) in refused) for one in self.exchanges)
        return Tries(
            (
                *map(of_question, self.questions),
                *((of_pings(self.pings),) if self.pings is not None else ()),
                *self.on_port,
                *self.on_others,
                *sent,
            )
        )

    @cached_property
    def is_one_sided(self) -> bool:
        """Whether the recorder saw one direction only, or let nothing else through, or stood aside
        and heard the PC's broadcasts and nothing else of it: then silence is no evidence.
        """
        if self.facts.looks_filtered and Stage.LINK not in self.proofs:
            return True
        aside = self.pc.came_over_the_cable and not (self.pc.station and self.pc.station.unicast)
        return aside or any(one.session.is_one_sided for one in self.on_port)

    def silence(
        self, sent: Iterable[Moment], tries: int | None = None, arrived: bool = False
    ) -> Silence | None:
        """The silence that follows what the PC sent; see silence_of."""
        return silence_of(
            self.facts,
            sent,
            tries=tries,
            began=self.attempts,
            arrived=arrived,
            deaf=self.is_one_sided,
        )

    @cached_property
    def waiting(self) -> Silence | None:
        """What the PC waits for in vain, at the furthest stage reached: calls and requests that
        nothing answers and no answer comes after, and datagrams; else questions and pings, where
        the controller is not heard at all.
        """
        calls = [
            one
            for one in self.on_port
            if not one.ended_by_server and one.how is not How.OPEN
            if not self.on_port.answered_after(one.last)
        ]
        ways = [one.asked for one in self.exchanges if not one.answered.count]
        sent = [at for one in calls for at in one.unanswered]
        tries = len(sent) + sum(one.count for one in ways)
        sent += [at for one in ways for at in (one.first, one.last) if at is not None]
        if not sent and not self.is_heard:
            asked = [one.since_answer for one in self.questions]
            asked += [self.pings.requests] if self.pings is not None else []
            sent = [at for one in asked for at in one.moments]
            tries = sum(one.count for one in asked)
        return self.silence(sent, tries)

    @cached_property
    def unasked(self) -> list[Exchange]:
        """Exchanges that the controller began with the PC."""
        begun = self.facts.index.exchanges_from[self.controller]
        return [one for one in begun if one.server[0] in self.pc.addresses]

    @property
    def rivals(self) -> Calls:
        """Other stations' calls to the port that counts."""
        port, own = (self.calls[0].port if self.calls else None), set(self.pc.addresses)
        return Calls(
            of_session(one)
            for one in self.facts.index.sessions_to[self.controller]
            if one.server.port == port and one.client.address not in own
        )

    @cached_property
    def calls_back(self) -> Calls:
        """The controller's calls to the PC, refused also where the PC says so in a message."""
        index, own = self.facts.index, set(self.pc.addresses)
        said = index.errors_to[self.controller]
        forbidden = by(
            (one for one in said if one.sender in own and one.type == UNREACHABLE),
            lambda one: (one.about_dst, one.sport, one.dport),
        )
        return Calls(
            of_session(one, forbidden[one.server.address, one.client.port, one.server.port])
            for one in index.sessions_from[self.controller]
            if one.server.address in own and one.syns.count
        )

    @cached_property
    def signs(self) -> list[Moment]:
        """Signs of life of the controller: its ARP replies, its first and last packet to the PC."""
        signs = {moment for question in self.questions for moment, _ in question.answers}
        return sorted(signs.union(at for at in (self.heard, self.last_heard) if at is not None))

    @cached_property
    def last_sign(self) -> Moment | None:
        """The last sign of life of the controller."""
        return max(self.signs, default=None)

    def is_alive_after(self, moment: Moment) -> bool:
        """Whether the controller gave a sign of life later than a moment."""
        return self.last_sign is not None and self.last_sign > moment

    @cached_property
    def waiting_since(self) -> Moment | None:
        """From when on the PC waits for an answer, at the furthest stage reached."""
        return None if self.waiting is None else self.waiting.first

    @property
    def taken(self) -> Moment | None:
        """When the controller took a call; where the PC makes none, when it answered at all."""
        port = self.proofs.get(Stage.PORT)
        if port is not None:
            return port.moment
        return None if self.calls or self.exchanges else self.heard

    @cached_property
    def unanswered_tries(self) -> list[Moment]:
        """What the PC sent to the controller without any answer, or had to send again."""
        tried = [at for question in self.questions for at in question.ignored]
        for call in self.calls:
            tried += [*call.sent_again, *call.in_vain]
        return sorted(set(tried))

    @cached_property
    def is_lost(self) -> bool:
        """Whether it worked, and nothing that the PC tried after the last answer did."""
        last = self.on_port.last_answer
        if last is None:
            return False
        ends = (one.ended for one in self.on_port if one.wanted or one.how is How.REFUSED)
        if any(at and at > last for at in ends):
            return True
        silence = self.silence(at for at in self.unanswered_tries if at > last)
        return silence is not None and silence.is_evidence

    @cached_property
    def tried_too_early(self) -> list[Moment]:
        """What the PC tried in vain, refused calls among it, before the controller took a call; all
        of it where that never happened.
        """
        refused = {at for one in self.calls.that(How.REFUSED) for at in one.session.syns.moments}
        up = self.taken
        return sorted(at for at in {*self.unanswered_tries, *refused} if up is None or at < up)

    @property
    def arp_answered(self) -> Moment | None:
        """The first ARP reply that gave the PC the controller's hardware address."""
        answers = [answer for question in self.questions for answer, _ in question.answers]
        return min(answers, default=None)

    @cached_property
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

    @cached_property
    def attempts(self) -> list[Moment]:
        """Everything the PC did to reach the controller, first and last of each kind."""
        moments = [moment for one in self._series for moment in (one.first, one.last)]
        moments += [one.first for one in self.on_port if not one.calls]
        moments += [one.first for one in self.exchanges]
        return sorted(moments)

    @property
    def unanswered(self) -> Series:
        """The PC's ARP questions to everybody, where it got no answer to any of its questions for
        the controller.
        """
        answered = any(one.answered for one in self.questions)
        asked = (one.asked for one in self.questions if one.broadcasts and not answered)
        return Series.joined(asked)

    @cached_property
    def in_vain(self) -> list[Moment]:
        """The kept moments of what the PC sent to the controller and nothing of its kind answered
        since: ARP questions, calls and requests, pings, datagrams.
        """
        sent = [at for one in self.questions for at in one.since_answer.moments]
        sent += [
            at for calls in (self.on_port, self.on_others) for one in calls for at in one.in_vain
        ]
        for one in self.exchanges:
            sent += [at for at in one.asked.ends if at > (one.answered.last or BEGINNING)]
        if self.pings is not None:
            requests, back = self.pings.requests.moments, self.pings.replies
            sent += [at for at in requests if not back.count or at > back.last]
        return sorted(set(sent))

    @cached_property
    def tried(self) -> list[Moment]:
        """The kept moments of everything that the PC sent to reach the controller, repeats too."""
        moments = {moment for one in self._series for moment in one.moments}
        moments.update(one.last for one in self.exchanges)
        return sorted(moments.union(self.attempts))

    @property
    def times(self) -> int:
        """How often the PC tried to reach the controller, each repeat counted."""
        joined = sum(not one.calls for one in self.on_port)
        sent = sum(one.asked.count for one in self.exchanges)
        return joined + sent + sum(one.count for one in self._series)

    @property
    def _series(self) -> list[Series]:
        series = [question.asked for question in self.questions]
        series += [one.session.syns for one in self.on_port if one.calls]
        return series + ([self.pings.requests] if self.pings is not None else [])

    def asks_after(self, moment: Moment | None) -> Moment | None:
        """The PC's first try from a moment on, or of all; a request that waits is one too."""
        return first_after(self._asked, moment or BEGINNING)

    @cached_property
    def _asked(self) -> list[Moment]:
        waits = (one.session.waits_since for one in self.on_port)
        return sorted([*self.attempts, *(at for at in waits if at is not None)])

    def answers_after(self, moment: Moment) -> bool:
        """Whether any session got an answer later than a moment."""
        return self.on_port.answered_after(moment)

    @cached_property
    def leases(self) -> list[DhcpMessage]:
        """The address server's acknowledgements, where that is whom the PC asked."""
        if self.target.port != SERVER_PORT or self.pc.hardware is None:
            return []
        said = self.facts.index.dhcp_of[self.pc.hardware]
        return [one for one in said if one.type == ACK and not one.from_client]

    @property
    def works(self) -> bool:
        """Whether the controller answered a request."""
        return Stage.ANSWER in self.proofs

    @property
    def is_answered(self) -> bool:
        """Whether no port was called, and everything else that was tried got its answer. That a PC
        whose purpose is known only found the controller is no answer.
        """
        meant = self.target.port is None and not self.target.is_named
        meant = meant and (self.pings is not None or self.pc.how_known == CALLER)
        return meant and bool(self.tries) and len(self.tries.that(How.ANSWERED)) == len(self.tries)

    @property
    def is_inside(self) -> bool:
        """Whether PC and controller are one machine: nothing of it goes over a cable."""
        if self.controller not in self.pc.addresses:
            return is_loopback(self.controller)
        return all(one.src in (None, self.pc.hardware) for one in self.packets_back)


@dataclass(slots=True, eq=False, repr=False)
class Case:
    """Everything that rules judge: the facts of a recording, who tried to reach somebody, and the
    link-ups.

    pcs: the PC, where it is known; else everybody who called or asked, each with link-ups of its
    own; candidates: the stations of which one is likely the PC, where that stays open. others:
    addresses that the PC had to do with beside its controllers; unanswered: those of them that it
    asked for as one does for a controller, in vain.
    """

    facts: Facts
    pcs: list[Pc]
    candidates: list[Station]
    linkups: list[LinkUp]
    others: list[Address] = field(default_factory=list)
    unanswered: list[Address] = field(default_factory=list)

    @property
    def pc(self) -> Pc | None:
        """The PC, where it is known; None where each caller is taken for one."""
        return self.pcs[0] if len(self.pcs) == 1 and not self.pc_unknown else None

    @property
    def pc_unknown(self) -> bool:
        """Whether it stays open who the PC is, and each caller is taken for one."""
        return any(one.how_known == CALLER for one in self.pcs)

    @property
    def works(self) -> bool:
        """Whether there are link-ups, and all of them work."""
        return bool(self.linkups) and all(one.works for one in self.linkups)

    def tried(self) -> Iterator[tuple[LinkUp | None, list[Moment]]]:
        """What the PC tried with each controller, with its searches for an address server; those
        alone where it tried to reach nobody.
        """
        searches = [] if self.pc is None else self.pc.searches
        for linkup in self.linkups:
            yield linkup, sorted([*linkup.tried, *searches])
        if not self.linkups:
            yield None, searches

    def silence(self, linkup: LinkUp | None, sent: Iterable[Moment]) -> Silence | None:
        """The silence that follows what the PC sent, be it in a link-up or in none."""
        return silence_of(self.facts, sent) if linkup is None else linkup.silence(sent)


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the user told: controllers as (address, port or None), the PC by either address, and
    the site sheet.
    """

    controllers: tuple[tuple[Address, int | None], ...] = ()
    pc: Address | Hardware | None = None
    site: Site = field(default_factory=Site)
