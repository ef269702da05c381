"""What small changes of the litres a person means showed to be unsaid: heights, room, rounding."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest

from monitor.core.picture import draw
from monitor.core.plan import Station
from monitor.core.wants import number, to_drain, to_fill
from support.stories import LOW_L, MARK_L, full_plan, river_plan

FULL, BARE = full_plan(), river_plan()
NEW = Station()
BLIND = draw(BARE, NEW, 0.0)
AT_MARK = replace(draw(FULL, NEW, 0.0), level_m=0.57, level_fresh=True, water_l=MARK_L)


def test_what_is_no_number_is_none() -> None:
    """Claim: NaN counts as not given; no comparison with it would refuse anything."""
    assert number(nan) is None
    assert to_drain(FULL, AT_MARK, {"litres": nan}) == to_drain(FULL, AT_MARK, {})


@pytest.mark.parametrize("level_m", [-0.001, -5.0])
def test_a_height_below_the_floor_is_a_mistake(level_m: float) -> None:
    """Claim (W18): it is refused as what it is, and not taken for an empty vessel."""
    told = to_fill(BARE, NEW, BLIND, {"level_m": level_m})
    assert str(told).startswith("W18: a water height of")


def test_litres_that_are_given_make_a_height_needless() -> None:
    """Claim: with both, the litres count, and a height nobody uses refuses nothing."""
    assert to_fill(BARE, NEW, BLIND, {"litres": 50.0, "level_m": -1.0}) == (50.0, True)


@pytest.mark.parametrize("litres", [MARK_L + 0.1, 5000.0])
def test_more_than_the_vessel_takes_is_refused(litres: float) -> None:
    """Claim (W18): 798 L fit from empty to the mark, and the answer says so."""
    told = str(to_fill(BARE, NEW, BLIND, {"litres": litres}))
    assert told.startswith("W18")
    assert "798 L" in told
    assert to_fill(BARE, NEW, BLIND, {"litres": BARE.vessel.litres_to_mark(0.0)}) == (
        pytest.approx(MARK_L), True
    )  # fmt: skip


def test_a_height_under_the_floor_lets_out_no_more_than_all() -> None:
    """Claim (W23): down to -5 m is down to the floor, and that is below the low mark."""
    nowhere = replace(FULL, low_m=0.0)
    assert to_drain(nowhere, AT_MARK, {"level_m": -5.0}) == pytest.approx(MARK_L)


def test_a_drain_may_be_asked_for_up_to_its_margin() -> None:
    """Claim (W23): so many litres too much as the margin has are still granted, held at the low
    mark; beyond, the answer says what there is.
    """
    most_l = AT_MARK.water_l - FULL.vessel.litres_at(FULL.low_m)
    margin_l = FULL.limits.volume_margin_l
    assert to_drain(FULL, AT_MARK, {"litres": most_l + margin_l}) == most_l
    told = str(to_drain(FULL, AT_MARK, {"litres": most_l + margin_l + 0.1}))
    assert told.startswith("W23")
    assert told.endswith(f"at most {MARK_L - LOW_L:.0f} L")
