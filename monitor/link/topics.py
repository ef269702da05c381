"""Which topic, which quality of service and whether retained: one table for every message.

brimwatch/v1/<station>/readings          a node's samples (SenML)
brimwatch/v1/<station>/permit            the engine's leave to hold the valve open
brimwatch/v1/<station>/withdraw          the end of it
brimwatch/v1/<station>/guard             what the guard beside the valve has done
brimwatch/v1/<station>/guard/out         what the guard beside the drain has done
brimwatch/v1/<station>/presence/<role>   a role is here or gone
brimwatch/v1/<station>/request           a person asks
brimwatch/v1/<station>/reply/<id>        the engine answers that one request
brimwatch/v1/<station>/status            the engine's view, for people
brimwatch/v1/<station>/alarm             an alarm changed its state

Permits and withdrawals of both ways share a topic, as only the engine may write there. Mains plugs
have topics of the user's own choice: see plugs.py.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Message,
    Permit,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
    Way,
    Withdraw,
)
from monitor.link.text import MalformedError

ROOT: Final = "brimwatch/v1"
ID_RULE: Final = "[a-z0-9][a-z0-9-]{0,31}"
_ID: Final = re.compile(ID_RULE)


@dataclass(frozen=True, slots=True)
class Route:
    """Where a type of message goes. `tail` names the field that ends the topic, if one does: any id
    where `tails` is empty, else one of `tails`, the first of which is left away.
    """

    level: str
    qos: int
    retain: bool = False
    tail: str | None = None
    tails: tuple[str, ...] = ()


ROUTES: Final[Mapping[type[Message], Route]] = {
    # A lost periodic pack is made good by the next one; a pack sent for an edge goes with QoS 1.
    ReadingPack: Route("readings", 0),
    # A late permit is worthless and the next one follows within a second, so no acknowledgement.
    Permit: Route("permit", 0),
    Withdraw: Route("withdraw", 1),
    GuardReport: Route("guard", 1, retain=True, tail="way", tails=tuple(Way)),
    Presence: Route("presence", 1, retain=True, tail="role"),
    Request: Route("request", 1),
    Reply: Route("reply", 1, tail="id"),
    Status: Route("status", 0, retain=True),
    AlarmNotice: Route("alarm", 1),
}
EDGE_QOS: Final = 1

_TYPES: Final = {route.level: kind for kind, route in ROUTES.items()}


@dataclass(frozen=True, slots=True)
class Target:
    """What a topic says by itself: the station, the type of message, and the tail if it has one."""

    station: str
    kind: type[Message]
    tail: str | None


def checked_id(text: object, what: str, where: str) -> str:
    """Return a station, node, role or request id unchanged.

    Raises:
        MalformedError: it is not one.
    """
    if not isinstance(text, str) or not _ID.fullmatch(text):
        raise MalformedError(f"{what} {text!r:.60}", where=where, allowed=ID_RULE)
    return text


def topic_of(message: Message) -> str:
    """Return the topic a message is published under.

    Raises:
        MalformedError: its station or its tail is not an id.
    """
    route = ROUTES[type(message)]
    where = type(message).__name__
    topic = f"{ROOT}/{checked_id(message.station, 'station', where)}/{route.level}"
    if route.tail is None:
        return topic
    tail = checked_id(getattr(message, route.tail), route.tail, where)
    if not route.tails:
        return f"{topic}/{tail}"
    if tail not in route.tails:
        raise _foreign_tail(tail, route, where)
    return topic if tail == route.tails[0] else f"{topic}/{tail}"


def qos_of(message: Message) -> int:
    """Return the quality of service a message is published with, 0 or 1."""
    if isinstance(message, ReadingPack) and message.edge:
        return EDGE_QOS
    return ROUTES[type(message)].qos


def read_topic(topic: str) -> Target:
    """Return what a topic says.

    Raises:
        MalformedError: it is none of ours.
    """
    shown = f"topic {topic!r:.80}"
    version, _, rest = topic.removeprefix("brimwatch/").partition("/")
    station, _, rest = rest.partition("/")
    level, slash, tail = rest.partition("/")
    kind = _TYPES.get(level)
    if not topic.startswith("brimwatch/") or version != "v1" or kind is None:
        raise MalformedError("not a topic of ours", where=shown, allowed=f"{ROOT}/<station>/…")
    checked_id(station, "station", shown)
    route = ROUTES[kind]
    if route.tail is None:
        if slash:
            raise MalformedError(f"{level} takes nothing after it", where=shown)
        return Target(station, kind, None)
    if not route.tails:
        return Target(station, kind, checked_id(tail, route.tail, shown))
    if not slash:
        return Target(station, kind, route.tails[0])
    for known in route.tails[1:]:
        if tail == known:
            return Target(station, kind, known)
    raise _foreign_tail(tail, route, shown)


def _foreign_tail(tail: str, route: Route, where: str) -> MalformedError:
    allowed = ", ".join((f"nothing after {route.level}", *route.tails[1:]))
    return MalformedError(f"{route.tail} {tail!r:.60}", where=where, allowed=allowed)


def filter_for(kind: type[Message], station: str = "+", tail: str = "+") -> str:
    """Return the MQTT topic filter for a type of message; `+` stands for every one."""
    route = ROUTES[kind]
    base = f"{ROOT}/{station}/{route.level}"
    if route.tails:
        return f"{base}/#"  # takes in the level itself (MQTT 3.1.1 section 4.7.1.2)
    return base if route.tail is None else f"{base}/{tail}"
