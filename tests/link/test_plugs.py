"""Mains plugs on foreign topics: what is said, what is read, and what is not let near."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import PlugOrder, PlugState
from monitor.link.codec import decode, encode
from monitor.link.plugs import MAX_TEXT, MAX_TOPIC, Plugs, PlugTopics
from monitor.link.text import MAX_PAYLOAD_BYTES, MalformedError
from support.messages import HEATER, KNOWN_PLUGS, PLUGS, PUMP
from support.rigs import Rig, take, until

STATES = tuple(plug.state_topic for plug in PLUGS)
ORDERS = tuple(plug.order_topic for plug in PLUGS)


def heard(payload: bytes, topic: str = HEATER.state_topic, *, retained: bool = False) -> Any:
    return decode(topic, payload, retained, KNOWN_PLUGS)


# --- words ---


@pytest.mark.parametrize(
    ("message", "topic", "payload"),
    [
        (PlugOrder("river", "heater", True), "plugs/river-heater/order", b"ON"),
        (PlugOrder("river", "heater", False), "plugs/river-heater/order", b"OFF"),
        (PlugState("river", "heater", True), "plugs/river-heater/state", b"1"),
        (PlugOrder("river", "pump", False), "keller/pumpe/befehl", b"aus"),
        (PlugState("river", "pump", True), "keller/pumpe/läuft", "läuft".encode()),
    ],
    ids=repr,
)
def test_orders_and_states_are_the_words_of_the_config(
    message: PlugOrder | PlugState, topic: str, payload: bytes
) -> None:
    """What goes out is the configured text, nothing around it."""
    packet = encode(message, KNOWN_PLUGS)
    assert (packet.topic, packet.payload) == (topic, payload)


@pytest.mark.parametrize("payload", [b"1", b" 1", b"1\r\n", b"\t1 "])
@pytest.mark.parametrize("retained", [True, False])
def test_a_state_is_read_without_its_outer_spaces(payload: bytes, retained: bool) -> None:
    """A line end or a space around the word changes nothing, nor does being an old copy: the last
    state a plug told is the one it is in.
    """
    assert heard(payload, retained=retained) == PlugState("river", "heater", True)


def test_outer_spaces_in_the_config_matter_as_little() -> None:
    """A word that the config writes with spaces goes out as written, and is read without them."""
    known = Plugs((replace(HEATER, on_payload=" ON", state_on=" 1", state_off="0 "),))
    assert encode(PlugOrder("river", "heater", True), known).payload == b" ON"
    for payload, on in ((b"1", True), (b"0", False), (b" 0", False)):
        state = decode(HEATER.state_topic, payload, False, known)
        assert state == PlugState("river", "heater", on)


HOSTILE = [
    b"",
    b" ",
    b"2",
    b"11",
    b"1 0",
    b"1\x00",
    b"on",
    b"ON",  # the word of an order is none of a state
    b"true",
    b'{"state":"1"}',
    b'"1"',
    "１".encode(),  # a full-width digit looks alike
    b"\xff1",
    b"\xef\xbb\xbf1",  # a byte order mark
    b"1".ljust(MAX_PAYLOAD_BYTES),  # the right word in a flood of spaces
    b"\x00" * MAX_PAYLOAD_BYTES,
]


@pytest.mark.parametrize("payload", HOSTILE, ids=lambda payload: repr(payload[:16]))
def test_any_other_payload_is_refused(payload: bytes) -> None:
    """What is not one of the two known words is no state, and the error repeats none of it."""
    with pytest.raises(MalformedError) as caught:
        heard(payload)
    assert len(str(caught.value)) < 300
    assert str(len(payload)) in str(caught.value)


@given(st.binary(max_size=400), st.sampled_from([*STATES, *ORDERS]), st.booleans())
def test_noise_on_a_plug_topic_raises_nothing_but_malformed(
    noise: bytes, topic: str, retained: bool
) -> None:
    """Random bytes are one of the known words or MalformedError, never anything else."""
    try:
        message = decode(topic, noise, retained, KNOWN_PLUGS)
    except MalformedError:
        return
    assert encode(message, KNOWN_PLUGS).payload == noise.decode().strip().encode()


def test_case_matters() -> None:
    """A plug that writes "On" where the config says "ON" is not understood, so nobody believes to
    know its state.
    """
    plug = replace(HEATER, state_on="ON", state_off="OFF")
    known = Plugs((plug,))
    assert decode(plug.state_topic, b"OFF", False, known) == PlugState("river", "heater", False)
    with pytest.raises(MalformedError):
        decode(plug.state_topic, b"Off", False, known)


def test_an_old_copy_of_an_order_is_refused() -> None:
    """An order that somebody had the broker keep is not an order (hazard C09)."""
    assert heard(b"ON", HEATER.order_topic) == PlugOrder("river", "heater", True)
    with pytest.raises(MalformedError, match="retained"):
        heard(b"ON", HEATER.order_topic, retained=True)


@pytest.mark.parametrize(
    "message",
    [
        PlugOrder("river", "lamp", True),
        PlugOrder("pond", "heater", True),
        PlugState("river", "\ud800", True),
    ],
    ids=repr,
)
def test_a_plug_nobody_knows_cannot_be_switched(message: PlugOrder | PlugState) -> None:
    """An order for a plug that the link was not given does not go anywhere."""
    with pytest.raises(MalformedError, match="no plug"):
        encode(message, KNOWN_PLUGS)
    with pytest.raises(MalformedError, match="no plug"):
        encode(message)


def test_a_foreign_topic_is_foreign_to_a_link_without_plugs() -> None:
    """Without plugs nothing but our own topics is read."""
    with pytest.raises(MalformedError, match="not a topic of ours"):
        decode(HEATER.state_topic, b"1", retained=False)


# --- what a config may choose ---


@pytest.mark.parametrize("field", ["order_topic", "state_topic"])
@pytest.mark.parametrize(
    "topic",
    [
        "",
        "plugs/+/state",
        "plugs/#",
        "#",
        "plugs/a+b",  # MQTT 3.1.1 [MQTT-3.3.2-2]: no wildcard in the topic of a message
        "brimwatch",
        "brimwatch/v1/river/permit",  # the heater's order would open the valve's topic
        "brimwatch/anything",
        "$SYS/broker/uptime",  # [MQTT-4.7.2-1]: the server's own
        "plugs/\x00",  # [MQTT-4.7.3-2]
        "plugs/\ud800",  # [MQTT-1.5.3-1]
        "plugs/a\nb",
        "x" * (MAX_TOPIC + 1),
    ],
    ids=repr,
)
def test_a_topic_that_is_no_plugs_is_refused(field: str, topic: str) -> None:
    """Wildcards, our own tree, the broker's, and what MQTT cannot carry: none can be a plug's."""
    with pytest.raises(MalformedError, match="topic"):
        replace(HEATER, **{field: topic})


@pytest.mark.parametrize("topic", ["x", "/plug", "a/b c/ä", "brimwatchers/x", "x" * MAX_TOPIC])
def test_any_other_topic_will_do(topic: str) -> None:
    """The user's topics are the user's."""
    known = Plugs((replace(HEATER, state_topic=topic),))
    assert decode(topic, b"0", False, known) == PlugState("river", "heater", False)


@pytest.mark.parametrize(
    "change",
    [
        {"on_payload": ""},
        {"off_payload": "  "},
        {"on_payload": "OFF "},
        {"state_on": "0"},
        {"state_on": "x" * (MAX_TEXT + 1)},
        {"state_off": "a\x00"},
        {"state_off": "a\nb"},
        {"state_topic": HEATER.order_topic},
        {"plug": "Heater"},
        {"station": "a/b"},
    ],
    ids=repr,
)
def test_words_that_cannot_be_told_apart_are_refused(change: dict[str, str]) -> None:
    """Two equal words, an unsayable one, or one topic for order and state: an order would then be
    taken for the plug's own word.
    """
    with pytest.raises(MalformedError):
        replace(HEATER, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "second",
    [
        HEATER,
        replace(PUMP, plug="heater"),
        replace(PUMP, state_topic=HEATER.state_topic),
        replace(PUMP, state_topic=HEATER.order_topic),
        replace(PUMP, order_topic=HEATER.state_topic),
    ],
)
def test_two_plugs_never_share_a_name_or_a_topic(second: PlugTopics) -> None:
    """One plug's word is never another's."""
    with pytest.raises(MalformedError, match="second plug"):
        Plugs((HEATER, second))


# --- over a link ---


async def test_an_order_goes_there_and_a_state_comes_back(rig: Rig) -> None:
    """Over every broker: the engine's link sends an order, a plug on the other side takes it and
    says its state, and the engine's link yields that; a late listener hears the last state as old.
    """
    async with (
        rig.link("engine", *STATES, plugs=PLUGS) as engine,
        rig.link("plug", *ORDERS, plugs=PLUGS) as plug,
    ):
        await until(lambda: engine.connected and plug.connected)
        assert engine.send(PlugOrder("river", "heater", False))
        (order,) = await take(plug.incoming())
        assert order.message == PlugOrder("river", "heater", False)
        assert plug.send(PlugState("river", "heater", False))
        (state,) = await take(engine.incoming())
        assert state.message == PlugState("river", "heater", False)
        assert not state.retained
        async with rig.link("late", *STATES, *ORDERS, plugs=PLUGS) as late:
            (old,) = await take(late.incoming())
            assert old.message == PlugState("river", "heater", False)
            assert old.retained
            await asyncio.sleep(0.05)
            assert late.counts.received == 1  # the order is nobody's any more


async def test_a_hostile_state_reaches_nobody_and_is_counted(rig: Rig) -> None:
    """Noise on a state topic is dropped and counted, ends nothing, and the plug is still heard."""
    async with rig.link("engine", *STATES, plugs=PLUGS) as engine:
        await until(lambda: engine.connected)
        for payload in HOSTILE:
            await rig.shout(HEATER.state_topic, payload)
        await rig.shout(HEATER.state_topic, b"1\n")
        (got,) = await take(engine.incoming())
        assert got.message == PlugState("river", "heater", True)
        assert engine.rejected == engine.counts.malformed == len(HOSTILE)
        assert engine.connected


async def test_an_order_for_a_plug_nobody_knows_is_refused_at_the_sender(rig: Rig) -> None:
    """The link says no, and goes on."""
    async with rig.link("engine", *STATES, plugs=(HEATER,)) as engine:
        await until(lambda: engine.connected)
        assert not engine.send(PlugOrder("river", "pump", True))
        assert engine.send(PlugOrder("river", "heater", True))
