"""The faults that a simulation can put in, what must follow from each, and how soon.

This is a table and nothing else. `world` puts in what goes wrong with water and sensors; whoever
runs the processes puts in what goes wrong with them and with the link between them.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final, Literal

from monitor.errors import ConfigError

AT_CLOSE: Final = "at close"  # The fault waits for the coil to lose its current.


class Acts(StrEnum):
    """Where a fault is put in."""

    PLANT = "plant"
    SENSOR = "sensor"
    PROCESS = "process"
    LINK = "link"


class Outcome(StrEnum):
    """What a correct program makes of a fault."""

    CLOSE = "close"  # Valve shut, fill ended, latched.
    HOLD = "hold then close"  # Valve shut, a bounded number of tries, then as CLOSE.
    ALARM = "alarm"  # Nothing the program does stops the water: a person is called.


class From(StrEnum):
    """The moment from which a fault's bound is counted."""

    ONSET = "onset"  # The fault begins.
    WET = "wet"  # Water reaches the leak probe.
    COMMAND = "command"  # The coil loses its current.
    SHOWN = "shown"  # The sensor's own reading first shows it.
    DUE = "due"  # The water reaches the float that does not answer.


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSpec:
    """One row of the table.

    Attributes:
        name: what a person types.
        line: what happens, in one line.
        hazard: the hazard that it puts in.
        onset: the part (0..1) of the needed litres that is in the tank when it begins, or AT_CLOSE.
        acts: where it is put in.
        outcome: what must follow.
        causes: the hazards that may be named as the cause, the one that was put in first unless the
            sensors of the reference rig can only see another.
        bound_s: seconds from `bound_from` until the valve must be shut (for ALARM: until the alarm
            is out); None where the catalogue bounds litres instead of time.
        bound_from: where `bound_s` begins.
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


# Beside the valve, every way of not hearing the engine is the same silence.
_SILENCE = ("C01", "C02", "C03", "C04")


def _silence(first: str) -> tuple[str, ...]:
    return (first, *(cause for cause in _SILENCE if cause != first))


_TABLE = (
    FaultSpec(
        name="float-stuck",
        line="the float hangs low and never rises, so the fill has no natural end",
        hazard="W01",
        onset=0.5,
        acts=Acts.SENSOR,
        outcome=Outcome.CLOSE,
        causes=("W01",),
        bound_s=None,  # Need plus margin in litres, or a second float where one is fitted.
        bound_from=From.DUE,
    ),
    FaultSpec(
        name="hose-off",
        line="the hose slips out of the tank and pours on the floor",
        hazard="W02",
        onset=0.4,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W06", "W02"),  # Without a level sensor the leak probe is what sees it.
        bound_s=1.0,
        bound_from=From.WET,
    ),
    FaultSpec(
        name="valve-stuck-open",
        line="the valve stays open when its coil is released",
        hazard="W04",
        onset=AT_CLOSE,
        acts=Acts.PLANT,
        outcome=Outcome.ALARM,
        causes=("W04",),
        bound_s=15.0,
        bound_from=From.COMMAND,
    ),
    FaultSpec(
        name="leak",
        line="a hose joint behind the valve lets a twentieth of the flow onto the floor",
        hazard="W06",
        onset=0.4,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W06",),
        bound_s=1.0,
        bound_from=From.WET,
    ),
    FaultSpec(
        name="hot",
        line="the mixing valve fails and gives hot water only",
        hazard="T01",
        onset=0.5,
        acts=Acts.PLANT,
        outcome=Outcome.HOLD,
        causes=("T01",),
        bound_s=10.0,
        bound_from=From.SHOWN,
    ),
    FaultSpec(
        name="cold",
        line="the boiler goes out and the mixing valve gives cold water only",
        hazard="T02",
        onset=0.5,
        acts=Acts.PLANT,
        outcome=Outcome.HOLD,
        causes=("T02",),
        bound_s=30.0,
        bound_from=From.SHOWN,
    ),
    FaultSpec(
        name="no-flow",
        line="the supply stops passing water while the valve is open",
        hazard="W15",
        onset=0.3,
        acts=Acts.PLANT,
        outcome=Outcome.HOLD,
        causes=("W15",),
        bound_s=30.0,
    ),
    FaultSpec(
        name="temp-gone",
        line="the temperature sensor vanishes from the bus",
        hazard="T06",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.HOLD,
        causes=("T06",),
        bound_s=3.0,  # Three readings at one a second.
    ),
    FaultSpec(
        name="broker-killed",
        line="the message broker is killed",
        hazard="C03",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.CLOSE,
        causes=_silence("C03"),
        bound_s=3.0,
    ),
    FaultSpec(
        name="engine-killed",
        line="the process that decides is killed",
        hazard="C01",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.CLOSE,
        causes=_silence("C01"),
        bound_s=3.0,
    ),
    FaultSpec(
        name="engine-frozen",
        line="the process that decides is stopped but not dead",
        hazard="C02",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.CLOSE,
        causes=_silence("C02"),
        bound_s=3.0,
    ),
    FaultSpec(
        name="node-frozen",
        line="the process beside the valve is stopped but not dead, with the valve open",
        hazard="C06",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.CLOSE,
        causes=("C06", "C05"),  # From afar it is as silent as a dead one.
        bound_s=5.0,
    ),
    FaultSpec(
        name="node-killed",
        line="the process beside the valve is killed, with the valve open",
        hazard="C05",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.CLOSE,
        causes=("C05",),
        bound_s=3.0,
    ),
    FaultSpec(
        name="network-cut",
        line="nothing passes between node and engine any more",
        hazard="C04",
        onset=0.5,
        acts=Acts.LINK,
        outcome=Outcome.CLOSE,
        # From the engine a cut cable and a frozen node are one and the same silence.
        causes=(*_silence("C04"), "C06"),
        bound_s=3.0,
    ),
    FaultSpec(
        name="float-wire-broken",
        line="a wire of the float's closed loop breaks, which reads as high water",
        hazard="S01",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.CLOSE,
        causes=("S01",),
        bound_s=1.0,
    ),
    FaultSpec(
        name="float-chatter",
        line="the float chatters without end and gives a debounce no rest",
        hazard="S05",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.CLOSE,
        causes=("S05", "S01"),  # Once it trips, a chattering loop reads as an open one.
        bound_s=3.0,
    ),
    FaultSpec(
        name="temp-85",
        line="the temperature sensor answers with its 85 °C power-on value",
        hazard="T06",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.HOLD,
        causes=("T06",),
        bound_s=3.0,  # Three readings at one a second.
    ),
    FaultSpec(
        name="meter-noise",
        line="the flow meter's line picks up pulses faster than the meter can make them",
        hazard="S04",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.HOLD,
        causes=("S04",),
        bound_s=5.0,
    ),
)

FAULTS: Mapping[str, FaultSpec] = MappingProxyType({spec.name: spec for spec in _TABLE})


def fault(name: str) -> FaultSpec:
    """Return the row of this name. Raises ConfigError that says which names there are."""
    if name in FAULTS:
        return FAULTS[name]
    near = difflib.get_close_matches(name, FAULTS, n=1)
    raise ConfigError(
        f"no fault is called {name!r}",
        allowed=", ".join(FAULTS),
        fix=f"use {near[0]!r}" if near else "use one of these names",
    )
