"""The session is open, the PC sent a request, and no answer was recorded.

Quiet where an answer came, even late, or where the PC confirmed one that the recording lacks;
where the controller itself ended the session; where the PC only sends and closes in order; in a
session with earlier answers, unless the PC gives it up after a longer wait than ever before, as it
may wait on purpose; and in a session without any, where another one is answered later. Earlier
answers rule out that the two speak different protocols, and several make it likely that the
controller is busy or hangs.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

UNIT, OTHER_PROTOCOL, BUSY = "unit", "other protocol", "busy"
"""Names of these causes in the rule."""
PATH_BROKEN = "path broken"
"""Name of this in what would look the same."""
IN_USE = 2
"""Answers of a session that is in use; the first may belong to its opening."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    call = next((one for one in linkup.on_port if _waits_in_vain(linkup, one)), None)
    if call is None:
        return
    session, repeats = call.session, call.session.from_client.repeats
    arrived = session.request_acknowledged
    ruled_out = [OTHER_PROTOCOL] if call.answers else []
    yield Sighting(
        values={
            "port": call.port,
            "answers": call.answers,
            "repeats": repeats.count,
            "acknowledged": arrived,
            "protocol": session.dialogue.protocol,
            "unit": session.dialogue.unit,
        },
        frames={
            "asked": [session.asked],
            "confirmed": [session.from_client.confirmed_at],
            "gave_up": [call.ended],
        },
        certainty=Certainty.SHOWN if arrived else Certainty.FITS,
        silence=linkup.silence(call.asking, tries=1 + repeats.count, arrived=arrived),
        likeliest=BUSY if call.answers >= IN_USE else UNIT,
        ruled_out=[*ruled_out, PATH_BROKEN] if arrived else ruled_out,
    )


def _waits_in_vain(linkup: LinkUp, call: Call) -> bool:
    asked = call.unanswered if call.waits else []
    if not asked or call.session.lacks_answer:
        return False
    if call.answers:
        return call.gave_up
    return (call.end is None or call.gave_up) and not linkup.on_port.answered_after(asked[0])


RULE = Rule(
    slug="request-unanswered",
    stage="answer",
    title="{controller} gave no answer to the request",
    what_happened="In the open session with {controller} on port {port}, the PC sent a request. "
    "No answer to it was recorded.{answers:if Before it, {answers:count request} in that session "
    "got an answer.} The PC speaks {protocol:protocol}{unit:unit}.",
    means="Cable, addresses and port work: the controller's service does not react to this "
    "request. What the request asks for is not judged here.",
    likely_causes={
        UNIT: "The unit or station number in the request is not the controller's.",
        OTHER_PROTOCOL: "The program speaks another protocol or framing than this port does.",
        "behind": "A device behind the controller or gateway is meant, and it is off.",
        "log-in": "The controller wants a log-in or another message first.",
        BUSY: "The controller is busy, or its communication service hangs.",
    },
    what_to_do=(
        Step("Compare protocol, unit number and selectors in the program with the manual."),
        Step("Look at the controller's state: fault lamp, operating mode, load."),
        Step("Record a program that works with this controller, and compare the first requests."),
        Step("Ask for a smaller item, by reading only, and with a longer waiting time."),
    ),
    evidence={
        "asked": "the PC sends its request",
        "confirmed": "the controller's network part confirms the request, without an answer",
        "gave_up": "the PC gives up and ends the session",
    },
    cautions=(
        cautions.warning(
            "Test by reading only: a written value can move the machine.",
        ),
    ),
    also_fits={
        "late answer": "An answer that takes longer than the PC waited, or than the recording "
        "lasts.",
        PATH_BROKEN: "A path that broke right then, where the controller did not confirm the "
        "request either.",
        "only sends": "A program that only sends, and expects no answer.",
    },
    looks_alike=(
        "A recording that ends before the answer.",
        "A program that only sends and then closes in order.",
        "A program that leaves a request open on purpose and keeps the session.",
        "A controller that speaks first and then waits for the PC.",
        "An answer that the recorder lost: the PC confirms it.",
    ),
    confirm="Send the same request from another program, or read another item with this one.",
    confirm_caution=cautions.COMMANDS,
    sources=(
        "RFC 793 section 2.6 (TCP's acknowledgement says that TCP has the data, and no more)",
    ),
    find=find,
)
