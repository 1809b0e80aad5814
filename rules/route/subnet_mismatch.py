"""PC and controller are in different networks, and nothing comes back.

By the mask in the recording, or by 255.255.255.0 where it names none. Shown where the controller's
own frames are heard on this cable: then it is no router's business. Quiet where packets come back
(a router, or a wider mask, works), and where a router says itself that it cannot deliver.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import PRESUMED_MASK, Case, LinkUp, network
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        pc = linkup.pc_address
        if pc is None or linkup.same_network or linkup.self_assigned or linkup.is_heard:
            continue
        if any(error.about_src == pc for error in linkup.errors):
            continue
        mask = linkup.mask if linkup.mask is not None else PRESUMED_MASK
        tried = linkup.attempts
        yield Sighting(
            values={
                "pc": pc,
                "controller": linkup.controller,
                "network": network(pc, mask),
                "other_network": network(linkup.controller, mask),
                "known": linkup.mask is not None,
                "tries": len(tried),
            },
            frames={"tried": tried},
            linkup=linkup,
            certainty=Certainty.SHOWN if _is_on_this_cable(linkup) else Certainty.FITS,
            silent_since=max(tried, default=None),
        )


def _is_on_this_cable(linkup: LinkUp) -> bool:
    claims = linkup.facts.arp.claims.get(linkup.controller)
    if claims is None or linkup.router is not None:
        return False
    proxies = [hardware for hardware in claims.counts if linkup.facts.arp.answers_for_many(hardware)]
    return not proxies


RULE = Rule(
    slug="subnet-mismatch",
    stage="route",
    title="The PC {pc} and the controller {controller} are in different networks",
    what_happened="The PC is in the network {network}, the controller in {other_network}"
    "{known:mask}. No packet from {controller} came back.",
    means="Devices in different networks reach each other only through a router that knows both. "
    "Without one, the PC's packets do not arrive.",
    likely_causes=(
        "The PC has an address from another network than the controller's.",
        "The mask of the PC, or of the controller, does not fit the plant.",
        "The address typed in the program has a slip.",
        "A router is needed here, and one of both ends has no gateway entered, or a wrong one.",
    ),
    what_to_do=(
        Step("Write address, mask and gateway of the PC and of the controller side by side."),
        Step("Check the controller's address in the program against its display or label."),
        Step(
            "Give the PC an address in the controller's network: the same mask, another last "
            "number that no device has.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "If a router lies in between on purpose, check the gateway on both ends and ask whoever "
            "looks after the network whether a filter is in the way."
        ),
    ),
    evidence={"tried": "the PC tries to reach {controller}{nth}"},
    also_fits=(
        "A router or filter on the way that drops the packets without a word.",
        "A controller behind a router that is off, or has no gateway for its answers.",
        "A recording made on another adapter than the one used.",
    ),
    looks_alike=(
        "A controller behind a router that answers: its packets come back.",
        "A wider mask that covers both addresses: they are in one network then.",
    ),
    confirm="Set the PC to an address in the controller's network, on the same switch, and retry.",
    sources=(
        "RFC 950 section 2.2 and RFC 4632 section 3.1 (which addresses share a network)",
        "255.255.255.0 where no mask is known: common practice, no source",
    ),
    find=find,
)
