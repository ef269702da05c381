"""An event loop whose time is handed out in lock-step.

Theory. Simulated time is one number. It moves only when the loop has nothing left to do at this
moment, and "nothing left" includes what asyncio cannot see: messages inside a broker (counted by
the `LockstepLedger`), handshakes under way, jobs in worker threads, and threads that work between
two waits (counted by `clock.SimulatedClock`). Then it moves to exactly the next deadline and never
past one. So a slow moment of the machine makes the simulation late, never wrong; with `speed` set
it is also held back to that multiple of real time, while outside sockets are still served.

What would keep time still for ever is waited for with a bounded real patience, then written off
and reported as a *stall*.
"""

from __future__ import annotations

import asyncio
import math
import selectors
import threading
import time
from collections import deque
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import Any, TypeVar, TypeVarTuple, Unpack

from monitor.clock import SimulatedClock
from monitor.simulate.ledger import Hold, LockstepLedger

__all__ = [
    "Governor",
    "Hold",
    "LocalGovernor",
    "LockstepError",
    "LockstepLedger",
    "LockstepLoop",
    "run",
    "running",
]

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

Events = list[tuple[selectors.SelectorKey, int]]
Select = Callable[[float | None], Events]
OnStall = Callable[[tuple[str, ...]], None]

SPINS_MAX = 200_000
"""Passes of the loop at one simulated moment before it is taken for a program that never rests."""

BEHIND_MAX_S = 0.25
"""Real lateness that a paced simulation makes up for; what is more than this is forgiven."""

_SLICE_S = 0.02  # real seconds between two looks at what keeps time still
_THREAD_SLICE_S = 0.002
_CREDIT_MAX_S = 0.05  # the most real time one look charges: a suspended machine is not impatience


class LockstepError(RuntimeError):
    """The program cannot be simulated as it is; the text says why."""


class _Patience:
    """Real time spent on one hold, a little at a time."""

    def __init__(self) -> None:
        self._hold: Hold | None = None
        self._spent_s = 0.0
        self._looked_s = 0.0

    def spent(self, hold: Hold) -> bool:
        """Charge the time since the last look; return whether the grace is used up."""
        now_s = time.monotonic()
        if hold != self._hold:
            self._hold, self._spent_s, self._looked_s = hold, 0.0, now_s
        self._spent_s += min(now_s - self._looked_s, _CREDIT_MAX_S)
        self._looked_s = now_s
        return self._spent_s > hold.grace_s

    def reset(self) -> None:
        """Start afresh."""
        self._hold = None


class Governor:
    """Decides what an idle loop does. This base counts what lives in the process: jobs, threads."""

    def __init__(self, *, clock: SimulatedClock | None = None) -> None:
        """Govern a loop whose time is `clock`."""
        self.clock = clock or SimulatedClock()
        self.jobs: set[asyncio.Future[Any]] = set()
        self.holding = False  # timers that are due now must not fire yet
        self.stalls = 0
        self.advances = 0
        self.spins = 0
        self.asleep = False
        self.patience = _Patience()
        self.loop: LockstepLoop

    def bind(self, loop: LockstepLoop) -> None:
        """Belong to this loop."""
        self.loop = loop
        self.clock.loop_thread = threading.current_thread()
        self.clock.on_wait = self._poke

    def idle(self, select: Select, deadline_s: float | None) -> Events:
        """Answer for the selector when the loop has nothing to do before `deadline_s`."""
        while True:
            events = select(0)
            if events:
                return events
            hold = self.hold()
            if hold is None:
                if not self.holding and self.clock.wake_due():
                    continue
                return self.go_on(select, deadline_s)
            if self.patience.spent(hold):
                self.patience.reset()
                self.give_up(hold)
                continue
            events = self._wait(select, hold)
            if events:
                return events

    def hold(self) -> Hold | None:
        """Return why time must stand still, if it must."""
        if self.jobs:
            return Hold("jobs", len(self.jobs))
        return Hold("threads", 0, math.inf) if self.clock.busy() else None

    def give_up(self, hold: Hold) -> None:
        """Write off what `hold` waited for."""
        if hold.reason == "jobs":
            self.stalled((f"{len(self.jobs)} job(s) in worker threads",))
            self.jobs.clear()

    def stalled(self, what: tuple[str, ...]) -> None:
        """Count a stall; `what` names the things that were written off."""
        self.stalls += 1

    def go_on(self, select: Select, deadline_s: float | None) -> Events:
        """Move time, or sleep: nothing is left to do at this moment."""
        raise NotImplementedError

    def advance(self, to_s: float) -> None:
        """Set the time, and with it a fresh patience."""
        self.advances += 1
        self.spins = 0
        self.patience.reset()
        self.clock.move(to_s)

    def finish(self) -> None:
        """Wait for nothing any more: the program has ended and is being cleared away."""
        self.jobs.clear()

    def _wait(self, select: Select, hold: Hold) -> Events:
        """Really wait a little for what keeps time still."""
        if hold.reason == "threads":
            self.clock.await_threads(_THREAD_SLICE_S)
            return select(0)
        return select(_SLICE_S)

    def _poke(self) -> None:
        """Wake a sleeping loop because a thread began to wait (called in that thread)."""
        if self.asleep:
            self.loop.call_soon_threadsafe(int)


class LocalGovernor(Governor):
    """Moves time for one process, at most `speed` times as fast as real time (None: no limit)."""

    def __init__(
        self,
        *,
        speed: float | None = None,
        clock: SimulatedClock | None = None,
        ledger: LockstepLedger | None = None,
        on_stall: OnStall | None = None,
    ) -> None:
        """Start unpaced when `speed` is None; `on_stall` is called in the loop."""
        super().__init__(clock=clock)
        self.ledger = ledger or LockstepLedger()
        self.on_stall = on_stall
        self._anchor: tuple[float, float] | None = None  # (real, simulated) seconds
        self.pace(speed)

    def pace(self, speed: float | None) -> None:
        """Change the speed from now on.

        Raises:
            ValueError: a speed that is not a positive number.
        """
        if speed is not None and not 0 < speed < math.inf:
            msg = f"speed is {speed}: it must be a positive number, or None for as fast as it goes"
            raise ValueError(msg)
        self.speed = speed
        self._anchor = None

    def hold(self) -> Hold | None:
        """Return why time must stand still, if it must."""
        return super().hold() or self.ledger.hold()

    def give_up(self, hold: Hold) -> None:
        """Write off what `hold` waited for."""
        super().give_up(hold)
        if hold.reason in {"messages", "handshake"}:
            self.stalled(self.ledger.write_off())

    def stalled(self, what: tuple[str, ...]) -> None:
        """Count a stall and report it."""
        super().stalled(what)
        if self.on_stall is not None:
            self.loop.call_soon(self.on_stall, what)

    def next_s(self, deadline_s: float | None) -> float | None:
        """Return the next simulated moment at which anything is due."""
        ours = [each for each in (deadline_s, self.clock.next_deadline_s()) if each is not None]
        return min((each for each in ours if each < math.inf), default=None)

    def go_on(self, select: Select, deadline_s: float | None) -> Events:
        """Move time to the next deadline, or sleep until it is time for that."""
        self.asleep = True
        try:
            to_s = self.next_s(deadline_s)
            if to_s is None:
                self.spins = 0
                return select(None)
            early_s = self._early_s(to_s)
            if early_s > 0:
                return select(early_s)
        finally:
            self.asleep = False
        self.advance(to_s)
        return []

    def advance(self, to_s: float) -> None:
        """Set the time."""
        self.ledger.moved()
        super().advance(to_s)

    def finish(self) -> None:
        """Wait for nothing any more."""
        super().finish()
        self.ledger.broker_down()

    def _early_s(self, to_s: float) -> float:
        """Return for how many real seconds the move to `to_s` must still wait."""
        if self.speed is None:
            return 0.0
        now_s = time.monotonic()
        if self._anchor is None:
            self._anchor = (now_s, self.clock.now_s())
        real_s, simulated_s = self._anchor
        early_s = real_s + (to_s - simulated_s) / self.speed - now_s
        if early_s < -BEHIND_MAX_S:
            self._anchor = (now_s, to_s)
        return early_s


class _Selector(selectors.DefaultSelector):
    """The real selector, asked through the loop."""

    def __init__(self, loop: LockstepLoop) -> None:
        super().__init__()
        self._loop = loop
        self._really: Select = super().select

    def select(self, timeout: float | None = None) -> Events:
        """Let the loop decide how to select."""
        return self._loop.choose(self._really, timeout)


class LockstepLoop(asyncio.SelectorEventLoop):
    """An asyncio event loop in simulated time, moved by its governor.

    It reads three private fields that asyncio has had since its first release (`_scheduled`,
    `_ready`, `_stopping`) and answers for a fourth (`_clock_resolution`), so that a timer fires at
    its own time to the last bit: neither early nor late by a rounding.
    """

    _scheduled: list[asyncio.TimerHandle]
    _ready: deque[asyncio.Handle]
    _stopping: bool

    def __init__(self, governor: Governor) -> None:
        """Belong to `governor`, whose clock is the loop's time."""
        self.governor = governor
        self.clock = governor.clock
        self.first_fd: int | None = None  # a descriptor whose events go before all others
        super().__init__(_Selector(self))
        governor.bind(self)

    def time(self) -> float:
        """Return simulated seconds."""
        return self.clock.now_s()

    @property
    def _clock_resolution(self) -> float:
        """How far past now a timer still fires: one bit, or not even now while held back."""
        bit_s = math.ulp(self.clock.now_s())
        return -bit_s if self.governor.holding else bit_s

    @_clock_resolution.setter
    def _clock_resolution(self, value: float) -> None:
        """Leave asyncio's own idea aside; it would fire timers a nanosecond early."""

    def choose(self, select: Select, timeout: float | None) -> Events:
        """Look only, when work waits; otherwise ask the governor."""
        governor = self.governor
        at_once = timeout is not None and timeout <= 0
        if at_once and (not governor.holding or self._ready or self._stopping):
            events = select(0)
            governor.spins += 1
            if governor.spins > SPINS_MAX:
                governor.spins = 0
                msg = (
                    f"{SPINS_MAX} passes of the event loop at simulated time {self.time()} s: "
                    "something calls itself for ever without waiting"
                )
                raise LockstepError(msg)
        else:
            deadline_s = self._scheduled[0].when() if self._scheduled else None
            events = governor.idle(select, deadline_s)
        if self.first_fd is not None and len(events) > 1:
            events.sort(key=lambda event: event[0].fd != self.first_fd)
        return events

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[Unpack[Ts]], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """Run a job in a worker thread; time stands still until it is done."""
        future = super().run_in_executor(executor, func, *args)
        self.governor.jobs.add(future)
        future.add_done_callback(self.governor.jobs.discard)
        return future

    def close(self) -> None:
        """Close, and let every thread that waits for simulated time go."""
        self.clock.close()
        super().close()


def running() -> LockstepLoop:
    """Return the lock-step loop of the running task.

    Raises:
        LockstepError: the loop is an ordinary one.
    """
    loop = asyncio.get_running_loop()
    if not isinstance(loop, LockstepLoop):
        msg = "this needs simulated time: start it with simulate.lockstep.run"
        raise LockstepError(msg)
    return loop


def run(
    main: Coroutine[Any, Any, T],
    *,
    speed: float | None = None,
    governor: Governor | None = None,
) -> T:
    """Run a program in simulated time, as `asyncio.run` does in real time; return its result.

    Inside, `running().clock` is the clock, and `running().governor` has the ledger. A `governor`
    brings its own speed.
    """
    chosen = governor or LocalGovernor(speed=speed)
    with asyncio.Runner(loop_factory=lambda: LockstepLoop(chosen)) as runner:
        try:
            return runner.run(main)
        finally:
            chosen.finish()
