"""The alarm table, whole. The standard's walks are in tests/external/test_alarm_standard.py."""

from __future__ import annotations

from itertools import product

import pytest

from monitor.core.alarm import (
    ANNUNCIATED,
    PLAIN,
    STANDING,
    TABLE,
    UNSEEN,
    Alarm,
    AlarmEvent,
    AlarmState,
    next_state,
    step,
)

A, B, C, D, E, F, G, H, I = AlarmState  # noqa: E741  # the standard's letters
V = AlarmEvent
ASIDE = {G, H, I}
BOTH = pytest.mark.parametrize("latching", [True, False])


def test_the_table_is_the_whole_product() -> None:
    """Claim: 9 states times 9 events are 81 cells, and the exceptions are cells of it."""
    assert len(TABLE) == 9 * 9
    assert set(TABLE) == set(product(AlarmState, AlarmEvent))
    assert set(PLAIN) < set(TABLE)


@BOTH
@pytest.mark.parametrize("state", sorted(set(AlarmState) - ASIDE))
def test_a_raised_alarm_stands(state: AlarmState, latching: bool) -> None:
    """Claim: whatever it was, an alarm whose condition is true stands, seen only if it was."""
    assert next_state(state, V.RAISE, latching) is (C if state is C else B)


@BOTH
@pytest.mark.parametrize("state", sorted(ASIDE))
def test_what_is_set_aside_stays_there_until_it_comes_back(
    state: AlarmState, latching: bool
) -> None:
    """Claim: neither condition nor person moves a set-aside alarm; on the way back its condition
    decides, and one that is true is unseen.
    """
    for event in (V.RAISE, V.CLEAR, V.ACK, V.RESET):
        assert next_state(state, event, latching) is state
    assert next_state(state, V.BACK_TRUE, latching) is B
    assert next_state(state, V.BACK_FALSE, latching) is A


@BOTH
@pytest.mark.parametrize("state", sorted(set(AlarmState) - ASIDE))
def test_coming_back_means_nothing_to_what_was_not_set_aside(
    state: AlarmState, latching: bool
) -> None:
    """Claim: BACK_* moves set-aside alarms only."""
    assert next_state(state, V.BACK_TRUE, latching) is state
    assert next_state(state, V.BACK_FALSE, latching) is state


@BOTH
def test_a_reset_frees_a_seen_latch_only(latching: bool) -> None:
    """Claim: RESET changes F alone, to normal; nothing standing or unseen is ever reset away."""
    moved = {s: next_state(s, V.RESET, latching) for s in AlarmState
             if next_state(s, V.RESET, latching) is not s}  # fmt: skip
    assert moved == {F: A}


@BOTH
def test_an_acknowledgement_hides_nothing_that_stands(latching: bool) -> None:
    """Claim: after ACK nothing is unseen, and what stood or was latched is still shown."""
    for state in set(AlarmState) - ASIDE:
        after = next_state(state, V.ACK, latching)
        assert after not in UNSEEN
        if state in STANDING | {E, F}:
            assert after in ANNUNCIATED


def test_a_latching_alarm_never_goes_by_itself() -> None:
    """Claim: without a person, a latching alarm that was raised stays announced."""
    found, edge = {B}, [B]
    while edge:
        here = edge.pop()
        for event in (V.RAISE, V.CLEAR):
            to = next_state(here, event, True)
            if to not in found:
                found.add(to)
                edge.append(to)
    assert found <= ANNUNCIATED


def test_the_longest_set_aside_wins() -> None:
    """Claim: out of service outranks suppressed, suppressed outranks shelved."""
    assert [next_state(G, e, True) for e in (V.SHELVE, V.SUPPRESS, V.REMOVE)] == [G, H, I]
    assert [next_state(H, e, True) for e in (V.SHELVE, V.SUPPRESS, V.REMOVE)] == [H, H, I]
    assert [next_state(I, e, True) for e in (V.SHELVE, V.SUPPRESS, V.REMOVE)] == [I, I, I]


def test_a_step_keeps_when_and_who() -> None:
    """Claim: raising notes the moment and forgets who saw it before; ack notes who."""
    alarm = step(Alarm(), V.RAISE, 10.0, True)
    assert alarm == Alarm(B, 10.0, "")
    alarm = step(alarm, V.ACK, 11.0, True, "keeper")
    assert alarm == Alarm(C, 10.0, "keeper")
    alarm = step(alarm, V.CLEAR, 12.0, True)
    assert alarm == Alarm(F, 10.0, "keeper")
    assert step(alarm, V.RAISE, 13.0, True) == Alarm(B, 13.0, "")


def test_a_step_that_changes_nothing_is_the_same_alarm() -> None:
    """Claim: no change gives the very same object, so that nobody is told of nothing."""
    alarm = Alarm(B, 10.0)
    assert step(alarm, V.RAISE, 99.0, True) is alarm


def test_the_named_sets_agree() -> None:
    """Claim: what stands or is unseen is announced; what is set aside or normal is not."""
    assert STANDING | UNSEEN < ANNUNCIATED
    assert set(AlarmState) - {A} - ASIDE == ANNUNCIATED


HEARS = {
    A: {V.RAISE: B},
    B: {V.CLEAR: E, V.ACK: C},
    C: {V.CLEAR: F},
    D: {V.RAISE: B, V.ACK: A},
    E: {V.RAISE: B, V.ACK: F},
    F: {V.RAISE: B, V.RESET: A},
}
PLAIN_HEARS = HEARS | {B: {V.CLEAR: D, V.ACK: C}, C: {V.CLEAR: A}}


@pytest.mark.parametrize("state", sorted(HEARS))
def test_a_state_hears_what_concerns_it_and_nothing_else(state: AlarmState) -> None:
    """Claim: beside being set aside, each state is moved by these few events; the rest stays."""
    for latching, hears in ((True, HEARS), (False, PLAIN_HEARS)):
        moved = {e: next_state(state, e, latching) for e in AlarmEvent
                 if next_state(state, e, latching) is not state}  # fmt: skip
        aside = {V.SHELVE: G, V.SUPPRESS: H, V.REMOVE: I}
        assert moved == hears[state] | aside
