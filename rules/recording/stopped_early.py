"""The recording ended less than 5 s after the PC began to wait for an answer.

Where the PC tried once, that is all that can be told. Where it tried again and again, a fault that
fits stands above, and this is the advice to record longer. Quiet where the link-up worked before,
unless its last request was repeated again and again; where an answer of any kind came, a refusal or
an error message too; and where the PC calls from an address that no answer can reach.
"""

from collections.abc import Iterator

from analyzer.facts.icmp import REDIRECT
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LISTENED, How, LinkUp
from rules import cautions


def find(linkup: LinkUp) -> Iterator[Sighting]:
    waiting = linkup.waiting
    if waiting is None or waiting.listened >= LISTENED or _is_judged(linkup):
        return
    if waiting.is_evidence or not linkup.works:
        yield Sighting(
            values={"left": waiting.listened, "needed": LISTENED},
            frames={"waiting": [waiting.first]},
        )


def _is_judged(linkup: LinkUp) -> bool:
    """Whether other frames than answers tell why none can come."""
    told_why = any(error.type != REDIRECT for error in linkup.errors)
    return told_why or linkup.self_assigned or bool(linkup.on_port.that(How.REFUSED))


RULE = Rule(
    slug="stopped-early",
    stage="recording",
    level=Level.WARNING,
    title="The recording ended {left:seconds} after the PC first asked {controller}",
    what_happened="The PC asked {controller} for something, and the last frame comes "
    "{left:seconds} later, without an answer.",
    means="An answer may take some seconds, so this silence alone proves nothing. The recording "
    "has "
    "to go on for at least {needed:seconds} after the first question; 30 s are better.",
    likely_causes={
        "stopped at once": "The recorder was stopped too soon, or reached a limit of its own.",
    },
    what_to_do=(
        Step(
            "Record again: start, wait 5 s, connect once, wait 30 s, then stop.", cautions.COMMANDS
        ),
    ),
    evidence={"waiting": "the PC asks, and the recording ends before an answer could come"},
    also_fits={
        "quiet cable": "A cable so quiet that nothing more came to be recorded, however long it "
        "ran.",
    },
    looks_alike=("A recording that ends after an answered request is long enough.",),
    confirm="Record again and leave it running for 30 s after the attempt.",
    sources=("common practice, no source (replies of embedded stacks can take 3 s and more)",),
    find=find,
)
