"""Columns against numpy's own slower ways."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.columns import distinct, pick, take
from analyzer.facts.groups import groups
from analyzer.frames import IPV4, TCP

COLUMNS = st.one_of(
    st.lists(st.integers(0, 9)),
    st.lists(st.integers(0, 1 << 48)),
    st.lists(st.integers(-(1 << 40), 9)),
).map(lambda numbers: np.array(numbers, np.int64))


@given(COLUMNS, st.sampled_from([np.int64, np.uint64]))
def test_distinct_is_unique(column: np.ndarray, kind: type) -> None:
    values = column.astype(kind)
    different, counts, place = distinct(values)
    wanted, inverse, wanted_counts = np.unique(values, return_inverse=True, return_counts=True)
    assert different.dtype == values.dtype
    for ours, theirs in ((different, wanted), (counts, wanted_counts), (place, inverse)):
        assert ours.tolist() == theirs.tolist()


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 1 << 48)), min_size=1))
def test_rows_are_grouped_by_all_columns(rows: list[tuple[int, int]]) -> None:
    first, group = groups(*(np.array(column, np.uint64) for column in zip(*rows, strict=True)))
    assert [rows[first[one]] for one in group.tolist()] == rows
    assert [rows.index(rows[at]) for at in first.tolist()] == first.tolist()
    assert len(first) == len(set(rows))


def test_many_groups_are_told_apart() -> None:
    """Far more than the sixteen bits that are tried first can tell apart."""
    many = np.arange(200_000, dtype=np.uint64)
    first, group = groups(np.concatenate((many, many)))
    assert sorted(first.tolist()) == many.tolist()
    assert (many[first[group]] == np.concatenate((many, many))).all()


@pytest.mark.parametrize("layout", [IPV4, TCP])
def test_records_are_taken_whole_at_odd_places(layout: np.dtype) -> None:
    octets = np.random.default_rng(1).integers(0, 256, 999, np.uint8)
    at = np.array([0, 7, 7, 500, 999 - layout.itemsize])
    wanted = np.array(
        [np.frombuffer(octets[one : one + layout.itemsize], layout)[0] for one in at.tolist()]
    )
    assert (take(octets, at, layout) == wanted).all()
    odd = np.arange(len(at)) % 2 == 1
    assert (pick(wanted, odd) == wanted[odd]).all()
