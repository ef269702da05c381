"""The composition root: builds nodes and engines out of a config. Nothing else is decided here."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import inf, nan
from pathlib import Path

from monitor.calibrated import calibrated
from monitor.config import (
    BowFront,
    Box,
    Config,
    Cylinder,
    Ds18b20,
    Filter,
    Float,
    Flow,
    Leak,
    Level,
    Station,
    Tank,
)
from monitor.core import vessel as geometry
from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Message,
    Permit,
    Presence,
    ReadingPack,
    Request,
    Way,
    Withdraw,
)
from monitor.core.exchange import Reply as ReplyMessage
from monitor.core.exchange import Status as StatusMessage
from monitor.core.limits import relations
from monitor.core.plan import Plan, prepared
from monitor.drivers.buzzer import Sounder
from monitor.drivers.flow import FlowMeter
from monitor.drivers.gpio import PinFactory
from monitor.drivers.level import LevelProbe
from monitor.drivers.relay import Relay
from monitor.drivers.switch import FloatSwitch, LeakProbe
from monitor.drivers.temperature import Ds18b20 as Thermometer
from monitor.engine import Engine
from monitor.errors import ConfigError
from monitor.gate import LocalTrip
from monitor.journal import calibrations
from monitor.journal.record import JournalRecord
from monitor.journal.writer import JournalWriter
from monitor.link.mqtt import MqttLink
from monitor.link.plugs import PlugTopics
from monitor.link.topics import filter_for
from monitor.node import Node
from monitor.ports import NO_LEDGER, Clock, Ledger, Sensor

FLOAT_TRIP = LocalTrip(high_cause="mark", unread_cause="S01")
OVER_TRIP = LocalTrip(high_cause="W01", unread_cause="S01")
SUMP_TRIP = LocalTrip(high_cause="W08", unread_cause="W08")
LEAK_TRIP = LocalTrip(high_cause="W06", unread_cause="S02")
LOW_TRIP = LocalTrip(high_cause="low-mark", unread_cause="W23")
STORE_TRIP = LocalTrip(high_cause="W21", unread_cause="W21")
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
    proven: bool = True  # in a simulation only: proof tests, cartridge and people are as they must


def plan_of(station: Station, *, simulated: bool = False) -> Plan:
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
        temp_in=next(iter(station.thermometers("incoming"))),
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
        supply=station.supply,
        people_check=station.people_check,
        desk="" if station.desk == "ignore" else station.desk,
        simulated=simulated,
    )
    return prepared(_with_options(plan, station))


def _with_options(plan: Plan, station: Station) -> Plan:
    """Return the plan with what a station need not have."""
    level_id, level = next(iter(station.fitted(Level).items()), ("", None))
    drain, heater = station.drain, station.heater
    tank, cartridge = station.tank or Tank(), station.filter or Filter()
    return replace(
        plan,
        lows=tuple(station.floats("low")),
        sump_highs=tuple(station.floats("sump_high")),
        sump_lows=tuple(station.floats("sump_low")),
        stores=tuple(station.floats("storage_full")),
        level=level_id,
        level_sd_m=level.noise_m if level else plan.level_sd_m,
        drain=drain.by if drain else "",
        drain_closing_s=drain.closing_s if drain else plan.drain_closing_s,
        low_m=station.low_m,
        heater=(heater.plug or "other") if heater else "",
        heater_m=heater.exposed_m if heater else 0.0,
        pump_plug="pump" if "pump" in station.plugs else "",
        temp_tank=next(iter(station.thermometers("tank")), ""),
        tank_c=_or(tank.temp_c, nan),
        tank_low_c=_or(tank.low_c, -inf),
        tank_high_c=_or(tank.high_c, inf),
        tank_change_c=_or(tank.change_c, inf),
        filter_l=_or(cartridge.litres, inf),
        filter_days=_or(cartridge.days, inf),
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _vessel(station: Station) -> geometry.Vessel:
    vessel = station.vessel
    match vessel:
        case Box():
            shape = geometry.box(vessel.length_m, vessel.width_m, vessel.height_m, vessel.mark_m)
        case BowFront():
            shape = geometry.bow_front(
                vessel.length_m, vessel.width_m, vessel.bow_m, vessel.height_m, vessel.mark_m
            )
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
            case Level():
                sensors.append(_level_probe(sensor_id, part, factory, station))
    return tuple(sensors)


def _level_probe(sensor_id: str, part: Level, factory: PinFactory, station: Station) -> LevelProbe:
    return LevelProbe(
        sensor_id=sensor_id,
        factory=factory,
        converter=part.converter,
        channel=part.channel,
        clock_pin=part.clock_pin,
        mosi_pin=part.mosi_pin,
        miso_pin=part.miso_pin,
        select_pin=part.select_pin,
        zero_v=part.zero_v,
        full_v=part.full_v,
        span_m=part.span_m,
        reference_v=part.reference_v,
        period_s=station.limits.reading_period_s,
    )


def trips_of(station: Station) -> dict[Way, dict[str, LocalTrip]]:
    """Return which sensors shut which way without asking anybody."""
    leaks = dict.fromkeys(station.fitted(Leak), LEAK_TRIP)
    return {
        Way.IN: {
            **dict.fromkeys(station.floats("high"), FLOAT_TRIP),
            **dict.fromkeys(station.floats("over"), OVER_TRIP),
            **dict.fromkeys(station.floats("sump_high"), SUMP_TRIP),
            **leaks,
        },
        Way.OUT: {
            **dict.fromkeys(station.floats("low"), LOW_TRIP),
            **dict.fromkeys(station.floats("storage_full"), STORE_TRIP),
            **leaks,
        },
    }


def node_of(
    config: Config,
    station: Station,
    factory: PinFactory,
    around: Surroundings,
    sensors: Sequence[Sensor] | None = None,
) -> Node:
    """Return the node of a station. Its relays are claimed, released, before anything else."""
    valve, drain, sounder = station.valve, station.drain, station.buzzer
    relay = Relay(pin=valve.pin, factory=factory, active_high=valve.active_high)
    drain_relay = buzzer = None
    if drain is not None and drain.by != "hose" and drain.pin is not None:
        drain_relay = Relay(pin=drain.pin, factory=factory, active_high=drain.active_high)
    if sounder is not None:
        buzzer = Sounder(pin=sounder.pin, factory=factory, active_high=sounder.active_high)
    boot = around.new_id()
    here = Presence(station.id, "node", boot, True, around.simulated)
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
        trips=trips_of(station),
        relay=relay,
        drain=drain_relay,
        buzzer=buzzer,
        clock=around.clock,
        limits=station.limits,
        alive=around.alive,
        simulated=around.simulated,
    )


def _prove(plan: Plan, record: JournalRecord) -> None:
    """Note that everything simulated is well kept. Notes of a simulation count in one only."""
    for part in plan.proven:
        record.note(plan.station, "proof", part, "simulation", simulated=True)
    for what in ("cartridge", "people"):
        record.note(plan.station, what, "", "simulation", simulated=True)


def plugs_of(station: Station) -> tuple[PlugTopics, ...]:
    """Return the mains plugs of a station as the link needs to know them."""
    return tuple(
        PlugTopics(station.id, name, **plug.model_dump()) for name, plug in station.plugs.items()
    )


def engine_of(station: Station, around: Surroundings, writer: JournalWriter) -> Engine:
    """Return the engine of a station, which counts and corrects by the calibrations that its record
    has of it now.
    """
    boot = around.new_id()
    plugs = plugs_of(station)
    measured = calibrated(station, calibrations.found(writer.path, station.id, around.simulated))
    link = MqttLink(
        url=around.url,
        client_id=f"{station.id}-engine-{boot}",
        subscriptions=(
            *(filter_for(k, station.id) for k in (ReadingPack, GuardReport, Presence, Request)),
            filter_for(StatusMessage),  # of all stations: they may share a supply
            *(plug.state_topic for plug in plugs),
        ),
        will=Presence(station.id, "engine", boot, True, around.simulated),
        ledger=around.ledger,
        keepalive_s=around.keepalive_s,
        now_s=around.clock.now_s,
        plugs=plugs,
    )
    plan = plan_of(measured.station, simulated=around.simulated)
    record = JournalRecord(writer)
    if around.simulated and around.proven:
        _prove(plan, record)
    return Engine(
        plan=plan,
        boot=boot,
        link=link,
        clock=around.clock,
        record=record,
        new_id=around.new_id,
        alive=around.alive,
        simulated=around.simulated,
        corrections=measured.corrections,
        calibrations=measured.told,
    )


def guest_link(
    station: str,
    around: Surroundings,
    *,
    replies_to: str = "+",
    status: bool = True,
    readings: bool = False,
) -> MqttLink:
    """Return a link for someone who looks on and asks; alarms, replies and mostly status come, and
    with `readings` also what the node itself says.
    """
    kinds: tuple[type[Message], ...] = (StatusMessage,) if status else ()
    if readings:
        kinds = (*kinds, ReadingPack, GuardReport)
    looks = tuple(filter_for(kind, station) for kind in kinds)
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
