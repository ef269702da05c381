"""What small changes of the trends showed to be unsaid: the levels they are told at."""

from __future__ import annotations

import math
import random
from statistics import NormalDist

import pytest

from monitor.core.trend import Crossing, Line, Slope, Trend, crossing, mann_kendall, theil_sen


def with_score(count: int, wanted: int) -> list[float]:
    """Return numbers in an order with this score: so many pairs out of place."""
    wrong, order = (count * (count - 1) // 2 - wanted) // 2, []
    left = list(range(count))
    while left:
        place = min(wrong, len(left) - 1)
        wrong -= place
        order.append(float(left.pop(place)))
    return order


@pytest.mark.parametrize(("score", "trend"), [(1558, Trend.RISING), (1556, Trend.NONE)])
def test_a_trend_is_told_at_one_in_twenty(score: int, trend: Trend) -> None:
    """Claim: of two hundred values the least score whose one-sided chance is not above 5 % is a
    trend, and the next smaller one is none.
    """
    found = mann_kendall(with_score(200, score))
    deviation = math.sqrt(200 * 199 * 405 / 18)
    assert found.score == score
    assert found.p / 2 == pytest.approx(NormalDist().cdf(-(score - 1) / deviation), rel=1e-9)
    assert found.p / 2 == pytest.approx(0.05, abs=0.0003)
    assert found.trend is trend


def test_an_interval_is_one_of_ninety_per_cent_unless_told() -> None:
    """Claim: nine in ten, to the rank: half a per cent more or less are other bounds."""
    chance = random.Random(3)
    points = [(float(x), 0.05 * x + chance.gauss(0.0, 3.0)) for x in range(200)]
    assert theil_sen(points) == theil_sen(points, 0.9)
    assert theil_sen(points) not in (theil_sen(points, 0.895), theil_sen(points, 0.905))


def test_a_line_that_is_nowhere_passes_nothing() -> None:
    """Claim: a line without a value has a speed, and still no known moment."""
    lost = Line(-1.0, math.nan)
    never = Crossing(math.inf, math.inf, math.inf)
    assert crossing(Slope(3, lost, lost, lost), 2.0, 4.0, Trend.FALLING) == never
