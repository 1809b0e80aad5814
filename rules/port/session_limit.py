"""All sessions that the controller allows are taken, by others or by the PC itself.

Shown where as many sessions are open as the controller takes by the site sheet; otherwise `fits`,
and only with more evidence than one refusal. A call is refused, ignored or, once requests worked
before, left without an answer, while another session with the same port is open; the PC's requests
are confirmed and never answered, while another station's of the same kind are; an accepted call
is dropped at once, before anybody sent a byte, or turned away with a text that reads like a no; or
a session in use is ended by the controller within a moment of a newer one's opening, or at its
first request after that, though the PC still wanted it. A warning where the PC is turned away
while another session works, or before a later call works; a note where that happened once. Quiet
where the other session was closed or waits in vain itself; for a controller that closes after each
answer or after idle time by design; where the controller is not heard after it ignored the call;
and for office services.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from analyzer.facts import Moment
from analyzer.facts.index import by, grouped
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import (
    LONG_IDLE,
    NEVER,
    Call,
    Calls,
    How,
    LinkUp,
    Spans,
    Stage,
    Tries,
    first_after,
    last_until,
)
from rules import cautions

AT_ONCE = 0.5
"""Seconds after a newer session's opening within which an older one's end belongs to it (common
practice, no source)."""
REFUSED, SILENT, DROPPED, ENDED, UNANSWERED = "refused", "silent", "dropped", "ended", "unanswered"
"""The ways in which a session is turned away: keys of values and evidence."""
SHOWS_AT = {
    REFUSED: Stage.PORT,
    SILENT: Stage.PORT,
    DROPPED: Stage.SESSION,
    ENDED: Stage.SESSION,
    UNANSWERED: Stage.ANSWER,
}
"""The stage at which each shows."""
OTHERS, OWN, LEFT_OVER, ACCESS_LIST = "others", "own", "left over", "access list"
"""Names of these causes in the rule."""
REQUEST, ONE_VALUE = "request", "one value"
"""Names of these in what would look the same."""


class _Away(NamedTuple):
    """A session of the PC that was turned away: how, and when that shows."""

    how: str
    moment: Moment
    call: Call


class _Places:
    """What is open on the controller's port, and when."""

    def __init__(self, linkup: LinkUp) -> None:
        own, rivals = linkup.calls.opened, linkup.rivals.opened
        every = Calls([*own, *rivals])
        self.all, self._own = (Spans.of(one, linkup.pc.checks) for one in (every, own))
        self._openings, self._own_openings = every.acceptances, own.acceptances
        self._served = {kind: Tries(calls) for kind, calls in by(rivals, _kind).items()}
        self._worked = min(filter(None, (one.session.answered for one in own)), default=NEVER)

    def newer_opened(self, call: Call, end: Moment) -> bool:
        """Whether another session than this one was opened right before a moment."""
        latest = last_until(self._openings, end) or call.first
        newer = latest > (call.session.syn_ack or call.first)
        return newer and end.seconds - latest.seconds <= AT_ONCE

    def works_no_more(self, call: Call, asked: Moment) -> bool:
        """Whether requests of the PC worked, in this session or in another one, until one more was
        opened, and two are open.
        """
        opened = first_after(self._own_openings, call.session.answered or self._worked)
        return self._own.at(asked) > 1 and opened is not None and opened < asked

    def serves_others(self, call: Call, asked: Moment) -> bool:
        """Whether a request that was confirmed is never answered, while another station has a
        session, and requests of the same kind, to the same unit, are answered there.
        """
        beside, served = self.all.at(asked) - self._own.at(asked), self._served.get(_kind(call))
        taken = call.how is How.MUTE and call.session.request_acknowledged
        return taken and beside > 0 and served is not None and served.answered_after(asked)


def _kind(call: Call) -> object:
    return call.session.dialogue.protocol, call.session.dialogue.unit


def find(linkup: LinkUp) -> Iterator[Sighting]:
    calls = [one for one in linkup.calls if one.port not in OFFICE_PORTS and _went_wrong(one)]
    if not calls:
        return
    places = _Places(linkup)
    away = [one for call in calls for one in _turned_away(linkup, places, call)]
    away += _displaced_too(linkup, places, away)
    displaced = all(one.how == ENDED for one in away)
    holders = places.all.meet([at.moment for at in away], {at.call: at.moment for at in away})
    level = _level(linkup, away, holders)
    if level is None:
        return
    moments = grouped((one.how, one.moment) for one in away)
    told = [one.call for one in away if one.call.how is How.TURNED_AWAY]
    mine = by(holders, lambda one: one.session.client.address in linkup.pc.addresses)
    limit = linkup.sheet.sessions if linkup.sheet is not None else None
    all_taken = limit is not None and len(holders) >= limit
    silent = all(one.how in (SILENT, UNANSWERED) for one in away)
    waits = [at for one in away for at in one.call.unanswered]
    yield Sighting(
        values={
            **{how: len(moments[how]) for how in (REFUSED, SILENT, DROPPED, ENDED, UNANSWERED)},
            "displaced": displaced,
            "kept_out": not displaced,
            "told": len(told),
            "octets": told[0].session.from_server.octets if told else 0,
            "own": len(mine[True]),
            "others": len(mine[False]),
            **_holding("beside", mine, not displaced),
            **_holding("newer", mine, bool(moments[ENDED])),
            "further": bool(mine[True]) and not displaced,
            "first": not mine[True] and not displaced,
            "stations": sorted({one.session.client.address for one in mine[False]}),
        },
        frames={
            **moments,
            "told": [at for one in told if (at := one.told_no) is not None],
            "own": [one.first for one in mine[True]],
            "others": [one.first for one in mine[False]],
        },
        certainty=Certainty.SHOWN if all_taken else Certainty.FITS,
        level=level,
        stage=min((SHOWS_AT[one.how] for one in away), key=list(Stage).index),
        silence=linkup.silence(waits) if silent else None,
        likeliest=_likeliest(mine),
        ruled_out=[
            *([] if moments[UNANSWERED] else [REQUEST]),
            *([] if told else [ONE_VALUE]),
            *([LEFT_OVER, ACCESS_LIST] if displaced else []),
        ],
    )


def _holding(word: str, mine: Mapping[bool, Sequence[Call]], told: bool) -> dict[str, bool]:
    """Whose sessions are told of behind a word: of the PC (`mine`), of others, of both."""
    own, others = bool(mine[True]) and told, bool(mine[False]) and told
    return {
        word: own or others,
        f"{word}_own": own,
        f"{word}_others": others,
        f"{word}_both": own and others,
    }


def _likeliest(mine: Mapping[bool, Sequence[Call]]) -> str:
    """A session of the PC that waits in vain and holds a place all the same is left over."""
    if not mine[True] or mine[False]:
        return OTHERS
    return LEFT_OVER if all(one.unanswered for one in mine[True]) else OWN


def _went_wrong(call: Call) -> bool:
    """Whether it was refused, or ended at once or in use, or waits: it may be turned away."""
    ended = call.how is How.REFUSED or call.unwelcome or _was_in_use(call)
    return ended or bool(call.unanswered)


def _turned_away(linkup: LinkUp, places: _Places, call: Call) -> Iterator[_Away]:
    """How a session of the PC was turned away, and when that shows; nothing where it was not."""
    end, waits = call.ended, next(iter(call.unanswered), None)
    if end is not None and _was_in_use(call) and places.newer_opened(call, end):
        yield _Away(ENDED, end, call)
    elif end is not None and call.unwelcome:
        yield _Away(DROPPED, end, call)
    elif end is not None and call.how is How.REFUSED and places.all.at(end):
        yield _Away(REFUSED, end, call)
    elif waits is None or call.session.lacks_answer or not linkup.is_alive_after(waits):
        return
    elif call.how is How.IGNORED and places.all.at(waits):
        yield _Away(SILENT, waits, call)
    elif places.works_no_more(call, waits) or places.serves_others(call, waits):
        yield _Away(UNANSWERED, waits, call)


def _displaced_too(linkup: LinkUp, places: _Places, away: Sequence[_Away]) -> Iterator[_Away]:
    """Where sessions in use were ended for newer ones, the others that were ended so."""
    known = {one.call for one in away}
    for call in linkup.calls if any(one.how == ENDED for one in away) else ():
        end = call.ended if call.ended_by_server and call not in known else None
        if end is not None and places.newer_opened(call, end):
            yield _Away(ENDED, end, call)


def _was_in_use(call: Call) -> bool:
    """Whether the controller ended a session that the PC still wanted, by no design of its own."""
    if not call.ended_by_server or not call.answers or call.idle > LONG_IDLE:
        return False
    return call.ended_on_request or (call.came_back and call.answers > 1)


def _level(linkup: LinkUp, away: Sequence[_Away], holders: Sequence[Call]) -> Level | None:
    """A fault where nothing came of it in the end, or a session in use was ended."""
    last = max((one.moment for one in away), default=NEVER)
    worked = linkup.answers_after(last) or linkup.calls.opened.after(last)
    if away and (not worked or any(one.how == ENDED for one in away)):
        return Level.FAULT
    if not away or not holders:
        return None
    attempts = Calls(one.call for one in away).attempts
    return Level.WARNING if attempts > 1 else Level.NOTE


RULE = Rule(
    slug="session-limit",
    stage="port",
    title="{kept_out:if Port {port} of {controller} seems to have no}{further:if further session}"
    "{first:if session left}{kept_out:if for the PC}"
    "{displaced:if {controller} seems to end the PC's session when a newer one opens}",
    what_happened="{beside:if With}{beside_own:if {own:count session} of the PC itself}"
    "{beside_both:if and}{beside_others:if {others:count session} of {stations:list}}"
    "{beside:if open,}{refused:if {controller} turned down {refused:count call} of the PC.}"
    "{silent:if {silent:count call} of the PC got no answer.}{dropped:if {controller} dropped "
    "{dropped:count session} of the PC at once.}{told:if Before that it sent {octets:count octet} "
    "that read like a no.}{unanswered:if {controller} left {unanswered:count request} of the PC "
    "without an answer.}{newer:if Right after}{newer_own:if the PC itself}{newer_both:if or}"
    "{newer_others:if {stations:list}}{newer:if opened a newer one,}{ended:if {controller} ended "
    "{ended:count session} of the PC.}",
    means="The port is served, and{fits:if, as it seems,} has no room for this session. Many "
    "controllers allow one, two or four sessions, and each shows in its own way that they are "
    "taken.",
    likely_causes={
        OTHERS: "A panel, a supervising system or a second engineer is connected.",
        OWN: "The PC's own programs hold sessions: one for each tag, or one that was never closed.",
        LEFT_OVER: "A session is left over from a pulled cable or a program that was ended, and "
        "the "
        "controller still keeps it.",
        "one each": "The controller allows one session for each address, and two "
        "programs run on this PC.",
        ACCESS_LIST: "An access list of the controller leaves out this PC.",
    },
    what_to_do=(
        Step(
            "Look up how many sessions the controller allows, and see in it which are open."
            "{told:if Read the text that it sends in the frames of this report.}"
        ),
        Step("{others:if Ask whoever uses {stations:list} what its sessions are for.}"),
        Step("{own:if Find out which programs on this PC hold a session with {controller}.}"),
        Step(
            "{displaced:if Agree with whoever uses those sessions who is to have the controller.}"
        ),
        Step(
            "{kept_out:if Have a session closed that nobody needs.}",
            cautions.OTHERS_SESSION,
        ),
        Step(
            "{kept_out:if Wait as long as the controller's time limit for sessions, then try once "
            "more.}",
            cautions.COMMANDS,
        ),
        Step(
            "{kept_out:if If nothing else helps, have the controller restarted.}", cautions.RESTART
        ),
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
    cautions=(
        cautions.warning(
            "Two programs that both command the controller can cause unexpected motion. Send no "
            "commands until it is agreed who does.",
        ),
    ),
    also_fits={
        "access list lets in": "An access list: it too may let a session open and drop it at once.",
        "service hangs": "A service that hangs or is starting. A restart cures that as "
        "well, so it proves nothing.",
        "firewall": "A firewall on the way that limits the PC.",
        REQUEST: "A request that the controller never answers, as its item, framing or order is "
        "not right.",
        ONE_VALUE: "A device that gives each caller one value, and closes by design.",
    },
    looks_alike=(
        "A refused call with no other session in sight: then the port number comes first.",
        "A controller that closes the session after each answer, or after idle time, by design.",
        "A controller that greets, or gives one value, and closes.",
        "An open session whose requests go unanswered: the controller is away, not full.",
        "Requests that go unanswered while another station's, to another unit, are answered.",
    ),
    confirm="With all other programs and stations disconnected by those responsible, try once "
    "more. If it works, connect them again one by one.",
    confirm_caution=cautions.OTHERS_SESSION,
    explains=(
        "late-start",
        "port-refused",
        "port-silent",
        "session-reset",
        "request-unanswered",
        "session-closed",
        "idle-close",
    ),
    sources=("RFC 9293 section 3.10.7", "common practice, no source (limits of 1, 2 or 4)"),
    find=find,
)
