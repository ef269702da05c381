"""`brimwatch check` on a config without a mistake: what it covers, what a test not done costs."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from support.commands import ROOT, Done, brimwatch, write_config

SIMULATE = ROOT / "monitor" / "simulate"
GRADES = {"covered", "in part", "not covered"}
RATE_PER_H, SHARED = 1e-5, 0.1  # what the command says that it assumes


def hazards(done: Done) -> dict[str, dict[str, Any]]:
    return {each["id"]: each for each in done.objects if "id" in each}


def parts(done: Done) -> dict[str, dict[float | None, float]]:
    """Return how likely each kind of part fails, by days between tests."""
    return {
        each["part"]: {row["tested_every_d"]: row["fails"] for row in each["untested"]}
        for each in done.objects
        if "part" in each
    }


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Check the museum's tank with everything fitted."""
    folder = tmp_path_factory.mktemp("full")
    shutil.copy(SIMULATE / "full.toml", folder / "full.toml")
    return brimwatch("check", "--config", "full.toml", "--json", cwd=folder)


@pytest.fixture(scope="module")
def simple(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Check the simple one."""
    folder = tmp_path_factory.mktemp("simple")
    return brimwatch("check", "--config", str(write_config(folder)), "--json", cwd=folder)


def test_every_hazard_is_told_once_with_its_grade(simple: Done, full: Done) -> None:
    """Claim: all 69 hazards of the catalogue, each with how it is covered; what is not covered as
    well as can be says what would cover it, by a table of this station, or what the rest is for.
    """
    for done in (simple, full):
        assert done.code == 0
        assert all(each["ok"] is True for each in done.objects)
        rows = hazards(done)
        assert len(rows) == sum("id" in each for each in done.objects) == 69
        assert {row["grade"] for row in rows.values()} == GRADES
        for row in rows.values():
            assert row["how"]
            assert row["grade"] == "covered" or row["better"] or row["rest"]
            assert all("[station.river" in fit for fit in row["better"])


def test_the_simple_tank_is_told_what_a_level_probe_would_do(simple: Done) -> None:
    """Claim: without one, a hose out of the tank is covered in part, and the probe is named."""
    rows = hazards(simple)
    assert rows["W02"]["grade"] == "in part"
    assert any('kind = "level"' in fit for fit in rows["W02"]["better"])
    assert (rows["W06"]["grade"], rows["W06"]["better"]) == ("covered", [])
    assert (rows["W21"]["grade"], rows["S09"]["grade"]) == ("not covered", "not covered")


def test_with_everything_fitted_only_people_are_left_to_name(full: Done) -> None:
    """Claim: what the simple tank is told to fit is fitted here, and counts."""
    rows = hazards(full)
    assert {i for i, row in rows.items() if row["better"]} == {"C14"}
    assert rows["C14"]["better"] == [
        "somebody who can be reached: people_check = true in [station.river]"
    ]
    assert all(rows[i]["grade"] == "covered" for i in ("W02", "W03", "W21", "W22", "W23", "T04"))


def test_a_test_not_done_costs_what_the_standard_says(simple: Done, full: Done) -> None:
    """Claim: the figures are those of the simplified equations of IEC 61508-6:2010 Annex B (from
    memory), worked out here by hand: rate times interval / 2 for one part; for two of which one is
    enough, the square of what they do not share, times interval squared / 3, and what they share
    as one part; parts that are all needed add up. Never tested is certain to fail.
    """
    for done in (simple, full):
        told = next(each for each in done.objects if "part" in each)
        assert told["assumed_failures_per_h"] == RATE_PER_H
        assert told["assumed_shared"] == SHARED
        assert told["at_least_every_d"] == 180.0
    for days in (30.0, 180.0, 365.0):
        hours = days * 24.0
        one = RATE_PER_H * hours / 2.0
        alone = (1.0 - SHARED) * RATE_PER_H
        two = alone**2 * hours**2 / 3.0 + SHARED * one
        for part in ("float", "leak probe", "valve"):
            assert parts(simple)[part][days] == pytest.approx(one, rel=1e-9)
        assert parts(simple)["float, valve"][days] == pytest.approx(2.0 * one, rel=1e-9)
        assert parts(full)["float"][days] == pytest.approx(two, rel=1e-9)
        assert parts(full)["float, valve"][days] == pytest.approx(two + one, rel=1e-9)
        assert parts(full)["sump float"][days] == pytest.approx(one, rel=1e-9)
    assert "sump float" not in parts(simple)
    for done in (simple, full):
        assert {fails[None] for fails in parts(done).values()} == {1.0}


def test_what_must_be_proven_is_what_the_station_has(simple: Done, full: Done) -> None:
    """Claim: the parts that a fill waits for are named as `brimwatch note` takes them."""
    proven = [each["proven"] for each in simple.objects + full.objects if "part" in each]
    assert proven[0] == ["float_high", "floor", "valve"]
    assert proven[-1] == [
        "float_high", "float_over", "float_low", "sump_high", "storage", "floor", "valve"
    ]


def test_a_station_that_wants_its_tests_sooner_is_told_that_interval(tmp_path: Path) -> None:
    """Claim: the interval is the station's own limit."""
    config = write_config(tmp_path)
    config.write_text(config.read_text() + "\n[station.river.limits]\nproof_days = 60.0\n")
    done = brimwatch("check", "--config", str(config), "--json", cwd=tmp_path)
    assert list(parts(done)["valve"]) == [30.0, 60.0, 365.0, None]
    text = brimwatch("check", "--config", str(config), cwd=tmp_path).out
    assert "within 60 days" in " ".join(text.split())


def test_the_text_says_the_same_and_fits_a_telephone(
    simple: Done, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: every hazard by its name, under what it is, no line wider than 44; the rate is said
    to be assumed.
    """
    monkeypatch.setenv("COLUMNS", "40")
    done = brimwatch("check", "--config", str(write_config(tmp_path)), cwd=tmp_path)
    assert done.code == 0
    first, *lines = done.lines
    assert first == f"{tmp_path / 'tank.toml'}: nothing wrong (1 station(s): river)"
    assert max(map(len, lines)) <= 44
    text = " ".join(done.out.split())
    assert "if a part fails unseen once in 11 years" in text
    assert "assumed, not measured" in text
    sections: Mapping[str, str] = {
        "covered": text.partition("Covered: ")[2].partition(". In part")[0],
        "in part": text.partition("In part, and")[2].partition("Not covered, and")[0],
        "not covered": text.partition("Not covered, and")[2].partition("What would make")[0],
    }
    better = text.partition("What would make")[2].partition("Never wholly")[0]
    never = text.partition("Never wholly")[2].partition("Proof tests:")[0]
    for row in hazards(simple).values():
        if row["grade"] == "covered" or row["better"]:
            assert row["name"] in sections[row["grade"]]
        assert bool(re.search(rf"\b{row['id']}\b", better)) is bool(row["better"])
        assert (f"{row['id']} {row['name']}: {row['rest']}." in never) is bool(row["rest"])
        for fit in row["better"]:
            assert fit in better
