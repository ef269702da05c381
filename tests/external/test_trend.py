"""Trends against published worked examples, a published table, and two libraries."""

from __future__ import annotations

import itertools
import math
import random
import statistics
from collections.abc import Iterator

import pymannkendall
import pytest
from scipy import stats

from monitor.core.trend import (
    EXACT_MAX,
    Kendall,
    Slope,
    Trend,
    crossing,
    mann_kendall,
    score_variance,
    theil_sen,
)

pytestmark = pytest.mark.external

# US EPA, "Data Quality Assessment: Statistical Methods for Practitioners" QA/G-9S, p. 109.
EPA = [10.0, 10.0, 10.0, 5.0, 10.0, 20.0, 18.0, 17.0, 15.0, 24.0, 15.0]

# Free proline against collagen in seven livers, as in SciPy's tutorial on Kendall's tau.
COLLAGEN = [7.1, 7.1, 7.2, 8.3, 9.4, 10.5, 11.4]
PROLINE = [2.8, 2.9, 2.8, 2.6, 3.5, 4.6, 5.0]


def sloped(xs: list[float], ys: list[float], confidence: float = 0.9) -> Slope:
    found = theil_sen(list(zip(xs, ys, strict=True)), confidence)
    assert found is not None
    return found


def three(slope: Slope) -> tuple[float, float, float]:
    return slope.low.per_x, slope.mid.per_x, slope.high.per_x


# --- published examples ---


def test_the_trend_of_the_epa_example() -> None:
    """Ties of four and two: S = 22, variance 155.33, Z = 1.685, beyond the one-sided 1.645."""
    found = mann_kendall(EPA)
    assert found.score == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert found.trend is Trend.RISING


def test_the_slope_of_fifteen_pairs() -> None:
    """Ties in x: 0.5, 95 % interval 0.3243243 to 0.75.

    Example of `ci.theil` in the R package statpsych (after Hollander and Wolfe 1999).
    """
    ys = [21.0, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19]
    xs = [67.0, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51]
    assert three(sloped(xs, ys, 0.95)) == pytest.approx((0.3243243, 0.5, 0.75), abs=5e-8)


# W. W. Daniel, "Applied Nonparametric Statistics" (Indonesian edition of 1989, pp. 569-570), table
# of Kendall's tau: the least score that is unlikely at these one-sided levels, n = 4 to 40. Where
# no score is, the table has two more than the greatest.
LEVELS = (0.005, 0.010, 0.025, 0.050, 0.100)
DANIEL = {
    4: (8, 8, 8, 6, 6),
    5: (12, 10, 10, 8, 8),
    6: (15, 13, 13, 11, 9),
    7: (19, 17, 15, 13, 11),
    8: (22, 20, 18, 16, 12),
    9: (26, 24, 20, 18, 14),
    10: (29, 27, 23, 21, 17),
    11: (33, 31, 27, 23, 19),
    12: (38, 36, 30, 26, 20),
    13: (44, 40, 34, 28, 24),
    14: (47, 43, 37, 33, 25),
    15: (53, 49, 41, 35, 29),
    16: (58, 52, 46, 38, 30),
    17: (64, 58, 50, 42, 34),
    18: (69, 63, 53, 45, 37),
    19: (75, 67, 57, 49, 39),
    20: (80, 72, 62, 52, 42),
    21: (86, 78, 66, 56, 44),
    22: (91, 83, 71, 61, 47),
    23: (99, 89, 75, 65, 51),
    24: (104, 94, 80, 68, 54),
    25: (110, 100, 86, 72, 58),
    26: (117, 107, 91, 77, 61),
    27: (125, 113, 95, 81, 63),
    28: (130, 118, 100, 86, 68),
    29: (138, 126, 106, 90, 70),
    30: (145, 131, 111, 95, 75),
    31: (151, 137, 117, 99, 77),
    32: (160, 144, 122, 104, 82),
    33: (166, 152, 128, 108, 86),
    34: (175, 157, 133, 113, 89),
    35: (181, 165, 139, 117, 93),
    36: (190, 172, 146, 122, 96),
    37: (198, 178, 152, 128, 100),
    38: (205, 185, 157, 133, 105),
    39: (213, 193, 163, 139, 109),
    40: (222, 200, 170, 144, 112),
}


def with_score(count: int, score: int) -> list[float]:
    """Return the numbers below `count` in an order with this score."""
    wrong, order = (count * (count - 1) // 2 - score) // 2, []
    left = list(range(count))
    while left:
        place = min(wrong, len(left) - 1)
        wrong -= place
        order.append(float(left.pop(place)))
    return order


@pytest.mark.parametrize("count", DANIEL)
def test_critical_scores_are_those_of_the_table(count: int) -> None:
    """A rise is told from the table's score on, and not from the one below it."""
    top = count * (count - 1) // 2
    for level, least in zip(LEVELS, DANIEL[count], strict=True):
        below = mann_kendall(with_score(count, least - 2), level)
        assert (below.score, below.trend) == (least - 2, Trend.NONE)
        if least <= top:
            found = mann_kendall(with_score(count, least), level)
            assert (found.score, found.trend) == (least, Trend.RISING)


# Wisconsin Administrative Code, look-up table B of its Mann-Kendall form: the score from which a
# fall is told at 0.2, n = 4 to 10. Where n has even scores only, an odd one means the next.
WISCONSIN = {4: -4, 5: -5, 6: -6, 7: -7, 8: -8, 9: -10, 10: -11}


@pytest.mark.parametrize(("count", "score"), WISCONSIN.items())
def test_falls_are_told_as_the_state_code_says(count: int, score: int) -> None:
    """At a level of 0.2 the table's score, or the next that can be, is a fall; one less is not."""
    score -= (count * (count - 1) // 2 - score) % 2
    assert mann_kendall(with_score(count, score), 0.2).trend is Trend.FALLING
    assert mann_kendall(with_score(count, score + 2), 0.2).trend is Trend.NONE


def test_the_doubt_of_a_crossing_is_that_of_the_closed_form() -> None:
    """A level of 0.2 mm/s with 2 mm of noise, 60 readings 10 s apart, limit at 3600 s.

    Least squares tells the time to 24.671 s (delta method). A median of slopes is 3/pi as efficient
    for normal noise (Sen 1968, from memory), so its 90 % interval is 2 * 1.645 * 24.671 s wide,
    over the root of 3/pi.
    """
    chance = random.Random(1968)
    times = [10.0 * k for k in range(60)]
    found = [
        crossing(
            sloped(times, [0.2 * t + chance.gauss(0.0, 2.0) for t in times]),
            times[-1],
            720.0,
            Trend.RISING,
        )
        for _ in range(300)
    ]
    deviation_s = 24.671 / math.sqrt(3 / math.pi)
    width_s = statistics.fmean(one.latest - one.earliest for one in found)
    assert width_s == pytest.approx(2 * 1.6449 * deviation_s, rel=0.03)
    assert statistics.stdev(one.median for one in found) == pytest.approx(deviation_s, rel=0.10)
    assert statistics.fmean(one.median for one in found) == pytest.approx(3010.0, abs=5.0)


# --- libraries ---


def cases(tied_x: bool, tied_y: bool) -> Iterator[tuple[list[float], list[float]]]:
    """Yield seeded data of 4 to 60 points, with many ties where asked for."""
    chance = random.Random(2 * tied_x + tied_y)
    for count in [*range(4, 34), 45, 60]:
        xs = [chance.uniform(0.0, 50.0) for _ in range(count)]
        tilt = chance.choice([-0.1, 0.0, 0.05])
        ys = [8.0 + tilt * x + chance.gauss(0.0, 1.5) for x in xs]
        xs = [float(round(x / 8)) for x in xs] if tied_x else xs
        ys = [float(round(y)) for y in ys] if tied_y else ys
        if len(set(xs)) > 1 and len(set(ys)) > 1:
            yield xs, ys


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95])
@pytest.mark.parametrize(("tied_x", "tied_y"), [(False, False), (True, False), (False, True)])
def test_slopes_are_scipys(tied_x: bool, tied_y: bool, confidence: float) -> None:
    """Line and interval equal `scipy.stats.theilslopes`, where that has ranks enough for one.

    For an interval beyond the slopes it gives the outermost ones; we give no bound.
    """
    bounded = 0
    for xs, ys in cases(tied_x, tied_y):
        found, theirs = sloped(xs, ys, confidence), stats.theilslopes(ys, xs, confidence, "joint")
        assert found.mid.per_x == pytest.approx(theirs.slope, rel=1e-12, abs=1e-12)
        assert found.mid.at_zero == pytest.approx(theirs.intercept, rel=1e-12)
        if math.isfinite(found.low.per_x):
            bounded += 1
            assert found.low.per_x == pytest.approx(theirs.low_slope, rel=1e-12, abs=1e-12)
            assert found.high.per_x == pytest.approx(theirs.high_slope, rel=1e-12, abs=1e-12)
    assert bounded >= 28


def test_slopes_with_ties_in_both_are_never_surer_than_scipys() -> None:
    """SciPy leaves out the terms of ties in x and y at once, so its interval is the narrower."""
    wider = 0
    for xs, ys in cases(tied_x=True, tied_y=True):
        found, theirs = sloped(xs, ys), stats.theilslopes(ys, xs, 0.9, "joint")
        assert found.mid.per_x == pytest.approx(theirs.slope, rel=1e-12, abs=1e-12)
        assert found.low.per_x <= theirs.low_slope + 1e-12
        assert found.high.per_x >= theirs.high_slope - 1e-12
        wider += found.high.per_x - found.low.per_x > theirs.high_slope - theirs.low_slope + 1e-9
    assert wider > 0


@pytest.mark.parametrize(("tied_x", "tied_y"), list(itertools.product((False, True), repeat=2)))
def test_the_variance_is_scipys(tied_x: bool, tied_y: bool) -> None:
    """SciPy's asymptotic p of tau is that of S over the root of our variance, with any ties."""
    seen = 0
    for xs, ys in [*cases(tied_x, tied_y), (COLLAGEN, PROLINE)]:
        pairs = list(itertools.combinations(zip(xs, ys, strict=True), 2))
        score = sum(
            math.copysign(1, (c - a) * (d - b)) * ((c - a) * (d - b) != 0)
            for (a, b), (c, d) in pairs
        )
        theirs = stats.kendalltau(xs, ys, method="asymptotic").pvalue
        ours = math.erfc(abs(score) / math.sqrt(2 * score_variance(xs, ys)))
        assert ours == pytest.approx(theirs, rel=1e-9)
        seen += score != 0
    assert seen > 20


def test_the_counted_chance_is_scipys() -> None:
    """Without ties p equals the exact p of `scipy.stats.kendalltau`, for every n it is counted."""
    for count in range(2, EXACT_MAX + 1):
        chance = random.Random(count)
        values = [chance.gauss(0.05 * k, 1.0) for k in range(count)]
        theirs = stats.kendalltau(range(count), values, method="exact").pvalue
        assert mann_kendall(values).p == pytest.approx(theirs, rel=1e-9)


def test_the_counted_chance_with_ties_is_scipys_permutation_test() -> None:
    """With ties p is that of trying every order, as `scipy.stats.permutation_test` does."""
    values = [9.0, 8.0, 9.0, 7.0, 8.0, 7.0, 7.0]
    theirs = stats.permutation_test(
        (values,),
        lambda order: stats.kendalltau(range(len(order)), order).statistic,
        permutation_type="pairings",
        alternative="less",
        n_resamples=math.inf,
    )
    assert mann_kendall(values).p == pytest.approx(2 * theirs.pvalue, rel=1e-12)


@pytest.mark.parametrize("tied", [False, True])
def test_the_test_is_that_of_a_library_for_it(tied: bool) -> None:
    """Score, variance, z, two-sided normal p and slope over 1, 2, 3 … equal `pymannkendall`."""
    seen: list[Kendall] = []
    for _, ys in cases(tied_x=False, tied_y=tied):
        found, theirs = mann_kendall(ys), pymannkendall.original_test(ys)
        assert (found.score, found.variance) == (theirs.s, pytest.approx(theirs.var_s, rel=1e-12))
        assert found.z == pytest.approx(theirs.z, rel=1e-12)
        assert math.erfc(abs(found.z) / math.sqrt(2)) == pytest.approx(theirs.p, rel=1e-9)
        if not found.exact:
            assert found.p == pytest.approx(theirs.p, rel=1e-9)
        slope = sloped([float(k) for k in range(len(ys))], ys)
        assert slope.mid.per_x == pytest.approx(theirs.slope, rel=1e-12, abs=1e-12)
        seen.append(found)
    assert {found.exact for found in seen} == {True, False}
