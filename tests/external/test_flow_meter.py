"""Our flow meter against published meter constants and the arithmetic of counting.

Sources: the linear law f = K · Q of small turbine meters with the constants their data sheets
print (K = 7.5, 6.5, 65, 4.5, 10 Hz per L/min); for the counting error, the count of a regular train
of x pulses on average is floor(x + phase), whose variance is f(1 - f) with f = frac(x).
"""

from __future__ import annotations

import math
import random
from statistics import pvariance

import pytest

from monitor.core.reading import Fault
from monitor.drivers.flow import HANDOVER_S, SILENT_S, FlowMeter, pulse_rate_hz
from monitor.simulate.pins import SimFactory

PIN = 24
pytestmark = pytest.mark.external


class Bench:
    """A meter on a simulated pin, fed with a regular train of pulses."""

    def __init__(self, k: float, max_lpm: float) -> None:
        self.now_s = 0.0
        self.factory = SimFactory(lambda: self.now_s)
        self.meter = FlowMeter(
            sensor_id="flow",
            pin=PIN,
            factory=self.factory,
            pulses_per_litre=60 * k,
            max_lpm=max_lpm,
        )

    def pulses(self, hz: float, count: int) -> None:
        """Let `count` pulses come at `hz` from now on."""
        began_s = self.now_s
        for index in range(count):
            self.now_s = began_s + index / hz
            self.factory.pin(PIN).pulse()


@pytest.mark.parametrize(
    ("k", "max_lpm", "hz", "lpm"),
    [
        (7.5, 25.0, 75.0, 10.0),
        (7.5, 25.0, 7.5, 1.0),
        (6.5, 60.0, 65.0, 10.0),
        (65.0, 2.5, 65.0, 1.0),
        (4.5, 30.0, 45.0, 10.0),
        (10.0, 30.0, 100.0, 10.0),
    ],
)
async def test_k_factor(k: float, max_lpm: float, hz: float, lpm: float) -> None:
    """With f = K · Q, 75 Hz from a meter with K = 7.5 is 10 L/min; so with other constants."""
    bench = Bench(k, max_lpm)
    async with bench.meter as meter:
        bench.pulses(hz, int(4 * hz))
        assert meter.sample(bench.now_s).value == pytest.approx(lpm, rel=1e-9)


@pytest.mark.parametrize(
    ("k", "pulses", "litres"), [(7.5, 450, 1.0), (6.5, 390, 1.0), (65.0, 3900, 1.0), (10, 600, 1.0)]
)
async def test_pulses_per_litre(k: float, pulses: int, litres: float) -> None:
    """60 · K pulses make a litre: 450 for K = 7.5, and the count is the count."""
    bench = Bench(k, 60.0)
    async with bench.meter as meter:
        bench.pulses(k * 10, pulses)
        count = meter.sample(bench.now_s).count
        assert count is not None
        assert count / (60 * k) == litres


async def test_whole_fill_is_counted_exactly() -> None:
    """540 000 pulses at 450 a litre are 1200 L, to the last pulse."""
    bench = Bench(7.5, 25.0)
    async with bench.meter as meter:
        bench.pulses(75.0, 540_000)
        count = meter.sample(bench.now_s).count
        assert count is not None
        assert count / 450 == 1200.0


def train(hz: float, phase: float, for_s: float) -> list[float]:
    """Return the edge times of a regular train that begins at a phase of its own."""
    return [(index + phase) / hz for index in range(math.ceil(for_s * hz - phase))]


def test_counting_has_the_known_variance_and_timing_has_none() -> None:
    """At 75.3 Hz the count of one second varies by f(1 - f) = 0.21; the timed rate not at all."""
    hz = 75.3
    chance = random.Random(20260307)
    counts, timed = [], []
    for _ in range(20_000):
        times_s = train(hz, chance.random(), 3.0)
        counts.append(sum(2.0 <= time_s < 3.0 for time_s in times_s[-90:]))
        if len(timed) < 500:
            timed.append(pulse_rate_hz(times_s, 3.0))
    # The sampling error of a two-valued variance over 20 000 draws is about 0.002.
    assert pvariance(counts) == pytest.approx(0.21, abs=0.008)
    assert max(abs(rate / hz - 1) for rate in timed) < 1e-9


@pytest.mark.parametrize("hz", [2.3, 7.5, 75.0, 75.3, 187.5])
def test_worst_case_beats_counting(hz: float) -> None:
    """Over all phases and moments counting is off by up to a pulse; timing is right throughout.

    One pulse in 75 is the ±1.33 % of a one-second count.
    """
    counted, timed = 0.0, 0.0
    for step in range(200):
        times_s = train(hz, step / 200, 6.0)
        for now_s in (4.0, 4.37, 5.0, 5.99):
            seen_s = [time_s for time_s in times_s if time_s <= now_s]
            in_second = sum(now_s - 1 < time_s for time_s in seen_s)
            counted = max(counted, abs(in_second / hz - 1))
            timed = max(timed, abs(pulse_rate_hz(seen_s, now_s) / hz - 1))
    assert timed < 1e-9
    if hz != round(hz):  # a whole number of pulses a second happens to fit the counting second
        assert counted > 0.3 / hz
    assert counted <= 1 / hz + 1e-9


async def test_zero_pulses_bound_the_flow() -> None:
    """T seconds without a pulse mean Q < 1 / (450 · T) L/s: 0.0133 L/min for ten seconds."""
    bench = Bench(7.5, 25.0)
    async with bench.meter as meter:
        bench.pulses(75.0, 300)
        last_s = bench.now_s
        for tenth in range(5, 101):
            silence_s = tenth / 10
            bench.now_s = last_s + silence_s
            value = meter.sample(bench.now_s).value
            assert value is not None
            # An edge may be a quarter of a second on its way, so that much silence counts less.
            assert value <= 60 / (450 * (silence_s - HANDOVER_S)) * (1 + 1e-9)
            if silence_s > SILENT_S:
                assert value == 0.0
        assert value <= 0.0133


async def test_beyond_the_data_sheet_is_no_water() -> None:
    """A kilohertz cannot come from a meter whose data sheet ends at 25 L/min, or 187.5 Hz."""
    bench = Bench(7.5, 25.0)
    async with bench.meter as meter:
        bench.pulses(1000.0, 2000)
        assert meter.sample(bench.now_s).fault is Fault.NOISE
