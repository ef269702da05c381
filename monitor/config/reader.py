"""Reads the tables of a config one by one and turns what is wrong into problems for people."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple, TypeVar, get_args

from pydantic import SecretStr, ValidationError

from monitor.config.broker import Finding, broker_address
from monitor.config.options import (
    drain_findings,
    filter_findings,
    level_findings,
    plug_findings,
    several_findings,
    station_findings,
    tank_findings,
    topic_findings,
)
from monitor.config.parts import (
    PLUGS,
    SENSOR_ID,
    SENSORS,
    SHAPES,
    STATION_ID,
    AnyVessel,
    Broker,
    Buzzer,
    Config,
    Desk,
    Drain,
    Filter,
    Flow,
    Hardware,
    Heater,
    Incoming,
    Journal,
    Level,
    Part,
    Plug,
    Sensor,
    Site,
    Station,
    Tank,
    Valve,
)
from monitor.config.rules import (
    closing_findings,
    flow_findings,
    incoming_findings,
    limit_findings,
    needed_findings,
    site_findings,
    vessel_findings,
)
from monitor.config.slips import slip
from monitor.core.limits import DEFAULTS, LIMITS, Limits, with_overrides
from monitor.errors import Problem

STATIONS_MAX = 16
SENSORS_MAX = 32
PROBLEMS_MAX = 200
SHOWN_MAX = 60

P = TypeVar("P", bound=Part)
Rules = Callable[[P], Iterable[Finding]]
Raw = Mapping[str, Any]

_TABLES = ("site", "broker", "journal", "hardware", "station")
STATION_KEYS = ("title", "node", "supply", "return_pump", "people_check", "desk")
_STATION_TABLES = (
    *("vessel", "valve", "buzzer", "sensor", "incoming", "drain", "heater", "plug", "tank"),
    *("filter", "limits"),
)


class _Form(NamedTuple):
    """What a word must look like, for the machine and for people."""

    pattern: str
    told: str


_ID = _Form(STATION_ID, "a to z, 0 to 9 and -, at most 32, not starting with -")
_SENSOR_ID = _Form(SENSOR_ID, "a to z, 0 to 9 and _, at most 24, starting with a letter")
_TITLE = _Form(r".{1,80}", "text of 1 to 80 characters")
_PLUG = _Form("|".join(PLUGS), " or ".join(f'"{name}"' for name in PLUGS))
_DESK = _Form("|".join(get_args(Desk)), ", ".join(f'"{word}"' for word in get_args(Desk)))


class Reader:
    """Reads one config. `problems` grows as it goes, up to a bound."""

    def __init__(self, file: str) -> None:
        """Start with no problem known; `file` is the name used in messages."""
        self.file = file
        self.problems: list[Problem] = []

    def config(self, raw: Raw) -> Config | None:
        """Return the config, or None when a part of it could not be read at all."""
        self._unknown(raw, _TABLES, "")
        site = self._part(Site, raw, "site")
        broker = self._broker(raw)
        journal = self._part(Journal, raw, "journal")
        hardware = self._part(Hardware, raw, "hardware")
        tables = self._named(raw, "station", "", _ID, STATIONS_MAX)
        stations = {name: self._station(name, table) for name, table in tables.items()}
        if not tables:
            fix = "add a [station.…] table for the vessel you fill"
            self._add("station", "there is no station", "at least one", fix)
        reserved = hardware.allow_reserved if hardware else ()
        self._findings("station", site_findings(tables, reserved))
        whole = {name: station for name, station in stations.items() if station}
        plugs = {
            f"{name}.plug.{which}": plug
            for name, station in whole.items()
            for which, plug in station.plugs.items()
        }
        self._findings("station", topic_findings(plugs))
        if not (site and broker and journal and hardware) or len(whole) < len(stations):
            return None
        return Config(self.file, site, broker, journal, hardware, whole)

    def _station(self, name: str, raw: Raw) -> Station | None:
        key = f"station.{name}"
        self._unknown(raw, (*STATION_KEYS, *_STATION_TABLES), key)
        vessel = self._vessel(raw, key)
        valve = self._required(Valve, raw, "valve", key, "without a valve nothing can be closed")
        tables = self._named(raw, "sensor", key, _SENSOR_ID, SENSORS_MAX)
        sensors = {sid: self._sensor(sid, table, key) for sid, table in tables.items()}
        self._findings(f"{key}.sensor", (*needed_findings(tables), *several_findings(sensors)))
        why = "without a band no temperature can be called wrong"
        incoming = self._required(Incoming, raw, "incoming", key, why)
        limits = self._limits(raw, key)
        if incoming:
            self._findings(f"{key}.incoming", incoming_findings(incoming, limits))
        if valve:
            self._findings(f"{key}.valve", closing_findings(valve, limits))
        count = len(self.problems)
        drain = self._optional(Drain, raw, "drain", key)
        if drain:
            self._findings(f"{key}.drain", drain_findings(drain, vessel))
        options = self._options(name, raw, key)
        options_good = len(self.problems) == count
        fitted = {sid: sensor for sid, sensor in sensors.items() if sensor}
        if not (vessel and valve and incoming) or len(fitted) < len(sensors):
            return None
        station = Station(
            id=name,
            vessel=vessel,
            valve=valve,
            sensors=fitted,
            incoming=incoming,
            limits=limits,
            drain=drain,
            **options,
        )
        if options_good:  # a part that could not be read is not a part that is missing
            self._findings(key, station_findings(station))
        return station

    def _options(self, name: str, raw: Raw, key: str) -> dict[str, Any]:
        """Return the fields of a station that the file may leave out, by their names."""
        plugs = self._named(raw, "plug", key, _PLUG, SENSORS_MAX)
        models = {which: self._plug(table, f"{key}.plug.{which}") for which, table in plugs.items()}
        return {
            "title": self._word(raw, "title", key, name, _TITLE),
            "node": self._word(raw, "node", key, f"{name[:27]}-node", _ID),
            "supply": self._word(raw, "supply", key, "mains", _ID),
            "desk": self._word(raw, "desk", key, "ignore", _DESK),
            "return_pump": self._switch(raw, "return_pump", key, default=True),
            "people_check": self._switch(raw, "people_check", key, default=False),
            "buzzer": self._optional(Buzzer, raw, "buzzer", key),
            "heater": self._optional(Heater, raw, "heater", key),
            "tank": self._optional(Tank, raw, "tank", key, tank_findings),
            "filter": self._optional(Filter, raw, "filter", key, filter_findings),
            "plugs": {which: plug for which, plug in models.items() if plug},
        }

    def _vessel(self, raw: Raw, key: str) -> AnyVessel | None:
        table = self._table(raw, "vessel", key)
        if "vessel" not in raw:
            self._missing_table(f"{key}.vessel", "without its shape no level or volume is known")
            return None
        where = f"{key}.vessel"
        model = self._choice(SHAPES, table.get("shape", "box"), f"{where}.shape")
        vessel = self._model(model, table, where) if model else None
        if vessel:
            self._findings(where, vessel_findings(vessel))
        return vessel

    def _sensor(self, name: str, raw: Raw, key: str) -> Sensor | None:
        where = f"{key}.sensor.{name}"
        model = self._choice(SENSORS, raw.get("kind"), f"{where}.kind")
        sensor: Sensor | None = self._model(model, raw, where) if model else None
        if isinstance(sensor, Flow):
            self._findings(where, flow_findings(sensor))
        if isinstance(sensor, Level):
            self._findings(where, level_findings(sensor))
        return sensor

    def _plug(self, raw: Raw, key: str) -> Plug | None:
        plug = self._model(Plug, raw, key)
        if plug:
            self._findings(key, plug_findings(plug))
        return plug

    def _broker(self, raw: Raw) -> Broker | None:
        broker = self._part(Broker, raw, "broker")
        if broker is None:
            return None
        table = self._table(raw, "broker", "", quiet=True)
        address, found = broker_address(broker, port_given="port" in table)
        self._findings("broker", found)
        return broker.model_copy(update={"url": SecretStr(address)})

    def _limits(self, raw: Raw, key: str) -> Limits:
        table = self._table(raw, "limits", key)
        self._unknown(table, tuple(LIMITS), f"{key}.limits")
        known = {name: value for name, value in table.items() if name in LIMITS}
        self._findings(f"{key}.limits", limit_findings(known))
        if any(isinstance(v, bool) or not isinstance(v, int | float) for v in known.values()):
            return DEFAULTS
        return with_overrides(known)

    # --- the small tools that the tables above are read with ---

    def _add(self, key: str, wrong: str, allowed: str, fix: str) -> None:
        if len(self.problems) < PROBLEMS_MAX:
            self.problems.append(Problem(self.file, key, wrong, allowed, fix))

    def _findings(self, key: str, findings: Iterable[Finding]) -> None:
        for found in findings:
            self._add(f"{key}.{found.key}" if found.key else key, *found[1:])

    def _missing_table(self, key: str, why: str) -> None:
        self._add(key, f"the table [{key}] is missing: {why}", "", f"add [{key}]")

    def _table(self, raw: Raw, name: str, key: str, *, quiet: bool = False) -> Raw:
        """Return a sub-table, or an empty one where there is none or it is no table."""
        value = raw.get(name, {})
        if isinstance(value, dict):
            return value
        if not quiet:
            where = f"{key}.{name}".lstrip(".")
            self._add(where, f"{shown(value)} is not a table", f"[{where}]", "make it a table")
        return {}

    def _named(self, raw: Raw, name: str, key: str, form: _Form, most: int) -> dict[str, Raw]:
        """Return the tables below a table of names, such as `[station.river]` below `station`."""
        tables = self._table(raw, name, key)
        where = f"{key}.{name}".lstrip(".")
        if len(tables) > most:
            self._add(where, f"there are {len(tables)}", f"at most {most}", "take some out")
        good: dict[str, Raw] = {}
        for each in list(tables)[:most]:
            if not re.fullmatch(form.pattern, each):
                shortened = f"{where}.{each[:SHOWN_MAX]}"
                self._add(shortened, "is not a usable name", form.told, "rename it")
            good[each] = self._table(tables, each, where)
        return good

    def _word(self, raw: Raw, name: str, key: str, default: str, form: _Form) -> str:
        value = raw.get(name, default)
        if isinstance(value, str) and re.fullmatch(form.pattern, value):
            return value
        self._add(f"{key}.{name}", f"{shown(value)} is not usable", form.told, "choose another")
        return default

    def _switch(self, raw: Raw, name: str, key: str, *, default: bool) -> bool:
        value = raw.get(name, default)
        if isinstance(value, bool):
            return value
        self._add(f"{key}.{name}", f"{shown(value)} is not usable", "true or false", "choose one")
        return default

    def _unknown(self, raw: Raw, known: tuple[str, ...], key: str) -> None:
        for name in raw:
            if name in known:
                continue
            close = difflib.get_close_matches(name, known, n=1)
            fix = f"did you mean {close[0]}?" if close else "take it out"
            # Its value is never shown: a mistyped `password` would end up on the screen.
            where = f"{key}.{name[:SHOWN_MAX]}".lstrip(".")
            self._add(where, "is not a known key", ", ".join(known), fix)

    def _choice(self, models: Mapping[str, type[Any]], value: object, key: str) -> type[Any] | None:
        if isinstance(value, str) and value in models:
            return models[value]
        allowed = ", ".join(f'"{each}"' for each in models)
        if value is None:
            self._add(key, "is missing", allowed, "add it")
            return None
        close = difflib.get_close_matches(str(value)[:SHOWN_MAX], models, n=1)
        fix = f'did you mean "{close[0]}"?' if close else "choose one of these"
        self._add(key, f"{shown(value)} is not known", allowed, fix)
        return None

    def _required(self, model: type[P], raw: Raw, name: str, key: str, why: str) -> P | None:
        if name not in raw:
            self._missing_table(f"{key}.{name}", why)
            return None
        return self._part(model, raw, name, key)

    def _optional(
        self, model: type[P], raw: Raw, name: str, key: str, rules: Rules[P] | None = None
    ) -> P | None:
        """Read one table if it is in the file."""
        part = self._part(model, raw, name, key) if name in raw else None
        if part and rules:
            self._findings(f"{key}.{name}", rules(part))
        return part

    def _part(self, model: type[P], raw: Raw, name: str, key: str = "") -> P | None:
        """Read one table, which counts as empty when it is not in the file."""
        count = len(self.problems)
        table = self._table(raw, name, key)
        if len(self.problems) > count:
            return None
        return self._model(model, table, f"{key}.{name}".lstrip("."))

    def _model(self, model: type[P], raw: Raw, key: str) -> P | None:
        known = tuple(model.model_fields)
        self._unknown(raw, known, key)
        try:
            return model.model_validate({name: raw[name] for name in raw if name in known})
        except ValidationError as errors:
            told: set[str] = set()
            for error in errors.errors(include_url=False):
                name = str(error["loc"][0])
                if name not in told:  # a list with ten wrong rows is one problem
                    told.add(name)
                    self._add(f"{key}.{name}", *_explained(model, name, raw))
        return None


def _explained(model: type[Part], name: str, raw: Raw) -> tuple[str, str, str]:
    """Return what is wrong with one field, what is allowed, and the fix."""
    field = model.model_fields[name]
    allowed = field.description or ""
    if name not in raw:
        return "is missing", allowed, f"add {name}"
    if field.annotation is SecretStr:
        return "is not usable", allowed, "correct it"
    value = raw[name]
    return f"{shown(value)} is not allowed", allowed, slip(name, value, field.metadata)


def shown(value: object) -> str:
    """Return a value as TOML would write it, bounded in length."""
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    return text if len(text) <= SHOWN_MAX else f"{text[: SHOWN_MAX - 1]}…"
