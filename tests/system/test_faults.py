"""Every fault that the program knows, put into the real command, against its bound.

The list comes from the command itself, so a new fault is tested from the day it is listed. What a
rig with more on it can see is in `test_faults_full`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.cli.common import sample_text
from monitor.config import Station
from monitor.simulate.faults import FAULTS, Acts, From, offered
from monitor.simulate.fitting import fitted
from support.commands import SMALL, SMALL_L, brimwatch
from support.plays import (
    ended_as_its_row_says,
    listed,
    most_litres_l,
    nothing_came_to_harm,
    play,
    station_of,
    within_bound,
)

STATION: Station = station_of(sample_text())
NAMES = listed()


def test_the_command_lists_every_fault_that_the_rig_can_have() -> None:
    """Claim: `--list-faults` leaves none out and invents none."""
    assert [spec.name for spec in offered(fitted(STATION))] == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_ends_as_its_row_says(name: str, tmp_path: Path) -> None:
    """Claim: a fault in mid-fill ends as its row says, names the right cause, raises an alarm,
    exits with the documented code, and is met within the bound of the hazard catalogue.

    Faults of processes and of the link strike at the worst moment that the simulation has: just
    after a reading has earned a permit.
    """
    spec = FAULTS[name]
    strike: tuple[str, ...] = ()
    if spec.acts in (Acts.PROCESS, Acts.LINK):
        # Readings come a little after each whole second, and faults at quarters.
        strike = ("--fault-at", "100.25")
    elif spec.bound_from is From.SHOWN:
        strike = ("--fault-at", "100")
    played = play(name, tmp_path, *SMALL, *strike)
    ended_as_its_row_says(played)
    within_bound(played, STATION)
    nothing_came_to_harm(played, STATION)


def test_a_stuck_float_ends_by_litres_before_the_margin_is_spent(tmp_path: Path) -> None:
    """Claim (W01): without the float's help the fill ends before the delivered litres exceed the
    need and its margin, and nothing runs over.
    """
    verdict = play("float-stuck", tmp_path, *SMALL).verdict
    assert verdict["spilled_l"] == 0.0
    assert verdict["highest_level_m"] < STATION.vessel.rim_m
    assert verdict["true_delivered_l"] <= most_litres_l(STATION, SMALL_L)


def test_a_valve_that_sticks_open_calls_a_person_who_shuts_the_stopcock(tmp_path: Path) -> None:
    """Claim (W04): the alarm is of the highest priority and says what to do; the person who is
    called shuts the stopcock, and not a drop has run over until then.
    """
    done = brimwatch("simulate", "--once", "--speed", "max", *SMALL, "--fault", "valve-stuck-open",
                     cwd=tmp_path)  # fmt: skip
    assert done.code == 4
    alarm = next(line for line in done.lines if "ALARM W04" in line)
    assert "(top)" in alarm
    assert "stopcock" in alarm
    assert "a person who was called shut the stopcock" in done.out
    assert "0.0 L on the floor" in done.out


@pytest.mark.parametrize(
    ("name", "seed"), [("leak", "2"), ("float-chatter", "2"), ("float-chatter", "3")]
)
def test_the_bounds_hold_for_other_water_too(name: str, seed: str, tmp_path: Path) -> None:
    """Claim: the bound is met whatever the water's seed."""
    played = play(name, tmp_path, *SMALL, "--seed", seed)
    assert played.code == 3
    within_bound(played, STATION)


def test_an_unknown_fault_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    """Claim: a mistyped fault plays nothing, and the right name is told."""
    done = brimwatch("simulate", "--fault", "leek", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert "'leak'" in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_what_is_not_fitted_is_refused_with_what_is_lacking(tmp_path: Path) -> None:
    """Claim: a fault that means nothing at this rig plays nothing, and the reason is told."""
    done = brimwatch("simulate", "--once", "--fault", "hose-astray", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert "not fitted: level" in done.err
    assert list(tmp_path.iterdir()) == []
