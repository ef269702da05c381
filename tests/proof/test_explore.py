"""The walk finds nothing in the core as it is, and finds every defect that is planted in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from monitor.core import guard as guards
from monitor.core import permissives, phases, turns
from monitor.core import station as stations
from monitor.core.events import Asked, Given, Heard, SendPermit, SendWithdraw
from monitor.core.exchange import Permit, Way
from monitor.core.guard import Effect, GuardEvent, GuardInput, GuardPhase, GuardState
from monitor.core.limits import DEFAULTS, LIMITS, Limits, relations
from monitor.core.phases import Phase, Turn
from monitor.core.plan import Plan, Station
from monitor.core.station import Result
from monitor.core.view import Picture
from proof import abstract, claims, explore, steps, world
from proof.abstract import DRAIN_PLAN, PLAN
from proof.claims import Moment
from proof.steps import Broken, Core, Stations, every_check, shadow
from proof.world import SYSTEMS, World

TRANSITIONS, SECONDS = 120_000, 900.0  # so long only where something else uses the machine up

Patch = pytest.MonkeyPatch


def quick(
    system: str, core: Core | None = None, *, heal: int, transitions: int = TRANSITIONS
) -> explore.Found:
    """Walk through what one fault, at any moment, does to one good fill, or one good drain."""
    return explore.Walk(system, core).run(transitions, SECONDS, heal=heal, one_life=True)


# --- the core as it is ---


@pytest.mark.parametrize("system", SYSTEMS)
def test_no_story_of_one_fault_breaks_a_claim(system: str) -> None:
    """Claim: every single fault at every quarter of a second of a good fill (or drain), with
    everything that a person may ask and everything that mends it afterwards, breaks no claim; and
    from every state on the way a new one can be had.
    """
    found = quick(system, heal=5000)
    assert found.broken == "", "\n".join(found.trace)
    assert found.transitions >= TRANSITIONS or found.complete > 1
    assert found.open_states > 100
    assert found.healed == 5000


@pytest.mark.slow
def test_two_million_transitions_break_no_claim() -> None:
    """Claim: the command's own walk, at a fifth of its length, breaks nothing, and of fills it goes
    to the end of every story without a fault (of drains that takes 700,000 transitions).
    """
    for found in explore.explore(2_000_000, SECONDS):
        assert found.broken == "", "\n".join(found.trace)
        assert found.transitions >= 400_000
        assert found.complete >= 1 or found.system.startswith("drains")


@pytest.mark.parametrize(
    ("plan", "other"), [(PLAN, Phase.DRAINING), (DRAIN_PLAN, Phase.HOLDING)], ids=["fill", "drain"]
)
def test_keys_forget_nothing_that_counts(plan: Plan, other: Phase) -> None:
    """Claim: the whole core, with forecast, letters of alarms, real numbers and moving clocks,
    decides on random walks exactly as it does from states re-made from their keys.
    """
    machine = Stations(plan=plan)
    told = [step for seed in range(60) for step in shadow(seed, 80, machine)]
    assert len(told) > 4000
    assert {phase for phase, _ in told} >= {phase.value for phase in set(Phase) - {other}}


def test_every_check_lets_through_just_what_it_may() -> None:
    """Claim: whatever is odd, in what is told and in what is read, refuses a fill or a drain for
    just the named checks; what concerns a person who is away refuses no attended fill.
    """
    assert every_check() == 2 ** len(steps.UNTOLD) * 4 * len(steps.ODDITIES)


@pytest.mark.parametrize("key", [row.key for row in permissives.PERMISSIVES if row.unattended_only])
def test_a_check_that_errs_about_attendance_is_found(key: str, monkeypatch: Patch) -> None:
    """Claim: a row that forgets that a person is there is found (but for the one that hangs on an
    alarm of an earlier fill, which no picture here has).
    """
    rows = tuple(
        replace(row, unattended_only=False) if row.key == key else row
        for row in permissives.PERMISSIVES
    )
    monkeypatch.setattr(permissives, "PERMISSIVES", rows)
    if key == "in-stream":
        assert every_check() > 0
        return
    with pytest.raises(Broken, match="a_check_lets_through_just_what_it_may"):
        every_check()


def test_an_attended_fill_needs_no_proof_and_another_does() -> None:
    """Claim: the walk by the meter meets water flowing with nothing proven; the one up to the mark,
    which nobody attends, only with everything proven.
    """
    for system, proven, attended in (("mark", True, False), ("meter", False, True)):
        walk = explore.Walk(system)
        walk.run(30_000, SECONDS, one_life=True)
        flowing = [k for k in walk.world.stations.keys if k.phase is Phase.FILLING]
        assert {(k.facts[0], k.fill and k.fill.attended) for k in flowing} == {(proven, attended)}


@pytest.mark.parametrize("system", ["mark", "drain"])
def test_every_key_is_the_key_of_its_own_state(system: str) -> None:
    """Claim: a state made of a key has that key, for every station and guard a walk meets."""
    walk = explore.Walk(system)
    walk.run(60_000, SECONDS, one_life=True)
    for key, state in zip(walk.world.stations.keys, walk.world.stations.states, strict=True):
        assert abstract.key_of(state) == key
    for held, guard in zip(walk.world.guards.keys, walk.world.guards.states, strict=True):
        assert abstract.guard_key(guard) == held


def test_every_phase_is_met() -> None:
    """Claim: the quick walks meet every phase of a station and of each guard."""
    met, gates = set(), set()
    for system in ("mark", "drain"):
        walk = explore.Walk(system)
        walk.run(TRANSITIONS, SECONDS, one_life=True)
        met |= {key.phase for key in walk.world.stations.keys}
        guards_met = walk.world.guards.keys
        gates |= {(at, guards_met[x[1 + at]].phase) for x in walk.came for at in (0, 1)}
    assert met == set(Phase)
    # Only a hold pauses a guard, and a drain never holds.
    assert gates == {(p, g) for p in (0, 1) for g in GuardPhase} - {(1, GuardPhase.PAUSED)}


def test_small_limits_keep_their_relations() -> None:
    """Claim: the small limits keep all checked relations, and leave a hard range only where the
    docstring of `abstract` says so.
    """
    assert relations(abstract.LIMITS) == ()
    outside = {
        name for name, row in LIMITS.items()
        if not row.low <= getattr(abstract.LIMITS, name) <= row.high
    }  # fmt: skip
    assert outside == {
        "clock_creep", "no_flow_s", "no_flow_bound_s", "seep_s", "seep_bound_s", "hold_pause_s",
        "hold_max_s", "settle_s", "drain_settle_s",
    }  # fmt: skip
    assert abstract.LIMITS != DEFAULTS


def test_a_run_repeats_itself() -> None:
    """Claim: two walks of the same length meet the same states."""
    first, second = (explore.Walk("drain") for _ in range(2))
    assert first.run(30_000, SECONDS).states == second.run(30_000, SECONDS).states
    assert list(first.came) == list(second.came)


# --- planted defects ---


def changed(change: Callable[[Station, Given, Result], Result]) -> Core:
    """Return a core whose station's results are changed afterwards."""

    def step(plan: Plan, before: Station, given: Given, now_s: float) -> Result:
        return change(before, given, stations.step(plan, before, given, now_s))

    return Core(station_step=step)


def station_with(result: Result, **fields: Any) -> Result:
    return replace(result, station=replace(result.station, **fields))


def asks(given: Given, verb: str) -> bool:
    return isinstance(given, Asked) and given.request.verb == verb


def turn(patch: Patch, phase: Phase, event: Turn, to: Phase) -> Core:
    """Change one cell of the phase table."""
    patch.setitem(phases.TABLE, (phase, event), to)
    return Core()


def cell(
    patch: Patch, phase: GuardPhase, event: GuardEvent, to: GuardPhase, effect: Effect
) -> Core:
    """Change one cell of the guard's table."""
    patch.setitem(guards.TABLE, (phase, event), (to, effect))
    return Core()


def never(_: Picture) -> bool:
    return False


def always(_: Picture) -> bool:
    return True


def deaf(*keys: str, raised: Callable[[Picture], bool] = never) -> Core:
    """Make the station deaf to some rules (or hear them for ever)."""
    plans = {}
    for plan in (PLAN, DRAIN_PLAN):
        armed = {
            phase: tuple((i, replace(r, raised=raised) if r.key in keys else r, d)
                         for i, r, d in rows)
            for phase, rows in plan.armed.items()
        }  # fmt: skip
        plans[plan.drain] = replace(plan, armed=armed)
    fitted = {r.key for rows in plans["pump"].armed.values() for _, r, _ in rows}
    assert fitted >= set(keys)
    return Core(lambda plan, st, given, now_s: stations.step(plans[plan.drain], st, given, now_s))


def permit_in_holding(_: Station, given: Given, result: Result) -> Result:
    st = result.station
    if not isinstance(given, Heard) or st.phase is not Phase.HOLDING or st.fill is None:
        return result
    permit = Permit("river", "", 99, st.fill.boot, st.senses.uptime_s, 1.5, st.fill.id)
    return replace(result, actions=(*result.actions, SendPermit(permit)))


def permit_of_tomorrow(_: Station, __: Given, result: Result) -> Result:
    actions = tuple(
        SendPermit(replace(a.permit, as_of_s=a.permit.as_of_s + 1.0))
        if isinstance(a, SendPermit) else a for a in result.actions
    )  # fmt: skip
    return replace(result, actions=actions)


def no_withdrawal(_: Station, __: Given, result: Result) -> Result:
    left = tuple(a for a in result.actions if not isinstance(a, SendWithdraw))
    return replace(result, actions=left)


def endless_holds(_: Station, __: Given, result: Result) -> Result:
    fill = result.station.fill
    if fill is None or result.station.phase is not Phase.HOLDING:
        return result
    return station_with(result, fill=replace(fill, holds=fill.holds + 9))


def grown_old(sensor: str) -> Core:
    """Permits go on being sent although a switch's last value is old."""

    def change(_: Station, __: Given, result: Result) -> Result:
        if not any(isinstance(action, SendPermit) for action in result.actions):
            return result
        senses = result.station.senses
        old = replace(senses.tracks[sensor], good_s=senses.heard_s - 10.0)
        tracks = {**senses.tracks, sensor: old}
        return station_with(result, senses=replace(senses, tracks=tracks))

    return changed(change)


def on_at_the_mark(patch: Patch, *deaf_to: str) -> Core:
    patch.setattr(turns, "_at_target", never)
    return deaf(*deaf_to)


def proof_counts_always(patch: Patch) -> Core:
    rows = tuple(replace(row, unattended_only=False) for row in permissives.PERMISSIVES)
    patch.setattr(permissives, "PERMISSIVES", rows)
    return Core()


def spent_is_forgotten(patch: Patch) -> Core:
    fits, energised = guards._fits, guards.energised

    def loose(state: GuardState, permit: Permit, now_s: float, limits: Limits) -> bool:
        return fits(replace(state, spent=()), permit, now_s, limits)

    def on(state: GuardState, now_s: float, limits: Limits) -> bool:
        return energised(replace(state, spent=()), now_s, limits)

    patch.setattr(guards, "_fits", loose)
    return Core(energised=on)


def guarded(change: Callable[[GuardState, GuardInput, GuardState], GuardState]) -> Core:
    """Return a core whose guard's results are changed afterwards."""

    def step(before: GuardState, given: GuardInput, now_s: float, limits: Limits) -> GuardState:
        return change(before, given, guards.step(before, given, now_s, limits))

    return Core(guard_step=step)


def open_for_ever(patch: Patch) -> Core:
    patch.setattr(guards, "open_time_s", lambda _state, _now_s: 0.0)
    return Core()


def strangers_are_welcome(patch: Patch) -> Core:
    sort = guards._sort

    def loose(
        state: GuardState, given: GuardInput, now_s: float, limits: Limits
    ) -> tuple[GuardEvent, str]:
        event, cause = sort(state, given, now_s, limits)
        return (GuardEvent.PERMIT if event is GuardEvent.ALIEN else event), cause

    patch.setattr(guards, "_sort", loose)
    return Core()


def node_without_trips(patch: Patch, *parts: str) -> Core:
    trips = {way: tuple(r for r in rows if r[0] not in parts) for way, rows in world.TRIPS.items()}
    patch.setattr(world, "TRIPS", trips)
    return Core()


def gates_that_do_not_look_aside(patch: Patch) -> Core:
    def act(self: World, g: int, h: int, way: Way, note: steps.Message) -> tuple[int, int, int]:
        after, took = self.guards.step(g if way is Way.IN else h, note)
        return (after, h, took) if way is Way.IN else (g, after, took)

    patch.setattr(World, "_act", act)
    return Core()


_O, _S, _B = GuardPhase.OPEN, GuardPhase.SHUT, GuardPhase.BLOCKED
_E, _P, _T = GuardEvent, Phase, Turn

PLANTS: Mapping[str, Callable[[Patch], Core]] = {
    "reset_opens_nothing": lambda p: turn(p, _P.CHECKING, _T.RESET, _P.FILLING),
    "permit_only_while_water_may_flow": lambda _: changed(permit_in_holding),
    "permit_is_for_the_running_fill": lambda _: changed(permit_of_tomorrow),
    "filling_only_after_a_full_check": lambda p: turn(p, _P.IDLE, _T.ASKED, _P.FILLING),
    "draining_only_after_a_full_check": lambda p: turn(p, _P.IDLE, _T.ASKED, _P.DRAINING),
    "a_check_needs_a_request": lambda p: turn(p, _P.STOPPED, _T.RESET, _P.CHECKING),
    "attended_skips_just_its_rows": proof_counts_always,
    "rule_that_closes_stops_at_once": lambda p: turn(p, _P.SETTLING, _T.TRIP, _P.SETTLING),
    "wet_probe_stops": lambda _: deaf("leak"),
    "high_second_float_stops": lambda _: deaf("over-float"),
    "full_sump_stops": lambda _: deaf("sump-high"),
    "high_float_never_fills": lambda p: on_at_the_mark(p, "float-early", "over-mark"),
    "low_float_never_drains": on_at_the_mark,
    "full_store_never_drains": lambda _: deaf("store-full"),
    "unread_switch_never_fills": lambda _: grown_old("leak"),
    "unread_switch_never_drains": lambda _: grown_old("low"),
    "scald_stops": lambda _: deaf("scald"),
    "too_much_water_stops": lambda _: deaf("over-volume"),
    "a_drain_never_holds": lambda p: turn(p, _P.DRAINING, _T.TARGET, _P.HOLDING),
    "silence_stops": lambda _: deaf("node-silent", "engine-late"),
    "other_boot_stops": lambda _: deaf("node-gone"),
    "only_a_reset_leaves_stopped": lambda p: turn(p, _P.STOPPED, _T.STOP, _P.IDLE),
    "first_cause_is_kept": lambda _: changed(
        lambda before, given, r: station_with(r, cause="another")
        if before.phase is Phase.STOPPED and asks(given, "stop") else r),
    "a_stop_is_obeyed": lambda p: turn(p, _P.FILLING, _T.STOP, _P.FILLING),
    "time_never_runs_back": lambda _: changed(
        lambda _b, _g, r: station_with(r, now_s=r.station.now_s - 1.0)),
    "leaving_water_tells_the_valve": lambda _: changed(no_withdrawal),
    "holds_are_bounded": lambda _: changed(endless_holds),
    "acknowledging_changes_nothing": lambda _: changed(
        lambda _b, given, r: station_with(r, node_gone=True) if asks(given, "ack") else r),
    "spent_never_reopens": spent_is_forgotten,
    "spent_is_for_good": lambda _: guarded(
        lambda _b, given, after: replace(after, spent=()) if isinstance(given, guards.Tick)
        else after),
    "trip_shuts": lambda p: cell(p, _O, _E.TRIP, _O, Effect.NONE),
    "withdrawal_shuts": lambda p: cell(p, _O, _E.WITHDRAW, _O, Effect.NONE),
    "only_a_live_permit_opens": lambda p: cell(p, _B, _E.PERMIT, _O, Effect.GRANT),
    "lease_ends_at_its_end": lambda _: Core(energised=lambda state, _n, _l: state.phase is _O),
    "ended_lease_ends_the_fill": lambda p: cell(p, _O, _E.LAPSE, _O, Effect.NONE),
    "never_past_the_longest_time": open_for_ever,
    "two_claims_open_nothing": strangers_are_welcome,
    "guard_time_never_runs_back": lambda _: guarded(
        lambda _b, _g, after: replace(after, now_s=after.now_s - 1.0)),
    "a_leak_shuts_both": lambda p: node_without_trips(p, "wet"),
    "never_both_ways": gates_that_do_not_look_aside,
    "never_open_beside_a_bad_switch": lambda p: node_without_trips(p, "low", "store"),
    "only_a_person_stops_a_calm_fill": lambda _: deaf("over-time", raised=always),
    "a_fill_can_always_be_had_again": lambda p: turn(p, _P.STOPPED, _T.RESET, _P.STOPPED),
}  # fmt: skip
"""A defect for each claim that a walk can break; what it breaks first is that very claim."""

IN_OTHER_WORLDS: Mapping[str, str] = {
    "attended_skips_just_its_rows": "meter",
    **dict.fromkeys((
        "draining_only_after_a_full_check", "full_sump_stops", "low_float_never_drains",
        "full_store_never_drains", "unread_switch_never_drains", "a_drain_never_holds",
        "a_leak_shuts_both", "never_both_ways", "never_open_beside_a_bad_switch",
    ), "drain"),
}  # fmt: skip
"""Where a defect is looked for, if not among the fills up to the mark."""

MOMENT = Moment(
    on=True, lease_left=2, at_work=True, fill_begun=True, fill_now=True, engine_now=True,
    shut_age=9, switch_bad=False, dark=0, restarted=claims.LEASE,
)  # fmt: skip
MOMENTS = {
    "never_open_past_the_lease": replace(MOMENT, lease_left=0),
    "open_only_by_the_stations_word": replace(MOMENT, at_work=False),
    "shut_within_a_lease_of_silence": replace(MOMENT, dark=claims.LEASE),
    "never_open_beside_a_bad_switch": replace(MOMENT, switch_bad=True),
    "a_leak_shuts_both": replace(MOMENT, wet=True),
    "never_both_ways": replace(MOMENT, other_on=True),
}
"""Moments that no single defect leads to, as another claim stands before them."""


@pytest.mark.parametrize("claim", PLANTS)
def test_every_planted_defect_is_found(claim: str, monkeypatch: Patch) -> None:
    """Claim: a defect in a table's cell, a rule, a step or a shell is found, as the broken claim it
    is, with a story of how it came about.
    """
    core, system = PLANTS[claim](monkeypatch), IN_OTHER_WORLDS.get(claim, "mark")
    found = quick(system, core, heal=5000, transitions=600_000)
    assert found.broken.startswith(claim + ":"), found.broken or "not found"
    assert len(found.trace) > 0
    assert found.trace[0].startswith("in the beginning")


@pytest.mark.parametrize("claim", MOMENTS)
def test_every_claim_about_a_moment_can_fail(claim: str) -> None:
    """Claim: a moment at which one claim is broken breaks it, and the healthy moment none."""
    assert all(holds(MOMENT) for holds in claims.MOMENT_CLAIMS)
    broken = [c.__name__ for c in claims.MOMENT_CLAIMS if not c(MOMENTS[claim])]
    assert broken == [claim]


def test_every_claim_has_its_defect() -> None:
    """Claim: no claim is without a case in which it fails."""
    listed = (claims.STATION_CLAIMS, claims.GUARD_CLAIMS, claims.MOMENT_CLAIMS)
    names = {claim.__name__ for group in listed for claim in group} | set(explore.ODD_CLAIMS)
    assert names == set(PLANTS) | set(MOMENTS) | {"a_check_lets_through_just_what_it_may"}


def test_a_core_that_looks_at_what_the_key_leaves_out_is_found() -> None:
    """Claim: the shadow walk parts as soon as a decision hangs on something that is not kept."""
    many = abstract.SEQ + 5  # more than a state made of a key ever shows
    odd = changed(lambda _b, _g, r: station_with(r, node_gone=r.station.seq > many))

    def walk() -> None:
        for seed in range(60):
            shadow(seed, 80, Stations(odd))

    with pytest.raises(Broken, match="the_picture_is_true"):
        walk()


def test_a_time_between_the_quarters_is_refused() -> None:
    """Claim: a time that the walk could step over is told, not rounded."""
    with pytest.raises(ValueError, match="not a whole number of steps"):
        abstract.quarters(0.3)


def test_a_kept_message_loses_its_newness() -> None:
    """Claim: a permit that was taken, or overtaken, is no longer newer than what is known."""
    here = World(SYSTEMS["drain"])
    kept = here.notes.number(("permit", "c", "c", steps.NEWER, 0, True, Way.IN))
    for took, newer in ((steps.FRESH, False), (steps.NEWER, False), (steps.KNOWN, True)):
        number = here._taken(kept, 3, took, steps.KNOWN)
        assert (here.notes.values[number][3] == steps.NEWER) is newer


def test_a_word_to_one_guard_tells_the_other_nothing() -> None:
    """Claim: a kept permit for the valve stays newer when the drain's guard takes a later word."""
    here = World(SYSTEMS["drain"])
    kept = here.notes.number(("permit", "c", "c", steps.NEWER, 0, True, Way.IN))
    known = here.guards.number(abstract.guard_key(GuardState("n", engine="c", seq=abstract.SEQ)))
    station = here.first()[0]
    for way in Way:
        later: steps.Message = ("withdraw", "c", "c", steps.FRESH, False, way)
        after = here._obey((station, known, known, 0, 0, 0, kept), later)
        assert (here.notes.values[after[6]][3] == steps.NEWER) is (way is Way.OUT)
