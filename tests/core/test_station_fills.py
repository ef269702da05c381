"""Timed stories of fills that go well, and of those that never begin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.events import FillBegun, FillEnded, FillRefused, SendPermit, SendWithdraw
from monitor.core.limits import DEFAULTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import Phase
from monitor.core.reading import Fault
from support.stories import (
    FLOW_LPM,
    LEAK,
    METER,
    NODE_EPOCH_S,
    TEMP,
    Story,
    pack_of,
    river_plan,
)


def test_a_fill_to_the_mark_ends_done_without_an_alarm(story: Story) -> None:
    """Claim: a healthy plant fills 420 L up to the mark, shuts at the float and alarms nobody."""
    story.fill(420.0)
    opened_s = story.now_s
    story.finish()
    assert story.ended() == [("done", "")]
    assert story.raised() == set()
    assert story.water.litres == pytest.approx(420.0, abs=0.01)
    assert story.running.delivered_l == pytest.approx(420.0, abs=0.01)
    high_s = opened_s + 420.0 / FLOW_LPM * 60.0
    assert story.shut_after(high_s) == pytest.approx(0.0, abs=1.1)
    assert len(story.relay_log) == 2
    assert len(story.done(FillBegun)) == len(story.done(FillEnded)) == 1


def test_nothing_opens_before_the_checks_have_lasted(story: Story) -> None:
    """Claim: from the request to the first permit at least check_quiet_s pass, and no more than
    a reading period on top when everything is well.
    """
    asked_s = story.now_s
    story.fill(420.0)
    waited_s = story.when(Phase.FILLING) - asked_s
    assert DEFAULTS.check_quiet_s <= waited_s <= DEFAULTS.check_quiet_s + 1.0
    assert not story.permits_since(0.0) or story.permits[0][0] >= story.when(Phase.FILLING)


def test_the_phases_of_a_good_fill_come_in_their_order(story: Story) -> None:
    """Claim: checking, filling, closing, settling, done; and it settles for settle_s."""
    story.fill(20.0).finish()
    names = [Phase.CHECKING, Phase.FILLING, Phase.CLOSING, Phase.SETTLING, Phase.DONE]
    times = [story.when(name) for name in names]
    assert times == sorted(times)
    assert times[4] - times[3] == pytest.approx(DEFAULTS.settle_s, abs=1.0)


def test_a_permit_quotes_the_newest_pack_and_this_boot(filling: Story) -> None:
    """Claim: each permit is a lease in the node's own time from the very pack that earned it, with
    the configured time to live, and sequence numbers only rise.
    """
    assert len(filling.permits) >= 118
    for at_s, permit in filling.permits:
        assert permit.as_of_s == pytest.approx(NODE_EPOCH_S + at_s, abs=1e-6)
        assert (permit.node_boot, permit.fill) == ("boot-a", filling.running.id)
        assert permit.ttl_s == DEFAULTS.permit_ttl_s
    seqs = [permit.seq for _, permit in filling.permits]
    assert seqs == sorted(set(seqs))


def test_one_permit_a_pack_and_none_without(filling: Story) -> None:
    """Claim: time alone, an echo or word of a connection never earns a permit."""
    before = len(filling.permits)
    filling.up_lost = True
    filling.run(2.9)
    assert len(filling.permits) == before


def test_a_fill_by_litres_ends_at_the_meter(story: Story) -> None:
    """Claim: a fill of so many litres ends at that many, give or take what runs in one second."""
    story.fill(100.0, to="litres")
    story.finish()
    assert story.ended() == [("done", "")]
    assert 100.0 <= story.water.litres <= 100.0 + 1.1 * FLOW_LPM / 60.0


def test_a_fill_by_level_needs_what_the_vessel_says(story: Story) -> None:
    """Claim: at 0.27 m the 2.0 x 0.7 m tank needs 2.0·0.7·0.30 m³ = 420 L up to 0.57 m."""
    reply = story.ask("fill", level_m=0.27)
    assert reply.ok
    assert reply.data["need_l"] == pytest.approx(420.0, abs=0.1)


def test_the_withdrawal_at_the_mark_is_for_good(story: Story) -> None:
    """Claim: at the mark the permit is withdrawn, not resumable, with the cause 'mark'."""
    story.fill(20.0).finish()
    last = story.done(SendWithdraw)[-1].withdraw
    assert (last.cause, last.resumable, last.fill) == ("mark", False, story.running.id)


def test_after_done_no_permit_comes_and_a_second_fill_works(story: Story) -> None:
    """Claim: a finished fill stays finished, and the next one needs no reset."""
    story.fill(20.0).finish()
    ended_s = story.now_s
    story.run(60.0)
    assert story.permits_since(ended_s) == []
    story.edge(high=False)
    story.fill(20.0).finish()
    assert story.ended() == [("done", ""), ("done", "")]
    assert story.done(FillEnded)[0].fill.id != story.done(FillEnded)[1].fill.id


def test_another_tap_raises_no_alarm(filling: Story) -> None:
    """Claim (W13): flow that drops to a third for a minute and to nothing for ten seconds is life,
    not a fault.
    """
    filling.water.open_lpm = 3.0
    filling.run(60.0)
    filling.water.open_lpm = 0.0
    filling.run(10.0)
    filling.water.open_lpm = FLOW_LPM
    filling.finish()
    assert filling.raised() == set()
    assert filling.ended() == [("done", "")]


def test_the_expected_time_is_fixed_once_and_only_ever_tightens(story: Story) -> None:
    """Claim: after learn_s the time limit follows the measured flow and never moves later."""
    story.fill(420.0)
    before_s = story.running.time_limit_s
    story.run(DEFAULTS.learn_s + 2.0)
    fixed_s = story.running.time_limit_s
    assert fixed_s < before_s
    plain_s = 420.0 / FLOW_LPM * 60.0
    ahead = story.running.expected
    assert ahead is not None
    expected_s = story.running.expected_at_s + ahead.remaining_s
    assert expected_s == pytest.approx(plain_s, rel=0.05)
    assert plain_s * (1.0 + DEFAULTS.time_margin) < fixed_s < 1.5 * plain_s
    story.water.open_lpm = 8.0
    story.run(300.0)
    assert story.running.time_limit_s == fixed_s


def test_until_the_flow_is_known_the_time_is_that_of_a_slow_flow(story: Story) -> None:
    """Claim: 12 L at the floor of 2 L/min take 360 s; a fifth and 120 s on top make 552 s. A need
    that would take longer than open_max_s is held there.
    """
    story.ask("fill", litres=12.0)
    assert story.running.time_limit_s == pytest.approx(552.0)
    story.ask("stop")
    story.ask("fill", litres=700.0)
    assert story.running.time_limit_s == DEFAULTS.open_max_s


def test_the_volume_limit_is_need_and_uncertainty_and_margin(story: Story) -> None:
    """Claim: up to the mark 420 L may become 420·(1 + 0.03 + 0.03) + 4 = 449.2 L by the meter; by
    litres only the fixed 4 L are added.
    """
    story.ask("fill", litres=420.0)
    assert story.running.volume_limit_l == pytest.approx(449.2)
    story.ask("stop")
    story.ask("fill", litres=420.0, to="litres")
    assert story.running.volume_limit_l == pytest.approx(424.0)


# --- refused: one story a permissive ---


REFUSALS = {
    "float": {"high": True},
    "leak": {"faults": {LEAK: Fault.ERROR}},
    "temperature": {"faults": {TEMP: Fault.MISSING}},
    "meter": {"faults": {METER: Fault.NOISE}},
    "shut": {"valve_stuck": True},
}


@pytest.mark.parametrize("key", REFUSALS)
def test_a_check_that_does_not_pass_refuses_the_fill(story: Story, key: str) -> None:
    """Claim: each check alone keeps the valve shut and, after check_max_s, refuses with its
    reason and remedy.
    """
    for name, value in REFUSALS[key].items():
        setattr(story, name, value)
    story.run(5.0)
    story.ask("fill", litres=420.0)
    asked_s = story.now_s
    story.until(Phase.IDLE)
    refused = story.done(FillRefused)[0]
    assert key in refused.failing
    row = next(row for row in PERMISSIVES if row.key == key)
    assert row.reason in refused.text
    assert row.remedy in refused.text
    assert story.now_s - asked_s == pytest.approx(DEFAULTS.check_max_s, abs=1.1)
    assert story.permits == []
    assert story.relay_log == []
    assert story.station.fill is None


def test_water_that_runs_although_shut_refuses_the_fill(story: Story) -> None:
    """Claim: flow at the valve's rest is seen before the valve is opened."""
    story.water.shut_lpm = 1.0
    story.run(2.0)
    story.ask("fill", litres=420.0)
    story.until(Phase.IDLE)
    assert story.done(FillRefused)[0].failing == ("still",)


def test_water_hot_enough_to_scald_refuses_the_fill(story: Story) -> None:
    """Claim: dead water at the scald limit keeps the valve shut; just under it does not."""
    story.temp_c = 43.0
    story.run(2.0)
    story.ask("fill", litres=420.0)
    story.until(Phase.IDLE)
    assert story.done(FillRefused)[0].failing == ("temperature",)
    story.temp_c = 42.9
    story.run(2.0)
    story.fill(420.0)
    assert story.phase is Phase.FILLING


def test_a_node_that_is_not_heard_refuses_the_fill(story: Story) -> None:
    """Claim: without the node no check can be judged, so none passes."""
    story.node_alive = False
    story.run(10.0)
    story.ask("fill", litres=420.0)
    story.until(Phase.IDLE)
    assert {"node", "float", "leak", "temperature", "meter"} <= set(
        story.done(FillRefused)[0].failing
    )


def test_a_broker_that_is_not_there_refuses_the_fill() -> None:
    """Claim: an engine without its broker starts nothing."""
    story = Story()
    story.run(5.0)
    story.ask("fill", litres=420.0)
    story.until(Phase.IDLE)
    assert "broker" in story.done(FillRefused)[0].failing


def test_a_check_that_passes_late_lets_the_fill_begin(story: Story) -> None:
    """Claim: the checks may take until check_max_s; a float that falls in time is in time."""
    story.edge(high=True)
    story.ask("fill", litres=420.0)
    story.run(8.0)
    assert story.phase is Phase.CHECKING
    story.edge(high=False)
    assert story.phase is Phase.FILLING


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ({}, "give the litres"),
        ({"litres": "420"}, "give the litres"),
        ({"litres": True}, "give the litres"),
        ({"litres": None}, "give the litres"),
        ({"litres": float("nan")}, "give the litres"),
        ({"litres": 0.0}, "W18"),
        ({"litres": -3.0}, "W18"),
        ({"litres": 0.99}, "W18"),
        ({"litres": 798.1}, "W18"),
        ({"litres": float("inf")}, "W18"),
        ({"litres": 10**400}, "W18"),
        ({"litres": -(10**400)}, "W18"),
        ({"level_m": -0.01}, "W18"),
        ({"level_m": 0.57}, "W18"),
        ({"level_m": 3.0}, "W18"),
    ],
)
def test_litres_that_cannot_be_are_refused_at_once(
    story: Story, args: dict[str, object], why: str
) -> None:
    """Claim (W18): the empty tank takes 2.0·0.7·0.57 m³ = 798 L up to the mark, no litre more."""
    reply = story.ask("fill", **args)
    assert not reply.ok
    assert why in reply.text
    assert story.phase is Phase.IDLE
    assert story.station.fill is None


@pytest.mark.parametrize("litres", [1.0, 797.9, 42])
def test_litres_that_fit_are_taken(story: Story, litres: float) -> None:
    """Claim: both ends of what fits are allowed, and whole numbers too."""
    assert story.ask("fill", litres=litres).ok


def test_a_high_float_of_a_second_switch_ends_the_fill_too() -> None:
    """Claim (S07): of two floats the worse one wins."""
    plan = river_plan(floats=("float_high", "float_spare"))
    story = Story(plan=plan)
    story.node_alive = False
    story.begin()

    def say(seconds: float, spare: float, opened: bool = False) -> None:
        story.now_s += seconds
        story.seq += 1
        story.feed_pack(
            pack_of(story.seq, story.node_s, valve_open=opened, float_spare=spare)
        )

    say(0.0, 0.0)
    story.ask("fill", litres=2.0)
    for _ in range(4):
        say(1.0, 0.0)
    assert story.phase is Phase.FILLING
    assert story.done(SendPermit)
    say(1.0, 1.0, opened=True)
    assert story.phase is Phase.CLOSING


def test_only_a_reading_made_after_the_command_says_that_the_valve_is_shut(story: Story) -> None:
    """Claim: a late reading from before the close command, although it says 'shut', ends no
    closing; the next one does.
    """
    story.fill(20.0, to="litres").run(100.5)
    story.up_lost = story.down_lost = True
    total = story.running.count_from + 20 * 450 + 100

    def say(made_s: float, valve_open: bool) -> None:
        """Bring a pack, made so long ago, that says that all the litres are in."""
        story.seq += 1
        pack = pack_of(story.seq, story.node_s + made_s, valve_open=valve_open)
        full = tuple(replace(s, count=total) if s.sensor == METER else s for s in pack.samples)
        story.feed_pack(replace(pack, samples=full))

    say(-0.4, valve_open=True)
    assert story.phase is Phase.CLOSING
    say(-0.3, valve_open=False)
    assert story.phase is Phase.CLOSING
    say(0.0, valve_open=False)
    assert story.phase is Phase.SETTLING


def test_a_fill_begins_once_whatever_its_holds(filling: Story) -> None:
    """Claim: resuming is no new beginning."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    filling.temp_c = 25.0
    filling.finish()
    assert len(filling.done(FillBegun)) == 1
