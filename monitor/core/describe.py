"""A station in words and numbers, for people and programs: one plain sentence, and the figures."""

from __future__ import annotations

from dataclasses import fields
from math import inf, isfinite
from typing import Any

from monitor.core import quality
from monitor.core.alarm import ASIDE, lately
from monitor.core.exchange import Way
from monitor.core.fills import duration_s, expected
from monitor.core.forecast import FAR_S
from monitor.core.hazards import RULES, Response
from monitor.core.messages import TEXTS
from monitor.core.phases import Phase
from monitor.core.picture import draw
from monitor.core.plan import Fill, Plan, Station
from monitor.core.reading import Kind
from monitor.core.station import standing
from monitor.core.units import S_PER_MIN
from monitor.core.view import Picture

PERSON = "person"
DECIMALS = 3
SECONDS_BELOW_MIN = 2  # below two minutes, seconds are what one thinks in
HALF = 0.5


def _rounded(value: float) -> float | None:
    return round(value, DECIMALS) if isfinite(value) else None


def span(seconds: float) -> str:
    """Return seconds as a person says them: '40 s', '12 min', '2 h 05 min'."""
    if not isfinite(seconds) or seconds >= FAR_S:
        return "a long time"
    whole = max(0, round(seconds))
    minutes = round(whole / S_PER_MIN)
    if minutes < SECONDS_BELOW_MIN:
        return f"{whole} s"
    hours, rest = divmod(minutes, round(S_PER_MIN))
    return f"{hours} h {rest:02d} min" if hours else f"{minutes} min"


def sentence(plan: Plan, station: Station, now_s: float) -> str:
    """Return what is happening and until when, in one plain sentence or two."""
    fill = station.fill
    match station.phase:
        case Phase.IDLE:
            return "No fill. The valve is shut."
        case Phase.CHECKING:
            what = "a drain" if fill is not None and fill.way is Way.OUT else "a fill"
            return f"Checking that {what} can start. The valve is shut."
        case Phase.FILLING:
            return _filling(plan, station, now_s)
        case Phase.DRAINING:
            return _draining(plan, fill)
        case Phase.HOLDING:
            message = TEXTS[station.cause_key].message if station.cause_key in TEXTS else "On hold."
            return f"{message} The valve is shut."
        case Phase.CLOSING:
            return "The water is where it should be. The valve is shutting."
        case Phase.SETTLING:
            return "The valve is shut. Watching that the water stands still."
        case Phase.DONE:
            return _done(plan, fill)
    return stopped(station)


def _draining(plan: Plan, fill: Fill | None) -> str:
    if fill is None:
        return "Draining."
    known = plan.level != ""
    gone = f"{fill.delivered_l:.0f} of {fill.need_l:.0f} litres out" if known else (
        f"{fill.need_l:.0f} litres are to go out")  # fmt: skip
    hose = " Stay with the hose: it is in your hands." if plan.drain == "hose" else ""
    return f"Draining. {gone}.{hose}"


def _done(plan: Plan, fill: Fill | None) -> str:
    if fill is not None and fill.way is Way.OUT:
        then = " Start the fill when you are done with the tank." if fill.refill else ""
        return f"Drained: about {fill.delivered_l:.0f} L are out.{then}"
    litres = f"{fill.delivered_l:.0f} L" if fill is not None else "the water"
    pump = " Switch the return pump on again." if plan.return_pump else ""
    heater = " Switch the heater on again." if plan.heater == "other" else ""
    return f"Done: {litres} went in. The valve is shut.{pump}{heater}"


def stopped(station: Station) -> str:
    """Return why a station is stopped and what is to be done."""
    if station.cause_key == PERSON:
        return "Stopped by a person. The valve is shut. Reset to fill again."
    text = TEXTS.get(station.cause_key)
    if text is None:
        return "Stopped. The valve is shut. Reset to fill again."
    return f"{text.message} {text.todo}"


def _filling(plan: Plan, station: Station, now_s: float) -> str:
    fill = station.fill
    if fill is None or (ahead := expected(fill, now_s)) is None:
        return "Filling."
    half_s = (ahead.high_s - ahead.low_s) * HALF
    until = f"full in {span(ahead.remaining_s)}, give or take {span(half_s)}"
    if now_s - fill.opened_s < plan.limits.learn_s * HALF:
        until = "measuring the flow"
    picture = draw(plan, station, now_s)
    warm = f"; water coming in at {picture.temp_c:.1f} °C" if picture.temp_fresh else ""
    return f"Filling. {fill.delivered_l:.0f} of {fill.need_l:.0f} litres in; {until}{warm}."


def describe(plan: Plan, station: Station, now_s: float) -> dict[str, Any]:
    """Return the whole status as plain JSON values."""
    picture = draw(plan, station, now_s)
    data: dict[str, Any] = {
        "phase": station.phase.value,
        "sentence": sentence(plan, station, now_s),
        "cause": station.cause or None,
        "cause_key": station.cause_key or None,
        "supply": plan.supply,
        "valve_open": picture.valve_open,
        "link_up": station.link_up,
        "node_silent_s": _rounded(picture.silent_s),
        "flow_lpm": _rounded(picture.flow_lpm) if picture.flow_fresh else None,
        "temp_in_c": _rounded(picture.temp_c) if picture.temp_fresh else None,
        "float_high": picture.float_high if picture.float_fresh else None,
        "leak_wet": picture.leak_wet if picture.leak_fresh else None,
        "fill": _fill_data(station, now_s),
        "pump_confirmed": station.pump_since_s == inf,
        **_options(plan, picture, station),
        "alarms": alarms(station),
        "set_aside": _set_aside(station, now_s),
        "alarm_flood": {"on": station.flooded, "in_10_min": len(lately(station.raised_s, now_s))},
        "sensors": _sensors(plan, station, now_s),
    }
    return data


def _options(plan: Plan, picture: Picture, station: Station) -> dict[str, Any]:
    """Return what only stations with the fitted part have."""
    data: dict[str, Any] = {}
    if plan.level:
        data["level_m"] = _rounded(picture.level_m) if picture.level_fresh else None
        data["water_l"] = _rounded(picture.water_l)
        data["balance"] = picture.balance.value
    if plan.temp_tank:
        data["tank_c"] = _rounded(picture.tank_c) if picture.tank_fresh else None
    if isfinite(picture.tank_ahead_c):
        data["tank_ahead_c"] = _rounded(picture.tank_ahead_c)
    if plan.heater:
        data["heater_on"] = picture.heater_on
    if plan.drain:
        data["drained_l"] = _rounded(station.drained_l)
    if plan.has_filter:
        data["cartridge_share"] = _rounded(picture.cartridge_share)
    return data


def _set_aside(station: Station, now_s: float) -> list[dict[str, Any]]:
    """Return the alarms that are shelved, suppressed or out of service."""
    return [
        {
            "key": rule.key,
            "state": alarm.state.value,
            "for_s": _rounded(alarm.until_s - now_s),
            "by": alarm.by or None,
            "why": alarm.why or None,
        }
        for rule, alarm in zip(RULES, station.alarms, strict=True)
        if alarm.state in ASIDE
    ]


def _elapsed_s(fill: Fill, now_s: float) -> float:
    """Return seconds since the valve first opened; they stand still once the fill has ended."""
    if fill.begun_s == -inf:
        return 0.0
    return duration_s(fill) if fill.ended else now_s - fill.begun_s


def _fill_data(station: Station, now_s: float) -> dict[str, Any] | None:
    fill = station.fill
    if fill is None:
        return None
    data: dict[str, Any] = {
        "id": fill.id,
        "by": fill.by,
        "need_l": _rounded(fill.need_l),
        "delivered_l": _rounded(fill.delivered_l),
        "to": "mark" if fill.to_mark else "litres",
        "way": fill.way.value,
        "attended": fill.attended,
        "elapsed_s": _rounded(_elapsed_s(fill, now_s)),
        "volume_limit_l": _rounded(fill.volume_limit_l),
        "time_limit_s": _rounded(fill.time_limit_s),
        "holds": fill.holds,
        "ended": fill.ended or None,
    }
    going_on = station.phase in (Phase.FILLING, Phase.HOLDING)
    if going_on and (ahead := expected(fill, now_s)) is not None:
        numbers = {f.name: getattr(ahead, f.name) for f in fields(ahead) if f.name != "by"}
        data["forecast"] = {name: _rounded(value) for name, value in numbers.items()}
        data["forecast"]["by"] = ahead.by
    return data


def alarms(station: Station) -> list[dict[str, Any]]:
    """Return the alarms people should see, the first cause on top."""
    return [
        {
            "key": rule.key,
            "id": rule.id,
            "severity": rule.severity.name.lower(),
            "state": alarm.state.value,
            "since_s": _rounded(alarm.raised_s),
            "acked_by": alarm.acked_by or None,
            "closes": rule.response is Response.CLOSE,
            "message": TEXTS[rule.key].message,
            "cause": TEXTS[rule.key].cause,
            "todo": TEXTS[rule.key].todo,
        }
        for rule, alarm in standing(station)
    ]


def _sensors(plan: Plan, station: Station, now_s: float) -> dict[str, Any]:
    senses = station.senses
    kinds = {
        **dict.fromkeys(plan.floats, Kind.FLOAT),
        **dict.fromkeys(plan.overs, Kind.FLOAT),
        **dict.fromkeys(plan.leaks, Kind.LEAK),
        **dict.fromkeys((*plan.lows, *plan.sump_highs, *plan.sump_lows, *plan.stores), Kind.FLOAT),
        plan.temp_in: Kind.TEMPERATURE,
        plan.temp_tank: Kind.TEMPERATURE,
        plan.flow_in: Kind.FLOW,
        plan.level: Kind.LEVEL,
    }
    rows: dict[str, Any] = {}
    for sensor, kind in kinds.items():
        if not sensor:
            continue
        track = senses.tracks.get(sensor)
        fresh = quality.fresh(senses, sensor, now_s, plan.limits)
        rows[sensor] = {
            "kind": kind.value,
            "value": _rounded(track.value) if track is not None and fresh else None,
            "age_s": _rounded(quality.age_s(senses, sensor, now_s)),
            "fault": track.fault.value if track is not None and track.fault is not None else None,
        }
    return rows
