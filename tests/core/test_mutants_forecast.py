"""What small changes of the forecast showed to be unsaid: its numbers, held against the textbook.

The flow model is discretised here from its differential equation (van Loan's method, with scipy's
matrix exponential), the corrections are written with matrices, and the end is found by bisection;
all that from the parameters as `forecast` describes them. Nothing may differ by more than rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import ceil, exp, hypot, inf, nan, sin, sqrt
from random import Random
from typing import Any

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.optimize import brentq

from monitor.core import forecast as fc
from monitor.core.change import Cusum
from monitor.core.forecast import FillState

PER_L = 450.0
COUNT_VAR = 0.25 / PER_L**2
UPPER = [(0, 0), (0, 1), (0, 2), (0, 3), (1, 1), (1, 2), (1, 3), (2, 2), (2, 3), (3, 3)]
H = np.array([1.0, 0.0, 0.0, 0.0])
Z90 = 1.6448536269514722


def moved_on(x: Any, p: Any, minutes: float, base_var: float, passing_var: float) -> Any:
    """Return mean and covariance later: a base that walks and drifts, a part that decays in 5 min.

    Van Loan 1978: one exponential gives the transition and the noise gathered on the way; in steps
    of a few minutes, since it loses digits over long ones.
    """
    steps = ceil(minutes / 5.0) or 1
    minutes /= steps
    a = np.array([[0, 1, 0, 1], [0, 0, 1, 0], [0, 0, 0, 0], [0, 0, 0, -0.2]], dtype=float)
    q = np.diag([0.0, base_var, 0.0, 2.0 * passing_var * 0.2])
    both = expm(np.block([[-a, q], [np.zeros((4, 4)), a.T]]) * minutes)
    f = both[4:, 4:].T
    for _ in range(steps):
        x, p = f @ x, f @ p @ f.T + f @ both[:4, 4:]
    return x, p


def held(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


@dataclass
class Textbook:
    """A fill with all that is known of it, from a start at 10 L/min give or take a half."""

    x: Any
    p: Any
    t_s: float = 0.0
    opened_s: float = 0.0
    zero: float = 0.0
    slow_lpm: float = 10.0
    unrest: float = 0.04**2 * 30.0
    unrest_min: float = 30.0
    sums: tuple[float, float] = (0.0, 0.0)
    steps: int = 0
    y: Any = field(default_factory=lambda: np.array([0.0, 1.0]))
    r: Any = field(default_factory=lambda: np.diag([0.0, 0.02**2]))
    seen: bool = False
    level_sums: tuple[float, float] = (0.0, 0.0)

    def ahead(self, minutes: float) -> Any:
        base_sq = held(self.x[1], 0.05, 200.0) ** 2
        share_var = self.unrest / self.unrest_min
        return moved_on(self.x, self.p, minutes, 0.006**2 * base_sq, share_var * base_sq)

    def count(self, t_s: float, count: int, level: tuple[float, float] | None = None) -> None:
        """Take in a count, and a level's rise with its deviation."""
        minutes, before_l = (t_s - self.t_s) / 60.0, self.x[0]
        self.t_s = t_s
        volume_l = (count - self.zero + 0.5) / PER_L
        if t_s - self.opened_s <= 5.0:
            self.x = np.array([volume_l, *self.x[1:]])
            self.rise(volume_l - before_l, minutes, level)
            return
        x, p = self.ahead(minutes)
        base_sq = held(x[1], 0.05, 200.0) ** 2
        self.sums, jumped = cusum(self.sums, (volume_l - x[0]) / sqrt(p[0, 0] + COUNT_VAR))
        self.steps += jumped
        if jumped:
            p = p + np.diag([0.0, 0.05, 0.0, 0.95]) * 0.15**2 * base_sq
        self.x, self.p = corrected(x, p, H, volume_l, COUNT_VAR)
        off = self.x[1] + self.x[3] - self.slow_lpm
        open_min = (t_s - self.opened_s) / 60.0
        self.slow_lpm += off * min(minutes / min(5.0, open_min), 1.0)
        self.unrest += min(2.0 * off**2 / base_sq, 0.2**2) * minutes
        self.unrest_min += minutes
        self.rise(self.x[0] - before_l, minutes, level)

    def flow(self, t_s: float, lpm: float, level: tuple[float, float] | None = None) -> None:
        """Take in a flow that came without a count: good for 2 %."""
        minutes, before_l = (t_s - self.t_s) / 60.0, self.x[0]
        self.t_s = t_s
        if t_s - self.opened_s <= 5.0:
            self.x = np.array([before_l + lpm * minutes, *self.x[1:]])
        else:
            x, p = self.ahead(minutes)
            h = np.array([0.0, 1.0, 0.0, 1.0])
            self.x, self.p = corrected(x, p, h, lpm, (0.02 * max(lpm, 0.05)) ** 2)
        self.rise(self.x[0] - before_l, minutes, level)

    def shut(self, t_s: float, count: int | None, level: tuple[float, float] | None = None) -> None:
        """Let a hold pass."""
        minutes, before_l = (t_s - self.t_s) / 60.0, self.x[0]
        self.t_s = self.opened_s = t_s
        x, p = self.ahead(minutes)
        volume_l = before_l if count is None else max((count - self.zero + 0.5) / PER_L, before_l)
        self.x = np.array([volume_l, *x[1:]])
        self.p = p.copy()
        self.p[0, :] = self.p[:, 0] = 0.0
        self.p[0, 0] = COUNT_VAR
        self.rise(volume_l - before_l, minutes, level)

    def rise(self, litres: float, minutes: float, level: tuple[float, float] | None) -> None:
        """Follow the true rise, which is the metered litres times a ratio near one."""
        f = np.array([[1.0, litres], [0.0, 1.0]])
        self.y = f @ self.y
        self.r = f @ self.r @ f.T + np.diag([0.0, 0.001**2 * minutes])
        if level is None:
            return
        level_l, sd_l = level
        if not self.seen:
            self.r = self.r + np.diag([sd_l**2, 0.0])
        self.seen = True
        noise = sd_l**2 * max(1 / 6 / minutes, 1.0)
        score = (level_l - self.y[0]) / sqrt(self.r[0, 0] + noise)
        self.level_sums, jumped = cusum(self.level_sums, score)
        if jumped:
            self.r = self.r + np.diag([0.0, 0.2**2])
        self.y, self.r = corrected(self.y, self.r, np.array([1.0, 0.0]), level_l, noise)

    def end(self, now_s: float, need_l: float, *, need_sd_l: float = 0.0, overrun_l: float = 0.0,
            by_meter: bool = False) -> list[float] | None:  # fmt: skip
        """Return flow, its deviation, litres run, litres left, seconds left, early and late."""
        y, r, need_sd_l = (
            (np.array([self.x[0], 1.0]), np.zeros((2, 2)), 0.0) if by_meter
            else (self.y, self.r, need_sd_l)
        )  # fmt: skip
        left_l = (need_l - y[0] - overrun_l) / y[1]
        _, base, drift, passing = self.x

        def run(m: float) -> float:
            litres = m * base + m * m * drift / 2 + 5.0 * (1 - exp(-m / 5.0)) * passing
            return float(litres - left_l)

        top = 2880.0 if drift >= 0.0 else min(-base / drift, 2880.0)
        if run(top) < 0.0:
            return None  # on a flow that falls as now it would never be reached
        minutes = brentq(run, 0.0, top, xtol=1e-12) if run(0.0) < 0.0 else 0.0
        x, p = self.ahead(minutes)
        later = 0.001**2 * minutes / 3.0 if self.seen and not by_meter else 0.0
        to_go = np.array([1.0, left_l])
        true_var = need_sd_l**2 + to_go @ (r + np.diag([0.0, later])) @ to_go
        rate = max(x[1] + x[3], 0.05)
        slow, both = Z90 * sqrt(p[0, 0]) / rate, Z90 * sqrt(true_var) / y[1] / rate
        quick = minutes * slow / (minutes + slow)
        flow = max(base + passing, 0.0)
        both_flows = np.array([0.0, 1.0, 0.0, 1.0])
        flow_var = both_flows @ self.p @ both_flows * y[1] ** 2 + flow**2 * r[1, 1]
        waited_s = now_s - self.t_s
        return [
            flow * y[1], sqrt(flow_var), y[0], need_l - y[0], minutes * 60.0 - waited_s,
            max((minutes - hypot(quick, both)) * 60.0 - waited_s - 1.0, 0.0),
            (minutes + hypot(slow, both)) * 60.0 - waited_s + 1.0,
        ]  # fmt: skip


def corrected(x: Any, p: Any, h: Any, value: float, var: float) -> Any:
    gain = p @ h / (h @ p @ h + var)
    return x + gain * (value - h @ x), p - np.outer(gain, h @ p)


def cusum(sums: tuple[float, float], score: float) -> tuple[tuple[float, float], bool]:
    """Return the two sums of a CUSUM with slack 0.5, and whether one went beyond 8."""
    high, low = max(sums[0] + score - 0.5, 0.0), max(sums[1] - score - 0.5, 0.0)
    return ((0.0, 0.0), True) if max(high, low) > 8.0 else ((high, low), False)


def begun() -> tuple[FillState, Textbook]:
    """Return a fill at its start, and the textbook's."""
    p = np.diag([COUNT_VAR, 0.5**2, (0.0012 * 10.0) ** 2, (0.04 * 10.0) ** 2])
    state = fc.start(0.0, 0, PER_L, flow_lpm=10.0, flow_sd_lpm=0.5)
    return state, Textbook(np.array([0.0, 10.0, 0.0, 0.0]), p)


def same(state: FillState, book: Textbook) -> bool:
    """Tell whether both know the same, as far as rounding goes."""
    ours = [*state.mean, *state.cov, state.slow_lpm, state.unrest, state.unrest_min,
            state.cusum.high, state.cusum.low, float(state.steps), state.opened_s, state.t_s,
            state.rise.rise_l, state.rise.ratio, state.rise.rise_var, state.rise.both_var,
            state.rise.ratio_var, state.rise.cusum.high, state.rise.cusum.low]  # fmt: skip
    theirs = [*book.x, *(book.p[i, j] for i, j in UPPER), book.slow_lpm, book.unrest,
              book.unrest_min, *book.sums, float(book.steps), book.opened_s, book.t_s, *book.y,
              book.r[0, 0], book.r[0, 1], book.r[1, 1], *book.level_sums]  # fmt: skip
    return bool(np.allclose(ours, theirs, rtol=1e-6, atol=1e-10))


def ends(state: FillState, book: Textbook, now_s: float, need_l: float, **more: Any) -> bool:
    told = fc.predict(state, now_s, need_l, **more)
    ours = [told.flow_lpm, told.flow_sd_lpm, told.delivered_l, told.remaining_l, told.remaining_s,
            told.low_s, told.high_s]  # fmt: skip
    theirs = book.end(now_s, need_l, **more)
    return theirs is None or bool(np.allclose(ours, theirs, rtol=1e-6, atol=1e-3))


ENDS: list[dict[str, Any]] = [
    {},
    {"need_sd_l": 5.0},
    {"overrun_l": 1.5},
    {"by_meter": True},
    {"by_meter": True, "need_sd_l": 5.0, "overrun_l": 1.5},
]


@pytest.mark.parametrize("period_s", [1.0, 15.0])
@pytest.mark.parametrize("levelled", [False, True], ids=["meter", "meter and level"])
def test_a_fill_is_followed_as_the_matrices_follow_it(period_s: float, levelled: bool) -> None:
    """Claim: through an opening, a breathing flow, another tap, water that goes astray, a hold and
    a late end, state and forecast are the textbook's.
    """
    state, book = begun()
    noise, litres, risen_l = Random(4), 0.0, 0.0
    jumps = 0.0
    for reading in range(1, 150):
        now_s = reading * period_s
        lpm = (10.0 + 0.8 * sin(reading / 9)) * (0.7 if 60 < reading < 75 else 1.0)
        shut = 90 < reading < 100
        litres += (0.01 if shut else lpm) * period_s / 60.0
        risen_l += (0.01 if shut else lpm) * period_s / 60.0 * (0.6 if reading > 110 else 1.02)
        count = int(litres * PER_L + 0.3)
        level = (risen_l + noise.gauss(0.0, 0.8), 0.8) if levelled and reading % 2 else None
        extra = {} if level is None else {"rise_l": level[0], "rise_sd_l": level[1]}
        if shut:
            state = fc.rest(state, now_s, None if reading == 95 else count, **extra)
            book.shut(now_s, None if reading == 95 else count, level)
            book.zero = state.zero_count
        else:
            state = fc.update(state, now_s, count, **extra)
            book.count(now_s, count, level)
        assert same(state, book)
        jumps += state.rise.cusum == Cusum() and state.rise.seen
        if reading % 11 == 0:
            for more in ENDS:
                assert ends(state, book, now_s, 600.0, **more)
                assert ends(state, book, now_s + 7.0, 900.0, **more)
            assert ends(state, book, now_s, book.y[0] + 4.0)
    assert state.steps >= 1
    assert not levelled or jumps > 0


@pytest.mark.parametrize("levelled", [False, True])
def test_a_flow_without_a_count_is_followed_as_the_matrices_follow_it(levelled: bool) -> None:
    """Claim: flow readings are taken in as measurements of the whole flow, each good for 2 %, and
    for 2 % of the least flow when there is none.
    """
    state, book = begun()
    risen_l = 0.0
    for second in range(1, 120):
        lpm = 0.0 if 70 < second < 80 else 9.0 + sin(second / 5)
        risen_l += lpm / 60.0
        level = (risen_l + sin(second * 1.7), 0.8) if levelled else None
        extra = {} if level is None else {"rise_l": level[0], "rise_sd_l": level[1]}
        state = fc.update(state, float(second), None, lpm, **extra)
        book.flow(float(second), lpm, level)
        assert same(state, book)
        assert ends(state, book, float(second), 400.0)


@pytest.mark.parametrize("period_s", [1.0, 15.0])
def test_a_level_alone_is_followed_as_the_matrices_follow_it(period_s: float) -> None:
    """Claim: without a meter the rise is the volume: one for one, and no ratio in doubt."""
    state, book = begun()
    for reading in range(1, 80):
        now_s = reading * period_s
        level_l = now_s / 6.0 + sin(reading * 1.7)
        state = fc.update(state, now_s, None, None, rise_l=level_l, rise_sd_l=0.8)
        x, p = book.ahead(period_s / 60.0)
        if reading == 1:
            p = p + np.diag([0.64, 0.0, 0.0, 0.0])
        noise = 0.64 * max(10.0 / period_s, 1.0)
        book.x, book.p = corrected(x, p, H, level_l, noise)
        book.t_s, book.seen = now_s, True
        book.y, book.r = np.array([book.x[0], 1.0]), np.diag([book.p[0, 0], 0.0])
        assert same(state, book)
        assert ends(state, book, now_s, 900.0)
        assert not state.metered


# --- the start ---


def test_a_start_without_word_is_a_garden_hose() -> None:
    """Claim: 10 L/min give or take 5, a meter good for 2 %, and no water yet."""
    state = fc.start(5.0, 7, PER_L)
    assert state.mean == (0.0, 10.0, 0.0, 0.0)
    assert (state.count, state.zero_count, state.slow_lpm, state.steps) == (7, 7.0, 10.0, 0)
    variances = [state.cov[k] for k in (0, 4, 7, 9)]
    assert variances == pytest.approx([COUNT_VAR, 25.0, 0.012**2, 0.4**2])
    assert [state.cov[k] for k in (1, 2, 3, 5, 6, 8)] == [0.0] * 6
    assert (state.t_s, state.opened_s, state.metered) == (5.0, 5.0, False)
    assert (state.rise.rise_l, state.rise.ratio, state.rise.seen) == (0.0, 1.0, False)
    assert (state.rise.rise_var, state.rise.both_var) == (0.0, 0.0)
    assert sqrt(state.rise.ratio_var) == pytest.approx(0.02)
    assert (state.cusum, state.rise.cusum) == (Cusum(), Cusum())
    assert state.unrest / state.unrest_min == pytest.approx(0.04**2)


def test_numbers_at_a_start_are_held_where_they_can_be() -> None:
    """Claim: 1 to 20,000 pulses a litre, 0.05 to 200 L/min, a doubt of the flow of at most that,
    and a meter at most wholly wrong; half the flow when its doubt is no number.
    """

    def told(**more: Any) -> FillState:
        return fc.start(0.0, 0, PER_L, **more)

    assert fc.start(0.0, 0, 0.5).pulses_per_l == 1.0
    assert fc.start(0.0, 0, 20_001.0).pulses_per_l == 20_000.0
    assert fc.start(0.0, 0, nan).pulses_per_l == 1.0
    assert told(flow_lpm=0.01).mean[1] == told(flow_lpm=-3.0).slow_lpm == 0.05
    assert told(flow_lpm=201.0).mean[1] == 200.0
    assert told(flow_lpm=nan).mean[1] == 10.0
    assert told(flow_sd_lpm=201.0).cov[4] == 40_000.0
    assert told(flow_sd_lpm=-1.0).cov[4] == 0.0
    assert told(flow_lpm=8.0, flow_sd_lpm=nan).cov[4] == told(flow_lpm=8.0).cov[4] == 16.0
    assert told(meter_share_sd=2.0).rise.ratio_var == 1.0
    assert told(meter_share_sd=-1.0).rise.ratio_var == 0.0
    assert told(meter_share_sd=nan).rise.ratio_var == pytest.approx(0.0004)


@pytest.mark.parametrize(
    ("count", "kept"), [(0, 0), (-1, 0), (1, 1), (2**53, 2**53), (2**53 + 1, 0)]
)
def test_a_first_count_that_cannot_be_is_none(count: int, kept: int) -> None:
    """Claim: a counter shows nought or more, and no more than a float can tell exactly."""
    state = fc.start(0.0, count, PER_L)
    assert (state.count, state.zero_count) == (kept, float(kept))
    assert fc.start(inf, 0, PER_L).t_s == fc.start(nan, 0, PER_L).opened_s == 0.0


# --- what a reading may be ---


def flowing() -> FillState:
    """Return a fill of ten litres in a minute, read once a second."""
    state = fc.start(0.0, 0, PER_L, flow_lpm=10.0, flow_sd_lpm=0.5)
    for second in range(1, 61):
        state = fc.update(state, float(second), 75 * second)
    return state


def test_readings_a_millisecond_apart_are_two() -> None:
    """Claim: closer than that is the same reading."""
    state = replace(flowing(), t_s=0.0)
    assert fc.update(state, 0.001, 4501) is not state
    assert fc.update(state, 0.000995, 4501) is state
    assert fc.rest(state, 0.000995, 4501) is state


def test_a_silence_spreads_for_an_hour() -> None:
    """Claim: after an hour without word nothing more is forgotten, so two hours look like one."""
    state = flowing()
    one, two, near = (fc.rest(state, 60.0 + s, None).cov for s in (3600.0, 7200.0, 3590.0))
    assert one == two
    assert one != near


def test_a_count_is_one_up_to_what_a_float_can_tell() -> None:
    """Claim: nought is a count, 2^53 is the last, and neither a negative nor a greater one is."""
    state = flowing()
    for move in (fc.update, fc.rest):
        assert move(state, 61.0, 2**53).count == 2**53
    assert fc.update(state, 61.0, 2**53 + 1) is state
    assert fc.update(state, 61.0, -1) is state
    assert fc.update(state, 61.0, 0).count == 0
    for odd in (2**53 + 1, -1):
        assert fc.rest(state, 61.0, odd) == fc.rest(state, 61.0, state.count)
    assert fc.rest(fc.start(0.0, 0, PER_L), 1.0, 0).count == 0


def test_a_flow_is_one_up_to_two_hundred() -> None:
    """Claim: nought and 200 L/min are flows without a count; beyond, it is no reading."""
    state = flowing()
    assert fc.update(state, 61.0, None, 0.0) is not state
    assert fc.update(state, 61.0, None, 200.0) is not state
    assert fc.update(state, 61.0, None, 200.1) is state
    assert fc.update(state, 61.0, None, -0.1) is state


@pytest.mark.parametrize("count", [None, 4575])
def test_a_rise_is_one_up_to_a_thousand_cubic_metres(count: int | None) -> None:
    """Claim: a million litres either way, and any deviation above nought up to as much."""
    state = flowing()
    plain = fc.update(state, 61.0, count)
    good = [(1e6, 1.0), (-1e6, 1.0), (0.0, 1.0), (1.0, 1e6), (1.0, 1e-9), (0.5, 0.5)]
    bad = [(1.001e6, 1.0), (-1.001e6, 1.0), (1.0, 1.001e6), (1.0, 0.0), (1.0, -1.0), (nan, 1.0)]
    for rise_l, sd_l in good:
        assert fc.update(state, 61.0, count, rise_l=rise_l, rise_sd_l=sd_l) != plain
    for rise_l, sd_l in bad:
        assert fc.update(state, 61.0, count, rise_l=rise_l, rise_sd_l=sd_l) == plain


@pytest.mark.parametrize("count", [None, 4575])
def test_no_level_is_better_than_a_centilitre(count: int | None) -> None:
    """Claim: a sharper one is taken for one that is good for 0.01 L, and one of that as it is."""
    state = flowing()

    def after(sd_l: float) -> FillState:
        return fc.update(state, 61.0, count, rise_l=10.2, rise_sd_l=sd_l)

    assert after(1e-9) == after(0.01)
    assert after(0.00995) == after(0.01)
    assert after(0.01005) != after(0.01)


def test_a_rise_told_without_its_deviation_is_no_reading() -> None:
    """Claim: a number whose doubt nobody gives is left out, running or in a hold."""
    state = flowing()
    assert fc.update(state, 61.0, None, rise_l=10.0) is state
    assert fc.rest(state, 61.0, 4501, rise_l=10.0) == fc.rest(state, 61.0, 4501)
    assert fc.rest(state, 61.0, 4501, rise_l=10.0, rise_sd_l=1.0).rise.seen


def test_flow_counts_for_nothing_within_five_seconds_of_opening() -> None:
    """Claim: at the fifth second the valve may still be opening; after it, flow is learned from."""
    state = replace(fc.start(0.0, 0, PER_L), t_s=1.0)
    for flow, count in ((None, 100), (3.0, None)):
        assert fc.update(state, 5.0, count, flow).mean[1:] == state.mean[1:]
        assert fc.update(state, 5.01, count, flow).mean[1] < 9.9
    assert fc.update(state, 5.0, 100).metered
    assert fc.update(state, 5.0, None, 3.0).metered
    assert fc.update(state, 5.01, 100).metered


@pytest.mark.parametrize("side", ["high", "low"])
def test_a_step_is_seen_when_the_cusum_passes_eight(side: str) -> None:
    """Claim: at 7.99 another tap is not believed yet, at 8.01 it is; then the sums begin anew."""
    state = flowing()

    def after(sum_: float) -> FillState:
        return fc.update(replace(state, cusum=Cusum(**{side: sum_})), 61.0, 4575)

    added = getattr(after(5.0).cusum, side) - 5.0
    assert after(7.99 - added).steps == state.steps
    assert after(8.01 - added).steps == state.steps + 1
    assert after(8.01 - added).cusum == Cusum()


def test_an_opening_counts_from_when_the_valve_was_opened() -> None:
    """Claim: an engine that has run for long is no reason to believe a flow that is coming up."""
    state = fc.start(5000.0, 0, PER_L)
    assert fc.update(state, 5003.0, None, 3.0).mean[1:] == state.mean[1:]
    assert fc.update(state, 5003.0, 60).mean[1:] == state.mean[1:]


def test_after_a_long_silence_the_usual_flow_is_that_of_now() -> None:
    """Claim: the average reaches back five minutes, so that ten without a word leave none of it;
    it never overshoots.
    """
    after = fc.update(replace(flowing(), slow_lpm=4.0), 660.0, 45_000)
    assert after.slow_lpm == pytest.approx(after.mean[1] + after.mean[3])


def test_a_restarted_counter_goes_on_from_the_estimate() -> None:
    """Claim: what has run by then is what the model says, and the next pulse counts from there."""
    state = flowing()
    after = fc.update(state, 66.0, 30)
    assert after.mean[0] == pytest.approx(state.mean[0] + 1.0, abs=0.02)
    assert after.zero_count == pytest.approx(30.5 - after.mean[0] * PER_L)
    assert after.count == 30
    later = fc.update(after, 67.0, 30 + 75)
    assert later.mean[0] - after.mean[0] == pytest.approx(1 / 6, abs=0.005)
    again = fc.rest(state, 61.0, 0)  # a restart in a hold is not told from a node that has no word
    assert (again.mean[0], again.count) == (state.mean[0], 0)
    assert fc.rest(again, 62.0, 45).mean[0] == pytest.approx(state.mean[0] + 0.1, abs=1e-9)


def test_a_counter_that_stands_still_is_a_reading() -> None:
    """Claim: no pulse in a second at 10 L/min is water that stopped, and no restarted counter."""
    state = flowing()
    after = fc.update(state, 61.0, 4500)
    assert after.zero_count == state.zero_count
    assert after.mean[0] - state.mean[0] < 0.5 / 6.0
    assert after.mean[1] + after.mean[3] < state.mean[1] + state.mean[3]


def test_a_hold_begins_with_what_the_counter_says() -> None:
    """Claim: litres that the estimate is behind by are taken in, even if no pulse has come since;
    an estimate that is ahead is kept.
    """
    state = flowing()
    for estimate_l, held_l in ((9.0, 4500.5 / PER_L), (10.5, 10.5)):
        at = replace(state, mean=(estimate_l, *state.mean[1:]), zero_count=0.0)
        assert fc.rest(at, 61.0, 4500).mean[0] == pytest.approx(held_l)


def test_a_hold_without_a_count_is_no_word_of_a_meter() -> None:
    """Claim: it is one with a count, and a meter that has spoken stays one that has."""
    state = fc.start(0.0, 0, PER_L)
    assert not fc.rest(state, 1.0, None).metered
    assert fc.rest(state, 1.0, 0).metered
    assert fc.rest(flowing(), 61.0, None).metered


# --- the end ---


def test_what_it_rests_on_is_told() -> None:
    """Claim: earlier fills, level, meter, or both, as far as they have spoken; the meter's own
    litres are told so whatever the level says.
    """
    state = fc.start(0.0, 0, PER_L)
    level = {"rise_l": 1.0, "rise_sd_l": 1.0}
    for count, more, words in ((None, {}, "earlier fills"), (75, {}, "meter"),
                               (None, level, "level"), (75, level, "meter and level")):  # fmt: skip
        after = fc.update(state, 1.0, count, **more)
        assert fc.predict(after, 1.0, 100.0).by == words
        assert fc.predict(after, 1.0, 100.0, by_meter=True).by == words


def test_a_forecast_rests_on_earlier_fills_unless_it_says_so() -> None:
    """Claim: what was made without word of a sensor claims none."""
    assert fc.Forecast(9.6, 0.2, 0.5, 419.5, 2600.0, 2500.0, 2700.0, 420.0).by == "earlier fills"


def test_a_need_and_an_overrun_are_held_where_they_can_be() -> None:
    """Claim: from nought to a million litres; no number is none, and the doubt of a mark is at
    most a million litres, and that when it is no number.
    """
    state = flowing()

    def told(need_l: float, **more: float) -> fc.Forecast:
        return fc.predict(state, 60.0, need_l, **more)

    assert told(2e6).total_l == told(inf).total_l == 1e6
    assert told(1e6 - 10).total_l == 1e6 - 10
    assert told(nan) == told(-5.0) == told(0.0)
    assert told(nan).remaining_l == 0.0
    assert told(500.0, overrun_l=-3.0) == told(500.0, overrun_l=nan) == told(500.0)
    assert told(500.0, overrun_l=0.5) != told(500.0)
    assert told(500.0, need_sd_l=-3.0) == told(500.0, need_sd_l=0.0)
    assert told(500.0, need_sd_l=0.5) != told(500.0, need_sd_l=0.0)
    assert told(500.0, need_sd_l=nan) == told(500.0, need_sd_l=2e6) == told(500.0, need_sd_l=1e6)


def test_two_days_are_out_of_sight() -> None:
    """Claim: nothing is further off than 172,800 s, and no wait longer."""
    state = flowing()
    told = fc.predict(state, 60.0, 1e6)
    assert (told.remaining_s, told.high_s) == (172_800.0, 172_800.0)
    late = fc.predict(state, 60.0 + 172_800.0, 28_000.0)
    later = fc.predict(state, 60.0 + 9e9, 28_000.0)
    assert late == later


def test_all_beyond_two_days_is_alike() -> None:
    """Claim: how far beyond does not matter, neither for the end nor for its doubt."""
    far, farther = (fc.predict(flowing(), 60.0, need_l, by_meter=True) for need_l in (5e4, 1e6))
    assert (far.low_s, far.remaining_s, far.high_s) == (
        farther.low_s, farther.remaining_s, farther.high_s
    )  # fmt: skip
    assert far.low_s < far.remaining_s


def test_a_need_long_passed_ends_now() -> None:
    """Claim: a million litres too many are no time to come, and no number that overflows."""
    state = flowing()
    for base in (10.0, 0.0):
        over = replace(state, mean=(1e6, base, 0.0, 0.0))
        assert fc.predict(over, 60.0, 0.0, by_meter=True).remaining_s == 0.0


@pytest.mark.parametrize("passing", [-4.0, 4.0])
def test_a_passing_flow_is_reckoned_with_to_the_millisecond(passing: float) -> None:
    """Claim: litres that run while another tap still closes or opens again are found exactly."""
    state = replace(flowing(), mean=(10.0, 10.0, 0.0, passing))
    minutes = brentq(lambda m: 10.0 * m + 5.0 * (1 - exp(-m / 5.0)) * passing - 15.0, 0.0, 9.0)
    told = fc.predict(state, 60.0, 25.0, by_meter=True)
    assert told.remaining_s == pytest.approx(minutes * 60.0, abs=1e-3)


def test_an_end_in_sight_is_found_from_a_guess_far_beyond() -> None:
    """Claim: a trickle that grows fills the vessel in 19 hours, though as it runs now it would take
    more than four days; half a per cent is near enough for that.
    """
    base, drift, need_l = 0.3543, 0.0026932, 2187.7
    state = replace(flowing(), mean=(0.0, base, drift, 0.0))
    minutes = (sqrt(base * base + 2.0 * drift * need_l) - base) / drift
    told = fc.predict(state, 60.0, need_l, by_meter=True)
    assert told.remaining_s == pytest.approx(minutes * 60.0, rel=0.005)


@pytest.mark.parametrize(("base", "like"), [(400.0, 200.0), (0.01, 0.05), (-3.0, 0.05)])
def test_a_flow_that_cannot_be_wanders_like_the_nearest_that_can(base: float, like: float) -> None:
    """Claim: the restlessness is that of 0.05 to 200 L/min, whatever the filter makes of a flow."""
    state = flowing()
    odd, usual = (replace(state, mean=(10.0, lpm, 0.0, 0.0)) for lpm in (base, like))
    assert fc.rest(odd, 90.0, None).cov == fc.rest(usual, 90.0, None).cov


def test_a_level_that_hardly_rises_has_an_end_all_the_same() -> None:
    """Claim: of a ratio below a twentieth, a twentieth is made, so that nothing divides by none."""
    state = flowing()
    low = replace(state, rise=replace(state.rise, ratio=0.01))
    edge = replace(state, rise=replace(state.rise, ratio=0.05))
    assert fc.predict(low, 60.0, 20.0) == fc.predict(edge, 60.0, 20.0)
    assert fc.predict(edge, 60.0, 20.0).flow_lpm == pytest.approx(0.5, rel=0.01)


def test_water_that_stands_still_counts_as_the_least_flow() -> None:
    """Claim: 0.05 L/min at least is what the end and its doubt are reckoned with."""
    state = flowing()
    for base in (0.05, 0.0, -1.0):
        still = replace(state, mean=(10.0, base, 0.0, 0.0), cov=(0.25, *(0.0,) * 9), unrest=0.0)
        told = fc.predict(still, 60.0, 11.0, by_meter=True)
        assert told.remaining_s >= 1200.0 * (1 - 1e-9)
        assert told.flow_lpm == max(base, 0.0)
        if base == 0.05:
            assert told.remaining_s == pytest.approx(1200.0)


def test_no_rounding_makes_a_doubt_less_than_none() -> None:
    """Claim: flows whose doubts cancel to a hair below nought leave none, and nothing raises."""
    state = flowing()
    cov = (COUNT_VAR, 0.0, 0.0, 0.0, 1.0, 0.0, -1.0 - 1e-15, 0.0, 0.0, 1.0)
    assert fc.predict(replace(state, cov=cov), 60.0, 100.0, by_meter=True).flow_sd_lpm == 0.0
    rise = replace(state.rise, rise_l=0.0, ratio=1.0, rise_var=1.0, both_var=-0.1 - 1e-12)
    sure = replace(state, rise=replace(rise, ratio_var=0.01), cov=(0.0,) * 10)
    assert fc.predict(sure, 60.0, 10.0).remaining_s == pytest.approx(60.0, rel=0.01)
    wild = Random(1)
    for _ in range(3000):
        rise = replace(state.rise, ratio_var=10 ** wild.uniform(12, 15), seen=True)
        at = replace(state, rise=rise, mean=(6.7, *state.mean[1:]))
        after = fc.update(at, 61.0, 4575, rise_l=10.0, rise_sd_l=0.01)
        assert after.rise.ratio_var >= 0.0


def test_with_no_doubt_and_nothing_to_go_the_end_is_now() -> None:
    """Claim: nothing is divided by nothing."""
    told = fc.predict(replace(flowing(), cov=(0.0,) * 10), 60.0, 0.0, by_meter=True)
    assert (told.low_s, told.remaining_s, told.high_s) == (0.0, 0.0, 1.0)


def test_a_need_that_is_met_ends_now_and_a_second_early_at_the_earliest() -> None:
    """Claim: nothing is left, the earliest end is now, and the latest is a reading's second and the
    doubt of a mark away.
    """
    told = fc.predict(flowing(), 60.0, 5.0, by_meter=True)
    assert (told.remaining_s, told.remaining_l, told.low_s) == (0.0, 0.0, 0.0)
    assert told.high_s == pytest.approx(1.0, abs=0.1)
    blurred = fc.predict(flowing(), 60.0, 5.0, need_sd_l=2.0)
    assert blurred.high_s == pytest.approx(1.0 + Z90 * 2.0 * 6.0, rel=0.02)


@pytest.mark.parametrize("margin", [0.0, 0.2, -0.5])
def test_limits_are_grown_by_the_margin_and_never_below_nought(margin: float) -> None:
    """Claim: no margin is the forecast itself, a share is added, and less than all may be taken."""
    told = fc.predict(flowing(), 60.0, 420.0)
    wanted = (told.high_s * (1 + margin), told.total_l * (1 + margin))
    assert fc.limits_from(told, margin, 1e6, 1e6) == pytest.approx(wanted)
    assert fc.limits_from(told, margin, -1.0, -1.0) == (0.0, 0.0)
    assert fc.limits_from(told, margin, 0.5, 0.25) == (0.5, 0.25)
