"""Blocks -> plain text: 80 columns, ASCII, no colour."""

import textwrap
from collections.abc import Iterable, Iterator

from tabulate import tabulate

from analyzer.reports.document import Block, Heading, Listing, Paragraph, Table
from analyzer.words import clean

WIDTH = 79
"""A terminal of 80 columns wraps a line of 80 in some code pages."""
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
            wrapped = textwrap.wrap(text, WIDTH)
            yield from wrapped
            if level < 3:
                yield ("=" if level == 1 else "-") * max(map(len, wrapped))
        case Paragraph(text):
            yield from textwrap.wrap(text, WIDTH)
        case Listing():
            yield from _listing(block)
        case Table():
            yield from _table(block)


def _listing(listing: Listing) -> Iterator[str]:
    for number, item in enumerate(listing.items, 1):
        lead = f"{number}. " if listing.numbered else "- "
        if item.caution:
            yield from _indented("   ! ", f"CAUTION: {item.caution}")
        yield from _indented(f"  {lead}", item.text)


def _indented(lead: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))


def _table(table: Table) -> Iterator[str]:
    """Columns as wide as they need; the widest gives way where the line would be too long."""
    widths = [len(title) + GAP for title in table.header]
    for row in table.rows:
        widths = [max(width, len(cell)) for width, cell in zip(widths, row, strict=True)]
    spare = WIDTH - GAP * len(widths)
    while sum(widths) > spare:
        widths[widths.index(max(widths))] -= 1
    rows = [
        [textwrap.fill(cell, width) for cell, width in zip(row, widths, strict=True)]
        for row in table.rows
    ]
    text = tabulate(rows, table.header, tablefmt="simple", disable_numparse=True)
    yield from (clean(line.rstrip()) for line in text.split("\n"))
