"""What happens to temperature when waters meet: a tank being filled, a hot and a cold tap.

Mixing here keeps mass and enthalpy, not litres and degrees: 600 L at 25 °C and 200 L at 10 °C make
21.238 °C, where the simple rule says 21.250 °C. The closed forms in time (`temp_after_c`,
`time_to_temp_s`) use the simple rule, because it can be solved for the time; it is within 0.04 °C
of the exact one for anything between 5 and 45 °C poured into up to its own volume at 25 °C.

Nothing here raises. An input that makes no sense (NaN, a negative volume, nothing to mix) gives NaN
for a temperature and None for a time or a fraction, and both read as "not known".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.core.units import L_PER_M3, S_PER_MIN
from monitor.core.water import density_kgm3, enthalpy_kjkg, temp_from_enthalpy_c


@dataclass(frozen=True, slots=True)
class Water:
    """A body of water: its volume in litres at its own temperature in °C."""

    volume_l: float
    temp_c: float

    @property
    def mass_kg(self) -> float:
        """The mass in kg, NaN when the volume is negative or anything is not finite."""
        if not (math.isfinite(self.volume_l) and self.volume_l >= 0):
            return math.nan
        return self.volume_l * density_kgm3(self.temp_c) / L_PER_M3


def mix(*parts: Water) -> Water:
    """Return the one body of water that the parts become when no heat is lost.

    The volume follows from the mass, so it differs from the sum of the parts by the thermal
    expansion (0.27 % between 10 and 25 °C).
    """
    mass_kg = sum(part.mass_kg for part in parts)
    temp_c = mixed_temp_c(*((part.mass_kg, part.temp_c) for part in parts))
    if math.isnan(temp_c):
        return Water(math.nan, math.nan)
    return Water(mass_kg * L_PER_M3 / density_kgm3(temp_c), temp_c)


def mixed_temp_c(*parts: tuple[float, float]) -> float:
    """Return the temperature of a mix of (mass in kg, temperature in °C) pairs, by enthalpy."""
    if not all(math.isfinite(mass_kg) and mass_kg >= 0 for mass_kg, _ in parts):
        return math.nan
    # A part of no mass is not there, so its temperature need not be known.
    present = [(mass_kg, temp_c) for mass_kg, temp_c in parts if mass_kg > 0]
    total_kg = sum(mass_kg for mass_kg, _ in present)
    if not (present and math.isfinite(total_kg)):
        return math.nan
    # Weights of at most one, so that no product can overflow whatever the masses are.
    weighted = (mass_kg / total_kg * enthalpy_kjkg(temp_c) for mass_kg, temp_c in present)
    return temp_from_enthalpy_c(sum(weighted))


def projected_temp_c(tank_l: float, tank_c: float, inflow_l: float, inflow_c: float) -> float:
    """Return the tank's temperature in °C once `inflow_l` more litres at `inflow_c` are in."""
    return mix(Water(tank_l, tank_c), Water(inflow_l, inflow_c)).temp_c


def temp_after_c(
    tank_l: float, tank_c: float, inflow_c: float, flow_lpm: float, after_s: float
) -> float:
    """Return the tank's temperature in °C after filling for `after_s` seconds.

    T(t) = T_in + (T_0 - T_in) V_0 / (V_0 + Q t): a well stirred tank, nothing running out.
    """
    total_l = tank_l + flow_lpm * after_s / S_PER_MIN
    sensible = tank_l >= 0 and flow_lpm >= 0 and after_s >= 0 and 0 < total_l < math.inf
    if not (sensible and math.isfinite(tank_c) and math.isfinite(inflow_c)):
        return math.nan
    temp_c = inflow_c + (tank_c - inflow_c) * (tank_l / total_l)
    return temp_c if math.isfinite(temp_c) else math.nan


def time_to_temp_s(
    tank_l: float, tank_c: float, inflow_c: float, flow_lpm: float, limit_c: float
) -> float | None:
    """Return the seconds of filling until the tank reaches `limit_c`, None if it never does.

    t = (V_0 / Q) ((T_0 - T_in) / (T_lim - T_in) - 1). A limit that already lies behind the tank
    (the inflow moves it away) is never reached.
    """
    values = (tank_l, tank_c, inflow_c, flow_lpm, limit_c)
    if not (all(map(math.isfinite, values)) and tank_l > 0 and flow_lpm > 0):
        return None
    if limit_c == tank_c:
        return 0.0
    ahead = tank_c < limit_c < inflow_c or inflow_c < limit_c < tank_c
    if not ahead:
        return None
    ratio = (tank_c - inflow_c) / (limit_c - inflow_c)
    time_s = tank_l / flow_lpm * S_PER_MIN * (ratio - 1)
    return time_s if math.isfinite(time_s) else None


def hot_fraction(hot_c: float, cold_c: float, blend_c: float) -> float | None:
    """Return the part (0..1, by mass) of hot water in a blend, None when no blend can be that."""
    hot, cold, blend = enthalpy_kjkg(hot_c), enthalpy_kjkg(cold_c), enthalpy_kjkg(blend_c)
    span = hot - cold
    if not span > 0:
        return None
    fraction = (blend - cold) / span
    return fraction if 0 <= fraction <= 1 else None
