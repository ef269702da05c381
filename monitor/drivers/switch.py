"""Float switches and leak probes: contacts on a pulled-up pin, debounced with a bound.

Edges arrive in the pin library's thread and are handed over to the event loop, any number of them
as one call. The pin is also read at least every `poll_s`, so that a dead edge thread delays a trip
by no more than that. One timer serves both the polling and the debounce.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from types import TracebackType
from typing import Literal, Self

from monitor.core.debounce import (
    FLOAT_DEBOUNCE,
    FLOAT_WORST,
    LEAK_DEBOUNCE,
    LEAK_WORST,
    Debounce,
)
from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.gpio import InputLine, PinFactory
from monitor.errors import HardwareError

POLL_S = 0.25
SETTLE_S = 0.01  # a long cable with its filter capacitor needs a moment after the pull-up comes on


class Switch:
    """A two-state contact as a sensor: 1.0 when active, 0.0 when not. See `ports.Sensor`.

    `active_high` is the pin level that means active. A contact found active at the start counts at
    once. `debounce` and `poll_s` together must keep inside `worst`.

    Raises:
        HardwareError: the debounce is slower than `worst` allows (on construction), or the pin
            cannot be claimed (on entering).
    """

    def __init__(
        self,
        *,
        sensor_id: str,
        kind: Kind,
        pin: int,
        active_high: bool,
        factory: PinFactory,
        debounce: Debounce,
        worst: Debounce,
        poll_s: float = POLL_S,
    ) -> None:
        """Keep the arguments; nothing is claimed before the driver is entered."""
        # Written so that a NaN is refused too.
        if not (
            poll_s > 0
            and debounce.hold_s + poll_s <= worst.hold_s
            and debounce.bound_s + poll_s <= worst.bound_s
            and debounce.hold_s <= debounce.release_s <= worst.release_s
        ):
            raise HardwareError(
                f"{debounce} polled every {poll_s} s could delay or hide a trip",
                where=sensor_id,
                allowed=f"poll_s > 0, hold_s + poll_s <= {worst.hold_s} s, "
                f"bound_s + poll_s <= {worst.bound_s} s, "
                f"hold_s <= release_s <= {worst.release_s} s",
                fix="shorten the debounce or the poll period",
            )
        self._id = sensor_id
        self._kind = kind
        self._pin = pin
        self._active_high = active_high
        self._factory = factory
        self._debounce = debounce
        self._poll_s = poll_s
        self._line: InputLine | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._notify: Callable[[Sample], None] | None = None
        self._contact = debounce.start(False, 0.0)
        self._fault: Fault | None = Fault.MISSING
        self._active_edges = 0  # written by the edge thread alone
        self._active_edges_seen = 0  # written by the event loop alone
        self._handover_due = False

    @property
    def id(self) -> str:
        """The sensor's name in the config."""
        return self._id

    @property
    def kind(self) -> Kind:
        """What it measures."""
        return self._kind

    async def __aenter__(self) -> Self:
        """Claim the pin and read its first state: a contact already made gives no edge."""
        self._loop = asyncio.get_running_loop()
        self._line = InputLine(
            self._pin, factory=self._factory, edges="both", on_edge=self._on_edge
        )
        try:
            await asyncio.sleep(SETTLE_S)
        except BaseException:
            # Cancelled here, nobody will leave what was never entered.
            await self.__aexit__(None, None, None)
            raise
        active = self._read()
        self._fault = Fault.ERROR if active is None else None
        self._contact = self._debounce.start(active is not False, self._loop.time())
        self._arm(self._loop)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the timer and give the pin back."""
        if self._timer is not None:
            self._timer.cancel()
        if self._line is not None:
            self._line.close()
        self._timer = self._line = self._loop = None
        self._fault = Fault.MISSING

    def watch(self, notify: Callable[[Sample], None]) -> None:
        """Call `notify` in the event loop whenever the debounced state or the fault changes.

        One watcher: the last one wins.
        """
        self._notify = notify

    def sample(self, now_s: float) -> Sample:
        """Return the state now, after reading the pin."""
        self._poll()
        return self._sample(now_s)

    def _sample(self, now_s: float) -> Sample:
        value = None if self._fault is not None else 1.0 if self._contact.active else 0.0
        return Sample(self._id, self._kind, now_s, value, self._fault)

    def _read(self) -> bool | None:
        """Return whether the contact is active now, None when the pin cannot be read."""
        high = None if self._line is None else self._line.high()
        return None if high is None else high == self._active_high

    def _on_edge(self, _ticks: float, high: bool) -> None:
        """Hand an edge over to the event loop; runs in any thread, the loop's own included."""
        if high == self._active_high:
            self._active_edges += 1
        loop = self._loop
        # However fast a contact chatters, one hand-over at a time waits in the loop.
        if loop is not None and not self._handover_due:
            self._handover_due = True
            loop.call_soon_threadsafe(self._handover)

    def _handover(self) -> None:
        # Cleared before the pin is read: an edge from here on asks for another hand-over.
        self._handover_due = False
        self._poll()

    def _poll(self) -> None:
        """Read the pin, step the debounce, tell the watcher of a change, set the timer."""
        loop = self._loop
        if loop is None:
            return
        now_s = loop.time()
        before = (self._contact.active, self._fault)
        edges = self._active_edges
        active = self._read()
        if active is None:
            self._fault = Fault.ERROR
        else:
            self._fault = None
            if edges != self._active_edges_seen and not active:
                # It was active and is no longer: chatter counts, however short.
                self._contact = self._debounce.step(self._contact, True, now_s)
            self._contact = self._debounce.step(self._contact, active, now_s)
        self._active_edges_seen = edges
        if before != (self._contact.active, self._fault) and self._notify is not None:
            loop.call_soon(self._notify, self._sample(now_s))
        self._arm(loop)

    def _arm(self, loop: asyncio.AbstractEventLoop) -> None:
        """Poll again at the debounce's deadline or after `poll_s`, whichever comes first."""
        if self._timer is not None:
            self._timer.cancel()
        due_s = loop.time() + self._poll_s
        deadline_s = self._debounce.deadline(self._contact)
        self._timer = loop.call_at(
            due_s if deadline_s is None else min(due_s, deadline_s), self._poll
        )


class FloatSwitch(Switch):
    """A normally-closed float loop to ground: 1.0 means high water or a broken wire (pin high)."""

    def __init__(
        self,
        *,
        sensor_id: str,
        pin: int,
        factory: PinFactory,
        debounce: Debounce = FLOAT_DEBOUNCE,
        poll_s: float = POLL_S,
    ) -> None:
        """See `Switch`."""
        super().__init__(
            sensor_id=sensor_id,
            kind=Kind.FLOAT,
            pin=pin,
            active_high=True,
            factory=factory,
            debounce=debounce,
            worst=FLOAT_WORST,
            poll_s=poll_s,
        )


class LeakProbe(Switch):
    """A leak probe to ground: 1.0 means wet. `wet_when` is what water does to its circuit."""

    def __init__(
        self,
        *,
        sensor_id: str,
        pin: int,
        factory: PinFactory,
        wet_when: Literal["closed", "open"] = "closed",
        debounce: Debounce = LEAK_DEBOUNCE,
        poll_s: float = POLL_S,
    ) -> None:
        """See `Switch`."""
        super().__init__(
            sensor_id=sensor_id,
            kind=Kind.LEAK,
            pin=pin,
            active_high=wet_when == "open",
            factory=factory,
            debounce=debounce,
            worst=LEAK_WORST,
            poll_s=poll_s,
        )
