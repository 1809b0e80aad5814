"""Rows of a table that belong together, found for all rows at once."""

import numpy as np

from analyzer.columns import Ints, Records, distinct
from analyzer.frames import mix


def groups(*columns: Records) -> tuple[Ints, Ints]:
    """Group rows that are alike in every column.

    Returns (first, group): for each group the first row, and for each row its group.
    Works on one mixed number a row; two different rows with one number are noticed and told apart.
    Its first sixteen bits are tried alone: they are enough for a few groups, and need no sorting.
    """
    mixed = mix(*columns)
    for key in (mixed >> np.uint64(48), mixed):
        different, _, group = distinct(key)
        first = np.empty(len(different), np.int64)
        first[group[::-1]] = np.arange(len(group))[::-1]
        if all((column == column[first][group]).all() for column in columns):
            return first, group
    table = np.stack([column.astype(np.uint64) for column in columns], axis=1)
    _, first, group = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return first, group.reshape(-1)


def ends(group: Ints, count: int) -> tuple[Ints, Ints, Ints]:
    """Where each group stands once rows are sorted by group, file order kept inside.

    Returns (order, start, last): the sorting, and for each group its first and last place in it.
    """
    order = np.argsort(_narrow(group, count), kind="stable")
    sizes = np.bincount(group, minlength=count)
    behind = np.cumsum(sizes)
    return order, behind - sizes, behind - 1


def _narrow(group: Ints, count: int) -> Records:
    """Sixteen bits sort in linear time."""
    return group.astype(np.uint16) if count <= 1 << 16 else group
