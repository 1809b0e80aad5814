"""Blocks -> plain text: 80 columns, ASCII, no colour."""

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest

from analyzer.cautions import Caution
from analyzer.diagnosis import State
from analyzer.reports.blocks import (
    Banner,
    Block,
    Groups,
    Heading,
    Labelled,
    Listing,
    Paragraph,
    Quote,
    SequenceChart,
    SpreadChart,
    StageChart,
    Table,
    Typed,
)
from analyzer.words import clean

WIDTH = 79
"""A terminal of 80 columns wraps a line of 80 in some code pages."""
LONG_WORD = 22
"""Longer words may be broken: rule names and hardware addresses are not."""
RULED = 2
"""Lines above the rows of a table: its header and a rule."""
INDENT = "  "
QUOTE = "> "
"""Before each line of others' words (RFC 3676 4.5)."""
QUOTED = re.compile(r'"[^"]*"|whynolink rules \S+')
"""A quoted part, or a command to be copied."""
GLUE = "\0"
"""Stands for the blanks of a quoted part while lines are broken: it stays in one line."""
GAP = 2
"""Spaces between columns, and those behind a column's title."""


def to_text(blocks: Iterable[Block]) -> str:
    """The document as text that ends in a line feed."""
    parts: list[str] = []
    before: Block | None = None
    for block in blocks:
        if not (before is None or isinstance(before, Heading) or _is_below_caution(before, block)):
            parts.append("")
        parts += _lines(block)
        before = block
    return "\n".join(parts).rstrip("\n") + "\n"


def _is_below_caution(before: Block, block: Block) -> bool:
    """Whether a block is what a caution is about, or another caution."""
    return isinstance(before, Caution) and isinstance(block, (Caution, Listing))


def _lines(block: Block) -> Iterator[str]:
    match block:
        case Heading(text, level):
            wrapped = _wrapped(text, WIDTH)
            yield from wrapped
            if level < 3:
                yield ("=" if level == 1 else "-") * max(map(len, wrapped))
        case Paragraph(text) | Banner(text=text):
            yield from _wrapped(text, WIDTH)
        case Quote(text):
            yield from (QUOTE + line for line in _wrapped(text, WIDTH - len(QUOTE)))
        case Caution():
            yield from _wrapped(str(block), WIDTH)
        case Listing():
            yield from _listing(block)
        case Labelled(rows):
            width = max(len(label) for label, _ in rows) + GAP
            for label, told in rows:
                yield from _indented(label.ljust(width), told)
        case Table():
            yield from _table(block)
        case Groups():
            yield from _groups(block)
        case Typed(text):
            yield text
        case StageChart(header, stages):
            cells = [(one.name, _mark(one.state), one.because) for one in stages]
            yield from _table(Table(header, cells))
        case SequenceChart() | SpreadChart():
            yield from _table(block.as_table())


def _mark(state: State) -> str:
    return state.upper() if state is State.FAILED else str(state)


def _listing(listing: Listing) -> Iterator[str]:
    for number, item in enumerate(listing.items, listing.begin):
        lead = f"  {number}. " if listing.numbered else "  - "
        yield from _indented(lead, item.text)
        if item.caution:
            yield from _indented(" " * len(lead), str(item.caution))


def _indented(lead: str, text: str) -> list[str]:
    lines = _wrapped(text, WIDTH - len(lead))
    return [lead + lines[0], *(" " * len(lead) + line for line in lines[1:])]


def _wrapped(text: str, width: int) -> list[str]:
    """Lines that break between words only: names, addresses and quoted parts stay whole where they
    fit.
    """
    lines = textwrap.wrap(_glued(text, width), width, break_on_hyphens=False)
    return [line.replace(GLUE, " ") for line in lines]


def _glued(text: str, width: int) -> str:
    return QUOTED.sub(
        lambda part: part[0].replace(" ", GLUE if len(part[0]) <= width else " "), text
    )


def _table(table: Table) -> Iterator[str]:
    if table.name_above:
        yield from _below_names(table)
        return
    yield from _ruled(table.header, _fitted(table, WIDTH))


def _below_names(table: Table) -> Iterator[str]:
    """The name of each row on a line of its own, whole however long it is, so that it can be
    copied; the other cells stand below it.
    """
    rest = Table(table.header[1:], [row[1:] for row in table.rows])
    rows = _fitted(rest, WIDTH - len(INDENT))
    lines = _ruled(rest.header, rows)
    yield from (INDENT + next(lines) for _ in range(RULED))
    for (name, *_), cells in zip(table.rows, rows, strict=True):
        yield clean(name)
        for _ in range(max(cell.count("\n") for cell in cells) + 1):
            yield INDENT + next(lines)


def _groups(table: Groups) -> Iterator[str]:
    """Each group under its title; names stand last, whole, or below where there is no room."""
    rest = [[_without(row, table.named) for row in group.rows] for group in table.groups]
    header = _without(table.header, table.named)
    columns = zip(header, *(row for rows in rest for row in rows), strict=True)
    widths = [max(map(len, column)) for column in columns]
    yield from _beside(header, widths, table.header[table.named])
    for group, rows in zip(table.groups, rest, strict=True):
        yield ""
        yield from _wrapped(group.title, WIDTH)
        for row, cells in zip(group.rows, rows, strict=True):
            yield from _beside(cells, widths, row[table.named])


def _beside(cells: Sequence[str], widths: Sequence[int], name: str) -> Iterator[str]:
    padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
    line = INDENT + (GAP * " ").join(padded)
    name = clean(name)
    if len(line) + GAP + len(name) <= WIDTH:
        yield line + GAP * " " + name
    else:
        yield from (line.rstrip(), 2 * INDENT + name)


def _without(row: Sequence[str], place: int) -> list[str]:
    return [cell for number, cell in enumerate(row) if number != place]


def _fitted(table: Table, width: int) -> list[list[str]]:
    """Cells with line ends in them. Columns are as wide as they need; where the line would be too
    long, the widest gives way, down to its longest word.
    """
    columns = list(zip(table.header, *table.rows, strict=True))
    needs = [max(len(column[0]) + GAP, *map(len, column)) for column in columns]
    least = [_longest_word(column) for column in columns]
    widths = list(needs)
    while sum(widths) > width - GAP * len(widths):
        slack = [width - min(word, LONG_WORD) for width, word in zip(widths, least, strict=True)]
        widths[slack.index(max(slack))] -= 1
    return [
        ["\n".join(_wrapped(cell, width)) for cell, width in zip(row, widths, strict=True)]
        for row in table.rows
    ]


def _ruled(header: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """The lines of a table; cells may have line ends in them."""
    lines: list[Sequence[str]] = [header]
    for row in rows:
        lines += zip_longest(*(cell.split("\n") for cell in row), fillvalue="")
    columns = zip(*lines, strict=True)
    widths = [max(len(column[0]) + GAP, *map(len, column)) for column in columns]
    lines.insert(1, ["-" * width for width in widths])
    for line in lines:
        padded = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        yield clean((GAP * " ").join(padded).rstrip())


def _longest_word(column: Sequence[str]) -> int:
    return max(
        len(column[0]) + GAP,
        *(len(word) for cell in column for word in _glued(cell, LONG_WORD).split()),
        0,
    )
