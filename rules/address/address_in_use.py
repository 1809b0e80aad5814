"""Another station claims the PC's own address.

A claim is any ARP with that address as its sender; a probe (sender 0.0.0.0) is none. Where ARP does
not tell, it fits where packets with that address come from another device: a warning only where the
link-up works all the same. A note where the PC left the address at once and its link-up works with
another.

Quiet where the other hardware address is the PC's own second adapter, or answers for many
addresses; where the other station had the address before the PC wanted it, or took it after the PC
had left it; and where the PC checked a controller's address only to call it from another.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import CLIENT, Address, Hardware, Path, Run
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc, checks, disputes, senders
from rules import cautions

CONTROLLER = "the controller itself"
"""Name of this cause in the rule."""
ENOUGH = 2
"""Packets that tell a second device; a single one may be a repeated packet of the PC."""


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc is None or case.pc.hardware is None or case.pc.is_ipv6:
        return
    for address in _own_addresses(case, case.pc):
        claimed = disputes(case.facts, case.pc, address)
        for other, runs in claimed.items():
            yield from _sightings(case, case.pc, address, other, runs, [])
        for other, paths in senders(case.facts, case.pc, address).items():
            if other not in claimed and sum(path.frames for path in paths) >= ENOUGH:
                runs = case.facts.claims(address).by(other)
                yield from _sightings(case, case.pc, address, other, runs, paths)


def _own_addresses(case: Case, pc: Pc) -> list[Address]:
    """Addresses that the PC uses, and those that it only asked to have: not those that it calls
    from a good one, of which it only looked who is there.
    """
    called = {one.controller for one in case.linkups if not one.self_assigned}
    return list(dict.fromkeys([*pc.addresses, *(one for one in pc.checked if one not in called)]))


def _sightings(
    case: Case,
    pc: Pc,
    address: Address,
    other: Hardware,
    claims: Sequence[Run],
    packets: Sequence[Path],
) -> Iterator[Sighting]:
    """For each link-up; shown by claims in ARP, or by packets only: then claims were before."""
    linkups: Sequence[LinkUp | None] = case.linkups or [None]
    for linkup in linkups:
        strange = [] if linkup is None else linkup.strange_sessions
        known = linkup is not None and (linkup.target.is_named or linkup.works)
        elsewhere = linkup is not None and known and linkup.controller != address
        taken = None if linkup is None else _taken_instead(pc, address, linkup.pc_address)
        yield Sighting(
            values={
                "pc": address,
                "other": other,
                "taken": taken,
                "stays": taken is None,
                "claims": sum(run.count for run in claims),
                "packets": sum(one.frames for one in packets),
                "strange": len(strange),
                "unnamed": not elsewhere,
            },
            frames={
                "own": checks(case.facts, pc, address),
                "other": [run.first for run in claims],
                "sent": [one.first for one in packets],
                "strange": [one.from_server.first for one in strange if one.from_server.first],
                "undone": [
                    end.moment for one in strange for end in one.ends[:1] if end.side == CLIENT
                ],
            },
            linkup=linkup,
            certainty=Certainty.FITS if packets else Certainty.SHOWN,
            level=_level(linkup, address, not packets),
            ruled_out=[CONTROLLER] if elsewhere else [],
        )


def _taken_instead(pc: Pc, address: Address, used: Address | None) -> Address | None:
    """The address that the PC calls from, where it took that and uses the other one no more."""
    if used is None or used == address:
        return None
    left, began = pc.last_use(address), pc.first_use(used)
    is_left = left is None or (began is not None and left < began)
    return used if is_left else None


def _level(linkup: LinkUp | None, address: Address, claimed: bool) -> Level:
    if linkup is None or not linkup.works:
        return Level.FAULT
    if linkup.pc_address != address:
        return Level.NOTE
    return Level.FAULT if claimed else Level.WARNING


RULE = Rule(
    slug="address-in-use",
    stage="address",
    title="Another device{fits:if likely} uses the PC's address {pc}",
    what_happened="{taken:if The PC wanted {pc}, which the device with hardware address {other} "
    "has; so the PC took {taken}.}{stays:if While the PC wanted or used {pc}, {other} used that "
    "address too.}{strange:if {controller} sent the PC packets of {strange:count session} that it "
    "did not open.}{claims:if {other} said {claims:times} that {pc} is its own.}"
    "{packets:if {other} sent {packets:count packet} as {pc}.}",
    means="Two devices with one address take each other's answers.{stays:if The PC may also have "
    "given the address up for that reason.}",
    likely_causes={
        "another service PC": "Another service PC was set to the same address.",
        CONTROLLER: (
            "It is the address of the controller itself, which was entered on the PC by a slip."
        ),
        "another fixed device": "An operator panel or another fixed device has this address.",
        "address server": "An address server gives out addresses from the same range.",
    },
    what_to_do=(
        Step(
            "{taken:if Ask whoever looks after the network for a free address, and give that to "
            "the PC.}",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "{stays:if Tell production: the other device may be cut off as long as the PC has its "
            "address.}"
        ),
        Step(
            "{stays:if Unplug the PC's own cable: {pc} is the other device's alone then. Others "
            "may send to the PC's hardware address for some minutes more.}",
            cautions.LINK_DROPS,
        ),
        Step(
            "{unnamed:if Compare {pc} with the address on the controller's display or label. If "
            "it is the controller's, the PC needs another one.}"
        ),
        Step("Look for the hardware address {other} on labels and in the list of stations."),
        Step("Ask who else is connected to this network with a service PC."),
        Step(
            "{stays:if Ask whoever looks after the network for a free address. Give it to the PC "
            "while the cable is out, and plug in then.}",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "own": "the PC checks or announces {pc}{again}",
        "other": "{other} says that it has {pc}{again}",
        "sent": "{other} sends packets as {pc}{again}",
        "strange": "{controller} sends to {pc} in a session that the PC did not open{again}",
        "undone": "the PC turns that session down, as it knows no such one{again}",
    },
    cautions=(
        cautions.warning(
            "The other device may be a panel or a drive: do not switch it off to find it.",
        ),
    ),
    also_fits={
        "second adapter": (
            "A second adapter of the same PC, wireless or in a dock, that has the same address."
        ),
        "proxy ARP": "A router that answers for other devices' addresses on purpose (proxy ARP).",
    },
    looks_alike=(
        "A switch or a starting device that asks with the sender 0.0.0.0: a probe is no claim.",
        "A device that answers for many addresses on purpose (a router with proxy ARP).",
        "The PC's own second adapter.",
        "A device that had the address before the PC, or took it after the PC had left it.",
        "The PC's own packets, sent on by a router.",
    ),
    confirm="Disconnect the PC. Delete the entry of {pc} in another station's neighbour table, "
    "then "
    "ping {pc} from there: an answer proves the second device.",
    confirm_caution=cautions.LINK_DROPS,
    sources=("RFC 5227 sections 2.1.1 and 2.4",),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
