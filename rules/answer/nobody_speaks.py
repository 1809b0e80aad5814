"""The session opens, nobody sends an octet, and the PC closes it after a while.

A fault where the PC comes back soon and it happens again; a note where it happened once. Quiet
where any session with the controller carried data or a datagram was answered, where the PC closes
at once, where the controller ends the session, and where octets are missing in the recording.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import SOON, Call, Calls, LinkUp
from rules import cautions

PATIENCE = 2.0
"""Seconds of waiting for the other one's first word; who only looks whether a port opens closes
sooner (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    mute = Calls(one for one in linkup.on_port if _is_mute(one))
    if not mute or _somebody_speaks(linkup):
        return
    came_back = any(mute.within(ended, SOON) for ended in mute.ends)
    yield Sighting(
        values={
            "sessions": len(mute),
            "waited": min(one.idle for one in mute),
        },
        frames={
            "opened": [one.session.completed for one in mute],
            "closed": mute.ends,
        },
        certainty=Certainty.FITS,
        level=Level.FAULT if came_back else Level.NOTE,
    )


def _is_mute(call: Call) -> bool:
    """Whether the PC waited in vain for the first word, and spoke none itself."""
    sent = any(side.octets or side.unseen for side in call.session.sides)
    waited = call.ended_by_client and call.idle >= PATIENCE
    return call.session.completed is not None and waited and not sent


def _somebody_speaks(linkup: LinkUp) -> bool:
    calls = (*linkup.on_port, *linkup.fallbacks)
    spoken = any(side.octets for one in calls for side in one.session.sides)
    return spoken or any(one.answered.count for one in linkup.exchanges)


RULE = Rule(
    slug="nobody-speaks",
    stage="answer",
    title="The session with {controller} opens, and neither end says anything",
    what_happened="Port {port} of {controller} opened {sessions:times}; the PC sent no request, "
    "and the controller sent nothing either. The PC closed each session, at the earliest after "
    "{waited:seconds}.",
    means="Cable, addresses and port work. Perhaps each end waits for the other one to begin.",
    likely_causes={
        "greeting": "The program waits for a greeting, and the controller waits for a request.",
        "other protocol": "The program is set to another protocol than the one that this port "
        "speaks.",
        "nothing to ask": "The program has nothing to ask for: no item is set up, or its cycle is "
        "not started.",
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
    cautions=(
        cautions.warning(
            "Test by reading only: a written value can move the machine.",
        ),
    ),
    also_fits={
        "only looks": "A program that only looks whether the port opens, or keeps a session for "
        "later.",
        "sends on events": "A controller that sends only when something happens, and nothing did.",
        "still starting": "A controller that is still starting, and whose service does not speak "
        "yet.",
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
