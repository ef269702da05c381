"""One suite for every link: in memory, over the embedded broker (in the loop and as a process of
its own), and over a real mosquitto.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import AsyncExitStack
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Message,
    Permit,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
    Withdraw,
)
from monitor.link.codec import encode
from monitor.link.text import MAX_PAYLOAD_BYTES
from monitor.link.topics import ROUTES, filter_for
from support.ledgers import Recorder
from support.messages import EXAMPLES, pack
from support.rigs import Rig, take, until

ALL = tuple(filter_for(kind) for kind in ROUTES)
NODE = Presence("river", "node", "b0", True)
GONE = replace(NODE, online=False)


async def both_up(*links: Any) -> None:
    await until(lambda: all(link.connected for link in links))


async def test_every_message_arrives_whole(rig: Rig) -> None:
    """What one link sends another receives, equal and not marked as old, with a time on it."""
    async with rig.link("a") as a, rig.link("b", *ALL) as b:
        await both_up(a, b)
        before_s = time.monotonic()
        for message in EXAMPLES:
            assert a.send(message)
        got = await take(b.incoming(), len(EXAMPLES))
        assert {repr(each.message) for each in got} == {repr(each) for each in EXAMPLES}
        assert not any(each.retained for each in got)
        assert all(before_s <= each.arrived_s <= time.monotonic() for each in got)
        assert (a.counts.sent, a.counts.refused) == (len(EXAMPLES), 0)
        assert (b.counts.received, b.counts.malformed) == (len(EXAMPLES), 0)


async def test_messages_of_one_topic_keep_their_order(rig: Rig) -> None:
    """A hundred packs on one topic arrive in the order they were sent, none missing or doubled."""
    async with rig.link("a") as a, rig.link("b", filter_for(ReadingPack)) as b:
        await both_up(a, b)
        for seq in range(100):
            assert a.send(pack(seq, edge=True))
        got = await take(b.incoming(), 100)
        assert [each.message.seq for each in got] == list(range(100))  # type: ignore[union-attr]
        await asyncio.sleep(0.05)
        assert b.counts.received == 100


async def test_a_link_gets_only_what_it_asked_for(rig: Rig) -> None:
    """A link subscribed to one station's permits sees neither other messages nor other stations."""
    async with rig.link("a") as a, rig.link("b", filter_for(Permit, "river")) as b:
        await both_up(a, b)
        wanted = Permit("river", "e0", 2, "b0", 1.0, 3.0, "f0")
        for message in (pack(edge=True), replace(wanted, station="pond"), wanted):
            assert a.send(message)
        assert [each.message for each in await take(b.incoming())] == [wanted]
        await asyncio.sleep(0.05)
        assert b.counts.received == 1


async def test_a_latecomer_sees_what_is_retained_and_nothing_else(rig: Rig) -> None:
    """Status, guard report and presence wait for a latecomer, marked as old; permits, withdrawals,
    requests, replies, alarms and readings do not.
    """
    async with rig.link("a") as a, rig.link("b", *ALL) as b:
        await both_up(a, b)
        for message in EXAMPLES:
            assert a.send(message)
        await take(b.incoming(), len(EXAMPLES))  # the broker has them all
        async with rig.link("late", *ALL) as late:
            kept = {repr(each) for each in EXAMPLES if ROUTES[type(each)].retain}
            got = await take(late.incoming(), len(kept))
            assert {type(each.message) for each in got} == {Status, GuardReport, Presence}
            assert all(each.retained for each in got)
            assert {repr(each.message) for each in got} == kept  # both ways' reports among them
            await asyncio.sleep(0.05)
            assert late.counts.received == len(kept)


async def test_coming_and_going_are_told(rig: Rig) -> None:
    """A link with a will says that it is here, and on a clean exit that it is gone."""
    async with rig.link("watch", filter_for(Presence)) as watch:
        await both_up(watch)
        incoming = watch.incoming()
        async with rig.link("node", will=NODE) as node:
            assert [each.message for each in await take(incoming)] == [NODE]
            await both_up(node)
            start_s = time.monotonic()
        assert time.monotonic() - start_s < 1.5
        assert [each.message for each in await take(incoming)] == [GONE]
        assert not node.connected
        await asyncio.sleep(0.05)
        assert watch.counts.received == 2  # no will on top of the goodbye


async def test_a_broken_connection_tells_the_will_and_comes_back(rig: Rig) -> None:
    """When the socket breaks, the broker tells the will, and the link is here again soon."""
    async with rig.link("watch", filter_for(Presence)) as watch:
        await both_up(watch)
        incoming = watch.incoming()
        async with rig.link("node", will=NODE) as node:
            changes: list[bool] = []
            node.on_connection(changes.append)
            assert [each.message for each in await take(incoming)] == [NODE]
            await both_up(node)
            node.sever()  # type: ignore[attr-defined]
            assert [each.message for each in await take(incoming, 2)] == [GONE, NODE]
            await both_up(node)
            assert changes == [True, False, True]
            assert node.counts.connected == 2


async def test_the_link_comes_back_after_the_broker(rig: Rig) -> None:
    """A dead broker shows as not connected, sending says no, and all is well when it is back."""
    async with rig.link("a") as a, rig.link("b", *ALL, will=NODE) as b:
        changes: list[bool] = []
        b.on_connection(changes.append)
        await both_up(a, b)
        incoming = b.incoming()
        await take(incoming)  # its own presence
        await rig.stop()
        await until(lambda: not a.connected and not b.connected)
        assert not a.send(pack(edge=True))
        assert a.counts.refused == 1
        await rig.start()
        await both_up(a, b)
        assert changes == [True, False, True]
        assert a.send(pack(2, edge=True))
        got = [each.message for each in await take(incoming, 2)]
        assert got == [NODE, pack(2, edge=True)]  # and nothing from before


async def test_nothing_goes_out_before_the_link_is_up(rig: Rig) -> None:
    """Sending before the connection says no, and the message does not turn up later."""
    link = rig.link("a")
    assert not link.connected
    assert not link.send(pack(edge=True))
    async with rig.link("b", *ALL) as b:
        await both_up(b)
        async with link as a:
            assert not a.send(pack(edge=True))
            await both_up(a)
            assert a.send(pack(7, edge=True))
            assert [each.message for each in await take(b.incoming())] == [pack(7, edge=True)]
        assert not link.send(pack(edge=True))
        assert link.counts.refused == 3


async def test_garbage_is_dropped_and_counted(rig: Rig) -> None:
    """What a stranger publishes on our topics neither reaches the program nor ends the link, be it
    noise, another's JSON, or more than 64 KiB; a good message still gets through.
    """
    garbage = [
        b"",
        b"\xff\xfe\x00",
        b"[]",
        b'[{"n":"a","v":1}]',
        encode(EXAMPLES[2]).payload,
        b"[" * 5000,
        b'[{"n":"' + b"x" * MAX_PAYLOAD_BYTES + b'","v":1}]',
    ]
    async with rig.link("b", *ALL) as b:
        await both_up(b)
        for noise in garbage:
            await rig.shout("brimwatch/v1/river/readings", noise)
        await rig.shout("brimwatch/v1/RIVER/readings", encode(pack()).payload)
        await rig.shout("brimwatch/v1/river/readings", encode(pack(9)).payload)
        assert [each.message for each in await take(b.incoming())] == [pack(9)]
        assert (b.counts.received, b.counts.malformed) == (1, len(garbage) + 1)
        assert b.connected


@pytest.mark.parametrize("message", [EXAMPLES[2], EXAMPLES[3], EXAMPLES[6], pack()], ids=repr)
async def test_a_retained_command_never_arrives(rig: Rig, message: Message) -> None:
    """A permit, withdrawal, request or reading that a stranger had the broker keep is refused when
    it comes as the old copy it is (hazard C09).
    """
    packet = encode(message)
    await rig.shout(packet.topic, packet.payload, retain=True)
    async with rig.link("b", *ALL) as b:
        await until(lambda: b.counts.malformed == 1)
        assert b.counts.received == 0


async def test_the_ledger_balances(rig: Rig) -> None:
    """Every message sent is owed by each subscriber until the consumer asks for the next one;
    malformed ones are settled on arrival; at the end nothing is owed and every handshake is over.
    """
    ledger = Recorder()
    async with (
        AsyncExitStack() as later,
        rig.link("b", *ALL, ledger=ledger) as b,
        rig.link("c", filter_for(ReadingPack), ledger=ledger) as c,
    ):
        await both_up(b, c)
        a = await later.enter_async_context(rig.link("a", ledger=ledger, will=NODE))
        await both_up(a)
        from_b, from_c = b.incoming(), c.incoming()
        await take(from_b)  # the presence of a
        assert a.send(pack(1, edge=True))
        assert ledger.outstanding >= 2
        await take(from_b)
        await take(from_c)
        assert ledger.owed["b", "brimwatch/v1/river/readings"] == 1  # taken, not yet acted on
        assert ledger.owed["c", "brimwatch/v1/river/readings"] == 1
        assert a.send(pack(2, edge=True))
        await take(from_b)
        await take(from_c)
        assert ledger.owed["b", "brimwatch/v1/river/readings"] == 1
        ledger.sent("brimwatch/v1/river/readings")  # what follows is sent by a stranger
        await rig.shout("brimwatch/v1/river/readings", b"noise")
        await until(lambda: b.counts.malformed == c.counts.malformed == 1)
        await from_b.aclose()  # type: ignore[attr-defined]
        await from_c.aclose()  # type: ignore[attr-defined]
        assert ledger.outstanding == 0
        assert ledger.count("lost") == 0
    assert ledger.outstanding == 0
    assert ledger.subscribers == {}
    assert ledger.count("online") == ledger.count("offline") == 3
    assert ledger.count("busy") == ledger.count("idle") >= 3
    assert ledger.busy_now.total() == 0
    assert ledger.events[0] == ("busy", "b")


async def test_the_handshake_is_busy_until_the_link_is_online(rig: Rig) -> None:
    """For each client the ledger hears busy, online, its presence sent, idle, in this order: time
    may not pass between being subscribed and having said so.
    """
    ledger = Recorder()
    async with rig.link("a", *ALL, ledger=ledger, will=NODE) as a:
        await both_up(a)
        await until(lambda: ledger.busy_now.total() == 0)
        names = [name for name, _ in ledger.events if name != "handled"]
        assert names == ["busy", "online", "sent", "idle"]


async def test_a_watcher_that_fails_does_not_take_the_link_down(rig: Rig) -> None:
    """An exception in a connection callback is contained; the next callback still runs."""
    seen: list[bool] = []

    def fail(_: bool) -> None:
        raise RuntimeError("a fault of the watcher's")

    async with rig.link("a", *ALL) as a:
        a.on_connection(fail)
        a.on_connection(seen.append)
        await both_up(a)
        await until(lambda: seen == [True])
        assert a.send(pack(edge=True))
        await take(a.incoming())


async def test_a_newcomer_with_the_same_id_takes_over(rig: Rig) -> None:
    """MQTT 3.1.1 [MQTT-3.1.4-2]: the broker ends the older connection of a client id."""
    async with rig.link("twin", *ALL) as older:
        await both_up(older)
        changes: list[bool] = []
        older.on_connection(changes.append)
        async with rig.link("twin", *ALL) as newer:
            await until(lambda: newer.counts.connected == 1)
            await until(lambda: False in changes)


@pytest.mark.parametrize(
    "big",
    [Status("river", {"text": "x" * 60_000}), Reply("river", "r1", True, "x" * 4000)],
    ids=["QoS 0", "QoS 1"],
)
async def test_a_frozen_broker_never_blocks(freezable: Rig, big: Message) -> None:
    """While the broker is stopped, sending returns at once, says no when enough is waiting, the
    loop runs on, and leaving takes no more than its bound. Hazard C03.
    """
    gaps: list[float] = []

    async def tick() -> None:
        while True:
            start_s = time.monotonic()
            await asyncio.sleep(0.01)
            gaps.append(time.monotonic() - start_s - 0.01)

    ticker = asyncio.create_task(tick())
    async with freezable.link("a", will=NODE) as a:
        await both_up(a)
        freezable.freeze()
        slowest_s = 0.0
        accepted = []
        for turn in range(600):
            start_s = time.perf_counter()
            accepted.append(a.send(big))
            slowest_s = max(slowest_s, time.perf_counter() - start_s)
            if turn % 50 == 0:
                await asyncio.sleep(0)
        assert accepted[0]
        assert not accepted[-1], "nothing bounds what waits for a frozen broker"
        assert slowest_s < 0.25
        await asyncio.sleep(0.1)
        assert max(gaps) < 0.25
        start_s = time.monotonic()
    assert time.monotonic() - start_s < 1.6
    ticker.cancel()


async def test_what_a_frozen_broker_holds_comes_late_and_the_link_goes_on(freezable: Rig) -> None:
    """After a short freeze the same connection delivers what was sent meanwhile, then new things;
    that is why a permit carries its own end.
    """
    async with freezable.link("a") as a, freezable.link("b", *ALL) as b:
        await both_up(a, b)
        freezable.freeze()
        assert a.send(pack(1, edge=True))
        await asyncio.sleep(0.1)
        assert b.counts.received == 0
        freezable.thaw()
        await take(b.incoming())
        assert a.send(pack(2, edge=True))
        got = await take(b.incoming())
        assert [each.message for each in got] == [pack(2, edge=True)]
        assert a.counts.connected == b.counts.connected == 1


async def test_each_type_reaches_its_own_filter(rig: Rig) -> None:
    """Permit, withdrawal, request, reply and alarm each arrive over the filter made for them."""
    kinds = (Permit, Withdraw, Request, Reply, AlarmNotice)
    async with rig.link("a") as a, rig.link("b", *(filter_for(kind) for kind in kinds)) as b:
        await both_up(a, b)
        for message in EXAMPLES:
            assert a.send(message)
        wanted = {repr(each) for each in EXAMPLES if isinstance(each, kinds)}
        got = await take(b.incoming(), len(wanted))
        assert {repr(each.message) for each in got} == wanted
        await asyncio.sleep(0.05)
        assert b.counts.received == len(wanted)
