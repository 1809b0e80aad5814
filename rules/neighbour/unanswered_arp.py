"""The PC asked for the controller's hardware address; no reply was recorded.

Where the site sheet tells the hardware address on the label, and that one is heard with another
address, the controller is there and has been given that address.

Quiet where a later question was answered or packets come back (a sleeping device, a cold start);
where only unicast refreshes went unanswered; and where other stations asked, not the PC. Where PC
and controller are in different networks, that is the finding; where the controller is alive all
the while, arp-silent-controller stands before this rule in the list and says more. A station that
checked the controller's address and keeps silent about it since is shown, and comes first among
the causes.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Moment, Station
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, Case, LinkUp, silence, withdrawn
from rules import cautions

ENOUGH = 2
"""Questions without a reply; a single one may have been lost."""
OFF, OTHER_ADDRESS, WITHDREW, BY_DESIGN = 0, 1, 3, 5
"""Places of these causes below."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        asked = [question for question in linkup.questions if question.broadcasts]
        if not asked or _is_explained(linkup):
            continue
        moments = sorted(moment for question in asked for moment in question.asked.moments)
        tries = sum(question.asked.count for question in asked)
        moved = _has_another_address(linkup)
        sure = tries >= ENOUGH and (moved is not None or _others_heard(linkup, moments))
        checked, checker = withdrawn(linkup) or (None, None)
        withdrew = checked is not None and checked < moments[-1]
        yield Sighting(
            values={
                "checker": checker if withdrew else None,
                "pc": asked[0].asker_ip,
                "controller": linkup.controller,
                "tries": tries,
                "span": moments[-1].seconds - moments[0].seconds,
                "label": linkup.labelled,
                "now": min(moved.addresses) if moved is not None else None,
            },
            frames={
                "asked": moments,
                "checked": [checked] if checked and withdrew else [],
                "moved": [moved.first] if moved is not None else [],
            },
            linkup=linkup,
            certainty=Certainty.SHOWN if sure else Certainty.FITS,
            silent_since=silence(moments, case.facts),
            likeliest=_likeliest(linkup, moved, withdrew),
        )


def _is_explained(linkup: LinkUp) -> bool:
    answered = any(question.answered for question in linkup.questions)
    return answered or linkup.is_heard or not linkup.same_network


def _has_another_address(linkup: LinkUp) -> Station | None:
    """The station with the hardware address on the controller's label, where it uses an address."""
    station = linkup.facts.station(linkup.labelled)
    return station if station is not None and station.addresses else None


def _likeliest(linkup: LinkUp, moved: Station | None, withdrew: bool) -> int:
    if moved is not None:
        return OTHER_ADDRESS
    if withdrew:
        return WITHDREW
    return BY_DESIGN if linkup.never_answers_arp else OFF


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
    "{label:label}",
    means="Until a device replies, the PC does not know where on the cable to send its packets. It "
    "cannot start talking to {controller}.",
    likely_causes=(
        "The controller is off, still starting, or not plugged into this network.",
        "The controller has another address than the one typed in the program.",
        "The PC is in another VLAN, or its cable leads to another network than the controller's.",
        "The controller checked its address when it started, met another station that has it or "
        "asks for it, and keeps silent since.",
        "The PC's mask is too wide: the controller is in a network behind a router, where the PC's "
        "question does not get to.",
        "The controller does not answer such questions by design, and the PC lacks the entry for "
        "it in its neighbour table (ARP table).",
    ),
    what_to_do=(
        Step("Look whether the controller has power and its link lamp is lit."),
        Step(
            "Compare {controller} with the address on the controller's display, label or switches."
        ),
        Step("Compare address and mask of the PC with those of the controller, side by side."),
        Step(
            "Look through the stations heard in this recording for one that could be the "
            "controller with another address."
        ),
        Step(
            "If the maker's manual says that the controller does not answer, enter {controller} "
            "with the hardware address on its label in the PC's neighbour table (ARP table).",
            cautions.FIXED_ENTRY,
        ),
        Step("Plug the PC into the same switch as the controller and record again."),
        Step("If the controller needs to be started again, do that last.", cautions.RESTART),
    ),
    evidence={
        "asked": "the PC asks for the hardware address of {controller}{again}",
        "checked": "{checker} checks whether {controller} is free; nobody uses it from then on",
        "moved": "{label}, which is on the controller's label, is heard with the address {now}",
    },
    cautions=(
        "Do not search the address range of a running machine: some devices leave their address "
        "when they are asked for it again and again.",
    ),
    also_fits=(
        "A controller that never answers such questions and sends nothing by itself.",
        "A cable or switch port that went dead before the PC asked.",
    ),
    looks_alike=(
        "One question without a reply, and then an answer: a cold start.",
        "A refresh sent to one station only, and answered when asked of all.",
        "Questions of other stations, such as a search of the whole network.",
        "A recording that ends less than 5 s after the last question.",
    ),
    confirm="Ask from another device on the same switch, such as the operator panel.",
    sources=("RFC 826", "RFC 1122 section 2.3.2.1 (at most one question a second)"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
