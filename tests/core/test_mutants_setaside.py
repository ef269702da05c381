"""What small changes of setting alarms aside showed to be unsaid: who, why, and until when."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from monitor.core.alarm import Alarm, AlarmState
from monitor.core.events import AlarmTurned
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.phases import Phase
from monitor.core.plan import Station
from monitor.core.setaside import VERBS, Outcome, next_alarm, set_aside
from monitor.core.view import Picture
from support.stories import river_plan

PLAN, NEW = river_plan(), Station()
NOW_S = 500.0
STORM = RULES[BY_KEY["storm"]]
AT_REST = Picture(NOW_S, Phase.IDLE)
STORMY = replace(AT_REST, rejected_per_min=1000.0)


def ask(station: Station, verb: str, by: str = "keeper", **args: Any) -> Outcome:
    """Ask for one of the verbs."""
    return set_aside(PLAN, station, verb, args, by, NOW_S)


def having(**alarms: Alarm) -> Station:
    """Return a station with these alarms, by rule."""
    rows = tuple(alarms.get(rule.key.replace("-", "_"), Alarm()) for rule in RULES)
    return replace(NEW, alarms=rows)


def alarm(station: Station, key: str) -> Alarm:
    """Return one alarm of a station."""
    return station.alarms[BY_KEY[key]]


# --- seen ---


def test_seeing_one_alarm_leaves_the_others_unseen() -> None:
    """Claim: an acknowledgement by key is one alarm's; without a key it is everybody's, and it
    says how many; it never lets go of a latch.
    """
    raised = Alarm(AlarmState.UNACKED, 100.0)
    latched = Alarm(AlarmState.LATCHED_ACKED, 100.0, "helper")
    before = having(leak=raised, storm=raised, twins=latched)
    one, turned, granted, words = ask(before, "ack", key="leak")
    assert (granted, words) == (True, "1 acknowledged")
    assert alarm(one, "leak") == Alarm(AlarmState.ACKED, 100.0, "keeper")
    assert alarm(one, "storm") == raised
    assert [a.key for a in turned if isinstance(a, AlarmTurned)] == ["leak"]
    every, turned, granted, words = ask(before, "ack")
    assert (granted, words, len(turned)) == (True, "2 acknowledged", 2)
    assert {alarm(every, key).state for key in ("leak", "storm")} == {AlarmState.ACKED}
    assert alarm(every, "twins") == latched


@pytest.mark.parametrize("key", [None, "leak", "no-such-alarm", 7])
def test_nothing_to_see_is_no_refusal(key: object) -> None:
    """Claim: an acknowledgement that finds nothing is granted, says so, and turns nothing."""
    after, turned, granted, words = ask(NEW, "ack", key=key)
    assert (after.alarms, turned, granted) == (NEW.alarms, (), True)
    assert words == "nothing to acknowledge"


# --- set aside ---


def test_a_reason_of_two_hundred_characters_is_kept_whole() -> None:
    """Claim: blanks around it are not counted, and what is longer is cut there."""
    for why in ("x" * 200, f"  {'x' * 200}\n", "x" * 201):
        after, *_ = ask(NEW, "remove", key="storm", why=why)
        assert alarm(after, "storm").why == "x" * 200


@pytest.mark.parametrize("verb", sorted(set(VERBS) - {"ack"}))
@pytest.mark.parametrize("key", [["storm"], {}, "y" * 33])
def test_a_name_that_is_none_is_told_back_cut(verb: str, key: object) -> None:
    """Claim: whatever stands for a name raises nothing, and 32 characters of it are told back."""
    after, turned, granted, words = ask(NEW, verb, key=key, minutes=5, why="why")
    assert (after, turned, granted) == (NEW, (), False)
    assert words == f"refused: no alarm is named {str(key)[:32]!r}"


def test_a_refusal_says_what_would_help() -> None:
    """Claim: each refusal names its reason."""
    aside = having(storm=Alarm(AlarmState.OUT_OF_SERVICE))
    asked = {"key": "storm", "minutes": 5, "why": "why"}
    for verb in ("shelve", "remove"):
        assert ask(NEW, verb, **{**asked, "why": " "})[3] == "refused: say why"
        assert ask(aside, verb, **asked)[2:] == (False, "refused: storm is out of service")
    assert ask(NEW, "unshelve", key="storm")[3] == "refused: storm is not shelved"
    assert ask(NEW, "restore", key="storm")[3] == "refused: storm is not out of service"


def test_out_of_service_ends_a_shelf_with_its_time_and_its_person() -> None:
    """Claim: what was shelved for a while by one and is taken out by another stays out for good,
    and the other answers for it.
    """
    shelved, *_ = ask(NEW, "shelve", key="storm", minutes=5, why="for now")
    assert alarm(shelved, "storm").until_s == NOW_S + 300.0
    out, *_ = ask(shelved, "remove", by="helper", key="storm", why="for good")
    assert alarm(out, "storm") == Alarm(
        AlarmState.OUT_OF_SERVICE, 0.0, until_s=inf, by="helper", why="for good"
    )


# --- what becomes of an alarm ---


@pytest.mark.parametrize("state", AlarmState)
def test_only_a_shelf_has_an_end(state: AlarmState) -> None:
    """Claim: a time in the past means something while the alarm is shelved, and nothing else."""
    before = Alarm(state, 100.0, until_s=NOW_S - 1.0)
    if state is not AlarmState.SHELVED:
        unbound = replace(before, until_s=inf)
        for active in (True, False):
            after = next_alarm(before, STORM, active, False, STORMY)
            assert after.state is next_alarm(unbound, STORM, active, False, STORMY).state
    else:
        assert next_alarm(before, STORM, True, False, STORMY).state is AlarmState.UNACKED


@pytest.mark.parametrize("state", [AlarmState.UNACKED, AlarmState.ACKED])
def test_an_alarm_goes_only_when_its_clear_condition_says_so(state: AlarmState) -> None:
    """Claim: a condition that is no longer true is not yet one that is known to be over."""
    before = Alarm(state, 100.0)
    assert next_alarm(before, STORM, False, False, STORMY) is before
    assert next_alarm(before, STORM, False, False, AT_REST).state in (
        AlarmState.RETURNED, AlarmState.NORMAL
    )  # fmt: skip
