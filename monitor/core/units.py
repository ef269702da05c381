"""Unit conversions, done at the edges only.

Inside brimwatch there is one unit per quantity: litres, L/min, °C, metres and seconds.
"""

from __future__ import annotations

S_PER_MIN = 60.0
S_PER_DAY = 86_400.0
L_PER_M3 = 1000.0


def m3s_from_lpm(flow_lpm: float) -> float:
    """Return a flow in m³/s (the SenML unit, RFC 8428) from one in L/min."""
    return flow_lpm / (S_PER_MIN * L_PER_M3)


def lpm_from_m3s(flow_m3s: float) -> float:
    """Return a flow in L/min from one in m³/s (the SenML unit, RFC 8428)."""
    return flow_m3s * S_PER_MIN * L_PER_M3
