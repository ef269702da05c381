"""Stories of alarms that people set aside, and of the design that does, and the flood measure."""

from __future__ import annotations

import pytest

from monitor.core.alarm import AlarmState
from monitor.core.events import AlarmTurned, Plugged, SwitchPlug
from monitor.core.exchange import PlugState
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.limits import DEFAULTS
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.setaside import WHY_MAX, may_wait
from support.stories import MARK_L, STATION, SUMP_LOW, Story, full_plan, reach

SHELF = {"key": "storm", "minutes": 10, "why": "the cleaner's radio"}
A_STORM = {"rejected_per_min": 100.0}
TOLD_OF = "B"


@pytest.fixture
def stormy(story: Story) -> Story:
    """A station at rest with one alarm that can wait."""
    story.tell(**A_STORM).run(1.0)
    assert story.alarm("storm") == TOLD_OF
    return story


def raisings(story: Story, key: str) -> int:
    """Return how often people were told of an alarm."""
    return sum(
        a.key == key and a.alarm.state is AlarmState.UNACKED for a in story.done(AlarmTurned)
    )


# --- shelved ---


def test_a_shelf_ends_by_itself_and_what_is_true_comes_back(stormy: Story) -> None:
    """Claim: ten minutes' rest, with who and why, and to the second the alarm is back, unseen."""
    assert stormy.ask("shelve", by="keeper two", **SHELF).ok
    at_s = stormy.now_s
    assert stormy.alarm("storm") == "G"
    row = stormy.data()["set_aside"][0]
    assert (row["key"], row["by"], row["why"], row["for_s"]) == (
        "storm", "keeper two", "the cleaner's radio", 600.0
    )  # fmt: skip
    assert stormy.data()["alarms"] == []
    stormy.node_alive = False  # not even a reading is needed
    stormy.run(599.0)
    assert stormy.alarm("storm") == "G"
    stormy.run(2.0)
    back_s = [t for t, a in stormy.log if isinstance(a, AlarmTurned) and a.key == "storm"][-1]
    assert back_s - at_s == pytest.approx(600.0, abs=0.001)
    assert stormy.alarm("storm") == TOLD_OF
    assert stormy.data()["set_aside"] == []


def test_what_is_over_when_the_shelf_ends_is_normal(stormy: Story) -> None:
    """Claim: nothing is told of a cause that went by itself meanwhile."""
    stormy.ask("shelve", **SHELF)
    stormy.tell().run(601.0)
    assert stormy.alarm("storm") == "A"
    assert raisings(stormy, "storm") == 1


def test_an_alarm_may_be_shelved_before_it_is_raised(story: Story) -> None:
    """Claim: while it is on the shelf, nobody is told, whatever comes and goes."""
    assert story.ask("shelve", **SHELF).ok
    story.tell(**A_STORM).run(10.0)
    story.tell().run(10.0)
    story.tell(**A_STORM).run(10.0)
    assert raisings(story, "storm") == 0
    story.run(600.0)
    assert raisings(story, "storm") == 1


def test_unshelving_ends_the_shelf_at_once(stormy: Story) -> None:
    """Claim: the alarm goes where its condition says, in that very step."""
    stormy.ask("shelve", **SHELF)
    assert stormy.ask("unshelve", key="storm").ok
    assert stormy.alarm("storm") == TOLD_OF
    stormy.tell()
    stormy.ask("shelve", **SHELF)
    assert stormy.ask("unshelve", key="storm").ok
    assert stormy.alarm("storm") == "A"


def test_a_shelf_can_be_prolonged_and_never_past_its_limit(stormy: Story) -> None:
    """Claim (ISA-18.2): minutes lie from 1 to shelve_max_s, and are counted from now."""
    most = DEFAULTS.shelve_max_s / 60.0
    for minutes in (0, 0.99, most + 0.01, -1, float("nan"), "ten", None, True):
        reply = stormy.ask("shelve", **{**SHELF, "minutes": minutes})
        assert not reply.ok
        assert f"{most:g}" in reply.text
        assert stormy.alarm("storm") == TOLD_OF
    for minutes in (1, most):
        assert stormy.ask("shelve", **{**SHELF, "minutes": minutes}).ok
        assert stormy.data()["set_aside"][0]["for_s"] == pytest.approx(minutes * 60.0)


def test_a_shelf_ends_in_a_phase_in_which_its_rule_sleeps(story: Story) -> None:
    """Claim: a shelf ends on time whether the rule is armed then or not."""
    story.fit(full_plan(tank_change_c=float("inf")))
    story.ask("shelve", key="cartridge", minutes=2, why="a new one is on its way")
    story.tell(cartridge_l=7500.0)
    story.fill(420.0).run(60.0)
    assert Phase.FILLING not in RULES[BY_KEY["cartridge"]].armed
    story.run(61.0)
    assert story.phase is Phase.FILLING
    assert story.alarm("cartridge") == "A"


# --- out of service ---


def test_out_of_service_lasts_until_a_person_restores_it(stormy: Story) -> None:
    """Claim: for days nobody is told; restored, it is watched again at once."""
    assert stormy.ask("remove", key="storm", why="the broker is being moved").ok
    assert stormy.alarm("storm") == "I"
    row = stormy.data()["set_aside"][0]
    assert (row["state"], row["for_s"], row["why"]) == ("I", None, "the broker is being moved")
    stormy.run(4000.0)
    assert stormy.alarm("storm") == "I"
    assert not stormy.ask("shelve", **SHELF).ok
    assert not stormy.ask("remove", key="storm", why="again").ok
    assert not stormy.ask("unshelve", key="storm").ok
    assert stormy.ask("restore", key="storm").ok
    assert stormy.alarm("storm") == TOLD_OF


# --- what is refused ---


@pytest.mark.parametrize("verb", ["shelve", "remove"])
@pytest.mark.parametrize("key", [r.key for r in RULES if not may_wait(r)])
def test_what_closes_or_tells_of_harm_is_never_set_aside(
    story: Story, key: str, verb: str
) -> None:
    """Claim: no rule that closes, holds, switches a plug or keeps a fill from starting."""
    reply = story.ask(verb, key=key, minutes=10, why="it annoys me")
    assert not reply.ok
    assert "cannot be set aside" in reply.text
    assert story.alarm(key) == "A"


@pytest.mark.parametrize("verb", ["shelve", "unshelve", "remove", "restore"])
@pytest.mark.parametrize("key", [None, 7, "", "no-such-alarm", "x" * 1000])
def test_an_alarm_that_is_not_there_is_refused(story: Story, verb: str, key: object) -> None:
    """Claim: an unknown name is told back, bounded, and nothing changes."""
    state = story.station.alarms
    reply = story.ask(verb, key=key, minutes=10, why="why")
    assert not reply.ok
    assert len(reply.text) < 200
    assert story.station.alarms == state


@pytest.mark.parametrize("verb", ["shelve", "remove"])
@pytest.mark.parametrize("why", [None, "", "   ", 7, True])
def test_setting_aside_wants_a_reason(stormy: Story, verb: str, why: object) -> None:
    """Claim (ISA-18.2): who and why are kept, so there has to be a why."""
    assert not stormy.ask(verb, **{**SHELF, "why": why}).ok
    assert stormy.alarm("storm") == TOLD_OF


def test_a_reason_is_bounded(stormy: Story) -> None:
    """Claim: a novel is cut."""
    stormy.ask("shelve", **{**SHELF, "why": "x" * 10_000})
    assert len(stormy.data()["set_aside"][0]["why"]) == WHY_MAX


@pytest.mark.parametrize("verb", ["unshelve", "restore"])
def test_what_is_not_set_aside_cannot_come_back(stormy: Story, verb: str) -> None:
    """Claim: the wrong verb is refused and says so."""
    reply = stormy.ask(verb, key="storm")
    assert not reply.ok
    assert "is not" in reply.text
    assert stormy.alarm("storm") == TOLD_OF


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_setting_aside_moves_no_valve(story: Story, phase: Phase) -> None:
    """Claim: none of it changes a phase or an output, in any phase of a fill or drain."""
    reach(story, phase)
    relays = (story.relay, story.draining)
    for verb in ("shelve", "unshelve", "remove", "restore", "ack"):
        story.ask(verb, **SHELF)
        assert story.phase is phase
        assert (story.relay, story.draining) == relays


def test_what_is_set_aside_survives_a_reset(stormy: Story) -> None:
    """Claim: a reset is for latches, not for what people have put away."""
    stormy.ask("shelve", **SHELF)
    assert stormy.ask("reset").ok
    assert stormy.alarm("storm") == "G"


# --- suppressed by design ---


def test_a_low_sump_belongs_to_a_water_change(story: Story) -> None:
    """Claim (W09): while water is being let out and in a low sump is expected: nobody is told and
    no plug is switched; if it is still low afterwards, both happen at once.
    """
    story.fit(full_plan(tank_change_c=float("inf")))
    story.others[SUMP_LOW] = 1.0
    story.fill(20.0)
    story.others[SUMP_LOW] = 1.0
    story.run(5.0)
    assert story.alarm("sump-low") == "H"
    before = len(story.done(SwitchPlug))
    story.until(Phase.DONE, 300.0)
    story.run(2.0)
    assert story.alarm("sump-low") == TOLD_OF
    orders = [a.order for a in story.done(SwitchPlug)[before:]]
    assert [(o.plug, o.on) for o in orders] == [("pump", False)]


def test_a_low_sump_that_filled_meanwhile_is_told_of_never(story: Story) -> None:
    """Claim (W09): what was expected and has passed was no alarm."""
    story.fit(full_plan(tank_change_c=float("inf")))
    story.fill(20.0)
    story.others[SUMP_LOW] = 1.0
    story.run(5.0)
    story.others[SUMP_LOW] = 0.0
    story.until(Phase.DONE, 300.0)
    story.run(5.0)
    assert raisings(story, "sump-low") == 0
    assert story.alarm("sump-low") == "A"


def test_a_dry_heater_in_a_drain_is_one_alarm_not_two(story: Story) -> None:
    """Claim (W22): while draining the closing rule speaks, and the warning keeps still."""
    story.fit(full_plan(lows=()), before_l=MARK_L)
    story.ask("drain")
    story.until(Phase.DRAINING).run(10.0)
    story.feed(Plugged(PlugState(STATION, "heater", True)))  # somebody switched it on again
    story.level_m = 0.2
    story.run(1.0)
    assert story.station.cause_key == "heater-bare"
    assert story.station.heater_off
    story.run(60.0)
    assert [k for k in ("heater-bare", "heater-dry") if raisings(story, k)] == ["heater-bare"]


# --- the flood measure ---


def chatter(story: Story, times: int, gap_s: float = 2.0) -> Story:
    """Raise one alarm so many times."""
    for _ in range(times):
        story.tell(**A_STORM).run(gap_s / 2)
        story.tell().run(gap_s / 2)
    return story


def test_more_than_ten_alarms_in_ten_minutes_are_a_flood(story: Story) -> None:
    """Claim (P04; ANSI/ISA-18.2, IEC 62682): ten are none, the eleventh is; and it is over when
    fewer than five are left in the window.
    """
    chatter(story, 10)
    assert story.data()["alarm_flood"] == {"on": False, "in_10_min": 10}
    assert story.alarm("alarm-flood") == "A"
    began_s = story.now_s
    chatter(story, 1)
    assert story.data()["alarm_flood"] == {"on": True, "in_10_min": 11}
    assert story.alarm("alarm-flood") == TOLD_OF
    assert story.alarmed("alarm-flood") - began_s <= 1.0
    first_s = story.alarmed("storm")
    left = {11}
    while story.station.flooded:
        assert story.alarm("alarm-flood") == TOLD_OF
        left.add(story.data()["alarm_flood"]["in_10_min"])
        story.run(0.5)
    assert story.now_s - first_s == pytest.approx(600.0 + 6 * 2.0, abs=1.0)
    assert left >= {11, 10, 9, 8, 7, 6, 5}
    assert story.data()["alarm_flood"] == {"on": False, "in_10_min": 4}
    story.run(1.0)
    assert story.alarm("alarm-flood") == "D"


def test_a_flood_ends_without_any_reading(story: Story) -> None:
    """Claim: the end of a flood is not waited for by luck: the step asks to be called."""
    chatter(story, 11, 0.2)
    story.node_alive = False
    story.run(605.0)
    assert not story.station.flooded


def test_the_same_ten_alarms_over_an_hour_are_no_flood(story: Story) -> None:
    """Claim: it is a rate that is measured."""
    for _ in range(12):
        chatter(story, 1, 2.0).run(100.0)
        assert not story.station.flooded


def test_the_flood_does_not_count_itself(story: Story) -> None:
    """Claim: its own raising adds nothing to the measure."""
    chatter(story, 11)
    assert len(story.station.raised_s) == 11
