"""PC and controller are in different networks, and nothing comes back.

- By their masks: those in the recording (the PC's; the controller's, where an address server gave
  it or its broadcasts tell it) and in the site sheet, or 255.255.255.0 for the PC where none is
  known. Where the PC then asks in vain for what looks like its gateway, that comes first.
- The PC hands its packets to a router, although the controller itself is heard on this cable.
- The PC asks in vain for what looks like its gateway and sends nothing to the controller: its mask
  leads past the controller, as far as its other frames allow that.
- The controller asks for another station right behind the PC's calls: its mask leads past the PC.

Shown where the controller is heard on this cable although the PC's mask or packets lead elsewhere,
and where the site sheet knows both masks and no router between the two: then it is no router's
business, whatever it says. Quiet where packets come back (a router, or a wider mask, works), unless
they came to another address that the PC had before; where the PC gave itself an address; and where
the recording is from an adapter that leads elsewhere.
Where a message says why nothing comes back, the rules about it stand before this one in the list.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analyzer.facts import Address, Moment, Question
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import (
    ASKED_ON_PURPOSE,
    LinkUp,
    Network,
    heard_on_cable,
    is_gateway_number,
    last_until,
    renumbered,
)
from rules import cautions

AGAIN = 2
"""Questions behind the PC's calls that are no chance any more."""
BEHIND = 3.0
"""Seconds behind a call within which a station asks whom to give its answer to: three questions,
about a second apart (common practice, no source)."""
ADDRESS, MASK, SLIP, ROUTER, WRONG_GATEWAY = "address", "mask", "slip", "router", "wrong gateway"
"""Names of the causes in the rule."""
OFF, FILTER, FAR_END, OTHER_ADAPTER, NOT_TRIED, OTHER_BUSINESS = (
    "off",
    "filter",
    "far end",
    "other adapter",
    "not tried",
    "other business",
)
"""Names of what would look the same."""


@dataclass(frozen=True, slots=True)
class _Sign:
    """What shows it. networks: the PC's and the controller's; gateway: asked for by the PC; sought:
    another station, asked for by the controller.
    """

    networks: tuple[Network, Network] | None = None
    gateway: Question | None = None
    sought: Question | None = None


def find(linkup: LinkUp) -> Iterator[Sighting]:
    moved = renumbered(linkup)
    if linkup.network is None or linkup.is_elsewhere or linkup.self_assigned:
        return
    if linkup.is_heard and moved is None:
        return
    for look in (_by_masks, _past_this_cable, _past_the_controller, _past_the_pc):
        sign = look(linkup, linkup.network)
        if sign is not None:
            yield _sighting(linkup, linkup.network, sign, moved)
            break


def _by_masks(linkup: LinkUp, own: Network) -> _Sign | None:
    if linkup.same_network:
        return None
    other = linkup.controller_network
    other = Network(other.address, own.mask) if other.is_presumed else other
    in_vain = [] if linkup.is_tried else _gateways_asked_for(linkup, own.address)
    gone = (one for one in in_vain if _is_silent(one, linkup))
    return _Sign((own, other), gateway=next(gone, None))


def _is_silent(question: Question, linkup: LinkUp) -> bool:
    asked = linkup.silence(question.asked.moments, question.asked.count)
    return asked is not None and asked.is_evidence


def _past_this_cable(linkup: LinkUp, own: Network) -> _Sign | None:
    return _Sign() if linkup.router is not None and heard_on_cable(linkup) else None


def _past_the_controller(linkup: LinkUp, own: Network) -> _Sign | None:
    """The PC asks for a gateway in vain, and nothing shows that its mask holds the controller."""
    if linkup.is_tried or not own.is_presumed:
        return None
    reach = linkup.pc.reach(own.address)
    if reach >= (own.address ^ linkup.controller).bit_length():
        return None
    return next((_Sign(gateway=one) for one in _gateways_asked_for(linkup, own.address)), None)


def _gateways_asked_for(linkup: LinkUp, own: Address) -> Iterator[Question]:
    """The PC's questions in vain for what looks like its gateway."""
    for one in linkup.facts.index.questions_as[own]:
        in_vain = not one.answered and one.asked.count >= ASKED_ON_PURPOSE
        if in_vain and one.asker == linkup.pc.hardware and is_gateway_number(one.wanted):
            yield one


def _past_the_pc(linkup: LinkUp, own: Network) -> _Sign | None:
    """The controller asks for another station, each time behind a call of the PC."""
    calls = linkup.calls.sent
    calls += linkup.pings.requests.moments if linkup.pings is not None else []
    calls.sort()
    for one in linkup.facts.index.questions_as[linkup.controller]:
        its_own = one.asker == linkup.hardware and one.wanted != own.address
        if its_own and one.broadcasts >= AGAIN and _follows(one, calls):
            return _Sign(sought=one)
    return None


def _follows(question: Question, calls: Sequence[Moment]) -> bool:
    return all(
        (call := last_until(calls, at)) is not None and at.seconds - call.seconds <= BEHIND
        for at in question.asked.moments
    )


def _sighting(
    linkup: LinkUp, own: Network, sign: _Sign, moved: tuple[Moment, Address] | None
) -> Sighting:
    taken, before = moved or (None, None)
    asked = sign.gateway or sign.sought
    tried, sent = (
        [one for one in moments if taken is None or one >= taken]
        for moments in (linkup.attempts, linkup.sent)
    )
    answers = [
        answer
        for question in linkup.questions
        if before is None or question.asker_ip == own.address
        for answer in question.answers
    ]
    answered, neighbour = min(answers, default=(None, None))
    here = heard_on_cable(linkup) if not own.is_presumed or linkup.router is not None else []
    return Sighting(
        values={
            "pc": own.address,
            "before": before,
            "network": sign.networks and str(sign.networks[0]),
            "other_network": sign.networks and str(sign.networks[1]),
            "known": not own.is_presumed,
            "neighbour": neighbour,
            "router": linkup.router if here else None,
            "gateway": sign.gateway and sign.gateway.wanted,
            "sought": sign.sought and sign.sought.wanted,
            "questions": asked.asked.count if asked is not None else 0,
        },
        frames={
            "taken": [taken] if taken is not None else [],
            "tried": tried,
            "answered": [answered] if answered is not None else [],
            "here": here,
            "gateway": sign.gateway.asked.moments if sign.gateway is not None else [],
            "sought": sign.sought.asked.moments if sign.sought is not None else [],
        },
        certainty=Certainty.SHOWN if here or _knows_no_router(linkup) else Certainty.FITS,
        silence=linkup.silence(
            sent or (asked.asked.moments if asked is not None else []),
            arrived=bool(linkup.errors),  # a message says what became of it
        ),
        likeliest=_likeliest(sign),
        ruled_out=list(
            _ruled_out(
                sign,
                bool(here),
                moved=before is not None,
                used=bool(here and tried) or answered is not None or before is not None,
            )
        ),
    )


def _likeliest(sign: _Sign) -> str:
    if sign.networks is None:
        return MASK
    return ADDRESS if sign.gateway is None else WRONG_GATEWAY


def _ruled_out(sign: _Sign, here: bool, *, moved: bool, used: bool) -> Iterator[str]:
    """here: the controller is heard on this cable; moved: it answered the PC's address of before;
    used: the PC's tries on this adapter reach something.
    """
    if here or moved:
        yield SLIP
    if here:
        yield ROUTER
    if here or sign.gateway is not None:
        yield from (OFF, FILTER, FAR_END)
    if used or sign.gateway is not None:
        yield OTHER_ADAPTER
    if sign.gateway is None:
        yield from (WRONG_GATEWAY, NOT_TRIED)
    yield from (OFF, FAR_END) if sign.sought is not None else (OTHER_BUSINESS,)


def _knows_no_router(linkup: LinkUp) -> bool:
    """Whether the site sheet tells different masks, and a direct cable or no gateway on either."""
    adapter, sheet = linkup.site.adapter(linkup.pc_address), linkup.sheet
    if linkup.same_network or adapter is None or sheet is None:
        return False
    if adapter.mask is None or sheet.mask is None or linkup.router is not None:
        return False
    return sheet.cable == "direct" or (adapter.gateway, sheet.gateway) == (None, None)


RULE = Rule(
    slug="subnet-mismatch",
    stage="route",
    title="By address and mask, the PC {pc} and {controller} are{fits:if likely} in different "
    "networks",
    what_happened="No packet from {controller} came back."
    "{before:if Before, the PC had the address {before}, and {controller} answered that one.}"
    "{network:if The PC is in the network {network}, the controller in {other_network}"
    "{known:mask}.}"
    "{router:if The PC hands its packets to the router {router}, although {controller} itself is "
    "heard on this cable.}"
    "{gateway:if The PC asked {questions:times} for {gateway}, which looks like its gateway, and "
    "sent nothing to {controller}.}"
    "{sought:if Behind the PC's calls, {controller} asked {questions:times} for {sought} instead "
    "of answering.}",
    means="Devices in different networks reach each other only through a router that knows both. "
    "Without one, the PC's packets do not arrive, or the answers do not."
    "{neighbour:if Here the PC asked for the controller's hardware address itself, and {neighbour} "
    "answered. So the PC's packets arrive there, and the way back is missing.}",
    likely_causes={
        ADDRESS: "The PC has an address from another network than the controller's.",
        MASK: "The mask of the PC, or of the controller, does not fit the plant.",
        SLIP: "The address typed in the program has a slip.",
        ROUTER: "A router is needed here, and one of both ends has no gateway entered, or a wrong "
        "one.",
        WRONG_GATEWAY: "{gateway} is the gateway that is entered on the PC, and nobody has that "
        "address: the "
        "entry is wrong, or the router is off.",
    },
    what_to_do=(
        Step(
            "{gateway:if Compare {gateway} with the address of the router that the PC should use, "
            "and look whether that router is on.}"
        ),
        Step("Write address, mask and gateway of the PC and of the controller side by side."),
        Step("Check the controller's address in the program against its display or label."),
        Step(
            "Give the PC an address in the controller's network: the same mask, another last "
            "number that no device has.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "If a router lies in between on purpose, check the gateway on both ends. Ask whoever "
            "looks after the network whether a filter is in the way."
        ),
    ),
    evidence={
        "taken": "the PC changes its address to {pc}",
        "tried": "the PC tries to reach {controller}{again}",
        "answered": "{neighbour} answers for {controller}",
        "here": "{controller} itself is heard on this cable{again}",
        "gateway": "the PC asks for {gateway}, and nobody answers{again}",
        "sought": "{controller} asks for {sought}{again}",
    },
    also_fits={
        OFF: "A plant with a wider mask on both ends, where the controller is off or does not "
        "answer.",
        FILTER: "A router or filter on the way that drops the packets without a word.",
        FAR_END: "A controller behind a router that is off, or has no gateway for its answers.",
        OTHER_ADAPTER: "A recording made on another adapter than the one used.",
        NOT_TRIED: "A program that did not try, while another one of the PC looked for the "
        "gateway.",
        OTHER_BUSINESS: "A controller that looks for a device of its own, while a filter drops the "
        "PC's calls.",
    },
    looks_alike=(
        "A controller behind a router that answers: its packets come back.",
        "A PC that changes its address in mid-work and is answered at the new one.",
        "A wider mask that covers both addresses: they are in one network then.",
        "A PC that looks for its gateway, and for farther addresses than the controller's too.",
        "A controller that asks for other stations all the time, whoever calls it.",
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
    find=find,
)
