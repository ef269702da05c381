"""How the embedded broker passes messages on: the right quality of service, in order, bounded."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiomqtt
import pytest

from monitor.link.loopback import MAX_BACKLOG_BYTES, MAX_UNACKED
from support.rigs import EmbeddedRig

TOPIC = "brimwatch/v1/river/readings"
BIG = b"x" * 60_000
SENT = 60  # a third at QoS 1: as many as the sending library has under way at once


def client(rig: EmbeddedRig, name: str) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", rig.port, identifier=name)


@asynccontextmanager
async def mute(
    rig: EmbeddedRig,
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """A client that subscribes to the topic at QoS 1 and then acknowledges nothing."""
    reader, writer = await asyncio.open_connection("127.0.0.1", rig.port, limit=2**16)
    connect = b"\x00\x04MQTT\x04\x02\x00\x00\x00\x04mute"  # MQTT 3.1.1 section 3.1: clean session
    subscribe = b"\x00\x01" + len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + b"\x01"
    for kind, body in ((0x10, connect), (0x82, subscribe)):
        writer.write(bytes([kind, len(body)]) + body)
    assert await reader.readexactly(4) == b"\x20\x02\x00\x00"  # section 3.2: accepted
    assert await reader.readexactly(5) == b"\x90\x03\x00\x01\x01"  # section 3.9: granted QoS 1
    yield reader, writer
    writer.close()


@pytest.mark.parametrize(("said", "asked", "got"), [(0, 0, 0), (0, 1, 0), (1, 0, 0), (1, 1, 1)])
async def test_the_lower_quality_of_service_counts(
    embedded: EmbeddedRig, said: int, asked: int, got: int
) -> None:
    """A message comes at the lower of what its sender chose and its receiver asked for (MQTT 3.1.1
    section 4.3 and [MQTT-3.8.4-6]): a reading sent without acknowledgement needs none.
    """
    async with client(embedded, "hears") as hears, client(embedded, "says") as says:
        await hears.subscribe(TOPIC, qos=asked)
        await says.publish(TOPIC, b"1", qos=said)
        async with asyncio.timeout(5):
            message = await anext(aiter(hears.messages))
    assert message.qos == got


async def test_order_is_kept_across_qualities_of_service(embedded: EmbeddedRig) -> None:
    """An edge sent with acknowledgement and the periodic pack after it arrive in that order: the
    engine would drop the first as older than the second.
    """
    async with client(embedded, "hears") as hears, client(embedded, "says") as says:
        await hears.subscribe(TOPIC, qos=1)
        for number in range(SENT):
            says._client.publish(TOPIC, str(number).encode(), qos=number % 3 % 2)
        async with asyncio.timeout(10):
            got = [int((await anext(aiter(hears.messages))).payload) for _ in range(SENT)]
    assert got == list(range(SENT))


async def test_a_client_that_reads_nothing_is_dropped(embedded: EmbeddedRig) -> None:
    """What waits for a frozen client is bounded: beyond the bound it is dropped, and everybody
    else goes on hearing.
    """
    async with mute(embedded) as (reader, _), client(embedded, "hears") as hears:
        await hears.subscribe(TOPIC, qos=0)
        async with client(embedded, "says") as says:
            heard = 0
            # The kernel's buffers on both sides of a loopback connection hold some megabytes, too.
            for _ in range(4 * MAX_BACKLOG_BYTES // len(BIG)):
                await says.publish(TOPIC, BIG, qos=1)
                async with asyncio.timeout(5):
                    await anext(aiter(hears.messages))
                heard += 1
        assert heard == 4 * MAX_BACKLOG_BYTES // len(BIG)
        with pytest.raises((asyncio.IncompleteReadError, ConnectionResetError)):
            async with asyncio.timeout(5):
                await reader.readexactly(2 * heard * len(BIG))


async def test_a_client_that_acknowledges_nothing_costs_a_bounded_memory(
    embedded: EmbeddedRig,
) -> None:
    """Beyond a bound the oldest message that was never acknowledged is forgotten, and new ones
    go on coming.
    """
    count = MAX_UNACKED + 50
    async with mute(embedded) as (reader, _), client(embedded, "says") as says:
        for number in range(count):
            await says.publish(TOPIC, b"%04d" % number, qos=1)
        async with asyncio.timeout(10):
            size = 2 + 2 + len(TOPIC) + 2 + 4
            packets = [await reader.readexactly(size) for _ in range(count)]
        assert [int(packet[-4:]) for packet in packets] == list(range(count))
        broker = embedded.broker._broker
        assert broker is not None
        session, _handler = broker._sessions["mute"]
        assert len(session.inflight_out) == MAX_UNACKED


async def test_a_client_may_not_use_the_brokers_own_topics(embedded: EmbeddedRig) -> None:
    """A message to a topic with a leading $ ends its sender's connection and reaches nobody
    ([MQTT-4.7.2-1] leaves those topics to the broker).
    """
    async with client(embedded, "hears") as hears:
        await hears.subscribe("$SYS/x")
        reader, writer = await asyncio.open_connection("127.0.0.1", embedded.port)
        writer.write(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x00\x00\x04rude")
        await reader.readexactly(4)
        writer.write(b"\x30\x09\x00\x06$SYS/x1")
        async with asyncio.timeout(5):
            assert await reader.read() == b""
        writer.close()
        assert len(hears.messages) == 0
