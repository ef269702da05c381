"""How many litres a person means, with a level probe and without, both ways."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.picture import draw
from monitor.core.plan import Station
from monitor.core.wants import LEAST_FILL_L, number, to_drain, to_fill
from support.stories import LOW_L, MARK_L, full_plan, river_plan

FULL, BARE = full_plan(), river_plan(drain="pump", low_m=0.27)
NEW = Station()
AT_MARK = replace(draw(FULL, NEW, 0.0), level_m=0.57, level_fresh=True, water_l=MARK_L,
                  need_room_l=0.0)  # fmt: skip
AT_LOW = replace(AT_MARK, level_m=0.27, water_l=LOW_L, need_room_l=MARK_L - LOW_L)
BLIND = draw(BARE, NEW, 0.0)


@pytest.mark.parametrize(
    ("args", "litres"),
    [
        ({}, 420.0),
        ({"litres": 100}, 100.0),
        ({"litres": 100, "percent": 50, "level_m": 0.3}, 100.0),
        ({"percent": 50}, 399.0),
        ({"percent": 50, "level_m": 0.5}, 399.0),
        ({"level_m": 0.37}, 280.0),
        ({"level_m": 0.27}, 420.0),
        ({"litres": 423.9}, 420.0),
        ({"litres": LEAST_FILL_L}, 1.0),
        ({"litres": "all"}, 420.0),
    ],
)
def test_litres_come_first_then_a_share_then_a_height(args: dict[str, Any], litres: float) -> None:
    """Claim: from 0.57 m down to 0.27 m the 2.0 x 0.7 m tank gives 420 L; half of the 798 L at the
    mark are 399 L; what is a little too much is held at the low mark.
    """
    assert to_drain(FULL, AT_MARK, args) == pytest.approx(litres)


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ({"litres": 424.1}, "W23"),
        ({"percent": 60}, "W23"),
        ({"level_m": 0.2}, "W23"),
        ({"level_m": -5}, "W23"),
        ({"litres": 10**400}, "W23"),
        ({"litres": 0.9}, "W18"),
        ({"litres": -3}, "W18"),
        ({"level_m": 0.6}, "W18"),
        ({"percent": 0}, "W18"),
    ],
)
def test_a_drain_that_cannot_be_is_refused(args: dict[str, Any], why: str) -> None:
    """Claim (W23, W18): none goes below the low mark, and less than a litre is none."""
    told = to_drain(FULL, AT_MARK, args)
    assert isinstance(told, str)
    assert told.startswith(why)


def test_at_the_low_mark_nothing_can_be_let_out() -> None:
    """Claim (W23): there is nothing above the mark, so nothing is granted."""
    assert str(to_drain(FULL, AT_LOW, {})).startswith("W18")
    assert "at most 0 L" in str(to_drain(FULL, replace(AT_LOW, water_l=300.0), {"litres": 50}))


def test_without_a_reading_the_vessel_counts_as_full() -> None:
    """Claim: litres are reckoned from the mark by a plan without a level and while it cannot be
    read, and from the last reading until its mean is known.
    """
    unread = replace(AT_LOW, water_l=nan, level_fresh=False)
    assert to_drain(BARE, BLIND, {}) == pytest.approx(420.0)
    assert to_drain(FULL, unread, {}) == pytest.approx(420.0)
    half = replace(AT_LOW, water_l=nan, level_m=0.37)
    assert to_drain(FULL, half, {}) == pytest.approx(140.0)


def test_a_station_without_a_drain_lets_nothing_out() -> None:
    """Claim: the answer says what the config lacks."""
    assert "drain" in str(to_drain(river_plan(), BLIND, {"litres": 10}))


@pytest.mark.parametrize(
    ("args", "drained_l", "litres"),
    [
        ({}, 0.0, 420.0),
        ({}, 100.0, 420.0),
        ({"litres": 50.0}, 100.0, 50.0),
        ({"level_m": 0.47}, 100.0, 140.0),
    ],
)
def test_a_fill_without_litres_takes_what_is_missing_by_the_level(
    args: dict[str, Any], drained_l: float, litres: float
) -> None:
    """Claim: a level that can be read says what is missing up to the mark; what a person says
    comes first.
    """
    need = to_fill(FULL, replace(NEW, drained_l=drained_l), AT_LOW, args)
    assert need == (pytest.approx(litres), True)


@pytest.mark.parametrize("picture", [BLIND, replace(AT_LOW, level_fresh=False)])
def test_a_fill_without_litres_or_level_takes_what_was_drained(picture: Any) -> None:
    """Claim: without a level, or while it cannot be read, the litres let out are put back; more
    than the vessel takes they are never.
    """
    plan = BARE if picture is BLIND else FULL
    for drained_l, litres in ((100.0, 100.0), (LEAST_FILL_L, 1.0), (5000.0, MARK_L)):
        need = to_fill(plan, replace(NEW, drained_l=drained_l), picture, {})
        assert need == (pytest.approx(litres), True)
    assert "give the litres" in str(to_fill(plan, replace(NEW, drained_l=0.9), picture, {}))


def test_a_full_tank_needs_nothing() -> None:
    """Claim (W18): no room, no fill."""
    assert str(to_fill(FULL, NEW, AT_MARK, {})).startswith("W18")


odd = st.none() | st.booleans() | st.floats() | st.integers(-(10**400), 10**400) | st.text()


@settings(deadline=None)  # a shared machine may be slow
@given(odd)
def test_a_number_is_a_number_or_none(value: Any) -> None:
    """Claim: what is taken as a number can be reckoned with: finite, and never a truth value."""
    taken = number(value)
    assert taken is None or abs(taken) <= 1e6
    assert isinstance(value, int | float) or taken is None
    assert not (isinstance(value, bool) and taken is not None)


@settings(deadline=None)  # a shared machine may be slow
@given(
    st.dictionaries(st.sampled_from(["litres", "percent", "level_m", "else"]), odd),
    st.floats(0.0, 840.0) | st.just(nan),
)
def test_whatever_is_asked_what_is_granted_stays_above_the_low_mark(
    args: dict[str, Any], water_l: float
) -> None:
    """Claim: never an error; what is granted leaves the low mark's litres in the vessel."""
    need = to_drain(FULL, replace(AT_MARK, water_l=water_l), args)
    if isinstance(need, str):
        assert need
    else:
        known_l = MARK_L if isnan(water_l) else water_l
        assert LEAST_FILL_L <= need <= known_l - LOW_L + 1e-9
