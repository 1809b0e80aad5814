"""All sessions that the controller allows are taken, by others or by the PC itself.

Shown where as many sessions are open as the controller takes by the site sheet; otherwise `fits`,
and only with more evidence than one refusal. A call is refused, ignored or, once requests worked
before, left without an answer, while another session with the same port is open; the PC's requests
are confirmed and never answered, while another station's of the same kind are; an accepted call
is dropped at once, before anybody sent a byte or with a text that reads like a no; or a session in
use is ended by the controller within a moment of a newer one's opening, or at its first request
after that, though the PC still wanted it. Only a note where the PC's calls are turned away in vain
while another session of its own works, or where a later call works. Quiet where the other session
was closed or waits in vain itself; for a controller that closes after each answer or after idle
time by design; where the controller is not heard while it ignores the call; and for office
services.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from analyzer.facts import CLIENT, SERVER, Moment, Session
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp, silence
from rules import cautions

AT_ONCE = 0.1
"""Seconds within which a full controller drops what it has accepted (faults seen in the field)."""
MOMENT = 0.5
"""Seconds after a newer session's opening within which an older one's end belongs to it."""
SOON = 60.0
"""Seconds within which a program that wants its session calls again."""
IDLE = 5.0
"""Seconds without data behind which a session ends for being idle, and not for a newer one."""
LIVELY = 60.0
"""Seconds within which another station's open session is used."""
MOST = 256
"""Calls that are looked at, the last ones: what counts is how it ended."""
ONE_ATTEMPT = 3.0
"""Seconds within which systems repeat a refused call by themselves (ground rule on retries)."""
OTHERS, OWN, LEFT_OVER = "others", "own", "left over"
"""Names of these causes in the rule."""
REQUEST, ONE_VALUE = "request", "one value"
"""Names of these in what would look the same."""


@dataclass(slots=True, eq=False)
class _Trouble:
    """The PC's sessions that were turned away, by the way in which it happened."""

    refused: list[Moment] = field(default_factory=list)
    silent: list[Moment] = field(default_factory=list)
    dropped: list[Moment] = field(default_factory=list)
    ended: list[Moment] = field(default_factory=list)
    unanswered: list[Moment] = field(default_factory=list)
    holders: list[Session] = field(default_factory=list)

    @property
    def calls(self) -> list[Moment]:
        """Those that no session came of."""
        return sorted(self.refused + self.silent + self.dropped + self.unanswered)


def find(linkup: LinkUp) -> Iterator[Sighting]:
    calls = linkup.called
    if not calls or calls[0].server.port in OFFICE_PORTS:
        return
    trouble = _trouble(linkup, calls)
    level = _level(linkup, calls, trouble)
    if level is None:
        return
    own = [one for one in trouble.holders if one.client.address in linkup.pc.addresses]
    others = [one for one in trouble.holders if one not in own]
    only_silence = not (trouble.refused or trouble.dropped or trouble.ended)
    silent = trouble.silent + trouble.unanswered
    told = [one for one in calls if one.turned_away and _dropped_at_once(one)]
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": calls[0].server.port,
            "refused": len(trouble.refused),
            "silent": len(trouble.silent),
            "dropped": len(trouble.dropped),
            "ended": len(trouble.ended),
            "unanswered": len(trouble.unanswered),
            "told": len(told),
            "octets": told[0].from_server.octets if told else 0,
            "own": len(own),
            "others": len(others),
            "stations": sorted({one.client.address for one in others}),
        },
        frames={
            "refused": trouble.refused,
            "silent": trouble.silent,
            "dropped": trouble.dropped,
            "ended": trouble.ended,
            "unanswered": trouble.unanswered,
            "told": [one.turned_away for one in told if one.turned_away],
            "own": [one.first for one in own],
            "others": [one.first for one in others],
        },
        certainty=Certainty.SHOWN if _all_taken(linkup, trouble) else Certainty.FITS,
        level=level,
        silence=silence(silent, linkup.facts) if only_silence else None,
        likeliest=OWN if own and not others else OTHERS,
        also_excluded=_also_excluded(trouble, told),
    )


def _also_excluded(trouble: _Trouble, told: list[Session]) -> set[str]:
    seen = {REQUEST: trouble.unanswered, ONE_VALUE: told}
    return {place for place, kind in seen.items() if not kind}


def _level(linkup: LinkUp, calls: list[Session], trouble: _Trouble) -> Level | None:
    """A fault where nothing came of it in the end, or a session in use was ended."""
    if trouble.ended:
        return Level.FAULT
    if not trouble.calls:
        return None
    last = trouble.calls[-1]
    opened = any(one.is_open and one.first > last for one in calls)
    if not opened and not linkup.answers_after(last):
        return Level.FAULT
    attempts = _attempts(trouble.refused + trouble.silent)
    return Level.NOTE if attempts > 1 and trouble.holders else None


def _all_taken(linkup: LinkUp, trouble: _Trouble) -> bool:
    """Whether as many sessions are seen as the site sheet allows."""
    limit = linkup.sheet.sessions if linkup.sheet is not None else None
    return limit is not None and len(trouble.holders) >= limit


def _attempts(calls: list[Moment]) -> int:
    """Calls that follow closely are repeats of the system."""
    moments = sorted(calls)
    pauses = (after.seconds - before.seconds for before, after in pairwise(moments))
    return len(moments[:1]) + sum(pause > ONE_ATTEMPT for pause in pauses)


def _trouble(linkup: LinkUp, calls: list[Session]) -> _Trouble:
    trouble = _Trouble()
    opened = [one for one in calls + _rivals(linkup, calls[0]) if one.is_open]
    for one in calls[-MOST:]:
        newer = _newer_that_ended(one, opened)
        if newer is not None and _was_wanted(one, calls):
            trouble.ended.append(one.closing[0].moment)
            holders = [newer]
        elif _dropped_at_once(one):
            trouble.dropped.append(one.closing[0].moment)
            holders = _holders(linkup, one, one.closing[0].moment, opened)
        else:
            holders = _turned_away(linkup, one, opened, trouble)
        trouble.holders += [one for one in holders if one not in trouble.holders]
    return trouble


def _turned_away(
    linkup: LinkUp, session: Session, opened: list[Session], found: _Trouble
) -> list[Session]:
    """Note a call that needs another open session to count; return those that were open then."""
    if session.refused is not None:
        kind, moment = found.refused, session.refused.moment
    elif session.is_silent and _alive_after(linkup, session.syns.first):
        kind, moment = found.silent, session.syns.first
    else:
        own = [one for one in opened if one.client.address in linkup.pc.addresses]
        asked = _asked_in_vain(session, own)
        if asked is None:
            asked = session.asked
            own = [one for one in opened if one not in own and _is_served_instead(one, session)]
        if asked is None or not _alive_after(linkup, asked):
            return []
        kind, moment, opened = found.unanswered, asked, own
    holders = _holders(linkup, session, moment, opened)
    if holders:
        kind.append(moment)
    return holders


def _rivals(linkup: LinkUp, call: Session) -> list[Session]:
    """Other stations' sessions with the same port."""
    return [
        one
        for one in linkup.facts.sessions
        if one.server == call.server and one.client.address not in linkup.pc.addresses
    ]


def _holders(
    linkup: LinkUp, session: Session, moment: Moment, sessions: list[Session]
) -> list[Session]:
    """Sessions that took the place at a moment: open, in use or left behind, not in vain."""
    return [
        one
        for one in sessions
        if one is not session
        and one.holds(moment)
        and not _dropped_at_once(one)
        and (one.client.address in linkup.pc.addresses or _is_lively(one, moment))
        and (not _waits_since_before(one, moment) or _replugged(linkup, one, moment))
    ]


def _is_lively(session: Session, moment: Moment) -> bool:
    return session.last.seconds > moment.seconds - LIVELY


def _waits_since_before(session: Session, moment: Moment) -> bool:
    """Whether a session's last request is older than a moment and has no answer: a dead peer."""
    return session.is_waiting and session.asked is not None and session.asked < moment


def _replugged(linkup: LinkUp, session: Session, moment: Moment) -> bool:
    """Whether the PC came back to the cable after a session's last frame: that one is left over."""
    checks = linkup.facts.arp.probes.items()
    own = [series for (hardware, _), series in checks if hardware == linkup.pc.hardware]
    return any(session.last < check < moment for series in own for check in series.moments)


def _alive_after(linkup: LinkUp, moment: Moment) -> bool:
    answers = [answer for question in linkup.questions for answer, _ in question.answers]
    heard = [*answers, linkup.last_heard] if linkup.last_heard else answers
    return any(one > moment for one in heard)


def _dropped_at_once(session: Session) -> bool:
    """Whether an accepted session ended before anybody sent data, or with a text that reads like a
    no: then the PC may be the first to close it.
    """
    if session.completed is None or session.syn_ack is None or not session.closing:
        return False
    closed, asked = session.closing[0].moment, session.from_client.first_data
    if closed.seconds - session.syn_ack.seconds >= AT_ONCE:
        return False
    if session.turned_away is not None:
        return True
    asked_first = asked is not None and asked.moment < closed
    return session.server_ended and not asked_first and not session.from_server.octets


def _asked_in_vain(session: Session, own: list[Session]) -> Moment | None:
    """The request that got no answer, or a reset, though requests had worked before in another
    session, or in this one until another was opened.
    """
    asked, broken = session.asked, session.broken_by
    reset = broken is not None and broken.after == CLIENT
    waits = session.is_waiting and not session.server_ended and not session.lacks_answer
    if asked is None or not session.is_open or not (waits or reset):
        return None
    others = [one for one in own if one is not session]
    if session.answered is None:
        worked = any(one.answered is not None and one.answered < asked for one in others)
        return asked if worked else None
    opened = (one.syn_ack for one in others if one.syn_ack is not None)
    return asked if any(session.answered < moment < asked for moment in opened) else None


def _is_served_instead(rival: Session, session: Session) -> bool:
    """Whether another station's requests, of the same kind and to the same unit, are answered
    while one of this session is confirmed and none ever is.
    """
    asked, said, other = session.asked, session.dialogue, rival.dialogue
    waits = session.completed is not None and session.is_waiting and session.request_acknowledged
    if asked is None or not waits or session.answers or session.server_ended:
        return False
    alike = (said.protocol, said.unit) == (other.protocol, other.unit)
    served = rival.answered is not None and rival.answered > asked
    return alike and served and not session.lacks_answer


def _newer_that_ended(session: Session, sessions: list[Session]) -> Session | None:
    """The session at whose opening the controller ended this one, which was in use."""
    if not session.answers or not session.server_ended:
        return None
    end = session.closing[0]
    idle = end.since_data or 0.0
    by_design = end.after == SERVER and (session.answers == 1 or idle > IDLE)
    if by_design or idle > IDLE:
        return None
    for one in sessions:
        opened = one.syn_ack
        if one is session or opened is None or not one.is_open or not session.first < opened:
            continue
        if 0 <= end.moment.seconds - opened.seconds <= MOMENT:
            return one
    return None


def _was_wanted(session: Session, calls: list[Session]) -> bool:
    """Whether a request was open at the end, or the PC called again soon."""
    end = session.closing[0]
    again = (one.syns.first.seconds for one in calls if one.syns.count)
    return end.after == CLIENT or any(0 < call - end.moment.seconds < SOON for call in again)


RULE = Rule(
    slug="session-limit",
    stage="port",
    title="Port {port} of {controller} seems to have no session left for the PC",
    what_happened="Sessions of the PC with port {port} of {controller} were turned away, ignored "
    "or ended.{refused:if {controller} turned down {refused:count call} of the PC.}"
    "{silent:if {silent:count call} of the PC got no answer.}"
    "{dropped:if It dropped {dropped:count session} at once.}"
    "{told:if Before that it sent {octets:count octet} that read like a no.}"
    "{ended:if It ended {ended:count session} as a newer one opened.}"
    "{unanswered:if It left {unanswered:count request} without an answer.}"
    "{own:if Meanwhile the PC itself had {own:count session} open.}"
    "{others:if Meanwhile {stations:list} had {others:count session} open.}",
    means="The port is served, and{fits:if, as it seems,} has no room for this session. Many "
    "controllers allow one, two or four sessions, and each shows in its own way that they are "
    "taken.",
    likely_causes={
        OTHERS: "A panel, a supervising system or a second engineer is connected.",
        OWN: "The PC's own programs hold sessions: one for each tag, or one that was never closed.",
        LEFT_OVER: "A session is left over from a pulled cable or a program that was ended, and "
        "the "
        "controller still keeps it.",
        "controller-allows-one": "The controller allows one session for each address, and two "
        "programs run on this PC.",
        "access-list-controller": "An access list of the controller leaves out this PC.",
    },
    what_to_do=(
        Step(
            "Look in the controller's manual how many sessions it allows, and in its list of them."
            "{told:if Read the text that it sends in the frames above.}"
        ),
        Step(
            "Wait as long as the controller's time limit for sessions, then try once more.",
            cautions.COMMANDS,
        ),
        Step(
            "Close the other programs on this PC that use the controller.", cautions.OTHERS_SESSION
        ),
        Step(
            "Ask who else is connected, and have one session after the other closed.",
            cautions.OTHERS_SESSION,
        ),
        Step("If nothing else helps, have the controller restarted.", cautions.RESTART),
    ),
    evidence={
        "refused": "{controller} turns the PC's call down{again}",
        "silent": "the PC's call gets no answer{again}",
        "dropped": "{controller} drops the session that it has accepted{again}",
        "told": "{controller} sends a text by itself{again}: read what it says",
        "ended": "{controller} ends the older session{again}",
        "unanswered": "the PC's request gets no answer{again}",
        "own": "a session of the PC that is open at that time",
        "others": "a session of another station that is open at that time",
    },
    cautions=("Two programs that both command the controller can cause unexpected motion.",),
    also_fits={
        "access-list-too": "An access list: it too may let a session open and drop it at once.",
        "service-hangs-starting": "A service that hangs or is starting. A restart cures that as "
        "well, so it proves nothing.",
        "firewall-way-limits": "A firewall on the way that limits the PC.",
        REQUEST: "A request that the controller never answers, as its item, framing or order is "
        "not right.",
        ONE_VALUE: "A device that gives each caller one value, and closes by design.",
    },
    looks_alike=(
        "A refused call with no other session in sight: then the port number comes first.",
        "A controller that closes the session after each answer, or after idle time, by design.",
        "A controller that greets, or gives one value, and closes.",
        "A second session that is turned away once, while the first one works.",
        "An open session whose requests go unanswered: the controller is away, not full.",
        "Requests that go unanswered while another station's, to another unit, are answered.",
    ),
    confirm="With all other programs and stations disconnected by those responsible, try once "
    "more. If it works, connect them again one by one.",
    confirm_caution=cautions.OTHERS_SESSION,
    explains=(
        "port-refused",
        "port-silent",
        "session-reset",
        "request-unanswered",
        "session-closed",
    ),
    sources=("RFC 9293 section 3.10.7", "common practice, no source (limits of 1, 2 or 4)"),
    find=find,
)
