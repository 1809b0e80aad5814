"""The PC stopped waiting, and what it waited for came all the same, later.

Either it ended an open session with a request open and the answer came afterwards; or the
controller accepted the call when the PC no longer wanted it, and the PC turned that down. Quiet
where nothing came later, where the PC ended right after its last words, and where a late acceptance
was followed by a session that opened.
"""

from collections.abc import Iterator
from typing import NamedTuple

from analyzer.facts import CLIENT, Moment, Session
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

PATIENCE = 1.0
"""Seconds of waiting from which on a single end is a waiting time that ran out."""
SHORT = 0.1
"""Seconds of the shortest waiting time that programs use (common practice, no source)."""
SPREAD = 1.1
"""Waits within 10 % are one waiting time (common practice, no source)."""
TOO_SHORT, SLOW_LINE, UNREACHED = "too short", "slow line", "unreached"
"""Names of these causes in the rule."""


class Late(NamedTuple):
    """waited: seconds until the PC gave up."""

    session: Session
    began: Moment
    ended: Moment
    came: Moment
    waited: float

    @property
    def took(self) -> float:
        """Seconds until the answer or the acceptance came."""
        return self.came.seconds - self.began.seconds


def find(linkup: LinkUp) -> Iterator[Sighting]:
    answers = _late_answers(linkup)
    late = answers or _late_acceptances(linkup)
    if not late:
        return
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": late[0].session.server.port,
            "times": len(late),
            "waited": late[0].waited,
            "took": max(one.took for one in late),
            "answers": len(answers),
        },
        frames={
            "asked" if answers else "called": [one.began for one in late],
            "gave_up" if answers else "turned_down": [one.ended for one in late],
            "answered" if answers else "accepted": [one.came for one in late],
        },
        likeliest=TOO_SHORT if answers else UNREACHED,
        excluded=[] if answers else [SLOW_LINE],
    )


def _late_answers(linkup: LinkUp) -> list[Late]:
    late = []
    for session in linkup.sessions:
        end = session.closing[0] if session.closing else None
        asked, answered = session.asked, session.answered
        if end is None or asked is None or answered is None or not end.since_data:
            continue
        if (end.side, end.after) == (CLIENT, CLIENT) and asked < end.moment < answered:
            late.append(Late(session, asked, end.moment, answered, end.since_data))
    waits = [one.waited for one in late]
    same = len(late) > 1 and min(waits) >= SHORT and max(waits) <= SPREAD * min(waits)
    return late if same else [one for one in late if one.waited >= PATIENCE]


def _late_acceptances(linkup: LinkUp) -> list[Late]:
    late = []
    for session in linkup.sessions:
        accepted, turned_down = session.syn_ack, session.turned_down
        if accepted is None or turned_down is None:
            continue
        waited = accepted.seconds - session.syns.first.seconds
        if waited >= PATIENCE and not _opened_later(linkup, accepted):
            late.append(Late(session, session.syns.first, turned_down.moment, accepted, waited))
    return late


def _opened_later(linkup: LinkUp, moment: Moment) -> bool:
    return any(one.is_open and one.last > moment for one in linkup.sessions)


RULE = Rule(
    slug="pc-gave-up",
    stage="session",
    title="The PC gave up waiting before {controller} answered",
    what_happened="The PC stopped waiting {times:times} for {controller} on port {port}. What it "
    "had waited for came all the same, up to {took:seconds} after the PC had asked.",
    means="The controller is slow, not dead: the way there and back works. The PC's waiting time "
    "is shorter than the controller needs.",
    likely_causes={
        TOO_SHORT: "The waiting time set in the program is too short for this controller.",
        SLOW_LINE: "A gateway passes the request on to a slow line, and answers only when that one does.",
        UNREACHED: "The controller or the way to it is busy or was starting up.",
        "somebody-ended-program": "Somebody ended the program while it waited.",
    },
    what_to_do=(
        Step("Give the program a waiting time well above {took:seconds}."),
        Step("{answers:if Ask for smaller blocks, and less often.}"),
        Step("Look at the load of the controller, and at other clients that ask it."),
    ),
    evidence={
        "asked": "the PC sends its request{again}",
        "gave_up": "the PC stops waiting and ends the session{again}",
        "answered": "{controller} answers{again}, when nobody waits any more",
        "called": "the PC calls port {port}{again}",
        "accepted": "{controller} accepts the call{again}",
        "turned_down": "the PC turns the acceptance down: it no longer waits{again}",
    },
    cautions=(
        "An answer that comes late must not be taken for that to a newer request. Do not act on "
        "values read right after such a break.",
    ),
    looks_alike=(
        "A PC that ends the session right after a farewell, where the answer crosses it.",
        "A controller that never answers, not even later.",
        "A first call that is accepted late, where a later one opens.",
        "A port test that drops the connection as soon as it is accepted.",
    ),
    confirm="Try the same with a waiting time of a minute: the answer then arrives.",
    confirm_caution=cautions.COMMANDS,
    explains=("request-unanswered",),
    sources=("RFC 9293 section 3.5.2 (a reset for data that nobody waits for)",),
    find=find,
)
