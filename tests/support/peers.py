"""A link with options, and stand-ins for brokers that say what a test wants."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any

from monitor.core.exchange import Presence, ReadingPack
from monitor.link.mqtt import MqttLink
from monitor.link.topics import filter_for

NODE = Presence("river", "node", "b0", True)
READINGS = filter_for(ReadingPack)
Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
CONNACK = b"\x20\x02\x00\x00"  # MQTT 3.1.1 section 3.2: accepted, no session


def link_to(url: str, client_id: str = "a", **more: Any) -> MqttLink:
    options: dict[str, Any] = {"subscriptions": (READINGS,), "will": None, "now_s": time.monotonic}
    return MqttLink(url=url, client_id=client_id, **(options | more))


@asynccontextmanager
async def peer(talk: Talk) -> AsyncIterator[str]:
    """Run a stand-in for a broker that says what the test wants; give its URL."""
    visits: set[asyncio.Task[Any]] = set()

    async def visit(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        visits.add(task)
        with suppress(ConnectionError, asyncio.IncompleteReadError):
            try:
                await talk(reader, writer)
            finally:
                visits.discard(task)
                writer.close()
                await writer.wait_closed()

    server = await asyncio.start_server(visit, "127.0.0.1", 0)
    try:
        yield f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    finally:
        server.close()
        await server.wait_closed()
        for task in visits:
            task.cancel()
        if visits:
            await asyncio.wait(visits)


async def shake(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Accept a connection and its subscription as a broker does."""
    await packet(reader)
    writer.write(CONNACK)
    body = await packet(reader)
    writer.write(b"\x90\x03" + body[:2] + b"\x01")  # section 3.9: granted at QoS 1


async def packet(reader: asyncio.StreamReader) -> bytes:
    """Read one MQTT packet of less than 16 KiB and return what follows its fixed header."""
    await reader.readexactly(1)
    size = (await reader.readexactly(1))[0]
    if size > 127:
        size = (size & 127) + (await reader.readexactly(1))[0] * 128
    return await reader.readexactly(size)
