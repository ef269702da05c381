"""The temperature summary of a fill, checked against mixing and against numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.journal.summary import FLOWING_LPM, HOLD_MAX_S, Point, summarise


def steady(
    begin_s: int, end_s: int, temp_c: float | None, flow_lpm: float | None, phase: str = "filling"
) -> list[Point]:
    return [Point(float(t), temp_c, flow_lpm, phase) for t in range(begin_s, end_s)]


def test_mean_is_the_temperature_of_the_mixed_water() -> None:
    """One third at 55 °C and two thirds at 10 °C, by volume, make water of 25 °C.

    Conservation of energy at constant heat capacity: (55 + 2 x 10) / 3 = 25. Both run
    for the same time, the hot one at half the flow, so a mean over time would say 32.5 °C.
    """
    hot = steady(1, 601, 55.0, 5.0)  # 600 s at 5 L/min: 50 L
    cold = steady(601, 1201, 10.0, 10.0)  # 600 s at 10 L/min: 100 L
    summary = summarise([*hot, *cold])
    assert summary.mean_c == pytest.approx(25.0, abs=1e-9)
    assert (summary.min_c, summary.max_c, summary.n) == (10.0, 55.0, 1200)


@pytest.mark.external
@given(
    st.lists(
        st.tuples(
            st.floats(0.1, HOLD_MAX_S),
            st.floats(-5, 60),
            st.floats(FLOWING_LPM, 30.0),
        ),
        min_size=1,
        max_size=50,
    )
)
def test_mean_agrees_with_numpy(steps: list[tuple[float, float, float]]) -> None:
    """The mean is numpy's weighted average with flow x time as weights."""
    points, now_s = [], 0.0
    for gap_s, temp_c, flow_lpm in steps:
        now_s += gap_s
        points.append(Point(now_s, temp_c, flow_lpm, "filling"))
    times = np.array([0.0, *(point.t_s for point in points)])
    flows = np.array([flow for _, _, flow in steps])
    temps = np.array([temp for _, temp, _ in steps])
    weights = np.minimum(np.diff(times), HOLD_MAX_S) * flows
    summary = summarise(points)
    assert summary.mean_c == pytest.approx(float(np.average(temps, weights=weights)), abs=1e-9)
    assert (summary.min_c, summary.max_c) == (temps.min(), temps.max())


def test_standing_water_says_nothing() -> None:
    """Readings without flow, before and after, change neither the extremes nor the mean."""
    fill = steady(60, 120, 24.0, 10.0)
    around = [
        *steady(0, 60, 14.0, 0.0, "checking"),
        *fill,
        *steady(120, 300, 31.0, 0.0, "settling"),
    ]
    summary = summarise(around, 23.0, 27.0)
    assert (summary.min_c, summary.mean_c, summary.max_c, summary.n) == (24.0, 24.0, 24.0, 60)
    assert summary.out_of_band_s == 0.0


def test_out_of_band_counts_seconds_of_flow() -> None:
    """A cold slug of 7 s and a hot end of 4 s are 11 s out of the band, standing water none."""
    points = [
        *steady(1, 8, 15.0, 10.0),
        *steady(8, 100, 25.0, 10.0),
        *steady(100, 104, 29.0, 10.0),
        *steady(104, 200, 15.0, 0.0),
    ]
    assert summarise(points, 23.0, 27.0).out_of_band_s == pytest.approx(11.0)
    assert summarise(points, None, 27.0).out_of_band_s == pytest.approx(4.0)
    assert summarise(points, 23.0, None).out_of_band_s == pytest.approx(7.0)
    assert summarise(points).out_of_band_s is None


def test_the_band_holds_its_own_ends() -> None:
    """A reading on a limit is in the band."""
    points = [*steady(1, 10, 23.0, 10.0), *steady(10, 20, 27.0, 10.0)]
    assert summarise(points, 23.0, 27.0).out_of_band_s == 0.0


def test_a_gap_in_the_readings_is_not_filled_in() -> None:
    """After ten silent minutes one reading speaks for three seconds, not for ten minutes."""
    points = [Point(1.0, 20.0, 10.0, "filling"), Point(601.0, 30.0, 10.0, "filling")]
    summary = summarise(points, 15.0, 25.0)
    assert summary.out_of_band_s == HOLD_MAX_S
    assert summary.mean_c == pytest.approx((20.0 * 1 + 30.0 * HOLD_MAX_S) / (1 + HOLD_MAX_S))


def test_without_a_meter_value_the_phase_tells_the_flow() -> None:
    """With the meter silent, the filling phase counts at the fill's usual flow, others do not."""
    points = [
        *steady(1, 101, 20.0, 10.0),
        *steady(101, 201, 30.0, None),
        *steady(201, 301, 90.0, None, "settling"),
    ]
    assert summarise(points).mean_c == pytest.approx(25.0)
    assert summarise(steady(0, 9, 21.0, None)).mean_c == pytest.approx(21.0)


@pytest.mark.parametrize(
    "points", [[], steady(0, 50, None, 10.0), steady(0, 50, 24.0, FLOWING_LPM / 2)]
)
def test_nothing_measured_is_nothing_known(points: list[Point]) -> None:
    """No samples, no temperatures or no flow: every figure is None, not zero."""
    summary = summarise(points, 23.0, 27.0)
    assert (summary.min_c, summary.mean_c, summary.max_c) == (None, None, None)
    assert (summary.n, summary.out_of_band_s) == (0, None)


def test_one_reading_at_the_very_start() -> None:
    """A single reading, for which no time has passed yet, is its own mean."""
    assert summarise([Point(0.0, 24.0, 10.0, "filling")]).mean_c == 24.0


@given(
    st.lists(
        st.builds(
            Point,
            st.floats(0, 1e6),
            st.none() | st.floats(-55, 125),
            st.none() | st.floats(0, 100),
            st.sampled_from(["checking", "filling", "holding"]),
        ),
        max_size=30,
    )
)
def test_mean_lies_between_the_extremes(points: list[Point]) -> None:
    """Whatever the readings and their order, min <= mean <= max, and seconds are never negative."""
    summary = summarise(points, 20.0, 25.0)
    if summary.n:
        assert summary.min_c is not None
        assert summary.mean_c is not None
        assert summary.max_c is not None
        assert summary.min_c <= summary.mean_c <= summary.max_c
        assert summary.out_of_band_s is not None
        assert math.isfinite(summary.out_of_band_s)
        assert 0 <= summary.out_of_band_s <= HOLD_MAX_S * len(points)
