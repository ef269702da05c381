"""The walk finds nothing in the core as it is, and finds every defect that is planted in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from monitor.core import guard as guards
from monitor.core import phases
from monitor.core import station as stations
from monitor.core.events import Asked, Given, Heard, SendPermit, SendWithdraw
from monitor.core.exchange import Permit
from monitor.core.guard import Effect, GuardEvent, GuardInput, GuardPhase, GuardState
from monitor.core.hazards import RULES, Picture
from monitor.core.limits import DEFAULTS, LIMITS, Limits, relations
from monitor.core.phases import Phase, Turn
from monitor.core.plan import Plan, Station
from monitor.core.station import Result
from proof import abstract, claims, explore, steps, world
from proof.claims import Moment
from proof.steps import Broken, Core, Stations, shadow
from proof.world import World

TRANSITIONS, SECONDS = 120_000, 30.0

Patch = pytest.MonkeyPatch


def quick(
    core: Core | None = None, *, to_mark: bool = True, heal_s: float, transitions: int = TRANSITIONS
) -> explore.Found:
    """Walk through what one fault, at any moment, does to one good fill."""
    walk = explore.Walk(to_mark=to_mark, core=core)
    return walk.run(transitions, SECONDS, heal_s=heal_s, one_life=True)


# --- the core as it is ---


@pytest.mark.parametrize("to_mark", [True, False])
def test_no_story_of_one_fault_breaks_a_claim(to_mark: bool) -> None:
    """Claim: every single fault at every quarter of a second of a good fill, with everything that
    a person may ask and everything that mends it afterwards, breaks no claim; and from every
    state on the way a new fill can be had.
    """
    found = quick(to_mark=to_mark, heal_s=2.0)
    assert found.broken == "", "\n".join(found.trace)
    assert found.transitions >= TRANSITIONS or found.complete > 1
    assert found.open_states > 100
    assert found.healed > 1000


@pytest.mark.slow
def test_two_million_transitions_break_no_claim() -> None:
    """Claim: the command's own walk, at a fifth of its length, breaks nothing."""
    for found in explore.explore(2_000_000, 100.0):
        assert found.broken == "", "\n".join(found.trace)
        assert found.complete >= 1


def test_keys_forget_nothing_that_counts() -> None:
    """Claim: the whole core, with forecast, letters of alarms, real numbers and moving clocks,
    decides on random walks exactly as it does from states re-made from their keys.
    """
    told = [step for seed in range(60) for step in shadow(seed, 80)]
    assert len(told) > 4000
    assert {phase for phase, _ in told} == {phase.value for phase in Phase}


def test_every_key_is_the_key_of_its_own_state() -> None:
    """Claim: a state made of a key has that key, for every station and guard a walk meets."""
    walk = explore.Walk(to_mark=True)
    walk.run(60_000, SECONDS, one_life=True)
    for key, state in zip(walk.world.stations.keys, walk.world.stations.states, strict=True):
        assert abstract.key_of(state) == key
    for key, held in zip(walk.world.guards.keys, walk.world.guards.states, strict=True):
        assert abstract.guard_key(held) == key


def test_every_phase_is_met() -> None:
    """Claim: the quick walk meets every phase of a station and of a guard."""
    walk = explore.Walk(to_mark=True)
    walk.run(TRANSITIONS, SECONDS, one_life=True)
    assert {key[0] for key in walk.world.stations.keys} == set(Phase)
    assert {key[0] for key in walk.world.guards.keys} == set(GuardPhase)


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
        "hold_max_s", "settle_s",
    }  # fmt: skip
    assert abstract.LIMITS != DEFAULTS


def test_a_run_repeats_itself() -> None:
    """Claim: two walks of the same length meet the same states."""
    first, second = (explore.Walk(to_mark=False) for _ in range(2))
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


def deaf(patch: Patch, *keys: str, raised: Callable[[Picture], bool] = never) -> Core:
    """Make the station deaf to some rules (or hear them for ever)."""
    rules = tuple(replace(r, raised=raised) if r.key in keys else r for r in RULES)
    assert sum(r.raised is raised for r in rules) == len(keys)
    patch.setattr(stations, "RULES", rules)
    return Core()


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


def probe_grown_old(_: Station, __: Given, result: Result) -> Result:
    """Permits go on being sent although the probe's last value is old."""
    if not any(isinstance(action, SendPermit) for action in result.actions):
        return result
    senses = result.station.senses
    old = replace(senses.tracks["leak"], good_s=senses.heard_s - 10.0)
    return station_with(result, senses=replace(senses, tracks={**senses.tracks, "leak": old}))


def filling_on_at_the_mark(patch: Patch) -> Core:
    patch.setattr(stations, "_at_target", never)
    return deaf(patch, "float-early", "over-mark")


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


def node_without_trips(patch: Patch) -> Core:
    patch.setattr(world, "TRIPS", ())
    return Core()


_O, _S, _B = GuardPhase.OPEN, GuardPhase.SHUT, GuardPhase.BLOCKED
_E, _P, _T = GuardEvent, Phase, Turn

PLANTS: Mapping[str, Callable[[Patch], Core]] = {
    "reset_opens_nothing": lambda p: turn(p, _P.CHECKING, _T.RESET, _P.FILLING),
    "permit_only_while_filling": lambda _: changed(permit_in_holding),
    "permit_is_for_the_running_fill": lambda _: changed(permit_of_tomorrow),
    "filling_only_after_a_full_check": lambda p: turn(p, _P.IDLE, _T.ASKED, _P.FILLING),
    "rule_that_closes_stops_at_once": lambda p: turn(p, _P.SETTLING, _T.TRIP, _P.SETTLING),
    "wet_probe_stops": lambda p: deaf(p, "leak"),
    "high_second_float_stops": lambda p: deaf(p, "over-float"),
    "high_float_never_fills": filling_on_at_the_mark,
    "unread_switch_never_fills": lambda _: changed(probe_grown_old),
    "scald_stops": lambda p: deaf(p, "scald"),
    "too_much_water_stops": lambda p: deaf(p, "over-volume"),
    "silence_stops": lambda p: deaf(p, "node-silent", "engine-late"),
    "other_boot_stops": lambda p: deaf(p, "node-gone"),
    "only_a_reset_leaves_stopped": lambda p: turn(p, _P.STOPPED, _T.STOP, _P.IDLE),
    "first_cause_is_kept": lambda _: changed(
        lambda before, given, r: station_with(r, cause="another")
        if before.phase is Phase.STOPPED and asks(given, "stop") else r),
    "a_stop_is_obeyed": lambda p: turn(p, _P.FILLING, _T.STOP, _P.FILLING),
    "time_never_runs_back": lambda _: changed(
        lambda _b, _g, r: station_with(r, now_s=r.station.now_s - 1.0)),
    "leaving_filling_tells_the_valve": lambda _: changed(no_withdrawal),
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
    "never_open_beside_a_bad_switch": node_without_trips,
    "only_a_person_stops_a_calm_fill": lambda p: deaf(p, "over-time", raised=always),
    "a_fill_can_always_be_had_again": lambda p: turn(p, _P.STOPPED, _T.RESET, _P.STOPPED),
}  # fmt: skip
"""A defect for each claim that a walk can break; what it breaks first is that very claim."""

MOMENT = Moment(
    on=True, lease_left=2, phase=Phase.FILLING, fill_begun=True, fill_now=True, engine_now=True,
    shut_age=9, switch_bad=False, dark=0, restarted=claims.LEASE,
)  # fmt: skip
MOMENTS = {
    "never_open_past_the_lease": replace(MOMENT, lease_left=0),
    "open_only_by_the_stations_word": replace(MOMENT, phase=Phase.STOPPED),
    "shut_within_a_lease_of_silence": replace(MOMENT, dark=claims.LEASE),
    "never_open_beside_a_bad_switch": replace(MOMENT, switch_bad=True),
}
"""Moments that no single defect leads to, as another claim stands before them."""


@pytest.mark.parametrize("claim", PLANTS)
def test_every_planted_defect_is_found(claim: str, monkeypatch: Patch) -> None:
    """Claim: a defect in a table's cell, a rule, a step or a shell is found, as the broken claim it
    is, with a story of how it came about.
    """
    found = quick(PLANTS[claim](monkeypatch), heal_s=60.0, transitions=300_000)
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
    assert names == set(PLANTS) | set(MOMENTS)


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
    here = World(to_mark=True)
    kept = here.notes.number(("permit", "c", "c", steps.NEWER, 0, True))
    for took, newer in ((steps.FRESH, False), (steps.NEWER, False), (steps.KNOWN, True)):
        number = here._taken(kept, 3, took, steps.KNOWN)
        assert (here.notes.values[number][3] == steps.NEWER) is newer
