"""New names for addresses: consistent, and with everything kept that a diagnosis reads off them.

IPv4: two addresses that share a network share one afterwards, for every mask known and for whole
numbers; private, public, self-assigned and documentation addresses stay of their kind; broadcasts
stay broadcasts, and the last numbers that gateways have (1 and 254) stay. Addresses that are no
single device's stay altogether. Hardware addresses get made-up ones with the group bit unchanged:
who made the adapter is no longer to be seen.
"""

import hashlib
from collections.abc import Iterable
from functools import cache
from ipaddress import IPv4Network

INSIDE = [
    IPv4Network(text)
    for text in (
        "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16",  # RFC 1918
        "169.254.0.0/16", "100.64.0.0/10", "198.18.0.0/15",  # RFC 3927, RFC 6598, RFC 2544
        "192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24",  # RFC 5737
    )
]  # fmt: skip
"""Networks that are renamed inside: an address of one becomes another address of it."""
KEPT = [
    IPv4Network(text)
    for text in ("0.0.0.0/8", "127.0.0.0/8", "192.0.0.0/24", "224.0.0.0/4", "240.0.0.0/4")
]
"""Networks whose addresses stay: they name no single device (RFC 6890)."""
SPECIAL = [
    (int(one.network_address), int(one.broadcast_address), one in KEPT) for one in INSIDE + KEPT
]
ENDS = {8, 16, 24, 32}
MADE_UP = 0x02 << 40
"""Locally administered addresses (RFC 9542 2.1): nobody's in particular."""
GROUP = 1 << 40
VIRTUAL_ROUTER = 0x00005E0001
SOLICITED = 0x3333FF
"""IPv6 neighbour solicitations go here, with the last 24 bits of an address behind (RFC 2464 7)."""
DOCUMENTATION6 = bytes.fromhex("20010db800000000")
LINK_LOCAL6 = bytes.fromhex("fe80000000000000")


class Renaming:
    """One renaming. masks: those that are known, as numbers; key: what makes it this one."""

    def __init__(self, masks: Iterable[int], key: bytes) -> None:
        self.ends = sorted(ENDS | {mask.bit_count() for mask in masks} - {0})
        self.key = key
        self.made_up: dict[int, int] = {}
        self.halves: dict[bytes, bytes] = {}
        self.address = cache(self._address)
        self._block = cache(self._shuffled)

    def _address(self, address: int) -> int:
        """The new name of an IPv4 address."""
        if any(first <= address <= last for first, last, kept in SPECIAL if kept):
            return address
        new, begin = 0, 0
        for end in self.ends:
            part = address >> 32 - end & (1 << end - begin) - 1
            before = address >> 32 - begin if begin else 0
            new = new << end - begin | self._block(before, begin, end)[part]
            begin = end
        return new

    def _shuffled(self, before: int, begin: int, end: int) -> list[int]:
        """The new values of the bits from begin to end, behind the bits before.

        Values change places with those of their own sort only.
        """
        size = 1 << end - begin
        sorts: dict[object, list[int]] = {}
        for value in range(size):
            sorts.setdefault(_sort(before << end - begin | value, value, size, end), []).append(
                value
            )
        new = [0] * size
        for values in sorts.values():
            mixed = sorted(values, key=lambda value: self._mixed(before, begin, value))
            for old, other in zip(values, mixed, strict=True):
                new[old] = other
        return new

    def _mixed(self, before: int, begin: int, value: int) -> bytes:
        words = before.to_bytes(4) + bytes([begin, value])
        return hashlib.blake2b(words, key=self.key, digest_size=8).digest()

    def hardware(self, address: int) -> int:
        """The new name of a hardware address, groups and virtual routers as they are."""
        if address >> 24 == SOLICITED:
            return SOLICITED << 24
        if not address or address & GROUP or address >> 8 == VIRTUAL_ROUTER:
            return address
        return self.made_up.setdefault(address, MADE_UP + len(self.made_up) + 1)

    def ipv6(self, address: bytes) -> bytes:
        """The new name of an IPv6 address: link-local ones stay so, others become ones for
        documentation (RFC 3849).
        """
        if address[0] == 0xFF:
            solicited = address[11:13] == b"\1\xff" and address[1] == 2
            return address[:13] + bytes(3) if solicited else address
        if not any(address[:15]):
            return address
        front, back = address[:8], address[8:]
        if front != LINK_LOCAL6:
            front = self._half(front, DOCUMENTATION6)
        return front + self._half(back, bytes(8))

    def _half(self, half: bytes, base: bytes) -> bytes:
        number = int.from_bytes(base) + len(self.halves) + 1
        return self.halves.setdefault(half, number.to_bytes(8))


def _sort(prefix: int, value: int, size: int, end: int) -> object:
    """What has to stay of a value that ends a prefix of some bits: itself, where a special network
    lies behind it, and for the last numbers that say something; else the special network around
    it, and how many ones it ends with, as these may belong to a broadcast address.
    """
    first = prefix << 32 - end
    last = first | (1 << 32 - end) - 1
    around: object = None
    for low, high, _ in SPECIAL:
        if first <= low and high <= last:
            return first
        if low <= first and last <= high:
            around = low
    if end == 32:
        return first if value in (0, 1, size - 2, size - 1) else (around, 0)
    if end > 24 and not value:
        return first
    return around, (value ^ (value + 1)).bit_count()
