"""Which octets of a segment are new, which came before, and which are missing (RFC 9293 3.4)."""

from dataclasses import dataclass

import numpy as np

from analyzer.columns import Flags, Ints
from analyzer.facts.session import WORD
from analyzer.facts.tcp.segments import Lanes, Segments
from analyzer.frames import Tcp


@dataclass(slots=True, eq=False, repr=False)
class Flow:
    """What each row's sequence numbers say.

    new: its new octets; repeated: it has data, and none of it is new; keep_alive: it probes an idle
    session; skipped: octets that it leaves out; unseen: it confirms more than the other side has
    sent in the recording so far; ahead: its number is beyond what its own side has sent so far;
    lacking: either, where a side that has sent nothing stands as its acknowledgements say.
    """

    new: Ints
    repeated: Flags
    keep_alive: Flags
    skipped: Ints
    unseen: Flags
    ahead: Flags
    lacking: Flags

    @property
    def fresh(self) -> Flags:
        """Rows with new data."""
        fresh: Flags = self.new > 0
        return fresh


def follow(segments: Segments, lanes: Lanes) -> Flow:
    """Follow the sequence numbers of every direction, and keep how far each one got.

    They are taken relative to what the direction had sent before, modulo 2^32. A direction begins
    with its first SYN, FIN or data, as an acknowledgement may still be an older session's. A
    keep-alive repeats the last octet, or none, before the next expected one (RFC 9293 3.8.4). A
    single octet at the very start of a direction whose opening is not recorded is taken for one.
    """
    carried = np.array(
        [[_or_minus_one(s.next_seq) for s in one.sides] for one in segments.sessions]
    )
    order, of = lanes.order, lanes.of[lanes.order]
    seq, length, flags = segments.seq[order], segments.length[order], segments.flags[order]
    reset, is_syn = flags & Tcp.RST != 0, flags & Tcp.SYN != 0
    control = is_syn.astype(np.int64) + (flags & Tcp.FIN != 0)
    begun = np.array([side.next_seq is not None for side in lanes.sides])
    base, begin, known = _origins(lanes, seq, (length + control > 0) & ~reset, begun)

    inside = (np.arange(len(order)) >= begin[of]) | begun[of]
    relative = (seq - base[of] + WORD // 2) % WORD - WORD // 2
    end = np.where((length + control > 0) & ~reset & inside, relative + length + control, 0)
    reached, before = _reach(end, of, lanes.start)

    idle = (length <= 1) & (control == 0) & ~reset & inside
    probe = idle & (relative == before - 1) & (begun[of] | (before > 0))
    probe[begin] |= idle[begin] & (length[begin] == 1) & ~begun
    data = (length > 0) & ~reset & ~is_syn & ~probe
    new = np.where(data, np.clip(relative + length - before, 0, length), 0)
    skipped = np.where(data & inside, np.maximum(relative - before, 0), 0)
    for side, reach, origin, sure in zip(
        lanes.sides, reached[lanes.last].tolist(), base.tolist(), known.tolist(), strict=True
    ):
        if sure:
            side.next_seq = (origin + reach) % WORD
    plain = (length + control == 0) & ~reset
    behind = np.where(inside & known[of], (base[of] + reached) % WORD, -1)
    unseen = _unseen(segments, carried, lanes.unsorted(behind))
    stands = _filled(lanes, of, np.where(plain & (behind < 0), seq, behind))
    ahead = lanes.unsorted(_ahead(lanes, seq, stands) & ~reset & ~is_syn)
    carried = np.array([[_or_minus_one(s.stands) for s in one.sides] for one in segments.sessions])
    lacking = ahead | _unseen(segments, carried, lanes.unsorted(stands))
    for side, number in zip(lanes.sides, stands[lanes.last].tolist(), strict=True):
        side.stands = number if number >= 0 else None
    return Flow(
        new=lanes.unsorted(new),
        repeated=lanes.unsorted(data & (new == 0)),
        keep_alive=lanes.unsorted(probe),
        skipped=lanes.unsorted(skipped),
        unseen=unseen,
        ahead=ahead,
        lacking=lacking,
    )


def _origins(lanes: Lanes, seq: Ints, counts: Flags, begun: Flags) -> tuple[Ints, Ints, Flags]:
    """For each direction the sequence number from which it is counted, the place of the row that
    it begins with, and whether that is known.

    counts: rows that take up sequence numbers; begun: directions that earlier chunks know.
    """
    places = np.arange(len(seq))
    begin = np.minimum.reduceat(np.where(counts, places, len(seq)), lanes.start)
    known = begun | (begin < len(seq))
    begin = np.where(begin < len(seq), begin, lanes.start)
    base = np.where(begun, [side.next_seq or 0 for side in lanes.sides], seq[begin])
    return base, begin, known


def _reach(end: Ints, of: Ints, start: Ints) -> tuple[Ints, Ints]:
    """How far a direction has got with each row, and how far it had got before."""
    lift = of * (4 * WORD)
    reached = np.maximum.accumulate(np.maximum(end, 0) + lift) - lift
    before = np.zeros(len(end), np.int64)
    before[1:] = reached[:-1]
    before[start] = 0
    return reached, before


def _filled(lanes: Lanes, of: Ints, stands: Ints) -> Ints:
    """Where each direction stands, taken over from the row or chunk before where one is silent."""
    carried = np.array([_or_minus_one(side.stands) for side in lanes.sides])
    latest = np.maximum.accumulate(np.where(stands >= 0, np.arange(len(stands)), -1))
    filled: Ints = np.where(latest >= lanes.start[of], stands[latest], carried[of])
    return filled


def _ahead(lanes: Lanes, seq: Ints, stands: Ints) -> Flags:
    """Rows in sorted order that begin behind all that their direction had sent before them.

    stands: the sequence number behind each row's direction, -1 where unknown.
    """
    before = np.append(-1, stands[:-1])
    before[lanes.start] = [_or_minus_one(side.stands) for side in lanes.sides]
    more = (seq - before + WORD // 2) % WORD - WORD // 2
    beyond: Flags = (before >= 0) & (more > 0)
    return beyond


def _unseen(segments: Segments, carried: Ints, reached: Ints) -> Flags:
    """Acknowledgements of more than the other side has sent in the recording so far.

    carried: the sequence number behind each side of each session before this chunk; reached: the
    one behind the segment's own side; -1 where unknown.
    """
    other = segments.other()
    sent = np.where(other >= 0, reached[other], carried[segments.part, 1 - segments.side])
    more = (segments.ack - sent + WORD // 2) % WORD - WORD // 2
    beyond: Flags = segments.has(Tcp.ACK | Tcp.RST, Tcp.ACK) & (sent >= 0) & (more > 0)
    return beyond


def _or_minus_one(number: int | None) -> int:
    return -1 if number is None else number
