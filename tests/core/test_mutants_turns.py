"""What small changes of the turns showed to be unsaid: exact moments, one witness, whose water."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isinf, nan
from typing import Any

import pytest

from monitor.core import balance as balances
from monitor.core.balance import GEOMETRY_SD, Mode
from monitor.core.events import (
    Action,
    FillBegun,
    FillEnded,
    FillRefused,
    SendWithdraw,
    SwitchPlug,
    Turned,
)
from monitor.core.exchange import Way
from monitor.core.fills import begin
from monitor.core.hazards import BY_KEY, RULES, Rule
from monitor.core.phases import UNDER_WAY, Phase, Turn
from monitor.core.plan import Fill, Plan, Station
from monitor.core.quality import Senses
from monitor.core.turns import account, turn_now
from monitor.core.view import Picture
from support.stories import STATION, full_plan, river_plan

PLAN = full_plan()
LIMITS = PLAN.limits
NOW_S = 10_000.0
FILL = replace(
    begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0),
    boot="boot-a", begun_s=NOW_S - 800.0, opened_s=NOW_S - 800.0,
)  # fmt: skip
DRAIN = replace(FILL, id="d", way=Way.OUT, to_mark=False, start_l=798.0)
HOT, WET, SEEP = (RULES[BY_KEY[key]] for key in ("hot", "leak", "seep"))  # hold, close, warn
SOON_S = 0.01


def placed(phase: Phase, for_s: float = 1.0, fill: Fill | None = FILL, **changes: Any) -> Station:
    """Return a station that has been in a phase for so long."""
    senses = Senses(boot="boot-a", heard_s=NOW_S)
    made = Station(phase=phase, phase_s=NOW_S - for_s, now_s=NOW_S, fill=fill, senses=senses,
                   shut_s=NOW_S - 500.0, seq=7)  # fmt: skip
    return replace(made, **changes)


def seen(station: Station, **changes: Any) -> Picture:
    """Return a picture of it in which all is well and nothing is where it should be yet."""
    way = station.fill.way if station.fill is not None else Way.IN
    to_mark = station.fill is None or station.fill.to_mark
    picture = Picture(NOW_S, station.phase, way=way, scald_c=43.0, flow_max_lpm=25.0,
                      shut_for_s=500.0, need_l=100.0, to_mark=to_mark, mark_m=0.57, mark_l=798.0,
                      low_l=378.0, water_l=600.0, level_m=0.4, limits=LIMITS)  # fmt: skip
    return replace(picture, **changes)


def turn(
    station: Station, *, rule: Rule | None = None, asked: Turn | None = None, plan: Plan = PLAN,
    **changes: Any,
) -> tuple[Station, tuple[Action, ...]]:  # fmt: skip
    """Let a station turn, in a picture with some changes."""
    return turn_now(plan, station, seen(station, **changes), rule, asked)


def to(station: Station, **how: Any) -> Phase:
    """Return the phase it turns to."""
    return turn(station, **how)[0].phase


# --- exact moments ---


MOMENTS = [
    (Phase.CHECKING, FILL, {}, LIMITS.check_quiet_s, Phase.FILLING),
    (Phase.CHECKING, DRAIN, {}, LIMITS.check_quiet_s, Phase.DRAINING),
    (Phase.CHECKING, FILL, {"leak_wet": True}, LIMITS.check_max_s, Phase.IDLE),
    (Phase.HOLDING, FILL, {}, LIMITS.hold_pause_s, Phase.FILLING),
    (Phase.HOLDING, FILL, {"leak_wet": True}, LIMITS.hold_max_s, Phase.STOPPED),
    (Phase.SETTLING, FILL, {}, LIMITS.settle_s, Phase.DONE),
    (Phase.SETTLING, DRAIN, {}, LIMITS.drain_settle_s, Phase.DONE),
]  # fmt: skip


@pytest.mark.parametrize(("phase", "fill", "sight", "for_s", "then"), MOMENTS)
def test_a_wait_is_over_at_its_very_end(
    phase: Phase, fill: Fill, sight: dict[str, Any], for_s: float, then: Phase
) -> None:
    """Claim: each wait lasts as long as its limit says: over at that moment and not before it."""
    assert to(placed(phase, for_s, fill), **sight) is then
    assert to(placed(phase, for_s - SOON_S, fill), **sight) is phase


@pytest.mark.parametrize(("phase", "for_s"), [(Phase.CHECKING, 10.0), (Phase.HOLDING, 100.0)])
def test_what_must_not_be_is_waited_out_and_not_passed(phase: Phase, for_s: float) -> None:
    """Claim: after the quiet time a check that fails still keeps the valve shut."""
    assert to(placed(phase, for_s), leak_wet=True) is phase


def test_a_hold_waits_for_its_reason_to_end_and_for_nothing_else() -> None:
    """Claim: while the rule that holds is true nothing resumes; a warning keeps nothing shut."""
    station = placed(Phase.HOLDING, LIMITS.hold_pause_s)
    assert to(station, rule=HOT) is Phase.HOLDING
    assert to(station, rule=SEEP) is Phase.FILLING
    assert to(station, float_high=True) is Phase.CLOSING


def test_the_valve_is_shut_by_a_pack_made_at_the_command_or_later() -> None:
    """Claim: a pack of the very moment counts, an older one and an open valve do not."""
    station = placed(Phase.CLOSING, 5.0)
    at = replace(station, senses=replace(station.senses, heard_s=station.phase_s))
    before = replace(station, senses=replace(station.senses, heard_s=station.phase_s - SOON_S))
    assert to(at) is Phase.SETTLING
    assert to(before) is Phase.CLOSING
    assert to(at, valve_open=True) is Phase.CLOSING


@pytest.mark.parametrize("more", [0, 1, 2])
def test_the_last_hold_is_the_one_before_the_stop(more: int) -> None:
    """Claim: a fill may hold `holds_max` times; the next reason to hold ends it."""
    holds = int(LIMITS.holds_max) - 1 + more
    station = placed(Phase.FILLING, 100.0, replace(FILL, holds=holds))
    assert to(station, rule=HOT) is (Phase.HOLDING if more == 0 else Phase.STOPPED)


def test_a_hold_outranks_the_target_and_a_stop_outranks_a_hold() -> None:
    """Claim: what is wrong comes before what is done, and a person before what holds."""
    station = placed(Phase.FILLING)
    assert to(station, rule=HOT, float_high=True) is Phase.HOLDING
    assert to(station, rule=HOT, asked=Turn.STOP) is Phase.STOPPED
    assert to(station, rule=SEEP, float_high=True) is Phase.CLOSING
    after, _ = turn(station, rule=WET, asked=Turn.STOP)
    assert (after.phase, after.cause_key) == (Phase.STOPPED, "leak")


# --- where the water should be ---


@pytest.mark.parametrize(
    ("fill", "sight", "there"),
    [
        # Up to the mark: the level or the float, each on a fresh reading only.
        (FILL, {"water_l": 798.0}, True),
        (FILL, {"water_l": 797.9}, False),
        (FILL, {"water_l": 797.5, "overrun_l": 0.5}, True),
        (FILL, {"water_l": 798.4, "overrun_l": 0.5}, True),
        (FILL, {"water_l": 798.0, "level_fresh": False}, False),
        (FILL, {"water_l": nan}, False),
        (FILL, {"float_high": True}, True),
        (FILL, {"float_high": True, "float_fresh": False}, False),
        (FILL, {"delivered_l": 100.0}, False),
        # By litres: the meter alone.
        (replace(FILL, to_mark=False), {"delivered_l": 100.0}, True),
        (replace(FILL, to_mark=False), {"delivered_l": 99.9}, False),
        (replace(FILL, to_mark=False), {"delivered_l": 99.5, "overrun_l": 0.5}, True),
        (replace(FILL, to_mark=False), {"water_l": 798.0}, False),
        # Out: the litres, the low mark by the level, or the low float.
        (DRAIN, {"delivered_l": 100.0}, True),
        (DRAIN, {"delivered_l": 99.9}, False),
        (DRAIN, {"water_l": 378.0}, True),
        (DRAIN, {"water_l": 378.1}, False),
        (DRAIN, {"water_l": 378.0, "level_fresh": False}, False),
        (DRAIN, {"low_hit": True}, True),
        (DRAIN, {"low_hit": True, "low_fresh": False}, False),
        (DRAIN, {"float_high": True}, False),
    ],
)  # fmt: skip
def test_one_fresh_witness_ends_it(fill: Fill, sight: dict[str, Any], there: bool) -> None:
    """Claim: each witness alone ends a fill or a drain, at its mark exactly and when fresh."""
    phase = Phase.DRAINING if fill.way is Way.OUT else Phase.FILLING
    assert to(placed(phase, fill=fill), **sight) is (Phase.CLOSING if there else phase)


# --- why, and since when ---


def test_a_cause_is_told_while_it_lasts() -> None:
    """Claim: a person's stop and a rule's say so, on the station and in what is told; a turn that
    needs no cause has none; one who is stopped keeps the first.
    """
    held, told = turn(placed(Phase.FILLING), rule=HOT)
    assert (held.cause, held.cause_key) == (HOT.id, "hot")
    assert told[-1] == Turned(Phase.HOLDING, HOT.id, "hot")
    on, told = turn(replace(held, phase_s=NOW_S - LIMITS.hold_pause_s))
    assert (on.cause, on.cause_key) == ("", "")
    assert told[-1] == Turned(Phase.FILLING, "", "")
    stopped, told = turn(on, asked=Turn.STOP)
    assert (stopped.cause, stopped.cause_key) == ("person", "person")
    assert told[-1] == Turned(Phase.STOPPED, "person", "person")
    assert turn(stopped, rule=WET) == (stopped, ())
    reset, told = turn(stopped, asked=Turn.RESET)
    assert (reset.phase, reset.phase_s, reset.cause, reset.cause_key) == (Phase.IDLE, NOW_S, "", "")


def test_a_hold_that_cannot_end_keeps_the_cause_it_had() -> None:
    """Claim: waiting too long is no cause of its own: what the hold was for is what stopped it."""
    held = placed(Phase.HOLDING, LIMITS.hold_max_s, cause="T01", cause_key="hot")
    after, actions = turn(held, leak_wet=True)
    assert (after.phase, after.cause, after.cause_key) == (Phase.STOPPED, "T01", "hot")
    assert not [a for a in actions if isinstance(a, FillRefused)]
    withdrawn = next(a.withdraw for a in actions if isinstance(a, SendWithdraw))
    assert (withdrawn.cause, withdrawn.resumable) == ("T01", False)


@pytest.mark.parametrize(
    ("phase", "changes", "open_now", "anew"),
    [
        (Phase.FILLING, {}, True, True),
        (Phase.FILLING, {}, False, True),  # on its way open, or open and not yet heard so
        (Phase.HOLDING, {}, False, False),
        (Phase.HOLDING, {}, True, True),
        (Phase.IDLE, {}, False, False),
        (Phase.IDLE, {"shut_s": -inf}, False, True),  # the first close command of this engine
    ],
)
def test_since_when_the_valve_is_shut(
    phase: Phase, changes: dict[str, Any], open_now: bool, anew: bool
) -> None:
    """Claim: the time since the close command begins where water could have run until now, and
    goes on where the valve was shut already.
    """
    station = placed(phase, **changes)
    after, _ = turn(station, rule=WET, valve_open=open_now)
    assert after.phase is Phase.STOPPED
    assert after.shut_s == (NOW_S if anew else station.shut_s)


@pytest.mark.parametrize(
    ("station", "asked", "then"),
    [
        (placed(Phase.CLOSING, 5.0), None, Phase.SETTLING),
        (placed(Phase.SETTLING, LIMITS.settle_s), None, Phase.DONE),
        (placed(Phase.STOPPED), Turn.RESET, Phase.IDLE),
        (placed(Phase.IDLE), Turn.ASKED, Phase.CHECKING),
        (placed(Phase.CHECKING, 5.0), None, Phase.FILLING),
        (placed(Phase.CHECKING, 5.0, DRAIN), None, Phase.DRAINING),
    ],
)
def test_what_is_no_close_command(station: Station, asked: Turn | None, then: Phase) -> None:
    """Claim: only a hold, a closing or a stop tells the valve to shut."""
    after, actions = turn(station, asked=asked)
    assert after.phase is then
    assert (after.shut_s, after.seq) == (station.shut_s, station.seq)
    assert not [a for a in actions if isinstance(a, SendWithdraw)]


def test_a_withdrawal_says_all_the_guard_must_know() -> None:
    """Claim: station, boot, fill, way, cause, a number that only rises, and whether it may go on;
    the shell puts the engine in.
    """
    drain = replace(DRAIN, boot="boot-z")
    for fill, phase, rule, sight, cause, resumable in (
        (FILL, Phase.FILLING, HOT, {}, HOT.id, True),
        (FILL, Phase.FILLING, WET, {}, WET.id, False),
        (FILL, Phase.FILLING, None, {"float_high": True}, "mark", False),
        (drain, Phase.DRAINING, None, {"low_hit": True}, "mark", False),
    ):
        after, actions = turn(placed(phase, fill=fill), rule=rule, **sight)
        note = next(a.withdraw for a in actions if isinstance(a, SendWithdraw))
        assert (note.station, note.engine, note.seq) == (STATION, "", 8)
        assert after.seq == 8
        assert (note.node_boot, note.fill, note.way) == (fill.boot, fill.id, fill.way)
        assert (note.cause, note.resumable) == (cause, resumable)
        assert after.fill is not None
        assert after.fill.holds == int(resumable)


def test_a_station_without_a_fill_tells_no_valve() -> None:
    """Claim: what stops at rest has nobody to tell, and ends no fill."""
    after, actions = turn(placed(Phase.IDLE, fill=None), rule=WET)
    assert after.phase is Phase.STOPPED
    assert after.seq == 7
    assert [type(a) for a in actions] == [Turned]


@pytest.mark.parametrize("phase", [Phase.FILLING, Phase.HOLDING])
def test_open_time_is_counted_where_the_valve_was_open(phase: Phase) -> None:
    """Claim: a stop adds the open time of the last opening; out of a hold there is none to add."""
    fill = replace(FILL, open_before_s=30.0, opened_s=NOW_S - 50.0, delivered_l=9.0)
    after, _ = turn(placed(phase, fill=fill), rule=WET)
    assert after.fill is not None
    assert after.fill.open_before_s == (80.0 if phase is Phase.FILLING else 30.0)
    assert after.fill.holds == 0


@pytest.mark.parametrize(
    ("hit", "fresh", "low"), [(True, True, True), (True, False, False), (False, True, False)]
)
def test_whether_the_low_float_ended_a_drain(hit: bool, fresh: bool, low: bool) -> None:
    """Claim: it did when it stands and is read."""
    after, _ = turn(placed(Phase.DRAINING, fill=DRAIN), delivered_l=100.0, low_hit=hit,
                    low_fresh=fresh)  # fmt: skip
    assert after.fill is not None
    assert after.fill.low_ended is low


# --- beginnings ---


def test_a_fill_begins_without_old_words() -> None:
    """Claim: what a guard said of, and an engine missed in, an earlier fill is forgotten at an
    opening; a beginning is told once, a resuming never.
    """
    station = placed(Phase.CHECKING, 5.0, guard_cause="W06", overslept=True)
    after, actions = turn(station)
    assert (after.guard_cause, after.overslept) == ("", False)
    assert [type(a) for a in actions] == [FillBegun, Turned]
    assert after.fill is not None
    assert after.fill.begun_s == NOW_S
    held = placed(Phase.HOLDING, 60.0, guard_cause="W06", overslept=True)
    after, actions = turn(held)
    assert (after.guard_cause, after.overslept) == ("", False)
    assert [type(a) for a in actions] == [Turned]
    assert after.fill is not None
    assert (after.fill.begun_s, after.fill.opened_s) == (FILL.begun_s, NOW_S)


@pytest.mark.parametrize("phase", [Phase.CHECKING, Phase.HOLDING])
def test_phases_that_lost_their_fill_still_turn(phase: Phase) -> None:
    """Claim: a state that should not be is no reason to fail: nothing is begun, ended or told."""
    for sight in ({}, {"leak_wet": True}):
        after, actions = turn(placed(phase, 500.0, fill=None), **sight)
        assert after.fill is None
        assert [type(a) for a in actions] == [Turned]
    assert to(placed(Phase.FILLING, fill=None), rule=HOT) is Phase.HOLDING


def test_a_refusal_is_told_with_all_that_failed() -> None:
    """Claim: the checks' keys, in their order, of the fill that was asked for; then it is gone."""
    after, actions = turn(placed(Phase.CHECKING, 15.0), leak_wet=True, float_high=True)
    assert after.fill is None
    refused = actions[0]
    assert isinstance(refused, FillRefused)
    assert (refused.fill, refused.failing) == (FILL, ("float", "leak"))
    _, actions = turn(placed(Phase.CHECKING, 1.0), asked=Turn.STOP)
    assert [type(a) for a in actions] == [Turned]


# --- how the level is looked at ---


SOME_IN, SOME_OUT = replace(FILL, delivered_l=5.0), replace(DRAIN, delivered_l=5.0)


def looked(station: Station, plan: Plan = PLAN, **how: Any) -> balances.Balance:
    """Return the balance after a turn, from one that was looked at in no way at all."""
    before = replace(balances.begin(0.0), water_l=600.0, water_var=1.0, mode=Mode.REST)
    after, _ = turn(replace(station, balance=before), plan=plan, **how)
    assert after.balance is not None
    assert after.balance.block.from_s == NOW_S
    return after.balance


@pytest.mark.parametrize(
    ("station", "how", "mode", "metered_l"),
    [
        (placed(Phase.CHECKING, 5.0), {}, Mode.WATCH, 0.0),
        (placed(Phase.CHECKING, 5.0, DRAIN), {}, Mode.FOLLOW, 0.0),
        (placed(Phase.FILLING, fill=SOME_IN), {"rule": HOT}, Mode.WATCH, 5.0),
        (placed(Phase.FILLING, fill=SOME_IN), {"rule": WET}, Mode.WATCH, 5.0),
        (placed(Phase.DRAINING, fill=SOME_OUT), {"low_hit": True}, Mode.FOLLOW, 0.0),
        (placed(Phase.DRAINING, fill=SOME_OUT), {"rule": WET}, Mode.WATCH, 0.0),
        (placed(Phase.CLOSING, 5.0, DRAIN), {}, Mode.FOLLOW, 0.0),
        (placed(Phase.SETTLING, 500.0, DRAIN), {}, Mode.REST, 0.0),
        (placed(Phase.STOPPED), {"asked": Turn.RESET}, Mode.REST, 0.0),
        (placed(Phase.IDLE), {"asked": Turn.ASKED}, Mode.REST, 0.0),
        (placed(Phase.IDLE, fill=None), {"rule": WET}, Mode.WATCH, 0.0),
    ],
)  # fmt: skip
def test_the_level_is_held_against_the_meter_where_no_water_goes_out(
    station: Station, how: dict[str, Any], mode: Mode, metered_l: float
) -> None:
    """Claim: at rest the level stands, in a drain it is followed down until it is stopped or done,
    and otherwise it is held against the meter, from the litres so far: none of a drain's.
    """
    balance = looked(station, **how)
    assert (balance.mode, balance.metered_l) == (mode, metered_l)


def test_without_a_meter_there_is_nothing_to_hold_the_level_against() -> None:
    """Claim: such a station follows its level while it fills and afterwards."""
    plan = full_plan(flow_in="")
    assert looked(placed(Phase.CHECKING, 5.0), plan).mode is Mode.FOLLOW
    assert looked(placed(Phase.FILLING), plan, rule=WET).mode is Mode.FOLLOW
    assert looked(placed(Phase.SETTLING, 500.0), plan).mode is Mode.REST


def test_a_meter_s_limits_of_error_are_taken_as_an_even_spread() -> None:
    """Claim: ±3 % are 3 / √3 % of standard uncertainty (GUM, JCGM 100:2008, 4.3.7), beside the
    vessel's own measures.
    """
    balance = looked(placed(Phase.CHECKING, 5.0))
    assert balance.ratio_var == pytest.approx(0.03**2 / 3.0 + GEOMETRY_SD**2)


def test_without_a_level_nothing_is_looked_at() -> None:
    """Claim: a turn invents no balance."""
    assert turn(placed(Phase.CHECKING, 5.0))[0].balance is None


# --- ends ---


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_whatever_is_under_way_is_stopped_by_a_trip(phase: Phase) -> None:
    """Claim: its account closes as stopped, with the rule as its cause."""
    fill = DRAIN if phase is Phase.DRAINING else FILL
    after, actions = turn(placed(phase, fill=fill), rule=WET)
    end = next(a for a in actions if isinstance(a, FillEnded))
    assert (end.fill.ended, end.cause, end.key) == ("stopped", WET.id, "leak")
    assert end.fill == after.fill


@pytest.mark.parametrize("ended", ["done", "stopped"])
def test_an_ended_fill_ends_no_more(ended: str) -> None:
    """Claim: a trip or a reset tells of no second end, and leaves the account as it is."""
    for phase, how in ((Phase.DONE, {"rule": WET}), (Phase.STOPPED, {"asked": Turn.RESET}),
                       (Phase.SETTLING, {"rule": WET})):  # fmt: skip
        fill = replace(FILL, ended=ended)
        after, actions = turn(placed(phase, fill=fill), **how)
        assert after.fill == fill
        assert not [a for a in actions if isinstance(a, FillEnded)]


@pytest.mark.parametrize("how", [{"rule": WET}, {"asked": Turn.STOP}])
def test_what_is_only_checked_is_forgotten(how: dict[str, Any]) -> None:
    """Claim: a request that is tripped or stopped in its checks is gone, without an account; a
    drain's heater goes on again if the drain put it off.
    """
    for was_on in (True, False):
        drain = replace(DRAIN, heater_was_on=was_on)
        after, actions = turn(placed(Phase.CHECKING, fill=drain), **how)
        assert after.fill is None
        assert not [a for a in actions if isinstance(a, FillEnded)]
        plugs = [a.order for a in actions if isinstance(a, SwitchPlug)]
        assert [(o.station, o.plug, o.on) for o in plugs] == (
            [(STATION, "heater", True)] if was_on else [])  # fmt: skip


@pytest.mark.parametrize(("before_l", "in_l", "left_l"),
                         [(300.0, 120.0, 180.0), (100.0, 120.0, 0.0)])  # fmt: skip
def test_what_is_drained_is_put_back_by_what_comes_in(
    before_l: float, in_l: float, left_l: float
) -> None:
    """Claim: a stopped fill leaves the rest of it, never less than none; a done one nothing."""
    fill = replace(FILL, delivered_l=in_l)
    stopped, _ = turn(placed(Phase.FILLING, fill=fill, drained_l=before_l), rule=WET)
    assert stopped.drained_l == pytest.approx(left_l)
    done, _ = turn(placed(Phase.SETTLING, 500.0, fill, drained_l=before_l))
    assert done.drained_l == 0.0


def test_drains_add_up() -> None:
    """Claim: what two drains let out is to be put back together."""
    drain = replace(DRAIN, delivered_l=50.0)
    after, _ = turn(placed(Phase.SETTLING, 500.0, drain, drained_l=30.0))
    assert after.drained_l == 80.0


@pytest.mark.parametrize(("start_l", "how", "out_l"), [
    (nan, {}, 100.0), (798.0, {}, 40.0), (nan, {"rule": WET}, 40.0), (798.0, {"rule": WET}, 40.0),
])  # fmt: skip
def test_a_drain_without_a_level_let_out_what_was_asked(
    start_l: float, how: dict[str, Any], out_l: float
) -> None:
    """Claim: only one that came to its mark, and only where no level tells better."""
    drain = replace(DRAIN, delivered_l=40.0, start_l=start_l)
    after, actions = turn(placed(Phase.SETTLING, 500.0, drain), **how)
    assert after.fill is not None
    assert after.fill.delivered_l == out_l
    assert after.drained_l == out_l
    assert next(a for a in actions if isinstance(a, FillEnded)).fill == after.fill


@pytest.mark.parametrize("pump", [True, False])
@pytest.mark.parametrize("full", [True, False])
def test_after_a_fill_the_pump_is_asked_about(pump: bool, full: bool) -> None:
    """Claim: from the end on, done or stopped, where there is a pump to ask about; not after a
    drain.
    """
    plan = full_plan(return_pump=pump)
    station = placed(Phase.SETTLING, 500.0)
    after, _ = turn(station, plan=plan, rule=None if full else WET)
    assert after.pump_since_s == (NOW_S if pump else inf)
    drained, _ = turn(placed(Phase.SETTLING, 500.0, DRAIN), plan=plan)
    assert isinf(drained.pump_since_s)


@pytest.mark.parametrize("heater", ["heater", "other"])
@pytest.mark.parametrize("off", [True, False])
@pytest.mark.parametrize("full", [True, False])
def test_the_heater_goes_on_when_the_tank_is_full(heater: str, off: bool, full: bool) -> None:
    """Claim (W22): after a fill that came to its end a heater that is off is switched on by its
    plug, or counts as on where somebody else switches it; a stopped fill changes nothing.
    """
    station = placed(Phase.SETTLING, 500.0, heater_off=off)
    after, actions = turn(station, plan=full_plan(heater=heater), rule=None if full else WET)
    orders = [a.order for a in actions if isinstance(a, SwitchPlug)]
    ours = heater == "heater" and off and full
    assert [(o.station, o.plug, o.on) for o in orders] == (
        [(STATION, "heater", True)] if ours else [])  # fmt: skip
    assert after.heater_off is (off and not (full and heater == "other"))


# --- the account ---


def test_the_account_of_a_stopped_fill_is_closed_once_the_water_stands() -> None:
    """Claim: exactly settle_s after the stop, once, with its cause; and of nothing but a stopped
    fill that has ended.
    """
    ended = replace(FILL, ended="stopped")
    station = placed(Phase.STOPPED, LIMITS.settle_s, ended, cause="W06", cause_key="leak")
    after, actions = account(PLAN, station, NOW_S)
    assert after.fill == replace(ended, accounted=True)
    assert actions == (FillEnded(replace(ended, accounted=True), "W06", "leak"),)
    assert account(PLAN, after, NOW_S) == (after, ())
    early = replace(station, phase_s=station.phase_s + SOON_S)
    for nothing in (early, replace(station, phase=Phase.IDLE), replace(station, fill=None),
                    replace(station, fill=FILL)):  # fmt: skip
        assert account(PLAN, nothing, NOW_S) == (nothing, ())


def test_the_stations_of_these_tests_are_as_they_say() -> None:
    """Claim: a placed station at rest stays where it is, in a plan with everything and with
    little.
    """
    for plan in (PLAN, river_plan()):
        for phase in (Phase.IDLE, Phase.DONE, Phase.STOPPED, Phase.FILLING):
            station = placed(phase)
            assert turn(station, plan=plan) == (station, ())
