from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.mixing import Water, mix
from monitor.errors import BrimwatchError
from monitor.simulate.plant import (
    HAZEN_WILLIAMS_POWER,
    HeadEvent,
    Mixing,
    Plant,
    Rig,
    balanced_flow_lpm,
    hazen_williams_r,
    invented_taps,
    minor_loss_r,
)

RIVER = Rig()
CALM = replace(RIVER, wander=0.0, mix_hunting_c=0.0)


def filling(rig: Rig = CALM, *, seconds: float = 60.0, seed: int = 1) -> Plant:
    """Return a plant whose valve has been open for so long."""
    plant = Plant(rig, seed=seed)
    plant.energise(True)
    plant.advance(seconds)
    return plant


def tank_and_floor_l(plant: Plant) -> float:
    return plant.volume_l - plant.rig.volume_l(plant.rig.start_level_m) + plant.floor_l


# The rig of the scenario


def test_the_river_tank_is_the_scenarios() -> None:
    """The default rig holds 840 L, needs half of that, and takes about 42 minutes at 10 L/min."""
    assert RIVER.volume_l(RIVER.rim_m) == pytest.approx(840.0)
    assert RIVER.need_l == pytest.approx(420.0)
    plant = filling(RIVER)
    assert plant.inflow_lpm == pytest.approx(10.0, rel=0.03)
    while plant.level_m < RIVER.mark_m:
        plant.advance(plant.now_s + 1.0)
    assert plant.now_s / 60 == pytest.approx(42.0, abs=1.5)
    assert plant.floor_l == 0.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"hose_bore_m": 0.0},
        {"length_m": math.nan},
        {"pulses_per_litre": math.inf},
        {"start_level_m": 0.58},
        {"mark_m": 0.61},
        {"start_level_m": -0.1},
    ],
)
def test_an_impossible_rig_is_refused(wrong: dict[str, Any]) -> None:
    """A rig that physics cannot run names the field and what is allowed."""
    with pytest.raises(BrimwatchError, match=r"rig: .*allowed"):
        Rig(**wrong)


# Water is kept

faults = st.fixed_dictionaries(
    {
        "hose_off": st.sampled_from([0.0, 0.3, 1.0]),
        "joint_leak": st.sampled_from([0.0, 0.05, 1.0]),
        "valve_stuck": st.booleans(),
        "blocked": st.booleans(),
        "stopcock_open": st.booleans(),
        "mixing": st.sampled_from(Mixing),
    }
)
moves = st.lists(st.tuples(st.booleans(), st.floats(0.0, 900.0), faults), min_size=1, max_size=8)
rigs = st.builds(
    lambda level, end, growth, events: replace(
        RIVER,
        start_level_m=level,
        hose_end_m=end,
        filter_growth_per_l=growth,
        head_events=tuple(HeadEvent(a, a + n, f) for a, n, f in events),
    ),
    st.floats(0.0, RIVER.mark_m),
    st.sampled_from([-0.1, 0.0, 0.3, 0.63]),
    st.sampled_from([0.0, 0.01]),
    st.lists(st.tuples(st.floats(0, 3000), st.floats(0, 900), st.floats(0, 1.3)), max_size=3),
)


@settings(max_examples=60, deadline=None)
@given(rigs, moves, st.integers(0, 1000))
def test_no_water_is_made_or_lost(
    rig: Rig, story: list[tuple[bool, float, dict[str, Any]]], seed: int
) -> None:
    """Whatever goes wrong, what passed the meter is in the tank or on the floor, and heat is sane.

    The level also stays between floor and rim, litres on the floor never go back, and the tank's
    temperature stays between the coldest and the hottest water there is.
    """
    plant = Plant(rig, seed=seed)
    spilled_l = 0.0
    for energise, seconds, wrong in story:
        plant.energise(energise)
        for name, value in wrong.items():
            setattr(plant, name, value)
        plant.advance(plant.now_s + seconds)
        assert plant.delivered_l - plant.returned_l == pytest.approx(
            tank_and_floor_l(plant), abs=1e-6
        )
        assert 0.0 <= plant.level_m <= rig.rim_m + 1e-9
        assert plant.floor_l >= spilled_l
        spilled_l = plant.floor_l
        assert rig.cold_c - 1e-6 <= plant.temp_in_c <= rig.hot_c + 1e-6
        if plant.volume_l > 1e-6:
            assert rig.cold_c - 1e-6 <= plant.tank_temp_c <= rig.hot_c + 1e-6


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.01, 40.0), min_size=1, max_size=30))
def test_how_often_anybody_looks_changes_nothing(looks_s: list[float]) -> None:
    """A run looked at in odd steps ends where the same run in one go ends, within 0.01 %.

    The valve opens at once here: a look in the middle of its travel does divide a sub-step.
    """
    rig = replace(RIVER, open_time_s=0.0)
    end_s = sum(looks_s)
    once = filling(rig, seconds=end_s)
    often = Plant(rig, seed=1)
    often.energise(True)
    count = 0
    for step_s in looks_s:
        count += len(often.advance(often.now_s + step_s))
    often.advance(end_s)
    # One sub-step of the opening valve, 0.05 s of flow, is what a different grid can move.
    assert often.delivered_l == pytest.approx(once.delivered_l, rel=1e-4, abs=0.009)
    assert often.volume_l == pytest.approx(once.volume_l, rel=1e-4)
    assert count == pytest.approx(once.delivered_l * rig.pulses_per_litre, rel=1e-3, abs=6)


def test_a_seed_fixes_everything_and_another_changes_it() -> None:
    """Equal seeds give equal histories to the last bit; another seed wanders otherwise."""

    def history(seed: int) -> list[float]:
        plant = Plant(RIVER, seed=seed)
        plant.energise(True)
        out: list[float] = []
        for second in range(1, 600, 7):
            out += plant.advance(float(second))
            out += [plant.level_m, plant.inflow_lpm, plant.temp_in_c, plant.tank_temp_c]
        return out

    assert history(7) == history(7)
    assert history(7) != history(8)
    assert invented_taps(3, 7200.0) == invented_taps(3, 7200.0) != invented_taps(4, 7200.0)


def test_time_that_does_not_pass_changes_nothing() -> None:
    """Advancing to now or to the past gives no pulses and moves no water; NaN is refused."""
    plant = filling()
    before = (plant.now_s, plant.volume_l, plant.temp_in_c)
    assert plant.advance(plant.now_s) == []
    assert plant.advance(plant.now_s - 50.0) == []
    assert (plant.now_s, plant.volume_l, plant.temp_in_c) == before
    for bad in (math.nan, math.inf):
        with pytest.raises(ValueError, match="finite"):
            plant.advance(bad)


# Mains, hose and valve


@given(st.floats(1e-3, 200), st.floats(1e-4, 10), st.floats(0, 10), st.floats(0, 500))
def test_the_flow_found_spends_the_head(
    head_m: float, power_r: float, square_r: float, guess_lpm: float
) -> None:
    """From any guess, the flow found puts the losses equal to the head to nine digits."""
    flow = balanced_flow_lpm(head_m, power_r, square_r, guess_lpm)
    assert flow > 0
    loss_m = power_r * flow**HAZEN_WILLIAMS_POWER + square_r * flow**2
    assert loss_m == pytest.approx(head_m, rel=1e-9)


def test_the_mains_wander_slowly_and_within_bounds() -> None:
    """The head stays within the stated wander, uses most of it, and never jumps."""
    plant = Plant(RIVER, seed=5)
    heads = [plant.head_m(float(t)) for t in range(4 * 3600)]
    assert max(heads) <= RIVER.head_m * (1 + RIVER.wander)
    assert min(heads) >= RIVER.head_m * (1 - RIVER.wander)
    assert max(heads) - min(heads) > RIVER.head_m * RIVER.wander
    assert max(abs(a - b) for a, b in pairwise(heads)) < 0.001 * RIVER.head_m


def test_another_tap_dips_the_flow_and_gives_it_back() -> None:
    """While another tap is open the flow is lower from its very first moment to its last."""
    rig = replace(CALM, head_events=(HeadEvent(100.3, 160.7, 0.8), HeadEvent(120.0, 130.0, 0.9)))
    plant = filling(rig, seconds=100.3)
    full = plant.inflow_lpm
    plant.advance(100.4)
    dipped = plant.inflow_lpm
    # All losses go nearly with Q^1.9: 0.8 of 25 m leaves 18.8 of 23.8 m.
    assert dipped / full == pytest.approx((18.77 / 23.77) ** (1 / 1.9), rel=0.01)
    plant.advance(125.0)
    assert plant.inflow_lpm < 0.97 * dipped
    plant.advance(160.7)
    assert plant.inflow_lpm == pytest.approx(dipped, rel=1e-3)
    plant.advance(160.8)
    assert plant.inflow_lpm == pytest.approx(full, rel=1e-3)


def test_invented_taps_come_one_after_another() -> None:
    """The invented household opens some four taps an hour, in order, never two at once."""
    taps = invented_taps(11, 100 * 3600.0)
    assert 250 < len(taps) < 450
    assert all(a.start_s < a.end_s < b.start_s for a, b in pairwise(taps))
    assert all(0.5 < tap.factor < 1.0 for tap in taps)
    assert taps[-1].start_s < 100 * 3600.0


def test_a_clogging_filter_slows_the_fill() -> None:
    """A filter that clogs costs flow as it goes, by the loss that its passed litres give it."""
    rig = replace(CALM, filter_growth_per_l=0.02, start_level_m=0.0)
    plant = filling(rig)
    flows = []
    for _ in range(4):
        flows.append(plant.inflow_lpm)
        plant.advance(plant.now_s + 600.0)
    assert all(a > b for a, b in pairwise(flows))
    flow = plant.inflow_lpm
    filter_m = 0.008 * (1 + 0.02 * plant.delivered_l) * flow**2
    hose_m = hazen_williams_r(rig.hose_length_m, rig.hose_bore_m, rig.hose_c) * flow**1.852
    minor_m = minor_loss_r(rig.minor_k + rig.solenoid_k, rig.hose_bore_m) * flow**2
    spare_m = rig.head_m - rig.tank_elevation_m - rig.hose_end_m
    assert filter_m + hose_m + minor_m == pytest.approx(spare_m, rel=1e-3)


def test_the_valve_takes_its_time_both_ways() -> None:
    """Half the opening time opens it half; its last water passes at the end of its closing."""
    plant = Plant(replace(CALM, open_time_s=2.0, close_time_s=4.0))
    plant.energise(True)
    plant.advance(1.0)
    assert plant.valve_travel == pytest.approx(0.5)
    plant.advance(60.0)
    assert plant.valve_travel == 1.0
    plant.energise(False)
    plant.advance(62.0)
    assert plant.valve_travel == pytest.approx(0.5)
    assert plant.inflow_lpm > 0
    before_l = plant.delivered_l
    plant.advance(70.0)
    assert plant.shut_at_s == pytest.approx(64.0, abs=0.051)
    assert plant.stopped_at_s == pytest.approx(64.0, abs=0.051)
    assert plant.inflow_lpm == 0.0
    assert plant.delivered_l - before_l < 10 * 2 / 60


def test_a_stuck_valve_ignores_its_coil_until_a_person_comes() -> None:
    """Stuck open, water goes on after release; the stopcock ends it, at that very moment."""
    plant = filling()
    plant.valve_stuck = True
    plant.energise(False)
    plant.advance(120.0)
    assert not plant.energised
    assert plant.valve_travel == 1.0
    assert plant.inflow_lpm > 9.0
    plant.stopcock_open = False
    plant.advance(130.0)
    assert plant.inflow_lpm == 0.0
    assert plant.stopped_at_s == 120.0
    assert plant.shut_at_s is None


def test_a_blocked_line_passes_nothing() -> None:
    """Blocked, an open valve gives neither litres nor pulses."""
    plant = filling()
    plant.blocked = True
    before_l = plant.volume_l
    assert plant.advance(plant.now_s + 60.0) == []
    assert plant.volume_l == before_l


# Tank and floor


def test_what_runs_over_the_rim_is_on_the_floor() -> None:
    """At the rim the level stops and the floor gets the whole flow."""
    plant = filling(replace(CALM, start_level_m=0.57))
    plant.advance(600.0)
    assert plant.level_m == pytest.approx(0.6)
    assert plant.max_level_m == pytest.approx(0.6)
    assert plant.floor_l == pytest.approx(plant.delivered_l - 42.0, abs=1e-6)
    before_l = plant.floor_l
    plant.advance(660.0)
    assert plant.floor_l - before_l == pytest.approx(plant.inflow_lpm, rel=1e-3)


def test_the_hose_on_the_floor_gives_more_and_all_of_it_to_the_floor() -> None:
    """Lying lower than the rim, the hose passes more; the tank gets nothing."""
    plant = filling()
    in_tank_lpm, level_m = plant.inflow_lpm, plant.level_m
    plant.hose_off = 1.0
    plant.advance(plant.now_s + 10.0)
    assert plant.level_m == level_m
    assert plant.inflow_lpm > in_tank_lpm
    assert plant.floor_l == pytest.approx(plant.inflow_lpm / 6, rel=1e-3)


def test_the_probe_is_wet_from_the_first_half_decilitre() -> None:
    """A joint that loses a tenth of 10 L/min wets the probe after 3 s, and a drain dries it."""
    plant = filling(replace(CALM, floor_drain_lpm=0.5))
    plant.joint_leak = 0.1
    plant.advance(plant.now_s + 5.0)
    assert not plant.floor_wet
    plant.advance(plant.now_s + 3.0)
    assert plant.floor_wet
    plant.joint_leak = 0.0
    plant.advance(plant.now_s + 60.0)
    assert not plant.floor_wet
    assert plant.puddle_l == 0.0
    assert plant.floor_l > 0.1


def test_lost_mains_suck_the_tank_back_only_through_a_hose_under_water() -> None:
    """With the mains gone, a hose end under water empties the tank to it; an air gap does not.

    The meter counts all the same: it cannot tell which way the water goes.
    """
    lost = (HeadEvent(60.0, 1e9, 0.0),)
    dipped = filling(replace(CALM, hose_end_m=0.25, head_events=lost), seconds=60.0)
    times_s = dipped.advance(300.0)
    assert dipped.inflow_lpm < -1.0
    assert len(times_s) == pytest.approx(dipped.returned_l * 450, abs=2)
    dipped.advance(7200.0)
    assert dipped.level_m == pytest.approx(0.25, abs=1e-3)
    assert dipped.inflow_lpm == 0.0
    gapped = filling(replace(CALM, head_events=lost), seconds=300.0)
    assert gapped.inflow_lpm == 0.0
    assert gapped.returned_l == 0.0


# Meter


def test_pulses_are_evenly_spaced_and_count_the_litres() -> None:
    """At a steady flow the pulses come at K times the flow, each at its own exact moment."""
    plant = filling(replace(CALM, wander=0.0))
    before_l, from_s = plant.delivered_l, plant.now_s
    times_s = plant.advance(from_s + 60.0)
    assert len(times_s) == pytest.approx((plant.delivered_l - before_l) * 450, abs=1)
    assert all(from_s < t <= from_s + 60.0 for t in times_s)
    gaps = [b - a for a, b in pairwise(times_s)]
    # K = 7.5 Hz per L/min: the linear law of a Hall turbine, f = K Q.
    expected_s = 1 / (7.5 * plant.inflow_lpm)
    assert all(gap == pytest.approx(expected_s, rel=2e-3) for gap in gaps)


def test_a_meter_that_reads_high_counts_too_much() -> None:
    """A meter error of +5 % makes 5 % more pulses for the same litres; another K its own number."""
    right, wrong = Plant(CALM), Plant(replace(CALM, meter_error=0.05))
    other = Plant(CALM)
    other.fit_meter(390.0)
    counts = []
    for plant in (right, wrong, other):
        plant.energise(True)
        counts.append(len(plant.advance(600.0)))
    assert counts[1] == pytest.approx(counts[0] * 1.05, abs=2)
    assert counts[2] == pytest.approx(counts[0] * 390 / 450, abs=2)
    assert right.delivered_l == wrong.delivered_l == other.delivered_l


def test_below_its_start_up_flow_the_meter_stands_still() -> None:
    """A trickle of less than 0.5 L/min fills the tank and makes no pulse."""
    plant = filling(replace(CALM, solenoid_k=50_000.0), seconds=10.0)
    assert 0.0 < plant.inflow_lpm < 0.5
    before_l = plant.volume_l
    assert plant.advance(600.0) == []
    assert plant.volume_l > before_l


# Temperature


def test_the_tank_warms_by_enthalpy() -> None:
    """After a fill through a perfect mixing valve the tank is what mixing two waters gives."""
    rig = replace(CALM, room_c=18.0, mix_c=18.0)
    plant = filling(rig, seconds=1800.0)
    start_l = rig.volume_l(rig.start_level_m)
    expected = mix(Water(start_l, rig.tank_c), Water(plant.delivered_l, 18.0))
    assert plant.tank_temp_c == pytest.approx(expected.temp_c, abs=1e-6)


def test_the_pipe_gives_its_standing_water_first() -> None:
    """The first 1.5 L come at room temperature, the next at the valve's; after a rest, again."""
    plant = filling(seconds=0.5)
    while plant.delivered_l < 1.4:
        plant.advance(plant.now_s + 0.1)
        assert plant.temp_in_c == pytest.approx(CALM.room_c)
    plant.advance(plant.now_s + 30.0)
    assert plant.temp_in_c == pytest.approx(CALM.mix_c, abs=0.1)
    plant.energise(False)
    plant.advance(plant.now_s + 3600.0)
    assert plant.temp_in_c == pytest.approx(CALM.room_c, abs=0.1)


@pytest.mark.parametrize(("mode", "end_c"), [(Mixing.HOT, 58.0), (Mixing.COLD, 11.0)])
def test_a_failed_mixing_valve_goes_to_its_end_with_a_lag(mode: Mixing, end_c: float) -> None:
    """After one lag 63 % of the way is done (a first-order lag's definition), in the end all."""
    plant = filling()
    start_c = plant.temp_in_c
    plant.mixing = mode
    began_s = plant.now_s
    for step in range(1, 41):
        plant.advance(began_s + step * CALM.mix_lag_s / 40)
    done = (plant.temp_in_c - start_c) / (end_c - start_c)
    assert done == pytest.approx(1 - math.exp(-1), abs=0.001)
    plant.advance(plant.now_s + 60.0)
    assert plant.temp_in_c == pytest.approx(end_c, abs=0.01)


def test_water_sucked_back_brings_the_tanks_temperature() -> None:
    """Back-siphoned water in the pipe is as warm as the tank it comes from."""
    rig = replace(CALM, hose_end_m=0.0, head_events=(HeadEvent(60.0, 1e9, 0.0),))
    plant = filling(rig, seconds=200.0)
    assert plant.inflow_lpm < 0
    assert plant.temp_in_c == pytest.approx(plant.tank_temp_c)


def test_an_empty_tank_has_no_temperature() -> None:
    """Nothing in the tank is NaN, not zero degrees."""
    assert math.isnan(Plant(replace(CALM, start_level_m=0.0)).tank_temp_c)


def test_an_inlet_below_the_floor_drains_the_tank_and_then_stops() -> None:
    """Through a bottom inlet lost mains empty the tank to the last drop, and nothing more comes."""
    rig = replace(CALM, start_level_m=0.02, hose_end_m=-0.1, head_events=(HeadEvent(0, 1e9, 0.0),))
    plant = filling(rig, seconds=7200.0)
    assert plant.volume_l == 0.0
    assert plant.inflow_lpm == 0.0
    assert plant.returned_l == pytest.approx(rig.volume_l(0.02))
