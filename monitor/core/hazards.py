"""The rules: one row a hazard that software can see.

A row says when it is armed, what its condition is, how long the condition must last (with a bound
that flapping cannot outlast), what brimwatch does about it, how bad it is, and when it has gone
again. Conditions look at a `Picture`, the station at one moment, and at nothing else. Which row
wins when several are true is decided in one place (`station.py`): the strongest response first,
then the higher severity, then the order of this table.

Row ids are those of the failure-mode table in SAFETY.md; several rows may stand for one hazard.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import AFTER_CLOSING, AT_REST, EVERY, UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.units import S_PER_MIN


class Severity(IntEnum):
    """How bad it is; people are told in this order."""

    NOTICE = 1
    LOW = 2
    MEDIUM = 3
    HIGH = 4
    TOP = 5  # water is, or soon will be, where brimwatch cannot stop it


class Response(IntEnum):
    """What brimwatch does; the strongest wins."""

    WARN = 1
    HOLD = 2
    CLOSE = 3


@dataclass(frozen=True, slots=True)
class Picture:
    """A station at one moment, as far as it can be believed. Seconds are engine seconds.

    A value whose `*_fresh` is False must not be used. `shut_for_s` is how long ago the valve was
    told to shut (0 while it is told to open), `open_for_s` the other way round.
    """

    now_s: float
    phase: Phase
    float_high: bool = False
    float_fresh: bool = True
    over_high: bool = False
    over_fresh: bool = True
    leak_wet: bool = False
    leak_fresh: bool = True
    temp_c: float = 0.0
    temp_fresh: bool = True
    flow_lpm: float = 0.0
    flow_fresh: bool = True
    silent_s: float = 0.0
    link_up: bool = True
    echo_missing: bool = False
    overslept: bool = False
    interrupted: bool = False
    twins: bool = False
    pump_for_s: float = 0.0
    node_gone: bool = False
    node_restarted: bool = False
    guard_cause: str = ""
    valve_open: bool = False
    open_for_s: float = 0.0
    shut_for_s: float = 0.0
    closing_s: float = 1.0
    delivered_l: float = 0.0
    need_l: float = 0.0
    volume_limit_l: float = 0.0
    to_mark: bool = True
    elapsed_s: float = 0.0
    time_limit_s: float = 0.0
    purged: bool = False
    low_c: float = 0.0
    high_c: float = 0.0
    scald_c: float = 0.0
    flow_max_lpm: float = 0.0
    limits: Limits = DEFAULTS


Condition = Callable[[Picture], bool]


@dataclass(frozen=True, slots=True)
class Rule:
    """One row. `hold` and `bound` name limits, or are empty for 'at once'.

    `needs` names the field of a `Plan` that must not be empty for the row to mean anything.
    """

    key: str
    id: str
    severity: Severity
    response: Response
    armed: frozenset[Phase]
    raised: Condition
    cleared: Condition
    hold: str = ""
    bound: str = ""
    latching: bool = True
    needs: str = ""


def _leak(p: Picture) -> bool:
    return p.leak_wet


def _leak_gone(p: Picture) -> bool:
    return p.leak_fresh and not p.leak_wet


def _heard_shut(p: Picture) -> bool:
    """The newest reading was made long enough after the valve was told to shut."""
    return p.shut_for_s - p.silent_s > p.closing_s + p.limits.shut_grace_s


def _still_flows(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm >= p.limits.flow_min_lpm and _heard_shut(p)


def _stays_open(p: Picture) -> bool:
    return p.valve_open and _heard_shut(p)


def _shut_and_dry(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm < p.limits.flow_min_lpm and not p.valve_open


def _seeps(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm >= p.limits.flow_min_lpm


def _over_volume(p: Picture) -> bool:
    """What still comes before the next reading, and while the valve closes, is counted in."""
    coming_l = p.flow_lpm / S_PER_MIN * (p.limits.reading_period_s + p.closing_s)
    return p.delivered_l + (coming_l if p.flow_fresh else 0.0) > p.volume_limit_l


def _over_time(p: Picture) -> bool:
    return p.elapsed_s > p.time_limit_s


def _float_early(p: Picture) -> bool:
    enough_l = p.need_l * (1.0 - p.limits.early_share) - p.limits.volume_margin_l
    return p.to_mark and p.float_fresh and p.float_high and p.delivered_l < enough_l


def _float_trips(p: Picture) -> bool:
    """A fill of so many litres that reaches the mark first was meant for more room."""
    return not p.to_mark and p.float_fresh and p.float_high


def _float_low(p: Picture) -> bool:
    return p.float_fresh and not p.float_high


def _scalds(p: Picture) -> bool:
    return p.temp_fresh and p.temp_c >= p.scald_c


def _hot(p: Picture) -> bool:
    return p.temp_fresh and p.purged and p.temp_c > p.high_c


def _cold(p: Picture) -> bool:
    return p.temp_fresh and p.purged and p.temp_c < p.low_c


def _no_flow(p: Picture) -> bool:
    return p.flow_fresh and p.open_for_s > p.closing_s and p.flow_lpm < p.limits.flow_min_lpm


def _impossible_flow(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm > p.flow_max_lpm


def _speaking(p: Picture) -> bool:
    """The node itself is heard, so a missing value is that sensor's own fault."""
    return p.silent_s < p.limits.suspect_s


def _temp_unread(p: Picture) -> bool:
    return not p.temp_fresh and _speaking(p)


def _flow_unread(p: Picture) -> bool:
    return not p.flow_fresh and _speaking(p)


def _float_unread(p: Picture) -> bool:
    return not p.float_fresh and _speaking(p)


def _leak_unread(p: Picture) -> bool:
    return not p.leak_fresh and _speaking(p)


def _temp_read(p: Picture) -> bool:
    return p.temp_fresh


def _flow_read(p: Picture) -> bool:
    return p.flow_fresh and not _impossible_flow(p)


def _over_high(p: Picture) -> bool:
    return p.over_high


def _over_low(p: Picture) -> bool:
    return p.over_fresh and not p.over_high


def _over_unread(p: Picture) -> bool:
    return not p.over_fresh and _speaking(p)


def _over_read(p: Picture) -> bool:
    return p.over_fresh


def _twins(p: Picture) -> bool:
    return p.twins


def _one_node(p: Picture) -> bool:
    return not p.twins


def _pump_off(p: Picture) -> bool:
    return p.pump_for_s >= p.limits.pump_confirm_s


def _pump_on(p: Picture) -> bool:
    return p.pump_for_s <= 0.0


def _float_read(p: Picture) -> bool:
    return p.float_fresh


def _leak_read(p: Picture) -> bool:
    return p.leak_fresh


def _silent(p: Picture) -> bool:
    return p.silent_s >= p.limits.permit_ttl_s


def _broker_lost(p: Picture) -> bool:
    return _silent(p) and (not p.link_up or p.echo_missing)


def _node_gone(p: Picture) -> bool:
    return p.node_restarted or (_silent(p) and not _broker_lost(p) and p.node_gone)


def _node_silent(p: Picture) -> bool:
    return _silent(p) and not _broker_lost(p) and not p.node_gone


def _overslept(p: Picture) -> bool:
    return p.overslept


def _interrupted(p: Picture) -> bool:
    return p.interrupted


def _always(_: Picture) -> bool:
    return True


def _heard(p: Picture) -> bool:
    return p.silent_s < p.limits.suspect_s and p.link_up


def _guard_says(cause: str) -> Condition:
    """Return the condition 'the guard shut the valve of this fill by itself for this cause'."""

    def condition(p: Picture) -> bool:
        return p.guard_cause == cause

    return condition


def _guard_row(cause: str, severity: Severity = Severity.HIGH, needs: str = "") -> Rule:
    """One row for a cause that only the guard beside the valve can know."""
    return Rule(
        f"guard-{cause.lower()}", cause, severity, Response.CLOSE, UNDER_WAY,
        _guard_says(cause), _heard, needs=needs,
    )  # fmt: skip


_FLOWING = WATER_MAY_FLOW
_AFTERWARDS = frozenset({Phase.IDLE, Phase.DONE, Phase.STOPPED})
_TRYING = frozenset({Phase.FILLING, Phase.HOLDING})

RULES: Final[tuple[Rule, ...]] = (
    Rule("leak", "W06", Severity.TOP, Response.CLOSE, EVERY, _leak, _leak_gone),
    Rule("over-float", "W01", Severity.TOP, Response.CLOSE, EVERY, _over_high, _over_low,
         needs="overs"),
    Rule("valve-flows", "W04", Severity.TOP, Response.CLOSE, AFTER_CLOSING, _still_flows,
         _shut_and_dry, hold="shut_flow_s", bound="shut_flow_bound_s"),
    Rule("valve-open", "W04", Severity.TOP, Response.CLOSE, AFTER_CLOSING, _stays_open,
         _shut_and_dry),
    Rule("seep", "W05", Severity.HIGH, Response.WARN, AT_REST, _seeps, _shut_and_dry,
         hold="seep_s", bound="seep_bound_s"),
    Rule("scald", "T01", Severity.HIGH, Response.CLOSE, _FLOWING, _scalds, _temp_read),
    Rule("over-volume", "W01", Severity.HIGH, Response.CLOSE, _TRYING, _over_volume, _float_read),
    Rule("float-early", "S01", Severity.HIGH, Response.CLOSE, _TRYING, _float_early, _float_low),
    Rule("over-mark", "W18", Severity.HIGH, Response.CLOSE, _TRYING, _float_trips, _float_low),
    Rule("over-time", "W14", Severity.HIGH, Response.CLOSE, _TRYING, _over_time, _float_read),
    Rule("float-unread", "S01", Severity.HIGH, Response.CLOSE, _TRYING, _float_unread,
         _float_read),
    Rule("over-unread", "S01", Severity.HIGH, Response.CLOSE, _TRYING, _over_unread, _over_read,
         needs="overs"),
    Rule("leak-unread", "S02", Severity.HIGH, Response.CLOSE, _TRYING, _leak_unread, _leak_read),
    Rule("engine-late", "C02", Severity.HIGH, Response.CLOSE, UNDER_WAY, _overslept, _heard),
    Rule("broker-lost", "C03", Severity.HIGH, Response.CLOSE, UNDER_WAY, _broker_lost, _heard),
    Rule("node-gone", "C05", Severity.HIGH, Response.CLOSE, UNDER_WAY, _node_gone, _heard),
    Rule("node-silent", "C06", Severity.HIGH, Response.CLOSE, UNDER_WAY, _node_silent, _heard),
    Rule("interrupted", "C08", Severity.HIGH, Response.CLOSE, EVERY, _interrupted, _always),
    Rule("twins", "C12", Severity.HIGH, Response.CLOSE, EVERY, _twins, _one_node),
    _guard_row("C01"),
    _guard_row("C02"),
    _guard_row("C03"),
    _guard_row("C06"),
    _guard_row("C12"),
    _guard_row("G01"),
    _guard_row("S01"),
    _guard_row("S02"),
    _guard_row("W06", Severity.TOP),
    _guard_row("W01", Severity.TOP, needs="overs"),
    Rule("hot", "T01", Severity.MEDIUM, Response.HOLD, _FLOWING, _hot, _temp_read,
         hold="hot_s", bound="hot_bound_s"),
    Rule("cold", "T02", Severity.MEDIUM, Response.HOLD, _FLOWING, _cold, _temp_read,
         hold="cold_s", bound="cold_bound_s"),
    Rule("no-flow", "W15", Severity.MEDIUM, Response.HOLD, _FLOWING, _no_flow, _flow_read,
         hold="no_flow_s", bound="no_flow_bound_s"),
    Rule("temp-unread", "T06", Severity.MEDIUM, Response.HOLD, _TRYING, _temp_unread, _temp_read),
    Rule("flow-unread", "S04", Severity.MEDIUM, Response.HOLD, _TRYING, _flow_unread, _flow_read),
    Rule("flow-impossible", "S04", Severity.MEDIUM, Response.HOLD, _FLOWING, _impossible_flow,
         _flow_read),
    Rule("pump-off", "W10", Severity.MEDIUM, Response.WARN, _AFTERWARDS, _pump_off, _pump_on,
         latching=False, needs="return_pump"),
    Rule("node-quiet", "C05", Severity.LOW, Response.WARN, AT_REST, _silent, _heard,
         hold="quiet_s", bound="quiet_bound_s", latching=False),
)  # fmt: skip
"""The rule set. Order matters only between rows of equal response and severity."""

BY_KEY: Final = {rule.key: index for index, rule in enumerate(RULES)}

if len(BY_KEY) != len(RULES):
    raise RuntimeError("hazards.py: two rules share a key")
