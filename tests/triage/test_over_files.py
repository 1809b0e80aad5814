"""What broke in several recordings of the same pair is told together, on one time axis."""

import json
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from analyzer.common import Factor, Observed, compare, joined
from analyzer.diagnosis import Diagnosis
from analyzer.facts import Request
from analyzer.reports.blocks import Heading, Listing, Table, TimeStrip
from analyzer.reports.over_files import MOST, Broken, broken_in, over_files, together
from analyzer.reports.ranking import ranking, ranking_page, rows_to_json
from analyzer.reports.to_html import to_html
from analyzer.reports.to_text import to_text
from analyzer.triage import Order, Workers, files_in, look_through, triage
from analyzer.triage import joined as as_one
from captures.plant import START, Plant, modbus_answer, modbus_read
from rules import all_rules
from tests.support import diagnosed

DAY = 86_400.0
DAYS = (0.0, 1.3, 1.9, 3.4)


def recording(at: float, breaks: int, unit_number: int = 7) -> bytes:
    """A recording of some minutes, made so many seconds later. Sessions are reset 20 ms after a
    request for one unit.
    """
    draw = random.Random(at)
    plant = Plant(start=START + at)
    pc, unit = plant.pc(), plant.station()
    plant.resolve(pc, unit)
    for _ in range(breaks):
        session = plant.tcp(pc, unit).open()
        for one in range(draw.randint(15, 40)):
            session.exchange(modbus_read(one), modbus_answer(one), after=draw.uniform(0.8, 1.2))
        session.send(modbus_read(99, unit_number), after=draw.uniform(0.8, 1.2))
        session.rst(unit, after=0.02)
        plant.wait(draw.uniform(1, 4))
    plant.tcp(pc, unit).open().poll(9)
    return plant.pcap()


def read(at: float, breaks: int, name: str) -> list[Broken]:
    diagnosis: Diagnosis = diagnosed(recording(at, breaks))
    return broken_in(diagnosis, name)


def week() -> list[Broken]:
    """A break a day, which is too few for any single recording."""
    return [one for n, day in enumerate(DAYS) for one in read(day * DAY, 1, f"{n}.pcap")]


def test_a_break_a_recording_has_the_same_reason_in_all() -> None:
    (whole,) = together(reversed(week()))
    assert (whole.count, len(whole.several), whole.overlapping) == (4, 4, 0)
    assert [one.file for one in whole.several] == ["0.pcap", "1.pcap", "2.pcap", "3.pcap"]
    (told,) = whole.in_common
    assert told.startswith("The last request before each of the 4 breaks was for unit 7; none of ")


def test_moments_lie_on_one_time_axis() -> None:
    (whole,) = together(week())
    seen = joined([(one.began, one.observed) for one in whole.several])
    assert [at / DAY for at in seen.moments] == pytest.approx(DAYS, abs=0.01)
    assert seen.listened == pytest.approx(DAYS[-1] * DAY, rel=0.01)
    assert sum(seen.all_kinds.values()) == sum(
        sum(one.observed.all_kinds.values()) for one in whole.several
    )


def test_a_daily_break_is_seen_in_recordings_of_each_day() -> None:
    """Each recording by itself is too short for any time of day."""
    several = [(day * DAY + 1000.0 * (day % 3), 5000.0 - 1000.0 * (day % 3)) for day in range(6)]
    seen = [
        (began, Observed([at], up=9000, clock=began % DAY, listened=9000)) for began, at in several
    ]
    (found,) = compare(joined(seen)).patterns
    assert found.factor is Factor.TIME_OF_DAY
    assert found.hits == 6


def test_recordings_of_the_same_time_count_once() -> None:
    (whole,) = together([*week(), *read(0.0, 1, "copy.pcap")])
    assert (whole.count, whole.overlapping) == (4, 1)
    assert "Left out: 1 recording of a time that another one holds." in _text([whole])


def test_one_recording_or_another_pair_is_not_told_together() -> None:
    (alone,) = read(0.0, 5, "a.pcap")
    assert together([alone]) == []
    assert together([]) == []
    (other,) = read(DAY, 5, "b.pcap")
    elsewhere = Broken(**{**_fields(other), "controller": "192.0.2.61"})
    assert together([alone, elsewhere]) == []


def _fields(one: Broken) -> dict[str, object]:
    return {name: getattr(one, name) for name in Broken.__slots__}


def _text(whole: Sequence[object]) -> str:
    return " ".join(to_text(list(over_files(whole))).split())  # type: ignore[arg-type]


def test_it_is_told_in_text_as_a_picture_and_as_data() -> None:
    whole = together(week())
    told = _text(whole)
    assert "192.0.2.15 and 192.0.2.60, TCP port 502: it broke 4 times in 4 recordings" in told
    assert "All 4 look alike: the session was reset from the controller's side." in told
    assert '"2.pcap"' in told
    blocks = list(over_files(whole, picture=True))
    assert [type(one) for one in blocks] == [Heading, Listing, TimeStrip, Table]
    (strip,) = [one for one in blocks if isinstance(one, TimeStrip)]
    assert [len(lane.spans) + len(lane.marks) for lane in strip.lanes] == [4, 4]
    (data,) = json.loads(rows_to_json([], {}, whole))["breaks"]
    assert (data["count"], data["recordings"]) == (4, 4)
    assert [one["file"] for one in data["list"]] == ["0.pcap", "1.pcap", "2.pcap", "3.pcap"]
    assert "it broke 4 times in 4 recordings" in to_html(ranking_page([], (), {}, whole))
    assert "it broke" in to_text(ranking([], (), whole=whole))


def test_more_breaks_are_counted() -> None:
    many = [*read(0.0, 15, "a.pcap"), *read(DAY, 15, "b.pcap")]
    assert f"Counted and not listed: {30 - MOST} more breaks." in _text(together(many))


def test_a_folder_is_told_as_one(tmp_path: Path) -> None:
    """From processes of their own, and again where rows are kept: what broke is in none of them."""
    folder, keep = tmp_path / "in", tmp_path / "keep"
    folder.mkdir()
    keep.mkdir()
    for day in range(3):
        (folder / f"{day}.pcap").write_bytes(recording(day * 1.3 * DAY, 1))
    order = Order(all_rules, keep=keep)
    for _ in range(2):
        with Workers() as workers:
            files = as_one(look_through(files_in([str(folder)]), order, workers))
            broken = [one for done in triage(files, order, workers) for one in done.broken]
        (whole,) = together(broken)
        assert whole.count == 3
        assert [Path(one.file).name for one in whole.several] == ["0.pcap", "1.pcap", "2.pcap"]
        assert Request(12, 3, 7) in whole.several[0].observed.kinds


def test_a_clock_before_1970_is_told() -> None:
    whole = together([replace(one, began=-2e6 + n, ended=-2e6 + n) for n, one in enumerate(week())])
    (data,) = json.loads(rows_to_json([], {}, whole))["breaks"]
    assert data["list"][0]["began"].startswith("1969-12-08T")
