"""New names for addresses: consistent, and with everything kept that a diagnosis reads off them.

IPv4: two addresses that share a network share one afterwards, for every mask known and for whole
numbers; private, public, self-assigned and documentation addresses stay of their kind; broadcasts
stay broadcasts, and 1 and 254, which gateways end with, stay one of the two. No new name is an
address that occurs, so no station keeps its own, and nobody takes one for another's. Addresses that
are no single device's stay; groups stay where a standard gives them. Hardware addresses get made-up
ones with the group bit unchanged: who made the adapter is no longer to be seen.
"""

import hashlib
from collections.abc import Iterable, Sequence
from functools import cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address
from itertools import count

from analyzer.facts.values import Hardware

INSIDE = [
    IPv4Network(text)
    for text in (
        "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16",  # RFC 1918
        "169.254.0.0/16", "100.64.0.0/10", "198.18.0.0/15",  # RFC 3927, RFC 6598, RFC 2544
        "192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24",  # RFC 5737
        "224.0.0.0/4", "240.0.0.0/4",  # RFC 1112 4
    )
]  # fmt: skip
"""Networks that are renamed inside: an address of one becomes another address of it."""
KEPT = [IPv4Network(text) for text in ("0.0.0.0/8", "127.0.0.0/8", "192.0.0.0/24", "224.0.0.0/23")]
"""Networks whose addresses stay: they name no single device (RFC 6890), or a group that a standard
gives (RFC 5771 4 and 5).
"""
SWAPPED = {0xC00002: 0xC63364, 0xC63364: 0xC00002}
"""Two networks of RFC 5737 that change places, as neither has room to move in: 192.0.2.0/24 and
198.51.100.0/24. The third ends in another bit, so that its broadcasts would tell another mask."""
Special = tuple[int, int, bool]
"""First and last address of a network, and whether its addresses stay."""
SPECIAL: list[Special] = [
    (int(one.network_address), int(one.broadcast_address), one in KEPT) for one in INSIDE + KEPT
]
ENDS = {8, 16, 24, 32}
GATEWAYS, RESERVED = (1, 254), (0, 255)
"""Last numbers that gateways usually have, and that networks and broadcasts have."""
MADE_UP = 0x02 << 40
"""Locally administered addresses (RFC 9542 2.1): nobody's in particular."""
GROUP, BROADCAST = 1 << 40, (1 << 48) - 1
VIRTUAL_ROUTER = 0x00005E0001
BRIDGES = 0x0180C20000
"""Groups of IEEE 802.1: spanning tree, LLDP, access control (IEEE 802.1Q 8.6.3)."""
GROUP4, GROUP6 = 0x01005E, 0x3333
"""How group addresses of IPv4 (RFC 1112 6.4) and IPv6 (RFC 2464 7) begin, whose last 23 and 32 bits
stand behind."""
ASSIGNED4, ASSIGNED6 = 0x200, 0x20000
"""Below these they are those of standards: 224.0.0.0/23, ff02::1 to ff02::1:3."""
DYNAMIC4, DYNAMIC6, SOLICITED = 0x400000, 0x80000000, 0xFF000000
"""Where made-up ones begin (for IPv6 RFC 3307 4.3), and those with the end of an address behind
(RFC 4291 2.7.1)."""
DOCUMENTATION6 = 0x20010DB8 << 32
LINK_LOCAL6 = bytes.fromhex("fe80000000000000")


class Met:
    """Stands where a Renaming does, leaves every name as it is, and knows what it was asked for:
    addresses of each sort as Renaming takes them.
    """

    def __init__(self) -> None:
        self.addresses: set[int] = set()
        self.hardwares: set[int] = set()
        self.ipv6s: set[bytes] = set()

    def address(self, address: int) -> int:
        """The same IPv4 address."""
        self.addresses.add(address)
        return address

    def hardware(self, address: int) -> int:
        """The same hardware address."""
        self.hardwares.add(address)
        return address

    def ipv6(self, address: bytes) -> bytes:
        """The same IPv6 address."""
        self.ipv6s.add(address)
        return address


NOBODY = Met()


class Renaming:
    """One renaming. masks: those that are known, as numbers; key: what makes it this one; met: the
    addresses that are no new names.
    """

    def __init__(self, masks: Iterable[int], key: bytes, met: Met = NOBODY) -> None:
        self.ends = sorted(ENDS | {mask.bit_count() for mask in masks} - {0})
        self.key = key
        occurring = met.addresses
        networks = {one >> 8 for one in occurring}
        first = {one >> 16 for one in SWAPPED}
        alone = all(one in SWAPPED for one in networks if one >> 16 in first)
        self.swapped = SWAPPED if alone else {}
        self.occurring = frozenset(occurring)
        self.taken = _prefixes(occurring, self.ends)
        self.used = _prefixes([self._swapped(one) for one in occurring], self.ends)
        self.hardware_taken = frozenset(met.hardwares)
        self.halves_taken = {half for one in met.ipv6s for half in (one[:8], one[8:])}
        ends = {int.from_bytes(one[12:]) for one in met.ipv6s} | met.hardwares
        self.groups_taken = {one & bits for one in ends for bits in (0xFFFFFF, 0xFFFFFFFF)}
        self.names: dict[int, int] = {}
        self.numbers = count(1)
        self.group_numbers, self.half_numbers = count(1), count(1)
        self.made_up: dict[int, int] = {}
        self.groups: dict[int, int] = {}
        self.halves: dict[tuple[bytes, int], bytes] = {}
        self.names6: dict[bytes, bytes] = {}
        self._block = cache(self._shuffled)

    def address(self, address: int) -> int:
        """The new name of an IPv4 address."""
        if address not in self.names:
            self.names[address] = self._named(address)
        return self.names[address]

    @property
    def stuck(self) -> list[int]:
        """Addresses that found no new name that does not occur; groups of standards, networks and
        broadcasts may keep their own.
        """
        new = {one: self.address(one) for one in self.occurring if not _stays(one)}
        return [
            old
            for old, name in new.items()
            if name in self.occurring and (name != old or old & 0xFF not in RESERVED)
        ]

    def changed(self) -> dict[str, str]:
        """All new names so far by the old ones, as they are written."""
        names: dict[object, object] = {}
        names |= {IPv4Address(old): IPv4Address(new) for old, new in sorted(self.names.items())}
        names |= {Hardware(old): Hardware(new) for old, new in self.made_up.items()}
        names |= {IPv6Address(old): IPv6Address(new) for old, new in self.names6.items()}
        return {str(old): str(new) for old, new in names.items() if old != new}

    def _named(self, address: int) -> int:
        if _stays(address):
            return address
        address = self._swapped(address)
        new, begin = 0, 0
        for end in self.ends:
            part = address >> 32 - end & (1 << end - begin) - 1
            before = address >> 32 - begin if begin else 0
            new = new << end - begin | self._block(before, new, begin, end)[part]
            begin = end
        return new

    def _swapped(self, address: int) -> int:
        """The address in the other network, where it is in one of two that change places. They do
        not where others share a wider network with them.
        """
        return self.swapped.get(address >> 8, address >> 8) << 8 | address & 0xFF

    def _shuffled(self, before: int, new: int, begin: int, end: int) -> list[int]:
        """The new values of the bits from begin to end, behind the bits before, which are new now.

        Values change places with those of their own sort only. Those that occur get values first,
        and of these the ones that do not occur.
        """
        size = 1 << end - begin
        near = [one for one in SPECIAL if one[0] >> 32 - begin <= before <= one[1] >> 32 - begin]
        sorts: dict[object, list[int]] = {}
        for value in range(size):
            sort = _sort(before << end - begin | value, value, size, end, near)
            sorts.setdefault(sort, []).append(value)
        changed = [0] * size
        for values in sorts.values():

            def is_used(value: int) -> bool:
                return before << end - begin | value in self.used[end]

            def is_taken(value: int) -> bool:
                return new << end - begin | value in self.taken[end]

            mixed = sorted(values, key=lambda value: self._mixed(before, begin, value))
            olds = sorted(values, key=lambda value: not is_used(value))
            for old, other in zip(olds, sorted(mixed, key=is_taken), strict=True):
                changed[old] = other
        return changed

    def _mixed(self, before: int, begin: int, value: int) -> bytes:
        words = before.to_bytes(4) + bytes([begin, value])
        return hashlib.blake2b(words, key=self.key, digest_size=8).digest()

    def hardware(self, address: int) -> int:
        """The new name of a hardware address; virtual routers, everybody and the groups of
        standards as they are.
        """
        if address in (0, BROADCAST) or address >> 8 in (VIRTUAL_ROUTER, BRIDGES):
            return address
        if address >> 32 == GROUP6:
            return GROUP6 << 32 | self._group6(address & 0xFFFFFFFF)
        if address >> 24 == GROUP4:
            low = address & 0xFFFFFF
            return GROUP4 << 24 | (low if low < ASSIGNED4 else self._group(address, DYNAMIC4))
        if address not in self.made_up:
            free = (MADE_UP | address & GROUP | number for number in self.numbers)
            self.made_up[address] = next(one for one in free if one not in self.hardware_taken)
        return self.made_up[address]

    def _group6(self, low: int) -> int:
        """The last 32 bits of an IPv6 group."""
        if low >= SOLICITED:
            return SOLICITED
        return low if low < ASSIGNED6 else self._group(low, DYNAMIC6)

    def _group(self, group: int, base: int) -> int:
        if group not in self.groups:
            free = (base + number for number in self.group_numbers)
            self.groups[group] = next(one for one in free if one not in self.groups_taken)
        return self.groups[group]

    def ipv6(self, address: bytes) -> bytes:
        """The new name of an IPv6 address: link-local ones stay so, others become ones for
        documentation (RFC 3849), groups keep their scope.
        """
        if address not in self.names6:
            self.names6[address] = self._named6(address)
        return self.names6[address]

    def _named6(self, address: bytes) -> bytes:
        if address[0] == 0xFF:
            low = self._group6(int.from_bytes(address[12:]))
            middle = b"\0\1" if address[10:13] == b"\0\1\xff" else bytes(2)
            return address[:2] + bytes(8) + middle + low.to_bytes(4)
        if not any(address[:15]):
            return address
        front, back = address[:8], address[8:]
        if front != LINK_LOCAL6:
            front = self._half(front, DOCUMENTATION6)
        return front + self._half(back, int.from_bytes(self.key[:4]) << 32)

    def _half(self, half: bytes, base: int) -> bytes:
        """Half an address: nobody's here, and one that is unlikely to be anybody's elsewhere, as
        people give small numbers.
        """
        if (half, base) not in self.halves:
            begin = base + (int.from_bytes(self.key[-2:]) << 16)
            free = ((begin + number).to_bytes(8) for number in self.half_numbers)
            self.halves[half, base] = next(one for one in free if one not in self.halves_taken)
        return self.halves[half, base]


def _stays(address: int) -> bool:
    return any(first <= address <= last for first, last, kept in SPECIAL if kept)


def _prefixes(addresses: Iterable[int], ends: Iterable[int]) -> dict[int, set[int]]:
    """The beginnings of addresses, by their bits."""
    different = set(addresses)
    return {end: {one >> 32 - end for one in different} for end in ends}


def _sort(prefix: int, value: int, size: int, end: int, near: Sequence[Special]) -> object:
    """What has to stay of a value that ends a prefix of some bits: itself, where a special network
    lies behind it, and for networks and broadcasts; else the special network around it, and how
    many ones it ends with, as these may belong to a broadcast address. Gateways are a sort of
    their own. near: special networks that it may have to do with.
    """
    first = prefix << 32 - end
    last = first | (1 << 32 - end) - 1
    around: object = None
    for low, high, _ in near:
        if first <= low and high <= last:
            return first
        if low <= first and last <= high:
            around = low
    if end == 32:
        if value in (0, size - 1) or prefix & 0xFF in RESERVED:
            return first
        return around, prefix & 0xFF in GATEWAYS
    if end > 24 and not value:
        return first
    return around, (value ^ (value + 1)).bit_count()
