"""The embedded broker: who may reach it, what is mended, and that it leaves nothing behind."""

from __future__ import annotations

import asyncio
import logging
import socket
import subprocess
import sys
import time

import aiomqtt
import pytest

from monitor.core.exchange import Presence
from monitor.errors import LinkError
from monitor.link.broker import EmbeddedBroker
from monitor.link.topics import filter_for
from support.rigs import EmbeddedRig, take, until

NODE = Presence("river", "node", "b0", True)


@pytest.mark.parametrize("host", ["0.0.0.0", "", "::", "192.168.1.4", "tank.local"])  # noqa: S104
def test_it_listens_on_the_loopback_only(host: str) -> None:
    """It asks nobody for a password, so an address that others could reach is refused."""
    with pytest.raises(LinkError, match="cannot listen"):
        EmbeddedBroker(host=host)


async def test_it_is_bound_to_the_loopback(embedded: EmbeddedRig) -> None:
    """The kernel's own table shows the port on 127.0.0.1 and nowhere else."""
    port = f"{embedded.port:04X}"
    with open("/proc/net/tcp") as table, open("/proc/net/tcp6") as table6:  # noqa: ASYNC230, PTH123
        rows = [line.split() for line in (*table, *table6)]
    listening = [row[1] for row in rows if row[1].endswith(f":{port}") and row[3] == "0A"]
    assert listening == [f"0100007F:{port}"]


async def test_a_port_in_use_is_told() -> None:
    """Starting on a taken port raises a LinkError that says how to go on."""
    async with EmbeddedBroker() as first:
        with pytest.raises(LinkError, match="cannot start") as caught:
            await EmbeddedBroker(port=first.port).__aenter__()
        assert "port" in caught.value.fix


async def test_it_starts_and_stops_quickly_and_cleanly() -> None:
    """Once its library is loaded a start takes a few milliseconds; no task and no socket is left,
    clients or not.
    """
    async with EmbeddedBroker():
        pass
    tasks = asyncio.all_tasks()
    start_s = time.monotonic()
    async with EmbeddedBroker() as broker:
        assert time.monotonic() - start_s < 0.15
        idle = socket.create_connection(("127.0.0.1", broker.port))
        client = aiomqtt.Client("127.0.0.1", broker.port, identifier="c")
        await client.__aenter__()
        await client.subscribe("x", qos=1)
        await asyncio.sleep(0.02)
        start_s = time.monotonic()
    assert time.monotonic() - start_s < 1.5
    assert idle.recv(1) == b""  # hung up on
    idle.close()
    with pytest.raises(aiomqtt.MqttError):
        await anext(aiter(client.messages))
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == tasks
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", broker.port))


async def test_a_client_that_falls_silent_has_its_will_told(embedded: EmbeddedRig) -> None:
    """A client that keeps its socket open and says nothing, not even a ping, is dropped after one
    and a half keep-alives [MQTT-3.1.2-24], and its will is told.
    """
    async with embedded.link("watch", filter_for(Presence)) as watch:
        await until(lambda: watch.connected)
        reader, writer = await asyncio.open_connection("127.0.0.1", embedded.port)
        will_topic, will = b"brimwatch/v1/river/presence/node", b'{"boot":"b0","online":false}'
        body = b"\x00\x04MQTT\x04\x0e\x00\x01"  # section 3.1: will at QoS 1, clean, keep-alive 1 s
        for part in (b"frozen", will_topic, will):
            body += len(part).to_bytes(2, "big") + part
        writer.write(b"\x10" + bytes([len(body)]) + body)
        start_s = time.monotonic()
        (got,) = await take(watch.incoming())
        assert got.message == Presence("river", "node", "b0", False)
        assert 1.4 < time.monotonic() - start_s < 4.0
        await reader.read()
        writer.close()


async def test_a_client_that_pings_in_time_is_kept(embedded: EmbeddedRig) -> None:
    """A ping a little later than one keep-alive, as clients send it, is in time."""
    link = embedded.link("a", filter_for(Presence), keepalive_s=1)
    async with link:
        await until(lambda: link.connected)
        await asyncio.sleep(2.5)
        assert link.counts.connected == 1


async def test_a_client_gets_no_retained_message_it_did_not_ask_for(embedded: EmbeddedRig) -> None:
    """Another client's subscription does not bring a newcomer anything on connecting."""
    topic = "brimwatch/v1/river/status"
    await embedded.shout(topic, b'{"data":{}}', retain=True)
    async with embedded.link("asks", topic) as asks:
        await until(lambda: asks.counts.received == 1)
        async with embedded.link("does-not", filter_for(Presence)) as other:
            await until(lambda: other.connected)
            await asyncio.sleep(0.1)
            assert other.counts.received == 0


async def test_it_publishes_nothing_of_its_own(embedded: EmbeddedRig) -> None:
    """No $SYS messages: whoever subscribes to everything hears only what clients say."""
    async with aiomqtt.Client("127.0.0.1", embedded.port, identifier="all") as client:
        await client.subscribe("#")
        await client.subscribe("$SYS/#")
        await asyncio.sleep(1.2)
        assert len(client.messages) == 0


async def test_its_log_is_quiet(embedded: EmbeddedRig, caplog: pytest.LogCaptureFixture) -> None:
    """Clients that come, go and break leave no line in the log: our own link tells what matters."""
    with caplog.at_level(logging.DEBUG):
        async with embedded.link("a", filter_for(Presence), will=NODE) as link:
            await until(lambda: link.connected)
            link.sever()
            await until(lambda: link.counts.connected == 2)
    assert [r for r in caplog.records if r.name.startswith(("amqtt", "transitions"))] == []


def test_it_runs_as_a_process_of_its_own() -> None:
    """`python -m monitor.link.broker` prints its port when it answers and ends on SIGTERM."""
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.link.broker"], stdout=subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        port = int(process.stdout.readline())
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
        process.terminate()
        assert process.wait(timeout=5) == 0
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def test_the_heavy_library_loads_only_when_a_broker_starts() -> None:
    """Importing the embedded broker does not import amqtt: an installation with a broker of its
    own pays nothing for this one.
    """
    code = "import sys, monitor.link.broker, monitor.link.mqtt; print('amqtt' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
