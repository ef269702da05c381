"""Properties of station and guard together, with an adversary for a network.

Safety alone would be kept by a valve that never opens, so availability is proved beside it: after
whatever chaos, a repaired plant and one reset lead to a fill that ends well.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from math import inf, nan

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from monitor.core import guard as guards
from monitor.core import station as stations
from monitor.core.alarm import AlarmState
from monitor.core.asks import VERBS
from monitor.core.describe import describe
from monitor.core.events import (
    Action,
    Answer,
    AskEcho,
    Asked,
    Echo,
    FillEnded,
    Given,
    Guarded,
    Heard,
    Linked,
    Plugged,
    SendPermit,
    SendWithdraw,
    SwitchPlug,
    Tick,
    Told,
)
from monitor.core.exchange import GuardReport, Permit, PlugState, ReadingPack, Way, Withdraw
from monitor.core.facts import Facts
from monitor.core.guard import GuardInput, GuardPhase, GuardState
from monitor.core.limits import DEFAULTS, with_overrides
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Plan, Station
from monitor.core.reading import Fault, Kind, Sample
from support.stories import (
    DEPTH,
    ENGINE_EPOCH_S,
    FLOAT,
    LEAK,
    LOW,
    METER,
    NODE_EPOCH_S,
    OVER,
    STATION,
    STORE,
    SUMP_HIGH,
    SUMP_LOW,
    TANK,
    TEMP,
    TRIPS,
    TRIPS_OUT,
    Pipe,
    Story,
    full_plan,
    presence,
    reach,
    request,
)

QUICK = with_overrides({
    "open_max_s": 60.0, "hold_pause_s": 10.0, "hold_max_s": 30.0, "settle_s": 10.0,
    "check_quiet_s": 2.0, "check_max_s": 6.0, "no_flow_s": 4.0, "no_flow_bound_s": 9.0,
    "cold_s": 2.0, "cold_bound_s": 5.0,
})  # fmt: skip
IN_THE_AIR = 40  # a network forgets what is older
HAIR_S = 1e-6
TTL_S = QUICK.permit_ttl_s


@dataclass(slots=True)
class Chaos(Story):
    """A story whose messages wait in the air until somebody delivers, repeats or drops them.

    It keeps its own book of what was lent and what has ended, by rules simpler than the guard's,
    and holds the relay to it.
    """

    up: list[Given] = field(default_factory=list)
    down: list[Permit | Withdraw] = field(default_factory=list)
    sent: list[Permit | Withdraw] = field(default_factory=list)
    engine: str = "engine-first"
    started_with: Station = field(default_factory=Station)
    did: list[Action] = field(default_factory=list)
    numbers: object = field(default_factory=count)
    lent_until: dict[str, float] = field(default_factory=dict)
    open_s: dict[str, float] = field(default_factory=dict)
    dead: set[str] = field(default_factory=set)
    granted: dict[str, float] = field(default_factory=dict)
    ended_fills: set[str] = field(default_factory=set)
    ways: dict[str, Way] = field(default_factory=dict)

    # --- the network ---

    def _carry_up(self, given: Given) -> None:
        self.up = [*self.up, given][-IN_THE_AIR:]

    def _do(self, action: Action) -> None:
        match action:
            case SendPermit():
                self._put(replace(action.permit, engine=self.engine))
            case SendWithdraw():
                self._put(replace(action.withdraw, engine=self.engine))
            case AskEcho():
                self._carry_up(Echo())
            case SwitchPlug():
                order = action.order
                self._carry_up(Plugged(PlugState(STATION, order.plug, order.on)))
            case _:
                pass

    def _put(self, message: Permit | Withdraw) -> None:
        self.down = [*self.down, message][-IN_THE_AIR:]
        self.sent = [*self.sent, message][-IN_THE_AIR:]

    def deliver(self) -> None:
        """Deliver everything in its order, both ways, until the air is clear."""
        while self.up or self.down:
            if self.up:
                self.feed(self.up.pop(0))
            if self.down:
                self.reach_node(self.down.pop(0))

    def reach_node(self, message: Permit | Withdraw) -> None:
        """Hand a message to the guard of its way."""
        self.act(message, out=message.way is Way.OUT)

    def live(self, seconds: int) -> None:
        """Let a healthy second pass, so many times."""
        for _ in range(seconds):
            self.run(1.0)
            self._pass(edge=False)
            self.deliver()

    # --- the engine, judged ---

    def feed(self, given: Given, at_s: float | None = None) -> tuple[Action, ...]:
        before = self.station
        actions = Story.feed(self, given, at_s)
        self.did += actions
        assert self.station.now_s >= before.now_s
        assert len(self.station.senses.tracks) <= SENSORS
        for action in actions:
            match action:
                case SendPermit():
                    permit = action.permit
                    assert isinstance(given, Heard)
                    assert self.station.phase is OPEN_IN[permit.way]
                    assert before.phase is not Phase.STOPPED
                    assert permit.fill not in self.ended_fills
                    assert permit.way is self.ways[permit.fill]
                    assert self.engine_s >= self.granted[permit.fill] + QUICK.check_quiet_s - HAIR_S
                    assert permit.as_of_s <= given.pack.uptime_s
                    assert permit.ttl_s <= TTL_S
                case FillEnded():
                    self.ended_fills.add(action.fill.id)
                case _:
                    pass
        if before.phase is Phase.STOPPED and self.station.phase is not Phase.STOPPED:
            assert isinstance(given, Asked)
            assert given.request.verb == "reset"
            assert self.station.phase is Phase.IDLE
        return actions

    # --- the guard, judged ---

    def gate(self, out: bool) -> tuple[GuardState, bool]:
        """Return one way's guard and whether its relay is energised."""
        return (self.drain, self.draining) if out else (self.guard, self.relay)

    def act(self, given: GuardInput, at_s: float | None = None, *, out: bool = False) -> Story:
        before, was_on = self.gate(out)
        if (
            isinstance(given, Permit)
            and given.node_boot == self.boot
            and given.as_of_s <= self.node_s < given.as_of_s + TTL_S
        ):
            lent_s = self.lent_until.get(given.fill, -inf)
            self.lent_until[given.fill] = max(lent_s, given.as_of_s + TTL_S)
        Story.act(self, given, at_s, out=out)
        after, is_on = self.gate(out)
        assert after.now_s >= before.now_s
        self._note(given, before, after, was_on and not is_on)
        if is_on:
            self._must_be_allowed(out)
        return self

    def _note(
        self, given: GuardInput, before: GuardState, after: GuardState, let_go: bool
    ) -> None:
        """Note which fills have ended for good."""
        match given:
            case Withdraw(resumable=False):
                self.dead.add(given.fill)
                under_way = before.phase in (GuardPhase.OPEN, GuardPhase.PAUSED)
                if under_way and after.phase is GuardPhase.SHUT:
                    self.dead.add(before.fill)
            case Withdraw(resumable=True) if given.fill == before.fill:
                pass
            case guards.Trip() | guards.Failure():
                self.dead.add(before.fill)
            case _:
                if let_go:
                    self.dead.add(before.fill)

    def _must_be_allowed(self, out: bool) -> None:
        fill = self.gate(out)[0].fill
        assert self.ways[fill] is (Way.OUT if out else Way.IN)
        assert fill in self.granted
        assert fill not in self.dead
        assert self.node_s < self.lent_until[fill]
        assert self.open_s.get(fill, 0.0) < QUICK.open_max_s
        assert not self.wet
        witnesses = TRIPS_OUT if out else TRIPS
        assert not set(witnesses) & set(self.faults)
        assert not any(self.others.get(sensor) for sensor in witnesses)
        assert out or not (self.high or self.over)

    def _advance(self, to_s: float) -> None:
        for out in (False, True):
            guard, is_on = self.gate(out)
            if is_on:
                fill = guard.fill
                self.open_s[fill] = self.open_s.get(fill, 0.0) + to_s - self.now_s
                assert self.open_s[fill] <= QUICK.open_max_s + HAIR_S
                assert NODE_EPOCH_S + to_s <= self.lent_until[fill] + HAIR_S
        assert not (self.relay and self.draining)
        Story._advance(self, to_s)

    # --- people and restarts ---

    def say(self, verb: str, **args: object) -> bool:
        """Ask for something; remember the fills and drains that were granted."""
        number = next(self.numbers)  # type: ignore[call-overload]
        fill = f"fill-{number}"
        actions = self.feed(Asked(request(verb, id=f"r{number}", **args), fill))
        reply = next(a.reply for a in actions if isinstance(a, Answer))
        if verb in WAYS and reply.ok:
            self.granted[fill], self.ways[fill] = self.engine_s, WAYS[verb]
        if verb == "reset" and reply.ok:
            assert self.station.phase in (Phase.IDLE, Phase.CHECKING)
        if self.station.phase in UNDER_WAY | {Phase.CHECKING}:
            assert self.station.fill is not None
        return reply.ok

    def restart_node(self) -> None:
        """Start the node anew, on another boot."""
        for out in (False, True):
            guard, is_on = self.gate(out)
            if is_on or guard.phase is GuardPhase.PAUSED:
                self.dead.add(guard.fill)
        number = next(self.numbers)  # type: ignore[call-overload]
        self.reboot(f"boot-{number}")
        self.next_pass_s = inf

    def restart_engine(self) -> None:
        """Start the engine anew, as its shell does: a fill left open was interrupted."""
        number = next(self.numbers)  # type: ignore[call-overload]
        self.engine = f"engine-{number}"
        self.station = Station(interrupted=self.station.phase in UNDER_WAY)
        self.started_with, self.inputs, self.did = self.station, [], []
        if self.station.interrupted:
            self.ended_fills |= set(self.granted)
        self.feed(Linked(True))
        self.tell()
        self.desk(True)

    # --- after the storm ---

    def heal(self) -> None:
        """Repair everything that a person or the network can repair."""
        self.up, self.down = [], []
        self.wet = self.high = self.over = False
        self.temp_c, self.water, self.meter_lpm = 25.0, Pipe(), None
        self.level_m, self.arrives, self.goes_lpm = None, 1.0, 0.0
        self.faults.clear()
        self.others.clear()
        self.engine_frozen = False
        self.feed(Linked(True))
        self.feed(presence(True))
        self.tell()
        self.desk(True)
        self.live(5)
        self.say("stop")
        self.live(round(QUICK.watch_after_s) + 10)

    def replays(self) -> None:
        """Step the same inputs again from the same start: the same state, the same actions."""
        state, actions = self.started_with, []
        for given_, now_s in self.inputs:
            result = stations.step(self.plan, state, given_, now_s)
            state = result.station
            actions += result.actions
        assert state == self.station
        assert actions == self.did


KINDS = (FLOAT, LEAK, TEMP, METER, OVER, LOW, SUMP_HIGH, SUMP_LOW, STORE, DEPTH, TANK)
SENSORS = len(KINDS)
OPEN_IN = {Way.IN: Phase.FILLING, Way.OUT: Phase.DRAINING}
WAYS = {"fill": Way.IN, "drain": Way.OUT, "change": Way.OUT}
PLAN = full_plan(QUICK, purge_l=0.5, low_m=0.1, heater_m=0.02, people_check=True, desk="close")
ODD_S = [0.0, 1e-9, 0.001, 0.3, 0.5, 0.999, 1.0, 1.299, 1.3, 1.301, 1.899, 1.9, 1.901, 2.0, 3.0,
         4.0, 9.999, 10.0, 31.0, 61.0, 3600.0]  # fmt: skip
PICK = st.integers(0, IN_THE_AIR - 1)


class Adversary(RuleBasedStateMachine):
    """Whoever delays, drops, repeats and reorders messages, restarts things and soaks probes."""

    def __init__(self) -> None:
        super().__init__()
        self.world = Chaos(plan=PLAN, next_pass_s=inf, before_l=600.0, tank_l=600.0)
        self.world.feed(Linked(True))
        self.world.tell()
        self.world.desk(True)

    @initialize(start=st.sampled_from(["rest", "fill", "fill", "hold", "drain", "drain"]))
    def begin(self, start: str) -> None:
        self.world.live(5)
        if start == "drain":
            self.drain(200.0)
            self.world.live(6)
            assert self.world.draining
        elif start != "rest":
            self.fill(198.0, "mark")
            self.world.live(6)
            assert self.world.relay
        if start == "hold":
            self.world.temp_c = 22.0
            self.world.live(5)
            assert self.world.phase is Phase.HOLDING
            self.world.temp_c = 25.0

    @rule(seconds=st.integers(1, 15) | st.just(90))
    def all_is_well(self, seconds: int) -> None:
        self.world.live(seconds)

    @rule(litres=st.sampled_from([1.0, 3.0, 8.0, 198.0]), to=st.sampled_from(["mark", "litres"]))
    def fill(self, litres: float, to: str) -> None:
        if self.world.say("fill", litres=litres, to=to):
            self.world.water.litres = 0.0
            self.world.water.room_l = litres if to == "mark" else inf
        self.world.live(4)

    @rule(litres=st.sampled_from([1.0, 5.0, 200.0]))
    def drain(self, litres: float) -> None:
        self.world.say("drain", litres=litres)
        self.world.live(4)

    @rule(sensor=st.sampled_from([LOW, STORE, SUMP_HIGH, SUMP_LOW, OVER]), on=st.booleans())
    def another_float(self, sensor: str, on: bool) -> None:
        world = self.world
        if sensor == OVER:
            world.edge(over=on)
        else:
            world.others[sensor] = float(on)
            world.edge()
        if on:
            assert not (world.relay and sensor in (SUMP_HIGH, OVER))
            assert not (world.draining and sensor in (LOW, STORE))

    @rule(level_m=st.sampled_from([None, None, nan, inf, -inf, -1.0, 0.0, 0.2, 0.5, 0.59, 9.0]))
    def level(self, level_m: float | None) -> None:
        self.world.level_m = level_m

    @rule(arrives=st.sampled_from([1.0, 1.0, 0.0, -1.0]), goes=st.sampled_from([0.0, 0.0, 20.0]))
    def where_it_goes(self, arrives: float, goes: float) -> None:
        self.world.arrives, self.world.goes_lpm = arrives, goes

    @rule(
        age_s=st.sampled_from([60.0, -5.0, inf, nan, 1e9]),
        busy=st.sampled_from(["", "", "stream"]),
        record=st.sampled_from(["", "full"]),
        rate=st.sampled_from([0.0, 99.0, nan]),
    )
    def shell_tells(self, age_s: float, busy: str, record: str, rate: float) -> None:
        then_s = self.world.engine_s - age_s
        self.world.tell(
            proven_s=dict.fromkeys(PLAN.proven, then_s), cartridge_s=then_s, people_s=then_s,
            busy=busy, record=record, rejected_per_min=rate,
        )  # fmt: skip

    @rule(plug=st.sampled_from(["heater", "pump", ""]), on=st.booleans())
    def plug(self, plug: str, on: bool) -> None:
        self.world.feed(Plugged(PlugState(STATION, plug, on)))

    @rule(online=st.sampled_from([True, True, False]))
    def desk(self, online: bool) -> None:
        self.world.desk(online)

    @rule(
        verb=st.sampled_from(["shelve", "unshelve", "remove", "restore"]),
        key=st.sampled_from(["storm", "meter-off", "leak", "nonsense"]),
    )
    def sets_aside(self, verb: str, key: str) -> None:
        relays = (self.world.relay, self.world.draining)
        self.world.say(verb, key=key, minutes=1, why="chaos")
        assert (self.world.relay, self.world.draining) == relays

    @rule()
    def keeper_puts_things_right(self) -> None:
        self.world.wet = self.world.high = self.world.over = False
        self.world.temp_c, self.world.level_m = 25.0, None
        self.world.faults.clear()
        self.world.others.clear()
        self.world.tell()
        self.world.desk(True)
        self.world.feed(Linked(True))
        self.world.live(3)
        self.world.say("reset")

    @rule(seconds=st.sampled_from(ODD_S))
    def wait(self, seconds: float) -> None:
        self.world.run(seconds)

    @rule(edge=st.booleans())
    def node_speaks(self, edge: bool) -> None:
        self.world._pass(edge=edge)
        if self.world.wet or self.world.high:
            assert not self.world.relay
        assert not (self.world.wet and self.world.draining)

    @precondition(lambda self: self.world.up)
    @rule(which=PICK, keep=st.booleans())
    def reaches_the_engine(self, which: int, keep: bool) -> None:
        index = which % len(self.world.up)
        self.world.feed(self.world.up[index] if keep else self.world.up.pop(index))

    @precondition(lambda self: self.world.down)
    @rule(which=PICK, keep=st.booleans())
    def reaches_the_node(self, which: int, keep: bool) -> None:
        index = which % len(self.world.down)
        self.world.reach_node(self.world.down[index] if keep else self.world.down.pop(index))

    @precondition(lambda self: self.world.sent)
    @rule(which=PICK)
    def is_played_back(self, which: int) -> None:
        self.world.reach_node(self.world.sent[which % len(self.world.sent)])

    @rule(upward=st.booleans())
    def is_lost(self, upward: bool) -> None:
        (self.world.up if upward else self.world.down).clear()

    @rule(wet=st.sampled_from([False, False, True]))
    def floor(self, wet: bool) -> None:
        self.world.edge(wet=wet)
        assert not (wet and (self.world.relay or self.world.draining))

    @rule(high=st.sampled_from([False, False, True]))
    def float_(self, high: bool) -> None:
        self.world.edge(high=high)
        assert not (high and self.world.relay)

    @rule(temp_c=st.sampled_from([10.0, 22.9, 25.0, 27.1, 43.0, nan, inf]))
    def temperature(self, temp_c: float) -> None:
        self.world.temp_c = temp_c

    @rule(lpm=st.sampled_from([0.0, 0.4, 2.0, 10.0]), shut=st.sampled_from([0.0, 0.0, 1.0]))
    def water(self, lpm: float, shut: float) -> None:
        self.world.water.open_lpm, self.world.water.shut_lpm = lpm, shut

    @rule(sensor=st.sampled_from(list(KINDS)), on=st.booleans())
    def fault(self, sensor: str, on: bool) -> None:
        if on:
            self.world.faults[sensor] = Fault.ERROR
            self.world._pass(edge=True)
        else:
            self.world.faults.pop(sensor, None)

    @rule(verb=st.sampled_from(["stop", "reset", "ack", "status", "fill", "pump", "change",
                                "heater", "note", "nonsense"]))  # fmt: skip
    def person(self, verb: str) -> None:
        self.world.say(verb)

    @rule(up=st.sampled_from([True, True, False]), node=st.booleans())
    def connection(self, up: bool, node: bool) -> None:
        self.world.feed(presence(up) if node else Linked(up))

    @rule(which=st.sampled_from([nan, inf, -inf, 0.0, -1.0]), engine=st.booleans())
    def a_clock_makes_no_sense(self, which: float, engine: bool) -> None:
        if engine:
            self.world.feed(Tick(), at_s=which or ENGINE_EPOCH_S)
        else:
            for out in (False, True):
                self.world.act(guards.Tick(), at_s=which or NODE_EPOCH_S, out=out)

    @rule(seconds=st.sampled_from(ODD_S))
    def engine_freezes_for(self, seconds: float) -> None:
        self.world.engine_frozen = True
        self.world.run(seconds)
        self.world.engine_frozen = False

    @rule(what=st.sampled_from(["node", "engine", "shell of the guard"]))
    def something_fails(self, what: str) -> None:
        match what:
            case "node":
                self.world.restart_node()
            case "engine":
                self.world.restart_engine()
            case _:
                for out in (False, True):
                    self.world.act(guards.Failure("C06"), out=out)

    @invariant()
    def a_shut_off_network_shuts_in_time(self) -> None:
        """Whatever is in the air, without delivery the relay is off within the lease."""
        for out in (False, True):
            guard, is_on = self.world.gate(out)
            if is_on:
                assert guard.until_s <= self.world.node_s + TTL_S

    @invariant()
    def water_never_runs_both_ways(self) -> None:
        """And nobody is lent both valves: a permit in the air is of one way a fill."""
        assert not (self.world.relay and self.world.draining)
        assert all(m.way is self.world.ways[m.fill] for m in self.world.sent
                   if isinstance(m, Permit))  # fmt: skip

    @invariant()
    def a_drain_outlives_no_witness(self) -> None:
        """Where the low float or the waste vessel's stands, the drain is shut."""
        world = self.world
        if world.draining:
            assert not any(world.others.get(sensor) for sensor in (LOW, STORE))

    @invariant()
    def people_can_always_look(self) -> None:
        data = describe(self.world.plan, self.world.station, self.world.engine_s)
        assert data["phase"] == self.world.station.phase.value
        assert data["sentence"].endswith(".")

    def teardown(self) -> None:
        world = self.world
        world.replays()
        world.heal()
        world.tank_l = 600.0
        world.live(120)  # at rest again, the level is learned
        assert world.say("reset"), world.raised()
        world.live(3)
        assert world.phase is Phase.IDLE
        ended = len(world.done(FillEnded))
        assert world.say("fill", litres=1.0)
        world.water.litres, world.water.room_l = 0.0, 1.0
        world.live(40)
        assert world.phase is Phase.DONE, world.raised()
        assert len(world.done(FillEnded)) == ended + 1
        world.replays()


Adversary.TestCase.settings = settings(
    max_examples=60,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
TestAdversary = Adversary.TestCase


# --- never raises ---

anything = st.floats(allow_nan=True, allow_infinity=True)
names = st.sampled_from(["", "river", "boot-a", "fill-0", "other"])
samples = st.builds(
    Sample,
    st.sampled_from([*KINDS, "stranger"]),
    st.sampled_from(list(Kind)),
    anything,
    st.none() | anything,
    st.none() | st.sampled_from(list(Fault)),
    st.none() | st.integers(-1, 2**70),
)
packs = st.builds(
    ReadingPack, names, names, st.sampled_from(["boot-a", "boot-b"]), st.integers(-2, 60), anything,
    st.lists(samples, max_size=9).map(tuple), st.booleans(), st.booleans(), st.booleans(),
)  # fmt: skip
numbers = st.none() | st.booleans() | anything | st.integers(-(10**400), 10**400) | st.text()
words = numbers | st.sampled_from(["mark", "litres", "storm", "leak", "proof", "on", "off", LEAK])
facts = st.builds(
    Facts,
    proven_s=st.dictionaries(st.sampled_from([*PLAN.proven, "other"]), anything),
    cartridge_l=anything, cartridge_s=anything, people_s=anything, record=names,
    rejected_per_min=anything, busy=names,
)  # fmt: skip
givens = st.one_of(
    packs.map(Heard),
    st.builds(
        GuardReport, names, names, names, anything, st.booleans(), st.none() | names,
        st.none() | st.sampled_from(["", "mark", "low-mark", "C02", "W06", "W21", "C99"]),
        way=st.sampled_from(list(Way)),
    ).map(Guarded),
    st.builds(presence, st.booleans(), st.sampled_from(["node", "desk", "engine", ""])),
    st.booleans().map(Linked),
    st.just(Echo()),
    st.just(Tick()),
    facts.map(Told),
    st.builds(PlugState, names, st.sampled_from(["heater", "pump", "", "other"]), st.booleans())
    .map(Plugged),
    st.builds(
        lambda verb, args, fill: Asked(replace(request(verb), args=args), fill),
        st.sampled_from([*VERBS, "", "x" * 99]),
        st.dictionaries(
            st.sampled_from(["litres", "level_m", "percent", "to", "key", "minutes", "why",
                             "attended", "state", "what", "part"]), words),
        names,
    ),
)  # fmt: skip


@given(st.lists(st.tuples(givens, anything), max_size=15))
@settings(deadline=None)
def test_no_input_at_no_time_ever_raises(story: list[tuple[Given, float]]) -> None:
    """Claim: the step is total over values that make no sense, its time never runs back, and no
    permit leaves it but for the way of its phase.
    """
    plan, state = PLAN, Station()
    for given_, now_s in story:
        result = stations.step(plan, state, given_, now_s)
        assert result.station.now_s >= state.now_s
        for action in result.actions:
            if isinstance(action, SendPermit):
                assert result.station.phase is OPEN_IN[action.permit.way]
        state = result.station
        describe(plan, state, now_s)


@pytest.mark.parametrize("phase", [Phase.FILLING, Phase.DRAINING, Phase.HOLDING, Phase.STOPPED])
@given(given_s=st.lists(st.tuples(givens, st.floats(0.0, 3.0)), max_size=15))
@settings(deadline=None, max_examples=50)
def test_nothing_raises_in_the_middle_of_a_fill_either(
    phase: Phase, given_s: list[tuple[Given, float]]
) -> None:
    """Claim: the same from a fill, a drain, a hold or a stop, with time going on."""
    plan, state, now_s = under_way(phase)
    for given_, seconds in given_s:
        now_s += seconds
        result = stations.step(plan, state, given_, now_s)
        assert not result.due_s <= now_s
        state = result.station
        describe(plan, state, now_s)


@cache
def under_way(phase: Phase) -> tuple[Plan, Station, float]:
    """Return a station in the middle of something, and the time."""
    story = Story(plan=full_plan()).begin()
    reach(story, phase)
    return story.plan, story.station, story.engine_s


# --- availability ---


@given(
    lpm=st.floats(2.6, 24.0),
    litres=st.floats(1.0, 120.0),
    temp_c=st.floats(23.0, 27.0),
    first_c=st.floats(2.0, 42.0),
    by_litres=st.booleans(),
    period_s=st.sampled_from([0.5, 1.0]),
)
@settings(max_examples=15, deadline=None)
def test_a_healthy_plant_fills(
    lpm: float, litres: float, temp_c: float, first_c: float, by_litres: bool, period_s: float
) -> None:
    """Claim: any plausible flow, need and temperature, with any slug from the pipe, ends done and
    without an alarm.
    """
    story = Story(water=Pipe(open_lpm=lpm), temp_c=first_c, period_s=period_s).begin()
    story.fill(litres, to="litres" if by_litres else "mark")
    story.run(4.0 / lpm * 60.0)
    story.temp_c = temp_c
    story.finish(litres / lpm * 60.0 + 120.0)
    assert story.ended() == [("done", "")]
    assert story.raised() == set()
    assert litres - 0.01 <= story.water.litres <= litres + 1.1 * lpm / 60.0 * period_s + 0.01


def idle(hours: int, seconds_an_hour: int, drift: float) -> Station:
    """Return a station after so many quiet hours, with so many seconds of each looked at."""
    story = Story()
    story.feed(Linked(True))
    plan, state = story.plan, story.station
    seq, epoch_s = 0, 7_000.0
    for hour in range(hours):
        for second in range(seconds_an_hour):
            at_s = hour * 3600.0 + second
            seq += 1
            story.now_s = at_s
            made = replace(story.pack(), seq=seq, uptime_s=epoch_s + at_s * drift)
            said = tuple(replace(s, at_s=made.uptime_s) for s in made.samples)
            story.packs.clear()
            result = stations.step(
                plan, state, Heard(replace(made, samples=said)), ENGINE_EPOCH_S + at_s
            )
            assert all(not isinstance(a, SendPermit) for a in result.actions)
            state = result.station
            assert {alarm.state for alarm in state.alarms} == {AlarmState.NORMAL}
    return state


@pytest.mark.parametrize("drift", [1.0 - 100e-6, 1.0 + 100e-6])
def test_thirty_days_at_rest_raise_no_alarm(drift: float) -> None:
    """Claim: in 30 days, with ten seconds of every hour looked at and clocks drifting apart by
    100 ppm, there is no alarm and no permit. In between the engine is as if suspended.
    """
    assert idle(30 * 24, 10, drift).phase is Phase.IDLE


@pytest.mark.slow
def test_a_day_at_rest_second_by_second_raises_no_alarm() -> None:
    """Claim: 24 hours of every reading at 1 Hz: no alarm, no permit, idle."""
    assert idle(24, 3600, 1.0 + 50e-6).phase is Phase.IDLE


REPAIRS: dict[str, tuple[Callable[[Story], object], Callable[[Story], object]]] = {
    "leak": (lambda s: s.edge(wet=True), lambda s: s.edge(wet=False)),
    "scald": (lambda s: setattr(s, "temp_c", 50.0), lambda s: setattr(s, "temp_c", 25.0)),
    "broker": (lambda s: setattr(s, "broker_answers", False),
               lambda s: setattr(s, "broker_answers", True)),
    "cable": (lambda s: setattr(s, "up_lost", True), lambda s: setattr(s, "up_lost", False)),
    "node": (lambda s: setattr(s, "node_alive", False), lambda s: s.reboot()),
    "float": (lambda s: s.faults.update({FLOAT: Fault.ERROR}), lambda s: s.faults.clear()),
    "valve": (lambda s: (setattr(s.water, "shut_lpm", 5.0), s.ask("stop")),
              lambda s: setattr(s.water, "shut_lpm", 0.0)),
    "engine": (lambda s: setattr(s, "engine_frozen", True), lambda s: s.thaw()),
}  # fmt: skip


@pytest.mark.parametrize("what", REPAIRS)
def test_after_a_real_repair_one_reset_and_a_new_fill_work(filling: Story, what: str) -> None:
    """Claim: every fault stops the fill, refuses a reset or not while it lasts, and once repaired
    needs exactly one reset for a fill that ends well and leaves nothing behind.
    """
    breaks, mends = REPAIRS[what]
    breaks(filling)
    filling.run(30.0)
    mends(filling)
    filling.run(10.0)
    assert filling.phase is Phase.STOPPED
    assert not filling.relay
    assert filling.ask("reset").ok
    assert filling.raised() == set()
    filling.fill(20.0).finish()
    assert filling.ended()[-1] == ("done", "")


# --- consistency ---


def test_a_replay_gives_the_same_decisions(filling: Story) -> None:
    """Claim: the same inputs at the same times give the same state and the same actions."""
    filling.temp_c = 30.0
    filling.run(100.0)
    filling.temp_c = 25.0
    filling.finish()
    state, actions = filling.replayed()
    assert state == filling.station
    assert actions == [action for _, action in filling.log]


@given(seconds=st.lists(st.floats(0.001, 5.0), max_size=30))
@settings(max_examples=30, deadline=None)
def test_extra_ticks_change_no_decision(seconds: list[float]) -> None:
    """Claim: being asked more often than needed changes nothing but the clock."""
    plain = Story().begin().fill(60.0)
    nudged = Story().begin().fill(60.0)
    for wait_s in seconds:
        plain.run(wait_s)
        nudged.run(wait_s / 2)
        nudged.feed(Tick())
        nudged.run(wait_s / 2)
    plain.run(1.0)
    nudged.run(1.0)
    assert plain.phase is nudged.phase
    assert plain.relay is nudged.relay
    assert len(plain.permits) == len(nudged.permits)
    assert plain.running.delivered_l == pytest.approx(nudged.running.delivered_l, abs=0.01)


def test_the_default_lease_is_what_these_tests_assume() -> None:
    """Claim: the machine above runs with the default lease and stale times."""
    assert DEFAULTS.permit_ttl_s == TTL_S
