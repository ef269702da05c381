"""A node in this very process, in real time, on mock pins and over a real broker.

So a test may hold up its loop, break its guard, and look at its relay from a thread of its own.
"""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gpiozero.pins.mock import MockFactory

from monitor.app import Surroundings, node_of, sensors_of
from monitor.clock import MonotonicClock
from monitor.config import Ds18b20, load
from monitor.core.exchange import GuardReport, Permit, ReadingPack
from monitor.link.mqtt import MqttLink
from monitor.link.topics import filter_for
from monitor.node import Node
from monitor.simulate.w1 import scratchpad, w1_text
from support.commands import write_config
from support.mosquitto import Mosquitto

STATION = "river"
LOOK_S = 0.002


class RelayWatch(threading.Thread):
    """Looks at the relay's pin from outside the event loop, and writes down each change."""

    def __init__(self, pin: Any) -> None:
        super().__init__(daemon=True)
        self._pin = pin
        self._end = threading.Event()
        self.changes: list[tuple[float, bool]] = [(time.monotonic(), bool(pin.state))]

    def run(self) -> None:
        while not self._end.wait(LOOK_S):
            on = bool(self._pin.state)
            if on != self.changes[-1][1]:
                self.changes.append((time.monotonic(), on))

    def close(self) -> None:
        self._end.set()
        self.join()

    @property
    def on(self) -> bool:
        return self.changes[-1][1]

    def released_after_s(self, since_s: float) -> float:
        """Return how long after `since_s` the relay was let go, which it must have been.

        The watch looks now and then: what has just happened it sees with its next look.
        """
        time.sleep(2 * LOOK_S)
        assert not self.on, self.changes
        at_s, _ = self.changes[-1]
        return at_s - since_s

    def opened_since(self, since_s: float) -> bool:
        return any(on and at_s > since_s for at_s, on in self.changes)


class Stand:
    """A node at mock pins whose float hangs low, whose floor is dry and whose water has 25 °C."""

    def __init__(self, folder: Path, broker: Mosquitto, *, simulated: bool = False) -> None:
        root = folder / "w1"
        self.broker = broker
        self.config_path = write_config(
            folder,
            url=broker.url,
            hardware__pins='"mock"',
            hardware__w1_root=json.dumps(str(root)),
        )
        self.config = load(self.config_path)
        self.station = self.config.stations[STATION]
        address = next(iter(self.station.fitted(Ds18b20).values())).address
        (root / address).mkdir(parents=True)
        (root / address / "w1_slave").write_text(w1_text(scratchpad(25.0)))
        self.factory = MockFactory()
        self.stop = asyncio.Event()
        self.reports: list[GuardReport] = []
        self.packs = 0
        around = Surroundings(url=broker.url, clock=MonotonicClock(), simulated=simulated)
        self.sensors = sensors_of(self.config, self.station, self.factory)
        self.node: Node = node_of(self.config, self.station, self.factory, around, self.sensors)
        self.relay = RelayWatch(self.factory.pin(self.station.valve.pin))
        self.running: asyncio.Task[None]
        self._seq = 0

    async def start(self) -> None:
        """Start the node, and let its sensors say that all is well."""
        self.relay.start()
        self.running = asyncio.create_task(self.node.run(self.stop), name="node")
        async with asyncio.timeout(10.0):
            while not self.factory.pin(22)._when_changed:  # noqa: ASYNC110 - gpiozero has no event
                await asyncio.sleep(0.01)
        self.factory.pin(22).drive_low()  # the float's loop is closed
        self.factory.pin(23).drive_high()  # and the leak probe's is open

    async def end(self) -> None:
        self.stop.set()
        await asyncio.gather(self.running, return_exceptions=True)
        self.relay.close()
        # A node keeps its outputs at rest until the program ends; this program goes on.
        for output in (*(gate.relay for gate in self.node.gates.values()), self.node._buzzer):
            if output is not None:
                output.close()

    async def lead(self, fill: str) -> None:
        """Be the engine: answer each reading with a permit for this fill, for ever."""
        link = MqttLink(
            url=self.broker.url,
            client_id=f"engine-of-{fill}",
            subscriptions=(filter_for(ReadingPack, STATION), filter_for(GuardReport, STATION)),
            will=None,
            now_s=time.monotonic,
        )
        async with link:
            async for incoming in link.incoming():
                match incoming.message:
                    case ReadingPack() as pack if not incoming.retained:
                        self.packs += 1
                        self._seq += 1
                        ttl_s = self.station.limits.permit_ttl_s
                        link.send(Permit(STATION, "e0", self._seq, pack.boot, pack.uptime_s,
                                         ttl_s, fill))  # fmt: skip
                    case GuardReport() as report:
                        self.reports.append(report)
                    case _:
                        pass


async def until(condition: Callable[[], bool], within_s: float) -> None:
    """Wait until a condition holds; fail when it does not in time."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110  # conditions are of every kind, events are not
            await asyncio.sleep(0.005)
