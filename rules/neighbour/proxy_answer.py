"""Another device answers the question for the controller's hardware address in its place.

It is told by what else it answers for: several addresses that it never uses itself, or packets for
other addresses that the PC hands to it as to a router. Shown where it also says by ICMP what became
of the PC's packets, or where the controller itself answers too. A fault where the PC sends there
and nothing comes back; a note where packets come back and the controller answers too, and beside
subnet-mismatch where the networks differ. Quiet where packets come back and nobody else answers
(radio links and routers do this on purpose), about a device with several addresses that it uses,
and where the PC sends to the controller itself.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Facts, Hardware, Moment
from analyzer.facts.arp import MANY
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, Silence
from rules import cautions

STAND_IN = 2
"""Addresses answered for and never used, the controller's among them, that tell a stand-in."""
FRESH = {32, 64, 128, 255}
"""Times to live that systems send with; a router lowers them (common practice, no source)."""
NAMED = 6
"""Addresses named in the text at most."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    answers = [answer for question in linkup.questions for answer in question.answers]
    for proxy in dict.fromkeys(hardware for _, hardware in sorted(answers)):
        if not (_answers_for_others(linkup, proxy) or _is_handed_others(linkup, proxy)):
            continue
        owner = _owner(linkup, proxy)
        if (owner is None) if linkup.is_heard else (proxy not in linkup.sent_to):
            continue
        said = [one.moment for one in linkup.errors if one.sender_hw == proxy]
        yield Sighting(
            values={
                "controller": linkup.controller,
                "proxy": proxy,
                "answered": _answered(linkup.facts, proxy, linkup.controller),
            },
            frames={
                "proxy": [at for at, hardware in answers if hardware == proxy],
                "for_others": _for_others(linkup, proxy),
                "owner": [at for at, hardware in answers if hardware == owner],
                "said": said,
                "tried": _in_vain(linkup),
            },
            level=_level(linkup),
            certainty=Certainty.SHOWN if owner or said else Certainty.FITS,
            silence=None if linkup.is_heard else _asked_last(linkup),
        )


def _answers_for_others(linkup: LinkUp, proxy: Hardware) -> bool:
    """Whether it answers for many addresses, and uses few of them itself: packets of its own have
    a fresh time to live, those that it hands on do not.
    """
    facts = linkup.facts
    answered = facts.arp.replied.get(proxy, set())
    asked = {one.asker_ip for one in facts.arp.questions.values() if one.asker == proxy}
    announced = {address for hardware, address in facts.arp.announcements if hardware == proxy}
    paths = (one for one in facts.paths if one.src == proxy)
    sent = {one.src_ip for one in paths if one.ttls[1] in FRESH}
    unused = answered - asked - announced - sent
    return len(answered) >= MANY and len(unused) >= STAND_IN and linkup.controller in unused


def _is_handed_others(linkup: LinkUp, proxy: Hardware) -> bool:
    """Whether the PC sends it packets for addresses that it does not answer for, or it says by
    ICMP, under another address, what became of those for the controller.
    """
    facts, pc = linkup.facts, linkup.pc.hardware
    answered = facts.arp.replied.get(proxy, set())
    handed = {one.dst_ip for one in facts.paths if one.src == pc and one.dst == proxy}
    speaks = any(
        one.sender_hw == proxy and one.sender != linkup.controller for one in linkup.errors
    )
    return bool(handed - answered - {None}) or speaks


def _owner(linkup: LinkUp, proxy: Hardware) -> Hardware | None:
    """A device of its own that answers for the controller too."""
    claims = linkup.facts.arp.claims.get(linkup.controller)
    others = set() if claims is None else set(claims.counts) - {proxy, linkup.pc.hardware}
    return next((one for one in sorted(others) if linkup.facts.is_a_device(one)), None)


def _level(linkup: LinkUp) -> Level:
    return Level.FAULT if linkup.same_network and not linkup.is_heard else Level.NOTE


def _answered(facts: Facts, proxy: Hardware, controller: Address) -> list[Address]:
    """The addresses that it answered for, the controller's first."""
    others = facts.arp.replied.get(proxy, set()) - {controller}
    return [controller, *sorted(others)][:NAMED]


def _for_others(linkup: LinkUp, proxy: Hardware) -> list[Moment]:
    """Where it first says that it has each of its other addresses."""
    claims = linkup.facts.arp.claims
    others = linkup.facts.arp.replied.get(proxy, set()) - {linkup.controller}
    runs = [run for address in others for run in claims[address].runs if run.hardware == proxy]
    return sorted(run.first for run in runs)[: NAMED - 1]


def _in_vain(linkup: LinkUp) -> list[Moment]:
    """The PC's packets that nothing came back for."""
    sent = [at for one in linkup.sessions if one.is_silent for at in one.syns.moments]
    pings = linkup.pings
    return sorted([*sent, *(pings.requests.moments if pings and not linkup.is_heard else [])])


def _asked_last(linkup: LinkUp) -> Silence | None:
    sent = [linkup.last_sent] if linkup.last_sent is not None else []
    return linkup.silence([*linkup.attempts, *sent])


RULE = Rule(
    slug="proxy-answer",
    stage="neighbour",
    title="Another device answers for {controller}",
    what_happened="{proxy} told the PC that {controller} is to be reached through it. It answered "
    "for these addresses in this recording: {answered:list}.",
    means="So the PC's packets go to a device in between, such as a router, and not to the "
    "controller's own hardware address. What becomes of them is up to that device.",
    likely_causes={
        "router-answers-other": (
            "A router answers for other networks (proxy ARP), and the controller behind it is off, "
            "or has another address."
        ),
        "pc-s-mask": (
            "The PC's mask is wider than the plant's, and a router hides that by answering."
        ),
        "laptop-box-vpn": "A laptop or a box with a VPN or a bridge answers for everybody.",
        "radio-link-answers": (
            "A radio link answers for the stations behind it, and the link is down."
        ),
    },
    what_to_do=(
        Step("Compare {proxy} with the hardware address on the controller's label."),
        Step("Compare the masks of PC and controller with the plan of the network."),
        Step("Look whether the controller has power, and ask who looks after {proxy}."),
        Step("Cable the PC directly to the controller, try again and record it.", cautions.UNPLUG),
    ),
    evidence={
        "proxy": "{proxy} answers for {controller}{again}",
        "for_others": "{proxy} answers for another address{again}",
        "tried": "the PC tries to reach {controller} in vain{again}",
        "owner": "the controller's own hardware address answers too{again}",
        "said": "{proxy} says what became of the PC's packet{again}",
    },
    cautions=(
        "You may be talking to a machine in another part of the plant: send no commands before it "
        "is clear which one answers.",
    ),
    also_fits={
        "controller-several-addresses": (
            "A controller with several addresses, none of which it has used in this recording."
        ),
        "filter-behind-device": (
            "A filter behind that device which drops the packets without a word."
        ),
    },
    looks_alike=(
        "A router or radio link that answers on purpose, where packets come back.",
        "A device with two or three addresses that it uses itself.",
        "Two devices with one address: each answers for that one only.",
    ),
    confirm="With the PC cabled directly to the controller, another hardware address answers.",
    confirm_caution=cautions.UNPLUG,
    sources=("RFC 1027 (one station answers for others)", "RFC 826"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
