"""The types of columns: numpy arrays by what one entry is.

Written without numpy.typing, whose import takes a fifth of numpy's own.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np

Octets = np.ndarray[Any, np.dtype[np.uint8]]
Small = np.ndarray[Any, np.dtype[np.int32]]
Ints = np.ndarray[Any, np.dtype[np.int64]]
Keys = np.ndarray[Any, np.dtype[np.uint64]]
"""Addresses: numbers of up to 64 bits without a sign."""
Floats = np.ndarray[Any, np.dtype[np.float64]]
Flags = np.ndarray[Any, np.dtype[np.bool_]]
Records = np.ndarray[Any, Any]
"""Columns of any kind, and tables of headers."""


def take(octets: Octets, at: Ints, layout: np.dtype[Any]) -> Records:
    """One record at each position, which must leave room for it."""
    size = len(octets) - layout.itemsize + 1
    return pick(np.ndarray(size, layout, octets, strides=(1,)), at)


def pick(records: Records, rows: Ints | Flags) -> Records:
    """Some rows of a table of headers.

    As plain octets, named again afterwards: numpy would copy the records field by field.
    """
    layout = records.dtype
    return records.view(f"V{layout.itemsize}")[rows].view(layout)


def among(column: Records, values: Iterable[int]) -> Flags:
    """Which rows hold one of a few values. numpy.isin does the same, and imports numpy's masked
    arrays for a column without rows.
    """
    found = np.zeros(len(column), bool)
    for value in values:
        found |= column == value
    return found


def distinct(values: Records) -> tuple[Records, Ints, Ints]:
    """The different values in order, how often each comes, and each row's place among them.

    Values are whole numbers; small ones are counted, not sorted. numpy.unique does the same, and
    imports numpy's masked arrays first.
    """
    if len(values) and values.min() >= 0 and values.max() < 4 * len(values):
        small = values.astype(np.int64)
        counts = np.bincount(small)
        different = np.flatnonzero(counts)
        return different.astype(values.dtype), counts[different], (np.cumsum(counts > 0) - 1)[small]
    order = np.argsort(values)
    ordered = values[order]
    begins = np.ones(len(ordered), bool)
    begins[1:] = ordered[1:] != ordered[:-1]
    place = np.empty(len(ordered), np.int64)
    place[order] = np.cumsum(begins) - 1
    starts = np.flatnonzero(begins)
    return ordered[starts], np.diff(np.append(starts, len(ordered))), place
