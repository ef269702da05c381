"""What the driver suite runs on: kinds of pins as parameters, and a loop on simulated time."""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Callable, Coroutine, Iterator
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.simulate.pins import SimFactory


class Bench:
    """Pins under test with the world's side of them.

    Another kind of pins (a simulated GPIO chip under a real kernel, say) joins the suite as one
    more subclass in `BENCHES`: it needs the same three methods.
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


class MockBench(Bench):
    def __init__(self) -> None:
        super().__init__(MockFactory())


class SimBench(Bench):
    def __init__(self) -> None:
        super().__init__(SimFactory(time.monotonic))


BENCHES: dict[str, Callable[[], Bench]] = {"mock": MockBench, "sim": SimBench}


@pytest.fixture(params=BENCHES)
def bench(request: pytest.FixtureRequest) -> Bench:
    """Each kind of pins in turn."""
    return BENCHES[request.param]()


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
