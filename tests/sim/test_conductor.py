"""One simulated time for several processes: order, faults of processes, pins across processes."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor import notify_systemd
from monitor.simulate import wire
from monitor.simulate.conductor import Child, Conductor, RemoteBench
from monitor.simulate.lockstep import LockstepLoop, run, running
from monitor.simulate.supervisor import Phase, Service, Supervisor
from monitor.simulate.wire import LineChannel
from sim.peers import peer
from support.mosquitto import Mosquitto, find_mosquitto

needs_mosquitto = pytest.mark.skipif(find_mosquitto() is None, reason="mosquitto is not installed")


class Stage:
    """A conductor in a running simulation, and what its children have said: (time, name, what)."""

    def __init__(self, conductor: Conductor) -> None:
        self.conductor = conductor
        self.said: list[tuple[float, str, Any]] = []
        self.exits: list[tuple[float, str, int | None]] = []

    @property
    def now_s(self) -> float:
        return self.conductor.clock.now_s()

    def start(self, name: str, role: str, bench: RemoteBench | None = None, **kwargs: Any) -> Child:
        return self.conductor.start(
            name,
            f"sim.peers:{role}",
            kwargs,
            on_message=lambda what: self.said.append((self.now_s, name, what)),
            on_exit=lambda child: self.exits.append((self.now_s, name, child.returncode)),
            bench=bench,
        )

    def of(self, name: str) -> list[Any]:
        return [what for _, who, what in self.said if who == name]


def play(story: Callable[[Stage], Coroutine[Any, Any, Any]], **options: Any) -> Any:
    """Run a story on a stage of its own."""
    conductor = Conductor(**options)
    stage = Stage(conductor)

    async def main() -> Any:
        assert isinstance(running(), LockstepLoop)
        return await story(stage)

    return run(main(), governor=conductor)


@pytest.fixture
def port() -> Iterator[int]:
    """The port of a mosquitto of one's own."""
    with Mosquitto() as broker:
        yield broker.port


# Time and order


def test_a_child_keeps_its_parents_time() -> None:
    """A child's timers fire at their simulated time, told at that time, without a real wait."""

    async def story(stage: Stage) -> None:
        await asyncio.sleep(10)
        stage.start("a", "ticker", period_s=0.7)
        began_s = time.perf_counter()
        await asyncio.sleep(700)
        took_s = time.perf_counter() - began_s
        times_s = stage.of("a")
        assert len(times_s) in {999, 1000}
        assert times_s == [at_s for at_s, _, _ in stage.said]
        assert times_s[0] == 10.7
        assert took_s < 10

    play(story)


def test_starting_a_process_takes_no_simulated_time() -> None:
    """However long Python takes to load, the role begins at the moment it was started."""

    async def story(stage: Stage) -> None:
        child = stage.start("a", "tidy")
        assert child.followed == 0
        await asyncio.sleep(0.001)
        assert stage.said == [(0.0, "a", "up")]

    play(story)


def test_what_is_due_at_one_moment_happens_in_turns() -> None:
    """At equal times the main process comes first, then the children as they were started."""

    async def story(stage: Stage) -> None:
        for name in ("b", "a", "c"):
            stage.start(name, "ticker", period_s=1.0)
        for _ in range(50):
            await asyncio.sleep(1.0)
            stage.said.append((stage.now_s, "main", stage.now_s))
        await asyncio.sleep(0.5)
        assert [who for _, who, _ in stage.said] == ["main", "b", "a", "c"] * 50
        assert all(at_s == what for at_s, _, what in stage.said)

    play(story)


def test_threads_of_children_take_their_turns_too() -> None:
    """At equal times threads follow the same order: the main process, then child by child."""

    async def story(stage: Stage) -> None:
        for name in ("b", "a"):
            stage.start(name, "thread_ticker", period_s=1.0, turns=20)
        for _ in range(20):
            await asyncio.sleep(1.0)
            time.sleep(0.002)  # noqa: ASYNC251 - room for a child that would not wait its turn
            stage.said.append((stage.now_s, "main", stage.now_s))
        await asyncio.sleep(0.5)
        assert [who for _, who, _ in stage.said] == ["main", "b", "a"] * 20
        assert all(at_s == what for at_s, _, what in stage.said)

    play(story)


def test_what_the_main_process_sends_is_there_before_a_childs_timer() -> None:
    """A child's timer at the same moment already sees what the main process sent at it, even
    when that takes the main process real time.
    """

    async def story(stage: Stage) -> None:
        child = stage.start("a", "mirror")
        for n in range(1, 11):
            await asyncio.sleep(1.0)
            time.sleep(0.01)  # noqa: ASYNC251 - room for a child that would not wait its turn
            stage.conductor.send(child, n)
        await asyncio.sleep(0.5)
        assert stage.of("a") == [[float(n), n] for n in range(1, 11)]

    play(story)


def test_debts_of_a_moment_end_with_it() -> None:
    """A message that was handled but never sent by anybody does not pay for a later one."""

    async def story(stage: Stage) -> None:
        ledger = stage.conductor.ledger
        ledger.online("x", ("t",))
        ledger.handled("x", "t")
        await asyncio.sleep(1)
        ledger.sent("t")
        assert ledger.outstanding == 1
        ledger.handled("x", "t")

    play(story)


def test_a_message_keeps_time_still_until_it_is_acted_on() -> None:
    """A child that really takes 0.1 s over each message answers at the moment it was sent."""

    async def story(stage: Stage) -> None:
        child = stage.start("a", "slow")
        for n in range(5):
            await asyncio.sleep(0.01)
            assert stage.conductor.send(child, n)
        await asyncio.sleep(0.01)
        assert [(n, at_s) for n, at_s in stage.of("a")] == [
            (n, pytest.approx(0.01 * (n + 1))) for n in range(5)
        ]
        assert all(at_s == what[1] for at_s, _, what in stage.said)

    play(story)


async def chatter(stage: Stage, port: int) -> list[tuple[float, str, Any]]:
    """Two children write to each other and to the main process over MQTT, some at equal times."""
    conductor = stage.conductor
    async with peer(port, "main", conductor.ledger, "to/main") as link:
        stage.start("a", "gossip", port=port, to="b", period_s=0.25)
        stage.start("b", "gossip", port=port, to="main", period_s=0.5)
        await asyncio.sleep(0.001)

        async def hear() -> None:
            async for _, data in link.messages():
                stage.said.append((stage.now_s, "main", data))

        ears = asyncio.create_task(hear())
        for n in range(40):
            await asyncio.sleep(0.5)
            await link.send("to/a", {"from": "main", "n": n, "at_s": stage.now_s})
        await asyncio.sleep(1.1)
        ears.cancel()
    return stage.said


@needs_mosquitto
def test_processes_see_messages_at_the_moment_they_were_sent(port: int) -> None:
    """Between two children and the main process, over a real broker, every message is seen at
    exactly its simulated send time, and none is lost.
    """

    async def story(stage: Stage) -> tuple[list[tuple[float, str, Any]], int]:
        return await chatter(stage, port), stage.conductor.stalls

    said, stalls = play(story)
    heard = [what for _, _, what in said if isinstance(what, dict)]
    by_sender = {who: [d["n"] for d in heard if d["from"] == who] for who in ("a", "b", "main")}
    assert len(by_sender["main"]) == 40
    assert len(by_sender["a"]) > 80
    assert len(by_sender["b"]) > 40
    assert all(numbers == list(range(len(numbers))) for numbers in by_sender.values())
    assert all(d["sent_s"] == d["seen_s"] for d in heard if "seen_s" in d)
    assert all(at_s == d["at_s"] for at_s, who, d in said if who == "main")
    assert stalls == 0


@needs_mosquitto
def test_two_runs_put_events_in_the_same_order() -> None:
    """The same story gives the same log, although three processes and a broker share it."""

    async def story(stage: Stage) -> list[tuple[float, str, Any]]:
        with Mosquitto() as broker:
            return await chatter(stage, broker.port)

    first, second = play(story), play(story)
    assert len(first) > 150
    assert first == second


def test_a_thread_in_a_child_is_waited_for() -> None:
    """A thread of a child that waits for simulated time wakes at each deadline exactly."""

    async def story(stage: Stage) -> None:
        stage.start("a", "watch_thread", period_s=0.5, turns=20)
        await asyncio.sleep(12)
        assert stage.of("a") == [[0.5 * n for n in range(1, 21)]]

    play(story)


# Faults of processes


@needs_mosquitto
def test_a_killed_child_is_not_waited_for(port: int) -> None:
    """After SIGKILL time goes on at once, with messages for the dead child on their way, and the
    exit status says what happened.
    """

    async def story(stage: Stage) -> None:
        conductor = stage.conductor
        async with peer(port, "main", conductor.ledger) as link:
            child = stage.start("a", "echo", port=port)
            await asyncio.sleep(1)
            await link.send("ask/a", 1)
            await asyncio.sleep(1)
            assert stage.of("a") == ["up", {"seen": 1, "at_s": 1.0}]
            conductor.kill(child)
            began_s = time.perf_counter()
            for n in range(50):
                await link.send("ask/a", n)
                await asyncio.sleep(1)
            assert time.perf_counter() - began_s < 3
            assert stage.exits == [(2.0, "a", -signal.SIGKILL)]
            assert not conductor.send(child, "hello")
            assert conductor.stalls == 0

    play(story)


@needs_mosquitto
def test_a_frozen_child_is_not_waited_for_and_comes_back(port: int) -> None:
    """After SIGSTOP time goes on without the child; after SIGCONT it acts in the present, on
    what was kept for it, and is waited for again.
    """

    async def story(stage: Stage) -> None:
        conductor = stage.conductor
        async with peer(port, "main", conductor.ledger) as link:
            child = stage.start("a", "echo", port=port)
            await asyncio.sleep(1)
            conductor.freeze(child)
            began_s = time.perf_counter()
            for n in range(20):
                await link.send("ask/a", n)
                await asyncio.sleep(1)
            assert time.perf_counter() - began_s < 3
            assert stage.of("a") == ["up"]
            conductor.thaw(child)
            await asyncio.sleep(1)
            assert stage.of("a")[1:] == [{"seen": n, "at_s": 21.0} for n in range(20)]
            conductor.ledger.sent("ask/a")
            assert conductor.ledger.outstanding == 1
            conductor.ledger.lost("ask/a")
            await link.send("ask/a", "again")
            await asyncio.sleep(1)
            assert stage.of("a")[-1] == {"seen": "again", "at_s": 22.0}
            assert conductor.stalls == 0

    play(story)


def test_a_child_frozen_by_a_stranger_is_taken_for_frozen() -> None:
    """A child that stops answering holds time for the real grace only, and is reported; when it
    answers again, it is counted again.
    """
    reports: list[tuple[str, ...]] = []

    async def story(stage: Stage) -> None:
        conductor = stage.conductor
        conductor.grace_s = 0.4
        child = stage.start("a", "ticker", period_s=1.0)
        await asyncio.sleep(5.5)
        os.kill(child.process.pid, signal.SIGSTOP)
        began_s = time.perf_counter()
        await asyncio.sleep(100)
        assert 0.3 < time.perf_counter() - began_s < 3
        assert len(stage.said) == 5
        os.kill(child.process.pid, signal.SIGCONT)
        until_s = time.perf_counter() + 5
        while len(stage.said) == 5 and time.perf_counter() < until_s:
            await asyncio.sleep(0.001)
            time.sleep(0.001)  # noqa: ASYNC251 - the child needs real time to wake
        await asyncio.sleep(10)
        assert stage.said[5][0] >= 105.5
        assert len(stage.said) >= 14
        # What it was about to do when it was frozen it does at last, in its own past; then it is
        # in the present again.
        assert stage.said[5][2] == 6.0
        assert all(at_s == what for at_s, _, what in stage.said[6:])

    play(story, on_stall=reports.append)
    assert reports == [("a: does not answer, taken for frozen",)]


def test_a_role_that_raises_is_heard_of() -> None:
    """The last words of a failed role reach the parent, and its exit status is 1."""

    async def story(stage: Stage) -> tuple[Child, Child]:
        failed = stage.start("a", "broken")
        unknown = stage.start("b", "no_such_role")
        await asyncio.sleep(1)
        assert stage.exits == [(0.0, "a", 1), (0.0, "b", 1)]
        return failed, unknown

    failed, unknown = play(story)
    assert "the tank is in the other room" in failed.failure
    assert "no_such_role" in unknown.failure


def test_a_stopped_role_clears_away_in_simulated_time() -> None:
    """`stop` cancels the role; what it does then takes its simulated time, and it ends with 0."""

    async def story(stage: Stage) -> None:
        child = stage.start("a", "tidy")
        await asyncio.sleep(1)
        stage.conductor.stop(child)
        await asyncio.sleep(10)
        assert stage.of("a") == ["up", ["cleared", 3.0]]
        assert stage.exits == [(3.0, "a", 0)]

    play(story)


ORPHANS = """
import asyncio, time
from monitor.simulate.conductor import Conductor
from monitor.simulate.lockstep import run

async def main():
    child = conductor.start("a", "sim.peers:ticker", {"period_s": 1.0})
    await asyncio.sleep(3)
    print(child.process.pid, flush=True)
    HOW

conductor = Conductor()
run(main(), governor=conductor)
"""


@pytest.mark.parametrize("how", ["time.sleep(60)", "raise SystemExit(0)"])
def test_children_never_outlive_their_parent(how: str) -> None:
    """Whether the parent is killed or ends in the middle, no child is left a moment later."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, "-c", ORPHANS.replace("HOW", how)], stdout=subprocess.PIPE, env=env
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert Path(f"/proc/{pid}").exists() or "raise" in how
        if "sleep" in how:
            parent.kill()
        parent.wait(10)
        until_s = time.monotonic() + 5
        while _lives(pid) and time.monotonic() < until_s:
            time.sleep(0.01)
        assert not _lives(pid)


def _lives(pid: int) -> bool:
    """Return whether a process runs; one that nobody has buried yet does not."""
    with contextlib.suppress(OSError):
        status = Path(f"/proc/{pid}/stat").read_text()
        return status.rpartition(")")[2].split()[0] != "Z"
    return False


# The supervisor


@contextlib.asynccontextmanager
async def supervised(stage: Stage, **options: Any) -> AsyncIterator[Supervisor]:
    """Look after the role `fed` with these options."""
    role = options.pop("role", "fed")
    service = Service(
        name="a",
        role=f"sim.peers:{role}",
        on_message=lambda what: stage.said.append((stage.now_s, "a", what)),
        **options,
    )
    supervisor = Supervisor(stage.conductor, service)
    supervisor.start()
    try:
        yield supervisor
    finally:
        supervisor.close()


def test_the_watchdog_kills_at_its_simulated_time_and_restarts_a_bounded_number_of_times() -> None:
    """Fed at 1, 2, ..., 5 s and never again, a service with a watchdog of 3 s is killed at 8 s
    exactly, starts anew 2 s later, and after the second restart stays down.
    """

    async def story(stage: Stage) -> None:
        kwargs = {"feeds": 5, "period_s": 1.0}
        async with supervised(stage, kwargs=kwargs, restarts_max=2) as supervisor:
            await asyncio.sleep(100)
            assert list(supervisor.events) == [
                (0.0, "started"),
                (0.0, "ready"),
                (8.0, "watchdog"),
                (8.0, "exited -9"),
                (10.0, "started"),
                (10.0, "ready"),
                (18.0, "watchdog"),
                (18.0, "exited -9"),
                (20.0, "started"),
                (20.0, "ready"),
                (28.0, "watchdog"),
                (28.0, "exited -9"),
                (28.0, "failed"),
            ]
            assert supervisor.phase is Phase.FAILED
            assert [what[1] for what in stage.of("a")][:6] == [1.0, 2.0, 3.0, 4.0, 5.0, 11.0]

    play(story)


def test_a_frozen_service_is_killed_by_its_watchdog() -> None:
    """A service that feeds every second and is frozen at 4.5 s was last fed at 4 s: it is killed
    at 7 s, although it is stopped, and starts anew at 9 s.
    """

    async def story(stage: Stage) -> None:
        async with supervised(stage, kwargs={"feeds": 1000, "period_s": 1.0}) as supervisor:
            await asyncio.sleep(4.5)
            assert supervisor.child is not None
            pid = supervisor.child.process.pid
            stage.conductor.freeze(supervisor.child)
            await asyncio.sleep(10)
            assert list(supervisor.events)[2:] == [
                (7.0, "watchdog"),
                (7.0, "exited -9"),
                (9.0, "started"),
                (9.0, "ready"),
            ]
            assert not _lives(pid)
            assert supervisor.phase is Phase.READY

    play(story)


def test_a_service_that_never_gets_ready_is_killed() -> None:
    """Without READY=1 the start time-out strikes, at its simulated time."""

    async def story(stage: Stage) -> None:
        async with supervised(stage, role="tidy", start_s=30.0, restarts_max=0) as supervisor:
            await asyncio.sleep(100)
            assert list(supervisor.events) == [
                (0.0, "started"),
                (30.0, "start time-out"),
                (30.0, "exited -9"),
                (30.0, "failed"),
            ]

    play(story)


def test_a_service_that_is_asked_to_end_stays_down() -> None:
    """After `stop` the service ends by itself, with status 0, and is not started anew."""

    async def story(stage: Stage) -> None:
        async with supervised(stage, kwargs={"feeds": 1000, "period_s": 1.0}) as supervisor:
            await asyncio.sleep(5.5)
            supervisor.stop()
            await asyncio.sleep(50)
            assert list(supervisor.events)[2:] == [(5.5, "exited 0")]
            assert supervisor.phase is Phase.STOPPED

    play(story)


# Pins across processes


def test_pins_reach_the_child_at_their_time_and_its_outputs_come_back() -> None:
    """The plant's drives and pulses arrive with their own times; the relay's changes come back at
    the moment they were made; a killed child's relay is released; a new child finds the levels.
    """
    relay, float_pin, flow = 17, 22, 24
    outputs: list[tuple[int, bool | None, float]] = []

    async def story(stage: Stage) -> None:
        conductor = stage.conductor
        bench = RemoteBench(
            conductor, on_output=lambda pin, level, at_s: outputs.append((pin, level, at_s))
        )
        bench.drive(float_pin, False, 0.0)
        assert bench.output(relay) is False
        pins = {"relay": relay, "float_pin": float_pin, "flow": flow}
        child = stage.start("a", "pins", bench, **pins)
        await asyncio.sleep(0.5)
        assert stage.of("a") == [["float", False]]
        assert bench.output(relay) is True
        bench.pulses(flow, [0.31, 0.37, 0.49])
        bench.drive(float_pin, True, 0.45)
        bench.drive(float_pin, True, 0.5)
        await asyncio.sleep(0.6)
        assert stage.said[1:] == [
            (0.5, "a", ["float", True, 0.45, 0.5]),
            (1.0, "a", ["pulses", [0.31, 0.37, 0.49], 1.0]),
        ]
        assert bench.output(relay) is False
        bench.drive(float_pin, False, 1.1)
        await asyncio.sleep(0.1)
        assert bench.output(relay) is True
        conductor.kill(child)
        assert bench.output(relay) is False
        bench.drive(float_pin, True, 1.2)
        stage.said.clear()
        stage.start("a", "pins", bench, **pins)
        await asyncio.sleep(0.01)
        assert stage.of("a") == [["float", True]]

    play(story)
    assert [(pin, level, round(at_s, 9)) for pin, level, at_s in outputs[:5]] == [
        (relay, True, 0.0),
        (relay, False, 0.5),
        (relay, True, 1.1),
        (relay, None, 1.2),
        (relay, True, 1.2),
    ]


def test_a_frozen_childs_relay_stays_as_it_was_until_it_is_killed() -> None:
    """Freezing does not release an output; only the kill does. A resistor may hold it high."""

    async def story(stage: Stage) -> None:
        bench = RemoteBench(stage.conductor, rest_high=[17])
        child = stage.start("a", "pins", bench, relay=17, float_pin=22, flow=24)
        await asyncio.sleep(0.1)
        bench.drive(22, False, stage.now_s)
        bench.drive(22, True, stage.now_s)
        await asyncio.sleep(0.1)
        assert bench.output(17) is False
        stage.conductor.freeze(child)
        bench.drive(22, False, stage.now_s)
        await asyncio.sleep(5)
        assert bench.output(17) is False
        stage.conductor.thaw(child)
        await asyncio.sleep(0.1)
        assert bench.output(17) is True
        stage.conductor.kill(child)
        assert bench.output(17) is True
        assert bench.output(4) is False

    play(story)


# The line and the notifications


def test_lines_are_bounded_in_both_directions(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither side sends nor takes a line above the bound."""
    monkeypatch.setattr(wire, "LINE_MAX", 1000)
    ours, theirs = socket.socketpair()
    channel = LineChannel(ours)
    with contextlib.closing(channel), theirs:
        with pytest.raises(ValueError, match="at most 1000"):
            channel.send({"m": "x" * 1000})
        theirs.send(b'{"i":1}\n{"i"')
        assert channel.receive() == ([{"i": 1}], False)
        theirs.send(b":2}\n")
        assert channel.receive() == ([{"i": 2}], False)
        theirs.send(b"y" * 1001)
        with pytest.raises(ValueError, match="more than 1000"):
            channel.receive()


def test_a_side_that_never_reads_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full socket raises after the grace; it never blocks for good."""
    monkeypatch.setattr(wire, "SEND_GRACE_S", 0.05)
    ours, theirs = socket.socketpair()
    channel = LineChannel(ours)

    def fill() -> None:
        for _ in range(1000):
            channel.send({"m": "x" * 10_000})

    with contextlib.closing(channel), theirs, pytest.raises(TimeoutError):
        fill()


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_notifications_are_single_datagrams(
    kind: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As sd_notify(3) has it: one datagram per word, to a path or to an abstract address."""
    name = str(tmp_path / "notify") if kind == "path" else f"@brimwatch-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name.replace("@", "\0", 1))
        manager.settimeout(2)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        notify_systemd.notify("READY=1")
        notify_systemd.notify("WATCHDOG=1")
        assert [manager.recv(100), manager.recv(100)] == [b"READY=1", b"WATCHDOG=1"]


@pytest.mark.parametrize("address", [None, "", "relative", "@nobody-listens", "/no/such", "/\0x"])
def test_a_notification_never_raises(address: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a manager, or with a wrong address, nothing happens."""
    environ = {} if address is None else {"NOTIFY_SOCKET": address}
    monkeypatch.setattr(os, "environ", environ)
    notify_systemd.notify("READY=1")


@pytest.mark.parametrize(
    ("period", "pid", "expected_s"),
    [("3000000", "", 3.0), ("1500000", "ours", 1.5), ("3000000", "1", None), ("", "", None),
     ("0", "", None), ("soon", "", None)],
)  # fmt: skip
def test_the_watchdog_period_is_read_as_systemd_says(
    period: str, pid: str, expected_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """WATCHDOG_USEC counts unless WATCHDOG_PID names another process (sd_watchdog_enabled(3))."""
    monkeypatch.setenv("WATCHDOG_USEC", period)
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if pid == "ours" else pid)
    assert notify_systemd.watchdog_s() == expected_s
