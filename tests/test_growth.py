"""Four times as many of anything run each line of the project about four times as often.

Counted, not timed: every line that the project runs, in loops too, while recordings with FEW and
with MANY of a kind are diagnosed and told. A search through a list that Python's own C code does is
no line, unless it asks a dataclass. `tests/benchmarks/test_growth.py` measures such things by the
thousands.
"""

import io
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from types import CodeType, FrameType
from typing import Any

import pytest

from analyzer.diagnosis import diagnose
from analyzer.inputs import open_recording
from analyzer.linkup import Told
from analyzer.planning import plan
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.page import page as page_of
from analyzer.reports.letter import letter
from analyzer.reports.plan import plan_report
from analyzer.reports.plan_json import plan_json
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from analyzer.site import read
from rules import ALL
from tests.benchmarks.many import FILES, write

FEW, MANY = 50, 200
MOST_GROWTH = 5
"""A straight line is 4."""
SLACK = 10 * MANY
"""Lines more that a function may run: what begins with a certain number, ten lines for each."""
PACKAGES = ("analyzer.", "rules.")

Lines = Counter[str]


def diagnose_and_tell(octets: bytes) -> None:
    """What the command does, in all layouts."""
    diagnosis = diagnose(open_recording(io.BytesIO(octets), "test"), ALL)
    to_text(in_short([diagnosis]))
    to_text(in_full([diagnosis]))
    to_html(page_of([diagnosis]))
    to_json([diagnosis], [])
    to_text(letter([diagnosis], []))


def lines_run(work: Callable[[], Any], packages: Sequence[str] = PACKAGES) -> Lines:
    """How many lines each function of some packages runs, those that dataclasses make among them.
    A turn of a loop in one line is one.
    """
    lines = Counter[CodeType]()
    names: dict[CodeType, str] = {}

    def in_function(frame: FrameType, event: str, _: object) -> Any:
        if event == "line":
            lines[frame.f_code] += 1
        return in_function

    def called(frame: FrameType, _: str, __: object) -> Any:
        code = frame.f_code
        if code not in names:
            module = str(frame.f_globals.get("__name__"))
            ours = module.startswith(tuple(packages))
            names[code] = f"{module}:{code.co_qualname}" if ours else ""
        return in_function if names[code] else None

    before = sys.gettrace()
    sys.settrace(called)
    try:
        work()
    finally:
        sys.settrace(before)
    named = Counter[str]()
    for code, count in lines.items():
        named[names[code]] += count
    return named


def grown(few: Lines, many: Lines) -> list[str]:
    """Functions that ran too many more lines, the worst first."""
    return [
        f"{name}: {few[name]:,} lines for {FEW}, {count:,} for {MANY}"
        for name, count in many.most_common()
        if count > MOST_GROWTH * few[name] + SLACK
    ]


def recording(kind: str, number: int) -> bytes:
    out = io.BytesIO()
    write(out, kind, number)
    return out.getvalue()


@pytest.mark.parametrize("kind", FILES)
def test_lines_grow_as_the_recording_does(kind: str) -> None:
    few, many = (
        lines_run(partial(diagnose_and_tell, recording(kind, number))) for number in (FEW, MANY)
    )
    assert few.total() > 1000
    complaints = grown(few, many)
    assert not complaints, "\n".join(["", *complaints])


def sheet(number: int, adapters: int = 8) -> bytes:
    """A site sheet of many controllers: half in one network, half each in its own."""
    own = [f'{{address = "192.0.2.{n + 1}", name = "adapter"}},' for n in range(adapters)]
    near = [f'{{address = "198.18.0.{254 - n}"}},' for n in range(number // 2)]
    far = [f'{{address = "198.19.{n}.1", gateway = "198.19.0.9"}},' for n in range(number // 2)]
    lines = ["adapter = [", *own, "]", "controller = [", *near, *far, "]"]
    return "\n".join(lines).encode()


def read_and_plan(number: int) -> None:
    """What the command does with a sheet."""
    site = read(sheet(number), "site.toml")
    plans = plan(site, site.controllers)
    assert len(plans) == number
    to_text(plan_report(plans))
    plan_json(plans)


def test_lines_grow_as_the_site_sheet_does() -> None:
    few, many = (lines_run(partial(read_and_plan, number)) for number in (FEW, MANY))
    assert few.total() > 1000
    complaints = grown(few, many)
    assert not complaints, "\n".join(["", *complaints])


def looked_for(number: int) -> None:
    """Controllers of a sheet, none of which is tried, beside many stations."""
    octets, told = recording("stations", number), Told(site=read(sheet(number), "site.toml"))
    found = diagnose(open_recording(io.BytesIO(octets), "test"), ALL, told)
    assert len(found.outcomes) >= number


def test_lines_grow_as_the_sheet_and_the_stations_do() -> None:
    few, many = (lines_run(partial(looked_for, number)) for number in (FEW, MANY))
    complaints = grown(few, many)
    assert not complaints, "\n".join(["", *complaints])


MOST_LINES_A_REPEAT = 10
"""A few for which segment it is and whether that is known; the rest is done in columns."""


def test_what_is_sent_again_costs_a_few_lines() -> None:
    few, many = (
        lines_run(partial(diagnose_and_tell, recording("retransmissions", number)))
        for number in (FEW, MANY)
    )
    assert many.total() - few.total() < MOST_LINES_A_REPEAT * (MANY - FEW)


HERE = (__name__,)


def every_pair(things: list[int]) -> bool:
    return any(one + other < 0 for one in things for other in things)


@dataclass
class Alike:
    """Compared by what it holds, with a method that nobody wrote."""

    number: int


def every_one_looked_for(things: list[int]) -> bool:
    kept = [Alike(one) for one in things]
    return all(Alike(one) in kept for one in things)


def every_one(things: list[int]) -> bool:
    return any(one < 0 for one in things)


@pytest.mark.parametrize(
    ("work", "complaints"), [(every_pair, 1), (every_one_looked_for, 1), (every_one, 0)]
)
def test_what_grows_with_the_square_is_seen(
    work: Callable[[list[int]], bool], complaints: int
) -> None:
    few, many = (lines_run(partial(work, list(range(n))), HERE) for n in (FEW, MANY))
    assert few.total() > FEW
    assert len(grown(few, many)) == complaints


@pytest.mark.parametrize("kind", FILES)
def test_the_recording_holds_what_it_says(kind: str) -> None:
    octets = recording(kind, FEW)
    found = diagnose(open_recording(io.BytesIO(octets), "test"), ALL).facts
    assert found.coverage.frames >= FEW
    assert found.damage is None
