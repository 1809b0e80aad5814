"""What comes over the PC's cable: from whom, and whether a switch let it through."""

from collections.abc import Iterator

from analyzer.facts import Hardware, Kind, Path, Station
from analyzer.linkup.model import LinkUp, Pc
from analyzer.linkup.networks import Network, is_self_assigned

PAUSE, SLOW_PROTOCOLS, LOOP_TEST = 0x8808, 0x8809, 0x9000
CONTROL = frozenset(
    (Kind.SPANNING_TREE, Kind.LLDP, Kind.EAPOL, Kind.OTHER_LLC, PAUSE, SLOW_PROTOCOLS, LOOP_TEST)
)
"""Kinds of frame that a switch sends on a port by itself, even where it forwards nothing there
(IEEE 802.1Q 8.6.3: never forwarded; makers' own ones are LLC frames, common practice)."""
SEVERAL = 3
"""Stations of other networks that make it unlikely that one of them is only set wrongly."""


def let_through(pc: Pc, since: float) -> float | None:
    """When the first frame came that a switch forwarded to the PC, from a time on; seconds."""
    times = (time for one in pc.others for time in _forwarded(pc, one, since))
    return min(times, default=None)


def forwarded(pc: Pc) -> Iterator[Path]:
    """Paths of frames from other stations that a switch does not send by itself."""
    paths = pc.facts.index.paths_from
    heard = dict.fromkeys(one.hardware for one in pc.others)
    return (path for one in heard for path in paths[one] if path.kind not in CONTROL)


def _forwarded(pc: Pc, station: Station, since: float) -> Iterator[float]:
    if CONTROL.isdisjoint(station.kinds):
        spans = station.presence.spans
        yield from (max(begin, since) for begin, end in spans if end > since)
        return
    for path in pc.facts.index.paths_from[station.hardware]:
        if path.kind not in CONTROL and path.last.seconds > since:
            yield max(path.first.seconds, since)


def heard_of(linkup: LinkUp) -> tuple[set[Hardware], set[Hardware]]:
    """Other stations that are heard inside the PC's network, and those outside."""
    pc, network = linkup.pc, linkup.network
    if network not in pc.heard_of:
        pc.heard_of[network] = _heard_of(pc, network)
    return pc.heard_of[network]


def _heard_of(pc: Pc, network: Network | None) -> tuple[set[Hardware], set[Hardware]]:
    inside: set[Hardware] = set()
    outside: set[Hardware] = set()

    def note(address: int, who: set[Hardware]) -> None:
        (inside if network is None or network.holds(address) else outside).update(who)

    paths = list(forwarded(pc))
    heard = {path.src for path in paths if path.src is not None}
    for address, claims in pc.facts.arp.claims.items():
        if not is_self_assigned(address):
            note(address, heard.intersection(claims.counts))
    for path in paths:
        if path.src is not None and path.src_ip and not is_self_assigned(path.src_ip):
            note(path.src_ip, {path.src})
    return inside, outside - inside


def hears_others_only(linkup: LinkUp) -> bool:
    """Whether several stations of other networks are heard, and none of the PC's own."""
    inside, outside = heard_of(linkup)
    return len(outside) >= SEVERAL and not inside
