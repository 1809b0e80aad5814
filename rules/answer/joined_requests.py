"""Two requests in one segment, or one in two, and the controller answers only part of them.

A warning where the work goes on, and where the very first requests came so and nothing is answered:
they may be unanswered for what they ask.

Only for protocols in which each request gets one answer. Quiet where all are answered: many
controllers take several requests at once. Quiet where the PC ends the session without waiting,
where the controller ends it, and where the recorder lost frames of the session.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

AGAIN_AND_AGAIN = 2
"""Joined segments from which on one lost request each is a pattern."""
JOINED, SPLIT = "joined", "split"
"""Names of these causes in the rule."""
PATH = "path broken"
"""Name of this in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    for call in linkup.on_port:
        stops, loses = _stops(call), _loses_some(call)
        session, dialogue = call.session, call.session.dialogue
        if not (stops or loses) or call.ended_by_server or session.from_client.unseen:
            continue
        last = max(side.last_data for side in session.sides if side.last_data)
        odd = [*dialogue.joined.moments, *dialogue.split.moments]
        asked = [max(odd), *filter(None, [session.asked])]
        heals = loses or linkup.on_port.answered_after(last) or not dialogue.told
        yield Sighting(
            values={
                "protocol": dialogue.protocol,
                "stops": not loses,
                "loses": loses,
                "answers": dialogue.told,
                "alone": dialogue.asked - dialogue.behind if not loses else 0,
                "joined": dialogue.joined.count,
                "split": dialogue.split.count,
                "missing": dialogue.missing,
            },
            frames={
                "joined": dialogue.joined.moments,
                "split": dialogue.split.moments,
                "gave_up": [call.ended],
            },
            certainty=Certainty.FITS,
            level=Level.WARNING if heals else Level.FAULT,
            silence=linkup.silence(asked, tries=dialogue.missing) if stops else None,
            likeliest=JOINED if dialogue.joined.count else SPLIT,
            ruled_out=[
                *([] if dialogue.joined.count else [JOINED]),
                *([] if dialogue.split.count else [SPLIT]),
                *([PATH] if session.request_acknowledged else []),
            ],
        )
        break


def _stops(call: Call) -> bool:
    """Whether answers lack from a joined or split request on, and the PC waits for them."""
    dialogue = call.session.dialogue
    return dialogue.told < dialogue.behind and (call.end is None or call.gave_up)


def _loses_some(call: Call) -> bool:
    """Whether the work goes on, and each joined segment costs an answer."""
    dialogue = call.session.dialogue
    return dialogue.missing >= dialogue.joined.count >= AGAIN_AND_AGAIN and not call.waits


RULE = Rule(
    slug="joined-requests",
    stage="answer",
    title="{controller}{stops:if likely stops answering after}{loses:if likely passes over} "
    "requests that come joined or in pieces",
    what_happened="{controller} gave {answers:count answer} on port {port}, and {missing} never "
    "came{joined:if, where {joined:count segment} held more than one request}{split:if, where "
    "{split:count request} came in pieces}.{alone:if After that, {alone:count single request} got "
    "no answer either.} The PC speaks {protocol:protocol}.",
    means="Some controllers take one whole request a segment, and overlook the rest, or stop.",
    likely_causes={
        JOINED: "The PC's system joins small messages, or the program does not wait for an answer.",
        SPLIT: "The program sends the head of a request and the rest of it separately.",
        "busy": "The controller was busy, and lost the requests for another reason.",
    },
    what_to_do=(
        Step("Have the program send one request, and the next one only after its answer."),
        Step(
            "Have the program send small messages one by one, without joining them.", about=JOINED
        ),
        Step("Have the program send each request in one piece.", about=SPLIT),
        Step("Look in the manual how many requests the controller takes at a time."),
    ),
    evidence={
        "joined": "the PC sends several requests in one segment{again}",
        "split": "the PC sends the first piece of a request{again}",
        "gave_up": "the session ends",
    },
    cautions=(
        cautions.warning(
            "Test by reading only: a written value can move the machine.",
        ),
    ),
    also_fits={
        "what they ask": "Requests that the controller leaves unanswered for what they ask.",
        PATH: "A path that broke in that moment.",
    },
    looks_alike=(
        "Several requests in a segment that are all answered.",
        "A large segment that the adapter cuts later: it holds one request.",
        "A PC that ends the session without waiting for the answers.",
    ),
    confirm="Send the same requests one by one with a pause, by reading only: if all are answered, "
    "it is this.",
    confirm_caution=cautions.COMMANDS,
    explains=("request-unanswered",),
    sources=(
        "MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 4 (from memory)",
        "RFC 9293 section 3.7.4 (joining of small messages)",
    ),
    find=find,
)
