"""The verdict on one simulation: the program's own record beside the world's account."""

from __future__ import annotations

from math import isfinite
from typing import Any

from monitor.errors import ExitCode
from monitor.journal.rows import FillRecord
from monitor.simulate.world import Truth

MM_DIGITS = 4  # of a height in metres: a tenth of a millimetre


def _round(value: float | None, digits: int = 2) -> float | None:
    return round(value, digits) if value is not None and isfinite(value) else None


def _since(onset_s: float | None, at_s: float | None) -> float | None:
    if onset_s is None or at_s is None:
        return None
    return _round(at_s - onset_s)


def _figures(truth: Truth) -> dict[str, Any]:
    """Return what truly happened, from the water's side."""
    onset_s = truth.fault_onset_s
    return {
        "fault_onset_s": _round(onset_s),
        "delivered_l": _round(truth.delivered_l),
        "fill_s": None,
        "spilled_l": _round(truth.spilled_l),
        "valve_closed_after_s": _since(onset_s, truth.valve_shut_s),
        "relay_released_after_s": _since(onset_s, truth.relay_off_s),
        "probe_wet_after_s": _since(onset_s, truth.probe_wet_s),
        "water_stopped_after_s": _since(onset_s, truth.water_stopped_s),
        "person_called_after_s": _since(onset_s, truth.person_called_s),
        "stopcock_shut_by_person": truth.stopcock_shut_s is not None,
        "drain_stopped_by_person": _drained_on(truth),
        "true_delivered_l": _round(truth.delivered_l),
        "level_m": _round(truth.level_m, MM_DIGITS),
        "highest_level_m": _round(truth.max_level_m, MM_DIGITS),
        "temp_min_c": _round(truth.temp_min_c),
        "temp_max_c": _round(truth.temp_max_c),
        "tank_temp_c": _round(truth.tank_temp_c),
        "reached_after_s": _since(onset_s, truth.reached_s),
        "drain_released_after_s": _since(onset_s, truth.drain_off_s),
        "drain_stopped_after_s": _since(onset_s, truth.drain_stopped_s),
        "drained_l": _round(truth.drained_l),
        "stored_l": _round(truth.stored_l),
        "away_l": _round(truth.away_l),
        "lowest_level_m": _round(truth.min_level_m, MM_DIGITS),
        "heater_bare_s": _round(truth.heater_bare_s),
        "pump_dry_s": _round(truth.pump_dry_s),
    }


def _drained_on(truth: Truth) -> bool:
    """Say whether water went on running out until the person who was called came."""
    stopped_s, person_s = truth.drain_stopped_s, truth.stopcock_shut_s
    if person_s is None or truth.drained_l == 0.0:
        return False
    return stopped_s is None or stopped_s >= person_s


def exit_code(verdict: dict[str, Any]) -> ExitCode:
    """Return the command's exit code for a verdict."""
    if verdict["outcome"] == "done":
        return ExitCode.OK
    if verdict["outcome"] == "refused":
        return ExitCode.REFUSED
    stuck = verdict["stopcock_shut_by_person"] and verdict["valve_closed_after_s"] is None
    if stuck or verdict["drain_stopped_by_person"]:
        return ExitCode.OUT_OF_CONTROL
    return ExitCode.STOPPED


def verdict_of(
    head: dict[str, Any],
    record: FillRecord | None,
    alarms: list[str],
    truth: Truth,
    refused: str,
) -> dict[str, Any]:
    """Return the verdict as plain JSON values; `head` says what was played."""
    verdict: dict[str, Any] = {"simulated": True, **head, "outcome": "refused", "cause": None}
    if record is not None:
        ended = record.outcome.value if record.outcome is not None else "stopped"
        verdict["outcome"] = "done" if ended == "done" else "stopped"
        verdict["cause"] = record.cause or None
        verdict["recorded_as"] = ended
    elif refused:
        verdict["refused"] = refused
    verdict.update(_figures(truth))
    if record is not None:
        verdict["delivered_l"] = _round(record.delivered_l)
        verdict["fill_s"] = _round(record.fill_s)
        verdict["forecast_s"] = _round(record.forecast_s)
    verdict["alarms"] = alarms
    return verdict
