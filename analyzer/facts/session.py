"""What is known of one TCP session (RFC 9293): plain data.

A *turn* is a run of new data in one direction. A turn of the client is a request, the turn of
the server that follows is its answer; the answer time runs from the last octet asked to the first
answered. What a session's messages say stands in its `dialogue`.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

from analyzer.facts.dialogue import NOTHING_SAID, Dialogue
from analyzer.facts.protocols.line_text import reads_like_a_no
from analyzer.facts.values import Address, Hardware, Moment, Series, Spread

CLIENT, SERVER = 0, 1
NOBODY = -1
CONTROL, PLAIN = 0x17, 0x10
"""The bits FIN, SYN, RST and ACK, and what a segment has that only acknowledges (RFC 9293 3.1)."""
INFINITE = float("inf")
WORD = 1 << 32
"""Sequence numbers are modulo this (RFC 9293 3.4)."""


class Socket(NamedTuple):
    """One end of a session."""

    address: Address
    port: int

    def __str__(self) -> str:
        return f"{self.address} port {self.port}"


class Data(NamedTuple):
    """A segment with data: its moment and its first octets."""

    moment: Moment
    octets: bytes


@dataclass(slots=True, eq=False, repr=False)
class Resent:
    """A data segment that was sent again: its sequence number, its octets, and each time."""

    seq: int
    size: int
    again: Series = field(default_factory=Series)


@dataclass(slots=True, eq=False, repr=False)
class Hole:
    """Octets that are not in the recording when later ones come. moment: of those later ones."""

    seq: int
    size: int
    moment: Moment


class Sized(NamedTuple):
    """A data segment: the sequence number behind it, and its octets."""

    behind: int
    size: int


class Wait(NamedTuple):
    """A long wait for an answer: the answer before, the request, and the answer that came late."""

    before: Moment
    asked: Moment
    answered: Moment

    @property
    def seconds(self) -> float:
        """How long it took."""
        return self.answered.seconds - self.asked.seconds


@dataclass(slots=True, eq=False, repr=False)
class Side:
    """What one end of a session sent.

    octets: payload without repeats; segments: data segments with repeats, a joined one for as many
    as it holds; repeats: data sent again; keep_alives: probes of an idle session; hardware: source
    addresses its frames came from; sent_to: hardware addresses they went to; first_ttl, ttl: time
    to live of its first and last frame; acknowledges: whether its acknowledgements advance;
    next_seq: sequence number behind all that it sent; data_end: the one behind its last new data;
    confirmed_at: the other end's first acknowledgement of that data; last_ack: its last
    acknowledgement; unseen: acknowledgements of data that is not in the recording; stands: as
    next_seq, or as its acknowledgements say where it sent nothing; last_ahead: where its own
    numbers were last beyond all of it that is recorded; record: the
    first segment of each size that is larger than all before it.

    Different segments sent again, without probes of a closed window: unconfirmed, where the other
    end had not confirmed the segment yet; confirmed, where it had; missing, where the first
    sending is not in the recording. resent: the latest of them; holes: what is still missing.

    shut: where it said that it can take no more data (a window of zero); shut_since: the last of
    those, where it never took that back; shut_longest: seconds of the longest such time that
    ended; probes: what it sent to see whether the other end takes data again.
    """

    frames: int = 0
    octets: int = 0
    segments: int = 0
    first: Moment | None = None
    last: Moment | None = None
    first_flags: int = 0
    first_ack: int = 0
    first_data: Data | None = None
    last_data: Moment | None = None
    repeats: Series = field(default_factory=Series)
    keep_alives: int = 0
    next_seq: int | None = None
    data_end: int | None = None
    confirmed_at: Moment | None = None
    last_ack: int | None = None
    last_ack_at: Moment | None = None
    first_ttl: int | None = None
    ttl: int | None = None
    acknowledges: bool = False
    unseen: int = 0
    last_unseen: Moment | None = None
    stands: int | None = None
    last_ahead: Moment | None = None
    record: list[Sized] = field(default_factory=list)
    unconfirmed: int = 0
    confirmed: int = 0
    missing: int = 0
    resent: list[Resent] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)
    shut: Series = field(default_factory=Series)
    shut_since: Moment | None = None
    shut_longest: float = 0.0
    probes: int = 0
    hardware: set[Hardware] = field(default_factory=set)
    sent_to: set[Hardware] = field(default_factory=set)


class End(NamedTuple):
    """A FIN or RST.

    since_data: seconds since the last new data either way, 0.0 where it carries some itself, None
    before any; after: who sent that data; lacking: its numbers show octets or a FIN, of either end,
    that are not in the recording before it; bare: a reset that confirms nothing, as it answers a
    segment of a session that is not known (RFC 9293 3.10.7.1); ttl and hardware: of this very
    frame.
    """

    moment: Moment
    reset: bool
    side: int
    since_data: float | None
    after: int
    lacking: bool
    bare: bool
    ttl: int
    hardware: Hardware | None


@dataclass(slots=True, eq=False, repr=False)
class Session:
    """One attempt to open a session and what became of it.

    syns: the SYN and its repeats, empty where the recording began later; syn_ack: the first
    acceptance; ends: FIN and RST segments in order; requests, answers: turns of data, see above;
    answer_times: of answers with nothing unseen between request and answer;
    pauses: from an answer to the next request; waits: the longest of the answer times that are long
    at all; slowing: answers that came slower than the one before, which did likewise; slows:
    whether the last one did; paces: the last two answer times;
    asked, answered: the last turn's last and first segment; checksum_filled: whether the SYN's
    checksum was right, None where that was not looked at.
    """

    client: Socket
    server: Socket
    isn: int | None = None
    syns: Series = field(default_factory=Series)
    syn_ack: Moment | None = None
    completed: Moment | None = None
    sides: tuple[Side, Side] = field(default_factory=lambda: (Side(), Side()))
    ends: list[End] = field(default_factory=list)
    requests: int = 0
    answers: int = 0
    answer_times: Spread = field(default_factory=Spread)
    pauses: Spread = field(default_factory=Spread)
    waits: tuple[Wait, ...] = ()
    slowing: int = 0
    slows: bool = False
    paces: tuple[float, float] = (INFINITE, INFINITE)
    last_turn: int = NOBODY
    asked: Moment | None = None
    answered: Moment | None = None
    checksum_filled: bool | None = None
    segment_size: int | None = None
    dialogue: Dialogue = field(default_factory=lambda: NOTHING_SAID)

    @property
    def from_client(self) -> Side:
        """What the client sent."""
        return self.sides[CLIENT]

    @property
    def from_server(self) -> Side:
        """What the server sent."""
        return self.sides[SERVER]

    @property
    def first(self) -> Moment:
        """The first frame of the session in the recording."""
        return min(side.first for side in self.sides if side.first)

    @property
    def last(self) -> Moment:
        """The last frame of the session in the recording."""
        return max(side.last for side in self.sides if side.last)

    @property
    def refused(self) -> End | None:
        """The reset that answered the SYN."""
        if self.syn_ack or not self.syns.count:
            return None
        resets = (one for one in self.ends if one.reset and one.side == SERVER)
        return next((one for one in resets if one.after == NOBODY), None)

    @property
    def held_over(self) -> Moment | None:
        """The server's plain acknowledgement of other numbers than the SYN's, in answer to it: it
        still holds an older session between the same sockets (RFC 9293 3.5.1, figure 9).
        """
        server, sent = self.from_server, self.from_client.next_seq
        resets = sum(end.side == CLIENT and end.reset for end in self.ends)
        went_on = self.from_client.frames > self.syns.count + resets
        unrecorded = went_on and self.syn_ack is None
        if self.isn is None or server.first_flags & CONTROL != PLAIN or unrecorded:
            return None
        reached = 0 if sent is None else (sent - self.isn) % WORD
        return None if 0 < (server.first_ack - self.isn) % WORD <= reached else server.first

    def holds(self, moment: Moment) -> bool:
        """Whether the session was open before a moment, and nobody had ended it by then."""
        ended = self.closing and self.closing[0].moment < moment
        return self.is_open and self.first < moment and not ended

    @property
    def is_open(self) -> bool:
        """Whether both ends took part: the handshake completed, or data went both ways."""
        both_ways = all(side.octets for side in self.sides)
        joined_late = not self.syns.count and not any(map(self.only_reset, (CLIENT, SERVER)))
        return bool(self.completed) or both_ways or joined_late

    def only_reset(self, side: int) -> bool:
        """Whether an end sent nothing but resets, or nothing at all."""
        resets = sum(end.side == side and end.reset for end in self.ends)
        return self.sides[side].frames == resets

    @property
    def handshake_seconds(self) -> float | None:
        """From the last SYN before the acceptance to the acceptance."""
        if self.syn_ack is None:
            return None
        before = [syn for syn in self.syns.moments if syn.frame < self.syn_ack.frame]
        return self.syn_ack.seconds - before[-1].seconds if before else None

    @property
    def is_waiting(self) -> bool:
        """Whether the last data was the client's: a request without an answer."""
        return self.last_turn == CLIENT

    @property
    def is_silent(self) -> bool:
        """Whether the client only called, and the server sent nothing at all.

        A client that goes on to send more was answered, and the recording lacks that direction.
        """
        only_called = self.from_client.frames == self.syns.count
        return bool(self.syns.count) and only_called and not self.from_server.frames

    @property
    def is_stream(self) -> bool:
        """Whether only the server sends, of its own accord, and nobody broke the session."""
        asks = self.from_client.octets or self.from_server.acknowledges
        return not (asks or self.only_reset(CLIENT) or self.broken_by)

    @property
    def closing(self) -> list[End]:
        """How the open session ended: FIN and RST segments, without those before the acceptance."""
        return [one for one in self.ends if self.syn_ack is None or one.moment > self.syn_ack]

    @property
    def is_one_sided(self) -> bool:
        """Whether the client confirms what the server sent, and the recording holds none of it."""
        client, server = self.from_client, self.from_server
        completed = bool(self.syns.count) and client.last_ack is not None
        return not server.frames and (client.acknowledges or completed)

    @property
    def broken_by(self) -> End | None:
        """The server's reset of a session that nobody had closed."""
        if self.refused is not None or not self.server_ended:
            return None
        return self.closing[0] if self.closing[0].reset else None

    @property
    def server_ended(self) -> bool:
        """Whether the server was the first to close or reset."""
        return bool(self.closing) and self.closing[0].side == SERVER

    @property
    def turned_down(self) -> End | None:
        """The client's reset of an acceptance that it had never confirmed."""
        if self.syn_ack is None or self.completed is not None or not self.syns.count:
            return None
        return next((one for one in self.closing if one.reset and one.side == CLIENT), None)

    @property
    def turned_away(self) -> Moment | None:
        """The server's text that reads like a no, where the client had not asked for anything."""
        told = self.from_server.first_data
        if told is None or self.from_client.octets or not reads_like_a_no(told.octets):
            return None
        return told.moment

    @property
    def waits_since(self) -> Moment | None:
        """The client's last frame where nothing has answered it yet."""
        if self.is_silent:
            return self.syns.last
        if self.is_open and self.is_waiting and not self.server_ended:
            repeats = self.from_client.repeats
            return max([m for m in (self.asked, repeats.count and repeats.last) if m])
        return None

    @property
    def is_timed(self) -> bool:
        """Whether answer times are known: none was lost, and none belongs to an older request."""
        return bool(self.answer_times.count) and not self.dialogue.late.count

    @property
    def is_hung(self) -> bool:
        """Whether the client repeats its last request, and nothing has come back since."""
        since, repeats = self.waits_since, self.from_client.repeats
        if since is None or self.asked is None or not repeats.count:
            return False
        return repeats.last > self.asked

    @property
    def request_acknowledged(self) -> bool:
        """Whether the server's TCP confirmed all that the client sent."""
        sent, confirmed = self.from_client.next_seq, self.from_server.last_ack
        return sent is not None and confirmed is not None and ahead(confirmed, sent) >= -1

    @property
    def lacks_answer(self) -> bool:
        """Whether data of the server behind the last request is not recorded: the client confirmed
        it, or the server's own numbers are beyond it.
        """
        signs = self.from_client.last_unseen, self.from_server.last_ahead
        asked = self.asked
        return asked is not None and any(one is not None and one > asked for one in signs)

    def stuck(self, side: int) -> Resent | None:
        """The segment that a side sends again and the other end still waits for."""
        confirmed = self.sides[1 - side].last_ack
        if confirmed is None:
            return None
        found = (r for r in self.sides[side].resent if 0 <= ahead(confirmed, r.seq) < r.size)
        return next(found, None)

    def delivered(self, side: int) -> list[Resent]:
        """The segments that a side sent again and that the other end confirmed in the end."""
        confirmed = self.sides[1 - side].last_ack
        if confirmed is None:
            return []
        return [r for r in self.sides[side].resent if ahead(confirmed, r.seq) >= r.size]

    def hole(self, side: int) -> Hole | None:
        """The first octets of a side that are missing in the recording and at the other end."""
        confirmed = self.sides[1 - side].last_ack
        if confirmed is None:
            return None
        found = (h for h in self.sides[side].holes if 0 <= ahead(confirmed, h.seq) < h.size)
        return next(found, None)

    def largest_confirmed(self, side: int) -> int:
        """Octets of the largest data segment of a side that the other end has confirmed."""
        confirmed = self.sides[1 - side].last_ack
        if confirmed is None:
            return 0
        sizes = (one.size for one in self.sides[side].record if ahead(confirmed, one.behind) >= 0)
        return max(sizes, default=0)


def ahead(a: int, b: int) -> int:
    """How far sequence number a is ahead of b, modulo 2^32 (RFC 9293 3.4)."""
    return (a - b + WORD // 2) % WORD - WORD // 2
