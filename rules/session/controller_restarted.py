"""The controller restarted while a session of the PC was open.

The session ends or goes unanswered, and around that two or more signs of a fresh start are seen, of
which one is the controller's own: it checks or announces its address, asks a server for one, or its
packet numbers or its TCP clock begin anew. Shown by the last two; the others fit a replugged cable
as well. Quiet where the session goes on afterwards, where the controller closed it in order and
shows no sign later, where its packet numbers go on, and where the PC's own link came up.

Where the PC had closed its session before, as a program does that opens one for each piece of work,
it is a warning if its calls went in vain meanwhile, and a note if a counter alone tells of it.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import BootSign, Moment
from analyzer.facts.index import grouped
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import START_TAKES, Call, Calls, How, LinkUp, between
from rules import cautions

ENOUGH = 2
"""Signs that make a restart: each of them has innocent reasons (common practice, no source)."""
FIRST_PACKETS = 256
"""Packet numbers of a device that has just started counting (common practice, no source)."""
FIRST_TICKS = 300_000
"""The TCP clock ticks once in 1 ms to 1 s: so many last from 5 min to 3.5 days (RFC 7323 section
5.4)."""
EACH = 2
"""Frames shown of one kind of sign."""
INSTANT = 1e-3
"""Seconds before the controller's first sign, in which it was not heard yet."""
PROBED, ANNOUNCED = BootSign.PROBE.value, BootSign.ANNOUNCEMENT.value
REQUESTED = BootSign.ADDRESS_REQUEST.value
NUMBERS, CLOCK, ASKED, UNANSWERED = "numbers", "clock", "asked", "unanswered"
PC_CAME_UP = "pc came up"
REPLUGGED = "replugged"
"""Name of this in what would look the same."""

COUNTED = {NUMBERS, CLOCK}
"""Signs that prove it: one of the controller's counters begins anew."""
OWN = {PROBED, ANNOUNCED, REQUESTED, *COUNTED}
"""Signs that are the controller's own."""

Signs = dict[str, list[Moment]]


def find(linkup: LinkUp) -> Iterator[Sighting]:
    traces = _traces(linkup)
    broke = [one for one in linkup.on_port.opened if one.ended_by_server or one.waits]
    found = [(one, signs) for one in broke if (signs := _signs(linkup, traces, one))]
    between_sessions = [] if found else _between_sessions(linkup, traces)
    found += between_sessions
    if not found:
        return
    call, signs = found[0]
    alive, counted = _last_sign(call), COUNTED & signs.keys()
    later = linkup.on_port.after(_first(signs))
    opened = Calls(later).opened
    yield Sighting(
        values={
            "answers": call.answers,
            "signs": _kinds(signs),
            "sessions": len(found),
            "between": bool(between_sessions),
            "connected": not between_sessions,
            "pause": _heard_again(signs).seconds - alive.seconds,
            "back": opened[0].first.seconds - alive.seconds if opened else 0.0,
            "away": bool(later) and not opened,
            "hardware": linkup.hardware,
        },
        frames={**signs, "alive": [alive], "broken": [call.ended]},
        level=_level(signs) if between_sessions else None,
        certainty=Certainty.SHOWN if counted else Certainty.FITS,
        ruled_out=[REPLUGGED] if counted else [],
    )


def _between_sessions(linkup: LinkUp, traces: Signs) -> list[tuple[Call, Signs]]:
    """The last session that the PC had closed before a start, as a program does that opens one for
    each piece of work. Told where a counter proves the start, or calls went in vain meanwhile.
    """
    vain = linkup.on_port.that(How.IGNORED, How.REFUSED).sent
    for call in reversed(linkup.on_port):
        if call.answers and call.ended_by_client:
            signs = _signs(linkup, traces, call, vain)
            if signs.keys() & {*COUNTED, UNANSWERED}:
                return [(call, signs)]
    return []


def _level(signs: Signs) -> Level:
    """Of a start between two sessions: whether the PC met it."""
    return Level.WARNING if UNANSWERED in signs else Level.NOTE


def _last_sign(call: Call) -> Moment:
    """The controller's last sign of life in a session; where it closed that in order, the close."""
    closed = call.ended if call.ended_by_server and not call.broken else None
    return closed or call.session.from_server.last_data or call.first


def _signs(linkup: LinkUp, traces: Signs, call: Call, denied: Sequence[Moment] = ()) -> Signs:
    """The signs of a restart by kind, {} where they are too few or something speaks against it.

    denied: the PC's calls in vain, where it had closed the session.
    """
    alive, until = _last_sign(call), call.last.seconds + START_TAKES
    found = {key: between(moments, alive, until, EACH) for key, moments in traces.items()}
    signs = {key: moments for key, moments in found.items() if moments}
    if not signs.keys() & OWN:
        return {}
    first = _first(signs)
    pc_came_up = signs.pop(PC_CAME_UP, None)
    before = (path.ids for path in linkup.packets_back if path.first <= alive)
    goes_on = pc_came_up or any(one.goes_on(alive, first) for one in before)
    if goes_on and not COUNTED & signs.keys():
        return {}
    vain = between(denied or call.session.from_client.repeats.moments, alive, first.seconds, EACH)
    if vain and linkup.pc.hears(vain[0].seconds, first.seconds - INSTANT):
        signs[UNANSWERED] = vain
    return signs if _kinds(signs) >= ENOUGH else {}


def _first(signs: Signs) -> Moment:
    """The controller's first sign."""
    return min(signs[key][0] for key in signs.keys() & OWN)


def _heard_again(signs: Signs) -> Moment:
    """The first of all signs that a frame of the controller shows."""
    return min(moments[0] for key, moments in signs.items() if key != UNANSWERED)


def _kinds(signs: Signs) -> int:
    """How many signs there are; to check an address and to announce it is one."""
    return len(signs.keys() - ({PROBED} if ANNOUNCED in signs else set()))


def _traces(linkup: LinkUp) -> Signs:
    """All that may be a sign at some time of the recording, by kind and in order."""
    index, own = linkup.facts.index, linkup.pc.addresses
    found = [(start.sign.value, start.moment) for start in linkup.facts.boots(linkup.hardware)]
    for path in index.packets_from[linkup.controller]:
        found += [(NUMBERS, at) for at in path.ids.begins_anew(FIRST_PACKETS)]
        found += [(CLOCK, at) for at in path.stamps.begins_anew(FIRST_TICKS)]
    asked = (one for one in index.questions_as[linkup.controller] if one.wanted in own)
    found += [(ASKED, one.asked.first) for one in asked if one.broadcasts]
    found += [(PC_CAME_UP, at) for at in linkup.pc.came_up]
    return grouped(sorted(found, key=lambda one: one[1]))


RULE = Rule(
    slug="controller-restarted",
    stage="session",
    title="{controller}{fits:if likely} restarted{connected:if while the PC was connected}"
    "{between:if between two sessions of the PC}",
    what_happened="Nothing came from {controller} for {pause:seconds}, then {signs:count sign} of "
    "a fresh start followed.{back:if It opened a session again after {back:seconds} in all.}"
    "{away:if The PC called again, and no session opened.} The{connected:if open}{between:if last} "
    "session on port {port} had carried {answers:count answer}.",
    means="A controller that restarts knows no session of before. It drops what the PC still "
    "sends, and the PC has to connect again.",
    likely_causes={
        "power": "The control voltage dipped or was switched, for example by an emergency stop.",
        "by hand": "Somebody restarted the controller, changed its mode or loaded a program.",
        "watchdog": "The controller's own watchdog or a fault in its program restarted it.",
    },
    what_to_do=(
        Step("Ask what happened at the machine at the times given here: power, mode, download."),
        Step("Look in the controller's log for a start at that time, and for its reason."),
        Step(
            "Have the supply voltage of the controller watched over a longer time.",
            cautions.ELECTRICAL,
        ),
        Step(
            "Let the PC's program connect again by itself, with a growing pause.", cautions.COMMANDS
        ),
    ),
    evidence={
        "alive": "the controller's last sign of life in the session",
        UNANSWERED: "the PC sends in vain{again}",
        "broken": "the session ends",
        REQUESTED: "{hardware} asks a server for an address{again}",
        PROBED: "{hardware} checks that nobody has its address{again}",
        ANNOUNCED: "{hardware} announces its address{again}",
        ASKED: "{controller} asks for a hardware address that it knew before{again}",
        NUMBERS: "the packet numbers of {controller} begin anew{again}",
        CLOCK: "the TCP clock of {controller} begins anew{again}",
    },
    cautions=(
        cautions.warning(
            "Outputs may have changed when the controller restarted.",
            make_safe=True,
        ),
    ),
    also_fits={
        REPLUGGED: "A cable or switch on the controller's side that was off for a moment: no "
        "packet numbers and no TCP clock show whether the controller started.",
        "second device": "A second device that took the controller's address.",
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
        "lossy-path",
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
