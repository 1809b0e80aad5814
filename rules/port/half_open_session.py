"""One end still holds a session that the other end has given up.

Lasting: the controller answers a call with a plain acknowledgement of older numbers, and does not
accept the call or its repeats. Only a note where it accepts in the end; where it resets data of a
session from before the recording and the PC gets its answer in a new one; and where it sends old
data to a socket that the PC does not know any more. Quiet where the acknowledgement belongs to the
call itself and only the acceptance is missing in the recording.
"""

from collections.abc import Iterator

from analyzer.facts import CLIENT, SERVER, Moment
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Call, Calls, How, LinkUp
from rules import cautions

CUT_OFF, FIREWALL_ON_PC, RESTARTED = "cut off", "firewall on pc", "restarted"
"""Names of these causes in the rule."""
MOST_PORTS = 3
"""Ports of the PC named in a sentence."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    odd = Calls(one for one in linkup.calls if one.odd_answers)
    lasts = bool(odd) and not _settled_after(linkup, odd[-1].odd_answers[0])
    unknown = [] if lasts else [one for one in linkup.on_port if _pc_held(linkup, one)]
    old_data = [one for one in linkup.on_port if _controller_held(one)]
    if not (odd or unknown or old_data):
        return
    cleared = [moment for one in odd for moment in one.cleared]
    swallowed = bool(odd) and not cleared
    by_controller = bool(odd or old_data)
    ruled_out = {FIREWALL_ON_PC: not swallowed, RESTARTED: not unknown}
    yield Sighting(
        values={
            "odd": len(odd),
            "repeats": odd.sent_in_all - len(odd) if lasts else 0,
            "swallowed": swallowed,
            "unknown": len(unknown),
            "old_data": len(old_data),
            "lasts": lasts,
            "over": not lasts,
            "by_controller": by_controller,
            "by_pc": not by_controller,
            "own_ports": sorted({one.session.client.port for one in [*odd, *old_data]})[
                :MOST_PORTS
            ],
        },
        frames={
            "odd": [moment for one in odd for moment in one.odd_answers],
            "call": odd.sent if lasts else odd.firsts,
            "cleared": cleared,
            "unknown": [one.session.from_server.first for one in unknown],
            "old_data": [one.session.from_server.first for one in old_data],
        },
        level=Level.FAULT if lasts else Level.NOTE,
        silence=linkup.silence(odd.sent, odd.sent_in_all, arrived=True) if lasts else None,
        likeliest=FIREWALL_ON_PC if swallowed else CUT_OFF,
        ruled_out=[name for name, is_out in ruled_out.items() if is_out],
    )


def _settled_after(linkup: LinkUp, moment: Moment) -> bool:
    """Whether the port took or refused a call after all."""
    refusals = linkup.calls.that(How.REFUSED).ends
    return linkup.calls.opened_after(moment) or any(at > moment for at in refusals)


def _pc_held(linkup: LinkUp, call: Call) -> bool:
    """Whether the PC used a session that the controller did not know, and a new one works."""
    heard = call.session.from_server.frames > 0
    return heard and call.is_unknown_to(SERVER) and linkup.answers_after(call.last)


def _controller_held(call: Call) -> bool:
    """Whether the controller sent data to a socket that the PC only resets, or ignores."""
    server, answered = call.session.from_server, call.session.from_client.frames > 0
    sends = server.octets > 0 and (answered or server.repeats.count > 0)
    return sends and call.is_unknown_to(CLIENT)


RULE = Rule(
    slug="half-open-session",
    stage="port",
    title="An old session on port {port} of {controller}{lasts:if is}{over:if was} still open"
    "{by_controller:if at the controller, and not at the PC}{by_pc:if at the PC, and not at the "
    "controller}",
    what_happened="{odd:if {controller} answered {odd:count call} with numbers of an older "
    "session.}{repeats:if The PC repeated its call {repeats:times}, in vain.}{unknown:if The PC "
    "used {unknown:count session} that {controller} did not know any more.}{old_data:if "
    "{controller} sent data in {old_data:count session} that the PC did not know any more.}",
    means="An old session is kept until a time limit passes or a reset arrives."
    "{by_controller:if Here the PC's end of it went away without a close, and the controller did "
    "not notice.}{by_pc:if Here the controller's end of it went away without a close, and the PC "
    "did not notice.}",
    likely_causes={
        CUT_OFF: "The cable was pulled, the PC slept or was restarted, or a program ended while "
        "the cable was out.",
        FIREWALL_ON_PC: "A firewall on the PC swallows the odd answer, so the PC never sends the "
        "reset that "
        "would clear the old session.",
        RESTARTED: "The controller or its network module was switched off and on again.",
    },
    what_to_do=(
        Step(
            "Wait as long as the controller's time limit for sessions, then try once more. Where "
            "it is not known, that is from 1 min to 2 h.",
            cautions.COMMANDS,
        ),
        Step(
            "{by_controller:if Look in the controller's list of sessions for one of this PC, from "
            "its TCP port {own_ports:list}.}"
        ),
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
        Step(
            "{by_controller:if Have the old session closed in the controller.}",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "call": "the PC calls port {port}{again}",
        "odd": "{controller} confirms numbers of an older session{again}",
        "cleared": "the PC says that it knows no such session{again}",
        "unknown": "{controller} says that it knows no such session{again}",
        "old_data": "{controller} sends data of a session that the PC does not know{again}",
    },
    cautions=(
        cautions.warning(
            "The controller may still act on the old session's last command. Keep people "
            "clear until its state is known.",
        ),
    ),
    also_fits={
        "second pc": "A second PC behind the same router that uses the same port.",
        "device on the way": "A device on the way that keeps the old session in its table.",
    },
    looks_alike=(
        "An old session that the PC's reset clears: the next call is accepted. Only a note.",
        "A plain confirmation of the call itself, where the recording lacks the acceptance.",
        "Plain confirmations inside an open session.",
    ),
    confirm="Call from another PC: if it is accepted at once, the old session is in the way.",
    confirm_caution=cautions.COMMANDS,
    explains=(
        "late-start",
        "session-reset",
    ),
    sources=(
        "RFC 9293 section 3.5.1 (half-open sessions, figures 9 and 10)",
        "RFC 9293 section 3.8.4 (keep-alives after 2 h by default)",
        "1 min: common practice, no source",
    ),
    find=find,
)
