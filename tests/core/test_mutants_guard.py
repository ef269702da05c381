"""What small changes of the guard showed to be unsaid: its first state, odd permits, its memory."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest

from monitor.core.exchange import Permit, Withdraw
from monitor.core.guard import (
    Clear,
    Failure,
    GuardPhase,
    GuardState,
    Tick,
    Trip,
    energised,
    open_time_s,
    step,
)
from monitor.core.limits import DEFAULTS

TTL_S = DEFAULTS.permit_ttl_s
READY = GuardState("boot-a", phase=GuardPhase.SHUT, now_s=100.0)


def permit(as_of_s: float, seq: int, fill: str = "fill", ttl_s: float = TTL_S) -> Permit:
    """Return a permit for this boot."""
    return Permit("river", "engine", seq, "boot-a", as_of_s, ttl_s, fill)


def withdraw(seq: int, fill: str = "fill", *, resumable: bool = False) -> Withdraw:
    """Return a withdrawal by the same engine."""
    return Withdraw("river", "engine", seq, "boot-a", fill, "person", resumable)


OPENED = step(READY, permit(100.0, 1), 100.0)
HELD = step(OPENED, withdraw(2, resumable=True), 100.5)


def test_a_new_guard_is_blocked_and_remembers_nothing() -> None:
    """Claim: it knows no fill, engine, sequence, moment or cause that anything could fit to."""
    new = GuardState("boot-a")
    assert (new.phase, new.fill, new.engine, new.seq) == (GuardPhase.BLOCKED, "", "", -1)
    assert (new.until_s, new.opened_s, new.open_before_s, new.now_s) == (0.0, 0.0, 0.0, 0.0)
    assert (new.cause, new.spent) == ("", ())


def test_word_that_all_is_well_frees_a_blocked_guard_and_disturbs_no_other() -> None:
    """Claim: blocked becomes shut, and then a permit opens; open stays open, held stays held."""
    freed = step(GuardState("boot-a"), Clear(), 0.0)
    assert freed.phase is GuardPhase.SHUT
    assert energised(step(freed, permit(0.0, 0), 0.0), 0.0)
    assert energised(step(OPENED, Clear(), 100.5), 100.5)
    assert step(HELD, Clear(), 101.0).phase is GuardPhase.PAUSED


def test_silence_nobody_explains_is_the_engines() -> None:
    """Claim: a plain tick past the lease's end gives C02."""
    assert step(OPENED, Tick(), 100.0 + TTL_S).cause == "C02"


@pytest.mark.parametrize("ttl_s", [3.0, 3600.0])
def test_a_long_lease_that_came_late_opens_nothing(ttl_s: float) -> None:
    """Claim: a permit is too old after permit_ttl_s, however long the engine meant it to last."""
    assert step(READY, permit(100.0 - TTL_S, 1, ttl_s=ttl_s), 100.0).phase is GuardPhase.SHUT


def test_a_failure_keeps_its_own_cause_whatever_the_clock_says() -> None:
    """Claim: what shuts for good needs no clock, and its cause is not taken for the clock's."""
    assert step(OPENED, Failure("S02"), nan).cause == "S02"
    assert step(OPENED, Failure("S02"), 1.0).cause == "S02"


def test_open_time_stands_still_while_shut() -> None:
    """Claim: after half a second open, half a second is what counts, at any later moment."""
    assert open_time_s(HELD, 100.5) == pytest.approx(0.5)
    assert open_time_s(HELD, 900.0) == pytest.approx(0.5)


@pytest.mark.parametrize("how", [withdraw(2), withdraw(2, resumable=True), Trip("W06")])
def test_nothing_is_left_of_a_lease_once_shut(how: Withdraw | Trip) -> None:
    """Claim: a guard that has shut holds no lease that could be taken up again."""
    assert OPENED.until_s == 100.0 + TTL_S
    assert step(OPENED, how, 100.5).until_s == 0.0


def test_a_new_fill_has_no_cause_yet() -> None:
    """Claim: why the last fill was shut is not told of the next one."""
    tripped = step(OPENED, Trip("mark"), 100.5)
    assert tripped.cause == "mark"
    cleared = step(tripped, Clear(), 101.0)
    assert step(cleared, permit(102.0, 2, fill="next"), 102.0).cause == ""


def test_an_unnamed_withdrawal_spends_the_last_fill_even_when_shut() -> None:
    """Claim: closing needs no particulars, whether or not the valve is open just then."""
    for phase in (GuardPhase.SHUT, GuardPhase.BLOCKED):
        state = replace(READY, phase=phase, fill="fill", engine="engine")
        after = step(state, withdraw(2, fill=""), 100.0)
        assert after.spent == ("fill",)


def test_a_fill_is_spent_once() -> None:
    """Claim: a withdrawal that names the running fill takes one place in the memory, not two."""
    assert step(OPENED, withdraw(2), 100.5).spent == ("fill",)
    assert step(HELD, withdraw(3), 101.0).spent == ("fill",)


def test_sixteen_spent_fills_are_remembered_the_newest_ones() -> None:
    """Claim: the memory is bounded, and long enough that no permit still lives of what it drops."""
    state = READY
    for number in range(20):
        state = step(state, withdraw(number, fill=f"fill-{number}"), 100.0)
    assert state.spent == tuple(f"fill-{number}" for number in range(4, 20))
    for number in range(40, 60):  # and so it is when each held fill ends by the next one's permit
        fill = f"fill-{number}"
        state = step(state, permit(101.0, 2 * number, fill), 101.0)
        state = step(state, withdraw(2 * number + 1, fill, resumable=True), 101.0)
    assert state.spent == tuple(f"fill-{number}" for number in range(43, 59))
