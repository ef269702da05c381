"""The sample configs: what each has, which faults it can have, and the water's side of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import monitor.simulate
from monitor.config import Config, load
from monitor.core.mixing import Water, mix
from monitor.errors import BrimwatchError
from monitor.simulate.faults import FAULTS, Need, Story, offered
from monitor.simulate.fitting import checked_fault, fitted
from monitor.simulate.plant import Rig
from monitor.simulate.world import DRIFT_C
from monitor.stage.devices import topics_of
from monitor.stage.play import Stage
from monitor.stage.script import Script, rig_of, story_of, wiring_of

FOLDER = Path(monitor.simulate.__file__).parent
SIMPLE = load(FOLDER / "river.toml")
FULL = load(FOLDER / "full.toml")
OLD = 18  # faults that every rig can have, but for the one whose sensor every rig has


def script(config: Config, fault: str | None = None, **more: float) -> Script:
    return Script(config=config, station="river", fault=fault, start_level_m=more.get("level_m"))


def test_the_full_config_has_everything_and_the_simple_one_nothing_of_it() -> None:
    """So between them every fault is offered, and the simple one offers what needs nothing."""
    assert fitted(SIMPLE.stations["river"]) == frozenset()
    assert fitted(FULL.stations["river"]) == frozenset(Need)
    assert [spec.name for spec in offered(fitted(FULL.stations["river"]))] == list(FAULTS)
    simple = offered(fitted(SIMPLE.stations["river"]))
    assert len(simple) == OLD + 1
    assert not any(spec.needs for spec in simple)


@pytest.mark.parametrize("name", [n for n, s in FAULTS.items() if s.needs])
def test_a_fault_that_a_rig_cannot_have_is_refused(name: str) -> None:
    """The refusal says what is not fitted and which faults there are, before anything starts."""
    with pytest.raises(BrimwatchError, match=r"not fitted: .*allowed: float-stuck.*full\.toml"):
        Stage(script(SIMPLE, name))
    checked_fault(FULL.stations["river"], name)
    Stage(script(FULL, name))


def test_one_missing_need_of_two_is_enough_to_refuse() -> None:
    """Only what is missing is named."""
    station = FULL.stations["river"]
    sensors = {key: part for key, part in station.sensors.items() if key != "depth"}
    with pytest.raises(BrimwatchError, match="needs what is not fitted: level "):
        checked_fault(replace(station, sensors=sensors), "siphon-left")
    with pytest.raises(BrimwatchError, match="drain by valve or pump, storage_full"):
        checked_fault(SIMPLE.stations["river"], "storage-full")


def test_a_fault_of_draining_is_played_from_a_full_tank() -> None:
    """A drain starts at the mark, a fill at its usual start, and a level that is given is kept."""
    station = FULL.stations["river"]
    assert story_of(script(FULL)) is Story.FILL
    assert story_of(script(FULL, "storage-full")) is Story.DRAIN
    assert rig_of(station, script(FULL, "storage-full")).start_level_m == 0.57
    assert rig_of(station, script(FULL)).start_level_m == 0.27
    assert rig_of(station, script(FULL, "storage-full", level_m=0.4)).start_level_m == 0.4


def test_the_simple_rig_is_what_it_was() -> None:
    """Nothing stands around the simple tank, and its numbers are the invented museum's."""
    rig = rig_of(SIMPLE.stations["river"], script(SIMPLE))
    assert (rig.sump, rig.store, rig.heater) == (None, None, None)
    assert rig == Rig(float_m=0.57, high_float_m=0.58)


def test_the_full_rig_fits_its_config() -> None:
    """Floats hang at the config's heights, the weir above the mark and the running pump's water
    below the second float, the heater where it is bare, and each pin where the drivers look.
    """
    station = FULL.stations["river"]
    rig, wiring = rig_of(station, script(FULL)), wiring_of(station)
    assert (rig.low_float_m, rig.float_m, rig.high_float_m) == (0.27, 0.57, 0.58)
    assert rig.sump is not None
    assert rig.float_m < rig.sump.weir_m < rig.high_float_m
    assert rig.drain.by == "pump"
    assert rig.heater is not None
    assert rig.heater.exposed_m == 0.35
    pins = [
        wiring.float_pin, wiring.high_float_pin, wiring.low_float_pin, wiring.sump_high_pin,
        wiring.sump_low_pin, wiring.store_pin, wiring.drain_pin, wiring.leak_pin,
        wiring.flow_pin, wiring.relay_pin,
    ]  # fmt: skip
    assert pins == [22, 25, 5, 6, 12, 13, 16, 23, 24, 17]
    assert wiring.level is not None
    assert (wiring.level.select_pin, wiring.level.zero_v, wiring.level.full_v) == (8, 0.5, 2.5)
    assert wiring.tank_w1_address == "28-00000b71c0d3"
    assert {topics.plug for topics in topics_of(station)} == {"heater", "pump"}


def test_the_drift_is_inside_the_band_and_moves_the_tank_too_far() -> None:
    """What the fault "tank-drift" does is right by the band and wrong by the tank's own limit,
    with the thermometers' error of 0.2 °C against it.
    """
    station = FULL.stations["river"]
    rig, tank = rig_of(station, script(FULL)), station.tank
    assert tank is not None
    assert tank.change_c is not None
    drifted_c = rig.mix_c + DRIFT_C
    assert drifted_c + 0.2 + rig.mix_hunting_c < station.incoming.high_c
    after = mix(Water(rig.volume_l(0.27), rig.tank_c), Water(rig.need_l, drifted_c - 0.2))
    assert after.temp_c - rig.tank_c > tank.change_c
    well = mix(Water(rig.volume_l(0.27), rig.tank_c), Water(rig.need_l, rig.mix_c + 0.2))
    assert well.temp_c - rig.tank_c < tank.change_c / 2
