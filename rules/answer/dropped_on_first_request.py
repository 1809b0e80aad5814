"""The controller ends every session right after the PC's first request, without a word, or with a
no in another protocol than the PC's.

Less certain where it happened once without a word, and where an orderly end may be all that the
service says: on a port and in a protocol that are not known to give answers.

Quiet where the controller ever answered, or answers later, on this or another port that a program
falls back to; where it also ends sessions in which nothing was asked; where the PC confirmed data
that the recording lacks; where the end comes later than at once; where another station's hardware
address sends it; and for sessions that began before the recording.
"""

from collections.abc import Iterator
from typing import NamedTuple

from analyzer.facts import CLIENT, Moment, Session
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

AT_ONCE = 0.1
"""Seconds, beside the way there and back, within which an end answers a request (common practice,
no source)."""
FRAMING, ENCRYPTION, PLACE, SWITCHED_OFF, TAKEN = (
    "framing",
    "encryption",
    "place",
    "switched off",
    "taken",
)
"""Names of these causes in the rule."""
FILTER, RESTART, ONLY_TAKES = "filter", "restart", "only takes"
"""Names of what would look the same."""
MUTE = {None, "lines of text"}
"""Protocols in which a service may take what is sent, and say nothing."""
LIKELIEST = {"TLS": ENCRYPTION, "ISO on TCP": PLACE, "EtherNet/IP": PLACE}


class Drop(NamedTuple):
    """The only request of a session, and what ended that one; waited: seconds between the two."""

    session: Session
    asked: Moment | None
    moment: Moment
    waited: float
    by_reset: bool


def find(linkup: LinkUp) -> Iterator[Sighting]:
    dropped = [drop for one in linkup.sessions if (drop := _refusal(one) or _drop(one))]
    if not dropped or _is_harmless(linkup, [drop.session for drop in dropped]):
        return
    first = dropped[0]
    session, said = first.session, first.session.dialogue
    refused_in = said.refused_in
    wants_answer = first.by_reset or said.protocol not in MUTE
    wants_answer |= session.server.port in INDUSTRIAL_PORTS
    certain = refused_in is not None or (len(dropped) > 1 and wants_answer)
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": session.server.port,
            "attempts": len(dropped),
            "protocol": said.protocol,
            "refused_in": refused_in,
            "reasons": list(dict.fromkeys(str(no) for no in said.refusals)),
            "wait": first.waited,
            "by_reset": first.by_reset,
        },
        frames={
            "dropped" if refused_in is None else "refused": [one.moment for one in dropped],
            "asked": [one.asked for one in dropped if one.asked],
        },
        certainty=Certainty.SHOWN if certain else Certainty.FITS,
        likeliest=_likeliest(said.protocol, refused_in),
        excluded={PLACE, SWITCHED_OFF, TAKEN} if refused_in else (),
        also_excluded={FILTER, RESTART, ONLY_TAKES} if refused_in else (),
    )


def _likeliest(protocol: str | None, refused_in: str | None) -> str:
    if refused_in is not None:
        return ENCRYPTION if "TLS" in (protocol, refused_in) else FRAMING
    return LIKELIEST.get(protocol or "", FRAMING)


def _refusal(session: Session) -> Drop | None:
    """The no to the first request in another protocol than the request's."""
    said, asked = session.dialogue, session.asked
    if said.refused_in is None or not said.refusals or asked is None:
        return None
    moment = said.refusals[0].moment
    waited = moment.seconds - asked.seconds
    return Drop(session, asked, moment, waited, False) if asked < moment else None


def _drop(session: Session) -> Drop | None:
    """The end that answers the only request of a session."""
    if not session.server_ended or session.from_server.octets or session.from_client.unseen:
        return None
    end = session.closing[0]
    if end.after != CLIENT or end.since_data is None or len(session.from_server.hardware) > 1:
        return None
    within = AT_ONCE + (session.handshake_seconds or 0.0)
    if session.completed is None or end.since_data > within:
        return None
    return Drop(session, session.asked, end.moment, end.since_data, end.reset)


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
    "answer. The PC speaks {protocol:protocol}.{refused_in:if The controller turned that down in "
    "{refused_in}, which is what this port expects. Reason given: {reasons:list}.}",
    means="Cable, addresses and port work. The controller, or something that answers in its name, "
    "does not want this request.",
    likely_causes={
        FRAMING: "The program speaks another protocol, framing or version than this port does.",
        ENCRYPTION: "One of the two encrypts and the other does not, or does not trust the certificate.",
        PLACE: "Rack, slot or service name in the opening message are not the controller's.",
        SWITCHED_OFF: "The function is switched off in the controller, or this PC is not allowed to use it.",
        TAKEN: "All sessions that the controller allows are taken, and it says so only then.",
    },
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
        "refused": "{controller} turns it down{again}, in another protocol",
    },
    cautions=(
        "Have access or security settings changed only by whoever is responsible for the machine.",
    ),
    also_fits={
        FILTER: "A list of allowed stations, or a filter on the way, that ends sessions after they opened.",
        RESTART: "A controller that restarts in that moment, where it happened only once.",
        ONLY_TAKES: "A service that only takes data and gives no answer, where it ends sessions in order.",
    },
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
