"""Rules for workers of other processes: they have to be importable by name."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace

from analyzer.findings import Rule, Sighting
from analyzer.linkup import Case
from rules import ALL

DEADLY, STUMBLING = "deadly", "stumbling"
"""Words in the names of files that end the process, or bring a rule down."""


def _find(case: Case) -> Iterator[Sighting]:
    if DEADLY in case.facts.file:
        os._exit(9)
    if STUMBLING in case.facts.file:
        raise ZeroDivisionError
    return iter(())


def treacherous_rules() -> Sequence[Rule]:
    """The rules, and one that some files bring down."""
    return *ALL, replace(ALL[0], slug="treacherous", find=_find, needs=frozenset())
