"""The PC asked for the controller's hardware address; no reply was recorded.

Where the site sheet tells the hardware address on the label, and that one is heard with another
address, the controller is there and has been given that address. Where only stations of other
networks are heard, or the address looks like a gateway's and nobody named it, or one station has
only an address that it gave itself, the cause that fits comes first.

Quiet where a later question was answered or packets come back (a sleeping device, a cold start);
where only unicast refreshes went unanswered; and where other stations asked, not the PC. Where PC
and controller are in different networks, that is the finding; where the controller is alive all
the while, arp-silent-controller stands before this rule in the list and says more. A station that
checked the controller's address and keeps silent about it since is shown, and comes first among
the causes.
"""

from collections.abc import Iterator, Mapping, Sequence

from analyzer.facts import DhcpMessage, Moment, Station
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import (
    LISTEN_AFTER,
    LinkUp,
    heard_of,
    hears_others_only,
    is_gateway_number,
    is_self_assigned,
    silence,
    withdrawn,
)
from rules import cautions

ENOUGH = 2
"""Questions without a reply; a single one may have been lost."""
OFF, OTHER_ADDRESS, LOST, VLAN, WITHDREW, TOO_WIDE, BY_DESIGN, GATEWAY, STRAYED = (
    "off",
    "other address",
    "lost",
    "vlan",
    "withdrew",
    "too wide",
    "by design",
    "gateway",
    "strayed",
)
"""Names of the causes below."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    asked = [question for question in linkup.questions if question.broadcasts]
    if not asked or _is_explained(linkup):
        return
    moments = sorted(moment for question in asked for moment in question.asked.moments)
    tries = sum(question.asked.count for question in asked)
    moved = _has_another_address(linkup)
    sure = tries >= ENOUGH and (moved is not None or _others_heard(linkup, moments))
    checked, checker = withdrawn(linkup) or (None, None)
    withdrew = checked is not None and checked < moments[-1]
    asks = _asks_for_an_address(linkup)
    foreign = len(heard_of(linkup)[1]) if hears_others_only(linkup) else 0
    gateway = _may_be_the_gateway(linkup)
    strayed = _strayed(linkup)
    yield Sighting(
        values={
            "checker": checker if withdrew else None,
            "pc": asked[0].asker_ip,
            "controller": linkup.controller,
            "tries": tries,
            "span": moments[-1].seconds - moments[0].seconds,
            "label": linkup.labelled,
            "now": min(moved.addresses) if moved is not None else None,
            "foreign": foreign,
            "asking": asks[0].client if asks else None,
            "gateway": gateway,
            "meant": not gateway,
            "strayed": strayed and strayed.hardware,
            "stray": strayed and min(strayed.addresses),
        },
        frames={
            "asked": moments,
            "checked": [checked] if checked and withdrew else [],
            "moved": [moved.first] if moved is not None else [],
            "asks": [one.moment for one in asks[:ENOUGH]],
            "strayed": _uses(linkup, strayed)[:1] if strayed is not None else [],
        },
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        silence=silence(moments, linkup.facts),
        likeliest=_first_of(
            {
                OTHER_ADDRESS: moved is not None,
                WITHDREW: withdrew,
                BY_DESIGN: linkup.never_answers_arp,
                STRAYED: strayed is not None,
                GATEWAY: gateway,
                VLAN: foreign > 0,
            }
        ),
        excluded=[
            *([] if asks else [LOST]),
            *([] if gateway else [GATEWAY]),
            *([] if strayed is not None else [STRAYED]),
        ],
    )


def _is_explained(linkup: LinkUp) -> bool:
    answered = any(question.answered for question in linkup.questions)
    return answered or linkup.is_heard or not linkup.same_network


def _has_another_address(linkup: LinkUp) -> Station | None:
    """The station with the hardware address on the controller's label, where it uses an address."""
    station = linkup.facts.station(linkup.labelled)
    return station if station is not None and station.addresses else None


def _first_of(signs: Mapping[str, bool]) -> str:
    """The first cause of which there is a sign."""
    return next((place for place, seen in signs.items() if seen), OFF)


def _asks_for_an_address(linkup: LinkUp) -> list[DhcpMessage]:
    """Requests of a station that has no address and gets none."""
    facts = linkup.facts
    given = {one.client for one in facts.dhcp if one.offered and not one.from_client}
    for station in facts.stations:
        hardware = station.hardware
        if hardware is None or station.addresses or hardware in (linkup.pc.hardware, *given):
            continue
        if len(asks := facts.address_requests(hardware)) >= ENOUGH:
            return asks
    return []


def _strayed(linkup: LinkUp) -> Station | None:
    """The one other station that has only an address that it gave itself."""
    if is_self_assigned(linkup.controller):
        return None
    strayed = [
        one
        for one in linkup.facts.stations
        if one.addresses
        and all(map(is_self_assigned, one.addresses))
        and one.hardware not in (linkup.pc.hardware, None)
    ]
    return strayed[0] if len(strayed) == 1 else None


def _uses(linkup: LinkUp, station: Station) -> list[Moment]:
    """Frames in which a station claims an address in ARP or sends with it."""
    claims = linkup.facts.arp.claims.values()
    uses = [run.first for one in claims for run in one.runs if run.hardware == station.hardware]
    paths = (one for one in linkup.facts.paths if one.src == station.hardware and one.src_ip)
    return sorted([*uses, *(one.first for one in paths)])


def _may_be_the_gateway(linkup: LinkUp) -> bool:
    """Whether nobody named this address, the PC only asks for it, and gateways end like it."""
    is_named = linkup.target.how_known in ("told", "sheet")
    return not is_named and linkup.target.port is None and is_gateway_number(linkup.controller)


def _others_heard(linkup: LinkUp, asked: Sequence[Moment]) -> bool:
    """Whether the cable carried anybody's frames to the PC while it waited."""
    begin, end = asked[0].seconds, asked[-1].seconds + LISTEN_AFTER
    others = [one for one in linkup.facts.stations if one.hardware != linkup.pc.hardware]
    return any(one.presence.within(begin, end) for one in others)


RULE = Rule(
    slug="unanswered-arp",
    stage="neighbour",
    title="Nothing answered at {controller}",
    what_happened="The PC {pc} asked {tries:times}{span:within} which device has the address "
    "{controller}. No reply was recorded, although other stations are heard in this recording."
    "{foreign:if The {foreign:count other station} heard here belong to other networks than the "
    "PC's.}{asking:if {asking} asks for an address meanwhile, and gets none.}"
    "{strayed:if {strayed} uses {stray}, which a device gives itself where it has no other.}"
    "{label:label}",
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
        Step("Compare address and mask of the PC with those of the controller, side by side."),
        Step(
            "Look through the stations heard in this recording for one that could be the "
            "controller with another address.{asking:if Look for {asking} on its label.}"
            "{strayed:if Look for {strayed} on its label.}"
        ),
        Step(
            "{meant:if If the maker's manual says that the controller does not answer, enter "
            "{controller} with the hardware address on its label in the PC's neighbour table (ARP "
            "table).}",
            cautions.FIXED_ENTRY,
        ),
        Step(
            "Plug the PC into the same switch as the controller and record again.", cautions.MACHINE
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
        "Do not search the address range of a running machine: some devices leave their address "
        "when they are asked for it again and again.",
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
        "A recording that ends less than 5 s after the last question.",
    ),
    confirm="Ask from another device on the controller's own switch, such as the operator panel. "
    "A reply there points to the PC: its cable, its VLAN, its address or its mask.",
    sources=("RFC 826", "RFC 1122 section 2.3.2.1 (at most one question a second)"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
