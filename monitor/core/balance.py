"""Where does the water go? What the meter let in, against what the level says has come.

Theory. Every few seconds the level's mean over a *block* is held against a prediction: the litres
there were, plus the litres metered since, times a ratio near one (meter and geometry are each off
by some per cent, by the same share all the fill). A Kalman filter of two numbers, litres and
ratio, makes the prediction; while all is well its innovations are noise. When water goes astray
they run away like a ramp, and of all tests for that the one-sided CUSUM is found soonest for a
given rate of false alarms (Page 1954). It is set so that one comes in some ten thousand hours.

Once it signals, the size of the loss is measured from where the CUSUM last stood at nought, and
names the fault: all of it and more (the level falls), nearly all (hose off, or a level that does
not move at all), a part (split hose, open drain), a small part (the meter, or the measures of the
vessel). What the numbers cannot tell apart gets one name for all of them, and the message lists
them. A surplus is the mirror image.

The level's own noise is measured as it goes, and counts when it is worse than the config says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import inf, sqrt
from typing import Final

from monitor.core.changed import changed
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.units import S_PER_MIN

BLOCK_S = 4.0  # long enough to even out waves, short beside the minute in which a loss must show
WAVE_S = 2.0  # readings closer share a wave; Merian: a 2 m tank sloshes in 1.8 s, 2 L / sqrt(g h)
SLACK = 0.5  # of the CUSUM, in standard deviations of a block
SIGNAL = 14.5  # average run length 1.3e7 blocks by Siegmund's formula: 14,000 h of filling
UNSURE = 4.0  # a CUSUM above this stops the filter from learning what may be a loss
DECIDE_S = 200.0  # a loss whose size is still in doubt then is called by its likeliest size
GEOMETRY_SD = 0.02  # share; how well a vessel is measured with a tape
RATIO_WANDER = 0.001  # per square root of a minute, as in `forecast`
RATIO_LOW, RATIO_HIGH = 0.05, 2.0
REST_WANDER_L = 0.3  # a block; at rest people dip a hand in, and a pump is switched
DRAIN_WANDER_L = 20.0  # a block; draining, the level is simply followed
NOISE_BLOCKS = 10.0  # so many blocks the measured noise rests on
SURE = 2.0  # standard deviations
ALL_OF_IT = 0.7  # a larger share missing is a hose that is off
FROZEN_S = 30.0  # hazard S06: within 60 s
FROZEN_TIMES = 2.0  # a reading that is the very same while so many sd have been metered is stuck
LITRES_MOST = 1e16  # more than any counter of pulses can say
LITTLE_L = 0.5  # less than this by the meter is no flow at all


class Mode(StrEnum):
    """How the level is looked at."""

    REST = "rest"  # nothing runs: know where it stands
    FOLLOW = "follow"  # draining: follow it down
    WATCH = "watch"  # filling and just after: hold it against the meter


class Verdict(StrEnum):
    """What the balance says."""

    CALM = "calm"
    DOUBT = "doubt"  # something is astray, and it is not yet clear how much
    HOSE_OFF = "hose-off"
    FROZEN = "frozen"  # as hose-off, and the level reading has not moved by a hair
    MISSING = "missing"
    FALLS = "falls"
    METER_OFF = "meter-off"
    EXTRA = "extra"
    JAMMED = "jammed"


WANDER_VAR: Final[Mapping[Mode, float]] = {
    Mode.REST: REST_WANDER_L * REST_WANDER_L,
    Mode.FOLLOW: DRAIN_WANDER_L * DRAIN_WANDER_L,
    Mode.WATCH: 0.0,
}
"""The variance a block adds where the water may move by itself."""


@dataclass(frozen=True, slots=True)
class Run:
    """A one-sided CUSUM, and the ramp that has grown since it last was at nought.

    A gap grows with the litres metered (`m`) or with time (`t`, minutes); the sums give the least
    squares slope of either through the beginning.
    """

    sum: float = 0.0
    since_s: float = 0.0
    metered_l: float = 0.0  # the meter's litres when it began
    gap_m: float = 0.0
    m_m: float = 0.0
    gap_t: float = 0.0
    t_t: float = 0.0


@dataclass(frozen=True, slots=True)
class Block:
    """Readings of the block that is being gathered."""

    from_s: float
    count: int = 0
    sum_l: float = 0.0
    squares: float = 0.0


@dataclass(frozen=True)  # without slots: see `changed`
class Balance:
    """All that is remembered; `water_l` is litres in the vessel, `metered_l` the meter's."""

    block: Block
    same_s: float  # since when the last reading has been the very same
    mode: Mode = Mode.REST
    metered_l: float = 0.0  # at the end of the block before
    water_l: float = 0.0
    ratio: float = 1.0
    water_var: float = inf  # nothing known yet
    both_var: float = 0.0
    ratio_var: float = 0.0
    noise_var: float = 0.0  # of one reading, as measured
    one_sd_l: float = 0.0  # of a block's mean
    in_lpm: float = 0.0  # by the meter, over the last block
    short: Run = Run()
    extra: Run = Run()
    last_l: float = -inf  # the last reading
    same_l: float = 0.0  # the meter's litres when it came to be so
    verdict: Verdict = Verdict.CALM
    share: float = 0.0  # of what was metered, missing (above 0) or too much (below)

    @property
    def known(self) -> bool:
        """Whether it is known where the water stands."""
        return self.water_var < inf

    @property
    def block_sd_l(self) -> float:
        """How far a block's mean may be off by the noise as measured: one standard deviation."""
        return sqrt(self.noise_var * WAVE_S / BLOCK_S)


def begin(now_s: float) -> Balance:
    """Return a balance that knows nothing of the level yet."""
    return Balance(Block(now_s), now_s)


def turned(
    balance: Balance, mode: Mode, now_s: float, metered_l: float, meter_share_sd: float = 0.0
) -> Balance:
    """Return the balance for a new way of looking, or the same way afresh: nothing is named any
    more, and where the water stands stays known, unless that was in doubt.
    """
    doubtful = max(balance.short.sum, balance.extra.sum) > UNSURE
    ratio_var = meter_share_sd * meter_share_sd + GEOMETRY_SD * GEOMETRY_SD
    return Balance(
        block=Block(now_s),
        mode=mode,
        metered_l=metered_l,
        water_l=balance.water_l,
        water_var=inf if doubtful else balance.water_var,
        ratio_var=ratio_var,
        noise_var=balance.noise_var,
        last_l=balance.last_l,
        same_s=now_s,
        same_l=metered_l,
    )


def update(
    balance: Balance,
    now_s: float,
    level_l: float,
    metered_l: float,
    sd_l: float,
    limits: Limits = DEFAULTS,
) -> Balance:
    """Return the balance after one reading: litres by the level, and litres by the meter so far.

    `sd_l` is how far one reading may be off, as the config has it. A reading that is no number, or
    a clock that ran back, changes nothing.
    """
    block = balance.block
    sane = abs(level_l) < LITRES_MOST and abs(metered_l) < LITRES_MOST  # false for NaN, too
    sane = sane and block.from_s <= now_s < inf
    if not sane:
        return balance
    gathered = Block(
        block.from_s, block.count + 1, block.sum_l + level_l, block.squares + level_l * level_l
    )
    moved = level_l != balance.last_l
    after = changed(
        balance,
        block=gathered,
        last_l=level_l,
        same_s=now_s if moved else balance.same_s,
        same_l=metered_l if moved else balance.same_l,
    )
    if now_s - block.from_s < BLOCK_S:
        return after
    closed = _closed(after, now_s, metered_l, sd_l)
    if balance.mode is not Mode.WATCH:
        return closed
    if now_s - closed.same_s >= FROZEN_S and metered_l - closed.same_l > FROZEN_TIMES * sd_l:
        return changed(closed, verdict=Verdict.FROZEN)
    return _judged(closed, now_s, limits)


def _closed(balance: Balance, now_s: float, metered_l: float, sd_l: float) -> Balance:
    """Close a block: predict, compare, learn, and let the CUSUMs run."""
    block = balance.block
    seconds = now_s - block.from_s
    mean_l = block.sum_l / block.count
    noise_var = _noise_var(balance.noise_var, block)
    var = max(sd_l * sd_l, noise_var) / min(block.count, seconds / WAVE_S)
    in_l = max(metered_l - balance.metered_l, 0.0)
    fresh = changed(balance, block=Block(now_s), metered_l=metered_l, noise_var=noise_var,
                    in_lpm=in_l / seconds * S_PER_MIN)  # fmt: skip
    if balance.water_var == inf:
        return changed(fresh, water_l=mean_l, water_var=var)
    both, ratio_var = balance.both_var, balance.ratio_var
    water_l = balance.water_l + balance.ratio * in_l
    water_var = balance.water_var + in_l * (both + both + in_l * ratio_var)
    water_var += WANDER_VAR[balance.mode]
    both += in_l * ratio_var
    ratio_var += RATIO_WANDER * RATIO_WANDER * seconds / S_PER_MIN
    gap_l = mean_l - water_l
    total = water_var + var
    if balance.mode is Mode.WATCH and total > 0.0:
        score = gap_l / sqrt(total)
        short = _run(balance.short, -score, -gap_l, now_s, seconds, metered_l, in_l)
        extra = _run(balance.extra, score, gap_l, now_s, seconds, metered_l, in_l)
        fresh = changed(fresh, short=short, extra=extra, one_sd_l=sqrt(total))
        if max(short.sum, extra.sum) > UNSURE:
            return changed(fresh, water_l=water_l)
    gain, ratio_gain = (water_var / total, both / total) if total > 0.0 else (1.0, 0.0)
    return changed(
        fresh,
        water_l=water_l + gain * gap_l,
        ratio=min(max(balance.ratio + ratio_gain * gap_l, RATIO_LOW), RATIO_HIGH),
        water_var=water_var * (1.0 - gain),
        both_var=both * (1.0 - gain),
        ratio_var=max(ratio_var - ratio_gain * both, 0.0),
    )


def _noise_var(before: float, block: Block) -> float:
    """Return the variance of one reading as measured, over the last blocks.

    Within a block the water also rises; at fill flows that is a small part of the waves.
    """
    if block.count <= 1:
        return before
    mean_l = block.sum_l / block.count
    spread = max(block.squares - block.count * mean_l * mean_l, 0.0) / (block.count - 1)
    return before + (spread - before) / NOISE_BLOCKS


def _run(
    run: Run, score: float, gap_l: float, now_s: float, seconds: float, metered_l: float,
    in_l: float,
) -> Run:  # fmt: skip
    """Return the CUSUM after one more score, and the ramp since it last was at nought."""
    total = run.sum + score - SLACK
    if total <= 0.0:
        return Run()
    if run.sum <= 0.0:
        run = Run(since_s=now_s - seconds, metered_l=metered_l - in_l)
    m, t = metered_l - run.metered_l, (now_s - run.since_s) / S_PER_MIN
    return Run(
        sum=total,
        since_s=run.since_s,
        metered_l=run.metered_l,
        gap_m=run.gap_m + gap_l * m,
        m_m=run.m_m + m * m,
        gap_t=run.gap_t + gap_l * t,
        t_t=run.t_t + t * t,
    )


def _judged(balance: Balance, now_s: float, limits: Limits) -> Balance:
    """Name what the CUSUMs have found. A name stays until another takes its place."""
    short, extra = balance.short, balance.extra
    if short.sum > SIGNAL:
        verdict, share = _loss(balance, short, now_s, limits)
    elif extra.sum > SIGNAL:
        verdict, share = _surplus(balance, extra, limits)
    else:
        return balance if balance.verdict is not Verdict.DOUBT else _calm(balance)
    after = changed(balance, verdict=verdict, share=share)
    return _absorbed(after) if verdict in (Verdict.METER_OFF, Verdict.EXTRA) else after


def _calm(balance: Balance) -> Balance:
    return changed(balance, verdict=Verdict.CALM)


def _loss(balance: Balance, run: Run, now_s: float, limits: Limits) -> tuple[Verdict, float]:
    minutes = (now_s - run.since_s) / S_PER_MIN
    metered_l = balance.metered_l - run.metered_l
    rise_lpm = balance.ratio * metered_l / minutes - run.gap_t / run.t_t
    if rise_lpm + SURE * balance.one_sd_l / sqrt(run.t_t) < 0.0:
        return Verdict.FALLS, balance.share
    if metered_l < LITTLE_L:
        return Verdict.DOUBT, balance.share
    # What the filter took for the meter's own error is missing all the same.
    share = run.gap_m / run.m_m + max(1.0 - balance.ratio, 0.0)
    doubt = balance.one_sd_l / sqrt(run.m_m)
    if share >= ALL_OF_IT:
        return Verdict.HOSE_OFF, share
    late = now_s - run.since_s >= DECIDE_S
    if share - SURE * doubt > limits.missing_share or (late and share >= limits.missing_share):
        return Verdict.MISSING, share
    if share + SURE * doubt < limits.missing_share or late:
        return Verdict.METER_OFF, share
    return Verdict.DOUBT, share


def _surplus(balance: Balance, run: Run, limits: Limits) -> tuple[Verdict, float]:
    if balance.in_lpm < limits.flow_min_lpm:
        return Verdict.JAMMED, balance.share
    share = -run.gap_m / run.m_m if run.m_m > 0.0 else 0.0
    return (Verdict.EXTRA if -share > limits.missing_share else Verdict.METER_OFF), share


def _absorbed(balance: Balance) -> Balance:
    """Open the filter up, so that it learns a disagreement that people are only told of."""
    share, gap_l = balance.share, balance.one_sd_l * SIGNAL
    return changed(
        balance,
        water_var=balance.water_var + gap_l * gap_l,
        ratio_var=balance.ratio_var + share * share,
        short=Run(),
        extra=Run(),
    )
