"""The sounder beside the tank."""

from __future__ import annotations

import logging

from monitor.drivers.gpio import PinFactory
from monitor.drivers.output import Output
from monitor.errors import HardwareError

log = logging.getLogger(__name__)


class Sounder:
    """A buzzer on a pin. See `ports.Buzzer`.

    Raises:
        HardwareError: the pin cannot be claimed (on construction).
    """

    def __init__(self, *, pin: int, factory: PinFactory, active_high: bool = True) -> None:
        """Claim the pin, silent."""
        self._output = Output(pin, active_high=active_high, factory=factory)
        self._told = False

    @property
    def sounding(self) -> bool:
        """Whether it is commanded to sound, as read back from the pin."""
        return self._output.active

    def sound(self, on: bool) -> None:
        """Start or stop sounding. Never raises: a dead buzzer must not keep a valve open."""
        if not on:
            self._output.off()
            return
        try:
            self._output.on()
        except HardwareError as error:
            if not self._told:
                self._told = True
                log.error("the buzzer stays silent: %s", error)

    def close(self) -> None:
        """Fall silent and give the pin back. Also done when the program ends."""
        self._output.close()
