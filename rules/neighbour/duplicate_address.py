"""Two devices claim the controller's address.

Shown by claims from both in turn (one, the other, the first again, each at least twice) where the
first came back when it was asked, or again and again right after the other had spoken; and where
the site sheet knows both hardware addresses as those of two devices. It fits where both answer one
question, where the turn happened once, or where the first goes on sending after the second took
over. Where each only says in turn that it has the address now, they may be two adapters of one
device: it fits, and is a warning where the PC gets its answers all the same. Where ARP does not
tell, packets do: shown where both send as the controller in turn and are two systems (one resets
what the other accepted, or their fresh times to live differ); it fits where one accepts a call and
the other resets it.

Shown, too, where one device says unasked, again and again, that it has an address which another one
uses meanwhile: who answers when asked, or sends with it. The one that claims has an address of its
own, or takes those of several others. About an address of no link-up this is a warning.

Quiet where one took over for good or much later; where one answers for many addresses, forwards
packets or has a virtual router's address; where one never sends a frame itself; where one session
gets its answers from both; and where packets come back through a gateway: it has an address of its
own, or takes a little off the time to live. Probes are no claims.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

from analyzer.facts import Address, Hardware, Run
from analyzer.facts.paths import times_to_live
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import HOPS, Call, Case, How, Intruder, LinkUp, intruder
from rules import cautions

BACKUP, DEFAULT, SERVER, ONE_DEVICE, INTRUDER = (
    "backup loaded twice",
    "default address",
    "address server",
    "one device",
    "intruder",
)
"""Names of the causes in the rule."""
TWO_PORTS, REDUNDANT = "two ports", "redundant pair"
"""Names of these in what would look the same."""
NO_INTRUDER: Mapping[str, object] = {
    "more": [],
    "unasked": 0,
    "own": [],
    "others": [],
    "well": False,
}
"""Values of clauses that are left out."""
ENOUGH = 2
"""Claims of each device that prove it; a single one may be a mistake of a moment."""
TOGETHER = 1.0
"""Seconds within which two replies answer one question."""
TURN = 120.0
"""Seconds in which nobody swaps a unit and swaps it back (common practice, no source)."""


def survey(case: Case) -> Iterator[Sighting]:
    told, known = set[Address](), set[Hardware]()
    for linkup in (one for one in case.linkups if not one.is_ipv6):
        taken = _intruder(linkup)
        if taken is not None:
            known.add(taken.hardware)
        by_intruder = taken and _of_intruder(linkup.controller, taken)
        found = by_intruder or _in_arp(linkup) or _in_packets(linkup)
        if found is not None:
            refused = sum(one.calls for one in linkup.calls.that(How.REFUSED))
            yield found._replace(linkup=linkup, values={**found.values, "refused": refused})
        told.update([linkup.controller, *linkup.pc.addresses])
    for address in case.facts.index.unasked_for:
        taken = None if address in told else intruder(case.facts, address)
        if taken is not None and taken.hardware not in known:
            known.add(taken.hardware)
            found = _of_intruder(address, taken)
            yield found._replace(level=Level.WARNING, values={**found.values, "refused": 0})


def _intruder(linkup: LinkUp) -> Intruder | None:
    """Who takes the controller's address from it, if neither of the two is the PC."""
    taken = intruder(linkup.facts, linkup.controller)
    is_pc = taken is not None and linkup.pc.hardware in (taken.hardware, taken.owner)
    return None if is_pc else taken


def _of_intruder(address: Address, taken: Intruder) -> Sighting:
    return Sighting(
        values={
            "controller": address,
            "first": taken.owner,
            "second": taken.hardware,
            "claims_first": 0,
            "claims_second": 0,
            **NO_INTRUDER,
            "unasked": taken.unasked.count,
            "own": taken.own,
            "others": taken.others,
        },
        frames={"unasked": taken.unasked.moments, "used": taken.used},
        likeliest=INTRUDER,
        ruled_out=[BACKUP, DEFAULT, SERVER, ONE_DEVICE, TWO_PORTS, REDUNDANT],
    )


def _in_arp(linkup: LinkUp) -> Sighting | None:
    claims, two = linkup.claims, linkup.owners[:2]
    if len(two) < 2 or _is_one_device(_shared(linkup, two)):
        return None
    if _shares_out(linkup, two):
        return None
    runs = [run for run in claims.runs if run.hardware in two]
    returns = _returns(runs)
    contradict = _contradict(linkup, returns)
    two_labels = None not in map(linkup.site.owner, two)
    two_speak = contradict or two_labels or _both_answered(linkup, two) or _both_alive(linkup, runs)
    if not (returns or two_speak):
        return None
    counts = {one: claims.counts[one] for one in two}
    shown = (contradict and min(counts.values()) >= ENOUGH) or two_labels
    found = _sighting(counts, runs, ("first", "second"), shown)
    level = None if two_speak or not _is_well(linkup) else Level.WARNING
    values = {**found.values, "more": linkup.owners[2:], "well": level is not None}
    if level is None:
        return found._replace(values=values)
    out = [INTRUDER, TWO_PORTS]
    return found._replace(values=values, level=level, likeliest=ONE_DEVICE, ruled_out=out)


def _in_packets(linkup: LinkUp) -> Sighting | None:
    """Two that send to the PC as the controller, though ARP names one of them at most."""
    runs = _turns(linkup)
    sent = Counter[Hardware]()
    for run in runs:
        sent[run.hardware] += run.count
    counts = dict(sent.most_common(2))
    if len(counts) < 2:
        return None
    shared = _shared(linkup, counts)
    lives, other_lives = (_lives(linkup, one) for one in counts)
    if _is_one_device(shared) or _is_routed(lives, other_lives):
        return None
    broken = [one for one in shared if one.was_reset]
    two_systems = bool(broken) or not lives & other_lives
    shown = two_systems and min(counts.values()) >= ENOUGH and bool(_returns(runs))
    if not shown and not any(map(_resets_at_once, broken)):
        return None
    return _sighting(counts, runs, ("first_sends", "second_sends"), shown)


def _sighting(
    counts: dict[Hardware, int], runs: list[Run], keys: tuple[str, str], shown: bool
) -> Sighting:
    (first, often), (second, seldom) = counts.items()
    return Sighting(
        values={
            "first": first,
            "second": second,
            "claims_first": often,
            "claims_second": seldom,
            **NO_INTRUDER,
        },
        frames={
            key: [at for run in runs if run.hardware == one for at in (run.first, run.last)]
            for key, one in zip(keys, counts, strict=True)
        },
        certainty=Certainty.SHOWN if shown else Certainty.FITS,
        ruled_out=[INTRUDER, ONE_DEVICE],
    )


def _turns(linkup: LinkUp) -> list[Run]:
    """Who sent to the PC as the controller in turn: devices that have no other address."""
    facts, controller = linkup.facts, linkup.controller
    runs = (run for own in linkup.pc.addresses for run in facts.turns.get((controller, own), ()))
    alone = (run for run in runs if facts.has_only(run.hardware, controller))
    return sorted(alone, key=lambda run: run.first)


def _lives(linkup: LinkUp, hardware: Hardware) -> set[int]:
    """Times to live of what it sends as the controller."""
    packets = linkup.facts.index.packets_from[linkup.controller]
    return times_to_live(one for one in packets if one.src == hardware)


def _is_routed(lives: set[int], other_lives: set[int]) -> bool:
    """Whether one is the other's packets behind some routers, such as the way back by a gateway."""
    return any(0 < abs(one - other) <= HOPS for one in lives for other in other_lives)


def _shared(linkup: LinkUp, two: Iterable[Hardware]) -> list[Call]:
    """Calls with segments from both as the server."""
    return [one for one in linkup.on_port if one.session.from_server.hardware.issuperset(two)]


def _is_one_device(shared: list[Call]) -> bool:
    """Whether one session was answered by both and nobody reset it: two ports of one device."""
    return any(one.answers > 0 and not one.was_reset for one in shared)


def _shares_out(linkup: LinkUp, two: list[Hardware]) -> bool:
    """Whether one of the two only tells, unasked, which adapter takes the PC's packets, and
    sessions are answered after that. Where both say so unasked, they contradict each other.
    """
    told = {one: linkup.facts.arp.unasked.get((one, linkup.controller)) for one in two}
    unasked = [(one, series) for one, series in told.items() if series is not None]
    if len(unasked) != 1:
        return False
    hardware, series = unasked[0]
    only = series.count >= linkup.claims.counts[hardware]
    return only and linkup.on_port.answered_after(series.first)


def _resets_at_once(call: Call) -> bool:
    """Whether a reset followed the call so soon that two must have answered it."""
    called, end = call.session.syns.moments, call.end
    if not called or end is None or not end.reset:
        return False
    return end.moment.seconds - called[-1].seconds <= TOGETHER


def _returns(runs: list[Run]) -> list[tuple[Run, Run]]:
    """Where one claimed the address again soon after the other had: those two runs."""
    return [
        (between, after)
        for before, between, after in zip(runs, runs[1:], runs[2:], strict=False)
        if before.hardware == after.hardware != between.hardware
        and after.first.seconds - before.last.seconds <= TURN
    ]


def _contradict(linkup: LinkUp, returns: list[tuple[Run, Run]]) -> bool:
    """Whether one came back when it was asked, or again and again right after the other had spoken.
    Of two adapters that take over from one another only the one speaks that said so last.
    """
    questions = linkup.facts.index.questions_for[linkup.controller]
    asked = {at for question in questions for at, _ in question.answers}
    at_once = [
        after for other, after in returns if after.first.seconds - other.last.seconds <= TOGETHER
    ]
    return len(at_once) >= ENOUGH or any(after.first in asked for _, after in returns)


def _is_well(linkup: LinkUp) -> bool:
    """Whether the PC gets its answers, and no session or call suffered."""
    calls = linkup.on_port
    return linkup.works and not any(
        one.denied or one.was_reset or one.waits or one.hangs for one in calls
    )


def _both_answered(linkup: LinkUp, two: list[Hardware]) -> bool:
    """Whether one question got replies from both."""
    return any(
        {a, b} == set(two) and other.seconds - one.seconds <= TOGETHER
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


RULE = Rule(
    slug="duplicate-address",
    stage="neighbour",
    title="Two devices{fits:if, it seems,} both say that they are {controller}{unasked:if, one of "
    "them without being asked}{well:if, or one device with two ports}",
    what_happened="{claims_first:if The device {first} says {claims_first:times} that {controller} "
    "is its own, and the device {second} says so {claims_second:times}.}{well:if They do so in "
    "turn, and the PC is answered all the while.}{refused:if Calls of the PC were turned down "
    "{refused:times}.}"
    "{more:if More devices say so: {more:list}.}"
    "{unasked:if The device {second}}{own:if, whose own address is {own:list},}{unasked:if says "
    "{unasked:times} unasked that it is {controller}, an address that {first} uses.}"
    "{others:if It says the same of others' addresses: {others:list}.}{label:label}",
    means="Which of the two the PC sends to depends on its system and on who spoke first or last. "
    "Answers may come from the wrong device, and sessions break at random.",
    likely_causes={
        BACKUP: ("A backup of one controller was loaded into a second one, address included."),
        DEFAULT: "A new or spare device still has its default address.",
        SERVER: "An address server or a service PC uses the controller's address.",
        ONE_DEVICE: "One device with two network ports, which take over from one another.",
        INTRUDER: "A program on {second} draws what is meant for others to itself: a tool that "
        "listens in, or somebody who does not belong here.",
    },
    what_to_do=(
        Step("Send no motion commands and load no programs until this is resolved."),
        Step(
            "{unasked:if Ask whoever looks after the network what {second} does there. If nobody "
            "knows it, tell those responsible for security.}"
        ),
        Step("Compare {first} and {second} with the hardware addresses on the labels."),
        Step("Look up in the switches' tables behind which port each of the two is."),
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
        "unasked": "{second} says unasked that it has {controller}{again}",
        "used": "{first} uses {controller}{again}",
        "first_sends": "{first} sends a packet as {controller}{again}",
        "second_sends": "{second} sends a packet as {controller}{again}",
    },
    cautions=(
        cautions.warning(
            "Commands may reach the wrong machine. Keep people clear of both.",
        ),
    ),
    also_fits={
        TWO_PORTS: "One device with two network ports that both answer, or that take over from one "
        "another.",
        REDUNDANT: "A redundant pair that changed over and back.",
        "proxy ARP": ("A router that answers for others (proxy ARP), and for this address too."),
    },
    looks_alike=(
        "A redundant pair or a replaced module: one clean change, the first is silent afterwards.",
        "A router that answers for many addresses (proxy ARP).",
        "Probes with the sender 0.0.0.0.",
        "A device of two adapters that says unasked which of them takes its packets.",
        "Two adapters of one device that take over from one another: it fits, as a warning.",
        "The same reply recorded twice: the hardware address is the same.",
        "A virtual router's address beside the real one.",
        "Packets that come back through a gateway: its own address, or a lower time to live.",
    ),
    confirm="With the PC cabled directly to one of the two, only that one may answer.",
    confirm_caution=cautions.UNPLUG,
    sources=(
        "RFC 826 (the newest claim wins; some systems keep the first for a second: from memory)",
        "RFC 5227 section 2.4",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
