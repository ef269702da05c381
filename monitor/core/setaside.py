"""What people do with alarms: see them, shelve them for a while, take them out of service.

None of it changes an output. Only an alarm that merely warns of something that can wait may be set
aside, so whatever closes the valve, and whatever tells of water where it should not be, cannot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import Any, Final

from monitor.core.alarm import Alarm, AlarmEvent, AlarmState
from monitor.core.alarm import step as alarm_step
from monitor.core.changed import changed
from monitor.core.events import Action, AlarmTurned
from monitor.core.hazards import BY_KEY, RULES, Response, Rule, Severity
from monitor.core.plan import Plan, Station
from monitor.core.units import S_PER_MIN
from monitor.core.view import Picture
from monitor.core.wants import number

Outcome = tuple[Station, tuple[Action, ...], bool, str]
"""The station, what to do, whether it was granted, and the words."""

WHY_MAX: Final = 200  # characters of a reason that are kept
KEY_SHOWN: Final = 32
VERBS: Final = ("ack", "shelve", "unshelve", "remove", "restore")
HANGS_ON: Final = frozenset({"temp-dead"})  # an unattended fill starts only once these are reset


def may_wait(rule: Rule) -> bool:
    """Say whether a rule's alarm may be set aside at all: it does nothing but tell."""
    merely_warns = rule.response is Response.WARN and rule.off == "" and rule.key not in HANGS_ON
    return merely_warns and rule.severity <= Severity.MEDIUM


def set_aside(
    plan: Plan, station: Station, verb: str, args: dict[str, Any], by: str, now_s: float
) -> Outcome:
    """Do one of `VERBS`. Arguments: `key`, a rule's; `minutes` and `why` to shelve, `why` to
    remove. Without a key, `ack` means every alarm.
    """
    key = args.get("key")
    if verb == "ack":
        return _ack(station, key, by, now_s)
    if not isinstance(key, str) or key not in BY_KEY:
        return station, (), False, f"refused: no alarm is named {str(key)[:KEY_SHOWN]!r}"
    rule = RULES[BY_KEY[key]]
    alarm = station.alarms[BY_KEY[key]]
    match verb:
        case "shelve":
            return _shelve(plan, station, rule, args, by, now_s)
        case "remove":
            return _remove(station, rule, args, by, now_s)
        case "unshelve":
            wanted = AlarmState.SHELVED
        case _:
            wanted = AlarmState.OUT_OF_SERVICE
    if alarm.state is not wanted:
        return station, (), False, f"refused: {key} is not {_told(wanted)}"
    return _changed(station, rule, AlarmEvent.BACK_FALSE, now_s, f"{key} is watched again")


def _told(state: AlarmState) -> str:
    return "shelved" if state is AlarmState.SHELVED else "out of service"


def _changed(
    station: Station,
    rule: Rule,
    event: AlarmEvent,
    now_s: float,
    words: str,
    noted: Callable[[Alarm], Alarm] | None = None,
) -> Outcome:
    """Step one alarm; a condition that is true raises it anew in the very same step."""
    index = BY_KEY[rule.key]
    alarm = alarm_step(station.alarms[index], event, now_s, rule.latching)
    if noted is not None:
        alarm = noted(alarm)
    alarms = (*station.alarms[:index], alarm, *station.alarms[index + 1 :])
    turned = AlarmTurned(rule.key, rule.id, rule.severity, alarm)
    return changed(station, alarms=alarms), (turned,), True, words


def _ack(station: Station, key: Any, by: str, now_s: float) -> Outcome:
    """Mark alarms as seen: one by its key, or all of them."""
    alarms = list(station.alarms)
    actions: list[Action] = []
    for index, rule in enumerate(RULES):
        if key is not None and rule.key != key:
            continue
        alarm = alarm_step(alarms[index], AlarmEvent.ACK, now_s, rule.latching, by)
        if alarm is not alarms[index]:
            alarms[index] = alarm
            actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
    text = f"{len(actions)} acknowledged" if actions else "nothing to acknowledge"
    return changed(station, alarms=tuple(alarms)), tuple(actions), True, text


def _why(args: dict[str, Any]) -> str:
    why = args.get("why")
    return why.strip()[:WHY_MAX] if isinstance(why, str) else ""


def _refusal(station: Station, rule: Rule, why: str) -> str | None:
    """Say why an alarm cannot be set aside now, or None when it can."""
    if not may_wait(rule):
        return f"refused: {rule.key} tells of water or harm, and cannot be set aside"
    if not why:
        return "refused: say why"
    if station.alarms[BY_KEY[rule.key]].state is AlarmState.OUT_OF_SERVICE:
        return f"refused: {rule.key} is out of service"
    return None


def _shelve(
    plan: Plan, station: Station, rule: Rule, args: dict[str, Any], by: str, now_s: float
) -> Outcome:
    why, most_s = _why(args), plan.limits.shelve_max_s
    refused = _refusal(station, rule, why)
    if refused is not None:
        return station, (), False, refused
    minutes = number(args.get("minutes"))
    most_min = most_s / S_PER_MIN
    if minutes is None or not 1 <= minutes <= most_min:
        return station, (), False, f"refused: minutes may be 1 to {most_min:g}"
    until_s = now_s + minutes * S_PER_MIN

    def noted(alarm: Alarm) -> Alarm:
        return replace(alarm, until_s=until_s, by=by, why=why)

    words = f"{rule.key} is shelved for {minutes:g} min"
    return _changed(station, rule, AlarmEvent.SHELVE, now_s, words, noted)


def _remove(
    station: Station, rule: Rule, args: dict[str, Any], by: str, now_s: float
) -> Outcome:
    why = _why(args)
    refused = _refusal(station, rule, why)
    if refused is not None:
        return station, (), False, refused

    def noted(alarm: Alarm) -> Alarm:
        return replace(alarm, until_s=inf, by=by, why=why)

    words = f"{rule.key} is out of service until somebody restores it"
    return _changed(station, rule, AlarmEvent.REMOVE, now_s, words, noted)


def next_alarm(alarm: Alarm, rule: Rule, active: bool, expected: bool, picture: Picture) -> Alarm:
    """Return one alarm after a step: `active` is its debounced condition, `expected` says that it
    belongs to the situation and tells nobody anything.
    """
    latching, now_s = rule.latching, picture.now_s
    aside = alarm.state
    if expected:
        return alarm_step(alarm, AlarmEvent.SUPPRESS, now_s, latching)
    over = aside is AlarmState.SHELVED and now_s >= alarm.until_s
    if over or aside is AlarmState.SUPPRESSED:
        back = AlarmEvent.BACK_TRUE if active else AlarmEvent.BACK_FALSE
        return alarm_step(alarm, back, now_s, latching)
    if active:
        return alarm_step(alarm, AlarmEvent.RAISE, now_s, latching)
    if rule.cleared(picture):
        return alarm_step(alarm, AlarmEvent.CLEAR, now_s, latching)
    return alarm
