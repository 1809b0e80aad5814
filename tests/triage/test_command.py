"""whynolink triage as people call it."""

import csv
import io
import json
import multiprocessing
import multiprocessing.util
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import unquote, unquote_to_bytes

import click
import psutil
import pytest
from click.testing import CliRunner, Result

import analyzer.triage
from analyzer import cli
from analyzer.cli import triage as command
from analyzer.triage import Order, Reviewed, Sent, Workers
from analyzer.triage.worker import review
from analyzer.words import LONGEST_NAME, quoted
from tests.parcels import mailed

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "captures"
FAULTY, HEALTHY = CAPTURES / "port-refused.pcap", CAPTURES / "healthy-first-contact.pcapng"
UNCLEAR, TEXT = CAPTURES / "stopped-early.pcap", CAPTURES / "README.md"


@pytest.fixture(autouse=True)
def threads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    """Threads of this process do the work, and a new folder is the user's own."""
    with ThreadPoolExecutor(2) as executor:
        monkeypatch.setattr(command, "Workers", lambda: Workers(executor))
        monkeypatch.setattr(click, "get_app_dir", lambda *_, **__: str(tmp_path / "own"))
        yield


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A folder with a fault, a healthy recording below it, and a text."""
    folder = tmp_path / "a site"
    (folder / "below").mkdir(parents=True)
    shutil.copy(FAULTY, folder / "<fault> & more.pcap")
    shutil.copy(HEALTHY, folder / "below" / "=healthy.pcapng")
    shutil.copy(TEXT, folder)
    return folder


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli.main, ["triage", *map(str, arguments)])


def test_exit_status_is_the_worst() -> None:
    """As of diagnose: 2 where something cannot be read, then 1, 3, 0."""
    assert run(HEALTHY).exit_code == 0
    assert run(HEALTHY, UNCLEAR).exit_code == 3
    assert run(HEALTHY, UNCLEAR, FAULTY).exit_code == 1
    unread = run(HEALTHY, UNCLEAR, FAULTY, TEXT)
    assert unread.exit_code == 2
    assert unread.stderr.count("\n") == 1
    assert "1 of 4 could not be read" in unread.stderr
    assert unread.stdout.startswith(
        "3 recordings: 1 stopped, 1 cannot be told and 1 complete; 1 file not read\n"
    )
    assert run(TEXT).stdout.startswith("0 recordings; 1 file not read\n")


def test_text_tells_the_table_and_where_to_read_on(site: Path) -> None:
    """A summary, what to read before acting, then rows by verdict and reason, the worst first."""
    shutil.copy(FAULTY, site / "again.pcap")
    lines = run(site).stdout.split("\n")
    header = next(number for number, line in enumerate(lines) if line.startswith("  PC "))
    assert re.split(" {2,}", lines[header].strip()) == [
        "PC", "Controller", "Recorded (UTC)", "Sure", "File",
    ]  # fmt: skip
    assert lines[header + 2] == "Stopped at the port (2): 192.0.2.60 refuses port 503"
    row = r"  192.0.2.15 +192.0.2.60:503 +2025-03-11 \d\d:\d\d  shown  "
    assert re.fullmatch(row + '"<fault> & more.pcap"', lines[header + 3])
    assert re.fullmatch(row + '"again.pcap"', lines[header + 4])
    before = " ".join(lines[:header])
    assert before.startswith("3 recordings: 2 stopped and 1 complete; 1 file not read")
    assert "- 2 times: port refused" in before
    assert 'begin inside the folder "' in before
    assert "cautions" in before
    assert "whynolink diagnose FILE" in before


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="a zone of one process is POSIX's")
def test_times_are_told_in_the_zone_of_the_machine_or_in_utc(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In tables and pages to read; JSON and columns have UTC alone."""
    reports, table = tmp_path / "reports", tmp_path / "table.html"
    page = ["--format", "html", "--output", table, "--reports", reports]
    monkeypatch.setenv("TZ", "XYZ-05:30")
    time.tzset()
    try:
        for options, zone, hour in (((), "UTC+05:30", "16:26"), (("--utc",), "UTC", "10:56")):
            text = run(site, *options).stdout
            assert f"Recorded ({zone})" in text
            assert f"2025-03-11 {hour} " in text
            run(site, *options, *page)
            assert f"2025-03-11 {hour}<" in table.read_text()
            (linked,) = {one for one in reports.iterdir() if one.name in table.read_text()
                         and one.name.startswith("fault")}  # fmt: skip
            assert f"{hour}:24 {zone}" in " ".join(linked.read_text().split())
        for layout in ("json", "csv"):
            assert (
                run(site, "--format", layout).stdout
                == run(site, "--format", layout, "--utc").stdout
            )
    finally:
        monkeypatch.undo()
        time.tzset()


def test_json_for_programs(site: Path) -> None:
    """Raw values, null where there is none, the same answer each time."""
    result = run(site, "--format", "json")
    content = json.loads(result.stdout)
    assert content["schema"] == "whynolink-triage/1"
    assert [one["status"] for one in content["recordings"]] == [1, 2, 0]
    assert content["recordings"][0] == {
        "file": "<fault> & more.pcap",
        "pieces": 1,
        "recorded": "2025-03-11T10:56:24+00:00",
        "controller": "192.0.2.60",
        "port": 503,
        "more_controllers": 0,
        "pc": "192.0.2.15",
        "verdict": "stopped",
        "stage": "port",
        "finding": "192.0.2.60 refuses port 503",
        "rule": "port-refused",
        "certainty": "shown",
        "status": 1,
        "sender": None,
        "subject": None,
        "sent": None,
        "strays": 0,
        "sha256": "9c0ef96120f1265c7627c65d49bff29033feda05c1ca6c9e458a2d70e3537242",
        "report": None,
    }
    assert run(site, "--format", "json").stdout == result.stdout


def test_csv_for_spreadsheets(site: Path) -> None:
    """A header, and a row each; formulas are made harmless."""
    text = run(site / "below", "--format", "csv").stdout
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["file"] == "'=healthy.pcapng"
    assert (row["controller"], row["port"], row["stage"]) == ("192.0.2.60", "502", "")


def test_csv_names_stages_as_reports_do() -> None:
    text = run(CAPTURES / "nobody-has-the-address.pcap", "--format", "csv").stdout
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["stage"] == "hardware address"


@pytest.mark.parametrize("layout", ["html", "json", "csv"])
@pytest.mark.parametrize("place", ["table", "elsewhere/table"])
def test_reports_are_linked_from_where_the_table_lies(
    site: Path, monkeypatch: pytest.MonkeyPatch, layout: str, place: str
) -> None:
    """Every link leads to a page in the folder given, and nothing is written beside it."""
    monkeypatch.chdir(site.parent)
    (site.parent / "elsewhere").mkdir()
    run(site, "--format", layout, "--reports", "the pages", "--output", place)
    table = site.parent / place
    text = table.read_text("ascii")
    links = re.findall(r'(?:href=|"report": |,)"([^"]*\.html)"', text)
    targets = [(table.parent / unquote(link)).resolve() for link in links]
    assert len(targets) == 2
    assert not re.search(r'(href=|"report": |,)"the%20pages"', text)
    assert sorted(targets) == sorted(site.parent.joinpath("the pages").resolve().iterdir())
    first = targets[0].read_text("ascii")
    assert "<h2>192.0.2.60 refuses port 503</h2>" in first
    back = re.findall(r'class="back"><a href="([^"]*)"', first)
    assert [(targets[0].parent / unquote(link)).resolve() for link in back] == (
        [table] if layout == "html" else []
    )


def test_a_page_names_no_folder_of_the_desk(site: Path, tmp_path: Path) -> None:
    """Whether one folder or several files are given."""
    pages, table = tmp_path / "the pages", tmp_path / "table.html"
    files = [path for path in site.rglob("*") if path.is_file()]
    for inputs in ([site], files, [site / "below", site / "<fault> & more.pcap"], files[:1]):
        run(*inputs, "--format", "html", "--reports", pages, "--output", table)
        text = table.read_text("ascii")
        shown = re.sub(r'href="[^"]*"', "", text)
        assert not [name for name in (str(tmp_path), site.name, pages.name) if name in shown]


def test_a_mail_tells_who_sent_what_when(tmp_path: Path) -> None:
    """Its pictures and texts are counted; what may hold a recording keeps its row."""
    mail = mailed(
        {
            "a.pcap": FAULTY.read_bytes(),
            "logo.png": b"\x89PNG",
            "card.vcf": b"BEGIN:VCARD\n",
            "b.7z": b"7z\xbc\xaf\x27\x1c",
        }
    )
    mail["Date"] = "Mon, 02 Mar 2026 09:00:00 +0100"
    (tmp_path / "x.eml").write_bytes(bytes(mail))
    only = mailed({"logo.png": b"\x89PNG"})
    (tmp_path / "y.eml").write_bytes(bytes(only))
    rows = json.loads(run(tmp_path, "--format", "json").stdout)["recordings"]
    told = [(row["file"], row["status"], row["strays"]) for row in rows]
    assert told == [("x.eml > a.pcap", 1, 0), ("y.eml", 2, 1), ("x.eml > b.7z", 0, 2)]
    assert {(row["sender"], row["subject"]) for row in rows} == {("site@plant.example", "No link")}
    assert [row["sent"] for row in rows] == [
        "2026-03-02T08:00:00+00:00", None, "2026-03-02T08:00:00+00:00",
    ]  # fmt: skip
    assert "3 files that came along hold no frames" in run(tmp_path).stdout
    page = run(tmp_path, "--format", "html").stdout
    header = re.findall(r'role="columnheader">([^<]*)<', page)
    assert header == [
        "Verdict", "Stage", "What leads", "Sure", "Controller", "PC", "Recorded (UTC)", "File",
        "From", "Subject", "Mailed (UTC)",
    ]  # fmt: skip


def test_html_escapes_names(site: Path) -> None:
    """A name from the site is text."""
    text = run(site, "--format", "html").stdout
    assert "&lt;fault&gt; &amp; more.pcap" in text
    assert "<fault>" not in text


def test_own_output_is_no_input_of_the_next_time(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Table, pages and kept results may lie among the recordings."""
    monkeypatch.chdir(site)
    words = (".", "--reports", "pages", "--keep", "kept", "--format", "json", "--output", "t.json")
    run(*words)
    first = (site / "t.json").read_text("ascii")
    run(*words)
    assert (site / "t.json").read_text("ascii") == first
    assert len(json.loads(first)["recordings"]) == 3


def test_results_are_kept_in_the_users_own_folder(site: Path, tmp_path: Path) -> None:
    """Unless another one is named; an unusable one is told, and does without."""
    run(site)
    kept = tmp_path / "own" / "triage"
    assert len(list(kept.iterdir())) == 3
    run(site, "--keep", tmp_path / "other")
    assert len(list((tmp_path / "other").iterdir())) == 3
    shutil.rmtree(tmp_path / "own")
    (tmp_path / "own").touch()
    result = run(HEALTHY)
    assert result.exit_code == 0
    assert result.stderr.startswith("whynolink: results are not kept.")


def test_options_reach_every_recording(site: Path) -> None:
    """--controller and --pc, as of diagnose."""
    told = run(site, "--controller", "192.0.2.77", "--pc", "192.0.2.15", "--format", "json")
    rows = json.loads(told.stdout)["recordings"]
    assert {row["controller"] for row in rows if row["status"] != 2} == {"192.0.2.77"}
    assert (
        "Options: --controller 192.0.2.77 --pc 192.0.2.15"
        in run(site, "--controller", "192.0.2.77", "--pc", "192.0.2.15").stdout
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "Missing argument"),
        (["empty"], '"empty": holds no files.'),
        (["nodir"], '"nodir": does not exist.'),
        (["x.pcap", "--output", "x.pcap"], "x.pcap: would be overwritten."),
        (["empty", "--output", "x.pcap"], "x.pcap: would be overwritten."),
        (["empty", "--reports", "empty"], "empty: is the folder to be reviewed."),
        ([".", "--keep", "empty/.."], "is the folder to be reviewed. Name another --keep"),
        (["x.pcap", "--reports", "x.pcap"], "x.pcap: cannot be written"),
        (["x.pcap", "--keep", "x.pcap/y"], "y: cannot be written"),
        (["x.pcap", "--keep", "a\0b"], "not a usable folder name"),
        (["x.pcap", "--output", "empty"], "empty: cannot be written"),
        (["x.pcap", "--controller", "1.2"], "not an IPv4 address"),
        (["x.pcap", "--format", "poem"], "poem"),
    ],
)
def test_bad_calls_get_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    """What, where, what to do; status 2; nothing on standard out."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    shutil.copy(FAULTY, "x.pcap")
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
    assert (tmp_path / "x.pcap").read_bytes() == FAULTY.read_bytes()


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_somebody_who_watches_sees_the_count_and_the_time_left(
    site: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A bar on a terminal, and then where the results are; nothing in a pipe."""
    assert run(HEALTHY).stderr == ""
    files = analyzer.triage.files_in([str(site)] * 2)
    order = analyzer.triage.Order(command.all_rules, keep=tmp_path)
    for kept in ("none was there yet", "3 of 3 were there already"):
        screen = Terminal()
        monkeypatch.setattr(sys, "stderr", screen)
        command._reviewed(files, order)
        assert "3/3" in screen.getvalue()
        assert f"Results are kept in {tmp_path} ({kept})." in screen.getvalue()


def test_interrupted_it_says_how_to_go_on(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line with what is done."""

    def interrupted(*_: object) -> Iterator[Reviewed]:
        yield Reviewed([], kept=False)
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "triage", interrupted)
    result = run(site)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "1 of 3 files are done. The same command goes on from there." in result.stderr
    assert result.stderr.count("\n") == 1


MANY = 240
"""Recordings that take longer to review than a busy machine needs to press Ctrl-C."""


@pytest.mark.skipif(sys.platform == "win32", reason="there is no Ctrl-C for a group of processes")
@pytest.mark.parametrize("moment", ["starting", "working"])
def test_ctrl_c_and_once_more(tmp_path: Path, moment: str) -> None:
    """Stopped from the keyboard, all processes end at once and quietly; what is done stays done."""
    site, keep = tmp_path / "site", tmp_path / "keep"
    site.mkdir()
    octets = HEALTHY.read_bytes()
    for number in range(MANY):
        (site / f"{number}.pcapng").write_bytes(octets + bytes(number))
    command = [sys.executable, "-m", "analyzer", "triage", site, "--keep", keep]
    started = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, start_new_session=True
    )
    wanted: Callable[[], bool] = (
        keep.exists if moment == "starting" else lambda: len(list(keep.glob("*.kept"))) > 5
    )
    _wait_until(wanted)
    os.killpg(started.pid, signal.SIGINT)
    out, told = started.communicate(timeout=120)
    assert (started.returncode, out) == (2, b"")
    assert re.fullmatch(rb"\s*whynolink: stopped from the keyboard.*\n", told)
    assert not list(keep.glob("unfinished-*"))
    if moment == "starting":
        return
    done = {path: path.stat().st_mtime_ns for path in keep.iterdir()}
    assert len(done) < MANY
    again = subprocess.run(command, capture_output=True, cwd=ROOT, check=False)
    assert again.returncode == 0
    assert again.stdout.startswith(
        f"{MANY} recordings: {MANY - 1} complete with a warning and 1 complete\n".encode()
    )
    assert {path: path.stat().st_mtime_ns for path in done} == done
    assert len(list(keep.iterdir())) == MANY


@pytest.mark.skipif(sys.platform == "win32", reason="processes are started otherwise there")
@pytest.mark.parametrize("when", ["before", "after"])
def test_ctrl_c_at_the_moment_in_which_a_process_starts(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    when: str,
) -> None:
    """Pressed once, it is heeded by this process, and quietly by the one that begins to be."""
    started: list[int] = []

    def press(pid: int) -> None:
        if len(started) < 2:
            os.kill(pid, signal.SIGINT)

    def start(*arguments: Any) -> int:
        if when == "before":
            press(os.getpid())
        started.append(spawn(*arguments))
        press(started[-1])
        if when == "after":
            press(os.getpid())
        return started[-1]

    multiprocessing.get_context("spawn").Lock()  # starts a process that watches over locks
    spawn = multiprocessing.util.spawnv_passfds
    monkeypatch.setattr(multiprocessing.util, "spawnv_passfds", start)
    files = [Sent(str(number), HEALTHY) for number in range(40)]
    with Workers() as workers:
        answers = workers.answers(review, files, Order(command.all_rules))
        with pytest.raises(KeyboardInterrupt):
            list(answers)
    assert started
    assert capfd.readouterr().err == ""


def test_a_second_ctrl_c_while_processes_end_is_left_out() -> None:
    """Half ended, they would stay, and this process with them."""

    class Pool:
        def shutdown(self, *, cancel_futures: bool) -> None:
            signal.raise_signal(signal.SIGINT)

    workers = Workers()
    workers.own = Pool()  # type: ignore[assignment]
    with workers:
        pass
    assert workers.own is None


@pytest.mark.skipif(sys.platform == "win32", reason="a signal sent there ends any process")
def test_ctrl_c_while_the_command_is_loaded(tmp_path: Path) -> None:
    """No traceback of imports; afterwards Ctrl-C is what it was."""
    (tmp_path / "click.py").write_text("import os\nos.kill(os.getpid(), 2)\n")
    command = [sys.executable, "-c", "from analyzer.__main__ import main; main()"]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])}
    done = subprocess.run(command, capture_output=True, env=env, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, b"", b"")


def test_ctrl_c_is_heeded_between_answers_and_ends_the_work(tmp_path: Path) -> None:
    """Inside the wait for answers it would leave locks behind; after it, it is as before."""
    before = signal.getsignal(signal.SIGINT)
    files = [Sent(str(number), tmp_path) for number in range(4)]

    def work(sent: Sent, order: Order) -> str:
        return sent.name

    with ThreadPoolExecutor(1) as threads, Workers(threads) as workers:
        answers = workers.answers(work, files, Order(command.all_rules))
        next(answers)
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            list(answers)
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.skipif(sys.platform == "win32", reason="there the system ends them otherwise")
def test_workers_of_a_killed_triage_end(tmp_path: Path) -> None:
    """Those that wait for work and those that have some."""
    for number in range(200):
        shutil.copy(FAULTY, tmp_path / f"{number}.pcap")
    command = [
        sys.executable,
        "-m",
        "analyzer",
        "triage",
        str(tmp_path),
        "--keep",
        str(tmp_path / "k"),
    ]
    with subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL) as started:
        parent = psutil.Process(started.pid)
        until = time.monotonic() + 30
        while not list((tmp_path / "k").glob("*.kept")) and time.monotonic() < until:
            time.sleep(0.05)
        workers = parent.children(recursive=True)
        parent.suspend()  # no more work is handed out: some of them wait
        time.sleep(0.5)
        parent.kill()
    assert len(workers) > 1
    _, alive = psutil.wait_procs(workers, timeout=3)
    for one in alive:
        one.kill()
    assert alive == []


LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (200, 200))
from analyzer.__main__ import main
main()
"""
"""No file may grow beyond 200 octets: what is written to it then stops in the middle."""


@pytest.mark.skipif(sys.platform == "win32", reason="limits a process by POSIX means")
@pytest.mark.parametrize(
    ("option", "said", "status"),
    [("--keep", "not all results are kept in ", 1), ("--reports", "", 2)],
)
def test_a_full_disk_gets_one_line(tmp_path: Path, option: str, said: str, status: int) -> None:
    """What, where, what to do; nothing half written stays. Kept rows do not cost the table."""
    folders = {"--keep": tmp_path / "keep", "--reports": tmp_path / "reports"}
    words = [str(word) for each in folders.items() for word in each]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "triage", FAULTY, *words[words.index(option) :][:2]],
        capture_output=True,
        cwd=ROOT,
        env={**os.environ, "HOME": str(tmp_path), "PYTHONDONTWRITEBYTECODE": "1"},
        text=True,
        check=False,
    )
    assert done.stderr.startswith(f"whynolink: {said}{folders[option]}")
    assert done.stderr.count("\n") == 1
    assert f"choose another {option}" in done.stderr
    assert (done.returncode, "192.0.2.60 refuses port 503" in done.stdout) == (status, status == 1)
    assert list(folders[option].iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_standard_output_gets_one_line(tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "analyzer", "triage", FAULTY, "--keep", tmp_path],
            stdout=full,
            stderr=subprocess.PIPE,
            cwd=ROOT,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith("whynolink: standard output: cannot be written: ")
    assert done.stderr.count("\n") == 1


def test_own_folders_inside_are_not_reviewed(tmp_path: Path) -> None:
    """Nor the table: a second review finds the same recordings."""
    shutil.copy(FAULTY, tmp_path / "x.pcap")
    own = [word for name in ("keep", "reports") for word in (f"--{name}", tmp_path / "a" / name)]
    for _ in range(2):
        result = run(tmp_path, *own, "--output", tmp_path / "table.txt")
        assert (result.exit_code, result.stderr) == (1, "")
        assert (tmp_path / "table.txt").read_text().startswith("1 recording: 1 stopped\n")


HOSTILE = [
    "=cmd|calc!A0.pcap",
    '@x,"=1+1".pcap',
    "\x1b[31mred\x07.pcap",
    "right\u202egnp.pcap",
    "<b onmouseover=x>&amp;.pcap",
    "line\nfeed.pcap",
    "-rf.pcap",
    "a#b?c%41.pcap",
    "javascript:x.pcap",
    "raw\udcff.pcap",
    "a" * 240 + ".pcap",
]


@pytest.mark.skipif(sys.platform == "win32", reason="such names cannot be made there")
@pytest.mark.parametrize("layout", ["text", "html", "json", "csv"])
def test_hostile_names_stay_text(tmp_path: Path, layout: str) -> None:
    """Whatever a file, or the folder for the pages, is called: one plain row each, whose link
    leads to its page.
    """
    folder, pages = tmp_path / "in", tmp_path / "100% <p>\udcfe#"
    folder.mkdir()
    for name in HOSTILE:
        shutil.copy(FAULTY, folder / name)
    table = tmp_path / "table"
    result = run(folder, "--format", layout, "--reports", pages, "--output", table)
    assert (result.exit_code, result.stderr) == (1, "")
    text = table.read_text("ascii")
    assert re.fullmatch(r"[ -~\n]*", text)
    titles = {"text": 1}.get(layout, 0)
    rows = 0 if layout == "text" else len(HOSTILE)
    assert text.count("192.0.2.60 refuses port 503") == titles + rows
    if layout == "text":
        lines = text.split("\n")
        assert all(
            any(line.endswith(f"  {quoted(name, LONGEST_NAME)}") for line in lines)
            for name in HOSTILE
        )
    elif layout == "json":
        assert {one["file"] for one in json.loads(text)["recordings"]} == set(HOSTILE)
    elif layout == "csv":
        assert not re.search(r'"[=+@-]', text)
    else:
        assert "<b " not in text
    if layout != "text":
        links = re.findall(r'(?:href=|"report": |,)"([^"]*\.html)"', text)
        assert {table.parent / os.fsdecode(unquote_to_bytes(link)) for link in links} == set(
            pages.iterdir()
        )
        assert len(links) == len(HOSTILE)


def _wait_until(wanted: Callable[[], bool]) -> None:
    for _ in range(6000):
        if wanted():
            return
        time.sleep(0.02)
    pytest.fail("nothing happened for 120 s")
