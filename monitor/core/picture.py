"""Draw the picture of a station that rules and checks look at."""

from __future__ import annotations

from math import inf
from typing import Any

from monitor.core import quality
from monitor.core.fills import open_time_s
from monitor.core.hazards import Picture
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Plan, Station
from monitor.core.quality import Senses


def _any_high(senses: Senses, sensors: tuple[str, ...]) -> bool:
    """Say whether any of the switches stands, by its last good value: the worse one wins."""
    tracks = senses.tracks
    return any(s in tracks and tracks[s].value > 0.0 for s in sensors)


def _all_fresh(plan: Plan, senses: Senses, sensors: tuple[str, ...], now_s: float) -> bool:
    return all(quality.fresh(senses, s, now_s, plan.limits) for s in sensors)


def _value(senses: Senses, sensor: str) -> float:
    track = senses.tracks.get(sensor)
    return track.value if track is not None else 0.0


def _sensed(plan: Plan, senses: Senses, now_s: float) -> dict[str, Any]:
    """Return the part of the picture that comes straight from the sensors."""
    return {
        "float_high": _any_high(senses, plan.floats),
        "float_fresh": _all_fresh(plan, senses, plan.floats, now_s),
        "over_high": _any_high(senses, plan.overs),
        "over_fresh": _all_fresh(plan, senses, plan.overs, now_s),
        "leak_wet": _any_high(senses, plan.leaks),
        "leak_fresh": _all_fresh(plan, senses, plan.leaks, now_s),
        "temp_c": _value(senses, plan.temp_in),
        "temp_fresh": quality.fresh(senses, plan.temp_in, now_s, plan.limits),
        "flow_lpm": _value(senses, plan.flow_in),
        "flow_fresh": quality.fresh(senses, plan.flow_in, now_s, plan.limits),
    }


def draw(plan: Plan, station: Station, now_s: float) -> Picture:
    """Return the station as it looks at `now_s`."""
    senses, fill = station.senses, station.fill
    running = station.phase in UNDER_WAY and fill is not None
    open_for_s = 0.0
    if station.phase is Phase.FILLING and fill is not None:
        open_for_s = now_s - fill.opened_s
    shut_for_s = 0.0 if station.phase is Phase.FILLING else now_s - station.shut_s
    return Picture(
        now_s=now_s,
        phase=station.phase,
        **_sensed(plan, senses, now_s),
        silent_s=quality.silence_s(senses, now_s),
        link_up=station.link_up,
        echo_missing=station.echo_asked_s > station.echo_seen_s,
        overslept=station.overslept,
        interrupted=station.interrupted,
        twins=now_s - senses.twin_s < plan.limits.twin_s,
        pump_for_s=max(0.0, now_s - station.pump_since_s),
        node_gone=station.node_gone,
        node_restarted=running and fill is not None and senses.boot != fill.boot,
        guard_cause=station.guard_cause if running else "",
        valve_open=senses.valve_open,
        open_for_s=open_for_s,
        shut_for_s=shut_for_s,
        closing_s=plan.closing_s,
        delivered_l=fill.delivered_l if fill is not None else 0.0,
        need_l=fill.need_l if fill is not None else 0.0,
        volume_limit_l=fill.volume_limit_l if fill is not None else 0.0,
        to_mark=fill.to_mark if fill is not None else True,
        elapsed_s=open_time_s(station.phase, fill, now_s) if fill is not None else 0.0,
        time_limit_s=fill.time_limit_s if fill is not None else inf,
        purged=fill is not None and fill.delivered_l - fill.purge_from_l >= plan.purge_l,
        low_c=plan.low_c,
        high_c=plan.high_c,
        scald_c=plan.scald_c,
        flow_max_lpm=plan.flow_max_lpm,
        limits=plan.limits,
    )
