"""PC and controller are in different networks, and nothing comes back.

By the masks in the recording (the PC's, or the one that an address server gave the controller) and
in the site sheet, or by 255.255.255.0 where none is known. Shown where the controller itself is
heard on this cable although the PC's mask or packets lead elsewhere, and where the site sheet knows
both masks and no router between the two: then it is no router's business. Quiet where packets come
back (a router, or a wider mask, works), and where the recording is from an adapter that leads
elsewhere. Where a message says why nothing comes back, the rules about it stand before this one in
the list.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Hardware
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, network, presumed_mask, silence
from rules import cautions

OTHER_ADAPTER = 3
"""Place of this in what would look the same."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        pc, controller = linkup.pc_address, linkup.controller
        if pc is None or linkup.is_heard or linkup.is_elsewhere:
            continue
        mask = linkup.mask if linkup.mask is not None else presumed_mask(pc)
        others = _mask_given_to(linkup) or _mask_in_sheet(linkup) or mask
        if all(pc & one == controller & one for one in (mask, others)):
            continue
        tried = linkup.attempts
        answers = [answer for question in linkup.questions for answer in question.answers]
        answered, neighbour = min(answers, default=(None, None))
        sent = [*tried, linkup.last_sent] if linkup.last_sent else tried
        yield Sighting(
            values={
                "pc": pc,
                "controller": controller,
                "network": network(pc, mask),
                "other_network": network(controller, others),
                "known": linkup.mask is not None,
                "tries": len(tried),
                "neighbour": neighbour,
            },
            frames={"tried": tried, "answered": [answered] if answered else []},
            linkup=linkup,
            certainty=Certainty.SHOWN if _needs_no_router(linkup) else Certainty.FITS,
            silent_since=silence(sent, case.facts),
            also_excluded=[OTHER_ADAPTER] if answered else [],
        )


def _mask_given_to(linkup: LinkUp) -> Address | None:
    """The mask that an address server gave out together with the controller's address."""
    given = (one.mask for one in linkup.facts.dhcp if one.offered == linkup.controller)
    return next(given, None)


def _mask_in_sheet(linkup: LinkUp) -> Address | None:
    return None if linkup.sheet is None else linkup.sheet.mask


def _needs_no_router(linkup: LinkUp) -> bool:
    return _is_on_this_cable(linkup) or _knows_no_router(linkup)


def _knows_no_router(linkup: LinkUp) -> bool:
    """Whether the site sheet tells masks for both, and a direct cable or no gateway on either."""
    adapter, sheet = linkup.site.adapter(linkup.pc_address), linkup.sheet
    if adapter is None or sheet is None or adapter.mask is None or sheet.mask is None:
        return False
    gateways = (adapter.gateway, sheet.gateway)
    return linkup.router is None and (sheet.cable == "direct" or gateways == (None, None))


def _is_on_this_cable(linkup: LinkUp) -> bool:
    """Whether the controller claims its address here, and the PC's mask or packets lead away."""
    claims = linkup.facts.arp.claims.get(linkup.controller)
    leads_elsewhere = linkup.mask is not None or linkup.router is not None
    owners = claims.counts if claims is not None else {}
    return leads_elsewhere and any(_has_no_other_address(linkup, one) for one in owners)


def _has_no_other_address(linkup: LinkUp, hardware: Hardware) -> bool:
    """A router that answers for the controller, and the PC, have addresses of their own."""
    everyone = linkup.facts.arp.claims.items()
    return not any(hardware in one.counts for at, one in everyone if at != linkup.controller)


RULE = Rule(
    slug="subnet-mismatch",
    stage="route",
    title="The PC {pc} and the controller {controller} are{fits:if likely} in different networks",
    what_happened="The PC is in the network {network}, the controller in {other_network}"
    "{known:mask}. No packet from {controller} came back.",
    means="Devices in different networks reach each other only through a router that knows both. "
    "Without one, the PC's packets do not arrive, or the answers do not."
    "{neighbour:if Here the PC asked for the controller's hardware address itself, and {neighbour} "
    "answered. So the PC's packets arrive there, and the way back is missing.}",
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
    evidence={
        "tried": "the PC tries to reach {controller}{again}",
        "answered": "{neighbour} answers for {controller}",
    },
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
