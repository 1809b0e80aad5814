"""Another station claims the PC's own address.

A claim is any ARP with that address as its sender; a probe (sender 0.0.0.0) is none. Quiet where
the other hardware address is the PC's own second adapter, or answers for many addresses.
A note where the PC left the address at once and its link-up works with another.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Facts, Hardware, Moment
from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    if case.pc is None or case.pc.hardware is None:
        return
    for address in _own_addresses(case.facts, case.pc):
        for other, moments in _claimed_by_others(case.facts, case.pc, address):
            for linkup in case.linkups or [None]:
                yield Sighting(
                    values={"pc": address, "other": other, "claims": len(moments)},
                    frames={"own": _own_checks(case.facts, case.pc, address), "other": moments},
                    linkup=linkup,
                    level=_level(linkup, address),
                )


def _own_addresses(facts: Facts, pc: Pc) -> list[Address]:
    """Addresses that the PC uses, and those that it only asked to have."""
    probed = [address for hardware, address in facts.arp.probes if hardware == pc.hardware]
    return list(dict.fromkeys([*pc.addresses, *probed]))


def _claimed_by_others(
    facts: Facts, pc: Pc, address: Address
) -> Iterator[tuple[Hardware, list[Moment]]]:
    claims = facts.arp.claims.get(address)
    if claims is None:
        return
    others = dict.fromkeys(run.hardware for run in claims.runs if run.hardware != pc.hardware)
    for other in others:
        if facts.arp.answers_for_many(other) or _is_own_adapter(facts, pc, other):
            continue
        yield other, [run.first for run in claims.runs if run.hardware == other]


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
    what_happened="The device with hardware address {other} says that {pc} is its own "
    "({claims:times} in this recording).",
    means="Two devices on one address take each other's answers. The PC may also have given the "
    "address up for that reason.",
    likely_causes=(
        "Another service PC was set to the same address.",
        "An operator panel or another fixed device has this address.",
        "An address server gives out addresses from the same range.",
    ),
    what_to_do=(
        Step("Look for the hardware address {other} on labels and in the list of stations below."),
        Step("Ask who else is connected to this network with a service PC."),
        Step(
            "Give the PC another number in the same network that nobody has.",
            cautions.ADDRESS_CHANGE,
        ),
        Step("Tell production: the other device may have been cut off while the PC had its address."),
    ),
    evidence={
        "own": "the PC checks or announces {pc}{nth}",
        "other": "{other} says that it has {pc}{nth}",
    },
    cautions=("The other device may be a panel or a drive: do not switch it off to find it.",),
    also_fits=("A second adapter of the same PC that answers for both addresses.",),
    looks_alike=(
        "A switch or a starting device that asks with the sender 0.0.0.0: a probe is no claim.",
        "A device that answers for many addresses on purpose (a router with proxy ARP).",
        "The PC's own second adapter.",
    ),
    confirm="Disconnect the PC and look from another station whether {pc} still answers.",
    sources=("RFC 5227 sections 2.1.1 and 2.4",),
    needs=frozenset({Need.HARDWARE}),
    find=find,
)
