"""The recorder's clock was set while it recorded, or had never been set.

A warning only where the clock jumps between the first attempt and the end of a link-up that does
not work; waiting is then counted only where the clock ran evenly. Quiet for a long idle recording
and for a PC that slept: time that leaps ahead by less than a month may be true. Quiet about the
date where frames were stored without a time.
"""

from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import Facts, Series
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case
from rules import cautions

OLDEST = 631_152_000 * 10**9
"""1990-01-01 in nanoseconds since 1970: older than any recording; a clock without a battery starts
in 1970 or 1980 (common practice, no source)."""


def survey(case: Case) -> Iterator[Sighting]:
    coverage = case.facts.coverage
    back, ahead = coverage.backwards, coverage.forwards
    jumps = Series.joined((back, ahead))
    if not jumps.count and not _never_set(case.facts):
        return
    in_vain = [one.attempts[0] for one in case.linkups if one.attempts and not one.works]
    spoils = jumps.count and any(began < jumps.last for began in in_vain)
    yield Sighting(
        values={
            "back": back.count,
            "by": _most_back(case.facts),
            "frame": jumps.moments[0].frame if jumps.count else None,
            "ahead": ahead.count,
            "date": f"{case.facts.first_seen:%Y-%m-%d}",
        },
        frames={"jump": jumps.moments},
        certainty=Certainty.SHOWN if back.count or not ahead.count else Certainty.FITS,
        level=Level.WARNING if spoils else Level.NOTE,
    )


def _most_back(facts: Facts) -> float:
    """Seconds of the largest jump back."""
    spans = facts.coverage.spans
    return max([0.0, *(one.end - after.begin for one, after in pairwise(spans))])


def _never_set(facts: Facts) -> bool:
    """Whether the times are too old to be true. Zeros alone are no times."""
    began, seconds = facts.coverage.began, facts.coverage.seconds
    has_times = not facts.untimed and (began or seconds)
    return began is not None and bool(has_times) and began < OLDEST


RULE = Rule(
    slug="clock-jump",
    stage="recording",
    level=Level.NOTE,
    title="The recorder's clock was wrong{back:if, and was set back by {by:seconds} while it "
    "recorded}{ahead:if, or leapt ahead by a month or more}",
    what_happened="{back:if The clock was set back {back:times}, by up to {by:seconds}.}{ahead:if "
    "The clock leapt ahead by a month or more {ahead:times}.}{frame:if The first jump is at frame "
    "{frame}.} The first frame bears the date {date} (UTC).",
    means="Waiting times are counted only where the clock ran evenly. Times before a jump and "
    "after it do not belong together, and dates may be wrong.",
    likely_causes={
        "time taken": "The PC took the time from a server or a person while it was recording.",
        "never set": "The clock of the PC or recorder was never set, or its battery is empty.",
        "joined": "Several recordings were put together into one file, not in the order of their "
        "times.",
    },
    what_to_do=(
        Step("Set the clock of the PC, and let it settle before recording.", cautions.CLOCK),
        Step(
            "Record again, and write down the clock time when you press Connect.", cautions.COMMANDS
        ),
    ),
    evidence={"jump": "the clock jumps here{again}"},
    also_fits={
        "idle line": "Where time only leaps ahead: a line that was really idle for so long.",
    },
    looks_alike=(
        "A long pause without frames, over a weekend: the line was idle or the PC slept.",
        "Frames that are out of order by less than 1 s: several queues of one adapter.",
        "Frames that were stored without a time.",
    ),
    confirm="Compare the date of the first frame with the day on which it was recorded.",
    sources=("common practice, no source",),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
