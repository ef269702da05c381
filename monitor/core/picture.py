"""Draw the picture of a station that rules and checks look at."""

from __future__ import annotations

from math import inf, isnan, nan
from typing import Any

from monitor.core import facts, quality
from monitor.core.alarm import AlarmState
from monitor.core.changed import merged
from monitor.core.exchange import Way
from monitor.core.fills import mixed_c, open_time_s, overrun_l
from monitor.core.hazards import BY_KEY
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW
from monitor.core.plan import Fill, Plan, Station
from monitor.core.quality import Senses
from monitor.core.units import S_PER_DAY, S_PER_MIN
from monitor.core.view import Picture

TEMP_DEAD = BY_KEY["temp-dead"]
GONE_SURE = 1.5  # standard deviations of a block's mean


def _value(senses: Senses, sensor: str) -> float:
    track = senses.tracks.get(sensor)
    return track.value if track is not None else 0.0


def _sensed(plan: Plan, station: Station, now_s: float) -> dict[str, Any]:
    """Return the part of the picture that comes from the sensors.

    Of several switches for one thing any that stands counts, by its last good value: the worse one
    wins. And all of them must be fresh.
    """
    senses = station.senses
    tracks = senses.tracks
    fresh = quality.fresh_sensors(senses, now_s, plan.limits)
    seen: dict[str, Any] = {}
    for ids, high, well in plan.switches:
        seen[high] = False
        for sensor in ids:
            if sensor in tracks and tracks[sensor].value > 0.0:
                seen[high] = True
        seen[well] = fresh.issuperset(ids)
    if plan.temp_in:
        seen["temp_c"] = _value(senses, plan.temp_in)
        seen["temp_fresh"] = plan.temp_in in fresh
    if plan.flow_in:
        seen["flow_lpm"] = _value(senses, plan.flow_in)
        seen["flow_fresh"] = plan.flow_in in fresh
    if plan.temp_tank:
        seen["tank_fresh"] = plan.temp_tank in fresh
        seen["tank_c"] = _value(senses, plan.temp_tank)
    else:
        seen["tank_c"] = plan.tank_c
    if plan.level:
        seen["level_fresh"] = plan.level in fresh
        seen.update(_levelled(plan, station))
    return seen


def _levelled(plan: Plan, station: Station) -> dict[str, Any]:
    """Return what the level probe and the balance say."""
    balance, creep = station.balance, station.creep
    level_m = _value(station.senses, plan.level)
    seen: dict[str, Any] = {
        "level_m": level_m,
        "seeping": creep is not None and creep.seeping,
        "need_room_l": plan.mark_l - plan.vessel.litres_at(level_m),
    }
    if balance is not None:
        seen["balance"] = balance.verdict
        seen["water_l"] = balance.water_l if balance.known else nan
    return seen


def _tank(plan: Plan, station: Station, fill: Fill) -> dict[str, Any]:
    """Return what becomes of the tank's temperature, now, soon and at the end of a fill."""
    if not fill.warmth.litres > 0.0:
        return {}
    senses = station.senses
    before_l = fill.start_l
    if isnan(before_l):
        before_l = max(0.0, plan.mark_l - fill.need_l)
    temp_c = _value(senses, plan.temp_in)
    soon_l = max(0.0, _value(senses, plan.flow_in)) * plan.limits.tank_look_s / S_PER_MIN
    left_l = max(0.0, fill.need_l - fill.delivered_l)
    return {
        "tank_soon_c": mixed_c(fill, before_l, min(soon_l, left_l), temp_c),
        "tank_ahead_c": mixed_c(fill, before_l, left_l, temp_c),
        "tank_from_c": fill.tank_from_c,
    }


def _dead(plan: Plan, station: Station, fill: Fill, now_s: float) -> bool:
    """Say whether the incoming thermometer has not answered to minutes of flow."""
    warmth = fill.warmth
    return (
        fill.rested
        and open_time_s(station.phase, fill, now_s) >= plan.limits.dead_s
        and warmth.litres > plan.purge_l
        and warmth.highest_c - warmth.lowest_c < plan.limits.dead_c
    )


def _gone_l(station: Station, fill: Fill) -> float:
    """Return what a drain surely let out after it was told to shut, waves and noise left out."""
    unsure_l = GONE_SURE * station.balance.block_sd_l if station.balance is not None else 0.0
    return overrun_l(fill) - unsure_l


def _known(plan: Plan, station: Station, now_s: float) -> dict[str, Any]:
    """Return the part of the picture that the shell has told."""
    told = station.facts
    return {
        "proof_age_s": facts.oldest_proof_s(told, plan.proof_parts, now_s),
        "people_age_s": facts.age_s(told.people_s, now_s) if plan.people_check else 0.0,
        "supply_busy": told.busy != "",
        "rejected_per_min": told.rejected_per_min,
        "record_ill": told.record != "",
        "cartridge_share": max(
            _share(told.cartridge_l, plan.filter_l),
            _share(facts.age_s(told.cartridge_s, now_s), plan.filter_days * S_PER_DAY),
        ),
        "worlds_differ": station.node_simulated is not plan.simulated,
        "desk_gone": plan.desk != "" and not station.desk_here,
        "temp_doubted": station.alarms[TEMP_DEAD].state is not AlarmState.NORMAL,
    }


def _share(used: float, life: float) -> float:
    """Return the share of a life that is used up; a life without end is never."""
    return used / life if 0.0 < life < inf else 0.0


def draw(plan: Plan, station: Station, now_s: float) -> Picture:
    """Return the station as it looks at `now_s`."""
    senses = station.senses
    flowing = station.phase in WATER_MAY_FLOW
    seen = _sensed(plan, station, now_s)
    seen.update(_known(plan, station, now_s))
    seen.update(
        now_s=now_s,
        phase=station.phase,
        silent_s=quality.silence_s(senses, now_s),
        link_up=station.link_up,
        echo_missing=station.echo_asked_s > station.echo_seen_s,
        overslept=station.overslept,
        interrupted=station.interrupted,
        twins=now_s - senses.twin_s < plan.limits.twin_s,
        pump_for_s=max(0.0, now_s - station.pump_since_s),
        node_gone=station.node_gone,
        valve_open=senses.valve_open or senses.drain_open,
        shut_for_s=0.0 if flowing else now_s - station.shut_s,
        heater_on=plan.heater != "" and not station.heater_off,
        flooded=station.flooded,
    )
    if station.fill is not None:
        seen.update(_under_way(plan, station, station.fill, now_s))
    return merged(plan.blank, seen)


def _under_way(plan: Plan, station: Station, fill: Fill, now_s: float) -> dict[str, Any]:
    """Return the part of the picture that is about the latest fill or drain."""
    running = station.phase in UNDER_WAY
    draining = fill.way is Way.OUT
    seen = {
        "way": fill.way,
        "attended": fill.attended,
        "by_hose": draining and plan.drain == "hose",
        "closing_s": plan.drain_closing_s if draining else plan.closing_s,
        "node_restarted": running and station.senses.boot != fill.boot,
        "guard_cause": station.guard_cause if running else "",
        "open_for_s": now_s - fill.opened_s if station.phase in WATER_MAY_FLOW else 0.0,
        "delivered_l": fill.delivered_l,
        "need_l": fill.need_l,
        "overrun_l": fill.overrun_l,
        "volume_limit_l": fill.volume_limit_l,
        "to_mark": fill.to_mark,
        "gone_l": _gone_l(station, fill) if draining else 0.0,
        "low_ended": fill.low_ended,
        "elapsed_s": open_time_s(station.phase, fill, now_s),
        "time_limit_s": fill.time_limit_s,
        "purged": fill.delivered_l - fill.purge_from_l >= plan.purge_l,
    }
    if running and not draining:
        seen["temp_dead"] = _dead(plan, station, fill, now_s)
        seen.update(_tank(plan, station, fill))
    return seen
