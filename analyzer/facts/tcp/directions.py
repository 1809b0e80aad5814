"""Sums, and first and last segments, of each direction of each session."""

import numpy as np

from analyzer.columns import Ints
from analyzer.facts.groups import groups
from analyzer.facts.session import CLIENT, SERVER, WORD, Data, Side, Sized
from analyzer.facts.tcp.segments import Lanes, Segments
from analyzer.facts.tcp.sequence import Flow
from analyzer.facts.values import KEPT, Hardware
from analyzer.frames import NO_HARDWARE, Tcp

FULL = 1460
"""Most octets of a TCP segment in an Ethernet frame of 1500 octets without options (RFC 9293 3.7.1,
RFC 894); a larger one was joined by the recording host.
"""


def add_up(segments: Segments, lanes: Lanes, flow: Flow) -> None:
    """Bring every direction up to date with its segments of a chunk."""
    _count(segments, lanes, flow)
    _first_and_last(segments, lanes)
    _data(segments, lanes, flow)
    _acknowledgements(segments, lanes, flow)
    _confirmations(segments, lanes, flow)
    _hardware(segments, lanes)


def _count(segments: Segments, lanes: Lanes, flow: Flow) -> None:
    has_data = flow.fresh | flow.repeated
    pieces = np.where(has_data, -(-segments.length // FULL), 0)
    each = zip(
        lanes.sides,
        lanes.sum(flow.new),
        lanes.sum(pieces),
        lanes.count(flow.keep_alive),
        (lanes.last - lanes.start + 1).tolist(),
        strict=True,
    )
    for side, octets, count, keep_alives, frames in each:
        side.frames += frames
        side.octets += octets
        side.segments += count
        side.keep_alives += keep_alives


def _first_and_last(segments: Segments, lanes: Lanes) -> None:
    first, last = lanes.order[lanes.start].tolist(), lanes.order[lanes.last].tolist()
    for side, begin, stop in zip(lanes.sides, first, last, strict=True):
        side.last = segments.moment(stop)
        side.ttl = segments.ttl(stop)
        if side.first is None:
            side.first = segments.moment(begin)
            side.first_ttl = segments.ttl(begin)
            side.first_flags = int(segments.flags[begin])
            side.first_ack = int(segments.ack[begin])


def _data(segments: Segments, lanes: Lanes, flow: Flow) -> None:
    first, last = lanes.initial(flow.fresh), lanes.final(flow.fresh)
    sizes = np.where(flow.fresh, segments.length, 0)[lanes.order]
    largest = np.maximum.reduceat(sizes, lanes.start).tolist()
    for i, side in enumerate(lanes.sides):
        if last[i] < 0:
            continue
        side.last_data = segments.moment(last[i])
        if side.first_data is None:
            side.first_data = Data(segments.moment(first[i]), segments.payload(first[i]))
        if largest[i] > (side.record[-1].size if side.record else 0):
            rows = slice(lanes.start[i], lanes.last[i] + 1)
            _keep_records(side, segments, lanes.order[rows], sizes[rows])


def _keep_records(side: Side, segments: Segments, rows: Ints, sizes: Ints) -> None:
    """Keep the first segment of each size that is larger than all before it."""
    known = side.record[-1].size if side.record else 0
    before = np.maximum.accumulate(np.append(known, sizes[:-1]))
    for at in rows[sizes > before].tolist():
        size = int(segments.length[at])
        side.record.append(Sized((int(segments.seq[at]) + size) % WORD, size))
    del side.record[:-KEPT]


def _acknowledgements(segments: Segments, lanes: Lanes, flow: Flow) -> None:
    confirms = segments.has(Tcp.ACK | Tcp.RST, Tcp.ACK)
    first, last = lanes.initial(confirms), lanes.final(confirms)
    earliest = segments.ack[first]
    advances = lanes.count(confirms & (segments.ack != earliest[lanes.of]))
    unseens, last_unseen = lanes.count(flow.unseen), lanes.final(flow.unseen)
    last_ahead = lanes.final(flow.ahead)
    for i, side in enumerate(lanes.sides):
        side.unseen += unseens[i]
        if unseens[i]:
            side.last_unseen = segments.moment(last_unseen[i])
        if last_ahead[i] >= 0:
            side.last_ahead = segments.moment(last_ahead[i])
        if last[i] >= 0:
            advanced = side.last_ack not in (None, int(earliest[i])) or advances[i] > 0
            side.acknowledges |= advanced
            side.last_ack = int(segments.ack[last[i]])
            side.last_ack_at = segments.moment(last[i])


def _confirmations(segments: Segments, lanes: Lanes, flow: Flow) -> None:
    """When the other end first confirmed the last data of each direction."""
    newest = np.full(2 * len(segments.sessions), -1)
    for side, at in zip(lanes.sides, lanes.final(flow.fresh), strict=True):
        if at >= 0:
            newest[2 * segments.part[at] + segments.side[at]] = at
            side.data_end = (int(segments.seq[at]) + int(segments.length[at])) % WORD
            side.confirmed_at = None
    peers = [one.sides[side] for one in segments.sessions for side in (SERVER, CLIENT)]
    wanted = np.array([-1 if one.data_end is None else one.data_end for one in peers])
    lane = segments.lane
    behind = (segments.ack - wanted[lane] + WORD // 2) % WORD - WORD // 2 >= 0
    behind &= np.arange(len(lane)) > newest[lane ^ 1]
    confirms = segments.has(Tcp.ACK | Tcp.RST, Tcp.ACK) & behind & (wanted[lane] >= 0)
    for at in lanes.initial(confirms):
        if at >= 0 and peers[lane[at]].confirmed_at is None:
            peers[lane[at]].confirmed_at = segments.moment(at)


def _hardware(segments: Segments, lanes: Lanes) -> None:
    """Hardware addresses of each direction: those of its first segment, and any that differ."""
    row = segments.frames.tcp.row[segments.index]
    src, dst = segments.frames.src[row], segments.frames.dst[row]
    first = lanes.order[lanes.start]
    other = (src != src[first][lanes.of]) | (dst != dst[first][lanes.of])
    rows = np.concatenate((first, np.flatnonzero(other)))
    once, _ = groups(lanes.of[rows], src[rows], dst[rows])
    for at in rows[once].tolist():
        side = lanes.sides[lanes.of[at]]
        if src[at] != NO_HARDWARE:
            side.hardware.add(Hardware(int(src[at])))
        if dst[at] != NO_HARDWARE:
            side.sent_to.add(Hardware(int(dst[at])))
