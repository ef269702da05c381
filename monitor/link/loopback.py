"""amqtt's broker with the faults mended that our use would meet. Imported only when one starts:
it is heavy, and most installations use a broker of their own.
"""

from __future__ import annotations

import asyncio
import math
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.session import Session

FAREWELL_S: Final = 0.5
MAX_CONNECTIONS: Final = 64
KEEPALIVE_GRACE: Final = 1.5  # MQTT 3.1.1 [MQTT-3.1.2-24]


def config(host: str, port: int) -> BrokerConfig:
    """Return a config without plugins: no $SYS messages, no packet log, no password hashing."""
    listener = ListenerConfig(bind=f"{host}:{port}", max_connections=MAX_CONNECTIONS)
    return BrokerConfig(listeners={"default": listener}, plugins={})


class _Handler(BrokerProtocolHandler):  # type: ignore[misc]  # amqtt carries no types
    """One client's connection."""

    def handle_read_timeout(self) -> None:
        """End a connection that was silent for too long. Upstream does nothing here, so a frozen
        client's will would never be told.
        """
        if self._disconnect_waiter is not None and not self._disconnect_waiter.done():
            self._disconnect_waiter.set_result(None)


class LoopbackBroker(Broker):  # type: ignore[misc]  # amqtt carries no types
    """A broker for our own clients on one machine."""

    def __init__(self, config: BrokerConfig) -> None:
        super().__init__(config)
        self._visits: dict[asyncio.StreamWriter, asyncio.Task[Any] | None] = {}

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one connection, and close it: upstream leaves some open."""
        self._visits[writer] = asyncio.current_task()
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            self._visits.pop(writer, None)
            writer.close()

    async def shutdown(self) -> None:
        """Stop listening and leave neither a connection nor a task behind."""
        # Connections first: from Python 3.12 on a closing server waits for them.
        for server in self._servers.values():
            server.instance.close()
        visits = {visit for visit in self._visits.values() if visit is not None}
        for writer in self._visits:
            writer.transport.abort()
        if visits:
            _, late = await asyncio.wait(visits, timeout=FAREWELL_S)
            for visit in late:
                visit.cancel()
        await super().shutdown()
        await asyncio.sleep(0)  # a closed transport lets go of its socket in the next turn

    async def _authenticate(self, session: Session, _: ListenerConfig) -> bool:
        session.is_anonymous = True
        return True

    async def _topic_filtering(self, session: Session, topic: str, action: Any) -> bool:
        return True

    async def _handle_client_session(
        self, reader: Any, writer: Any, client_session: Session, _: Any, *rest: Any
    ) -> None:
        # Upstream waits for one keep-alive exactly and would drop a client that pings on time.
        client_session.keep_alive = math.ceil(client_session.keep_alive * KEEPALIVE_GRACE)
        handler = _Handler(self.plugins_manager, loop=self._loop)
        await super()._handle_client_session(reader, writer, client_session, handler, *rest)

    async def _delete_session(self, client_id: str) -> None:
        # A newcomer with the same id takes over [MQTT-3.1.4-2]; upstream leaves the old one open.
        _, previous = self._sessions.get(client_id, (None, None))
        await super()._delete_session(client_id)
        if previous is not None:
            await previous.handle_connection_closed()

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        # Upstream goes through everybody's filters when a client connects.
        subscribers = self._subscriptions.get(subscription[0], [])
        if any(subscriber is session for subscriber, _ in subscribers):
            await super()._publish_retained_messages_for_subscription(subscription, session)

    @property
    def ports(self) -> list[int]:
        """The TCP ports it listens on."""
        return [
            sock.getsockname()[1]
            for server in self._servers.values()
            for sock in getattr(server.instance, "sockets", ())
        ]
