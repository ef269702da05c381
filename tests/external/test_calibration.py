"""Our calibrations against the GUM, Student's t, the meter classes of OIML R 49, and the ice point.

Sources: JCGM 100:2008 (the GUM), with its examples quoted from memory where marked so; OIML R
49-1:2013 and ISO 4064-1:2014 for the maximum permissible errors of water meters; IAPWS R14 for the
melting of ice; the ITS-90.
"""

from __future__ import annotations

import math
import random
from statistics import fmean, stdev

import pytest
from iapws._iapws import _Melting_Pressure
from scipy import stats

from monitor.core import calibration as c

pytestmark = pytest.mark.external

# GUM table 1: twenty temperatures, in °C (from memory; their mean and deviation below prove them).
GUM_TABLE_1 = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip

# OIML R 49-1:2013 and ISO 4064-1:2014: maximum permissible errors in per cent for water of up to
# 30 °C, and above; between Q2 and Q4, and between Q1 and Q2.
MPE_PERCENT = {
    ("class 1", "Q2 to Q4, cold"): 1.0,
    ("class 1", "Q2 to Q4, warm"): 2.0,
    ("class 1", "Q1 to Q2"): 3.0,
    ("class 2", "Q2 to Q4, cold"): 2.0,
    ("class 2", "Q2 to Q4, warm"): 3.0,
    ("class 2", "Q1 to Q2"): 5.0,
}

T_95 = [math.inf, *(float(stats.t.ppf(0.975, dof)) for dof in range(1, 201))]


def test_type_a_is_that_of_the_gums_own_example() -> None:
    """GUM 4.4.3: mean 100.145 °C, s = 1.489 °C, standard uncertainty of the mean 0.333 °C."""
    told = c.mean_of(GUM_TABLE_1)
    assert told.value == pytest.approx(100.145, abs=5e-4)
    assert told.standard == pytest.approx(0.333, abs=5e-4)
    assert told.standard * math.sqrt(20) == pytest.approx(1.489, abs=1e-3)
    assert told.dof == 19


def test_type_b_is_that_of_the_gums_own_example() -> None:
    """GUM 4.4.5 and 4.4.6: a half width of 4 °C is 2.3 °C if even, 1.6 °C if triangular."""
    assert round(4.0 / c.RECTANGULAR, 1) == 2.3
    assert round(4.0 / c.TRIANGULAR, 1) == 1.6


def test_combination_is_that_of_the_gums_end_gauge() -> None:
    """GUM H.1 (from memory): 25, 9.7, 2.9 and 16.6 nm combine to 32 nm, whatever their degrees of
    freedom (18, 25.6, 50 and 2).
    """
    standard, _ = c.expanded([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)])
    assert round(standard) == 32


@pytest.mark.parametrize("ratio", [0.1, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("count", [3, 6])
def test_the_interval_covers_what_it_says_where_the_gums_own_does_not(
    count: int, ratio: float
) -> None:
    """Scatter, and a scale that is off the same way in all readings, in several proportions: the
    interval covers in 95 % or more of 4000 trials. The GUM's own, with one factor for the effective
    degrees of freedom (G.2b), covers clearly less at one of them; there ours is the wider.
    """
    rng = random.Random(f"cover {count} {ratio}")
    off = ratio / math.sqrt(count)
    ours, theirs = 0, 0
    for _ in range(4000):
        shift = rng.uniform(-off * c.RECTANGULAR, off * c.RECTANGULAR)
        mean = c.mean_of([rng.gauss(shift, 1.0) for _ in range(count)])
        standard, wide = c.expanded([(mean.standard, mean.dof), (off, math.inf)])
        dof = math.floor(standard**4 / (mean.standard**4 / mean.dof))
        ours += abs(mean.value) <= wide
        theirs += abs(mean.value) <= standard * T_95[min(dof, 200)]
    slack = 3 * math.sqrt(0.95 * 0.05 / 4000)
    assert ours / 4000 >= 0.95 - slack
    if (count, ratio) == (3, 0.3):
        assert theirs / 4000 < 0.95 - slack < ours / 4000


def test_students_factors() -> None:
    """All thirty are those of scipy's t distribution, to the last digit given."""
    for dof, factor in enumerate(c.STUDENT_95, start=1):
        assert factor == pytest.approx(stats.t.ppf(0.975, dof), abs=5.1e-4)
        assert c.coverage(float(dof)) == factor
        assert c.coverage(dof + 0.99) == factor
    assert c.coverage(1e9) >= stats.norm.ppf(0.975)


@pytest.mark.parametrize("percent", sorted(set(MPE_PERCENT.values())))
@pytest.mark.parametrize("sign", [1, -1])
def test_a_bucket_finds_a_meter_at_the_edge_of_its_class(percent: float, sign: int) -> None:
    """A meter that is off by just its class's permissible error: the interval that a bucket test
    gives covers its true constant as often as it says, and the constant it gives is right on
    average. 1000 invented tests of three runs: scale read to ±0.02 L, the meter itself scattering
    by 0.3 % (of the order of class 1's repeatability).
    """
    rng = random.Random(f"R 49 {percent} {sign}")
    true_k = 450.0 * (1.0 + sign * percent / 100.0)
    covered, found = 0, []
    for _ in range(1000):
        scale_off_l = rng.uniform(-0.02, 0.02)  # the same in all runs of a test
        runs = []
        for _run in range(3):
            litres = rng.uniform(9.0, 11.0)
            pulses = math.floor(litres * true_k * rng.gauss(1.0, 0.003) + rng.random())
            runs.append((litres + scale_off_l, float(pulses)))
        told = c.bucket_test(runs, 0.02, 450.0)
        assert isinstance(told, c.FlowResult)
        found.append(told.pulses_per_litre)
        covered += abs(told.pulses_per_litre / true_k - 1.0) <= told.uncertainty
    assert fmean(found) == pytest.approx(true_k, rel=3 * stdev(found) / true_k / math.sqrt(1000))
    # 95 %, and no fewer than chance allows (three standard deviations of 1000 trials).
    assert covered >= 1000 * (0.95 - 3 * math.sqrt(0.95 * 0.05 / 1000))


@pytest.mark.parametrize(("meter", "percent"), MPE_PERCENT.items())
def test_a_careful_bucket_can_tell_whether_a_meter_is_in_its_class(
    meter: tuple[str, str], percent: float
) -> None:
    """ISO 4064-2 asks of a test an expanded uncertainty of at most a third of the permissible error
    (from memory: a fifth for type evaluation, a third for verification). Six runs of 20 L, read to
    ±0.02 L and alike to 0.2 %, are that good for every class.
    """
    pattern = (1.002, 0.998, 1.0, 1.001, 0.999, 1.0)
    told = c.bucket_test([(20.0, 9000.0 * each) for each in pattern], 0.02, 450.0)
    assert isinstance(told, c.FlowResult)
    assert told.uncertainty <= percent / 100.0 / 3.0, meter


def test_a_bucket_of_the_kitchen_cannot() -> None:
    """Three runs of 5 L read to ±0.1 L are not good enough to judge class 2 (2 %), and say so."""
    told = c.bucket_test([(5.0, 2250.0), (5.0, 2255.0), (5.0, 2245.0)], 0.1, 450.0)
    assert isinstance(told, c.FlowResult)
    assert told.uncertainty > 0.02 / 3.0


def test_our_bounds_stand_on_the_classes() -> None:
    """A constant is refused when it is less sure than any class allows any meter to be (5 %), and
    never believed to be better than class 1 from Q2 to Q4 (1 %).
    """
    assert max(MPE_PERCENT.values()) == c.FLOW_UNSURE_MAX * 100.0
    assert min(MPE_PERCENT.values()) == c.FLOW_FLOOR * 100.0


def test_published_meter_constants() -> None:
    """K = 7.5 Hz per L/min (450 pulses/L) and its like, as data sheets of small turbine meters
    print them: 540 000 pulses in 1200 L, three times, give it exactly.
    """
    for hz_per_lpm in (4.5, 6.5, 7.5, 10.0, 65.0):
        k = 60.0 * hz_per_lpm
        told = c.bucket_test([(100.0, 100.0 * k)] * 3, 0.0, k)
        assert isinstance(told, c.FlowResult)
        assert told.pulses_per_litre == pytest.approx(k, rel=1e-12)
        assert told.shift == pytest.approx(0.0, abs=1e-12)


def test_ice_melts_at_nought() -> None:
    """IAPWS R14: at 0.101325 MPa pure ice Ih melts at 0.0025 °C; air dissolved in the water takes
    2.4 mK of it (from memory), which is the ice point of 273.15 K, 0 °C in the ITS-90. So what a
    clean ice bath is off by is nothing beside a sensor's step of 0.0625 °C.
    """
    low_k, high_k = 273.1, 273.16
    while high_k - low_k > 1e-7:  # the pressure falls as the melting temperature rises
        middle_k = (low_k + high_k) / 2
        above = _Melting_Pressure(middle_k, "Ih") > 0.101325
        low_k, high_k = (middle_k, high_k) if above else (low_k, middle_k)
    assert low_k - 273.15 == pytest.approx(0.0025, abs=2e-4)
    assert abs(low_k - 0.0024 - 273.15 - c.ICE_C) < c.TEMP_HALF_STEP_C / 100


def test_the_offset_covers_the_truth_as_often_as_it_says() -> None:
    """1000 invented thermometers within their data sheet's 0.5 °C, ten readings each, in an ice
    bath that is off by up to 0.1 °C: the interval covers the true offset in at least 95 %.
    """
    rng = random.Random("ice")
    covered = 0
    for _ in range(1000):
        off_c, bath_c = rng.uniform(-0.3, 0.3), rng.uniform(-0.1, 0.1)
        readings = [
            round((bath_c + off_c + rng.gauss(0.0, 0.05)) * 16) / 16 for _ in range(10)
        ]
        told = c.compared(readings, c.ICE_C, 0.1)
        assert isinstance(told, c.TempResult)
        covered += abs(told.offset_c + off_c) <= told.uncertainty_c
    assert covered >= 1000 * (0.95 - 3 * math.sqrt(0.95 * 0.05 / 1000))
