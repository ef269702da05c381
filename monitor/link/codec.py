"""Every message to its topic and payload, and back.

Readings are SenML packs; all other messages are small JSON objects. What the topic says already
(the station, a role, a request's id) is not said again in the payload, and what is as it mostly is
(`PLAIN`) is left unsaid: so records made before there was such a field are read, and a program that
does not know it takes what is meant for it and refuses the rest. Both ways go through the same
checks, so what can be sent can be read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Annotated, Any, Final, NotRequired

from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    with_config,
)
from typing_extensions import TypedDict

from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Message,
    Permit,
    PlugOrder,
    PlugState,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
    Way,
    Withdraw,
)
from monitor.link.plugs import Plugs
from monitor.link.senml import decode_pack, encode_pack
from monitor.link.text import MAX_INT, MAX_TOKEN, MalformedError, dump_json, parse_json, sound
from monitor.link.topics import ID_RULE, ROUTES, qos_of, read_topic, topic_of

MAX_UPTIME_S: Final = 1e9  # thirty years: beyond it the number is a mistake
MAX_TTL_S: Final = 3600.0  # the guard has its own, far tighter limit
MAX_LINE: Final = 200
MAX_TEXT: Final = 4096

Id = Annotated[str, Field(pattern=f"^{ID_RULE}$")]
Token = Annotated[str, Field(min_length=1, max_length=MAX_TOKEN)]
Line = Annotated[str, Field(max_length=MAX_LINE)]
Text = Annotated[str, Field(max_length=MAX_TEXT)]
Seq = Annotated[int, Field(ge=0, le=MAX_INT)]
Uptime = Annotated[float, Field(ge=0.0, le=MAX_UPTIME_S)]
Ttl = Annotated[float, Field(ge=0.0, le=MAX_TTL_S)]
Data = Annotated[dict[str, Any], AfterValidator(sound)]
Direction = Annotated[Way, Field(strict=False)]  # JSON has no enumerations, only their texts

PLAIN: Final[Mapping[str, object]] = {"way": Way.IN, "simulated": False}
_SAID: Final = object()  # equal to no value: this field is always said
NO_PLUGS: Final = Plugs(())

_STRICT = with_config(ConfigDict(strict=True, extra="forbid", allow_inf_nan=False))


@_STRICT
class _Permit(TypedDict):
    engine: Token
    seq: Seq
    node_boot: Token
    as_of_s: Uptime
    ttl_s: Ttl
    fill: Token
    way: NotRequired[Direction]


@_STRICT
class _Withdraw(TypedDict):
    engine: Token
    seq: Seq
    node_boot: Token
    fill: Token
    cause: Line
    resumable: bool
    way: NotRequired[Direction]


@_STRICT
class _GuardReport(TypedDict):
    node: Id
    boot: Token
    uptime_s: Uptime
    valve_open: bool
    fill: Token | None
    cause: Line | None
    text: Text


@_STRICT
class _Presence(TypedDict):
    boot: Token
    online: bool
    simulated: NotRequired[bool]


@_STRICT
class _Request(TypedDict):
    id: Id
    verb: Annotated[str, Field(pattern="^[a-z]{1,16}$")]
    by: Line
    args: Data


@_STRICT
class _Reply(TypedDict):
    ok: bool
    text: Text
    data: Data


@_STRICT
class _Free(TypedDict):
    data: Data


_ADAPTERS: Final[Mapping[type[Message], TypeAdapter[Any]]] = {
    Permit: TypeAdapter(_Permit),
    Withdraw: TypeAdapter(_Withdraw),
    GuardReport: TypeAdapter(_GuardReport),
    Presence: TypeAdapter(_Presence),
    Request: TypeAdapter(_Request),
    Reply: TypeAdapter(_Reply),
    Status: TypeAdapter(_Free),
    AlarmNotice: TypeAdapter(_Free),
}
_FIELDS: Final = {
    kind: tuple(
        field.name for field in fields(kind) if field.name not in ("station", ROUTES[kind].tail)
    )
    for kind in _ADAPTERS
}


@dataclass(frozen=True, slots=True)
class Packet:
    """A message ready for the broker."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


def encode(message: Message, plugs: Plugs = NO_PLUGS) -> Packet:
    """Return a message as it goes to the broker.

    Raises:
        MalformedError: the message holds something its own reader would refuse, or is for a plug
            that is not among `plugs`.
    """
    if isinstance(message, PlugOrder | PlugState):
        # A state waits for whoever comes late; an order that waited would be an old one.
        return Packet(*plugs.encode(message), qos=1, retain=isinstance(message, PlugState))
    kind = type(message)
    topic = topic_of(message)
    if isinstance(message, ReadingPack):
        payload = encode_pack(message)
    else:
        body = {
            name: value
            for name in _FIELDS[kind]
            if (value := getattr(message, name)) != PLAIN.get(name, _SAID)
        }
        payload = dump_json(_checked(kind, body, kind.__name__), kind.__name__)
    return Packet(topic, payload, qos_of(message), ROUTES[kind].retain)


def decode(topic: str, payload: bytes, retained: bool, plugs: Plugs = NO_PLUGS) -> Message:
    """Return the message that arrived. `retained` is the broker's word that it is an old copy.

    Raises:
        MalformedError: anything about it is not as `encode` would have made it. No other error.
    """
    if topic in plugs:
        return plugs.decode(topic, payload, retained)
    target = read_topic(topic)
    where = f"{target.kind.__name__} on {topic}"
    if retained and not ROUTES[target.kind].retain:
        # We never retain these, so somebody else did; an old copy of a command is not a command.
        raise MalformedError("a retained copy of what is never retained", where=where)
    if target.kind is ReadingPack:
        return decode_pack(payload, target.station)
    body = _checked(target.kind, parse_json(payload, where), where)
    tail = ROUTES[target.kind].tail
    if tail is not None:
        body[tail] = target.tail
    return target.kind(station=target.station, **body)


def _checked(kind: type[Message], body: Any, where: str) -> dict[str, Any]:
    try:
        checked: dict[str, Any] = _ADAPTERS[kind].validate_python(body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise MalformedError(
            f"{place or 'payload'}: {first['msg']:.120}", where=where, allowed="see codec.py"
        ) from None
    return checked
