"""The pulse flow meter, on every kind of pins, and its estimate on simulated time."""

from __future__ import annotations

import asyncio
import math
import time
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.flow import HANDOVER_S, SILENT_S, FlowMeter, pulse_rate_hz
from monitor.errors import HardwareError
from monitor.simulate.pins import SimFactory

PIN = 24
PER_LITRE = 450.0
MAX_LPM = 30.0


def meter(factory: Any, per_litre: float = PER_LITRE, max_lpm: float = MAX_LPM) -> FlowMeter:
    return FlowMeter(
        sensor_id="flow", pin=PIN, factory=factory, pulses_per_litre=per_litre, max_lpm=max_lpm
    )


class Water:
    """Pulses on a simulated pin at exact times."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.factory = SimFactory(lambda: self.now_s)

    def run(self, hz: float, for_s: float) -> None:
        """Let pulses come at a rate for a while; time ends up at the end of it."""
        end_s = self.now_s + for_s
        for index in range(1, int(hz * for_s + 1e-9) + 1):
            self.factory.pin(PIN).pulse(self.now_s + index / hz)
        self.now_s = end_s


async def test_counts_and_times_pulses_on_real_time(bench: Any) -> None:
    """Pulses are counted exactly, and their flow is that of the times they came at."""
    async with meter(bench.factory) as flow:
        assert (flow.id, flow.kind) == ("flow", Kind.FLOW)
        before_s, after_s = [], []
        for _ in range(13):
            before_s.append(time.monotonic())
            bench.drive(PIN, False)
            after_s.append(time.monotonic())
            bench.drive(PIN, True)
            await asyncio.sleep(0.02)
        sample = flow.sample(5.0)
        assert (sample.count, sample.at_s, sample.fault) == (13, 5.0, None)
        assert sample.value is not None
        # The edges' own stamps lie between ours, so these two flows enclose the true one.
        slowest, fastest = (
            12 / span_s / PER_LITRE * 60
            for span_s in (after_s[-1] - before_s[0], before_s[-1] - after_s[0])
        )
        assert slowest <= sample.value <= fastest


async def test_only_whole_pulses_count(bench: Any) -> None:
    """A pulse is a fall and a rise: it counts once."""
    async with meter(bench.factory) as flow:
        bench.drive(PIN, False)
        assert flow.sample(0.0).count == 1
        bench.drive(PIN, True)
        assert flow.sample(0.0).count == 1


async def test_missing_before_and_after(bench: Any) -> None:
    """Outside its context a meter is missing; its count goes on when it is entered again."""
    flow = meter(bench.factory)
    assert flow.sample(1.0) == Sample("flow", Kind.FLOW, 1.0, None, Fault.MISSING, 0)
    async with flow:
        bench.drive(PIN, False)
        with pytest.raises(HardwareError, match="already in use"):
            await meter(bench.factory).__aenter__()
    assert flow.sample(2.0).fault is Fault.MISSING
    async with flow:
        flow.watch(lambda _: None)
        assert flow.sample(3.0) == Sample("flow", Kind.FLOW, 3.0, 0.0, None, 1)


async def test_unreadable_pin_is_a_fault(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter on a pin that cannot be read says so, and does not say that no water flows."""

    def broken(_: object) -> bool:
        raise OSError("bus error")

    async with meter(bench.factory) as flow:
        monkeypatch.setattr(type(bench.factory.pin(PIN)), "_get_state", broken)
        assert flow.sample(0.0).fault is Fault.ERROR
        assert flow.sample(0.0).value is None


@pytest.mark.parametrize("lpm", [0.3, 0.5, 1.0, 3.33, 10.0, 25.0, 30.0])
async def test_steady_flow_is_exact(lpm: float) -> None:
    """At any steady flow in the meter's range the reading is right to rounding."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(lpm * PER_LITRE / 60, 10.0)
        assert flow.sample(water.now_s).value == pytest.approx(lpm, rel=1e-9)


async def test_flow_falls_honestly_when_pulses_stop() -> None:
    """After the last pulse the reading never exceeds what the silence still allows, then is 0."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(75.0, 5.0)
        readings = []
        for step in range(1, 40):
            silence_s = step / 10
            water.now_s = 105.0 + silence_s
            value = flow.sample(water.now_s).value
            assert value is not None
            readings.append(value)
            if silence_s > HANDOVER_S:
                assert value <= 60 / (PER_LITRE * (silence_s - HANDOVER_S)) * (1 + 1e-9)
            assert (value == 0.0) == (silence_s >= SILENT_S - 1e-9)
        assert all(later <= earlier for earlier, later in pairwise(readings))


async def test_late_pulses_are_no_dip() -> None:
    """Pulses that reach the driver a fifth of a second late do not look like a failing supply."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(75.0, 5.0)
        water.now_s += 0.2
        assert flow.sample(water.now_s).value == pytest.approx(10.0, rel=1e-9)


async def test_smallest_flow_is_stated() -> None:
    """Just above `bound_lpm` a flow reads as itself; below it reads as zero between pulses."""
    water = Water()
    async with meter(water.factory) as flow:
        assert flow.bound_lpm == pytest.approx(60 / (3 * 450))
        water.run(flow.bound_lpm * PER_LITRE / 60 * 1.05, 60.0)
        assert flow.sample(water.now_s).value == pytest.approx(flow.bound_lpm * 1.05, rel=0.1)
    slow = Water()
    async with meter(slow.factory) as flow:
        slow.run(0.2, 60.0)
        assert flow.sample(slow.now_s).value == 0.0
        assert flow.sample(slow.now_s).count == 12


async def test_change_of_flow_is_followed() -> None:
    """A halved flow is read as halved a little over a second later."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(75.0, 5.0)
        water.run(37.5, 1.1)
        assert flow.sample(water.now_s).value == pytest.approx(5.0, rel=1e-6)


async def test_restart_is_followed() -> None:
    """Flow that comes back after a pause is read right within half a second."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(75.0, 5.0)
        water.now_s += 30.0
        assert flow.sample(water.now_s).value == 0.0
        water.run(75.0, 0.5)
        assert flow.sample(water.now_s).value == pytest.approx(10.0, rel=1e-6)


@pytest.mark.parametrize("hz", [300.0, 1_000.0, 50_000.0])
async def test_edges_beyond_the_meter_are_noise(hz: float) -> None:
    """Above 1.3 times the meter's range it is a fault, and gone when the edges are gone."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(hz, 1.5)
        sample = flow.sample(water.now_s)
        assert (sample.value, sample.fault) == (None, Fault.NOISE)
        assert sample.count == int(hz * 1.5)
        water.now_s += SILENT_S
        assert flow.sample(water.now_s).value == 0.0


async def test_fast_but_possible_is_no_noise() -> None:
    """A flow a quarter above the range is odd but no noise."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(MAX_LPM * PER_LITRE / 60 * 1.25, 2.0)
        assert flow.sample(water.now_s).value == pytest.approx(37.5, rel=1e-6)


async def test_bounce_is_no_flow_and_no_noise() -> None:
    """A few edges within a millisecond, as of a knock on the pipe, do not read as a torrent."""
    water = Water()
    async with meter(water.factory) as flow:
        for index in range(3):
            water.factory.pin(PIN).pulse(water.now_s + index * 0.0003)
        water.now_s += 0.001
        value = flow.sample(water.now_s).value
        assert value is not None
        assert value <= 2 / PER_LITRE * 60


async def test_memory_is_bounded() -> None:
    """However many edges come, only so many times are kept."""
    water = Water()
    async with meter(water.factory) as flow:
        water.run(2000.0, 10.0)
        assert len(flow._ticks) < 700
        assert flow.sample(0.0).count == 20_000


async def test_stamps_from_another_origin() -> None:
    """Edges stamped by the time of day (old kernels) give the same flow and the same silence."""
    water = Water()
    day_s = 1.7e9
    async with meter(water.factory) as flow:
        for index in range(1, 151):
            water.now_s = 100.0 + index / 75
            water.factory.pin(PIN).pulse(water.now_s + day_s)
        assert flow.sample(water.now_s).value == pytest.approx(10.0, rel=1e-4)
        water.now_s += SILENT_S + 0.01
        assert flow.sample(water.now_s).value == 0.0


@given(
    st.lists(st.floats(0.0, 5.0), max_size=50),
    st.floats(allow_nan=True, allow_infinity=True),
)
def test_rate_is_always_a_number(gaps_s: list[float], now_s: float) -> None:
    """Whatever the times, the rate is a finite number that is not negative."""
    times_s = [0.0]
    for gap_s in gaps_s:
        times_s.append(times_s[-1] + gap_s)
    rate_hz = pulse_rate_hz(times_s, now_s)
    assert math.isfinite(rate_hz)
    assert rate_hz >= 0
    assert pulse_rate_hz([], now_s) == 0.0


@pytest.mark.parametrize(
    ("per_litre", "max_lpm"),
    [(0.0, 30.0), (450.0, 0.0), (-450.0, -30.0), (math.nan, 30.0), (450.0, math.inf), (1e6, 30.0)],
)
def test_impossible_meters_are_refused(bench: Any, per_litre: float, max_lpm: float) -> None:
    """Numbers that make no meter, or one too fast to count, are refused with the allowed range."""
    with pytest.raises(HardwareError, match="allowed: both above 0"):
        meter(bench.factory, per_litre, max_lpm)
