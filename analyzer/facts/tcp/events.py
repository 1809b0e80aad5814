"""SYN, FIN and RST, looked at one by one."""

import numpy as np

from analyzer.facts.session import CLIENT, NOBODY, SERVER, WORD, End, Session
from analyzer.facts.tcp.segments import Lanes, Segments
from analyzer.facts.tcp.sequence import Flow
from analyzer.facts.tcp.turns import Turns
from analyzer.facts.tcp.windows import EVENT_FLAGS
from analyzer.facts.values import KEPT, Hardware
from analyzer.frames import NO_HARDWARE, Tcp


def look_singly(segments: Segments, lanes: Lanes, flow: Flow, turns: Turns) -> None:
    """Keep calls, acceptances and ends; count repeated data; see which handshakes completed."""
    for at in np.flatnonzero(~segments.has(EVENT_FLAGS, 0)).tolist():
        session, flags = segments.sessions[segments.part[at]], int(segments.flags[at])
        if flags & (Tcp.RST | Tcp.FIN):
            if len(session.ends) < KEPT:
                session.ends.append(_end(segments, at, flow, turns))
        elif flags & Tcp.ACK:
            _accept(session, segments, at)
        elif segments.side[at] == CLIENT:
            session.syns.add(segments.moment(at))
    for side, rows in lanes.split(flow.repeated):
        segments.put(side.repeats, rows.tolist())
    _complete(segments)


def _accept(session: Session, segments: Segments, at: int) -> None:
    expected = session.isn is None or int(segments.ack[at]) == (session.isn + 1) % WORD
    if segments.side[at] == SERVER and expected and session.syn_ack is None:
        session.syn_ack = segments.moment(at)


def _end(segments: Segments, at: int, flow: Flow, turns: Turns) -> End:
    side, moment = int(segments.side[at]), segments.moment(at)
    flags = int(segments.flags[at])
    after, since = int(turns.side[at]), moment.seconds - float(turns.seconds[at])
    if flow.new[at]:
        after, since = side, 0.0
    source = int(segments.frames.src[segments.frames.tcp.row[int(segments.index[at])]])
    return End(
        moment=moment,
        reset=bool(flags & Tcp.RST),
        side=side,
        since_data=None if after == NOBODY else since,
        after=after,
        ttl=segments.ttl(at),
        lacking=bool(flow.lacking[at]),
        bare=not flags & Tcp.ACK,
        hardware=None if source == NO_HARDWARE else Hardware(source),
    )


def _complete(segments: Segments) -> None:
    """A handshake completes with the client's first plain segment after the acceptance."""
    plain = segments.has(EVENT_FLAGS, 0) & (segments.side == CLIENT)
    begin = np.append(np.flatnonzero(segments.begins), len(plain)).tolist()
    for number, session in enumerate(segments.sessions):
        if session.syn_ack and not session.completed:
            rows = slice(begin[number], begin[number + 1])
            after = plain[rows] & (segments.number[rows] > session.syn_ack.frame)
            if after.any():
                session.completed = segments.moment(begin[number] + int(after.argmax()))
