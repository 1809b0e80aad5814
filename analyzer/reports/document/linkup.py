"""One link-up: how far it got, what the PC tried, how long it took."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence

from analyzer.diagnosis import (
    Finding,
    How,
    Moment,
    Outcome,
    Sign,
    StageResult,
    Step,
    Try,
    Verdict,
)
from analyzer.reports.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    StageChart,
    StageRow,
    Table,
)
from analyzer.reports.document.bounds import MOST_TRIES, first
from analyzer.reports.document.parties import who
from analyzer.reports.document.verdict import SHOWN_AS, STILL_TROUBLE, capital, certainty, headline
from analyzer.reports.overview import in_words, is_spread, spread_chart, timed
from analyzer.words import say, span, times

TRIED = {
    "arp": "asks for the hardware address",
    "ping": "pings",
    "tcp": "calls TCP port {port}",
    "udp": "sends to UDP port {port}",
}
BLANK = "no answer recorded"
UNDER_WAY = "uses TCP port {port}, opening not recorded,"
TRY_ENDED = {
    How.IGNORED: "no answer",
    How.ANSWERED: "{answers:count answer}",
    How.REFUSED: "turned down",
    How.HELD_OVER: "answered with numbers of an older session",
    How.TURNED_DOWN: "accepted after the PC had given up",
    How.UNHEARD: "accepted again and again, and not taken up",
    How.NOT_SEEN: "accepted, and not taken up",
    How.TURNED_AWAY: "opened, and sent away with a text",
    How.DROPPED: "opened, and ended at once",
    How.MUTE: "opened, no answer to the request",
    How.HUNG: "{answers:count answer}, then none",
    How.RESET: "{answers:count answer}, then broken by a reset",
    How.CLOSED: "{answers:count answer}, then closed",
    How.OPEN: "{answers:count answer}, no end recorded",
}
CUT_OFF = "{answers:count answer}, cut off {cut:times}"
"""How a row of calls ended that the PC's link cut off."""


def link_up(
    outcome: Outcome, known: str, unlike: Sequence[str], everything: bool
) -> Iterator[Block]:
    """A link-up in full. known: how its two ends are known; unlike: what the site sheet says
    otherwise.
    """
    yield Heading(who(outcome.linkup))
    yield Paragraph(headline(outcome), strong=True)
    yield from how_sure(outcome)
    yield from how_far(outcome, everything)
    yield from both_ends(outcome, known, unlike)


def how_sure(outcome: Outcome) -> Iterator[Block]:
    """How sure what leads is; nothing where nothing does."""
    gravest = outcome.fault or outcome.warning
    if gravest is not None:
        is_told = outcome.verdict is not Verdict.CANNOT_TELL
        lead = "" if is_told else f"{gravest.title}. "
        yield Paragraph(f"{lead}How sure: {certainty(gravest, is_told=is_told)}")


def how_far(outcome: Outcome, everything: bool) -> Iterator[Block]:
    """The stages, and what the PC tried."""
    stages = [_stage(number, one) for number, one in enumerate(outcome.stages, 1)]
    yield StageChart(("Stage", "State", "Because"), stages)
    yield from _tries(outcome, everything)


def both_ends(outcome: Outcome, known: str, unlike: Sequence[str]) -> Iterator[Block]:
    """How the PC and the controller are known, and what goes for a link-up that works."""
    yield Paragraph(known)
    if unlike:
        yield Paragraph("Unlike the site sheet:")
        yield Listing([Step(text) for text in unlike])
    if outcome.verdict is Verdict.COMPLETE and outcome.warning is None:
        yield Paragraph(STILL_TROUBLE)


def _stage(number: int, result: StageResult) -> StageRow:
    because = f"{capital(result.because)}{_shown_in(result)}" if result.because else ""
    return StageRow(f"{number} {SHOWN_AS[result.stage]}", result.state, because)


def _shown_in(result: StageResult) -> str:
    """The frame that shows it, or the first one of the proof that it failed."""
    if isinstance(result.why, Finding) and result.why.evidence:
        return f" (from frame {result.why.evidence[0].moment.frame:,} on)"
    return "" if result.moment is None else f" (frame {result.moment.frame:,})"


def _tries(outcome: Outcome, everything: bool) -> Iterator[Block]:
    """What the PC tried, where that is more than one call."""
    if sum(one.times for one in outcome.tries if one.what != "arp") < 2:
        return
    shown = first(outcome.tries, MOST_TRIES, everything)
    calls = (one.call for one in outcome.incidents.kept if one.sign is Sign.CUT)
    cut = sorted((one.port or 0, one.first) for one in calls)
    rows = []
    for one in shown:
        tried = UNDER_WAY if one.under_way else TRIED[one.what]
        what, ended = say(tried, {"port": one.port}), _ended(one, cut)
        begin, end = one.first.seconds, one.last.seconds
        rows.append((span(begin, end), f"{capital(what)} {times(one.times)}", ended))
    yield Table(("From, to (s)", "What the PC tried", "How it ended"), rows)
    if len(shown) < len(outcome.tries):
        yield Paragraph(f"{len(outcome.tries) - MOST_TRIES} more rows like these are left out.")


def _ended(one: Try, cut: Sequence[tuple[int, Moment]]) -> str:
    """How tries ended. cut: port and first frame, in order, of the calls that the PC's link cut
    off.
    """
    if one.under_way and one.how is How.NOT_SEEN:
        return BLANK
    port = one.port or 0
    times_cut = bisect_right(cut, (port, one.last)) - bisect_left(cut, (port, one.first))
    text = CUT_OFF if one.how is How.OPEN and times_cut else TRY_ENDED[one.how]
    return say(text, {"answers": one.answers, "cut": times_cut})


def durations(outcome: Outcome) -> Iterator[Block]:
    """How long round trips and answers took."""
    kinds = timed(outcome)
    if kinds:
        yield Heading("Round trips and answers")
        yield Listing([Step(in_words(*one)) for one in kinds])
        if is_spread(kinds):
            yield spread_chart(kinds)
