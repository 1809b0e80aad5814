"""One end still holds a session that the other end has given up.

Lasting: the controller answers a call with a plain acknowledgement of older numbers, and does not
accept the call or its repeats. Only a note where it accepts in the end; where it resets data of a
session from before the recording and the PC gets its answer in a new one; and where it sends old
data to a socket that the PC does not know any more. Quiet where the acknowledgement belongs to the
call itself and only the acceptance is missing in the recording.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, SERVER, Moment, Session
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp, silence
from rules import cautions

CUT_OFF, FIREWALL_ON_PC = "cut off", "firewall on pc"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    odd = [one for one in linkup.called if one.held_over]
    lasts = bool(odd) and not _accepted(linkup, odd[-1])
    unknown = [] if lasts else [one for one in linkup.sessions if _pc_held(linkup, one)]
    old_data = [one for one in linkup.sessions if _controller_held(one)]
    sessions = odd or unknown or old_data
    if not sessions:
        return
    calls = [moment for one in odd for moment in one.syns.moments]
    cleared = [end.moment for one in odd for end in one.ends if end.side == CLIENT]
    swallowed = bool(odd) and not cleared
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": sessions[0].server.port,
            "odd": len(odd),
            "repeats": len(calls) - len(odd) if lasts else 0,
            "swallowed": swallowed,
            "unknown": len(unknown),
            "old_data": len(old_data),
        },
        frames={
            "odd": [moment for one in odd for moment in _odd_answers(one)],
            "call": calls if lasts else [one.syns.first for one in odd],
            "cleared": cleared,
            "unknown": [one.ends[0].moment for one in unknown],
            "old_data": _first_heard(old_data),
        },
        level=Level.FAULT if lasts else Level.NOTE,
        silence=silence(calls, linkup.facts) if lasts else None,
        likeliest=FIREWALL_ON_PC if swallowed else CUT_OFF,
        excluded=[] if swallowed else [FIREWALL_ON_PC],
    )


def _odd_answers(session: Session) -> list[Moment]:
    """The first answer with numbers of an older session, and the last where no other ones came."""
    heard = session.from_server
    ended = any(end.side == SERVER for end in session.ends)
    only_odd = session.syn_ack is None and not heard.octets and not ended
    moments = [session.held_over, heard.last if only_odd else None]
    return list(dict.fromkeys(moment for moment in moments if moment is not None))


def _accepted(linkup: LinkUp, held: Session) -> bool:
    """Whether the port took or refused a call after all."""
    odd = held.held_over
    return any(
        (one.is_open and one.last > odd) or (one.refused is not None and one.refused.moment > odd)
        for one in linkup.called
        if odd is not None
    )


def _pc_held(linkup: LinkUp, session: Session) -> bool:
    """Whether the PC used a session from before, the controller did not know it, and a new one
    was answered.
    """
    if session.syns.count or not session.ends or session.ends[0].side != SERVER:
        return False
    used = session.from_client.first is not None and session.from_server.frames > 0
    unknown = session.only_reset(SERVER) and not session.only_reset(CLIENT)
    return used and unknown and linkup.answers_after(session.last)


def _controller_held(session: Session) -> bool:
    """Whether the controller sent data to a socket that the PC only resets, or ignores."""
    sends = session.from_server.octets and not session.syns.count
    ignored = session.from_client.frames or session.from_server.repeats.count
    return bool(sends and ignored) and session.only_reset(CLIENT)


def _first_heard(sessions: list[Session]) -> list[Moment]:
    return [one.from_server.first for one in sessions if one.from_server.first]


RULE = Rule(
    slug="half-open-session",
    stage="port",
    title="One end still holds an old session on port {port} of {controller}",
    what_happened="The two ends do not agree on which sessions are open."
    "{odd:if {controller} answered {odd:count call} with older numbers in place of an acceptance.}"
    "{repeats:if The PC repeated that {repeats:times}, in vain.}"
    "{unknown:if {controller} did not know {unknown:count session} of the PC any more.}"
    "{old_data:if The PC did not know {old_data:count session} of {controller} any more.}",
    means="One end was cut off and came back, and the other end did not notice. It holds on to "
    "the old session until a time limit passes or a reset arrives.",
    likely_causes={
        CUT_OFF: "The cable was pulled, the PC slept, or a program ended while the cable was out.",
        FIREWALL_ON_PC: "A firewall on the PC swallows the odd answer, so the PC never sends the reset that "
        "would clear the old session.",
        "controller-network-module": "The controller or its network module was switched off and on again.",
    },
    what_to_do=(
        Step(
            "Wait as long as the controller's time limit for sessions, then try once more.",
            cautions.COMMANDS,
        ),
        Step("Look in the controller's list of sessions for one of this PC."),
        Step(
            "{swallowed:if Look whether a firewall on the PC drops answers that belong to no open "
            "session, and have it let those of {controller} through.}",
            cautions.FIREWALL,
        ),
        Step("Let the program choose a new port of the PC for each call."),
        Step("Have keep-alive switched on at both ends, so that a dead session is noticed."),
        Step(
            "Before the cable is pulled again, have the program close its session.",
            cautions.UNPLUG,
        ),
        Step("Have the old session closed in the controller.", cautions.OTHERS_SESSION),
    ),
    evidence={
        "call": "the PC calls port {port}{again}",
        "odd": "{controller} confirms numbers of an older session{again}",
        "cleared": "the PC says that it knows no such session{again}",
        "unknown": "{controller} says that it knows no such session{again}",
        "old_data": "{controller} sends data of a session that the PC does not know{again}",
    },
    cautions=(
        "The controller may still act on the last command of the old session. Keep people clear "
        "of the machine until its state is known.",
    ),
    also_fits={
        "second-pc-behind": "A second PC behind the same router that uses the same port.",
        "device-way-keeps": "A device on the way that keeps the old session in its table.",
    },
    looks_alike=(
        "An old session that the PC's reset clears: the next call is accepted. Only a note.",
        "A plain confirmation of the call itself, where the recording lacks the acceptance.",
        "Plain confirmations inside an open session.",
    ),
    confirm="Call from another PC: if it is accepted at once, the old session is in the way.",
    confirm_caution=cautions.COMMANDS,
    explains=("session-reset",),
    sources=("RFC 9293 section 3.5.1 (half-open sessions, figures 9 and 10)",),
    find=find,
)
