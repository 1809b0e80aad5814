"""The command as people and other programs call it."""

import io
import json
import os
import re
import shutil
import subprocess
import sys
import time
import zipfile
from email import message_from_string
from email.policy import default
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from analyzer import __version__, cli
from analyzer.cli import diagnose, reading
from analyzer.site import read as read_site
from captures.plant import Plant
from rules import ALL
from tests.parcels import mailed

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
        (["diagnose", "nowhere.pcap"], '"nowhere.pcap": does not exist.'),
        (["diagnose", str(CAPTURES / "README.md")], "is text, not a recording."),
        (["diagnose", "a\x00b"], "cannot be opened"),
        (["diagnose"], "Missing argument"),
        (["diagnose", "--loud", str(FAULTY)], "No such option"),
        (["diagnose", "--format", "poem", str(FAULTY)], "poem"),
        (["diagnose", "--controller", "192.0.2", str(FAULTY)], "not an IPv4 address"),
        (["diagnose", "--controller", "192.0.2.60:x", str(FAULTY)], "'x' is not a port"),
        (["diagnose", "--controller", "192.0.2.60:", str(FAULTY)], "'' is not a port"),
        (["diagnose", "--controller", "192.0.2.60:70000", str(FAULTY)], "'70000' is not a port"),
        (["diagnose", "--controller", "192.0.2.60:" + "9" * 5000, str(FAULTY)], "is not a port"),
        (["diagnose", "--pc", "me", str(FAULTY)], "'me' is neither an IP address nor a hardware"),
        (["diagnose", "--output", str(FAULTY), str(FAULTY)], "would be overwritten"),
        (["diagnose", "--output", str(CAPTURES), str(FAULTY)], "cannot be written"),
        (["diagnose", "--site", "nowhere.toml", str(FAULTY)], "nowhere.toml: cannot be read"),
        (["diagnose", "--site", str(CAPTURES), str(FAULTY)], "cannot be read"),
        (["diagnose", "--site", str(FAULTY), str(FAULTY)], "is not UTF-8 text"),
        (["plan"], "Name a controller"),
        (["plan", "--site", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (["plan", "--controller", "192.0.2"], "not an IPv4 address"),
        (["plan", "--controller", "192.0.2.60", "--pc", "me"], "'me' is not an IPv4 address"),
        (["plan", "--controller", "192.0.2.60", "--mask", "255.0.255.0"], "is not a mask"),
        (["plan", "--controller", "192.0.2.60", "--mask", "/24"], "such as 255.255.255.0."),
        (["plan", "--controller", "192.0.2.60", "--cable", "wireless"], "wireless"),
        (["plan", "--site", "s.toml", "--pc", "192.0.2.15"], "does not go with"),
        (["plan", "--controller", "192.0.2.60", "--output", str(CAPTURES)], "cannot be written"),
        (["rules", "no-such-rule"], "no-such-rule: is not a rule."),
        (["rules", "idle-closed"], "is not a rule. Perhaps idle-close or "),
        (
            ["rules", "restart"],
            "is not a rule. Perhaps controller-restarted or late-start? List them",
        ),
        (["dance"], "No such command 'dance'."),
        (["nowhere.pcap"], '"nowhere.pcap": does not exist.'),
        (["--loud", str(FAULTY)], "No such option"),
        (["demo", "more"], "extra argument (more). See whynolink --help."),
    ],
)
def test_bad_calls_get_one_line(arguments: list[str], said: str) -> None:
    """What is wrong, where, and what to do, on one line; exit status 2; nothing on standard out."""
    result = run(*arguments)
    assert said in complaint(result)
    assert result.stdout == ""


@pytest.mark.parametrize("recording", [FAULTY, HEALTHY])
def test_a_recording_cut_inside_its_head_gets_one_line(recording: Path, tmp_path: Path) -> None:
    """What it is, where it ends, and what to send instead."""
    stub = tmp_path / "stub.pcap"
    stub.write_bytes(recording.read_bytes()[:10])
    result = run("diagnose", stub)
    said = complaint(result)
    assert "cut after 10 bytes" in said
    assert "Ask for the file again" in said
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
    assert '"standard input", ' in result.stdout


def test_without_the_name_of_a_command_it_diagnoses() -> None:
    """With options before and behind the files, standard input too."""
    told = run("diagnose", FAULTY, HEALTHY)
    assert run(FAULTY, HEALTHY).stdout == told.stdout
    assert run(FAULTY, HEALTHY).exit_code == told.exit_code
    assert run("--all", FAULTY).stdout == run("diagnose", FAULTY, "--all").stdout
    assert run("-", data=FAULTY.read_bytes()).exit_code == 1


def test_a_file_that_is_called_like_a_word_is_diagnosed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "monday").write_bytes(FAULTY.read_bytes())
    monkeypatch.chdir(tmp_path)
    assert run("monday").exit_code == 1


def test_times_are_told_in_the_zone_of_the_machine_or_in_utc(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert "10:56:24 UTC\n" in run(FAULTY, "--utc").stdout
    if not hasattr(time, "tzset"):
        pytest.skip("the zone can be set for a single process on POSIX systems only")
    monkeypatch.setenv("TZ", "XYZ-05:30")
    time.tzset()
    try:
        assert "16:26:24 UTC+05:30" in " ".join(run(FAULTY).stdout.split())
        assert "10:56:24 UTC\n" in run(FAULTY, "--utc").stdout
        assert "+05:30" not in run(FAULTY, "--format", "json").stdout
    finally:
        monkeypatch.undo()
        time.tzset()


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
    flat = " ".join(other.stdout.split())
    assert "No attempt to reach 192.0.2.77" in flat
    assert (
        "But The PC had to do with 192.0.2.60. To have that judged: --controller 192.0.2.60."
        in flat
    )


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

    monkeypatch.setattr(reading, "LONG_WORK", 1)
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with reading.progress(100) as advance:
        advance(50)
        advance(100)
    assert "Reading" in screen.getvalue()
    quiet = io.StringIO()
    monkeypatch.setattr(sys, "stderr", quiet)
    with reading.progress(100) as advance:
        advance(100)
    assert quiet.getvalue() == ""


def test_only_what_is_asked_for_is_imported() -> None:
    """A command does not wait for what the others need."""
    script = (
        "import sys, contextlib\nfrom analyzer.cli import main\n"
        "with contextlib.suppress(SystemExit):\n    main(sys.argv[1:])\n"
        "print(*sorted(sys.modules))"
    )
    for arguments, absent in (
        (["--version"], {"numpy", "rules", "analyzer.diagnosis"}),
        (["rules"], {"psutil", "scapy", "analyzer.trim", "analyzer.triage", "analyzer.recorder"}),
    ):
        done = subprocess.run(
            [sys.executable, "-c", script, *arguments],
            capture_output=True,
            cwd=CAPTURES.parent,
            check=True,
            text=True,
        )
        assert "analyzer.cli" in done.stdout
        assert not absent & set(done.stdout.split())


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
    assert "..." not in text.partition("Commands:")[2]


@pytest.mark.parametrize("name", sorted(cli.main.commands))
def test_help_speaks_of_numbers_as_people_do(name: str) -> None:
    assert not re.search("FLOAT|INTEGER|RANGE", run(name, "--help").stdout)


def test_parcels(tmp_path: Path) -> None:
    """Each recording in a folder is diagnosed; strangers beside them change no exit status."""
    (tmp_path / "a.pcap").write_bytes(HEALTHY.read_bytes())
    (tmp_path / "b.txt").write_text("dear support,\n")
    for layout in ("text", "html", "letter", "json"):
        result = run("diagnose", tmp_path, "--format", layout)
        assert result.exit_code == 0
        assert result.stderr.count("\n") == 1
        assert 'b.txt": is text, not a recording. Frames cannot be judged from' in result.stderr
        assert ("b.txt" in result.stdout) is (layout != "text")
    (other,) = json.loads(run("diagnose", tmp_path, "--format", "json").stdout)["not_recordings"]
    assert list(other) == ["file", "what", "what_to_do"]
    assert other["file"] == f"{tmp_path.name}/b.txt"
    (tmp_path / "a.pcap").unlink()
    assert run("diagnose", tmp_path).exit_code == 2
    assert run("diagnose", tmp_path, FAULTY).exit_code == 2


def a_mail(folder: Path, name: str = "desk case 4711.eml") -> Path:
    """A mail with a recording that works, one that does not, and a picture."""
    mail = mailed(
        {"a.pcap": HEALTHY.read_bytes(), "b.pcap": FAULTY.read_bytes(), "c.png": b"\x89PNG"}
    )
    mail["Message-ID"] = "<1@plant.example>"
    path = folder / name
    path.write_bytes(bytes(mail))
    return path


@pytest.mark.parametrize("layout", ["letter", "eml"])
def test_one_letter_for_one_mail(tmp_path: Path, layout: str) -> None:
    """Its recordings together, by the names that the sender gave them, and nothing of the desk."""
    path, wording = a_mail(tmp_path), tmp_path / "house.toml"
    wording.write_text('greeting = "Gr\u00fc\u00df Gott,"\n', encoding="utf-8")
    words = ("--format", layout, "--house", wording, "--output", tmp_path / "out")
    result = run("diagnose", path, *words)
    assert result.exit_code == 1
    assert '4711.eml > c.png": is a picture' in result.stderr
    text = (tmp_path / "out").read_text("utf-8")
    if layout == "eml":
        draft = message_from_string(text, policy=default)
        assert draft["In-Reply-To"] == "<1@plant.example>"
        parts = [part.get_content() for part in draft.iter_parts()]
        assert "&#34;a.pcap&#34;</h1>" in parts[1]
        text = parts[0] + parts[1]
    assert text.startswith("Gr\u00fc\u00df Gott,\n")
    assert "the 2 recordings." in text
    assert 'Not used, since no frames are in such files: "c.png".' in text
    assert not re.search(f"4711|{re.escape(tmp_path.name)}", text)


def test_a_folder_is_not_named_in_a_letter(tmp_path: Path) -> None:
    for number in range(2):
        (tmp_path / f"{number}.pcap").write_bytes(FAULTY.read_bytes())
    text = run("diagnose", tmp_path, "--format", "letter").stdout
    assert tmp_path.name not in text
    assert '- "0.pcap": ' in text


def test_a_letter_answers_one_mail(tmp_path: Path) -> None:
    one, other = a_mail(tmp_path), a_mail(tmp_path, "other.eml")
    assert "letter answers one" in complaint(run("diagnose", one, other, "--format", "eml"))
    assert run("diagnose", one, other).exit_code == 1
    wording = ("--house", tmp_path / "none.toml")
    assert "is for letters" in complaint(run("diagnose", one, *wording))
    assert "cannot be read" in complaint(run("diagnose", one, "--format", "letter", *wording))


def test_what_many_strangers_have_in_common_is_said_once(tmp_path: Path) -> None:
    for number in range(30):
        (tmp_path / f"{number}.txt").write_text("dear support,\n")
    line = complaint(run("diagnose", tmp_path))
    assert '/0.txt": is text, not a recording.' in line
    assert line.endswith("The same holds for 29 more.\n")


def test_many_kinds_of_strangers_are_counted(tmp_path: Path) -> None:
    """Three of each kind have a line each."""
    heads = [b"", b"\x89PNG", b"%PDF", b"{\\rtf", b"MZ", b"\x7fELF", bytes(9), b"%!"]
    for kind, head in enumerate(heads):
        for number in range(3):
            (tmp_path / f"{kind}{number}").write_bytes(head)
    lines = run("diagnose", tmp_path).stderr.splitlines()
    assert len(lines) == diagnose.MOST_COMPLAINTS + 1
    assert lines[-1] == "whynolink: 4 more files are no recordings."


def test_a_limit_that_was_reached_is_never_among_those_that_are_only_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analyzer.inputs.limits.MAX_MEMBERS", 25)
    for number in range(30):
        (tmp_path / f"{number}.txt").write_text("dear support,\n")
    first, *_ = run("diagnose", tmp_path).stderr.splitlines()
    assert "it holds more than 25 files. --limit raises the limit." in first


def test_limit_raises_the_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analyzer.inputs.limits.MAX_MEMBERS", 2)
    for number in range(5):
        (tmp_path / f"{number}.pcapng").write_bytes(HEALTHY.read_bytes())
    few = run("diagnose", tmp_path)
    assert few.stdout.count('.pcapng"\n') == 3
    assert "it holds more than 2 files. --limit raises the limit." in few.stderr
    assert run("diagnose", tmp_path, "--limit", "3").stdout.count('.pcapng"\n') == 6
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


SHEET = """
[[adapter]]
address = "192.0.2.15"
mask = "255.255.255.0"

[[controller]]
name = "press 3"
address = "192.0.2.60"
hardware_address = "00-00-5E-00-53-60"
port = 502

[[controller]]
name = "robot"
address = "192.0.2.70"
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SHEET, encoding="utf-8")
    return path


def test_a_wrong_sheet_gets_a_line_for_each_thing(sheet: Path) -> None:
    """With file and line, status 2, and nothing on standard out; for both commands."""
    sheet.write_text(SHEET.replace("502", "0").replace("name", '"nam\u00e9"'), encoding="utf-8")
    for call in (["plan", "--site", sheet], ["diagnose", FAULTY, "--site", sheet]):
        result = run(*call)
        assert (result.exit_code, result.stdout) == (2, "")
        lines = result.stderr.splitlines()
        assert [line.split(":")[1] for line in lines] == [
            " site.toml line 7",
            " site.toml line 10",
            " site.toml line 13",
        ]
        assert result.stderr.isascii()


def test_diagnose_with_a_sheet(sheet: Path) -> None:
    """The controller that was tried is judged, and called by its name."""
    result = run("diagnose", HEALTHY, "--site", sheet)
    assert result.exit_code == 0
    assert '192.0.2.60 ("press 3" in the site sheet), TCP port 502' in " ".join(
        result.stdout.split()
    )
    assert "robot" not in result.stdout
    made = json.loads(run("diagnose", HEALTHY, "--site", sheet, "--format", "json").stdout)
    (linkup,) = made["linkups"]
    assert linkup["how_known"] == "named in the site sheet"
    assert linkup["controller"]["name"] == "press 3"


def test_a_good_recording_writes_a_sheet_that_can_be_used(tmp_path: Path) -> None:
    """It holds what the recording proves, and goes back into both commands."""
    path = tmp_path / "new.toml"
    assert run("diagnose", HEALTHY, "--write-site", path).exit_code == 0
    site = read_site(path.read_bytes(), "new.toml")
    (adapter,), (controller,) = site.adapters, site.controllers
    assert (str(adapter.address), str(adapter.mask)) == ("192.0.2.15", "255.255.255.0")
    assert str(adapter.hardware_address) == "00-00-5E-00-53-15"
    assert (str(controller.address), controller.port) == ("192.0.2.60", 502)
    assert str(controller.hardware_address) == "00-00-5E-00-53-60"
    assert controller.answers_arp is True
    assert controller.mask is controller.sessions is controller.cable is None
    assert run("plan", "--site", path).exit_code == 0
    assert run("diagnose", HEALTHY, "--site", path).exit_code == 0


def test_a_sheet_holds_nothing_that_is_only_guessed(tmp_path: Path) -> None:
    """No mask where none was recorded; the others that were seen in session."""
    for number, name in enumerate(("healthy-busy-site.pcap", "healthy-cached-neighbour.pcap")):
        path = tmp_path / f"{number}.toml"
        run("diagnose", CAPTURES / name, "--write-site", path)
        site = read_site(path.read_bytes(), name)
        assert all(one.mask is None for one in site.adapters)


def test_no_sheet_is_written_where_nothing_works_or_over_another(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    result = run("diagnose", FAULTY, "--write-site", path)
    assert "no connection here works" in complaint(result)
    assert not path.exists()
    path.write_text("mine", encoding="utf-8")
    assert "cannot be written" in complaint(run("diagnose", HEALTHY, "--write-site", path))
    assert path.read_text(encoding="utf-8") == "mine"


def test_plan_from_a_sheet_and_from_options(sheet: Path, tmp_path: Path) -> None:
    """0 where the numbers hold, 1 where they do not."""
    both = run("plan", "--site", sheet)
    assert both.exit_code == 0
    assert '"robot" (192.0.2.70)' in both.stdout
    one = run("plan", "--site", sheet, "--controller", "192.0.2.60")
    assert "press 3" in one.stdout
    assert "robot" not in one.stdout
    assert "not in the site sheet" in complaint(
        run("plan", "--site", sheet, "--controller", "192.0.2.99")
    )
    told = run("plan", "--controller", "192.0.2.60:502", "--pc", "192.0.2.15", "--cable", "direct")
    assert told.exit_code == 0
    apart = ("plan", "--controller", "192.0.2.60:502", "--pc", "198.51.100.15")
    wrong = run(*apart, "--mask", "255.255.255.0")
    assert wrong.exit_code == 1
    assert "DOES NOT HOLD" in wrong.stdout
    presumed = run(*apart)
    assert presumed.exit_code == 1
    assert "DOES NOT HOLD" not in presumed.stdout


def test_plan_writes_a_sheet_of_its_options(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    options = ("--controller", "192.0.2.60:502", "--pc", "192.0.2.15", "--mask", "255.255.255.0")
    assert run("plan", *options, "--write-site", path).exit_code == 0
    assert run("plan", "--site", path).stdout == run("plan", *options).stdout


def test_plan_for_programs_and_for_the_printer(sheet: Path, tmp_path: Path) -> None:
    made = json.loads(run("plan", "--site", sheet, "--format", "json").stdout)
    assert made["schema"] == "whynolink-plan/1"
    page = tmp_path / "plan.html"
    assert run("plan", "--site", sheet, "--format", "html", "--output", page).stdout == ""
    assert page.read_text("ascii").startswith("<!DOCTYPE html>")


def test_a_plan_for_one_kind_of_pc() -> None:
    call = ["plan", "--controller", "192.0.2.60", "--system"]
    one = run(*call, "windows")
    assert one.exit_code == 0
    assert "netsh" in one.stdout
    assert "sudo" not in one.stdout
    told = json.loads(run(*call, "linux", "--system", "macos", "--format", "json").stdout)
    assert {entry["system"].split()[0] for entry in told["commands"]} == {"Linux", "macOS"}


def test_all_tells_every_link_up(tmp_path: Path) -> None:
    """Without it, a table of the worst and a count; --help says what it is for."""
    plant = Plant()
    pc = plant.pc()
    plant.wait(3)
    for number in range(20, 60):
        unit = plant.station(f"192.0.2.{number}")
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit)
        session.syn()
        session.refuse()
    plant.wait(8)
    plant.chatter()
    path = tmp_path / "forty.pcap"
    path.write_bytes(plant.pcap())
    short, full = run("diagnose", path).stdout, run("diagnose", "--all", path).stdout
    assert "10 more, none of them worse" in short
    told = [one.count("Connecting stopped") for one in (short, full)]
    assert told == [1, 40 + 1], "the worst once more at the end"
    letters = [
        run("diagnose", "--format", "letter", *more, path).stdout for more in ([], ["--all"])
    ]
    assert [one.count("connecting stopped") for one in letters] == [1, 40]
    assert "every connection, finding" in " ".join(run("diagnose", "--help").stdout.split())


@pytest.mark.parametrize("starts", [True, False])
def test_the_page_is_shown_in_the_browser(
    starts: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer is printed all the same; without a browser one line says where the page lies."""
    opened: list[str] = []
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("webbrowser.open", lambda url: bool(opened.append(url)) or starts)
    result = run("diagnose", FAULTY, "--open")
    (page,) = tmp_path.glob("whynolink-*.html")
    assert opened == [page.as_uri()]
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert result.stdout == run("diagnose", FAULTY).stdout
    assert result.exit_code == (1 if starts else 2)
    assert (str(page) in " ".join(result.stderr.split())) is not starts


ROOT = Path(__file__).parents[1]

LONG = "9" * 5000


def by_shell(line: str, **more: str) -> "subprocess.CompletedProcess[str]":
    """A command as it is typed, `whynolink` in front."""
    line = f'"{sys.executable}" -m analyzer {line}'
    env = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", **more}
    return subprocess.run(
        line, shell=True, capture_output=True, text=True, cwd=ROOT, env=env, check=False
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize(
    "line",
    ["--help", "--version", "trim --help", "demo", "record --list", "record lo --minutes 0.001"],
)
def test_output_without_room_gets_one_line(line: str, tmp_path: Path) -> None:
    output = f" --output {tmp_path / 'a.pcapng'}" if "minutes" in line else ""
    done = by_shell(f"{line}{output} >/dev/full", HOME=str(tmp_path))
    assert done.returncode == 2
    assert done.stderr.startswith("whynolink: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="closes them by POSIX means")
def test_what_is_closed_gets_one_line() -> None:
    done = by_shell("diagnose - <&-")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "is closed" in done.stderr
    assert by_shell("diagnose nowhere.pcap 2>&-").returncode == 2


@pytest.mark.skipif(sys.platform != "linux", reason="looks where Linux keeps such folders")
def test_the_list_of_adapters_leaves_nothing(tmp_path: Path) -> None:
    """Neither folders nor files of the package that opens adapters."""
    assert by_shell("record --list", HOME=str(tmp_path)).returncode == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "--site", "site.toml"],
        ["diagnose", "x.pcap", "--site", "site.toml"],
        ["diagnose", "x.pcap", "--format", "letter", "--house", "site.toml"],
        ["trim", "x.pcap", "--back", "site.toml"],
        ["trim", "site.toml", "--back", "names"],
        ["compare", "x.pcap", "site.toml"],
        ["triage", "x.pcap", "site.toml"],
    ],
)
def test_no_output_replaces_what_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    """Neither by its own name nor by that of a link to it."""
    monkeypatch.chdir(tmp_path)
    Path("site.toml").write_text(SHEET)
    shutil.copy(HEALTHY, "x.pcap")
    Path("link").symlink_to("site.toml")
    for name in ("site.toml", "link"):
        result = run(*arguments, "--output", name)
        assert result.exit_code == 2
        assert f"{name}: would be overwritten." in result.stderr
        assert Path("site.toml").read_text() == SHEET


def test_a_report_that_does_not_succeed_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*arguments: object) -> None:
        raise OSError(28, "No space left on device")

    report = tmp_path / "report"
    report.write_text("old")
    monkeypatch.setattr(Path, "replace", full)
    result = run("diagnose", HEALTHY, "--output", report)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert report.read_text() == "old"
    assert list(tmp_path.iterdir()) == [report]


@pytest.mark.parametrize(
    "arguments",
    [
        ["diagnose", "x", "--controller", LONG],
        ["diagnose", "x", "--controller", f"192.0.2.60:{LONG}"],
        ["diagnose", "x", "--pc", LONG],
        ["diagnose", "x", "--limit", LONG],
        ["plan", "--controller", "192.0.2.60", "--mask", LONG],
        ["record", "--minutes", LONG],
        ["record", "--megabytes", LONG],
        ["diagnose", LONG],
        ["triage", LONG],
        ["compare", LONG, LONG],
        ["trim", LONG, "--output", "y"],
        ["rules", LONG],
    ],
)
def test_thousands_of_digits_get_one_short_line(arguments: list[str]) -> None:
    result = run(*arguments)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert len(result.stderr) < 1100
