"""The relay of the valve: released unless somebody is energising it this very moment."""

from __future__ import annotations

from monitor.drivers.gpio import PinFactory
from monitor.drivers.output import Output


class Relay:
    """The relay that energises the normally-closed valve. See `ports.ValveRelay`.

    Raises:
        HardwareError: the pin cannot be claimed (on construction) or written (`energise`).
    """

    def __init__(self, *, pin: int, factory: PinFactory, active_high: bool = True) -> None:
        """Claim the pin, released."""
        self._output = Output(pin, active_high=active_high, factory=factory)

    @property
    def energised(self) -> bool:
        """Whether the coil is commanded on, as read back; True when the pin cannot be read."""
        return self._output.active

    def energise(self) -> None:
        """Open the valve. Only the guard's output may call this."""
        self._output.on()

    def release(self) -> None:
        """Shut the valve. Never raises; any thread, at any time, any number of times."""
        self._output.off()

    def close(self) -> None:
        """Release and give the pin back. Also done when the program ends."""
        self._output.close()
