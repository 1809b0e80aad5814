"""Blocks -> plain text: 80 columns, ASCII, no colour."""

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from tabulate import tabulate

from analyzer.diagnosis import State
from analyzer.reports.blocks import (
    Block,
    Caution,
    Heading,
    Listing,
    Paragraph,
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
GAP = 2
"""Spaces between columns, and those that tabulate leaves behind a column's title."""


def to_text(blocks: Iterable[Block]) -> str:
    """The document as text that ends in a line feed."""
    parts = []
    for block in blocks:
        parts += [*_lines(block), *([] if isinstance(block, Heading) else [""])]
    return "\n".join(parts).rstrip("\n") + "\n"


def _lines(block: Block) -> Iterator[str]:
    match block:
        case Heading(text, level):
            wrapped = _wrapped(text, WIDTH)
            yield from wrapped
            if level < 3:
                yield ("=" if level == 1 else "-") * max(map(len, wrapped))
        case Paragraph(text):
            yield from _wrapped(text, WIDTH)
        case Caution(text):
            yield from _wrapped(f"CAUTION: {text}", WIDTH)
        case Listing():
            yield from _listing(block)
        case Table():
            yield from _table(block)
        case Typed(text):
            yield text
        case StageChart(header, stages):
            rows = [(one.name, _mark(one.state), one.because) for one in stages]
            yield from _table(Table(header, rows))
        case SequenceChart() | SpreadChart():
            yield from _table(block.as_table())


def _mark(state: State) -> str:
    return state.upper() if state is State.FAILED else str(state)


def _listing(listing: Listing) -> Iterator[str]:
    for number, item in enumerate(listing.items, 1):
        lead = f"  {number}. " if listing.numbered else "  - "
        if item.caution:
            yield from _indented(lead, f"CAUTION: {item.caution}")
            lead = " " * len(lead)
        yield from _indented(lead, item.text)


def _indented(lead: str, text: str) -> list[str]:
    lines = _wrapped(text, WIDTH - len(lead))
    return [lead + lines[0], *(" " * len(lead) + line for line in lines[1:])]


def _wrapped(text: str, width: int) -> list[str]:
    """Lines that break between words only: names and addresses stay whole where they fit."""
    return textwrap.wrap(text, width, break_on_hyphens=False)


def _table(table: Table) -> Iterator[str]:
    """Columns as wide as they need. Where the line would be too long, the widest gives way, down
    to its longest word.
    """
    columns = list(zip(table.header, *table.rows, strict=True))
    needs = [max(len(column[0]) + GAP, *map(len, column)) for column in columns]
    least = [_longest_word(column) for column in columns]
    widths = list(needs)
    while sum(widths) > WIDTH - GAP * len(widths):
        slack = [width - min(word, LONG_WORD) for width, word in zip(widths, least, strict=True)]
        widths[slack.index(max(slack))] -= 1
    rows = [
        ["\n".join(_wrapped(cell, width)) for cell, width in zip(row, widths, strict=True)]
        for row in table.rows
    ]
    text = tabulate(rows, table.header, tablefmt="simple", disable_numparse=True)
    yield from (clean(line.rstrip()) for line in text.split("\n"))


def _longest_word(column: Sequence[str]) -> int:
    return max(len(column[0]) + GAP, *(len(word) for cell in column for word in cell.split()), 0)
