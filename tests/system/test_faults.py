"""Every fault that the program knows, put into the real command, against its bound.

The list comes from the command itself, so a new fault is tested from the day it is listed. The
figures come from the simulated water's own account (`monitor.simulate.world.Truth`), which knows
nothing of the rules, and from the record that the program kept.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.common import sample_text
from monitor.config import Flow, Station, loads
from monitor.journal.reader import JournalReader
from monitor.journal.rows import FillRecord, FillSample
from monitor.simulate.faults import FAULTS, Acts, From, Outcome
from support.commands import COMMAND, SMALL, SMALL_L, brimwatch, surroundings

STATION: Station = loads(sample_text(), "sample").stations["river"]
CLOSING_S = STATION.valve.closing_s
READING_S = STATION.limits.reading_period_s
RELAY_BOUND_S = 1.0  # hazards W06 and S01: "from wet to relay", the valve's own second comes after
EXIT = {Outcome.CLOSE: 3, Outcome.HOLD: 3, Outcome.ALARM: 4}
# What may run onto the floor of the rig: the puddle that reaches the probe, then 11 L/min for the
# bound and for the valve's own second.
SPILL_MAX_L = 0.05 + 11.0 / 60.0 * (1.0 + 1.0)
# Where the reference rig cannot tell the hazard that was put in from another. Everywhere else the
# first cause of the table must be the one that is named.
ALIKE = {
    "float-chatter": {"S05", "S01"},  # a loop that chatters and one that is open both read high
    "network-cut": {"C04", "C06"},  # from the engine a cut cable and a frozen node are one silence
}


def listed() -> list[str]:
    """Return the faults that the command lists, one a line, the name first."""
    run = subprocess.run(
        [*COMMAND, "simulate", "--list-faults"],
        env=surroundings(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [line.split()[0] for line in run.stdout.splitlines()]


NAMES = listed()


@dataclass(frozen=True)
class Played:
    """One fault, played: the verdict, the exit code, and what the program recorded."""

    name: str
    code: int
    verdict: dict[str, Any]
    record: FillRecord
    samples: tuple[FillSample, ...]


def play(name: str, folder: Path, *more: str) -> Played:
    """Play a small fill with one fault, and read its record."""
    path = folder / "record.db"
    done = brimwatch("simulate", "--once", "--speed", "max", "--json", *SMALL, "--fault", name,
                     "--journal", str(path), *more, cwd=folder)  # fmt: skip
    with JournalReader(path) as reader:
        (record,) = reader.list_fills(10)
        samples = tuple(reader.samples(record.id))
    return Played(name, done.code, done.last, record, samples)


def test_the_command_lists_every_fault_of_the_table() -> None:
    """Claim: `--list-faults` leaves none out and invents none."""
    assert list(FAULTS) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_ends_as_its_row_says(name: str, tmp_path: Path) -> None:
    """Claim: a fault in mid-fill ends the fill, names the right cause, raises an alarm, exits with
    the documented code, and is met within the bound of the hazard catalogue.

    Faults of processes and of the link strike at the worst moment that the simulation has: just
    after a reading has earned a permit.
    """
    spec = FAULTS[name]
    apart = spec.acts in (Acts.PROCESS, Acts.LINK)
    # Readings come a little after each whole second, and faults at quarters.
    strike = ("--fault-at", "100.25") if apart else ()
    if spec.bound_from is From.SHOWN:
        strike = ("--fault-at", "100")
    played = play(name, tmp_path, *strike)
    verdict = played.verdict
    assert (verdict["simulated"], verdict["fault"]) == (True, name)
    assert verdict["outcome"] == "stopped"
    assert verdict["cause"] in spec.causes
    assert verdict["cause"] in ALIKE.get(name, {spec.causes[0]})
    assert played.code == EXIT[spec.outcome]
    assert verdict["alarms"]
    held = any(sample.phase == "holding" for sample in played.samples)
    assert held is (spec.outcome is Outcome.HOLD)
    _within_bound(played, float(strike[1]) if strike else None)
    _dry_enough(played)
    assert played.record.simulated
    assert played.record.outcome in ("stopped", "interrupted")


def _within_bound(played: Played, onset_s: float | None) -> None:
    """Hold the times against the bound, counted from where the row says."""
    spec, verdict = FAULTS[played.name], played.verdict
    if spec.outcome is Outcome.ALARM:
        assert spec.bound_s is not None
        assert verdict["person_called_after_s"] <= spec.bound_s
        return
    relay_s, shut_s = verdict["relay_released_after_s"], verdict["valve_closed_after_s"]
    assert shut_s <= relay_s + CLOSING_S + 0.05  # the valve does close once it is let go
    if spec.bound_s is None:
        return
    if spec.bound_from is From.SHOWN:
        assert onset_s is not None
        shut_s -= _shown_after_s(played, onset_s)
    elif spec.bound_from is From.WET:
        relay_s -= verdict["probe_wet_after_s"]
    # "3 missed readings", and "at most 1 s to the relay", bound the relay and not the valve.
    to_relay = spec.hazard == "T06" or spec.bound_s <= RELAY_BOUND_S
    assert (relay_s if to_relay else shut_s) <= spec.bound_s


def _shown_after_s(played: Played, onset_s: float) -> float:
    """Return when the sensor's own readings first left the band, in seconds after the onset.

    A sample is at most one reading period younger than what the sensor showed; that counts
    against the program.
    """
    low_c, high_c = STATION.incoming.low_c, STATION.incoming.high_c
    began_s = played.record.started_at_s
    assert began_s is not None
    shown_s = [
        began_s + sample.t_s - onset_s
        for sample in played.samples
        if sample.temp_c is not None and not low_c <= sample.temp_c <= high_c
    ]
    first_s = next(at_s for at_s in shown_s if at_s >= 0.0)
    return first_s - READING_S


def _dry_enough(played: Played) -> None:
    """Nothing on the floor but for the faults that put it there, and then little."""
    verdict = played.verdict
    if verdict["probe_wet_after_s"] is None:
        assert verdict["spilled_l"] == 0.0
        return
    assert 0.0 < verdict["spilled_l"] <= SPILL_MAX_L


def test_a_stuck_float_ends_by_litres_before_the_margin_is_spent(tmp_path: Path) -> None:
    """Claim (W01): without the float's help the fill ends before the delivered litres exceed the
    need and its margin, and nothing runs over.
    """
    meter = next(iter(STATION.fitted(Flow).values()))
    limits = STATION.limits
    most_l = SMALL_L * (1.0 + meter.uncertainty + limits.volume_margin) + limits.volume_margin_l
    verdict = play("float-stuck", tmp_path).verdict
    assert verdict["spilled_l"] == 0.0
    assert verdict["highest_level_m"] < STATION.vessel.rim_m
    assert verdict["true_delivered_l"] <= most_l


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
    played = play(name, tmp_path, "--seed", seed)
    assert played.code == 3
    _within_bound(played, None)


def test_an_unknown_fault_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    """Claim: a mistyped fault plays nothing, and the right name is told."""
    done = brimwatch("simulate", "--fault", "leek", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert "'leak'" in done.err
    assert list(tmp_path.iterdir()) == []
