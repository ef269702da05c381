"""Walk through all that a station and its guard can come to: python tests/proof/explore.py.

Breadth first by *faults*, then by steps: all states of a faultless life first (a person may ask
for anything at any time), then all that one fault at any moment leads to, with all that mends it,
then two, and so on until the wanted number of transitions is reached. What a state is and what is
left out of it stands in `abstract.py`, what may happen in `world.py`, what must be true in
`claims.py`.

Three closed systems are walked (`world.SYSTEMS`): fills up to the mark, fills by the meter, and
drains by a pump with fills after them, where the node has a guard for each way. A transition is
counted when a move of a visited state was made and its target checked or known to be checked; from
states that both systems of fills have (no fill of either kind) only the first one's count. Steps of
the station and of the guards are each computed and judged once for each distinct pair of state and
input, and looked up after that; the output says how many of these there were.

Only the faultless stories of a system are walked to their end, and those of one fault or more as
far as the number asked for reaches; the output says how far that was. What is left out of a state,
and what is not walked at all, stands in `abstract.py` and `world.py`.
"""

from __future__ import annotations

import argparse
import gc
import json
import multiprocessing
import sys
from collections import deque
from dataclasses import asdict, dataclass, field
from pathlib import Path
from time import perf_counter, process_time
from typing import Final

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from monitor.core.phases import WATER_MAY_FLOW, Phase  # noqa: E402
from proof.abstract import DRAIN_PLAN, PLAN  # noqa: E402
from proof.claims import GUARD_CLAIMS, MOMENT_CLAIMS, STATION_CLAIMS  # noqa: E402
from proof.steps import Broken, Core, Stations, every_check, shadow  # noqa: E402
from proof.world import FALLS, ODD, QUARTER, RISES, SYSTEMS, State, World  # noqa: E402

WALKS, WALK_STEPS = 400, 80
ODD_CLAIMS: Final = (
    "acknowledging_changes_nothing", "only_a_person_stops_a_calm_fill",
    "a_fill_can_always_be_had_again", "a_check_lets_through_just_what_it_may",
)  # fmt: skip
WALK_SHARE: Final = 0.9
HEAL: Final = 60_000  # states of each system from which a way to a new fill is looked for
CHAIN_MAX: Final = 600  # moves from anywhere to a finished fill; healthy ones take some 150
HEALED: Final = (
    "the engine goes on", "the broker answers again", "the engine notices the broker",
    "the node is heard again", "what is on the way is lost", "the kept pack is lost",
    "the kept report is lost", "the kept permit is lost", "the kept withdraw is lost",
    "the node is reported back", "the shell tells: all is proven",
    *(ODD[part][0] for part in ("over", "wet", "temp", "flow", "store", "sump")),
)  # fmt: skip


@dataclass(slots=True)
class Found:
    """What a walk came to."""

    system: str
    states: int = 0
    transitions: int = 0
    shared: int = 0  # of the transitions, those from states without a fill of this kind
    levels: list[int] = field(default_factory=list)  # transitions of each number of faults
    complete: int = 0  # every story of so many faults, less one, was walked to its end
    depth: int = 0  # most steps from the beginning
    waiting: int = 0  # states met and checked but not gone on from
    station_steps: int = 0
    guard_steps: int = 0
    stations: int = 0
    guards: int = 0
    open_states: int = 0  # states with a relay held on: only these can break a moment's claim
    healed: int = 0  # states shown to have a way to a finished fill
    seconds: float = 0.0
    cpu_s: float = 0.0
    broken: str = ""
    trace: list[str] = field(default_factory=list)


class Walk:
    """One system's walk."""

    def __init__(self, name: str, core: Core | None = None) -> None:
        self.world = World(SYSTEMS[name], core)
        self.found = Found(self.world.system.name)
        self.came: dict[State, tuple[State, str] | None] = {}
        self.later: dict[State, tuple[State, str]] = {}
        self.at: State = self.world.first()

    def run(
        self, transitions: int, seconds: float, *, heal: int = 0, one_life: bool = False
    ) -> Found:
        """Walk until a number of transitions or seconds is reached, or there is nothing left; then
        show of so many states (`heal`) that there is a way on from them. A tenth of the time is
        kept for that.

        With `one_life` the faultless stories are only one: a fill that is asked for and ends well.
        """
        begin_s, cpu_s = perf_counter(), process_time()
        self.came[self.at] = None
        level = [self.at]
        try:
            if one_life:
                level = self._branch([self.at, *self._live(self.at)])
            while level and self._level(level, transitions, begin_s + seconds * WALK_SHARE):
                level = self._next()
            self._heal(heal, begin_s + seconds)
        except Broken as broken:
            self.found.broken = str(broken)
            self.found.trace = self._trace(self.at)
        self._sum_up(begin_s, cpu_s)
        return self.found

    def _next(self) -> list[State]:
        """Return the states that one more fault leads to."""
        self.found.complete += 1
        level = [x for x in self.later if x not in self.came]
        self.came.update((x, self.later[x]) for x in level)
        self.later.clear()
        return level

    def _level(self, level: list[State], transitions: int, end_s: float) -> bool:
        """Walk all stories of so many faults; False when time or number ran out."""
        world, came, later, found = self.world, self.came, self.later, self.found
        faultless = found.complete == 0
        queue, first_count = deque(level), found.transitions
        found.levels.append(0)
        while queue:
            x = self.at = queue.popleft()
            moves = world.moves(x)
            found.transitions += len(moves)
            if not world.has_fill(x):
                found.shared += len(moves)
            for price, name, y in moves:
                if y in came:
                    continue
                if price:
                    if y not in later:
                        world.check(y)
                        later[y] = (x, name)
                    continue
                if faultless:
                    self._judge_calm(x, name, y)
                came[y] = (x, name)
                world.check(y)
                queue.append(y)
            found.levels[-1] = found.transitions - first_count
            if found.transitions >= transitions or perf_counter() > end_s:
                found.waiting = len(queue) + sum(1 for y in later if y not in came)
                return False
        return True

    def _live(self, x: State) -> list[State]:
        """Return the states of one good fill (or drain), after the first."""
        states: list[State] = []
        while self.world.phase(x) is not Phase.DONE:
            self.at, (name, y) = x, self._better(x)
            if len(states) > CHAIN_MAX:
                raise Broken("a_fill_can_always_be_had_again", f"ends with: {name}")
            self._judge_calm(x, name, y)
            if y not in self.came:
                self.came[y] = (x, name)
                self.world.check(y)
                states.append(y)
            x = y
        return states

    def _branch(self, level: list[State]) -> list[State]:
        """Take every move from these states, whatever its price, as a way into the next level.

        Faults in mid-flow come first: most of what can go wrong goes wrong there.
        """
        for x in sorted(level, key=lambda x: self.world.phase(x) not in WATER_MAY_FLOW):
            self.at = x
            for _, name, y in self.world.moves(x):
                self.found.transitions += 1
                if y not in self.came:
                    self.world.check(y)
                    self.later[y] = (x, name)
        self.found.levels.append(self.found.transitions)
        return self._next()

    def _judge_calm(self, x: State, name: str, y: State) -> None:
        """Without a fault only a person stops a fill."""
        stopped = self.world.phase(y) is Phase.STOPPED and self.world.phase(x) is not Phase.STOPPED
        if stopped and name != "a person asks: stop":
            raise Broken("only_a_person_stops_a_calm_fill", name)

    # --- a way on from everywhere ---

    def _heal(self, states: int, end_s: float) -> None:
        """From each state, mend all and let a person reset and ask: a fill must come to its end.

        As no way leads from *stopped* to *done* but through *filling*, this shows both. The states
        of the faultless life come first.
        """
        good: set[State] = set()
        for count, state in enumerate(self.came):
            if count >= states or perf_counter() > end_s:
                break
            x = self.at = state
            chain: list[State] = []
            while x not in good:
                chain.append(x)
                name, y = self._better(x)
                if self.world.phase(x) is Phase.SETTLING and self.world.phase(y) is Phase.DONE:
                    break
                if len(chain) > CHAIN_MAX:
                    raise Broken("a_fill_can_always_be_had_again", f"ends with: {name}")
                x = y
            good.update(chain)
            self.found.healed = count + 1

    def _better(self, x: State) -> tuple[str, State]:
        """Return the one next move of somebody who mends what is broken and wants a fill."""
        moves = {name: y for _, name, y in self.world.moves(x)}
        phase, world = self.world.phase(x), self.world
        if x[4]:
            return next(iter(moves.items())) if len(moves) < 3 else next(
                (n, y) for n, y in moves.items() if n.endswith("arrives"))  # fmt: skip
        for name in HEALED:
            if name in moves:
                return name, moves[name]
        if world.unheard(x):
            return "the node is started anew", moves["the node is started anew"]
        around = world.arounds.values[x[3]]
        at_rest = phase in (Phase.IDLE, Phase.DONE, Phase.STOPPED, Phase.CHECKING)
        for part, value in (("high", around.high), ("low", around.low)):
            if value < 0 or (value and at_rest):
                return ODD[part][0], moves[ODD[part][0]]
        if phase is Phase.STOPPED and world.phase(moves["a person asks: reset"]) is Phase.IDLE:
            return "a person asks: reset", moves["a person asks: reset"]
        if phase in (Phase.IDLE, Phase.DONE):
            return world.system.wish, moves[world.system.wish]
        if phase is Phase.DRAINING and not around.low:
            return FALLS, moves[FALLS]
        if phase is Phase.FILLING and not around.high:
            wanted = "more water has come" if around.band < 3 else RISES
            if wanted in moves and (around.band < 3 or world.system.to_mark):
                return wanted, moves[wanted]
        name = QUARTER if QUARTER in moves else "the engine looks again"
        return name, moves[name]

    # --- words ---

    def _trace(self, x: State) -> list[str]:
        """Return how a state came about, in words; like moves in a row are told once."""
        path: list[tuple[str, State]] = []
        at: State | None = x
        while at is not None:
            how = self.came.get(at) or self.later.get(at)
            path.append((how[1] if how else "in the beginning", at))
            at = how[0] if how else None
        lines: list[tuple[str, str, int]] = []
        for name, state in reversed(path):
            told = self._words(state)
            if lines and lines[-1][:2] == (name, told):
                lines[-1] = (name, told, lines[-1][2] + 1)
            else:
                lines.append((name, told, 1))
        return [f"{name}{f' ({times} times)' if times > 1 else ''}: {told}"
                for name, told, times in lines]  # fmt: skip

    def _words(self, x: State) -> str:
        guards, gates = self.world.guards, self.world.gates(x)
        told = ", ".join(
            f"{what} {guards.keys[g].phase} and {'held open' if guards.on[g] else 'shut'}"
            for what, g in zip(("valve", "drain"), gates, strict=False)
        )
        return f"station {self.world.phase(x)}, {told}"

    def _sum_up(self, begin_s: float, cpu_s: float) -> None:
        found, world = self.found, self.world
        found.states = len(self.came) + sum(1 for x in self.later if x not in self.came)
        depths: dict[State, int] = {}
        for x, how in self.came.items():  # a state comes after the one it came from
            depths[x] = depths[how[0]] + 1 if how else 0
        found.depth = max(depths.values())
        on = world.guards.on
        found.open_states = sum(1 for x in self.came if on[x[1]] or on[x[2]])
        found.stations, found.guards = len(world.stations.keys), len(world.guards.keys)
        found.station_steps, found.guard_steps = len(world.stations.memo), len(world.guards.memo)
        found.seconds, found.cpu_s = perf_counter() - begin_s, process_time() - cpu_s


# --- the command ---


@dataclass(frozen=True, slots=True)
class Job:
    """One system's share."""

    name: str
    transitions: int
    seconds: float


def _one(job: Job) -> Found:
    gc.disable()  # a walk makes millions of tuples and no rings of them
    return Walk(job.name).run(job.transitions, job.seconds, heal=HEAL)


def shadows(walks: int, steps: int) -> tuple[int, str]:
    """Run shadow walks of both plans; return the steps compared, and what was found if two parted;
    and go through every check.
    """
    compared = 0
    try:
        for plan in (PLAN, DRAIN_PLAN):
            machine = Stations(plan=plan)
            for seed in range(walks):
                compared += len(shadow(seed, steps, machine))
    except Broken as broken:
        return compared, str(broken)
    return compared, ""


def checked() -> tuple[int, str]:
    """Go through every check; return the cases, and what was found if one is wrong."""
    try:
        return every_check(), ""
    except Broken as broken:
        return 0, str(broken)


# Parts of the transitions asked for. The second system does not count what it shares with the
# first, so that the parts are more than one.
SHARES: Final = {"drain": 0.24, "mark": 0.45, "meter": 0.51}


def explore(transitions: int, seconds: float) -> list[Found]:
    """Walk the three systems, each in a process of its own."""
    jobs = [Job(name, int(transitions * share), seconds * 0.95) for name, share in SHARES.items()]
    with multiprocessing.get_context("spawn").Pool(len(jobs)) as pool:
        return pool.map(_one, jobs, chunksize=1)


def _counted(found: list[Found]) -> int:
    return sum(f.transitions for f in found) - found[-1].shared


def _row(name: str, number: float, words: str) -> str:
    shown = f"{number:,}" if isinstance(number, int) else f"{number:,.1f}"
    return f"{name:<24}{shown:>12}  {words}"


def _system(f: Found) -> list[str]:
    """Return what one system came to, in words."""
    levels = [
        _row(f"  with {faults} faults", count, "transitions" + ("" if faults < f.complete else
             ", not walked to the end"))
        for faults, count in enumerate(f.levels)
    ]  # fmt: skip
    rows = [
        f.system,
        _row("  states", f.states, f"{f.open_states:,} of them with water flowing"),
        _row("    left over", f.waiting, "checked, but not gone on from"),
        _row("  transitions", f.transitions, f"{f.shared:,} of them from states without a fill"),
        *levels,
        _row("  longest story", f.depth, "moves from the beginning"),
        _row("  core steps run", f.station_steps, f"of {f.stations:,} station states"),
        _row("", f.guard_steps, f"of {f.guards:,} guard states"),
        _row("  way to a new fill", f.healed, "states from which one was found"),
        _row("  time", f.seconds, f"s, {f.cpu_s:.1f} s of processor"),
    ]
    if f.broken:
        rows += [f"  BROKEN: {f.broken}", *(f"    {line}" for line in f.trace)]
    return rows


def _told(
    found: list[Found], shadowed: tuple[int, str], cases: tuple[int, str], seconds: float
) -> str:
    """Return the report in words."""
    counted, others = _counted(found), [text for _, text in (shadowed, cases) if text]
    claims = len(STATION_CLAIMS) + len(GUARD_CLAIMS) + len(MOMENT_CLAIMS) + len(ODD_CLAIMS)
    kinds = f"{len(STATION_CLAIMS)} of a station's step, {len(GUARD_CLAIMS)} of a guard's,"
    rest = f"{len(MOMENT_CLAIMS)} of a moment, {len(ODD_CLAIMS)} of whole stories"
    rows = [
        *(row for f in found for row in [*_system(f), ""]),
        _row("transitions counted", counted, "every move of a visited state, its target checked;"),
        f"{'':38}moves that both systems of fills have count in one of them only;",
        f"{'':38}a step of the core is run and judged once a distinct (state, input),",
        f"{'':38}and looked up when the pair comes again in other surroundings",
        _row("claims", claims, f"{kinds} {rest}"),
        _row("shadow walks", shadowed[0], "steps of the whole core that agree with their keys"),
        _row("checks", cases[0], "sets of oddities, each let through or refused as it must be"),
        _row("time", seconds, f"s, {counted / seconds:,.0f} transitions a second"),
        _row("broken", sum(bool(f.broken) for f in found) + len(others), "; ".join(others)),
    ]
    return "\n".join(rows)


def main() -> int:
    """Run as a command; the exit status is 1 when a claim is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--transitions", type=int, default=10_000_000, help="to walk in all")
    parser.add_argument("--seconds", type=float, default=115.0, help="at most")
    parser.add_argument("--json", action="store_true", help="print numbers for a program")
    args = parser.parse_args()
    begin_s = perf_counter()
    shadowed, cases = shadows(WALKS, WALK_STEPS), checked()
    left_s = max(1.0, args.seconds - (perf_counter() - begin_s))
    found = explore(args.transitions, left_s)
    seconds = perf_counter() - begin_s
    if args.json:
        told = json.dumps({
            "systems": [asdict(f) for f in found], "transitions": _counted(found),
            "shadow_steps": shadowed[0], "parted": shadowed[1], "checks": cases[0],
            "checks_wrong": cases[1], "seconds": seconds,
        })  # fmt: skip
    else:
        told = _told(found, shadowed, cases, seconds)
    sys.stdout.write(told + "\n")
    return int(bool(shadowed[1] or cases[1]) or any(f.broken for f in found))


if __name__ == "__main__":
    sys.exit(main())
