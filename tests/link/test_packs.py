"""Reading packs on the wire: what is refused, what is rounded, and how long it takes."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import ReadingPack
from monitor.core.reading import Fault, Kind, Sample
from monitor.link.senml import MAX_RECORDS, decode_pack, encode_pack, resolve
from monitor.link.text import MalformedError
from support.messages import pack

SIX = ReadingPack(
    "river",
    "river-node",
    "b0a1c2d3",
    12345,
    123456.789012,
    (
        Sample("high", Kind.FLOAT, 123456.689012, 0.0),
        Sample("low", Kind.FLOAT, 123456.589012, 1.0),
        Sample("floor", Kind.LEAK, 123456.689012, 0.0),
        Sample("incoming", Kind.TEMPERATURE, 123456.039012, 24.3125),
        Sample("inlet", Kind.FLOW, 123456.789012, 9.87, count=74021),
        Sample("tank", Kind.LEVEL, 123456.789012, 0.4321),
    ),
    valve_open=True,
)

Records = list[dict[str, Any]]


def sent(message: ReadingPack = SIX) -> Records:
    """Return the records of a good pack, to be spoilt."""
    records: Records = json.loads(encode_pack(message))
    return records


def read(records: object, station: str = "river") -> ReadingPack:
    """Decode records as they would arrive."""
    return decode_pack(json.dumps(records).encode(), station)


def at(records: Records, name: str) -> dict[str, Any]:
    """Return the record of that name."""
    return next(record for record in records if record["n"] == name)


def test_a_pack_says_units_as_the_standard_spells_them() -> None:
    """RFC 8428 section 12.1: Cel, m, m3/s, count and s; 10 L/min is 1.6667e-4 m3/s."""
    records = sent(replace(SIX, samples=(Sample("inlet", Kind.FLOW, 0.0, 10.0, count=4),)))
    assert at(records, "flow/inlet")["u"] == "m3/s"
    assert at(records, "flow/inlet")["v"] == pytest.approx(1.6667e-4, abs=5e-9)
    assert at(records, "flow/inlet/count") == {
        "n": "flow/inlet/count",
        "u": "count",
        "t": pytest.approx(-123456.789012),
        "v": 4,
    }
    records = sent()
    assert at(records, "uptime")["u"] == "s"
    assert at(records, "temperature/incoming")["u"] == "Cel"
    assert at(records, "level/tank")["u"] == "m"


def test_an_independent_reading_of_the_pack_agrees() -> None:
    """Resolved by the general rules of RFC 8428, a pack says what went in, with ages as relative
    times that end up before now.
    """
    now_s = 1.7e9
    found = {record.name: record for record in resolve(encode_pack(SIX), now_s=now_s)}
    base = "brimwatch:river:river-node:"
    assert all(name.startswith(base) for name in found)
    temperature = found[base + "temperature/incoming"]
    assert (temperature.unit, temperature.value) == ("Cel", 24.3125)
    assert temperature.time_s == pytest.approx(now_s - 0.75)
    assert found[base + "float/low"].value is True
    assert found[base + "seq"].value == 12345


def test_order_of_records_does_not_matter() -> None:
    """A pack whose head comes last reads the same, once the base name is in its first record."""
    records = sent()
    base = records[0].pop("bn")
    turned = records[5:] + records[:5]
    turned[0]["bn"] = base
    assert read(turned) == SIX


SPOILS: dict[str, Callable[[Records], object]] = {
    "not a list": lambda r: {"e": r},
    "empty": lambda _: [],
    "record is a list": lambda r: [*r, []],
    "65 records": lambda r: r + [{"n": f"level/s{i}", "u": "m", "v": 1.0} for i in range(60)],
    "another station": lambda r: [r[0] | {"bn": "brimwatch:pond:river-node:"}, *r[1:]],
    "another program": lambda r: [r[0] | {"bn": "other:river:river-node:"}, *r[1:]],
    "two nodes": lambda r: [*r, {"bn": "brimwatch:river:else:", "n": "level/x", "u": "m", "v": 1}],
    "bad node": lambda r: [r[0] | {"bn": "brimwatch:river:Node:"}, *r[1:]],
    "no node": lambda r: [r[0] | {"bn": "brimwatch:river::"}, *r[1:]],
    "no boot": lambda r: [{"bn": r[0]["bn"]}, *r[1:]],
    "empty boot": lambda r: [r[0] | {"vs": ""}, *r[1:]],
    "long boot": lambda r: [r[0] | {"vs": "b" * 65}, *r[1:]],
    "no seq": lambda r: [x for x in r if x["n"] != "seq"],
    "seq a float": lambda r: [*r[:1], r[1] | {"v": 1.5}, *r[2:]],
    "seq negative": lambda r: [*r[:1], r[1] | {"v": -1}, *r[2:]],
    "seq too large": lambda r: [*r[:1], r[1] | {"v": 2**53}, *r[2:]],
    "seq true": lambda r: [*r[:1], {"n": "seq", "vb": True}, *r[2:]],
    "seq with a unit": lambda r: [*r[:1], r[1] | {"u": "count"}, *r[2:]],
    "seq with an age": lambda r: [*r[:1], r[1] | {"t": -1}, *r[2:]],
    "uptime without its unit": lambda r: [*r[:2], {"n": "uptime", "v": 1.0}, *r[3:]],
    "uptime negative": lambda r: [*r[:2], r[2] | {"v": -0.1}, *r[3:]],
    "uptime 2^28": lambda r: [*r[:2], r[2] | {"v": 2**28}, *r[3:]],
    "valve a number": lambda r: [*r[:3], {"n": "valve", "v": 1}, *r[4:]],
    "drain a number": lambda r: [*r, {"n": "drain", "v": 1}],
    "drain with a unit": lambda r: [*r, {"n": "drain", "u": "m", "vb": True}],
    "drain twice": lambda r: [*r, {"n": "drain", "vb": True}, {"n": "drain", "t": -1, "vb": True}],
    "edge a text": lambda r: [*r[:4], {"n": "edge", "vs": "no"}, *r[5:]],
    "head twice": lambda r: [*r, {"n": "seq", "v": 1, "t": -1}],
    "unknown kind": lambda r: [*r, {"n": "ph/tank", "v": 7.1}],
    "unknown part": lambda r: [*r, {"n": "level/x/more", "u": "m", "v": 1.0}],
    "bad sensor": lambda r: [*r, {"n": "level/X", "u": "m", "v": 1.0}],
    "no sensor": lambda r: [*r, {"n": "level/", "u": "m", "v": 1.0}],
    "sensor twice": lambda r: [*r, {"n": "level/tank", "u": "m", "t": -9, "v": 1.0}],
    "sensor of two kinds": lambda r: [*r, {"n": "level/high", "u": "m", "v": 1.0}],
    "value and fault": lambda r: [*r, {"n": "level/tank/fault", "vs": "crc"}],
    "unknown fault": lambda r: [*r, {"n": "level/x/fault", "vs": "tired"}],
    "fault with a unit": lambda r: [*r, {"n": "level/x/fault", "u": "m", "vs": "crc"}],
    "fault a bool": lambda r: [*r, {"n": "level/x/fault", "vb": True}],
    "count alone": lambda r: [*r, {"n": "flow/x/count", "u": "count", "v": 4}],
    "count of a level": lambda r: [*r, {"n": "level/tank/count", "u": "count", "v": 4}],
    "count a float": lambda r: [x | {"v": 4.0} if x["n"].endswith("count") else x for x in r],
    "count negative": lambda r: [x | {"v": -4} if x["n"].endswith("count") else x for x in r],
    "count without unit": lambda r: [
        {"n": x["n"], "v": 4} if x["n"].endswith("count") else x for x in r
    ],
    "float a number": lambda r: [*r, {"n": "float/x", "v": 1.0}],
    "leak a text": lambda r: [*r, {"n": "leak/x", "vs": "wet"}],
    "temperature a bool": lambda r: [*r, {"n": "temperature/x", "u": "Cel", "vb": True}],
    "temperature in K": lambda r: [*r, {"n": "temperature/x", "u": "K", "v": 300.0}],
    "flow in l/s": lambda r: [*r, {"n": "flow/x", "u": "l/s", "v": 0.1}],
    "level without unit": lambda r: [*r, {"n": "level/x", "v": 0.1}],
    "from the future": lambda r: [*r, {"n": "level/x", "u": "m", "t": 0.001, "v": 0.1}],
    "a time of day": lambda r: [*r, {"n": "level/x", "u": "m", "t": 1.7e9, "v": 0.1}],
    "older than 2^28 s": lambda r: [*r, {"n": "level/x", "u": "m", "t": -(2**28), "v": 0.1}],
}


@pytest.mark.parametrize("spoil", SPOILS.values(), ids=SPOILS.keys())
def test_a_spoilt_pack_is_refused(spoil: Callable[[Records], object]) -> None:
    """One thing wrong with a good pack is enough."""
    assert read(sent()) == SIX
    with pytest.raises(MalformedError):
        read(spoil(sent()))


UNSENDABLE = {
    "bad station": replace(SIX, station="River"),
    "bad node": replace(SIX, node=""),
    "empty boot": replace(SIX, boot=""),
    "boot with a surrogate": replace(SIX, boot="\ud800"),
    "negative seq": replace(SIX, seq=-1),
    "uptime nan": replace(SIX, uptime_s=float("nan")),
    "uptime inf": replace(SIX, uptime_s=float("inf")),
    "bad sensor": replace(SIX, samples=(Sample("Tank", Kind.LEVEL, 0.0, 1.0),)),
    "value nan": replace(SIX, samples=(Sample("tank", Kind.LEVEL, 0.0, float("nan")),)),
    "value inf": replace(SIX, samples=(Sample("tank", Kind.LEVEL, 0.0, float("inf")),)),
    "time nan": replace(SIX, samples=(Sample("tank", Kind.LEVEL, float("nan"), 1.0),)),
    "time -inf": replace(SIX, samples=(Sample("tank", Kind.LEVEL, float("-inf"), 1.0),)),
    "neither": replace(SIX, samples=(Sample("tank", Kind.LEVEL, 0.0, None),)),
    "both": replace(SIX, samples=(Sample("tank", Kind.LEVEL, 0.0, 1.0, Fault.CRC),)),
    "too many": replace(
        SIX, samples=tuple(Sample(f"s{i}", Kind.LEVEL, 0.0, 1.0) for i in range(60))
    ),
}


@pytest.mark.parametrize("message", UNSENDABLE.values(), ids=UNSENDABLE.keys())
def test_a_pack_the_format_cannot_carry_is_refused_at_the_sender(message: ReadingPack) -> None:
    """Encoding raises MalformedError for what it cannot say, and for nothing else."""
    with pytest.raises(MalformedError):
        encode_pack(message)


@pytest.mark.parametrize("open_", [True, False])
def test_the_drain_has_a_record_of_its_own(open_: bool) -> None:
    """A drain's state is read wherever it is said, and unsaid means that no water is let out."""
    assert read([*sent(), {"n": "drain", "vb": open_}]) == replace(SIX, drain_open=open_)
    assert [r for r in sent(replace(SIX, drain_open=open_)) if r["n"] == "drain"] == (
        [{"n": "drain", "vb": True}] if open_ else []
    )
    assert not read(sent()).drain_open


def test_as_many_sensors_as_fit() -> None:
    """64 records hold 59 sensors besides the head."""
    many = tuple(Sample(f"s{i}", Kind.LEVEL, 1.0, 1.0) for i in range(MAX_RECORDS - 5))
    message = replace(SIX, samples=many)
    assert decode_pack(encode_pack(message), "river") == message


@given(st.floats(0.0, 1e8), st.floats(0.0, 1e5))
def test_times_keep_a_microsecond(uptime_s: float, age_s: float) -> None:
    """A sample's time comes back within a microsecond (and the float's own step), whatever the
    uptime; the uptime itself comes back exactly.
    """
    sample = Sample("tank", Kind.LEVEL, uptime_s - age_s, 0.5)
    again = decode_pack(encode_pack(replace(SIX, uptime_s=uptime_s, samples=(sample,))), "river")
    assert again.uptime_s == uptime_s
    assert again.samples[0].at_s == pytest.approx(sample.at_s, abs=1.5e-6, rel=1e-15)
    assert again.samples[0].at_s <= uptime_s + 1e-6


@given(st.floats(0.0, 500.0))
def test_flow_survives_the_change_of_unit(flow_lpm: float) -> None:
    """L/min to m3/s and back loses less than a nanolitre a minute."""
    sample = Sample("inlet", Kind.FLOW, 1.0, flow_lpm, count=1)
    again = decode_pack(encode_pack(replace(SIX, samples=(sample,))), "river")
    assert again.samples[0].value == pytest.approx(flow_lpm, abs=1e-9)


@pytest.mark.parametrize("value", [1.0, 0.5, -1.0, 2.0, float("nan")])
def test_a_switch_that_is_not_a_clean_zero_is_high(value: float) -> None:
    """A float or leak value other than 0 arrives as 1: the side that shuts the valve."""
    for kind in (Kind.FLOAT, Kind.LEAK):
        message = replace(SIX, samples=(Sample("high", kind, 1.0, value),))
        assert decode_pack(encode_pack(message), "river").samples[0].value == 1.0


def test_a_six_sensor_pack_is_fast() -> None:
    """Encoding and decoding together stay below 0.4 ms. The bench reports the true figure; this
    bound only catches a blunder, since the machine may be busy.
    """
    payload = encode_pack(SIX)
    best_s = min(_timed(payload) for _ in range(5))
    assert best_s < 400e-6


def _timed(payload: bytes, rounds: int = 100) -> float:
    start_s = time.perf_counter()
    for _ in range(rounds):
        encode_pack(SIX)
        decode_pack(payload, "river")
    return (time.perf_counter() - start_s) / rounds


def test_a_plain_pack_is_small() -> None:
    """A six-sensor pack takes less than 600 bytes."""
    assert len(encode_pack(SIX)) < 600
    assert len(encode_pack(pack())) < 350
