"""Names of files are foreign text: safe as page names, in tables and in spreadsheets."""

import csv
import io
import re
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from analyzer.reports.blocks import Table
from analyzer.reports.ranking import columns, ranking, ranking_page, rows_to_json
from analyzer.reports.row import Row
from analyzer.reports.to_csv import to_csv
from analyzer.reports.to_html import to_html
from analyzer.reports.to_text import to_text
from analyzer.triage import Order, Sent
from analyzer.triage.worker import named
from rules import all_rules

NAMES = st.text(st.characters(), max_size=60)
ORDER = Order(all_rules, reports=Path())


def row(file: str) -> Row:
    return Row(file=file, verdict="complete", finding="Fine", status=0)


def page(name: str) -> str:
    return named(row(""), Sent(name, Path()), ORDER, "key").report


@given(NAMES)
@example("../../etc/passwd")
@example("C:\\con")
@example("\udcff\u202e.pcap")
def test_page_names_are_plain(name: str) -> None:
    """Letters, digits and dashes: no folder, no device, nothing to escape, not too long."""
    assert re.fullmatch(r"[a-z0-9][a-z0-9-]{0,60}\.html", page(name))


@given(NAMES, NAMES)
def test_page_names_are_one_to_a_name(one: str, other: str) -> None:
    """Two recordings never share a page."""
    assert (page(one) == page(other)) == (one == other)


@given(st.text(st.sampled_from("=+-@,;\"'\t\r\n |x\uff1d\u202e\x1b<&")))
@example("=1+1")
@example('x";=1+1;"')
def test_no_cell_is_a_formula(name: str) -> None:
    """Whichever sign a spreadsheet takes for the end of a cell."""
    text = to_csv(Table(("File",), [[name]]))
    assert text.isascii()
    (header, cells) = csv.reader(io.StringIO(text))
    assert header == ["File"]
    assert not re.match(r"\s*[=+@\t\r-]", cells[0])
    for piece in re.split(r"[,;\"]", cells[0]):
        assert not re.match(r"\s*[=+@-]", piece)


@settings(max_examples=20, deadline=None)
@given(NAMES)
@example("</td><script>alert(1)</script>")
@example("\x1b[31mred\r\n\x9b0m")
def test_foreign_names_stay_text(name: str) -> None:
    """One row stays one row; nothing is run, coloured or turned round."""
    rows = [row(name)]
    for text in (to_text(ranking(rows, ())), to_csv(columns(rows, {})), rows_to_json(rows, {})):
        assert re.fullmatch(r"[ -~\n]*", text)
    assert to_csv(columns(rows, {})).count("\n") == 2
    html = to_html(ranking_page(rows, ()))
    assert html.count("<script") == 1, "its own one"
    assert html.count("<tr") == len(("header", "title", "row"))


def test_text_fits_a_terminal_and_names_stay_whole() -> None:
    """80 columns, but for names: a long one stands alone on a line, so that it can be copied."""
    rows = [
        Row(file="folder/" * 20, verdict="stopped", finding="word " * 30, status=1, stage="link"),
        Row(
            file="b" * 90,
            verdict="cannot tell",
            finding="x" * 90,
            status=3,
            controller="198.51.100.160",
            port=44818,
            more_controllers=12,
            pc="00-00-5E-00-53-15",
        ),
        Row(
            file="c",
            verdict="complete",
            finding="12 answers",
            certainty="shown",
            status=0,
            recorded="2025-03-11T09:00:00+00:00",
            controller="2001:db8:1234:5678:1234:5678:9abc:def0",
            port=44818,
            more_controllers=12,
            pc="2001:db8:1234:5678:1234:5678:9abc:def1",
        ),
    ]
    lines = to_text(ranking(rows, ("whynolink",), reports="r" * 90)).split("\n")
    names = {f'"{row.file}"' for row in rows[:2]}
    assert any("...5678:9abc:def1  ...78:9abc:def0:44818 and 12 more" in line for line in lines)
    assert names < {line.strip() for line in lines}
    assert max(len(line) for line in lines if line.strip() not in names) <= 80
