"""What small changes of the picture showed to be unsaid: what it says of what nobody has told."""

from __future__ import annotations

from dataclasses import fields
from math import inf, isnan

import pytest

from monitor.core.balance import Verdict
from monitor.core.exchange import Way
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.view import Picture

BLANK = Picture(1.0, Phase.IDLE)
TOLD = {"now_s", "phase"}
WELL = {"link_up", "to_mark"} | {f.name for f in fields(Picture) if f.name.endswith("_fresh")}
NOT_KNOWN = {"water_l", "tank_c", "tank_soon_c", "tank_ahead_c", "tank_from_c"}
WITHOUT_END = {"mark_m": inf, "mark_l": inf, "tank_change_c": inf, "tank_high_c": inf,
               "tank_low_c": -inf, "need_room_l": inf}  # fmt: skip
OTHER = {"closing_s": 1.0, "guard_cause": "", "limits": DEFAULTS, "way": Way.IN,
         "balance": Verdict.CALM}  # fmt: skip


@pytest.mark.parametrize("name", [f.name for f in fields(Picture) if f.name not in TOLD])
def test_what_is_not_told_reads_as_well(name: str) -> None:
    """Claim: what is not fitted is fresh, a doubt nobody has is none, a figure nobody has counted
    is nought, a temperature or a level nobody has read is not known, and a bound nobody has set is
    none.
    """
    value = getattr(BLANK, name)
    if name in NOT_KNOWN:
        assert isnan(value)
    elif name in WITHOUT_END:
        assert value == WITHOUT_END[name]
    elif name in OTHER:
        assert value == OTHER[name]
    elif isinstance(value, bool):
        assert value is (name in WELL)
    else:
        assert value == 0.0
