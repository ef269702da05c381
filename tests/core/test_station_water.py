"""Timed stories of water that goes where it should not, or does not come. One or more a rule."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.core.events import FillEnded, Linked, SendPermit
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.reading import Fault
from monitor.core.station import standing
from support.stories import FLOW_LPM, OVER, PULSES_PER_L, Story, presence, reach, river_plan

HOLDING, STOPPED = Phase.HOLDING, Phase.STOPPED


def top(story: Story) -> str:
    """Return the key of the alarm that people see first."""
    return standing(story.station)[0][0].key


# --- W01: the float does not rise ---


def test_a_stuck_float_is_ended_by_the_litres(story: Story) -> None:
    """Claim (W01): with the float stuck low the valve is shut before more than need and margin
    is in, what comes until the next reading and while it closes included, and not much sooner.
    """
    story.fill(420.0, room_l=float("inf"))
    story.until(STOPPED, 4000.0)
    limit_l = 420.0 * 1.06 + 4.0
    assert not story.relay
    coming_l = FLOW_LPM / 60.0 * (story.period_s + story.plan.closing_s)
    assert limit_l - 2 * coming_l < story.water.litres <= limit_l
    assert (story.station.cause, story.station.cause_key) == ("W01", "over-volume")
    assert story.ended() == [("stopped", "over-volume")]


def test_too_many_litres_in_a_hold_end_the_fill_there(story: Story) -> None:
    """Claim (W01): litres that pass the limit while the fill is on hold stop it: it does not open
    once more to find out.
    """
    story.fill(420.0, room_l=float("inf"))
    story.run(60.0)
    story.temp_c = 30.0
    story.until(HOLDING, 60.0)
    story.water.litres = 460.0
    story.water.pulses = 460.0 * PULSES_PER_L
    story.run(3.0)
    assert story.phase is STOPPED
    assert story.station.cause == "W01"


def test_a_second_float_shuts_at_once(story: Story) -> None:
    """Claim (W01): with the main float stuck, the second one shuts by the guard in the same
    instant, at top priority, and not as a good end.
    """
    story.fit(river_plan(overs=(OVER,)))
    story.fill(420.0, room_l=float("inf")).run(60.0)
    story.edge(over=True)
    assert not story.relay
    assert story.guard.cause == "W01"
    assert story.phase is STOPPED
    assert story.station.cause == "W01"
    assert not story.ask("reset").ok
    story.edge(over=False)
    assert story.ask("reset").ok


def test_the_engine_sees_a_second_float_that_the_guard_does_not_watch(story: Story) -> None:
    """Claim (W01): in every phase, and a reading that is missing closes a fill like a high one."""
    story.fit(river_plan(overs=(OVER,)))
    story.trips.clear()
    story.edge(over=True)
    assert (story.phase, story.station.cause_key) == (STOPPED, "over-float")
    story.edge(over=False)
    assert story.ask("reset").ok
    story.fill(420.0).run(60.0)
    story.faults[OVER] = Fault.WIRING
    story.until(STOPPED, 5.0)
    assert story.station.cause_key == "over-unread"


# --- W10: the return pump ---


@pytest.mark.parametrize("good", [True, False])
def test_the_pump_is_asked_for_until_a_person_says_it_runs(story: Story, good: bool) -> None:
    """Claim (W10): ten minutes after a fill ended, well or not, people are told that nobody has
    confirmed the return pump; saying so ends it, and nothing else is moved by it.
    """
    story.fill(20.0)
    if good:
        story.finish()
    else:
        story.ask("stop")
    ended_s = story.now_s
    story.run(DEFAULTS.pump_confirm_s + 2.0)
    assert story.alarmed("pump-off") - ended_s == pytest.approx(DEFAULTS.pump_confirm_s, abs=1.1)
    phase = story.phase
    assert story.ask("pump").ok
    assert story.phase is phase
    assert story.alarm("pump-off") == "D"
    story.ask("ack")
    story.run(2 * DEFAULTS.pump_confirm_s)
    assert story.alarm("pump-off") == "A"


def test_a_pump_confirmed_in_time_or_not_there_is_not_asked_for(story: Story) -> None:
    """Claim (W10): no question without a pump, and none once it was answered."""
    story.fill(20.0).finish()
    story.ask("pump")
    story.run(2 * DEFAULTS.pump_confirm_s)
    assert story.raised() == set()
    story.plan = river_plan(return_pump=False)
    story.edge(high=False)
    story.fill(20.0).finish()
    story.run(2 * DEFAULTS.pump_confirm_s)
    assert story.raised() == set()


# --- W02 without a level sensor, W06: the leak probe ---


@pytest.mark.parametrize("phase", list(Phase))
def test_a_wet_probe_shuts_and_alarms_in_every_phase(story: Story, phase: Phase) -> None:
    """Claim (W06): wet means shut in the same instant, stopped and a top alarm, in every phase."""
    reach(story, phase)
    assert story.phase is phase
    wet_s, before = story.now_s, len(story.permits)
    story.edge(wet=True)
    assert not story.relay
    assert not story.draining
    assert story.phase is STOPPED
    assert story.alarm("leak") == "B"
    assert story.alarmed("leak") == wet_s
    story.run(30.0)
    assert len(story.permits) == before
    assert not story.relay


def test_a_probe_that_was_wet_and_cannot_be_read_any_more_counts_as_wet(story: Story) -> None:
    """Claim: losing the reading of a wet probe dries nothing."""
    story.edge(wet=True)
    story.faults["floor"] = Fault.MISSING
    story.run(10.0)
    assert story.alarm("leak") == "B"
    assert not story.ask("reset").ok


def test_the_guard_shuts_for_a_wet_probe_without_the_engine(filling: Story) -> None:
    """Claim (W06): with the engine frozen and the broker gone the probe still shuts at once."""
    filling.engine_frozen = True
    filling.broker_answers = False
    filling.edge(wet=True)
    assert not filling.relay
    assert filling.guard.cause == "W06"


def test_the_first_cause_stays_on_top(filling: Story) -> None:
    """Claim (P04): what came first is the cause, whatever follows, and stands on top."""
    filling.temp_c = 44.0
    filling.run(1.0)
    assert filling.station.cause_key == "scald"
    filling.edge(wet=True)
    filling.node_alive = False
    filling.run(10.0)
    assert (filling.station.cause, filling.station.cause_key) == ("T01", "scald")
    assert top(filling) == "scald"
    order = [rule.severity for rule, _ in standing(filling.station)][1:]
    assert order == sorted(order, reverse=True)


# --- W04: the valve does not shut ---


def test_flow_after_the_close_command_is_a_top_alarm(story: Story) -> None:
    """Claim (W04): water that goes on after the command is told of within 15 s."""
    story.fill(20.0).run(60.0)
    story.water.shut_lpm = FLOW_LPM
    story.until(STOPPED, 200.0)
    told_s = story.alarmed("valve-flows") - story.when(Phase.CLOSING)
    assert 4.0 < told_s <= 15.0
    assert top(story) == "valve-flows"
    assert story.station.cause == "W04"
    assert story.ended() == [("stopped", "valve-flows")]


def test_a_valve_reported_open_after_the_command_is_a_top_alarm(story: Story) -> None:
    """Claim (W04): a relay line that does not follow is told of within 15 s, flow or no flow."""
    story.fill(20.0).run(60.0)
    story.valve_stuck = True
    story.until(STOPPED, 200.0)
    told_s = story.alarmed("valve-open") - story.when(Phase.CLOSING)
    assert 4.0 <= told_s <= 15.0
    assert top(story) == "valve-open"


def test_water_that_runs_on_in_a_hold_stops_the_fill(filling: Story) -> None:
    """Claim (W04): in a hold the valve must shut too."""
    filling.water.shut_lpm = 2.0
    filling.temp_c = 30.0
    filling.until(STOPPED, 60.0)
    told_s = filling.alarmed("valve-flows") - filling.when(Phase.HOLDING)
    assert told_s <= 15.0


def test_water_that_runs_on_after_a_stop_is_told_too(filling: Story) -> None:
    """Claim (W04): a person's stop is a close command like any other."""
    filling.water.shut_lpm = FLOW_LPM
    filling.ask("stop")
    at_s = filling.now_s
    filling.run(15.0)
    assert filling.alarmed("valve-flows") - at_s <= 15.0
    assert filling.station.cause == "person"


def test_what_slips_through_a_closing_valve_is_no_alarm(story: Story) -> None:
    """Claim (W25): flow for closing_s and shut_grace_s after the command is the valve's way."""
    story.fill(20.0).run(60.0)
    story.water.shut_lpm = 4.0
    story.until(Phase.SETTLING, 200.0)
    story.run(3.0)
    story.water.shut_lpm = 0.0
    story.until(Phase.DONE, 60.0)
    assert story.raised() == set()


# --- W05: a seep ---


def test_a_seep_with_no_fill_is_told_within_a_minute(story: Story) -> None:
    """Claim (W05): 0.5 L/min with no fill running is told of within 60 s; nothing is stopped."""
    story.water.shut_lpm = 0.5
    at_s = story.now_s
    story.run(60.0)
    assert 10.0 <= story.alarmed("seep") - at_s <= 60.0
    assert story.phase is Phase.IDLE
    story.water.shut_lpm = 0.0
    story.run(2.0)
    assert story.alarm("seep") == "E"


def test_a_seep_after_a_fill_is_told_too(story: Story) -> None:
    """Claim (W05): done is at rest as idle is."""
    story.fill(20.0).finish()
    story.water.shut_lpm = 0.6
    story.run(60.0)
    assert story.alarm("seep") == "B"
    assert story.phase is Phase.DONE


def test_less_than_a_meter_can_tell_is_no_seep(story: Story) -> None:
    """Claim: below flow_min_lpm nothing is said, however long."""
    story.water.shut_lpm = 0.49
    story.run(600.0)
    assert story.raised() == set()


def test_one_odd_second_is_not_flow_for_that_long(story: Story) -> None:
    """Claim: a rule that wants its condition for so many seconds is not met by one second of it."""
    story.water.shut_lpm = 0.6
    story.run(1.0)
    story.water.shut_lpm = 0.0
    story.run(60.0)
    assert story.raised() == set()


# --- W14: too slow ---


def test_a_fill_that_takes_too_long_is_ended(filling: Story) -> None:
    """Claim (W14): when the flow halves for good the time limit from the first minute holds, and
    the valve shuts within a second of it.
    """
    limit_s = filling.running.time_limit_s
    filling.water.open_lpm = 4.0
    opened_s = filling.when(Phase.FILLING)
    filling.until(STOPPED, 2 * limit_s)
    open_s = filling.now_s - opened_s
    assert filling.station.cause_key == "over-time"
    assert filling.station.cause == "W14"
    assert limit_s < open_s <= limit_s + 1.1
    assert not filling.relay


def test_a_hold_does_not_use_up_the_time_of_a_fill(filling: Story) -> None:
    """Claim: only open time counts towards the time limit."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    before_s = filling.data()["fill"]["elapsed_s"]
    filling.temp_c = 25.0
    filling.until(Phase.FILLING, 120.0)
    filling.finish()
    assert filling.ended() == [("done", "")]
    assert filling.running.open_before_s == pytest.approx(2520.0, abs=5.0)
    assert before_s < 2520.0


# --- W15: no flow ---


def openings(story: Story) -> list[float]:
    """Return how long each opening of the relay lasted."""
    times = [at_s for at_s, _ in story.relay_log]
    return [end - start for start, end in zip(times[::2], times[1::2], strict=True)]


def test_no_flow_holds_tries_again_and_stops(story: Story) -> None:
    """Claim (W15): never longer than 30 s with an open valve and no flow; two tries more, then
    stopped for good.
    """
    story.water.open_lpm = 0.0
    story.fill(420.0)
    story.until(STOPPED, 600.0)
    assert story.station.cause_key == "no-flow"
    assert len(openings(story)) == 1 + int(DEFAULTS.holds_max)
    assert max(openings(story)) <= 30.0
    assert story.alarm("no-flow") in ("B", "E")
    assert story.running.holds == DEFAULTS.holds_max
    story.run(400.0)
    assert len(openings(story)) == 3


def test_flow_that_comes_back_lets_the_fill_end_well(filling: Story) -> None:
    """Claim (W15): a stopcock opened during the hold is all that was needed."""
    filling.water.open_lpm = 0.0
    filling.until(Phase.HOLDING)
    filling.water.open_lpm = FLOW_LPM
    held_s = filling.now_s
    filling.until(Phase.FILLING, 120.0)
    assert filling.now_s - held_s == pytest.approx(DEFAULTS.hold_pause_s, abs=1.1)
    filling.finish()
    assert filling.ended() == [("done", "")]
    assert filling.alarm("no-flow") == "E"


def test_flickering_flow_cannot_postpone_the_hold_past_its_bound(story: Story) -> None:
    """Claim (W15): a second of flow now and then does not keep the valve open beyond 30 s."""
    story.water.open_lpm = 0.0
    story.fill(420.0)
    opened_s = story.now_s
    for second in range(40):
        story.water.open_lpm = 0.0 if second % 2 else 0.6
        story.run(1.0)
        if story.phase is not Phase.FILLING:
            break
    assert story.when(Phase.HOLDING) - opened_s <= 30.0


def test_a_closing_valve_time_is_not_no_flow(story: Story) -> None:
    """Claim: flow that begins ten seconds late is no fault."""
    story.water.open_lpm = 0.0
    story.fill(420.0).run(10.0)
    story.water.open_lpm = FLOW_LPM
    story.run(120.0)
    assert story.phase is Phase.FILLING
    assert story.raised() == set()


# --- W18: more litres than there is room ---


def test_reaching_the_mark_before_the_litres_are_in_stops_the_fill(story: Story) -> None:
    """Claim (W18): a fill by litres that meets the float was meant for more room than there is."""
    story.fill(100.0, to="litres", room_l=60.0)
    story.until(STOPPED, 600.0)
    assert (story.station.cause, story.station.cause_key) == ("W18", "over-mark")
    assert story.water.litres == pytest.approx(60.0, abs=0.1)


# --- holds are bounded and earn the permissives again ---


def test_a_hold_that_cannot_end_becomes_a_stop(filling: Story) -> None:
    """Claim: after hold_max_s on hold the fill is over, with the hold's own cause."""
    filling.faults["incoming"] = Fault.MISSING
    filling.until(Phase.HOLDING)
    held_s = filling.now_s
    filling.until(STOPPED, 400.0)
    assert filling.now_s - held_s == pytest.approx(DEFAULTS.hold_max_s, abs=1.1)
    assert filling.station.cause_key == "temp-unread"
    assert filling.ended() == [("stopped", "temp-unread")]


SPOIL: dict[str, Callable[[Story], object]] = {
    "temperature": lambda s: setattr(s, "temp_c", 44.0),
    "broker": lambda s: s.feed(Linked(False)),
}


@pytest.mark.parametrize("key", SPOIL)
def test_a_hold_resumes_only_through_the_permissives(filling: Story, key: str) -> None:
    """Claim: a check that fails at the end of a hold keeps the valve shut."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    held_s = filling.now_s
    filling.temp_c = 25.0
    filling.run(50.0)
    SPOIL[key](filling)
    filling.run(60.0)
    assert filling.phase is Phase.HOLDING
    assert filling.permits_since(held_s + 0.5) == []


@pytest.mark.parametrize("gone", [True, False])
def test_a_hold_does_not_resume_on_a_node_that_has_left(filling: Story, gone: bool) -> None:
    """Claim: word that the node is gone keeps the valve shut at the end of a hold, although its
    last readings are still fresh; without that word the very same moment resumes.
    """
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    filling.temp_c = 25.0
    filling.run(DEFAULTS.hold_pause_s - 0.1)
    if gone:
        filling.feed(presence(False))
    filling.up_lost = True
    filling.run(0.5)
    assert filling.phase is (Phase.HOLDING if gone else Phase.FILLING)


def test_the_mark_may_be_reached_during_a_hold(filling: Story) -> None:
    """Claim: a float that rises in a hold ends the fill well, when the litres agree."""
    filling.run(2300.0)
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    filling.edge(high=True)
    assert filling.phase in (Phase.CLOSING, Phase.SETTLING)
    filling.finish()
    assert filling.ended() == [("done", "")]


def test_a_hold_tells_the_guard_that_it_may_go_on(filling: Story) -> None:
    """Claim: a hold pauses the guard, and the same fill resumes through it."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    assert not filling.relay
    assert filling.guard.phase.value == "paused"
    filling.temp_c = 25.0
    filling.until(Phase.FILLING, 120.0).run(2.0)
    assert filling.relay
    assert len(filling.done(FillEnded)) == 0
    assert filling.done(SendPermit)[-1].permit.fill == filling.running.id
