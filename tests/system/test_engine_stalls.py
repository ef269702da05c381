"""The engine as a real process, killed, or frozen and thawed, while a node holds the valve open for
it: in real time, over a real broker.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.commands import Background, Done, brimwatch
from support.manager import Manager
from support.stand import Stand, until

SHUT_WITHIN_S = 3.0  # hazards C01 and C02
WATCHED_S = 3.0  # more than a permit and a reading, for anything that might open the valve again


class Crew:
    """A running node in this process, an engine in another, and a person at the command line."""

    def __init__(self, stand: Stand) -> None:
        self.stand = stand
        self.args = ("--config", str(stand.config_path))
        self.folder = Path(stand.config_path).parent

    @contextlib.contextmanager
    def engine(self) -> Iterator[Background]:
        """Run an engine, and go on when it says that it is ready."""
        with (
            Manager() as manager,
            Background("engine", *self.args, cwd=self.folder, env=manager.env) as engine,
        ):
            manager.wait("READY=1", within_s=20.0)
            yield engine

    async def ask(self, verb: str, *more: str) -> Done:
        return await asyncio.to_thread(brimwatch, verb, *self.args, *more, cwd=self.folder)

    async def status(self) -> dict[str, Any]:
        return (await self.ask("status", "--json")).last

    async def open(self) -> None:
        """Start a fill as a person does, and wait until the relay is on."""
        asked = await self.ask("fill", "--litres", "20")
        assert asked.code == 0, asked
        await until(lambda: self.stand.relay.on, 5.0)


@pytest.fixture
def crew(stand: Stand) -> Crew:
    return Crew(stand)


async def test_a_killed_engine_shuts_and_its_successor_opens_nothing(crew: Crew) -> None:
    """Claim (C01, C08): with the engine killed in mid-fill the valve is shut within 3 s; an engine
    started anew records the fill as cut short, says so, and opens nothing by itself.
    """
    stand = crew.stand
    with crew.engine() as engine:
        await crew.open()
        engine.send(signal.SIGKILL)
        struck_s = time.monotonic()
        await until(lambda: not stand.relay.on, 6.0)
        shut_s = stand.relay.released_after_s(struck_s) + stand.station.valve.closing_s
        assert shut_s <= SHUT_WITHIN_S
    assert stand.node.guard.cause == "C01"  # the broker told the engine's last will
    with crew.engine() as engine:
        await asyncio.sleep(WATCHED_S)
        status = await crew.status()
        assert (status["phase"], status["cause"]) == ("stopped", "C08")
        assert not stand.relay.opened_since(struck_s)
        fill = (await crew.ask("history", "--json")).last
        assert (fill["outcome"], fill["cause"]) == ("interrupted", "C01")
        done = await asyncio.to_thread(engine.end, signal.SIGTERM, within_s=5.0)
    assert done.code == 0


async def test_a_frozen_engine_shuts_and_opens_nothing_when_it_thaws(crew: Crew) -> None:
    """Claim (C02): with the engine frozen in mid-fill the valve is shut within 3 s; thawed, it
    finds out that it overslept, ends the fill, and nothing it says opens the valve again.
    """
    stand = crew.stand
    with crew.engine() as engine:
        await crew.open()
        engine.send(signal.SIGSTOP)
        struck_s = time.monotonic()
        await until(lambda: not stand.relay.on, 6.0)
        shut_s = stand.relay.released_after_s(struck_s) + stand.station.valve.closing_s
        assert shut_s <= SHUT_WITHIN_S
        await asyncio.sleep(1.0)  # readings for it pile up at the broker meanwhile
        engine.send(signal.SIGCONT)
        await asyncio.sleep(WATCHED_S)
        assert not stand.relay.opened_since(struck_s)
        status = await crew.status()
        assert (status["phase"], status["cause"]) == ("stopped", "C02")
        assert status["valve_open"] is False
        assert (await crew.ask("reset")).code == 0
        assert not stand.relay.opened_since(struck_s)
        done = await asyncio.to_thread(engine.end, signal.SIGTERM, within_s=5.0)
    assert done.code == 0


async def test_an_engine_that_is_told_to_end_shuts_the_valve_first(crew: Crew) -> None:
    """Claim: an orderly end of the engine in mid-fill withdraws its permit at once, does not wait
    for it to run out, and closes the record.
    """
    stand = crew.stand
    with crew.engine() as engine:
        await crew.open()
        told_s = time.monotonic()
        done = await asyncio.to_thread(engine.end, signal.SIGTERM, within_s=3.0)
        assert done.code == 0
        await until(lambda: not stand.relay.on, 3.0)
        assert stand.relay.released_after_s(told_s) < 1.0
    fill = (await crew.ask("history", "--json")).last
    assert fill["outcome"] == "stopped"
    assert fill["ended"] is not None


async def test_two_engines_on_one_station_shut_it(crew: Crew) -> None:
    """Claim (C12): permits of a second engine for another fill, while a fill runs, shut the valve
    within 3 s; it obeys neither of them afterwards.
    """
    stand = crew.stand
    with crew.engine():
        await crew.open()
        began_s = time.monotonic()
        lead = asyncio.create_task(stand.lead("another-fill"), name="second engine")
        try:
            await until(lambda: not stand.relay.on, 6.0)
            shut_s = stand.relay.released_after_s(began_s) + stand.station.valve.closing_s
            assert shut_s <= SHUT_WITHIN_S
            assert stand.node.guard.cause == "C12"
            status = await crew.status()
            assert (status["phase"], status["cause"]) == ("stopped", "C12")
            await asyncio.sleep(WATCHED_S)
            assert not stand.relay.opened_since(began_s)
        finally:
            lead.cancel()
            await asyncio.gather(lead, return_exceptions=True)
