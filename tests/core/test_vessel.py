"""The vessel's geometry. Upright shapes are checked against closed formulas done by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.vessel import (
    Vessel,
    bow_front,
    box,
    cylinder,
    measured,
    problems,
    with_decor,
)

RIVER_TANK = box(2.0, 0.7, 0.6, mark_m=0.55)  # the museum's 840 litres
BUCKETED = measured(((0.0, 0.0), (0.1, 30.0), (0.3, 120.0), (0.5, 240.0)), mark_m=0.45)

anything = st.floats(allow_nan=True, allow_infinity=True)
measures = st.floats(min_value=0.05, max_value=3.0)


def test_a_box_is_length_times_width_times_level() -> None:
    """2.0 m x 0.7 m x 0.6 m is 840 litres, and a centimetre of it is 14."""
    assert RIVER_TANK.litres_at(0.6) == pytest.approx(840.0, rel=1e-12)
    assert RIVER_TANK.litres_at(0.01) == pytest.approx(14.0, rel=1e-12)
    assert RIVER_TANK.level_at(420.0) == pytest.approx(0.3, rel=1e-12)
    assert RIVER_TANK.litres_to_mark(0.30) == pytest.approx(350.0, rel=1e-12)
    assert RIVER_TANK.area_m2(0.2) == pytest.approx(1.4, rel=1e-12)
    assert problems(RIVER_TANK) == ()


def test_a_cylinder_is_a_disc_times_level() -> None:
    """A disc of 1 m across has pi/4 square metres."""
    drum = cylinder(1.0, 0.9, mark_m=0.8)
    assert drum.litres_at(0.4) == pytest.approx(1000 * math.pi / 4 * 0.4, rel=1e-12)
    assert drum.area_m2(0.0) == pytest.approx(math.pi / 4, rel=1e-12)
    assert problems(drum) == ()


def test_a_bow_as_deep_as_half_its_length_is_half_a_disc() -> None:
    """At the deepest bow the segment is a half disc; with no bow the vessel is a box."""
    deepest = bow_front(1.0, 0.4, 0.5, 0.5, mark_m=0.4)
    assert deepest.area_m2(0.1) == pytest.approx(0.4 + math.pi / 8, rel=1e-12)
    assert bow_front(1.0, 0.4, 0.0, 0.5, mark_m=0.4) == box(1.0, 0.4, 0.5, mark_m=0.4)


def test_a_shallow_bow_matches_the_area_counted_in_strips() -> None:
    """A 10 cm bow over 1 m agrees with strips laid under the same arc, to a part in a million."""
    chord, bow, strips = 1.0, 0.1, 20_000
    radius = (chord * chord / 4 + bow * bow) / (2 * bow)
    area = 0.0
    for i in range(strips):
        x = (i + 0.5) / strips * chord - chord / 2
        area += (math.sqrt(radius * radius - x * x) - (radius - bow)) * chord / strips
    vessel = bow_front(chord, 0.4, bow, 0.5, mark_m=0.4)
    assert vessel.area_m2(0.1) - 0.4 == pytest.approx(area, rel=1e-6)


def test_a_measured_vessel_is_read_between_its_points() -> None:
    """Between two measured points the litres lie on a straight line, both ways."""
    assert BUCKETED.litres_at(0.2) == pytest.approx(75.0)
    assert BUCKETED.level_at(75.0) == pytest.approx(0.2)
    assert BUCKETED.area_m2(0.05) == pytest.approx(0.3)
    assert BUCKETED.area_m2(0.1) == pytest.approx(0.45)
    assert BUCKETED.area_m2(0.5) == pytest.approx(0.6)
    assert problems(BUCKETED) == ()


def test_decor_takes_its_room_below_its_top_and_none_above() -> None:
    """42 L of stones up to 0.3 m: half of them under half that level, all of them at the rim."""
    stony = with_decor(RIVER_TANK, 42.0, 0.3)
    assert stony.litres_at(0.15) == pytest.approx(210.0 - 21.0)
    assert stony.litres_at(0.3) == pytest.approx(420.0 - 42.0)
    assert stony.litres_at(0.6) == pytest.approx(840.0 - 42.0)
    assert stony.litres_to_mark(0.3) == pytest.approx(350.0)
    assert stony.area_m2(0.1) == pytest.approx(1.4 - 0.14)
    assert problems(stony) == ()


def test_decor_without_a_top_reaches_the_rim() -> None:
    """Untold, the decor is spread over the whole height, and so is one told to stand out of it."""
    whole = with_decor(RIVER_TANK, 84.0)
    assert whole.litres_at(0.3) == pytest.approx(378.0)
    assert with_decor(RIVER_TANK, 84.0, 5.0) == whole


@pytest.mark.parametrize("decor_l", [0.0, -1.0, math.nan, math.inf])
def test_decor_that_is_no_volume_is_left_out(decor_l: float) -> None:
    """Nonsense for a volume changes nothing."""
    assert with_decor(RIVER_TANK, decor_l, 0.3) is RIVER_TANK


@pytest.mark.parametrize("top_m", [0.0, -1.0, math.nan])
def test_decor_with_no_height_is_left_out(top_m: float) -> None:
    """Nonsense for a height changes nothing."""
    assert with_decor(RIVER_TANK, 10.0, top_m) is RIVER_TANK


@pytest.mark.parametrize("level_m", [math.nan, math.inf, -math.inf])
def test_an_unknown_level_reads_as_full(level_m: float) -> None:
    """Without a level no litre is asked for: the safe side."""
    assert RIVER_TANK.litres_at(level_m) == pytest.approx(840.0)
    assert RIVER_TANK.litres_to_mark(level_m) == 0.0
    assert RIVER_TANK.level_at(level_m) == pytest.approx(0.6)


def test_levels_outside_are_held_at_floor_and_rim() -> None:
    """Below the floor is empty, above the rim brim-full; above the mark no more is needed."""
    assert RIVER_TANK.litres_at(-0.1) == 0.0
    assert RIVER_TANK.litres_at(0.7) == pytest.approx(840.0)
    assert RIVER_TANK.litres_to_mark(0.58) == 0.0
    assert RIVER_TANK.level_at(-5.0) == 0.0
    assert RIVER_TANK.level_at(1e9) == pytest.approx(0.6)


BAD = [
    (Vessel((), 0.1), "0 points"),
    (Vessel(((0.0, 0.0),), 0.1), "1 points"),
    (measured(tuple((i / 1000, float(i)) for i in range(201)), 0.1), "201 points"),
    (box(math.nan, 0.7, 0.6, 0.5), "not a number"),
    (box(math.inf, 0.7, 0.6, 0.5), "not a number"),
    (box(-2.0, 0.7, 0.6, 0.5), "do not rise"),
    (box(2.0, 0.7, 0.0, 0.5), "do not rise"),
    (bow_front(1.0, 0.4, 0.6, 0.5, 0.4), "not a number"),
    (bow_front(1.0, 0.4, -0.1, 0.5, 0.4), "not a number"),
    (bow_front(math.inf, 0.4, 0.1, 0.5, 0.4), "not a number"),
    (measured(((0.0, 0.0), (0.2, 50.0), (0.2, 60.0)), 0.1), "do not rise"),
    (measured(((0.0, 0.0), (0.2, 50.0), (0.3, 50.0)), 0.1), "do not rise"),
    (measured(((-0.1, 0.0), (0.2, 50.0)), 0.1), "below its floor"),
    (measured(((0.0, -1.0), (0.2, 50.0)), 0.1), "below its floor"),
    (with_decor(RIVER_TANK, 900.0), "do not rise"),
    (box(2.0, 0.7, 10.1, 0.5), "10.1 m high"),
    (box(200.0, 70.0, 0.6, 0.5), "8.4e+06 litres"),
    (box(0.05, 0.05, 0.1, 0.05), "0.25 litres"),
    (box(2.0, 0.7, 0.6, 0.6), "mark at 0.6 m"),
    (box(2.0, 0.7, 0.6, 0.0), "mark at 0 m"),
    (box(2.0, 0.7, 0.6, math.nan), "mark at nan m"),
]


@pytest.mark.parametrize(("vessel", "says"), BAD)
def test_bad_geometry_is_told_in_words(vessel: Vessel, says: str) -> None:
    """Each way to get a vessel wrong is named; nothing is raised."""
    assert says in " | ".join(problems(vessel))


def test_geometry_at_its_bounds_is_accepted() -> None:
    """A 10 m deep, a 1 litre, a 100,000 litre and a 200-point vessel may be used."""
    assert problems(box(1.0, 1.0, 10.0, 9.0)) == ()
    assert problems(box(0.1, 0.1, 0.1, 0.05)) == ()
    assert problems(box(10.0, 10.0, 1.0, 0.5)) == ()
    assert problems(measured(tuple((i / 1000, float(i)) for i in range(200)), 0.1)) == ()


def test_several_faults_are_told_at_once() -> None:
    """A vessel too high and with a mark above its rim gets both sentences."""
    assert len(problems(box(1.0, 1.0, 11.0, 12.0))) == 2


@given(measures, measures, measures, st.floats(min_value=0.0, max_value=1.0))
def test_level_and_litres_undo_each_other(
    length: float, width: float, height: float, share: float
) -> None:
    """From a level to litres and back again is the same level, in a box and with decor in it."""
    plain = box(length, width, height, height / 2)
    for vessel in (plain, with_decor(plain, 0.3 * plain.litres_at(height), height * 0.7)):
        level = share * height
        assert vessel.level_at(vessel.litres_at(level)) == pytest.approx(level, abs=1e-9)


@given(st.floats(min_value=-1.0, max_value=1.0), st.floats(min_value=0.0, max_value=1.0))
def test_more_level_is_never_less_water(level_m: float, more_m: float) -> None:
    """Litres never fall as the level rises, and the litres to the mark never grow."""
    for vessel in (RIVER_TANK, BUCKETED, with_decor(BUCKETED, 10.0, 0.2)):
        assert vessel.litres_at(level_m + more_m) >= vessel.litres_at(level_m)
        assert vessel.litres_to_mark(level_m + more_m) <= vessel.litres_to_mark(level_m)


@given(st.lists(st.tuples(anything, anything), max_size=5), anything, anything, anything)
def test_no_vessel_and_no_level_ever_raises(
    points: list[tuple[float, float]], mark: float, value: float, other: float
) -> None:
    """Whatever the numbers, every question is answered; finitely, if the vessel has no fault."""
    drawn = [
        Vessel(tuple(points), mark),
        box(value, other, mark, value),
        cylinder(value, other, mark),
        bow_front(value, other, mark, value, other),
    ]
    for plain in drawn:
        for vessel in (plain, with_decor(plain, value, other)):
            answers = [
                vessel.litres_at(value),
                vessel.level_at(value),
                vessel.litres_to_mark(value),
                vessel.area_m2(value),
            ]
            if not problems(vessel):
                assert all(math.isfinite(answer) and answer >= 0 for answer in answers)
