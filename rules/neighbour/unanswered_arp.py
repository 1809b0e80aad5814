"""The PC asked for the controller's hardware address; no reply was recorded.

Where the site sheet tells the hardware address on the label, and that one is heard with another
address, the controller is there and has been given that address. Where only stations of other
networks are heard, or the address looks like a gateway's and nobody named it, or one station has
only an address that it gave itself, the cause that fits comes first.

IPv6 asks by neighbour solicitations, and every device that speaks it has to answer them.

Quiet where a later question was answered or packets come back (a sleeping device, a cold start);
where only unicast refreshes went unanswered; and where other stations asked, not the PC. Where PC
and controller are in different networks, that is the finding; where the controller is alive all
the while, arp-silent-controller stands before this rule in the list and says more. A station that
checked the controller's address and keeps silent about it since is shown, and comes first among
the causes.
"""

from collections.abc import Iterator

from analyzer.facts import Station
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import (
    LISTENED,
    LinkUp,
    heard_of,
    hears_others_only,
    is_gateway_number,
    withdrawn,
)
from rules import cautions

SOME = 2
"""Requests for an address that are shown: enough to see that it asks again."""
OFF, OTHER_ADDRESS, LOST, VLAN, WITHDREW, TOO_WIDE, BY_DESIGN, GATEWAY, STRAYED, NO_IPV6 = (
    "off",
    "other address",
    "lost",
    "vlan",
    "withdrew",
    "too wide",
    "by design",
    "gateway",
    "strayed",
    "no ipv6",
)
"""Names of the causes below."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    asked = linkup.unanswered
    if not asked.count or linkup.is_heard or not linkup.same_network:
        return
    moved = _has_another_address(linkup)
    checked, checker = withdrawn(linkup) or (None, None)
    if checked is not None and checked > asked.last:
        checked = checker = None
    ipv4 = not linkup.is_ipv6
    asking = next(iter(linkup.facts.addressless), []) if ipv4 else []
    foreign = heard_of(linkup).outside if hears_others_only(linkup) else ()
    gateway = not linkup.target.is_named and is_gateway_number(linkup.controller)
    strayed = linkup.pc.strayed[0] if ipv4 and len(linkup.pc.strayed) == 1 else None
    stray = None if strayed is None else strayed.hardware
    alive = linkup.pc.hears(asked.first.seconds, asked.last.seconds + LISTENED)
    signs = {
        OTHER_ADDRESS: moved,
        WITHDREW: checked,
        BY_DESIGN: linkup.never_answers_arp,
        STRAYED: strayed,
        GATEWAY: gateway,
        VLAN: foreign,
        OFF: True,
    }
    told = {LOST: asking, GATEWAY: gateway, STRAYED: strayed, NO_IPV6: not ipv4}
    told |= {TOO_WIDE: ipv4, BY_DESIGN: ipv4}
    yield Sighting(
        values={
            "checker": checker,
            "tries": asked.count,
            "span": asked.last.seconds - asked.first.seconds,
            "now": moved and min(moved.addresses),
            "foreign": len(foreign),
            "asking": asking[0].client if asking else None,
            "gateway": gateway,
            "meant": not gateway,
            "ipv4": ipv4,
            "by_hand": ipv4 and not gateway,
            "strayed": stray,
            "stray": strayed and min(strayed.addresses),
        },
        frames={
            "asked": asked.moments,
            "checked": [checked],
            "moved": [moved.first] if moved else [],
            "asks": [one.moment for one in asking[:SOME]],
            "strayed": [at for at, _ in linkup.facts.index.used_by[stray][:1]],
        },
        certainty=Certainty.SHOWN if alive else Certainty.FITS,
        silence=linkup.silence(asked.moments),
        likeliest=next(name for name, sign in signs.items() if sign),
        ruled_out=[name for name, sign in told.items() if not sign],
    )


def _has_another_address(linkup: LinkUp) -> Station | None:
    """The station with the hardware address on the controller's label, where it uses an address."""
    station = linkup.facts.station(linkup.labelled)
    return station if station is not None and station.addresses else None


RULE = Rule(
    slug="unanswered-arp",
    stage="neighbour",
    title="Nothing answered at {controller}",
    what_happened="The PC {pc} asked {tries:times}{span:within} which device has the address "
    "{controller}, and no reply was recorded. Other stations are heard in this "
    "recording.{foreign:if The {foreign:count other station} heard here belong to other networks "
    "than the PC's.}{asking:if {asking} asks for an address meanwhile, and gets none.}{strayed:if "
    "{strayed} uses {stray}, which a device gives itself where it has no other.}{label:label}",
    means="Until a device replies, the PC does not know where on the cable to send its packets. It "
    "cannot start talking to {controller}.",
    likely_causes={
        OFF: "The controller is off, still starting, or not plugged into this network.",
        OTHER_ADDRESS: "The controller has another address than the one typed in the program.",
        LOST: "The controller has lost its address, and {asking} is the controller.",
        VLAN: (
            "The PC is in another VLAN, or its cable leads to another network than the "
            "controller's."
        ),
        WITHDREW: (
            "The controller checked its address when it started, met another station that has it "
            "or asks for it, and keeps silent since."
        ),
        TOO_WIDE: (
            "The PC's mask is too wide: the controller is in a network behind a router, where the "
            "PC's question does not get to."
        ),
        BY_DESIGN: (
            "The controller does not answer such questions by design, and the PC lacks the entry "
            "for it in its neighbour table (ARP table)."
        ),
        GATEWAY: (
            "{controller} is the PC's gateway and not the controller: by its address and mask, the "
            "PC looks for the controller behind that gateway."
        ),
        NO_IPV6: "The controller does not speak IPv6, or has it switched off.",
        STRAYED: "The controller has lost its address, or never had it, and gave itself {stray}.",
    },
    what_to_do=(
        Step(
            "{gateway:if Look up which gateway is entered on the PC. If it is {controller}, "
            "compare that with the router's own address.}"
        ),
        Step(
            "{gateway:if Have this recording judged once more with the real controller named: "
            "--controller and its address.}"
        ),
        Step("{meant:if Look whether the controller has power and its link lamp is lit.}"),
        Step(
            "{meant:if Compare {controller} with the address on the controller's display, label "
            "or switches.}"
        ),
        Step(
            "{ipv4:if Compare address and mask of the PC with those of the controller, side by "
            "side.}"
        ),
        Step(
            "Look through the stations heard in this recording for one that could be the "
            "controller with another address.{asking:if Look for {asking} on its label.}"
            "{strayed:if Look for {strayed} on its label.}"
        ),
        Step(
            "{by_hand:if If the maker's manual says that the controller does not answer, enter "
            "{controller} with the hardware address on its label in the PC's neighbour table (ARP "
            "table).}",
            cautions.FIXED_ENTRY,
        ),
        Step(
            "Plug the PC into the same switch as the controller and record again.", cautions.CABINET
        ),
        Step(
            "{meant:if If the controller needs to be started again, do that last.}",
            cautions.RESTART,
        ),
    ),
    evidence={
        "asked": "the PC asks for the hardware address of {controller}{again}",
        "checked": "{checker} checks whether {controller} is free; nobody uses it from then on",
        "moved": "{label}, which is on the controller's label, is heard with the address {now}",
        "asks": "{asking} asks a server for an address{again}",
        "strayed": "{strayed} uses {stray}",
    },
    cautions=(
        cautions.warning(
            "Do not search the address range of a running machine: such searches have stopped "
            "controllers and moved machines.",
        ),
    ),
    also_fits={
        "controller-never-answers": (
            "A controller that never answers such questions and sends nothing by itself."
        ),
        "cable-switch-port": "A cable or switch port that went dead before the PC asked.",
    },
    looks_alike=(
        "One question without a reply, and then an answer: a cold start.",
        "A refresh sent to one station only, and answered when asked of all.",
        "Questions of other stations, such as a search of the whole network.",
        "One question right before the end of the recording.",
    ),
    confirm="Ask from another device on the controller's own switch, such as the operator panel. "
    "A reply there points to the PC: its cable, its VLAN, its address or its mask.",
    sources=(
        "RFC 826",
        "RFC 1122 section 2.3.2.1 (at most one question a second)",
        "RFC 4861 section 7.2 (the same over IPv6)",
        "NIST SP 800-82 (searches that stopped or moved machines; from memory)",
    ),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
