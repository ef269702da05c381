"""What happens at the relay when the node's own program misbehaves, in real time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from typing import Any

import pytest

from monitor.core import guard as guard_core
from monitor.core.exchange import Permit
from support.stand import Stand, until

SHUT_WITHIN_S = 5.0  # hazard C06: frozen, or its loop blocked, with the valve open
BLOCKED_S = 6.0
FILL = "f1"


@pytest.fixture
async def open_stand(stand: Stand) -> AsyncIterator[Stand]:
    """A node whose valve a good engine holds open."""
    lead = asyncio.create_task(stand.lead(FILL), name="lead")
    try:
        await until(lambda: stand.relay.on, 10.0)
        yield stand
    finally:
        lead.cancel()
        await asyncio.gather(lead, return_exceptions=True)


async def test_a_blocked_loop_is_shut_from_outside_it(open_stand: Stand) -> None:
    """Claim (C06): with the event loop blocked and the valve open, the watch's own thread lets the
    relay go so soon that the valve is shut within 5 s; when the loop comes round again, the guard
    says C06 and the same fill's permits open nothing any more.
    """
    stand = open_stand
    closing_s = stand.station.valve.closing_s
    began_s = time.monotonic()
    time.sleep(BLOCKED_S)  # noqa: ASYNC251 - blocking the loop is the point
    ended_s = time.monotonic()
    assert stand.relay.released_after_s(began_s) + closing_s <= SHUT_WITHIN_S
    packs = stand.packs
    await until(lambda: stand.packs >= packs + 3, 10.0)
    assert not stand.relay.opened_since(ended_s)
    assert stand.node.guard.cause == "C06"
    assert [report.cause for report in stand.reports if not report.valve_open][-1] == "C06"


async def test_a_guard_that_fails_once_shuts_and_stays_shut(
    open_stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: an exception in the guard's step lets the relay go within the next reading's second;
    the node lives on and sends, and the fill's further permits open nothing.
    """
    stand, step = open_stand, guard_core.step
    struck: list[float] = []

    def failing(state: Any, given: Any, *rest: Any) -> Any:
        if isinstance(given, Permit) and not struck:
            struck.append(time.monotonic())
            raise RuntimeError("put in by a test")
        return step(state, given, *rest)

    monkeypatch.setattr(guard_core, "step", failing)
    await until(lambda: bool(struck), 5.0)
    await until(lambda: not stand.relay.on, 1.0)
    assert stand.relay.released_after_s(struck[0]) < 0.5
    packs = stand.packs
    await until(lambda: stand.packs >= packs + 3, 10.0)
    assert not stand.relay.opened_since(struck[0])
    assert not stand.running.done()


async def test_a_guard_that_fails_for_ever_ends_the_node_shut(
    open_stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: where even the guard's own failure cannot be stepped, the relay is let go and the
    node ends with the error, for the service manager to start it anew.
    """
    stand = open_stand
    began_s = time.monotonic()

    def failing(*_: Any) -> Any:
        raise RuntimeError("put in by a test")

    asyncio.get_running_loop().set_exception_handler(lambda _loop, _context: None)
    monkeypatch.setattr(guard_core, "step", failing)
    await until(stand.running.done, 5.0)
    assert stand.relay.released_after_s(began_s) < 2.0
    with pytest.raises(RuntimeError, match="put in by a test"):
        await stand.running


@pytest.mark.parametrize("kind", ["float", "flow"])
async def test_a_driver_that_fails_ends_the_node_shut(
    kind: str, open_stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: a driver may not raise; should one do so all the same, the relay is let go with the
    next pass and the node ends with the error.
    """
    stand = open_stand
    sensor = next(sensor for sensor in stand.sensors if sensor.kind == kind)
    began_s = time.monotonic()

    def failing(_now_s: float) -> Any:
        raise OSError("put in by a test")

    monkeypatch.setattr(sensor, "sample", failing)
    await until(stand.running.done, 5.0)
    assert stand.relay.released_after_s(began_s) < 2.0
    with pytest.raises(OSError, match="put in by a test"):
        await stand.running


async def test_a_node_that_is_told_to_end_shuts_first(open_stand: Stand) -> None:
    """Claim: an orderly end lets the relay go before anything else can hang."""
    stand = open_stand
    began_s = time.monotonic()
    stand.stop.set()
    await until(stand.running.done, 5.0)
    assert stand.relay.released_after_s(began_s) < 0.5
    await stand.running


async def test_an_engine_that_falls_silent_is_not_taken_for_a_broker(stand: Stand) -> None:
    """Claim (C02): where the broker answers and no permit comes, the guard shuts within 3 s and
    names the engine.
    """
    lead = asyncio.create_task(stand.lead(FILL), name="lead")
    await until(lambda: stand.relay.on, 10.0)
    lead.cancel()
    await asyncio.gather(lead, return_exceptions=True)
    struck_s = time.monotonic()
    await until(lambda: not stand.relay.on, 6.0)
    assert stand.relay.released_after_s(struck_s) + stand.station.valve.closing_s <= 3.0
    assert stand.node.guard.cause == "C02"


async def test_a_frozen_broker_is_a_silence_that_shuts(open_stand: Stand) -> None:
    """Claim (C03): with the broker stopped in its tracks, no goodbye and no closed connection, the
    valve is shut within 3 s in real time, and the guard knows whose silence it was.
    """
    stand = open_stand
    struck_s = time.monotonic()
    stand.broker.freeze()
    try:
        await until(lambda: not stand.relay.on, 6.0)
        after_s = stand.relay.released_after_s(struck_s)
    finally:
        stand.broker.thaw()
    assert after_s + stand.station.valve.closing_s <= 3.0
    assert stand.node.guard.cause == "C03"
    await asyncio.sleep(1.5)
    assert not stand.relay.opened_since(struck_s)
