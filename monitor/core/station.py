"""One station's step: what has happened, at what time, to which state, and what is to be done.

The step is total and pure. Its order never changes: take the input in (`intake`), draw the picture,
try every rule (`rules`), let the strongest response turn the phase, then let the phase's own
business turn it (`turns`), and at the very end, and only where water may flow, on a fresh reading
with nothing wrong, issue a permit. Nothing else issues one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite

from monitor.core import quality
from monitor.core.alarm import ANNUNCIATED, Alarm, AlarmState
from monitor.core.changed import changed
from monitor.core.events import Action, AskEcho, Given, Heard, SendPermit
from monitor.core.exchange import Permit, Way
from monitor.core.hazards import RULES, Rule
from monitor.core.intake import take
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.picture import draw
from monitor.core.plan import ALL_NORMAL, Plan, Station
from monitor.core.rules import judge
from monitor.core.turns import account, turn_now
from monitor.core.view import Picture


@dataclass(frozen=True, slots=True)
class Result:
    """What a step leaves behind: the next state, what to do, and when to come back."""

    station: Station
    actions: tuple[Action, ...]
    due_s: float


def step(plan: Plan, station: Station, given: Given, now_s: float) -> Result:
    """Advance a station. Total: never raises, whatever the input; time never runs back here."""
    now_s = now_s if isfinite(now_s) and now_s >= station.now_s else station.now_s
    if now_s - station.due_s > plan.limits.suspect_s and station.phase in UNDER_WAY:
        station = changed(station, overslept=True)
    taken, asked, actions = take(plan, station, given, now_s)
    picture = draw(plan, taken, now_s)
    ruled, verdict, alarms, contact_s = judge(plan, taken, picture)
    turned, turns = turn_now(plan, ruled, picture, verdict, asked)
    actions = (*actions, *alarms, *turns)
    seq, echo_s = turned.seq, turned.echo_asked_s
    if isinstance(given, Heard) and turned.phase in WATER_MAY_FLOW:
        permit = _permit(plan, turned, given, now_s)
        if permit is not None:
            seq, actions = permit.permit.seq, (*actions, permit)
    turned, told = account(plan, turned, now_s)
    if _suspects(plan, turned, picture):
        echo_s, told = now_s, (*told, AskEcho())
    due_s = min(contact_s if contact_s > now_s else inf, _due(plan, turned, now_s))
    after = changed(turned, now_s=now_s, seq=seq, echo_asked_s=echo_s, due_s=due_s)
    return Result(after, (*actions, *told), due_s)


def _permit(
    plan: Plan, station: Station, given: Heard, now_s: float
) -> SendPermit | None:
    """Renew the permit: only on the newest pack, fresh, of the boot this fill began on.

    A repeated pack may earn it twice: the permit quotes the same moment and so prolongs nothing. A
    drain by a person's hose has no relay that could be permitted anything.
    """
    fill, senses = station.fill, station.senses
    if fill is not None and fill.way is Way.OUT and plan.drain == "hose":
        return None
    if fill is None or given.pack.seq != senses.seq or given.pack.boot != fill.boot:
        return None
    if quality.silence_s(senses, now_s) >= plan.limits.suspect_s:
        return None
    seq = station.seq + 1
    permit = Permit(
        station=plan.station,
        engine="",
        seq=seq,
        node_boot=fill.boot,
        as_of_s=senses.uptime_s,
        ttl_s=plan.limits.permit_ttl_s,
        fill=fill.id,
        way=fill.way,
    )
    return SendPermit(permit)


def _suspects(plan: Plan, station: Station, picture: Picture) -> bool:
    """When the node falls silent, the broker is asked for an echo, once a silence.

    An echo that never came is asked for again before the next fill, or none could ever start.
    """
    if station.phase is Phase.CHECKING and picture.echo_missing:
        asked_since_s = station.phase_s
    elif station.phase in UNDER_WAY and picture.silent_s >= plan.limits.suspect_s:
        asked_since_s = station.senses.heard_s
    else:
        return False
    return station.echo_asked_s < asked_since_s


def _due(plan: Plan, station: Station, now_s: float) -> float:
    """Return when the station must be stepped again even if nothing is heard."""
    limits, senses, since_s = plan.limits, station.senses, station.phase_s
    times = [station.pump_since_s + limits.pump_confirm_s]
    match station.phase:
        case Phase.CHECKING:
            times += (since_s + limits.check_quiet_s, since_s + limits.check_max_s)
        case Phase.HOLDING:
            times += (since_s + limits.hold_pause_s, since_s + limits.hold_max_s)
        case Phase.SETTLING | Phase.STOPPED:
            times += (since_s + limits.settle_s, since_s + limits.drain_settle_s)
    times += (senses.heard_s + limits.suspect_s, senses.heard_s + limits.permit_ttl_s)
    times += [track.good_s + limits.reading_stale_s for track in senses.tracks.values()]
    if station.alarms is not ALL_NORMAL:
        times += [a.until_s for a in station.alarms if a.state is AlarmState.SHELVED]
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
