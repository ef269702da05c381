"""A broker in memory and links to it, with the same codec: what works here works on the wire."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import replace
from types import TracebackType
from typing import Final, Self

from paho.mqtt.client import topic_matches_sub

from monitor.core.exchange import Presence
from monitor.link.codec import Packet, encode
from monitor.link.endpoint import MAX_OUTGOING, Endpoint
from monitor.link.plugs import PlugTopics
from monitor.ports import NO_LEDGER, Ledger

RECONNECT_S: Final = 0.2
MAX_RETAINED: Final = 1000

Tamper = Callable[[str, str, bytes], Iterable[float]]


class MemoryHub:
    """A broker without a network.

    `tamper(client_id, topic, payload)` says after how many seconds each copy of a message reaches
    a client: `(0.0,)` is delivery, `()` is loss, `(0.0, 0.5)` a duplicate, and growing or shrinking
    delays change the order.
    """

    def __init__(self, tamper: Tamper | None = None) -> None:
        self.tamper = tamper
        self.frozen = False
        self.running = True
        self._clients: dict[str, MemoryLink] = {}
        self._links: set[MemoryLink] = set()
        self._cut: set[str] = set()
        self._retained: dict[str, Packet] = {}
        self._held: list[Packet] = []

    def cut(self, client_id: str) -> None:
        """Break a client's connection and let it in again only after `heal`; tell its will."""
        self._cut.add(client_id)
        self.drop(client_id)

    def drop(self, client_id: str) -> None:
        """Break a client's connection without a goodbye and tell its will; it will come back."""
        link = self._clients.get(client_id)
        if link is not None:
            link.lose()
            if link.last_words is not None:
                self.publish(link.last_words)

    def freeze(self) -> None:
        """Take messages and pass nothing on, as a stopped broker process does."""
        self.frozen = True

    def stop(self) -> None:
        """Die: every connection breaks, nothing is told, nothing retained is kept."""
        self.running = False
        self._retained.clear()
        self._held.clear()
        for link in list(self._clients.values()):
            link.lose()

    def heal(self) -> None:
        """Undo `cut`, `freeze` and `stop`; what a freeze held back is delivered now, late."""
        self._cut.clear()
        self.running = True
        self.frozen = False
        held, self._held = self._held, []
        for packet in held:
            self._deliver(packet)
        for link in self._links:
            link.try_soon(0.0)

    def publish(self, packet: Packet) -> bool:
        """Take a message from a client, or from anybody in a test. False when it cannot."""
        if not self.running or (self.frozen and len(self._held) >= MAX_OUTGOING):
            return False
        if self.frozen:
            self._held.append(packet)
        else:
            self._deliver(packet)
        return True

    def _deliver(self, packet: Packet) -> None:
        if packet.retain and not packet.payload:
            self._retained.pop(packet.topic, None)  # MQTT 3.1.1 [MQTT-3.3.1-10]
        elif packet.retain and len(self._retained) < MAX_RETAINED:
            self._retained[packet.topic] = packet
        for link in list(self._clients.values()):
            if link.wants(packet.topic):
                self._pass_on(link, packet, retained=False)

    def _pass_on(self, link: MemoryLink, packet: Packet, *, retained: bool) -> None:
        loop = asyncio.get_running_loop()
        copies = [0.0]
        if self.tamper is not None:
            copies = list(self.tamper(link.client_id, packet.topic, packet.payload))
            if 0.0 not in copies:
                link.excuse(packet.topic)
        for delay_s in copies:
            take = (link.session, packet.topic, packet.payload, retained)
            if delay_s > 0:
                loop.call_later(delay_s, link.take, *take)
            else:
                loop.call_soon(link.take, *take)

    # What a link calls.

    def enrol(self, link: MemoryLink) -> None:
        """Know a link, so that it can be told to try again."""
        self._links.add(link)

    def admit(self, link: MemoryLink) -> bool:
        """Let a client in, unless the hub is down or the client is cut off."""
        if not self.running or self.frozen or link.client_id in self._cut:
            return False
        previous = self._clients.get(link.client_id)
        if previous is not None and previous is not link:
            self.drop(link.client_id)  # MQTT 3.1.1 [MQTT-3.1.4-2]: the newcomer takes over
        self._clients[link.client_id] = link
        for packet in self._retained.values():
            if link.wants(packet.topic):
                self._pass_on(link, packet, retained=True)
        return True

    def forget(self, link: MemoryLink) -> None:
        """Deliver nothing more to this link."""
        if self._clients.get(link.client_id) is link:
            del self._clients[link.client_id]

    def retire(self, link: MemoryLink) -> None:
        """Know the link no longer."""
        self.forget(link)
        self._links.discard(link)


class MemoryLink(Endpoint):
    """A client of a `MemoryHub`, with the face of `MqttLink`."""

    def __init__(
        self,
        *,
        hub: MemoryHub,
        client_id: str,
        subscriptions: tuple[str, ...],
        will: Presence | None,
        ledger: Ledger = NO_LEDGER,
        now_s: Callable[[], float],
        plugs: Iterable[PlugTopics] = (),
    ) -> None:
        super().__init__(client_id=client_id, ledger=ledger, now_s=now_s, plugs=plugs)
        self.session = 0  # counts connections: what was on its way to an earlier one is gone
        self._hub = hub
        self._subscriptions = subscriptions
        self._will = None if will is None else replace(will, online=False)
        self.last_words = None if self._will is None else encode(self._will)
        self._retry: asyncio.TimerHandle | None = None
        self._left = False

    async def __aenter__(self) -> Self:
        """Connect in the next turn of the loop."""
        self._hub.enrol(self)
        self.try_soon(0.0)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say that we are gone and leave."""
        self._left = True
        if self._connected and self._will is not None:
            self.send(self._will)
        self._hub.retire(self)
        self.lose()
        if self._retry is not None:
            self._retry.cancel()

    def sever(self) -> None:
        """Break the connection without a goodbye; see `MemoryHub.drop`."""
        self._hub.drop(self.client_id)

    def wants(self, topic: str) -> bool:
        """Whether a topic matches one of the subscriptions."""
        return any(topic_matches_sub(each, topic) for each in self._subscriptions)

    def take(self, session: int, topic: str, payload: bytes, retained: bool) -> None:
        """Receive a message that was on its way to connection number `session`."""
        if session == self.session and self._connected:
            self._receive(topic, payload, retained)

    def excuse(self, topic: str) -> None:
        """Tell the ledger not to wait for a message that is lost, or late on purpose."""
        self._ledger.handled(self.client_id, topic)

    def lose(self) -> None:
        """Be disconnected, and try again in a while unless we have left."""
        self._hub.forget(self)
        self.session += 1
        if self._connected:
            self._ledger.offline(self.client_id)
            self._set_connected(False)
        if not self._left:
            self.try_soon(RECONNECT_S)

    def try_soon(self, delay_s: float) -> None:
        """Try to connect after a delay, once."""
        if self._retry is not None:
            self._retry.cancel()
        self._retry = asyncio.get_running_loop().call_later(delay_s, self._try)

    def _try(self) -> None:
        self._retry = None
        if self._connected or self._left:
            return
        self._ledger.busy(self.client_id)
        if self._hub.admit(self):
            self._ledger.online(self.client_id, self._subscriptions)
            if self._will is not None:
                here = encode(replace(self._will, online=True))
                self._ledger.sent(here.topic)
                self._hub.publish(here)
            self._set_connected(True)
        else:
            self.try_soon(RECONNECT_S)
        self._ledger.idle(self.client_id)

    def _put(self, packet: Packet) -> bool:
        return self._hub.publish(packet)
