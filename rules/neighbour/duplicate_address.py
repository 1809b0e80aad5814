"""Two devices claim the controller's address.

Shown by claims from both in turn (one, the other, the first again, each at least twice). It fits
where both answer one question, where the turn happened once, or where the first goes on sending
after the second took over. Quiet where one took over for good or much later; where one answers
for many addresses, forwards packets or has a virtual router's address; where one never sends a
frame itself; and where one session gets its answers from both. Probes are no claims.
"""

from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import Claims, Facts, Hardware, Moment
from analyzer.facts.arp import Run
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

ENOUGH = 2
"""Claims of each device that prove it; a single one may be a mistake of a moment."""
TOGETHER = 1.0
"""Seconds within which two replies answer one question."""
TURN = 120.0
"""Seconds in which nobody swaps a unit and swaps it back (common practice, no source)."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        claims = case.facts.arp.claims.get(linkup.controller, Claims())
        rivals = _rivals(case.facts, linkup, claims)
        if len(rivals) < 2 or _is_one_device(linkup, *rivals[:2]):
            continue
        first, second = rivals[:2]
        runs = [run for run in claims.runs if run.hardware in (first, second)]
        in_turn = _in_turn(runs)
        together = _both_answered(linkup, first, second)
        if not in_turn and not together and not _both_alive(linkup, runs):
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
    often = sorted(claims.counts, key=lambda one: -claims.counts[one])
    return [one for one in often if one != linkup.pc.hardware and facts.is_a_device(one)]


def _is_one_device(linkup: LinkUp, first: Hardware, second: Hardware) -> bool:
    """Whether one session got segments from both and nobody reset it: two ports of one device."""
    return any(
        {first, second} <= session.from_server.hardware
        and session.answers > 0
        and not any(end.reset for end in session.ends)
        for session in linkup.sessions
    )


def _in_turn(runs: list[Run]) -> bool:
    """Whether one claimed the address again soon after the other had."""
    return any(
        before.hardware == after.hardware != between.hardware
        and after.first.seconds - before.last.seconds <= TURN
        for before, between, after in zip(runs, runs[1:], runs[2:], strict=False)
    )


def _both_answered(linkup: LinkUp, first: Hardware, second: Hardware) -> bool:
    """Whether one question got replies from both."""
    return any(
        {a, b} == {first, second} and other.seconds - one.seconds <= TOGETHER
        for question in linkup.questions
        for (one, a), (other, b) in pairwise(question.answers)
    )


def _both_alive(linkup: LinkUp, runs: list[Run]) -> bool:
    """Whether the first still sends as the controller after the second took the address."""
    if len(runs) != 2:
        return False
    elder, younger = runs
    own = (one for one in linkup.facts.paths if one.src_ip == linkup.controller)
    after = younger.first.seconds + TOGETHER
    return any(one.src == elder.hardware and one.last.seconds > after for one in own)


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
            "Cable the PC directly to the unit that the address belongs to, and record again: the "
            "hardware address that answers now is that unit's.",
            cautions.UNPLUG,
        ),
        Step("Have the other device given an address of its own.", cautions.ADDRESS_CHANGE),
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
    confirm="With the PC cabled directly to one of the two, only that one may answer.",
    sources=("RFC 826 (the newest claim wins)", "RFC 5227 section 2.4"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
