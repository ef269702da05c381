"""Timed stories of programs, brokers and networks that fail. One or more a hazard."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.events import AskEcho, Echo, Guarded, Heard, Linked, Tick
from monitor.core.exchange import GuardReport, Permit
from monitor.core.guard import GuardPhase
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.plan import Station
from support.stories import ENGINE, FLOW_LPM, Story, pack_of, presence, withdrawal

STOPPED, FILLING, IDLE = Phase.STOPPED, Phase.FILLING, Phase.IDLE
SHUT_S = 3.0  # hazards C01 to C05, from the failure to a shut valve
CLOSING_S = 1.0  # of which the valve itself takes this much


# --- C01, C02: the engine ---


@pytest.mark.parametrize("offset_s", [0.0, 0.3, 0.999])
@pytest.mark.parametrize(("gone", "cause"), [(True, "C01"), (False, "C02")])
def test_an_engine_that_is_gone_or_frozen_shuts_the_valve(
    filling: Story, gone: bool, cause: str, offset_s: float
) -> None:
    """Claim (C01, C02): whenever between two readings the engine ends, the relay is released soon
    enough for a valve that closes in a second to be shut within 3 s; the guard says whose silence.
    """
    filling.run(offset_s)
    at_s = filling.now_s
    filling.engine_frozen, filling.engine_gone = True, gone
    filling.run(60.0)
    assert filling.shut_after(at_s) + CLOSING_S <= SHUT_S
    assert filling.guard.cause == cause
    assert filling.running.id in filling.guard.spent


def test_an_engine_that_overslept_stops_and_reopens_nothing(filling: Story) -> None:
    """Claim (C02): thawed after half a minute, the engine takes what has piled up, finds itself
    late, and ends the fill.
    """
    filling.engine_frozen = True
    filling.run(30.0)
    before = len(filling.relay_log)
    filling.thaw().run(10.0)
    assert filling.phase is STOPPED
    assert filling.station.cause == "C02"
    assert len(filling.relay_log) == before
    assert filling.ended()[0][0] == "stopped"


def test_a_step_that_comes_late_is_noticed_by_itself(filling: Story) -> None:
    """Claim (C02): the engine sees by its own clock that it stood still, whatever it hears."""
    filling.engine_frozen = True
    filling.run(3.0)
    filling.mail.clear()
    filling.feed(Tick())
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "engine-late"


def test_a_late_step_at_rest_is_nothing(story: Story) -> None:
    """Claim: with no fill running an engine may be suspended."""
    story.engine_frozen = True
    story.run(100.0)
    story.mail.clear()
    story.thaw().run(10.0)
    assert story.phase is IDLE
    assert story.alarm("engine-late") == "A"


# --- C03, C04: the broker and the network ---


def test_a_broker_that_is_killed_shuts_and_is_named_on_both_sides(filling: Story) -> None:
    """Claim (C03): both sides shut within the bound and both say C03."""
    filling.broker_answers = False
    filling.feed(Linked(False))
    at_s = filling.now_s
    filling.run(5.0)
    assert filling.shut_after(at_s) + CLOSING_S <= SHUT_S
    assert filling.guard.cause == "C03"
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "broker-lost"
    assert filling.when(STOPPED) - at_s <= SHUT_S


def test_a_broker_that_hangs_is_told_from_a_silent_node_by_the_echo(filling: Story) -> None:
    """Claim (C03): a connection that stands proves nothing; the echo that does not come does."""
    filling.broker_answers = False
    filling.run(5.0)
    assert len(filling.done(AskEcho)) == 1
    assert filling.station.cause_key == "broker-lost"


def test_a_cut_towards_the_engine_shuts_from_both_ends(filling: Story) -> None:
    """Claim (C04): readings lost, permits stop, the guard lapses; the broker's echo comes, so the
    node is named, not the broker.
    """
    filling.up_lost = True
    at_s = filling.now_s
    filling.run(5.0)
    assert filling.shut_after(at_s) + CLOSING_S <= SHUT_S
    assert filling.station.cause_key == "node-silent"


def test_a_cut_towards_the_node_shuts_and_the_guards_word_gets_through(filling: Story) -> None:
    """Claim (C04): permits lost, the guard lapses and its report ends the fill at the engine."""
    filling.down_lost = True
    at_s = filling.now_s
    filling.run(5.0)
    assert filling.shut_after(at_s) + CLOSING_S <= SHUT_S
    assert filling.station.cause_key == "guard-c02"
    assert filling.phase is STOPPED


def test_a_slow_network_earns_no_permits(filling: Story) -> None:
    """Claim: a reading that was two seconds on its way is two seconds old, however fresh its
    arrival, so it renews nothing.
    """
    filling.up_delay_s = 2.0
    at_s = filling.now_s
    filling.run(20.0)
    assert not filling.relay
    assert filling.phase is STOPPED
    assert filling.permits_since(at_s + 1.0) == []


@pytest.mark.parametrize(("period_s", "delay_s"), [(1.0, 1.5), (0.5, 1.35)])
def test_readings_that_come_late_but_in_time_for_no_alarm_renew_nothing(
    filling: Story, period_s: float, delay_s: float
) -> None:
    """Claim: older than suspect_s earns no permit, even while nothing is amiss yet by the rules;
    the guard lapses and says so.
    """
    filling.period_s = period_s
    filling.run(3.0)
    filling.up_delay_s = delay_s
    at_s = filling.now_s
    filling.run(6.0)
    assert filling.permits_since(at_s + 0.1) == []
    assert not filling.relay
    assert filling.phase is STOPPED


def test_after_a_broken_broker_a_new_fill_works(filling: Story) -> None:
    """Claim: a reset after a real repair is all it takes; no stale doubt about the broker stays."""
    filling.broker_answers = False
    filling.run(10.0)
    filling.broker_answers = True
    filling.run(3.0)
    assert filling.ask("reset").ok
    filling.fill(20.0).finish()
    assert filling.ended()[-1] == ("done", "")


def test_an_echo_that_got_lost_does_not_refuse_fills_for_ever(filling: Story) -> None:
    """Claim: the doubt about the broker is looked into anew at the next pre-fill check."""
    filling.broker_answers = False
    filling.run(5.0)
    assert filling.station.echo_asked_s > filling.station.echo_seen_s
    filling.broker_answers = True
    filling.run(3.0)
    asked = len(filling.done(AskEcho))
    assert filling.ask("reset").ok
    filling.fill(20.0)
    assert len(filling.done(AskEcho)) == asked + 1


# --- C05, C06: the node ---


def test_a_node_that_is_killed_is_named_gone(filling: Story) -> None:
    """Claim (C05): the last will and the silence together say that the node is gone, within 3 s."""
    filling.node_alive = False
    filling.feed(presence(False))
    at_s = filling.now_s
    filling.run(3.0)
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "node-gone"
    assert filling.when(STOPPED) - at_s <= SHUT_S


def test_a_last_will_alone_stops_nothing(filling: Story) -> None:
    """Claim: while readings come, an old will of the node is only an old will."""
    filling.feed(presence(False))
    filling.run(30.0)
    assert filling.phase is FILLING


def test_word_of_the_engines_own_presence_is_not_the_nodes(filling: Story) -> None:
    """Claim: only the node's presence speaks for the node."""
    filling.feed(presence(False, role="engine"))
    assert not filling.station.node_gone


def test_a_node_that_freezes_is_named_silent(filling: Story) -> None:
    """Claim (C06): no will, no reading, and an echo from the broker: the node is silent."""
    filling.node_alive = False
    at_s = filling.now_s
    filling.run(5.0)
    assert filling.station.cause_key == "node-silent"
    assert filling.station.cause == "C06"
    assert filling.when(STOPPED) - at_s <= SHUT_S


def test_a_dead_node_is_not_said_to_report_an_open_valve(filling: Story) -> None:
    """Claim: the last word of a node that died in mid-fill was 'open'; that is no report that the
    valve stayed open after the command.
    """
    filling.node_alive = False
    filling.run(60.0)
    filling.ask("status")
    assert filling.alarm("valve-open") == "A"


def test_a_reset_waits_until_the_node_says_that_the_valve_is_shut(filling: Story) -> None:
    """Claim: as long as the last word was 'open', there is no reset."""
    filling.node_alive = False
    filling.run(10.0)
    assert not filling.ask("reset").ok
    filling.reboot().run(3.0)
    assert filling.ask("reset").ok


# --- C07, C08: restarts ---


def test_a_node_restart_in_mid_fill_ends_the_fill(filling: Story) -> None:
    """Claim (C08): the first pack of another boot ends the fill; nothing reopens by itself."""
    filling.reboot()
    filling.run(1.0)
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "node-gone"
    filling.run(120.0)
    assert not filling.relay
    assert filling.ask("reset").ok
    filling.fill(20.0).finish()


def test_a_node_restart_in_a_hold_ends_the_fill(filling: Story) -> None:
    """Claim (C08): a hold does not outlive the node it was on."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    filling.reboot()
    filling.run(1.0)
    assert filling.phase is STOPPED


def test_litres_of_another_boot_count_for_nothing(filling: Story) -> None:
    """Claim: a counter that began anew neither adds to nor takes from a fill's litres."""
    litres = filling.running.delivered_l
    filling.reboot()
    filling.run(20.0)
    assert filling.running.delivered_l == litres


def test_an_engine_restart_in_mid_fill_waits_for_a_person(story: Story) -> None:
    """Claim (C08): an engine that finds a fill left open is stopped from its first step, says
    'interrupted', and one reset is enough.
    """
    story.station = Station(interrupted=True)
    story.inputs.clear()
    story.begin()
    assert story.phase is STOPPED
    assert (story.station.cause, story.station.cause_key) == ("C08", "interrupted")
    assert not story.ask("fill", litres=20.0).ok
    assert story.ask("reset").ok
    assert story.alarm("interrupted") == "A"
    story.run(5.0)
    assert story.raised() == set()
    story.fill(20.0).finish()


def test_an_engine_that_is_back_within_the_lease_does_not_cry_over_the_open_valve(
    filling: Story,
) -> None:
    """Claim (C08): the valve that the engine before had lent a moment more is not one that does
    not shut; when it does not shut, that is told all the same within 15 s.
    """
    filling.station = Station(interrupted=True)
    filling.feed(Linked(True))
    assert filling.relay
    filling.run(5.0)
    assert not filling.relay
    assert filling.phase is STOPPED
    assert filling.alarm("valve-open") == "A"
    filling.valve_stuck = True
    filling.run(15.0)
    assert filling.alarm("valve-open") == "B"


# --- C09: old, repeated, out of order ---


def test_replayed_permits_open_nothing(filling: Story) -> None:
    """Claim (C09): every permit of a fill that has ended, played back at once or later, in any
    order, leaves the relay released.
    """
    filling.ask("stop")
    permits = [permit for _, permit in filling.permits]
    for permit in (*permits, *reversed(permits)):
        filling.act(permit)
        assert not filling.relay


def test_replayed_permits_of_a_running_fill_prolong_nothing(filling: Story) -> None:
    """Claim (C09): with the engine gone, its last permits played over and over buy no second."""
    filling.engine_frozen = True
    last_s = filling.guard.until_s
    for _ in range(40):
        filling.run(0.1)
        for _, permit in filling.permits[-3:]:
            filling.act(permit)
        assert filling.relay is (filling.node_s < last_s)


def test_a_permit_that_overtakes_nothing_but_a_hold_is_void(filling: Story) -> None:
    """Claim (C09): a permit sent before a hold and arriving after it does not reopen the valve."""
    late = filling.permits[-1][1]
    held = replace(late, seq=late.seq + 1, as_of_s=filling.node_s)
    filling.act(withdrawal(seq=held.seq + 1, fill=late.fill, resumable=True))
    assert filling.guard.phase is GuardPhase.PAUSED
    filling.act(held)
    assert not filling.relay
    filling.act(replace(held, seq=held.seq + 2))
    assert filling.relay


def test_packs_that_come_twice_or_late_change_nothing(filling: Story) -> None:
    """Claim (C09): a repeated pack earns at most the very same lease, and an older one nothing."""
    newest, older = filling.packs[-1], filling.packs[-3]
    state = filling.station.senses
    count = len(filling.permits)
    filling.feed_pack(older)
    assert filling.station.senses == state
    assert len(filling.permits) == count
    filling.feed_pack(newest)
    assert filling.station.senses == state
    assert all(permit.as_of_s == newest.uptime_s for _, permit in filling.permits[count:])


def test_a_late_pack_that_was_dry_does_not_dry_a_wet_floor(filling: Story) -> None:
    """Claim (C09): an older pack cannot take a leak back."""
    dry = filling.packs[-1]
    filling.edge(wet=True)
    filling.feed(Heard(dry))
    assert filling.data()["leak_wet"] is True
    assert filling.alarm("leak") == "B"


# --- C10: clocks ---


@pytest.mark.parametrize("when_s", [float("nan"), float("inf"), -float("inf"), 0.0, -1e300])
def test_a_senseless_time_stops_no_clock_and_opens_nothing(filling: Story, when_s: float) -> None:
    """Claim (C10): a moment that is no number, or lies behind, counts as no time at all."""
    before = filling.station.now_s
    filling.feed(Tick(), at_s=when_s)
    assert filling.station.now_s == before
    filling.run(5.0)
    assert filling.phase is FILLING


# --- C12: two of one kind ---


def test_of_two_engines_neither_is_obeyed(filling: Story) -> None:
    """Claim (C12): a live permit of a second engine shuts the valve at once and ends both fills;
    the engine whose fill ran is told.
    """
    rival = Permit("river", "engine-two", 7, "boot-a", filling.node_s, 1.9, "rival-fill")
    filling.act(rival)
    assert not filling.relay
    assert filling.guard.cause == "C12"
    assert filling.station.cause_key == "guard-c12"
    for step in range(30):
        filling.run(0.2)
        filling.act(replace(rival, seq=8 + step, as_of_s=filling.node_s))
        assert not filling.relay


def test_reports_about_other_fills_are_not_about_this_one(filling: Story) -> None:
    """Claim: an old report of the guard, still kept by the broker, ends no new fill."""
    for cause in ("C02", "W06", None, "mark"):
        report = GuardReport("river", "river-pi", "boot-a", 0.0, False, "older", cause)
        filling.feed(Guarded(report))
    own = GuardReport("river", "river-pi", "boot-a", 0.0, True, filling.running.id, None)
    filling.feed(Guarded(own))
    assert filling.phase is FILLING


def test_two_nodes_of_one_name_end_the_fill(filling: Story) -> None:
    """Claim (C12): readings of a second boot end the fill at their first pack, and the valve of
    neither is obeyed while both talk.
    """
    filling.feed_pack(pack_of(1, 5.0, boot="twin"))
    assert filling.phase is STOPPED
    assert not filling.relay


def test_two_nodes_of_one_name_at_rest_are_told_until_one_is_gone(story: Story) -> None:
    """Claim (C12): the twin is no restart; it alarms, keeps every fill out, and can be reset once
    only one node speaks.
    """
    story.run(5.0)
    first = story.station.senses
    story.feed_pack(pack_of(1, 5.0, boot="twin"))
    story.feed_pack(pack_of(first.seq + 1, first.uptime_s + 1.0, boot=first.boot))
    assert story.phase is STOPPED
    assert story.station.cause == "C12"
    assert not story.ask("reset").ok
    story.feed_pack(pack_of(2, 6.0, boot="twin"))
    assert not story.ask("fill", litres=420).ok


# --- silence at rest ---


def test_a_silent_node_at_rest_is_a_low_warning_that_goes_by_itself(story: Story) -> None:
    """Claim (C05): at rest a silence is told, stops nothing, and is over when the node is back and
    a person has seen it.
    """
    story.node_alive = False
    at_s = story.now_s
    story.run(30.0)
    assert story.alarm("node-quiet") == "B"
    assert story.alarmed("node-quiet") - at_s <= DEFAULTS.quiet_bound_s
    assert story.phase is IDLE
    story.reboot().run(5.0)
    assert story.alarm("node-quiet") == "D"
    story.ask("ack")
    assert story.raised() == set()


def test_a_start_raises_no_alarm() -> None:
    """Claim: an engine that connects a moment before its node is heard cries over nothing."""
    story = Story()
    story.next_pass_s = 2.0
    story.begin()
    story.run(60.0)
    assert story.raised() == set()


def test_a_pause_of_one_reading_at_rest_raises_no_alarm(story: Story) -> None:
    """Claim: a reading or two lost at rest is not told to people."""
    for _ in range(20):
        story.up_lost = True
        story.run(2.0)
        story.up_lost = False
        story.run(20.0)
    assert story.raised() == set()


def test_an_echo_is_asked_for_once_a_silence_and_only_in_a_fill(story: Story) -> None:
    """Claim: the question is bounded: once a silence, never at rest."""
    story.up_lost = True
    story.run(30.0)
    assert story.done(AskEcho) == []
    story.up_lost = False
    story.run(5.0)
    story.fill(420.0).run(20.0)
    story.up_lost = True
    story.run(30.0)
    assert len(story.done(AskEcho)) == 1
    story.feed(Echo())
    assert story.station.echo_seen_s >= story.station.echo_asked_s


def test_the_story_s_engine_is_the_one_the_guard_heard(filling: Story) -> None:
    """Claim: what the tests above call the engine is what the guard took its permits from."""
    assert filling.guard.engine == ENGINE
    assert filling.water.litres == pytest.approx(FLOW_LPM * 2.0, abs=0.1)
