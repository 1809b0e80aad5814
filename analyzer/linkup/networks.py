"""IP networks: an address with its mask, and where the mask is known from.

Nothing names the length of an IPv6 prefix here: all IPv6 addresses are presumed one network.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from enum import StrEnum
from ipaddress import IPv4Network
from typing import NamedTuple

from analyzer.facts import Address, Facts, Hardware
from analyzer.site import Site

PRESUMED_MASK = Address(0xFFFFFF00)
"""Where no mask is known: 255.255.255.0 (common practice, no source)."""
ANY_IPV6 = Address(0)
"""Leaves all bits of an IPv6 address open."""
SELF_ASSIGNED_MASK = Address(0xFFFF0000)
"""169.254.0.0/16 has a mask of its own (RFC 3927 2.1)."""


NOBODY6, LOOPBACK6 = Address.parse_ipv6("::"), Address.parse_ipv6("::1")
"""The first one is nothing but the bit that tells IPv6 from IPv4."""


class KnownFrom(StrEnum):
    """Where a mask is known from, the surest first: what was recorded counts before what was
    written down.
    """

    RECORD = "the recording's interface record"
    SERVER = "an address server"
    BROADCAST = "the station's own broadcasts"
    SHEET = "the site sheet"
    PRESUMED = "nothing"


class Network(NamedTuple):
    """A station's address, and the mask by which it takes others for neighbours."""

    address: Address
    mask: Address
    known_from: KnownFrom = KnownFrom.PRESUMED

    @property
    def is_presumed(self) -> bool:
        """Whether nothing names the mask."""
        return self.known_from is KnownFrom.PRESUMED

    def holds(self, address: int) -> bool:
        """Whether an address is in it."""
        return not (self.address ^ address) & (self.mask | NOBODY6)

    @property
    def whole(self) -> "Network":
        """The same network, whichever station's it is."""
        return Network(Address(self.address & (self.mask | NOBODY6)), self.mask)

    def holds_any(self, addresses: Sequence[int]) -> bool:
        """Whether one of some addresses, in order, is in it."""
        first = self.address & self.mask
        place = bisect_left(addresses, first)
        return place < len(addresses) and self.holds(addresses[place])

    def __str__(self) -> str:
        """Such as 192.0.2.0/24 (RFC 4632 3.1); of IPv6 the address alone."""
        if self.address.is_ipv6:
            return str(self.address)
        return str(IPv4Network((int(self.address), str(self.mask)), strict=False))


def presumed(address: Address) -> Network:
    """The network of an address whose mask nothing names."""
    if address.is_ipv6:
        return Network(address, ANY_IPV6)
    return Network(address, SELF_ASSIGNED_MASK if is_self_assigned(address) else PRESUMED_MASK)


def network_of(
    facts: Facts, site: Site, address: Address, hardware: Hardware | None, port: int | None = None
) -> Network:
    """The network of one address of a station, by the surest that names its mask."""
    named = _named(facts, site, address, hardware, port)
    return next((Network(address, mask, known) for mask, known in named), presumed(address))


def _named(
    facts: Facts, site: Site, address: Address, hardware: Hardware | None, port: int | None
) -> Iterator[tuple[Address, KnownFrom]]:
    for interface in facts.interfaces:
        for own, mask in interface.addresses:
            if own == address and Address(mask).is_mask:
                yield Address(mask), KnownFrom.RECORD
    for message in facts.index.offers_of[address]:
        if message.mask is not None and not message.from_client:
            yield message.mask, KnownFrom.SERVER
    station = facts.station(hardware)
    for group in () if station is None else station.broadcast_to:
        told = _mask_told_by(address, group)
        if told is not None:
            yield told, KnownFrom.BROADCAST
    for written in (site.adapter(address), site.controller(address, port)):
        if written is not None and written.mask is not None:
            yield written.mask, KnownFrom.SHEET


def _mask_told_by(own: Address, group: Address) -> Address | None:
    """The mask that a directed broadcast tells: all ones behind the network (RFC 922). Where a
    narrower one would fit as well, the widest is taken.
    """
    host = group & ~(group + 1)
    mask = Address(~host & 0xFFFFFFFF)
    return mask if mask and own & mask == group & mask else None


def is_self_assigned(address: Address) -> bool:
    """169.254.0.0/16 (RFC 3927 2.1)."""
    return address >> 16 == 0xA9FE


def is_loopback(address: Address) -> bool:
    """127.0.0.0/8 and ::1, which never leave a host (RFC 1122 3.2.1.3, RFC 4291 2.5.3)."""
    return address >> 24 == 127 or address == LOOPBACK6
