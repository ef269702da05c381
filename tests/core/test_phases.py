"""The phase table, whole: every cell is there, and the ways to water are the few they must be."""

from __future__ import annotations

from itertools import product

import pytest

from monitor.core.phases import (
    AFTER_CLOSING,
    AT_REST,
    EVERY,
    TABLE,
    UNDER_WAY,
    WATER_MAY_FLOW,
    Phase,
    Turn,
)


def into(phase: Phase) -> set[tuple[Phase, Turn]]:
    """Return the cells that lead into a phase from another one."""
    return {cell for cell, to in TABLE.items() if to is phase and cell[0] is not phase}


def test_the_table_is_the_whole_product() -> None:
    """Claim: 9 phases times 11 turns are 99 cells, no more and no fewer."""
    assert len(TABLE) == 9 * 11
    assert set(TABLE) == set(product(Phase, Turn))


def test_water_flows_only_after_passed_checks() -> None:
    """Claim: filling is entered by PASSED alone, from checking or holding alone; draining by
    PASSED_OUT alone, from checking alone; and water flows in no other phase.
    """
    assert into(Phase.FILLING) == {(Phase.CHECKING, Turn.PASSED), (Phase.HOLDING, Turn.PASSED)}
    assert into(Phase.DRAINING) == {(Phase.CHECKING, Turn.PASSED_OUT)}
    assert {Phase.FILLING, Phase.DRAINING} == WATER_MAY_FLOW


def test_the_checks_of_one_way_open_no_other() -> None:
    """Claim: passed checks of a fill never lead to a drain, nor those of a drain to a fill."""
    assert Phase.DRAINING not in {TABLE[p, Turn.PASSED] for p in set(Phase) - {Phase.DRAINING}}
    assert Phase.FILLING not in {TABLE[p, Turn.PASSED_OUT] for p in set(Phase) - {Phase.FILLING}}


def test_a_drain_never_holds() -> None:
    """Claim: what a fill would wait for ends a drain."""
    assert TABLE[Phase.DRAINING, Turn.HOLD] is Phase.STOPPED


def test_every_trip_stops() -> None:
    """Claim: TRIP leads to stopped from every phase."""
    assert {TABLE[phase, Turn.TRIP] for phase in Phase} == {Phase.STOPPED}


def test_stopped_is_left_by_a_reset_to_idle_only() -> None:
    """Claim: the latch has one way out, and it leads to rest."""
    out = {turn: to for (phase, turn), to in TABLE.items()
           if phase is Phase.STOPPED and to is not Phase.STOPPED}  # fmt: skip
    assert out == {Turn.RESET: Phase.IDLE}


def test_a_hold_comes_from_filling_only() -> None:
    """Claim: only an open valve can be held."""
    assert into(Phase.HOLDING) == {(Phase.FILLING, Turn.HOLD)}


def test_checking_begins_at_rest_only() -> None:
    """Claim: a request starts a fill from idle or done, nowhere else."""
    assert into(Phase.CHECKING) == {(Phase.IDLE, Turn.ASKED), (Phase.DONE, Turn.ASKED)}


def test_done_is_reached_through_closing_and_settling_only() -> None:
    """Claim: no fill is called done before its valve was reported shut and the water watched."""
    assert into(Phase.DONE) == {(Phase.SETTLING, Turn.SETTLED)}
    assert into(Phase.SETTLING) == {(Phase.CLOSING, Turn.SHUT)}
    assert into(Phase.CLOSING) == {
        (Phase.FILLING, Turn.TARGET), (Phase.HOLDING, Turn.TARGET), (Phase.DRAINING, Turn.TARGET)
    }  # fmt: skip


@pytest.mark.parametrize("phase", list(Phase))
def test_a_persons_stop_never_leads_to_water(phase: Phase) -> None:
    """Claim: STOP ends what is under way and leaves the rest where it is."""
    to = TABLE[phase, Turn.STOP]
    if phase in UNDER_WAY or phase is Phase.STOPPED:
        assert to is Phase.STOPPED
    else:
        assert to in AT_REST - {Phase.CHECKING}


def test_a_reset_moves_what_has_ended_only() -> None:
    """Claim: RESET changes stopped and done, and nothing that is under way."""
    moved = {phase for phase in Phase if TABLE[phase, Turn.RESET] is not phase}
    assert moved == {Phase.STOPPED, Phase.DONE}


def test_a_refusal_never_leads_to_water() -> None:
    """Claim: checks that fail in time end a request, and a hold that cannot end is a stop."""
    assert TABLE[Phase.CHECKING, Turn.REFUSED] is Phase.IDLE
    assert TABLE[Phase.HOLDING, Turn.REFUSED] is Phase.STOPPED
    assert all(TABLE[p, Turn.REFUSED] is p for p in Phase
               if p not in (Phase.CHECKING, Phase.HOLDING))  # fmt: skip


def test_every_phase_can_be_reached_and_left() -> None:
    """Claim: from idle every phase can be reached, and from every phase idle."""

    def reached(start: Phase) -> set[Phase]:
        found, edge = {start}, [start]
        while edge:
            here = edge.pop()
            new = {TABLE[here, turn] for turn in Turn} - found
            found |= new
            edge += new
        return found

    for phase in Phase:
        assert reached(phase) == set(Phase)


def test_the_named_sets_cover_the_phases() -> None:
    """Claim: each phase is at rest, or open, or after a close command; none is forgotten."""
    assert AT_REST | WATER_MAY_FLOW | AFTER_CLOSING == EVERY == set(Phase)
    assert not AT_REST & AFTER_CLOSING
    assert not WATER_MAY_FLOW & (AT_REST | AFTER_CLOSING)
    assert EVERY - AT_REST - {Phase.STOPPED} == UNDER_WAY


_P, _T = Phase, Turn
HEARS: dict[Phase, dict[Turn, Phase]] = {
    _P.IDLE: {_T.ASKED: _P.CHECKING},
    _P.CHECKING: {_T.PASSED: _P.FILLING, _T.PASSED_OUT: _P.DRAINING, _T.REFUSED: _P.IDLE,
                  _T.STOP: _P.IDLE},
    _P.DRAINING: {_T.TARGET: _P.CLOSING, _T.HOLD: _P.STOPPED, _T.STOP: _P.STOPPED},
    _P.FILLING: {_T.TARGET: _P.CLOSING, _T.HOLD: _P.HOLDING, _T.STOP: _P.STOPPED},
    _P.HOLDING: {_T.PASSED: _P.FILLING, _T.REFUSED: _P.STOPPED, _T.TARGET: _P.CLOSING,
                 _T.STOP: _P.STOPPED},
    _P.CLOSING: {_T.SHUT: _P.SETTLING, _T.STOP: _P.STOPPED},
    _P.SETTLING: {_T.SETTLED: _P.DONE, _T.STOP: _P.STOPPED},
    _P.DONE: {_T.ASKED: _P.CHECKING, _T.RESET: _P.IDLE},
    _P.STOPPED: {_T.RESET: _P.IDLE},
}  # fmt: skip


@pytest.mark.parametrize("phase", list(Phase))
def test_a_phase_hears_what_concerns_it_and_nothing_else(phase: Phase) -> None:
    """Claim: beside a trip, each phase is moved by these few turns; every other cell stays put."""
    moved = {turn: TABLE[phase, turn] for turn in Turn if TABLE[phase, turn] is not phase}
    moved.pop(Turn.TRIP, None)
    assert moved == HEARS[phase]
