"""What small changes of the judging of rules showed to be unsaid: unrest, deadlines, order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Any

import pytest

from monitor.core.alarm import FLOOD_WINDOW_S, Alarm, AlarmState
from monitor.core.events import Action, AlarmTurned, SwitchPlug
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.phases import Phase
from monitor.core.plan import ALL_NORMAL, Plan, Station
from monitor.core.rules import judge, settled
from monitor.core.view import Picture
from support.stories import full_plan

FULL = full_plan()
LIMITS = FULL.limits
AT_REST = replace(FULL.blank, phase=Phase.IDLE)
FILLING = replace(
    AT_REST, phase=Phase.FILLING, temp_c=25.0, flow_lpm=10.0, open_for_s=100.0, delivered_l=100.0,
    need_l=400.0, volume_limit_l=400.0, elapsed_s=100.0, time_limit_s=3000.0,
)  # fmt: skip
SEEPING = {"flow_lpm": 1.0}


@dataclass
class Judged:
    """A station whose pictures a test draws itself."""

    plan: Plan = FULL
    station: Station = Station()  # noqa: RUF009 - it is frozen
    cause: str = ""
    actions: tuple[Action, ...] = ()
    due_s: float = inf

    def at(self, now_s: float, picture: Picture = AT_REST, **changes: Any) -> Judged:
        """Judge the picture at a moment."""
        seen = replace(picture, now_s=now_s, **changes)
        self.station, worst, self.actions, self.due_s = judge(self.plan, self.station, seen)
        self.cause = worst.key if worst else ""
        return self

    def having(self, key: str, alarm: Alarm) -> Judged:
        """Let an alarm stand from before."""
        alarms = list(self.station.alarms)
        alarms[BY_KEY[key]] = alarm
        self.station = replace(self.station, alarms=tuple(alarms))
        return self

    def alarm(self, key: str) -> AlarmState:
        """Return where an alarm stands."""
        return self.station.alarms[BY_KEY[key]].state

    @property
    def told(self) -> list[str]:
        """The alarms that turned in the latest step, in the order in which they are told."""
        return [action.key for action in self.actions if isinstance(action, AlarmTurned)]

    @property
    def orders(self) -> list[tuple[str, bool]]:
        """What plugs were told in the latest step."""
        return [(a.order.plug, a.order.on) for a in self.actions if isinstance(a, SwitchPlug)]


# --- the strongest ---


def test_of_equals_the_first_of_the_table_is_the_cause() -> None:
    """Claim: a stronger response comes first, then severity, then the table's order."""
    both = {"delivered_l": 500.0, "elapsed_s": 4000.0}
    assert BY_KEY["over-volume"] < BY_KEY["over-time"] < BY_KEY["twins"]
    assert Judged().at(0.0, FILLING, **both).cause == "over-volume"
    assert Judged().at(0.0, FILLING, **both, leak_wet=True).cause == "leak"
    assert Judged().at(0.0, FILLING, temp_fresh=False, low_hit=True, heater_on=True).cause == (
        "temp-unread"  # a hold of medium severity before a warning of a high one
    )
    assert Judged().at(0.0, FILLING).cause == ""


# --- what must last ---


def test_a_flap_cannot_outlast_the_bound() -> None:
    """Claim (W05): flow that comes and goes by the second is told of at the bound, though it never
    lasts for the hold; between two flaps its unrest is not forgotten.
    """
    judged = Judged()
    for second in range(int(LIMITS.seep_bound_s)):
        judged.at(float(second), **(SEEPING if second % 2 == 0 else {}))
        assert judged.told == [], second
    judged.at(LIMITS.seep_bound_s, **SEEPING)
    assert judged.told == ["seep"]
    judged.at(LIMITS.seep_bound_s + 1.0, **SEEPING)
    assert judged.alarm("seep") is AlarmState.UNACKED


def test_what_has_lasted_stays_true_while_it_is() -> None:
    """Claim (W01): water above the mark is a reason to close at every step from then on, and need
    not last anew.
    """
    high = {"level_m": FULL.vessel.mark_m + 0.02}
    judged = Judged().at(0.0, **high)
    assert judged.cause == ""
    for now_s in (LIMITS.level_over_s, 3.0, 4.0, 60.0):
        assert judged.at(now_s, **high).cause == "level-over"


def test_what_has_calmed_down_is_forgotten() -> None:
    """Claim: after a quiet hold, or once the rule sleeps, a condition must last anew."""
    calmed = Judged().at(0.0, **SEEPING).at(1.0).at(1.0 + LIMITS.seep_s)
    assert calmed.station.contacts == {}
    asleep = Judged().at(0.0, **SEEPING).at(20.0, FILLING)
    assert asleep.station.contacts == {}
    assert asleep.at(30.0, **SEEPING).told == []


def test_the_step_asks_to_be_called_at_the_earliest_deadline() -> None:
    """Claim: of two that must last, the one that comes due first says when, in either order; of
    none, nothing does.
    """
    assert Judged().at(0.0).due_s == inf
    assert Judged().at(0.0, **SEEPING).due_s == LIMITS.seep_s
    later = Judged().at(0.0, **SEEPING).at(3.0, **SEEPING, desk_gone=True)
    assert later.due_s == 3.0 + LIMITS.quiet_s
    first = Judged().at(0.0, desk_gone=True).at(3.0, desk_gone=True, silent_s=2.0)
    assert BY_KEY["desk-quiet"] < BY_KEY["node-quiet"]
    assert first.due_s == LIMITS.quiet_s
    assert first.at(LIMITS.quiet_s, desk_gone=True, silent_s=4.0).due_s == 3.0 + LIMITS.quiet_s


def test_what_is_just_over_hides_no_deadline() -> None:
    """Claim: in the step in which one condition ends, what another one waits for still counts."""
    gone = {"desk_gone": True}
    judged = Judged().at(0.0, **gone).at(LIMITS.quiet_s, **gone)
    assert judged.alarm("desk-quiet") is AlarmState.UNACKED
    judged.at(10.0, **gone, silent_s=2.0)
    assert judged.at(12.0, silent_s=4.0).due_s == 10.0 + LIMITS.quiet_s


# --- what becomes of alarms ---


def test_an_alarm_whose_rule_sleeps_may_go_and_nothing_else() -> None:
    """Claim: in a phase in which its rule is not judged, an alarm clears or comes off its shelf,
    and is neither raised anew nor suppressed.
    """
    assert Phase.FILLING not in RULES[BY_KEY["seep-slow"]].armed
    for state, seeping, after in (
        (AlarmState.UNACKED, False, AlarmState.LATCHED_UNACKED),
        (AlarmState.ACKED, False, AlarmState.LATCHED_ACKED),
        (AlarmState.UNACKED, True, AlarmState.UNACKED),
        (AlarmState.LATCHED_UNACKED, True, AlarmState.LATCHED_UNACKED),
        (AlarmState.SHELVED, True, AlarmState.NORMAL),
    ):
        judged = Judged().having("seep-slow", Alarm(state, 0.0, until_s=50.0))
        judged.at(60.0, FILLING, seeping=seeping)
        assert judged.alarm("seep-slow") is after
        assert judged.told == (["seep-slow"] if after is not state else [])


def test_an_alarm_that_stands_is_told_of_once() -> None:
    """Claim: what is still true turns nothing, whatever else stands; one after the other clears."""
    judged = Judged().at(0.0, leak_wet=True, seeping=True)
    assert judged.told == ["leak", "seep-slow"]
    assert judged.at(1.0, leak_wet=True, seeping=True).told == []
    assert judged.at(2.0, seeping=True).told == ["leak"]
    assert judged.alarm("seep-slow") is AlarmState.UNACKED
    assert judged.at(3.0).told == ["seep-slow"]


def test_only_what_is_true_is_suppressed() -> None:
    """Claim (W09): a fill keeps a low sump still, and does nothing to an alarm that is not there,
    though another one stands.
    """
    judged = Judged().at(0.0, FILLING, record_ill=True).at(1.0, FILLING, record_ill=True)
    assert judged.alarm("sump-low") is AlarmState.NORMAL
    judged.at(2.0, FILLING, record_ill=True, sump_low=True)
    assert judged.alarm("sump-low") is AlarmState.SUPPRESSED
    assert judged.orders == []


def test_alarms_that_are_all_normal_are_the_one_tuple() -> None:
    """Claim: a station at ease is known by it, so that nobody looks at its alarms one by one."""
    assert settled(tuple(Alarm(raised_s=5.0) for _ in RULES)) is ALL_NORMAL
    for state in set(AlarmState) - {AlarmState.NORMAL}:
        one = (Alarm(state), *ALL_NORMAL[1:])
        assert settled(one) is one
    judged = Judged().at(0.0, record_ill=True).at(1.0)
    assert judged.alarm("record-ill") is AlarmState.RETURNED


# --- plugs ---


@pytest.mark.parametrize(
    ("parts", "orders"),
    [
        ({}, {("pump", False), ("heater", False)}),
        ({"pump_plug": ""}, {("heater", False)}),
        ({"heater": "other"}, {("pump", False)}),
        ({"pump_plug": "", "heater": "other"}, set()),
    ],
)
def test_only_a_plug_of_ours_is_switched(
    parts: dict[str, Any], orders: set[tuple[str, bool]]
) -> None:
    """Claim (W09, W22): raised, both rules switch off what is ours, and nothing when it is not;
    as they clear, and for any other alarm, nothing is switched.
    """
    judged = Judged(full_plan(**parts))
    judged.at(0.0, sump_low=True, low_hit=True, heater_on=True, record_ill=True)
    assert {"sump-low", "heater-dry", "record-ill"} <= set(judged.told)
    assert set(judged.orders) == orders
    assert judged.at(1.0, sump_low=True, low_hit=True, heater_on=True).orders == []
    assert judged.at(2.0).orders == []
    assert {"sump-low", "heater-dry"} <= set(judged.told)


# --- floods ---


def flooded(*raised_s: float, **changes: Any) -> Judged:
    """Return a station in a flood with raisings at these moments."""
    return Judged(station=replace(Station(), flooded=True, raised_s=raised_s, **changes))


def test_in_a_flood_the_oldest_raising_is_waited_for() -> None:
    """Claim (P04): the step asks to be called when the oldest falls out of the window, unless
    something else comes due first; without a flood a raising is not waited for.
    """
    often = tuple(100.0 + second for second in range(11))
    assert flooded(*often).at(200.0, flooded=True).due_s == 100.0 + FLOOD_WINDOW_S
    seeping = {**SEEPING, "flooded": True}
    assert flooded(*often).at(200.0, **seeping).due_s == 200.0 + LIMITS.seep_s
    assert flooded(*often).at(699.0, **seeping).due_s == 100.0 + FLOOD_WINDOW_S
    calm = replace(flooded(*often).station, flooded=False, raised_s=often[:3])
    assert Judged(station=calm).at(200.0).due_s == inf


def test_a_raising_is_forgotten_after_the_window_though_nothing_turns() -> None:
    """Claim (P04): the measure goes down by itself, and only raisings count."""
    judged = Judged().at(0.0, record_ill=True)
    assert judged.station.raised_s == (0.0,)
    judged.at(1.0)
    assert judged.told == ["record-ill"]
    assert judged.at(2.0).station.raised_s == (0.0,)
    assert judged.at(FLOOD_WINDOW_S).station.raised_s == ()
