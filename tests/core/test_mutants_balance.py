"""What small changes of the balance showed to be unsaid: its numbers, held against the textbook.

The filter, its CUSUMs and the ramps are worked out here once more with matrices and whole lists,
from the parameters as `balance` describes them; no run of them is allowed to differ by more than
rounding.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, field, replace
from math import inf, sqrt
from random import Random
from typing import Any

import numpy as np
import pytest

from monitor.core import balance as b
from monitor.core.balance import Balance, Block, Mode, Run, Verdict
from monitor.core.limits import DEFAULTS

SD_L = 2.8
SHARE_SD = 0.03
CLOSE = {"rel": 1e-9, "abs": 1e-9}


# --- the filter ---


@dataclass
class Textbook:
    """Litres and ratio by matrices: a block of four seconds, waves of two."""

    x: Any = field(default_factory=lambda: np.array([0.0, 1.0]))
    p: Any = None
    noise_var: float = 0.0
    metered_l: float = 0.0
    sums: dict[int, float] = field(default_factory=lambda: {-1: 0.0, 1: 0.0})
    sd_l: float = 0.0

    def block(self, levels: list[float], metered_l: float, seconds: float, wander_l: float,
              told_sd_l: float, *, watched: bool) -> None:  # fmt: skip
        """Take in the readings of one block."""
        if len(levels) > 1:
            self.noise_var += (float(np.var(levels, ddof=1)) - self.noise_var) / 10.0
        waves = max(min(len(levels), seconds / 2.0), 1.0)
        r = max(told_sd_l**2, self.noise_var) / waves
        in_l = max(metered_l - self.metered_l, 0.0)
        self.metered_l = metered_l
        if self.p is None:
            self.x[0], self.p = np.mean(levels), np.diag([r, 0.0])
            return
        f, h = np.array([[1.0, in_l], [0.0, 1.0]]), np.array([1.0, 0.0])
        before = self.p
        self.x = f @ self.x
        self.p = f @ self.p @ f.T + np.diag([wander_l**2, 0.001**2 * seconds / 60.0])
        gap_l = float(np.mean(levels)) - self.x[0]
        var = float(h @ self.p @ h) + r
        if watched:
            self.sd_l = sqrt(var)
            for sign in self.sums:
                self.sums[sign] = max(self.sums[sign] + sign * gap_l / self.sd_l - 0.5, 0.0)
            if max(self.sums.values()) > 4.0:
                self.p = before  # nothing is learned, and the doubt waits as well
                return
        k = self.p @ h / var
        self.x = self.x + k * gap_l
        self.p = self.p - np.outer(k, h @ self.p)


def same(state: Balance, book: Textbook) -> bool:
    """Tell whether both know the same, as far as rounding goes."""
    ours = [state.water_l, state.ratio, state.water_var, state.both_var, state.ratio_var,
            state.noise_var, state.one_sd_l, state.short.sum, state.extra.sum]  # fmt: skip
    theirs = [book.x[0], book.x[1], book.p[0, 0], book.p[0, 1], book.p[1, 1], book.noise_var,
              book.sd_l, book.sums[-1], book.sums[1]]  # fmt: skip
    return ours == pytest.approx(theirs, **CLOSE)


@pytest.mark.parametrize("period_s", [0.5, 1.0, 4.0, 7.0])
@pytest.mark.parametrize("told_sd_l", [0.1, SD_L])
@pytest.mark.parametrize(("mode", "wander_l"), [(Mode.REST, 0.3), (Mode.FOLLOW, 20.0)])
def test_at_rest_and_draining_the_litres_are_those_of_the_matrices(
    mode: Mode, wander_l: float, told_sd_l: float, period_s: float
) -> None:
    """Claim: the mean of each block, weighed by its noise as told or as measured, whichever is
    worse, against 0.3 L a block at rest and 20 L a block while draining.
    """
    noise, book, levels, from_s = Random(5), Textbook(), [], 0.0
    state = replace(b.begin(0.0), mode=mode)
    for reading in range(1, 200):
        now_s = reading * period_s
        levels.append(400.0 - 0.02 * now_s + noise.gauss(0.0, SD_L))
        state = b.update(state, now_s, levels[-1], 0.0, told_sd_l)
        if now_s - from_s < 4.0:
            continue
        book.block(levels, 0.0, now_s - from_s, wander_l, told_sd_l, watched=False)
        levels, from_s = [], now_s
        assert same(state, book)
    assert state.verdict is Verdict.CALM


@pytest.mark.parametrize("period_s", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("arrives", [1.04, 0.98, 0.8, 1.15])
def test_a_fill_is_followed_as_the_matrices_follow_it(arrives: float, period_s: float) -> None:
    """Claim: litres, ratio, their doubt and both CUSUMs are the textbook's through 100 blocks,
    whether all is well or the filter has stopped to learn; what was known at rest is kept.
    """
    noise, book = Random(9), Textbook()
    state, levels, from_s, water_l = b.begin(0.0), [], 0.0, 400.0
    for second in range(1, 41):
        levels.append(water_l + noise.gauss(0.0, SD_L))
        state = b.update(state, float(second), levels[-1], 0.0, SD_L)
        if second % 4 == 0:
            book.block(levels, 0.0, 4.0, 0.3, SD_L, watched=False)
            levels, from_s = [], float(second)
    state = b.turned(state, Mode.WATCH, 40.0, 0.0, SHARE_SD)
    book.p = np.diag([book.p[0, 0], SHARE_SD**2 + 0.02**2])
    blocks, metered_l = 0, 0.0
    for reading in range(1, round(400 / period_s)):
        now_s = 40.0 + reading * period_s
        flow_lpm = 10.0 + 3.0 * ((reading // 40) % 2)
        metered_l += flow_lpm / 60.0 * period_s
        water_l += flow_lpm / 60.0 * period_s * arrives
        levels.append(water_l + noise.gauss(0.0, SD_L))
        state = b.update(state, now_s, levels[-1], metered_l, SD_L)
        if now_s - from_s < 4.0:
            continue
        if state.verdict in (Verdict.METER_OFF, Verdict.EXTRA, Verdict.MISSING):
            break  # what follows is told below
        before_l = book.metered_l
        book.block(levels, metered_l, now_s - from_s, 0.0, SD_L, watched=True)
        assert same(state, book)
        assert state.in_lpm == pytest.approx((metered_l - before_l) / (now_s - from_s) * 60.0)
        levels, from_s, blocks = [], now_s, blocks + 1
    assert blocks >= 10


# --- one block, from a state that is made up ---

NOW_S = 1000.0
LITRES = 500.0
VAR = 7.84  # of a block of one reading as noisy as told, and nothing else in doubt


def judged(
    gap_l: float = 0.0,
    *,
    in_l: float = 0.0,
    sd_l: float = sqrt(VAR),
    limits: Any = DEFAULTS,
    **known: Any,
) -> Balance:
    """Return what a single reading, four seconds later and `gap_l` off the prediction, makes of a
    balance in mid-fill that has 100 L metered and no doubt left but the reading's own.
    """
    state = Balance(
        Block(NOW_S - 4.0), mode=Mode.WATCH, metered_l=100.0, water_l=LITRES, water_var=0.0,
        same_s=NOW_S - 4.0, same_l=100.0,
    )  # fmt: skip
    state = replace(state, **known)
    level_l = LITRES + state.ratio * in_l + gap_l
    return b.update(state, NOW_S, level_l, 100.0 + in_l, sd_l, limits)


def ramp(share: float, litres: float = 40.0, *, ago_s: float = 100.0, points: float = 4.0,
         total: float = 30.0, falls_lpm: float = 0.0) -> Run:  # fmt: skip
    """Return a CUSUM that began `litres` and `ago_s` ago, whose gaps show a share missing.

    `points` is the weight of its gaps, in times that of one at its end.
    """
    minutes = ago_s / 60.0
    t_t = points * minutes * minutes
    m_m = points * litres * litres
    return Run(
        sum=total, since_s=NOW_S - ago_s, metered_l=100.0 - litres,
        gap_m=share * m_m, m_m=m_m, gap_t=falls_lpm * t_t, t_t=t_t,
    )  # fmt: skip


def as_after(run: Run, end_m: float, end_min: float) -> Run:
    """Return the run as it must stand before a last gap of nought, to be as given after it."""
    return replace(run, sum=run.sum + 0.5, m_m=run.m_m - end_m**2, t_t=run.t_t - end_min**2)


def loss(lost: float, litres: float = 40.0, ago_s: float = 100.0, points: float = 4.0,
         **more: Any) -> Balance:  # fmt: skip
    """Return the verdict on a shortfall that is this share of the litres metered since."""
    run = ramp(lost, litres, ago_s=ago_s, points=points, total=more.pop("total", 30.0),
               falls_lpm=more.pop("falls_lpm", 0.0))  # fmt: skip
    return judged(short=as_after(run, litres, ago_s / 60.0), **more)


def test_the_limit_of_the_cusum_is_fourteen_and_a_half() -> None:
    """Claim: at 14.5 nothing is named yet; beyond it, it is."""
    assert loss(0.9, total=14.5).verdict is Verdict.CALM
    assert loss(0.9, total=14.51).verdict is Verdict.HOSE_OFF
    assert surplus(0.5, total=14.5).verdict is Verdict.CALM
    assert surplus(0.5, total=14.51).verdict is Verdict.EXTRA


@pytest.mark.parametrize(("share", "name"), [(0.701, Verdict.HOSE_OFF), (0.699, Verdict.MISSING)])
def test_seven_tenths_missing_is_all_of_it(share: float, name: Verdict) -> None:
    """Claim (W02): the hose is called off from 0.7 missing; below, a part of the water is."""
    after = loss(share)
    assert after.verdict is name
    assert after.share == pytest.approx(share)


def test_what_the_ratio_has_swallowed_is_missing_too() -> None:
    """Claim: a ratio of 0.9 that was learned adds its tenth; one above 1 takes nothing off."""
    assert loss(0.65, ratio=0.9).share == pytest.approx(0.75)
    assert loss(0.65, ratio=0.9).verdict is Verdict.HOSE_OFF
    assert loss(0.65, ratio=1.1).share == pytest.approx(0.65)


def doubt(litres: float, points: float = 4.0) -> float:
    """Return two standard deviations of the share that the gaps of a run show."""
    return 2.0 * sqrt(VAR) / sqrt(points * litres * litres)


@pytest.mark.parametrize(
    ("off", "name"),
    [
        (1.01, Verdict.MISSING),
        (0.99, Verdict.DOUBT),
        (-0.99, Verdict.DOUBT),
        (-1.01, Verdict.METER_OFF),
    ],
)
def test_a_share_is_told_once_it_is_two_deviations_from_the_limit(
    off: float, name: Verdict
) -> None:
    """Claim (W03, W17): above the limit by more than the doubt is missing water, below it by more
    is the meter, and in between nobody knows yet.
    """
    assert loss(DEFAULTS.missing_share + off * doubt(40.0)).verdict is name


@pytest.mark.parametrize("ago_s", [199.9, 200.0])
@pytest.mark.parametrize("more", [0.0, 0.01, -0.01])
def test_after_two_hundred_seconds_a_doubtful_share_is_called_by_what_it_is(
    more: float, ago_s: float
) -> None:
    """Claim: until then it is in doubt; then the limit itself and above is missing water, and
    below it is the meter.
    """
    limits = replace(DEFAULTS, missing_share=0.25)  # exact in binary, and so is what is on it
    name = loss(0.25 + more, ago_s=ago_s, litres=32.0, limits=limits).verdict
    late = Verdict.METER_OFF if more < 0.0 else Verdict.MISSING
    assert name is (late if ago_s >= 200.0 else Verdict.DOUBT)


def test_a_limit_of_the_config_is_the_one_that_counts() -> None:
    """Claim: what is missing water by the default is the meter's by a looser limit."""
    limits = replace(DEFAULTS, missing_share=0.4)
    assert loss(0.3).verdict is Verdict.MISSING
    assert loss(0.3, limits=limits).verdict is Verdict.METER_OFF


@pytest.mark.parametrize(("off", "falls"), [(1.01, True), (0.99, False)])
def test_a_fall_is_told_once_it_is_two_deviations_below_nought(off: float, falls: bool) -> None:
    """Claim (W12): the level's own rate, the metered flow less the gap's slope in time, must be
    below nought by two standard deviations.
    """
    litres, ago_s = 40.0, 120.0
    minutes = ago_s / 60.0
    sure_lpm = 2.0 * sqrt(VAR) / sqrt(4.0 * minutes * minutes)
    flow_lpm = 0.9 * litres / minutes
    after = loss(0.8, litres, ago_s, falls_lpm=flow_lpm + off * sure_lpm, ratio=0.9, share=0.125)
    assert (after.verdict is Verdict.FALLS) is falls
    assert after.share == pytest.approx(0.125 if falls else 0.9)


def test_water_that_stands_does_not_fall() -> None:
    """Claim: with no doubt at all, a level that gains exactly nothing has lost all that came in."""
    stands = ramp(0.9, 40.0, ago_s=120.0, falls_lpm=20.0)
    assert judged(short=stands, sd_l=0.0).verdict is Verdict.HOSE_OFF
    falls = ramp(0.9, 40.0, ago_s=120.0, falls_lpm=20.5)
    assert judged(short=falls, sd_l=0.0).verdict is Verdict.FALLS


def test_a_share_at_a_limit_is_above_it_for_the_hose_and_in_doubt_for_the_meter() -> None:
    """Claim: with no doubt about it, 0.7 missing is a hose that is off; a share that is exactly
    what may be missing is neither missing water nor the meter's, before it is late.
    """
    limits = replace(DEFAULTS, missing_share=0.25)
    assert judged(short=ramp(0.7), sd_l=0.0).verdict is Verdict.HOSE_OFF
    assert judged(short=ramp(0.25), sd_l=0.0, limits=limits).verdict is Verdict.DOUBT


@pytest.mark.parametrize(("litres", "name"), [(0.499, Verdict.DOUBT), (0.5, Verdict.HOSE_OFF)])
def test_below_half_a_litre_nothing_has_been_let_in(litres: float, name: Verdict) -> None:
    """Claim: a share of next to nothing is not told, and the one that was is kept."""
    after = loss(0.9, litres, share=0.25)
    assert after.verdict is name
    assert after.share == pytest.approx(0.25 if name is Verdict.DOUBT else 0.9)


def surplus(more: float, *, in_l: float = 1.0, total: float = 29.5, **known: Any) -> Balance:
    """Return the verdict on a surplus that is this share of the litres metered since."""
    run = ramp(more, 40.0, total=total + 0.5)
    end = 40.0 + in_l
    before = replace(run, m_m=run.m_m - end * end)
    return judged(extra=before, in_l=in_l, **known)


@pytest.mark.parametrize("more", [0.0, 0.01])
def test_a_surplus_beyond_the_limit_is_extra_water(more: float) -> None:
    """Claim (W20): the limit itself is still the meter; more is water from elsewhere."""
    limits = replace(DEFAULTS, missing_share=0.25)
    after = surplus(0.25 + more, limits=limits)
    assert after.verdict is (Verdict.EXTRA if more else Verdict.METER_OFF)
    assert after.share == pytest.approx(-0.25 - more)


def test_a_surplus_while_the_meter_stands_is_a_jam() -> None:
    """Claim (W16): below the least flow, in the last block, the meter is jammed; at it, not."""
    limits = replace(DEFAULTS, flow_min_lpm=0.9375)  # 1/16 L in four seconds: exact
    jammed = surplus(0.5, in_l=0.0, limits=limits, share=0.125)
    assert (jammed.verdict, jammed.share) == (Verdict.JAMMED, 0.125)
    assert surplus(0.5, in_l=0.0625, limits=limits).verdict is Verdict.EXTRA
    assert surplus(0.5, in_l=0.0624, limits=limits).verdict is Verdict.JAMMED


def test_a_surplus_of_half_a_litre_has_a_share_and_one_of_none_has_not() -> None:
    """Claim: little water is measured like much; where nothing at all was metered, and the config
    wants no flow, there is no share to tell.
    """
    little = Run(sum=30.5, since_s=NOW_S - 8.0, metered_l=99.75, gap_m=0.125)
    after = judged(extra=little, in_l=0.25)
    assert (after.verdict, after.share) == (Verdict.EXTRA, pytest.approx(-0.5))
    limits = replace(DEFAULTS, flow_min_lpm=0.0)
    after = judged(extra=Run(sum=30.5, since_s=NOW_S - 8.0, metered_l=100.0), limits=limits)
    assert (after.verdict, after.share) == (Verdict.METER_OFF, 0.0)


def test_a_shortfall_comes_before_a_surplus() -> None:
    """Claim: with both beyond the limit the one that floods is named."""
    both = replace(ramp(0.9), sum=30.0)
    assert judged(short=both, extra=ramp(-0.5)).verdict is Verdict.HOSE_OFF


@pytest.mark.parametrize(("share", "find"), [(0.05, loss), (0.1, surplus), (0.5, surplus)])
def test_what_is_only_told_is_learned(share: float, find: Any) -> None:
    """Claim (W17, W20): the CUSUMs begin anew, and the filter may move by all that has run away:
    14.5 deviations of a block in litres, and the whole share in the ratio.
    """
    after = find(share, ratio_var=0.0004)
    plain = judged(in_l=0.0 if find is loss else 1.0, ratio_var=0.0004, short=Run(sum=5.0))
    assert after.verdict in (Verdict.METER_OFF, Verdict.EXTRA)
    assert (after.short, after.extra) == (Run(), Run())
    assert after.water_var == pytest.approx(plain.water_var + 14.5**2 * after.one_sd_l**2)
    assert after.ratio_var == pytest.approx(plain.ratio_var + share**2)


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_what_closes_is_not_learned(share: float) -> None:
    """Claim: missing water stays missing: the CUSUM goes on, and the filter is not opened up."""
    after = loss(share)
    assert after.short.sum == pytest.approx(30.0)
    assert after.water_var == 0.0


@pytest.mark.parametrize("named", list(Verdict))
def test_what_was_named_stays_but_for_a_doubt(named: Verdict) -> None:
    """Claim: with the CUSUMs calm a doubt is over, and any name stands until a new fill."""
    wanted = Verdict.CALM if named is Verdict.DOUBT else named
    assert judged(verdict=named).verdict is wanted


# --- the CUSUM's ramp ---


def test_a_ramp_is_fitted_from_where_the_cusum_left_nought() -> None:
    """Claim: the sums are those of least squares through the beginning, over the litres and the
    minutes since, and begin with the first block that counts.
    """
    gaps, ins = (-5.0, -9.0, -4.0), (1.0, 2.0, 0.5)
    state = judged(gaps[0], in_l=ins[0])
    assert state.short.since_s == NOW_S - 4.0
    assert state.short.metered_l == 100.0
    metered, litres = 101.0, [1.0]
    real = [gaps[0]]
    for block, (gap_l, in_l) in enumerate(zip(gaps[1:], ins[1:], strict=True), 1):
        metered += in_l
        litres.append(metered - 100.0)
        predicted_l = state.water_l + state.ratio * in_l
        real.append(gap_l)
        state = b.update(state, NOW_S + 4.0 * block, predicted_l + gap_l, metered, sqrt(VAR))
    m, g, t = np.array(litres), -np.array(real), np.array([4.0, 8.0, 12.0]) / 60.0
    run = state.short
    assert (run.gap_m, run.m_m) == pytest.approx((float(g @ m), float(m @ m)))
    assert (run.gap_t, run.t_t) == pytest.approx((float(g @ t), float(t @ t)))
    assert state.extra == Run()


def test_a_cusum_at_nought_remembers_nothing() -> None:
    """Claim: what is not running away has begun nowhere, at no litre and no moment."""
    assert set(astuple(judged().short) + astuple(judged().extra)) == {0.0}


def test_a_cusum_that_is_not_at_nought_goes_on() -> None:
    """Claim: however small it is, it keeps where it began, and what it has gathered."""
    before = ramp(0.5, total=0.75)
    run = judged(-3.0, in_l=1.0, short=before).short
    assert (run.since_s, run.metered_l) == (before.since_s, before.metered_l)
    assert run.m_m == pytest.approx(before.m_m + 41.0**2)


@pytest.mark.parametrize("side", ["short", "extra"])
def test_beyond_four_the_filter_waits(side: str) -> None:
    """Claim: a CUSUM of 4 still lets the filter learn; beyond it what may be a loss is not learned,
    and the litres go on by the meter.
    """
    learned, waits = (
        judged(0.0, in_l=1.0, water_var=4.0, **{side: Run(sum=sum_)}) for sum_ in (4.5, 4.51)
    )
    assert learned.water_var == pytest.approx(4.0 * VAR / (4.0 + VAR))
    assert waits.water_var == 4.0
    assert waits.water_l == LITRES + 1.0


# --- a level that never moves ---


def frozen(since_s: float, in_l: float, **more: Any) -> Verdict:
    """Return the verdict when the level has read the same for so long, with so much let in."""
    return judged(
        -in_l, in_l=in_l, last_l=LITRES, same_s=NOW_S - since_s, same_l=100.0, **more
    ).verdict


def test_a_reading_is_frozen_after_thirty_seconds_and_two_deviations_of_water() -> None:
    """Claim (S06): not a moment before, and not by less water than would show."""
    two_sd_l = 2.0 * sqrt(VAR)
    assert frozen(30.0, two_sd_l + 0.01) is Verdict.FROZEN
    assert frozen(29.9, two_sd_l + 0.01) is not Verdict.FROZEN
    assert frozen(30.0, two_sd_l - 0.01) is not Verdict.FROZEN
    assert frozen(30.0, 4.0, sd_l=2.0) is not Verdict.FROZEN
    assert frozen(30.0, 4.01, sd_l=2.0) is Verdict.FROZEN


@pytest.mark.parametrize("mode", [Mode.REST, Mode.FOLLOW])
def test_only_in_a_fill_is_a_reading_called_frozen(mode: Mode) -> None:
    """Claim: with no fill to follow, a level that stands still is just that."""
    assert frozen(500.0, 20.0, mode=mode) is Verdict.CALM


def test_a_reading_that_moves_by_a_hair_is_alive() -> None:
    """Claim: any other value begins the wait anew, at its own moment and litres."""
    after = judged(1e-9, in_l=0.0, last_l=LITRES, same_s=0.0, same_l=0.0)
    assert (after.same_s, after.same_l) == (NOW_S, 100.0)
    assert after.last_l == LITRES + 1e-9
    assert frozen(500.0, 20.0) is Verdict.FROZEN
    assert judged(-19.0, in_l=20.0, last_l=LITRES, same_s=0.0).verdict is not Verdict.FROZEN


# --- turns and blocks ---


def test_a_turn_begins_its_own_block_and_its_own_wait() -> None:
    """Claim: what was gathered before belongs to the other way; noise and the last reading are
    kept, and nothing else of what was learned.
    """
    state = replace(
        b.begin(0.0), noise_var=3.0, last_l=77.0, water_l=400.0, water_var=2.0, ratio=0.8,
        both_var=1.0, one_sd_l=5.0, in_lpm=9.0, short=Run(sum=3.9), extra=Run(sum=4.0),
    )  # fmt: skip
    wanted = Balance(
        Block(50.0), mode=Mode.WATCH, metered_l=7.0, water_l=400.0, water_var=2.0,
        ratio_var=0.02**2 + 0.03**2, noise_var=3.0, last_l=77.0, same_s=50.0, same_l=7.0,
    )  # fmt: skip
    after = b.turned(state, Mode.WATCH, 50.0, 7.0, 0.03)
    assert after.ratio_var == pytest.approx(wanted.ratio_var)
    assert replace(after, ratio_var=0.0) == replace(wanted, ratio_var=0.0)


@pytest.mark.parametrize("side", ["short", "extra"])
def test_where_the_water_stands_is_not_known_after_a_doubt(side: str) -> None:
    """Claim: a CUSUM beyond 4 on either side makes the next block begin from nothing."""
    for sum_, known in ((4.0, True), (4.01, False)):
        state = replace(judged(), **{side: Run(sum=sum_)}, water_var=2.0)
        assert b.turned(state, Mode.REST, NOW_S, 0.0).known is known


def test_without_word_of_a_meter_only_the_tape_is_in_doubt() -> None:
    """Claim: the vessel's measures are good for 2 %, and no meter adds to it by itself."""
    assert b.turned(b.begin(0.0), Mode.WATCH, 0.0, 0.0).ratio_var == pytest.approx(0.0004)


def test_the_ratio_is_held_where_a_fill_can_be() -> None:
    """Claim: no level, however wild, makes less than a twentieth or more than twice of a litre."""
    for gap_l, ratio in ((-5e4, 0.05), (5e4, 2.0)):
        after = judged(gap_l, in_l=10.0, ratio_var=1e12, water_var=1e12)
        assert after.ratio == ratio


def test_no_rounding_makes_a_doubt_less_than_none() -> None:
    """Claim: after numbers as wild as can be the variance of the ratio is not below nought."""
    wild = Random(1)
    for _ in range(3000):
        after = judged(
            in_l=3.3, ratio_var=10 ** wild.uniform(9, 12), sd_l=10 ** wild.uniform(-3, -2)
        )
        assert after.ratio_var >= 0.0


def test_a_level_that_never_moves_has_no_noise() -> None:
    """Claim: the very same value over and over spreads by nothing, however it rounds."""
    for tenths in range(1000, 8400, 7):
        state = b.begin(0.0)
        for reading in range(1, 8):
            state = b.update(state, 0.6 * reading, tenths / 10.0, 0.0, SD_L)
        assert state.block_sd_l == pytest.approx(0.0, abs=1e-4)


def test_a_single_reading_says_nothing_of_the_noise() -> None:
    """Claim: it takes two to differ; what was measured before is kept, and counts where it is the
    worse.
    """
    after = judged(noise_var=9.0)
    assert (after.noise_var, after.one_sd_l) == (9.0, 3.0)


def test_a_meter_that_went_back_has_let_nothing_in() -> None:
    """Claim: a restarted counter is no water flowing back, and the next block goes on from it."""
    after = b.update(judged(), NOW_S + 4.0, LITRES, 3.0, sqrt(VAR))
    assert (after.in_lpm, after.metered_l) == (0.0, 3.0)
    assert after.water_l == pytest.approx(LITRES)


@pytest.mark.parametrize("litres", [1e16, -1e16])
def test_more_than_any_counter_can_say_is_no_number(litres: float) -> None:
    """Claim: ten thousand billion cubic metres are not a level, nor a count."""
    state = judged()
    assert b.update(state, NOW_S + 1.0, litres, 100.0, SD_L) is state
    assert b.update(state, NOW_S + 1.0, LITRES, litres, SD_L) is state
    assert b.update(state, NOW_S + 1.0, 0.999 * litres, 100.0, SD_L) is not state
    assert b.update(state, NOW_S + 1.0, LITRES, 0.999 * litres, SD_L) is not state


def test_a_perfect_probe_over_still_water_is_believed() -> None:
    """Claim: with nothing in doubt on either side the reading is the truth, and nothing divides."""
    after = judged(3.0, sd_l=0.0)
    assert (after.water_l, after.ratio, after.verdict) == (LITRES + 3.0, 1.0, Verdict.CALM)
    assert (after.short, after.extra) == (Run(), Run())
    sharp = judged(1.0, sd_l=0.5, water_var=0.25)
    assert sharp.water_l == pytest.approx(LITRES + 0.5)
    assert sharp.one_sd_l == pytest.approx(sqrt(0.5))
    rest = judged(3.0, sd_l=0.0, mode=Mode.FOLLOW)
    assert (rest.water_l, rest.one_sd_l) == (LITRES + 3.0, 0.0)


def test_a_reading_at_the_moment_a_block_begins_belongs_to_it() -> None:
    """Claim: time that stands still is not time that runs back."""
    state = judged()
    assert b.update(state, NOW_S, 1.0, 100.0, SD_L).block == Block(NOW_S, 1, 1.0, 1.0)


def test_the_noise_of_a_blocks_mean_is_that_of_two_waves() -> None:
    """Claim: four seconds hold two waves of two, so that the variance is halved."""
    state = replace(b.begin(0.0), noise_var=8.0)
    assert state.block_sd_l == pytest.approx(2.0)


def test_nothing_is_known_of_a_level_that_was_never_read() -> None:
    """Claim: a new balance has an endless doubt, which no reading has ended, and waits from now."""
    state = b.begin(7.0)
    assert (state.water_var, state.known, state.last_l, state.same_s) == (inf, False, -inf, 7.0)
    assert (state.water_l, state.metered_l, state.same_l, state.one_sd_l) == (0.0, 0.0, 0.0, 0.0)
    assert (state.block, state.mode, state.verdict) == (Block(7.0), Mode.REST, Verdict.CALM)
    assert (state.ratio, state.both_var, state.ratio_var, state.noise_var) == (1.0, 0.0, 0.0, 0.0)
    assert (state.short, state.extra, state.share, state.in_lpm) == (Run(), Run(), 0.0, 0.0)
