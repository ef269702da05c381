"""The vessel's geometry: litres at a level, the level at so many litres, litres up to the mark.

Every shape is kept as one table of (level, litres) points with straight lines between them: an
upright shape needs two points, decor adds one where its top is, and a vessel that somebody
measured with a bucket has as many points as they took. So there is one way to read a vessel.

A level or volume that is not a finite number reads as *full to the rim*: nothing more is asked
for, which is the safe side. Bad geometry is told by `problems` as sentences, never by an exception.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from monitor.core.units import L_PER_M3

MIN_POINTS = 2  # the floor and the rim
MAX_POINTS = 200  # a measured table longer than this is a mistake, not a vessel
MAX_HEIGHT_M = 10.0  # deeper than any vessel filled through a hose at mains pressure
MAX_VOLUME_L = 100_000.0  # larger than any vessel this monitor is meant for
HALF = 0.5
MIN_VOLUME_L = 1.0  # smaller than this a litre-per-pulse meter cannot fill sensibly


@dataclass(frozen=True, slots=True)
class Vessel:
    """A vessel as `points` (level in metres above its floor, litres of water in it), rising.

    The first point is the floor, the last the rim. `mark_m` is where the water should end.
    """

    points: tuple[tuple[float, float], ...]
    mark_m: float

    def litres_at(self, level_m: float) -> float:
        """Return the litres in the vessel at a level; held at the floor and at the rim."""
        return _read(self.points, level_m, 0, 1)

    def level_at(self, volume_l: float) -> float:
        """Return the level in metres with so many litres; held at the floor and at the rim."""
        return _read(self.points, volume_l, 1, 0)

    def litres_to_mark(self, level_m: float) -> float:
        """Return the litres still needed from a level up to the mark; 0 at or above it."""
        return max(0.0, self.litres_at(self.mark_m) - self.litres_at(level_m))

    def area_m2(self, level_m: float) -> float:
        """Return the water surface in m² at a level: what turns millimetres into litres.

        At a point of the table it is the surface above it; 0 for a vessel without two points.
        """
        for (low_m, low_l), (high_m, high_l) in pairwise(self.points):
            if level_m < high_m or (high_m, high_l) == self.points[-1]:
                rise_m = high_m - low_m
                return (high_l - low_l) / rise_m / L_PER_M3 if rise_m > 0 else 0.0
        return 0.0


def _read(points: tuple[tuple[float, float], ...], value: float, given: int, wanted: int) -> float:
    """Interpolate between points from column `given` to column `wanted`, held at both ends."""
    if not points:
        return 0.0
    if not math.isfinite(value):
        return points[-1][wanted]
    below = points[0]
    for point in points:
        if value <= point[given]:
            span = point[given] - below[given]
            share = (value - below[given]) / span if span > 0 and value > below[given] else 0.0
            return below[wanted] + share * (point[wanted] - below[wanted])
        below = point
    return points[-1][wanted]


def box(length_m: float, width_m: float, height_m: float, mark_m: float) -> Vessel:
    """Return a rectangular vessel from its inner measures."""
    return _upright(length_m * width_m, height_m, mark_m)


def cylinder(diameter_m: float, height_m: float, mark_m: float) -> Vessel:
    """Return an upright round vessel from its inner measures."""
    return _upright(_disc_m2(HALF * diameter_m), height_m, mark_m)


def bow_front(
    length_m: float, width_m: float, bow_m: float, height_m: float, mark_m: float
) -> Vessel:
    """Return a rectangular vessel whose front bulges out as an arc of a circle.

    `width_m` is front to back at the sides, `bow_m` how much deeper it is in the middle (the
    sagitta of the arc over the chord `length_m`; it cannot exceed half the length).
    """
    return _upright(length_m * width_m + _segment_m2(length_m, bow_m), height_m, mark_m)


def measured(points: tuple[tuple[float, float], ...], mark_m: float) -> Vessel:
    """Return a vessel from measured (level in metres, litres) points, floor first, rim last."""
    return Vessel(tuple(points), mark_m)


def with_decor(vessel: Vessel, decor_l: float, top_m: float = math.inf) -> Vessel:
    """Return the vessel with `decor_l` litres of stones and wood in it, from the floor to `top_m`.

    The decor takes its room evenly over that height (up to the rim, if it is not told), so there
    is less water at each level. Decor or a top that is not above 0 leaves the vessel as it is.
    """
    top_m = min(top_m, _rim_m(vessel))
    if not (0 < decor_l < math.inf and 0 < top_m < math.inf):
        return vessel
    levels = sorted({level for level, _ in vessel.points} | {top_m})
    points = tuple(
        (level, vessel.litres_at(level) - decor_l * min(level / top_m, 1.0)) for level in levels
    )
    return Vessel(points, vessel.mark_m)


def problems(vessel: Vessel) -> tuple[str, ...]:
    """Return what is wrong with a vessel, a sentence each; empty when it can be used."""
    points = vessel.points
    if not MIN_POINTS <= len(points) <= MAX_POINTS:
        return (f"vessel has {len(points)} points; give {MIN_POINTS} to {MAX_POINTS} of them",)
    if not all(math.isfinite(number) for point in points for number in point):
        return ("vessel has a measure that is not a number; measure it again inside the glass",)
    found = []
    if any(number < 0 for number in points[0]):
        found.append("vessel starts below its floor; the first point is level 0 or more")
    steps = pairwise(points)
    if any(above[0] <= below[0] or above[1] <= below[1] for below, above in steps):
        found.append(
            "litres do not rise with level; check for a measure of 0 or less, points out of"
            " order, or decor larger than the water around it"
        )
    rim_m, rim_l = points[-1]
    if rim_m > MAX_HEIGHT_M:
        found.append(f"vessel is {rim_m:g} m high; at most {MAX_HEIGHT_M:g} m: use metres")
    if not MIN_VOLUME_L <= rim_l <= MAX_VOLUME_L:
        found.append(
            f"vessel holds {rim_l:g} litres; {MIN_VOLUME_L:g} to {MAX_VOLUME_L:g} are allowed:"
            " use metres and litres"
        )
    if not points[0][0] < vessel.mark_m < rim_m:
        found.append(
            f"mark at {vessel.mark_m:g} m; it must lie above the floor ({points[0][0]:g} m) and"
            f" below the rim ({rim_m:g} m)"
        )
    return tuple(found)


def _upright(area_m2: float, height_m: float, mark_m: float) -> Vessel:
    """Return a vessel with the same plan area at every level."""
    return Vessel(((0.0, 0.0), (height_m, area_m2 * height_m * L_PER_M3)), mark_m)


def _segment_m2(chord_m: float, bow_m: float) -> float:
    """Return the area of a circular segment from its chord and height; NaN where there is none."""
    if bow_m == 0:
        return 0.0
    half_m = HALF * chord_m
    if not (0 < bow_m <= half_m < math.inf):
        return math.nan
    radius_m = HALF * (half_m * half_m / bow_m + bow_m)
    rest_m = radius_m - bow_m
    return radius_m * radius_m * math.acos(rest_m / radius_m) - rest_m * half_m


def _disc_m2(radius_m: float) -> float:
    """Return the area of a disc."""
    return math.pi * radius_m * radius_m


def _rim_m(vessel: Vessel) -> float:
    """Return the level of the rim; 0 for a vessel without points."""
    return vessel.points[-1][0] if vessel.points else 0.0
