"""What stands around the tank: sump and return pump, drain, waste-water vessel, heater, top-up.

    fill -> tank --weir--> sump --return pump--> tank
            tank --drain hose, valve or pump--> waste-water vessel, or away down the drain

The simplest rig has none of it, and then nothing here runs. Every litre that moves is taken from
one place and put into another, so that all the water there is can be counted at any moment. The
parts and their numbers are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Protocol

from monitor.core.units import L_PER_M3, S_PER_MIN
from monitor.core.water import density_kgm3, enthalpy_kjkg, temp_from_enthalpy_c
from monitor.errors import ConfigError
from monitor.simulate.hydraulics import (
    balanced_flow_lpm,
    hazen_williams_r,
    minor_loss_r,
    weir_flow_lpm,
)

TRAVEL_SHUT = 1e-6  # Travel below this is rounding, not a gap that water could pass.
TRAVEL_TIME_MIN_S = 0.05
KJ_PER_WS = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Sump:
    """The vessel below the tank. Heights are above its own floor, the weir's above the tank's.

    With the return pump running the tank stands a few millimetres above its weir; all of that runs
    down when the pump stops.
    """

    length_m: float = 0.6
    width_m: float = 0.4
    rim_m: float = 0.40
    start_m: float = 0.30
    high_m: float = 0.32  # Where its high float turns over.
    low_m: float = 0.12  # Below this its low float says so.
    intake_m: float = 0.04  # Lower than this the pump draws air.
    weir_m: float = 0.571
    weir_width_m: float = 0.6
    pump_lpm: float = 20.0

    def __post_init__(self) -> None:
        """Raise ConfigError for a sump that cannot be built."""
        if not 0.0 <= self.intake_m <= self.low_m <= self.high_m <= self.rim_m:
            raise ConfigError(
                f"the heights are {self.intake_m}, {self.low_m}, {self.high_m}, {self.rim_m} m",
                where="rig.sump",
                allowed="0 <= intake_m <= low_m <= high_m <= rim_m",
            )
        if not (0.0 <= self.start_m <= self.rim_m and self.length_m * self.width_m > 0.0):
            raise ConfigError(
                f"start_m is {self.start_m}, the footprint {self.length_m} x {self.width_m} m",
                where="rig.sump",
                allowed="a footprint, and 0 <= start_m <= rim_m",
            )

    @property
    def area_l(self) -> float:
        """The litres in each metre of height."""
        return self.length_m * self.width_m * L_PER_M3


@dataclass(frozen=True, slots=True, kw_only=True)
class Drain:
    """How water is let out of the tank: a person's hose, a valve on a falling pipe, or a pump."""

    by: Literal["hose", "valve", "pump"] = "hose"
    length_m: float = 4.0
    bore_m: float = 0.010
    c: float = 140.0
    minor_k: float = 3.0
    drop_m: float = 0.5  # The outlet, below the tank's floor.
    intake_m: float = 0.03  # The inlet, above the tank's floor: no water below it is drawn.
    pump_lpm: float = 15.0
    travel_s: float = 1.0  # A valve opens and shuts in this time; a pump at once.


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """The vessel for waste water, and what its float takes for full."""

    room_l: float = 600.0
    full_l: float = 560.0
    start_l: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heater:
    """A rod heater with a thermostat, and the height of water below which it is bare."""

    exposed_m: float
    watts: float = 300.0
    set_c: float = 24.0


@dataclass(slots=True)
class Body:
    """Some well stirred water."""

    volume_l: float
    mass_kg: float
    heat_kj: float

    @classmethod
    def at(cls, volume_l: float, temp_c: float) -> Body:
        """Return so much water of this temperature."""
        mass_kg = volume_l * density_kgm3(temp_c) / L_PER_M3
        return cls(volume_l, mass_kg, mass_kg * enthalpy_kjkg(temp_c))

    @property
    def temp_c(self) -> float:
        """The temperature in °C, NaN when there is no water."""
        return temp_from_enthalpy_c(self.heat_kj / self.mass_kg) if self.mass_kg else math.nan

    def take(self, litres: float) -> Body:
        """Take out this much, or all there is."""
        if litres <= 0.0 or self.volume_l <= 0.0:
            return Body(0.0, 0.0, 0.0)
        part = min(litres / self.volume_l, 1.0)
        out = Body(min(litres, self.volume_l), self.mass_kg * part, self.heat_kj * part)
        self.volume_l = max(self.volume_l - litres, 0.0)
        self.mass_kg -= out.mass_kg
        self.heat_kj -= out.heat_kj
        return out

    def give(self, water: Body) -> None:
        """Pour some in."""
        self.volume_l += water.volume_l
        self.mass_kg += water.mass_kg
        self.heat_kj += water.heat_kj


class Tank(Protocol):
    """The tank, as its surroundings see it."""

    now_s: float

    @property
    def level_m(self) -> float:
        """The water's height."""

    @property
    def tank_temp_c(self) -> float:
        """Its temperature, NaN when there is none."""

    def above_l(self, level_m: float) -> float:
        """Return the litres that stand higher than this."""

    def take(self, litres: float) -> Body:
        """Take this much out."""

    def give(self, water: Body) -> None:
        """Pour some in; what runs over the rim is on the floor."""

    def warm(self, heat_kj: float) -> None:
        """Put heat in."""

    def spill(self, litres: float) -> None:
        """Pour some on the floor."""


class House:
    """The state of everything around the tank, moved forward by `step`.

    Attributes that may be set:
        drain_energised: the drain's relay has current.
        drain_stuck: the drain goes on as it is, whatever its relay does.
        siphon_open: water runs out by itself through the drain's pipe or hose.
        pump_on, heater_on: what the mains plugs give current to.
        topup_lpm: a second source, which nothing measures.
        weir_m: the height of the weir.

    Attributes to read, all from the beginning on:
        drain_lpm: what runs out now. drain_stopped_s: when that last ended, None before.
        drained_l, topped_l, away_l (down the drain, out of everybody's sight), brought_l (put in
        by people), stored_l (in the waste-water vessel), sump (its water, None without a sump),
        bare_s (seconds for which the heater had current while it was bare), dry_s (seconds for
        which the return pump ran without water).
    """

    def __init__(
        self,
        *,
        sump: Sump | None,
        drain: Drain,
        store: Store | None,
        heater: Heater | None,
        water_c: float,
        topup_c: float,
    ) -> None:
        self._sump, self._drain, self._store, self._heater = sump, drain, store, heater
        self._topup_c = topup_c
        self._fitted = sump is not None or heater is not None or drain.by != "hose"
        self._pipe_r = hazen_williams_r(drain.length_m, drain.bore_m, drain.c)
        self._minor_r = minor_loss_r(drain.minor_k, drain.bore_m)

        self.drain_energised = False
        self.drain_stuck = False
        self.siphon_open = False
        self.pump_on = False
        self.heater_on = False
        self.topup_lpm = 0.0
        self.weir_m = sump.weir_m if sump is not None else math.inf

        self._travel = 0.0
        self.drain_lpm = 0.0
        self.drain_stopped_s: float | None = None
        self.drained_l = 0.0
        self.topped_l = 0.0
        self.away_l = 0.0
        self.brought_l = 0.0
        self.stored_l = store.start_l if store is not None else 0.0
        self.sump = None if sump is None else Body.at(sump.start_m * sump.area_l, water_c)
        self.bare_s = 0.0
        self.dry_s = 0.0

    @property
    def busy(self) -> bool:
        """Whether anything here could move water or heat."""
        return self._fitted or self.siphon_open or self.topup_lpm > 0.0 or self.drain_lpm > 0.0

    @property
    def travelling(self) -> bool:
        """Whether the drain's valve is on its way."""
        moves = self._drain.by == "valve" and not self.drain_stuck
        return moves and self._travel != float(self.drain_energised)

    @property
    def sump_m(self) -> float:
        """The height of the water in the sump; NaN without one."""
        if self._sump is None or self.sump is None:
            return math.nan
        return self.sump.volume_l / self._sump.area_l

    @property
    def held_l(self) -> float:
        """All the water that is here or has gone away from here."""
        sump_l = self.sump.volume_l if self.sump is not None else 0.0
        return sump_l + self.stored_l + self.away_l

    @property
    def added_l(self) -> float:
        """All the water that came in past the meter."""
        return self.topped_l + self.brought_l

    @property
    def store_full(self) -> bool:
        """Whether the waste water has reached its vessel's float."""
        return self._store is not None and self.stored_l >= self._store.full_l

    def bring(self, litres: float) -> None:
        """Put waste water from elsewhere into its vessel, up to its room."""
        if self._store is not None:
            more_l = max(min(litres, self._store.room_l - self.stored_l), 0.0)
            self.stored_l += more_l
            self.brought_l += more_l

    def bail_sump(self, to_m: float) -> None:
        """Take water out of the sump and away, down to a height."""
        if self._sump is not None and self.sump is not None:
            over_l = self.sump.volume_l - to_m * self._sump.area_l
            self.away_l += self.sump.take(over_l).volume_l

    def step(self, tank: Tank, start_s: float, dt_s: float) -> None:
        """Let everything here run for `dt_s` from `start_s`."""
        if self.topup_lpm > 0.0:
            water = Body.at(self.topup_lpm * dt_s / S_PER_MIN, self._topup_c)
            self.topped_l += water.volume_l
            tank.give(water)
        self._let_out(tank, start_s, dt_s)
        self._go_round(tank, dt_s)
        self._heat(tank, dt_s)

    def _let_out(self, tank: Tank, start_s: float, dt_s: float) -> None:
        flow_lpm = self._drain_flow_lpm(tank, dt_s)
        there_l = tank.above_l(self._drain.intake_m)
        litres = min(flow_lpm * dt_s / S_PER_MIN, there_l)
        if litres <= 0.0:
            if self.drain_lpm > 0.0:
                self.drain_stopped_s = start_s
            self.drain_lpm = 0.0
            return
        self.drain_lpm = flow_lpm
        out_l = tank.take(litres).volume_l
        self.drained_l += out_l
        if self._store is None:
            self.away_l += out_l
            return
        fits_l = min(out_l, max(self._store.room_l - self.stored_l, 0.0))
        self.stored_l += fits_l
        if out_l > fits_l:
            tank.spill(out_l - fits_l)

    def _drain_flow_lpm(self, tank: Tank, dt_s: float) -> float:
        """Move the drain's valve, and return what would run out of a tank with water enough."""
        drain, level_m = self._drain, tank.level_m
        travel = self._move(dt_s)
        if drain.by == "pump" and travel > TRAVEL_SHUT:
            return drain.pump_lpm
        if self.siphon_open:
            travel = 1.0
        if travel <= TRAVEL_SHUT or level_m <= drain.intake_m:
            return 0.0
        square = self._minor_r / (travel * travel)
        head_m = level_m + drain.drop_m
        return balanced_flow_lpm(head_m, self._pipe_r, square, self.drain_lpm)

    def _move(self, dt_s: float) -> float:
        """Move the drain's valve for `dt_s` and return its mean travel on the way."""
        if self._drain.by == "hose":
            return 0.0
        before, want = self._travel, float(self.drain_energised)
        if self.drain_stuck:
            return before
        if self._drain.by == "pump":
            self._travel = want
            return want
        most = dt_s / max(self._drain.travel_s, TRAVEL_TIME_MIN_S)
        self._travel = min(before + most, want) if want > before else max(before - most, want)
        if self._travel <= TRAVEL_SHUT:
            self._travel = 0.0
        return (before + self._travel) / 2.0

    def _go_round(self, tank: Tank, dt_s: float) -> None:
        """Pump from the sump into the tank, and let run over the weir what stands above it."""
        if self._sump is None or self.sump is None:
            return
        over_l = 0.0
        crest_m = tank.level_m - self.weir_m  # Before the pump adds to it: so both can balance.
        if crest_m > 0.0:
            over_l = weir_flow_lpm(self._sump.weir_width_m, crest_m) * dt_s / S_PER_MIN
        if self.pump_on:
            there_l = self.sump.volume_l - self._sump.intake_m * self._sump.area_l
            wanted_l = self._sump.pump_lpm * dt_s / S_PER_MIN
            if there_l < wanted_l:
                self.dry_s += dt_s
            tank.give(self.sump.take(min(wanted_l, there_l)))
        if over_l > 0.0:
            self.sump.give(tank.take(min(over_l, tank.above_l(self.weir_m))))
        over_l = self.sump.volume_l - self._sump.rim_m * self._sump.area_l
        if over_l > 0.0:
            tank.spill(self.sump.take(over_l).volume_l)

    def _heat(self, tank: Tank, dt_s: float) -> None:
        heater = self._heater
        if heater is None or not self.heater_on:
            return
        if tank.level_m < heater.exposed_m:
            self.bare_s += dt_s
        elif tank.tank_temp_c < heater.set_c:
            tank.warm(heater.watts * KJ_PER_WS * dt_s)
