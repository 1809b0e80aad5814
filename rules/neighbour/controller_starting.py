"""The controller was starting while the PC tried to reach it.

Its start goes in steps: silence, it asks for or announces its address, it answers for its hardware
address, it refuses calls, it takes them. A note where it took calls in the end. A fault where the
PC stopped trying before that, shown where every try came before the first sign of the controller;
and where it comes up again and again at like intervals without staying. Quiet where nothing was
tried in vain, where the trouble goes on for longer than a start takes or calls get no answer at
all after it, where the controller was heard before, and about a single announcement in the midst
of refusals.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from analyzer.facts import Boot, BootSign, Moment, Station
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import How, LinkUp, Stage
from rules import cautions

START_TAKES = 120.0
"""Seconds that a controller takes to start, at most (common practice, no source)."""
ONE_START = 15.0
"""Seconds between two signs of one start, at most: checks and announcements stand 1 to 2 s apart
(RFC 5227 1.1)."""
FIRST_FRAMES = 3.0
"""Seconds before its ARP signs in which a system that comes up already sends others: its IPv6
address is checked, and groups are joined, first (RFC 4862 5.4; common practice, no source)."""
INSTANT = 0.001
"""Seconds by which what came before a frame ends before it."""
AGAIN_AND_AGAIN = 3
"""Starts that make a loop; one or two may be somebody's doing."""
ALIKE = 1.5
"""The longest interval over the shortest one in a loop, at most (common practice, no source)."""
IN_TURN = (Stage.NEIGHBOUR, Stage.ROUTE, Stage.PORT)
"""The stages that work one after the other while a controller starts."""
NOT_READY, LOOP = "not ready", "loop"
"""Names of these causes in the rule."""
CLOSED, LOOSE = "port stays closed", "loose plug"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    starts, station = _starts(linkup), linkup.facts.station(linkup.hardware)
    if station is None or not starts:
        return
    unanswered = linkup.unanswered_tries
    if _is_loop(station, starts, unanswered):
        yield Sighting(
            values=_values(linkup, starts, unanswered),
            frames={"start": [one[0].moment for one in starts], "tried": unanswered},
            certainty=Certainty.FITS,
            likeliest=LOOP,
            ruled_out=[CLOSED],
        )
    elif starts[0][0].moment.seconds - station.first.seconds <= FIRST_FRAMES:
        yield from _once(linkup, starts[0])


def _starts(linkup: LinkUp) -> list[list[Boot]]:
    """The signs of the controller's starts, a list a start."""
    grouped: list[list[Boot]] = []
    for sign in linkup.facts.boots(linkup.hardware):
        if grouped and sign.moment.seconds - grouped[-1][-1].moment.seconds <= ONE_START:
            grouped[-1].append(sign)
        else:
            grouped.append([sign])
    return grouped


def _is_loop(station: Station, starts: list[list[Boot]], unanswered: list[Moment]) -> bool:
    """Whether there are many starts at like intervals, each out of a silence."""
    if len(starts) < AGAIN_AND_AGAIN:
        return False
    firsts = [one[0].moment for one in starts]
    intervals = [after.seconds - one.seconds for one, after in pairwise(firsts)]
    alike = max(intervals) <= ALIKE * min(intervals)
    return alike and all(_was_silent(station, one, unanswered) for one in firsts[1:])


def _was_silent(station: Station, start: Moment, unanswered: list[Moment]) -> bool:
    """Whether the controller was not heard from something unanswered until its start."""
    tried = max((one.seconds for one in unanswered if one < start), default=None)
    return tried is not None and not station.presence.within(tried, start.seconds - INSTANT)


def _once(linkup: LinkUp, start: list[Boot]) -> Iterator[Sighting]:
    """The first start, with the controller not heard before."""
    first, up, tried = start[0].moment, linkup.taken, linkup.tried_too_early
    refused = {at for one in linkup.calls.that(How.REFUSED) for at in one.session.syns.moments}
    during = [moment for moment in tried if moment > first]
    announced = all(one.sign is BootSign.ANNOUNCEMENT for one in start)
    if not tried or linkup.sent_to - {linkup.hardware} or (announced and during == tried):
        return
    lasting = tried[-1].seconds - first.seconds > START_TAKES
    if up is None and (lasting or linkup.calls.that(How.IGNORED).after(first)):
        return
    values = _values(linkup, [start], tried)
    yield Sighting(
        values=values,
        frames={"start": [first], "tried": tried, "up": [up]},
        certainty=Certainty.FITS if during and up is None else Certainty.SHOWN,
        level=Level.FAULT if up is None else Level.NOTE,
        stage=next((one for one in IN_TURN if one not in linkup.proofs), None),
        silence=linkup.silence(at for at in during if at not in refused) if up is None else None,
        ruled_out=[LOOP, LOOSE, *([] if values["refused"] and up is None else [CLOSED])],
    )


def _values(
    linkup: LinkUp, starts: Sequence[list[Boot]], tried: Sequence[Moment]
) -> dict[str, object]:
    first = starts[0][0].moment
    refused = linkup.calls.that(How.REFUSED).after(first)
    return {
        "hardware": linkup.hardware,
        "starts": len(starts),
        "loop": len(starts) > 1,
        "refused": sum(one.calls for one in refused),
        "port": refused[0].port if refused else linkup.target.port,
        "up": linkup.taken is not None,
        "tries": len(tried),
        "first": first.seconds,
        "last_try": tried[-1].seconds,
    }


RULE = Rule(
    slug="controller-starting",
    stage="neighbour",
    title="{controller} was{fits:if likely} starting while the PC tried to reach it",
    what_happened="{controller} came up {first:seconds} after the first frame{loop:if, "
    "{starts:times} in all}{refused:if, and then refused port {port} {refused:times}}. The PC "
    "tried {tries:times} in vain, the last time {last_try:seconds} after the first frame{up:if, "
    "before it was answered}.",
    means="A controller starts in steps. First it is silent, then it knows its address, then it "
    "refuses calls, and at last it takes them.",
    likely_causes={
        NOT_READY: (
            "The PC tried before the controller was ready: starting takes up to about 2 min."
        ),
        LOOP: "The controller restarts again and again, and does not get through its start.",
        "cable connected": (
            "The controller's network cable or switch was connected at that time, not its power."
        ),
    },
    what_to_do=(
        Step(
            "Wait 2 min after power-up, or what the manual names. Then try once more.",
            cautions.COMMANDS,
        ),
        Step("Look at the controller's lamps: does it reach its normal state, and stay there?"),
        Step(
            "{refused:if If port {port} is still refused then, look whether the port number is "
            "right, and the service there switched on.}",
            about=CLOSED,
        ),
        Step("Look in its log why it comes up again and again.", about=LOOP),
        Step("Have its supply measured.", cautions.ELECTRICAL, about=LOOP),
        Step("Let the PC's program try again by itself, with a growing pause.", cautions.COMMANDS),
    ),
    evidence={
        "start": "{hardware} comes up with the address {controller}{again}",
        "tried": "the PC tries in vain{again}",
        "up": "by now, {controller} has answered",
    },
    cautions=(
        cautions.warning(
            "A machine may move when its controller comes up: keep people clear. Leave the "
            "controller's own supply on: it may be saving its program.",
        ),
    ),
    also_fits={
        "plugged in now": (
            "A controller that was running all the time and was only now plugged into this network."
        ),
        CLOSED: "A port that stays closed for good.",
        LOOSE: "A loose plug, or a switch that restarts.",
    },
    looks_alike=(
        "Refusals that go on for more than 2 min: a port that stays closed.",
        "Calls that get no answer at all after the start: most starting controllers refuse them.",
        "A controller that announces its address from time to time.",
        "A controller that starts when nobody waits for it.",
    ),
    confirm="Try again 2 min after the controller's last sign of a start.",
    confirm_caution=cautions.COMMANDS,
    explains=(
        "late-start",
        "unanswered-arp",
        "arp-silent-controller",
        "port-refused",
        "port-silent",
        "controller-restarted",
        "session-reset",
        "request-unanswered",
        "session-limit",
        "path-lost",
        "session-closed",
    ),
    sources=(
        "RFC 5227 sections 2.1.1 and 2.3 (a station checks and announces its address)",
        "2 min for a start: common practice, no source",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
