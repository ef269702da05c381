"""What the sensors that look at simulated water show: float switches and a level probe."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from monitor.simulate.bench import Bench
from monitor.simulate.plant import Plant
from monitor.simulate.spi import LevelConverter
from monitor.simulate.wiring import LevelProbe, Wiring

FLOAT_HYSTERESIS_M = 0.002  # Invented: a float falls back a little below where it turned over.
LEVEL_PERIOD_S = 0.25  # How often the probe's noise is drawn anew.

# The names of the floats, as the faults mean them.
HIGH, OVER, LOW, SUMP_HIGH, SUMP_LOW, STORE = (
    "high", "over", "low", "sump_high", "sump_low", "storage_full",
)  # fmt: skip


@dataclass(slots=True)
class _Float:
    """One float: `up` says which way it hangs, whatever that means for its loop."""

    name: str
    pin: int | None
    turn_m: float
    trips_up: bool  # A low float trips when it hangs down.
    up: bool = False

    @property
    def tripped(self) -> bool:
        """Whether the water is where the float says it should not be."""
        return self.up == self.trips_up

    def follow(self, level_m: float) -> None:
        """Turn over at its height; fall back, or a low float rise again, a little further on."""
        if self.trips_up:
            turn_m = self.turn_m - FLOAT_HYSTERESIS_M if self.up else self.turn_m
            self.up = level_m >= turn_m
        else:
            turn_m = self.turn_m if self.up else self.turn_m + FLOAT_HYSTERESIS_M
            self.up = level_m > turn_m


class Floats:
    """All floats of a rig. They see the still level: waves are too quick for them."""

    def __init__(self, plant: Plant, wiring: Wiring) -> None:
        self._plant = plant
        rig, sump = plant.rig, plant.rig.sump
        high_m, low_m = (sump.high_m, sump.low_m) if sump is not None else (math.inf, -math.inf)
        self._tank = (
            _Float(HIGH, wiring.float_pin, rig.float_m, trips_up=True),
            _Float(OVER, wiring.high_float_pin, rig.high_float_m, trips_up=True),
            _Float(LOW, wiring.low_float_pin, rig.low_float_m, trips_up=False, up=True),
        )
        self._sump = (
            _Float(SUMP_HIGH, wiring.sump_high_pin, high_m, trips_up=True),
            _Float(SUMP_LOW, wiring.sump_low_pin, low_m, trips_up=False, up=True),
        )
        self._store = _Float(STORE, wiring.store_pin, 0.0, trips_up=True)
        self._opens_tripped = wiring.float_normally_closed
        self.follow()

    def follow(self) -> None:
        """Bring every float to where the water has it."""
        level_m = self._plant.level_m
        for each in self._tank:
            each.follow(level_m)
        if self._plant.rig.sump is not None:
            for each in self._sump:
                each.follow(self._plant.house.sump_m)
        self._store.up = self._plant.house.store_full

    def tripped(self, name: str) -> bool:
        """Say whether the water is where this float says it should not be."""
        every = (*self._tank, *self._sump, self._store)
        return any(each.tripped for each in every if each.name == name)

    def drive(
        self, bench: Bench, now_s: float, *, stuck: bool, broken: bool, chatter: bool
    ) -> None:
        """Put every pin where its float has it; the three faults are the high float's."""
        for each in (*self._tank, *self._sump, self._store):
            if each.pin is None:
                continue
            tripped = each.tripped
            if each.name == HIGH:
                tripped = (tripped and not stuck) or chatter
            closed = tripped != self._opens_tripped
            if each.name == HIGH and broken:
                closed = False
            bench.drive(each.pin, not closed, now_s)


class Level:
    """A level probe in the moving water, with a noise of its own."""

    def __init__(self, plant: Plant, bench: Bench, probe: LevelProbe, rng: random.Random) -> None:
        self._plant = plant
        self._noise_m = probe.noise_m
        self._converter = LevelConverter(bench, probe)
        self._rng = rng
        self._due_s = -math.inf

    def advance(self, now_s: float, *, frozen: bool) -> None:
        """Show what the water does, or for ever what was shown last."""
        if now_s < self._due_s:
            return
        self._due_s = now_s + LEVEL_PERIOD_S
        error_m = self._rng.gauss(0.0, self._noise_m)
        if not frozen:
            self._converter.set_m(self._plant.surface_m(now_s) + error_m, now_s)
