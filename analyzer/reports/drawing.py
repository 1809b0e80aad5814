"""Pictures -> shapes with places, for the page to print as SVG: no words are made here."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import log, log2

from analyzer.reports.blocks import Event, Lifeline, SequenceChart, Shape, SpreadChart, TimeStrip

LETTER = 7.4
"""Width of a letter of the labels, in units of the picture; wide ones and narrow ones even out."""
BOLD = 1.15
"""How much wider bold letters are."""
LINE = 18
TIMES = 90
"""Width of the column of times and frames."""
NEAR = 12
"""From that column to the first lifeline."""
MARGIN = 78
"""From the last lifeline to the edge: half a head."""
APART = {2: 250, 3: 200, 4: 190, 5: 180, 6: 180}
"""Between two lifelines, by their number: both ends stand on the screen of a telephone."""
RECEIVERS = 76
"""Room of the word for everybody, where it stands behind the first lifeline."""
PIECE = 200
"""Height from which on a chart goes on in another piece: about a quarter of a sheet of paper."""
HEAD = 20
"""Letters in a line of a lifeline's head."""


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One shape. kind: line, box, dot, poly or words; at: its numbers, in the order that SVG wants;
    look: the class that styles it.
    """

    kind: str
    at: Sequence[float]
    look: str = ""
    text: str = ""
    anchor: str = "middle"


@dataclass(slots=True, eq=False, repr=False)
class Group:
    """Shapes that belong together; name: what links lead to; proof: whether a finding rests on
    what they show.
    """

    name: str = ""
    proof: bool = False
    marks: list[Mark] = field(default_factory=list)


@dataclass(slots=True, eq=False, repr=False)
class Picture:
    """A whole picture in its own units, or a piece of one that begins at top."""

    width: float
    height: float
    groups: list[Group]
    top: float = 0.0


def draw_sequence(chart: SequenceChart) -> list[Picture]:
    """A sequence chart after ITU-T Z.120: instance heads, message arrows, lost messages ending in a
    filled circle, messages to all going on to the edge of the chart, loops as inline boxes,
    instance ends. In pieces to be put below each other: paper is changed between two of them.
    """
    apart = APART[max(2, min(len(chart.lifelines), 6))]
    places = [TIMES + NEAR + apart * number for number in range(len(chart.lifelines))]
    width = places[-1] + MARGIN
    heads = [_head_lines(one) for one in chart.lifelines]
    head_height = LINE * max(len(lines) for lines in heads) + 14
    y = head_height + 10.0
    head = Group()
    for place, lines in zip(places, heads, strict=True):
        head.marks += _head(place, lines, head_height, y)
    pieces = [Picture(width, y, [head])]
    for event, after in zip(chart.events, [*chart.events[1:], None], strict=True):
        row, height = _row(event, places, y, chart.everybody)
        paused = " paused" if event.shape in (Shape.PAUSE, Shape.SILENCE) else ""
        lives = [Mark("line", (x, y, x, y + height), f"life{paused}") for x in places]
        if event.shape is Shape.ROUNDS or event.inside:
            is_last = after is None or not after.inside
            lives += _bracket(places, y, height, event.shape is Shape.ROUNDS, is_last)
        if pieces[-1].height > PIECE:
            pieces.append(Picture(width, 0, [], y))
        pieces[-1].groups += [Group(marks=lives), row]
        pieces[-1].height += height
        y += height
    pieces[-1].groups.append(Group(marks=[mark for x in places for mark in _foot(x, y)]))
    pieces[-1].height += 22
    return pieces


def _head_lines(lifeline: Lifeline) -> list[str]:
    return [lifeline.name, *lifeline.addresses.split(", ")]


def _head(x: float, lines: list[str], height: float, bottom: float) -> Iterator[Mark]:
    wide = HEAD * LETTER
    yield Mark("box", (x - wide / 2, 2, wide, height), "head")
    for number, line in enumerate(lines):
        yield Mark("words", (x, 2 + LINE * (number + 1)), "name" if number == 0 else "small", line)
    yield Mark("line", (x, height + 2, x, bottom), "life")


def _foot(x: float, y: float) -> Iterator[Mark]:
    yield Mark("line", (x, y, x, y + 10), "life")
    yield Mark("box", (x - 22, y + 10, 44, 7), "foot")


def _row(event: Event, places: Sequence[float], y: float, everybody: str) -> tuple[Group, float]:
    group = Group(event.name, event.proof)
    room = _room(event, places)
    letter = LETTER * BOLD if event.proof else LETTER
    lines = textwrap.wrap(event.text, max(10, int(room / letter)))
    height = LINE * max(len(lines), 1) + BELOW.get(event.shape, 16) + _waited(event)
    if event.frame is not None:
        height = max(height, 2 * LINE + 2)
    if event.shape is Shape.TO_ALL:
        group.marks += _receivers(event, places, y + LINE * len(lines), everybody)
    group.marks += _when(event, y)
    group.marks += _DRAWN[event.shape](event, places, y, lines)
    return group, height


BELOW = {Shape.LOOP: 38, Shape.PAUSE: 8, Shape.ROUNDS: 4}
"""Room below the words of a row."""
TALLER = 10
"""By how much a pause is taller that lasts twice as long."""


def _waited(event: Event) -> float:
    """How much taller than the shortest a pause is drawn: a long one must not look like it."""
    is_pause = event.shape in (Shape.PAUSE, Shape.SILENCE)
    return TALLER * min(7.0, max(0.0, log2(max(1.0, event.ends - event.seconds) / 2)) * is_pause)


def _bracket(
    places: Sequence[float], y: float, height: float, is_first: bool, is_last: bool
) -> Iterator[Mark]:
    """The side of a bracket along one row, with its ends."""
    x = places[-1] + 24
    top, bottom = y + 4 * is_first, y + height - 2 * is_last
    yield Mark("line", (x, top, x, bottom), "bracket")
    ends = [top] * is_first + [bottom] * is_last
    yield from (Mark("line", (x - 10, level, x, level), "bracket") for level in ends)


def _room(event: Event, places: Sequence[float]) -> float:
    begin, end = _reach(event, places)
    return abs(end - begin) - (40 if event.shape is Shape.REMARK else 20)


def _reach(event: Event, places: Sequence[float]) -> tuple[float, float]:
    """From where to where an event is drawn."""
    if event.shape is Shape.TO_ALL and event.by > 0:
        return places[0] + RECEIVERS, places[-1]
    if event.shape in (Shape.REMARK, Shape.TO_ALL, Shape.PAUSE, Shape.ROUNDS):
        return places[0], places[-1]
    return places[event.by], places[event.to]


def _when(event: Event, y: float) -> Iterator[Mark]:
    if event.shape in (Shape.SILENCE, Shape.PAUSE, Shape.ROUNDS):
        return
    yield Mark("words", (TIMES - 4, y + LINE - 3), "time", f"{event.seconds:.3f} s", "end")
    if event.frame is not None:
        yield Mark("words", (TIMES - 4, y + 2 * LINE - 5), "time", f"frame {event.frame:,}", "end")
    if event.proof:
        yield Mark("poly", _diamond(9.0, y + LINE - 7), "diamond")


def _label(lines: Sequence[str], x: float, y: float, look: str = "label") -> Iterator[Mark]:
    for number, line in enumerate(lines):
        yield Mark("words", (x, y + LINE * (number + 1) - 3), look, line)


def _arrow(begin: float, end: float, y: float, look: str = "arrow") -> Iterator[Mark]:
    toward = 1 if end > begin else -1
    yield Mark("line", (begin, y, end - toward, y), look)
    points = (end, y, end - toward * 10, y - 5, end - toward * 10, y + 5)
    yield Mark("poly", points, look)


def _message(
    event: Event, places: Sequence[float], y: float, lines: Sequence[str]
) -> Iterator[Mark]:
    begin, end = places[event.by], places[event.to]
    yield from _label(lines, (begin + end) / 2, y)
    yield from _arrow(begin, end, y + LINE * len(lines) + 6)


def _lost(event: Event, places: Sequence[float], y: float, lines: Sequence[str]) -> Iterator[Mark]:
    begin, end = places[event.by], places[event.to]
    yield from _label(lines, (begin + end) / 2, y)
    middle, level = begin + (end - begin) * 0.7, y + LINE * len(lines) + 6
    yield Mark("line", (begin, level, middle, level), "arrow lost")
    yield Mark("dot", (middle, level, 6), "hole")


def _to_all(
    event: Event, places: Sequence[float], y: float, lines: Sequence[str]
) -> Iterator[Mark]:
    begin, level = places[event.by], y + LINE * len(lines) + 6
    yield from _label(lines, sum(_reach(event, places)) / 2, y)
    for end, toward in _edges(event, places):
        yield Mark("line", (begin, level, end, level), "arrow")
        yield Mark("line", (end - toward * 10, level - 6, end, level), "arrow")
        yield Mark("line", (end - toward * 10, level + 6, end, level), "arrow")


def _edges(event: Event, places: Sequence[float]) -> Iterator[tuple[float, int]]:
    """The edges of the chart, beyond all others' lifelines, and the way there."""
    if event.by < len(places) - 1:
        yield places[-1] + MARGIN - 8, 1
    if event.by > 0:
        yield places[0] - NEAR, -1


def _receivers(event: Event, places: Sequence[float], y: float, everybody: str) -> Iterator[Mark]:
    """Who gets a message to all, written at its end."""
    for end, toward in _edges(event, places):
        anchor, off = ("end", 0) if toward > 0 else ("start", NEAR + 6)
        yield Mark("words", (end + off, y - 2), "small", everybody, anchor)


def _loop(event: Event, places: Sequence[float], y: float, lines: Sequence[str]) -> Iterator[Mark]:
    begin, end = sorted((places[event.by], places[event.to]))
    height = LINE * len(lines) + 30
    yield Mark("box", (begin - 10, y + 2, end - begin + 20, height), "loop")
    points = (begin - 10, y + 2, begin + 44, y + 2, begin + 44, y + 12, begin + 36, y + 18)
    yield Mark("poly", (*points, begin - 10, y + 18), "tag")
    yield Mark("words", (begin + 14, y + 14), "small", "folded")
    yield from _label(lines, (begin + end) / 2, y + 16)
    level = y + LINE * len(lines) + 22
    yield from _arrow(places[event.by], places[event.to], level)
    if not event.one_way:
        yield from _arrow(places[event.to], places[event.by], level)


def _pause(event: Event, places: Sequence[float], y: float, lines: Sequence[str]) -> Iterator[Mark]:
    yield from _label(lines, (places[0] + places[-1]) / 2, y + _waited(event) / 2, "quiet")


def _rounds(
    event: Event, places: Sequence[float], y: float, lines: Sequence[str]
) -> Iterator[Mark]:
    yield from _label(lines, (places[0] + places[-1]) / 2, y, "name")


def _silence(
    event: Event, places: Sequence[float], y: float, lines: Sequence[str]
) -> Iterator[Mark]:
    begin, end = sorted((places[event.by], places[event.to]))
    height = LINE * len(lines) + 6 + _waited(event)
    yield Mark("box", (begin + 8, y + 3, end - begin - 16, height), "silence")
    yield from _label(lines, (begin + end) / 2, y + 4 + _waited(event) / 2, "quiet")


def _remark(
    event: Event, places: Sequence[float], y: float, lines: Sequence[str]
) -> Iterator[Mark]:
    x, height = places[0] + 10, LINE * len(lines) + 4
    yield Mark("box", (x, y + 4, places[-1] - x, height), "remark")
    for number, line in enumerate(lines):
        yield Mark("words", (x + 8, y + LINE * (number + 1)), "label", line, "start")


_DRAWN = {
    Shape.MESSAGE: _message,
    Shape.LOST: _lost,
    Shape.TO_ALL: _to_all,
    Shape.LOOP: _loop,
    Shape.PAUSE: _pause,
    Shape.ROUNDS: _rounds,
    Shape.SILENCE: _silence,
    Shape.REMARK: _remark,
}

SIGN = 44, 20
"""Width and height of a sign in the key."""


def draw_sign(sign: str) -> Picture:
    """A sign of a sequence chart, for its key: of a shape, or "proof"."""
    wide, tall = SIGN
    middle = tall / 2
    line = Mark("line", (2, middle, wide - 4, middle), "arrow")
    edges = [Mark("line", (wide - 12, middle + up, wide - 4, middle), "arrow") for up in (-6, 6)]
    box = (4, 3, wide - 8, tall - 6)
    drawn = {
        "proof": [Mark("poly", _diamond(wide / 2, middle), "diamond")],
        Shape.LOST: [
            Mark("line", (2, middle, 30, middle), "arrow lost"),
            Mark("dot", (32, middle, 6), "hole"),
        ],
        Shape.TO_ALL: [line, *edges],
        Shape.LOOP: [Mark("box", box, "loop"), *_arrow(8, wide - 8, middle)],
        Shape.ROUNDS: list(_bracket([wide / 2 - 24], 0, tall, True, True)),
        Shape.SILENCE: [Mark("box", box, "silence")],
        Shape.PAUSE: [Mark("line", (wide / 2, 0, wide / 2, tall), "life paused")],
        Shape.REMARK: [Mark("box", box, "remark")],
    }
    return Picture(wide, tall, [Group(marks=list(drawn[sign]))])


def _diamond(x: float, y: float) -> Sequence[float]:
    return x, y - 6, x + 6, y, x, y + 6, x - 6, y


LANE = 38
"""Height of a lane of the strip with its name above it."""
APART_BY = 0.3
"""Per cent of the strip that lie between two spans at least, so that they are seen to be two."""
BARS = 44
"""Height of the tallest bar of a distribution."""


def draw_strip(strip: TimeStrip) -> Picture:
    """The strip of time. x and widths are percentages, so that it fits any page."""

    def at(moment: float) -> float:
        return min(100.0, max(0.0, 100 * moment / strip.seconds))

    height = LANE * len(strip.lanes)
    groups = [Group()]
    for moment, label in strip.ticks:
        anchor = "start" if moment == 0 else "end" if at(moment) > 90 else "middle"
        groups[0].marks.append(Mark("words", (at(moment), height + 18), "small", label, anchor))
    for number, lane in enumerate(strip.lanes):
        y = LANE * number
        marks = [Mark("words", (0, y + 15), "small", lane.name, "start")]
        marks += [Mark("box", (0, y + 20, 100, 14), "lane")]
        marks += [
            Mark("line", (at(moment), y + 20, at(moment), y + 37), "tick")
            for moment, _ in strip.ticks
        ]
        following = [at(begin) for begin, _ in lane.spans[1:]] + [100 + APART_BY]
        for (begin, end), then in zip(lane.spans, following, strict=False):
            left = min(at(begin), 99.5)
            right = min(max(at(end), left + 0.5), then - APART_BY)
            marks.append(Mark("box", (left, y + 20, right - left, 14), "on"))
        for moment in lane.marks:
            marks.append(Mark("box", (min(at(moment), 99.5), y + 18, 0.5, 18), "moment"))
        groups.append(Group(marks=marks))
    return Picture(100, height + 26, groups)


def draw_spread(chart: SpreadChart) -> Picture:
    """Bars in one row a kind, each with its name above it, over a logarithmic axis. x and widths
    are percentages.
    """

    def at(duration: float) -> float:
        share = log(duration / chart.begin) / log(chart.end / chart.begin)
        return min(100.0, max(0.0, 100 * share))

    row_height = BARS + 30
    height = row_height * len(chart.rows)
    groups = [Group()]
    for duration, label in chart.ticks:
        x = at(duration)
        anchor = "start" if x < 5 else "end" if x > 90 else "middle"
        groups[0].marks.append(Mark("words", (x, height + 18), "small", label, anchor))
    for number, row in enumerate(chart.rows):
        bottom = row_height * (number + 1)
        groups[0].marks += [
            Mark("line", (at(duration), bottom - BARS, at(duration), bottom + 4), "tick")
            for duration, _ in chart.ticks
        ]
        group = Group(marks=[Mark("words", (0, bottom - BARS - 10), "small", row.name, "start")])
        most = max(bar.count for bar in row.bars)
        for bar in row.bars:
            tall = max(2.0, BARS * bar.count / most)
            wide = max(0.3, at(bar.end) - at(bar.begin) - 0.15)
            group.marks.append(Mark("box", (at(bar.begin), bottom - tall, wide, tall), "on"))
        group.marks.append(Mark("line", (0, bottom, 100, bottom), "axis"))
        groups.append(group)
    return Picture(100, height + 26, groups)
