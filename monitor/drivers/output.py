"""One output line that is off from the moment it is claimed until the program is gone."""

from __future__ import annotations

import atexit
import logging
from typing import Any

from gpiozero import DeviceClosed, OutputDevice

from monitor.drivers.gpio import PinFactory, refused
from monitor.errors import HardwareError

log = logging.getLogger(__name__)


class Output:
    """A pin that is on or off, claimed at its off level, off again when the program ends.

    No lock: switching off must not wait for anybody. A race between `on` and `close` is harmless,
    for a closed pin is an input and drives nothing. On a signal that ends the program without
    clean-up the line is the kernel's to release: the relay's input needs a resistor that pulls it
    to its off level.

    Raises:
        HardwareError: the pin does not exist, is in use, or may not be opened.
    """

    def __init__(self, pin: int, *, active_high: bool, factory: PinFactory) -> None:
        """Claim the pin at its off level."""
        self._where = f"GPIO {pin}"
        self._closed = False
        self._told_unreadable = False
        try:
            self._device: Any = OutputDevice(
                pin, active_high=active_high, initial_value=False, pin_factory=factory
            )
        except Exception as error:
            raise refused(pin, error) from error
        atexit.register(self.close)

    @property
    def active(self) -> bool:
        """Whether the pin is driven to its on level, as read back; True when nobody can tell."""
        try:
            return bool(self._device.pin.function == "output" and self._device.value)
        except Exception:
            if self._closed:
                return False
            if not self._told_unreadable:
                self._told_unreadable = True
                log.exception("%s cannot be read back", self._where)
            return True

    def on(self) -> None:
        """Drive the pin to its on level.

        Raises:
            HardwareError: the pin was closed, or cannot be written.
        """
        try:
            if self._closed:
                raise DeviceClosed("it was given back before")
            self._device.on()
        except Exception as error:
            raise HardwareError(
                f"the output could not be switched on: {error}",
                where=self._where,
                allowed="a claimed output line",
                fix="restart the node, and check the wiring if it comes back",
            ) from error

    def off(self) -> None:
        """Drive the pin to its off level. Never raises; any thread, any number of times."""
        if self._closed:
            return
        try:
            self._device.off()
        except Exception:
            if not self._closed:
                log.exception("%s cannot be switched off: making it an input", self._where)
                self._let_go()

    def close(self) -> None:
        """Switch off and give the pin back. Never raises; calling it again does nothing."""
        self.off()
        self._closed = True
        atexit.unregister(self.close)
        try:
            self._device.close()
        except Exception:
            log.exception("%s could not be given back", self._where)

    def _let_go(self) -> None:
        """Stop driving the line at all: the resistor on the relay's input then decides."""
        try:
            self._device.pin.function = "input"
        except Exception:
            log.exception("%s cannot be made an input either", self._where)
