"""How good is the forecast? Invented fills without a fault, replayed through the real filter.

Run `python tests/bench/forecast_table.py [number of fills] [first seed]`. It prints how often the
90 % interval held the truth in each quarter of a fill, the median error of the remaining time
beside two naive methods, the ratio to the Cramér-Rao bound, and what an update and a prediction
cost. Seeds below FIRST_SEED were used for choosing the numbers in `monitor/core/forecast.py`;
from there on the fills are new to it.

The flow histories are not made by the filter's own model: the mains are a sum of slow waves of
random period, other taps are boxes of random depth and length, the filter clogs by a hyperbola
and the rising water takes its share of the head.
"""

from __future__ import annotations

import math
import random
import statistics
import sys
import timeit
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.core import forecast as fc
from monitor.core import kalman

FIRST_SEED = 1000
FILLS = 400
POINTS = 40  # looks at the forecast in each fill
NAMED = (0.25, 0.5, 0.75)  # shares of the fill at which the error is told
SURFACE_M2 = 1.4  # the museum's tank, 2.0 m by 0.7 m


class Target(Enum):
    """Where a fill ends."""

    METER = "litres by the meter"
    MARK = "mark, no level sensor"
    LEVEL = "mark, level sensor"
    ALONE = "mark, level alone"  # no meter; told apart from the others, and not in "all"


MIXED = (Target.METER, Target.MARK, Target.LEVEL)


@dataclass(frozen=True)
class Fill:
    """An invented fill as the sensors saw it, with the true moment of its end."""

    target: Target
    per_l: float
    need_l: float
    need_sd_l: float
    prior_lpm: float | None
    times_s: list[float]
    counts: list[int]
    rises_l: list[float]
    rise_sd_l: float
    end_s: float


@dataclass(frozen=True)
class Look:
    """One look at the forecast: remaining seconds, true, foretold and by the two naive methods."""

    share: float
    true_s: float
    told: fc.Forecast
    elapsed_s: float
    minute_s: float

    @property
    def held(self) -> bool:
        return self.told.low_s <= self.true_s <= self.told.high_s


def flows(chance: random.Random, lpm: float, litres: float) -> Iterator[float]:
    """Yield the true flow in L/min of each second, for ever; `litres` sets what clogs and rises."""
    rms = math.exp(chance.gauss(math.log(0.02), 0.6))  # of the pressure, as a share
    waves = [
        (math.exp(chance.uniform(math.log(60), math.log(5400))), chance.expovariate(1))
        for _ in range(5)
    ]
    norm = rms / math.sqrt(sum(size * size for _, size in waves) / 2)
    mains = [
        (math.tau / period, chance.uniform(0, math.tau), size * norm) for period, size in waves
    ]
    per_hour = chance.choice((0.0, 0.5, 2.0, 4.0, 8.0))
    taps: list[tuple[float, float, float]] = []
    at_s = -1800.0
    while per_hour > 0 and at_s < 8 * 3600:
        at_s += chance.expovariate(per_hour / 3600)
        lasts_s = math.exp(chance.gauss(math.log(75), 0.9))  # a cistern 1 min, a shower 8 min
        taps.append((at_s, at_s + lasts_s, chance.betavariate(2, 8)))
    clog, rise, opening_s = chance.expovariate(1 / 0.03), chance.uniform(0, 0.02), 0.5
    opening_s += chance.uniform(0, 2.5)
    second, run_l = 0, 0.0
    while True:
        pressure = 1 + sum(size * math.sin(turn * second + at) for turn, at, size in mains)
        share = math.sqrt(max(pressure, 0.2))
        for begin_s, end_s, depth in taps:
            if begin_s <= second < end_s:
                share *= 1 - depth
        done = run_l / litres
        share *= (1 - rise * done) / (1 + clog * done) * min(1.0, (second + 0.5) / opening_s)
        yield lpm * share
        run_l += lpm * share / 60
        second += 1


def make_fill(seed: int, target: Target | None = None) -> Fill:
    """Return an invented fill. The same seed gives the same fill."""
    chance = random.Random(seed)
    target = target or MIXED[seed % 3]
    lpm, minutes = chance.uniform(4, 16), chance.uniform(12, 100)
    aim_l = lpm * minutes
    per_l, meter_error = chance.choice((390.0, 450.0, 600.0)), chance.gauss(0, 0.02)
    levelled = target in (Target.LEVEL, Target.ALONE)
    lost = chance.choice((0.0, 0.0, chance.uniform(0, 0.05))) if levelled else 0.0
    per_metered = (1 - lost) / (1 + meter_error) if target is not Target.METER else 1.0
    level_sd_l = 0.002 * SURFACE_M2 * 1000  # 2 mm of noise and waves
    need_sd_l = 0.01 * aim_l if target is Target.MARK else 0.0
    off_l = chance.gauss(0, {Target.METER: 0.0, Target.MARK: need_sd_l}.get(target, level_sd_l))
    missing, phase = chance.uniform(0, 0.02), chance.random()
    knows = chance.random() < 0.5
    prior = lpm * (1 + chance.gauss(0, 0.1)) if knows else None
    times: list[float] = []
    counts: list[int] = []
    rises: list[float] = []
    metered_l, wave_l = 0.0, 0.0
    for second, flow in enumerate(flows(chance, lpm, aim_l), start=1):
        before_l, metered_l = metered_l, metered_l + flow / 60
        if metered_l * per_metered >= aim_l:
            end_s = second - 1 + (aim_l / per_metered - before_l) / (metered_l - before_l)
            break
        wave_l = 0.8 * wave_l + chance.gauss(0, 0.6 * level_sd_l)
        if chance.random() < missing:
            continue
        times.append(float(second))
        counts.append(math.floor(metered_l * per_l + phase))
        rises.append(metered_l * per_metered + wave_l + off_l)
    need_l = aim_l + off_l
    return Fill(target, per_l, need_l, need_sd_l, prior, times, counts, rises, level_sd_l, end_s)


def replay(fill: Fill) -> list[Look]:
    """Return POINTS looks at the forecast, evenly over the fill."""
    prior_sd = None if fill.prior_lpm is None else 0.1 * fill.prior_lpm
    flow = fc.FLOW_DEFAULT_LPM if fill.prior_lpm is None else fill.prior_lpm
    state = fc.start(0.0, 0, fill.per_l, flow_lpm=flow, flow_sd_lpm=prior_sd)
    level = fill.target in (Target.LEVEL, Target.ALONE)
    meter = fill.target is not Target.ALONE
    looks: list[Look] = []
    for i, (at_s, count) in enumerate(zip(fill.times_s, fill.counts, strict=True)):
        rise_l = fill.rises_l[i] if level else None
        heard = count if meter else None
        state = fc.update(state, at_s, heard, rise_l=rise_l, rise_sd_l=fill.rise_sd_l)
        if at_s < fill.end_s * (len(looks) + 0.5) / POINTS or len(looks) == POINTS:
            continue
        told = fc.predict(
            state,
            at_s,
            fill.need_l,
            need_sd_l=fill.need_sd_l,
            by_meter=fill.target is Target.METER,
        )
        run_l, then = count / fill.per_l, max(i - 60, 0)
        left_l = fill.need_l - run_l
        minute_l = (count - fill.counts[then] + 1e-9) / fill.per_l
        span_s = max(at_s - fill.times_s[then], 1.0)
        elapsed_s = at_s * left_l / max(run_l, 1e-9)
        minute_s = left_l * span_s / minute_l
        looks.append(Look(at_s / fill.end_s, fill.end_s - at_s, told, elapsed_s, minute_s))
    return looks


def coverage(runs: list[list[Look]]) -> list[float]:
    """Return, for each quarter of the fills, how often the interval held the truth."""
    quarters: list[list[bool]] = [[], [], [], []]
    for look in (look for run in runs for look in run):
        quarters[min(int(4 * look.share), 3)].append(look.held)
    return [statistics.fmean(quarter) for quarter in quarters]


def errors(runs: list[list[Look]], share: float) -> tuple[float, float, float]:
    """Return the median error of the remaining time at a share of the fill, as shares of it.

    Ours, elapsed-time extrapolation, remaining volume over the last minute's mean flow.
    """
    near = [min(run, key=lambda look: abs(look.share - share)) for run in runs if run]

    def middle(values: list[float]) -> float:
        return statistics.median(values)

    return (
        middle([abs(look.told.remaining_s / look.true_s - 1) for look in near]),
        middle([abs(look.elapsed_s / look.true_s - 1) for look in near]),
        middle([abs(look.minute_s / look.true_s - 1) for look in near]),
    )


def bound_ratio(runs: int = 400, seed: int = 1) -> float:
    """Return the error of the end of a steady flow over its Cramér-Rao bound.

    60 readings 10 s apart of a steady 12 L/min with 2 L of Gaussian noise; the threshold is at
    3600 s. For a straight line sd(t*) >= sigma / b sqrt(1/N + (t* - mean t)² / Sxx) (Kay,
    Estimation Theory, ch. 3, delta method; from memory). The filter is told that nothing wanders.
    """
    chance = random.Random(seed)
    calm = kalman.Wander(base_per_min=0.0, passing_var=0.0, passing_min=fc.PASSING_MIN)
    count, step, sigma, lpm, end = 60, 10 / 60, 2.0, 12.0, 60.0
    times = [step * i for i in range(count)]
    middle = statistics.fmean(times)
    spread = sum((t - middle) ** 2 for t in times)
    bound = sigma / lpm * math.sqrt(1 / count + (end - middle) ** 2 / spread)
    squares = 0.0
    for _ in range(runs):
        mean: kalman.Four = (0.0, 10.0, 0.0, 0.0)
        cov: kalman.Ten = (1e6, 0, 0, 0, 1e6, 0, 0, 0, 0, 0)
        for i, t in enumerate(times):
            if i:
                mean, cov = kalman.advance(mean, cov, step, calm)
            seen = lpm * t + chance.gauss(0, sigma)
            mean, cov = kalman.correct_volume(mean, cov, seen, sigma**2)
        told = times[-1] + (lpm * end - mean[0]) / mean[1]
        squares += (told - end) ** 2
    return math.sqrt(squares / runs) / bound


def own_model_ratio(fills: int = 300, seed: int = 2) -> float:
    """Return the error of the volume 20 minutes ahead over the filter's own standard deviation.

    The flow is drawn from the filter's own model and read in whole pulses through `update`. For a
    linear Gaussian model the Kalman variance is the posterior Cramér-Rao bound (van Trees).
    """
    chance = random.Random(seed)
    ratios: list[float] = []
    for _ in range(fills):
        base, passing, run_l, steps = 10.0, chance.gauss(0, 0.4), 0.0, 60
        state = fc.start(0.0, 0, 450.0, flow_lpm=10.0, flow_sd_lpm=0.5)
        base += chance.gauss(0, 0.5)
        dt = 1 / steps
        keep = math.exp(-dt / fc.PASSING_MIN)
        shake = fc.PASSING_SD * 10 * math.sqrt(1 - keep * keep)
        walk = fc.BASE_WANDER * 10 * math.sqrt(dt)
        drift = chance.gauss(0, fc.DRIFT_SD * 10)
        told: tuple[float, float] | None = None
        for second in range(1, 30 * steps + 1):
            base += drift * dt + chance.gauss(0, walk)
            passing = keep * passing + chance.gauss(0, shake)
            run_l += (base + passing) * dt
            if second <= 10 * steps:
                state = fc.update(state, float(second), math.floor(run_l * 450))
            if second == 10 * steps:
                wander = kalman.Wander(
                    (fc.BASE_WANDER * 10) ** 2, (fc.PASSING_SD * 10) ** 2, fc.PASSING_MIN
                )
                mean, cov = kalman.advance(state.mean, state.cov, 20.0, wander)
                told = mean[0], math.sqrt(cov[0])
        if told:
            ratios.append((run_l - told[0]) / told[1])
    return math.sqrt(statistics.fmean(ratio * ratio for ratio in ratios))


def cost_us() -> tuple[float, float]:
    """Return the microseconds of an update (with a level reading) and of a prediction."""
    state = fc.start(0.0, 0, 450.0)
    for second in range(1, 300):
        state = fc.update(state, float(second), int(second * 75.3))

    def update() -> None:
        fc.update(state, 300.0, 22590, rise_l=50.0, rise_sd_l=2.8)

    def predict() -> None:
        fc.predict(state, 300.0, 600.0, need_sd_l=5.0)

    number = 5000
    best = [min(timeit.repeat(call, number=number, repeat=5)) for call in (update, predict)]
    return best[0] / number * 1e6, best[1] / number * 1e6


def main(fills: int, first_seed: int) -> None:
    """Print the tables."""
    by_target: dict[Target, list[list[Look]]] = {target: [] for target in MIXED}
    for seed in range(first_seed, first_seed + fills):
        fill = make_fill(seed)
        by_target[fill.target].append(replay(fill))
    everything = [run for runs in by_target.values() for run in runs]
    alone = range(first_seed, first_seed + max(fills // 4, 1))
    by_target[Target.ALONE] = [replay(make_fill(seed, Target.ALONE)) for seed in alone]
    print(f"{fills} invented fills, seeds {first_seed} to {first_seed + fills - 1}")
    print("\n90 % interval held the truth, % of looks, by quarter of the fill (aim 87 to 93)")
    rows = [*((target.value, runs) for target, runs in by_target.items()), ("all", everything)]
    for name, runs in rows:
        print(f"  {name:24}", *(f"{100 * part:6.1f}" for part in coverage(runs)))
    first = [run[0].held for run in everything]
    print(f"  {'first look, all':24} {100 * statistics.fmean(first):6.1f}")
    print("\nmedian error of the remaining time, % (ours / elapsed time / last minute's flow)")
    print(f"  {'':24}", *(f"{'at ' + format(share, '.0%'):>20}" for share in NAMED))
    for name, runs in rows:
        cells = []
        for share in NAMED:
            ours, elapsed, minute = (100 * error for error in errors(runs, share))
            cells.append(f"{ours:6.2f}/{elapsed:6.2f}/{minute:6.2f}")
        print(f"  {name:24}", *cells)
    print(f"\nsteady flow, error over Cramér-Rao bound: {bound_ratio():.3f} (aim <= 1.2)")
    print(f"flow of the filter's own model, error over its own sd: {own_model_ratio():.3f}")
    update_us, predict_us = cost_us()
    print(f"update {update_us:.1f} µs (aim <= 15), predict {predict_us:.1f} µs (aim <= 10)")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:3]]
    main(*(given + [FILLS, FIRST_SEED][len(given) :]))
