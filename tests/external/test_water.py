"""Water and mixing against IAPWS-95, the metrologists' density, and textbook mixing."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.mixing import (
    Water,
    hot_fraction,
    mix,
    mixed_temp_c,
    projected_temp_c,
    temp_after_c,
    time_to_temp_s,
)
from monitor.core.water import (
    TEMP_MAX_C,
    TEMP_MIN_C,
    density_kgm3,
    enthalpy_kjkg,
    specific_heat_kjkgk,
    temp_from_enthalpy_c,
)

pytestmark = pytest.mark.external

DENSITY_TOL = 0.0014  # The largest errors that the module states, in its own units.
SPECIFIC_HEAT_TOL = 0.00006
ENTHALPY_TOL = 0.0005
PRINTED_DENSITY = 0.00005  # Half of the last printed digit of the tables below.
PRINTED_HEAT = 0.000005
PRINTED_ENTHALPY = 0.00005

# IAPWS R6-95 at 101.325 kPa, computed with CoolProp 8.0.0 (equal to iapws 1.5.5 as printed):
# °C, kg/m³, kJ/(kg K), kJ/kg.
TABLE = [
    (4, 999.9749, 4.20750, 16.9137),
    (5, 999.9666, 4.20504, 21.1200),
    (10, 999.7025, 4.19516, 42.1189),
    (15, 999.1026, 4.18846, 63.0768),
    (20, 998.2072, 4.18405, 84.0073),
    (25, 997.0476, 4.18131, 104.9201),
    (30, 995.6495, 4.17982, 125.8225),
    (40, 992.2164, 4.17941, 167.6163),
    (50, 988.0350, 4.18134, 209.4185),
    (60, 983.1958, 4.18495, 251.2487),
]

temps = st.floats(TEMP_MIN_C, TEMP_MAX_C)
anything = st.floats(allow_nan=True, allow_infinity=True)


@pytest.mark.parametrize(("temp_c", "density", "heat", "enthalpy"), TABLE)
def test_properties_match_the_iapws_table(
    temp_c: float, density: float, heat: float, enthalpy: float
) -> None:
    """Every table value of IAPWS-95 is met within the error that the module states."""
    assert density_kgm3(temp_c) == pytest.approx(density, abs=DENSITY_TOL + PRINTED_DENSITY)
    assert specific_heat_kjkgk(temp_c) == pytest.approx(heat, abs=SPECIFIC_HEAT_TOL + PRINTED_HEAT)
    assert enthalpy_kjkg(temp_c) == pytest.approx(enthalpy, abs=ENTHALPY_TOL + PRINTED_ENTHALPY)


def test_properties_match_iapws_live_between_the_table_rows() -> None:
    """The stated errors hold at points that no fit and no table has used (iapws, IAPWS-95)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # The library's own syntax, not ours.
        from iapws import IAPWS95

    for step in range(50):
        temp_c = 0.137 + step * 1.9931
        state = IAPWS95(T=temp_c + 273.15, P=0.101325)
        assert density_kgm3(temp_c) == pytest.approx(state.rho, abs=DENSITY_TOL)
        assert specific_heat_kjkgk(temp_c) == pytest.approx(state.cp, abs=SPECIFIC_HEAT_TOL)
        assert enthalpy_kjkg(temp_c) == pytest.approx(state.h, abs=ENTHALPY_TOL)


def test_density_matches_the_metrologists() -> None:
    """Density agrees with Tanaka et al., Metrologia 38 (2001) 301, between 0 and 40 °C.

    The formula (from memory) is the CIPM's recommended one for air-free standard water; it and
    IAPWS-95 agree within 0.001 kg/m³, which is added to our own stated error.
    """
    a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
    for temp_c in range(0, 41, 2):
        tanaka = a5 * (1 - (temp_c + a1) ** 2 * (temp_c + a2) / (a3 * (temp_c + a4)))
        assert density_kgm3(temp_c) == pytest.approx(tanaka, abs=DENSITY_TOL + 0.001)


def test_water_is_densest_near_four_degrees() -> None:
    """The density has its one maximum at 3.98 °C (IAPWS-95) within 0.1 °C."""
    densest = max(range(1000), key=lambda tenth: density_kgm3(tenth / 100))
    assert densest / 100 == pytest.approx(3.98, abs=0.1)


def test_expansion_from_ten_to_twenty_five_degrees() -> None:
    """Water warmed from 10 to 25 °C grows by 0.266 % (IAPWS-95)."""
    growth = density_kgm3(10) / density_kgm3(25) - 1
    assert growth * 100 == pytest.approx(0.266, abs=0.0005)


def test_heat_for_nine_hundred_litres() -> None:
    """Warming 900 L from 12 to 25 °C takes 13.597 kWh (IAPWS-95)."""
    mass_kg = Water(900, 12).mass_kg
    heat_kwh = mass_kg * (enthalpy_kjkg(25) - enthalpy_kjkg(12)) / 3600
    assert heat_kwh == pytest.approx(13.597, abs=0.0005)


@given(temps)
def test_temperature_comes_back_from_enthalpy(temp_c: float) -> None:
    """Enthalpy and its inverse undo one another over the whole range."""
    assert temp_from_enthalpy_c(enthalpy_kjkg(temp_c)) == pytest.approx(temp_c, abs=1e-9)


@given(temps, temps)
def test_enthalpy_is_the_integral_of_the_specific_heat(a_c: float, b_c: float) -> None:
    """Gauss-Legendre quadrature of cp gives the enthalpy difference."""
    import numpy as np

    nodes, weights = np.polynomial.legendre.leggauss(5)
    half, middle = (b_c - a_c) / 2, (a_c + b_c) / 2
    area = sum(
        float(w) * specific_heat_kjkgk(middle + half * float(x))
        for x, w in zip(nodes, weights, strict=True)
    )
    assert half * area == pytest.approx(enthalpy_kjkg(b_c) - enthalpy_kjkg(a_c), abs=1e-9)


@pytest.mark.parametrize(
    ("parts", "expected_c"),
    [
        (((600, 25), (200, 10)), 21.2459),
        (((600, 25), (300, 5)), 18.3223),
        (((600, 25), (200, 45)), 29.9991),
        (((500, 26), (500, 18)), 21.9989),
        (((2, 60), (3, 10)), 29.9876),
    ],
)
def test_masses_mix_by_enthalpy(parts: tuple[tuple[float, float], ...], expected_c: float) -> None:
    """Five mixes of masses match the enthalpy balance done with IAPWS-95, to 0.0002 °C."""
    assert mixed_temp_c(*parts) == pytest.approx(expected_c, abs=0.0002)


def test_volumes_mix_by_enthalpy() -> None:
    """600 L at 25 °C and 200 L at 10 °C make 21.2384 °C (IAPWS-95); the order does not matter."""
    assert projected_temp_c(600, 25, 200, 10) == pytest.approx(21.2384, abs=0.0002)
    assert projected_temp_c(200, 10, 600, 25) == pytest.approx(21.2384, abs=0.0002)


@pytest.mark.parametrize(
    ("inflow_c", "limit_c", "minutes"),
    [(12, 24, 5.000), (12, 22, 18.000), (10, 23, 9.231), (55, 27, 4.286), (40, 27, 9.231)],
)
def test_time_to_a_limit(inflow_c: float, limit_c: float, minutes: float) -> None:
    """The closed form for V0 600 L, T0 25 °C, Q 10 L/min gives the times worked by hand."""
    time_s = time_to_temp_s(600, 25, inflow_c, 10, limit_c)
    assert time_s is not None
    assert time_s / 60 == pytest.approx(minutes, abs=0.0005)
    assert temp_after_c(600, 25, inflow_c, 10, time_s) == pytest.approx(limit_c, abs=1e-9)


def test_temperature_along_a_fill() -> None:
    """At 60 min, and in its first second, the fill moves as the closed form says."""
    assert temp_after_c(600, 25, 12, 10, 3600) == pytest.approx(18.5, abs=1e-9)
    for inflow_c, rate_c_per_min in ((10, -0.250), (55, 0.500)):
        moved_c = temp_after_c(600, 25, inflow_c, 10, 1e-3) - 25
        assert moved_c / 1e-3 * 60 == pytest.approx(rate_c_per_min, rel=1e-4)


def test_the_simple_closed_form_is_near_the_enthalpy_balance() -> None:
    """The simple rule stays within 0.04 °C of the exact one, as documented.

    The cases run up to an equal volume of water at 5 or 45 °C into a tank at 25 °C.
    """
    for inflow_c in (5, 10, 18, 24, 30, 45):
        for inflow_l in (50, 200, 600):
            simple_c = temp_after_c(600, 25, inflow_c, 10, inflow_l * 6)
            exact_c = projected_temp_c(600, 25, inflow_l, inflow_c)
            assert simple_c == pytest.approx(exact_c, abs=0.04), (inflow_c, inflow_l)


def test_hot_fraction_of_a_blend() -> None:
    """55 °C and 10 °C blend to 25 °C with 0.33368 hot water by enthalpy (IAPWS-95).

    The tolerance is half of the last printed digit and the stated error of two enthalpies carried
    through the quotient (188 kJ/kg lie between the taps).
    """
    assert hot_fraction(55, 10, 25) == pytest.approx(0.33368, abs=0.000005 + 2 * ENTHALPY_TOL / 188)
    assert hot_fraction(55, 10, 55) == 1
    assert hot_fraction(55, 10, 10) == 0


@pytest.mark.parametrize("blend_c", [5.0, 60.0, math.nan])
def test_no_fraction_makes_an_impossible_blend(blend_c: float) -> None:
    """A blend outside the two taps, or unknown, has no hot fraction."""
    assert hot_fraction(55, 10, blend_c) is None


def test_no_fraction_without_a_hotter_tap() -> None:
    """Taps of equal or swapped temperature have no hot fraction."""
    assert hot_fraction(20, 20, 20) is None
    assert hot_fraction(10, 55, 25) is None


@given(st.lists(st.tuples(st.floats(0.01, 2000), temps), min_size=1, max_size=5))
def test_mixing_keeps_mass_and_heat(parts: list[tuple[float, float]]) -> None:
    """Whatever is mixed, mass and enthalpy after are those before."""
    waters = [Water(volume_l, temp_c) for volume_l, temp_c in parts]
    blend = mix(*waters)
    assert blend.mass_kg == pytest.approx(sum(w.mass_kg for w in waters), rel=1e-9)
    heat = sum(w.mass_kg * enthalpy_kjkg(w.temp_c) for w in waters)
    assert blend.mass_kg * enthalpy_kjkg(blend.temp_c) == pytest.approx(heat, rel=1e-9, abs=1e-6)
    assert min(t for _, t in parts) - 1e-9 <= blend.temp_c <= max(t for _, t in parts) + 1e-9


@given(st.floats(1, 5000), temps, temps, st.floats(0.1, 100), temps)
def test_a_limit_is_reached_exactly_when_the_fill_moves_through_it(
    tank_l: float, tank_c: float, inflow_c: float, flow_lpm: float, limit_c: float
) -> None:
    """A time is given just when the limit lies between tank and inflow, and it is the right one."""
    time_s = time_to_temp_s(tank_l, tank_c, inflow_c, flow_lpm, limit_c)
    between = min(tank_c, inflow_c) < limit_c < max(tank_c, inflow_c) or limit_c == tank_c
    if time_s is None:
        # So near to the inflow's own temperature, the time is longer than a float can hold.
        assert not between or abs(limit_c - inflow_c) < 1e-290
        return
    assert between
    assert time_s >= 0
    reached_c = temp_after_c(tank_l, tank_c, inflow_c, flow_lpm, time_s)
    assert reached_c == pytest.approx(limit_c, abs=1e-6)


@given(anything, anything, anything, anything, anything)
def test_no_input_raises_and_nonsense_is_never_a_number(
    a: float, b: float, c: float, d: float, e: float
) -> None:
    """Any float at all gives a temperature in range or NaN, a finite time or None."""
    for value in (
        temp_from_enthalpy_c(a),
        mixed_temp_c((a, b), (c, d)),
        projected_temp_c(a, b, c, d),
        mix(Water(a, b), Water(c, d), Water(e, a)).temp_c,
    ):
        assert math.isnan(value) or TEMP_MIN_C <= value <= TEMP_MAX_C
    assert math.isnan(density_kgm3(a)) != math.isfinite(a)
    assert math.isnan(specific_heat_kjkgk(a)) != math.isfinite(a)
    assert not math.isinf(temp_after_c(a, b, c, d, e))
    time_s = time_to_temp_s(a, b, c, d, e)
    assert time_s is None or (math.isfinite(time_s) and time_s >= 0)
    fraction = hot_fraction(a, b, c)
    assert fraction is None or 0 <= fraction <= 1


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_an_unknown_temperature_stays_unknown(bad: float) -> None:
    """NaN or infinity anywhere in a mix makes the result NaN, so no limit check can pass on it."""
    assert math.isnan(projected_temp_c(600, bad, 200, 10))
    assert math.isnan(projected_temp_c(600, 25, 200, bad))
    assert math.isnan(projected_temp_c(bad, 25, 200, 10))
    assert math.isnan(temp_after_c(600, bad, 12, 10, 60))
    assert math.isnan(temp_after_c(600, 25, 12, bad, 60))
    assert time_to_temp_s(600, 25, bad, 10, 20) is None


def test_nothing_to_mix_has_no_temperature() -> None:
    """No parts, empty parts and negative volumes give NaN, and an empty part is ignored."""
    assert math.isnan(mix().temp_c)
    assert math.isnan(mix(Water(0, 20)).temp_c)
    assert math.isnan(mix(Water(-1, 20), Water(5, 20)).volume_l)
    assert mixed_temp_c((0, math.nan), (5, 20)) == pytest.approx(20)


@pytest.mark.parametrize(("outside_c", "held_c"), [(-40.0, TEMP_MIN_C), (500.0, TEMP_MAX_C)])
def test_temperatures_outside_the_range_are_held(outside_c: float, held_c: float) -> None:
    """Ice and steam are taken at the nearer end of the range instead of an extrapolated value."""
    assert density_kgm3(outside_c) == density_kgm3(held_c)
    assert temp_from_enthalpy_c(enthalpy_kjkg(outside_c)) == pytest.approx(held_c, abs=1e-9)
