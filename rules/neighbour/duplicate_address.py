"""Two devices claim the controller's address.

Shown by claims from both in turn (one, the other, the first again, each at least twice), and where
the site sheet knows both hardware addresses as those of two devices. It fits where both answer one
question, where the turn happened once, or where the first goes on sending after the second took
over. Where ARP does not tell, packets do: shown where both send as the
controller in turn and are two systems (one resets what the other accepted, or their fresh times to
live differ); it fits where one accepts a call and the other resets it.

Quiet where one took over for good or much later; where one answers for many addresses, forwards
packets or has a virtual router's address; where one never sends a frame itself; where one session
gets its answers from both; and where packets come back through a gateway: it has an address of its
own, or takes a little off the time to live. Probes are no claims.
"""

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import Hardware, Moment, Run
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import HOPS, Call, LinkUp
from rules import cautions

ENOUGH = 2
"""Claims of each device that prove it; a single one may be a mistake of a moment."""
TOGETHER = 1.0
"""Seconds within which two replies answer one question."""
TURN = 120.0
"""Seconds in which nobody swaps a unit and swaps it back (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    found = _in_arp(linkup) or _in_packets(linkup)
    if found is not None:
        yield found


def _in_arp(linkup: LinkUp) -> Sighting | None:
    if len(linkup.owners) < 2:
        return None
    first, second = linkup.owners[:2]
    if _is_one_device(_shared(linkup, first, second)):
        return None
    claims = linkup.claims
    runs = [run for run in claims.runs if run.hardware in (first, second)]
    in_turn = _in_turn(runs)
    together = _both_answered(linkup, first, second) or _both_alive(linkup, runs)
    two_labels = None not in (linkup.site.owner(first), linkup.site.owner(second))
    if not in_turn and not together and not two_labels:
        return None
    often, seldom = claims.counts[first], claims.counts[second]
    return _sighting(
        linkup,
        {first: often, second: seldom},
        {"first": _moments(claims.runs, first), "second": _moments(claims.runs, second)},
        shown=(in_turn and min(often, seldom) >= ENOUGH) or two_labels,
    )


def _in_packets(linkup: LinkUp) -> Sighting | None:
    """Two that send to the PC as the controller, though ARP names one of them at most."""
    runs = _turns(linkup)
    counts = Counter[Hardware]()
    for run in runs:
        counts[run.hardware] += run.count
    if len(counts) < 2:
        return None
    (first, often), (second, seldom) = counts.most_common(2)
    lives, other_lives = _lives(linkup, first), _lives(linkup, second)
    shared = _shared(linkup, first, second)
    if _is_one_device(shared) or _is_routed(lives, other_lives):
        return None
    broken = [one for one in shared if one.was_reset]
    two_systems = bool(broken) or not lives & other_lives
    shown = two_systems and min(often, seldom) >= ENOUGH and _in_turn(runs)
    if not shown and not any(map(_resets_at_once, broken)):
        return None
    return _sighting(
        linkup,
        {first: often, second: seldom},
        {"first_sends": _moments(runs, first), "second_sends": _moments(runs, second)},
        shown,
    )


def _sighting(
    linkup: LinkUp, often: dict[Hardware, int], frames: dict[str, list[Moment]], shown: bool
) -> Sighting:
    (first, of_first), (second, of_second) = often.items()
    return Sighting(
        values={
            "first": first,
            "second": second,
            "claims_first": of_first,
            "claims_second": of_second,
            "label": linkup.labelled,
        },
        frames=frames,
        certainty=Certainty.SHOWN if shown else Certainty.FITS,
    )


def _turns(linkup: LinkUp) -> list[Run]:
    """Who sent to the PC as the controller in turn: devices that have no other address."""
    facts, controller = linkup.facts, linkup.controller
    runs = (run for own in linkup.pc.addresses for run in facts.turns.get((controller, own), ()))
    alone = (run for run in runs if facts.has_only(run.hardware, controller))
    return sorted(alone, key=lambda run: run.first)


def _lives(linkup: LinkUp, hardware: Hardware) -> set[int]:
    """Times to live of what it sends as the controller."""
    paths = linkup.facts.index.packets_from[linkup.controller]
    return {ttl for one in paths if one.src == hardware for ttl in one.ttls}


def _is_routed(lives: set[int], other_lives: set[int]) -> bool:
    """Whether one is the other's packets behind some routers, such as the way back by a gateway."""
    return any(0 < abs(one - other) <= HOPS for one in lives for other in other_lives)


def _shared(linkup: LinkUp, first: Hardware, second: Hardware) -> list[Call]:
    """Calls with segments from both as the server."""
    both = {first, second}
    return [one for one in linkup.on_port if both <= one.session.from_server.hardware]


def _is_one_device(shared: list[Call]) -> bool:
    """Whether one session was answered by both and nobody reset it: two ports of one device."""
    return any(one.answers > 0 and not one.was_reset for one in shared)


def _resets_at_once(call: Call) -> bool:
    """Whether a reset followed the call so soon that two must have answered it."""
    if not call.calls or call.end is None or not call.end.reset:
        return False
    return call.end.moment.seconds - call.session.syns.last.seconds <= TOGETHER


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
    own = linkup.facts.index.packets_from[linkup.controller]
    after = younger.first.seconds + TOGETHER
    return any(one.src == elder.hardware and one.last.seconds > after for one in own)


def _moments(runs: list[Run], hardware: Hardware) -> list[Moment]:
    own = [run for run in runs if run.hardware == hardware]
    return sorted({moment for run in own for moment in (run.first, run.last)})


RULE = Rule(
    slug="duplicate-address",
    stage="neighbour",
    title="Two devices both say that they are {controller}",
    what_happened="The device {first} says {claims_first:times} that {controller} is its own, and "
    "the device {second} says so {claims_second:times}.{label:label}",
    means="The PC sends to whichever spoke last. Answers may come from the wrong device, and "
    "sessions break at random.",
    likely_causes={
        "backup loaded twice": (
            "A backup of one controller was loaded into a second one, address included."
        ),
        "default address": "A new or spare device still has its default address.",
        "address server": ("An address server or a service PC uses the controller's address."),
    },
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
        "first": "{first} says that it has {controller}{again}",
        "second": "{second} says that it has {controller}{again}",
        "first_sends": "{first} sends a packet as {controller}{again}",
        "second_sends": "{second} sends a packet as {controller}{again}",
    },
    cautions=(
        cautions.warning(
            "Commands may reach the wrong machine. Keep people clear of both.",
        ),
    ),
    also_fits={
        "two ports": "One device with two network ports that both answer.",
        "redundant pair": "A redundant pair that changed over and back.",
        "proxy ARP": ("A router that answers for others (proxy ARP), and for this address too."),
    },
    looks_alike=(
        "A redundant pair or a replaced module: one clean change, the first is silent afterwards.",
        "A router that answers for many addresses (proxy ARP).",
        "Probes with the sender 0.0.0.0.",
        "The same reply recorded twice: the hardware address is the same.",
        "A virtual router's address beside the real one.",
        "Packets that come back through a gateway: its own address, or a lower time to live.",
    ),
    confirm="With the PC cabled directly to one of the two, only that one may answer.",
    confirm_caution=cautions.UNPLUG,
    sources=("RFC 826 (the newest claim wins)", "RFC 5227 section 2.4"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
