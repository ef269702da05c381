"""A stand-in for a service manager, for one child in simulated time.

It speaks the real protocol, sd_notify(3), so the program under test runs as it does as a service:
READY=1 starts the watch, each WATCHDOG=1 feeds it, and a child that is late is killed and started
anew a bounded number of times. Being late and waiting are in simulated seconds.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from monitor.simulate.conductor import Child, Conductor, RemoteBench

DATAGRAM_MAX = 4096
EVENTS_MAX = 1000
_US_PER_S = 1_000_000

_numbers = itertools.count(1)


class Phase(Enum):
    """Where the supervised child is."""

    STARTING = "starting"
    READY = "ready"
    STOPPING = "stopping"
    WAITING = "waiting"  # for its restart
    STOPPED = "stopped"  # by request
    FAILED = "failed"  # out of restarts


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """What to run and how to look after it, as a unit file would say.

    Attributes:
        name, role, kwargs, bench, on_message: as in `Conductor.start`.
        watchdog_s: simulated seconds without WATCHDOG=1 after which the child is killed.
        start_s: simulated seconds it may take to READY=1 (the manager's usual default).
        restart_s: simulated seconds between its end and its new start.
        restarts_max: how many times it is started anew, whatever it ended of.
    """

    name: str
    role: str
    kwargs: Mapping[str, Any] = field(default_factory=dict)
    bench: RemoteBench | None = None
    on_message: Callable[[Any], None] | None = None
    watchdog_s: float = 3.0
    start_s: float = 90.0
    restart_s: float = 2.0
    restarts_max: int = 3


class Supervisor:
    """Keeps one service running. `events` has what happened: (simulated time, word)."""

    def __init__(
        self,
        conductor: Conductor,
        service: Service,
        *,
        on_event: Callable[[float, str], None] | None = None,
    ) -> None:
        """Look after `service`; `on_event` hears of each event in the loop."""
        self.service = service
        self.phase = Phase.STOPPED
        self.child: Child | None = None
        self.restarts = 0
        self.events: deque[tuple[float, str]] = deque(maxlen=EVENTS_MAX)
        self._conductor = conductor
        self._on_event = on_event
        self._socket: socket.socket | None = None
        self._fed_s = 0.0
        self._starts = 0

    def start(self) -> None:
        """Start the service now."""
        if self.child is not None:
            return
        loop = self._conductor.loop
        self._starts += 1
        address = f"brimwatch-simulate-{os.getpid()}-{next(_numbers)}"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind("\0" + address)
        loop.add_reader(self._socket, self._read)
        service = self.service
        self.phase = Phase.STARTING
        self._note("started")
        self.child = self._conductor.start(
            service.name,
            service.role,
            service.kwargs,
            on_message=service.on_message,
            on_exit=self._exited,
            bench=service.bench,
            env={
                "NOTIFY_SOCKET": "@" + address,
                "WATCHDOG_USEC": str(round(service.watchdog_s * _US_PER_S)),
            },
        )
        loop.call_later(service.start_s, self._check_ready, self._starts)

    def stop(self) -> None:
        """Ask the service to end, and do not start it anew."""
        self.phase = Phase.STOPPED
        if self.child is not None:
            self._conductor.stop(self.child)

    def close(self) -> None:
        """Kill the service, and clear everything away at once."""
        self.phase = Phase.STOPPED
        if self.child is not None:
            self._conductor.kill(self.child)
        self._close_socket()

    def _close_socket(self) -> None:
        """Listen to this child no longer."""
        if self._socket is not None:
            self._conductor.loop.remove_reader(self._socket)
            self._socket.close()
            self._socket = None

    def _read(self) -> None:
        """Take what the child notifies."""
        with contextlib.suppress(BlockingIOError):
            while self._socket is not None:
                text = self._socket.recv(DATAGRAM_MAX).decode(errors="replace")
                for word in text.splitlines():
                    self._heard(word)

    def _heard(self, word: str) -> None:
        """Act on one assignment of the protocol; others mean nothing here."""
        loop = self._conductor.loop
        if word == "READY=1" and self.phase is Phase.STARTING:
            self.phase = Phase.READY
            self._note("ready")
            self._fed_s = loop.time()
            loop.call_later(self.service.watchdog_s, self._check_fed, self._starts)
        elif word == "WATCHDOG=1":
            self._fed_s = loop.time()
        elif word == "STOPPING=1" and self.phase in {Phase.STARTING, Phase.READY}:
            self.phase = Phase.STOPPING
            self._note("stopping")

    def _check_ready(self, which: int) -> None:
        """Kill a child that has not become ready in time."""
        if which == self._starts and self.phase is Phase.STARTING:
            self._kill("start time-out")

    def _check_fed(self, which: int) -> None:
        """Kill a child whose last WATCHDOG=1 is too old, or look again when it would be."""
        if which != self._starts or self.phase is not Phase.READY:
            return
        loop = self._conductor.loop
        due_s = self._fed_s + self.service.watchdog_s
        if loop.time() >= due_s:
            self._kill("watchdog")
        else:
            loop.call_at(due_s, self._check_fed, which)

    def _kill(self, why: str) -> None:
        """Kill the child; its end is heard of like any other."""
        self._note(why)
        if self.child is not None:
            self._conductor.kill(self.child)

    def _exited(self, child: Child) -> None:
        """Note the end of the child, and plan its restart."""
        self.child = None
        loop = self._conductor.loop
        self._close_socket()
        self._note(f"exited {child.returncode}")
        if self.phase is Phase.STOPPED:
            return
        if self.restarts >= self.service.restarts_max:
            self.phase = Phase.FAILED
            self._note("failed")
            return
        self.restarts += 1
        self.phase = Phase.WAITING
        loop.call_later(self.service.restart_s, self._restart)

    def _restart(self) -> None:
        """Start anew, unless somebody has asked for the end meanwhile."""
        if self.phase is Phase.WAITING:
            self.start()

    def _note(self, word: str) -> None:
        """Write an event down and tell it."""
        now_s = self._conductor.loop.time()
        self.events.append((now_s, word))
        if self._on_event is not None:
            self._on_event(now_s, word)
