"""The fixed facts of one station, and the whole of what is remembered of it between two steps."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf

from monitor.core.alarm import Alarm
from monitor.core.debounce import Contact, Debounce
from monitor.core.forecast import FillState as ForecastState
from monitor.core.forecast import Forecast
from monitor.core.hazards import RULES
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import Phase
from monitor.core.quality import Senses
from monitor.core.vessel import Vessel


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
    return_pump: bool = True  # ask after each fill whether it runs again
    closing_s: float = 1.0
    limits: Limits = DEFAULTS
    debounces: tuple[Debounce | None, ...] = ()


def _debounce(hold: str, bound: str, limits: Limits) -> Debounce | None:
    if not hold:
        return None
    return Debounce(hold_s=getattr(limits, hold), bound_s=getattr(limits, bound), release_s=0.0)


def prepared(plan: Plan) -> Plan:
    """Return the plan with each rule's debounce worked out from its limits."""
    debounces = tuple(_debounce(r.hold, r.bound, plan.limits) for r in RULES)
    return replace(plan, debounces=debounces)


@dataclass(frozen=True, slots=True)
class Fill:
    """One fill. Seconds are engine seconds; litres are by the meter."""

    id: str
    by: str
    need_l: float
    to_mark: bool
    asked_s: float
    volume_limit_l: float
    time_limit_s: float
    boot: str = ""
    count_from: int = 0
    begun_s: float = -inf  # first opening
    opened_s: float = -inf  # latest opening
    open_before_s: float = 0.0  # open time of the openings before it
    purge_from_l: float = 0.0
    delivered_l: float = 0.0
    holds: int = 0
    time_fixed: bool = False
    forecast: ForecastState | None = None
    expected: Forecast | None = None  # the forecast when the time was fixed
    expected_at_s: float = 0.0  # open time at that moment
    shut_s: float = -inf  # when the valve was last told to shut
    ended: str = ""  # "" while it runs, then "done" or "stopped"
    accounted: bool = False  # what came after the valve was told to shut is in the litres


@dataclass(frozen=True, slots=True)
class Station:
    """Everything the core remembers of a station."""

    phase: Phase = Phase.IDLE
    phase_s: float = 0.0
    now_s: float = -inf
    due_s: float = inf  # when the last step asked to be called again
    fill: Fill | None = None
    senses: Senses = field(default_factory=Senses)
    contacts: tuple[Contact, ...] = ()
    alarms: tuple[Alarm, ...] = (Alarm(),) * len(RULES)
    cause: str = ""  # first cause of the present stop or hold, a rule's id
    cause_key: str = ""
    seq: int = 0
    shut_s: float = -inf  # when the valve was last told to shut
    guard_cause: str = ""
    link_up: bool = False
    node_gone: bool = False
    echo_asked_s: float = -inf
    echo_seen_s: float = -inf
    overslept: bool = False  # the engine itself stood still in mid-fill
    pump_since_s: float = inf  # since when a person has been asked about the pump; inf: not now
    interrupted: bool = False  # the engine was started anew in mid-fill
