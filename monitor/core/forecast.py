"""When will the fill end? A small Kalman filter on a pulse meter, and an honest answer from it.

Theory. Four numbers are followed: the metered volume, the *base* flow, the base flow's slow drift,
and a *passing* part of the flow that comes and decays (another tap, a cistern refilling, the mains
breathing). Volume is measured by counting pulses. A pulse train is regular, not random: however
much has gone through, a count is wrong by less than one pulse. So the meter tells the flow sharply
within seconds, and nearly all doubt about the end is doubt about the *future*: the filter's own
prediction, run on to the end. How restless this water is today is learned as it runs. A CUSUM on
the innovations sees another tap being opened or closed, and then lets the filter jump.

The meter's constant is wrong by one fixed share. That cancels from the time when the fill ends at
so many litres *by this meter*; it does not when the fill ends at a *mark*. For marks a second
filter of two numbers keeps the true rise and the litres risen per metered litre; a level sensor,
where there is one, sharpens it. So the net rise, not the inflow, says when the vessel is full.

The filter's algebra and its sources are in `kalman`, the CUSUM's in `change`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from monitor.core.change import CALM, Cusum, CusumChart, cusum_signal, cusum_step
from monitor.core.kalman import (
    HALF,
    THIRD,
    Four,
    Ten,
    Wander,
    advance,
    correct_flow,
    correct_volume,
)
from monitor.core.units import S_PER_MIN

# How flow behaves, as shares of the base flow. No source: chosen for ordinary plumbing so that the
# 90 % interval holds the truth nine times in ten over the invented fills of
# tests/bench/forecast_table.py, and checked there on fills that were not used for choosing.
BASE_WANDER = 0.006  # per square root of a minute: 4.6 % in an hour, as mains pressure moves
DRIFT_SD = 0.0012  # per minute, before anything is known: 7 % an hour, a filter that clogs
PASSING_SD = 0.04  # of the passing part before this fill has shown its own
PASSING_MIN = 5.0  # minutes for it to fall to a third: between a cistern (1) and a shower (8)
UNREST_MIN = 30.0  # minutes this fill must run for its own unrest to weigh as much as PASSING_SD
OFF_TIMES = 2.0  # decaying noise has twice the variance of its distance from its own average
UNREST_MAX = 0.2  # share; a passing part above this teaches no more (the valve was being shut)
STEP_SD = 0.15  # of a sudden step: what one more tap takes from a half-inch supply
STEP_STAYS = 0.05  # share of a step's variance that stays: most taps are closed again

COUNT_VAR = 0.25  # pulses²: f (1 - f) <= 1/4 for the part f of a pulse that is cut off
COUNT_MAX = 2**53  # above this a count is no longer exact as a float: not a count
READ_SD = 0.02  # share; doubt of a flow reading that comes without its count
CUSUM_SLACK = 0.5  # innovation standard deviations: tuned to a shift of one
CUSUM_LIMIT = 8.0  # gives a false alarm in 9,500 calm readings (Siegmund's formula), a wide moment
OPENING_S = 5.0  # a valve takes up to this to open; flow says nothing about the fill until then
CLOSEST_S = 0.001  # readings closer than this are one reading
GAP_MAX_MIN = 60.0  # a longer silence spreads no further: by then nothing is known about flow

RATIO_WANDER = 0.001  # per square root of a minute: the share lost (a drain, a leak) may change
RATIO_JUMP_SD = 0.2  # share; a hose that slipped out or a drain that was opened
RATIO_MIN = 0.05  # below this the water is going elsewhere, and no end can be told
RISE_SD_MIN_L = 0.01  # no level sensor is better; keeps every division safe
LEVEL_KIN_MIN = 1 / 6  # level readings closer than this share their waves: they count as one

FLOW_DEFAULT_LPM = 10.0  # a garden hose on mains pressure
DEFAULT_SHARE = 0.5  # standard deviation of a flow nobody has measured yet
FLOW_MIN_LPM = 0.05  # slower than any fill; keeps every division safe
FLOW_MAX_LPM = 200.0  # faster than any valve this monitor drives
PULSES_MIN_PER_L = 1.0
PULSES_MAX_PER_L = 20_000.0
METER_SHARE_SD = 0.02  # of a plain Hall meter after a bucket test
LITRES_MAX = 1e6  # a need above this is not a need
TICK_S = 1.0  # readings come once a second: no end can be told more sharply
FAR_S = 172_800.0  # two days: an end as far off as this is not in sight
Z90 = 1.6448536269514722  # half width of a 90 % interval in standard deviations (normal)
NEWTON_STEPS = 3  # the curve is almost straight: the third step moves by less than 1 ms

BY = {
    (False, False): "earlier fills",
    (False, True): "level",
    (True, False): "meter",
    (True, True): "meter and level",
}
STEPS = CusumChart(target=0.0, slack=CUSUM_SLACK, limit=CUSUM_LIMIT)


@dataclass(frozen=True, slots=True)
class Rise:
    """True litres risen and litres risen per metered litre, with their covariance."""

    rise_l: float
    ratio: float
    rise_var: float
    both_var: float
    ratio_var: float
    seen: bool  # a level sensor has spoken
    cusum: Cusum


@dataclass(frozen=True, slots=True)
class _Reading:
    """When a reading was taken, how long after the one before, and what the level sensor said."""

    t_s: float
    minutes: float
    rise_l: float | None
    rise_sd_l: float


@dataclass(frozen=True, slots=True)
class FillState:
    """Everything known about the running fill. Made by `start`, moved on by `update` and `rest`."""

    pulses_per_l: float
    opened_s: float
    t_s: float
    count: int
    zero_count: float  # what the counter showed, or would have shown, at no litres
    mean: Four
    cov: Ten
    slow_lpm: float  # the flow averaged over the last PASSING_MIN
    unrest: float  # variance of the passing part, as a share, times the minutes it rests on
    unrest_min: float
    cusum: Cusum
    steps: int  # sudden changes of flow seen so far
    rise: Rise
    metered: bool = False  # a meter has spoken in this fill


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the fill will end, with a 90 % interval.

    `remaining_s`, `low_s` and `high_s` run until the valve must be told to close, so that the
    water that still slips through brings the level to where it should end. They are FAR_S when no
    end is in sight. Litres and flow are true litres for a mark, metered ones `by_meter`.
    """

    flow_lpm: float
    flow_sd_lpm: float
    delivered_l: float
    remaining_l: float
    remaining_s: float
    low_s: float
    high_s: float
    total_l: float
    by: str = "earlier fills"  # what it rests on: that, or "meter", "level", "meter and level"


def start(
    t_s: float,
    count: int,
    pulses_per_l: float,
    *,
    meter_share_sd: float = METER_SHARE_SD,
    flow_lpm: float = FLOW_DEFAULT_LPM,
    flow_sd_lpm: float | None = None,
) -> FillState:
    """Return the state at the moment the valve is opened.

    `flow_lpm` and `flow_sd_lpm` are what earlier fills ran at; without them the guess is wide. A
    number out of range is held at the nearest end of it; one that is no number is replaced by the
    default, and a meter constant by the smallest, which reads the most water and ends first.
    """
    per_l = _held(pulses_per_l, PULSES_MIN_PER_L, PULSES_MAX_PER_L, PULSES_MIN_PER_L)
    flow = _held(flow_lpm, FLOW_MIN_LPM, FLOW_MAX_LPM, FLOW_DEFAULT_LPM)
    wide = DEFAULT_SHARE * flow
    flow_sd = wide if flow_sd_lpm is None else _held(flow_sd_lpm, 0.0, FLOW_MAX_LPM, wide)
    share_sd = _held(meter_share_sd, 0.0, 1.0, METER_SHARE_SD)
    first = count if 0 <= count <= COUNT_MAX else 0
    begin_s = t_s if math.isfinite(t_s) else 0.0
    drift_sd, passing_sd = DRIFT_SD * flow, PASSING_SD * flow
    drift_var, passing_var = drift_sd * drift_sd, passing_sd * passing_sd
    return FillState(
        pulses_per_l=per_l,
        opened_s=begin_s,
        t_s=begin_s,
        count=first,
        zero_count=float(first),
        mean=(0.0, flow, 0.0, 0.0),
        cov=(_count_var(per_l), 0, 0, 0, flow_sd * flow_sd, 0, 0, drift_var, 0, passing_var),
        slow_lpm=flow,
        unrest=PASSING_SD * PASSING_SD * UNREST_MIN,
        unrest_min=UNREST_MIN,
        cusum=Cusum(),
        steps=0,
        rise=Rise(0.0, 1.0, 0.0, 0.0, share_sd * share_sd, seen=False, cusum=Cusum()),
    )


def update(
    state: FillState,
    t_s: float,
    count: int | None,
    flow_lpm: float | None = None,
    *,
    rise_l: float | None = None,
    rise_sd_l: float = 0.0,
) -> FillState:
    """Return the state after a reading taken at `t_s` with the valve open.

    `count` is the meter's cumulative count. `flow_lpm` is used only without a count: it comes from
    the same pulses, and must not be believed twice. `rise_l` is the litres gained since the start
    by the level sensor, `rise_sd_l` its standard deviation. A counter that went back has been
    restarted: the filter goes on from its own estimate. Time that stands still or goes back, or a
    reading without numbers, changes nothing.
    """
    minutes = _minutes_since(state, t_s)
    if minutes <= 0:
        return state
    reading = _Reading(t_s, minutes, rise_l, rise_sd_l)
    if count is not None and 0 <= count <= COUNT_MAX:
        return _counted(state, reading, count)
    if flow_lpm is not None and 0 <= flow_lpm <= FLOW_MAX_LPM:
        return _flowed(state, reading, flow_lpm)
    if rise_l is not None and abs(rise_l) <= LITRES_MAX and 0 < rise_sd_l <= LITRES_MAX:
        return _by_level(state, reading, rise_l)
    return state


def rest(
    state: FillState,
    t_s: float,
    count: int | None,
    *,
    rise_l: float | None = None,
    rise_sd_l: float = 0.0,
) -> FillState:
    """Return the state after a reading taken at `t_s` with the valve shut (a hold).

    What slips through is counted; the flow estimate waits, and forgets a little. The rise by the
    level sensor is taken in as in `update`.
    """
    minutes = _minutes_since(state, t_s)
    if minutes <= 0:
        return state
    (_, base, drift, passing), cov = advance(state.mean, state.cov, minutes, _wander(state))
    _, _, _, _, bb, bd, bu, dd, du, uu = cov
    volume_l, zero = state.mean[0], state.zero_count
    seen = count if count is not None and 0 <= count <= COUNT_MAX else state.count
    if seen >= state.count:
        volume_l = max((seen - zero + HALF) / state.pulses_per_l, volume_l)
    return _moved(
        state,
        _Reading(t_s, minutes, rise_l, rise_sd_l),
        (volume_l, base, drift, passing),
        (_count_var(state.pulses_per_l), 0, 0, 0, bb, bd, bu, dd, du, uu),
        opened_s=t_s,
        metered=state.metered or count is not None,
        count=seen,
        zero_count=seen + HALF - volume_l * state.pulses_per_l,
    )


def predict(
    state: FillState,
    now_s: float,
    need_l: float,
    *,
    need_sd_l: float = 0.0,
    overrun_l: float = 0.0,
    by_meter: bool = False,
) -> Forecast:
    """Return when the fill will have delivered `need_l` litres since its start.

    `by_meter`: the fill ends at a metered volume. Otherwise it ends at a mark that is `need_l`
    (give or take `need_sd_l`) above the start. `overrun_l` is what the valve lets through after
    its close command, as earlier fills have shown. A need that is no number counts as none.
    """
    need = _held(need_l, 0.0, LITRES_MAX, 0.0)
    rise = state.rise
    if by_meter:  # the meter's own litres: one for one, and no doubt about them
        rise = Rise(state.mean[0], 1.0, 0.0, 0.0, 0.0, seen=False, cusum=rise.cusum)
        need_sd_l = 0.0
    ratio = max(rise.ratio, RATIO_MIN)
    left_l = (need - rise.rise_l - _held(overrun_l, 0.0, LITRES_MAX, 0.0)) / ratio
    minutes = _minutes_to(left_l, state.mean)
    early, late = _doubt(state, minutes, _left_var(rise, left_l, ratio, need_sd_l, minutes))
    waited_s = _held(now_s - state.t_s, 0.0, FAR_S, 0.0)
    _, base, _, passing = state.mean
    _, _, _, _, bb, _, bu, _, _, uu = state.cov
    flow = max(base + passing, 0.0)
    flow_var = max(bb + bu + bu + uu, 0.0) * ratio * ratio + flow * flow * rise.ratio_var
    return Forecast(
        flow_lpm=flow * ratio,
        flow_sd_lpm=math.sqrt(flow_var),
        delivered_l=rise.rise_l,
        remaining_l=max(need - rise.rise_l, 0.0),
        remaining_s=_seconds(minutes, waited_s),
        low_s=_seconds(minutes - early, waited_s + TICK_S),
        high_s=_seconds(minutes + late, waited_s - TICK_S),
        total_l=max(need, rise.rise_l),
        by=BY[state.metered, state.rise.seen],
    )


def limits_from(
    at_start: Forecast, margin: float, hard_time_s: float, hard_volume_l: float
) -> tuple[float, float]:
    """Return the open time in seconds and the volume in litres this fill may not exceed.

    Taken once, from the forecast at the start, so a fill that goes wrong cannot talk them up: the
    late end of the interval, and the expected volume, each plus a `margin` (a share, 0.1 for
    10 %), and never beyond the hard limits. Anything that is no number allows nothing.
    """
    grown = 1 + margin
    time_s = min(at_start.high_s * grown, hard_time_s)
    volume_l = min(at_start.total_l * grown, hard_volume_l)
    sound = all(math.isfinite(number) for number in (grown, hard_time_s, hard_volume_l))
    return (max(time_s, 0.0), max(volume_l, 0.0)) if sound else (0.0, 0.0)


def _minutes_since(state: FillState, t_s: float) -> float:
    """Return the minutes since the last reading; 0 for a time that cannot be used."""
    elapsed_s = t_s - state.t_s
    if not CLOSEST_S <= elapsed_s < math.inf:
        return 0.0
    return min(elapsed_s / S_PER_MIN, GAP_MAX_MIN)


def _counted(state: FillState, reading: _Reading, count: int) -> FillState:
    """Return the state after a count."""
    mean, cov = advance(state.mean, state.cov, reading.minutes, _wander(state))
    volume_l = (count - state.zero_count + HALF) / state.pulses_per_l
    if count < state.count:
        zero = count + HALF - mean[0] * state.pulses_per_l
        return _moved(state, reading, mean, cov, zero_count=zero, count=count)
    if reading.t_s - state.opened_s <= OPENING_S:
        return _moved(state, reading, (volume_l, *state.mean[1:]), state.cov, count=count)
    var = _count_var(state.pulses_per_l)
    base_sq = _base(mean) * _base(mean)
    cusum = cusum_step(STEPS, state.cusum, (volume_l - mean[0]) / math.sqrt(cov[0] + var))
    jumped = cusum_signal(STEPS, cusum) != CALM
    if jumped:
        cov, cusum = _jumped(cov, STEP_SD * STEP_SD * base_sq), Cusum()
    mean, cov = correct_volume(mean, cov, volume_l, var)
    _, base, _, passing = mean
    off = base + passing - state.slow_lpm
    open_min = (reading.t_s - state.opened_s) / S_PER_MIN
    share_sq = min(OFF_TIMES * off * off / base_sq, UNREST_MAX * UNREST_MAX)
    return FillState(
        pulses_per_l=state.pulses_per_l,
        opened_s=state.opened_s,
        t_s=reading.t_s,
        count=count,
        zero_count=state.zero_count,
        mean=mean,
        cov=cov,
        slow_lpm=state.slow_lpm + off * min(reading.minutes / min(PASSING_MIN, open_min), 1.0),
        unrest=state.unrest + share_sq * reading.minutes,
        unrest_min=state.unrest_min + reading.minutes,
        cusum=cusum,
        steps=state.steps + jumped,
        rise=_risen(state.rise, mean[0] - state.mean[0], reading),
        metered=True,
    )


def _flowed(state: FillState, reading: _Reading, flow_lpm: float) -> FillState:
    """Return the state after a flow reading that came without a count."""
    if reading.t_s - state.opened_s <= OPENING_S:
        volume_l = state.mean[0] + flow_lpm * reading.minutes
        return _moved(state, reading, (volume_l, *state.mean[1:]), state.cov)
    mean, cov = advance(state.mean, state.cov, reading.minutes, _wander(state))
    sd = READ_SD * max(flow_lpm, FLOW_MIN_LPM)
    mean, cov = correct_flow(mean, cov, flow_lpm, sd * sd)
    return _moved(state, reading, mean, cov)


def _by_level(state: FillState, reading: _Reading, rise_l: float) -> FillState:
    """Return the state after a level reading without any meter: the rise is the volume."""
    mean, cov = advance(state.mean, state.cov, reading.minutes, _wander(state))
    sd_l = max(reading.rise_sd_l, RISE_SD_MIN_L)
    noise = sd_l * sd_l * max(LEVEL_KIN_MIN / reading.minutes, 1.0)
    if not state.rise.seen:
        cov = (cov[0] + sd_l * sd_l, *cov[1:])  # the reading it is counted from was as noisy
    mean, cov = correct_volume(mean, cov, rise_l, noise)
    rise = Rise(mean[0], 1.0, cov[0], 0.0, 0.0, seen=True, cusum=state.rise.cusum)
    return replace(state, t_s=reading.t_s, mean=mean, cov=cov, rise=rise)


def _moved(state: FillState, reading: _Reading, mean: Four, cov: Ten, **others: float) -> FillState:
    """Return the state with a new mean and covariance, and the rise that goes with it."""
    rise = _risen(state.rise, mean[0] - state.mean[0], reading)
    others = {"metered": True, **others}
    return replace(state, t_s=reading.t_s, mean=mean, cov=cov, rise=rise, **others)  # type: ignore[arg-type]


def _jumped(cov: Ten, step_var: float) -> Ten:
    """Return the covariance opened up for a sudden step of flow of the given variance."""
    vv, vb, vd, vu, bb, bd, bu, dd, du, uu = cov
    bb, uu = bb + STEP_STAYS * step_var, uu + (1 - STEP_STAYS) * step_var
    return vv, vb, vd, vu, bb, bd, bu, dd, du, uu


def _risen(rise: Rise, metered_l: float, reading: _Reading) -> Rise:
    """Return the rise after `metered_l` more litres, and the level reading if there is one."""
    shared, ratio_var = rise.both_var, rise.ratio_var
    rise_l = rise.rise_l + rise.ratio * metered_l
    rise_var = rise.rise_var + metered_l * (shared + shared + metered_l * ratio_var)
    shared += metered_l * ratio_var
    ratio_var += RATIO_WANDER * RATIO_WANDER * reading.minutes
    level_l, sd_l = reading.rise_l, reading.rise_sd_l
    if level_l is None or not (abs(level_l) <= LITRES_MAX and 0 < sd_l <= LITRES_MAX):
        return Rise(rise_l, rise.ratio, rise_var, shared, ratio_var, rise.seen, rise.cusum)
    sd_l = max(sd_l, RISE_SD_MIN_L)
    if not rise.seen:
        rise_var += sd_l * sd_l  # the reading this rise is counted from was as noisy
    noise = sd_l * sd_l * max(LEVEL_KIN_MIN / reading.minutes, 1.0)
    gap = level_l - rise_l
    cusum = cusum_step(STEPS, rise.cusum, gap / math.sqrt(rise_var + noise))
    if cusum_signal(STEPS, cusum) != CALM:
        ratio_var, cusum = ratio_var + RATIO_JUMP_SD * RATIO_JUMP_SD, Cusum()
    total = rise_var + noise
    gain, ratio_gain = rise_var / total, shared / total
    return Rise(
        rise_l=rise_l + gain * gap,
        ratio=rise.ratio + ratio_gain * gap,
        rise_var=rise_var * noise / total,
        both_var=shared * noise / total,
        ratio_var=max(ratio_var - ratio_gain * shared, 0.0),
        seen=True,
        cusum=cusum,
    )


def _left_var(rise: Rise, left_l: float, ratio: float, need_sd_l: float, minutes: float) -> float:
    """Return the variance (metered litres²) of the litres left up to a mark."""
    need_sd = _held(need_sd_l, 0.0, LITRES_MAX, LITRES_MAX)
    later = RATIO_WANDER * RATIO_WANDER * THIRD * minutes if rise.seen else 0.0
    true_var = (
        need_sd * need_sd
        + rise.rise_var
        + left_l * (rise.both_var + rise.both_var + left_l * (rise.ratio_var + later))
    )
    return max(true_var, 0.0) / (ratio * ratio)


def _doubt(state: FillState, minutes: float, left_var: float) -> tuple[float, float]:
    """Return how many minutes before and after the expected end the 90 % interval reaches.

    What is doubtful about the flow divides, so it reaches further late than early; what is
    doubtful about the litres left (`left_var`, metered litres²) reaches equally far both ways.
    """
    (_, base, _, passing), (vv, *_) = advance(state.mean, state.cov, minutes, _wander(state))
    rate = max(base + passing, FLOW_MIN_LPM)
    slow = Z90 * math.sqrt(vv) / rate
    quick = minutes * slow / (minutes + slow) if minutes > 0 else 0.0
    both = Z90 * math.sqrt(left_var) / rate
    return math.hypot(quick, both), math.hypot(slow, both)


def _minutes_to(left_l: float, mean: Four) -> float:
    """Return the minutes until `left_l` metered litres have run, by Newton's method, bounded."""
    _, base, drift, passing = mean
    far = FAR_S / S_PER_MIN
    minutes = min(max(left_l / max(base, FLOW_MIN_LPM), 0.0), far)
    for _ in range(NEWTON_STEPS):
        left = math.exp(-minutes / PASSING_MIN)
        run_l = minutes * (base + HALF * minutes * drift) + PASSING_MIN * (1 - left) * passing
        rate = max(base + minutes * drift + left * passing, FLOW_MIN_LPM)
        minutes = min(max(minutes - (run_l - left_l) / rate, 0.0), far)
    return minutes


def _wander(state: FillState) -> Wander:
    """Return how this fill's flow moves, from its base flow and the unrest it has shown."""
    base_sq = _base(state.mean) * _base(state.mean)
    return Wander(
        base_per_min=BASE_WANDER * BASE_WANDER * base_sq,
        passing_var=state.unrest / state.unrest_min * base_sq,
        passing_min=PASSING_MIN,
    )


def _count_var(pulses_per_l: float) -> float:
    """Return the variance in litres² of a volume told by a count."""
    return COUNT_VAR / (pulses_per_l * pulses_per_l)


def _base(mean: Four) -> float:
    """Return the base flow in L/min, held where a fill's flow can be."""
    return min(max(mean[1], FLOW_MIN_LPM), FLOW_MAX_LPM)


def _seconds(minutes: float, waited_s: float) -> float:
    """Return minutes as seconds from now, held between now and FAR_S."""
    return min(max(minutes * S_PER_MIN - waited_s, 0.0), FAR_S)


def _held(value: float, low: float, high: float, unknown: float) -> float:
    """Return the value held between two ends; `unknown` for NaN."""
    return unknown if math.isnan(value) else min(max(value, low), high)
