"""What one step of a station costs on a reading in mid-fill. Run: python tests/bench/step_cost.py.

Aim: a median of 50 µs or less on the development machine. A Pi is guessed 5 to 10 times slower, so
one station then takes well under a millisecond of every second.
"""

from __future__ import annotations

import gc
import sys
from math import inf
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter_ns

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from monitor.cli import GARBAGE_AFTER  # noqa: E402
from monitor.core import station as stations  # noqa: E402
from monitor.core.events import Heard  # noqa: E402
from support.stories import Story, full_plan  # noqa: E402

ROUNDS = 20_000
READINGS = 2_000  # of one fill; it is told again until there have been enough
NS_PER_US = 1000.0


def costs_us(rounds: int, *, full: bool = False) -> list[float]:
    """Return the cost of each step over so many healthy readings of a running fill, of a station
    with what every station has or with everything fitted (twelve sensors, level and balance).
    """
    story = Story(plan=full_plan(tank_change_c=inf)) if full else Story()
    story.begin().fill(420.0).run(120.0)
    plan, state, now_s = story.plan, story.station, story.engine_s
    heard: list[tuple[Heard, float]] = []
    for second in range(1, READINGS + 1):
        story._advance(story.now_s + 1.0)
        heard.append((Heard(story.pack()), now_s + second))
    costs = []
    while len(costs) < rounds:
        running = state
        for given, at_s in heard:
            begin_ns = perf_counter_ns()
            running = stations.step(plan, running, given, at_s).station
            costs.append((perf_counter_ns() - begin_ns) / NS_PER_US)
    return costs[:rounds]


def main() -> None:
    """Measure and print."""
    gc.set_threshold(GARBAGE_AFTER)  # as the command does
    for name, full in (("simple", False), ("full", True)):
        costs = costs_us(ROUNDS, full=full)
        cuts = quantiles(costs, n=100)
        print(f"one step on a reading in mid-fill, {name} station: median {median(costs):.1f} µs, "
              f"p10 {cuts[9]:.1f} µs, p99 {cuts[98]:.1f} µs ({ROUNDS} steps)")  # fmt: skip


if __name__ == "__main__":
    main()
