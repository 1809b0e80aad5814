"""Segments that leave octets out, and those that are sent again."""

import numpy as np

from analyzer.columns import Flags, Ints
from analyzer.facts.session import WORD, Hole, Resent, Side, ahead
from analyzer.facts.tcp.segments import Segments
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


def look_at_resent(segments: Segments, again: Flags, skipped: Ints) -> None:
    """Look singly at segments that leave octets out, and at those sent again."""
    wanted = np.flatnonzero(again | (skipped > 0)).tolist()
    if not wanted:
        return
    other = segments.other(segments.has(Tcp.ACK | Tcp.RST, Tcp.ACK))
    for at in wanted:
        if skipped[at]:
            _leave_out(segments, at, int(skipped[at]))
        else:
            _send_again(segments, at, int(other[at]))


def _leave_out(segments: Segments, at: int, left_out: int) -> None:
    side = segments.sessions[segments.part[at]].sides[segments.side[at]]
    begin = (int(segments.seq[at]) - left_out) % WORD
    side.holes.append(Hole(begin, left_out, segments.moment(at)))
    del side.holes[:-KEPT]


def _send_again(segments: Segments, at: int, confirmed_by: int) -> None:
    """confirmed_by: the row of the other side's latest acknowledgement, -1 for an earlier chunk."""
    session, number = segments.sessions[segments.part[at]], int(segments.side[at])
    side, peer, moment = session.sides[number], session.sides[1 - number], segments.moment(at)
    seq, size = int(segments.seq[at]), int(segments.length[at])
    ack, since = peer.last_ack, peer.last_ack_at
    if confirmed_by >= 0:
        ack, since = int(segments.ack[confirmed_by]), segments.moment(confirmed_by)
    confirmed = ack is not None and ahead(ack, seq + size) >= 0
    hole = None if confirmed else _filled(side, seq, size)
    if hole is not None and moment.seconds - hole.seconds < DISORDER:
        return
    known = next((one for one in side.resent if one.seq == seq), None)
    if known is None:
        crossing = since is None or moment.seconds - since.seconds < CROSSING
        side.missing += hole is not None
        side.confirmed += confirmed and not crossing
        side.unconfirmed += hole is None and (crossing or not confirmed)
        known = Resent(seq, size)
        side.resent.append(known)
        del side.resent[:-KEPT]
    known.again.add(moment)


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
