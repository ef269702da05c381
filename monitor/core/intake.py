"""Take an input into a station's state, without judging it."""

from __future__ import annotations

from math import inf

from monitor.core import balance as balances
from monitor.core import creep as creeps
from monitor.core import quality
from monitor.core.asks import ask
from monitor.core.balance import Balance, Mode
from monitor.core.changed import changed
from monitor.core.creep import Creep
from monitor.core.events import (
    Action,
    Asked,
    Echo,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    Plugged,
    Told,
)
from monitor.core.exchange import Way
from monitor.core.fills import filled, level_sd_l
from monitor.core.phases import AT_REST, Phase, Turn
from monitor.core.picture import draw
from monitor.core.plan import Fill, Plan, Station

QUIET_CAUSES = ("mark", "low-mark")  # a guard's way to say that the water is where it should be


def take(
    plan: Plan, station: Station, given: Given, now_s: float
) -> tuple[Station, Turn | None, tuple[Action, ...]]:
    """Return the station with the input in it, the turn a person asked for, and the answer."""
    match given:
        case Heard():
            return _hear(plan, station, given, now_s), None, ()
        case Guarded():
            return _guarded(station, given), None, ()
        case Here():
            return _here(station, given), None, ()
        case Linked():
            return changed(station, link_up=given.up), None, ()
        case Echo():
            return changed(station, echo_seen_s=now_s), None, ()
        case Asked():
            return ask(plan, station, given, draw(plan, station, now_s))
        case Told():
            return changed(station, facts=given.facts), None, ()
        case Plugged():
            return _plugged(plan, station, given), None, ()
    return station, None, ()  # a tick: nothing has happened but time


def _hear(plan: Plan, station: Station, given: Heard, now_s: float) -> Station:
    senses, new = quality.accept(station.senses, given.pack, now_s, plan.limits)
    if not new:
        return changed(station, senses=senses)
    after = changed(station, senses=senses, node_gone=False)
    fill = station.fill
    if fill is not None:
        fill = filled(plan, after, fill, now_s)
    balance, creep = _levelled(plan, after, fill, now_s) if plan.level else (None, None)
    return changed(after, fill=fill, balance=balance, creep=creep)


def _levelled(
    plan: Plan, station: Station, fill: Fill | None, now_s: float
) -> tuple[Balance | None, Creep | None]:
    """Hold a new level against the meter, and at rest against the hours before."""
    track = station.senses.tracks.get(plan.level)
    if track is None or track.fault is not None:
        return station.balance, station.creep
    level_l = plan.vessel.litres_at(track.value)
    metered_l = fill.delivered_l if fill is not None and fill.way is Way.IN else 0.0
    balance = station.balance if station.balance is not None else balances.begin(now_s)
    over_s = station.phase_s + plan.limits.watch_after_s
    if station.phase is Phase.STOPPED and balance.mode is not Mode.REST and now_s >= over_s:
        balance = balances.turned(balance, Mode.REST, now_s, metered_l)
    sd_l = level_sd_l(plan, track.value)
    balance = balances.update(balance, now_s, level_l, metered_l, sd_l, plan.limits)
    creep = None  # begun anew at each rest
    if station.phase in AT_REST:
        creep = creeps.update(station.creep or creeps.begin(now_s), now_s, level_l, sd_l)
    return balance, creep


def _guarded(station: Station, given: Guarded) -> Station:
    """Take the guard's own word for why it shut, if it is about the fill that runs now."""
    report = given.report
    ours = station.fill is not None and report.fill == station.fill.id
    if not ours or not report.cause or report.cause in QUIET_CAUSES:
        return station
    return changed(station, guard_cause=report.cause)


def _here(station: Station, given: Here) -> Station:
    presence = given.presence
    if presence.role == "desk":
        return changed(station, desk_here=presence.online)
    if presence.role != "node":
        return station
    if not presence.online:  # a last will knows nothing of pins
        return changed(station, node_gone=True)
    return changed(station, node_gone=False, node_simulated=presence.simulated)


def _plugged(plan: Plan, station: Station, given: Plugged) -> Station:
    """Believe a plug about itself: the heater's, and the pump's when it is on again."""
    state = given.state
    if state.plug != "" and state.plug == plan.heater:
        return changed(station, heater_off=not state.on)
    if state.plug != "" and state.plug == plan.pump_plug and state.on:
        return changed(station, pump_since_s=inf)
    return station
