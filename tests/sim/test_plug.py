"""A simulated mains plug on a link: it obeys, it says what it has done, and it may be stuck."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from typing import Any

import pytest

from monitor.core.exchange import PlugOrder, PlugState
from monitor.link.codec import Packet
from monitor.link.memory import MemoryHub, MemoryLink
from monitor.link.plugs import PlugTopics
from monitor.simulate.plug import PlugDevice

TOPICS = PlugTopics(
    station="river",
    plug="heater",
    order_topic="museum/heater/set",
    on_payload="ON",
    off_payload="OFF",
    state_topic="museum/heater/state",
    state_on="ON",
    state_off="OFF",
)


class Load:
    """What hangs on the plug."""

    def __init__(self) -> None:
        self.on = False
        self.obeys = True

    def switch(self, plug: str, on: bool) -> bool:
        assert plug == "heater"
        if self.obeys:
            self.on = on
        return self.on


class Bench:
    """A plug, and an engine that gives orders and hears states."""

    def __init__(self) -> None:
        self.hub = MemoryHub()
        self.load = Load()
        self.heard: list[bool] = []
        self.engine = self._link("engine", TOPICS.state_topic)
        self.link = self._link("plug", TOPICS.order_topic)
        self.plug = PlugDevice("river", "heater", self.link, self.load.switch, on=True)

    def _link(self, client_id: str, *subscriptions: str) -> MemoryLink:
        now_s: Any = asyncio.get_running_loop().time
        return MemoryLink(
            hub=self.hub, client_id=client_id, subscriptions=subscriptions, will=None,
            plugs=(TOPICS,), now_s=now_s,
        )  # fmt: skip

    async def listen(self) -> None:
        async for incoming in self.engine.incoming():
            assert isinstance(incoming.message, PlugState)
            self.heard.append(incoming.message.on)

    async def order(self, on: bool) -> None:
        assert self.engine.send(PlugOrder("river", "heater", on))
        await self.settle()

    async def settle(self) -> None:
        for _ in range(20):
            await asyncio.sleep(0)


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    async with AsyncExitStack() as stack:
        bench = Bench()
        await stack.enter_async_context(bench.engine)
        await stack.enter_async_context(bench.link)
        tasks = [asyncio.create_task(bench.plug.run()), asyncio.create_task(bench.listen())]
        for _ in range(200):
            if bench.heard:
                break
            await asyncio.sleep(0.005)
        yield bench
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def test_a_plug_says_how_it_is_when_it_connects(bench: Bench) -> None:
    """Nobody has to ask: its first state is on the broker as soon as the plug is."""
    assert bench.heard == [True]
    assert bench.load.on


async def test_a_plug_obeys_and_says_so(bench: Bench) -> None:
    """Each order is done and answered with the state that followed, also when nothing changed."""
    await bench.order(False)
    assert not bench.load.on
    await bench.order(False)
    await bench.order(True)
    assert bench.heard == [True, False, False, True]
    assert bench.load.on
    assert bench.plug.on


async def test_a_stuck_plug_answers_with_what_its_load_has(bench: Bench) -> None:
    """An order that is not obeyed is not claimed to be."""
    bench.load.obeys = False
    await bench.order(False)
    assert bench.heard == [True, True]
    assert bench.load.on


async def test_a_pressed_button_is_told_unasked(bench: Bench) -> None:
    """Somebody presses the plug's own button: the network hears of it."""
    bench.plug.pressed(False)
    await bench.settle()
    assert bench.heard == [True, False]
    assert not bench.plug.on


async def test_a_word_that_is_no_order_moves_nothing(bench: Bench) -> None:
    """Nonsense on its topic is not obeyed, not answered, and counted."""
    for payload in (b"MAYBE", b"", b"\xff"):
        bench.hub.publish(Packet(TOPICS.order_topic, payload, 1, False))
        await bench.settle()
    assert bench.heard == [True]
    assert bench.load.on
    assert bench.link.rejected == 3
