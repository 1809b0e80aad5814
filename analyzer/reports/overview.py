"""The whole recording at a glance: the strip of time, and how long round trips and answers took."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from analyzer.diagnosis import Diagnosis, LinkUp, Outcome, Session, Spread
from analyzer.reports.blocks import Bar, Lane, SpreadChart, Spreading, TimeStrip
from analyzer.words import count, listed, milliseconds, seconds

NICE = (
    0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21_600, 43_200, 86_400,
    172_800, 432_000, 864_000,
)  # fmt: skip
"""Seconds between the ticks of the strip."""
MOST_TICKS = 4
"""Fit below each other's neighbours on a telephone."""
TOUCHING = 0.004
"""Share of the strip below which a gap, a span or a mark is too small to be seen by itself."""
WORTH_PLOTTING = 10
"""Durations of one kind from which on they are worth a picture."""


def strip(diagnosis: Diagnosis) -> TimeStrip | None:
    """The strip of the whole recording; None where it has no length."""
    whole = diagnosis.facts.coverage.seconds
    return in_time("The recording in time", whole, list(_lanes(diagnosis)))


def in_time(title: str, whole: float, lanes: Sequence[Lane]) -> TimeStrip | None:
    """A strip of so many seconds; None where it has no length, or nothing to show."""
    lanes = [lane for lane in lanes if lane.spans or lane.marks]
    if not lanes or whole <= 0:
        return None
    touching = whole * TOUCHING
    lanes = [Lane(one.name, _joined(one.spans, touching), sorted(one.marks)) for one in lanes]
    step = next((nice for nice in NICE if whole / nice <= MOST_TICKS), whole)
    ticks = [(number * step, seconds(number * step)) for number in range(int(whole / step) + 1)]
    ticks[0] = (0.0, "0 s")
    words = [_in_words(lane) for lane in lanes]
    lanes = [replace(one, marks=_apart(one.marks, touching)) for one in lanes]
    header = ("What", "When")
    return TimeStrip(title, header, whole, ticks, lanes, words)


Spans = list[tuple[float, float]]


def _joined(spans: Sequence[tuple[float, float]], touching: float) -> Spans:
    """Spans in order; those that overlap are one, and those that touch where one of them is too
    short to be seen by itself: two sessions are two, however soon the second one follows.
    """
    joined: Spans = []
    for begin, end in sorted(spans):
        before, over = joined[-1] if joined else (begin, begin - 1 - touching)
        is_short = min(end - begin, over - before) <= touching
        if joined and begin - over <= (touching if is_short else 0):
            joined[-1] = (before, max(over, end))
        else:
            joined.append((begin, end))
    return joined


def _apart(marks: Sequence[float], touching: float) -> list[float]:
    """Of marks in order, those that can be told apart."""
    apart: list[float] = []
    for mark in marks:
        if not apart or mark - apart[-1] > touching:
            apart.append(mark)
    return apart


def _lanes(diagnosis: Diagnosis) -> Iterator[Lane]:
    pc = diagnosis.case.pc
    own = pc.hardware if pc is not None else None
    stations = diagnosis.facts.stations
    others = [span for one in stations if one.hardware != own for span in one.presence.spans]
    sent = [span for one in stations if one.hardware == own for span in one.presence.spans]
    linkups = diagnosis.case.linkups
    calls = [call for linkup in linkups for call in linkup.on_port]
    sessions = [call.session for call in calls]
    yield Lane("Others are heard", others, [])
    yield Lane("The PC sends", sent if pc is not None else [], [])
    yield Lane("Address settings", [], _address_marks(diagnosis))
    questions = [question for linkup in linkups for question in linkup.questions]
    asked = "Questions" if any(one.is_ipv6 for one in linkups) else "ARP questions"
    yield Lane(asked, [], [m.seconds for q in questions for m in q.asked.moments])
    yield Lane("Port called", [], [m.seconds for s in sessions for m in s.syns.moments])
    yield Lane("Session open", [_open(one.session) for one in calls if one.opened], [])
    yield Lane("Answers", [span for linkup in linkups for span in _answers(linkup)], [])
    ends = [end for session in sessions for end in session.ends if end.reset]
    yield Lane("Resets", [], [end.moment.seconds for end in ends])
    broken = [one for outcome in diagnosis.outcomes for one in outcome.incidents.kept]
    whole = diagnosis.facts.coverage.seconds
    out = [(one.began.seconds, one.again.seconds if one.again else whole) for one in broken]
    yield Lane("Breaks", [], [begin for begin, _ in out])
    yield Lane("Out after a break", out, [])


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
    spans += [f"{mark:.1f} s" for mark in lane.marks]
    more = len(spans) - MOST_WORDS
    told = spans[:MOST_WORDS] + ([f"{more} more"] if more > 0 else [])
    return listed(told)


Timed = tuple[str, Spread]


def timed(outcome: Outcome) -> list[Timed]:
    """What is worth telling of how long things took: (ping, handshake or answer, durations), none
    where there are few of every kind.
    """
    durations = outcome.linkup.durations
    enough = any(one.count >= WORTH_PLOTTING for one in durations.values())
    return list(durations.items()) if enough else []


def in_words(kind: str, spread: Spread) -> str:
    """How long a kind of thing took, in a sentence."""
    most = milliseconds(spread.most)
    if spread.count == 1:
        return f"{_how_many(kind, spread)}, after {most}."
    median = milliseconds(spread.median)
    half = f"half of them within {median}, the slowest after {most}"
    return f"{_how_many(kind, spread)}: {half if median != most else f'all within {most}'}."


def is_spread(kinds: Sequence[Timed]) -> bool:
    """Whether a picture shows more than the words: not where all bars stand alone."""
    return any(len(one.bins) > 1 for _, one in kinds)


def spread_chart(kinds: Sequence[Timed]) -> SpreadChart:
    """How durations spread: round trips beside answers, over one axis."""
    used = [n for _, one in kinds for n in one.bins]
    begin = max((n for n in AXIS if n <= Spread.begins(min(used))), default=AXIS[0])
    end = min((n for n in AXIS if n >= Spread.begins(max(used) + 1)), default=AXIS[-1])
    return SpreadChart(
        title="How often each duration was seen",
        header=("From, to",),
        begin=begin,
        end=end,
        ticks=[(one, milliseconds(one)) for one in _few(begin, end)],
        rows=[Spreading(_how_many(kind, one), list(_bars(one))) for kind, one in kinds],
    )


TIMED = {"ping": "answered ping", "handshake": "TCP handshake", "answer": "answer"}
AXIS = tuple(factor * 10.0**power for power in range(-6, 5) for factor in (1, 2, 5))
"""Seconds at which the axis of a distribution may begin and end."""


def _how_many(kind: str, spread: Spread) -> str:
    return count(spread.count, TIMED[kind])


def _few(begin: float, end: float) -> list[float]:
    """The ticks of an axis: all of AXIS, or powers of ten only, or every other one of those."""
    inside = [one for one in AXIS if begin <= one <= end]
    for step in (1, 3, 6):
        chosen = [one for one in inside if AXIS.index(one) % step == 0]
        if len(chosen) <= MOST_TICKS + 1:
            break
    return chosen


def _bars(spread: Spread) -> Iterator[Bar]:
    for number, often in sorted(spread.bins.items()):
        begin, end = Spread.begins(number), Spread.begins(number + 1)
        yield Bar(begin, end, f"{milliseconds(begin)} to {milliseconds(end)}", often)
