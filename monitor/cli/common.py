"""What the commands share: the config, the station, JSON, and plain words for a status."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import click

from monitor.config import Config, load, loads
from monitor.config.parts import Station
from monitor.core.units import S_PER_MIN
from monitor.errors import ConfigError

F = TypeVar("F", bound=Callable[..., Any])
PLACES = (Path("brimwatch.toml"), Path("/etc/brimwatch/brimwatch.toml"))
VARIABLE = "BRIMWATCH_CONFIG"
SIMULATION = "SIMULATION"


def with_config(command: F) -> F:
    """Give a command the option --config."""
    return click.option(
        "--config",
        "config_path",
        type=click.Path(dir_okay=False),
        help=f"The config file. Without it: ${VARIABLE}, ./brimwatch.toml, "
        "/etc/brimwatch/brimwatch.toml, and last the invented museum tank.",
    )(command)


def with_station(command: F) -> F:
    """Give a command an optional station to work on."""
    return click.argument("station", required=False)(command)


def with_json(command: F) -> F:
    """Give a command the option --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON, one object a line.")(
        command
    )


def sample_text() -> str:
    """Return the invented museum tank's config."""
    return files("monitor.simulate").joinpath("river.toml").read_text(encoding="utf-8")


def find_config(path: str | None, *, sample: bool = True) -> tuple[Config, str]:
    """Return the config in force and its text.

    Raises:
        ConfigErrors: it has problems.
        ConfigError: there is none, and the invented one will not do.
    """
    chosen = path or os.environ.get(VARIABLE)
    places = [Path(chosen)] if chosen else [place for place in PLACES if place.is_file()]
    if places:
        config = load(places[0])
        return config, places[0].read_text(encoding="utf-8")
    if sample:
        text = sample_text()
        return loads(text, "the invented museum tank"), text
    raise ConfigError(
        "there is no config",
        allowed=f"--config FILE, ${VARIABLE}, or one of {', '.join(map(str, PLACES))}",
        fix="copy monitor/simulate/river.toml and change it to your tank",
    )


def pick(config: Config, name: str | None) -> Station:
    """Return the station meant: the named one, or the only one.

    Raises:
        ConfigError: there is none of that name, or none was named and there are several.
    """
    known = ", ".join(config.stations)
    if name is None:
        if len(config.stations) == 1:
            return next(iter(config.stations.values()))
        raise ConfigError("which station?", where=config.file, allowed=known, fix="name one")
    if name not in config.stations:
        raise ConfigError(f"there is no station {name!r}", where=config.file, allowed=known)
    return config.stations[name]


def emit(data: Mapping[str, Any]) -> None:
    """Print one JSON object on a line of its own."""
    click.echo(json.dumps(data, ensure_ascii=False, allow_nan=False))


def mark(text: str, data: Mapping[str, Any]) -> str:
    """Put the word in front that says that it is not real, where it is not."""
    return f"{SIMULATION} {text}" if data.get("simulated") else text


def status_lines(station: str, data: Mapping[str, Any]) -> list[str]:
    """Return a status as a person reads it."""
    lines = [mark(f"{station}: {data.get('sentence', '')}", data)]
    for alarm in data.get("alarms", ()):
        seen = f", acknowledged by {alarm['acked_by']}" if alarm.get("acked_by") else ""
        lines.append(f"  ALARM {alarm['id']} ({alarm['severity']}{seen}): {alarm['message']}")
        lines.append(f"    cause: {alarm['cause']}")
        lines.append(f"    do:    {alarm['todo']}")
    lines += [f"  {_aside(alarm)}" for alarm in data.get("set_aside", ())]
    for name, sensor in data.get("sensors", {}).items():
        lines.append(f"  {name:<14} {_sensor(sensor)}")
    lines += [f"  {_calibration(each)}" for each in data.get("calibrations", ())]
    if data.get("record"):
        lines.append(f"  record: {data['record']}")
    return lines


_ASIDE = {"G": "shelved", "H": "quiet by design for now", "I": "out of service"}


def _aside(alarm: Mapping[str, Any]) -> str:
    """Return an alarm that is set aside as a person reads it."""
    words = f"{alarm['key']}: {_ASIDE.get(str(alarm['state']), 'set aside')}"
    if alarm.get("for_s"):
        words += f" for {alarm['for_s'] / S_PER_MIN:.0f} min more"
    by, why = alarm.get("by"), alarm.get("why")
    return words + (f", by {by}: {why}" if by else "")


_CALIBRATIONS = {
    "flow": "{value:.1f} pulses/L, ±{percent:.1f} %",
    "level": "{scale:.4f} × its reading {value:+.4f} m, ±{uncertainty:.4f} m",
    "temperature": "{value:+.2f} °C, ±{uncertainty:.2f} °C",
}


def _calibration(told: Mapping[str, Any]) -> str:
    """Return a calibration as a person reads it."""
    shown = _CALIBRATIONS[told["what"]].format(**told, percent=told["uncertainty"] * 100)
    text = f"{told['part']}: measured {told['on']} by {told['by']}: {shown}"
    return f"{text}; NOT USED: {told['unused']}" if told.get("unused") else text


_UNITS = {"temperature": "°C", "flow": "L/min", "level": "m"}
_WORDS = {"float": ("low", "HIGH"), "leak": ("dry", "WET")}


def _sensor(sensor: Mapping[str, Any]) -> str:
    kind, value, age_s = sensor.get("kind"), sensor.get("value"), sensor.get("age_s")
    if value is None:
        return f"no reading ({sensor.get('fault') or 'too old'})"
    if kind in _WORDS:
        shown = _WORDS[kind][int(value > 0)]
    else:
        shown = f"{value:.1f} {_UNITS.get(str(kind), '')}"
    return f"{shown}, {age_s:.0f} s ago" if age_s is not None else shown
