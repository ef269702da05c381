"""How soon the balance sees where the water goes, and how often it cries wolf.

    python tests/bench/balance_table.py [--seeds 20] [--hours 1000] [--json]

No broker and no pins: the simulated water and the core's step, nothing between, once a simulated
second. First every fault of the catalogue that needs the level, at the reference rig (10 L/min, a
probe that is off by 2 mm at each reading, a meter within 3 % and a vessel measured within 2 %), one
seed after another: seconds from the onset until it is met (the valve told to shut; for what is only
told, the alarm), and how often the cause was the right one. Then so many hours of fills in which
nothing is wrong: 3 to 15 L/min, meter and measures off, taps opened, the mains sagging, waves. No
alarm may come of them.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import Any

from figures import table, tell

from monitor.core import vessel
from monitor.core.alarm import AlarmState
from monitor.core.events import (
    AlarmTurned,
    Asked,
    FillEnded,
    FillRefused,
    Given,
    Heard,
    Linked,
    SendPermit,
    SendWithdraw,
    Tick,
    Told,
)
from monitor.core.exchange import ReadingPack, Request
from monitor.core.facts import Facts
from monitor.core.phases import Phase
from monitor.core.plan import Plan, Station, prepared
from monitor.core.reading import Kind, Sample
from monitor.core.station import step
from monitor.simulate.faults import FAULTS, Need
from monitor.simulate.plant import HeadEvent, Plant, Rig, invented_taps
from monitor.simulate.wiring import Wiring
from monitor.simulate.world import World

EPOCH_S = 50_000.0  # the engine's clock runs far ahead of the node's, which is the water's
QUIET_S = 8.0  # before a fill is asked for
AFTER_S = 30.0  # and watched after its end
LONGEST_S = 4 * 3600.0
PULSES_PER_L = 450.0
PERMIT_S = 1.9
LEVEL_SD_M = 0.002
METER_OFF = 0.03  # the meter is off by at most this share
MEASURES_SD = 0.02  # share; how well a vessel is measured with a tape
MEASURES_OFF = 0.03  # and at most: the margin on the litres; beyond it they end the fill first
HEAD_M = 60.0  # enough for 15 L/min; what makes a fill slow is a throttled stopcock or a filter
START_M = 0.27  # of a fault's fill: 420 L below the mark
FLOWS_LPM = (3.0, 15.0)
S_PER_HOUR = 3600.0
PINS = Wiring(float_pin=22, leak_pin=23, flow_pin=24, relay_pin=17)
TOLD = ("meter-high", "top-up")  # met by an alarm; every other by a shut valve
BALANCED = [
    spec for spec in FAULTS.values() if Need.LEVEL in spec.needs and Need.DRAIN not in spec.needs
]


def river(low_m: float = 0.27) -> Plan:
    """Return the plan of the river tank with a level probe."""
    return prepared(
        Plan(
            station="river", node="pi", vessel=vessel.box(2.0, 0.7, 0.6, 0.57),
            floats=("float",), leaks=("floor",), temp_in="incoming", flow_in="meter",
            pulses_per_litre=PULSES_PER_L, flow_uncertainty=METER_OFF, flow_max_lpm=25.0,
            low_c=23.0, high_c=27.0, scald_c=43.0, purge_l=6.0, closing_s=1.0, level="depth",
            level_sd_m=LEVEL_SD_M, low_m=low_m, return_pump=False,
        )
    )  # fmt: skip


class Pins:
    """The bench of a world whose only pins are the relay's and the meter's."""

    def __init__(self) -> None:
        self.relay, self.count = False, 0

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        """Nobody looks."""

    def analog(self, select_pin: int, channel: int, share: float, at_s: float) -> None:
        """Nobody looks."""

    def pulses(self, pin: int, times_s: list[float]) -> None:
        """Count the meter's pulses."""
        self.count += len(times_s)

    def output(self, pin: int) -> bool:
        """Return the relay's level."""
        return self.relay and pin == PINS.relay_pin


@dataclass(slots=True)
class Run:
    """One fill: the water, and the core that watches it."""

    plan: Plan
    plant: Plant
    rng: random.Random
    level_sd_m: float
    world: World | None = None
    pins: Pins = field(default_factory=Pins)
    state: Station = field(default_factory=Station)
    now_s: float = 0.0
    seq: int = 0
    count: int = 0
    permit_until_s: float = 0.0
    level_m: float = 0.0
    alarms: list[tuple[float, str, str]] = field(default_factory=list)  # when, hazard, key
    shut_s: float | None = None  # the first time the valve was told to shut
    refused: str = ""
    ended: str = ""

    def play(self) -> None:
        """Play the fill to its end, and a little longer."""
        self.feed(Linked(True))
        new = dict.fromkeys(self.plan.proven, EPOCH_S)
        self.feed(Told(Facts(proven_s=new, cartridge_s=EPOCH_S, people_s=EPOCH_S)))
        self._run(QUIET_S)
        need_l = self.plan.vessel.litres_to_mark(self.plant.level_m)
        asked = Request("river", "r", "fill", "bench", {"litres": need_l})
        self.feed(Asked(asked, "fill"))
        end_s = self.now_s + LONGEST_S
        while self.now_s < end_s and not (self.ended or self.refused):
            self._second()
        self._run(AFTER_S)

    def feed(self, given: Given) -> None:
        """Step the core and do what it says."""
        result = step(self.plan, self.state, given, EPOCH_S + self.now_s)
        self.state = result.station
        for action in result.actions:
            match action:
                case SendPermit():
                    self.permit_until_s = self.now_s + PERMIT_S
                case SendWithdraw():
                    self.permit_until_s = 0.0
                    self.shut_s = self.now_s if self.shut_s is None else self.shut_s
                case AlarmTurned() if action.alarm.state is AlarmState.UNACKED:
                    self.alarms.append((self.now_s, action.id, action.key))
                case FillEnded():
                    self.ended = self.ended or action.fill.ended
                case FillRefused():
                    self.refused = action.text
                case _:
                    pass

    def _run(self, seconds: float) -> None:
        for _ in range(round(seconds)):
            self._second()

    def _second(self) -> None:
        """Let a second pass: the water first, then what the node sees, then the core."""
        self.now_s += 1.0
        float_up = self.plant.level_m >= self.plant.rig.float_m
        relay = self.permit_until_s > self.now_s - 1.0 and not float_up
        if self.world is None:
            self.plant.energise(relay)
            self.pins.count += len(self.plant.advance(self.now_s))
        else:
            self.pins.relay = relay
            self.world.advance(self.now_s)
        if EPOCH_S + self.now_s >= self.state.due_s:
            self.feed(Tick())
        self.feed(Heard(self._pack(relay)))

    def _pack(self, relay: bool) -> ReadingPack:
        now_s, plant = self.now_s, self.plant
        fresh, self.count = self.pins.count - self.count, self.pins.count
        if self.world is None or "level-frozen" not in self.world.faults:
            self.level_m = plant.surface_m(now_s) + self.rng.gauss(0.0, self.level_sd_m)
        float_up = plant.level_m >= plant.rig.float_m
        samples = (
            Sample("float", Kind.FLOAT, now_s, float(float_up)),
            Sample("floor", Kind.LEAK, now_s, float(plant.floor_wet)),
            Sample("incoming", Kind.TEMPERATURE, now_s, plant.temp_in_c),
            Sample("meter", Kind.FLOW, now_s, fresh * 60.0 / PULSES_PER_L, None, self.count),
            Sample("depth", Kind.LEVEL, now_s, self.level_m),
        )
        self.seq += 1
        return ReadingPack("river", "pi", "boot", self.seq, now_s, samples, relay)


def rig_of(rng: random.Random, **more: Any) -> Rig:
    """Return the river tank as it may truly be: its meter and its measures are off."""
    off = min(max(rng.gauss(0.0, MEASURES_SD), -MEASURES_OFF), MEASURES_OFF)
    width_m = 0.7 * (1.0 + off)
    error = rng.uniform(-METER_OFF, METER_OFF)
    return Rig(width_m=width_m, meter_error=error, float_m=0.57, **more)


# --- what is wrong is seen ---


@dataclass(frozen=True, slots=True)
class Met:
    """How a fault was met: seconds from its onset (None: never), and the cause that was named."""

    after_s: float | None
    cause: str


def met(name: str, seed: int) -> Met:
    """Play one fault."""
    spec, rng = FAULTS[name], random.Random(f"{name} {seed}")
    plant = Plant(rig_of(rng, start_level_m=START_M), seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        pins = Pins()
        world = World(plant, pins, PINS, Path(folder), seed)
        world.inject(name)
        run = Run(river(), plant, rng, LEVEL_SD_M, world, pins)
        run.play()
        onset_s = world.truth.fault_onset_s
    assert onset_s is not None, f"{name} never began"
    onset_s = max(onset_s, run.state.fill.begun_s - EPOCH_S if run.state.fill else 0.0)
    if name in TOLD:  # the water goes on meanwhile
        right = next((each for each in run.alarms if each[1] == spec.hazard), None)
        return Met(right[0] - onset_s if right else None, right[1] if right else run.state.cause)
    after_s = None if run.shut_s is None or run.shut_s < onset_s else run.shut_s - onset_s
    return Met(after_s, run.state.cause or run.ended)


def detection(seeds: int) -> dict[str, dict[str, Any]]:
    """Return how each fault of the balance was met, over so many seeds."""
    found = {}
    for spec in BALANCED:
        each = [met(spec.name, seed) for seed in range(1, seeds + 1)]
        after_s = [one.after_s for one in each if one.after_s is not None]
        found[spec.name] = {
            "hazard": spec.hazard,
            "bound_s": spec.bound_s,
            "seeds": seeds,
            "met": len(after_s),
            "median_s": median(after_s) if after_s else None,
            "worst_s": max(after_s, default=None),
            "causes": dict(Counter(one.cause for one in each).most_common()),
            "right": sum(one.cause in spec.causes for one in each) / seeds,
        }
    return found


# --- nothing is wrong ---


def throttled(rig: Rig, flow_lpm: float) -> Rig:
    """Return the rig throttled until it gives this flow, so that no sag stops it altogether."""
    low, high = 0.0, 10.0
    for _ in range(20):
        middle = (low + high) / 2.0
        tried = replace(rig, head_m=HEAD_M, filter_m_per_lpm2=middle)
        plant = Plant(replace(tried, wander=0.0, head_events=()))
        plant.energise(True)
        plant.advance(5.0)
        low, high = (low, middle) if plant.inflow_lpm < flow_lpm else (middle, high)
    return replace(rig, head_m=HEAD_M, filter_m_per_lpm2=(low + high) / 2.0)


def sags(rng: random.Random, until_s: float) -> tuple[HeadEvent, ...]:
    """Return longer weaknesses of the mains, at invented moments."""
    events, at_s = [], rng.expovariate(1.0 / 3600.0)
    while at_s < until_s:
        end_s = at_s + rng.uniform(120.0, 1800.0)
        events.append(HeadEvent(at_s, end_s, rng.uniform(0.5, 0.9)))
        at_s = end_s + rng.expovariate(1.0 / 3600.0)
    return tuple(events)


def healthy(seed: int) -> Run:
    """Play one fill in which nothing is wrong."""
    rng = random.Random(f"healthy {seed}")
    rig = rig_of(rng, start_level_m=rng.uniform(0.1, 0.4))
    rig = throttled(rig, rng.uniform(*FLOWS_LPM))
    rig = replace(
        rig,
        wander=rng.uniform(0.0, 0.05),
        wave_m=rng.uniform(0.0002, 0.001),
        wave_m_per_lpm=rng.uniform(0.0, 0.0006),
        head_events=invented_taps(seed, LONGEST_S) + sags(rng, LONGEST_S),
    )
    run = Run(river(), Plant(rig, seed=seed), rng, rng.uniform(0.0003, LEVEL_SD_M))
    run.play()
    return run


def quiet(hours: float) -> dict[str, Any]:
    """Return what came of so many hours of healthy fills."""
    played_s, seed, alarms, ends = 0.0, 0, [], Counter[str]()
    while played_s < hours * S_PER_HOUR:
        seed += 1
        run = healthy(seed)
        played_s += run.now_s
        ends[run.ended or run.refused or run.state.phase.value] += 1
        alarms += [{"seed": seed, "at_s": at_s, "key": key} for at_s, _id, key in run.alarms]
        assert run.state.phase in (Phase.DONE, Phase.STOPPED, Phase.IDLE)
    return {
        "hours": played_s / S_PER_HOUR,
        "fills": seed,
        "ends": dict(ends),
        "alarms": alarms,
    }


def main() -> None:
    """Play both and tell."""
    parser = argparse.ArgumentParser(description="What the balance sees, and what it imagines.")
    parser.add_argument("--seeds", type=int, default=20, help="of each fault (default 20)")
    parser.add_argument("--hours", type=float, default=1000.0, help="of healthy fills")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    began_s = time.process_time()
    found, nothing = detection(args.seeds), quiet(args.hours)
    cpu_s = time.process_time() - began_s
    head = ["fault", "bound, s", "met", "median, s", "worst, s", "right", "causes"]
    rows: list[list[object]] = [head]
    for name, each in found.items():
        causes = " ".join(f"{cause or '-'}:{count}" for cause, count in each["causes"].items())
        rows.append([
            name, each["bound_s"] or "-", f"{each['met']}/{each['seeds']}", each["median_s"],
            each["worst_s"], f"{each['right']:.0%}", causes,
        ])  # fmt: skip
    kinds = Counter(alarm["key"] for alarm in nothing["alarms"])
    text = table(rows) + (
        f"\n\nnothing wrong: {nothing['hours']:.0f} h in {nothing['fills']} fills, "
        f"ends {nothing['ends']}, {len(nothing['alarms'])} alarms {dict(kinds) or ''}\n"
        f"{cpu_s:.0f} s of one core"
    )
    tell({"faults": found, "nothing": nothing, "cpu_s": cpu_s}, text, as_json=args.json)


if __name__ == "__main__":
    main()
