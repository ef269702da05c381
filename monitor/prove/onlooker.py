"""Someone at the broker who sees it all: readings, guards, presence, alarms, status, replies.

Nothing here decides anything or opens anything: it looks on, and asks as a person does.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self, TypeVar

from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Incoming,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
)
from monitor.core.reading import Sample
from monitor.errors import LinkError
from monitor.ports import Link

KEPT = 256  # messages of each kind that are looked back at
CONTACT_S = 5.0  # without an answer by then there is nobody
LOOK_S = 0.2  # between two questions how the station stands

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Seen:
    """A pack of readings, and when it arrived on the onlooker's own clock."""

    pack: ReadingPack
    arrived_s: float

    def sample(self, sensor: str) -> Sample | None:
        """Return what it says of a sensor."""
        return next((s for s in self.pack.samples if s.sensor == sensor), None)


class Onlooker:
    """Looks on at one station, as an async context manager. `link` is a `guest_link` with readings,
    not yet entered; `by` is who asks.

    Raises:
        LinkError: the broker does not answer (on entering).
    """

    def __init__(
        self,
        *,
        station: str,
        link: Link,
        new_id: Callable[[], str],
        by: str,
        now_s: Callable[[], float],
    ) -> None:
        """Keep the parts. `now_s` is the clock that the link dates arrivals by."""
        self.now_s = now_s
        self.station = station
        self.packs: deque[Seen] = deque(maxlen=KEPT)
        self.guards: deque[GuardReport] = deque(maxlen=KEPT)
        self.alarms: deque[dict[str, Any]] = deque(maxlen=KEPT)
        self.present: dict[str, Presence] = {}
        self.status: dict[str, Any] = {}
        self.refused = ""
        self._link, self._new_id, self._by = link, new_id, by
        self._replies: dict[str, Reply | None] = {}
        self._news = asyncio.Event()
        self._reader: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        """Connect, and begin to look."""
        self._link.on_connection(lambda _up: self._news.set())
        await self._link.__aenter__()
        self._reader = asyncio.create_task(self._read(), name="onlooker")
        try:
            await self.until(lambda: self._link.connected or None, CONTACT_S)
        except TimeoutError:
            await self.__aexit__(None, None, None)
            raise LinkError(
                "the broker does not answer", fix="start `brimwatch run` or the broker"
            ) from None
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Disconnect."""
        if self._reader is not None:
            self._reader.cancel()
            await asyncio.gather(self._reader, return_exceptions=True)
        await self._link.__aexit__(kind, error, trace)

    async def _read(self) -> None:
        async for incoming in self._link.incoming():
            self._take(incoming)
            self._news.set()

    def _take(self, incoming: Incoming) -> None:
        match incoming.message:
            case ReadingPack() as pack if not incoming.retained:
                self.packs.append(Seen(pack, incoming.arrived_s))
            case GuardReport() as report:
                self.guards.append(report)
            case Presence() as presence:
                self.present[presence.role] = presence
            case AlarmNotice(data=data) if "refused" in data:
                self.refused = str(data["refused"])
            case AlarmNotice(data=data):
                self.alarms.append(data)
            case Status(data=data):
                self.status = data
            case Reply() as reply if reply.id in self._replies:
                self._replies[reply.id] = reply
            case _:
                pass

    @property
    def last(self) -> Seen | None:
        """The newest pack of readings."""
        return self.packs[-1] if self.packs else None

    def value(self, sensor: str) -> float | None:
        """Return what a sensor says now; None for nothing, or for a fault."""
        sample = self.last.sample(sensor) if self.last is not None else None
        return sample.value if sample is not None else None

    async def until(self, look: Callable[[], T | None], within_s: float) -> T:
        """Return the first thing that `look` finds.

        Raises:
            TimeoutError: nothing was found in time.
        """
        async with asyncio.timeout(within_s):
            while (found := look()) is None:
                self._news.clear()
                await self._news.wait()
        return found

    async def gather(self, sensor: str, count: int, within_s: float) -> list[float]:
        """Return a sensor's next readings, each of them new.

        Raises:
            TimeoutError: there were not so many in time.
        """
        began = {seen.pack.seq for seen in self.packs}
        found: dict[float, float] = {}

        def enough() -> bool | None:
            for seen in self.packs:
                sample = seen.sample(sensor)
                if seen.pack.seq not in began and sample is not None and sample.value is not None:
                    found[sample.at_s] = sample.value
            return True if len(found) >= count else None

        await self.until(enough, within_s)
        return list(found.values())[:count]

    async def ask(self, verb: str, **args: Any) -> Reply:
        """Ask the engine as a person does, and return its answer.

        Raises:
            LinkError: no answer.
        """
        request = Request(self.station, self._new_id(), verb, self._by, args)
        self._replies[request.id] = None
        try:
            if not self._link.send(request):
                raise LinkError("the connection to the broker is gone")
            reply = await self.until(lambda: self._replies[request.id], CONTACT_S)
        except TimeoutError:
            raise LinkError(
                f"no engine answers for the station {self.station!r}",
                fix="start the engine (`brimwatch engine` or `brimwatch run`)",
            ) from None
        finally:
            del self._replies[request.id]
        if reply.data.get("phase") is not None:
            self.status = reply.data
        return reply

    async def told(self, look: Callable[[dict[str, Any]], T | None], within_s: float) -> T:
        """Ask how the station stands until `look` finds something in the answer. Silence of the
        broker or the engine is borne until the time is up.

        Raises:
            TimeoutError: nothing was found in time.
        """
        async with asyncio.timeout(within_s):
            while True:
                try:
                    found = look((await self.ask("status")).data)
                except LinkError:
                    found = None
                if found is not None:
                    return found
                await asyncio.sleep(LOOK_S)
