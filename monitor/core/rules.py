"""Try every rule that is armed: which is the strongest now, and what becomes of the alarms."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

from monitor.core.alarm import FLOOD_WINDOW_S, Alarm, AlarmState, flooded, lately
from monitor.core.changed import changed
from monitor.core.debounce import Contact
from monitor.core.events import Action, AlarmTurned, SwitchPlug
from monitor.core.exchange import PlugOrder
from monitor.core.hazards import BY_KEY, RULES, Rule
from monitor.core.plan import ALL_NORMAL, Armed, Plan, Station
from monitor.core.setaside import next_alarm
from monitor.core.view import Picture

FLOOD = BY_KEY["alarm-flood"]  # does not count itself


@dataclass(slots=True)
class _Round:
    """What is gathered on the way through the table."""

    contacts: dict[int, Contact] = field(default_factory=dict)
    turned: dict[int, Alarm] = field(default_factory=dict)
    worst: Rule | None = None
    due_s: float = inf


def judge(
    plan: Plan, station: Station, picture: Picture
) -> tuple[Station, Rule | None, tuple[Action, ...], float]:
    """Return the station with its alarms, the strongest rule that is true, what to do about the
    alarms, and when a debounce must be looked at again.
    """
    found = _Round()
    quiet = station.alarms is ALL_NORMAL
    old = station.contacts
    for row in plan.armed.get(picture.phase, ()):
        # Almost always nothing is true, nothing was, and no alarm stands: so much for that row.
        active = row[1].raised(picture)
        if active or row[0] in old or not quiet:
            _try(row, active, station, picture, found)
    if not quiet:
        _dormant(station, picture, found)
    if not found.turned and not station.raised_s:
        same = not found.contacts and not old
        after = station if same else changed(station, contacts=found.contacts)
        return after, found.worst, (), found.due_s
    after, actions = _alarmed(plan, station, found, picture.now_s)
    return after, found.worst, actions, min(found.due_s, _flood_due_s(after))


def _try(row: Armed, active: bool, station: Station, picture: Picture, found: _Round) -> None:
    """Judge one rule whose condition is true or was: its debounce, its alarm."""
    index, rule, debounce = row
    if debounce is not None:
        before = station.contacts.get(index) or debounce.start(False, picture.now_s)
        contact = debounce.step(before, active, picture.now_s)
        active = contact.active
        if contact.raw or contact.first_s is not None:
            found.contacts[index] = contact
            due_s = debounce.deadline(contact)
            found.due_s = min(found.due_s, due_s) if due_s is not None else found.due_s
    if active and (found.worst is None or _strength(rule) > _strength(found.worst)):
        found.worst = rule
    alarm = station.alarms[index]
    if active or alarm.state is not AlarmState.NORMAL:
        expected = picture.phase in rule.expected
        _note(found, index, alarm, next_alarm(alarm, rule, active, expected, picture))


def _strength(rule: Rule) -> tuple[int, int]:
    return rule.response, rule.severity


def _note(found: _Round, index: int, before: Alarm, after: Alarm) -> None:
    if after is not before:
        found.turned[index] = after


def _dormant(station: Station, picture: Picture, found: _Round) -> None:
    """An alarm whose rule is not armed now may still clear, or come off its shelf."""
    for index, alarm in enumerate(station.alarms):
        if alarm.state is not AlarmState.NORMAL and picture.phase not in RULES[index].armed:
            _note(found, index, alarm, next_alarm(alarm, RULES[index], False, False, picture))


def _alarmed(
    plan: Plan, station: Station, found: _Round, now_s: float
) -> tuple[Station, tuple[Action, ...]]:
    """Return the station with what has changed of its alarms, and count the raisings."""
    alarms = list(station.alarms)
    actions: list[Action] = []
    raised = station.raised_s
    for index in sorted(found.turned):
        alarm, rule = found.turned[index], RULES[index]
        alarms[index] = alarm
        actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
        if alarm.state is not AlarmState.UNACKED:
            continue
        raised = raised if index == FLOOD else (*raised, now_s)
        plug = getattr(plan, rule.off) if rule.off else ""
        if plug not in ("", "other"):
            actions.append(SwitchPlug(PlugOrder(plan.station, plug, False)))
    raised = lately(raised, now_s)
    after = changed(
        station,
        contacts=found.contacts,
        alarms=settled(tuple(alarms)),
        raised_s=raised,
        flooded=flooded(station.flooded, len(raised)),
    )
    return after, tuple(actions)


def settled(alarms: tuple[Alarm, ...]) -> tuple[Alarm, ...]:
    """Return the alarms, as `ALL_NORMAL` itself once all are: then nobody need look at them."""
    normal = all(alarm.state is AlarmState.NORMAL for alarm in alarms)
    return ALL_NORMAL if normal else alarms


def _flood_due_s(station: Station) -> float:
    """Return when the oldest raising falls out of the flood's window."""
    return station.raised_s[0] + FLOOD_WINDOW_S if station.flooded else inf
