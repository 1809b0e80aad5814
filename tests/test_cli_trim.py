"""`whynolink trim` as people call it."""

from pathlib import Path

import pytest

from tests.test_cli import CAPTURES, complaint, run

RECORDING = CAPTURES / "healthy-busy-site.pcap"


def test_a_copy_is_written_and_what_was_done_is_told(tmp_path: Path) -> None:
    copy = tmp_path / "copy.pcapng"
    result = run("trim", RECORDING, "-o", copy)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert all(len(line) < 80 and line.isascii() for line in result.stdout.split("\n"))
    assert "copy.pcapng" in result.stdout
    assert run("diagnose", copy).exit_code == run("diagnose", RECORDING).exit_code
    assert run("diagnose", copy).stdout.count("Trimmed copy made by whynolink") == 1


def test_renaming_tells_the_new_names_and_how_to_use_them(tmp_path: Path) -> None:
    copy = tmp_path / "copy.pcapng.gz"
    told = ("--controller", "192.0.2.60:502", "--pc", "00-00-5E-00-53-15")
    result = run("trim", RECORDING, "--output", copy, "--rename", *told)
    assert result.exit_code == 0
    rows = [line.split() for line in result.stdout.split("\n")]
    names = {row[0]: row[1] for row in rows if len(row) == 2}
    new = names["192.0.2.60"], names["00-00-5E-00-53-15"]
    assert f"--controller {new[0]}:502" in " ".join(result.stdout.split())
    again = run("diagnose", copy, "--controller", f"{new[0]}:502", "--pc", new[1])
    assert again.exit_code == 0
    assert "00-00-5E-00-53" not in again.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.pcap", "-o", "OUT"], "does not exist."),
        ([str(CAPTURES / "README.md"), "-o", "OUT"], "is text, not a recording."),
        (["-", "-o", "OUT"], "standard input cannot be trimmed."),
        ([str(RECORDING), "-o", str(RECORDING)], "exists already."),
        ([str(RECORDING)], "Missing option"),
        ([str(RECORDING), "-o", "no/such/folder/copy"], "cannot be written"),
        ([str(RECORDING), "-o", "OUT", "--controller", "x"], "is not an IPv4 address."),
    ],
)
def test_what_cannot_be_done_is_told_in_one_line(
    arguments: list[str], said: str, tmp_path: Path
) -> None:
    before = RECORDING.read_bytes()
    out = str(tmp_path / "copy")
    assert said in complaint(run("trim", *(out if one == "OUT" else one for one in arguments)))
    assert list(tmp_path.iterdir()) == []
    assert RECORDING.read_bytes() == before
