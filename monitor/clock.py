"""Where the shells get time from: the machine's clock, or simulated time handed out in lock-step.

`MonotonicClock` is the real one. `SimulatedClock` holds one number, the simulated seconds, which
only a governor (see `simulate.lockstep`) moves; it also keeps the books on *threads* that wait for
simulated time, so that time does not pass a thread by while it works.
"""

from __future__ import annotations

import math
import threading
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

INVENTED_START = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
"""The invented morning on which every simulation begins."""

THREAD_GRACE_S = 5.0
"""Real seconds a woken thread may work before simulated time goes on without it."""

GREETING_S = 0.25
"""Real seconds in which a new thread may reach its first `wait`; it may never call it at all."""

_CREDIT_MAX_S = 0.05
"""The most real time one look charges a working thread with, so that a suspended machine or a
long callback elsewhere is not held against it."""

_POOL_PREFIXES = ("asyncio", "ThreadPoolExecutor")
"""Names of worker threads whose jobs the loop counts by itself."""


class MonotonicClock:
    """Real time; satisfies `ports.Clock`."""

    def now_s(self) -> float:
        """Return monotonic seconds."""
        return time.monotonic()

    def wall(self) -> datetime:
        """Return the time of day (aware, UTC)."""
        return datetime.now(UTC)

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Block the calling thread until `event` is set or `timeout_s` real seconds have passed.

        A time-out that is not a number counts as none left. Return whether the event was set.
        """
        return event.wait(_bounded(timeout_s))


@dataclass(slots=True, eq=False)
class _Waiter:
    """A thread inside `wait`: `due` means that it was told, or will find out, to leave."""

    event: threading.Event
    deadline_s: float
    due: bool = False
    was_set: bool = False


class SimulatedClock:
    """Simulated time; satisfies `ports.Clock`. Everything but `now_s`, `wall`, `wait` and `adopt`
    is for the governor and belongs to the thread of the event loop.

    A thread is *working* from the moment it is woken until it calls `wait` again or ends. A thread
    that was started while the simulation runs is working until its first `wait`, for at most
    `GREETING_S`: that is how its first deadline does not depend on the machine.
    """

    def __init__(self, *, start: datetime = INVENTED_START, start_s: float = 0.0) -> None:
        """Begin at `start_s`, which is the moment `start` of the invented calendar."""
        self._start = start - timedelta(seconds=start_s)
        self._now_s = start_s
        self._changed = threading.Condition()
        self._waiting: dict[threading.Thread, _Waiter] = {}
        self._working: dict[threading.Thread, float] = {}  # real seconds of grace left
        self._known: weakref.WeakSet[threading.Thread] = weakref.WeakSet()
        self._known.update(threading.enumerate())
        self._thread_count = threading.active_count()
        self._looked_real_s = time.monotonic()
        self._closed = False
        self.loop_thread: threading.Thread | None = None
        self.on_wait: Callable[[], None] | None = None
        self.abandoned = 0  # threads that outlasted their grace

    def now_s(self) -> float:
        """Return simulated seconds."""
        return self._now_s

    def wall(self) -> datetime:
        """Return the invented time of day (aware, UTC)."""
        return self._start + timedelta(seconds=self._now_s)

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Block the calling thread until `event` is set or simulated time reaches the time-out.

        Return whether the event was set. A time-out that is not positive (or not a number)
        returns at once. After `close`, waits in real time.

        Raises:
            RuntimeError: in the thread of the event loop, which would wait for itself for ever.
        """
        me = threading.current_thread()
        if me is self.loop_thread and not self._closed:
            msg = "Clock.wait was called in the event loop's thread: use asyncio.sleep there"
            raise RuntimeError(msg)
        with self._changed:
            self._known.add(me)
            closed = self._closed
            waiter = _Waiter(event, self._now_s + _bounded(timeout_s))
            sleeps = not (closed or event.is_set() or waiter.deadline_s <= self._now_s)
            if sleeps:
                self._waiting[me] = waiter
                self._working.pop(me, None)
            self._changed.notify_all()
            poke = self.on_wait
        if closed:
            return event.wait(_bounded(timeout_s))
        if not sleeps:
            return event.is_set()
        if poke is not None:
            poke()
        return self._sleep(me, waiter)

    def _sleep(self, me: threading.Thread, waiter: _Waiter) -> bool:
        """Sleep on the event's own condition, which its `set` notifies, and so do we."""
        condition: threading.Condition = waiter.event._cond  # type: ignore[attr-defined]
        with condition:
            condition.wait_for(lambda: waiter.due or waiter.event.is_set())
        with self._changed:
            self._waiting.pop(me, None)
            self._working.setdefault(me, THREAD_GRACE_S)
        return waiter.was_set or waiter.event.is_set()

    def adopt(self, thread: threading.Thread) -> None:
        """Keep time still until this started thread has called `wait` or ended."""
        with self._changed:
            self._known.add(thread)
            if thread not in self._waiting:
                self._working[thread] = THREAD_GRACE_S

    def next_deadline_s(self) -> float | None:
        """Return the earliest simulated time at which a thread must be woken."""
        if not self._waiting:
            return None
        with self._changed:
            left = [waiter.deadline_s for waiter in self._waiting.values() if not waiter.due]
        return min(left, default=None)

    def move(self, to_s: float) -> None:
        """Set simulated time; it never goes back."""
        self._now_s = max(self._now_s, to_s)

    def wake_due(self) -> bool:
        """Wake the one thread whose deadline came first; return whether there was one."""
        if not self._waiting:
            return False
        with self._changed:
            due = [
                (waiter.deadline_s, order, thread)
                for order, (thread, waiter) in enumerate(self._waiting.items())
                if not waiter.due and waiter.deadline_s <= self._now_s
            ]
            if not due:
                return False
            thread = min(due, key=lambda entry: entry[:2])[2]
            waiter = self._waiting[thread]
            waiter.due = True
            self._working[thread] = THREAD_GRACE_S
        _nudge(waiter.event)
        return True

    def busy(self) -> bool:
        """Return whether a thread works, charging the real time since the last look to it."""
        if threading.active_count() != self._thread_count:
            self._greet()
        real_s = time.monotonic()
        spent_s = min(real_s - self._looked_real_s, _CREDIT_MAX_S)
        self._looked_real_s = real_s
        if not self._waiting and not self._working:
            return False
        leaving = []
        with self._changed:
            for thread, waiter in self._waiting.items():
                if not waiter.due and waiter.event.is_set():
                    waiter.due = waiter.was_set = True
                    self._working[thread] = THREAD_GRACE_S
                    leaving.append(waiter.event)
            for thread, left_s in list(self._working.items()):
                if not thread.is_alive():
                    del self._working[thread]
                elif left_s <= 0:
                    del self._working[thread]
                    self.abandoned += thread in self._known
                    self._known.add(thread)
                else:
                    self._working[thread] = left_s - spent_s
            working = bool(self._working)
        for event in leaving:
            _nudge(event)
        return working

    def await_threads(self, real_s: float) -> None:
        """Really wait until a working thread waits again, or `real_s` has passed."""
        with self._changed:
            if self._working:
                self._changed.wait(real_s)

    def close(self) -> None:
        """End the simulation: every waiting thread returns, and later waits are in real time."""
        with self._changed:
            self._closed = True
            self.on_wait = None
            waiters = list(self._waiting.values())
            for waiter in waiters:
                waiter.due = True
            self._working.clear()
        for waiter in waiters:
            _nudge(waiter.event)

    def _greet(self) -> None:
        """Count threads that were started since the last look as working, for a short grace."""
        threads = threading.enumerate()
        self._thread_count = len(threads)
        with self._changed:
            for thread in threads:
                if thread in self._known or thread.name.startswith(_POOL_PREFIXES):
                    continue
                self._working[thread] = GREETING_S


def _nudge(event: threading.Event) -> None:
    """Make whoever sleeps on the event look again, without setting it."""
    condition: threading.Condition = event._cond  # type: ignore[attr-defined]
    with condition:
        condition.notify_all()


def _bounded(timeout_s: float) -> float:
    """Return a time-out that `threading` accepts: within 0 and its maximum, 0 for NaN."""
    if math.isnan(timeout_s):
        return 0.0
    return min(max(timeout_s, 0.0), threading.TIMEOUT_MAX)
