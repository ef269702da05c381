"""What a configuration covers: the whole catalogue, and the same story as the rules tell."""

from __future__ import annotations

import re
from math import inf, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.coverage import DANGERS, FITS, Covered, Grade, covered
from monitor.core.hazards import RULES
from monitor.core.plan import Plan
from support.stories import FULL as EVERYTHING
from support.stories import full_plan, river_plan

COUNTS = {"W": 25, "T": 8, "S": 12, "C": 18, "P": 6}
GUARDS_OWN = "G01"  # the guard's hard maximum is no hazard
RULED = {rule.id for rule in RULES} - {GUARDS_OWN}
NOTHING: dict[str, Any] = {"flow_in": "", "temp_in": "", "return_pump": False}  # float and probe
METERED: dict[str, Any] = {"flow_in": "meter", "temp_in": "incoming", "return_pump": True}
ALL_FITTED: dict[str, Any] = {**EVERYTHING, **METERED, "people_check": True}
# What goes wrong with a part cannot where there is no such part.
NO_PART_NO_HAZARD = {"W16": "flow_in", "W17": "flow_in", "S04": "flow_in", "T05": "temp_in",
                     "T06": "temp_in"}  # fmt: skip
# What no sensor and no program can answer for, whatever is fitted.
BEYOND_SOFTWARE = {
    "W04", "W07", "W08", "W10", "W12", "W14", "T01", "T07", "T08", "S02", "S06", "S08", "S09",
    "S10", "C05", "C06", "C07", "C14", "P01",
}  # fmt: skip
# One part alone, as a config might name it.
PARTS: dict[str, dict[str, Any]] = {
    name: {name: value} for name, value in ALL_FITTED.items() if name not in ("low_m", "heater_m")
}


def by_id(plan: Plan) -> dict[str, Covered]:
    return {row.id: row for row in covered(plan)}


def fitted(names: set[str] | frozenset[str]) -> Plan:
    """Return a plan with a float, a probe and these parts."""
    changes = dict(NOTHING)
    for name in names:
        changes |= PARTS[name]
    return river_plan(**changes)


def test_every_hazard_of_the_catalogue_has_one_row_in_order() -> None:
    """25 of water, 8 of temperature, 12 of sensors, 18 of computers, 6 of people."""
    wanted = [f"{kind}{n + 1:02d}" for kind, count in COUNTS.items() for n in range(count)]
    assert [danger.id for danger in DANGERS] == wanted
    assert [row.id for row in covered(river_plan())] == wanted


def test_no_two_hazards_share_a_name_and_none_shouts() -> None:
    """People tell them apart by their names, which go into the middle of a sentence."""
    assert len({danger.name for danger in DANGERS}) == len(DANGERS)
    words = [danger.name for danger in DANGERS]
    words += [cover.how for danger in DANGERS for cover in danger.covers]
    words += [danger.rest for danger in DANGERS if danger.rest] + list(FITS.values())
    for text in words:
        assert text
        assert text[0].islower()
        assert not text.endswith(".")


@pytest.mark.parametrize("danger", DANGERS, ids=lambda danger: danger.id)
def test_ways_stand_best_first_and_the_last_needs_nothing(danger: Any) -> None:
    """Every station has an answer to each hazard, though it be 'nothing', and the best it has."""
    *before, last = danger.covers
    grades = [cover.grade for cover in before]
    if danger.id in NO_PART_NO_HAZARD:
        assert last.grade is Grade.FULL
        assert last.how.startswith("there is no ")
        assert all(NO_PART_NO_HAZARD[danger.id] in cover.needs for cover in before)
    else:
        grades.append(last.grade)
    assert grades == sorted(grades, reverse=True)
    assert last.needs == ()
    assert not last.switched
    assert all(cover.needs for cover in before)


@pytest.mark.parametrize("danger", DANGERS, ids=lambda danger: danger.id)
def test_what_software_cannot_cover_says_what_does(danger: Any) -> None:
    """A row has words of hardware or habit if, and only if, no part makes it FULL."""
    best = max(cover.grade for cover in danger.covers)
    assert (danger.rest != "") is (best is not Grade.FULL)
    assert (danger.id in BEYOND_SOFTWARE) is (best is not Grade.FULL)


def test_what_a_way_needs_is_something_a_plan_has() -> None:
    """No way hangs on a field that does not exist, and each can be said in words."""
    needs = {need for danger in DANGERS for cover in danger.covers for need in cover.needs}
    assert all(hasattr(Plan, need) for need in needs)
    assert needs - {"desk_closes"} == set(FITS)  # whoever needs that is told of `desk`


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.key)
def test_every_rule_is_a_way_that_its_hazard_is_covered(rule: Any) -> None:
    """A rule that needs something fitted has a way that needs it too, and better than nothing; but
    where every station has the full answer, a part's own failure needs no way of its own.
    """
    if rule.id == GUARDS_OWN:
        return
    (danger,) = (danger for danger in DANGERS if danger.id == rule.id)
    for_all = danger.covers[-1]
    ways = [c for c in danger.covers if rule.needs in c.needs] if rule.needs else [for_all]
    ways += [for_all] if for_all.grade is Grade.FULL and len(danger.covers) == 1 else []
    assert ways
    assert max(way.grade for way in ways) > Grade.NONE


@pytest.mark.parametrize("name", PARTS)
def test_a_hazard_that_a_rule_watches_is_not_called_uncovered(name: str) -> None:
    """With one part fitted beside the meter and the thermometer: where a rule is armed in some
    phase, something is said to cover its hazard.
    """
    plan = fitted({"flow_in", "temp_in", name})
    armed = {row[1].id for rows in plan.armed.values() for row in rows} - {GUARDS_OWN}
    uncovered = {row.id for row in covered(plan) if row.grade is Grade.NONE}
    # The floats of a drain that is not there watch nothing.
    assert uncovered & armed <= ({"W21"} if name == "stores" else {"W23"})


@pytest.mark.parametrize("row", covered(full_plan(**ALL_FITTED)), ids=lambda row: row.id)
def test_with_everything_fitted_all_is_full_that_software_can_cover(row: Covered) -> None:
    """What remains is what hardware and habits are for, and nothing more can be fitted for it."""
    assert (row.grade is Grade.FULL) is (row.id not in BEYOND_SOFTWARE)
    assert row.better == ()


def test_a_bare_station_is_told_what_it_lacks() -> None:
    """Float and probe alone: the gaps, and what would close each."""
    rows = covered(fitted(frozenset()))
    balance = dict.fromkeys(("W02", "W03", "W05", "W11", "W12", "W20", "S06"), ("level", "flow_in"))
    warmth = dict.fromkeys(("T01", "T02", "T03"), ("temp_in",))
    assert {row.id: row.better for row in rows if row.better} == {
        **balance,
        **warmth,
        "W01": ("flow_in",),
        "W04": ("flow_in",),
        "W08": ("sump_highs",),
        "W09": ("sump_lows", "sump_highs", "pump_plug"),
        "W10": ("return_pump",),
        "W15": ("flow_in",),
        "W21": ("stores", "drain"),
        "W22": ("heater", "level"),
        "W23": ("drain", "lows", "level"),
        "W25": ("level",),
        "T04": ("temp_in", "temp_tank", "tank_change_c"),
        "T07": ("has_filter",),
        "T08": ("temp_in", "temp_tank", "tank_low_c", "tank_high_c"),
        "S10": ("flow_in",),
        "C14": ("people_check",),
        "C16": ("desk",),
    }
    assert {row.id for row in rows if row.grade is Grade.NONE} == {
        "W05", "W08", "W09", "W10", "W12", "W21", "W22", "W23", "T01", "T02", "T03", "T04", "T07",
        "T08", "S09", "S10", "C14",
    }  # fmt: skip


def test_what_measures_can_fail_where_it_is_fitted_and_only_there() -> None:
    """A meter and a thermometer bring hazards of their own, which a level probe answers in turn."""
    without, with_them = by_id(fitted(frozenset())), by_id(fitted({"flow_in", "temp_in"}))
    for hazard in NO_PART_NO_HAZARD:
        assert without[hazard].how.startswith("there is no ")
        assert not with_them[hazard].how.startswith("there is no ")
    assert [with_them[i].grade for i in ("W16", "W17", "S04", "T05", "T06")] == [1, 0, 1, 2, 2]
    assert {with_them[i].better for i in ("W16", "W17", "S04")} == {("level",)}


@pytest.mark.parametrize(
    ("parts", "grade", "words"),
    [
        ({}, Grade.NONE, "not watched"),
        ({"drain": "hose"}, Grade.PARTLY, "when the time is up"),
        ({"drain": "hose", "lows": ("low",)}, Grade.PARTLY, "hose must come out"),
        ({"drain": "hose", "lows": ("low",), "level": "depth"}, Grade.PARTLY, "sinks past"),
        ({"drain": "pump"}, Grade.PARTLY, "only the minutes"),
        ({"drain": "valve", "lows": ("low",)}, Grade.PARTLY, "not seen"),
        ({"drain": "valve", "level": "depth"}, Grade.PARTLY, "the level stops it"),
        ({"drain": "pump", "lows": ("low",), "level": "depth"}, Grade.FULL, "within a second"),
    ],
)
def test_a_hose_in_somebodys_hand_is_not_a_drain_that_can_be_stopped(
    parts: dict[str, Any], grade: Grade, words: str
) -> None:
    """What the same sensors are worth depends on whether a relay of ours lets the water out."""
    row = by_id(river_plan(**parts))["W23"]
    assert row.grade is grade
    assert words in row.how
    assert ("drain" in row.better) is (parts.get("drain", "hose") == "hose")


@pytest.mark.parametrize("nothing", ["", (), False, None, inf, -inf, nan])
def test_a_number_without_end_is_nothing_fitted(nothing: Any) -> None:
    """The plan writes 'not given' in several ways; none of them covers anything."""
    row = by_id(river_plan(temp_tank="tank", tank_change_c=nothing))["T04"]
    assert (row.grade, row.better) == (Grade.PARTLY, ("tank_change_c",))


subsets = st.frozensets(st.sampled_from(sorted(PARTS)))


@given(subsets, st.sampled_from(sorted(PARTS)))
def test_fitting_something_makes_nothing_else_worse(names: frozenset[str], more: str) -> None:
    """No grade falls when a part is added, but for what can go wrong with that part itself."""
    before, after = by_id(fitted(names)), by_id(fitted(names | {more}))
    worse = {hazard for hazard, row in before.items() if after[hazard].grade < row.grade}
    assert {NO_PART_NO_HAZARD[hazard] for hazard in worse} <= {more}


@given(subsets)
def test_what_is_told_to_fit_gives_the_best_there_is(names: frozenset[str]) -> None:
    """With what `better` names, a hazard is covered in the best way, and with any less it is not;
    whatever is less than FULL can be bettered, or says what covers the rest.
    """
    for danger, row in zip(DANGERS, covered(fitted(names)), strict=True):
        best = danger.covers[0].grade
        assert row.better or row.rest or row.grade is Grade.FULL
        if not row.better:
            first = next(c.how for c in danger.covers if c.grade is best)
            assert row.grade is Grade.FULL or row.how == first
            continue
        assert row.grade is not Grade.FULL
        after = by_id(_with(names, row.better))[row.id]
        assert (after.grade, after.how == row.how) == (best, False)
        for left_out in row.better:
            fewer = tuple(key for key in row.better if key != left_out)
            less = by_id(_with(names, fewer))[row.id]
            assert less.grade < best or less.how == row.how


def _with(names: frozenset[str], keys: tuple[str, ...]) -> Plan:
    changes = dict(NOTHING)
    for name in names:
        changes |= PARTS[name]
    for key in keys:
        changes |= {"filter_l": 8000.0} if key == "has_filter" else {key: ALL_FITTED[key]}
    return river_plan(**changes)


def test_every_word_to_fit_names_a_table_of_the_config() -> None:
    """The gap is for the station's name, and what follows is in brackets, as it stands in TOML."""
    for words in FITS.values():
        assert re.findall(r"\[station\.(\{\})(?:\.sensor\.NAME|\.[a-z.]+)?\]", words) == ["{}"]
        assert words.format("river").count("[station.river") == 1
