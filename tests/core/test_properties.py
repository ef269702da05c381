"""Properties of station and guard together, with an adversary for a network.

Safety alone would be kept by a valve that never opens, so availability is proved beside it: after
whatever chaos, a repaired plant and one reset lead to a fill that ends well.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
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
    SendPermit,
    SendWithdraw,
    Tick,
)
from monitor.core.exchange import GuardReport, Permit, ReadingPack, Withdraw
from monitor.core.guard import GuardInput, GuardPhase, GuardState
from monitor.core.limits import DEFAULTS, with_overrides
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Station
from monitor.core.reading import Fault, Kind, Sample
from support.stories import (
    ENGINE_EPOCH_S,
    FLOAT,
    LEAK,
    METER,
    NODE_EPOCH_S,
    TEMP,
    Pipe,
    Story,
    presence,
    request,
    river_plan,
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
    over: set[str] = field(default_factory=set)

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
                self.act(self.down.pop(0))

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
        assert len(self.station.senses.tracks) <= 4
        for action in actions:
            match action:
                case SendPermit():
                    permit = action.permit
                    assert isinstance(given, Heard)
                    assert self.station.phase is Phase.FILLING
                    assert before.phase is not Phase.STOPPED
                    assert permit.fill not in self.over
                    assert self.engine_s >= self.granted[permit.fill] + QUICK.check_quiet_s - HAIR_S
                    assert permit.as_of_s <= given.pack.uptime_s
                    assert permit.ttl_s <= TTL_S
                case FillEnded():
                    self.over.add(action.fill.id)
                case _:
                    pass
        if before.phase is Phase.STOPPED and self.station.phase is not Phase.STOPPED:
            assert isinstance(given, Asked)
            assert given.request.verb == "reset"
            assert self.station.phase is Phase.IDLE
        return actions

    # --- the guard, judged ---

    def act(self, given: GuardInput, at_s: float | None = None) -> Story:
        before, was_on = self.guard, self.relay
        if (
            isinstance(given, Permit)
            and given.node_boot == self.boot
            and given.as_of_s <= self.node_s < given.as_of_s + TTL_S
        ):
            lent_s = self.lent_until.get(given.fill, -inf)
            self.lent_until[given.fill] = max(lent_s, given.as_of_s + TTL_S)
        Story.act(self, given, at_s)
        assert self.guard.now_s >= before.now_s
        self._note(given, before, was_on)
        if self.relay:
            self._must_be_allowed()
        return self

    def _note(self, given: GuardInput, before: GuardState, was_on: bool) -> None:
        """Note which fills have ended for good."""
        match given:
            case Withdraw(resumable=False):
                self.dead.add(given.fill)
                under_way = before.phase in (GuardPhase.OPEN, GuardPhase.PAUSED)
                if under_way and self.guard.phase is GuardPhase.SHUT:
                    self.dead.add(before.fill)
            case Withdraw(resumable=True) if given.fill == before.fill:
                pass
            case guards.Trip() | guards.Failure():
                self.dead.add(before.fill)
            case _:
                if was_on and not self.relay:
                    self.dead.add(before.fill)

    def _must_be_allowed(self) -> None:
        fill = self.guard.fill
        assert fill in self.granted
        assert fill not in self.dead
        assert self.node_s < self.lent_until[fill]
        assert self.open_s.get(fill, 0.0) < QUICK.open_max_s
        assert not self.wet
        assert not self.high
        assert not {FLOAT, LEAK} & set(self.faults)

    def _advance(self, to_s: float) -> None:
        if self.relay:
            fill = self.guard.fill
            self.open_s[fill] = self.open_s.get(fill, 0.0) + to_s - self.now_s
            assert self.open_s[fill] <= QUICK.open_max_s + HAIR_S
            assert NODE_EPOCH_S + to_s <= self.lent_until[fill] + HAIR_S
        Story._advance(self, to_s)

    # --- people and restarts ---

    def say(self, verb: str, **args: object) -> bool:
        """Ask for something; remember the fills that were granted."""
        number = next(self.numbers)  # type: ignore[call-overload]
        fill = f"fill-{number}"
        actions = self.feed(Asked(request(verb, id=f"r{number}", **args), fill))
        reply = next(a.reply for a in actions if isinstance(a, Answer))
        if verb == "fill" and reply.ok:
            self.granted[fill] = self.engine_s
        return reply.ok

    def restart_node(self) -> None:
        """Start the node anew, on another boot."""
        if self.relay or self.guard.phase is GuardPhase.PAUSED:
            self.dead.add(self.guard.fill)
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
            self.over |= set(self.granted)
        self.feed(Linked(True))

    # --- after the storm ---

    def heal(self) -> None:
        """Repair everything that a person or the network can repair."""
        self.up, self.down = [], []
        self.wet = self.high = False
        self.temp_c, self.water, self.meter_lpm = 25.0, Pipe(), None
        self.faults.clear()
        self.engine_frozen = False
        self.feed(Linked(True))
        self.live(5)
        self.say("stop")
        self.live(20)

    def replays(self) -> None:
        """Step the same inputs again from the same start: the same state, the same actions."""
        state, actions = self.started_with, []
        for given_, now_s in self.inputs:
            result = stations.step(self.plan, state, given_, now_s)
            state = result.station
            actions += result.actions
        assert state == self.station
        assert actions == self.did


ODD_S = [0.0, 1e-9, 0.001, 0.3, 0.5, 0.999, 1.0, 1.299, 1.3, 1.301, 1.899, 1.9, 1.901, 2.0, 3.0,
         4.0, 9.999, 10.0, 31.0, 61.0, 3600.0]  # fmt: skip
PICK = st.integers(0, IN_THE_AIR - 1)


class Adversary(RuleBasedStateMachine):
    """Whoever delays, drops, repeats and reorders messages, restarts things and soaks probes."""

    def __init__(self) -> None:
        super().__init__()
        self.world = Chaos(plan=river_plan(QUICK, purge_l=0.5), next_pass_s=inf)
        self.world.feed(Linked(True))

    @initialize(start=st.sampled_from(["rest", "fill", "fill", "hold"]))
    def begin(self, start: str) -> None:
        self.world.live(5)
        if start != "rest":
            self.fill(400.0, "mark")
            self.world.live(6)
            assert self.world.relay
        if start == "hold":
            self.world.temp_c = 22.0
            self.world.live(5)
            assert self.world.phase is Phase.HOLDING
            self.world.temp_c = 25.0

    @rule(seconds=st.integers(1, 15))
    def all_is_well(self, seconds: int) -> None:
        self.world.live(seconds)

    @rule(litres=st.sampled_from([1.0, 3.0, 8.0, 400.0]), to=st.sampled_from(["mark", "litres"]))
    def fill(self, litres: float, to: str) -> None:
        if self.world.say("fill", litres=litres, to=to):
            self.world.water.litres = 0.0
            self.world.water.room_l = litres if to == "mark" else inf
        self.world.live(4)

    @rule()
    def keeper_puts_things_right(self) -> None:
        self.world.wet = self.world.high = False
        self.world.temp_c = 25.0
        self.world.faults.clear()
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

    @precondition(lambda self: self.world.up)
    @rule(which=PICK, keep=st.booleans())
    def reaches_the_engine(self, which: int, keep: bool) -> None:
        index = which % len(self.world.up)
        self.world.feed(self.world.up[index] if keep else self.world.up.pop(index))

    @precondition(lambda self: self.world.down)
    @rule(which=PICK, keep=st.booleans())
    def reaches_the_node(self, which: int, keep: bool) -> None:
        index = which % len(self.world.down)
        self.world.act(self.world.down[index] if keep else self.world.down.pop(index))

    @precondition(lambda self: self.world.sent)
    @rule(which=PICK)
    def is_played_back(self, which: int) -> None:
        self.world.act(self.world.sent[which % len(self.world.sent)])

    @rule(upward=st.booleans())
    def is_lost(self, upward: bool) -> None:
        (self.world.up if upward else self.world.down).clear()

    @rule(wet=st.sampled_from([False, False, True]))
    def floor(self, wet: bool) -> None:
        self.world.edge(wet=wet)
        assert not (wet and self.world.relay)

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

    @rule(sensor=st.sampled_from([FLOAT, LEAK, TEMP, METER]), on=st.booleans())
    def fault(self, sensor: str, on: bool) -> None:
        if on:
            self.world.faults[sensor] = Fault.ERROR
            self.world._pass(edge=True)
        else:
            self.world.faults.pop(sensor, None)

    @rule(verb=st.sampled_from(["stop", "reset", "ack", "status", "fill", "pump", "nonsense"]))
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
            self.world.act(guards.Tick(), at_s=which or NODE_EPOCH_S)

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
                self.world.act(guards.Failure("C06"))

    @invariant()
    def a_shut_off_network_shuts_in_time(self) -> None:
        """Whatever is in the air, without delivery the relay is off within the lease."""
        if self.world.relay:
            assert self.world.guard.until_s <= self.world.node_s + TTL_S

    @invariant()
    def people_can_always_look(self) -> None:
        data = describe(self.world.plan, self.world.station, self.world.engine_s)
        assert data["phase"] == self.world.station.phase.value
        assert data["sentence"].endswith(".")

    def teardown(self) -> None:
        world = self.world
        world.replays()
        world.heal()
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
    st.sampled_from([FLOAT, LEAK, TEMP, METER, "stranger"]),
    st.sampled_from(list(Kind)),
    anything,
    st.none() | anything,
    st.none() | st.sampled_from(list(Fault)),
    st.none() | st.integers(-1, 2**70),
)
packs = st.builds(
    ReadingPack, names, names, st.sampled_from(["boot-a", "boot-b"]), st.integers(-2, 60), anything,
    st.lists(samples, max_size=5).map(tuple), st.booleans(), st.booleans(),
)  # fmt: skip
numbers = st.none() | st.booleans() | anything | st.integers(-(10**400), 10**400) | st.text()
givens = st.one_of(
    packs.map(Heard),
    st.builds(
        GuardReport, names, names, names, anything, st.booleans(), st.none() | names,
        st.none() | st.sampled_from(["", "mark", "C02", "W06", "C99"]),
    ).map(Guarded),
    st.booleans().map(presence),
    st.booleans().map(Linked),
    st.just(Echo()),
    st.just(Tick()),
    st.builds(
        lambda verb, args, fill: Asked(replace(request(verb), args=args), fill),
        st.sampled_from(["fill", "stop", "reset", "ack", "pump", "status", "", "x" * 99]),
        st.dictionaries(st.sampled_from(["litres", "level_m", "to", "key"]), numbers),
        names,
    ),
)  # fmt: skip


@given(st.lists(st.tuples(givens, anything), max_size=15))
@settings(deadline=None)
def test_no_input_at_no_time_ever_raises(story: list[tuple[Given, float]]) -> None:
    """Claim: the step is total over values that make no sense, its time never runs back, and no
    permit leaves it outside of filling.
    """
    plan, state = river_plan(), Station()
    for given_, now_s in story:
        result = stations.step(plan, state, given_, now_s)
        assert result.station.now_s >= state.now_s
        if any(isinstance(a, SendPermit) for a in result.actions):
            assert result.station.phase is Phase.FILLING
        state = result.station
        describe(plan, state, now_s)


@given(st.lists(st.tuples(givens, st.floats(0.0, 3.0)), max_size=15))
@settings(deadline=None)
def test_nothing_raises_in_the_middle_of_a_fill_either(story: list[tuple[Given, float]]) -> None:
    """Claim: the same from a running fill, with time going on."""
    told = Story().begin().fill(420.0).run(10.0)
    state, now_s = told.station, told.engine_s
    for given_, seconds in story:
        now_s += seconds
        result = stations.step(told.plan, state, given_, now_s)
        assert not result.due_s <= now_s
        state = result.station
        describe(told.plan, state, now_s)


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
