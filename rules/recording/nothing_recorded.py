"""The file is a whole recording, and no frame is in it.

Quiet where a single frame is there, and where the file is damaged before the first one: then frames
may be lost.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    if case.facts.damage is None and not case.facts.coverage.frames:
        yield Sighting(values={}, frames={})


RULE = Rule(
    slug="nothing-recorded",
    stage="recording",
    level=Level.WARNING,
    title="No frames were recorded",
    what_happened="The recording holds no frame, not even one of the PC itself.",
    means="So it tells nothing about the connection, neither good nor bad.",
    likely_causes={
        "other adapter": "It was made on an adapter that nothing went over, or that has no link.",
        "filter": "A filter that is set in the recorder left everything out.",
        "too short": "It was stopped before the first frame came.",
    },
    what_to_do=(
        Step("Look whether the recorder is set to the adapter that the cable is in."),
        Step("Look whether a filter is set in the recorder, and clear it."),
        Step(
            "Record again: start, wait 5 s, connect once, wait 30 s, then stop.", cautions.COMMANDS
        ),
    ),
    evidence={},
    looks_alike=("A file that is damaged before its first frame: what was in it is not known.",),
    confirm="Record again for 60 s and look whether the recorder counts any frame: a PC sends some "
    "by itself as soon as its adapter has a link.",
    sources=("common practice, no source",),
    needs=frozenset(),
    survey=survey,
)
