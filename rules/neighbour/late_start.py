"""The PC tried in vain for seconds, and then the link-up came up.

A note with the seconds: a program with a shorter waiting time told an error meanwhile. Seen where
three tries or more, questions for the hardware address, calls or their repeats, got nothing for
5 s or more, or were refused, before the first call was taken. Quiet where a single try had to be
repeated, where it took less, and where another rule says why: the controller started, the switch
port did not forward yet, all sessions were taken.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LISTENED, REPEATED, LinkUp
from rules import cautions


def find(linkup: LinkUp) -> Iterator[Sighting]:
    up, tried = linkup.taken, linkup.tried_too_early
    if up is None or len(tried) <= REPEATED or up.seconds - tried[0].seconds < LISTENED:
        return
    yield Sighting(
        values={"tries": len(tried), "waited": up.seconds - tried[0].seconds},
        frames={"tried": tried, "up": [up]},
        silence=linkup.silence(tried),
    )


RULE = Rule(
    slug="late-start",
    stage="neighbour",
    level=Level.NOTE,
    title="The PC tried for {waited:seconds} in vain before {controller} answered",
    what_happened="The PC tried {tries:times} in vain to reach {controller}, for the first time "
    "{waited:seconds} before the first success.",
    means="It came up by itself in the end. A program that waits for less had given up by then.",
    likely_causes={
        "starting": "The controller, or its service, was still starting.",
        "cable connected": "A cable was connected or a switch was started meanwhile.",
        "busy": "The controller was busy, or another program had to let it go.",
    },
    what_to_do=(
        Step(
            "Ask what happened at the machine, the cables and the switches at the clock time of "
            "the proof."
        ),
        Step(
            "Start the PC's program some minutes after the machine, and see whether it still has "
            "to wait.",
            cautions.PROGRAM,
        ),
        Step("Let the PC's program try again by itself, with a growing pause.", cautions.COMMANDS),
    ),
    evidence={
        "tried": "the PC tries in vain{again}",
        "up": "the first success",
    },
    also_fits={
        "lost on the way": "Frames that were lost on the way, or that the recorder did not see.",
    },
    looks_alike=(
        "A single call that had to be repeated.",
        "A controller that is seen starting, and a switch port that does not forward yet.",
        "A controller whose sessions were all taken.",
    ),
    confirm="Stop the PC's program, and start it once more. If it works at once now, something was "
    "starting.",
    confirm_caution=cautions.PROGRAM,
    sources=("RFC 6298 sections 2 and 5.5 (repeats after 1, 3, 7 s)", "common practice, no source"),
    find=find,
)
