"""UDP exchanges: datagrams between two sockets, and which way they went (RFC 768)."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analyzer.columns import Flags, Floats, Ints, Keys
from analyzer.facts.groups import ends, groups
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.facts.values import Address, Moment, Series
from analyzer.frames import Frames

Socket = tuple[Address, int]
MORE_FRAGMENTS = 0x2000
"""Flag of a packet that is cut up, in all fragments but the last (RFC 791 3.1)."""
PAUSE = 2.0
"""Seconds without a datagram that end a run of them."""


@dataclass(slots=True, eq=False, repr=False)
class Way:
    """Datagrams in one direction.

    runs: spans without a gap above PAUSE; began: the first datagram of the last run; gaps,
    gaps_squared: sums over the gaps inside runs, in seconds.
    """

    count: int = 0
    first: Moment | None = None
    last: Moment | None = None
    runs: int = 0
    began: Moment | None = None
    gaps: float = 0.0
    gaps_squared: float = 0.0

    @property
    def ends(self) -> list[Moment]:
        """The first and the last datagram; none where there is none."""
        return [one for one in (self.first, self.last) if one is not None]

    @property
    def period(self) -> float | None:
        """The mean gap inside runs, in seconds; None where there is none."""
        inside = self.count - self.runs
        return self.gaps / inside if inside else None

    @property
    def unevenness(self) -> float:
        """The standard deviation of the gaps inside runs over their mean: 0 for a clock, about 1
        where datagrams come at random.
        """
        if not self.period:
            return 0.0
        inside = self.count - self.runs
        spread = max(0.0, self.gaps_squared / inside - self.period**2)
        return float(spread**0.5 / self.period)


@dataclass(slots=True, eq=False, repr=False)
class Large:
    """Datagrams that one end sent in fragments.

    in_vain: those after which it sent again before anything came back; answered: those after which
    something came back; latest: the last one, where nothing followed it yet.
    """

    in_vain: Series = field(default_factory=Series)
    answered: int = 0
    latest: Moment | None = None

    def follow(self, by_answer: bool) -> None:
        """Settle the last one: an answer, or the next datagram of the same end, follows it."""
        if self.latest is None:
            return
        if by_answer:
            self.answered += 1
        else:
            self.in_vain.add(self.latest)
        self.latest = None

    @property
    def unanswered_count(self) -> int:
        """How many have no answer."""
        return self.in_vain.count + (self.latest is not None)

    @property
    def unanswered(self) -> list[Moment]:
        """The kept moments of those without an answer."""
        return [*self.in_vain.moments, *([self.latest] if self.latest else [])]


@dataclass(slots=True, eq=False, repr=False)
class Exchange:
    """Datagrams between two sockets; client: the one that sent first; answered_by: the socket
    that the answers came from, where that is not the server; large: what the client sent in
    fragments.
    """

    client: Socket
    server: Socket
    asked: Way = field(default_factory=Way)
    answered: Way = field(default_factory=Way)
    answered_by: Socket | None = None
    large: Large = field(default_factory=Large)

    @property
    def first(self) -> Moment:
        """The client's first datagram."""
        return self.asked.ends[0]

    @property
    def last(self) -> Moment:
        """The client's last datagram."""
        return self.asked.ends[-1]

    @property
    def is_office(self) -> bool:
        """Whether it is a service of any office PC."""
        return not OFFICE_PORTS.isdisjoint((self.client[1], self.server[1]))

    @property
    def answering_port(self) -> int:
        """The port that the answers came from."""
        return (self.answered_by or self.server)[1]


@dataclass(slots=True, eq=False, repr=False)
class Udp:
    """All UDP exchanges of a recording, by (client, server)."""

    exchanges: dict[tuple[Socket, Socket], Exchange] = field(default_factory=dict)

    def add(self, frames: Frames) -> None:
        """Take in the datagrams of one chunk."""
        table = frames.udp
        if not len(table.row):
            return
        src, dst = frames.ip.src[table.ip], frames.ip.dst[table.ip]
        columns = (src, table.sport, dst, table.dport)
        first, group = groups(*columns)
        order, start, last = ends(group, len(first))
        ordered = table.row[order]
        number, seconds = frames.number[ordered], frames.seconds[ordered]
        gap = np.maximum(0.0, np.diff(seconds, prepend=seconds[:1]))
        gap[start] = 0.0
        pause = gap > PAUSE
        gap[pause] = 0.0
        begins = pause.copy()
        begins[start] = True
        latest = np.maximum.accumulate(np.where(begins, np.arange(len(order)), 0))[last]
        rows = zip(
            *(column[first].tolist() for column in columns),
            _moments(number, seconds, start),
            _moments(number, seconds, last),
            _moments(number, seconds, latest),
            (last - start + 1).tolist(),
            np.add.reduceat(pause.astype(np.int64), start).tolist(),
            np.add.reduceat(gap, start).tolist(),
            np.add.reduceat(gap**2, start).tolist(),
            strict=True,
        )
        for src_ip, sport, dst_ip, dport, *run in sorted(rows, key=lambda row: row[4]):
            sender, receiver = _socket(frames, src_ip, sport), _socket(frames, dst_ip, dport)
            exchange, is_answer = self._exchange(sender, receiver)
            exchange.large.follow(is_answer)
            _merge(exchange.answered if is_answer else exchange.asked, *run)
        cut = frames.ip.fragment[table.ip] & MORE_FRAGMENTS > 0
        if cut.any():
            self._take_large(frames, columns, cut)

    def _exchange(self, sender: Socket, receiver: Socket) -> tuple[Exchange, bool]:
        """The exchange of a datagram, and whether it is an answer in it."""
        answer_to = self.exchanges.get((receiver, sender))
        if answer_to is not None:
            return answer_to, True
        return self.exchanges.setdefault((sender, receiver), Exchange(sender, receiver)), False

    def _take_large(self, frames: Frames, columns: Sequence[Keys], cut: Flags) -> None:
        """Take in what was sent in fragments, and what follows each in its exchange."""
        src, sport, dst, dport = columns
        sender, receiver = src << 16 | sport, dst << 16 | dport
        first, pair = groups(np.minimum(sender, receiver), np.maximum(sender, receiver))
        order, _, last = ends(pair, len(first))
        answered, is_latest = np.zeros(len(order), bool), np.zeros(len(order), bool)
        answered[order[:-1]] = sender[order[1:]] != sender[order[:-1]]
        is_latest[order[last]] = True
        rows = np.flatnonzero(cut)
        begins, alike = groups(sender[rows], receiver[rows])
        for number, one in enumerate(rows[begins].tolist()):
            own = rows[alike == number]
            exchange, by_server = self._exchange(
                _socket(frames, int(src[one]), int(sport[one])),
                _socket(frames, int(dst[one]), int(dport[one])),
            )
            if by_server:
                continue
            followed = own[~is_latest[own]]
            in_vain = frames.udp.row[followed[~answered[followed]]]
            exchange.large.answered += int(answered[followed].sum())
            for moment in _moments(frames.number, frames.seconds, in_vain):
                exchange.large.in_vain.add(moment)
            at = frames.udp.row[own[is_latest[own]]]
            exchange.large.latest = next(iter(_moments(frames.number, frames.seconds, at)), None)


def _socket(frames: Frames, number: int, port: int) -> Socket:
    return Address(frames.listed.address(number)), port


def _moments(number: Ints, seconds: Floats, at: Ints) -> list[Moment]:
    pairs = zip(number[at].tolist(), seconds[at].tolist(), strict=True)
    return [Moment(*pair) for pair in pairs]


def _merge(
    way: Way,
    first: Moment,
    last: Moment,
    began: Moment,
    count: int,
    pauses: int,
    gaps: float,
    gaps_squared: float,
) -> None:
    """Add the datagrams of one chunk; the gap before the first of them is still to be counted."""
    before = None if way.last is None else max(0.0, first.seconds - way.last.seconds)
    if before is not None and before <= PAUSE:
        way.gaps += before
        way.gaps_squared += before**2
    else:
        pauses += 1
    way.first = way.first or first
    way.began = began if pauses or way.began is None else way.began
    way.last = last
    way.count += count
    way.runs += pauses
    way.gaps += gaps
    way.gaps_squared += gaps_squared
