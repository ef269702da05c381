"""What the roles need from the world, as Protocols. Fakes and real parts satisfy the same ones."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator, Callable
from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from monitor.core.exchange import Incoming, Message
from monitor.core.plan import Fill, Plan
from monitor.core.reading import Kind, Sample


class Clock(Protocol):
    """Time for the shells. The core never sees this: it gets seconds as arguments."""

    def now_s(self) -> float:
        """Return monotonic seconds; under lock-step simulation, simulated seconds."""

    def wall(self) -> datetime:
        """Return the time of day (aware, UTC), for records only: no decision uses it."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Block the calling *thread* until `event` is set or `timeout_s` has passed.

        Return whether the event was set. Under lock-step the time-out is simulated time, and
        simulated time does not pass the thread by while it works.
        """


class Ledger(Protocol):
    """What is still on its way, so that a lock-step clock knows when it may move on.

    Every call is cheap, synchronous, thread-safe and never raises. `client` is the link's client
    id. In real time `NO_LEDGER` (below) does nothing.
    """

    def online(self, client: str, filters: tuple[str, ...]) -> None:
        """The broker has acknowledged this client's subscriptions."""

    def offline(self, client: str) -> None:
        """The client's connection is gone, and with it all that was on its way to it."""

    def sent(self, topic: str) -> None:
        """A message was accepted for sending: each online subscriber of the topic now owes
        one `handled`.
        """

    def lost(self, topic: str) -> None:
        """A message that was `sent` will not reach the broker after all."""

    def handled(self, client: str, topic: str) -> None:
        """The client's owner has taken the message and acted on it."""

    def busy(self, client: str) -> None:
        """A handshake with the broker (connect, subscribe, acknowledgement) has begun."""

    def idle(self, client: str) -> None:
        """The handshake has ended, well or badly."""


class NoLedger:
    """The ledger of real time: nothing is counted."""

    def online(self, client: str, filters: tuple[str, ...]) -> None:
        """Do nothing."""

    def offline(self, client: str) -> None:
        """Do nothing."""

    def sent(self, topic: str) -> None:
        """Do nothing."""

    def lost(self, topic: str) -> None:
        """Do nothing."""

    def handled(self, client: str, topic: str) -> None:
        """Do nothing."""

    def busy(self, client: str) -> None:
        """Do nothing."""

    def idle(self, client: str) -> None:
        """Do nothing."""


NO_LEDGER = NoLedger()


class Sensor(Protocol):
    """An async sensor driver. Entering it claims the part; leaving it lets go."""

    @property
    def id(self) -> str:
        """The sensor's name in the config."""

    @property
    def kind(self) -> Kind:
        """What it measures."""

    async def __aenter__(self) -> Self:
        """Claim the part and read its first state."""

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of the part."""

    def watch(self, notify: Callable[[Sample], None]) -> None:
        """Call `notify` in the event loop whenever the debounced state changes (edges)."""

    def sample(self, now_s: float) -> Sample:
        """Return the state now: cheap, never blocks, never raises. Also polls the pin."""


class ValveRelay(Protocol):
    """The relay that energises the normally-closed valve. Created released."""

    @property
    def energised(self) -> bool:
        """Whether the coil is commanded on, as read back from the pin."""

    def energise(self) -> None:
        """Open the valve. Only the guard's output may call this."""

    def release(self) -> None:
        """Shut the valve. Any thread may call this, at any time, any number of times."""

    def close(self) -> None:
        """Release and give the pin back."""


class Buzzer(Protocol):
    """The sounder beside the tank."""

    def sound(self, on: bool) -> None:
        """Start or stop sounding."""

    def close(self) -> None:
        """Fall silent and give the pin back."""


class Link(Protocol):
    """Typed messages over a broker (or in memory). Never raises for what the network does."""

    @property
    def client_id(self) -> str:
        """The name this client has at the broker."""

    @property
    def connected(self) -> bool:
        """Whether the broker answers and the subscriptions stand."""

    async def __aenter__(self) -> Self:
        """Start connecting in the background; return at once."""

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say goodbye (clean presence) and disconnect, bounded in time."""

    def send(self, message: Message) -> bool:
        """Queue a message. False when it cannot go out (not connected, or the queue is full)."""

    def on_connection(self, notify: Callable[[bool], None]) -> None:
        """Call `notify` in the event loop whenever `connected` changes."""

    def incoming(self) -> AsyncIterator[Incoming]:
        """Yield decoded messages for ever, from a bounded queue; malformed ones are dropped and
        counted. The previous message counts as handled when the next is asked for.
        """


class Record(Protocol):
    """Where fills are kept. Never blocks and never raises, but for `interrupted`, which waits."""

    def interrupted(self, station: str) -> tuple[str, ...]:
        """Return the ids of fills that began and never ended. May wait for the disk, bounded."""

    def begin(self, plan: Plan, fill: Fill, now_s: float, simulated: bool) -> None:
        """A fill's valve is about to open."""

    def sample(
        self,
        fill: str,
        t_s: float,
        temp_c: float | None,
        flow_lpm: float | None,
        volume_l: float,
        phase: str,
    ) -> None:
        """Keep one moment of a running fill, `t_s` seconds after it began."""

    def end(self, fill: Fill, cause: str) -> None:
        """A fill is over; `fill.ended` says how. May be called again with better figures."""

    def interrupt(self, fill: str, cause: str) -> None:
        """A fill left open by an earlier run is over, at its last sample."""

    def alarm(
        self,
        station: str,
        rule: str,
        severity: str,
        text: str,
        active: bool,
        fill: str | None,
        now_s: float,
    ) -> None:
        """An alarm was raised, changed or cleared."""

    def event(self, station: str, kind: str, text: str, fill: str | None, now_s: float) -> None:
        """Anything else worth keeping."""

    def health(self) -> str:
        """Return one sentence on how the record fares; empty when all is well."""
