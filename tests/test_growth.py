"""Four times as many of anything run each line of the project about four times as often.

Counted, not timed: every line that the project runs, in loops too, while recordings with FEW and
with MANY of a kind are diagnosed and told. A search through a list that Python's own C code does is
no line; that is what `tests/benchmarks/test_growth.py` is for, which measures thousands.
"""

import io
import sys
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

import analyzer
from analyzer.diagnosis import diagnose
from analyzer.inputs import open_recording
from analyzer.reports.document import report
from analyzer.reports.letter import letter
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from rules import ALL
from tests.benchmarks.many import FILES, write

FEW, MANY = 50, 200
MOST_GROWTH = 5
"""A straight line is 4."""
SLACK = 10 * MANY
"""Lines more that a function may run: what begins with a certain number, ten lines for each."""
PACKAGES = tuple(str(Path(analyzer.__file__).parents[1] / name) for name in ("analyzer", "rules"))

Lines = Counter[str]


def diagnose_and_tell(octets: bytes) -> None:
    """What the command does, in all layouts."""
    diagnosis = diagnose(open_recording(io.BytesIO(octets), "test"), ALL)
    to_text(report([diagnosis]))
    to_text(report([diagnosis], everything=True))
    to_html(report([diagnosis], pictures=True))
    to_json([diagnosis], [])
    to_text(letter([diagnosis], []))


def lines_run(work: Callable[[], Any], paths: tuple[str, ...] = PACKAGES) -> Lines:
    """How many lines each function below some paths runs; a turn of a loop in one line is one."""
    lines = Counter[CodeType]()
    ours: dict[CodeType, bool] = {}

    def in_function(frame: FrameType, event: str, _: object) -> Any:
        if event == "line":
            lines[frame.f_code] += 1
        return in_function

    def called(frame: FrameType, _: str, __: object) -> Any:
        code = frame.f_code
        if code not in ours:
            ours[code] = code.co_filename.startswith(paths)
        return in_function if ours[code] else None

    before = sys.gettrace()
    sys.settrace(called)
    try:
        work()
    finally:
        sys.settrace(before)
    named = Counter[str]()
    for code, count in lines.items():
        name = Path(code.co_filename).relative_to(Path(PACKAGES[0]).parent).as_posix()
        named[f"{name}:{code.co_qualname}"] += count
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


HERE = (__file__,)


def every_pair(things: list[int]) -> bool:
    return any(one + other < 0 for one in things for other in things)


def every_one(things: list[int]) -> bool:
    return any(one < 0 for one in things)


@pytest.mark.parametrize(("work", "complaints"), [(every_pair, 1), (every_one, 0)])
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
