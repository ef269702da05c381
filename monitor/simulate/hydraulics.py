"""Head losses in pipes and the flow over a weir, for simulated water."""

from __future__ import annotations

import math

from monitor.core.units import L_PER_M3, S_PER_MIN

HAZEN_WILLIAMS = 10.667  # SI form, metres and m³/s; sources differ by 0.1 %.
HAZEN_WILLIAMS_POWER = 1.852
GRAVITY_MS2 = 9.80665
LPM_PER_M3S = L_PER_M3 * S_PER_MIN
WEIR_FRANCIS = 1.84  # Francis' sharp-crested weir, SI: Q = 1.84 b h^1.5 (from memory).
WEIR_POWER = 1.5

NEWTON_STEPS = 30  # Two or three are used; the rest is a bound.
NEWTON_TOLERANCE = 1e-10
NEWTON_FROM_LPM = 0.1  # A guess nearer to zero would throw the second point out of all bounds.


def hazen_williams_r(length_m: float, bore_m: float, c: float) -> float:
    """Return r in h = r Q^1.852 with h in metres of water and Q in L/min."""
    per_m3s = HAZEN_WILLIAMS * c**-HAZEN_WILLIAMS_POWER * bore_m**-4.871 * length_m
    return float(per_m3s / LPM_PER_M3S**HAZEN_WILLIAMS_POWER)


def minor_loss_r(k: float, bore_m: float) -> float:
    """Return r in h = r Q^2 for a loss of k velocity heads, h in metres and Q in L/min."""
    per_m3s = 8.0 * k / (math.pi**2 * GRAVITY_MS2 * bore_m**4)
    return per_m3s / LPM_PER_M3S**2


def balanced_flow_lpm(head_m: float, power_r: float, square_r: float, guess_lpm: float) -> float:
    """Return Q >= 0 in L/min with power_r Q^1.852 + square_r Q^2 = head_m (metres, positive).

    Newton's method. The left side is convex and rising, so from any positive guess the second
    point lies right of the root and the rest walk down to it.
    """
    flow = max(guess_lpm, NEWTON_FROM_LPM)
    for _ in range(NEWTON_STEPS):
        part = power_r * flow**HAZEN_WILLIAMS_POWER
        square = square_r * flow * flow
        change = (part + square - head_m) * flow / (HAZEN_WILLIAMS_POWER * part + 2.0 * square)
        # Halving keeps the point positive should rounding ever push it across zero.
        flow = flow - change if change < flow else flow / 2.0
        if abs(change) <= NEWTON_TOLERANCE * flow:
            break
    return flow


def weir_flow_lpm(width_m: float, crest_m: float) -> float:
    """Return the flow in L/min over a weir of this width with water this high above it."""
    return float(WEIR_FRANCIS * width_m * max(crest_m, 0.0) ** WEIR_POWER * LPM_PER_M3S)
