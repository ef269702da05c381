"""From a wet probe to a released relay, in real time: how long, and how much of it is the broker's.

    python tests/bench/latency.py [--repeat 300] [--broker embedded|mosquitto] [--json]

Node, engine, journal and broker run as `brimwatch run` runs them, on gpiozero's own mock pins. The
clock starts in the thread that makes the edge on the probe's pin, just before it does, and stops
in the call that changes the relay's pin. Two ways are measured:

- *engine*: the node's local trips are switched off, so the edge goes through the broker to the
  engine, and its withdrawal through the broker back to the guard;
- *guard*: the local trip, which asks nobody.

Each is measured with the probe's debounce at nothing, which shows the program alone, and with the
default hold and bound. The floor is `floor.py`: two bare clients and the same broker, one trip
there and one back, in the same process and loop, in turns with the other measurements: once back
to back, when everything is warm, and once now and then, which is how an edge meets the machine.

What differs from a real fill, so that a repetition takes a third of a second: readings come every
0.2 s (the shortest a config may set), the pre-fill check lasts 0.05 s, and the probe counts as dry
after as long as it counts as wet. None of these lies on the way that is measured.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import random
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from figures import load_average, spread_ms, table, tell
from floor import bare_round_trip
from gpiozero.pins.mock import MockFactory, MockPin

from monitor.app import Surroundings, engine_of, guest_link, new_id, node_of, sensors_of
from monitor.cli.common import sample_text
from monitor.clock import MonotonicClock
from monitor.config import Config, Leak, Station, loads
from monitor.core.debounce import LEAK_DEBOUNCE, Debounce
from monitor.core.exchange import Request, Way
from monitor.core.phases import Phase
from monitor.drivers.switch import LeakProbe
from monitor.journal.writer import JournalWriter
from monitor.link.broker import EmbeddedBroker
from monitor.logs import configure
from monitor.simulate.w1 import scratchpad, w1_text
from support.mosquitto import Mosquitto

READING_S = 0.2
CHECK_S = 0.05
PATIENCE_S = 10.0
WATER_C = 25.0
BLOCKS = 3  # turns that floor and ways take, so that all meet the same load
FLOOR_ROUNDS = 300  # at each turn, back to back
RARE_ROUNDS = 50  # at each turn, with a pause as between two readings
AIM = 3.0  # the engine's way may take so many times the floor, at the 99th percentile
DEBOUNCES = {
    "no debounce": Debounce(hold_s=0.0, bound_s=0.0, release_s=0.0),
    "default": replace(LEAK_DEBOUNCE, release_s=LEAK_DEBOUNCE.hold_s),
}


class TimedPin(MockPin):
    """gpiozero's mock pin that notes when it last changed."""

    changed_s = 0.0
    changed: Callable[[bool], None] | None = None

    def _change_state(self, value: bool) -> bool:
        done: bool = super()._change_state(value)
        if done:
            self.changed_s = time.perf_counter()
            if self.changed is not None:
                self.changed(bool(value))
        return done


class Rig:
    """One node, one engine and one asking person at a broker, brought to *filling* at will."""

    def __init__(self, url: str, folder: Path, *, local: bool, debounce: Debounce) -> None:
        config, station = _config(folder)
        self.station = station
        self.factory = MockFactory(pin_class=TimedPin)
        around = Surroundings(url=url, clock=MonotonicClock(), simulated=True)
        self.node = node_of(
            config, station, self.factory, around, _sensors(config, station, self.factory, debounce)
        )
        self.local = local
        if not local:
            self.node.gates[Way.IN].trips.clear()
        self.writer = JournalWriter(folder / "record.db", wall=around.clock.wall)
        self.engine = engine_of(station, around, self.writer)
        self.guest = guest_link(station.id, around, status=False)
        leak_id, leak = next(iter(station.fitted(Leak).items()))
        self.leak_id = leak_id
        self.probe = self.factory.pin(leak.pin)
        self.relay = self.factory.pin(station.valve.pin)
        self.released = asyncio.Event()
        self.relay.changed = self._relay_changed
        self.edges = ThreadPoolExecutor(1, thread_name_prefix="edges")
        self.loop = asyncio.get_running_loop()

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Run the roles; the float hangs low and the probe is dry."""
        stop = asyncio.Event()
        async with AsyncExitStack() as stack:
            stack.callback(self.edges.shutdown)
            stack.push_async_callback(self.writer.aclose)
            roles = [asyncio.create_task(role.run(stop)) for role in (self.node, self.engine)]
            stack.push_async_callback(asyncio.wait, roles)
            stack.callback(stop.set)
            await stack.enter_async_context(self.guest)
            await asyncio.sleep(0.1)  # claiming a pin drives it to its pull
            for part in self.station.sensors.values():
                if part.kind == "float":
                    self.factory.pin(part.pin).drive_low()
            await self.until(lambda: self.guest.connected and self._well())
            yield

    async def once(self, pause_s: float) -> float:
        """Return the seconds from one edge to the relay, and be idle again."""
        await self.fill()
        await asyncio.sleep(pause_s)
        self.released.clear()
        began_s = await self.loop.run_in_executor(self.edges, self._wet)
        await asyncio.wait_for(self.released.wait(), PATIENCE_S)
        took_s = self.relay.changed_s - began_s
        await self.until(lambda: self.engine.state.phase is Phase.STOPPED)
        assert self.engine.state.cause == "W06", self.engine.state.cause
        # The guard names a cause where it shut by itself, and none where the engine told it to.
        assert self.node.guard.cause == ("W06" if self.local else ""), self.node.guard
        await self.dry()
        return took_s

    async def fill(self) -> None:
        """Ask for a fill and wait for the open valve."""
        await self.until(self._well)
        self._ask("fill", {"litres": 100.0})
        await self.until(lambda: self.engine.state.phase is Phase.FILLING and self.relay.state)

    async def dry(self) -> None:
        """Dry the probe and let go of the stop."""
        self.probe.drive_high()
        await self.until(lambda: self._contact(0.0) and not self.engine.state.senses.valve_open)
        self._ask("reset", {})
        await self.until(lambda: self.engine.state.phase is Phase.IDLE)

    async def until(self, true: Callable[[], object]) -> None:
        """Wait until something is true."""
        async with asyncio.timeout(PATIENCE_S):
            while not true():  # noqa: ASYNC110 - the core's state has no event to wait for
                await asyncio.sleep(0.002)

    def _well(self) -> bool:
        tracks = self.engine.state.senses.tracks
        return bool(tracks) and all(
            track.fault is None and (name not in self._contacts or track.value == 0.0)
            for name, track in tracks.items()
        )

    @property
    def _contacts(self) -> set[str]:
        return {name for name, part in self.station.sensors.items()
                if part.kind in ("float", "leak")}  # fmt: skip

    def _contact(self, value: float) -> bool:
        return self.engine.state.senses.tracks[self.leak_id].value == value

    def _ask(self, verb: str, args: dict[str, Any]) -> None:
        assert self.guest.send(Request(self.station.id, new_id(), verb, "bench", args))

    def _wet(self) -> float:
        """Make the edge. Runs in a thread of its own, as a pin library's callbacks do."""
        began_s = time.perf_counter()
        self.probe.drive_low()
        return began_s

    def _relay_changed(self, high: bool) -> None:
        if not high and threading.current_thread() is threading.main_thread():
            self.released.set()


def _config(folder: Path) -> tuple[Config, Station]:
    config = loads(sample_text(), "the invented museum tank")
    station = next(iter(config.stations.values()))
    limits = replace(station.limits, reading_period_s=READING_S, check_quiet_s=CHECK_S)
    station = replace(station, limits=limits)
    for part in station.sensors.values():
        if part.kind == "ds18b20":
            (folder / part.address).mkdir()
            (folder / part.address / "w1_slave").write_text(w1_text(scratchpad(WATER_C)))
    hardware = config.hardware.model_copy(update={"pins": "mock", "w1_root": str(folder)})
    return replace(config, hardware=hardware, stations={station.id: station}), station


def _sensors(
    config: Config, station: Station, factory: MockFactory, debounce: Debounce
) -> tuple[Any, ...]:
    """Return the station's drivers, the probe with another debounce."""
    return tuple(
        LeakProbe(
            sensor_id=sensor.id, pin=part.pin, factory=factory, wet_when=part.wet_when,
            debounce=debounce,
        )
        if isinstance(part := station.sensors[sensor.id], Leak)
        else sensor
        for sensor in sensors_of(config, station, factory)
    )  # fmt: skip


async def measure(url: str, repeat: int, debounces: list[str]) -> dict[str, Any]:
    """Return floor and ways at the broker of this URL."""
    random_s = random.Random("edges")
    times: dict[str, list[float]] = {"floor": [], "floor, now and then": []}
    for name in debounces:
        for local in (False, True):
            way = f"{'guard' if local else 'engine'}, {name}"
            times[way] = []
            with tempfile.TemporaryDirectory() as folder:
                rig = Rig(url, Path(folder), local=local, debounce=DEBOUNCES[name])
                async with rig.running():
                    await rig.once(0.0)  # the first pays for what is loaded late
                    for _ in range(BLOCKS):
                        times["floor"] += await bare_round_trip(url, FLOOR_ROUNDS)
                        rare = await bare_round_trip(url, min(RARE_ROUNDS, repeat), READING_S)
                        times["floor, now and then"] += rare
                        for _ in range(-(-repeat // BLOCKS)):
                            times[way].append(await rig.once(random_s.uniform(0.0, READING_S)))
    result: dict[str, Any] = {way: spread_ms(each) for way, each in times.items()}
    engine_ms = result[f"engine, {debounces[0]}"]["p99_ms"]
    for floor in ("floor", "floor, now and then"):
        result[f"engine_over_{floor}"] = round(engine_ms / result[floor]["p99_ms"], 2)
    return result


async def measure_all(brokers: list[str], repeat: int, debounces: list[str]) -> dict[str, Any]:
    """Return the measurements at each broker."""
    result: dict[str, Any] = {}
    for broker in brokers:
        if broker == "embedded":
            async with EmbeddedBroker() as own:
                result[broker] = await measure(own.url, repeat, debounces)
        else:
            with Mosquitto() as other:
                result[broker] = await measure(other.url, repeat, debounces)
    return result


def report(result: dict[str, Any]) -> str:
    """Return the measurements as text."""
    rows: list[list[object]] = [["probe edge to relay", "n", "p50 ms", "p99 ms", "max ms"]]
    notes = []
    for broker, ways in result["brokers"].items():
        for way, figures in ways.items():
            if isinstance(figures, dict):
                rows.append([f"{broker}: {way}", *figures.values()])
        ratio, rare = ways["engine_over_floor"], ways["engine_over_floor, now and then"]
        word = "kept" if ratio <= AIM else "MISSED"
        notes.append(
            f"{broker}: engine p99 is {ratio} x the floor's (aim {AIM:g}: {word}), {rare} x that "
            "of a floor as seldom as a wet probe"
        )
    load = f"load average {result['load_before']} before, {result['load_after']} after"
    return "\n".join((table(rows), *notes, load))


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description="Latency from a wet probe to a released relay.")
    parser.add_argument("--repeat", type=int, default=300, help="repetitions of each way")
    parser.add_argument("--broker", choices=["embedded", "mosquitto"], help="only this one")
    parser.add_argument("--debounce", choices=list(DEBOUNCES), help="only with this debounce")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    configure(level="critical")
    logging.disable(logging.CRITICAL)
    before = load_average()
    brokers = [args.broker] if args.broker else ["embedded", "mosquitto"]
    debounces = [args.debounce] if args.debounce else list(DEBOUNCES)
    result = {
        "bench": "latency",
        "brokers": asyncio.run(measure_all(brokers, args.repeat, debounces)),
        "load_before": before,
        "load_after": load_average(),
    }
    tell(result, report(result), as_json=args.json)


if __name__ == "__main__":
    main()
