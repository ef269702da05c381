"""Which faults mean anything at a configured station."""

from __future__ import annotations

from monitor.config import Station
from monitor.config.parts import Level
from monitor.errors import ConfigError
from monitor.simulate.faults import Need, fault, offered


def fitted(station: Station) -> frozenset[Need]:
    """Return what a station has that some faults need."""
    drain = station.drain is not None and station.drain.by != "hose"
    there = {
        Need.LEVEL: bool(station.fitted(Level)),
        Need.TANK_TEMP: bool(station.thermometers("tank")),
        Need.TANK_CHANGE: station.tank is not None and station.tank.change_c is not None,
        Need.SUMP_HIGH: bool(station.floats("sump_high")),
        Need.SUMP_LOW: bool(station.floats("sump_low")),
        Need.STORE: bool(station.floats("storage_full")),
        Need.DRAIN: drain,
        Need.HEATER_PLUG: station.heater is not None and station.heater.plug is not None,
        Need.DESK: station.desk != "ignore",
    }
    return frozenset(need for need, is_there in there.items() if is_there)


def checked_fault(station: Station, name: str) -> None:
    """Check that a fault means anything at a station.

    Raises:
        ConfigError: no fault of this name, or the station lacks what it needs.
    """
    lacks = [need for need in fault(name).needs if need not in fitted(station)]
    if lacks:
        raise ConfigError(
            f"fault {name!r} needs what is not fitted: {', '.join(lacks)}",
            where=f"station.{station.id}",
            allowed=", ".join(spec.name for spec in offered(fitted(station))),
            fix="play it with a config that has it, such as monitor/simulate/full.toml",
        )
