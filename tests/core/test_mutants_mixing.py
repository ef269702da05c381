"""What small changes of the mixing showed to be unsaid: amounts below nought, none, and endless."""

from __future__ import annotations

from math import inf, isnan, nan

import pytest

from monitor.core.mixing import (
    Water,
    hot_fraction,
    mix,
    mixed_temp_c,
    temp_after_c,
    time_to_temp_s,
)

HUGE_KG = 1.7e308  # twice this is more than a float can hold


@pytest.mark.parametrize("volume_l", [-5.0, -inf, inf, nan])
def test_an_amount_that_cannot_be_has_no_mass(volume_l: float) -> None:
    """Claim: less than nothing, endless and unknown are not weighed."""
    assert isnan(Water(volume_l, 20.0).mass_kg)


def test_no_water_weighs_nothing_and_changes_nothing() -> None:
    """Claim: an empty part is there, weighs nought, and leaves the other as it is."""
    assert Water(0.0, 20.0).mass_kg == 0.0
    assert mix(Water(0.0, 80.0), Water(100.0, 20.0)).temp_c == pytest.approx(20.0)


@pytest.mark.parametrize("mass_kg", [-1.0, inf, -inf, nan])
def test_a_mass_that_cannot_be_spoils_the_mix(mass_kg: float) -> None:
    """Claim: such a part is not left out in silence: the temperature is not known."""
    assert isnan(mixed_temp_c((mass_kg, 20.0), (2.0, 20.0)))


def test_masses_too_great_to_add_have_no_mix() -> None:
    """Claim: a sum that overflows is not a weight to divide by."""
    assert isnan(mixed_temp_c((HUGE_KG, 20.0), (HUGE_KG, 20.0)))
    assert mixed_temp_c((HUGE_KG, 20.0)) == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("tank_l", "flow_lpm", "after_s"), [(-5.0, 10.0, 60.0), (10.0, -1.0, 60.0), (20.0, 10.0, -60.0)]
)
def test_a_tank_is_not_filled_backwards(tank_l: float, flow_lpm: float, after_s: float) -> None:
    """Claim: each amount below nought is nonsense even when the sum of all is not."""
    assert tank_l + flow_lpm * after_s / 60.0 > 0.0
    assert isnan(temp_after_c(tank_l, 25.0, 10.0, flow_lpm, after_s))


def test_an_empty_tank_and_a_closed_tap_are_no_nonsense() -> None:
    """Claim: an empty tank takes the inflow's temperature, and without flow it keeps its own."""
    assert temp_after_c(0.0, 25.0, 10.0, 5.0, 60.0) == pytest.approx(10.0)
    assert temp_after_c(100.0, 25.0, 10.0, 0.0, 60.0) == 25.0
    assert temp_after_c(0.5, 25.0, 10.0, 0.5, 60.0) == pytest.approx(17.5)


def test_time_to_a_temperature_needs_some_water_and_some_flow() -> None:
    """Claim: none of either, endless flow and an endless temperature have no time; half a litre
    at half a litre a minute has one.
    """
    assert time_to_temp_s(0.0, 25.0, 10.0, 5.0, 20.0) is None
    assert time_to_temp_s(100.0, 25.0, 10.0, 0.0, 20.0) is None
    assert time_to_temp_s(100.0, 25.0, 10.0, inf, 20.0) is None
    assert time_to_temp_s(100.0, inf, 10.0, 5.0, inf) is None
    assert time_to_temp_s(0.5, 25.0, 10.0, 0.5, 17.5) == pytest.approx(60.0)


def test_two_taps_nearly_alike_still_blend() -> None:
    """Claim: a tenth of a degree between hot and cold is enough to say which part is hot."""
    assert hot_fraction(20.1, 20.0, 20.05) == pytest.approx(0.5, abs=1e-3)
    assert hot_fraction(20.0, 20.0, 20.0) is None
