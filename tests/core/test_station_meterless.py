"""Timed stories of a station that has a level probe and no meter: the level is all there is."""

from __future__ import annotations

import pytest

from monitor.core.phases import Phase
from support.stories import DEPTH, LOW_L, MARK_L, Story, river_plan

PLAN = river_plan(flow_in="", temp_in="", level=DEPTH)


@pytest.fixture
def story() -> Story:
    """A river tank at its low mark, with a level probe, a float and a leak probe, and no more."""
    return Story(plan=PLAN, before_l=LOW_L).begin()


def test_a_fill_goes_well_by_the_level_alone(story: Story) -> None:
    """Claim: litres are those the level tells, the mark ends it, nobody is alarmed."""
    story.fill(420.0).finish()
    assert story.ended() == [("done", "")]
    assert story.raised() == set()
    assert story.running.delivered_l == pytest.approx(420.0, abs=4.0)
    assert story.tank_l == pytest.approx(MARK_L, abs=2.0)


def test_a_fill_by_litres_ends_by_the_level(story: Story) -> None:
    """Claim: so many litres are so many by the level."""
    story.fill(50.0, to="litres").finish(1000.0)
    assert story.water.litres == pytest.approx(50.0, abs=4.0)


def test_no_rule_of_the_meter_is_there(story: Story) -> None:
    """Claim: a meter that is not fitted cannot be unread, nor stand still."""
    story.water.open_lpm = 0.0
    story.fill(420.0).run(60.0)
    assert story.phase is Phase.FILLING
    assert story.raised() == set()


def test_the_level_still_tells_of_water_above_the_mark(story: Story) -> None:
    """Claim (W01): with no meter the probe's own rules stand."""
    story.fill(420.0).run(60.0)
    story.level_m = 0.585
    story.run(4.0)
    assert story.station.cause_key == "level-over"
