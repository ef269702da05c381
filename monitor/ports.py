"""What the roles need from the world, as Protocols. Fakes and real parts satisfy the same ones."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator, Callable
from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from monitor.core.events import Given
from monitor.core.exchange import Incoming, Message
from monitor.core.facts import Facts
from monitor.core.plan import Fill, Plan, Station
from monitor.core.priors import Priors
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
    """The relay that lets water flow: it energises the normally-closed valve, or a drain's valve or
    pump. Created released.
    """

    @property
    def energised(self) -> bool:
        """Whether the coil is commanded on, as read back from the pin."""

    def energise(self) -> None:
        """Let water flow. Only a gate may call this, on its guard's word."""

    def release(self) -> None:
        """Let no water flow. Any thread may call this, at any time, any number of times."""

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

    @property
    def rejected(self) -> int:
        """How many arrived messages were dropped so far: unreadable, or one too many."""

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
    """Where fills are kept. Never raises, and never blocks but for the questions `interrupted`,
    `facts` and `priors`, which may wait for the disk, bounded: ask them outside the event loop.
    """

    def interrupted(self, station: str) -> tuple[str, ...]:
        """Return the ids of fills that began and never ended."""

    def facts(self, station: str, now_s: float, simulated: bool) -> Facts:
        """Return the station's upkeep, its moments as engine seconds where `now_s` is now.

        `record` is `health()`; what else the record cannot know is left at its default. A
        simulation is told of simulated upkeep only, a real station of real upkeep only.
        """

    def priors(self, station: str, simulated: bool) -> Priors:
        """Return what the station's last fills teach: simulated or real ones, never both."""

    def note(self, station: str, what: str, part: str, by: str, simulated: bool) -> None:
        """A person has done or proven something: see `events.Noted`. `facts` knows it at once."""

    def begin(
        self,
        plan: Plan,
        fill: Fill,
        now_s: float,
        simulated: bool,
        drained_l: float | None = None,
    ) -> None:
        """A fill's or a drain's way is about to open; `drained_l` is what a fill makes good."""

    def sample(
        self,
        fill: str,
        t_s: float,
        temp_c: float | None,
        flow_lpm: float | None,
        volume_l: float,
        phase: str,
        level_m: float | None = None,
        tank_c: float | None = None,
    ) -> None:
        """Keep one moment of a running fill, `t_s` seconds after it began; None: not fitted."""

    def input(self, fill: str, at_s: float, what: Given | Station) -> None:
        """Keep one input of the core, taken at the engine second `at_s`, so that the fill can be
        played again; first of all the state it starts from. Only for a fill that has begun, each
        once, in order; bounded per fill.
        """

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
