"""Timed stories of letting water out: by pump or valve, by a person's hose, and a whole change."""

from __future__ import annotations

from math import inf

import pytest

from monitor.core.events import Asked, FillBegun, FillEnded, FillRefused, Plugged, SwitchPlug
from monitor.core.exchange import PlugState, Way
from monitor.core.guard import GuardPhase
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.reading import Fault
from support.stories import (
    DEPTH,
    LOW,
    LOW_L,
    MARK_L,
    STATION,
    STORE,
    SUMP_HIGH,
    Story,
    full_plan,
    reach,
    request,
    river_plan,
)

DRAINING, STOPPED, DONE = Phase.DRAINING, Phase.STOPPED, Phase.DONE

@pytest.fixture
def story() -> Story:
    """The river tank at its mark, with everything fitted and the drain a pump's."""
    return Story(plan=full_plan(), before_l=MARK_L).begin()


@pytest.fixture
def draining(story: Story) -> Story:
    """A drain down to the low mark, a minute under way."""
    story.ask("drain")
    return story.until(DRAINING).run(60.0)


def orders(story: Story) -> list[tuple[str, bool]]:
    """Return what plugs were told, in order."""
    return [(a.order.plug, a.order.on) for a in story.done(SwitchPlug)]


def blind(**changes: object) -> Story:
    """Return a full tank whose only witness of the low mark is a float."""
    parts = {"lows": (LOW,), "drain": "pump", "low_m": 0.27, **changes}
    return Story(plan=river_plan(**parts), before_l=MARK_L).begin()


# --- drains that go well ---


def test_a_drain_ends_at_the_low_mark_by_the_level(story: Story) -> None:
    """Claim: 420 L are let out, the relay is released within two litres of the low mark, nobody is
    alarmed, and the fill valve was never touched.
    """
    assert story.ask("drain").data["need_l"] == pytest.approx(420.0, abs=3.0)
    story.until(DONE, 4000.0)
    assert story.ended() == [("done", "")]
    assert story.tank_l == pytest.approx(LOW_L, abs=2.0)
    assert story.raised() == set()
    assert [on for _, on in story.drain_log] == [True, False]
    assert story.relay_log == []
    assert story.running.delivered_l == pytest.approx(420.0, abs=4.0)


def test_a_drain_of_so_many_litres_ends_there(story: Story) -> None:
    """Claim: 100 L asked for are 100 L, give or take what the level is unsure of."""
    story.ask("drain", litres=100)
    story.until(DONE, 1000.0)
    assert MARK_L - story.tank_l == pytest.approx(100.0, abs=3.0)


@pytest.mark.parametrize(("args", "left_l"), [({"percent": 25}, 598.5), ({"level_m": 0.5}, 700.0)])
def test_a_drain_by_share_or_height(story: Story, args: dict[str, float], left_l: float) -> None:
    """Claim: a quarter of the 798 L at the mark, or down to half a metre."""
    story.ask("drain", **args)
    story.until(DONE, 2000.0)
    assert story.tank_l == pytest.approx(left_l, abs=3.0)


def test_the_low_float_ends_a_drain_at_once(draining: Story) -> None:
    """Claim (W23): the float releases the relay in the same instant, by the guard alone, and the
    drain is done, not tripped.
    """
    draining.others[LOW] = 1.0
    draining.edge()
    assert not draining.draining
    assert draining.drain.cause == "low-mark"
    assert draining.phase in (Phase.CLOSING, Phase.SETTLING)
    draining.until(DONE, 60.0)
    assert draining.raised() <= {"heater-dry"}
    assert draining.ended() == [("done", "")]


def test_without_a_level_the_low_float_is_witness_enough() -> None:
    """Claim: a plan with a low float alone drains, and reckons that what was asked for is out."""
    story = blind()
    assert story.raised() == set()
    assert story.ask("drain").ok
    story.until(DRAINING).run(1800.0)
    assert story.phase is DRAINING
    story.others[LOW] = 1.0
    story.edge()
    story.until(DONE, 60.0)
    assert story.running.delivered_l == pytest.approx(420.0)
    assert story.station.drained_l == pytest.approx(420.0)
    assert story.raised() == set()


def test_a_heater_is_not_bare_where_nothing_tells_the_water_s_height() -> None:
    """Claim (W22): without a level only the low float can tell of a bare heater."""
    story = blind(heater="other", heater_m=0.2)
    assert story.raised() == set()
    story.others[LOW] = 1.0
    story.run(2.0)
    assert story.alarm("heater-dry") == "B"


def test_permits_of_a_drain_are_for_its_own_valve(draining: Story) -> None:
    """Claim: each permit says which way, each earned by a pack; none for the fill valve."""
    assert len(draining.permits) >= 58
    assert {permit.way for _, permit in draining.permits} == {Way.OUT}
    assert draining.guard.phase is not GuardPhase.OPEN


def test_a_drain_that_goes_silent_is_shut_in_time(draining: Story) -> None:
    """Claim (C01 to C04): the lease is the same both ways: 3 s after the engine stopped, the
    drain's valve, which takes a second to close, is shut.
    """
    at_s = draining.now_s
    draining.engine_frozen = True
    draining.run(10.0)
    assert not draining.draining
    assert draining.drain_log[-1][0] - at_s + draining.plan.drain_closing_s <= 3.0


# --- drains that do not begin ---


@pytest.mark.parametrize(
    ("key", "others", "plan"),
    [
        ("above-low", {LOW: 1.0}, {}),
        ("store", {STORE: 1.0}, {}),
        ("sump", {SUMP_HIGH: 1.0}, {}),
    ],
)
def test_what_a_drain_needs(
    story: Story, key: str, others: dict[str, float], plan: dict[str, object]
) -> None:
    """Claim (W21, W22, W23): each check alone keeps the drain shut."""
    story.others |= others
    story.run(2.0)
    if story.phase is STOPPED:  # a full sump has stopped everything already
        assert key == "sump"
        assert not story.ask("drain").ok
        return
    story.ask("drain", litres=50)
    story.until(Phase.IDLE)
    assert key in story.ended_checks()
    assert story.drain_log == []


def test_a_full_float_keeps_no_drain_from_starting(story: Story) -> None:
    """Claim: a tank filled to the float, with a meter that is unplugged, may be let out."""
    story.edge(high=True)
    story.faults["incoming"] = Fault.MISSING
    story.ask("drain", litres=50)
    story.until(DRAINING)


def test_a_drain_is_refused_while_something_else_runs(draining: Story) -> None:
    """Claim (C17): one at a time, both ways."""
    for verb in ("drain", "change", "fill"):
        reply = draining.ask(verb, litres=20)
        assert not reply.ok
        assert "draining" in reply.text
    assert draining.phase is DRAINING


def test_a_station_without_a_drain_refuses_one() -> None:
    """Claim: the answer says so."""
    story = Story().begin()
    for verb in ("drain", "change"):
        assert not story.ask(verb).ok
    assert story.phase is Phase.IDLE


# --- stops, trips, and what goes on after them ---


def test_a_person_stops_a_drain(draining: Story) -> None:
    """Claim (C17): the relay is released in that step; what is out is told and may be put back."""
    draining.ask("stop")
    assert not draining.draining
    assert draining.ended() == [("stopped", "person")]
    assert draining.station.drained_l == pytest.approx(12.0, abs=4.0)
    draining.run(60.0)
    assert len(draining.drain_log) == 2
    assert draining.ask("reset").ok


@pytest.mark.parametrize(
    ("others", "cause"), [({STORE: 1.0}, "W21"), ({SUMP_HIGH: 1.0}, "W08")]
)
def test_a_float_elsewhere_stops_a_drain_at_once(
    draining: Story, others: dict[str, float], cause: str
) -> None:
    """Claim (W21, W08): a full waste vessel, or a sump that fills, shuts the drain in the very
    pass; the next drain waits until there is room again.
    """
    draining.others |= others
    draining.edge()
    assert not draining.draining
    assert (draining.phase, draining.station.cause) == (STOPPED, cause)
    draining.ask("reset")
    draining.ask("drain")
    draining.run(20.0)
    assert len(draining.drain_log) == 2
    draining.others.clear()
    draining.run(2.0)
    draining.ask("reset")
    draining.ask("drain")
    draining.until(DRAINING)


def test_the_drains_guard_shuts_for_a_full_waste_vessel_alone(draining: Story) -> None:
    """Claim (W21): with engine and broker gone it still shuts at once, and says why afterwards."""
    draining.engine_frozen, draining.broker_answers = True, False
    draining.others[STORE] = 1.0
    draining.edge()
    assert not draining.draining
    assert draining.drain.cause == "W21"


def test_the_engine_hears_the_drains_guard(draining: Story) -> None:
    """Claim (W21, W23): the guard's own word is the cause, though the engine missed the float."""
    draining.others[STORE] = 1.0
    draining.up_lost = True
    draining.edge()
    draining.others[STORE] = 0.0
    draining.up_lost = False
    draining._report_out()
    assert (draining.phase, draining.station.cause_key) == (STOPPED, "guard-w21")


@pytest.mark.parametrize(
    ("sensor", "keys"),
    [
        (LOW, {"guard-w23", "low-unread"}),
        (STORE, {"guard-w21", "store-unread"}),
        ("floor", {"guard-s02", "leak-unread"}),
        (DEPTH, {"level-unread"}),
    ],
)
def test_a_witness_that_cannot_be_read_stops_a_drain(
    draining: Story, sensor: str, keys: set[str]
) -> None:
    """Claim (W21, W23, S02, S06): whatever would have ended the drain must be readable; a drain
    never holds, it stops, within three missed readings.
    """
    at_s = draining.now_s
    draining.faults[sensor] = Fault.ERROR
    draining.until(STOPPED, 5.0)
    assert not draining.draining
    assert draining.now_s - at_s <= DEFAULTS.reading_stale_s
    assert draining.station.cause_key in keys


@pytest.mark.parametrize(
    ("sensor", "key"), [(LOW, "low-unread"), (STORE, "store-unread"), ("floor", "leak-unread")]
)
def test_the_engine_sees_what_the_drains_guard_does_not(
    story: Story, sensor: str, key: str
) -> None:
    """Claim: a float on another node is closed for by the engine when its reading is stale."""
    story.ask("drain")
    story.until(DRAINING)
    story.trips_out.clear()
    story.faults[sensor] = Fault.WIRING
    story.until(STOPPED, 5.0)
    assert story.station.cause_key == key


def test_a_store_the_guard_does_not_watch_is_the_engines(draining: Story) -> None:
    """Claim (W21): the engine closes with the very reading."""
    draining.trips_out.clear()
    draining.others[STORE] = 1.0
    draining.edge()
    assert not draining.draining
    assert draining.station.cause_key == "store-full"


def test_a_drain_that_takes_too_long_is_ended() -> None:
    """Claim (W14): a pump that moves nothing does not run for ever."""
    story = blind()
    story.ask("drain", litres=20)
    story.until(DRAINING)
    limit_s = story.running.time_limit_s
    story.until(STOPPED, 2 * limit_s)
    assert story.station.cause_key == "over-time"
    assert story.drain_log[-1][0] - story.drain_log[0][0] <= limit_s + 1.1


def test_fresh_water_that_runs_in_while_draining_is_told(draining: Story) -> None:
    """Claim (W05): the fill valve is watched while the drain is open."""
    draining.water.shut_lpm = 1.0
    at_s = draining.now_s
    draining.run(60.0)
    assert draining.alarmed("seep") - at_s <= 60.0
    assert draining.phase is DRAINING


def test_a_drain_settles_long_enough_for_a_siphon_to_show(story: Story) -> None:
    """Claim (W23): after a drain the water is watched for drain_settle_s before it is done."""
    story.ask("drain", litres=20)
    story.until(DONE, 600.0)
    watched_s = story.now_s - story.when(Phase.SETTLING)
    assert watched_s == pytest.approx(DEFAULTS.drain_settle_s, abs=1.1)


# --- W23: it runs on ---


def test_water_that_falls_past_the_low_mark_is_a_top_alarm(story: Story) -> None:
    """Claim (W23): with the drain shut and a hose still siphoning, a centimetre below the low mark
    is told at once, at any time until something new begins.
    """
    story.ask("drain")
    story.until(Phase.SETTLING, 4000.0)
    story.goes_lpm = 12.0
    story.run(120.0)
    assert story.alarm("drain-runs") == "B"
    at_mark_s = (story.when(Phase.SETTLING)) + (LOW_L - 1.4 * 10 - LOW_L) / -12.0 * 60.0
    assert story.alarmed("drain-runs") <= at_mark_s + 5.0
    assert story.station.cause == "W23"


def test_a_siphon_that_goes_on_after_a_drain_was_done_is_told(story: Story) -> None:
    """Claim (W23): done is not the end of the watch over the low mark."""
    story.fit(full_plan(heater=""))
    story.ask("drain")
    story.until(DONE, 4000.0)
    story.run(100.0)
    assert story.raised() == set()
    story.goes_lpm = 12.0
    story.run(120.0)
    assert story.phase is STOPPED
    assert story.alarm("drain-runs") == "B"


def test_water_that_falls_on_above_the_low_mark_after_a_stop_is_told(draining: Story) -> None:
    """Claim (W23): a siphon behind a stopped drain is told within a minute."""
    draining.ask("stop")
    draining.goes_lpm = 12.0
    at_s = draining.now_s
    draining.run(60.0)
    assert draining.alarmed("drain-runs") - at_s <= 60.0


def test_below_the_low_mark_a_reset_and_a_refill_are_possible(story: Story) -> None:
    """Claim (W23): once the water stands still a person may reset, although it stands too low, and
    put back what is missing.
    """
    story.fit(full_plan(heater="", lows=(), tank_change_c=inf))
    story.ask("drain")
    story.until(Phase.SETTLING, 4000.0)
    story.goes_lpm = 60.0
    story.until(STOPPED, 60.0)
    assert not story.ask("reset").ok or story.tank_l < LOW_L
    story.goes_lpm = 0.0
    story.run(DEFAULTS.watch_after_s + 5.0)
    assert story.ask("reset").ok
    reply = story.ask("fill")
    assert reply.ok, reply.text
    assert reply.data["need_l"] == pytest.approx(MARK_L - story.tank_l, abs=3.0)
    story.until(Phase.FILLING)


# --- by a person's hose ---


@pytest.fixture
def hose() -> Story:
    """The river tank, whose drain is a person's hose."""
    plan = full_plan(drain="hose", stores=(), heater="other", lows=())
    story = Story(plan=plan, before_l=MARK_L).begin()
    story.ask("heater", state="off")
    return story


def test_a_hose_is_watched_and_told_never_switched(hose: Story) -> None:
    """Claim: brimwatch drives nothing: no permit, no relay; at the low mark it says to take the
    hose out, until that is no question any more.
    """
    assert "your hose" in hose.ask("drain").text
    hose.until(DRAINING)
    hose.hose = True
    assert "Stay with the hose" in hose.data()["sentence"]
    hose.until(Phase.SETTLING, 4000.0)
    assert hose.permits == []
    assert hose.drain_log == []
    assert hose.tank_l == pytest.approx(LOW_L, abs=2.0)
    hose.run(1.0)
    assert hose.alarm("hose-out") == "B"
    hose.hose = False
    hose.until(DONE, 60.0)
    hose.ask("ack")
    assert hose.alarm("hose-out") == "C"
    assert hose.ask("reset").ok
    hose.run(1.0)
    assert hose.alarm("hose-out") == "A"
    assert hose.raised() == set()


def test_a_hose_left_in_the_water_is_a_top_alarm(hose: Story) -> None:
    """Claim (W23): what siphons on past the low mark is told within seconds."""
    hose.ask("drain")
    hose.until(DRAINING)
    hose.hose = True
    hose.until(STOPPED, 4000.0)
    assert hose.station.cause_key == "drain-runs"
    assert hose.tank_l >= LOW_L - 20.0


def test_the_next_fill_ends_the_question_about_the_hose(hose: Story) -> None:
    """Claim: whoever fills has taken the hose out."""
    hose.ask("drain", litres=20)
    hose.until(DRAINING)
    hose.hose = True
    hose.until(Phase.SETTLING, 300.0)
    hose.hose = False
    hose.until(DONE, 60.0)
    hose.fill(20.0)
    hose.run(1.0)
    assert hose.alarm("hose-out") == "D"


def test_a_node_that_goes_silent_ends_the_watch_over_a_hose(hose: Story) -> None:
    """Claim (C06): what cannot be seen is not watched, and people are told so."""
    hose.ask("drain")
    hose.until(DRAINING)
    hose.node_alive = False
    hose.run(5.0)
    assert hose.phase is STOPPED
    assert hose.alarm("node-silent") == "B"


# --- W22: the heater ---


def test_the_heater_is_off_before_the_drain_and_on_after_the_fill(story: Story) -> None:
    """Claim (W22): our plug is switched off when the drain is asked for, the plug's own word is
    waited for, and it goes on again when the tank is full, and not before.
    """
    story.ask("drain")
    assert orders(story) == [("heater", False)]
    assert story.station.heater_off
    story.until(DONE, 4000.0)
    assert orders(story) == [("heater", False)]
    story.fill(420.0).finish()
    assert orders(story) == [("heater", False), ("heater", True)]
    assert not story.station.heater_off
    assert "heater-dry" not in story.raised()


def test_a_plug_that_does_not_obey_refuses_the_drain(story: Story) -> None:
    """Claim (W22): an order is not enough: without the plug's own word nothing is let out."""
    story.plug_works = False
    story.ask("drain")
    story.until(Phase.IDLE)
    assert story.ended_checks() == {"heater"}


def test_a_drain_that_never_began_leaves_the_heater_as_it_was(story: Story) -> None:
    """Claim: refused or stopped in its checks, a drain switches the heater on again; one that
    found it off leaves it off.
    """
    story.others[STORE] = 1.0
    story.run(2.0)
    story.ask("drain")
    story.until(Phase.IDLE)
    assert orders(story) == [("heater", False), ("heater", True)]
    story.ask("drain")
    story.ask("stop")
    assert orders(story)[2:] == [("heater", False), ("heater", True)]
    story.feed(Plugged(PlugState(STATION, "heater", False)))
    story.ask("drain")
    story.ask("stop")
    assert orders(story)[4:] == [("heater", False)]
    assert story.station.heater_off


def test_a_heater_that_comes_on_ends_the_drain_before_it_is_bare(draining: Story) -> None:
    """Claim (W22): two centimetres above the heater the drain is shut at once and the plug
    switched off.
    """
    draining.feed(Plugged(PlugState(STATION, "heater", True)))
    draining.run(5.0)
    assert draining.phase is DRAINING
    draining.level_m = 0.219
    draining.run(1.0)
    assert not draining.draining
    assert (draining.station.cause, draining.station.cause_key) == ("W22", "heater-bare")
    assert orders(draining)[-1] == ("heater", False)
    assert draining.station.heater_off


def test_a_persons_word_for_the_heater(story: Story) -> None:
    """Claim (W22): a heater that somebody else switches counts as on until a person says off, and
    as on again from the end of the fill.
    """
    story.fit(full_plan(heater="other", lows=()))
    story.ask("drain")
    story.until(Phase.IDLE)
    assert story.ended_checks() == {"heater"}
    assert orders(story) == []
    assert story.ask("heater", state="off").ok
    story.ask("drain")
    story.until(DONE, 4000.0)
    story.fill(420.0).finish()
    assert not story.station.heater_off
    assert "heater on again" in story.data()["sentence"]


@pytest.mark.parametrize(
    ("plan", "state", "why"),
    [
        ({}, "off", "plug tells it"),
        ({"heater": ""}, "off", "no heater"),
        ({"heater": "other"}, "perhaps", "on or off"),
        ({"heater": "other"}, None, "on or off"),
    ],
)
def test_words_about_a_heater_that_mean_nothing(
    plan: dict[str, str], state: str | None, why: str
) -> None:
    """Claim: a plug is asked, not a person; what is neither on nor off is asked again."""
    story = Story(plan=full_plan(**plan), before_l=MARK_L).begin()
    off = story.station.heater_off
    reply = story.ask("heater", state=state)
    assert not reply.ok
    assert why in reply.text
    assert story.station.heater_off is off


def test_a_heater_nobody_ever_told_of_refuses_the_drain() -> None:
    """Claim (W22): unknown is on."""
    story = Story(plan=full_plan(), before_l=MARK_L, plug_works=False)
    story.begin()
    story.station = type(story.station)()
    story.begin()
    story.ask("drain")
    story.until(Phase.IDLE)
    assert "heater" in story.ended_checks()


def test_a_dry_heater_at_rest_is_told_and_switched_off(story: Story) -> None:
    """Claim (W22): at any time, by the level or by the low float, and again when it comes on
    again.
    """
    story.level_m = 0.1
    story.run(2.0)
    assert story.alarm("heater-dry") == "E"
    assert orders(story) == [("heater", False)]
    story.feed(Plugged(PlugState(STATION, "heater", True)))
    story.run(2.0)
    assert orders(story) == [("heater", False), ("heater", False)]
    assert story.phase is Phase.IDLE


# --- a change: out, then in ---


def test_a_change_is_a_drain_and_a_fill_of_as_much(story: Story) -> None:
    """Claim: what was let out is what the fill takes by itself, and its end is told as half of the
    work; afterwards nothing is left to put back.
    """
    story.fit(full_plan(tank_change_c=inf, temp_tank=""))
    assert story.ask("change", litres=120).ok
    story.until(DONE, 2000.0)
    assert "Start the fill" in story.data()["sentence"]
    drained_l = story.station.drained_l
    assert drained_l == pytest.approx(120.0, abs=4.0)
    story.water.litres, story.water.room_l = 0.0, MARK_L - story.tank_l
    assert story.ask("fill").data["need_l"] == pytest.approx(120.0, abs=4.0)
    story.until(DONE, 2000.0)
    assert story.tank_l == pytest.approx(MARK_L, abs=3.0)
    assert story.station.drained_l == 0.0
    assert [e.fill.way for e in story.done(FillEnded)] == [Way.OUT, Way.IN]
    assert len(story.done(FillBegun)) == 2


def test_without_a_level_the_litres_let_out_are_the_fills() -> None:
    """Claim: a plan with floats alone puts back what was asked to go out; a fill cut short leaves
    the rest to put back.
    """
    story = blind()
    story.ask("change", litres=100)
    story.until(DRAINING).run(500.0)
    story.others[LOW] = 1.0
    story.edge()
    story.until(DONE, 60.0)
    story.others[LOW] = 0.0
    story.run(2.0)
    story.water.litres, story.water.room_l = 0.0, inf
    assert story.ask("fill").data["need_l"] == pytest.approx(100.0)
    story.until(Phase.FILLING).run(180.0)
    story.ask("stop")
    assert story.station.drained_l == pytest.approx(70.0, abs=1.0)
    story.run(60.0)
    story.ask("reset")
    assert story.ask("fill").data["need_l"] == pytest.approx(70.0, abs=1.0)


def test_two_drains_add_up(story: Story) -> None:
    """Claim: what is out is out, however often."""
    for _ in range(2):
        story.ask("drain", litres=50)
        story.until(DONE, 1000.0)
    assert story.station.drained_l == pytest.approx(100.0, abs=6.0)


# --- W10, W09: the return pump's plug ---


def test_the_pumps_own_plug_confirms_it(story: Story) -> None:
    """Claim (W10): a plug that says on answers the question; one that says off does not, nor does
    another plug.
    """
    story.fit(full_plan(tank_change_c=inf, temp_tank=""), before_l=LOW_L)
    story.fill(20.0).until(DONE, 300.0)
    for plug, on in (("heater", True), ("pump", False), ("", True)):
        story.feed(Plugged(PlugState(STATION, plug, on)))
        assert not story.data()["pump_confirmed"]
    story.feed(Plugged(PlugState(STATION, "pump", True)))
    assert story.data()["pump_confirmed"]
    story.run(DEFAULTS.pump_confirm_s + 5.0)
    assert story.alarm("pump-off") == "A"


# --- sump ---


@pytest.mark.parametrize("phase", sorted(Phase))
def test_a_full_sump_stops_everything(story: Story, phase: Phase) -> None:
    """Claim (W08): the guard shuts in the same instant, both ways, and the engine stops at top
    priority in every phase; the pump stays as it is.
    """
    story.fit(full_plan(), before_l=LOW_L)
    reach(story, phase)
    story.valve_stuck = False
    pumps = [o for o in orders(story) if o[0] == "pump"]
    story.others[SUMP_HIGH] = 1.0
    story.edge()
    assert not story.relay
    assert not story.draining
    assert story.phase is STOPPED
    assert story.alarm("sump-high") == "B"
    assert [o for o in orders(story) if o[0] == "pump"] == pumps


def test_the_guard_shuts_for_the_sump_without_the_engine(story: Story) -> None:
    """Claim (W08): with the engine frozen the sump's float still shuts the fill at once."""
    story.fit(full_plan(), before_l=LOW_L)
    story.fill(420.0).run(60.0)
    story.engine_frozen = story.engine_gone = True
    story.others[SUMP_HIGH] = 1.0
    story.edge()
    assert not story.relay
    assert story.guard.cause == "W08"


def test_a_sump_float_that_cannot_be_read_stops_a_fill(story: Story) -> None:
    """Claim (W08): by the guard at once, by the engine when the guard does not watch it."""
    story.fit(full_plan(), before_l=LOW_L)
    story.fill(420.0).run(60.0)
    story.faults[SUMP_HIGH] = Fault.ERROR
    story.edge()
    assert story.station.cause_key == "guard-w08"
    story.faults.clear()
    story.run(5.0)
    assert story.ask("reset").ok
    story.trips.clear()
    story.fill(200.0).run(60.0)
    story.faults[SUMP_HIGH] = Fault.ERROR
    story.until(STOPPED, 5.0)
    assert story.station.cause_key == "sump-unread"


def test_a_request_for_a_drain_names_itself(story: Story) -> None:
    """Claim: a drain is granted under the identity it was asked with."""
    story.feed(Asked(request("drain"), "my-drain"))
    assert story.running.id == "my-drain"
    assert story.running.way is Way.OUT
    assert story.done(FillRefused) == []


def test_a_drain_without_a_level_probe_lets_nothing_run_on_by_itself() -> None:
    """Claim (W23): what such a drain let out is taken from what was asked for; a stop after it for
    another reason tells of that reason alone.
    """
    story = Story(plan=full_plan(level="", heater="", tank_change_c=inf), before_l=MARK_L).begin()
    story.ask("drain", litres=60.0)
    story.until(Phase.DRAINING)
    story.run(60.0)
    story.others[LOW] = 1.0
    story.until(Phase.DONE, 120.0)
    assert story.running.delivered_l == 60.0
    story.edge(wet=True)
    story.run(5.0)
    assert "leak" in story.raised()
    assert "drain-runs" not in story.raised()
