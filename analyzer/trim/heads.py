"""Which octets of TCP payloads facts are read from: the heads of messages of known protocols."""

import numpy as np

from analyzer.columns import Flags, Ints, Keys
from analyzer.facts import CLIENT, Session, Socket
from analyzer.facts.messages import IN_ONE_SEGMENT
from analyzer.facts.protocols import FRAMINGS, Framing
from analyzer.frames import Frames

Ends = tuple[int, int]
"""Sender and receiver, as 48-bit numbers."""
Spoken = dict[Ends, tuple[int, bool]]
"""What is spoken between two sockets: the protocol's place in FRAMINGS, and whether the sender is
the server."""
Spans = dict[int, list[tuple[int, int, bool]]]
"""Octet positions (begin, end) by the row of the frame, and whether a number stands there of which
only counts whether it is the same as another one."""


def spoken(sessions: list[Session]) -> Spoken:
    """The protocols of all sessions in which one is known."""
    found: Spoken = {}
    for session in sessions:
        dialogue = session.dialogue
        if dialogue.framing >= 0:
            client, server = _number(session.client), _number(session.server)
            asks_in = dialogue.framing if dialogue.refused_in is None else dialogue.voices[CLIENT]
            found[client, server] = asks_in, False
            found[server, client] = dialogue.framing, True
    return found


def _number(socket: Socket) -> int:
    return int(socket.address) << 16 | socket.port


def _numbers(frames: Frames, addresses: Keys, ports: Keys) -> list[int]:
    """The same of the rows of a table."""
    address, sockets = frames.listed.address, zip(addresses.tolist(), ports.tolist(), strict=True)
    return [address(number) << 16 | port for number, port in sockets]


def heads(frames: Frames, known: Spoken) -> Spans:
    """Where the heads of messages stand in the segments of a chunk."""
    table, spans = frames.tcp, Spans()
    src = _numbers(frames, frames.ip.src[table.ip], table.sport)
    dst = _numbers(frames, frames.ip.dst[table.ip], table.dport)
    ways = [known.get(ends) for ends in zip(src, dst, strict=True)]
    protocol = np.array([-1 if way is None else way[0] for way in ways], np.int64)
    by_server = np.array([way is not None and way[1] for way in ways], bool)
    for number in sorted(set(protocol[protocol >= 0].tolist())):
        rows = np.flatnonzero((protocol == number) & (table.length > 0))
        _walk(FRAMINGS[number], frames, rows, by_server, spans)
    return spans


def _walk(framing: Framing, frames: Frames, rows: Ints, by_server: Flags, spans: Spans) -> None:
    """Walk through segments together, message by message, as the facts do."""
    table = frames.tcp
    at = table.payload[rows]
    for _ in range(IN_ONE_SEGMENT):
        end = np.minimum(table.payload + table.length, frames.end[table.row])[rows]
        size = framing.heads(frames.octets, at, end, by_server[rows]).size
        here = np.flatnonzero(size > 0)
        rows, at, end, size = rows[here], at[here], end[here], size[here]
        if not len(rows):
            return
        behind = np.minimum(at + size, end)
        of = table.row[rows].tolist()
        for one in framing.reads(frames.octets, at, behind):
            begins, ends = one.begin.tolist(), np.minimum(one.end, behind).tolist()
            for row, begin, stop in zip(of, begins, ends, strict=True):
                if begin < stop:
                    spans.setdefault(row, []).append((begin, stop, one.is_number))
        more = np.flatnonzero(behind < end)
        rows, at = rows[more], behind[more]
