"""How much a document tells without --all: it stays readable however much was recorded."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

from analyzer.reports.blocks import Block, Paragraph
from analyzer.words import clean, listed

T = TypeVar("T")
FEW = 2
"""Link-ups that are all told in full."""
MOST_IN_FULL = 10
"""Link-ups told in full: each takes about a screen."""
MOST_ROWS = 30
"""Link-ups in the table that shows them at a glance: about a screen."""
MOST_NOTICED = 12
"""Findings that are only named."""
MOST_TRIES = 12
"""Rows of what the PC tried with one controller."""
MOST_BREAKS = 100
"""Breaks listed on a page."""
MOST_STATIONS = 12
"""Stations listed."""
MOST_PIECES = 12
"""Files of one recording listed."""
MOST_LINES = 24
"""Lines of the short report on one connection: a terminal of the old size shows all of them."""
MOST_STEPS = 3
"""Steps that it tells: more are not read (common practice, no source)."""
MOST_PROOF = 3
"""Frames named in one sentence as what a finding rests on."""
MOST_NAMED = 8
"""Addresses named in one sentence."""


def first(things: Sequence[T], most: int, everything: bool) -> Sequence[T]:
    """All things with --all, else as many as are told without it."""
    return things if everything else things[:most]


def left_out(things: Sequence[object], shown: Sequence[object]) -> Iterator[Block]:
    """How many are not shown, and how to see them; nothing where all are."""
    number = len(things) - len(shown)
    if number:
        yield Paragraph(f"{number:,} more: list them with --all.")


def named(things: Sequence[object], most: int = MOST_NAMED) -> str:
    """Things in a sentence: the first of them, and how many more there are."""
    if len(things) <= most:
        return listed(things)
    return f"{', '.join(clean(str(one)) for one in things[:most])} and {len(things) - most:,} more"
