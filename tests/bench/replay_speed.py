"""How fast a recording is played. Run: python tests/bench/replay_speed.py.

Aim: a fill of two hours at one reading a second, with five sensors, in at most one second of one
core, reading the file and writing the lines included.
"""

from __future__ import annotations

import gc
import json
import math
import random
import sys
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import process_time

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2])]

from monitor.app import plan_of  # noqa: E402
from monitor.cli.common import sample_text  # noqa: E402
from monitor.config import Station, loads  # noqa: E402
from monitor.replay.run import replayed  # noqa: E402

HOURS_S = 7200
AIM_S = 1.0
ROUNDS = 5
LEVEL = """
[station.river.sensor.depth]
kind = "level"
converter = "mcp3008"
zero_v = 0.5
full_v = 2.5
span_m = 0.8
noise_m = 0.002
"""


def station() -> Station:
    """Return the invented museum tank with a level probe: five sensors."""
    return loads(sample_text() + LEVEL, "the sample and a level probe").stations["river"]


def recording(path: Path, seconds: int = HOURS_S) -> int:
    """Write a steady fill of so many seconds, its five sensors once a second; return the lines."""
    chance = random.Random(1)
    lines = ["t_s,sensor,value"]
    litres_s = 380.0 / seconds  # not quite up to the mark, so that it fills to the last second
    for t_s in range(seconds):
        litres = litres_s * t_s
        level_m = 0.27 + litres / 1400.0 + chance.gauss(0.0, 0.002)
        lines += [
            f"{t_s},float_high,0",
            f"{t_s},floor,0",
            f"{t_s},incoming,{25.0 + 1.0 * math.sin(t_s / 300):.4f}",
            f"{t_s},meter,{int(litres * 450)}",
            f"{t_s},depth,{level_m:.5f}",
        ]
        if t_s == 0:
            lines.append("0,valve,1")
    path.write_text("\n".join(lines) + "\n")
    return len(lines)


def played_s(path: Path, river: Station) -> tuple[float, dict[str, object]]:
    """Return the seconds of one core that one replay takes, and its summary."""
    plan = plan_of(river)
    gc.collect()
    begin_s = process_time()
    text = [json.dumps(each) for each in replayed(path, river, plan, level_m=None, litres=None)]
    return process_time() - begin_s, json.loads(text[-1])


def main() -> None:
    """Measure and print."""
    river = station()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "fill.csv"
        lines = recording(path)
        runs = [played_s(path, river) for _ in range(ROUNDS)]
    costs = sorted(cost for cost, _ in runs)
    told = runs[0][1]
    print(f"two hours at 1 Hz, five sensors ({lines} lines, {told['forecasts']} forecasts): best "
          f"{costs[0]:.2f} s, median {median(costs):.2f} s of one core (aim {AIM_S:g} s); "
          f"closes: {told['closes']}, alarms: {told['alarms']}")  # fmt: skip


if __name__ == "__main__":
    main()
