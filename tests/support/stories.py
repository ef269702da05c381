"""Timed stories: a station's core, the guard beside its valve, and a pretend node and pipe.

A story keeps two clocks, the engine's and the node's, far apart on purpose: code that mixes them
up does not get far here. Nothing in it sleeps, draws a random number or touches the network. What
is real is `monitor.core`; the pretend node does what the shell around the guard has to do.

The river tank (840 L, half of it changed on a Saturday) and every number about it are invented.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import count
from math import floor, inf, nan, sin
from typing import Any, TypeVar

from monitor.core import guard as guards
from monitor.core import station as stations
from monitor.core import vessel
from monitor.core.alarm import AlarmState
from monitor.core.describe import describe
from monitor.core.events import (
    Action,
    AlarmTurned,
    Answer,
    AskEcho,
    Asked,
    Echo,
    FillEnded,
    FillRefused,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    Plugged,
    SendPermit,
    SendWithdraw,
    SwitchPlug,
    Tick,
    Told,
    Turned,
)
from monitor.core.exchange import (
    GuardReport,
    Permit,
    PlugState,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Way,
    Withdraw,
)
from monitor.core.facts import Facts
from monitor.core.guard import GuardInput, GuardPhase, GuardState
from monitor.core.hazards import BY_KEY
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import Phase
from monitor.core.plan import Fill, Plan, Station, prepared
from monitor.core.reading import Fault, Kind, Sample

STATION, NODE, ENGINE = "river", "river-pi", "engine-one"
FLOAT, LEAK, TEMP, METER = "float_high", "floor", "incoming", "meter"
OVER = "float_over"  # a second float above the main one, where a plan has it
LOW, SUMP_HIGH, SUMP_LOW, STORE = "float_low", "sump_high", "sump_low", "store_full"
DEPTH, TANK = "depth", "tank"
PULSES_PER_L = 450.0
ENGINE_EPOCH_S = 50_000.0
NODE_EPOCH_S = 1_200.0
FLOW_LPM = 10.0
WAVE_M = 0.001
SLUG_L = 1.5  # in the pipe
WARM_C = 30.0
MARK_L, LOW_L = 798.0, 378.0  # in the vessel at its mark, 0.57 m, and at its low mark, 0.27 m
TRIPS = {
    FLOAT: ("mark", "S01"), OVER: ("W01", "S01"), LEAK: ("W06", "S02"), SUMP_HIGH: ("W08", "W08")
}  # fmt: skip
TRIPS_OUT = {LOW: ("low-mark", "W23"), STORE: ("W21", "W21"), LEAK: ("W06", "S02")}

T = TypeVar("T")


def river_plan(limits: Limits = DEFAULTS, **changes: Any) -> Plan:
    """Return the river tank's plan."""
    plan = Plan(
        station=STATION,
        node=NODE,
        vessel=vessel.box(2.0, 0.7, 0.6, 0.57),
        floats=(FLOAT,),
        leaks=(LEAK,),
        temp_in=TEMP,
        flow_in=METER,
        pulses_per_litre=PULSES_PER_L,
        flow_uncertainty=0.03,
        flow_max_lpm=25.0,
        low_c=23.0,
        high_c=27.0,
        scald_c=43.0,
        purge_l=6.0,
        closing_s=1.0,
        limits=limits,
    )
    return prepared(replace(plan, **changes))


FULL: dict[str, Any] = {
    "overs": (OVER,), "lows": (LOW,), "sump_highs": (SUMP_HIGH,), "sump_lows": (SUMP_LOW,),
    "stores": (STORE,), "level": DEPTH, "level_sd_m": 0.002, "temp_tank": TANK, "tank_low_c": 22.0,
    "tank_high_c": 28.0, "tank_change_c": 2.0, "drain": "pump", "low_m": 0.27, "heater": "heater",
    "heater_m": 0.20, "pump_plug": "pump", "filter_l": 8000.0, "filter_days": 180.0,
    "desk": "warn",
}  # fmt: skip


def full_plan(limits: Limits = DEFAULTS, **changes: Any) -> Plan:
    """Return the river tank's plan with everything fitted."""
    return river_plan(limits, **{**FULL, **changes})


def proven(plan: Plan, now_s: float, **changes: Any) -> Facts:
    """Return facts in which everything was proven a minute ago and the cartridge is new."""
    then_s = now_s - 60.0
    facts = Facts(
        proven_s=dict.fromkeys(plan.proven, then_s),
        cartridge_l=0.0,
        cartridge_s=then_s,
        people_s=then_s,
    )
    return replace(facts, **changes)


def request(verb: str, *, by: str = "keeper", id: str = "r", **args: Any) -> Request:  # noqa: A002
    """Return a person's request."""
    return Request(STATION, id, verb, by, args)


@dataclass(slots=True)
class Pipe:
    """The water as it truly is: what flows when the valve is open, and what when it is shut."""

    open_lpm: float = FLOW_LPM
    shut_lpm: float = 0.0
    room_l: float = inf  # litres until the float rises
    litres: float = 0.0
    pulses: float = 0.0


@dataclass(slots=True)
class Story:
    """A station with everything around it. Change what stands here, then `run`."""

    plan: Plan = field(default_factory=river_plan)
    water: Pipe = field(default_factory=Pipe)
    temp_c: float = 25.0
    slug_c: float = 1.0  # how much cooler the water is that stood in the pipe and comes first
    high: bool = False
    wet: bool = False
    over: bool = False  # the second float, where there is one
    others: dict[str, float] = field(default_factory=dict)  # what fitted sensors say, by id
    before_l: float = LOW_L  # litres in the vessel when the story begins
    arrives: float = 1.0  # share of the water that arrives in the vessel
    goes_lpm: float = 0.0  # water that leaves the vessel besides
    drain_lpm: float = 12.0  # while the drain is open
    level_m: float | None = None  # what the level probe says, if not the truth
    metered: float = 1.0  # share of the flow that the meter counts
    meter_lpm: float | None = None  # what the meter says, if not the truth
    faults: dict[str, Fault] = field(default_factory=dict)
    trips: dict[str, tuple[str, str]] = field(default_factory=lambda: dict(TRIPS))
    trips_out: dict[str, tuple[str, str]] = field(default_factory=lambda: dict(TRIPS_OUT))
    node_alive: bool = True
    engine_frozen: bool = False
    broker_answers: bool = True  # nothing passes in either direction while False
    up_lost: bool = False  # what the node sends gets lost
    down_lost: bool = False  # what the engine sends gets lost
    up_delay_s: float = 0.0
    plug_works: bool = True
    valve_stuck: bool = False  # the relay lets go and the node still reports the valve open
    boot: str = "boot-a"
    period_s: float = 1.0
    now_s: float = 0.0
    station: Station = field(default_factory=Station)
    guard: GuardState = field(default_factory=lambda: GuardState("boot-a"))
    drain: GuardState = field(default_factory=lambda: GuardState("boot-a"))
    draining: bool = False  # the drain's relay
    drain_log: list[tuple[float, bool]] = field(default_factory=list)
    hose: bool = False  # a person's hose is in the water
    tank_l: float = nan
    relay: bool = False
    relay_log: list[tuple[float, bool]] = field(default_factory=list)
    log: list[tuple[float, Action]] = field(default_factory=list)
    inputs: list[tuple[Given, float]] = field(default_factory=list)
    permits: list[tuple[float, Permit]] = field(default_factory=list)
    packs: list[ReadingPack] = field(default_factory=list)
    reported: tuple[bool, str, str] = (False, "", "")
    reported_out: tuple[bool, str, str] = (False, "", "")
    seq: int = 0
    next_pass_s: float = 0.0
    mail: list[tuple[float, int, Callable[[], None]]] = field(default_factory=list)
    tickets: Iterator[int] = field(default_factory=count)
    engine_gone: bool = False

    # --- what a test says ---

    def begin(self) -> Story:
        """Connect the engine, all being proven, and let everything be quiet for five seconds."""
        self.feed(Linked(True))
        return self.fit(self.plan, self.before_l)

    def fit(self, plan: Plan, before_l: float | None = None) -> Story:
        """Give the station these parts, all proven and plugged in, and five quiet seconds."""
        self.plan = plan
        if before_l is not None:
            self.tank_l = before_l
            self.station = replace(self.station, balance=None)
        self.tell()
        if plan.desk:
            self.desk(True)
        if plan.heater not in ("", "other"):
            self.feed(Plugged(PlugState(STATION, plan.heater, True)))
        return self.run(5.0)

    def tell(self, **changes: Any) -> Story:
        """Tell the core its facts: all is proven and new but for `changes`."""
        self.feed(Told(proven(self.plan, self.engine_s, **changes)))
        return self

    def desk(self, online: bool) -> Story:
        """Say that the desk is here, or gone."""
        self.feed(Here(Presence(STATION, "desk", "desk-one", online)))
        return self

    def fill(
        self, litres: float = 420.0, *, to: str = "mark", room_l: float | None = None
    ) -> Story:
        """Ask for a fill, and let it run until the valve opens. The float rises at `room_l`."""
        self.water.litres = 0.0
        self.water.room_l = (litres if to == "mark" else inf) if room_l is None else room_l
        reply = self.ask("fill", litres=litres, to=to)
        assert reply.ok, reply.text
        return self.until(Phase.FILLING)

    def ask(self, verb: str, *, by: str = "keeper", fill_id: str = "", **args: Any) -> Reply:
        """Ask for something and return the answer."""
        number = next(self.tickets)
        asked = request(verb, by=by, id=f"r{number}", **args)
        actions = self.feed(Asked(asked, fill_id or f"fill-{number}"))
        return next(a.reply for a in actions if isinstance(a, Answer))

    def run(self, seconds: float) -> Story:
        """Let time pass."""
        end_s = self.now_s + seconds
        while (at_s := self._next_s()) <= end_s:
            self._advance(at_s)
            self._happen()
        self._advance(end_s)
        return self

    def until(self, phase: Phase, within_s: float = 60.0) -> Story:
        """Let time pass until the station is in `phase`; fail when it does not get there."""
        end_s = self.now_s + within_s
        while self.station.phase is not phase:
            at_s = self._next_s()
            assert at_s <= end_s, f"still {self.station.phase} ({self.station.cause_key})"
            self._advance(at_s)
            self._happen()
        return self

    def finish(self, within_s: float = 4000.0) -> Story:
        """Let the fill come to its good end."""
        return self.until(Phase.DONE, within_s)

    def edge(self, **changes: Any) -> Story:
        """Change a sensor now; the node acts on it and tells of it at once."""
        for name, value in changes.items():
            setattr(self, name, value)
        self._pass(edge=True)
        return self

    def reboot(self, boot: str = "boot-b") -> Story:
        """Restart the node: relay released, new identity, counter at nought, clock at nought."""
        self.boot, self.seq, self.water.pulses = boot, 0, 0.0
        self.guard, self.drain = GuardState(boot), GuardState(boot)
        self._set_relay(False)
        self._set_drain(False)
        self.reported = self.reported_out = (False, "", "")
        self.node_alive, self.next_pass_s = True, self.now_s
        return self

    def thaw(self) -> Story:
        """Let a frozen engine go on: it takes what has piled up, at this late hour."""
        self.engine_frozen = False
        return self

    def feed(self, given: Given, at_s: float | None = None) -> tuple[Action, ...]:
        """Step the core with an input and do what it says."""
        now_s = self.engine_s if at_s is None else at_s
        self.inputs.append((given, now_s))
        result = stations.step(self.plan, self.station, given, now_s)
        self.station = result.station
        self.log += [(self.now_s, action) for action in result.actions]
        for action in result.actions:
            self._do(action)
        return result.actions

    def act(self, given: GuardInput, at_s: float | None = None, *, out: bool = False) -> Story:
        """Step the guard, or the drain's, and set its relay to what it says."""
        now_s = self.node_s if at_s is None else at_s
        if out:
            self.drain = guards.step(self.drain, given, now_s, self.plan.limits)
            self._set_drain(guards.energised(self.drain, now_s, self.plan.limits))
            self._report_out()
            return self
        self.guard = guards.step(self.guard, given, now_s, self.plan.limits)
        self._set_relay(guards.energised(self.guard, now_s, self.plan.limits))
        self._report()
        return self

    # --- what a test looks at ---

    @property
    def engine_s(self) -> float:
        """The engine's clock."""
        return ENGINE_EPOCH_S + self.now_s

    @property
    def node_s(self) -> float:
        """The node's clock."""
        return NODE_EPOCH_S + self.now_s

    @property
    def phase(self) -> Phase:
        """The station's phase."""
        return self.station.phase

    @property
    def running(self) -> Fill:
        """The fill the station knows of."""
        assert self.station.fill is not None
        return self.station.fill

    def alarm(self, key: str) -> str:
        """The letter of an alarm's state."""
        return self.station.alarms[BY_KEY[key]].state.value

    def raised(self) -> set[str]:
        """The keys of all alarms that are not normal."""
        return {
            key for key, index in BY_KEY.items()
            if self.station.alarms[index].state is not AlarmState.NORMAL
        }  # fmt: skip

    def data(self) -> dict[str, Any]:
        """The status as people get it."""
        return describe(self.plan, self.station, self.engine_s)

    def done(self, kind: type[T]) -> list[T]:
        """All actions of one kind so far."""
        return [action for _, action in self.log if isinstance(action, kind)]

    def ended(self) -> list[tuple[str, str]]:
        """How fills ended, and their causes, once a fill."""
        ends = {end.fill.id: (end.fill.ended, end.key) for end in self.done(FillEnded)}
        return list(ends.values())

    def ended_checks(self) -> set[str]:
        """The checks that kept the latest request from starting."""
        return set(self.done(FillRefused)[-1].failing)

    def when(self, phase: Phase, since_s: float = 0.0) -> float:
        """When the station first turned to a phase at or after a moment."""
        return next(
            at_s for at_s, a in self.log
            if isinstance(a, Turned) and a.phase is phase and at_s >= since_s
        )  # fmt: skip

    def alarmed(self, key: str) -> float:
        """When an alarm was first raised."""
        return next(at_s for at_s, a in self.log if isinstance(a, AlarmTurned) and a.key == key)

    def shut_after(self, since_s: float) -> float:
        """How long after a moment the relay was released for good (as far as the story goes)."""
        assert not self.relay, "the relay is still energised"
        at_s, on = self.relay_log[-1]
        assert not on
        return at_s - since_s

    def permits_since(self, since_s: float) -> list[Permit]:
        """Permits issued at or after a moment."""
        return [permit for at_s, permit in self.permits if at_s >= since_s]

    def replayed(self) -> tuple[Station, list[Action]]:
        """Step the same inputs through the core again; return its state and all its actions."""
        state, actions = Station(), []
        for given, now_s in self.inputs:
            result = stations.step(self.plan, state, given, now_s)
            state = result.station
            actions += result.actions
        return state, actions

    # --- how it works ---

    def _next_s(self) -> float:
        times = [self._crossing_s()]
        if self.node_alive:
            times.append(self.next_pass_s)
            for gate in (self.guard, self.drain):
                deadline_s = guards.deadline_s(gate, self.plan.limits)
                if deadline_s is not None:
                    times.append(deadline_s - NODE_EPOCH_S)
        if not self.engine_frozen:
            times.append(self.station.due_s - ENGINE_EPOCH_S)
            times += [self.mail[0][0]] if self.mail else []
        return max(self.now_s, min(times))

    def _crossing_s(self) -> float:
        flow = self._flow_lpm()
        left_l = self.water.room_l - self.water.litres
        if self.high or flow <= 0.0 or left_l == inf:
            return inf
        return self.now_s + max(left_l, 0.0) / flow * 60.0

    def _happen(self) -> None:
        """Let everything happen that is due now."""
        if self._crossing_s() <= self.now_s:
            self.high = True
            self._pass(edge=True)
        if self.node_alive:
            for gate, out in ((self.guard, False), (self.drain, True)):
                deadline_s = guards.deadline_s(gate, self.plan.limits)
                if deadline_s is not None and self.node_s >= deadline_s:
                    self.act(guards.Tick(self._lapse_cause()), out=out)
            if self.now_s >= self.next_pass_s:
                self.next_pass_s = self.now_s + self.period_s
                self._pass(edge=False)
        while self.mail and not self.engine_frozen and self.mail[0][0] <= self.now_s:
            heapq.heappop(self.mail)[2]()
        if not self.engine_frozen and self.engine_s >= self.station.due_s:
            self.feed(Tick())

    def _advance(self, to_s: float) -> None:
        minutes = (to_s - self.now_s) / 60.0
        self.water.litres += self._flow_lpm() * minutes
        self.water.pulses += self._flow_lpm() * self.metered * minutes * PULSES_PER_L
        out_lpm = self.goes_lpm + (self.drain_lpm if self.draining or self.hose else 0.0)
        self.tank_l += (self._flow_lpm() * self.arrives - out_lpm) * minutes
        self.now_s = to_s

    def _flow_lpm(self) -> float:
        return self.water.open_lpm if self.relay else self.water.shut_lpm

    def _lapse_cause(self) -> str:
        if not self.broker_answers:
            return "C03"
        return "C01" if self.engine_gone else "C02"

    def samples(self) -> tuple[Sample, ...]:
        """What the node's sensors say now."""
        metered_lpm = self._flow_lpm() * self.metered
        meter = self.meter_lpm if self.meter_lpm is not None else metered_lpm
        cool = self.water.litres < SLUG_L and self.temp_c <= WARM_C  # what is hot is hot at once
        slug_c = self.slug_c if cool else 0.0
        said = (
            (FLOAT, Kind.FLOAT, float(self.high), None),
            (LEAK, Kind.LEAK, float(self.wet), None),
            (TEMP, Kind.TEMPERATURE, self.temp_c - slug_c, None),
            (METER, Kind.FLOW, meter, floor(self.water.pulses)),
            *((second, Kind.FLOAT, float(self.over), None) for second in self.plan.overs),
            *self._fitted(),
        )
        return tuple(
            Sample(sensor, kind, self.node_s, None, self.faults[sensor])
            if sensor in self.faults
            else Sample(sensor, kind, self.node_s, value, None, pulses)
            for sensor, kind, value, pulses in said
        )

    def _fitted(self) -> Iterator[tuple[str, Kind, float, None]]:
        """What is fitted beyond what every station has."""
        plan = self.plan
        for sensor in (*plan.lows, *plan.sump_highs, *plan.sump_lows, *plan.stores):
            yield sensor, Kind.FLOAT, self.others.get(sensor, 0.0), None
        if plan.temp_tank:
            yield plan.temp_tank, Kind.TEMPERATURE, self.others.get(plan.temp_tank, 25.0), None
        if plan.level:
            true_m = plan.vessel.level_at(self.tank_l)
            wave_m = WAVE_M * sin(self.now_s * 2.0)
            level_m = true_m + wave_m if self.level_m is None else self.level_m
            yield plan.level, Kind.LEVEL, level_m, None

    def _pass(self, *, edge: bool) -> None:
        """One pass of the node: local trips, the guard, readings out."""
        if not self.node_alive:
            return
        samples = self.samples()
        causes = [
            self.trips[s.sensor][s.value is None]
            for s in samples
            if s.sensor in self.trips and (s.value is None or s.value > 0.0)
        ]
        if causes:
            self.act(guards.Trip(max(causes, key=lambda c: (c == "W06", c != "mark"))))
        elif self.guard.phase is GuardPhase.BLOCKED:
            self.act(guards.Clear())
        self.act(guards.Tick(self._lapse_cause()))
        self._pass_out(samples)
        self.send(self.pack(edge=edge, samples=samples))

    def _pass_out(self, samples: tuple[Sample, ...]) -> None:
        """The drain's guard, on the same pass."""
        causes = [
            self.trips_out[s.sensor][s.value is None]
            for s in samples
            if s.sensor in self.trips_out and (s.value is None or s.value > 0.0)
        ]
        if causes:
            worst = max(causes, key=lambda c: (c == "W06", c != "low-mark"))
            self.act(guards.Trip(worst), out=True)
        elif self.drain.phase is GuardPhase.BLOCKED:
            self.act(guards.Clear(), out=True)
        self.act(guards.Tick(self._lapse_cause()), out=True)

    def pack(self, *, edge: bool = False, samples: tuple[Sample, ...] | None = None) -> ReadingPack:
        """Make the node's next pack."""
        self.seq += 1
        open_now = self.relay or self.valve_stuck
        said = self.samples() if samples is None else samples
        pack = ReadingPack(
            STATION, NODE, self.boot, self.seq, self.node_s, said, open_now, edge, self.draining
        )  # fmt: skip
        self.packs.append(pack)
        return pack

    def send(self, pack: ReadingPack) -> None:
        """Carry a pack from the node to the engine."""
        self._carry_up(Heard(pack))

    def feed_pack(self, pack: ReadingPack) -> tuple[Action, ...]:
        """Hand a pack to the core now, whatever the network does."""
        return self.feed(Heard(pack))

    def _carry_up(self, given: Given) -> None:
        if self.up_lost or not self.broker_answers:
            return
        if self.engine_frozen or self.up_delay_s > 0.0:
            at_s = self.now_s + self.up_delay_s
            ticket = (at_s, next(self.tickets), lambda: (self.feed(given), None)[1])
            heapq.heappush(self.mail, ticket)
        else:
            self.feed(given)

    def _report(self) -> None:
        now = (self.relay, self.guard.fill, self.guard.cause)
        if now == self.reported or not self.broker_answers or self.up_lost:
            return
        self.reported = now
        report = GuardReport(
            STATION, NODE, self.boot, self.node_s, now[0], now[1] or None, now[2] or None
        )  # fmt: skip
        self._carry_up(Guarded(report))

    def _report_out(self) -> None:
        now = (self.draining, self.drain.fill, self.drain.cause)
        if now == self.reported_out or not self.broker_answers or self.up_lost:
            return
        self.reported_out = now
        report = GuardReport(
            STATION, NODE, self.boot, self.node_s, now[0], now[1] or None, now[2] or None,
            way=Way.OUT,
        )  # fmt: skip
        self._carry_up(Guarded(report))

    def _set_relay(self, on: bool) -> None:
        if on is not self.relay:
            assert not (on and self.draining), "water in and water out at once"
            self.relay = on
            self.relay_log.append((self.now_s, on))

    def _set_drain(self, on: bool) -> None:
        if on is not self.draining:
            assert not (on and self.relay), "water out and water in at once"
            self.draining = on
            self.drain_log.append((self.now_s, on))

    def _do(self, action: Action) -> None:
        """Carry out what the core says, as far as the network lets it."""
        passes = self.broker_answers and not self.down_lost
        match action:
            case SendPermit():
                permit = replace(action.permit, engine=ENGINE)
                self.permits.append((self.now_s, permit))
                if passes and self.node_alive:
                    self.act(permit, out=permit.way is Way.OUT)
            case SendWithdraw():
                if passes and self.node_alive:
                    away = replace(action.withdraw, engine=ENGINE)
                    self.act(away, out=away.way is Way.OUT)
                    self._pass(edge=True)
            case AskEcho():
                if self.broker_answers:
                    self.feed(Echo())
            case SwitchPlug() if self.plug_works:
                order = action.order
                self.feed(Plugged(PlugState(STATION, order.plug, order.on)))
            case _:
                pass


def reach(story: Story, phase: Phase) -> Story:
    """Bring a quiet story to a phase."""
    match phase:
        case Phase.IDLE:
            return story
        case Phase.CHECKING:
            story.ask("fill", litres=420.0)
            return story.run(1.0)
        case Phase.FILLING:
            return story.fill(420.0).run(60.0)
        case Phase.HOLDING:
            story.fill(420.0).run(60.0)
            story.temp_c = 30.0
            return story.until(phase)
        case Phase.CLOSING:
            story.fill(20.0)
            story.valve_stuck = True
            return story.until(phase, 200.0)
        case Phase.SETTLING:
            return story.fill(20.0).until(phase, 200.0)
        case Phase.DONE:
            return story.fill(20.0).finish()
        case Phase.STOPPED:
            story.fill(420.0).run(60.0)
            story.ask("stop")
            return story
        case Phase.DRAINING:
            story.fit(full_plan(), before_l=MARK_L)
            story.ask("drain")
            return story.until(phase)


def pack_of(
    seq: int = 1,
    uptime_s: float = NODE_EPOCH_S,
    *,
    boot: str = "boot-a",
    valve_open: bool = False,
    **values: float | Fault,
) -> ReadingPack:
    """Return a single pack: all sensors well unless `values` says otherwise (by sensor id)."""
    kinds = {FLOAT: Kind.FLOAT, LEAK: Kind.LEAK, TEMP: Kind.TEMPERATURE, METER: Kind.FLOW}
    well: dict[str, float | Fault] = {FLOAT: 0.0, LEAK: 0.0, TEMP: 25.0, METER: 0.0, **values}
    samples = tuple(
        Sample(sensor, kinds.get(sensor, Kind.FLOAT), uptime_s, None, value)
        if isinstance(value, Fault)
        else Sample(
            sensor,
            kinds.get(sensor, Kind.FLOAT),
            uptime_s,
            value,
            None,
            0 if sensor == METER else None,
        )
        for sensor, value in well.items()
    )
    return ReadingPack(STATION, NODE, boot, seq, uptime_s, samples, valve_open)


def withdrawal(
    *, seq: int = 0, fill: str = "fill-1", engine: str = ENGINE, resumable: bool = False
) -> Withdraw:
    """Return a withdrawal as the node receives it."""
    return Withdraw(STATION, engine, seq, "boot-a", fill, "person", resumable)


def presence(online: bool, role: str = "node") -> Here:
    """Return word that a role is here or gone."""
    return Here(Presence(STATION, role, "boot-a", online))
