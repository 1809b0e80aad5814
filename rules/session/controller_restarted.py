"""The controller restarted while a session of the PC was open.

The session ends or goes unanswered, and around that two or more signs of a fresh start are seen, of
which one is the controller's own: it checks or announces its address, asks a server for one, or its
packet numbers or its TCP clock begin anew. Shown by the last two; the others fit a replugged cable
as well. Quiet where the session goes on afterwards, where the controller closed it in order and
shows no sign later, where its packet numbers go on, and where the PC's own link came up.
"""

from collections.abc import Iterator

from analyzer.facts import BootSign, Moment, Session
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

ENOUGH = 2
"""Signs that make a restart (ground rule on restarts)."""
START_TAKES = 120.0
"""Seconds that a controller takes to start, at most (common practice, no source)."""
FIRST_PACKETS = 256
"""Packet numbers of a device that has just started counting (common practice, no source)."""
ALREADY_SENT = 16
"""Packets that may overtake each other: a number that falls by less says nothing."""
FIRST_TICKS = 300_000
"""The TCP clock ticks once in 1 ms to 1 s (RFC 7323 5.4): this is 5 min at most."""
PROBED, ANNOUNCED = BootSign.PROBE.value, BootSign.ANNOUNCEMENT.value
REPLUGGED = "replugged"
"""Name of this in what would look the same."""
REQUESTED = BootSign.ADDRESS_REQUEST.value

Signs = dict[str, list[Moment]]


def find(linkup: LinkUp) -> Iterator[Sighting]:
    found = [
        (session, alive, signs)
        for session in linkup.sessions
        if (alive := _broke(session)) is not None and (signs := _signs(linkup, session, alive))
    ]
    if not found:
        return
    session, alive, signs = found[0]
    first = min(moment for key in signs if key != "unanswered" for moment in signs[key])
    counted = "numbers" in signs or "clock" in signs
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": session.server.port,
            "answers": session.answers,
            "signs": _kinds(signs),
            "sessions": len(found),
            "pause": first.seconds - alive.seconds,
            "hardware": linkup.hardware,
        },
        frames={
            **{key: moments[:2] for key, moments in signs.items()},
            "alive": [alive],
            "broken": [end.moment for end in session.closing[:1]],
        },
        certainty=Certainty.SHOWN if counted else Certainty.FITS,
        also_excluded=[REPLUGGED] if counted else [],
    )


def _broke(session: Session) -> Moment | None:
    """The controller's last sign of life in a session that it dropped or left unanswered; where it
    closed the session in order, that is the close.
    """
    if not session.is_open:
        return None
    side = session.from_server
    alive = max(
        one for one in (session.syn_ack, session.answered, side.last_data, session.first) if one
    )
    if session.server_ended:
        end = session.closing[0]
        return alive if end.reset else end.moment
    return alive if session.is_waiting else None


def _signs(linkup: LinkUp, session: Session, alive: Moment) -> Signs:
    """The signs of a restart by kind, {} where they are too few or something speaks against it."""
    broken = session.closing[0].moment if session.closing else session.last
    begin, end = alive.seconds, max(broken.seconds, session.last.seconds) + START_TAKES
    own = _counters(linkup, begin, end)
    for start in linkup.facts.boots(linkup.hardware):
        if begin < start.moment.seconds <= end:
            own.setdefault(start.sign.value, []).append(start.moment)
    if not own:
        return {}
    first = min(moment for moments in own.values() for moment in moments)
    counted = "numbers" in own or "clock" in own
    if not counted and (_goes_on_counting(linkup, alive, first) or _pc_came_up(linkup, begin, end)):
        return {}
    signs = {**own, "asked": _asked(linkup, begin, end)}
    signs["unanswered"] = _unanswered(linkup, session, alive, first)
    signs = {key: moments for key, moments in signs.items() if moments}
    return signs if _kinds(signs) >= ENOUGH else {}


def _kinds(signs: Signs) -> int:
    """How many signs there are; to check an address and to announce it is one."""
    return len(signs.keys() - ({PROBED} if ANNOUNCED in signs else set()))


def _counters(linkup: LinkUp, begin: float, end: float) -> Signs:
    """Packet numbers and TCP clocks of the controller that begin anew."""
    signs: Signs = {}
    for path in linkup.facts.paths:
        if path.src_ip != linkup.controller:
            continue
        for key, counter, low in (
            ("numbers", path.ids, FIRST_PACKETS),
            ("clock", path.stamps, FIRST_TICKS),
        ):
            for jump in counter.jumps if counter.is_regular else []:
                fell = jump.after < low and jump.before - jump.after > ALREADY_SENT
                if fell and begin < jump.moment.seconds <= end:
                    signs.setdefault(key, []).append(jump.moment)
    return signs


def _goes_on_counting(linkup: LinkUp, alive: Moment, first: Moment) -> bool:
    """Whether the controller's packet numbers go on over the signs."""
    return any(
        path.src_ip == linkup.controller
        and path.ids.is_regular
        and path.first <= alive
        and path.ids.last is not None
        and path.ids.last > first
        and not any(jump.moment > alive for jump in path.ids.jumps)
        for path in linkup.facts.paths
    )


def _pc_came_up(linkup: LinkUp, begin: float, end: float) -> bool:
    """Whether the PC's own link came up: then the break may be on its side."""
    starts = linkup.facts.boots(linkup.pc.hardware)
    return any(begin < one.moment.seconds <= end for one in starts)


def _asked(linkup: LinkUp, begin: float, end: float) -> list[Moment]:
    """Where the controller asked for the PC or a router for the first time."""
    facts = linkup.facts
    routers = {one.hardware for one in facts.stations if one.is_router}
    wanted = set(linkup.pc.addresses)
    wanted |= {at for at, claims in facts.arp.claims.items() if routers & set(claims.counts)}
    return [
        one.asked.first
        for one in facts.arp.questions.values()
        if one.asker == linkup.hardware
        and one.broadcasts
        and one.wanted in wanted
        and begin < one.asked.first.seconds <= end
    ]


def _unanswered(linkup: LinkUp, session: Session, alive: Moment, first: Moment) -> list[Moment]:
    """What the PC sent in vain before the first sign, while others were heard."""
    moments = session.from_client.repeats.moments
    moments += [at for one in linkup.sessions if one.is_silent for at in one.syns.moments]
    moments += [at for one in linkup.questions for at in one.asked.moments]
    before = sorted(moment for moment in moments if alive < moment < first)
    known = (linkup.pc.hardware, linkup.hardware)
    others = [one for one in linkup.facts.stations if one.hardware not in known]
    heard = [one for one in others if one.presence.within(alive.seconds, first.seconds)]
    return before if heard or not others else []


RULE = Rule(
    slug="controller-restarted",
    stage="session",
    title="{controller}{fits:if likely} restarted while the PC was connected",
    what_happened="The open session on port {port} had carried {answers:count answer}. Then "
    "nothing came from {controller} for {pause:seconds}, and {signs:count sign} of a fresh start "
    "followed.",
    means="A controller that restarts knows no session of before. It drops what the PC still "
    "sends, and the PC has to connect again.",
    likely_causes={
        "control-voltage-dipped": "The control voltage dipped or was switched, for example by an emergency stop.",
        "somebody-restarted-controller": "Somebody restarted the controller, changed its mode or loaded a program.",
        "controller-s-own": "The controller's own watchdog or a fault in its program restarted it.",
    },
    what_to_do=(
        Step("Ask what happened at the machine at that clock time: power, mode, download."),
        Step("Look in the controller's log for a start at that time, and for its reason."),
        Step("Have the supply voltage of the controller watched over a longer time."),
        Step(
            "Let the PC's program connect again by itself, with a growing pause.", cautions.COMMANDS
        ),
    ),
    evidence={
        "alive": "the controller's last sign of life in the session",
        "unanswered": "the PC sends in vain{again}",
        "broken": "the session ends",
        REQUESTED: "{hardware} asks a server for an address{again}",
        PROBED: "{hardware} checks that nobody has its address{again}",
        ANNOUNCED: "{hardware} announces its address{again}",
        "asked": "{controller} asks for a hardware address that it knew before{again}",
        "numbers": "the packet numbers of {controller} begin anew{again}",
        "clock": "the TCP clock of {controller} begins anew{again}",
    },
    cautions=(
        "Outputs may have changed when the controller restarted. Before anybody works at the "
        "machine, have it made safe and locked out by those authorised.",
    ),
    also_fits={
        REPLUGGED: "A cable or switch on the controller's side that was off for a moment: no packet numbers "
        "and no TCP clock show whether the controller started.",
        "second-device-took": "A second device that took the controller's address.",
    },
    looks_alike=(
        "A cable that was unplugged for a moment: the session or the packet numbers go on.",
        "The PC's own link that came up again.",
        "A controller that announces its address from time to time.",
        "A change of mode or a download: all sessions end, and no sign of a start follows.",
    ),
    confirm="Compare the clock time of the first sign with the controller's own log.",
    explains=(
        "arp-silent-controller",
        "port-refused",
        "port-silent",
        "session-reset",
        "request-unanswered",
        "half-open-session",
        "session-limit",
        "path-lost",
        "session-closed",
        "pc-gave-up",
        "idle-close",
    ),
    sources=(
        "RFC 9293 section 3.10.7.1 (a restarted end answers old sessions with a reset)",
        "RFC 5227 section 2.3, RFC 2131 section 3.1",
        "RFC 791 section 3.1 and RFC 7323 section 5.4",
    ),
    find=find,
)
