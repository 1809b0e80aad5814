"""How the controller ended sessions, and whether the PC still wanted them."""

from typing import NamedTuple

from analyzer.facts import CLIENT, NOBODY, End, Session
from analyzer.linkup.model import LinkUp

RIGHT_AFTER = 1.0
"""Seconds after an answer within which a close belongs to it, by design of some controllers."""
SOON = 60.0
"""Seconds within which a program that wants its session calls again."""
AT_ONCE = 2.0
"""Seconds within which a program calls again that notices the close, and does not only come back
for its next piece of work (common practice, no source)."""
UNNOTICED = 0.1
"""Seconds after a close from which on a request is no mere farewell (a secured session
says goodbye at once, RFC 8446 6.1)."""
LONG_IDLE = 5.0
"""Seconds without data from which on a time limit is the first thing to think of."""


class Ending(NamedTuple):
    """A session that the controller was the first to end. idle: seconds since the last data, or
    since the opening where there was none; is_wanted: whether the PC still wanted the session;
    called_again: whether it called again soon.
    """

    session: Session
    end: End
    idle: float
    is_wanted: bool
    called_again: bool


def endings(linkup: LinkUp) -> list[Ending]:
    """The sessions that the controller ended, by a reset or in order.

    Wanted: a request was open, no answer had come at all, the PC asked on, or it called again. A
    close in order is the gentler end: there it counts only where the PC called again at once, and
    not where it follows an answer, a greeting or each farewell of the same kind, or where the
    recording lacks what went before it.
    """
    ended = [(one, end) for one in linkup.sessions if (end := one.ended_by_server) is not None]
    by_habit = len(ended) > 1 and len({session.answers for session, _ in ended}) == 1
    return [
        Ending(
            session,
            end,
            _idle(session, end),
            _was_wanted(linkup, session, end, by_habit),
            _called_again(linkup, end, SOON),
        )
        for session, end in ended
    ]


def _was_wanted(linkup: LinkUp, session: Session, end: End, by_habit: bool) -> bool:
    if not session.answers and linkup.answers_after(end.moment):
        return False
    return (
        _missed_reset(linkup, session, end)
        if end.reset
        else _missed_close(linkup, session, end, by_habit)
    )


def _missed_reset(linkup: LinkUp, session: Session, end: End) -> bool:
    if end.after == CLIENT or (session.completed and not session.answers):
        return True
    return _called_again(linkup, end, SOON) and _idle(session, end) > RIGHT_AFTER


def _missed_close(linkup: LinkUp, session: Session, end: End, by_habit: bool) -> bool:
    spoke_last = session.from_server.last_data
    if spoke_last is not None and spoke_last > end.moment:
        return False  # nobody sends data behind a close: it was none
    if end.lacking:
        return False
    if session.asked and session.asked.seconds - end.moment.seconds > UNNOTICED:
        return True
    idle, again = _idle(session, end), _called_again(linkup, end, AT_ONCE)
    if not session.answers:
        if end.after == NOBODY:
            return bool(session.completed) and (again or idle < LONG_IDLE)
        return end.after == CLIENT
    said = session.dialogue
    by_habit = by_habit and said.asked <= said.told  # what asks for an answer is no farewell
    if end.after == CLIENT and not by_habit:
        return again
    return again and idle > RIGHT_AFTER


def _called_again(linkup: LinkUp, end: End, within: float) -> bool:
    calls = [one.syns.first for one in linkup.sessions if one.syns.count]
    return any(0 < call.seconds - end.moment.seconds < within for call in calls)


def _idle(session: Session, end: End) -> float:
    """Seconds since the last data, or since the session's first frames where there was none."""
    if end.since_data is not None:
        return end.since_data
    return end.moment.seconds - (session.completed or session.first).seconds
