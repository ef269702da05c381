"""The queue every link has: its bound, who gives way, and what the ledger hears."""

from __future__ import annotations

import asyncio
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from monitor.core.exchange import Message, Presence, ReadingPack, Status
from monitor.link.codec import Packet, encode
from monitor.link.endpoint import MAX_INCOMING, Endpoint
from monitor.link.memory import MemoryHub, MemoryLink
from support.ledgers import Recorder
from support.messages import EXAMPLES, pack
from support.rigs import take


class Bare(Endpoint):
    """An endpoint with nothing behind it: messages are poured in by hand."""

    def __init__(self, ledger: Recorder) -> None:
        super().__init__(client_id="bare", ledger=ledger, now_s=lambda: 1.5)
        self.accepts = True
        self._connected = True

    def _put(self, packet: Packet) -> bool:
        return self.accepts

    def pour(self, message: Message) -> None:
        packet = encode(message)
        self._receive(packet.topic, packet.payload, retained=False)

    def queued(self) -> list[Message]:
        return [item.message for _, item in self._queue]


async def test_a_full_queue_costs_the_oldest_periodic_message() -> None:
    """Past 1000 waiting messages the oldest periodic one goes, the newest stays, and edges stay
    all the while (hazard C18: the newest safety reading is kept).
    """
    ledger = Recorder()
    link = Bare(ledger)
    edge = pack(0, edge=True)
    link.pour(edge)
    for seq in range(1, MAX_INCOMING + 50):
        link.pour(pack(seq))
    assert len(link.queued()) == MAX_INCOMING
    assert link.queued()[0] == edge
    assert link.queued()[1] == pack(51)
    assert link.queued()[-1] == pack(MAX_INCOMING + 49)
    assert link.counts.overflowed == 50
    assert link.counts.received == MAX_INCOMING + 50
    assert ledger.count("handled") == 50  # nobody waits for what was dropped


async def test_a_queue_of_nothing_but_edges_keeps_the_newest() -> None:
    """When every waiting message matters the oldest gives way: the bound holds whatever comes."""
    link = Bare(Recorder())
    for seq in range(MAX_INCOMING + 3):
        link.pour(pack(seq, edge=True))
    assert link.queued()[0] == pack(3, edge=True)
    assert link.queued()[-1] == pack(MAX_INCOMING + 2, edge=True)
    assert len(link.queued()) == MAX_INCOMING


@given(st.randoms(use_true_random=False), st.integers(MAX_INCOMING - 2, MAX_INCOMING + 20))
@settings(max_examples=8)
def test_the_queue_never_grows_past_its_bound(chance: random.Random, length: int) -> None:
    """Whatever mix arrives: bounded, the newest in it, and dropped plus waiting is received."""
    stream = chance.choices(EXAMPLES, k=length)
    link = Bare(Recorder())
    for message in stream:
        link.pour(message)
    waiting = link.queued()
    assert len(waiting) == min(len(stream), MAX_INCOMING)
    assert waiting[-1] == stream[-1]
    assert link.counts.overflowed + len(waiting) == link.counts.received == len(stream)
    periodic = [m for m in stream if isinstance(m, Status) or m == pack()]
    if len(periodic) > len(stream) - MAX_INCOMING:  # room could be made without losing others
        lost_edges = [m for m in stream if m not in periodic]
        assert [m for m in waiting if m not in periodic] == lost_edges


async def test_what_is_rejected_is_counted_whatever_the_reason() -> None:
    """The running total has every message that arrived and was not passed on: unreadable ones and
    those that a full queue had no room for (hazard C11). Nothing brings it down again.
    """
    link = Bare(Recorder())
    assert link.rejected == 0
    for _ in range(3):
        link._receive("brimwatch/v1/river/permit", b"noise", retained=False)
    assert link.rejected == 3
    for seq in range(MAX_INCOMING + 2):
        link.pour(pack(seq))
    assert link.rejected == 5
    await anext(link.incoming())
    assert link.rejected == 5


async def test_a_message_is_handled_when_the_next_is_asked_for() -> None:
    """Taking a message does not settle it; coming back for more, or giving up, does."""
    ledger = Recorder()
    link = Bare(ledger)
    link.pour(pack(1))
    link.pour(pack(2))
    incoming = link.incoming()
    assert (await anext(incoming)).arrived_s == 1.5
    assert ledger.count("handled") == 0
    await anext(incoming)
    assert ledger.count("handled") == 1
    await incoming.aclose()  # type: ignore[attr-defined]
    assert ledger.count("handled") == 2


async def test_a_waiting_consumer_wakes_on_arrival() -> None:
    """A consumer that waits on an empty queue gets a message in the turn after it came."""
    link = Bare(Recorder())
    waiting = asyncio.ensure_future(anext(link.incoming()))
    await asyncio.sleep(0)
    link.pour(pack(1))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert waiting.done()


async def test_a_flood_of_garbage_fills_no_log() -> None:
    """A thousand malformed messages are all counted and settled, and told ten times."""
    ledger = Recorder()
    link = Bare(ledger)
    with capture_logs() as lines:
        for _ in range(1000):
            link._receive("brimwatch/v1/river/permit", b"noise", retained=False)
    assert link.counts.malformed == 1000
    assert ledger.count("handled") == 1000
    assert [line["dropped"] for line in lines] == [2**n for n in range(10)]


async def test_a_message_that_cannot_be_said_is_refused_loudly() -> None:
    """A fault in a message of ours does not raise in the middle of a role: sending says no, the
    log has an error, and the ledger never hears of it.
    """
    ledger = Recorder()
    link = Bare(ledger)
    with capture_logs() as lines:
        assert not link.send(Presence("river", "node", "", True))
    assert [line["log_level"] for line in lines] == ["error"]
    assert ledger.events == []
    assert link.counts.refused == 1


async def test_what_the_carrier_will_not_take_is_lost_at_once() -> None:
    """A refusal further down is told to the ledger as sent and lost, so nothing stays owed."""
    ledger = Recorder()
    link = Bare(ledger)
    link.accepts = False
    assert not link.send(pack())
    assert [name for name, _ in ledger.events] == ["sent", "lost"]


async def test_only_a_change_is_told() -> None:
    """Watchers hear of a change of the connection once, in the order they were added."""
    link = Bare(Recorder())
    heard: list[tuple[str, bool]] = []
    link.on_connection(lambda up: heard.append(("first", up)))
    link.on_connection(lambda up: heard.append(("second", up)))
    for up in (True, False, False, True):
        link._set_connected(up)
    assert heard == [("first", False), ("second", False), ("first", True), ("second", True)]
    assert link.counts.connected == 1


def story(tamper: Any) -> tuple[MemoryHub, MemoryLink, MemoryLink, Recorder]:
    """Return a hub that tampers, two links on it, and their ledger."""
    ledger = Recorder()
    hub = MemoryHub(tamper)
    loop = asyncio.get_running_loop()
    a = MemoryLink(
        hub=hub, client_id="a", subscriptions=(), will=None, ledger=ledger, now_s=loop.time
    )
    b = MemoryLink(
        hub=hub,
        client_id="b",
        subscriptions=("brimwatch/v1/+/readings",),
        will=None,
        ledger=ledger,
        now_s=loop.time,
    )
    return hub, a, b, ledger


async def up(*links: MemoryLink) -> None:
    async with asyncio.timeout(2):
        while not all(link.connected for link in links):  # noqa: ASYNC110  # two loop turns
            await asyncio.sleep(0)


@pytest.mark.parametrize(
    ("delays", "expected", "owed_meanwhile"),
    [
        ([(0.0,), (0.0,)], [1, 2], 2),
        ([(), (0.0,)], [2], 1),
        ([(0.0, 0.02), (0.0,)], [1, 2, 1], 2),
        ([(0.03,), (0.01,)], [2, 1], 0),
    ],
    ids=["plain", "lost", "duplicated", "reordered"],
)
async def test_tampering_loses_doubles_and_reorders(
    delays: list[tuple[float, ...]], expected: list[int], owed_meanwhile: int
) -> None:
    """The memory hub delivers as its `tamper` says, and the ledger waits for nothing that is lost
    or late on purpose.
    """
    plan = iter(delays)
    _, a, b, ledger = story(lambda _client, _topic, _payload: next(plan))
    async with a, b:
        await up(a, b)
        assert a.send(pack(1, edge=True))
        assert a.send(pack(2, edge=True))
        assert ledger.outstanding == owed_meanwhile
        got = await take(b.incoming(), len(expected))
        assert [each.message.seq for each in got if isinstance(each.message, ReadingPack)] == (
            expected
        )
        await asyncio.sleep(0.05)
        assert b.counts.received == len(expected)


async def test_a_client_that_is_cut_off_stays_out_until_healed() -> None:
    """`cut` is a partition: the link cannot come back by itself, and does after `heal`."""
    hub, a, b, _ = story(None)
    async with a, b:
        await up(a, b)
        hub.cut("b")
        await asyncio.sleep(0.3)  # longer than the pause before it tries again
        assert (a.connected, b.connected) == (True, False)
        assert a.send(pack(1, edge=True))
        hub.heal()
        await up(b)
        assert a.send(pack(2, edge=True))
        assert [each.message for each in await take(b.incoming())] == [pack(2, edge=True)]


async def test_what_was_on_its_way_to_a_lost_connection_is_gone() -> None:
    """A delayed copy does not reach the connection that replaced the one it was sent to."""
    hub, a, b, _ = story(lambda *_: (0.02,))
    async with a, b:
        await up(a, b)
        assert a.send(pack(1, edge=True))
        hub.drop("b")
        hub.heal()
        await up(b)
        await asyncio.sleep(0.05)
        assert b.counts.received == 0
