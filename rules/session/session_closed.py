"""The controller closed a session in order while the PC still wanted it.

Wanted: the PC's request was open, the PC was in the midst of its work, it went on asking behind the
close, or it called again at once. A note where the PC had come to rest, and never called again.
Quiet where the controller closes right after its answer or its greeting, where it ends every
session after the same number of answers with no request open, where the PC comes back for new work,
where a first session is closed without an answer and a later one is answered, and where it is
closed long after a request that got no answer: then the request is what failed.
"""

from collections.abc import Iterator

from analyzer.facts import Moment
from analyzer.findings import Factor, Level, Rule, Sighting, Step
from analyzer.linkup import LONG_IDLE, Call, Calls, How, LinkUp
from rules import cautions

CONFIRMED_WITHIN = 0.5
"""Seconds within which data that arrives is confirmed (RFC 9293 3.8.6.3)."""
ANOTHER_CLIENT, BAD_REQUEST, TIME_LIMIT, STOPPED, WAY_BROKEN, BEHIND, LIFETIME = (
    "another client",
    "bad request",
    "time limit",
    "stopped",
    "way broken",
    "behind",
    "lifetime",
)
"""Names of these causes in the rule."""
FAREWELL = "farewell"
"""Name of this in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    wanted = [one for one in linkup.on_port if one.wanted]
    closed = Calls(
        one for one in wanted or linkup.on_port.not_taken_up if not one.broken and not one.starved
    )
    if not closed:
        return
    first = closed[0]
    unheard = _unheard(first)
    refused = Calls(linkup.on_port.that(How.REFUSED).after(first.ended)).ends
    yield Sighting(
        values={
            "port": first.port,
            "sessions": len(closed),
            "answers": first.answers,
            "idle": first.idle,
            "several": len(closed) > 1,
            "data": first.had_data,
            "no_data": not first.had_data,
            "unheard": len(unheard),
            "refused": len(refused),
            "wanted": first.wanted,
            "left": not first.wanted,
        },
        frames={
            "closed": closed.ends,
            "data": closed.asks,
            "again": unheard[1:],
            "refused": refused,
        },
        level=None if first.wanted else Level.NOTE,
        likeliest=_likeliest(first, bool(unheard), bool(refused)),
        ruled_out=_ruled_out(closed, bool(unheard)),
    )


def _unheard(call: Call) -> list[Moment]:
    """The sendings of the PC's last request, where the close confirms none of them."""
    closed = call.ended or call.last
    sent = [at for at in call.asking if at < closed]
    due = sent and closed.seconds - sent[0].seconds >= CONFIRMED_WITHIN
    return sent if due and not call.is_confirmed else []


def _ruled_out(closed: Calls, unheard: bool) -> set[str]:
    """Causes that the recording rules out, by whether requests had reached the controller."""
    if unheard:
        return {BAD_REQUEST, BEHIND, FAREWELL}
    heard = all(one.ended_on_request and one.is_confirmed for one in closed)
    return {WAY_BROKEN, TIME_LIMIT} if heard else {WAY_BROKEN, BEHIND}


def _likeliest(call: Call, unheard: bool, refused: bool) -> str:
    if unheard:
        return STOPPED if refused else TIME_LIMIT
    if call.idle >= LONG_IDLE:
        return TIME_LIMIT
    return BAD_REQUEST if call.ended_on_request else ANOTHER_CLIENT


RULE = Rule(
    slug="session-closed",
    stage="session",
    title="{controller} closed the session{wanted:if while the PC still needed it}"
    "{left:if and the PC did not call again}",
    what_happened="{controller} ended {sessions:count session} on port {port} by an ordinary "
    "close{wanted:if, though the PC was not done}. The{several:if first} close came {idle:seconds} "
    "after{data:if the last data, when the session had carried {answers:count answer}}{no_data:if "
    "the opening}.{unheard:if The PC had sent "
    "its request {unheard:times} by then, and even the close does not confirm it.}{refused:if "
    "Later the controller turned down {refused:count call}.}",
    means="The controller's service ended the session on purpose. Cable and addresses work."
    "{unheard:if The request had not reached the controller, so the close is no answer to it.}"
    "{refused:if Nothing listened on the port then.}",
    likely_causes={
        ANOTHER_CLIENT: "Another client took the session, and the controller allows only so many.",
        BAD_REQUEST: "The controller could not use the request, and closed instead of answering.",
        TIME_LIMIT: "A time limit of the controller passed without a request.",
        STOPPED: "The service in the controller was stopped, or its settings were changed.",
        WAY_BROKEN: "Something on the way kept the PC's packets back for a while.",
        BEHIND: "The controller passes the request on to a device behind it, which did not answer.",
        LIFETIME: "The controller ends each session after a set time or number of requests.",
    },
    what_to_do=(
        Step("Look in the controller's log and its list of sessions at the times given here."),
        Step(
            "Compare protocol, unit number and settings of the program with the manual.",
            about=BAD_REQUEST,
        ),
        Step(
            "Have the program open a new session whenever the controller closes the old one.",
            cautions.COMMANDS,
        ),
        Step(
            "Ask who else is connected, and have one program closed for a test.",
            cautions.OTHERS_SESSION,
            about=ANOTHER_CLIENT,
        ),
    ),
    evidence={
        "data": "the PC's last request in that session{again}",
        "again": "the PC sends it once more, as nothing has confirmed it",
        "closed": "{controller} closes the session{again}",
        "refused": "{controller} turns a call down{again}: the port is closed",
    },
    also_fits={
        FAREWELL: "A PC that said goodbye in its own protocol, and then called again at once for "
        "new work.",
    },
    looks_alike=(
        "A controller that closes the session right after each answer or greeting, by design.",
        "A controller that ends every session after the same number of answers.",
        "An idle session that is closed, where the PC calls again only for its next work.",
        "A first try that is closed without an answer, where a later one works.",
        "A session that is closed long after a request that it never answered.",
        "A session that the PC closed first.",
    ),
    patterns={
        Factor.RESTART: (STOPPED,),
        Factor.INTERVAL: (STOPPED,),
        Factor.TIME_OF_DAY: (STOPPED,),
        Factor.CLIENT: (ANOTHER_CLIENT,),
        Factor.REQUEST: (BAD_REQUEST,),
        Factor.AT_REQUEST: (BAD_REQUEST,),
        Factor.REST: (TIME_LIMIT,),
        Factor.PAUSE: (TIME_LIMIT,),
        Factor.AGE: (LIFETIME,),
        Factor.REQUESTS: (LIFETIME,),
    },
    confirm="Record several closes. Right after each request: the request. After the same idle "
    "time: a limit. After a call of another client: too few sessions.",
    sources=("RFC 9293 section 3.6",),
    find=find,
)
