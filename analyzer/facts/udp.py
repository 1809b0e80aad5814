"""UDP exchanges: datagrams between two sockets, and which way they went (RFC 768)."""

from dataclasses import dataclass, field

import numpy as np

from analyzer.facts.groups import ends, groups
from analyzer.facts.values import Address, Moment
from analyzer.frames import Frames

Socket = tuple[Address, int]


@dataclass(slots=True, eq=False)
class Way:
    """Datagrams in one direction."""

    count: int = 0
    first: Moment | None = None
    last: Moment | None = None


@dataclass(slots=True, eq=False)
class Exchange:
    """Datagrams between two sockets; client: the one that sent first."""

    client: Socket
    server: Socket
    asked: Way = field(default_factory=Way)
    answered: Way = field(default_factory=Way)


@dataclass(slots=True, eq=False)
class Udp:
    """All UDP exchanges of a recording, by (client, server)."""

    exchanges: dict[tuple[Socket, Socket], Exchange] = field(default_factory=dict)

    def add(self, frames: Frames) -> None:
        """Take in the datagrams of one chunk."""
        table = frames.udp
        if not len(table.row):
            return
        src, dst = frames.ip.src[table.ip], frames.ip.dst[table.ip]
        first, group = groups(src, table.sport, dst, table.dport)
        order, start, last = ends(group, len(first))
        ordered = table.row[order]
        columns = (src, table.sport, dst, table.dport)
        rows = zip(
            *(column[first].tolist() for column in columns),
            np.bincount(group, minlength=len(first)).tolist(),
            frames.number[ordered[start]].tolist(),
            frames.seconds[ordered[start]].tolist(),
            frames.number[ordered[last]].tolist(),
            frames.seconds[ordered[last]].tolist(),
            strict=True,
        )
        for row in sorted(rows, key=lambda row: int(row[5])):
            self._merge(row)

    def _merge(self, row: tuple[int | float, ...]) -> None:
        sender = (Address(int(row[0])), int(row[1]))
        receiver = (Address(int(row[2])), int(row[3]))
        answer_to = self.exchanges.get((receiver, sender))
        if answer_to is not None:
            way = answer_to.answered
        else:
            way = self.exchanges.setdefault((sender, receiver), Exchange(sender, receiver)).asked
        way.count += int(row[4])
        way.first = way.first or Moment(int(row[5]), row[6])
        way.last = Moment(int(row[7]), row[8])
