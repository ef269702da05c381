"""What small changes of the alarms showed to be unsaid: named sets, a first alarm, floods."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from monitor.core.alarm import (
    ASIDE,
    STANDING,
    UNSEEN,
    Alarm,
    AlarmEvent,
    AlarmState,
    flooded,
    lately,
    next_state,
    step,
)

BOTH = (True, False)


def test_unseen_is_what_an_acknowledgement_moves() -> None:
    """Claim: the states called unseen are exactly those for which a person has yet to do it."""
    moved = {s for s in AlarmState if next_state(s, AlarmEvent.ACK, True) is not s}
    assert moved == UNSEEN


def test_standing_is_what_the_end_of_the_condition_moves() -> None:
    """Claim: the states called standing are exactly those in which the condition can still end."""
    for latching in BOTH:
        moved = {s for s in AlarmState if next_state(s, AlarmEvent.CLEAR, latching) is not s}
        assert moved == STANDING


def test_an_alarm_that_never_was_is_normal_and_nobodys() -> None:
    """Claim: before the first raising nothing stands, and nobody has seen anything."""
    never = Alarm()
    assert (never.state, never.raised_s, never.acked_by) == (AlarmState.NORMAL, 0.0, "")


def test_a_person_without_a_name_is_not_given_one() -> None:
    """Claim: an acknowledgement that does not say by whom is nobody's."""
    assert step(Alarm(AlarmState.UNACKED, 1.0), AlarmEvent.ACK, 2.0, latching=True).acked_by == ""


# --- set aside ---


def test_aside_is_what_coming_back_moves() -> None:
    """Claim: the states called aside are exactly those that BACK_TRUE and BACK_FALSE leave."""
    for event in (AlarmEvent.BACK_TRUE, AlarmEvent.BACK_FALSE):
        moved = {s for s in AlarmState if next_state(s, event, True) is not s}
        assert moved == ASIDE


def test_nobody_has_set_aside_what_was_not() -> None:
    """Claim: an alarm begins with no shelf, no person behind one and no reason for one."""
    assert (Alarm().until_s, Alarm().by, Alarm().why) == (inf, "", "")


def test_coming_back_forgets_who_set_it_aside_and_why() -> None:
    """Claim: back among the others an alarm has no shelf; further aside it keeps its own."""
    shelved = Alarm(AlarmState.SHELVED, 10.0, "keeper", 99.0, "helper", "pump is out")
    assert step(shelved, AlarmEvent.BACK_FALSE, 50.0, latching=True) == Alarm(
        AlarmState.NORMAL, 10.0
    )
    assert step(shelved, AlarmEvent.BACK_TRUE, 50.0, latching=True) == Alarm(
        AlarmState.UNACKED, 50.0
    )
    out = step(shelved, AlarmEvent.REMOVE, 50.0, latching=True)
    assert out == replace(shelved, state=AlarmState.OUT_OF_SERVICE)


# --- floods: ANSI/ISA-18.2 and IEC 62682, more than ten new alarms in ten minutes until fewer than
# five ---


def test_a_flood_is_counted_over_ten_minutes() -> None:
    """Claim: a raising counts for ten minutes, and at ten minutes no more."""
    assert lately((0.0, 0.5, 300.0), 599.9) == (0.0, 0.5, 300.0)
    assert lately((0.0, 0.5, 300.0), 600.0) == (0.5, 300.0)
    assert lately((0.0, 0.5, 300.0), 900.0) == ()


def test_a_flood_begins_with_the_eleventh_alarm_and_ends_below_five() -> None:
    """Claim: ten are none yet; once begun, five still are and four are none."""
    assert [flooded(False, count) for count in (0, 4, 10, 11, 500)] == [False] * 3 + [True] * 2
    assert [flooded(True, count) for count in (500, 11, 5, 4, 0)] == [True] * 3 + [False] * 2


def test_the_count_is_bounded_to_the_newest_thousand() -> None:
    """Claim: however many alarms come, a thousand are remembered, the newest ones."""
    raised = tuple(number / 10 for number in range(1500))
    assert lately(raised, 150.0) == raised[500:]
