"""Another device answers at the controller's address, and not the controller.

It fits where the call is answered by a station that has an address of its own and never claimed the
controller's, while somebody else did; and where the call is refused by a station that is the
network's router. Shown where the site sheet tells the hardware address on the controller's label,
and another station that claims its address refuses; where that one takes the call, unlike-label
warns. Quiet where the controller answers requests, whatever hardware address they come from: a
redundant partner, a second adapter; where a router is in between; where the other station answers
for many addresses or has a virtual router's address; and where nobody claimed the address.
"""

from collections.abc import Iterator

from analyzer.facts import Hardware, Moment
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import Call, How, LinkUp
from rules import cautions

DEFAULT = "default address"
"""Name of this cause in the rule."""
SHEET = "slip in sheet"
"""Name of this in what would look the same: only a site sheet brings it in."""
NAMED = 3
"""Other addresses of a device that are named: enough to find it by."""


NO_WIRELESS = cautions.warning(
    "This ends every session over that link, and a program that connects can command the machine.",
    make_safe=True,
)


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if linkup.works or linkup.router is not None or not linkup.same_network:
        return
    for call in linkup.calls:
        device = _refuser(linkup, call) or _stranger(linkup, call)
        if device is not None:
            yield _sighting(linkup, call, device)
            break


def _sighting(linkup: LinkUp, call: Call, device: Hardware) -> Sighting:
    labelled, runs = _is_unlike_label(linkup, device), linkup.claims.runs[-1:]
    claimant = runs[0].hardware if runs else None
    answered = (one.session.from_server for one in linkup.calls)
    others = sorted(linkup.facts.addresses_of(device) - {linkup.controller})
    return Sighting(
        values={
            "device": device,
            "others": len(others),
            "names": others[:NAMED],
            "refused": call.how is How.REFUSED,
            "taken": call.how is not How.REFUSED,
            "claimant": claimant,
            "same": claimant == device,
            "another": claimant not in (device, None),
            "label": linkup.labelled,
        },
        frames={
            "answer": [one.first for one in answered if device in one.hardware],
            "claim": [run.first for run in runs],
            "own": _own_claims(linkup, device),
        },
        certainty=Certainty.SHOWN if labelled else Certainty.FITS,
        silence=None if call.broken else linkup.silence(call.unanswered),
        likeliest=DEFAULT if claimant not in (device, None) else "",
        ruled_out=() if labelled else (SHEET,),
    )


def _refuser(linkup: LinkUp, call: Call) -> Hardware | None:
    """Who uses the controller's address and refused the call, if it is the network's router, or the
    label is another's.
    """
    device = call.end.hardware if call.how is How.REFUSED and call.end is not None else None
    if device is None or device != linkup.hardware:
        return None
    return device if _is_unlike_label(linkup, device) or _is_router(linkup, device) else None


def _is_unlike_label(linkup: LinkUp, device: Hardware) -> bool:
    """Whether a device uses the controller's address, and the label is another's."""
    other = linkup.labelled not in (None, device) and device == linkup.hardware
    return other and linkup.facts.is_a_device(device)


def _is_router(linkup: LinkUp, device: Hardware) -> bool:
    """Whether an address server says so, or packets from other networks come through it."""
    facts = linkup.facts
    far = not all(map(linkup.pc.is_near, facts.addresses_of(device)))
    return linkup.controller in facts.index.routers or (far and not facts.is_a_device(device))


def _stranger(linkup: LinkUp, call: Call) -> Hardware | None:
    """Who answered the call without ever having claimed the address, where somebody else did."""
    answered_by = call.session.from_server.hardware
    in_vain = call.how is How.REFUSED or call.broken or call.unanswered
    if not answered_by or not in_vain or not all(map(linkup.is_stranger, answered_by)):
        return None
    device = min(answered_by)
    is_other = linkup.facts.is_a_device(device) and _own_claims(linkup, device)
    return device if is_other else None


def _own_claims(linkup: LinkUp, device: Hardware) -> list[Moment]:
    """When a station claimed other addresses than the controller's for itself."""
    others = (one for one in linkup.facts.index.claimed_by[device] if one != linkup.controller)
    runs = (run for address in others for run in linkup.facts.claims(address).runs)
    return [run.first for run in runs if run.hardware == device]


RULE = Rule(
    slug="wrong-device-answers",
    stage="port",
    title="Another device seems to answer at {controller}",
    what_happened="The PC's call to port {port} of {controller} was{refused:if refused}{taken:if "
    "answered} by {device}{another:if, while {claimant} says that it has that address}.{same:if "
    "That station says that it has {controller}.}{others:if {device} was also seen as "
    "{names:list}.}{label:label}",
    means="What answered is either a station that answers in the controller's name, or the "
    "network's router, which owns this address. The controller itself may not be there.",
    likely_causes={
        "wrong address": "The address typed in the program is that of a router, printer or "
        "other device.",
        DEFAULT: "A device with the same default address is in the network.",
        "another network": "The PC reached another network with the same addresses, such as a "
        "wireless one.",
        "second adapter": "A second adapter of the controller answers.",
    },
    what_to_do=(
        Step(
            "Compare {device} with the hardware address on the controller's label."
            "{another:if Do the same with {claimant}.}"
        ),
        Step("Look up which adapter of the PC has an address in the controller's network."),
        Step(
            "Have wireless switched off on the PC, and record again while it connects.",
            NO_WIRELESS,
        ),
        Step(
            "Cable the PC directly to the controller and record again: the hardware address that "
            "answers now is the controller's.",
            cautions.UNPLUG,
        ),
    ),
    evidence={
        "answer": "{device} answers the call{again}",
        "claim": "{claimant} says that it has {controller}",
        "own": "{device} says that it has another address{again}",
    },
    cautions=(cautions.WHICH_DEVICE,),
    also_fits={
        "two adapters": "One device with two network adapters, which answers through the other "
        "one.",
        "filter": "A filter on the way that answers in the controller's name.",
        "own router": "A controller that is the router of its own cell, with the "
        "service switched off.",
        SHEET: "A slip in the site sheet, or a controller that was replaced since it was written.",
    },
    looks_alike=(
        "A router in between: then its hardware address is the right one.",
        "A router that answers for many addresses (proxy ARP).",
        "A redundant partner that takes over: the controller answers requests all the same.",
    ),
    confirm="With the controller taken off the network by those responsible, the address must fall "
    "silent. If it still answers, it is another device.",
    confirm_caution=cautions.UNPLUG,
    explains=(
        "unlike-label",
        "path-refused",
        "port-refused",
        "session-reset",
        "request-unanswered",
        "redirected-path",
    ),
    sources=("RFC 826", "RFC 1122 section 3.3.4.2 (a host with several adapters)"),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
