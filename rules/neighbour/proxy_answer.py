"""Another device answers the question for the controller's hardware address in its place.

It is told by what else it answers for: several addresses that it never uses itself, or packets for
other addresses that the PC hands to it as to a router. Shown where it also says by ICMP what became
of the PC's packets, or where the controller itself answers too. A fault where the PC sends there
and nothing comes back; a note where packets come back and the controller answers too, beside
subnet-mismatch where the networks differ, and about a station that answers for several addresses
and uses them while the link-up works. Quiet where packets come back and nobody else answers (radio
links and routers do this on purpose), and where the PC sends to the controller itself.
"""

from collections.abc import Iterator
from itertools import islice

from analyzer.facts import Address, Hardware, Moment
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import How, LinkUp
from rules import cautions

STAND_IN = 2
"""Addresses answered for and never used, the controller's among them, that tell a stand-in."""
NAMED = 6
"""Addresses named in the text at most."""
OWN = "own addresses"
"""Name of this cause in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    answers = sorted(answer for question in linkup.questions for answer in question.answers)
    tries = linkup.calls.that(How.IGNORED).sent_in_all
    for proxy in dict.fromkeys(hardware for _, hardware in answers):
        said = [one for one in linkup.errors if one.sender_hw == proxy]
        is_router = any(one.sender != linkup.controller for one in said)
        answered = _answered(linkup, proxy)
        if not (_stands_in(linkup, proxy) or proxy in linkup.pc.gateways or is_router):
            if linkup.works and len(answered) > 1:
                yield _several(linkup, proxy, answered)
            continue
        owner = next((one for one in linkup.owners if one != proxy), None)
        if (owner is None) if linkup.is_heard else (proxy not in linkup.sent_to):
            continue
        yield Sighting(
            values={
                "proxy": proxy,
                "answered": answered,
                "another": True,
                "several": False,
                "tries": tries,
            },
            frames={
                "proxy": [at for at, hardware in answers if hardware == proxy],
                "for_others": _first_claims(linkup, proxy, answered[1:]),
                "owner": [at for at, hardware in answers if hardware == owner],
                "said": [one.moment for one in said],
                "tried": linkup.in_vain,
            },
            level=Level.FAULT if linkup.same_network and not linkup.is_heard else Level.NOTE,
            certainty=Certainty.SHOWN if owner or said else Certainty.FITS,
            silence=None if linkup.is_heard else linkup.silence(linkup.in_vain),
            ruled_out=[OWN],
        )


def _several(linkup: LinkUp, proxy: Hardware, answered: list[Address]) -> Sighting:
    """One station answers for several addresses, and uses them: packets come back."""
    claims = [linkup.facts.claims(address).by(proxy) for address in answered[:1]]
    return Sighting(
        values={
            "proxy": proxy,
            "answered": answered,
            "another": False,
            "several": True,
            "tries": 0,
        },
        frames={
            "proxy": [runs[0].first for runs in claims if runs],
            "for_others": _first_claims(linkup, proxy, answered[1:]),
        },
        level=Level.NOTE,
        certainty=Certainty.FITS,
        likeliest=OWN,
    )


def _stands_in(linkup: LinkUp, proxy: Hardware) -> bool:
    """Whether it answers for many addresses, and uses few of them itself."""
    unused = linkup.facts.index.stands_in_for.get(proxy, ())
    return len(unused) >= STAND_IN and linkup.controller in unused


def _answered(linkup: LinkUp, proxy: Hardware) -> list[Address]:
    """Addresses that it answered for, the controller's first."""
    some = islice(linkup.facts.index.answers_for.get(proxy, ()), NAMED)
    return [linkup.controller, *(one for one in some if one != linkup.controller)][:NAMED]


def _first_claims(linkup: LinkUp, proxy: Hardware, addresses: list[Address]) -> list[Moment]:
    """Where it first says that it has each of its other addresses."""
    claims = [linkup.facts.claims(address).by(proxy) for address in addresses]
    return sorted(runs[0].first for runs in claims if runs)


RULE = Rule(
    slug="proxy-answer",
    stage="neighbour",
    title="Another device answers for {controller}{several:if, or it has several addresses}",
    what_happened="{proxy} told the PC that {controller} is to be reached through it{tries:if, and "
    "{tries:count try} to call it got no answer}. It answered for these addresses in this "
    "recording: {answered:list}.",
    means="So the PC's packets go{another:if to a device in between, such as a router, and not to "
    "the controller's own hardware address. What becomes of them is up to that device.}"
    "{several:if to one station for all these addresses. The recording cannot tell which device is "
    "reached behind it.}",
    likely_causes={
        "router": (
            "A router answers for other networks (proxy ARP), and the controller behind it is off, "
            "or has another address."
        ),
        "wide mask": (
            "The PC's mask is wider than the plant's, and a router hides that by answering."
        ),
        "VPN or bridge": "A laptop or a box with a VPN or a bridge answers for everybody.",
        "radio link": ("A radio link answers for the stations behind it, and the link is down."),
        OWN: "A device with several addresses of its own, such as a gateway or a computer.",
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
        cautions.warning(
            "This may be a machine in another part of the plant: send no commands before it "
            "is clear which one answers.",
        ),
    ),
    also_fits={
        "several addresses": (
            "A controller with several addresses, none of which it has used in this recording."
        ),
        "filter": ("A filter behind that device which drops the packets without a word."),
    },
    looks_alike=(
        "A router or radio link that answers on purpose, where packets come back.",
        "Two devices with one address: each answers for that one only.",
    ),
    confirm="With the PC cabled directly to the controller, another hardware address answers.",
    confirm_caution=cautions.UNPLUG,
    sources=("RFC 1027 (one station answers for others)", "RFC 826"),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
