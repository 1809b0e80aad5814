"""The small values that facts are made of: addresses, moments, series, spreads."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from math import log2
from typing import NamedTuple

KEPT = 16
"""Moments kept of a series at most: enough to prove it, flat in memory."""


class Address(int):
    """An IPv4 address; a number that is written with dots."""

    __slots__ = ()

    def __str__(self) -> str:
        return str(IPv4Address(int(self)))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)

    __repr__ = __str__

    @property
    def is_mask(self) -> bool:
        """Whether it is ones and then zeros (RFC 4632 3.1); 0.0.0.0 says nothing."""
        zeros = self ^ 0xFFFFFFFF
        return self > 0 and zeros & (zeros + 1) == 0

    @classmethod
    def parse(cls, text: str) -> "Address":
        """Raises ValueError where the text is not four numbers with dots."""
        return cls(int(IPv4Address(text)))


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
