"""What small changes of the quality rules showed to be unsaid: beginnings, odd values, rounding."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import pytest

from monitor.core.limits import DEFAULTS
from monitor.core.quality import (
    Senses,
    Track,
    accept,
    age_s,
    fresh,
    fresh_sensors,
    silence_s,
)
from monitor.core.reading import Fault, Kind, Sample
from support.stories import TEMP, pack_of

ENGINE_S = 90_000.0
FIRST = pack_of(1, 10.0)


def heard(senses: Senses, seq: int, made_s: float, transit_s: float = 0.0) -> Senses:
    """Return the senses after one more pack of the same node."""
    after, new = accept(senses, pack_of(seq, made_s), ENGINE_S + made_s + transit_s)
    assert new
    return after


def with_sample(sample: Sample, seq: int = 2, made_s: float = 11.0) -> Senses:
    """Return the senses after a good pack and one that says this of its sensor."""
    pack = replace(pack_of(seq, made_s), samples=(sample,))
    after, new = accept(heard(Senses(), 1, 10.0), pack, ENGINE_S + made_s)
    assert new
    return after


def test_a_sensor_never_heard_is_missing() -> None:
    """Claim: before its first value a sensor has none, from no time, and is called missing."""
    never = Track()
    assert (never.value, never.count) == (0.0, 0)
    assert (never.good_s, never.fault) == (-inf, Fault.MISSING)


def test_a_node_never_heard_has_said_nothing() -> None:
    """Claim: no boot, number, time or valve is taken for granted before the first pack."""
    never = Senses()
    assert (never.tracks, never.boot, never.seq, never.former) == ({}, "", -1, ())
    assert (never.uptime_s, never.heard_s, never.arrived_s, never.twin_s) == (-inf,) * 4
    assert never.offset_s == inf
    assert not never.valve_open
    assert not never.drain_open


def test_sixteen_earlier_boots_are_remembered_the_newest_ones() -> None:
    """Claim: the memory of boots is bounded, and drops the oldest."""
    senses = Senses()
    for number in range(20):
        pack = pack_of(1, 10.0, boot=f"boot-{number}")
        senses, new = accept(senses, pack, ENGINE_S + 20.0 * number)
        assert new
    assert [boot for boot, _ in senses.former] == [f"boot-{n}" for n in range(3, 19)]


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_a_value_that_is_no_number_is_a_fault(value: float) -> None:
    """Claim: such a sample is an error of its sensor, and the last good value goes on ageing."""
    senses = with_sample(Sample(TEMP, Kind.TEMPERATURE, 11.0, value))
    before = heard(Senses(), 1, 10.0).tracks[TEMP]
    assert senses.tracks[TEMP] == replace(before, fault=Fault.ERROR)
    assert age_s(senses, TEMP, ENGINE_S + 11.0) == 1.0


def test_a_value_without_a_moment_is_not_taken_in() -> None:
    """Claim: a sample that does not say when it was true leaves the last good one as it was."""
    senses = with_sample(Sample(TEMP, Kind.TEMPERATURE, nan, 99.0))
    assert senses.tracks[TEMP] == heard(Senses(), 1, 10.0).tracks[TEMP]
    assert not fresh(senses, TEMP, ENGINE_S + 10.0 + DEFAULTS.reading_stale_s)


def test_the_fresh_sensors_are_those_that_are_fresh() -> None:
    """Claim: asked for all at once or for each, the answer is the same, at the edges too: neither a
    value from the future nor one that has just become stale is fresh.
    """
    senses = with_sample(replace(FIRST.samples[0], at_s=11.0))  # the others stay a second older
    stale_s = DEFAULTS.reading_stale_s
    for past_s in (-1.5, -0.5, 0.0, 0.5, stale_s - 1.5, stale_s - 1.0, stale_s - 0.5, stale_s):
        now_s = ENGINE_S + 11.0 + past_s
        each = {sensor for sensor in senses.tracks if fresh(senses, sensor, now_s)}
        assert fresh_sensors(senses, now_s) == each
    assert fresh_sensors(senses, ENGINE_S + 11.0) == set(senses.tracks)
    assert fresh_sensors(senses, ENGINE_S + 11.0 + stale_s) == set()
    assert fresh_sensors(senses, ENGINE_S + 10.0) == set(senses.tracks) - {FIRST.samples[0].sensor}


def test_the_nodes_word_on_its_valves_is_kept() -> None:
    """Claim: open is open, and shut is shut, from pack to pack."""
    after, _ = accept(Senses(), replace(FIRST, valve_open=True), ENGINE_S + 10.0)
    assert (after.valve_open, after.drain_open) == (True, False)
    after, _ = accept(Senses(), replace(FIRST, drain_open=True), ENGINE_S + 10.0)
    assert (after.valve_open, after.drain_open) == (False, True)
    after = heard(after, 2, 11.0)
    assert (after.valve_open, after.drain_open) == (False, False)


def test_a_twin_is_not_forgotten_with_the_next_pack() -> None:
    """Claim: what was noticed of a second node stays noticed while the first one goes on."""
    senses = replace(heard(Senses(), 1, 10.0), twin_s=ENGINE_S + 10.5)
    assert heard(senses, 2, 11.0).twin_s == ENGINE_S + 10.5


def test_a_burst_of_packs_moves_the_offset_by_the_time_it_takes() -> None:
    """Claim: the offset creeps with time, not with the number of packs, so that edges sent one
    upon another cannot make a queued pack look newer than it is.
    """
    first = senses = heard(Senses(), 1, 10.0)
    for number in range(1, 101):
        senses = heard(senses, 1 + number, 10.0 + number / 1000, transit_s=2.5)
    crept_s = senses.offset_s - first.offset_s
    assert crept_s <= DEFAULTS.clock_creep * (2.5 + 0.1) + 1e-9


def test_an_engine_clock_that_goes_back_does_not_pull_the_offset() -> None:
    """Claim: only time that has passed lets the offset creep; less than none is none."""
    late = heard(heard(Senses(), 1, 10.0), 2, 11.0, transit_s=2.5)
    after = heard(late, 3, 11.5, transit_s=1.0)  # arrives a second before the one in front of it
    assert after.offset_s == late.offset_s


@pytest.mark.parametrize(
    ("made_s", "now_s"),
    [(0.27545198641461244, 1.6338383674529273), (643650.653637012, 6111113.303898714)],
)
def test_rounding_never_makes_a_node_silent_that_speaks(made_s: float, now_s: float) -> None:
    """Claim: a pack that arrives now was made now or before, though made + (now - made) is more
    than now in floating point for these two.
    """
    assert made_s + (now_s - made_s) > now_s
    senses, new = accept(Senses(), pack_of(1, made_s), now_s)
    assert new
    assert silence_s(senses, now_s) == 0.0
