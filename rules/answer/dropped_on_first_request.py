"""The controller ends every session right after the PC's first request, without a word.

Less certain where it happened once, and where an orderly end may be all that the service says: on
a port and in a protocol that are not known to give answers.

Quiet where the controller ever answered, or answers later, on this or another port that a program
falls back to; where it also ends sessions in which nothing was asked; where the PC confirmed data
that the recording lacks; where the end comes later than at once; where another station's hardware
address sends it; and for sessions that began before the recording.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, End, Session
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

AT_ONCE = 0.1
"""Seconds, beside the way there and back, within which an end answers a request (common practice,
no source)."""
FRAMING, ENCRYPTION, PLACE = 0, 1, 2
"""Places of these causes in the rule."""
MUTE = {None, "lines of text"}
"""Protocols in which a service may take what is sent, and say nothing."""
LIKELIEST = {"TLS": ENCRYPTION, "ISO on TCP": PLACE, "EtherNet/IP": PLACE}


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        dropped = [(one, end) for one in linkup.sessions if (end := _drop(one)) is not None]
        if not dropped or _is_harmless(linkup, [session for session, _ in dropped]):
            continue
        session, end = dropped[0]
        wants_answer = end.reset or session.dialogue.protocol not in MUTE
        wants_answer |= session.server.port in INDUSTRIAL_PORTS
        yield Sighting(
            values={
                "controller": linkup.controller,
                "port": session.server.port,
                "attempts": len(dropped),
                "protocol": session.dialogue.protocol,
                "wait": end.since_data,
                "by_reset": end.reset,
            },
            frames={
                "dropped": [end.moment for _, end in dropped],
                "asked": [one.asked for one, _ in dropped if one.asked],
            },
            linkup=linkup,
            certainty=Certainty.SHOWN if len(dropped) > 1 and wants_answer else Certainty.FITS,
            likeliest=LIKELIEST.get(session.dialogue.protocol or "", FRAMING),
        )


def _drop(session: Session) -> End | None:
    """The end that answers the only request of a session."""
    if not session.server_ended or session.from_server.octets or session.from_client.unseen:
        return None
    end = session.closing[0]
    if end.after != CLIENT or end.since_data is None or len(session.from_server.hardware) > 1:
        return None
    within = AT_ONCE + (session.handshake_seconds or 0.0)
    return end if session.completed and end.since_data <= within else None


def _is_harmless(linkup: LinkUp, dropped: list[Session]) -> bool:
    """Whether another session shows that the first request is not what the controller minds, or
    that the program found another way.
    """
    others = [one for one in linkup.sessions if one.is_open and one not in dropped]
    elsewhere = [one for one in linkup.other_sessions if one.server.port not in OFFICE_PORTS]
    first = dropped[0].first
    return bool(others) or any(
        one.answered is not None and one.answered > first for one in elsewhere
    )


RULE = Rule(
    slug="dropped-on-first-request",
    stage="answer",
    title="{controller} ends the session on the first request",
    what_happened="The PC opened {attempts:count session} to port {port} of {controller} and sent "
    "its request. Each time the controller ended the session after {wait:seconds}, without an "
    "answer. The PC speaks {protocol:protocol}.",
    means="Cable, addresses and port work. The controller, or something that answers in its name, "
    "does not want this request.",
    likely_causes=(
        "The program speaks another protocol, framing or version than this port does.",
        "One of the two encrypts and the other does not, or does not trust the certificate.",
        "Rack, slot or service name in the opening message are not the controller's.",
        "The function is switched off in the controller, or this PC is not allowed to use it.",
        "All sessions that the controller allows are taken, and it says so only then.",
    ),
    what_to_do=(
        Step("Compare protocol, version and port number in the program with the manual."),
        Step("Compare the security settings of both ends, and the clock of the controller."),
        Step("Compare rack, slot and unit number in the program with the controller's project."),
        Step("Look in the controller's settings whether this access is allowed at all."),
        Step("Record a program that works with this controller, and compare the first requests."),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "asked": "the PC sends its request{again}",
        "dropped": "{controller} ends the session{again}, without an answer",
    },
    cautions=(
        "Have access or security settings changed only by whoever is responsible for the machine.",
    ),
    also_fits=(
        "A list of allowed stations, or a filter on the way, that ends sessions after they opened.",
        "A controller that restarts in that moment, where it happened only once.",
        "A service that only takes data and gives no answer, where it ends sessions in order.",
    ),
    looks_alike=(
        "A first try with a newer protocol or another port, where the next one is answered.",
        "A controller that ends the session after a good answer.",
        "A controller that ends sessions whether or not something was asked: it has none to spare.",
        "A session that is broken later, in the middle of work.",
    ),
    confirm="Send another kind of request from another program: a session that stays up shows that "
    "the request matters.",
    explains=(
        "session-reset",
        "session-closed",
    ),
    sources=("RFC 9293 sections 3.5.2 and 3.6", "RFC 8446 section 5.1 (what starts encryption)"),
    find=find,
)
