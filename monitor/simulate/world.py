"""The glue between the simulated water and the program's pins and sensor files.

The program under test never meets the plant. It sees a relay pin that it drives, float, leak and
flow pins that are driven for it, and a DS18B20's file as the Linux kernel writes it. `World` turns
one into the other, puts in faults of water and sensors, and keeps its own account of what truly
happened (`Truth`), which knows nothing of rules, limits or alarms.

Each `advance` first lets the water run with the relay as it was found the last time, and only then
looks at the relay again. So a valve never moves before it was told to; it moves at most one tick
late, which makes the truth the worse for the program and never the better. Call `advance` on every
change of the relay pin, too, and it is exact.
"""

from __future__ import annotations

import math
import random
from bisect import insort
from collections.abc import Callable
from dataclasses import dataclass
from heapq import merge
from pathlib import Path

from monitor.errors import ConfigError
from monitor.simulate.bench import Bench, LocalBench, PinSource, SimPin
from monitor.simulate.faults import AT_CLOSE, Story, fault
from monitor.simulate.plant import Mixing, Plant
from monitor.simulate.sensing import STORE, SUMP_HIGH, SUMP_LOW, Floats, Level
from monitor.simulate.w1 import W1Probe
from monitor.simulate.wiring import LevelProbe, Wiring

__all__ = [
    "LEAK_PART",
    "RESPONDER_S",
    "Bench",
    "LevelProbe",
    "LocalBench",
    "PinSource",
    "SimPin",
    "Truth",
    "Wiring",
    "World",
]

RESPONDER_S = 180.0  # Invented: how long a called person takes to reach the stopcock.
NOISE_HZ = 400.0  # Above the 187.5 Hz that a K = 7.5 part makes at its 25 L/min.

# How bad the faults are that come in degrees.
LEAK_PART = 0.05  # The part of the flow that the fault "leak" loses.
SPLIT_PARTS = {"hose-split": 0.2, "hose-split-half": 0.5}
BURST_PART = -0.2  # A burst main below the house draws: 5 m below nothing for 25 m above it.
METER_GAIN = 1.15
TOPUP_LPM = 3.0
DRIFT_C = 2.5  # Off the set point, and still inside a band that is this wide.
STORE_LEFT_L = 10.0  # Room that is left to the waste water vessel's float.
BAILED_M = 0.02  # What a bailed sump has left above its low float,
PUMP_AGAIN_S = 60.0  # and when its pump is started again.

_REACHES = {"sump-high": SUMP_HIGH, "pump-dry": SUMP_LOW, "storage-full": STORE}
_HEATER, _PUMP = "heater", "pump"


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened, from the water's side. Times are seconds; None is "not so far".

    Attributes:
        fault_onset_s: when the first fault began.
        probe_wet_s: when enough water lay on the floor to reach the probe, the first time.
        relay_off_s: when the relay was first found released after the onset.
        valve_shut_s: when the valve was first all the way shut after the onset.
        first_stopped_s: when flow through the valve first ended after the onset.
        water_stopped_s: when it ended for good so far; None while water runs.
        person_called_s, stopcock_shut_s: the person who was called, and what they did.
        temp_min_c, temp_max_c: the range of the incoming water while it was flowing; NaN before.
        reached_s: when the water first came, after the onset, to the float or the heater that the
            fault is about.
        drain_off_s, drain_stopped_s: when the drain's relay was first found released after the
            onset, and when water ended running out for good so far.
        drained_l, stored_l, away_l, topped_l: see `house.House`.
        heater_bare_s, pump_dry_s: for how long the heater was on and bare, and the return pump on
            and dry: harm, in seconds.
    """

    now_s: float
    fault_onset_s: float | None
    probe_wet_s: float | None
    relay_off_s: float | None
    valve_shut_s: float | None
    first_stopped_s: float | None
    water_stopped_s: float | None
    person_called_s: float | None
    stopcock_shut_s: float | None
    delivered_l: float
    returned_l: float
    spilled_l: float
    level_m: float
    max_level_m: float
    tank_temp_c: float
    temp_min_c: float
    temp_max_c: float
    reached_s: float | None = None
    drain_off_s: float | None = None
    drain_stopped_s: float | None = None
    drained_l: float = 0.0
    stored_l: float = 0.0
    away_l: float = 0.0
    topped_l: float = 0.0
    min_level_m: float = 0.0
    heater_bare_s: float = 0.0
    pump_dry_s: float = 0.0


class World:
    """One simulated rig around one program.

    Call `drive` once before the program claims its pins, so that its first look finds the water as
    it is.

    Parameters:
        plant: the water; the world fits its meter to the wiring.
        bench: the program's pins.
        wiring: which pin is what.
        w1_root: the folder that stands for /sys/bus/w1/devices.
        seed: fixes the temperature sensor's error and all noise.
        responder_s: how long a called person takes to shut the stopcock.
        on_fault: called with name and time when a fault begins. Faults of processes and of the
            link are announced this way too, and putting them in is left to whoever listens.

    `on_plug` may be set: it is called with a mains plug's name and state when somebody presses the
    plug's own button. Mains plugs are switched by `switch`; see `plug.PlugDevice`.
    """

    def __init__(
        self,
        plant: Plant,
        bench: Bench,
        wiring: Wiring,
        w1_root: Path,
        seed: int = 0,
        *,
        responder_s: float = RESPONDER_S,
        on_fault: Callable[[str, float], None] | None = None,
    ) -> None:
        self.plant = plant
        self._bench = bench
        self._wiring = wiring
        self._responder_s = responder_s
        self._on_fault = on_fault
        plant.fit_meter(wiring.pulses_per_litre)
        self.on_plug: Callable[[str, bool], None] | None = None
        self._probe = W1Probe(
            w1_root / wiring.w1_address, plant.temp_in_c, plant.now_s, random.Random(f"w1 {seed}")
        )
        self._tank_probe = None
        if wiring.tank_w1_address is not None:
            rng = random.Random(f"tank w1 {seed}")
            folder = w1_root / wiring.tank_w1_address
            self._tank_probe = W1Probe(folder, plant.rig.tank_c, plant.now_s, rng)
        self._level = None
        if wiring.level is not None:
            rng = random.Random(f"level {seed}")
            self._level = Level(plant, bench, wiring.level, rng)
        self._noise = random.Random(f"noise {seed}")
        self._start_l = plant.volume_l

        self._active: dict[str, float] = {}
        self._timed: list[tuple[float, str]] = []
        self._by_fraction: dict[str, float] = {}
        self._at_close: list[str] = []
        self._pump_s = math.inf
        self._hose_in = False

        self._floats = Floats(plant, wiring)
        self._chatter = False
        self._relay_on = False
        self._drain_on = False
        self._reached_s: float | None = None
        self._drain_off_s: float | None = None
        self._onset_s: float | None = None
        self._wet_s: float | None = None
        self._relay_off_s: float | None = None
        self._shut_s: float | None = None
        self._first_stop_s: float | None = None
        self._called_s: float | None = None
        self._stopcock_s: float | None = None
        self._temp_min_c, self._temp_max_c = math.inf, -math.inf

    # Faults and people

    @property
    def faults(self) -> tuple[str, ...]:
        """The faults that are in now, in the order they began."""
        return tuple(self._active)

    def inject(
        self, name: str, *, at_s: float | None = None, fraction: float | None = None
    ) -> None:
        """Plan a fault: at a time, at a part (0..1) of the needed litres, or as the table says.

        The needed litres of a fault of draining are those that a drain lets out.

        Raises ConfigError for an unknown name, one already planned or in, or a bad onset.
        """
        onset = fault(name).onset
        planned = (*self._active, *self._by_fraction, *self._at_close, *(n for _, n in self._timed))
        if name in planned:
            raise ConfigError(f"fault {name!r} is already planned or in", fix="clear it first")
        if at_s is not None and fraction is not None:
            raise ConfigError(f"fault {name!r} has two onsets", allowed="at_s or fraction")
        if at_s is not None:
            if not math.isfinite(at_s):
                raise ConfigError(f"fault {name!r} begins at {at_s}", allowed="finite seconds")
            insort(self._timed, (max(at_s, self.plant.now_s), name))
        elif fraction is not None:
            self._by_fraction[name] = fraction
        elif onset == AT_CLOSE:
            self._at_close.append(name)
        else:
            self._by_fraction[name] = float(onset)

    def clear(self, name: str) -> None:
        """Mend a fault that is in. One that is not is left alone."""
        if self._active.pop(name, None) is not None:
            self._apply()

    def call_person(self, now_s: float) -> None:
        """Send for somebody, who shuts the stopcock after the responder's time, and takes the
        drain's hose out of the water. Once is enough.
        """
        if self._called_s is None:
            self._called_s = now_s
            self._stopcock_s = now_s + self._responder_s

    def hang_hose(self, there: bool) -> None:
        """Put a person's primed drain hose into the water, or take it out."""
        if there is not self._hose_in:
            self._hose_in = there
            self._apply()

    def switch(self, plug: str, on: bool) -> bool:
        """Give a mains plug's load current or take it away; return what the load has then.

        `plug` is "heater" or "pump". A plug that is stuck does not obey.
        """
        house = self.plant.house
        if plug == _HEATER:
            house.heater_on = on or "heater-stuck" in self._active
            return house.heater_on
        house.pump_on = on
        return on

    # Time

    def advance(self, now_s: float) -> None:
        """Let the water run until `now_s`, then read the relay and drive every sensor.

        Raises ValueError when `now_s` is not finite.
        """
        began_s = self.plant.now_s
        pulses_s: list[float] = []
        while self._timed and self._timed[0][0] <= now_s:
            at_s, name = self._timed.pop(0)
            pulses_s += self._run(at_s)
            self._begin(name, at_s)
        pulses_s += self._run(now_s)
        self._follow_water()
        self._read_relays(now_s)
        for name in [n for n, part in self._by_fraction.items() if self._done(n) >= part]:
            del self._by_fraction[name]
            self._begin(name, now_s)
        if now_s >= self._pump_s:
            self._pump_s = math.inf
            self._press(_PUMP, True)
        if "meter-noise" in self._active:
            pulses_s = list(merge(pulses_s, self._noise_pulses(began_s, now_s)))
        if pulses_s:
            self._bench.pulses(self._wiring.flow_pin, pulses_s)
        self._chatter = not self._chatter
        self.drive(now_s)
        self._show(now_s)

    def drive(self, now_s: float) -> None:
        """Put the float and leak pins where the water has them.

        A gpiozero device that is made drives its pin to its pull; this puts it right at once.
        """
        wiring, active = self._wiring, self._active
        self._floats.drive(
            self._bench,
            now_s,
            stuck="float-stuck" in active,
            broken="float-wire-broken" in active,
            chatter="float-chatter" in active and self._chatter,
        )
        self._bench.drive(wiring.leak_pin, self.plant.floor_wet == wiring.leak_wet_high, now_s)

    def _show(self, now_s: float) -> None:
        """Bring the thermometers' files and the level probe's voltage up to date."""
        plant, active = self.plant, self._active
        tank_c = plant.tank_temp_c if plant.volume_l > 0.0 else plant.rig.room_c
        seen_c = plant.rig.tank_c if "temp-astray" in active else plant.temp_in_c
        if "temps-swapped" in active:
            seen_c, tank_c = tank_c, seen_c
        self._probe.advance(now_s, seen_c, gone="temp-gone" in active, power_on="temp-85" in active)
        if self._tank_probe is not None:
            self._tank_probe.advance(now_s, tank_c, gone=False, power_on=False)
        if self._level is not None:
            self._level.advance(now_s, frozen="level-frozen" in active)

    @property
    def truth(self) -> Truth:
        """What really happened until now."""
        plant = self.plant
        flowed = self._temp_min_c <= self._temp_max_c
        open_s = self._stopcock_s is None or self._stopcock_s > plant.now_s
        return Truth(
            now_s=plant.now_s,
            fault_onset_s=self._onset_s,
            probe_wet_s=self._wet_s,
            relay_off_s=self._relay_off_s,
            valve_shut_s=self._shut_s,
            first_stopped_s=self._first_stop_s,
            water_stopped_s=self._stopped_s(),
            person_called_s=self._called_s,
            stopcock_shut_s=None if open_s else self._stopcock_s,
            delivered_l=plant.delivered_l,
            returned_l=plant.returned_l,
            spilled_l=plant.floor_l,
            level_m=plant.level_m,
            max_level_m=plant.max_level_m,
            tank_temp_c=plant.tank_temp_c,
            temp_min_c=self._temp_min_c if flowed else math.nan,
            temp_max_c=self._temp_max_c if flowed else math.nan,
            reached_s=self._reached_s,
            drain_off_s=self._drain_off_s,
            drain_stopped_s=self._drain_stopped_s(),
            drained_l=plant.house.drained_l,
            stored_l=plant.house.stored_l,
            away_l=plant.house.away_l,
            topped_l=plant.house.topped_l,
            min_level_m=plant.min_level_m,
            heater_bare_s=plant.house.bare_s,
            pump_dry_s=plant.house.dry_s,
        )

    def _run(self, to_s: float) -> list[float]:
        """Let the water run, past the moment somebody shuts the stopcock if that comes first."""
        pulses_s: list[float] = []
        if self._stopcock_s is not None and self._stopcock_s <= to_s:
            pulses_s = self.plant.advance(self._stopcock_s)
            self.plant.stopcock_open = False
            self.plant.house.siphon_open = False
        return pulses_s + self.plant.advance(to_s)

    def _begin(self, name: str, at_s: float) -> None:
        self._active[name] = at_s
        if name == "float-chatter":
            self._chatter = False  # `advance` turns it over, so the onset is an edge
        if self._onset_s is None:
            self._onset_s = at_s
            self._relay_off_s = None if self._relay_on else at_s
            self._drain_off_s = None if self._drain_on else at_s
        self._apply()
        self._meddle(name, at_s)
        if self._on_fault is not None:
            self._on_fault(name, at_s)

    def _apply(self) -> None:
        """Set the plant's faults from the names that are in."""
        plant, active = self.plant, self._active
        split = next((n for n in SPLIT_PARTS if n in active), None)
        astray = "hose-astray" in active
        plant.hose_off = 1.0 if "hose-off" in active or astray else 0.0
        plant.joint_leak = LEAK_PART if "leak" in active else 0.0
        if split is not None:
            plant.joint_leak = SPLIT_PARTS[split]
        plant.gully = astray or split is not None
        plant.valve_stuck = "valve-stuck-open" in active
        plant.blocked = "no-flow" in active
        plant.mixing = Mixing.HOT if "hot" in active else Mixing.NORMAL
        if "cold" in active:
            plant.mixing = Mixing.COLD
        plant.mix_c = plant.rig.mix_c + (DRIFT_C if "tank-drift" in active else 0.0)
        plant.meter_jammed = "meter-jammed" in active
        plant.meter_gain = METER_GAIN if "meter-high" in active else 1.0
        sucked = "back-siphon" in active
        plant.head_part = BURST_PART if sucked else 1.0
        plant.hose_end_m = 0.0 if sucked else plant.rig.hose_end_m
        plant.house.topup_lpm = TOPUP_LPM if "top-up" in active else 0.0
        siphons = self._hose_in or bool({"drain-open", "siphon-left"} & active.keys())
        plant.house.siphon_open = siphons and plant.stopcock_open
        if "sump-high" not in active and plant.rig.sump is not None:
            plant.house.weir_m = plant.rig.sump.weir_m

    def _meddle(self, name: str, at_s: float) -> None:
        """Do once what somebody does as a fault begins."""
        house, rig = self.plant.house, self.plant.rig
        if name == "sump-high":
            house.weir_m = min(house.weir_m, self.plant.level_m)
        elif name == "pump-dry" and rig.sump is not None:
            house.bail_sump(rig.sump.low_m + BAILED_M)
            self._pump_s = at_s + PUMP_AGAIN_S
        elif name == "temp-astray" and self.plant.delivered_l == 0.0:
            self._probe.hang(rig.tank_c)
        elif name == "heater-stuck":
            self._press(_HEATER, True)
        elif name == "storage-full" and rig.store is not None:
            house.bring(rig.store.full_l - STORE_LEFT_L - house.stored_l)

    def _press(self, plug: str, on: bool) -> None:
        """Press the button of a mains plug."""
        self.switch(plug, on)
        if self.on_plug is not None:
            self.on_plug(plug, on)

    def _done(self, name: str) -> float:
        """Return the part of the needed litres that has gone in, or out, for this fault."""
        rig, volume_l = self.plant.rig, self.plant.volume_l
        if fault(name).during is Story.DRAIN:
            out_l = self._start_l - rig.volume_l(rig.low_float_m)
            return (self._start_l - volume_l) / max(out_l, 1.0)
        return (volume_l - self._start_l) / (rig.need_l or 1.0)

    def _read_relays(self, now_s: float) -> None:
        wiring = self._wiring
        on = self._bench.output(wiring.relay_pin) == wiring.relay_active_high
        drain_on = False
        if wiring.drain_pin is not None:
            drain_on = self._bench.output(wiring.drain_pin) == wiring.drain_active_high
        # Before anything has moved, so that a valve that sticks sticks open.
        if self._relay_on and not on:
            self._begin_at_close(Story.FILL, now_s)
        if self._drain_on and not drain_on:
            self._begin_at_close(Story.DRAIN, now_s)
        self._relay_on, self._drain_on = on, drain_on
        if self._onset_s is not None:
            if self._relay_off_s is None and not on:
                self._relay_off_s = now_s
            if self._drain_off_s is None and not drain_on:
                self._drain_off_s = now_s
        self.plant.energise(on)
        self.plant.house.drain_energised = drain_on

    def _begin_at_close(self, story: Story, now_s: float) -> None:
        for name in [n for n in self._at_close if fault(n).during is story]:
            self._at_close.remove(name)
            self._begin(name, now_s)

    def _follow_water(self) -> None:
        plant = self.plant
        self._floats.follow()
        if plant.inflow_lpm > 0.0:
            self._temp_min_c = min(self._temp_min_c, plant.temp_in_c)
            self._temp_max_c = max(self._temp_max_c, plant.temp_in_c)
        if self._wet_s is None and plant.floor_wet:
            self._wet_s = plant.now_s
        if self._onset_s is None:
            return
        if self._reached_s is None and self._reaches():
            self._reached_s = plant.now_s
        if self._first_stop_s is None:
            self._first_stop_s = self._stopped_s()
        if self._shut_s is None and plant.valve_travel == 0.0:
            self._shut_s = max(plant.shut_at_s or self._onset_s, self._onset_s)

    def _stopped_s(self) -> float | None:
        """Return when flow ended, not before the onset; None while there is flow or no fault."""
        if self._onset_s is None or self.plant.inflow_lpm != 0.0:
            return None
        return max(self.plant.stopped_at_s or self._onset_s, self._onset_s)

    def _drain_stopped_s(self) -> float | None:
        """Return when water ended running out, as `_stopped_s` does for water that runs in."""
        house = self.plant.house
        if self._onset_s is None or house.drain_lpm != 0.0:
            return None
        return max(house.drain_stopped_s or self._onset_s, self._onset_s)

    def _reaches(self) -> bool:
        """Say whether the water is where a fault that is in makes it matter."""
        heater = self.plant.rig.heater
        if "heater-stuck" in self._active and heater is not None:
            return self.plant.level_m < heater.exposed_m
        return any(self._floats.tripped(f) for name, f in _REACHES.items() if name in self._active)

    def _noise_pulses(self, from_s: float, to_s: float) -> list[float]:
        from_s = max(from_s, self._active["meter-noise"])
        count = round(max(to_s - from_s, 0.0) * NOISE_HZ)
        return sorted(self._noise.uniform(from_s, to_s) for _ in range(count))
