"""Is it drifting, how fast, and when will it pass a limit? Rank statistics over few, rough points.

Fills and water tests come some dozens a year, with outliers, rounding and uneven gaps. So nothing
here assumes a bell curve: a slope is the median of the slopes between all pairs (Theil 1950), its
interval is taken from the ranks of those slopes by Kendall's score (Sen 1968), and whether there is
a trend at all is told by the score alone (Mann 1945, Kendall 1975; EPA QA/G-9S, chapter 4). Up to
`EXACT_MAX` values the chance of a score is counted exactly, ties included; above that it is the
normal approximation with continuity correction.

Nothing here raises. A point that is not finite is left out, and at most `POINTS_MAX` points are
looked at, the newest. Where too little is known the answer is None, an infinite bound or no trend.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from statistics import NormalDist, median

CONFIDENCE = 0.9  # of an interval; what every forecast of this monitor gives
LEVEL = 0.05  # one-sided, at which a trend is told: the lower end of that interval
POINTS_MAX = 200  # four years of weekly fills; 19,900 pairs are sorted in some milliseconds
POINTS_MIN = 3  # two points always make a line, so they prove none
EXACT_MAX = 40  # values; the normal approximation of a chance is then within 0.003 if all differ
PAIR = 2
TRIPLE = 3
STEP = 2  # a score moves by this when a pair is turned round: all scores are even, or all odd
TWO_SIDED = 2
HALF = 1 / 2
NINTH = 1 / 9
PERCENT = 100.0

_NORMAL = NormalDist()


class Trend(StrEnum):
    """Which way the values go, as far as that is proven."""

    RISING = "rising"
    FALLING = "falling"
    NONE = "none"  # not: there is no trend, but: none is proven


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line. `at_zero` is NaN where the slope is not bounded."""

    per_x: float
    at_zero: float

    def at(self, x: float) -> float:
        """Return the line's value at `x`."""
        return self.at_zero + self.per_x * x


UNBOUNDED = (Line(-math.inf, math.nan), Line(math.inf, math.nan))


@dataclass(frozen=True, slots=True)
class Slope:
    """The median line, and the lines with the lowest and the highest slope of the interval.

    Each goes through the middle of the points: as many lie above it as below.
    """

    points: int
    mid: Line
    low: Line
    high: Line


@dataclass(frozen=True, slots=True)
class Kendall:
    """Kendall's score: pairs that rise less pairs that fall, and what it proves.

    `p` is the two-sided chance of such a score without a trend, counted (`exact`) or approximated.
    `z` is the score in standard deviations with continuity correction, 0 where there is no spread.
    """

    values: int
    score: int
    variance: float
    z: float
    p: float
    exact: bool
    trend: Trend


@dataclass(frozen=True, slots=True)
class Crossing:
    """How far ahead a line passes a limit: 0 when it has, inf when it never will."""

    earliest: float
    median: float
    latest: float


@dataclass(frozen=True, slots=True)
class FillFlow:
    """One fill: its day, its flow in L/min at the start, litres through the cartridge until then.

    `litres_total` falls when a new cartridge is fitted, and at no other time.
    """

    day: float
    start_flow_lpm: float
    litres_total: float


@dataclass(frozen=True, slots=True)
class Clogging:
    """What the start flows of the present cartridge say.

    `lost_percent` is how far the median line has come down from the first fill to the last, below
    0 when it has risen. `days` and `litres` count from the last fill until the flow is too slow.
    They are a forecast only while `trend` is falling.
    """

    fills: int
    trend: Trend
    lost_percent: float | None
    by_day: Slope | None
    days: Crossing | None
    litres: Crossing | None


def theil_sen(
    points: Sequence[tuple[float, float]], confidence: float = CONFIDENCE
) -> Slope | None:
    """Return the median slope of (x, y) points and its interval, in any order of the points.

    None with fewer than `POINTS_MIN` finite points, when all x are equal, or when the numbers are
    too large to be worked with. A bound is infinite where the points are too few for `confidence`,
    or when `confidence` is not between 0 and 1.
    """
    kept = sorted((x, y) for x, y in points if math.isfinite(x) and math.isfinite(y))[-POINTS_MAX:]
    pairs = combinations(kept, PAIR)
    slopes = sorted((y1 - y0) / (x1 - x0) for (x0, y0), (x1, y1) in pairs if x1 > x0)
    if len(kept) < POINTS_MIN or not slopes or not all(map(math.isfinite, slopes)):
        return None
    variance = score_variance([x for x, _ in kept], [y for _, y in kept])
    rank = _rank(len(slopes), variance, confidence)
    bounds = (slopes[rank], slopes[-1 - rank]) if rank >= 0 else ()
    mid, *bounded = [_through_middle(kept, per_x) for per_x in (median(slopes), *bounds)]
    if not all(math.isfinite(line.at_zero) for line in (mid, *bounded)):
        return None
    low, high = bounded or UNBOUNDED
    return Slope(len(kept), mid, low, high)


def _rank(slopes: int, variance: float, confidence: float) -> int:
    """Return how many slopes lie below the interval, below 0 when there are too few for one."""
    if not 0 < confidence < 1:
        return -1
    width = -_NORMAL.inv_cdf((1 - confidence) * HALF) * math.sqrt(variance)
    return round((slopes - width) * HALF) - 1


def _through_middle(points: Sequence[tuple[float, float]], per_x: float) -> Line:
    """Return the line of that slope which leaves as many points above it as below."""
    return Line(per_x, median([y - per_x * x for x, y in points]))


def score_variance(xs: Iterable[float], ys: Iterable[float]) -> float:
    """Return the variance of Kendall's score without a trend, given the ties in x and in y.

    Kendall 1975 has three terms for ties and both their products; in pairs P and triples T, each
    counted in order, they are (P - Px)(P - Py) / 2P + (T - Tx)(T - Ty) / 9T.
    """
    ties_x, ties_y = Counter(xs), Counter(ys)
    count = sum(ties_x.values())
    pairs = _free(count, ties_x, ties_y, PAIR)
    triples = _free(count, ties_x, ties_y, TRIPLE)
    return HALF * pairs + NINTH * triples


def _free(count: int, ties_x: Counter[float], ties_y: Counter[float], size: int) -> float:
    whole = math.perm(count, size)
    tied_x = sum(math.perm(tied, size) for tied in ties_x.values())
    tied_y = sum(math.perm(tied, size) for tied in ties_y.values())
    return (whole - tied_x) * (whole - tied_y) / whole if whole else 0.0


def mann_kendall(values: Sequence[float], level: float = LEVEL) -> Kendall:
    """Return Kendall's score of values in the order of time, and the trend it proves.

    A trend is told when its one-sided chance, half of `p`, is at most `level`.
    """
    kept = [value for value in values if math.isfinite(value)][-POINTS_MAX:]
    score = sum((later > sooner) - (later < sooner) for sooner, later in combinations(kept, PAIR))
    variance = score_variance(range(len(kept)), kept)
    exact = len(kept) <= EXACT_MAX
    beyond = max(abs(score) - STEP * HALF, 0.0)  # the continuity correction
    z = math.copysign(beyond / math.sqrt(variance), score) if beyond else 0.0
    p = _chance(score, kept) if exact else math.erfc(abs(z) * math.sqrt(HALF))
    proven = bool(score) and p / TWO_SIDED <= level
    rising = Trend.RISING if score > 0 else Trend.FALLING
    return Kendall(len(kept), score, variance, z, p, exact, rising if proven else Trend.NONE)


def _chance(score: int, values: Sequence[float]) -> float:
    """Return the two-sided chance of a score at least this far from 0, by counting all orders.

    The orders of n values with k pairs out of place are the coefficients of the product of
    (1 - q^m), m = 1 to n, over the same product for each group of ties (the Gaussian multinomial;
    MacMahon 1915). Each factor is one pass over the counts.
    """
    groups = Counter(values).values()
    top = math.comb(len(values), PAIR) - sum(math.comb(tied, PAIR) for tied in groups)
    orders = [1] + [0] * top
    for step in range(1, len(values) + 1):
        for k in range(top, step - 1, -1):
            orders[k] -= orders[k - step]
    for tied in groups:
        for step in range(1, tied + 1):
            for k in range(step, top + 1):
                orders[k] += orders[k - step]
    # With k pairs out of place the score is top - STEP * k, and both ends are alike.
    tail = sum(orders[: (top - abs(score)) // STEP + 1])
    return min(TWO_SIDED * tail / sum(orders), 1.0)


def crossing(slope: Slope, at_x: float, limit: float, way: Trend) -> Crossing:
    """Return how far after `at_x` the line passes `limit` on its `way`, falling or rising.

    What already lies beyond the limit gives 0. An `at_x` or a `limit` that is not finite gives
    inf, as does a `way` of none: never, as far as is known. The interval is that of the slope; over
    straight lines with noise a 90 % one held the truth 86 to 94 times in 100, the fewest where the
    limit is close behind many points. An `at_x` before the last point makes it narrower still.
    """
    signs = {Trend.FALLING: 1.0, Trend.RISING: -1.0}
    known = math.isfinite(at_x) and math.isfinite(limit)
    sign = signs.get(way, math.nan) if known else math.nan
    ahead = sorted(
        _ahead(sign * (line.at(at_x) - limit), -sign * line.per_x)
        for line in (slope.low, slope.mid, slope.high)
    )
    return Crossing(*ahead)


def _ahead(room: float, speed: float) -> float:
    """Return how far ahead `room` is used up at `speed`; a slope without bound needs no time."""
    if room <= 0 or speed == math.inf:
        return 0.0
    return room / speed if speed > 0 and math.isfinite(room) else math.inf


def clogging(fills: Sequence[FillFlow], too_slow_lpm: float) -> Clogging:
    """Return what the fills, in the order in which they were made, say about the cartridge.

    Fills with a number that is not finite or with a negative flow are left out, and so is all
    before the last new cartridge.
    """
    used = _present(fills)
    days, litres = [fill.day for fill in used], [fill.litres_total for fill in used]
    flows = [fill.start_flow_lpm for fill in used]
    by_day = theil_sen(list(zip(days, flows, strict=True)))
    by_litre = theil_sen(list(zip(litres, flows, strict=True)))
    return Clogging(
        fills=len(used),
        trend=mann_kendall(flows).trend,
        lost_percent=_lost_percent(by_day.mid, min(days), max(days)) if by_day else None,
        by_day=by_day,
        days=crossing(by_day, max(days), too_slow_lpm, Trend.FALLING) if by_day else None,
        litres=crossing(by_litre, max(litres), too_slow_lpm, Trend.FALLING) if by_litre else None,
    )


def _present(fills: Sequence[FillFlow]) -> list[FillFlow]:
    """Return the usable fills of the present cartridge among the newest `POINTS_MAX`."""
    used: list[FillFlow] = []
    for fill in fills[-POINTS_MAX:]:
        numbers = (fill.day, fill.start_flow_lpm, fill.litres_total)
        if not all(map(math.isfinite, numbers)) or fill.start_flow_lpm < 0:
            continue
        if used and fill.litres_total < used[-1].litres_total:
            used.clear()
        used.append(fill)
    return used


def _lost_percent(line: Line, first_day: float, last_day: float) -> float | None:
    start = line.at(first_day)
    lost_percent = PERCENT * (1 - line.at(last_day) / start) if start > 0 else math.nan
    return lost_percent if math.isfinite(lost_percent) else None
