"""Pieces of one rotating recording in a triaged folder are one row; everything else is not."""

import shutil
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest

from analyzer.reports.ranking import ranking
from analyzer.reports.row import Row
from analyzer.reports.to_text import to_text
from analyzer.triage import Order, Sent, Workers, files_in, joined, look_through, triage
from analyzer.triage.joining import look
from captures import layouts
from captures.plant import Plant
from rules import all_rules
from tests import raw
from tests.parcels import gzipped, zipped
from tests.support import ended

FAULTY = Path(__file__).parents[2] / "captures" / "port-refused.pcap"
NAMES = ("c.pcap", "a.pcap", "b.pcap")
"""In order of time: not the order of their names."""


def parts() -> list[bytes]:
    """A session of 60 s in three files, as a recorder that begins a new one now and then."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(60):
        session.poll(1)
        plant.wait(0.5)
    records = ended(plant, 1).records
    ends = [0, len(records) // 3, 2 * len(records) // 3, len(records)]
    return [layouts.pcap(records[begin:end]) for begin, end in pairwise(ends)]


PARTS = parts()


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "site"
    (folder / "other line").mkdir(parents=True)
    for name, octets in zip(NAMES, PARTS, strict=True):
        (folder / name).write_bytes(octets)
    shutil.copy(FAULTY, folder)
    return folder


def found(folder: Path) -> list[Sent]:
    with ThreadPoolExecutor(2) as threads:
        files = files_in([str(folder)])
        return joined(look_through(files, Order(all_rules), Workers(threads)))


def rows(folder: Path, order: Order, processes: bool = False) -> tuple[list[Row], int]:
    """The rows, and how many of them were kept; threads stand for processes unless asked."""
    with ThreadPoolExecutor(2) as threads, Workers(None if processes else threads) as workers:
        files = joined(look_through(files_in([str(folder)]), order, workers))
        done = list(triage(files, order, workers))
    told = sorted((row for one in done for row in one.rows), key=lambda row: row.file)
    return told, sum(one.kept for one in done)


def test_pieces_are_one_row_that_says_how_many_files(site: Path, tmp_path: Path) -> None:
    """Told as `diagnose` tells the folder, with one page; found by processes of their own."""
    order = Order(all_rules, reports=tmp_path)
    (whole, other), _ = rows(site, order, processes=True)
    assert whole.file == "c.pcap to b.pcap (3 pieces)"
    assert (whole.pieces, other.pieces) == (3, 1)
    assert whole.verdict == "complete"
    assert other.rule == "port-refused"
    page = (tmp_path / whole.report).read_text("ascii")
    assert "b.pcap&#34;: from frame" in page
    assert len(list(tmp_path.glob("*.html"))) == 2
    assert '  "c.pcap to b.pcap (3 pieces)"\n' in to_text(ranking([whole], ()))


def test_the_order_of_the_files_stays(site: Path) -> None:
    assert [one.name for one in found(site)] == ["c.pcap to b.pcap (3 pieces)", FAULTY.name]


def test_kept_by_the_set_of_pieces(site: Path, tmp_path: Path) -> None:
    """Another name is no other recording; another content or one piece less is."""
    order = Order(all_rules, keep=tmp_path)
    first, kept = rows(site, order)
    assert kept == 0
    assert rows(site, order) == (first, 2)
    (site / "a.pcap").rename(site / "z.pcap")
    assert rows(site, order)[1] == 2
    (site / "b.pcap").unlink()
    told, kept = rows(site, order)
    assert (told[0].file, kept) == ("c.pcap to z.pcap (2 pieces)", 1)
    (site / "b.pcap").write_bytes(PARTS[2][:-1])
    told, kept = rows(site, order)
    assert (told[0].pieces, kept) == (3, 1)
    assert told[0].rule == "damaged-file"


@pytest.mark.parametrize("change", ["folder", "pause", "missing", "same"])
def test_what_does_not_belong_together_stays_alone(site: Path, change: str) -> None:
    """Another folder, another time, a piece missing between, a copy: rows of their own."""
    shutil.rmtree(site / "other line")
    (site / "other line").mkdir()
    if change == "folder":
        for name in NAMES[1:]:
            (site / name).rename(site / "other line" / name)
    elif change == "pause":
        (site / NAMES[1]).write_bytes(raw.pcap((900 * raw.SECOND, bytes(60))))
    elif change == "missing":
        (site / NAMES[1]).unlink()
    else:
        shutil.copy(site / NAMES[0], site / "copy of c.pcap")
        (site / NAMES[1]).unlink()
    together = {len(one.pieces) for one in found(site)}
    assert together == ({0, 2} if change == "folder" else {0})


def test_packed_pieces_are_joined_too(site: Path) -> None:
    """gzip as loose files; those in one parcel as `diagnose` joins them, with their number."""
    for name in NAMES:
        (site / f"{name}.gz").write_bytes(gzipped((site / name).read_bytes()))
        (site / name).unlink()
    (site / "all.zip").write_bytes(zipped(dict(zip(NAMES, PARTS, strict=True))))
    told, _ = rows(site, Order(all_rules))
    assert [(row.file, row.pieces) for row in told] == [
        ("all.zip > c.pcap to b.pcap (3 pieces)", 3),
        ("c.pcap.gz to b.pcap.gz (3 pieces)", 3),
        (FAULTY.name, 1),
    ]


def test_a_piece_that_goes_away_is_told(site: Path) -> None:
    """Between the look at it and the review."""
    whole, _ = found(site)
    (site / NAMES[2]).unlink()
    with ThreadPoolExecutor(1) as threads:
        (done,) = triage([whole], Order(all_rules), Workers(threads))
    assert [(row.file, row.finding) for row in done.rows] == [
        (whole.name, "It does not exist. Check the path.")
    ]


def test_looking_never_stops_the_rest(tmp_path: Path) -> None:
    """What is none, is gone, or cannot be opened is told at the review."""
    (tmp_path / "text").write_text("Dear support,\n")
    (tmp_path / "cut.pcap.gz").write_bytes(gzipped(PARTS[0])[:-20])
    for path in (tmp_path / "text", tmp_path / "gone", tmp_path, Path("a\0b")):
        assert look(Sent("x", path), Order(all_rules)) is None
    cut = look(Sent("x", tmp_path / "cut.pcap.gz"), Order(all_rules))
    assert cut is None or not cut.whole
