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
  renamed as "the present one" and up to four older ones (`world.py`);
* litres: six bands (nothing, purged, enough, need, at the limit, over it), set through the pulse
  count of a pack. A count below the largest seen cannot lower the litres, so it is not kept;
* open time: "well below the limit", then one quarter below, at and above it. A fill or drain jumps
  to one quarter below at any moment (`world.py`), which stands for every longer story;
* forecast and learned time limit: dropped. They may only tighten the time limit (`fills._limited`)
  and an early time limit is an early "over-time", which that jump explores;
* alarms: standing or not, of the rules that close; acknowledged or not changes no decision, which
  the claim about acknowledging checks on every state;
* debounces: only those in unrest, as in the core; one that is quiet is as good as none;
* facts: proven or not, and whether another station draws on the same supply. A proof ages by
  itself in months, which is an untold one here. Cartridge, people and desk are not in these plans,
  so that no decision hangs on them; `steps.every_check` goes through all five facts;
* the repeated account of a stopped fill, who asked, the texts, the incoming water's warmth and
  whether its pipe had cooled (both are for a warning), the litres when the valve was told to shut,
  what was drained (it only says how much a fill without litres takes), whether a drain is half of
  a change, and when an idle, done or stopped station wants to be looked at: no decision hangs on
  them. Nor does one on a warning, so that rules that
  only warn go without their debounce, the count of alarms for the flood (which warns) is dropped,
  and nobody is asked about the return pump;
* both valves close in the same time here, and no earlier fill has taught anything;
* waits that the hard ranges keep long (hold, settle, no flow, seep) are shorter here. Their
  relations are the checked ones (`limits.relations`).

What is not walked at all, because these plans have it not: a level probe with its balance and its
watch for seeps (they remember real numbers of arbitrary history), a tank's thermometer, a heater,
a lower sump float, plugs, a drain by a person's hose, and the desk. Rules that need one of these
are never armed in these walks, and those about the tank's temperature never true.

A field added to `Station` or `Fill` later is kept in the key as it is (times as ages).
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import fields, replace
from math import inf, isfinite
from typing import Any, Final, NamedTuple

from monitor.core import vessel
from monitor.core.alarm import STANDING, Alarm, AlarmState
from monitor.core.debounce import Contact, Debounce
from monitor.core.exchange import Way
from monitor.core.facts import Facts, oldest_proof_s
from monitor.core.fills import begin
from monitor.core.guard import GuardPhase, GuardState
from monitor.core.hazards import RULES, Response
from monitor.core.limits import Limits, relations, with_overrides
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station, prepared
from monitor.core.quality import Senses, Track
from monitor.core.units import S_PER_DAY

EPS_S: Final = 0.25
ENGINE_S: Final = 4096.0  # "now" on the engine's clock, far from the node's on purpose
NODE_S: Final = 1024.0  # "now" on the node's clock
LONG_AGO: Final = 10**6  # quarters
NEED_L: Final = 4.0
BANDS_L: Final = (0.0, 1.0, 3.0, 4.0, 4.5, 5.0)  # none, purged, enough, need, at limit, over
NEED_BAND: Final = 3
PULSES_PER_L: Final = 400.0
SENSORS: Final = ("float", "over", "leak", "temp", "flow")  # what every plan here has
FITTED: Final = ("low", "store", "sump")  # floats that the plan with a drain has besides
ALL_SENSORS: Final = SENSORS + FITTED
FOR_FRESH: Final = ("temp", "flow", "low")  # a value of these is looked at only while it is fresh
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
        hold_pause_s=3.0, hold_max_s=4.5, settle_s=2.5, drain_settle_s=2.5,
    )  # fmt: skip
    if wrong := relations(limits):
        raise ValueError(f"abstract.py: the small limits break a relation: {wrong}")
    return limits


LIMITS: Final = small_limits()


def _planned(plan: Plan) -> Plan:
    """Return the plan with the rules it has; those that only warn have no debounce here."""
    ready = prepared(plan)
    armed = {
        phase: tuple((i, r, None if r.response is Response.WARN else d) for i, r, d in rows)
        for phase, rows in ready.armed.items()
    }
    return replace(ready, armed=armed)


_BARE: Final = Plan(
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
    drain_closing_s=0.5,
    limits=LIMITS,
)
_BOTH_WAYS: Final = replace(
    _BARE, lows=("low",), stores=("store",), sump_highs=("sump",), drain="pump", low_m=0.27
)
PLAN: Final = _planned(_BARE)
DRAIN_PLAN: Final = _planned(_BOTH_WAYS)
CHECK_PLAN: Final = _planned(
    replace(_BOTH_WAYS, people_check=True, filter_l=8000.0, filter_days=180.0, desk="warn")
)
"""For `steps.every_check`: everything that an unattended fill may need to be told."""


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
UNHEARD: Final = (0.0, STALE)  # what is kept of a sensor that never had a value
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
RUNNING: Final = WATER_MAY_FLOW | {Phase.HOLDING}  # its open time counts
FILLS: Final = {
    (way, to_mark): begin(PLAN, "c", "keeper", NEED_L, to_mark, ENGINE_S, way)
    for way in Way for to_mark in (False, True)
}  # fmt: skip
TIME_LIMIT: Final = quarters(FILLS[Way.IN, True].time_limit_s)
DEBOUNCES: Final[dict[int, Debounce]] = {
    index: debounce
    for rows in DRAIN_PLAN.armed.values()
    for index, _, debounce in rows
    if debounce is not None
}
CLOSING_RULES: Final = tuple(i for i, r in enumerate(RULES) if r.response is Response.CLOSE)
PROVEN_AGO_S: Final = 60.0

_STATION_KNOWN: Final = frozenset({
    "phase", "phase_s", "now_s", "due_s", "fill", "senses", "contacts", "alarms", "cause",
    "cause_key", "seq", "shut_s", "guard_cause", "link_up", "node_gone", "node_simulated",
    "echo_asked_s", "echo_seen_s", "overslept", "interrupted", "pump_since_s", "facts",
    "balance", "creep", "raised_s", "flooded", "desk_here", "heater_off", "drained_l",
})  # fmt: skip
_FILL_KNOWN: Final = frozenset({
    "id", "by", "need_l", "to_mark", "asked_s", "volume_limit_l", "time_limit_s", "boot",
    "count_from", "begun_s", "opened_s", "open_before_s", "purge_from_l", "delivered_l", "holds",
    "time_fixed", "forecast", "expected", "expected_at_s", "shut_s", "ended", "accounted",
    "way", "attended", "refill", "start_l", "tank_from_c", "warmth", "shut_l", "low_ended",
    "rested",
})  # fmt: skip
_SENSES_KNOWN: Final = frozenset({
    "tracks", "boot", "seq", "uptime_s", "offset_s", "heard_s", "arrived_s", "valve_open",
    "drain_open", "former", "twin_s",
})  # fmt: skip
_FACTS_KNOWN: Final = frozenset({
    "proven_s", "busy", "cartridge_l", "cartridge_s", "people_s", "record", "rejected_per_min",
    "priors",
})  # fmt: skip
for _class, _known in ((Senses, _SENSES_KNOWN), (Facts, _FACTS_KNOWN)):
    if new := {f.name for f in fields(_class)} - _known:
        raise RuntimeError(f"abstract.py: say how the key of {_class.__name__} keeps {new}")
_NEW_STATION: Final = tuple(f.name for f in fields(Station) if f.name not in _STATION_KNOWN)
_NEW_FILL: Final = tuple(f.name for f in fields(Fill) if f.name not in _FILL_KNOWN)
_NEW_CAP: Final = max(PHASE_CAPS.values()) + 1


class FillKey(NamedTuple):
    """What is kept of a fill or a drain. Ages and open time are in quarters."""

    way: Way = Way.IN
    to_mark: bool = False
    attended: bool = False
    begun: bool = False
    boot: str = ""
    running: int = 0
    elapsed: int = 0
    purge_from_l: float = 0.0
    delivered_l: float = 0.0
    holds: int = 0
    low_ended: bool = False
    ended: str = ""
    new: Key = ()


class SensesKey(NamedTuple):
    """What is kept of the senses. Ages are in quarters; `offset` is beyond the clocks' own."""

    boot: str
    silent: int
    offset: int | None
    valve_open: bool
    drain_open: bool
    tracks: tuple[tuple[float, int], ...]
    former: tuple[str, ...]
    twin: int
    arrived: int


class StationKey(NamedTuple):
    """What is kept of a station. Ages are in quarters."""

    phase: Phase
    phase_age: int
    due: int | None  # how long the station has wanted to be looked at; negative: not yet
    fill: FillKey | None
    senses: SensesKey
    contacts: Key
    standing: int  # closing rules whose alarms stand, one bit each
    caused: bool
    shut: int
    guard_cause: str
    link_up: bool
    node_gone: bool
    simulated: bool
    echo: tuple[bool, int | None]
    overslept: bool
    interrupted: bool
    facts: tuple[bool, bool]  # all is proven; the supply is busy
    new: Key = ()


# --- a station and its key ---


def key_of(st: Station, now_s: float = ENGINE_S) -> StationKey:
    """Return a station's key at a moment: two stations with one key decide alike for ever."""
    silent, since_shut, senses = _senses_key(st, now_s)
    phase_age = _phase_age(st, now_s, silent)
    waits = st.due_s != inf and st.phase not in RESTING
    return StationKey(
        st.phase,
        phase_age,
        min(_age(st.due_s, now_s), SUSPECT + 1) if waits else None,
        _fill_key(st, now_s),
        senses,
        _contacts_key(st, now_s),
        _standing(st),
        st.cause != "",
        since_shut,
        st.guard_cause if st.phase in UNDER_WAY else "",
        st.link_up,
        st.node_gone,
        st.node_simulated,
        _echo_key(st, now_s, phase_age, silent),
        st.overslept,
        st.interrupted,
        facts_key(st.facts, now_s),
        _kept(st, _NEW_STATION, now_s),
    )


def _standing(st: Station) -> int:
    if st.alarms is ALL_NORMAL:
        return 0
    return sum(1 << i for i in CLOSING_RULES if st.alarms[i].state in STANDING)


def facts_key(facts: Facts, now_s: float) -> tuple[bool, bool]:
    """Return whether every part was proven lately, and whether the supply is busy."""
    oldest_s = oldest_proof_s(facts, DRAIN_PLAN.proven, now_s)
    return oldest_s < LIMITS.proof_days * S_PER_DAY, facts.busy != ""


def facts_of(proven: bool, busy: bool, now_s: float) -> Facts:
    """Return facts with this key."""
    then_s = now_s - PROVEN_AGO_S
    return Facts(
        proven_s=dict.fromkeys(DRAIN_PLAN.proven, then_s) if proven else {},
        busy="another" if busy else "",
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


def _senses_key(st: Station, now_s: float) -> tuple[int, int, SensesKey]:
    """Return the silence and the time since shutting, both held, and the key of the senses.

    Past the limits only one thing about them counts: whether the newest reading was made long
    enough after the shutting.
    """
    senses, flowing = st.senses, st.phase in WATER_MAY_FLOW
    silent = _age(senses.heard_s, now_s)
    shut = LONG_AGO if flowing else _age(st.shut_s, now_s)
    after = shut - silent > SHUT_DIFF
    shut = min(shut, SHUT_CAP) if st.shut_s > -inf or flowing else NEVER
    if silent >= SILENT_CAP:
        silent = SILENT_CAP if after else max(SILENT_CAP, shut - SHUT_DIFF)
    tracks = []
    for sensor in ALL_SENSORS:
        track = senses.tracks.get(sensor)
        if track is None:
            tracks.append(UNHEARD)
            continue
        good = _age(track.good_s, now_s)
        if good < STALE:
            tracks.append((track.value, good))
        else:
            tracks.append((0.0 if sensor in FOR_FRESH else track.value, STALE))
    former = tuple(sorted({boot for boot, _ in senses.former}))
    key = SensesKey(
        senses.boot,
        silent,
        None if senses.offset_s == inf else quarters(senses.offset_s - (ENGINE_S - NODE_S)),
        senses.valve_open,
        senses.drain_open,
        tuple(tracks),
        former,
        min(_age(senses.twin_s, now_s), TWIN_CAP),
        # How long ago the present boot was last heard counts only where an older one might speak.
        min(_age(senses.arrived_s, now_s), TWIN_CAP) if former else 0,
    )
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
    if st.phase is Phase.CHECKING:  # it opens on a fresh reading only: what is in a silence is over
        return missing, min(asked, phase_age) if asked <= _age(st.phase_s, now_s) else None
    if st.phase in UNDER_WAY and asked <= _age(st.senses.heard_s, now_s):
        return missing, min(asked, silent)
    return missing, None


def _fill_key(st: Station, now_s: float) -> FillKey | None:
    fill, phase = st.fill, st.phase
    if fill is None:
        return None
    new = _kept(fill, _NEW_FILL, now_s)
    if phase is Phase.CHECKING:
        return FillKey(fill.way, fill.to_mark, fill.attended, new=new)
    running = _age(fill.opened_s, now_s) if phase in WATER_MAY_FLOW else 0
    elapsed = quarters(fill.open_before_s) + running
    draining = fill.way is Way.OUT
    if phase not in RUNNING:
        under_way = phase in UNDER_WAY
        return FillKey(
            fill.way,
            under_way and fill.to_mark,
            begun=True,
            boot=fill.boot if under_way else "",
            elapsed=int(draining and elapsed > 0),  # whether any water can have gone out
            low_ended=fill.low_ended,
            ended=fill.ended,
            new=new,
        )
    elapsed = 0 if elapsed < TIME_LIMIT - 1 else min(elapsed, TIME_LIMIT + 1)
    purged = fill.delivered_l - fill.purge_from_l >= PLAN.purge_l
    return FillKey(
        fill.way,
        fill.to_mark,
        fill.attended,
        True,
        fill.boot,
        min(running, 1 if draining else OPEN_CAP),
        elapsed,
        -PLAN.purge_l if purged or phase is Phase.HOLDING else fill.purge_from_l,
        fill.delivered_l,
        fill.holds,
        fill.low_ended,
        fill.ended,
        new,
    )


def _contacts_key(st: Station, now_s: float) -> Key:
    if not st.contacts:
        return ()
    keys = ((i, _contact_key(DEBOUNCES[i], st.contacts[i], now_s)) for i in sorted(st.contacts))
    return tuple((i, key) for i, key in keys if key is not None)


def _contact_key(debounce: Debounce, contact: Contact, now_s: float) -> Key | None:
    """Return (active, raw, left to the hold's end, left to the bound's end), or None if quiet.

    While raw is quiet, past both ends only their order counts.
    """
    if not contact.active and not contact.raw and contact.first_s is None:
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


def station_of(key: StationKey, shift: int = 0) -> Station:
    """Return a real station with this key, `shift` quarters later than when it had it."""
    at_s = ENGINE_S - shift * EPS_S
    missing, asked = key.echo
    asked_s = (-inf if not missing else at_s - LONG_AGO) if asked is None else at_s - asked * EPS_S
    cause = "first" if key.caused else ""
    return Station(
        phase=key.phase,
        phase_s=at_s - key.phase_age * EPS_S,
        now_s=at_s,
        due_s=inf if key.due is None else at_s - key.due * EPS_S,
        fill=None if key.fill is None else _fill_of(key.fill, at_s),
        senses=_senses_of(key.senses, at_s),
        contacts=_contacts_of(key.contacts, at_s),
        alarms=_alarms_of(key.standing),
        cause=cause,
        cause_key=cause,
        seq=SEQ,
        shut_s=-inf if key.shut == NEVER else at_s - key.shut * EPS_S,
        guard_cause=key.guard_cause,
        link_up=key.link_up,
        node_gone=key.node_gone,
        node_simulated=key.simulated,
        echo_asked_s=asked_s,
        echo_seen_s=-inf if missing else asked_s,
        overslept=key.overslept,
        interrupted=key.interrupted,
        facts=facts_of(*key.facts, at_s),
        **_restored(_NEW_STATION, key.new, at_s),
    )


def _alarms_of(standing: int) -> tuple[Alarm, ...]:
    if not standing:
        return ALL_NORMAL
    alarms = list(ALL_NORMAL)
    for index in CLOSING_RULES:
        if standing >> index & 1:
            alarms[index] = Alarm(AlarmState.UNACKED, 0.0)
    return tuple(alarms)


def _fill_of(key: FillKey, at_s: float) -> Fill:
    fill = replace(FILLS[key.way, key.to_mark], attended=key.attended,
                   **_restored(_NEW_FILL, key.new, at_s))  # fmt: skip
    if not key.begun:
        return fill
    before = key.elapsed - key.running if key.elapsed else 0
    return replace(
        fill, boot=key.boot, begun_s=at_s - LONG_AGO, opened_s=at_s - key.running * EPS_S,
        open_before_s=before * EPS_S, purge_from_l=key.purge_from_l, delivered_l=key.delivered_l,
        holds=key.holds, low_ended=key.low_ended, ended=key.ended, accounted=key.ended != "",
    )  # fmt: skip


def _senses_of(key: SensesKey, at_s: float) -> Senses:
    if key.boot == "" or key.offset is None:
        return Senses()
    heard_s = at_s - key.silent * EPS_S
    offset_s = ENGINE_S - NODE_S + key.offset * EPS_S
    return Senses(
        tracks={
            sensor: Track(value, 0, at_s - good * EPS_S, None)
            for sensor, (value, good) in zip(ALL_SENSORS, key.tracks, strict=True)
        },
        boot=key.boot,
        seq=SEQ,
        uptime_s=heard_s - offset_s,
        offset_s=offset_s,
        heard_s=heard_s,
        arrived_s=at_s - key.arrived * EPS_S,
        valve_open=key.valve_open,
        drain_open=key.drain_open,
        former=tuple((name, SEQ) for name in key.former),
        twin_s=at_s - key.twin * EPS_S,
    )


def _contacts_of(keys: Key, at_s: float) -> dict[int, Contact]:
    contacts = {}
    for index, (active, raw, hold, bound) in keys:
        debounce = DEBOUNCES[index]
        first_s = None if bound is None else at_s + bound * EPS_S - debounce.bound_s
        since_s = at_s if bound is None else at_s + hold * EPS_S - debounce.hold_s
        contacts[index] = Contact(active, raw, since_s, first_s, at_s)
    return contacts


# --- a guard and its key ---

OPEN_MAX: Final = quarters(LIMITS.open_max_s)


class GuardKey(NamedTuple):
    """What is kept of a guard. Times are in quarters."""

    phase: GuardPhase
    fill: str
    engine: str
    left: int
    elapsed: int
    cause: str
    spent: tuple[str, ...]


def guard_key(state: GuardState) -> GuardKey:
    """Return a guard's key at NODE_S. Open time is held in the same four bands as a fill's."""
    is_open = state.phase is GuardPhase.OPEN
    running = _age(state.opened_s, NODE_S) if is_open else 0
    elapsed = quarters(state.open_before_s) + running
    elapsed = 0 if elapsed < OPEN_MAX - 1 else min(elapsed, OPEN_MAX + 1)
    left = max(quarters(state.until_s - NODE_S), -1) if is_open else 0
    spent = tuple(sorted(set(state.spent)))
    return GuardKey(state.phase, state.fill, state.engine, left, elapsed, state.cause, spent)


def guard_of(key: GuardKey, shift: int = 0) -> GuardState:
    """Return a real guard with this key, `shift` quarters later than when it had it."""
    at_s = NODE_S - shift * EPS_S
    is_open = key.phase is GuardPhase.OPEN
    return GuardState(
        boot="n", phase=key.phase, fill=key.fill, engine=key.engine, seq=SEQ,
        until_s=at_s + key.left * EPS_S if is_open else 0.0,
        opened_s=at_s, open_before_s=key.elapsed * EPS_S, now_s=at_s, cause=key.cause,
        spent=key.spent,
    )  # fmt: skip
