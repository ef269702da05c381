"""What the three roles say to one another over the link: plain frozen values, no encoding.

`link/` turns these into MQTT topics and payloads and back. The permit is a lease in the node's own
time: it quotes the newest node uptime the engine has seen (`as_of_s`), and it is good until
`as_of_s + ttl_s` on the node's clock. So no delay, queue, replay or retained copy can make it last
longer, and a permit proves that the engine heard this very boot of the node within the last
`ttl_s` seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from monitor.core.reading import Sample


class Way(StrEnum):
    """Which way the water goes: one relay and one guard each."""

    IN = "in"  # filling
    OUT = "out"  # draining


@dataclass(frozen=True, slots=True)
class ReadingPack:
    """One or more samples from a node. `uptime_s` is the node's monotonic clock when packed."""

    station: str
    node: str
    boot: str
    seq: int
    uptime_s: float
    samples: tuple[Sample, ...]
    valve_open: bool
    edge: bool = False  # sent because something changed (QoS 1), not because a second passed
    drain_open: bool = False  # the drain's relay, where there is one


@dataclass(frozen=True, slots=True)
class Permit:
    """The engine's leave for one node boot to hold one valve open a little longer."""

    station: str
    engine: str
    seq: int
    node_boot: str
    as_of_s: float
    ttl_s: float
    fill: str
    way: Way = Way.IN


@dataclass(frozen=True, slots=True)
class Withdraw:
    """The engine takes its permit back at once. `resumable` is True for a hold."""

    station: str
    engine: str
    seq: int
    node_boot: str
    fill: str
    cause: str
    resumable: bool
    way: Way = Way.IN


@dataclass(frozen=True, slots=True)
class GuardReport:
    """What the guard beside the valve has done, sent on every change and on (re)connection."""

    station: str
    node: str
    boot: str
    uptime_s: float
    valve_open: bool
    fill: str | None
    cause: str | None  # rule id of why the valve was last shut by the guard itself, if it was
    text: str = ""
    way: Way = Way.IN


@dataclass(frozen=True, slots=True)
class Presence:
    """A role is here or gone. Gone is published by the broker as the will of a lost connection."""

    station: str
    role: str  # "node", "engine" or "desk"
    boot: str
    online: bool
    simulated: bool = False  # on pins and water that are not there


@dataclass(frozen=True, slots=True)
class Request:
    """A person (or a program of theirs) asks the engine for something."""

    station: str
    id: str
    verb: str  # one of asks.VERBS
    by: str
    args: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reply:
    """The engine's answer to one request."""

    station: str
    id: str
    ok: bool
    text: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Status:
    """The engine's view of a station, for people; retained, so a late reader sees it at once."""

    station: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class AlarmNotice:
    """An alarm changed its state."""

    station: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class PlugOrder:
    """The engine switches a certified mains plug: `plug` is "heater" or "pump"."""

    station: str
    plug: str
    on: bool


@dataclass(frozen=True, slots=True)
class PlugState:
    """A plug says by itself whether it is on."""

    station: str
    plug: str
    on: bool


Message = (
    ReadingPack
    | Permit
    | Withdraw
    | GuardReport
    | Presence
    | Request
    | Reply
    | Status
    | AlarmNotice
    | PlugOrder
    | PlugState
)


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that arrived: `retained` is the broker's word that it is old."""

    message: Message
    retained: bool
    arrived_s: float
