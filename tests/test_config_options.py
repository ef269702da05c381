"""What a station need not have: level probe, drain, heater, plugs, tank, filter, other floats."""

from __future__ import annotations

import asyncio
import math
import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.app import plan_of, sensors_of
from monitor.config import BowFront, Config, Level, loads
from monitor.config.reader import Reader
from monitor.core.reading import Kind
from monitor.core.vessel import bow_front
from monitor.drivers.level import CHIPS
from monitor.errors import ConfigErrors, HardwareError, Problem
from monitor.link.plugs import PlugTopics
from monitor.simulate.pins import SimFactory

SAMPLE = (Path(__file__).parents[1] / "monitor" / "simulate" / "river.toml").read_text()
S = "station.river"

# A town museum's river tank with everything fitted; as invented as the sample it stands on.
LEVEL = f"""
[{S}.sensor.depth]
kind = "level"
converter = "mcp3008"
zero_v = 0.6
full_v = 3.0
span_m = 0.6
"""
TANK_TEMP = f'\n[{S}.sensor.inside]\nkind = "ds18b20"\nrole = "tank"\naddress = "28-0000000000aa"\n'
FLOATS = "".join(
    f'\n[{S}.sensor.{role}]\nkind = "float"\nrole = "{role}"\npin = {pin}\n'
    for role, pin in (("low", 12), ("sump_high", 13), ("sump_low", 18), ("storage_full", 19))
)
DRAIN = f'\n[{S}.drain]\nby = "pump"\npin = 16\nclosing_s = 0.5\nto_m = 0.25\n'
HEATER = f'\n[{S}.heater]\nexposed_m = 0.2\nplug = "heater"\n'
PLUGS = "".join(
    f'\n[{S}.plug.{name}]\norder_topic = "hall/{name}/set"\nstate_topic = "hall/{name}"\n'
    for name in ("heater", "pump")
)
TANK = f"\n[{S}.tank]\ntemp_c = 25.0\nlow_c = 22.0\nhigh_c = 28.0\nchange_c = 2.0\n"
FILTER = f"\n[{S}.filter]\nlitres = 8000\ndays = 180\n"
WORDS = 'title = "River tank"\nsupply = "cellar"\npeople_check = true\ndesk = "close"'
FULL = (
    SAMPLE.replace('title = "River tank"', WORDS)
    + LEVEL
    + TANK_TEMP
    + FLOATS
    + DRAIN
    + HEATER
    + PLUGS
    + TANK
    + FILTER
)


def edited(*changes: tuple[str, str], text: str = FULL) -> str:
    """Return a config with texts changed; each `old` must stand in it exactly once."""
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    return text


def problems(text: str) -> list[Problem]:
    """Return what is wrong with a config text, if anything is."""
    try:
        loads(text, "test.toml")
    except ConfigErrors as errors:
        return list(errors.problems)
    return []


def only(text: str) -> Problem:
    """Return the one thing wrong with a config text, which must have a fix."""
    found = problems(text)
    assert len(found) == 1, "\n".join(map(str, found)) or "nothing is wrong"
    assert found[0].fix
    return found[0]


def station(config: Config) -> Any:
    return config.stations["river"]


# --- the whole of it ---


def test_a_station_with_everything_reaches_the_plan() -> None:
    """Each option of a config arrives in the core's plan as what it says."""
    plan = plan_of(station(loads(FULL)), simulated=True)
    said = {
        "lows": ("low",),
        "sump_highs": ("sump_high",),
        "sump_lows": ("sump_low",),
        "stores": ("storage_full",),
        "level": "depth",
        "level_sd_m": 0.003,
        "temp_in": "incoming",
        "temp_tank": "inside",
        "tank_c": 25.0,
        "tank_low_c": 22.0,
        "tank_high_c": 28.0,
        "tank_change_c": 2.0,
        "drain": "pump",
        "drain_closing_s": 0.5,
        "low_m": 0.25,
        "heater": "heater",
        "heater_m": 0.2,
        "pump_plug": "pump",
        "filter_l": 8000.0,
        "filter_days": 180.0,
        "supply": "cellar",
        "people_check": True,
        "desk": "close",
        "simulated": True,
    }
    assert {name: getattr(plan, name) for name in said} == said


def test_a_station_with_nothing_of_it_has_a_plan_as_before() -> None:
    """Without the options nothing is switched, watched or limited."""
    plan = plan_of(station(loads(SAMPLE)))
    assert (plan.lows, plan.sump_highs, plan.sump_lows, plan.stores) == ((), (), (), ())
    assert (plan.level, plan.temp_tank, plan.drain, plan.heater, plan.pump_plug) == ("",) * 5
    assert math.isnan(plan.tank_c)
    assert (plan.tank_low_c, plan.tank_high_c) == (-math.inf, math.inf)
    assert (plan.tank_change_c, plan.filter_l, plan.filter_days) == (math.inf,) * 3
    assert (plan.supply, plan.people_check, plan.desk) == ("mains", False, "")
    assert not plan.simulated


@pytest.mark.parametrize(("said", "meant"), [("ignore", ""), ("warn", "warn"), ("close", "close")])
def test_what_the_desks_silence_means(said: str, meant: str) -> None:
    """The config's word for doing nothing is the core's empty one."""
    assert plan_of(station(loads(edited(('desk = "close"', f'desk = "{said}"'))))).desk == meant


def test_the_low_mark_is_the_start_unless_the_drain_says_otherwise() -> None:
    """to_m wins over start_m, and start_m stands in for it."""
    assert station(loads(FULL)).low_m == 0.25
    assert station(loads(edited(("to_m = 0.25\n", "")))).low_m == 0.27


def test_a_heater_without_our_plug_is_somebody_elses() -> None:
    """The core hears that it cannot switch the heater."""
    text = edited(('plug = "heater"\n', ""), (PLUGS.partition(f"\n[{S}.plug.pump]")[0], ""))
    assert plan_of(station(loads(text))).heater == "other"


def test_drivers_are_made_for_every_sensor() -> None:
    """Each sensor of the config gets its driver, with the config's name."""
    config = loads(FULL)
    sensors = sensors_of(config, station(config), SimFactory(lambda: 0.0))
    assert {sensor.id for sensor in sensors} == set(station(config).sensors)
    assert [sensor.id for sensor in sensors if sensor.kind is Kind.LEVEL] == ["depth"]


async def test_the_driver_reads_what_the_config_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Channel, pins, both points and the period reach the driver: it gives the level that stands
    at that input of that converter, for three of those periods.
    """
    pins = "channel = 2\nclock_pin = 20\nmosi_pin = 21\nmiso_pin = 25\nselect_pin = 26\n"
    text = edited(
        (
            "zero_v = 0.6\nfull_v = 3.0\nspan_m = 0.6\n",
            "zero_v = 1.0\nfull_v = 2.0\nspan_m = 0.8\n",
        ),
        ('converter = "mcp3008"\n', f'converter = "mcp3208"\nreference_v = 2.5\n{pins}'),
    )
    config = loads(text + f"\n[{S}.limits]\nreading_period_s = 0.5\n")
    factory = SimFactory(lambda: 0.0)
    wired: dict[str, Any] = {}

    class Chip(SimpleNamespace):
        def __init__(self, **wiring: Any) -> None:
            wired.update(wiring)
            super().__init__(voltage=1.5, close=lambda: None)

    monkeypatch.setitem(CHIPS, "mcp3208", Chip)
    sensors = sensors_of(config, station(config), factory)
    (depth,) = (sensor for sensor in sensors if sensor.kind is Kind.LEVEL)
    async with depth:
        assert wired == {
            "channel": 2,
            "clock_pin": 20,
            "mosi_pin": 21,
            "miso_pin": 25,
            "select_pin": 26,
            "max_voltage": 2.5,
            "pin_factory": factory,
        }
        now_s = asyncio.get_running_loop().time()
        assert depth.sample(now_s).value == pytest.approx(0.4)
        assert depth.sample(now_s + 1.4).value is not None
        assert depth.sample(now_s + 1.6).value is None


def test_a_level_probe_has_the_pis_own_spi_by_default() -> None:
    """Clock 11, MOSI 10, MISO 9 and select 8 are SPI0 with CE0.

    BCM2835 ARM Peripherals, alternate functions (from memory).
    """
    (part,) = station(loads(FULL)).fitted(Level).values()
    assert (part.clock_pin, part.mosi_pin, part.miso_pin, part.select_pin) == (11, 10, 9, 8)
    assert (part.channel, part.reference_v, part.noise_m) == (0, 3.3, 0.003)


def test_plugs_of_the_config_are_plugs_for_the_link() -> None:
    """What passes here is taken there, word for word."""
    for name, plug in station(loads(FULL)).plugs.items():
        topics = PlugTopics(station="river", plug=name, **plug.model_dump())
        assert topics.order_topic == f"hall/{name}/set"
        assert (topics.on_payload, topics.state_off) == ("ON", "OFF")


# --- the bow front ---

BOX = 'shape = "box"       # inside measures; "cylinder" and "table" are the other shapes\n'
BOW = 'shape = "bow-front"\nbow_m = 0.2\n'


def test_a_bow_front_holds_the_segment_more() -> None:
    """A chord of 2.0 m with a rise of 0.2 m adds a segment of 0.2690 m².

    By hand: r = (1² + 0.2²) / 0.4 = 2.6 m, half angle asin(1 / 2.6) = 0.39479 rad, area
    r² · 0.39479 - (r - 0.2) · 1 = 0.26879 m².
    """
    vessel = station(loads(edited((BOX, BOW)))).vessel
    assert isinstance(vessel, BowFront)
    assert vessel.capacity_l == pytest.approx(840.0 + 0.26879 * 600.0, abs=0.1)
    plan = plan_of(station(loads(edited((BOX, BOW)))))
    assert plan.vessel == bow_front(2.0, 0.7, 0.2, 0.6, 0.57)


def test_a_bow_deeper_than_half_its_chord_is_no_arc() -> None:
    """A front 2.0 m long bulges by 1.0 m at most; beyond that the shape has no area."""
    assert loads(edited((BOX, BOW.replace("0.2", "1.0"))))
    problem = only(edited((BOX, BOW.replace("0.2", "1.01"))))
    assert problem.key == f"{S}.vessel.bow_m"
    assert "at most 1 m" in problem.allowed


# --- one mistake, one problem, at its place ---


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("zero_v = 0.6", "zero_v = 0.25"),
        ("full_v = 3.0", "full_v = 3.05"),
        ("zero_v = 0.6\nfull_v = 3.0", "zero_v = 1.0\nfull_v = 1.2"),
        ("span_m = 0.6", "span_m = 0.57"),
        ("exposed_m = 0.2", "exposed_m = 0.25"),
        ('"mcp3008"', '"mcp3004"\nchannel = 3'),
        ('"mcp3008"', '"mcp3008"\nselect_pin = 7'),
    ],
)
def test_the_bound_itself_is_allowed(old: str, new: str) -> None:
    """What a message calls allowed is allowed, to the last digit."""
    assert loads(edited((old, new)))


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("zero_v = 0.6", "zero_v = 0.24", "sensor.depth.zero_v"),
        ("zero_v = 0.6", "zero_v = 3.0", "sensor.depth.full_v"),
        ("full_v = 3.0", "full_v = 3.06", "sensor.depth.full_v"),
        ("full_v = 3.0", "full_v = 4.5", "sensor.depth.full_v"),
        ("full_v = 3.0\n", "", "sensor.depth.full_v"),
        ("span_m = 0.6", "span_m = 0.5", "sensor.depth.span_m"),
        ("span_m = 0.6", "span_m = 60", "sensor.depth.span_m"),
        ('converter = "mcp3008"', 'converter = "mcp3301"', "sensor.depth.converter"),
        ('"mcp3008"', '"mcp3004"\nchannel = 4', "sensor.depth.channel"),
        ('"mcp3008"', '"mcp3008"\nchannel = 8', "sensor.depth.channel"),
        ('"mcp3008"', '"mcp3008"\nselect_pin = 25', "sensor.depth.select_pin"),
        ('"mcp3008"', '"mcp3008"\nreference_v = 5.0', "sensor.depth.reference_v"),
        ('"mcp3008"', '"mcp3008"\nnoise_m = 0.5', "sensor.depth.noise_m"),
        ('role = "tank"', 'role = "room"', "sensor.inside.role"),
        ('role = "tank"', 'role = "incoming"', "sensor.inside"),
        ('role = "sump_low"', 'role = "sump"', "sensor.sump_low.role"),
        ('by = "pump"', 'by = "siphon"', "drain.by"),
        ("pin = 16\n", "", "drain.pin"),
        ("to_m = 0.25", "to_m = 0.57", "drain.to_m"),
        ("to_m = 0.25", "to_m = 0.0", "drain.to_m"),
        ("to_m = 0.25", "to_m = 25", "drain.to_m"),
        ("exposed_m = 0.2", "exposed_m = 0.57", "heater.exposed_m"),
        ('plug = "heater"', 'plug = "kettle"', "heater.plug"),
        ('order_topic = "hall/pump/set"', 'order_topic = "hall/pump"', "plug.pump.state_topic"),
        ('order_topic = "hall/pump/set"', 'order_topic = "hall/+/set"', "plug.pump.order_topic"),
        ('order_topic = "hall/pump/set"', 'order_topic = "hall/#"', "plug.pump.order_topic"),
        ('order_topic = "hall/pump/set"', 'order_topic = "$SYS/x"', "plug.pump.order_topic"),
        ('order_topic = "hall/pump/set"', 'order_topic = ""', "plug.pump.order_topic"),
        ('order_topic = "hall/pump/set"', 'order_topic = "a\\u0000"', "plug.pump.order_topic"),
        ('"hall/pump/set"', f'"{"x" * 201}"', "plug.pump.order_topic"),
        ('"hall/pump/set"', '"brimwatch/v1/river/permit"', "plug.pump.order_topic"),
        ('"hall/pump/set"', '"hall/heater/set"', "plug.pump.order_topic"),
        ('"hall/pump"', '"hall/heater"', "plug.pump.state_topic"),
        ('"hall/pump"', '"hall/pump"\noff_payload = "ON"', "plug.pump.off_payload"),
        ('"hall/pump"', '"hall/pump"\nstate_off = " ON "', "plug.pump.state_off"),
        ('"hall/pump"', '"hall/pump"\nstate_on = " "', "plug.pump.state_on"),
        ('"hall/pump"', f'"hall/pump"\nstate_on = "{"x" * 65}"', "plug.pump.state_on"),
        ("low_c = 22.0", "low_c = 28.0", "tank.low_c"),
        ("change_c = 2.0", "change_c = 0", "tank.change_c"),
        ("change_c = 2.0", "change_c = 20", "tank.change_c"),
        ("litres = 8000", "litres = 1", "filter.litres"),
        ("days = 180", "days = 0.5", "filter.days"),
        ("litres = 8000\ndays = 180\n", "", "filter"),
        ('supply = "cellar"', 'supply = "The Cellar"', "supply"),
        ("people_check = true", "people_check = 1", "people_check"),
        ('desk = "close"', 'desk = "shut"', "desk"),
        ('desk = "close"', "desk = true", "desk"),
        ("people_check", "return_pump = false\npeople_check", "plug.pump"),
    ],
)
def test_one_mistake_is_one_problem_at_its_place(old: str, new: str, key: str) -> None:
    """Each of these is refused, once, with its place and a fix."""
    assert only(edited((old, new))).key == f"{S}.{key}"


@pytest.mark.parametrize(
    ("gone", "key"),
    [
        (PLUGS, "heater.plug"),
        (HEATER, "plug.heater"),
        (DRAIN, "sensor.storage_full.role"),
    ],
)
def test_what_leans_on_a_missing_table_is_told(gone: str, key: str) -> None:
    """A plug that is not there, one that nobody switches, a float that could stop nothing."""
    found = problems(edited((gone, "")))
    assert [problem.key for problem in found] == [f"{S}.{key}"]


def test_a_plug_that_the_heater_does_not_name_is_told() -> None:
    """It would never be switched."""
    assert only(edited(('plug = "heater"\n', ""))).key == f"{S}.plug.heater"


def test_only_the_two_plugs_have_a_use() -> None:
    """A third plug's name is refused with those that are known."""
    text = FULL + f'\n[{S}.plug.lamp]\norder_topic = "a"\nstate_topic = "b"\n'
    problem = only(text)
    assert problem.key == f"{S}.plug.lamp"
    assert problem.allowed == '"heater" or "pump"'


def test_a_hose_has_no_pin_and_stops_nothing() -> None:
    """What a person minds is switched by nobody: neither a pin nor a float of the storage fits."""
    hose = edited(('by = "pump"\npin = 16\n', 'by = "hose"\n'))
    assert only(hose).key == f"{S}.sensor.storage_full.role"
    table = FLOATS[FLOATS.index(f"\n[{S}.sensor.storage_full]") :]
    assert station(loads(edited((table, ""), text=hose))).drain.by == "hose"
    assert f"{S}.drain.pin" in [p.key for p in problems(edited(('by = "pump"', 'by = "hose"')))]


def test_a_drain_must_know_where_to_stop() -> None:
    """Without to_m and without start_m there is no low mark."""
    start = "start_m = 0.27      # where it stands once the old water is out\n"
    assert station(loads(edited((start, "")))).low_m == 0.25
    problem = only(edited((start, ""), ("to_m = 0.25\n", "")))
    assert problem.key == f"{S}.drain.to_m"
    assert "start_m" in problem.wrong
    floor = edited(("start_m = 0.27", "start_m = 0.0"), ("to_m = 0.25\n", ""))
    assert only(floor).key == f"{S}.drain"


def test_a_table_vessel_has_a_floor_of_its_own() -> None:
    """A low mark below the first row of a measured vessel is below its floor."""
    rows = "levels = [[0.1, 1], [0.6, 840]] "
    measures = "length_m = 2.0\nwidth_m = 0.7\nheight_m = 0.6 "
    text = edited((BOX, 'shape = "table"\n'), (measures, rows))
    assert loads(text)
    assert only(edited(("to_m = 0.25", "to_m = 0.1"), text=text)).key == f"{S}.drain.to_m"


def test_a_drain_that_bares_the_heater_must_be_seen() -> None:
    """Below the heater only where a level probe tells of it: a low float at the low mark turns over
    when the heater is bare already.
    """
    low = FLOATS.partition(f"\n[{S}.sensor.sump_high]")[0]
    bare = edited(("exposed_m = 0.2", "exposed_m = 0.3"))
    assert loads(bare)
    assert loads(edited((low, ""), text=bare))
    assert only(edited((LEVEL, ""), text=bare)).key == f"{S}.heater.exposed_m"
    assert loads(edited((LEVEL, ""), ("exposed_m = 0.2", "exposed_m = 0.25")))
    problem = only(edited((LEVEL, ""), text=bare))
    assert problem.key == f"{S}.heater.exposed_m"
    assert "0.25 m" in problem.allowed


def test_a_tanks_band_needs_the_tanks_temperature() -> None:
    """A thermometer in the tank or a number in the config, one of them at least."""
    assert loads(edited(("temp_c = 25.0\n", "")))
    assert loads(edited((TANK_TEMP, "")))
    assert only(edited(("temp_c = 25.0\n", ""), (TANK_TEMP, ""))).key == f"{S}.tank.temp_c"


def test_a_drain_by_pump_needs_something_that_ends_it() -> None:
    """Neither a low float nor a level probe: only a hose, which a person minds, may drain so."""
    low = FLOATS.partition(f"\n[{S}.sensor.sump_high]")[0]
    assert only(edited((LEVEL, ""), (low, ""))).key == f"{S}.drain.by"


@pytest.mark.parametrize("role", ["over", "low", "sump_high", "sump_low", "storage_full"])
def test_no_other_float_stands_in_for_the_one_at_the_mark(role: str) -> None:
    """A station whose floats are all elsewhere is refused."""
    text = edited(('role = "high"', f'role = "{role}"'))
    assert [problem.key for problem in problems(text)] == [f"{S}.sensor"]


def test_a_thermometer_in_the_tank_does_not_stand_in_for_the_incoming() -> None:
    """Without the stream's own thermometer there is no fill."""
    text = edited(('role = "incoming"', 'role = "tank"'), (TANK_TEMP, ""))
    assert [problem.key for problem in problems(text)] == [f"{S}.sensor"]


@pytest.mark.parametrize(
    "table",
    [
        LEVEL.replace("depth", "again").replace('"mcp3008"', '"mcp3008"\nchannel = 1'),
        f'\n[{S}.sensor.again]\nkind = "flow"\npin = 25\npulses_per_litre = 450\nmax_lpm = 25\n',
        TANK_TEMP.replace("inside", "again").replace("aa", "ab"),
    ],
)
def test_a_sensor_that_nobody_would_read_is_refused(table: str) -> None:
    """Of level, flow and each thermometer's place there is one: a second would be ignored."""
    assert only(FULL + table).key == f"{S}.sensor.again"


# --- pins ---


def two_stations(*changes: tuple[str, str]) -> str:
    """Return the full config with a second tank on the same Pi; `changes` are to the second."""
    lake = FULL[FULL.index("[station.river]") :].replace("station.river", "station.lake")
    for old, new in (
        *((f"pin = {pin}\n", f"pin = {pin + 100}\n") for pin in (17, 27, 22, 23, 24)),
        *((f"pin = {pin}\n", f"pin = {pin + 100}\n") for pin in (12, 13, 18, 19, 16)),
        ("28-00000b71a9e5", "28-00000b71a9e6"),
        ("28-0000000000aa", "28-0000000000ab"),
        ("hall/heater", "lake/heater"),
        ("hall/pump", "lake/pump"),
        *changes,
    ):
        assert old in lake, old
        lake = lake.replace(old, new)
    return FULL + lake.replace("[station.lake]\n", '[station.lake]\nnode = "river-node"\n')


def spi_problems(text: str) -> list[Problem]:
    """Return the problems of converters: all of `two_stations`' other pins are out of range."""
    return [p for p in problems(text) if "depth" in p.key]


def test_two_converters_share_a_bus_but_not_a_select() -> None:
    """Clock and data lines are common to all; a select is one converter's."""
    assert spi_problems(two_stations(("span_m", "select_pin = 7\nspan_m"))) == []
    (problem,) = spi_problems(two_stations(('"mcp3008"', '"mcp3208"')))
    assert problem.key == "station.lake.sensor.depth.select_pin"
    assert "GPIO 8 is already used by station.river.sensor.depth.select_pin" in problem.wrong
    assert problem.fix == "use GPIO 7, which is free"


def test_one_converter_has_a_probe_on_each_channel() -> None:
    """Two probes on one converter are right on two channels, and one too many on one."""
    assert spi_problems(two_stations(("span_m", "channel = 1\nspan_m"))) == []
    (problem,) = spi_problems(two_stations())
    assert "channel" in problem.wrong
    assert "channel" in problem.fix


@pytest.mark.parametrize("change", ['"mcp3208"', '"mcp3008"\nmiso_pin = 20'])
def test_another_converter_needs_another_select_whatever_its_channel(change: str) -> None:
    """A channel of its own does not help two converters that are selected by one pin."""
    (problem,) = spi_problems(
        two_stations(("span_m", "channel = 1\nspan_m"), ('"mcp3008"', change))
    )
    assert problem.key == "station.lake.sensor.depth.select_pin"


def test_lines_of_two_kinds_do_not_share_a_pin() -> None:
    """One converter's clock cannot be another's data, nor its own select."""
    pins = "clock_pin = 20\nmosi_pin = 21\nmiso_pin = 25\nselect_pin = 26\n"
    apart = edited(("span_m", pins + "span_m"))
    assert loads(apart)
    for old, new in (("miso_pin = 25", "miso_pin = 21"), ("select_pin = 26", "select_pin = 20")):
        problem = only(edited((old, new), text=apart))
        assert problem.key == f"{S}.sensor.depth.{old.partition(' ')[0]}"
        assert "is already used by" in problem.wrong


def test_a_converters_pins_are_nobody_elses() -> None:
    """A float on the converter's clock is refused, on the bus of the Pi and on any other."""
    text = edited(("[hardware]", "[hardware]\nallow_reserved = [11]"), ("pin = 12\n", "pin = 11\n"))
    assert "is already used by" in only(text).wrong
    other = edited(("span_m", "clock_pin = 12\nspan_m"))
    assert "is already used by" in only(other).wrong


def test_a_converter_may_use_the_spi_pins_and_no_other_bus() -> None:
    """SPI's pins are kept for just this; those of I2C are not."""
    assert loads(FULL)
    problem = only(edited(("span_m", "clock_pin = 2\nspan_m")))
    assert (problem.key, problem.wrong) == (
        f"{S}.sensor.depth.clock_pin",
        "GPIO 2 is kept for I2C",
    )


@pytest.mark.parametrize("pin", [5, 6, 7, 8, 16, 20, 21])
@pytest.mark.parametrize("active_high", [True, False])
def test_a_drain_that_would_run_at_boot_is_refused(pin: int, active_high: bool) -> None:
    """The drain's relay stays released from power-on, as the valve's does.

    BCM2835 ARM Peripherals, alternate function table, column "Pull" (from memory): GPIO 0 to 8
    high, 9 to 27 low.
    """
    line = f"pin = {pin}\nactive_high = {str(active_high).lower()}\nclosing_s = 0.5"
    text = edited(
        ("[hardware]", "[hardware]\nallow_reserved = [7, 8]"),
        *([("span_m", f"select_pin = {15 - pin}\nspan_m")] if pin in (7, 8) else []),
        ("pin = 16\nclosing_s = 0.5", line),
    )
    if active_high == (pin > 8):
        assert station(loads(text)).drain.pin == pin
        return
    problem = only(text)
    assert problem.key == f"{S}.drain.pin"
    assert "would let water out at boot" in problem.wrong
    assert "which is free" in problem.fix


def test_the_drain_has_a_pin_of_its_own() -> None:
    """A drain on the valve's relay is refused."""
    problem = only(edited(("pin = 16", "pin = 17")))
    assert problem.key == f"{S}.drain.pin"
    assert f"{S}.valve.pin" in problem.wrong


# --- nonsense ---

words = st.sampled_from(
    ("drain", "heater", "plug", "tank", "filter", "sensor", "depth", "kind", "level", "role", "pin")
) | st.sampled_from(
    ("select_pin", "channel", "converter", "to_m", "pump", "order_topic", "by", "shape")
)
values: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=4),
    max_leaves=15,
)
places = st.sampled_from(
    ("sensor", "sensor.depth", "sensor.low", "drain", "heater", "vessel", "plug", "plug.pump")
) | st.sampled_from(("tank", "filter"))


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(path=places, key=words, junk=values)
def test_no_option_of_nonsense_crashes_the_reader(path: str, key: str, junk: Any) -> None:
    """Any value anywhere gives a config or problems, never another error."""
    inner = raw = tomllib.loads(FULL)
    for step in ("station", "river", *path.split(".")):
        inner = inner[step]
    inner[key] = junk
    reader = Reader("junk")
    config = reader.config(raw)
    assert reader.problems or config is not None


@settings(max_examples=200, deadline=None)
@example(zero_v=0.25, full_v=3.05, reference_v=3.3, span_m=0.6)
@example(zero_v=3.05, full_v=0.25, reference_v=3.3, span_m=0.6)
@example(zero_v=0.2, full_v=3.1, reference_v=3.3, span_m=0.6)
@example(zero_v=0.3, full_v=0.5, reference_v=1.0, span_m=0.6)
@given(
    zero_v=st.floats(0.0, 3.3),
    full_v=st.floats(0.0, 3.3),
    reference_v=st.floats(1.0, 3.3),
    span_m=st.floats(0.57, 10.0),
)
def test_what_the_config_lets_pass_the_driver_takes(
    zero_v: float, full_v: float, reference_v: float, span_m: float
) -> None:
    """No probe is right for the check and refused when the node starts."""
    text = edited(
        ("zero_v = 0.6", f"zero_v = {zero_v!r}\nreference_v = {reference_v!r}"),
        ("full_v = 3.0", f"full_v = {full_v!r}"),
        ("span_m = 0.6", f"span_m = {span_m!r}"),
    )
    if problems(text):
        return
    config = loads(text)
    try:
        sensors_of(config, station(config), SimFactory(lambda: 0.0))
    except HardwareError as error:
        pytest.fail(str(error))
