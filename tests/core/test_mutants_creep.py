"""What small changes of the watch for a seep showed to be unsaid: its edges, without any noise."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from monitor.core import creep as creeps
from monitor.core.creep import Creep

SD_L = 1.0


def hourly(hours: int, l_per_h: float, *, start_s: float = 0.0) -> list[Creep]:
    """Return the watch after each hour of readings once a minute, of water without waves."""
    state, told = creeps.begin(start_s), []
    for minute in range(1, hours * 60 + 1):
        state = creeps.update(state, start_s + 60.0 * minute, 700.0 + l_per_h * minute / 60, SD_L)
        if minute % 60 == 0:
            told.append(state)
    return told


def test_eight_hours_are_the_least_that_tell() -> None:
    """Claim: a seep as plain as can be is told with the eighth hour, and not with the seventh."""
    assert [state.seeping for state in hourly(9, 1.0)] == [False] * 7 + [True] * 2


@pytest.mark.parametrize(("l_per_h", "seeps"), [(0.199, False), (0.201, True)])
def test_a_fifth_of_a_litre_an_hour_is_a_seep(l_per_h: float, seeps: bool) -> None:
    """Claim (W05): 0.2 L an hour, five litres a day, is where evaporation cannot be the answer."""
    assert hourly(8, l_per_h)[-1].seeping is seeps


def test_a_day_is_kept_and_the_hour_a_day_ago_is_not() -> None:
    """Claim: after 30 hours the hours from the seventh to the thirtieth are kept, each with its
    number and the mean of its minutes.
    """
    hours = hourly(30, 0.5)[-1].hours
    assert [at_h for at_h, _ in hours] == pytest.approx([float(h) for h in range(7, 31)])
    means = [700.0 + 0.5 * (h - 1 + 61 / 120) for h in range(7, 31)]
    assert [litres for _, litres in hours] == pytest.approx(means)


@pytest.mark.parametrize(("age_h", "kept"), [(23.9, True), (24.0, False)])
def test_an_hour_is_forgotten_when_it_is_a_day_old(age_h: float, kept: bool) -> None:
    """Claim: whatever the hours are, none older than a day has a say, and none younger is lost."""
    row = (30.0 - age_h, 700.0)
    state = replace(creeps.begin(0.0), hours=(row,), hour_s=29.0 * 3600, minute_s=29.0 * 3600)
    assert (row in creeps.update(state, 30.0 * 3600, 700.0, SD_L).hours) is kept


@pytest.mark.parametrize(("step_l", "seeps"), [(0.5, False), (0.505, True)])
def test_exactly_a_fifth_of_a_litre_is_no_seep(step_l: float, seeps: bool) -> None:
    """Claim: half a litre every two hours and a half is the limit itself, which is not above it."""
    hours = tuple((2.5 * k, 704.0 + step_l * (k - 8)) for k in range(1, 8))
    state = replace(creeps.begin(0.0), hours=hours, hour_s=19.0 * 3600, minute_s=20.0 * 3600 - 60)
    after = creeps.update(state, 20.0 * 3600, 704.0, SD_L)
    assert len(after.hours) == 8
    assert after.seeping is seeps


def test_levels_too_great_to_add_are_no_seep() -> None:
    """Claim: hours whose mean overflows make no line, and nothing raises."""
    state = creeps.begin(0.0)
    for half_minute in range(1, 9 * 120 + 1):
        state = creeps.update(state, 30.0 * half_minute, 1.7e308, SD_L)
    assert len(state.hours) == 9
    assert not state.seeping


def test_hours_count_from_when_the_watch_began() -> None:
    """Claim: an engine that has run for long before changes nothing but the moments."""
    late = hourly(9, 1.0, start_s=5e6)
    assert [state.seeping for state in late] == [state.seeping for state in hourly(9, 1.0)]
    assert [at_h for at_h, _ in late[-1].hours] == pytest.approx([float(h) for h in range(1, 10)])


def test_a_minute_ends_after_sixty_seconds_and_an_hour_after_sixty_minutes() -> None:
    """Claim: neither ends a moment before, and both begin anew with nothing in them."""
    state = creeps.update(creeps.begin(0.0), 59.9, 700.0, SD_L)
    assert (state.minute_s, state.minute_count, state.last_l) == (0.0, 1, inf)
    state = creeps.update(state, 60.0, 702.0, SD_L)
    assert (state.minute_s, state.minute_count, state.minute_sum_l) == (60.0, 0, 0.0)
    assert (state.last_l, state.hour_sum_l, state.hour_count) == (701.0, 701.0, 1)
    state = creeps.begin(0.0)
    for at_s in (1000.0, 2000.0, 3599.9):
        state = creeps.update(state, at_s, 700.0, SD_L)
    assert state.hours == ()
    state = creeps.update(state, 3600.0 + 59.0, 700.0, SD_L)
    assert state.hours == ()
    state = creeps.update(state, 3600.0 + 60.0, 700.0, SD_L)
    assert state.hours == ((pytest.approx(3660 / 3600), 700.0),)
    assert (state.hour_s, state.hour_sum_l, state.hour_count) == (3660.0, 0.0, 0)


def test_the_very_first_moment_is_looked_at() -> None:
    """Claim: a reading at the moment the watch began belongs to its first minute."""
    assert creeps.update(creeps.begin(7.0), 7.0, 700.0, SD_L).minute_count == 1
