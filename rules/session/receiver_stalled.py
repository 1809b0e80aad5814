"""One end says that it can take no more data, and does not take that back.

TCP says so with a window of zero; the other end then sends probes. A fault where that lasted until
the session or the recording ended, a note where it went on for long and passed. Quiet for short
times: that is how a slow receiver slows a fast sender down. Windows in resets, and small windows
that are not zero, say nothing.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, SERVER
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

LONG = 5.0
"""Seconds from which on a receiver does not only slow the sender down (common practice, no source;
the first probes come after a second, RFC 9293 3.8.6.1)."""
PROBES = 2
"""Probes that show that the other end has data waiting."""
PC_STOPPED, CONTROLLER_STOPPED = "pc stopped", "controller stopped"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    stalls = [
        (one, side, seconds)
        for one in linkup.on_port
        for side in (CLIENT, SERVER)
        if (seconds := _stalled(linkup, one, side)) >= LONG
    ]
    if not stalls:
        return
    lasting = [one for one in stalls if one[0].session.sides[one[1]].shut_since is not None]
    call, side, seconds = (lasting or stalls)[0]
    session = call.session
    yield Sighting(
        values={
            "reader": (session.client, session.server)[side].address,
            "times": session.sides[side].shut.count,
            "again": max(0, session.sides[side].shut.count - 1),
            "probes": session.sides[1 - side].probes,
            "stalled": seconds,
            "recovered": not lasting,
            "to_the_end": bool(lasting) and call.ended is None,
            "to_its_end": bool(lasting) and call.ended is not None,
        },
        frames={
            "shut": session.sides[side].shut.moments,
            "end": [call.ended],
        },
        level=Level.FAULT if lasting else Level.NOTE,
        likeliest=CONTROLLER_STOPPED if side == SERVER else PC_STOPPED,
        ruled_out=[PC_STOPPED if side == SERVER else CONTROLLER_STOPPED],
    )


def _stalled(linkup: LinkUp, call: Call, side: int) -> float:
    """Seconds of the longest time in which a side took no data although there was some."""
    reader, other = call.session.sides[side], call.session.sides[1 - side]
    if other.probes < PROBES:
        return 0.0
    since, ended = reader.shut_since, call.ended
    if since is None:
        return reader.shut_longest
    lasts = linkup.facts.heard_after(since) if ended is None else ended.seconds - since.seconds
    return max(reader.shut_longest, lasts)


RULE = Rule(
    slug="receiver-stalled",
    stage="session",
    title="{reader} stopped taking data from the session",
    what_happened="On port {port} of {controller}, the buffer of {reader} stayed full for "
    "{stalled:seconds}{to_the_end:if, to the end of the recording}{to_its_end:if, to the session's "
    "end}. The other end asked {probes:times} whether it could go on.{again:if The buffer had been "
    "full {again:times} before.}",
    means="The network works. On {reader}, no program fetches what has arrived.",
    likely_causes={
        PC_STOPPED: "The PC's program does not read: it waits elsewhere, hangs, or never reads "
        "this stream.",
        CONTROLLER_STOPPED: "The controller's service is overloaded or has stopped, while its "
        "network part lives.",
        "too much data": "More data is sent than the reader can work off.",
    },
    what_to_do=(
        Step(
            "Look at the controller's load, its operating mode and its communication service.",
            about=CONTROLLER_STOPPED,
        ),
        Step(
            "Look whether the PC's program still reacts, and what it waits for.", about=PC_STOPPED
        ),
        Step(
            "Have the PC's program read every stream that it asks for, or ask for fewer.",
            about=PC_STOPPED,
        ),
        Step("Lower the rate or the size of what is sent."),
    ),
    evidence={
        "shut": "{reader} says that it can take no more data{again}",
        "end": "the session is ended",
    },
    cautions=(
        cautions.warning(
            "Nobody knows what the machine does while one end reads nothing.",
            make_safe=True,
        ),
    ),
    looks_alike=(
        "A window of zero in a reset: it means nothing.",
        "Small windows: small devices have small buffers.",
        "A short stop: a slow reader slows a fast sender down in this way.",
        "Keep-alives in a session at rest.",
    ),
    confirm="Look at the program at that end while it happens: it still runs, and reads nothing.",
    explains=("request-unanswered",),
    sources=("RFC 9293 section 3.8.6", "RFC 7323 section 2.3"),
    find=find,
)
