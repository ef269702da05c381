"""The pin table and its drawing, against the pin library's boards, the drivers and standards."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from gpiozero.pins.mock import MockFactory
from gpiozero.pins.pi import PiBoardInfo
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli.pins import pins
from monitor.config import Config, load, loads
from monitor.config.header import BUSES, GPIO_AT, GROUND, PLACE_OF, SUPPLIES, V3, V5, pulled_up
from monitor.core.reading import Fault
from monitor.drivers.relay import Relay
from monitor.drivers.switch import FloatSwitch, LeakProbe
from monitor.errors import ConfigError, ConfigErrors
from monitor.wiring.drawing import PITCH, drawn
from monitor.wiring.sheet import LOOKS
from monitor.wiring.table import COLOURS, WIDTH, Wire, by_signal, plugs, text, wires

SIMULATE = Path(__file__).parents[1] / "monitor" / "simulate"
RIVER = (SIMULATE / "river.toml").read_text()
FULL = (SIMULATE / "full.toml").read_text()
SVG = "{http://www.w3.org/2000/svg}"
# Revision codes of boards with 40 pins, as the Pi's documentation lists them (from memory):
# B+ 1.2, 2B 1.1, 3B 1.2, Zero 1.2, Zero 2 W 1.0, 4B 1.1, 400 1.0, 5B 1.0.
BOARDS = (0x10, 0xA01041, 0xA02082, 0x900092, 0x902120, 0xA03111, 0xC03130, 0xC04170)


def sample(name: str) -> Config:
    return load(SIMULATE / f"{name}.toml")


def only_node(config: Config) -> tuple[Wire, ...]:
    (rows,) = wires(config).values()
    return rows


def two_stations(*, river: str, pond: str, text: str = RIVER, pond_text: str = RIVER) -> Config:
    """Return a config of two simple tanks, `river` and `pond`, on the nodes given."""
    moved = {"17": "16", "27": "26", "22": "5", "23": "6", "24": "25"}
    first = text.replace("[station.river]", f"[station.river]\nnode = '{river}'")
    second = pond_text[pond_text.index("[station.river]") :]
    second = second.replace("[station.river]", f"[station.river]\nnode = '{pond}'")
    second = re.sub(r"^pin = (\d+)", lambda m: f"pin = {moved[m[1]]}", second, flags=re.MULTILINE)
    second = second.replace("[station.river", "[station.pond").replace("71a9e5", "71a9e6")
    return loads(f"{first}\n{second}")


# --- the header ---


@pytest.mark.external
@pytest.mark.parametrize("revision", BOARDS, ids=hex)
def test_the_header_is_that_of_every_board(revision: int) -> None:
    """Claim: each place is the GPIO or the supply that the pin library has for that board."""
    board = PiBoardInfo.from_revision(revision)
    (header,) = (each for each in board.headers.values() if each.rows * each.columns == 40)
    names = {V3: "3V3", V5: "5V", GROUND: "GND"}
    ours = {place: f"GPIO{gpio}" for place, gpio in GPIO_AT.items()}
    ours |= {place: names[name] for place, name in SUPPLIES.items()}
    assert ours == {place: pin.name for place, pin in header.pins.items()}
    for place, pin in header.pins.items():
        assert (pin.row, pin.col) == ((place - 1) // 2 + 1, 2 - place % 2)
        if pin.pull:  # the ones with a resistor on the board
            assert pulled_up(GPIO_AT[place]) == (pin.pull == "up")


@pytest.mark.external
def test_the_buses_are_on_the_pins_that_the_boards_give_them() -> None:
    """Claim: the pins of SPI, I2C and the serial console can be it on a real board."""
    header = PiBoardInfo.from_revision(0xA02082).headers["J8"]
    kinds = {"SPI": "spi", "I2C": "i2c", "the serial console": "uart"}
    seen = 0
    for bus in BUSES:
        for gpio in bus.pins if bus.name in kinds else ():
            assert kinds[bus.name] in header.pins[PLACE_OF[gpio]].interfaces
            seen += 1
    assert seen == 5 + 2 + 2


def test_each_power_on_level_is_the_one_that_was_published() -> None:
    """Claim: a pin that floats reads at power-on as its pull: levels of a Pi that somebody dumped
    with everything an input (GPIO 0 to 8 high, 9 to 13 and 16 to 27 low; a public paste), and
    BCM2835 ARM Peripherals, alternate function table (from memory).
    """
    assert [gpio for gpio in range(28) if pulled_up(gpio)] == [0, 1, 2, 3, 4, 5, 6, 7, 8]


# --- the table against what drives the pins ---


@pytest.mark.parametrize("active_high", [True, False])
def test_the_relay_is_driven_as_the_table_says(active_high: bool) -> None:
    """Claim: the level that opens, and the safe one, are those that the driver drives."""
    pin = 17 if active_high else 5
    config = loads(
        RIVER.replace("pin = 17\nactive_high = true", f"pin = {pin}\nactive_high = "
                      f"{str(active_high).lower()}")
    )  # fmt: skip
    row = by_signal(only_node(config))["valve"]
    factory = MockFactory()
    relay = Relay(pin=row.gpio or 0, factory=factory, active_high=active_high)
    try:
        level = {True: "high", False: "low"}
        assert row.direction == "out" == {"output": "out"}[factory.pin(pin).function]
        assert row.safe == f"{level[bool(factory.pin(pin).state)]}: shut"
        relay.energise()
        assert row.active == f"{level[bool(factory.pin(pin).state)]} = open"
    finally:
        relay.close()
    assert row.boot == "shut"
    assert row.boot_pull == ("down" if active_high else "up")


@pytest.mark.parametrize("wet_when", ["closed", "open"])
async def test_contacts_are_read_as_the_table_says(wet_when: str) -> None:
    """Claim: what an open loop or probe means, and that the pull-up is the program's, is what the
    drivers do: a float's open loop is tripped; a probe's open circuit is dry or wet as configured.
    """
    config = loads(RIVER.replace('wet_when = "closed"', f'wet_when = "{wet_when}"'))
    rows = by_signal(only_node(config))
    factory = MockFactory()
    high, floor = rows["float_high"], rows["floor"]
    probe = LeakProbe(sensor_id="floor", pin=floor.gpio or 0, factory=factory,
                      wet_when="open" if wet_when == "open" else "closed")  # fmt: skip
    loop = FloatSwitch(sensor_id="float_high", pin=high.gpio or 0, factory=factory)
    async with loop, probe:
        # Nothing pulls a mock pin but its own pull: both circuits are open.
        assert factory.pin(high.gpio).pull == high.pull == floor.pull
        assert loop.sample(0.0).value == 1.0
        assert high.active == "open = tripped"
        assert high.safe == "open: tripped"
        wet = probe.sample(0.0)
        assert wet.fault is not Fault.MISSING
        assert floor.active == f"{wet_when} = wet"
        assert wet.value == (1.0 if wet_when == "open" else 0.0)
        assert floor.safe == ("open: wet" if wet.value else "a cut reads dry!")


@given(pin=st.integers(0, 27), active_high=st.booleans(), drain=st.booleans())
def test_no_config_that_is_accepted_lets_water_at_power_on(
    pin: int, active_high: bool, drain: bool
) -> None:
    """Claim: for every pin and either level a relay is refused, or the table says shut at power-on,
    which is right by the pull: the released level is the one that the pin is pulled to.
    """
    level = str(active_high).lower()
    if drain:
        written = FULL.replace(
            "pin = 16\nactive_high = true", f"pin = {pin}\nactive_high = {level}"
        )
    else:
        written = FULL.replace(
            "pin = 17\nactive_high = true", f"pin = {pin}\nactive_high = {level}"
        )
    try:
        config = loads(written)
    except ConfigErrors:
        return
    row = by_signal(only_node(config))["drain" if drain else "valve"]
    assert row.boot == ("off" if drain else "shut")
    pulled_to = "high" if pulled_up(pin) else "low"
    assert row.safe.startswith(pulled_to)


def test_every_pin_of_a_config_has_one_row() -> None:
    """Claim: no wire is missing and none is there twice; the bus of two thermometers is one."""
    rows = only_node(sample("full"))
    written = {int(pin) for pin in re.findall(r"^pin = (\d+)", FULL, re.MULTILINE)}
    gpios = [row.gpio for row in rows if row.gpio is not None]
    assert sorted(gpios) == sorted(written | {4} | {8, 9, 10, 11})
    assert all(row.place == PLACE_OF[row.gpio] for row in rows if row.gpio is not None)
    assert by_signal(rows)["1-Wire"].part == "DS18B20 incoming, DS18B20 tank"
    strips = [(row.signal, SUPPLIES[row.place]) for row in rows if row.gpio is None]
    assert [name for name, _ in strips] == [name for _, name in strips]
    assert {name for name, _ in strips} == {V3, V5, GROUND}
    assert [name for name, _ in strips].count(GROUND) == 2


def test_two_probes_on_one_bus_share_its_wires() -> None:
    """Claim: two converters on one Pi have three wires in common, and a select each."""
    begin, end = "[station.river.sensor.depth]", "[station.river.incoming]"
    depth = FULL[FULL.index(begin) : FULL.index(end)]
    river, pond = (RIVER.replace(end, f"{depth}{end}"), depth)
    pond = pond.replace("channel = 0", "channel = 0\nselect_pin = 7")
    config = two_stations(
        river="hall", pond="hall", text=river, pond_text=RIVER.replace(end, f"{pond}{end}")
    )
    parts = {row.gpio: row.part for row in only_node(config) if row.gpio in (7, 8, 9, 10, 11)}
    assert parts == dict.fromkeys((7, 8, 9, 10, 11), "mcp3208 depth")


@pytest.mark.parametrize("same", [True, False])
def test_stations_are_told_apart_by_node(same: bool) -> None:
    """Claim: two stations on one Pi share its table, their signals named with the station's name;
    two on a Pi each have a table each, and a station picks that of its own Pi.
    """
    config = two_stations(river="hall", pond="hall" if same else "yard")
    nodes = wires(config)
    assert list(nodes) == (["hall"] if same else ["hall", "yard"])
    signals = {node: {row.signal for row in rows} for node, rows in nodes.items()}
    if same:
        assert {"river.valve", "pond.valve", "river.1-Wire"} <= signals["hall"]
        shared = next(row for row in nodes["hall"] if row.gpio == 4)
        assert shared.part == "DS18B20 incoming"
    else:
        assert "valve" in signals["hall"]
        assert "valve" in signals["yard"]
        assert list(wires(config, config.stations["pond"])) == ["yard"]


# --- colours ---

_PALE = ("yellow", "green", "grey", "white", "pink")


def test_colours_are_the_standards_and_never_earths() -> None:
    """Claim: each colour is one or two of IEC 60757's names (IEC 60445, 6.1, lists them), enough
    for every pin; green and yellow only alone (IEC 60757, 5.1), those of supplies never.
    """
    names = {*_PALE, "black", "brown", "red", "orange", "blue", "violet", "turquoise"}
    assert len(set(COLOURS)) == len(COLOURS) >= len(GPIO_AT)
    for colour in COLOURS:
        parts = colour.split("-")
        assert set(parts) <= names
        assert len(parts) == 1 or not set(parts) & {"green", "yellow"}
        assert not set(parts) & {"black", "red", "orange"}
    assert set(LOOKS) == names


def test_no_two_signals_of_a_pi_have_one_colour() -> None:
    """Claim: a wire can be told by its colour."""
    config = two_stations(river="hall", pond="hall")
    for rows in (only_node(config), only_node(sample("full"))):
        colours = [row.wire for row in rows if row.gpio is not None]
        assert all(colours)
        assert len(set(colours)) == len(colours)


# --- as people read it ---


def longest_names(written: str) -> str:
    """Return a config whose sensors have the longest names that there may be."""
    for name in ("float_high", "float_over", "sump_high", "meter", "depth"):
        written = written.replace(f"sensor.{name}]", f"sensor.{name:_<24}]")
    return written


@pytest.mark.parametrize("written", [RIVER, FULL, longest_names(FULL)], ids=["few", "all", "long"])
def test_the_text_fits_a_terminal_and_leaves_out_nothing(written: str) -> None:
    """Claim: no line is wider than 80 columns, and every row's pins, colour, levels are there."""
    rows = only_node(loads(written))
    lines = text(rows)
    assert max(map(len, lines)) <= WIDTH == 80
    for row in rows:
        if row.gpio is None:
            continue
        begin = row.signal[:17]
        told = [line for line in lines if line.startswith(begin)]
        assert any(re.search(rf"\b{row.gpio} +{row.place} +{row.direction} +{row.wire}\b", line)
                   for line in told)  # fmt: skip
        assert any(f"{row.boot_pull}: {row.boot}" in line and row.active in line for line in told)
        assert any(line.endswith(row.safe) for line in told)


def test_the_command_prints_saves_and_draws(tmp_path: Path) -> None:
    """Claim: text names every part and the plugs, JSON has one object a wire with all fields, and
    the drawing is written; a file that cannot be written is told with a fix.
    """
    config = str(SIMULATE / "full.toml")
    run = CliRunner().invoke(pins, ["--config", config, "--svg", str(tmp_path / "a.svg")])
    assert run.exit_code == 0, run.output
    assert "the plug of the heater is on no pin" in run.output
    assert (tmp_path / "a.svg").read_text().startswith("<svg")
    told = CliRunner().invoke(pins, ["--config", config, "--json"]).output.splitlines()
    objects = [json.loads(line) for line in told]
    assert len(objects) == len(only_node(sample("full")))
    wanted = {"signal", "gpio", "place", "direction", "pull", "boot_pull", "active", "boot", "safe"}
    assert all(wanted | {"wire", "part", "also", "simulated"} <= set(each) for each in objects)
    failed = CliRunner().invoke(pins, ["--config", config, "--svg", str(tmp_path / "no" / "a.svg")])
    assert isinstance(failed.exception, ConfigError)
    assert "Fix: give --svg another name" in str(failed.exception)


def test_pins_that_are_not_touched_are_called_simulated(tmp_path: Path) -> None:
    """Claim: with mock pins the table says so."""
    file = tmp_path / "mock.toml"
    file.write_text(RIVER.replace('pins = "auto"', 'pins = "mock"'))
    shown = CliRunner().invoke(pins, ["--config", str(file)]).output
    assert "SIMULATION" in shown
    assert (
        "SIMULATION"
        not in CliRunner().invoke(pins, ["--config", str(SIMULATE / "river.toml")]).output
    )


# --- the drawing ---


def shapes(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own text


def points(path: ET.Element) -> list[tuple[float, float]]:
    numbers = re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.attrib["d"])
    return [(float(x), float(y)) for x, y in numbers]


def rims(svg: ET.Element) -> list[list[tuple[float, float]]]:
    """Return each wire's run, by its dark rim."""
    return [points(path) for path in svg.iter(f"{SVG}path") if path.get("stroke-width") == "5.5"]


def posts(svg: ET.Element) -> list[tuple[float, float]]:
    """Return the middles of the header's pins, in the order of their places."""
    squares = [points(path) for path in svg.iter(f"{SVG}path") if path.get("class") == "s"]
    return [((a[0] + b[0]) / 2, (a[1] + c[1]) / 2) for a, b, c, *_ in squares]


def boxes(svg: ET.Element) -> list[tuple[float, float, float, float]]:
    """Return the frames of the parts: left, top, right, bottom."""
    found = []
    for each in svg.iter(f"{SVG}rect"):
        if each.get("class") == "f" and each.get("rx") == "4":
            x, y, w, h = (float(each.attrib[key]) for key in ("x", "y", "width", "height"))
            found.append((x, y, x + w, y + h))
    return found


DRAWINGS: Mapping[str, Config] = {
    "few": loads(RIVER),
    "all": loads(FULL),
    "long": loads(longest_names(FULL)),
    "one Pi, two tanks": two_stations(river="hall", pond="hall"),
    "two Pis": two_stations(river="hall", pond="yard"),
    "two Pis, one with more": two_stations(river="hall", pond="yard", text=FULL),
}


@pytest.mark.parametrize("config", DRAWINGS.values(), ids=list(DRAWINGS))
def test_each_wire_runs_from_its_pin_to_its_part(config: Config) -> None:
    """Claim: the header is drawn to scale, 2.54 mm between pins at 10 px for 1 mm; every wire of
    the table begins at its pin, ends at a part, and no two share a lane.
    """
    nodes = wires(config)
    svg = shapes(drawn(config.site.title, nodes, plugs(config, nodes)))
    places, runs = posts(svg), rims(svg)
    assert len(places) == 40 * len(nodes)
    assert pytest.approx(25.4) == PITCH
    for board in range(len(nodes)):
        own = places[40 * board : 40 * board + 40]
        assert own[1][0] - own[0][0] == pytest.approx(25.4, abs=0.2)
        for upper, lower in pairwise(own[::2]):
            assert lower[1] - upper[1] == pytest.approx(25.4, abs=0.2)
    wanted = []
    for board, rows in enumerate(nodes.values()):
        wanted += [places[40 * board + row.place - 1] for row in rows]
    begins = [run[0] for run in runs]
    assert len(begins) == len(wanted)
    for x, y in wanted:
        assert any(abs(x - a) < 0.2 and abs(y - b) < 0.2 for a, b in begins), (x, y)
    frames = boxes(svg)
    for run in runs:
        x, y = run[-1]
        touching = [1 for left, top, right, bottom in frames
                    if top < y < bottom and min(abs(x - left), abs(x - right)) < 0.2]  # fmt: skip
        assert len(touching) == 1, run
    lanes = [(a[0], min(a[1], b[1]), max(a[1], b[1])) for run in runs
             for a, b in pairwise(run) if a[0] == b[0] and abs(a[1] - b[1]) > 13]  # fmt: skip
    for number, (x, top, bottom) in enumerate(lanes):
        for other, high, low in lanes[:number]:
            assert abs(x - other) > 6 or bottom <= high or low <= top


@pytest.mark.parametrize("config", DRAWINGS.values(), ids=list(DRAWINGS))
def test_the_drawing_can_be_read(config: Config) -> None:
    """Claim: parts do not overlap, all lies on the sheet, letters have 13 px at 100 %, and each
    wire's colour stands in words beside its pins.
    """
    nodes = wires(config)
    svg = shapes(drawn(config.site.title, nodes, plugs(config, nodes)))
    width, height = (float(svg.attrib[key]) for key in ("width", "height"))
    assert svg.attrib["viewBox"] == f"0 0 {width:.0f} {height:.0f}"
    frames = boxes(svg)
    for number, (left, top, right, bottom) in enumerate(frames):
        assert 0 <= left < right <= width
        assert 0 <= top < bottom <= height
        for a, b, c, d in frames[:number]:
            assert right <= a or c <= left or bottom <= b or d <= top
    words = [each.text or "" for each in svg.iter(f"{SVG}text")]
    for each in svg.iter(f"{SVG}text"):
        assert 0 <= float(each.attrib["x"]) <= width
        assert 0 <= float(each.attrib["y"]) <= height
    sizes = re.findall(r"font[^;}]*?(\d+)px", next(svg.iter(f"{SVG}style")).text or "")
    assert min(map(int, sizes)) >= 13
    for rows in nodes.values():
        for row in rows:
            where = f"pin {row.place}" if row.gpio is None else f"GPIO {row.gpio}, pin {row.place}"
            assert any(told.startswith(f"{row.wire}: ") and told.endswith(where) for told in words)
