"""Trends: what holds for any data. Published examples and libraries are in tests/external."""

from __future__ import annotations

import itertools
import math
import random
from fractions import Fraction
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.trend import (
    LEVEL,
    POINTS_MAX,
    Clogging,
    Crossing,
    FillFlow,
    Kendall,
    Line,
    Slope,
    Trend,
    clogging,
    crossing,
    mann_kendall,
    score_variance,
    theil_sen,
)

UNBOUNDED = (-math.inf, math.inf)
NEVER = Crossing(math.inf, math.inf, math.inf)

Points = list[tuple[float, float]]

# Whole numbers times powers of two keep every sum and quotient below free of surprise.
whole = st.integers(-40, 40).map(float)
dots = st.lists(st.tuples(whole, whole), min_size=3, max_size=12)
anything = st.floats(allow_nan=True, allow_infinity=True)
many = st.lists(st.tuples(anything, anything), max_size=12)


def bounds(slope: Slope | None) -> tuple[float, float]:
    assert slope is not None
    return slope.low.per_x, slope.high.per_x


def mid(points: Points) -> Line:
    slope = theil_sen(points)
    assert slope is not None
    return slope.mid


def close(found: Slope | None, per_x: list[float], at_zero: list[float]) -> bool:
    """Tell whether the three lines have these slopes and values at zero."""
    assert found is not None
    lines = (found.low, found.mid, found.high)
    return [line.per_x for line in lines] == pytest.approx(per_x, rel=1e-12, abs=1e-9) and [
        line.at_zero for line in lines
    ] == pytest.approx(at_zero, rel=1e-12, abs=1e-7, nan_ok=True)


# --- slope ---


def test_points_on_a_line_give_the_line_and_no_doubt() -> None:
    """Slope, value at zero and both bounds are the line's own."""
    line = Line(-0.25, 12.0)
    found = theil_sen([(x, line.at(x)) for x in (0.0, 4.0, 8.0, 20.0, 32.0)])
    assert found == Slope(5, line, line, line)


def test_slope_and_bounds_are_ranks_of_the_pairs_slopes() -> None:
    """Five points by hand: ten slopes, the median between the fifth and the sixth.

    The score's deviation is sqrt(50/3), times 1.645 is 6.716: the bounds are the second slope from
    either end, round((10 - 6.716) / 2) being 2. Each line has two points above it and two below.
    """
    points = [(0.0, 0.0), (1.0, 3.0), (2.0, 1.0), (4.0, 10.0), (6.0, 9.0)]
    slopes = sorted([3.0, 1 / 2, 10 / 4, 9 / 6, -2.0, 7 / 3, 6 / 5, 9 / 2, 8 / 4, -1 / 2])
    assert close(
        theil_sen(points),
        [slopes[1], (slopes[4] + slopes[5]) / 2, slopes[8]],
        [median(y - b * x for x, y in points) for b in (-0.5, 1.75, 3.0)],
    )


def test_one_wild_point_in_seven_does_not_bend_the_line() -> None:
    """A median of slopes is not moved by an outlier as a mean would be."""
    points = [(float(x), 10.0 - x) for x in range(6)]
    for wild in (1e6, -1e6):
        assert mid([*points, (6.0, wild)]) == Line(-1.0, 10.0)


def test_a_rising_share_of_doubt_widens_the_interval() -> None:
    """The bounds move outward with the confidence that is asked for, and are at last unbounded."""
    points = [(float(x), float(y)) for x, y in enumerate([5, 3, 4, 4, 2, 3, 1, 2, 0, 1])]
    widths = [high - low for low, high in (bounds(theil_sen(points, c)) for c in (0.5, 0.9, 0.99))]
    assert widths[0] < widths[1] < widths[2] < math.inf
    assert bounds(theil_sen(points, 1 - 1e-9)) == UNBOUNDED


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.5, 90.0, math.nan, math.inf])
def test_a_confidence_that_is_none_bounds_nothing(confidence: float) -> None:
    """Outside (0, 1) there is a slope but no interval."""
    found = theil_sen([(float(x), float(x)) for x in range(9)], confidence)
    assert found is not None
    assert found.mid == Line(1.0, 0.0)
    assert bounds(found) == UNBOUNDED
    assert math.isnan(found.low.at_zero)
    assert math.isnan(found.high.at_zero)


@pytest.mark.parametrize("confidence", [5e-324, 0.5, 1 - 2**-53])
def test_any_confidence_between_nought_and_one_works(confidence: float) -> None:
    """The least and the greatest number between 0 and 1 make an interval around the median."""
    low, high = bounds(theil_sen([(float(x), float(x * x % 7)) for x in range(9)], confidence))
    assert low <= high


def test_three_points_bound_no_slope() -> None:
    """Three points rise by chance once in six, so nothing is said at 90 %; four points suffice."""
    line = [(float(x), float(x)) for x in range(4)]
    assert bounds(theil_sen(line[:3])) == UNBOUNDED
    assert bounds(theil_sen(line)) == (1.0, 1.0)


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(0.0, 1.0)],
        [(0.0, 1.0), (1.0, 2.0)],
        [(3.0, 1.0), (3.0, 2.0), (3.0, 5.0), (3.0, 9.0)],
        [(0.0, 1.0), (1.0, 2.0), (math.nan, 3.0), (3.0, math.inf), (-math.inf, 5.0)],
        [(0.0, -1e308), (1e-300, 1e308), (2e-300, -1e308)],  # slopes beyond a float
        [(1.0, -1e308), (2.0, 0.7e308), (3.0, 0.0), (4.0, 0.0)],  # a bound's line is
        [(4.0, 0.0), (5.0, 1e308), (6.0, 1.7e308)],  # the median line is
    ],
)
def test_too_little_or_too_large_is_no_slope(points: Points) -> None:
    """Fewer than three finite points, one x only, or numbers beyond a float: None."""
    assert theil_sen(points) is None


def test_what_is_no_number_is_left_out() -> None:
    """Points with NaN or infinity change nothing."""
    points = [(0.0, 5.0), (1.0, 4.0), (2.0, 4.5), (3.0, 2.0), (4.0, 2.5)]
    bad = [(math.nan, 0.0), (1.0, math.nan), (math.inf, 1.0), (2.0, -math.inf)]
    assert theil_sen([*bad, *points, *bad]) == theil_sen(points)


def test_only_the_newest_points_count() -> None:
    """Beyond the bound the points with the least x are left out, whatever order they come in."""
    old = [(float(x), -5.0 * x) for x in range(150)]
    new = [(float(x), 2.0 * x) for x in range(150, 150 + POINTS_MAX)]
    line = Line(2.0, 0.0)
    assert theil_sen([*new, *old]) == Slope(POINTS_MAX, line, line, line)
    assert theil_sen([(x, math.nan) for x, _ in new] + old[:5]) == theil_sen(old[:5])


@given(dots, st.randoms(use_true_random=False))
def test_the_order_of_points_does_not_matter(points: Points, chance: random.Random) -> None:
    """Any order gives the same answer, also among points of equal x."""
    mixed = points.copy()
    chance.shuffle(mixed)
    assert theil_sen(mixed) == theil_sen(points)


@given(dots, whole, whole, st.sampled_from([-4.0, -0.5, 0.5, 2.0]), st.sampled_from([0.25, 8.0]))
def test_slopes_follow_the_units(
    points: Points, right: float, up: float, times_y: float, times_x: float
) -> None:
    """Other units or another origin of x and y give the same lines in those units.

    A factor below 0 for y swaps the bounds.
    """
    plain = theil_sen(points)
    moved = theil_sen([(times_x * x + right, times_y * y + up) for x, y in points])
    if plain is None:
        assert moved is None
        return
    lines = (plain.low, plain.mid, plain.high)[:: 1 if times_y > 0 else -1]
    per_x = [line.per_x * times_y / times_x for line in lines]
    zeros = [
        times_y * line.at_zero + up - slope * right
        for line, slope in zip(lines, per_x, strict=True)
    ]
    assert close(moved, per_x, zeros)


@given(dots, st.sampled_from([-2.0, 1.0, 8.0]))
def test_a_slope_that_is_added_is_added(points: Points, tilt: float) -> None:
    """Tilting all points adds the tilt to the slope; the doubt changes with the ties alone."""
    plain = theil_sen(points)
    tilted = theil_sen([(x, y + tilt * x) for x, y in points])
    assert (plain is None) == (tilted is None)
    if plain and tilted:
        assert tilted.mid.per_x == pytest.approx(plain.mid.per_x + tilt, abs=1e-9)
        assert tilted.mid.at_zero == pytest.approx(plain.mid.at_zero, abs=1e-7)


@given(dots)
def test_the_line_halves_the_points_and_lies_in_its_interval(points: Points) -> None:
    """At most half the points lie above each line, at most half below; low <= mid <= high."""
    found = theil_sen(points)
    if found is None:
        assert len({x for x, _ in points}) == 1
        return
    assert found.low.per_x <= found.mid.per_x <= found.high.per_x
    for line in (found.low, found.mid, found.high):
        if math.isfinite(line.per_x):
            above = sum(y > line.at(x) + 1e-9 for x, y in points)
            below = sum(y < line.at(x) - 1e-9 for x, y in points)
            assert max(above, below) <= len(points) / 2


@given(many, anything)
def test_no_points_ever_raise(points: Points, confidence: float) -> None:
    """Whatever comes, a slope is None or has a finite line in its middle."""
    found = theil_sen(points, confidence)
    assert found is None or all(map(math.isfinite, (found.mid.per_x, found.mid.at_zero)))


# --- score ---


def score(xs: list[int], ys: list[int]) -> int:
    """Return Kendall's score, by its definition."""

    def sign(first: int, second: int) -> int:
        return (second > first) - (second < first)

    pairs = itertools.combinations(zip(xs, ys, strict=True), 2)
    return sum(sign(x0, x1) * sign(y0, y1) for (x0, y0), (x1, y1) in pairs)


TIES = [
    [0, 1, 2],
    [0, 0, 1],
    [0, 1, 2, 3, 4],
    [0, 0, 1, 2, 2],
    [1, 1, 1, 1, 2],
    [0, 0, 0, 1, 1, 2],
    [0, 1, 2, 3, 4, 5],
    [0, 0, 0, 1, 1, 1],
]


@pytest.mark.parametrize(("xs", "ys"), [(a, b) for a in TIES for b in TIES if len(a) == len(b)])
def test_the_variance_is_that_of_all_orders(xs: list[int], ys: list[int]) -> None:
    """Over every order of y against x the mean square of the score is the variance, ties or not."""
    scores = [score(xs, list(order)) for order in itertools.permutations(ys)]
    exact = Fraction(sum(s * s for s in scores), len(scores))
    assert score_variance(xs, ys) == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize(("count", "variance"), [(0, 0.0), (1, 0.0), (2, 1.0)])
def test_few_values_have_a_variance(count: int, variance: float) -> None:
    """None or one never vary; two rise or fall."""
    assert score_variance(range(count), range(count)) == variance


def test_two_values_are_a_trend_at_the_toss_of_a_coin() -> None:
    """A level of a half is met by a score of 1 either way."""
    assert mann_kendall([1.0, 2.0], level=0.5).trend is Trend.RISING
    assert mann_kendall([2.0, 1.0], level=0.5).trend is Trend.FALLING


@pytest.mark.parametrize("ys", [*TIES, [4, 4, 4], [0, 1], [7], [0, 0, 1, 1, 2, 2, 3]])
def test_the_chance_is_counted_over_all_orders(ys: list[int]) -> None:
    """Every order's p is twice the share of orders with a score at least as far up, or 1."""
    orders = list(itertools.permutations(ys))
    scores = [score(list(range(len(ys))), list(order)) for order in orders]
    share = {s: sum(other >= abs(s) for other in scores) / len(scores) for s in set(scores)}
    for order, s in zip(orders, scores, strict=True):
        found = mann_kendall([float(y) for y in order])
        assert (found.score, found.exact) == (s, True)
        assert found.p == pytest.approx(min(1.0, 2 * share[s]), rel=1e-12)
        told = share[s] <= LEVEL and s != 0
        assert found.trend == ([Trend.FALLING, Trend.RISING][s > 0] if told else Trend.NONE)


@pytest.mark.parametrize("values", [[], [3.0], [math.nan, math.inf], [5.0, 5.0, 5.0, 5.0]])
def test_no_trend_without_a_pair_that_differs(values: list[float]) -> None:
    """Nothing, one value, or values all alike: score, spread and z are 0, p is 1."""
    count = sum(map(math.isfinite, values))
    assert mann_kendall(values) == Kendall(count, 0, 0.0, 0.0, 1.0, True, Trend.NONE)
    assert mann_kendall(values, level=1.0).trend is Trend.NONE


def test_a_trend_needs_four_values_in_a_row() -> None:
    """Three in a row happen once in six by chance, four once in 24."""
    assert mann_kendall([1.0, 2.0, 3.0]).trend is Trend.NONE
    assert mann_kendall([1.0, 2.0, 3.0, 4.0]).trend is Trend.RISING
    assert mann_kendall([4.0, 3.0, 2.0, 1.0]).trend is Trend.FALLING


def test_the_level_is_one_sided_and_counts_itself() -> None:
    """Four in a row: told at exactly 1/24, not below."""
    row = [1.0, 2.0, 3.0, 4.0]
    assert mann_kendall(row).p == 1 / 12
    assert mann_kendall(row, level=1 / 24).trend is Trend.RISING
    assert mann_kendall(row, level=math.nextafter(1 / 24, 0)).trend is Trend.NONE
    assert mann_kendall(row, level=math.nan).trend is Trend.NONE


def test_z_has_the_continuity_correction_and_the_sign_of_the_score() -> None:
    """Z is (|S| - 1) / sqrt(var), and 0 for a score of 0 or 1."""
    rising = mann_kendall([1.0, 3.0, 2.0, 4.0, 5.0])
    assert (rising.score, rising.z) == (8, pytest.approx(7 / math.sqrt(50 / 3)))
    assert mann_kendall([5.0, 4.0, 2.0, 3.0, 1.0]).z == pytest.approx(-7 / math.sqrt(50 / 3))
    assert (mann_kendall([1.0, 2.0]).score, mann_kendall([1.0, 2.0]).z) == (1, 0.0)
    assert mann_kendall([2.0, 1.0, 1.0, 2.0]).z == 0.0


def test_many_values_get_the_normal_chance() -> None:
    """Above 40 values p is the normal one of z; it says itself which of the two it is."""
    wave = [math.sin(k) + k / 60 for k in range(41)]
    few, more = mann_kendall(wave[:-1]), mann_kendall(wave)
    assert (few.values, few.exact) == (40, True)
    assert (more.values, more.exact) == (41, False)
    assert more.p == pytest.approx(2 * 0.5 * math.erfc(abs(more.z) / math.sqrt(2)), rel=1e-12)
    near = 2 * 0.5 * math.erfc(abs(few.z) / math.sqrt(2))
    assert few.p == pytest.approx(near, abs=0.003)
    assert few.p != near


def test_only_the_newest_values_count() -> None:
    """Beyond 200 the first values are left out; what is no number takes no place."""
    old = [float(k) for k in range(50)]
    new = [float(-k) for k in range(200)]
    found = mann_kendall([*old, *new])
    assert (found.values, found.score) == (200, -200 * 199 // 2)
    assert found.trend is Trend.FALLING
    assert mann_kendall([*old, *itertools.chain(*((v, math.nan) for v in new))]) == found


@given(st.lists(whole, max_size=40), st.sampled_from([0.25, 3.0]), whole)
def test_a_score_knows_ranks_only(values: list[float], times: float, up: float) -> None:
    """Units and origin change nothing; turned upside down or back to front it is mirrored."""
    plain = mann_kendall(values)
    assert mann_kendall([times * v + up for v in values]) == plain
    opposite = {Trend.RISING: Trend.FALLING, Trend.FALLING: Trend.RISING, Trend.NONE: Trend.NONE}
    for mirrored in (mann_kendall([-v for v in values]), mann_kendall(values[::-1])):
        assert (mirrored.score, mirrored.z, mirrored.p) == (-plain.score, -plain.z, plain.p)
        assert (mirrored.variance, mirrored.trend) == (plain.variance, opposite[plain.trend])


@given(st.lists(anything, max_size=45), anything)
def test_no_values_ever_raise(values: list[float], level: float) -> None:
    """Whatever comes, p is a chance and z a number."""
    found = mann_kendall(values, level)
    assert 0.0 < found.p <= 1.0
    assert math.isfinite(found.z)


# --- crossing ---

FALLING = Slope(9, Line(-1.0, 10.0), Line(-2.0, 12.0), Line(-0.5, 8.0))


def test_lines_cross_where_they_must() -> None:
    """From x = 2, where the lines are at 8, 8 and 7, down to 4: after 4, 2 and 6."""
    three = Slope(9, mid=Line(-1.0, 10.0), low=Line(-2.0, 12.0), high=Line(-0.5, 8.0))
    assert crossing(three, 2.0, 4.0, Trend.FALLING) == Crossing(2.0, 4.0, 6.0)
    upward = Slope(9, mid=Line(1.0, -10.0), low=Line(0.5, -8.0), high=Line(2.0, -12.0))
    assert crossing(upward, 2.0, -4.0, Trend.RISING) == Crossing(2.0, 4.0, 6.0)


def test_what_is_past_is_now_and_what_goes_away_is_never() -> None:
    """Beyond the limit on its way: 0, on the limit too. Going the other way or level: inf."""
    level = Slope(9, Line(0.0, 5.0), Line(-1.0, 5.0), Line(1.0, 5.0))
    assert crossing(level, 0.0, 5.0, Trend.FALLING) == Crossing(0.0, 0.0, 0.0)
    assert crossing(level, 0.0, 6.0, Trend.FALLING) == Crossing(0.0, 0.0, 0.0)
    assert crossing(level, 0.0, 4.0, Trend.FALLING) == Crossing(1.0, math.inf, math.inf)
    assert crossing(level, 0.0, 4.0, Trend.RISING) == Crossing(0.0, 0.0, 0.0)
    assert crossing(level, 0.0, 6.0, Trend.RISING) == Crossing(1.0, math.inf, math.inf)


def test_a_slope_without_bounds_may_pass_at_once_or_never() -> None:
    """Three points say where the line would pass, and nothing about how sure that is."""
    three = theil_sen([(0.0, 10.0), (1.0, 9.0), (2.0, 8.0)])
    assert three is not None
    assert crossing(three, 2.0, 5.0, Trend.FALLING) == Crossing(0.0, 3.0, math.inf)
    assert crossing(three, 2.0, 12.0, Trend.RISING) == Crossing(0.0, math.inf, math.inf)


@pytest.mark.parametrize(
    ("at_x", "limit", "way"),
    [
        (math.nan, 5.0, Trend.FALLING),
        (math.inf, 5.0, Trend.FALLING),
        (0.0, math.nan, Trend.RISING),
        (0.0, math.inf, Trend.FALLING),
        (0.0, 5.0, Trend.NONE),
    ],
)
@pytest.mark.parametrize("count", [3, 6])
def test_no_number_or_no_way_never_passes(
    at_x: float, limit: float, way: Trend, count: int
) -> None:
    """Without a place, a limit or a way there is nothing to say, bounded slope or not."""
    slope = theil_sen([(float(x), 10.0 - x) for x in range(count)])
    assert slope is not None
    assert crossing(slope, at_x, limit, way) == NEVER


@given(dots, whole, st.sampled_from([Trend.FALLING, Trend.RISING]))
def test_the_median_crossing_lies_in_its_interval(points: Points, limit: float, way: Trend) -> None:
    """Seen from the last point on, the median line crosses between the two bounds, and is there."""
    slope = theil_sen(points)
    if slope is None:
        return
    last = max(x for x, _ in points)
    found = crossing(slope, last, limit, way)
    assert 0.0 <= found.earliest <= found.median <= found.latest
    alone = Slope(slope.points, slope.mid, slope.mid, slope.mid)
    assert crossing(alone, last, limit, way) == Crossing(*[found.median] * 3)
    if 0.0 < found.median < math.inf:
        assert slope.mid.at(last + found.median) == pytest.approx(limit, abs=1e-6)


@given(st.builds(Line, anything, anything), many, anything, anything, st.sampled_from(Trend))
def test_no_crossing_ever_raises(
    line: Line, points: Points, at_x: float, limit: float, way: Trend
) -> None:
    """Whatever the numbers, what lies ahead is 0 or more, in order, and never NaN."""
    slope = theil_sen(points) or Slope(3, line, line, line)
    found = crossing(slope, at_x, limit, way)
    assert 0.0 <= found.earliest <= found.median <= found.latest


@pytest.mark.parametrize(("count", "ahead"), [(5, 50.0), (8, 50.0), (12, 150.0), (25, 50.0)])
def test_the_interval_holds_the_truth_as_often_as_it_says(count: int, ahead: float) -> None:
    """Invented falling flows with noise at uneven days: the 90 % interval holds the true day in 86
    to 97 of 100, and misses on either side alike often.
    """
    chance = random.Random(count)
    tries, early, late = 400, 0, 0
    for _ in range(tries):
        days = sorted(chance.uniform(0.0, 100.0) for _ in range(count))
        slope = theil_sen([(d, 10.0 - 0.02 * d + chance.gauss(0.0, 0.1)) for d in days])
        assert slope is not None
        truth = 100.0 + ahead - days[-1]
        found = crossing(slope, days[-1], 10.0 - 0.02 * (100.0 + ahead), Trend.FALLING)
        early += found.latest < truth
        late += found.earliest > truth
    assert 0.86 <= 1 - (early + late) / tries <= 0.97
    assert max(early, late) <= 0.09 * tries


# --- clogging ---


def fills(count: int, lpm: float = 12.0, per_fill: float = -0.25) -> list[FillFlow]:
    """Return weekly fills of 400 L each on a new cartridge, in a straight line."""
    return [FillFlow(7.0 * k, lpm + per_fill * k, 400.0 * k) for k in range(count)]


def test_a_straight_fall_gives_date_litres_and_loss() -> None:
    """Nine weekly fills, 12 to 10 L/min: a sixth lost, 8 L/min after 8 more weeks or 3200 L."""
    found = clogging(fills(9), too_slow_lpm=8.0)
    assert (found.fills, found.trend) == (9, Trend.FALLING)
    assert found.lost_percent == pytest.approx(100 / 6)
    assert found.by_day is not None
    assert found.by_day.mid.per_x == pytest.approx(-0.25 / 7)
    assert found.days is not None
    assert found.days.earliest == pytest.approx(56.0)
    assert found.days.median == pytest.approx(56.0)
    assert found.days.latest == pytest.approx(56.0)
    assert found.litres is not None
    assert found.litres.median == pytest.approx(3200.0)


def test_days_count_from_the_last_fill_and_never_below_nought() -> None:
    """The date does not depend on where the days begin; too slow already is today."""
    moved = [FillFlow(f.day + 20_000.0, f.start_flow_lpm, f.litres_total) for f in fills(9)]
    found, already = clogging(moved, 8.0), clogging(fills(9), 10.5)
    assert found.days is not None
    assert found.days.median == pytest.approx(56.0)
    assert (already.days, already.litres) == (Crossing(0.0, 0.0, 0.0), Crossing(0.0, 0.0, 0.0))


def test_a_new_cartridge_begins_anew() -> None:
    """Fills before the litres fell back are another cartridge's; as many litres again are not."""
    old = fills(9)
    new = [FillFlow(70.0 + 7.0 * k, 12.0 - 0.5 * k, 300.0 * k) for k in range(5)]
    assert clogging([*old, *new], 8.0) == clogging(new, 8.0)
    assert clogging([*old, old[-1]], 8.0).fills == 10
    assert clogging([*old, new[0]], 8.0) == Clogging(1, Trend.NONE, None, None, None, None)


def test_fills_without_sense_are_left_out() -> None:
    """A number that is none or a negative flow is no fill; a flow of nought is one."""
    bad = [
        FillFlow(math.nan, 9.0, 10.0),
        FillFlow(1.0, math.nan, 10.0),
        FillFlow(1.0, math.inf, 10.0),
        FillFlow(1.0, 9.0, math.nan),
        FillFlow(1.0, -0.1, 10.0),
    ]
    good = fills(6)
    assert clogging([*bad, *good[:3], *bad, *good[3:], *bad], 8.0) == clogging(good, 8.0)
    assert clogging([*good, FillFlow(42.0, 0.0, 2400.0)], 8.0).fills == 7


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_fills_say_nothing(count: int) -> None:
    """Below three fills there is no line, no date and no loss."""
    assert clogging(fills(count), 8.0) == Clogging(count, Trend.NONE, None, None, None, None)


def test_fills_of_one_day_still_tell_by_litre() -> None:
    """Without two days there is no date, but there are litres."""
    found = clogging([FillFlow(3.0, f.start_flow_lpm, f.litres_total) for f in fills(9)], 8.0)
    assert (found.by_day, found.days, found.lost_percent) == (None, None, None)
    assert found.litres is not None
    assert found.litres.median == pytest.approx(3200.0)


def test_fills_without_litres_still_tell_by_day() -> None:
    """A total that never moves gives no litres, but a date."""
    found = clogging([FillFlow(f.day, f.start_flow_lpm, 0.0) for f in fills(9)], 8.0)
    assert found.litres is None
    assert found.days is not None
    assert found.days.median == pytest.approx(56.0)


def test_a_filter_that_does_not_clog_never_gets_too_slow() -> None:
    """Level flow loses nothing, rising flow less than nothing, and neither has a date."""
    level, rising = clogging(fills(9, per_fill=0.0), 8.0), clogging(fills(9, per_fill=0.25), 8.0)
    assert (level.trend, level.lost_percent, level.days) == (Trend.NONE, 0.0, NEVER)
    assert (rising.trend, rising.days, rising.litres) == (Trend.RISING, NEVER, NEVER)
    assert rising.lost_percent == pytest.approx(-100 / 6)


def test_a_loss_needs_a_flow_to_lose() -> None:
    """A line that begins at nought has no share to lose, nor one that the numbers cannot hold."""
    assert clogging(fills(9, lpm=0.8, per_fill=-0.05), 8.0).lost_percent == pytest.approx(50.0)
    assert clogging(fills(9, lpm=0.0, per_fill=0.0), 8.0).lost_percent is None
    assert clogging(fills(9, lpm=5e-324, per_fill=1e300), 8.0).lost_percent is None


def test_only_the_newest_fills_count() -> None:
    """Beyond the bound the first fills are left out."""
    steady = [FillFlow(float(k), 11.0, 10.0 * k) for k in range(POINTS_MAX)]
    before = [FillFlow(-50.0 + k, 20.0, 0.0) for k in range(50)]
    assert clogging([*before, *steady], 8.0) == clogging(steady, 8.0)


@given(st.lists(st.builds(FillFlow, anything, anything, anything), max_size=12), anything)
def test_no_fills_ever_raise(found: list[FillFlow], too_slow_lpm: float) -> None:
    """Whatever comes, a loss is a finite number or None, and what lies ahead is never NaN."""
    told = clogging(found, too_slow_lpm)
    assert told.lost_percent is None or math.isfinite(told.lost_percent)
    for ahead in (told.days, told.litres):
        assert ahead is None or 0.0 <= ahead.earliest <= ahead.median <= ahead.latest
