from __future__ import annotations

import math
import os
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from crccheck.crc import Crc8Maxim
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from monitor.errors import BrimwatchError
from monitor.simulate.faults import (
    AT_CLOSE,
    FAULTS,
    Acts,
    From,
    Need,
    Outcome,
    Story,
    fault,
)
from monitor.simulate.pins import SimFactory
from monitor.simulate.plant import Plant, Rig
from monitor.simulate.w1 import scratchpad, w1_text
from monitor.simulate.world import (
    LEAK_PART,
    RESPONDER_S,
    LocalBench,
    Wiring,
    World,
)

TICK_S = 0.2
WIRING = Wiring(float_pin=22, leak_pin=23, flow_pin=24, relay_pin=17, high_float_pin=25)
CALM = replace(Rig(), wander=0.0, mix_hunting_c=0.0)


class Stand:
    """A world on mock pins, its relay switched by hand and its meter's edges counted."""

    def __init__(
        self,
        tmp_path: Path,
        *,
        kind: str = "sim",
        rig: Rig = CALM,
        wiring: Wiring = WIRING,
        seed: int = 0,
    ) -> None:
        self.now_s = 0.0
        self.root = tmp_path / "w1"
        self.factory: Any = MockFactory() if kind == "mock" else SimFactory(lambda: self.now_s)
        # An active-low relay has a resistor that holds its input high while nobody drives it.
        rest = () if wiring.relay_active_high else (wiring.relay_pin,)
        self.bench = LocalBench(self.factory, rest_high=rest)
        self.begun: list[tuple[str, float]] = []
        self.plant = Plant(rig, seed=seed)
        self.world = World(
            self.plant, self.bench, wiring, self.root, seed,
            on_fault=lambda name, at_s: self.begun.append((name, at_s)),
        )  # fmt: skip
        self.relay = self.factory.pin(wiring.relay_pin)
        self.edges: list[float] = []
        self._meter = self.factory.pin(wiring.flow_pin)
        self._meter.input_with_pull("up")
        self._meter.edges = "falling"
        self._on_edge: Callable[[float, bool], None] = lambda ticks, _: self.edges.append(ticks)
        self._meter.when_changed = self._on_edge
        self.wiring = wiring

    def open(self, on: bool) -> None:
        self.relay.function = "output"
        self.relay.state = on == self.wiring.relay_active_high

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

    def level(self, pin: int) -> bool:
        return bool(self.factory.pin(pin).state)

    def temp_c(self) -> float:
        """Return the temperature in the file, its CRC checked by a library."""
        return read_w1(self.root / self.wiring.w1_address / "w1_slave")


def read_w1(path: Path) -> float:
    """Read a w1_slave file by the kernel's documented format, with a CRC that is not ours."""
    text = path.read_text(encoding="ascii")
    found = re.fullmatch(
        r"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) YES\n((?:[0-9a-f]{2} ){9})t=(-?\d+)\n", text
    )
    assert found, text
    assert found[1] == found[3]
    data = bytes.fromhex(found[1])
    assert Crc8Maxim.calc(data[:8]) == data[8] == int(found[2], 16)
    assert data[4] == 0x7F  # 12 bit
    raw = int.from_bytes(data[:2], "little", signed=True)
    assert int(found[4]) == int(raw * 1000 / 16)
    return raw / 16


@pytest.fixture(params=["mock", "sim"])
def stand(request: pytest.FixtureRequest, tmp_path: Path) -> Stand:
    return Stand(tmp_path, kind=request.param)


# The table of faults

TABLE = {
    "float-stuck": ("W01", Acts.SENSOR, Outcome.CLOSE, None),
    "hose-off": ("W02", Acts.PLANT, Outcome.CLOSE, 1.0),
    "valve-stuck-open": ("W04", Acts.PLANT, Outcome.ALARM, 15.0),
    "leak": ("W06", Acts.PLANT, Outcome.CLOSE, 1.0),
    "hot": ("T01", Acts.PLANT, Outcome.HOLD, 10.0),
    "cold": ("T02", Acts.PLANT, Outcome.HOLD, 30.0),
    "no-flow": ("W15", Acts.PLANT, Outcome.HOLD, 30.0),
    "temp-gone": ("T06", Acts.SENSOR, Outcome.HOLD, 3.0),
    "broker-killed": ("C03", Acts.PROCESS, Outcome.CLOSE, 3.0),
    "engine-killed": ("C01", Acts.PROCESS, Outcome.CLOSE, 3.0),
    "engine-frozen": ("C02", Acts.PROCESS, Outcome.CLOSE, 3.0),
    "node-frozen": ("C06", Acts.PROCESS, Outcome.CLOSE, 5.0),
    "node-killed": ("C05", Acts.PROCESS, Outcome.CLOSE, 3.0),
    "network-cut": ("C04", Acts.LINK, Outcome.CLOSE, 3.0),
    "float-wire-broken": ("S01", Acts.SENSOR, Outcome.CLOSE, 1.0),
    "float-chatter": ("S05", Acts.SENSOR, Outcome.CLOSE, 3.0),
    "temp-85": ("T06", Acts.SENSOR, Outcome.HOLD, 3.0),
    "meter-noise": ("S04", Acts.SENSOR, Outcome.HOLD, 5.0),
    "hose-astray": ("W02", Acts.PLANT, Outcome.CLOSE, 60.0),
    "hose-split": ("W03", Acts.PLANT, Outcome.CLOSE, 300.0),
    "hose-split-half": ("W03", Acts.PLANT, Outcome.CLOSE, 300.0),
    "drain-open": ("W11", Acts.PLANT, Outcome.CLOSE, 300.0),
    "back-siphon": ("W12", Acts.PLANT, Outcome.CLOSE, 60.0),
    "meter-jammed": ("W16", Acts.SENSOR, Outcome.HOLD, 30.0),
    "meter-high": ("W17", Acts.SENSOR, Outcome.CLOSE, None),
    "top-up": ("W20", Acts.PLANT, Outcome.WARN, None),
    "sump-high": ("W08", Acts.PLANT, Outcome.CLOSE, 1.0),
    "pump-dry": ("W09", Acts.PLANT, Outcome.WARN, 10.0),
    "storage-full": ("W21", Acts.PLANT, Outcome.CLOSE, 1.0),
    "heater-stuck": ("W22", Acts.PLUG, Outcome.CLOSE, 1.0),
    "siphon-left": ("W23", Acts.PLANT, Outcome.ALARM, 60.0),
    "tank-drift": ("T04", Acts.PLANT, Outcome.CLOSE, None),
    "temp-astray": ("T05", Acts.SENSOR, Outcome.WARN, 300.0),
    "level-frozen": ("S06", Acts.SENSOR, Outcome.CLOSE, 60.0),
    "temps-swapped": ("T08", Acts.SENSOR, Outcome.REFUSE, None),
    "desk-killed": ("C16", Acts.PROCESS, Outcome.WARN, 10.0),
}


def test_the_table_says_what_the_hazard_catalogue_says() -> None:
    """Every fault has its hazard, its place, its response and its bound as the catalogue has."""
    said = {s.name: (s.hazard, s.acts, s.outcome, s.bound_s) for s in FAULTS.values()}
    assert said == TABLE


@pytest.mark.parametrize("spec", FAULTS.values(), ids=FAULTS)
def test_a_row_is_sound(spec: Any) -> None:
    """A row fits one line, has a usable onset, and names its own hazard among the causes."""
    assert spec.line
    assert "\n" not in spec.line
    assert len(spec.line) < 90
    assert spec.onset == AT_CLOSE or 0 <= spec.onset < 1
    assert spec.hazard in spec.causes
    assert spec.bound_s is None or spec.bound_s > 0
    # What begins with the end of the water is counted from there, or from where it matters.
    at_close = spec.onset == AT_CLOSE
    assert at_close or spec.bound_from is not From.COMMAND
    assert not at_close or spec.bound_from in {From.COMMAND, From.REACHED}
    # Everything that only a fuller rig has names what it needs, and a drain a drain.
    assert (Need.DRAIN in spec.needs) == (spec.during is Story.DRAIN)
    assert spec.linger_s == 0.0 or spec.onset == AT_CLOSE


def test_an_unknown_fault_is_met_with_the_known_ones() -> None:
    """A mistyped name is answered with the nearest one and the whole list."""
    with pytest.raises(BrimwatchError, match=r"'hose-of'.*float-stuck.*meter-noise.*'hose-off'"):
        fault("hose-of")
    with pytest.raises(ValueError, match="use one of these names"):
        fault("???")
    assert fault("hot") is FAULTS["hot"]


# Pins


def test_the_valve_never_moves_before_the_relay_and_at_most_a_tick_after(stand: Stand) -> None:
    """A relay switched between two ticks moves the valve from the second one on, not earlier."""
    stand.run(1.0)
    stand.open(True)
    stand.run(TICK_S)
    assert stand.plant.energised
    assert stand.plant.valve_travel == 0.0
    stand.run(TICK_S)
    assert stand.plant.valve_travel == pytest.approx(TICK_S)


def test_an_active_low_relay_reads_as_its_resistor_when_nobody_drives_it(tmp_path: Path) -> None:
    """With the program gone the pin is an input: the resistor keeps an active-low relay off."""
    stand = Stand(tmp_path, wiring=replace(WIRING, relay_active_high=False))
    stand.run(1.0)
    assert not stand.plant.energised
    stand.open(True)
    stand.run(1.0)
    assert stand.plant.energised
    stand.relay.close()
    stand.run(1.0)
    assert not stand.plant.energised


def test_a_killed_program_lets_go_of_the_relay(stand: Stand) -> None:
    """An output that becomes an input reads as released."""
    stand.open(True)
    stand.run(5.0)
    assert stand.plant.inflow_lpm > 0
    stand.relay.close()
    stand.run(5.0)
    assert stand.plant.inflow_lpm == 0.0


@pytest.mark.parametrize("kind", ["mock", "sim"])
def test_the_floats_turn_over_at_their_heights(tmp_path: Path, kind: str) -> None:
    """A closed loop (low) means water below; it opens at 0.58 m, the second at 0.59 m."""
    stand = Stand(tmp_path, kind=kind, rig=replace(CALM, start_level_m=0.57))
    stand.open(True)
    stand.run(1.0)
    assert not stand.level(22)
    assert not stand.level(25)
    stand.run_until(lambda: stand.level(22))
    assert stand.plant.level_m == pytest.approx(0.580, abs=0.0001)
    assert not stand.level(25)
    stand.run_until(lambda: stand.level(25))
    assert stand.plant.level_m == pytest.approx(0.590, abs=0.0001)


def test_a_float_falls_back_below_where_it_rose(tmp_path: Path) -> None:
    """The float stays up within its 2 mm of hysteresis and falls when the water is lower."""
    stand = Stand(tmp_path, rig=replace(CALM, start_level_m=0.57, hose_end_m=0.0))
    stand.open(True)
    stand.run_until(lambda: stand.level(22))
    lost_l = (0.580 - 0.579) * 1400
    stand.plant.volume_l -= lost_l
    stand.run(TICK_S)
    assert stand.level(22)
    stand.plant.volume_l -= 2 * lost_l
    stand.run(TICK_S)
    assert not stand.level(22)


def test_a_normally_open_float_is_wired_the_other_way_round(tmp_path: Path) -> None:
    """Wired normally open, the loop closes (low) when the water is high."""
    wiring = replace(WIRING, float_normally_closed=False)
    stand = Stand(tmp_path, wiring=wiring, rig=replace(CALM, start_level_m=0.57))
    stand.open(True)
    stand.run(1.0)
    assert stand.level(22)
    stand.run_until(lambda: stand.plant.level_m > 0.5805)
    assert not stand.level(22)


@pytest.mark.parametrize("wet_high", [False, True])
def test_the_leak_pin_follows_the_floor(tmp_path: Path, wet_high: bool) -> None:
    """The probe's pin has its dry level until half a decilitre is spilled, then its wet one."""
    stand = Stand(tmp_path, wiring=replace(WIRING, leak_wet_high=wet_high))
    stand.open(True)
    stand.run(10.0)
    assert stand.level(23) != wet_high
    stand.world.inject("hose-off", at_s=stand.now_s)
    stand.run_until(lambda: stand.level(23) == wet_high, limit_s=2.0)
    assert stand.plant.floor_l > 0.05
    assert stand.world.truth.probe_wet_s == stand.now_s


def test_every_pulse_arrives(stand: Stand) -> None:
    """The meter's pin gets as many falling edges as litres times pulses per litre."""
    stand.open(True)
    stand.run(60.0)
    metered_l = stand.world.truth.delivered_l
    # The first water passes below the meter's start-up flow and is not seen.
    assert len(stand.edges) == pytest.approx(metered_l * 450, abs=4)
    stand.open(False)
    stand.run(2.0)
    quiet = len(stand.edges)
    stand.run(10.0)
    assert len(stand.edges) == quiet


def test_pulse_times_are_exact_on_simulated_time(tmp_path: Path) -> None:
    """On pins that take a time, edges are spaced by 1 / (K Q), not bunched at the ticks."""
    stand = Stand(tmp_path)
    stand.open(True)
    stand.run(30.0)
    gaps = [b - a for a, b in pairwise(stand.edges[-500:])]
    expected_s = 1 / (7.5 * stand.plant.inflow_lpm)
    assert max(gaps) == pytest.approx(expected_s, rel=0.01)
    assert min(gaps) == pytest.approx(expected_s, rel=0.01)


def test_the_meter_is_the_one_in_the_wiring(tmp_path: Path) -> None:
    """Another nominal factor in the wiring makes that many pulses."""
    stand = Stand(tmp_path, wiring=replace(WIRING, pulses_per_litre=390.0))
    stand.open(True)
    stand.run(60.0)
    assert len(stand.edges) == pytest.approx(stand.plant.delivered_l * 390, abs=4)


def test_a_pin_that_a_driver_has_pulled_is_put_right(tmp_path: Path) -> None:
    """The mock pins of gpiozero jump to their pull when claimed; `drive` undoes that at once.

    So does it put a pin right that the program claims before the first tick.
    """
    fresh = Stand(tmp_path / "fresh", kind="mock")
    fresh.factory.pin(22).input_with_pull("up")
    fresh.world.drive(0.0)
    assert not fresh.level(22)
    assert fresh.level(23)
    stand = Stand(tmp_path, kind="mock")
    stand.run(1.0)
    stand.factory.pin(22).input_with_pull("up")
    assert stand.level(22)
    stand.world.drive(stand.now_s)
    assert not stand.level(22)


def test_the_bench_works_below_real_gpiozero_devices(tmp_path: Path) -> None:
    """A DigitalInputDevice and an OutputDevice of gpiozero see and move this world."""
    from gpiozero import DigitalInputDevice, OutputDevice

    stand = Stand(tmp_path, kind="mock")
    old, Device.pin_factory = Device.pin_factory, stand.factory
    try:
        with OutputDevice(17) as relay, DigitalInputDevice(23, pull_up=True) as probe:
            relay.on()
            stand.world.inject("hose-off", at_s=5.0)
            stand.run(4.0)
            assert stand.plant.inflow_lpm > 9
            assert not probe.is_active
            stand.run(4.0)
            assert probe.is_active
            relay.off()
            stand.run(4.0)
            assert stand.plant.inflow_lpm == 0.0
    finally:
        Device.pin_factory = old


# Temperature file

# DS18B20 datasheet, table 1: register, °C; thousandths as C's integer division cuts them.
REGISTERS = [
    (0x07D0, 125.0, 125000),
    (0x0191, 25.0625, 25062),
    (0x0172, 23.125, 23125),
    (0x00A2, 10.125, 10125),
    (0x0008, 0.5, 500),
    (0x0000, 0.0, 0),
    (0xFFFF, -0.0625, -62),
    (0xFFF8, -0.5, -500),
    (0xFF5E, -10.125, -10125),
    (0xFE6F, -25.0625, -25062),
    (0xFC90, -55.0, -55000),
]


@pytest.mark.parametrize(("register", "temp_c", "milli"), REGISTERS)
def test_the_memory_is_the_datasheets(register: int, temp_c: float, milli: int) -> None:
    """Every row of the datasheet's table 1 gives its register and the kernel's `t=`."""
    memory = scratchpad(temp_c)
    assert int.from_bytes(memory[:2], "little") == register
    assert memory[4:6] == b"\x7f\xff"
    assert memory[7] == 0x10
    assert w1_text(memory).endswith(f"t={milli}\n")


def test_a_real_eighty_five_degrees_is_not_the_power_on_value() -> None:
    """A measured 85 °C differs from the power-on pattern in byte 6 alone."""
    assert scratchpad(85.0) == bytes.fromhex("50 05 4b 46 7f ff 10 10")


@pytest.mark.parametrize(
    "line",
    [
        "72 01 4b 46 7f ff 0e 10 57",
        "73 01 4b 46 7f ff 0d 10 41",
        "50 05 4b 46 7f ff 0c 10 1c",
        "5e ff 4b 46 7f ff 02 10 b6",
    ],
)
def test_the_text_is_the_kernels(line: str) -> None:
    """Published readings (Linux w1_therm documentation, sensor output) come out alike."""
    data = bytes.fromhex(line)
    text = w1_text(data[:8])
    assert text.startswith(f"{line} : crc={data[8]:02x} YES\n{line} t=")
    assert Crc8Maxim.calc(data[:8]) == data[8]


def test_temperatures_outside_the_part_are_held() -> None:
    """Nothing the water does can leave the part's range of -55 to 125 °C."""
    assert scratchpad(400.0) == scratchpad(125.0)
    assert scratchpad(-400.0) == scratchpad(-55.0)


def test_the_file_follows_the_water_with_the_sensors_error(tmp_path: Path) -> None:
    """Once settled, the file is within bias, noise and a step of the truth; bias is by seed."""
    biases = []
    for seed in range(6):
        stand = Stand(tmp_path / str(seed), seed=seed)
        stand.open(True)
        stand.run(60.0)
        errors = []
        for _ in range(60):
            stand.run(1.0)
            errors.append(stand.temp_c() - stand.plant.temp_in_c)
        # 0.2 °C of bias, five deviations of noise, half a step.
        assert all(abs(error) < 0.2 + 5 * 0.03 + 0.032 for error in errors)
        assert len(set(errors)) > 1
        biases.append(sum(errors) / len(errors))
    assert max(biases) - min(biases) > 0.1


def test_the_sensor_lags_behind_a_jump(tmp_path: Path) -> None:
    """Two seconds after the water jumps, some 63 % of the way is shown (a first-order lag)."""
    rig = replace(CALM, mix_lag_s=0.001, pipe_l=0.0, room_c=25.0)
    stand = Stand(tmp_path, rig=rig)
    stand.open(True)
    stand.run(60.0)
    start_c = stand.temp_c()
    stand.world.inject("hot", at_s=stand.now_s)
    stand.run(2.2)  # Two seconds after the tick in which the water turned.
    shown = (stand.temp_c() - start_c) / (58.0 - 25.0)
    # The file is up to a second old, so between one and two seconds' worth is shown.
    assert 1 - math.exp(-0.5) - 0.02 < shown < 1 - math.exp(-1.1) + 0.02
    stand.run(20.0)
    assert stand.temp_c() == pytest.approx(58.0, abs=0.4)


def test_the_file_is_rewritten_once_a_second_and_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It appears with the first tick, is written once a second in one call, and is alone there."""
    stand = Stand(tmp_path)
    path = stand.root / WIRING.w1_address / "w1_slave"
    written: list[float] = []
    write = os.pwrite

    def noted(handle: int, content: bytes, offset: int) -> int:
        written.append(stand.now_s)
        assert offset == 0
        count = write(handle, content, offset)
        assert count == len(content)  # One call: a reader sees the old text or the new one.
        return count

    monkeypatch.setattr(os, "pwrite", noted)
    assert not path.exists()
    for _ in range(50):
        stand.run(TICK_S)
        assert [p.name for p in path.parent.iterdir()] == ["w1_slave"]
        assert path.read_text().count("\n") == 2
        read_w1(path)
    assert written[0] == pytest.approx(TICK_S)
    assert len(written) == pytest.approx(10, abs=1)
    assert all(
        later - sooner == pytest.approx(1.0, abs=TICK_S) for sooner, later in pairwise(written)
    )


# Faults, one by one


def test_float_stuck_stays_low_at_the_rim(tmp_path: Path) -> None:
    """The stuck float reads low though the water is at the rim; the second one still works."""
    stand = Stand(tmp_path, rig=replace(CALM, start_level_m=0.54))
    stand.world.inject("float-stuck")
    stand.open(True)
    stand.run_until(lambda: stand.plant.level_m >= 0.599)
    assert stand.begun[0][0] == "float-stuck"
    assert not stand.level(22)
    assert stand.level(25)


def test_hose_off_pours_on_the_floor(tmp_path: Path) -> None:
    """From 40 % of the fill on, all water is on the floor and the meter goes on counting."""
    stand = Stand(tmp_path)
    stand.world.inject("hose-off")
    stand.open(True)
    stand.run_until(lambda: bool(stand.begun))
    assert stand.plant.volume_l - 378.0 == pytest.approx(0.4 * 420.0, abs=0.1)
    volume_l, edges = stand.plant.volume_l, len(stand.edges)
    stand.run(30.0)
    assert stand.plant.volume_l == volume_l
    assert len(stand.edges) - edges > 30 * 70
    assert stand.world.truth.spilled_l > 4.0


def test_valve_stuck_open_waits_for_the_close(tmp_path: Path) -> None:
    """It begins when the coil is released, and the valve is still wide open then and after."""
    stand = Stand(tmp_path)
    stand.world.inject("valve-stuck-open")
    stand.open(True)
    stand.run(60.0)
    assert stand.begun == []
    stand.open(False)
    stand.run(30.0)
    assert stand.begun == [("valve-stuck-open", pytest.approx(60.2))]
    assert stand.plant.valve_travel == 1.0
    truth = stand.world.truth
    assert truth.relay_off_s == truth.fault_onset_s == pytest.approx(60.2)
    assert truth.valve_shut_s is None
    assert truth.water_stopped_s is None


def test_a_leak_loses_a_twentieth(tmp_path: Path) -> None:
    """A leaking joint puts 5 % of the flow on the floor and wets the probe within 10 s."""
    stand = Stand(tmp_path)
    stand.world.inject("leak", at_s=30.0)
    stand.open(True)
    stand.run(30.0)
    delivered_l = stand.plant.delivered_l
    stand.run(10.0)
    assert not stand.level(23)
    lost = stand.plant.floor_l / (stand.plant.delivered_l - delivered_l)
    assert lost == pytest.approx(LEAK_PART, rel=1e-6)


@pytest.mark.parametrize(("name", "end_c"), [("hot", 58.0), ("cold", 11.0)])
def test_hot_and_cold_reach_the_file(tmp_path: Path, name: str, end_c: float) -> None:
    """The file ends at the hot or the cold supply's temperature, and the truth has seen it."""
    stand = Stand(tmp_path)
    stand.world.inject(name, at_s=60.0)
    stand.open(True)
    stand.run(60.0)
    assert stand.temp_c() == pytest.approx(25.0, abs=0.4)
    stand.run(40.0)
    assert stand.temp_c() == pytest.approx(end_c, abs=0.4)
    seen_c = stand.world.truth.temp_max_c if name == "hot" else stand.world.truth.temp_min_c
    assert seen_c == pytest.approx(end_c, abs=0.01)


def test_no_flow_stops_pulses_with_the_valve_open(tmp_path: Path) -> None:
    """From its onset there is neither water nor a pulse, though the relay stays on."""
    stand = Stand(tmp_path)
    stand.world.inject("no-flow", at_s=10.0)
    stand.open(True)
    stand.run(10.2)
    edges = len(stand.edges)
    stand.run(30.0)
    assert len(stand.edges) == edges
    assert stand.plant.valve_travel == 1.0
    assert stand.world.truth.water_stopped_s == pytest.approx(10.0)


def test_a_sensor_that_is_gone_has_no_folder_until_it_is_mended(tmp_path: Path) -> None:
    """The kernel removes the device's folder; when it is back, its file is whole again."""
    stand = Stand(tmp_path)
    stand.world.inject("temp-gone", at_s=5.0)
    stand.run(4.0)
    stand.temp_c()
    stand.run(2.0)
    assert list(stand.root.iterdir()) == []
    stand.run(5.0)
    assert list(stand.root.iterdir()) == []
    stand.world.clear("temp-gone")
    stand.run(2.0)
    assert stand.temp_c() == pytest.approx(20.0, abs=0.4)


def test_a_sensor_can_be_gone_from_the_start(tmp_path: Path) -> None:
    """A fault before the first reading leaves no file at all."""
    stand = Stand(tmp_path)
    stand.world.inject("temp-gone", at_s=0.0)
    stand.run(3.0)
    assert not stand.root.exists()


def test_temp_85_is_the_power_on_pattern_with_a_good_crc(tmp_path: Path) -> None:
    """The file says 85 °C with byte 6 = 0Ch, a valid CRC and YES: only the pattern tells."""
    stand = Stand(tmp_path)
    stand.world.inject("temp-85", at_s=5.0)
    stand.run(8.0)
    assert stand.temp_c() == 85.0
    text = (stand.root / WIRING.w1_address / "w1_slave").read_text(encoding="ascii")
    assert text == ("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n")


def test_a_broken_float_wire_reads_high(tmp_path: Path) -> None:
    """With the loop open, the pull-up has the pin high though the water is low."""
    stand = Stand(tmp_path)
    stand.world.inject("float-wire-broken", at_s=5.0)
    stand.run(4.0)
    assert not stand.level(22)
    stand.run(2.0)
    assert stand.level(22)
    assert stand.plant.level_m < 0.3


def test_a_chattering_float_never_rests(tmp_path: Path) -> None:
    """The float changes with every tick, so neither level lasts as long as a debounce waits."""
    stand = Stand(tmp_path)
    stand.world.inject("float-chatter", at_s=1.0)
    stand.run(1.0)
    levels = []
    for _ in range(30):
        stand.run(TICK_S)
        levels.append(stand.level(22))
    assert all(a != b for a, b in pairwise(levels))


def test_meter_noise_is_faster_than_the_meter(tmp_path: Path) -> None:
    """Noise adds about 400 edges a second, in order, with the valve shut as with it open."""
    stand = Stand(tmp_path)
    stand.world.inject("meter-noise", at_s=1.0)
    stand.run(6.0)
    assert len(stand.edges) == pytest.approx(2000, abs=2)
    assert min(stand.edges) >= 1.0
    stand.open(True)
    stand.run(10.0)
    assert stand.edges == sorted(stand.edges)
    assert len(stand.edges) > 2000 + 4000 + 600


@pytest.mark.parametrize("name", [n for n, s in FAULTS.items() if s.acts in {"process", "link"}])
def test_faults_of_processes_are_announced_and_change_no_water(tmp_path: Path, name: str) -> None:
    """The world says when such a fault is due and leaves it to the listener."""
    stand = Stand(tmp_path / "a")
    other = Stand(tmp_path / "b")
    stand.world.inject(name, fraction=0.05)
    for each in (stand, other):
        each.open(True)
        each.run(200.0)
    assert [n for n, _ in stand.begun] == [name]
    assert stand.world.truth.fault_onset_s == stand.begun[0][1]
    assert stand.edges == other.edges
    assert stand.plant.volume_l == other.plant.volume_l


@pytest.mark.parametrize("name", [n for n, s in FAULTS.items() if s.acts in {"plant", "sensor"}])
def test_a_mended_fault_leaves_no_trace_on_the_sensors(tmp_path: Path, name: str) -> None:
    """After `clear`, water flows and every sensor says what is true again."""
    stand = Stand(tmp_path, rig=replace(CALM, floor_drain_lpm=10.0))
    stand.world.inject(name, at_s=20.0)
    stand.open(True)
    stand.run(30.0)
    assert stand.world.faults == (name,)
    stand.world.clear(name)
    assert stand.world.faults == ()
    stand.run(60.0)
    edges, delivered_l = len(stand.edges), stand.plant.delivered_l
    stand.run(10.0)
    metered_l = (len(stand.edges) - edges) / 450
    assert metered_l == pytest.approx(stand.plant.delivered_l - delivered_l, abs=0.01)
    assert metered_l > 1.5
    assert not stand.level(22)
    assert stand.level(23)
    assert stand.temp_c() == pytest.approx(25.0, abs=0.4)
    stand.open(False)
    stand.run(5.0)
    assert stand.plant.inflow_lpm == 0.0


def test_onsets_that_make_no_sense_are_refused(tmp_path: Path) -> None:
    """Unknown names, two onsets, no time, and the same fault twice are errors that say so."""
    world = Stand(tmp_path).world
    with pytest.raises(BrimwatchError, match="no fault is called"):
        world.inject("flood")
    with pytest.raises(BrimwatchError, match="two onsets"):
        world.inject("leak", at_s=1.0, fraction=0.5)
    with pytest.raises(BrimwatchError, match="finite"):
        world.inject("leak", at_s=math.nan)
    for at in ({"at_s": 5.0}, {"fraction": 0.5}, {}):
        world.inject("valve-stuck-open", **at)
        with pytest.raises(BrimwatchError, match="already planned"):
            world.inject("valve-stuck-open", at_s=9.0)
        world = Stand(tmp_path).world
    world.clear("leak")  # Not in: nothing to mend.
    with pytest.raises(BrimwatchError, match="w1_address"):
        replace(WIRING, w1_address="../28")


# Truth and people


def test_the_truth_of_a_quiet_fill(tmp_path: Path) -> None:
    """Without a fault there is no onset, nothing on the floor, and the water stops at the mark."""
    stand = Stand(tmp_path)
    stand.open(True)
    stand.run(3.0)
    assert stand.world.truth.fault_onset_s is None
    stand.run_until(lambda: stand.plant.level_m >= 0.57)
    stand.open(False)
    stand.run(5.0)
    truth = stand.world.truth
    assert truth.delivered_l == pytest.approx(420.0, abs=0.3)
    assert truth.max_level_m == pytest.approx(0.57, abs=0.0003)
    assert truth.spilled_l == truth.returned_l == 0.0
    assert (truth.probe_wet_s, truth.relay_off_s, truth.valve_shut_s) == (None, None, None)
    assert truth.temp_min_c == pytest.approx(20.0, abs=0.01)
    assert truth.temp_max_c == pytest.approx(25.0, abs=0.01)
    assert len(stand.edges) == pytest.approx(420 * 450, rel=0.001)


def test_the_first_of_two_faults_is_the_onset(tmp_path: Path) -> None:
    """A second fault does not move the onset; both are in, in the order they began."""
    stand = Stand(tmp_path)
    stand.world.inject("cold", at_s=9.0)
    stand.world.inject("leak", at_s=4.0)
    stand.run(10.0)
    assert stand.world.truth.fault_onset_s == 4.0
    assert stand.world.faults == ("leak", "cold")
    assert stand.begun == [("leak", 4.0), ("cold", 9.0)]


def test_a_second_float_and_a_listener_are_optional(tmp_path: Path) -> None:
    """With neither fitted the world runs and its faults begin all the same."""
    bench = LocalBench(MockFactory())
    wiring = replace(WIRING, high_float_pin=None)
    world = World(Plant(CALM), bench, wiring, tmp_path)
    world.inject("no-flow", at_s=1.0)
    world.advance(2.0)
    assert world.truth.fault_onset_s == 1.0


def test_the_truth_before_any_water_is_unknown(tmp_path: Path) -> None:
    """Temperatures of water that has not flowed are NaN; times are None."""
    stand = Stand(tmp_path)
    stand.run(5.0)
    truth = stand.world.truth
    assert math.isnan(truth.temp_min_c)
    assert math.isnan(truth.temp_max_c)
    assert truth.water_stopped_s is None


def test_the_truth_of_a_stop_after_a_fault(tmp_path: Path) -> None:
    """Onset, wet probe, release, valve shut and end of flow come in this order, to the tick."""
    stand = Stand(tmp_path)
    stand.world.inject("hose-off", at_s=50.03)
    stand.world.drive(0.0)
    stand.open(True)
    stand.run_until(lambda: not stand.level(23))
    wet_s = stand.now_s
    stand.open(False)
    stand.run(10.0)
    truth = stand.world.truth
    assert truth.fault_onset_s == 50.03
    # 0.05 L at 10 L/min take 0.3 s.
    assert truth.probe_wet_s == wet_s == pytest.approx(50.4, abs=TICK_S)
    assert truth.relay_off_s == pytest.approx(wet_s + TICK_S)
    assert truth.valve_shut_s == pytest.approx(wet_s + TICK_S + 1.0, abs=0.051)
    assert truth.first_stopped_s == truth.water_stopped_s == truth.valve_shut_s
    assert truth.spilled_l == pytest.approx(stand.plant.floor_l)
    assert 0.05 < truth.spilled_l < 0.45


def test_water_that_runs_again_has_not_stopped(tmp_path: Path) -> None:
    """The first stop is kept; "stopped for good" is taken back while water runs again."""
    stand = Stand(tmp_path)
    stand.world.inject("cold", at_s=20.0)
    stand.open(True)
    stand.run(30.0)
    stand.open(False)
    stand.run(10.0)
    first_s = stand.world.truth.first_stopped_s
    assert first_s == pytest.approx(31.2, abs=0.1)
    stand.open(True)
    stand.run(10.0)
    assert stand.world.truth.water_stopped_s is None
    stand.open(False)
    stand.run(10.0)
    truth = stand.world.truth
    assert truth.first_stopped_s == first_s
    assert truth.water_stopped_s == pytest.approx(51.2, abs=0.1)


def test_water_already_stopped_at_the_onset_is_stopped_from_then(tmp_path: Path) -> None:
    """A fault that begins with the valve shut has its water stopped at its own onset."""
    stand = Stand(tmp_path)
    stand.open(True)
    stand.run(10.0)
    stand.open(False)
    stand.run(10.0)
    stand.world.inject("hot", at_s=25.0)
    stand.run(10.0)
    truth = stand.world.truth
    assert truth.water_stopped_s == truth.valve_shut_s == truth.relay_off_s == 25.0


def test_a_called_person_shuts_the_stopcock(tmp_path: Path) -> None:
    """180 s after the first call the stopcock is shut, at that moment and not at a tick."""
    stand = Stand(tmp_path)
    stand.world.inject("valve-stuck-open")
    stand.open(True)
    stand.run(60.0)
    stand.open(False)
    stand.run(10.0)
    stand.world.call_person(70.05)
    stand.run(5.0)
    stand.world.call_person(stand.now_s)
    assert stand.world.truth.person_called_s == 70.05
    assert stand.world.truth.stopcock_shut_s is None
    stand.run(RESPONDER_S)
    truth = stand.world.truth
    assert truth.stopcock_shut_s == pytest.approx(250.05)
    assert truth.water_stopped_s == pytest.approx(250.05)
    assert truth.valve_shut_s is None


def test_a_world_replays_from_its_seed(tmp_path: Path) -> None:
    """Two worlds of one seed give the same edges, files and truth; another seed does not."""

    def story(folder: str, seed: int) -> tuple[Any, ...]:
        stand = Stand(tmp_path / folder, rig=Rig(), seed=seed)
        stand.world.inject("meter-noise", at_s=20.0)
        stand.open(True)
        stand.run(30.0)
        return stand.edges, stand.temp_c(), stand.world.truth

    assert story("a", 3) == story("b", 3)
    assert story("c", 4) != story("d", 3)


def test_time_that_is_not_finite_is_refused(tmp_path: Path) -> None:
    """Neither NaN nor infinity can be reached by running water."""
    world = Stand(tmp_path).world
    for bad in (math.nan, math.inf):
        with pytest.raises(ValueError, match="finite"):
            world.advance(bad)
