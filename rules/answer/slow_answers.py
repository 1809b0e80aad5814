"""Answers come, and nearly all in steps of 0.2 s or 0.04 s: somebody waits for acknowledgements.

A warning where the pieces of a request or an answer wait for each other; a note where the answer as
a whole does, as a controller's cycle may last as long. Quiet for slow answers that are spread, for
few answers, and where the way itself is that slow.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import CLIENT, SERVER, Dialogue
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

ENOUGH = 10
"""Answers from which on a pattern is one (common practice, no source)."""
SHARE = 0.7
"""Part of the answers that have to wait so long (common practice, no source)."""
REQUEST, ANSWER = "request", "answer"
"""Whose pieces wait for each other."""
IN_REQUESTS, IN_ANSWERS, JOINING, SLOW = (
    "requests in pieces",
    "answers in pieces",
    "joining",
    "slow controller",
)
"""Names of the causes in the rule."""
RULED_OUT = {REQUEST: [IN_ANSWERS, SLOW], ANSWER: [IN_REQUESTS, JOINING, SLOW], None: []}
"""Causes, by whose pieces wait."""
FIFTH, SHORT = 0.2, 0.04
"""Seconds by which stacks hold a bare acknowledgement back (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    answers = sum(session.answers for session in linkup.sessions)
    said = [session.dialogue for session in linkup.sessions]
    way = linkup.durations["handshake"].least if "handshake" in linkup.durations else 0.0
    for step, slow, whose in _waits(said):
        if answers < ENOUGH or sum(slow) < SHARE * answers or way > step / 2:
            continue
        busiest = max(linkup.sessions, key=lambda session: session.answers)
        yield Sighting(
            values={
                "protocol": busiest.dialogue.protocol,
                "step": step,
                "slow": max(slow),
                "answers": answers,
                "typical": busiest.answer_times.median,
                "whose": whose,
                "whole": whose is None,
            },
            frames={"answered": [busiest.answered]},
            certainty=Certainty.FITS,
            level=Level.NOTE if whose is None else Level.WARNING,
            likeliest=IN_ANSWERS if whose == ANSWER else IN_REQUESTS,
            ruled_out=RULED_OUT[whose],
        )
        break


def _waits(said: Sequence[Dialogue]) -> Iterator[tuple[float, Sequence[int], str | None]]:
    """Seconds of each step, how many waits were as long, by side, and between whose pieces; None
    for those before a whole answer.
    """
    for step, pieces in (
        (FIFTH, [one.fifth_pieces for one in said]),
        (SHORT, [one.short_pieces for one in said]),
    ):
        slow = [sum(one) for one in zip((0, 0), *pieces, strict=True)]
        yield step, slow, REQUEST if slow[CLIENT] > slow[SERVER] else ANSWER
    yield FIFTH, [sum(one.fifth_answers for one in said)], None
    yield SHORT, [sum(one.short_answers for one in said)], None


RULE = Rule(
    slug="slow-answers",
    stage="answer",
    title="Messages to or from {controller} wait in steps of {step:seconds}",
    what_happened="In {slow} of {answers:count exchange} with {controller} on port {port},"
    "{whole:if the answer took about {step:seconds}}{whose:if the {whose} came in pieces about "
    "{step:seconds} apart}, or a multiple of that. The PC speaks {protocol:protocol}.",
    means="It works, and slowly. Waits so alike are those of acknowledgements that one end holds "
    "back while the other waits for them.",
    likely_causes={
        IN_REQUESTS: "The PC sends a request in pieces, and waits for each piece to be confirmed.",
        IN_ANSWERS: "The controller sends an answer in pieces, and waits for each piece to be "
        "confirmed.",
        JOINING: "The PC's system joins small messages and holds them back.",
        SLOW: "The controller, or a gateway behind it, needs exactly so long for each answer.",
    },
    what_to_do=(
        Step(
            "Have the program send each request in one piece, without joining small messages.",
            about=IN_REQUESTS,
        ),
        Step("Ask for fewer and larger pieces of data."),
        Step(
            "Where the controller sends its answers in pieces: have delayed acknowledgement "
            "switched off on the adapter to the machine.",
            cautions.LINK_DROPS,
            about=IN_ANSWERS,
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
