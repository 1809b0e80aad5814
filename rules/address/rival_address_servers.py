"""Address servers (DHCP) give out addresses that do not fit together, or not the controller.

Two servers offer one device, for one request, addresses of different networks: a warning; a fault
where the PC took the one and calls in vain a controller in the network of the other. A fault too
where the controller takes an address other than the one that the PC calls in vain afterwards. Where
one server gave the PC an address in another network than the controller's, subnet-mismatch leads,
and this is a note beside it. What a server offers the PC is held against the controllers' networks.
Quiet about several servers with one range, about one server behind
several relays, about leases of different times, and about other devices' leases.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

from analyzer.facts import Address, DhcpMessage, Hardware, Moment
from analyzer.facts.dhcp import ACK, BOOTP, OFFER
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Silence, presumed_mask, silence
from rules import cautions


class _Gift(NamedTuple):
    """An address, the server that gives it, and the hardware address that this comes from."""

    server: Address | Hardware | None
    sender: Hardware | None
    address: Address


def find(case: Case) -> Iterator[Sighting]:
    given = [one for one in case.facts.dhcp if one.offered and not one.from_client]
    yield from _to_the_pc(case, given)
    for linkup in case.linkups:
        yield from _to_the_controller(linkup, given)


def _to_the_pc(case: Case, given: Sequence[DhcpMessage]) -> Iterator[Sighting]:
    own = [one for one in given if case.pc is not None and one.client == case.pc.hardware]
    rivals = _rivals(own)
    misled = [one for one in case.linkups if _is_misled(one, rivals)]
    for linkup in misled:
        since = silence(linkup.attempts, case.facts)
        yield _sighting(rivals, linkup, [linkup.controller], silence=since)
    if rivals and not misled:
        controllers = [linkup.controller for linkup in case.linkups]
        yield _sighting(rivals, None, controllers, level=Level.WARNING)
    for linkup in case.linkups if not rivals else []:
        leases = [one for one in own if one.offered == linkup.pc_address]
        if leases and not linkup.same_network and not linkup.is_heard:
            wanted = [linkup.controller]
            yield _sighting(leases, linkup, wanted, level=Level.NOTE, certainty=Certainty.FITS)


def _to_the_controller(linkup: LinkUp, given: Sequence[DhcpMessage]) -> Iterator[Sighting]:
    claims = linkup.facts.arp.claims.get(linkup.controller)
    owners = set() if claims is None else set(claims.counts) - {linkup.pc.hardware}
    own = [one for one in given if one.client in owners]
    rivals = _rivals(own)
    moves = [one for one in own if one.type in (ACK, BOOTP) and _leads_away(linkup, one)]
    vain = [at for at in linkup.attempts if moves and at > moves[0].moment]
    if vain:
        yield _sighting(moves, linkup, silence=silence(vain, linkup.facts))
    elif moves or rivals:
        yield _sighting(moves or rivals, linkup, level=Level.WARNING)


def _rivals(given: Sequence[DhcpMessage]) -> list[DhcpMessage]:
    """Offers and leases for one request, from two servers and of different networks."""
    offers = [one for one in given if one.type in (OFFER, ACK) and one.server is not None]
    found = {
        message.moment: message
        for pair in combinations(offers, 2)
        if pair[0].transaction == pair[1].transaction
        and pair[0].server != pair[1].server
        and not _share_network(*pair)
        for message in pair
    }
    return [found[moment] for moment in sorted(found)]


def _share_network(one: DhcpMessage, other: DhcpMessage) -> bool:
    """By the wider of both masks: a server with a narrower one still means the same cable."""
    mask = _mask(one) & _mask(other)
    return one.offered & mask == other.offered & mask


def _mask(message: DhcpMessage) -> int:
    return message.mask if message.mask is not None else presumed_mask(message.offered)


def _is_misled(linkup: LinkUp, rivals: Iterable[DhcpMessage]) -> bool:
    """Whether the PC got its address from one server, and calls in vain into the other's range."""
    if linkup.is_heard or linkup.same_network or not linkup.attempts:
        return False
    took_one = any(one.offered == linkup.pc_address for one in rivals)
    return took_one and any(_is_near(one, linkup.controller) for one in rivals)


def _is_near(message: DhcpMessage, controller: Address) -> bool:
    """Whether the address given shares its network with a controller."""
    return message.offered & _mask(message) == controller & _mask(message)


def _leads_away(linkup: LinkUp, lease: DhcpMessage) -> bool:
    """Whether a device that had the controller's address gets another one, and leaves it."""
    claims = linkup.facts.arp.claims[linkup.controller].runs
    seen = [run.last for run in claims if run.hardware == lease.client]
    seen += [linkup.last_heard] if linkup.last_heard is not None else []
    return lease.offered != linkup.controller and all(at < lease.moment for at in seen)


def _sighting(
    given: Sequence[DhcpMessage],
    linkup: LinkUp | None = None,
    controllers: Sequence[Address] = (),
    *,
    level: Level = Level.FAULT,
    certainty: Certainty = Certainty.SHOWN,
    silence: Silence | None = None,
) -> Sighting:
    gifts: dict[_Gift, list[Moment]] = {}
    for one in given:
        gift = _Gift(one.server or one.sender, one.sender, one.offered)
        gifts.setdefault(gift, []).append(one.moment)
    near = {one.server or one.sender for one in given if any(_is_near(one, c) for c in controllers)}
    servers = list(dict.fromkeys(one.server or one.sender for one in given))
    first, other = [*gifts, *gifts][:2]
    moments = list(gifts.values())
    return Sighting(
        values={
            "client": given[0].client,
            "server": first.server,
            "sender": first.sender,
            "address": first.address,
            "rival": other.server,
            "rival_sender": other.sender,
            "rival_address": other.address,
            "offered": list(dict.fromkeys(one.offered for one in given)),
            "servers": servers,
            "controllers": list(controllers),
            "fitting": [one for one in servers if one in near],
            "unfit": [one for one in servers if one not in near] if controllers else [],
            "senders": list(dict.fromkeys(one.sender for one in given)),
        },
        frames={
            "given": moments[0],
            "other": [moment for one in moments[1:2] for moment in one],
            "more": [moment for one in moments[2:] for moment in one],
        },
        linkup=linkup,
        level=level,
        certainty=certainty,
        silence=silence,
    )


RULE = Rule(
    slug="rival-address-servers",
    stage="address",
    title="An unexpected address server answers on this network",
    what_happened="Given to the device with hardware address {client}: {offered:list}, by the "
    "address servers {servers:list}. Those frames came from {senders:list}."
    "{fitting:if An address from {fitting:list} is in the network of {controllers:list}.}"
    "{unfit:if An address from {unfit:list} is not in the network of {controllers:list}.}",
    means="The address decides in which network a device is. With an address that does not fit the "
    "plant, PC and controller do not find each other, perhaps only after the next restart.",
    likely_causes={
        "small-router-service": (
            "A small router, or a service PC that was used as an address server, is on this "
            "network."
        ),
        "adapter-set-get": (
            "The adapter is set to get its address automatically, where fixed addresses are meant."
        ),
        "controller-asks-address": (
            "The controller asks for an address at each start, although it was given a fixed one."
        ),
    },
    what_to_do=(
        Step("Look for the hardware addresses {senders:list} on labels and in switch tables."),
        Step("Ask whoever looks after the network which address server is meant to be there."),
        Step("Have the other one taken off this network.", cautions.UNPLUG),
        Step(
            "Give the PC a fixed address in the controller's network that no other device has.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "If the controller took an address, have it set to a fixed one.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "given": "the server {server} at {sender} offers or gives {address}",
        "other": "the server {rival} at {rival_sender} offers or gives {rival_address}",
        "more": "one more server offers or gives an address to {client}",
    },
    cautions=(
        "Other controllers may have moved to new addresses too: panels and I/O can be lost at the "
        "next power-up.",
    ),
    also_fits={
        "pc-s-address": (
            "Where the PC's address is from one server only: a controller that is meant to be "
            "reached through a router, and does not answer."
        ),
    },
    looks_alike=(
        "Two servers that share one range, as redundant servers do.",
        "One server behind several relays: all offers name the same server.",
        "A PC that was moved from one network to another while the recording ran.",
    ),
    confirm="Have the PC ask for a new address a few times while recording: offers from two "
    "servers prove it.",
    explains=("address-lost",),
    sources=(
        "RFC 2131 sections 3.1 and 4.4.1 (several offers)",
        "RFC 2132 section 9.7 (server identifier)",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=find,
)
