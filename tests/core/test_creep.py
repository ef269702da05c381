"""The level at rest over hours: a seep is told within a day, and evaporation never is."""

from __future__ import annotations

from math import inf, nan
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core import creep as creeps
from monitor.core.creep import Creep

PERIOD_S = 10.0
SD_L = 2.8  # 2 mm on the river tank's 1.4 m²
NOISE_L = SD_L * (6 / 30) ** 0.5  # so that six readings a minute average as thirty waves would


def watched(
    hours: float, l_per_h: float, *, seed: int = 1, jump_l: float = 0.0, jump_h: float = inf
) -> list[Creep]:
    """Return the watch at each reading of so many hours."""
    noise, state, told = Random(seed), creeps.begin(0.0), []
    for reading in range(1, round(hours * 3600 / PERIOD_S) + 1):
        now_s = reading * PERIOD_S
        hour = now_s / 3600
        level_l = 700.0 + l_per_h * hour + (jump_l if hour >= jump_h else 0.0)
        state = creeps.update(state, now_s, level_l + noise.gauss(0.0, NOISE_L), SD_L)
        told.append(state)
    return told


def first_h(told: list[Creep]) -> float | None:
    """Return after how many hours the seep was told."""
    at = next((n for n, state in enumerate(told, 1) if state.seeping), None)
    return None if at is None else at * PERIOD_S / 3600


@pytest.mark.parametrize(("l_per_h", "within_h"), [(0.3, 24.0), (0.5, 12.0), (5.0, 8.1)])
def test_a_seep_the_meter_cannot_see_is_told_within_a_day(l_per_h: float, within_h: float) -> None:
    """Claim (W05): a third of a litre an hour within 24 h, more of it sooner; none before 8 h."""
    for seed in range(4):
        at_h = first_h(watched(24.0, l_per_h, seed=seed))
        assert at_h is not None
        assert 8.0 <= at_h <= within_h


@pytest.mark.parametrize("l_per_h", [0.0, -0.1, -1.0, 0.1])
def test_still_or_sinking_water_is_told_of_never(l_per_h: float) -> None:
    """Claim: two days of evaporation, of nothing, or of a drift below the limit raise nothing."""
    for seed in range(3):
        assert first_h(watched(48.0, l_per_h, seed=seed)) is None


@pytest.mark.parametrize("jump_l", [10.0, -10.0])
def test_a_bucket_is_no_seep(jump_l: float) -> None:
    """Claim: a jump within a minute begins the watch anew, so that no bucket is drawn as a line."""
    told = watched(20.0, 0.0, jump_l=jump_l, jump_h=6.5)
    assert first_h(told) is None
    assert told[-1].from_s == pytest.approx(6.5 * 3600, abs=70.0)


def test_a_bucket_ends_what_was_told() -> None:
    """Claim: after somebody was at the water nothing is known of a seep, for eight hours."""
    told = watched(20.0, 1.0, jump_l=50.0, jump_h=15.0)
    at_jump = round(15.02 * 3600 / PERIOD_S)
    assert told[at_jump - 12].seeping
    assert not told[at_jump].seeping
    assert not told[-1].seeping


def test_a_small_step_is_not_a_jump() -> None:
    """Claim: what waves may do within a minute does not begin the watch anew."""
    told = watched(10.0, 0.0, jump_l=2.0, jump_h=5.0)
    assert told[-1].from_s == 0.0


@pytest.mark.parametrize(("sd_l", "edge_l"), [(0.1, 2.0), (1.0, 2.0), (2.8, 5.6)])
def test_the_edge_of_a_jump(sd_l: float, edge_l: float) -> None:
    """Claim: two litres within a minute, or twice what one reading may be off, are the edge."""
    for step_l, jumped in ((edge_l, False), (edge_l + 0.01, True), (-edge_l - 0.01, True)):
        state = creeps.begin(0.0)
        for minute, level_l in enumerate((0.0, 0.0, step_l), 1):
            state = creeps.update(state, 60.0 * minute, level_l, sd_l)
        assert (state.from_s == 180.0) is jumped


def test_what_is_kept_is_bounded() -> None:
    """Claim: of three days a day is kept, hour by hour."""
    told = watched(72.0, 0.0)
    assert len(told[-1].hours) == 24
    assert all(len(state.hours) <= 24 for state in told)


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_what_is_no_number_changes_nothing(bad: float) -> None:
    """Claim: a reading or a clock that makes no sense leaves the watch as it is."""
    state = watched(1.0, 0.0)[-1]
    assert creeps.update(state, 3700.0, bad, SD_L) is state
    assert creeps.update(state, bad, 700.0, SD_L) is state
    assert creeps.update(state, state.minute_s - 1.0, 700.0, SD_L) is state


numbers = st.floats(allow_nan=True, allow_infinity=True)


@settings(deadline=None)  # a shared machine may be slow
@given(st.lists(st.tuples(numbers, numbers), max_size=60))
def test_no_number_at_no_time_ever_raises(said: list[tuple[float, float]]) -> None:
    """Claim: the watch is total, and its time never runs back."""
    state = creeps.begin(0.0)
    for now_s, level_l in said:
        before_s = state.minute_s
        state = creeps.update(state, now_s, level_l, SD_L)
        assert state.minute_s >= before_s
