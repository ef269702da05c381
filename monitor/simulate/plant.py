"""The water itself, in simulation: mains, mixing valve, filter, meter, valve, hose, tank and floor.

The chain is

    mains head -> thermostatic mixing valve -> filter -> meter -> solenoid valve -> hose -> tank

and its flow Q is where the head that is left over equals the losses,

    H = r Q^1.852 + (k / travel^2 + f) Q^2,

with r the hose by Hazen-Williams (SI form, constant 10.667), k the minor losses and the wide-open
solenoid, travel the valve's opening between 0 and 1, and f the filter, which clogs with the litres
it has passed. Each second or less the tank takes what flows; what does not reach the tank, or runs
over its rim, is on the floor.

What may stand around the tank (sump, drain, heater) is in `house`.

Nothing here reads a clock or draws a number after construction. The mains' slow wander is a sum of
three waves whose phases come from the seed, so it is a function of time alone and does not depend
on how often anybody looks. The default rig, its museum and all its numbers are invented.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from dataclasses import dataclass, field
from enum import StrEnum

from monitor.core.units import L_PER_M3, S_PER_MIN
from monitor.core.water import density_kgm3, enthalpy_kjkg, temp_from_enthalpy_c
from monitor.errors import ConfigError
from monitor.simulate.house import TRAVEL_SHUT, Body, Drain, Heater, House, Store, Sump
from monitor.simulate.hydraulics import (
    GRAVITY_MS2,
    HAZEN_WILLIAMS_POWER,
    LPM_PER_M3S,
    balanced_flow_lpm,
    hazen_williams_r,
    minor_loss_r,
)

__all__ = [
    "GRAVITY_MS2",
    "HAZEN_WILLIAMS_POWER",
    "LPM_PER_M3S",
    "HeadEvent",
    "Mixing",
    "Plant",
    "Rig",
    "balanced_flow_lpm",
    "hazen_williams_r",
    "invented_taps",
    "minor_loss_r",
]

STEP_S = 1.0  # Flow changes over minutes; halving this moves a fill's end by well under 0.1 s.
VALVE_STEP_S = 0.05  # While the valve travels, flow changes over tenths of a second.
WANDER_PERIODS_S = (97.0, 311.0, 1009.0)  # Invented; primes, so that they never fall in step.
MIX_PERIODS_S = (7.3, 31.0)  # Invented: the mixing valve hunts a little around its set point.
WAVE_PERIODS_S = (1.3, 2.9, 5.9)  # Invented: what runs to and fro in a tank of two metres.

# Fields of a rig that something is divided by.
_ABOVE_ZERO = (
    *("length_m", "width_m", "hose_length_m", "hose_bore_m", "hose_c"),
    *("pulses_per_litre", "mix_lag_s", "pipe_rest_s"),
)


class Mixing(StrEnum):
    """What the mixing valve does: its work, or all hot, or all cold."""

    NORMAL = "normal"
    HOT = "hot"
    COLD = "cold"


@dataclass(frozen=True, slots=True)
class HeadEvent:
    """For a while the mains' head is multiplied: by 0.8 for another open tap, by 0 when lost."""

    start_s: float
    end_s: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Everything fixed about a rig. The defaults are the museum's river tank, invented.

    Heights are above the tank's inside floor except `tank_elevation_m`, which is that floor above
    the level at which `head_m` is stated. `wander` is the largest relative departure of the head.
    """

    length_m: float = 2.0
    width_m: float = 0.7
    rim_m: float = 0.60
    mark_m: float = 0.57
    start_level_m: float = 0.27
    float_m: float = 0.58  # Where the float turns over: the highest water that is accepted.
    high_float_m: float = 0.59  # A second one, where it is wired.
    low_float_m: float = 0.27  # The low mark's, where it is wired: below it the water is too low.
    wave_m: float = 0.0005  # The highest departure of the surface from the still level, with no
    wave_m_per_lpm: float = 0.0003  # inflow, and what each L/min of it adds.
    tank_elevation_m: float = 0.6
    hose_end_m: float = 0.63  # Above the rim: an air gap, so nothing can be sucked back.

    head_m: float = 25.0
    wander: float = 0.01
    head_events: tuple[HeadEvent, ...] = ()
    hose_length_m: float = 23.0
    hose_bore_m: float = 0.0095
    hose_c: float = 140.0
    minor_k: float = 3.0
    solenoid_k: float = 12.0
    filter_m_per_lpm2: float = 0.008
    filter_growth_per_l: float = 0.0
    open_time_s: float = 1.0
    close_time_s: float = 1.0

    pulses_per_litre: float = 450.0  # K = 7.5 Hz per L/min, a common Hall turbine part.
    meter_error: float = 0.0  # Relative: +0.02 counts 2 % too many.
    meter_start_lpm: float = 0.5  # Below its published range the rotor stands still.

    wet_floor_l: float = 0.05
    floor_drain_lpm: float = 0.0

    mix_c: float = 25.0
    mix_hunting_c: float = 0.15
    mix_lag_s: float = 4.0
    hot_c: float = 58.0
    cold_c: float = 11.0
    room_c: float = 20.0
    pipe_l: float = 1.5  # Water that stood in the pipe and comes first, at about room temperature.
    pipe_rest_s: float = 900.0  # How fast standing water takes on the room's temperature.
    tank_c: float = 24.6

    sump: Sump | None = None
    drain: Drain = field(default_factory=Drain)
    store: Store | None = None
    heater: Heater | None = None

    def __post_init__(self) -> None:
        """Raise ConfigError for a rig that cannot be built."""
        for name in _ABOVE_ZERO:
            value: float = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ConfigError(f"{name} is {value}", where="rig", allowed="a number above 0")
        if not 0.0 <= self.start_level_m <= self.mark_m <= self.rim_m:
            raise ConfigError(
                f"the levels are {self.start_level_m}, {self.mark_m} and {self.rim_m} m",
                where="rig",
                allowed="0 <= start_level_m <= mark_m <= rim_m",
            )

    @property
    def area_m2(self) -> float:
        """The tank's footprint."""
        return self.length_m * self.width_m

    def volume_l(self, level_m: float) -> float:
        """Return the litres in the tank when the water stands at `level_m`."""
        return self.area_m2 * level_m * L_PER_M3

    @property
    def need_l(self) -> float:
        """The litres from the start level to the mark."""
        return self.volume_l(self.mark_m) - self.volume_l(self.start_level_m)


def invented_taps(seed: int, until_s: float, *, per_hour: float = 4.0) -> tuple[HeadEvent, ...]:
    """Return other taps opened in the house at invented moments, never two at once."""
    rng = random.Random(seed)
    events: list[HeadEvent] = []
    at_s = rng.expovariate(per_hour / 3600.0)
    while at_s < until_s:
        end_s = at_s + rng.uniform(15.0, 240.0)
        events.append(HeadEvent(at_s, end_s, rng.uniform(0.6, 0.92)))
        at_s = end_s + rng.expovariate(per_hour / 3600.0)
    return tuple(events)


class Plant:
    """The true state of the water, moved forward by `advance`.

    The valve obeys `energise`; everything else that can be set is something that goes wrong, or a
    person at the stopcock. All of it takes effect from the present moment on.

    Attributes that may be set:
        hose_off: part of the flow (0..1) that leaves the hose end onto the floor; at 1 the hose
            end lies on the floor.
        joint_leak: part of the flow (0..1) lost to the floor between meter and hose end.
        valve_stuck: the valve stays as far open as it is (debris, or a welded relay contact).
        blocked: nothing passes (filter blocked, or the meter's rotor wedged across the pipe).
        stopcock_open: False once a person has shut the supply.
        mixing: what the mixing valve does, and mix_c: what it is set to.
        head_part: the part of the mains' head that is there: less while another station of the
            same supply is filled, 0 when the mains are lost.
        hose_end_m: where the hose ends, above the tank's floor.
        gully: what the hose loses runs down a gully, out of the leak probe's sight.
        meter_jammed: the rotor stands still and lets the water pass.
        meter_gain: pulses for each one that there should be.

    Attributes to read (the truth, all from this plant's beginning):
        now_s, volume_l, inflow_lpm (through the meter, negative when siphoned back),
        delivered_l (forward through the meter), returned_l (backward), floor_l (all that was ever
        spilled), puddle_l (what lies there now), temp_in_c (in the pipe, where the sensor sits),
        valve_travel (0 shut .. 1 open), shut_at_s and stopped_at_s (when the valve last came to
        rest shut, and when flow last ended; None before), max_level_m, min_level_m; and `house`,
        the state of all that stands around the tank.
    """

    hose_off: float = 0.0
    joint_leak: float = 0.0
    valve_stuck: bool = False
    blocked: bool = False
    stopcock_open: bool = True
    mixing: Mixing = Mixing.NORMAL
    head_part: float = 1.0
    gully: bool = False
    meter_jammed: bool = False
    meter_gain: float = 1.0

    def __init__(self, rig: Rig, *, seed: int = 0, start_s: float = 0.0) -> None:
        self.rig = rig
        self.now_s = start_s
        self._start_s = start_s
        rng = random.Random(seed)
        self._wander = [(math.tau / p, rng.uniform(0, math.tau)) for p in WANDER_PERIODS_S]
        self._hunting = [(math.tau / p, rng.uniform(0, math.tau)) for p in MIX_PERIODS_S]
        waves = random.Random(f"waves {seed}")  # Of its own: the draws above stay what they were.
        self._waves = [(math.tau / p, waves.uniform(0, math.tau)) for p in WAVE_PERIODS_S]
        self._events = sorted(rig.head_events, key=lambda event: event.start_s)
        self._edges = sorted({t for e in self._events for t in (e.start_s, e.end_s)})

        self.mix_c = rig.mix_c
        self.hose_end_m = rig.hose_end_m

        self._energised = False
        self.valve_travel = 0.0
        self.shut_at_s: float | None = None
        self.stopped_at_s: float | None = None

        self._area_l = rig.area_m2 * L_PER_M3  # Litres per metre of level.
        self._rim_l = rig.volume_l(rig.rim_m)
        self.volume_l = min(rig.volume_l(rig.start_level_m), self._rim_l)
        self._mass_kg = self.volume_l * density_kgm3(rig.tank_c) / L_PER_M3
        self._heat_kj = self._mass_kg * enthalpy_kjkg(rig.tank_c)
        self.max_level_m = self.min_level_m = self.level_m
        self.house = House(
            sump=rig.sump,
            drain=rig.drain,
            store=rig.store,
            heater=rig.heater,
            water_c=rig.tank_c,
            topup_c=rig.room_c,
        )

        self.inflow_lpm = 0.0
        self.delivered_l = 0.0
        self.returned_l = 0.0
        self.floor_l = 0.0
        self.puddle_l = 0.0
        self.temp_in_c = rig.room_c
        self._mix_c = rig.room_c
        self._slug_l = rig.pipe_l
        self._pulses = 0.0
        self._pulse_times_s: list[float] = []
        self.fit_meter(rig.pulses_per_litre)

        self._hose_r = hazen_williams_r(rig.hose_length_m, rig.hose_bore_m, rig.hose_c)
        self._minor_r = minor_loss_r(rig.minor_k, rig.hose_bore_m)
        self._solenoid_r = minor_loss_r(rig.solenoid_k, rig.hose_bore_m)

    @property
    def level_m(self) -> float:
        """The water's height above the tank's floor in metres."""
        return self.volume_l / self._area_l

    @property
    def tank_temp_c(self) -> float:
        """The well stirred tank's temperature in °C, NaN when it is empty."""
        return temp_from_enthalpy_c(self._heat_kj / self._mass_kg) if self._mass_kg else math.nan

    @property
    def floor_wet(self) -> bool:
        """Whether enough water lies on the floor to reach the leak probe."""
        return self.puddle_l > self.rig.wet_floor_l

    @property
    def energised(self) -> bool:
        """Whether the valve's coil has current."""
        return self._energised

    def energise(self, on: bool) -> None:
        """Give the valve's coil current or take it away, from now on."""
        self._energised = on

    def fit_meter(self, pulses_per_litre: float) -> None:
        """Make the meter one of this nominal factor; the rig's `meter_error` still applies."""
        self._pulses_per_l = pulses_per_litre * (1.0 + self.rig.meter_error)

    def surface_m(self, at_s: float) -> float:
        """Return the height of the moving surface where a level probe hangs, in metres."""
        wave = sum(math.sin(rate * at_s + phase) for rate, phase in self._waves)
        most_m = self.rig.wave_m + self.rig.wave_m_per_lpm * abs(self.inflow_lpm)
        return self.level_m + most_m * wave / len(self._waves)

    def head_m(self, at_s: float) -> float:
        """Return the mains' head in metres at a moment."""
        factor = 1.0
        for event in self._events:
            if event.start_s > at_s:
                break
            if at_s < event.end_s:
                factor *= event.factor
        wave = 0.0
        for rate, phase in self._wander:
            wave += math.sin(rate * at_s + phase)
        factor *= self.head_part
        return self.rig.head_m * factor * (1.0 + self.rig.wander * wave / len(self._wander))

    def advance(self, to_s: float) -> list[float]:
        """Let time pass until `to_s`; return the times in seconds of the meter's pulses, in order.

        A moment that is already past changes nothing. Raises ValueError when `to_s` is not
        finite, since no loop would end there.
        """
        if not math.isfinite(to_s):
            raise ValueError(f"cannot advance the plant to {to_s}: give finite seconds")
        self._pulse_times_s = []
        while self.now_s < to_s:
            self._step(self._next_s(to_s))
        return self._pulse_times_s

    def _next_s(self, to_s: float) -> float:
        """Return where the next step ends: no step straddles a change of the mains' head."""
        travelling = not self.valve_stuck and self.valve_travel != float(self._energised)
        travelling = travelling or self.house.travelling
        end_s = min(to_s, self.now_s + (VALVE_STEP_S if travelling else STEP_S))
        edge = bisect_right(self._edges, self.now_s)
        return min(end_s, self._edges[edge]) if edge < len(self._edges) else end_s

    def _step(self, end_s: float) -> None:
        start_s, dt_s = self.now_s, end_s - self.now_s
        travel = self._move_valve(dt_s)
        flow_lpm = self._solve(start_s + dt_s / 2.0, travel)
        self.now_s = end_s
        if flow_lpm == 0.0 and self.inflow_lpm != 0.0:
            self.stopped_at_s = start_s
        self.inflow_lpm = flow_lpm
        if self.valve_travel == 0.0 and travel > 0.0:
            self.shut_at_s = end_s
        litres = flow_lpm * dt_s / S_PER_MIN
        self._warm(litres, dt_s)
        if litres:
            self._count(abs(litres), start_s, dt_s)
            self._pour(litres)
        if self.house.busy:
            self.house.step(self, start_s, dt_s)
        if self.rig.floor_drain_lpm:
            drained_l = self.rig.floor_drain_lpm * dt_s / S_PER_MIN
            self.puddle_l = max(self.puddle_l - drained_l, 0.0)

    def _move_valve(self, dt_s: float) -> float:
        """Move the valve for `dt_s` and return its mean travel on the way."""
        before = self.valve_travel
        if self.valve_stuck:
            return before
        if self._energised:
            self.valve_travel = min(before + dt_s / max(self.rig.open_time_s, VALVE_STEP_S), 1.0)
        else:
            after = before - dt_s / max(self.rig.close_time_s, VALVE_STEP_S)
            self.valve_travel = after if after > TRAVEL_SHUT else 0.0
        return (before + self.valve_travel) / 2.0

    def _solve(self, at_s: float, travel: float) -> float:
        """Return the flow in L/min that spends all the head there is, negative when backward."""
        rig = self.rig
        if travel <= TRAVEL_SHUT or self.blocked or not self.stopcock_open:
            return 0.0
        submerged = self.hose_off < 1.0 and self.level_m > max(self.hose_end_m, 0.0)
        if self.hose_off >= 1.0:
            end_m = 0.0  # On the floor, which is taken as the level of the stated head.
        else:
            end_m = rig.tank_elevation_m + max(self.level_m, self.hose_end_m)
        spare_m = self.head_m(at_s) - end_m
        if spare_m == 0.0 or (spare_m < 0.0 and not submerged):
            return 0.0  # Air goes in where no water can.
        filter_r = rig.filter_m_per_lpm2 * (1.0 + rig.filter_growth_per_l * self.delivered_l)
        square = self._minor_r + self._solenoid_r / (travel * travel) + filter_r
        flow_lpm = balanced_flow_lpm(abs(spare_m), self._hose_r, square, abs(self.inflow_lpm))
        return math.copysign(flow_lpm, spare_m)

    def _warm(self, litres: float, dt_s: float) -> None:
        """Bring the temperature of the water in the pipe up to date."""
        rig = self.rig
        if litres <= 0.0:
            if litres < 0.0:
                self.temp_in_c = self.tank_temp_c
            elif self.temp_in_c != rig.room_c:
                self.temp_in_c += (rig.room_c - self.temp_in_c) * -math.expm1(
                    -dt_s / rig.pipe_rest_s
                )
            self._slug_l = rig.pipe_l
            self._mix_c = self.temp_in_c
            return
        if self.mixing is Mixing.NORMAL:
            wave = sum(math.sin(rate * self.now_s + phase) for rate, phase in self._hunting)
            target_c = self.mix_c + rig.mix_hunting_c * wave / len(self._hunting)
        else:
            target_c = rig.hot_c if self.mixing is Mixing.HOT else rig.cold_c
        self._mix_c += (target_c - self._mix_c) * -math.expm1(-dt_s / rig.mix_lag_s)
        if self._slug_l > 0.0:
            self._slug_l -= litres
        else:
            self.temp_in_c = self._mix_c

    def _count(self, litres: float, start_s: float, dt_s: float) -> None:
        """Add what passes the meter's rotor, which cannot tell forward from backward."""
        if self.meter_jammed or litres * S_PER_MIN < self.rig.meter_start_lpm * dt_s:
            return
        before, rate = self._pulses, litres * self._pulses_per_l * self.meter_gain / dt_s
        self._pulses = before + rate * dt_s
        first, last = math.floor(before) + 1, math.floor(self._pulses)
        self._pulse_times_s.extend(start_s + (n - before) / rate for n in range(first, last + 1))

    def _pour(self, litres: float) -> None:
        """Share the litres that passed the valve between tank and floor."""
        if litres < 0.0:
            back_l = min(-litres, self.volume_l)
            self.returned_l += back_l
            self._take(back_l)
            return
        self.delivered_l += litres
        lost_l = litres * min(self.joint_leak, 1.0)
        lost_l += (litres - lost_l) * min(self.hose_off, 1.0)
        into_l = max(litres - lost_l, 0.0)
        mass_kg = into_l * density_kgm3(self.temp_in_c) / L_PER_M3
        if self.gully:
            self.house.away_l += lost_l
            lost_l = 0.0
        lost_l += self._add(Body(into_l, mass_kg, mass_kg * enthalpy_kjkg(self.temp_in_c)))
        self.spill(lost_l)
        self.max_level_m = max(self.max_level_m, self.level_m)

    def _add(self, water: Body) -> float:
        """Pour water into the tank, and return the litres that run over its rim."""
        self._mass_kg += water.mass_kg
        self._heat_kj += water.heat_kj
        self.volume_l += water.volume_l
        if self.volume_l <= self._rim_l:
            return 0.0
        over_l = self.volume_l - self._rim_l
        self._take(over_l)
        return over_l

    def _take(self, litres: float) -> None:
        """Take well stirred water out of the tank, which is not empty."""
        left = max(1.0 - litres / self.volume_l, 0.0)
        self.volume_l = max(self.volume_l - litres, 0.0)
        self._mass_kg *= left
        self._heat_kj *= left
        self.min_level_m = min(self.min_level_m, self.level_m)

    # The tank as its surroundings see it (`house.Tank`).

    def above_l(self, level_m: float) -> float:
        """Return the litres that stand higher than this level."""
        return max(self.volume_l - level_m * self._area_l, 0.0)

    def take(self, litres: float) -> Body:
        """Take well stirred water out of the tank, at most all there is."""
        litres = min(litres, self.volume_l)
        if litres <= 0.0:
            return Body(0.0, 0.0, 0.0)
        mass_kg, heat_kj = self._mass_kg, self._heat_kj
        self._take(litres)
        return Body(litres, mass_kg - self._mass_kg, heat_kj - self._heat_kj)

    def give(self, water: Body) -> None:
        """Pour water into the tank; what runs over its rim is on the floor."""
        self.spill(self._add(water))
        self.max_level_m = max(self.max_level_m, self.level_m)

    def warm(self, heat_kj: float) -> None:
        """Put heat into the tank's water."""
        self._heat_kj += heat_kj

    def spill(self, litres: float) -> None:
        """Pour water on the floor."""
        self.floor_l += litres
        self.puddle_l += litres
