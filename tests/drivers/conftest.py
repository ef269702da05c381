"""What the driver suite runs on: kinds of pins as parameters, and a loop on simulated time."""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Callable, Coroutine, Iterator, MutableMapping
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory, MockSPIDevice

from monitor.simulate.pins import SimFactory


class Bench:
    """Pins under test with the world's side of them.

    Another kind of pins (a simulated GPIO chip under a real kernel, say) joins the suite as one
    more subclass in `BENCHES`: it needs the same methods.
    """

    def __init__(self, factory: Any) -> None:
        self.factory = factory

    def drive(self, pin: int, high: bool) -> None:
        """Put a level on an input, as a wire does."""
        line = self.factory.pin(pin)
        (line.drive_high if high else line.drive_low)()

    def output(self, pin: int) -> bool | None:
        """Return the level the program drives a pin to, None when it drives nothing."""
        line = self.factory.pin(pin)
        return bool(line.state) if line.function == "output" else None

    def deafen(self, pin: int) -> None:
        """Let no edge through any more, as when the thread that brings them has died."""
        self.factory.pin(pin).when_changed = None

    def converter(self, bits: int, *pins: int) -> MutableMapping[int, float]:
        """Solder a converter on (clock, MOSI, MISO, select) and return its inputs: shares of its
        reference by channel.
        """
        raise NotImplementedError


class Converter(MockSPIDevice):
    """A converter of the MCP3004/3008/3204/3208 family, one clock of its data sheet at a time.

    Microchip DS21295 (10 bits) and DS21298 (12 bits), "Serial communication" (from memory): the
    first 1 after the select falls is the start bit; then single-ended or differential and three
    bits of channel; one clock to sample; a null bit; then the result, its highest bit first. The
    code is 2^bits · V_in / V_ref.
    """

    def __init__(self, bits: int, *pins: int, pin_factory: MockFactory) -> None:
        super().__init__(*pins, pin_factory=pin_factory)
        self.bits = bits
        self.inputs: dict[int, float] = {}

    def on_bit(self) -> None:
        if 1 not in self.rx_buf:
            self.rx_buf.clear()  # leading zeros
        elif len(self.rx_buf) == 5:
            _, single, *channel = self.rx_buf
            assert single
            share = self.inputs.get(channel[0] << 2 | channel[1] << 1 | channel[2], 0.0)
            self.tx_word(0, 2)  # sampling, and the null bit
            self.tx_word(min(int(share * 2**self.bits), 2**self.bits - 1), self.bits)


class MockBench(Bench):
    def __init__(self) -> None:
        super().__init__(MockFactory())

    def converter(self, bits: int, *pins: int) -> MutableMapping[int, float]:
        chip = Converter(bits, *pins, pin_factory=self.factory)
        chip.select_pin.drive_high()  # as GPIO 7 and 8 are pulled at power-on
        return chip.inputs


class SimBench(Bench):
    def __init__(self) -> None:
        super().__init__(SimFactory(time.monotonic))

    def converter(self, bits: int, *pins: int) -> MutableMapping[int, float]:
        inputs: dict[int, float] = self.factory.analog_inputs(pins[-1])
        return inputs


BENCHES: dict[str, Callable[[], Bench]] = {"mock": MockBench, "sim": SimBench}


@pytest.fixture(params=BENCHES)
def bench(request: pytest.FixtureRequest) -> Bench:
    """Each kind of pins in turn."""
    return BENCHES[request.param]()


@pytest.fixture(scope="session")
def benches() -> dict[str, Callable[[], Bench]]:
    """What makes each kind of pins, for a test that compares them."""
    return BENCHES


class JumpingSelector(selectors.DefaultSelector):
    """Instead of waiting for the next deadline, moves the loop's time there."""

    now_s = 1000.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        events = super().select(0 if timeout is not None else None)
        if not events and timeout is not None:
            self.now_s += timeout
        return events


class JumpingLoop(asyncio.SelectorEventLoop):
    """An event loop on simulated time, for drivers that do nothing outside it."""

    def __init__(self) -> None:
        self._jumping = JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s


@pytest.fixture
def simulated() -> Iterator[Callable[[Coroutine[Any, Any, None]], None]]:
    """Return a function that runs a coroutine to its end on simulated time."""
    with asyncio.Runner(loop_factory=JumpingLoop) as runner:
        yield runner.run


@pytest.fixture
def w1_pad() -> Callable[..., bytes]:
    """Return a function that makes a valid scratchpad from a raw reading, by the reference CRC."""
    crc = pytest.importorskip("crccheck.crc").Crc8Maxim

    def pad(raw: int, config: int = 0x7F, byte_6: int | None = None) -> bytes:
        sixth = 0x10 - (raw & 0x0F) if byte_6 is None else byte_6
        low, high = raw & 0xFF, raw >> 8 & 0xFF
        data = bytes([low, high, 0x4B, 0x46, config, 0xFF, sixth, 0x10])
        return data + bytes([crc.calc(data)])

    return pad


@pytest.fixture
def w1_text() -> Callable[[bytes], str]:
    """Return a function that words a scratchpad as the kernel's `w1_slave` file does."""

    def text(pad: bytes, verdict: str = "YES") -> str:
        shown = pad.hex(" ")
        milli = int(int.from_bytes(pad[:2], "little", signed=True) * 1000 / 16)
        return f"{shown} : crc={pad[8]:02x} {verdict}\n{shown} t={milli}\n"

    return text
