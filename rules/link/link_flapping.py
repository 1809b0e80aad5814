"""The PC's link came up again and again while it was recorded.

A link that comes up shows as the PC's burst of checks behind a silence. A fault where breaks of the
link cut sessions, or left no stretch long enough to connect; a note where the link-up works all the
same. Quiet after one burst, which is a cable plugged in; where the PC only renews its address,
takes another one or announces it; and after a pause of more than a minute, since that is a PC that
slept or a cable put elsewhere.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from analyzer.facts import Moment
from analyzer.facts.starts import Start
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Call, Case, Pc, last_until
from rules import cautions

LONG_PAUSE = 60.0
"""Seconds of silence from which on a PC slept, or its cable was put elsewhere."""
LONG_ENOUGH = 30.0
"""Seconds of an unbroken link in which a PC can connect: port delay and address included."""
SOON = 10.0
"""Seconds after the link came back within which a peer breaks a session that it no longer knows."""
REGULAR = 0.1
"""Part by which equal times between breaks differ at most."""
POWER_SAVING = "power saving"
"""Name of this cause in the rule."""


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc is None:
        return
    starts = case.facts.starts.of(case.pc.hardware)
    breaks = _breaks(case.pc, starts)
    if len(starts) < 2 or not breaks:
        return
    ups = [one.moment for one in breaks]
    longest = max(_stretches(case, starts))
    for linkup in case.linkups:
        cut = [one for one in linkup.on_port.opened if _is_cut(one, ups)]
        short = not linkup.works and longest < LONG_ENOUGH
        hurt = len(breaks) >= 2 and bool(cut or short)
        yield Sighting(
            values={
                "starts": len(starts),
                "span": starts[-1].moment.seconds - starts[0].moment.seconds,
                "silent": max(one.silent for one in breaks),
                "longest": longest,
                "sessions": len(cut),
            },
            frames={
                "before": [one.before for one in breaks],
                "up": [one.moment for one in starts],
                "cut": [one.last for one in cut],
            },
            linkup=linkup,
            certainty=Certainty.FITS,
            level=Level.FAULT if hurt else Level.NOTE,
            likeliest=POWER_SAVING if _are_regular(ups) else "",
        )


def _breaks(pc: Pc, starts: Sequence[Start]) -> list[Start]:
    """The starts before which the PC had been connected, a short while ago."""
    short = (one for one in starts if one.silent < LONG_PAUSE)
    return [one for one in short if one.before and pc.station and pc.station.first < one.before]


def _stretches(case: Case, starts: Sequence[Start]) -> list[float]:
    """Seconds for which the link stayed up each time."""
    ends = [one.before.seconds for one in starts[1:] if one.before] + [case.facts.coverage.seconds]
    return [end - one.moment.seconds for one, end in zip(starts, ends, strict=True)]


def _is_cut(call: Call, ups: Sequence[Moment]) -> bool:
    """Whether an open session ended with a break: without a word, or by a reset soon after."""
    if call.end is None:
        return call.last < ups[-1]
    up, end = last_until(ups, call.end.moment), call.end.moment
    soon = up is not None and call.first < up and end.seconds - up.seconds < SOON
    return call.end.reset and soon


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
    "with the link.}",
    means="A PC sends a burst of checks each time its link comes up. While it is down, no "
    "frame gets through. Sessions do not outlive longer breaks.",
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
        Step("Compare those times with the motion of the machine."),
        Step("Turn off the power saving of the adapter and of the PC.", cautions.LINK_DROPS),
        Step(
            "Switch off energy-efficient Ethernet at the adapter or the switch port for a test.",
            cautions.LINK_DROPS,
        ),
        Step(
            "Replace the cable between the PC and its socket, and use another switch port.",
            cautions.UNPLUG,
        ),
        Step("Have the cable laid away from motor cables and moving parts.", cautions.UNPLUG),
    ),
    evidence={
        "before": "the last frame before the link went down{again}",
        "up": "the first of the PC's checks when its link came up{again}",
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
