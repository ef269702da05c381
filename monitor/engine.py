"""The engine: feeds the pure core, does what it says, and keeps the record.

The core decides; this shell only carries messages and time. Whatever goes wrong in here ends in a
permit not being sent, and silence shuts the valve.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, replace
from math import isfinite, ulp
from typing import Any

import structlog

from monitor.core.alarm import ASIDE, STANDING, UNSEEN
from monitor.core.calibration import Correction, corrected
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
    Noted,
    Plugged,
    SendPermit,
    SendWithdraw,
    SwitchPlug,
    Tick,
    Told,
    Turned,
)
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Incoming,
    Message,
    PlugState,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
    Way,
)
from monitor.core.facts import Facts
from monitor.core.hazards import BY_KEY, RULES, Rule, Severity
from monitor.core.messages import TEXTS
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Fill, Plan, Station
from monitor.core.station import Result, standing, step
from monitor.ports import Clock, Link, Record
from monitor.upkeep import Upkeep

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
        corrections: Mapping[str, Correction] | None = None,
        calibrations: Sequence[Mapping[str, Any]] = (),
    ) -> None:
        """Keep the parts. `new_id` gives fill identities, `alive` tells the service manager.

        `corrections` make readings right before the core sees them; `calibrations` are told of.
        """
        self._plan, self._boot, self._link, self._clock = plan, boot, link, clock
        self._record, self._new_id, self._alive = record, new_id, alive
        self._simulated = simulated
        self._corrections = corrections or {}
        self._calibrations = [dict(each) for each in calibrations]
        self._state = Station()
        self._timer: asyncio.TimerHandle | None = None
        self._told = _Mark()
        self._open: tuple[str, ...] = ()
        self._guard_causes: dict[str, str] = {}
        self._answers: dict[str, Reply] = {}
        self._unsaid: deque[tuple[Given, Phase, Result, float]] = deque()
        self._breath: asyncio.TimerHandle | None = None
        self._failure: Exception | None = None
        self._upkeep = Upkeep(plan, link, clock, record, simulated)
        self._facts: Facts | None = None
        self._standing: dict[str, tuple[Rule, frozenset[str]]] = {}  # told of, by hazard
        self._taped = ""  # the fill whose inputs are being kept
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
            await self._upkeep.load()
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
            self._inform()
            self._tell()
            if reader.done():
                reader.result()
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(ROUND_S):  # unlike wait_for, it needs no task
                    await stop.wait()

    def _inform(self) -> None:
        """Tell the core what has changed beside the sensors."""
        facts = self._upkeep.facts()
        if facts != self._facts:
            self._facts = facts
            self.feed(Told(facts))

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
                if incoming.retained:
                    return None
                return Heard(corrected(message, self._corrections))
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
            case PlugState():
                return Plugged(message)
            case Status():
                self._upkeep.heard(message)
                self._inform()
                return None
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
            taped = self._taped
            for each in result.actions:
                if isinstance(each, FillBegun):
                    self._begun(each.fill, result.station, now_s)
            shuts = [each for each in result.actions if isinstance(each, SendWithdraw)]
            for each in shuts:
                self._do(each)
            if taped:
                self._record.input(taped, now_s, given)
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
            self._remind()
            self._tell(now=True)

    def _do(self, action: Action) -> None:
        """Carry out one thing the core asked for."""
        match action:
            case SendPermit():
                self._link.send(replace(action.permit, engine=self._boot))
            case SendWithdraw():
                self._link.send(replace(action.withdraw, engine=self._boot))
            case AskEcho():
                here = Presence(self._plan.station, "engine", self._boot, True, self._simulated)
                self._link.send(here)
            case Answer():
                self._answer(action.reply)
            case SwitchPlug():
                self._send(action.order)
                self._event("plug", f"{action.order.plug} {'on' if action.order.on else 'off'}")
            case Noted():
                self._upkeep.note(action)
                self._inform()
            case AlarmTurned():
                self._alarm(action)
            case Turned():
                self._log.info("phase", phase=action.phase.value, cause=action.cause or None)
                self._event("phase", action.phase.value)
            case FillEnded():
                self._record.end(action.fill, action.cause)
                self._over(action.fill)
            case FillRefused():
                self._log.warning("fill refused", text=action.text)
                self._event("refused", action.text)
                told = {"refused": action.text, "failing": list(action.failing), "sound": False}
                told["simulated"] = self._simulated
                self._send(AlarmNotice(self._plan.station, told))

    def _begun(self, fill: Fill, state: Station, now_s: float) -> None:
        """Open a fill's record: what it makes good, and the state from which it can be replayed."""
        drained_l = state.drained_l or None
        self._record.begin(self._plan, fill, now_s, self._simulated, drained_l)
        self._record.input(fill.id, now_s, state)
        self._taped = fill.id

    def _over(self, fill: Fill) -> None:
        """Count what went through the cartridge. The tape of a stopped fill runs on until its
        litres are settled: whether the valve has truly shut shows only then.
        """
        settled = fill.ended == "done" or fill.accounted
        if settled and fill.way is Way.IN and self._taped:
            self._upkeep.filled(fill.delivered_l)
        if settled:
            self._taped = ""

    def _event(self, kind: str, text: str) -> None:
        now_s = self._clock.now_s()
        self._record.event(self._plan.station, kind, text, self._fill_id(), now_s)

    def _fill_id(self) -> str | None:
        fill = self._state.fill
        return fill.id if fill is not None and fill.begun_s > float("-inf") else None

    def _answer(self, reply: Reply) -> None:
        """Answer a request; status rides along, so that one exchange is enough."""
        if reply.text and not reply.data:
            reply = replace(reply, data=self._described(self._clock.now_s()))
        reply = replace(reply, data={**reply.data, "simulated": self._simulated})
        self._answers[reply.id] = reply
        while len(self._answers) > ANSWERS_KEPT:
            del self._answers[next(iter(self._answers))]
        self._send(reply)

    def _alarm(self, action: AlarmTurned) -> None:
        text = TEXTS[action.key]
        level = self._log.error if action.severity >= Severity.HIGH else self._log.warning
        if action.alarm.state in ASIDE:
            level = self._log.info
        level("alarm", id=action.id, key=action.key, state=action.alarm.state.value,
              text=text.message)  # fmt: skip
        worst, stands = self._worst_of(action)
        self._record.alarm(
            self._plan.station, action.id, worst.severity.name.lower(),
            f"{TEXTS[worst.key].message} {TEXTS[worst.key].todo}", stands,
            self._fill_id(), self._clock.now_s(),
        )  # fmt: skip
        self._notify(action)

    def _worst_of(self, action: AlarmTurned) -> tuple[Rule, bool]:
        """Return the worst rule of this hazard since any of its rules stood, and whether one still
        does: the record keeps one alarm a hazard, for which several rules may stand.
        """
        rule = RULES[BY_KEY[action.key]]
        worst, keys = self._standing.pop(action.id, (rule, frozenset()))
        worst = rule if rule.severity > worst.severity else worst
        stands = action.alarm.state in STANDING
        keys = keys | {action.key} if stands else keys - {action.key}
        if keys:
            self._standing[action.id] = (worst, keys)
        return worst, bool(keys)

    def _notify(self, action: AlarmTurned) -> None:
        """Tell people of an alarm's state, and the node whether to sound."""
        text = TEXTS[action.key]
        active = action.alarm.state in STANDING
        unseen = any(a.state in UNSEEN and r.severity >= Severity.MEDIUM
                     for r, a in standing(self._state))  # fmt: skip
        self._send(AlarmNotice(self._plan.station, {
            "id": action.id, "key": action.key, "severity": action.severity.name.lower(),
            "state": action.alarm.state.value, "active": active, "message": text.message,
            "cause": text.cause, "todo": text.todo, "sound": unseen,
            "simulated": self._simulated,
        }))  # fmt: skip

    def _remind(self) -> None:
        """Say again what stands: whoever should have heard of it may not have been reached."""
        for rule, alarm in standing(self._state):
            self._notify(AlarmTurned(rule.key, rule.id, rule.severity, alarm))

    def _send(self, message: Message) -> None:
        if not self._link.send(message):
            self._log.debug("not sent, no connection", what=type(message).__name__)

    def _sample(self, now_s: float) -> None:
        fill = self._state.fill
        if fill is None or self._state.phase not in UNDER_WAY:
            return
        plan = self._plan
        self._record.sample(
            fill.id,
            now_s - fill.begun_s,
            self._good(plan.temp_in),
            self._good(plan.flow_in),
            fill.delivered_l,
            self._state.phase.value,
            self._good(plan.level),
            self._good(plan.temp_tank),
        )

    def _good(self, sensor: str) -> float | None:
        """Return a sensor's last value, None when it has none or is not fitted."""
        track = self._state.senses.tracks.get(sensor)
        return track.value if track is not None and track.fault is None else None

    def _tell(self, *, now: bool = False) -> None:
        """Publish the status: on every change, and now and then so that age can be seen."""
        now_s = self._clock.now_s()
        period_s = STATUS_PERIOD_S if self._state.phase in UNDER_WAY else IDLE_STATUS_PERIOD_S
        if not now and now_s - self._told.at_s < period_s:
            return
        data = self._described(now_s)
        data["simulated"] = self._simulated
        data["record"] = self._record.health()
        data["wall"] = self._clock.wall().isoformat(timespec="seconds")
        if self._link.send(Status(self._plan.station, data)):
            self._told.at_s = now_s

    def _described(self, now_s: float) -> dict[str, Any]:
        """Return what people are told of the station."""
        return describe(self._plan, self._state, now_s) | {"calibrations": self._calibrations}

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
