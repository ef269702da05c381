"""Simulated time in one process: it moves when all is done, to the next deadline, never past it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import queue
import socket
import threading
import time
import timeit
from collections.abc import AsyncIterator, Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor import clock as clock_module
from monitor.clock import MonotonicClock, SimulatedClock
from monitor.ports import Clock, Ledger
from monitor.simulate import ledger as ledger_module
from monitor.simulate import lockstep
from monitor.simulate.lockstep import (
    LocalGovernor,
    LockstepError,
    LockstepLedger,
    LockstepLoop,
    run,
    running,
)
from sim.peers import peer
from support.mosquitto import Mosquitto, find_mosquitto

needs_mosquitto = pytest.mark.skipif(find_mosquitto() is None, reason="mosquitto is not installed")


def governor() -> LocalGovernor:
    """Return the governor of the running simulation."""
    found = running().governor
    assert isinstance(found, LocalGovernor)
    return found


# Time and order


@pytest.mark.timing
def test_ten_thousand_seconds_pass_in_well_under_one() -> None:
    """Sleeping costs no real time, and each sleep ends at its own second exactly."""
    seen: list[float] = []

    async def sleeper() -> None:
        for _ in range(10_000):
            await asyncio.sleep(1.0)
            seen.append(running().time())

    began_s = time.perf_counter()
    run(sleeper())
    assert time.perf_counter() - began_s < 1.0
    assert seen == [float(n) for n in range(1, 10_001)]


@given(st.lists(st.floats(0.0, 1e7), min_size=1, max_size=50))
@settings(deadline=None, max_examples=60)
def test_timers_fire_in_order_and_at_their_time_to_the_last_bit(whens_s: list[float]) -> None:
    """For any set of deadlines, the loop's time when each fires is that deadline, sorted."""
    fired: list[tuple[float, float]] = []

    async def main() -> None:
        loop = running()
        done = loop.create_future()
        for when_s in whens_s:
            loop.call_at(when_s, lambda when_s=when_s: fired.append((when_s, loop.time())))
        loop.call_at(max(whens_s), done.set_result, None)
        await done

    run(main())
    assert [at_s for _, at_s in fired] == sorted(whens_s)
    assert all(when_s == at_s for when_s, at_s in fired)


def test_a_timer_one_bit_later_does_not_fire_early() -> None:
    """A deadline that differs in the last bit is another moment, not rounded into this one."""
    first_s = 1234.5
    second_s = math.nextafter(first_s, math.inf)
    fired: list[float] = []

    async def main() -> None:
        loop = running()
        for when_s in (second_s, first_s):
            loop.call_at(when_s, lambda: fired.append(loop.time()))
        await asyncio.sleep(2000)

    run(main())
    assert fired == [first_s, second_s]


def story(stall_s: float) -> list[tuple[str, float]]:
    """Run three tasks with different rhythms; one blocks the loop for real now and then."""
    log: list[tuple[str, float]] = []

    async def tick(name: str, period_s: float, block_s: float) -> None:
        for turn in range(20):
            await asyncio.sleep(period_s)
            if block_s and turn % 7 == 3:
                time.sleep(block_s)  # noqa: ASYNC251 - a busy machine
            log.append((name, running().time()))

    async def main() -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(tick("a", 0.3, 0.0))
            group.create_task(tick("b", 0.5, stall_s))
            group.create_task(tick("c", 0.1, 0.0))

    run(main())
    return log


def test_a_busy_machine_does_not_change_the_order() -> None:
    """A callback that really blocks for 0.3 s leaves every simulated time and order as it was."""
    assert story(0.3) == story(0.0)


def test_a_program_that_never_rests_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A callback that calls itself for ever ends in an error, not in a hang."""
    monkeypatch.setattr(lockstep, "SPINS_MAX", 1000)

    async def main() -> None:
        loop = running()

        def again() -> None:
            loop.call_soon(again)

        again()
        await asyncio.sleep(1)

    with pytest.raises(LockstepError, match="without waiting"):
        run(main())


def test_an_infinite_sleep_is_no_deadline() -> None:
    """Waiting for ever does not carry time to infinity."""

    async def main() -> float:
        forever = asyncio.create_task(asyncio.sleep(math.inf))
        await asyncio.sleep(5)
        forever.cancel()
        return running().time()

    assert run(main()) == 5


def test_running_asks_for_simulated_time() -> None:
    """In an ordinary loop, `running` says how to start a simulation."""

    async def main() -> None:
        running()

    with pytest.raises(LockstepError, match=r"lockstep\.run"):
        asyncio.run(main())


# Pacing


@pytest.mark.timing
@pytest.mark.parametrize("step_s", [0.2, 3.0])
def test_pacing_is_right_within_a_tenth(step_s: float) -> None:
    """At speed 20, thirty simulated seconds take 1.5 real ones, whatever the step."""

    async def main() -> None:
        for _ in range(round(30 / step_s)):
            await asyncio.sleep(step_s)

    began_s = time.perf_counter()
    run(main(), speed=20)
    assert time.perf_counter() - began_s == pytest.approx(1.5, rel=0.1)


@pytest.mark.timing
def test_a_paced_loop_serves_outside_sockets_at_once() -> None:
    """What comes from outside between two deadlines is served within real 0.1 s, at the time the
    simulation stands at, and the deadline after it is still met exactly.
    """
    ours, theirs = socket.socketpair()
    sent_s: list[float] = []

    def outside() -> None:
        time.sleep(0.3)
        sent_s.append(time.perf_counter())
        theirs.send(b"stop")

    async def main() -> tuple[float, float, float]:
        loop = running()
        ours.setblocking(False)
        thread = threading.Thread(target=outside)
        thread.start()
        timer = loop.create_task(asyncio.sleep(60.0))
        await loop.sock_recv(ours, 10)
        late_s = time.perf_counter() - sent_s[0]
        at_s = loop.time()
        await timer
        thread.join()
        return late_s, at_s, loop.time()

    with ours, theirs:
        late_s, at_s, end_s = run(main(), speed=60)
    assert late_s < 0.1
    assert (at_s, end_s) == (0.0, 60.0)


@pytest.mark.timing
def test_lost_real_time_is_not_made_up_in_a_burst() -> None:
    """After a real stall of 0.6 s the pace goes on from there: it never exceeds the speed."""

    async def main() -> float:
        await asyncio.sleep(1.0)
        time.sleep(0.6)  # noqa: ASYNC251 - a busy machine
        began_s = time.perf_counter()
        for _ in range(50):
            await asyncio.sleep(0.2)
        return time.perf_counter() - began_s

    assert run(main(), speed=20) >= 0.45


@pytest.mark.parametrize("speed", [0.0, -1.0, math.inf, math.nan])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    """A speed must be a positive number; the error says so."""
    with pytest.raises(ValueError, match="positive"):
        LocalGovernor(speed=speed)


def test_a_loop_with_nothing_to_wait_for_really_sleeps() -> None:
    """Without timers the loop blocks in the kernel: an outside event half a second later costs
    next to no processor time, and time stands still.
    """

    async def main() -> tuple[float, float]:
        loop = running()
        event = asyncio.Event()
        outside = threading.Timer(0.5, loop.call_soon_threadsafe, [event.set])
        outside.start()
        await asyncio.sleep(1.0)  # the greeting of the new thread is over after this
        began_s = time.process_time()
        await event.wait()
        outside.join()
        return time.process_time() - began_s, loop.time()

    used_s, at_s = run(main())
    assert used_s < 0.1
    assert at_s == 1.0


# Messages in a broker


@contextlib.asynccontextmanager
async def amqtt_broker() -> AsyncIterator[int]:
    """Run the pure Python broker in this very loop."""
    from amqtt.broker import Broker

    logging.getLogger("amqtt").setLevel(logging.ERROR)
    logging.getLogger("transitions").setLevel(logging.ERROR)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    try:
        yield port
    finally:
        await broker.shutdown()


@contextlib.asynccontextmanager
async def mosquitto_broker() -> AsyncIterator[int]:
    """Run mosquitto in its own process."""
    with Mosquitto() as broker:
        yield broker.port


async def conversation(
    port: int, ledger: Ledger, turns: int, *, qos: int = 1
) -> list[tuple[float, float]]:
    """Send a message every 0.2 s, have it answered, and return (sent, answer seen) times.

    A timer of 10 ms runs beside it, so that time would run on if nothing held it.
    """
    loop = running()
    pairs: list[tuple[float, float]] = []

    async def answer() -> None:
        async with peer(port, "tank", ledger, "ask/+") as link:
            async for _, sent_s in link.messages():
                await link.send("answer/x", sent_s, qos=qos)

    async def listen() -> None:
        async with peer(port, "desk", ledger, "answer/#") as link:
            async for _, sent_s in link.messages():
                pairs.append((sent_s, loop.time()))

    async def beside() -> None:
        for _ in range(100_000):
            await asyncio.sleep(0.01)

    tasks = [asyncio.create_task(each()) for each in (answer, listen, beside)]
    async with peer(port, "float", ledger) as link:
        await asyncio.sleep(1.0)
        for _ in range(turns):
            await asyncio.sleep(0.2)
            await link.send("ask/x", loop.time(), qos=qos)
        await asyncio.sleep(5.0)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return pairs


@pytest.mark.parametrize(
    "broker", [pytest.param(mosquitto_broker, marks=needs_mosquitto), amqtt_broker]
)
def test_no_message_is_seen_later_than_it_was_sent(
    broker: Callable[[], contextlib.AbstractAsyncContextManager[int]],
) -> None:
    """Through a broker and back, twice: the answer is there at the very moment of the question."""

    async def main() -> tuple[list[tuple[float, float]], int]:
        async with broker() as port:
            pairs = await conversation(port, governor().ledger, 40)
        return pairs, governor().stalls

    pairs, stalls = run(main())
    assert len(pairs) == 40
    assert all(sent_s == seen_s for sent_s, seen_s in pairs)
    assert stalls == 0


@contextlib.contextmanager
def slow_path(port: int, delay_s: float) -> Iterator[int]:
    """Relay connections to this port, holding each piece back for real; yield the relay's port."""
    ready: queue.SimpleQueue[tuple[asyncio.AbstractEventLoop, asyncio.Event, int]]
    ready = queue.SimpleQueue()
    open_relays: list[asyncio.Task[None] | None] = []

    async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                await asyncio.sleep(delay_s)
                writer.write(data)
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        open_relays.append(asyncio.current_task())
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", port)
        await asyncio.gather(pump(reader, far_writer), pump(far_reader, writer))

    async def serve() -> None:
        server = await asyncio.start_server(relay, "127.0.0.1", 0)
        end = asyncio.Event()
        ready.put((asyncio.get_running_loop(), end, server.sockets[0].getsockname()[1]))
        async with server:
            await end.wait()
            await asyncio.gather(*(each for each in open_relays if each))

    worker = threading.Thread(target=lambda: asyncio.run(serve()))
    worker.start()
    loop, end, relay_port = ready.get(timeout=5)
    try:
        yield relay_port
    finally:
        loop.call_soon_threadsafe(end.set)
        worker.join(5)


class HandshakesOnly(LockstepLedger):
    """Counts connections, and no message."""

    def sent(self, topic: str) -> None:
        """Count nothing."""


@needs_mosquitto
@pytest.mark.parametrize("counted", [True, False])
def test_a_slow_broker_is_waited_for_because_it_is_counted(counted: bool) -> None:
    """Over a path that really takes 3 ms each way messages still arrive at their own moment;
    with no message counted they would not, so the checks here can fail.
    """
    ours = LocalGovernor(ledger=LockstepLedger() if counted else HandshakesOnly())
    with Mosquitto() as broker, slow_path(broker.port, 0.003) as port:
        pairs = run(conversation(port, ours.ledger, 10, qos=0), governor=ours)
    if counted:
        assert len(pairs) == 10
        assert all(sent_s == seen_s for sent_s, seen_s in pairs)
    else:
        assert not pairs or any(seen_s > sent_s for sent_s, seen_s in pairs)


@needs_mosquitto
def test_a_dead_broker_that_was_announced_is_not_waited_for() -> None:
    """After `broker_down`, messages that nobody will deliver hold nothing up."""

    async def main() -> tuple[float, int]:
        ledger = governor().ledger
        with Mosquitto() as broker:
            async with peer(broker.port, "a", ledger, "x"):
                broker.kill()
                ledger.broker_down()
                ledger.sent("x")
                ledger.busy("a")
                began_s = time.perf_counter()
                await asyncio.sleep(100)
                return time.perf_counter() - began_s, governor().stalls

    took_s, stalls = run(main())
    assert took_s < 2.0
    assert stalls == 0


# What is lost


def test_a_lost_message_is_written_off_and_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """A message that never arrives holds time for the grace, once; then it is reported, and its
    receiver is not counted for until it shows that it lives.
    """
    hold = lockstep.Hold("messages", 0, 0.3)
    monkeypatch.setattr(LockstepLedger, "hold", _with_grace(LockstepLedger.hold, hold.grace_s))
    reports: list[tuple[str, ...]] = []

    async def main() -> list[float]:
        ledger = governor().ledger
        ledger.online("desk", ("alarm/#",))
        real_s = []
        for _ in range(3):
            ledger.sent("alarm/leak")
            began_s = time.perf_counter()
            await asyncio.sleep(1)
            real_s.append(time.perf_counter() - began_s)
        ledger.handled("desk", "alarm/leak")
        ledger.sent("alarm/leak")
        assert ledger.outstanding == 1
        ledger.handled("desk", "alarm/leak")
        return real_s

    ours = LocalGovernor(on_stall=reports.append)
    first_s, *others_s = run(main(), governor=ours)
    assert 0.25 < first_s < 2.0
    assert max(others_s) < 0.1
    assert ours.stalls == 1
    assert reports == [("desk: alarm/leak",)]


def _with_grace(
    hold: Callable[[LockstepLedger], lockstep.Hold | None], grace_s: float
) -> Callable[[LockstepLedger], lockstep.Hold | None]:
    """Return a `hold` with a shorter patience, so that a test need not wait five seconds."""

    def shorter(self: LockstepLedger) -> lockstep.Hold | None:
        found = hold(self)
        return found and found._replace(grace_s=grace_s)

    return shorter


def test_a_broken_handshake_is_written_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection that never comes about is named in the stall report, and time goes on."""
    monkeypatch.setattr(LockstepLedger, "hold", _with_grace(LockstepLedger.hold, 0.1))
    reports: list[tuple[str, ...]] = []

    async def main() -> None:
        governor().ledger.busy("desk")
        await asyncio.sleep(1)

    run(main(), governor=LocalGovernor(on_stall=reports.append))
    assert reports == [("desk: handshake",)]


def test_settling_holds_time_for_real() -> None:
    """`settle` keeps time still for a real while, for what cannot be counted."""

    async def main() -> float:
        governor().ledger.settle(0.2)
        began_s = time.perf_counter()
        await asyncio.sleep(1)
        return time.perf_counter() - began_s

    assert 0.2 <= run(main()) < 1.0


# The ledger


# MQTT 3.1.1 (OASIS), section 4.7.1.2, 4.7.1.3 and 4.7.2: the examples of the standard.
SPEC_MATCHES = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("#", "sport/tennis", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player2", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/monitor/Clients", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/monitor/Clients", True),
]


@pytest.mark.parametrize(("pattern", "topic", "matches"), SPEC_MATCHES)
def test_filters_match_as_the_standard_says(pattern: str, topic: str, matches: bool) -> None:
    """A message is owed by exactly the clients whose filter matches (MQTT 3.1.1, section 4.7)."""
    ledger = LockstepLedger()
    ledger.online("a", (pattern,))
    ledger.sent(topic)
    assert ledger.outstanding == matches


def test_each_subscriber_owes_one() -> None:
    """Two overlapping filters of one client still mean one message; two clients mean two."""
    ledger = LockstepLedger()
    ledger.online("a", ("x/#", "x/+"))
    ledger.online("b", ("x/y",))
    ledger.online("c", ("z",))
    ledger.sent("x/y")
    assert ledger.outstanding == 2
    ledger.handled("c", "x/y")
    ledger.handled("a", "x/y")
    assert ledger.outstanding == 1
    ledger.handled("b", "x/y")
    assert ledger.hold() is None


def test_what_was_never_counted_changes_nothing() -> None:
    """Retained messages, and those of foreign clients, do not pay for later ones."""
    ledger = LockstepLedger()
    ledger.online("a", ("x",))
    for _ in range(5):
        ledger.handled("a", "x")
        ledger.lost("x")
        ledger.idle("a")
    ledger.sent("x")
    assert ledger.outstanding == 1
    ledger.busy("a")
    ledger.handled("a", "x")
    assert ledger.hold() is not None
    ledger.idle("a")
    assert ledger.hold() is None


def test_a_message_may_be_handled_before_it_is_reported_sent() -> None:
    """Between processes the receiver's report may come first; the debt lasts for the moment."""
    ledger = LockstepLedger(early=True)
    ledger.online("a", ("x",))
    ledger.handled("a", "x")
    ledger.sent("x")
    assert ledger.outstanding == 0
    ledger.handled("a", "x")
    ledger.moved()
    ledger.sent("x")
    assert ledger.outstanding == 1


@pytest.mark.parametrize("verb", ["offline", "ignore"])
def test_who_is_gone_owes_nothing(verb: str) -> None:
    """A client that is offline or ignored is not waited for, nor counted for."""
    ledger = LockstepLedger()
    ledger.online("a", ("x",))
    ledger.busy("a")
    ledger.sent("x")
    getattr(ledger, verb)("a")
    assert ledger.hold() is None
    ledger.sent("x")
    assert ledger.outstanding == 0
    if verb == "ignore":
        ledger.heed("a")
        ledger.sent("x")
        assert ledger.outstanding == 1


def test_a_broker_that_is_back_is_counted_again() -> None:
    """While the broker is down nothing is waited for; afterwards everything is again."""
    ledger = LockstepLedger()
    ledger.online("a", ("x",))
    ledger.sent("x")
    ledger.busy("a")
    ledger.broker_down()
    ledger.sent("x")
    assert ledger.hold() is None
    ledger.broker_up(settle_s=0.0)
    assert ledger.hold() is not None
    ledger.idle("a")
    ledger.sent("x")
    assert ledger.outstanding == 1


@given(st.lists(st.tuples(st.sampled_from("shlonfbi"), st.sampled_from("abc")), max_size=200))
@settings(max_examples=200, deadline=None)
def test_the_total_is_the_sum_of_what_each_owes(calls: list[tuple[str, str]]) -> None:
    """For any calls, `outstanding` equals a plain recount by the rules of `ports.Ledger`."""
    for early in (False, True):
        ledger = LockstepLedger(early=early)
        owed: dict[str, int] = {}
        for verb, client in calls:
            match verb:
                case "o":
                    ledger.online(client, ("t",))
                    owed.setdefault(client, 0)
                case "f" | "n":
                    ledger.offline(client)
                    owed.pop(client, None)
                case "s":
                    ledger.sent("t")
                    owed = {name: count + 1 for name, count in owed.items()}
                case "l":
                    ledger.lost("t")
                    owed = {name: _less(count, early) for name, count in owed.items()}
                case "h":
                    ledger.handled(client, "t")
                    if client in owed:
                        owed[client] = _less(owed[client], early)
                case "b" | "i":
                    getattr(ledger, {"b": "busy", "i": "idle"}[verb])(client)
            if not early:
                assert ledger.outstanding == sum(owed.values())
            assert ledger.outstanding >= 0
        for client in "abc":
            ledger.offline(client)
        assert ledger.outstanding == 0
        assert ledger.hold() is None


def _less(count: int, early: bool) -> int:
    """Take one off; below nothing only where that may be put right."""
    return count - 1 if early else max(count - 1, 0)


def test_topics_without_end_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """The memory of who receives what is bounded."""
    monkeypatch.setattr(ledger_module, "TOPICS_MAX", 50)
    ledger = LockstepLedger()
    for n in range(500):
        ledger.sent(f"x/{n}")
    assert len(ledger._routes) <= 50


@pytest.mark.timing
def test_a_call_costs_less_than_three_microseconds() -> None:
    """The ledger is cheap enough to be called for each message of a long simulation."""
    ledger = LockstepLedger()
    ledger.online("a", ("x/+/y", "q/#"))
    ledger.online("b", ("x/#",))

    def three() -> None:
        ledger.sent("x/1/y")
        ledger.handled("a", "x/1/y")
        ledger.handled("b", "x/1/y")

    assert min(timeit.repeat(three, number=2000, repeat=7)) / 6000 < 3e-6


# Worker jobs and threads


def test_time_stands_still_for_a_job_in_a_worker_thread() -> None:
    """A read off the loop takes no simulated time, however long it takes."""

    async def main() -> float:
        beside = asyncio.create_task(asyncio.sleep(1000))
        await asyncio.to_thread(time.sleep, 0.1)
        at_s = running().time()
        await beside
        return at_s

    assert run(main()) == 0.0


def test_a_stuck_job_is_written_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """A job that never ends holds time for the grace; then its own time-out can strike."""
    monkeypatch.setattr(lockstep.Hold, "__new__", _short_hold)
    release = threading.Event()

    async def main() -> tuple[float, int]:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.to_thread(release.wait), 2.0)
        release.set()
        return running().time(), governor().stalls

    assert run(main()) == (2.0, 1)


def _short_hold(
    cls: type[lockstep.Hold], reason: str, mark: Any, grace_s: float = 0.2
) -> lockstep.Hold:
    """Make a `Hold` with a short patience."""
    made: lockstep.Hold = tuple.__new__(cls, (reason, mark, grace_s))
    return made


@contextlib.contextmanager
def thread(target: Callable[[], None]) -> Iterator[threading.Thread]:
    """Start a thread, and join it at the end."""
    worker = threading.Thread(target=target)
    worker.start()
    try:
        yield worker
    finally:
        worker.join(5)
        assert not worker.is_alive()


def test_a_waiting_thread_never_sees_time_pass_its_deadline() -> None:
    """A thread that waits 0.7 s at a time, and really works between, wakes at each deadline
    exactly, while the loop ticks every 0.01 s.
    """
    seen: list[tuple[float, float]] = []
    stop = threading.Event()

    async def main() -> None:
        clock = running().clock

        def work() -> None:
            while not stop.is_set():
                due_s = clock.now_s() + 0.7
                clock.wait(stop, 0.7)
                seen.append((due_s, clock.now_s()))
                time.sleep(0.003)

        with thread(work):
            for _ in range(2000):
                await asyncio.sleep(0.01)
            stop.set()

    run(main())
    *regular, _ = seen
    assert len(regular) == 28
    assert all(due_s == now_s for due_s, now_s in regular)


def test_threads_due_at_one_moment_run_one_after_the_other() -> None:
    """Threads with equal deadlines wake in the order in which they began to wait, one by one."""

    def once() -> list[str]:
        log: list[str] = []

        async def main() -> None:
            clock = running().clock
            never = threading.Event()

            def work(name: str) -> None:
                clock.wait(never, 1.0 - clock.now_s())
                for _ in range(5):
                    log.append(f"{name} in")
                    time.sleep(0.002)
                    log.append(f"{name} out")
                    clock.wait(never, 1.0)

            with contextlib.ExitStack() as stack:
                for name in ("a", "b", "c"):
                    stack.enter_context(thread(lambda name=name: work(name)))
                    await asyncio.sleep(2**-10)
                await asyncio.sleep(9)

        run(main())
        return log

    assert once() == [f"{name} {step}" for name in "abc" for step in ("in", "out")] * 5


def test_an_event_wakes_the_thread_at_the_moment_it_is_set() -> None:
    """Setting the event ends the wait with True, at that simulated time."""
    seen: list[tuple[bool, float]] = []

    async def main() -> None:
        clock = running().clock
        event = threading.Event()
        with thread(lambda: seen.append((clock.wait(event, 1000), clock.now_s()))):
            await asyncio.sleep(3)
            event.set()
            await asyncio.sleep(500)

    run(main())
    assert seen == [(True, 3.0)]


def test_a_new_thread_begins_at_the_time_it_was_started() -> None:
    """However slowly a thread gets going, its first deadline counts from its start."""
    seen: list[float] = []

    async def main() -> None:
        clock = running().clock

        def work() -> None:
            time.sleep(0.05)
            clock.wait(threading.Event(), 1.0)
            seen.append(clock.now_s())

        await asyncio.sleep(2)
        with thread(work):
            await asyncio.sleep(50)

    run(main())
    assert seen == [3.0]


def test_a_thread_that_was_announced_is_waited_for_longer() -> None:
    """`adopt` keeps time still for a thread past the greeting of unknown ones."""
    seen: list[float] = []

    async def main() -> None:
        clock = running().clock

        def work() -> None:
            time.sleep(2 * clock_module.GREETING_S)
            clock.wait(threading.Event(), 1.0)
            seen.append(clock.now_s())

        with thread(work) as worker:
            clock.adopt(worker)
            await asyncio.sleep(50)

    run(main())
    assert seen == [1.0]


def test_a_thread_that_never_waits_again_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """A woken thread that blocks elsewhere holds time for the grace only, and is counted."""
    monkeypatch.setattr(clock_module, "THREAD_GRACE_S", 0.3)
    release = threading.Event()

    async def main() -> tuple[float, int]:
        clock = running().clock

        def work() -> None:
            clock.wait(threading.Event(), 1.0)
            release.wait()

        with thread(work):
            await asyncio.sleep(0.5)
            began_s = time.perf_counter()
            await asyncio.sleep(100)
            took_s = time.perf_counter() - began_s
            release.set()
        return took_s, clock.abandoned

    took_s, abandoned = run(main())
    assert 0.25 < took_s < 3.0
    assert abandoned == 1


def test_a_thread_may_start_a_sleeping_loop() -> None:
    """A loop without any timer follows the deadlines of threads."""

    async def main() -> float:
        loop = running()
        clock = loop.clock
        event = asyncio.Event()

        def work() -> None:
            clock.wait(threading.Event(), 7.0)
            loop.call_soon_threadsafe(event.set)

        with thread(work):
            await event.wait()
        return loop.time()

    assert run(main()) == 7.0


def test_a_thread_wakes_a_loop_that_sleeps_for_good() -> None:
    """A thread that begins to wait while the loop sleeps without any deadline is still served."""

    async def main() -> float:
        loop = running()
        clock = loop.clock
        event = asyncio.Event()

        def work() -> None:
            time.sleep(2 * clock_module.GREETING_S)
            clock.wait(threading.Event(), 7.0)
            loop.call_soon_threadsafe(event.set)

        with thread(work):
            await event.wait()
        return loop.time()

    assert run(main()) == 7.0


def test_the_first_descriptor_goes_before_all_others() -> None:
    """Of events that are there together, those of `first_fd` are served first."""
    pairs = [socket.socketpair() for _ in range(5)]
    served: list[int] = []

    async def main() -> None:
        loop = running()
        loop.first_fd = pairs[3][0].fileno()
        for index, (ours, _) in enumerate(pairs):
            loop.add_reader(
                ours, lambda index=index: (served.append(index), pairs[index][0].recv(1))
            )
        for _, theirs in pairs:
            theirs.send(b"x")
        await asyncio.sleep(1)
        for ours, _ in pairs:
            loop.remove_reader(ours)

    with contextlib.ExitStack() as stack:
        for pair in pairs:
            for each in pair:
                stack.enter_context(each)
        run(main())
    assert served == [3, 0, 1, 2, 4]


def test_threads_are_let_go_when_the_simulation_ends() -> None:
    """A thread still waiting when the loop closes returns, and later waits are in real time."""
    results: list[tuple[bool, float]] = []
    workers: list[threading.Thread] = []

    async def main() -> None:
        clock = running().clock

        def work() -> None:
            never = threading.Event()
            clock.wait(never, 1000.0)
            began_s = time.perf_counter()
            results.append((clock.wait(never, 0.1), time.perf_counter() - began_s))

        workers.append(threading.Thread(target=work))
        workers[0].start()
        await asyncio.sleep(1)

    run(main())
    workers[0].join(5)
    ((was_set, took_s),) = results
    assert not was_set
    assert took_s >= 0.1


def test_waiting_in_the_loops_own_thread_is_refused() -> None:
    """A wait that could never end raises, and says what to use instead."""

    async def main() -> None:
        running().clock.wait(threading.Event(), 1.0)

    with pytest.raises(RuntimeError, match=r"asyncio\.sleep"):
        run(main())


# The clocks


@pytest.mark.parametrize("make", [MonotonicClock, SimulatedClock])
@pytest.mark.parametrize("timeout_s", [0.0, -1.0, math.nan, -math.inf])
def test_a_wait_without_time_returns_at_once(make: Callable[[], Clock], timeout_s: float) -> None:
    """Zero, negative and undefined time-outs do not block; a set event is seen all the same."""
    clock = make()
    event = threading.Event()
    assert clock.wait(event, timeout_s) is False
    event.set()
    assert clock.wait(event, timeout_s) is True


def test_the_real_clock_waits_without_end_when_told_to() -> None:
    """An infinite time-out is no error; the event ends it."""
    event = threading.Event()
    timer = threading.Timer(0.05, event.set)
    timer.start()
    assert MonotonicClock().wait(event, math.inf) is True
    timer.join()


def test_wall_time_is_utc_and_follows_simulated_seconds() -> None:
    """The calendar starts at the invented morning and moves with the simulation only."""
    clock = SimulatedClock(start=datetime(2026, 3, 7, 9, 0, tzinfo=UTC), start_s=100.0)
    assert clock.wall() == datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
    clock.move(100.0 + 3 * 3600 + 0.25)
    assert clock.wall() == datetime(2026, 3, 7, 12, 0, 0, 250_000, tzinfo=UTC)
    clock.move(50.0)
    assert clock.now_s() == 100.0 + 3 * 3600 + 0.25
    real = MonotonicClock().wall()
    assert real.tzinfo is UTC
    assert abs(real - datetime.now(UTC)) < timedelta(seconds=1)


def test_the_loop_shows_its_clock() -> None:
    """Loop, clock and governor agree about the time."""

    async def main() -> None:
        loop = running()
        assert isinstance(loop, LockstepLoop)
        await asyncio.sleep(12.5)
        assert loop.time() == loop.clock.now_s() == governor().clock.now_s() == 12.5

    run(main())
