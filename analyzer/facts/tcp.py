"""TCP sessions: one state a session, whatever the number of segments (RFC 9293).

An attempt is a SYN with its initial sequence number between two sockets; the SYN sent again is the
same attempt. Segments that no rule can care about one by one (data, acknowledgements) are judged
for all sessions of a chunk at once; SYN, FIN, RST and repeated data are looked at singly.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.columns import Flags, Floats, Ints, Keys, distinct
from analyzer.facts.groups import ends, groups
from analyzer.facts.messages import hear
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.facts.session import (
    CLIENT,
    NOBODY,
    SERVER,
    WORD,
    Data,
    End,
    Hole,
    Resent,
    Session,
    Side,
    Sized,
    Socket,
    ahead,
)
from analyzer.facts.values import (
    BINS,
    BINS_PER_OCTAVE,
    KEPT,
    SMALLEST,
    Address,
    Hardware,
    Moment,
)
from analyzer.frames import NO_HARDWARE, Frames, Tcp

FIRST_OCTETS = 64
"""Octets kept of the first data in each direction."""
EVENT_FLAGS = Tcp.SYN | Tcp.FIN | Tcp.RST
FULL = 1460
"""Most octets of a TCP segment in an Ethernet frame of 1500 octets without options (RFC 9293 3.7.1,
RFC 894); a larger one was joined by the recording host.
"""
DISORDER = 0.003
"""Seconds: a hole that closes sooner was a matter of order, not of loss; systems wait far longer
before they send again (RFC 6298 2.4: a second; in practice 0.1 s and more).
"""
CROSSING = 0.05
"""Seconds within which an acknowledgement and a repeat may have passed each other on the way
(common practice, no source).
"""
CHECKED_SYNS = 64
"""SYN segments whose checksum is computed: enough to see which host leaves it to the adapter."""


Pair = tuple[int, int]
"""Both sockets as 48-bit numbers, the lower first."""


@dataclass(slots=True, eq=False)
class _Segments:
    """TCP rows of a chunk, sorted by session, in file order inside; part: index of the session."""

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


class TcpSessions:
    """Gathers the sessions of a recording, chunk by chunk."""

    def __init__(self) -> None:
        self.found: list[Session] = []
        self.current: dict[Pair, Session] = {}
        self.checked = 0

    @property
    def sessions(self) -> list[Session]:
        """All sessions, in order of their first frame in the recording."""
        return sorted(self.found, key=lambda session: session.first)

    def add(self, frames: Frames) -> None:
        """Take in the TCP segments of one chunk."""
        table = frames.tcp
        if not len(table.row):
            return
        src = frames.ip.src[table.ip] << np.uint64(16) | table.sport
        dst = frames.ip.dst[table.ip] << np.uint64(16) | table.dport
        from_low = src < dst
        first, pair = groups(np.minimum(src, dst), np.maximum(src, dst))
        pairs: list[Pair] = list(
            zip(
                np.minimum(src, dst)[first].tolist(),
                np.maximum(src, dst)[first].tolist(),
                strict=True,
            )
        )
        carried = [self.current.get(one) for one in pairs]
        opened = self._opened(frames, src, pair, pairs)
        order, start, _ = ends(pair, len(pairs))
        begins = np.zeros(len(order), bool)
        begins[start] = True
        if opened:
            place = np.empty(len(order), np.int64)
            place[order] = np.arange(len(order))
            begins[place[list(opened)]] = True
        parts = []
        for at in np.flatnonzero(begins).tolist():
            index = int(order[at])
            session = opened.get(index) or carried[pair[index]]
            parts.append(session or self._joined_late(frames, index, pairs[pair[index]]))
        part = np.cumsum(begins) - 1
        low_is_client = np.array([self._low_is_client(one) for one in parts])
        segments = _Segments(
            part=part,
            side=(from_low[order] != low_is_client[part]).astype(np.int64),
            seq=table.seq[order],
            ack=table.ack[order],
            flags=table.flags[order],
            length=table.length[order],
            window=table.window[order],
            seconds=frames.seconds[table.row[order]],
            number=frames.number[table.row[order]],
            index=order,
            begins=begins,
        )
        _follow(segments, parts, frames)

    def _opened(
        self, frames: Frames, src: Keys, pair: Ints, pairs: list[Pair]
    ) -> dict[int, Session]:
        """New sessions by the row of their first SYN."""
        table = frames.tcp
        opened: dict[int, Session] = {}
        pure = table.flags & (Tcp.SYN | Tcp.ACK | Tcp.RST | Tcp.FIN) == Tcp.SYN
        for index in np.flatnonzero(pure).tolist():
            key, isn = pairs[pair[index]], int(table.seq[index])
            client = int(src[index])
            session = self.current.get(key)
            if session is None or session.isn != isn or _number(session.client) != client:
                server = key[1] if client == key[0] else key[0]
                session = Session(_socket(client), _socket(server), isn)
                self._look_at_syn(frames, index, session)
                self.current[key] = opened[index] = session
                self.found.append(session)
        return opened

    def _look_at_syn(self, frames: Frames, index: int, session: Session) -> None:
        table = frames.tcp
        row, at = int(table.row[index]), int(frames.ip.body[table.ip[index]])
        size = int(frames.ip.length[table.ip[index]])
        segment = frames.octets_at(row, at, size)
        session.segment_size = _maximum_segment_size(segment)
        if len(segment) == size and self.checked < CHECKED_SYNS:
            self.checked += 1
            session.checksum_filled = checksum_is_right(
                segment, int(session.client.address), int(session.server.address)
            )

    def _joined_late(self, frames: Frames, index: int, pair: Pair) -> Session:
        """A session whose opening is not in the recording: guess who opened it.

        A SYN with ACK comes from the server. Otherwise the server has the registered industrial
        port, or the lower one: systems pick high ports for clients (RFC 6335 6).
        """
        low, high = _socket(pair[0]), _socket(pair[1])
        table = frames.tcp
        if table.flags[index] & Tcp.SYN:
            sender_is_low = frames.ip.src[table.ip[index]] << np.uint64(16) | table.sport[index]
            server = low if int(sender_is_low) == pair[0] else high
        else:
            server = min(
                low, high, key=lambda one: (one.port not in INDUSTRIAL_PORTS, one.port, one)
            )
        session = Session(high if server is low else low, server)
        self.current.setdefault(pair, session)  # not where a SYN of this chunk opened another
        self.found.append(session)
        return session

    def _low_is_client(self, session: Session) -> bool:
        return _number(session.client) < _number(session.server)


def _number(socket: Socket) -> int:
    return int(socket.address) << 16 | socket.port


def _socket(number: int) -> Socket:
    return Socket(Address(number >> 16), number & 0xFFFF)


def _follow(segments: _Segments, parts: list[Session], frames: Frames) -> None:
    """Update the sessions with their segments of one chunk."""
    lane = segments.part * 2 + segments.side
    lanes, _, lane = distinct(lane)
    order, start, last = ends(lane, len(lanes))
    sides = [parts[number >> 1].sides[number & 1] for number in lanes.tolist()]
    carried = np.array([[_or_minus_one(side.next_seq) for side in one.sides] for one in parts])
    new, repeated, keep_alive, skipped, reached = _sequence(
        segments, lane, order, start, last, sides
    )
    fresh = new > 0
    unseen = _unseen(segments, carried, reached)
    before, before_seconds = _turns(segments, parts, fresh, unseen, skipped)
    small = keep_alive | repeated | (fresh & (segments.length == 1))
    probes = _probes(segments, parts, lane, order, sides, small)
    _sent_again(segments, parts, repeated & ~probes, skipped)
    _lanes(segments, order, start, last, sides, new, repeated, keep_alive, unseen, frames)
    _singly(segments, parts, fresh, repeated, before, before_seconds, frames)
    whole = np.flatnonzero(fresh & (new == segments.length))
    hear(parts, segments.part[whole], segments.side[whole], segments.index[whole], frames)


def _sequence(
    segments: _Segments, lane: Ints, order: Ints, start: Ints, last: Ints, sides: list[Side]
) -> tuple[Ints, Flags, Flags, Ints, Ints]:
    """New octets of each segment, whether it repeats old data, whether it probes an idle session,
    the octets that it leaves out, and the sequence number behind all that its side had sent by
    then, -1 where that is unknown.

    Sequence numbers are taken relative to what the side had sent before, modulo 2^32; a side
    begins with its first SYN, FIN or data, as an acknowledgement may still be an older session's.
    A keep-alive repeats the last octet, or none, before the next expected one (RFC 9293 3.8.4).
    A single octet at the very start of a side whose opening is not recorded is taken for one, too.
    """
    seq, length = segments.seq[order], segments.length[order]
    flags = segments.flags[order]
    reset = flags & Tcp.RST != 0
    control = ((flags & Tcp.SYN) != 0).astype(np.int64) + ((flags & Tcp.FIN) != 0)
    place = np.arange(len(order))
    counts = (length + control > 0) & ~reset
    begin = np.minimum.reduceat(np.where(counts, place, len(order)), start)
    carried = np.array([side.next_seq is not None for side in sides])
    known = carried | (begin < len(order))
    begin = np.where(begin < len(order), begin, start)
    base = np.where(carried, [side.next_seq or 0 for side in sides], seq[begin])
    of = lane[order]
    inside = (place >= begin[of]) | carried[of]
    relative = (seq - base[of] + WORD // 2) % WORD - WORD // 2
    end = np.where(counts & inside, relative + length + control, 0)
    lift = of * (4 * WORD)
    reached = np.maximum.accumulate(np.maximum(end, 0) + lift) - lift
    before = np.zeros(len(end), np.int64)
    before[1:] = reached[:-1]
    before[start] = 0
    idle = (length <= 1) & (control == 0) & ~reset & inside
    probe = idle & (relative == before - 1) & (carried[of] | (before > 0))
    probe[begin] |= idle[begin] & (length[begin] == 1) & ~carried
    data = (length > 0) & ~reset & (flags & Tcp.SYN == 0)
    new = np.where(data & ~probe, np.clip(relative + length - before, 0, length), 0)
    repeated = data & ~probe & (new == 0)
    skipped = np.where(data & inside, np.maximum(relative - before, 0), 0)
    for side, reach, origin, sure in zip(
        sides, reached[last].tolist(), base.tolist(), known.tolist(), strict=True
    ):
        if sure:
            side.next_seq = (origin + reach) % WORD
    behind = np.where(inside & known[of], (base[of] + reached) % WORD, -1)
    back = np.empty(len(order), np.int64)
    back[order] = place
    return new[back], repeated[back], probe[back], skipped[back], behind[back]


def _or_minus_one(number: int | None) -> int:
    return -1 if number is None else number


def _other(segments: _Segments, chosen: Flags | None = None) -> Ints:
    """The latest row of the session's other side before each row, -1 where this chunk has none.

    chosen: the rows that come into question.
    """
    place = np.arange(len(segments.part))
    latest = []
    for side in (CLIENT, SERVER):
        rows = segments.side == side
        rows = rows if chosen is None else rows & chosen
        latest.append(np.maximum.accumulate(np.where(rows, place, -1)))
    other = np.where(segments.side == CLIENT, latest[SERVER], latest[CLIENT])
    return np.where(other >= np.flatnonzero(segments.begins)[segments.part], other, -1)


def _unseen(segments: _Segments, carried: Ints, reached: Ints) -> Flags:
    """Acknowledgements of more than the other side has sent in the recording so far.

    carried: the sequence number behind each side of each session before this chunk; reached: the
    one behind the segment's own side; -1 where unknown.
    """
    other = _other(segments)
    sent = np.where(other >= 0, reached[other], carried[segments.part, 1 - segments.side])
    more = (segments.ack - sent + WORD // 2) % WORD - WORD // 2
    confirms = (segments.flags & (Tcp.ACK | Tcp.RST)) == Tcp.ACK
    beyond: Flags = confirms & (sent >= 0) & (more > 0)
    return beyond


def _probes(
    segments: _Segments,
    parts: list[Session],
    lane: Ints,
    order: Ints,
    sides: list[Side],
    small: Flags,
) -> Flags:
    """Which of the small segments only ask whether the other side takes data again; and keep for
    each side when its window was zero, which is zero on any scale (RFC 7323 2.3).

    Windows of SYN, FIN and RST are not looked at: there a zero may mean nothing.
    """
    told = segments.flags & EVENT_FLAGS == 0
    shut = told & (segments.window == 0)
    carried = np.array([[side.shut_since is not None for side in one.sides] for one in parts])
    if not (shut.any() or carried.any()):
        return np.zeros(len(shut), bool)
    _shut(segments, lane, order[told[order]], sides, shut)
    other = _other(segments, told)
    blocked = np.where(other >= 0, shut[other], carried[segments.part, 1 - segments.side])
    probes: Flags = told & blocked & small
    for number, count in _per_part(lane[probes]):
        sides[number].probes += count
    return probes


def _shut(segments: _Segments, lane: Ints, rows: Ints, sides: list[Side], shut: Flags) -> None:
    """Keep where a side's window becomes zero, and for how long; rows: by side, in file order."""
    if not len(rows):
        return
    begins = np.append(True, lane[rows[1:]] != lane[rows[:-1]])
    carried = np.array([side.shut_since is not None for side in sides])
    before = np.where(begins, carried[lane[rows]], np.append(False, shut[rows[:-1]]))
    for at in rows[shut[rows] != before].tolist():
        side, moment = sides[lane[at]], _moment(segments, at)
        if shut[at]:
            side.shut.add(moment)
            side.shut_since = moment
        elif side.shut_since is not None:
            side.shut_longest = max(side.shut_longest, moment.seconds - side.shut_since.seconds)
            side.shut_since = None


def _sent_again(segments: _Segments, parts: list[Session], again: Flags, skipped: Ints) -> None:
    """Look singly at segments that leave octets out, and at those sent again."""
    wanted = np.flatnonzero(again | (skipped > 0)).tolist()
    if not wanted:
        return
    confirms = segments.flags & (Tcp.ACK | Tcp.RST) == Tcp.ACK
    other = _other(segments, confirms)
    for at in wanted:
        session, number = parts[segments.part[at]], int(segments.side[at])
        side, moment = session.sides[number], _moment(segments, at)
        seq, size = int(segments.seq[at]), int(segments.length[at])
        if skipped[at]:
            left_out = int(skipped[at])
            side.holes.append(Hole((seq - left_out) % WORD, left_out, moment))
            del side.holes[:-KEPT]
            continue
        peer, behind = session.sides[1 - number], int(other[at])
        ack = int(segments.ack[behind]) if behind >= 0 else peer.last_ack
        since = _moment(segments, behind) if behind >= 0 else peer.last_ack_at
        confirmed = ack is not None and ahead(ack, seq + size) >= 0
        hole = None if confirmed else _filled(side, seq, size)
        if hole is not None and moment.seconds - hole.seconds < DISORDER:
            continue
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


def _lanes(
    segments: _Segments,
    order: Ints,
    start: Ints,
    last: Ints,
    sides: list[Side],
    new: Ints,
    repeated: Flags,
    keep_alive: Flags,
    unseen: Flags,
    frames: Frames,
) -> None:
    """Sums and first and last segments of each direction of each session."""
    count = len(sides)
    lane = np.repeat(np.arange(count), last - start + 1)
    new = new[order]
    octets = np.bincount(lane, new, count).astype(np.int64).tolist()
    data = (new > 0) | repeated[order]
    pieces = np.where(data, -(-segments.length[order] // FULL), 0)
    pieces = np.bincount(lane, pieces, count).astype(np.int64).tolist()
    sizes = np.where(new > 0, segments.length[order], 0)
    largest = np.maximum.reduceat(sizes, start).tolist()
    probes = np.bincount(lane, keep_alive[order], count).astype(np.int64).tolist()
    unseens = np.bincount(lane, unseen[order], count).astype(np.int64).tolist()
    place = np.arange(len(order))
    last_unseen = np.maximum.reduceat(np.where(unseen[order], place, -1), start).tolist()
    last_new = np.maximum.reduceat(np.where(new > 0, place, -1), start).tolist()
    first_new = np.minimum.reduceat(np.where(new > 0, place, len(order)), start).tolist()
    ack = segments.ack[order]
    acks = (segments.flags[order] & (Tcp.ACK | Tcp.RST)) == Tcp.ACK
    last_ack = np.maximum.reduceat(np.where(acks, place, -1), start).tolist()
    _remember_hardware(segments, order, start, lane, sides, frames)
    first_ack = np.minimum.reduceat(np.where(acks, place, len(order)), start)
    earliest = ack[np.minimum(first_ack, len(order) - 1)]
    advances = np.bincount(lane, acks & (ack != earliest[lane]), count).tolist()
    for i, (side, begin, stop) in enumerate(zip(sides, start.tolist(), last.tolist(), strict=True)):
        side.frames += stop - begin + 1
        side.octets += octets[i]
        side.segments += pieces[i]
        if largest[i] > (side.record[-1].size if side.record else 0):
            _keep_records(side, segments, order[begin : stop + 1], sizes[begin : stop + 1])
        side.keep_alives += probes[i]
        side.unseen += unseens[i]
        if unseens[i]:
            side.last_unseen = _moment(segments, order[last_unseen[i]])
        side.last = _moment(segments, order[stop])
        if side.first is None:
            side.first = _moment(segments, order[begin])
            side.first_flags = int(segments.flags[order[begin]])
            side.first_ack = int(segments.ack[order[begin]])
        if last_new[i] >= 0:
            side.last_data = _moment(segments, order[last_new[i]])
            if side.first_data is None:
                at = int(order[first_new[i]])
                side.first_data = Data(_moment(segments, at), _payload(segments, at, frames))
        if last_ack[i] >= 0:
            advanced = side.last_ack not in (None, int(earliest[i])) or advances[i] > 0
            side.acknowledges |= advanced
            side.last_ack = int(ack[last_ack[i]])
            side.last_ack_at = _moment(segments, order[last_ack[i]])
        side.ttl = int(frames.ip.ttl[frames.tcp.ip[int(segments.index[order[stop]])]])


def _keep_records(side: Side, segments: _Segments, rows: Ints, sizes: Ints) -> None:
    """Keep the first segment of each size that is larger than all before it."""
    known = side.record[-1].size if side.record else 0
    before = np.maximum.accumulate(np.append(known, sizes[:-1]))
    for at in rows[sizes > before].tolist():
        size = int(segments.length[at])
        side.record.append(Sized((int(segments.seq[at]) + size) % WORD, size))
    del side.record[:-KEPT]


def _remember_hardware(
    segments: _Segments, order: Ints, start: Ints, lane: Ints, sides: list[Side], frames: Frames
) -> None:
    """Hardware addresses of each direction: those of its first segment, and any that differ."""
    row = frames.tcp.row[segments.index[order]]
    src, dst = frames.src[row], frames.dst[row]
    other = np.flatnonzero((src != src[start][lane]) | (dst != dst[start][lane]))
    rows = np.concatenate((start, other))
    once, _ = groups(lane[rows], src[rows], dst[rows])
    for at in rows[once].tolist():
        side = sides[int(lane[at])]
        if src[at] != NO_HARDWARE:
            side.hardware.add(Hardware(int(src[at])))
        if dst[at] != NO_HARDWARE:
            side.sent_to.add(Hardware(int(dst[at])))


def _payload(segments: _Segments, at: int, frames: Frames) -> bytes:
    index = int(segments.index[at])
    table = frames.tcp
    most = min(FIRST_OCTETS, int(table.length[index]))
    return frames.octets_at(int(table.row[index]), int(table.payload[index]), most)


def _moment(segments: _Segments, at: Any) -> Moment:
    return Moment(int(segments.number[at]), float(segments.seconds[at]))


def _turns(
    segments: _Segments, parts: list[Session], fresh: Flags, unseen: Flags, skipped: Ints
) -> tuple[Ints, Floats]:
    """Count requests and answers; tell, for each segment, who sent data last before it, and when.

    An answer is timed only where no octets between it and its request are missing.
    Returns (side, seconds), with NOBODY where no data came before.
    """
    place = np.arange(len(segments.part))
    newest = np.maximum.accumulate(np.where(fresh, place, -1))
    begin = np.flatnonzero(segments.begins)[segments.part]
    previous = np.where(segments.begins, -1, np.concatenate(([-1], newest[:-1])))
    inside = previous >= begin
    carried_side = np.array([one.last_turn for one in parts])
    carried_seconds = np.array([_last_data_seconds(one) for one in parts])
    side = np.where(inside, segments.side[previous], carried_side[segments.part])
    seconds = np.where(inside, segments.seconds[previous], carried_seconds[segments.part])

    turn = fresh & (side != segments.side)
    request = turn & (segments.side == CLIENT)
    answer = turn & (segments.side == SERVER) & (side == CLIENT)
    for number, count in _per_part(segments.part[answer]):
        parts[number].answers += count
    for number, at in _last_of_part(segments.part, answer):
        parts[number].answered = _moment(segments, at)
    late = np.array([_misses_octets(one) for one in parts])
    if unseen.any() or late.any():
        lacking = np.cumsum(unseen)
        since = np.where(inside, lacking[previous], lacking[begin] - unseen[begin])
        answer &= (lacking == since) & (inside | ~late[segments.part])
    _time_answers(segments, parts, answer & (skipped == 0), segments.seconds - seconds)
    for number, count in _per_part(segments.part[request]):
        parts[number].requests += count
    asking = fresh & (segments.side == CLIENT)
    for number, at in _last_of_part(segments.part, asking):
        parts[number].asked = _moment(segments, at)
    for number, at in _last_of_part(segments.part, fresh):
        parts[number].last_turn = int(segments.side[at])
    return side, seconds


def _last_data_seconds(session: Session) -> float:
    moments = [side.last_data for side in session.sides if side.last_data]
    return max(moments).seconds if moments else 0.0


def _misses_octets(session: Session) -> bool:
    """Whether octets behind the last data were confirmed and are not in the recording."""
    data = [side.last_data for side in session.sides if side.last_data]
    return any(s.last_unseen > max(data) for s in session.sides if s.last_unseen and data)


def _per_part(part: Ints) -> list[tuple[int, int]]:
    numbers, counts, _ = distinct(part)
    return list(zip(numbers.tolist(), counts.tolist(), strict=True))


def _last_of_part(part: Ints, chosen: Flags) -> list[tuple[int, int]]:
    """For each session with a chosen row: (session, its last chosen row)."""
    rows = np.flatnonzero(chosen)
    numbers = part[rows]
    final = np.append(numbers[1:] != numbers[:-1], True) if len(rows) else numbers.astype(bool)
    return list(zip(numbers[final].tolist(), rows[final].tolist(), strict=True))


def _time_answers(segments: _Segments, parts: list[Session], answer: Flags, took: Floats) -> None:
    rows = np.flatnonzero(answer)
    if not len(rows):
        return
    part, took = segments.part[rows], np.maximum(took[rows], 0.0)
    octave = np.log2(np.maximum(took, SMALLEST) / SMALLEST)
    bins = np.minimum((octave * BINS_PER_OCTAVE).astype(np.int64), BINS - 1)
    cells, counts, _ = distinct(part * BINS + bins)
    for cell, count in zip(cells.tolist(), counts.tolist(), strict=True):
        spread = parts[cell // BINS].answer_times
        spread.bins[cell % BINS] += count
        spread.count += count
    begin = np.flatnonzero(np.append(True, part[1:] != part[:-1]))
    least = np.minimum.reduceat(took, begin).tolist()
    most = np.maximum.reduceat(took, begin).tolist()
    for number, low, high in zip(part[begin].tolist(), least, most, strict=True):
        session = parts[number]
        session.answer_times.least = min(session.answer_times.least, low)
        session.answer_times.most = max(session.answer_times.most, high)


def _singly(
    segments: _Segments,
    parts: list[Session],
    fresh: Flags,
    repeated: Flags,
    before: Ints,
    before_seconds: Floats,
    frames: Frames,
) -> None:
    """Look at SYN, FIN, RST and repeated data one by one; then see which handshakes completed."""
    wanted = (segments.flags & EVENT_FLAGS != 0) | repeated
    for at in np.flatnonzero(wanted).tolist():
        session, side = parts[segments.part[at]], int(segments.side[at])
        flags, moment = int(segments.flags[at]), _moment(segments, at)
        if flags & (Tcp.RST | Tcp.FIN):
            after = side if fresh[at] else int(before[at])
            since = 0.0 if fresh[at] else moment.seconds - float(before_seconds[at])
            if len(session.ends) < KEPT:
                session.ends.append(
                    _end(segments, at, side, None if after == NOBODY else since, after, frames)
                )
        elif flags & Tcp.SYN and flags & Tcp.ACK:
            _accepted(session, segments, at, side)
        elif flags & Tcp.SYN:
            session.syns.add(moment)
        if repeated[at]:
            session.sides[side].repeats.add(moment)
    plain = (segments.flags & EVENT_FLAGS == 0) & (segments.side == CLIENT)
    begin = np.append(np.flatnonzero(segments.begins), len(plain)).tolist()
    for number, session in enumerate(parts):
        if session.syn_ack and not session.completed:
            rows = slice(begin[number], begin[number + 1])
            after = plain[rows] & (segments.number[rows] > session.syn_ack.frame)
            if after.any():
                session.completed = _moment(segments, begin[number] + int(after.argmax()))


def _accepted(session: Session, segments: _Segments, at: int, side: int) -> None:
    expected = session.isn is None or int(segments.ack[at]) == (session.isn + 1) % WORD
    if side == SERVER and expected and session.syn_ack is None:
        session.syn_ack = _moment(segments, at)


def _end(
    segments: _Segments, at: int, side: int, since: float | None, after: int, frames: Frames
) -> End:
    index = int(segments.index[at])
    row = frames.tcp.row[index]
    hardware = int(frames.src[row])
    return End(
        moment=_moment(segments, at),
        reset=bool(int(segments.flags[at]) & Tcp.RST),
        side=side,
        since_data=since,
        after=after,
        ttl=int(frames.ip.ttl[frames.tcp.ip[index]]),
        hardware=None if hardware == NO_HARDWARE else Hardware(hardware),
    )


def _maximum_segment_size(segment: bytes) -> int | None:
    """The MSS option of a SYN: kind 2, length 4 (RFC 9293 3.7.1)."""
    options, at = segment[20 : (segment[12] >> 4) * 4], 0
    while at + 1 < len(options) and options[at]:
        if options[at] == 2 and options[at + 1] == 4 and at + 4 <= len(options):
            return int.from_bytes(options[at + 2 : at + 4])
        at += 1 if options[at] == 1 else max(2, options[at + 1])
    return None


def checksum_is_right(segment: bytes, src: int, dst: int) -> bool:
    """Whether a TCP segment's checksum fits: RFC 1071 over pseudo-header and segment
    (RFC 9293 3.1).
    """
    pseudo = src.to_bytes(4) + dst.to_bytes(4) + b"\0\6" + len(segment).to_bytes(2)
    return internet_checksum(pseudo + segment) == 0


def internet_checksum(octets: bytes) -> int:
    """One's complement of the one's complement sum of 16-bit words (RFC 1071 section 1)."""
    octets += b"\0" * (len(octets) & 1)
    total = sum(int.from_bytes(octets[i : i + 2]) for i in range(0, len(octets), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
