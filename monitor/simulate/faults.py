"""The faults that a simulation can put in, what must follow from each, and how soon.

This is a table and nothing else. `world` puts in what goes wrong with water and sensors; whoever
runs the processes puts in what goes wrong with them and with the link between them.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from types import MappingProxyType

from monitor.errors import ConfigError
from monitor.simulate.faultspec import AT_CLOSE, Acts, FaultSpec, From, Need, Outcome, Story

__all__ = [
    "AT_CLOSE",
    "FAULTS",
    "Acts",
    "FaultSpec",
    "From",
    "Need",
    "Outcome",
    "Story",
    "fault",
    "offered",
]

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
    # --- what only a rig with more on it can see ---
    FaultSpec(
        name="hose-astray",
        line="the hose slips out and pours down a gully, where no leak probe is",
        hazard="W02",
        onset=0.4,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W02",),
        bound_s=60.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="hose-split",
        line="the hose splits over a gully and loses a fifth of the flow",
        hazard="W03",
        onset=0.3,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W03",),
        bound_s=300.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="hose-split-half",
        line="the hose splits over a gully and loses half of the flow",
        hazard="W03",
        onset=0.3,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W03",),
        bound_s=300.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="drain-open",
        line="the drain hose is still siphoning water away during the fill",
        hazard="W11",
        onset=0.1,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W03", "W11"),  # The level tells how much is missing, and not where it goes.
        bound_s=300.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="back-siphon",
        line="the street's main bursts and sucks the tank back through a hose under water",
        hazard="W12",
        onset=0.5,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W12",),
        bound_s=60.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="meter-jammed",
        line="the flow meter's rotor jams and lets the water pass",
        hazard="W16",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.HOLD,
        causes=("W16", "W15"),  # No flow shuts the valve before the level has risen enough to tell.
        bound_s=30.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="meter-high",
        line="the flow meter counts 15 % too much",
        hazard="W17",
        onset=0.0,
        acts=Acts.SENSOR,
        outcome=Outcome.CLOSE,
        causes=("W01", "W17"),  # Told as W17; then the tighter of the two, the litres, ends it.
        bound_s=None,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="top-up",
        line="a top-up device adds 3 L/min of its own during the fill",
        hazard="W20",
        onset=0.3,
        acts=Acts.PLANT,
        outcome=Outcome.WARN,
        causes=("W20",),
        bound_s=None,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="sump-high",
        line="the weir slips down, so that the fill runs over into the sump",
        hazard="W08",
        onset=0.5,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W08",),
        bound_s=1.0,
        bound_from=From.REACHED,
        needs=(Need.SUMP_HIGH,),
    ),
    FaultSpec(
        name="pump-dry",
        line="the return pump is started after the fill with too little water in the sump",
        hazard="W09",
        onset=AT_CLOSE,
        acts=Acts.PLANT,
        outcome=Outcome.WARN,
        causes=("W09",),
        bound_s=10.0,
        bound_from=From.REACHED,
        needs=(Need.SUMP_LOW,),
        linger_s=120.0,
    ),
    FaultSpec(
        name="storage-full",
        line="the vessel for waste water was not emptied, and is full before the drain is done",
        hazard="W21",
        onset=0.3,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("W21",),
        bound_s=1.0,
        bound_from=From.REACHED,
        during=Story.DRAIN,
        needs=(Need.DRAIN, Need.STORE),
    ),
    FaultSpec(
        name="heater-stuck",
        line="somebody switches the heater on during the drain, and its plug obeys no more",
        hazard="W22",
        onset=0.3,
        acts=Acts.PLUG,
        outcome=Outcome.CLOSE,
        causes=("W22",),
        bound_s=1.0,
        bound_from=From.REACHED,
        during=Story.DRAIN,
        needs=(Need.DRAIN, Need.HEATER_PLUG),
    ),
    FaultSpec(
        name="siphon-left",
        line="water runs on out of the tank by itself after the drain has ended",
        hazard="W23",
        onset=AT_CLOSE,
        acts=Acts.PLANT,
        outcome=Outcome.ALARM,
        causes=("W23",),
        bound_s=60.0,  # As W12: the low float has turned over already, so the level must tell it.
        bound_from=From.COMMAND,
        during=Story.DRAIN,
        needs=(Need.DRAIN, Need.LEVEL),
        linger_s=240.0,
    ),
    FaultSpec(
        name="tank-drift",
        line="the mixing valve drifts within its band, and the tank would move too far",
        hazard="T04",
        onset=0.1,
        acts=Acts.PLANT,
        outcome=Outcome.CLOSE,
        causes=("T04",),
        bound_s=None,  # Before it happens: the tank itself has not moved too far.
        needs=(Need.TANK_CHANGE,),
    ),
    FaultSpec(
        name="temp-astray",
        line="the incoming thermometer hangs in still air as warm as the tank",
        hazard="T05",
        onset=0.0,
        acts=Acts.SENSOR,
        outcome=Outcome.WARN,
        causes=("T05",),
        bound_s=300.0,
    ),
    FaultSpec(
        name="level-frozen",
        line="the level probe shows the same level for ever",
        hazard="S06",
        onset=0.3,
        acts=Acts.SENSOR,
        outcome=Outcome.CLOSE,
        causes=("S06",),
        bound_s=60.0,
        needs=(Need.LEVEL,),
    ),
    FaultSpec(
        name="temps-swapped",
        line="the thermometers of the tank and of the incoming water have changed places",
        hazard="T08",
        onset=0.0,
        acts=Acts.SENSOR,
        outcome=Outcome.REFUSE,
        causes=("T08",),
        bound_s=None,
        needs=(Need.TANK_TEMP,),
    ),
    FaultSpec(
        name="desk-killed",
        line="the process that people see is killed",
        hazard="C16",
        onset=0.5,
        acts=Acts.PROCESS,
        outcome=Outcome.WARN,
        causes=("C16",),
        bound_s=10.0,
        needs=(Need.DESK,),
    ),
)

FAULTS: Mapping[str, FaultSpec] = MappingProxyType({spec.name: spec for spec in _TABLE})


def offered(fitted: Collection[Need]) -> tuple[FaultSpec, ...]:
    """Return the rows that mean something where these things are fitted, in the table's order."""
    return tuple(spec for spec in FAULTS.values() if set(spec.needs) <= set(fitted))


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
