"""The controller broke an open session with a reset while the PC still wanted it.

Wanted: a request was open, no answer had come at all, or the PC called again within a minute
without the controller having just answered. Quiet where somebody had closed the session in order
before; where the PC itself sent the reset; for controllers that close after every answer; and
where a session was broken without any answer and another one is answered later: then the link-up
came up in the end.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LONG_IDLE, Case, Ending, endings
from rules import cautions

AT_ONCE = 0.1
"""Seconds within which a reset answers the request before it."""
RESTART, BAD_REQUEST, TIME_LIMIT = 0, 2, 3
"""Places of these causes in the rule."""


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        broken = [one for one in endings(linkup) if one.end.reset and one.is_wanted]
        if not broken:
            continue
        first = broken[0]
        yield Sighting(
            values={
                "controller": linkup.controller,
                "port": first.session.server.port,
                "sessions": len(broken),
                "answers": first.session.answers,
                "idle": first.idle,
            },
            frames={
                "reset": [one.end.moment for one in broken],
                "data": [one.session.asked for one in broken if one.session.asked],
            },
            linkup=linkup,
            likeliest=_likeliest(first),
        )


def _likeliest(ending: Ending) -> int:
    if ending.idle >= LONG_IDLE:
        return TIME_LIMIT
    return BAD_REQUEST if ending.end.after == CLIENT and ending.idle < AT_ONCE else RESTART


RULE = Rule(
    slug="session-reset",
    stage="session",
    title="{controller} broke the session",
    what_happened="{controller} ended {sessions:count session} on port {port} with a TCP reset. "
    "The first session that it broke had carried {answers:count answer}. Its reset came "
    "{idle:seconds} after the last data or the opening.",
    means="A reset is not a loss on the cable. The controller, or something that answers in its "
    "name, dropped the session.",
    likely_causes=(
        "The controller restarted or changed its mode, or a program was loaded into it.",
        "Another client took the session, and the controller allows only so many.",
        "The controller could not use the request, and dropped the session instead of answering.",
        "A time limit of the controller passed without a request.",
        "A firewall on the way no longer knew the session and answered in the controller's name.",
    ),
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
    also_fits=("A second device with the controller's address that knows no such session.",),
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
