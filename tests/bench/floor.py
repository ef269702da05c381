"""The floor under every latency of ours: two bare aiomqtt clients and a broker, nothing else.

    python tests/bench/floor.py mqtt://127.0.0.1:1883 [rounds]

One round trip is publish → broker → subscriber → publish → broker → subscriber, one at a time, at
QoS 1, with TCP_NODELAY on the clients' sockets. A broker that leaves it off adds 44 ms a leg.
"""

from __future__ import annotations

import asyncio
import socket
import statistics
import sys
import time
from urllib.parse import urlsplit

import aiomqtt

PAYLOAD = b"x" * 100
NODELAY = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)


async def bare_round_trip(url: str, n: int, pause_s: float = 0.0) -> list[float]:
    """Return the seconds that each of `n` round trips through the broker at `url` took. A pause
    before each lets caches and processor cool down, as they are when a probe gets wet.
    """
    parts = urlsplit(url)
    assert parts.hostname is not None
    assert parts.port is not None
    here = aiomqtt.Client(
        parts.hostname, parts.port, identifier="floor-here", socket_options=NODELAY
    )
    there = aiomqtt.Client(
        parts.hostname, parts.port, identifier="floor-there", socket_options=NODELAY
    )
    async with here, there:
        await here.subscribe("floor/back", qos=1)
        await there.subscribe("floor/out", qos=1)
        echo = asyncio.create_task(_echo(there), name="floor echo")
        try:
            return [await _once(here, pause_s) for _ in range(n)]
        finally:
            # Up to Python 3.11 a cancel is lost where what it interrupts ends in the same turn.
            while not echo.done():
                echo.cancel()
                await asyncio.wait({echo}, timeout=0.1)


async def _once(client: aiomqtt.Client, pause_s: float) -> float:
    if pause_s > 0:
        await asyncio.sleep(pause_s)
    start_s = time.perf_counter()
    await client.publish("floor/out", PAYLOAD, qos=1)
    await anext(aiter(client.messages))
    return time.perf_counter() - start_s


async def _echo(client: aiomqtt.Client) -> None:
    async for message in client.messages:
        await client.publish("floor/back", message.payload, qos=1)


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    times = sorted(asyncio.run(bare_round_trip(sys.argv[1], rounds)))
    print(
        f"bare round trip, {rounds} rounds: p50 {statistics.median(times) * 1e3:.2f} ms, "
        f"p99 {times[int(rounds * 0.99)] * 1e3:.2f} ms, max {times[-1] * 1e3:.2f} ms"
    )


if __name__ == "__main__":
    main()
