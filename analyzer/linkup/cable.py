"""What comes over the PC's cable: from whom, and whether a switch let it through."""

from collections.abc import Iterator

from analyzer.facts import Hardware, Kind, Moment, Path, Station
from analyzer.facts.dhcp import DISCOVER
from analyzer.linkup.model import Case, LinkUp, is_self_assigned, presumed_mask

PAUSE, SLOW_PROTOCOLS, LOOP_TEST = 0x8808, 0x8809, 0x9000
CONTROL = frozenset(
    (Kind.SPANNING_TREE, Kind.LLDP, Kind.EAPOL, Kind.OTHER_LLC, PAUSE, SLOW_PROTOCOLS, LOOP_TEST)
)
"""Kinds of frame that a switch sends on a port by itself, even where it forwards nothing there
(IEEE 802.1Q 8.6.3: never forwarded; makers' own ones are LLC frames, common practice)."""
SEVERAL = 3
"""Stations of other networks that make it unlikely that one of them is only set wrongly."""


def others(case: Case) -> Iterator[Station]:
    """Stations that are neither the PC nor one of its guests."""
    return (one for one in case.facts.stations if not is_of_the_pc(one, case))


def is_of_the_pc(station: Station, case: Case) -> bool:
    """The PC, or one of its guests: a station whose frames the recording marks as sent."""
    only_sent = station.sent > 0 and station.received == 0
    return only_sent or (case.pc is not None and station.hardware == case.pc.hardware)


def let_through(case: Case, since: float) -> float | None:
    """When the first frame came that a switch forwarded to the PC, from a time on; seconds."""
    times = [time for one in others(case) for time in _forwarded(case, one, since)]
    return min(times, default=None)


def forwarded(case: Case) -> Iterator[Path]:
    """Paths of frames from other stations that a switch does not send by itself."""
    stations = {one.hardware for one in others(case)}
    return (one for one in case.facts.paths if one.src in stations and one.kind not in CONTROL)


def _forwarded(case: Case, station: Station, since: float) -> Iterator[float]:
    if CONTROL.isdisjoint(station.kinds):
        spans = station.presence.spans
        yield from (max(begin, since) for begin, end in spans if end > since)
        return
    paths = (one for one in case.facts.paths if one.src == station.hardware)
    for path in paths:
        if path.kind not in CONTROL and path.last.seconds > since:
            yield max(path.first.seconds, since)


def everything_tried(case: Case, linkup: LinkUp | None) -> list[Moment]:
    """What the PC did to reach a controller, its searches for an address server included."""
    attempts = linkup.attempts if linkup is not None else []
    return sorted({*attempts, *searches(case)})


def searches(case: Case) -> list[Moment]:
    """The PC's searches for an address server."""
    own: Hardware | None = case.pc.hardware if case.pc is not None else None
    return [one.moment for one in case.facts.dhcp if one.client == own and one.type == DISCOVER]


def heard_of(case: Case, linkup: LinkUp) -> tuple[set[Hardware], set[Hardware]]:
    """Other stations that are heard inside the PC's network, and those outside."""
    inside: set[Hardware] = set()
    outside: set[Hardware] = set()
    heard: set[Hardware | None] = {path.src for path in forwarded(case)}
    for address, claims in case.facts.arp.claims.items():
        if not is_self_assigned(address):
            group = inside if _is_inside(linkup, address) else outside
            group.update(set(claims.counts) & heard)
    for path in forwarded(case):
        if path.src is not None and _names_a_station(path):
            (inside if _is_inside(linkup, path.src_ip or 0) else outside).add(path.src)
    return inside, outside - inside


def _names_a_station(path: Path) -> bool:
    return bool(path.src_ip) and path.src_ip is not None and not is_self_assigned(path.src_ip)


def _is_inside(linkup: LinkUp, address: int) -> bool:
    own = linkup.pc_address
    if own is None:
        return True
    mask = linkup.mask if linkup.mask is not None else presumed_mask(own)
    return own & mask == address & mask


def hears_others_only(case: Case, linkup: LinkUp) -> bool:
    """Whether several stations of other networks are heard, and none of the PC's own."""
    inside, outside = heard_of(case, linkup)
    return len(outside) >= SEVERAL and not inside
