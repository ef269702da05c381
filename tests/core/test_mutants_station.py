"""What small changes of the step showed to be unsaid: exact moments, what earns a permit, an order.

Some of it is asked of the step's own parts, because rules stand before them: a pack of another boot
ends a fill long before anybody asks whether it earns a permit.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest

from monitor.core import station as stations
from monitor.core.alarm import FLOOD_WINDOW_S, Alarm, AlarmState
from monitor.core.events import (
    AlarmTurned,
    AskEcho,
    FillEnded,
    Heard,
    Linked,
    SendPermit,
    SendWithdraw,
    Tick,
    Turned,
)
from monitor.core.exchange import Permit, Way
from monitor.core.fills import begin
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.limits import Limits
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station
from monitor.core.quality import Senses, Track
from monitor.core.station import standing, step
from monitor.core.view import Picture
from support.stories import STATION, Story, full_plan, pack_of, reach, river_plan

PLAN = river_plan(Limits(suspect_s=1.25, permit_ttl_s=1.75))
LIMITS = PLAN.limits
NOW_S = 10_000.0
FILL = replace(begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0), boot="boot-a")
SOON_S = 0.125


def placed(phase: Phase, for_s: float = 1.0, **changes: Any) -> Station:
    """Return a station that has been in a phase for so long and has heard nothing."""
    return replace(Station(phase=phase, phase_s=NOW_S - for_s, now_s=NOW_S - 1.0, fill=FILL),
                   **changes)  # fmt: skip


# --- the step ---


@pytest.mark.parametrize(("given_s", "counts"), [
    (NOW_S, True), (NOW_S - 1.5, False), (nan, False), (inf, False), (-inf, False),
])  # fmt: skip
def test_time_never_runs_back(given_s: float, counts: bool) -> None:
    """Claim (C10): a moment that lies behind, or is none, is taken for the last one."""
    station = placed(Phase.IDLE)
    after = step(PLAN, station, Tick(), given_s).station
    assert after.now_s == (given_s if counts else station.now_s)


@pytest.mark.parametrize("phase", list(Phase))
def test_a_pack_earns_a_permit_where_water_may_flow(story: Story, phase: Phase) -> None:
    """Claim: the newest pack in filling or draining, with the next number; no time, and no pack in
    any other phase.
    """
    reach(story, phase)
    newest = story.packs[-1]
    result = step(story.plan, story.station, Heard(newest), story.engine_s)
    sent = [a.permit.seq for a in result.actions if isinstance(a, SendPermit)]
    flows = phase in WATER_MAY_FLOW
    assert sent == ([story.station.seq + 1] if flows else [])
    assert result.station.seq == story.station.seq + int(flows)
    ticked = step(story.plan, story.station, Tick(), story.engine_s)
    assert not [a for a in ticked.actions if isinstance(a, SendPermit)]


def test_what_a_step_did_is_told_in_its_order(filling: Story) -> None:
    """Claim: alarms first, then the valve, then the phase; and nothing is left out."""
    filling.wet = True
    pack = filling.pack()
    result = step(filling.plan, filling.station, Heard(pack), filling.engine_s)
    kinds = [type(a) for a in result.actions]
    assert kinds == [AlarmTurned, SendWithdraw, FillEnded, Turned]


def test_a_silence_is_noticed_between_two_packs(filling: Story) -> None:
    """Claim (C03): the step asks for the moment in which the node falls silent, and there for an
    echo, of which it keeps the time.
    """
    heard_s = filling.station.senses.heard_s
    due_s = heard_s + filling.plan.limits.suspect_s
    assert filling.station.due_s == due_s
    result = step(filling.plan, filling.station, Tick(), due_s)
    assert AskEcho() in result.actions
    assert result.station.echo_asked_s == due_s


# --- late ---


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize(("late_s", "slept"), [(LIMITS.suspect_s, False), (1.5, True)])
def test_an_engine_is_late_beyond_the_moment_it_asked_for(
    phase: Phase, late_s: float, slept: bool
) -> None:
    """Claim (C02): more than suspect_s after the time it asked for, and only in mid-fill."""
    station = placed(phase, due_s=NOW_S - late_s)
    after = step(PLAN, station, Tick(), NOW_S).station
    assert after.overslept is (slept and phase in UNDER_WAY)


def test_that_the_engine_was_late_is_kept() -> None:
    """Claim (C02): the next step in time does not take it back."""
    station = placed(Phase.STOPPED, overslept=True)
    assert step(PLAN, station, Tick(), NOW_S).station.overslept


def test_a_step_asks_for_a_later_one(story: Story) -> None:
    """Claim: whatever happens, a condition that ends in this very step included, no step asks to
    be called again in the moment it was made.
    """
    story.water.shut_lpm = 0.6
    story.run(60.0)
    assert story.alarm("seep") == "B"
    story.water.shut_lpm = 0.0
    story.run(60.0)
    assert story.alarm("seep") == "E"
    state = Station()
    for given, now_s in story.inputs:
        result = step(story.plan, state, given, now_s)
        state = result.station
        assert result.due_s > now_s
        assert state.due_s == result.due_s


def test_a_moment_that_rounds_to_this_one_is_not_asked_for() -> None:
    """Claim: a raising that leaves the window of ten minutes a rounding error from now asks for no
    step in this very moment.
    """
    raised_s = 500.0 + 2.0**-43
    assert 1100.0 - raised_s < FLOOD_WINDOW_S
    assert raised_s + FLOOD_WINDOW_S == 1100.0
    station = Station(now_s=1000.0, flooded=True, raised_s=(raised_s,) * 6)
    result = step(PLAN, station, Tick(), 1100.0)
    assert result.station.flooded
    assert result.due_s > 1100.0


def test_a_debounce_is_looked_at_in_time(story: Story) -> None:
    """Claim (W19): with nothing else to wait for, the step asks for the end of a hold."""
    station = replace(story.station, senses=Senses(), contacts={})
    result = step(story.plan, station, Linked(True), story.engine_s)
    assert result.due_s == story.engine_s + story.plan.limits.quiet_s


# --- permits ---


def permit(
    station: Station, boot: str = "boot-a", seq: int = 5, plan: Plan = PLAN
) -> Permit | None:
    """Return the permit that a pack earns."""
    pack = pack_of(seq, 50.0, boot=boot)
    sent = stations._permit(plan, station, Heard(pack), NOW_S)
    assert sent is None or isinstance(sent, SendPermit)
    return sent.permit if sent is not None else None


def heard(fill: Fill | None = FILL, silent_s: float = 0.5) -> Station:
    """Return a station that fills, and has the fifth pack."""
    senses = Senses(boot="boot-a", seq=5, uptime_s=50.0, heard_s=NOW_S - silent_s)
    return placed(Phase.FILLING, fill=fill, senses=senses, seq=40)


def test_a_permit_says_all_that_the_guard_needs() -> None:
    """Claim: station, boot, fill, way, the next number, the pack's moment in the node's time, and
    how long it holds; the shell puts the engine in.
    """
    for way in Way:
        fill = replace(FILL, way=way)
        assert permit(heard(fill), plan=full_plan(LIMITS)) == Permit(
            STATION, "", 41, "boot-a", 50.0, LIMITS.permit_ttl_s, "f", way)  # fmt: skip


def test_what_earns_no_permit() -> None:
    """Claim (C08, C09): no fill, another pack than the newest, another boot than the fill's, a pack
    as old as suspect_s.
    """
    assert permit(heard()) is not None
    assert permit(heard(None)) is None
    assert permit(heard(), seq=4) is None
    assert permit(heard(), boot="boot-b") is None
    assert permit(heard(replace(FILL, boot=""))) is None
    assert permit(heard(silent_s=LIMITS.suspect_s)) is None
    assert permit(heard(silent_s=LIMITS.suspect_s - SOON_S)) is not None


@pytest.mark.parametrize("drain", ["", "hose", "valve", "pump"])
@pytest.mark.parametrize("way", list(Way))
def test_a_hose_is_permitted_nothing(drain: str, way: Way) -> None:
    """Claim: a drain by hose has no relay; a fill has one, whatever lets the water out."""
    plan = full_plan(LIMITS, drain=drain)
    got = permit(heard(replace(FILL, way=way)), plan=plan)
    assert (got is None) is (way is Way.OUT and drain == "hose")


# --- an echo ---


def asks(station: Station, **sight: Any) -> bool:
    """Return whether an echo is asked for."""
    return stations._suspects(PLAN, station, Picture(NOW_S, station.phase, **sight))


@pytest.mark.parametrize("phase", list(Phase))
def test_an_echo_is_asked_for_when_a_node_falls_silent_in_mid_fill(phase: Phase) -> None:
    """Claim (C03): from suspect_s on, in no other phase, and not before."""
    station = placed(phase, senses=Senses(heard_s=NOW_S - 2.0))
    assert asks(station, silent_s=LIMITS.suspect_s) is (phase in UNDER_WAY)
    assert not asks(station, silent_s=LIMITS.suspect_s - SOON_S)


@pytest.mark.parametrize("phase", list(Phase))
def test_an_echo_that_is_missing_is_asked_for_again_before_a_fill(phase: Phase) -> None:
    """Claim (C03): in the checks, once; and not where none is missing."""
    station = placed(phase, 5.0)
    checking = phase is Phase.CHECKING
    assert asks(station, echo_missing=True) is checking
    assert not asks(station)
    assert asks(replace(station, echo_asked_s=NOW_S - 5.0 - SOON_S), echo_missing=True) is checking
    assert not asks(replace(station, echo_asked_s=NOW_S - 5.0), echo_missing=True)


def test_one_silence_is_one_question() -> None:
    """Claim (C03): asked once since the last word of the node; a new silence asks anew."""
    heard_s = NOW_S - 2.0
    station = placed(Phase.FILLING, senses=Senses(heard_s=heard_s))
    for asked_s, again in ((heard_s - SOON_S, True), (heard_s, False), (heard_s + SOON_S, False)):
        assert asks(replace(station, echo_asked_s=asked_s), silent_s=2.0) is again
    asked = step(PLAN, station, Tick(), NOW_S)
    assert AskEcho() not in asked.actions  # the rules have ended this fill in the very step


# --- the next moment ---


def due_in(station: Station) -> float:
    """Return how soon a station wants to be stepped again."""
    return stations._due(PLAN, station, NOW_S) - NOW_S


@pytest.mark.parametrize(("phase", "first", "second"), [
    (Phase.CHECKING, LIMITS.check_quiet_s, LIMITS.check_max_s),
    (Phase.HOLDING, LIMITS.hold_pause_s, LIMITS.hold_max_s),
    (Phase.SETTLING, LIMITS.settle_s, LIMITS.drain_settle_s),
    (Phase.STOPPED, LIMITS.settle_s, LIMITS.drain_settle_s),
])  # fmt: skip
def test_a_phase_is_looked_at_when_its_waits_end(
    phase: Phase, first: float, second: float
) -> None:
    """Claim: at the end of the shorter wait, then of the longer one, and then not for its sake."""
    assert due_in(placed(phase, 1.0)) == first - 1.0
    assert due_in(placed(phase, first)) == second - first
    assert due_in(placed(phase, second)) == inf


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.FILLING, Phase.DRAINING, Phase.CLOSING,
                                   Phase.DONE])  # fmt: skip
def test_a_phase_without_a_wait_asks_for_nothing(phase: Phase) -> None:
    """Claim: what is to be heard is waited for by itself."""
    assert due_in(placed(phase)) == inf


def test_what_else_is_waited_for() -> None:
    """Claim: the pump's question, a silence, a lapsed lease, a reading that goes stale, a shelf
    that ends; the nearest of them, and none that is over.
    """
    idle = placed(Phase.IDLE)
    pump = replace(idle, pump_since_s=NOW_S - 1.0)
    assert due_in(pump) == LIMITS.pump_confirm_s - 1.0
    said = replace(pump, senses=Senses(heard_s=NOW_S - 0.5))
    assert due_in(said) == LIMITS.suspect_s - 0.5
    assert due_in(replace(said, senses=Senses(heard_s=NOW_S - 1.25))) == LIMITS.permit_ttl_s - 1.25
    tracks = {"a": Track(good_s=NOW_S - 1.0), "b": Track(good_s=NOW_S - 2.0), "c": Track()}
    assert due_in(replace(pump, senses=Senses(tracks=tracks))) == LIMITS.reading_stale_s - 2.0
    shelved = Alarm(AlarmState.SHELVED, until_s=NOW_S + 50.0)
    longer = Alarm(AlarmState.SHELVED, until_s=NOW_S + 70.0)
    others = Alarm(AlarmState.ACKED, until_s=NOW_S + 5.0)  # means nothing in this state
    alarms = (others, longer, shelved, *ALL_NORMAL[3:])
    assert due_in(replace(pump, alarms=alarms)) == 50.0


# --- what people see first ---


def test_the_worst_alarm_comes_first_and_the_first_cause_before_all() -> None:
    """Claim: the cause of the stop on top, then by severity, then the older first; what nobody
    is to see is left out.
    """
    raised = {"seep": 5.0, "leak": 9.0, "hot": 3.0, "cold": 2.0, "valve-flows": 7.0}
    alarms = list(ALL_NORMAL)
    for key, at_s in raised.items():
        alarms[BY_KEY[key]] = Alarm(AlarmState.UNACKED, at_s)
    alarms[BY_KEY["no-flow"]] = Alarm(AlarmState.SHELVED, 1.0)
    station = Station(alarms=tuple(alarms), cause_key="hot")
    shown = standing(station)
    assert [alarm.raised_s for _, alarm in shown] == [raised[rule.key] for rule, _ in shown]
    keys = [rule.key for rule, _ in shown]
    assert keys[0] == "hot"
    rest = sorted(set(raised) - {"hot"}, key=lambda k: (-RULES[BY_KEY[k]].severity, raised[k]))
    assert keys[1:] == rest
    assert [rule.key for rule, _ in standing(replace(station, cause_key=""))] == sorted(
        raised, key=lambda k: (-RULES[BY_KEY[k]].severity, raised[k]))  # fmt: skip
