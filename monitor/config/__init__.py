"""One TOML file becomes a frozen, checked config, and every problem in it is told at once.

Each table of the file is one pydantic model. They are read one by one, so that a mistake in one
never hides a mistake in another; what spans several tables is checked on the file as written, for
the same reason. Relative paths in a config count from the working folder.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from monitor.config.parts import (
    SENSOR_ID,
    STATION_ID,
    AnyVessel,
    BowFront,
    Box,
    Broker,
    Buzzer,
    Config,
    Cylinder,
    Drain,
    Ds18b20,
    Filter,
    Float,
    Flow,
    Hardware,
    Heater,
    Incoming,
    Journal,
    Leak,
    Level,
    Plug,
    Sensor,
    Site,
    Station,
    Table,
    Tank,
    Valve,
)
from monitor.config.reader import Reader
from monitor.errors import ConfigErrors, Problem

__all__ = [
    "SENSOR_ID",
    "STATION_ID",
    "AnyVessel",
    "BowFront",
    "Box",
    "Broker",
    "Buzzer",
    "Config",
    "Cylinder",
    "Drain",
    "Ds18b20",
    "Filter",
    "Float",
    "Flow",
    "Hardware",
    "Heater",
    "Incoming",
    "Journal",
    "Leak",
    "Level",
    "Plug",
    "Sensor",
    "Site",
    "Station",
    "Table",
    "Tank",
    "Valve",
    "check",
    "load",
    "loads",
]

FILE_MAX_BYTES = 256 * 1024


def load(path: Path | str) -> Config:
    """Read and check a config file.

    Raises:
        ConfigErrors: with every problem found, when there is one.
    """
    return _checked(*_read(Path(path)))


def loads(text: str, name: str = "config") -> Config:
    """Check a config given as text; `name` stands for the file in messages.

    Raises:
        ConfigErrors: with every problem found, when there is one.
    """
    return _checked(*_parse(text, name))


def check(path: Path | str) -> list[Problem]:
    """Return every problem of a config file; empty when it can be used."""
    try:
        load(path)
    except ConfigErrors as errors:
        return list(errors.problems)
    return []


def _refused(file: str, wrong: str, allowed: str, fix: str) -> ConfigErrors:
    """Return the error for a file that cannot be read as a whole."""
    return ConfigErrors((Problem(file, "", wrong, allowed, fix),))


def _read(path: Path) -> tuple[dict[str, Any], str]:
    """Return the tables of a file and its name."""
    file = str(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(FILE_MAX_BYTES + 1)
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise _refused(
            file, f"cannot be read: {reason}", "a TOML file", "give --config an existing file"
        ) from None
    try:
        text = content.decode()
    except UnicodeDecodeError:
        raise _refused(file, "is not UTF-8 text", "a TOML file", "save it as UTF-8") from None
    return _parse(text, file)


def _parse(text: str, file: str) -> tuple[dict[str, Any], str]:
    """Return the tables of a text and the name to use in messages."""
    if len(text) > FILE_MAX_BYTES:
        most = f"at most {FILE_MAX_BYTES // 1024} KiB"
        raise _refused(file, "is too long", most, "check that this is the right file")
    try:
        return tomllib.loads(text), file
    except (ValueError, RecursionError) as error:
        # A TOML error tells the line; a number of thousands of digits or a pile of brackets
        # raises the other two, whose text would not help.
        reason = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "nonsense value"
        raise _refused(file, f"is not valid TOML: {reason}", "", "correct that line") from None


def _checked(raw: dict[str, Any], file: str) -> Config:
    """Return the config, or raise all its problems."""
    reader = Reader(file)
    config = reader.config(raw)
    if reader.problems or config is None:
        raise ConfigErrors(tuple(reader.problems))
    return config
