"""What the shell tells: ages, and that nothing known is nothing proven."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.facts import VALVE, Facts, age_s, oldest_proof_s
from monitor.core.units import S_PER_DAY
from support.stories import FLOAT, LEAK, full_plan, river_plan

ODD = [nan, inf, -inf, 101.0]


@pytest.mark.parametrize("then_s", ODD)
def test_a_moment_that_makes_no_sense_is_infinitely_old(then_s: float) -> None:
    """Claim: never, not a number, or still to come: none of them is recent."""
    assert age_s(then_s, 100.0) == inf


def test_an_age_is_the_time_since() -> None:
    """Claim: this very moment is no age at all."""
    assert age_s(100.0, 100.0) == 0.0
    assert age_s(-50.0, 100.0) == 150.0


def test_the_oldest_proof_counts() -> None:
    """Claim: of several parts the one proven longest ago decides; one that never was is infinite;
    no part at all needs no proof.
    """
    facts = Facts(proven_s={FLOAT: 90.0, LEAK: 10.0})
    assert oldest_proof_s(facts, (FLOAT, LEAK), 100.0) == 90.0
    assert oldest_proof_s(facts, (FLOAT,), 100.0) == 10.0
    assert oldest_proof_s(facts, (FLOAT, VALVE), 100.0) == inf
    assert oldest_proof_s(facts, (), 100.0) == 0.0


@settings(deadline=None)  # a shared machine may be slow
@given(st.dictionaries(st.sampled_from([FLOAT, LEAK, VALVE]), st.floats()), st.floats())
def test_no_record_makes_a_proof_negative(proven_s: dict[str, float], now_s: float) -> None:
    """Claim: whatever the record says, an age is none or above, never NaN."""
    assert oldest_proof_s(Facts(proven_s=proven_s), (FLOAT, LEAK, VALVE), now_s) >= 0.0


def test_what_must_be_proven_is_what_must_act_when_all_else_fails() -> None:
    """Claim (S02, S11): every float and probe that shuts by itself, and the valve."""
    assert set(river_plan().proven) == {FLOAT, LEAK, VALVE}
    plan = full_plan()
    floats = {*plan.floats, *plan.overs, *plan.lows, *plan.sump_highs, *plan.stores}
    assert set(plan.proven) == {*floats, *plan.leaks, VALVE}


def test_nothing_told_is_nothing_known() -> None:
    """Claim: the facts of an engine that was told none refuse whatever hangs on them."""
    facts = Facts()
    assert oldest_proof_s(facts, (FLOAT,), 7 * S_PER_DAY) == inf
    assert age_s(facts.people_s, 0.0) == inf
    assert age_s(facts.cartridge_s, 0.0) == inf
    assert facts.cartridge_l == inf
