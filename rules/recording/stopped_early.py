"""The recording ended while the PC was still waiting for an answer.

Quiet where the link-up worked before, unless its last request was repeated again and again; where
the recording went on for 5 s after the last frame that wanted an answer; where an answer of any
kind came, a refusal or an error message too; and where the PC calls from an address that no answer
can reach.
"""

from collections.abc import Iterator

from analyzer.facts.icmp import REDIRECT
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, LinkUp
from rules import cautions

REPEATS = 3
"""Repeats of data from which on a single lost frame is no explanation."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    waiting = linkup.waiting_since
    works = linkup.works and not _hangs(linkup)
    if waiting is None or works or linkup.self_assigned or _is_answered(linkup):
        return
    left = linkup.facts.heard_after(waiting)
    if left < LISTEN_AFTER:
        yield Sighting(
            values={"controller": linkup.controller, "left": left, "needed": LISTEN_AFTER},
            frames={"waiting": [waiting]},
        )


def _hangs(linkup: LinkUp) -> bool:
    last = linkup.sessions[-1] if linkup.sessions else None
    return last is not None and last.is_hung and last.from_client.repeats.count >= REPEATS


def _is_answered(linkup: LinkUp) -> bool:
    told_why = any(error.type != REDIRECT for error in linkup.errors)
    return told_why or any(session.refused for session in linkup.sessions)


RULE = Rule(
    slug="stopped-early",
    stage="recording",
    level=Level.WARNING,
    title="The recording ended {left:seconds} after the PC asked {controller}: too early to judge",
    what_happened="The PC asked {controller} for something. The last frame in the recording comes "
    "{left:seconds} later, without an answer.",
    means="An answer may take some seconds, so this silence proves nothing. The recording has to "
    "go on for at least {needed:seconds} after the last question; 30 s are better.",
    likely_causes={
        "recorder-stopped-soon": "The recorder was stopped as soon as the program showed its message.",
    },
    what_to_do=(
        Step(
            "Record again: start, wait 5 s, connect once, wait 30 s, then stop.", cautions.COMMANDS
        ),
    ),
    evidence={"waiting": "the PC asks, and the recording ends before an answer could come"},
    also_fits={
        "cable-so-quiet": "A cable so quiet that nothing more came to be recorded, however long it ran.",
    },
    looks_alike=("A recording that ends after an answered request is long enough.",),
    confirm="Record again and leave it running for 30 s after the attempt.",
    sources=("common practice, no source (replies of embedded stacks can take 3 s and more)",),
    find=find,
)
