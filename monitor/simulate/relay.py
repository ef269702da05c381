"""A cable that can be cut: a TCP relay between a client and its broker, on the loopback address.

`cut` is a pulled cable: connections stay open and nothing passes. `drop` is a dead peer: every
connection is reset and new ones are refused at once.
"""

from __future__ import annotations

import asyncio
import socket
from enum import StrEnum
from types import TracebackType
from typing import Self

LOOPBACK = "127.0.0.1"
CHUNK = 65536
CONNECTIONS_MAX = 64


class Cable(StrEnum):
    """What the cable does."""

    WHOLE = "whole"
    CUT = "cut"
    DEAD = "dead"


class Relay:
    """Passes bytes between a free port of its own and a broker."""

    def __init__(self, host: str, port: int) -> None:
        """Aim at a broker; `url` is where clients go instead."""
        self._host, self._port = host, port
        self._server: asyncio.Server | None = None
        self._state = Cable.WHOLE
        self._whole = asyncio.Event()
        self._whole.set()
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """The address for clients."""
        if self._server is None:
            raise RuntimeError("the relay has no address before it is entered")
        return f"mqtt://{LOOPBACK}:{self._server.sockets[0].getsockname()[1]}"

    async def __aenter__(self) -> Self:
        """Listen on a free port."""
        self._server = await asyncio.start_server(self._connected, LOOPBACK, 0)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close every connection."""
        if self._server is not None:
            self._server.close()
        self._hang_up()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """Pull the cable."""
        self._state = Cable.CUT
        self._whole.clear()

    def drop(self) -> None:
        """Reset every connection, refuse new ones."""
        self._state = Cable.DEAD
        self._hang_up()

    def mend(self) -> None:
        """Put the cable back."""
        self._state = Cable.WHOLE
        self._whole.set()

    def _hang_up(self) -> None:
        for writer in tuple(self._writers):
            writer.transport.abort()

    async def _connected(self, near: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
        if self._state is Cable.DEAD or len(self._writers) >= CONNECTIONS_MAX:
            out.transport.abort()
            return
        await self._whole.wait()
        try:
            far, onward = await asyncio.open_connection(self._host, self._port)
        except OSError:
            out.transport.abort()
            return
        for writer in (out, onward):
            raw = writer.get_extra_info("socket")
            raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._writers.add(writer)
        both = (
            asyncio.create_task(self._pass(near, onward), name="relay-up"),
            asyncio.create_task(self._pass(far, out), name="relay-down"),
        )
        self._tasks.update(both)
        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        for writer in (out, onward):
            writer.transport.abort()
            self._writers.discard(writer)
        await asyncio.wait(both)
        self._tasks.difference_update(both)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(CHUNK):
                await self._whole.wait()
                writer.write(data)
                await writer.drain()
        except OSError:
            return
