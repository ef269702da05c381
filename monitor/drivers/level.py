"""Level probes with a voltage output, read through a converter on SPI.

The two ends of a probe's range are live: neither is at 0 V or at the converter's reference, so a
broken wire, a short and a converter that is not there read as a fault and never as an empty or a
full vessel. Where a wire may break, a resistor must pull the converter's input to ground.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import warnings
from collections.abc import Callable, Iterator
from statistics import median
from types import TracebackType
from typing import Any, Final, Self

from gpiozero import MCP3004, MCP3008, MCP3204, MCP3208, Device, SPISoftwareFallback

from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.gpio import PinFactory
from monitor.errors import HardwareError

log = logging.getLogger(__name__)

CONVERSIONS: Final = 5  # the median of five is right with two of them spoilt
PERIOD_S: Final = 1.0
FRESH_PERIODS: Final = 3
RAIL_V: Final = 0.05  # this close to an end of the converter's range it is no signal
# NAMUR recommendation NE 43 (from memory): of a 4 to 20 mA signal, 3.6 mA and less or 21 mA and
# more is a failure. As shares of the span below its zero and above its end:
BELOW: Final = 0.4 / 16
ABOVE: Final = 1.0 / 16
CHIPS: Final = {"mcp3004": MCP3004, "mcp3008": MCP3008, "mcp3204": MCP3204, "mcp3208": MCP3208}


class LevelProbe:
    """A level probe as a sensor (m of water above the vessel's floor). See `ports.Sensor`.

    `zero_v` and `full_v` are the volts at the converter's input at 0 m and at `span_m`; they may
    fall as the water rises. A reading is the median of five conversions. Between two of them
    everybody else in the event loop gets a turn, so that a bit-banged SPI holds nobody up for
    longer than one takes.

    Raises:
        HardwareError: the numbers make no probe (on construction), or the converter cannot be
            claimed (on entering).
    """

    def __init__(
        self,
        *,
        sensor_id: str,
        factory: PinFactory,
        converter: str,
        channel: int,
        clock_pin: int,
        mosi_pin: int,
        miso_pin: int,
        select_pin: int,
        zero_v: float,
        full_v: float,
        span_m: float,
        reference_v: float,
        period_s: float = PERIOD_S,
    ) -> None:
        """Keep the arguments; nothing is claimed before the driver is entered."""
        swing_v = full_v - zero_v
        self._low_v = min(zero_v - BELOW * swing_v, full_v + ABOVE * swing_v)
        self._high_v = max(zero_v - BELOW * swing_v, full_v + ABOVE * swing_v)
        live = RAIL_V < self._low_v < self._high_v < reference_v - RAIL_V
        if not (live and 0 < span_m < math.inf and 0 < period_s < math.inf):
            raise HardwareError(
                f"{zero_v} V at 0 m and {full_v} V at {span_m} m cannot be told from a broken wire",
                where=sensor_id,
                allowed=f"volts well apart, and well inside 0 to {reference_v} V",
                fix="measure both at the converter's input",
            )
        if converter not in CHIPS:
            raise HardwareError(
                f"no converter {converter!r} is known", where=sensor_id, allowed=", ".join(CHIPS)
            )
        self._id = sensor_id
        self._factory = factory
        self._chip = CHIPS[converter]
        self._wiring = {
            "channel": channel,
            "clock_pin": clock_pin,
            "mosi_pin": mosi_pin,
            "miso_pin": miso_pin,
            "select_pin": select_pin,
            "max_voltage": reference_v,
        }
        self._zero_v = zero_v
        self._m_per_v = span_m / swing_v
        self._rails_v = (RAIL_V, reference_v - RAIL_V)
        self._period_s = period_s
        self._device: Any = None
        self._task: asyncio.Task[None] | None = None
        self._outcome: float | Fault = Fault.MISSING
        self._at_s = 0.0
        self._told = False

    @property
    def id(self) -> str:
        """The sensor's name in the config."""
        return self._id

    @property
    def kind(self) -> Kind:
        """What it measures."""
        return Kind.LEVEL

    async def __aenter__(self) -> Self:
        """Claim the converter's pins and take the first reading."""
        try:
            self._device = _claimed(self._chip, self._factory, self._wiring)
        except Exception as error:
            raise HardwareError(
                f"the converter could not be claimed: {error}",
                where=f"{self._id}, select on GPIO {self._wiring['select_pin']}",
                allowed="four free GPIO lines, or the Pi's own SPI",
                fix="give it pins of its own, or switch SPI on in the Pi's settings",
            ) from error
        await self._read()
        self._task = asyncio.create_task(self._run(), name=f"level {self._id}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop reading and give the pins back."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
        device, self._device = self._device, None
        self._outcome = Fault.MISSING
        with contextlib.suppress(Exception):  # there is nothing left to do about it
            device.close()

    def watch(self, notify: Callable[[Sample], None]) -> None:
        """Do nothing: a level has no state that flips, its samples are the news."""

    def sample(self, now_s: float) -> Sample:
        """Return the last reading with its own time while it is fresh, else a fault."""
        # Written so that a time that went back, or is no number, counts as stale.
        fresh = 0 <= now_s - self._at_s <= FRESH_PERIODS * self._period_s
        outcome = self._outcome if fresh else Fault.MISSING
        if isinstance(outcome, Fault):
            return Sample(self._id, self.kind, now_s, None, outcome)
        return Sample(self._id, self.kind, self._at_s, outcome)

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            # A reading that took long is followed by a pause all the same.
            due_s = max(due_s + self._period_s, loop.time() + self._period_s / 10)
            await asyncio.sleep(due_s - loop.time())
            await self._read()

    async def _read(self) -> None:
        at_s = asyncio.get_running_loop().time()
        try:
            volts = []
            for _ in range(CONVERSIONS):
                volts.append(float(self._device.voltage))
                await asyncio.sleep(0)
            outcome = self._level(median(volts))
        except Exception as error:
            outcome = Fault.ERROR
            if not self._told:
                self._told = True
                log.error("%s: the converter cannot be read", self._id, exc_info=error)
        self._outcome, self._at_s = outcome, at_s

    def _level(self, volts: float) -> float | Fault:
        """Return the level at a voltage, or why there is none."""
        if not self._rails_v[0] < volts < self._rails_v[1]:
            return Fault.WIRING
        if not self._low_v < volts < self._high_v:
            return Fault.RANGE
        return (volts - self._zero_v) * self._m_per_v


def _claimed(chip: Any, factory: PinFactory, wiring: dict[str, float]) -> Any:
    """Return the converter, over the kernel's SPI where the pins are the Pi's own.

    Where the kernel's is switched off, the pin library bangs the bits and warns of it.
    """
    with warnings.catch_warnings(record=True) as caught, _default_pins(factory):
        warnings.simplefilter("always")
        device = chip(**wiring, pin_factory=factory)
    if any(issubclass(warning.category, SPISoftwareFallback) for warning in caught):
        log.warning("the Pi's own SPI is switched off: its pins are used one bit at a time")
    return device


@contextlib.contextmanager
def _default_pins(factory: PinFactory) -> Iterator[None]:
    """Stand in for the pin library's default pins: its software SPI asks for them, unused.

    Left alone it would go looking for a Pi of its own.
    """
    before = Device.pin_factory
    Device.pin_factory = factory
    try:
        yield
    finally:
        Device.pin_factory = before
