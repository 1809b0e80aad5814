"""The controller broke an open session with a reset while the PC still wanted it.

Wanted: a request was open, no answer had come at all, or the PC called again within a minute
without the controller having just answered. Quiet where somebody had closed the session in order
before; where the PC itself sent the reset; for controllers that close after every answer; and
where a session was broken without any answer and another one is answered later: then the link-up
came up in the end.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, Session
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LONG_IDLE, Ending, LinkUp, endings
from rules import cautions

AT_ONCE = 0.1
"""Seconds within which a reset answers the request before it."""
RESTART, OTHERS, BAD_REQUEST, TIME_LIMIT, FIREWALL = (
    "restart",
    "others",
    "bad request",
    "time limit",
    "firewall",
)
"""Names of these causes in the rule."""
NO_REST = 1.0
"""Seconds of quiet that no time limit is as short as (common practice, no source)."""
STARTS = (64, 128, 255)
"""Times to live that systems begin with (common practice, no source); each router takes one off
(RFC 1812 5.3.1).
"""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    broken = [one for one in endings(linkup) if one.end.reset and one.is_wanted]
    if not broken:
        return
    first = broken[0]
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": first.session.server.port,
            "sessions": len(broken),
            "answers": first.session.answers,
            "idle": first.idle,
            "nearer": _is_nearer(linkup, first),
            "ttl": first.end.ttl,
            "usual_ttl": first.session.from_server.first_ttl,
        },
        frames={
            "reset": [one.end.moment for one in broken],
            "data": [one.session.asked for one in broken if one.session.asked],
        },
        likeliest=_likeliest(linkup, first),
        excluded=_excluded(linkup, first),
    )


def _likeliest(linkup: LinkUp, ending: Ending) -> str:
    if _is_nearer(linkup, ending):
        return FIREWALL
    if _rest(ending) >= LONG_IDLE:
        return TIME_LIMIT
    if ending.end.after != CLIENT or ending.idle >= AT_ONCE:
        return RESTART
    if ending.session.answers and not ending.session.request_acknowledged:
        return RESTART  # as one does that knows no such session (RFC 9293 3.10.7.1)
    return OTHERS if _was_answered_before(linkup, ending.session) else BAD_REQUEST


def _excluded(linkup: LinkUp, ending: Ending) -> list[str]:
    """The request, where none was open or the same was answered before, and a time limit, where
    there was no rest.
    """
    blameless = ending.end.after != CLIENT or _was_answered_before(linkup, ending.session)
    return [BAD_REQUEST] * blameless + [TIME_LIMIT] * (_rest(ending) < NO_REST)


def _is_nearer(linkup: LinkUp, ending: Ending) -> bool:
    """Whether the reset passed fewer routers than the controller's first frame did, where there are
    any: a stack may begin with another time to live in a reset.
    """
    usual = ending.session.from_server.first_ttl
    return (
        linkup.router is not None
        and usual is not None
        and _routers(ending.end.ttl) < _routers(usual)
    )


def _routers(ttl: int) -> int:
    return next(start for start in STARTS if ttl <= start) - ttl


def _rest(ending: Ending) -> float:
    """Seconds without data until the reset, or until the request that it answers at once."""
    asked, answered = ending.session.asked, ending.session.answered
    if ending.end.after != CLIENT or ending.idle >= AT_ONCE or asked is None or answered is None:
        return ending.idle
    return max(ending.idle, asked.seconds - answered.seconds)


def _was_answered_before(linkup: LinkUp, session: Session) -> bool:
    """Whether an earlier session that began with the same octets got an answer."""
    first = session.from_client.first_data
    if first is None or session.answers:
        return False
    others = [one for one in linkup.sessions if one.answers and one.first < session.first]
    begun = [one.from_client.first_data for one in others]
    return any(one is not None and one.octets == first.octets for one in begun)


RULE = Rule(
    slug="session-reset",
    stage="session",
    title="{controller} broke the session",
    what_happened="{controller} ended {sessions:count session} on port {port} with a TCP reset. "
    "The first session that it broke had carried {answers:count answer}. Its reset came "
    "{idle:seconds} after the last data or the opening.{nearer:if Its time to live is {ttl}, that "
    "of the controller's first packet {usual_ttl}: as of a nearer sender.}",
    means="A reset is not a loss on the cable. The controller, or something that answers in its "
    "name, dropped the session.",
    likely_causes={
        RESTART: "The controller restarted or changed its mode, or a program was loaded into it.",
        OTHERS: "Another client took the session, and the controller allows only so many.",
        BAD_REQUEST: "The controller could not use the request, and dropped the session instead of answering.",
        TIME_LIMIT: "A time limit of the controller passed without a request.",
        FIREWALL: "A firewall on the way no longer knew the session and answered in the controller's name.",
    },
    what_to_do=(
        Step("Ask what happened at the machine at that clock time: power, mode, download."),
        Step("Look in the controller's log and its list of sessions."),
        Step("Compare protocol, unit number and settings of the program with the manual."),
        Step(
            "Ask who else is connected, and have one program closed for a test.",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "data": "the PC's last request in that session{again}",
        "reset": "{controller} ends the session with a reset{again}",
    },
    cautions=(
        "Outputs may have changed when the session broke. Before anybody works at the machine, "
        "have it made safe and locked out by those authorised.",
    ),
    also_fits={
        "second-device-controller": "A second device with the controller's address that knows no such session.",
    },
    looks_alike=(
        "A reset behind an orderly close: the session was over already.",
        "A reset sent by the PC's own program when it ends.",
        "A controller that closes the session right after each answer, by design.",
        "A first try that is dropped without an answer, where a later one works.",
    ),
    confirm="Record several breaks. Right after each request: the request. After the same idle "
    "time: a limit. At random: the power or another client.",
    sources=("RFC 9293 sections 3.5.2 and 3.10.7",),
    find=find,
)
