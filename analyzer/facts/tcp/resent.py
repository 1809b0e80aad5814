"""Segments that leave octets out, and those that are sent again."""

import numpy as np

from analyzer.columns import Flags, Ints
from analyzer.facts.session import WORD, Hole, Resent, Side, ahead
from analyzer.facts.tcp.segments import Lanes, Segments
from analyzer.facts.values import KEPT, Moment
from analyzer.frames import Tcp

DISORDER = 0.003
"""Seconds: a hole that closes sooner was a matter of order, not of loss; systems wait far longer
before they send again (RFC 6298 2.4: a second; in practice 0.1 s and more).
"""
CROSSING = 0.05
"""Seconds within which an acknowledgement and a repeat may have passed each other on the way
(common practice, no source).
"""


def look_at_resent(segments: Segments, lanes: Lanes, again: Flags, skipped: Ints) -> None:
    """Keep what segments leave out; keep and count the different segments that are sent again."""
    if not (again.any() or skipped.any()):
        return
    confirmed, crossing = _confirmed(segments)
    missing, disorder = _holes(segments, lanes, again & ~confirmed, skipped)
    different = _different(segments, lanes, again & ~disorder)
    counts = zip(
        lanes.sides,
        lanes.count(different & missing),
        lanes.count(different & confirmed & ~crossing),
        lanes.count(different & ~missing & (crossing | ~confirmed)),
        strict=True,
    )
    for side, absent, known, unknown in counts:
        side.missing += absent
        side.confirmed += known
        side.unconfirmed += unknown


def _confirmed(segments: Segments) -> tuple[Flags, Flags]:
    """Rows all of whose octets the other side had confirmed, and those that may have passed its
    latest acknowledgement on the way.
    """
    sides = [side for one in segments.sessions for side in one.sides]
    told = np.array([-1 if one.last_ack is None else one.last_ack for one in sides])
    when = np.array([one.last_ack_at.seconds if one.last_ack_at else np.inf for one in sides])
    other, peer = segments.other(segments.has(Tcp.ACK | Tcp.RST, Tcp.ACK)), segments.lane ^ 1
    ack = np.where(other >= 0, segments.ack[other], told[peer])
    since = np.where(other >= 0, segments.seconds[other], when[peer])
    more = (ack - segments.seq - segments.length + WORD // 2) % WORD - WORD // 2
    return (ack >= 0) & (more >= 0), segments.seconds - since < CROSSING


def _holes(segments: Segments, lanes: Lanes, again: Flags, skipped: Ints) -> tuple[Flags, Flags]:
    """Look singly at segments that leave octets out, and at those sent again beside holes: which
    of the latter begin to fill one, late, and which so early that it was a matter of order.
    """
    missing, disorder = np.zeros(len(again), bool), np.zeros(len(again), bool)
    holed = np.array([bool(side.holes) for side in lanes.sides])
    holed |= np.array(lanes.count(skipped > 0)) > 0
    for at in np.flatnonzero((skipped > 0) | (again & holed[lanes.of])).tolist():
        side, seq, left_out = lanes.sides[lanes.of[at]], int(segments.seq[at]), int(skipped[at])
        if left_out:
            side.holes.append(Hole((seq - left_out) % WORD, left_out, segments.moment(at)))
            del side.holes[:-KEPT]
            continue
        since = _filled(side, seq, int(segments.length[at]))
        if since is not None:
            early = segments.seconds[at] - since.seconds < DISORDER
            (disorder if early else missing)[at] = True
    return missing, disorder


def _filled(side: Side, seq: int, size: int) -> Moment | None:
    """Take a segment's octets out of the hole that it begins to fill: the hole's moment."""
    for hole in side.holes:
        offset = ahead(seq, hole.seq)
        if not -size < offset < hole.size:
            continue
        rest = hole.size - offset - size
        hole.size = max(offset, 0)
        if not hole.size:
            side.holes.remove(hole)
        if rest > 0:
            side.holes.append(Hole((seq + size) % WORD, rest, hole.moment))
        return hole.moment
    return None


def _different(segments: Segments, lanes: Lanes, again: Flags) -> Flags:
    """Keep the latest different segments that each side sent again: the first row of each."""
    different = np.zeros(len(again), bool)
    for side, rows in lanes.split(again):
        kept = {one.seq: one for one in side.resent}
        places: dict[int, list[int]] = {seq: [] for seq in kept}
        for at, seq in zip(rows.tolist(), segments.seq[rows].tolist(), strict=True):
            if seq in places:
                places[seq].append(at)
                continue
            places[seq], different[at] = [at], True
            if len(places) > KEPT:
                oldest = next(iter(places))
                del places[oldest]
                kept.pop(oldest, None)
        for seq, times in places.items():
            if seq not in kept:
                kept[seq] = Resent(seq, int(segments.length[times[0]]))
            segments.put(kept[seq].again, times)
        side.resent = list(kept.values())
    return different
