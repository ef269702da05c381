"""What small changes of the water tables showed to be unsaid: their two ends and the way back."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, isnan, nan

import pytest

from monitor.core import water


@pytest.mark.parametrize(
    "of", [water.density_kgm3, water.specific_heat_kjkgk, water.enthalpy_kjkg]
)  # fmt: skip
def test_the_tables_end_at_nought_and_a_hundred_degrees(of: Callable[[float], float]) -> None:
    """Claim: outside 0 to 100 °C the nearer end counts, and inside every degree does."""
    assert of(-5.0) == of(-0.005) == of(0.0)
    assert of(0.005) != of(0.0)
    assert of(105.0) == of(100.5) == of(100.0)
    assert of(99.5) != of(100.0)


def test_the_way_back_is_exact_to_rounding() -> None:
    """Claim: from a temperature to its enthalpy and back, nothing is lost but rounding: less than
    a ten-millionth of a millionth of a degree.
    """
    for centi in range(0, 10_001, 7):
        temp_c = centi / 100
        assert abs(water.temp_from_enthalpy_c(water.enthalpy_kjkg(temp_c)) - temp_c) < 1e-13


@pytest.mark.parametrize("enthalpy", [nan, inf, -inf])
def test_an_enthalpy_that_is_no_number_has_no_temperature(enthalpy: float) -> None:
    """Claim: the unknown never turns into one end of the scale."""
    assert isnan(water.temp_from_enthalpy_c(enthalpy))
