"""The PC's packets arrive, and the controller sends its answers the wrong way: its own gateway or
mask is wrong.

- Neighbours of the controller, which is behind a router, answer the PC through that same router,
  and the controller does not. Their packets have passed a router by their time to live, so they are
  not the router's own.
- The controller asks for another station right behind the PC's calls, and nobody answers: that is
  the gateway that it has been given. Where the PC's packets come through a router, it may ask for
  the PC itself: its mask makes it take the PC for a neighbour.

It only fits: a controller that is off behind a router that says nothing looks the same. Quiet where
packets of the controller come back, where a message says why it cannot be reached, where the PC
hands its packets to a router although the controller is on its own cable, and where the controller
asks for others whether it is called or not.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Moment, Path, Question
from analyzer.facts.paths import FRESH
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, last_until, needs_no_router, presumed
from rules import cautions

NAMED = 3
"""Neighbours named as examples."""
AGAIN = 2
"""Questions behind the PC's calls that are no chance any more."""
BEHIND = 3.0
"""Seconds behind a call within which a station asks whom to give its answer to: three questions,
about a second apart (common practice, no source)."""
GATEWAY, NARROW, WIDE = "gateway", "narrow mask", "wide mask"
"""Names of the causes in the rule."""
OFF, FILTER, OTHER_BUSINESS = "off", "filter", "other business"
PC_WIDE, GATEWAY_OFF = "the PC's wide mask", "gateway off"
"""Names of what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if linkup.is_heard or linkup.errors or linkup.self_assigned or not linkup.is_tried:
        return
    neighbours = _neighbours(linkup)
    sought = None if needs_no_router(linkup) else next(_sought(linkup), None)
    if not neighbours and sought is None:
        return
    wide = sought is not None and sought.wanted == linkup.pc_address
    near = not neighbours and linkup.same_network
    likeliest = WIDE if wide else NARROW if near else GATEWAY
    yield Sighting(
        values={
            "neighbours": sorted(one.src_ip for one in neighbours if one.src_ip),
            "router": linkup.router if neighbours else None,
            "sought": sought and sought.wanted,
            "questions": sought.asked.count if sought else 0,
        },
        frames={
            "tried": linkup.tried,
            "neighbour": [one.first for one in neighbours],
            "sought": sought.asked.moments if sought else [],
        },
        certainty=Certainty.FITS,
        silence=linkup.silence(linkup.tried, linkup.times),
        likeliest=likeliest,
        ruled_out=[
            *([] if wide else [WIDE] if sought else []),
            *([OFF] if sought else [OTHER_BUSINESS, GATEWAY_OFF]),
            *([] if near else [PC_WIDE]),
        ],
    )


def _neighbours(linkup: LinkUp) -> list[Path]:
    """Some packets that the PC's router brings from the controller's network."""
    router = linkup.router
    if router is None or linkup.is_near:
        return []
    return linkup.pc.brought[router, presumed(linkup.controller).whole][:NAMED]


def _sought(linkup: LinkUp) -> Iterator[Question]:
    """Whom the controller asks for, each time behind a call of the PC, and nobody answers."""
    routed = bool(linkup.pc.times_to_live) and not linkup.pc.times_to_live & FRESH
    if not (linkup.same_network or routed):
        return
    pings = linkup.pings.requests.moments if linkup.pings is not None else []
    calls = sorted([*linkup.calls.sent, *pings])
    for one in linkup.facts.index.questions_as[linkup.controller]:
        other = routed or one.wanted != linkup.pc_address
        in_vain = other and one.broadcasts >= AGAIN and not one.answered
        if in_vain and all(_follows(at, calls) for at in one.asked.moments):
            yield one


def _follows(asked: Moment, calls: Sequence[Moment]) -> bool:
    call = last_until(calls, asked)
    return call is not None and asked.seconds - call.seconds <= BEHIND


RULE = Rule(
    slug="controllers-gateway-wrong",
    stage="route",
    title="The controller{fits:if, it seems,} sends its answers the wrong way: its own gateway or "
    "mask is wrong",
    what_happened="{neighbours:if No packet from {controller} came back, while others near it "
    "answer the PC through the same router {router}: {neighbours:list}.}{sought:if Behind the PC's "
    "calls, {controller} asked {questions:times} for {sought} instead of answering, and nobody "
    "answered that.}",
    means="A device gives an answer for another network to its own gateway, by its own mask."
    "{neighbours:if The PC's settings and its way there are good, as the neighbours show: do not "
    "change those.}",
    likely_causes={
        GATEWAY: "No gateway is entered on the controller, or a wrong one{sought:if, {sought}}.",
        NARROW: "The controller's mask is too narrow, so that it takes the PC for a far one and "
        "looks for its gateway.",
        WIDE: "The controller's mask is too wide: it takes the PC for a neighbour and asks for it "
        "on its own cable.",
    },
    what_to_do=(
        Step("Look whether the controller has power and a lit link lamp.", about=OFF),
        Step(
            "{neighbours:if Compare mask and gateway of the controller with those of "
            "{neighbours:list}, which work.}"
        ),
        Step(
            "Read address, mask and gateway that are set on the controller. Compare the mask with "
            "the PC's, and the gateway with the router's address in that network."
        ),
        Step("{sought:if Look whether {sought} is meant to be there, and whether it is on.}"),
        Step(
            "Have the wrong entry on the controller corrected without a change of its address.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "tried": "the PC tries to reach {controller}{again}",
        "neighbour": "a packet of a neighbour of {controller} comes through the router{again}",
        "sought": "{controller} asks for {sought}{again}",
    },
    also_fits={
        OFF: "A controller that is off or has another address, behind a router that does not say "
        "so.",
        FILTER: "A filter that drops the calls to this controller, and passes those to its "
        "neighbours.",
        OTHER_BUSINESS: "A controller that looks for a device of its own, while a filter drops the "
        "PC's calls.",
        PC_WIDE: "A PC whose own mask or address is wrong, so that it takes the controller for a "
        "neighbour.",
        GATEWAY_OFF: "A gateway that is entered right, and is off or cut off from the controller.",
    },
    looks_alike=(
        "A router that says that nobody is there.",
        "Packets of the router itself, from its address in the controller's network.",
        "A controller that asks for other stations all the time, whoever calls it.",
        "A PC that hands packets for a near controller to a router: its own mask is wrong.",
    ),
    confirm="Call the controller from a PC on its own switch with a near address: if it answers "
    "there, its way back to this PC is what is missing.",
    confirm_caution=cautions.COMMANDS,
    explains=("no-attempt",),
    sources=(
        "RFC 1122 section 3.3.1.1 (a host sends to its own network itself, else to a gateway)",
        "RFC 950 section 2.2 and RFC 4632 section 3.1 (which addresses share a network)",
        "RFC 1812 section 5.3.1 (a router takes one off the time to live)",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4}),
    find=find,
)
