"""The device that takes the PC's calls is not the one on the site sheet's label.

Quiet without a sheet that tells the label; where the port does not open, since another rule speaks
then; where a router is in between or answers for others, whose hardware address is the right one;
for a virtual router's address; and where the device on the label was seen with the controller's
address too, as in a redundant pair that takes turns.
"""

from collections.abc import Iterator

from analyzer.facts import Hardware, Moment
from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, Stage, answers_for_many
from rules import cautions


def find(linkup: LinkUp) -> Iterator[Sighting]:
    device = _answering(linkup)
    if device is None or linkup.labelled in (None, device):
        return
    yield Sighting(
        values={"device": device},
        frames={
            "claim": [run.first for run in linkup.claims.by(device)][:1],
            "answer": _answers(linkup, device),
        },
    )


def _answering(linkup: LinkUp) -> Hardware | None:
    """The device with the controller's address on the PC's own network, where its port opens."""
    facts, device, claims = linkup.facts, linkup.hardware, linkup.claims
    if device is None or Stage.PORT not in linkup.proofs:
        return None
    if not linkup.same_network or not facts.is_a_device(device):
        return None
    if linkup.labelled in claims.counts or answers_for_many(facts, device, linkup.controller):
        return None
    return device if claims.runs or not linkup.presumes_mask else None


def _answers(linkup: LinkUp, device: Hardware) -> list[Moment]:
    """The first packet with the controller's address that the device sent."""
    paths = linkup.facts.index.packets_from[linkup.controller]
    return sorted(one.first for one in paths if one.src == device)[:1]


RULE = Rule(
    slug="unlike-label",
    stage="neighbour",
    level=Level.WARNING,
    title="The device that answers at {controller} is not the one on the site sheet's label",
    what_happened="{device} has the address {controller}, and takes the PC's calls.{label:label}",
    means="The PC talks with a device, and it may not be the controller that is meant. What the "
    "program sends goes to the device that answers, and to the machine behind it.",
    likely_causes={
        "replaced": (
            "The controller or its network card was replaced, and the site sheet has the old label."
        ),
        "slip": (
            "The site sheet has a slip, or the hardware address of another socket of the "
            "controller."
        ),
        "another device": (
            "Another device has this address: one with the same default, or a copy of the "
            "controller."
        ),
        "another machine": "The PC is plugged into another machine with the same addresses.",
    },
    what_to_do=(
        Step("Compare {device} and {label} with the hardware address on the controller's label."),
        Step(
            "Where the label has {device}: ask whether the controller was replaced, and correct "
            "the site sheet."
        ),
        Step(
            "Where it has {label}: follow the cable from the PC, and look for the device that has "
            "{device}."
        ),
    ),
    evidence={
        "claim": "{device} says that it has {controller}",
        "answer": "{device} sends a packet as {controller}",
    },
    cautions=(cautions.WHICH_DEVICE,),
    also_fits={
        "the one meant": (
            "A replaced unit, or a slip in the site sheet: then this is the controller that is "
            "meant."
        ),
        "redundant pair": (
            "A redundant pair, of which the sheet names the partner that is not in charge now."
        ),
        "several sockets": (
            "A controller with several sockets, each with a hardware address of its own."
        ),
    },
    looks_alike=(
        "A controller behind a router: the hardware address is the router's.",
        "A virtual router's or a redundant pair's shared address.",
        "A pair that takes turns: the device on the label had the address too.",
    ),
    confirm="Read the hardware address on the controller itself, on its label or display.",
    sources=("RFC 826 (the pair of addresses that a device tells)",),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
