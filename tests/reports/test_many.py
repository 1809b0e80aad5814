"""However many link-ups there are, a report stays readable, and costs a straight line."""

import json
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import FrameType

import pytest

import analyzer
from analyzer.comparison import compare
from analyzer.diagnosis import Diagnosis, Verdict
from analyzer.reports import comparison
from analyzer.reports.blocks import Heading, Listing, Table
from analyzer.reports.document import report
from analyzer.reports.document.bounds import (
    MOST_IN_FULL,
    MOST_NAMED,
    MOST_NOTICED,
    MOST_ROWS,
    MOST_STATIONS,
)
from analyzer.reports.document.page import page as page_of
from analyzer.reports.document.verdict import WARNED, short_verdict, worst_first
from analyzer.reports.letter import Style, letter
from analyzer.reports.row import row_of
from analyzer.reports.sheet import sheet
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from tests.reports.many import kinds, many

NUMBER = 4_000
Trace = Callable[[FrameType, str, object], object]
WORST_FIRST = ["stopped", "unstable", "cannot tell", WARNED, "complete"]


@pytest.fixture(scope="module")
def crowd() -> Diagnosis:
    return many(NUMBER)


def overview(diagnosis: Diagnosis, everything: bool = False) -> list[str]:
    """The verdicts in the table of all link-ups."""
    tables = [one for one in report([diagnosis], everything) if isinstance(one, Table)]
    (table,) = [one for one in tables if one.header[0] == "Controller"]
    return [row[2] for row in table.rows]


def test_four_thousand_controllers_fit_a_few_pages(crowd: Diagnosis) -> None:
    text, page = to_text(report([crowd])), to_html(page_of([crowd]))
    reply = to_text(letter([crowd]))
    assert text.count("\n") < 400
    assert text.count("How sure: ") <= MOST_IN_FULL
    assert len(page) < 1 << 18
    assert page.count('<ol class="stages">') <= MOST_IN_FULL
    assert reply.count("\n") < 150


def test_what_is_left_out_is_counted(crowd: Diagnosis) -> None:
    text, reply = (" ".join(to_text(one).split()) for one in (report([crowd]), letter([crowd])))
    assert f"{NUMBER - MOST_ROWS:,} more, none of them worse: --all lists them" in text
    unclear = sum(one.verdict is Verdict.CANNOT_TELL for one in crowd.outcomes)
    assert f"How far {unclear - MOST_IN_FULL:,} more connections got: --all" in text
    assert f"{NUMBER - MOST_STATIONS:,} more: list them with --all." in text
    troubled = sum(
        one.verdict is not Verdict.COMPLETE or bool(one.warning) for one in crowd.outcomes
    )
    told = len(re.findall(r"With the controller [0-9.]+,", reply))
    assert 0 < told <= MOST_IN_FULL
    rest = troubled - told - MOST_NAMED
    assert re.search(
        rf"Besides these, there is trouble or a warning with .* and {rest:,} more\.", reply
    )
    works = NUMBER - troubled
    assert f"and {works - MOST_NAMED:,} more: they answer the PC" in reply


def test_what_is_only_noticed_is_counted_too(crowd: Diagnosis) -> None:
    blocks = report([crowd])
    at = next(n for n, one in enumerate(blocks) if isinstance(one, Heading) and "Also" in one.text)
    named, left = blocks[at + 1 : at + 3]
    assert isinstance(named, Listing)
    assert len(named.items) == MOST_NOTICED
    notes = sum(one.rule == "a-note" for one in crowd.findings)
    assert f"{notes - MOST_NOTICED:,} more" in to_text([left])


def test_the_worst_come_first(crowd: Diagnosis) -> None:
    assert overview(crowd) == ["stopped"] * MOST_ROWS
    assert list(dict.fromkeys(overview(crowd, everything=True))) == WORST_FIRST
    assert overview(many(len(kinds()))) == ["stopped", *WORST_FIRST]


def test_those_that_ended_alike_stand_in_order_of_their_first_frames() -> None:
    diagnosis = many(60)
    diagnosis.outcomes.reverse()
    ordered = worst_first(diagnosis.outcomes)
    stopped = [one.linkup.attempts[0].frame for one in ordered if one.verdict is Verdict.STOPPED]
    assert stopped == sorted(stopped)
    assert len(set(stopped)) > 1


def test_each_trouble_is_told_in_full_once() -> None:
    blocks = report([many(60)])
    titles = [one.text for one in blocks if isinstance(one, Heading)]
    assert sum("and the controller" in one for one in titles) == len(kinds()) - 2


def test_with_all_everything_is_told() -> None:
    diagnosis = many(100)
    addresses = [str(one.linkup.controller) for one in diagnosis.outcomes]
    text, reply = (
        to_text(report([diagnosis], True)),
        to_text(letter([diagnosis], (), Style(everything=True))),
    )
    assert len(overview(diagnosis, everything=True)) == 100
    headings = re.findall(r"^The PC \S+ and the controller ([0-9.]+)", text, re.MULTILINE)
    assert sorted(headings) == sorted(addresses)
    assert all(re.search(rf"\b{re.escape(one)}\b", reply) for one in addresses)
    assert " more" not in reply.partition("Likely causes")[0]


def test_a_letter_about_many_warnings_tells_one() -> None:
    diagnosis = many(200)
    warned = [one for one in diagnosis.outcomes if short_verdict(one) == WARNED]
    reply = " ".join(to_text(letter([replace(diagnosis, outcomes=warned)])).split())
    assert reply.count("with a warning: Take care.") == 1
    assert f" and {len(warned) - 1 - MOST_NAMED} more." in reply


def test_json_stays_complete(crowd: Diagnosis) -> None:
    told = json.loads(to_json([crowd]))
    assert [len(told[key]) for key in ("linkups", "stations")] == [NUMBER, NUMBER]
    assert len(told["findings"]) == len(crowd.findings)
    assert {one["role"] for one in told["stations"]} == {"controller"}


PACKAGE = str(Path(analyzer.__file__).parent)


def work(job: Callable[[], object]) -> int:
    """How many lines of this package a job runs; each turn of a loop counts."""
    lines = 0

    def on_call(frame: FrameType, event: str, argument: object) -> Trace | None:
        return on_line if frame.f_code.co_filename.startswith(PACKAGE) else None

    def on_line(frame: FrameType, event: str, argument: object) -> Trace:
        nonlocal lines
        lines += event == "line"
        return on_line

    before = sys.gettrace()
    sys.settrace(on_call)
    try:
        job()
    finally:
        sys.settrace(before)
    return lines


JOBS: dict[str, Callable[[Diagnosis], object]] = {
    "text": lambda one: to_text(report([one])),
    "all": lambda one: report([one], True),
    "page": lambda one: to_html(page_of([one])),
    "json": lambda one: to_json([one]),
    "letter": lambda one: to_text(letter([one])),
    "all letters": lambda one: letter([one], (), Style(everything=True)),
    "row": lambda one: row_of(one, "x"),
    "sheet": lambda one: sheet([one]),
    "comparison": lambda one: comparison.to_json([compare(one, one)]),
}


@pytest.mark.parametrize("job", JOBS.values(), ids=JOBS)
def test_work_grows_in_a_straight_line(job: Callable[[Diagnosis], object]) -> None:
    """Four times as many of everything: four times the work at most, and not sixteen times."""
    job(many(12))  # what is made once a process
    small, large = many(100), many(400)
    growth = work(lambda: job(large)) / work(lambda: job(small))
    assert growth < 4.2
