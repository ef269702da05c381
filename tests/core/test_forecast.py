"""The forecast of the end of a fill, told as stories and as properties.

Published examples and reference libraries are in tests/external/test_estimation.py; the large
table of invented fills is tests/bench/forecast_table.py, a small part of which runs here.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import astuple
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.forecast_table import (
    NAMED,
    Look,
    Target,
    bound_ratio,
    coverage,
    errors,
    make_fill,
    own_model_ratio,
    replay,
)
from monitor.core import forecast as fc
from monitor.core.kalman import correct_flow, correct_volume

PER_L = 450.0
anything = st.floats(allow_nan=True, allow_infinity=True)


def steady(_: float) -> float:
    """Ten litres a minute, always."""
    return 10.0


class Tap:
    """A fill being read once a second: `flow` gives the true L/min at a second."""

    def __init__(self, flow: Callable[[float], float] = steady, state: fc.FillState | None = None):
        self.flow = flow
        self.litres = 0.0
        self.second = 0
        self.state = state or fc.start(0.0, 0, PER_L)

    @property
    def count(self) -> int:
        return math.floor(self.litres * PER_L + 0.3)

    def run(self, seconds: int) -> fc.FillState:
        for _ in range(seconds):
            self.litres += self.flow(self.second) / 60
            self.second += 1
            self.state = fc.update(self.state, float(self.second), self.count)
        return self.state

    def told(self, need_l: float, **more: float | bool) -> fc.Forecast:
        return fc.predict(self.state, float(self.second), need_l, **more)  # type: ignore[arg-type]


def finite(state: fc.FillState) -> bool:
    """Whether every number of a state is a finite one."""

    def flat(value: object) -> list[float]:
        if isinstance(value, tuple):
            return [number for part in value for number in flat(part)]
        return [value] if isinstance(value, int | float) else []

    return all(math.isfinite(number) for number in flat(astuple(state)))


def test_a_steady_fill_is_foretold_to_the_second() -> None:
    """600 L at 10 L/min: after five minutes 55 are left, known to within two seconds."""
    tap = Tap()
    tap.run(300)
    told = tap.told(600.0, by_meter=True)
    assert told.remaining_s == pytest.approx(3300.0, abs=2.0)
    assert told.flow_lpm == pytest.approx(10.0, rel=1e-3)
    assert told.delivered_l == pytest.approx(50.0, abs=1 / PER_L)
    assert told.remaining_l == pytest.approx(550.0, abs=1 / PER_L)
    assert told.total_l == 600.0
    assert told.low_s < told.remaining_s < told.high_s


def test_before_the_first_reading_earlier_fills_speak() -> None:
    """8 L/min give or take 0.4 from earlier fills: 480 L take an hour, within a tenth or so."""
    state = fc.start(100.0, 7, PER_L, flow_lpm=8.0, flow_sd_lpm=0.4)
    told = fc.predict(state, 100.0, 480.0, by_meter=True)
    assert told.remaining_s == pytest.approx(3600.0, rel=1e-6)
    assert 0.8 * 3600 < told.low_s < 0.92 * 3600
    assert 1.08 * 3600 < told.high_s < 1.25 * 3600
    assert told.delivered_l == 0.0


def test_with_no_earlier_fill_the_first_answer_is_wide() -> None:
    """Knowing nothing, half and almost twice the time are possible; ten seconds later not."""
    state = fc.start(0.0, 0, PER_L)
    first = fc.predict(state, 0.0, 600.0, by_meter=True)
    assert first.low_s < 0.6 * first.remaining_s
    assert first.high_s > 1.7 * first.remaining_s
    tap = Tap(lambda _: 6.0)
    tap.run(12)
    later = tap.told(600.0, by_meter=True)
    assert later.remaining_s == pytest.approx(6000.0 - 12, rel=0.01)
    assert later.high_s - later.low_s < 0.5 * (first.high_s - first.low_s)


def test_a_slowly_opening_valve_teaches_nothing_wrong() -> None:
    """Flow that takes four seconds to come up does not pull the forecast down."""
    tap = Tap(lambda second: 10.0 * min(1.0, (second + 0.5) / 4))
    tap.run(30)
    assert tap.told(600.0, by_meter=True).remaining_s == pytest.approx(
        (600 - tap.litres) * 6, rel=0.01
    )
    assert tap.state.steps == 0


def test_another_tap_is_seen_believed_and_forgotten() -> None:
    """A fifth of the flow goes for two minutes: one step down, one up, and the forecast is back."""
    tap = Tap(lambda second: 8.0 if 600 <= second < 720 else 10.0)
    tap.run(600)
    calm = tap.told(600.0, by_meter=True)
    tap.run(10)
    dipped = tap.told(600.0, by_meter=True)
    assert tap.state.steps >= 1
    assert dipped.flow_lpm == pytest.approx(8.0, rel=0.02)
    assert dipped.high_s - dipped.low_s > 1.25 * (calm.high_s - calm.low_s)
    tap.run(410)
    back = tap.told(600.0, by_meter=True)
    true_s = (600 - tap.litres) * 6
    assert back.flow_lpm == pytest.approx(10.0, rel=0.01)
    assert back.remaining_s == pytest.approx(true_s, rel=0.03)
    assert back.low_s < true_s < back.high_s


def test_a_step_that_stays_is_learned() -> None:
    """When the flow stays a fifth lower, half an hour later the forecast has it all."""
    tap = Tap(lambda second: 10.0 if second < 300 else 8.0)
    tap.run(300 + 1800)
    true_s = (600 - tap.litres) / 8 * 60
    told = tap.told(600.0, by_meter=True)
    assert told.remaining_s == pytest.approx(true_s, rel=0.03)
    assert told.low_s < true_s < told.high_s


def test_calm_water_narrows_the_interval_and_restless_water_widens_it() -> None:
    """The same tap, one still and one breathing by 6 %: the second is told more widely."""
    still = Tap()
    restless = Tap(lambda second: 10.0 + 0.6 * math.sin(second / 40))
    still.run(1800)
    restless.run(1800)
    near, far = still.told(600.0, by_meter=True), restless.told(600.0, by_meter=True)
    assert far.high_s - far.low_s > 1.2 * (near.high_s - near.low_s)


def test_doubt_grows_with_what_is_still_to_come() -> None:
    """The further the end, the wider the interval; far out, faster than in proportion."""
    tap = Tap()
    tap.run(300)
    told = [tap.told(need_l, by_meter=True) for need_l in (100.0, 200.0, 400.0, 800.0)]
    spans = [one.high_s - one.low_s for one in told]
    assert all(near < far for near, far in pairwise(spans))
    assert spans[3] / told[3].remaining_s > 1.2 * spans[2] / told[2].remaining_s


def test_the_meters_constant_cancels_for_metered_litres_only() -> None:
    """A meter doubted by 10 % blurs the time to a mark, and not the time to metered litres."""
    doubted = Tap(state=fc.start(0.0, 0, PER_L, meter_share_sd=0.10))
    trusted = Tap(state=fc.start(0.0, 0, PER_L, meter_share_sd=0.0))
    doubted.run(600)
    trusted.run(600)
    assert doubted.told(600.0, by_meter=True) == trusted.told(600.0, by_meter=True)
    blurred, sharp = doubted.told(600.0), trusted.told(600.0)
    # 10 % of all 600 L, at 10 L/min, is 6 minutes; the filter gives that as one deviation.
    half = (blurred.high_s - blurred.low_s) / 2
    flow_half = (sharp.high_s - sharp.low_s) / 2
    assert math.sqrt(half**2 - flow_half**2) == pytest.approx(1.645 * 360, rel=0.05)
    assert blurred.flow_sd_lpm > 0.9


def test_a_mark_known_badly_blurs_the_end() -> None:
    """12 L of doubt about the mark are 72 seconds of doubt about the end at 10 L/min."""
    tap = Tap(state=fc.start(0.0, 0, PER_L, meter_share_sd=0.0))
    tap.run(900)
    sharp, blurred = tap.told(160.0), tap.told(160.0, need_sd_l=12.0)
    extra = blurred.high_s - blurred.remaining_s - fc.TICK_S
    flow = sharp.high_s - sharp.remaining_s - fc.TICK_S
    assert math.sqrt(extra**2 - flow**2) == pytest.approx(1.645 * 72, rel=0.02)
    assert tap.told(160.0, need_sd_l=12.0, by_meter=True) == tap.told(160.0, by_meter=True)


def levelled(share: float, litres: int = 300, *, change_at_s: float = math.inf) -> fc.FillState:
    """Return a fill whose level rises `share` of the metered litres (all before `change_at_s`)."""
    state = fc.start(0.0, 0, PER_L)
    rise_l = 0.0
    for second in range(1, litres * 6 + 1):
        rise_l += 10 / 60 * (share if second > change_at_s or change_at_s == math.inf else 1.0)
        wave_l = 2.8 * math.sin(second * 1.7) + 1.4 * math.sin(second * 0.61)
        state = fc.update(
            state,
            float(second),
            math.floor(second * 75.0),
            rise_l=rise_l + wave_l,
            rise_sd_l=2.8,
        )
    return state


def test_the_net_rise_decides_not_the_inflow() -> None:
    """A tenth of the water is lost: the mark is reached a ninth later, and the forecast says so."""
    state = levelled(0.9)
    told = fc.predict(state, state.t_s, 540.0)
    assert told.delivered_l == pytest.approx(270.0, abs=3.0)
    assert told.flow_lpm == pytest.approx(9.0, rel=0.02)
    assert told.remaining_s == pytest.approx(270 / 9 * 60, rel=0.03)
    assert told.low_s < 1800 < told.high_s


def test_a_level_sensor_sharpens_the_meter() -> None:
    """After 300 L with a level sensor the meter's constant is known better than it was."""
    with_level, without = levelled(1.0), Tap().run(1800)
    a, b = fc.predict(with_level, 1800.0, 600.0), fc.predict(without, 1800.0, 600.0)
    assert with_level.rise.ratio_var < 0.5 * without.rise.ratio_var
    assert a.high_s - a.low_s < b.high_s - b.low_s


def test_a_drain_opened_on_the_way_is_taken_up() -> None:
    """From half way on a third of the water is lost: the forecast follows the net rise."""
    state = levelled(2 / 3, litres=400, change_at_s=1200.0)
    told = fc.predict(state, state.t_s, 600.0)
    left_l = 600 - 200 - 200 * 2 / 3
    assert told.remaining_s == pytest.approx(left_l / (20 / 3) * 60, rel=0.10)
    assert told.low_s < left_l / (20 / 3) * 60 < told.high_s


def test_the_learned_overrun_closes_the_valve_earlier() -> None:
    """2 L that still slip through are 12 seconds at 10 L/min; the litres left stay the same."""
    tap = Tap()
    tap.run(300)
    plain, early = tap.told(600.0, by_meter=True), tap.told(600.0, by_meter=True, overrun_l=2.0)
    assert plain.remaining_s - early.remaining_s == pytest.approx(12.0, abs=0.1)
    assert plain.remaining_l == early.remaining_l
    assert plain.total_l == early.total_l


def test_a_reached_need_leaves_no_time() -> None:
    """Past the need there is nothing left, and the total is what has run."""
    tap = Tap()
    tap.run(600)
    told = tap.told(90.0, by_meter=True)
    assert (told.remaining_s, told.low_s, told.remaining_l) == (0.0, 0.0, 0.0)
    assert told.total_l == told.delivered_l == pytest.approx(100.0, abs=1 / PER_L)


def test_time_since_the_last_reading_is_taken_off() -> None:
    """Seven seconds after a reading the end is seven nearer; asking for the past gains nothing."""
    state = Tap().run(300)
    now, later = fc.predict(state, 300.0, 600.0), fc.predict(state, 307.0, 600.0)
    assert now.remaining_s - later.remaining_s == pytest.approx(7.0)
    assert now.high_s - later.high_s == pytest.approx(7.0)
    assert fc.predict(state, 200.0, 600.0) == now
    assert fc.predict(state, math.nan, 600.0) == now


def test_water_that_stops_puts_the_end_out_of_sight() -> None:
    """With the valve open and no flow the late end runs away, and nothing divides by zero."""
    tap = Tap(lambda second: 10.0 if second < 300 else 0.0)
    tap.run(300)
    flowing = tap.told(600.0, by_meter=True)
    tap.run(60)
    stopped = tap.told(600.0, by_meter=True)
    assert stopped.flow_lpm == pytest.approx(0.0, abs=0.1)
    assert stopped.high_s > 2 * flowing.high_s
    tap.run(3600)
    assert tap.told(600.0, by_meter=True).high_s == fc.FAR_S


def test_a_hold_keeps_the_litres_and_the_flow() -> None:
    """Five minutes shut: what slipped through counts, and the flow is not forgotten."""
    tap = Tap()
    state = tap.run(600)
    litres = tap.litres + 0.8
    for second in range(601, 901):
        state = fc.rest(state, float(second), math.floor(litres * PER_L))
    told = fc.predict(state, 900.0, 600.0, by_meter=True)
    assert told.delivered_l == pytest.approx(litres, abs=1 / PER_L)
    assert told.flow_lpm == pytest.approx(10.0, rel=0.01)
    assert told.remaining_s == pytest.approx((600 - litres) * 6, rel=0.01)
    assert told.flow_sd_lpm > tap.told(600.0, by_meter=True).flow_sd_lpm
    resumed = fc.update(state, 903.0, math.floor((litres + 0.1) * PER_L))
    assert resumed.steps == state.steps
    assert fc.predict(resumed, 903.0, 600.0, by_meter=True).flow_lpm == pytest.approx(
        10.0, rel=0.01
    )


def test_a_hold_without_a_meter_changes_only_the_doubt() -> None:
    """No count during a hold: the litres stand still."""
    state = Tap().run(100)
    rested = fc.rest(state, 160.0, None)
    assert rested.mean[0] == pytest.approx(state.mean[0], abs=1 / PER_L)
    assert fc.rest(rested, 160.0, 7500) is rested
    assert fc.rest(rested, math.nan, 7500) is rested


@pytest.mark.parametrize("held", [False, True], ids=["while running", "in a hold"])
def test_a_restarted_counter_loses_no_litres(held: bool) -> None:
    """The count falls back to zero in mid-fill; the litres go on from where they were."""
    tap = Tap()
    state = tap.run(300)
    move = fc.rest if held else fc.update
    state = move(state, 301.0, 0)
    for second in range(302, 400):
        state = fc.update(state, float(second), math.floor((second - 301) * 75.0))
    told = fc.predict(state, 399.0, 600.0, by_meter=True)
    assert told.delivered_l == pytest.approx((399 - held) / 6, abs=0.2)
    assert told.flow_lpm == pytest.approx(10.0, rel=0.01)


def test_a_meter_that_gives_only_flow_is_followed() -> None:
    """Without counts the flow readings are added up, from the very first."""
    state = fc.start(0.0, 0, PER_L)
    for second in range(1, 601):
        state = fc.update(state, float(second), None, 10.0)
    told = fc.predict(state, 600.0, 600.0, by_meter=True)
    assert told.delivered_l == pytest.approx(100.0, rel=0.01)
    assert told.remaining_s == pytest.approx(3000.0, rel=0.01)


def test_a_flow_beside_a_count_is_not_believed_twice() -> None:
    """The flow comes from the same pulses: with a count it changes nothing."""
    state = Tap().run(60)
    assert fc.update(state, 61.0, 4575, 99.0) == fc.update(state, 61.0, 4575)


@pytest.mark.parametrize("t_s", [60.0, 59.0, 60.0005, math.nan, math.inf, -math.inf])
def test_time_that_does_not_go_on_changes_nothing(t_s: float) -> None:
    """Standing still, going back, or no time at all: the reading is left out."""
    state = Tap().run(60)
    assert fc.update(state, t_s, 5000) is state
    assert fc.rest(state, t_s, 5000) is state


@pytest.mark.parametrize(
    ("count", "flow"),
    [(None, None), (-1, None), (2**53 + 1, None), (None, math.nan), (None, -1.0), (None, 201.0)],
)
def test_a_reading_without_numbers_changes_nothing(count: int | None, flow: float | None) -> None:
    """No count and no flow, or impossible ones, leave the state as it was."""
    state = Tap().run(60)
    assert fc.update(state, 61.0, count, flow) is state


@pytest.mark.parametrize(
    ("rise_l", "sd_l"), [(math.nan, 1.0), (math.inf, 1.0), (10.0, 0.0), (10.0, math.nan)]
)
def test_a_level_without_numbers_is_left_out(rise_l: float, sd_l: float) -> None:
    """A rise or a deviation that is none counts as no level reading."""
    state = Tap().run(60)
    plain = fc.update(state, 61.0, 4575)
    assert fc.update(state, 61.0, 4575, rise_l=rise_l, rise_sd_l=sd_l) == plain


def test_a_start_out_of_range_is_held_on_the_safe_side() -> None:
    """A meter constant that is no number reads the most water; the others fall back to wide."""
    state = fc.start(math.nan, -5, math.nan, meter_share_sd=math.nan, flow_lpm=math.nan)
    usual = fc.start(0.0, 0, fc.PULSES_MIN_PER_L)
    assert state == usual
    assert fc.start(0.0, 0, 1e9).pulses_per_l == fc.PULSES_MAX_PER_L
    assert fc.start(0.0, 0, PER_L, flow_lpm=1e9).mean[1] == fc.FLOW_MAX_LPM
    assert fc.start(0.0, 0, PER_L, flow_sd_lpm=math.nan) == fc.start(0.0, 0, PER_L)


@pytest.mark.parametrize("need_l", [math.nan, -1.0])
def test_a_need_that_is_no_number_counts_as_none(need_l: float) -> None:
    """Nothing more is asked for: the safe side."""
    assert fc.predict(Tap().run(60), 60.0, need_l).remaining_s == 0.0


def test_limits_are_the_late_end_and_the_volume_plus_a_margin() -> None:
    """At 10 % the time is the interval's late end and a tenth, the volume the need and a tenth."""
    told = fc.predict(fc.start(0.0, 0, PER_L, flow_lpm=10.0, flow_sd_lpm=0.5), 0.0, 420.0)
    time_s, volume_l = fc.limits_from(told, 0.1, 1e5, 1e4)
    assert time_s == pytest.approx(1.1 * told.high_s)
    assert volume_l == pytest.approx(462.0)
    assert fc.limits_from(told, 0.1, 1200.0, 400.0) == (1200.0, 400.0)


@pytest.mark.parametrize(
    ("margin", "time_s", "volume_l"),
    [(math.nan, 1e4, 1e3), (0.1, math.nan, 1e3), (0.1, 1e4, math.nan), (math.inf, 1e4, 1e3)],
)
def test_limits_from_nonsense_allow_nothing(margin: float, time_s: float, volume_l: float) -> None:
    """A margin or a hard limit that is no number allows no second and no litre."""
    told = fc.predict(fc.start(0.0, 0, PER_L), 0.0, 420.0)
    assert fc.limits_from(told, margin, time_s, volume_l) == (0.0, 0.0)
    assert fc.limits_from(told, -2.0, 1e4, 1e3) == (0.0, 0.0)


def test_a_measurement_without_any_variance_cannot_divide_by_zero() -> None:
    """Nothing unknown and nothing doubtful: the estimate stays as it is."""
    mean, sure = (5.0, 10.0, 0.0, 0.0), (0.0,) * 10
    assert correct_volume(mean, sure, 6.0, 0.0) == (mean, sure)
    assert correct_flow(mean, sure, 6.0, -1.0) == (mean, sure)


reading = st.tuples(
    anything,
    st.none() | st.integers(min_value=-10, max_value=2**60),
    st.none() | anything,
    st.none() | anything,
    anything,
    st.booleans(),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(reading, max_size=12), st.tuples(*[anything] * 5))
def test_nothing_ever_raises_and_every_state_stays_finite(
    readings: list[tuple[float, int | None, float | None, float | None, float, bool]],
    numbers: tuple[float, float, float, float, float],
) -> None:
    """Any readings in any order: finite numbers all the way, and low <= remaining <= high."""
    per_l, flow, need, overrun, margin = numbers
    state = fc.start(need, 3, per_l, meter_share_sd=overrun, flow_lpm=flow, flow_sd_lpm=margin)
    assert finite(state)
    for t_s, count, flow_lpm, rise_l, rise_sd_l, held in readings:
        if held:
            state = fc.rest(state, t_s, count)
        else:
            state = fc.update(state, t_s, count, flow_lpm, rise_l=rise_l, rise_sd_l=rise_sd_l)
        assert finite(state)
        for by_meter in (False, True):
            told = fc.predict(
                state, t_s, need, need_sd_l=margin, overrun_l=overrun, by_meter=by_meter
            )
            assert all(math.isfinite(number) for number in astuple(told)[:-1])
            assert 0.0 <= told.low_s <= told.remaining_s <= told.high_s <= fc.FAR_S
            allowed = fc.limits_from(told, margin, flow, overrun)
            assert all(math.isfinite(number) and number >= 0 for number in allowed)


readings_1hz = st.lists(
    st.tuples(st.integers(min_value=1, max_value=90), st.integers(min_value=0, max_value=400)),
    min_size=1,
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(readings_1hz)
def test_every_variance_stays_a_variance(steps: list[tuple[int, int]]) -> None:
    """Whatever a meter counts, at whatever gaps: no variance below 0, no correlation above 1."""
    state, t_s, count = fc.start(0.0, 0, PER_L), 0.0, 0
    for seconds, pulses in steps:
        t_s, count = t_s + seconds, count + pulses * seconds
        state = fc.update(state, t_s, count)
        vv, vb, vd, vu, bb, bd, bu, dd, du, uu = state.cov
        pairs = [(vb, vv, bb), (vd, vv, dd), (vu, vv, uu), (bd, bb, dd), (bu, bb, uu), (du, dd, uu)]
        assert min(vv, bb, dd, uu) >= 0
        assert all(c * c <= a * b * (1 + 1e-6) + 1e-18 for c, a, b in pairs)


@pytest.fixture(scope="module")
def runs() -> dict[Target, list[list[Look]]]:
    """Forty invented fills of each kind that were not used for choosing the filter's numbers."""
    seeds = range(5000, 5040)
    return {target: [replay(make_fill(seed, target)) for seed in seeds] for target in Target}


def test_the_interval_covers_as_often_as_it_says(runs: dict[Target, list[list[Look]]]) -> None:
    """Over 120 invented fills, 90 % give or take what so few fills allow, in every quarter.

    Looks within a fill hang together, so 120 fills bound a share of 0.9 to some 2.7 % (one
    standard error, sqrt(0.9 x 0.1 / 120)); three of them are allowed a quarter, two the mean of
    all. The aim of 87 to 93 % is for the large table.
    """
    shares = coverage([run for part in runs.values() for run in part])
    assert all(0.82 <= share <= 0.98 for share in shares)
    assert 0.846 <= statistics.fmean(shares) <= 0.954


@pytest.mark.parametrize("target", [Target.METER, Target.LEVEL], ids=["meter", "level"])
def test_the_median_error_meets_its_aim(
    runs: dict[Target, list[list[Look]]], target: Target
) -> None:
    """4, 3 and 2 % of the remaining time at 25, 50 and 75 % of the fill."""
    for share, aim in zip(NAMED, (0.04, 0.03, 0.02), strict=True):
        ours, _, _ = errors(runs[target], share)
        assert ours <= aim


def test_with_a_level_sensor_the_forecast_beats_both_naive_methods(
    runs: dict[Target, list[list[Look]]],
) -> None:
    """Where the meter is off and water is lost, elapsed time and last minute's flow are worse."""
    for share in NAMED:
        ours, elapsed, minute = errors(runs[Target.LEVEL], share)
        assert ours < min(elapsed, minute)


def test_a_steady_flow_is_known_to_the_cramer_rao_bound() -> None:
    """With nothing wandering the end is told within a fifth of what any estimator could reach."""
    assert 0.9 < bound_ratio(runs=300, seed=5) <= 1.2


def test_flow_from_the_filters_own_model_is_told_as_wide_as_it_is() -> None:
    """Errors over the filter's own deviation have a size of one, when its model is the truth."""
    assert own_model_ratio(fills=150, seed=6) == pytest.approx(1.0, abs=3 / math.sqrt(2 * 150))
