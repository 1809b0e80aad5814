"""The PC itself has the controller's address.

Shown where the PC announces or uses an address that the user or the site sheet names as the
controller's; or where it does so with an address that it calls, or that others call on an
industrial port, while another device claims it. It fits where the PC only checked the address, met
its owner and calls from nowhere else. A note where the PC has left the address and the link-up
works since.

Quiet where the PC answers for many addresses; where the station taken for the PC accepts calls at
that address (then it is the controller) or shows no sign of having recorded; on loopback; and where
another device has an address of the PC that nobody takes for a controller's: that is
address-in-use.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, Moment, Session
from analyzer.facts.arp import MANY
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc, checks, disputes, uses
from rules import cautions

NAMED = 3
"""Other owners of the address that are named: enough to go and look."""


def survey(case: Case) -> Iterator[Sighting]:
    facts, pc = case.facts, case.pc
    if pc is None or pc.is_ipv6 or not _is_recorder(pc):
        return
    named = {one.controller for one in case.linkups if one.target.is_named}
    for address in dict.fromkeys([*pc.addresses, *pc.checked]):
        used, owners = uses(facts, pc, address), disputes(facts, pc, address)
        called = _calls_of_others(pc, address)
        wanted = address in named or (owners and (called or _calls_it(pc, address)))
        if not wanted or _accepts_calls(pc, address):
            continue
        runs = [run for claims in owners.values() for run in claims]
        told = sorted(owners)[:NAMED]
        for linkup in _concerned(case, address):
            if used or (owners and _calls_from_nowhere(linkup)):
                own = [*checks(facts, pc, address), *used]
                yield Sighting(
                    values={
                        "controller": address,
                        "pc": pc.hardware,
                        "claims": sum(run.count for run in runs),
                        "owners": told,
                        "used": bool(used),
                        "wants": not used,
                    },
                    frames={
                        "own": [min(own), max(own)],
                        "owner": sorted(run.first for run in runs),
                        "called": [session.first for session in called],
                    },
                    linkup=linkup,
                    certainty=Certainty.SHOWN if used else Certainty.FITS,
                    level=Level.NOTE if _is_over(linkup, used) else Level.FAULT,
                )


def _is_recorder(pc: Pc) -> bool:
    """Whether the PC is more than the busiest station: it was named, or its own frames show it."""
    station, own = pc.station, pc.hardware
    if station is None or not own or own.is_virtual_router:
        return False
    if len(pc.facts.arp.replied.get(own, ())) >= MANY:
        return False
    alone_short = station.short > 0 and not any(one.short for one in pc.others)
    return pc.how_known != "traffic" or alone_short or station.sent > 0


def _calls_it(pc: Pc, address: Address) -> bool:
    """Whether the PC calls an address, before or after it had that address itself."""
    calls = pc.facts.index.sessions_to[address]
    own = (one for one in calls if pc.hardware in one.from_client.hardware)
    return any(one.server.port not in OFFICE_PORTS for one in own)


def _calls_of_others(pc: Pc, address: Address) -> list[Session]:
    """Calls that reach the PC at an address and an industrial port."""
    calls = pc.facts.index.sessions_to[address]
    there = (one for one in calls if pc.hardware in one.from_client.sent_to)
    return [one for one in there if one.server.port in INDUSTRIAL_PORTS]


def _accepts_calls(pc: Pc, address: Address) -> bool:
    """Whether the station taken for the PC is a server at that address."""
    calls = pc.facts.index.sessions_to[address]
    return any(one.syn_ack for one in calls if pc.hardware in one.from_server.hardware)


def _concerned(case: Case, address: Address) -> Sequence[LinkUp | None]:
    """The link-ups with that controller, and those in vain from that address."""
    if not case.linkups:
        return [None]
    return [
        one
        for one in case.linkups
        if one.controller == address or (one.pc_address == address and not one.works)
    ]


def _calls_from_nowhere(linkup: LinkUp | None) -> bool:
    """Whether the PC calls nobody, or only from an address that it gave itself."""
    return linkup is None or not linkup.attempts or linkup.self_assigned


def _is_over(linkup: LinkUp | None, used: Sequence[Moment]) -> bool:
    """Whether the link-up works since the PC left the address."""
    return linkup is not None and linkup.works and all(map(linkup.is_heard_after, used[-1:]))


RULE = Rule(
    slug="pc-has-controllers-address",
    stage="address",
    title="The PC itself has the controller's address {controller}",
    what_happened="The PC, with the hardware address {pc},{used:if took}{wants:if checked} "
    "{controller}{claims:if, and {owners:list} said {claims:times} to have that address}.",
    means="A PC that calls its own address talks to itself: nothing goes out on the cable. For "
    "everybody else, the address now leads to two devices.",
    likely_causes={
        "entered on the PC": ("The controller's address was entered in the PC's address settings."),
        "PC's address named": (
            "The PC's own address was named as the controller's, in the program or for this "
            "diagnosis."
        ),
        "address server": "An address server gave the PC the address of a controller.",
    },
    what_to_do=(
        Step(
            "Unplug the PC's own cable{claims:if, which leaves {controller} to {owners:list}}. "
            "Others may send to the PC's hardware address for some minutes more.",
            cautions.LINK_DROPS,
        ),
        Step("Tell production: panels and other controllers may reach the PC instead."),
        Step("Look at the address settings of this adapter, and at the address in the program."),
        Step(
            "Ask whoever looks after the network for a free address. Give it to the PC with the "
            "same mask while the cable is out, and plug in then.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "Look at the controller's display or lamps: it may have given up its address when it "
            "met the PC with it.",
        ),
        Step("If it did, have the controller started again, last of all.", cautions.RESTART),
    ),
    evidence={
        "own": "the PC checks, announces or uses {controller}{again}",
        "owner": "another device says that it has {controller}{again}",
        "called": "another station calls {controller} and reaches the PC{again}",
    },
    cautions=(
        cautions.warning(
            "Two devices with one address can stop drives and I/O. Keep people clear until it "
            "is resolved.",
        ),
    ),
    also_fits={
        "only checked": (
            "Where the PC only checked the address: a PC without an address that asks for the "
            "controller, or a program that looks whether an address is free."
        ),
    },
    looks_alike=(
        "Another device with the PC's own address, which is nobody's controller.",
        "A recording made on another adapter than the one used, where nothing is tried either.",
        "A PC that stands in for many stations (a bridge or a tunnel).",
    ),
    confirm="Disconnect the PC. Delete the entry of {controller} in another station's neighbour "
    "table, then ping it from there: the controller answers, or nobody.",
    confirm_caution=cautions.LINK_DROPS,
    explains=("address-in-use", "no-attempt"),
    sources=(
        "RFC 5227 sections 2.1.1 and 2.4",
        "common practice, no source (a call to its own address never leaves the PC)",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
