"""Timed stories of warm and cold water, and of sensors that cannot be believed."""

from __future__ import annotations

import pytest

from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.reading import Fault
from support.stories import FLOAT, FLOW_LPM, LEAK, METER, TEMP, Story, pack_of

STOPPED, HOLDING, FILLING = Phase.STOPPED, Phase.HOLDING, Phase.FILLING


# --- T01, T02: out of the band ---


@pytest.mark.parametrize(
    ("temp_c", "key", "rule", "bound_s"), [(27.1, "hot", "T01", 10.0), (22.9, "cold", "T02", 30.0)]
)
def test_water_out_of_the_band_holds_tries_again_and_stops(
    filling: Story, temp_c: float, key: str, rule: str, bound_s: float
) -> None:
    """Claim (T01, T02): too warm holds within 10 s, too cold within 30 s; when it stays so, the
    fill is over after the allowed holds.
    """
    at_s = filling.now_s
    filling.temp_c = temp_c
    filling.until(HOLDING)
    assert filling.shut_after(at_s) <= bound_s
    assert (filling.station.cause, filling.station.cause_key) == (rule, key)
    filling.until(STOPPED, 600.0)
    assert filling.station.cause_key == key
    assert filling.running.holds == DEFAULTS.holds_max
    assert len(filling.relay_log) == 2 * (1 + int(DEFAULTS.holds_max))
    filling.run(300.0)
    assert not filling.relay


@pytest.mark.parametrize("temp_c", [23.0, 27.0])
def test_the_band_includes_its_ends(filling: Story, temp_c: float) -> None:
    """Claim: water at exactly the end of the band is in it."""
    filling.temp_c = temp_c
    filling.run(120.0)
    assert filling.phase is FILLING


@pytest.mark.parametrize(("temp_c", "bound_s"), [(30.0, 10.0), (10.0, 30.0)])
def test_a_temperature_that_flickers_is_held_within_the_bound(
    filling: Story, temp_c: float, bound_s: float
) -> None:
    """Claim (T01, T02): one good second now and then does not keep the valve open."""
    at_s = filling.now_s
    for second in range(int(bound_s)):
        filling.temp_c = 25.0 if second % 3 == 2 else temp_c
        filling.run(1.0)
    assert filling.when(HOLDING) - at_s <= bound_s


@pytest.mark.parametrize("temp_c", [30.0, 10.0])
def test_one_odd_reading_of_the_temperature_holds_nothing(filling: Story, temp_c: float) -> None:
    """Claim: a single reading out of the band is not 'for so long'."""
    filling.temp_c = temp_c
    filling.run(1.0)
    filling.temp_c = 25.0
    filling.run(60.0)
    assert filling.phase is FILLING
    assert filling.raised() == set()


@pytest.mark.parametrize("phase", [FILLING])
def test_scalding_water_shuts_for_good_at_once(filling: Story, phase: Phase) -> None:
    """Claim (T01): at the scald limit the valve shuts with the very reading that shows it."""
    filling.temp_c = 43.0
    at_s = filling.now_s
    filling.run(1.0)
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "scald"
    assert filling.shut_after(at_s) <= 1.0


# --- T03: the first litres ---


def test_the_first_litres_may_be_cold(story: Story) -> None:
    """Claim (T03): 6 L of cold water out of the pipe hold nothing, and 36 s at 10 L/min are 6 L."""
    story.temp_c = 12.0
    story.fill(420.0).run(36.0)
    assert story.water.litres == pytest.approx(6.0, abs=0.2)
    story.temp_c = 25.0
    story.finish()
    assert story.raised() == set()


def test_water_that_stays_cold_past_the_first_litres_holds(story: Story) -> None:
    """Claim (T03): the allowance is of litres, not of time, and no drop longer."""
    story.temp_c = 12.0
    story.fill(420.0)
    opened_s = story.now_s
    story.until(HOLDING, 120.0)
    purged_s = 6.0 / FLOW_LPM * 60.0
    held_s = story.now_s - opened_s
    assert purged_s + DEFAULTS.cold_s <= held_s <= purged_s + DEFAULTS.cold_s + 1.5


def test_the_first_litres_may_never_scald(story: Story) -> None:
    """Claim (T03): the scald limit knows no allowance."""
    story.fill(420.0)
    story.temp_c = 43.0
    story.run(1.1)
    assert story.phase is STOPPED
    assert story.water.litres < 1.0


def test_each_opening_has_its_own_allowance(filling: Story) -> None:
    """Claim: after a hold the pipe has cooled again, so its litres are allowed again."""
    filling.temp_c = 12.0
    filling.until(HOLDING)
    filling.until(FILLING, 120.0)
    litres = filling.water.litres
    filling.temp_c = 12.0
    filling.run(36.0)
    assert filling.phase is FILLING
    assert filling.water.litres - litres == pytest.approx(6.0, abs=0.2)
    filling.until(HOLDING, 60.0)


# --- T06: no temperature ---


@pytest.mark.parametrize("fault", [Fault.CRC, Fault.POWER_ON, Fault.EMPTY, Fault.BLANK])
def test_two_missed_temperatures_are_forgiven_and_a_third_holds(
    filling: Story, fault: Fault
) -> None:
    """Claim (T06): up to three readings may be missed, and a fault is never read as a value."""
    filling.faults[TEMP] = fault
    at_s = filling.now_s
    filling.run(2.0)
    assert filling.phase is FILLING
    filling.until(HOLDING, 5.0)
    assert filling.now_s - at_s <= 3.0
    assert (filling.station.cause, filling.station.cause_key) == ("T06", "temp-unread")


def test_a_temperature_that_comes_back_resumes_the_fill(filling: Story) -> None:
    """Claim (T06): when readings return the fill goes on by itself and ends well."""
    filling.faults[TEMP] = Fault.MISSING
    filling.until(HOLDING)
    filling.run(20.0)
    del filling.faults[TEMP]
    filling.finish()
    assert filling.ended() == [("done", "")]


def test_a_value_beside_a_fault_is_not_believed(story: Story) -> None:
    """Claim: quality comes before value, and NaN or infinity is none."""
    for bad in (float("nan"), float("inf"), -float("inf")):
        story.node_alive = False
        story.feed_pack(pack_of(99, story.node_s + 1.0, boot="other", **{TEMP: bad}))
        data = story.data()
        assert data["temp_in_c"] is None
        assert data["sensors"][TEMP]["fault"] == "error"


# --- S01: the float ---


def test_a_float_far_too_early_is_not_full(story: Story) -> None:
    """Claim (S01): a loop that opens at 100 of 420 L shuts at once and says 'broken or high'."""
    story.fill(420.0, room_l=100.0)
    story.until(STOPPED, 700.0)
    assert not story.relay
    assert (story.station.cause, story.station.cause_key) == ("S01", "float-early")
    assert story.water.litres == pytest.approx(100.0, abs=0.1)


@pytest.mark.parametrize(("room_l", "ended"), [(331.5, "stopped"), (332.5, "done")])
def test_how_early_is_too_early(story: Story, room_l: float, ended: str) -> None:
    """Claim: a float is believed from need·(1 - early_share) - volume_margin_l on: 332 of 420 L."""
    story.fill(420.0, room_l=room_l)
    story.run(2200.0)
    assert [how for how, _ in story.ended()] == [ended]


def test_a_float_that_cannot_be_read_shuts_at_the_node_at_once(filling: Story) -> None:
    """Claim (S01): the guard shuts in the same pass, and the engine learns the guard's reason."""
    filling.faults[FLOAT] = Fault.ERROR
    filling.edge()
    assert not filling.relay
    assert filling.guard.cause == "S01"
    assert filling.phase is STOPPED
    assert filling.station.cause_key == "guard-s01"


def test_a_float_elsewhere_that_cannot_be_read_is_seen_by_the_engine(filling: Story) -> None:
    """Claim (S01): a float that the guard does not watch is closed for by the engine when its
    reading has gone stale.
    """
    filling.trips.clear()
    filling.faults[FLOAT] = Fault.WIRING
    at_s = filling.now_s
    filling.until(STOPPED, 5.0)
    assert filling.station.cause_key == "float-unread"
    assert filling.shut_after(at_s) <= DEFAULTS.reading_stale_s
    assert filling.alarm("float-unread") == "B"


def test_a_float_unread_in_a_hold_stops_too(filling: Story) -> None:
    """Claim: a hold is still a fill, and needs its float."""
    filling.trips.clear()
    filling.temp_c = 30.0
    filling.until(HOLDING)
    filling.faults[FLOAT] = Fault.WIRING
    filling.until(STOPPED, 5.0)
    assert filling.station.cause_key == "float-unread"


# --- S02: the leak probe ---


def test_a_probe_that_cannot_be_read_shuts(filling: Story) -> None:
    """Claim (S02): by the guard at once; by the engine when the reading is stale."""
    filling.trips.clear()
    filling.faults[LEAK] = Fault.MISSING
    at_s = filling.now_s
    filling.until(STOPPED, 5.0)
    assert filling.station.cause_key == "leak-unread"
    assert filling.shut_after(at_s) <= DEFAULTS.reading_stale_s


def test_a_probe_unread_at_the_node_is_the_guards_own_reason(filling: Story) -> None:
    """Claim (S02): the guard shuts in the same pass and says S02."""
    filling.faults[LEAK] = Fault.MISSING
    filling.edge()
    assert not filling.relay
    assert filling.station.cause_key == "guard-s02"


# --- S04: the meter ---


def test_noise_above_the_meters_range_holds_within_five_seconds(filling: Story) -> None:
    """Claim (S04): more pulses than the meter can make are a fault of the meter, not flow."""
    filling.meter_lpm = 25.1
    at_s = filling.now_s
    filling.until(HOLDING)
    assert filling.shut_after(at_s) <= 5.0
    assert (filling.station.cause, filling.station.cause_key) == ("S04", "flow-impossible")


def test_a_meter_at_the_end_of_its_range_is_believed(filling: Story) -> None:
    """Claim: the range includes its end."""
    filling.meter_lpm = 25.0
    filling.run(30.0)
    assert filling.phase is FILLING


def test_a_meter_that_cannot_be_read_holds_and_resumes(filling: Story) -> None:
    """Claim (S04): no reading of flow holds within 5 s, and its return resumes the fill."""
    filling.faults[METER] = Fault.NOISE
    at_s = filling.now_s
    filling.until(HOLDING)
    assert filling.shut_after(at_s) <= 5.0
    assert filling.station.cause_key == "flow-unread"
    del filling.faults[METER]
    filling.finish()
    assert filling.ended() == [("done", "")]
    assert filling.running.delivered_l == pytest.approx(420.0, abs=0.1)


def test_a_flow_without_its_count_is_no_reading(story: Story) -> None:
    """Claim: litres hang on the count, so a flow that comes without one counts as unread."""
    story.node_alive = False
    pack = pack_of(1, story.node_s, boot="other")
    bare = tuple(s for s in pack.samples if s.sensor != METER)
    meter = next(s for s in pack.samples if s.sensor == METER)
    for count in (None, -1, 2**60, 10**400):
        story.seq += 1
        broken = type(meter)(meter.sensor, meter.kind, meter.at_s, 5.0, None, count)
        story.feed_pack(
            type(pack)(
                pack.station, pack.node, "other", story.seq, pack.uptime_s, (*bare, broken), False
            )
        )
        assert story.data()["flow_lpm"] is None
