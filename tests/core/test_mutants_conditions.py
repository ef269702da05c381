"""What small changes of the conditions showed to be unsaid: how an alarm may go, and when not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core import conditions as c
from monitor.core.balance import Verdict
from monitor.core.exchange import Way
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.view import Picture

AT_REST = Picture(now_s=1000.0, phase=Phase.IDLE, mark_m=0.5, level_m=0.5, low_m=0.25)
STOPPED_DRAIN = replace(AT_REST, phase=Phase.STOPPED, way=Way.OUT, elapsed_s=60.0)


@pytest.mark.parametrize("over_m", [-0.1, 0.0, DEFAULTS.level_over_m, 0.0101, 0.1])
def test_a_level_that_is_read_is_over_its_mark_or_under_it(over_m: float) -> None:
    """Claim (W01): at every height an alarm of the level is raised or may go; water that stands at
    its mark, where a fill leaves it, keeps no alarm.
    """
    picture = replace(AT_REST, level_m=0.5 + over_m)
    assert c.level_over(picture) is (over_m > DEFAULTS.level_over_m)
    assert c.level_under(picture) is not c.level_over(picture)


def test_a_pump_alarm_stands_while_a_person_is_asked() -> None:
    """Claim (W10): it goes with the confirmation and not a moment before, also when a next fill
    has only just begun to ask anew.
    """
    for asked_for_s in (0.01, 1.0, DEFAULTS.pump_confirm_s):
        assert not c.pump_on(replace(AT_REST, pump_for_s=asked_for_s))
    assert c.pump_on(AT_REST)


def test_that_water_stands_still_must_be_seen() -> None:
    """Claim (W11): silence of a level that cannot be read is not the end of a fall."""
    assert c.stands(AT_REST)
    assert not c.stands(replace(AT_REST, level_fresh=False))


@pytest.mark.parametrize("open_for_s", [0.01, 1.0, 600.0])
def test_a_drain_is_one_from_its_first_moment(open_for_s: float) -> None:
    """Claim (W23): one that was asked for and never opened has let nothing out, so what the level
    and the hose say is not its doing; one that has opened answers for both.
    """
    below = replace(STOPPED_DRAIN, phase=Phase.DONE, level_m=0.2, by_hose=True, elapsed_s=0.0)
    assert not c.past_low(below)
    assert not c.take_hose_out(below)
    opened = replace(below, elapsed_s=open_for_s)
    assert c.past_low(opened)
    assert c.take_hose_out(opened)


def test_litres_that_a_stopped_drain_let_out_keep_no_alarm() -> None:
    """Claim (W23): they do not come back by themselves, so once the water stands still a person
    may reset; before the stop they are the alarm.
    """
    too_much = replace(STOPPED_DRAIN, gone_l=DEFAULTS.drain_over_l + 1.0)
    assert c.runs_dry_not(too_much)
    assert not c.runs_dry_not(replace(too_much, phase=Phase.SETTLING))
    assert not c.runs_dry_not(replace(too_much, balance=Verdict.FALLS))


def test_a_fall_in_a_stopped_fill_is_not_the_drains() -> None:
    """Claim (W23, W12): water that falls after a fill is another alarm's, with another remedy."""
    falls = replace(AT_REST, phase=Phase.STOPPED, balance=Verdict.FALLS)
    assert c.drains_away(falls)
    assert c.runs_dry_not(falls)
