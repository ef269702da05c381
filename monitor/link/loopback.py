"""amqtt's broker with the faults mended that our use would meet. Imported only when one starts:
it is heavy, and most installations use a broker of their own.
"""

from __future__ import annotations

import asyncio
import math
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.mqtt.constants import QOS_2
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.mqtt.puback import PubackPacket
from amqtt.mqtt.publish import PublishPacket
from amqtt.session import OutgoingApplicationMessage, Session

FAREWELL_S: Final = 0.5
MAX_CONNECTIONS: Final = 64
KEEPALIVE_GRACE: Final = 1.5  # MQTT 3.1.1 [MQTT-3.1.2-24]
MAX_UNACKED: Final = 1000  # messages a client may leave unacknowledged; older ones are forgotten
MAX_BACKLOG_BYTES: Final = 4 * 1024 * 1024  # a client that reads nothing is dropped beyond this


def config(host: str, port: int) -> BrokerConfig:
    """Return a config without plugins: no $SYS messages, no packet log, no password hashing."""
    listener = ListenerConfig(bind=f"{host}:{port}", max_connections=MAX_CONNECTIONS)
    return BrokerConfig(listeners={"default": listener}, plugins={})


class _Handler(BrokerProtocolHandler):  # type: ignore[misc]  # amqtt carries no types
    """One client's connection.

    A message is passed on in the turn that reads it. Upstream hands it through three queues and
    five tasks, without a bound, and delivers everything at the subscriber's quality of service
    instead of the lower of the two [MQTT-3.8.4-6], so each reading had an acknowledgement too.
    """

    broker: LoopbackBroker

    async def handle_publish(self, publish_packet: PublishPacket) -> None:
        """Pass a client's message on, acknowledge it, and keep it if it is to be retained."""
        topic, data, qos = publish_packet.topic_name, publish_packet.data, publish_packet.qos
        if qos == QOS_2:  # none of ours; upstream knows how
            await super().handle_publish(publish_packet)
        elif not topic or topic.startswith("$"):  # no client's to use [MQTT-4.7.2-1]
            await self.handle_connection_closed()
        elif data is not None and self.session is not None and self.writer is not None:
            self.broker.pass_on(topic, data, qos)
            if qos:
                self.writer.write(PubackPacket.build(publish_packet.packet_id).to_bytes())
            if publish_packet.retain_flag:
                await self.broker.retain_message(self.session, topic, data, qos)

    def deliver(self, topic: str, data: bytes, qos: int) -> None:
        """Write a message to this client. Never waits for it."""
        session, writer = self.session, self.writer
        if session is None or writer is None or writer._writer.is_closing():
            return
        packet_id = None
        if qos:
            packet_id = session.next_packet_id
            message = OutgoingApplicationMessage(packet_id, topic, qos, data, False)
            session.inflight_out[packet_id] = message
            if len(session.inflight_out) > MAX_UNACKED:
                session.inflight_out.popitem(last=False)
        writer.write(PublishPacket.build(topic, data, packet_id, False, qos, False).to_bytes())
        transport = writer._writer.transport
        if transport.get_write_buffer_size() > MAX_BACKLOG_BYTES:
            transport.abort()

    async def handle_puback(self, puback: Any) -> None:
        """Forget a message that the client has."""
        packet_id = puback.variable_header.packet_id
        if packet_id in self._puback_waiters:  # upstream's own: a will, or a retained message
            await super().handle_puback(puback)
        elif self.session is not None:
            self.session.inflight_out.pop(packet_id, None)

    def handle_read_timeout(self) -> None:
        """End a connection that was silent for too long. Upstream does nothing here, so a frozen
        client's will would never be told.
        """
        if self._disconnect_waiter is not None and not self._disconnect_waiter.done():
            self._disconnect_waiter.set_result(None)


class LoopbackBroker(Broker):  # type: ignore[misc]  # amqtt carries no types
    """A broker for our own clients on one machine."""

    def __init__(self, config: BrokerConfig, *, patient: bool = False) -> None:
        super().__init__(config)
        self._patient = patient
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

    def pass_on(self, topic: str, data: bytes, qos: int) -> None:
        """Deliver a message to every connected client that subscribes to its topic."""
        for each, subscribers in self._subscriptions.items():
            if self._matches(topic, each):
                for session, granted in subscribers:
                    _, handler = self._sessions.get(session.client_id, (None, None))
                    if handler is not None and session.transitions.state == "connected":
                        handler.deliver(topic, data, min(qos, granted))

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
        patience_s = 0.0 if self._patient else client_session.keep_alive * KEEPALIVE_GRACE
        client_session.keep_alive = math.ceil(patience_s)
        handler = _Handler(self.plugins_manager, loop=self._loop)
        handler.broker = self
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
