"""The PC stopped waiting, and what it waited for came all the same, later.

Either it ended an open session with a request open and the answer came afterwards; or the
controller accepted the call when the PC no longer wanted it, and the PC turned that down. Quiet
where nothing came later, where the PC ended right after its last words, and where a late acceptance
was followed by a session that opened.
"""

from collections.abc import Iterator
from typing import NamedTuple

from analyzer.facts import Moment
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import PATIENCE, Call, How, LinkUp
from rules import cautions

SHORT = 0.1
"""Seconds of the shortest waiting time that programs use (common practice, no source)."""
SPREAD = 1.1
"""Waits within 10 % are one waiting time (common practice, no source)."""
TOO_SHORT, SLOW_LINE, UNREACHED = "too short", "slow line", "unreached"
"""Names of these causes in the rule."""
ANSWERED_LATE = "asked", "gave_up", "answered"
ACCEPTED_LATE = "called", "turned_down", "accepted"
"""Names of the frames of each kind."""


class Late(NamedTuple):
    """A call that the PC ended while it waited, and what it had waited for.

    waited: seconds until it gave up, or until the acceptance came that it turned down.
    """

    call: Call
    began: Moment
    came: Moment
    waited: float


def find(linkup: LinkUp) -> Iterator[Sighting]:
    asked = ((one, one.session.asked, one.answered_late) for one in linkup.on_port)
    answers = [Late(one, began, came, one.idle) for one, began, came in asked if began and came]
    answers = answers if _are_alike(answers) else _long(answers)
    late = answers or _long(_late_acceptances(linkup))
    if not late:
        return
    took = [one.came.seconds - one.began.seconds for one in late]
    waited, gave_up, came = ANSWERED_LATE if answers else ACCEPTED_LATE
    yield Sighting(
        values={
            "times": len(late),
            "waited": late[0].waited,
            "least": min(took) if max(took) > SPREAD * min(took) else 0.0,
            "took": max(took),
            "answers": len(answers),
        },
        frames={
            waited: [one.began for one in late],
            gave_up: [one.call.ended for one in late],
            came: [one.came for one in late],
        },
        likeliest=TOO_SHORT if answers else UNREACHED,
        ruled_out=[] if answers else [SLOW_LINE],
    )


def _late_acceptances(linkup: LinkUp) -> list[Late]:
    calls = [(one, one.session.syn_ack) for one in linkup.on_port.that(How.TURNED_DOWN)]
    return [
        Late(one, one.first, accepted, accepted.seconds - one.first.seconds)
        for one, accepted in calls
        if accepted is not None and not linkup.on_port.opened_after(accepted)
    ]


def _are_alike(late: list[Late]) -> bool:
    """Whether the PC waited equally long each time, as by a waiting time that is set."""
    waits = [one.waited for one in late]
    return len(waits) > 1 and min(waits) >= SHORT and max(waits) <= SPREAD * min(waits)


def _long(late: list[Late]) -> list[Late]:
    return [one for one in late if one.waited >= PATIENCE]


RULE = Rule(
    slug="pc-gave-up",
    stage="session",
    title="The PC gave up waiting before {controller} answered",
    what_happened="The PC stopped waiting {times:times} for {controller} on port {port}"
    "{answers:if, first after {waited:seconds}}, and what it had waited for came"
    "{least:if {least:seconds} to} {took:seconds} after it had asked.",
    means="The controller is slow, not dead: the way there and back works. The PC's waiting time "
    "is shorter than the controller needs.",
    likely_causes={
        TOO_SHORT: "The waiting time set in the program is too short for this controller.",
        SLOW_LINE: "A gateway passes the request on to a slow line, and answers only when that one "
        "does.",
        UNREACHED: "The controller or the way to it is busy or was starting up.",
        "ended by hand": "Somebody ended the program while it waited.",
    },
    what_to_do=(
        Step("Give the program a waiting time well above {took:seconds}.", cautions.WAITING_TIME),
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
        cautions.warning(
            "A late answer can be taken for that to a newer request. Do not act on values "
            "read right after such a break.",
        ),
    ),
    looks_alike=(
        "A PC that ends the session right after a farewell, where the answer crosses it.",
        "A controller that never answers, not even later.",
        "A first call that is accepted late, where a later one opens.",
        "A port test that drops the connection as soon as it is accepted.",
    ),
    confirm="Try once by reading only, with a waiting time of a minute: the answer then arrives.",
    confirm_caution=cautions.COMMANDS,
    explains=("request-unanswered", "late-start"),
    sources=("RFC 9293 section 3.6.1 (a reset for data after the close)",),
    find=find,
)
