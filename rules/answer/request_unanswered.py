"""The session is open, the PC sent a request, and no answer was recorded.

Where another session got an answer later, it is told all the same: as a note where the PC gave up
soon, once; as a warning after a longer wait, or where it happened twice; as a fault from three
times on. In a session with earlier answers it is told where the PC gives it up after a longer wait
than ever before, and where nothing even confirmed the request.

Quiet where an answer came, even late, or where the PC confirmed one that the recording lacks;
where the controller ended the session soon; where the PC only sends and closes in order; where a
request is confirmed and the session goes on or is not replaced, as the PC may wait on purpose.
Earlier answers rule out that the two speak different protocols, and several make it likely that the
controller is busy or hangs.
"""

from collections.abc import Iterator, Sequence

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LONG_IDLE, Call, LinkUp, Silence
from rules import cautions

UNIT, OTHER_PROTOCOL, BUSY = "unit", "other protocol", "busy"
"""Names of these causes in the rule."""
PATH_BROKEN = "path broken"
"""Name of this in what would look the same."""
AGAIN = 3
"""Sessions without an answer, with others in between, that are no accident any more."""
IN_USE = 2
"""Answers of a session that is in use; the first may belong to its opening."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    vain = [one for one in linkup.on_port if _waits_in_vain(linkup, one) and _is_told(linkup, one)]
    lasting = [one for one in vain if not _works_later(linkup, one)]
    if not vain:
        return
    call = (lasting or vain)[0]
    session, repeats = call.session, call.session.from_client.repeats
    arrived = session.request_acknowledged
    ruled_out = [OTHER_PROTOCOL] if call.answers else []
    yield Sighting(
        values={
            "port": call.port,
            "sessions": len(vain) if len(vain) > 1 else 0,
            "answers": call.answers,
            "repeats": repeats.count,
            "acknowledged": arrived,
            "closed": call.idle if call.starved else 0,
            "later": not lasting,
            "protocol": session.dialogue.protocol,
            "unit": session.dialogue.unit,
        },
        frames={
            "asked": [session.asked],
            "confirmed": [session.from_client.confirmed_at],
            "gave_up": [call.ended if call.ended_by_client else None],
            "closed": [call.ended if call.starved else None],
        },
        level=Level.FAULT if lasting else _level(vain),
        certainty=Certainty.SHOWN if arrived else Certainty.FITS,
        silence=_silence(linkup, call),
        likeliest=BUSY if call.answers >= IN_USE else UNIT,
        ruled_out=[*ruled_out, PATH_BROKEN] if arrived else ruled_out,
    )


def _silence(linkup: LinkUp, call: Call) -> Silence | None:
    tries = 1 + call.session.from_client.repeats.count
    return linkup.silence(call.asking, tries, arrived=call.session.request_acknowledged)


def _is_told(linkup: LinkUp, call: Call) -> bool:
    """Whether the silence says something: one session may lie too near to the end."""
    silence = _silence(linkup, call)
    return silence is not None and silence.is_evidence


def _waits_in_vain(linkup: LinkUp, call: Call) -> bool:
    asked = call.asking
    if not asked or call.session.lacks_answer or (call.ended_by_server and not call.starved):
        return False
    if call.answers:
        return call.gave_up or call.is_unheard
    if not linkup.on_port.answered_after(asked[0]):
        return call.end is None or call.gave_up or call.starved
    called_again = call.ended is not None and linkup.on_port[-1].first > call.ended
    return called_again and (call.gave_up or call.starved)


def _works_later(linkup: LinkUp, call: Call) -> bool:
    """Whether a session without any answer was followed by one that got it."""
    return not call.answers and linkup.on_port.answered_after(call.asking[0])


def _level(vain: Sequence[Call]) -> Level:
    if len(vain) >= AGAIN:
        return Level.FAULT
    return Level.WARNING if len(vain) > 1 or vain[0].idle >= LONG_IDLE else Level.NOTE


RULE = Rule(
    slug="request-unanswered",
    stage="answer",
    title="{controller} gave no answer to the request",
    what_happened="In the open session with {controller} on port {port}, the PC sent a request. "
    "No answer to it was recorded.{answers:if Before it, {answers:count request} in that session "
    "got an answer.}{closed:if {controller} closed the session {closed:seconds} later.}"
    "{sessions:if This happened in {sessions:count session}.}"
    "{later:if A later session got its answers.} The PC speaks {protocol:protocol}{unit:unit}.",
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
        Step(
            "Ask once for a smaller item, by reading only, and with a longer waiting time.",
            cautions.WAITING_TIME,
        ),
    ),
    evidence={
        "asked": "the PC sends its request",
        "confirmed": "the controller's network part confirms the request, without an answer",
        "gave_up": "the PC gives up and ends the session",
        "closed": "{controller} closes the session without an answer",
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
        "A session that waits for events beside one that works, and is not replaced.",
        "A controller that speaks first and then waits for the PC.",
        "An answer that the recorder lost: the PC confirms it.",
    ),
    confirm="By reading only: ask for the same item with another program, or for another item with "
    "this one.",
    confirm_caution=cautions.COMMANDS,
    sources=(
        "RFC 793 section 2.6 (TCP's acknowledgement says that TCP has the data, and no more)",
    ),
    find=find,
)
