"""Two devices claim the controller's address.

Shown by claims from both in turn (one, the other, the first again, each at least twice). It fits
where both answer one question, or the turn happened once. Quiet where one of them took over for
good, where one answers for many addresses or is a virtual router's address, and where the same
hardware address was recorded twice. Probes are no claims.
"""

from collections.abc import Iterator

from analyzer.facts import Claims, Facts, Hardware, Moment
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

ENOUGH = 2
"""Claims of each device that prove it; a single one may be a mistake of a moment."""
TOGETHER = 1.0
"""Seconds within which two replies answer one question."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        claims = case.facts.arp.claims.get(linkup.controller)
        if claims is None:
            continue
        rivals = _rivals(case.facts, linkup, claims)
        if len(rivals) < 2:
            continue
        first, second = rivals[:2]
        in_turn = _in_turn(claims, first, second)
        if not in_turn and not _both_answered(linkup, first, second):
            continue
        often = min(claims.counts[first], claims.counts[second]) >= ENOUGH
        yield Sighting(
            values={
                "controller": linkup.controller,
                "first": first,
                "second": second,
                "claims_first": claims.counts[first],
                "claims_second": claims.counts[second],
            },
            frames={"first": _moments(claims, first), "second": _moments(claims, second)},
            linkup=linkup,
            certainty=Certainty.SHOWN if in_turn and often else Certainty.FITS,
        )


def _rivals(facts: Facts, linkup: LinkUp, claims: Claims) -> list[Hardware]:
    """Who claims the address as its own, the most frequent first."""
    return [
        hardware
        for hardware, _ in sorted(claims.counts.items(), key=lambda item: -item[1])
        if hardware != linkup.pc.hardware
        and not hardware.is_virtual_router
        and not facts.arp.answers_for_many(hardware)
    ]


def _in_turn(claims: Claims, first: Hardware, second: Hardware) -> bool:
    """Whether one claimed the address again after the other had."""
    return len([run for run in claims.runs if run.hardware in (first, second)]) > 2


def _both_answered(linkup: LinkUp, first: Hardware, second: Hardware) -> bool:
    """Whether one question got replies from both."""
    for question in linkup.questions:
        answers = question.answers
        for (one, a), (other, b) in zip(answers, answers[1:], strict=False):
            if {a, b} == {first, second} and other.seconds - one.seconds <= TOGETHER:
                return True
    return False


def _moments(claims: Claims, hardware: Hardware) -> list[Moment]:
    runs = [run for run in claims.runs if run.hardware == hardware]
    return sorted({moment for run in runs for moment in (run.first, run.last)})


RULE = Rule(
    slug="duplicate-address",
    stage="neighbour",
    title="Two devices both say that they are {controller}",
    what_happened="The device {first} says {claims_first:times} that {controller} is its own, and "
    "the device {second} says so {claims_second:times}.",
    means="The PC sends to whichever spoke last. Answers may come from the wrong device, and "
    "sessions break at random.",
    likely_causes=(
        "A backup of one controller was loaded into a second one, address included.",
        "A new or spare device still has its default address.",
        "An address server or a service PC uses the controller's address.",
    ),
    what_to_do=(
        Step("Send no motion commands and load no programs until this is resolved."),
        Step("Compare {first} and {second} with the hardware addresses on the labels."),
        Step(
            "Connect the PC to the controller alone, with a direct cable, and record again: the "
            "one that still answers is the controller.",
            cautions.UNPLUG,
        ),
        Step("Give the other device an address of its own.", cautions.ADDRESS_CHANGE),
    ),
    evidence={
        "first": "{first} says that it has {controller}{nth}",
        "second": "{second} says that it has {controller}{nth}",
    },
    cautions=("Commands may reach the wrong machine. Keep people clear of both.",),
    also_fits=(
        "One device with two network ports that both answer.",
        "A redundant pair that changed over and back.",
    ),
    looks_alike=(
        "A redundant pair or a replaced module: one clean change, the first is silent afterwards.",
        "A router that answers for many addresses (proxy ARP).",
        "Probes with the sender 0.0.0.0.",
        "The same reply recorded twice: the hardware address is the same.",
        "A virtual router's address beside the real one.",
    ),
    confirm="Disconnect one of the two, with permission: the address must fall silent on one side.",
    sources=("RFC 826 (the newest claim wins)", "RFC 5227 section 2.4"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
