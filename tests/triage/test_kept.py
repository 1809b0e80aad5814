"""Results of earlier runs are used only where nothing has changed and nothing is broken."""

import hashlib
import json
import os
import sys
from concurrent.futures import Executor, Future
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.outputs.whole import write_whole
from analyzer.reports.row import Row
from analyzer.triage import Order, Sent, Workers, triage
from analyzer.triage.kept import LARGEST, recall, remember
from analyzer.triage.worker import Result, review
from rules import all_rules

FAULTY = Path(__file__).parents[2] / "captures" / "port-refused.pcap"
ROWS = [Row(file="", verdict="stopped", finding="x", status=1, port=502)]


def reviewed(order: Order, path: Path = FAULTY) -> Result:
    """The result of a file, with its rows kept as the whole triage keeps them."""
    result = review(Sent(path.name, path), order)
    if order.keep is not None and not result.kept:
        remember(order.keep, result.key, result.rows)
    return result


def test_the_second_time_it_is_taken_from_there(tmp_path: Path) -> None:
    """The same content under another name, too."""
    order = Order(all_rules, keep=tmp_path)
    first, second = reviewed(order), reviewed(order)
    assert (first.kept, second.kept) == (False, True)
    assert first.rows == second.rows
    copy = tmp_path / "copy.pcap"
    copy.write_bytes(FAULTY.read_bytes())
    assert reviewed(order, copy).kept


def test_other_options_program_or_content_are_judged_anew(tmp_path: Path) -> None:
    """Each of them is part of the key."""
    order = Order(all_rules, made=("1", "none"), judged_by="a", keep=tmp_path)
    reviewed(order)
    assert reviewed(order).kept
    assert not reviewed(replace(order, made=("2", "none"))).kept
    assert not reviewed(replace(order, made=("1", "--pc 192.0.2.15"))).kept
    assert not reviewed(replace(order, judged_by="b")).kept
    longer = tmp_path / "longer.pcap"
    longer.write_bytes(FAULTY.read_bytes() + b"\0")
    assert not reviewed(order, longer).kept


GOOD = asdict(ROWS[0])
WRONG: list[dict[str, object]] = [
    {"port": "502"},
    {"port": True},
    {"port": float("nan")},
    {"port": -1},
    {"port": 1 << 60},
    {"status": 9},
    {"status": None},
    {"file": 5},
    {"finding": ["x"]},
    {"verdict": "fine"},
    {"stage": {"a": {}}},
]


def signed(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"\n",
        b"\xff\n[]",
        b"[]",
        signed(b"[]")[:-1],
        signed(b"{"),
        signed(b"[1]"),
        signed(b'[{"file": "x"}]'),
        signed(b'[{"surprise": "x"}]'),
        *(signed(json.dumps([GOOD | wrong]).encode()) for wrong in WRONG),
        signed(b"[" * 100_000),
        signed(b"1" * 100_000),
        signed(b" " * LARGEST),
    ],
)
def test_broken_ones_are_made_anew(tmp_path: Path, broken: bytes) -> None:
    """And replaced by whole ones."""
    order = Order(all_rules, keep=tmp_path)
    first = reviewed(order)
    (kept,) = tmp_path.iterdir()
    whole = kept.read_bytes()
    kept.write_bytes(broken)
    again = reviewed(order)
    assert not again.kept
    assert again.rows == first.rows
    assert kept.read_bytes() == whole


def test_a_good_one_is_used(tmp_path: Path) -> None:
    """The wrong ones are wrong by what is changed in them."""
    (tmp_path / "key.kept").write_bytes(signed(json.dumps([GOOD]).encode()))
    assert recall(tmp_path, "key") == ROWS


@pytest.mark.skipif(sys.platform == "win32", reason="there are no such things there")
@pytest.mark.parametrize("kind", ["pipe", "link", "device", "folder"])
def test_only_a_plain_file_is_read(tmp_path: Path, kind: str) -> None:
    """A pipe would never end, a device neither; the rows are made anew."""
    order = Order(all_rules, keep=tmp_path)
    first = reviewed(order)
    (kept,) = tmp_path.iterdir()
    kept.rename(tmp_path / "elsewhere")
    if kind == "pipe":
        os.mkfifo(kept)
    elif kind == "folder":
        kept.mkdir()
    else:
        kept.symlink_to("elsewhere" if kind == "link" else "/dev/zero")
    (again,) = list(triage([Sent("x", FAULTY)], order, Workers(Here())))
    assert not again.kept
    assert again.rows == [replace(first.rows[0], file="x")]
    assert bool(again.unkept) is (kind == "folder")


class Here(Executor):
    """Does the work in this process."""

    def submit(self, work: Any, /, *arguments: Any, **more: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(work(*arguments, **more))
        return done


@given(st.data())
def test_no_flipped_bit_and_no_cut_is_overlooked(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """What is not as it was written is as good as not there."""
    folder = tmp_path_factory.getbasetemp()
    remember(folder, "key", ROWS)
    (kept,) = folder.glob("*.kept")
    octets = bytearray(kept.read_bytes())
    place = data.draw(st.integers(0, len(octets) - 1))
    if data.draw(st.booleans()):
        octets[place] ^= 1 << data.draw(st.integers(0, 7))
    else:
        del octets[place:]
    kept.write_bytes(octets)
    assert recall(folder, "key") is None
    remember(folder, "key", ROWS)
    assert recall(folder, "key") == ROWS


def test_kept_rows_hold_no_file_names(tmp_path: Path) -> None:
    """A recording's own name is not in them: they fit any copy."""
    reviewed(Order(all_rules, keep=tmp_path))
    (kept,) = tmp_path.iterdir()
    (entry,) = json.loads(kept.read_bytes().split(b"\n", 1)[1])
    assert entry["file"] == entry["report"] == ""


def test_a_write_that_does_not_succeed_leaves_nothing(tmp_path: Path) -> None:
    """Neither the file nor a part of it."""
    (tmp_path / "taken").mkdir()
    with pytest.raises(OSError, match="taken"):
        write_whole(tmp_path / "taken", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]
