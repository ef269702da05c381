"""The guard: the last word beside the valve.

Theory. The valve is normally closed, so the guard's only power is to hold it open, and it may do
so only while one conjunction is true: it has an unexpired permit AND no local trip AND less than
the hard maximum of open time AND identity and sequence fit. A permit is a lease in this node's own
time (`exchange.Permit`), so nothing that happens to it on the way can prolong it. A fill that has
ended for any reason but a hold is *spent*: no permit for it is ever honoured again, and opening
the valve anew takes a new fill, which takes a person. A local trip (a wet probe, a high float, a
sensor of this node that cannot be read) shuts without asking anybody.

The machine has four phases and ten events; `TABLE` is their whole product. `step` sorts an input
into an event, looks the cell up and applies its effect. `energised` is the conjunction, taken
afresh from the state each time, so that a wrong cell could not hold the valve open by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, isfinite
from typing import Final

from monitor.core.exchange import Permit, Withdraw
from monitor.core.limits import DEFAULTS, Limits

SPENT_KEPT: Final = 16  # older fills cannot return: their permits are long past their own time


class GuardPhase(StrEnum):
    """Where the guard stands."""

    SHUT = "shut"  # no fill; a good permit of a fill not yet spent opens
    OPEN = "open"  # energised while the conjunction holds
    PAUSED = "paused"  # shut by a hold; the same fill may go on
    BLOCKED = "blocked"  # a local trip stands; nothing opens


class GuardEvent(StrEnum):
    """What can happen to it."""

    PERMIT = "permit"  # a permit that fits in every way
    ALIEN = "alien"  # a live permit of another engine or another fill than the one running
    STRAY = "stray"  # an expired, replayed, spent or misaddressed permit
    HOLD = "hold"  # withdrawn for now
    WITHDRAW = "withdraw"  # withdrawn for good
    TRIP = "trip"  # a local sensor says stop
    CLEAR = "clear"  # every local sensor is well again
    LAPSE = "lapse"  # the permit ran out
    OVERTIME = "overtime"  # the hard maximum of open time is reached
    FAULT = "fault"  # the shell around the guard failed, or time made no sense


class Effect(StrEnum):
    """What a cell does to the rest of the state."""

    NONE = "none"
    GRANT = "grant"  # take over the permit's fill, engine, sequence and end
    SPEND = "spend"  # this fill will never be honoured again


_S, _O, _P, _B = GuardPhase.SHUT, GuardPhase.OPEN, GuardPhase.PAUSED, GuardPhase.BLOCKED
_E = GuardEvent
_KEEP, _GRANT, _SPEND = Effect.NONE, Effect.GRANT, Effect.SPEND

TABLE: Final[Mapping[tuple[GuardPhase, GuardEvent], tuple[GuardPhase, Effect]]] = {
    (_S, _E.PERMIT): (_O, _GRANT),
    (_S, _E.ALIEN): (_S, _KEEP),
    (_S, _E.STRAY): (_S, _KEEP),
    (_S, _E.HOLD): (_S, _KEEP),
    (_S, _E.WITHDRAW): (_S, _SPEND),
    (_S, _E.TRIP): (_B, _KEEP),
    (_S, _E.CLEAR): (_S, _KEEP),
    (_S, _E.LAPSE): (_S, _KEEP),
    (_S, _E.OVERTIME): (_S, _KEEP),
    (_S, _E.FAULT): (_S, _KEEP),
    (_O, _E.PERMIT): (_O, _GRANT),
    (_O, _E.ALIEN): (_S, _SPEND),
    (_O, _E.STRAY): (_O, _KEEP),
    (_O, _E.HOLD): (_P, _KEEP),
    (_O, _E.WITHDRAW): (_S, _SPEND),
    (_O, _E.TRIP): (_B, _SPEND),
    (_O, _E.CLEAR): (_O, _KEEP),
    (_O, _E.LAPSE): (_S, _SPEND),
    (_O, _E.OVERTIME): (_S, _SPEND),
    (_O, _E.FAULT): (_S, _SPEND),
    (_P, _E.PERMIT): (_O, _GRANT),
    (_P, _E.ALIEN): (_S, _SPEND),
    (_P, _E.STRAY): (_P, _KEEP),
    (_P, _E.HOLD): (_P, _KEEP),
    (_P, _E.WITHDRAW): (_S, _SPEND),
    (_P, _E.TRIP): (_B, _SPEND),
    (_P, _E.CLEAR): (_P, _KEEP),
    (_P, _E.LAPSE): (_P, _KEEP),
    (_P, _E.OVERTIME): (_S, _SPEND),
    (_P, _E.FAULT): (_S, _SPEND),
    (_B, _E.PERMIT): (_B, _KEEP),
    (_B, _E.ALIEN): (_B, _KEEP),
    (_B, _E.STRAY): (_B, _KEEP),
    (_B, _E.HOLD): (_B, _KEEP),
    (_B, _E.WITHDRAW): (_B, _SPEND),
    (_B, _E.TRIP): (_B, _KEEP),
    (_B, _E.CLEAR): (_S, _KEEP),
    (_B, _E.LAPSE): (_B, _KEEP),
    (_B, _E.OVERTIME): (_B, _KEEP),
    (_B, _E.FAULT): (_B, _KEEP),
}


@dataclass(frozen=True, slots=True)
class Trip:
    """A local sensor says stop. `cause` is the rule it stands for, or "mark" for a full vessel."""

    cause: str


@dataclass(frozen=True, slots=True)
class Clear:
    """All local sensors are well."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed. `lapse_cause` is whose silence a lapse would be now."""

    lapse_cause: str = "C02"


@dataclass(frozen=True, slots=True)
class Failure:
    """The shell caught something unexpected."""

    cause: str


GuardInput = Permit | Withdraw | Trip | Clear | Tick | Failure


@dataclass(frozen=True, slots=True)
class GuardState:
    """All the guard remembers. `boot` is this node's identity; times are this node's seconds."""

    boot: str
    phase: GuardPhase = GuardPhase.BLOCKED  # until the local sensors have said they are well
    fill: str = ""
    engine: str = ""
    seq: int = -1
    until_s: float = 0.0
    opened_s: float = 0.0  # when the present opening began
    open_before_s: float = 0.0  # open time of this fill before the present opening
    now_s: float = 0.0  # newest time seen: time never runs back here
    cause: str = ""  # why the guard itself last shut the valve; empty after an engine's withdrawal
    spent: tuple[str, ...] = ()


def open_time_s(state: GuardState, now_s: float) -> float:
    """Return how long this fill has held the valve open, all openings together."""
    running = now_s - state.opened_s if state.phase is GuardPhase.OPEN else 0.0
    return state.open_before_s + running


def energised(state: GuardState, now_s: float, limits: Limits = DEFAULTS) -> bool:
    """Say whether the valve may be held open now: the one conjunction, nothing else.

    Any nonsense in `now_s` (NaN, infinity, before the newest time seen) makes a part of it false.
    """
    return (
        state.phase is GuardPhase.OPEN
        and state.fill != ""
        and state.fill not in state.spent
        and state.opened_s <= state.now_s <= now_s < state.until_s
        and state.until_s <= now_s + limits.permit_ttl_s
        and open_time_s(state, now_s) < limits.open_max_s
    )


def deadline_s(state: GuardState, limits: Limits = DEFAULTS) -> float | None:
    """Return when `step` must be called at the latest, or None when nothing runs."""
    if state.phase is not GuardPhase.OPEN:
        return None
    return min(state.until_s, state.opened_s + limits.open_max_s - state.open_before_s)


def _fits(state: GuardState, permit: Permit, now_s: float, limits: Limits) -> bool:
    """Say whether a permit is live and addressed to this very boot."""
    ttl_s = min(permit.ttl_s, limits.permit_ttl_s)
    return (
        permit.node_boot == state.boot
        and permit.fill != ""
        and permit.fill not in state.spent
        and permit.as_of_s <= now_s < permit.as_of_s + ttl_s
        and (permit.engine != state.engine or permit.seq > state.seq)
    )


def _sort(
    state: GuardState, given: GuardInput, now_s: float, limits: Limits
) -> tuple[GuardEvent, str]:
    """Sort an input into an event of the table and the cause it would give.

    A clock that ran back or shows no number is a fault. What shuts for good needs no clock.
    """
    for_good = isinstance(given, Trip | Failure) or (
        isinstance(given, Withdraw) and not given.resumable
    )
    if not (for_good or state.now_s <= now_s < inf):
        return GuardEvent.FAULT, "C06"
    match given:
        case Permit():
            return _sort_permit(state, given, now_s, limits)
        case Withdraw():
            if given.fill in state.spent:
                return GuardEvent.STRAY, ""
            if given.resumable:
                same = given.engine == state.engine and given.fill == state.fill
                return (GuardEvent.HOLD if same else GuardEvent.STRAY), ""
            return GuardEvent.WITHDRAW, ""
        case Trip():
            return GuardEvent.TRIP, given.cause
        case Clear():
            return GuardEvent.CLEAR, ""
        case Tick():
            return _sort_tick(state, given, now_s, limits)
    return GuardEvent.FAULT, given.cause


def _sort_permit(
    state: GuardState, permit: Permit, now_s: float, limits: Limits
) -> tuple[GuardEvent, str]:
    if not _fits(state, permit, now_s, limits):
        return GuardEvent.STRAY, ""
    if state.phase is GuardPhase.OPEN:
        if permit.engine != state.engine or permit.fill != state.fill:
            return GuardEvent.ALIEN, "C12"
        if not now_s < state.until_s:  # it came after the end of the one before
            return GuardEvent.LAPSE, "C02"
    elif state.phase is GuardPhase.PAUSED and permit.engine != state.engine:
        return GuardEvent.ALIEN, "C12"
    if permit.fill == state.fill and open_time_s(state, now_s) >= limits.open_max_s:
        return GuardEvent.OVERTIME, "G01"
    return GuardEvent.PERMIT, ""


def _sort_tick(
    state: GuardState, tick: Tick, now_s: float, limits: Limits
) -> tuple[GuardEvent, str]:
    if state.phase is GuardPhase.OPEN:
        if open_time_s(state, now_s) >= limits.open_max_s:
            return GuardEvent.OVERTIME, "G01"
        if now_s >= state.until_s:
            return GuardEvent.LAPSE, tick.lapse_cause
        return GuardEvent.STRAY, ""
    return GuardEvent.STRAY, ""


def step(
    state: GuardState, given: GuardInput, now_s: float, limits: Limits = DEFAULTS
) -> GuardState:
    """Return the guard's next state. Total: never raises, whatever the input or the time."""
    event, cause = _sort(state, given, now_s, limits)
    safe_now_s = now_s if isfinite(now_s) and now_s >= state.now_s else state.now_s
    phase, effect = TABLE[state.phase, event]
    after = replace(state, phase=phase, now_s=safe_now_s)
    if effect is Effect.GRANT and isinstance(given, Permit):
        after = _granted(after, state, given, safe_now_s, limits)
    elif effect is Effect.SPEND:
        named = given.fill if isinstance(given, Withdraw) else ""
        if named == "" or state.phase in (GuardPhase.OPEN, GuardPhase.PAUSED):
            after = _spent(after, state.fill, cause)
        after = _spent(after, named, cause)
    if isinstance(given, Withdraw) and given.engine == state.engine:
        after = replace(after, seq=max(after.seq, given.seq))  # permits sent before it are void
    if state.phase is GuardPhase.OPEN and event is GuardEvent.ALIEN and isinstance(given, Permit):
        after = _spent(after, given.fill, cause)  # of two live claims neither is obeyed
    if state.phase is GuardPhase.OPEN and phase is not GuardPhase.OPEN:
        after = replace(after, open_before_s=open_time_s(state, safe_now_s), until_s=0.0)
    return after


def _granted(
    after: GuardState, before: GuardState, permit: Permit, now_s: float, limits: Limits
) -> GuardState:
    """Take over a permit. The open time goes on counting within one fill and starts anew in the
    next.
    """
    ttl_s = min(permit.ttl_s, limits.permit_ttl_s)
    same_fill = permit.fill == before.fill
    spent = before.spent
    if not same_fill and before.fill != "" and before.fill not in spent:
        spent = (*spent, before.fill)[-SPENT_KEPT:]
    return replace(
        after,
        fill=permit.fill,
        engine=permit.engine,
        seq=permit.seq,
        until_s=permit.as_of_s + ttl_s,
        opened_s=before.opened_s if before.phase is GuardPhase.OPEN else now_s,
        open_before_s=before.open_before_s if same_fill else 0.0,
        cause="",
        spent=spent,
    )


def _spent(after: GuardState, fill: str, cause: str) -> GuardState:
    """End a fill for good. The first cause is kept when the fill had ended already."""
    if fill == "" or fill in after.spent:
        return after
    ended_now = fill == after.fill
    return replace(
        after,
        spent=(*after.spent, fill)[-SPENT_KEPT:],
        cause=cause if ended_now else after.cause,
    )
