"""The link over MQTT: connects, stays connected, and never makes anybody wait.

Theory. The task `_run` dials, and dials again with growing pauses, for as long as the link is
entered. A connection counts from the moment the broker has acknowledged the subscriptions; then
our presence goes out first of all. Nothing survives a connection: what the broker had not
acknowledged is dropped and told to the ledger, since every role says what matters anew when it is
connected again, and a late command is worse than a lost one.

All waiting is on the loop's clock. Under lock-step simulation that is simulated time, which stands
still while the ledger says a handshake is under way.
"""

from __future__ import annotations

import asyncio
import random
import ssl
from collections.abc import Callable, Iterable
from dataclasses import replace
from types import TracebackType
from typing import Final, Self

from monitor.core.exchange import Presence
from monitor.errors import LinkError
from monitor.link.codec import Packet, encode
from monitor.link.endpoint import Endpoint
from monitor.link.plugs import PlugTopics
from monitor.link.wire import Address, Wire
from monitor.logs import get_logger
from monitor.ports import NO_LEDGER, Ledger

BACKOFF_FIRST_S: Final = 0.2
BACKOFF_MAX_S: Final = 5.0
HANDSHAKE_S: Final = 4.0  # dialling, CONNACK and SUBACK together; a frozen broker answers nothing
GOODBYE_S: Final = 1.0
KEEPALIVE_TICKS: Final = 4  # looks at the clock per keep-alive period

_log = get_logger(__name__)


class MqttLink(Endpoint):
    """A client of an MQTT 3.1.1 broker.

    Args:
        url: `mqtt://user:pw@host:port`, or `mqtts://` for TLS with the system's certificates.
        client_id: unique at the broker; seeds the jitter of the pauses between attempts.
        subscriptions: topic filters, as `topics.filter_for` makes them.
        will: our presence, told as online at every connection and as gone when it ends. None for
            a guest that comes and goes unannounced.
        ledger: told what is on its way; see `ports.Ledger`.
        keepalive_s: seconds of silence before a ping; 0 for none, as under lock-step.
        now_s: the clock for `Incoming.arrived_s`.
        plugs: mains plugs whose orders and states this link can say and read; what it hears of
            them is for `subscriptions` to name.

    Raises:
        LinkError: the URL is not one.
        MalformedError: the will is not a message, or two plugs share a name or a topic.
    """

    def __init__(
        self,
        *,
        url: str,
        client_id: str,
        subscriptions: tuple[str, ...],
        will: Presence | None,
        ledger: Ledger = NO_LEDGER,
        keepalive_s: int = 5,
        now_s: Callable[[], float],
        plugs: Iterable[PlugTopics] = (),
    ) -> None:
        super().__init__(client_id=client_id, ledger=ledger, now_s=now_s, plugs=plugs)
        self._address = Address.parse(url)
        self._subscriptions = subscriptions
        self._will = None if will is None else replace(will, online=False)
        self._last_words = None if self._will is None else encode(self._will)
        self._keepalive_s = keepalive_s
        self._tls = ssl.create_default_context() if self._address.scheme == "mqtts" else None
        self._random = random.Random(client_id)  # noqa: S311  # jitter, not a secret
        self._wire: Wire | None = None
        self._task: asyncio.Task[None] | None = None
        self._told = ""

    def __repr__(self) -> str:
        """Return who and where, without the password."""
        return f"MqttLink({self.client_id!r}, {self._address})"

    async def __aenter__(self) -> Self:
        """Start connecting in the background; return at once."""
        self._task = asyncio.create_task(self._run(), name=f"link {self.client_id}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say that we are gone and disconnect, within a second whatever the broker does."""
        try:
            if self._task is not None:
                self._task.cancel()
                await asyncio.wait({self._task})
            if self._connected and self._wire is not None:
                await self._say_goodbye(self._wire)
        finally:
            self._leave("closed")

    def sever(self) -> None:
        """Break the connection without a goodbye, for rehearsals: the broker then tells our will,
        and the link connects again.
        """
        if self._wire is not None:
            self._wire.sever()

    def _put(self, packet: Packet) -> bool:
        return self._wire is not None and self._wire.publish(packet)

    async def _run(self) -> None:
        pause_s = BACKOFF_FIRST_S
        while True:
            try:
                wire = await self._join()
                if wire is not None:
                    pause_s = BACKOFF_FIRST_S
                    self._leave(await self._stay(wire))
            except Exception:  # noqa: BLE001  # a link that died silently would never come back
                _log.exception("link failed", client=self.client_id)
                self._leave("a fault of our own")
            await asyncio.sleep(pause_s * self._random.uniform(0.5, 1.0))
            pause_s = min(pause_s * 2, BACKOFF_MAX_S)

    async def _join(self) -> Wire | None:
        """Connect and subscribe; return the connection, or None when it did not come about."""
        wire = Wire(
            address=self._address,
            client_id=self.client_id,
            keepalive_s=self._keepalive_s,
            will=self._last_words,
            tls=self._tls,
            receive=self._receive,
        )
        self._ledger.busy(self.client_id)
        try:
            async with asyncio.timeout(HANDSHAKE_S):
                await wire.open()
                await wire.subscribe(self._subscriptions)
            self._welcome(wire)
        except TimeoutError:
            self._tell("the broker does not answer")
        except (LinkError, OSError, ValueError) as problem:  # ValueError: a host that is no name
            self._tell(str(problem))
        finally:
            if self._wire is not wire:
                wire.close()
            self._ledger.idle(self.client_id)
        return self._wire

    def _welcome(self, wire: Wire) -> None:
        self._wire = wire
        self._ledger.online(self.client_id, self._subscriptions)
        self._tell("connected")
        if self._will is not None:
            here = encode(replace(self._will, online=True))
            self._ledger.sent(here.topic)
            if not self._put(here):
                self._ledger.lost(here.topic)
        self._set_connected(True)

    async def _stay(self, wire: Wire) -> str:
        """Keep the connection alive until it ends; return why it did."""
        tick_s = min(1.0, self._keepalive_s / KEEPALIVE_TICKS) if self._keepalive_s else None
        while not wire.ended.done():
            await asyncio.wait({wire.ended}, timeout=tick_s)
            wire.keep_alive()
        return wire.ended.result()

    async def _say_goodbye(self, wire: Wire) -> None:
        self._ledger.busy(self.client_id)
        try:
            async with asyncio.timeout(GOODBYE_S):
                if self._will is not None:
                    self.send(self._will)
                await wire.finish()
        except TimeoutError:
            _log.warning("left without the broker's answer", client=self.client_id)
        finally:
            self._ledger.idle(self.client_id)

    def _leave(self, reason: str) -> None:
        """Let go of the connection, if there is one, and say what is lost with it."""
        wire, self._wire = self._wire, None
        if wire is None:
            return
        for topic in wire.close():
            self.counts.lost += 1
            self._ledger.lost(topic)
        self._ledger.offline(self.client_id)
        self._tell(f"disconnected: {reason}")
        self._set_connected(False)

    def _tell(self, state: str) -> None:
        """Log the state once when it changes; a retry that fails as before says nothing new."""
        if state != self._told:
            self._told = state
            _log.info("broker link", client=self.client_id, broker=str(self._address), state=state)
