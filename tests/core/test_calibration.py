"""What a bucket, a ruler and an ice bath make of a sensor; and what they may not."""

from __future__ import annotations

import math
from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core import calibration as c
from monitor.core.calibration import Correction
from monitor.core.exchange import ReadingPack
from monitor.core.reading import Fault, Kind, Sample

ANY = st.floats(allow_nan=True, allow_infinity=True)
GOOD = [(10.0, 4480.0), (10.1, 4530.0), (9.9, 4431.0), (10.0, 4490.0)]
FACES = {"ruler_m": 0.002, "probe_sd_m": 0.002, "at_m": 0.57, "span_m": 1.0}


# --- flow ---


def test_a_bucket_test_gives_the_mean_of_its_runs() -> None:
    """The constant is the mean of pulses over litres; the shift is that from the config's."""
    told = c.bucket_test(GOOD, 0.02, 450.0)
    assert isinstance(told, c.FlowResult)
    mean = sum(pulses / litres for litres, pulses in GOOD) / len(GOOD)
    assert told.pulses_per_litre == pytest.approx(mean)
    assert told.shift == pytest.approx(mean / 450.0 - 1.0)
    assert told.runs == 4


def test_what_a_bucket_can_be_read_to_does_not_shrink_by_repeating() -> None:
    """A scale that is off by a tenth of a litre is off in every run: 50 perfectly repeated runs of
    10 L leave its share of a standard deviation, 0.1 / √3 / 10; nothing else is in it but the
    half pulse.
    """
    told = c.bucket_test([(10.0, 4500.0)] * 30, 0.1, 450.0)
    assert isinstance(told, c.FlowResult)
    reading = 0.1 / math.sqrt(3) / 10.0
    pulse = 1 / 4500 / math.sqrt(6)
    assert told.standard == pytest.approx(math.hypot(reading, pulse))
    assert told.uncertainty == pytest.approx(2.042 * told.standard)


def test_the_shortest_run_sets_what_reading_costs() -> None:
    """A run of one litre is read ten times worse than one of ten."""
    long = c.bucket_test([(10.0, 4500.0)] * 3, 0.05, 450.0)
    mixed = c.bucket_test([(10.0, 4500.0), (10.0, 4500.0), (5.0, 2250.0)], 0.05, 450.0)
    assert isinstance(long, c.FlowResult)
    assert isinstance(mixed, c.FlowResult)
    assert mixed.standard > 1.9 * long.standard


def test_few_scattered_runs_are_less_sure_than_many() -> None:
    """With three runs Student's factor is 4.3, with nine it is 2.3, and the mean is steadier."""
    spread = [(10.0, 4480.0), (10.0, 4500.0), (10.0, 4520.0)]
    few, many = c.bucket_test(spread, 0.0, 450.0), c.bucket_test(spread * 3, 0.0, 450.0)
    assert isinstance(few, c.FlowResult)
    assert isinstance(many, c.FlowResult)
    mean, spread_l = 450.0, 2.0 / math.sqrt(3)  # 448, 450 and 452 pulses/L
    assert few.uncertainty == pytest.approx(4.303 * spread_l / mean, rel=1e-3)
    assert many.uncertainty < few.uncertainty / 3


@pytest.mark.parametrize(
    ("runs", "reading_l", "words"),
    [
        ([], 0.1, "0 runs are given"),
        (GOOD[:2], 0.1, "2 runs are given, and 3 to 30 are needed"),
        (GOOD * 8, 0.1, "32 runs"),
        ([(0.5, 225.0)] * 3, 0.0, "is no run: 1 to 1000 L"),
        ([(10.0, 0.0)] * 3, 0.0, "with some pulses"),
        ([(10.0, 10.0)] * 3, 0.0, "more than 20 % away"),
        ([(1001.0, 450450.0)] * 3, 0.0, "is no run"),
        ([(10.0, nan)] * 3, 0.0, "is no run"),
        ([(nan, 4500.0)] * 3, 0.0, "is no run"),
        ([(10.0, inf)] * 3, 0.0, "is no run"),
        (GOOD, -0.1, "how close the bucket can be read"),
        (GOOD, nan, "how close the bucket can be read"),
        (GOOD, inf, "agree to inf % only"),
        ([(10.0, 4000.0), (10.0, 4500.0), (10.0, 5000.0)], 0.1, "agree to 27.6 % only"),
        ([(1.0, 450.0)] * 3, 0.1, "and 5 % is the most: take more litres"),
    ],
)
def test_a_bucket_test_that_says_nothing_is_refused(
    runs: list[tuple[float, float]], reading_l: float, words: str
) -> None:
    """Too few or too many runs, runs that are none, and runs that do not agree give no constant."""
    told = c.bucket_test(runs, reading_l, 450.0)
    assert isinstance(told, str)
    assert words in told


@pytest.mark.parametrize(
    ("k", "good"),
    [
        (360.0, True),
        (359.5, False),
        (540.0, True),
        (540.5, False),
        (0.0, False),
        (nan, False),
        (-450.0, False),
        (inf, False),
    ],
)
def test_a_constant_far_from_the_configs_is_refused(k: float, good: bool) -> None:
    """A fifth to either side of 450 pulses/L is believed, its ends included; more is another meter
    or a wrong unit.
    """
    assert (c.flow_problem(k, 450.0) == "") is good
    if 0.0 < k < inf:
        told = c.bucket_test([(10.0, k * 10)] * 3, 0.02, 450.0)
        assert isinstance(told, c.FlowResult) is good
        if not good:
            assert "more than 20 % away from the config's 450: correct" in str(told)


@pytest.mark.parametrize("config_k", [0.0, -450.0, nan])
def test_a_config_without_a_constant_has_no_calibration(config_k: float) -> None:
    """A constant that is none is told, not divided by."""
    assert "more than 20 % away" in str(c.bucket_test(GOOD, 0.02, config_k))


def test_a_small_constant_is_as_good_as_a_large_one() -> None:
    """Half a pulse a litre is a constant like any other, and a thousand litres a bucket."""
    told = c.bucket_test([(1000.0, 500.0), (1000.0, 510.0), (1000.0, 490.0)], 1.0, 0.5)
    assert isinstance(told, c.FlowResult)
    assert told.pulses_per_litre == pytest.approx(0.5)
    assert "agree to" in str(c.bucket_test([(10.0, 1.0)] * 3, 0.0, 0.1))  # a run, but a poor one


def test_the_run_of_fewest_pulses_sets_what_counting_costs() -> None:
    """A hundred pulses are counted to one in a hundred, whatever the other runs had."""
    told = c.bucket_test([(5.0, 100.0), (50.0, 1000.0), (50.0, 1000.0)], 0.0, 20.0)
    assert isinstance(told, c.FlowResult)
    assert told.standard == pytest.approx(1 / 100 / math.sqrt(6))


# --- level ---


def test_two_points_make_a_line() -> None:
    """What the probe reports at the two heights becomes what the ruler says there, whichever point
    comes first.
    """
    for points in (((0.11, 0.10), (0.59, 0.57)), ((0.59, 0.57), (0.11, 0.10))):
        told = c.two_points(*points, **FACES)
        assert isinstance(told, c.LevelResult)
        for reported, ruler in points:
            assert told.scale * reported + told.offset_m == pytest.approx(ruler)


def test_a_line_is_surest_between_its_points() -> None:
    """Half-way the two readings average out (1/√2 of one); beyond them the line fans out."""
    unsure = []
    for at_m in (0.35, 0.6, 1.1):
        told = c.two_points((0.1, 0.1), (0.6, 0.6), **(FACES | {"at_m": at_m}))
        assert isinstance(told, c.LevelResult)
        unsure.append(told.uncertainty_m)
    one = 2.042 * math.hypot(0.002 / math.sqrt(3), 0.002)
    assert unsure[0] == pytest.approx(one / math.sqrt(2))
    assert unsure[1] == pytest.approx(one)
    assert unsure[2] == pytest.approx(one * math.sqrt(5))


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ((0.1, 0.1), (0.19, 0.19), "at least 0.1 m apart"),
        ((0.5, 0.1), (0.4, 0.6), "report more at the higher one"),
        ((0.5, 0.1), (0.5, 0.6), "report more at the higher one"),
        ((nan, 0.1), (0.6, 0.6), "both points are metres"),
        ((0.1, 0.1), (0.6, inf), "both points are metres"),
        ((0.1, 0.16), (0.6, 0.66), "6.0 cm, and 5 cm is the most"),
        ((0.1, 0.1), (0.55, 0.6), "+10.0 cm, and 5 cm is the most: correct zero_v and full_v"),
        ((0.1, 0.04), (0.6, 0.56), "-6.4 cm"),
    ],
)
def test_two_points_that_make_no_line_are_refused(
    low: tuple[float, float], high: tuple[float, float], words: str
) -> None:
    """Points too close, a probe that falls as the water rises, and a move of more than 5 cm at
    either end of the span are no calibration.
    """
    told = c.two_points(low, high, **FACES)
    assert isinstance(told, str)
    assert words in told


@pytest.mark.parametrize(
    ("scale", "offset_m", "good"),
    [
        (1.0, 0.05, True),
        (1.0, -0.05, True),
        (1.0, 0.051, False),
        (1.0499, 0.0, True),
        (1.06, 0.0, False),
        (1.0999, -0.05, True),
        (1.11, -0.05, False),
        (nan, 0.0, False),
        (1.0, inf, False),
    ],
)
def test_a_level_may_be_moved_by_five_centimetres(
    scale: float, offset_m: float, good: bool
) -> None:
    """Both ends of the probe's metre count, their bounds included."""
    assert (c.level_problem(scale, offset_m, 1.0) == "") is good


def test_a_long_probe_shows_a_wrong_slope_sooner() -> None:
    """Three per cent are 3 cm over one metre and 6 cm over two."""
    assert c.level_problem(1.03, 0.0, 1.0) == ""
    assert "by +6.0 cm" in c.level_problem(1.03, 0.0, 2.0)


@pytest.mark.parametrize("faces", [{"ruler_m": -0.001}, {"probe_sd_m": -0.001}, {"ruler_m": nan}])
def test_nothing_is_read_better_than_exactly(faces: dict[str, float]) -> None:
    """A half width or a deviation below nought is a mistake; nought itself is exact."""
    points = ((0.1, 0.1), (0.2, 0.2))
    assert "both points are metres" in str(c.two_points(*points, **(FACES | faces)))
    told = c.two_points(*points, **(FACES | {"ruler_m": 0.0, "probe_sd_m": 0.0}))
    assert isinstance(told, c.LevelResult)
    assert told.uncertainty_m == 0.0
    assert isinstance(c.two_points(*points, **(FACES | {"ruler_m": 0.0})), c.LevelResult)
    assert isinstance(c.two_points(*points, **(FACES | {"probe_sd_m": 0.0})), c.LevelResult)


def test_the_volts_for_the_config_do_the_same_as_the_line() -> None:
    """The driver's rule (volts to metres between zero_v and full_v) with the new volts gives what
    the line gives with the old ones.
    """
    told = c.two_points((0.11, 0.10), (0.59, 0.57), **FACES)
    assert isinstance(told, c.LevelResult)
    for span_m in (1.0, 2.0):
        by = {"zero_v": 0.5, "full_v": 2.5, "span_m": span_m}
        zero_v, full_v = c.volts_for(told.scale, told.offset_m, **by)
        for volts in (0.6, 1.3, 2.4):
            by_line = told.scale * (volts - 0.5) / 2.0 * span_m + told.offset_m
            assert (volts - zero_v) / (full_v - zero_v) * span_m == pytest.approx(by_line)
    for scale, span_m in ((0.0, 1.0), (1.0, 0.0), (nan, 1.0)):
        assert c.volts_for(scale, 0.0, zero_v=0.5, full_v=2.5, span_m=span_m) == (0.5, 2.5)


# --- temperature ---


def test_an_ice_bath_gives_an_offset() -> None:
    """What the mean of the readings lacks of 0.0 °C is added from then on."""
    told = c.compared([0.25, 0.1875, 0.25, 0.3125], c.ICE_C, 0.1)
    assert isinstance(told, c.TempResult)
    assert told.offset_c == pytest.approx(-0.25)
    assert told.readings == 4
    assert told.uncertainty_c > 2 * 0.1 / math.sqrt(3)


def test_a_thermometer_that_never_flickers_is_still_not_certain() -> None:
    """Ten equal readings leave half a step of the sensor and what is known of the bath."""
    told = c.compared([0.125] * 10, 0.0, 0.1)
    assert isinstance(told, c.TempResult)
    expected = 2.042 * math.hypot(0.0625 / 2 / math.sqrt(3), 0.1 / math.sqrt(3))
    assert told.uncertainty_c == pytest.approx(expected)


@pytest.mark.parametrize(
    ("readings", "true_c", "words"),
    [
        ([0.2, 0.2], 0.0, "2 readings are given, and 3 are needed"),
        ([0.503] * 3, 0.0, "more than 0.5 °C off is a broken thermometer; replace it"),
        ([24.0] * 3, 24.6, "reads 24.00 °C in water of 24.60 °C"),
        ([nan] * 3, 0.0, "numbers in °C"),
        ([0.0] * 3, inf, "numbers in °C"),
    ],
)
def test_a_thermometer_beyond_its_data_sheet_is_to_be_replaced(
    readings: list[float], true_c: float, words: str
) -> None:
    """More than half a degree off is no offset but a broken part; so is what is no number."""
    told = c.compared(readings, true_c, 0.1)
    assert isinstance(told, str)
    assert words in told


def test_half_a_degree_itself_is_still_an_offset() -> None:
    """The data sheet's own bound is inside it."""
    assert isinstance(c.compared([0.5] * 3, 0.0, 0.1), c.TempResult)
    assert isinstance(c.compared([-0.5] * 3, 0.0, 0.1), c.TempResult)


@pytest.mark.parametrize(
    ("offset_c", "good"), [(1.0, True), (-1.0, True), (1.01, False), (-1.01, False), (nan, False)]
)
def test_no_offset_of_more_than_a_degree_is_used(offset_c: float, good: bool) -> None:
    """Whatever stands in the record, a reading is moved by a degree at the most."""
    told = c.temp_problem(offset_c)
    assert (told == "") is good
    assert good or "beyond ±1 °C: replace it" in told


# --- use ---


def pack(*samples: Sample) -> ReadingPack:
    return ReadingPack("river", "river-node", "boot", 7, 12.0, samples, False)


def test_readings_are_made_right_and_nothing_else_is_touched() -> None:
    """Values go through their line; pulses, faults, times, and sensors without one stay."""
    before = pack(
        Sample("meter", Kind.FLOW, 11.9, 9.0, None, 4500),
        Sample("depth", Kind.LEVEL, 11.8, 0.40),
        Sample("incoming", Kind.TEMPERATURE, 11.7, None, Fault.CRC),
        Sample("float_high", Kind.FLOAT, 12.0, 1.0),
    )
    lines = {
        "meter": Correction(scale=450.0 / 500.0),
        "depth": Correction(1.02, -0.01),
        "incoming": Correction(1.0, 0.2),
    }
    meter, depth, incoming, high = c.corrected(before, lines).samples
    assert meter == replace(before.samples[0], value=pytest.approx(8.1))
    assert depth == replace(before.samples[1], value=pytest.approx(0.398))
    assert (incoming, high) == before.samples[2:]
    assert c.corrected(before, {}) is before
    assert c.corrected(before, {"depth": Correction(), "meter": Correction()}) == before
    assert replace(c.corrected(before, lines), samples=before.samples) == before


# --- any input ---


@given(st.lists(st.tuples(ANY, ANY), max_size=6), ANY, ANY)
def test_no_bucket_breaks_it(runs: list[tuple[float, float]], reading: float, k: float) -> None:
    """Whatever numbers come, there is a result within its bounds, or a reason."""
    told = c.bucket_test(runs, reading, k)
    if isinstance(told, str):
        assert told
    else:
        assert 0.0 < told.uncertainty <= c.FLOW_UNSURE_MAX
        assert abs(told.pulses_per_litre / k - 1.0) <= c.FLOW_SHIFT_MAX + 1e-6


@given(ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY)
def test_no_ruler_breaks_it(
    x_1: float, y_1: float, x_2: float, y_2: float, ruler: float, sd: float, at: float, span: float
) -> None:
    """Whatever numbers come, there is a line within its bounds, or a reason."""
    told = c.two_points((x_1, y_1), (x_2, y_2), ruler_m=ruler, probe_sd_m=sd, at_m=at, span_m=span)
    if isinstance(told, str):
        assert told
    else:
        assert abs(told.offset_m) <= c.LEVEL_SHIFT_MAX_M + 1e-6
    c.volts_for(x_1, y_1, zero_v=x_2, full_v=y_2, span_m=span)


@given(st.lists(ANY, max_size=6), ANY, ANY)
def test_no_ice_breaks_it(readings: list[float], true_c: float, error: float) -> None:
    """Whatever numbers come, there is an offset within its bounds, or a reason."""
    told = c.compared(readings, true_c, error)
    assert isinstance(told, c.TempResult) or told
    if isinstance(told, c.TempResult):
        assert abs(told.offset_c) <= c.TEMP_SENSOR_MAX_C + 1e-6


@given(ANY, ANY, ANY)
def test_no_reading_breaks_it(value: float, scale: float, offset: float) -> None:
    """Any value and any line give a sample; what is no number is for the quality check."""
    told = c.corrected(pack(Sample("depth", Kind.LEVEL, 1.0, value)),
                       {"depth": Correction(scale, offset)})  # fmt: skip
    assert told.samples[0].sensor == "depth"


@given(ANY)
def test_a_factor_is_never_below_that_of_the_next_surer_one(dof: float) -> None:
    """Student's factor falls with the degrees of freedom, down to the table's end."""
    assert c.coverage(dof) >= 2.042
    if dof >= 1.0:
        assert c.coverage(dof) >= c.coverage(dof + 1.0)
    else:
        assert c.coverage(dof) == inf


def test_a_mean_of_nothing_or_one_is_not_sure_at_all() -> None:
    """No reading and one reading say nothing of their scatter."""
    assert c.mean_of([]) == c.Mean(0.0, inf, 0.0)
    assert c.mean_of([3.0]) == c.Mean(3.0, inf, 0.0)
    assert c.mean_of([2.0, 4.0, 6.0]) == c.Mean(4.0, pytest.approx(math.sqrt(4.0 / 3)), 2.0)
    assert c.expanded([]) == (0.0, 0.0)
    assert c.expanded([(1.0, 0.0)]) == (1.0, inf)
    assert c.expanded([(0.0, 0.0), (1.0, inf)]) == (1.0, 2.042)
