"""A recording in which somebody else commanded the valve: the core watches over it.

The core is the same, and it steps on every frame. Four things are different, since the valve is
not its own:

* A fill begins when the recorded valve opens (without one: with the first flow, or the first rise
  of the level), and no pre-fill check is asked: the water runs already.
* A rule that would shut the valve tells its alarm and a `close`, and the core goes on watching:
  the recorded valve may stay open, and what then happens to the water is worth telling too. Only
  the target ends the fill, and from then on flow is a valve that does not close.
* Flow after the core's own end is a valve that does not close (W04). While the recorded command
  stands, or none is recorded, that is told only after half a minute: somebody may be shutting it.
* The recorded valve shutting early is somebody's hold. When it opens again within the limits of a
  hold the same fill goes on; later it is another one.

What the recording has no sensor for is taken as not fitted, and the summary says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import inf
from typing import Any

from monitor.core import station as stations
from monitor.core.alarm import AlarmState
from monitor.core.changed import changed
from monitor.core.events import (
    Action,
    AlarmTurned,
    Answer,
    AskEcho,
    Asked,
    Echo,
    Given,
    Heard,
    Linked,
    Tick,
    Told,
    Turned,
)
from monitor.core.exchange import ReadingPack, Request
from monitor.core.facts import Facts
from monitor.core.fills import expected
from monitor.core.hazards import BY_KEY, RULES, Response, Rule
from monitor.core.phases import AT_REST, Phase, Turn
from monitor.core.picture import draw
from monitor.core.plan import Armed, Plan, Station, prepared
from monitor.core.turns import turn_now
from monitor.replay.frames import MISSED, Frame, Recording, RecordingError
from monitor.replay.lines import FORECAST_EVERY_S, Line, alarm_line, close_line, forecast_line

BY = "recording"
NOT_OURS = frozenset({"node-quiet", "valve-open"})
"""Rules about a node and a relay: a recording has neither, only readings and somebody's command."""
METERED = frozenset({"float-early", "over-volume"})
"""Rules that want litres; with neither meter nor level there are none."""
SUSPECT = 3.0  # periods of silence after which a live engine would ask for an echo
LASTS = 1.5  # periods that a condition must last
SETTLED = 4.0  # periods that the water is watched after its end
TICKS_MAX = 200  # between two frames: sensors that fall silent, shelves that end
RISE_L, RISE_SD = 2.0, 4.0  # a fill begins with a rise of so much, and so much beyond the noise
LITRES_MIN = 1.0
STAYS = "valve-flows"
PATIENCE_S = 30.0  # for somebody to end a command after the core would have
NOISE_LEAST_M = 0.00025  # the step of a 10-bit converter over 0.9 m, as an even spread


@dataclass(frozen=True, slots=True)
class Target:
    """Where the fill should end: at a level, after so many litres, or (neither) at the mark.

    `start_m` is where the water stands before a fill when no level is recorded.
    """

    level_m: float | None = None
    litres: float | None = None
    start_m: float | None = None


@dataclass(slots=True)
class FillStory:
    """What became of one fill, for the summary."""

    begun_s: float
    begun_by: str
    need_l: float
    ended_s: float | None = None
    ended_by: str = "end of the recording"
    delivered_l: float = 0.0
    closes: list[str] = field(default_factory=list)


def plan_for(plan: Plan, recording: Recording, target: Target) -> Plan:
    """Return the plan of what the recording shows, with its target and its pace.

    Raises:
        RecordingError: the target lies outside the vessel.
    """
    seen = recording.sensors
    rim_m = plan.vessel.points[-1][0]
    mark_m = plan.vessel.mark_m if target.level_m is None else target.level_m
    if not 0.0 < mark_m <= rim_m:
        raise RecordingError(f"a target of {mark_m:g} m is not in the vessel",
                             allowed=f"above 0, at most the rim at {rim_m:g} m")  # fmt: skip
    groups: dict[str, Any] = {name: tuple(s for s in getattr(plan, name) if s in seen)
              for name in ("floats", "overs", "lows", "leaks", "sump_highs", "sump_lows",
                           "stores")}  # fmt: skip
    single: dict[str, Any] = {name: getattr(plan, name) if getattr(plan, name) in seen else ""
              for name in ("temp_in", "flow_in", "level", "temp_tank")}  # fmt: skip
    pace_s = max(recording.period_s, 1.0)
    stale_s = MISSED * max(pace_s, recording.level_s if single["level"] else 0.0)
    limits = plan.limits
    limits = replace(
        limits,
        suspect_s=max(limits.suspect_s, SUSPECT * pace_s),
        permit_ttl_s=max(limits.permit_ttl_s, MISSED * pace_s),
        reading_stale_s=max(limits.reading_stale_s, stale_s),
        settle_s=max(limits.settle_s, SETTLED * pace_s),
    )
    bare = replace(
        plan, **groups, **single, vessel=replace(plan.vessel, mark_m=mark_m), limits=limits,
        level_sd_m=_noise_m(plan, recording), desk="", people_check=False,
        return_pump=False, pump_plug="", heater="", drain="",
        filter_l=inf, filter_days=inf, simulated=False,
    )  # fmt: skip
    return _watching(prepared(bare), pace_s)


def _noise_m(plan: Plan, recording: Recording) -> float:
    """Return the level's noise: as recorded where it was calmer than the config says.

    Where it was rougher, the core's own balance finds that out.
    """
    if recording.level_sd_m <= 0.0:
        return plan.level_sd_m
    return min(plan.level_sd_m, max(recording.level_sd_m, NOISE_LEAST_M))


def _watching(plan: Plan, pace_s: float) -> Plan:
    """Return the plan with its rules telling only: the valve is somebody else's. What must last
    must last over more than one reading.
    """
    without = NOT_OURS | (METERED if not (plan.flow_in or plan.level) else frozenset())

    def told(row: Armed) -> Armed:
        index, rule, debounce = row
        if debounce is not None:
            hold_s = max(debounce.hold_s, LASTS * pace_s)
            debounce = replace(debounce, hold_s=hold_s,
                               bound_s=max(debounce.bound_s, hold_s + hold_s))  # fmt: skip
        return index, replace(rule, response=Response.WARN), debounce

    armed = {
        phase: tuple(told(row) for row in rows if row[1].key not in without)
        for phase, rows in plan.armed.items()
    }
    return replace(plan, armed=armed)


def raised(turned: AlarmTurned) -> bool:
    """Say whether an alarm has become true; anything else is an alarm that goes."""
    return turned.alarm.state is AlarmState.UNACKED


class Watch:
    """The core over one recording; `lines` plays it once."""

    def __init__(self, plan: Plan, recording: Recording, target: Target) -> None:
        """Keep the parts. `plan` is that of `plan_for`."""
        self._plan, self._recording, self._target = plan, recording, target
        self._state = Station()
        self._seq = 0
        self._told_s = -inf
        self._shut: str | None = None  # why the fill would have been shut for good
        self._held_s = -inf
        self._holds = 0
        self._still = True  # nothing has flowed since the last fill
        self._has_valve = recording.has_valve
        self._commanded = False  # the recorded valve is to be open now
        limits = plan.limits
        pace_s = max(recording.period_s, 1.0)
        self._shut_s = plan.closing_s + limits.shut_grace_s + limits.shut_flow_s + LASTS * pace_s
        self._base_m: float | None = None
        self._stays: AlarmTurned | None = None  # W04, not told yet
        self._ended_command_s = self._ended_s = -inf  # somebody's command, and the core's own fill
        self._out: list[Line] = []
        self.fills: list[FillStory] = []
        self.alarms: dict[str, int] = {}

    def lines(self) -> Iterator[Line]:
        """Yield forecasts, alarms and closes in order of time."""
        frames = self._recording.frames
        if frames:
            self._begin(frames[0].t_s)
        before: Frame | None = None
        for frame in frames:
            self._turn_before(frame, before)
            self._catch_up(frame.t_s)
            self._hear(frame)
            self._turn_after(frame)
            self._tell_late(frame.t_s)
            self._foretell(frame.t_s)
            if self._out:
                yield from self._out
                self._out.clear()
            before = frame
        self._account()

    # --- the core ---

    def _begin(self, t_s: float) -> None:
        """Connect, everything being proven, and the supply taken: nothing opens by itself."""
        self._feed(Linked(True), t_s)
        proven = dict.fromkeys(self._plan.proven, t_s)
        self._feed(Told(Facts(proven, 0.0, t_s, t_s, busy=BY)), t_s)

    def _feed(self, given: Given, t_s: float) -> tuple[Action, ...]:
        before = self._state.phase
        result = stations.step(self._plan, self._state, given, t_s)
        self._state = result.station
        for action in result.actions:
            self._do(action, before, t_s)
        return result.actions

    def _do(self, action: Action, before: Phase, t_s: float) -> None:
        match action:
            case AlarmTurned() if action.key == STAYS and not raised(action):
                self._stays = None
            case AlarmTurned() if action.key == STAYS and self._excused_s > t_s:
                self._stays = action
            case AlarmTurned() if raised(action):
                self._tell(action, t_s)
                self._would_close(RULES[BY_KEY[action.key]], before, t_s)
            case Turned(phase=Phase.CLOSING):
                fill = self._state.fill
                word = "litres" if fill is not None and not fill.to_mark else "mark"
                self._ended_s = t_s
                self._ended(t_s, "target")
                if self._shut is None:
                    self._close(t_s, word, word)
            case Turned(phase=Phase.STOPPED):
                self._ended(t_s, "the valve stayed shut")
            case AskEcho():
                self._feed(Echo(), t_s)
            case _:
                pass

    def _tell(self, action: AlarmTurned, t_s: float) -> None:
        self._out.append(alarm_line(t_s, action))
        self.alarms[action.id] = self.alarms.get(action.id, 0) + 1

    @property
    def _excused_s(self) -> float:
        """Return until when flow after the core's end may be somebody's still standing command."""
        if self._has_valve and not self._commanded:
            return self._ended_command_s + self._shut_s
        return self._ended_s + PATIENCE_S

    def _tell_late(self, t_s: float) -> None:
        """Tell of a valve that does not close, once nobody's command can be blamed."""
        if self._stays is not None and t_s >= self._excused_s:
            self._tell(self._stays, t_s)
            self._stays = None

    def _would_close(self, rule: Rule, before: Phase, t_s: float) -> None:
        """Tell what a rule would have done to a valve of ours."""
        if before is not Phase.FILLING or self._shut is not None:
            return
        if rule.response is Response.CLOSE:
            self._close(t_s, rule.id, rule.key)
        elif rule.response is Response.HOLD and (
            t_s - self._held_s >= self._plan.limits.hold_pause_s
        ):
            self._held_s = t_s
            self._holds += 1
            spent = self._holds > self._plan.limits.holds_max
            self._close(t_s, rule.id, rule.key, hold=not spent)

    def _close(self, t_s: float, cause: str, key: str, *, hold: bool = False) -> None:
        self._out.append(close_line(t_s, cause, key, hold=hold))
        if self.fills:
            self.fills[-1].closes.append(cause)
        if not hold:
            self._shut = cause

    def _catch_up(self, t_s: float) -> None:
        """Let time pass up to the next frame: the core asked to be called at these moments."""
        for _ in range(TICKS_MAX):
            if not self._state.due_s < t_s:
                return
            self._feed(Tick(), self._state.due_s)

    def _hear(self, frame: Frame) -> None:
        self._seq += 1
        filling = self._state.phase is Phase.FILLING
        pack = ReadingPack(
            station=self._plan.station,
            node=self._plan.node,
            boot=frame.boot,
            seq=self._seq,
            uptime_s=frame.t_s,
            samples=frame.samples,
            valve_open=filling if frame.valve is None else frame.valve,
        )
        self._feed(Heard(pack), frame.t_s)

    def _foretell(self, t_s: float) -> None:
        fill = self._state.fill
        if self._state.phase is not Phase.FILLING or fill is None:
            return
        if t_s - self._told_s < FORECAST_EVERY_S:
            return
        ahead = expected(fill, t_s)
        if ahead is None:
            return
        self._told_s = t_s
        line = forecast_line(t_s, ahead)
        if self._shut is not None:
            line["after_close"] = self._shut
        self._out.append(line)

    # --- the valve that is not ours ---

    def _turn_before(self, frame: Frame, before: Frame | None) -> None:
        """Follow what happened between two frames: a command, or the beginning of flow."""
        if before is None:
            return
        if not self._has_valve:
            self._flow_begins(frame, before)
        elif frame.valve is not None and frame.valve is not before.valve and (
            frame.valve_s < frame.t_s
        ):
            self._catch_up(frame.valve_s)
            self._command(frame.valve, frame.valve_s)

    def _turn_after(self, frame: Frame) -> None:
        """Follow a command of the frame's own second."""
        if frame.valve is not None and frame.valve_s >= frame.t_s:
            self._command(frame.valve, frame.t_s)

    def _command(self, is_open: bool, t_s: float) -> None:
        phase = self._state.phase
        self._commanded = is_open
        self._ended_command_s = t_s if not is_open else -inf
        if is_open and phase is Phase.HOLDING:
            self._turn(Turn.PASSED, t_s)
        elif is_open and phase is not Phase.FILLING:
            self._open(t_s, "valve")
        elif not is_open and phase is Phase.FILLING:
            self._turn(Turn.HOLD, t_s)

    def _flow_begins(self, frame: Frame, before: Frame) -> None:
        """Open a fill at the frame before the first flow, or the first rise, after some quiet."""
        if self._state.phase not in AT_REST:
            self._base_m = None
            self._still = False
            return
        running = self._runs(frame)
        if running and self._still:
            self._still = False
            self._open(before.t_s, "flow" if self._plan.flow_in else "level")
        elif not running:
            self._still = True

    def _runs(self, frame: Frame) -> bool:
        """Say whether water comes in, by the meter, or without one by the level."""
        plan = self._plan
        values = {s.sensor: s.value for s in frame.samples if s.value is not None}
        if plan.flow_in:
            return values.get(plan.flow_in, 0.0) >= plan.limits.flow_min_lpm
        level_m = values.get(plan.level)
        if level_m is None:
            return False
        base_m = self._base_m = min(level_m, level_m if self._base_m is None else self._base_m)
        litres_at = plan.vessel.litres_at
        sd_l = litres_at(base_m + plan.level_sd_m) - litres_at(base_m)
        risen_l = max(RISE_L, RISE_SD * sd_l)
        if plan.vessel.litres_to_mark(base_m) <= risen_l + risen_l:
            return False  # it is full: what still comes is no fill
        return litres_at(level_m) - litres_at(base_m) > risen_l

    def _open(self, t_s: float, by: str) -> None:
        """Let the core begin a fill that has begun already: ask for it, and pass its checks."""
        self._afresh(t_s)
        request = Request(self._plan.station, BY, "fill", BY, self._asked())
        actions = self._feed(Asked(request, f"{BY}-{len(self.fills) + 1}"), t_s)
        answer = next((a.reply for a in actions if isinstance(a, Answer)), None)
        fill = self._state.fill
        if answer is None or not answer.ok or fill is None:
            self.fills.append(FillStory(t_s, by, 0.0, t_s, "refused"))
            self._close(t_s, "W18", answer.text if answer is not None else "")
            return
        self.fills.append(FillStory(t_s, by, fill.need_l))
        self._turn(Turn.PASSED, t_s)

    def _asked(self) -> dict[str, float | str | bool]:
        target = self._target
        if target.litres is not None:
            return {"litres": target.litres, "to": "litres", "attended": True}
        if self._plan.level:
            return {"attended": True}
        if target.start_m is None:
            raise RecordingError(
                "nobody knows how much is to go in: no level is recorded",
                allowed="--target-l LITRES, or vessel.start_m in the config",
            )
        return {"level_m": target.start_m, "attended": True}

    def _turn(self, turn: Turn, t_s: float) -> None:
        before = self._state.phase
        picture = draw(self._plan, self._state, t_s)
        self._state, actions = turn_now(self._plan, self._state, picture, None, turn)
        for action in actions:
            self._do(action, before, t_s)

    def _afresh(self, t_s: float) -> None:
        """Forget the fill before: each is judged by itself."""
        self._account()
        old = self._state
        self._state = changed(
            Station(), now_s=old.now_s, phase_s=t_s, senses=old.senses, balance=old.balance,
            creep=old.creep, seq=old.seq, link_up=True, facts=old.facts,
        )  # fmt: skip
        self._shut, self._held_s, self._holds, self._told_s = None, -inf, 0, -inf

    def _ended(self, t_s: float, by: str) -> None:
        if self.fills and self.fills[-1].ended_s is None:
            self.fills[-1].ended_s, self.fills[-1].ended_by = t_s, by

    def _account(self) -> None:
        """Note a fill's litres, what came after its end included."""
        fill = self._state.fill
        if self.fills and fill is not None:
            self.fills[-1].delivered_l = fill.delivered_l
