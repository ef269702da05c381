"""A node with a valve and a drain, in this very process: mock pins, and a broker in memory.

Its sensors are wired as at a tank with a sump and a vessel for the waste water. All is well until a
test says otherwise.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import AsyncExitStack
from dataclasses import replace
from types import TracebackType
from typing import Any, Self

from gpiozero.pins.mock import MockFactory

from monitor.app import FLOAT_TRIP, LEAK_TRIP, LOW_TRIP, OVER_TRIP, STORE_TRIP, SUMP_TRIP
from monitor.clock import MonotonicClock
from monitor.core.debounce import LEAK_DEBOUNCE
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Permit,
    Presence,
    ReadingPack,
    Way,
    Withdraw,
)
from monitor.core.limits import DEFAULTS, Limits
from monitor.drivers.buzzer import Sounder
from monitor.drivers.relay import Relay
from monitor.drivers.switch import FloatSwitch, LeakProbe
from monitor.gate import Gate, LocalTrip
from monitor.link.memory import MemoryHub, MemoryLink
from monitor.link.topics import filter_for
from monitor.node import Node
from support.rigs import until

STATION, BOOT = "river", "b0"
RELAYS = {Way.IN: 17, Way.OUT: 5}
BUZZER = 27
FLOATS = {"high": 22, "over": 10, "sump": 9, "low": 11, "store": 6}
LEAK = 23
TRIPS: dict[Way, dict[str, LocalTrip]] = {
    Way.IN: {"high": FLOAT_TRIP, "over": OVER_TRIP, "sump": SUMP_TRIP, "floor": LEAK_TRIP},
    Way.OUT: {"low": LOW_TRIP, "store": STORE_TRIP, "floor": LEAK_TRIP},
}
# One debounce for all, the probe's: the floats' own is tried with the floats.
QUICK = replace(LEAK_DEBOUNCE, hold_s=0.02, bound_s=0.06, release_s=0.05)


class TwoWay:
    """The node, an engine's link that hears it, and hands on every pin."""

    def __init__(self, *, drain: bool = True, limits: Limits = DEFAULTS, **more: Any) -> None:
        self.hub, self.factory, self.limits = MemoryHub(), MockFactory(), limits
        self.node = self._node(drain, more)
        heard = tuple(filter_for(kind, STATION) for kind in (ReadingPack, GuardReport, Presence))
        self.engine = self._link("engine", heard)
        self.packs: list[ReadingPack] = []
        self.reports: list[GuardReport] = []
        self.presences: list[Presence] = []
        self.stop = asyncio.Event()
        self.running: asyncio.Task[None]
        self._leads: dict[tuple[str, Way], int] = {}  # who gets a permit for each reading
        self._seq = 0
        self._stack = AsyncExitStack()

    def _link(
        self, client: str, heard: tuple[str, ...], will: Presence | None = None
    ) -> MemoryLink:
        return MemoryLink(
            hub=self.hub, client_id=client, subscriptions=heard, will=will, now_s=time.monotonic
        )

    def _node(self, drain: bool, more: dict[str, Any]) -> Node:
        made = {
            way: Relay(pin=pin, factory=self.factory)
            for way, pin in RELAYS.items()
            if way is Way.IN or drain
        }
        self.buzzer = Sounder(pin=BUZZER, factory=self.factory)
        how: Any = {"factory": self.factory, "debounce": QUICK, "poll_s": 0.05}
        self.sensors = [
            FloatSwitch(sensor_id=name, pin=pin, **how) for name, pin in FLOATS.items()
        ] + [LeakProbe(sensor_id="floor", pin=LEAK, **how)]
        kinds = (Permit, Withdraw, Presence, AlarmNotice)
        heard = tuple(filter_for(kind, STATION) for kind in kinds)
        return Node(
            **{
                "station": STATION,
                "node": "river-node",
                "boot": BOOT,
                "link": self._link("node", heard, Presence(STATION, "node", BOOT, True)),
                "sensors": self.sensors,
                "trips": TRIPS,
                "relay": made[Way.IN],
                "drain": made.get(Way.OUT),
                "buzzer": self.buzzer,
                "clock": MonotonicClock(),
                "limits": self.limits,
                **more,
            }
        )

    async def __aenter__(self) -> Self:
        await self._stack.enter_async_context(self.engine)
        listener = asyncio.create_task(self._listen(), name="engine")
        self._stack.push_async_callback(asyncio.wait, {listener})
        self._stack.callback(listener.cancel)
        await until(lambda: self.engine.connected)
        self.running = asyncio.create_task(self.node.run(self.stop), name="node")
        pins = [self.factory.pin(pin) for pin in (*FLOATS.values(), LEAK)]
        await until(lambda: self.running.done() or all(pin._when_changed for pin in pins))
        for name in FLOATS:
            self.trip(name, on=False)
        self.wet(on=False)
        await until(lambda: all(not gate.trip for gate in self.node.gates.values()))
        await until(lambda: len(self.packs) > 0)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop.set()
        await asyncio.wait({self.running})
        await self._stack.aclose()
        for gate in self.node.gates.values():
            gate.relay.close()
        self.buzzer.close()

    async def _listen(self) -> None:
        async for incoming in self.engine.incoming():
            match incoming.message:
                case ReadingPack() as pack:
                    self.packs.append(pack)
                    for fill, way in self._leads:
                        self.permit(fill, way)
                case GuardReport() as report:
                    self.reports.append(report)
                case Presence() as presence:
                    self.presences.append(presence)

    # --- what an engine does ---

    def permit(self, fill: str, way: Way, **more: Any) -> None:
        """Give leave once, on the newest reading."""
        self._seq += 1
        last = self.packs[-1]
        made = Permit(
            STATION, "e0", self._seq, last.boot, last.uptime_s, self.limits.permit_ttl_s, fill, way
        )
        self.engine.send(replace(made, **more))

    def lead(self, fill: str, way: Way) -> None:
        """Give leave now and on every reading from now on."""
        self._leads[fill, way] = 1
        self.permit(fill, way)

    def leave(self) -> None:
        """Give no leave any more, and say nothing of it."""
        self._leads.clear()

    def withdraw(self, fill: str, way: Way) -> None:
        self._seq += 1
        self.engine.send(Withdraw(STATION, "e0", self._seq, BOOT, fill, "person", False, way))

    async def opened(self, fill: str, way: Way) -> None:
        """Lead a fill, and wait until its way is open."""
        self.lead(fill, way)
        await until(lambda: self.on(way))

    # --- pins ---

    def on(self, way: Way) -> bool:
        """Whether a relay's pin is on."""
        return bool(self.factory.pin(RELAYS[way]).state)

    @property
    def sounding(self) -> bool:
        return bool(self.factory.pin(BUZZER).state)

    def trip(self, name: str, *, on: bool = True) -> None:
        """Open or close a float's loop."""
        pin = self.factory.pin(FLOATS[name])
        if on:
            pin.drive_high()
        else:
            pin.drive_low()

    def wet(self, *, on: bool = True) -> None:
        pin = self.factory.pin(LEAK)
        if on:
            pin.drive_low()
        else:
            pin.drive_high()

    # --- what was heard ---

    def gate(self, way: Way) -> Gate:
        return self.node.gates[way]

    async def heard(self, packs: int = 3) -> None:
        """Wait for so many more packs."""
        enough = len(self.packs) + packs
        await until(lambda: len(self.packs) >= enough)

    def last(self, way: Way) -> GuardReport:
        return [report for report in self.reports if report.way is way][-1]
