"""Another adapter, address or tunnel of the PC takes the packets for the controller.

- The recording names two adapters whose networks both hold the controller. A fault where one of
  them is answered and the PC calls in vain by the other; a warning where neither is; a note where
  the link-up works.
- The PC calls in vain as an address outside the controller's network, while the same adapter has
  one inside: a fault.
- The PC that was named sends nothing, and the station that recorded calls the controller as
  another address (translation, another adapter): a warning.
- The PC tries nothing here and keeps up a tunnel (VPN): a note.

Quiet about one adapter with several addresses where the right one is used, about guests with
addresses of their own, about a PC that changed its address, and about tunnels beside an attempt.
"""

from collections.abc import Iterable, Iterator

from analyzer.facts import Address, Hardware, Moment
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

TWO_ADAPTERS, SEVERAL = "same numbers twice", "several addresses"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    sightings = (_two_adapters, _foreign_sender, _another_caller, _tunnel)
    yield from (found for look in sightings if (found := look(linkup)) is not None)


def _ways(addresses: Iterable[Address | None]) -> dict[str, object]:
    """The values where there are several ways."""
    return {"ways": list(dict.fromkeys(addresses)), "used": None, "inside": []}


def _two_adapters(linkup: LinkUp) -> Sighting | None:
    """Two adapters in the recording's own records whose networks both hold the controller."""
    adapters = {
        Hardware(interface.hardware): Address(address)
        for interface in linkup.facts.interfaces
        for address, mask in interface.addresses
        if interface.hardware is not None and address & mask == linkup.controller & mask
    }
    if len(adapters) < 2:
        return None
    answered = _answers(linkup, adapters.keys() - {linkup.pc.hardware})
    harmless = linkup.is_heard or not linkup.attempts
    return Sighting(
        values=_ways(adapters.values()),
        frames={"tried": linkup.attempts, "answered": answered},
        level=Level.NOTE if harmless else Level.FAULT if answered else Level.WARNING,
        certainty=Certainty.SHOWN if answered else Certainty.FITS,
        silence=linkup.silence(linkup.in_vain),
    )


def _answers(linkup: LinkUp, adapters: set[Hardware]) -> list[Moment]:
    """Packets from the controller to other adapters, and its replies to their questions."""
    index, controller = linkup.facts.index, linkup.controller
    asked = (one for one in index.questions_for[controller] if one.asker in adapters)
    back = [one.first for one in index.packets_from[controller] if one.dst in adapters]
    return sorted([*back, *(at for one in asked for at, _ in one.answers)])


def _foreign_sender(linkup: LinkUp) -> Sighting | None:
    """Calls as an address outside the controller's network, though the adapter has one inside."""
    used, pc = linkup.pc_address, linkup.pc
    if used is None or linkup.in_reach or not linkup.attempts:
        return None
    kept = _kept_addresses(linkup, used)
    inside = [one for one in kept if one != used and pc.network(one).holds(linkup.controller)]
    if not inside:
        return None
    return Sighting(
        values={"ways": [], "used": used, "inside": inside},
        frames={"tried": linkup.attempts},
        certainty=Certainty.FITS,
        silence=linkup.silence(linkup.in_vain),
        likeliest=SEVERAL,
        ruled_out=[TWO_ADAPTERS],
    )


def _kept_addresses(linkup: LinkUp, used: Address) -> list[Address]:
    """Addresses of the adapter: from its record, or still in use after it began to use this one."""
    pc, began = linkup.pc, linkup.pc.first_use(used)
    own = (one for one in linkup.facts.interfaces if one.hardware == pc.hardware)
    recorded = [Address(address) for one in own for address, _ in one.addresses]
    still = [one for one in pc.addresses if began and (pc.last_use(one) or began) > began]
    return list(dict.fromkeys([*recorded, *still]))


def _another_caller(linkup: LinkUp) -> Sighting | None:
    """Calls by the host that recorded, where the PC that was named is nowhere."""
    index, pc, controller = linkup.facts.index, linkup.pc, linkup.controller
    if pc.station is not None:
        return None
    asked = [(one.asked.first, one.asker, one.asker_ip) for one in index.questions_for[controller]]
    sent = [(one.first, one.src, one.src_ip) for one in index.packets_to[controller]]
    calls = [(at, own) for at, who, own in sorted(asked + sent) if _recorded(linkup, who)]
    if not calls:
        return None
    return Sighting(
        values=_ways([*pc.addresses, *(own for _, own in calls)]),
        frames={"other": [at for at, _ in calls]},
        level=Level.WARNING,
        certainty=Certainty.FITS,
    )


def _recorded(linkup: LinkUp, hardware: Hardware | None) -> bool:
    """Whether a station is on the host that recorded."""
    station = linkup.facts.station(hardware)
    return station is not None and bool(station.short or station.sent)


def _tunnel(linkup: LinkUp) -> Sighting | None:
    """A tunnel that the PC keeps up, where nothing for the controller is sent on this adapter."""
    tunnels = linkup.pc.tunnels
    if linkup.is_tried or not tunnels:
        return None
    ends = [address for own, far, _ in tunnels for address in (own, far)]
    return Sighting(
        values=_ways(ends),
        frames={"tunnel": [at for _, _, at in tunnels]},
        level=Level.NOTE,
        certainty=Certainty.FITS,
    )


RULE = Rule(
    slug="overlapping-adapters",
    stage="address",
    title="The PC may call {controller}{used:if from the wrong one of its addresses}{ways:if "
    "through another adapter or address}",
    what_happened="{used:if The PC called {controller} as {used}, though the same adapter has "
    "{inside:list} in the controller's network.}{ways:if More than one way leads from this PC to "
    "{controller}, with the addresses {ways:list}.}",
    means="The PC picks a way by its own rules, not by what the program wants. On the wrong one, "
    "questions get no answer, or answers go to an address that nobody listens to.",
    likely_causes={
        TWO_ADAPTERS: ("Wireless and cable, or two cables, are in networks with the same numbers."),
        SEVERAL: (
            "One adapter has several addresses, and another one than the controller's network is "
            "used."
        ),
        "VPN or old entry": "A VPN or an old entry in the PC's routing table takes the packets.",
        "virtual machine": (
            "The program runs in a virtual machine whose packets leave with another address."
        ),
    },
    what_to_do=(
        Step(
            "{used:if Look for what makes the PC call as {used}: an entry in its routing table, or "
            "a second address of the adapter.}"
        ),
        Step(
            "{used:if Have that entry or second address removed, so that the PC calls as "
            "{inside:list}.}",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "List the PC's adapters with address and mask, and its routing table.",
            about=TWO_ADAPTERS,
        ),
        Step(
            "Leave only the machine's adapter on: wireless off, other cables out of the PC, VPN "
            "closed.",
            cautions.OTHERS_SESSION,
            about=TWO_ADAPTERS,
        ),
        Step(
            "Give the machine's adapter an address in a network that no other adapter of the PC "
            "is in, without a gateway.",
            cautions.ADDRESS_CHANGE,
            about=TWO_ADAPTERS,
        ),
        Step(
            "In a virtual machine, bridge its adapter to the machine's cable, or run the program "
            "outside.",
            cautions.PROGRAM,
        ),
        Step("Record again, on all adapters at once."),
    ),
    evidence={
        "tried": "the PC tries to reach {controller}{again}",
        "answered": "{controller} answers another adapter of the PC{again}",
        "other": "the PC that recorded calls {controller} as another address than the one named",
        "tunnel": "the PC sends packets of a tunnel (VPN){again}",
    },
    also_fits={
        "controller off": "A controller that is off, on a PC whose adapters do no harm.",
        "nothing tried": "A program that did not try, beside a VPN that is meant to be there.",
        "slip": "A slip in the address that was named as the PC's.",
    },
    looks_alike=(
        "A controller that is served through the VPN on purpose: record on the tunnel's adapter.",
        "A guest or a telephone with an address of its own on the same adapter.",
        "A PC whose address was changed while the recording ran.",
        "A recording made on another adapter than the one used.",
    ),
    confirm="Record on all adapters of the PC at once, while somebody presses Connect once.",
    confirm_caution=cautions.COMMANDS,
    explains=(
        "no-attempt",
        "third-party-recording",
    ),
    sources=(
        "RFC 1122 section 3.3.4 (several adapters and addresses)",
        "common practice, no source",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
