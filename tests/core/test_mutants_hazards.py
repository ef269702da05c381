"""What small changes of the rule table showed to be unsaid: each row's place, weight and time.

The table says this row by row; here it is said the other way round, by phase, by part and by what
it is for.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.core.hazards import BY_KEY, RULES, Response, Severity
from monitor.core.limits import DEFAULTS
from monitor.core.phases import AFTER_CLOSING, AT_REST, EVERY, UNDER_WAY, Phase
from monitor.core.plan import Plan
from monitor.core.view import Picture
from support.stories import full_plan, river_plan

GUARDS = {key for key in BY_KEY if key.startswith("guard-")}
HELD = {"hot", "cold", "no-flow", "temp-unread", "flow-unread", "flow-impossible", "level-unread"}
URGENT_WARNINGS = {"seep", "heater-dry"}
CAN_WAIT = {
    "seep-slow", "hose-out", "pump-off", "sump-low", "extra-water", "tank-drifts", "temp-dead",
    "desk-quiet", "record-ill", "storm",
}  # fmt: skip
NO_HURRY = {"meter-off", "cartridge", "node-quiet", "alarm-flood"}
WARNINGS = URGENT_WARNINGS | CAN_WAIT | NO_HURRY

# Which rows speak when, each group with its reason.
FILLING, DRAINING = frozenset({Phase.FILLING}), frozenset({Phase.DRAINING})
TRYING = FILLING | {Phase.HOLDING}
AFTER_A_DRAIN = frozenset({Phase.CLOSING, Phase.SETTLING, Phase.DONE, Phase.STOPPED})
SPEAKS: tuple[tuple[frozenset[Phase], set[str]], ...] = (
    # Water where it should not be, and what people must hear whatever is done at the moment.
    (EVERY, {"leak", "over-float", "level-over", "sump-high", "heater-dry", "sump-low",
             "interrupted", "twins", "desk-quiet", "record-ill", "storm", "alarm-flood"}),
    # The valve was told to shut, so nothing may flow and nothing may fall.
    (AFTER_CLOSING, {"valve-flows", "valve-open", "drains-away"}),
    (AT_REST, {"seep-slow", "cartridge", "node-quiet"}),
    (AT_REST | DRAINING, {"seep"}),  # in a drain too the fill valve is shut
    # Water comes in now, and what comes is wrong.
    (FILLING, {"scald", "falls", "tank-moves", "hot", "cold", "no-flow", "flow-impossible",
               "tank-drifts", "temp-dead"}),
    # A fill on hold may go on by itself, so what ends a fill ends it there too.
    (TRYING, {"over-volume", "float-early", "over-mark", "hose-off", "part-missing",
              "meter-jammed", "level-frozen", "float-unread", "over-unread", "sump-unread",
              "temp-unread", "flow-unread"}),
    (TRYING | DRAINING, {"over-time", "leak-unread", "desk-gone", "level-unread"}),
    (DRAINING, {"store-full", "heater-bare", "low-unread", "store-unread"}),
    # The drain has ended, or was told to.
    (AFTER_A_DRAIN, {"drain-runs", "hose-out"}),
    # From the first opening until all is known to be shut.
    (UNDER_WAY, {"engine-late", "broker-lost", "node-gone", "node-silent", "extra-water",
                 "meter-off"} | GUARDS),
    # The pump stands still for the change; it is asked for once nothing moves any more.
    (frozenset({Phase.IDLE, Phase.DONE, Phase.STOPPED}), {"pump-off"}),
)  # fmt: skip

# What tells of a moment, or of a whole fill, goes once this is well again.
GOES_WITH: tuple[tuple[dict[str, Any], set[str]], ...] = (
    ({"temp_fresh": False}, {"scald", "tank-moves", "hot", "cold", "tank-drifts"}),
    ({"float_fresh": False}, {"over-volume", "over-time"}),
    ({"level_fresh": False}, {"hose-off", "part-missing", "falls", "meter-jammed", "level-frozen",
                              "extra-water", "meter-off"}),
    ({"flow_fresh": False}, {"no-flow"}),
    ({"silent_s": DEFAULTS.suspect_s}, {"engine-late"} | GUARDS),
    ({"link_up": False}, {"engine-late"} | GUARDS),
)  # fmt: skip

BARE: dict[str, Any] = {"flow_in": "", "temp_in": "", "return_pump": False}
# What each part that can be fitted brings with it.
BROUGHT: tuple[tuple[dict[str, Any], set[str]], ...] = (
    ({"overs": ("over",)}, {"over-float", "over-unread", "guard-w01"}),
    ({"level": "depth"}, {
        "level-over", "seep-slow", "hose-off", "part-missing", "falls", "drains-away",
        "meter-jammed", "level-frozen", "level-unread", "extra-water", "meter-off"}),
    ({"sump_highs": ("sump",)}, {"sump-high", "sump-unread", "guard-w08"}),
    ({"sump_lows": ("sump",)}, {"sump-low"}),
    ({"flow_in": "meter"}, {
        "valve-flows", "seep", "no-flow", "flow-unread", "flow-impossible"}),
    ({"temp_in": "incoming"}, {
        "scald", "tank-moves", "hot", "cold", "temp-unread", "tank-drifts", "temp-dead"}),
    ({"drain": "hose"}, {"drain-runs", "hose-out"}),
    ({"stores": ("store",)}, {"store-full", "store-unread", "guard-w21"}),
    ({"lows": ("low",)}, {"low-unread", "guard-w23"}),
    ({"heater": "other"}, {"heater-bare", "heater-dry"}),
    ({"return_pump": True}, {"pump-off"}),
    ({"desk": "warn"}, {"desk-quiet"}),
    ({"desk": "close"}, {"desk-quiet", "desk-gone"}),
    ({"filter_l": 8000.0}, {"cartridge"}),
    ({"filter_days": 180.0}, {"cartridge"}),
)  # fmt: skip


def armed(plan: Plan, phase: Phase) -> set[str]:
    """Return the rules that a plan judges in a phase."""
    return {rule.key for _, rule, _ in plan.armed[phase]}


def known(plan: Plan) -> set[str]:
    """Return the rules that a plan has at all."""
    return {key for phase in Phase for key in armed(plan, phase)}


@pytest.mark.parametrize("phase", Phase)
def test_each_phase_has_its_rules(phase: Phase) -> None:
    """Claim: with everything fitted, in each phase exactly those rules are judged that belong
    there: what may be dangerous is watched, and what belongs to the situation is no alarm.
    """
    plan = full_plan(desk="close")
    assert armed(plan, phase) == {key for phases, keys in SPEAKS if phase in phases for key in keys}


@pytest.mark.parametrize(("part", "keys"), BROUGHT)
def test_each_part_brings_its_rules(part: dict[str, Any], keys: set[str]) -> None:
    """Claim: what is fitted is watched, and what is not fitted raises nothing."""
    assert known(river_plan(**{**BARE, **part})) - known(river_plan(**BARE)) == keys


def test_what_needs_no_part_is_always_there() -> None:
    """Claim: the barest station, a float and a probe, has every rule that no part brings."""
    assert known(river_plan(**BARE)) == set(BY_KEY) - {k for _, keys in BROUGHT for k in keys}


def test_what_is_done_about_each() -> None:
    """Claim: what may mend itself holds, what needs no shut valve warns, all else closes."""
    for rule in RULES:
        wanted = (
            Response.HOLD if rule.key in HELD
            else Response.WARN if rule.key in WARNINGS
            else Response.CLOSE
        )  # fmt: skip
        assert rule.response is wanted, rule.key


def test_how_bad_each_is() -> None:
    """Claim: below the top, whatever closes is high, as are a bare heater and running water that
    nobody asked for; what only needs somebody within the week is low.
    """
    for rule in RULES:
        if rule.severity is Severity.TOP:  # named in test_hazards
            assert rule.response is Response.CLOSE
            continue
        wanted = (
            Severity.MEDIUM if rule.key in HELD | CAN_WAIT
            else Severity.LOW if rule.key in NO_HURRY
            else Severity.HIGH
        )  # fmt: skip
        assert rule.severity is wanted, rule.key


def test_what_stays_until_a_person_resets() -> None:
    """Claim: only what tells of a state that is over when it is over goes by itself."""
    assert {rule.key for rule in RULES if not rule.latching} == {
        "hose-out", "pump-off", "sump-low", "desk-quiet", "record-ill", "storm", "cartridge",
        "node-quiet", "alarm-flood",
    }  # fmt: skip


def test_what_must_last() -> None:
    """Claim (the catalogue's bounds): these must be true so long, or flap for so long, and no
    other is waited for. Seconds: hold, bound.
    """
    lasting = {
        "level-over": (2.0, 5.0),  # waves
        "valve-flows": (4.0, 9.0),  # W04: 15 s after the command, grace and closing in it
        "seep": (25.0, 55.0),  # W05: 60 s
        "tank-moves": (4.0, 8.5),  # the incoming water's warmth is judged by T01's times
        "hot": (4.0, 8.5),  # T01: 10 s
        "cold": (13.0, 28.0),  # T02: 30 s
        "no-flow": (13.0, 28.0),  # W15: 30 s
        "tank-drifts": (13.0, 28.0),
        "desk-quiet": (5.0, 12.0),
        "node-quiet": (5.0, 12.0),
    }
    rows = [row for rows in full_plan(desk="close").armed.values() for row in rows]
    assert {rule.key: (d.hold_s, d.bound_s) for _, rule, d in rows if d is not None} == lasting


def test_what_is_switched_off() -> None:
    """Claim (W22, W09): a heater that is bare, and a pump that draws air; nothing else."""
    assert {rule.key: rule.off for rule in RULES if rule.off} == {
        "heater-bare": "heater", "heater-dry": "heater", "sump-low": "pump_plug",
    }  # fmt: skip


def test_what_is_expected() -> None:
    """Claim (W09, W22): a sump is low while water is moved, and a drain's own rule speaks of the
    heater; nothing else is ever kept still by design.
    """
    assert {rule.key: rule.expected for rule in RULES if rule.expected} == {
        "sump-low": UNDER_WAY, "heater-dry": DRAINING,
    }  # fmt: skip


@pytest.mark.parametrize(("unwell", "keys"), GOES_WITH)
def test_what_was_a_moment_goes_once_it_could_be_seen_again(
    unwell: dict[str, Any], keys: set[str]
) -> None:
    """Claim: what cannot be true any more, the water being shut, still stands until the sensor
    that told of it is read, or the node heard: a reset before would be blind.
    """
    well = Picture(now_s=1000.0, phase=Phase.STOPPED, flow_max_lpm=25.0)
    for key in keys:
        rule = RULES[BY_KEY[key]]
        assert rule.cleared(well), key
        assert not rule.cleared(replace(well, **unwell)), key
