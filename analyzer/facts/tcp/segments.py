"""The TCP segments of one chunk as columns, and the two ways in which they are grouped."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.columns import Flags, Floats, Ints, Records, distinct
from analyzer.facts.groups import ends
from analyzer.facts.session import CLIENT, SERVER, Session, Side
from analyzer.facts.values import KEPT, Moment, Series
from analyzer.frames import Frames

FIRST_OCTETS = 64
"""Octets kept of the first data in each direction."""


@dataclass(slots=True, eq=False, repr=False)
class Segments:
    """TCP rows of a chunk, sorted by session, in file order inside.

    part: index of the row's session in `sessions`; index: the row in `frames.tcp`; begins: where
    a session begins.
    """

    sessions: list[Session]
    frames: Frames
    part: Ints
    side: Ints
    seq: Ints
    ack: Ints
    flags: Ints
    length: Ints
    window: Ints
    seconds: Floats
    number: Ints
    index: Ints
    begins: Flags

    @property
    def first(self) -> Ints:
        """For each row the first row of its session."""
        return np.flatnonzero(self.begins)[self.part]

    @property
    def lane(self) -> Ints:
        """For each row a number of its direction: two for each session."""
        return self.part * 2 + self.side

    def has(self, mask: int, wanted: int) -> Flags:
        """Rows with just these control bits of a mask."""
        found: Flags = self.flags & mask == wanted
        return found

    def moment(self, at: int) -> Moment:
        """When a row was recorded."""
        return Moment(int(self.number[at]), float(self.seconds[at]))

    def put(self, series: Series, rows: Sequence[int]) -> None:
        """Count rows in a series, which keeps the first and the last of many."""
        kept = rows if len(rows) <= KEPT else [*rows[: KEPT // 2], *rows[-KEPT // 2 :]]
        for at in kept:
            series.add(self.moment(at))
        series.count += len(rows) - len(kept)

    def payload(self, at: int) -> bytes:
        """The first octets that a row carries."""
        index, table = int(self.index[at]), self.frames.tcp
        most = min(FIRST_OCTETS, int(table.length[index]))
        return self.frames.octets_at(int(table.row[index]), int(table.payload[index]), most)

    def ttl(self, at: int) -> int:
        """The time to live that a row's packet had left."""
        return int(self.frames.ip.ttl[self.frames.tcp.ip[int(self.index[at])]])

    def other(self, chosen: Flags | None = None) -> Ints:
        """The latest row of the session's other side before each row, -1 where this chunk has none.

        chosen: the rows that come into question.
        """
        place = np.arange(len(self.part))
        latest = []
        for side in (CLIENT, SERVER):
            rows = self.side == side
            rows = rows if chosen is None else rows & chosen
            latest.append(np.maximum.accumulate(np.where(rows, place, -1)))
        other = np.where(self.side == CLIENT, latest[SERVER], latest[CLIENT])
        return np.where(other >= self.first, other, -1)


@dataclass(slots=True, eq=False, repr=False)
class Lanes:
    """The rows of a chunk by direction.

    of: index of each row's direction in `sides`; order: the rows sorted by direction, in file
    order inside; start, last: where each direction stands in `order`.
    """

    of: Ints
    order: Ints
    start: Ints
    last: Ints
    sides: list[Side]

    def unsorted(self, column: Records) -> Records:
        """A column in sorted order, brought back to the order of the rows."""
        back = np.empty_like(column)
        back[self.order] = column
        return back

    def split(self, rows: Flags) -> Iterator[tuple[Side, Ints]]:
        """Each direction that has some of the rows, with these."""
        chosen = self.order[rows[self.order]]
        of = self.of[chosen]
        begins = np.flatnonzero(np.append(True, of[1:] != of[:-1])[: len(of)])
        for number, part in zip(of[begins].tolist(), np.split(chosen, begins[1:]), strict=False):
            yield self.sides[number], part

    def count(self, rows: Flags) -> list[int]:
        """How many of the rows each direction has."""
        counts: list[int] = np.bincount(self.of[rows], minlength=len(self.sides)).tolist()
        return counts

    def sum(self, column: Ints) -> list[int]:
        """A column's sum for each direction."""
        sums = np.bincount(self.of, column, len(self.sides)).astype(np.int64)
        total: list[int] = sums.tolist()
        return total

    def final(self, rows: Flags) -> list[int]:
        """The last of the rows in each direction, -1 where it has none."""
        place = np.arange(len(self.order))
        last = np.maximum.reduceat(np.where(rows[self.order], place, -1), self.start)
        final: list[int] = np.where(last < 0, -1, self.order[last]).tolist()
        return final

    def initial(self, rows: Flags) -> list[int]:
        """The first of the rows in each direction, -1 where it has none."""
        place, none = np.arange(len(self.order)), len(self.order)
        first = np.minimum.reduceat(np.where(rows[self.order], place, none), self.start)
        initial: list[int] = np.where(first == none, -1, self.order[first % none]).tolist()
        return initial


def lanes_of(segments: Segments) -> Lanes:
    """Sort the rows of a chunk by direction."""
    numbers, _, of = distinct(segments.lane)
    sides = [segments.sessions[number >> 1].sides[number & 1] for number in numbers.tolist()]
    return Lanes(of, *ends(of, len(numbers)), sides)


def counted(numbers: Ints) -> list[tuple[int, int]]:
    """The different numbers, each with how often it comes."""
    different, counts, _ = distinct(numbers)
    return list(zip(different.tolist(), counts.tolist(), strict=True))


def last_of_session(segments: Segments, chosen: Flags) -> list[tuple[Session, int]]:
    """Each session that has a chosen row, with the last of them."""
    rows = np.flatnonzero(chosen)
    part = segments.part[rows]
    final = np.append(part[1:] != part[:-1], True) if len(rows) else part.astype(bool)
    found = zip(part[final].tolist(), rows[final].tolist(), strict=True)
    return [(segments.sessions[number], row) for number, row in found]
