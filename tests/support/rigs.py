"""The brokers the link suite runs over, each with the same few handles."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack
from typing import Any

import aiomqtt
import pytest

from monitor.core.exchange import Incoming, Presence
from monitor.link.broker import EmbeddedBroker
from monitor.link.codec import Packet
from monitor.link.endpoint import Endpoint
from monitor.link.memory import MemoryHub, MemoryLink
from monitor.link.mqtt import MqttLink
from monitor.link.plugs import PlugTopics
from monitor.ports import NO_LEDGER, Ledger
from support.mosquitto import Mosquitto, find_mosquitto, free_port

PATIENCE_S = 8.0


async def until(condition: Callable[[], bool], within_s: float = PATIENCE_S) -> None:
    """Wait until a condition holds; fail when it does not in time."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110  # conditions are of every kind, events are not
            await asyncio.sleep(0.003)


async def take(incoming: AsyncIterator[Incoming], count: int = 1) -> list[Incoming]:
    """Return the next messages; fail when they do not come in time."""
    async with asyncio.timeout(PATIENCE_S):
        return [await anext(incoming) for _ in range(count)]


class Rig:
    """A broker that can be stopped, started, frozen and spoken to by a stranger."""

    freezes = True

    async def start(self) -> None:
        raise NotImplementedError

    async def stop(self) -> None:
        raise NotImplementedError

    def freeze(self) -> None:
        raise NotImplementedError

    def thaw(self) -> None:
        raise NotImplementedError

    async def shout(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish as a client that is none of ours."""
        raise NotImplementedError

    def link(
        self,
        client_id: str,
        *subscriptions: str,
        will: Presence | None = None,
        ledger: Ledger = NO_LEDGER,
        plugs: tuple[PlugTopics, ...] = (),
    ) -> Endpoint:
        raise NotImplementedError


class MemoryRig(Rig):
    def __init__(self) -> None:
        self.hub = MemoryHub()

    async def start(self) -> None:
        self.hub.heal()

    async def stop(self) -> None:
        self.hub.stop()

    def freeze(self) -> None:
        self.hub.freeze()

    def thaw(self) -> None:
        self.hub.heal()

    async def shout(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.hub.publish(Packet(topic, payload, 1, retain))

    def link(
        self,
        client_id: str,
        *subscriptions: str,
        will: Presence | None = None,
        ledger: Ledger = NO_LEDGER,
        plugs: tuple[PlugTopics, ...] = (),
    ) -> Endpoint:
        return MemoryLink(
            hub=self.hub,
            client_id=client_id,
            subscriptions=subscriptions,
            will=will,
            ledger=ledger,
            plugs=plugs,
            now_s=time.monotonic,
        )


class MqttRig(Rig):
    url: str

    async def shout(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        host, _, port = self.url.removeprefix("mqtt://").partition(":")
        async with aiomqtt.Client(host, int(port), identifier="stranger") as client:
            await client.publish(topic, payload, qos=1, retain=retain)

    def link(
        self,
        client_id: str,
        *subscriptions: str,
        will: Presence | None = None,
        ledger: Ledger = NO_LEDGER,
        **more: Any,
    ) -> MqttLink:
        return MqttLink(
            url=self.url,
            client_id=client_id,
            subscriptions=subscriptions,
            will=will,
            ledger=ledger,
            now_s=time.monotonic,
            **more,
        )


class EmbeddedRig(MqttRig):
    freezes = False  # it lives in the test's own loop

    def __init__(self) -> None:
        self.stack = AsyncExitStack()
        self.port = 0

    async def start(self) -> None:
        self.broker = await self.stack.enter_async_context(EmbeddedBroker(port=self.port))
        self.port, self.url = self.broker.port, self.broker.url

    async def stop(self) -> None:
        await self.stack.aclose()


class ProcessRig(MqttRig):
    def __init__(self) -> None:
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        self.process = subprocess.Popen(  # noqa: ASYNC220  # a few ms, and to be signalled
            [sys.executable, "-m", "monitor.link.broker", "--port", str(self.port)],
            stdout=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        line = await asyncio.to_thread(self.process.stdout.readline)
        assert line == f"{self.port}\n".encode()

    async def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            assert self.process.stdout is not None
            self.process.stdout.close()
            self.process = None

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)


class MosquittoRig(MqttRig):
    def __init__(self) -> None:
        if find_mosquitto() is None:
            pytest.skip("mosquitto is not installed: nothing was checked over a real broker")
        self.broker = Mosquitto()
        self.url = self.broker.url
        self.entered = False

    async def start(self) -> None:
        if self.entered:
            await asyncio.to_thread(self.broker.start)
        else:
            await asyncio.to_thread(self.broker.__enter__)
            self.entered = True

    async def stop(self) -> None:
        self.broker.kill()

    def freeze(self) -> None:
        self.broker.freeze()

    def thaw(self) -> None:
        self.broker.thaw()


RIGS = {
    "memory": MemoryRig,
    "embedded": EmbeddedRig,
    "process": ProcessRig,
    "mosquitto": MosquittoRig,
}
