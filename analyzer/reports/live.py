"""A recording that goes on -> lines: each stage as it comes up, and what it waits for."""

import textwrap
from collections.abc import Iterator, Sequence
from itertools import takewhile

from analyzer.diagnosis import (
    Certainty,
    Diagnosis,
    Finding,
    Level,
    Moment,
    Outcome,
    Stage,
    StageResult,
    State,
    Verdict,
)
from analyzer.reports.document.verdict import NAMES, headline
from analyzer.words import clean, say

WIDTH = 79
STALLS = 2.0
"""Seconds without the next stage from which on it is told: a healthy one takes far less."""
SETTLES = 5.0
"""Seconds after its first frame from which on a fault that only fits is told: embedded systems lag
3 s and more (common practice, no source)."""
QUIET = 10.0
"""Seconds after which a reader is told that nothing was tried yet."""
MOST = 8
"""Controllers that are followed; a search over many addresses would fill the screen."""
WAITS_FOR = {
    Stage.LINK: "nothing from another station yet",
    Stage.ADDRESS: "nothing shows the PC's own address yet",
    Stage.NEIGHBOUR: "no answer yet that tells its hardware address",
    Stage.ROUTE: "no packet from it yet",
    Stage.PORT: "the port has not opened yet",
    Stage.SESSION: "no session has carried an answer yet",
    Stage.ANSWER: "no answer to a request yet",
}
WAITING = "{who}: waiting at the {stage}, since {since} s: {why}."
LINK_WENT = "The adapter has no link: look at the cable and at the lamps at both ends."
LINK_CAME = "The adapter has a link."
PC_NEXT = "the next step is the PC's, and it has not taken it yet"
NOTHING_HEARD = "Nothing was heard on this adapter for 10 s: are its lamps lit?"
NOT_TRIED = "{frames:count frame} so far, and no try: connect when the machine is safe for it."


class Live:
    """Tells what is new from one look to the next; `lines` gives nothing where nothing is."""

    def __init__(self) -> None:
        self._told: set[object] = set()
        self._last: dict[object, object] = {}
        self._had_link = True

    def lines(self, diagnosis: Diagnosis, elapsed: float, has_link: bool) -> Iterator[str]:
        """Lines of 79 columns at most. elapsed: seconds since the recording began; has_link: of the
        adapter, now.
        """
        frames = diagnosis.facts.coverage.frames
        now = diagnosis.facts.coverage.seconds if frames else None
        if has_link != self._had_link:
            yield from _line(now, LINK_CAME if has_link else LINK_WENT)
            self._had_link = has_link
        if not frames:
            if elapsed >= QUIET and has_link and self._is_new("nothing heard"):
                yield from _line(None, NOTHING_HEARD)
            return
        for outcome in diagnosis.outcomes[:MOST]:
            yield from self._outcome(diagnosis, outcome)
        if diagnosis.outcomes:
            return
        for fault in (one for one in diagnosis.findings if one.level is Level.FAULT):
            if self._is_new(fault.rule):
                yield from _line(now, f"{fault.title}.")
        if elapsed >= QUIET and self._is_new("not tried"):
            yield from _line(now, say(NOT_TRIED, {"frames": frames}))

    def _outcome(self, diagnosis: Diagnosis, outcome: Outcome) -> Iterator[str]:
        now = diagnosis.facts.coverage.seconds
        who = outcome.linkup.controller
        passed = list(takewhile(lambda one: one.state is State.PASSED, outcome.stages))
        up = 0.0
        for place, result in enumerate(passed):
            moment = _shown_by(passed[place:])
            up = max(up, _at(moment, now))
            if self._is_new((who, result.stage)):
                yield from _line(up, f"{who}: {_passed(result, moment)}")
        last = max((one.moment for one in passed if one.moment), default=None)
        fault = outcome.fault
        if outcome.verdict is Verdict.CANNOT_TELL or not _has_settled(fault, now):
            yield from self._waiting(outcome, last, now)
            return
        state = (outcome.verdict, None if fault is None else fault.rule)
        if self._last.get(who, (Verdict.CANNOT_TELL, None)) != state:
            self._last[who] = state
            yield from _line(now, f"{who}: {headline(outcome)}")

    def _waiting(self, outcome: Outcome, last: Moment | None, now: float) -> Iterator[str]:
        """What a link-up waits for, and since when, once it has waited for long."""
        stage = next(one.stage for one in outcome.stages if one.state is not State.PASSED)
        asked = outcome.linkup.asks_after(last)
        since, most = (last, QUIET) if asked is None else (asked, STALLS)
        if since is None or now - since.seconds < most:
            return
        who = outcome.linkup.controller
        if self._is_new((who, stage, asked is None)):
            values = {
                "who": who,
                "stage": NAMES[stage],
                "since": f"{since.seconds:.3f}",
                "why": PC_NEXT if asked is None else WAITS_FOR[stage],
            }
            yield from _line(now, say(WAITING, values))

    def _is_new(self, what: object) -> bool:
        is_new = what not in self._told
        self._told.add(what)
        return is_new


def _has_settled(fault: Finding | None, now: float) -> bool:
    """Whether what fits by now would still fit if the recording ended: an answer may be on its way
    while it goes on.
    """
    if fault is None or fault.certainty is Certainty.SHOWN or fault.moment is None:
        return True
    return now - fault.moment.seconds >= SETTLES


def _shown_by(passed: Sequence[StageResult]) -> Moment | None:
    """The first moment that shows the first of these stages. A later one shows it too, but for the
    PC's own address: what the PC sends by itself tells nothing of the link.
    """
    own, *later = passed
    shown = [own, *(one for one in later if one.stage is not Stage.ADDRESS)]
    return min((one.moment for one in shown if one.moment), default=None)


def _passed(result: StageResult, moment: Moment | None) -> str:
    """A stage that works. moment: the first that shows it."""
    frame = f" (frame {moment.frame:,})" if moment else ""
    return f"the {NAMES[result.stage]} works: {result.because}{frame}."


def _at(moment: Moment | None, now: float) -> float:
    return now if moment is None else moment.seconds


def _line(seconds: float | None, text: str) -> list[str]:
    """seconds: since the first frame, None where there is none yet."""
    lead = f"{'-':>9}    " if seconds is None else f"{max(0.0, seconds):9.3f} s  "
    later = " " * len(lead)
    return textwrap.wrap(
        clean(text), WIDTH, initial_indent=lead, subsequent_indent=later, break_on_hyphens=False
    )
