"""Three reports in full, so that a change of wording is seen in review."""

from pathlib import Path

import pytest

from tests.golden.write import FOLDER, GOLDEN, reports


@pytest.mark.parametrize("name", GOLDEN)
def test_reports_are_as_read_last(name: str) -> None:
    """Text and JSON equal the golden files to the letter; run tests/golden/write.py to renew."""
    for file, text in reports(name).items():
        assert text == Path(FOLDER / file).read_text("ascii"), file


def test_the_same_recording_gives_the_same_report() -> None:
    """Nothing in a report depends on the run."""
    assert reports(GOLDEN[0]) == reports(GOLDEN[0])
