"""How many litres a person means: a fill's or a drain's, from litres, a height or a share."""

from __future__ import annotations

from math import isnan
from typing import Any, Final

from monitor.core.forecast import LITRES_MAX
from monitor.core.plan import Plan, Station
from monitor.core.view import Picture

LEAST_FILL_L: Final = 1.0  # less than this a pulse meter cannot watch over
PERCENT: Final = 100.0


def number(value: Any) -> float | None:
    """Return a number as a float, held where any need lies: a long integer cannot become one."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if isinstance(value, float) and isnan(value):
        return None
    return float(min(max(value, -LITRES_MAX), LITRES_MAX))


def to_fill(
    plan: Plan, station: Station, picture: Picture, args: dict[str, Any]
) -> tuple[float, bool] | str:
    """Return the litres a fill needs and whether it ends at the mark, or why it cannot be done.

    Arguments: `litres` to let in, or `level_m`, the water's height now, to be filled up to the
    mark; `to`, "mark" (the float ends it, the default) or "litres" (the meter ends it). Without
    either: what the level says is missing up to the mark, or else what was drained last.
    """
    room_l = plan.vessel.litres_to_mark(0.0)
    to_mark = args.get("to") != "litres"
    level_m = number(args.get("level_m"))
    litres = number(args.get("litres"))
    if litres is None and level_m is not None:
        if level_m < 0.0:
            return f"W18: a water height of {level_m:g} m cannot be"
        litres = plan.vessel.litres_to_mark(level_m)
    elif litres is None and plan.level and picture.level_fresh:
        litres = picture.need_room_l
    elif litres is None and station.drained_l >= LEAST_FILL_L:
        litres = min(station.drained_l, room_l)
    if litres is None:
        return "give the litres to let in, or the water's height now as level_m"
    if not litres >= LEAST_FILL_L:
        return f"W18: {litres:g} L is too little: at least {LEAST_FILL_L:g} L"
    if litres > room_l:
        return (
            f"W18: {litres:g} L is more than the vessel can take: {room_l:.0f} L from empty to "
            f"the mark"
        )
    return litres, to_mark


def to_drain(plan: Plan, picture: Picture, args: dict[str, Any]) -> float | str:
    """Return the litres a drain lets out, or why it cannot be done.

    Arguments: `litres`, `percent` of what the vessel holds at its mark, or `level_m`, the height
    to go down to. Without any: down to the low mark. None goes below it.
    """
    if not plan.drain:
        return "this station lets no water out: the config has no [station.….drain]"
    vessel = plan.vessel
    now_l = picture.water_l
    if isnan(now_l):  # no mean is known yet; without a probe the level counts as at the mark
        now_l = vessel.litres_at(picture.level_m if picture.level_fresh else vessel.mark_m)
    most_l = now_l - vessel.litres_at(plan.low_m)
    litres = number(args.get("litres"))
    percent = number(args.get("percent"))
    level_m = number(args.get("level_m"))
    if litres is None and percent is not None:
        litres = vessel.litres_at(vessel.mark_m) * percent / PERCENT
    elif litres is None and level_m is not None:
        litres = now_l - vessel.litres_at(level_m)
    elif litres is None:
        litres = most_l
    if not litres >= LEAST_FILL_L:
        return f"W18: {litres:.0f} L is too little: at least {LEAST_FILL_L:g} L"
    if litres > most_l + plan.limits.volume_margin_l:
        return (
            f"W23: {litres:.0f} L would go below the low mark at {plan.low_m:g} m: at most "
            f"{max(most_l, 0.0):.0f} L"
        )
    return min(litres, most_l)
