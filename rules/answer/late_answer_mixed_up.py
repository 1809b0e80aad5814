"""A late answer arrives after the PC has asked again, and the PC takes it for the next one.

Seen by the numbers in the messages: each answer has the number of the request before the last one.
A warning where the PC sends further requests right behind such answers; a note where the late
answer was only late. Quiet where the PC ever asked again without waiting: such a program has
several requests open on purpose, and sorts the answers by their numbers.
"""

from collections.abc import Iterator

from analyzer.facts import Session
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

PATIENCE = 0.2
"""Seconds after which a PC that asks again has given the first answer up: programs wait longer
than any usual answer takes (common practice, no source)."""
SHIFTED = 2
"""Requests behind answers of the wrong number from which on they are out of step."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    late = [session for session in linkup.sessions if _has_late_answers(session)]
    if not late:
        return
    session = max(late, key=lambda one: one.dialogue.shifted.count)
    dialogue = session.dialogue
    out_of_step = dialogue.shifted.count >= SHIFTED
    yield Sighting(
        values={
            "protocol": dialogue.protocol,
            "late": dialogue.late.count,
            "shifted": dialogue.shifted.count,
            "patience": dialogue.hurry,
        },
        frames={"late": dialogue.late.moments, "next": dialogue.shifted.moments},
        certainty=Certainty.FITS if out_of_step else Certainty.SHOWN,
        level=Level.WARNING if out_of_step else Level.NOTE,
    )


def _has_late_answers(session: Session) -> bool:
    dialogue = session.dialogue
    return bool(dialogue.late.count) and PATIENCE <= dialogue.hurry < float("inf")


RULE = Rule(
    slug="late-answer-mixed-up",
    stage="answer",
    title="Late answers of {controller} can be taken for answers to later requests",
    what_happened="{late:count answer} of {controller} on port {port} came only after the PC had "
    "sent its next request. The PC waits {patience:seconds} for an answer, and then asks on in "
    "the same session.{shifted:if Right after such an answer it sent another request "
    "{shifted:times}, as if that were the one it waited for.}",
    means="The link works. A program that does not compare the numbers in requests and answers "
    "takes late answers for the wrong ones, and shows or uses wrong values.",
    likely_causes={
        "waits too short": "The program waits too short, and keeps the session after it gave a "
        "request up.",
        "numbers not compared": "The program does not compare the number in the answer with that "
        "of its request.",
        "busy": "The controller is busy at times, and answers late.",
    },
    what_to_do=(
        Step("Do not trust values that this program shows until the cause is clear."),
        Step(
            "Give the program a longer waiting time than the slowest answer takes.",
            cautions.WAITING_TIME,
        ),
        Step("Have the program compare the numbers of requests and answers."),
        Step(
            "Have the program open a new session after each request that it gave up.",
            cautions.COMMANDS,
        ),
    ),
    evidence={
        "late": "{controller} answers an older request{again}",
        "next": "the PC asks on behind it{again}",
    },
    cautions=(
        cautions.warning(
            "Wrong values may look right. Do not move the machine by them, and tell whoever "
            "is responsible.",
        ),
    ),
    also_fits={
        "fixed pace": "A program that asks at a fixed pace without waiting, and sorts answers by "
        "their numbers.",
    },
    looks_alike=(
        "A program with several requests open at a time that sorts answers by their numbers.",
        "A late answer that the PC puts aside: the right one follows before it asks on.",
    ),
    confirm="Compare one value that the program shows with the controller's own display while the "
    "value changes.",
    level=Level.WARNING,
    sources=(
        "MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3 (transaction number)",
    ),
    find=find,
)
