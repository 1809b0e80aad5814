"""The recorder stood beside the PC and the controller: on a mirror port, a tap or a third PC.

Told by frames of the PC that came over the cable, or by a session of two others with the controller
where the recording PC itself tried nothing. A note where frames of both ends are there, and about
others where no controller was named; a warning where one direction or both are missing, where the
others have the named controller, or where it is unclear who the PC is. Quiet where the PC recorded
its own frames and tried, whatever else it overheard; and where it is unclear who recorded.
"""

from collections.abc import Iterable, Iterator

from analyzer.facts import Address, Session
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc_unknown:
        return
    own, index = _own_addresses(case), case.facts.index
    for linkup in case.linkups:
        if not linkup.is_tried:
            yield from _overheard(case, linkup, index.sessions_to[linkup.controller], own)
        elif linkup.pc_address is not None and linkup.pc.came_over_the_cable:
            yield _sighting(case, linkup.pc_address, linkup.controller, linkup)
    if all(linkup.target.how_known == "asked" for linkup in case.linkups):
        industrial = (one for one in case.facts.sessions if one.server.port in INDUSTRIAL_PORTS)
        yield from _overheard(case, None, industrial, own)


def _own_addresses(case: Case) -> set[Address]:
    """Those of the PC, or of whoever recorded its own short frames where the PC is unclear."""
    if case.pc is not None:
        over_ipv6 = case.pc.over_ipv6
        return {*case.pc.addresses, *(over_ipv6.addresses if over_ipv6 is not None else ())}
    recorders = (station for station in case.facts.stations if station.short)
    return {address for station in recorders for address in station.all_addresses}


def _overheard(
    case: Case, linkup: LinkUp | None, sessions: Iterable[Session], own: set[Address]
) -> Iterator[Sighting]:
    """The first of the sessions that two others have."""
    if case.pc is None and not own:
        return
    for client, server in ((one.client.address, one.server.address) for one in sessions):
        if own.isdisjoint((client, server)):
            yield _sighting(case, client, server, linkup)
            return


def _sighting(case: Case, client: Address, controller: Address, linkup: LinkUp | None) -> Sighting:
    index = case.facts.index
    there = [one for one in index.packets_to[controller] if one.src_ip == client]
    back = [one for one in index.packets_from[controller] if one.dst_ip == client]
    judged = linkup is not None and (linkup.works or bool(linkup.is_tried and there and back))
    in_passing = linkup is None and case.pc is not None
    return Sighting(
        values={
            "client": client,
            "controller": controller,
            "there": sum(path.frames for path in there),
            "back": sum(path.frames for path in back),
        },
        frames={
            "there": sorted(path.first for path in there)[:1],
            "back": sorted(path.first for path in back)[:1],
        },
        linkup=linkup,
        certainty=Certainty.FITS,
        level=Level.NOTE if judged or in_passing else Level.WARNING,
    )


RULE = Rule(
    slug="third-party-recording",
    stage="recording",
    level=Level.WARNING,
    title="Recorded beside {client} and {controller}, it seems, and on neither of the two",
    what_happened="The frames of {client} came to the recorder over the cable. In the file are "
    "{there:count packet} from {client} to {controller} and {back:count packet} back.",
    means="A third port of a switch hears broadcasts, and of the rest only what the switch does "
    "not "
    "filter, unless it mirrors another port. Packets that are missing here may have been there all "
    "the same.",
    likely_causes={
        "mirror port": "It was recorded on a mirror port or a tap.",
        "third pc": "It was recorded on a third PC, at an ordinary port of the switch.",
        "one direction": "The mirror port passes on one direction only.",
    },
    what_to_do=(
        Step("If {client} is the PC that connects, have the file judged with it as the PC."),
        Step(
            "Record on the PC that connects, on its cable adapter, while it connects once.",
            cautions.COMMANDS,
        ),
        Step("Where that cannot be, ask for a port that mirrors both directions of the PC's port."),
    ),
    evidence={
        "there": "{client} sends to {controller}",
        "back": "{controller} sends to {client}",
    },
    also_fits={
        "padded early": "A PC or virtual machine whose frames are padded before they are recorded.",
    },
    looks_alike=(
        "A PC that overhears others while it connects itself.",
        "A recording that was made on the PC: its own short frames are not padded in it.",
    ),
    confirm="Ask on which PC and at which switch port it was recorded.",
    sources=(
        "IEEE 802.1D section 7.1 (a bridge filters what a port need not hear; from memory)",
        "IEEE 802.3 section 3.2.8 (padding of short frames; from memory)",
    ),
    explains=("no-attempt",),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
