"""The recording ended while the PC was still waiting for an answer.

Quiet where the link-up worked before, where the recording went on for 5 s after the last frame
that wanted an answer, and where an answer of any kind came.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, Case


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        waiting = linkup.waiting_since
        if waiting is None or linkup.works:
            continue
        left = case.facts.heard_after(waiting)
        if left < LISTEN_AFTER:
            yield Sighting(
                values={"controller": linkup.controller, "left": left, "needed": LISTEN_AFTER},
                frames={"waiting": [waiting]},
                linkup=linkup,
            )


RULE = Rule(
    slug="stopped-early",
    stage="recording",
    level=Level.WARNING,
    title="The recording ended {left:seconds} after the PC asked: too early to judge",
    what_happened="The PC asked {controller} for an answer, and the recording ended "
    "{left:seconds} later.",
    means="An answer may take some seconds, so this silence proves nothing. At least "
    "{needed:seconds} of recording after the last question are needed.",
    likely_causes=("The recorder was stopped as soon as the program showed its message.",),
    what_to_do=(
        Step("Record again: start, wait 5 s, press Connect once, wait 30 s, then stop."),
    ),
    evidence={"waiting": "the PC asks, and the recording ends before an answer could come"},
    looks_alike=("A recording that ends after an answered request is long enough.",),
    confirm="Record again and leave it running for 30 s after the attempt.",
    sources=("common practice, no source (replies of embedded stacks can take 3 s and more)",),
    find=find,
)
