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

from analyzer.facts import Address, Claims, Hardware, Moment, Session
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, presumed_mask
from rules import cautions

SHEET = "slip-site-sheet"
"""Place among what would look the same that only a site sheet brings in."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if linkup.works or linkup.router is not None or not linkup.same_network:
        return
    for session in linkup.called:
        unlike_label = _unlike_label(linkup, session)
        device = unlike_label or _stranger(linkup, session) or _router(linkup, session)
        if device is None:
            continue
        claims = linkup.facts.arp.claims.get(linkup.controller, Claims())
        claimant = claims.runs[-1].hardware if claims.runs else None
        yield Sighting(
            values={
                "controller": linkup.controller,
                "port": session.server.port,
                "device": device,
                "others": len(_other_addresses(linkup, device)),
                "claimant": claimant,
                "same": claimant == device,
                "another": claimant not in (device, None),
                "label": linkup.labelled,
            },
            frames={
                "answer": _answers(linkup, device),
                "claim": [claims.runs[-1].first] if claims.runs else [],
                "own": _own_claims(linkup, device),
            },
            certainty=Certainty.SHOWN if unlike_label else Certainty.FITS,
            silence=linkup.silence([session.waits_since] if session.waits_since else []),
            also_excluded=() if unlike_label else (SHEET,),
        )
        break


def _unlike_label(linkup: LinkUp, session: Session) -> Hardware | None:
    """Who uses the controller's address and turned the call down, if the label is another's."""
    device, label = linkup.hardware, linkup.labelled
    if label is None or device is None or device in (label, linkup.pc.hardware):
        return None
    in_vain = session.refused or session.broken_by
    answered = session.from_server.hardware == {device} and not session.is_open
    return device if in_vain and answered and linkup.facts.is_a_device(device) else None


def _stranger(linkup: LinkUp, session: Session) -> Hardware | None:
    """Who answered the call without ever having claimed the address, where somebody else did."""
    claims = linkup.facts.arp.claims.get(linkup.controller)
    senders = session.from_server.hardware
    in_vain = session.refused or session.broken_by or session.waits_since
    if claims is None or not senders or not in_vain or senders & claims.counts.keys():
        return None
    device = min(senders)
    is_other = linkup.facts.is_a_device(device) and _own_claims(linkup, device)
    return device if is_other and device != linkup.pc.hardware else None


def _router(linkup: LinkUp, session: Session) -> Hardware | None:
    """Who refused the call, if the address is that of the network's router."""
    if session.refused is None or linkup.hardware is None:
        return None
    named = any(linkup.controller in message.routers for message in linkup.facts.dhcp)
    station = linkup.facts.station(linkup.hardware)
    forwards = station is not None and station.is_router and _brings_others(linkup)
    refused_itself = session.refused.hardware == linkup.hardware
    return linkup.hardware if refused_itself and (named or forwards) else None


def _brings_others(linkup: LinkUp) -> bool:
    """Whether packets from other networks come with the controller's hardware address."""
    if linkup.pc_address is None or linkup.hardware is None:
        return False
    mask = linkup.mask if linkup.mask is not None else presumed_mask(linkup.pc_address)
    others = _other_addresses(linkup, linkup.hardware)
    return any(one & mask != linkup.controller & mask for one in others)


def _other_addresses(linkup: LinkUp, device: Hardware) -> set[Address]:
    station = linkup.facts.station(device)
    return set() if station is None else set(station.addresses) - {linkup.controller}


def _own_claims(linkup: LinkUp, device: Hardware) -> list[Moment]:
    """When a station claimed other addresses than the controller's for itself."""
    return [
        run.first
        for address, claims in linkup.facts.arp.claims.items()
        for run in claims.runs
        if run.hardware == device and address != linkup.controller
    ]


def _answers(linkup: LinkUp, device: Hardware) -> list[Moment]:
    answered = (one for one in linkup.called if device in one.from_server.hardware)
    return [one.from_server.first for one in answered if one.from_server.first]


RULE = Rule(
    slug="wrong-device-answers",
    stage="port",
    title="Another device seems to answer at {controller}",
    what_happened="The PC's call to port {port} of {controller} was answered by {device}."
    "{another:if The station that says it has {controller} is {claimant}.}"
    "{same:if That station says that it has {controller}.}"
    "{others:if {device} was seen with {others:count other address}.}{label:label}",
    means="What answered is either a station that answers in the controller's name, or the "
    "network's router, which owns this address. The controller itself may not be there.",
    likely_causes={
        "address-typed-program": "The address typed in the program is that of a router, printer or "
        "other device.",
        "device-same-default": "A device with the same default address is in the network.",
        "pc-reached-another": "The PC reached another network with the same addresses, such as a "
        "wireless one.",
        "second-adapter-controller": "A second adapter of the controller answers.",
    },
    what_to_do=(
        Step(
            "Compare {device} with the hardware address on the controller's label."
            "{another:if Do the same with {claimant}.}"
        ),
        Step("Look up which adapter of the PC has an address in the controller's network."),
        Step(
            "Have wireless switched off on the PC while you connect, then record again.",
            cautions.LINK_DROPS,
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
        "one-device-two": "One device with two network adapters, which answers through the other "
        "one.",
        "filter-way-answers": "A filter on the way that answers in the controller's name.",
        "controller-router-own": "A controller that is the router of its own cell, with the "
        "service switched off.",
        "slip-site-sheet": "A slip in the site sheet, or a controller that was replaced since it "
        "was written.",
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
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
