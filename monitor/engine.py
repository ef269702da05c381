"""The engine: feeds the pure core, does what it says, and keeps the record.

The core decides; this shell only carries messages and time. Whatever goes wrong in here ends in a
permit not being sent, and silence shuts the valve.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, replace
from math import isfinite, ulp

import structlog

from monitor.core.alarm import UNSEEN
from monitor.core.describe import describe
from monitor.core.events import (
    Action,
    AlarmTurned,
    Answer,
    AskEcho,
    Asked,
    Echo,
    FillBegun,
    FillEnded,
    FillRefused,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    SendPermit,
    SendWithdraw,
    Tick,
    Turned,
)
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Incoming,
    Message,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
)
from monitor.core.hazards import Severity
from monitor.core.messages import TEXTS
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Plan, Station
from monitor.core.station import Result, standing, step
from monitor.ports import Clock, Link, Record

log = structlog.get_logger("engine")

STATUS_PERIOD_S = 2.0
ROUND_S = 1.0
HAIRS = 4  # units in the last place: a due time is a sum, and must not fall short taken apart
IDLE_STATUS_PERIOD_S = 10.0
GUARD_WAIT_S = 3.0  # a retained report arrives at once; longer than this and there is none
BREATH_S = 0.005
ANSWERS_KEPT = 64  # requests answered lately, so that a repeated one gets the same answer


@dataclass(slots=True)
class _Mark:
    """When something was last done."""

    at_s: float = float("-inf")


class Engine:
    """One station's engine. `run` returns when `stop` is set."""

    def __init__(
        self,
        *,
        plan: Plan,
        boot: str,
        link: Link,
        clock: Clock,
        record: Record,
        new_id: Callable[[], str],
        alive: Callable[[str], None] = lambda _state: None,
        simulated: bool = False,
    ) -> None:
        """Keep the parts. `new_id` gives fill identities, `alive` tells the service manager."""
        self._plan, self._boot, self._link, self._clock = plan, boot, link, clock
        self._record, self._new_id, self._alive = record, new_id, alive
        self._simulated = simulated
        self._state = Station()
        self._timer: asyncio.TimerHandle | None = None
        self._told = _Mark()
        self._open: tuple[str, ...] = ()
        self._guard_causes: dict[str, str] = {}
        self._answers: dict[str, Reply] = {}
        self._unsaid: deque[tuple[Given, Phase, Result, float]] = deque()
        self._breath: asyncio.TimerHandle | None = None
        self._failure: Exception | None = None
        self._log = log.bind(station=plan.station)

    @property
    def state(self) -> Station:
        """The core's state, for tests and benchmarks."""
        return self._state

    async def run(self, stop: asyncio.Event) -> None:
        """Run until `stop` is set."""
        async with AsyncExitStack() as stack:
            self._open = await asyncio.to_thread(self._record.interrupted, self._plan.station)
            if self._open:
                self._state = replace(self._state, interrupted=True)
            self._link.on_connection(self._on_connection)
            await stack.enter_async_context(self._link)
            stack.callback(self._speak)
            reader = asyncio.create_task(self._read(), name=f"engine-{self._plan.station}-reader")
            stack.push_async_callback(_ended, reader)
            self._alive("READY=1")
            if self._open:
                asyncio.get_running_loop().call_later(GUARD_WAIT_S, self._settle_open)
            await self._beat(stop, reader)
            self._alive("STOPPING=1")
            self._farewell()

    async def _beat(self, stop: asyncio.Event, reader: asyncio.Task[None]) -> None:
        """Come round once a second: status for people, a sign of life for the service manager."""
        while not stop.is_set():
            if self._failure is not None:
                raise self._failure
            self._alive("WATCHDOG=1")
            self._tell()
            if reader.done():
                reader.result()
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(ROUND_S):  # unlike wait_for, it needs no task
                    await stop.wait()

    def _farewell(self) -> None:
        """An engine that is told to end in mid-fill ends the fill first."""
        if self._state.phase in UNDER_WAY:
            request = Request(self._plan.station, "farewell", "stop", "engine")
            self.feed(Asked(request, ""))
            self._tell(now=True)

    async def _read(self) -> None:
        async for incoming in self._link.incoming():
            given = self._given(incoming)
            if given is not None:
                self.feed(given)

    def _given(self, incoming: Incoming) -> Given | None:
        """Turn a message into an input of the core. Old copies of live things are not inputs."""
        message = incoming.message
        match message:
            case ReadingPack():
                return None if incoming.retained else Heard(message)
            case GuardReport():
                if message.fill and message.cause:
                    self._guard_causes = {message.fill: message.cause}
                return Guarded(message)
            case Presence():
                if message.role == "engine":
                    return Echo() if message.boot == self._boot else None
                return Here(message)
            case Request():
                return None if incoming.retained else self._asked(message)
            case _:
                return None

    def _asked(self, request: Request) -> Given | None:
        """A request that comes twice (QoS 1 may repeat) is answered twice and done once."""
        known = self._answers.get(request.id)
        if known is not None:
            self._link.send(known)
            return None
        return Asked(request, self._new_id())

    def feed(self, given: Given) -> None:
        """Step the core and do what it says. After an error, wherever it came from, nothing is
        stepped any more: no permit goes out, so the valve shuts, and the engine ends.
        """
        if self._failure is not None:
            return
        try:
            now_s = self._clock.now_s()
            before = self._state.phase
            result = step(self._plan, self._state, given, now_s)
            self._state = result.station
            shuts = [each for each in result.actions if isinstance(each, SendWithdraw)]
            for each in shuts:
                self._do(each)
            self._unsaid.append((given, before, result, now_s))
            if shuts and self._breath is None:
                loop = asyncio.get_running_loop()
                self._breath = loop.call_later(BREATH_S, self._speak)
            elif self._breath is None:
                self._speak()
            self._arm(result.due_s)
        except Exception as error:  # noqa: BLE001 - whatever it is, it ends the engine
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        """Remember what went wrong; the next round ends the engine with it."""
        self._failure = error
        self._log.error("unexpected error in the engine: it ends, and the valve shuts",
                        exc_info=error)  # fmt: skip

    def _speak(self) -> None:
        """Say and record what has happened. An error in here ends the engine like any other."""
        try:
            self._say()
        except Exception as error:  # noqa: BLE001 - whatever it is, it ends the engine
            self._fail(error)

    def _say(self) -> None:
        """Say and record what has happened, in order. Words wait a breath after a withdrawal, so
        that in one program the guard acts on it before alarm, status and record take their time.
        """
        if self._breath is not None:
            self._breath.cancel()
            self._breath = None
        while self._unsaid:
            given, before, result, now_s = self._unsaid.popleft()
            for action in result.actions:
                if not isinstance(action, SendWithdraw):
                    self._do(action)
            if isinstance(given, Heard):
                self._sample(now_s)
            turned = any(isinstance(each, AlarmTurned) for each in result.actions)
            if turned or result.station.phase is not before:
                self._tell(now=True)

    def _arm(self, due_s: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if isfinite(due_s):
            wait_s = max(0.0, due_s - self._clock.now_s()) + HAIRS * ulp(due_s)
            self._timer = asyncio.get_running_loop().call_later(wait_s, self._tick)

    def _tick(self) -> None:
        self.feed(Tick())

    def _on_connection(self, up: bool) -> None:
        self.feed(Linked(up))
        if up:
            self._tell(now=True)

    def _do(self, action: Action) -> None:
        """Carry out one thing the core asked for."""
        match action:
            case SendPermit():
                self._link.send(replace(action.permit, engine=self._boot))
            case SendWithdraw():
                self._link.send(replace(action.withdraw, engine=self._boot))
            case AskEcho():
                self._link.send(Presence(self._plan.station, "engine", self._boot, True))
            case Answer():
                self._answer(action.reply)
            case AlarmTurned():
                self._alarm(action)
            case Turned():
                self._log.info("phase", phase=action.phase.value, cause=action.cause or None)
                self._event("phase", action.phase.value)
            case FillBegun():
                self._record.begin(self._plan, action.fill, self._clock.now_s(), self._simulated)
            case FillEnded():
                self._record.end(action.fill, action.cause)
            case FillRefused():
                self._log.warning("fill refused", text=action.text)
                self._event("refused", action.text)
                told = {"refused": action.text, "failing": list(action.failing), "sound": False}
                told["simulated"] = self._simulated
                self._send(AlarmNotice(self._plan.station, told))

    def _event(self, kind: str, text: str) -> None:
        now_s = self._clock.now_s()
        self._record.event(self._plan.station, kind, text, self._fill_id(), now_s)

    def _fill_id(self) -> str | None:
        fill = self._state.fill
        return fill.id if fill is not None and fill.begun_s > float("-inf") else None

    def _answer(self, reply: Reply) -> None:
        """Answer a request; status rides along, so that one exchange is enough."""
        if reply.text and not reply.data:
            data = describe(self._plan, self._state, self._clock.now_s())
            reply = replace(reply, data=data)
        reply = replace(reply, data={**reply.data, "simulated": self._simulated})
        self._answers[reply.id] = reply
        while len(self._answers) > ANSWERS_KEPT:
            del self._answers[next(iter(self._answers))]
        self._send(reply)

    def _alarm(self, action: AlarmTurned) -> None:
        text = TEXTS[action.key]
        active = action.alarm.state.value in ("B", "C")
        words = f"{text.message} {text.todo}"
        level = self._log.error if action.severity >= Severity.HIGH else self._log.warning
        level("alarm", id=action.id, key=action.key, state=action.alarm.state.value,
              text=text.message)  # fmt: skip
        self._record.alarm(
            self._plan.station, action.id, action.severity.name.lower(), words, active,
            self._fill_id(), self._clock.now_s(),
        )  # fmt: skip
        unseen = any(a.state in UNSEEN and r.severity >= Severity.MEDIUM
                     for r, a in standing(self._state))  # fmt: skip
        self._send(AlarmNotice(self._plan.station, {
            "id": action.id, "key": action.key, "severity": action.severity.name.lower(),
            "state": action.alarm.state.value, "active": active, "message": text.message,
            "cause": text.cause, "todo": text.todo, "sound": unseen,
            "simulated": self._simulated,
        }))  # fmt: skip

    def _send(self, message: Message) -> None:
        if not self._link.send(message):
            self._log.debug("not sent, no connection", what=type(message).__name__)

    def _sample(self, now_s: float) -> None:
        fill = self._state.fill
        if fill is None or self._state.phase not in UNDER_WAY:
            return
        senses, plan = self._state.senses, self._plan
        temp, flow = senses.tracks.get(plan.temp_in), senses.tracks.get(plan.flow_in)
        self._record.sample(
            fill.id,
            now_s - fill.begun_s,
            temp.value if temp is not None and temp.fault is None else None,
            flow.value if flow is not None and flow.fault is None else None,
            fill.delivered_l,
            self._state.phase.value,
        )

    def _tell(self, *, now: bool = False) -> None:
        """Publish the status: on every change, and now and then so that age can be seen."""
        now_s = self._clock.now_s()
        period_s = STATUS_PERIOD_S if self._state.phase in UNDER_WAY else IDLE_STATUS_PERIOD_S
        if not now and now_s - self._told.at_s < period_s:
            return
        data = describe(self._plan, self._state, now_s)
        data["simulated"] = self._simulated
        data["record"] = self._record.health()
        data["wall"] = self._clock.wall().isoformat(timespec="seconds")
        if self._link.send(Status(self._plan.station, data)):
            self._told.at_s = now_s

    def _settle_open(self) -> None:
        """Close the account of fills that an earlier run of this engine left open."""
        for fill in self._open:
            cause = self._guard_causes.get(fill, "C08")
            self._log.warning("a fill was interrupted", fill=fill, cause=cause)
            self._record.interrupt(fill, cause)
        self._open = ()


async def _ended(task: asyncio.Task[None]) -> None:
    """Cancel a task and wait for its end."""
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
