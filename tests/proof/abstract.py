"""The finite picture of a station and of a guard that `explore.py` walks through.

All limits are whole quarters of a second, and so is every moment at which anything happens: time
goes in steps of one quarter, which are the "limit - eps, limit, limit + eps" of every limit at
once. A state is kept as a *key*: its ages counted in quarters, held just past the largest limit
that looks at them, and everything that no decision looks at left out. `station_of` makes a real
state of a key, `key_of` a key of a real state; the step between the two is the core's own.

What is left out or lumped together, and why that is allowed (`shadow` tests it on runs that leave
nothing out):

* clocks: both run alike and stand at a fixed moment, only ages count. Drift is left out
  (`clock_creep` is 0 here);
* sequence numbers: only "newer than what was last taken" counts; boots, engines and fills are
  renamed as "the present one" and up to three older ones (`explore.py`);
* litres: six bands (nothing, purged, enough, need, at the limit, over it), set through the pulse
  count of a pack. A count below the largest seen cannot lower the litres, so it is not kept;
* open time: "well below the limit", then one quarter below, at and above it. A fill jumps to one
  quarter below at any moment (`long`), which stands for every longer story;
* forecast and learned time limit: dropped. They may only tighten the time limit (`fills._limited`)
  and an early time limit is an early "over-time", which `long` explores;
* alarms: standing or not, of the rules that close; acknowledged or not changes no decision, which
  the claim about acknowledging checks on every state;
* the repeated account of a stopped fill, who asked, the texts, and when an idle, done or stopped
  station wants to be looked at: no decision hangs on them. Nor does one on a warning, so that rules
  that only warn go without their debounce, and nobody is asked about the return pump;
* waits that the hard ranges keep long (hold, settle, no flow, seep) are shorter here. Their
  relations are the checked ones (`limits.relations`).

A field added to `Station` or `Fill` later is kept in the key as it is (times as ages).
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import fields, replace
from math import inf, isfinite
from typing import Any, Final

from monitor.core import vessel
from monitor.core.alarm import STANDING, Alarm, AlarmState
from monitor.core.debounce import Contact
from monitor.core.fills import begin
from monitor.core.guard import GuardPhase, GuardState
from monitor.core.hazards import RULES, Response
from monitor.core.limits import Limits, relations, with_overrides
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Fill, Plan, Station, prepared
from monitor.core.quality import Senses, Track
from monitor.core.station import QUIET_CONTACT

EPS_S: Final = 0.25
ENGINE_S: Final = 4096.0  # "now" on the engine's clock, far from the node's on purpose
NODE_S: Final = 1024.0  # "now" on the node's clock
LONG_AGO: Final = 10**6  # quarters
NEED_L: Final = 4.0
BANDS_L: Final = (0.0, 1.0, 3.0, 4.0, 4.5, 5.0)  # none, purged, enough, need, at limit, over
NEED_BAND: Final = 3
PULSES_PER_L: Final = 400.0
SENSORS: Final = ("float", "over", "leak", "temp", "flow")
TEMPS_C: Final = (25.0, 15.0, 30.0, 50.0)  # good, cold, hot, scald
SEQ: Final = 10  # what a canonical state has seen; a message is newer above it

Key = tuple[Any, ...]


def small_limits() -> Limits:
    """Return limits that are whole quarters, as short as their relations allow."""
    inside = with_overrides({
        "permit_ttl_s": 1.5, "reading_period_s": 0.5, "suspect_s": 1.0, "reading_stale_s": 2.0,
        "open_max_s": 60.0, "quiet_s": 2.0, "quiet_bound_s": 4.0, "check_quiet_s": 2.0,
        "check_max_s": 3.0, "shut_grace_s": 0.5, "shut_flow_s": 1.0, "shut_flow_bound_s": 2.0,
        "volume_margin": 0.0, "volume_margin_l": 0.5, "time_margin": 0.25, "time_margin_s": 10.0,
        "flow_floor_lpm": 10.0, "hot_s": 1.0, "hot_bound_s": 2.0, "cold_s": 1.5,
        "cold_bound_s": 3.0, "holds_max": 1.0, "twin_s": 5.0,
    })  # fmt: skip
    limits = replace(
        inside, clock_creep=0.0, no_flow_s=2.0, no_flow_bound_s=4.0, seep_s=2.5, seep_bound_s=5.0,
        hold_pause_s=3.0, hold_max_s=4.5, settle_s=2.5,
    )  # fmt: skip
    if wrong := relations(limits):
        raise ValueError(f"abstract.py: the small limits break a relation: {wrong}")
    return limits


LIMITS: Final = small_limits()


def _planned(plan: Plan) -> Plan:
    """Return the plan with its debounces; rules that only warn have none here."""
    kept = (d if r.response is not Response.WARN else None
            for r, d in zip(RULES, prepared(plan).debounces, strict=True))  # fmt: skip
    return replace(plan, debounces=tuple(kept))


PLAN: Final[Plan] = _planned(
    Plan(
        station="river",
        node="river-pi",
        vessel=vessel.box(2.0, 0.7, 0.6, 0.57),
        floats=("float",),
        overs=("over",),
        return_pump=False,
        leaks=("leak",),
        temp_in="temp",
        flow_in="flow",
        pulses_per_litre=PULSES_PER_L,
        flow_uncertainty=0.0,
        flow_max_lpm=25.0,
        low_c=23.0,
        high_c=27.0,
        scald_c=43.0,
        purge_l=1.0,
        closing_s=0.5,
        limits=LIMITS,
    )
)


def quarters(seconds: float) -> int:
    """Return seconds as quarters; raises when they are not whole, for then the walk has holes."""
    count = seconds / EPS_S
    if count != int(count):
        raise ValueError(f"{seconds!r} s is not a whole number of steps of {EPS_S} s")
    return int(count)


def _age(then_s: float, now_s: float) -> int:
    return quarters(now_s - then_s) if isfinite(then_s) else LONG_AGO


TTL: Final = quarters(LIMITS.permit_ttl_s)
SUSPECT: Final = quarters(LIMITS.suspect_s)
STALE: Final = quarters(LIMITS.reading_stale_s)
SHUT_DIFF: Final = quarters(PLAN.closing_s + LIMITS.shut_grace_s)
SILENT_CAP: Final = max(TTL, SUSPECT) + 1
SHUT_CAP: Final = max(quarters(LIMITS.check_quiet_s), SILENT_CAP + SHUT_DIFF + 1)
TWIN_CAP: Final = quarters(LIMITS.twin_s)
NEVER: Final = SHUT_CAP + 1  # this engine has not told the valve to shut yet
OPEN_CAP: Final = quarters(PLAN.closing_s) + 1
PHASE_CAPS: Final = {
    Phase.CHECKING: quarters(LIMITS.check_max_s),
    Phase.HOLDING: quarters(LIMITS.hold_max_s),
    Phase.SETTLING: quarters(LIMITS.settle_s),
}
RESTING: Final = frozenset({Phase.IDLE, Phase.DONE, Phase.STOPPED})  # no turn of their own
FILLS: Final = {
    to_mark: begin(PLAN, "c", "keeper", NEED_L, to_mark, ENGINE_S) for to_mark in (False, True)
}
TIME_LIMIT: Final = quarters(FILLS[True].time_limit_s)
DEBOUNCED: Final = tuple(i for i, debounce in enumerate(PLAN.debounces) if debounce is not None)
CLOSING_RULES: Final = tuple(i for i, r in enumerate(RULES) if r.response is Response.CLOSE)

_STATION_KNOWN: Final = frozenset({
    "phase", "phase_s", "now_s", "due_s", "fill", "senses", "contacts", "alarms", "cause",
    "cause_key", "seq", "shut_s", "guard_cause", "link_up", "node_gone", "echo_asked_s",
    "echo_seen_s", "overslept", "interrupted", "pump_since_s",
})  # fmt: skip
_FILL_KNOWN: Final = frozenset({
    "id", "by", "need_l", "to_mark", "asked_s", "volume_limit_l", "time_limit_s", "boot",
    "count_from", "begun_s", "opened_s", "open_before_s", "purge_from_l", "delivered_l", "holds",
    "time_fixed", "forecast", "expected", "expected_at_s", "shut_s", "ended", "accounted",
})  # fmt: skip
_SENSES_KNOWN: Final = frozenset({
    "tracks", "boot", "seq", "uptime_s", "offset_s", "heard_s", "arrived_s", "valve_open", "former",
    "twin_s",
})  # fmt: skip
if new := {f.name for f in fields(Senses)} - _SENSES_KNOWN:
    raise RuntimeError(f"abstract.py: say in _senses_key and _senses_of how to keep {new}")
_NEW_STATION: Final = tuple(f.name for f in fields(Station) if f.name not in _STATION_KNOWN)
_NEW_FILL: Final = tuple(f.name for f in fields(Fill) if f.name not in _FILL_KNOWN)
_NEW_CAP: Final = max(PHASE_CAPS.values()) + 1


# --- a station and its key ---


def key_of(st: Station, now_s: float = ENGINE_S) -> Key:
    """Return a station's key at a moment: two stations with one key decide alike for ever."""
    silent, since_shut, senses = _senses_key(st, now_s)
    phase_age = _phase_age(st, now_s, silent)
    waits = st.due_s != inf and st.phase not in RESTING
    due = _age(st.due_s, now_s) if waits else None
    return (
        st.phase,
        phase_age,
        due if due is None else min(due, SUSPECT + 1),
        _fill_key(st, now_s),
        senses,
        _contacts_key(st, now_s),
        sum(1 << i for i in CLOSING_RULES if st.alarms[i].state in STANDING),
        st.cause != "",
        since_shut,
        st.guard_cause if st.phase in UNDER_WAY else "",
        st.link_up,
        st.node_gone,
        _echo_key(st, now_s, phase_age, silent),
        st.overslept,
        st.interrupted,
        _kept(st, _NEW_STATION, now_s),
    )


def _kept(thing: object, names: tuple[str, ...], now_s: float) -> tuple[Hashable, ...]:
    """Return fields this file knows nothing of: times as ages, the rest as it is."""
    values = ((name, getattr(thing, name)) for name in names)
    return tuple(
        min(_age(value, now_s), _NEW_CAP) if name.endswith("_s") else value
        for name, value in values
    )


def _restored(names: tuple[str, ...], kept: tuple[Any, ...], at_s: float) -> dict[str, Any]:
    return {
        name: (at_s - value * EPS_S if value < _NEW_CAP else -inf) if name.endswith("_s") else value
        for name, value in zip(names, kept, strict=True)
    }


def _senses_key(st: Station, now_s: float) -> tuple[int, int, Key]:
    """Return the silence and the time since shutting, both held, and the key of the senses.

    Past the limits only one thing about them counts: whether the newest reading was made long
    enough after the shutting.
    """
    senses = st.senses
    silent = _age(senses.heard_s, now_s)
    shut = LONG_AGO if st.phase is Phase.FILLING else _age(st.shut_s, now_s)
    after = shut - silent > SHUT_DIFF
    shut = min(shut, SHUT_CAP) if st.shut_s > -inf or st.phase is Phase.FILLING else NEVER
    if silent >= SILENT_CAP:
        silent = SILENT_CAP if after else max(SILENT_CAP, shut - SHUT_DIFF)
    tracks = []
    for sensor in SENSORS:
        track = senses.tracks.get(sensor, Track())
        good = min(_age(track.good_s, now_s), STALE)
        unused = good >= STALE and sensor in ("temp", "flow")
        tracks.append((0.0 if unused else track.value, good))
    offset = None if senses.offset_s == inf else quarters(senses.offset_s - (ENGINE_S - NODE_S))
    former = tuple(sorted({boot for boot, _ in senses.former}))
    twin = min(_age(senses.twin_s, now_s), TWIN_CAP)
    # How long ago the present boot was last heard counts only where an older one might speak up.
    arrived = min(_age(senses.arrived_s, now_s), TWIN_CAP) if former else 0
    key = (senses.boot, silent, offset, senses.valve_open, tuple(tracks), former, twin, arrived)
    return silent, shut, key


def _phase_age(st: Station, now_s: float, silent: int) -> int:
    age = _age(st.phase_s, now_s)
    if st.phase in PHASE_CAPS:
        return min(age, PHASE_CAPS[st.phase])
    if st.phase is not Phase.CLOSING:
        return 0
    heard_since = _age(st.senses.heard_s, now_s) <= age
    return min(age, SILENT_CAP) if heard_since else min(age, max(silent - 1, 0))


def _echo_key(st: Station, now_s: float, phase_age: int, silent: int) -> tuple[bool, int | None]:
    """Return whether an echo is missing, and how old the asking is where that counts."""
    missing = st.echo_asked_s > st.echo_seen_s
    asked = _age(st.echo_asked_s, now_s)
    checking = st.phase is Phase.CHECKING
    if not checking and st.phase not in UNDER_WAY:
        return missing, None
    in_phase = checking and asked <= _age(st.phase_s, now_s)
    in_silence = asked <= _age(st.senses.heard_s, now_s)
    if not in_phase and not in_silence:
        return missing, None
    held = min(asked, phase_age) if in_phase else asked
    return missing, min(held, silent) if in_silence else held


def _fill_key(st: Station, now_s: float) -> Key | None:
    fill, phase = st.fill, st.phase
    if fill is None:
        return None
    new = _kept(fill, _NEW_FILL, now_s)
    if phase is Phase.CHECKING:
        return (fill.to_mark, False, "", 0, 0, 0.0, 0.0, 0, "", new)
    if phase not in UNDER_WAY:
        return (False, True, "", 0, 0, 0.0, 0.0, 0, fill.ended, new)
    if phase not in (Phase.FILLING, Phase.HOLDING):
        return (fill.to_mark, True, fill.boot, 0, 0, 0.0, 0.0, 0, fill.ended, new)
    running = _age(fill.opened_s, now_s) if phase is Phase.FILLING else 0
    elapsed = quarters(fill.open_before_s) + running
    elapsed = 0 if elapsed < TIME_LIMIT - 1 else min(elapsed, TIME_LIMIT + 1)
    purged = fill.delivered_l - fill.purge_from_l >= PLAN.purge_l
    return (
        fill.to_mark, True, fill.boot, min(running, OPEN_CAP), elapsed,
        -PLAN.purge_l if purged or phase is Phase.HOLDING else fill.purge_from_l,
        fill.delivered_l, fill.holds, fill.ended, new,
    )  # fmt: skip


def _contacts_key(st: Station, now_s: float) -> Key:
    if not st.contacts:
        return (None,) * len(DEBOUNCED)
    return tuple(_contact_key(i, st.contacts[i], now_s) for i in DEBOUNCED)


def _contact_key(index: int, contact: Contact, now_s: float) -> Key | None:
    """Return (active, raw, left to the hold's end, left to the bound's end), or None if quiet.

    While raw is quiet, past both ends only their order counts.
    """
    debounce = PLAN.debounces[index]
    if debounce is None or (not contact.active and not contact.raw and contact.first_s is None):
        return None
    if contact.active or contact.first_s is None:
        return (contact.active, contact.raw, 0, None)
    hold = quarters(debounce.hold_s) - _age(contact.since_s, now_s)
    bound = quarters(debounce.bound_s) - _age(contact.first_s, now_s)
    if contact.raw:
        return (False, True, max(hold, 0), max(bound, 0))
    if max(hold, bound) <= 0:
        hold, bound = 0, (0 if hold <= bound else -1)
    return (False, False, hold, bound)


def station_of(key: Key, shift: int = 0) -> Station:
    """Return a real station with this key, `shift` quarters later than when it had it."""
    (phase, phase_age, due, fill, senses, contacts, standing, caused, shut, guard_cause, link_up,
     node_gone, echo, overslept, interrupted, new) = key  # fmt: skip
    at_s = ENGINE_S - shift * EPS_S
    missing, asked = echo
    asked_s = (-inf if not missing else at_s - LONG_AGO) if asked is None else at_s - asked * EPS_S
    alarms = [Alarm()] * len(RULES)
    for index in CLOSING_RULES:
        if standing >> index & 1:
            alarms[index] = Alarm(AlarmState.UNACKED, 0.0)
    return Station(
        phase=phase,
        phase_s=at_s - phase_age * EPS_S,
        now_s=at_s,
        due_s=inf if due is None else at_s - due * EPS_S,
        fill=None if fill is None else _fill_of(fill, at_s),
        senses=_senses_of(senses, shift),
        contacts=_contacts_of(contacts, at_s),
        alarms=tuple(alarms),
        cause="first" if caused else "",
        cause_key="first" if caused else "",
        seq=SEQ,
        shut_s=-inf if shut == NEVER else at_s - shut * EPS_S,
        guard_cause=guard_cause,
        link_up=link_up,
        node_gone=node_gone,
        echo_asked_s=asked_s,
        echo_seen_s=-inf if missing else asked_s,
        overslept=overslept,
        interrupted=interrupted,
        **_restored(_NEW_STATION, new, at_s),
    )


def _fill_of(key: Key, at_s: float) -> Fill:
    to_mark, begun, boot, running, elapsed, purge_from_l, delivered_l, holds, ended, new = key
    fill: Fill = FILLS[to_mark]
    if not begun:
        return replace(fill, **_restored(_NEW_FILL, new, at_s))
    before = elapsed - running if elapsed else 0
    return replace(
        fill, boot=boot, begun_s=at_s - LONG_AGO, opened_s=at_s - running * EPS_S,
        open_before_s=before * EPS_S, purge_from_l=purge_from_l, delivered_l=delivered_l,
        holds=holds, ended=ended, accounted=ended != "", **_restored(_NEW_FILL, new, at_s),
    )  # fmt: skip


def _senses_of(key: Key, shift: int) -> Senses:
    boot, silent, offset, valve_open, tracks, former, twin, arrived = key
    if boot == "":
        return Senses()
    at_s = ENGINE_S - shift * EPS_S
    heard_s = at_s - silent * EPS_S
    offset_s = ENGINE_S - NODE_S + offset * EPS_S
    return Senses(
        tracks={
            sensor: Track(value, 0, at_s - good * EPS_S, None)
            for sensor, (value, good) in zip(SENSORS, tracks, strict=True)
        },
        boot=boot,
        seq=SEQ,
        uptime_s=heard_s - offset_s,
        offset_s=offset_s,
        heard_s=heard_s,
        arrived_s=at_s - arrived * EPS_S,
        valve_open=valve_open,
        former=tuple((name, SEQ) for name in former),
        twin_s=at_s - twin * EPS_S,
    )


def _contacts_of(keys: Key, at_s: float) -> tuple[Contact, ...]:
    contacts = [QUIET_CONTACT] * len(RULES)
    for index, key in zip(DEBOUNCED, keys, strict=True):
        debounce = PLAN.debounces[index]
        if key is None or debounce is None:
            continue
        active, raw, hold, bound = key
        first_s = None if bound is None else at_s + bound * EPS_S - debounce.bound_s
        since_s = at_s if bound is None else at_s + hold * EPS_S - debounce.hold_s
        contacts[index] = Contact(active, raw, since_s, first_s, at_s)
    return tuple(contacts)


# --- a guard and its key ---

OPEN_MAX: Final = quarters(LIMITS.open_max_s)


def guard_key(state: GuardState) -> Key:
    """Return a guard's key at NODE_S. Open time is held in the same four bands as a fill's."""
    is_open = state.phase is GuardPhase.OPEN
    running = _age(state.opened_s, NODE_S) if is_open else 0
    elapsed = quarters(state.open_before_s) + running
    elapsed = 0 if elapsed < OPEN_MAX - 1 else min(elapsed, OPEN_MAX + 1)
    left = max(quarters(state.until_s - NODE_S), -1) if is_open else 0
    spent = tuple(sorted(set(state.spent)))
    return (state.phase, state.fill, state.engine, left, elapsed, state.cause, spent)


def guard_of(key: Key, shift: int = 0) -> GuardState:
    """Return a real guard with this key, `shift` quarters later than when it had it."""
    phase, fill, engine, left, elapsed, cause, spent = key
    at_s = NODE_S - shift * EPS_S
    return GuardState(
        boot="n", phase=phase, fill=fill, engine=engine, seq=SEQ,
        until_s=at_s + left * EPS_S if phase is GuardPhase.OPEN else 0.0,
        opened_s=at_s, open_before_s=elapsed * EPS_S, now_s=at_s, cause=cause, spent=spent,
    )  # fmt: skip
