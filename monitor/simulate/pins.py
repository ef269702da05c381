"""Mock pins on simulated time: real gpiozero pins to the drivers, quick and bounded for long runs.

They differ from gpiozero's own mock pins in three ways. Edges carry simulated time. The history is
bounded. And what the simulated world drives a pin to stays: a driver that claims the pin and turns
its pull-up on does not overrule the wire, as little as on a real board.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from gpiozero import PinSetInput
from gpiozero.pins.mock import MockFactory, MockPin, PinState

from monitor.simulate.spi import SimSpi

HISTORY_MAX = 64


class LeanMockPin(MockPin):  # type: ignore[misc]
    """A gpiozero mock pin that the simulated world drives at given times."""

    _driven: bool | None = None  # the level the world holds an input at; None when nothing does
    _pulling = False

    def drive(self, high: bool, at_s: float | None = None) -> None:
        """Hold the input at a level from `at_s` (now when None) on; an edge fires its callback.

        Raises:
            PinSetInput: the pin is an output.
        """
        if self._function != "input":
            raise PinSetInput(f"{self!r} is an output, the world cannot drive it")
        self._driven = high
        self._level(high, at_s)

    def pulse(self, at_s: float | None = None) -> None:
        """Give one short low pulse at `at_s`, as an open-collector flow meter does."""
        self.drive(False, at_s)
        self.drive(True, at_s)

    def undrive(self) -> None:
        """Cut the wire: the pull alone decides again."""
        self._driven = None
        self._set_pull(self._pull)

    def drive_high(self) -> None:
        """Drive the input high now."""
        self._pull_or_drive(True)

    def drive_low(self) -> None:
        """Drive the input low now."""
        self._pull_or_drive(False)

    def output_with_state(self, state: float) -> None:
        """Become an output at `state` in one go, as a line claimed at its level does."""
        self._state = bool(state)
        self._set_function("output")

    def clear_states(self) -> None:
        """Forget the history."""
        self._last_change = self._factory.ticks()
        self.states = deque([PinState(0.0, self._state)], maxlen=HISTORY_MAX)

    def _pull_or_drive(self, high: bool) -> None:
        # gpiozero's mock pins act out their pull by these very calls.
        if not self._pulling:
            self.drive(high)
        elif self._driven is None:
            self._level(high, None)

    def _set_pull(self, value: str) -> None:
        self._pulling = True
        try:
            super()._set_pull(value)
        finally:
            self._pulling = False
        if self._driven is not None:
            self._level(self._driven, None)

    def _set_function(self, value: str) -> None:
        was = self._function
        super()._set_function(value)
        if "output" in (was, value):
            self._factory.report(self._number, self._state if value == "output" else None)

    def _change_state(self, value: bool) -> bool:
        changed: bool = self._state != value
        self._level(value, None)
        return changed

    def _level(self, high: bool, at_s: float | None) -> None:
        """Go to a level; as an input fire the edge, as an output tell the world."""
        if self._state == high:
            return
        now_s = self._factory.ticks() if at_s is None else at_s
        self._state = high
        self.states.append(PinState(now_s - self._last_change, high))
        self._last_change = now_s
        if self._function != "input":
            self._factory.report(self._number, high)
        elif self._when_changed is not None and self._edges in _EDGES[high]:
            self._call_when_changed()


_EDGES = {True: ("both", "rising"), False: ("both", "falling")}


class SimFactory(MockFactory):  # type: ignore[misc]
    """Mock pins whose ticks are simulated seconds.

    `on_output(pin, level, at_s)` hears of every change of an output, None when the pin is an output
    no longer.
    """

    def __init__(
        self,
        now_s: Callable[[], float],
        *,
        on_output: Callable[[int, bool | None, float], None] | None = None,
        revision: str | None = None,
    ) -> None:
        """Take the simulated clock."""
        self._now_s = now_s
        self._on_output = on_output
        self._analog: dict[int, dict[int, float]] = {}
        super().__init__(revision, LeanMockPin)

    def ticks(self) -> float:
        """Return the simulated time."""
        return self._now_s()

    def analog_inputs(self, select_pin: int) -> dict[int, float]:
        """Return the inputs of the converter with this select pin: shares of its reference by
        channel. The same object every time, for the world to write and the converter to read.
        """
        return self._analog.setdefault(select_pin, {})

    def _get_spi_class(self, shared: bool, hardware: bool) -> type[SimSpi]:
        return SimSpi

    def report(self, pin: int, level: bool | None) -> None:
        """Tell the listener of an output's new level; called by the pins."""
        if self._on_output is not None:
            self._on_output(pin, level, self._now_s())
