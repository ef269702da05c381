"""A world with everything fitted, on simulated pins: what each new sensor and fault shows."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import BrimwatchError
from monitor.simulate.faults import AT_CLOSE, FAULTS, Story
from monitor.simulate.house import Drain, Heater, Store, Sump
from monitor.simulate.pins import SimFactory
from monitor.simulate.plant import Plant, Rig
from monitor.simulate.spi import converted
from monitor.simulate.world import LevelProbe, LocalBench, Wiring, World

TICK_S = 0.2
PROBE = LevelProbe(
    select_pin=8, channel=0, zero_v=0.5, full_v=2.5, span_m=1.0, reference_v=3.3, noise_m=0.001
)
WIRING = Wiring(
    float_pin=22,
    leak_pin=23,
    flow_pin=24,
    relay_pin=17,
    high_float_pin=25,
    low_float_pin=5,
    sump_high_pin=6,
    sump_low_pin=12,
    store_pin=13,
    drain_pin=16,
    level=PROBE,
    tank_w1_address="28-00000b71c0d3",
)
RIG = replace(
    Rig(),
    wander=0.0,
    mix_hunting_c=0.0,
    tank_c=24.0,
    sump=Sump(),
    drain=Drain(by="pump"),
    store=Store(),
    heater=Heater(exposed_m=0.35),
)
FULL_TANK = replace(RIG, start_level_m=0.57)
PINS = {"high": 22, "over": 25, "low": 5, "sump high": 6, "sump low": 12, "store": 13, "leak": 23}


class Stand:
    """A fully fitted world on mock pins, its two relays switched by hand."""

    def __init__(
        self, tmp_path: Path, rig: Rig = RIG, wiring: Wiring = WIRING, seed: int = 0
    ) -> None:
        self.now_s = 0.0
        self.root = tmp_path / "w1"
        self.factory: Any = SimFactory(lambda: self.now_s)
        self.plant = Plant(rig, seed=seed)
        self.begun: list[str] = []
        self.world = World(
            self.plant, LocalBench(self.factory, rest_high=wiring.rest_high), wiring, self.root,
            seed, on_fault=lambda name, _at_s: self.begun.append(name),
        )  # fmt: skip
        self.wiring = wiring
        self.world.advance(0.0)

    def relay(self, pin: int, on: bool) -> None:
        active = {17: self.wiring.relay_active_high, 16: self.wiring.drain_active_high}
        self.factory.pin(pin).output_with_state(on == active[pin])

    def run(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s - 1e-9:
            self.now_s = min(self.now_s + TICK_S, end_s)
            self.world.advance(self.now_s)

    def run_until(self, done: Callable[[], bool], *, limit_s: float = 7200.0) -> None:
        end_s = self.now_s + limit_s
        while not done():
            assert self.now_s < end_s, "it never happened"
            self.run(TICK_S)

    def open_loops(self) -> set[str]:
        """Return the floats whose loop is open; the leak probe's when it is dry."""
        return {name for name, pin in PINS.items() if self.factory.pin(pin).state}

    def level_m(self) -> float:
        """Return the level that an MCP3208 (twelve bits) shows on this input."""
        (_, high, low) = converted([0x06, 0x00, 0x00], self.factory.analog_inputs(8))
        volts = ((high & 0x0F) << 8 | low) / 4096 * 3.3
        return (volts - 0.5) / 2.0

    def temps_c(self) -> tuple[float, float]:
        """Return what the incoming and the tank's thermometers say."""
        paths = (self.wiring.w1_address, self.wiring.tank_w1_address or "")
        texts = [(self.root / each / "w1_slave").read_text(encoding="ascii") for each in paths]
        incoming_c, tank_c = (int(text.rpartition("t=")[2]) / 1000 for text in texts)
        return incoming_c, tank_c


# Sensors


def test_a_low_float_opens_its_loop_when_the_water_is_below_it(tmp_path: Path) -> None:
    """Water above the low mark closes the loop, at the mark and below it is open; it closes again
    a little above, and the loops of all that is well are closed.
    """
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.30))
    stand.run(1.0)
    assert stand.open_loops() == {"leak"}
    stand.relay(16, True)
    stand.run_until(lambda: "low" in stand.open_loops())
    assert stand.plant.level_m == pytest.approx(0.27, abs=0.0001)
    stand.relay(16, False)
    stand.relay(17, True)
    stand.run_until(lambda: "low" not in stand.open_loops())
    assert stand.plant.level_m == pytest.approx(0.272, abs=0.0001)


def test_the_floats_of_the_sump_turn_over_at_their_heights(tmp_path: Path) -> None:
    """Low at 12 cm when the pump empties it, high at 32 cm when the fill runs over into it."""
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.3))
    assert stand.world.switch("pump", True)
    stand.run_until(lambda: "sump low" in stand.open_loops())
    assert stand.plant.house.sump_m == pytest.approx(0.12, abs=0.0003)
    assert not stand.world.switch("pump", False)
    stand.plant.house.weir_m = stand.plant.level_m
    stand.relay(17, True)
    stand.run_until(lambda: "sump low" not in stand.open_loops())
    assert stand.plant.house.sump_m == pytest.approx(0.122, abs=0.0003)
    stand.run_until(lambda: "sump high" in stand.open_loops())
    assert stand.plant.house.sump_m == pytest.approx(0.32, abs=0.0003)


def test_the_waste_waters_float_opens_when_its_vessel_is_full(tmp_path: Path) -> None:
    """At 20 L of 25 L the loop opens; nothing is on the floor yet."""
    stand = Stand(tmp_path, replace(FULL_TANK, store=Store(room_l=25.0, full_l=20.0)))
    stand.relay(16, True)
    stand.run_until(lambda: "store" in stand.open_loops())
    assert stand.plant.house.stored_l == pytest.approx(20.0, abs=0.1)
    assert stand.plant.floor_l == 0.0


def test_the_level_probe_shows_the_moving_surface_with_its_noise(tmp_path: Path) -> None:
    """What the converter gives is the true level within waves, five deviations of noise and half
    a step of 12 bits; over a minute it averages to the truth within 0.3 mm, and it does scatter.
    """
    stand = Stand(tmp_path, seed=3)
    stand.relay(17, True)
    stand.run(10.0)
    wave_m = RIG.wave_m + RIG.wave_m_per_lpm * stand.plant.inflow_lpm
    errors = []
    for _ in range(120):
        stand.run(0.6)
        errors.append(stand.level_m() - stand.plant.level_m)
    step_m = 3.3 / 4096 / 2.0
    # The reading is at most a quarter second old, in which the level rises by 0.03 mm.
    assert max(map(abs, errors)) <= wave_m + 5 * PROBE.noise_m + step_m + 0.0001
    # A converter cuts and does not round: half a step low on average.
    assert sum(errors) / len(errors) == pytest.approx(-step_m / 2, abs=0.0003)
    assert max(errors) - min(errors) > wave_m


def test_the_tanks_thermometer_shows_the_tank_and_not_the_pipe(tmp_path: Path) -> None:
    """24.0 °C in the tank, 20.0 °C in the standing pipe, each within bias, noise and a step."""
    stand = Stand(tmp_path)
    stand.run(10.0)
    incoming_c, tank_c = stand.temps_c()
    assert incoming_c == pytest.approx(20.0, abs=0.2 + 5 * 0.03 + 0.032)
    assert tank_c == pytest.approx(24.0, abs=0.2 + 5 * 0.03 + 0.032)


def test_an_empty_tanks_thermometer_hangs_in_the_air(tmp_path: Path) -> None:
    """With no water around it, it shows the room, and the file stays a file."""
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.0))
    stand.run(30.0)
    assert stand.temps_c()[1] == pytest.approx(20.0, abs=0.4)


@pytest.mark.parametrize("active_high", [True, False])
def test_the_drains_relay_lets_water_out_and_the_fills_does_not(
    tmp_path: Path, active_high: bool
) -> None:
    """Each relay moves its own water; a program that lets go of the pins stops both."""
    wiring = replace(WIRING, drain_active_high=active_high)
    stand = Stand(tmp_path, FULL_TANK, wiring)
    stand.relay(16, True)
    stand.run(10.0)
    assert stand.plant.house.drain_lpm == 15.0
    assert stand.plant.inflow_lpm == 0.0
    stand.factory.pin(16).close()
    stand.run(5.0)
    assert stand.plant.house.drain_lpm == 0.0


def test_plugs_switch_heater_and_pump(tmp_path: Path) -> None:
    """A plug's load does what the plug says, and the answer is what the load has then."""
    stand = Stand(tmp_path)
    house = stand.plant.house
    assert stand.world.switch("heater", True)
    assert (house.heater_on, house.pump_on) == (True, False)
    assert stand.world.switch("pump", True)
    assert not stand.world.switch("heater", False)
    assert (house.heater_on, house.pump_on) == (False, True)


# Faults


def begin(stand: Stand, name: str, *, at_s: float = 5.0) -> None:
    stand.world.inject(name, at_s=at_s)
    stand.run(at_s - stand.now_s + TICK_S)
    assert stand.begun == [name]


@pytest.mark.parametrize("name", [n for n, s in FAULTS.items() if s.needs])
def test_every_fault_of_a_fuller_rig_runs_and_is_mended(tmp_path: Path, name: str) -> None:
    """Whatever is put in, all the water stays accounted for, and mended it is a fault no more."""
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.45))
    plant = stand.plant
    before_l = plant.volume_l + plant.house.held_l
    stand.relay(16 if FAULTS[name].during is Story.DRAIN else 17, True)
    begin(stand, name)
    stand.run(120.0)
    came_l = plant.delivered_l - plant.returned_l + plant.house.added_l
    held_l = plant.volume_l + plant.house.held_l + plant.floor_l
    assert held_l - before_l == pytest.approx(came_l, abs=1e-6)
    assert stand.world.faults == (name,)
    stand.world.clear(name)
    assert stand.world.faults == ()
    assert not plant.house.siphon_open
    assert plant.house.weir_m == Sump().weir_m
    assert (plant.head_part, plant.hose_end_m, plant.meter_gain) == (1.0, RIG.hose_end_m, 1.0)


@pytest.mark.parametrize(
    ("name", "lost"), [("hose-astray", 1.0), ("hose-split", 0.2), ("hose-split-half", 0.5)]
)
def test_lost_water_never_reaches_the_probe(tmp_path: Path, name: str, lost: float) -> None:
    """Its part of the flow is gone for good, the floor stays dry and the meter goes on."""
    stand = Stand(tmp_path)
    stand.relay(17, True)
    begin(stand, name, at_s=30.0)
    level_l, delivered_l, away_l = stand.plant.volume_l, stand.plant.delivered_l, 0.0
    away_l = stand.plant.house.away_l
    stand.run(60.0)
    came_l = stand.plant.delivered_l - delivered_l
    assert (stand.plant.house.away_l - away_l) / came_l == pytest.approx(lost, rel=1e-6)
    assert stand.plant.volume_l - level_l == pytest.approx((1 - lost) * came_l, abs=1e-6)
    assert "leak" in stand.open_loops()
    assert stand.world.truth.away_l == stand.plant.house.away_l


def test_a_drain_left_open_takes_about_half_of_the_fill(tmp_path: Path) -> None:
    """The siphon takes between 40 and 60 % of 10 L/min away, to where nobody measures it."""
    stand = Stand(tmp_path, replace(RIG, store=None))
    stand.relay(17, True)
    begin(stand, "drain-open", at_s=30.0)
    delivered_l, away_l = stand.plant.delivered_l, stand.plant.house.away_l
    stand.run(60.0)
    part = (stand.plant.house.away_l - away_l) / (stand.plant.delivered_l - delivered_l)
    assert 0.4 < part < 0.6


def test_the_back_siphon_makes_the_level_fall_and_pulses_come(tmp_path: Path) -> None:
    """Within a minute the tank has lost more than 2 L, and the valve's closing ends it."""
    stand = Stand(tmp_path)
    stand.relay(17, True)
    begin(stand, "back-siphon", at_s=30.0)
    level_m = stand.plant.level_m
    stand.run(60.0)
    assert stand.plant.level_m < level_m - 2.0 / 1400
    assert stand.world.truth.returned_l > 2.0
    stand.relay(17, False)
    stand.run(5.0)
    assert stand.plant.inflow_lpm == 0.0


def test_a_slipped_weir_brings_the_water_to_the_sumps_float(tmp_path: Path) -> None:
    """The truth notes when, to the tick; the floor is dry then, and soon is not if nobody acts."""
    stand = Stand(tmp_path)
    stand.relay(17, True)
    begin(stand, "sump-high", at_s=10.0)
    stand.run_until(lambda: "sump high" in stand.open_loops(), limit_s=600.0)
    truth = stand.world.truth
    assert truth.reached_s == stand.now_s
    assert truth.spilled_l == 0.0
    stand.run(300.0)
    assert stand.world.truth.spilled_l > 10.0


def test_the_pump_is_started_again_with_a_bailed_sump(tmp_path: Path) -> None:
    """It waits for the valve's closing, then for somebody to press the plug's button; the low
    float turns over, and the pump runs dry if nobody acts.
    """
    stand = Stand(tmp_path)
    pressed: list[tuple[str, bool, float]] = []
    stand.world.on_plug = lambda plug, on: pressed.append((plug, on, stand.now_s))
    stand.world.inject("pump-dry")
    stand.relay(17, True)
    stand.run(10.0)
    stand.relay(17, False)
    stand.run(TICK_S)
    assert stand.begun == ["pump-dry"]
    assert stand.plant.house.sump_m == pytest.approx(0.14)
    stand.run(59.0)
    assert pressed == []
    stand.run(2.0)
    assert [each[:2] for each in pressed] == [("pump", True)]
    stand.run_until(lambda: "sump low" in stand.open_loops(), limit_s=60.0)
    assert stand.world.truth.reached_s == stand.now_s
    assert stand.world.truth.pump_dry_s == 0.0
    stand.run(120.0)
    assert stand.world.truth.pump_dry_s > 30.0


def test_the_waste_waters_vessel_was_not_emptied(tmp_path: Path) -> None:
    """Ten litres after the onset its float turns over; the water that was there is accounted."""
    stand = Stand(tmp_path, FULL_TANK)
    stand.relay(16, True)
    begin(stand, "storage-full")
    drained_l = stand.plant.house.drained_l
    stand.run_until(lambda: "store" in stand.open_loops(), limit_s=60.0)
    assert stand.plant.house.drained_l - drained_l == pytest.approx(10.0, abs=0.2)
    assert stand.world.truth.reached_s == stand.now_s
    assert stand.plant.house.brought_l == pytest.approx(560.0 - 10.0 - drained_l, abs=0.2)


def test_a_stuck_plug_says_that_it_is_on_whatever_it_is_told(tmp_path: Path) -> None:
    """Somebody has switched the heater on; orders no longer reach it, and it gets bare."""
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.37))
    pressed: list[tuple[str, bool]] = []
    stand.world.on_plug = lambda plug, on: pressed.append((plug, on))
    stand.relay(16, True)
    begin(stand, "heater-stuck")
    assert pressed == [("heater", True)]
    assert stand.world.switch("heater", False) is True
    stand.run_until(lambda: stand.world.truth.reached_s is not None, limit_s=300.0)
    assert stand.plant.level_m == pytest.approx(0.35, abs=0.0001)
    stand.run(10.0)
    assert stand.world.truth.heater_bare_s == pytest.approx(10.0, abs=1.0)
    stand.world.clear("heater-stuck")
    assert stand.world.switch("heater", False) is False


def test_a_siphon_runs_on_after_the_drain_until_a_person_comes(tmp_path: Path) -> None:
    """It begins with the drain relay's release, and the called person takes the hose out."""
    stand = Stand(tmp_path, replace(RIG, start_level_m=0.28))
    stand.world.inject("siphon-left")
    stand.relay(16, True)
    stand.run(30.0)
    assert stand.begun == []
    stand.relay(16, False)
    stand.run(10.0)
    truth = stand.world.truth
    assert truth.fault_onset_s == truth.drain_off_s == pytest.approx(30.2)
    assert truth.drain_stopped_s is None
    assert stand.plant.house.drain_lpm > 3.0
    stand.world.call_person(stand.now_s)
    stand.run(181.0)
    truth = stand.world.truth
    assert truth.drain_stopped_s == pytest.approx(40.0 + 180.0)
    assert truth.min_level_m < 0.27


def test_a_fault_of_draining_waits_for_its_part_of_the_drain(tmp_path: Path) -> None:
    """At 30 % of the litres down to the low mark, and not at 30 % of a fill."""
    stand = Stand(tmp_path, FULL_TANK)
    stand.world.inject("heater-stuck")
    stand.relay(16, True)
    stand.run_until(lambda: bool(stand.begun))
    assert stand.plant.house.drained_l == pytest.approx(0.3 * 420.0, abs=0.1)


def test_a_frozen_level_is_the_same_to_the_bit(tmp_path: Path) -> None:
    """From its onset the converter's input does not move, though the water does."""
    stand = Stand(tmp_path)
    stand.relay(17, True)
    begin(stand, "level-frozen", at_s=10.0)
    shown = {**stand.factory.analog_inputs(8)}
    level_m = stand.plant.level_m
    stand.run(60.0)
    assert stand.factory.analog_inputs(8) == shown
    assert stand.plant.level_m > level_m + 0.005


def test_swapped_thermometers_read_each_others_water(tmp_path: Path) -> None:
    """The tank's address shows the pipe and the pipe's the tank."""
    stand = Stand(tmp_path)
    stand.world.inject("temps-swapped")
    stand.run(20.0)
    incoming_c, tank_c = stand.temps_c()
    assert incoming_c == pytest.approx(24.0, abs=0.4)
    assert tank_c == pytest.approx(20.0, abs=0.4)


def test_a_thermometer_in_still_air_does_not_answer_to_the_flow(tmp_path: Path) -> None:
    """It goes on showing the tank's temperature when warm water begins to run."""
    stand = Stand(tmp_path, replace(RIG, mix_c=26.0))
    stand.world.inject("temp-astray")
    stand.run(20.0)
    before_c = stand.temps_c()[0]
    stand.relay(17, True)
    stand.run(60.0)
    assert stand.plant.temp_in_c == pytest.approx(26.0, abs=0.1)
    assert stand.temps_c()[0] == pytest.approx(before_c, abs=0.2)


def test_the_mixing_valve_drifts_by_degrees_within_a_wide_band(tmp_path: Path) -> None:
    """Mended, it comes back to its set point."""
    stand = Stand(tmp_path, replace(RIG, mix_c=24.0))
    stand.relay(17, True)
    begin(stand, "tank-drift", at_s=60.0)
    stand.run(60.0)
    assert stand.plant.temp_in_c == pytest.approx(26.5, abs=0.05)
    stand.world.clear("tank-drift")
    stand.run(60.0)
    assert stand.plant.temp_in_c == pytest.approx(24.0, abs=0.05)


def test_a_top_up_device_adds_what_no_meter_sees(tmp_path: Path) -> None:
    """3 L/min beside the fill."""
    stand = Stand(tmp_path)
    stand.relay(17, True)
    begin(stand, "top-up", at_s=10.0)
    level_l, delivered_l = stand.plant.volume_l, stand.plant.delivered_l
    stand.run(60.0)
    more_l = stand.plant.volume_l - level_l - (stand.plant.delivered_l - delivered_l)
    assert more_l == pytest.approx(3.0, abs=1e-6)
    assert stand.world.truth.topped_l == pytest.approx(3.0 + 3.0 * TICK_S / 60, abs=1e-6)


def test_faults_that_begin_before_the_fill_begin_with_the_first_look(tmp_path: Path) -> None:
    """An onset of nothing is now, whatever is asked for later."""
    for name, spec in FAULTS.items():
        if spec.onset == 0.0:
            stand = Stand(tmp_path / name)
            stand.world.inject(name)
            stand.run(TICK_S)
            assert stand.begun == [name]
            assert stand.world.truth.fault_onset_s == pytest.approx(TICK_S)
    assert {spec.onset for spec in FAULTS.values()} > {0.0, AT_CLOSE}


def test_a_full_world_replays_from_its_seed(tmp_path: Path) -> None:
    """Equal seeds show equal volts, files and truth; another seed does not."""

    def story(folder: str, seed: int) -> tuple[Any, ...]:
        stand = Stand(tmp_path / folder, seed=seed)
        stand.world.inject("top-up", at_s=5.0)
        stand.relay(17, True)
        shown = []
        for _ in range(30):
            stand.run(random.Random(seed).uniform(0.5, 1.5))
            shown.append(stand.factory.analog_inputs(8)[0])
        return shown, stand.temps_c(), stand.world.truth

    assert story("a", 3) == story("b", 3)
    assert story("c", 4)[0] != story("d", 3)[0]


def test_a_wrong_tank_address_is_refused() -> None:
    """Both thermometers' addresses must be a DS18B20's."""
    with pytest.raises(BrimwatchError, match="tank_w1_address"):
        replace(WIRING, tank_w1_address="28-xyz")


def test_only_active_low_relays_rest_high() -> None:
    """The pins that a resistor holds high are those of the relays that a low level switches on."""
    assert WIRING.rest_high == ()
    assert replace(WIRING, drain_active_high=False).rest_high == (16,)
    assert replace(WIRING, relay_active_high=False, drain_active_high=False).rest_high == (17, 16)
    assert replace(WIRING, drain_pin=None, drain_active_high=False).rest_high == ()
