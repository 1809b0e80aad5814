"""A link-up that works and breaks: how often, for how long, and what its breaks have in common."""

from collections import Counter
from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Incident, Incidents, Outcome, Sign, Silent, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.recording import Clock
from analyzer.words import count, listed, say, seconds, times

SEVERAL = 2
"""Breaks from which on they are told together."""
ALIKE = 1.05
"""Times within 5 % are told as one (common practice, no source)."""
ENOUGH = 5
"""Spans from which on there is a usual one."""
SHOWN_BY = {
    Sign.RESET: "the session is reset",
    Sign.CLOSED: "the session is closed",
    Sign.HUNG: "a request is repeated, without an answer",
    Sign.GIVEN_UP: "the PC gives up waiting",
    Sign.REFUSED: "a call is refused",
    Sign.IGNORED: "a call gets no answer",
    Sign.UNANSWERED: "a request gets no answer",
    Sign.CUT: "a session ends without a word, as the PC's link goes down",
    Sign.LATE: "an answer comes far later than usual",
}
WHO_WAS_SILENT = {
    Silent.NOBODY: "the controller was heard, and did not answer",
    Silent.CONTROLLER: "the controller alone was silent",
    Silent.SOME: "others were silent with it, and others not, as behind one switch",
    Silent.ALL: "everybody but the PC was silent",
    Silent.PC_TOO: "nobody was heard, the PC neither, as without its cable",
}
NO_BREAKS = (
    ("{n:count break} not counted: the PC slept, or its adapter was off.", "asleep"),
    ("{n:count break} not counted: the clock was set.", "clock_set"),
)


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
    others = [
        say(text, {"n": getattr(found, name)}) for text, name in NO_BREAKS if getattr(found, name)
    ]
    yield from map(Paragraph, others)


def told_shortly(outcome: Outcome, clock: Clock) -> str:
    """The same in a sentence or two, nothing where it broke less than twice."""
    found = outcome.incidents
    if found.count < SEVERAL:
        return ""
    shared = outcome.common
    told = outcome.in_common[:1] if shared is not None else []
    return " ".join([f"{_how_long(outcome, clock)}.", *told])


def _verb(found: Incidents) -> str:
    return "stalled" if all(one.sign is Sign.LATE for one in found.kept) else "broke"


def _how_long(outcome: Outcome, clock: Clock) -> str:
    """How often, from when to when, how long out, and whether it came back in the end."""
    found = outcome.incidents
    first, last = (clock.at(one.began) for one in (found.kept[0], found.kept[-1]))
    when = f", {first} to {last}" if first else ""
    out = sorted(found.outages)
    if not out:
        return f"It {_verb(found)} {times(found.count)}{when}, and did not come back"
    alike = out[-1] <= ALIKE * out[0]
    long = f"each time for {seconds(out[-1])}" if alike else f"for {_span(out)}"
    to_the_end = ", the last to the end" if found.kept[-1].out is None else ""
    return f"It {_verb(found)} {times(found.count)}{when}, {long}{to_the_end}"


def _span(spans: Sequence[float]) -> str:
    """From the shortest to the longest, once where they read the same."""
    ends = (seconds(min(spans)), seconds(max(spans)))
    return " to ".join(dict.fromkeys(ends))


def _summary(outcome: Outcome, clock: Clock) -> Iterator[str]:
    found = outcome.incidents
    yield f"{_how_long(outcome, clock)}."
    if found.between:
        spans = sorted(found.between)
        usual = f", usually {seconds(spans[len(spans) // 2])}" if len(spans) >= ENOUGH else ""
        yield f"Between them it worked for {_span(spans)}{usual}."
    signs = Counter(one.sign for one in found.kept)
    shown = [f"{SHOWN_BY[one]} ({times(often)})" for one, often in signs.items()]
    yield f"How they showed: {listed(shown)}."
    silent = Counter(one.silent for one in found.kept if one.silent is not None)
    if silent:
        told = [f"{WHO_WAS_SILENT[one]} ({times(often)})" for one, often in silent.most_common()]
        yield f"When nothing answered: {listed(told)}."


def _table(shown: Sequence[Incident], clock: Clock) -> Table:
    header = ("Frame", "Seconds", clock.zone, "How", "Out for", "Failed calls")
    return Table(header, [_row(one, clock) for one in shown])


def _row(one: Incident, clock: Clock) -> tuple[str, ...]:
    out = "to the end" if one.out is None else seconds(one.out)
    at = f"{one.began.frame:,}", f"{one.began.seconds:.3f}", clock.at(one.began)
    return *at, str(one.sign), out, f"{one.in_vain:,}"
