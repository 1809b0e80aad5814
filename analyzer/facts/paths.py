"""Who sent frames to whom: one path for each pair of hardware and IP addresses.

Stations, the PC, router signs and evidence of masks are all read from the paths.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from analyzer.facts.arp import MAX_RUNS, Run
from analyzer.facts.counters import IDENTIFICATIONS, STAMPS, Counter, follow, stamps
from analyzer.facts.groups import ends, groups
from analyzer.facts.values import Address, Hardware, Moment
from analyzer.frames import NO_HARDWARE, SHORTEST, Frames, Kind, Listed
from analyzer.inputs.records import Direction

LONGEST = 1518
"""Octets of the longest tagged frame without FCS; longer ones were joined or not yet cut up."""
QUIET = 2.0
"""Seconds without a frame that end a span of presence."""
FRESH = frozenset({32, 64, 128, 255})
"""Times to live that systems send with; a router lowers them (common practice, no source)."""
MAX_SPANS = 512
"""Spans kept a station; the oldest two become one beyond that."""


@dataclass(slots=True, eq=False, repr=False)
class Path:
    """Frames from one station to another. Hardware addresses are None where the link has none;
    IP addresses are None for other kinds of frame, and for IPv6 where it is no packet between
    single hosts that link-up is read from.

    sent, received: frames whose direction the recording states; short, long: frames below
    SHORTEST and above LONGEST; ttls: least and greatest time to live; octets: on the wire;
    ids, stamps: IPv4 identifications, without zero, and TCP timestamps.
    """

    src: Hardware | None
    dst: Hardware | None
    kind: int
    src_ip: Address | None
    dst_ip: Address | None
    first: Moment
    last: Moment
    frames: int = 0
    octets: int = 0
    sent: int = 0
    received: int = 0
    short: int = 0
    long: int = 0
    tagged: int = 0
    ttls: tuple[int, int] = (255, 0)
    ids: Counter = field(default_factory=Counter)
    stamps: Counter = field(default_factory=Counter)


def times_to_live(paths: Iterable[Path]) -> set[int]:
    """Least and greatest times to live of their packets."""
    return {ttl for one in paths for ttl in one.ttls}


@dataclass(slots=True, eq=False, repr=False)
class Presence:
    """When a station was heard: spans of seconds without a gap above QUIET."""

    spans: list[tuple[float, float]] = field(default_factory=list)

    def add(self, begin: float, end: float) -> None:
        """Take in a span that does not begin before the last one did."""
        if self.spans and begin - self.spans[-1][1] <= QUIET:
            self.spans[-1] = (self.spans[-1][0], max(end, self.spans[-1][1]))
            return
        self.spans.append((begin, end))
        if len(self.spans) > MAX_SPANS:
            self.spans[0:2] = [(self.spans[0][0], self.spans[1][1])]

    def within(self, begin: float, end: float) -> bool:
        """Whether anything was heard between two times."""
        return any(start <= end and stop >= begin for start, stop in self.spans)


Key = tuple[int, int, int, int, int]
"""Hardware addresses, kind, numbers of IP addresses, as in a Path."""


class Paths:
    """Gathers the paths of a recording, chunk by chunk.

    turns: for a sender's and a receiver's IPv4 address, who sent in turn, as runs in file order;
    only where more than one hardware address did.
    """

    def __init__(self) -> None:
        self.paths: dict[Key, Path] = {}
        self.presence: dict[int, Presence] = {}
        self.turns: dict[tuple[Address, Address], list[Run]] = {}
        self._senders: dict[tuple[Address, Address], Key] = {}

    def add(self, frames: Frames) -> None:
        """Take in the frames of one chunk, without the recorder's copies."""
        rows = np.flatnonzero(~frames.copy)
        if not len(rows):
            return
        src_ip, dst_ip = np.zeros(len(frames), np.uint64), np.zeros(len(frames), np.uint64)
        ttl = np.zeros(len(frames), np.int64)
        ip = frames.ip
        src_ip[ip.row], dst_ip[ip.row], ttl[ip.row] = ip.src, ip.dst, ip.ttl
        columns = (frames.src, frames.dst, frames.kind, src_ip, dst_ip)
        first, group = groups(*(column[rows] for column in columns))
        parts = [column[rows][first].tolist() for column in columns]
        for source, target in self._shared(zip(*parts, strict=True)):
            chosen = rows[(src_ip[rows] == source) & (dst_ip[rows] == target)]
            self._take_turns(frames, chosen, self.turns[source, target])
        order, start, last = ends(group, len(first))
        wire, way = frames.wire[rows], frames.direction[rows]
        ordered_ttl = ttl[rows][order]

        def total(what: np.ndarray) -> list[int]:
            sums: list[int] = np.bincount(group, what, len(first)).astype(np.int64).tolist()
            return sums

        ethernet = frames.src[rows] != NO_HARDWARE
        facts = zip(
            *parts,
            frames.number[rows][order[start]].tolist(),
            frames.seconds[rows][order[start]].tolist(),
            frames.number[rows][order[last]].tolist(),
            frames.seconds[rows][order[last]].tolist(),
            np.bincount(group, minlength=len(first)).tolist(),
            total(wire),
            total(way == Direction.OUT),
            total(way == Direction.IN),
            total(ethernet & (wire < SHORTEST)),
            total(wire > LONGEST),
            total(frames.tag[rows] > 0),
            np.minimum.reduceat(ordered_ttl, start).tolist(),
            np.maximum.reduceat(ordered_ttl, start).tolist(),
            strict=True,
        )
        paths = [self._merge(one, frames.listed) for one in facts]
        numbers = np.full(len(frames), -1)
        numbers[ip.row] = np.where(ip.id > 0, ip.id, -1)
        sorted_rows, sorted_group = rows[order], group[order]
        for counters, values, circle in (
            ([path.ids for path in paths], numbers, IDENTIFICATIONS),
            ([path.stamps for path in paths], stamps(frames), STAMPS),
        ):
            follow(counters, sorted_group, values[sorted_rows], sorted_rows, circle, frames)
        self._hear(frames, rows)

    def _shared(self, keys: Iterable[Key]) -> set[tuple[Address, Address]]:
        """Pairs of addresses in a chunk whose sender has had more than one hardware address."""
        shared = set()
        for key in keys:
            src, dst, kind, source, target = key
            if kind != Kind.IPV4 or not source or src == NO_HARDWARE or Hardware(dst).is_group:
                continue
            pair = Address(source), Address(target)
            before = self._senders.setdefault(pair, key)
            if before[0] != src and pair not in self.turns:
                path = self.paths.get(before)
                so_far = (
                    [Run(Hardware(before[0]), path.first, path.last, path.frames)] if path else []
                )
                self.turns[pair] = so_far
            if pair in self.turns:
                shared.add(pair)
        return shared

    def _take_turns(self, frames: Frames, rows: np.ndarray, runs: list[Run]) -> None:
        """Add the rows of one pair of addresses to its runs."""
        senders = frames.src[rows]
        changes = (np.flatnonzero(np.diff(senders)) + 1).tolist()
        for begin, end in pairwise([0, *changes, len(rows)]):
            first, last = (
                Moment(int(frames.number[rows[at]]), float(frames.seconds[rows[at]]))
                for at in (begin, end - 1)
            )
            sender = Hardware(int(senders[begin]))
            if runs and runs[-1].hardware == sender:
                runs[-1].last = last
                runs[-1].count += end - begin
            elif len(runs) < MAX_RUNS:
                runs.append(Run(sender, first, last, end - begin))
            else:
                return

    def _merge(self, one: tuple[int | float, ...], listed: Listed) -> Path:
        src, dst, kind, src_ip, dst_ip = (int(part) for part in one[:5])
        begin, end = Moment(int(one[5]), one[6]), Moment(int(one[7]), one[8])
        path = self.paths.get((src, dst, kind, src_ip, dst_ip))
        if path is None:
            source, target = (
                Address(listed.address(number)) if kind == Kind.IPV4 or number else None
                for number in (src_ip, dst_ip)
            )
            path = self.paths[src, dst, kind, src_ip, dst_ip] = Path(
                src=None if src == NO_HARDWARE else Hardware(src),
                dst=None if dst == NO_HARDWARE else Hardware(dst),
                kind=kind,
                src_ip=source,
                dst_ip=target,
                first=begin,
                last=end,
            )
        path.last = end
        frames, octets, sent, received, short, long, tagged, low, high = map(int, one[9:])
        path.frames += frames
        path.octets += octets
        path.sent += sent
        path.received += received
        path.short += short
        path.long += long
        path.tagged += tagged
        path.ttls = (min(path.ttls[0], low), max(path.ttls[1], high))
        return path

    def _hear(self, frames: Frames, rows: np.ndarray) -> None:
        """Presence of every sender: split where it was quiet for longer than QUIET."""
        first, group = groups(frames.src[rows])
        order, start, _ = ends(group, len(first))
        seconds = frames.seconds[rows][order]
        begins = np.zeros(len(order), bool)
        begins[1:] = np.diff(seconds) > QUIET
        begins[start] = True
        at = np.flatnonzero(begins)
        senders = frames.src[rows][order[at]].tolist()
        earliest = np.minimum.reduceat(seconds, at).tolist()
        latest = np.maximum.reduceat(seconds, at).tolist()
        for sender, begin, end in zip(senders, earliest, latest, strict=True):
            self.presence.setdefault(sender, Presence()).add(begin, end)
