"""Three reports in full and twenty in short, so that a change of wording is seen in review."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.golden.write import FOLDER, GOLDEN, SHORT, reports, short

CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.mark.parametrize("name", GOLDEN)
def test_reports_are_as_read_last(name: str) -> None:
    """Text and JSON equal the golden files to the letter; run tests/golden/write.py to renew."""
    for file, text in reports(name).items():
        assert text == Path(FOLDER / file).read_text("ascii"), file


@pytest.mark.parametrize("path", SHORT)
def test_short_reports_are_as_read_last(path: str) -> None:
    for file, text in short(path).items():
        assert text == Path(FOLDER / file).read_text("ascii"), file


@pytest.mark.parametrize("seed", ["1", "2"])
def test_the_same_recording_gives_the_same_report(seed: str) -> None:
    """Not even the order of hashed sets, which each run chooses anew, shows in a report."""
    command = [sys.executable, "-m", "analyzer", "diagnose", "--format", "json"]
    told = subprocess.run(
        [*command, str(CAPTURES / GOLDEN[0])],
        capture_output=True,
        check=False,
        cwd=CAPTURES.parent,
        env={**os.environ, "PYTHONHASHSEED": seed},
    )
    assert told.stdout.decode() == (FOLDER / "two-units-one-address.json").read_text("ascii")
