"""What a sensor says: one value or one fault, never both, with the moment it was true."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a sensor measures; it fixes the unit of its value."""

    FLOAT = "float"  # 1.0 = high (or loop broken), 0.0 = water below the float
    LEAK = "leak"  # 1.0 = wet, 0.0 = dry
    TEMPERATURE = "temperature"  # °C
    FLOW = "flow"  # L/min, with the cumulative pulse count beside it
    LEVEL = "level"  # metres of water above the vessel's floor


class Fault(StrEnum):
    """Why a sensor has no value. A faulty sensor is as good as a missing one."""

    MISSING = "missing"  # the device does not answer or its files are gone
    EMPTY = "empty"  # the kernel handed out an empty file
    CRC = "crc"  # check sum wrong
    POWER_ON = "power-on"  # DS18B20 85 °C: no conversion has been done
    LOW_POWER = "low-power"  # DS18B20 127.94 °C: not enough supply to convert
    BLANK = "blank"  # all-zero scratchpad: passes the CRC, means nothing
    RANGE = "range"  # outside what the part can measure
    NOISE = "noise"  # edges faster than the part can make them
    WIRING = "wiring"  # a loop that is neither open nor closed as it must be
    ERROR = "error"  # the driver itself failed; the log says how


@dataclass(frozen=True, slots=True)
class Sample:
    """One sensor at one moment.

    `at_s` is the node's monotonic clock. `value` is None exactly when `fault` is set; its unit
    follows from `kind`. `count` is the cumulative pulse count of a flow meter since the driver
    started, None for every other kind.
    """

    sensor: str
    kind: Kind
    at_s: float
    value: float | None
    fault: Fault | None = None
    count: int | None = None
