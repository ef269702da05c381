"""What must hold before a drop flows: one row a check, each with one reason and one remedy.

Permission starts false: a row that cannot be judged has not passed. A row about something that is
not fitted passes. A person who stays beside the tank may start an *attended* fill without the rows
that `unattended_only` marks: they guard against what nobody would be there to see. All that tells
where the water is counts in every fill.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.core.exchange import Way
from monitor.core.units import S_PER_DAY
from monitor.core.view import Picture

BOTH: Final = frozenset(Way)
FILLS: Final = frozenset({Way.IN})
DRAINS: Final = frozenset({Way.OUT})


@dataclass(frozen=True, slots=True)
class Permissive:
    """One check before the water moves that way."""

    key: str
    ways: frozenset[Way]
    passed: Callable[[Picture], bool]
    reason: str
    remedy: str
    unattended_only: bool = False


def _linked(p: Picture) -> bool:
    return p.link_up and not p.echo_missing


def _heard(p: Picture) -> bool:
    return p.silent_s < p.limits.suspect_s and not p.node_gone


def _one_world(p: Picture) -> bool:
    return not p.worlds_differ


def _float_low(p: Picture) -> bool:
    return p.float_fresh and not p.float_high


def _over(p: Picture) -> bool:
    return p.over_fresh and not p.over_high


def _sump(p: Picture) -> bool:
    return p.sump_high_fresh and not p.sump_high


def _dry(p: Picture) -> bool:
    return p.leak_fresh and not p.leak_wet


def _level(p: Picture) -> bool:
    return p.level_fresh and p.level_m <= p.mark_m + p.limits.level_over_m


def _room(p: Picture) -> bool:
    """There is room up to the mark for what is still to come, but for what the level and a
    person's litres are unsure of.
    """
    left_l = p.need_l - p.delivered_l
    return left_l <= p.need_room_l * (1.0 + p.limits.volume_margin) + p.limits.volume_margin_l


def _temperature(p: Picture) -> bool:
    return p.temp_fresh and p.temp_c < p.scald_c


def _not_swapped(p: Picture) -> bool:
    """The tank's thermometer reads what the tank may be; one that does not may be another."""
    return p.tank_fresh and not (p.tank_c < p.tank_low_c or p.tank_c > p.tank_high_c)


def _in_stream(p: Picture) -> bool:
    return not p.temp_doubted


def _meter(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm <= p.flow_max_lpm


def _still(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm < p.limits.flow_min_lpm


def _shut(p: Picture) -> bool:
    return not p.valve_open and p.shut_for_s >= p.limits.check_quiet_s


def _above_low(p: Picture) -> bool:
    return p.low_fresh and not p.low_hit and p.level_fresh and p.level_m >= p.low_m


def _store(p: Picture) -> bool:
    return p.store_fresh and not p.store_full


def _heater_off(p: Picture) -> bool:
    return not p.heater_on


def _supply(p: Picture) -> bool:
    return not p.supply_busy


def _proven(p: Picture) -> bool:
    return p.proof_age_s < p.limits.proof_days * S_PER_DAY


def _cartridge(p: Picture) -> bool:
    return p.cartridge_share < 1.0


def _people(p: Picture) -> bool:
    return p.people_age_s < p.limits.people_s


def _desk(p: Picture) -> bool:
    return not p.desk_gone


PERMISSIVES: Final[tuple[Permissive, ...]] = (
    Permissive("broker", BOTH, _linked, "the message broker does not answer", "start the broker"),
    Permissive("node", BOTH, _heard, "the node beside the valve is not heard",
               "start the node and check its network"),
    Permissive("world", BOTH, _one_world,
               "a simulation and real pins do not go together, and one side is simulated",
               "stop the simulation, or start both sides the same way"),
    Permissive("float", FILLS, _float_low,
               "the float is high, or its wire open, or it gives no reading",
               "check the water's height and the float's plug"),
    Permissive("second-float", FILLS, _over,
               "the second float is high, or its wire open, or not read",
               "check the water's height and the float's plug"),
    Permissive("sump", BOTH, _sump,
               "the sump is full to its float, or the float's wire open, or not read",
               "take water out of the sump, check the float's plug"),
    Permissive("leak", BOTH, _dry, "a leak probe is wet or gives no reading",
               "dry it, check its plug"),
    Permissive("level", FILLS, _level, "the level is above the mark, or not read",
               "check the water's height and the level probe's cable"),
    Permissive("room", FILLS, _room, "there is less room up to the mark than litres asked for",
               "ask for fewer litres, or let more water out"),
    Permissive("temperature", FILLS, _temperature,
               "the incoming water's temperature is not read, or is hot enough to scald",
               "check the sensor's plug and the mixing valve"),
    Permissive("swapped", FILLS, _not_swapped,
               "the tank's thermometer is not read, or reads what the tank cannot be",
               "see that it hangs in the tank and is not swapped with the incoming one"),
    Permissive("in-stream", FILLS, _in_stream,
               "the incoming thermometer did not answer to the flow in an earlier fill",
               "put it into the stream, then reset", unattended_only=True),
    Permissive("meter", FILLS, _meter, "the flow meter gives no reading, or an impossible one",
               "check the meter's cable"),
    Permissive("still", BOTH, _still, "water is running although the valve is shut",
               "shut the stopcock, clean the valve"),
    Permissive("shut", BOTH, _shut, "the valve has not been shut and quiet for long enough",
               "wait a few seconds"),
    Permissive("above-low", DRAINS, _above_low,
               "the water is at its low mark already, or what watches the mark is not read",
               "check the water's height and the low float's plug"),
    Permissive("store", DRAINS, _store,
               "the vessel for the waste water is full, or its float not read",
               "empty it, check the float's plug"),
    Permissive("heater", DRAINS, _heater_off,
               "the heater is on, as far as anybody knows, and would be bare",
               "switch it off; if brimwatch cannot, say `brimwatch heater … off`"),
    Permissive("supply", FILLS, _supply, "another station draws on the same supply",
               "wait until it is done"),
    Permissive("proof", BOTH, _proven,
               "a float, a probe or the valve was never proven, or too long ago",
               "prove each by hand, and note it: `brimwatch note … proof`", unattended_only=True),
    Permissive("cartridge", FILLS, _cartridge, "the filter's cartridge is used up, or its age "
               "unknown", "fit a new one, and note it: `brimwatch note … cartridge`",
               unattended_only=True),
    Permissive("people", BOTH, _people, "nobody is known to be reachable",
               "send a test message, or note that you are: `brimwatch note … people`",
               unattended_only=True),
    Permissive("desk", BOTH, _desk, "the desk, which tells people, is not heard",
               "start it", unattended_only=True),
)  # fmt: skip


def failing(picture: Picture) -> tuple[Permissive, ...]:
    """Return the checks that do not pass now, in the table's order."""
    return tuple(
        row
        for row in PERMISSIVES
        if picture.way in row.ways
        and not (picture.attended and row.unattended_only)
        and not row.passed(picture)
    )
