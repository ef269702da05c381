"""What people and programs are told of a station."""

from __future__ import annotations

import json
from dataclasses import replace
from math import inf, nan

import pytest

from monitor.core.describe import describe, sentence, span, stopped
from monitor.core.messages import TEXTS
from monitor.core.phases import Phase
from monitor.core.plan import Station
from monitor.core.reading import Fault
from support.stories import FLOAT, LEAK, METER, TEMP, Story, reach, river_plan


@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_has_a_plain_sentence(story: Story, phase: Phase) -> None:
    """Claim: one or two sentences say what is happening; while the valve is shut they say so."""
    reach(story, phase)
    told = sentence(story.plan, story.station, story.engine_s)
    assert told.endswith(".")
    assert len(told) < 220
    if phase not in (Phase.FILLING, Phase.DRAINING, Phase.CLOSING):
        assert "valve is shut" in told.lower()


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (0.0, "0 s"),
        (-5.0, "0 s"),
        (89.4, "89 s"),
        (90.0, "2 min"),
        (720.0, "12 min"),
        (3570.0, "1 h 00 min"),
        (7500.0, "2 h 05 min"),
        (172_800.0, "a long time"),
        (inf, "a long time"),
        (nan, "a long time"),
    ],
)
def test_a_span_is_told_as_people_say_it(seconds: float, told: str) -> None:
    """Claim: seconds below a minute and a half, then minutes, then hours; never a NaN."""
    assert span(seconds) == told


def test_a_fill_is_told_with_its_end(filling: Story) -> None:
    """Claim: litres in, litres in all, the time left and its doubt, and the water's warmth."""
    told = filling.data()["sentence"]
    assert told.startswith("Filling. 20 of 420 litres in; full in 40 min, give or take ")
    assert told.endswith("; water coming in at 25.0 °C.")
    filling.faults[TEMP] = Fault.CRC
    filling.run(2.9)
    assert filling.data()["sentence"].endswith("°C.")
    filling.until(Phase.HOLDING)


def test_the_first_half_minute_promises_nothing(story: Story) -> None:
    """Claim: before the flow is known no end is told."""
    story.fill(420.0).run(10.0)
    assert "measuring the flow" in story.data()["sentence"]


def test_a_filling_station_without_its_fill_is_told_all_the_same() -> None:
    """Claim: words are found for a state that should not be."""
    assert sentence(river_plan(), Station(phase=Phase.FILLING), 0.0) == "Filling."
    assert sentence(river_plan(), Station(phase=Phase.DRAINING), 0.0) == "Draining."
    assert "went in" in sentence(river_plan(), Station(phase=Phase.DONE), 0.0)


def test_a_stop_says_why_and_what_to_do(filling: Story) -> None:
    """Claim: the rule's message and its remedy; a person's stop says so."""
    filling.edge(wet=True)
    text = TEXTS["guard-w06"]  # the guard's word comes before the reading that shows it
    told = filling.data()["sentence"]
    assert text.message in told
    assert text.todo in told
    assert "person" in stopped(Station(phase=Phase.STOPPED, cause_key="person"))
    assert "Reset" in stopped(Station(phase=Phase.STOPPED, cause_key="unheard-of"))


def test_the_status_is_plain_json(filling: Story) -> None:
    """Claim: strict JSON, no NaN, whatever the phase."""
    filling.temp_c = 30.0
    for _ in range(200):
        filling.run(5.0)
        told = json.loads(json.dumps(filling.data(), allow_nan=False))
        assert told["phase"] == filling.phase.value
    for now_s in (nan, inf, -inf):
        json.dumps(describe(filling.plan, filling.station, now_s), allow_nan=False)


def test_what_is_stale_is_not_told_as_a_value(story: Story) -> None:
    """Claim: an unread sensor is null, with its fault and its age."""
    story.faults.update({TEMP: Fault.CRC, METER: Fault.NOISE})
    story.trips.clear()
    story.faults.update({FLOAT: Fault.WIRING, LEAK: Fault.MISSING})
    story.run(6.0)
    data = story.data()
    assert data["temp_in_c"] is data["flow_lpm"] is data["float_high"] is data["leak_wet"] is None
    for sensor, fault in ((TEMP, "crc"), (METER, "noise"), (FLOAT, "wiring"), (LEAK, "missing")):
        row = data["sensors"][sensor]
        assert row["value"] is None
        assert row["fault"] == fault
        assert row["age_s"] >= 5.0


def test_a_sensor_never_heard_of_is_told_as_such() -> None:
    """Claim: before the first reading there is neither value nor age."""
    rows = describe(river_plan(), Station(), 0.0)["sensors"]
    assert set(rows) == {FLOAT, LEAK, TEMP, METER}
    assert all(row["value"] is None and row["age_s"] is None for row in rows.values())


def test_the_forecast_is_told_only_while_it_means_something(filling: Story) -> None:
    """Claim: while filling or held there is a forecast with its interval; once done there is
    none.
    """
    ahead = filling.data()["fill"]["forecast"]
    assert ahead["low_s"] <= ahead["remaining_s"] <= ahead["high_s"]
    assert ahead["remaining_s"] == pytest.approx(2400.0, rel=0.02)
    filling.finish()
    assert "forecast" not in filling.data()["fill"]
    assert filling.data()["fill"]["ended"] == "done"


def test_no_fill_is_told_as_none(story: Story) -> None:
    """Claim: at rest there is no fill, no cause, and no alarm."""
    data = story.data()
    assert data["fill"] is None
    assert data["cause"] is None
    assert data["cause_key"] is None
    assert data["alarms"] == []


def test_a_fill_that_has_not_begun_has_taken_no_time(story: Story) -> None:
    """Claim: while checking, no time of the fill has gone by."""
    story.ask("fill", litres=20.0)
    story.run(1.0)
    assert story.data()["fill"]["elapsed_s"] == 0.0


def test_alarms_are_told_whole(filling: Story) -> None:
    """Claim: each alarm has its rule, its severity, its state, its words and whether it closes."""
    filling.edge(wet=True)
    rows = filling.data()["alarms"]
    assert {row["key"] for row in rows} == filling.raised()
    top = rows[0]
    assert (top["key"], top["id"], top["severity"], top["state"]) == (
        "guard-w06", "W06", "top", "E"
    )  # fmt: skip
    assert top["closes"] is True
    assert top["acked_by"] is None
    text = TEXTS["guard-w06"]
    assert (top["message"], top["cause"], top["todo"]) == (text.message, text.cause, text.todo)
    assert [row["key"] for row in rows] == ["guard-w06", "leak"]


def test_a_hold_says_what_it_waits_for(filling: Story) -> None:
    """Claim: a hold is told by its rule; one of an unknown key is still told."""
    filling.temp_c = 30.0
    filling.until(Phase.HOLDING)
    assert TEXTS["hot"].message in filling.data()["sentence"]
    odd = replace(filling.station, cause_key="unheard-of")
    assert sentence(filling.plan, odd, filling.engine_s) == "On hold. The valve is shut."
