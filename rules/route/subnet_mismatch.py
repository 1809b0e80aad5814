"""PC and controller are in different networks, and nothing comes back.

- By their masks: those in the recording (the PC's; the controller's, where an address server gave
  it or its broadcasts tell it) and in the site sheet, or 255.255.255.0 for the PC where none is
  known. Where the PC then asks in vain for what looks like its gateway, that comes first.
- The PC hands its packets to a router, although the controller itself is heard on this cable.
- The PC asks in vain for what looks like its gateway and sends nothing to the controller: its mask
  leads past the controller, as far as its other frames allow that.

Shown where the controller is heard on this cable although the PC's mask or packets lead elsewhere,
and where the site sheet knows both masks and no router between the two: then it is no router's
business, whatever it says. Quiet where packets come back (a router, or a wider mask, works), unless
they came to another address that the PC had before; and where the recording is from an adapter that
leads elsewhere.
Where a message says why nothing comes back, the rules about it stand before this one in the list.
"""

from collections.abc import Iterator

from analyzer.facts import Question
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import (
    ASKED_ON_PURPOSE,
    BEGINNING,
    LinkUp,
    Network,
    heard_on_cable,
    is_gateway_number,
    needs_no_router,
    renumbered,
)
from rules import cautions

ADDRESS, MASK, SLIP, ROUTER, WRONG_GATEWAY = "address", "mask", "slip", "router", "wrong gateway"
"""Names of the causes in the rule."""
OFF, FILTER, FAR_END = "off", "filter", "far end"
OTHER_ADAPTER, NOT_TRIED = "other adapter", "not tried"
"""Names of what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    own, is_back = linkup.network, linkup.is_heard and renumbered(linkup) is None
    if own is None or is_back or linkup.is_elsewhere or linkup.self_assigned:
        return
    gateway = next(_gateways(linkup, own), None)
    if gateway is not None or not linkup.same_network or needs_no_router(linkup):
        yield _sighting(linkup, own, gateway)


def _gateways(linkup: LinkUp, own: Network) -> Iterator[Question]:
    """What looks like its gateway, for which the PC asks in vain while it sends the controller
    nothing, if nothing shows that its mask reaches to the controller.
    """
    apart = (own.address ^ linkup.controller).bit_length()
    narrow = own.is_presumed and linkup.pc.reach(own.address) < apart
    if linkup.is_tried or (linkup.same_network and not narrow):
        return
    for one in linkup.facts.index.questions_as[own.address]:
        in_vain = not one.answered and one.asked.count >= ASKED_ON_PURPOSE
        if in_vain and is_gateway_number(one.wanted):
            yield one


def _sighting(linkup: LinkUp, own: Network, gateway: Question | None) -> Sighting:
    taken, before = renumbered(linkup) or (BEGINNING, None)
    tried, sent = ([at for at in all_ if at >= taken] for all_ in (linkup.attempts, linkup.tried))
    own_questions = (one for one in linkup.questions if one.asker_ip == own.address)
    answers = sorted(answer for one in own_questions for answer in one.answers)[:1]
    here = [] if own.is_presumed and linkup.router is None else heard_on_cable(linkup)
    for_gateway = gateway.asked.moments if gateway else []
    apart, other = not linkup.same_network, linkup.controller_network
    other_known = not other.is_presumed
    other = Network(other.address, own.mask) if other.is_presumed else other
    via = linkup.router if apart and not here else None
    without_router = apart and linkup.router is None and linkup.has_no_router
    ruled_out = {
        SLIP: here or before,
        ROUTER: here,
        FILTER: here or gateway,
        OFF: here or gateway,
        FAR_END: here or gateway,
        OTHER_ADAPTER: (here and tried) or answers or before or gateway,
        WRONG_GATEWAY: gateway is None,
        NOT_TRIED: gateway is None,
    }
    return Sighting(
        values={
            "pc": own.address,
            "before": before,
            "network": str(own) if apart else None,
            "other_network": str(other) if apart else None,
            "known": not own.is_presumed,
            "outside": not own.holds(linkup.controller),
            "other_known": apart and other_known,
            "neighbour": answers[0][1] if answers else None,
            "router": linkup.router if here else None,
            "via": (sorted(linkup.facts.addresses_of(via)) or [via]) if via else [],
            "silent": via is None,
            "gateway": gateway and gateway.wanted,
            "questions": gateway.asked.count if gateway else 0,
        },
        frames={
            "taken": [taken] if before is not None else [],
            "tried": tried,
            "answered": [at for at, _ in answers],
            "here": here,
            "gateway": for_gateway,
        },
        certainty=Certainty.SHOWN if here or without_router else Certainty.FITS,
        silence=linkup.silence([*sent, *for_gateway], arrived=bool(linkup.errors)),
        likeliest=MASK if not apart else WRONG_GATEWAY if gateway else ROUTER if via else ADDRESS,
        ruled_out=[name for name, is_out in ruled_out.items() if is_out],
    )


RULE = Rule(
    slug="subnet-mismatch",
    stage="route",
    title="By address and mask, the PC {pc} and {controller} are{fits:if likely} in different "
    "networks",
    what_happened="{via:if The PC gives its packets for {controller} to the router {via:list}, and "
    "none came back.}{before:if Before, the PC had the address {before}, and {controller} answered "
    "that one.}{network:if By the PC's mask{known:mask}, its network is {network}{outside:if, "
    "and the controller lies outside}.}{other_known:if By the controller's own mask, its network "
    "is {other_network}.}{router:if The PC hands its packets to the router {router}, "
    "although {controller} itself is heard on this cable.}{gateway:if The PC asked "
    "{questions:times} for {gateway}, which looks like its gateway, and sent nothing to "
    "{controller}.}{silent:if No packet from {controller} came back.}",
    means="Devices in different networks reach each other only through a router that knows both. "
    "Without one, the PC's packets do not arrive, or the answers do not."
    "{neighbour:if Here the PC asked for the controller's hardware address itself, and {neighbour} "
    "answered. So the PC's packets arrive there, and the way back is missing.}",
    likely_causes={
        ADDRESS: "The PC has an address from another network than the controller's.",
        MASK: "The mask of the PC, or of the controller, does not fit the plant.",
        SLIP: "The address typed in the program has a slip.",
        ROUTER: "A router is needed here, and{silent:if one of both ends}{via:if the controller} "
        "has no gateway entered, or a wrong one.",
        WRONG_GATEWAY: "{gateway} is the gateway that is entered on the PC, and nobody has that "
        "address: the "
        "entry is wrong, or the router is off.",
    },
    what_to_do=(
        Step(
            "{gateway:if Compare {gateway} with the address of the router that the PC should use, "
            "and look whether that router is on.}"
        ),
        Step(
            "{via:if Ask whoever runs the router {via:list} whether it leads to {controller}, and "
            "whether a filter is in the way.}"
        ),
        Step("Write address, mask and gateway of the PC and of the controller side by side."),
        Step("Check the controller's address in the program against its display or label."),
        Step(
            "{silent:if If a router lies in between on purpose, check the gateway on both ends. "
            "Ask whoever looks after the network whether a filter is in the way.}"
        ),
        Step(
            "If no router is meant to lie in between, ask for a free address in the controller's "
            "network, and give it to the PC with the same mask.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "taken": "the PC changes its address to {pc}",
        "tried": "the PC tries to reach {controller}{again}",
        "answered": "{neighbour} answers for {controller}",
        "here": "{controller} itself is heard on this cable{again}",
        "gateway": "the PC asks for {gateway}, and nobody answers{again}",
    },
    also_fits={
        OFF: "A plant with a wider mask on both ends, where the controller is off or does not "
        "answer.",
        FILTER: "A router or filter on the way that drops the packets without a word.",
        FAR_END: "A controller behind a router that is off, or has no gateway for its answers.",
        OTHER_ADAPTER: "A recording made on another adapter than the one used.",
        NOT_TRIED: "A program that did not try, while another one of the PC looked for the "
        "gateway.",
    },
    looks_alike=(
        "A controller behind a router that answers: its packets come back.",
        "A PC that changes its address in mid-work and is answered at the new one.",
        "A wider mask that covers both addresses: they are in one network then.",
        "A PC that looks for its gateway, and for farther addresses than the controller's too.",
    ),
    confirm="Call the controller from a PC on the same switch whose address lies in the "
    "controller's network: if that works, it is the address.",
    confirm_caution=cautions.COMMANDS,
    explains=("no-attempt",),
    sources=(
        "RFC 950 section 2.2 and RFC 4632 section 3.1 (which addresses share a network)",
        "RFC 1122 section 3.3.1.1 (a host sends to its own network itself, else to a gateway)",
        "255.255.255.0 where no mask is known: common practice, no source",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4}),
    find=find,
)
