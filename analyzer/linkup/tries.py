"""Everything that one end tried with another, and how each try ended.

`ENDINGS` is the one table of how a call can end, with its sign on the wire: rules, reports,
comparison and the live view read what it says, and judge no reset, close or acknowledgement
themselves. A call is one attempt to open a TCP session, with all that became of it.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from itertools import pairwise
from typing import TypeVar, overload

from analyzer.facts import (
    CLIENT,
    NOBODY,
    SERVER,
    Echo,
    End,
    Exchange,
    Hole,
    IcmpError,
    Moment,
    Question,
    Resent,
    Series,
    Session,
)


class What(StrEnum):
    """What was tried."""

    ARP = "arp"
    PING = "ping"
    TCP = "tcp"
    UDP = "udp"


class How(StrEnum):
    """How a try ended."""

    ANSWERED = "answered"
    IGNORED = "ignored"
    REFUSED = "refused"
    HELD_OVER = "held over"
    UNHEARD = "unheard"
    TURNED_DOWN = "turned down"
    NOT_SEEN = "not seen"
    TURNED_AWAY = "turned away"
    DROPPED = "dropped"
    RESET = "reset"
    MUTE = "mute"
    HUNG = "hung"
    CLOSED = "closed"
    OPEN = "open"


DENIED = (How.IGNORED, How.REFUSED)
"""A call of which nothing came, for want of a taker."""
AT_ONCE = 0.1
"""Seconds, beside the way there and back, within which a server ends a session that it does not
want, or that brought a request which it does not want (common practice, no source)."""
SOON = 60.0
"""Seconds within which a program that wants its session calls again (common practice, no
source)."""
RIGHT_AWAY = 2.0
"""Seconds within which a program calls again that notices the end, and does not only come back for
its next piece of work (common practice, no source)."""
PATIENCE = 1.0
"""Seconds without data from which on a client that ends a session had waited for the server (common
practice, no source)."""
RIGHT_AFTER = 1.0
"""Seconds after an answer within which an end belongs to it, by design of some controllers."""
STARTS = (64, 128, 255)
"""Times to live that systems begin with (common practice, no source)."""
UNNOTICED = 0.1
"""Seconds after a close from which on a request is no mere farewell (a secured session says goodbye
at once, RFC 8446 6.1)."""
ONE_ATTEMPT = 3.0
"""Seconds within which systems repeat a refused call by themselves (common practice, no
source)."""
LONG_IDLE = 5.0
"""Seconds without data from which on a time limit is the first thing to think of."""
IN_WORK = 3
"""Requests from which on a client has a pace (common practice, no source)."""
OVERDUE = 1.5
"""Intervals without a request after which a client had paused or stopped by itself (common
practice, no source)."""
AT_AN_ANSWER = 0.05
"""Seconds after an answer within which an end may belong to it, as to a farewell (common practice,
no source)."""
START_TAKES = 120.0
"""Seconds that a controller takes to start, at most (common practice, no source)."""
REPEATS = 3
"""Repeats of one segment from which on a single lost frame is no explanation."""
BEGINNING = Moment(0, float("-inf"))
"""Earlier than every frame."""


@dataclass(slots=True, eq=False, repr=False)
class Try:
    """One thing that was tried: first and last frame of it, how often it was asked, how many
    answers it got. port: None for ARP and pings; under_way: whether its beginning is not recorded.
    """

    what: What
    port: int | None
    how: How
    first: Moment
    last: Moment
    times: int = 1
    answers: int = 0
    last_answer: Moment | None = None
    under_way: bool = False


@dataclass(slots=True, eq=False, kw_only=True)
class Call(Try):
    """One attempt to open a session, and what became of it.

    session: its facts; end: the close or reset that ended it, or the reset that refused it, of
    whichever end was first; idle: seconds without data before that end, since the opening where
    there was no data; wanted: whether the client still wanted the session when the server ended it;
    came_back: whether the client called again soon after the server had ended it; errors:
    messages about its packets, in order; error: the one that refused it on the way.
    """

    session: Session
    end: End | None = None
    idle: float = 0.0
    wanted: bool = False
    came_back: bool = False
    errors: Collection[IcmpError] = ()
    error: IcmpError | None = None

    @property
    def opened(self) -> bool:
        """Whether both ends took part."""
        return self.session.is_open

    @property
    def denied(self) -> bool:
        """Whether nobody took it."""
        return self.how in DENIED

    @property
    def ended_by_server(self) -> bool:
        """Whether the server was the first to end the open session."""
        return self.end is not None and self.end.side == SERVER and self.how is not How.REFUSED

    @property
    def ended_by_client(self) -> bool:
        """Whether the client was the first to end the session, or turned it down."""
        return self.end is not None and self.end.side == CLIENT

    @property
    def ended(self) -> Moment | None:
        """When the first of the two ends ended it, or the server refused it."""
        return None if self.end is None else self.end.moment

    @property
    def ended_on_request(self) -> bool:
        """Whether the last data before its end was the client's."""
        return self.end is not None and self.end.after == CLIENT

    @property
    def had_data(self) -> bool:
        """Whether any data had passed before its end."""
        return self.end is not None and self.end.since_data is not None

    @property
    def ended_at_rest(self) -> bool:
        """Whether the server ended it some time after its own last data."""
        after_server = self.end is not None and self.end.after == SERVER
        return self.ended_by_server and after_server and self.idle > RIGHT_AFTER

    @property
    def cut_short(self) -> bool:
        """Whether the server ended it in the midst of work: the client asked at a pace and was
        answered, its next request was not overdue, and the end does not belong to an answer.
        """
        end, asked = self.end, self.session.asked
        if end is None or asked is None or asked > end.moment or end.lacking:
            return False
        answered = self.ended_by_server and end.after == SERVER and self.session.requests >= IN_WORK
        return answered and AT_AN_ANSWER < self.idle <= OVERDUE * self.interval

    @property
    def starved(self) -> bool:
        """Whether the server closed it long after a request that it had confirmed, and that never
        got an answer.
        """
        closed = self.how is How.MUTE and self.ended_by_server and not self.broken
        return closed and self.ended_on_request and self.is_confirmed and self.idle >= LONG_IDLE

    @property
    def ended_from_nearer(self) -> bool:
        """Whether its end passed fewer routers than the server's first frame did: each takes one
        off the time to live (RFC 1812 5.3.1), and a stack may begin with another one in a reset.
        """
        usual = self.session.from_server.first_ttl
        if self.end is None or usual is None:
            return False
        return _routers_passed(self.end.ttl) < _routers_passed(usual)

    @property
    def is_confirmed(self) -> bool:
        """Whether all that the client had sent was confirmed when the session was ended, if only by
        that end itself.
        """
        at = self.session.from_client.confirmed_at
        return at is not None and self.end is not None and at <= self.end.moment

    @property
    def answered_late(self) -> Moment | None:
        """The last answer, where the client had ended the session before, with a request open."""
        came, ended = self.last_answer, self.ended
        if came is None or ended is None or not (self.ended_by_client and self.ended_on_request):
            return None
        return came if came > ended else None

    @property
    def interval(self) -> float:
        """Mean seconds between the client's requests, infinite where it sent one only."""
        asked, first = self.session.asked, self.session.from_client.first_data
        if asked is None or first is None or self.session.requests < 2:
            return float("inf")
        return (asked.seconds - first.moment.seconds) / (self.session.requests - 1)

    @property
    def gave_up(self) -> bool:
        """Whether the client ended it after a longer wait for the server than any before."""
        longest = self.session.answer_times.most
        return self.ended_by_client and self.idle >= max(PATIENCE, longest)

    @property
    def is_unheard(self) -> bool:
        """Whether its last request is not even confirmed, and nobody ended it."""
        return self.waits and self.end is None and not self.session.request_acknowledged

    @property
    def last_good(self) -> Moment | None:
        """The last good answer; where the protocol is not known, the last answer."""
        said = self.session.dialogue
        return self.last_answer if said.protocol is None else said.last_good

    @property
    def first_good(self) -> Moment | None:
        """The first good answer; where the protocol is not known, the first data behind a request
        or before one.
        """
        if self.session.dialogue.protocol is not None:
            return self.session.dialogue.good_since
        told = self.session.from_server.first_data
        return told.moment if told is not None and self.answers else None

    @property
    def broken(self) -> bool:
        """Whether the server reset a session that nobody had closed."""
        return _reset(self.session)

    @property
    def was_reset(self) -> bool:
        """Whether either end reset the open session, be it after a close."""
        return any(end.reset for end in self.session.closing)

    @property
    def asks_last(self) -> bool:
        """Whether the last data was the client's: a request without an answer."""
        return self.session.is_waiting

    @property
    def told_no(self) -> Moment | None:
        """The server's text that reads like a no, before the client had asked for anything."""
        return self.session.turned_away

    @property
    def waits(self) -> bool:
        """Whether a request was open when it ended, or is to the end of the recording."""
        return self.session.is_open and self.session.is_waiting

    @property
    def hangs(self) -> bool:
        """Whether the client repeats its last request in vain, answered before or not."""
        return self.session.is_hung

    @property
    def passed_over(self) -> Series:
        """Requests that got no answer although later ones did, and although the session went on for
        twice as long as any answer took; none where the recording lacks some of the server's data.
        """
        said, server = self.session.dialogue, self.session.from_server
        lacking = self.session.from_client.unseen or server.last_ahead
        if lacking or said.read < server.octets:
            return Series()
        return said.passed_over(self.last.seconds - max(PATIENCE, 2 * said.longest))

    @property
    def is_left_open(self) -> bool:
        """Whether it was open, and no close or reset of it is recorded."""
        return self.opened and not self.session.ends

    @property
    def calls(self) -> int:
        """How often the call itself was sent; 0 where the recording began later."""
        return self.session.syns.count

    @property
    def accepted(self) -> int:
        """How often the server accepted a call that the client never took up."""
        return accepted_times(self.session) if self.how is How.UNHEARD else 0

    @property
    def acceptances(self) -> list[Moment]:
        """The first and the last of those."""
        first, last = self.session.syn_ack, self.session.from_server.last
        return [at for at in (first, last) if at is not None and self.accepted]

    @property
    def sent_again(self) -> list[Moment]:
        """The kept calls that another one followed, and data sent again."""
        return [*self.session.syns.moments[:-1], *self.session.from_client.repeats.moments]

    @property
    def unanswered(self) -> list[Moment]:
        """The kept moments of what nothing recorded answers: of the call, or of the request that
        waits. None where the server closed in order.
        """
        if self.how is How.IGNORED:
            return self.session.syns.moments
        return [] if self.ended_by_server and not self.broken else self.asking

    @property
    def asking(self) -> list[Moment]:
        """The kept moments of the request that waits, each repeat among them."""
        asked, repeats = self.session.asked, self.session.from_client.repeats.moments
        if not self.waits or asked is None:
            return []
        return [asked, *(at for at in repeats if at > asked)]

    @property
    def in_vain(self) -> list[Moment]:
        """The kept moments of what the client sent after the last frame of the server: the call,
        its last request, data sent again.
        """
        one = self.session
        sent = [*one.syns.moments, *one.from_client.repeats.moments]
        sent += [one.asked] if one.asked is not None else []
        last = one.from_server.last
        return sorted(at for at in sent if last is None or at > last)

    @property
    def unwelcome(self) -> bool:
        """Whether the server ended it at once, before it was asked for anything, or sent it away
        with a text.
        """
        asked = self.session.from_client.first_data
        early = asked is None or (self.end is not None and asked.moment > self.end.moment)
        return self.how is How.TURNED_AWAY or (self.how is How.DROPPED and early)

    @property
    def odd_answers(self) -> list[Moment]:
        """Acknowledgements of an older session's numbers in answer to the call (RFC 9293 3.5.1,
        figure 9): the first, and the last where the server sent nothing else.
        """
        one, heard = self.session, self.session.from_server
        if one.held_over is None:
            return []
        ended = any(end.side == SERVER for end in one.ends)
        only_odd = one.syn_ack is None and not heard.octets and not ended
        last = [heard.last] if only_odd and heard.last not in (None, one.held_over) else []
        return [one.held_over, *(at for at in last if at is not None)]

    @property
    def cleared(self) -> list[Moment]:
        """The client's resets."""
        return resets_of_client(self.session)

    def is_unknown_to(self, side: int) -> bool:
        """Whether an end knows nothing of a session from before the recording, which the other one
        uses: it only resets it (RFC 9293 3.5.1, figure 10), or keeps silent.
        """
        one = self.session
        used = not one.only_reset(1 - side)
        return not one.syns.count and used and one.only_reset(side)

    def held(self, moment: Moment) -> bool:
        """Whether the session was open before a moment, and nobody had ended it by then."""
        over = self.end is not None and self.end.moment < moment
        return self.opened and self.first < moment and not over

    @property
    def undelivered(self) -> Resent | None:
        """The client's segment that was sent again REPEATS times and is still waited for."""
        resent = self.stuck(CLIENT)
        return None if resent is None or resent.again.count < REPEATS else resent

    @property
    def interruptions(self) -> list[Resent]:
        """The client's segments that were sent again REPEATS times, for longer than a lost frame
        takes, and that the server confirmed in the end.
        """
        return [
            one
            for one in self.session.delivered(CLIENT)
            if one.again.count >= REPEATS
            and one.again.last.seconds - one.again.first.seconds >= PATIENCE
        ]

    def stuck(self, side: int) -> Resent | None:
        """The segment that a side sends again and the other end still waits for."""
        return self.session.stuck(side)

    def hole(self, side: int) -> Hole | None:
        """The first octets of a side that are missing in the recording and at the other end."""
        return self.session.hole(side)


# --- the table of endings -------------------------------------------------------------------------


def _refused(one: Session) -> bool:
    """A reset answers the call (RFC 9293 3.5.2)."""
    return one.refused is not None


def _ignored(one: Session) -> bool:
    """Nothing at all came back (RFC 9293 3.8.3: the client goes on trying)."""
    return one.is_silent


def _held_over(one: Session) -> bool:
    """An acknowledgement of an older session's numbers came back (RFC 9293 3.5.1)."""
    return one.held_over is not None and not one.is_open


def _unheard(one: Session) -> bool:
    """The server accepted, and accepted again, and the client only called (RFC 9293 3.10.7.3: it
    has to confirm an acceptance). A server that confirms more than the call got more. Resets in
    between are not the caller's: once it has reset a call, it is closed, and calls no more.
    """
    server, resets = one.from_server, resets_of_client(one)
    again = accepted_times(one) > 1 and not (server.octets or server.acknowledges)
    only_called = one.from_client.frames - len(resets) == one.syns.count > 0
    return again and only_called and (not resets or one.syns.last > resets[0])


def _turned_down(one: Session) -> bool:
    """The acceptance came, and the client, which had given up, reset it (RFC 9293 3.10.7.3)."""
    return one.turned_down is not None and not one.is_open


def _not_seen(one: Session) -> bool:
    """The recording lacks what would tell: an answer to the call, or one end's half."""
    return not one.is_open and not lacks_client(one)


def _turned_away(one: Session) -> bool:
    """The server sent a text that reads like a no before it was asked, and that was all."""
    return one.turned_away is not None and bool(one.closing)


def _dropped(one: Session) -> bool:
    """The server accepted, and ended the session at once: before, or at, the first request."""
    return dropped_after(one) is not None


def _reset(one: Session) -> bool:
    """The server reset a session that nobody had closed (RFC 9293 3.5.2)."""
    return one.broken_by is not None


def _mute(one: Session) -> bool:
    """Accepted and asked; no answer ever came."""
    return one.is_waiting and not one.answers


def _hung(one: Session) -> bool:
    """It worked, then the last request was repeated in vain (RFC 9293 3.8.1)."""
    return one.is_hung


def _closed(one: Session) -> bool:
    """Somebody closed it, or the client reset it (RFC 9293 3.6)."""
    return bool(one.closing)


ENDINGS: Sequence[tuple[How, Callable[[Session], bool]]] = (
    (How.REFUSED, _refused),
    (How.IGNORED, _ignored),
    (How.HELD_OVER, _held_over),
    (How.UNHEARD, _unheard),
    (How.TURNED_DOWN, _turned_down),
    (How.NOT_SEEN, _not_seen),
    (How.TURNED_AWAY, _turned_away),
    (How.DROPPED, _dropped),
    (How.RESET, _reset),
    (How.MUTE, _mute),
    (How.HUNG, _hung),
    (How.CLOSED, _closed),
)
"""How a call ended: the first line that is true. What is none of them is open."""


def how_it_ended(session: Session) -> How:
    """The ending of one session."""
    return next((how for how, is_so in ENDINGS if is_so(session)), How.OPEN)


def lacks_client(session: Session) -> bool:
    """Whether the recording lacks the client's half of a session that carried data: a server sends
    none before the client has confirmed its acceptance (RFC 9293 3.10.7.4).
    """
    return session.from_server.octets > 0 and not session.from_client.frames


def resets_of_client(session: Session) -> list[Moment]:
    """The client's resets."""
    return [end.moment for end in session.ends if end.reset and end.side == CLIENT]


def accepted_times(session: Session) -> int:
    """How often a server that sent nothing else but ends accepted a call."""
    ends = sum(end.side == SERVER for end in session.ends)
    return 0 if session.syn_ack is None else session.from_server.frames - ends


def dropped_after(session: Session) -> float | None:
    """Seconds after which the server ended a session that it had accepted, at once and without a
    word: since the opening, or since the only request. None where it did not.
    """
    if session.completed is None or session.syn_ack is None or not session.server_ended:
        return None
    if session.from_server.octets or session.from_client.unseen:
        return None
    end, asked = session.closing[0], session.from_client.first_data
    if asked is None or asked.moment > end.moment:
        took = end.moment.seconds - session.syn_ack.seconds
        return took if took < AT_ONCE else None
    by_another = len(session.from_server.hardware) > 1
    if end.after != CLIENT or end.since_data is None or by_another:
        return None
    within = AT_ONCE + (session.handshake_seconds or 0.0)
    return end.since_data if end.since_data <= within else None


def _routers_passed(ttl: int) -> int:
    return next(start for start in STARTS if ttl <= start) - ttl


# --- many tries -----------------------------------------------------------------------------------

One = TypeVar("One", bound=Try)


class Tries(Sequence[One]):
    """Tries in order of their first frame; questions about time are answered by bisecting."""

    def __init__(self, tries: Iterable[One]) -> None:
        self._tries = list(tries)
        if len(self._tries) > 1:
            self._tries.sort(key=lambda one: one.first)

    def __len__(self) -> int:
        return len(self._tries)

    @overload
    def __getitem__(self, place: int) -> One: ...
    @overload
    def __getitem__(self, place: slice) -> "Tries[One]": ...
    def __getitem__(self, place: int | slice) -> "One | Tries[One]":
        return Tries(self._tries[place]) if isinstance(place, slice) else self._tries[place]

    def __iter__(self) -> Iterator[One]:
        return iter(self._tries)

    def that(self, *hows: How) -> "Tries[One]":
        """Those that ended in one of these ways."""
        return Tries(one for one in self if one.how in hows)

    def of(self, what: What) -> "Tries[One]":
        """Those of one kind."""
        return Tries(one for one in self if one.what is what)

    def on(self, port: int | None) -> "Tries[One]":
        """Those on one port."""
        return Tries(one for one in self if one.port == port)

    def after(self, moment: Moment | None) -> "Tries[One]":
        """Those begun later than a moment; all where there is none."""
        return self if moment is None else self[bisect_right(self._first, moment) :]

    def within(self, moment: Moment, seconds: float) -> bool:
        """Whether any began later than a moment, and not later than so many seconds."""
        place = bisect_right(self._seconds, moment.seconds)
        return place < len(self) and self._seconds[place] - moment.seconds < seconds

    @property
    def times(self) -> int:
        """How often it was tried in all, repeats counted."""
        return sum(one.times for one in self)

    @property
    def firsts(self) -> list[Moment]:
        """The first frame of each."""
        return self._first

    @cached_property
    def last_answer(self) -> Moment | None:
        """When the last answer of any came."""
        return max((one.last_answer for one in self if one.last_answer), default=None)

    def answered_after(self, moment: Moment) -> bool:
        """Whether any got an answer later than a moment."""
        return self.last_answer is not None and self.last_answer > moment

    @cached_property
    def _first(self) -> list[Moment]:
        return [one.first for one in self]

    @cached_property
    def _seconds(self) -> list[float]:
        return [one.first.seconds for one in self]


class Calls(Tries[Call]):
    """Calls, and what was open when."""

    @overload
    def __getitem__(self, place: int) -> Call: ...
    @overload
    def __getitem__(self, place: slice) -> "Calls": ...
    def __getitem__(self, place: int | slice) -> "Call | Calls":
        return Calls(self._tries[place]) if isinstance(place, slice) else self._tries[place]

    def that(self, *hows: How) -> "Calls":
        """Those that ended in one of these ways."""
        kept = [one for one in self._tries if one.how in hows]
        return self if len(kept) == len(self._tries) else Calls(kept)

    @cached_property
    def opened(self) -> "Calls":
        """Those in which both ends took part."""
        kept = [one for one in self._tries if one.opened]
        return self if len(kept) == len(self._tries) else Calls(kept)

    @cached_property
    def last_open(self) -> Moment | None:
        """The last frame of any open session: until then the port worked."""
        return max((one.last for one in self.opened), default=None)

    @property
    def not_taken_up(self) -> "Calls":
        """The last one, where the server ended it at rest, as none before, and the client never
        called again.
        """
        rest = [one for one in self if one.ended_at_rest and one.answers]
        return Calls(one for one in self[-1:] if rest == [one] and not one.wanted)

    @property
    def since_worked(self) -> "Calls":
        """Those begun after the last frame of any open session."""
        return Calls(self.after(self.last_open))

    @cached_property
    def acceptances(self) -> list[Moment]:
        """When the server accepted each, in order."""
        return sorted(at for one in self if (at := one.session.syn_ack) is not None)

    @property
    def ends(self) -> list[Moment]:
        """When each ended."""
        return [one.ended for one in self if one.ended is not None]

    @property
    def asks(self) -> list[Moment]:
        """The last request of each."""
        return [one.session.asked for one in self if one.session.asked is not None]

    @property
    def since_heard(self) -> "Calls":
        """Those begun after the last frame of any session in which the server sent something."""
        heard = (one.last for one in self if one.session.from_server.frames)
        return Calls(self.after(max(heard, default=None)))

    def opened_after(self, moment: Moment) -> bool:
        """Whether any session lived later than a moment."""
        return self.last_open is not None and self.last_open > moment

    @property
    def sent(self) -> list[Moment]:
        """The kept moments of the calls themselves, each repeat counted."""
        return sorted(moment for one in self for moment in one.session.syns.moments)

    @property
    def sent_in_all(self) -> int:
        """How often the calls themselves were sent, each repeat counted."""
        return sum(one.calls for one in self)

    @property
    def attempts(self) -> int:
        """How often a program called: systems repeat a refused call from the same socket."""
        begins = [(one.session.client, one.first.seconds) for one in self]
        return len(begins[:1]) + sum(
            caller != other or after - before > ONE_ATTEMPT
            for (caller, before), (other, after) in pairwise(begins)
        )


def of_session(session: Session, errors: Collection[IcmpError] = ()) -> Call:
    """One call, by itself. errors: messages about it; one that names a shorter way refuses nothing
    (RFC 1812 5.2.7.2).
    """
    how = how_it_ended(session)
    refusals = (one for one in errors if not one.is_redirect)
    error = next(refusals, None) if how is How.IGNORED else None
    end = session.refused or next(iter(session.closing), None)
    return Call(
        what=What.TCP,
        port=session.server.port,
        how=How.REFUSED if error is not None else how,
        first=session.first,
        last=session.last,
        answers=session.answers,
        last_answer=session.answered,
        under_way=not session.syns.count and session.syn_ack is None,
        session=session,
        end=end,
        idle=0.0 if end is None else _idle(session, end),
        errors=errors,
        error=error,
    )


def calls_of(
    sessions: Iterable[Session], errors: Callable[[Session], Collection[IcmpError]]
) -> Calls:
    """The calls of one end to one port of another; whether each was wanted is told by the others.

    Wanted: a request was open, no answer had come at all, the client was in the midst of its work,
    it asked on, or it called again.
    A close in order is the gentler end: there it counts only where the client called again at once,
    and not where it follows an answer, a greeting or each farewell of the same kind, where the
    client had called anew before, or where the recording lacks what went before it.
    """
    calls = Calls(of_session(one, errors(one)) for one in sessions)
    again = Tries(one for one in calls if one.calls)
    ended = [one for one in calls if one.ended_by_server]
    by_habit = len(ended) > 1 and len({one.answers for one in ended}) == 1
    for one in ended:
        if one.end is not None:
            one.came_back = again.within(one.end.moment, SOON)
            one.wanted = _was_wanted(one, one.end, again, calls, by_habit)
    return calls


def _was_wanted(call: Call, end: End, again: Tries[Call], calls: Calls, by_habit: bool) -> bool:
    if not call.answers and calls.answered_after(end.moment):
        return False
    if end.reset:
        return call.cut_short or _misses_reset(call, end)
    moved = call.last_answer is not None and again.within(call.last_answer, call.idle)
    if call.cut_short and not moved:
        return True
    return _misses_close(call, end, again.within(end.moment, RIGHT_AWAY), by_habit)


def _misses_reset(call: Call, end: End) -> bool:
    """Whether the client wanted a session that was reset: it was asking, or came back for it."""
    if end.after == CLIENT or (call.session.completed and not call.answers):
        return True
    return call.came_back and call.idle > RIGHT_AFTER


def _misses_close(call: Call, end: End, again: bool, by_habit: bool) -> bool:
    """Whether the client wanted a session that was closed in order. again: it called again at once;
    by_habit: the server has ended every session after as many answers.
    """
    session, said = call.session, call.session.dialogue
    spoke_last = session.from_server.last_data
    behind_the_close = spoke_last is not None and spoke_last > end.moment  # then it was none
    if behind_the_close or end.lacking:
        return False
    no_farewell = said.asked > said.told  # it asks for an answer
    noticed = 0.0 if no_farewell else UNNOTICED
    if session.asked and session.asked.seconds - end.moment.seconds > noticed:
        return True
    if not call.answers and end.after == NOBODY:
        return bool(session.completed) and (again or call.idle < LONG_IDLE)
    if not call.answers:
        return end.after == CLIENT
    if end.after == CLIENT and (no_farewell or not by_habit):
        return again or no_farewell
    return again and call.idle > RIGHT_AFTER


def _idle(session: Session, end: End) -> float:
    if end.since_data is not None:
        return end.since_data
    return end.moment.seconds - (session.completed or session.first).seconds


# --- other tries ----------------------------------------------------------------------------------


def of_question(question: Question) -> Try:
    """An ARP question, with its repeats."""
    asked, answered = question.asked, question.answered
    last = question.answers[-1][0] if question.answers else None
    how = How.ANSWERED if answered else How.IGNORED
    return Try(What.ARP, None, how, asked.first, asked.last, asked.count, answered, last)


def of_pings(pings: Echo) -> Try:
    """Pings of one station to another."""
    sent, back = pings.requests, pings.replies
    if not back.count:
        return Try(What.PING, None, How.IGNORED, sent.first, sent.last, sent.count)
    last = max(sent.last, back.last)
    return Try(What.PING, None, How.ANSWERED, sent.first, last, sent.count, back.count, back.last)


def of_exchange(exchange: Exchange, refused: bool) -> Try:
    """Datagrams from one socket to another. refused: whether the receiver says that nobody takes
    them.
    """
    asked, answered = exchange.asked, exchange.answered
    how = How.ANSWERED if answered.count else How.REFUSED if refused else How.IGNORED
    last, at = max(exchange.last, answered.last or BEGINNING), answered.last
    port = exchange.server[1]
    return Try(What.UDP, port, how, exchange.first, last, asked.count, answered.count, at)


def in_rows(tries: Iterable[Try]) -> list[Try]:
    """Tries in order; alike ones in a row are one."""
    rows: list[Try] = []
    for one in sorted(tries, key=lambda one: one.first):
        if rows and _are_alike(rows[-1], one):
            row = rows[-1]
            row.last = max(row.last, one.last)
            row.times += one.times
            row.answers += one.answers
        else:
            told = one.what, one.port, one.how, one.first, one.last, one.times, one.answers
            rows.append(Try(*told, under_way=one.under_way))
    return rows


def _are_alike(one: Try, other: Try) -> bool:
    return _kind(one) == _kind(other)


def _kind(one: Try) -> tuple[object, ...]:
    return one.what, one.port, one.how, one.under_way


def between(moments: Sequence[Moment], begin: Moment, end: float, most: int) -> list[Moment]:
    """The first of sorted moments behind one of them, up to a time."""
    place = bisect_right(moments, begin)
    return [one for one in moments[place : place + most] if one.seconds <= end]


def first_after(moments: Sequence[Moment], moment: Moment) -> Moment | None:
    """The first of sorted moments that is not earlier than one."""
    place = bisect_left(moments, moment)
    return moments[place] if place < len(moments) else None


def last_until(moments: Sequence[Moment], moment: Moment) -> Moment | None:
    """The last of sorted moments that is not later than one."""
    place = bisect_right(moments, moment)
    return moments[place - 1] if place else None
