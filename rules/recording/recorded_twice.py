"""Many packets are in the file twice; every packet is counted once.

Written twice by the recorder, or seen before and behind a router. Only a note: a copy is no repeat
on the wire and no second device. Quiet where few frames look alike, as some devices send a frame
twice on purpose.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case

SHARE = 0.1
"""Copies among all frames from which on the way of recording is behind them. One that writes one
direction twice makes a quarter or more (common practice, no source)."""

ROUTER = "router"


def survey(case: Case) -> Iterator[Sighting]:
    coverage = case.facts.coverage
    certain = coverage.copies - coverage.alike
    if certain and certain >= SHARE * coverage.frames:
        yield Sighting(
            values={
                "copies": coverage.copies,
                "frames": coverage.frames,
                "forwarded": coverage.forwarded,
            },
            frames={"copy": coverage.copy_examples.moments},
            likeliest=ROUTER if coverage.forwarded else "",
            ruled_out=() if coverage.forwarded else (ROUTER,),
        )


RULE = Rule(
    slug="recorded-twice",
    stage="recording",
    level=Level.NOTE,
    title="The file holds frames twice: {copies} of {frames}",
    what_happened="The file holds {frames:count frame}, {copies} of them a copy of one before."
    "{forwarded:if {forwarded:count copy} came from a router: only hardware addresses and TTL "
    "differ.} Copies are left out: every packet is counted once.",
    means="They are no repeats by the sender and no second device.",
    likely_causes={
        "mirror port": "A mirror port passes on what comes in and also what goes out.",
        "bridge": "A bridge and one of its members were recorded together, or a PC and its virtual "
        "machine.",
        "all adapters": "All adapters were recorded together.",
        ROUTER: "The recorder saw both sides of a router or a firewall.",
    },
    what_to_do=(Step("Record on the one adapter that leads to the controller."),),
    evidence={"copy": "a copy of a packet that is in the file already{again}"},
    also_fits={
        "loop": "A loop in the network that sends every frame round once more.",
    },
    looks_alike=(
        "A segment that is sent again by its sender: the same hardware address, after more than "
        "1 ms.",
        "A few frames that a device sends twice on purpose.",
    ),
    confirm="Record on the cable adapter alone: the copies are gone, or the network makes them.",
    sources=("common practice, no source", "RFC 1812 5.3.1 (a router lowers the TTL)"),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
