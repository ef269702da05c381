"""What small changes of the charts showed to be unsaid: direction, edges and small limits."""

from __future__ import annotations

from math import inf

import pytest

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
    ewma_limits,
    ewma_signal,
)


def test_a_signal_is_the_sign_of_the_move() -> None:
    """Claim: up is +1, down is -1, calm is 0, so a signal may be reckoned with."""
    chart = CusumChart(target=0.0, slack=0.5, limit=4.0)
    assert cusum_signal(chart, Cusum(5.0, 0.0)) == HIGH == 1
    assert cusum_signal(chart, Cusum(0.0, 5.0)) == LOW == -1
    assert cusum_signal(chart, Cusum(4.0, 4.0)) == CALM == 0


@pytest.mark.parametrize("limit", [0.5, 1.0, 8.0])
def test_a_head_start_is_half_of_any_limit(limit: float) -> None:
    """Claim: a limit below one is halved like every other (Lucas and Crosier 1982)."""
    half = limit / 2
    assert cusum_head_start(CusumChart(0.0, 0.1, limit)) == Cusum(half, half)


@pytest.mark.parametrize("limit", [0.0, -1.0, inf])
def test_no_head_start_without_a_limit(limit: float) -> None:
    """Claim: a limit that is none begins at nought."""
    assert cusum_head_start(CusumChart(0.0, 0.1, limit)) == Cusum(0.0, 0.0)


def test_all_weight_on_the_newest_value_is_a_shewhart_chart() -> None:
    """Claim: a weight of one is allowed, and its limits are width sigmas out from the first value
    on, as on the chart of single values (NIST/SEMATECH e-Handbook 6.3.2.4).
    """
    chart = EwmaChart(target=10.0, sigma=2.0, weight=1.0, width=3.0)
    assert ewma_limits(chart) == (4.0, 16.0)
    assert ewma_limits(chart, 1) == (4.0, 16.0)


def test_fewer_than_no_values_have_the_limits_of_none() -> None:
    """Claim: a count below nought counts as nought."""
    chart = EwmaChart(target=10.0, sigma=2.0, weight=0.25, width=3.0)
    assert ewma_limits(chart, -5) == ewma_limits(chart, 0) == (10.0, 10.0)


def test_a_mean_on_its_limit_is_calm() -> None:
    """Claim: only what lies beyond a limit is a signal, on both sides."""
    chart = EwmaChart(target=10.0, sigma=2.0, weight=1.0, width=3.0)
    assert ewma_signal(chart, Ewma(16.0, 9)) == ewma_signal(chart, Ewma(4.0, 9)) == CALM
    assert ewma_signal(chart, Ewma(16.5, 9)) == HIGH
    assert ewma_signal(chart, Ewma(3.5, 9)) == LOW
