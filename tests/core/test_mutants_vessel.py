"""What small changes of the geometry showed to be unsaid: no points, edges, and true floors."""

from __future__ import annotations

from math import inf, nan, pi

import pytest

from monitor.core.vessel import Vessel, bow_front, box, measured, problems, with_decor

NOTHING = Vessel((), 0.1)
BUCKETED = measured(((0.0, 0.0), (0.1, 30.0), (0.3, 120.0), (0.5, 240.0)), mark_m=0.45)
RAISED = ((0.1, 5.0), (0.3, 60.0))  # the lowest 10 cm cannot be reached, and hold 5 L


def test_a_vessel_without_points_holds_nothing() -> None:
    """Claim: where nothing was measured there is no water, no surface and no room for decor."""
    assert NOTHING.litres_at(0.1) == NOTHING.level_at(5.0) == NOTHING.litres_to_mark(0.0) == 0.0
    assert NOTHING.area_m2(0.1) == Vessel(((0.0, 0.0),), 0.1).area_m2(0.1) == 0.0
    assert with_decor(NOTHING, 5.0) is NOTHING


def test_a_vessel_without_height_has_no_surface() -> None:
    """Claim: litres over no rise are not an area, and are not divided by it."""
    assert Vessel(((0.2, 0.0), (0.2, 10.0)), 0.1).area_m2(0.2) == 0.0


@pytest.mark.parametrize("level_m", [nan, inf, 0.5, 9.0])
def test_a_measured_vessel_is_full_at_its_last_point(level_m: float) -> None:
    """Claim: the rim is the last point of however many, for levels above it and for none."""
    assert BUCKETED.litres_at(level_m) == 240.0
    assert BUCKETED.level_at(1e6) == BUCKETED.level_at(nan) == 0.5


def test_a_little_decor_counts() -> None:
    """Claim: half a litre of gravel is half a litre less water."""
    tank = box(2.0, 0.7, 0.6, 0.5)
    assert with_decor(tank, 0.5).litres_at(0.6) == pytest.approx(839.5)


def test_decor_in_a_vessel_without_end_changes_nothing() -> None:
    """Claim: decor spread over an endless height is nowhere."""
    endless = box(2.0, 0.7, inf, 0.5)
    assert with_decor(endless, 10.0) is endless


@pytest.mark.parametrize(("litres", "fits"), [(0.99999, False), (1.0, True), (100_000.0, True),
                                              (100_000.5, False)])  # fmt: skip
def test_a_vessel_holds_a_litre_to_a_hundred_thousand(litres: float, fits: bool) -> None:
    """Claim: both bounds are allowed, and nothing beyond them."""
    found = problems(measured(((0.0, 0.0), (0.5, litres)), 0.25))
    assert (found == ()) is fits


def test_the_mark_is_held_against_the_floor_that_was_measured() -> None:
    """Claim: the floor is the first point's level, not its litres and not the next point."""
    assert problems(measured(RAISED, 0.2)) == ()
    told = problems(measured(RAISED, 0.05))
    assert len(told) == 1
    assert "the floor (0.1 m)" in told[0]
    low = ((0.1, 0.0), (0.3, 60.0))
    assert problems(measured(low, 0.05)) != ()
    assert problems(measured(BUCKETED.points, 0.05)) == ()  # below the second point


@pytest.mark.parametrize("length_m", [0.5, 2.0])
def test_a_bow_of_half_the_length_is_half_a_disc_at_any_length(length_m: float) -> None:
    """Claim: the arc's radius goes with the length of the front."""
    vessel = bow_front(length_m, 0.4, length_m / 2, 0.5, 0.4)
    half_disc = pi * (length_m / 2) ** 2 / 2
    assert vessel.area_m2(0.1) == pytest.approx(length_m * 0.4 + half_disc, rel=1e-12)
