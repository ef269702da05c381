"""What a person may ask of a station, and the answer.

Stopping is always granted. A fill needs litres that fit; a reset needs that nothing is wrong any
more. Acknowledging changes nothing but who has seen the alarm.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, isnan
from typing import Any

from monitor.core.alarm import STANDING, AlarmEvent
from monitor.core.alarm import step as alarm_step
from monitor.core.events import Action, AlarmTurned, Answer, Asked
from monitor.core.exchange import Reply
from monitor.core.fills import begin
from monitor.core.forecast import LITRES_MAX
from monitor.core.hazards import RULES, Picture, Response
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import TABLE, UNDER_WAY, Phase, Turn
from monitor.core.plan import Fill, Plan, Station

Outcome = tuple[Station, Turn | None, tuple[Action, ...]]

VERB_SHOWN = 32  # characters of an unknown request that are told back
LEAST_FILL_L = 1.0  # less than this a pulse meter cannot watch over


def ask(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    """Fold a person's request into the state, with the turn it leads to and the answer."""
    verb = given.request.verb
    match verb:
        case "fill":
            return _fill(plan, station, given, picture)
        case "stop":
            return _stop(plan, station, given)
        case "reset":
            return _reset(plan, station, given, picture)
        case "ack":
            return _ack(plan, station, given, picture)
        case "pump":
            text = "noted: the return pump runs"
            return replace(station, pump_since_s=inf), None, (_answer(plan, given, True, text),)
        case "status":
            return station, None, (_answer(plan, given, True, "here it is"),)
        case _:
            known = "one of fill, stop, reset, ack, pump, status"
            text = f"unknown request {verb[:VERB_SHOWN]!r}: {known}"
            return station, None, (_answer(plan, given, False, text),)


def _answer(plan: Plan, given: Asked, ok: bool, text: str, **data: Any) -> Answer:
    return Answer(Reply(plan.station, given.request.id, ok, text, data))


def _number(value: Any) -> float | None:
    """Return a number as a float, held where any need lies: a long integer cannot become one."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if isinstance(value, float) and isnan(value):
        return None
    return float(min(max(value, -LITRES_MAX), LITRES_MAX))


def wanted(plan: Plan, args: dict[str, Any]) -> tuple[float, bool] | str:
    """Return the litres a fill needs and whether it ends at the mark, or why it cannot be done.

    Arguments: `litres` to let in, or `level_m`, the water's height now, to be filled up to the
    mark; `to`, "mark" (the float ends it, the default) or "litres" (the meter ends it).
    """
    room_l = plan.vessel.litres_to_mark(0.0)
    to_mark = args.get("to", "mark") != "litres"
    level_m = _number(args.get("level_m"))
    litres = _number(args.get("litres"))
    if litres is None and level_m is not None:
        if level_m < 0.0:
            return f"W18: a water height of {level_m:g} m cannot be"
        litres = plan.vessel.litres_to_mark(level_m)
    if litres is None:
        return "give the litres to let in, or the water's height now as level_m"
    if not litres >= LEAST_FILL_L:
        return f"W18: {litres:g} L is too little: at least {LEAST_FILL_L:g} L"
    if litres > room_l:
        return (
            f"W18: {litres:g} L is more than the vessel can take: {room_l:.0f} L from empty to "
            f"the mark"
        )
    return litres, to_mark


def _fill(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    if TABLE[station.phase, Turn.ASKED] is station.phase:
        why = f"the station is {station.phase.value}"
        if station.phase is Phase.STOPPED:
            why += f" ({station.cause}): reset it first"
        return station, None, (_answer(plan, given, False, f"refused: {why}"),)
    need = wanted(plan, given.request.args)
    if isinstance(need, str):
        return station, None, (_answer(plan, given, False, f"refused: {need}"),)
    litres, to_mark = need
    fill = begin(plan, given.fill_id, given.request.by, litres, to_mark, picture.now_s)
    text = f"checking, then {litres:.0f} L " + ("up to the mark" if to_mark else "by the meter")
    data = {"fill": fill.id, "need_l": round(litres, 1)}
    return replace(station, fill=fill), Turn.ASKED, (_answer(plan, given, True, text, **data),)


def _stop(plan: Plan, station: Station, given: Asked) -> Outcome:
    running = station.phase in UNDER_WAY or station.phase is Phase.CHECKING
    text = "valve told to shut" if running else f"no fill is under way ({station.phase.value})"
    return station, Turn.STOP, (_answer(plan, given, True, text),)


def _reset(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    """Let go of every latch, if nothing is wrong any more."""
    if station.phase in UNDER_WAY:
        text = f"refused: a fill is under way ({station.phase.value})"
        return station, None, (_answer(plan, given, False, text),)
    wrong = [
        rule.key
        for rule, alarm in zip(RULES, station.alarms, strict=True)
        if rule.response is Response.CLOSE
        and alarm.state in STANDING
        and not rule.cleared(picture)
    ]
    if picture.valve_open:
        wrong.append("valve-open")
    if wrong:
        text = "refused, still true: " + " ".join(TEXTS[key].message for key in wrong)
        return station, None, (_answer(plan, given, False, text, keys=wrong),)
    alarms = list(station.alarms)
    actions: list[Action] = []
    for index, rule in enumerate(RULES):
        alarm = alarms[index]
        # What only the reset itself ends (an interruption) has to have ended before its latch goes.
        over = alarm.state in STANDING and rule.cleared(picture)
        ended = (AlarmEvent.CLEAR,) if over else ()
        for event in (AlarmEvent.ACK, *ended, AlarmEvent.RESET):
            alarm = alarm_step(alarm, event, picture.now_s, rule.latching, given.request.by)
        if alarm is not alarms[index]:
            alarms[index] = alarm
            actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
    after = replace(station, alarms=tuple(alarms), guard_cause="")
    after = replace(after, overslept=False, interrupted=False)
    return after, Turn.RESET, (_answer(plan, given, True, "reset"), *actions)


def _ack(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    """Mark alarms as seen: one by its key, or all of them."""
    key = given.request.args.get("key")
    alarms = list(station.alarms)
    actions: list[Action] = []
    for index, rule in enumerate(RULES):
        if key is not None and rule.key != key:
            continue
        alarm = alarm_step(
            alarms[index], AlarmEvent.ACK, picture.now_s, rule.latching, given.request.by
        )
        if alarm is not alarms[index]:
            alarms[index] = alarm
            actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
    text = f"{len(actions)} acknowledged" if actions else "nothing to acknowledge"
    after = replace(station, alarms=tuple(alarms))
    return after, None, (_answer(plan, given, True, text), *actions)


def refusal(fill: Fill | None, failing_keys: tuple[str, ...]) -> str:
    """Say which checks kept a fill from starting, each with its remedy."""
    rows = [row for row in PERMISSIVES if row.key in failing_keys]
    told = "; ".join(f"{row.reason} ({row.remedy})" for row in rows)
    asked = f" for {fill.need_l:.0f} L" if fill is not None else ""
    return f"the pre-fill checks{asked} did not pass: {told}"
