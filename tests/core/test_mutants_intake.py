"""What small changes of the intake showed to be unsaid: whose word counts, and for what."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from monitor.core import balance as balances
from monitor.core import creep as creeps
from monitor.core.balance import Balance, Mode
from monitor.core.events import (
    Answer,
    Asked,
    Echo,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    Plugged,
    Tick,
    Told,
)
from monitor.core.exchange import GuardReport, PlugState, Presence, ReadingPack, Way
from monitor.core.facts import Facts
from monitor.core.fills import begin
from monitor.core.intake import take
from monitor.core.phases import AT_REST, Phase, Turn
from monitor.core.plan import Fill, Plan, Station
from monitor.core.quality import Senses
from monitor.core.reading import Fault, Kind, Sample
from support.stories import DEPTH, METER, STATION, full_plan, request, river_plan

PLAN = full_plan()
NOW_S = 10_000.0
LEVEL_L = PLAN.vessel.litres_at(0.4)
FILL = replace(begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0), boot="boot-a",
               begun_s=NOW_S - 50.0, opened_s=NOW_S - 50.0, start_l=540.0)  # fmt: skip
DRAIN = replace(FILL, way=Way.OUT, start_l=700.0, delivered_l=40.0)


def taken(given: Given, station: Station, plan: Plan = PLAN, now_s: float = NOW_S) -> Station:
    """Return the station with an input in it, which asks for nothing and does nothing."""
    after, turn, actions = take(plan, station, given, now_s)
    assert turn is None
    assert actions == ()
    return after


def pack(
    level_m: float | None = 0.4, count: int = 4500, seq: int = 5, sensor: str = DEPTH
) -> ReadingPack:
    """Return a pack with a level, or a level that cannot be read, and a count."""
    fault = Fault.ERROR if level_m is None else None
    samples = (Sample(sensor, Kind.LEVEL, 50.0, level_m, fault),
               Sample(METER, Kind.FLOW, 50.0, 10.0, None, count))  # fmt: skip
    return ReadingPack(STATION, "river-pi", "boot-a", seq, 50.0, samples, False)


def heard(
    station: Station, plan: Plan = PLAN, now_s: float = NOW_S, **how: Any
) -> tuple[Balance | None, creeps.Creep | None, Station]:
    """Return what a station's level watches look like after a pack."""
    after = taken(Heard(pack(**how)), station, plan, now_s)
    return after.balance, after.creep, after


# --- whose word ---


def test_each_word_is_taken_for_what_it_is() -> None:
    """Claim: a connection, an echo, facts and time move what they are about and nothing else."""
    station = Station()
    assert taken(Linked(True), station) == replace(station, link_up=True)
    assert taken(Linked(False), replace(station, link_up=True)) == station
    assert taken(Echo(), station) == replace(station, echo_seen_s=NOW_S)
    facts = Facts(cartridge_l=5.0)
    assert taken(Told(facts), station) == replace(station, facts=facts)
    assert taken(Tick(), station) is station


def test_a_person_is_answered() -> None:
    """Claim: a request is the one input with a turn and an answer."""
    station = replace(Station(), phase=Phase.FILLING)
    after, turn, actions = take(PLAN, station, Asked(request("stop"), "f"), NOW_S)
    assert after == station
    assert turn is Turn.STOP
    assert [type(a) for a in actions] == [Answer]


@pytest.mark.parametrize(
    ("role", "online", "changes"),
    [
        ("desk", True, {"desk_here": True}),
        ("desk", False, {"desk_here": False}),
        ("node", True, {"node_gone": False, "node_simulated": True}),
        ("node", False, {"node_gone": True}),
        ("engine", True, {}),
        ("engine", False, {}),
        ("", True, {}),
    ],
)
@pytest.mark.parametrize("was", [True, False])
def test_a_presence_speaks_for_its_own_role(
    role: str, online: bool, changes: dict[str, bool], was: bool
) -> None:
    """Claim: a node's word is about the node, a desk's about the desk, and anybody else's about
    neither; a node that is gone says nothing of its pins.
    """
    station = Station(desk_here=was, node_gone=was)
    given = Here(Presence(STATION, role, "boot-a", online, simulated=True))
    assert taken(given, station) == replace(station, **changes)


@pytest.mark.parametrize(
    ("fill", "about", "cause", "believed"),
    [
        (FILL, "f", "W06", True),
        (FILL, "f", "C02", True),
        (FILL, "f", "mark", False),
        (FILL, "f", "low-mark", False),
        (FILL, "f", "", False),
        (FILL, "f", None, False),
        (FILL, "older", "W06", False),
        (FILL, None, "W06", False),
        (None, "f", "W06", False),
        (None, None, "W06", False),
    ],
)
def test_the_guards_word_is_believed_of_this_fill(
    fill: Fill | None, about: str | None, cause: str | None, believed: bool
) -> None:
    """Claim: a fault of the fill that runs now; that the water is at its mark is none."""
    station = Station(fill=fill)
    report = GuardReport(STATION, "river-pi", "boot-a", 0.0, False, about, cause)
    after = taken(Guarded(report), station)
    assert after == (replace(station, guard_cause=str(cause)) if believed else station)


@pytest.mark.parametrize("on", [True, False])
@pytest.mark.parametrize(
    ("plug", "heater", "pump", "about"),
    [
        ("heater", "heater", "pump", "heater"),
        ("pump", "heater", "pump", "pump"),
        ("kettle", "heater", "pump", ""),
        ("", "heater", "pump", ""),
        ("", "", "", ""),  # a plug without a name is nobody's, where nothing is fitted
        ("pump", "heater", "", ""),
        ("heater", "other", "pump", ""),
    ],
)
def test_a_plug_speaks_for_itself(plug: str, heater: str, pump: str, about: str, on: bool) -> None:
    """Claim: the heater's plug says whether the heater is on; the pump's ends the question when it
    is on; no other plug says anything.
    """
    station = Station(heater_off=on, pump_since_s=5.0)
    after = taken(Plugged(PlugState(STATION, plug, on)), station,
                  full_plan(heater=heater, pump_plug=pump))  # fmt: skip
    expected = station
    if about == "heater":
        expected = replace(station, heater_off=not on)
    elif about == "pump" and on:
        expected = replace(station, pump_since_s=inf)
    assert after == expected


# --- packs ---


def test_a_new_pack_is_a_node_that_is_back() -> None:
    """Claim: whoever speaks is not gone; a pack that was heard before proves nothing."""
    gone = Station(node_gone=True)
    once = taken(Heard(pack()), gone)
    assert not once.node_gone
    again = taken(Heard(pack()), replace(once, node_gone=True, fill=FILL))
    assert again == replace(once, node_gone=True, fill=FILL)


def test_a_pack_is_counted_in_the_fill() -> None:
    """Claim: the litres of the very pack, which are also what the level is held against."""
    balance, creep, after = heard(Station(phase=Phase.FILLING, fill=FILL))
    assert after.fill is not None
    assert after.fill.delivered_l == pytest.approx(10.0)
    assert balance is not None
    assert balance.same_l == pytest.approx(10.0)
    assert creep is None


# --- the level ---


def test_the_first_level_begins_a_balance() -> None:
    """Claim: from this very reading on, by its litres, and at rest a watch over the hours."""
    balance, creep, _ = heard(Station())
    assert balance == balances.update(balances.begin(NOW_S), NOW_S, LEVEL_L, 0.0, 2.8)
    assert creep == creeps.update(creeps.begin(NOW_S), NOW_S, LEVEL_L, 2.8)


def test_a_balance_goes_on() -> None:
    """Claim: the next reading is added to what there is."""
    begun = balances.begin(NOW_S - 1.0)
    watch = creeps.begin(NOW_S - 1.0)
    balance, creep, _ = heard(Station(balance=begun, creep=watch))
    assert balance == balances.update(begun, NOW_S, LEVEL_L, 0.0, 2.8)
    assert creep == creeps.update(watch, NOW_S, LEVEL_L, 2.8)


@pytest.mark.parametrize("how", [{"level_m": None}, {"sensor": "another"}])
def test_a_level_that_is_not_read_changes_nothing(how: dict[str, Any]) -> None:
    """Claim: a faulty probe, or one that was never heard, leaves both watches as they are."""
    begun, watch = balances.begin(5.0), creeps.begin(5.0)
    balance, creep, _ = heard(Station(balance=begun, creep=watch), **how)
    assert (balance, creep) == (begun, watch)


def test_without_a_probe_nothing_is_watched() -> None:
    """Claim: a plan without a level has neither watch, whatever a node sends."""
    balance, creep, _ = heard(Station(), river_plan())
    assert (balance, creep) == (None, None)


@pytest.mark.parametrize(("fill", "metered_l"), [(FILL, 10.0), (DRAIN, 0.0), (None, 0.0)])
def test_the_level_is_held_against_what_came_in(fill: Fill | None, metered_l: float) -> None:
    """Claim: litres that go out are not the meter's."""
    phase = Phase.FILLING if fill is FILL else Phase.DRAINING if fill is DRAIN else Phase.IDLE
    balance, _, _ = heard(Station(phase=phase, fill=fill))
    assert balance is not None
    assert balance.same_l == pytest.approx(metered_l)


@pytest.mark.parametrize("phase", list(Phase))
def test_the_hours_are_watched_at_rest_only(phase: Phase) -> None:
    """Claim: a watch is begun anew at each rest: what a fill has moved is no creep."""
    watch = creeps.begin(NOW_S - 1.0)
    _, creep, _ = heard(Station(phase=phase, creep=watch))
    assert (creep is not None) is (phase in AT_REST)


@pytest.mark.parametrize(
    ("phase", "over_s", "mode", "then"),
    [
        (Phase.STOPPED, 0.0, Mode.WATCH, Mode.REST),
        (Phase.STOPPED, 0.0, Mode.FOLLOW, Mode.REST),
        (Phase.STOPPED, -0.5, Mode.WATCH, Mode.WATCH),
        (Phase.SETTLING, 0.0, Mode.WATCH, Mode.WATCH),
        (Phase.IDLE, 0.0, Mode.WATCH, Mode.WATCH),
    ],
)
def test_after_a_stop_the_level_comes_to_rest(
    phase: Phase, over_s: float, mode: Mode, then: Mode
) -> None:
    """Claim: exactly watch_after_s after the stop it is no longer held against the meter."""
    begun = replace(balances.begin(NOW_S - 1.0), mode=mode)
    since_s = NOW_S - PLAN.limits.watch_after_s - over_s
    balance, _, _ = heard(Station(phase=phase, phase_s=since_s, balance=begun, fill=FILL))
    assert balance is not None
    assert balance.mode is then


def test_a_level_at_rest_after_a_stop_is_still_averaged() -> None:
    """Claim: it comes to rest once: the readings after it add up to means as at any rest."""
    station = Station(phase=Phase.STOPPED, phase_s=0.0, balance=balances.begin(NOW_S - 10.0),
                      senses=Senses())  # fmt: skip
    for step in range(6):
        _, _, station = heard(station, now_s=NOW_S + step, seq=5 + step)
    assert station.balance is not None
    assert station.balance.known
    assert station.balance.water_l == pytest.approx(560.0)
