"""The composition root: builds nodes and engines out of a config. Nothing else is decided here."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.config import Box, Config, Cylinder, Ds18b20, Float, Flow, Leak, Station
from monitor.core import vessel as geometry
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Permit,
    Presence,
    ReadingPack,
    Request,
    Withdraw,
)
from monitor.core.exchange import Reply as ReplyMessage
from monitor.core.exchange import Status as StatusMessage
from monitor.core.limits import relations
from monitor.core.plan import Plan, prepared
from monitor.drivers.buzzer import Sounder
from monitor.drivers.flow import FlowMeter
from monitor.drivers.gpio import PinFactory
from monitor.drivers.relay import Relay
from monitor.drivers.switch import FloatSwitch, LeakProbe
from monitor.drivers.temperature import Ds18b20 as Thermometer
from monitor.engine import Engine
from monitor.errors import ConfigError
from monitor.journal.record import JournalRecord
from monitor.journal.writer import JournalWriter
from monitor.link.mqtt import MqttLink
from monitor.link.topics import filter_for
from monitor.node import LocalTrip, Node
from monitor.ports import NO_LEDGER, Clock, Ledger, Sensor

FLOAT_TRIP = LocalTrip(high_cause="mark", unread_cause="S01")
OVER_TRIP = LocalTrip(high_cause="W01", unread_cause="S01")
LEAK_TRIP = LocalTrip(high_cause="W06", unread_cause="S02")
KEEPALIVE_S = 5
BOOT_BYTES = 6


def new_id() -> str:
    """Return a fresh identity for a boot, a fill or a request."""
    return secrets.token_hex(BOOT_BYTES)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a role runs in: the same roles run on a Pi and in simulation, only these differ."""

    url: str
    clock: Clock
    ledger: Ledger = NO_LEDGER
    keepalive_s: int = KEEPALIVE_S
    new_id: Callable[[], str] = new_id
    alive: Callable[[str], None] = field(default=lambda _state: None)
    simulated: bool = False


def plan_of(station: Station) -> Plan:
    """Return the core's plan of a configured station.

    Raises:
        ConfigError: limits that are allowed one by one and unsafe together.
    """
    wrong = relations(station.limits)
    if wrong:
        raise ConfigError("; ".join(wrong), where=f"station.{station.id}.limits")
    flow_id, flow = next(iter(station.fitted(Flow).items()))
    plan = Plan(
        station=station.id,
        node=station.node,
        vessel=_vessel(station),
        floats=tuple(station.floats("high")),
        overs=tuple(station.floats("over")),
        return_pump=station.return_pump,
        leaks=tuple(station.fitted(Leak)),
        temp_in=next(iter(station.fitted(Ds18b20))),
        flow_in=flow_id,
        pulses_per_litre=flow.pulses_per_litre,
        flow_uncertainty=flow.uncertainty,
        flow_max_lpm=flow.max_lpm,
        low_c=station.incoming.low_c,
        high_c=station.incoming.high_c,
        scald_c=station.incoming.scald_c,
        purge_l=station.incoming.purge_l,
        closing_s=station.valve.closing_s,
        limits=station.limits,
    )
    return prepared(plan)


def _vessel(station: Station) -> geometry.Vessel:
    vessel = station.vessel
    match vessel:
        case Box():
            shape = geometry.box(vessel.length_m, vessel.width_m, vessel.height_m, vessel.mark_m)
        case Cylinder():
            shape = geometry.cylinder(vessel.diameter_m, vessel.height_m, vessel.mark_m)
        case _:
            shape = geometry.measured(vessel.levels, vessel.mark_m)
    if vessel.decor_l > 0.0:
        shape = geometry.with_decor(shape, vessel.decor_l, vessel.mark_m)
    return shape


def sensors_of(config: Config, station: Station, factory: PinFactory) -> tuple[Sensor, ...]:
    """Return the station's drivers, not yet entered."""
    root = Path(config.hardware.w1_root)
    sensors: list[Sensor] = []
    for sensor_id, part in station.sensors.items():
        match part:
            case Float():
                sensors.append(FloatSwitch(sensor_id=sensor_id, pin=part.pin, factory=factory))
            case Leak():
                sensors.append(
                    LeakProbe(
                        sensor_id=sensor_id,
                        pin=part.pin,
                        factory=factory,
                        wet_when=part.wet_when,
                    )
                )
            case Ds18b20():
                sensors.append(Thermometer(sensor_id=sensor_id, address=part.address, root=root))
            case Flow():
                sensors.append(
                    FlowMeter(
                        sensor_id=sensor_id,
                        pin=part.pin,
                        factory=factory,
                        pulses_per_litre=part.pulses_per_litre,
                        max_lpm=part.max_lpm,
                    )
                )
    return tuple(sensors)


def node_of(
    config: Config,
    station: Station,
    factory: PinFactory,
    around: Surroundings,
    sensors: Sequence[Sensor] | None = None,
) -> Node:
    """Return the node of a station. Its relay is claimed, released, before anything else."""
    valve, sounder = station.valve, station.buzzer
    relay = Relay(pin=valve.pin, factory=factory, active_high=valve.active_high)
    buzzer = None
    if sounder is not None:
        buzzer = Sounder(pin=sounder.pin, factory=factory, active_high=sounder.active_high)
    boot = around.new_id()
    here = Presence(station.id, "node", boot, True)
    link = MqttLink(
        url=around.url,
        client_id=f"{station.node}-{boot}",
        subscriptions=tuple(
            filter_for(kind, station.id) for kind in (Permit, Withdraw, Presence, AlarmNotice)
        ),
        will=here,
        ledger=around.ledger,
        keepalive_s=around.keepalive_s,
        now_s=around.clock.now_s,
    )
    return Node(
        station=station.id,
        node=station.node,
        boot=boot,
        link=link,
        sensors=sensors if sensors is not None else sensors_of(config, station, factory),
        trips={
            **dict.fromkeys(station.floats("high"), FLOAT_TRIP),
            **dict.fromkeys(station.floats("over"), OVER_TRIP),
            **dict.fromkeys(station.fitted(Leak), LEAK_TRIP),
        },
        relay=relay,
        buzzer=buzzer,
        clock=around.clock,
        limits=station.limits,
        alive=around.alive,
    )


def engine_of(station: Station, around: Surroundings, writer: JournalWriter) -> Engine:
    """Return the engine of a station."""
    boot = around.new_id()
    link = MqttLink(
        url=around.url,
        client_id=f"{station.id}-engine-{boot}",
        subscriptions=tuple(
            filter_for(kind, station.id) for kind in (ReadingPack, GuardReport, Presence, Request)
        ),
        will=Presence(station.id, "engine", boot, True),
        ledger=around.ledger,
        keepalive_s=around.keepalive_s,
        now_s=around.clock.now_s,
    )
    return Engine(
        plan=plan_of(station),
        boot=boot,
        link=link,
        clock=around.clock,
        record=JournalRecord(writer),
        new_id=around.new_id,
        alive=around.alive,
        simulated=around.simulated,
    )


def guest_link(
    station: str, around: Surroundings, *, replies_to: str = "+", status: bool = True
) -> MqttLink:
    """Return a link for someone who looks on and asks; alarms, replies and mostly status come."""
    looks = (filter_for(StatusMessage, station),) if status else ()
    return MqttLink(
        url=around.url,
        client_id=f"guest-{new_id()}",
        subscriptions=(
            *looks,
            filter_for(AlarmNotice, station),
            filter_for(Presence, station),
            filter_for(ReplyMessage, station, replies_to),
        ),
        will=None,
        ledger=around.ledger,
        keepalive_s=around.keepalive_s,
        now_s=around.clock.now_s,
    )


async def together(stop: asyncio.Event, *roles: Node | Engine) -> None:
    """Run roles in one task group until `stop` is set or one of them fails."""
    async with asyncio.TaskGroup() as group:
        for role in roles:
            group.create_task(_until(role, stop), name=type(role).__name__.lower())


async def _until(role: Node | Engine, stop: asyncio.Event) -> None:
    try:
        await role.run(stop)
    finally:
        stop.set()  # one role alone is of no use to anybody
