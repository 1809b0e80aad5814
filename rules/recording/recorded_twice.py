"""Many frames are in the file twice; every packet is counted once.

Only a note: a copy is no repeat on the wire and no second device. Quiet where few frames look
alike, as some devices send a frame twice on purpose.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case

SHARE = 0.1
"""Copies among all frames from which on the way of recording is behind them. One that writes one
direction twice makes a quarter or more (common practice, no source)."""


def survey(case: Case) -> Iterator[Sighting]:
    coverage = case.facts.coverage
    if coverage.copies and coverage.copies >= SHARE * coverage.frames:
        yield Sighting(
            values={"copies": coverage.copies, "frames": coverage.frames},
            frames={"copy": coverage.copy_examples.moments},
        )


RULE = Rule(
    slug="recorded-twice",
    stage="recording",
    level=Level.NOTE,
    title="{copies:count frame} of {frames} are in the file twice",
    what_happened="{copies:count frame} of {frames} repeat the same packet within 1 ms. These "
    "copies are left out, so every packet is counted once.",
    means="The recorder wrote them twice. They are no repeats on the wire and no second device.",
    likely_causes={
        "mirror port": "A mirror port passes on what comes in and also what goes out.",
        "bridge": "A bridge and one of its members were recorded together, or a PC and its virtual "
        "machine.",
        "all adapters": "All adapters were recorded together.",
    },
    what_to_do=(Step("Record on the one adapter that leads to the controller."),),
    evidence={"copy": "a copy of a packet that is in the file already{again}"},
    also_fits={
        "loop": "A loop in the network that sends every frame round once more.",
    },
    looks_alike=(
        "A segment that is sent again by its sender: that takes longer than 1 ms.",
        "A few frames that a device sends twice on purpose.",
    ),
    confirm="Record on the cable adapter alone: the copies are gone, or the network makes them.",
    sources=("common practice, no source",),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
