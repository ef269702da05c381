"""Roles as processes of their own, for faults that kill or freeze one."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path

from monitor.app import Surroundings, engine_of, node_of
from monitor.config import loads
from monitor.errors import ConfigError
from monitor.journal.writer import COMMIT_EVERY_S, JournalWriter
from monitor.logs import configure
from monitor.notify_systemd import notify
from monitor.simulate.child import Context
from monitor.stage.script import simulated


def _around(context: Context, url: str, seed: int) -> Surroundings:
    ids = random.Random(f"{context.name} {seed} {context.clock.now_s()}")
    return Surroundings(
        url=url,
        clock=context.clock,
        ledger=context.ledger,
        keepalive_s=0,
        new_id=lambda: f"{ids.getrandbits(48):012x}",
        alive=notify,
        simulated=True,
    )


async def engine_role(
    context: Context,
    text: str,
    station: str,
    url: str,
    w1_root: str,
    journal: str,
    seed: int,
    verbose: bool,
) -> None:
    """Run the engine as a process of its own, until it is told to stop."""
    _log(context, verbose)
    config = simulated(loads(text), Path(w1_root))
    writer = JournalWriter(journal, wall=context.clock.wall)
    keeper = asyncio.create_task(_keep(writer), name="keeper")
    try:
        engine = engine_of(config.stations[station], _around(context, url, seed), writer)
        await engine.run(asyncio.Event())
    finally:
        keeper.cancel()
        await writer.aclose()


async def _keep(writer: JournalWriter) -> None:
    """Commit once a simulated second, as the writer by itself does once a real one."""
    while True:
        await asyncio.sleep(COMMIT_EVERY_S)
        await asyncio.to_thread(writer.flush)


def _log(context: Context, verbose: bool) -> None:
    level = "info" if verbose else "critical"
    configure(simulated=True, level=level, wall=context.clock.wall)


async def node_role(
    context: Context,
    text: str,
    station: str,
    url: str,
    w1_root: str,
    journal: str,
    seed: int,
    verbose: bool,
) -> None:
    """Run the node as a process of its own, on mock pins that the plant drives from afar."""
    del journal  # a node keeps no record
    _log(context, verbose)
    if context.bench_server is None:
        raise ConfigError("a node needs pins", where="node_role")
    config = simulated(loads(text), Path(w1_root))
    around = _around(context, url, seed)
    node = node_of(config, config.stations[station], context.bench_server.factory, around)
    await node.run(asyncio.Event())
