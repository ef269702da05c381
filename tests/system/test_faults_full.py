"""Every fault that a rig with everything fitted can have, through the real command, against its
row of the table: outcome, cause, exit code, bound, and what came to harm by the water's own
account.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import Station
from monitor.simulate.faults import FAULTS, Acts, From, offered
from monitor.simulate.fitting import fitted
from support.commands import FULL_TOML, SMALL
from support.plays import (
    FULL_WATER,
    SPILL_MAX_L,
    ended_as_its_row_says,
    listed,
    nothing_came_to_harm,
    play,
    station_of,
    within_bound,
)

FULL = ("--config", str(FULL_TOML))
STATION: Station = station_of(FULL_TOML.read_text())
NAMES = listed(*FULL)

FLOAT_STUCK = "float-stuck"  # the level stands in for the float: see its own test
VALVE_STUCK = "valve-stuck-open"  # water goes over the weir meanwhile: see its own test
APART = (FLOAT_STUCK, VALVE_STUCK)


def test_the_command_lists_every_fault_that_the_rig_can_have() -> None:
    """Claim: `--list-faults` leaves none out, and with everything fitted that is all of them."""
    assert list(FAULTS) == NAMES == [spec.name for spec in offered(fitted(STATION))]


@pytest.mark.parametrize("name", [name for name in NAMES if name not in APART])
def test_every_fault_ends_as_its_row_says(name: str, tmp_path: Path) -> None:
    """Claim: a fault ends as its row says, with the right cause, an alarm, the documented code and
    within its bound; nothing is on the floor but for the puddle that a probe needs, no heater is
    bare, no pump runs dry, and the tank is not moved too far.
    """
    spec = FAULTS[name]
    strike: tuple[str, ...] = ()
    if spec.acts in (Acts.PROCESS, Acts.LINK):
        # Readings come a little after each whole second, and faults at quarters.
        strike = ("--fault-at", "100.25")
    elif spec.bound_from is From.SHOWN:
        strike = ("--fault-at", "100")
    played = play(name, tmp_path, *FULL, *FULL_WATER.get(name, SMALL), *strike)
    ended_as_its_row_says(played)
    within_bound(played, STATION)
    nothing_came_to_harm(played, STATION)


def test_with_a_level_probe_a_stuck_float_does_no_harm(tmp_path: Path) -> None:
    """Claim (W01): two things watch the mark. With the float stuck the level ends the fill, at the
    mark, below the second float, and in good order.
    """
    verdict = play(FLOAT_STUCK, tmp_path, *FULL, *SMALL).verdict
    assert (verdict["outcome"], verdict["cause"], verdict["alarms"]) == ("done", None, [])
    mark_m = STATION.vessel.mark_m
    assert mark_m - 0.005 <= verdict["highest_level_m"] <= mark_m + 0.005
    assert verdict["spilled_l"] == 0.0


def test_a_valve_that_sticks_open_over_a_sump(tmp_path: Path) -> None:
    """Claim (W04): the alarm is out within 15 s. The weir sends the water on into the sump, whose
    float says so before the sump runs over; that buys the called person two minutes and more, and
    only what comes after that and before the stopcock is on the floor.
    """
    played = play(VALVE_STUCK, tmp_path, *FULL, *SMALL)
    verdict = played.verdict
    assert (played.code, verdict["outcome"], verdict["cause"]) == (4, "stopped", "W04")
    within_bound(played, STATION)
    assert verdict["stopcock_shut_by_person"]
    assert played.alarmed_s("W08") < played.onset_s + verdict["probe_wet_after_s"]
    assert verdict["probe_wet_after_s"] - verdict["person_called_after_s"] > 120.0
    late_s = verdict["water_stopped_after_s"] - verdict["probe_wet_after_s"]
    assert verdict["spilled_l"] <= SPILL_MAX_L + 11.0 / 60.0 * late_s


def test_a_drain_that_runs_on_calls_a_person_who_stops_it(tmp_path: Path) -> None:
    """Claim (W23): a siphon that is left after a drain in the middle of the tank, far above the low
    float, is seen by the level within its bound, and only a person's hand stops it.
    """
    played = play("siphon-left", tmp_path, *FULL, "--litres", "20", "--seed", "2")
    ended_as_its_row_says(played)
    within_bound(played, STATION)
    assert played.verdict["drain_stopped_by_person"]
    assert played.verdict["person_called_after_s"] <= 60.0
