"""What small changes of the failure arithmetic showed to be unsaid: the upper ends of the bands."""

from __future__ import annotations

import pytest

from monitor.core.dangers import sil_band_per_h


@pytest.mark.parametrize(("level", "high"), [(1, 1e-5), (2, 1e-6), (3, 1e-7), (4, 1e-8)])
def test_a_band_of_high_demand_reaches_to_its_upper_end(level: int, high: float) -> None:
    """Claim: all that is less than the end is in the band; IEC 61508-1 table 3, as in
    tests/external/test_pfd.py.
    """
    assert sil_band_per_h(high * 0.999) == level
