"""Many recordings side by side: every file gets its rows, whatever happens to the others."""

import os
import pickle
import shutil
import sys
from collections.abc import Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import analyzer
from analyzer.diagnosis import UNUSABLE
from analyzer.errors import BadOption
from analyzer.reports.ranking import ranked
from analyzer.reports.row import NOT_READ, WARNED, Row, row_of
from analyzer.triage import (
    Order,
    Sent,
    Workers,
    files_in,
    fingerprint,
    joined,
    look_through,
    triage,
)  # fmt: skip
from analyzer.triage.worker import review
from rules import ALL, all_rules
from tests.parcels import zipped
from tests.workers import DEADLY, STUMBLING, treacherous_rules

CAPTURES = Path(__file__).parents[2] / "captures"
RECORDINGS = sorted(path for path in CAPTURES.iterdir() if ".pcap" in path.name)
FAULTY, HEALTHY = CAPTURES / "port-refused.pcap", CAPTURES / "healthy-first-contact.pcapng"
SMALL = 1 << 10
"""Octets: what a pickled row may have."""


def sent(*paths: Path) -> list[Sent]:
    return [Sent(path.name, path) for path in paths]


def rows(files: Sequence[Sent], order: Order, executor: Executor | None = None) -> list[Row]:
    """All rows, by the names of their files; threads stand for processes unless asked otherwise."""
    with ThreadPoolExecutor(2) as threads, Workers(executor or threads) as workers:
        done = list(triage(joined(look_through(files, order, workers)), order, workers))
    return sorted((row for one in done for row in one.rows), key=lambda row: row.file)


def by_processes(files: Sequence[Sent], order: Order) -> list[Row]:
    with Workers() as workers:
        done = list(triage(joined(look_through(files, order, workers)), order, workers))
    return sorted((row for one in done for row in one.rows), key=lambda row: row.file)


def copies(folder: Path, *names: str) -> list[Sent]:
    """The same recording under several names."""
    return sent(*(Path(shutil.copy(FAULTY, folder / name)) for name in names))


def test_rows_say_what_diagnose_says() -> None:
    """For each demo recording, the row of its own diagnosis."""
    expected = [row_of(analyzer.diagnose(path), path.name) for path in RECORDINGS]
    assert rows(sent(*RECORDINGS), Order(all_rules)) == expected
    assert len({row.rule for row in expected}) > 30


def test_processes_give_the_same_rows() -> None:
    """Everything handed to and from a fresh process can be pickled; rows are small, and what is
    known of breaks is not large.
    """
    files = sent(*RECORDINGS[:9])
    order = Order(all_rules, made=("version", "options"))
    assert by_processes(files, order) == rows(files, order)
    results = [review(one, order) for one in files]
    assert max(len(pickle.dumps(replace(one, broken=()))) for one in results) < SMALL
    assert 0 < sum(len(one.broken) for one in results) < len(results)
    assert max(len(pickle.dumps(one.broken)) for one in results) < 2 * SMALL


def test_worst_first() -> None:
    """Stopped early before late, unstable, cannot tell, not read; warnings before clean ones."""
    files = sent(*RECORDINGS, CAPTURES / "README.md")
    order = ranked(rows(files, Order(all_rules)))
    verdicts = list(dict.fromkeys(row.verdict for row in order))
    assert verdicts == ["stopped", "unstable", "cannot tell", "not read", WARNED, "complete"]
    stages = [row.stage for row in order if row.verdict == "stopped"]
    assert list(dict.fromkeys(stages)) == [
        "link",
        "address",
        "neighbour",
        "route",
        "port",
        "answer",
    ]
    assert {bool(row.rule) for row in order if row.verdict == WARNED} == {True}
    assert {bool(row.rule) for row in order if row.verdict == "complete"} == {False}


def test_a_bad_file_gets_its_row(tmp_path: Path) -> None:
    """Missing, empty, something else: one line each, and the rest is judged."""
    (tmp_path / "empty").touch()
    files = sent(tmp_path / "gone", tmp_path / "empty", CAPTURES / "make.py", FAULTY)
    told = {row.file: row for row in rows([*files, Sent("zero", Path("a\0b"))], Order(all_rules))}
    assert told.pop(FAULTY.name).rule == "port-refused"
    assert {row.status for row in told.values()} == {UNUSABLE}
    assert told["gone"].finding == "It does not exist. Check the path."
    assert told["empty"].finding.startswith("It is empty.")
    assert told["make.py"].finding.startswith("It is text, not a recording.")
    assert told["zero"].finding.startswith("It is no file name.")


def test_what_is_no_ordinary_file_is_not_opened(tmp_path: Path) -> None:
    """A pipe would keep the reader waiting; links in folders are not followed."""
    if sys.platform == "win32":
        pytest.skip("links need rights, and there are no named pipes in folders")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(FAULTY)
    (tmp_path / "loop").symlink_to(tmp_path)
    told = {row.file: row.finding for row in rows(files_in([str(tmp_path)]), Order(all_rules))}
    assert told.keys() == {"pipe", "link", "loop"}
    assert told["pipe"].startswith("It is no ordinary file.")
    assert told["link"] == told["loop"]
    assert told["link"].startswith("It is a link")
    named = files_in([str(tmp_path / "link")])
    assert rows(named, Order(all_rules))[0].rule == "port-refused"


def test_a_rule_that_stumbles_is_told(tmp_path: Path) -> None:
    """A defect costs one row, and is not kept."""
    files = copies(tmp_path, "good", STUMBLING)
    order = Order(treacherous_rules, keep=tmp_path)
    good, bad = rows(files, order)
    assert good.rule == "port-refused"
    assert bad.verdict == NOT_READ
    assert "ZeroDivisionError" in bad.finding
    assert len(list(tmp_path.glob("*.kept"))) == 1


def test_a_process_that_dies_is_told(tmp_path: Path) -> None:
    """Only the file that ends its process stays unread; those under way with it are tried again."""
    names = [f"good-{number}" for number in range(7)]
    files = copies(tmp_path, *names[:2], DEADLY, *names[2:])
    done = by_processes(files, Order(treacherous_rules))
    told = {row.file: row for row in done}
    assert len(done) == len(files)
    assert told.pop(DEADLY).finding.startswith("No answer: the process that was to read it ended")
    assert {row.rule for row in told.values()} == {"port-refused"}


class Broken(Executor):
    """Takes some files, and then breaks."""

    def __init__(self, takes: int) -> None:
        self.takes = takes

    def submit(self, work: Any, /, *given: Any, **more: Any) -> Future[Any]:  # type: ignore[override]
        if not self.takes:
            raise BrokenProcessPool
        self.takes -= work is review
        future: Future[Any] = Future()
        if self.takes:
            future.set_result(work(*given))
        else:
            future.set_exception(BrokenProcessPool())
        return future


@pytest.mark.parametrize("takes", [0, 1, 3])
def test_an_executor_that_breaks_leaves_no_file_untold(tmp_path: Path, takes: int) -> None:
    """Files that a broken executor lost or did not take get their line."""
    files = copies(tmp_path, *(f"file-{number}" for number in range(5)))
    done = rows(files, Order(all_rules), Broken(takes))
    assert len(done) == len(files)
    read = max(0, takes - 1)
    assert sum(row.rule == "port-refused" for row in done) == read
    assert sum("ended (Broken" in row.finding for row in done) == len(files) - read


def test_only_so_many_are_handed_out_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows and pages that wait for this process are few, however many files there are."""
    monkeypatch.setattr("analyzer.triage.workers.AHEAD", 3)
    at_once = Broken(takes=100)
    files = copies(tmp_path, *(f"file-{number}" for number in range(8)))
    told = 0
    for _ in triage(files, Order(all_rules), Workers(at_once)):
        told += 1
        assert 100 - at_once.takes - told < 3
    assert told == 8


def test_pages_lie_in_their_folder(tmp_path: Path) -> None:
    """One page a recording, with the version and options in it; none for what cannot be read."""
    order = Order(all_rules, made=("version 7", "Options: x"), reports=tmp_path)
    done = rows(sent(FAULTY, HEALTHY, CAPTURES / "make.py"), order)
    pages = {row.report for row in done if row.report}
    assert {path.name for path in tmp_path.iterdir()} == pages
    assert len(pages) == 2
    assert all("version 7" in (tmp_path / page).read_text("ascii") for page in pages)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """One line for pages; rows come all the same where they cannot be kept."""
    with pytest.raises(BadOption, match="cannot be written"):
        rows(sent(FAULTY), Order(all_rules, reports=tmp_path / "gone"))
    order = Order(all_rules, keep=tmp_path / "gone")
    (done,) = triage(sent(FAULTY), order, Workers(ThreadPoolExecutor(1)))
    assert done.unkept == "No such file or directory"
    assert done.rows[0].rule == "port-refused"
    assert list(tmp_path.iterdir()) == []


def test_files_come_once_and_own_files_are_left_out(tmp_path: Path) -> None:
    """Folders to the bottom, without dot names and without what the tool writes itself."""
    for name in ("a", "sub/b", ".hidden", ".git/c", "reports/d", "table.html"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    own = [tmp_path / "reports", tmp_path / "table.html"]
    alone = files_in([str(tmp_path)], without=own)
    assert [one.name for one in alone] == ["a", str(Path("sub", "b"))]
    twice = files_in([str(tmp_path), str(tmp_path / "a")], without=own)
    assert [one.path for one in twice] == [one.path for one in alone]
    assert [one.name for one in twice] == [str(one.path) for one in alone]


def test_a_page_that_is_gone_is_written_again(tmp_path: Path) -> None:
    """Kept rows alone do not do where pages are wanted."""
    keep, reports = tmp_path / "keep", tmp_path / "reports"
    keep.mkdir()
    reports.mkdir()
    plain, paged = Order(all_rules, keep=keep), Order(all_rules, keep=keep, reports=reports)
    rows(sent(FAULTY), plain)
    (first,) = rows(sent(FAULTY), paged)
    page = reports / first.report
    text = page.read_text("ascii")
    page.unlink()
    assert rows(sent(FAULTY), paged) == [first]
    assert page.read_text("ascii") == text


def test_many_recordings_in_one_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each has a row and a page of its own, by its name inside, also when taken from kept ones."""

    def two(sent_path: Path, name: str, limits: Any) -> Any:
        for path in (FAULTY, HEALTHY):
            with path.open("rb") as inner:
                yield analyzer.inputs.open_recording(inner, f"{name} > {path.name}")
        yield analyzer.errors.NotARecording("is text.", f"{name} > note.txt", "Send it.")

    monkeypatch.setattr("analyzer.triage.worker.unpack", two)
    order = Order(all_rules, keep=tmp_path, reports=tmp_path)
    parcel = [Sent("all.zip", FAULTY)]
    first = rows(parcel, order)
    insides = [f"all.zip > {name}" for name in (HEALTHY.name, "note.txt", FAULTY.name)]
    assert [row.file for row in first] == insides
    assert len(list(tmp_path.glob("*.html"))) == 2
    monkeypatch.setattr("analyzer.triage.worker.unpack", None)
    assert rows(parcel, order) == first
    assert [row.file for row in rows([Sent("b.zip", FAULTY)], Order(all_rules, keep=tmp_path))] == [
        name.replace("all", "b") for name in insides
    ]


def test_fingerprint_follows_the_program_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rule of a team's own counts, whether its module is a file or a package."""
    own = tmp_path / "own_rules.py"
    own.write_text("def find(case): return ()\n")
    monkeypatch.syspath_prepend(tmp_path)
    import own_rules  # type: ignore[import-not-found]

    plain = fingerprint(ALL)
    assert plain == fingerprint(ALL)
    with_own = [*ALL, replace(ALL[0], find=own_rules.find)]
    before = fingerprint(with_own)
    own.write_text("def find(case): return []\n")
    assert len({plain, before, fingerprint(with_own)}) == 3


def test_parcels_have_a_row_for_each_recording(tmp_path: Path) -> None:
    """What lies beside a recording is told and does not count; a parcel without one counts."""
    both = {"a.pcap": FAULTY.read_bytes(), "b.pcapng": HEALTHY.read_bytes()}
    (tmp_path / "p.zip").write_bytes(zipped({**both, "note.txt": b"dear support,\n"}))
    (tmp_path / "q.zip").write_bytes(zipped({"note.txt": b"dear support,\n"}))
    order = Order(all_rules, keep=tmp_path, judged_by="this")
    files = sent(tmp_path / "p.zip", tmp_path / "q.zip")
    told = rows(files, order)
    assert [(row.file, row.status) for row in told] == [
        ("p.zip > a.pcap", 1),
        ("p.zip > b.pcapng", 0),
        ("q.zip", UNUSABLE),
    ]
    assert told[2].verdict == NOT_READ
    assert told[2].finding.startswith("It holds no recording.")
    assert [row.strays for row in told] == [1, 0, 1]
    assert rows(files, order) == told


def test_the_limit_of_unpacking_can_be_raised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analyzer.inputs.limits.MAX_MEMBERS", 2)
    members = {f"{number}.pcapng": HEALTHY.read_bytes() for number in range(3)}
    (tmp_path / "p.zip").write_bytes(zipped(members))
    files = sent(tmp_path / "p.zip")
    assert [row.verdict for row in rows(files, Order(all_rules))].count("complete") < 3
    assert [row.verdict for row in rows(files, Order(all_rules, limit=2))] == ["complete"] * 3
