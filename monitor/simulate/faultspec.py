"""What is said of a fault that a simulation can put in: one row of the table in `faults`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal

AT_CLOSE: Final = "at close"  # The fault waits for the coil to lose its current.


class Acts(StrEnum):
    """Where a fault is put in."""

    PLANT = "plant"
    SENSOR = "sensor"
    PROCESS = "process"
    LINK = "link"
    PLUG = "plug"  # a mains plug


class Story(StrEnum):
    """What is under way when a fault is put in."""

    FILL = "fill"
    DRAIN = "drain"


class Need(StrEnum):
    """What must be fitted for a fault to mean anything."""

    LEVEL = "level"  # a level probe
    TANK_TEMP = "tank thermometer"
    TANK_CHANGE = "tank.change_c"  # a limit on how far a fill may move the tank
    SUMP_HIGH = "sump_high float"
    SUMP_LOW = "sump_low float"
    STORE = "storage_full float"
    DRAIN = "drain by valve or pump"
    HEATER_PLUG = "heater plug"
    DESK = "desk"  # whose silence is not ignored


class Outcome(StrEnum):
    """What a correct program makes of a fault."""

    CLOSE = "close"  # Valve shut, fill ended, latched.
    HOLD = "hold then close"  # Valve shut, a bounded number of tries, then as CLOSE.
    ALARM = "alarm"  # Nothing the program does stops the water: a person is called.
    WARN = "warn"  # People are told, and the water goes on to its natural end.
    REFUSE = "refuse"  # No fill begins.


class From(StrEnum):
    """The moment from which a fault's bound is counted."""

    ONSET = "onset"  # The fault begins.
    WET = "wet"  # Water reaches the leak probe.
    COMMAND = "command"  # The coil loses its current.
    SHOWN = "shown"  # The sensor's own reading first shows it.
    DUE = "due"  # The water reaches the float that does not answer.
    REACHED = "reached"  # The water comes to the float or the heater that the fault is about.


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSpec:
    """One row of the table.

    Attributes:
        name: what a person types.
        line: what happens, in one line.
        hazard: the hazard that it puts in.
        onset: the part (0..1) of the needed litres that is in the tank (of a drain: out of it) when
            it begins, 0 for before anything is asked for, or AT_CLOSE.
        acts: where it is put in.
        outcome: what must follow.
        causes: the hazards that may be named as the cause, the one that was put in first unless the
            sensors of the reference rig can only see another.
        bound_s: seconds from `bound_from` until the valve must be shut (for ALARM: until the alarm
            is out); None where the catalogue bounds litres instead of time.
        bound_from: where `bound_s` begins.
        during: what is under way. AT_CLOSE means the drain's relay when that is a drain.
        needs: what must be fitted.
        linger_s: for how long after the end of a fill the water must be watched.
    """

    name: str
    line: str
    hazard: str
    onset: float | Literal["at close"]
    acts: Acts
    outcome: Outcome
    causes: tuple[str, ...]
    bound_s: float | None
    bound_from: From = From.ONSET
    during: Story = Story.FILL
    needs: tuple[Need, ...] = ()
    linger_s: float = 0.0
