"""What small changes of the status showed to be unsaid: words for people, names for programs."""

from __future__ import annotations

from dataclasses import fields, replace
from math import inf, nan
from typing import Any

import pytest

from monitor.core import balance as balances
from monitor.core import fills, forecast
from monitor.core.alarm import Alarm, AlarmState
from monitor.core.balance import Verdict
from monitor.core.describe import alarms, describe, sentence, span, stopped
from monitor.core.exchange import Way
from monitor.core.facts import Facts
from monitor.core.forecast import FAR_S, Forecast
from monitor.core.hazards import BY_KEY
from monitor.core.messages import TEXTS
from monitor.core.phases import Phase
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station, Warmth
from monitor.core.quality import Senses, Track
from monitor.core.reading import Fault
from support.stories import (
    DEPTH,
    FLOAT,
    LEAK,
    LOW,
    METER,
    OVER,
    STORE,
    SUMP_HIGH,
    SUMP_LOW,
    TANK,
    TEMP,
    full_plan,
    river_plan,
)

PLAN = full_plan()
NOW_S = 10_000.0
LEARN_S = PLAN.limits.learn_s
VALUES = {
    FLOAT: 0.0, OVER: 0.0, LEAK: 0.0, LOW: 0.0, SUMP_HIGH: 0.0, SUMP_LOW: 0.0, STORE: 0.0,
    TEMP: 20.12349, TANK: 25.5, METER: 12.0, DEPTH: 0.4,
}  # fmt: skip
KINDS = {
    FLOAT: "float", OVER: "float", LEAK: "leak", LOW: "float", SUMP_HIGH: "float",
    SUMP_LOW: "float", STORE: "float", TEMP: "temperature", TANK: "temperature", METER: "flow",
    DEPTH: "level",
}  # fmt: skip
FILL = replace(
    fills.begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0),
    boot="boot-a", begun_s=NOW_S - 90.0, opened_s=NOW_S - 60.0, delivered_l=40.0, start_l=600.0,
    tank_from_c=25.0, warmth=Warmth(800.0, 40.0, 19.9, 20.1), holds=1,
    forecast=forecast.start(NOW_S - 60.0, 0, PLAN.pulses_per_litre),
)  # fmt: skip
DRAIN = replace(FILL, way=Way.OUT, to_mark=False, refill=True)


def station(phase: Phase = Phase.FILLING, fill: Fill | None = FILL, **changes: Any) -> Station:
    """Return a station that has heard all its sensors half a second ago."""
    tracks = {name: Track(value, 0, NOW_S - 0.5, None) for name, value in VALUES.items()}
    senses = Senses(tracks=tracks, boot="boot-a", heard_s=NOW_S - 0.5)
    made = Station(phase=phase, phase_s=NOW_S - 60.0, now_s=NOW_S, fill=fill, senses=senses)
    return replace(made, **changes)


def stale() -> Station:
    """Return the station with readings that are too old to be believed."""
    made = station()
    tracks = {name: replace(track, good_s=NOW_S - 9.0)
              for name, track in made.senses.tracks.items()}  # fmt: skip
    return replace(made, senses=replace(made.senses, tracks=tracks))


def told(made: Station, plan: Plan = PLAN) -> dict[str, Any]:
    """Return the status of it now."""
    return describe(plan, made, NOW_S)


def says(made: Station, plan: Plan = PLAN) -> str:
    """Return its sentence now."""
    return sentence(plan, made, NOW_S)


# --- spans ---


@pytest.mark.parametrize(("seconds", "said"), [
    (0.4, "0 s"), (1.0, "1 s"), (60.0, "60 s"), (89.0, "89 s"), (90.0, "2 min"), (120.0, "2 min"),
    (3569.0, "59 min"), (3600.0, "1 h 00 min"), (FAR_S - 1.0, None), (FAR_S, "a long time"),
    (-9.0, "0 s"), (nan, "a long time"), (-inf, "a long time"),
])  # fmt: skip
def test_a_span_s_edges(seconds: float, said: str | None) -> None:
    """Claim: seconds up to a minute and a half, minutes up to an hour; what is as far as any
    forecast looks is a long time, and a second less is not.
    """
    assert span(seconds) == said if said is not None else span(seconds).endswith("min")


# --- sentences ---


@pytest.mark.parametrize(
    ("phase", "fill", "words"),
    [
        (Phase.IDLE, None, "No fill. The valve is shut."),
        (Phase.CHECKING, FILL, "Checking that a fill can start. The valve is shut."),
        (Phase.CHECKING, DRAIN, "Checking that a drain can start. The valve is shut."),
        (Phase.CHECKING, None, "Checking that a fill can start. The valve is shut."),
        (Phase.CLOSING, FILL, "The water is where it should be. The valve is shutting."),
        (Phase.SETTLING, FILL, "The valve is shut. Watching that the water stands still."),
        (Phase.FILLING, None, "Filling."),
        (Phase.FILLING, replace(FILL, forecast=None), "Filling."),
        (Phase.DRAINING, None, "Draining."),
        (Phase.STOPPED, FILL, "Stopped. The valve is shut. Reset to fill again."),
    ],
)
def test_each_phase_says_what_it_is(phase: Phase, fill: Fill | None, words: str) -> None:
    """Claim: in whole sentences, for a drain as for a fill, and for a state that should not be."""
    assert says(station(phase, fill)) == words


def test_a_hold_says_why_and_that_the_valve_is_shut() -> None:
    """Claim: the rule's own message, or that it is a hold."""
    held = station(Phase.HOLDING, cause_key="hot")
    assert says(held) == f"{TEXTS['hot'].message} The valve is shut."
    assert says(replace(held, cause_key="unheard-of")) == "On hold. The valve is shut."


def test_a_stop_says_why_and_what_is_to_be_done() -> None:
    """Claim: a person's, a rule's, and one that nobody knows."""
    text = TEXTS["leak"]
    assert stopped(Station(cause_key="leak")) == f"{text.message} {text.todo}"
    assert stopped(Station(cause_key="person")) == (
        "Stopped by a person. The valve is shut. Reset to fill again.")  # fmt: skip
    assert says(station(Phase.STOPPED, cause_key="leak")) == f"{text.message} {text.todo}"


@pytest.mark.parametrize(("plan", "words"), [
    ({}, "Draining. 40 of 100 litres out."),
    ({"level": ""}, "Draining. 100 litres are to go out."),
    ({"drain": "hose"},
     "Draining. 40 of 100 litres out. Stay with the hose: it is in your hands."),
])  # fmt: skip
def test_a_drain_says_what_is_known_of_it(plan: dict[str, str], words: str) -> None:
    """Claim: litres out where a level tells them, else litres to go; a hose is in your hands."""
    assert says(station(Phase.DRAINING, DRAIN), full_plan(**plan)) == words


@pytest.mark.parametrize(("fill", "plan", "words"), [
    (DRAIN, {}, "Drained: about 40 L are out. Start the fill when you are done with the tank."),
    (replace(DRAIN, refill=False), {}, "Drained: about 40 L are out."),
    (FILL, {}, "Done: 40 L went in. The valve is shut. Switch the return pump on again."),
    (None, {}, "Done: the water went in. The valve is shut. Switch the return pump on again."),
    (FILL, {"return_pump": False}, "Done: 40 L went in. The valve is shut."),
    (FILL, {"return_pump": False, "heater": "other"},
     "Done: 40 L went in. The valve is shut. Switch the heater on again."),
    (FILL, {"return_pump": False, "heater": ""}, "Done: 40 L went in. The valve is shut."),
])  # fmt: skip
def test_what_is_done_says_what_is_left_to_do(
    fill: Fill | None, plan: dict[str, Any], words: str
) -> None:
    """Claim: the litres, and what a person has still to switch; a plug of ours is not theirs."""
    assert says(station(Phase.DONE, fill), full_plan(**plan)) == words


def expected() -> Forecast:
    """Return the forecast of the fill these tests have."""
    ahead = fills.expected(FILL, NOW_S)
    assert ahead is not None
    return ahead


def test_a_fill_says_when_it_ends() -> None:
    """Claim: in so long, give or take half the forecast's interval, at so many degrees."""
    ahead = expected()
    until = f"{span(ahead.remaining_s)}, give or take {span((ahead.high_s - ahead.low_s) / 2.0)}"
    begun = f"Filling. 40 of 100 litres in; full in {until}"
    assert says(station()) == f"{begun}; water coming in at 20.1 °C."
    assert says(stale()) == f"{begun}."


@pytest.mark.parametrize(("open_s", "known"), [(LEARN_S / 2.0, True), (LEARN_S / 2.0 - 0.1, False)])
def test_an_end_is_told_once_half_the_learning_is_done(open_s: float, known: bool) -> None:
    """Claim: half of learn_s after the opening exactly, and not before."""
    said = says(station(fill=replace(FILL, opened_s=NOW_S - open_s)))
    assert ("full in" in said) is known
    assert ("; measuring the flow;" in said) is not known


# --- the status ---


def test_the_status_names_are_the_ones_programs_read() -> None:
    """Claim: these names, no other; what belongs to a part is there where the part is."""
    least = {
        "phase", "sentence", "cause", "cause_key", "supply", "valve_open", "link_up",
        "node_silent_s", "flow_lpm", "temp_in_c", "float_high", "leak_wet", "fill",
        "pump_confirmed", "alarms", "set_aside", "alarm_flood", "sensors",
    }  # fmt: skip
    assert set(told(station(Phase.IDLE, None), river_plan())) == least
    most = {"level_m", "water_l", "balance", "tank_c", "tank_ahead_c", "heater_on", "drained_l",
            "cartridge_share"}  # fmt: skip
    assert set(told(station())) == least | most
    for plan, gone in (
        ({"level": ""}, {"level_m", "water_l", "balance"}), ({"temp_tank": ""}, {"tank_c"}),
        ({"heater": ""}, {"heater_on"}), ({"drain": ""}, {"drained_l"}),
        ({"filter_l": inf, "filter_days": inf}, {"cartridge_share"}),
    ):  # fmt: skip
        assert set(told(station(), full_plan(**plan))) == (least | most) - gone
    assert set(told(station(fill=replace(FILL, tank_from_c=nan)))) == (
        (least | most) - {"tank_ahead_c"})  # fmt: skip


def test_the_status_says_how_things_are() -> None:
    """Claim: each figure is the station's own, to three decimals."""
    level = replace(balances.begin(0.0), water_l=561.23456, water_var=1.0, verdict=Verdict.MISSING)
    made = station(cause="W03", cause_key="part-missing", link_up=True, drained_l=7.0,
                   balance=level, facts=Facts(cartridge_l=4000.0, cartridge_s=NOW_S))  # fmt: skip
    data = told(made, full_plan(supply="well"))
    assert data["phase"] == "filling"
    assert data["sentence"] == says(made)
    assert (data["cause"], data["cause_key"], data["supply"]) == ("W03", "part-missing", "well")
    assert (data["valve_open"], data["link_up"], data["node_silent_s"]) == (False, True, 0.5)
    assert (data["flow_lpm"], data["temp_in_c"]) == (12.0, 20.123)
    assert (data["float_high"], data["leak_wet"]) == (False, False)
    assert (data["level_m"], data["water_l"], data["balance"]) == (0.4, 561.235, "missing")
    assert (data["tank_c"], data["tank_ahead_c"]) == (25.5, pytest.approx(24.289, abs=0.01))
    assert (data["heater_on"], data["drained_l"], data["cartridge_share"]) == (True, 7.0, 0.5)
    assert data["pump_confirmed"] is True
    assert told(replace(made, pump_since_s=5.0))["pump_confirmed"] is False
    assert data["sensors"][TEMP]["value"] == 20.123


def test_nothing_is_told_of_what_is_stale_or_not_there() -> None:
    """Claim: no cause is none, no value is none."""
    data = told(stale())
    assert data["cause"] is data["cause_key"] is None
    for name in ("flow_lpm", "temp_in_c", "float_high", "leak_wet", "level_m", "water_l", "tank_c"):
        assert data[name] is None, name


def test_a_flood_is_told_with_its_number() -> None:
    """Claim: raisings of the last ten minutes, and whether they are too many."""
    made = station(flooded=True, raised_s=(NOW_S - 700.0, NOW_S - 500.0, NOW_S - 1.0))
    assert told(made)["alarm_flood"] == {"on": True, "in_10_min": 2}
    assert told(station())["alarm_flood"] == {"on": False, "in_10_min": 0}


def test_sensors_are_told_by_their_kind() -> None:
    """Claim: each that is fitted, with value, age and fault; and none without a name."""
    rows = told(station())["sensors"]
    assert rows == {
        name: {"kind": KINDS[name], "value": round(value, 3), "age_s": 0.5, "fault": None}
        for name, value in VALUES.items()
    }
    bare = told(station(), river_plan(temp_in="", flow_in=""))["sensors"]
    assert set(bare) == {FLOAT, LEAK}
    old = told(stale())["sensors"][METER]
    assert old == {"kind": "flow", "value": None, "age_s": 9.0, "fault": None}
    made = station()
    tracks = {**made.senses.tracks, METER: Track(12.0, 0, NOW_S - 0.5, Fault.NOISE)}
    del tracks[TEMP]
    rows = told(replace(made, senses=replace(made.senses, tracks=tracks)))["sensors"]
    assert rows[METER] == {"kind": "flow", "value": 12.0, "age_s": 0.5, "fault": "noise"}
    assert rows[TEMP] == {"kind": "temperature", "value": None, "age_s": None, "fault": None}


# --- the fill ---


def test_a_fill_is_told_whole() -> None:
    """Claim: who, how much, whereto, which way, since when, its limits, and how it ended."""
    data = told(station(Phase.CLOSING))["fill"]
    assert data == {
        "id": "f", "by": "keeper", "need_l": 100.0, "delivered_l": 40.0, "to": "mark", "way": "in",
        "attended": False, "elapsed_s": 90.0, "volume_limit_l": 110.0,
        "time_limit_s": round(FILL.time_limit_s, 3), "holds": 1, "ended": None,
    }  # fmt: skip
    over = replace(DRAIN, attended=True, ended="done", shut_s=NOW_S - 20.0)
    data = told(station(Phase.DONE, over))["fill"]
    assert (data["to"], data["way"], data["attended"]) == ("litres", "out", True)
    assert (data["elapsed_s"], data["ended"]) == (70.0, "done")
    new = replace(FILL, begun_s=-inf)
    assert told(station(Phase.CHECKING, new))["fill"]["elapsed_s"] == 0.0


@pytest.mark.parametrize("phase", list(Phase))
def test_a_forecast_is_told_while_it_goes_on(phase: Phase) -> None:
    """Claim: filling and on hold, under the forecast's own names; where there is one."""
    data = told(station(phase))["fill"]
    assert ("forecast" in data) is (phase in (Phase.FILLING, Phase.HOLDING))
    assert "forecast" not in told(station(phase, replace(FILL, forecast=None)))["fill"]


def test_a_forecast_s_figures_are_its_own() -> None:
    """Claim: each field to three decimals, and by what it was made."""
    ahead = expected()
    data = told(station())["fill"]["forecast"]
    assert set(data) == {f.name for f in fields(ahead)}
    assert data["by"] == ahead.by
    assert data["remaining_s"] == round(ahead.remaining_s, 3)


# --- alarms ---


def with_alarms(**stand: Alarm) -> Station:
    """Return the station with some alarms."""
    rows = list(ALL_NORMAL)
    for key, alarm in stand.items():
        rows[BY_KEY[key]] = alarm
    return station(alarms=tuple(rows))


def test_an_alarm_is_told_whole() -> None:
    """Claim: its rule, weight, state, age, who has seen it, what it does and its words."""
    made = with_alarms(leak=Alarm(AlarmState.ACKED, 7.0, "keeper two"),
                       seep=Alarm(AlarmState.UNACKED, 9.0))  # fmt: skip
    leak, seep = alarms(made)
    words = TEXTS["leak"]
    assert leak == {
        "key": "leak", "id": "W06", "severity": "top", "state": "C", "since_s": 7.0,
        "acked_by": "keeper two", "closes": True, "message": words.message, "cause": words.cause,
        "todo": words.todo,
    }  # fmt: skip
    assert (seep["key"], seep["closes"], seep["acked_by"]) == ("seep", False, None)
    assert told(made)["alarms"] == [leak, seep]


def test_what_is_set_aside_is_told_whole() -> None:
    """Claim: which, how, for how long, by whom and why; and nothing that is not."""
    shelf = Alarm(AlarmState.SHELVED, until_s=NOW_S + 50.0, by="keeper", why="known")
    made = with_alarms(seep=shelf, storm=Alarm(AlarmState.SUPPRESSED),
                       leak=Alarm(AlarmState.UNACKED, 5.0))  # fmt: skip
    rows = {row["key"]: row for row in told(made)["set_aside"]}
    assert rows == {
        "seep": {"key": "seep", "state": "G", "for_s": 50.0, "by": "keeper", "why": "known"},
        "storm": {"key": "storm", "state": "H", "for_s": None, "by": None, "why": None},
    }
