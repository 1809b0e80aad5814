"""`whynolink compare` as people and other programs call it."""

import json
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests.test_cli import CAPTURES, FAULTY, HEALTHY, complaint, run
from tests.test_common import breaks

BUSY = CAPTURES / "healthy-busy-site.pcap"
KEPT = CAPTURES.parent / "tests" / "lab" / "kept"
EMPTY_OF_TRIES = CAPTURES / "no-attempt.pcap"


def test_exit_statuses() -> None:
    """1 a difference that matters, 0 both work, 3 not comparable."""
    assert run("compare", HEALTHY, FAULTY).exit_code == 1
    assert run("compare", HEALTHY, BUSY).exit_code == 0
    assert run("compare", FAULTY, HEALTHY).exit_code == 1
    assert run("compare", FAULTY, FAULTY).exit_code == 3
    assert run("compare", HEALTHY, EMPTY_OF_TRIES).exit_code == 3


def test_every_recording_of_a_parcel_is_compared(tmp_path: Path) -> None:
    """A mail with several, against one that works; several on both sides are refused."""
    parcel = tmp_path / "parcel.zip"
    with ZipFile(parcel, "w") as archive:
        for path in (FAULTY, BUSY):
            archive.write(path, path.name)
    for names in ((HEALTHY, parcel), (parcel, HEALTHY)):
        content = json.loads(run("compare", *names, "--format", "json").stdout)
        sides = [(one["working"]["file"], one["failing"]["file"]) for one in content["comparisons"]]
        told = [{name.split("> ")[-1] for name in pair} for pair in sides]
        assert told == [{HEALTHY.name, FAULTY.name}, {HEALTHY.name, BUSY.name}]
        assert run("compare", *names).exit_code == 1
    assert run("compare", parcel, parcel).exit_code == 2


def test_formats(tmp_path: Path) -> None:
    assert "First difference" in run("compare", HEALTHY, FAULTY).stdout
    content = json.loads(run("compare", HEALTHY, FAULTY, "--format", "json").stdout)
    assert content["comparable"] is False
    assert content["remarks"][0]["remark"] == "other port"
    page = tmp_path / "page.html"
    result = run("compare", HEALTHY, FAULTY, "--format", "html", "--output", page)
    assert result.stdout == ""
    assert page.read_text("ascii").startswith("<!DOCTYPE html>")


def test_whom_the_working_one_calls_is_looked_for_in_the_failing_one() -> None:
    """Without --controller: what the PC does about it, though it seems to call somebody else."""
    working, failing = (
        KEPT / f"{name}.pcapng.gz"
        for name in ("plain-polling", "pc-was-given-the-controllers-address")
    )
    content = json.loads(run("compare", working, failing, "--format", "json").stdout)
    assert content["failing"]["fault"] == "pc-has-controllers-address"
    assert content["first_difference"]["aspect"] == "pc address"
    other = ("--controller", "192.0.2.20")
    content = json.loads(run("compare", working, failing, "--format", "json", *other).stdout)
    assert content["failing"]["controller"] == "192.0.2.20"


def test_the_controller_is_told_once_for_both_or_once_for_each() -> None:
    def controllers(*options: str) -> tuple[str, str]:
        content = json.loads(run("compare", HEALTHY, BUSY, "--format", "json", *options).stdout)
        return content["working"]["controller"], content["failing"]["controller"]

    one, other = "192.0.2.60:502", "192.0.2.77"
    assert controllers("--controller", one) == ("192.0.2.60", "192.0.2.60")
    assert controllers("--controller", one, "--controller", other) == ("192.0.2.60", other)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([str(HEALTHY)], "Missing argument"),
        ([str(HEALTHY), "nowhere.pcap"], "does not exist."),
        ([str(CAPTURES / "README.md"), str(HEALTHY)], "is text, not a recording."),
        ([str(HEALTHY), str(FAULTY), "--controller", "x"], "is not an IPv4 address."),
        ([str(HEALTHY), str(FAULTY), *["--pc", "192.0.2.15"] * 3], "more than twice."),
        ([str(HEALTHY), str(FAULTY), "--output", str(FAULTY)], "would be overwritten."),
    ],
)
def test_what_cannot_be_done_is_told_in_one_line(arguments: list[str], said: str) -> None:
    assert said in complaint(run("compare", *arguments))


# --- a break beside a calm stretch of the same recording ------------------------------------------


@pytest.fixture
def breaking(tmp_path: Path) -> Path:
    """Five sessions that are reset after a request for unit 7, and one that goes on."""
    path = tmp_path / "night.pcap"
    path.write_bytes(breaks(5, 7).pcap())
    return path


def test_a_break_is_held_against_a_calm_stretch(breaking: Path) -> None:
    result = run("compare", breaking, "--break", "2", "--format", "json")
    assert result.exit_code == 1
    content = json.loads(result.stdout)
    assert content["failing"]["fault"] == "session-reset"
    aspects = {one["aspect"]: (one["working"], one["failing"]) for one in content["aspects"]}
    assert aspects["unit"] == (1, 7)
    assert aspects["ended"] == ("open", "controller reset")


def test_each_break_has_its_own_time(breaking: Path) -> None:
    names = [
        json.loads(run("compare", breaking, "--break", number, "--format", "json").stdout)[
            "failing"
        ]["file"]
        for number in "12345"
    ]
    assert len(set(names)) == 5
    assert all(name.startswith("night.pcap, ") for name in names)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--break", "6"], "shows 5 breaks."),
        (["--break", "0"], "0 is not in the range"),
        ([], "Missing argument"),
        ([str(HEALTHY), "--break", "1"], "and not both"),
    ],
)
def test_a_break_that_is_none_is_told_in_one_line(
    breaking: Path, arguments: list[str], said: str
) -> None:
    assert said in complaint(run("compare", breaking, *arguments))


def test_a_recording_without_breaks_or_a_stream_is_refused() -> None:
    assert "shows 0 breaks." in complaint(run("compare", HEALTHY, "--break", "1"))
    assert "a stream cannot" in complaint(run("compare", "-", "--break", "1"))
