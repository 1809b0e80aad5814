"""PC and controller are in different networks, and nothing comes back.

By the masks in the recording (the PC's, or the one that an address server gave the controller), or
by 255.255.255.0 where it names none. Shown where the controller's own frames are heard on this
cable although the PC sends its packets elsewhere: then it is no router's business. Quiet where
packets come back (a router, or a wider mask, works), and where a message says why they do not.
"""

from collections.abc import Iterator

from analyzer.facts import Address
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import PRESUMED_MASK, Case, LinkUp, network
from rules import cautions

REDIRECT = 5
"""An ICMP message that names a better way, and no reason (RFC 792)."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        pc = linkup.pc_address
        if pc is None or linkup.self_assigned or linkup.is_heard:
            continue
        if any(error.about_src == pc and error.type != REDIRECT for error in linkup.errors):
            continue
        mask = linkup.mask if linkup.mask is not None else Address(PRESUMED_MASK)
        given = _mask_given_to_controller(linkup)
        others = mask if given is None else given
        if linkup.same_network and pc & others == linkup.controller & others:
            continue
        tried = linkup.attempts
        yield Sighting(
            values={
                "pc": pc,
                "controller": linkup.controller,
                "network": network(pc, mask),
                "other_network": network(linkup.controller, others),
                "known": linkup.mask is not None,
                "tries": len(tried),
            },
            frames={"tried": tried},
            linkup=linkup,
            certainty=Certainty.SHOWN if _is_on_this_cable(linkup) else Certainty.FITS,
            silent_since=linkup.last_sent,
        )


def _mask_given_to_controller(linkup: LinkUp) -> Address | None:
    """The mask that an address server gave out together with the controller's address."""
    given = [one.mask for one in linkup.facts.dhcp if one.offered == linkup.controller]
    return next((mask for mask in given if mask is not None), None)


def _is_on_this_cable(linkup: LinkUp) -> bool:
    """Whether a device here claims the address, and the PC's mask or packets lead elsewhere."""
    claims = linkup.facts.arp.claims.get(linkup.controller)
    others = {linkup.router, linkup.pc.hardware}
    owners = [one for one in claims.counts if one not in others] if claims else []
    leads_elsewhere = linkup.mask is not None or linkup.router is not None
    return leads_elsewhere and any(not linkup.facts.arp.answers_for_many(one) for one in owners)


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
            "If a router lies in between on purpose, check the gateway on both ends. Ask whoever "
            "looks after the network whether a filter is in the way."
        ),
    ),
    evidence={"tried": "the PC tries to reach {controller}{nth}"},
    also_fits=(
        "A plant with a wider mask on both ends, where the controller is off or does not answer.",
        "A router or filter on the way that drops the packets without a word.",
        "A controller behind a router that is off, or has no gateway for its answers.",
        "A recording made on another adapter than the one used.",
    ),
    looks_alike=(
        "A controller behind a router that answers: its packets come back.",
        "A wider mask that covers both addresses: they are in one network then.",
    ),
    confirm="Call the controller from a PC on the same switch whose address lies in the "
    "controller's network: if that works, it is the address.",
    sources=(
        "RFC 950 section 2.2 and RFC 4632 section 3.1 (which addresses share a network)",
        "255.255.255.0 where no mask is known: common practice, no source",
    ),
    find=find,
)
