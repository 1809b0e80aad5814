"""analyzer.chance: against SciPy, exact fractions and draws."""

import random
from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, fisher_exact

from analyzer.chance import (
    Agreement,
    agreement,
    around,
    by_chance,
    by_parts,
    fisher,
    holm,
    in_a_circle,
)

CELL = st.integers(0, 40)
FAR = 1e-200
"""Below this SciPy's tail of the binomial distribution loses digits (measured with fractions)."""


@given(CELL, CELL, CELL, st.integers(0, 4000))
def test_fisher_is_that_of_scipy(hits: int, misses: int, other: int, rest: int) -> None:
    table = [[hits, misses], [other, rest]]
    expected = fisher_exact(table, alternative="greater").pvalue
    assert fisher(hits, misses, other, rest) == pytest.approx(expected, rel=1e-8, abs=1e-300)


@given(st.integers(0, 1000), st.integers(0, 1000), st.floats(0, 1))
def test_parts_are_those_of_scipy(one: int, other: int, part: float) -> None:
    hits, of = sorted((one, other))
    expected = binom.sf(hits - 1, of, part)
    assert by_parts(hits, of, part) == pytest.approx(expected, rel=1e-8, abs=FAR)


@pytest.mark.parametrize(
    ("hits", "of", "part"), [(529, 879, Fraction(1, 4)), (347, 377, Fraction(1, 8))]
)
def test_parts_are_the_exact_fraction(hits: int, of: int, part: Fraction) -> None:
    """The second one lies so far out that SciPy has eight digits of it."""
    ways = (comb(of, n) * part**n * (1 - part) ** (of - n) for n in range(hits, of + 1))
    assert by_parts(hits, of, float(part)) == pytest.approx(float(sum(ways)), rel=1e-10)


def test_fisher_is_the_exact_fraction() -> None:
    """Eight cups of tea, four of them poured milk first, three of these found (Fisher, 1935)."""
    ways = Fraction(comb(4, 3) * comb(4, 1) + comb(4, 4) * comb(4, 0), comb(8, 4))
    assert ways == Fraction(17, 70)
    assert fisher(3, 1, 1, 3) == pytest.approx(float(ways), rel=1e-12)


def test_fisher_of_many_is_not_lost() -> None:
    expected = Fraction(comb(5029 + 11 - 14, 0) * comb(14, 11), comb(5040, 11))
    assert fisher(11, 0, 3, 5026) == pytest.approx(float(expected), rel=1e-6)
    assert fisher(0, 3, 4, 5) == pytest.approx(1.0)


def test_holm_counts_what_was_looked_at() -> None:
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.5, 0.9]) == [1.0, 1.0]
    assert holm([]) == []


def test_most_values_that_agree() -> None:
    values = [60.0, 12.0, 60.1, 59.9, 300.0, 61.0]
    assert agreement(values, 1.05) == Agreement(4, 59.9, 61.0)
    assert agreement([5.0, 5.2, 90.0, 90.01], 1.05) == Agreement(2, 90.0, 90.01)
    assert agreement([0.0, -1.0], 1.05) is None


def test_values_agree_over_midnight() -> None:
    day = 86400.0
    found = around([10.0, day - 5, 3 * day + 2, 40_000.0], day, 30.0)
    assert found == Agreement(3, day - 5, day + 10)
    assert around([], day, 30.0) is None


@pytest.mark.parametrize("law", ["uniform", "exponential"])
def test_chance_of_agreement_is_no_lower_than_it_is(law: str) -> None:
    draw = random.Random(7)
    one = draw.random if law == "uniform" else lambda: draw.expovariate(1.0)
    claimed = 0
    for _ in range(4000):
        found = agreement([one() for _ in range(5)], 1.05)
        assert found is not None
        claimed += by_chance(found, 5) <= 0.05
    assert claimed <= 4000 * 0.05


def test_chance_of_agreement_in_a_circle_is_no_lower_than_it_is() -> None:
    draw = random.Random(8)
    claimed = 0
    for _ in range(4000):
        found = around([draw.random() for _ in range(5)], 1.0, 0.05)
        assert found is not None
        claimed += in_a_circle(found, 5, 1.0) <= 0.05
    assert claimed <= 4000 * 0.05


def test_steps_between_values_make_agreement_likelier() -> None:
    same = Agreement(5, 20.0, 20.0)
    assert by_chance(same, 5, 1.0) == pytest.approx(4 * 5 * (1 / 20) ** 4)
    assert by_chance(same, 5) < 1e-20
    assert by_chance(Agreement(5, 1.0, 1.0), 5, 1.0) == 1.0
