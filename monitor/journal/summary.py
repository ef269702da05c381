"""What the temperature of the delivered water was, from the samples of one fill. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

FLOWING_LPM = 0.1  # below this the probe sits in standing water and says nothing of the fill
HOLD_MAX_S = 3.0  # one reading speaks for at most this long: three missed readings are a gap
FILLING = "filling"  # the phase in which water flows, for a station whose meter gives no value


@dataclass(frozen=True, slots=True)
class Point:
    """One sample, as far as the temperature is concerned."""

    t_s: float
    temp_c: float | None
    flow_lpm: float | None
    phase: str


@dataclass(frozen=True, slots=True)
class Summary:
    """Temperatures in °C of the water that flowed; None where nothing was measured."""

    min_c: float | None
    mean_c: float | None
    max_c: float | None
    n: int
    out_of_band_s: float | None


def summarise(
    points: Sequence[Point], low_c: float | None = None, high_c: float | None = None
) -> Summary:
    """Return the summary of one fill's samples, in order of time.

    Each sample stands for the time since the one before it (at most `HOLD_MAX_S`), as a flow
    meter's does. The mean is weighted by the volume of that time, Σ T·V / ΣV: mixing at constant
    heat capacity (conservation of energy). Samples without flow or without a temperature count
    for nothing. Where the meter gives no value in the filling phase, the mean of the fill's known
    flows stands in for it.
    """
    known = [p.flow_lpm for p in points if p.flow_lpm is not None and p.flow_lpm >= FLOWING_LPM]
    usual_lpm = math.fsum(known) / len(known) if known else 1.0
    temps: list[float] = []
    weights: list[float] = []
    out_s = 0.0
    before_s = 0.0
    for point in points:
        held_s = min(max(point.t_s - before_s, 0.0), HOLD_MAX_S)
        before_s = point.t_s
        flow_lpm = _flow_lpm(point, usual_lpm)
        if point.temp_c is None or flow_lpm < FLOWING_LPM:
            continue
        temps.append(point.temp_c)
        weights.append(flow_lpm * held_s)
        if (low_c is not None and point.temp_c < low_c) or (
            high_c is not None and point.temp_c > high_c
        ):
            out_s += held_s
    if not temps:
        return Summary(None, None, None, 0, None)
    banded = low_c is not None or high_c is not None
    return Summary(
        min(temps), _mean(temps, weights), max(temps), len(temps), out_s if banded else None
    )


def _flow_lpm(point: Point, usual_lpm: float) -> float:
    if point.flow_lpm is not None:
        return point.flow_lpm
    return usual_lpm if point.phase == FILLING else 0.0


def _mean(temps: Sequence[float], weights: Sequence[float]) -> float:
    """Return the weighted mean, the plain one when no time has passed, inside [min, max]."""
    total = math.fsum(weights)
    if total > 0:
        mean = math.fsum(t * w for t, w in zip(temps, weights, strict=True)) / total
    else:
        mean = math.fsum(temps) / len(temps)
    return min(max(mean, min(temps)), max(temps))
