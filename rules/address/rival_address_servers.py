"""Address servers (DHCP) give out addresses that do not fit together, or not the controller.

Two servers offer one device, for one request, addresses of different networks: a warning; a fault
where the PC took the one and calls in vain a controller in the network of the other. A fault too
where the controller takes an address other than the one that the PC calls in vain afterwards. Where
one server gave the PC an address in another network than the controller's, subnet-mismatch leads,
and this is a note beside it. What a server offers the PC is held against the controllers' networks.
Quiet about several servers with one range, about one server behind
several relays, about leases of different times, and about other devices' leases.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, DhcpMessage, Hardware
from analyzer.facts.dhcp import ACK, BOOTP
from analyzer.facts.index import Groups, by
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Silence, presumed
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    given = case.facts.index.given_to
    if case.pc is not None:
        found = _to_the_pc(case, given[case.pc.hardware])
        told = {"to_pc": True, "to_another": False}
        yield from (one._replace(values={**one.values, **told}) for one in found)
    for linkup in case.linkups:
        yield from _to_the_controller(linkup, [one for own in linkup.owners for one in given[own]])


def _to_the_pc(case: Case, given: Sequence[DhcpMessage]) -> Iterator[Sighting]:
    rivals = _rivals(given)
    taken = {one.offered for one in rivals}
    misled = [
        one
        for one in case.linkups
        if one.pc_address in taken and one.attempts and not one.in_reach
        if _near(rivals, [one.controller])
    ]
    for linkup in misled:
        silence = linkup.silence(linkup.in_vain)
        yield _sighting(rivals, linkup, [linkup.controller], silence=silence)
    if rivals and not misled:
        controllers = [linkup.controller for linkup in case.linkups]
        yield _sighting(rivals, None, controllers, level=Level.WARNING)
    leases: Groups[Address | None, DhcpMessage] = by(
        () if rivals else given, lambda one: one.offered
    )
    for linkup in case.linkups:
        own = leases[linkup.pc_address]
        if own and not linkup.in_reach:
            wanted = [linkup.controller]
            yield _sighting(own, linkup, wanted, level=Level.NOTE, certainty=Certainty.FITS)


def _to_the_controller(linkup: LinkUp, given: Sequence[DhcpMessage]) -> Iterator[Sighting]:
    moves = [one for one in given if one.type in (ACK, BOOTP) and _leads_away(linkup, one)]
    vain = [at for at in linkup.in_vain if moves and at > moves[0].moment]
    if vain:
        yield _sighting(moves, linkup, silence=linkup.silence(vain))
    elif rivals := moves or _rivals(given):
        yield _sighting(rivals, linkup, level=Level.WARNING)


def _leads_away(linkup: LinkUp, lease: DhcpMessage) -> bool:
    """Whether a device that had the controller's address is given another one, and leaves it."""
    return lease.offered != linkup.controller and not linkup.is_alive_after(lease.moment)


def _rivals(given: Sequence[DhcpMessage]) -> list[DhcpMessage]:
    """Offers and leases for one request, where those of two servers are of different networks."""
    requests = by(given, lambda one: one.transaction).values()
    return [one for group in requests if _are_rivals(group) for one in group]


def _are_rivals(offers: Sequence[DhcpMessage]) -> bool:
    """Whether another server than the first one offers an address of another network: by the wider
    of both masks, as a server with a narrower one still means the same cable.
    """
    first, *rest = offers
    others = (one for one in rest if one.server != first.server)
    return any((one.offered ^ first.offered) & _mask(one) & _mask(first) for one in others)


def _near(given: Sequence[DhcpMessage], controllers: Sequence[Address]) -> list[DhcpMessage]:
    """Those that give an address in the network of a controller, by their mask."""
    masks = set(map(_mask, given))
    wanted = {(mask, one & mask) for mask in masks for one in controllers}
    return [one for one in given if (_mask(one), one.offered & _mask(one)) in wanted]


def _mask(message: DhcpMessage) -> Address:
    return message.mask if message.mask is not None else presumed(message.offered).mask


def _server(message: DhcpMessage) -> Address | Hardware | None:
    return message.server or message.sender


def _sighting(
    given: Sequence[DhcpMessage],
    linkup: LinkUp | None = None,
    controllers: Sequence[Address] = (),
    *,
    level: Level = Level.FAULT,
    certainty: Certainty = Certainty.SHOWN,
    silence: Silence | None = None,
) -> Sighting:
    gifts = list(by(given, lambda one: (_server(one), one.sender, one.offered)).values())
    first, other = [one[0] for one in (gifts * 2)[:2]]
    servers = list(dict.fromkeys(map(_server, given)))
    near = set(map(_server, _near(given, controllers)))
    strange = [one for one in given if controllers and _server(one) not in near]
    return Sighting(
        values={
            "client": first.client,
            "to_pc": False,
            "to_another": True,
            "taken": list(dict.fromkeys(one.offered for one in given if one.type in (ACK, BOOTP))),
            "server": _server(first),
            "sender": first.sender,
            "address": first.offered,
            "rival": _server(other),
            "rival_sender": other.sender,
            "rival_address": other.offered,
            "offered": list(dict.fromkeys(one.offered for one in given)),
            "servers": servers,
            "controllers": list(controllers),
            "fitting": [one for one in servers if one in near],
            "unfit": list(dict.fromkeys(map(_server, strange))),
            "senders": list(dict.fromkeys(one.sender for one in given)),
            "misfits": not strange,
            "strangers": list(dict.fromkeys(one.sender for one in strange or given)),
        },
        frames={
            "given": [one.moment for one in gifts[0]],
            "other": [one.moment for gift in gifts[1:2] for one in gift],
            "more": [one.moment for gift in gifts[2:] for one in gift],
        },
        linkup=linkup,
        level=level,
        certainty=certainty,
        silence=silence,
    )


RULE = Rule(
    slug="rival-address-servers",
    stage="address",
    title="Addresses{unfit:if from the address server {unfit:list}}{misfits:if from an address "
    "server} do not fit{unfit:if the controller's network}",
    what_happened="{to_pc:if The PC}{to_another:if {client}} was offered {offered:list} "
    "by the address servers {servers:list}{taken:if, and took {taken:list}}. Those frames came "
    "from {senders:list}."
    "{fitting:if An address from {fitting:list} is in the network of {controllers:list}.}"
    "{unfit:if An address from {unfit:list} is not in the network of {controllers:list}.}",
    means="The address decides in which network a device is. With an address that does not fit the "
    "plant, PC and controller do not find each other, perhaps only after the next restart.",
    likely_causes={
        "small router": (
            "A small router, or a service PC that was used as an address server, is on this "
            "network."
        ),
        "automatic address": (
            "The adapter is set to get its address automatically, where fixed addresses are meant."
        ),
        "controller asks": (
            "The controller asks for an address at each start, although it was given a fixed one."
        ),
    },
    what_to_do=(
        Step(
            "Look for the hardware address {strangers:list}{unfit:if, that of the address server "
            "{unfit:list},} on labels and in switch tables."
        ),
        Step("Ask whoever looks after the network which address server is meant to be there."),
        Step("Have the other one taken off this network.", cautions.UNPLUG),
        Step(
            "Where fixed addresses are meant, ask for a free one in the controller's network, and "
            "give it to the PC.",
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
        cautions.notice(
            "Other devices may have moved to new addresses too: panels and I/O can be lost at "
            "the next power-up.",
        ),
    ),
    also_fits={
        "one server only": (
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
    confirm_caution=cautions.LINK_DROPS,
    explains=("address-lost",),
    sources=(
        "RFC 2131 sections 3.1 and 4.4.1 (several offers)",
        "RFC 2132 section 9.7 (server identifier)",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
