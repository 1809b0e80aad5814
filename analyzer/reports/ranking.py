"""Rows of many recordings -> one table, worst first: as a document, as JSON, as plain columns."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
from itertools import groupby

from analyzer.diagnosis import Step
from analyzer.reports.blocks import Block, Group, Groups, Heading, Listing, Paragraph, Table
from analyzer.reports.dates import Dates
from analyzer.reports.document.verdict import ENDED, WARNED, at_stage, capital
from analyzer.reports.over_files import Together, over_files, over_files_json
from analyzer.reports.row import NOT_READ, REASON, WORST_VERDICT, Row, group, worst_first
from analyzer.words import LONGEST_NAME, clean, count, ending, listed, quoted

SCHEMA = "whynolink-triage/1"
READ_ON = (
    "Before you act on a row, read the whole report of that recording: it has the proof, the "
    "steps, and the cautions that belong to them."
)
COUNTED = {str(verdict): words for verdict, words in ENDED.items()}
COUNTED[WARNED] = "complete with a warning"
GET_REPORT = "Print it with: whynolink diagnose FILE"
COMMONEST = 5
"""Findings that a summary names: what to look at first in a week's mail."""
LONGEST_PC, LONGEST_CONTROLLER = 17, 21
"""Letters in a line of text: a hardware address, and an IPv4 address with a port, are whole. Of a
long IPv6 address its end is told, in which neighbours differ."""


def ranked(rows: Iterable[Row]) -> list[Row]:
    """Worst first."""
    return sorted(rows, key=worst_first)


def ranking(
    rows: Sequence[Row],
    made: Sequence[str],
    reports: str = "",
    folder: str = "",
    whole: Sequence[Together] = (),
    zone: tzinfo | None = UTC,
) -> list[Block]:
    """The text about many recordings. made: by which version and with which options; reports: the
    folder with their pages; folder: in which names begin, empty where they are whole; whole: what
    broke in several of them; zone: that of the times, None for this machine's own.
    """
    dates = _dates(rows, zone)
    where = f"Its page lies in {quoted(reports)}, named after it." if reports else GET_REPORT
    inside = f"Names of files begin inside the folder {quoted(folder)}." if folder else ""
    groups = [
        Group(_title(alike), [_in_short(one, dates) for one in alike], ()) for alike in _alike(rows)
    ]
    return [
        *_summary(rows),
        Paragraph(f"{READ_ON} {where}"),
        *([Paragraph(inside)] if inside else []),
        Heading("Worst first"),
        Groups(("PC", "Controller", dates.above("Recorded"), "Sure", "File"), groups, named=4),
        *over_files(whole, zone),
        *_how_made(made),
    ]


def ranking_page(
    rows: Sequence[Row],
    made: Sequence[str],
    links: Mapping[str, str] | None = None,
    whole: Sequence[Together] = (),
    zone: tzinfo | None = UTC,
) -> list[Block]:
    """The page about many recordings, which names no folder. links: the address of each page, by
    its name; the others as for `ranking`.
    """
    dates = _dates(rows, zone)
    cells = {id(row): _in_full(row, dates) for row in rows}
    kept = [name for name in COLUMNS if name in ALWAYS or any(c[name] for c in cells.values())]
    links = links or {}
    groups = [
        Group(
            _verdict(alike),
            [[cells[id(row)][name] or "-" for name in kept] for row in alike],
            [links.get(row.report, "") for row in alike],
        )
        for alike in _alike(rows, but_reason=True)
    ]
    verdicts = {row.verdict for row in rows}
    return [
        *_summary(rows),
        Paragraph(f"{READ_ON} {LINKED if links else GET_REPORT}"),
        Groups(
            [dates.above(COLUMNS[name]) if name in DATES else COLUMNS[name] for name in kept],
            groups,
            named=kept.index("file"),
            kinds=[str(one) for one in WORST_VERDICT if one in verdicts],
            sortable=[place for place, name in enumerate(kept) if name not in ("verdict", "stage")],
        ),
        *over_files(whole, zone, picture=True),
        *_how_made(made),
    ]


LINKED = "The name of its file leads to it."
COLUMNS = {
    "verdict": "Verdict",
    "stage": "Stage",
    "finding": "What leads",
    "certainty": "Sure",
    "controller": "Controller",
    "pc": "PC",
    "recorded": "Recorded",
    "file": "File",
    "sender": "From",
    "subject": "Subject",
    "sent": "Mailed",
}
DATES = ("recorded", "sent")
"""Columns of dates."""
FOREIGN = ("file", "sender", "subject")
"""Columns of what others wrote."""
ALWAYS = ("verdict", "stage", "finding", "controller", "file")
"""Columns that stand there though they are empty."""


def _summary(rows: Sequence[Row]) -> Iterator[Block]:
    """How many came how far, what is found most often, and what came along."""
    yield Heading(_headline(rows), 1)
    leads = [row for row in rows if row.rule]
    often = Counter(row.rule for row in leads).most_common(COMMONEST)
    first: dict[str, str] = {}
    for row in leads:
        first.setdefault(row.rule, row.finding)
    if often and often[0][1] > 1:
        yield Paragraph("Found most often:")
        yield Listing([Step(f"{number:,} times: {_spelt(rule)}") for rule, number in often
                       if number > 1])  # fmt: skip
    strays = sum(row.strays for row in rows)
    if strays:
        verb = "hold" if strays > 1 else "holds"
        yield Paragraph(
            f"{count(strays, 'file')} that came along {verb} no frames (pictures, texts and the "
            "like): counted only."
        )


def _headline(rows: Sequence[Row]) -> str:
    """How many came how far, the worst first."""
    counts = Counter(row.verdict for row in rows)
    unread = counts.pop(NOT_READ, 0)
    worst = (verdict for verdict in WORST_VERDICT if verdict in counts)
    told = listed([f"{counts[verdict]:,} {COUNTED[verdict]}" for verdict in worst])
    judged = count(len(rows) - unread, "recording") + (f": {told}" if told else "")
    return f"{judged}; {count(unread, 'file')} not read" if unread else judged


def _alike(rows: Sequence[Row], but_reason: bool = False) -> Iterator[list[Row]]:
    """Rows with the same verdict for the same reason; but_reason: or for others."""
    parts = REASON if but_reason else None
    yield from (list(one) for _, one in groupby(ranked(rows), lambda row: group(row)[:parts]))


def _title(alike: Sequence[Row]) -> str:
    """Verdict and reason of rows that are told together, and how many they are."""
    same = len({one.finding for one in alike}) == 1
    why = clean(alike[0].finding if same else _spelt(alike[0].rule))
    return f"{_verdict(alike)}{f': {why}' if why else ''}"


def _verdict(alike: Sequence[Row]) -> str:
    """The verdict alone: on the page the reason stands in the row."""
    row = alike[0]
    at = f" at the {at_stage(row.stage)}" if row.stage else ""
    number = f" ({len(alike):,})" if len(alike) > 1 else ""
    return f"{capital(row.verdict)}{at}{number}"


def _spelt(rule: str) -> str:
    return rule.replace("-", " ")


def _dates(rows: Sequence[Row], zone: tzinfo | None) -> Dates:
    return Dates([_moment(getattr(row, name)) for row in rows for name in DATES], zone)


def _moment(text: str) -> datetime | None:
    """The time in a row; none where there is none."""
    with suppress(ValueError):
        return datetime.fromisoformat(text)
    return None


def _in_short(row: Row, dates: Dates) -> tuple[str, ...]:
    return (
        ending(row.pc, LONGEST_PC) or "-",
        _controller(row, LONGEST_CONTROLLER) or "-",
        dates.minute(_moment(row.recorded)) or "-",
        row.certainty or "-",
        _name(row.file),
    )


def _in_full(row: Row, dates: Dates) -> dict[str, str]:
    return {
        **{name: str(getattr(row, name)) for name in COLUMNS},
        "stage": at_stage(row.stage),
        "controller": _controller(row),
        **{name: _name(getattr(row, name)) for name in FOREIGN},
        **{name: dates.minute(_moment(getattr(row, name))) for name in DATES},
    }


def _name(text: str) -> str:
    return quoted(text, LONGEST_NAME) if text else ""


def _controller(row: Row, most: int | None = None) -> str:
    """most: letters of address and port."""
    whole = row.controller + (f":{row.port}" if row.port is not None else "")
    others = f" and {row.more_controllers} more" if row.more_controllers else ""
    return (whole if most is None else ending(whole, most)) + others


def _how_made(made: Sequence[str]) -> Iterator[Block]:
    yield Heading("How this table was made")
    yield Listing([Step(clean(text)) for text in made])


def columns(rows: Sequence[Row], links: Mapping[str, str]) -> Table:
    """All that a row holds, in columns for a spreadsheet or a program."""
    entries = [_entry(row, links) | {"stage": at_stage(row.stage)} for row in rows]
    header = tuple(entries[0]) if entries else ()
    return Table(header, [["" if v is None else str(v) for v in e.values()] for e in entries])


def rows_to_json(
    rows: Sequence[Row], links: Mapping[str, str], whole: Sequence[Together] = ()
) -> str:
    """One object for all rows, in ASCII, which is UTF-8 as well."""
    entries = [_entry(row, links) for row in rows]
    content = {"schema": SCHEMA, "recordings": entries, "breaks": over_files_json(whole)}
    return json.dumps(content, indent=1) + "\n"


def _entry(row: Row, links: Mapping[str, str]) -> dict[str, object]:
    entry = {name: None if value == "" else value for name, value in asdict(row).items()}
    return entry | {"report": links[row.report] if row.report else None}
