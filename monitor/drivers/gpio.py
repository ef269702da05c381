"""The little of gpiozero that the drivers stand on, typed, with every edge callback made safe."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Literal, Protocol

from gpiozero import GPIODevice

from monitor.errors import HardwareError

log = logging.getLogger(__name__)


class PinFactory(Protocol):
    """A gpiozero pin factory, as far as the drivers use it."""

    def ticks(self) -> float:
        """Return the factory's time; only differences mean anything."""

    def ticks_diff(self, later: float, earlier: float) -> float:
        """Return the seconds between two ticks."""

    def pin(self, name: int) -> Any:
        """Return the pin with a BCM number: always the same object for the same pin."""


def refused(pin: int, error: Exception) -> HardwareError:
    """Return the error of a pin that could not be claimed, with its cause."""
    return HardwareError(
        f"the pin could not be claimed: {error}",
        where=f"GPIO {pin}",
        allowed="a free GPIO line that this user may open",
        fix="give each part a pin of its own, stop other programs that hold it, "
        "and let the user into the group gpio",
    )


class InputLine:
    """One input with its pull-up on and its edges wired to `on_edge(ticks, high)`.

    `on_edge` runs in whatever thread the factory calls from. What it raises is caught here: over
    lgpio one exception would end the only notify thread, and edges on all pins would go silent.

    Raises:
        HardwareError: the pin does not exist, is in use, or may not be opened.
    """

    def __init__(
        self,
        pin: int,
        *,
        factory: PinFactory,
        edges: Literal["both", "falling"],
        on_edge: Callable[[float, bool], None],
    ) -> None:
        """Claim the pin; edges are live before the constructor returns."""
        self.failures = 0
        self._where = f"GPIO {pin}"
        self._on_edge = on_edge
        self._device: Any = None
        try:
            self._device = GPIODevice(pin, pin_factory=factory)
            line = self._device.pin
            line.input_with_pull("up")
            line.edges = edges
            line.when_changed = self._changed
        except Exception as error:
            self.close()
            raise refused(pin, error) from error

    def high(self) -> bool | None:
        """Return the level of the line now, None when it cannot be read."""
        try:
            return bool(self._device.pin.state)
        except Exception as error:  # noqa: BLE001 - each pin library fails in its own way
            self._failed("cannot be read", error)
            return None

    def close(self) -> None:
        """Stop the edges and give the pin back. Never raises; calling it again does nothing."""
        device, self._device = self._device, None
        if device is None:
            return
        try:
            device.pin.when_changed = None
            device.close()
        except Exception as error:  # noqa: BLE001 - each pin library fails in its own way
            self._failed("could not be given back", error)

    def _changed(self, ticks: float, state: int) -> None:
        try:
            self._on_edge(ticks, bool(state))
        except Exception as error:  # noqa: BLE001 - nothing at all may get out of here
            self._failed("has an edge that could not be handled", error)

    def _failed(self, what: str, error: Exception) -> None:
        # A broken line fails at every poll: the first time tells all, the rest are only counted.
        self.failures += 1
        if self.failures == 1:
            log.error("%s %s", self._where, what, exc_info=error)
