"""What is to be played: the script, and the water's side of the station it names."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from monitor.config import Box, Config, Flow, Leak, Station
from monitor.config.parts import FloatRole, Level
from monitor.core.units import L_PER_M3
from monitor.simulate.conductor import Conductor
from monitor.simulate.faults import Story, fault
from monitor.simulate.house import Drain, Heater, Store, Sump
from monitor.simulate.lockstep import LocalGovernor
from monitor.simulate.plant import Rig, invented_taps
from monitor.simulate.world import LevelProbe, Wiring

LONGEST_S = 6 * 3600.0
SECOND_FLOAT_M = 0.01  # above the mark
AIR_GAP_M = 0.03  # above the rim
WEIR_M = 0.001  # above the mark
ROLE_FAULTS = {
    "engine-killed": "engine",
    "engine-frozen": "engine",
    "node-killed": "node",
    "node-frozen": "node",
}
"""Faults of a process, and the role that must therefore be a process of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What is to be played."""

    config: Config
    station: str
    text: str = ""  # the config as written, for roles in processes of their own
    seed: int = 1
    fault: str | None = None
    fault_at_s: float | None = None
    broker_url: str | None = None
    broker_pid: int | None = None
    port: int = 0
    journal: Path | None = None
    litres: float | None = None
    start_level_m: float | None = None
    taps: bool = False
    head_m: float | None = None
    once: bool = True
    verbose: bool = False  # show the program's log
    quiet: bool = False  # nobody watches: only the verdict counts
    on_status: Callable[[dict[str, Any]], None] = field(default=lambda _data: None)
    on_alarm: Callable[[dict[str, Any]], None] = field(default=lambda _data: None)
    on_note: Callable[[str], None] = field(default=lambda _text: None)
    on_verdict: Callable[[dict[str, Any]], None] = field(default=lambda _verdict: None)


def story_of(script: Script) -> Story:
    """Return what is asked for: a drain when the fault is one of draining, else a fill."""
    return Story.FILL if script.fault is None else fault(script.fault).during


def rig_of(station: Station, script: Script) -> Rig:
    """Return the water's side of a configured station: a box of the same height and volume."""
    vessel = station.vessel
    if isinstance(vessel, Box):
        length_m, width_m = vessel.length_m, vessel.width_m
    else:
        length_m, width_m = vessel.capacity_l / vessel.rim_m / L_PER_M3, 1.0
    start_m = script.start_level_m
    if start_m is None and story_of(script) is Story.DRAIN:
        start_m = vessel.mark_m
    if start_m is None:
        start_m = vessel.start_m if vessel.start_m is not None else vessel.mark_m / 2
    flow = next(iter(station.fitted(Flow).values()))
    rig = Rig(
        length_m=length_m,
        width_m=width_m,
        rim_m=vessel.rim_m,
        mark_m=vessel.mark_m,
        float_m=vessel.mark_m,
        high_float_m=min(vessel.mark_m + SECOND_FLOAT_M, vessel.rim_m),
        hose_end_m=vessel.rim_m + AIR_GAP_M,
        start_level_m=start_m,
        close_time_s=station.valve.closing_s,
        pulses_per_litre=flow.pulses_per_litre,
        low_float_m=station.low_m,
        mix_c=(station.incoming.low_c + station.incoming.high_c) / 2,
        **_around(station),
    )
    if script.head_m is not None:
        rig = replace(rig, head_m=script.head_m)
    if script.taps:
        rig = replace(rig, head_events=invented_taps(script.seed, LONGEST_S))
    return rig


def _around(station: Station) -> dict[str, Any]:
    """Return what stands around the tank, as the config tells of it; its numbers are invented."""
    there: dict[str, Any] = {}
    drain, heater, tank = station.drain, station.heater, station.tank
    if station.floats("sump_high") or station.floats("sump_low"):
        there["sump"] = Sump(weir_m=station.vessel.mark_m + WEIR_M)
    if drain is not None:
        there["drain"] = Drain(by=drain.by, travel_s=drain.closing_s)
    if station.floats("storage_full"):
        there["store"] = Store()
    if tank is not None and tank.temp_c is not None:
        there["tank_c"] = tank.temp_c
    if heater is not None:
        set_c = there.get("tank_c", Rig().tank_c)
        there["heater"] = Heater(exposed_m=heater.exposed_m, set_c=set_c)
    return there


def wiring_of(station: Station) -> Wiring:
    """Return which pin is what, from the same config that the drivers use."""
    flow = next(iter(station.fitted(Flow).values()))
    leak = next(iter(station.fitted(Leak).values()))
    drain, tank = station.drain, next(iter(station.thermometers("tank").values()), None)

    def pin(role: FloatRole) -> int | None:
        return next((part.pin for part in station.floats(role).values()), None)

    return Wiring(
        float_pin=next(iter(station.floats("high").values())).pin,
        high_float_pin=pin("over"),
        low_float_pin=pin("low"),
        sump_high_pin=pin("sump_high"),
        sump_low_pin=pin("sump_low"),
        store_pin=pin("storage_full"),
        drain_pin=drain.pin if drain is not None else None,
        drain_active_high=drain is None or drain.active_high,
        level=_probe_of(station),
        leak_pin=leak.pin,
        flow_pin=flow.pin,
        relay_pin=station.valve.pin,
        leak_wet_high=leak.wet_when == "open",
        relay_active_high=station.valve.active_high,
        pulses_per_litre=flow.pulses_per_litre,
        w1_address=next(iter(station.thermometers("incoming").values())).address,
        tank_w1_address=tank.address if tank is not None else None,
    )


def _probe_of(station: Station) -> LevelProbe | None:
    """Return the level probe's wiring."""
    for part in station.fitted(Level).values():
        return LevelProbe(
            select_pin=part.select_pin,
            channel=part.channel,
            zero_v=part.zero_v,
            full_v=part.full_v,
            span_m=part.span_m,
            reference_v=part.reference_v,
        )
    return None


def simulated(config: Config, w1_root: Path) -> Config:
    """Return the config with every real thing taken away: no pin and no bus is touched."""
    hardware = config.hardware.model_copy(update={"pins": "mock", "w1_root": str(w1_root)})
    return replace(config, hardware=hardware)


def memory_folder() -> str | None:
    """Return a folder in memory, where there is one: sensor files are written every second."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108 - a folder of its own


def governor_for(fault_name: str | None, speed: float | None) -> LocalGovernor:
    """Return the keeper of time a script needs: across processes only where a fault needs them."""
    if ROLE_FAULTS.get(fault_name or "") is not None:
        return Conductor(speed=speed)
    return LocalGovernor(speed=speed)
