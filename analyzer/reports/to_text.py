"""Blocks -> plain text: 80 columns, ASCII, no colour."""

import textwrap
from collections.abc import Iterable, Iterator

from tabulate import tabulate

from analyzer.reports.document import Block, Heading, Listing, Paragraph, Table
from analyzer.words import clean

WIDTH = 79
"""A terminal of 80 columns wraps a line of 80 in some code pages."""
GAP = 2


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
    cells = [table.header, *table.rows]
    widths = [max(len(row[i]) for row in cells) for i in range(len(table.header))]
    spare = WIDTH - GAP * len(widths)
    while sum(widths) > spare:
        widths[widths.index(max(widths))] -= 1
    text = tabulate(
        table.rows,
        headers=table.header,
        tablefmt="simple",
        maxcolwidths=[*widths],
        disable_numparse=True,
    )
    yield from (clean(line.rstrip()) for line in text.split("\n"))
