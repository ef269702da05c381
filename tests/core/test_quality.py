"""Quality before value: what is fresh, what is old, and what was never there."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import ReadingPack
from monitor.core.limits import DEFAULTS
from monitor.core.quality import BOOTS_KEPT, Senses, Track, accept, age_s, fresh, silence_s
from monitor.core.reading import Fault, Kind, Sample
from support.stories import FLOAT, LEAK, METER, TEMP, pack_of

ENGINE_S = 90_000.0  # engine time of node time nought: the clocks have nothing in common


def heard(*times: tuple[int, float, float]) -> Senses:
    """Return the senses after packs of (sequence, made at node time, transit)."""
    senses = Senses()
    for seq, made_s, transit_s in times:
        senses, new = accept(senses, pack_of(seq, made_s), ENGINE_S + made_s + transit_s)
        assert new
    return senses


def test_nothing_is_known_before_the_first_pack() -> None:
    """Claim: no pack, no freshness, infinite age and silence."""
    assert age_s(Senses(), TEMP, 0.0) == inf
    assert not fresh(Senses(), TEMP, 0.0)
    assert silence_s(Senses(), 0.0) == inf


def test_a_reading_is_fresh_for_reading_stale_s_and_no_longer() -> None:
    """Claim: at the limit itself it is stale."""
    senses = heard((1, 10.0, 0.0))
    now_s = ENGINE_S + 10.0
    assert fresh(senses, TEMP, now_s)
    assert fresh(senses, TEMP, now_s + DEFAULTS.reading_stale_s - 0.001)
    assert not fresh(senses, TEMP, now_s + DEFAULTS.reading_stale_s)


def test_a_reading_that_sat_in_a_queue_is_as_old_as_it_is() -> None:
    """Claim: dated by the smallest transit seen, a pack that took 2.5 s longer is 2.5 s old."""
    senses = heard((1, 10.0, 0.2), (2, 11.0, 2.7))
    now_s = ENGINE_S + 11.0 + 2.7
    assert silence_s(senses, now_s) == pytest.approx(2.5, abs=0.01)
    assert age_s(senses, TEMP, now_s) == pytest.approx(2.5, abs=0.01)


def test_a_shorter_transit_is_learned_at_once() -> None:
    """Claim: the smallest transit is the best guess of the clocks' distance."""
    senses = heard((1, 10.0, 1.0), (2, 11.0, 0.1))
    assert senses.offset_s == pytest.approx(ENGINE_S + 0.1)


def test_drift_of_a_quartz_clock_is_never_taken_for_delay() -> None:
    """Claim: over 30 days a node clock that loses 100 ppm stays fresh at every hour."""
    senses, drift = Senses(), 1.0 - 100e-6
    for second in range(0, 30 * 24 * 3600, 60):
        pack = pack_of(second + 1, second * drift)
        senses, new = accept(senses, pack, ENGINE_S + second)
        assert new
        assert silence_s(senses, ENGINE_S + second) < 0.01


@pytest.mark.parametrize("seq", [5, 4, 0])
def test_repeated_and_older_packs_are_dropped(seq: int) -> None:
    """Claim: within one boot only a rising sequence counts."""
    senses = heard((5, 10.0, 0.0))
    after, new = accept(senses, pack_of(seq, 12.0, **{LEAK: 1.0}), ENGINE_S + 12.0)
    assert not new
    assert after is senses


def test_a_pack_made_before_the_newest_is_dropped() -> None:
    """Claim: a node clock that ran back within a boot is not believed."""
    senses = heard((5, 10.0, 0.0))
    assert accept(senses, pack_of(6, 9.9), ENGINE_S + 11.0) == (senses, False)


@pytest.mark.parametrize("bad_s", [nan, inf, -inf])
def test_a_pack_without_a_time_is_dropped(bad_s: float) -> None:
    """Claim: neither the node's nor the engine's clock may be no number."""
    assert accept(Senses(), pack_of(1, bad_s), 0.0) == (Senses(), False)
    assert accept(Senses(), pack_of(1, 0.0), bad_s) == (Senses(), False)


def test_another_boot_starts_from_nothing() -> None:
    """Claim: what an earlier boot said proves nothing about this one."""
    senses = heard((5, 10.0, 0.0))
    pack = pack_of(1, 0.0, boot="boot-b")
    bare = replace(pack, samples=tuple(s for s in pack.samples if s.sensor == LEAK))
    after, new = accept(senses, bare, ENGINE_S + 20.0)
    assert new
    assert set(after.tracks) == {LEAK}
    assert after.boot == "boot-b"


def test_a_superseded_boot_never_returns_and_is_noticed_when_it_lives() -> None:
    """Claim: an old pack of an earlier boot is nothing at all; a new one means two nodes."""
    senses, _ = accept(heard((5, 10.0, 0.0)), pack_of(1, 0.0, boot="boot-b"), ENGINE_S + 20.0)
    boot_a = heard((5, 10.0, 0.0)).boot
    replayed, new = accept(senses, pack_of(5, 10.0, boot=boot_a), ENGINE_S + 21.0)
    assert not new
    assert replayed == senses
    alive, new = accept(senses, pack_of(6, 11.0, boot=boot_a), ENGINE_S + 22.0)
    assert not new
    assert (alive.boot, alive.seq, alive.twin_s) == ("boot-b", 1, ENGINE_S + 22.0)
    assert alive.tracks == senses.tracks
    back, new = accept(senses, pack_of(7, 30.0, boot=boot_a), ENGINE_S + 20.0 + DEFAULTS.twin_s)
    assert new  # the present one has long been silent: whoever speaks is the node
    assert back.boot == boot_a


def test_the_boots_remembered_are_bounded() -> None:
    """Claim: a node that restarts for ever does not fill the memory."""
    senses = heard((5, 10.0, 0.0))
    for index in range(BOOTS_KEPT + 5):
        senses, new = accept(senses, pack_of(1, 0.0, boot=f"boot-{index}"), ENGINE_S + index)
        assert new
    assert len(senses.former) == BOOTS_KEPT


def test_a_fault_keeps_the_last_good_value_and_lets_it_age() -> None:
    """Claim: a faulty sensor has no new value; what it last said is dated when it said it."""
    senses = heard((1, 10.0, 0.0))
    after, _ = accept(senses, pack_of(2, 12.0, **{TEMP: Fault.CRC}), ENGINE_S + 12.0)
    track = after.tracks[TEMP]
    assert (track.value, track.fault) == (25.0, Fault.CRC)
    assert age_s(after, TEMP, ENGINE_S + 12.0) == pytest.approx(2.0)


def test_a_sensor_that_a_pack_leaves_out_ages() -> None:
    """Claim: not mentioned is not renewed."""
    senses = heard((1, 10.0, 0.0))
    pack = pack_of(2, 14.0)
    bare = replace(pack, samples=tuple(s for s in pack.samples if s.sensor != FLOAT))
    after, _ = accept(senses, bare, ENGINE_S + 14.0)
    assert not fresh(after, FLOAT, ENGINE_S + 14.0)
    assert fresh(after, LEAK, ENGINE_S + 14.0)


def test_a_sample_older_than_the_last_good_one_is_not_taken() -> None:
    """Claim: within a newer pack an older sample cannot take a newer one back."""
    senses = heard((1, 10.0, 0.0))
    late = Sample(LEAK, Kind.LEAK, 9.0, 1.0)
    pack = replace(pack_of(2, 11.0), samples=(late,))
    after, _ = accept(senses, pack, ENGINE_S + 11.0)
    assert after.tracks[LEAK].value == 0.0


def test_nothing_was_measured_in_the_future() -> None:
    """Claim: a sample dated ahead counts as of now, so it goes stale like any other."""
    ahead = Sample(TEMP, Kind.TEMPERATURE, 1e6, 25.0)
    pack = replace(pack_of(1, 10.0), samples=(ahead,))
    after, _ = accept(Senses(), pack, ENGINE_S + 10.0)
    assert after.tracks[TEMP].good_s == ENGINE_S + 10.0
    assert not fresh(after, TEMP, ENGINE_S + 13.0)


@pytest.mark.parametrize("at_s", [nan, -inf])
def test_a_sample_without_a_time_is_no_reading(at_s: float) -> None:
    """Claim: a moment that is no number makes no reading fresh."""
    pack = replace(pack_of(1, 10.0), samples=(Sample(TEMP, Kind.TEMPERATURE, at_s, 25.0),))
    after, _ = accept(Senses(), pack, ENGINE_S + 10.0)
    assert not fresh(after, TEMP, ENGINE_S + 10.0)


def test_a_value_from_the_future_is_not_fresh() -> None:
    """Claim: asked about a time before its date, a value is not to be believed."""
    senses = replace(Senses(), tracks={TEMP: Track(25.0, 0, 100.0, None)}, heard_s=100.0)
    assert age_s(senses, TEMP, 99.0) == inf
    assert silence_s(senses, 99.0) == inf
    assert age_s(senses, TEMP, nan) == inf


anything = st.floats(allow_nan=True, allow_infinity=True)
samples = st.builds(
    Sample,
    st.sampled_from([FLOAT, LEAK, TEMP, METER]),
    st.sampled_from(list(Kind)),
    anything,
    st.none() | anything,
    st.none() | st.sampled_from(list(Fault)),
    st.none() | st.integers(-(10**40), 10**400),
)
packs = st.builds(
    ReadingPack,
    st.just("river"),
    st.just("node"),
    st.sampled_from(["", "a", "b"]),
    st.integers(-5, 5),
    anything,
    st.lists(samples, max_size=4).map(tuple),
    st.booleans(),
)


@given(st.lists(st.tuples(packs, anything), max_size=8))
def test_whatever_comes_nothing_raises_and_no_unusable_value_is_kept(
    story: list[tuple[ReadingPack, float]],
) -> None:
    """Claim: total for any pack; every kept value is finite, and nothing is dated after now."""
    senses, newest_s = Senses(), -inf
    for pack, now_s in story:
        senses, _ = accept(senses, pack, now_s)
        newest_s = now_s if newest_s < now_s < inf else newest_s
        for sensor, track in senses.tracks.items():
            assert -inf < track.value < inf
            assert track.good_s <= newest_s
            fresh(senses, sensor, now_s)


def test_two_packs_of_one_moment_are_both_taken() -> None:
    """Claim: an edge in the very moment of a periodic pack is not lost: sequence decides, and the
    later of two values of one moment counts.
    """
    senses = heard((1, 10.0, 0.0))
    after, new = accept(senses, pack_of(2, 10.0, **{LEAK: 1.0}), ENGINE_S + 10.0)
    assert new
    assert after.tracks[LEAK].value == 1.0


def test_no_value_and_no_fault_is_a_fault() -> None:
    """Claim: a sample that says nothing is an error of its driver."""
    pack = replace(pack_of(1, 10.0), samples=(Sample(TEMP, Kind.TEMPERATURE, 10.0, None),))
    after, _ = accept(Senses(), pack, ENGINE_S + 10.0)
    assert after.tracks[TEMP].fault is Fault.ERROR


def test_a_value_beside_a_fault_does_not_count() -> None:
    """Claim: quality before value: whatever number comes with a fault is not taken."""
    odd = Sample(TEMP, Kind.TEMPERATURE, 10.0, 85.0, Fault.POWER_ON)
    after, _ = accept(Senses(), replace(pack_of(1, 10.0), samples=(odd,)), ENGINE_S + 10.0)
    assert not fresh(after, TEMP, ENGINE_S + 10.0)


@pytest.mark.parametrize(
    ("count", "taken"), [(0, True), (2**53, True), (None, False), (-1, False), (2**53 + 1, False)]
)
def test_a_flow_counts_with_a_count_that_can_be_counted_on(count: int | None, taken: bool) -> None:
    """Claim: from nought to the last integer that is exact as a float; a flow without is none."""
    flow = Sample(METER, Kind.FLOW, 10.0, 5.0, None, count)
    after, _ = accept(Senses(), replace(pack_of(1, 10.0), samples=(flow,)), ENGINE_S + 10.0)
    assert fresh(after, METER, ENGINE_S + 10.0) is taken
    if taken:
        assert after.tracks[METER].count == count
