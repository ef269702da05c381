"""Mains plugs over topics and payloads of the user's own choice.

Such a plug speaks plain text on two topics: it takes an order on one and says its state on the
other. Both are foreign ground, so they are fixed by the config alone: a topic is one exact text,
and a payload is one of two known texts or it is dropped and counted like any other noise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from monitor.core.exchange import PlugOrder, PlugState
from monitor.link.text import MalformedError
from monitor.link.topics import checked_id

MAX_TOPIC: Final = 200  # characters; MQTT itself allows 65,535 octets (3.1.1 section 4.7.3)
MAX_TEXT: Final = 64  # characters of a payload; it is a word
TOPIC_RULE: Final = (
    f"1 to {MAX_TOPIC} printable characters, without + and #, "
    "not beginning with $ and not under brimwatch/"
)
TEXT_RULE: Final = f"1 to {MAX_TEXT} printable characters, differing by more than outer spaces"
_MAX_OCTETS: Final = 4 * MAX_TEXT  # a character takes at most four in UTF-8


@dataclass(frozen=True, slots=True)
class PlugTopics:
    """One plug: where its orders go and its states come from, and the words on both.

    Raises:
        MalformedError: a topic or a word that cannot be used, or two that cannot be told apart.
    """

    station: str
    plug: str
    order_topic: str
    on_payload: str
    off_payload: str
    state_topic: str
    state_on: str
    state_off: str

    def __post_init__(self) -> None:
        """Check everything."""
        where = f"plug {self.plug!r:.40} of {self.station!r:.40}"
        checked_id(self.station, "station", where)
        checked_id(self.plug, "plug", where)
        for topic in (self.order_topic, self.state_topic):
            if not _is_foreign(topic):
                raise MalformedError(f"topic {topic!r:.80}", where=where, allowed=TOPIC_RULE)
        if self.order_topic == self.state_topic:
            raise MalformedError(
                "an order would be taken for the plug's own word",
                where=where,
                allowed="a state topic other than the order topic",
            )
        for on, off in ((self.on_payload, self.off_payload), (self.state_on, self.state_off)):
            if not (_is_word(on) and _is_word(off)) or on.strip() == off.strip():
                raise MalformedError(
                    f"payloads {on!r:.60} and {off!r:.60}", where=where, allowed=TEXT_RULE
                )


def _is_foreign(topic: str) -> bool:
    """Whether a topic can be a foreign one of ours to use."""
    return (
        0 < len(topic) <= MAX_TOPIC
        and topic.isprintable()  # so neither NUL nor a lone surrogate, which MQTT forbids
        and not topic.startswith("$")
        and not set(topic) & set("+#")
        and topic.partition("/")[0] != "brimwatch"
    )


def _is_word(text: str) -> bool:
    return text.strip() != "" and len(text) <= MAX_TEXT and text.isprintable()


class Plugs:
    """The plugs a link knows, looked up by topic and by name.

    Raises:
        MalformedError: two of them share a name or a topic.
    """

    def __init__(self, plugs: Iterable[PlugTopics]) -> None:
        self._by_name: dict[tuple[str, str], PlugTopics] = {}
        self._by_topic: dict[str, PlugTopics] = {}
        for plug in plugs:
            name = (plug.station, plug.plug)
            if name in self._by_name or {plug.order_topic, plug.state_topic} & set(self._by_topic):
                raise MalformedError(
                    "a second plug of this name or on this topic",
                    where=f"plug {plug.plug} of {plug.station}",
                    allowed="a name and two topics for each plug alone",
                )
            self._by_name[name] = plug
            self._by_topic[plug.order_topic] = self._by_topic[plug.state_topic] = plug

    def __contains__(self, topic: object) -> bool:
        return topic in self._by_topic

    def encode(self, message: PlugOrder | PlugState) -> tuple[str, bytes]:
        """Return the topic and the payload of an order, or of a state (as a simulated plug says).

        Raises:
            MalformedError: no plug of this name.
        """
        plug = self._by_name.get((message.station, message.plug))
        if plug is None:
            where = f"{type(message).__name__} of {message.station!r:.40}"
            raise MalformedError(f"no plug {message.plug!r:.40}", where=where)
        if isinstance(message, PlugOrder):
            topic, text = plug.order_topic, plug.on_payload if message.on else plug.off_payload
        else:
            topic, text = plug.state_topic, plug.state_on if message.on else plug.state_off
        return topic, text.encode()

    def decode(self, topic: str, payload: bytes, retained: bool) -> PlugOrder | PlugState:
        """Return what a plug said, or is told to do. `topic` must be in here.

        Raises:
            MalformedError: another text than the two known ones, or an old copy of an order.
        """
        plug = self._by_topic[topic]
        order = topic == plug.order_topic
        where = f"plug {plug.plug} of {plug.station}"
        if order and retained:
            raise MalformedError("a retained copy of what is never retained", where=where)
        on, off = (plug.on_payload, plug.off_payload) if order else (plug.state_on, plug.state_off)
        text = _word(payload)
        if text is None or text not in (on.strip(), off.strip()):
            # The payload itself stays out of the log: it is a stranger's.
            what = f"{len(payload)} bytes that are no known word"
            raise MalformedError(what, where=where, allowed=f"{on!r} or {off!r}")
        kind = PlugOrder if order else PlugState
        return kind(plug.station, plug.plug, text == on.strip())


def _word(payload: bytes) -> str | None:
    """Return a payload's text without outer spaces; None for what cannot be a word."""
    if len(payload) > _MAX_OCTETS:
        return None
    try:
        return payload.decode().strip()
    except UnicodeDecodeError:
        return None
