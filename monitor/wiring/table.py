"""The pins of a config as a person wires them: one row for each wire that leaves the header."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from textwrap import wrap
from typing import Final

from monitor.config.header import (
    GROUND,
    ONE_WIRE_PIN,
    PLACE_OF,
    V3,
    V5,
    pulled_up,
)
from monitor.config.parts import Config, Ds18b20, Float, Flow, Leak, Level, Sensor, Station

WIDTH: Final = 80
SIGNAL_WIDTH: Final = 18

# Two ground wires: a single one that came loose would blind a leak probe.
STRIPS: Final = ((V3, (1,)), (V5, (2,)), (GROUND, (14, 20)))
_STRIP_WIRES: Final = {V3: "orange", V5: "red", GROUND: "black"}

# The colour names of IEC 60757. Black, red and orange are the supplies'. Green and yellow stand
# alone only, as IEC 60757 and IEC 60445 keep the pair of them, and each of them in any other pair,
# for protective earth.
_PLAIN: Final = (
    *("violet", "grey", "yellow", "green", "turquoise", "pink", "white", "blue", "brown"),
)
_STRIPED: Final = ("brown", "blue", "violet", "grey", "white", "pink", "turquoise")
COLOURS: Final = (*_PLAIN, *("-".join(pair) for pair in combinations(_STRIPED, 2)))

_FLOATS: Final = {
    "high": "float at the mark",
    "over": "float above the mark",
    "low": "float at the low mark",
    "sump_high": "float, sump too full",
    "sump_low": "float, sump too low",
    "storage_full": "float, storage full",
}
_LOOP: Final = "its other wire: 0 V"
NONE: Final = "–"


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire. `gpio` is the chip's number, None for a supply; `place` is that on the header.

    `pull` is the one in use, `boot_pull` the one at power-on. `safe` is the state that keeps the
    water out of the room, or what a broken wire does.
    """

    node: str
    station: str
    signal: str
    gpio: int | None
    place: int
    direction: str
    pull: str
    boot_pull: str
    active: str
    boot: str
    safe: str
    wire: str
    part: str
    also: str = ""  # what else the part needs, besides this wire

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the row for JSON."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def wires(config: Config, only: Station | None = None) -> dict[str, tuple[Wire, ...]]:
    """Return the wires of each node by its name; with `only`, those of that station's node."""
    nodes: dict[str, list[Station]] = {}
    for station in config.stations.values():
        if only is None or station.node == only.node:
            nodes.setdefault(station.node, []).append(station)
    return {node: tuple(_node(node, stations)) for node, stations in nodes.items()}


def _node(node: str, stations: list[Station]) -> Iterator[Wire]:
    rows: dict[int, Wire] = {}
    for station in stations:
        for row in _station(station):
            if row.gpio in rows:  # a bus that several parts share
                first = rows[row.gpio]
                parts = dict.fromkeys((*first.part.split(", "), row.part))
                rows[row.gpio] = replace(first, part=", ".join(parts))
            elif row.gpio is not None:
                named = row.signal if len(stations) == 1 else f"{station.id}.{row.signal}"
                rows[row.gpio] = replace(row, signal=named)
    for row, colour in zip(rows.values(), COLOURS, strict=False):
        yield replace(row, wire=colour)
    for name, places in STRIPS:
        for place in places:
            yield Wire(node, "", name, None, place, "supply", *(NONE,) * 5,
                       _STRIP_WIRES[name], f"{name} strip")  # fmt: skip


def _station(station: Station) -> Iterator[Wire]:
    yield _out(station, "valve", station.valve.pin, station.valve.active_high,
               ("open", "shut"), "valve relay")  # fmt: skip
    if station.drain is not None and station.drain.pin is not None:
        drain = station.drain
        yield _out(station, "drain", station.drain.pin, drain.active_high,
                   ("drains", "off"), f"drain relay ({drain.by})")  # fmt: skip
    if station.buzzer is not None:
        yield _out(station, "buzzer", station.buzzer.pin, station.buzzer.active_high,
                   ("sounds", "silent"), "buzzer")  # fmt: skip
    for sensor_id, part in station.sensors.items():
        yield from _sensor(station, sensor_id, part)


def _row(station: Station, signal: str, gpio: int, direction: str, pull: str,
         active: str, boot: str, safe: str, part: str, also: str) -> Wire:  # fmt: skip
    boot_pull = "up" if pulled_up(gpio) else "down"
    return Wire(station.node, station.id, signal, gpio, PLACE_OF[gpio], direction, pull, boot_pull,
                active, boot, safe, "", part, also)  # fmt: skip


def _out(station: Station, signal: str, gpio: int, active_high: bool,
         words: tuple[str, str], part: str) -> Wire:  # fmt: skip
    on, off = words
    active, idle = ("high", "low") if active_high else ("low", "high")
    released = GROUND if active_high else V3
    also = "0 V" if part == "buzzer" else f"5 V, 0 V; 10 kΩ from its input to {released}"
    boot = on if pulled_up(gpio) == active_high else off
    return _row(station, signal, gpio, "out", "none", f"{active} = {on}", boot,
                f"{idle}: {off}", part, also)  # fmt: skip


def _sensor(station: Station, name: str, part: Sensor) -> Iterator[Wire]:
    read = "not read"
    match part:
        case Float():
            yield _row(station, name, part.pin, "in", "up", "open = tripped", read,
                       "open: tripped", _FLOATS[part.role], _LOOP)  # fmt: skip
        case Leak(wet_when="closed"):
            yield _row(station, name, part.pin, "in", "up", "closed = wet", read,
                       "a cut reads dry!", "leak probe", _LOOP)  # fmt: skip
        case Leak():
            yield _row(station, name, part.pin, "in", "up", "open = wet", read,
                       "open: wet", "leak probe", _LOOP)  # fmt: skip
        case Flow():
            yield _row(station, name, part.pin, "in", "up", "falling = pulse", read,
                       "no pulses: shut", "flow meter",
                       "its supply, 0 V; never 5 V on this wire")  # fmt: skip
        case Ds18b20():
            yield _row(station, "1-Wire", ONE_WIRE_PIN, "both", "4.7 kΩ up", NONE, read,
                       "no reading: shut", f"DS18B20 {name}",
                       "3.3 V, 0 V; 4.7 kΩ from data to 3.3 V")  # fmt: skip
        case Level():
            yield from _level(station, name, part)


def _level(station: Station, name: str, part: Level) -> Iterator[Wire]:
    chip, also = f"{part.converter} {name}", "3.3 V only, 0 V; the probe on its channel"
    lines = (
        ("SPI clock", part.clock_pin, "out", "none", NONE),
        ("SPI data out", part.mosi_pin, "out", "none", NONE),
        ("SPI data in", part.miso_pin, "in", "none", NONE),
        ("SPI select", part.select_pin, "out", "10 kΩ up", "low = selected"),
    )
    for signal, gpio, direction, pull, active in lines:
        yield _row(station, signal, gpio, direction, pull, active, "not read",
                   "no reading: shut", chip, also)  # fmt: skip


def plugs(config: Config, nodes: Iterable[str]) -> list[str]:
    """Return in words what is switched over the network, and so is on no pin."""
    return [
        f"{station.id}: the plug of the {name} is on no pin: it is switched over the network"
        for station in config.stations.values()
        if station.node in nodes
        for name in station.plugs
    ]


def text(rows: Iterable[Wire]) -> list[str]:
    """Return the wires of one node as two tables of at most 80 columns."""
    rows = tuple(rows)
    where: list[tuple[str, ...]] = [("signal", "GPIO", "pin", "dir", "wire", "part")]
    where += [
        (_cut(row.signal), NONE if row.gpio is None else str(row.gpio), str(row.place),
         row.direction, row.wire, row.part)
        for row in rows
    ]  # fmt: skip
    means: list[tuple[str, ...]] = [("signal", "active", "pull", "at power-on", "safe state")]
    means += [
        (_cut(row.signal), row.active, row.pull, f"{row.boot_pull}: {row.boot}", row.safe)
        for row in rows
        if row.gpio is not None
    ]
    return [*_columns(where), "", *_columns(means), "", *_also(rows)]


def _also(rows: Iterable[Wire]) -> Iterator[str]:
    """Yield what each part needs besides its wire, parts with the same needs together."""
    needs: dict[str, list[str]] = {}
    for row in rows:
        if row.also:
            needs.setdefault(row.also, []).append(row.signal)
    for also, signals in needs.items():
        yield from wrap(f"{', '.join(signals)}: also {also}", WIDTH, subsequent_indent="  ")


def _cut(signal: str) -> str:
    return signal if len(signal) <= SIGNAL_WIDTH else signal[: SIGNAL_WIDTH - 1] + "…"


def _columns(cells: list[tuple[str, ...]]) -> list[str]:
    """Return rows padded to columns; the last may be cut so that no line is wider than `WIDTH`."""
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    lines = []
    for number, row in enumerate(cells):
        line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        line = line.rstrip()
        lines.append(line if len(line) <= WIDTH else line[: WIDTH - 1] + "…")
        if number == 0:
            lines.append("  ".join("-" * width for width in widths)[:WIDTH])
    return lines


def markdown(rows: Iterable[Wire]) -> list[str]:
    """Return the wires of one node as a table for a page."""
    head = (
        *("signal", "GPIO", "place", "direction", "pull", "active", "at power-on"),
        *("safe state", "wire", "part"),
    )
    lines = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
    supplies: dict[str, list[Wire]] = {}
    for row in rows:
        if row.gpio is None:
            supplies.setdefault(row.signal, []).append(row)
            continue
        cells = (
            row.signal, str(row.gpio), str(row.place), row.direction, row.pull, row.active,
            f"{row.boot_pull}: {row.boot}", row.safe, row.wire, row.part,
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    for name, group in supplies.items():
        places = ", ".join(str(row.place) for row in group)
        blank = " | ".join((NONE,) * 4)
        lines.append(
            f"| {name} | {NONE} | {places} | supply | {blank} | {group[0].wire} | {group[0].part} |"
        )
    return lines


def by_signal(rows: Iterable[Wire]) -> Mapping[str, Wire]:
    """Return the rows of one node by their signal."""
    return {row.signal: row for row in rows}
