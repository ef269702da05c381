from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from fluids.open_flow import (
    Q_weir_rectangular_full_Ackers,
    Q_weir_rectangular_full_Kindsvater_Carter,
    Q_weir_rectangular_full_Rehbock,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.mixing import Water, mix
from monitor.errors import BrimwatchError
from monitor.simulate.house import Body, Drain, Heater, Store, Sump
from monitor.simulate.hydraulics import (
    HAZEN_WILLIAMS_POWER,
    hazen_williams_r,
    minor_loss_r,
    weir_flow_lpm,
)
from monitor.simulate.plant import HeadEvent, Plant, Rig

CALM = replace(Rig(), wander=0.0, mix_hunting_c=0.0)
FULL = replace(
    CALM,
    sump=Sump(),
    drain=Drain(by="pump"),
    store=Store(),
    heater=Heater(exposed_m=0.35),
)


def by_valve(rig: Rig = FULL, **more: Any) -> Rig:
    return replace(rig, drain=Drain(by="valve", **more))


def all_l(plant: Plant) -> float:
    """Return all the water there is, wherever it is."""
    return plant.volume_l + plant.floor_l + plant.house.held_l


def running(rig: Rig, seconds: float, **house: Any) -> Plant:
    """Return a plant whose surroundings have run like this for so long."""
    plant = Plant(rig)
    for name, value in house.items():
        setattr(plant.house, name, value)
    plant.advance(seconds)
    return plant


# Water is kept

states = st.fixed_dictionaries(
    {
        "drain_energised": st.booleans(),
        "drain_stuck": st.booleans(),
        "siphon_open": st.booleans(),
        "pump_on": st.booleans(),
        "heater_on": st.booleans(),
        "topup_lpm": st.sampled_from([0.0, 3.0]),
        "weir_m": st.sampled_from([0.571, 0.2]),
    }
)
wrongs = st.fixed_dictionaries(
    {
        "hose_off": st.sampled_from([0.0, 0.3, 1.0]),
        "joint_leak": st.sampled_from([0.0, 0.2]),
        "gully": st.booleans(),
        "head_part": st.sampled_from([1.0, 0.7, 0.0, -0.2]),
        "hose_end_m": st.sampled_from([0.63, 0.0]),
        "meter_jammed": st.booleans(),
        "meter_gain": st.sampled_from([1.0, 1.15]),
        "mix_c": st.sampled_from([24.0, 26.5]),
    }
)
moves = st.lists(
    st.tuples(st.booleans(), st.floats(0.0, 900.0), states, wrongs), min_size=1, max_size=8
)
rigs = st.builds(
    lambda level_m, by, room_l, sump_m: replace(
        FULL,
        start_level_m=level_m,
        drain=Drain(by=by),
        store=None if room_l is None else Store(room_l=room_l, full_l=room_l * 0.9),
        sump=None if sump_m is None else Sump(start_m=sump_m),
    ),
    st.floats(0.0, FULL.mark_m),
    st.sampled_from(["hose", "valve", "pump"]),
    st.sampled_from([None, 5.0, 600.0]),
    st.sampled_from([None, 0.0, 0.2, 0.4]),
)


@settings(max_examples=60, deadline=None)
@given(rigs, moves, st.integers(0, 1000))
def test_all_the_water_is_somewhere(
    rig: Rig, story: list[tuple[bool, float, dict[str, Any], dict[str, Any]]], seed: int
) -> None:
    """Litres in = litres in tank, sump, waste-water vessel, on the floor and gone, to 1e-9.

    Levels also stay between floor and rim, and nothing that only grows ever shrinks.
    """
    plant = Plant(rig, seed=seed)
    house, before_l = plant.house, all_l(plant)
    grown = (0.0,) * 5
    for energise, seconds, state, wrong in story:
        plant.energise(energise)
        for name, value in state.items():
            setattr(house, name, value)
        for name, value in wrong.items():
            setattr(plant, name, value)
        plant.advance(plant.now_s + seconds)
        came_l = plant.delivered_l - plant.returned_l + house.added_l
        moved_l = before_l + plant.delivered_l + plant.returned_l + house.added_l
        assert abs(all_l(plant) - before_l - came_l) <= 1e-9 * max(moved_l + house.drained_l, 1.0)
        assert 0.0 <= plant.level_m <= rig.rim_m + 1e-9
        assert rig.sump is None or 0.0 <= house.sump_m <= rig.sump.rim_m + 1e-9
        assert rig.store is None or 0.0 <= house.stored_l <= rig.store.room_l + 1e-9
        now = (plant.floor_l, house.away_l, house.drained_l, house.topped_l, house.bare_s)
        assert all(a <= b for a, b in zip(grown, now, strict=True))
        grown = now
        if plant.volume_l > 1e-6:
            assert rig.cold_c - 1e-6 <= plant.tank_temp_c <= rig.hot_c + 1e-6


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.floats(0.0, 300.0)), min_size=1, max_size=6))
def test_what_stands_idle_beside_the_tank_changes_nothing(story: list[tuple[bool, float]]) -> None:
    """With sump, drain, store and heater fitted and off, a fill is the simple rig's to the last
    bit.
    """
    histories = []
    for rig in (Rig(), replace(Rig(), sump=FULL.sump, drain=FULL.drain, store=FULL.store,
                               heater=FULL.heater)):  # fmt: skip
        plant = Plant(rig, seed=3)
        out: list[float] = []
        for energise, seconds in story:
            plant.energise(energise)
            out += plant.advance(plant.now_s + seconds)
            out += [plant.volume_l, plant.inflow_lpm, plant.temp_in_c, plant.tank_temp_c]
        histories.append(out)
    assert histories[0] == histories[1]


# Sump and weir


@pytest.mark.external
@pytest.mark.parametrize("crest_m", [0.05, 0.1])
@pytest.mark.parametrize(
    "theirs",
    [
        Q_weir_rectangular_full_Ackers,
        Q_weir_rectangular_full_Kindsvater_Carter,
        Q_weir_rectangular_full_Rehbock,
    ],
)
def test_the_weir_is_the_text_books(theirs: Any, crest_m: float) -> None:
    """Francis' Q = 1.84 b h^1.5 is within 1.5 % of the three formulas for a full-width weir that
    the library `fluids` has, for 5 to 10 cm of water on a weir a metre high. For the few
    millimetres of a tank they give up to a third more; then all three are outside their range.
    """
    theirs_lpm = theirs(crest_m, 1.0, 1.0) * 60_000
    assert weir_flow_lpm(1.0, crest_m) == pytest.approx(theirs_lpm, rel=0.015)
    assert weir_flow_lpm(0.5, crest_m) == pytest.approx(theirs_lpm / 2, rel=0.015)
    assert weir_flow_lpm(1.0, -crest_m) == 0.0


def test_the_running_pump_holds_the_tank_above_its_weir_and_a_stop_lets_it_down() -> None:
    """At rest with the pump on, what goes over the weir is what is pumped; once it stops, all that
    stood above the weir is in the sump.
    """
    assert FULL.sump is not None
    plant = running(replace(FULL, start_level_m=0.57), 1800.0, pump_on=True)
    crest_m = plant.level_m - FULL.sump.weir_m
    pumped_lpm = FULL.sump.pump_lpm
    assert weir_flow_lpm(FULL.sump.weir_width_m, crest_m) == pytest.approx(pumped_lpm, rel=1e-3)
    up_l, sump_m = plant.above_l(FULL.sump.weir_m), plant.house.sump_m
    plant.house.pump_on = False
    # The flow dwindles as the crest does, with h^1.5: the last tenths take hours.
    plant.advance(plant.now_s + 4 * 3600.0)
    assert plant.above_l(FULL.sump.weir_m) < 0.01 * up_l
    down_m = plant.house.sump_m - sump_m
    assert down_m * FULL.sump.area_l == pytest.approx(up_l, rel=0.01)
    assert plant.house.dry_s == 0.0


def test_a_sump_that_is_too_full_runs_over_when_the_pump_stops() -> None:
    """A sump that stands at its rim spills what comes down over the weir."""
    sump = Sump(start_m=0.40, weir_m=0.565)
    plant = running(replace(FULL, start_level_m=0.57, sump=sump), 60.0)
    assert plant.floor_l > 0.0
    assert plant.house.sump_m == pytest.approx(0.40)
    assert plant.floor_wet


def test_an_empty_sump_runs_the_pump_dry() -> None:
    """The pump takes the sump down to its intake, not below, and then runs dry for so long."""
    plant = running(replace(FULL, start_level_m=0.3), 600.0, pump_on=True)
    assert plant.house.sump_m == pytest.approx(0.04)
    assert plant.volume_l == pytest.approx(0.3 * 1400 + (0.30 - 0.04) * 240)
    # 62.4 L at 20 L/min take 187.2 s.
    assert plant.house.dry_s == pytest.approx(600.0 - 187.2, abs=1.0)


def test_a_fill_runs_over_a_weir_that_has_slipped() -> None:
    """With the weir at the water's height the tank rises no more and the sump takes the fill."""
    plant = Plant(replace(FULL, start_level_m=0.4))
    plant.house.weir_m = 0.4
    plant.energise(True)
    plant.advance(120.0)
    assert plant.level_m < 0.406
    risen_l = (plant.house.sump_m - 0.30) * 240
    assert risen_l == pytest.approx(plant.delivered_l - plant.above_l(0.4), abs=1e-6)


# Letting water out


def test_a_pump_lets_out_what_it_is_rated_at_and_stops_at_once() -> None:
    """15 L/min for two minutes are 30 L, in the waste-water vessel."""
    plant = running(replace(FULL, start_level_m=0.57), 120.0, drain_energised=True)
    assert plant.house.stored_l == pytest.approx(30.0)
    assert plant.house.drain_lpm == 15.0
    plant.house.drain_energised = False
    plant.advance(180.0)
    assert plant.house.stored_l == pytest.approx(30.0)
    assert plant.house.drain_stopped_s == 120.0
    assert plant.house.drain_lpm == 0.0


def test_a_pipe_lets_out_what_its_head_and_its_losses_allow() -> None:
    """The flow by gravity puts the losses of pipe and fittings equal to the head above the outlet,
    and falls with the level.
    """
    rig = replace(by_valve(), start_level_m=0.57)
    plant = running(rig, 30.0, drain_energised=True)
    flow = plant.house.drain_lpm
    drain = rig.drain
    loss_m = hazen_williams_r(drain.length_m, drain.bore_m, drain.c) * flow**HAZEN_WILLIAMS_POWER
    loss_m += minor_loss_r(drain.minor_k, drain.bore_m) * flow**2
    # The level has fallen by some tenths of a millimetre within the last step.
    assert loss_m == pytest.approx(plant.level_m + drain.drop_m, rel=1e-3)
    plant.advance(1800.0)
    assert plant.house.drain_lpm < 0.95 * flow


def test_a_drain_valve_takes_its_time_and_a_stuck_one_goes_on() -> None:
    """It is half open after half its time; stuck, it lets water out whatever its coil does."""
    plant = running(by_valve(travel_s=4.0), 60.0, drain_energised=True)
    plant.house.drain_energised = False
    before_l = plant.house.drained_l
    plant.advance(70.0)
    assert plant.house.drain_stopped_s == pytest.approx(64.0, abs=0.051)
    closing_l = plant.house.drained_l - before_l
    assert 0.0 < closing_l < plant.rig.need_l
    stuck = running(by_valve(), 60.0, drain_energised=True)
    stuck.house.drain_stuck = True
    stuck.house.drain_energised = False
    stuck.advance(120.0)
    assert stuck.house.drain_lpm > 1.0
    assert stuck.house.drain_stopped_s is None


@pytest.mark.parametrize("by", ["hose", "valve", "pump"])
def test_no_water_below_the_inlet_is_drawn(by: Any) -> None:
    """Left running, each kind of drain stops at the height of its inlet."""
    rig = replace(FULL, start_level_m=0.06, drain=Drain(by=by), store=None, sump=None)
    plant = running(rig, 3600.0, drain_energised=True, siphon_open=by == "hose")
    assert plant.level_m == pytest.approx(rig.drain.intake_m, abs=1e-9)
    assert plant.min_level_m == plant.level_m
    assert plant.house.drain_lpm == 0.0
    assert plant.house.drain_stopped_s is not None
    assert plant.house.away_l == pytest.approx(0.03 * 1400)


def test_a_hose_that_a_person_minds_obeys_no_relay() -> None:
    """A drain by hose has no relay: only the siphon lets water out, and only while it is open."""
    plant = running(CALM, 60.0, drain_energised=True)
    assert plant.house.drained_l == 0.0
    plant.house.siphon_open = True
    plant.advance(120.0)
    drained_l = plant.house.drained_l
    assert drained_l > 3.0
    plant.house.siphon_open = False
    plant.advance(180.0)
    assert plant.house.drained_l == drained_l
    assert plant.house.drain_stopped_s == 120.0


def test_waste_water_beyond_its_vessels_room_is_on_the_floor() -> None:
    """The float says full before the room is used up; what comes after that is spilled."""
    rig = replace(FULL, start_level_m=0.57, store=Store(room_l=20.0, full_l=15.0))
    plant = running(rig, 59.0, drain_energised=True)
    assert not plant.house.store_full
    plant.advance(61.0)
    assert plant.house.store_full
    assert plant.floor_l == 0.0
    plant.advance(120.0)
    assert plant.house.stored_l == 20.0
    assert plant.floor_l == pytest.approx(10.0)
    plant.house.bring(100.0)
    assert (plant.house.stored_l, plant.house.brought_l) == (20.0, 0.0)


# Heat


def test_a_bare_heater_is_counted_as_harm() -> None:
    """For each second with current and less water than it needs, and for no other."""
    rig = replace(FULL, start_level_m=0.36, tank_c=24.0)
    plant = running(rig, 60.0, heater_on=True)
    assert plant.house.bare_s == 0.0
    plant.house.drain_energised = True
    while plant.level_m >= 0.35:
        plant.advance(plant.now_s + 1.0)
    bare_from_s = plant.now_s
    plant.advance(bare_from_s + 30.0)
    assert plant.house.bare_s == pytest.approx(30.0, abs=1.0)
    plant.house.heater_on = False
    bare_s = plant.house.bare_s
    plant.advance(plant.now_s + 30.0)
    assert plant.house.bare_s == bare_s


def test_a_heater_warms_the_tank_by_its_power_and_its_thermostat_ends_it() -> None:
    """300 W for an hour are 1080 kJ: in 504 L of water 0.51 K, by c = 4.18 kJ/(kg K)."""
    rig = replace(FULL, start_level_m=0.36, tank_c=20.0, sump=None)
    plant = running(rig, 3600.0, heater_on=True)
    assert plant.tank_temp_c - 20.0 == pytest.approx(1080.0 / (504.0 * 0.9982 * 4.18), rel=0.005)
    warm = running(replace(rig, tank_c=24.5), 3600.0, heater_on=True)
    assert warm.tank_temp_c == pytest.approx(24.5, abs=1e-9)


def test_waters_mix_by_enthalpy() -> None:
    """What one body gives and another takes is what mixing two waters gives; nothing is nothing."""
    hot, cold = Body.at(100.0, 40.0), Body.at(300.0, 10.0)
    hot.give(cold.take(150.0))
    expected = mix(Water(100.0, 40.0), Water(150.0, 10.0))
    assert hot.temp_c == pytest.approx(expected.temp_c, abs=1e-6)
    assert cold.volume_l == 150.0
    assert cold.temp_c == pytest.approx(10.0, abs=1e-6)
    for litres in (-1.0, 0.0):
        assert cold.take(litres).volume_l == 0.0
    assert cold.take(1000.0).volume_l == 150.0
    assert cold.take(1.0).volume_l == 0.0
    assert math.isnan(cold.temp_c)


def test_a_second_source_warms_and_fills_and_no_meter_sees_it() -> None:
    """3 L/min for ten minutes are 30 L at room temperature and not one pulse."""
    rig = replace(CALM, tank_c=26.0)
    plant = Plant(rig)
    plant.house.topup_lpm = 3.0
    assert plant.advance(600.0) == []
    assert plant.volume_l == pytest.approx(rig.volume_l(0.27) + 30.0)
    expected = mix(Water(rig.volume_l(0.27), 26.0), Water(30.0, rig.room_c))
    assert plant.tank_temp_c == pytest.approx(expected.temp_c, abs=1e-6)


# What else can go wrong with the water itself


def test_a_burst_main_sucks_the_tank_back_and_the_meter_counts_forward() -> None:
    """Five metres of suction below the house pull some litres a minute out of the tank through a
    hose that hangs into it, and the meter's pulses come as if they went in.
    """
    plant = Plant(replace(CALM, start_level_m=0.42))
    plant.energise(True)
    plant.advance(30.0)
    plant.head_part, plant.hose_end_m = -0.2, 0.0
    level_m, returned_l = plant.level_m, plant.returned_l
    pulses = plant.advance(90.0)
    assert plant.inflow_lpm < -3.0
    assert plant.level_m < level_m - 0.002
    assert len(pulses) == pytest.approx((plant.returned_l - returned_l) * 450, abs=2)
    plant.energise(False)
    plant.advance(100.0)
    assert plant.inflow_lpm == 0.0


def test_another_station_on_the_supply_takes_its_part() -> None:
    """With 70 % of the head left, the flow is that of 70 % of the head."""
    shared, poor = Plant(CALM), Plant(replace(CALM, head_m=0.7 * CALM.head_m))
    shared.head_part = 0.7
    for plant in (shared, poor):
        plant.energise(True)
        plant.advance(60.0)
    assert shared.inflow_lpm == pytest.approx(poor.inflow_lpm, rel=1e-9)


def test_lost_mains_are_the_same_as_an_event_of_no_head() -> None:
    """Setting the part of the head that is there to nothing is what a planned loss does."""
    rig = replace(CALM, hose_end_m=0.0)
    planned, now = Plant(replace(rig, head_events=(HeadEvent(0.0, 1e9, 0.0),))), Plant(rig)
    now.head_part = 0.0
    for plant in (planned, now):
        plant.energise(True)
        plant.advance(60.0)
    assert now.returned_l == planned.returned_l > 0.0


def test_a_gully_takes_what_the_hose_loses_and_keeps_the_floor_dry() -> None:
    """A fifth of the flow is gone, and the probe never sees it; what runs over the rim is seen."""
    plant = Plant(replace(CALM, start_level_m=0.57))
    plant.joint_leak, plant.gully = 0.2, True
    plant.energise(True)
    plant.advance(60.0)
    assert plant.house.away_l == pytest.approx(0.2 * plant.delivered_l)
    assert plant.floor_l == 0.0
    plant.advance(900.0)
    assert plant.floor_wet


def test_a_jammed_rotor_lets_water_pass_and_a_fast_one_counts_too_much() -> None:
    """Jammed: litres and no pulse. With a gain of 1.15: 15 % more pulses than litres."""
    plant = Plant(CALM)
    plant.energise(True)
    plant.advance(60.0)
    plant.meter_jammed, before_l = True, plant.delivered_l
    assert plant.advance(120.0) == []
    assert plant.delivered_l - before_l > 9.0
    plant.meter_jammed, plant.meter_gain, before_l = False, 1.15, plant.delivered_l
    pulses = len(plant.advance(180.0))
    assert pulses == pytest.approx(1.15 * 450 * (plant.delivered_l - before_l), abs=2)


def test_the_surface_moves_by_millimetres_and_more_with_inflow() -> None:
    """Waves stay within their stated height, use most of it, average out, and are the same for
    whoever looks.
    """
    plant = Plant(CALM, seed=4)
    times_s = [0.1 * n for n in range(3000)]
    still = [plant.surface_m(at_s) - plant.level_m for at_s in times_s]
    assert max(map(abs, still)) <= CALM.wave_m
    plant.energise(True)
    plant.advance(30.0)
    moved = [plant.surface_m(at_s) - plant.level_m for at_s in times_s]
    most_m = CALM.wave_m + CALM.wave_m_per_lpm * plant.inflow_lpm
    assert 0.8 * most_m < max(map(abs, moved)) <= most_m
    assert 0.002 < most_m < 0.005
    assert abs(sum(moved) / len(moved)) < 0.02 * most_m
    assert moved == [plant.surface_m(at_s) - plant.level_m for at_s in times_s]
    other = Plant(CALM, seed=5)
    assert other.surface_m(1.0) != Plant(CALM, seed=4).surface_m(1.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"high_m": 0.5},
        {"low_m": 0.33},
        {"intake_m": 0.2},
        {"start_m": 0.41},
        {"start_m": -0.1},
        {"length_m": 0.0},
        {"rim_m": math.nan},
    ],
)
def test_an_impossible_sump_is_refused(wrong: dict[str, Any]) -> None:
    """A sump that cannot be built says what is allowed."""
    with pytest.raises(BrimwatchError, match=r"rig.sump: .*allowed"):
        Sump(**wrong)


def test_a_rig_without_a_sump_has_no_height_in_it() -> None:
    """Its height is NaN, nothing can be bailed or brought, and all that is held is what is gone."""
    house = Plant(CALM).house
    house.bail_sump(0.0)
    house.bring(10.0)
    assert math.isnan(house.sump_m)
    assert not house.store_full
    assert house.held_l == house.added_l == 0.0
