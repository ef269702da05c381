"""Reading packs as SenML (RFC 8428), the open format for sensor measurements in JSON.

Every record of a pack is named under the base name `brimwatch:<station>:<node>:`:

    boot  seq  uptime  valve  edge       who speaks, and the node's clock when it packed
    drain                                water is let out; left unsaid while it is not
    float/<sensor>  leak/<sensor>        true is high, or wet
    temperature/<sensor>                 Cel
    level/<sensor>                       m
    flow/<sensor>                        m3/s, the unit SenML has
    flow/<sensor>/count                  pulses since the driver started
    <kind>/<sensor>/fault                why there is no value

A sample's time is its age, as a negative number of seconds: SenML reads times below 2^28 as
relative to "now" (section 4.5.3), and "now" is the record `uptime`. So no wall clock is needed.

Names of the `urn:dev:ops:` kind (RFC 9039) need an enterprise number we do not have, so ours is a
plain name in SenML's own character set (section 4.5.1).
"""

from __future__ import annotations

import binascii
import re
from base64 import urlsafe_b64decode
from collections.abc import Iterator
from functools import lru_cache
from sys import float_info
from typing import Any, Final, NamedTuple

from monitor.core.exchange import ReadingPack
from monitor.core.reading import Fault, Kind, Sample
from monitor.core.units import lpm_from_m3s, m3s_from_lpm
from monitor.link.text import MAX_INT, MAX_TOKEN, MalformedError, dump_json, parse_json
from monitor.link.topics import checked_id

VERSION: Final = 10  # RFC 8428 section 4.1, the default and the newest
ABSOLUTE_FROM_S: Final = 2.0**28  # RFC 8428 section 4.5.3
MAX_RECORDS: Final = 64
MAX_TEXT: Final = 256
MAX_NAMES: Final = 1024  # names remembered: the same few come every second
MAX_DOUBLE: Final = float_info.max
TIME_DIGITS: Final = 6  # a microsecond: ages come back as they went, whatever the uptime
FLOW_DIGITS: Final = 9  # a nanolitre a minute: a flow survives the change of unit and back

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]{0,255}")  # RFC 8428 section 4.5.1
_SENSOR: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")
_NUMBERS: Final = frozenset({"bt", "bv", "bs", "v", "s", "t", "ut"})
_TEXTS: Final = frozenset({"bn", "bu", "n", "u", "vs", "vd"})
_BASES: Final = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
_VALUES: Final = ("v", "vb", "vs", "vd")
_UNITS: Final = {
    Kind.FLOAT: None,
    Kind.LEAK: None,
    Kind.TEMPERATURE: "Cel",
    Kind.FLOW: "m3/s",
    Kind.LEVEL: "m",
}
_KINDS: Final = {str(kind): (kind, unit) for kind, unit in _UNITS.items()}
_FAULTS: Final = {str(fault): fault for fault in Fault}
_FLOW: Final = Kind.FLOW  # looked up for every record
_VALUE_TYPES: Final = {True: (bool,), False: (float, int)}  # without a unit, with one
_HEADER_UNITS: Final = {
    "boot": None,
    "seq": None,
    "uptime": "s",
    "valve": None,
    "edge": None,
    "drain": None,
}


class Record(NamedTuple):
    """One SenML record with its pack's base fields applied.

    `time_s` below 2^28 is relative to now, from there on seconds since 1970-01-01 UTC. `value` is
    None when the record has only a sum.
    """

    name: str
    unit: str | None
    time_s: float
    value: Any  # float, bool, str, bytes or None
    sum: float | None = None
    update_s: float | None = None


def resolve(payload: bytes, *, now_s: float, where: str = "SenML pack") -> tuple[Record, ...]:
    """Return any SenML pack in resolved form (RFC 8428 section 4.6): base fields applied, relative
    times made absolute with `now_s` (seconds since 1970-01-01 UTC), in order of time.

    Raises:
        MalformedError: not a pack, or one with more than 64 records or 64 KiB.
    """
    made = [
        record
        if record.time_s >= ABSOLUTE_FROM_S
        else record._replace(time_s=now_s + record.time_s)
        for record in _records(parse_json(payload, where), where)
    ]
    return tuple(sorted(made, key=lambda record: record.time_s))


def encode_pack(pack: ReadingPack) -> bytes:
    """Return a reading pack as SenML JSON.

    Raises:
        MalformedError: an id, a number or a sample that the format cannot carry.
    """
    where = "ReadingPack"
    station = checked_id(pack.station, "station", where)
    node = checked_id(pack.node, "node", where)
    if not 0 < len(pack.boot) <= MAX_TOKEN or not 0 <= pack.seq <= MAX_INT:
        raise MalformedError(f"boot {pack.boot!r:.60} or seq {pack.seq}", where=where)
    if not 0.0 <= pack.uptime_s < ABSOLUTE_FROM_S:
        raise MalformedError(f"uptime of {pack.uptime_s} s", where=where, allowed="0 to 2^28 s")
    records: list[dict[str, Any]] = [
        {"bn": f"brimwatch:{station}:{node}:", "n": "boot", "vs": pack.boot},
        {"n": "seq", "v": pack.seq},
        {"n": "uptime", "u": "s", "v": pack.uptime_s},
        {"n": "valve", "vb": bool(pack.valve_open)},
        {"n": "edge", "vb": bool(pack.edge)},
    ]
    if pack.drain_open:
        records.append({"n": "drain", "vb": True})
    for sample in pack.samples:
        _append_sample(records, sample, pack.uptime_s)
    if len(records) > MAX_RECORDS:
        raise MalformedError(f"{len(records)} records", where=where, allowed=f"{MAX_RECORDS}")
    return dump_json(records, where)


def _append_sample(records: list[dict[str, Any]], sample: Sample, uptime_s: float) -> None:
    where = f"sensor {sample.sensor!r:.40}"
    if not _SENSOR.fullmatch(sample.sensor):
        raise MalformedError("bad sensor id", where=where, allowed=_SENSOR.pattern)
    if (sample.value is None) == (sample.fault is None):
        raise MalformedError("a sample has a value or a fault, never both or neither", where=where)
    name = f"{sample.kind}/{sample.sensor}"
    # A sample cannot be younger than the pack; a stamp ahead by a hair is taken as "now".
    age_s = min(round(sample.at_s - uptime_s, TIME_DIGITS), 0.0)
    if sample.fault is not None:
        records.append({"n": f"{name}/fault", "t": age_s, "vs": str(sample.fault)})
    elif sample.kind is Kind.FLOAT or sample.kind is Kind.LEAK:
        # Anything but a clean 0 counts as high or wet, the side that shuts.
        records.append({"n": name, "t": age_s, "vb": sample.value != 0.0})
    else:
        value = sample.value or 0.0
        if sample.kind is Kind.FLOW:
            value = m3s_from_lpm(value)
        records.append({"n": name, "u": _UNITS[sample.kind], "t": age_s, "v": value})
    if sample.count is not None:
        records.append({"n": f"{name}/count", "u": "count", "t": age_s, "v": sample.count})


class _Found(NamedTuple):
    """What a pack says of one sensor, before the pack's own time is known."""

    kind: Kind
    age_s: float
    value: float | None
    fault: Fault | None


def decode_pack(payload: bytes, station: str) -> ReadingPack:
    """Return the reading pack of a SenML payload that arrived for `station`.

    Raises:
        MalformedError: not a pack of ours.
    """
    where = f"readings of {station}"
    head: dict[str, Any] = {}
    found: dict[str, _Found] = {}
    counts: dict[str, int] = {}
    node = prefix = ""
    for record in _records(parse_json(payload, where), where):
        if not prefix:
            node = record.name.removeprefix(f"brimwatch:{station}:").partition(":")[0]
            prefix = f"brimwatch:{station}:{checked_id(node, 'node', where)}:"
        if not record.name.startswith(prefix):
            raise MalformedError(f"a record named {record.name:.80}", where=where, allowed=prefix)
        name = record.name[len(prefix) :]
        if name not in _HEADER_UNITS:
            _take(record, name, found, counts, where)
        elif name in head or record.unit != _HEADER_UNITS[name] or record.time_s != 0.0:
            raise MalformedError(f"bad record {name}", where=where)
        else:
            head[name] = record.value
    boot, seq, uptime_s, valve, edge, drain = _checked_head(head, where)
    if not counts.keys() <= {sensor for sensor, item in found.items() if item.kind is _FLOW}:
        raise MalformedError("a count without its flow", where=where)
    samples = tuple(
        Sample(
            sensor,
            item.kind,
            round(uptime_s + item.age_s, TIME_DIGITS),
            item.value,
            item.fault,
            counts.get(sensor),
        )
        for sensor, item in found.items()
    )
    return ReadingPack(station, node, boot, seq, uptime_s, samples, valve, edge, drain)


def _take(
    record: Record, name: str, found: dict[str, _Found], counts: dict[str, int], where: str
) -> None:
    """Sort one record of a sensor into `found` or into `counts`."""
    read = _read_name(name)
    if read is None:
        raise MalformedError(f"unknown record {name:.60}", where=where)
    kind, kind_unit, sensor, part = read
    if sensor in (counts if part == "count" else found):
        raise MalformedError(f"sensor {sensor} is given twice", where=where)
    age_s, value, unit = record.time_s, record.value, record.unit
    if not -ABSOLUTE_FROM_S < age_s <= 0.0:
        raise MalformedError(f"{name} has time {age_s}", where=where, allowed="an age ≤ 0")
    if not part and unit == kind_unit and type(value) in _VALUE_TYPES[unit is None]:
        number = float(value)
        if kind is _FLOW:
            number = round(lpm_from_m3s(number), FLOW_DIGITS)
        found[sensor] = _Found(kind, age_s, number, None)
    elif part == "count" and unit == "count" and type(value) is int and 0 <= value <= MAX_INT:
        counts[sensor] = value
    elif part == "fault" and unit is None and isinstance(value, str) and value in _FAULTS:
        found[sensor] = _Found(kind, age_s, None, _FAULTS[value])
    else:
        raise MalformedError(f"bad value or unit of {name}", where=where)


@lru_cache(maxsize=MAX_NAMES)
def _read_name(name: str) -> tuple[Kind, str | None, str, str] | None:
    """Return kind, unit, sensor and part of `<kind>/<sensor>[/<part>]`, or None."""
    kind_name, _, rest = name.partition("/")
    sensor, _, part = rest.partition("/")
    if kind_name not in _KINDS or not _SENSOR.fullmatch(sensor):
        return None
    return (*_KINDS[kind_name], sensor, part)


def _checked_head(head: dict[str, Any], where: str) -> tuple[str, int, float, bool, bool, bool]:
    """Return boot, seq, uptime, valve, edge and drain, each of its own type and in its range."""
    boot, seq, uptime = head.get("boot"), head.get("seq"), head.get("uptime")
    valve, edge, drain = head.get("valve"), head.get("edge"), head.get("drain", False)
    if (
        isinstance(boot, str)
        and 0 < len(boot) <= MAX_TOKEN
        and type(seq) is int
        and 0 <= seq <= MAX_INT
        and (type(uptime) is float or type(uptime) is int)
        and 0.0 <= uptime < ABSOLUTE_FROM_S
        and type(valve) is bool
        and type(edge) is bool
        and type(drain) is bool
    ):
        return boot, seq, float(uptime), valve, edge, drain
    allowed = ", ".join(_HEADER_UNITS)
    raise MalformedError("the head of the pack is not complete", where=where, allowed=allowed)


def _records(pack: Any, where: str) -> Iterator[Record]:
    """Yield a pack's records with the base fields applied, in the order they were written."""
    if not isinstance(pack, list) or not 0 < len(pack) <= MAX_RECORDS:
        allowed = f"a list of 1 to {MAX_RECORDS} records"
        raise MalformedError("not a pack", where=where, allowed=allowed)
    base: dict[str, Any] = {}
    version: int | None = None
    seen: set[tuple[str, str | None, float]] = set()
    for fields in pack:
        if not isinstance(fields, dict):
            raise MalformedError("a record that is not an object", where=where)
        has_own = _checked_fields(fields, base, where)
        version = version or fields.get("bver", VERSION)
        if fields.get("bver", version) != version:
            raise MalformedError("records of two versions", where=where)
        if not has_own:
            continue  # base fields alone are no measurement (RFC 8428 section 5.1.7)
        record = _applied(fields, base, where)
        # Name and time tell measurements apart, and the RFC's own examples add the unit.
        key = record[:3]
        if key in seen:
            raise MalformedError(f"{record.name:.60} is given twice for one time", where=where)
        seen.add(key)
        yield record


def _checked_fields(fields: dict[str, Any], base: dict[str, Any], where: str) -> bool:
    """Check the type of every field, take the base fields over into `base`, and return whether
    the record has fields of its own.
    """
    has_own = False
    for label, value in fields.items():
        if label in _TEXTS:
            good = type(value) is str and len(value) <= MAX_TEXT and _encodable(value)
        elif label in _NUMBERS:
            good = (type(value) is float or type(value) is int) and _finite(value)
        elif label == "vb":
            good = type(value) is bool
        elif label == "bver":
            good = type(value) is int and 0 < value <= VERSION
        else:
            good = not label.endswith("_")  # RFC 8428 section 4.4: must be understood
        if not good:
            shown = f"field {label!r:.40} with the value {value!r:.60}"
            raise MalformedError(f"cannot take {shown}", where=where, allowed="RFC 8428 table 1")
        if label in _BASES:
            base[label] = value
        else:
            has_own = True
    return has_own


def _finite(number: float) -> bool:
    """Whether a number is in the range of a double: JSON can spell 1e999, and any long integer."""
    return -MAX_DOUBLE <= number <= MAX_DOUBLE


def _encodable(text: str) -> bool:
    """Whether the text has no lone surrogate, which JSON can spell and UTF-8 cannot."""
    if text.isascii():
        return True
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _applied(fields: dict[str, Any], base: dict[str, Any], where: str) -> Record:
    """Return a record with the base fields in force applied (RFC 8428 sections 4.1 and 4.5)."""
    name = base.get("bn", "") + fields.get("n", "")
    if not _is_name(name):
        raise MalformedError(f"bad name {name!r:.60}", where=where, allowed=_NAME.pattern)
    value: Any = None
    given = 0
    for label in _VALUES:
        if label in fields:
            value = fields[label]
            given += 1
    total = fields.get("s")
    if given > 1 or (not given and total is None and "bs" not in base):
        raise MalformedError(f"{name:.60} needs exactly one value", where=where)
    time_s = fields.get("t", 0.0)
    if "bt" in base:
        time_s = _added(base["bt"], time_s, name, where)
    if "bs" in base:
        total = _added(base["bs"], total or 0.0, name, where)
    if "v" in fields and "bv" in base:
        value = _added(base["bv"], value, name, where)
    elif "vd" in fields:
        value = _data(fields["vd"], where)
    return Record(name, fields.get("u", base.get("bu")), time_s, value, total, fields.get("ut"))


@lru_cache(maxsize=MAX_NAMES)
def _is_name(name: str) -> bool:
    return _NAME.fullmatch(name) is not None


def _added(base: float, own: float, name: str, where: str) -> float:
    total = base + own
    if not _finite(total):  # two finite numbers may still add up to one that is not
        raise MalformedError(f"{name:.60} adds up to {total}", where=where)
    return total


def _data(text: str, where: str) -> bytes:
    """Return the octets of base64 with the URL-safe alphabet and no padding (RFC 8428 table 1)."""
    try:
        if re.search(r"[^A-Za-z0-9_-]", text):
            raise ValueError("an octet outside the alphabet")
        return urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (ValueError, binascii.Error) as error:
        raise MalformedError(f"bad data value: {error}", where=where) from None
