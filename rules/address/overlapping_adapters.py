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

from collections.abc import Iterable, Iterator, Sequence

from analyzer.facts import Address, Facts, Hardware, Moment, Station
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, Silence, silence, uses
from rules import cautions

TUNNEL_PORTS = {500, 1194, 1701, 4500}
"""UDP ports of tunnels: key exchange and its NAT traversal (RFC 3947 4), L2TP (RFC 2661 8.1), and
1194 as registered with IANA (from memory)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    sightings = (_two_adapters, _foreign_sender, _another_caller, _tunnel)
    yield from (found for look in sightings if (found := look(linkup)) is not None)


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
    others = [one for one in adapters if one != linkup.pc.hardware]
    answered = [at for other in others for at in _answers(linkup, other)]
    harmless = linkup.is_heard or not linkup.attempts
    level = Level.NOTE if harmless else Level.FAULT if answered else Level.WARNING
    return _sighting(
        linkup,
        list(adapters.values()),
        {"tried": linkup.attempts, "answered": answered},
        level,
        Certainty.SHOWN if answered else Certainty.FITS,
        silence=None if linkup.is_heard else silence(linkup.attempts, linkup.facts),
    )


def _answers(linkup: LinkUp, adapter: Hardware) -> list[Moment]:
    """Packets from the controller to another adapter, and its replies to that one's questions."""
    facts, controller = linkup.facts, linkup.controller
    asked = (one for one in facts.arp.questions.values() if one.wanted == controller)
    paths = (one for one in facts.paths if one.src_ip == controller and one.dst == adapter)
    replies = [at for one in asked if one.asker == adapter for at, _ in one.answers]
    return sorted([*replies, *(path.first for path in paths)])


def _foreign_sender(linkup: LinkUp) -> Sighting | None:
    """Calls as an address outside the controller's network, though the adapter has one inside."""
    used = linkup.pc_address
    if used is None or linkup.is_heard or not linkup.attempts or linkup.same_network:
        return None
    inside = [one for one in _kept_addresses(linkup, used) if _is_near(linkup, one)]
    if not inside:
        return None
    return _sighting(
        linkup,
        [*inside, used],
        {"tried": linkup.attempts},
        Level.FAULT,
        Certainty.FITS,
        silence=silence(linkup.attempts, linkup.facts),
    )


def _kept_addresses(linkup: LinkUp, used: Address) -> list[Address]:
    """Other addresses of the adapter: from its record, or still in use while the PC calls."""
    facts, pc = linkup.facts, linkup.pc
    station = facts.station(pc.hardware)
    if station is None:
        return []
    own = (one for one in facts.interfaces if one.hardware == station.hardware)
    recorded = [Address(address) for one in own for address, _ in one.addresses]
    calls = [at for address, at in _calls(facts, station, linkup.controller) if address == used]
    began = min(calls, default=None)
    still = [one for one in pc.addresses if began and _is_used_after(began, uses(facts, pc, one))]
    return [one for one in dict.fromkeys([*recorded, *still]) if one != used]


def _is_used_after(began: Moment, used: Iterable[Moment]) -> bool:
    return any(at > began for at in used)


def _is_near(linkup: LinkUp, own: Address) -> bool:
    return linkup.pc.network(own).holds(linkup.controller)


def _another_caller(linkup: LinkUp) -> Sighting | None:
    """Calls by the station that recorded, where the PC that was named is nowhere."""
    facts, pc = linkup.facts, linkup.pc
    if _is_seen(linkup):
        return None
    for station in facts.stations:
        calls = _calls(facts, station, linkup.controller)
        if calls and (station.short or station.sent):
            callers = list(dict.fromkeys(address for address, _ in calls))
            return _sighting(
                linkup,
                [*pc.addresses, *callers],
                {"other": [at for _, at in calls]},
                Level.WARNING,
                Certainty.FITS,
            )
    return None


def _is_seen(linkup: LinkUp) -> bool:
    pc = linkup.pc
    used = {address for one in linkup.facts.stations for address in one.addresses}
    return linkup.facts.station(pc.hardware) is not None or bool(used & set(pc.addresses))


def _calls(facts: Facts, station: Station, controller: Address) -> list[tuple[Address, Moment]]:
    """What a station sends to the controller or asks for it, as which address, first of each."""
    asked = facts.arp.questions.values()
    own = [one for one in asked if one.asker == station.hardware and one.wanted == controller]
    paths = [one for one in facts.paths if one.src == station.hardware and one.dst_ip == controller]
    calls = [(one.asker_ip, one.asked.first) for one in own]
    return calls + [(one.src_ip, one.first) for one in paths if one.src_ip]


def _tunnel(linkup: LinkUp) -> Sighting | None:
    """A tunnel that the PC keeps up, where nothing for the controller is sent on this adapter."""
    if linkup.attempts or linkup.last_sent or linkup.is_heard:
        return None
    tunnels = [
        (own, far, one.asked.first)
        for one in linkup.facts.exchanges
        for (own, _), (far, port) in ((one.client, one.server), (one.server, one.client))
        if own in linkup.pc.addresses and port in TUNNEL_PORTS
    ]
    if not tunnels:
        return None
    return _sighting(
        linkup,
        list(dict.fromkeys(address for own, far, _ in tunnels for address in (own, far))),
        {"tunnel": [at for _, _, at in tunnels if at is not None]},
        Level.NOTE,
        Certainty.FITS,
    )


def _sighting(
    linkup: LinkUp,
    ways: Sequence[Address],
    frames: dict[str, list[Moment]],
    level: Level,
    certainty: Certainty,
    silence: Silence | None = None,
) -> Sighting:
    values = {"controller": linkup.controller, "ways": list(ways)}
    return Sighting(values, frames, linkup, certainty, level, silence)


RULE = Rule(
    slug="overlapping-adapters",
    stage="address",
    title="Another adapter or address of the PC may take the packets for {controller}",
    what_happened="More than one way leads from this PC to {controller}. Addresses that take part: "
    "{ways:list}.",
    means="The PC picks a way by its own rules, not by what the program wants. On the wrong one, "
    "questions get no answer, or answers go to an address that nobody listens to.",
    likely_causes={
        "wireless-cable-two": (
            "Wireless and cable, or two cables, are in networks with the same numbers."
        ),
        "one-adapter-several": (
            "One adapter has several addresses, and another one than the controller's network is "
            "used."
        ),
        "vpn-old-entry": "A VPN or an old entry in the PC's routing table takes the packets.",
        "program-runs-virtual": (
            "The program runs in a virtual machine whose packets leave with another address."
        ),
    },
    what_to_do=(
        Step("List the PC's adapters with address and mask, and its routing table."),
        Step(
            "Leave only the machine's adapter on: wireless off, other cables out of the PC, VPN "
            "closed.",
            "Ask first whether the VPN or another adapter carries somebody's session with a "
            "machine. " + cautions.OTHERS_SESSION,
        ),
        Step(
            "Give the machine's adapter an address in a network that no other adapter of the PC "
            "is in, without a gateway.",
            cautions.ADDRESS_CHANGE,
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
        "controller-off-pc": "A controller that is off, on a PC whose adapters do no harm.",
        "program-did-try": "A program that did not try, beside a VPN that is meant to be there.",
        "slip-address-named": "A slip in the address that was named as the PC's.",
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
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
