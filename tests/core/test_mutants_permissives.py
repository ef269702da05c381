"""What small changes of the pre-fill checks showed to be unsaid: whose check each is, and room."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from monitor.core.exchange import Way
from monitor.core.permissives import failing
from monitor.core.phases import Phase
from monitor.core.view import Picture

WELL = Picture(
    now_s=1000.0, phase=Phase.CHECKING, temp_c=25.0, scald_c=43.0, flow_max_lpm=25.0, mark_m=0.57,
    shut_for_s=1000.0, need_l=420.0, need_room_l=420.0,
)  # fmt: skip
WRONG = replace(
    WELL, link_up=False, node_gone=True, worlds_differ=True, float_high=True, over_high=True,
    sump_high=True, leak_wet=True, level_m=0.6, need_l=1000.0, temp_c=50.0, tank_c=50.0,
    tank_high_c=28.0, temp_doubted=True, flow_lpm=30.0, shut_for_s=0.0, low_hit=True,
    store_full=True, heater_on=True, supply_busy=True, proof_age_s=inf, cartridge_share=1.0,
    people_age_s=inf, desk_gone=True,
)  # fmt: skip
OF_BOTH = {
    "broker", "node", "world", "sump", "leak", "still", "shut", "proof", "people", "desk",
}  # fmt: skip
OF_A_FILL = {
    "float", "second-float", "level", "room", "temperature", "swapped", "in-stream", "meter",
    "supply", "cartridge",
}  # fmt: skip
OF_A_DRAIN = {"above-low", "store", "heater"}
BESIDE_THE_TANK = {"in-stream", "proof", "cartridge", "people", "desk"}


def keys(picture: Picture) -> set[str]:
    """Return the checks that do not pass."""
    return {row.key for row in failing(picture)}


@pytest.mark.parametrize("attended", [False, True])
def test_whose_check_each_is(attended: bool) -> None:
    """Claim: with everything wrong at once, a fill is told of what a fill must not have, a drain of
    what a drain must not, both of what is wrong for water either way; a person beside the tank
    makes up for the same rows both ways.
    """
    wrong = replace(WRONG, attended=attended)
    passed = BESIDE_THE_TANK if attended else set()
    assert keys(wrong) == (OF_BOTH | OF_A_FILL) - passed
    assert keys(replace(wrong, way=Way.OUT)) == (OF_BOTH | OF_A_DRAIN) - passed


def test_what_has_come_in_already_needs_no_room() -> None:
    """Claim (W18): after a hold only what is still to come must fit up to the mark."""
    half = replace(WELL, need_l=420.0, delivered_l=300.0, need_room_l=120.0)
    assert keys(half) == set()
    assert keys(replace(half, delivered_l=0.0)) == {"room"}


def test_room_is_allowed_for_to_the_very_edge() -> None:
    """Claim (W18): up to the mark a person's word may be off by the margin's fixed litres, and by
    no more.
    """
    margin_l = WELL.limits.volume_margin_l
    full = replace(WELL, need_room_l=0.0, need_l=margin_l)
    assert keys(full) == set()
    assert keys(replace(full, need_l=margin_l + 0.01)) == {"room"}
