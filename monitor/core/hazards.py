"""The rules: one row a hazard that software can see.

A row says when it is armed, what its condition is, how long the condition must last (with a bound
that flapping cannot outlast), what brimwatch does about it, how bad it is, and when it has gone
again. Conditions (`conditions`) look at a `Picture`, the station at one moment, and at nothing
else. Which row wins when several are true is decided in one place (`station`): the strongest
response first, then the higher severity, then the order of this table.

Row ids are those of the failure-mode table in SAFETY.md; several rows may stand for one hazard. A
row that needs something fitted is there only where the config has it (`Rule.needs`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

from monitor.core import conditions as c
from monitor.core.phases import AFTER_CLOSING, AT_REST, EVERY, UNDER_WAY, Phase
from monitor.core.view import Picture


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


Condition = Callable[[Picture], bool]
NOWHERE: Final[frozenset[Phase]] = frozenset()


@dataclass(frozen=True, slots=True)
class Rule:
    """One row. `hold` and `bound` name limits, or are empty for 'at once'.

    `needs` names the field of a `Plan` that must not be empty for the row to mean anything, and
    `off` the one that names a plug of ours to be switched off when the row is raised. In phases of
    `expected` the condition belongs to the situation, and its alarm is suppressed by design.
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
    off: str = ""
    expected: frozenset[Phase] = NOWHERE


def _guard_says(cause: str) -> Condition:
    """Return the condition 'the guard shut the valve of this fill by itself for this cause'."""

    def condition(p: Picture) -> bool:
        return p.guard_cause == cause

    return condition


def _guard_row(cause: str, severity: Severity = Severity.HIGH, needs: str = "") -> Rule:
    """One row for a cause that only the guard beside the valve can know."""
    return Rule(
        f"guard-{cause.lower()}", cause, severity, Response.CLOSE, UNDER_WAY,
        _guard_says(cause), c.heard, needs=needs,
    )  # fmt: skip


_FILLING = frozenset({Phase.FILLING})
_DRAINING = frozenset({Phase.DRAINING})
_AFTERWARDS = frozenset({Phase.IDLE, Phase.DONE, Phase.STOPPED})
_TRYING = frozenset({Phase.FILLING, Phase.HOLDING})
_AT_IT = _TRYING | _DRAINING
_DRAINED = frozenset({Phase.CLOSING, Phase.SETTLING, Phase.DONE, Phase.STOPPED})
_TOP, _HIGH, _MEDIUM, _LOW = Severity.TOP, Severity.HIGH, Severity.MEDIUM, Severity.LOW
_CLOSE, _HOLD, _WARN = Response.CLOSE, Response.HOLD, Response.WARN

RULES: Final[tuple[Rule, ...]] = (
    # --- water where it should not be ---
    Rule("leak", "W06", _TOP, _CLOSE, EVERY, c.leak, c.leak_gone),
    Rule("over-float", "W01", _TOP, _CLOSE, EVERY, c.over_high, c.over_low, needs="overs"),
    Rule("level-over", "W01", _TOP, _CLOSE, EVERY, c.level_over, c.level_under,
         hold="level_over_s", bound="level_over_bound_s", needs="level"),
    Rule("sump-high", "W08", _TOP, _CLOSE, EVERY, c.sump_high, c.sump_below, needs="sump_highs"),
    Rule("valve-flows", "W04", _TOP, _CLOSE, AFTER_CLOSING, c.still_flows, c.shut_and_dry,
         hold="shut_flow_s", bound="shut_flow_bound_s", needs="flow_in"),
    Rule("valve-open", "W04", _TOP, _CLOSE, AFTER_CLOSING, c.stays_open, c.shut_and_dry),
    Rule("drain-runs", "W23", _TOP, _CLOSE, _DRAINED, c.past_low, c.runs_dry_not, needs="drain"),
    Rule("seep", "W05", _HIGH, _WARN, AT_REST | _DRAINING, c.seeps, c.shut_and_dry,
         hold="seep_s", bound="seep_bound_s", needs="flow_in"),
    Rule("seep-slow", "W05", _MEDIUM, _WARN, AT_REST, c.creeps, c.creeps_not, needs="level"),
    # --- the fill itself ---
    Rule("scald", "T01", _HIGH, _CLOSE, _FILLING, c.scalds, c.temp_read, needs="temp_in"),
    Rule("over-volume", "W01", _HIGH, _CLOSE, _TRYING, c.over_volume, c.float_read),
    Rule("float-early", "S01", _HIGH, _CLOSE, _TRYING, c.float_early, c.float_low),
    Rule("over-mark", "W18", _HIGH, _CLOSE, _TRYING, c.float_trips, c.float_low),
    Rule("over-time", "W14", _HIGH, _CLOSE, _AT_IT, c.over_time, c.float_read),
    # --- where the water goes ---
    Rule("hose-off", "W02", _HIGH, _CLOSE, _TRYING, c.hose_off, c.balanced, needs="level"),
    Rule("part-missing", "W03", _HIGH, _CLOSE, _TRYING, c.part_missing, c.balanced, needs="level"),
    Rule("falls", "W12", _HIGH, _CLOSE, _FILLING, c.falls, c.balanced, needs="level"),
    Rule("drains-away", "W11", _HIGH, _CLOSE, AFTER_CLOSING, c.drains_away, c.stands,
         needs="level"),
    Rule("meter-jammed", "W16", _HIGH, _CLOSE, _TRYING, c.jammed, c.balanced, needs="level"),
    Rule("level-frozen", "S06", _HIGH, _CLOSE, _TRYING, c.level_frozen, c.level_read,
         needs="level"),
    Rule("tank-moves", "T04", _HIGH, _CLOSE, _FILLING, c.tank_moves, c.temp_read,
         hold="hot_s", bound="hot_bound_s", needs="temp_in"),
    # --- letting water out ---
    Rule("store-full", "W21", _HIGH, _CLOSE, _DRAINING, c.store_full, c.store_room,
         needs="stores"),
    Rule("heater-bare", "W22", _HIGH, _CLOSE, _DRAINING, c.heater_bare, c.heater_covered,
         needs="heater", off="heater"),
    Rule("heater-dry", "W22", _HIGH, _WARN, EVERY, c.heater_bare, c.heater_covered,
         needs="heater", off="heater", expected=_DRAINING),
    Rule("hose-out", "W23", _MEDIUM, _WARN, _DRAINED, c.take_hose_out, c.no_hose,
         latching=False, needs="drain"),
    # --- what cannot be read ---
    Rule("float-unread", "S01", _HIGH, _CLOSE, _TRYING, c.float_unread, c.float_read),
    Rule("over-unread", "S01", _HIGH, _CLOSE, _TRYING, c.over_unread, c.over_read,
         needs="overs"),
    Rule("sump-unread", "W08", _HIGH, _CLOSE, _TRYING, c.sump_unread, c.sump_read,
         needs="sump_highs"),
    Rule("low-unread", "W23", _HIGH, _CLOSE, _DRAINING, c.low_unread, c.low_read, needs="lows"),
    Rule("store-unread", "W21", _HIGH, _CLOSE, _DRAINING, c.store_unread, c.store_read,
         needs="stores"),
    Rule("leak-unread", "S02", _HIGH, _CLOSE, _AT_IT, c.leak_unread, c.leak_read),
    # --- computers and network ---
    Rule("engine-late", "C02", _HIGH, _CLOSE, UNDER_WAY, c.overslept, c.heard),
    Rule("broker-lost", "C03", _HIGH, _CLOSE, UNDER_WAY, c.broker_lost, c.heard),
    Rule("node-gone", "C05", _HIGH, _CLOSE, UNDER_WAY, c.node_gone, c.heard),
    Rule("node-silent", "C06", _HIGH, _CLOSE, UNDER_WAY, c.node_silent, c.heard),
    Rule("interrupted", "C08", _HIGH, _CLOSE, EVERY, c.interrupted, c.always),
    Rule("twins", "C12", _HIGH, _CLOSE, EVERY, c.twins, c.one_node),
    Rule("desk-gone", "C16", _HIGH, _CLOSE, _AT_IT, c.nobody_told, c.desk_here,
         needs="desk_closes"),
    _guard_row("C01"),
    _guard_row("C02"),
    _guard_row("C03"),
    _guard_row("C06"),
    _guard_row("C12"),
    _guard_row("G01"),
    _guard_row("S01"),
    _guard_row("S02"),
    _guard_row("W06", _TOP),
    _guard_row("W01", _TOP, needs="overs"),
    _guard_row("W08", _TOP, needs="sump_highs"),
    _guard_row("W21", needs="stores"),
    _guard_row("W23", needs="lows"),
    # --- wait and see ---
    Rule("hot", "T01", _MEDIUM, _HOLD, _FILLING, c.hot, c.temp_read,
         hold="hot_s", bound="hot_bound_s", needs="temp_in"),
    Rule("cold", "T02", _MEDIUM, _HOLD, _FILLING, c.cold, c.temp_read,
         hold="cold_s", bound="cold_bound_s", needs="temp_in"),
    Rule("no-flow", "W15", _MEDIUM, _HOLD, _FILLING, c.no_flow, c.flow_read,
         hold="no_flow_s", bound="no_flow_bound_s", needs="flow_in"),
    Rule("temp-unread", "T06", _MEDIUM, _HOLD, _TRYING, c.temp_unread, c.temp_read,
         needs="temp_in"),
    Rule("flow-unread", "S04", _MEDIUM, _HOLD, _TRYING, c.flow_unread, c.flow_read,
         needs="flow_in"),
    Rule("flow-impossible", "S04", _MEDIUM, _HOLD, _FILLING, c.impossible_flow, c.flow_read,
         needs="flow_in"),
    Rule("level-unread", "S06", _MEDIUM, _HOLD, _AT_IT, c.level_unread, c.level_read,
         needs="level"),
    # --- told, and the water goes on ---
    Rule("pump-off", "W10", _MEDIUM, _WARN, _AFTERWARDS, c.pump_off, c.pump_on,
         latching=False, needs="return_pump"),
    Rule("sump-low", "W09", _MEDIUM, _WARN, EVERY, c.sump_low, c.sump_above,
         latching=False, needs="sump_lows", off="pump_plug", expected=UNDER_WAY),
    Rule("extra-water", "W20", _MEDIUM, _WARN, UNDER_WAY, c.extra_water, c.balanced,
         needs="level"),
    Rule("tank-drifts", "T04", _MEDIUM, _WARN, _FILLING, c.tank_drifts, c.temp_read,
         hold="cold_s", bound="cold_bound_s", needs="temp_in"),
    Rule("temp-dead", "T05", _MEDIUM, _WARN, _FILLING, c.temp_dead, c.always, needs="temp_in"),
    Rule("desk-quiet", "C16", _MEDIUM, _WARN, EVERY, c.desk_gone, c.desk_here,
         hold="quiet_s", bound="quiet_bound_s", latching=False, needs="desk"),
    Rule("record-ill", "C13", _MEDIUM, _WARN, EVERY, c.record_ill, c.record_well, latching=False),
    Rule("storm", "C11", _MEDIUM, _WARN, EVERY, c.storm, c.storm_over, latching=False),
    Rule("meter-off", "W17", _LOW, _WARN, UNDER_WAY, c.meter_off, c.balanced, needs="level"),
    Rule("cartridge", "T07", _LOW, _WARN, AT_REST, c.cartridge_old, c.cartridge_good,
         latching=False, needs="has_filter"),
    Rule("node-quiet", "C05", _LOW, _WARN, AT_REST, c.silent, c.heard,
         hold="quiet_s", bound="quiet_bound_s", latching=False),
    Rule("alarm-flood", "P04", _LOW, _WARN, EVERY, c.flooded, c.not_flooded, latching=False),
)  # fmt: skip
"""The rule set. Order matters only between rows of equal response and severity."""

BY_KEY: Final = {rule.key: index for index, rule in enumerate(RULES)}

if len(BY_KEY) != len(RULES):
    raise RuntimeError("hazards.py: two rules share a key")
