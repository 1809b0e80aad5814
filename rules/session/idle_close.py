"""The controller ends each session after the same time without a request: a limit of its own.

The limit is learned from the file: at least two closes or resets whose idle times agree within
5 %, more than half of all its idle endings, and none that came later. It is shown by three, or by
two where the site sheet has this limit too. Keep-alives do not count, as
controllers look at requests. A fault where the PC still wanted the session, a note where it opened
a new one only for its next piece of work. Quiet where nobody minded, where the times differ, where
a request was open, and for a close right after an answer.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

SPREAD = 1.05
"""Idle times within 5 % are one limit (common practice, no source)."""
SURE = 3
"""Endings that agree, from which on chance is no explanation."""
PAUSED = 3.0
"""An idle time so many times longer than the PC's usual interval was a pause in its program."""
SLOW_POLLS, PC_PAUSED = "slow polls", "pc paused"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    alike = _alike([one for one in linkup.on_port if one.ended_at_rest and one.answers])
    if not any(one.wanted or one.came_back for one in alike):
        return
    limit = min(one.idle for one in alike)
    yield Sighting(
        values={
            "times": len(alike),
            "limit": limit,
            "third": limit / 3,
            "keep_alives": sum(one.session.from_client.keep_alives for one in alike),
        },
        frames={
            "ended": [one.ended for one in alike],
            "data": [one.last_answer for one in alike],
        },
        certainty=Certainty.SHOWN if _is_sure(linkup, alike) else Certainty.FITS,
        level=None if any(one.wanted for one in alike) else Level.NOTE,
        likeliest=PC_PAUSED if alike[0].interval * PAUSED < limit else SLOW_POLLS,
    )


def _alike(idle: list[Call]) -> list[Call]:
    """The endings after the longest idle time, where most agree with it."""
    longest = max((one.idle for one in idle), default=0.0)
    alike = [one for one in idle if one.idle * SPREAD >= longest]
    return alike if len(alike) > 1 and 2 * len(alike) > len(idle) else []


def _is_sure(linkup: LinkUp, alike: list[Call]) -> bool:
    known = linkup.sheet.idle_limit if linkup.sheet is not None else None
    agree = known is not None and all(known / SPREAD <= one.idle <= known * SPREAD for one in alike)
    return agree or len(alike) >= SURE


RULE = Rule(
    slug="idle-close",
    stage="session",
    title="{controller} ends the session after {limit:seconds} without a request",
    what_happened="{controller}, or a firewall in its name, ended {times:count session}, each "
    "about {limit:seconds} after the last data.",
    means="That is a time limit: the controller or its service drops a client that stays quiet for "
    "so long. The controller may not count TCP keep-alives as requests.",
    likely_causes={
        SLOW_POLLS: "The program asks less often than the controller's limit allows.",
        PC_PAUSED: "The PC's program paused: a debugger, or a long piece of other work.",
        "watchdog": "The controller watches that commands keep coming, and takes the PC to be "
        "gone.",
        "unit of the limit": "The limit was entered in the wrong unit, such as seconds for "
        "milliseconds.",
    },
    what_to_do=(
        Step("Look up the inactivity limit in the controller's settings or manual."),
        Step(
            "If whoever answers for the risk agrees, have the program's command loop itself ask "
            "at least every {third:seconds}. Use no timer beside it: that goes on asking when the "
            "loop hangs.",
            cautions.MACHINE,
        ),
        Step(
            "Have the program open a new session whenever the controller ends the old one.",
            cautions.COMMANDS,
        ),
        Step(
            "If the limit itself is to be raised, leave that to whoever answers for the risk.",
            cautions.MACHINE,
        ),
    ),
    evidence={
        "data": "the last answer in that session{again}",
        "ended": "{controller} ends the session{again}",
    },
    cautions=(
        cautions.warning(
            "Never switch such a limit off or lengthen it to be rid of the message: it may be "
            "what stops the machine when its PC is gone.",
        ),
    ),
    also_fits={
        "firewall": "A firewall on the way that ends idle sessions in the controller's name. A "
        "recording made on the PC cannot tell.",
    },
    looks_alike=(
        "A controller that closes right after each answer, by design.",
        "Sessions that end after different idle times.",
        "Sessions that end idle, where the PC does not come back soon.",
    ),
    confirm="Let the program's command loop ask at least every {third:seconds}: if the session "
    "then stays up, it was the limit. If not, connect from the controller's own switch: if it "
    "still ends after {limit:seconds}, it is the controller, and otherwise a firewall on the way.",
    confirm_caution=cautions.COMMANDS,
    explains=("session-reset", "session-closed"),
    sources=("common practice, no source", "RFC 9293 section 3.8.4 (keep-alives)"),
    find=find,
)
