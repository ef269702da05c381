"""What a station's parts ask of one another: a drain above its floor, a plug that somebody names.

Each function looks at parts that could be read; a part that could not is told of by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Final

from monitor.config.broker import Finding
from monitor.config.parts import (
    SPI_BUS,
    SPI_SELECTS,
    AnyVessel,
    Drain,
    Filter,
    Float,
    Level,
    Plug,
    Sensor,
    Station,
    Table,
    Tank,
)

# A broken wire pulls the input to one end of the converter's range. A probe that ends there too
# would read as an empty or a full vessel. It leaves the driver room for its own margins.
RAIL_CLEAR_V: Final = 0.25
SPAN_MIN_V: Final = 0.2  # a smaller swing leaves ten bits less than 60 steps
CHANNELS: Final = {"mcp3004": 4, "mcp3008": 8, "mcp3204": 4, "mcp3208": 8}


def level_findings(part: Level) -> Iterator[Finding]:
    """Check a level probe's two points against its converter."""
    if part.channel >= CHANNELS[part.converter]:
        wrong = f"the {part.converter} has no channel {part.channel}"
        most = CHANNELS[part.converter] - 1
        yield Finding("channel", wrong, f"0 to {most}", "choose another channel or converter")
    own_bus = (part.clock_pin, part.mosi_pin, part.miso_pin) == SPI_BUS
    if own_bus and part.select_pin not in SPI_SELECTS:
        wrong = f"GPIO {part.select_pin} does not belong to the Pi's own SPI, as the others do"
        fix = "use one of these, or four other pins"
        yield Finding("select_pin", wrong, "GPIO 8 or GPIO 7", fix)
    low_v, high_v = RAIL_CLEAR_V, part.reference_v - RAIL_CLEAR_V
    for key, volts in (("zero_v", part.zero_v), ("full_v", part.full_v)):
        if not low_v <= volts <= high_v:
            wrong = f"{volts:g} V cannot be told from a broken wire"
            allowed = f"{low_v:g} to {high_v:g} V: {RAIL_CLEAR_V:g} V from each end of the range"
            fix = "use a probe whose zero is not 0 V, and a divider that brings its top below that"
            yield Finding(key, wrong, allowed, fix)
    if round(abs(part.full_v - part.zero_v), 6) < SPAN_MIN_V:  # 1.2 - 1.0 is a little below 0.2
        wrong = f"zero_v {part.zero_v:g} V and full_v {part.full_v:g} V are hardly apart"
        fix = "measure both with the probe at 0 m and at span_m"
        yield Finding("full_v", wrong, f"at least {SPAN_MIN_V:g} V apart", fix)


def plug_findings(plug: Plug) -> Iterator[Finding]:
    """Check that a plug's words and topics can be told apart."""
    if plug.order_topic == plug.state_topic:
        wrong = "is the order_topic too: an order would be taken for the plug's own word"
        fix = "look up on which topic the plug says its state"
        yield Finding("state_topic", wrong, "a topic other than order_topic", fix)
    pairs = (("off_payload", plug.on_payload, plug.off_payload),)
    for key, on, off in (*pairs, ("state_off", plug.state_on, plug.state_off)):
        if on.strip() == off.strip():
            fix = "look up what the plug understands and says"
            yield Finding(key, f'"{off}" means on as well as off', "two different texts", fix)


def tank_findings(tank: Tank) -> Iterator[Finding]:
    """Check that the tank's band is the right way up."""
    if tank.low_c is not None and tank.high_c is not None and tank.low_c >= tank.high_c:
        wrong = f"the band is upside down: low_c {tank.low_c:g} °C, high_c {tank.high_c:g} °C"
        yield Finding("low_c", wrong, "low_c below high_c", "swap the two")


def filter_findings(part: Filter) -> Iterator[Finding]:
    """Check that a filter has an end."""
    if part.litres is None and part.days is None:
        wrong = "says neither after how many litres nor after how many days it is used up"
        yield Finding("", wrong, "litres, days or both", "take both from its data sheet")


def drain_findings(drain: Drain, vessel: AnyVessel | None) -> Iterator[Finding]:
    """Check a drain's pin and its low mark."""
    if drain.by == "hose" and drain.pin is not None:
        wrong = "a hose is switched by nobody, so it has no pin"
        allowed = 'only with by = "valve" or "pump"'
        yield Finding("pin", wrong, allowed, "take it out, or set by")
    if drain.by != "hose" and drain.pin is None:
        wrong = f"is missing: without it the {drain.by} cannot be switched"
        yield Finding("pin", wrong, "a GPIO number of its own", 'add pin, or set by = "hose"')
    if vessel is None:
        return
    floor_m = vessel.levels[0][0] if isinstance(vessel, Table) else 0.0
    low_m, key = drain.to_m, "to_m"
    if low_m is None:
        if vessel.start_m is None:
            wrong = "is missing, and the vessel has no start_m: nobody would know where to stop"
            yield Finding(key, wrong, "a level in m", "add to_m, the lowest the water may go")
            return
        low_m = vessel.start_m  # below the mark: that is checked with the vessel
        key = ""
    if not floor_m < low_m < vessel.mark_m:
        wrong = f"the low mark at {low_m:g} m is not between the floor and the mark"
        allowed = f"above {floor_m:g} m and below {vessel.mark_m:g} m"
        yield Finding(key, wrong, allowed, "correct to_m, or the vessel's start_m and mark_m")


def station_findings(station: Station) -> Iterator[Finding]:
    """Check what the parts of a whole station ask of one another; keys count from the station."""
    yield from _level_needs(station)
    yield from _float_needs(station)
    yield from _heater_needs(station)
    yield from _plug_needs(station)
    yield from _tank_needs(station)


def _level_needs(station: Station) -> Iterator[Finding]:
    for sensor_id, part in station.fitted(Level).items():
        mark_m = station.vessel.mark_m
        if part.span_m < mark_m:
            wrong = f"the probe's {part.span_m:g} m end below the mark at {mark_m:g} m"
            allowed = f"at least {mark_m:g} m"
            fix = "fit a longer probe, or measure full_v at the mark or above"
            yield Finding(f"sensor.{sensor_id}.span_m", wrong, allowed, fix)


def _float_needs(station: Station) -> Iterator[Finding]:
    drain = station.drain
    seen = bool(station.floats("low")) or bool(station.fitted(Level))
    if drain and drain.by != "hose" and not seen:
        wrong = f"a drain by {drain.by} that nothing would end at its low mark"
        allowed = 'with a float of role "low", or a level probe'
        yield Finding("drain.by", wrong, allowed, 'fit one of the two, or set by = "hose"')
    if drain is None or drain.by == "hose":
        for sensor_id in station.floats("storage_full"):
            wrong = "watches the waste water, and there is no drain that could be stopped"
            fix = 'add [station.….drain] with by = "valve" or "pump", or take this float out'
            yield Finding(f"sensor.{sensor_id}.role", wrong, "only with such a drain", fix)


def _heater_needs(station: Station) -> Iterator[Finding]:
    heater, mark_m, low_m = station.heater, station.vessel.mark_m, station.low_m
    if heater is None:
        return
    key, bare_m = "heater.exposed_m", heater.exposed_m
    if bare_m >= mark_m:
        wrong = f"the heater at {bare_m:g} m would be bare in a full vessel"
        yield Finding(key, wrong, f"below {mark_m:g} m, the mark", "measure it again")
    elif station.drain and bare_m > low_m and not station.fitted(Level):
        # A low float at the low mark turns over only when the heater is bare already.
        wrong = f"a drain to {low_m:g} m lays the heater at {bare_m:g} m bare, and nothing sees it"
        allowed = f"at most {low_m:g} m, or a level probe"
        yield Finding(key, wrong, allowed, "raise the drain's to_m, or fit a level probe")
    if heater.plug is not None and heater.plug not in station.plugs:
        wrong = f'there is no plug "{heater.plug}"'
        allowed = "the name of a [station.….plug.…] table"
        yield Finding("heater.plug", wrong, allowed, f"add [station.….plug.{heater.plug}]")


def _plug_needs(station: Station) -> Iterator[Finding]:
    if "heater" in station.plugs and (station.heater is None or station.heater.plug is None):
        fix = 'add plug = "heater" to [station.….heater], or take this table out'
        yield Finding("plug.heater", "is switched by nothing", "only with heater.plug", fix)
    if "pump" in station.plugs and not station.return_pump:
        fix = "set return_pump = true, or take this table out"
        wrong = "is that of a return pump, and return_pump is false"
        yield Finding("plug.pump", wrong, "only with a return pump", fix)


def _tank_needs(station: Station) -> Iterator[Finding]:
    tank = station.tank
    if tank and tank.temp_c is None and not station.thermometers("tank"):
        wrong = "nobody would know how warm the tank is before a fill"
        allowed = 'temp_c, or a thermometer of role "tank"'
        yield Finding("tank.temp_c", wrong, allowed, "add one of the two")


def topic_findings(plugs: Mapping[str, Plug]) -> Iterator[Finding]:
    """Check that no two plugs of a file share a topic; `plugs` are by their place below station."""
    for (first, one), (second, other) in combinations(plugs.items(), 2):
        for key in ("order_topic", "state_topic"):
            if getattr(other, key) in (one.order_topic, one.state_topic):
                wrong = f"is already used by station.{first}"
                fix = "give each plug topics of its own"
                yield Finding(f"{second}.{key}", wrong, "topics of one plug only", fix)


def several_findings(sensors: Mapping[str, Sensor | None]) -> Iterator[Finding]:
    """Check that what there can only be one of is not there twice."""
    seen: dict[str, str] = {}
    for sensor_id, part in sensors.items():
        if part is None or isinstance(part, Float) or part.kind == "leak":
            continue
        role = getattr(part, "role", "")
        what = f'kind "{part.kind}"' + (f' and role "{role}"' if role else "")
        if what in seen:
            wrong = f"is the second of {what}: only {seen[what]} would be read"
            yield Finding(sensor_id, wrong, "one at most", "take one of the two out")
        seen.setdefault(what, sensor_id)
