"""The four-number Kalman filter behind the forecast: volume, base flow, drift, passing flow.

The base flow walks at random and drifts; the passing flow decays (an Ornstein-Uhlenbeck process);
volume is the integral of both. `advance` moves mean and covariance on by any time, exactly, so one
function serves a reading a second later and a forecast an hour ahead. The corrections are the
scalar Kalman update, written out for the ten different entries of the covariance, because plain
tuples are several times faster here than any matrix library.

Sources: R. E. Kalman 1960; the discrete forms of integrated white noise and of exponentially
decaying noise as in Bar-Shalom, Li and Kirubarajan, "Estimation with Applications to Tracking and
Navigation". Checked against a matrix library and a Kalman library in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HALF = 1 / 2
THIRD = 1 / 3

# Volume in litres, base flow in L/min, drift in L/min per minute, passing flow in L/min.
Four = tuple[float, float, float, float]
# Their covariance, upper triangle by rows: vv vb vd vu, bb bd bu, dd du, uu.
Ten = tuple[float, float, float, float, float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Wander:
    """How the truth moves: variances in (L/min)², the passing part's decay in minutes."""

    base_per_min: float
    passing_var: float
    passing_min: float


def advance(mean: Four, cov: Ten, minutes: float, wander: Wander) -> tuple[Four, Ten]:
    """Return mean and covariance `minutes` later, with nothing measured: the whole flow model."""
    volume, base, drift, passing = mean
    vv, vb, vd, vu, bb, bd, bu, dd, du, uu = cov
    half = HALF * minutes * minutes
    left = math.exp(-minutes / wander.passing_min)
    gone = 1 - left
    run = wander.passing_min * gone  # minutes' worth of a passing flow until then
    vb1 = vb + minutes * bb + half * bd + run * bu
    vd1 = vd + minutes * bd + half * dd + run * du
    vu1 = vu + minutes * bu + half * du + run * uu
    vv1 = vv + minutes * (vb + vb1) + half * (vd + vd1) + run * (vu + vu1)
    bd1 = bd + minutes * dd
    walk = wander.base_per_min * minutes
    swing = wander.passing_var
    swing_v = wander.passing_min * (minutes - run + minutes - run - run * gone)
    return (
        (
            volume + minutes * base + half * drift + run * passing,
            base + minutes * drift,
            drift,
            left * passing,
        ),
        (
            vv1 + walk * THIRD * minutes * minutes + swing * max(swing_v, 0.0),
            vb1 + minutes * vd1 + walk * HALF * minutes,
            vd1,
            left * vu1 + swing * run * gone,
            bb + minutes * (bd + bd1) + walk,
            bd1,
            left * (bu + minutes * du),
            dd,
            left * du,
            left * left * uu + swing * gone * (1 + left),
        ),
    )


def correct_volume(mean: Four, cov: Ten, volume_l: float, var: float) -> tuple[Four, Ten]:
    """Return mean and covariance after a volume was measured with variance `var` (litres²)."""
    vv, vb, vd, vu, *_ = cov
    return _correct(mean, cov, (vv, vb, vd, vu), volume_l - mean[0], vv + var)


def correct_flow(mean: Four, cov: Ten, flow_lpm: float, var: float) -> tuple[Four, Ten]:
    """Return mean and covariance after a flow was measured with variance `var` ((L/min)²)."""
    _, vb, _, vu, bb, bd, bu, _, du, uu = cov
    _, base, _, passing = mean
    column = (vb + vu, bb + bu, bd + du, bu + uu)
    return _correct(mean, cov, column, flow_lpm - base - passing, bb + bu + bu + uu + var)


def _correct(mean: Four, cov: Ten, column: Four, gap: float, total: float) -> tuple[Four, Ten]:
    """Return mean and covariance after an innovation `gap` of variance `total`."""
    if total <= 0:
        return mean, cov
    volume, base, drift, passing = mean
    vv, vb, vd, vu, bb, bd, bu, dd, du, uu = cov
    cv, cb, cd, cu = column
    kv, kb, kd, ku = cv / total, cb / total, cd / total, cu / total
    return (
        (volume + kv * gap, base + kb * gap, drift + kd * gap, passing + ku * gap),
        (
            max(vv - kv * cv, 0.0),
            vb - kv * cb,
            vd - kv * cd,
            vu - kv * cu,
            max(bb - kb * cb, 0.0),
            bd - kb * cd,
            bu - kb * cu,
            max(dd - kd * cd, 0.0),
            du - kd * cu,
            max(uu - ku * cu, 0.0),
        ),
    )
