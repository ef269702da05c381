"""What a request is understood to mean. The stories of people are in test_station_people.py."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.asks import refusal
from monitor.core.picture import draw
from monitor.core.plan import Station
from monitor.core.wants import to_fill
from support.stories import river_plan

PLAN = river_plan()
NEW = Station()
PICTURE = draw(PLAN, NEW, 0.0)


@pytest.mark.parametrize(
    ("args", "need_l", "to_mark"),
    [
        ({"litres": 20.0}, 20.0, True),
        ({"litres": 20.0, "to": "mark"}, 20.0, True),
        ({"litres": 20.0, "to": "litres"}, 20.0, False),
        ({"litres": 20.0, "to": "anything else"}, 20.0, True),
        ({"litres": 20.0, "level_m": 0.27}, 20.0, True),
        ({"level_m": 0.0}, 798.0, True),
        ({"level_m": 0.27}, 420.0, True),
        ({"level_m": 0.27, "to": "litres"}, 420.0, False),
    ],
)
def test_litres_come_first_and_a_height_is_worked_out(
    args: dict[str, Any], need_l: float, to_mark: bool
) -> None:
    """Claim: litres given are taken; a height becomes 1400 L a metre up to the mark at 0.57 m."""
    need = to_fill(PLAN, NEW, PICTURE, args)
    assert not isinstance(need, str)
    assert need == (pytest.approx(need_l), to_mark)


anything = st.none() | st.booleans() | st.floats() | st.integers() | st.text() | st.lists(st.none())


@given(st.dictionaries(st.sampled_from(["litres", "level_m", "to", "else"]), anything))
def test_whatever_is_asked_what_is_granted_fits(args: dict[str, Any]) -> None:
    """Claim: never an error; a need that is granted lies between one litre and the whole room."""
    need = to_fill(PLAN, NEW, PICTURE, args)
    if isinstance(need, str):
        assert need
    else:
        assert 1.0 <= need[0] <= 798.0 + 1e-9


def test_a_refusal_can_be_told_without_its_fill() -> None:
    """Claim: the checks and their remedies are told, with the litres where they are known."""
    told = refusal(None, ("leak", "still"))
    assert told.startswith("the pre-fill checks did not pass: a leak probe is wet")
    assert "dry it" in told
    assert "shut the stopcock" in told
