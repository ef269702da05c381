"""What every link has in common: the bounded queue of what arrived, and who wants to know."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Self

from monitor.core.exchange import Incoming, Message, ReadingPack, Status
from monitor.link.codec import Packet, decode, encode
from monitor.link.plugs import Plugs, PlugTopics
from monitor.link.text import MalformedError
from monitor.logs import get_logger
from monitor.ports import Ledger

MAX_INCOMING: Final = 1000
MAX_OUTGOING: Final = 256

_log = get_logger(__name__)


@dataclass(slots=True)
class Counts:
    """What a link has seen since it was made. Nothing here is reset."""

    received: int = 0  # taken into the queue
    malformed: int = 0  # dropped on arrival: not a message of ours
    overflowed: int = 0  # dropped from a full queue
    sent: int = 0  # accepted by `send`
    refused: int = 0  # turned away by `send`
    lost: int = 0  # accepted, then dropped before the broker had them
    connected: int = 0  # times the link came up


class Endpoint:
    """One client of a broker, whatever carries its messages. A full queue costs the oldest
    periodic message first: its loss looks like staleness, and staleness shuts the valve.
    """

    def __init__(
        self,
        *,
        client_id: str,
        ledger: Ledger,
        now_s: Callable[[], float],
        plugs: Iterable[PlugTopics] = (),
    ) -> None:
        self.client_id: Final = client_id
        self.counts: Final = Counts()
        self._ledger = ledger
        self._now_s = now_s
        self._plugs = Plugs(plugs)
        self._connected = False
        self._queue: deque[tuple[str, Incoming]] = deque()
        self._arrival = asyncio.Event()
        self._watchers: list[Callable[[bool], None]] = []

    async def __aenter__(self) -> Self:
        """Start connecting in the background; return at once."""
        raise NotImplementedError

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say goodbye and disconnect, bounded in time."""
        raise NotImplementedError

    @property
    def connected(self) -> bool:
        """Whether the broker answers and the subscriptions stand."""
        return self._connected

    @property
    def rejected(self) -> int:
        """How many arrived messages were dropped since the link was made: nobody could read them,
        or too many waited already. It only grows.
        """
        return self.counts.malformed + self.counts.overflowed

    def on_connection(self, notify: Callable[[bool], None]) -> None:
        """Call `notify` in the event loop whenever `connected` changes."""
        self._watchers.append(notify)

    async def incoming(self) -> AsyncIterator[Incoming]:
        """Yield what arrives, for ever. One consumer: asking for the next message says that the
        one before has been acted on.
        """
        while True:
            while not self._queue:
                self._arrival.clear()
                await self._arrival.wait()
            topic, item = self._queue.popleft()
            try:
                yield item
            finally:
                self._handled(topic, item.retained)

    def send(self, message: Message) -> bool:
        """Hand a message over for sending; never blocks. False when it cannot go out: not
        connected, too much on its way already, or a message its own reader would refuse.
        """
        packet = self._encoded(message) if self._connected else None
        if packet is not None:
            self._ledger.sent(packet.topic)
            if self._put(packet):
                self.counts.sent += 1
                return True
            self._ledger.lost(packet.topic)
        self.counts.refused += 1
        return False

    def _put(self, packet: Packet) -> bool:
        """Hand an encoded message to whatever carries it."""
        raise NotImplementedError

    def _encoded(self, message: Message) -> Packet | None:
        try:
            return encode(message, self._plugs)
        except MalformedError as error:
            # A fault of ours, not of the network: loud, but the caller goes on and the silence
            # that follows shuts the valve.
            _log.error("message cannot be sent", client=self.client_id, error=str(error))
            return None

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take what the carrier brought: decode, queue, make room."""
        try:
            message = decode(topic, payload, retained, self._plugs)
        except MalformedError as error:
            self.counts.malformed += 1
            if self.counts.malformed.bit_count() == 1:  # 1, 2, 4, 8 …: a flood fills no log
                _log.warning(
                    "message dropped",
                    client=self.client_id,
                    error=str(error),
                    dropped=self.counts.malformed,
                )
            self._handled(topic, retained)
            return
        self.counts.received += 1
        if len(self._queue) >= MAX_INCOMING:
            self._make_room()
        self._queue.append((topic, Incoming(message, retained, self._now_s())))
        self._arrival.set()

    def _make_room(self) -> None:
        """Drop the oldest periodic message, or the oldest of all when every one matters."""
        place = next(
            (place for place, (_, item) in enumerate(self._queue) if _periodic(item.message)), 0
        )
        topic, item = self._queue[place]
        del self._queue[place]
        self.counts.overflowed += 1
        if self.counts.overflowed.bit_count() == 1:
            _log.warning("queue full", client=self.client_id, dropped=self.counts.overflowed)
        self._handled(topic, item.retained)

    def _handled(self, topic: str, retained: bool) -> None:
        """Tell the ledger. An old copy was never counted as sent, so it pays for nothing."""
        if not retained:
            self._ledger.handled(self.client_id, topic)

    def _set_connected(self, connected: bool) -> None:
        if connected is self._connected:
            return
        self._connected = connected
        self.counts.connected += connected
        for notify in self._watchers:
            try:
                notify(connected)
            except Exception:  # noqa: BLE001  # a watcher's fault must not take the link down
                _log.exception("connection watcher failed", client=self.client_id)


def _periodic(message: Message) -> bool:
    """Whether the next message of its kind makes this one good."""
    match message:
        case ReadingPack(edge=edge):
            return not edge
        case Status():
            return True
        case _:
            return False
