"""The link against peers that are no proper brokers: silent, mute, slow, mad, or stern."""

from __future__ import annotations

import asyncio
import random
import socket
import time
from itertools import pairwise, takewhile
from pathlib import Path
from typing import Any

import pytest

from monitor.core.exchange import Status
from monitor.link import mqtt
from monitor.link.codec import encode
from monitor.link.endpoint import MAX_OUTGOING
from monitor.link.mqtt import BACKOFF_FIRST_S
from support.ledgers import Recorder
from support.messages import pack
from support.peers import CONNACK, link_to, packet, peer, shake
from support.rigs import take, until


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_pauses_between_tries_grow_and_are_seeded() -> None:
    """With nobody answering, the pauses double from 0.2 s with the jitter the client id seeds, so
    two links of a site do not knock together and a run can be repeated.
    """
    times: list[float] = []

    async def slam(_: asyncio.StreamReader, _w: asyncio.StreamWriter) -> None:
        times.append(time.monotonic())

    async with peer(slam) as url, link_to(url, "steady"):
        await until(lambda: len(times) == 5)
    jitter = random.Random("steady")
    expected = [BACKOFF_FIRST_S * 2**n * jitter.uniform(0.5, 1.0) for n in range(4)]
    gaps = [after - before for before, after in pairwise(times)]
    for gap, least in zip(gaps, expected, strict=True):
        assert least - 0.01 < gap < least + 0.25


async def test_a_peer_that_never_answers_leaves_nothing_behind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Connecting over and over to something that accepts and stays silent leaks no socket and no
    task, and each try ends at its time limit.
    """
    monkeypatch.setattr(mqtt, "HANDSHAKE_S", 0.1)
    monkeypatch.setattr(mqtt, "BACKOFF_MAX_S", 0.05)
    tries = 0

    async def silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        nonlocal tries
        tries += 1
        while await reader.read(1000):
            pass

    ledger = Recorder()
    async with peer(silent) as url:
        async with link_to(url, ledger=ledger) as link:
            await until(lambda: tries == 2)
            files, tasks = open_files(), len(asyncio.all_tasks())
            await until(lambda: tries == 8)
            assert open_files() <= files + 2
            assert len(asyncio.all_tasks()) <= tasks + 2
            assert not link.connected
        await until(lambda: len(asyncio.all_tasks()) <= 2)
    assert ledger.busy_now.total() == 0
    assert ledger.count("busy") == ledger.count("idle") >= 8
    assert ledger.count("online") == 0


async def test_leaving_while_dialling_returns_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name server or host that hangs does not hold up leaving, and the socket that comes of it
    later is closed.
    """
    made: list[socket.socket] = []
    dial = socket.create_connection

    def slow(*args: Any, **kwargs: Any) -> socket.socket:
        time.sleep(0.3)
        made.append(dial(*args, **kwargs))
        return made[-1]

    monkeypatch.setattr(socket, "create_connection", slow)
    ledger = Recorder()

    async def silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        await reader.read()

    async with peer(silent) as url:
        async with link_to(url, ledger=ledger):
            await asyncio.sleep(0.05)
            start_s = time.monotonic()
        assert time.monotonic() - start_s < 0.2
        await until(lambda: bool(made))
        await until(lambda: made[0].fileno() == -1)
    assert ledger.busy_now.total() == 0


async def test_what_was_not_acknowledged_is_bounded_and_then_lost() -> None:
    """A broker that takes messages and acknowledges none gets 256 of them; when it hangs up they
    are all told as lost, and none is sent again on the next connection.
    """
    ledger = Recorder()
    hang_up = asyncio.Event()
    visits: list[bytes] = []

    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await shake(reader, writer)
        visits.append(b"")
        while not hang_up.is_set():
            try:
                async with asyncio.timeout(0.02):
                    visits[-1] += await reader.read(65536)
            except TimeoutError:
                pass

    async with peer(mute) as url, link_to(url, ledger=ledger) as link:
        await until(lambda: link.connected)
        accepted = [link.send(pack(seq, edge=True)) for seq in range(MAX_OUTGOING + 50)]
        assert accepted == [True] * MAX_OUTGOING + [False] * 50
        await until(lambda: visits[0].count(b"readings") == MAX_OUTGOING)
        hang_up.set()
        await until(lambda: link.counts.lost == MAX_OUTGOING)
        assert ledger.count("lost") == MAX_OUTGOING + 50  # and those turned away
        assert ledger.outstanding == 0
        hang_up.clear()
        await until(lambda: link.connected)
        await asyncio.sleep(0.05)
        assert visits[1] == b""


async def test_acknowledgements_do_not_hold_up_what_follows() -> None:
    """Every QoS 1 message is on the socket although none before it was acknowledged, and before
    `send` returns: nothing waits for a turn of the loop.
    """
    got = bytearray()
    ready = asyncio.Event()

    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await shake(reader, writer)
        ready.set()
        while data := await reader.read(65536):
            got.extend(data)

    async with peer(mute) as url, link_to(url) as link:
        await until(lambda: link.connected)
        for seq in range(50):
            assert link.send(pack(seq, edge=True))
        await until(lambda: got.count(b"readings") == 50)


async def test_what_waited_for_a_full_socket_goes_out_when_it_drains() -> None:
    """A peer that does not read fills the socket; when it reads again, all that was accepted comes
    through, whole and in order.
    """
    reading = asyncio.Event()
    got = bytearray()

    async def slow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await shake(reader, writer)
        await reading.wait()
        while data := await reader.read(1 << 20):
            got.extend(data)

    async with peer(slow) as url, link_to(url) as link:
        await until(lambda: link.connected)
        endless = (Status("river", {"n": n, "text": "x" * 60_000}) for n in range(2000))
        expected = [encode(each).payload for each in takewhile(link.send, endless)]
        assert MAX_OUTGOING < len(expected) < 1999  # the socket took some, then it was full
        reading.set()
        await until(lambda: got.endswith(expected[-1]))
        assert link.connected
        place = 0
        for each in expected:
            place = got.index(each, place) + len(each)
        assert link.send(pack(1))


@pytest.mark.parametrize("seed", range(6))
async def test_a_broker_that_talks_nonsense_is_left_and_tried_again(seed: int) -> None:
    """Random bytes instead of MQTT, before or after the handshake, never raise out of the loop and
    never kill the link: it hangs up and tries again.
    """
    noise = random.Random(seed)
    visits = 0
    loop_errors: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: loop_errors.append(context))

    async def mad(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal visits
        visits += 1
        if visits % 2:
            await shake(reader, writer)
        # An unknown packet type first, so that paho cannot wait for a length that never comes.
        writer.write(b"\xf0\x00" + noise.randbytes(200))
        await reader.read()

    async with peer(mad) as url, link_to(url, f"seed-{seed}") as link:
        await until(lambda: visits >= 3)
        await until(lambda: not link.connected)
        assert loop_errors == []


async def test_a_topic_that_is_not_utf8_is_dropped_and_counted() -> None:
    """A PUBLISH whose topic is no text is one more malformed message, and the link goes on."""
    good = pack(5, edge=True)

    async def odd(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await shake(reader, writer)
        writer.write(b"\x30\x05\x00\x02\xff\xfe\x00")
        made = encode(good)
        body = len(made.topic).to_bytes(2, "big") + made.topic.encode() + made.payload
        writer.write(b"\x30" + bytes([len(body) % 128 | 128, len(body) // 128]) + body)
        await reader.read()

    async with peer(odd) as url, link_to(url) as link:
        assert [each.message for each in await take(link.incoming())] == [good]
        assert (link.counts.malformed, link.counts.received) == (1, 1)


async def test_a_refused_subscription_is_no_connection() -> None:
    """MQTT 3.1.1 section 3.9: 0x80 is failure. A link that would hear nothing does not call itself
    connected.
    """
    visits = 0

    async def stern(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal visits
        visits += 1
        await packet(reader)
        writer.write(CONNACK)
        body = await packet(reader)
        writer.write(b"\x90\x03" + body[:2] + b"\x80")
        await reader.read()

    async with peer(stern) as url, link_to(url) as link:
        await until(lambda: visits >= 2)
        assert link.counts.connected == 0
