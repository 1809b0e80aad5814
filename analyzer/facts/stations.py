"""Who was heard: stations by hardware address, with the addresses that they used."""

from dataclasses import dataclass, field

from analyzer.facts.arp import Arp
from analyzer.facts.makers import registered
from analyzer.facts.paths import Path, Paths, Presence
from analyzer.facts.values import Address, Hardware, Moment
from analyzer.frames import NO_HARDWARE, Kind

LOCALLY_ADMINISTERED = 0x02
PROTOCOLS_AND_EXAMPLES = 0x00005E
"""First half of the addresses kept for protocols and documentation: nobody made those adapters
(RFC 9542 2.1)."""
FORWARDS = 3
"""Source addresses behind one hardware address that make it a router's (common practice)."""
OWN_IPV6 = 8
"""IPv6 addresses of one host at most: one for the cable, and for each of two prefixes one that
stays and some that change (RFC 8981; common practice)."""


@dataclass(slots=True, eq=False, repr=False)
class Station:
    """One hardware address that sent frames, or one IP address where the link has no hardware
    addresses.

    addresses: frames by IPv4 source address, those named in ARP included; ipv6: the same of IPv6,
    of which a host has several at once (RFC 4291 2.8); short, long, sent: see
    Path; unicast: frames between it and another single station, either way; broadcast_to: IPv4
    destinations of its Ethernet broadcasts; kinds: frames by Kind or EtherType.
    """

    hardware: Hardware | None
    first: Moment
    last: Moment
    presence: Presence
    frames: int = 0
    addresses: dict[Address, int] = field(default_factory=dict)
    ipv6: dict[Address, int] = field(default_factory=dict)
    short: int = 0
    long: int = 0
    sent: int = 0
    received: int = 0
    unicast: int = 0
    broadcast_to: set[Address] = field(default_factory=set)
    kinds: dict[int, int] = field(default_factory=dict)

    @property
    def is_router(self) -> bool:
        """Whether it sent packets of several addresses, as a router does for others."""
        return len(self.addresses) >= FORWARDS or len(self.ipv6) > OWN_IPV6

    @property
    def all_addresses(self) -> list[Address]:
        """Those of IPv4, then those of IPv6."""
        return [*self.addresses, *self.ipv6]

    def use(self, address: Address, frames: int) -> None:
        """Count frames in which it uses an address."""
        used = self.ipv6 if address.is_ipv6 else self.addresses
        used[address] = used.get(address, 0) + frames

    @property
    def is_mangled(self) -> bool:
        """Whether its address is one that nobody sends from: a group's (IEEE 802.3 3.2.3), as in a
        frame that was damaged.
        """
        return self.hardware is not None and self.hardware.is_group

    @property
    def is_switch(self) -> bool:
        """Whether it takes part in spanning tree."""
        return self.kinds.get(Kind.SPANNING_TREE, 0) > 0

    @property
    def came_over_the_cable(self) -> bool:
        """Whether another host recorded its frames: they are marked as received, or its ARP frames
        were padded, as adapters do on sending (IEEE 802.3 3.2.8).
        """
        if self.sent:
            return False
        return self.received > 0 or (self.kinds.get(Kind.ARP, 0) > 0 and not self.short)

    @property
    def maker(self) -> str | None:
        """Who the public registry (IEEE, as netaddr ships it) says made the adapter."""
        if self.hardware is None or self.hardware >> 40 & LOCALLY_ADMINISTERED:
            return None
        if self.hardware >> 24 == PROTOCOLS_AND_EXAMPLES:
            return None
        return registered(self.hardware >> 24)


def stations(paths: Paths, arp: Arp, neighbours: Arp) -> list[Station]:
    """All stations, in order of their first frame."""
    found: dict[tuple[int, int], Station] = {}
    for path in paths.paths.values():
        key = _key(path)
        station = found.get(key)
        if station is None:
            presence = paths.presence[int(NO_HARDWARE) if path.src is None else path.src]
            station = found[key] = Station(path.src, path.first, path.last, presence)
        _merge(station, path)
    for address, claims in (*arp.claims.items(), *neighbours.claims.items()):
        for hardware, count in claims.counts.items():
            claimant = found.get((hardware, 0))
            if claimant is not None:
                claimant.use(address, count)
    _count_unicast(paths, found)
    return sorted(found.values(), key=lambda station: station.first)


def _key(path: Path) -> tuple[int, int]:
    if path.src is not None:
        return path.src, 0
    return int(NO_HARDWARE), path.src_ip or 0


def _merge(station: Station, path: Path) -> None:
    station.first = min(station.first, path.first)
    station.last = max(station.last, path.last)
    station.frames += path.frames
    station.short += path.short
    station.long += path.long
    station.sent += path.sent
    station.received += path.received
    station.kinds[path.kind] = station.kinds.get(path.kind, 0) + path.frames
    if path.src_ip:
        station.use(path.src_ip, path.frames)
    if path.dst is not None and path.dst.is_group and path.dst_ip:
        station.broadcast_to.add(path.dst_ip)


def _count_unicast(paths: Paths, found: dict[tuple[int, int], Station]) -> None:
    for path in paths.paths.values():
        if path.dst is None:
            keys = [_key(path), (int(NO_HARDWARE), path.dst_ip or 0)]
        elif path.dst.is_group:
            continue
        else:
            keys = [_key(path), (path.dst, 0)]
        for key in keys:
            if key in found:
                found[key].unicast += path.frames
