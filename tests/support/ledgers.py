"""A ledger that writes everything down and knows what is still owed."""

from __future__ import annotations

from collections import Counter

from paho.mqtt.client import topic_matches_sub


class Recorder:
    """Satisfies `ports.Ledger` by the words of its docstrings, plainly."""

    def __init__(self) -> None:
        self.events: list[tuple[str, str]] = []
        self.subscribers: dict[str, tuple[str, ...]] = {}
        self.owed: Counter[tuple[str, str]] = Counter()
        self.busy_now: Counter[str] = Counter()

    @property
    def outstanding(self) -> int:
        """How many messages are on their way."""
        return self.owed.total()

    def count(self, event: str) -> int:
        """How often an event happened."""
        return sum(name == event for name, _ in self.events)

    def online(self, client: str, filters: tuple[str, ...]) -> None:
        self.events.append(("online", client))
        self.subscribers[client] = filters

    def offline(self, client: str) -> None:
        self.events.append(("offline", client))
        del self.subscribers[client]
        for key in [key for key in self.owed if key[0] == client]:
            del self.owed[key]

    def sent(self, topic: str) -> None:
        self.events.append(("sent", topic))
        for client in self._receivers(topic):
            self.owed[client, topic] += 1

    def lost(self, topic: str) -> None:
        self.events.append(("lost", topic))
        for client in self._receivers(topic):
            self.handled(client, topic)

    def handled(self, client: str, topic: str) -> None:
        self.events.append(("handled", topic))
        if self.owed[client, topic] > 0:
            self.owed[client, topic] -= 1

    def busy(self, client: str) -> None:
        self.events.append(("busy", client))
        self.busy_now[client] += 1

    def idle(self, client: str) -> None:
        self.events.append(("idle", client))
        self.busy_now[client] -= 1

    def _receivers(self, topic: str) -> list[str]:
        return [
            client
            for client, filters in self.subscribers.items()
            if any(topic_matches_sub(each, topic) for each in filters)
        ]
