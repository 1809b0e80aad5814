"""The tool's answers to recordings that nobody here made, beside what experts read in them."""

from collections import Counter

import pytest

from tests.readings.judge import FOLDER, Mark, answer, mark, readings

AT_LEAST = {Mark.RIGHT: 156}
AT_MOST = {
    Mark.FALSE_ALARM: 0,
    Mark.FALSE_WORKS: 0,
    Mark.OTHER_FAULT: 0,
    Mark.UNDECIDED: 0,
}
"""Of 177: what was reached. Each change may only make it better."""

needs_recordings = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the recordings by others do not lie beside the checkout"
)


@pytest.fixture(scope="module")
def marks() -> Counter[Mark]:
    return Counter(mark(one, answer(one))[0] for one in readings())


@needs_recordings
def test_as_many_are_right_as_before(marks: Counter[Mark]) -> None:
    assert {kind: marks[kind] for kind in AT_LEAST if marks[kind] < AT_LEAST[kind]} == {}


@needs_recordings
def test_no_more_are_wrong_than_before(marks: Counter[Mark]) -> None:
    assert {kind: marks[kind] for kind in AT_MOST if marks[kind] > AT_MOST[kind]} == {}


def test_readings_are_whole() -> None:
    told = readings()
    assert len(told) == len({one.name for one in told}) == 177
    for one in told:
        assert one.kind in {"works", "fault", "mixed", "nothing", "undecidable", "unreadable"}
        assert bool(one.lead) == (one.kind in ("fault", "mixed"))
        assert not {*one.lead, *one.may} & set(one.never)


def test_a_wrong_answer_is_marked() -> None:
    """The judge can say no: what one recording deserves is wrong for another."""
    if not FOLDER.is_dir():
        pytest.skip("the recordings by others do not lie beside the checkout")
    by_name = {one.name: one for one in readings()}
    refused, works = by_name["r154"], by_name["r152"]
    assert mark(refused, answer(refused))[0] is Mark.RIGHT
    assert mark(works, answer(refused))[0] is Mark.FALSE_ALARM
    assert mark(refused, answer(works))[0] is Mark.FALSE_WORKS
