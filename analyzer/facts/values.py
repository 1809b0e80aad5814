"""The small values that facts are made of: addresses, moments, series, spreads."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address, ip_address
from math import log2
from typing import NamedTuple

from analyzer.frames import IPV6_BIT

KEPT = 16
"""Moments kept of a series at most: enough to prove it, flat in memory."""


class Address(int):
    """An IPv4 address, a number that is written with dots; or one of IPv6, whose 128 bits stand
    behind IPV6_BIT, written as RFC 5952 has it.
    """

    __slots__ = ()

    def __str__(self) -> str:
        if self.is_ipv6:
            return str(IPv6Address(self ^ IPV6_BIT))
        return str(IPv4Address(int(self)))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)

    __repr__ = __str__

    @property
    def packed(self) -> bytes:
        """Its octets on the wire: four, or sixteen of IPv6."""
        return (self ^ IPV6_BIT).to_bytes(16) if self.is_ipv6 else self.to_bytes(4)

    def with_port(self, port: int) -> str:
        """Both as one text: an IPv6 address stands in brackets (RFC 3986 3.2.2)."""
        return f"[{self}]:{port}" if self.is_ipv6 else f"{self}:{port}"

    @property
    def is_ipv6(self) -> bool:
        """Whether it is an IPv6 address."""
        return self >= IPV6_BIT

    @property
    def is_public(self) -> bool:
        """Whether it belongs to the Internet, by IANA's registries of special addresses."""
        return ip_address(self.packed).is_global

    @property
    def is_mask(self) -> bool:
        """Whether it is ones and then zeros (RFC 4632 3.1); 0.0.0.0 says nothing."""
        zeros = self ^ 0xFFFFFFFF
        return 0 < self < 1 << 32 and zeros & (zeros + 1) == 0

    @classmethod
    def parse(cls, text: str) -> "Address":
        """Raises ValueError where the text is not four numbers with dots."""
        return cls(int(IPv4Address(text)))

    @classmethod
    def of_ipv6(cls, packed: bytes) -> "Address":
        """An IPv6 address from its sixteen octets."""
        return cls(IPV6_BIT | int.from_bytes(packed))

    @classmethod
    def parse_ipv6(cls, text: str) -> "Address":
        """Raises ValueError where the text is no IPv6 address; an adapter behind % is left out."""
        return cls.of_ipv6(IPv6Address(text).packed)


class Hardware(int):
    """A hardware address of 48 bits; a number that is written as IEEE 802 writes it."""

    __slots__ = ()

    def __str__(self) -> str:
        return "-".join(f"{octet:02X}" for octet in int(self).to_bytes(6))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)

    __repr__ = __str__

    @property
    def is_group(self) -> bool:
        """Broadcast or multicast (RFC 9542 2.1.1)."""
        return bool(self >> 40 & 1)

    @property
    def is_virtual_router(self) -> bool:
        """00-00-5E-00-01-xx: shared by redundant routers (RFC 9568 7.3)."""
        return self >> 8 == 0x00005E0001


class Moment(NamedTuple):
    """One frame: its number from 1, and seconds since the first frame of the recording."""

    frame: int
    seconds: float


@dataclass(slots=True)
class Series:
    """Something that happened again and again: how often, and the first and last moments."""

    count: int = 0
    early: list[Moment] = field(default_factory=list)
    late: list[Moment] = field(default_factory=list)

    def add(self, moment: Moment) -> None:
        """Count one more."""
        self.count += 1
        if len(self.early) < KEPT // 2:
            self.early.append(moment)
            return
        self.late.append(moment)
        if len(self.late) > KEPT // 2:
            del self.late[0]

    @classmethod
    def joined(cls, series: Iterable["Series"]) -> "Series":
        """All of several together."""
        several = list(series)
        moments = sorted(at for one in several for at in one.moments)
        return cls(sum(one.count for one in several), moments)

    @property
    def moments(self) -> list[Moment]:
        """The kept moments, in order; all of them where there were few."""
        return self.early + self.late

    @property
    def first(self) -> Moment:
        """Raises IndexError where nothing happened."""
        return self.early[0]

    @property
    def last(self) -> Moment:
        """Raises IndexError where nothing happened."""
        return (self.late or self.early)[-1]


BINS_PER_OCTAVE = 4
SMALLEST = 1e-6
BINS = 4 * 36


@dataclass(slots=True)
class Spread:
    """Durations in seconds as counts in bins that grow by a quarter octave, from 1 us up. bins:
    counts by the number of the bin, without empty ones.
    """

    bins: dict[int, int] = field(default_factory=dict)
    count: int = 0
    least: float = float("inf")
    most: float = 0.0

    def add(self, duration: float) -> None:
        """Count one more duration."""
        self.put(self.bin_of(duration), 1)
        self.least, self.most = min(self.least, duration), max(self.most, duration)

    def put(self, number: int, count: int) -> None:
        """Count durations of one bin; least and most are the caller's to keep."""
        self.bins[number] = self.bins.get(number, 0) + count
        self.count += count

    @classmethod
    def joined(cls, spreads: Iterable["Spread"]) -> "Spread":
        """The durations of all of them."""
        whole = cls()
        for one in spreads:
            for number, count in one.bins.items():
                whole.put(number, count)
            whole.least, whole.most = min(whole.least, one.least), max(whole.most, one.most)
        return whole

    @staticmethod
    def bin_of(duration: float) -> int:
        """The number of the bin of a duration."""
        octaves = log2(max(duration, SMALLEST) / SMALLEST)
        return min(int(octaves * BINS_PER_OCTAVE), BINS - 1)

    def at_least(self, duration: float) -> int:
        """How many were as long or longer, those of the same bin counted."""
        first = self.bin_of(duration)
        return sum(count for number, count in self.bins.items() if number >= first)

    @staticmethod
    def begins(number: int) -> float:
        """Where a bin begins, in seconds."""
        begin: float = SMALLEST * 2.0 ** (number / BINS_PER_OCTAVE)
        return begin

    @property
    def median(self) -> float:
        """Within a tenth of the true median; 0.0 where nothing was counted."""
        seen = 0
        for index, count in sorted(self.bins.items()):
            seen += count
            if 2 * seen >= self.count:
                middle: float = SMALLEST * 2.0 ** ((index + 0.5) / BINS_PER_OCTAVE)
                return min(max(middle, self.least), self.most)
        return 0.0
