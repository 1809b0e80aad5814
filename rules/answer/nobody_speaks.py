"""The session opens, nobody sends an octet, and the PC closes it after a while.

A fault where the PC comes back soon and it happens again; a note where it happened once. Quiet
where any session with the controller carried data or a datagram was answered, where the PC closes
at once, where the controller ends the session, and where octets are missing in the recording.
"""

from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import CLIENT, Session
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp

PATIENCE = 2.0
"""Seconds of waiting for the other one's first word; who only looks whether a port opens closes
sooner (common practice, no source)."""
SOON = 60.0
"""Seconds within which a program calls again that did not get what it wanted."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    mute = [one for one in linkup.sessions if _is_mute(one)]
    if not mute or _somebody_speaks(linkup):
        return
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": mute[0].server.port,
            "sessions": len(mute),
            "waited": min(_waited(one) for one in mute),
        },
        frames={
            "opened": [one.completed for one in mute if one.completed],
            "closed": [one.closing[0].moment for one in mute],
        },
        certainty=Certainty.FITS,
        level=Level.FAULT if _came_back(mute) else Level.NOTE,
    )


def _is_mute(session: Session) -> bool:
    """Whether the PC waited in vain for the first word, and spoke none itself."""
    complete = session.completed is not None and bool(session.closing)
    sent = any(side.octets or side.unseen for side in session.sides)
    return (
        complete and not sent and session.closing[0].side == CLIENT and _waited(session) >= PATIENCE
    )


def _waited(session: Session) -> float:
    opened = session.completed or session.first
    return session.closing[0].moment.seconds - opened.seconds


def _somebody_speaks(linkup: LinkUp) -> bool:
    elsewhere = [one for one in linkup.other_sessions if one.server.port not in OFFICE_PORTS]
    sessions = [*linkup.sessions, *elsewhere]
    spoken = any(side.octets for session in sessions for side in session.sides)
    return spoken or any(exchange.answered.count for exchange in linkup.exchanges)


def _came_back(mute: list[Session]) -> bool:
    pauses = (
        after.first.seconds - before.closing[0].moment.seconds for before, after in pairwise(mute)
    )
    return any(pause < SOON for pause in pauses)


RULE = Rule(
    slug="nobody-speaks",
    stage="answer",
    title="The session with {controller} opens, and neither end says anything",
    what_happened="Port {port} of {controller} opened {sessions:times}. The PC sent no request, "
    "and the controller sent nothing either. The PC closed each session, at the earliest after "
    "{waited:seconds}.",
    means="Cable, addresses and port work. Perhaps each end waits for the other one to begin.",
    likely_causes={
        "program-waits-greeting": "The program waits for a greeting, and the controller waits for a request.",
        "program-set-another": "The program is set to another protocol than the one that this port speaks.",
        "program-nothing-ask": "The program has nothing to ask for: no item is set up, or its cycle is not started.",
    },
    what_to_do=(
        Step("Look in the controller's manual which end speaks first in this protocol."),
        Step("Compare protocol and port number in the program with the manual."),
        Step("Look in the program whether there is anything that it should ask for."),
        Step("Have the program ask for one item, by reading only."),
    ),
    evidence={
        "opened": "the session is open{again}",
        "closed": "the PC closes it{again}, and nobody has sent an octet in it",
    },
    cautions=("Do not write values to try things out: a written value can move the machine.",),
    also_fits={
        "program-only-looks": "A program that only looks whether the port opens, or keeps a session for later.",
        "controller-sends-only": "A controller that sends only when something happens, and nothing did.",
        "controller-still-starting": "A controller that is still starting, and whose service does not speak yet.",
    },
    looks_alike=(
        "A port that is opened and closed at once, to see whether it is there.",
        "A second session beside one that works.",
        "A session that the controller ends.",
    ),
    confirm="Send one request by hand, by reading only: an answer shows that the controller was "
    "waiting for it.",
    sources=("RFC 9293 section 3.6", "common practice, no source (who speaks first)"),
    find=find,
)
