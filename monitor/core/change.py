"""Change detection as pure steps: the tabular two-sided CUSUM and the EWMA chart.

CUSUM: two sums collect what lies beyond a slack on either side of a target; each falls back to zero
when the data return, and a sum above its limit is a signal (Page 1954; NIST/SEMATECH e-Handbook
6.3.2.3). A head start of half the limit makes it quick to see a shift that is there from the
beginning (fast initial response, Lucas and Crosier 1982). EWMA: an exponentially weighted mean
with control limits (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4).

Everything here is in the units of the data. A value that is not a finite number changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HIGH = 1  # signal: the data have moved up
LOW = -1  # signal: the data have moved down
CALM = 0  # no signal

HEAD_START = 0.5  # share of the limit; Lucas and Crosier 1982 recommend half


@dataclass(frozen=True, slots=True)
class CusumChart:
    """What a CUSUM looks for: `slack` is half the shift worth seeing, `limit` where it signals."""

    target: float
    slack: float
    limit: float


@dataclass(frozen=True, slots=True)
class Cusum:
    """The two sums, both >= 0."""

    high: float = 0.0
    low: float = 0.0


def cusum_step(chart: CusumChart, state: Cusum, value: float) -> Cusum:
    """Return the sums after one more value."""
    off = value - chart.target
    if not math.isfinite(off):
        return state
    high = state.high + off - chart.slack
    low = state.low - off - chart.slack
    return Cusum(high if high > 0 else 0.0, low if low > 0 else 0.0)


def cusum_signal(chart: CusumChart, state: Cusum) -> int:
    """Return HIGH, LOW or CALM; when both sums are beyond the limit, the larger one counts."""
    if max(state.high, state.low) <= chart.limit:
        return CALM
    return HIGH if state.high >= state.low else LOW


def cusum_head_start(chart: CusumChart) -> Cusum:
    """Return the sums to begin with for a fast initial response: half the limit on both sides."""
    half = HEAD_START * chart.limit if math.isfinite(chart.limit) and chart.limit > 0 else 0.0
    return Cusum(half, half)


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """An EWMA around `target`: `weight` of the newest value in (0, 1], limits `width` sigmas out.

    `sigma` is the standard deviation of a single value.
    """

    target: float
    sigma: float
    weight: float
    width: float


@dataclass(frozen=True, slots=True)
class Ewma:
    """The weighted mean, and how many values it has seen."""

    mean: float
    seen: int = 0


def ewma_step(chart: EwmaChart, state: Ewma, value: float) -> Ewma:
    """Return the weighted mean after one more value."""
    mean = state.mean + chart.weight * (value - state.mean)
    return Ewma(mean, state.seen + 1) if math.isfinite(mean) else state


def ewma_limits(chart: EwmaChart, seen: int | None = None) -> tuple[float, float]:
    """Return the lower and upper control limit after `seen` values; None: after very many.

    A weight outside (0, 1] has no limits: the mean can then never signal, and the pair is
    (-inf, inf).
    """
    weight = chart.weight
    if not 0 < weight <= 1:
        return -math.inf, math.inf
    old = 1 - weight
    left = 0.0 if seen is None else math.pow(old, max(seen, 0))
    half = chart.width * chart.sigma * math.sqrt(weight / (1 + old) * (1 - left * left))
    return chart.target - half, chart.target + half


def ewma_signal(chart: EwmaChart, state: Ewma, *, early: bool = False) -> int:
    """Return HIGH, LOW or CALM. `early` uses the narrower limits of the first few values."""
    lower, upper = ewma_limits(chart, state.seen if early else None)
    if state.mean > upper:
        return HIGH
    return LOW if state.mean < lower else CALM
