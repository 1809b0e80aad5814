"""How likely chance alone makes something as strong as what was seen."""

from bisect import bisect_right
from collections.abc import Sequence
from math import comb, exp, lgamma, log, log1p
from typing import NamedTuple

FINEST = 1e-6
"""The least width that values are told apart by, as a part of them: what a recorder's clock
resolves (common practice, no source)."""


def fisher(hits: int, misses: int, other_hits: int, other_misses: int) -> float:
    """How likely the first of two rows of a table has so many hits or more, were both alike
    (R. A. Fisher's exact test, one-sided: sums of the hypergeometric distribution).
    """
    row, column = hits + misses, hits + other_hits
    total = row + other_hits + other_misses
    ways = _ways(total, row)
    most = min(row, column)
    each = (
        _ways(column, one) + _ways(total - column, row - one) - ways
        for one in range(hits, most + 1)
        if row - one <= total - column
    )
    return min(1.0, sum(map(exp, each)))


def _ways(total: int, chosen: int) -> float:
    """The logarithm of how many ways there are to choose some of all."""
    return lgamma(total + 1) - lgamma(chosen + 1) - lgamma(total - chosen + 1)


def by_parts(hits: int, of: int, part: float) -> float:
    """How likely so many of all, or more, fall into a part of the time by chance (the upper tail of
    the binomial distribution).
    """
    if not hits or part >= 1:
        return 1.0
    if part <= 0:
        return 0.0
    each = (
        _ways(of, one) + one * log(part) + (of - one) * log1p(-part) for one in range(hits, of + 1)
    )
    return min(1.0, sum(map(exp, each)))


def holm(chances: Sequence[float]) -> list[float]:
    """The same chances, corrected for how many things were looked at (S. Holm, 1979): none of them
    is below a bound by chance more often than the bound says.
    """
    corrected = [1.0] * len(chances)
    least = 0.0
    for rank, place in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        least = max(least, min(1.0, (len(chances) - rank) * chances[place]))
        corrected[place] = least
    return corrected


class Agreement(NamedTuple):
    """Values that agree: how many, the least and the most of them."""

    times: int
    least: float
    most: float


def agreement(values: Sequence[float], within: float) -> Agreement | None:
    """The most values of which the greatest is no more than so many times the least; of equally
    many the closest. Only what is above zero can agree so.
    """
    known = sorted(one for one in values if one > 0)
    found: Agreement | None = None
    for place, least in enumerate(known):
        most = known[bisect_right(known, least * within) - 1]
        one = Agreement(bisect_right(known, most) - place, least, most)
        if found is None or (-one.times, one.most / one.least) < _rank(found):
            found = one
    return found


def _rank(one: Agreement) -> tuple[int, float]:
    return -one.times, one.most / one.least


def by_chance(found: Agreement, of: int, step: float = 0.0) -> float:
    """How likely so many of all values agree so well by chance, at most. step: between values that
    can be told apart.

    Holds where greater values are not more frequent than smaller ones, as with whatever happens at
    random: there no value x has more than x times its density below it, so one value falls within
    a factor of 1 + w above another with a chance of w at most.
    """
    return _of_any(found.times, of, max(log(found.most / found.least), step / found.least, FINEST))


def in_a_circle(found: Agreement, of: int, whole: float) -> float:
    """How likely so many of all values agree so well by chance, at most, where each place in a
    circle is as likely.
    """
    return _of_any(found.times, of, max((found.most - found.least) / whole, FINEST))


def _of_any(agree: int, of: int, width: float) -> float:
    """How likely any so many of all lie so close, at most: any of them may be the first, and how
    many was chosen by looking.
    """
    ways = (of - 1) * comb(of, agree) * agree
    return min(1.0, exp(log(max(ways, 1)) + (agree - 1) * log(min(1.0, width))))


def around(values: Sequence[float], whole: float, within: float) -> Agreement | None:
    """The most values that lie within so much of each other in a circle. most: behind least, be it
    beyond the whole.
    """
    known = sorted(one % whole for one in values)
    twice = known + [one + whole for one in known]
    ends = [min(bisect_right(twice, one + within), at + len(known)) for at, one in enumerate(known)]
    found = [Agreement(end - at, known[at], twice[end - 1]) for at, end in enumerate(ends)]
    return min(found, key=lambda one: (-one.times, one.most - one.least), default=None)
