"""Invented recordings of the museum's invented river tank."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from monitor.cli.common import sample_text

PULSES_PER_L = 450.0
AREA_L_PER_M = 1400.0
START_M, MARK_M = 0.27, 0.57
NEED_L = 420.0
MORE = """
[station.river.sensor.depth]
kind = "level"
converter = "mcp3008"
zero_v = 0.5
full_v = 2.5
span_m = 0.8
noise_m = 0.002
[station.river.sensor.tank]
kind = "ds18b20"
role = "tank"
address = "28-00000b71a9e6"
"""


def config_text() -> str:
    """Return the museum tank's config with a level probe and a thermometer in the tank."""
    return sample_text() + MORE


def pipe_first(then: Callable[[float], float]) -> Callable[[float], float]:
    """Return a temperature that begins with what stood in the pipe."""
    return lambda since_s: 20.0 if since_s < 8 else then(since_s)


@dataclass
class Water:
    """An invented fill, second by second. Change what stands here, then `rows`."""

    seconds: int = 2700
    quiet_s: int = 20  # before the valve opens
    open_until_s: float = 1e9  # the recorded valve's command ends then,
    open_until_l: float = 1e9  # or when so much has come in
    flow_lpm: Callable[[float], float] = lambda _s: 10.0  # by seconds since the opening
    arrives: Callable[[float], float] = lambda _s: 1.0  # share of it that stays in the vessel
    temp_c: Callable[[float], float] = lambda s: 20.0 if s < 8 else 25.0
    wet_from_s: float = 1e9
    high_from_m: float = 9.0  # where the float rises
    noise_m: float = 0.002
    every_s: int = 1
    leave_out: tuple[str, ...] = ()
    seed: int = 1
    cut: tuple[float, float] | None = None  # seconds without a row
    level_m: float = START_M
    keeps_on: bool = False  # water flows whatever the valve is told

    def rows(self) -> Iterator[tuple[float, str, float]]:
        """Yield readings: time, sensor, value. Water flows while the valve is open."""
        chance = random.Random(self.seed)
        level_m, pulses, came_l = self.level_m, 0.0, 0.0
        for t_s in range(self.seconds):
            since_s = t_s - self.quiet_s
            is_open = since_s >= 0 and t_s < self.open_until_s and came_l < self.open_until_l
            if t_s % self.every_s == 0 and not (self.cut and self.cut[0] <= t_s < self.cut[1]):
                seen = {
                    "valve": float(is_open),
                    "float_high": float(level_m >= self.high_from_m),
                    "floor": float(t_s >= self.wet_from_s),
                    "incoming": self.temp_c(since_s),
                    "tank": 25.0,
                    "meter": float(int(pulses)),
                    "depth": level_m + chance.gauss(0.0, self.noise_m),
                }
                yield from ((t_s, k, v) for k, v in seen.items() if k not in self.leave_out)
            if since_s >= 0 and (is_open or self.flow_lpm(since_s) < 0.0 or self.keeps_on):
                litres = self.flow_lpm(since_s) / 60.0
                came_l += litres
                pulses += abs(litres) * PULSES_PER_L
                level_m += litres * self.arrives(since_s) / AREA_L_PER_M

    def table(self) -> str:
        """Return the recording as a table."""
        return "\n".join(["t_s,sensor,value", *(f"{t:g},{s},{v:.6g}" for t, s, v in self.rows())])


class Played(list[dict[str, Any]]):
    """The lines of a replay."""

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [line for line in self if line["kind"] == kind]

    @property
    def summary(self) -> dict[str, Any]:
        assert self[-1]["kind"] == "summary"
        return self[-1]

    @property
    def ids(self) -> set[str]:
        return {line["id"] for line in self.of("alarm")}

    def close(self, cause: str) -> float:
        """When it would have been shut for a cause."""
        return next(line["t_s"] for line in self.of("close") if line["cause"] == cause)
