"""Level probes behind a converter: bit-banged on mock pins, and on the simulated ones."""

from __future__ import annotations

import asyncio
import gc
import logging
import math
from collections.abc import Callable, Coroutine, Iterator
from itertools import chain, repeat
from types import SimpleNamespace
from typing import Any

import pytest
from gpiozero import MCP3008, MCP3208, Device, OutputDevice
from gpiozero.pins.mock import MockFactory, MockSPIInterfaceShared
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers import level as module
from monitor.drivers.level import CONVERSIONS, FRESH_PERIODS, LevelProbe
from monitor.errors import HardwareError
from monitor.simulate.conductor import RemoteBench, State
from monitor.simulate.pins import SimFactory
from monitor.simulate.spi import LevelConverter, converted
from monitor.simulate.world import LocalBench

PINS = (11, 10, 9, 8)
BITS = {"mcp3004": 10, "mcp3008": 10, "mcp3204": 12, "mcp3208": 12}
REFERENCE_V = 3.3


def probe(factory: Any, **changes: Any) -> LevelProbe:
    """Return a probe of 4 to 20 mA over 150 Ω, so 0.6 V at 0 m and 3.0 V at 1 m (Ohm's law)."""
    wiring: dict[str, Any] = {
        "sensor_id": "depth",
        "factory": factory,
        "converter": "mcp3008",
        "channel": 0,
        **dict(zip(("clock_pin", "mosi_pin", "miso_pin", "select_pin"), PINS, strict=True)),
        "zero_v": 0.6,
        "full_v": 3.0,
        "span_m": 1.0,
        "reference_v": REFERENCE_V,
    }
    return LevelProbe(**(wiring | changes))


def now() -> float:
    return asyncio.get_running_loop().time()


async def read(sensor: LevelProbe) -> Sample:
    """Return a probe's first reading."""
    async with sensor:
        return sensor.sample(now())


class FakeChip:
    """Stands in for the pin library's converter: each conversion gives the next of `volts`."""

    def __init__(self, volts: Iterator[float | Exception]) -> None:
        self.volts = volts
        self.conversions = 0
        self.closed = False

    def __call__(self, **_: Any) -> FakeChip:
        return self

    @property
    def voltage(self) -> float:
        self.conversions += 1
        said = next(self.volts)
        if isinstance(said, Exception):
            raise said
        return said

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[LevelProbe, FakeChip]]:
    """Return a function that makes a probe whose conversions are given."""

    def made(*volts: float | Exception, **changes: Any) -> tuple[LevelProbe, FakeChip]:
        chip = FakeChip(chain(volts, repeat(volts[-1])))
        monkeypatch.setitem(module.CHIPS, "mcp3008", chip)
        return probe(MockFactory(), **changes), chip

    return made


# --- readings ---


@pytest.mark.parametrize("converter", BITS)
async def test_reads_the_level_to_one_step_of_its_converter(bench: Any, converter: str) -> None:
    """Each part gives metres, right to one step of its ten or twelve bits, all the way up."""
    inputs = bench.converter(BITS[converter], *PINS)
    step_m = REFERENCE_V / 2 ** BITS[converter] / 2.4
    for level_m in (0.0, 0.001, 0.27, 0.5, 0.57, 0.999, 1.0):
        inputs[3] = (0.6 + 2.4 * level_m) / REFERENCE_V
        sensor = probe(bench.factory, converter=converter, channel=3)
        assert (sensor.id, sensor.kind) == ("depth", Kind.LEVEL)
        sample = await read(sensor)
        assert (sample.sensor, sample.kind, sample.fault) == ("depth", Kind.LEVEL, None)
        assert sample.value == pytest.approx(level_m, abs=step_m)


async def test_each_channel_is_its_own(bench: Any) -> None:
    """No probe reads another channel's voltage."""
    inputs = bench.converter(12, *PINS)
    for channel in range(8):
        inputs[channel] = (0.8 + 0.2 * channel) / REFERENCE_V
    for channel in range(8):
        sample = await read(probe(bench.factory, converter="mcp3208", channel=channel))
        assert sample.value == pytest.approx((0.2 + 0.2 * channel) / 2.4, abs=0.001)


async def test_a_probe_may_fall_as_the_water_rises(bench: Any) -> None:
    """Two points the other way round give rising metres for falling volts, faults at both ends."""
    inputs = bench.converter(12, *PINS)
    sensor = probe(bench.factory, converter="mcp3208", zero_v=3.0, full_v=0.6)
    said = []
    for volts in (3.15, 3.0, 2.4, 0.6, 0.35):
        inputs[0] = volts / REFERENCE_V
        said.append(await read(sensor))
    assert [sample.value for sample in said[1:4]] == pytest.approx([0.0, 0.25, 1.0], abs=0.001)
    assert [said[0].fault, said[4].fault] == [Fault.RANGE, Fault.RANGE]


@pytest.mark.parametrize(
    ("milliamperes", "said"),
    [
        (0.0, Fault.WIRING),
        (0.3, Fault.WIRING),
        (3.0, Fault.RANGE),
        (3.59, Fault.RANGE),
        (3.8, -0.0125),
        (4.0, 0.0),
        (12.0, 0.5),
        (20.0, 1.0),
        (20.5, 1.03125),
        (21.01, Fault.RANGE),
        (21.6, Fault.RANGE),
        (22.0, Fault.WIRING),
    ],
)
async def test_a_current_loop_fails_where_its_standard_says(
    bench: Any, milliamperes: float, said: float | Fault
) -> None:
    """NAMUR NE 43 (from memory): 3.8 to 20.5 mA is a measurement; from 3.6 mA down and from 21 mA
    up it is a failure, and no failure is ever a value. 4 to 20 mA are 0 to 1 m here.
    """
    bench.converter(12, *PINS)[0] = milliamperes * 0.150 / REFERENCE_V
    sample = await read(probe(bench.factory, converter="mcp3208"))
    if isinstance(said, Fault):
        assert (sample.value, sample.fault) == (None, said)
    else:
        assert sample.value == pytest.approx(said, abs=0.001)


async def test_a_converter_that_is_not_there_is_a_wiring_fault(bench: Any) -> None:
    """Nothing at the end of the bus is no empty vessel."""
    sample = await read(probe(bench.factory))
    assert (sample.value, sample.fault) == (None, Fault.WIRING)


@pytest.mark.parametrize("spoilt", [(0, 1), (1, 3), (3, 4)])
@pytest.mark.parametrize("volts", [0.0, 3.3])
async def test_two_spoilt_conversions_of_five_change_nothing(
    fake: Any, spoilt: tuple[int, int], volts: float
) -> None:
    """A spark on the wire during two conversions neither moves the level nor is a fault."""
    sensor, chip = fake(*(volts if n in spoilt else 1.8 for n in range(CONVERSIONS)))
    sample = await read(sensor)
    assert (sample.value, sample.fault) == (pytest.approx(0.5), None)
    assert chip.conversions == CONVERSIONS
    assert chip.closed


async def test_three_spoilt_conversions_are_a_fault(fake: Any) -> None:
    """The median hides two bad conversions, not three."""
    assert (await read(fake(0.0, 1.8, 0.0, 1.8, 0.0)[0])).fault is Fault.WIRING


# --- time ---


def test_a_reading_a_second_counts_for_three(
    fake: Any, simulated: Callable[[Coroutine[Any, Any, None]], None]
) -> None:
    """Five conversions a second and no more; a reading has the time it was begun at, and counts
    for three periods, never at a time before it or at no time at all.
    """
    sensor, chip = fake(1.8)

    async def story() -> None:
        began_s = now()
        assert sensor.sample(began_s).fault is Fault.MISSING
        async with sensor:
            first = sensor.sample(began_s + 0.5)
            assert first == Sample("depth", Kind.LEVEL, began_s, pytest.approx(0.5))
            await asyncio.sleep(10.5)
            assert chip.conversions == 11 * CONVERSIONS
            at_s = sensor.sample(now()).at_s
            assert at_s == pytest.approx(began_s + 10.0)
            assert sensor.sample(at_s + FRESH_PERIODS).value is not None
            for odd_s in (at_s + FRESH_PERIODS + 0.01, at_s - 0.01, math.nan, math.inf, -math.inf):
                assert sensor.sample(odd_s).fault is Fault.MISSING
        assert sensor.sample(now()).fault is Fault.MISSING

    simulated(story())


def test_a_slow_converter_does_not_spin(
    fake: Any, simulated: Callable[[Coroutine[Any, Any, None]], None]
) -> None:
    """Conversions that take longer than their period are still followed by a pause."""
    sensor, chip = fake(1.8, period_s=0.1)

    def slow() -> Iterator[float]:
        while True:
            loop: Any = asyncio.get_running_loop()
            loop._jumping.now_s += 0.05
            yield 1.8

    async def story() -> None:
        chip.volts = slow()
        async with sensor:
            before_s, before = now(), chip.conversions
            await asyncio.sleep(10.0)
            readings = (chip.conversions - before) / CONVERSIONS
            # Five conversions of 0.05 s, and a tenth of the period to rest.
            assert readings == pytest.approx((now() - before_s) / 0.26, abs=1.0)

    simulated(story())


async def test_others_get_a_turn_between_two_conversions(fake: Any) -> None:
    """The loop is never held up for longer than one conversion."""
    sensor, chip = fake(1.8)
    seen = set()

    async def bystander() -> None:
        while True:
            seen.add(chip.conversions)
            await asyncio.sleep(0)

    task = asyncio.create_task(bystander())
    await read(sensor)
    task.cancel()
    assert seen >= set(range(1, CONVERSIONS + 1))


# --- what fails ---


async def test_a_failing_converter_is_a_fault_and_comes_back(
    fake: Any, caplog: pytest.LogCaptureFixture
) -> None:
    """An error of the pin library is a fault, logged once, and reading goes on."""
    broken = OSError("the bus is gone")
    sensor, _ = fake(broken, broken, broken, 1.8, period_s=0.01)
    async with sensor, asyncio.timeout(5):
        assert sensor.sample(now()).fault is Fault.ERROR
        while sensor.sample(now()).value != pytest.approx(0.5):  # noqa: ASYNC110 - sets no event
            await asyncio.sleep(0.002)
    assert caplog.text.count("the bus is gone") == 1
    assert sensor.sample(now()).fault is Fault.MISSING


async def test_a_taken_pin_is_refused_with_a_fix(bench: Any) -> None:
    """A converter on a pin that another part holds is an error that names sensor and pin."""
    other = OutputDevice(8, pin_factory=bench.factory)
    with pytest.raises(HardwareError, match="could not be claimed") as caught:
        await read(probe(bench.factory))
    assert "depth, select on GPIO 8" in str(caught.value)
    other.close()
    assert (await read(probe(bench.factory))).fault is Fault.WIRING


@pytest.mark.parametrize(
    "changes",
    [
        {"zero_v": 0.0},
        {"zero_v": 0.1},  # 2.5 % of 2.9 V below it is 0.03 V: no longer apart from a broken wire
        {"full_v": 3.3},
        {"full_v": 0.6},
        {"zero_v": 3.2, "full_v": 0.6},
        {"zero_v": math.nan},
        {"span_m": 0.0},
        {"span_m": math.inf},
        {"reference_v": 3.0},
        {"period_s": 0.0},
        {"period_s": math.nan},
        {"converter": "mcp3301"},
    ],
)
def test_numbers_that_make_no_probe_are_refused(changes: dict[str, Any]) -> None:
    """What would turn a broken wire into a level, or divide by zero, never starts."""
    with pytest.raises(HardwareError, match="depth"):
        probe(MockFactory(), **changes)


# --- the bus ---


async def test_probes_share_a_bus_and_a_converter(bench: Any) -> None:
    """Two converters with a select each, one of them with two probes, are read side by side."""
    # A bus that an earlier test has closed, when it is collected, takes the pin library's note of a
    # new one on the same pins away with it, and then nobody shares that one.
    gc.collect()
    near, far = bench.converter(10, *PINS), bench.converter(10, *PINS[:3], 7)
    near[0], near[1], far[0] = (volts / REFERENCE_V for volts in (0.84, 1.08, 1.8))
    async with (
        probe(bench.factory) as one,
        probe(bench.factory, channel=1) as two,
        probe(bench.factory, select_pin=7) as three,
    ):
        said = [sensor.sample(now()).value for sensor in (one, two, three)]
    assert said == pytest.approx([0.1, 0.2, 0.5], abs=0.002)
    OutputDevice(8, pin_factory=bench.factory).close()  # everything was given back


async def test_the_pin_librarys_default_is_left_alone(bench: Any) -> None:
    """Bit-banging does not go looking for a Pi of its own, nor leaves ours as everybody's."""
    before = Device.pin_factory
    await read(probe(bench.factory))
    assert Device.pin_factory is before


async def test_without_the_kernels_spi_bits_are_banged_and_it_is_said(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Where SPI is not switched on, the same pins work slowly, with one line in the log."""

    def absent(**_: Any) -> None:
        raise OSError("can not open SPI device")

    def spi_class(self: MockFactory, shared: bool, hardware: bool) -> Callable[..., Any]:
        return absent if hardware else MockSPIInterfaceShared

    monkeypatch.setattr(MockFactory, "_get_spi_class", spi_class)
    with caplog.at_level(logging.WARNING):
        assert (await read(probe(MockFactory()))).fault is Fault.WIRING
    assert "SPI is switched off" in caplog.text


# --- the simulated converter ---


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 1.0), st.integers(0, 7), st.sampled_from([(MCP3008, 10), (MCP3208, 12)]))
def test_word_by_word_says_what_bit_by_bit_does(
    benches: dict[str, Callable[[], Any]], share: float, channel: int, part: tuple[Any, int]
) -> None:
    """The simulated converter's answer is that of one driven clock by clock from the data sheet."""
    chip, bits = part
    said = []
    for bench in (benches["mock"](), benches["sim"]()):
        bench.converter(bits, *PINS)[channel] = share
        with module._default_pins(bench.factory):
            device = chip(channel=channel, pin_factory=bench.factory)
        said.append(device.raw_value)
        device.close()
    assert said[0] == said[1]


@pytest.mark.parametrize("sent", [[], [0], [0, 0, 0], [1], [0, 0, 1]])
def test_a_converter_that_is_not_asked_says_nothing(sent: list[int]) -> None:
    """Without a start bit, or without clocks after it, only zeros come."""
    assert converted(sent, {0: 1.0}) == [0] * len(sent)


def test_a_difference_of_channels_is_told_as_not_simulated() -> None:
    """A command that the stand-in cannot follow is an error and not a wrong number."""
    with pytest.raises(NotImplementedError):
        converted([1, 0, 0], {})


PART = SimpleNamespace(
    select_pin=8, channel=2, zero_v=0.6, full_v=3.0, span_m=1.0, reference_v=REFERENCE_V
)


async def test_the_world_sets_what_the_driver_reads() -> None:
    """A level of the simulated water arrives as that level, a cut wire as a fault."""
    factory = SimFactory(lambda: 0.0)
    converter = LevelConverter(LocalBench(factory), PART)
    sensor = probe(factory, channel=2)
    for level_m in (0.0, 0.27, 0.57):
        converter.set_m(level_m, 1.0)
        assert (await read(sensor)).value == pytest.approx(level_m, abs=0.0015)
    converter.set_volts(0.0, 2.0)
    assert (await read(sensor)).fault is Fault.WIRING
    converter.set_m(5.0, 3.0)  # held at the reference
    assert (await read(sensor)).fault is Fault.WIRING


def test_the_world_reaches_a_converter_in_another_process() -> None:
    """What a bench sends goes into the child's converter, once for each change, and again when the
    child starts anew.
    """
    from monitor.simulate.child import BenchServer

    sent: list[Any] = []
    conductor: Any = SimpleNamespace(
        clock=SimpleNamespace(now_s=lambda: 7.0),
        loop=SimpleNamespace(call_soon=lambda call, *args: None),
        order=lambda child, order: sent.append(order["bench"]),
    )
    child: Any = SimpleNamespace(state=State.LIVE)
    bench = RemoteBench(conductor)
    assert bench.attach(child) == []
    converter = LevelConverter(bench, PART)
    converter.set_m(0.5, 1.0)
    converter.set_m(0.5, 2.0)
    bench.flush()
    share = 1.8 / REFERENCE_V
    assert sent == [[[8, 2, pytest.approx(share), 1.0]]]
    assert bench.attach(child) == [[8, 2, pytest.approx(share), 7.0]]
    server = BenchServer(SimpleNamespace(now_s=lambda: 7.0), None, sent[0])  # type: ignore[arg-type]
    assert server.factory.analog_inputs(8) == {2: pytest.approx(share)}
