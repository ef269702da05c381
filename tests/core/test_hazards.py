"""The rule table: complete, told in words, each row armed where it must be."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from math import inf, nan
from pathlib import Path

import pytest

from monitor.core import hazards
from monitor.core.balance import Verdict
from monitor.core.exchange import Way
from monitor.core.guard import GuardState, Tick
from monitor.core.hazards import BY_KEY, RULES, Response, Rule, Severity
from monitor.core.limits import DEFAULTS, LIMITS
from monitor.core.messages import TEXTS
from monitor.core.phases import AFTER_CLOSING, AT_REST, EVERY, UNDER_WAY, Phase
from monitor.core.plan import Plan
from monitor.core.setaside import may_wait
from monitor.core.view import Picture
from support.stories import TRIPS, TRIPS_OUT, full_plan, river_plan

WELL = Picture(
    now_s=1000.0,
    phase=Phase.FILLING,
    temp_c=25.0,
    flow_lpm=10.0,
    valve_open=True,
    open_for_s=100.0,
    delivered_l=100.0,
    need_l=420.0,
    volume_limit_l=449.2,
    elapsed_s=100.0,
    time_limit_s=3000.0,
    purged=True,
    low_c=23.0,
    high_c=27.0,
    scald_c=43.0,
    flow_max_lpm=25.0,
    level_m=0.4,
    mark_m=0.57,
    low_m=0.27,
    heater_m=0.2,
    heater_on=True,
    tank_c=25.0,
    tank_soon_c=25.0,
    tank_ahead_c=25.0,
    tank_from_c=25.0,
    tank_change_c=2.0,
    tank_low_c=22.0,
    tank_high_c=28.0,
)
AT_EASE = replace(WELL, phase=Phase.IDLE, flow_lpm=0.0, valve_open=False, shut_for_s=1000.0)
AFTER = replace(AT_EASE, phase=Phase.STOPPED)
OUT = replace(WELL, phase=Phase.DRAINING, way=Way.OUT, flow_lpm=0.0, to_mark=False)
DRAINED = replace(AT_EASE, phase=Phase.SETTLING, way=Way.OUT, shut_for_s=10.0)


def rule(key: str) -> Rule:
    """Return a row by its key."""
    return RULES[BY_KEY[key]]


# One picture a row in which its condition is true; the base beside it is well.
RAISED: dict[str, tuple[Picture, dict[str, object]]] = {
    "leak": (WELL, {"leak_wet": True}),
    "valve-flows": (AFTER, {"flow_lpm": 0.5}),
    "valve-open": (AFTER, {"valve_open": True}),
    "seep": (AT_EASE, {"flow_lpm": 0.5}),
    "scald": (WELL, {"temp_c": 43.0}),
    "over-volume": (WELL, {"delivered_l": 448.87}),  # a third of a litre is still to come
    "float-early": (WELL, {"float_high": True}),
    "over-mark": (replace(WELL, to_mark=False), {"float_high": True}),
    "over-time": (WELL, {"elapsed_s": 3000.1}),
    "float-unread": (WELL, {"float_fresh": False}),
    "leak-unread": (WELL, {"leak_fresh": False}),
    "engine-late": (WELL, {"overslept": True}),
    "broker-lost": (WELL, {"silent_s": 2.0, "link_up": False}),
    "node-gone": (WELL, {"silent_s": 2.0, "node_gone": True}),
    "node-silent": (WELL, {"silent_s": 2.0}),
    "interrupted": (AT_EASE, {"interrupted": True}),
    "twins": (AT_EASE, {"twins": True}),
    "hot": (WELL, {"temp_c": 27.1}),
    "cold": (WELL, {"temp_c": 22.9}),
    "no-flow": (WELL, {"flow_lpm": 0.49}),
    "temp-unread": (WELL, {"temp_fresh": False}),
    "flow-unread": (WELL, {"flow_fresh": False}),
    "flow-impossible": (WELL, {"flow_lpm": 25.1}),
    "node-quiet": (AT_EASE, {"silent_s": 2.0}),
    "over-float": (WELL, {"over_high": True}),
    "over-unread": (WELL, {"over_fresh": False}),
    "pump-off": (AT_EASE, {"pump_for_s": DEFAULTS.pump_confirm_s}),
    "level-over": (WELL, {"level_m": 0.581}),
    "sump-high": (AT_EASE, {"sump_high": True}),
    "drain-runs": (DRAINED, {"level_m": 0.259}),
    "seep-slow": (AT_EASE, {"seeping": True}),
    "hose-off": (WELL, {"balance": Verdict.HOSE_OFF}),
    "part-missing": (WELL, {"balance": Verdict.MISSING}),
    "falls": (WELL, {"balance": Verdict.FALLS}),
    "drains-away": (AFTER, {"balance": Verdict.FALLS}),
    "meter-jammed": (WELL, {"balance": Verdict.JAMMED}),
    "level-frozen": (WELL, {"balance": Verdict.FROZEN}),
    "level-unread": (WELL, {"level_fresh": False}),
    "tank-moves": (WELL, {"tank_soon_c": 27.1}),
    "tank-drifts": (WELL, {"tank_ahead_c": 22.9}),
    "temp-dead": (WELL, {"temp_dead": True}),
    "store-full": (OUT, {"store_full": True}),
    "store-unread": (OUT, {"store_fresh": False}),
    "heater-bare": (OUT, {"level_m": 0.219}),
    "heater-dry": (AT_EASE, {"low_hit": True}),
    "hose-out": (DRAINED, {"by_hose": True}),
    "low-unread": (OUT, {"low_fresh": False}),
    "sump-unread": (WELL, {"sump_high_fresh": False}),
    "sump-low": (AT_EASE, {"sump_low": True}),
    "extra-water": (WELL, {"balance": Verdict.EXTRA}),
    "meter-off": (WELL, {"balance": Verdict.METER_OFF}),
    "desk-gone": (WELL, {"desk_gone": True}),
    "desk-quiet": (AT_EASE, {"desk_gone": True}),
    "record-ill": (AT_EASE, {"record_ill": True}),
    "storm": (AT_EASE, {"rejected_per_min": 30.1}),
    "cartridge": (AT_EASE, {"cartridge_share": 0.9}),
    "alarm-flood": (AT_EASE, {"flooded": True}),
    **{
        f"guard-{cause.lower()}": (WELL, {"guard_cause": cause})
        for cause in (
            "C01", "C02", "C03", "C06", "C12", "G01", "S01", "S02", "W01", "W06", "W08", "W21",
            "W23",
        )
    },
}


def test_every_row_is_told_in_words() -> None:
    """Claim: each rule has its message, cause and remedy, and no message is without a rule."""
    assert set(TEXTS) == set(BY_KEY)
    for text in TEXTS.values():
        for words in (text.message, text.cause, text.todo):
            assert words[0].isupper()
            assert words.endswith((".", "!", "times."))


def test_every_row_is_sound() -> None:
    """Claim: a key and an id of the catalogue each, armed somewhere, closing rules at least high,
    a hold and its bound both named or both absent; what it needs and what it switches off are
    parts of a plan, and it is expected nowhere but where it is armed.
    """
    assert len(RULES) == len(BY_KEY) == 70
    assert set(RAISED) == set(BY_KEY)
    plan = full_plan()
    for row in RULES:
        assert re.fullmatch(r"[a-z0-9-]+", row.key)
        assert re.fullmatch(r"[WTSCPG]\d\d", row.id)
        assert row.armed
        assert row.armed <= EVERY
        assert bool(row.hold) is bool(row.bound)
        assert {row.hold, row.bound} - {""} <= set(LIMITS)
        assert all(hasattr(plan, name) for name in (row.needs, row.off) if name)
        assert row.expected < row.armed
        if row.response is Response.CLOSE:
            assert row.severity >= Severity.HIGH
            assert row.latching
        if row.response is Response.HOLD:
            assert row.severity is Severity.MEDIUM
            assert Phase.FILLING in row.armed


@pytest.mark.parametrize("key", RAISED)
def test_every_condition_is_true_in_its_case_and_false_in_the_well_one(key: str) -> None:
    """Claim: each condition answers to its own cause, and to nothing when all is well."""
    base, changes = RAISED[key]
    case = replace(base, **changes)  # type: ignore[arg-type]
    assert base.phase in rule(key).armed
    assert rule(key).raised(case)
    assert not rule(key).raised(base)


@pytest.mark.parametrize("key", RAISED)
def test_every_row_can_clear(key: str) -> None:
    """Claim: with everything well again at rest, each clear condition is true."""
    assert rule(key).cleared(AT_EASE)


# Rows that tell of a moment or of a whole fill: they clear as soon as their sensor can be read.
MOMENTS = {
    "scald", "over-volume", "over-time", "hose-off", "part-missing", "falls",
    "meter-jammed", "level-frozen", "tank-moves", "tank-drifts", "temp-dead", "extra-water",
    "meter-off", "hot", "cold", "no-flow", "engine-late", "interrupted",
    *(key for key in BY_KEY if key.startswith("guard-")),
}  # fmt: skip


@pytest.mark.parametrize("key", sorted(set(RAISED) - MOMENTS))
def test_what_is_still_true_does_not_clear(key: str) -> None:
    """Claim: raised and cleared are never true of one picture, where both look at the present."""
    base, changes = RAISED[key]
    assert not rule(key).cleared(replace(base, **changes))  # type: ignore[arg-type]


def test_in_a_well_picture_no_rule_is_raised() -> None:
    """Claim: a healthy fill, drain, rest and stop raise nothing at all."""
    for picture in (WELL, AT_EASE, AFTER, OUT, DRAINED):
        assert [r.key for r in RULES if picture.phase in r.armed and r.raised(picture)] == []


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_silence_of_any_kind_closes_in_every_phase_of_a_fill(phase: Phase) -> None:
    """Claim: whichever of link, echo and last will speak, a silence raises exactly one of the
    three, and it closes.
    """
    for up, missing, gone in itertools.product((True, False), repeat=3):
        picture = replace(WELL, phase=phase, silent_s=DEFAULTS.permit_ttl_s, link_up=up,
                          echo_missing=missing, node_gone=gone)  # fmt: skip
        raised = [r for r in RULES if r.key in ("broker-lost", "node-gone", "node-silent")
                  and phase in r.armed and r.raised(picture)]  # fmt: skip
        assert len(raised) == 1
        assert raised[0].response is Response.CLOSE


def test_top_means_water_that_cannot_be_stopped() -> None:
    """Claim: top priority is kept for water on the floor, at the second float, above the mark or
    at the sump's brim, and for a valve or a drain that does not shut.
    """
    top = {r.key for r in RULES if r.severity is Severity.TOP}
    assert top == {
        "leak", "over-float", "level-over", "sump-high", "valve-flows", "valve-open", "drain-runs",
        "guard-w01", "guard-w06", "guard-w08",
    }  # fmt: skip


def test_the_leak_is_always_armed() -> None:
    """Claim (W06): fill or no fill."""
    assert rule("leak").armed == EVERY


def test_a_valve_is_watched_whenever_it_should_be_shut() -> None:
    """Claim: after a close command by W04, at rest and in a drain by W05, so that no phase with a
    shut valve is unwatched.
    """
    assert rule("valve-flows").armed | rule("seep").armed == EVERY - {Phase.FILLING}
    assert rule("valve-flows").armed == AFTER_CLOSING
    assert rule("seep").armed == AT_REST | {Phase.DRAINING}


def test_a_drain_is_watched_until_it_is_known_to_have_ended() -> None:
    """Claim (W23): from the close command on, and for as long as the drain is the latest thing
    done, water below the low mark is told of.
    """
    assert rule("drain-runs").armed == AFTER_CLOSING - {Phase.HOLDING} | {Phase.DONE}


def test_a_row_is_there_only_for_what_is_fitted() -> None:
    """Claim: the bare plan has just the rows that need nothing, the full one all but those of a
    desk that closes.
    """
    has = ("", "return_pump", "temp_in", "flow_in")

    def keys(plan: Plan) -> set[str]:
        return {row[1].key for rows in plan.armed.values() for row in rows}

    assert keys(river_plan()) == {r.key for r in RULES if r.needs in has}
    assert keys(full_plan()) == set(BY_KEY) - {"desk-gone"}
    assert keys(full_plan(desk="close")) == set(BY_KEY)
    assert "pump-off" not in keys(river_plan(return_pump=False))


def test_only_what_merely_warns_may_be_set_aside() -> None:
    """Claim: whatever closes, holds, switches a plug, tells of water or harm, or keeps the next
    fill from starting cannot be set aside.
    """
    assert {r.key for r in RULES if may_wait(r)} == {
        "seep-slow", "hose-out", "pump-off", "extra-water", "tank-drifts", "desk-quiet",
        "record-ill", "storm", "meter-off", "cartridge", "node-quiet", "alarm-flood",
    }  # fmt: skip


def test_every_cause_a_guard_can_give_has_a_rule() -> None:
    """Claim: what the guard shuts for by itself is known to the engine. A mark is no alarm; C05,
    a node's own farewell, is seen as its silence or restart.
    """
    trips = (*TRIPS.values(), *TRIPS_OUT.values())
    from_trips = {cause for pair in trips for cause in pair} - {"mark", "low-mark"}
    from_guard = {"C01", "C02", "C03", "C06", "C12", "G01"}
    assert Tick().lapse_cause in from_guard
    assert GuardState("x").cause == ""
    keys = {f"guard-{cause.lower()}" for cause in from_trips | from_guard}
    assert keys == {key for key in BY_KEY if key.startswith("guard-")}


def test_a_table_with_two_rules_of_one_key_does_not_start() -> None:
    """Claim: the table is checked when the program starts."""
    path = Path(hazards.__file__)
    source = path.read_text(encoding="utf-8").replace('Rule("hot"', 'Rule("cold"')
    with pytest.raises(RuntimeError, match="share a key"):
        exec(compile(source, str(path), "exec"), {"__name__": hazards.__name__})  # noqa: S102


# --- edges of conditions ---


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        ("scald", {"temp_c": 42.99}),
        ("scald", {"temp_c": 50.0, "temp_fresh": False}),
        ("hot", {"temp_c": 27.0}),
        ("hot", {"temp_c": 30.0, "purged": False}),
        ("hot", {"temp_c": 30.0, "temp_fresh": False}),
        ("cold", {"temp_c": 23.0}),
        ("cold", {"temp_c": 10.0, "purged": False}),
        ("cold", {"temp_c": 10.0, "temp_fresh": False}),
        ("over-volume", {"delivered_l": 448.86}),
        ("over-volume", {"delivered_l": 449.2, "flow_lpm": 0.0}),
        ("over-volume", {"delivered_l": 449.2, "flow_fresh": False}),
        ("over-time", {"elapsed_s": 3000.0}),
        ("no-flow", {"flow_lpm": 0.5}),
        ("no-flow", {"flow_lpm": 0.0, "open_for_s": 1.0}),
        ("no-flow", {"flow_lpm": 0.0, "flow_fresh": False}),
        ("flow-impossible", {"flow_lpm": 25.0}),
        ("flow-impossible", {"flow_lpm": 90.0, "flow_fresh": False}),
        ("float-early", {"float_high": True, "delivered_l": 332.0}),
        ("float-early", {"float_high": True, "to_mark": False}),
        ("float-early", {"float_high": True, "float_fresh": False}),
        ("over-mark", {"float_high": True}),
        ("over-mark", {"float_high": True, "to_mark": False, "float_fresh": False}),
        ("float-unread", {"float_fresh": False, "silent_s": 1.3}),
        ("leak-unread", {"leak_fresh": False, "silent_s": 1.3}),
        ("temp-unread", {"temp_fresh": False, "silent_s": 1.3}),
        ("flow-unread", {"flow_fresh": False, "silent_s": 1.3}),
        ("over-unread", {"over_fresh": False, "silent_s": 1.3}),
        ("node-silent", {"silent_s": 1.89}),
        ("node-gone", {"node_gone": True, "silent_s": 1.89}),
        ("broker-lost", {"link_up": False, "silent_s": 1.89}),
        ("level-over", {"level_m": 0.57 + DEFAULTS.level_over_m}),
        ("level-over", {"level_m": 0.6, "level_fresh": False}),
        ("level-unread", {"level_fresh": False, "silent_s": 1.3}),
        ("sump-unread", {"sump_high_fresh": False, "silent_s": 1.3}),
        ("low-unread", {"low_fresh": False, "silent_s": 1.3}),
        ("store-unread", {"store_fresh": False, "silent_s": 1.3}),
        ("drain-runs", {"way": Way.OUT, "level_m": 0.27 - DEFAULTS.level_over_m}),
        ("drain-runs", {"way": Way.OUT, "level_m": 0.1, "level_fresh": False}),
        ("drain-runs", {"level_m": 0.1}),
        ("drain-runs", {"balance": Verdict.FALLS}),
        ("drains-away", {"way": Way.OUT, "balance": Verdict.FALLS}),
        ("drain-runs", {"way": Way.OUT, "gone_l": DEFAULTS.drain_over_l}),
        ("drain-runs", {"way": Way.OUT, "gone_l": 9.0, "phase": Phase.DONE}),
        ("drain-runs", {"way": Way.OUT, "gone_l": 9.0, "by_hose": True}),
        ("drain-runs", {"way": Way.OUT, "low_hit": True, "low_ended": True}),
        ("drain-runs", {"way": Way.OUT, "low_hit": True, "low_fresh": False}),
        ("drain-runs", {"low_hit": True}),
        ("hose-out", {"by_hose": False, "way": Way.OUT}),
        ("hose-out", {"by_hose": True, "way": Way.IN}),
        ("hose-out", {"by_hose": True, "way": Way.OUT, "phase": Phase.IDLE}),
        ("heater-bare", {"level_m": 0.2 + DEFAULTS.heater_margin_m}),
        ("heater-bare", {"level_m": 0.1, "level_fresh": False}),
        ("heater-bare", {"level_m": 0.1, "heater_on": False}),
        ("heater-bare", {"low_hit": True, "heater_on": False}),
        ("tank-moves", {"tank_soon_c": 27.0}),
        ("tank-moves", {"tank_soon_c": 23.0}),
        ("tank-moves", {"tank_soon_c": 40.0, "temp_fresh": False}),
        ("tank-moves", {"tank_soon_c": 40.0, "purged": False}),
        ("tank-moves", {"tank_soon_c": nan}),
        ("tank-moves", {"tank_soon_c": 28.0, "tank_from_c": 27.0}),
        ("tank-moves", {"tank_soon_c": 22.0, "tank_from_c": 23.0}),
        ("tank-drifts", {"tank_ahead_c": 27.0}),
        ("tank-drifts", {"tank_ahead_c": 40.0, "temp_fresh": False}),
        ("tank-drifts", {"tank_ahead_c": 40.0, "purged": False}),
        ("tank-drifts", {"tank_ahead_c": nan, "tank_from_c": nan}),
        ("cartridge", {"cartridge_share": 0.8999}),
        ("cartridge", {"cartridge_share": inf}),
        ("storm", {"rejected_per_min": DEFAULTS.rejected_max_per_min}),
        ("storm", {"rejected_per_min": nan}),
        ("desk-gone", {"desk_gone": True, "attended": True}),
        *((key, {"balance": verdict})
          for key in ("hose-off", "part-missing", "falls", "drains-away", "meter-jammed",
                      "level-frozen", "extra-water", "meter-off")
          for verdict in (Verdict.CALM, Verdict.DOUBT)),
    ],
)  # fmt: skip
def test_just_not(key: str, changes: dict[str, object]) -> None:
    """Claim: at the very edge, on a stale value, or while somebody else's fault explains it, a
    condition is not true.
    """
    assert not rule(key).raised(replace(WELL, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        ("heater-bare", {"low_hit": True}),
        ("heater-bare", {"low_hit": True, "level_fresh": False}),
        ("drain-runs", {"way": Way.OUT, "balance": Verdict.FALLS}),
        ("drain-runs", {"way": Way.OUT, "gone_l": DEFAULTS.drain_over_l + 0.01}),
        ("drain-runs", {"way": Way.OUT, "low_hit": True}),
        ("drain-runs", {"way": Way.OUT, "level_m": 0.1, "by_hose": True}),
        ("drain-runs", {"way": Way.OUT, "level_m": 0.1, "phase": Phase.DONE}),
        ("tank-moves", {"tank_soon_c": 22.9}),
        ("tank-moves", {"tank_soon_c": 28.01, "tank_from_c": 27.0}),
        ("tank-moves", {"tank_soon_c": 21.99, "tank_from_c": 23.0}),
        ("tank-moves", {"tank_soon_c": 28.01, "tank_from_c": nan}),
        ("tank-drifts", {"tank_ahead_c": 27.01}),
        ("cartridge", {"cartridge_share": 1.0}),
        ("cartridge", {"cartridge_share": 7.0}),
    ],
)
def test_just_so(key: str, changes: dict[str, object]) -> None:
    """Claim: a condition with more than one way to be true is true in each of them."""
    assert rule(key).raised(replace(WELL, **changes))  # type: ignore[arg-type]


def test_once_stopped_only_a_fall_counts_as_a_drain_that_runs() -> None:
    """Claim (W23): water that has gone below the low mark does not come back by itself, so it must
    not keep a person from the reset that the refill needs; water that still falls does.
    """
    below = replace(DRAINED, level_m=0.1, phase=Phase.STOPPED)
    assert rule("drain-runs").cleared(below)
    assert not rule("drain-runs").raised(below)
    assert not rule("drain-runs").cleared(replace(below, balance=Verdict.FALLS))
    assert not rule("drain-runs").cleared(replace(below, level_fresh=False))


@pytest.mark.parametrize("key", ["valve-flows", "valve-open"])
def test_a_closing_valve_has_its_time(key: str) -> None:
    """Claim (W04): until closing_s and shut_grace_s have passed, and been heard of, a valve may
    still be on its way.
    """
    wrong = replace(AFTER, valve_open=True, flow_lpm=5.0)
    grace_s = wrong.closing_s + DEFAULTS.shut_grace_s
    assert not rule(key).raised(replace(wrong, shut_for_s=grace_s))
    assert rule(key).raised(replace(wrong, shut_for_s=grace_s + 0.01))
    assert not rule(key).raised(replace(wrong, shut_for_s=grace_s + 5.0, silent_s=5.0))


def test_a_restarted_node_needs_no_silence() -> None:
    """Claim (C08): another boot is enough."""
    assert rule("node-gone").raised(replace(WELL, node_restarted=True))


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        ("leak", {"leak_fresh": False}),
        ("over-float", {"over_fresh": False}),
        ("valve-flows", {"flow_fresh": False}),
        ("valve-open", {"valve_open": True}),
        ("seep", {"flow_fresh": False}),
        ("float-early", {"float_fresh": False}),
        ("flow-impossible", {"flow_lpm": 25.1}),
        ("node-silent", {"silent_s": DEFAULTS.suspect_s}),
        ("broker-lost", {"link_up": False}),
        ("guard-c02", {"link_up": False}),
        ("level-over", {"level_fresh": False}),
        ("sump-high", {"sump_high_fresh": False}),
        ("sump-low", {"sump_low_fresh": False}),
        ("store-full", {"store_fresh": False}),
        ("hose-off", {"level_fresh": False}),
        ("drain-runs", {"level_fresh": False}),
        ("cartridge", {"cartridge_share": inf}),
        ("cartridge", {"cartridge_share": nan}),
    ],
)
def test_what_cannot_be_judged_does_not_clear(key: str, changes: dict[str, object]) -> None:
    """Claim: a clear condition wants to see that it is well, with a value it may believe."""
    assert not rule(key).cleared(replace(AT_EASE, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({}, "node-silent"),
        ({"node_gone": True}, "node-gone"),
        ({"echo_missing": True}, "broker-lost"),
        ({"link_up": False, "node_gone": True}, "broker-lost"),
    ],
)
def test_whose_silence_it_is(changes: dict[str, object], key: str) -> None:
    """Claim: no link or no echo is the broker's; a last will the node's; else the node is mute."""
    picture = replace(WELL, silent_s=DEFAULTS.permit_ttl_s, **changes)  # type: ignore[arg-type]
    names = ("broker-lost", "node-gone", "node-silent")
    assert [name for name in names if rule(name).raised(picture)] == [key]


@pytest.mark.parametrize("key", ["valve-flows", "seep"])
def test_a_stale_flow_is_no_flow(key: str) -> None:
    """Claim: a meter that cannot be read accuses no valve."""
    base = AFTER if key == "valve-flows" else AT_EASE
    assert not rule(key).raised(replace(base, flow_lpm=5.0, flow_fresh=False))
