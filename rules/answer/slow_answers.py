"""Answers come, and nearly all in steps of 0.2 s or 0.04 s: somebody waits for acknowledgements.

A warning where the pieces of a request or an answer wait for each other; a note where the answer as
a whole does, as a controller's cycle may last as long. Quiet for slow answers that are spread, for
few answers, and where the way itself is that slow.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

ENOUGH = 10
"""Answers from which on a pattern is one (common practice, no source)."""
SHARE = 0.7
"""Part of the answers that have to wait so long (common practice, no source)."""
FIFTH, SHORT = 0.2, 0.04
"""Seconds by which stacks hold a bare acknowledgement back (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    answers = sum(session.answers for session in linkup.sessions)
    said = [session.dialogue for session in linkup.sessions]
    way = linkup.durations["handshake"].least if "handshake" in linkup.durations else 0.0
    for level, step, slow in (
        (Level.WARNING, FIFTH, sum(one.fifth_pieces for one in said)),
        (Level.WARNING, SHORT, sum(one.short_pieces for one in said)),
        (Level.NOTE, FIFTH, sum(one.fifth_answers for one in said)),
        (Level.NOTE, SHORT, sum(one.short_answers for one in said)),
    ):
        if answers < ENOUGH or slow < SHARE * answers or way > step / 2:
            continue
        busiest = max(linkup.sessions, key=lambda session: session.answers)
        yield Sighting(
            values={
                "protocol": busiest.dialogue.protocol,
                "step": step,
                "slow": slow,
                "answers": answers,
                "typical": busiest.answer_times.median,
                "in_pieces": level is Level.WARNING,
            },
            frames={"answered": [busiest.answered]},
            certainty=Certainty.FITS,
            level=level,
        )
        break


RULE = Rule(
    slug="slow-answers",
    stage="answer",
    title="Answers of {controller} come in steps of {step:seconds}",
    what_happened="Of {answers:count answer} of {controller} on port {port}, {slow} came after a "
    "wait of about {step:seconds}, or of a multiple. The PC speaks {protocol:protocol}.",
    means="It works, and slowly. Waits so alike are those of acknowledgements that one end holds "
    "back while the other waits for them.",
    likely_causes={
        "pieces": "One end sends a message in pieces, and waits for each piece to be confirmed.",
        "joining": "The PC's system joins small messages and holds them back.",
        "slow controller": "The controller, or a gateway behind it, needs exactly so long for each "
        "answer.",
    },
    what_to_do=(
        Step("Have the program send each request in one piece, without joining small messages."),
        Step("Ask for fewer and larger pieces of data."),
        Step(
            "Where the controller sends its answers in pieces: have delayed acknowledgement "
            "switched off on the adapter to the machine.",
            cautions.LINK_DROPS,
        ),
    ),
    evidence={"answered": "the last answer of the session"},
    cautions=(
        cautions.notice(
            "Have settings of the adapter to the machine changed only by whoever is responsible.",
        ),
    ),
    also_fits={
        "cycle": "A cycle of the controller's program that lasts exactly so long.",
    },
    looks_alike=(
        "Slow answers of many different lengths: the controller's own load, or a serial line.",
        "A slow way, such as a VPN: the opening takes as long.",
        "A controller that sends by itself at such a pace.",
    ),
    confirm="Look at one exchange: if the answer comes right behind a bare acknowledgement, it is "
    "this.",
    level=Level.WARNING,
    sources=("RFC 9293 sections 3.7.4 and 3.8.6.3", "200 ms and 40 ms: common practice, no source"),
    find=find,
)
