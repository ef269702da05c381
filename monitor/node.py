"""The node: sensors in, permits in, and the guards' word on the valve and the drain out.

Everything that may let water flow passes through `Node._step` to `Gate.act`, which steps the pure
guard and then sets the relay to what the guard's conjunction says. Anything unexpected in there
releases every relay first and is reported afterwards. One watch in its own thread, fed only by
completed passes, releases every relay if the event loop stands still.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack, suppress

import structlog

from monitor.core.exchange import (
    AlarmNotice,
    Incoming,
    Permit,
    Presence,
    ReadingPack,
    Way,
    Withdraw,
)
from monitor.core.guard import Clear, Failure, GuardInput, GuardPhase, GuardState, Tick, Trip
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.reading import Kind, Sample
from monitor.gate import Gate, LocalTrip, release
from monitor.ports import Buzzer, Clock, Link, Sensor, ValveRelay

log = structlog.get_logger("node")

CONTACTS = (Kind.FLOAT, Kind.LEAK)
WATCH_PERIOD_S = 0.5  # loop_stall_s, this and a closing second keep hazard C06's bound of 5 s


class LoopWatch:
    """Releases the relays from its own thread when the event loop stops coming round."""

    def __init__(self, *, relays: Sequence[ValveRelay], clock: Clock, stall_s: float) -> None:
        """Keep the arguments; `start` starts the thread."""
        self._relays = relays
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
                release(self._relays)


class Node:
    """One node with one valve and, where a drain is fitted, the drain's relay. `run` returns when
    `stop` is set; no water flows by then.
    """

    def __init__(
        self,
        *,
        station: str,
        node: str,
        boot: str,
        link: Link,
        sensors: Sequence[Sensor],
        trips: Mapping[Way, Mapping[str, LocalTrip]],
        relay: ValveRelay,
        drain: ValveRelay | None = None,
        buzzer: Buzzer | None,
        clock: Clock,
        limits: Limits = DEFAULTS,
        alive: Callable[[str], None] = lambda _state: None,
        simulated: bool = False,
    ) -> None:
        """Keep the parts. `trips` says for each way which sensors shut it here; `alive` tells the
        service manager (sd_notify states); `simulated` is on pins that are not there.
        """
        self._station, self._node, self._boot = station, node, boot
        self._link, self._sensors, self._buzzer = link, tuple(sensors), buzzer
        self._clock, self._limits, self._alive = clock, limits, alive
        self._here = Presence(station, "node", boot, True, simulated)
        self._relays = {Way.IN: relay} | ({} if drain is None else {Way.OUT: drain})
        self._gates = {
            way: Gate(way=way, boot=boot, relay=each, trips=trips.get(way, {}), limits=limits)
            for way, each in self._relays.items()
        }
        if drain is not None:
            self._gates[Way.IN].part(self._gates[Way.OUT])
        self._seq = 0
        self._engine_gone = False
        self._echo_asked_s = self._echo_seen_s = float("-inf")
        self._engine_sounds = False
        self._taken_over = False  # the engine has spoken of alarms since a guard last did
        self._timer: asyncio.TimerHandle | None = None
        self._watch = LoopWatch(
            relays=tuple(self._relays.values()), clock=clock, stall_s=limits.loop_stall_s
        )

    @property
    def gates(self) -> Mapping[Way, Gate]:
        """The gates, for tests and benchmarks."""
        return self._gates

    @property
    def guard(self) -> GuardState:
        """The state of the guard beside the valve, for tests and benchmarks."""
        return self._gates[Way.IN].state

    @property
    def link_id(self) -> str:
        """The link's client id, for rehearsals that cut it off."""
        return self._link.client_id

    async def run(self, stop: asyncio.Event) -> None:
        """Run until `stop` is set. Whatever ends it, the relays are released first."""
        try:
            async with AsyncExitStack() as stack:
                for sensor in self._sensors:
                    await stack.enter_async_context(sensor)
                    sensor.watch(self._on_edge)
                self._link.on_connection(self._on_connection)
                await stack.enter_async_context(self._link)
                self._watch.start()
                stack.callback(self._watch.stop)
                stack.callback(self._release)
                reader = asyncio.create_task(self._read(), name=f"{self._node}-reader")
                stack.push_async_callback(_ended, reader)
                self._alive("READY=1")
                await self._beat(stop, reader)
                self._step_all(Failure("C05"))
                self._report()
        finally:
            self._release()
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
        """One complete pass: local sensors, guards, readings out. Only this feeds the watch."""
        samples = self._samples()
        self._local(samples)
        self._step_all(Tick(self._lapse_cause()), report=False)
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
        except Exception:  # noqa: BLE001 - whatever it is, the water stops first
            self._fail("edge")

    def _local(self, samples: Sequence[Sample]) -> None:
        """Let the sensors wired here trip the guards. The readings themselves go out before the
        guards' reports, so that people hear of the water first and of the guard second.
        """
        for gate in self._gates.values():
            is_new = gate.look(samples)
            if gate.trip:
                self._taken_over = self._taken_over and not is_new
                self._step(gate, Trip(gate.trip), report=False)
            elif gate.state.phase is GuardPhase.BLOCKED:
                self._step(gate, Clear(), report=False)

    def _step_all(self, given: GuardInput, *, report: bool = True) -> None:
        for gate in self._gates.values():
            self._step(gate, given, report=report)

    def _step(self, gate: Gate, given: GuardInput, *, report: bool = True) -> None:
        """Let a gate act, and see to what follows from it."""
        try:
            now_s = self._clock.now_s()
            if self._watch.tripped:
                self._watch.tripped = False
                for each in self._gates.values():
                    each.fail("C06", now_s)
            gate.act(given, now_s)
            self._arm()
            if report:
                self._report()
            self._sound()
        except Exception:  # noqa: BLE001 - whatever it is, the water stops first
            self._fail("guard")

    def _release(self) -> None:
        """Let no water flow, whatever the guards say."""
        release(self._relays.values())

    def _fail(self, where: str) -> None:
        """Shut first, ask afterwards."""
        self._release()
        now_s = self._clock.now_s()
        for gate in self._gates.values():
            gate.fail("C06", now_s)
        log.exception("unexpected error, no water flows", where=where)  # noqa: LOG004 - callers catch

    def _arm(self) -> None:
        """Come back when a permit is late, and when it runs out, even if nothing else happens."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due_s = [at_s for gate in self._gates.values() if (at_s := self._due_s(gate)) is not None]
        if due_s:
            wait_s = max(0.0, min(due_s) - self._clock.now_s())
            self._timer = asyncio.get_running_loop().call_later(wait_s, self._lapse)

    def _due_s(self, gate: Gate) -> float | None:
        """Return when something must be done about a gate's permit, if it has one."""
        at_s = gate.deadline_s
        return at_s if at_s is None or self._asked(gate) else min(at_s, gate.late_s)

    def _lapse(self) -> None:
        self._suspect()
        self._step_all(Tick(self._lapse_cause()))

    def _lapse_cause(self) -> str:
        """Say whose silence it would be if the permit ran out now."""
        if not self._link.connected or self._echo_asked_s > self._echo_seen_s:
            return "C03"
        return "C01" if self._engine_gone else "C02"

    def _asked(self, gate: Gate) -> bool:
        """Say whether the broker was asked for an echo since a gate's last permit."""
        return self._echo_asked_s >= gate.permit_from_s

    def _suspect(self) -> None:
        """When no permit has come for a while, ask the broker for an echo, once a silence."""
        now_s = self._clock.now_s()
        for gate in self._gates.values():
            if gate.is_open and now_s >= gate.late_s and not self._asked(gate):
                self._echo_asked_s = now_s
                self._link.send(self._here)

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
                valve_open=self._relays[Way.IN].energised,
                edge=edge,
                drain_open=Way.OUT in self._relays and self._relays[Way.OUT].energised,
            )
        )

    def _report(self) -> None:
        """Tell what the guards did."""
        for gate in self._gates.values():
            if gate.tell(self._station, self._node, self._clock.now_s(), self._link.send):
                state = gate.state
                log.warning("guard shut", way=gate.way.value, cause=state.cause, fill=state.fill)
                self._taken_over = False

    def _sound(self) -> None:
        """Sound for the engine's alarms, and for the guards' own when nobody else can."""
        if self._buzzer is not None:
            own = any(gate.is_alarming for gate in self._gates.values())
            self._buzzer.sound(self._engine_sounds or (own and not self._taken_over))

    def _on_connection(self, up: bool) -> None:
        if up:
            for gate in self._gates.values():
                gate.untold = True
            self._report()

    async def _read(self) -> None:
        """Take what the engine and the broker say."""
        async for incoming in self._link.incoming():
            try:
                self._take(incoming)
            except Exception:  # noqa: BLE001 - whatever it is, the water stops first
                self._fail("message")

    def _take(self, incoming: Incoming) -> None:
        match incoming.message:
            case Permit() | Withdraw() as word:
                gate = self._gates.get(word.way)
                if gate is None or incoming.retained or word.station != self._station:
                    return
                self._step(gate, word)
                if isinstance(word, Withdraw):
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
