"""One MQTT connection: paho-mqtt's protocol engine driven by the asyncio event loop.

Used straight, through its interface for foreign event loops, since three things need it: a publish
must reach the socket in the same call, a connection that hangs half open must leave nothing behind
(no socket, no task), and closing must take a bounded time whatever the broker does.

A `Wire` lives for one connection. What was not acknowledged when it ends is not sent again: a
command that arrives late is worse than one that never does.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from monitor.errors import LinkError
from monitor.link.codec import Packet
from monitor.link.endpoint import MAX_OUTGOING

DIAL_S: Final = 2.0  # for the TCP (and TLS) handshake, which runs in a thread
SUBSCRIBE_QOS: Final = 1  # the broker delivers at the lower of this and the publisher's
PORTS: Final = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Address:
    """A broker's address. The password never shows."""

    scheme: str
    host: str
    port: int
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    @classmethod
    def parse(cls, url: str) -> Address:
        """Return the address of `mqtt://user:pw@host:port`, or `mqtts://` for TLS.

        Raises:
            LinkError: not such a URL. The text does not hold the URL, which may hold a password.
        """
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError:
            parts, port = urlsplit(""), None
        if parts.scheme not in PORTS or not parts.hostname:
            raise LinkError(
                "the broker's URL cannot be read",
                allowed="mqtt://[user:password@]host[:port] or mqtts://…",
                fix="correct [broker] url in the config",
            )
        return cls(
            parts.scheme,
            parts.hostname,
            port or PORTS[parts.scheme],
            unquote(parts.username) if parts.username else None,
            unquote(parts.password) if parts.password else None,
        )

    def __str__(self) -> str:
        """Return the URL with the password blotted out."""
        login = f"{self.user}:***@" if self.user else ""
        return f"{self.scheme}://{login}{self.host}:{self.port}"


class Wire:
    """One connection to a broker, from dialling to closing. Everything but the dialling itself
    happens in the event loop's thread.
    """

    def __init__(
        self,
        *,
        address: Address,
        client_id: str,
        keepalive_s: int,
        will: Packet | None,
        tls: ssl.SSLContext | None,
        receive: Callable[[str, bytes, bool], None],
    ) -> None:
        self._address = address
        self._keepalive_s = keepalive_s
        self._receive = receive
        self._loop = asyncio.get_running_loop()
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._subscribed: asyncio.Future[None] = self._loop.create_future()
        self.ended: Final[asyncio.Future[str]] = self._loop.create_future()
        self._pending: dict[int, str] = {}  # message id → topic, until the broker has it
        self._drained = asyncio.Event()
        self._sock: socket.socket | None = None
        self._writing = False
        self._paho = self._make_paho(client_id, will, tls)

    def _make_paho(self, client_id: str, will: Packet | None, tls: ssl.SSLContext | None) -> Client:
        paho = Client(CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=False)
        paho.connect_timeout = DIAL_S
        # Nothing queues behind an acknowledgement: as many may be under way as may wait.
        paho.max_inflight_messages_set(MAX_OUTGOING)
        paho.max_queued_messages_set(MAX_OUTGOING)
        if self._address.user is not None:
            paho.username_pw_set(self._address.user, self._address.password)
        if tls is not None:
            paho.tls_set_context(tls)
        if will is not None:
            paho.will_set(will.topic, will.payload, will.qos, will.retain)
        paho.on_connect = self._on_connect
        paho.on_subscribe = self._on_subscribe
        paho.on_publish = self._on_publish
        paho.on_message = self._on_message
        return paho

    async def open(self) -> None:
        """Connect and wait for the broker's word that we are in.

        Raises:
            LinkError: the broker refused us, or the connection broke.
            OSError: it could not be reached.
        """
        # paho's connect blocks on names and handshakes, so it runs in a thread. It only dials and
        # sends the CONNECT packet; the callbacks set here are called from this loop only.
        dialling = self._loop.run_in_executor(None, self._dial)
        try:
            await asyncio.shield(dialling)
        except asyncio.CancelledError:
            dialling.add_done_callback(_hang_up)
            raise
        sock = self._paho.socket()
        if not isinstance(sock, socket.socket):
            raise LinkError("the connection broke at once", where=str(self._address))
        self._sock = sock
        self._paho.on_socket_close = self._on_socket_close
        self._paho.on_disconnect = self._on_disconnect
        # Without this Nagle's algorithm and delayed acknowledgement add 44 ms to each leg.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._loop.add_reader(sock, self._readable)
        await self._accepted

    def _dial(self) -> Client:
        self._paho.connect(self._address.host, self._address.port, self._keepalive_s)
        return self._paho

    async def subscribe(self, filters: tuple[str, ...]) -> None:
        """Subscribe to topic filters and wait for the broker's word that they stand.

        Raises:
            LinkError: it refused one, or the connection broke.
        """
        if not filters:
            return
        self._paho.subscribe([(each, SUBSCRIBE_QOS) for each in filters])
        self._watch_writes()
        await self._subscribed

    def publish(self, packet: Packet) -> bool:
        """Write a message to the socket, or leave it to the loop where the socket is full. Never
        blocks. False when the connection is gone or too much is waiting already.
        """
        if self._sock is None or len(self._pending) >= MAX_OUTGOING:
            return False
        info = self._paho.publish(packet.topic, packet.payload, packet.qos, packet.retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        if not info.is_published():
            self._pending[info.mid] = packet.topic
        self._watch_writes()
        return True

    def keep_alive(self) -> None:
        """Ping when it is time to, and end a connection whose last ping went unanswered."""
        if self._keepalive_s:
            self._paho.loop_misc()
            self._watch_writes()

    async def finish(self) -> None:
        """Wait until the broker has everything, then say goodbye. The caller bounds the time."""
        while self._pending and not self.ended.done():
            self._drained.clear()
            await self._drained.wait()
        self._paho.disconnect()
        self._watch_writes()
        await asyncio.shield(self.ended)

    def sever(self) -> None:
        """Break the connection without a goodbye, as a pulled cable or a crash would."""
        if self._sock is not None:
            with suppress(OSError):  # the other side may have been quicker
                self._sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> tuple[str, ...]:
        """Let go of the connection at once; return the topics of what the broker did not get."""
        self._end("closed")
        self._forget_socket()
        sock = self._paho.socket()
        if sock is not None:
            sock.close()
        lost = tuple(self._pending.values())
        self._pending.clear()
        return lost

    # What the event loop calls.

    def _readable(self) -> None:
        try:
            self._paho.loop_read()
            # TLS may hold decoded bytes that no selector will ever report.
            while isinstance(self._sock, ssl.SSLSocket) and self._sock.pending():
                self._paho.loop_read()
        except Exception as error:  # noqa: BLE001  # bytes from outside must not reach the loop
            self._end(f"protocol error: {error!r:.200}")
            self._forget_socket()
            return
        self._watch_writes()

    def _writable(self) -> None:
        self._paho.loop_write()
        self._watch_writes()

    def _watch_writes(self) -> None:
        """Ask the loop to write on exactly while something waits."""
        wanted = self._sock is not None and self._paho.want_write()
        if wanted == self._writing or self._sock is None:
            return
        self._writing = wanted
        if wanted:
            self._loop.add_writer(self._sock, self._writable)
        else:
            self._loop.remove_writer(self._sock)

    # What paho calls, always from within one of the above.

    def _on_connect(self, _c: Any, _u: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            self._fail(self._accepted, f"the broker refuses us: {reason}")
        elif not self._accepted.done():
            self._accepted.set_result(None)

    def _on_subscribe(self, _c: Any, _u: Any, _mid: int, reasons: Any, _props: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._fail(self._subscribed, "the broker refuses a subscription")
        elif not self._subscribed.done():
            self._subscribed.set_result(None)

    def _on_publish(self, _c: Any, _u: Any, mid: int, _reason: Any, _props: Any) -> None:
        self._pending.pop(mid, None)
        if not self._pending:
            self._drained.set()

    def _on_message(self, _c: Any, _u: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        self._receive(topic, bytes(message.payload), message.retain)

    def _on_disconnect(self, _c: Any, _u: Any, _flags: Any, reason: Any, _props: Any) -> None:
        self._end(str(reason))

    def _on_socket_close(self, _c: Any, _u: Any, _sock: Any) -> None:
        # Comes before the socket is closed: afterwards the loop could not let go of it.
        self._forget_socket()

    def _forget_socket(self) -> None:
        if self._sock is not None:
            self._loop.remove_reader(self._sock)
            self._loop.remove_writer(self._sock)
            self._sock = None
            self._writing = False

    def _end(self, reason: str) -> None:
        if not self.ended.done():
            self.ended.set_result(reason)
        self._drained.set()
        for waiter in (self._accepted, self._subscribed):
            self._fail(waiter, f"connection ended: {reason}")

    def _fail(self, waiter: asyncio.Future[None], what: str) -> None:
        if not waiter.done():
            waiter.set_exception(LinkError(what, where=str(self._address)))
            waiter.exception()  # whoever waits gets it; it may be nobody, and that is no news


def _hang_up(dialling: asyncio.Future[Client]) -> None:
    """Close what a dialling that nobody waits for any more has brought."""
    if not dialling.cancelled() and dialling.exception() is None:
        sock = dialling.result().socket()
        if sock is not None:
            sock.close()
