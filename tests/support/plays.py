"""One fault, played through the real command: its verdict, its record, and its row's bounds.

The figures come from the simulated water's own account (`monitor.simulate.world.Truth`), which
knows nothing of the rules, and from the record that the program kept.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.config import Flow, Station, loads
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmRecord, FillRecord, FillSample
from monitor.simulate.faults import FAULTS, FaultSpec, From, Outcome, Story
from support.commands import COMMAND, brimwatch, surroundings

EXIT = {
    Outcome.CLOSE: 3, Outcome.HOLD: 3, Outcome.ALARM: 4, Outcome.WARN: 0, Outcome.REFUSE: 6,
}  # fmt: skip
ENDS = {Outcome.WARN: "done", Outcome.REFUSE: "refused"}
RELAY_BOUND_S = 1.0  # hazards W06, S01: "from wet to relay", the valve's own second comes after
SLACK_S = 0.05  # the water moves in steps of this size while a valve travels
# What may run onto the floor: the puddle that reaches the probe, then 11 L/min for the bound and
# for the valve's own second.
SPILL_MAX_L = 0.05 + 11.0 / 60.0 * (RELAY_BOUND_S + 1.0)
# A tenth of a metre is 140 L. What is played at a rig with everything fitted where SMALL will not
# do: more litres for what shows slowly, a tank low enough to be moved, and drains that begin just
# above what they are about.
LONGER = ("--litres", "100", "--start-level", "0.4985714286")
FULL_WATER = {
    "hose-split": LONGER,
    "hose-split-half": LONGER,
    "meter-high": LONGER,
    "tank-drift": ("--litres", "120", "--start-level", "0.1", "--fault-at", "20"),
    "storage-full": ("--start-level", "0.40"),
    "heater-stuck": ("--start-level", "0.42"),
    "siphon-left": ("--start-level", "0.30"),
}
# Where no rig can tell the hazard that was put in from another. Everywhere else the first cause of
# the table must be the one that is named.
ALIKE = {
    "float-chatter": {"S05", "S01"},  # a loop that chatters and one that is open both read high
    "network-cut": {"C04", "C06"},  # from the engine a cut cable and a frozen node are one silence
    # No flow shuts the valve before the level has risen enough to tell; holds repeat it.
    "meter-jammed": {"W16", "W15"},
}


def listed(*config: str) -> list[str]:
    """Return the faults that the command lists, one a line, the name first."""
    run = subprocess.run(
        [*COMMAND, "simulate", "--list-faults", *config],
        env=surroundings(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [line.split()[0] for line in run.stdout.splitlines()]


@dataclass(frozen=True)
class Played:
    """One fault, played: the verdict, the exit code, and what the program recorded."""

    name: str
    code: int
    verdict: dict[str, Any]
    record: FillRecord | None
    samples: tuple[FillSample, ...]
    alarms: tuple[AlarmRecord, ...]

    @property
    def spec(self) -> FaultSpec:
        """The fault's row."""
        return FAULTS[self.name]

    @property
    def onset_s(self) -> float:
        """When the fault began, in simulated seconds."""
        onset_s: float = self.verdict["fault_onset_s"]
        return onset_s

    def alarmed_s(self, rule: str) -> float:
        """Return when an alarm of this hazard was first raised, in simulated seconds."""
        raised_s = [
            each.raised_at_s for each in self.alarms
            if each.rule == rule and each.raised_at_s is not None
        ]  # fmt: skip
        assert raised_s, f"{rule} was never raised"
        return min(raised_s)


def play(name: str, folder: Path, *more: str) -> Played:
    """Play one fault to its end, and read its record."""
    path = folder / "record.db"
    done = brimwatch("simulate", "--once", "--speed", "max", "--json", "--fault", name,
                     "--journal", str(path), *more, cwd=folder)  # fmt: skip
    with JournalReader(path) as reader:
        alarms = reader.alarms()
        fills = reader.list_fills(1)
        record = fills[0] if fills else None
        samples = tuple(reader.samples(record.id)) if record is not None else ()
    return Played(name, done.code, done.last, record, samples, alarms)


def ended_as_its_row_says(played: Played) -> None:
    """Hold outcome, cause, alarms, exit code and record against the row."""
    spec, verdict = played.spec, played.verdict
    assert (verdict["simulated"], verdict["fault"]) == (True, played.name)
    assert verdict["outcome"] == ENDS.get(spec.outcome, "stopped")
    assert played.code == EXIT[spec.outcome]
    if spec.outcome is Outcome.REFUSE:
        assert verdict["refused"]
        assert played.record is None
        return
    record = played.record
    assert record is not None
    assert record.simulated
    if spec.outcome is Outcome.WARN:
        assert verdict["cause"] is None
        assert spec.causes[0] in verdict["alarms"]
        assert record.outcome == "done"
        return
    assert verdict["cause"] in ALIKE.get(played.name, {spec.causes[0]})
    assert verdict["alarms"]
    held = any(sample.phase == "holding" for sample in played.samples)
    # Where the band is wide, water that is too warm scalds before the hold is due: shut at once.
    scalds = any(each.rule == "T01" and each.severity == "high" for each in played.alarms)
    assert held is (spec.outcome is Outcome.HOLD and not scalds)
    assert record.outcome in ("stopped", "interrupted")


def within_bound(played: Played, station: Station) -> None:
    """Hold the times against the row's bound, counted from where the row says."""
    spec, verdict = played.spec, played.verdict
    if spec.during is Story.FILL and spec.outcome not in (Outcome.REFUSE, Outcome.WARN):
        _valve_closes(verdict, station)
    if spec.bound_s is None:
        return
    from_s = _counted_from_s(played, station)
    if from_s is None:
        return  # it never came so far
    if spec.outcome in (Outcome.ALARM, Outcome.WARN):
        assert played.alarmed_s(spec.causes[0]) - played.onset_s - from_s <= spec.bound_s
        return
    if spec.during is Story.DRAIN:
        assert verdict["drain_released_after_s"] - from_s <= spec.bound_s
        assert verdict["drain_stopped_after_s"] is not None
        return
    # "3 missed readings", and "at most 1 s to the relay", bound the relay and not the valve.
    to_relay = spec.hazard == "T06" or spec.bound_s <= RELAY_BOUND_S
    shut = "relay_released_after_s" if to_relay else "valve_closed_after_s"
    assert verdict[shut] - from_s <= spec.bound_s


def _valve_closes(verdict: dict[str, Any], station: Station) -> None:
    """The valve does close once it is let go, but for one that sticks."""
    shut_s = verdict["valve_closed_after_s"]
    if shut_s is None:
        assert verdict["stopcock_shut_by_person"] or verdict["water_stopped_after_s"] is not None
        return
    assert shut_s <= verdict["relay_released_after_s"] + station.valve.closing_s + SLACK_S


def _counted_from_s(played: Played, station: Station) -> float | None:
    """Return the moment from which the bound counts, in seconds after the onset."""
    verdict = played.verdict
    match played.spec.bound_from:
        case From.WET:
            wet_s: float = verdict["probe_wet_after_s"]
            return wet_s
        case From.REACHED:
            reached_s: float | None = verdict["reached_after_s"]
            return reached_s
        case From.SHOWN:
            return _shown_after_s(played, station)
        case _:
            # A fault that is there before the fill shows only once water flows.
            began_s = played.record.started_at_s if played.record is not None else None
            return max(0.0, (began_s or 0.0) - played.onset_s)


def _shown_after_s(played: Played, station: Station) -> float:
    """Return when the sensor's own readings first left the band, in seconds after the onset.

    A sample is at most one reading period younger than what the sensor showed; that counts
    against the program.
    """
    low_c, high_c = station.incoming.low_c, station.incoming.high_c
    assert played.record is not None
    began_s = played.record.started_at_s
    assert began_s is not None
    shown_s = [
        began_s + sample.t_s - played.onset_s
        for sample in played.samples
        if sample.temp_c is not None and not low_c <= sample.temp_c <= high_c
    ]
    first_s = next(at_s for at_s in shown_s if at_s >= 0.0)
    return first_s - station.limits.reading_period_s


def nothing_came_to_harm(played: Played, station: Station) -> None:
    """Nothing on the floor but for the faults that put it there, and then little; no heater bare,
    no pump dry; the tank neither over its rim nor moved too far.
    """
    verdict = played.verdict
    if verdict["probe_wet_after_s"] is None:
        assert verdict["spilled_l"] == 0.0
    else:
        assert 0.0 < verdict["spilled_l"] <= SPILL_MAX_L
    assert verdict["heater_bare_s"] == 0.0
    assert verdict["pump_dry_s"] == 0.0
    assert verdict["highest_level_m"] < station.vessel.rim_m
    tank = station.tank
    if tank is not None and tank.temp_c is not None and tank.change_c is not None:
        assert abs(verdict["tank_temp_c"] - tank.temp_c) <= tank.change_c


def most_litres_l(station: Station, need_l: float) -> float:
    """Return what a fill to the mark may deliver at most: need, meter and margin (hazard W01)."""
    meter, limits = next(iter(station.fitted(Flow).values())), station.limits
    return need_l * (1.0 + meter.uncertainty + limits.volume_margin) + limits.volume_margin_l


def station_of(text: str) -> Station:
    """Return the station of a config's text."""
    return loads(text, "sample").stations["river"]
