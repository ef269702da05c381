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
import re
from bisect import insort
from collections.abc import Callable, Collection
from dataclasses import dataclass
from heapq import merge
from pathlib import Path
from typing import Protocol

from monitor.errors import ConfigError
from monitor.simulate.faults import AT_CLOSE, fault
from monitor.simulate.plant import Mixing, Plant
from monitor.simulate.w1 import W1Probe

FLOAT_HYSTERESIS_M = 0.002  # Invented: a float falls back a little below where it turned over.
RESPONDER_S = 180.0  # Invented: how long a called person takes to reach the stopcock.
LEAK_PART = 0.05  # The part of the flow that the fault "leak" loses.
NOISE_HZ = 400.0  # Above the 187.5 Hz that a K = 7.5 part makes at its 25 L/min.



class Bench(Protocol):
    """The pins of the machine that the program under test runs on, seen from outside."""

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Put a level on an input pin."""

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Put short low pulses on an input pin, their falling edges at these times, in order."""

    def output(self, pin: int) -> bool:
        """Return the level on an output pin: True is high."""


class SimPin(Protocol):
    """What of a gpiozero mock pin is used here."""

    @property
    def function(self) -> str:
        """Return "input" or "output"."""

    @property
    def state(self) -> bool:
        """Return the level."""

    def drive_high(self) -> None:
        """Pull the input up from outside."""

    def drive_low(self) -> None:
        """Pull the input down from outside."""


class PinSource(Protocol):
    """What of a gpiozero mock factory is used here."""

    def pin(self, name: int) -> SimPin:
        """Return the pin of this BCM number, the same object every time."""


class LocalBench:
    """Mock pins in this process. Works with any `gpiozero` MockFactory.

    A pin class with methods `drive(high, at_s)` and `pulse(at_s)` gets its edges through them, with
    their exact times; on others an edge happens when the call does. `rest_high` names the pins
    that an external resistor pulls high while nobody drives them.
    """

    def __init__(self, factory: PinSource, *, rest_high: Collection[int] = ()) -> None:
        self._factory = factory
        self._rest_high = frozenset(rest_high)
        self._pins: dict[int, SimPin] = {}

    def _pin(self, number: int) -> SimPin:
        pin = self._pins.get(number)
        if pin is None:
            pin = self._pins[number] = self._factory.pin(number)
        return pin

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Put a level on an input pin."""
        target = self._pin(pin)
        timed: Callable[[bool, float], None] | None = getattr(target, "drive", None)
        if timed is not None:
            timed(high, at_s)
        elif high:
            target.drive_high()
        else:
            target.drive_low()

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Put short low pulses on an input pin, as an open-collector meter does."""
        target = self._pin(pin)
        pulse: Callable[[float], None] | None = getattr(target, "pulse", None)
        for at_s in times_s:
            if pulse is not None:
                pulse(at_s)
            else:
                target.drive_low()
                target.drive_high()

    def output(self, pin: int) -> bool:
        """Return the level: that of the resistor when the program does not drive the pin."""
        target = self._pin(pin)
        return bool(target.state) if target.function == "output" else pin in self._rest_high


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Which BCM pin goes where, and what its levels mean.

    A closed float loop pulls its pin low. `float_normally_closed` opens the loop when the water is
    high, so that a broken wire reads as high.
    """

    float_pin: int
    leak_pin: int
    flow_pin: int
    relay_pin: int
    high_float_pin: int | None = None
    float_normally_closed: bool = True
    leak_wet_high: bool = False
    relay_active_high: bool = True
    pulses_per_litre: float = 450.0
    w1_address: str = "28-00000b71a9e5"

    def __post_init__(self) -> None:
        """Raise ConfigError for an address that no DS18B20 has."""
        if not re.fullmatch(r"28-[0-9a-f]{12}", self.w1_address):
            raise ConfigError(
                f"w1_address is {self.w1_address!r}",
                where="wiring",
                allowed="28- and twelve of 0123456789abcdef",
            )


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
        self._probe = W1Probe(w1_root / wiring.w1_address, plant, random.Random(f"w1 {seed}"))
        self._noise = random.Random(f"noise {seed}")
        self._start_l = plant.volume_l

        self._active: dict[str, float] = {}
        self._timed: list[tuple[float, str]] = []
        self._by_fraction: dict[str, float] = {}
        self._at_close: list[str] = []

        self._float_high = [False, False]
        self._chatter = False
        self._relay_on = False
        self._onset_s: float | None = None
        self._wet_s: float | None = None
        self._relay_off_s: float | None = None
        self._shut_s: float | None = None
        self._first_stop_s: float | None = None
        self._called_s: float | None = None
        self._stopcock_s: float | None = None
        self._temp_min_c, self._temp_max_c = math.inf, -math.inf
        self._follow_floats()

    # Faults and people

    @property
    def faults(self) -> tuple[str, ...]:
        """The faults that are in now, in the order they began."""
        return tuple(self._active)

    def inject(
        self, name: str, *, at_s: float | None = None, fraction: float | None = None
    ) -> None:
        """Plan a fault: at a time, at a part (0..1) of the needed litres, or as the table says.

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
        """Send for somebody, who shuts the stopcock after the responder's time. Once is enough."""
        if self._called_s is None:
            self._called_s = now_s
            self._stopcock_s = now_s + self._responder_s

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
        self._read_relay(now_s)
        gained = (self.plant.volume_l - self._start_l) / (self.plant.rig.need_l or 1.0)
        for name in [n for n, part in self._by_fraction.items() if gained >= part]:
            del self._by_fraction[name]
            self._begin(name, now_s)
        if "meter-noise" in self._active:
            pulses_s = list(merge(pulses_s, self._noise_pulses(began_s, now_s)))
        if pulses_s:
            self._bench.pulses(self._wiring.flow_pin, pulses_s)
        self._chatter = not self._chatter
        self.drive(now_s)
        self._probe.advance(
            now_s, gone="temp-gone" in self._active, power_on="temp-85" in self._active
        )

    def drive(self, now_s: float) -> None:
        """Put the float and leak pins where the water has them.

        A gpiozero device that is made drives its pin to its pull; this puts it right at once.
        """
        wiring = self._wiring
        stuck, chatter = "float-stuck" in self._active, "float-chatter" in self._active
        high = (self._float_high[0] and not stuck) or (chatter and self._chatter)
        closed = high != wiring.float_normally_closed and "float-wire-broken" not in self._active
        self._bench.drive(wiring.float_pin, not closed, now_s)
        if wiring.high_float_pin is not None:
            closed = self._float_high[1] != wiring.float_normally_closed
            self._bench.drive(wiring.high_float_pin, not closed, now_s)
        self._bench.drive(wiring.leak_pin, self.plant.floor_wet == wiring.leak_wet_high, now_s)

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
        )

    def _run(self, to_s: float) -> list[float]:
        """Let the water run, past the moment somebody shuts the stopcock if that comes first."""
        pulses_s: list[float] = []
        if self._stopcock_s is not None and self._stopcock_s <= to_s:
            pulses_s = self.plant.advance(self._stopcock_s)
            self.plant.stopcock_open = False
        return pulses_s + self.plant.advance(to_s)

    def _begin(self, name: str, at_s: float) -> None:
        self._active[name] = at_s
        if name == "float-chatter":
            self._chatter = False  # `advance` turns it over, so the onset is an edge
        if self._onset_s is None:
            self._onset_s = at_s
            self._relay_off_s = None if self._relay_on else at_s
        self._apply()
        if self._on_fault is not None:
            self._on_fault(name, at_s)

    def _apply(self) -> None:
        """Set the plant's faults from the names that are in."""
        plant, active = self.plant, self._active
        plant.hose_off = 1.0 if "hose-off" in active else 0.0
        plant.joint_leak = LEAK_PART if "leak" in active else 0.0
        plant.valve_stuck = "valve-stuck-open" in active
        plant.blocked = "no-flow" in active
        plant.mixing = Mixing.HOT if "hot" in active else Mixing.NORMAL
        if "cold" in active:
            plant.mixing = Mixing.COLD

    def _read_relay(self, now_s: float) -> None:
        on = self._bench.output(self._wiring.relay_pin) == self._wiring.relay_active_high
        if self._relay_on and not on:
            # Before the valve has moved, so that a valve that sticks sticks open.
            for name in self._at_close:
                self._begin(name, now_s)
            self._at_close.clear()
        self._relay_on = on
        if self._onset_s is not None and self._relay_off_s is None and not on:
            self._relay_off_s = now_s
        self.plant.energise(on)

    def _follow_floats(self) -> None:
        level_m, rig = self.plant.level_m, self.plant.rig
        for index, turn_m in enumerate((rig.float_m, rig.high_float_m)):
            falls_m = turn_m - FLOAT_HYSTERESIS_M if self._float_high[index] else turn_m
            self._float_high[index] = level_m >= falls_m

    def _follow_water(self) -> None:
        plant = self.plant
        self._follow_floats()
        if plant.inflow_lpm > 0.0:
            self._temp_min_c = min(self._temp_min_c, plant.temp_in_c)
            self._temp_max_c = max(self._temp_max_c, plant.temp_in_c)
        if self._wet_s is None and plant.floor_wet:
            self._wet_s = plant.now_s
        if self._onset_s is None:
            return
        if self._first_stop_s is None:
            self._first_stop_s = self._stopped_s()
        if self._shut_s is None and plant.valve_travel == 0.0:
            self._shut_s = max(plant.shut_at_s or self._onset_s, self._onset_s)

    def _stopped_s(self) -> float | None:
        """Return when flow ended, not before the onset; None while there is flow or no fault."""
        if self._onset_s is None or self.plant.inflow_lpm != 0.0:
            return None
        return max(self.plant.stopped_at_s or self._onset_s, self._onset_s)

    def _noise_pulses(self, from_s: float, to_s: float) -> list[float]:
        from_s = max(from_s, self._active["meter-noise"])
        count = round(max(to_s - from_s, 0.0) * NOISE_HZ)
        return sorted(self._noise.uniform(from_s, to_s) for _ in range(count))
