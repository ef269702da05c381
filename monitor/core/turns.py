"""Turn a station's phase: which turn it is, and what belongs to leaving and entering a phase."""

from __future__ import annotations

from math import inf, isnan
from typing import Final

from monitor.core import balance as balances
from monitor.core.asks import refusal
from monitor.core.balance import Mode
from monitor.core.changed import changed
from monitor.core.events import (
    Action,
    FillBegun,
    FillEnded,
    FillRefused,
    SendWithdraw,
    SwitchPlug,
    Turned,
)
from monitor.core.exchange import PlugOrder, Way, Withdraw
from monitor.core.fills import RECTANGULAR, opened, shut_again
from monitor.core.hazards import Response, Rule
from monitor.core.permissives import failing
from monitor.core.phases import AT_REST, TABLE, UNDER_WAY, WATER_MAY_FLOW, Phase, Turn
from monitor.core.plan import Fill, Plan, Station
from monitor.core.view import Picture

SHUTTING: Final = frozenset({Phase.HOLDING, Phase.CLOSING, Phase.STOPPED})


def turn_now(
    plan: Plan, station: Station, picture: Picture, verdict: Rule | None, turn: Turn | None
) -> tuple[Station, tuple[Action, ...]]:
    """Choose one turn, the safest first, and make it. `verdict` is the strongest rule that is true,
    `turn` what a person asked for.
    """
    if verdict is not None and verdict.response is Response.CLOSE:
        return _move(plan, station, picture, Turn.TRIP, verdict)
    if turn is not None:
        return _move(plan, station, picture, turn, None)
    if verdict is not None and verdict.response is Response.HOLD:
        fill = station.fill
        spent = fill is not None and fill.holds >= plan.limits.holds_max
        if station.phase in WATER_MAY_FLOW:
            return _move(plan, station, picture, Turn.TRIP if spent else Turn.HOLD, verdict)
    own = _own_turn(plan, station, picture, verdict)
    if own is None:
        return station, ()
    return _move(plan, station, picture, own, None)


def _own_turn(
    plan: Plan, station: Station, picture: Picture, verdict: Rule | None
) -> Turn | None:
    """What the phase itself is waiting for."""
    for_s = picture.now_s - station.phase_s
    limits = plan.limits
    match station.phase:
        case Phase.CHECKING:
            if for_s >= limits.check_quiet_s and not failing(picture):
                return Turn.PASSED if picture.way is Way.IN else Turn.PASSED_OUT
            return Turn.REFUSED if for_s >= limits.check_max_s else None
        case Phase.FILLING | Phase.DRAINING:
            return Turn.TARGET if _at_target(picture) else None
        case Phase.HOLDING:
            if _at_target(picture):
                return Turn.TARGET
            if for_s >= limits.hold_max_s:
                return Turn.REFUSED
            held = verdict is not None and verdict.response is Response.HOLD
            ready = for_s >= limits.hold_pause_s and not held and not failing(picture)
            return Turn.PASSED if ready else None
        case Phase.CLOSING:
            reported = not picture.valve_open and station.senses.heard_s >= station.phase_s
            return Turn.SHUT if reported else None
        case Phase.SETTLING:
            settle_s = limits.settle_s if picture.way is Way.IN else limits.drain_settle_s
            return Turn.SETTLED if for_s >= settle_s else None
    return None


def _at_target(picture: Picture) -> bool:
    """Say whether the water is where it should be; one witness is enough."""
    if picture.way is Way.OUT:
        low = picture.low_fresh and picture.low_hit
        return low or picture.delivered_l >= picture.need_l or _at_low(picture)
    if picture.to_mark:
        at_mark = picture.level_fresh and picture.water_l + picture.overrun_l >= picture.mark_l
        return at_mark or (picture.float_fresh and picture.float_high)
    return picture.delivered_l + picture.overrun_l >= picture.need_l


def _at_low(picture: Picture) -> bool:
    return picture.level_fresh and picture.water_l <= picture.low_l


def _move(
    plan: Plan, station: Station, picture: Picture, turn: Turn, rule: Rule | None
) -> tuple[Station, tuple[Action, ...]]:
    """Make a turn of the phase table, with what belongs to leaving and entering."""
    phase = TABLE[station.phase, turn]
    now_s = picture.now_s
    if phase is station.phase:
        return station, ()
    cause, key = station.cause, station.cause_key
    if rule is not None:
        cause, key = rule.id, rule.key
    elif turn is Turn.STOP:
        cause, key = "person", "person"
    elif phase is not Phase.STOPPED:
        cause, key = "", ""
    after = changed(station, phase=phase, phase_s=now_s, cause=cause, cause_key=key)
    actions: tuple[Action, ...] = ()
    if phase in SHUTTING:
        # An engine that began anew may find the valve open on the lease of the one before.
        first = station.shut_s == -inf
        if station.phase in WATER_MAY_FLOW or picture.valve_open or first:
            after = changed(after, shut_s=now_s)
        after, actions = _shut(plan, after, station, picture)
    if phase in WATER_MAY_FLOW and after.fill is not None:
        resumed = station.phase is Phase.HOLDING
        fill = opened(plan, after, after.fill, now_s, resumed)
        after = changed(after, fill=fill, guard_cause="", overslept=False)
        if not resumed:
            actions = (*actions, FillBegun(fill))
    if turn is Turn.REFUSED and station.phase is Phase.CHECKING and after.fill is not None:
        keys = tuple(row.key for row in failing(picture))
        actions = (*actions, FillRefused(after.fill, keys, refusal(after.fill, keys)))
    after, ended = _end(plan, after, station, phase)
    after = _watched(plan, after, now_s)
    return after, (*actions, *ended, Turned(phase, cause, key))


def _watched(plan: Plan, station: Station, now_s: float) -> Station:
    """Look at the level in the way that the new phase needs, afresh."""
    if station.balance is None:
        return station
    fill = station.fill
    metered_l = fill.delivered_l if fill is not None and fill.way is Way.IN else 0.0
    ebbs = fill is not None and fill.way is Way.OUT and station.phase is not Phase.STOPPED
    if station.phase in AT_REST:
        mode = Mode.REST
    elif ebbs or not plan.flow_in:
        mode = Mode.FOLLOW  # nothing to hold the level against
    else:
        mode = Mode.WATCH
    share_sd = plan.flow_uncertainty / RECTANGULAR
    return changed(
        station, balance=balances.turned(station.balance, mode, now_s, metered_l, share_sd)
    )


def _shut(
    plan: Plan, after: Station, before: Station, picture: Picture
) -> tuple[Station, tuple[Action, ...]]:
    """Tell the valve to shut, for good or for a hold. A person's hose hears no command."""
    if after.fill is None:
        return after, ()
    leaving = before.phase in WATER_MAY_FLOW
    fill = after.fill
    if leaving:
        hold, low = after.phase is Phase.HOLDING, picture.low_fresh and picture.low_hit
        fill = shut_again(fill, picture.now_s, hold, low)
    seq = after.seq + 1
    note = Withdraw(
        station=plan.station,
        engine="",
        seq=seq,
        node_boot=fill.boot,
        fill=fill.id,
        cause=after.cause or "mark",
        resumable=after.phase is Phase.HOLDING,
        way=fill.way,
    )
    return changed(after, fill=fill, seq=seq), (SendWithdraw(note),)


def _end(
    plan: Plan, after: Station, before: Station, phase: Phase
) -> tuple[Station, tuple[Action, ...]]:
    """Close the fill's account when it is over."""
    fill = after.fill
    if fill is None or fill.ended:
        return after, ()
    if phase is Phase.DONE:
        fill = changed(fill, ended="done")
    elif phase is Phase.STOPPED and before.phase in UNDER_WAY:
        fill = changed(fill, ended="stopped")
    elif before.phase is Phase.CHECKING and phase in (Phase.IDLE, Phase.STOPPED):
        return changed(after, fill=None), _heater_back(plan, fill)
    else:
        return after, ()
    ended = _drain_ended if fill.way is Way.OUT else _fill_ended
    after, actions = ended(plan, changed(after, fill=fill), fill)
    return after, (*actions, FillEnded(after.fill or fill, after.cause, after.cause_key))


def _heater_back(plan: Plan, fill: Fill) -> tuple[Action, ...]:
    """A drain that never began leaves the heater as it found it."""
    return (SwitchPlug(PlugOrder(plan.station, plan.heater, True)),) if fill.heater_was_on else ()


def _fill_ended(
    plan: Plan, station: Station, fill: Fill
) -> tuple[Station, tuple[Action, ...]]:
    """After a fill the pump is asked about, and the heater may go on again."""
    full = fill.ended == "done"
    pump_s = station.phase_s if plan.return_pump else inf
    left_l = 0.0 if full else max(0.0, station.drained_l - fill.delivered_l)
    after = changed(station, pump_since_s=pump_s, drained_l=left_l)
    if not (full and station.heater_off):
        return after, ()
    if plan.heater == "other":  # nobody's plug tells: from here on it counts as on
        return changed(after, heater_off=False), ()
    return after, (SwitchPlug(PlugOrder(plan.station, plan.heater, True)),)


def _drain_ended(
    plan: Plan, station: Station, fill: Fill
) -> tuple[Station, tuple[Action, ...]]:
    """What was let out may be put back. Without a level, a drain that came to its mark let out
    what was asked for.
    """
    if isnan(fill.start_l) and fill.ended == "done":
        fill = changed(fill, delivered_l=fill.need_l, shut_l=fill.need_l)
    drained_l = station.drained_l + fill.delivered_l
    return changed(station, fill=fill, drained_l=drained_l), ()


def account(plan: Plan, station: Station, now_s: float) -> tuple[Station, tuple[Action, ...]]:
    """Tell a stopped fill's litres once more, when what still came after the close is in them."""
    fill = station.fill
    if station.phase is not Phase.STOPPED or fill is None or not fill.ended or fill.accounted:
        return station, ()
    if now_s - station.phase_s < plan.limits.settle_s:
        return station, ()
    fill = changed(fill, accounted=True)
    return changed(station, fill=fill), (FillEnded(fill, station.cause, station.cause_key),)
