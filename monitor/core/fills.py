"""One fill's account: litres, warmth, open time, and the limits it may not pass."""

from __future__ import annotations

from math import inf, isnan, nan

from monitor.core import forecast, quality
from monitor.core.changed import changed
from monitor.core.exchange import Way
from monitor.core.forecast import Forecast
from monitor.core.phases import WATER_MAY_FLOW, Phase
from monitor.core.plan import Fill, Plan, Station, Warmth
from monitor.core.units import L_PER_M3, S_PER_MIN

RECTANGULAR = 3**0.5  # half width of an even spread per standard deviation (GUM, type B)
NEED_SHARE_SD = 0.02  # how well a person knows the litres up to the mark: common practice


def begin(
    plan: Plan,
    fill_id: str,
    by: str,
    need_l: float,
    to_mark: bool,
    now_s: float,
    way: Way = Way.IN,
) -> Fill:
    """Return a new fill with limits that hold until its flow is known.

    The volume limit is the need, the meter's own uncertainty and a margin. The time limit is that
    of a slow flow; `filled` tightens it once, from the measured flow, and never moves it later.
    """
    limits = plan.limits
    share = plan.flow_uncertainty + limits.volume_margin if to_mark else 0.0
    slow_s = need_l / limits.flow_floor_lpm * S_PER_MIN
    allowed_s = slow_s * (1.0 + limits.time_margin) + limits.time_margin_s
    return Fill(
        id=fill_id,
        by=by,
        need_l=need_l,
        to_mark=to_mark,
        asked_s=now_s,
        volume_limit_l=need_l * (1.0 + share) + limits.volume_margin_l,
        time_limit_s=min(allowed_s, limits.open_max_s),
        way=way,
    )


def opened(plan: Plan, station: Station, fill: Fill, now_s: float, resumed: bool) -> Fill:
    """Return the fill at an opening of the valve. The purge allowance begins anew."""
    if resumed:
        return changed(fill, opened_s=now_s, purge_from_l=fill.delivered_l)
    balance = station.balance
    priors = station.facts.priors
    after = changed(
        fill,
        opened_s=now_s,
        begun_s=now_s,
        boot=station.senses.boot,
        count_from=_count(plan, station) or 0,
    )
    if balance is not None and balance.known:
        after = _placed(plan, after, balance.water_l)
    if fill.way is Way.OUT:
        return after
    learned_l = min(priors.overrun_l, plan.limits.overrun_max_l) if priors.fills else 0.0
    flow = {"flow_lpm": priors.flow_lpm} if priors.fills and priors.flow_lpm > 0.0 else {}
    if flow and priors.flow_sd_lpm < inf:
        flow["flow_sd_lpm"] = priors.flow_sd_lpm
    tracked = forecast.start(
        now_s,
        after.count_from,
        plan.pulses_per_litre,
        meter_share_sd=plan.flow_uncertainty / RECTANGULAR,
        **flow,
    )
    from_c = tank_c(plan, station, now_s)
    return changed(
        after, overrun_l=max(learned_l, 0.0), forecast=tracked, tank_from_c=from_c
    )


def _placed(plan: Plan, fill: Fill, start_l: float) -> Fill:
    """Return the fill with what the level tells: where it starts, and how far the mark is."""
    sd_l = level_sd_l(plan, plan.vessel.level_at(start_l))
    return changed(fill, start_l=start_l, goal_l=plan.mark_l - start_l, goal_sd_l=sd_l)


def tank_c(plan: Plan, station: Station, now_s: float) -> float:
    """Return the tank's temperature by its thermometer, or as the config has it; NaN if unknown."""
    if plan.temp_tank and quality.fresh(station.senses, plan.temp_tank, now_s, plan.limits):
        return station.senses.tracks[plan.temp_tank].value
    return plan.tank_c


def _count(plan: Plan, station: Station) -> int | None:
    """Return the meter's count; None without a meter."""
    if not plan.flow_in:
        return None
    track = station.senses.tracks.get(plan.flow_in)
    return track.count if track is not None else 0


def filled(plan: Plan, station: Station, fill: Fill, now_s: float) -> Fill:
    """Return the fill after a new pack: litres and warmth counted, forecast brought up to date.

    A pack of another boot counts for nothing: its pulses start from nought.
    """
    if fill.begun_s > now_s or station.senses.boot != fill.boot or not fill.boot:
        return fill
    if fill.way is Way.OUT:
        return _drained(plan, station, fill)
    count = _count(plan, station)
    delivered_l = max(fill.delivered_l, _delivered_l(plan, station, fill))
    open_now = station.phase is Phase.FILLING
    warmth = _warmed(plan, station, fill, delivered_l - fill.delivered_l, now_s)
    tracked = fill.forecast
    if tracked is not None:
        move = forecast.update if open_now else forecast.rest
        tracked = move(tracked, station.senses.heard_s, count, **_rise(plan, station, fill))
    after = changed(fill, delivered_l=delivered_l, warmth=warmth, forecast=tracked)
    balance = station.balance
    if isnan(fill.start_l) and balance is not None and balance.known:
        after = _placed(plan, after, balance.water_l - delivered_l)
    return _limited(plan, after, now_s) if open_now and not fill.time_fixed else after


def _delivered_l(plan: Plan, station: Station, fill: Fill) -> float:
    """Return the litres that came in: by the meter, or without one by the level."""
    count, balance = _count(plan, station), station.balance
    if count is not None:
        return (count - fill.count_from) / plan.pulses_per_litre
    if balance is None or isnan(fill.start_l):
        return 0.0
    return balance.water_l - fill.start_l


def _rise(plan: Plan, station: Station, fill: Fill) -> dict[str, float]:
    """Return what the level says has risen, for the forecast; nothing where it says nothing."""
    track = station.senses.tracks.get(plan.level)
    if track is None or track.fault is not None or isnan(fill.start_l):
        return {}
    rise_l = plan.vessel.litres_at(track.value) - fill.start_l
    return {"rise_l": rise_l, "rise_sd_l": level_sd_l(plan, track.value)}


def level_sd_l(plan: Plan, level_m: float) -> float:
    """Return how many litres one reading of the level may be off."""
    return plan.level_sd_m * plan.vessel.area_m2(level_m) * L_PER_M3


def _drained(plan: Plan, station: Station, fill: Fill) -> Fill:
    """Return a drain with what the level says has gone; without a level it is not known."""
    balance = station.balance
    if balance is None or not balance.known:
        return fill
    if isnan(fill.start_l):  # begun before the level was known: counted from here
        return _placed(plan, fill, balance.water_l)
    return changed(fill, delivered_l=max(fill.delivered_l, fill.start_l - balance.water_l))


def _warmed(plan: Plan, station: Station, fill: Fill, new_l: float, now_s: float) -> Warmth:
    """Return the warmth with `new_l` more litres at the incoming temperature, if it is known."""
    before = fill.warmth
    if new_l <= 0.0 or not quality.fresh(station.senses, plan.temp_in, now_s, plan.limits):
        return before
    temp_c = station.senses.tracks[plan.temp_in].value
    return Warmth(
        before.litre_degrees + new_l * temp_c,
        before.litres + new_l,
        min(before.lowest_c, temp_c),
        max(before.highest_c, temp_c),
    )


def mixed_c(fill: Fill, tank_l: float, more_l: float, more_c: float) -> float:
    """Return the tank's temperature when so much more has come in at a temperature, in °C.

    Litres times degrees: within 0.04 °C of the exact balance (`mixing`), and cheap. `tank_l` is
    what the vessel held when the fill began. NaN when the tank's own temperature is not known.
    """
    warmth = fill.warmth
    total_l = tank_l + warmth.litres + more_l
    if not total_l > 0.0:
        return nan
    return (tank_l * fill.tank_from_c + warmth.litre_degrees + more_l * more_c) / total_l


def _limited(plan: Plan, fill: Fill, now_s: float) -> Fill:
    """Fix the expected time once the flow is known. It may tighten the limit, never loosen it."""
    limits = plan.limits
    open_s = open_time_s(Phase.FILLING, fill, now_s)
    if open_s < limits.learn_s:
        return fill
    ahead = expected(fill, now_s)
    if ahead is None:
        return fill
    allowed_s = open_s + ahead.high_s * (1.0 + limits.time_margin) + limits.time_margin_s
    return changed(
        fill,
        time_fixed=True,
        time_limit_s=min(fill.time_limit_s, allowed_s),
        expected=ahead,
        expected_at_s=open_s,
    )


def expected(fill: Fill, now_s: float) -> Forecast | None:
    """Return the forecast of the fill's end, or None before the valve first opened."""
    if fill.forecast is None:
        return None
    need_l, sd_l = fill.need_l, fill.need_l * NEED_SHARE_SD
    if fill.to_mark and not isnan(fill.goal_l):
        need_l, sd_l = fill.goal_l, fill.goal_sd_l
    return forecast.predict(
        fill.forecast,
        now_s,
        need_l,
        need_sd_l=sd_l,
        overrun_l=fill.overrun_l,
        by_meter=not fill.to_mark,
    )


def shut_again(fill: Fill, now_s: float, hold: bool, low: bool) -> Fill:
    """Return the fill when the valve is told to shut; `low` says that the low float stands."""
    open_s = fill.open_before_s + max(0.0, now_s - fill.opened_s)
    holds = fill.holds + 1 if hold else fill.holds
    return changed(
        fill,
        open_before_s=open_s,
        shut_s=now_s,
        shut_l=fill.delivered_l,
        holds=holds,
        low_ended=low,
    )


def duration_s(fill: Fill) -> float:
    """Return how long the fill took, from the first opening to the last close command."""
    return fill.shut_s - fill.begun_s if fill.shut_s > fill.begun_s else 0.0


def overrun_l(fill: Fill) -> float:
    """Return the litres that still came after the last close command."""
    return max(0.0, fill.delivered_l - fill.shut_l)


def open_time_s(phase: Phase, fill: Fill, now_s: float) -> float:
    """Return how long the fill has been open, holds left out."""
    running_s = max(0.0, now_s - fill.opened_s) if phase in WATER_MAY_FLOW else 0.0
    return fill.open_before_s + running_s
