"""What small changes of the plan showed to be unsaid: options nobody chose, a station's birth."""

from __future__ import annotations

from dataclasses import fields
from math import inf, isnan
from typing import Any

import pytest

from monitor.core import vessel
from monitor.core.alarm import Alarm
from monitor.core.exchange import Way
from monitor.core.facts import VALVE, Facts
from monitor.core.fills import begin
from monitor.core.hazards import RULES
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import Phase
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station, Warmth, prepared
from monitor.core.quality import Senses
from support.stories import full_plan, river_plan

BOX = vessel.box(2.0, 0.7, 0.6, 0.57)


def bare() -> Plan:
    """Return the least that a plan can say, before it is prepared."""
    return Plan("river", "river-pi", BOX, ("float",), ("floor",), "incoming", "meter", 450.0, 0.03,
                25.0, 23.0, 27.0, 43.0, 6.0)  # fmt: skip


def values(record: object) -> dict[str, Any]:
    """Return a record's fields, with a word for what is no number."""
    told = {f.name: getattr(record, f.name) for f in fields(record)}  # type: ignore[arg-type]
    return {name: "unknown" if isinstance(value, float) and isnan(value) else value
            for name, value in told.items()}  # fmt: skip


OPTIONS: dict[str, Any] = {
    "overs": (), "lows": (), "sump_highs": (), "sump_lows": (), "stores": (), "level": "",
    "level_sd_m": 0.002, "return_pump": True, "pump_plug": "", "closing_s": 1.0, "drain": "",
    "drain_closing_s": 1.0, "low_m": 0.0, "heater": "", "heater_m": 0.0, "temp_tank": "",
    "tank_c": "unknown", "tank_low_c": -inf, "tank_high_c": inf, "tank_change_c": inf,
    "filter_l": inf, "filter_days": inf, "supply": "mains", "people_check": False, "desk": "",
    "simulated": False, "limits": DEFAULTS,
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONS)
def test_an_option_nobody_chose_is_not_there(name: str) -> None:
    """Claim: nothing is fitted that the config does not name, nothing is bounded that it does not
    bound; each vessel is taken to stand behind a pump, and on the mains.
    """
    assert values(bare())[name] == OPTIONS[name]


def test_before_it_is_prepared_a_plan_has_worked_out_nothing() -> None:
    """Claim: no rule, no switch, no litres at a mark; its blank picture is of an idle station at
    the beginning of time.
    """
    plan = bare()
    assert (plan.armed, plan.switches, plan.proof_parts) == ({}, (), ())
    assert (plan.mark_l, plan.low_l) == (inf, 0.0)
    assert (plan.blank.now_s, plan.blank.phase) == (0.0, Phase.IDLE)


def test_no_alarm_is_anything_but_normal_at_first() -> None:
    """Claim: one alarm a rule, each as no alarm ever was."""
    assert (Alarm(),) * len(RULES) == ALL_NORMAL


@pytest.mark.parametrize(("litres", "days", "has"), [
    (inf, inf, False), (8000.0, inf, True), (inf, 180.0, True), (8000.0, 180.0, True),
])  # fmt: skip
def test_a_cartridge_is_there_when_its_life_has_an_end(
    litres: float, days: float, has: bool
) -> None:
    """Claim: by litres or by days, either is enough."""
    assert river_plan(filter_l=litres, filter_days=days).has_filter is has


@pytest.mark.parametrize(("desk", "closes"), [("", False), ("warn", False), ("close", True)])
def test_only_a_desk_that_is_to_close_closes(desk: str, closes: bool) -> None:
    """Claim: to be warned is not to be shut."""
    assert river_plan(desk=desk).desk_closes is closes


def test_what_must_be_proven_has_an_order_of_its_own() -> None:
    """Claim: floats first, then probes, then the valve; worked out once, and the same."""
    plan = full_plan()
    assert plan.proof_parts == plan.proven
    assert plan.proven[-1] == VALVE
    assert set(plan.leaks) < set(plan.proven)


def test_a_rule_waits_as_long_as_its_limits_say() -> None:
    """Claim: a row's hold and bound are the limits of those names, each from the plan's own; it
    lets go at once; a row without them is judged at once.
    """
    limits = Limits(hot_s=3.0, hot_bound_s=7.0)
    plan = full_plan(limits)
    rows = {rule.key: debounce for rows in plan.armed.values() for _, rule, debounce in rows}
    for rule in RULES:
        if rule.key not in rows:
            continue
        debounce = rows[rule.key]
        if not rule.hold:
            assert debounce is None
            continue
        assert debounce is not None
        assert (debounce.hold_s, debounce.bound_s, debounce.release_s) == (
            getattr(limits, rule.hold), getattr(limits, rule.bound), 0.0)  # fmt: skip
    hot = rows["hot"]
    assert hot is not None
    assert (hot.hold_s, hot.bound_s) == (3.0, 7.0)


def test_each_phase_has_the_rules_that_are_armed_in_it_and_fitted() -> None:
    """Claim: in the table's order, by their place in it; a row that needs nothing is always
    there.
    """
    for plan in (bare(), river_plan(), full_plan()):
        made = prepared(plan)
        for phase in Phase:
            due = [(i, rule) for i, rule in enumerate(RULES) if phase in rule.armed]
            fitted = [row for row in due if not row[1].needs or getattr(plan, row[1].needs)]
            assert [(i, rule) for i, rule, _ in made.armed[phase]] == fitted


def test_a_picture_s_unchanging_part_is_the_plan_s() -> None:
    """Claim: bounds and marks are the plan's own, litres by its vessel; without a probe the water
    counts as at its mark; nothing is running.
    """
    plan = full_plan(closing_s=2.5, heater_m=0.21, low_m=0.28)
    blank = plan.blank
    assert (blank.now_s, blank.phase) == (0.0, Phase.IDLE)
    for name in ("closing_s", "low_c", "high_c", "scald_c", "flow_max_lpm", "low_m", "heater_m",
                 "tank_low_c", "tank_high_c", "tank_change_c", "limits"):  # fmt: skip
        assert getattr(blank, name) == getattr(plan, name), name
    assert blank.level_m == blank.mark_m == 0.57
    assert blank.mark_l == plan.mark_l == pytest.approx(798.0)
    assert blank.low_l == plan.low_l == pytest.approx(392.0)
    strict = Limits(suspect_s=1.0)
    assert full_plan(strict).blank.limits is strict


def test_a_switch_that_is_not_fitted_is_not_looked_for() -> None:
    """Claim: of each kind that is there, its sensors and the two fields they fill; no other."""
    assert river_plan().switches == (
        (("float_high",), "float_high", "float_fresh"), (("floor",), "leak_wet", "leak_fresh"),
    )  # fmt: skip
    assert full_plan().switches == (
        (("float_high",), "float_high", "float_fresh"), (("floor",), "leak_wet", "leak_fresh"),
        (("float_over",), "over_high", "over_fresh"), (("float_low",), "low_hit", "low_fresh"),
        (("sump_high",), "sump_high", "sump_high_fresh"),
        (("sump_low",), "sump_low", "sump_low_fresh"),
        (("store_full",), "store_full", "store_fresh"),
    )  # fmt: skip


def test_a_fill_that_is_only_asked_for_has_done_nothing() -> None:
    """Claim: no litre, no second, no warmth, no hold, no end; it goes in, unattended, on a boot
    that is still to be heard.
    """
    told = values(Fill("f", "keeper", 100.0, True, 5.0, 110.0, 900.0))
    assert told == {
        "id": "f", "by": "keeper", "need_l": 100.0, "to_mark": True, "asked_s": 5.0,
        "volume_limit_l": 110.0, "time_limit_s": 900.0, "way": Way.IN, "attended": False,
        "refill": False, "heater_was_on": False, "boot": "", "count_from": 0, "begun_s": -inf,
        "opened_s": -inf, "open_before_s": 0.0, "purge_from_l": 0.0, "delivered_l": 0.0,
        "overrun_l": 0.0, "goal_l": "unknown", "goal_sd_l": 0.0, "start_l": "unknown",
        "tank_from_c": "unknown", "warmth": Warmth(), "holds": 0, "time_fixed": False,
        "forecast": None, "expected": None, "expected_at_s": 0.0, "shut_s": -inf, "shut_l": 0.0,
        "low_ended": False, "ended": "", "accounted": False, "rested": True,
    }  # fmt: skip
    assert values(Warmth()) == {
        "litre_degrees": 0.0, "litres": 0.0, "lowest_c": inf, "highest_c": -inf}  # fmt: skip
    asked = begin(river_plan(), "f", "keeper", 100.0, True, 5.0)
    assert (asked.begun_s, asked.delivered_l, asked.ended) == (-inf, 0.0, "")


def test_a_new_station_knows_nothing_and_believes_nobody() -> None:
    """Claim: idle, no fill, no cause; the broker not there, the desk not there, the heater on, the
    valve never told to shut; nothing was interrupted.
    """
    assert values(Station()) == {
        "phase": Phase.IDLE, "phase_s": 0.0, "now_s": -inf, "due_s": inf, "fill": None,
        "senses": Senses(), "balance": None, "creep": None, "contacts": {}, "alarms": ALL_NORMAL,
        "raised_s": (), "flooded": False, "cause": "", "cause_key": "", "seq": 0, "shut_s": -inf,
        "guard_cause": "", "link_up": False, "node_gone": False, "node_simulated": False,
        "desk_here": False, "echo_asked_s": -inf, "echo_seen_s": -inf, "overslept": False,
        "pump_since_s": inf, "heater_off": False, "drained_l": 0.0, "interrupted": False,
        "facts": Facts(),
    }  # fmt: skip
