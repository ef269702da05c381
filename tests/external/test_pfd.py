"""Probability of failure on demand against published values and worked examples.

Sources, named again beside each check:

* exida's FMEDA report printed in a maker's manual: three proof-test intervals for one rate;
* IEC 61508-6:2010 Annex B, its tables and its worked example, from memory;
* the exact averages, integrated here with scipy;
* the bands of IEC 61508-1:2010 tables 2 and 3, as printed in two makers' safety manuals.

A value is compared in the digits that were printed, no more and no fewer.
"""

from __future__ import annotations

from math import expm1

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from monitor.core.dangers import pfd_1oo1, pfd_1oo2, pfd_chain, sil_band, sil_band_per_h

pytestmark = pytest.mark.external

FIT_PER_H = 1e-9  # failures in 1e9 hours
WEEK_H, HALF_YEAR_H, YEAR_H = 168.0, 4380.0, 8760.0
REPAIR_H = 8.0  # the MTTR that the tables of IEC 61508-6 Annex B assume
# The worked example's pressure sensors (2oo3) and logic (1oo2D) with a yearly and a half-yearly
# test, which are architectures that we have no equation for. From memory.
SENSORS, LOGIC = {YEAR_H: 2.3e-4, HALF_YEAR_H: 1.1e-4}, {YEAR_H: 4.8e-6, HALF_YEAR_H: 2.6e-6}


def valve(rate_per_h: float, interval_h: float = YEAR_H) -> float:
    """Return what a valve of the worked example gives: a single one with 60 % coverage."""
    return pfd_1oo1(rate_per_h, interval_h, repair_h=REPAIR_H, coverage=0.6)


def two_valves(interval_h: float = YEAR_H) -> float:
    """Return what the example's second valve gives once it is doubled."""
    return pfd_1oo2(5e-6, interval_h, beta=0.1, beta_detected=0.05, repair_h=REPAIR_H, coverage=0.6)


def exact_pfd(rate_per_h: float, interval_h: float, parts: int = 1) -> float:
    """Return the exact average over the interval of so many independent parts all having failed."""
    area, _ = quad(lambda at: (-expm1(-rate_per_h * interval_h * at)) ** parts, 0.0, 1.0)
    return float(area)


@pytest.mark.parametrize(
    ("years", "published"), [(1, "1.92E-04"), (5, "9.60E-04"), (10, "1.92E-03")]
)
def test_a_published_failure_analysis(years: int, published: str) -> None:
    """A printed rate of 44 FIT, which is any from 43.5 to 44.5, gives the three printed PFDs.

    Source: exida's FMEDA report in the manual of an isolating transducer (Turck IM33-11-Hi/24VDC,
    p. 30).
    """
    lowest, highest = (pfd_1oo1(fit * FIT_PER_H, years * YEAR_H) for fit in (43.5, 44.5))
    assert lowest <= float(published) <= highest


@pytest.mark.parametrize(
    ("rate_per_h", "table"),
    [(0.5e-7, "2.2E-04"), (2.5e-7, "1.1E-03"), (0.5e-6, "2.2E-03"), (2.5e-6, "1.1E-02")],
)
def test_single_parts_of_the_standards_table(rate_per_h: float, table: str) -> None:
    """Tested once a year, repaired in 8 h, no coverage. IEC 61508-6 Annex B, from memory."""
    assert f"{pfd_1oo1(rate_per_h, YEAR_H, repair_h=REPAIR_H):.1E}" == table


def test_valves_of_the_standards_worked_example() -> None:
    """Two single valves, one of them also half-yearly, and doubled. IEC 61508-6, from memory."""
    assert f"{valve(2.5e-6):.1E}" == "4.4E-03"
    assert f"{valve(5e-6):.1E}" == "8.8E-03"
    assert f"{valve(5e-6, HALF_YEAR_H):.1E}" == "4.4E-03"
    assert f"{two_valves():.1E}" == "9.7E-04"
    # The full equation worked once by hand for the last two.
    assert f"{valve(2.5e-6):.2e}" == "4.40e-03"
    assert f"{two_valves():.3e}" == "9.683e-04"


@pytest.mark.parametrize(
    ("interval_h", "doubled", "total", "level"),
    [
        (YEAR_H, False, "1.3E-02", 1),
        (HALF_YEAR_H, False, "6.7E-03", 2),
        (YEAR_H, True, "5.6E-03", 2),
    ],
)
def test_totals_of_the_standards_worked_example(
    interval_h: float, doubled: bool, total: str, level: int
) -> None:
    """Sensors, logic and both valves add up to level 1; testing twice as often, or doubling the
    worse valve, makes it level 2. IEC 61508-6, from memory.
    """
    second = two_valves(interval_h) if doubled else valve(5e-6, interval_h)
    parts = (SENSORS[interval_h], LOGIC[interval_h], valve(2.5e-6, interval_h), second)
    assert f"{pfd_chain(parts):.1E}" == total
    assert sil_band(pfd_chain(parts)) == level


@pytest.mark.parametrize(
    ("rate_per_h", "interval_h", "worked", "exact"),
    [
        (1e-5, WEEK_H, "8.400e-04", "8.395e-04"),
        (1e-5, YEAR_H, "4.3800e-02", "4.2549e-02"),
        (1e-6, YEAR_H, "4.3800e-03", "4.3672e-03"),
    ],
)
def test_one_float_as_worked_and_exactly(
    rate_per_h: float, interval_h: float, worked: str, exact: str
) -> None:
    """The equation gives rate x interval / 2, and the exact average is a little below it."""
    digits = len(worked.partition(".")[2].partition("e")[0])
    assert f"{pfd_1oo1(rate_per_h, interval_h):.{digits}e}" == worked
    assert f"{exact_pfd(rate_per_h, interval_h):.{digits}e}" == exact


@pytest.mark.parametrize(
    ("rate_per_h", "interval_h", "beta", "worked"),
    [
        (1e-5, WEEK_H, 0.1, "8.476e-05"),
        (1e-5, YEAR_H, 0.1, "6.452e-03"),
        (1e-6, YEAR_H, 0.0, "2.558e-05"),
        (1e-6, YEAR_H, 0.1, "4.587e-04"),
    ],
)
def test_two_floats_as_worked(
    rate_per_h: float, interval_h: float, beta: float, worked: str
) -> None:
    """((1 - beta) x rate x interval)^2 / 3 + beta x rate x interval / 2, worked by hand."""
    assert f"{pfd_1oo2(rate_per_h, interval_h, beta=beta):.3e}" == worked


def test_two_independent_floats_exactly() -> None:
    """The exact average of two independent parts is as worked, and below the equation's."""
    assert f"{exact_pfd(1e-6, YEAR_H, parts=2):.3e}" == "2.541e-05"


@given(st.floats(1e-9, 1e-3), st.floats(1.0, 1e5))
def test_the_equations_err_to_the_safe_side_and_by_little(
    rate_per_h: float, interval_h: float
) -> None:
    """Never below the exact average, and above it by no more than the first term left out of its
    series: (rate x interval)^2 / 6 for one part, (rate x interval)^3 / 4 for two.
    """
    x, rounding = rate_per_h * interval_h, 1e-12
    one, two = pfd_1oo1(rate_per_h, interval_h), pfd_1oo2(rate_per_h, interval_h, beta=0.0)
    assert -rounding <= one - exact_pfd(rate_per_h, interval_h) <= x * x / 6 + rounding
    assert -rounding <= two - exact_pfd(rate_per_h, interval_h, parts=2) <= x**3 / 4 + rounding


@pytest.mark.parametrize(
    ("level", "low", "high"), [(1, 1e-2, 1e-1), (2, 1e-3, 1e-2), (3, 1e-4, 1e-3), (4, 1e-5, 1e-4)]
)
def test_bands_of_low_demand(level: int, low: float, high: float) -> None:
    """From the lower end to less than the upper one.

    Source: IEC 61508-1 table 2, as printed in a temperature limiter's manual (JUMO dTRANS T06,
    p. 41).
    """
    assert sil_band(low) == sil_band((low * high) ** 0.5) == sil_band(high * 0.999) == level
    assert sil_band(high) == level - 1


@pytest.mark.parametrize(
    ("level", "low", "high"), [(1, 1e-6, 1e-5), (2, 1e-7, 1e-6), (3, 1e-8, 1e-7), (4, 1e-9, 1e-8)]
)
def test_bands_of_high_demand(level: int, low: float, high: float) -> None:
    """From the lower end to less than the upper one, in dangerous failures per hour.

    Source: IEC 61508-1 table 3, levels 1 and 4 as printed in a safety controller's manual
    (Schmersal PROTECT-PSC, p. 19), those between them from memory.
    """
    assert sil_band_per_h(low) == sil_band_per_h((low * high) ** 0.5) == level
    assert sil_band_per_h(high) == level - 1
