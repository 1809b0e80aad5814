"""Segments between the PC and the controller get lost: too many had to be sent again.

Counted are different segments, not repeats. The PC's: sent again before they were acknowledged.
The controller's: those whose first sending never reached the PC, and those that the PC had
acknowledged long before. A warning while the work goes on, a fault where a session broke by it and
the controller was heard again later, a note where it looks like late acknowledgements. Quiet below
1 %, for few segments or few losses, for times in which nothing at all got through, for keep-alives,
copies made by the recorder, frames that the recorder lost, segments out of order, joined segments,
window probes, and controllers that repeat because the PC acknowledges late.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, SERVER, Moment, Session
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import NEVER, Call, LinkUp
from rules import cautions

SHARE = 0.01
"""Share of segments sent again that a local network should never reach (common practice, no
source)."""
ENOUGH = 100
"""Segments from which on a share says something."""
LEAST = 3
"""Different segments sent again from which on it is no single event."""
MOSTLY = 0.3
"""Share of the PC's segments from which on late acknowledgements are likelier than losses: a path
that lost so many would not carry a session (common practice, no source)."""
NAMED = 6
"""Repeats whose times are named: more are a list to be looked up."""
NOISE, LATE = "noise", "late"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    sessions = linkup.sessions
    there = sum(one.from_client.unconfirmed for one in sessions)
    back = sum(one.from_server.missing + one.from_server.confirmed for one in sessions)
    sent = sum(one.from_client.segments for one in sessions)
    segments = sent + sum(one.from_server.segments for one in sessions)
    lost = there + back
    single = lost - sum(len(one.interruptions) for one in linkup.on_port)
    if segments < ENOUGH or single < LEAST or single < SHARE * segments:
        return
    frames = {"there": _repeats(sessions, CLIENT), "back": _repeats(sessions, SERVER)}
    first_first = sorted(frames, key=lambda side: min(frames[side], default=NEVER))
    again = sorted(at for moments in frames.values() for at in moments)
    broken = sum(_broke(linkup, one) for one in linkup.on_port)
    late = not back and there > MOSTLY * sent
    yield Sighting(
        values={
            "lost": lost,
            "segments": segments,
            "percent": round(100 * lost / segments, 1),
            "there": there,
            "back": back,
            "sessions": broken,
            "at": [round(one.seconds, 1) for one in again] if len(again) <= NAMED else [],
        },
        frames={side: frames[side] for side in first_first},
        certainty=Certainty.SHOWN if back else Certainty.FITS,
        level=Level.FAULT if broken else Level.NOTE if late else Level.WARNING,
        likeliest=LATE if late else NOISE,
    )


def _broke(linkup: LinkUp, call: Call) -> bool:
    """Whether the PC repeated its last data in vain: often, and the controller was heard again
    later, or to the end, and too seldom for a path that is lost.
    """
    resent = None if call.ended_by_server else call.undelivered
    if resent is not None:
        return linkup.is_alive_after(resent.again.last)
    silence = linkup.silence(call.asking) if call.hangs and call.is_unheard else None
    return silence is not None and silence.is_evidence


def _repeats(sessions: list[Session], side: int) -> list[Moment]:
    return [moment for one in sessions for moment in one.sides[side].repeats.moments]


RULE = Rule(
    slug="lossy-path",
    stage="session",
    level=Level.WARNING,
    title="{percent} % of the segments to or from {controller} had to be sent again",
    what_happened="Of {segments:count segment} with data, {lost} had to be sent again"
    "{there:if, {there} of them by the PC}{back:if, {back} of them by the controller}."
    "{sessions:if This broke {sessions:count session}.}",
    means="On a local network hardly anything gets lost. Each loss costs a fraction of a second or "
    "some seconds, and a series of them costs the session.",
    likely_causes={
        NOISE: "A cable, plug or shield is bad, or runs beside motor or welding cables.",
        "duplex": "One end of the cable is set to a fixed speed and the other is not (duplex).",
        "overload": "A switch, a radio link or the controller is overloaded.",
        "large frames": "Large frames do not fit through the way, such as a VPN.",
        LATE: "The controller acknowledges later than the PC's system waits, and nothing is lost.",
    },
    what_to_do=(
        Step("Read the counters of damaged frames and collisions at the switch ports."),
        Step(
            "Compare the times of the repeats with drives, welding and radio at the machine."
            "{at:if They came {at:list} s after the first frame.}"
        ),
        Step("Try another cable between the PC and its socket.", cautions.LINK_DROPS),
        Step("Set speed and duplex to automatic at both ends.", cautions.LINK_DROPS),
        Step(
            "Route the cable away from motor cables, or use a shielded one, earthed by local "
            "codes.",
            cautions.UNPLUG,
        ),
    ),
    evidence={
        "there": "the PC sends data again",
        "back": "{controller} sends data again",
    },
    also_fits={
        "late acknowledgements": "Where only the PC repeats: acknowledgements that come late. A "
        "recording made on the PC cannot tell; the counters at the switch do.",
    },
    looks_alike=(
        "Frames that the recorder itself lost: the data behind them was acknowledged.",
        "Frames that stand in the recording twice.",
        "Keep-alives, window probes, and segments out of order.",
        "A controller that repeats because the PC acknowledges late.",
        "Interruptions: the same segment is sent again and again, and the others pass.",
    ),
    confirm="Count damaged frames at the switch ports for an hour while the machine works, and "
    "once more while it stands still.",
    explains=(
        "path-lost",
        "request-unanswered",
        "pc-gave-up",
        "stopped-early",
    ),
    sources=("common practice, no source", "RFC 6298 section 5"),
    find=find,
)
