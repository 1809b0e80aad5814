"""The command as people and other programs call it."""

import io
import json
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from analyzer import __version__, cli
from rules import ALL

CAPTURES = Path(__file__).parents[1] / "captures"
FAULTY, HEALTHY = CAPTURES / "port-refused.pcap", CAPTURES / "healthy-first-contact.pcapng"
UNCLEAR = CAPTURES / "stopped-early.pcap"


def run(*arguments: str | Path, data: bytes | None = None) -> Result:
    """Call the command in this process."""
    return CliRunner().invoke(cli.main, [str(one) for one in arguments], input=data)


def complaint(result: Result) -> str:
    """The one line on standard error of a call that could not be carried out."""
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    return result.stderr


def test_exit_statuses() -> None:
    """0 no fault, 1 a fault, 3 cannot tell; a fault counts most among several."""
    assert run("diagnose", HEALTHY).exit_code == 0
    assert run("diagnose", FAULTY).exit_code == 1
    assert run("diagnose", UNCLEAR).exit_code == 3
    assert run("diagnose", HEALTHY, UNCLEAR).exit_code == 3
    assert run("diagnose", UNCLEAR, HEALTHY, FAULTY).exit_code == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["diagnose", "nowhere.pcap"], "nowhere.pcap: does not exist."),
        (["diagnose", str(CAPTURES / "README.md")], "is text, not a recording."),
        (["diagnose", "a\x00b"], "cannot be opened"),
        (["diagnose"], "Missing argument"),
        (["diagnose", "--loud", str(FAULTY)], "No such option"),
        (["diagnose", "--format", "poem", str(FAULTY)], "poem"),
        (["diagnose", "--controller", "192.0.2", str(FAULTY)], "not an IPv4 address"),
        (["diagnose", "--controller", "192.0.2.60:x", str(FAULTY)], "'x' is not a port"),
        (["diagnose", "--controller", "192.0.2.60:", str(FAULTY)], "'' is not a port"),
        (["diagnose", "--controller", "192.0.2.60:70000", str(FAULTY)], "'70000' is not a port"),
        (["diagnose", "--pc", "me", str(FAULTY)], "'me' is not an IPv4 address"),
        (["diagnose", "--output", str(FAULTY), str(FAULTY)], "would be overwritten"),
        (["diagnose", "--output", str(CAPTURES), str(FAULTY)], "cannot be written"),
        (["rules", "no-such-rule"], "no-such-rule: is not a rule."),
        (["dance"], "No such command"),
    ],
)
def test_bad_calls_get_one_line(arguments: list[str], said: str) -> None:
    """What is wrong, where, and what to do, on one line; exit status 2; nothing on standard out."""
    result = run(*arguments)
    assert said in complaint(result)
    assert result.stdout == ""


def test_one_bad_input_does_not_stop_the_rest() -> None:
    """The readable recordings are diagnosed, the other one is named, the status says so."""
    result = run("diagnose", "nowhere.pcap", FAULTY)
    assert "does not exist" in complaint(result)
    assert "refuses port 503" in result.stdout


def test_standard_input() -> None:
    """A recording may come through a pipe."""
    result = run("diagnose", "-", data=FAULTY.read_bytes())
    assert result.exit_code == 1
    assert result.stdout.startswith("standard input\n")


def test_json_is_what_programs_expect() -> None:
    """UTF-8 JSON with the schema's name, and nothing else on standard out."""
    result = run("diagnose", "--format", "json", FAULTY)
    assert json.loads(result.stdout_bytes.decode("utf-8"))["schema"] == "whynolink/1"
    assert result.stderr == ""


def test_output_goes_to_a_file(tmp_path: Path) -> None:
    """The same text as on the terminal, and the terminal stays empty."""
    target = tmp_path / "report.txt"
    result = run("diagnose", FAULTY, "--output", target)
    assert (result.exit_code, result.stdout) == (1, "")
    assert target.read_text("ascii") == run("diagnose", FAULTY).stdout


def test_told_controller_and_port() -> None:
    """A told controller is judged, with its port, and the report says how it was known."""
    told = run("diagnose", "--controller", "192.0.2.60:502", HEALTHY, "--format", "json")
    (linkup,) = json.loads(told.stdout)["linkups"]
    assert linkup["controller"]["port"] == 502
    assert linkup["how_known"] == "given with --controller"
    other = run("diagnose", "--controller", "192.0.2.77", HEALTHY)
    assert other.exit_code == 3
    assert "No attempt to reach the controller" in other.stdout


def test_all_tells_more() -> None:
    """--all explains the notes too."""
    late = CAPTURES / "started-late.pcap"
    assert "What to do" not in run("diagnose", late).stdout
    assert "What to do" in run("diagnose", "--all", late).stdout


def test_rules_are_listed_and_explained() -> None:
    """Every rule is in the list, and each can be explained."""
    listed = run("rules").stdout
    for rule in ALL:
        assert rule.slug in listed
        explained = run("rules", rule.slug)
        assert explained.exit_code == 0
        assert "What it means" in explained.stdout


def test_demo_shows_a_diagnosis() -> None:
    """The demonstration ends well, whatever its recording holds."""
    result = run("demo")
    assert result.exit_code == 0
    assert "Nothing answered at 192.0.2.60" in result.stdout


def test_version() -> None:
    """The version on one line."""
    assert run("--version").stdout == f"whynolink {__version__}\n"


def test_long_work_shows_a_bar_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file above LONG_WORK gets a bar where somebody watches, and none in a pipe."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(cli, "LONG_WORK", 1)
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with cli._progress(100) as advance:
        advance(50)
        advance(100)
    assert "Reading" in screen.getvalue()
    quiet = io.StringIO()
    monkeypatch.setattr(sys, "stderr", quiet)
    with cli._progress(100) as advance:
        advance(100)
    assert quiet.getvalue() == ""


def test_as_a_program_of_its_own() -> None:
    """`python -m analyzer` is the command, with the same exit status."""
    done = subprocess.run(
        [sys.executable, "-m", "analyzer", "diagnose", str(FAULTY)],
        capture_output=True,
        cwd=CAPTURES.parent,
        check=False,
    )
    assert done.returncode == 1
    assert b"refuses port 503" in done.stdout
    assert done.stderr == b""


def test_a_closed_pipe_is_no_failure() -> None:
    """A reader that stops early, as `head` does, gets no complaint."""
    if shutil.which("sh") is None:
        pytest.skip("needs a shell")
    command = f'"{sys.executable}" -m analyzer rules | true'
    done = subprocess.run(
        ["sh", "-c", command], capture_output=True, cwd=CAPTURES.parent, check=False
    )
    assert b"Traceback" not in done.stderr


def test_help_names_every_command() -> None:
    """Help fits a terminal and tells what the commands do."""
    text = run("--help").stdout
    assert isinstance(cli.main, click.Group)
    assert all(name in text for name in cli.main.commands)
    assert all(len(line) <= 80 for line in text.split("\n"))


def test_parcels(tmp_path: Path) -> None:
    """Each recording in a folder is diagnosed; strangers beside them change no exit status."""
    (tmp_path / "a.pcap").write_bytes(HEALTHY.read_bytes())
    (tmp_path / "b.txt").write_text("dear support,\n")
    for layout in ("text", "html", "letter", "json"):
        result = run("diagnose", tmp_path, "--format", layout)
        assert result.exit_code == 0
        assert result.stderr.count("\n") == 1
        assert "b.txt: is text, not a recording. Frames cannot be judged from" in result.stderr
        assert ("b.txt" in result.stdout) is (layout != "text")
    (other,) = json.loads(run("diagnose", tmp_path, "--format", "json").stdout)["not_recordings"]
    assert list(other) == ["file", "what", "what_to_do"]
    assert other["file"] == f"{tmp_path.name}/b.txt"
    (tmp_path / "a.pcap").unlink()
    assert run("diagnose", tmp_path).exit_code == 2
    assert run("diagnose", tmp_path, FAULTY).exit_code == 2


def test_many_strangers_are_counted(tmp_path: Path) -> None:
    for number in range(30):
        (tmp_path / f"{number}.txt").write_text("dear support,\n")
    lines = run("diagnose", tmp_path).stderr.splitlines()
    assert len(lines) == cli.MOST_COMPLAINTS + 1
    assert lines[-1] == "whynolink: 10 more files are no recordings."


def test_limit_raises_the_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analyzer.inputs.limits.MAX_MEMBERS", 2)
    for number in range(5):
        (tmp_path / f"{number}.pcapng").write_bytes(HEALTHY.read_bytes())
    few = run("diagnose", tmp_path)
    assert few.stdout.count("Recorded as") == 2
    assert "it holds more than 2 files. --limit raises the limit." in few.stderr
    assert run("diagnose", tmp_path, "--limit", "3").stdout.count("Recorded as") == 5
    assert "--limit" in complaint(run("diagnose", tmp_path, "--limit", "0"))


def test_output_never_replaces_what_is_read(tmp_path: Path) -> None:
    inside = tmp_path / "day" / "a.pcap"
    inside.parent.mkdir()
    inside.write_bytes(HEALTHY.read_bytes())
    assert "would be overwritten" in complaint(run("diagnose", tmp_path, "--output", inside))
    assert run("diagnose", tmp_path, "--output", tmp_path / "report.txt").exit_code == 0
    assert inside.read_bytes() == HEALTHY.read_bytes()


def test_names_from_a_parcel_are_made_harmless(tmp_path: Path) -> None:
    """No escape, no mark that turns the line, no markup reaches a terminal, a page or a mail."""
    name = "\x1b[2J\u202e<script>alert(1)</script>\r\n{0}.pcapng"
    with zipfile.ZipFile(tmp_path / "p.zip", "w") as archive:
        archive.writestr(name, HEALTHY.read_bytes())
        archive.writestr(name + ".txt", "dear support,\n")
    for layout in ("text", "html", "letter", "json"):
        result = run("diagnose", tmp_path / "p.zip", "--format", layout)
        assert result.exit_code == 0
        shown = result.stdout + result.stderr
        assert not {"\x1b", "\u202e", "\r"} & set(shown)
        assert layout != "html" or "<script>alert" not in result.stdout
