"""The whole recording at a glance: the strip of time, and how answer times spread."""

from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Diagnosis, LinkUp, Outcome, Session, Spread
from analyzer.reports.blocks import Bar, Lane, SpreadChart, TimeStrip
from analyzer.words import listed, milliseconds, say, seconds

NICE = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21_600, 86_400)
"""Seconds between the ticks of the strip."""
MOST_TICKS = 4
"""Fit below each other's neighbours on a telephone."""
TOUCHING = 0.004
"""Share of the strip below which two spans are drawn as one."""
WORTH_PLOTTING = 10
"""Answers from which on their times are worth a picture."""


def strip(diagnosis: Diagnosis) -> TimeStrip | None:
    """The strip of the whole recording; None where it has no length."""
    whole = diagnosis.facts.coverage.seconds
    lanes = [lane for lane in _lanes(diagnosis) if lane.spans or lane.marks]
    if not lanes or whole <= 0:
        return None
    lanes = [Lane(one.name, _joined(one.spans, whole * TOUCHING), one.marks) for one in lanes]
    step = next((nice for nice in NICE if whole / nice <= MOST_TICKS), whole)
    ticks = [(number * step, seconds(number * step)) for number in range(int(whole / step) + 1)]
    ticks[0] = (0.0, "0 s")
    words = [_in_words(lane) for lane in lanes]
    header = ("What", "When")
    return TimeStrip("The recording in time", header, whole, ticks, lanes, words)


Spans = list[tuple[float, float]]


def _joined(spans: Sequence[tuple[float, float]], touching: float) -> Spans:
    """Spans in order, those that touch as one."""
    joined: Spans = []
    for begin, end in sorted(spans):
        if joined and begin - joined[-1][1] <= touching:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return joined


def _lanes(diagnosis: Diagnosis) -> Iterator[Lane]:
    pc = diagnosis.case.pc
    own = pc.hardware if pc is not None else None
    stations = diagnosis.facts.stations
    others = [span for one in stations if one.hardware != own for span in one.presence.spans]
    sent = [span for one in stations if one.hardware == own for span in one.presence.spans]
    linkups = diagnosis.case.linkups
    sessions = [session for linkup in linkups for session in linkup.sessions]
    yield Lane("Others are heard", others, [])
    yield Lane("The PC sends", sent if pc is not None else [], [])
    yield Lane("Address settings", [], _address_marks(diagnosis))
    questions = [question for linkup in linkups for question in linkup.questions]
    yield Lane("ARP questions", [], [m.seconds for q in questions for m in q.asked.moments])
    yield Lane("Port called", [], [m.seconds for s in sessions for m in s.syns.moments])
    yield Lane("Session open", [_open(one) for one in sessions if one.is_open], [])
    yield Lane("Answers", [span for linkup in linkups for span in _answers(linkup)], [])
    ends = [end for session in sessions for end in session.ends if end.reset]
    yield Lane("Resets", [], [end.moment.seconds for end in ends])


def _address_marks(diagnosis: Diagnosis) -> list[float]:
    pc, facts = diagnosis.case.pc, diagnosis.facts
    if pc is None:
        return []
    told = [facts.arp.probes, facts.arp.announcements]
    series = [one for table in told for (hw, _), one in table.items() if hw == pc.hardware]
    marks = [moment.seconds for one in series for moment in one.moments]
    return marks + [one.moment.seconds for one in facts.dhcp if one.client == pc.hardware]


def _open(session: Session) -> tuple[float, float]:
    return (session.completed or session.first).seconds, session.last.seconds


def _answers(linkup: LinkUp) -> Iterator[tuple[float, float]]:
    for session in linkup.sessions:
        first = session.from_server.first_data
        if first is not None and session.answered is not None:
            yield first.moment.seconds, session.answered.seconds
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None and exchange.answered.last is not None:
            yield exchange.answered.first.seconds, exchange.answered.last.seconds


MOST_WORDS = 4
"""Spans of a lane that are told in words."""


def _in_words(lane: Lane) -> str:
    spans = [f"{begin:.1f}-{end:.1f} s" for begin, end in lane.spans]
    spans += [f"{mark:.1f} s" for mark in sorted(lane.marks)]
    more = len(spans) - MOST_WORDS
    told = spans[:MOST_WORDS] + ([f"{more} more"] if more > 0 else [])
    return listed(told)


def spread(outcome: Outcome) -> SpreadChart | None:
    """How the answer times of a link-up spread; None where there are few."""
    sessions = [one for one in outcome.linkup.sessions if one.is_timed]
    most = max((one.answer_times for one in sessions), key=_count, default=None)
    if most is None or most.count < WORTH_PLOTTING:
        return None
    used = [number for number, count in enumerate(most.bins) if count]
    bars = [
        Bar(milliseconds(most.begins(number)), most.bins[number])
        for number in range(used[0], used[-1] + 1)
    ]
    told = {"n": most.count, "median": most.median, "most": most.most}
    text = (
        "{n:count answer}: half of them within {median:seconds}, the slowest after {most:seconds}"
    )
    return SpreadChart(say(text, told), ("After", "Answers"), bars)


def _count(spread: Spread) -> int:
    return spread.count
