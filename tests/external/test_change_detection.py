"""CUSUM and EWMA against published worked examples and run-length tables."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable

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
    cusum_step,
    ewma_limits,
    ewma_signal,
    ewma_step,
)

pytestmark = pytest.mark.external

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3, CUSUM example. The data are from memory.
NIST_CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
NIST_HIGH = [
    *(0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
]
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0]

# The same handbook, 6.3.2.4, EWMA example. From memory; the first mean is the target.
NIST_EWMA = [
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
NIST_MEANS = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]

# Montgomery and Runger, Applied Statistics and Probability for Engineers, Table 16-8.
RUNGER = [
    *(102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1),
    *(101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0),
]
RUNGER_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
RUNGER_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]

# Lucas and Crosier 1982, Fast Initial Response for CUSUM Quality-Control Schemes, example.
LUCAS = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]
LUCAS_PLAIN = [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0]
LUCAS_FIR = [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5]


def walk(chart: CusumChart, data: list[float], state: Cusum) -> list[Cusum]:
    """Return the sums after each value."""
    states = []
    for value in data:
        state = cusum_step(chart, state, value)
        states.append(state)
    return states


def test_the_nist_cusum_example() -> None:
    """Both published columns, and the first signal at the fourteenth value, upwards."""
    chart = CusumChart(target=325.0, slack=0.3175, limit=4.1959)
    states = walk(chart, NIST_CUSUM, Cusum())
    assert [state.high for state in states] == pytest.approx(NIST_HIGH, abs=0.0051)
    assert [state.low for state in states[:12]] == pytest.approx(NIST_LOW, abs=0.0051)
    signals = [cusum_signal(chart, state) for state in states]
    assert signals.index(HIGH) == 13
    assert LOW not in signals


def test_the_montgomery_runger_cusum_table() -> None:
    """Both columns of Table 16-8, to the printed digit; it never signals."""
    chart = CusumChart(target=99.0, slack=1.0, limit=10.0)
    states = walk(chart, RUNGER, Cusum())
    assert [round(state.high, 1) for state in states] == pytest.approx(RUNGER_HIGH)
    assert [round(state.low, 1) for state in states] == pytest.approx(RUNGER_LOW)
    assert {cusum_signal(chart, state) for state in states} == {CALM}


@pytest.mark.parametrize(
    ("start", "expected", "at"), [(False, LUCAS_PLAIN, 7), (True, LUCAS_FIR, 3)]
)
def test_the_lucas_crosier_head_start(start: bool, expected: list[float], at: int) -> None:
    """The published sums, signalling at the seventh value without and at the third with it."""
    chart = CusumChart(target=0.0, slack=0.5, limit=5.0)
    states = walk(chart, LUCAS, cusum_head_start(chart) if start else Cusum())
    assert [round(state.high, 1) for state in states] == pytest.approx(expected)
    signals = [cusum_signal(chart, state) for state in states]
    assert signals.index(HIGH) == at - 1


def test_the_nist_ewma_example() -> None:
    """The published limits and all twenty means; in control throughout."""
    chart = EwmaChart(target=50.0, sigma=2.0539, weight=0.3, width=3.0)
    assert ewma_limits(chart) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    state, means = Ewma(50.0), []
    for value in NIST_EWMA:
        state = ewma_step(chart, state, value)
        means.append(state.mean)
        assert ewma_signal(chart, state) == CALM
    assert means == pytest.approx(NIST_MEANS, abs=0.0051)


def run_length(
    seed: int, shift: float, step: Callable[[float], bool], restart: Callable[[], None], runs: int
) -> tuple[float, float]:
    """Return the mean run length to a signal on normal data, and its standard error."""
    chance = random.Random(seed)
    lengths = []
    for _ in range(runs):
        restart()
        length = 1
        while not step(chance.gauss(shift, 1.0)):
            length += 1
        lengths.append(length)
    return statistics.fmean(lengths), statistics.stdev(lengths) / math.sqrt(runs)


class CusumRun:
    """A CUSUM on standard normal data, one- or two-sided."""

    def __init__(self, limit: float, *, head_start: bool = False, upper_only: bool = False) -> None:
        self.chart = CusumChart(target=0.0, slack=0.5, limit=limit)
        self.first = cusum_head_start(self.chart) if head_start else Cusum()
        self.upper_only = upper_only
        self.state = self.first

    def restart(self) -> None:
        self.state = self.first

    def step(self, value: float) -> bool:
        self.state = cusum_step(self.chart, self.state, value)
        if self.upper_only:
            self.state = Cusum(self.state.high, 0.0)
        return cusum_signal(self.chart, self.state) != CALM


# Montgomery, Introduction to Statistical Quality Control, Table 9.3 (two-sided, slack 0.5; from
# memory), computed anew with the integral equation; 335.37 is the one-sided value for limit 4,
# and the one-sided head start is half of limit 5.
@pytest.mark.parametrize(
    ("run", "shift", "published", "runs"),
    [
        (CusumRun(4.0), 0.0, 167.68, 2500),
        (CusumRun(4.0), 1.0, 8.38, 6000),
        (CusumRun(5.0), 0.5, 38.00, 3000),
        (CusumRun(5.0), 1.0, 10.38, 6000),
        (CusumRun(5.0), 2.0, 4.01, 6000),
        (CusumRun(4.0, upper_only=True), 0.0, 335.37, 1500),
        (CusumRun(5.0, head_start=True, upper_only=True), 1.0, 6.35, 6000),
    ],
    ids=["4 at 0", "4 at 1", "5 at 0.5", "5 at 1", "5 at 2", "one-sided 4 at 0", "head start 5"],
)
def test_cusum_run_lengths(run: CusumRun, shift: float, published: float, runs: int) -> None:
    """Simulated mean run lengths agree with the tables within four standard errors."""
    mean, error = run_length(11, shift, run.step, run.restart, runs)
    assert abs(mean - published) < 4 * error
    assert error < 0.03 * published


# Montgomery, Table 9.11 (EWMA, weight 0.2, width 2.962; from memory), computed anew.
@pytest.mark.parametrize(("shift", "published"), [(0.5, 41.76), (1.0, 10.54), (2.0, 3.74)])
def test_ewma_run_lengths(shift: float, published: float) -> None:
    """Simulated mean run lengths agree with the table within four standard errors."""
    chart = EwmaChart(target=0.0, sigma=1.0, weight=0.2, width=2.962)
    held = [Ewma(0.0)]

    def restart() -> None:
        held[0] = Ewma(0.0)

    def step(value: float) -> bool:
        held[0] = ewma_step(chart, held[0], value)
        return ewma_signal(chart, held[0]) != CALM

    mean, error = run_length(12, shift, step, restart, 4000)
    assert abs(mean - published) < 4 * error
    assert error < 0.03 * published


def test_siegmunds_formula_gives_the_forecasts_false_alarm_rate() -> None:
    """Slack 0.5, limit 8: one false alarm in some 9,500 values (Siegmund 1985), as written down."""
    reach = 8.0 + 1.166
    one_sided = (math.exp(reach) - reach - 1) / (2 * 0.5**2)
    assert one_sided / 2 == pytest.approx(9500, rel=0.01)
