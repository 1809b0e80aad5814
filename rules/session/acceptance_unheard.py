"""The controller accepts the PC's call, again and again, and the PC never takes that up.

The PC calls on as if nothing had come, or keeps silent: no confirmation, no data. Where resets with
its address turn the acceptance down and it calls on in spite of them, they are not the caller's:
that fits, as a search for ports may call with the same number each time. Shown where the PC calls
again without a reset, in spite of an acceptance, and where it was recorded on the PC, so that a
confirmation would be in the recording: its frames are marked as sent, or the checksum of its calls
was left to the adapter, and no other station's are marked so, as at a switch. Quiet where the
acceptance is confirmed, be it late; where the PC turns it down with a reset and leaves it at that
(it gave up, or only searched); where the controller confirms more than the call, so that the PC's
frames are missing in the recording; where the recording began later than the call; and where a
later call opened.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Hardware, IcmpError
from analyzer.facts.icmp import UNREACHABLE
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Call, How, LinkUp
from rules import cautions

FILTER, OWN_NETWORK, OTHER_WAY = "filter", "own network", "other way"
LOST, DAMAGED = "lost on the way", "damaged"
"""Names of these causes in the rule."""
ONE_SIDED, GAVE_UP, SEARCH = "one-sided", "gave up", "search"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    calls = linkup.calls.since_worked.that(How.UNHEARD)
    if not calls:
        return
    acceptances = sorted(at for one in calls for at in one.acceptances)
    accepted = sum(one.accepted for one in calls)
    recorded_here = _recorded_on_pc(linkup, calls)
    calls_on = any(map(_calls_on, calls))
    other = _answers_elsewhere(calls)
    said = _turned_down_by_message(linkup)
    resets = sorted(at for one in calls for at in one.cleared)
    signs = {FILTER: bool(said or resets), OTHER_WAY: bool(other), LOST: not recorded_here}
    ruled_out = {
        OWN_NETWORK: not resets,
        OTHER_WAY: not other,
        LOST: recorded_here or said or resets,
        DAMAGED: resets,
        ONE_SIDED: recorded_here or calls_on or said,
        GAVE_UP: calls_on or said,
        SEARCH: not resets,
    }
    shown = (recorded_here or calls_on) and not resets
    yield Sighting(
        values={
            "calls": sum(one.calls for one in calls),
            "accepted": accepted,
            "span": acceptances[-1].seconds - acceptances[0].seconds,
            "calls_on": calls_on,
            "said": len(said),
            "resets": len(resets),
            "other": other,
            "sent_to": sorted(_sent_to(calls)) if other else [],
        },
        frames={
            "call": calls.sent,
            "accepted": acceptances,
            "reset": resets,
            "said": [one.moment for one in said],
        },
        certainty=Certainty.SHOWN if shown else Certainty.FITS,
        silence=linkup.silence(acceptances, accepted, arrived=bool(said)),
        likeliest=next((name for name, seen in signs.items() if seen), FILTER),
        ruled_out=[name for name, is_out in ruled_out.items() if is_out],
    )


def _recorded_on_pc(linkup: LinkUp, calls: Sequence[Call]) -> bool:
    """Whether the PC's own signs say so, and no other station has the same, as at a switch."""
    station = linkup.pc.station
    if linkup.pc.guests:
        return False
    marked = station is not None and station.sent > 0
    return marked or any(one.session.checksum_filled is False for one in calls)


def _calls_on(call: Call) -> bool:
    """Whether the PC calls again though it had been accepted."""
    return bool(call.acceptances) and call.session.syns.last > call.acceptances[0]


def _sent_to(calls: Sequence[Call]) -> set[Hardware]:
    return {one for call in calls for one in call.session.from_client.sent_to}


def _answers_elsewhere(calls: Sequence[Call]) -> list[Hardware]:
    """Whom acceptances come from, where the PC's calls never went there."""
    answered = {one for call in calls for one in call.session.from_server.hardware}
    return sorted(answered - _sent_to(calls))


def _turned_down_by_message(linkup: LinkUp) -> list[IcmpError]:
    """The PC's own messages that it takes no such packet of the controller."""
    own = set(linkup.pc.addresses)
    about = linkup.facts.index.errors_to[linkup.controller]
    return [one for one in about if one.type == UNREACHABLE and one.sender == one.about_dst in own]


RULE = Rule(
    slug="acceptance-unheard",
    stage="session",
    title="The controller accepts calls to port {port}, and the PC{fits:if, it seems,} does not "
    "hear that",
    what_happened="{controller} accepted {accepted:times}{span:within} on port {port}, and the PC "
    "confirmed none of that{calls_on:if and called again all the same}. The PC made {calls:count "
    "call}.{resets:if A reset with the PC's address turned that down {resets:times}, and its "
    "program called on.}{said:if The PC itself turned such packets down, {said:times}.}{other:if "
    "The acceptance comes from {other:list}, the calls went to {sent_to:list}.}",
    means="The controller serves this port and its answers leave it. A session opens only when the "
    "PC confirms the acceptance: something keeps it from the program that called.",
    likely_causes={
        FILTER: "A firewall or security program on the PC drops the acceptance, or turns it down.",
        OWN_NETWORK: "The program has network software of its own, as a virtual machine has. The "
        "PC's system knows nothing of the call, and turns the acceptance down.",
        OTHER_WAY: "The acceptance comes back by another way than the call went, and a filter that "
        "saw only one of both drops it.",
        "other adapter": "The call left through one adapter of the PC and the acceptance comes in "
        "through another, where it is not taken.",
        LOST: "The acceptance, or the PC's confirmation, is lost between the place of recording "
        "and the other end.",
        DAMAGED: "The acceptance is damaged on the way, so the PC's network software drops it.",
    },
    what_to_do=(
        Step(
            "Record on the PC itself while the program tries once more: nothing shows that this "
            "was recorded there.",
            cautions.COMMANDS,
            about=LOST,
        ),
        Step("Look in the log of the security program on the PC for {controller}."),
        Step(
            "{other:if Find out whose hardware address {other:list} is: the controller's, a "
            "router's, or that of a second device with this address.}"
        ),
        Step(
            "Look whether the PC has a second adapter with an address in this network, or a VPN "
            "that takes over."
        ),
        Step(
            "Have answers of {controller} from port {port} let through by the PC's firewall.",
            cautions.FIREWALL,
        ),
        Step("Try from another PC on the same switch.", cautions.COMMANDS),
    ),
    evidence={
        "call": "the PC calls port {port}{again}",
        "accepted": "{controller} accepts{again}",
        "reset": "a reset with the PC's address turns the acceptance down{again}",
        "said": "the PC says that it does not take what {controller} sent{again}",
    },
    also_fits={
        ONE_SIDED: "A recording that lacks some of the PC's frames, such as its confirmations.",
        GAVE_UP: "A program that had given up, on a PC whose firewall keeps its refusal back.",
        SEARCH: "A program that only looks whether the port opens: it resets each acceptance on "
        "purpose, and calls with the same number each time.",
    },
    looks_alike=(
        "A late confirmation: the session opens after all.",
        "A reset by the PC that leaves it at that: it had given up, or only searched for ports.",
        "A single acceptance right before the end of the recording.",
        "A recording without the PC's frames: the controller then confirms more than the call.",
        "A session from before the recording.",
    ),
    confirm="Record on the PC and at its switch port at the same time, while the program connects "
    "once. What the switch port has and the PC's software never answers, is dropped in the PC.",
    confirm_caution=cautions.COMMANDS,
    sources=(
        "RFC 9293 sections 3.5 and 3.10.7.3 (an acceptance is confirmed or reset)",
        "RFC 9293 section 3.10.7.1 (whoever knows nothing of a call resets what answers it)",
        "RFC 6298 sections 2 and 5.5 (repeats)",
        "RFC 1122 section 3.2.2.1 (messages of a filter)",
    ),
    find=find,
)
