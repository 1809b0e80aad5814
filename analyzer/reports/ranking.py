"""Rows of many recordings -> one table, worst first: as a document, as JSON, as plain columns."""

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict

from analyzer.diagnosis import Stage, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.verdict import ENDED, SHOWN_AS, WARNED
from analyzer.reports.row import NOT_READ, WORST_VERDICT, Row, worst_first
from analyzer.words import LONGEST_NAME, clean, count, listed, quoted

SCHEMA = "whynolink-triage/1"
READ_ON = (
    "Before you act on a row, read the whole report of that recording: it has the proof, the "
    "steps, and the cautions that belong to them."
)
COUNTED = {str(verdict): words for verdict, words in ENDED.items()}
COUNTED[WARNED] = "complete with a warning"
GET_REPORT = "Print it with: whynolink diagnose FILE"


def ranked(rows: Iterable[Row]) -> list[Row]:
    """Worst first."""
    return sorted(rows, key=worst_first)


def ranking(
    rows: Sequence[Row],
    made: Sequence[str],
    reports: str = "",
    links: Mapping[str, str] | None = None,
    folder: str = "",
) -> list[Block]:
    """The document for many recordings. made: by which version and with which options; reports:
    the folder with their pages; links: the address of each page, by its name; folder: in which
    names begin, empty where they are whole.
    """
    stages = [f"{number} {SHOWN_AS[stage]}" for number, stage in enumerate(Stage, 1)]
    inside = f"Names of files begin inside the folder {quoted(folder)}."
    where = f"Its page lies in {quoted(reports)}, named after it." if reports else GET_REPORT
    return [
        Heading(_headline(rows), 1),
        Paragraph(f"Worst first. At: the stage where it stopped. {'; '.join(stages)}."),
        Paragraph(f"{READ_ON} {where}"),
        *([Paragraph(inside)] if folder else []),
        Table(
            ("File", "Controller", "Verdict", "At", "What leads"),
            [_cells(row) for row in rows],
            name_above=True,
            links=[links.get(row.report, "") for row in rows] if links else (),
        ),
        Heading("How this table was made"),
        Listing([Step(clean(text)) for text in made]),
    ]


def _headline(rows: Sequence[Row]) -> str:
    """How many came how far, the worst first."""
    counts = Counter(row.verdict for row in rows)
    unread = counts.pop(NOT_READ, 0)
    worst = (verdict for verdict in WORST_VERDICT if verdict in counts)
    told = listed([f"{counts[verdict]:,} {COUNTED[verdict]}" for verdict in worst])
    judged = count(len(rows) - unread, "recording") + (f": {told}" if told else "")
    return f"{judged}; {count(unread, 'file')} not read" if unread else judged


def columns(rows: Sequence[Row], links: Mapping[str, str]) -> Table:
    """All that a row holds, in columns for a spreadsheet or a program."""
    entries = [_entry(row, links) for row in rows]
    header = tuple(entries[0]) if entries else ()
    return Table(header, [["" if v is None else str(v) for v in e.values()] for e in entries])


def rows_to_json(rows: Sequence[Row], links: Mapping[str, str]) -> str:
    """One object for all rows, in ASCII, which is UTF-8 as well."""
    content = {"schema": SCHEMA, "recordings": [_entry(row, links) for row in rows]}
    return json.dumps(content, indent=1) + "\n"


def _entry(row: Row, links: Mapping[str, str]) -> dict[str, object]:
    entry = {name: None if value == "" else value for name, value in asdict(row).items()}
    return entry | {"report": links[row.report] if row.report else None}


def _cells(row: Row) -> tuple[str, ...]:
    port = f":{row.port}" if row.port is not None else ""
    others = f" and {row.more_controllers} more" if row.more_controllers else ""
    stage = str([*map(str, Stage)].index(row.stage) + 1) if row.stage else "-"
    controller = f"{row.controller}{port}{others}" or "-"
    return quoted(row.file, LONGEST_NAME), controller, row.verdict, stage, row.finding
