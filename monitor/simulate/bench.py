"""The pins of the machine that the program under test runs on, seen from outside."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Protocol

from monitor.errors import ConfigError


class Bench(Protocol):
    """The pins of the machine that the program under test runs on, seen from outside."""

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Put a level on an input pin."""

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Put short low pulses on an input pin, their falling edges at these times, in order."""

    def analog(self, select_pin: int, channel: int, share: float, at_s: float) -> None:
        """Put a voltage, as a share of the reference, on a converter's input."""

    def output(self, pin: int) -> bool:
        """Return the level on an output pin: True is high."""


class SimPin(Protocol):
    """What of a gpiozero mock pin is used here."""

    @property
    def function(self) -> str:
        """Return "input" or "output"."""

    @property
    def state(self) -> bool:
        """Return the level."""

    def drive_high(self) -> None:
        """Pull the input up from outside."""

    def drive_low(self) -> None:
        """Pull the input down from outside."""


class PinSource(Protocol):
    """What of a gpiozero mock factory is used here."""

    def pin(self, name: int) -> SimPin:
        """Return the pin of this BCM number, the same object every time."""


class LocalBench:
    """Mock pins in this process. Works with any `gpiozero` MockFactory.

    A pin class with methods `drive(high, at_s)` and `pulse(at_s)` gets its edges through them, with
    their exact times; on others an edge happens when the call does. `rest_high` names the pins
    that an external resistor pulls high while nobody drives them.
    """

    def __init__(self, factory: PinSource, *, rest_high: Collection[int] = ()) -> None:
        self._factory = factory
        self._rest_high = frozenset(rest_high)
        self._pins: dict[int, SimPin] = {}

    def _pin(self, number: int) -> SimPin:
        pin = self._pins.get(number)
        if pin is None:
            pin = self._pins[number] = self._factory.pin(number)
        return pin

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Put a level on an input pin."""
        target = self._pin(pin)
        timed: Callable[[bool, float], None] | None = getattr(target, "drive", None)
        if timed is not None:
            timed(high, at_s)
        elif high:
            target.drive_high()
        else:
            target.drive_low()

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Put short low pulses on an input pin, as an open-collector meter does."""
        target = self._pin(pin)
        pulse: Callable[[float], None] | None = getattr(target, "pulse", None)
        for at_s in times_s:
            if pulse is not None:
                pulse(at_s)
            else:
                target.drive_low()
                target.drive_high()

    def analog(self, select_pin: int, channel: int, share: float, at_s: float) -> None:
        """Put a voltage, as a share of the reference, on a converter's input.

        Raises:
            ConfigError: the factory has no converters; only `SimFactory` does.
        """
        inputs: Callable[[int], dict[int, float]] | None = getattr(
            self._factory, "analog_inputs", None
        )
        if inputs is None:
            raise ConfigError("these pins have no converters", fix="use a SimFactory")
        inputs(select_pin)[channel] = share

    def output(self, pin: int) -> bool:
        """Return the level: that of the resistor when the program does not drive the pin."""
        target = self._pin(pin)
        return bool(target.state) if target.function == "output" else pin in self._rest_high
