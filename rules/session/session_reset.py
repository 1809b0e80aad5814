"""The controller broke an open session with a reset while the PC still wanted it.

Wanted: a request was open, no answer had come at all, the PC was in the midst of its work, or it
called again within a minute without the controller having just answered. A warning where the PC
had only come to rest and never called again, a note where it had rested for long. Quiet where
somebody had closed the session in order before; where the PC itself sent the reset; for controllers
that close after every answer; and where a session was broken without any answer and another one is
answered later: then the link-up came up in the end.
"""

from bisect import bisect_right
from collections.abc import Iterator

from analyzer.facts import Moment
from analyzer.findings import Factor, Level, Rule, Sighting, Step
from analyzer.linkup import AT_ONCE, LONG_IDLE, Call, Calls, LinkUp
from rules import cautions

PC_SLEPT, RESTART, OTHERS, BAD_REQUEST, TIME_LIMIT, FIREWALL, LIFETIME = (
    "pc slept",
    "restart",
    "others",
    "bad request",
    "time limit",
    "firewall",
    "lifetime",
)
"""Names of these causes in the rule."""
SLEPT, WAKING, SEVERAL = 60.0, 30.0, 3
"""Seconds without any frame, where so many stations were heard before, from which on the PC slept
or its adapter was off; seconds within which it is back at work (common practice, no source)."""
AGAIN, BACK = 3, 3.0
"""Times, and seconds after a reset: a port that opens again so soon, so often, is none of a
controller that starts or is loaded (common practice, no source)."""
NO_REST = 1.0
"""Seconds of quiet that no time limit is as short as (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    wanted = [one for one in linkup.on_port if one.wanted]
    broken = Calls(one for one in wanted or linkup.on_port.not_taken_up if one.broken)
    if not broken:
        return
    first = broken[0]
    nearer = linkup.router is not None and first.ended_from_nearer
    before = _was_answered_before(linkup, first)
    at_once = _opens_at_once(linkup, broken)
    ruled_out = [BAD_REQUEST] if before or not first.ended_on_request else []
    slept = _slept(linkup, broken)
    ruled_out += [RESTART] if at_once else []
    yield Sighting(
        values={
            "port": first.port,
            "sessions": len(broken),
            "answers": first.answers,
            "idle": first.idle,
            "several": len(broken) > 1,
            "data": first.had_data,
            "no_data": not first.had_data,
            "nearer": nearer,
            "left": not first.wanted,
            "slept": slept,
            "awake": not slept,
            "ttl": first.end and first.end.ttl,
            "usual_ttl": first.session.from_server.first_ttl,
        },
        frames={"reset": broken.ends, "data": broken.asks},
        level=None if first.wanted else Level.NOTE if first.idle >= LONG_IDLE else Level.WARNING,
        likeliest=PC_SLEPT if slept else FIREWALL if nearer else _likeliest(first, before, at_once),
        ruled_out=[
            *ruled_out,
            *([] if _rest(first) >= NO_REST else [TIME_LIMIT]),
            *([RESTART, OTHERS, BAD_REQUEST] if slept else [PC_SLEPT]),
        ],
    )


def _opens_at_once(linkup: LinkUp, broken: Calls) -> bool:
    """Whether the port opened again and again sooner than a controller starts; the last time may
    lie at the end of the recording.
    """
    back = sum(linkup.on_port.opened.within(at, BACK) for at in broken.ends)
    return back >= AGAIN and back >= len(broken) - 1


def _likeliest(call: Call, answered_before: bool, at_once: bool) -> str:
    if _rest(call) >= LONG_IDLE:
        return TIME_LIMIT
    knew = not (call.end and call.end.bare) or not call.answers  # RFC 9293 3.10.7.1
    if not _answers_request(call) or not knew:
        return OTHERS if at_once else RESTART
    return OTHERS if answered_before else BAD_REQUEST


def _slept(linkup: LinkUp, broken: Calls) -> float:
    """Seconds for which nobody at all was heard before the request that brought the first reset; 0
    where that is not so of each of them, or where few were heard before.
    """
    silences = [one for one in linkup.facts.starts.silences if _seconds(one) >= SLEPT]
    ends = [behind.seconds for _, behind in silences]
    found = []
    for call in broken:
        asked = call.session.asked
        place = bisect_right(ends, asked.seconds) - 1 if asked is not None else -1
        if asked is None or place < 0 or _rest(call) < SLEPT:
            return 0.0
        if asked.seconds - ends[place] > WAKING:
            return 0.0
        found.append(silences[place])
    began = found[0][0].seconds
    heard = (one.presence.within(began - SLEPT, began) for one in linkup.facts.stations)
    return _seconds(found[0]) if sum(heard) >= SEVERAL else 0.0


def _seconds(silence: tuple[Moment, Moment]) -> float:
    before, behind = silence
    return behind.seconds - before.seconds


def _answers_request(call: Call) -> bool:
    """Whether the reset came at once on a request."""
    return call.ended_on_request and call.idle < AT_ONCE


def _rest(call: Call) -> float:
    """Seconds without data until the reset, or until the request that it answers at once."""
    asked, answered = call.session.asked, call.last_answer
    if not _answers_request(call) or asked is None or answered is None:
        return call.idle
    return max(call.idle, asked.seconds - answered.seconds)


def _was_answered_before(linkup: LinkUp, call: Call) -> bool:
    """Whether another session that began with the same octets had got an answer: where a later one
    gets it, this one was not wanted.
    """
    first = call.session.from_client.first_data
    answered = (one.session.from_client.first_data for one in linkup.on_port if one.answers)
    begun = [one.octets for one in answered if one]
    return not call.answers and first is not None and first.octets in begun


RULE = Rule(
    slug="session-reset",
    stage="session",
    title="{controller}{awake:if broke the session}{slept:if had dropped the session while the PC "
    "was silent for {slept:seconds}}",
    what_happened="{controller} ended {sessions:count session} on port {port} with a TCP reset. "
    "The{several:if first} reset came {idle:seconds} after{data:if the last data, when the session "
    "had carried {answers:count answer}}{no_data:if the opening}.{left:if The PC did not call "
    "again.}{nearer:if Its time to live is {ttl}, that of the controller's first packet "
    "{usual_ttl}: as of a nearer sender.}",
    means="A reset is not a loss on the cable. The controller, or something that answers in its "
    "name, dropped the session.",
    likely_causes={
        PC_SLEPT: "The PC slept, or its adapter was off: by then the controller had dropped the "
        "session.",
        RESTART: "The controller restarted or changed its mode, or a program was loaded into it.",
        OTHERS: "Another client took the session, and the controller allows only so many.",
        BAD_REQUEST: "The controller could not use the request, and dropped the session instead of "
        "answering.",
        TIME_LIMIT: "A time limit of the controller passed without a request.",
        FIREWALL: "A firewall on the way no longer knew the session and answered in the "
        "controller's name.",
        LIFETIME: "The controller ends each session after a set time or number of requests.",
    },
    what_to_do=(
        Step(
            "Keep the PC and its adapter awake (power saving), and see whether it still breaks.",
            about=PC_SLEPT,
        ),
        Step(
            "Ask what happened at the machine at the times given here: power, mode, download.",
            about=RESTART,
        ),
        Step("Look in the controller's log and its list of sessions."),
        Step(
            "Compare protocol, unit number and settings of the program with the manual.",
            about=BAD_REQUEST,
        ),
        Step(
            "Ask who else is connected, and have one program closed for a test.",
            cautions.OTHERS_SESSION,
            about=OTHERS,
        ),
    ),
    evidence={
        "data": "the PC's last request in that session{again}",
        "reset": "{controller} ends the session with a reset{again}",
    },
    cautions=(
        cautions.warning(
            "Outputs may have changed when the session broke.",
            make_safe=True,
        ),
    ),
    also_fits={
        "second device": "A second device with the controller's address that knows no such "
        "session.",
    },
    looks_alike=(
        "A reset behind an orderly close: the session was over already.",
        "A reset sent by the PC's own program when it ends.",
        "A controller that closes the session right after each answer, by design.",
        "A first try that is dropped without an answer, where a later one works.",
    ),
    patterns={
        Factor.RESTART: (RESTART,),
        Factor.INTERVAL: (RESTART,),
        Factor.TIME_OF_DAY: (RESTART,),
        Factor.CLIENT: (OTHERS,),
        Factor.REQUEST: (BAD_REQUEST,),
        Factor.AT_REQUEST: (BAD_REQUEST, OTHERS),
        Factor.UNKNOWN: (RESTART, OTHERS, TIME_LIMIT, BAD_REQUEST, LIFETIME),
        Factor.REST: (TIME_LIMIT,),
        Factor.PAUSE: (TIME_LIMIT,),
        Factor.AGE: (LIFETIME,),
        Factor.REQUESTS: (LIFETIME,),
    },
    confirm="Record several breaks. Right after a request each time: the request, or, where that "
    "stays unconfirmed, a session lost before. After the same idle time: a limit. At random: the "
    "power or another client.",
    sources=("RFC 9293 sections 3.5.2 and 3.10.7",),
    find=find,
)
