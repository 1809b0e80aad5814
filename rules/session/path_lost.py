"""In an open session the PC's data was repeated again and again, and nothing came back for it.

The PC's system sends a segment again with growing pauses until it is acknowledged. Seen where one
was repeated three times or more and the controller sent nothing new in this session afterwards.
Repeats that no answer could be recorded to any more do not count; where the recording ends on one,
it only fits. Quiet where an acknowledgement, an answer or a reset came, where the controller had
ended the session, for keep-alives and for probes of a closed window. What the PC then tries in
vain, such as new calls, is the consequence.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, Facts, Moment, Resent, Session
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, LinkUp
from rules import cautions

REPEATS = 3
"""Repeats of one segment from which on a single lost frame is no explanation."""
MOST_ALIVE = 2
"""Frames shown in which the controller is heard in other ways: as many as prove it."""
LONG_IDLE = 60.0
"""Seconds of rest after which things in between are known to forget a session (common practice, no
source: minutes to an hour)."""
CONTROLLER_SIDE, PC_SIDE, FORGOTTEN, ASLEEP = "controller side", "pc side", "forgotten", "asleep"
"""Names of these causes in the rule."""
TOO_LARGE, TOO_EARLY = "too large", "too early"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    lost = [
        (session, resent)
        for session in linkup.sessions
        if (resent := _in_vain(session)) is not None
        and len(_heard_out(resent, linkup.facts)) >= REPEATS
    ]
    if not lost:
        return
    session, resent = lost[0]
    heard = session.from_server.last
    alive = _alive(linkup, session, resent)
    since = resent.again.first
    counted = _heard_out(resent, linkup.facts)
    ends_on_one = linkup.facts.heard_after(resent.again.last) < LISTEN_AFTER
    asked = [at for one in linkup.questions for at in one.since_answer.moments if at > since]
    ends = [end.moment for end in session.closing if end.side == CLIENT]
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": session.server.port,
            "repeats": resent.again.count,
            "size": resent.size,
            "sessions": len(lost),
            "span": resent.again.last.seconds - resent.again.first.seconds,
            "alive": bool(alive),
        },
        frames={
            "heard": [heard] if heard else [],
            "again": resent.again.moments,
            "alive": alive[:MOST_ALIVE],
            "asked": sorted(asked),
            "gave_up": ends[:1],
        },
        certainty=Certainty.FITS if ends_on_one else Certainty.SHOWN,
        silence=linkup.silence(
            [session.asked or resent.again.first, *resent.again.moments], 1 + resent.again.count
        ),
        likeliest=_likeliest(linkup, session, since, alive),
        excluded=_excluded(linkup, session, since, alive),
        also_excluded=_also_excluded(session, resent, ends_on_one),
    )


def _in_vain(session: Session) -> Resent | None:
    resent = session.stuck(CLIENT)
    if resent is None or resent.again.count < REPEATS or not session.is_open:
        return None
    server = session.from_server
    repeats_only = bool(server.repeats.count) and server.last == server.repeats.last
    still_heard = server.last is not None and server.last > resent.again.first
    return None if session.server_ended or (still_heard and not repeats_only) else resent


def _heard_out(resent: Resent, facts: Facts) -> list[Moment]:
    """The repeats that an answer to could have been recorded."""
    return [one for one in resent.again.moments if facts.heard_after(one) >= LISTEN_AFTER]


def _likeliest(linkup: LinkUp, session: Session, since: Moment, alive: list[Moment]) -> str:
    """Whose side it was, by who else was heard since then."""
    if alive or _rested(session, since):
        return FORGOTTEN
    return CONTROLLER_SIDE if _others_are_heard(linkup, since) else PC_SIDE


def _excluded(linkup: LinkUp, session: Session, since: Moment, alive: list[Moment]) -> list[str]:
    """The PC's side where others are heard, the controller's where it is heard itself, what comes
    after a rest where there was none.
    """
    if alive:
        return [CONTROLLER_SIDE, PC_SIDE, ASLEEP]
    found = [PC_SIDE, ASLEEP] if _others_are_heard(linkup, since) else []
    return found if _rested(session, since) else [*found, FORGOTTEN]


def _also_excluded(session: Session, resent: Resent, ends_on_one: bool) -> list[str]:
    fits_through = resent.size <= session.largest_confirmed(CLIENT)
    return [TOO_LARGE] * fits_through + [TOO_EARLY] * (not ends_on_one)


def _alive(linkup: LinkUp, session: Session, resent: Resent) -> list[Moment]:
    """Where the controller is heard in other ways while the repeats went on."""
    heard = list(linkup.pings.replies.moments) if linkup.pings else []
    for one in (*linkup.sessions, *linkup.other_sessions):
        server = one.from_server
        if one is not session and server.frames:
            heard += [at for at in (server.first, one.answered, server.last) if at is not None]
    return sorted(at for at in heard if resent.again.first < at < resent.again.last)


def _rested(session: Session, since: Moment) -> bool:
    last = session.from_server.last
    return last is not None and since.seconds - last.seconds >= LONG_IDLE


def _others_are_heard(linkup: LinkUp, since: Moment) -> bool:
    others = [one for one in linkup.facts.stations if one.hardware != linkup.pc.hardware]
    return any(one.last > since for one in others)


RULE = Rule(
    slug="path-lost",
    stage="session",
    title="The way to {controller}{fits:if likely} broke while the session was open"
    "{alive:if, for this session alone}",
    what_happened="The PC repeated the same data {repeats:times}{span:within}, for {controller} on "
    "port {port}. Nothing in that session acknowledged it.",
    means="A working controller acknowledges at once, even when it is busy. Data or "
    "acknowledgements no longer get through.{alive:if The controller itself is there: it answers "
    "in other ways meanwhile.}",
    likely_causes={
        CONTROLLER_SIDE: "The controller's cable, its switch or its power went off, or the controller restarted.",
        PC_SIDE: "The PC's own cable, adapter or Wi-Fi dropped out: nobody else is heard either.",
        FORGOTTEN: "A firewall, VPN or address translation in between dropped the session while it rested.",
        ASLEEP: "The PC's adapter or the switch was saving power and did not wake up in time.",
    },
    what_to_do=(
        Step("Look at the lamps of the cable at both ends, and at the switches in between."),
        Step("Ask what happened on the network and at the machine at that clock time."),
        Step("Ping the controller from the PC, and from a PC on the controller's own switch."),
        Step("If it breaks after a rest: have the program ask more often than the shortest limit."),
        Step("Try another cable.", cautions.UNPLUG),
    ),
    evidence={
        "heard": "the last that {controller} sends in this session",
        "again": "the PC sends the same data again, without an acknowledgement",
        "asked": "the PC asks for the hardware address of {controller} in vain{again}",
        "alive": "{controller} is heard meanwhile, in another way",
        "gave_up": "the PC gives up and ends the session",
    },
    cautions=(
        "Nobody knows what the machine does while its PC is cut off. Have it made safe before "
        "anybody works at it.",
    ),
    also_fits={
        TOO_LARGE: "Frames of this size that do not fit through the way, where smaller ones do.",
        TOO_EARLY: "An acknowledgement that came after all: the recording ends soon after the last repeat.",
        "answers-do-fit": "Answers that do not fit through the way: the acknowledgement is lost with them.",
        "controller-hangs-whole": "A controller that hangs as a whole. A recording made on the PC cannot tell.",
    },
    looks_alike=(
        "A single repeat, or one that is acknowledged after all.",
        "A controller that acknowledges the request and gives no answer.",
        "A reset or a close by the controller.",
        "Keep-alives, and probes of a receiver that takes no data.",
        "A recording that ends too soon.",
    ),
    confirm="Record at the controller's switch port at the same time: if the repeats do not arrive "
    "there, the way is broken; if they do, it is the controller.",
    explains=("unanswered-arp", "port-silent", "request-unanswered", "stopped-early"),
    sources=("RFC 6298 section 5", "RFC 9293 section 3.8.3"),
    find=find,
)
