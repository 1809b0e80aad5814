"""The recording looks filtered: for long, not one question for a hardware address, no broadcast.

Every PC and every network of several stations sends some. Where only one pair is in the file, a
quiet direct cable looks the same: then it is told only where a link-up does not work. A note where
all link-ups work. Quiet for short recordings, and where a single such frame is there.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case
from rules import cautions

PAIR = 2
"""Stations that a direct cable has."""
NAMED = 3
"""Controllers named as examples."""


def survey(case: Case) -> Iterator[Sighting]:
    facts = case.facts
    if facts.looks_filtered and not (case.works and len(facts.stations) <= PAIR):
        yield Sighting(
            values={
                "seconds": facts.coverage.listened,
                "frames": facts.coverage.frames,
                "stations": len(facts.stations),
                "unheard": [one.controller for one in case.linkups if not one.is_heard][:NAMED],
            },
            frames={},
            certainty=Certainty.FITS,
            level=Level.NOTE if case.works else Level.WARNING,
        )


RULE = Rule(
    slug="filtered-recording",
    stage="recording",
    level=Level.WARNING,
    title="The recording looks filtered: no ARP and no broadcast in {seconds:seconds}",
    what_happened="All {frames:count frame} are IPv4 packets from one station to another"
    "{unheard:if, and none comes from {unheard:list}}. Within {seconds:seconds} there is no "
    "question for a hardware address (ARP) and no broadcast.",
    means="A PC sends such frames by itself. Without them nobody can see how the controller was "
    "looked for, who else has its address, or whether the cable works.",
    likely_causes={
        "filter": "A filter for one address, port or protocol was set in the recorder.",
        "saved in part": "Only some of the frames were kept when the file was saved.",
    },
    what_to_do=(
        Step("Ask for the whole recording, if only a part of it was saved."),
        Step(
            "Record again with no filter: start, wait 5 s, connect once, wait 30 s, then stop.",
            cautions.COMMANDS,
        ),
    ),
    evidence={},
    also_fits={
        "direct cable": "A direct cable between two silent stations that know each other's "
        "hardware address.",
    },
    looks_alike=(
        "A recording shorter than half a minute.",
        "A direct cable to a controller that answers: the PC knew its hardware address before.",
        "A recording of a layer that carries no such frames, such as a VPN.",
    ),
    confirm="Look up the filter that was set in the recorder.",
    sources=("RFC 1122 section 2.3.2.1 (learnt hardware addresses are asked for anew)",),
    needs=frozenset({Need.FRAMES, Need.HARDWARE}),
    survey=survey,
)
