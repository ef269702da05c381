"""One fill's account: what is counted, what is limited, and what happens without a forecast."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isnan, nan

import pytest

from monitor.core import fills
from monitor.core.events import FillEnded
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.plan import Fill, Plan
from monitor.core.priors import Priors
from support.stories import DEPTH, Story, full_plan, river_plan


@pytest.fixture
def plan() -> Plan:
    """The river tank."""
    return river_plan()


def begun(plan: Plan) -> Fill:
    """Return a fill that has been asked for and not yet opened."""
    return fills.begin(
        plan, fill_id="f", by="keeper", need_l=100.0, to_mark=True, now_s=0.0
    )


def test_before_the_first_opening_nothing_is_expected(plan: Plan) -> None:
    """Claim: no opening, no forecast, no open time, no duration."""
    fill = begun(plan)
    assert fills.expected(fill, 10.0) is None
    assert fills.open_time_s(Phase.CHECKING, fill, 10.0) == 0.0
    assert fills.duration_s(fill) == 0.0


def test_litres_are_counted_without_a_forecast_too(filling: Story) -> None:
    """Claim: what guards the volume hangs on the count alone."""
    bare = replace(filling.running, forecast=None, delivered_l=0.0)
    after = fills.filled(filling.plan, filling.station, bare, filling.engine_s)
    assert after.delivered_l == pytest.approx(20.0, abs=0.2)
    assert after.time_limit_s == bare.time_limit_s
    with_none = fills._limited(filling.plan, replace(bare, time_fixed=False), filling.engine_s)
    assert not with_none.time_fixed


def test_litres_never_go_back(filling: Story) -> None:
    """Claim: a counter that went back takes nothing from what was delivered."""
    litres = filling.running.delivered_l
    filling.water.pulses = 0.0
    filling.run(3.0)
    assert filling.running.delivered_l >= litres


def test_the_duration_is_from_first_opening_to_last_close(filling: Story) -> None:
    """Claim: a fill of 420 L at 10 L/min took 2520 s, whatever settled afterwards."""
    filling.finish()
    filling.run(500.0)
    assert fills.duration_s(filling.running) == pytest.approx(2520.0, abs=2.0)


def test_what_came_after_a_stop_is_in_its_account(filling: Story) -> None:
    """Claim: a stopped fill is told once more after settle_s, with the litres that still came."""
    filling.water.shut_lpm = 5.0
    filling.ask("stop")
    first = filling.done(FillEnded)[-1].fill
    filling.run(6.0)
    filling.water.shut_lpm = 0.0
    filling.run(DEFAULTS.settle_s)
    ends = filling.done(FillEnded)
    assert len(ends) == 2
    assert ends[1].fill.delivered_l - first.delivered_l == pytest.approx(0.5, abs=0.1)
    filling.run(100.0)
    assert len(filling.done(FillEnded)) == 2


def test_an_opening_without_a_meter_counts_from_nought(plan: Plan) -> None:
    """Claim: a station that has not heard its meter begins at zero pulses, and does not fail."""
    story = Story()
    fill = fills.opened(plan, story.station, begun(plan), 5.0, resumed=False)
    assert (fill.count_from, fill.begun_s, fill.boot) == (0, 5.0, "")
    assert fills.filled(plan, story.station, fill, 6.0) is fill


def test_a_resumed_fill_keeps_its_beginning(plan: Plan) -> None:
    """Claim: resuming moves the latest opening and the purge allowance, nothing else."""
    fill = replace(begun(plan), begun_s=1.0, opened_s=1.0, delivered_l=7.0)
    after = fills.opened(plan, Story().station, fill, 99.0, resumed=True)
    assert after == replace(fill, opened_s=99.0, purge_from_l=7.0)


def test_open_time_adds_up_over_holds(plan: Plan) -> None:
    """Claim: two openings of 30 s and 20 s, with a pause between, are 50 s."""
    fill = replace(begun(plan), begun_s=0.0, opened_s=0.0)
    fill = fills.shut_again(fill, 30.0, hold=True, low=False)
    fill = fills.opened(plan, Story().station, fill, 90.0, resumed=True)
    assert fills.open_time_s(Phase.FILLING, fill, 110.0) == 50.0
    fill = fills.shut_again(fill, 110.0, hold=False, low=False)
    assert fills.open_time_s(Phase.CLOSING, fill, 500.0) == 50.0
    assert fill.holds == 1
    assert fills.open_time_s(Phase.FILLING, replace(fill, opened_s=inf), 0.0) == 50.0


# --- what earlier fills and the level teach ---


def test_earlier_fills_teach_the_first_seconds_of_a_forecast(plan: Plan) -> None:
    """Claim: with a flow known from before the end is told at once, and the litres that a closing
    valve lets through are expected, within their limit; without, an ordinary hose is assumed.
    """
    story = Story()
    new = fills.opened(plan, story.station, begun(plan), 5.0, resumed=False)
    priors = Priors(fills=5, flow_lpm=20.0, flow_sd_lpm=0.5, overrun_l=0.4, overrun_sd_l=0.1)
    story.tell(priors=priors)
    taught = fills.opened(plan, story.station, begun(plan), 5.0, resumed=False)
    ahead, before = fills.expected(taught, 5.0), fills.expected(new, 5.0)
    assert ahead is not None
    assert before is not None
    assert ahead.remaining_s == pytest.approx(300.0, rel=0.05)
    assert before.remaining_s == pytest.approx(600.0, rel=0.1)
    assert ahead.high_s - ahead.low_s < before.high_s - before.low_s
    assert (new.overrun_l, taught.overrun_l) == (0.0, 0.4)
    story.tell(priors=replace(priors, overrun_l=1e9))
    most = fills.opened(plan, story.station, begun(plan), 5.0, resumed=False)
    assert most.overrun_l == DEFAULTS.overrun_max_l


def test_a_level_first_read_in_mid_fill_counts_back_to_its_beginning() -> None:
    """Claim: a probe that comes late still tells where the fill began and how far the mark is."""
    story = Story(plan=river_plan(level=DEPTH)).begin()
    story.fill(420.0).run(120.0)
    blind = replace(story.running, start_l=nan, goal_l=nan)
    after = fills.filled(story.plan, story.station, blind, story.engine_s)
    assert after.start_l == pytest.approx(378.0, abs=3.0)
    assert after.goal_l == pytest.approx(420.0, abs=3.0)


def test_a_drain_begun_before_the_level_was_known_is_counted_from_there() -> None:
    """Claim: what went before cannot be known, and is not guessed."""
    story = Story(plan=full_plan(), before_l=798.0).begin()
    story.ask("drain")
    story.until(Phase.DRAINING).run(60.0)
    blind = replace(story.running, start_l=nan, delivered_l=0.0)
    after = fills.filled(story.plan, story.station, blind, story.engine_s)
    assert after.start_l == pytest.approx(story.tank_l, abs=3.0)
    assert after.delivered_l == 0.0


def test_without_meter_and_level_nothing_is_counted() -> None:
    """Claim: litres that nothing tells of are none."""
    story = Story(plan=river_plan(flow_in="")).begin()
    story.fill(420.0).run(30.0)
    assert story.running.delivered_l == 0.0


def test_nothing_mixed_has_no_temperature(plan: Plan) -> None:
    """Claim: an empty tank with nothing let in is not zero degrees."""
    assert isnan(fills.mixed_c(begun(plan), 0.0, 0.0, 25.0))
