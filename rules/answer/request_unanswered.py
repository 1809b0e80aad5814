"""The session is open, the PC sent a request, and no answer was recorded.

Where another session got an answer later, it is told all the same: as a note where the PC gave up
soon, once; as a warning after a longer wait, or where it happened twice; as a fault from three
times on. In a session with earlier answers it is told where the PC gives it up after a longer wait
than ever before, and where nothing even confirmed the request. Where none of that is so, requests
are told that got no answer while later ones of the session did: a note, a warning from three on.
Those belong to protocols in which each request gets an answer, and the recording holds all that the
controller sent.

Quiet where an answer came, even late, or where the PC confirmed one that the recording lacks;
where the controller ended the session soon; where the PC only sends and closes in order; where a
request is confirmed and the session goes on or is not replaced, as the PC may wait on purpose;
about functions that never get an answer, as they may want none; and about the last requests before
an end, as their answers may only be late.
Earlier answers rule out that the two speak different protocols, and several make it likely that the
controller is busy or hangs.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Series
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LONG_IDLE, Call, LinkUp, Silence
from rules import cautions

UNIT, OTHER_PROTOCOL, BEHIND = "unit", "other protocol", "behind"
LOG_IN, BUSY, LOST_BEHIND = "log-in", "busy", "lost behind"
"""Names of these causes in the rule."""
PATH_BROKEN, ONLY_SENDS = "path broken", "only sends"
"""Names of these in what would look the same."""
AGAIN = 3
"""Sessions without an answer, or such requests, with others in between, that are no accident any
more."""
LINES = "lines of text"
"""Has no unit numbers."""
IN_USE = 2
"""Answers of a session that is in use; the first may belong to its opening."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    vain = [one for one in linkup.on_port if _waits_in_vain(linkup, one) and _is_told(linkup, one)]
    lasting = [one for one in vain if not _works_later(linkup, one)]
    if not vain:
        yield from _passed_over(linkup)
        return
    call = (lasting or vain)[0]
    session, repeats = call.session, call.session.from_client.repeats
    arrived = session.request_acknowledged
    ruled_out = [LOST_BEHIND, OTHER_PROTOCOL] if call.answers else [LOST_BEHIND]
    unit, by_lines = session.dialogue.unit, session.dialogue.protocol == LINES
    if by_lines:
        ruled_out.append(UNIT)
    likeliest = BUSY if call.answers >= IN_USE else LOG_IN if by_lines else UNIT
    by_unit = likeliest == UNIT and unit is not None
    yield Sighting(
        values={
            "one": True,
            "single": len(vain) == 1,
            "requests": len(vain) if len(vain) > 1 else 0,
            "waited": _waited(linkup, call),
            "by_unit": by_unit,
            "by_lines": by_lines,
            "by_manual": not (by_unit or by_lines),
            "passed": 0,
            "of": 0,
            "port": call.port,
            "sessions": len(vain) if len(vain) > 1 else 0,
            "answers": call.answers,
            "repeats": repeats.count,
            "acknowledged": arrived,
            "closed": call.idle if call.starved else 0,
            "later": not lasting,
            "protocol": session.dialogue.protocol,
            "unit": unit,
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
        likeliest=likeliest,
        ruled_out=[*ruled_out, PATH_BROKEN] if arrived else ruled_out,
    )


def _passed_over(linkup: LinkUp) -> Iterator[Sighting]:
    """Requests that got no answer although later ones in their sessions did."""
    calls = [(call, passed) for call in linkup.on_port if (passed := call.passed_over).count]
    if not calls:
        return
    passed = Series.joined(series for _, series in calls)
    said = calls[0][0].session.dialogue
    yield Sighting(
        values={
            **dict.fromkeys(("one", "answers", "repeats", "closed", "later"), 0),
            **dict.fromkeys(
                ("waited", "by_unit", "by_lines", "by_manual", "single", "requests"), 0
            ),
            "passed": passed.count,
            "of": sum(call.session.dialogue.asked for call, _ in calls),
            "sessions": len(calls) if len(calls) > 1 else 0,
            "port": calls[0][0].port,
            "acknowledged": True,
            "protocol": said.protocol,
            "unit": None,
        },
        frames={"passed": passed.moments},
        level=Level.WARNING if passed.count >= AGAIN else Level.NOTE,
        likeliest=BUSY,
        ruled_out=[UNIT, OTHER_PROTOCOL, BEHIND, LOG_IN, PATH_BROKEN, ONLY_SENDS],
    )


def _waited(linkup: LinkUp, call: Call) -> float:
    """Seconds from the request to the end of its session, or to that of the recording; 0 where the
    PC went on with another session, and left this one open.
    """
    asked = call.asking[0]
    if call.ended is None and linkup.on_port.after(asked):
        return 0.0
    return (
        linkup.facts.heard_after(asked)
        if call.ended is None
        else call.ended.seconds - asked.seconds
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
    title="{controller} gave no answer to{single:if the request}{requests:if {requests:count "
    "request}}{passed:if {passed:count request}, and answered later ones}",
    what_happened="{one:if In an open session on port {port} of {controller} the PC sent a "
    "request, and no answer was recorded.}{waited:if The PC waited {waited:seconds} for "
    "it.}{passed:if On port {port} of {controller}, {passed} of {of:count request} got no answer, "
    "though later ones did.}{answers:if Before it, {answers:count request} in that session got an "
    "answer.}{closed:if {controller} closed the session {closed:seconds} later.}{sessions:if This "
    "happened in {sessions:count session}.}{later:if A later session got its answers.} The PC "
    "speaks {protocol:protocol}{unit:unit}.",
    means="Cable, addresses and port work: the controller's service does not react "
    "to{one:if this request}{passed:if every request}. What a request asks for is not judged here.",
    likely_causes={
        UNIT: "The unit or station number in the request is not the controller's.",
        OTHER_PROTOCOL: "The program speaks another protocol or framing than this port does.",
        BEHIND: "A device behind the controller or gateway is meant, and it is off.",
        LOG_IN: "The controller wants a log-in or another message first.",
        BUSY: "The controller is busy, or its communication service hangs.",
        LOST_BEHIND: "The controller passes requests on to a line on which some are lost.",
    },
    what_to_do=(
        Step(
            "{by_unit:if Look up which unit number the controller answers to, and compare it with "
            "{unit}, to which the program sends. Then compare protocol and selectors.}"
            "{by_lines:if Compare the command, its line ending and the log-in with the manual.}"
            "{by_manual:if Compare protocol, unit number and selectors in the program with the "
            "manual.}"
        ),
        Step(
            "{passed:if Let the program ask less often, and one request at a time: the next one "
            "when the answer is there or the waiting time is over.}"
        ),
        Step("Look at the controller's state: fault lamp, operating mode, load."),
        Step(
            "Record while a program that works with this controller connects, and compare the "
            "first requests.",
            cautions.COMMANDS,
        ),
        Step(
            "Ask once for a smaller item, by reading only, and with a longer waiting time.",
            cautions.WAITING_TIME,
        ),
    ),
    evidence={
        "asked": "the PC sends its request",
        "confirmed": "the controller's network part confirms the request, without an answer",
        "passed": "the PC sends a request that gets no answer{again}",
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
        ONLY_SENDS: "A program that only sends, and expects no answer.",
    },
    looks_alike=(
        "A recording that ends before the answer.",
        "A program that only sends and then closes in order.",
        "A program that leaves a request open on purpose and keeps the session.",
        "A session that waits for events beside one that works, and is not replaced.",
        "A controller that speaks first and then waits for the PC.",
        "An answer that the recorder lost: the PC confirms it.",
        "Several requests at a time, answered in any order.",
        "A function that is never answered: it may want no answer.",
    ),
    confirm="By reading only: ask for the same item with another program, or for another item with "
    "this one.",
    confirm_caution=cautions.COMMANDS,
    sources=(
        "RFC 793 section 2.6 (TCP's acknowledgement says that TCP has the data, and no more)",
    ),
    find=find,
)
