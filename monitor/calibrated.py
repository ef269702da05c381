"""A station with its calibrations: those of the record that fit the config, and are within bounds.

The node sends what its sensors say by the config; the engine, which has the record, makes the
readings right. So a node on another machine needs no calibration, and none can be applied twice.
The meter's pulses are counted with the calibrated constant instead of the config's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from monitor.config import Ds18b20, Flow, Level, Station
from monitor.config.parts import Sensor
from monitor.core.calibration import (
    FLOW_FLOOR,
    Correction,
    flow_problem,
    level_problem,
    temp_problem,
)
from monitor.journal.rows import CalibrationRecord

FLOW, LEVEL, TEMPERATURE = "flow", "level", "temperature"
KINDS: Final[Mapping[str, type[Sensor]]] = {FLOW: Flow, LEVEL: Level, TEMPERATURE: Ds18b20}


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A station as it is planned, what makes its readings right, and what people are told."""

    station: Station
    corrections: Mapping[str, Correction] = field(default_factory=dict)
    told: tuple[dict[str, Any], ...] = ()


def basis_of(part: Sensor) -> str:
    """Return what of the config a calibration is made for: with another one it means nothing."""
    match part:
        case Flow():
            return f"{part.pulses_per_litre:g} pulses/L on GPIO {part.pin}"
        case Level():
            place = f"{part.converter} select {part.select_pin} channel {part.channel}"
            return f"{place}: {part.zero_v:g} V, {part.full_v:g} V at {part.span_m:g} m"
        case Ds18b20():
            return part.address
        case _:
            return ""


def calibrated(station: Station, records: Sequence[CalibrationRecord]) -> Calibrated:
    """Return the station with those calibrations that can be used; the others are told, too."""
    corrections: dict[str, Correction] = {}
    told = []
    for record in records:
        part = station.sensors.get(record.part)
        unused = _unused(part, record)
        told.append(_told(record, unused))
        if unused or part is None:
            continue
        corrections[record.part] = correction_of(part, record)
        if isinstance(part, Flow):
            station = replace(
                station, sensors={**station.sensors, record.part: _meter(part, record)}
            )
    return Calibrated(station, corrections, tuple(told))


def correction_of(part: Sensor, record: CalibrationRecord) -> Correction:
    """Return what makes the readings of a part right."""
    if isinstance(part, Flow):
        return Correction(scale=part.pulses_per_litre / record.value)
    return Correction(record.scale, record.value)


def _meter(part: Flow, record: CalibrationRecord) -> Flow:
    """Return the meter with its measured constant. A bucket is filled at one flow, so however well
    it was done the constant is not believed to be better than `FLOW_FLOOR` at others.
    """
    uncertainty = max(record.uncertainty, FLOW_FLOOR)
    return part.model_copy(update={"pulses_per_litre": record.value, "uncertainty": uncertainty})


def _unused(part: Sensor | None, record: CalibrationRecord) -> str:
    """Return why a calibration is not used; empty when it is."""
    if part is None or not isinstance(part, KINDS.get(record.what, type(None))):
        return "the config has no such part any more"
    if basis_of(part) != record.basis:
        return f"it was made for {record.basis}, and the config has {basis_of(part)}: measure anew"
    match part:
        case Flow():
            return flow_problem(record.value, part.pulses_per_litre)
        case Level():
            return level_problem(record.scale, record.value, part.span_m)
        case _:
            return temp_problem(record.value)


def _told(record: CalibrationRecord, unused: str) -> dict[str, Any]:
    """Return a calibration as plain JSON values."""
    return {
        "part": record.part,
        "what": record.what,
        "value": record.value,
        "scale": record.scale,
        "uncertainty": record.uncertainty,
        "n": record.n,
        "by": record.by,
        "on": record.wall.date().isoformat(),
        "unused": unused or None,
    }
