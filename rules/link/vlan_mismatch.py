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

from analyzer.facts import Address
from analyzer.facts.switch import Tagged
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, heard_of, hears_others_only
from rules import cautions

TRUNK = "trunk"
"""Name of this cause in the rule."""
TAGS_SHOWN_ONLY, OTHER_PLANT = "tags shown only", "other plant"
"""Names of these in what would look the same."""
MOST_HEARD = 4
"""Addresses named in a sentence."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    cable = linkup.pc.cable
    if linkup.works or not linkup.attempts or cable.takes_strange_tags:
        return
    tagged, heard = cable.strange_tags, heard_of(linkup)
    owners = linkup.claims.counts
    answers = [one for one in tagged if one.sender in owners]
    level = _level(linkup, answers)
    if level is None:
        return
    shown = _are_not_taken(linkup, answers)
    port_vlan = cable.told_vlans[0].vlan if cable.told_vlans else None
    others = _addresses(linkup, [one for one in tagged if one.sender not in owners])
    yield Sighting(
        values={
            "vlans": sorted({one.id for one in tagged}),
            "frames": sum(one.frames for one in tagged),
            "answers": sum(one.frames for one in answers),
            "answered_in": sorted({one.id for one in answers}),
            "unheard": not answers,
            "only_others": bool(tagged) and not answers,
            "beside": others[:MOST_HEARD] if answers else [],
            "strangers": others[:MOST_HEARD] if not answers else [],
            "more": len(others) > MOST_HEARD,
            "own_vlans": sorted(cable.own_tags) if tagged else [],
            "untagged": bool(tagged) and not cable.own_tags and port_vlan is None,
            "in_port_vlan": bool(tagged) and not cable.own_tags and port_vlan is not None,
            "inside": len(heard.inside) - len(heard.only_tagged),
            "only_tagged": len(heard.only_tagged),
            "apart": 0 if answers else len(heard.only_tagged),
            "outside": len(heard.outside),
            "port_vlan": port_vlan,
        },
        frames={
            "answered": [one.first for one in answers],
            "tagged": [one.first for one in tagged if one.sender not in owners],
            "port": [one.told.first for one in cable.told_vlans if one.vlan == port_vlan],
            "tried": linkup.attempts,
        },
        likeliest=TRUNK if answers else "",
        ruled_out=[TAGS_SHOWN_ONLY, OTHER_PLANT] if shown else [],
        certainty=Certainty.SHOWN if shown else Certainty.FITS,
        level=level,
        silence=None if shown else linkup.silence(linkup.tried, linkup.times),
    )


def _level(linkup: LinkUp, answers: Sequence[Tagged]) -> Level | None:
    if answers:
        return Level.FAULT
    if linkup.last_sign or not linkup.same_network:
        return None
    if linkup.pc.cable.strange_tags:
        return Level.NOTE if linkup.pc.cable.untagged else Level.FAULT
    return Level.NOTE if hears_others_only(linkup) else None


def _addresses(linkup: LinkUp, tagged: Sequence[Tagged]) -> list[Address]:
    """Those of the senders of tagged frames, in order."""
    senders = {one.sender for one in tagged}
    return sorted({own for one in senders for own in linkup.facts.addresses_of(one)})


def _are_not_taken(linkup: LinkUp, answers: Sequence[Tagged]) -> bool:
    """Whether the controller's answers come with a tag, and the PC asks on as if none came."""
    asks_on = any(one.asked.last > one.answers[0][0] for one in linkup.questions if one.answers)
    return asks_on and any(one.receiver == linkup.pc.hardware for one in answers)


RULE = Rule(
    slug="vlan-mismatch",
    stage="link",
    title="{answers:if {controller} answers with a VLAN tag, and the PC{fits:if likely} does not "
    "take that}{unheard:if {controller} is{fits:if likely} in another VLAN than the PC's port}",
    what_happened="{answers:if {answers:count frame} of {controller}{beside:if, and "
    "others,}}{only_others:if {frames:count frame}, none of {controller},}{vlans:if came in with "
    "the tag of VLAN {vlans:list}.}{untagged:if The PC sends without a tag.}{in_port_vlan:if The "
    "PC sends without a tag, in VLAN {port_vlan}, as the switch says.}{own_vlans:if The PC sends "
    "with the tag of VLAN {own_vlans:list}.}{beside:if The others are of {beside:list}{more:if, "
    "and of more}.}{strangers:if They are of {strangers:list}{more:if, and of more}.}{inside:if Of "
    "the PC's own network, {inside:count other station} can be heard.}{apart:if Of the PC's own "
    "network, {apart:count other station} can be heard only in frames with a VLAN tag.}{outside:if "
    "Of other networks, {outside:count station} can be heard.}",
    means="A switch keeps one VLAN apart from another, as if each had cables of its own. The PC "
    "hears only its own VLAN, and most PCs drop frames that have a tag.",
    likely_causes={
        "other port": "The PC is plugged into a port that is set up for other devices, or for "
        "another network.",
        TRUNK: "The switch is set to send the frames of that VLAN with a tag at the PC's port, as "
        "to another switch (trunk).",
        "controller's port": "The controller's port was put into another VLAN.",
    },
    what_to_do=(
        Step(
            "{unheard:if Compare the address on the controller's label with the addresses heard "
            "here.}"
        ),
        Step(
            "Ask whoever is responsible for the network which VLAN the PC's port is in, and which "
            "the controller's.{answers:if By its frames, the controller's is VLAN "
            "{answered_in:list}.}{only_others:if Name VLAN {vlans:list}, whose tags are in the "
            "recording.}"
        ),
        Step(
            "Plug the PC into an untagged port of the same VLAN at the controller's own switch.",
            cautions.CABINET,
        ),
        Step(
            "Have the PC's port put into the controller's VLAN, untagged, by those responsible.",
            cautions.LINK_DROPS,
        ),
    ),
    evidence={
        "answered": "a frame of {controller} comes in with a VLAN tag",
        "tagged": "a frame of another station comes in with a VLAN tag{again}",
        "port": "the switch names VLAN {port_vlan} for the PC's port{again}",
        "tried": "the PC tries{again}",
    },
    cautions=(
        cautions.warning(
            "A wrong change at a switch's ports can stop drives and I/O. Ask whoever is "
            "responsible for it.",
            make_safe=True,
        ),
    ),
    also_fits={
        TAGS_SHOWN_ONLY: "An adapter that shows tags to the recorder and takes them off for the "
        "PC, with a controller that is off.",
        OTHER_PLANT: "A PC and a program that are both set for another plant's addresses.",
    },
    looks_alike=(
        "Frames with the tag number 0: they only have a priority, and are in no VLAN.",
        "A connection that works, with tags or without.",
        "Tagged frames between other stations, seen at a mirror port.",
        "Two networks in one VLAN, which is common and allowed.",
    ),
    confirm="Connect from a PC at the controller's own switch, in the same VLAN: if that works, it "
    "is the PC's port or the way between the switches.",
    confirm_caution=cautions.COMMANDS,
    explains=("unanswered-arp", "arp-silent-controller"),
    sources=("IEEE 802.1Q section 9.6 (tag and its number)", "common practice, no source"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
