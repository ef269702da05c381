"""MQTT peers and small roles for the tests of simulated time; children import this module too."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt

from monitor.notify_systemd import notify
from monitor.ports import Ledger
from monitor.simulate.child import Context

NODELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]


class Peer:
    """A plain MQTT client that keeps the ledger by hand."""

    def __init__(self, client: aiomqtt.Client, name: str, ledger: Ledger) -> None:
        self.client = client
        self.name = name
        self.ledger = ledger

    async def send(self, topic: str, data: Any, *, qos: int = 1, retain: bool = False) -> None:
        self.ledger.sent(topic)
        self.ledger.busy(self.name)
        try:
            await self.client.publish(topic, json.dumps(data), qos=qos, retain=retain)
        finally:
            self.ledger.idle(self.name)

    async def messages(self) -> AsyncIterator[tuple[str, Any]]:
        async for message in self.client.messages:
            assert isinstance(message.payload, bytes)
            yield str(message.topic), json.loads(message.payload)
            if not message.retain:
                self.ledger.handled(self.name, str(message.topic))


@contextlib.asynccontextmanager
async def peer(port: int, name: str, ledger: Ledger, *filters: str) -> AsyncIterator[Peer]:
    """Connect to the broker on this port, and subscribe."""
    ledger.busy(name)
    client = aiomqtt.Client("127.0.0.1", port, identifier=name, keepalive=0, socket_options=NODELAY)
    await client.__aenter__()
    for each in filters:
        await client.subscribe(each, qos=1)
    ledger.online(name, filters)
    ledger.idle(name)
    try:
        yield Peer(client, name, ledger)
    finally:
        ledger.offline(name)
        ledger.busy(name)
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
        ledger.idle(name)


async def echo(context: Context, *, port: int) -> None:
    """Answer each ask/NAME at once with answer/NAME, and tell the main process what was seen."""
    loop = asyncio.get_running_loop()
    async with peer(port, context.name, context.ledger, f"ask/{context.name}") as link:
        context.send("up")
        async for _, data in link.messages():
            context.send({"seen": data, "at_s": loop.time()})
            await link.send(f"answer/{context.name}", {"of": data, "at_s": loop.time()})


async def gossip(context: Context, *, port: int, to: str, period_s: float) -> None:
    """Send to another role every period, and log all that arrives, with both times."""
    loop = asyncio.get_running_loop()

    async def hear(link: Peer) -> None:
        async for _, data in link.messages():
            context.send(
                {
                    "from": data["from"],
                    "n": data["n"],
                    "sent_s": data["at_s"],
                    "seen_s": loop.time(),
                    "at": context.name,
                }
            )

    async with peer(port, context.name, context.ledger, f"to/{context.name}") as link:
        context.send("up")
        ears = asyncio.create_task(hear(link))
        for n in range(1_000_000):
            await asyncio.sleep(period_s)
            await link.send(f"to/{to}", {"from": context.name, "n": n, "at_s": loop.time()})
        await ears


async def ticker(context: Context, *, period_s: float) -> None:
    """Say the time every period."""
    while True:
        await asyncio.sleep(period_s)
        context.send(context.clock.now_s())


async def mirror(context: Context) -> None:
    """Say every second what the last message was."""
    last: list[Any] = []

    def keep(message: Any) -> None:
        last[:] = [message]

    context.on_message(keep)
    while True:
        await asyncio.sleep(1.0)
        context.send([context.clock.now_s(), *last])


async def thread_ticker(context: Context, *, period_s: float, turns: int) -> None:
    """Have a thread say the time every period."""

    def work() -> None:
        for _ in range(turns):
            context.clock.wait(threading.Event(), period_s)
            context.send(context.clock.now_s())

    thread = threading.Thread(target=work)
    thread.start()
    await asyncio.sleep(period_s * turns + 1)
    thread.join(5)


async def slow(context: Context) -> None:
    """Take a real tenth of a second over each message before answering it."""

    def answer(message: Any) -> None:
        time.sleep(0.1)
        context.send([message, context.clock.now_s()])

    context.on_message(answer)
    await asyncio.Event().wait()


async def tidy(context: Context) -> None:
    """Run until stopped, then take two simulated seconds to clear away."""
    context.send("up")
    try:
        await asyncio.Event().wait()
    finally:
        await asyncio.sleep(2.0)
        context.send(["cleared", context.clock.now_s()])


async def broken(context: Context) -> None:
    """Fail at once."""
    raise LookupError("the tank is in the other room")


async def fed(context: Context, *, feeds: int, period_s: float) -> None:
    """Be a service that feeds its watchdog so many times, then only lives on."""
    notify("READY=1")
    for _ in range(feeds):
        await asyncio.sleep(period_s)
        notify("WATCHDOG=1")
        context.send(["fed", context.clock.now_s()])
    await asyncio.sleep(10_000)


async def watch_thread(context: Context, *, period_s: float, turns: int) -> None:
    """Have a thread wait for simulated time while the loop ticks ten times as fast."""
    seen: list[float] = []

    def work() -> None:
        never = threading.Event()
        for _ in range(turns):
            context.clock.wait(never, period_s)
            seen.append(context.clock.now_s())

    thread = threading.Thread(target=work)
    thread.start()
    for _ in range(11 * turns):
        await asyncio.sleep(period_s / 10)
    thread.join(5)
    context.send(seen)


async def pins(context: Context, *, relay: int, float_pin: int, flow: int) -> None:
    """Close a relay, follow a float, and count pulses with their times."""
    assert context.bench_server is not None
    factory = context.bench_server.factory
    claimed = factory.pin(float_pin)
    claimed.input_with_pull("up")
    context.send(["float", claimed.state])
    times_s: list[float] = []

    def float_changed(ticks: float, state: float) -> None:
        coil.state = not state
        context.send(["float", bool(state), ticks, context.clock.now_s()])

    def pulsed(ticks: float, state: float) -> None:
        times_s.append(ticks)

    meter = factory.pin(flow)
    meter.input_with_pull("up")
    meter.edges = "falling"
    meter.when_changed = pulsed
    coil = factory.pin(relay)
    coil.output_with_state(True)
    claimed.when_changed = float_changed
    while True:
        await asyncio.sleep(1.0)
        context.send(["pulses", list(times_s), context.clock.now_s()])
        times_s.clear()
