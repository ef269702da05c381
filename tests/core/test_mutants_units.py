"""The conversions at the edges, against the definitions of the units (SI Brochure, 9th edition)."""

from __future__ import annotations

import pytest

from monitor.core import units


def test_a_minute_a_day_and_a_cubic_metre_are_what_they_are() -> None:
    """Claim: 60 s a minute, 86,400 s a day and 1000 L a cubic metre (SI Brochure, table 8)."""
    assert (units.S_PER_MIN, units.S_PER_DAY) == (60.0, 86_400.0)
    assert units.L_PER_M3 == 1000.0


def test_a_flow_is_converted_both_ways() -> None:
    """Claim: 60 L/min are a litre a second, a thousandth of a cubic metre (RFC 8428's m3/s)."""
    assert units.m3s_from_lpm(60.0) == pytest.approx(0.001, rel=1e-12)
    assert units.lpm_from_m3s(0.001) == pytest.approx(60.0, rel=1e-12)
    assert units.lpm_from_m3s(units.m3s_from_lpm(7.5)) == pytest.approx(7.5, rel=1e-12)
