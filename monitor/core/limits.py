"""Every number the rules use: name, unit, hard range, default, source and reason, in one table.

A config may move a limit inside its hard range and nowhere else; the hard range is what keeps a
bound of the hazard catalogue true whatever a config says. Relations between limits are checked
when a station is planned (`relations`), so a pair of values that are each allowed but unsafe
together never runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import isfinite
from typing import Final


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit. `low` and `high` are the hard range a config cannot leave."""

    name: str
    unit: str
    low: float
    high: float
    default: float
    source: str
    why: str


_PRACTICE: Final = "common practice"
_OURS: Final = "our bound"

_ROWS: Final = (
    # --- the permit and the guard ---
    Limit("permit_ttl_s", "s", 1.0, 1.9, 1.9, "hazards C01-C04: valve shut within 3 s",
          "how long the valve may stay open after the engine last proved it heard this node; a "
          "valve that closes in 1 s is then shut within 3 s, whatever died and whenever"),
    Limit("reading_period_s", "s", 0.2, 1.0, 1.0, _OURS,
          "a node sends all its readings at least this often, and each earns one renewal"),
    Limit("open_max_s", "s", 60.0, 21600.0, 14400.0, _PRACTICE,
          "hard maximum of one fill's open time, whatever engine and meter say"),
    Limit("loop_stall_s", "s", 0.5, 3.5, 3.0, "hazard C06: valve shut within 5 s",
          "a node whose event loop has not come round for this long is frozen: shut"),
    # --- readings ---
    Limit("reading_stale_s", "s", 1.5, 3.0, 3.0, "three missed readings at 1 Hz",
          "an older reading counts as none"),
    Limit("clock_creep", "s/s", 0.00005, 0.001, 0.0005, "quartz clocks drift below 100 ppm",
          "how fast the node's clock offset may be re-learned, so that drift is not seen as delay"),
    Limit("twin_s", "s", 5.0, 60.0, 10.0, _OURS,
          "two nodes of one name are told of until the one has been silent for this long"),
    Limit("suspect_s", "s", 0.5, 1.5, 1.3, _OURS,
          "silence after which the broker is asked for an echo, to tell whose silence it is"),
    Limit("quiet_s", "s", 2.0, 30.0, 5.0, _OURS,
          "with no fill running, a node may be unheard this long before people are told"),
    Limit("quiet_bound_s", "s", 4.0, 60.0, 12.0, _OURS,
          "a node that comes and goes is told of by then"),
    # --- before a fill ---
    Limit("check_quiet_s", "s", 2.0, 30.0, 3.0, _OURS,
          "the meter must stand still this long with the valve shut before a fill"),
    Limit("check_max_s", "s", 3.0, 60.0, 15.0, _OURS,
          "checks that have not passed by then refuse the fill"),
    # --- flow ---
    Limit("flow_min_lpm", "L/min", 0.3, 2.0, 0.5, "start-up flow of small turbine meters, 0.5-1",
          "below this a pulse meter cannot be told from standing still"),
    Limit("no_flow_s", "s", 3.0, 14.0, 13.0, "hazard W15: at most 30 s",
          "open valve without flow: never wait with no measurement"),
    Limit("no_flow_bound_s", "s", 5.0, 30.0, 28.0, "hazard W15: at most 30 s",
          "flickering flow cannot postpone the no-flow trip past this"),
    Limit("shut_grace_s", "s", 0.5, 3.0, 3.0, _OURS,
          "beyond the valve's own closing time, before flow counts as 'does not close'"),
    Limit("shut_flow_s", "s", 1.0, 4.0, 4.0, "hazard W04: at most 15 s after the command",
          "flow for this long after that is a valve that does not close"),
    Limit("shut_flow_bound_s", "s", 2.0, 9.0, 9.0, "hazard W04: at most 15 s after the command",
          "flickering flow cannot postpone that past this"),
    Limit("seep_s", "s", 5.0, 27.0, 25.0, "hazard W05: at most 60 s at 0.5 L/min",
          "flow for this long with no fill running is a seep"),
    Limit("seep_bound_s", "s", 10.0, 55.0, 55.0, "hazard W05: at most 60 s at 0.5 L/min",
          "flickering flow cannot postpone that past this"),
    # --- volume and time ---
    Limit("volume_margin", "L/L", 0.0, 0.08, 0.03, "turbine meters uncalibrated: some per cent",
          "share of the need allowed on top, beyond the meter's own uncertainty"),
    Limit("volume_margin_l", "L", 0.5, 20.0, 4.0, _OURS, "fixed part of the same allowance"),
    Limit("early_share", "L/L", 0.05, 0.4, 0.2, _OURS,
          "a high float that comes earlier than this share of the need is not believed as 'full'"),
    Limit("overrun_max_l", "L", 0.0, 10.0, 3.0, "hazard W25: overrun subtracted",
          "more than this learned overrun is not believed, or a fill would end far too soon"),
    Limit("time_margin", "s/s", 0.02, 0.5, 0.2, _OURS,
          "share of the expected time allowed on top of the forecast's upper bound"),
    Limit("time_margin_s", "s", 10.0, 600.0, 120.0, _OURS, "fixed part of the same allowance"),
    Limit("learn_s", "s", 20.0, 300.0, 60.0, _OURS,
          "flow is measured this long before the expected time is fixed for the whole fill"),
    Limit("missing_share", "L/L", 0.1, 0.17, 0.15, "hazard W03: 20 % missing within 5 min",
          "a larger share of the metered water that does not arrive shuts; a smaller one is told"),
    Limit("flow_floor_lpm", "L/min", 0.5, 10.0, 2.0, _OURS,
          "until the flow is known, the time allowed is that of this slow flow"),
    # --- level ---
    Limit("level_over_m", "m", 0.003, 0.02, 0.01, _OURS,
          "water this far above the mark, or below the low mark, is past it"),
    Limit("drain_over_l", "L", 1.0, 10.0, 3.0, "hazard W23",
          "so much more after a drain was told to stop is a drain that runs on"),
    Limit("level_over_s", "s", 0.5, 3.0, 2.0, "hazard W19: waves delay by at most 3 s",
          "the level must be past the mark this long"),
    Limit("level_over_bound_s", "s", 1.0, 6.0, 5.0, _OURS,
          "waves about the mark cannot postpone that past this"),
    Limit("heater_margin_m", "m", 0.01, 0.1, 0.02, _OURS,
          "a heater this little under water is as good as bare: off before it is"),
    # --- temperature ---
    Limit("hot_s", "s", 1.0, 4.0, 4.0, "hazard T01: at most 10 s", "too warm for this long: hold"),
    Limit("hot_bound_s", "s", 2.0, 8.5, 8.5, "hazard T01: at most 10 s",
          "a temperature that flickers about the band's edge is held by then"),
    Limit("cold_s", "s", 1.0, 14.0, 13.0, "hazard T02: at most 30 s", "too cold this long: hold"),
    Limit("cold_bound_s", "s", 2.0, 28.0, 28.0, "hazard T02: at most 30 s",
          "a temperature that flickers about the band's edge is held by then"),
    Limit("scald_max_c", "°C", 25.0, 45.0, 43.0, "burns after 2 h at 45 °C, minutes at 49 °C",
          "the hardest limit a config may set for incoming water"),
    Limit("tank_look_s", "s", 30.0, 300.0, 60.0, "hazard T04: before it happens",
          "a tank that would move too far within this time shuts now"),
    Limit("dead_s", "s", 120.0, 300.0, 240.0, "hazard T05: 5 min",
          "an incoming thermometer must have answered to the flow by then"),
    Limit("dead_c", "°C", 0.1, 1.0, 0.5, "eight steps of a DS18B20 at 12 bit",
          "a reading that has moved by less has not answered"),
    Limit("pipe_rest_s", "s", 600.0, 14400.0, 3600.0, _PRACTICE,
          "a pipe that ran less long ago is still as warm as the stream: nothing must answer"),
    # --- before an unattended fill ---
    Limit("proof_days", "d", 7.0, 366.0, 180.0, _PRACTICE,
          "a float, probe or valve proven longer ago than this is not trusted alone"),
    Limit("people_s", "s", 3600.0, 172800.0, 86400.0, _OURS,
          "somebody must have been known to be reachable this lately"),
    Limit("cartridge_warn", "L/L", 0.5, 1.0, 0.9, "hazard T07: at 90 %",
          "share of a cartridge's life after which a new one is asked for"),
    # --- computers ---
    Limit("rejected_max_per_min", "1/min", 5.0, 600.0, 30.0, _OURS,
          "messages nobody can read, above this rate, are told of"),
    # --- alarms set aside ---
    Limit("shelve_max_s", "s", 60.0, 43200.0, 28800.0, "ISA-18.2: a shelf has a time limit",
          "an alarm comes back by itself after at most this"),
    # --- afterwards ---
    Limit("pump_confirm_s", "s", 60.0, 3600.0, 600.0, "hazard W10: 10 min by default",
          "a return pump that nobody has confirmed by then is asked for: no pump, no oxygen"),
    # --- holding and settling ---
    Limit("hold_pause_s", "s", 10.0, 600.0, 60.0, _OURS,
          "shortest hold: a cause that needs flow to be seen cannot clear sooner"),
    Limit("hold_max_s", "s", 30.0, 1800.0, 180.0, _OURS,
          "a hold that cannot end by then becomes a stop"),
    Limit("holds_max", "1", 0.0, 5.0, 2.0, _OURS, "so many holds a fill, the next one is a stop"),
    Limit("drain_settle_s", "s", 20.0, 300.0, 60.0, "hazard W23",
          "after a drain the level is watched this long: a siphon shows slowly"),
    Limit("watch_after_s", "s", 60.0, 900.0, 180.0, _OURS,
          "after a stop the level is watched this long; then people may be at work in the water"),
    Limit("settle_s", "s", 10.0, 120.0, 20.0, "flow was seen 11-31 s after closing in open data",
          "the water is watched this long after closing before the fill counts as done"),
)  # fmt: skip

LIMITS: Final[Mapping[str, Limit]] = {row.name: row for row in _ROWS}


@dataclass(frozen=True, slots=True)
class Limits:
    """The values in force for one station; units and reasons stand in `LIMITS`."""

    permit_ttl_s: float = LIMITS["permit_ttl_s"].default
    reading_period_s: float = LIMITS["reading_period_s"].default
    open_max_s: float = LIMITS["open_max_s"].default
    loop_stall_s: float = LIMITS["loop_stall_s"].default
    reading_stale_s: float = LIMITS["reading_stale_s"].default
    clock_creep: float = LIMITS["clock_creep"].default
    twin_s: float = LIMITS["twin_s"].default
    suspect_s: float = LIMITS["suspect_s"].default
    quiet_s: float = LIMITS["quiet_s"].default
    quiet_bound_s: float = LIMITS["quiet_bound_s"].default
    check_quiet_s: float = LIMITS["check_quiet_s"].default
    check_max_s: float = LIMITS["check_max_s"].default
    flow_min_lpm: float = LIMITS["flow_min_lpm"].default
    no_flow_s: float = LIMITS["no_flow_s"].default
    no_flow_bound_s: float = LIMITS["no_flow_bound_s"].default
    shut_grace_s: float = LIMITS["shut_grace_s"].default
    shut_flow_s: float = LIMITS["shut_flow_s"].default
    shut_flow_bound_s: float = LIMITS["shut_flow_bound_s"].default
    seep_s: float = LIMITS["seep_s"].default
    seep_bound_s: float = LIMITS["seep_bound_s"].default
    volume_margin: float = LIMITS["volume_margin"].default
    volume_margin_l: float = LIMITS["volume_margin_l"].default
    early_share: float = LIMITS["early_share"].default
    overrun_max_l: float = LIMITS["overrun_max_l"].default
    time_margin: float = LIMITS["time_margin"].default
    time_margin_s: float = LIMITS["time_margin_s"].default
    learn_s: float = LIMITS["learn_s"].default
    missing_share: float = LIMITS["missing_share"].default
    flow_floor_lpm: float = LIMITS["flow_floor_lpm"].default
    level_over_m: float = LIMITS["level_over_m"].default
    drain_over_l: float = LIMITS["drain_over_l"].default
    level_over_s: float = LIMITS["level_over_s"].default
    level_over_bound_s: float = LIMITS["level_over_bound_s"].default
    heater_margin_m: float = LIMITS["heater_margin_m"].default
    hot_s: float = LIMITS["hot_s"].default
    hot_bound_s: float = LIMITS["hot_bound_s"].default
    cold_s: float = LIMITS["cold_s"].default
    cold_bound_s: float = LIMITS["cold_bound_s"].default
    scald_max_c: float = LIMITS["scald_max_c"].default
    tank_look_s: float = LIMITS["tank_look_s"].default
    dead_s: float = LIMITS["dead_s"].default
    pipe_rest_s: float = LIMITS["pipe_rest_s"].default
    dead_c: float = LIMITS["dead_c"].default
    proof_days: float = LIMITS["proof_days"].default
    people_s: float = LIMITS["people_s"].default
    cartridge_warn: float = LIMITS["cartridge_warn"].default
    rejected_max_per_min: float = LIMITS["rejected_max_per_min"].default
    shelve_max_s: float = LIMITS["shelve_max_s"].default
    pump_confirm_s: float = LIMITS["pump_confirm_s"].default
    hold_pause_s: float = LIMITS["hold_pause_s"].default
    hold_max_s: float = LIMITS["hold_max_s"].default
    holds_max: float = LIMITS["holds_max"].default
    drain_settle_s: float = LIMITS["drain_settle_s"].default
    watch_after_s: float = LIMITS["watch_after_s"].default
    settle_s: float = LIMITS["settle_s"].default


DEFAULTS: Final = Limits()


def refusal(name: str, value: float) -> str | None:
    """Say why a config's value for a limit is not allowed, or None when it is."""
    row = LIMITS.get(name)
    if row is None:
        return f"there is no limit named {name!r}"
    if not isfinite(value) or not row.low <= value <= row.high:
        return (
            f"{value:g} {row.unit} is outside the hard range {row.low:g} to {row.high:g} "
            f"{row.unit} ({row.source}): {row.why}"
        )
    return None


def with_overrides(overrides: Mapping[str, float]) -> Limits:
    """Return the defaults with a config's values. A value that `refusal` objects to is left out."""
    allowed = {k: v for k, v in overrides.items() if refusal(k, v) is None}
    return replace(DEFAULTS, **allowed)


def _debounces(limits: Limits) -> tuple[tuple[str, float, float], ...]:
    return (
        ("no_flow", limits.no_flow_s, limits.no_flow_bound_s),
        ("shut_flow", limits.shut_flow_s, limits.shut_flow_bound_s),
        ("seep", limits.seep_s, limits.seep_bound_s),
        ("level_over", limits.level_over_s, limits.level_over_bound_s),
        ("hot", limits.hot_s, limits.hot_bound_s),
        ("cold", limits.cold_s, limits.cold_bound_s),
        ("quiet", limits.quiet_s, limits.quiet_bound_s),
    )


def relations(limits: Limits) -> tuple[str, ...]:
    """Return what is wrong with the values taken together; empty when nothing is."""
    pairs = (
        (limits.reading_period_s < limits.suspect_s,
         "reading_period_s must be below suspect_s, or every pause between readings is a silence"),
        (limits.reading_period_s + limits.reading_period_s <= limits.reading_stale_s,
         "reading_stale_s must be at least twice reading_period_s"),
        (limits.suspect_s < limits.permit_ttl_s,
         "suspect_s must be below permit_ttl_s, or the echo comes after the permit's end"),
        *((hold_s + hold_s <= bound_s,
           f"{name}_bound_s must be at least twice {name}_s, or a single flicker trips")
          for name, hold_s, bound_s in _debounces(limits)),
        (limits.check_quiet_s < limits.check_max_s,
         "check_quiet_s must be below check_max_s, or no check can ever pass"),
        (limits.hold_pause_s < limits.hold_max_s,
         "hold_pause_s must be below hold_max_s, or every hold becomes a stop"),
    )  # fmt: skip
    return tuple(text for holds, text in pairs if not holds)


if {f.name for f in fields(Limits)} != set(LIMITS):  # checked when the program starts
    raise RuntimeError("limits.py: the table LIMITS and the class Limits name different limits")
if bad := [r.name for r in _ROWS if not r.low <= r.default <= r.high]:
    raise RuntimeError(f"limits.py: default outside the hard range: {bad}")
if wrong := relations(DEFAULTS):
    raise RuntimeError(f"limits.py: {wrong}")
