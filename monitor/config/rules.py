"""What one table alone cannot tell: pins used twice, a band upside down, a mark above the rim.

Rules that span parts look at the file as written, not at the models, so that a mistake elsewhere
does not switch them off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeGuard, get_args

from monitor.config.broker import Finding
from monitor.config.header import LAST_PULLED_UP, RESERVED, pulled_up
from monitor.config.parts import (
    LAST_PIN,
    SPI_BUS,
    SPI_SELECTS,
    BowFront,
    FloatRole,
    Flow,
    Incoming,
    Level,
    Table,
    TempRole,
    Valve,
    Vessel,
)
from monitor.core.limits import LIMITS, Limits, refusal, relations, with_overrides
from monitor.core.units import S_PER_MIN

Raw = Mapping[str, Any]

FREEBOARD_M: Final = 0.01  # a wave or a learned overrun must not reach the rim
PULSES_MAX_HZ: Final = 1000.0  # a third of what the pin library was seen to count without loss
SHUT_KNOWN_S: Final = 15.0  # hazard: a valve that does not close must be told of by then

SPI_PINS: Final = (*SPI_SELECTS, *SPI_BUS)

_LETS: Final = {"valve": "open the valve", "drain": "let water out"}
_LINES: Final = ("clock_pin", "mosi_pin", "miso_pin", "select_pin")
_OTHER_ROLES: Final = [
    role for role in (*get_args(FloatRole), *get_args(TempRole)) if role not in ("high", "incoming")
]
_NEEDED: Final = {
    "float": ('kind = "float" with role = "high"', "nothing would see the water at its highest"),
    "leak": ('kind = "leak"', "water on the floor would go unseen"),
    "ds18b20": ('kind = "ds18b20" with role = "incoming"', "nobody would know how warm it runs"),
    "flow": ('kind = "flow"', "neither the end nor a failed valve could be told"),
}


@dataclass(frozen=True, slots=True)
class _Use:
    """One pin as the file uses it."""

    node: str
    pin: int
    key: str
    lets: str = ""  # what a relay on it would do at boot
    active_high: bool = True
    line: str = ""  # of a converter on SPI
    chip: tuple[object, ...] = ()  # which converter it is
    channel: object = None


def vessel_findings(vessel: Vessel) -> Iterator[Finding]:
    """Check the levels of a vessel against one another."""
    rim_m, capacity_l = getattr(vessel, "rim_m", 0.0), getattr(vessel, "capacity_l", 0.0)
    if isinstance(vessel, Table):
        pairs = zip(vessel.levels, vessel.levels[1:], strict=False)
        if not all(a[0] < b[0] and a[1] < b[1] for a, b in pairs):
            wrong = "the rows do not rise: each needs more metres and more litres than the last"
            yield Finding("levels", wrong, "rows in rising order", "sort the rows")
            return
    if isinstance(vessel, BowFront) and not vessel.bow_m <= vessel.length_m / 2:
        wrong = f"a front {vessel.length_m:g} m long cannot bulge by {vessel.bow_m:g} m"
        allowed = f"at most {vessel.length_m / 2:g} m, half of length_m"
        fix = "measure how much deeper the vessel is in the middle than at its sides"
        yield Finding("bow_m", wrong, allowed, fix)
        return
    highest_m = rim_m - FREEBOARD_M
    if vessel.mark_m > highest_m:
        wrong = f"the mark at {vessel.mark_m:g} m is not below the rim at {rim_m:g} m"
        allowed = f"at most {highest_m:g} m: {FREEBOARD_M:g} m below the rim"
        yield Finding("mark_m", wrong, allowed, "lower the mark")
    if vessel.start_m is not None and vessel.start_m >= vessel.mark_m:
        wrong = f"the start at {vessel.start_m:g} m is not below the mark"
        yield Finding("start_m", wrong, f"below {vessel.mark_m:g} m", "lower it, or take it out")
    if vessel.decor_l >= capacity_l:
        wrong = f"{vessel.decor_l:g} L of decor do not fit into {capacity_l:.0f} L"
        yield Finding(
            "decor_l", wrong, f"below {capacity_l:.0f} L", "correct the decor or the size"
        )


def incoming_findings(incoming: Incoming, limits: Limits) -> Iterator[Finding]:
    """Check that the band is the right way up and the scald limit above it."""
    if incoming.low_c >= incoming.high_c:
        wrong = (
            f"the band is upside down: low_c {incoming.low_c:g} °C, high_c {incoming.high_c:g} °C"
        )
        yield Finding("low_c", wrong, "low_c below high_c", "swap the two")
    if incoming.scald_c <= incoming.high_c:
        wrong = (
            f"the scald limit {incoming.scald_c:g} °C is not above high_c {incoming.high_c:g} °C"
        )
        yield Finding(
            "scald_c", wrong, f"above {incoming.high_c:g} °C", "raise scald_c, lower high_c"
        )
    if incoming.scald_c > limits.scald_max_c:
        wrong = f"{incoming.scald_c:g} °C is above the limit scald_max_c"
        yield Finding("scald_c", wrong, f"at most {limits.scald_max_c:g} °C", "lower it")


def closing_findings(valve: Valve, limits: Limits) -> Iterator[Finding]:
    """Check that a valve that does not close is told of in time, slow as it may be."""
    known_s = valve.closing_s + limits.shut_grace_s + limits.shut_flow_bound_s
    if known_s > SHUT_KNOWN_S:
        wrong = f"a valve that fails to close would be known only after {known_s:g} s"
        allowed = f"closing_s + shut_grace_s + shut_flow_bound_s at most {SHUT_KNOWN_S:g} s"
        yield Finding("closing_s", wrong, allowed, "fit a faster valve, or tighten the limits")


def limit_findings(values: Raw) -> Iterator[Finding]:
    """Check a config's own limits: a limit may move inside its hard range only."""
    numbers = {}
    for name, value in values.items():
        row = LIMITS[name]
        allowed = f"{row.low:g} to {row.high:g} {row.unit}, default {row.default:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            yield Finding(name, "is not a number", allowed, "write a number without its unit")
            continue
        numbers[name] = float(value)
        if reason := refusal(name, float(value)):
            fix = "choose a value in the hard range, or take the key out"
            yield Finding(name, reason, allowed, fix)
    for reason in relations(with_overrides(numbers)):
        yield Finding("", reason, "values that fit together", "change one of the two")


def needed_findings(sensors: Mapping[str, Raw]) -> Iterator[Finding]:
    """Check that each kind without which a fill is blind stands in the file at least once."""
    kinds = [
        table.get("kind")
        for table in sensors.values()
        # A float elsewhere is no float at the mark; a role that is none is told of by itself.
        if table.get("role") not in _OTHER_ROLES
    ]
    for kind, (told, why) in _NEEDED.items():
        if kind not in kinds:
            fix = f"add a [station.….sensor.…] table with {told}"
            yield Finding("", f'there is no sensor of kind "{kind}": {why}', "at least one", fix)


def flow_findings(meter: Flow) -> Iterator[Finding]:
    """Check that the meter's pulses can be counted at its highest flow."""
    fastest_hz = meter.pulses_per_litre * meter.max_lpm / S_PER_MIN
    if fastest_hz > PULSES_MAX_HZ:
        wrong = f"at max_lpm the meter would give {fastest_hz:.0f} pulses a second"
        allowed = f"at most {PULSES_MAX_HZ:g} a second"
        yield Finding("max_lpm", wrong, allowed, "lower max_lpm, or check the meter")


def site_findings(stations: Mapping[str, Raw], allow_reserved: tuple[int, ...]) -> list[Finding]:
    """Check what stations share: the pins of a node and the addresses on its 1-Wire bus."""
    uses = [use for name, table in stations.items() for use in _uses(name, table)]
    found = []
    for place, use in enumerate(uses):
        taken = {other.pin for other in uses if other.node == use.node}
        before = [u for u in uses[:place] if (u.node, u.pin) == (use.node, use.pin)]
        first = next((u for u in before if not _shared(u, use)), None)
        better = _better_pin(use, taken)
        if first is not None and _same_chip(first, use):
            wrong = f"this converter's channel is already used by station.{first.key}"
            fix = "use another channel, or another select_pin if it is another converter"
            found.append(Finding(use.key, wrong, "one probe for each channel", fix))
        elif first is not None:
            wrong = f"GPIO {use.pin} is already used by station.{first.key}"
            found.append(Finding(use.key, wrong, "one use for each pin of a node", better))
        kept = use.pin in RESERVED and not (use.line and use.pin in SPI_PINS)
        if kept and use.pin not in allow_reserved:
            wrong = f"GPIO {use.pin} is kept for {RESERVED[use.pin]}"
            allowed = "a pin that is not reserved, or one listed in hardware.allow_reserved"
            found.append(Finding(use.key, wrong, allowed, better))
        if use.lets and use.active_high == pulled_up(use.pin):
            found.append(_boot_finding(use, better))
    return found + _shared_addresses(stations)


def _boot_finding(use: _Use, better: str) -> Finding:
    level = "up" if pulled_up(use.pin) else "down"
    wrong = f"GPIO {use.pin} is pulled {level} at power-on, which would {use.lets} at boot"
    allowed = "active_high = true on GPIO 9 to 27, active_high = false on GPIO 0 to 8"
    return Finding(use.key, wrong, allowed, better)


def _uses(name: str, station: Raw) -> Iterator[_Use]:
    """Yield the pins of one station that can be told, whatever else is wrong with it."""
    node = station.get("node")
    node = node if isinstance(node, str) else f"{name[:27]}-node"
    sensors = station.get("sensor")
    parts = {key: station.get(key) for key in ("valve", "drain", "buzzer")}
    if isinstance(sensors, dict):
        parts |= {f"sensor.{sid}": sensor for sid, sensor in sensors.items()}
    for key, part in parts.items():
        if not isinstance(part, dict):
            continue
        if part.get("kind") == "level":
            yield from _converter_uses(node, f"{name}.{key}", part)
        elif _is_pin(pin := part.get("pin")):
            active_high = part.get("active_high", True) is not False
            yield _Use(node, pin, f"{name}.{key}.pin", _LETS.get(key, ""), active_high)


def _converter_uses(node: str, key: str, part: Raw) -> Iterator[_Use]:
    """Yield the four pins of a level probe's converter, those left out with their defaults."""
    pins = {line: part.get(line, Level.model_fields[line].default) for line in _LINES}
    chip = (part.get("converter"), part.get("reference_v"), *(repr(pin) for pin in pins.values()))
    channel = part.get("channel", Level.model_fields["channel"].default)
    for line, pin in pins.items():
        if _is_pin(pin):
            yield _Use(node, pin, f"{key}.{line}", line=line, chip=chip, channel=channel)


def _is_pin(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LAST_PIN


def _shared(one: _Use, other: _Use) -> bool:
    """Whether two uses of a pin go together: converters share a bus, but each has its select."""
    if not one.line or one.line != other.line:
        return False
    if one.line != "select_pin":
        return True
    return one.chip == other.chip and one.channel != other.channel


def _same_chip(one: _Use, other: _Use) -> bool:
    return bool(one.line) and one.line == other.line and one.chip == other.chip


def _better_pin(use: _Use, taken: set[int]) -> str:
    """Return a fix that names a free pin; for a relay, one that keeps it released at boot."""
    own = SPI_SELECTS if use.line == "select_pin" else ()
    for pin in (*own, *range(LAST_PULLED_UP + 1, LAST_PIN + 1), *range(LAST_PULLED_UP + 1)):
        fits = not use.lets or use.active_high != pulled_up(pin)
        if fits and pin not in taken and (pin in own or pin not in RESERVED):
            why = f", pulled {'up' if pulled_up(pin) else 'down'} at power-on" if use.lets else ""
            return f"use GPIO {pin}, which is free{why}"
    return "free another pin first"


def _shared_addresses(stations: Mapping[str, Raw]) -> list[Finding]:
    """Find thermometers that two sensors of one file claim: each has its own number for life."""
    first: dict[str, str] = {}
    found = []
    for name, station in stations.items():
        sensors = station.get("sensor")
        for sid, sensor in sensors.items() if isinstance(sensors, dict) else ():
            address = sensor.get("address") if isinstance(sensor, dict) else None
            if not isinstance(address, str):
                continue
            key = f"{name}.sensor.{sid}.address"
            if address in first:
                wrong = f"is already used by station.{first[address]}"
                fix = "read the other sensor's address below hardware.w1_root"
                found.append(Finding(key, wrong, "one sensor for each address", fix))
            first.setdefault(address, key)
    return found
