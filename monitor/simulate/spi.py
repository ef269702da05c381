"""A simulated analogue-to-digital converter on SPI, and the level probe that feeds it.

The program's side is `SimSpi`: what a pin factory hands out as an SPI line, with a chip of the
MCP3004/3008/3204/3208 family on it that answers word by word as its data sheet says. Answering
bit by bit on mock pins says the same a hundred times slower, and would tell the plant of each of
the clock's edges; the driver's tests do that. The world's side is `LevelConverter`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from gpiozero.pins import SPI

# Data sheets of MCP3004/3008 (DS21295) and MCP3204/3208 (DS21298), section "Serial communication":
# a start bit, one for single-ended or differential, three for the channel, one clock to sample, a
# null bit, and then the result with its highest bit first.
_CHANNEL_BITS = 3
_BEFORE_RESULT = 7
_WORD_BITS = 8


def converted(sent: Sequence[int], inputs: Mapping[int, float]) -> list[int]:
    """Return the words a converter answers to the words `sent` in the same clocks.

    `inputs` are the channels' voltages as shares of the reference; one without an entry is at 0.
    The result has as many bits as there are clocks left for it: ten or twelve as the parts differ.
    """
    clocks = len(sent) * _WORD_BITS
    bits = int.from_bytes(bytes(sent), "big")
    result_bits = bits.bit_length() - _BEFORE_RESULT
    if result_bits <= 0:  # no start bit, or nothing is clocked out after it
        return [0] * len(sent)
    command = bits >> (bits.bit_length() - 2 - _CHANNEL_BITS)
    if not command >> _CHANNEL_BITS & 1:
        raise NotImplementedError("no driver of ours asks for a difference of two channels")
    share = inputs.get(command & (1 << _CHANNEL_BITS) - 1, 0.0)
    code = min(max(int(share * (1 << result_bits)), 0), (1 << result_bits) - 1)
    return list(code.to_bytes(clocks // _WORD_BITS, "big"))


class SimSpi(SPI):  # type: ignore[misc]
    """An SPI line with a converter at its end. `pin_factory` is a `SimFactory`."""

    def __init__(
        self, clock_pin: int, mosi_pin: int, miso_pin: int, select_pin: int, *, pin_factory: Any
    ) -> None:
        """Reserve the pins, as the kernel's own SPI does."""
        self._inputs: Mapping[int, float] | None = None
        super().__init__(pin_factory=pin_factory)
        pin_factory.reserve_pins(self, clock_pin, mosi_pin, miso_pin, select_pin)
        # The pin library names its pins; the world numbers them.
        self._inputs = pin_factory.analog_inputs(pin_factory.pin(select_pin)._number)

    def _conflicts_with(self, other: object) -> bool:
        """Converters share a bus, and two channels of one chip share all four pins."""
        return not isinstance(other, SimSpi)

    def close(self) -> None:
        """Give the pins back."""
        if self._inputs is not None:
            self._inputs = None
            self.pin_factory.release_all(self)
        super().close()

    @property
    def closed(self) -> bool:
        """Whether the pins were given back."""
        return self._inputs is None

    def transfer(self, data: Sequence[int]) -> list[int]:
        """Return the words that come in while `data` goes out."""
        self._check_open()
        return converted(data, self._inputs or {})

    def _get_clock_mode(self) -> int:
        return 0


class AnalogBench(Protocol):
    """The converters of the machine that the program under test runs on, seen from outside."""

    def analog(self, select_pin: int, channel: int, share: float, at_s: float) -> None:
        """Put a voltage, as a share of the reference, on a converter's input."""


class Probe(Protocol):
    """A level probe as the config describes it."""

    @property
    def select_pin(self) -> int:
        """The pin that selects its converter."""

    @property
    def channel(self) -> int:
        """The converter's input."""

    @property
    def zero_v(self) -> float:
        """Volts at the floor of the vessel."""

    @property
    def full_v(self) -> float:
        """Volts at `span_m`."""

    @property
    def span_m(self) -> float:
        """The level of the second point."""

    @property
    def reference_v(self) -> float:
        """Volts at which the converter is at its end."""


class LevelConverter:
    """A level probe in the water: turns a level into what stands at its converter's input."""

    def __init__(self, bench: AnalogBench, probe: Probe) -> None:
        """Belong to a bench; nothing is put on the input before the first `set_m`."""
        self._bench = bench
        self._probe = probe

    def set_m(self, level_m: float, at_s: float) -> None:
        """Have the probe see this level (m above the floor, noise and waves included)."""
        probe = self._probe
        self.set_volts(probe.zero_v + level_m / probe.span_m * (probe.full_v - probe.zero_v), at_s)

    def set_volts(self, volts: float, at_s: float) -> None:
        """Put a voltage on the input; 0 is a broken wire where a resistor pulls the input down."""
        probe = self._probe
        share = min(max(volts / probe.reference_v, 0.0), 1.0)
        self._bench.analog(probe.select_pin, probe.channel, share, at_s)
