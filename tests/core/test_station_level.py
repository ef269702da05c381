"""Timed stories of a station with a level probe: where the water goes, and what the probe says."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from monitor.core.creep import HOUR_S
from monitor.core.events import FillEnded
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.limits import DEFAULTS
from monitor.core.phases import EVERY, UNDER_WAY, Phase
from monitor.core.reading import Fault
from monitor.core.setaside import may_wait
from support.stories import DEPTH, FLOW_LPM, MARK_L, Story, reach, river_plan

FILLING, HOLDING, STOPPED = Phase.FILLING, Phase.HOLDING, Phase.STOPPED
PLAN = river_plan(level=DEPTH)


@pytest.fixture
def story() -> Story:
    """A river tank with a level probe, at its low mark."""
    return Story(plan=PLAN).begin()


@pytest.fixture
def filling(story: Story) -> Story:
    """A fill up to the mark, five minutes under way."""
    return story.fill(420.0).run(300.0)


# --- a fill that goes well ---


def test_a_fill_with_a_level_probe_ends_done_without_an_alarm(story: Story) -> None:
    """Claim: meter and level agree, the float ends it, nobody is alarmed."""
    story.fill(420.0).finish()
    assert story.ended() == [("done", "")]
    assert story.raised() == set()
    assert story.tank_l == pytest.approx(MARK_L, abs=1.0)


def test_the_level_alone_ends_a_fill_whose_float_is_stuck(story: Story) -> None:
    """Claim (W01): one witness of the mark is enough: the water stops there, within two litres."""
    story.fill(420.0, room_l=inf).finish()
    assert story.ended() == [("done", "")]
    assert story.tank_l == pytest.approx(MARK_L, abs=2.0)


def test_the_float_alone_ends_a_fill_whose_probe_reads_low(story: Story) -> None:
    """Claim: and the other way round: what the probe says is short of the mark by 5 mm."""
    story.fit(replace(PLAN, level_sd_m=0.002), before_l=378.0)
    story.fill(420.0, room_l=413.0).finish()
    assert story.ended() == [("done", "")]


def test_another_tap_and_a_pause_are_no_loss(filling: Story) -> None:
    """Claim (W13): a flow that drops to a third and comes back raises nothing."""
    filling.water.open_lpm = FLOW_LPM / 3
    filling.run(120.0)
    filling.water.open_lpm = FLOW_LPM
    filling.finish()
    assert filling.raised() == set()


# --- each loss within its bound ---


@pytest.mark.parametrize(
    ("changes", "bound_s", "causes"),
    [
        pytest.param({"arrives": 0.0}, 60.0, {"hose-off", "falls"}, id="W02 hose off"),
        pytest.param({"arrives": 0.5}, 120.0, {"part-missing", "hose-off"}, id="W03 half"),
        pytest.param({"arrives": 0.8}, 300.0, {"part-missing"}, id="W03 a fifth"),
        pytest.param({"goes_lpm": 2.5}, 300.0, {"part-missing"}, id="W11 drain not quite shut"),
        pytest.param({"goes_lpm": 25.0}, 60.0, {"falls"}, id="W11 drain open"),
        pytest.param({"arrives": -1.0}, 60.0, {"falls", "hose-off"}, id="W12 siphoned back"),
    ],
)
def test_a_loss_shuts_within_its_bound(
    filling: Story, changes: dict[str, float], bound_s: float, causes: set[str]
) -> None:
    """Claim: from the fault to the released relay no more than the catalogue's bound passes; it
    latches, it is told by its name, and it ends the fill.
    """
    at_s = filling.now_s
    for name, value in changes.items():
        setattr(filling, name, value)
    filling.until(STOPPED, bound_s)
    assert filling.shut_after(at_s) <= bound_s
    assert filling.station.cause_key in causes
    assert filling.ended() == [("stopped", filling.station.cause_key)]
    assert filling.alarm(filling.station.cause_key) in ("B", "E")
    filling.run(120.0)
    assert not filling.relay


def test_a_hose_that_was_never_in_is_found_too(story: Story) -> None:
    """Claim (W02): from the very first litre, within 60 s."""
    story.arrives = 0.0
    story.fill(420.0)
    opened_s = story.now_s
    story.until(STOPPED, 61.0)
    assert story.shut_after(opened_s) <= 60.0


def test_mains_that_are_lost_siphon_nothing_for_longer_than_a_minute(filling: Story) -> None:
    """Claim (W12): with the meter standing the no-flow hold shuts first, and water that goes on
    falling behind the shut valve is told of.
    """
    filling.water.open_lpm, filling.goes_lpm = 0.0, 10.0
    at_s = filling.now_s
    filling.run(60.0)
    assert filling.shut_after(at_s) <= 60.0
    filling.until(STOPPED, 60.0)
    assert filling.station.cause_key == "drains-away"


@pytest.mark.parametrize("end", ["stop", "hold"])
def test_water_that_sinks_behind_the_shut_valve_is_told(filling: Story, end: str) -> None:
    """Claim (W11): an open drain or a hose that siphons on shows within a minute of a stop, or in
    a hold.
    """
    if end == "stop":
        filling.ask("stop")
    else:
        filling.temp_c = 30.0
        filling.until(HOLDING)
    at_s = filling.now_s
    filling.goes_lpm = 10.0
    filling.run(60.0)
    assert filling.phase is STOPPED
    assert filling.alarmed("drains-away") - at_s <= 60.0


def test_a_reset_is_refused_while_the_fall_is_named(filling: Story) -> None:
    """Claim: a reset that is granted holds; as long as the fall stands named it is refused, and
    that is no longer than the watch after a stop.
    """
    filling.ask("stop")
    filling.goes_lpm = 10.0
    filling.run(60.0)
    filling.goes_lpm = 0.0
    reply = filling.ask("reset")
    assert not reply.ok
    assert reply.data["keys"] == ["drains-away"]
    filling.run(DEFAULTS.watch_after_s)
    assert filling.ask("reset").ok
    assert filling.phase is Phase.IDLE


def test_after_three_minutes_people_may_work_in_the_water(filling: Story) -> None:
    """Claim: a stopped station watches the level for watch_after_s, and then lets people be."""
    filling.ask("stop")
    filling.run(DEFAULTS.watch_after_s + 2.0)
    filling.goes_lpm = 30.0
    filling.run(120.0)
    assert filling.alarm("drains-away") == "A"


def test_at_rest_the_level_may_do_what_it_likes(story: Story) -> None:
    """Claim: buckets in and out of a resting tank raise nothing, and are known to the next fill."""
    for lpm in (20.0, -20.0, 5.0):
        story.goes_lpm = lpm
        story.run(60.0)
    story.goes_lpm = 0.0
    story.run(120.0)
    assert story.raised() == set()
    assert story.ask("fill").data["need_l"] == pytest.approx(MARK_L - story.tank_l, abs=3.0)


# --- W16, W17, W20: the meter, and water besides ---


def test_a_jammed_meter_is_held_within_half_a_minute(filling: Story) -> None:
    """Claim (W16): no pulses with the valve open hold within 30 s, try twice, and stop."""
    filling.metered = 0.0
    at_s = filling.now_s
    filling.until(HOLDING)
    assert filling.shut_after(at_s) <= 30.0
    filling.until(STOPPED, 600.0)
    assert filling.station.cause_key == "no-flow"


def test_a_meter_that_says_flow_and_counts_nothing_is_jammed(filling: Story) -> None:
    """Claim (W16): a flow told without pulses hides no rising water for longer than a minute."""
    filling.metered, filling.meter_lpm = 0.0, 0.6
    at_s = filling.now_s
    filling.until(STOPPED, 60.0)
    assert filling.shut_after(at_s) <= 60.0
    assert (filling.station.cause, filling.station.cause_key) == ("W16", "meter-jammed")


def test_a_meter_that_reads_too_little_is_told_and_the_fill_goes_on(story: Story) -> None:
    """Claim (W17): a seventh too little is told and shuts nothing; the mark ends the fill."""
    story.metered = 0.86
    story.fill(420.0).finish()
    assert story.ended() == [("done", "")]
    assert story.raised() == {"meter-off"}
    assert story.tank_l == pytest.approx(MARK_L, abs=2.0)


def test_a_meter_that_reads_too_much_is_told_before_its_litres_end_the_fill(story: Story) -> None:
    """Claim (W17): a sixth too much is told, and as the tighter of the two wins the litres then
    end the fill short of the mark.
    """
    story.metered = 1.16
    story.fill(420.0).until(STOPPED, 4000.0)
    assert story.station.cause_key == "over-volume"
    assert story.alarmed("meter-off") < story.now_s - 600.0
    assert story.tank_l < MARK_L


def test_the_tighter_of_meter_and_level_ends_the_fill(story: Story) -> None:
    """Claim (W17): by litres it is the meter that ends it, though the level says there is room."""
    story.metered = 1.11
    story.fill(200.0, to="litres").finish()
    assert story.ended() == [("done", "")]
    assert story.water.litres == pytest.approx(200.0 / 1.11, abs=1.0)


def test_a_top_up_device_is_told_and_the_fill_goes_on(filling: Story) -> None:
    """Claim (W20): a third more than metered is told within two minutes, and shuts nothing; the
    level ends the fill at the mark.
    """
    filling.goes_lpm = -3.0
    at_s = filling.now_s
    filling.water.room_l = inf
    filling.run(120.0)
    assert filling.phase is FILLING
    assert filling.alarmed("extra-water") - at_s <= 120.0
    filling.until(Phase.SETTLING, 4000.0)
    assert filling.tank_l == pytest.approx(MARK_L, abs=2.0)


# --- S06: the probe itself ---


def test_a_probe_that_does_not_move_by_a_hair_is_frozen(filling: Story) -> None:
    """Claim (S06): the same value for as long as it must move shuts within 60 s."""
    filling.level_m = 0.31
    at_s = filling.now_s
    filling.until(STOPPED, 60.0)
    assert filling.shut_after(at_s) <= 60.0
    assert filling.station.cause_key in ("level-frozen", "hose-off", "falls")


def test_a_probe_frozen_where_it_stood_is_named(filling: Story) -> None:
    """Claim (S06): a probe that sticks at its last value is named for what it is."""
    filling.run(0.5)
    filling.level_m = filling.data()["level_m"]
    filling.until(STOPPED, 60.0)
    assert (filling.station.cause, filling.station.cause_key) == ("S06", "level-frozen")


@pytest.mark.parametrize("fault", [Fault.MISSING, Fault.RANGE])
def test_a_probe_that_cannot_be_read_holds_and_resumes(filling: Story, fault: Fault) -> None:
    """Claim (S06): without a level there is no watching over where the water goes: hold, and go on
    by itself when it can be read again.
    """
    filling.faults[DEPTH] = fault
    at_s = filling.now_s
    filling.until(HOLDING, 5.0)
    assert filling.shut_after(at_s) <= DEFAULTS.reading_stale_s
    assert filling.station.cause_key == "level-unread"
    del filling.faults[DEPTH]
    filling.finish()
    assert filling.ended() == [("done", "")]


@pytest.mark.parametrize("bad", [float("nan"), inf, -inf])
def test_a_level_that_is_no_number_is_no_reading(filling: Story, bad: float) -> None:
    """Claim: quality comes before value."""
    filling.level_m = bad
    filling.until(HOLDING, 5.0)
    assert filling.station.cause_key == "level-unread"
    assert filling.data()["level_m"] is None


def test_a_fill_does_not_begin_without_its_level(story: Story) -> None:
    """Claim: the check wants to see the level below the mark."""
    story.faults[DEPTH] = Fault.MISSING
    story.run(4.0)
    story.ask("fill", litres=100.0)
    story.until(Phase.IDLE)
    assert "level" in story.ended_checks()


# --- above the mark ---


@pytest.mark.parametrize("phase", sorted(EVERY - {Phase.DRAINING}))
def test_water_above_the_mark_shuts_in_every_phase(story: Story, phase: Phase) -> None:
    """Claim (W01): a centimetre above the mark for two seconds is a top alarm, fill or no fill,
    within 3 s, and reset only when it has fallen.
    """
    reach(story, phase)
    story.valve_stuck = False
    story.level_m = 0.585
    at_s = story.now_s
    story.run(3.1)
    assert story.phase is STOPPED
    assert not story.relay
    assert story.alarm("level-over") == "B"
    assert DEFAULTS.level_over_s <= story.alarmed("level-over") - at_s <= 3.1
    assert not story.ask("reset").ok
    story.level_m = 0.56
    story.run(2.0)
    assert story.ask("reset").ok


def test_waves_about_the_mark_delay_the_trip_and_never_starve_it(filling: Story) -> None:
    """Claim (W19): a level that jumps across the line each second trips within the bound."""
    at_s = filling.now_s
    for second in range(8):
        filling.level_m = 0.59 if second % 2 == 0 else 0.57
        filling.run(1.0)
    assert filling.alarmed("level-over") - at_s <= DEFAULTS.level_over_bound_s + 1.0


def test_one_splash_is_no_trip(filling: Story) -> None:
    """Claim (W19): one reading above the mark is a wave."""
    filling.level_m = 0.6
    filling.run(1.0)
    filling.level_m = None
    filling.run(10.0)
    assert filling.alarm("level-over") == "A"


# --- W05: a seep too slow for the meter ---


def test_a_slow_rise_over_hours_is_told_and_shuts_nothing(story: Story) -> None:
    """Claim (W05): seven hours that rose by half a litre each, and the eighth like them, are told
    at its end; a new fill begins the watch anew.
    """
    creep = story.station.creep
    assert creep is not None
    now_s = story.engine_s
    from_s = now_s - 8 * HOUR_S + 60.0
    hours = tuple((float(h), 374.5 + 0.5 * h) for h in range(1, 8))
    told = replace(creep, from_s=from_s, hours=hours, hour_s=from_s + 7 * HOUR_S,
                   hour_sum_l=0.0, hour_count=0)  # fmt: skip
    story.station = replace(story.station, creep=told)
    story.run(125.0)
    assert story.phase is Phase.IDLE
    assert story.alarm("seep-slow") == "B"
    story.fill(20.0).run(1.0)
    assert story.station.creep is None
    story.until(Phase.DONE, 300.0).run(1.0)
    assert story.alarm("seep-slow") == "E"
    assert story.station.creep is not None
    assert story.station.creep.hours == ()


# --- the balance and the phases ---


def test_a_new_fill_forgets_what_the_last_one_was_told_of(story: Story) -> None:
    """Claim: a verdict belongs to its fill; the alarm latches, the verdict does not."""
    story.fill(420.0).run(300.0)
    story.arrives = 0.0
    story.until(STOPPED, 60.0)
    story.arrives = 1.0
    story.run(200.0)
    assert story.ask("reset").ok
    assert story.raised() == set()
    story.fill(20.0).until(Phase.DONE, 300.0)
    assert story.raised() == set()
    assert story.done(FillEnded)[-1].fill.ended == "done"


@pytest.mark.parametrize("phase", sorted(UNDER_WAY - {Phase.DRAINING}))
def test_no_loss_can_be_set_aside(story: Story, phase: Phase) -> None:
    """Claim: whatever tells of lost water cannot be shelved, in any phase."""
    reach(story, phase)
    for key in ("hose-off", "part-missing", "falls", "drains-away", "level-over"):
        assert not may_wait(RULES[BY_KEY[key]])
        assert not story.ask("shelve", key=key, minutes=5, why="busy").ok
