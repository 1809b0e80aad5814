"""Another station claims the PC's own address.

A claim is any ARP with that address as its sender; a probe (sender 0.0.0.0) is none. Quiet where
the other hardware address is the PC's own second adapter, or answers for many addresses; and where
the other station had the address before the PC wanted it, or took it after the PC had left it.
A note where the PC left the address at once and its link-up works with another.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, Facts, Hardware, Moment
from analyzer.facts.arp import MANY, Run
from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc
from rules import cautions

AFTERWARDS = 10.0
"""Seconds within which a station that was challenged defends its address (RFC 5227 2.4)."""


def find(case: Case) -> Iterator[Sighting]:
    if case.pc is None or case.pc.hardware is None:
        return
    for address in _own_addresses(case.facts, case.pc):
        for other, runs in _claimed_by_others(case.facts, case.pc, address):
            linkups: Sequence[LinkUp | None] = case.linkups or [None]
            for linkup in linkups:
                yield Sighting(
                    values={
                        "pc": address,
                        "other": other,
                        "claims": sum(run.count for run in runs),
                    },
                    frames={
                        "own": _own_checks(case.facts, case.pc, address),
                        "other": [run.first for run in runs],
                    },
                    linkup=linkup,
                    level=_level(linkup, address),
                )


def _own_addresses(facts: Facts, pc: Pc) -> list[Address]:
    """Addresses that the PC uses, and those that it only asked to have."""
    probed = [address for hardware, address in facts.arp.probes if hardware == pc.hardware]
    return list(dict.fromkeys([*pc.addresses, *probed]))


def _claimed_by_others(
    facts: Facts, pc: Pc, address: Address
) -> Iterator[tuple[Hardware, list[Run]]]:
    claims, used = facts.arp.claims.get(address), _use(facts, pc, address)
    if claims is None or not used:
        return
    begin, end = min(used).seconds, max(used).seconds + AFTERWARDS
    disputes: dict[Hardware, list[Run]] = {}
    for run in claims.runs:
        if run.hardware != pc.hardware and run.last.seconds > begin and run.first.seconds < end:
            disputes.setdefault(run.hardware, []).append(run)
    for other, runs in disputes.items():
        if not _answers_for_many(facts, other, address) and not _is_own_adapter(facts, pc, other):
            yield other, runs


def _use(facts: Facts, pc: Pc, address: Address) -> list[Moment]:
    """First and last frames in which the PC wants, announces or uses an address."""
    asked = facts.arp.questions.values()
    paths = [one for one in facts.paths if one.src == pc.hardware and one.src_ip == address]
    questions = [one for one in asked if one.asker == pc.hardware and one.asker_ip == address]
    moments = [moment for path in paths for moment in (path.first, path.last)]
    moments += [moment for one in questions for moment in (one.asked.first, one.asked.last)]
    return moments + _own_checks(facts, pc, address)


def _answers_for_many(facts: Facts, other: Hardware, address: Address) -> bool:
    """Whether it answers for other addresses too, as a router with proxy ARP does."""
    return len(facts.arp.replied.get(other, set()) | {address}) >= MANY


def _is_own_adapter(facts: Facts, pc: Pc, other: Hardware) -> bool:
    """Whether the recording names it as the PC's, or it shares a second address with the PC."""
    if any(interface.hardware == other for interface in facts.interfaces):
        return True
    station, own = facts.station(other), facts.station(pc.hardware)
    if station is None or own is None:
        return False
    return len(set(station.addresses) & set(own.addresses)) >= 2


def _own_checks(facts: Facts, pc: Pc, address: Address) -> list[Moment]:
    assert pc.hardware is not None
    found = []
    for series in (facts.arp.probes, facts.arp.announcements):
        if (pc.hardware, address) in series:
            found += series[pc.hardware, address].moments
    return sorted(found)


def _level(linkup: LinkUp | None, address: Address) -> Level:
    left = linkup is not None and linkup.works and linkup.pc_address != address
    return Level.NOTE if left else Level.FAULT


RULE = Rule(
    slug="address-in-use",
    stage="address",
    title="Another device uses the PC's address {pc}",
    what_happened="The device with hardware address {other} said that {pc} is its own "
    "({claims:times} in this recording), while the PC wanted it or used it.",
    means="Two devices with one address take each other's answers. The PC may also have given the "
    "address up for that reason.",
    likely_causes=(
        "Another service PC was set to the same address.",
        "An operator panel or another fixed device has this address.",
        "An address server gives out addresses from the same range.",
    ),
    what_to_do=(
        Step("Tell production: the other device may be cut off as long as the PC has its address."),
        Step("Look for the hardware address {other} on labels and in the list of stations."),
        Step("Ask who else is connected to this network with a service PC."),
        Step(
            "Ask whoever looks after the network for a free address, and give that to the PC.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "own": "the PC checks or announces {pc}{nth}",
        "other": "{other} says that it has {pc}{nth}",
    },
    cautions=("The other device may be a panel or a drive: do not switch it off to find it.",),
    also_fits=(
        "A second adapter of the same PC, wireless or in a dock, that has the same address.",
        "A router that answers for other devices' addresses on purpose (proxy ARP).",
    ),
    looks_alike=(
        "A switch or a starting device that asks with the sender 0.0.0.0: a probe is no claim.",
        "A device that answers for many addresses on purpose (a router with proxy ARP).",
        "The PC's own second adapter.",
        "A device that had the address before the PC, or took it after the PC had left it.",
    ),
    confirm="Disconnect the PC, then ping {pc} from another station: an answer proves the second "
    "device.",
    sources=("RFC 5227 sections 2.1.1 and 2.4",),
    needs=frozenset({Need.HARDWARE}),
    find=find,
)
