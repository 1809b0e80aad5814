"""The PC asks for an address (DHCP), and gets none that it can use.

Nobody answers; or the server refuses (RFC 2131 4.3.2), again and again; or it offers and does not
give; or it gives, and the PC declines since another device has that address. Shown where it was
recorded on the PC, and otherwise for what frames of the server say. Quiet where an address was
given in the end, where the PC uses one all the same, where only a renewal goes unanswered (the old
address still holds), and in a recording made elsewhere in which no answer could be seen. Where the
PC gave itself an address because nobody answered, self-assigned-address tells that. About other
devices it is a note, and only where it stays open which one is the PC.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from analyzer.facts import Address, DhcpMessage, Facts, Hardware, Station
from analyzer.facts.boots import AGAIN
from analyzer.facts.dhcp import ACK, BOOTP, DECLINE, DISCOVER, NAK, OFFER, REQUEST
from analyzer.facts.index import by
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import CALLER, Case, LinkUp, Pc, Silence, is_self_assigned, silence_of
from rules import cautions

NO_SERVER, NONE_LEFT, REFUSES, TAKEN, UNCONFIRMED, FILTER = (
    "no server",
    "none left",
    "refuses",
    "taken",
    "unconfirmed",
    "filter",
)
"""Names of these causes in the rule."""
OBSERVED, DEAD_CABLE = "observed", "dead cable"
"""Names of these in what would look the same."""


class _Vain(NamedTuple):
    """What a device asked for, and what came, since it last had an address from a server."""

    client: Hardware
    station: Station | None
    asks: list[DhcpMessage]
    offers: list[DhcpMessage]
    refusals: list[DhcpMessage]
    declines: list[DhcpMessage]

    @property
    def is_answered(self) -> bool:
        """Whether any server said anything."""
        return bool(self.offers or self.refusals or self.declines)

    @property
    def is_told(self) -> bool:
        """Whether a no was said again, so that it is not only silence."""
        return len(self.refusals) >= AGAIN or len(self.declines) >= AGAIN

    @property
    def is_requested(self) -> bool:
        """Whether the device asked for what it had been offered."""
        offered = self.offers[0].moment if self.offers else None
        return any(one.type == REQUEST and offered and one.moment > offered for one in self.asks)

    @property
    def is_recorded_here(self) -> bool:
        """Whether the device recorded."""
        return self.station is not None and self.station.sent > 0

    def silence(self, facts: Facts) -> Silence | None:
        """What nobody answers, unless a no was said; elsewhere an answer to one is not heard."""
        if self.is_told:
            return None
        station = self.station
        aside = station is not None and station.came_over_the_cable and not station.unicast
        asked = (one.moment for one in self.asks)
        return silence_of(facts, asked, deaf=aside and not self.is_answered)


class _Served(NamedTuple):
    """What servers offered or gave in the whole recording: to whom, who did, and from where to
    where the addresses reach.
    """

    clients: set[Hardware]
    servers: list[Address]
    low: Address | None
    high: Address | None

    def others(self, client: Hardware) -> int:
        """How many other devices were served."""
        return len(self.clients) - (client in self.clients)


def survey(case: Case) -> Iterator[Sighting]:
    linkups, facts = by(case.linkups, lambda one: id(one.pc)), case.facts
    served = _served(facts)
    for pc in case.pcs:
        vain = None if pc.hardware is None else _vain(facts, pc.hardware)
        if vain is None or _has_another(pc):
            continue
        helps_itself = any(map(is_self_assigned, pc.addresses))
        if helps_itself and not vain.is_answered and not served.others(vain.client):
            continue
        own = linkups[id(pc)]
        begun = vain.asks[0].moment
        about: Sequence[LinkUp | None] = [one for one in own if not one.is_heard_after(begun)]
        for linkup in about if own else [None]:
            yield _sighting(facts, vain, served, linkup)
    if case.pc is None:
        known = {one.hardware for one in case.pcs}
        devices = [one for one in facts.index.dhcp_of if one is not None and one not in known]
        vains = [vain for one in devices if (vain := _vain(facts, one)) is not None]
        if vains:
            yield _sighting(facts, vains[0], served, devices=len(vains))


def _served(facts: Facts) -> _Served:
    given = [one for one in facts.dhcp if not one.from_client]
    addresses = [one.offered for one in given if one.offered]
    return _Served(
        clients={one.client for one in given if one.offered},
        servers=sorted({one.server for one in given if one.server}),
        low=min(addresses, default=None),
        high=max(addresses, default=None),
    )


def _vain(facts: Facts, client: Hardware) -> _Vain | None:
    """What a device asked for in vain; None where it asked for nothing, where an address given
    before still holds, and where it uses one afterwards that it did not give itself.
    """
    said = facts.index.dhcp_of[client]
    grants = [at for at, one in enumerate(said) if _is_grant(one) and not _is_declined(said, at)]
    since = said[grants[-1] + 1 :] if grants else said
    said_back = [one for one in since if not one.from_client]
    refusals = [one for one in said_back if one.type == NAK]
    asks = [one for one in since if _is_ask(one) and one.sender in (client, None)]
    if not asks or (grants and not refusals):
        return None
    uses = facts.index.used_by[client]
    if any(at > asks[0].moment and not is_self_assigned(address) for at, address in uses):
        return None
    return _Vain(
        client=client,
        station=facts.station(client),
        asks=asks,
        offers=[one for one in said_back if one.type == OFFER],
        refusals=refusals,
        declines=[one for one in since if one.type == DECLINE and one.from_client],
    )


def _is_ask(message: DhcpMessage) -> bool:
    return message.from_client and message.type in (BOOTP, DISCOVER, REQUEST)


def _is_grant(message: DhcpMessage) -> bool:
    gives = message.type in (ACK, BOOTP) and not message.from_client
    return gives and bool(message.offered or message.current)


def _is_declined(said: Sequence[DhcpMessage], at: int) -> bool:
    """Whether what the client says next is that it does not take the address."""
    return at + 1 < len(said) and said[at + 1].type == DECLINE


def _has_another(pc: Pc) -> bool:
    """Whether it is known to have an address that no frame shows, which no self-assigned one is."""
    used = {address for _, address in pc.facts.index.used_by[pc.hardware]} if pc.hardware else ()
    unseen = (one for one in pc.addresses if one not in used and not is_self_assigned(one))
    return pc.how_known != CALLER and any(unseen)


def _sighting(
    facts: Facts,
    vain: _Vain,
    served: _Served,
    linkup: LinkUp | None = None,
    devices: int = 0,
) -> Sighting:
    """devices: how many ask in vain of which none is known to be the PC."""
    others = served.others(vain.client)
    signs = {
        REFUSES: bool(vain.refusals),
        TAKEN: bool(vain.declines),
        UNCONFIRMED: vain.is_requested,
        FILTER: bool(vain.offers) and not vain.is_requested,
        NONE_LEFT: others > 0 and not vain.is_answered,
        NO_SERVER: not (vain.is_answered or others),
    }
    ruled_out = {
        OBSERVED: vain.is_recorded_here or vain.is_answered,
        DEAD_CABLE: vain.is_answered or len(facts.stations) > 1,
    }
    return Sighting(
        values={
            "client": vain.client,
            "is_pc": not devices,
            "devices": devices,
            "asks": len(vain.asks),
            "span": vain.asks[-1].moment.seconds - vain.asks[0].moment.seconds,
            "silent": not vain.is_answered,
            "offers": len(vain.offers),
            "refusals": len(vain.refusals),
            "declines": len(vain.declines),
            "others": others,
            "servers": served.servers,
            "low": served.low,
            "high": served.high,
        },
        frames={
            "ask": [one.moment for one in vain.asks],
            "offer": [one.moment for one in vain.offers],
            "refusal": [one.moment for one in vain.refusals],
            "decline": [one.moment for one in vain.declines],
        },
        linkup=linkup,
        level=Level.NOTE if devices else Level.FAULT,
        certainty=Certainty.SHOWN if vain.is_recorded_here or vain.is_told else Certainty.FITS,
        silence=vain.silence(facts),
        likeliest=next(name for name, seen in signs.items() if seen),
        ruled_out=[
            *(name for name, seen in signs.items() if not seen),
            *(name for name, is_out in ruled_out.items() if is_out),
        ],
    )


RULE = Rule(
    slug="no-address-given",
    stage="address",
    title="{client}{is_pc:if, the PC,} asks for an address and{fits:if, it seems,} gets none",
    what_happened="The device {client}{is_pc:if, the PC,} asked {asks:times}{span:within} for an "
    "address{silent:if, and no address server answered it}.{offers:if It was offered one "
    "{offers:times}, and never given it.}{refusals:if The server refused "
    "{refusals:times}.}{declines:if It declined what it was given, {declines:times}.}{devices:if "
    "Devices that get none here: {devices}.}{others:if {others:count other device} got an "
    "answer meanwhile.}{servers:if Servers heard: {servers:list}.}{low:if Of the "
    "addresses offered or given here, the lowest is {low} and the highest {high}.}",
    means="Without an address a device cannot send anything to the controller. So this comes "
    "first.",
    likely_causes={
        NO_SERVER: "No address server is on this network, as on plants with fixed addresses.",
        NONE_LEFT: "The server has no free address left, or gives them to devices that it knows "
        "only.",
        REFUSES: "The server does not allow the address that the PC asks for: the PC comes from "
        "another network, or a second server gave it that one.",
        TAKEN: "Another device already uses the address that the server gives.",
        UNCONFIRMED: "The server offers and does not confirm: it is overloaded, or its list and "
        "its offers do not agree.",
        FILTER: "A firewall or security program on the PC drops the server's offers.",
    },
    what_to_do=(
        Step(
            "Ask whoever runs the address server {servers:list} whether addresses are free, and "
            "whether {client} may have one.",
            about=NONE_LEFT,
        ),
        Step(
            "Ask whoever runs the address server {servers:list} why it refuses {client}.",
            about=REFUSES,
        ),
        Step(
            "Ask whoever looks after the network whether an address server is meant to be here.",
            about=NO_SERVER,
        ),
        Step("{declines:if Look for the device that already uses the address: {low} to {high}.}"),
        Step(
            "{offers:if Have the server's answers let through by the PC's firewall.}",
            cautions.FIREWALL,
        ),
        Step(
            "Where fixed addresses are meant, ask for a free one in the controller's network, and "
            "give it to the PC with the same mask.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "ask": "{client} asks for an address{again}",
        "offer": "a server offers {client} an address{again}",
        "refusal": "a server refuses the request of {client}{again}",
        "decline": "{client} declines the address that it was given{again}",
    },
    also_fits={
        OBSERVED: "A recording made elsewhere, where the server's answer to this device alone is "
        "not seen.",
        DEAD_CABLE: "A dead cable, which keeps an address server away too.",
        "slow server": "A server, or a switch port, that is only slow: the PC would get an address "
        "later.",
    },
    looks_alike=(
        "A renewal without an answer, while the old address still holds.",
        "One refusal, and then an offer: the PC came from another network.",
        "A PC with a fixed address, on which another program asks for one.",
        "Other devices that ask in vain.",
        "A PC that gave itself an address, and works with a controller that did the same.",
    ),
    confirm="Record on the PC while its adapter asks again: an offer in the recording means that a "
    "server is there.",
    explains=("self-assigned-address", "no-attempt"),
    sources=(
        "RFC 2131 sections 3.1 (offer, decline), 4.3.2 (refusal) and 4.4.5 (renewal)",
        "RFC 2132 sections 9.1, 9.6 and 9.7",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
