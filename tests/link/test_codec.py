"""Messages to bytes and back, and everything that must not come back."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any, get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

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
from monitor.core.reading import Kind, Sample
from monitor.errors import BrimwatchError
from monitor.link.codec import PLAIN, decode, encode
from monitor.link.text import MAX_PAYLOAD_BYTES, MalformedError, parse_json
from monitor.link.topics import ROUTES, filter_for, read_topic, topic_of
from support.messages import BY_TYPE, EXAMPLES, KNOWN_PLUGS, messages, pack

NEVER_RETAINED = (ReadingPack, Permit, Withdraw, Request, Reply, AlarmNotice, PlugOrder)
FOREIGN = {PlugOrder, PlugState}  # on topics that are not ours
ours = st.one_of(*(BY_TYPE[kind] for kind in ROUTES))


@pytest.mark.parametrize("kind", get_args(Message))
@given(data=st.data())
def test_every_message_comes_back_as_it_went(kind: type[Message], data: st.DataObject) -> None:
    """Decoding what was encoded gives the equal message, for every type of message there is."""
    message = data.draw(BY_TYPE[kind])
    packet = encode(message, KNOWN_PLUGS)
    again = decode(packet.topic, packet.payload, False, KNOWN_PLUGS)
    assert again == message
    assert type(again) is type(message)
    assert len(packet.payload) <= MAX_PAYLOAD_BYTES


@given(messages)
def test_a_second_trip_changes_nothing(message: Message) -> None:
    """Encoding what was decoded gives the same bytes, so bytes can stand for a message."""
    packet = encode(message, KNOWN_PLUGS)
    again = decode(packet.topic, packet.payload, False, KNOWN_PLUGS)
    assert encode(again, KNOWN_PLUGS) == packet


@pytest.mark.parametrize(
    ("message", "topic", "qos", "retain"),
    [
        (pack(), "brimwatch/v1/river/readings", 0, False),
        (pack(edge=True), "brimwatch/v1/river/readings", 1, False),
        (EXAMPLES[2], "brimwatch/v1/river/permit", 0, False),
        (EXAMPLES[3], "brimwatch/v1/river/withdraw", 1, False),
        (EXAMPLES[4], "brimwatch/v1/river/guard", 1, True),
        (EXAMPLES[5], "brimwatch/v1/river/presence/engine", 1, True),
        (EXAMPLES[6], "brimwatch/v1/river/request", 1, False),
        (EXAMPLES[7], "brimwatch/v1/river/reply/r1", 1, False),
        (EXAMPLES[8], "brimwatch/v1/river/status", 0, True),
        (EXAMPLES[9], "brimwatch/v1/river/alarm", 1, False),
        (EXAMPLES[10], "brimwatch/v1/river/permit", 0, False),
        (EXAMPLES[11], "brimwatch/v1/river/withdraw", 1, False),
        (EXAMPLES[12], "brimwatch/v1/river/guard/out", 1, True),
        (EXAMPLES[13], "brimwatch/v1/river/presence/node", 1, True),
        (PlugOrder("river", "heater", True), "plugs/river-heater/order", 1, False),
        (PlugState("river", "pump", False), "keller/pumpe/läuft", 1, True),
    ],
)
def test_each_message_has_its_topic_and_quality(
    message: Message, topic: str, qos: int, retain: bool
) -> None:
    """Topic, quality of service and retention are those of the agreed table."""
    packet = encode(message, KNOWN_PLUGS)
    assert (packet.topic, packet.qos, packet.retain) == (topic, qos, retain)


def test_the_table_covers_every_message() -> None:
    """No message type is without a route but those of the plugs, whose topics are the user's, and
    no route is without a message.
    """
    assert set(ROUTES) == set(get_args(Message)) - FOREIGN
    assert set(BY_TYPE) == set(get_args(Message))


@given(ours)
def test_the_filter_for_a_type_matches_its_topics_only(message: Message) -> None:
    """`filter_for` takes in every topic of its own type and none of another's."""
    # paho's matcher is the reference: it is what brokers' clients go by.
    from paho.mqtt.client import topic_matches_sub

    topic = topic_of(message)
    for kind in ROUTES:
        assert topic_matches_sub(filter_for(kind), topic) == (kind is type(message))
    assert topic_matches_sub(filter_for(type(message), message.station), topic)
    assert not topic_matches_sub(filter_for(type(message), "elsewhere-entirely"), topic)


@given(messages)
def test_an_old_copy_of_a_command_is_refused(message: Message) -> None:
    """The retained copy of a message that is never retained does not decode (hazard C09)."""
    packet = encode(message, KNOWN_PLUGS)
    if isinstance(message, NEVER_RETAINED):
        with pytest.raises(MalformedError, match="retained"):
            decode(packet.topic, packet.payload, True, KNOWN_PLUGS)
    else:
        assert decode(packet.topic, packet.payload, True, KNOWN_PLUGS) == message


@given(st.sampled_from(EXAMPLES), st.binary(max_size=300), st.booleans())
def test_noise_raises_nothing_but_malformed(message: Message, noise: bytes, retained: bool) -> None:
    """Random bytes on a topic of ours raise MalformedError, never anything else."""
    with pytest.raises(MalformedError):
        decode(encode(message).topic, noise, retained)


@given(st.sampled_from(EXAMPLES), st.data())
def test_a_damaged_payload_decodes_or_is_malformed(message: Message, data: st.DataObject) -> None:
    """Cutting, flipping or doubling bytes of a good payload never raises another error."""
    packet = encode(message)
    payload = bytearray(packet.payload)
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(payload) - 1))
        match data.draw(st.sampled_from(["flip", "cut", "double"])):
            case "flip":
                payload[place] = data.draw(st.integers(0, 255))
            case "cut" if len(payload) > 1:
                del payload[place]
            case _:
                payload[place:place] = payload[place : place + 8]
    try:
        again = decode(packet.topic, bytes(payload), retained=False)
    except MalformedError:
        return
    assert type(again) is type(message)
    encode(again)  # what was let in is sound enough to be sent again


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=20,
)


@given(st.sampled_from(EXAMPLES), json_values)
def test_any_other_json_is_malformed_or_sound(message: Message, value: Any) -> None:
    """Arbitrary JSON on a topic of ours raises MalformedError or gives a message we could send."""
    topic = encode(message).topic
    try:
        again = decode(topic, json.dumps(value).encode(), retained=False)
    except MalformedError:
        return
    encode(again)


@given(st.sampled_from(EXAMPLES[2:]), st.data())
def test_each_field_is_checked(message: Message, data: st.DataObject) -> None:
    """A field left out, a field too many and a field of another type are each refused; what may be
    left out is then as it mostly is.
    """
    packet = encode(message)
    body = json.loads(packet.payload)
    name = data.draw(st.sampled_from(sorted(body)))
    left_out = json.dumps({k: v for k, v in body.items() if k != name}).encode()
    if name in PLAIN:
        plain = replace(message, **{name: PLAIN[name]})  # type: ignore[arg-type]
        assert decode(packet.topic, left_out, retained=False) == plain
    else:
        with pytest.raises(MalformedError):
            decode(packet.topic, left_out, retained=False)
    wrong = [body | {"more": 1}]
    wrong.append(body | {name: 7 if not isinstance(body[name], int | float) else "7"})
    for each in wrong:
        with pytest.raises(MalformedError):
            decode(packet.topic, json.dumps(each).encode(), retained=False)


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
@pytest.mark.parametrize("place", ["ttl_s", "data"])
def test_numbers_that_are_not_finite_are_refused(text: str, place: str) -> None:
    """Neither a constant JSON does not have nor an overflow gets in, free-form data included."""
    if place == "ttl_s":
        payload = encode(EXAMPLES[2]).payload.replace(b"3.0", text.encode())
        topic = "brimwatch/v1/river/permit"
    else:
        payload = b'{"data":{"a":[{"b":' + text.encode() + b"}]}}"
        topic = "brimwatch/v1/river/status"
    with pytest.raises(MalformedError):
        decode(topic, payload, retained=False)


@pytest.mark.parametrize(
    "payload",
    [
        b'{"data":{},"data":{}}',  # a name twice: RFC 8259 section 4 leaves open which one counts
        b'{"data":{"a":{"b":1,"b":2}}}',
        b'{"data":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
        b'{"data":' + b'{"a":' * 9 + b"1" + b"}" * 9 + b"}",
        b'{"data":{"a":' + b"9" * 5000 + b"}}",  # more digits than Python converts
        b'{"data":{"a":9007199254740992}}',  # 2^53, RFC 7493 section 2.2
        b'{"data":{"a":"\\ud800"}}',  # a lone surrogate
        b'{"data":{"\\ud800":1}}',
        b'{"data":{"a":"\xff"}}',
        b"\xef\xbb\xbf{}",  # a byte order mark: RFC 8259 section 8.1 says none
        b"",
        b"[]",
        b"null",
        b'{"data":{}} ' + b" " * MAX_PAYLOAD_BYTES,
    ],
    ids=lambda payload: repr(payload[:24]),
)
def test_hostile_json_is_refused(payload: bytes) -> None:
    """Each known trick against a JSON reader ends as MalformedError."""
    with pytest.raises(MalformedError):
        decode("brimwatch/v1/river/status", payload, retained=False)


def test_the_size_bound_is_exact() -> None:
    """64 KiB is read and one byte more is not."""
    frame = b'{"data":{"a":"%s"}}'
    room = MAX_PAYLOAD_BYTES - len(frame % b"")
    status = decode("brimwatch/v1/river/status", frame % (b"x" * room), retained=False)
    assert isinstance(status, Status)
    assert encode(status).payload == frame % (b"x" * room)
    with pytest.raises(MalformedError, match="bytes"):
        decode("brimwatch/v1/river/status", frame % (b"x" * (room + 1)), retained=False)
    with pytest.raises(MalformedError, match="bytes"):
        encode(Status("river", {"a": "x" * (room + 1)}))


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "brimwatch",
        "brimwatch/v1",
        "brimwatch/v1/river",
        "brimwatch/v2/river/status",
        "v1/river/status",
        "other/v1/river/status",
        "brimwatch/v1//status",
        "brimwatch/v1/River/status",
        "brimwatch/v1/-river/status",
        "brimwatch/v1/" + "r" * 33 + "/status",
        "brimwatch/v1/river\n/status",
        "brimwatch/v1/river/status/",
        "brimwatch/v1/river/status/more",
        "brimwatch/v1/river/unknown",
        "brimwatch/v1/river/guard/",
        "brimwatch/v1/river/guard/in",
        "brimwatch/v1/river/guard/out/",
        "brimwatch/v1/river/guard/out/more",
        "brimwatch/v1/river/guard/sideways",
        "brimwatch/v1/river/presence",
        "brimwatch/v1/river/presence/",
        "brimwatch/v1/river/presence/node/more",
        "brimwatch/v1/river/reply/Ünknown",
        "/brimwatch/v1/river/status",
        "$SYS/broker/uptime",
    ],
)
def test_foreign_topics_are_refused(topic: str) -> None:
    """Whatever is not exactly a topic of ours is malformed, before the payload is looked at."""
    with pytest.raises(MalformedError):
        read_topic(topic)
    with pytest.raises(MalformedError):
        decode(topic, encode(Status("river", {})).payload, retained=False)


@given(st.text(max_size=120))
@example("brimwatch/v1/+/status")
def test_any_text_as_a_topic_is_read_or_malformed(topic: str) -> None:
    """No topic raises anything but MalformedError."""
    try:
        target = read_topic(topic)
    except MalformedError:
        return
    assert topic.startswith(f"brimwatch/v1/{target.station}/")


@pytest.mark.parametrize(
    "message",
    [
        replace(EXAMPLES[2], station="River"),
        replace(EXAMPLES[2], ttl_s=float("nan")),
        replace(EXAMPLES[2], ttl_s=float("inf")),
        replace(EXAMPLES[2], as_of_s=-1.0),
        replace(EXAMPLES[2], seq=-1),
        replace(EXAMPLES[2], seq=2**53),
        replace(EXAMPLES[2], seq=True),
        replace(EXAMPLES[2], fill=""),
        replace(EXAMPLES[2], fill="f" * 65),
        replace(EXAMPLES[2], way="sideways"),
        replace(EXAMPLES[3], way=None),
        replace(EXAMPLES[4], way="sideways"),
        replace(EXAMPLES[5], simulated="yes"),
        replace(EXAMPLES[4], text="x" * 4097),
        replace(EXAMPLES[5], role="a/b"),
        replace(EXAMPLES[6], verb="fill now"),
        replace(EXAMPLES[6], args={"a": float("nan")}),
        replace(EXAMPLES[6], args={1: 2}),
        replace(EXAMPLES[6], args={"a": {1: 2}}),
        replace(EXAMPLES[6], args={"a": {1, 2}}),
        replace(EXAMPLES[6], args={"a": "\ud800"}),
        replace(EXAMPLES[7], id="../x"),
        Presence("river", "node", "\ud800", True),
    ],
    ids=repr,
)
def test_a_message_its_reader_would_refuse_cannot_be_sent(message: Message) -> None:
    """Encoding checks what decoding checks, so a fault shows at the sender."""
    with pytest.raises(MalformedError):
        encode(message)


def test_a_malformed_error_says_what_where_and_what_is_allowed() -> None:
    """The error is a project error and a ValueError, and helps who reads it."""
    with pytest.raises(MalformedError) as caught:
        decode("brimwatch/v1/river/status", b"x" * (MAX_PAYLOAD_BYTES + 1), retained=False)
    assert isinstance(caught.value, BrimwatchError)
    assert isinstance(caught.value, ValueError)
    assert str(MAX_PAYLOAD_BYTES + 1) in caught.value.what
    assert "Status" in caught.value.where
    assert "river" in caught.value.where
    assert str(MAX_PAYLOAD_BYTES) in caught.value.allowed


@given(st.binary(min_size=1, max_size=200))
def test_error_texts_are_bounded_and_do_not_repeat_the_payload(payload: bytes) -> None:
    """What a stranger sends does not fill our log."""
    with pytest.raises(MalformedError) as caught:
        decode("brimwatch/v1/river/request", payload + b"\xff" * 5000, retained=False)
    assert len(str(caught.value)) < 400


def test_parse_json_reads_plain_json() -> None:
    """The strict reader gives what the standard library gives for sound JSON."""
    text = '{"a":[1,-2.5e-3,true,false,null,"µ"],"b":{}}'
    assert parse_json(text.encode(), "test") == json.loads(text)


def test_messages_carry_no_field_the_codec_does_not_know() -> None:
    """Every field of every JSON message is on the wire or in the topic: none is dropped."""
    said: dict[type[Message], set[str]] = {}
    for message in EXAMPLES[2:]:
        packet = encode(message)
        on_wire = set(json.loads(packet.payload))
        route = ROUTES[type(message)]
        in_topic = {"station"} | ({route.tail} if route.tail else set())
        assert on_wire | in_topic | set(PLAIN) >= {field.name for field in fields(message)}
        assert not on_wire & in_topic
        said[type(message)] = said.get(type(message), set()) | on_wire | in_topic
    assert said == {kind: {field.name for field in fields(kind)} for kind in said}


def test_the_youngest_a_sample_can_be_is_now() -> None:
    """A sample stamped after its pack is taken as of the pack's time, not refused: an edge that
    was noticed a hair late must get through.
    """
    sample = Sample("floor", Kind.LEAK, 12.500001, 1.0)
    packet = encode(replace(pack(edge=True), samples=(sample,)))
    again = decode(packet.topic, packet.payload, retained=False)
    assert isinstance(again, ReadingPack)
    assert again.samples == (replace(sample, at_s=12.5),)


OLD = {  # payloads as they were written before water could go two ways
    "permit": (
        b'{"engine":"e0","seq":3,"node_boot":"b0","as_of_s":12.5,"ttl_s":3.0,"fill":"f0"}',
        EXAMPLES[2],
    ),
    "withdraw": (
        b'{"engine":"e0","seq":4,"node_boot":"b0","fill":"f0","cause":"W06","resumable":false}',
        EXAMPLES[3],
    ),
    "guard": (
        (
            b'{"node":"river-node","boot":"b0","uptime_s":13.0,"valve_open":true,"fill":"f0",'
            b'"cause":null,"text":"open"}'
        ),
        EXAMPLES[4],
    ),
    "presence/engine": (b'{"boot":"e0","online":true}', EXAMPLES[5]),
    "readings": (
        (
            b'[{"bn":"brimwatch:river:river-node:","n":"boot","vs":"b0"},{"n":"seq","v":1},'
            b'{"n":"uptime","u":"s","v":12.5},{"n":"valve","vb":false},{"n":"edge","vb":false},'
            b'{"n":"float/high","t":0.0,"vb":false},'
            b'{"n":"flow/inlet","u":"m3/s","t":0.0,"v":0.0001645},'
            b'{"n":"flow/inlet/count","u":"count","t":0.0,"v":1}]'
        ),
        EXAMPLES[0],
    ),
}


@pytest.mark.parametrize(("payload", "message"), OLD.values(), ids=OLD.keys())
def test_what_was_written_before_reads_as_the_way_in(payload: bytes, message: Message) -> None:
    """A message without the newer fields is about the fill valve of real water, and one that is
    about nothing else is still written so: older programs read it.
    """
    topic = encode(message).topic
    assert decode(topic, payload, retained=False) == message
    assert encode(message).payload == payload


@pytest.mark.parametrize("name", ["permit", "withdraw"])
@pytest.mark.parametrize("way", ["OUT", "Out", "", "in ", "both", None, 1, True, ["out"], {}])
def test_a_way_that_is_none_is_refused(name: str, way: Any) -> None:
    """A permit or withdrawal for a way that does not exist is for no way at all: it is never taken
    for the plain one.
    """
    body = json.loads(OLD[name][0]) | {"way": way}
    with pytest.raises(MalformedError):
        decode(f"brimwatch/v1/river/{name}", json.dumps(body).encode(), retained=False)


def test_a_guard_report_tells_its_way_by_its_topic_alone() -> None:
    """The way stands in the topic, so a payload that says one is refused, and the drain's report
    is never taken for the valve's.
    """
    payload = OLD["guard"][0]
    out = decode("brimwatch/v1/river/guard/out", payload, retained=True)
    assert isinstance(out, GuardReport)
    assert out.way is Way.OUT
    for topic in ("brimwatch/v1/river/guard", "brimwatch/v1/river/guard/out"):
        with pytest.raises(MalformedError):
            decode(topic, payload[:-1] + b',"way":"in"}', retained=False)
