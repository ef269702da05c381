"""The guard: its table, its conjunction, and the permits it takes and refuses."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import Permit, Withdraw
from monitor.core.guard import (
    SPENT_KEPT,
    TABLE,
    Clear,
    Effect,
    Failure,
    GuardEvent,
    GuardInput,
    GuardPhase,
    GuardState,
    Tick,
    Trip,
    deadline_s,
    energised,
    open_time_s,
    step,
)
from monitor.core.limits import DEFAULTS, with_overrides

SHUT, OPEN, PAUSED, BLOCKED = GuardPhase
E = GuardEvent
TTL_S = DEFAULTS.permit_ttl_s
READY = GuardState("boot-a", phase=SHUT, now_s=100.0)


def permit(as_of_s: float = 100.0, seq: int = 1, **changes: object) -> Permit:
    """Return a permit that fits, unless changed."""
    made = Permit("river", "engine", seq, "boot-a", as_of_s, TTL_S, "fill")
    return replace(made, **changes)  # type: ignore[arg-type]


def withdraw(*, seq: int = 9, resumable: bool = False, **changes: object) -> Withdraw:
    """Return a withdrawal of the running fill, unless changed."""
    made = Withdraw("river", "engine", seq, "boot-a", "fill", "person", resumable)
    return replace(made, **changes)  # type: ignore[arg-type]


OPENED = step(READY, permit(), 100.0)
HELD = step(OPENED, withdraw(resumable=True, seq=2), 100.5)


# --- the table ---


def test_the_table_is_the_whole_product() -> None:
    """Claim: 4 phases times 10 events are 40 cells, no more and no fewer."""
    assert len(TABLE) == 4 * 10
    assert set(TABLE) == set(product(GuardPhase, GuardEvent))


def test_only_a_permit_grants_and_only_a_grant_opens() -> None:
    """Claim: GRANT stands in PERMIT cells alone, and exactly those and OPEN itself lead to OPEN."""
    assert {event for (_, event), (_, effect) in TABLE.items() if effect is Effect.GRANT} == {
        E.PERMIT
    }
    into = {cell for cell, (to, _) in TABLE.items() if to is OPEN and cell[0] is not OPEN}
    assert into == {(SHUT, E.PERMIT), (PAUSED, E.PERMIT)}


def test_blocked_opens_by_nothing_and_is_left_by_clear_only() -> None:
    """Claim: a local trip stands until the local sensors are well, and then is only shut."""
    out = {event: to for (phase, event), (to, _) in TABLE.items()
           if phase is BLOCKED and to is not BLOCKED}  # fmt: skip
    assert out == {E.CLEAR: SHUT}


def test_every_way_out_of_open_spends_the_fill_but_a_hold() -> None:
    """Claim: a fill whose valve the guard shut for any reason but a hold never reopens."""
    for event in GuardEvent:
        to, effect = TABLE[OPEN, event]
        if to is not OPEN:
            assert effect is (Effect.NONE if event is E.HOLD else Effect.SPEND)


def test_every_trip_blocks() -> None:
    """Claim: TRIP leads to BLOCKED from every phase."""
    assert {TABLE[phase, E.TRIP][0] for phase in GuardPhase} == {BLOCKED}


@pytest.mark.parametrize(
    "event", [E.ALIEN, E.HOLD, E.WITHDRAW, E.TRIP, E.LAPSE, E.OVERTIME, E.FAULT]
)
def test_every_reason_to_shut_shuts(event: GuardEvent) -> None:
    """Claim: one reason is enough."""
    assert TABLE[OPEN, event][0] is not OPEN


def moves(phase: GuardPhase) -> dict[GuardEvent, tuple[GuardPhase, Effect]]:
    """Return the cells of a phase that move it or have an effect."""
    return {
        event: TABLE[phase, event]
        for event in GuardEvent
        if TABLE[phase, event] != (phase, Effect.NONE)
    }


def test_shut_is_moved_by_a_permit_and_a_trip_only() -> None:
    """Claim: with the valve shut everything else is nothing, but that a withdrawal is remembered:
    no stray, no lapse and no failure may cost a fill that has not begun.
    """
    assert moves(SHUT) == {
        E.PERMIT: (OPEN, Effect.GRANT),
        E.WITHDRAW: (SHUT, Effect.SPEND),
        E.TRIP: (BLOCKED, Effect.NONE),
    }


def test_open_stays_open_for_a_renewal_a_stray_and_word_that_all_is_well() -> None:
    """Claim: those three and no more; a hold pauses, a trip blocks, all else shuts."""
    assert {event for event in GuardEvent if TABLE[OPEN, event][0] is OPEN} == {
        E.PERMIT, E.STRAY, E.CLEAR
    }  # fmt: skip
    assert TABLE[OPEN, E.PERMIT] == (OPEN, Effect.GRANT)
    assert TABLE[OPEN, E.STRAY] == TABLE[OPEN, E.CLEAR] == (OPEN, Effect.NONE)
    assert TABLE[OPEN, E.HOLD] == (PAUSED, Effect.NONE)
    ends = {E.ALIEN, E.WITHDRAW, E.LAPSE, E.OVERTIME, E.FAULT}
    assert {TABLE[OPEN, event] for event in ends} == {(SHUT, Effect.SPEND)}


def test_paused_goes_on_by_a_permit_or_ends_for_good() -> None:
    """Claim: a hold is over by a renewal, or its fill is spent; a lapse cannot touch it."""
    for_good = (SHUT, Effect.SPEND)
    assert moves(PAUSED) == {
        E.PERMIT: (OPEN, Effect.GRANT),
        E.ALIEN: for_good,
        E.WITHDRAW: for_good,
        E.TRIP: (BLOCKED, Effect.SPEND),
        E.OVERTIME: for_good,
        E.FAULT: for_good,
    }


def test_blocked_only_remembers_withdrawals() -> None:
    """Claim: while a trip stands nothing but its end moves it, and withdrawals are remembered."""
    assert moves(BLOCKED) == {
        E.WITHDRAW: (BLOCKED, Effect.SPEND),
        E.CLEAR: (SHUT, Effect.NONE),
    }


# --- the conjunction ---


def test_a_new_guard_is_blocked() -> None:
    """Claim: until the local sensors have said they are well, no permit opens anything."""
    fresh = GuardState("boot-a")
    after = step(fresh, permit(0.0), 0.0)
    assert after.phase is BLOCKED
    assert not energised(after, 0.0)


def test_a_permit_opens_until_its_own_end() -> None:
    """Claim: energised from the permit to as_of + ttl, and not at that moment itself."""
    assert energised(OPENED, 100.0)
    assert energised(OPENED, 100.0 + TTL_S - 0.001)
    assert not energised(OPENED, 100.0 + TTL_S)
    assert deadline_s(OPENED) == 100.0 + TTL_S


BREAKS = {
    "phase": replace(OPENED, phase=SHUT),
    "no fill": replace(OPENED, fill=""),
    "spent": replace(OPENED, spent=("fill",)),
    "opened later": replace(OPENED, opened_s=100.2),
    "clock behind": replace(OPENED, now_s=100.2),
    "lapsed": replace(OPENED, until_s=100.1),
    "too long a lease": replace(OPENED, until_s=100.2 + TTL_S),
    "too long open": replace(OPENED, open_before_s=DEFAULTS.open_max_s),
    "time unknown": replace(OPENED, until_s=nan),
}


@pytest.mark.parametrize("why", BREAKS)
def test_each_part_of_the_conjunction_shuts_by_itself(why: str) -> None:
    """Claim: with every other part true, each part alone releases the relay."""
    assert energised(OPENED, 100.1)
    assert not energised(BREAKS[why], 100.1)


@pytest.mark.parametrize("now_s", [nan, inf, -inf, 99.0, -1.0])
def test_no_sense_in_time_means_shut(now_s: float) -> None:
    """Claim: NaN, infinity and a time before the newest seen all release the relay."""
    assert not energised(OPENED, now_s)


# --- which permits fit ---

UNFIT = {
    "another boot": permit(node_boot="boot-b"),
    "no fill": permit(fill=""),
    "from the future": permit(100.01),
    "expired": permit(100.0 - TTL_S),
    "no time to live": permit(ttl_s=0.0),
    "negative": permit(ttl_s=-1.0),
    "NaN lease": permit(ttl_s=nan),
    "NaN moment": permit(nan),
    "infinite moment": permit(inf),
}


@pytest.mark.parametrize("why", UNFIT)
def test_a_permit_that_does_not_fit_opens_nothing(why: str) -> None:
    """Claim: identity, sequence and time must all fit."""
    after = step(READY, UNFIT[why], 100.0)
    assert after.phase is SHUT
    assert not energised(after, 100.0)


@pytest.mark.parametrize("ttl_s", [3600.0, inf, 1e300])
def test_a_long_lease_is_cut_to_the_guards_own_limit(ttl_s: float) -> None:
    """Claim: an engine cannot lend more than permit_ttl_s."""
    after = step(READY, permit(ttl_s=ttl_s), 100.0)
    assert after.until_s == 100.0 + TTL_S


@pytest.mark.parametrize("ttl_s", [0.5, 1.0])
def test_a_short_lease_stays_short(ttl_s: float) -> None:
    """Claim: an engine may lend less."""
    after = step(READY, permit(ttl_s=ttl_s), 100.0)
    assert not energised(after, 100.0 + ttl_s)


def test_the_same_or_an_older_sequence_is_a_stray() -> None:
    """Claim: only a rising sequence renews."""
    for seq in (1, 0, -1):
        assert step(OPENED, permit(100.5, seq), 100.5).until_s == OPENED.until_s
    assert step(OPENED, permit(100.5, 2), 100.5).until_s == 100.5 + TTL_S


def test_a_renewal_that_comes_after_the_end_is_a_lapse() -> None:
    """Claim: a guard that was not stepped in time does not forgive it."""
    late_s = 100.0 + TTL_S + 0.1
    after = step(OPENED, permit(late_s, 2), late_s)
    assert (after.phase, after.cause) == (SHUT, "C02")
    assert "fill" in after.spent


@pytest.mark.parametrize("now_s", [99.0, 99.999, nan, -inf, inf])
def test_a_permit_judged_by_a_bad_clock_proves_nothing(now_s: float) -> None:
    """Claim: a permit that arrives while time runs back or is no number opens nothing."""
    after = step(READY, permit(99.0), now_s)
    assert not energised(after, now_s)
    assert after.phase is not OPEN
    assert after.now_s == 100.0


# --- shutting ---


@pytest.mark.parametrize("cause", ["W06", "S01", "S02", "mark"])
def test_a_trip_shuts_in_the_same_step(cause: str) -> None:
    """Claim: open or paused, a local trip shuts at once, spends the fill and keeps its cause."""
    for state in (OPENED, HELD):
        after = step(state, Trip(cause), 100.6)
        assert after.phase is BLOCKED
        assert not energised(after, 100.6)
        assert after.cause == cause
        assert "fill" in after.spent


def test_the_first_cause_is_kept() -> None:
    """Claim: what comes after the fill has ended does not rewrite why."""
    after = step(OPENED, Trip("mark"), 100.6)
    after = step(after, Trip("W06"), 100.7)
    after = step(after, withdraw(), 100.8)
    assert after.cause == "mark"


@pytest.mark.parametrize("cause", ["C01", "C02", "C03"])
def test_a_lapse_says_whose_silence_it_was(cause: str) -> None:
    """Claim: the shell's word about the silence becomes the cause."""
    after = step(OPENED, Tick(cause), 100.0 + TTL_S)
    assert (after.phase, after.cause) == (SHUT, cause)


def test_a_tick_before_the_end_changes_nothing_but_the_clock() -> None:
    """Claim: time passing within the lease is no event."""
    after = step(OPENED, Tick(), 101.0)
    assert after == replace(OPENED, now_s=101.0)


@pytest.mark.parametrize("state", [READY, HELD, step(OPENED, Trip("W06"), 100.6)])
def test_a_tick_in_another_phase_changes_nothing_but_the_clock(state: GuardState) -> None:
    """Claim: a valve that is shut has nothing to lapse."""
    after = step(state, Tick(), 500.0)
    assert after == replace(state, now_s=500.0)
    assert deadline_s(after) is None


def test_a_withdrawal_for_good_spends_whatever_the_phase() -> None:
    """Claim: a fill withdrawn before its first permit arrives never opens."""
    early = step(READY, withdraw(), 100.0)
    assert not energised(step(early, permit(100.1, 99), 100.1), 100.1)
    for state in (OPENED, HELD):
        after = step(state, withdraw(), 100.7)
        assert (after.phase, after.cause) == (SHUT, "")
        assert "fill" in after.spent


def test_a_withdrawal_that_names_no_fill_ends_the_running_one() -> None:
    """Claim: closing needs no particulars."""
    after = step(OPENED, withdraw(fill=""), 100.5)
    assert "fill" in after.spent
    assert not energised(after, 100.5)


def test_a_failure_of_the_shell_shuts_for_good() -> None:
    """Claim: what the shell could not foresee ends the fill."""
    after = step(OPENED, Failure("C06"), 100.5)
    assert (after.phase, after.cause) == (SHUT, "C06")
    assert "fill" in after.spent


@pytest.mark.parametrize("now_s", [nan, inf, -inf])
@pytest.mark.parametrize("given_", [Tick(), Clear(), permit(100.5, 2), withdraw(resumable=True)])
def test_a_time_that_is_no_number_is_a_failure(given_: GuardInput, now_s: float) -> None:
    """Claim: whatever came with it, an open valve shuts for good."""
    after = step(OPENED, given_, now_s)
    assert (after.phase, after.cause) == (SHUT, "C06")
    assert after.now_s == OPENED.now_s


# --- holds ---


def test_a_hold_pauses_and_the_same_fill_goes_on() -> None:
    """Claim: held, then renewed by the same engine with a later sequence: open again, and the open
    time goes on counting.
    """
    assert HELD.phase is PAUSED
    assert not energised(HELD, 100.5)
    after = step(HELD, permit(160.0, 3), 160.0)
    assert energised(after, 160.0)
    assert open_time_s(after, 161.0) == pytest.approx(0.5 + 1.0)


@pytest.mark.parametrize("changes", [{"engine": "other"}, {"fill": "other"}])
def test_a_hold_of_something_else_is_a_stray(changes: dict[str, object]) -> None:
    """Claim: a hold concerns its own engine's fill only."""
    after = step(OPENED, withdraw(resumable=True, **changes), 100.5)
    assert after.phase is OPEN


@pytest.mark.parametrize("seq", [1, 2])
def test_permits_from_before_a_hold_are_void(seq: int) -> None:
    """Claim (C09): a permit that was sent before the hold and comes after it reopens nothing."""
    assert step(HELD, permit(100.6, seq), 100.7).phase is PAUSED


# --- two claims ---


def test_two_live_claims_end_both() -> None:
    """Claim (C12): while open, a permit of another engine or another fill ends both fills."""
    for rival in (permit(100.4, 5, engine="other", fill="theirs"), permit(100.4, 5, fill="theirs")):
        after = step(OPENED, rival, 100.5)
        assert (after.phase, after.cause) == (SHUT, "C12")
        assert {"fill", "theirs"} <= set(after.spent)
        assert not energised(step(after, replace(rival, seq=6, as_of_s=100.6), 100.7), 100.7)


def test_a_new_engine_after_a_hold_ends_the_held_fill_only() -> None:
    """Claim: an engine that began anew while a fill was held is not barred for ever."""
    fresh = permit(130.0, 1, engine="anew", fill="next")
    after = step(HELD, fresh, 130.1)
    assert (after.phase, after.cause) == (SHUT, "C12")
    assert after.spent == ("fill",)
    assert energised(step(after, replace(fresh, seq=2, as_of_s=131.0), 131.0), 131.0)


def test_a_held_fill_is_spent_by_the_next_one_of_its_engine() -> None:
    """Claim: one engine moving on to the next fill leaves the old one behind for good."""
    after = step(HELD, permit(130.0, 3, fill="next"), 130.1)
    assert energised(after, 130.1)
    assert after.spent == ("fill",)
    assert open_time_s(after, 131.1) == pytest.approx(1.0)


# --- the hard maximum ---

SHORT = with_overrides({"open_max_s": 60.0})


def run_open(state: GuardState, from_s: float, until_s: float, seq: int) -> GuardState:
    """Renew every second from one moment to another."""
    now_s = from_s
    while now_s < until_s:
        state = step(state, permit(now_s, seq), now_s, SHORT)
        now_s, seq = now_s + 1.0, seq + 1
    return state


def test_no_permit_keeps_a_valve_open_past_the_hard_maximum() -> None:
    """Claim (G01): after open_max_s the valve shuts, renewed or not, and the fill is spent."""
    state = run_open(READY, 100.0, 159.5, 1)
    assert energised(state, 159.9, SHORT)
    assert deadline_s(state, SHORT) == 160.0
    assert not energised(state, 160.0, SHORT)
    for ending in (permit(160.0, 900), Tick()):
        after = step(state, ending, 160.0, SHORT)
        assert (after.phase, after.cause) == (SHUT, "G01")
        assert "fill" in after.spent


def test_a_hold_does_not_begin_the_hard_maximum_anew() -> None:
    """Claim (G01): all openings of a fill count together."""
    state = run_open(READY, 100.0, 140.0, 1)
    state = step(state, withdraw(resumable=True, seq=500), 140.0, SHORT)
    state = run_open(state, 200.0, 219.5, 501)
    assert energised(state, 219.9, SHORT)
    assert not energised(state, 220.0, SHORT)
    paused = step(run_open(READY, 100.0, 140.0, 1), withdraw(resumable=True, seq=500), 140.0, SHORT)
    spent = replace(paused, open_before_s=60.0)
    after = step(spent, permit(200.0, 501), 200.0, SHORT)
    assert (after.phase, after.cause) == (SHUT, "G01")


def test_spent_fills_are_bounded() -> None:
    """Claim: the list of spent fills keeps the newest and does not grow."""
    state = READY
    for number in range(3 * SPENT_KEPT):
        state = step(state, withdraw(fill=f"fill-{number}"), 100.0)
    assert len(state.spent) == SPENT_KEPT
    assert state.spent[-1] == f"fill-{3 * SPENT_KEPT - 1}"
    assert step(state, withdraw(fill=state.spent[-1]), 100.0).spent == state.spent


# --- anything at all ---

times = st.floats(allow_nan=True, allow_infinity=True)
names = st.sampled_from(["", "fill", "other", "boot-a", "boot-b"])
seqs = st.integers(-(2**70), 2**70)
inputs = st.one_of(
    st.builds(Permit, names, names, seqs, names, times, times, names),
    st.builds(Withdraw, names, names, seqs, names, names, names, st.booleans()),
    st.builds(Trip, names),
    st.builds(Tick, names),
    st.builds(Failure, names),
    st.just(Clear()),
)


@given(st.lists(st.tuples(inputs, times), max_size=12))
def test_whatever_comes_nothing_raises_and_time_never_runs_back(
    story: list[tuple[GuardInput, float]],
) -> None:
    """Claim: the guard is total, and its own clock only ever goes forward."""
    state = GuardState("boot-a", phase=SHUT)
    for given_, now_s in story:
        after = step(state, given_, now_s)
        assert after.now_s >= state.now_s
        assert isinstance(energised(after, now_s), bool)
        assert len(after.spent) <= SPENT_KEPT
        if isinstance(given_, Trip):
            assert not energised(after, now_s)
        state = after


@pytest.mark.parametrize("now_s", [nan, inf, -inf, 99.0])
def test_what_shuts_for_good_needs_no_clock(now_s: float) -> None:
    """Claim: a trip blocks and a withdrawal spends, whatever the clock shows."""
    assert step(OPENED, Trip("W06"), now_s).phase is BLOCKED
    assert step(READY, Trip("W06"), now_s).phase is BLOCKED
    assert step(READY, withdraw(), now_s).spent == ("fill",)


@pytest.mark.parametrize("state", [OPENED, HELD])
def test_a_clock_that_ran_back_ends_the_fill(state: GuardState) -> None:
    """Claim: a valve that shut because time made no sense does not reopen when it does again."""
    after = step(state, Tick(), 99.0)
    assert (after.phase, after.cause) == (SHUT, "C06")
    assert after.spent == ("fill",)
    assert not energised(step(after, Tick(), 100.6), 100.6)


def test_the_deadline_counts_what_was_open_before() -> None:
    """Claim: the shell is called back in time for the hard maximum over all openings."""
    state = replace(OPENED, open_before_s=DEFAULTS.open_max_s - 1.0)
    assert deadline_s(state) == 101.0


def test_a_permit_of_a_spent_fill_is_a_stray() -> None:
    """Claim: it moves no phase, whatever the conjunction would say."""
    spent = step(READY, withdraw(), 100.0)
    assert step(spent, permit(100.1, 50), 100.2) == replace(spent, now_s=100.2)


def test_another_engine_on_the_same_fill_is_alien_too() -> None:
    """Claim (C12): a copied fill identity does not make a second engine the first."""
    after = step(OPENED, permit(100.4, 50, engine="other"), 100.5)
    assert (after.phase, after.cause) == (SHUT, "C12")


def test_a_renewal_at_the_very_end_is_too_late() -> None:
    """Claim: the lease ends at its end, for the permit as for the tick."""
    end_s = 100.0 + TTL_S
    assert step(OPENED, permit(end_s, 2), end_s).phase is SHUT


def test_a_fill_that_was_open_too_long_bars_no_other_fill() -> None:
    """Claim (G01): the hard maximum is of one fill."""
    over = step(replace(OPENED, open_before_s=DEFAULTS.open_max_s), Tick(), 100.5)
    assert over.cause == "G01"
    after = step(over, permit(101.0, 2, fill="next"), 101.0)
    assert energised(after, 101.0)
    assert after.spent == ("fill",)


def test_a_withdrawal_of_another_engine_does_not_age_this_ones_permits() -> None:
    """Claim: sequence numbers belong to their engine."""
    after = step(OPENED, withdraw(engine="other", fill="theirs", seq=900, resumable=True), 100.2)
    assert step(after, permit(100.5, 2), 100.5).until_s == 100.5 + TTL_S


def test_no_fill_is_never_spent() -> None:
    """Claim: a withdrawal of nothing, with nothing running, leaves nothing behind."""
    assert step(READY, withdraw(fill=""), 100.0).spent == ()


@pytest.mark.parametrize("state", [OPENED, HELD])
def test_a_replayed_withdrawal_of_an_older_fill_is_a_stray(state: GuardState) -> None:
    """Claim (C09): played back, a withdrawal neither flaps the valve nor ends a hold."""
    state = replace(state, spent=("older",))
    after = step(state, withdraw(fill="older", seq=0), 100.6)
    assert after == replace(state, now_s=100.6)


@pytest.mark.parametrize("state", [OPENED, HELD])
def test_a_withdrawal_of_a_fill_never_seen_ends_the_running_one_too(state: GuardState) -> None:
    """Claim: an engine that withdraws what the guard does not know shuts the valve for good."""
    after = step(state, withdraw(fill="unheard-of"), 100.6)
    assert after.phase is SHUT
    assert set(after.spent) == {"fill", "unheard-of"}
