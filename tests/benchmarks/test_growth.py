"""Four times as many of anything take about four times as long.

`pytest tests/benchmarks/test_growth.py -s`; one kind alone: `-k calls-refused`. GROWTH_N=250 in the
environment takes fewer of each. The table stands at the end.
"""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.benchmarks.many import FILES, write

FEW = int(os.environ.get("GROWTH_N", "5000"))
MANY = 4 * FEW
MOST_GROWTH, MOST_SECONDS = 6.0, 20.0
"""A straight line is 4; sorting, caches and a busy machine may take half as much again."""
HOPELESS = 60
"""Seconds of the processor behind which a command is ended and told as such."""
SESSIONS, MOST_MEMORY = 100_000, 1024
"""Short sessions of a day, and MiB that they may take."""
JUDGED = (0, 1, 3)
"""Exit statuses of a diagnosis: no fault, a fault, cannot tell."""

MEASURED = """
import json, resource, signal, subprocess, sys
limit = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 1))
done = subprocess.run(sys.argv[2:], stderr=subprocess.PIPE)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
ended = done.returncode in (-signal.SIGXCPU, -signal.SIGKILL)
status = None if ended else done.returncode
seconds = used.ru_utime + used.ru_stime
print(json.dumps([status, done.stderr.decode(), seconds, used.ru_maxrss // 1024]))
"""
"""Runs a command for so many seconds at most: status, complaints, seconds, and MiB. Seconds are
the processor's, so that what else the machine does counts for little."""


@dataclass(frozen=True)
class Run:
    """The whole command over one recording. status: None where it was ended."""

    frames: int
    status: int | None
    told: str
    seconds: float
    peak: int

    def __str__(self) -> str:
        return f"{self.seconds:9.1f}" if self.status is not None else f"{'ended':>9}"


def diagnosed(folder: Path, kind: str, number: int, limit: int = HOPELESS) -> Run:
    recording, report = folder / f"{kind}-{number}", folder / "report.txt"
    with recording.open("wb") as out:
        frames = write(out, kind, number)
    command = [sys.executable, "-m", "analyzer", "diagnose", str(recording), "--output"]
    measure = [sys.executable, "-c", MEASURED, str(limit), *command, str(report)]
    done = subprocess.run(measure, capture_output=True, check=True)
    recording.unlink()
    return Run(frames, *json.loads(done.stdout))


def faults(few: Run, many: Run | None) -> list[str]:
    """What does not hold of a kind; many: None where few were hopeless already."""
    if few.status is None or many is None or many.status is None:
        return [f"not done after {HOPELESS} s"]
    told = [one.told for one in (few, many) if one.status not in JUDGED]
    if many.seconds > MOST_GROWTH * few.seconds:
        told.append(f"takes {many.seconds / few.seconds:.1f} times as long")
    if many.seconds > MOST_SECONDS:
        told.append(f"takes {many.seconds:.1f} s")
    return told


HEAD = f"{'kind':22}{'frames':>9}{f'{FEW:,}':>9}{f'{MANY:,}':>9}{'ratio':>7}{'MiB':>7}"


def row(kind: str, few: Run, many: Run | None) -> str:
    whole = many if many is not None and many.status is not None else None
    ratio = f"{whole.seconds / few.seconds:7.1f}" if whole is not None else f"{'-':>7}"
    second = f"{'-':>9}" if many is None else str(many)
    last, line = many or few, "; ".join(one.splitlines()[-1] for one in faults(few, many))
    return f"{kind:22}{last.frames:9,}{few}{second}{ratio}{last.peak:7,}  {line}"


@pytest.fixture(scope="module")
def table() -> Iterator[list[str]]:
    rows: list[str] = []
    yield rows
    print("\n\n" + "\n".join([HEAD, *rows]))


@pytest.mark.parametrize("kind", FILES)
def test_growth(tmp_path: Path, kind: str, table: list[str]) -> None:
    few = diagnosed(tmp_path, kind, FEW)
    many = diagnosed(tmp_path, kind, MANY) if few.status is not None else None
    table.append(row(kind, few, many))
    print("\n" + table[-1])
    assert faults(few, many) == []


def test_a_day_of_short_sessions(tmp_path: Path) -> None:
    """A PC that opens a session for each request, for a day."""
    run = diagnosed(tmp_path, "sessions-closed", SESSIONS)
    print(f"\n{SESSIONS:,} sessions, {run.frames:,} frames:{run} s, {run.peak:,} MiB")
    assert run.status in JUDGED, run.told
    assert run.seconds < HOPELESS
    assert run.peak < MOST_MEMORY
