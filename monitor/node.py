"""The node: sensors in, permits in, and the guard's word on the valve out.

Everything that may open the valve passes through `Node._act`, which steps the pure guard and then
sets the relay to what the guard's conjunction says. Anything unexpected in there releases the
relay first and is reported afterwards. A watch in its own thread, fed only by completed passes,
releases the relay if the event loop stands still.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass

import structlog

from monitor.core import guard
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Incoming,
    Permit,
    Presence,
    ReadingPack,
    Withdraw,
)
from monitor.core.guard import Clear, Failure, GuardInput, GuardPhase, GuardState, Tick, Trip
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.reading import Kind, Sample
from monitor.ports import Buzzer, Clock, Link, Sensor, ValveRelay

log = structlog.get_logger("node")

CONTACTS = (Kind.FLOAT, Kind.LEAK)
WATCH_PERIOD_S = 0.5  # loop_stall_s, this and a closing second keep hazard C06's bound of 5 s
QUIET_CAUSES = ("", "mark", "person")  # ways to shut that need no sounder


@dataclass(frozen=True, slots=True)
class LocalTrip:
    """A sensor wired to this node that shuts its valve without asking anybody."""

    high_cause: str  # what its value 1.0 means: "mark" for a high float, "W06" for a wet probe
    unread_cause: str  # what it means when it cannot be read


class LoopWatch:
    """Releases the relay from its own thread when the event loop stops coming round."""

    def __init__(self, *, relay: ValveRelay, clock: Clock, stall_s: float) -> None:
        """Keep the arguments; `start` starts the thread."""
        self._relay = relay
        self._clock = clock
        self._stall_s = stall_s
        self._beat_s = clock.now_s()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="guard-watch", daemon=True)
        self.tripped = False

    def start(self) -> None:
        """Begin watching."""
        self._beat_s = self._clock.now_s()
        self._thread.start()

    def beat(self) -> None:
        """Say that the event loop has completed a pass."""
        self._beat_s = self._clock.now_s()

    def stop(self) -> None:
        """End the thread, bounded in time."""
        self._stop.set()
        self._thread.join(timeout=1.0)

    def _run(self) -> None:
        while not self._clock.wait(self._stop, WATCH_PERIOD_S):
            if self._clock.now_s() - self._beat_s > self._stall_s:
                self.tripped = True
                self._relay.release()


class Node:
    """One node with one valve. `run` returns when `stop` is set; the valve is shut by then."""

    def __init__(
        self,
        *,
        station: str,
        node: str,
        boot: str,
        link: Link,
        sensors: Sequence[Sensor],
        trips: Mapping[str, LocalTrip],
        relay: ValveRelay,
        buzzer: Buzzer | None,
        clock: Clock,
        limits: Limits = DEFAULTS,
        alive: Callable[[str], None] = lambda _state: None,
    ) -> None:
        """Keep the parts. `alive` tells the service manager (sd_notify states)."""
        self._station, self._node, self._boot = station, node, boot
        self._link, self._sensors, self._trips = link, tuple(sensors), dict(trips)
        self._relay, self._buzzer, self._clock, self._limits = relay, buzzer, clock, limits
        self._alive = alive
        self._guard = GuardState(boot=boot)
        self._seq = 0
        self._reported: tuple[bool, str, str] | None = None
        self._unreported = False
        self._engine_gone = False
        self._echo_asked_s = self._echo_seen_s = float("-inf")
        self._engine_sounds = False
        self._trip = ""  # why a local sensor says stop now
        self._taken_over = False  # the engine has spoken of alarms since the guard last did
        self._timer: asyncio.TimerHandle | None = None
        self._watch = LoopWatch(relay=relay, clock=clock, stall_s=limits.loop_stall_s)

    @property
    def guard(self) -> GuardState:
        """The guard's state, for tests and benchmarks."""
        return self._guard

    @property
    def link_id(self) -> str:
        """The link's client id, for rehearsals that cut it off."""
        return self._link.client_id

    async def run(self, stop: asyncio.Event) -> None:
        """Run until `stop` is set. Whatever ends it, the relay is released first."""
        try:
            async with AsyncExitStack() as stack:
                for sensor in self._sensors:
                    await stack.enter_async_context(sensor)
                    sensor.watch(self._on_edge)
                self._link.on_connection(self._on_connection)
                await stack.enter_async_context(self._link)
                self._watch.start()
                stack.callback(self._watch.stop)
                stack.callback(self._relay.release)
                reader = asyncio.create_task(self._read(), name=f"{self._node}-reader")
                stack.push_async_callback(_ended, reader)
                self._alive("READY=1")
                await self._beat(stop, reader)
                self._act(Failure("C05"))
                self._report()
        finally:
            self._relay.release()
            if self._buzzer is not None:
                self._buzzer.sound(False)
            self._alive("STOPPING=1")

    async def _beat(self, stop: asyncio.Event, reader: asyncio.Task[None]) -> None:
        """Send all readings once a period, feed the watch, until told to stop."""
        period_s = self._limits.reading_period_s
        due_s = self._clock.now_s()
        while not stop.is_set():
            self._pass()
            if reader.done():
                reader.result()
                return
            now_s = self._clock.now_s()
            due_s = due_s + period_s if due_s + period_s > now_s else now_s + period_s
            with suppress(TimeoutError):
                async with asyncio.timeout(due_s - now_s):  # unlike wait_for, it needs no task
                    await stop.wait()

    def _pass(self) -> None:
        """One complete pass: local sensors, guard, readings out. Only this feeds the watch."""
        samples = self._samples()
        self._local(samples)
        self._act(Tick(self._lapse_cause()), report=False)
        self._suspect()
        self._send_pack(samples, edge=False)
        self._report()
        self._watch.beat()
        self._alive("WATCHDOG=1")

    def _samples(self) -> tuple[Sample, ...]:
        now_s = self._clock.now_s()
        return tuple(sensor.sample(now_s) for sensor in self._sensors)

    def _on_edge(self, sample: Sample) -> None:
        """A contact changed: judge it here at once, then tell the engine. A number waits its turn:
        the next pack is at most a period away.
        """
        if sample.kind not in CONTACTS:
            return
        try:
            samples = self._samples()
            self._local(samples)
            self._send_pack(samples, edge=True)
            self._report()
        except Exception:  # noqa: BLE001 - whatever it is, the valve shuts first
            self._fail("edge")

    def _local(self, samples: Sequence[Sample]) -> None:
        """Let the sensors wired here trip the guard. A wet probe outranks a high float.

        The readings themselves go out before the guard's report, so that people hear of the water
        first and of the guard second.
        """
        causes = [
            trip.unread_cause if sample.value is None else trip.high_cause
            for sample in samples
            if (trip := self._trips.get(sample.sensor)) is not None
            and (sample.value is None or sample.value > 0.0)
        ]
        before, self._trip = self._trip, ""
        if causes:
            worst = max(causes, key=lambda cause: (cause == "W06", cause == "W01", cause != "mark"))
            self._trip = worst
            self._taken_over = self._taken_over and worst == before
            self._act(Trip(worst), report=False)
        elif self._guard.phase is GuardPhase.BLOCKED:
            self._act(Clear(), report=False)

    def _act(self, given: GuardInput, *, report: bool = True) -> None:
        """Step the guard and set the relay to what it says. The only place that may energise."""
        try:
            now_s = self._clock.now_s()
            if self._watch.tripped:
                self._watch.tripped = False
                self._guard = guard.step(self._guard, Failure("C06"), now_s, self._limits)
            self._guard = guard.step(self._guard, given, now_s, self._limits)
            if guard.energised(self._guard, now_s, self._limits):
                if not self._relay.energised:
                    self._relay.energise()
            else:
                self._relay.release()
            self._arm()
            if report:
                self._report()
            self._sound()
        except Exception:  # noqa: BLE001 - whatever it is, the valve shuts first
            self._fail("guard")

    def _fail(self, where: str) -> None:
        """Shut first, ask afterwards."""
        self._relay.release()
        now_s = self._clock.now_s()
        self._guard = guard.step(self._guard, Failure("C06"), now_s, self._limits)
        log.exception("unexpected error, valve shut", where=where)  # noqa: LOG004 - callers catch

    def _arm(self) -> None:
        """Come back when the permit is late, and when it runs out, even if nothing else happens."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        at_s = guard.deadline_s(self._guard, self._limits)
        if at_s is not None:
            if not self._asked():
                at_s = min(at_s, self._late_s())
            wait_s = max(0.0, at_s - self._clock.now_s())
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(wait_s, self._lapse)

    def _lapse(self) -> None:
        self._suspect()
        self._act(Tick(self._lapse_cause()))

    def _lapse_cause(self) -> str:
        """Say whose silence it would be if the permit ran out now."""
        if not self._link.connected or self._echo_asked_s > self._echo_seen_s:
            return "C03"
        return "C01" if self._engine_gone else "C02"

    def _late_s(self) -> float:
        """Return when the next permit is late enough to ask whose fault it is."""
        return self._guard.until_s - self._limits.permit_ttl_s + self._limits.suspect_s

    def _asked(self) -> bool:
        """Say whether the broker was asked for an echo since the last permit."""
        return self._echo_asked_s >= self._guard.until_s - self._limits.permit_ttl_s

    def _suspect(self) -> None:
        """When no permit has come for a while, ask the broker for an echo, once a silence."""
        now_s = self._clock.now_s()
        if self._guard.phase is GuardPhase.OPEN and now_s >= self._late_s() and not self._asked():
            self._echo_asked_s = now_s
            self._link.send(Presence(self._station, "node", self._boot, True))

    def _send_pack(self, samples: tuple[Sample, ...], *, edge: bool) -> None:
        self._seq += 1
        self._link.send(
            ReadingPack(
                station=self._station,
                node=self._node,
                boot=self._boot,
                seq=self._seq,
                uptime_s=self._clock.now_s(),
                samples=samples,
                valve_open=self._relay.energised,
                edge=edge,
            )
        )

    def _report(self) -> None:
        """Tell what the guard did, once a change, and again until it could be sent."""
        state = self._guard
        now = (self._relay.energised, state.fill, state.cause)
        if now == self._reported and not self._unreported:
            return
        if now != self._reported and not now[0] and state.cause not in QUIET_CAUSES:
            log.warning("guard shut the valve", cause=state.cause, fill=state.fill)
            self._taken_over = False
        self._reported = now
        self._unreported = not self._link.send(
            GuardReport(
                station=self._station,
                node=self._node,
                boot=self._boot,
                uptime_s=self._clock.now_s(),
                valve_open=now[0],
                fill=state.fill or None,
                cause=state.cause or None,
            )
        )

    def _sound(self) -> None:
        """Sound for the engine's alarms, and for the guard's own when nobody else can."""
        if self._buzzer is not None:
            own = self._guard.cause not in QUIET_CAUSES or self._trip not in QUIET_CAUSES
            self._buzzer.sound(self._engine_sounds or (own and not self._taken_over))

    def _on_connection(self, up: bool) -> None:
        if up:
            self._unreported = True
            self._report()

    async def _read(self) -> None:
        """Take what the engine and the broker say."""
        async for incoming in self._link.incoming():
            try:
                self._take(incoming)
            except Exception:  # noqa: BLE001 - whatever it is, the valve shuts first
                self._fail("message")

    def _take(self, incoming: Incoming) -> None:
        match incoming.message:
            case Permit() as permit:
                if not incoming.retained and permit.station == self._station:
                    self._act(permit)
            case Withdraw() as withdraw:
                if not incoming.retained and withdraw.station == self._station:
                    self._act(withdraw)
                    self._send_pack(self._samples(), edge=True)
            case Presence() as presence:
                if presence.role == "engine":
                    self._engine_gone = not presence.online
                    if presence.online:  # one that has just come need not wait for the next pass
                        self._send_pack(self._samples(), edge=True)
                elif presence.boot == self._boot and presence.online:
                    self._echo_seen_s = self._clock.now_s()
            case AlarmNotice() as notice:
                self._engine_sounds = notice.data.get("sound") is True
                self._taken_over = True
                self._sound()
            case _:
                pass


async def _ended(task: asyncio.Task[None]) -> None:
    """Cancel a task and wait for its end."""
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
