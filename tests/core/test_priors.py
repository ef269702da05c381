"""What earlier fills teach: checked against numpy and scipy, and against odd records."""

from __future__ import annotations

from math import inf, isfinite, nan
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation

from monitor.core.forecast import FLOW_MAX_LPM, FLOW_MIN_LPM
from monitor.core.priors import (
    FILLS_MAX,
    FLOW_SD_SHARE,
    MAD_PER_SD,
    ONE_FILL_SHARE,
    OVERRUN_MAX_L,
    OVERRUN_SD_MIN_L,
    PastFill,
    Priors,
    priors_from,
)

anything = st.none() | st.floats() | st.floats(0.0, 60.0)
flows_seen = st.lists(st.floats(FLOW_MIN_LPM, FLOW_MAX_LPM), min_size=2, max_size=FILLS_MAX)
overruns_seen = st.lists(st.floats(0.0, OVERRUN_MAX_L), min_size=2, max_size=FILLS_MAX)


def flowed(*flows_lpm: float | None) -> Priors:
    return priors_from(PastFill(flow, None) for flow in flows_lpm)


def overran(*litres: float | None) -> Priors:
    return priors_from(PastFill(None, each) for each in litres)


def test_no_fill_teaches_nothing() -> None:
    """Without a fill, or with fills that tell nothing, every doubt is without bound."""
    assert priors_from([]) == Priors(0, 0.0, inf, 0.0, inf)
    assert priors_from([PastFill(None, None)] * 3) == Priors()


@pytest.mark.external
@given(flows_seen)
def test_flow_is_mean_and_sample_deviation(flows_lpm: list[float]) -> None:
    """Mean and standard deviation are numpy's (ddof = 1: sample, not population), the deviation
    held at its floor.
    """
    priors = flowed(*flows_lpm)
    mean = float(np.mean(flows_lpm))
    spread = float(np.std(flows_lpm, ddof=1))
    assert priors.fills == len(flows_lpm)
    assert priors.flow_lpm == pytest.approx(mean, rel=1e-12)
    assert priors.flow_sd_lpm == pytest.approx(max(spread, FLOW_SD_SHARE * mean), rel=1e-9)


@pytest.mark.external
@given(overruns_seen)
def test_overrun_is_median_and_scaled_deviation(litres: list[float]) -> None:
    """The overrun is numpy's median, its doubt scipy's median absolute deviation scaled to a
    normal distribution, held at its floor.
    """
    priors = overran(*litres)
    spread = float(median_abs_deviation(litres, scale="normal"))
    assert priors.overrun_l == pytest.approx(float(np.median(litres)), rel=1e-12)
    assert priors.overrun_sd_l == pytest.approx(max(spread, OVERRUN_SD_MIN_L), rel=1e-9)


@pytest.mark.external
def test_the_scale_of_the_deviation_is_the_upper_quartile() -> None:
    """The standard library's normal distribution has MAD_PER_SD as its upper quartile."""
    assert pytest.approx(NormalDist().inv_cdf(0.75), rel=1e-12) == MAD_PER_SD


def test_one_fill_is_believed_widely() -> None:
    """A single fill gives its own figures, and a doubt that no sample could give."""
    assert flowed(8.0) == Priors(1, 8.0, 8.0 * ONE_FILL_SHARE, 0.0, inf)
    assert overran(0.4) == Priors(0, 0.0, inf, 0.4, 0.4)
    assert overran(0.0) == Priors(0, 0.0, inf, 0.0, OVERRUN_SD_MIN_L)


def test_equal_fills_leave_some_doubt() -> None:
    """Ten fills alike to the last digit do not promise that the eleventh is."""
    priors = priors_from([PastFill(10.0, 0.3)] * FILLS_MAX)
    assert priors == Priors(FILLS_MAX, 10.0, 10.0 * FLOW_SD_SHARE, 0.3, OVERRUN_SD_MIN_L)


def test_one_stuck_valve_does_not_move_the_overrun() -> None:
    """One overrun of twenty litres among usual ones leaves median and doubt as they were."""
    usual = (0.3, 0.35, 0.4, 0.35, 0.3)
    with_one = overran(*usual, 20.0)
    assert with_one.overrun_l == pytest.approx(0.35)
    assert with_one.overrun_sd_l < 0.1


def test_only_the_newest_fills_count() -> None:
    """The eleventh fill back says nothing, whatever it was, and is not even looked at."""

    def rows() -> list[PastFill]:
        return [PastFill(10.0, 0.3)] * FILLS_MAX + [PastFill(150.0, 40.0)] * 5

    assert priors_from(rows()) == priors_from(rows()[:FILLS_MAX])


@pytest.mark.parametrize("value", [None, nan, inf, -inf, -1.0, 1e308])
def test_figures_that_cannot_be_are_left_out(value: float | None) -> None:
    """No number, and no number a fill can have, is as good as not known."""
    rows = [PastFill(10.0, 0.3), PastFill(value, value), PastFill(12.0, 0.5)]
    assert priors_from(rows) == priors_from([rows[0], rows[2]])


def test_the_ends_of_the_ranges_are_allowed() -> None:
    """A flow or an overrun at its bound counts, one just past it does not."""
    past = 1 + 1e-9
    assert flowed(FLOW_MAX_LPM, FLOW_MIN_LPM).fills == 2
    assert flowed(FLOW_MAX_LPM * past, FLOW_MIN_LPM / past).fills == 0
    assert overran(OVERRUN_MAX_L).overrun_l == OVERRUN_MAX_L
    assert overran(OVERRUN_MAX_L * past).overrun_sd_l == inf


@given(st.lists(st.builds(PastFill, anything, anything), max_size=15))
def test_any_record_gives_usable_priors(rows: list[PastFill]) -> None:
    """Whatever stands in the record: a finite guess in its range, and a doubt above nought that is
    without bound exactly when nothing is known.
    """
    priors = priors_from(rows)
    assert 0 <= priors.fills <= FILLS_MAX
    assert 0.0 <= priors.flow_lpm <= FLOW_MAX_LPM * (1 + 1e-12)
    assert 0.0 <= priors.overrun_l <= OVERRUN_MAX_L
    assert priors.flow_sd_lpm > 0.0
    assert priors.overrun_sd_l > 0.0
    assert isfinite(priors.flow_sd_lpm) == (priors.fills > 0)
