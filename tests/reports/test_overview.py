"""How long pings, handshakes and answers took: in words, as a picture, as numbers."""

import itertools
import json

import pytest

from analyzer.diagnosis import Diagnosis
from analyzer.facts import Spread
from analyzer.reports.blocks import SpreadChart
from analyzer.reports.document import report
from analyzer.reports.document.page import page as page_of
from analyzer.reports.drawing import draw_spread, draw_strip
from analyzer.reports.overview import (
    TOUCHING,
    WORTH_PLOTTING,
    in_words,
    is_spread,
    spread_chart,
    strip,
    timed,
)
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from tests.support import acquainted, diagnosed, ended


def story(pings: int = 12, polls: int = 30, again: tuple[float, ...] = ()) -> Diagnosis:
    plant, pc, unit = acquainted()
    for number in range(pings):
        plant.ping(pc, unit.address, sequence=number, after=0.5)
        plant.pong(unit, pc, sequence=number, after=0.001 * (number + 1))
    session = plant.tcp(pc, unit)
    if again:
        session.syn(repeats=again)
        session.syn_ack()
        session.ack()
    else:
        session.open()
    session.poll(polls, every=0.1)
    return diagnosed(ended(plant), ["192.0.2.60:502"])


def spread(*durations: float) -> Spread:
    made = Spread()
    for one in durations:
        made.add(one)
    return made


def test_round_trips_stand_beside_answers() -> None:
    outcome = story().outcomes[0]
    assert {kind: one.count for kind, one in timed(outcome)} == {
        "ping": 12,
        "handshake": 1,
        "answer": 30,
    }
    pings = dict(timed(outcome))["ping"]
    assert (pings.least, pings.most) == (pytest.approx(0.001), pytest.approx(0.012))


def test_few_durations_are_not_worth_a_picture() -> None:
    few = story(pings=WORTH_PLOTTING - 1, polls=WORTH_PLOTTING - 1)
    assert timed(few.outcomes[0]) == []
    assert "Round trips" not in to_text(report([few], everything=True))


def test_a_call_that_was_repeated_is_not_timed() -> None:
    durations = story(again=(1.0,)).outcomes[0].linkup.durations
    assert "handshake" not in durations


def test_the_words_say_how_many_the_half_and_the_slowest() -> None:
    told = in_words("answer", spread(*[0.004] * 9, 0.5))
    assert told == "10 answers: half of them within 4 ms, the slowest after 500 ms."
    assert in_words("handshake", spread(0.0003)) == "1 TCP handshake, after 0.3 ms."
    assert in_words("ping", spread(0.002, 0.002)) == "2 answered pings: all within 2 ms."


@pytest.mark.parametrize("durations", [(0.0,), (0.0003, 40.0), (0.004,) * 5, (1e-6, 3e5)])
def test_every_duration_has_its_bar_inside_the_axis(durations: tuple[float, ...]) -> None:
    chart = spread_chart([("answer", spread(*durations))])
    assert 0 < chart.begin < chart.end
    assert sum(bar.count for row in chart.rows for bar in row.bars) == len(durations)
    assert 2 <= len(chart.ticks) <= 6
    picture = draw_spread(chart)
    boxes = [mark.at for group in picture.groups for mark in group.marks if mark.kind == "box"]
    assert all(x >= 0 and x + wide <= 100.5 and tall >= 2 for x, _, wide, tall in boxes)


def test_bars_are_the_taller_the_more_often() -> None:
    picture = draw_spread(spread_chart([("answer", spread(*[0.001] * 8, *[0.1] * 2))]))
    tall = [mark.at[3] for group in picture.groups for mark in group.marks if mark.kind == "box"]
    assert tall[0] == pytest.approx(4 * tall[1])


def test_page_text_and_json_tell_the_same() -> None:
    diagnosis = story()
    text = " ".join(to_text(report([diagnosis], everything=True)).split())
    html = to_html(page_of([diagnosis]))
    (linkup,) = json.loads(to_json([diagnosis]))["linkups"]
    told = {one["what"]: one for one in linkup["timing"]["durations"]}
    for kind, one in timed(diagnosis.outcomes[0]):
        assert in_words(kind, one) in text
        assert in_words(kind, one) in html
        assert told[kind]["count"] == one.count == sum(b["count"] for b in told[kind]["bins"])
        assert all(b["from"] < b["to"] for b in told[kind]["bins"])
        assert told[kind]["least"] == pytest.approx(one.least)
        assert told[kind]["most"] == pytest.approx(one.most)


def test_the_picture_has_a_table_with_every_count() -> None:
    (chart,) = [one for one in page_of([story()]) if isinstance(one, SpreadChart)]
    table = chart.as_table()
    assert len(table.header) == 1 + len(chart.rows)
    sums = [
        sum(int(row[place]) for row in table.rows if row[place] != "-")
        for place in range(1, len(table.header))
    ]
    assert sums == [12, 1, 30]


def test_durations_of_several_sessions_are_taken_together() -> None:
    whole = Spread.joined([spread(0.001, 0.002), spread(0.5), Spread()])
    assert (whole.count, whole.least, whole.most) == (3, 0.001, 0.5)
    assert sum(whole.bins.values()) == 3
    assert (Spread.joined([]).count, Spread.joined([]).median) == (0, 0.0)


def test_marks_that_cannot_be_told_apart_are_drawn_as_one_and_counted_all_the_same() -> None:
    plant, pc, unit = acquainted()
    for _ in range(600):
        plant.tcp(pc, unit).open(after=0.1).close()
    in_time = strip(diagnosed(ended(plant)))
    assert in_time is not None
    lanes = dict(zip((one.name for one in in_time.lanes), in_time.words, strict=True))
    (called,) = [one for one in in_time.lanes if one.name == "Port called"]
    assert 50 < len(called.marks) <= 1 / TOUCHING
    assert lanes["Port called"].endswith(" and 596 more")


def test_two_sessions_are_two_however_soon_the_second_one_follows() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=0.05)
        session.poll(30, every=1.0)
        session.close()
    in_time = strip(diagnosed(ended(plant)))
    assert in_time is not None
    (lane,) = [one for one in in_time.lanes if one.name == "Session open"]
    assert len(lane.spans) == 3
    drawn = draw_strip(in_time).groups[1 + in_time.lanes.index(lane)].marks
    bars = [mark.at for mark in drawn if mark.look == "on"]
    assert all(one[0] + one[2] < other[0] for one, other in itertools.pairwise(bars))


def test_a_single_bar_is_no_picture() -> None:
    assert not is_spread([("ping", spread(0.001, 0.001)), ("answer", spread(0.5))])
    assert is_spread([("ping", spread(0.001, 0.1))])
