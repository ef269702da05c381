"""What earlier fills of a station teach about the next one, before its own water has run.

A prior is a guess and its doubt. What nobody has seen yet has a doubt without bound, so a caller
who weighs by doubt needs no special case. Only sound fills may be given: finished ones, of one
station and one way, all of them real or all of them simulated.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from math import inf
from statistics import fmean, median, stdev

from monitor.core.forecast import FLOW_MAX_LPM, FLOW_MIN_LPM

FILLS_MAX = 10  # older fills say little of today's pressure and of a filter as it is by now
FLOW_SD_SHARE = 0.05  # of the flow: mains pressure moves as much within an hour (BASE_WANDER)
ONE_FILL_SHARE = 0.25  # of the flow: how far the next fill may be from the only one (our bound)
OVERRUN_MAX_L = 50.0  # more is no overrun but a valve that stayed open
OVERRUN_SD_MIN_L = 0.05  # no overrun is told sharper than some pulses of a half-inch meter
MAD_PER_SD = 0.6744897501960817  # the normal distribution's upper quartile: MAD = 0.6745 sd


@dataclass(frozen=True, slots=True)
class PastFill:
    """What one finished fill showed; None where it did not."""

    start_flow_lpm: float | None  # flow over its first minutes
    overrun_l: float | None  # litres after the valve was told to shut


@dataclass(frozen=True, slots=True)
class Priors:
    """What to expect of the next fill; a standard deviation of `inf` says that nothing is known.

    `fills` is how many earlier fills told their flow.
    """

    fills: int = 0
    flow_lpm: float = 0.0
    flow_sd_lpm: float = inf
    overrun_l: float = 0.0
    overrun_sd_l: float = inf


def priors_from(rows: Iterable[PastFill]) -> Priors:
    """Return what the newest FILLS_MAX of these fills teach; the newest comes first.

    Flow: mean and sample standard deviation, which never falls below FLOW_SD_SHARE of the mean.
    Overrun: median and the standard deviation that fits the median absolute deviation, since one
    fill whose valve was stuck must not shift the next ten. Figures that cannot be are left out.
    """
    newest = tuple(islice(rows, FILLS_MAX))
    flows = _within([row.start_flow_lpm for row in newest], FLOW_MIN_LPM, FLOW_MAX_LPM)
    overruns = _within([row.overrun_l for row in newest], 0.0, OVERRUN_MAX_L)
    flow_lpm, flow_sd_lpm = _flow(flows)
    overrun_l, overrun_sd_l = _overrun(overruns)
    return Priors(len(flows), flow_lpm, flow_sd_lpm, overrun_l, overrun_sd_l)


def _within(values: Iterable[float | None], low: float, high: float) -> list[float]:
    """Return the values in their range; NaN is in none."""
    return [value for value in values if value is not None and low <= value <= high]


def _flow(flows: Sequence[float]) -> tuple[float, float]:
    if not flows:
        return 0.0, inf
    mean = fmean(flows)
    if len(flows) == 1:
        return mean, mean * ONE_FILL_SHARE
    return mean, max(stdev(flows), mean * FLOW_SD_SHARE)


def _overrun(overruns: Sequence[float]) -> tuple[float, float]:
    if not overruns:
        return 0.0, inf
    middle = median(overruns)
    if len(overruns) == 1:  # it may have been anything between none and twice this
        return middle, max(middle, OVERRUN_SD_MIN_L)
    spread = median([abs(each - middle) for each in overruns]) / MAD_PER_SD
    return middle, max(spread, OVERRUN_SD_MIN_L)
