"""What must be true of every step and of every moment, as plain functions with names.

Each function returns True when the claim holds. They look at the raw states before and after a
step and at what was sent, and judge by limits and sensor values of their own accord: they do not
ask the core's rules whether the core is right, but for the one claim about rules.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Final

from monitor.core.alarm import STANDING
from monitor.core.events import Asked, FillRefused, Given, SendPermit, SendWithdraw
from monitor.core.exchange import Permit, Way, Withdraw
from monitor.core.guard import GuardInput, GuardPhase, GuardState, Trip
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import ALL_NORMAL, Plan, Station
from monitor.core.quality import Track
from monitor.core.station import Result
from proof.abstract import CLOSING_RULES, EPS_S, LIMITS, PLAN, facts_key

FLOWS: Final = {Way.IN: Phase.FILLING, Way.OUT: Phase.DRAINING}
"""The one phase in which water may flow that way."""

FOR_ALONE: Final = frozenset({"in-stream", "proof", "cartridge", "people", "desk"})
"""Checks that a person who stays beside the tank goes without."""


@dataclass(frozen=True, slots=True)
class Stepped:
    """One step of a station."""

    before: Station
    given: Given
    result: Result
    now_s: float
    plan: Plan = PLAN

    @property
    def after(self) -> Station:
        """The station after the step."""
        return self.result.station

    @property
    def permits(self) -> list[Permit]:
        """The permits it sent."""
        return [a.permit for a in self.result.actions if isinstance(a, SendPermit)]

    def asked(self) -> str:
        """What a person asked for, if one did."""
        return self.given.request.verb if isinstance(self.given, Asked) else ""

    def entered(self, phase: Phase) -> bool:
        """Say whether the step led into a phase."""
        return self.after.phase is phase and self.before.phase is not phase


def _track(st: Station, sensor: str) -> Track:
    return st.senses.tracks.get(sensor, Track())


def _fresh(st: Station, sensor: str, now_s: float) -> bool:
    return 0.0 <= now_s - _track(st, sensor).good_s < LIMITS.reading_stale_s


def _clear(st: Station, sensors: tuple[str, ...], now_s: float) -> bool:
    """Say whether all of these switches are read, and say that all is well."""
    return all(_fresh(st, s, now_s) and _track(st, s).value == 0.0 for s in sensors)


def all_well(plan: Plan, st: Station, now_s: float, way: Way) -> bool:
    """Say whether water may begin to flow that way, by the readings alone."""
    switches = (*plan.leaks, *plan.sump_highs)
    switches += (*plan.floats, *plan.overs) if way is Way.IN else (*plan.lows, *plan.stores)
    temp_c, flow_lpm = _track(st, "temp").value, _track(st, "flow").value
    return (
        _clear(st, switches, now_s)
        and (way is Way.OUT or (_fresh(st, "temp", now_s) and temp_c < PLAN.scald_c))
        and _fresh(st, "flow", now_s)
        and flow_lpm < LIMITS.flow_min_lpm
        and not st.senses.valve_open
        and not st.senses.drain_open
        and st.link_up
        and not st.node_gone
        and not st.node_simulated
        and not st.echo_asked_s > st.echo_seen_s
        and now_s - st.senses.heard_s < LIMITS.suspect_s
        and now_s - st.shut_s >= LIMITS.check_quiet_s
    )


# --- a station's step ---


def permit_only_while_water_may_flow(s: Stepped) -> bool:
    """A permit leaves only a station that fills, or drains, when the step ends; and just one."""
    return not s.permits or [FLOWS[p.way] for p in s.permits] == [s.after.phase]


def permit_is_for_the_running_fill(s: Stepped) -> bool:
    """A permit names the running fill, its way and its boot, quotes a fresh reading, and lives
    one lease.
    """
    fill, senses = s.after.fill, s.after.senses
    return all(
        fill is not None
        and not fill.ended
        and (permit.fill, permit.way, permit.node_boot) == (fill.id, fill.way, fill.boot)
        and permit.as_of_s == senses.uptime_s
        and permit.ttl_s <= LIMITS.permit_ttl_s
        and s.now_s - senses.heard_s < LIMITS.suspect_s
        for permit in s.permits
    )


def _may_begin(s: Stepped, way: Way) -> bool:
    """Say whether all is well now, and with nobody beside the tank, every part proven."""
    proven, busy = facts_key(s.after.facts, s.now_s)
    attended = s.after.fill is not None and s.after.fill.attended
    told = (proven or attended) and not (busy and way is Way.IN)
    return told and all_well(s.plan, s.after, s.now_s, way)


def filling_only_after_a_full_check(s: Stepped) -> bool:
    """Filling is entered from checking or holding only, after their wait, with all well now."""
    if not s.entered(Phase.FILLING):
        return True
    waits = {Phase.CHECKING: LIMITS.check_quiet_s, Phase.HOLDING: LIMITS.hold_pause_s}
    waited_s = s.now_s - s.before.phase_s
    return _may_begin(s, Way.IN) and waited_s >= waits.get(s.before.phase, inf)


def draining_only_after_a_full_check(s: Stepped) -> bool:
    """Draining is entered from checking only, after its wait, with all well now."""
    if not s.entered(Phase.DRAINING):
        return True
    waited = s.before.phase is Phase.CHECKING
    waited = waited and s.now_s - s.before.phase_s >= LIMITS.check_quiet_s
    return waited and _may_begin(s, Way.OUT)


def a_check_needs_a_request(s: Stepped) -> bool:
    """A check is begun by a person's request alone, and never from a stop."""
    asked = s.asked() in ("fill", "drain", "change")
    rested = s.before.phase in (Phase.IDLE, Phase.DONE)
    return not s.entered(Phase.CHECKING) or (asked and rested)


def attended_skips_just_its_rows(s: Stepped) -> bool:
    """What is not proven refuses what nobody attends, and never what somebody does."""
    for refused in (a for a in s.result.actions if isinstance(a, FillRefused)):
        keys, fill = set(refused.failing), refused.fill
        unproven = not facts_key(s.after.facts, s.now_s)[0]
        counts = unproven and not fill.attended
        if keys & FOR_ALONE != ({"proof"} if counts else set()):
            return False
    return True


def rule_that_closes_stops_at_once(s: Stepped) -> bool:
    """With an alarm standing of a rule that closes, the station is stopped."""
    if s.after.phase is Phase.STOPPED or s.after.alarms is ALL_NORMAL:
        return True
    return not any(s.after.alarms[index].state in STANDING for index in CLOSING_RULES)


def wet_probe_stops(s: Stepped) -> bool:
    """A probe last heard wet means stopped, whatever the phase was."""
    return _track(s.after, "leak").value == 0.0 or s.after.phase is Phase.STOPPED


def high_second_float_stops(s: Stepped) -> bool:
    """A second float last heard high means stopped, whatever the phase was."""
    return _track(s.after, "over").value == 0.0 or s.after.phase is Phase.STOPPED


def full_sump_stops(s: Stepped) -> bool:
    """A sump's float last heard high means stopped, whatever the phase was."""
    return _track(s.after, "sump").value == 0.0 or s.after.phase is Phase.STOPPED


def high_float_never_fills(s: Stepped) -> bool:
    """Filling does not outlast the step that hears of a high float."""
    high = _track(s.after, "float").value > 0.0 and _fresh(s.after, "float", s.now_s)
    return not high or s.after.phase is not Phase.FILLING


def low_float_never_drains(s: Stepped) -> bool:
    """Draining does not outlast the step that hears of water below the low float."""
    low = _track(s.after, "low").value > 0.0 and _fresh(s.after, "low", s.now_s)
    return not low or s.after.phase is not Phase.DRAINING


def full_store_never_drains(s: Stepped) -> bool:
    """A storage vessel last heard full means that nothing is drained into it."""
    return _track(s.after, "store").value == 0.0 or s.after.phase is not Phase.DRAINING


def unread_switch_never_fills(s: Stepped) -> bool:
    """Filling goes on without permits beside a float or probe that has no fresh value."""
    switches = (*s.plan.floats, *s.plan.overs, *s.plan.sump_highs, *s.plan.leaks)
    unread = not all(_fresh(s.after, sensor, s.now_s) for sensor in switches)
    return not unread or s.after.phase is not Phase.FILLING or not s.permits


def unread_switch_never_drains(s: Stepped) -> bool:
    """Draining goes on without permits beside a float or probe that has no fresh value."""
    switches = (*s.plan.lows, *s.plan.stores, *s.plan.leaks)
    unread = not all(_fresh(s.after, sensor, s.now_s) for sensor in switches)
    return not unread or s.after.phase is not Phase.DRAINING or not s.permits


def scald_stops(s: Stepped) -> bool:
    """Water hot enough to scald stops a running fill at once."""
    scalds = _fresh(s.after, "temp", s.now_s) and _track(s.after, "temp").value >= PLAN.scald_c
    return not scalds or s.after.phase is not Phase.FILLING


def too_much_water_stops(s: Stepped) -> bool:
    """Past the volume limit no fill goes on; past the time limit neither a fill nor a drain."""
    fill = s.after.fill
    if s.after.phase not in FLOWS.values() or fill is None:
        return True
    open_s = fill.open_before_s + s.now_s - fill.opened_s
    in_time = open_s <= fill.time_limit_s
    return in_time and (fill.way is Way.OUT or fill.delivered_l <= fill.volume_limit_l)


def a_drain_never_holds(s: Stepped) -> bool:
    """Only a fill waits; a drain under way runs or is over, and each phase has its own way."""
    fill = s.after.fill
    one_way = {Phase.FILLING: Way.IN, Phase.HOLDING: Way.IN, Phase.DRAINING: Way.OUT}
    wanted = one_way.get(s.after.phase)
    return wanted is None or (fill is not None and fill.way is wanted)


def silence_stops(s: Stepped) -> bool:
    """A fill under way whose node was not heard for a lease is stopped."""
    silent = not s.now_s - s.after.senses.heard_s < LIMITS.permit_ttl_s
    return not silent or s.after.phase not in UNDER_WAY


def other_boot_stops(s: Stepped) -> bool:
    """A fill that began on another boot of the node is stopped."""
    fill = s.after.fill
    return s.after.phase not in UNDER_WAY or fill is None or fill.boot == s.after.senses.boot


def reset_opens_nothing(s: Stepped) -> bool:
    """A reset leads neither to filling nor to a permit (a hold that ends by itself is no reset)."""
    if s.asked() != "reset":
        return True
    drains = s.entered(Phase.DRAINING)
    return not s.permits and not drains and (
        not s.entered(Phase.FILLING) or s.before.phase is Phase.HOLDING)  # fmt: skip


def only_a_reset_leaves_stopped(s: Stepped) -> bool:
    """Stopped is left by a person's reset only, and only to idle."""
    left = s.before.phase is Phase.STOPPED and s.after.phase is not Phase.STOPPED
    return not left or (s.asked() == "reset" and s.after.phase is Phase.IDLE)


def first_cause_is_kept(s: Stepped) -> bool:
    """While stopped the first cause stays; entering stopped gives one."""
    if s.after.phase is not Phase.STOPPED:
        return True
    same = (s.before.cause, s.before.cause_key) == (s.after.cause, s.after.cause_key)
    return same if s.before.phase is Phase.STOPPED else s.after.cause != ""


def a_stop_is_obeyed(s: Stepped) -> bool:
    """After a person's stop nothing is under way."""
    return s.asked() != "stop" or s.after.phase not in UNDER_WAY | {Phase.CHECKING}


def time_never_runs_back(s: Stepped) -> bool:
    """The station's newest time only grows, and its next call lies ahead of it."""
    return s.after.now_s >= s.before.now_s and s.result.due_s > s.after.now_s


def leaving_water_tells_the_valve(s: Stepped) -> bool:
    """The step that ends filling, or draining, sends that way's withdrawal, resumable only for a
    hold.
    """
    left = s.before.phase in FLOWS.values() and s.after.phase is not s.before.phase
    if not left or s.before.fill is None:
        return not left
    notes = [a.withdraw for a in s.result.actions if isinstance(a, SendWithdraw)]
    told = [(n.resumable, n.way, n.fill) for n in notes]
    return told == [(s.after.phase is Phase.HOLDING, s.before.fill.way, s.before.fill.id)]


def holds_are_bounded(s: Stepped) -> bool:
    """A fill holds at most so many times."""
    return s.after.fill is None or s.after.fill.holds <= LIMITS.holds_max


STATION_CLAIMS: Final[tuple[Callable[[Stepped], bool], ...]] = (
    reset_opens_nothing,
    unread_switch_never_fills,
    unread_switch_never_drains,
    permit_only_while_water_may_flow,
    permit_is_for_the_running_fill,
    filling_only_after_a_full_check,
    draining_only_after_a_full_check,
    a_check_needs_a_request,
    attended_skips_just_its_rows,
    rule_that_closes_stops_at_once,
    wet_probe_stops,
    high_second_float_stops,
    full_sump_stops,
    high_float_never_fills,
    low_float_never_drains,
    full_store_never_drains,
    scald_stops,
    too_much_water_stops,
    a_drain_never_holds,
    silence_stops,
    other_boot_stops,
    only_a_reset_leaves_stopped,
    first_cause_is_kept,
    a_stop_is_obeyed,
    time_never_runs_back,
    leaving_water_tells_the_valve,
    holds_are_bounded,
)


# --- a guard's step ---


@dataclass(frozen=True, slots=True)
class Guarded:
    """One step of a guard, and whether the valve is held open before and after it."""

    before: GuardState
    given: GuardInput
    after: GuardState
    now_s: float
    was_on: bool
    is_on: bool
    later_on: bool  # at the very end of the lease, with nothing more heard


def spent_never_reopens(g: Guarded) -> bool:
    """A fill that was spent before the step is not held open after it."""
    return not g.is_on or g.after.fill not in (*g.before.spent, *g.after.spent)


def spent_is_for_good(g: Guarded) -> bool:
    """No step makes a spent fill unspent."""
    return set(g.before.spent) <= set(g.after.spent)


def trip_shuts(g: Guarded) -> bool:
    """A local trip blocks, whatever went before."""
    return not isinstance(g.given, Trip) or (g.after.phase is GuardPhase.BLOCKED and not g.is_on)


def withdrawal_shuts(g: Guarded) -> bool:
    """A withdrawal for good spends its fill and shuts; one for a hold shuts its own fill.

    One for a fill that was spent before is an old story, and shuts no other fill.
    """
    if not isinstance(g.given, Withdraw):
        return True
    own = (g.given.engine, g.given.fill) == (g.before.engine, g.before.fill)
    if g.given.resumable:
        return not (own and g.is_on)
    shut = not g.is_on or (g.given.fill in g.before.spent and not own)
    return shut and g.given.fill in g.after.spent


def only_a_live_permit_opens(g: Guarded) -> bool:
    """The valve opens and a lease grows only by a live permit for this boot and an unspent fill."""
    grown = g.is_on and (not g.was_on or g.after.until_s > g.before.until_s)
    if not grown:
        return True
    p = g.given
    return (
        isinstance(p, Permit)
        and p.node_boot == g.before.boot
        and p.fill not in g.before.spent
        and p.as_of_s <= g.now_s < p.as_of_s + LIMITS.permit_ttl_s
        and g.after.until_s <= p.as_of_s + LIMITS.permit_ttl_s
        and (p.engine != g.before.engine or p.seq > g.before.seq)
        and g.before.phase is not GuardPhase.BLOCKED
    )


def lease_ends_at_its_end(g: Guarded) -> bool:
    """At the end of its lease the valve is not held open, heard or not."""
    return not g.later_on and (not g.is_on or g.now_s < g.after.until_s)


def ended_lease_ends_the_fill(g: Guarded) -> bool:
    """A lease found run out ends its fill for good: no later permit goes on with it."""
    ran_out = g.before.phase is GuardPhase.OPEN and g.now_s >= g.before.until_s
    paused = isinstance(g.given, Withdraw) and g.given.resumable
    if not ran_out or paused:
        return True
    stray = isinstance(g.given, Permit) and g.after.phase is GuardPhase.OPEN  # until the next tick
    return stray or (g.after.phase is not GuardPhase.OPEN and g.before.fill in g.after.spent)


def never_past_the_longest_time(g: Guarded) -> bool:
    """No fill is held open for its longest time or more."""
    open_s = g.after.open_before_s + g.now_s - g.after.opened_s
    return not g.is_on or open_s < LIMITS.open_max_s


def two_claims_open_nothing(g: Guarded) -> bool:
    """An open valve never goes over to another engine or another fill without shutting first."""
    same = (g.before.engine, g.before.fill) == (g.after.engine, g.after.fill)
    return not (g.was_on and g.is_on) or same


def guard_time_never_runs_back(g: Guarded) -> bool:
    """The guard's newest time only grows."""
    return g.after.now_s >= g.before.now_s


GUARD_CLAIMS: Final[tuple[Callable[[Guarded], bool], ...]] = (
    spent_never_reopens,
    spent_is_for_good,
    trip_shuts,
    withdrawal_shuts,
    only_a_live_permit_opens,
    lease_ends_at_its_end,
    ended_lease_ends_the_fill,
    never_past_the_longest_time,
    two_claims_open_nothing,
    guard_time_never_runs_back,
)


# --- all together, at a moment ---


@dataclass(frozen=True, slots=True)
class Moment:
    """What stands together at one moment, seen from one guard. Ages are in quarters of a second."""

    on: bool
    lease_left: int
    at_work: bool  # the station is in the phase in which water may flow that way
    fill_begun: bool
    fill_now: bool  # the guard's fill is the station's present one
    engine_now: bool  # and its engine the present one
    shut_age: int
    switch_bad: bool  # a switch of that way is tripped or unread
    dark: int  # how long nothing new can have got through, one way or the other
    restarted: int  # how long ago the engine was started anew
    stranger: bool = (
        False  # the lease is of a second engine, which has its own word and its own way
    )
    other_on: bool = False  # the other way's relay is held on
    wet: bool = False  # a probe is wet


LEASE: Final = int(LIMITS.permit_ttl_s / EPS_S)


def never_open_beside_a_bad_switch(m: Moment) -> bool:
    """No water flows in while a float is high, out while the low or the storage float is tripped,
    and neither beside one that cannot be read.
    """
    return not (m.on and m.switch_bad)


def a_leak_shuts_both(m: Moment) -> bool:
    """While a probe is wet nothing is held open, neither in nor out."""
    return not (m.wet and (m.on or m.other_on))


def never_both_ways(m: Moment) -> bool:
    """The two relays are never on together."""
    return not (m.on and m.other_on)


def never_open_past_the_lease(m: Moment) -> bool:
    """An open valve has some of its lease left, and never more than a whole one."""
    return not m.on or 0 < m.lease_left <= LEASE


def open_only_by_the_stations_word(m: Moment) -> bool:
    """An open valve means that the station fills (drains) just this, or did within the lease."""
    if not m.on or (m.fill_now and m.engine_now and m.at_work):
        return True
    if m.stranger:
        return True
    if m.engine_now:
        return m.shut_age < LEASE and (m.fill_begun or not m.fill_now)
    return m.restarted < LEASE


def shut_within_a_lease_of_silence(m: Moment) -> bool:
    """When nothing gets through any more, from whatever cause, the valve is shut within a lease."""
    return not m.on or m.stranger or m.dark < LEASE


MOMENT_CLAIMS: Final[tuple[Callable[[Moment], bool], ...]] = (
    a_leak_shuts_both,
    never_both_ways,
    never_open_beside_a_bad_switch,
    never_open_past_the_lease,
    open_only_by_the_stations_word,
    shut_within_a_lease_of_silence,
)
