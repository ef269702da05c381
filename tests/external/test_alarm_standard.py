"""Alarm-state walks after ANSI/ISA-18.2-2016 and IEC 62682:2022.

The state letters: A normal, B unacknowledged, C acknowledged, D returned to normal and
unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved, H suppressed by design,
I out of service. E and F were read in an industrial controller's manual; the other letters and the
transitions are from memory of the standard. Consult the standard before claiming conformity.
"""

from __future__ import annotations

import pytest

from monitor.core.alarm import Alarm, AlarmEvent, step
from support.stories import Story

pytestmark = pytest.mark.external

V = AlarmEvent

LATCHING = {
    "raised, seen, gone, reset": ("BCFA", (V.RAISE, V.ACK, V.CLEAR, V.RESET)),
    "raised, gone, seen, reset": ("BEFA", (V.RAISE, V.CLEAR, V.ACK, V.RESET)),
    "a reset before it was seen changes nothing": ("BEEFA",
        (V.RAISE, V.CLEAR, V.RESET, V.ACK, V.RESET)),
    "a reset while it stands changes nothing": ("BBCC", (V.RAISE, V.RESET, V.ACK, V.RESET)),
    "it comes again from a latch, unseen": ("BEFB", (V.RAISE, V.CLEAR, V.ACK, V.RAISE)),
}  # fmt: skip

PLAIN = {
    "raised, seen, gone": ("BCA", (V.RAISE, V.ACK, V.CLEAR)),
    "raised, gone, seen": ("BDA", (V.RAISE, V.CLEAR, V.ACK)),
    "gone and back before anyone saw it": ("BDB", (V.RAISE, V.CLEAR, V.RAISE)),
    "seen, gone, raised anew": ("BCAB", (V.RAISE, V.ACK, V.CLEAR, V.RAISE)),
}

ASIDE = {
    "shelved while true, the time is over": ("BGB", (V.RAISE, V.SHELVE, V.BACK_TRUE)),
    "shelved while true, gone meanwhile": ("BGA", (V.RAISE, V.SHELVE, V.BACK_FALSE)),
    "shelved from normal": ("GB", (V.SHELVE, V.BACK_TRUE)),
    "shelved when seen": ("BCGB", (V.RAISE, V.ACK, V.SHELVE, V.BACK_TRUE)),
    "suppressed by design": ("BHA", (V.RAISE, V.SUPPRESS, V.BACK_FALSE)),
    "out of service": ("BIB", (V.RAISE, V.REMOVE, V.BACK_TRUE)),
    "no alarm is announced out of service": ("III", (V.REMOVE, V.RAISE, V.CLEAR)),
}


def walk(events: tuple[AlarmEvent, ...], *, latching: bool) -> str:
    """Return the letters of the states that the events lead through, from normal."""
    alarm, letters = Alarm(), ""
    for second, event in enumerate(events):
        alarm = step(alarm, event, float(second), latching, "operator")
        letters += alarm.state.value
    return letters


@pytest.mark.parametrize("name", LATCHING)
def test_walks_of_a_latching_alarm(name: str) -> None:
    """Claim: B→E and C→F when the condition goes, E→F by ack, F→A by the operator's reset."""
    letters, events = LATCHING[name]
    assert walk(events, latching=True) == letters


@pytest.mark.parametrize("name", PLAIN)
def test_walks_of_an_alarm_that_does_not_latch(name: str) -> None:
    """Claim: A→B true, B→C ack, B→D and C→A when it goes, D→A ack, D→B re-alarm."""
    letters, events = PLAIN[name]
    assert walk(events, latching=False) == letters


@pytest.mark.parametrize("latching", [True, False])
@pytest.mark.parametrize("name", ASIDE)
def test_walks_of_an_alarm_that_is_set_aside(name: str, latching: bool) -> None:
    """Claim: any state may be shelved, suppressed or taken out of service; on the way back the
    condition decides.
    """
    letters, events = ASIDE[name]
    assert walk(events, latching=latching) == letters


@pytest.mark.parametrize("before", ["raise", "raise clear", "raise ack"])
@pytest.mark.parametrize("aside", [V.SHELVE, V.SUPPRESS, V.REMOVE])
def test_every_announced_state_can_be_set_aside(before: str, aside: AlarmEvent) -> None:
    """Claim: shelving is open to A to D, and leads to G, H or I."""
    events = (*(AlarmEvent(word) for word in before.split()), aside)
    assert walk(events, latching=False)[-1] == {"shelve": "G", "suppress": "H", "remove": "I"}[
        aside.value
    ]


# --- alarm floods ---
# ANSI/ISA-18.2 and IEC 62682, as quoted by an alarm management house (prosys.com, "Eliminate alarm
# floods"): a flood begins when more than 10 alarms come in ten minutes, and ends below 5.


@pytest.mark.parametrize(("count", "flood"), [(10, False), (11, True)])
def test_a_flood_begins_with_more_than_ten_in_ten_minutes(count: int, flood: bool) -> None:
    """Claim: ten raisings within ten minutes are none, eleven are a flood, in the running core."""
    story = raised_so_often(count)
    assert story.station.flooded is flood
    assert story.data()["alarm_flood"]["in_10_min"] == count
    story.run(1.0)
    assert (story.alarm("alarm-flood") == "B") is flood


@pytest.mark.parametrize(("left", "flood"), [(5, True), (4, False)])
def test_a_flood_ends_with_fewer_than_five(left: int, flood: bool) -> None:
    """Claim: with five raisings left in the window it goes on, with four it is over."""
    story = raised_so_often(11)
    assert story.station.flooded
    moments = story.station.raised_s
    story.run(moments[-left] - 0.001 + 600.0 - story.engine_s)
    assert story.data()["alarm_flood"]["in_10_min"] == left
    assert story.station.flooded is flood


def raised_so_often(count: int) -> Story:
    """Return a story in which one alarm of the river tank has been raised so often, 2 s apart."""
    story = Story().begin()
    for _ in range(count):
        story.tell(record="the disk is full")
        story.run(1.0)
        story.tell(record="")
        story.run(1.0)
    return story
