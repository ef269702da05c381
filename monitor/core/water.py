"""Liquid water between 0 and 100 °C at 101.325 kPa: density, specific heat and enthalpy.

The polynomials are near-minimax fits to IAPWS-95 (IAPWS R6-95, Scientific Formulation 1995) at 334
points from 0.0 to 99.9 °C. Their largest errors over that range are:

* density 0.0014 kg/m³ (1.4 parts per million);
* specific heat 0.00006 kJ/(kg K);
* enthalpy 0.0005 kJ/kg, which is 0.0001 °C.

A temperature outside 0..100 °C is taken at the nearer end of the range; NaN and infinity give NaN,
so an unknown temperature can never turn into a number.
"""

from __future__ import annotations

import math

TEMP_MIN_C = 0.0  # Water is ice below this.
TEMP_MAX_C = 100.0  # Water is steam above this at 101.325 kPa.

# Coefficients in x = temp_c / 100, the lowest power first.
_SCALE_C = 100.0
_DENSITY = (999.8443, 6.626616, -88.11006, 83.99825, -76.40266, 43.18599, -10.79484)
_SPECIFIC_HEAT = (4.219388, -0.3386257, 1.155139, -2.172394, 2.496304, -1.545355, 0.4012782)
_ENTHALPY_AT_0_C = 0.0609911
# Enthalpy is the integral of the specific heat, so the two can never disagree.
_ENTHALPY = (
    _ENTHALPY_AT_0_C,
    *(_SCALE_C * c / power for power, c in enumerate(_SPECIFIC_HEAT, start=1)),
)

# Newton's method on a nearly straight line: the second step is already exact to rounding.
_NEWTON_STEPS = 3


def density_kgm3(temp_c: float) -> float:
    """Return the density of water in kg/m³, which is also kg per 1000 litres."""
    return _polynomial(_DENSITY, _scaled(temp_c))


def specific_heat_kjkgk(temp_c: float) -> float:
    """Return the isobaric specific heat of water in kJ/(kg K)."""
    return _polynomial(_SPECIFIC_HEAT, _scaled(temp_c))


def enthalpy_kjkg(temp_c: float) -> float:
    """Return the specific enthalpy of water in kJ/kg (IAPWS reference state)."""
    return _polynomial(_ENTHALPY, _scaled(temp_c))


def temp_from_enthalpy_c(enthalpy: float) -> float:
    """Return the temperature in °C of water with this enthalpy in kJ/kg, held to 0..100 °C."""
    if not math.isfinite(enthalpy):
        return math.nan
    temp_c = _held((enthalpy - _ENTHALPY_AT_0_C) / _SPECIFIC_HEAT[0])
    for _ in range(_NEWTON_STEPS):
        excess = enthalpy_kjkg(temp_c) - enthalpy
        temp_c = _held(temp_c - excess / specific_heat_kjkgk(temp_c))
    return temp_c


def _held(temp_c: float) -> float:
    return min(max(temp_c, TEMP_MIN_C), TEMP_MAX_C)


def _scaled(temp_c: float) -> float:
    return _held(temp_c) / _SCALE_C if math.isfinite(temp_c) else math.nan


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value
