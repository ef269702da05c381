"""How likely a safety function fails on demand, as stories and as properties.

Published and worked values are in tests/external/test_pfd.py.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.dangers import (
    SIL_PFD,
    SIL_PFH_PER_H,
    pfd_1oo1,
    pfd_1oo2,
    pfd_chain,
    sil_band,
    sil_band_per_h,
)

FLOAT_PER_H = 1e-5  # assumed: one dangerous failure in some eleven years
WEEK_H, YEAR_H = 168.0, 8760.0
ROUNDING = 1e-12

anything = st.floats(allow_nan=True, allow_infinity=True)
rates = st.floats(0.0, 1e-2)
times = st.floats(0.0, 1e6)
repairs = st.floats(0.0, 1e4)
shares = st.floats(0.0, 1.0)


def test_a_float_tested_once_a_year_is_two_levels_worse_than_one_tested_weekly() -> None:
    """The same float is good for level 3 when tried every week, and for level 1 once a year."""
    assert sil_band(pfd_1oo1(FLOAT_PER_H, WEEK_H)) == 3
    assert sil_band(pfd_1oo1(FLOAT_PER_H, YEAR_H)) == 1


def test_a_float_that_is_never_tested_fails_for_certain() -> None:
    """Without a test there is no average: some day it has failed, and nobody knows."""
    assert pfd_1oo1(FLOAT_PER_H, inf) == 1.0
    assert pfd_1oo2(FLOAT_PER_H, inf, beta=0.1) == 1.0
    assert sil_band(1.0) == 0


def test_a_second_float_helps_no_more_than_the_common_cause_lets_it() -> None:
    """With a tenth of the failures in common, two floats are ten times as good and no better;
    with none, two thirds of rate x interval is left.
    """
    one, two = pfd_1oo1(FLOAT_PER_H, WEEK_H), pfd_1oo2(FLOAT_PER_H, WEEK_H, beta=0.1)
    assert 0.1 * one < two < 0.11 * one
    left = FLOAT_PER_H * WEEK_H * 2 / 3
    assert pfd_1oo2(FLOAT_PER_H, WEEK_H, beta=0.0) == pytest.approx(left * one, rel=ROUNDING)


def test_what_is_noticed_at_once_costs_only_its_repair() -> None:
    """With full coverage the test interval no longer matters; without repair time nothing does."""
    assert pfd_1oo1(1e-4, YEAR_H, coverage=1.0, repair_h=8.0) == pytest.approx(8e-4, rel=1e-12)
    assert pfd_1oo1(1e-4, WEEK_H, coverage=1.0, repair_h=8.0) == pytest.approx(8e-4, rel=1e-12)
    assert pfd_1oo1(1e-4, YEAR_H, coverage=1.0) == 0.0


def test_detected_common_causes_count_like_undetected_ones_unless_told() -> None:
    """Leaving out `beta_detected` is giving it the value of `beta`; its own part is its share of
    the detected failures, times their repair.
    """

    def two(**shares: float) -> float:
        return pfd_1oo2(1e-6, WEEK_H, beta=0.1, repair_h=24.0, coverage=1.0, **shares)

    assert two() == two(beta_detected=0.1)
    assert two(beta_detected=1.0) == pytest.approx(1e-6 * 24.0, rel=ROUNDING)
    assert two(beta_detected=0.0) == pytest.approx(2 * (1e-6 * 24.0) ** 2, rel=ROUNDING)


def test_two_floats_of_a_lifetime_without_a_test_are_no_worse_than_one() -> None:
    """After twenty untested years the simplified equation of two would exceed that of one."""
    long_h = 20 * YEAR_H
    failing = FLOAT_PER_H * long_h
    assert (0.9 * failing) ** 2 / 3 + 0.1 * failing / 2 > failing / 2
    assert pfd_1oo2(FLOAT_PER_H, long_h, beta=0.1) == pfd_1oo1(FLOAT_PER_H, long_h)
    one = pfd_1oo1(2 * FLOAT_PER_H, long_h, coverage=0.5)
    assert pfd_1oo2(2 * FLOAT_PER_H, long_h, beta=0.1, coverage=0.5) == one


@pytest.mark.parametrize(
    ("rate", "interval", "repair", "coverage"),
    [
        (nan, YEAR_H, 0.0, 0.0),
        (1e-6, nan, 0.0, 0.0),
        (1e-6, YEAR_H, nan, 0.0),
        (1e-6, YEAR_H, 0.0, nan),
        (-1e-6, YEAR_H, 0.0, 0.0),
        (1e-6, -YEAR_H, 0.0, 0.0),
        (-1e-6, -YEAR_H, 0.0, 0.0),
        (1e-6, YEAR_H, -8.0, 0.0),
        (1e-6, YEAR_H, 0.0, -0.1),
        (1e-6, YEAR_H, 0.0, 1.1),
        (0.0, inf, 0.0, 0.0),
        (inf, 0.0, 0.0, 0.0),
        (inf, YEAR_H, 0.0, 0.0),
    ],
)
def test_what_cannot_be_is_taken_as_certain_to_fail(
    rate: float, interval: float, repair: float, coverage: float
) -> None:
    """NaN, a negative time and a share above 1 never make a function look reliable."""
    assert pfd_1oo1(rate, interval, repair_h=repair, coverage=coverage) == 1.0
    assert pfd_1oo2(rate, interval, beta=0.1, repair_h=repair, coverage=coverage) == 1.0


@pytest.mark.parametrize("share", [nan, -0.1, 1.1, inf])
def test_a_common_cause_that_cannot_be_is_certain_failure(share: float) -> None:
    """The same holds for both common-cause shares."""
    assert pfd_1oo2(1e-6, YEAR_H, beta=share) == 1.0
    assert pfd_1oo2(1e-6, YEAR_H, beta=0.1, beta_detected=share) == 1.0


def test_a_chain_is_as_weak_as_its_links_together() -> None:
    """Parts add up to at most 1, and a part that is not known breaks the chain."""
    assert pfd_chain((0.01, 0.02, 0.03)) == pytest.approx(0.06, rel=1e-12)
    assert pfd_chain(part for part in (0.25, 0.5)) == 0.75
    assert pfd_chain((0.7, 0.7)) == 1.0
    assert pfd_chain((0.0,)) == 0.0
    for wrong in ((), (0.01, nan), (0.5, -0.4), (1.1,), (inf,), (inf, -inf)):
        assert pfd_chain(wrong) == 1.0


@pytest.mark.parametrize("value", [nan, -1e-9, -inf, inf, 2.0])
def test_no_level_for_what_cannot_be(value: float) -> None:
    """A value that is no probability earns no level."""
    assert sil_band(value) == 0
    assert sil_band_per_h(value) == 0


def test_better_than_the_best_level_is_the_best_level() -> None:
    """There is no level 5, even for a part that is said never to fail."""
    assert sil_band(0.0) == sil_band(1e-9) == 4
    assert sil_band_per_h(0.0) == sil_band_per_h(1e-12) == 4


@pytest.mark.parametrize(("band", "ends"), [(sil_band, SIL_PFD), (sil_band_per_h, SIL_PFH_PER_H)])
def test_the_upper_end_of_a_level_belongs_to_the_one_below(
    band: Callable[[float], int], ends: tuple[float, ...]
) -> None:
    """A value on the line gets the lower level: the table says 'to less than'."""
    assert [band(end) for end in ends] == [0, 1, 2, 3]
    assert [band(end * (1 - ROUNDING)) for end in ends] == [1, 2, 3, 4]


@given(anything, anything, anything, anything, anything, st.none() | anything)
def test_every_input_gives_a_probability(
    rate: float, interval: float, repair: float, coverage: float, beta: float, other: float | None
) -> None:
    """Nothing raises, and what comes out is always between 0 and 1, with a level."""
    one = pfd_1oo1(rate, interval, repair_h=repair, coverage=coverage)
    two = pfd_1oo2(
        rate, interval, beta=beta, beta_detected=other, repair_h=repair, coverage=coverage
    )
    for value in (one, two, pfd_chain((one, two)), pfd_chain((rate, beta))):
        assert 0.0 <= value <= 1.0
        assert sil_band(value) in range(5)
    assert sil_band(rate) in range(5)
    assert sil_band_per_h(rate) in range(5)


@given(rates, times, times, repairs, shares, shares)
def test_waiting_longer_for_a_test_never_makes_it_safer(
    rate: float, sooner: float, later: float, repair: float, coverage: float, beta: float
) -> None:
    """The longer the interval, the likelier the failure, for one part and for two."""
    short, long = sorted((sooner, later))

    def both(interval: float) -> tuple[float, float]:
        return (
            pfd_1oo1(rate, interval, repair_h=repair, coverage=coverage),
            pfd_1oo2(rate, interval, beta=beta, repair_h=repair, coverage=coverage),
        )

    for before, after in zip(both(short), both(long), strict=True):
        assert before <= after + ROUNDING


@given(rates, times, repairs, shares, shares, shares)
def test_two_parts_are_never_worse_than_one_and_never_better_than_their_common_cause(
    rate: float, interval: float, repair: float, coverage: float, beta: float, other: float
) -> None:
    """Redundancy lies between what the common cause leaves and what one part alone does."""
    one = pfd_1oo1(rate, interval, repair_h=repair, coverage=coverage)
    two = pfd_1oo2(
        rate, interval, beta=beta, beta_detected=other, repair_h=repair, coverage=coverage
    )
    assert min(beta, other) * one - ROUNDING <= two <= one


@given(rates, times, repairs, shares)
def test_parts_that_always_fail_together_are_one_part(
    rate: float, interval: float, repair: float, coverage: float
) -> None:
    """With everything in common a second part changes nothing."""
    one = pfd_1oo1(rate, interval, repair_h=repair, coverage=coverage)
    two = pfd_1oo2(rate, interval, beta=1.0, repair_h=repair, coverage=coverage)
    assert two == pytest.approx(one, rel=1e-9, abs=ROUNDING)
