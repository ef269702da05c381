"""Change detection: what holds for any data. Published examples are in tests/external."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.change import (
    CALM,
    HIGH,
    LOW,
    Cusum,
    CusumChart,
    Ewma,
    EwmaChart,
    cusum_head_start,
    cusum_signal,
    cusum_step,
    ewma_limits,
    ewma_signal,
    ewma_step,
)

CHART = CusumChart(target=10.0, slack=0.5, limit=4.0)
WEIGHTED = EwmaChart(target=10.0, sigma=2.0, weight=0.2, width=3.0)
values = st.lists(st.floats(min_value=-100.0, max_value=100.0), max_size=30)
anything = st.floats(allow_nan=True, allow_infinity=True)


def test_a_shift_up_is_seen_up_and_a_shift_down_down() -> None:
    """A shift of one over a slack of a half passes a limit of four at the ninth value."""
    for sign, signal in ((1, HIGH), (-1, LOW)):
        state = Cusum()
        for _ in range(8):
            state = cusum_step(CHART, state, 10.0 + sign)
            assert cusum_signal(CHART, state) == CALM
        state = cusum_step(CHART, state, 10.0 + sign)
        assert cusum_signal(CHART, state) == signal


def test_data_within_the_slack_never_add_up() -> None:
    """A shift no larger than the slack leaves the sums at zero, however long it lasts."""
    state = Cusum()
    for _ in range(1000):
        state = cusum_step(CHART, state, 10.5)
    assert state == Cusum(0.0, 0.0)


def test_the_larger_sum_tells_the_direction() -> None:
    """With both sums beyond the limit the larger decides, and a tie reads as high."""
    assert cusum_signal(CHART, Cusum(high=5.0, low=6.0)) == LOW
    assert cusum_signal(CHART, Cusum(high=6.0, low=5.0)) == HIGH
    assert cusum_signal(CHART, Cusum(high=5.0, low=5.0)) == HIGH
    assert cusum_signal(CHART, Cusum(high=4.0, low=4.0)) == CALM


@pytest.mark.parametrize("limit", [-1.0, 0.0, math.nan, math.inf])
def test_a_limit_that_is_none_gives_no_head_start(limit: float) -> None:
    """Half of nonsense is no start at all."""
    assert cusum_head_start(CusumChart(0.0, 0.5, limit)) == Cusum(0.0, 0.0)


def test_the_head_start_is_half_the_limit() -> None:
    """Both sides begin at half the limit, and fall back to zero on calm data."""
    state = cusum_head_start(CHART)
    assert state == Cusum(2.0, 2.0)
    for _ in range(4):
        state = cusum_step(CHART, state, 10.0)
    assert state == Cusum(0.0, 0.0)


@given(values)
def test_mirrored_data_give_mirrored_sums(data: list[float]) -> None:
    """The chart treats up and down alike."""
    chart = CusumChart(target=0.0, slack=0.5, limit=4.0)
    plain = mirrored = Cusum()
    for value in data:
        plain = cusum_step(chart, plain, value)
        mirrored = cusum_step(chart, mirrored, -value)
    assert (plain.high, plain.low) == (mirrored.low, mirrored.high)


@given(st.lists(anything, max_size=20), anything, anything, anything)
def test_no_number_ever_raises_or_makes_a_negative_sum(
    data: list[float], target: float, slack: float, limit: float
) -> None:
    """Whatever comes, the sums stay numbers of at least zero; what is no number changes nothing."""
    chart, state = CusumChart(target, 0.5, limit), Cusum()
    for value in data:
        after = cusum_step(chart, state, value)
        assert after.high >= 0.0
        assert after.low >= 0.0
        assert math.isfinite(value - target) or after == state
        state = after
        assert cusum_signal(chart, state) in {HIGH, LOW, CALM}
    cusum_head_start(CusumChart(target, slack, limit))


def test_an_ewma_moves_a_share_of_the_way() -> None:
    """With a weight of a fifth a step of ten moves the mean by two, then by 1.6."""
    state = ewma_step(WEIGHTED, Ewma(10.0), 20.0)
    assert state == Ewma(12.0, 1)
    assert ewma_step(WEIGHTED, state, 20.0).mean == pytest.approx(13.6)


def test_ewma_limits_open_up_to_their_last_width() -> None:
    """The first limit is weight times sigma times width; the last sqrt(weight / (2 - weight))."""
    assert ewma_limits(WEIGHTED, 1) == pytest.approx((10 - 1.2, 10 + 1.2))
    assert ewma_limits(WEIGHTED) == pytest.approx((8.0, 12.0))
    assert ewma_limits(WEIGHTED, 500) == pytest.approx(ewma_limits(WEIGHTED))
    assert ewma_limits(WEIGHTED, 0) == (10.0, 10.0)


def test_early_limits_see_what_late_ones_do_not() -> None:
    """A first mean of 11.5 is far for one value, and near enough for many."""
    state = Ewma(11.5, 1)
    assert ewma_signal(WEIGHTED, state, early=True) == HIGH
    assert ewma_signal(WEIGHTED, state) == CALM
    assert ewma_signal(WEIGHTED, Ewma(7.9, 50)) == LOW


@pytest.mark.parametrize("weight", [0.0, -0.1, 1.01, math.nan])
def test_a_weight_out_of_range_never_signals(weight: float) -> None:
    """Without a sensible weight there are no limits."""
    chart = EwmaChart(0.0, 1.0, weight, 3.0)
    assert ewma_limits(chart) == (-math.inf, math.inf)
    assert ewma_signal(chart, Ewma(1e9, 5)) == CALM


@given(st.builds(EwmaChart, anything, anything, anything, anything), anything, st.integers())
def test_no_ewma_ever_raises(chart: EwmaChart, value: float, seen: int) -> None:
    """Whatever the numbers, a step gives a finite mean or leaves the state alone."""
    state = Ewma(1.0)
    after = ewma_step(chart, state, value)
    assert after == state or math.isfinite(after.mean)
    ewma_limits(chart, seen)
    assert ewma_signal(chart, after, early=True) in {HIGH, LOW, CALM}
