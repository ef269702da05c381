"""One fill's account: litres, open time, and the limits it may not pass."""

from __future__ import annotations

from dataclasses import replace

from monitor.core import forecast
from monitor.core.forecast import Forecast
from monitor.core.phases import Phase
from monitor.core.plan import Fill, Plan, Station
from monitor.core.units import S_PER_MIN

RECTANGULAR = 3**0.5  # half width of an even spread per standard deviation (GUM, type B)
NEED_SHARE_SD = 0.02  # how well a person knows the litres up to the mark: common practice


def begin(
    plan: Plan, fill_id: str, by: str, need_l: float, to_mark: bool, now_s: float
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
    )


def opened(plan: Plan, station: Station, fill: Fill, now_s: float, resumed: bool) -> Fill:
    """Return the fill at an opening of the valve. The purge allowance begins anew."""
    if resumed:
        return replace(fill, opened_s=now_s, purge_from_l=fill.delivered_l)
    count = _count(plan, station)
    tracked = forecast.start(
        now_s,
        count,
        plan.pulses_per_litre,
        meter_share_sd=plan.flow_uncertainty / RECTANGULAR,
    )
    return replace(
        fill,
        opened_s=now_s,
        begun_s=now_s,
        boot=station.senses.boot,
        count_from=count,
        forecast=tracked,
    )


def _count(plan: Plan, station: Station) -> int:
    track = station.senses.tracks.get(plan.flow_in)
    return track.count if track is not None else 0


def filled(plan: Plan, station: Station, fill: Fill, now_s: float) -> Fill:
    """Return the fill after a new pack: litres counted, forecast brought up to date.

    A pack of another boot counts for nothing: its pulses start from nought.
    """
    if fill.begun_s > now_s or station.senses.boot != fill.boot or not fill.boot:
        return fill
    count = _count(plan, station)
    delivered_l = max(fill.delivered_l, (count - fill.count_from) / plan.pulses_per_litre)
    after = replace(fill, delivered_l=delivered_l)
    if fill.forecast is None:
        return after
    if station.phase is not Phase.FILLING:
        rested = forecast.rest(fill.forecast, station.senses.heard_s, count)
        return replace(after, forecast=rested)
    tracked = forecast.update(fill.forecast, station.senses.heard_s, count)
    return _limited(plan, replace(after, forecast=tracked), now_s)


def _limited(plan: Plan, fill: Fill, now_s: float) -> Fill:
    """Fix the expected time once the flow is known. It may tighten the limit, never loosen it."""
    limits = plan.limits
    open_s = open_time_s(Phase.FILLING, fill, now_s)
    if fill.time_fixed or open_s < limits.learn_s:
        return fill
    ahead = expected(fill, now_s)
    if ahead is None:
        return fill
    allowed_s = open_s + ahead.high_s * (1.0 + limits.time_margin) + limits.time_margin_s
    return replace(
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
    return forecast.predict(
        fill.forecast,
        now_s,
        fill.need_l,
        need_sd_l=fill.need_l * NEED_SHARE_SD if fill.to_mark else 0.0,
        by_meter=not fill.to_mark,
    )


def shut_again(fill: Fill, now_s: float, hold: bool) -> Fill:
    """Return the fill when the valve is told to shut."""
    open_s = fill.open_before_s + max(0.0, now_s - fill.opened_s)
    holds = fill.holds + 1 if hold else fill.holds
    return replace(fill, open_before_s=open_s, shut_s=now_s, holds=holds)


def duration_s(fill: Fill) -> float:
    """Return how long the fill took, from the first opening to the last close command."""
    return max(0.0, fill.shut_s - fill.begun_s) if fill.shut_s >= fill.begun_s else 0.0


def open_time_s(phase: Phase, fill: Fill, now_s: float) -> float:
    """Return how long the fill has been open, holds left out."""
    running_s = max(0.0, now_s - fill.opened_s) if phase is Phase.FILLING else 0.0
    return fill.open_before_s + running_s
