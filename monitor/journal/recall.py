"""What the record tells the engine: a station's upkeep, and what its last fills teach.

What was done in a simulation counts in simulations only, and what was real only for real water.
"""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from math import inf

from monitor.core.facts import Facts
from monitor.core.priors import FILLS_MAX, PastFill, Priors, priors_from
from monitor.journal.rows import wall_text, wall_time

CLOCK_FLOOR = datetime(2020, 1, 1, tzinfo=UTC)  # an earlier clock was never set
PARTS_MAX = 256  # parts of one station whose proofs are told

# A moment before the floor or still to come was told by a wrong clock: it is as good as never.
_PROOFS = (
    "SELECT part, max(wall) FROM note WHERE station = ? AND what = 'proof' AND simulated = ? "
    "AND wall BETWEEN ? AND ? GROUP BY part LIMIT ?"
)
_PEOPLE = (
    "SELECT max(wall) FROM note WHERE station = ? AND what = 'people' AND simulated = ? "
    "AND wall BETWEEN ? AND ?"
)
_CARTRIDGE = (
    "SELECT wall, after_fill FROM note WHERE station = ? AND what = 'cartridge' "
    "AND simulated = ? ORDER BY id DESC LIMIT 1"
)
_LITRES = (
    "SELECT coalesce(sum(delivered_l), 0.0) FROM fill WHERE station = ? AND simulated = ? "
    "AND way = 'in' AND seq > ?"
)
_PAST_FILLS = (
    "SELECT start_flow_lpm, overrun_l FROM fill WHERE station = ? AND simulated = ? "
    "AND way = 'in' AND outcome = 'done' ORDER BY seq DESC LIMIT ?"
)


def clock_is_set(wall: datetime) -> bool:
    """Return whether a wall time can be true. A Pi without a battery clock starts in the past."""
    return wall >= CLOCK_FLOOR


def facts(
    link: sqlite3.Connection, station: str, simulated: bool, wall: datetime, now_s: float
) -> Facts:
    """Return a station's upkeep at the engine second `now_s`, when the wall clock shows `wall`.

    With a clock that was never set nothing has an age, and so nothing counts as done; litres
    through the cartridge are told by the order of things and need no clock. A fill that runs is
    not in them yet. Raises sqlite3.Error.
    """

    def engine_s(told: str) -> float:
        return now_s - (wall - wall_time(told)).total_seconds()

    span = (wall_text(CLOCK_FLOOR), wall_text(wall))
    proofs = link.execute(_PROOFS, (station, simulated, *span, PARTS_MAX)).fetchall()
    (people,) = link.execute(_PEOPLE, (station, simulated, *span)).fetchone()
    cartridge = link.execute(_CARTRIDGE, (station, simulated)).fetchone()
    cartridge_l, cartridge_s = inf, -inf
    if cartridge is not None:
        changed, after_fill = cartridge
        (litres,) = link.execute(_LITRES, (station, simulated, after_fill)).fetchone()
        cartridge_l = float(litres)
        if span[0] <= changed <= span[1]:
            cartridge_s = engine_s(changed)
    return Facts(
        proven_s={part: engine_s(proof) for part, proof in proofs},
        cartridge_l=cartridge_l,
        cartridge_s=cartridge_s,
        people_s=-inf if people is None else engine_s(people),
    )


def priors(link: sqlite3.Connection, station: str, simulated: bool) -> Priors:
    """Return what the last fills teach that reached their end. Raises sqlite3.Error."""
    found = link.execute(_PAST_FILLS, (station, simulated, FILLS_MAX)).fetchall()
    return priors_from(PastFill(start_flow, overrun) for start_flow, overrun in found)
