"""The roles on real pins: node, engine, and both with a broker in one program."""

from __future__ import annotations

import asyncio
import signal
from contextlib import AsyncExitStack
from typing import Any

import click

from monitor.cli.common import find_config, pick, with_config, with_station
from monitor.errors import ExitCode

LOG = click.option("--log-level", type=click.Choice(["debug", "info", "warning", "error"]),
                   default="info", show_default=True, help="How much to log.")  # fmt: skip


def _play(config_path: str | None, station: str | None, level: str, *roles: str) -> int:
    """Run roles until a signal ends them; the valve is shut by then."""
    from monitor.logs import configure

    config, _ = find_config(config_path, sample=False)
    chosen = pick(config, station)
    configure(station=chosen.id, level=level, simulated=config.hardware.pins == "mock")
    asyncio.run(_roles(config, chosen, roles))
    return ExitCode.OK


async def _roles(config: Any, station: Any, roles: tuple[str, ...]) -> None:
    from monitor.app import Surroundings, engine_of, node_of, together
    from monitor.clock import MonotonicClock
    from monitor.notify_systemd import notify

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, stop.set)
    clock = MonotonicClock()
    async with AsyncExitStack() as stack:
        parts: list[Any] = []
        url = await _url(config, stack, own="broker" in roles)
        around = Surroundings(
            url=url, clock=clock, alive=notify, simulated=config.hardware.pins == "mock"
        )
        if "node" in roles:
            from monitor.drivers.factory import open_factory

            factory = open_factory(config.hardware.pins)
            parts.append(node_of(config, station, factory, around))
        if "engine" in roles:
            from monitor.journal.writer import JournalWriter

            writer = JournalWriter(config.journal.path, wall=clock.wall)
            stack.push_async_callback(writer.aclose)
            parts.append(engine_of(station, around, writer))
        await together(stop, *parts)


async def _url(config: Any, stack: AsyncExitStack, *, own: bool) -> str:
    broker = config.broker
    if not broker.embedded:
        return str(broker.url.get_secret_value())
    if own:
        from monitor.link.broker import EmbeddedBroker

        return (await stack.enter_async_context(EmbeddedBroker(port=broker.port))).url
    return f"mqtt://127.0.0.1:{broker.port}"


@click.command()
@with_station
@with_config
@LOG
def run(station: str | None, config_path: str | None, log_level: str) -> int:
    """Run everything for one station in one program: broker, node and engine."""
    return _play(config_path, station, log_level, "broker", "node", "engine")


@click.command()
@with_station
@with_config
@LOG
def node(station: str | None, config_path: str | None, log_level: str) -> int:
    """Run the node: the sensors, and the guard beside the valve."""
    return _play(config_path, station, log_level, "node")


@click.command()
@with_station
@with_config
@LOG
def engine(station: str | None, config_path: str | None, log_level: str) -> int:
    """Run the engine: the rules, the forecast and the record."""
    return _play(config_path, station, log_level, "engine")
