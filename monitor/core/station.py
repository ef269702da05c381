"""One station's step: what has happened, at what time, to which state, and what is to be done.

The step is total and pure. Its order never changes: take the input in, draw the picture, try every
rule, let the strongest response turn the phase, then let the phase's own business turn it, and at
the very end, and only in the phase *filling*, on a fresh reading with nothing wrong, issue a
permit. Nothing else issues one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, isfinite

from monitor.core import quality
from monitor.core.alarm import ANNUNCIATED, STANDING, Alarm, AlarmEvent
from monitor.core.alarm import step as alarm_step
from monitor.core.asks import ask, refusal
from monitor.core.debounce import Contact
from monitor.core.events import (
    Action,
    AlarmTurned,
    AskEcho,
    Asked,
    Echo,
    FillBegun,
    FillEnded,
    FillRefused,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    SendPermit,
    SendWithdraw,
    Tick,
    Turned,
)
from monitor.core.exchange import Permit, Withdraw
from monitor.core.fills import filled, opened, shut_again
from monitor.core.hazards import RULES, Picture, Response, Rule
from monitor.core.permissives import failing
from monitor.core.phases import TABLE, UNDER_WAY, WATER_MAY_FLOW, Phase, Turn
from monitor.core.picture import draw
from monitor.core.plan import Plan, Station

QUIET_CONTACT = Contact(active=False, raw=False, since_s=0.0, first_s=None, at_s=-inf)
SHUTTING = frozenset({Phase.HOLDING, Phase.CLOSING, Phase.STOPPED})
ACTIVE_CONTACT = Contact(active=True, raw=True, since_s=0.0, first_s=None, at_s=-inf)


@dataclass(frozen=True, slots=True)
class Result:
    """What a step leaves behind: the next state, what to do, and when to come back."""

    station: Station
    actions: tuple[Action, ...]
    due_s: float


def step(plan: Plan, station: Station, given: Given, now_s: float) -> Result:
    """Advance a station. Total: never raises, whatever the input; time never runs back here."""
    now_s = now_s if isfinite(now_s) and now_s >= station.now_s else station.now_s
    late = now_s - station.due_s > plan.limits.suspect_s and station.phase in UNDER_WAY
    before = replace(station, now_s=now_s, overslept=station.overslept or late)
    taken, turn, actions = _take(plan, before, given, now_s)
    picture = draw(plan, taken, now_s)
    ruled, verdict, alarm_actions = _rule(plan, taken, picture)
    actions = (*actions, *alarm_actions)
    turned, more = _turn(plan, ruled, picture, verdict, turn)
    actions = (*actions, *more)
    if isinstance(given, Heard) and turned.phase is Phase.FILLING:
        turned, permit = _permit(plan, turned, given, now_s)
        actions = (*actions, *permit)
    turned, account = _account(plan, turned, now_s)
    turned, echo = _suspect(plan, turned, picture)
    due_s = _due(plan, turned, now_s)
    return Result(replace(turned, due_s=due_s), (*actions, *account, *echo), due_s)


def _take(
    plan: Plan, station: Station, given: Given, now_s: float
) -> tuple[Station, Turn | None, tuple[Action, ...]]:
    """Fold the input into the state, without judging it."""
    match given:
        case Heard():
            return _hear(plan, station, given, now_s), None, ()
        case Guarded():
            return _guarded(station, given), None, ()
        case Here():
            if given.presence.role != "node":
                return station, None, ()
            return replace(station, node_gone=not given.presence.online), None, ()
        case Linked():
            return replace(station, link_up=given.up), None, ()
        case Echo():
            return replace(station, echo_seen_s=now_s), None, ()
        case Asked():
            return ask(plan, station, given, draw(plan, station, now_s))
        case Tick():
            return station, None, ()


def _hear(plan: Plan, station: Station, given: Heard, now_s: float) -> Station:
    senses, new = quality.accept(station.senses, given.pack, now_s, plan.limits)
    if not new:
        return replace(station, senses=senses)
    after = replace(station, senses=senses, node_gone=False)
    if after.fill is not None:
        after = replace(after, fill=filled(plan, after, after.fill, now_s))
    return after


def _guarded(station: Station, given: Guarded) -> Station:
    """Take the guard's own word for why it shut, if it is about the fill that runs now."""
    report = given.report
    ours = station.fill is not None and report.fill == station.fill.id
    if not ours or not report.cause or report.cause == "mark":
        return station
    return replace(station, guard_cause=report.cause)


def _contact(plan: Plan, index: int, before: Contact, raw: bool, now_s: float) -> Contact:
    """Debounce one rule's condition; most rules have none and take it as it is."""
    debounce = plan.debounces[index] if index < len(plan.debounces) else None
    if debounce is None:
        return ACTIVE_CONTACT if raw else QUIET_CONTACT
    if before is QUIET_CONTACT and not raw:
        return before
    if before is QUIET_CONTACT:
        before = debounce.start(False, now_s)
    return debounce.step(before, raw, now_s)


def _rule(
    plan: Plan, station: Station, picture: Picture
) -> tuple[Station, Rule | None, tuple[Action, ...]]:
    """Try every rule. Return the strongest that is true, and what became of the alarms."""
    old = station.contacts or (QUIET_CONTACT,) * len(RULES)
    contacts: list[Contact] = []
    alarms = list(station.alarms)
    actions: list[Action] = []
    worst: Rule | None = None
    for index, rule in enumerate(RULES):
        if picture.phase in rule.armed:
            raw = rule.raised(picture)
            contact = _contact(plan, index, old[index], raw, picture.now_s)
        else:
            contact = QUIET_CONTACT
        contacts.append(contact)
        alarm = _alarm(alarms[index], rule, contact, picture)
        if alarm is not alarms[index]:
            alarms[index] = alarm
            actions.append(AlarmTurned(rule.key, rule.id, rule.severity, alarm))
        if contact.active and (
            worst is None or (rule.response, rule.severity) > (worst.response, worst.severity)
        ):
            worst = rule
    after = replace(station, contacts=tuple(contacts), alarms=tuple(alarms))
    return after, worst, tuple(actions)


def _alarm(alarm: Alarm, rule: Rule, contact: Contact, picture: Picture) -> Alarm:
    if contact.active:
        return alarm_step(alarm, AlarmEvent.RAISE, picture.now_s, rule.latching)
    if alarm.state in STANDING and rule.cleared(picture):
        return alarm_step(alarm, AlarmEvent.CLEAR, picture.now_s, rule.latching)
    return alarm


def _turn(
    plan: Plan, station: Station, picture: Picture, verdict: Rule | None, turn: Turn | None
) -> tuple[Station, tuple[Action, ...]]:
    """Choose one turn, the safest first, and make it."""
    if verdict is not None and verdict.response is Response.CLOSE:
        return _move(plan, station, picture, Turn.TRIP, verdict)
    if turn is not None:
        return _move(plan, station, picture, turn, None)
    if verdict is not None and verdict.response is Response.HOLD:
        fill = station.fill
        spent = fill is not None and fill.holds >= plan.limits.holds_max
        if station.phase is Phase.FILLING:
            return _move(plan, station, picture, Turn.TRIP if spent else Turn.HOLD, verdict)
    own = _own_turn(plan, station, picture)
    if own is None:
        return station, ()
    return _move(plan, station, picture, own, None)


def _own_turn(plan: Plan, station: Station, picture: Picture) -> Turn | None:
    """What the phase itself is waiting for."""
    for_s = picture.now_s - station.phase_s
    limits = plan.limits
    match station.phase:
        case Phase.CHECKING:
            if for_s >= limits.check_quiet_s and not failing(picture):
                return Turn.PASSED
            return Turn.REFUSED if for_s >= limits.check_max_s else None
        case Phase.FILLING:
            return Turn.TARGET if _at_target(picture) else None
        case Phase.HOLDING:
            if _at_target(picture):
                return Turn.TARGET
            if for_s >= limits.hold_max_s:
                return Turn.REFUSED
            held = any(r.response is Response.HOLD and c.active
                       for r, c in zip(RULES, station.contacts, strict=False))  # fmt: skip
            ready = for_s >= limits.hold_pause_s and not held and not failing(picture)
            return Turn.PASSED if ready else None
        case Phase.CLOSING:
            reported = not picture.valve_open and station.senses.heard_s >= station.phase_s
            return Turn.SHUT if reported else None
        case Phase.SETTLING:
            return Turn.SETTLED if for_s >= limits.settle_s else None
        case _:
            return None


def _at_target(picture: Picture) -> bool:
    if picture.to_mark:
        return picture.float_fresh and picture.float_high
    return picture.delivered_l >= picture.need_l


def _move(
    plan: Plan, station: Station, picture: Picture, turn: Turn, rule: Rule | None
) -> tuple[Station, tuple[Action, ...]]:
    """Make a turn of the phase table, with what belongs to leaving and entering."""
    phase = TABLE[station.phase, turn]
    now_s = picture.now_s
    if phase is station.phase:
        return station, ()
    cause, key = station.cause, station.cause_key
    if rule is not None:
        cause, key = rule.id, rule.key
    elif turn is Turn.STOP:
        cause, key = "person", "person"
    elif phase is not Phase.STOPPED:
        cause, key = "", ""
    after = replace(station, phase=phase, phase_s=now_s, cause=cause, cause_key=key)
    actions: tuple[Action, ...] = ()
    if phase in SHUTTING:
        # An engine that began anew may find the valve open on the lease of the one before.
        first = station.shut_s == -inf
        if station.phase in WATER_MAY_FLOW or picture.valve_open or first:
            after = replace(after, shut_s=now_s)
        after, actions = _shut(plan, after, station, now_s)
    if phase is Phase.FILLING and after.fill is not None:
        resumed = station.phase is Phase.HOLDING
        after = replace(after, fill=opened(plan, after, after.fill, now_s, resumed),
                        guard_cause="", overslept=False)  # fmt: skip
        if not resumed and after.fill is not None:
            actions = (*actions, FillBegun(after.fill))
    if turn is Turn.REFUSED and station.phase is Phase.CHECKING and after.fill is not None:
        keys = tuple(row.key for row in failing(picture))
        actions = (*actions, FillRefused(after.fill, keys, refusal(after.fill, keys)))
    after, ended = _end(plan, after, station, phase)
    return after, (*actions, *ended, Turned(phase, cause, key))


def _shut(
    plan: Plan, after: Station, before: Station, now_s: float
) -> tuple[Station, tuple[Action, ...]]:
    """Tell the valve to shut, for good or for a hold."""
    if after.fill is None:
        return after, ()
    leaving = before.phase in WATER_MAY_FLOW
    fill = shut_again(after.fill, now_s, after.phase is Phase.HOLDING) if leaving else after.fill
    seq = after.seq + 1
    note = Withdraw(
        station=plan.station,
        engine="",
        seq=seq,
        node_boot=fill.boot,
        fill=fill.id,
        cause=after.cause or "mark",
        resumable=after.phase is Phase.HOLDING,
    )
    return replace(after, fill=fill, seq=seq), (SendWithdraw(note),)


def _end(
    plan: Plan, after: Station, before: Station, phase: Phase
) -> tuple[Station, tuple[Action, ...]]:
    """Close the fill's account when it is over."""
    fill = after.fill
    if fill is None or fill.ended:
        return after, ()
    if phase is Phase.DONE:
        fill = replace(fill, ended="done")
    elif phase is Phase.STOPPED and before.phase in UNDER_WAY:
        fill = replace(fill, ended="stopped")
    elif before.phase is Phase.CHECKING and phase in (Phase.IDLE, Phase.STOPPED):
        return replace(after, fill=None), ()
    else:
        return after, ()
    pump_s = after.phase_s if plan.return_pump else inf
    after = replace(after, fill=fill, pump_since_s=pump_s)
    return after, (FillEnded(fill, after.cause, after.cause_key),)


def _account(plan: Plan, station: Station, now_s: float) -> tuple[Station, tuple[Action, ...]]:
    """Tell a stopped fill's litres once more, when what still came after the close is in them."""
    fill = station.fill
    if station.phase is not Phase.STOPPED or fill is None or not fill.ended or fill.accounted:
        return station, ()
    if now_s - station.phase_s < plan.limits.settle_s:
        return station, ()
    fill = replace(fill, accounted=True)
    return replace(station, fill=fill), (FillEnded(fill, station.cause, station.cause_key),)


def _permit(
    plan: Plan, station: Station, given: Heard, now_s: float
) -> tuple[Station, tuple[Action, ...]]:
    """Renew the permit: only on the newest pack, fresh, of the boot this fill began on.

    A repeated pack may earn it twice: the permit quotes the same moment and so prolongs nothing.
    """
    fill, senses = station.fill, station.senses
    if fill is None or given.pack.seq != senses.seq or given.pack.boot != fill.boot:
        return station, ()
    if quality.silence_s(senses, now_s) >= plan.limits.suspect_s:
        return station, ()
    seq = station.seq + 1
    permit = Permit(
        station=plan.station,
        engine="",
        seq=seq,
        node_boot=fill.boot,
        as_of_s=senses.uptime_s,
        ttl_s=plan.limits.permit_ttl_s,
        fill=fill.id,
    )
    return replace(station, seq=seq), (SendPermit(permit),)


def _suspect(
    plan: Plan, station: Station, picture: Picture
) -> tuple[Station, tuple[Action, ...]]:
    """When the node falls silent, ask the broker for an echo, once a silence.

    An echo that never came is asked for again before the next fill, or none could ever start.
    """
    if station.phase is Phase.CHECKING and picture.echo_missing:
        asked_since_s = station.phase_s
    elif station.phase in UNDER_WAY and picture.silent_s >= plan.limits.suspect_s:
        asked_since_s = station.senses.heard_s
    else:
        return station, ()
    if station.echo_asked_s >= asked_since_s:
        return station, ()
    return replace(station, echo_asked_s=picture.now_s), (AskEcho(),)


def _due(plan: Plan, station: Station, now_s: float) -> float:
    """Return when the station must be stepped again even if nothing is heard."""
    limits, senses = plan.limits, station.senses
    waits = {
        Phase.CHECKING: (limits.check_quiet_s, limits.check_max_s),
        Phase.HOLDING: (limits.hold_pause_s, limits.hold_max_s),
        Phase.SETTLING: (limits.settle_s,),
        Phase.STOPPED: (limits.settle_s,),
    }.get(station.phase, ())
    times = [station.phase_s + wait for wait in waits]
    times.append(station.pump_since_s + limits.pump_confirm_s)
    times += [senses.heard_s + limits.suspect_s, senses.heard_s + limits.permit_ttl_s]
    times += [track.good_s + limits.reading_stale_s for track in senses.tracks.values()]
    for debounce, contact in zip(plan.debounces, station.contacts, strict=False):
        at_s = debounce.deadline(contact) if debounce is not None else None
        if at_s is not None:
            times.append(at_s)
    return min((at for at in times if at > now_s), default=inf)


def standing(station: Station) -> tuple[tuple[Rule, Alarm], ...]:
    """Return the alarms that people should see, the worst first, the first cause on top."""
    rows = [
        (rule, alarm)
        for rule, alarm in zip(RULES, station.alarms, strict=True)
        if alarm.state in ANNUNCIATED
    ]
    rows.sort(key=lambda row: (row[0].key != station.cause_key, -row[0].severity, row[1].raised_s))
    return tuple(rows)
