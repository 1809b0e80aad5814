"""`whynolink trim` as people call it."""

import os
import struct
from pathlib import Path
from typing import BinaryIO

import pytest

from analyzer.inputs import open_recording
from analyzer.inputs.records import Recording
from analyzer.trim import names
from tests.parcels import zipped
from tests.test_cli import CAPTURES, HEALTHY, complaint, run

ABOUT = names.ABOUT.encode()
RECORDING = CAPTURES / "healthy-busy-site.pcap"


def test_a_copy_is_written_and_what_was_done_is_told(tmp_path: Path) -> None:
    copy = tmp_path / "copy.pcapng"
    result = run("trim", RECORDING, "-o", copy)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert all(len(line) < 80 and line.isascii() for line in result.stdout.split("\n"))
    assert "copy.pcapng" in result.stdout
    assert run("diagnose", copy).exit_code == run("diagnose", RECORDING).exit_code
    assert run("diagnose", "--all", copy).stdout.count("Trimmed copy made by whynolink") == 1


def test_renaming_tells_the_new_names_and_how_to_use_them(tmp_path: Path) -> None:
    copy = tmp_path / "copy.pcapng.gz"
    told = ("--controller", "192.0.2.60:502", "--pc", "00-00-5E-00-53-15")
    result = run("trim", RECORDING, "--output", copy, "--rename", *told)
    assert result.exit_code == 0
    rows = [line.split() for line in result.stdout.split("\n")]
    names = {row[0]: row[1] for row in rows if len(row) == 2}
    new = names["192.0.2.60"], names["00-00-5E-00-53-15"]
    assert f"--controller {new[0]}:502" in " ".join(result.stdout.split())
    assert {f"192.0.2.{last}" for last in (15, 20, 60, 99)} < names.keys()
    assert "stand for all stations or a group, stay: " in " ".join(result.stdout.split())
    assert "192.0.2.60: The connection works" in " ".join(result.stdout.split())
    again = run("diagnose", copy, "--controller", f"{new[0]}:502", "--pc", new[1])
    assert again.exit_code == 0
    assert "00-00-5E-00-53" not in again.stdout


def test_the_copy_says_what_was_done(tmp_path: Path) -> None:
    """In the file itself, as a comment of its section: whatever program opens it shows that."""
    for number, (options, said) in enumerate(
        {
            (): "Contents are filler of the same length.",
            ("--keep-payload",): "Contents are as recorded.",
            ("--rename",): "Its addresses are made up: translate them before you act on any.",
        }.items()
    ):
        copy = tmp_path / f"{number}.pcapng"
        assert run("trim", RECORDING, "-o", copy, *options).exit_code == 0
        with copy.open("rb") as stream:
            (comment,) = open_recording_to_its_end(stream).comments
        assert comment.startswith("Trimmed copy made by whynolink")
        assert said in comment


def test_an_answer_is_said_in_the_old_names_again(tmp_path: Path) -> None:
    copy, answer = tmp_path / "copy.pcapng", tmp_path / "answer.txt"
    assert run("trim", RECORDING, "-o", copy, "--rename").exit_code == 0
    listed = tmp_path / "copy.pcapng.names"
    assert listed.stat().st_mode & 0o77 == 0
    report = run("diagnose", "--all", copy).stdout
    assert "192.0.2.60" not in report
    answer.write_text(f"Look at \x1b[2J this:\n{report}")
    result = run("trim", "--back", listed, answer)
    assert result.exit_code == 0
    assert "\x1b" not in result.stdout
    whole = run("diagnose", "--all", RECORDING).stdout
    for name in ("192.0.2.60", "192.0.2.15", "192.0.2.20", "00-00-5E-00-53-15"):
        assert result.stdout.count(name) == whole.count(name) > 0
    again = run("trim", "--back", listed, answer, "-o", tmp_path / "said.txt")
    assert again.stdout == ""
    assert (tmp_path / "said.txt").read_text() == result.stdout


def test_without_its_list_of_names_there_is_no_copy(tmp_path: Path) -> None:
    there = tmp_path / "copy.pcapng.names"
    there.write_text("mine")
    said = complaint(run("trim", RECORDING, "-o", tmp_path / "copy.pcapng", "--rename"))
    assert "exists already" in said
    assert list(tmp_path.iterdir()) == [there]
    assert there.read_text() == "mine"


@pytest.mark.parametrize("problem", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_list_that_breaks_off_leaves_neither_itself_nor_a_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, problem: BaseException
) -> None:
    def stopped(*arguments: object) -> Path:
        raise problem

    monkeypatch.setattr(Path, "replace", stopped)
    result = run("trim", RECORDING, "-o", tmp_path / "copy.pcapng", "--rename")
    assert result.exit_code != 0
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == []


def test_new_names_are_none_of_the_recording_or_the_sheet(tmp_path: Path) -> None:
    sheet = tmp_path / "site.toml"
    sheet.write_text(
        '[[controller]]\naddress = "198.51.100.77"\nothers = ["198.51.100.78", "desk"]\n'
    )
    old = {f"192.0.2.{last}" for last in (15, 20, 60, 99)} | {"198.51.100.77", "198.51.100.78"}
    for number in range(4):
        copy = tmp_path / f"{number}.pcapng"
        assert run("trim", RECORDING, "-o", copy, "--rename", "--site", sheet).exit_code == 0
        rows = (tmp_path / f"{number}.pcapng.names").read_text().splitlines()[1:]
        new = {row.split()[0] for row in rows}
        assert len(new) == len(rows)
        assert not new & old


def test_a_pipe_is_not_trimmed(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "a stream cannot be trimmed" in complaint(run("trim", pipe, "-o", tmp_path / "copy"))


@pytest.mark.parametrize("octets", [b"", b"192.0.2.1 192.0.2.2\n", b"\xff" * 99, ABOUT + b"\nx\n"])
def test_what_is_no_list_of_names_is_told(octets: bytes, tmp_path: Path) -> None:
    given = tmp_path / "list"
    given.write_bytes(octets)
    assert "is no list of names" in complaint(run("trim", "--back", given, RECORDING))
    assert "cannot be read" in complaint(run("trim", "--back", tmp_path, RECORDING))


def open_recording_to_its_end(stream: BinaryIO) -> Recording:
    recording = open_recording(stream, "copy")
    for _ in recording.chunks:
        pass
    return recording


def test_pieces_of_one_recording_in_a_parcel_give_one_copy(tmp_path: Path) -> None:
    octets = RECORDING.read_bytes()
    middle = 24
    for _ in range(70):
        middle += 16 + struct.unpack_from("<I", octets, middle + 8)[0]
    halves = octets[:middle], octets[:24] + octets[middle:]
    parcel = tmp_path / "mail.zip"
    parcel.write_bytes(zipped({"1.pcap": halves[0], "2.pcap": halves[1]}))
    copy = tmp_path / "copy.pcapng"
    result = run("trim", parcel, "-o", copy)
    assert result.exit_code == 0
    assert "1.pcap to 2.pcap (2 pieces)" in " ".join(result.stdout.split())
    with copy.open("rb") as stream:
        assert open_recording_to_its_end(stream).damage is None
    rows = [line.split() for line in result.stdout.split("\n")]
    assert ["Frames", "132", "132"] in rows


def test_several_recordings_in_a_parcel_are_trimmed_one_at_a_time(tmp_path: Path) -> None:
    parcel = tmp_path / "mail.zip"
    parcel.write_bytes(zipped({"1.pcap": RECORDING.read_bytes(), "2.pcapng": HEALTHY.read_bytes()}))
    said = complaint(run("trim", parcel, "-o", tmp_path / "copy.pcapng"))
    assert "holds 2 recordings. Take them out of it, and name one of them at a time." in said
    assert list(tmp_path.iterdir()) == [parcel]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.pcap", "-o", "OUT"], "does not exist."),
        ([str(CAPTURES / "README.md"), "-o", "OUT"], "is text, not a recording."),
        (["-", "-o", "OUT"], "a stream cannot be trimmed."),
        ([str(RECORDING), "-o", str(RECORDING)], "exists already."),
        ([str(RECORDING)], "--output: is missing."),
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
