"""Mixing where it makes no sense. The physics is checked in tests/external/test_water.py."""

from __future__ import annotations

from math import inf, isnan, nan

import pytest

from monitor.core.mixing import Water, mix, projected_temp_c, temp_after_c, time_to_temp_s


@pytest.mark.parametrize("litres", [-1.0, nan, inf])
def test_a_volume_that_cannot_be_mixes_to_nothing_known(litres: float) -> None:
    """Claim: no number, no temperature, no error."""
    assert isnan(projected_temp_c(litres, 25.0, 100.0, 10.0))
    assert isnan(mix(Water(litres, 25.0)).volume_l)
    assert isnan(mix().temp_c)


@pytest.mark.parametrize(
    ("tank_l", "tank_c", "flow_lpm", "after_s"),
    [(-1.0, 25.0, 10.0, 1.0), (100.0, nan, 10.0, 1.0), (100.0, 25.0, -1.0, 1.0),
     (0.0, 25.0, 0.0, 1.0), (100.0, 25.0, 10.0, inf)],
)  # fmt: skip
def test_a_fill_that_cannot_be_has_no_temperature(
    tank_l: float, tank_c: float, flow_lpm: float, after_s: float
) -> None:
    """Claim: NaN reads as not known."""
    assert isnan(temp_after_c(tank_l, tank_c, 10.0, flow_lpm, after_s))


def test_when_a_limit_is_reached() -> None:
    """Claim: 600 L at 25 degrees with 10 L/min at 10 degrees are at 22 degrees after 15 min (600 L
    times 3 K over 12 K are 150 L); at once where it is already; never away from it.
    """
    assert time_to_temp_s(600.0, 25.0, 10.0, 10.0, 22.0) == pytest.approx(900.0)
    assert temp_after_c(600.0, 25.0, 10.0, 10.0, 900.0) == pytest.approx(22.0)
    assert time_to_temp_s(600.0, 25.0, 10.0, 10.0, 25.0) == 0.0
    assert time_to_temp_s(600.0, 25.0, 10.0, 10.0, 26.0) is None
    assert time_to_temp_s(600.0, 25.0, 10.0, 0.0, 22.0) is None
