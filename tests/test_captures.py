"""The table in captures/README.md says what the tool says, for every recording."""

import re
from pathlib import Path

import pytest

import analyzer
from analyzer.diagnosis import Diagnosis
from analyzer.findings import Level
from captures import make, picture

FOLDER = Path(__file__).parents[1] / "captures"
ROW = re.compile(r"^\| `(?P<file>[^`]+)` \| (?P<wrong>[^|]+) \| (?P<says>[^|]+) \|$", re.MULTILINE)
TABLE = {
    row["file"]: row["says"] for row in ROW.finditer((FOLDER / "README.md").read_text("utf-8"))
}
NOTHING_COUNTED = re.compile(r"(?<![\d.,-])0( [a-z]|\. |\.$)")
"""As in "0 sessions": what did not happen is not told."""
RECORDINGS = sorted(path.name for path in FOLDER.iterdir() if ".pcap" in path.name)


def said(diagnosis: Diagnosis) -> str:
    """The last column of the table: the leading fault, the recording's trouble, or nothing."""
    faults = [one.rule for one in diagnosis.findings if one.level is Level.FAULT]
    rest = [one.rule for one in diagnosis.findings]
    return f"`{(faults or rest)[0]}`" if rest else "nothing wrong"


def test_every_recording_is_in_the_table() -> None:
    """A recording without a row, or a row without a recording, is a mistake."""
    assert sorted(TABLE) == RECORDINGS
    assert len(RECORDINGS) >= 10


@pytest.mark.parametrize("name", RECORDINGS)
def test_the_tool_says_what_the_table_says(name: str) -> None:
    """With nothing told: the leading finding and the healthy ones agree with the table."""
    diagnosis = analyzer.diagnose(FOLDER / name)
    assert said(diagnosis) == TABLE[name].strip()
    faults = [one for one in diagnosis.findings if one.level is Level.FAULT]
    assert len(faults) <= len(diagnosis.outcomes)
    told = [one.what_happened for one in diagnosis.findings]
    assert [text for text in told if NOTHING_COUNTED.search(text)] == []


@pytest.mark.parametrize("name", [name for name in RECORDINGS if TABLE[name] == "nothing wrong"])
def test_healthy_recordings_are_silent(name: str) -> None:
    """No fault, no warning, and the link-up is complete."""
    diagnosis = analyzer.diagnose(FOLDER / name)
    assert [one.rule for one in diagnosis.findings if one.level is not Level.NOTE] == []
    assert [str(one.verdict) for one in diagnosis.outcomes] == ["complete"]
    assert diagnosis.status == 0


def test_the_demo_is_one_of_them() -> None:
    """`whynolink demo` runs on the same octets as the recording in the table."""
    demo = FOLDER.parent / "analyzer" / "demo.pcap"
    assert demo.read_bytes() == (FOLDER / "nobody-has-the-address.pcap").read_bytes()


def test_the_picture_in_the_readme_is_current() -> None:
    """It shows the page that the tool makes today, cautions included."""
    kept = picture.DIGEST.read_text("ascii")
    todo = "The page has changed. Make its picture anew, with chromium: python -m captures.picture"
    assert kept == picture.digest(picture.shown()), todo


def test_the_script_writes_these_octets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is in the folder is what the script makes, octet for octet."""
    for name, story in make.STORIES.items():
        assert (FOLDER / name).read_bytes() == story(), name
