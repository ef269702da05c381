"""What small changes of the picture's drawing showed to be unsaid: whose value, of which moment."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isnan, nan
from typing import Any

import pytest

from monitor.core import balance as balances
from monitor.core import creep as creeps
from monitor.core import fills
from monitor.core.alarm import Alarm, AlarmState
from monitor.core.balance import BLOCK_S, WAVE_S, Verdict
from monitor.core.exchange import Way
from monitor.core.facts import VALVE, Facts
from monitor.core.hazards import BY_KEY
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.picture import draw
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station, Warmth
from monitor.core.quality import Senses, Track
from monitor.core.reading import Fault
from monitor.core.units import S_PER_DAY
from monitor.core.view import Picture
from support.stories import (
    DEPTH,
    FLOAT,
    LEAK,
    LOW,
    METER,
    OVER,
    STORE,
    SUMP_HIGH,
    SUMP_LOW,
    TANK,
    TEMP,
    full_plan,
    river_plan,
)

PLAN = full_plan()
LIMITS = PLAN.limits
NOW_S = 10_000.0
VALUES = {TEMP: 20.0, METER: 12.0, TANK: 25.5, DEPTH: 0.4}
SWITCHES = (FLOAT, LEAK, OVER, LOW, SUMP_HIGH, SUMP_LOW, STORE)
FILL = replace(
    fills.begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0),
    boot="boot-a", begun_s=NOW_S - 50.0, opened_s=NOW_S - 50.0, open_before_s=30.0,
    delivered_l=40.0, start_l=600.0, tank_from_c=25.0, warmth=Warmth(800.0, 40.0, 19.9, 20.1),
)  # fmt: skip
DRAIN = replace(FILL, way=Way.OUT, to_mark=False)


def track(value: float, old_s: float = 0.0) -> Track:
    """Return a sensor's last good value, so many seconds old."""
    return Track(value, 0, NOW_S - old_s, None)


def station(phase: Phase = Phase.FILLING, fill: Fill | None = FILL, **changes: Any) -> Station:
    """Return a station that has heard all its sensors now, all well."""
    tracks = {name: track(value) for name, value in VALUES.items()}
    tracks |= {name: track(0.0) for name in SWITCHES}
    senses = Senses(tracks=tracks, boot="boot-a", heard_s=NOW_S - 0.5)
    made = Station(phase=phase, phase_s=NOW_S - 50.0, now_s=NOW_S, fill=fill, senses=senses,
                   shut_s=NOW_S - 70.0)  # fmt: skip
    return replace(made, **changes)


def seen(made: Station, plan: Plan = PLAN) -> Picture:
    """Return the picture of it now."""
    return draw(plan, made, NOW_S)


def says(sensor: str, said: Track | None) -> Station:
    """Return the station with one sensor saying something else, or never heard."""
    made = station()
    tracks = {**made.senses.tracks}
    if said is None:
        del tracks[sensor]
    else:
        tracks[sensor] = said
    return replace(made, senses=replace(made.senses, tracks=tracks))


# --- sensors ---


FIELDS = {
    FLOAT: ("float_high", "float_fresh"), LEAK: ("leak_wet", "leak_fresh"),
    OVER: ("over_high", "over_fresh"), LOW: ("low_hit", "low_fresh"),
    SUMP_HIGH: ("sump_high", "sump_high_fresh"), SUMP_LOW: ("sump_low", "sump_low_fresh"),
    STORE: ("store_full", "store_fresh"),
}  # fmt: skip


@pytest.mark.parametrize("sensor", SWITCHES)
def test_a_switch_stands_by_its_last_good_value(sensor: str) -> None:
    """Claim: anything above nought stands, a stale one too; one never heard does not, and is not
    fresh; and it is that switch alone.
    """
    high, well = FIELDS[sensor]
    for said, stands, fresh in ((track(0.0), False, True), (track(1.0), True, True),
                                (track(0.5), True, True), (track(1.0, 5.0), True, False),
                                (None, False, False)):  # fmt: skip
        picture = seen(says(sensor, said))
        assert (getattr(picture, high), getattr(picture, well)) == (stands, fresh)
        others = [row for name, row in FIELDS.items() if name != sensor]
        assert not any(getattr(picture, row[0]) for row in others)
        assert all(getattr(picture, row[1]) for row in others)


READ = {TEMP: ("temp_c", "temp_fresh"), METER: ("flow_lpm", "flow_fresh"),
        TANK: ("tank_c", "tank_fresh"), DEPTH: ("level_m", "level_fresh")}  # fmt: skip


@pytest.mark.parametrize("sensor", READ)
def test_a_figure_is_its_sensors_last_good_value(sensor: str) -> None:
    """Claim: the value with its age; nought, and not fresh, of a sensor never heard."""
    value, fresh = READ[sensor]
    for said, figure, new in ((track(0.3), 0.3, True), (track(0.3, 5.0), 0.3, False),
                              (None, 0.0, False)):  # fmt: skip
        picture = seen(says(sensor, said))
        assert (getattr(picture, value), getattr(picture, fresh)) == (figure, new)


def test_what_is_not_fitted_is_not_looked_at() -> None:
    """Claim: without thermometers, meter and probe, figures are the plan's or nothing, and fresh,
    whatever a node sends.
    """
    plan = river_plan(temp_in="", flow_in="", tank_c=24.0)
    picture = seen(station(), plan)
    assert (picture.temp_c, picture.flow_lpm, picture.tank_c) == (0.0, 0.0, 24.0)
    assert picture.level_m == plan.vessel.mark_m
    assert picture.temp_fresh
    assert picture.flow_fresh
    assert picture.tank_fresh
    assert picture.level_fresh
    assert isnan(picture.water_l)
    assert picture.need_room_l == inf


def test_the_level_says_where_the_water_stands() -> None:
    """Claim: room up to the mark by the reading, litres and verdict by the balance, creeping by the
    hours; without them nothing is known.
    """
    blank = seen(station())
    assert blank.need_room_l == pytest.approx(798.0 - 560.0)
    assert (blank.balance, blank.seeping) == (Verdict.CALM, False)
    assert isnan(blank.water_l)
    told = replace(balances.begin(0.0), water_l=561.0, water_var=1.0, verdict=Verdict.MISSING)
    for seeping in (True, False):
        watch = replace(creeps.begin(0.0), seeping=seeping)
        picture = seen(station(balance=told, creep=watch))
        assert (picture.balance, picture.water_l) == (Verdict.MISSING, 561.0)
        assert picture.seeping is seeping
    unknown = replace(told, water_var=inf)
    assert isnan(seen(station(balance=unknown)).water_l)


# --- the tank's temperature ---


def tank(fill: Fill, flow_lpm: float = 12.0) -> tuple[float, float, float]:
    """Return the tank's temperature when the fill began, in a minute, and at the end."""
    picture = seen(replace(says(METER, track(flow_lpm)), fill=fill))
    return picture.tank_from_c, picture.tank_soon_c, picture.tank_ahead_c


def test_the_tank_s_temperature_is_looked_ahead_to() -> None:
    """Claim (T04): 600 L at 25 °C, 40 L in at 20 °C; in a minute 12 L more, at the end 60 L more:
    (15000 + 800 + 240) / 652 and (15000 + 800 + 1200) / 700 °C.
    """
    from_c, soon_c, ahead_c = tank(FILL)
    assert from_c == 25.0
    assert soon_c == pytest.approx(16_040.0 / 652.0)
    assert ahead_c == pytest.approx(17_000.0 / 700.0)


@pytest.mark.parametrize(("fill", "flow_lpm", "soon", "ahead"), [
    (replace(FILL, delivered_l=95.0), 12.0, 16_000 - 100, 16_000 - 100),  # 5 L are left
    (replace(FILL, delivered_l=130.0), 12.0, 15_800, 15_800),  # none is
    (FILL, -3.0, 15_800, 17_000),  # water that runs backwards brings nothing
    (FILL, 0.5, 15_810, 17_000),
    (replace(FILL, delivered_l=99.5), 12.0, 15_810, 15_810),
])  # fmt: skip
def test_no_more_comes_than_is_asked_for(
    fill: Fill, flow_lpm: float, soon: float, ahead: float
) -> None:
    """Claim: the look ahead ends with the fill, and never takes water away. At 20 °C a litre is
    20 litre-degrees more.
    """
    _, soon_c, ahead_c = tank(fill, flow_lpm)
    assert soon_c == pytest.approx(soon / (640.0 + (soon - 15_800) / 20.0))
    assert ahead_c == pytest.approx(ahead / (640.0 + (ahead - 15_800) / 20.0))


@pytest.mark.parametrize(("need_l", "before_l"), [(100.0, 698.0), (900.0, 0.0), (797.5, 0.5)])
def test_without_a_level_the_tank_held_what_was_not_asked_for(
    need_l: float, before_l: float
) -> None:
    """Claim: up to the mark less the need, and never less than nothing."""
    fill = replace(FILL, start_l=nan, need_l=need_l)
    left_l = need_l - 40.0
    ahead = (before_l * 25.0 + 800.0 + left_l * 20.0) / (before_l + 40.0 + left_l)
    assert tank(fill)[2] == pytest.approx(ahead)


@pytest.mark.parametrize("fill", [replace(FILL, tank_from_c=nan), replace(FILL, warmth=Warmth()),
                                  DRAIN])  # fmt: skip
def test_an_unknown_temperature_is_not_looked_ahead_to(fill: Fill) -> None:
    """Claim: a tank nobody has measured, a fill of which nothing is in yet, and a drain."""
    assert all(isnan(value) for value in tank(fill))


def test_half_a_litre_is_enough_to_look_ahead() -> None:
    """Claim: the first water that is measured counts."""
    little = replace(FILL, warmth=Warmth(10.0, 0.5, 20.0, 20.0))
    assert tank(little)[2] == pytest.approx((15_000.0 + 10.0 + 1200.0) / 660.5)


@pytest.mark.parametrize("phase", list(Phase))
def test_only_a_running_fill_is_looked_ahead_of(phase: Phase) -> None:
    """Claim: before and after it there is nothing ahead; its thermometer is then not in doubt."""
    dull = replace(FILL, open_before_s=LIMITS.dead_s)
    picture = seen(station(phase, dull))
    assert isnan(picture.tank_ahead_c) is (phase not in UNDER_WAY)
    assert picture.temp_dead is (phase in UNDER_WAY)
    out = seen(station(phase, replace(dull, way=Way.OUT)))
    assert isnan(out.tank_ahead_c)
    assert not out.temp_dead


@pytest.mark.parametrize(
    ("open_s", "litres", "moved_c", "dead"),
    [
        (LIMITS.dead_s, 10.0, 0.25, True),
        (LIMITS.dead_s - 0.5, 10.0, 0.25, False),
        (LIMITS.dead_s, 6.0, 0.25, False),
        (LIMITS.dead_s, 6.5, 0.25, True),
        (LIMITS.dead_s, 10.0, 0.5, False),
        (LIMITS.dead_s, 10.0, 0.75, False),
        (LIMITS.dead_s, 10.0, 0.0, True),
    ],
)
def test_a_thermometer_that_does_not_answer_is_in_doubt(
    open_s: float, litres: float, moved_c: float, dead: bool
) -> None:
    """Claim (T05): after dead_s of open valve and more than the pipe's own water it must have moved
    by dead_c; one in a pipe that is still warm need not.
    """
    warmth = Warmth(litres * 20.0, litres, 20.0, 20.0 + moved_c)
    fill = replace(FILL, open_before_s=open_s, opened_s=NOW_S, warmth=warmth)
    assert seen(station(fill=fill)).temp_dead is dead
    assert not seen(station(fill=replace(fill, rested=False))).temp_dead


# --- what the shell has told ---


@pytest.mark.parametrize("told", [True, False])
def test_what_was_told_is_shown(told: bool) -> None:
    """Claim: ages, the supply, the record and lost messages are as the shell says."""
    proven = dict.fromkeys((*PLAN.proven, VALVE), NOW_S - 90.0)
    facts = Facts(proven_s=proven, people_s=NOW_S - 60.0, busy="pond" if told else "",
                  record="it is full" if told else "", rejected_per_min=7.5)  # fmt: skip
    picture = seen(station(facts=facts), full_plan(people_check=told))
    assert picture.proof_age_s == 90.0
    assert picture.people_age_s == (60.0 if told else 0.0)
    assert picture.supply_busy is told
    assert picture.record_ill is told
    assert picture.rejected_per_min == 7.5


@pytest.mark.parametrize(
    ("litres", "days", "filter_l", "filter_days", "share"),
    [
        (4000.0, 9.0, 8000.0, 180.0, 0.5),
        (800.0, 90.0, 8000.0, 180.0, 0.5),
        (4000.0, 9.0, inf, 180.0, 0.05),
        (4000.0, 90.0, 8000.0, inf, 0.5),
        (4000.0, 90.0, inf, inf, 0.0),
        (inf, 9.0, inf, 180.0, 0.05),  # litres nobody has counted, of a life without end
        (inf, 9.0, 8000.0, 180.0, inf),
        (4000.0, 90.0, 0.0, inf, 0.0),
        (0.25, 0.0, 0.5, inf, 0.5),
    ],
)
def test_a_cartridge_is_used_up_by_litres_or_by_days(
    litres: float, days: float, filter_l: float, filter_days: float, share: float
) -> None:
    """Claim (T07): the larger share counts; a life without end, or of nothing, is never used up."""
    facts = Facts(cartridge_l=litres, cartridge_s=NOW_S - days * S_PER_DAY)
    plan = full_plan(filter_l=filter_l, filter_days=filter_days)
    assert seen(station(facts=facts), plan).cartridge_share == pytest.approx(share)


@pytest.mark.parametrize("node", [True, False])
@pytest.mark.parametrize("engine", [True, False])
def test_two_worlds_differ_when_one_is_simulated(node: bool, engine: bool) -> None:
    """Claim: either way round."""
    picture = seen(station(node_simulated=node), full_plan(simulated=engine))
    assert picture.worlds_differ is (node is not engine)


@pytest.mark.parametrize("desk", ["", "warn", "close"])
@pytest.mark.parametrize("here", [True, False])
def test_a_desk_is_missed_where_somebody_wants_it(desk: str, here: bool) -> None:
    """Claim: gone is gone when its silence means anything."""
    assert seen(station(desk_here=here), full_plan(desk=desk)).desk_gone is (
        desk != "" and not here)  # fmt: skip


@pytest.mark.parametrize("state", list(AlarmState))
def test_a_thermometer_stays_in_doubt_until_it_is_reset(state: AlarmState) -> None:
    """Claim (T05): any state but normal of that alarm, and of no other."""
    for key, doubted in (("temp-dead", state is not AlarmState.NORMAL), ("hot", False)):
        alarms = list(ALL_NORMAL)
        alarms[BY_KEY[key]] = Alarm(state)
        assert seen(station(alarms=tuple(alarms))).temp_doubted is doubted


# --- moments ---


@pytest.mark.parametrize(("asked_s", "seen_s", "missing"),
                         [(5.0, 4.0, True), (5.0, 5.0, False), (4.0, 5.0, False)])  # fmt: skip
def test_an_echo_is_missing_until_it_comes(asked_s: float, seen_s: float, missing: bool) -> None:
    """Claim: one in the very moment it was asked for is not missing."""
    made = station(echo_asked_s=asked_s, echo_seen_s=seen_s)
    assert seen(made).echo_missing is missing


@pytest.mark.parametrize(("ago_s", "twins"), [(LIMITS.twin_s - 0.5, True), (LIMITS.twin_s, False)])
def test_a_twin_is_one_for_a_while(ago_s: float, twins: bool) -> None:
    """Claim (C12): for twin_s after it was last heard."""
    made = station()
    made = replace(made, senses=replace(made.senses, twin_s=NOW_S - ago_s))
    assert seen(made).twins is twins


@pytest.mark.parametrize(("since_s", "for_s"), [(NOW_S - 0.5, 0.5), (NOW_S - 9.0, 9.0),
                                                (inf, 0.0), (NOW_S + 5.0, 0.0)])  # fmt: skip
def test_how_long_the_pump_is_asked_about(since_s: float, for_s: float) -> None:
    """Claim: since the question began; none is no time."""
    assert seen(station(pump_since_s=since_s)).pump_for_s == for_s


@pytest.mark.parametrize("phase", list(Phase))
def test_how_long_the_valve_is_open_or_shut(phase: Phase) -> None:
    """Claim: open while water may flow, since the latest opening; otherwise shut, since the last
    command; the fill's own time holds both openings.
    """
    picture = seen(station(phase))
    flows = phase in WATER_MAY_FLOW
    assert picture.open_for_s == (50.0 if flows else 0.0)
    assert picture.shut_for_s == (0.0 if flows else 70.0)
    assert picture.elapsed_s == (80.0 if flows else 30.0)


@pytest.mark.parametrize("valve", [True, False])
@pytest.mark.parametrize("drain", [True, False])
def test_either_way_open_is_open(valve: bool, drain: bool) -> None:
    """Claim: a drain that is open is a valve that is open."""
    made = station()
    made = replace(made, senses=replace(made.senses, valve_open=valve, drain_open=drain))
    assert seen(made).valve_open is (valve or drain)


@pytest.mark.parametrize("heater", ["", "other", "heater"])
@pytest.mark.parametrize("off", [True, False])
def test_a_heater_is_on_until_somebody_says_otherwise(heater: str, off: bool) -> None:
    """Claim (W22): where there is one."""
    assert seen(station(heater_off=off), full_plan(heater=heater)).heater_on is (
        heater != "" and not off)  # fmt: skip


@pytest.mark.parametrize("name", ["link_up", "overslept", "interrupted", "node_gone", "flooded"])
@pytest.mark.parametrize("value", [True, False])
def test_what_the_station_knows_is_shown(name: str, value: bool) -> None:
    """Claim: as it is."""
    made = station(**{name: value})
    assert getattr(seen(made), name) is value
    assert seen(made).silent_s == 0.5
    assert (seen(made).now_s, seen(made).phase) == (NOW_S, Phase.FILLING)


# --- the fill ---


def test_a_fill_s_account_is_shown() -> None:
    """Claim: all of it, under its own names; without a fill nothing of it."""
    fill = replace(FILL, attended=True, overrun_l=0.5, low_ended=True, purge_from_l=1.0)
    picture = seen(station(fill=fill))
    for name in ("way", "attended", "delivered_l", "need_l", "overrun_l", "volume_limit_l",
                 "to_mark", "low_ended", "time_limit_s"):  # fmt: skip
        assert getattr(picture, name) == getattr(fill, name), name
    other = seen(station(fill=replace(DRAIN, attended=False)))
    assert (other.way, other.to_mark, other.attended) == (Way.OUT, False, False)
    none = seen(station(Phase.IDLE, None))
    assert (none.way, none.delivered_l, none.need_l, none.purged) == (Way.IN, 0.0, 0.0, False)
    assert none.closing_s == PLAN.closing_s


@pytest.mark.parametrize("drain", ["hose", "valve", "pump"])
@pytest.mark.parametrize("way", list(Way))
def test_each_way_has_its_own_valve(drain: str, way: Way) -> None:
    """Claim: a drain closes in its own time, and is by hose where the plan says so."""
    plan = full_plan(drain=drain, closing_s=1.5, drain_closing_s=2.5)
    picture = seen(station(fill=replace(FILL, way=way)), plan)
    assert picture.closing_s == (2.5 if way is Way.OUT else 1.5)
    assert picture.by_hose is (way is Way.OUT and drain == "hose")


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize("boot", ["boot-a", "boot-b"])
def test_another_boot_and_the_guards_word_are_about_a_running_fill(
    phase: Phase, boot: str
) -> None:
    """Claim (C08): before and after it neither means anything."""
    picture = seen(station(phase, replace(FILL, boot=boot), guard_cause="W06"))
    running = phase in UNDER_WAY
    assert picture.node_restarted is (running and boot != "boot-a")
    assert picture.guard_cause == ("W06" if running else "")


@pytest.mark.parametrize(("litres", "purged"), [(7.0, True), (6.75, False), (9.0, True)])
def test_the_pipe_is_purged_after_its_own_litres(litres: float, purged: bool) -> None:
    """Claim: since the latest opening, exactly purge_l."""
    fill = replace(FILL, delivered_l=litres, purge_from_l=1.0)
    assert seen(station(fill=fill)).purged is purged


def test_what_a_drain_surely_let_out_after_closing() -> None:
    """Claim (W23): what is gone since the command, less one and a half standard deviations of a
    block's mean as measured; of a fill it is none.
    """
    drain = replace(DRAIN, shut_l=30.0)
    noisy = replace(balances.begin(0.0), noise_var=8.0)
    sd_l = (8.0 * WAVE_S / BLOCK_S) ** 0.5
    assert seen(station(fill=drain, balance=noisy)).gone_l == pytest.approx(10.0 - 1.5 * sd_l)
    assert seen(station(fill=drain)).gone_l == 10.0
    assert seen(station(fill=replace(FILL, shut_l=30.0))).gone_l == 0.0


def test_a_fault_is_not_a_reading() -> None:
    """Claim: a sensor that now reports a fault is shown by its last good value and ages."""
    made = says(TEMP, replace(track(21.0, 1.0), fault=Fault.CRC))
    assert (seen(made).temp_c, seen(made).temp_fresh) == (21.0, True)
    assert not draw(PLAN, made, NOW_S + LIMITS.reading_stale_s).temp_fresh
