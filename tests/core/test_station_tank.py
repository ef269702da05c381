"""Timed stories of the tank's own temperature, and of thermometers that are not where they belong.

The tank's true temperature is reckoned beside the story with `mixing`, which keeps mass and
enthalpy; the rules use litres times degrees.
"""

from __future__ import annotations

from math import inf, nan

import pytest

from monitor.core.events import FillRefused
from monitor.core.limits import DEFAULTS
from monitor.core.mixing import projected_temp_c
from monitor.core.phases import Phase
from monitor.core.reading import Fault
from support.stories import LOW_L, TANK, TEMP, Story, river_plan

STOPPED, FILLING = Phase.STOPPED, Phase.FILLING
BANDS = {"tank_low_c": 22.0, "tank_high_c": 28.0, "tank_change_c": 2.0}
WIDE = {"low_c": 5.0, "high_c": 40.0, "purge_l": 1.0}  # so that only the tank's bands matter


def thermal(**changes: object) -> Story:
    """Return a tank at 25 °C with a thermometer of its own, at its low mark."""
    plan = river_plan(temp_tank=TANK, **{**BANDS, **WIDE, **changes})
    return Story(plan=plan, before_l=LOW_L, slug_c=0.0).begin()


def stir(story: Story, seconds: float, tank_c: float = 25.0) -> list[float]:
    """Let a fill run, the tank's thermometer following the true mix, until it stops; return the
    tank's true temperatures.
    """
    told, before_l = [], story.water.litres
    assert before_l == 0.0
    for _ in range(round(seconds)):
        mixed_c = projected_temp_c(LOW_L, tank_c, story.water.litres, story.temp_c)
        story.others[TANK] = mixed_c
        told.append(mixed_c)
        story.run(1.0)
        if story.phase is not FILLING:
            break
    return told


# --- T04: too far ---


@pytest.mark.parametrize(("temp_c", "limit_c"), [(35.0, 27.0), (15.0, 23.0), (40.0, 27.0)])
def test_a_tank_that_moves_too_far_is_told_first_and_shut_before_its_limit(
    temp_c: float, limit_c: float
) -> None:
    """Claim (T04): water far from the tank's temperature is told within the half minute that the
    rule wants, and the valve shuts before the tank, truly mixed, has passed its allowed change.
    """
    story = thermal()
    story.temp_c = temp_c
    story.fill(420.0)
    told = stir(story, 3000.0)
    assert story.phase is STOPPED
    assert (story.station.cause, story.station.cause_key) == ("T04", "tank-moves")
    assert story.alarmed("tank-drifts") - story.when(FILLING) <= 40.0
    assert story.alarmed("tank-drifts") < story.alarmed("tank-moves")
    assert all(abs(at_c - 25.0) <= 2.0 for at_c in told)
    end_c = projected_temp_c(LOW_L, 25.0, story.water.litres, temp_c)
    assert abs(end_c - 25.0) <= 2.0
    assert abs(end_c - limit_c) < 0.75  # and no sooner than it must


def test_the_tanks_own_band_counts_as_well() -> None:
    """Claim (T04): a tank at 27.5 °C may not pass 28 °C, though 2 °C of change would be allowed."""
    story = thermal()
    story.others[TANK] = 27.5
    story.temp_c = 38.0
    story.run(2.0)
    story.fill(420.0)
    told = stir(story, 3000.0, tank_c=27.5)
    assert story.station.cause_key == "tank-moves"
    assert max(told) <= 28.0


def test_a_fill_that_ends_in_time_is_told_of_never() -> None:
    """Claim (T04): what counts is where the tank will end: 40 L of warm water move it by 0.9 °C."""
    story = thermal()
    story.fill(40.0)
    story.run(6.0)
    story.temp_c = 34.0
    story.run(200.0)
    story.finish()
    assert story.raised() == set()


@pytest.mark.parametrize("temp_c", [26.0, 24.0, 28.0])
def test_water_close_to_the_tanks_temperature_is_no_matter(temp_c: float) -> None:
    """Claim (T04): a whole change with water 3 °C off moves the tank by 1.6 °C: allowed."""
    story = thermal()
    story.temp_c = 22.0 if temp_c > 25.0 else 28.0  # the first litres, out of the pipe
    story.fill(420.0).run(10.0)
    story.temp_c = temp_c
    story.finish()
    assert story.raised() == set()
    assert story.ended() == [("done", "")]


def test_without_a_thermometer_the_configs_temperature_counts() -> None:
    """Claim (T04): 25 °C by the config are watched over like 25 °C by a thermometer."""
    plan = river_plan(tank_c=25.0, **BANDS, **WIDE)
    story = Story(plan=plan, before_l=LOW_L).begin()
    story.temp_c = 35.0
    story.fill(420.0).until(STOPPED, 3000.0)
    assert story.station.cause_key == "tank-moves"
    assert projected_temp_c(LOW_L, 25.0, story.water.litres, 35.0) <= 27.0


@pytest.mark.parametrize("changes", [{"tank_change_c": 2.0}, {"tank_c": nan, **BANDS}])
def test_a_tank_whose_temperature_nobody_knows_accuses_nobody(changes: dict[str, float]) -> None:
    """Claim: what is not known is not reckoned with."""
    story = Story(plan=river_plan(**{**WIDE, **changes}), before_l=LOW_L).begin()
    story.temp_c = 35.0
    story.fill(420.0).run(1500.0)
    assert story.phase is FILLING
    assert "tank_ahead_c" not in story.data()


def test_an_odd_second_of_warm_water_shuts_nothing() -> None:
    """Claim: the trip wants its condition for hot_s, as the hold does."""
    story = thermal()
    story.fill(420.0).run(600.0)
    story.temp_c = 42.0
    story.run(2.0)
    story.temp_c = 25.0
    story.run(60.0)
    assert story.phase is FILLING
    assert story.alarm("tank-moves") == "A"


def test_where_the_tank_will_end_is_told() -> None:
    """Claim: the status says the temperature at the end, to a twentieth of the exact balance."""
    story = thermal()
    story.temp_c = 28.0
    story.fill(420.0).run(120.0)
    exact_c = projected_temp_c(LOW_L, 25.0, 420.0, 28.0)
    assert story.data()["tank_ahead_c"] == pytest.approx(exact_c, abs=0.05)


# --- T08: swapped ---


@pytest.mark.parametrize("tank_c", [21.9, 28.1, 12.0])
def test_a_tank_that_reads_what_it_cannot_be_refuses(tank_c: float) -> None:
    """Claim (T08): with the two thermometers swapped the tank's reads the pipe, and no fill
    starts, attended or not.
    """
    story = thermal()
    story.others[TANK] = tank_c
    story.run(2.0)
    for attended in (False, True):
        story.ask("fill", litres=100, attended=attended)
        story.until(Phase.IDLE)
        assert story.ended_checks() == {"swapped"}


def test_a_tanks_thermometer_that_is_not_read_refuses() -> None:
    """Claim (T08): what cannot be judged has not passed."""
    story = thermal()
    story.faults[TANK] = Fault.MISSING
    story.run(4.0)
    story.ask("fill", litres=100)
    story.until(Phase.IDLE)
    assert story.ended_checks() == {"swapped"}


# --- T05: not in the stream ---


def test_a_thermometer_that_never_answers_is_told_within_five_minutes() -> None:
    """Claim (T05): four minutes of flow must move the incoming thermometer; it warns, and the fill
    goes on.
    """
    story = thermal()
    story.fill(420.0)
    opened_s = story.now_s
    story.run(239.0)
    assert story.alarm("temp-dead") == "A"
    story.run(61.0)
    assert DEFAULTS.dead_s <= story.alarmed("temp-dead") - opened_s <= 300.0
    assert story.phase is FILLING


@pytest.mark.parametrize(("more_c", "dead"), [(-0.01, True), (0.01, False)])
def test_how_much_of_an_answer_is_one(more_c: float, dead: bool) -> None:
    """Claim (T05): dead_c is an answer, less is noise."""
    story = thermal()
    story.fill(420.0).run(30.0)
    story.temp_c = 25.0 + DEFAULTS.dead_c + more_c
    story.run(300.0)
    assert (story.alarm("temp-dead") != "A") is dead


def test_a_doubted_thermometer_refuses_unattended_until_a_reset() -> None:
    """Claim (T05): after such a fill none starts unattended; one with a person beside the tank
    does; a reset, or acknowledging before it, is what ends the doubt.
    """
    story = thermal()
    story.fill(60.0).finish(600.0)
    assert story.alarm("temp-dead") == "E"
    story.edge(high=False)
    story.ask("ack")
    story.ask("fill", litres=20)
    story.until(Phase.IDLE, 30.0)
    assert story.ended_checks() == {"in-stream"}
    assert "attended" in story.done(FillRefused)[-1].text
    assert story.ask("fill", litres=20, attended=True).ok
    story.until(FILLING)
    story.ask("stop")
    story.run(10.0)
    assert story.ask("reset").ok
    story.fill(20.0)


def test_a_short_fill_proves_nothing() -> None:
    """Claim (T05): before the pipe is purged and dead_s have gone by nobody is accused."""
    story = thermal()
    story.fill(30.0).finish(300.0)
    assert story.raised() == set()


def test_a_thermometer_unplugged_is_unread_not_dead() -> None:
    """Claim: a reading that is missing has its own rule."""
    story = thermal()
    story.fill(420.0).run(200.0)
    story.faults[TEMP] = Fault.MISSING
    story.run(10.0)
    assert story.alarm("temp-dead") == "A"
    assert story.alarm("temp-unread") == "B"


def test_a_plan_with_no_bands_is_silent_about_the_tank() -> None:
    """Claim: without anything told of the tank there is nothing to refuse or to alarm."""
    story = Story(plan=river_plan(tank_low_c=-inf, tank_high_c=inf)).begin()
    story.fill(60.0).finish(600.0)
    assert story.raised() == set()


@pytest.mark.parametrize(("pause_s", "dead"), [(-2.0, False), (2.0, True)])
def test_a_pipe_that_is_still_warm_need_not_answer(pause_s: float, dead: bool) -> None:
    """Claim (T05): a fill soon after another finds the pipe as warm as the stream, and a steady
    thermometer is then no fault; once the pipe has rested for pipe_rest_s it must answer.
    """
    story = thermal()
    story.fill(20.0).finish(300.0)
    shut_s = story.running.shut_s - (story.engine_s - story.now_s)
    story.edge(high=False)
    story.run(shut_s + DEFAULTS.pipe_rest_s + pause_s - story.now_s)
    story.fill(420.0).run(300.0)
    assert (story.alarm("temp-dead") != "A") is dead
