"""What a document is made of: text, tables and pictures as plain data, every word decided."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from analyzer.cautions import MAKE_SAFE, Caution
from analyzer.diagnosis import State, Step


class Heading(NamedTuple):
    """A title; level 1 is the document's own. name: what links lead to, empty where none do."""

    text: str
    level: int = 2
    name: str = ""


class Paragraph(NamedTuple):
    """Running text. strong: what a reader in a hurry should see first."""

    text: str
    strong: bool = False


class Mood(StrEnum):
    """How good the news of a verdict is."""

    WORKS = "works"
    WARNED = "warned"
    STOPPED = "stopped"
    CANNOT_TELL = "cannot tell"


class Banner(NamedTuple):
    """A verdict, for a page: what a reader sees first. word: the verdict in a word or two."""

    mood: Mood
    word: str
    text: str


class Quote(NamedTuple):
    """Words of others, whose they are is said above: every line of them is marked as theirs."""

    text: str


class Listing(NamedTuple):
    """Things one below the other; numbered where their order counts, begin: from which number on. A
    caution stands below the step that it belongs to; one that is a block of its own is about all
    that follows under the same heading.
    """

    items: Sequence[Step]
    numbered: bool = False
    begin: int = 1


class Labelled(NamedTuple):
    """Short texts one below the other, each behind a word that says what it is about."""

    rows: Sequence[tuple[str, str]]


class Table(NamedTuple):
    """Rows of cells under a header. events: for each row the name of the event in a sequence chart
    that it speaks of, empty where there is none; links: for each row the relative address of the
    page that its first cell leads to, empty where there is none; name_above: whether the first cell
    is a name to be copied, which plain text gives a line of its own.
    """

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    events: Sequence[str] = ()
    links: Sequence[str] = ()
    name_above: bool = False


class Group(NamedTuple):
    """Rows that belong together, under a title. links: for each row the relative address of the
    page that its name leads to, empty where there is none.
    """

    title: str
    rows: Sequence[Sequence[str]]
    links: Sequence[str]


class Groups(NamedTuple):
    """A table in groups. Its first cell is a verdict on the page; named: the place of the cell with
    the name, which is told whole; kinds: the verdicts that occur; sortable: places of the columns
    that a page can be sorted by.
    """

    header: Sequence[str]
    groups: Sequence[Group]
    named: int
    kinds: Sequence[str] = ()
    sortable: Sequence[int] = ()


class Typed(NamedTuple):
    """Something to type, letter by letter: never wrapped."""

    text: str


AS_TABLE = "The same as a table"
"""Above the words that stand for a picture."""


class StageRow(NamedTuple):
    """One stage: its name, how it is, and why."""

    name: str
    state: State
    because: str


class StageChart(NamedTuple):
    """The stages of one link-up, in their order."""

    header: Sequence[str]
    rows: Sequence[StageRow]


class Lifeline(NamedTuple):
    """Somebody who takes part: a name, and the addresses below it."""

    name: str
    addresses: str


class Shape(StrEnum):
    """How an event is drawn, after ITU-T Z.120: a message that arrives, one that nothing answers (a
    lost message), one to everybody, messages repeated in a loop, rounds of several events that
    repeat, an answer that does not come, and time in which nothing happens.
    """

    MESSAGE = "message"
    LOST = "lost"
    TO_ALL = "to all"
    LOOP = "loop"
    ROUNDS = "rounds"
    SILENCE = "silence"
    PAUSE = "pause"
    REMARK = "remark"


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """Something that happened, once or again and again.

    by, to: places of lifelines, the same where it is for everybody; frame: None for silence and
    pauses; text: what the picture says; until: when a loop or a pause ended; proof: whether a
    finding rests on it; name: what links lead to, empty where none do; times: how many it stands
    for; inside: whether it belongs to the rounds that are told above it; one_way: whether all that
    a loop stands for went from the one to the other.
    """

    seconds: float
    frame: int | None
    by: int
    to: int
    shape: Shape
    text: str
    until: float = 0.0
    proof: bool = False
    name: str = ""
    times: int = 1
    inside: bool = False
    one_way: bool = False

    @property
    def ends(self) -> float:
        """When it was over, in seconds."""
        return max(self.seconds, self.until)


class SequenceChart(NamedTuple):
    """Who said what to whom, time going down. everybody: what the receiver of a message to all is
    called; key: the signs that occur, by their shapes or as "proof", and what they mean.
    """

    title: str
    everybody: str
    header: Sequence[str]
    lifelines: Sequence[Lifeline]
    events: Sequence[Event]
    key: Sequence[tuple[str, str]] = ()

    def as_table(self) -> Table:
        """The same in words."""
        return Table(self.header, [self._row(event) for event in self.events])

    def _row(self, event: Event) -> tuple[str, ...]:
        frame = f"{event.frame:,}" if event.frame else ""
        by, to = self.lifelines[event.by].name, self.lifelines[event.to].name
        if event.shape in (Shape.PAUSE, Shape.SILENCE, Shape.REMARK, Shape.ROUNDS):
            by = to = ""
        if event.shape is Shape.TO_ALL:
            to = self.everybody
        return f"{event.seconds:.3f}", frame, by, to, event.text


@dataclass(frozen=True, slots=True, eq=False)
class Lane:
    """One row of the strip of time: spans (begin, end) and single marks, in seconds."""

    name: str
    spans: Sequence[tuple[float, float]]
    marks: Sequence[float]


class TimeStrip(NamedTuple):
    """The whole recording at a glance. seconds: its length; ticks: (seconds, label); words: each
    lane told.
    """

    title: str
    header: Sequence[str]
    seconds: float
    ticks: Sequence[tuple[float, str]]
    lanes: Sequence[Lane]
    words: Sequence[str]

    def as_table(self) -> Table:
        """The same in words."""
        names = [lane.name for lane in self.lanes]
        return Table(self.header, list(zip(names, self.words, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Bar:
    """How often a duration was seen. begin, end: seconds, above zero; label: the span in words."""

    begin: float
    end: float
    label: str
    count: int


class Spreading(NamedTuple):
    """One row of a distribution: what was timed, and its bars in order."""

    name: str
    bars: Sequence[Bar]


class SpreadChart(NamedTuple):
    """How durations spread, one row a kind, over the same logarithmic axis. begin, end: of the
    axis, in seconds; ticks: (seconds, label).
    """

    title: str
    header: Sequence[str]
    begin: float
    end: float
    ticks: Sequence[tuple[float, str]]
    rows: Sequence[Spreading]

    def as_table(self) -> Table:
        """The same in words: spans in which nothing was seen are left out."""
        labels = dict(sorted((bar.begin, bar.label) for row in self.rows for bar in row.bars))
        counts = [{bar.begin: f"{bar.count:,}" for bar in row.bars} for row in self.rows]
        header = (*self.header, *(row.name for row in self.rows))
        return Table(
            header,
            [(label, *(one.get(begin, "-") for one in counts)) for begin, label in labels.items()],
        )


Block = (
    Heading
    | Paragraph
    | Quote
    | Banner
    | Caution
    | Listing
    | Labelled
    | Table
    | Groups
    | Typed
    | StageChart
    | SequenceChart
    | TimeStrip
    | SpreadChart
)


def safely(blocks: Iterable[Block]) -> Iterator[Block]:
    """The same blocks, and how to make a machine safe: once, above the first that says to."""
    said = False
    for block in blocks:
        if not said and any(one.make_safe for one in _cautions(block)):
            said = True
            yield MAKE_SAFE
        yield block


def _cautions(block: Block) -> list[Caution]:
    if isinstance(block, Caution):
        return [block]
    items = block.items if isinstance(block, Listing) else ()
    return [one.caution for one in items if one.caution is not None]
