"""A valve that seeps too little for the meter: the level at rest, hour by hour.

Theory. At rest the water may only sink (it evaporates). The mean level of each hour is kept for a
day; when a line through them, drawn as flat as the data allow (Theil and Sen), still rises, water
is coming in. A jump between two minutes is no seep: somebody dipped in a bucket, or a pump was
switched, and the watch begins anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import Final

from monitor.core.trend import theil_sen

HOUR_S: Final = 3600.0
MINUTE_S: Final = 60.0
HOURS: Final = 24.0  # hazard W05: slower seeps within 24 h
LEAST_HOURS: Final = 8
JUMP_L: Final = 2.0  # within a minute: 120 L/h, which the meter would have seen
JUMP_TIMES: Final = 2.0  # and more than waves do: a minute's mean is off by a fifth of a reading
SEEP_L_PER_H: Final = 0.2  # 5 litres a day; less is lost in evaporation and the level's drift


@dataclass(frozen=True, slots=True)
class Creep:
    """What is remembered: the hours so far, and the sums of the running hour and minute."""

    from_s: float
    hour_s: float
    minute_s: float
    hours: tuple[tuple[float, float], ...] = ()  # (hours since from_s, litres)
    hour_sum_l: float = 0.0
    hour_count: int = 0
    minute_sum_l: float = 0.0
    minute_count: int = 0
    last_l: float = inf  # mean of the minute before; inf: none yet
    seeping: bool = False


def begin(now_s: float) -> Creep:
    """Return a watch that has seen nothing."""
    return Creep(now_s, now_s, now_s)


def update(creep: Creep, now_s: float, level_l: float, sd_l: float) -> Creep:
    """Return the watch after one reading at rest, which may be off by `sd_l`."""
    if not isfinite(level_l) or not creep.minute_s <= now_s < inf:
        return creep
    after = replace(
        creep,
        minute_sum_l=creep.minute_sum_l + level_l,
        minute_count=creep.minute_count + 1,
    )
    return after if now_s - creep.minute_s < MINUTE_S else _minute(after, now_s, sd_l)


def _minute(creep: Creep, now_s: float, sd_l: float) -> Creep:
    mean_l = creep.minute_sum_l / creep.minute_count
    if creep.last_l < inf and abs(mean_l - creep.last_l) > max(JUMP_L, JUMP_TIMES * sd_l):
        return begin(now_s)
    after = replace(
        creep,
        minute_s=now_s,
        minute_sum_l=0.0,
        minute_count=0,
        last_l=mean_l,
        hour_sum_l=creep.hour_sum_l + mean_l,
        hour_count=creep.hour_count + 1,
    )
    return after if now_s - creep.hour_s < HOUR_S else _hour(after, now_s)


def _hour(creep: Creep, now_s: float) -> Creep:
    at_h = (now_s - creep.from_s) / HOUR_S
    kept = tuple(row for row in creep.hours if at_h - row[0] < HOURS)
    hours = (*kept, (at_h, creep.hour_sum_l / creep.hour_count))
    seeping = False
    if len(hours) >= LEAST_HOURS:
        slope = theil_sen(hours)
        seeping = slope is not None and slope.low.per_x > SEEP_L_PER_H
    return replace(
        creep, hours=hours, hour_s=now_s, hour_sum_l=0.0, hour_count=0, seeping=seeping
    )
