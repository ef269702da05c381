"""What must hold before a drop flows: one row a check, each with one reason and one remedy.

Permission starts false: a row that cannot be judged has not passed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.core.hazards import Picture


@dataclass(frozen=True, slots=True)
class Permissive:
    """One pre-fill check."""

    key: str
    passed: Callable[[Picture], bool]
    reason: str
    remedy: str


def _linked(p: Picture) -> bool:
    return p.link_up and not p.echo_missing


def _heard(p: Picture) -> bool:
    return p.silent_s < p.limits.suspect_s and not p.node_gone


def _float_low(p: Picture) -> bool:
    return p.float_fresh and not p.float_high


def _over(p: Picture) -> bool:
    return p.over_fresh and not p.over_high


def _dry(p: Picture) -> bool:
    return p.leak_fresh and not p.leak_wet


def _temperature(p: Picture) -> bool:
    return p.temp_fresh and p.temp_c < p.scald_c


def _meter(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm <= p.flow_max_lpm


def _still(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm < p.limits.flow_min_lpm


def _shut(p: Picture) -> bool:
    return not p.valve_open and p.shut_for_s >= p.limits.check_quiet_s


PERMISSIVES: Final[tuple[Permissive, ...]] = (
    Permissive("broker", _linked, "the message broker does not answer", "start the broker"),
    Permissive("node", _heard, "the node beside the valve is not heard",
               "start the node and check its network"),
    Permissive("float", _float_low, "the float is high, or its wire open, or it gives no reading",
               "check the water's height and the float's plug"),
    Permissive("second-float", _over, "the second float is high, or its wire open, or not read",
               "check the water's height and the float's plug"),
    Permissive("leak", _dry, "a leak probe is wet or gives no reading", "dry it, check its plug"),
    Permissive("temperature", _temperature,
               "the incoming water's temperature is not read, or is hot enough to scald",
               "check the sensor's plug and the mixing valve"),
    Permissive("meter", _meter, "the flow meter gives no reading, or an impossible one",
               "check the meter's cable"),
    Permissive("still", _still, "water is running although the valve is shut",
               "shut the stopcock, clean the valve"),
    Permissive("shut", _shut, "the valve has not been shut and quiet for long enough",
               "wait a few seconds"),
)  # fmt: skip


def failing(picture: Picture) -> tuple[Permissive, ...]:
    """Return the checks that do not pass now, in the table's order."""
    return tuple(row for row in PERMISSIVES if not row.passed(picture))
