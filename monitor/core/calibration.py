"""Calibration: what a bucket, a ruler and an ice bath say of a sensor, and how sure that is.

Uncertainties are worked out as JCGM 100 (the GUM) has it: scatter of repeated readings (type A),
half widths of what a scale or a ruler can be read to (type B), combined as root of the sum of
squares, and expanded to 95 % by Student's t (see `expanded`). A function that cannot give a result
returns the reason, as a sentence.

What is applied to a reading is a `Correction`, a line. Each is held to bounds: what is further off
is no calibration but a wrong wire, a wrong unit or a broken part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, sqrt
from typing import Final

from monitor.core.exchange import ReadingPack

RUNS_MIN: Final = 3  # fewer say next to nothing of their scatter
RUNS_MAX: Final = 30
LITRES_MIN: Final = 1.0  # of one bucket
LITRES_MAX: Final = 1000.0
FLOW_SHIFT_MAX: Final = 0.2  # from the config's constant
FLOW_UNSURE_MAX: Final = 0.05  # the widest error OIML R 49 allows any meter (class 2, low flow)
FLOW_FLOOR: Final = 0.01  # no meter is believed to be better than OIML R 49 class 1 over its range
LEVEL_SHIFT_MAX_M: Final = 0.05
LEVEL_APART_MIN_M: Final = 0.1  # between the two points
TEMP_SHIFT_MAX_C: Final = 1.0
TEMP_SENSOR_MAX_C: Final = 0.5  # DS18B20 data sheet: ±0.5 °C; one that is further off is broken
TEMP_HALF_STEP_C: Final = 0.0625 / 2  # DS18B20 at 12 bit
ICE_C: Final = 0.0

RECTANGULAR: Final = sqrt(3.0)  # half width per standard deviation of an even spread (GUM 4.3.7)
TRIANGULAR: Final = sqrt(6.0)  # of the difference of two such (GUM 4.3.9)
PERCENT: Final = 100.0

STUDENT_95: Final = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
"""Student's t for 95 %, two-sided, at 1 to 30 degrees of freedom (GUM table G.2)."""


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean, the standard uncertainty of it, and the degrees of freedom of that."""

    value: float
    standard: float
    dof: float


@dataclass(frozen=True, slots=True)
class FlowResult:
    """A meter's constant. `uncertainty` is a share, for 95 %; `shift` is from the config's."""

    pulses_per_litre: float
    uncertainty: float
    standard: float
    runs: int
    shift: float


@dataclass(frozen=True, slots=True)
class LevelResult:
    """A level probe's line: true metres are `scale` times what it reports, plus `offset_m`.

    `uncertainty_m` is for 95 %, at the height asked for.
    """

    scale: float
    offset_m: float
    uncertainty_m: float


@dataclass(frozen=True, slots=True)
class TempResult:
    """What is to be added to a thermometer's reading. `uncertainty_c` is for 95 %."""

    offset_c: float
    uncertainty_c: float
    readings: int


@dataclass(frozen=True, slots=True)
class Correction:
    """What makes a reading right: `scale` times it, plus `offset`."""

    scale: float = 1.0
    offset: float = 0.0


# --- uncertainty ---


def mean_of(values: Sequence[float]) -> Mean:
    """Return the mean of repeated readings and the type A uncertainty of it (GUM 4.2.3)."""
    count = len(values)
    if count == 0:
        return Mean(0.0, inf, 0.0)
    value = sum(values) / count
    if count == 1:
        return Mean(value, inf, 0.0)
    apart = [each - value for each in values]
    spread = sum(each * each for each in apart) / (count - 1)
    return Mean(value, sqrt(spread / count), count - 1.0)


def expanded(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the combined standard uncertainty of (standard uncertainty, degrees of freedom), and
    the half width of the interval for 95 %.

    Each part is expanded by its own factor before they are combined. The GUM's own way (G.4: one
    factor, for effective degrees of freedom) covers 93 % instead of 95 where the scatter of three
    readings is about three times what the scale may be off by.
    """
    standard = sqrt(sum(each * each for each, _ in parts))
    wide = [coverage(dof) * each for each, dof in parts if each > 0.0]
    return standard, sqrt(sum(each * each for each in wide))


def coverage(dof: float) -> float:
    """Return Student's factor for 95 %. Between two whole numbers the lower counts, and beyond the
    table its end: a little too wide, never too narrow.
    """
    if not dof >= 1.0:
        return inf
    return STUDENT_95[int(min(dof, len(STUDENT_95))) - 1]


# --- flow: a bucket ---


def bucket_test(
    runs: Sequence[tuple[float, float]], reading_l: float, config_k: float
) -> FlowResult | str:
    """Return a meter's constant from runs of (litres in the bucket, pulses), or why there is none.

    `reading_l` is the half width of what the bucket or the scale can be read to; it is taken to
    be off the same way in every run, so that repeating does not shrink it.
    """
    if not RUNS_MIN <= len(runs) <= RUNS_MAX:
        return f"{len(runs)} runs are given, and {RUNS_MIN} to {RUNS_MAX} are needed"
    if not reading_l >= 0.0:
        return "how close the bucket can be read is a number of litres, 0 or more"
    for litres, pulses in runs:
        if not (LITRES_MIN <= litres <= LITRES_MAX and 0.0 < pulses < inf):
            return (
                f"{litres:g} L with {pulses:g} pulses is no run: {LITRES_MIN:g} to "
                f"{LITRES_MAX:g} L with some pulses"
            )
    constants = mean_of([pulses / litres for litres, pulses in runs])
    problem = flow_problem(constants.value, config_k)
    if problem:
        return problem
    least_l = min(litres for litres, _ in runs)
    least_pulses = min(pulses for _, pulses in runs)
    standard, uncertainty = expanded(
        [
            (constants.standard / constants.value, constants.dof),
            (reading_l / least_l / RECTANGULAR, inf),
            # The count begins and ends somewhere between two pulses.
            (1.0 / least_pulses / TRIANGULAR, inf),
        ]
    )
    if not uncertainty <= FLOW_UNSURE_MAX:
        return (
            f"the runs agree to {uncertainty * PERCENT:.1f} % only, and "
            f"{FLOW_UNSURE_MAX * PERCENT:g} % is the most: take more litres, or more runs"
        )
    shift = constants.value / config_k - 1.0
    return FlowResult(constants.value, uncertainty, standard, len(runs), shift)


def flow_problem(pulses_per_litre: float, config_k: float) -> str:
    """Return why a meter's constant is not used; empty when it is."""
    if abs(pulses_per_litre - config_k) <= FLOW_SHIFT_MAX * config_k:
        return ""
    return (
        f"{pulses_per_litre:.4g} pulses/L is more than {FLOW_SHIFT_MAX * PERCENT:g} % away from "
        f"the config's {config_k:g}: correct pulses_per_litre there, if the meter is the right one"
    )


# --- level: a ruler ---


def two_points(
    low: tuple[float, float],
    high: tuple[float, float],
    *,
    ruler_m: float,
    probe_sd_m: float,
    at_m: float,
    span_m: float,
) -> LevelResult | str:
    """Return a probe's line from two points of (metres it reports, metres by the ruler).

    `ruler_m` is the half width of what the ruler can be read to, `probe_sd_m` the standard
    uncertainty of each reported height.
    """
    (x_1, y_1), (x_2, y_2) = sorted((low, high))
    numbers = (x_1, y_1, x_2, y_2, ruler_m, probe_sd_m)
    if not all(isfinite(each) for each in numbers) or min(ruler_m, probe_sd_m) < 0.0:
        return "both points are metres the probe reports and metres by the ruler"
    if y_2 - y_1 < LEVEL_APART_MIN_M or not x_2 > x_1:
        return (
            f"the two points must be at least {LEVEL_APART_MIN_M:g} m apart by the ruler, and the "
            "probe must report more at the higher one"
        )
    scale = (y_2 - y_1) / (x_2 - x_1)
    offset_m = y_1 - scale * x_1
    point_sd_m = hypot(ruler_m / RECTANGULAR, scale * probe_sd_m)
    share = (at_m - y_1) / (y_2 - y_1)
    uncertainty_m = coverage(inf) * point_sd_m * hypot(share, 1.0 - share)
    return level_problem(scale, offset_m, span_m) or LevelResult(scale, offset_m, uncertainty_m)


def level_problem(scale: float, offset_m: float, span_m: float) -> str:
    """Return why a level probe's line is not used; empty when it is. It is judged at both ends of
    the probe's span.
    """
    ends_m = (offset_m, (scale - 1.0) * span_m + offset_m)
    if all(abs(shift_m) <= LEVEL_SHIFT_MAX_M for shift_m in ends_m):
        return ""
    worst_m = max(ends_m, key=abs)
    return (
        f"the probe would be moved by {worst_m * PERCENT:+.1f} cm, and "
        f"{LEVEL_SHIFT_MAX_M * PERCENT:g} cm is the most: correct zero_v and full_v in the config"
    )


def volts_for(
    scale: float, offset_m: float, *, zero_v: float, full_v: float, span_m: float
) -> tuple[float, float]:
    """Return the config's zero_v and full_v that do the same as a probe's line."""
    if not (scale > 0.0 and span_m > 0.0):
        return zero_v, full_v
    slope = (full_v - zero_v) / span_m

    def volts(true_m: float) -> float:
        return zero_v + (true_m - offset_m) / scale * slope

    return volts(0.0), volts(span_m)


# --- temperature: ice, or another thermometer ---


def compared(readings_c: Sequence[float], true_c: float, true_error_c: float) -> TempResult | str:
    """Return what to add to a thermometer's readings in water of a known temperature, or why
    nothing is. `true_error_c` is the half width of what is known of that temperature.
    """
    if len(readings_c) < RUNS_MIN:
        return f"{len(readings_c)} readings are given, and {RUNS_MIN} are needed"
    if not all(isfinite(each) for each in (*readings_c, true_c, true_error_c)):
        return "temperatures are numbers in °C"
    mean = mean_of(readings_c)
    _, uncertainty_c = expanded(
        [
            (mean.standard, mean.dof),
            (TEMP_HALF_STEP_C / RECTANGULAR, inf),
            (abs(true_error_c) / RECTANGULAR, inf),
        ]
    )
    offset_c = true_c - mean.value
    if not abs(offset_c) <= TEMP_SENSOR_MAX_C:
        return (
            f"it reads {mean.value:.2f} °C in water of {true_c:.2f} °C: more than "
            f"{TEMP_SENSOR_MAX_C:g} °C off is a broken thermometer; replace it"
        )
    return TempResult(offset_c, uncertainty_c, len(readings_c))


def temp_problem(offset_c: float) -> str:
    """Return why a thermometer's offset is not used; empty when it is."""
    if abs(offset_c) <= TEMP_SHIFT_MAX_C:
        return ""
    return f"an offset of {offset_c:+.2f} °C is beyond ±{TEMP_SHIFT_MAX_C:g} °C: replace it"


# --- use ---


def corrected(pack: ReadingPack, corrections: Mapping[str, Correction]) -> ReadingPack:
    """Return a pack whose readings are right. Pulses and faults are left as they are."""
    if not corrections:
        return pack
    samples = tuple(
        sample
        if sample.value is None or (line := corrections.get(sample.sensor)) is None
        else replace(sample, value=line.scale * sample.value + line.offset)
        for sample in pack.samples
    )
    return replace(pack, samples=samples)
