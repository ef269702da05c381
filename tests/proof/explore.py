"""Walk through everything that a station and its guard can come to. Run: python tests/proof/explore.py.

Breadth first by *faults*, then by steps: all states of a faultless life first (a person may ask
for anything at any time), then all that one fault at any moment leads to, with all that mends it,
then two, and so on until the wanted number of transitions is reached. What a state is and what is
left out of it stands in `abstract.py`, what may happen in `world.py`, what must be true in
`claims.py`.

Two closed systems are walked, one a process: fills up to the mark, and fills by the meter. A
transition is counted when a move of a visited state was made and its target checked or known to be
checked; from states that both systems have (no fill of either kind) only the first one's count.
Steps of the station and of the guard are each computed and judged once for each distinct pair of
state and input, and looked up after that; the output says how many of these there were.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections import deque
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from time import perf_counter, process_time
from typing import Final

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from monitor.core.phases import Phase  # noqa: E402
from proof.claims import GUARD_CLAIMS, MOMENT_CLAIMS, STATION_CLAIMS  # noqa: E402
from proof.steps import Broken, Core, shadow  # noqa: E402
from proof.world import ODD, QUARTER, State, World  # noqa: E402

WALKS, WALK_STEPS = 400, 80
CHAIN_MAX: Final = 600  # moves from anywhere to a finished fill; healthy ones take some 150
HEALED: Final = (
    "the engine goes on", "the broker answers again", "the engine notices the broker",
    "the node is heard again", "what is on the way is lost", "the kept pack is lost",
    "the kept report is lost", "the kept permit is lost", "the kept withdraw is lost",
    "the node is reported back", *(ODD[part][0] for part in ("wet", "temp", "flow")),
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
    open_states: int = 0  # states with the valve held open: only these can break a moment's claim
    healed: int = 0  # states shown to have a way to a finished fill
    seconds: float = 0.0
    cpu_s: float = 0.0
    broken: str = ""
    trace: list[str] = field(default_factory=list)


class Walk:
    """One system's walk."""

    def __init__(self, *, to_mark: bool, core: Core | None = None) -> None:
        self.world = World(to_mark=to_mark, core=core)
        self.found = Found("up to the mark" if to_mark else "by the meter")
        self.came: dict[State, tuple[State, str] | None] = {}
        self.later: dict[State, tuple[State, str]] = {}
        self.depths: dict[State, int] = {}

    def run(self, transitions: int, seconds: float, *, heal_s: float = 0.0) -> Found:
        """Walk until a number of transitions or seconds is reached, or there is nothing left."""
        begin_s, cpu_s = perf_counter(), process_time()
        first = self.world.first()
        self.came[first] = None
        level: list[State] = [first]
        last = first
        try:
            while level and self._level(level, transitions, begin_s + seconds):
                self.found.complete += 1
                if self.found.complete == 2:
                    self._heal(self.came, begin_s + seconds + heal_s)
                level = [x for x in self.later if x not in self.came]
                self.came.update((x, self.later[x]) for x in level)
                self.later.clear()
        except Broken as broken:
            self.found.broken = str(broken)
            self.found.trace = self._trace(self.at)
        if not self.found.broken and self.found.complete < 2 and heal_s:
            self._try_heal(begin_s + seconds + heal_s)
        del last
        self._sum_up(begin_s, cpu_s)
        return self.found

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

    def _judge_calm(self, x: State, name: str, y: State) -> None:
        """Without a fault only a person stops a fill."""
        stopped = self.world.phase(y) is Phase.STOPPED and self.world.phase(x) is not Phase.STOPPED
        if stopped and name != "a person asks: stop":
            raise Broken("only_a_person_stops_a_calm_fill", name)

    # --- a way on from everywhere ---

    def _try_heal(self, end_s: float) -> None:
        try:
            self._heal(self.came, end_s)
        except Broken as broken:
            self.found.broken = str(broken)
            self.found.trace = self._trace(self.at)

    def _heal(self, states: Iterable[State], end_s: float) -> None:
        """From each state, mend all and let a person reset and ask: a fill must come to its end.

        As no way leads from *stopped* to *done* but through *filling*, this shows both.
        """
        good: set[State] = set()
        for count, x in enumerate(states):
            if perf_counter() > end_s:
                break
            self.at, chain = x, []
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
        if x[3]:
            return next(iter(moves.items())) if len(moves) < 3 else next(
                (n, y) for n, y in moves.items() if n.endswith("arrives"))  # fmt: skip
        for name in HEALED:
            if name in moves:
                return name, moves[name]
        phase, world = self.world.phase(x), self.world
        around = world.arounds.values[x[2]]
        at_rest = phase in (Phase.IDLE, Phase.DONE, Phase.STOPPED, Phase.CHECKING)
        if around.high < 0 or (around.high and at_rest):
            return ODD["high"][0], moves[ODD["high"][0]]
        if phase is Phase.STOPPED and world.phase(moves["a person asks: reset"]) is Phase.IDLE:
            return "a person asks: reset", moves["a person asks: reset"]
        if phase in (Phase.IDLE, Phase.DONE):
            return "a person asks: fill", moves["a person asks: fill"]
        if phase is Phase.FILLING and not around.high:
            wanted = "more water has come" if around.band < 3 else ODD["high"][1]
            if wanted in moves and (around.band < 3 or world.to_mark):
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
        guard = self.world.guards
        valve = "held open" if guard.on[x[1]] else "shut"
        return f"station {self.world.phase(x)}, guard {guard.keys[x[1]][0]}, valve {valve}"

    def _sum_up(self, begin_s: float, cpu_s: float) -> None:
        found, world = self.found, self.world
        found.states = len(self.came) + sum(1 for x in self.later if x not in self.came)
        found.open_states = sum(1 for x in self.came if world.guards.on[x[1]])
        found.stations, found.guards = len(world.stations.keys), len(world.guards.keys)
        found.station_steps, found.guard_steps = len(world.stations.memo), len(world.guards.memo)
        found.seconds, found.cpu_s = perf_counter() - begin_s, process_time() - cpu_s


def _one(job: tuple[bool, int, float, float]) -> Found:
    to_mark, transitions, seconds, heal_s = job
    return Walk(to_mark=to_mark).run(transitions, seconds, heal_s=heal_s)


if __name__ == "__main__":
    sys.exit(0)
