"""One simulated time for several real processes.

Theory. The main process holds the time, the ledger and the plant. A role that a fault is going to
kill or freeze runs as a child process on a loop of its own, tied to the conductor by one socket
with a line of JSON for each message. A child that has nothing left to do *reports*: what it sent
and handled, when it must next be woken, and up to which order it has followed. Then it sleeps.
Time moves when the main loop is idle, every live child has followed its last order, and the ledger
is empty. The new time goes to every child before anything happens at that time.

What is due at the same moment happens in turns: the main process first, then the children in the
order they were started, each only when the one before has come to rest. So two runs of one seed
put the same events in the same order.

A killed or frozen child is not waited for. One that does not answer is taken for frozen after a
real grace.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Collection, Mapping
from enum import Enum
from pathlib import Path
from typing import Any

from monitor.clock import SimulatedClock
from monitor.simulate.ledger import Hold, LockstepLedger
from monitor.simulate.lockstep import Events, LocalGovernor, OnStall, Select
from monitor.simulate.wire import LineChannel

FREEZE_GRACE_S = 10.0
"""Real seconds without an answer after which a child is taken for frozen."""

START_GRACE_S = 60.0
"""The same for its first answer, which comes after Python and all imports have loaded."""

REAP_S = 5.0
"""Real seconds a child may take to end once it has closed its line or was killed."""

SETTLE_S = 0.05
"""Real seconds in which the broker may notice a lost child and publish its will."""


class State(Enum):
    """What a child is to the conductor."""

    LIVE = "live"
    FROZEN = "frozen"
    GONE = "gone"


class Child:
    """A process in simulated time: a handle for `Conductor`'s methods."""

    def __init__(self, name: str, process: subprocess.Popen[bytes], channel: LineChannel) -> None:
        """Keep the books of one child; only `Conductor.start` makes them."""
        self.name = name
        self.process = process
        self.channel = channel
        self.state = State.LIVE
        self.clients: set[str] = set()
        self.next_s: float | None = None
        self.beginning: dict[str, Any] | None = None  # its first order, until its turn comes
        self.ordered = 0  # the number of the last order it must follow
        self.followed = 0  # the last order it has reported as followed
        self.reports = 0
        self.ending = False  # its role is over, and its process will close the line
        self.failure: str | None = None  # the last words of a role that raised
        self.on_message: Callable[[Any], None] | None = None
        self.on_exit: Callable[[Child], None] | None = None
        self.bench: RemoteBench | None = None

    @property
    def busy(self) -> bool:
        """Whether time must stand still for it."""
        return self.state is State.LIVE and (self.ending or self.followed < self.ordered)

    @property
    def returncode(self) -> int | None:
        """The exit status; None while it runs, negative for the signal that killed it."""
        return self.process.returncode


class Conductor(LocalGovernor):
    """The governor of the main loop, and of all its children."""

    def __init__(
        self,
        *,
        speed: float | None = None,
        clock: SimulatedClock | None = None,
        on_stall: OnStall | None = None,
    ) -> None:
        """Start with no children; see `LocalGovernor`."""
        ledger = LockstepLedger(early=True)
        super().__init__(speed=speed, clock=clock, ledger=ledger, on_stall=on_stall)
        self.children: list[Child] = []
        self.grace_s = FREEZE_GRACE_S
        self._own_s: float | None = None

    def start(
        self,
        name: str,
        role: str,
        kwargs: Mapping[str, Any] | None = None,
        *,
        on_message: Callable[[Any], None] | None = None,
        on_exit: Callable[[Child], None] | None = None,
        bench: RemoteBench | None = None,
        env: Mapping[str, str] | None = None,
    ) -> Child:
        """Start `await function(context, **kwargs)` in a process, `role` being "module:function".

        It begins in its turn, and simulated time stands still until it has come to rest for the
        first time. `on_message` gets what it sends, `on_exit` is called when it is gone for
        whatever reason, `bench` is wired to its mock pins, `env` is added to its environment.
        """
        ours, theirs = socket.socketpair()
        with theirs:
            fd = theirs.fileno()
            process = subprocess.Popen(  # noqa: S603 - our own module in our own interpreter
                [sys.executable, "-m", "monitor.simulate.child", "--fd", str(fd)],
                pass_fds=(fd,),
                stdin=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": _search_path(), **(env or {})},
            )
        child = Child(name, process, LineChannel(ours))
        child.on_message, child.on_exit, child.bench = on_message, on_exit, bench
        child.beginning = {"name": name, "role": role, "kwargs": dict(kwargs or {})}
        child.next_s = self.clock.now_s()
        self.children.append(child)
        self.loop.add_reader(child.channel.fileno(), self._read, child)
        return child

    def send(self, child: Child, message: Any) -> bool:
        """Send an application message; the child is busy until it has acted on it.

        Return False when the child is not there to get it. Raises ValueError for one too long.
        """
        return self.order(child, {"m": message})

    def stop(self, child: Child) -> None:
        """Ask the child's role to end (it is cancelled) and its process with it."""
        self.order(child, {"stop": True})

    def kill(self, child: Child) -> None:
        """SIGKILL the child, and return when it is dead. A frozen one dies, too."""
        if child.state is State.GONE:
            return
        child.process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.process.wait(REAP_S)
        self._read(child)
        self._gone(child)

    def freeze(self, child: Child) -> None:
        """SIGSTOP the child; nothing of it is waited for until `thaw` or `kill`."""
        if child.state is not State.LIVE:
            return
        child.process.send_signal(signal.SIGSTOP)
        _await_stopped(child.process.pid)
        self._read(child)
        if child.state is State.LIVE:
            self._give_up_on(child)

    def thaw(self, child: Child) -> None:
        """SIGCONT a frozen child, which finds itself in the present."""
        if child.state is not State.FROZEN:
            return
        self._back(child)
        child.process.send_signal(signal.SIGCONT)

    def order(self, child: Child, message: Mapping[str, Any]) -> bool:
        """Send a message that the child must report as followed; return whether it went out."""
        if child.state is not State.LIVE:
            return False
        if child.beginning is not None:
            self._begin(child)
        child.ordered += 1
        self._write(child, {**message, "s": child.ordered})
        return True

    def hold(self) -> Hold | None:
        """Return why time must stand still: also for a child that has not come to rest."""
        for child in self.children:
            if child.busy:
                grace_s = self.grace_s if child.followed else START_GRACE_S
                return Hold("child", (child.name, child.ordered, child.reports), grace_s)
        return super().hold()

    def give_up(self, hold: Hold) -> None:
        """Take children that do not answer for frozen."""
        super().give_up(hold)
        if hold.reason != "child":
            return
        for child in self.children:
            if child.busy:
                self._give_up_on(child)
                self.stalled((f"{child.name}: does not answer, taken for frozen",))
                return

    def next_s(self, deadline_s: float | None) -> float | None:
        """Return the next simulated moment at which anything is due, here or in a child."""
        self._own_s = super().next_s(deadline_s)
        due = [each.next_s for each in self.children if each.state is State.LIVE]
        return min((each for each in (self._own_s, *due) if each is not None), default=None)

    def go_on(self, select: Select, deadline_s: float | None) -> Events:
        """Let the next child have its turn at this moment; without one, move time."""
        now_s = self.clock.now_s()
        for child in self.children:
            if child.state is State.LIVE and child.next_s is not None and child.next_s <= now_s:
                self.order(child, {"go": 1})
                return []
        return super().go_on(select, deadline_s)

    def advance(self, to_s: float) -> None:
        """Set the time and tell it to every child: last to the one that has the first turn."""
        super().advance(to_s)
        live = [child for child in self.children if child.state is State.LIVE]
        due = [child for child in live if child.next_s is not None and child.next_s <= to_s]
        ours = self._own_s is not None and self._own_s <= to_s
        first = due[0] if due and not ours else None
        for child in live:
            if child is not first:
                self._write(child, {"t": to_s, "hold": 1} if child in due else {"t": to_s})
        if first is not None:
            self.order(first, {"t": to_s})  # only now, when everybody knows the time, work begins

    def finish(self) -> None:
        """Kill what is left, and wait for nothing."""
        for child in list(self.children):
            child.on_exit = child.on_message = None
            self.kill(child)
        super().finish()

    def _begin(self, child: Child) -> None:
        """Let a new child's role begin, at this moment and with the pins as they are."""
        beginning, child.beginning = child.beginning, None
        start = {
            **(beginning or {}),
            "now_s": self.clock.now_s(),
            "wall": self.clock.wall().isoformat(),
            "levels": None if child.bench is None else child.bench.attach(child),
        }
        self.order(child, {"start": start})

    def _write(self, child: Child, message: Mapping[str, Any]) -> None:
        """Put a line on a child's socket; one that does not read is taken for frozen."""
        try:
            child.channel.send(message)
        except TimeoutError:
            self._give_up_on(child)
            self.stalled((f"{child.name}: does not read, taken for frozen",))
        except OSError:
            pass  # it is gone, and reading will say so

    def _read(self, child: Child) -> None:
        """Take what a child says."""
        if child.state is State.GONE:
            return
        try:
            reports, closed = child.channel.receive()
        except ValueError as error:
            child.failure = f"it spoke nonsense: {error}"
            reports, closed = [], True
        for report in reports:
            child.reports += 1
            if child.state is State.FROZEN and child.process.poll() is None:
                self._back(child)  # it was only slow, or somebody else has thawed it
            for entry in report.get("e", ()):
                self._take(child, entry)
            if "i" in report:
                child.followed, child.next_s = report["i"], report["n"]
        if closed:
            self._gone(child)

    def _take(self, child: Child, entry: list[Any]) -> None:  # noqa: C901 - one flat table
        """Act on one entry of a report."""
        match entry:
            case ["sent", topic]:
                self.ledger.sent(topic)
            case ["handled", client, topic]:
                self.ledger.handled(client, topic)
            case ["online", client, filters]:
                child.clients.add(client)
                self.ledger.online(client, tuple(filters))
            case ["offline", client]:
                self.ledger.offline(client)
            case ["lost", topic]:
                self.ledger.lost(topic)
            case ["busy", client]:
                child.clients.add(client)
                self.ledger.busy(client)
            case ["idle", client]:
                self.ledger.idle(client)
            case ["message", message]:
                if child.on_message is not None:
                    self.loop.call_soon(child.on_message, message)
            case ["output", pin, level, at_s]:
                if child.bench is not None:
                    child.bench.heard(pin, level, at_s)
            case ["stall", what]:
                self.stalled(tuple(f"{child.name}: {each}" for each in what))
            case ["failure", text]:
                child.failure = text
            case ["ending"]:
                child.ending = True

    def _give_up_on(self, child: Child) -> None:
        """Count the child as frozen."""
        child.state = State.FROZEN
        for client in child.clients:
            self.ledger.ignore(client)

    def _back(self, child: Child) -> None:
        """Count the child as live again, and bring it to the present."""
        child.state = State.LIVE
        for client in child.clients:
            self.ledger.heed(client)
        self.order(child, {"t": self.clock.now_s()})
        if child.bench is not None:
            child.bench.resend()
        self.ledger.settle(SETTLE_S)

    def _gone(self, child: Child) -> None:
        """Bury a child that has closed its line."""
        if child.state is State.GONE:
            return
        child.state = State.GONE
        self.loop.remove_reader(child.channel.fileno())
        child.channel.close()
        self.children.remove(child)
        try:
            child.process.wait(REAP_S)
        except subprocess.TimeoutExpired:
            child.process.kill()
            child.process.wait()
        for client in child.clients:
            self.ledger.heed(client)
            self.ledger.offline(client)
        self.ledger.settle(SETTLE_S)
        if child.bench is not None:
            child.bench.detach(child)
        if child.on_exit is not None:
            self.loop.call_soon(child.on_exit, child)


class RemoteBench:
    """The pins of a child, seen from the plant's side: a `world.Bench`.

    Everything the plant does at one moment goes out as one message. The levels of the inputs are
    remembered, so that a child that starts anew finds them; a dead child's outputs are released.
    `rest_high` names the pins that an external resistor pulls high while nobody drives them.
    """

    def __init__(
        self,
        conductor: Conductor,
        *,
        rest_high: Collection[int] = (),
        on_output: Callable[[int, bool | None, float], None] | None = None,
    ) -> None:
        """Belong to a conductor; `on_output(pin, level, at_s)` hears of changed outputs, with
        None for a released one.
        """
        self._conductor = conductor
        self._rest_high = frozenset(rest_high)
        self._on_output = on_output
        self._child: Child | None = None
        self._inputs: dict[int, bool] = {}
        self._analog: dict[tuple[int, int], float] = {}
        self._outputs: dict[int, bool] = {}
        self._batch: list[list[Any]] = []

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Hold an input pin at a level from `at_s` on."""
        if self._inputs.get(pin) != high:
            self._inputs[pin] = high
            self._queue([pin, high, at_s])

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Give short pulses on an input pin at these times, in order."""
        if times_s:
            self._queue([pin, times_s])

    def analog(self, select_pin: int, channel: int, share: float, at_s: float) -> None:
        """Put a voltage, as a share of the reference, on a converter's input."""
        if self._analog.get((select_pin, channel)) != share:
            self._analog[select_pin, channel] = share
            self._queue([select_pin, channel, share, at_s])

    def output(self, pin: int) -> bool:
        """Return the level on an output pin, as last heard; that of the resistor when released."""
        return self._outputs.get(pin, pin in self._rest_high)

    def attach(self, child: Child) -> list[list[Any]]:
        """Serve this child from now on; return the levels it must start with."""
        self._child = child
        self._batch.clear()
        return self._now()

    def detach(self, child: Child) -> None:
        """Release every output: the child is dead."""
        if self._child is not child:
            return
        self._child = None
        self._batch.clear()
        for pin in list(self._outputs):
            self.heard(pin, None, self._conductor.clock.now_s())

    def resend(self) -> None:
        """Put every input where it is now; a frozen child has missed what happened since."""
        for entry in self._now():
            self._queue(entry)

    def _now(self) -> list[list[Any]]:
        """Return what puts every input where it is now."""
        now_s = self._conductor.clock.now_s()
        return [
            *([pin, high, now_s] for pin, high in self._inputs.items()),
            *([*key, share, now_s] for key, share in self._analog.items()),
        ]

    def heard(self, pin: int, level: bool | None, at_s: float) -> None:
        """Note an output's new level."""
        if level is None:
            self._outputs.pop(pin, None)
        else:
            self._outputs[pin] = level
        if self._on_output is not None:
            self._conductor.loop.call_soon(self._on_output, pin, level, at_s)

    def flush(self) -> None:
        """Send what has gathered, as one message that the child must act on."""
        batch, self._batch = self._batch, []
        if batch and self._child is not None:
            self._conductor.order(self._child, {"bench": batch})

    def _queue(self, entry: list[Any]) -> None:
        """Gather what happens at one moment."""
        if self._child is None or self._child.state is not State.LIVE:
            return
        if not self._batch:
            self._conductor.loop.call_soon(self.flush)
        self._batch.append(entry)


def _search_path() -> str:
    """Return our own import path, for a child: it must find what we find, from anywhere."""
    root = str(Path(__file__).resolve().parents[2])
    return os.pathsep.join([root, *(str(Path(each).absolute()) for each in sys.path)])


def _await_stopped(pid: int) -> None:
    """Return when the kernel has really stopped the process, or after a bounded while."""
    until_s = time.monotonic() + 1.0
    options = os.WSTOPPED | os.WEXITED | os.WNOHANG | os.WNOWAIT
    while os.waitid(os.P_PID, pid, options) is None and time.monotonic() < until_s:
        time.sleep(0.0005)
