"""In an open session the PC's data was repeated again and again, and nothing came back for it.

The PC's system sends a segment again with growing pauses until it is acknowledged. Seen where one
was repeated three times or more and the controller sent nothing new in this session afterwards. A
warning where that happened twice or more for a second or longer, and each was acknowledged in the
end: the way breaks and comes back. Quiet where it happened once and an acknowledgement, an answer
or a reset came, where the controller had ended the session, for keep-alives and for probes of a
closed window. What the PC then tries in vain, such as new calls, is the consequence.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, Moment, Resent
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

REPEATS = 3
"""Repeats of one segment from which on a single lost frame is no explanation."""
LONG_IDLE = 60.0
"""Seconds of rest after which things in between are known to forget a session (common practice, no
source: minutes to an hour)."""
TWICE = 2
"""Breaks from which on one that healed is no single event."""
CONTROLLER_SIDE, PC_SIDE, DROPPED, ASLEEP = "controller side", "pc side", "dropped", "asleep"
LOOSE = "loose"
"""Names of these causes in the rule."""
TOO_LARGE, TOO_LATE, LARGE_ANSWERS = "too large", "too late", "large answers"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    lost = [(one, resent) for one in linkup.on_port if (resent := _in_vain(one)) is not None]
    if not lost:
        yield from _came_back(linkup)
        return
    call, resent = lost[0]
    session, again = call.session, resent.again
    heard = session.from_server.last or call.first
    alive = _alive(linkup, call, resent)
    others = linkup.pc.hardware is not None and linkup.pc.hears(again.first.seconds, float("inf"))
    rested = again.first.seconds - heard.seconds >= LONG_IDLE
    silence = linkup.silence([session.asked or again.first, *again.moments])
    likeliest, ruled_out = _whose_side(bool(alive), others, rested)
    if resent.size <= session.largest_confirmed(CLIENT):
        ruled_out.append(TOO_LARGE)
    if silence is not None and silence.is_sure:
        ruled_out.append(TOO_LATE)
    ruled_out.append(LOOSE)
    asked = [at for at in _asked(linkup) if at > again.first]
    yield Sighting(
        values={
            "port": call.port,
            "repeats": again.count,
            "size": resent.size,
            "sessions": len(lost),
            "span": again.last.seconds - again.first.seconds,
            "alive": bool(alive),
            "heard": session.from_server.last.seconds if session.from_server.last else 0.0,
            "asked": len(asked),
            "breaks": 0,
            "others": others,
            "lasts": True,
        },
        frames={
            "heard": [session.from_server.last],
            "again": again.moments,
            "alive": alive,
            "asked": asked,
            "gave_up": [call.ended],
        },
        silence=silence,
        likeliest=likeliest,
        ruled_out=ruled_out,
    )


def _came_back(linkup: LinkUp) -> Iterator[Sighting]:
    """Where data was repeated for long, again and again, and was acknowledged in the end."""
    breaks = [one.again for call in linkup.on_port for one in call.interruptions]
    if len(breaks) < TWICE:
        return
    pc, spans = linkup.pc, [(one.first.seconds, one.last.seconds) for one in breaks]
    others = pc.hardware is not None and all(pc.hears(*span) for span in spans)
    yield Sighting(
        values={
            "port": linkup.on_port[0].port,
            "repeats": max(one.count for one in breaks),
            "span": max(end - begin for begin, end in spans),
            "alive": False,
            "heard": 0.0,
            "asked": 0,
            "breaks": len(breaks),
            "others": others,
            "lasts": False,
        },
        frames={
            "again": [one.first for one in breaks],
            "taken": [one.last for one in breaks],
        },
        level=Level.WARNING,
        certainty=Certainty.FITS,
        likeliest=LOOSE if others else PC_SIDE,
        ruled_out=[
            DROPPED,
            TOO_LARGE,
            TOO_LATE,
            LARGE_ANSWERS,
            *([PC_SIDE, ASLEEP] if others else []),
        ],
    )


def _in_vain(call: Call) -> Resent | None:
    resent, server = call.stuck(CLIENT), call.session.from_server
    if resent is None or resent.again.count < REPEATS or call.ended_by_server:
        return None
    repeats_only = server.repeats.count and server.last == server.repeats.last
    still_heard = (server.last or call.first) > resent.again.first
    return None if still_heard and not repeats_only else resent


def _whose_side(alive: bool, others: bool, rested: bool) -> tuple[str, list[str]]:
    """The likeliest cause, and those ruled out: the PC's side where others are heard, the
    controller's where it is heard itself, what comes after a rest where there was none.
    """
    if alive:
        return DROPPED, [CONTROLLER_SIDE, PC_SIDE, ASLEEP]
    ruled_out = [PC_SIDE, ASLEEP] if others else []
    if rested:
        return DROPPED, ruled_out
    return CONTROLLER_SIDE if others else PC_SIDE, [*ruled_out, DROPPED]


def _alive(linkup: LinkUp, call: Call, resent: Resent) -> list[Moment]:
    """Where the controller is heard in other ways while the repeats went on."""
    calls = (
        one.session.from_server for one in (*linkup.on_port, *linkup.on_others) if one is not call
    )
    heard = [at for one in calls for at in (one.first, one.last)]
    heard += linkup.pings.replies.moments if linkup.pings else []
    return [at for at in heard if at and resent.again.first < at < resent.again.last]


def _asked(linkup: LinkUp) -> list[Moment]:
    """Where the PC asked for the controller's hardware address in vain."""
    return [at for one in linkup.questions for at in one.since_answer.moments]


RULE = Rule(
    slug="path-lost",
    stage="session",
    title="The way to {controller}{fits:if likely} broke while the session was open"
    "{alive:if, for this session alone}{breaks:if, {breaks:times}, and came back}",
    what_happened="On port {port} of {controller}, the PC repeated the same data{breaks:if in "
    "{breaks:count stall}, up to} {repeats:times}{span:within}{lasts:if, and nothing there "
    "acknowledged it}{others:if, while other frames came in}.{asked:if Nothing answered for its "
    "hardware address either.}{heard:if It was last heard there {heard:seconds} after the first "
    "frame.}{breaks:if The controller acknowledged it in the end, each time.}",
    means="TCP acknowledges data within half a second, and a busy controller somewhat later. After "
    "so many repeats, data or acknowledgements no longer get through.{alive:if The controller "
    "itself is there: it answers in other ways meanwhile.}",
    likely_causes={
        CONTROLLER_SIDE: "The controller's cable, its switch or its power went off, or the "
        "controller restarted.",
        LOOSE: "A plug at the controller or on the way is loose, or a switch there starts again.",
        PC_SIDE: "The PC's own cable, adapter or Wi-Fi dropped out: nobody else is heard either.",
        DROPPED: "A firewall, VPN or address translation in between dropped the session while it "
        "rested.",
        ASLEEP: "The PC's adapter or the switch was saving power and did not wake up in time.",
    },
    what_to_do=(
        Step("Look at the lamps of the cable at both ends, and at the switches in between."),
        Step(
            "Ask what happened on the network and at the machine{heard:if about {heard:seconds} "
            "after the first frame}{breaks:if at the times of the breaks}."
        ),
        Step("Ping the controller from the PC, and from a PC on the controller's own switch."),
        Step(
            "If it breaks after a rest: have TCP keep-alives sent more often than the shortest "
            "limit on the way. They are no requests: a watchdog still sees a program that hangs."
        ),
        Step(
            "Try another cable between the PC and its socket.",
            cautions.LINK_DROPS,
            about=PC_SIDE,
        ),
        Step(
            "Try another cable between the controller and its socket.",
            cautions.UNPLUG,
            about=CONTROLLER_SIDE,
        ),
    ),
    evidence={
        "heard": "the last that {controller} sends in this session",
        "again": "the PC sends the same data again, without an acknowledgement",
        "taken": "the PC sends it once more, and now it is acknowledged",
        "asked": "the PC asks for the hardware address of {controller} in vain{again}",
        "alive": "{controller} is heard meanwhile, in another way",
        "gave_up": "the PC gives up and ends the session",
    },
    cautions=(
        cautions.warning(
            "Nobody knows what the machine does while its PC is cut off.",
            make_safe=True,
        ),
    ),
    also_fits={
        TOO_LARGE: "Frames of this size that do not fit through the way, where smaller ones do.",
        TOO_LATE: "An acknowledgement that came after all: it is not in the recording.",
        LARGE_ANSWERS: "Answers that do not fit through the way: the acknowledgement is lost "
        "with them.",
        "controller hangs": "A controller that hangs as a whole. A recording made on the PC cannot "
        "tell.",
    },
    looks_alike=(
        "A single repeat, or once many that are acknowledged after all.",
        "A controller that acknowledges the request and gives no answer.",
        "A reset or a close by the controller.",
        "Keep-alives, and probes of a receiver that takes no data.",
        "A recording that ends too soon.",
    ),
    confirm="Record at the controller's switch port at the same time: if the repeats do not arrive "
    "there, the way is broken; if they do, it is the controller.",
    explains=("unanswered-arp", "port-silent", "request-unanswered", "stopped-early"),
    sources=("RFC 6298 section 5", "RFC 9293 sections 3.8.3 and 3.8.6.3"),
    find=find,
)
