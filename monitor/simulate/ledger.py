"""What is on its way through the broker, counted, so that simulated time knows when it may move."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Hashable
from typing import NamedTuple

from paho.mqtt.client import topic_matches_sub

GRACE_S = 5.0
"""Real seconds a message, handshake or worker job may keep simulated time still."""

TOPICS_MAX = 4096
"""Topics whose receivers are remembered; past it the memory starts afresh."""

EARLY_MAX = 1000
"""Messages that may be reported handled before they are reported sent, per client and topic."""

_NAMED_MAX = 8  # entries a stall report names


class Hold(NamedTuple):
    """A reason for time to stand still. Patience starts afresh whenever `mark` changes."""

    reason: str
    mark: Hashable
    grace_s: float = GRACE_S


class LockstepLedger:
    """What is on its way through the broker; satisfies `ports.Ledger`.

    Counts are kept per (client, topic). A message nobody counted (a retained one, one of a foreign
    client) is not waited for, and handling it changes nothing. With `early`, a message may be
    reported handled before it is reported sent, as happens between processes; such debts are
    forgotten when time moves.
    """

    def __init__(self, *, early: bool = False) -> None:
        """Start with nobody online and the broker up."""
        self._early = early
        self._lock = threading.Lock()
        self._filters: dict[str, tuple[str, ...]] = {}
        self._routes: dict[str, tuple[str, ...]] = {}
        self._owed: dict[tuple[str, str], int] = {}
        self._outstanding = 0
        self._busy: dict[str, int] = {}
        self._ignored: set[str] = set()
        self._suspect: set[str] = set()
        self._down = False
        self._settle_until_s = 0.0
        self._version = 0

    def online(self, client: str, filters: tuple[str, ...]) -> None:
        """Count for this client from now on what matches its MQTT filters."""
        with self._lock:
            self._filters[client] = filters
            self._suspect.discard(client)
            self._routes.clear()

    def offline(self, client: str) -> None:
        """Forget the client, what was on its way to it, and its handshake."""
        with self._lock:
            self._filters.pop(client, None)
            self._busy.pop(client, None)
            self._forgive(client)

    def sent(self, topic: str) -> None:
        """Count one message for each online client that subscribes to the topic."""
        with self._lock:
            if self._down:
                return
            clients = self._routes.get(topic)
            for client in self._route(topic) if clients is None else clients:
                count = self._owed.get((client, topic), 0)
                self._owed[client, topic] = count + 1
                self._outstanding += count >= 0
            self._version += 1

    def lost(self, topic: str) -> None:
        """Take one message of this topic back."""
        with self._lock:
            clients = self._routes.get(topic)
            for client in self._route(topic) if clients is None else clients:
                self._settle_one(client, topic)

    def handled(self, client: str, topic: str) -> None:
        """Count one message of this topic as done by this client."""
        with self._lock:
            self._settle_one(client, topic)
            if client in self._suspect:
                self._suspect.discard(client)
                self._routes.clear()

    def busy(self, client: str) -> None:
        """Keep time still for a handshake of this client."""
        with self._lock:
            self._busy[client] = self._busy.get(client, 0) + 1
            self._version += 1

    def idle(self, client: str) -> None:
        """End one handshake of this client."""
        with self._lock:
            left = self._busy.pop(client, 0) - 1
            if left > 0:
                self._busy[client] = left
            self._version += 1

    def ignore(self, client: str) -> None:
        """Wait for nothing this client owes until `heed`: a fault has taken it away."""
        with self._lock:
            self._ignored.add(client)
            self._forgive(client)

    def heed(self, client: str) -> None:
        """Count for this client again."""
        with self._lock:
            self._ignored.discard(client)
            self._routes.clear()

    def broker_down(self) -> None:
        """Wait for nothing: the broker is known to be dead, frozen or cut off."""
        with self._lock:
            self._down = True
            self._owed.clear()
            self._outstanding = 0

    def broker_up(self, *, settle_s: float = 0.2) -> None:
        """Count again, after `settle_s` real seconds in which old messages may come out."""
        with self._lock:
            self._down = False
        self.settle(settle_s)

    def settle(self, real_s: float) -> None:
        """Keep time still for some real time, for what nobody can count (a will, a thaw)."""
        with self._lock:
            self._settle_until_s = max(self._settle_until_s, time.monotonic() + real_s)
            self._version += 1

    @property
    def outstanding(self) -> int:
        """How many messages are on their way."""
        return self._outstanding

    def hold(self) -> Hold | None:
        """Return why time must stand still, if it must."""
        if self._settle_until_s:
            if time.monotonic() < self._settle_until_s:
                return Hold("settling", self._settle_until_s, math.inf)
            self._settle_until_s = 0.0
        if self._down:
            return None
        if self._busy and not self._ignored.issuperset(self._busy):
            return Hold("handshake", self._version)
        return Hold("messages", self._version) if self._outstanding > 0 else None

    def moved(self) -> None:
        """Forget debts of the moment that has passed."""
        if self._owed:
            with self._lock:
                self._owed.clear()
                self._outstanding = 0

    def write_off(self) -> tuple[str, ...]:
        """Declare everything on its way lost and return it, named.

        Those clients are not counted for again before they show that they live.
        """
        with self._lock:
            lost = [f"{client}: {topic}" for (client, topic), n in self._owed.items() if n > 0]
            lost += [f"{client}: handshake" for client in self._busy]
            self._suspect.update(client for (client, _), n in self._owed.items() if n > 0)
            self._owed.clear()
            self._busy.clear()
            self._routes.clear()
            self._outstanding = 0
        return tuple(lost[:_NAMED_MAX])

    def _route(self, topic: str) -> tuple[str, ...]:
        """Work out and remember who receives this topic (MQTT 3.1.1, section 4.7)."""
        if len(self._routes) >= TOPICS_MAX:
            self._routes.clear()
        found = tuple(
            client
            for client, filters in self._filters.items()
            if client not in self._ignored
            and client not in self._suspect
            and any(topic_matches_sub(each, topic) for each in filters)
        )
        self._routes[topic] = found
        return found

    def _settle_one(self, client: str, topic: str) -> None:
        """Count one message as done; below zero only where that may be put right later."""
        count = self._owed.get((client, topic), 0)
        if count > 0:
            self._outstanding -= 1
            self._version += 1
        elif not self._early or count <= -EARLY_MAX:
            return
        self._owed[client, topic] = count - 1

    def _forgive(self, client: str) -> None:
        """Drop what the client owes, and who receives what."""
        for key in [key for key in self._owed if key[0] == client]:
            self._outstanding -= max(self._owed.pop(key), 0)
        self._routes.clear()
        self._version += 1
