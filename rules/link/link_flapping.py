"""The PC's link came up again and again while it was recorded.

A link that comes up shows as the PC's burst of checks behind a silence. Not every system sends one:
the silence itself tells where a station is missed that speaks to all without a pause, and the break
stops a program in its work, or the PC joins groups, looks for routers or announces itself right
behind it. A fault where breaks of the link cut sessions, or left no stretch long enough
to connect; a warning where sessions stood still and went on; a note where the link-up works all the
same. Quiet after one burst, which is a cable plugged in; where the PC only renews its address,
takes another one or announces it; where a program pauses and nobody is missed; and after a pause of
more than a minute, since that is a PC that slept or a cable put elsewhere.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from analyzer.facts import Moment
from analyzer.facts.starts import Start
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import NEVER, Call, Case, LinkUp, Pc, Span, Spans, last_until
from rules import cautions

LONG_PAUSE = 60.0
"""Seconds of silence from which on a PC slept, or its cable was put elsewhere."""
LONG_ENOUGH = 30.0
"""Seconds of an unbroken link in which a PC can connect: port delay and address included."""
SOON = 10.0
"""Seconds after the link came back within which a peer breaks a session that it no longer knows."""
PACE = 2.0
"""Seconds between its requests up to which a program is at work, and stops when its link breaks."""
REGULAR = 0.1
"""Part by which equal times between breaks differ at most."""
POWER_SAVING = "power saving"
"""Name of this cause in the rule."""


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc is None:
        return
    starts = _starts(case, case.pc)
    breaks = _breaks(case.pc, starts)
    if len(starts) < 2 or not breaks:
        return
    ups = [one.moment for one in breaks]
    longest = max(_stretches(case, starts))
    for linkup in case.linkups:
        cut = [one for one in linkup.on_port.opened if _is_cut(linkup, one, ups)]
        stood = [] if cut else [one for one in linkup.on_port.opened if _outlived(one, ups)]
        short = not linkup.works and longest < LONG_ENOUGH
        yield Sighting(
            values={
                "starts": len(starts),
                "span": starts[-1].moment.seconds - starts[0].moment.seconds,
                "silent": max(one.silent for one in breaks),
                "longest": longest,
                "sessions": len(cut),
                "stood": len(stood),
                "checks": any(one.signs for one in starts),
            },
            frames={
                "before": [one.before for one in breaks],
                "up": [one.moment for one in starts],
                "cut": [one.last for one in cut],
            },
            linkup=linkup,
            certainty=Certainty.FITS,
            level=_level(hurt=bool(cut or short), stood=bool(stood), again=len(breaks) >= 2),
            likeliest=POWER_SAVING if _are_regular(ups) else "",
        )


def _level(hurt: bool, stood: bool, again: bool) -> Level:
    if not again or not (hurt or stood):
        return Level.NOTE
    return Level.FAULT if hurt else Level.WARNING


def _starts(case: Case, pc: Pc) -> list[Start]:
    """When its link came up: by its checks, or by a silence of all that stopped its work, or behind
    which it sent something that systems send then.
    """
    checked = case.facts.starts.of(pc.hardware)
    told = {one.before for one in checked}
    missed = (one for one in pc.cable.fell_silent if one.before not in told)
    at_work = _at_work(case)
    signs = case.facts.starts.right_behind(pc.hardware)
    stopped = [
        one for one in missed if one.before and (one.moment in signs or at_work.at(one.before))
    ]
    return sorted([*checked, *stopped], key=lambda one: one.moment)


def _at_work(case: Case) -> Spans:
    """When a program asks at a pace in an open session."""
    opened = (one for linkup in case.linkups for one in linkup.on_port.opened)
    paced = (one for one in opened if one.interval <= PACE)
    return Spans(Span(one, one.first, one.ended or NEVER) for one in paced)


def _breaks(pc: Pc, starts: Sequence[Start]) -> list[Start]:
    """The starts before which the PC had been connected, a short while ago."""
    short = (one for one in starts if one.silent < LONG_PAUSE)
    return [one for one in short if one.before and pc.station and pc.station.first < one.before]


def _stretches(case: Case, starts: Sequence[Start]) -> list[float]:
    """Seconds for which the link stayed up each time."""
    ends = [one.before.seconds for one in starts[1:] if one.before] + [case.facts.coverage.seconds]
    return [end - one.moment.seconds for one, end in zip(starts, ends, strict=True)]


def _is_cut(linkup: LinkUp, call: Call, ups: Sequence[Moment]) -> bool:
    """Whether an open session ended with a break: without a word, by a reset soon after, or soon
    after by a client that calls anew.
    """
    if call.end is None:
        return call.last < ups[-1]
    up, end = last_until(ups, call.end.moment), call.end.moment
    soon = up is not None and call.first < up and end.seconds - up.seconds < SOON
    given_up = call.ended_by_client and linkup.on_port.within(end, SOON)
    return soon and (call.end.reset or given_up)


def _outlived(call: Call, ups: Sequence[Moment]) -> bool:
    """Whether a session went on after a break."""
    up = last_until(ups, call.last)
    return up is not None and call.first < up < call.last


def _are_regular(ups: Sequence[Moment]) -> bool:
    """Whether three or more breaks come in equal times."""
    gaps = [later.seconds - earlier.seconds for earlier, later in pairwise(ups)]
    return len(gaps) >= 2 and max(gaps) - min(gaps) <= REGULAR * max(gaps)


RULE = Rule(
    slug="link-flapping",
    stage="link",
    title="The PC's link{fits:if likely} went down and came up again",
    what_happened="The PC's link came up {starts:times}{span:within}. In between, nothing at all "
    "was recorded for up to {silent:seconds}. The longest stretch with a link was "
    "{longest:seconds}.{sessions:if {sessions:count open session} with {controller} broke "
    "with the link.}{stood:if {stood:count session} stood still meanwhile, and went on.}",
    means="While the link is down, no frame gets through, not even those that others send at a "
    "steady pace.{checks:if A PC sends a burst of checks each time its link comes up.} Sessions do "
    "not outlive longer breaks.",
    likely_causes={
        "loose plug": "A plug is loose or its latch is broken, or a wire is bent or broken inside "
        "the cable.",
        "moving cable": "The cable moves with the machine, or lies beside a motor cable.",
        POWER_SAVING: "Power saving of the PC's adapter, its USB port or the switch puts the link "
        "to sleep.",
        "interference": "Interference from motor or welding cables makes both ends agree on a "
        "speed "
        "again and again.",
        "energy saving": "Energy-efficient Ethernet does not work well between the two ends.",
        "plugged in again": "Somebody plugged the cable in again, or the PC slept meanwhile.",
    },
    what_to_do=(
        Step("Ask whether somebody moved the cable, the dock or the PC at those times."),
        Step("Look at both plugs of the PC's cable: are they in, and do their latches hold?"),
        Step("Compare those times with the motion of the machine."),
        Step("Turn off the power saving of the adapter and of the PC.", cautions.LINK_DROPS),
        Step(
            "Replace the cable between the PC and its socket, and use another switch port.",
            cautions.UNPLUG,
        ),
        Step(
            "Switch off energy-efficient Ethernet at the adapter or the switch port for a test.",
            cautions.LINK_DROPS,
        ),
        Step("Have the cable laid away from motor cables and moving parts.", cautions.UNPLUG),
    ),
    evidence={
        "before": "the last frame before the link went down{again}",
        "up": "the first frame with the link up{again}",
        "cut": "the last frame of a session that broke{again}",
    },
    cautions=(
        cautions.warning(
            "Drives can stop when the PC that commands them loses its link.",
            make_safe=True,
        ),
    ),
    also_fits={
        "somebody trying": "Somebody who plugged the cable in several times to find the trouble.",
        "sleep": "A PC that went to sleep for a short time, or whose adapter was restarted by its "
        "driver.",
    },
    looks_alike=(
        "A program that pauses while others are heard, or where nobody else speaks.",
        "One burst of checks: the PC was plugged in.",
        "A PC that renews its address, takes another one, or announces its own again.",
        "A PC that comes back after more than a minute: it slept or was somewhere else.",
    ),
    confirm="Look at the link lamp for some minutes, or at the switch's count of link changes.",
    explains=(
        "late-start",
        "nothing-heard",
        "unanswered-arp",
        "port-silent",
        "session-reset",
        "request-unanswered",
        "lossy-path",
        "path-lost",
        "pc-gave-up",
    ),
    sources=(
        "RFC 5227 section 2.1 and RFC 4862 section 5.4 (checks when an interface starts)",
        "IEEE 802.3 clauses 28 and 78 (from memory)",
        "common practice, no source",
    ),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    survey=survey,
)
