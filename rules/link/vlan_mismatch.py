"""The PC's port seems to be in another VLAN than the controller.

Frames for the PC come in with a VLAN tag that the PC does not use itself, and the controller is not
reached: shown where the controller answers with such a tag and the PC does not take the answer.
A fault too where all that is forwarded to the PC has such tags. A note only, beside the leading
finding, where untagged stations of the PC's network are heard as well, and where no tag comes in
but all stations heard are in other networks than PC and controller: many adapters take tags off.
Quiet where the link-up works, tags or not; where the PC talks with a station whose frames are
tagged; for tags with number 0, which only have a priority; and for tags between other stations.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Hardware
from analyzer.facts.switch import Neighbour, Tagged
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import (
    LinkUp,
    forwarded,
    heard_of,
    hears_others_only,
    silence,
)
from rules import cautions

TAGS_SHOWN_ONLY, OTHER_PLANT = "tags shown only", "other plant"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if linkup.works or not linkup.attempts or linkup.is_one_sided:
        return
    tagged = _for_the_pc(linkup)
    if any(_talks_with(linkup, one.sender) for one in tagged):
        return
    level = _level(linkup, tagged)
    if level is None:
        return
    certainty = _certainty(linkup, tagged)
    inside, outside = heard_of(linkup)
    plain = {one.src for one in forwarded(linkup.pc) if one.tagged < one.frames}
    neighbours = [one for one in _neighbours(linkup) if one.vlan is not None]
    yield Sighting(
        values={
            "controller": linkup.controller,
            "vlans": sorted({one.id for one in tagged}),
            "frames": sum(one.frames for one in tagged),
            "inside": len(inside & plain),
            "only_tagged": len(inside - plain),
            "outside": len(outside),
            "port_vlan": neighbours[0].vlan if neighbours else None,
        },
        frames={
            "answered": [one.first for one in tagged if _is_controllers(linkup, one.sender)],
            "tagged": [one.first for one in tagged if not _is_controllers(linkup, one.sender)],
            "port": [one.told.first for one in neighbours],
            "tried": linkup.attempts,
        },
        certainty=certainty,
        also_excluded=[TAGS_SHOWN_ONLY, OTHER_PLANT] if certainty is Certainty.SHOWN else [],
        level=level,
        silence=None if certainty is Certainty.SHOWN else silence(linkup.attempts, linkup.facts),
    )


def _for_the_pc(linkup: LinkUp) -> list[Tagged]:
    """Tags of others' frames for the PC or for all, with numbers that the PC does not use."""
    tags, own = linkup.facts.switch.tags.values(), linkup.pc.hardware
    used = {one.id for one in tags if one.sender == own}
    return [
        one
        for one in tags
        if one.sender != own
        and (one.receiver == own or one.receiver.is_group)
        and one.id not in used
    ]


def _talks_with(linkup: LinkUp, hardware: Hardware) -> bool:
    """Whether frames go both ways between the PC and a station."""
    own, paths = linkup.pc.hardware, linkup.facts.paths
    there = any(one.src == own and one.dst == hardware for one in paths)
    return there and any(one.src == hardware and one.dst == own for one in paths)


def _level(linkup: LinkUp, tagged: Sequence[Tagged]) -> Level | None:
    if any(_is_controllers(linkup, one.sender) for one in tagged):
        return Level.FAULT
    if linkup.is_heard or linkup.arp_answered or not linkup.same_network:
        return None
    if tagged:
        plain = [one for one in forwarded(linkup.pc) if one.tagged < one.frames]
        return Level.NOTE if plain else Level.FAULT
    return Level.NOTE if hears_others_only(linkup) else None


def _is_controllers(linkup: LinkUp, hardware: Hardware) -> bool:
    claims = linkup.facts.arp.claims.get(linkup.controller)
    return claims is not None and hardware in claims.counts


def _certainty(linkup: LinkUp, tagged: Sequence[Tagged]) -> Certainty:
    """Shown where the controller's answers are tagged, and the PC asks on as if none came."""
    answers = [one for one in tagged if one.receiver == linkup.pc.hardware]
    answered = any(_is_controllers(linkup, one.sender) for one in answers)
    asks_on = any(one.asked.last > one.answers[0][0] for one in linkup.questions if one.answers)
    return Certainty.SHOWN if answered and asks_on else Certainty.FITS


def _neighbours(linkup: LinkUp) -> list[Neighbour]:
    neighbours = linkup.facts.switch.neighbours.values()
    return [one for one in neighbours if one.sender != linkup.pc.hardware]


RULE = Rule(
    slug="vlan-mismatch",
    stage="link",
    title="The PC's port is{fits:if likely} in another VLAN than {controller}",
    what_happened="The link-up with {controller} did not work."
    "{frames:if With a VLAN tag, {frames:count frame} came in for the PC or for all. VLAN of the "
    "tags: {vlans:list}.}"
    "{port_vlan:if The switch names VLAN {port_vlan} for frames without a tag at the PC's port.}"
    "{inside:if Of the PC's own network, {inside:count other station} can be heard.}"
    "{only_tagged:if Of the PC's own network, {only_tagged:count other station} can be heard with "
    "a tag alone.}"
    "{outside:if Of other networks, {outside:count station} can be heard.}",
    means="A switch keeps one VLAN apart from another, as if each had cables of its own. The PC "
    "hears only its own VLAN, and most PCs drop frames that have a tag.",
    likely_causes={
        "pc-plugged-into": "The PC is plugged into a port that is set up for other devices, or for another network.",
        "port-leads-another": "The port leads to another switch (trunk) and sends its frames with tags.",
        "controller-s-port": "The controller's port was put into another VLAN.",
    },
    what_to_do=(
        Step(
            "Plug the PC into the same switch as the controller, in the same cabinet.",
            cautions.MACHINE,
        ),
        Step(
            "Ask whoever is responsible for the network for the VLAN of both ports."
            "{frames:if Name VLAN {vlans:list}, whose tags are in the recording.}"
        ),
        Step("Compare the address on the controller's label with the addresses heard here."),
        Step(
            "Have the PC's port put into the controller's VLAN by those responsible.",
            cautions.LINK_DROPS,
        ),
    ),
    evidence={
        "answered": "a frame of {controller} comes in with a VLAN tag",
        "tagged": "a frame of another station comes in with a VLAN tag{again}",
        "port": "the switch names the VLAN of the PC's port{again}",
        "tried": "the PC tries{again}",
    },
    cautions=(
        "Do not change a switch's ports while the machine runs: a wrong one can stop drives and "
        "I/O. Have the machine made safe first, and ask whoever is responsible.",
    ),
    also_fits={
        TAGS_SHOWN_ONLY: "An adapter that shows tags to the recorder and takes them off for the PC, with a "
        "controller that is off.",
        OTHER_PLANT: "A PC and a program that are both set for another plant's addresses.",
    },
    looks_alike=(
        "Frames with the tag number 0: they only have a priority, and are in no VLAN.",
        "A link-up that works, with tags or without.",
        "Tagged frames between other stations, seen at a mirror port.",
        "Two networks in one VLAN, which is common and allowed.",
    ),
    confirm="Connect from a PC at the controller's own switch: if that works, it is the port.",
    confirm_caution=cautions.COMMANDS,
    explains=("unanswered-arp", "arp-silent-controller"),
    sources=("IEEE 802.1Q section 9.6 (tag and its number)", "common practice, no source"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
