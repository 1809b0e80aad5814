"""A table -> comma-separated values (RFC 4180, but for the line ends), safe for a spreadsheet."""

import csv
import re
from io import StringIO

from analyzer.reports.blocks import Table
from analyzer.words import clean

FORMULA = re.compile(r"(^|[,;\"'])(?=\s*[=+@-])")
"""Where a spreadsheet could begin to calculate: at the start of a cell, and behind a sign at which
it may cut one (common practice, no source).
"""


def to_csv(table: Table) -> str:
    """Every cell in quotes, printable ASCII, never a formula; lines end in a line feed."""
    out = StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(table.header)
    writer.writerows([harmless(cell) for cell in row] for row in table.rows)
    return out.getvalue()


def harmless(cell: str) -> str:
    """The cell as text: an apostrophe stands before what could be taken for a formula."""
    return FORMULA.sub(r"\1'", clean(cell))
