"""What a person may ask of a station, and the answer.

Stopping is always granted. A fill needs litres that fit, a drain that it stays above the low mark;
a reset needs that nothing is wrong any more. What people do with alarms stands in `setaside`.
"""

from __future__ import annotations

from math import inf
from typing import Any, Final

from monitor.core import setaside
from monitor.core.alarm import STANDING, AlarmEvent
from monitor.core.alarm import step as alarm_step
from monitor.core.changed import changed
from monitor.core.events import Action, AlarmTurned, Answer, Asked, Noted, SwitchPlug
from monitor.core.exchange import PlugOrder, Reply, Way
from monitor.core.fills import begin
from monitor.core.hazards import RULES, Response
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import TABLE, UNDER_WAY, Phase, Turn
from monitor.core.plan import Fill, Plan, Station
from monitor.core.view import Picture
from monitor.core.wants import to_drain, to_fill

Outcome = tuple[Station, Turn | None, tuple[Action, ...]]

VERBS: Final = (
    "fill", "drain", "change", "stop", "reset", *setaside.VERBS, "pump", "heater", "note",
    "status",
)  # fmt: skip
NOTES: Final = ("proof", "cartridge", "people")
VERB_SHOWN: Final = 32  # characters of an unknown request that are told back


def ask(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    """Fold a person's request into the state, with the turn it leads to and the answer."""
    verb = given.request.verb
    match verb:
        case "fill":
            return _fill(plan, station, given, picture)
        case "drain" | "change":
            return _drain(plan, station, given, picture)
        case "stop":
            return _stop(plan, station, given)
        case "reset":
            return _reset(plan, station, given, picture)
        case "pump":
            text = "noted: the return pump runs"
            return changed(station, pump_since_s=inf), None, (_answer(plan, given, True, text),)
        case "heater":
            return _heater(plan, station, given)
        case "note":
            return _note(plan, station, given)
        case "status":
            return station, None, (_answer(plan, given, True, "here it is"),)
        case _ if verb in setaside.VERBS:
            request, now_s = given.request, picture.now_s
            after, actions, ok, text = setaside.set_aside(
                plan, station, verb, request.args, request.by, now_s
            )
            return after, None, (_answer(plan, given, ok, text), *actions)
        case _:
            text = f"unknown request {verb[:VERB_SHOWN]!r}: one of {', '.join(VERBS)}"
            return station, None, (_answer(plan, given, False, text),)


def _answer(plan: Plan, given: Asked, ok: bool, text: str, **data: Any) -> Answer:
    return Answer(Reply(plan.station, given.request.id, ok, text, data))


def _busy(station: Station) -> str:
    """Say why nothing new can begin now; empty when it can."""
    if TABLE[station.phase, Turn.ASKED] is not station.phase:
        return ""
    why = f"the station is {station.phase.value}"
    if station.phase is Phase.STOPPED:
        why += f" ({station.cause}): reset it first"
    return why


def _refused(plan: Plan, station: Station, given: Asked, why: str) -> Outcome:
    return station, None, (_answer(plan, given, False, f"refused: {why}"),)


def _fill(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    args = given.request.args
    need = _busy(station) or to_fill(plan, station, picture, args)
    if isinstance(need, str):
        return _refused(plan, station, given, need)
    litres, to_mark = need
    fill = begin(plan, given.fill_id, given.request.by, litres, to_mark, picture.now_s)
    before = station.fill
    cool_s = before.shut_s + plan.limits.pipe_rest_s if before is not None else -inf
    rested = picture.now_s >= cool_s
    fill = changed(fill, attended=args.get("attended") is True, rested=rested)
    text = f"checking, then {litres:.0f} L " + ("up to the mark" if to_mark else "by the meter")
    if fill.attended:
        text += "; attended: stay beside the tank"
    data = {"fill": fill.id, "need_l": round(litres, 1), "attended": fill.attended}
    return changed(station, fill=fill), Turn.ASKED, (_answer(plan, given, True, text, **data),)


def _drain(plan: Plan, station: Station, given: Asked, picture: Picture) -> Outcome:
    need = _busy(station) or to_drain(plan, picture, given.request.args)
    if isinstance(need, str):
        return _refused(plan, station, given, need)
    fill = begin(
        plan, given.fill_id, given.request.by, need, False, picture.now_s, Way.OUT
    )
    ours = plan.heater not in ("", "other")
    fill = changed(
        fill,
        # Whoever holds the hose stays beside the tank.
        attended=plan.drain == "hose" or given.request.args.get("attended") is True,
        refill=given.request.verb == "change",
        heater_was_on=ours and not station.heater_off,
    )
    text = f"checking, then {need:.0f} L out"
    if plan.drain == "hose":
        text += ", by your hose: brimwatch watches and tells, the hose is in your hands"
    data = {"fill": fill.id, "need_l": round(need, 1)}
    actions: tuple[Action, ...] = (_answer(plan, given, True, text, **data),)
    if ours:
        actions = (*actions, SwitchPlug(PlugOrder(plan.station, plan.heater, False)))
    return changed(station, fill=fill), Turn.ASKED, actions


def _stop(plan: Plan, station: Station, given: Asked) -> Outcome:
    running = station.phase in UNDER_WAY or station.phase is Phase.CHECKING
    text = "valve told to shut" if running else f"no fill is under way ({station.phase.value})"
    return station, Turn.STOP, (_answer(plan, given, True, text),)


def _heater(plan: Plan, station: Station, given: Asked) -> Outcome:
    """Take a person's word for the heater, where no plug tells it."""
    state = given.request.args.get("state")
    if plan.heater != "other" or state not in ("on", "off"):
        why = (
            "say on or off" if plan.heater == "other"
            else "the heater's plug tells it" if plan.heater
            else "the config has no heater"
        )  # fmt: skip
        return _refused(plan, station, given, why)
    text = f"noted: the heater is {state}"
    after = changed(station, heater_off=state == "off")
    return after, None, (_answer(plan, given, True, text),)


def _note(plan: Plan, station: Station, given: Asked) -> Outcome:
    """Keep what a person has proven or done. A proof names its part."""
    args = given.request.args
    what, part = args.get("what"), args.get("part")
    if what not in NOTES:
        return _refused(plan, station, given, f"note one of {', '.join(NOTES)}")
    if what == "proof" and part not in plan.proven:
        return _refused(plan, station, given, f"proofs are of {', '.join(plan.proven)}")
    about = str(part) if what == "proof" else ""
    noted = Noted(str(what), about, given.request.by)
    text = f"noted: {what} {about}".rstrip()
    return station, None, (_answer(plan, given, True, text), noted)


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
        ended = (AlarmEvent.CLEAR,) if rule.cleared(picture) else ()
        for event in (AlarmEvent.ACK, *ended, AlarmEvent.RESET):
            alarm = alarm_step(alarm, event, picture.now_s, rule.latching, given.request.by)
        if alarm is not alarms[index]:
            alarms[index] = alarm
            actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
    after = changed(station, alarms=tuple(alarms), guard_cause="")
    # A drain is over with that: water that it left too low is for the refill to mend.
    fill = station.fill
    if fill is not None and fill.way is Way.OUT and fill.ended:
        fill = None
    after = changed(after, fill=fill, overslept=False, interrupted=False)
    return after, Turn.RESET, (_answer(plan, given, True, "reset"), *actions)


def refusal(fill: Fill | None, failing_keys: tuple[str, ...]) -> str:
    """Say which checks kept a fill from starting, each with its remedy."""
    rows = [row for row in PERMISSIVES if row.key in failing_keys]
    told = "; ".join(f"{row.reason} ({row.remedy})" for row in rows)
    asked = f" for {fill.need_l:.0f} L" if fill is not None else ""
    text = f"the pre-fill checks{asked} did not pass: {told}"
    if rows and all(row.unattended_only for row in rows):
        text += "; or stay beside the tank and do it attended"
    return text
