"""The controller is alive and does not answer the PC's question for its hardware address.

Alive: frames with its address as sender stand on both sides of a question. A note only where
packets go both ways all the same, because the PC has the hardware address entered by hand. Quiet
where any question was answered, where the controller is only heard before it went off or after it
started, and where the networks differ: then that is the finding.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

NARROWER_MASK, BY_DESIGN = "narrower mask", "by design"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    asked, alive = linkup.unanswered, linkup.uses
    if not asked.count or not alive or not linkup.in_reach:
        return
    (first, _), (last, hardware) = alive[0], alive[-1]
    if first > asked.last or last < asked.first:
        return
    goes_both_ways = linkup.sent_to and linkup.is_heard_after(asked.first)
    yield Sighting(
        values={"hardware": hardware, "tries": asked.count},
        frames={"asked": asked.moments, "alive": [first, last]},
        level=Level.NOTE if goes_both_ways else Level.FAULT,
        silence=linkup.silence(asked.moments),
        likeliest=BY_DESIGN if linkup.never_answers_arp else NARROWER_MASK,
    )


RULE = Rule(
    slug="arp-silent-controller",
    stage="neighbour",
    title="{controller} is alive and does not tell the PC its hardware address",
    what_happened="The PC {pc} asked {tries:times} for the hardware address of {controller}, which "
    "sent frames itself meanwhile, and no reply was recorded.",
    means="So the controller has power, a cable and that address. Without a reply, the PC learns "
    "that hardware address only from a question of the controller, or by hand.",
    likely_causes={
        NARROWER_MASK: (
            "The controller ignores questions from an address outside its own network: its mask is "
            "narrower than the PC's."
        ),
        BY_DESIGN: (
            "This controller does not answer such questions by design: its hardware address has to "
            "be entered on the PC by hand."
        ),
        "went quiet": (
            "The controller went quiet because it thinks that its address is used twice."
        ),
    },
    what_to_do=(
        Step("Compare address and mask of the PC with those of the controller, side by side."),
        Step(
            "If the PC is outside the controller's network, ask for a free address inside, and "
            "give that to the PC.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "Read the hardware address on the controller's label and compare it with {hardware}, "
            "the one heard in this recording."
        ),
        Step(
            "If the maker's manual asks for it, enter {controller} with that hardware address in "
            "the PC's neighbour table (ARP table), and try again.",
            cautions.FIXED_ENTRY,
        ),
    ),
    evidence={
        "asked": "the PC asks for the hardware address of {controller}{again}",
        "alive": "a frame sent by {controller} itself",
    },
    also_fits={
        "reply lost": "A reply that gets lost on its way to the PC only.",
    },
    looks_alike=(
        "A link that works without any question: the PC still knows the hardware address.",
        "One question without a reply, and the next one answered.",
    ),
    confirm="Ask from a PC whose address lies inside the controller's own network: a reply there "
    "points to the mask.",
    sources=("RFC 826 (no check of the asker's network is required)",),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
