"""What one step of a station costs on a reading in mid-fill. Run: python tests/bench/step_cost.py.

Aim: a median of 50 µs or less on the development machine. A Pi is guessed 5 to 10 times slower, so
one station then takes well under a millisecond of every second.
"""

from __future__ import annotations

import sys
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter_ns

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from monitor.core import station as stations  # noqa: E402
from monitor.core.events import Heard  # noqa: E402
from support.stories import Story  # noqa: E402

ROUNDS = 20_000
READINGS = 2_000  # of one fill; it is told again until there have been enough
NS_PER_US = 1000.0


def costs_us(rounds: int) -> list[float]:
    """Return the cost of each step over so many healthy readings of a running fill."""
    story = Story().begin().fill(420.0).run(120.0)
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
    costs = costs_us(ROUNDS)
    p99 = quantiles(costs, n=100)[98]
    print(f"one step on a reading in mid-fill: median {median(costs):.1f} µs, p99 {p99:.1f} µs "
          f"({ROUNDS} steps)")  # fmt: skip


if __name__ == "__main__":
    main()
