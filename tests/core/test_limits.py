"""The table of limits: complete, sound, used, and never loosened."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from math import inf, nan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import monitor
from monitor.core import limits
from monitor.core.limits import DEFAULTS, LIMITS, Limits, refusal, relations, with_overrides

NAMES = sorted(LIMITS)
SOURCES = [
    path.read_text(encoding="utf-8")
    for path in Path(monitor.__file__).parent.rglob("*.py")
    if path.name != "limits.py"
]
SUFFIXES = {"s": "_s", "L": "_l", "L/min": "_lpm", "°C": "_c"}


@pytest.mark.parametrize("name", NAMES)
def test_every_row_says_what_it_is(name: str) -> None:
    """Claim: each limit has a unit, a hard range around its default, a source and a why."""
    row = LIMITS[name]
    assert row.name == name
    assert 0.0 <= row.low <= row.default <= row.high < inf
    assert row.low < row.high
    assert row.source
    assert row.why
    assert name.endswith(SUFFIXES.get(row.unit, ""))


@pytest.mark.parametrize("name", NAMES)
def test_every_limit_is_used(name: str) -> None:
    """Claim: a limit that no code reads would promise what nothing keeps."""
    read = re.compile(rf"limits\.{name}\b|\"{name}\"")
    assert any(read.search(text) for text in SOURCES)


def test_table_and_class_name_the_same_limits() -> None:
    """Claim: the two are one list, and the defaults are the table's."""
    assert {f.name for f in fields(Limits)} == set(LIMITS)
    assert all(getattr(DEFAULTS, name) == row.default for name, row in LIMITS.items())


@pytest.mark.parametrize("name", NAMES)
def test_the_hard_range_is_hard(name: str) -> None:
    """Claim: both ends are allowed; a hair beyond, NaN and infinity are not, with the reason."""
    row = LIMITS[name]
    assert refusal(name, row.low) is None
    assert refusal(name, row.high) is None
    hair = (row.high - row.low) * 1e-9
    for value in (row.low - hair, row.high + hair, nan, inf, -inf):
        told = refusal(name, value)
        assert told is not None
        assert row.why in told
        assert getattr(with_overrides({name: value}), name) == row.default


def test_an_unknown_limit_is_refused_and_left_out() -> None:
    """Claim: a name that is not in the table changes nothing."""
    assert "no limit named" in str(refusal("patience_s", 1.0))
    assert with_overrides({"patience_s": 1.0}) == DEFAULTS


@given(st.dictionaries(st.sampled_from(NAMES), st.floats()))
def test_no_config_leaves_a_hard_range(values: dict[str, float]) -> None:
    """Claim: whatever a config says, every limit in force lies in its hard range."""
    chosen = with_overrides(values)
    assert all(
        row.low <= getattr(chosen, name) <= row.high for name, row in LIMITS.items()
    )


def test_the_defaults_fit_together() -> None:
    """Claim: nothing is wrong with the defaults taken together."""
    assert relations(DEFAULTS) == ()


BREAKS = {
    "suspect_s": {"reading_period_s": DEFAULTS.suspect_s},
    "reading_stale_s": {"reading_stale_s": 1.9 * DEFAULTS.reading_period_s},
    "permit_ttl_s": {"permit_ttl_s": DEFAULTS.suspect_s},
    "no_flow_bound_s": {"no_flow_bound_s": 1.9 * DEFAULTS.no_flow_s},
    "shut_flow_bound_s": {"shut_flow_bound_s": 1.9 * DEFAULTS.shut_flow_s},
    "seep_bound_s": {"seep_bound_s": 1.9 * DEFAULTS.seep_s},
    "hot_bound_s": {"hot_bound_s": 1.9 * DEFAULTS.hot_s},
    "cold_bound_s": {"cold_bound_s": 1.9 * DEFAULTS.cold_s},
    "quiet_bound_s": {"quiet_bound_s": 1.9 * DEFAULTS.quiet_s},
    "check_max_s": {"check_quiet_s": DEFAULTS.check_max_s},
    "hold_max_s": {"hold_pause_s": DEFAULTS.hold_max_s},
}


@pytest.mark.parametrize("name", BREAKS)
def test_a_pair_that_does_not_fit_is_told(name: str) -> None:
    """Claim: each relation, broken alone, is the only one told, and names its limit."""
    told = relations(replace(DEFAULTS, **BREAKS[name]))
    assert len(told) == 1
    assert name in told[0]


@pytest.mark.parametrize(
    ("was", "is_now", "told"),
    [
        ('LIMITS["seep_s"].default', 'LIMITS["seep_s"].default; odd_s: float = 1.0',
         "name different limits"),
        ('"s", 5.0, 27.0, 25.0', '"s", 5.0, 27.0, 28.0', "outside the hard range"),
        ('"s", 10.0, 55.0, 55.0', '"s", 10.0, 55.0, 49.0', "seep_bound_s must be"),
    ],
)  # fmt: skip
def test_a_table_that_is_not_sound_does_not_start(was: str, is_now: str, told: str) -> None:
    """Claim: the table, the class and the relations are checked when the program starts."""
    path = Path(limits.__file__)
    source = path.read_text(encoding="utf-8")
    assert was in source
    spoilt = compile(source.replace(was, is_now), str(path), "exec")
    with pytest.raises(RuntimeError, match=told):
        exec(spoilt, {"__name__": limits.__name__})  # noqa: S102


# --- the bounds of the hazard catalogue, at the far end of every hard range ---

CLOSING_S = 1.0  # the reference rig's valve
READ_S = 1.0  # a reading a second


def test_no_config_breaks_a_bound_of_the_catalogue() -> None:
    """Claim: with every limit at the loose end of its hard range the catalogue's bounds hold: C01
    to C05 within 3 s, C06 within 5 s, W04 within 15 s, W05 within 60 s, W15 and T02 within 30 s,
    T01 within 10 s, each with the reading period on top where a reading has to show it.
    """
    high = {name: row.high for name, row in LIMITS.items()}
    assert high["permit_ttl_s"] + CLOSING_S <= 3.0
    assert high["loop_stall_s"] + 0.5 <= 5.0  # the watch looks every half second
    assert high["reading_stale_s"] <= 3.0
    assert high["seep_bound_s"] + READ_S <= 60.0
    assert high["no_flow_bound_s"] <= 30.0
    assert high["cold_bound_s"] + READ_S <= 30.0
    assert high["hot_bound_s"] + READ_S <= 10.0
    assert CLOSING_S + DEFAULTS.shut_grace_s + high["shut_flow_bound_s"] + READ_S <= 15.0
