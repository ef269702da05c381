"""The child's side of `conductor`: `python -m monitor.simulate.child --fd N` runs one role.

The conductor's first line names a coroutine function as "module:function". It is run as
`await function(context, **kwargs)` on a lock-step loop whose time comes from the conductor.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import ctypes
import importlib
import json
import os
import select
import signal
import socket
import threading
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from monitor.clock import SimulatedClock
from monitor.simulate.lockstep import Events, Governor, Select, run
from monitor.simulate.wire import LINE_MAX, LineChannel

if TYPE_CHECKING:
    from monitor.simulate.pins import SimFactory

MESSAGE_MAX = 1 << 15
"""Bytes in one application message to the conductor."""

ENTRIES_MAX = 30
"""Entries in one line of a report; with `MESSAGE_MAX` it keeps a line below `LINE_MAX`."""

INBOX_MAX = 1000
"""Application messages that wait for a role which has not asked for them yet."""

EXIT_FAILED = 1
EXIT_ORPHANED = 3

_PR_SET_PDEATHSIG = 1  # linux/prctl.h

if ENTRIES_MAX * MESSAGE_MAX >= LINE_MAX:
    raise RuntimeError("a full report would not fit into one line")


class Report:
    """What happened here since the last report, in order; any thread may add to it."""

    def __init__(self, channel: LineChannel) -> None:
        """Report over this channel."""
        self._channel = channel
        self._lock = threading.Lock()
        self._entries: list[list[Any]] = []
        self._told: tuple[int, float | None] | None = None

    def add(self, *entry: Any) -> None:
        """Add one entry; a long list goes out at once."""
        with self._lock:
            self._entries.append(list(entry))
            if len(self._entries) > ENTRIES_MAX:
                self._channel.send({"e": self._entries[:ENTRIES_MAX]})
                del self._entries[:ENTRIES_MAX]

    def rest(self, followed: int, next_s: float | None) -> None:
        """Report that all is done until `next_s`, if that is news."""
        with self._lock:
            if self._entries or (followed, next_s) != self._told:
                self._channel.send({"e": self._entries, "i": followed, "n": next_s})
                self._entries = []
                self._told = (followed, next_s)

    def end(self) -> None:
        """Report that the role is over; time waits for the end of the process."""
        with self._lock:
            self._channel.send({"e": [*self._entries, ["ending"]]})
            self._entries = []


class ChildLedger:
    """Passes everything on to the conductor's ledger; satisfies `ports.Ledger`."""

    def __init__(self, report: Report) -> None:
        """Pass on by this report."""
        self._add = report.add

    def online(self, client: str, filters: tuple[str, ...]) -> None:
        """Pass on."""
        self._add("online", client, list(filters))

    def offline(self, client: str) -> None:
        """Pass on."""
        self._add("offline", client)

    def sent(self, topic: str) -> None:
        """Pass on."""
        self._add("sent", topic)

    def lost(self, topic: str) -> None:
        """Pass on."""
        self._add("lost", topic)

    def handled(self, client: str, topic: str) -> None:
        """Pass on."""
        self._add("handled", client, topic)

    def busy(self, client: str) -> None:
        """Pass on."""
        self._add("busy", client)

    def idle(self, client: str) -> None:
        """Pass on."""
        self._add("idle", client)


class BenchServer:
    """This process's mock pins, driven by the plant in the main process."""

    def __init__(self, clock: SimulatedClock, report: Report, levels: list[list[Any]]) -> None:
        """Make the pins, with their inputs at these levels."""
        from monitor.simulate.pins import SimFactory  # noqa: PLC0415 - gpiozero is slow to load

        def changed(pin: int, level: bool | None, at_s: float) -> None:
            report.add("output", pin, level, at_s)

        self.factory: SimFactory = SimFactory(clock.now_s, on_output=changed)
        self.apply(levels)

    def apply(self, batch: list[list[Any]]) -> None:
        """Do what the plant did, in order: [pin, level, at_s], [pin, times of pulses], or
        [select pin, channel, share, at_s] of a converter.
        """
        for entry in batch:
            match entry:
                case [pin, bool(high), at_s]:
                    self.factory.pin(pin).drive(high, at_s)
                case [pin, list(times_s)]:
                    pulse = self.factory.pin(pin).pulse
                    for at_s in times_s:
                        pulse(at_s)
                case [select_pin, channel, share, _]:
                    self.factory.analog_inputs(select_pin)[channel] = share


class RemoteGovernor(Governor):
    """Governs the child's loop by the conductor's orders."""

    def __init__(self, channel: LineChannel, clock: SimulatedClock, followed: int) -> None:
        """Begin with `followed` as the last order that was received."""
        super().__init__(clock=clock)
        self.report = Report(channel)
        self.deliver: Callable[[Any], None] = lambda message: None
        self.bench: BenchServer | None = None
        self._channel = channel
        self.followed = followed
        self._main: asyncio.Task[Any] | None = None

    def attend(self, main: asyncio.Task[Any] | None) -> None:
        """Listen to the conductor, before anything else at any time; `main` is what it stops."""
        self._main = main
        self.loop.first_fd = self._channel.fileno()
        self.loop.add_reader(self._channel.fileno(), self._listen)

    def go_on(self, select: Select, deadline_s: float | None) -> Events:
        """Report, and sleep until the conductor or a socket has something."""
        self.asleep = True
        try:
            due = (deadline_s, self.clock.next_deadline_s())
            finite = [each for each in due if each is not None and each < float("inf")]
            self.report.rest(self.followed, min(finite, default=None))
            self.spins = 0
            return select(None)
        finally:
            self.asleep = False

    def stalled(self, what: tuple[str, ...]) -> None:
        """Pass a stall on."""
        super().stalled(what)
        self.report.add("stall", list(what))

    def _listen(self) -> None:
        """Follow the conductor's orders; without a conductor there is no reason to live."""
        orders, closed = self._channel.receive()
        for order in orders:
            self.follow(order)
        if closed:
            os._exit(EXIT_ORPHANED)

    def follow(self, order: dict[str, Any]) -> None:
        """Follow one order; what the role gets of it comes in its turn."""
        self.followed = order.get("s", self.followed)
        if "t" in order:
            self.advance(order["t"])
            self.holding = "hold" in order
        if "go" in order:
            self.holding = False
        if "bench" in order and self.bench is not None:
            self.loop.call_soon(self.bench.apply, order["bench"])
        if "m" in order:
            self.loop.call_soon(self.deliver, order["m"])
        if "stop" in order and self._main is not None:
            self._main.cancel()


@dataclass
class Context:
    """What a role gets from its process. `bench_server.factory` makes its pins, if it has any."""

    name: str
    clock: SimulatedClock
    ledger: ChildLedger
    bench_server: BenchServer | None
    _report: Report

    def __post_init__(self) -> None:
        """Start with an empty inbox and nobody to read it."""
        self._inbox: list[Any] = []
        self._handler: Callable[[Any], None] | None = None

    def send(self, message: Any) -> None:
        """Send a message to the main process; it gets it at this simulated moment.

        Raises:
            ValueError: longer than `MESSAGE_MAX` as JSON.
        """
        size = len(json.dumps(message))
        if size > MESSAGE_MAX:
            msg = f"a message of {size} bytes to the conductor: at most {MESSAGE_MAX} go"
            raise ValueError(msg)
        self._report.add("message", message)

    def on_message(self, handler: Callable[[Any], None]) -> None:
        """Call `handler` with each message of the main process, also with those that wait."""
        self._handler = handler
        waiting, self._inbox = self._inbox, []
        for message in waiting:
            handler(message)

    def deliver(self, message: Any) -> None:
        """Hand a message to the role, or keep it until the role asks."""
        if self._handler is not None:
            self._handler(message)
        elif len(self._inbox) < INBOX_MAX:
            self._inbox.append(message)


def main(argv: list[str] | None = None) -> int:
    """Run the role that the conductor names on descriptor `--fd`; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m monitor.simulate.child")
    parser.add_argument("--fd", type=int, required=True)
    fd = parser.parse_args(argv).fd
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the person at the terminal talks to the parent
    _die_with_parent()
    channel = LineChannel(socket.socket(fileno=fd))
    orders = _first_orders(channel)
    start = orders[0]["start"]
    clock = SimulatedClock(start=datetime.fromisoformat(start["wall"]), start_s=start["now_s"])
    governor = RemoteGovernor(channel, clock, orders[0]["s"])
    try:
        run(_role(governor, start, orders[1:]), governor=governor)
    except asyncio.CancelledError:
        status = 0
    except BaseException:  # noqa: BLE001 - whatever it was, the parent must hear of it
        status = EXIT_FAILED
        governor.report.add("failure", traceback.format_exc()[-MESSAGE_MAX // 2 :])
    else:
        status = 0
    with contextlib.suppress(OSError):
        governor.report.end()
    channel.close()
    return status


async def _role(
    governor: RemoteGovernor, start: dict[str, Any], orders: list[dict[str, Any]]
) -> None:
    """Set the stage and run the role."""
    governor.attend(asyncio.current_task())
    if start["levels"] is not None:
        governor.bench = BenchServer(governor.clock, governor.report, start["levels"])
    context = Context(
        name=start["name"],
        clock=governor.clock,
        ledger=ChildLedger(governor.report),
        bench_server=governor.bench,
        _report=governor.report,
    )
    governor.deliver = context.deliver
    module, _, function = start["role"].partition(":")
    role = getattr(importlib.import_module(module), function)
    for order in orders:
        governor.follow(order)
    await role(context, **start["kwargs"])


def _first_orders(channel: LineChannel) -> list[dict[str, Any]]:
    """Really wait for the first line, and return it with what came along."""
    ready = select.poll()
    ready.register(channel.fileno(), select.POLLIN)
    while True:
        ready.poll()
        orders, closed = channel.receive()
        if orders:
            return orders
        if closed:
            raise SystemExit(EXIT_ORPHANED)


def _die_with_parent() -> None:
    """Have the kernel kill us when the parent dies; the closed line is the second reason."""
    parent = os.getppid()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        raise SystemExit(EXIT_ORPHANED)


if __name__ == "__main__":
    raise SystemExit(main())
