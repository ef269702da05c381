"""Our SenML reader against the examples of RFC 8428 itself (section 5.1, July 2018)."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.link.senml import ABSOLUTE_FROM_S, VERSION, Record, resolve
from monitor.link.text import MalformedError

pytestmark = pytest.mark.external

NOW_S = 1_700_000_000.0
OW = "urn:dev:ow:10e2073a01080063"

# RFC 8428 section 5.1.1: a single data point.
EX1 = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
# RFC 8428 section 5.1.2: multiple data points, at an unspecified time ("now").
EX2 = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
  {"n":"current","u":"A","v":1.2}
]"""
# RFC 8428 section 5.1.2: the same with times, an older version number and a base unit.
EX3 = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
# RFC 8428 section 5.1.3: multiple measurements.
EX4 = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""
# RFC 8428 section 5.1.4: the pack of section 5.1.3 in resolved form, record for record.
EX4_RESOLVED = """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]"""


def resolved(text: str, now_s: float = NOW_S) -> tuple[Record, ...]:
    return resolve(text.encode(), now_s=now_s)


def pack(*records: dict[str, Any]) -> str:
    return json.dumps(records)


def test_a_single_data_point() -> None:
    """RFC 8428 section 5.1.1: a temperature of 23.1 Cel taken about now."""
    assert resolved(EX1) == (Record(OW, "Cel", NOW_S, 23.1),)


def test_a_base_name_goes_before_every_name() -> None:
    """RFC 8428 section 5.1.2, first example: two names under one base, both of now."""
    assert resolved(EX2) == (
        Record(f"{OW}:voltage", "V", NOW_S, 120.1),
        Record(f"{OW}:current", "A", NOW_S, 1.2),
    )


def test_base_time_and_unit_apply_until_replaced() -> None:
    """RFC 8428 section 5.1.2, second example: the resolved values are those its authors publish
    with it (core-wg/senml-spec, ex3.gen.resolved.json), here in order of time (section 4.6).
    """
    current = "urn:dev:ow:10e2073a0108006:current"
    assert resolved(EX3) == (
        Record(current, "A", 1276020071.001, 1.2),
        Record(current, "A", 1276020072.001, 1.3),
        Record(current, "A", 1276020073.001, 1.4),
        Record(current, "A", 1276020074.001, 1.5),
        Record(current, "A", 1276020075.001, 1.6),
        Record("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1),
        Record(current, "A", 1276020076.001, 1.7),
    )


def test_multiple_measurements_resolve_as_the_standard_prints_them() -> None:
    """RFC 8428 section 5.1.3 resolves to section 5.1.4, record for record, and a resolved pack
    resolves to itself.
    """
    assert len(resolved(EX4)) == 13
    assert resolved(EX4) == resolved(EX4_RESOLVED)
    expected = [
        Record(record["n"], record["u"], record["t"], record["v"])
        for record in json.loads(EX4_RESOLVED)
    ]
    assert list(resolved(EX4)) == expected


def test_each_type_of_value() -> None:
    """RFC 8428 section 5.1.5: number, text, boolean, and base64url data ("hi" and a newline with
    a space before it, by RFC 4648 section 5).
    """
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},
      {"n":"nfv-reader","vd":"aGkgCg"}
    ]"""
    assert [record.value for record in resolved(text)] == [23.1, "Machine Room", False, b"hi \n"]


def test_a_base_name_may_change_within_a_pack() -> None:
    """RFC 8428 section 5.1.6: the last record takes the base name of the third and the base time
    of the first.
    """
    text = """[
      {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
      {"n":"humidity","u":"%RH","v":30},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
      {"n":"humidity","u":"%RH","v":67}
    ]"""
    assert resolved(text) == (
        Record("2001:db8::2/temperature", "Cel", 1320078429.0, 25.2),
        Record("2001:db8::2/humidity", "%RH", 1320078429.0, 30),
        Record("2001:db8::1/temperature", "Cel", 1320078429.0, 12.3),
        Record("2001:db8::1/humidity", "%RH", 1320078429.0, 67),
    )


def test_base_fields_alone_are_no_measurement() -> None:
    """RFC 8428 section 5.1.7, first example: a first record with nothing but a base name."""
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063:"},
      {"n":"temp","u":"Cel","v":23.1},
      {"n":"heat","u":"/","v":1},
      {"n":"fan","u":"/","v":0}
    ]"""
    assert [record.name.removeprefix(f"{OW}:") for record in resolved(text)] == [
        "temp",
        "heat",
        "fan",
    ]


def test_one_name_at_two_times_is_two_measurements() -> None:
    """RFC 8428 section 5.1.7, last example: the same two names now and 100 ms later."""
    text = """[
      {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},
      {"n":"2001:db8::4","v":0.5},
      {"n":"2001:db8::3","t":0.1,"v":0},
      {"n":"2001:db8::4","t":0.1,"v":0}
    ]"""
    assert [(record.name[-1], record.value) for record in resolved(text)] == [
        ("3", 0.5),
        ("4", 0.5),
        ("3", 0),
        ("4", 0),
    ]


def test_where_absolute_time_begins() -> None:
    """RFC 8428 section 4.5.3: below 2^28 s a time is relative to now; 2^28 s is
    1978-07-04 21:24:16 UTC.
    """
    from datetime import UTC, datetime

    first = datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC).timestamp()
    assert first == 2**28 == ABSOLUTE_FROM_S
    assert resolved(pack({"n": "a", "t": 2**28, "v": 1}))[0].time_s == first
    assert resolved(pack({"n": "a", "t": 2**28 - 1, "v": 1}))[0].time_s == NOW_S + 2**28 - 1
    assert resolved(pack({"n": "a", "t": -1, "v": 1}))[0].time_s == NOW_S - 1


def test_sums_and_base_values_add_up() -> None:
    """RFC 8428 sections 4.1 and 4.5.4: base value and base sum are added; a record may have a sum
    and no value; the update time is passed on.
    """
    text = pack(
        {"bn": "m", "bv": 100, "bs": 1000, "u": "W", "v": 1.5, "s": 2},
        {"t": 1, "s": 3, "ut": 60},
        {"t": 2, "v": 2},
    )
    assert resolved(text) == (
        Record("m", "W", NOW_S, 101.5, 1002),
        Record("m", None, NOW_S + 1, None, 1003, 60),
        Record("m", None, NOW_S + 2, 102, 1000),
    )


def test_unknown_fields_are_ignored_unless_they_must_be_understood() -> None:
    """RFC 8428 section 4.4: an unknown label is ignored, one that ends in _ is an error."""
    assert resolved(pack({"n": "a", "v": 1, "color": "red"})) == resolved(pack({"n": "a", "v": 1}))
    with pytest.raises(MalformedError, match="color_"):
        resolved(pack({"n": "a", "v": 1, "color_": "red"}))


def test_versions() -> None:
    """RFC 8428 sections 4.1 and 4.4: 10 is the default; a newer pack must not be used, and all
    records of a pack have one version.
    """
    assert VERSION == 10
    resolved(pack({"bver": 10, "n": "a", "v": 1}, {"n": "b", "v": 1}))
    for bad in (11, 0, -1, 9.5, "10", True):
        with pytest.raises(MalformedError):
            resolved(pack({"bver": bad, "n": "a", "v": 1}))
    with pytest.raises(MalformedError, match="version"):
        resolved(pack({"bver": 5, "n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}))
    with pytest.raises(MalformedError, match="version"):
        resolved(pack({"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}))


@pytest.mark.parametrize("name", ["a", "0", "A.b-c:d/e_f", "urn:dev:ow:10e2"])
def test_names_of_the_allowed_characters(name: str) -> None:
    """RFC 8428 section 4.5.1: letters, digits and - : . / _, the first a letter or a digit."""
    assert resolved(pack({"n": name, "v": 1}))[0].name == name


@pytest.mark.parametrize("name", ["", "-a", ":a", "/a", "_a", "a b", "a,b", "tag:a@b", "ä", "a\n"])
def test_names_of_other_characters_are_refused(name: str) -> None:
    """RFC 8428 section 4.5.1, which names the tag scheme as one that does not fit."""
    with pytest.raises(MalformedError, match="name"):
        resolved(pack({"n": name, "v": 1}))


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        "[]",
        '"pack"',
        "[1]",
        "[[]]",
        '[{"n":"a"}]',
        '[{"n":"a","v":1,"vb":true}]',
        '[{"n":"a","v":"1"}]',
        '[{"n":"a","v":true}]',
        '[{"n":"a","v":null}]',
        '[{"n":"a","vb":1}]',
        '[{"n":"a","vs":1}]',
        '[{"n":1,"v":1}]',
        '[{"n":"a","u":1,"v":1}]',
        '[{"n":"a","t":"now","v":1}]',
        '[{"n":"a","v":NaN}]',
        '[{"n":"a","v":1e999}]',
        '[{"n":"a","v":1e308,"bv":1e308}]',
        '[{"n":"a","t":Infinity,"v":1}]',
        '[{"n":"a","v":1,"v":2}]',
        '[{"n":"a","v":1},{"n":"a","v":2}]',
        '[{"n":"a","vd":"aGkgCg=="}]',
        '[{"n":"a","vd":"aGk+Cg"}]',
        '[{"n":"a","vd":"aGkgC"}]',
        '[{"n":"a","vs":"\\ud800"}]',
        json.dumps([{"n": f"a{i}", "v": 1} for i in range(65)]),
        json.dumps([{"n": "a", "vs": "x" * 70_000}]),
    ],
    ids=lambda text: text[:40],
)
def test_what_is_no_pack_is_refused(text: str) -> None:
    """Section 5 gives the types of table 2 and one value a record (section 4.2); the bounds on
    records and bytes are ours.
    """
    with pytest.raises(MalformedError):
        resolved(text)


def test_any_double_is_a_value() -> None:
    """RFC 8428 section 5: the range of IEEE doubles must be processed; 1.1 and 1.10 are equal, and
    an integer is a number.
    """
    for number in (1.7976931348623157e308, -1.7976931348623157e308, 5e-324, 0, 2**63):
        assert resolved(pack({"n": "a", "v": number}))[0].value == number
    assert resolved('[{"n":"a","v":1.1}]') == resolved('[{"n":"a","v":1.10}]')
