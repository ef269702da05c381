"""The fixed facts of one station, and the whole of what is remembered of it between two steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf, nan
from typing import Final

from monitor.core.alarm import Alarm
from monitor.core.balance import Balance
from monitor.core.creep import Creep
from monitor.core.debounce import Contact, Debounce
from monitor.core.exchange import Way
from monitor.core.facts import VALVE, Facts
from monitor.core.forecast import FillState as ForecastState
from monitor.core.forecast import Forecast
from monitor.core.hazards import RULES, Rule
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import Phase
from monitor.core.quality import Senses
from monitor.core.vessel import Vessel
from monitor.core.view import Picture

ALL_NORMAL: Final = (Alarm(),) * len(RULES)  # the very tuple while no alarm is anything else
Armed = tuple[int, Rule, Debounce | None]  # a rule's place in the table, the rule, its debounce


@dataclass(frozen=True, slots=True)
class Plan:
    """One vessel, its sensors, its valve and its limits, from the config.

    Sensor ids are tuples where there may be several: any high float and any wet probe counts.
    """

    station: str
    node: str
    vessel: Vessel
    floats: tuple[str, ...]
    leaks: tuple[str, ...]
    temp_in: str
    flow_in: str
    pulses_per_litre: float
    flow_uncertainty: float
    flow_max_lpm: float
    low_c: float
    high_c: float
    scald_c: float
    purge_l: float
    overs: tuple[str, ...] = ()  # second floats, above the main one
    lows: tuple[str, ...] = ()  # floats at the low mark: 1.0 is water below them
    sump_highs: tuple[str, ...] = ()
    sump_lows: tuple[str, ...] = ()
    stores: tuple[str, ...] = ()  # floats in the vessel that takes the waste water: 1.0 is full
    level: str = ""  # the level sensor, "" when none is fitted
    level_sd_m: float = 0.002  # how far one reading of it may be off, waves included
    return_pump: bool = True  # ask after each fill whether it runs again
    pump_plug: str = ""  # the pump's plug, when it is ours to switch
    closing_s: float = 1.0
    drain: str = ""  # how water is let out: "", "hose" (by hand), "valve" or "pump"
    drain_closing_s: float = 1.0
    low_m: float = 0.0  # the low mark: a drain never goes below it
    heater: str = ""  # "" none, "other" when somebody else switches it, or its plug
    heater_m: float = 0.0  # water height below which it is bare
    temp_tank: str = ""  # the tank's own thermometer
    tank_c: float = nan  # the tank's temperature, where no thermometer tells it
    tank_low_c: float = -inf
    tank_high_c: float = inf
    tank_change_c: float = inf  # how far a fill may move it
    filter_l: float = inf  # litres a cartridge is good for
    filter_days: float = inf
    supply: str = "mains"  # stations of one supply fill one after the other
    people_check: bool = False  # an unattended fill needs somebody who can be reached
    desk: str = ""  # what the desk's silence means: "" nothing, "warn" or "close"
    simulated: bool = False  # pins and water are not there
    limits: Limits = DEFAULTS
    # --- worked out by `prepared` ---
    blank: Picture = field(default=Picture(0.0, Phase.IDLE))  # what of a picture never changes
    armed: Mapping[Phase, tuple[Armed, ...]] = field(default_factory=dict)
    switches: tuple[tuple[tuple[str, ...], str, str], ...] = ()
    proof_parts: tuple[str, ...] = ()  # `proven`, worked out once
    mark_l: float = inf  # litres in the vessel at its mark
    low_l: float = 0.0

    @property
    def desk_closes(self) -> bool:
        """Whether a fill ends when the desk is not heard."""
        return self.desk == "close"

    @property
    def has_filter(self) -> bool:
        """Whether a cartridge has a life that can be used up."""
        return self.filter_l < inf or self.filter_days < inf

    @property
    def proven(self) -> tuple[str, ...]:
        """The parts whose proof tests count: what must act when all else fails."""
        floats = (*self.floats, *self.overs, *self.lows, *self.sump_highs, *self.stores)
        return (*floats, *self.leaks, VALVE)


def _debounce(rule: Rule, limits: Limits) -> Debounce | None:
    if not rule.hold:
        return None
    hold_s, bound_s = getattr(limits, rule.hold), getattr(limits, rule.bound)
    return Debounce(hold_s=hold_s, bound_s=bound_s, release_s=0.0)


_SWITCHES: Final = (
    ("floats", "float_high", "float_fresh"),
    ("leaks", "leak_wet", "leak_fresh"),
    ("overs", "over_high", "over_fresh"),
    ("lows", "low_hit", "low_fresh"),
    ("sump_highs", "sump_high", "sump_high_fresh"),
    ("sump_lows", "sump_low", "sump_low_fresh"),
    ("stores", "store_full", "store_fresh"),
)
"""Switches: the plan's sensors, and the two fields of a picture they fill."""


def _blank(plan: Plan, mark_l: float, low_l: float) -> Picture:
    """Return what of a station's picture never changes."""
    return Picture(
        now_s=0.0,
        phase=Phase.IDLE,
        closing_s=plan.closing_s,
        low_c=plan.low_c,
        high_c=plan.high_c,
        scald_c=plan.scald_c,
        flow_max_lpm=plan.flow_max_lpm,
        # Without a probe the water counts as at its mark: nothing is bare.
        level_m=plan.vessel.mark_m,
        mark_m=plan.vessel.mark_m,
        mark_l=mark_l,
        low_m=plan.low_m,
        low_l=low_l,
        heater_m=plan.heater_m,
        tank_low_c=plan.tank_low_c,
        tank_high_c=plan.tank_high_c,
        tank_change_c=plan.tank_change_c,
        limits=plan.limits,
    )


def prepared(plan: Plan) -> Plan:
    """Return the plan with the rules it has, phase by phase, each with its debounce, and the litres
    at its marks.
    """
    fitted = [(i, r, _debounce(r, plan.limits)) for i, r in enumerate(RULES)
              if not r.needs or getattr(plan, r.needs)]  # fmt: skip
    armed = {phase: tuple(row for row in fitted if phase in row[1].armed) for phase in Phase}
    vessel = plan.vessel
    mark_l, low_l = vessel.litres_at(vessel.mark_m), vessel.litres_at(plan.low_m)
    switches = tuple((ids, high, well) for name, high, well in _SWITCHES
                     if (ids := getattr(plan, name)))  # fmt: skip
    return replace(plan, armed=armed, mark_l=mark_l, low_l=low_l, blank=_blank(plan, mark_l, low_l),
                   switches=switches,
                   proof_parts=plan.proven)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Warmth:
    """The incoming water's warmth, and how far its thermometer has moved, over one fill."""

    litre_degrees: float = 0.0  # sum of litres times °C
    litres: float = 0.0
    lowest_c: float = inf
    highest_c: float = -inf


@dataclass(frozen=True)  # without slots: see `changed`
class Fill:
    """One fill, or one drain (`way`). Seconds are engine seconds; litres are by the meter, those
    of a drain by the level.
    """

    id: str
    by: str
    need_l: float
    to_mark: bool
    asked_s: float
    volume_limit_l: float
    time_limit_s: float
    way: Way = Way.IN
    attended: bool = False  # a person stays beside the tank
    rested: bool = True  # the pipe had time to cool, so its thermometer must answer to the flow
    refill: bool = False  # a drain that is the first half of a water change
    heater_was_on: bool = False  # when a drain was asked for, and its plug is ours
    boot: str = ""
    count_from: int = 0
    begun_s: float = -inf  # first opening
    opened_s: float = -inf  # latest opening
    open_before_s: float = 0.0  # open time of the openings before it
    purge_from_l: float = 0.0
    delivered_l: float = 0.0
    overrun_l: float = 0.0  # what comes after the close command, as earlier fills have shown
    goal_l: float = nan  # litres up to the mark by the level, where it tells them
    goal_sd_l: float = 0.0
    start_l: float = nan  # litres in the vessel at the first opening, by the level
    tank_from_c: float = nan
    warmth: Warmth = Warmth()
    holds: int = 0
    time_fixed: bool = False
    forecast: ForecastState | None = None
    expected: Forecast | None = None  # the forecast when the time was fixed
    expected_at_s: float = 0.0  # open time at that moment
    shut_s: float = -inf  # when the valve was last told to shut
    shut_l: float = 0.0  # the litres then
    low_ended: bool = False  # the low float ended this drain
    ended: str = ""  # "" while it runs, then "done" or "stopped"
    accounted: bool = False  # what came after the valve was told to shut is in the litres


@dataclass(frozen=True)  # without slots: see `changed`
class Station:
    """Everything the core remembers of a station."""

    phase: Phase = Phase.IDLE
    phase_s: float = 0.0
    now_s: float = -inf
    due_s: float = inf  # when the last step asked to be called again
    fill: Fill | None = None
    senses: Senses = field(default_factory=Senses)
    balance: Balance | None = None  # where a level sensor is fitted
    creep: Creep | None = None
    contacts: Mapping[int, Contact] = field(default_factory=dict)  # by rule, those in unrest
    alarms: tuple[Alarm, ...] = ALL_NORMAL
    raised_s: tuple[float, ...] = ()  # when alarms were raised lately, for the flood measure
    flooded: bool = False
    cause: str = ""  # first cause of the present stop or hold, a rule's id
    cause_key: str = ""
    seq: int = 0
    shut_s: float = -inf  # when the valve was last told to shut
    guard_cause: str = ""
    link_up: bool = False
    node_gone: bool = False
    node_simulated: bool = False
    desk_here: bool = False
    echo_asked_s: float = -inf
    echo_seen_s: float = -inf
    overslept: bool = False  # the engine itself stood still in mid-fill
    pump_since_s: float = inf  # since when a person has been asked about the pump; inf: not now
    heater_off: bool = False  # somebody, or its plug, has said so
    drained_l: float = 0.0  # let out and not yet put back
    interrupted: bool = False  # the engine was started anew in mid-fill
    facts: Facts = field(default_factory=Facts)
