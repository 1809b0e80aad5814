"""A link-up that works and breaks: how often, for how long, and what its breaks have in common."""

from collections import Counter
from collections.abc import Iterator, Sequence
from enum import IntEnum

from analyzer.diagnosis import Incident, Incidents, Moment, Outcome, Sign, Silent, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.recording import Clock
from analyzer.words import count, listed, say, seconds, times

SEVERAL = 2
"""Breaks from which on they are told together."""
ALIKE = 1.05
"""Times within 5 % are told as one (common practice, no source)."""
LONG = 2.0
"""Seconds out from which on it is told what they were made of (common practice, no source)."""
ENOUGH = 5
"""Spans from which on there is a usual one."""
FEW = 5
"""Breaks that are all told with their time of day where there is little room."""
A_PART = 0.05
"""The part of an outage from which on a part of it is told (common practice, no source)."""
SHOWN_BY = {
    Sign.RESET: "the session was reset from the controller's side",
    Sign.CLOSED: "the session was closed from the controller's side",
    Sign.HUNG: "a request was repeated, without an answer",
    Sign.GIVEN_UP: "the PC gave up waiting for an answer",
    Sign.REFUSED: "a call was refused",
    Sign.IGNORED: "a call got no answer",
    Sign.UNANSWERED: "a request got no answer",
    Sign.CUT: "the PC's link went down, and the session with it",
    Sign.LATE: "an answer came far later than usual",
}
IN_A_CELL = {
    Sign.RESET: "session reset",
    Sign.CLOSED: "session closed",
    Sign.HUNG: "no answer",
    Sign.GIVEN_UP: "PC gave up",
    Sign.REFUSED: "call refused",
    Sign.IGNORED: "call in vain",
    Sign.UNANSWERED: "no answer",
    Sign.CUT: "PC's link down",
    Sign.LATE: "late answer",
}
"""The same in a column."""
WHO_WAS_SILENT = {
    Silent.NOBODY: "the controller was heard, and did not answer",
    Silent.CONTROLLER: "the controller alone was silent",
    Silent.SOME: "others were silent with it, and others not, as behind one switch",
    Silent.ALL: "everybody but the PC was silent",
    Silent.PC_TOO: "nobody was heard, the PC neither, as without its cable",
}
ASLEEP = (
    "At {at} it broke behind {silent:seconds} without any frame: the PC slept, or its adapter was "
    "off.{more:if {more:count break} more came so.} Keep the PC awake, and see whether it still "
    "breaks."
)
CLOCK_SET = "{n:count break} not counted: the clock was set."


def breaks(outcome: Outcome, clock: Clock, most: int | None) -> Iterator[Block]:
    """Nothing where it broke less than twice. most: breaks that are listed, None for all kept."""
    found = outcome.incidents
    if found.count >= SEVERAL:
        yield Heading(f"It {_verb(found)} {times(found.count)}")
        told = [*_summary(outcome, clock), *outcome.in_common]
        yield Listing([Step(text) for text in told])
        shown = found.kept[:most]
        if shown:
            yield _table(shown, clock)
            if len(shown) < found.count:
                left = count(found.count - len(shown), "more break")
                yield Paragraph(f"Counted and not listed: {left}.")
    if found.asleep:
        yield Paragraph(_asleep(found, clock))
    if found.clock_set:
        yield Paragraph(say(CLOCK_SET, {"n": found.clock_set}))


class HowMuch(IntEnum):
    """How much is told where there is little room: when it broke; what the breaks have in common as
    well; for how long it was out as well.
    """

    WHEN = 1
    WHY = 2
    ALL = 3


def told_shortly(outcome: Outcome, clock: Clock, much: HowMuch) -> str:
    """The same in some sentences, nothing where it broke less than twice."""
    found, shared = outcome.incidents, outcome.common
    if found.count < SEVERAL:
        return _asleep(found, clock) if found.asleep else ""
    explained = shared is not None and bool(shared.patterns)
    signs = {one.sign for one in found.kept}
    found_any = explained or (shared is not None and bool(shared.doubtful))
    alike = "" if explained else _alike(found.kept)
    out = [f"{_how_long(found)}."] if much is HowMuch.ALL else []
    tells = much >= HowMuch.WHY and (found_any or Sign.CUT not in signs)
    why = outcome.in_common[:1] if tells else []
    return " ".join([f"{_when(found, clock)}{alike}.", *out, *why])


def _alike(kept: Sequence[Incident]) -> str:
    """How all of them showed, and who was silent meanwhile; nothing where that differs."""
    signs, silent = {one.sign for one in kept}, {one.silent for one in kept}
    if len(signs) > 1:
        return ""
    who = silent.pop() if len(silent) == 1 and Sign.CUT not in signs else None
    return f": {SHOWN_BY[signs.pop()]}{f'; {WHO_WAS_SILENT[who]}' if who else ''}"


def are_few(found: Incidents) -> bool:
    """Whether the time of day of each is told where there is little room."""
    return found.count <= FEW


def how_they_showed(signs: Sequence[Sign]) -> str:
    """By which sign how often."""
    often = Counter(signs)
    if len(often) == 1:
        all_of_them = "Both" if len(signs) == SEVERAL else f"All {len(signs):,}"
        return f"{all_of_them} look alike: {SHOWN_BY[signs[0]]}."
    told = [f"{SHOWN_BY[one]} ({times(number)})" for one, number in often.items()]
    return f"How they showed: {listed(told)}."


def _verb(found: Incidents) -> str:
    return "stalled" if all(one.sign is Sign.LATE for one in found.kept) else "broke"


def _asleep(found: Incidents, clock: Clock) -> str:
    first, *more = found.asleep
    at = _told_at([first.at], clock)[0]
    return say(ASLEEP, {"at": at, "silent": first.silent, "more": len(more)})


def _when(found: Incidents, clock: Clock) -> str:
    """How often, and at what times of day."""
    told = _told_at([one.began for one in found.kept], clock)
    when = f"at {listed(told)}" if are_few(found) else f"first at {told[0]}, last at {told[-1]}"
    zone = f" {clock.zone}" if clock.at(found.kept[0].began) else ""
    return f"It {_verb(found)} {times(found.count)}, {when}{zone}"


def _told_at(moments: Sequence[Moment], clock: Clock) -> list[str]:
    """Their times of day; where the recording knows none, when after its beginning."""
    return [clock.at(one) or f"{seconds(one.seconds)} after the beginning" for one in moments]


def _how_long(found: Incidents) -> str:
    """How long it was out, what that was made of, and whether it came back in the end."""
    if not found.outages:
        return "It did not work again before the recording ended"
    over = [one for one in found.kept if one.out is not None]
    told = f"It worked again after {_span(found.outages)}{_parts(over)}"
    last = found.kept[-1]
    if last.out is not None:
        return told
    so_far = "the PC did not try again" if last.called is None else "it did not"
    return f"{told}; after the last {so_far} before the recording ended"


def _parts(over: Sequence[Incident]) -> str:
    """What the times out were made of, where that is known of all: without the PC's link, until it
    called again, and until that worked.
    """
    known = [(one.out, one.uncalled, one.without_link or 0.0) for one in over]
    split = [(out, called, link) for out, called, link in known if out and called is not None]
    whole = sum(out for out, _, _ in split)
    if len(split) < len(over) or whole < LONG * len(over):
        return ""
    vain = _in_vain(over)
    parts = [
        ([link for _, _, link in split], "without the PC's link"),
        ([called - link for _, called, link in split], "until the PC called again"),
        (
            [out - called for out, called, _ in split],
            f"until that worked{vain and f', after {vain} in vain'}",
        ),
    ]
    told = [f"{_span(one)} {what}" for one, what in parts if sum(one) >= A_PART * whole]
    if len(told) == 1 and vain:
        return f"; the PC called soon, {vain} in vain"
    return f": {listed(told)}"


def _in_vain(over: Sequence[Incident]) -> str:
    """How many calls were in vain: "1 to 2 calls"; nothing where none was."""
    often = sorted(one.in_vain for one in over)
    fewest = "" if often[0] == often[-1] else f"{often[0]:,} to "
    return f"{fewest}{count(often[-1], 'call')}" if often[-1] else ""


def _span(spans: Sequence[float]) -> str:
    """From the shortest to the longest, once where they are alike."""
    least, most = min(spans), max(spans)
    if most <= ALIKE * least:
        return seconds(most)
    return " to ".join(dict.fromkeys((seconds(least), seconds(most))))


def _summary(outcome: Outcome, clock: Clock) -> Iterator[str]:
    found = outcome.incidents
    yield f"{_when(found, clock)}."
    yield f"{_how_long(found)}."
    if found.between:
        spans = sorted(found.between)
        usual = f", usually {seconds(spans[len(spans) // 2])}" if len(spans) >= ENOUGH else ""
        yield f"Between them it worked for {_span(spans)}{usual}."
    yield how_they_showed([one.sign for one in found.kept])
    silent = Counter(one.silent for one in found.kept if one.silent and one.sign is not Sign.CUT)
    if silent:
        told = [f"{WHO_WAS_SILENT[one]} ({times(often)})" for one, often in silent.most_common()]
        yield f"When nothing answered: {listed(told)}."


def _table(shown: Sequence[Incident], clock: Clock) -> Table:
    when = clock.zone if clock.at(shown[0].began) else "Seconds"
    header = ("Frame", when, "It showed as", "Called", "Out for", "In vain")
    return Table(header, [_row(one, clock) for one in shown])


def _row(one: Incident, clock: Clock) -> tuple[str, ...]:
    at = f"{one.began.frame:,}", clock.at(one.began) or f"{one.began.seconds:.3f}"
    called = "-" if one.uncalled is None else seconds(one.uncalled) if one.uncalled else "at once"
    out = "to the end" if one.out is None else seconds(one.out)
    return *at, IN_A_CELL[one.sign], called, out, f"{one.in_vain:,}"
