"""Timed stories of people: stopping, resetting, acknowledging, and two of them at once."""

from __future__ import annotations

import pytest

from monitor.core.events import AlarmTurned, Answer, FillEnded, SendPermit, SendWithdraw
from monitor.core.limits import DEFAULTS
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.reading import Fault
from support.stories import Story, full_plan, reach

STOPPED, FILLING, IDLE = Phase.STOPPED, Phase.FILLING, Phase.IDLE


@pytest.mark.parametrize("phase", list(Phase))
def test_stop_always_wins(story: Story, phase: Phase) -> None:
    """Claim (C17): whatever the phase, stop is granted, both relays are released in that step, and
    no permit follows.
    """
    reach(story, phase)
    before = len(story.permits)
    assert story.ask("stop").ok
    assert not story.relay
    assert not story.draining
    if phase in UNDER_WAY:
        assert story.phase is STOPPED
        assert story.station.cause == "person" or phase is STOPPED
    elif phase is Phase.CHECKING:
        assert story.phase is IDLE
    else:
        assert story.phase is phase
    story.run(60.0)
    assert len(story.permits) == before
    assert not story.relay


def test_a_stop_while_a_rule_says_hold_stops(filling: Story) -> None:
    """Claim: a person's stop outranks a hold."""
    filling.run(0.5)
    filling.faults["incoming"] = Fault.CRC
    filling.run(2.6)
    filling.ask("stop")
    assert filling.phase is STOPPED
    assert filling.station.cause == "person"


def test_a_stopped_station_issues_no_permit_until_reset_and_checks(filling: Story) -> None:
    """Claim: stopped is left by a reset only, to idle only; a fill then takes the full checks."""
    filling.ask("stop")
    before = len(filling.permits)
    filling.run(30.0)
    reply = filling.ask("fill", litres=20.0)
    assert not reply.ok
    assert "reset" in reply.text
    filling.run(10.0)
    assert filling.phase is STOPPED
    assert filling.ask("reset").ok
    assert filling.phase is IDLE
    filling.run(10.0)
    assert len(filling.permits) == before
    asked_s = filling.now_s
    filling.fill(20.0)
    assert filling.now_s - asked_s >= DEFAULTS.check_quiet_s
    filling.finish()
    assert filling.ended() == [("stopped", "person"), ("done", "")]


def test_acknowledging_silences_and_never_reopens(filling: Story) -> None:
    """Claim (P02): ack marks the alarm as seen, by whom, and moves neither phase nor valve."""
    filling.edge(wet=True)
    before = len(filling.permits)
    reply = filling.ask("ack", by="keeper two")
    assert reply.ok
    assert reply.text == "2 acknowledged"  # the engine's leak and the guard's word for it
    assert filling.alarm("leak") == "C"
    assert filling.phase is STOPPED
    filling.run(60.0)
    assert filling.alarm("leak") == "C"
    assert len(filling.permits) == before
    assert not filling.relay
    assert filling.data()["alarms"][0]["acked_by"] == "keeper two"
    assert filling.ask("ack").text == "nothing to acknowledge"


def test_one_alarm_can_be_acknowledged_by_its_key(filling: Story) -> None:
    """Claim: a key picks one alarm; an unknown key picks none."""
    filling.edge(wet=True)
    assert filling.ask("ack", key="no-such-alarm").text == "nothing to acknowledge"
    assert filling.alarm("leak") == "B"
    assert filling.ask("ack", key="leak").text == "1 acknowledged"
    assert filling.alarm("leak") == "C"
    assert filling.alarm("guard-w06") in ("B", "E")


def test_a_reset_while_wet_is_refused_with_the_reason(filling: Story) -> None:
    """Claim (P03): while the probe is wet there is no reset, acknowledged or not."""
    filling.edge(wet=True)
    for _ in range(2):
        reply = filling.ask("reset")
        assert not reply.ok
        assert "Water on the floor" in reply.text
        assert reply.data["keys"] == ["leak"]
        assert filling.phase is STOPPED
        filling.ask("ack")
    filling.edge(wet=False)
    filling.run(2.0)
    assert filling.phase is STOPPED
    assert filling.ask("reset").ok
    assert filling.raised() == set()


def test_a_dried_probe_does_not_reset_itself(filling: Story) -> None:
    """Claim: the trip latches: the condition gone is not enough."""
    filling.edge(wet=True)
    filling.edge(wet=False)
    filling.run(600.0)
    assert filling.phase is STOPPED
    assert filling.alarm("leak") == "E"
    assert not filling.relay


def test_a_wet_probe_that_comes_again_alarms_again(filling: Story) -> None:
    """Claim: an acknowledged, latched alarm that returns is new to people."""
    filling.edge(wet=True)
    filling.ask("ack")
    filling.edge(wet=False)
    assert filling.alarm("leak") == "F"
    filling.edge(wet=True)
    assert filling.alarm("leak") == "B"


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_a_reset_during_a_fill_is_refused(story: Story, phase: Phase) -> None:
    """Claim: a reset is for what has stopped."""
    reach(story, phase)
    reply = story.ask("reset")
    assert not reply.ok
    assert phase.value in reply.text
    assert story.phase is phase


@pytest.mark.parametrize("verb", ["fill", "change"])
def test_a_reset_while_checking_leaves_the_request_alone(story: Story, verb: str) -> None:
    """Claim: what is being checked goes on being checked, a fill or a drain."""
    story.fit(full_plan(), before_l=600.0)
    story.ask(verb, litres=20)
    asked = story.running
    assert story.ask("reset").ok
    assert story.phase is Phase.CHECKING
    assert story.running == asked
    story.until(FILLING if verb == "fill" else Phase.DRAINING)


def test_a_reset_at_rest_clears_what_is_over(story: Story) -> None:
    """Claim: from done a reset leads to idle; latched warnings are let go of."""
    story.fill(20.0).finish()
    story.water.shut_lpm = 0.6
    story.run(60.0)
    story.water.shut_lpm = 0.0
    story.run(3.0)
    assert story.alarm("seep") == "E"
    assert story.ask("reset").ok
    assert story.phase is IDLE
    assert story.raised() == set()


def test_a_reset_does_not_clear_a_warning_that_is_still_true(story: Story) -> None:
    """Claim: a standing warning stays, seen."""
    story.water.shut_lpm = 0.6
    story.run(60.0)
    assert story.ask("reset").ok
    assert story.alarm("seep") == "C"


@pytest.mark.parametrize("phase", [p for p in Phase if p not in (IDLE, Phase.DONE)])
def test_a_second_fill_is_refused(story: Story, phase: Phase) -> None:
    """Claim (C17, W24): two people asking make one fill."""
    reach(story, phase)
    fill = story.station.fill
    reply = story.ask("fill", litres=20.0)
    assert not reply.ok
    assert story.phase is phase
    assert (story.station.fill is None) is (fill is None)
    if fill is not None:
        assert story.running.id == fill.id


def test_an_unknown_request_changes_nothing(filling: Story) -> None:
    """Claim: what is not understood is answered, bounded, and does nothing."""
    state = filling.station
    reply = filling.ask("x" * 1000)
    assert not reply.ok
    assert len(reply.text) < 200
    assert filling.station == state


def test_asking_for_the_status_changes_nothing(filling: Story) -> None:
    """Claim: looking is free."""
    state = filling.station
    assert filling.ask("status").ok
    assert filling.station == state


def test_each_request_is_answered_once_and_by_its_id(story: Story) -> None:
    """Claim: every verb gets exactly one answer with the request's own id."""
    for number, verb in enumerate(("status", "fill", "stop", "ack", "reset", "dance")):
        story.ask(verb)
        replies = [a.reply.id for a in story.done(Answer)]
        assert replies == [f"r{n}" for n in range(number + 1)]


def test_a_fill_ends_once(filling: Story) -> None:
    """Claim: what comes after the end ends nothing again, but for the account once it has settled:
    the same fill, the same cause.
    """
    filling.ask("stop")
    filling.edge(wet=True)
    filling.ask("stop")
    filling.run(300.0)
    ends = filling.done(FillEnded)
    assert len(ends) <= 2
    assert {(end.fill.id, end.fill.ended, end.key) for end in ends} == {
        (filling.running.id, "stopped", "person")
    }


def test_a_stop_is_withdrawn_for_good(filling: Story) -> None:
    """Claim: the guard is told that this fill may not go on, and spends it."""
    filling.ask("stop")
    last = filling.done(SendWithdraw)[-1].withdraw
    assert (last.resumable, last.cause) == (False, "person")
    assert filling.running.id in filling.guard.spent


def test_alarm_changes_are_told_once(filling: Story) -> None:
    """Claim: a standing alarm does not repeat itself every second."""
    filling.edge(wet=True)
    filling.run(120.0)
    told = [a for a in filling.done(AlarmTurned) if a.key == "leak"]
    assert len(told) == 1
    assert filling.done(SendPermit)
