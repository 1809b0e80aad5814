"""TCP sessions: one state a session, whatever the number of segments (RFC 9293).

An attempt is a SYN with its initial sequence number between two sockets; the SYN sent again is the
same attempt. Segments that no rule can care about one by one (data, acknowledgements) are judged
for all sessions of a chunk at once; SYN, FIN, RST and what fills a hole are looked at singly.
"""

import numpy as np

from analyzer.columns import Flags, Ints, Keys
from analyzer.facts.groups import ends, groups
from analyzer.facts.messages import hear
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.facts.session import CLIENT, SERVER, Session, Socket
from analyzer.facts.tcp.checksum import checksum_is_right
from analyzer.facts.tcp.directions import add_up
from analyzer.facts.tcp.events import look_singly
from analyzer.facts.tcp.resent import look_at_resent
from analyzer.facts.tcp.segments import Segments, lanes_of
from analyzer.facts.tcp.sequence import follow
from analyzer.facts.tcp.turns import take_turns
from analyzer.facts.tcp.windows import window_probes
from analyzer.facts.values import Address
from analyzer.frames import Frames, Tcp

CHECKED_SYNS = 64
"""SYN segments whose checksum is computed: enough to see which host leaves it to the adapter."""

Pair = tuple[int, int]
"""Both sockets as 48-bit numbers, the lower first."""


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
        low, high = np.minimum(src, dst), np.maximum(src, dst)
        first, pair = groups(low, high)
        pairs: list[Pair] = list(zip(low[first].tolist(), high[first].tolist(), strict=True))
        order, begins, sessions = self._sorted(frames, src, pair, pairs)
        part = np.cumsum(begins) - 1
        low_is_client = np.array(
            [_number(frames, s.client) < _number(frames, s.server) for s in sessions]
        )
        from_client = (src < dst)[order] == low_is_client[part]
        _judge(
            Segments(
                sessions=sessions,
                frames=frames,
                part=part,
                side=np.where(from_client, CLIENT, SERVER),
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
        )

    def _sorted(
        self, frames: Frames, src: Keys, pair: Ints, pairs: list[Pair]
    ) -> tuple[Ints, Flags, list[Session]]:
        """The rows sorted by session, where each session begins, and the sessions in that order.

        pair: index of each row's sockets in pairs.
        """
        carried = [self.current.get(one) for one in pairs]
        opened = self._opened(frames, src, pair, pairs)
        order, start, _ = ends(pair, len(pairs))
        begins = np.zeros(len(order), bool)
        begins[start] = True
        if opened:
            place = np.empty(len(order), np.int64)
            place[order] = np.arange(len(order))
            begins[place[list(opened)]] = True
        sessions = []
        for index in order[begins].tolist():
            session = opened.get(index) or carried[pair[index]]
            sessions.append(session or self._joined_late(frames, index, pairs[pair[index]]))
        return order, begins, sessions

    def _opened(
        self, frames: Frames, src: Keys, pair: Ints, pairs: list[Pair]
    ) -> dict[int, Session]:
        """New sessions by the row of their first SYN."""
        table = frames.tcp
        opened: dict[int, Session] = {}
        settled: set[Pair] = set()
        for index in np.flatnonzero(table.flags & (Tcp.SYN | Tcp.RST) != 0).tolist():
            key, client, flags = pairs[pair[index]], int(src[index]), int(table.flags[index])
            if flags & (Tcp.ACK | Tcp.RST | Tcp.FIN):
                settled.add(key)
                continue
            session, isn = self.current.get(key), int(table.seq[index])
            again = session is not None and _number(frames, session.client) == client
            if session is None or not _calls_again(session, again, isn, key in settled):
                server = key[1] if client == key[0] else key[0]
                session = Session(_socket(frames, client), _socket(frames, server), isn)
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
                segment, session.client.address, session.server.address
            )

    def _joined_late(self, frames: Frames, index: int, pair: Pair) -> Session:
        """A session whose opening is not in the recording: guess who opened it.

        A SYN with ACK comes from the server. Otherwise the server has the registered industrial
        port, or the lower one: systems pick high ports for clients (RFC 6335 6).
        """
        low, high = _socket(frames, pair[0]), _socket(frames, pair[1])
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


def _calls_again(session: Session, by_client: bool, isn: int, settled: bool) -> bool:
    """Whether a SYN is the session's own: sent again, or the other end's at the same time, which
    opens one session and not two (RFC 9293 3.5, figure 8).

    by_client: whether the session's client sent it; settled: whether this chunk has an acceptance
    or a refusal between the two sockets already.
    """
    if by_client:
        return session.isn == isn
    settled = settled or bool(session.syn_ack or session.completed or session.ends)
    return session.isn is not None and not settled


def _number(frames: Frames, socket: Socket) -> int:
    return frames.listed.number(socket.address) << 16 | socket.port


def _socket(frames: Frames, number: int) -> Socket:
    return Socket(Address(frames.listed.address(number >> 16)), number & 0xFFFF)


def _judge(segments: Segments) -> None:
    """Update the sessions of a chunk, the later steps with what the earlier ones found."""
    lanes = lanes_of(segments)
    flow = follow(segments, lanes)
    turns = take_turns(segments, flow)
    one_octet = flow.fresh & (segments.length == 1)
    probes = window_probes(segments, lanes, flow.keep_alive | flow.repeated | one_octet)
    look_at_resent(segments, lanes, flow.repeated & ~probes, flow.skipped)
    add_up(segments, lanes, flow)
    look_singly(segments, lanes, flow, turns)
    whole = np.flatnonzero(flow.fresh & (flow.new == segments.length))
    part, side, index = segments.part[whole], segments.side[whole], segments.index[whole]
    hear(segments.sessions, part, side, index, segments.frames)


def _maximum_segment_size(segment: bytes) -> int | None:
    """The MSS option of a SYN: kind 2, length 4 (RFC 9293 3.7.1)."""
    options, at = segment[20 : (segment[12] >> 4) * 4], 0
    while at + 1 < len(options) and options[at]:
        if options[at] == 2 and options[at + 1] == 4 and at + 4 <= len(options):
            return int.from_bytes(options[at + 2 : at + 4])
        at += 1 if options[at] == 1 else max(2, options[at + 1])
    return None
