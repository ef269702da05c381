"""DS18B20 sensors through the kernel's 1-Wire files, read off the event loop.

A read takes 0.75 s (the conversion) and can hang for ever in the kernel, so each sensor has
a daemon thread of its own and one read at a time: a hung read costs one thread, never the loop, and
never keeps the program from ending.
"""

from __future__ import annotations

import asyncio
import logging
import os
import re
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType
from typing import ParamSpec, Self, TypeVar

from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.ds18b20 import POWER_ON_C, w1_slave_temp_c
from monitor.errors import HardwareError

log = logging.getLogger(__name__)

W1_ROOT = Path("/sys/bus/w1/devices")
PERIOD_S = 1.0
TIMEOUT_S = 2.0
FRESH_PERIODS = 3  # hazard T06: at most three missed readings
MAX_FILE_BYTES = 4096

_ADDRESS = re.compile(r"28-[0-9a-f]{12}", re.ASCII)

_P = ParamSpec("_P")
_T = TypeVar("_T")


def list_sensors(root: Path = W1_ROOT) -> list[str]:
    """Return the addresses of the DS18B20 (family 28) under `root`, sorted; [] if there is none."""
    try:
        return sorted(entry.name for entry in root.iterdir() if _ADDRESS.fullmatch(entry.name))
    except OSError:
        return []


def read_w1_slave(file: Path) -> float | Fault:
    """Return the temperature in a `w1_slave` file (°C), or the fault. Blocks; never raises."""
    try:
        handle = os.open(file, os.O_RDONLY)
    except OSError:
        return Fault.MISSING
    try:
        content = os.read(handle, MAX_FILE_BYTES)  # the kernel makes the file anew for each read
    except OSError:
        return Fault.MISSING
    finally:
        os.close(handle)
    return w1_slave_temp_c(content.decode("ascii", errors="replace"))


class _DaemonExecutor(Executor):
    """One daemon thread for its jobs: unlike a pool's, it does not hold up the end of a program.

    The sensor has one job under way at most, so a job that hangs keeps no other waiting.
    """

    def __init__(self) -> None:
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._thread: threading.Thread | None = None

    def submit(self, fn: Callable[_P, _T], /, *args: _P.args, **kwargs: _P.kwargs) -> Future[_T]:
        """Run `fn` in the thread, which is started for the first job."""
        future: Future[_T] = Future()

        def run() -> None:
            try:
                future.set_result(fn(*args, **kwargs))
            except BaseException as error:  # noqa: BLE001 - it is raised where the result is read
                future.set_exception(error)

        future.set_running_or_notify_cancel()
        self._jobs.put(run)
        if self._thread is None:
            self._thread = threading.Thread(
                target=_work, args=(self._jobs,), name="w1 read", daemon=True
            )
            self._thread.start()
        return future

    def shutdown(self, wait: bool = False, *, cancel_futures: bool = False) -> None:
        """Let the thread end after what it has begun; nobody waits for it."""
        self._jobs.put(None)
        self._thread, self._jobs = None, SimpleQueue()


def _work(jobs: SimpleQueue[Callable[[], None] | None]) -> None:
    while (job := jobs.get()) is not None:
        job()


class Ds18b20:
    """One DS18B20 as a sensor (°C). See `ports.Sensor`.

    A reading counts from the moment its read began. The last good one is handed out while it is at
    most three periods old; after that the latest fault is. A read that takes longer than
    `timeout_s` is a missing sensor until it returns.

    Raises:
        HardwareError: `address` is no DS18B20 address, or a time is not above 0 (on construction).
    """

    def __init__(
        self,
        *,
        sensor_id: str,
        address: str,
        root: Path = W1_ROOT,
        period_s: float = PERIOD_S,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        """Keep the arguments; nothing is read before the driver is entered."""
        if _ADDRESS.fullmatch(address) is None:
            raise HardwareError(
                f"{address!r} is no DS18B20 address",
                where=sensor_id,
                allowed="28- and twelve lower-case hexadecimal digits",
                fix=f"take one from the folder names in {root}",
            )
        if not (period_s > 0 and timeout_s > 0):
            raise HardwareError(
                f"period_s {period_s} and timeout_s {timeout_s} cannot both be kept",
                where=sensor_id,
                allowed="above 0 s",
                fix="leave them out: the defaults suit the part",
            )
        self._id = sensor_id
        self._file = root / address / "w1_slave"
        self._period_s = period_s
        self._timeout_s = timeout_s
        self._executor = _DaemonExecutor()
        self._task: asyncio.Task[None] | None = None
        self._reading: asyncio.Future[float | Fault] | None = None
        self._began_s = 0.0
        self._notify: Callable[[Sample], None] | None = None
        self._temp_c: float | None = None
        self._temp_at_s = 0.0
        self._fault = Fault.MISSING
        self._fault_told: Fault | None = None
        self._seen_any = False

    @property
    def id(self) -> str:
        """The sensor's name in the config."""
        return self._id

    @property
    def kind(self) -> Kind:
        """What it measures."""
        return Kind.TEMPERATURE

    async def __aenter__(self) -> Self:
        """Begin reading. The first value comes with the first conversion, 0.75 s from now."""
        self._task = asyncio.get_running_loop().create_task(self._run(), name=f"w1 {self._id}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop reading. A read still under way is left to end by itself."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
        if self._reading is not None:
            self._reading.cancel()
        self._executor.shutdown()
        self._reading = self._temp_c = None
        self._fault = Fault.MISSING

    def watch(self, notify: Callable[[Sample], None]) -> None:
        """Call `notify` in the event loop with each new reading, and once when they go stale.

        One watcher: the last one wins.
        """
        self._notify = notify

    def sample(self, now_s: float) -> Sample:
        """Return the last good reading with its own time while it is fresh, else the fault."""
        # Written so that a time that went back, or is no number, counts as stale.
        if self._temp_c is not None and 0 <= now_s - self._temp_at_s <= self._fresh_s:
            return Sample(self._id, self.kind, self._temp_at_s, self._temp_c)
        return Sample(self._id, self.kind, now_s, None, self._fault)

    @property
    def _fresh_s(self) -> float:
        return FRESH_PERIODS * self._period_s

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            due_s = loop.time() + self._period_s
            try:
                outcome = await self._read(loop)
            except Exception:
                log.exception("%s: the read of %s failed", self._id, self._file)
                outcome = Fault.ERROR
            self._take(outcome, loop)
            # A read that took its whole period is followed by a pause all the same: a failing
            # driver must not spin.
            await asyncio.sleep(max(due_s - loop.time(), self._period_s / 10))

    async def _read(self, loop: asyncio.AbstractEventLoop) -> float | Fault:
        """Return what the read under way brings, or a new one when there is none."""
        if self._reading is None:
            self._began_s = loop.time()
            self._reading = loop.run_in_executor(self._executor, read_w1_slave, self._file)
        done, _ = await asyncio.wait({self._reading}, timeout=self._timeout_s)
        if not done:
            return Fault.MISSING
        reading, self._reading = self._reading, None
        return reading.result()

    def _take(self, outcome: float | Fault, loop: asyncio.AbstractEventLoop) -> None:
        if not isinstance(outcome, Fault):
            first, self._seen_any = not self._seen_any, True
            # Some parts do not mark their power-on value, and nobody starts a fill at 85 °C.
            if first and outcome == POWER_ON_C:
                outcome = Fault.POWER_ON
        if isinstance(outcome, Fault):
            self._fault = outcome
        else:
            self._temp_c, self._temp_at_s = outcome, self._began_s
        sample = self.sample(loop.time())
        # A single bad read is bridged by the last good one, and is no news.
        fresh = sample.fault is None and not isinstance(outcome, Fault)
        if self._notify is not None and (fresh or sample.fault != self._fault_told):
            loop.call_soon(self._notify, sample)
        self._fault_told = sample.fault
