"""What small changes of the account showed to be unsaid: edges, holes in what is known, warmth."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isnan, nan
from typing import Any

import pytest

from monitor.core import balance as balances
from monitor.core import fills, forecast
from monitor.core.exchange import Way
from monitor.core.facts import Facts
from monitor.core.limits import Limits
from monitor.core.phases import WATER_MAY_FLOW, Phase
from monitor.core.plan import Fill, Plan, Station, Warmth
from monitor.core.priors import Priors
from monitor.core.quality import Senses, Track
from monitor.core.reading import Fault
from support.stories import DEPTH, METER, TANK, TEMP, full_plan, river_plan

PLAN = full_plan()
LIMITS = PLAN.limits
NOW_S = 10_000.0


def asked(
    plan: Plan = PLAN, need_l: float = 100.0, to_mark: bool = True, way: Way = Way.IN
) -> Fill:
    """Return a fill that was asked for."""
    return fills.begin(plan, "f", "keeper", need_l, to_mark, NOW_S - 900.0, way)


def station(
    *, count: int = 4500, level_m: float = 0.4, water_l: float | None = 560.0, **changes: Any
) -> Station:
    """Return a station that fills, and has heard all its sensors now."""
    tracks = {
        METER: Track(10.0, count, NOW_S, None), TEMP: Track(20.0, 0, NOW_S, None),
        DEPTH: Track(level_m, 0, NOW_S, None), TANK: Track(25.5, 0, NOW_S, None),
    }  # fmt: skip
    balance = balances.begin(0.0)
    if water_l is not None:
        balance = replace(balance, water_l=water_l, water_var=1.0)
    senses = Senses(tracks=tracks, boot="boot-a", heard_s=NOW_S)
    made = Station(phase=Phase.FILLING, now_s=NOW_S, senses=senses, balance=balance)
    return replace(made, **changes)


def without(made: Station, sensor: str, fault: Fault | None = None) -> Station:
    """Return the station with a sensor that was never heard, or has a fault."""
    tracks = dict(made.senses.tracks)
    if fault is None:
        del tracks[sensor]
    else:
        tracks[sensor] = replace(tracks[sensor], fault=fault)
    return replace(made, senses=replace(made.senses, tracks=tracks))


def running(plan: Plan = PLAN, **changes: Any) -> Fill:
    """Return a fill that began a hundred seconds ago at the meter's 450th pulse, from 540 L."""
    then_s = NOW_S - 100.0
    made = replace(
        asked(plan), begun_s=then_s, opened_s=then_s, boot="boot-a", count_from=450, start_l=540.0,
        goal_l=258.0, goal_sd_l=2.8, tank_from_c=25.0,
        forecast=forecast.start(then_s, 450, plan.pulses_per_litre),
    )  # fmt: skip
    return replace(made, **changes)


# --- asked ---


def test_a_fill_is_begun_as_it_was_asked_for() -> None:
    """Claim: who, how much, whereto, when and which way; a fill unless a drain is meant."""
    fill = fills.begin(PLAN, "f", "keeper", 30.0, False, 5.0)
    told = (fill.id, fill.by, fill.need_l, fill.to_mark, fill.asked_s, fill.way)
    assert told == ("f", "keeper", 30.0, False, 5.0, Way.IN)
    assert asked(way=Way.OUT).way is Way.OUT


@pytest.mark.parametrize(
    ("need_l", "to_mark", "limit_l"),
    [(420.0, True, 449.2), (420.0, False, 424.0), (10.0, True, 14.6)],
)
def test_the_volume_a_fill_may_not_pass(need_l: float, to_mark: bool, limit_l: float) -> None:
    """Claim: up to the mark 420·(1 + 0.03 + 0.03) + 4 = 449.2 L, by the meter 420 + 4 L."""
    assert asked(need_l=need_l, to_mark=to_mark).volume_limit_l == pytest.approx(limit_l)


@pytest.mark.parametrize(("need_l", "limit_s"), [(12.0, 552.0), (700.0, LIMITS.open_max_s)])
def test_the_time_a_fill_may_not_pass(need_l: float, limit_s: float) -> None:
    """Claim: 12 L at 2 L/min are 360 s, a fifth and 120 s more 552 s; no more than open_max_s."""
    assert asked(need_l=need_l).time_limit_s == pytest.approx(limit_s)


# --- opened ---


def opened(plan: Plan = PLAN, made: Station | None = None, fill: Fill | None = None) -> Fill:
    """Return the fill at its first opening."""
    made = station() if made is None else made
    return fills.opened(plan, made, fill or asked(plan), NOW_S, False)


def test_an_opening_notes_where_everything_stands() -> None:
    """Claim: the moment, the boot, the count, the water's height and its doubt, the litres up to
    the mark, the tank's warmth. 2 mm over 1.4 m² are 2.8 L.
    """
    fill = opened()
    assert (fill.begun_s, fill.opened_s, fill.boot, fill.count_from) == (
        NOW_S, NOW_S, "boot-a", 4500)  # fmt: skip
    assert (fill.start_l, fill.goal_l) == (560.0, pytest.approx(798.0 - 560.0))
    assert fill.goal_sd_l == pytest.approx(2.8)
    assert fill.tank_from_c == 25.5
    assert fill.forecast is not None
    assert (fill.forecast.opened_s, fill.forecast.count) == (NOW_S, 4500)
    assert fill.forecast.pulses_per_l == PLAN.pulses_per_litre


def test_a_meter_s_limits_of_error_are_an_even_spread() -> None:
    """Claim: ±3 % are 3 / √3 % of standard uncertainty (GUM, JCGM 100:2008, 4.3.7)."""
    fill = opened()
    assert fill.forecast is not None
    assert fill.forecast.rise.ratio_var == pytest.approx(0.03**2 / 3.0)


@pytest.mark.parametrize("made", [station(water_l=None), replace(station(), balance=None)])
def test_a_level_nobody_knows_places_nothing(made: Station) -> None:
    """Claim: without a balance, or with one that knows nothing yet, start and goal are unknown."""
    fill = opened(made=made)
    assert isnan(fill.start_l)
    assert isnan(fill.goal_l)


def test_a_drain_forecasts_nothing() -> None:
    """Claim: where a drain starts is noted; its end is not forecast by the fill's meter."""
    fill = opened(fill=asked(way=Way.OUT))
    assert fill.start_l == 560.0
    assert fill.forecast is None
    assert isnan(fill.tank_from_c)


@pytest.mark.parametrize(("overrun_l", "expected_l"),
                         [(0.4, 0.4), (-1.0, 0.0), (1e9, LIMITS.overrun_max_l)])  # fmt: skip
def test_an_overrun_is_learned_within_bounds(overrun_l: float, expected_l: float) -> None:
    """Claim (W25): what earlier fills let through after closing, never less than nothing."""
    facts = Facts(priors=Priors(fills=3, flow_lpm=9.0, overrun_l=overrun_l))
    assert opened(made=station(facts=facts)).overrun_l == expected_l


@pytest.mark.parametrize(
    ("priors", "flow", "sd"),
    [
        (Priors(fills=3, flow_lpm=0.9, flow_sd_lpm=0.25), 0.9, 0.25),
        (Priors(fills=3, flow_lpm=20.0), 20.0, None),
        (Priors(fills=3, flow_lpm=0.0, flow_sd_lpm=0.25), None, None),
        (Priors(fills=0, flow_lpm=20.0, flow_sd_lpm=0.25, overrun_l=0.4), None, None),
        (Priors(), None, None),
    ],
)
def test_a_flow_is_learned_from_fills_that_told_one(
    priors: Priors, flow: float | None, sd: float | None
) -> None:
    """Claim: the forecast starts from the flow of earlier fills and its doubt; from an ordinary
    hose where no fill told any; and with the wide doubt where none is known.
    """
    known = {"flow_lpm": flow, "flow_sd_lpm": sd}
    told = {name: value for name, value in known.items() if value is not None}
    fill = opened(made=station(facts=Facts(priors=priors)))
    assert fill.forecast == forecast.start(
        NOW_S, 4500, PLAN.pulses_per_litre, meter_share_sd=0.03 / 3**0.5, **told)  # fmt: skip
    assert fill.overrun_l == 0.0


def test_the_tank_s_warmth_is_its_thermometers_or_the_configs() -> None:
    """Claim: a fresh reading of the named thermometer, or else what the config says; a reading
    without a name is nobody's.
    """
    plan = full_plan(tank_c=24.0)
    assert fills.tank_c(plan, station(), NOW_S) == 25.5
    assert fills.tank_c(plan, station(), NOW_S + LIMITS.reading_stale_s) == 24.0
    assert fills.tank_c(plan, without(station(), TANK), NOW_S) == 24.0
    nameless = station()
    tracks = {**nameless.senses.tracks, "": Track(99.0, 0, NOW_S, None)}
    nameless = replace(nameless, senses=replace(nameless.senses, tracks=tracks))
    assert fills.tank_c(river_plan(tank_c=24.0), nameless, NOW_S) == 24.0


# --- counted ---


def test_litres_are_the_meters_since_the_beginning() -> None:
    """Claim: 4500 pulses less 450, at 450 a litre, are 9 L, and never less than before."""
    assert fills.filled(PLAN, station(), running(), NOW_S).delivered_l == pytest.approx(9.0)
    more = running(delivered_l=9.5)
    assert fills.filled(PLAN, station(), more, NOW_S).delivered_l == 9.5


@pytest.mark.parametrize(("made", "fill"), [
    (station(), running(boot="boot-b")),
    (station(), running(begun_s=NOW_S + 1.0)),
    (replace(station(), senses=replace(station().senses, boot="")), running(boot="")),
])  # fmt: skip
def test_what_counts_for_nothing(made: Station, fill: Fill) -> None:
    """Claim: another boot's pulses, those before the beginning, and those of no boot at all."""
    assert fills.filled(PLAN, made, fill, NOW_S) is fill


def test_the_very_moment_of_the_beginning_counts() -> None:
    """Claim: a pack of that moment is the fill's own."""
    fill = running(begun_s=NOW_S, opened_s=NOW_S)
    assert fills.filled(PLAN, station(), fill, NOW_S).delivered_l == pytest.approx(9.0)


def test_a_meter_not_yet_heard_counts_nought() -> None:
    """Claim: no pulses are no litres, whatever was counted before."""
    assert fills._count(PLAN, without(station(), METER)) == 0
    assert opened(made=without(station(), METER)).count_from == 0
    assert fills._count(river_plan(flow_in=""), station()) is None
    assert opened(full_plan(flow_in="")).count_from == 0


def test_without_a_meter_the_level_counts() -> None:
    """Claim: 560 L now and 540 L at the beginning are 20 L; with either unknown there are none."""
    plan = full_plan(flow_in="")
    assert fills.filled(plan, station(), running(plan), NOW_S).delivered_l == pytest.approx(20.0)
    for made, fill in ((station(), running(plan, start_l=nan)),
                       (replace(station(), balance=None), running(plan))):  # fmt: skip
        assert fills.filled(plan, made, fill, NOW_S).delivered_l == 0.0


@pytest.mark.parametrize("phase", [Phase.FILLING, Phase.HOLDING, Phase.CLOSING, Phase.DRAINING])
def test_a_forecast_follows_the_flow_and_rests_with_it(phase: Phase) -> None:
    """Claim: while the valve is open the pack moves the forecast on; otherwise time goes by for
    it. The level's rise goes with it, with its doubt.
    """
    fill = running()
    assert fill.forecast is not None
    move = forecast.update if phase is Phase.FILLING else forecast.rest
    rise = PLAN.vessel.litres_at(0.4) - 540.0
    after = fills.filled(PLAN, station(phase=phase), fill, NOW_S)
    assert after.forecast == move(fill.forecast, NOW_S, 4500, rise_l=rise, rise_sd_l=2.8)
    blank = running(forecast=None)
    assert fills.filled(PLAN, station(phase=phase), blank, NOW_S).forecast is None


@pytest.mark.parametrize(("made", "start_l"), [
    (without(station(water_l=None), DEPTH), 540.0), (station(water_l=None), nan),
    (without(station(water_l=None), DEPTH, Fault.ERROR), 540.0),
])  # fmt: skip
def test_a_rise_is_told_where_the_level_is_read_and_the_start_known(
    made: Station, start_l: float
) -> None:
    """Claim: no probe, a faulty one or an unknown start tell the forecast nothing."""
    fill = running(start_l=start_l)
    assert fill.forecast is not None
    after = fills.filled(PLAN, made, fill, NOW_S)
    assert after.forecast == forecast.update(fill.forecast, NOW_S, 4500)


def test_a_start_is_counted_back_once() -> None:
    """Claim: a level first known in mid-fill less what came in is where the fill began; a start
    that is known stays.
    """
    late = fills.filled(PLAN, station(), running(start_l=nan, goal_l=nan), NOW_S)
    assert late.start_l == pytest.approx(560.0 - 9.0)
    assert late.goal_l == pytest.approx(798.0 - 551.0)
    assert fills.filled(PLAN, station(), running(), NOW_S).start_l == 540.0
    for made in (station(water_l=None), replace(station(), balance=None)):
        assert isnan(fills.filled(PLAN, made, running(start_l=nan), NOW_S).start_l)


def test_a_drain_is_counted_by_the_level() -> None:
    """Claim: 700 L at the beginning and 560 L now are 140 L out, never fewer than before; what
    nobody knows is left as it was.
    """
    drain = running(way=Way.OUT, start_l=700.0, forecast=None)
    made = station(phase=Phase.DRAINING)
    assert fills.filled(PLAN, made, drain, NOW_S).delivered_l == pytest.approx(140.0)
    more = replace(drain, delivered_l=150.0)
    assert fills.filled(PLAN, made, more, NOW_S).delivered_l == 150.0
    for blind in (station(water_l=None), replace(station(), balance=None)):
        assert fills.filled(PLAN, blind, drain, NOW_S) is drain
    late = fills.filled(PLAN, made, replace(drain, start_l=nan), NOW_S)
    assert (late.start_l, late.delivered_l) == (560.0, 0.0)


# --- warmth ---


def test_warmth_is_litres_times_degrees() -> None:
    """Claim: 9 L at 20 °C are 180, on top of what was; coldest and warmest are kept."""
    first = fills.filled(PLAN, station(), running(), NOW_S).warmth
    assert first == Warmth(pytest.approx(180.0), pytest.approx(9.0), 20.0, 20.0)
    before = Warmth(100.0, 4.0, 19.0, 26.0)
    after = fills.filled(PLAN, station(), running(delivered_l=8.5, warmth=before), NOW_S).warmth
    assert after == Warmth(pytest.approx(110.0), pytest.approx(4.5), 19.0, 26.0)
    inside = replace(before, lowest_c=21.0, highest_c=19.0)
    after = fills.filled(PLAN, station(), running(warmth=inside), NOW_S).warmth
    assert (after.lowest_c, after.highest_c) == (20.0, 20.0)


@pytest.mark.parametrize(("made", "fill"), [
    (station(), running(delivered_l=9.0)), (station(), running(delivered_l=20.0)),
    (without(station(), TEMP), running()),
])  # fmt: skip
def test_no_litre_or_no_degree_is_no_warmth(made: Station, fill: Fill) -> None:
    """Claim: nothing new, or nothing read, leaves the coldest and the warmest as they were."""
    assert fills.filled(PLAN, made, fill, NOW_S).warmth == Warmth()


def test_mixed_water_has_the_mean_of_its_degrees() -> None:
    """Claim: 300 L at 25 °C, 60 L at 20 °C and 40 L at 15 °C make 400 L at
    (7500 + 1200 + 600) / 400 = 23.25 °C; half a litre has a temperature too.
    """
    fill = running(warmth=Warmth(1200.0, 60.0, 20.0, 20.0))
    assert fills.mixed_c(fill, 300.0, 40.0, 15.0) == pytest.approx(23.25)
    assert fills.mixed_c(running(), 0.5, 0.0, 15.0) == pytest.approx(25.0)
    assert isnan(fills.mixed_c(running(), 0.0, 0.0, 15.0))


# --- the expected time ---


def test_the_time_is_fixed_once_the_flow_is_known() -> None:
    """Claim: at learn_s exactly and not before; the forecast's late end with its margins on top of
    the time so far, and never later than the limit there was.
    """
    fill = running(opened_s=NOW_S - LIMITS.learn_s, time_limit_s=1e9)
    after = fills._limited(PLAN, fill, NOW_S)
    ahead = fills.expected(fill, NOW_S)
    assert ahead is not None
    assert after.time_fixed
    assert (after.expected, after.expected_at_s) == (ahead, LIMITS.learn_s)
    allowed_s = LIMITS.learn_s + ahead.high_s * (1.0 + LIMITS.time_margin) + LIMITS.time_margin_s
    assert after.time_limit_s == pytest.approx(allowed_s)
    assert fills._limited(PLAN, replace(fill, time_limit_s=300.0), NOW_S).time_limit_s == 300.0
    early = replace(fill, opened_s=NOW_S - LIMITS.learn_s + 0.1)
    assert fills._limited(PLAN, early, NOW_S) is early


@pytest.mark.parametrize(("phase", "fixed", "moves"), [
    (Phase.FILLING, False, True), (Phase.FILLING, True, False), (Phase.HOLDING, False, False),
])  # fmt: skip
def test_the_time_is_fixed_while_water_runs_and_once(
    phase: Phase, fixed: bool, moves: bool
) -> None:
    """Claim: not on hold, and not again."""
    fill = running(time_fixed=fixed, time_limit_s=1e9)
    after = fills.filled(PLAN, station(phase=phase), fill, NOW_S)
    assert (after.time_limit_s < 1e9) is moves
    assert after.time_fixed is (fixed or moves)


@pytest.mark.parametrize(
    ("fill", "need_l", "sd_l", "by_meter"),
    [
        (running(), 258.0, 2.8, False),
        (running(goal_l=nan), 100.0, 2.0, False),
        (running(to_mark=False), 100.0, 0.0, True),
        (running(to_mark=False, goal_l=nan, overrun_l=0.5), 100.0, 0.0, True),
    ],
)
def test_what_a_forecast_is_asked_for(
    fill: Fill, need_l: float, sd_l: float, by_meter: bool
) -> None:
    """Claim: up to the mark by the level's litres and doubt, else by a person's, who knows them to
    2 % (common practice); by the meter without doubt.
    """
    assert fill.forecast is not None
    assert fills.expected(fill, NOW_S) == forecast.predict(
        fill.forecast, NOW_S, need_l, need_sd_l=sd_l, overrun_l=fill.overrun_l, by_meter=by_meter
    )  # fmt: skip


# --- times and remainders ---


def test_a_close_command_ends_an_opening() -> None:
    """Claim: its time is added, a clock that ran back adds none; litres and moment are noted."""
    fill = running(open_before_s=30.0, delivered_l=9.0, holds=1)
    shut = fills.shut_again(fill, NOW_S, hold=False, low=True)
    assert (shut.open_before_s, shut.shut_s, shut.shut_l) == (130.0, NOW_S, 9.0)
    assert (shut.holds, shut.low_ended) == (1, True)
    held = fills.shut_again(replace(fill, opened_s=NOW_S + 5.0), NOW_S, hold=True, low=False)
    assert (held.open_before_s, held.holds, held.low_ended) == (30.0, 2, False)
    assert fills.shut_again(replace(fill, opened_s=NOW_S - 0.5), NOW_S, hold=True,
                            low=False).open_before_s == 30.5  # fmt: skip


@pytest.mark.parametrize(("begun_s", "shut_s", "took_s"), [
    (100.0, 350.0, 250.0), (100.0, 100.5, 0.5), (100.0, 100.0, 0.0), (100.0, 50.0, 0.0),
    (100.0, -inf, 0.0), (-inf, -inf, 0.0),
])  # fmt: skip
def test_how_long_a_fill_took(begun_s: float, shut_s: float, took_s: float) -> None:
    """Claim: from the first opening to the last close command; nothing before it was shut."""
    assert fills.duration_s(running(begun_s=begun_s, shut_s=shut_s)) == took_s


@pytest.mark.parametrize(("shut_l", "over_l"), [(8.75, 0.25), (9.0, 0.0), (20.0, 0.0)])
def test_what_came_after_the_close_command(shut_l: float, over_l: float) -> None:
    """Claim: what was delivered since; never less than nothing."""
    assert fills.overrun_l(running(delivered_l=9.0, shut_l=shut_l)) == over_l


@pytest.mark.parametrize("phase", list(Phase))
def test_open_time_runs_while_water_may_flow(phase: Phase) -> None:
    """Claim: the openings before, and this one while it lasts; a beginning to come adds none."""
    flows = phase in WATER_MAY_FLOW
    fill = running(open_before_s=30.0, opened_s=NOW_S - 0.5)
    assert fills.open_time_s(phase, fill, NOW_S) == (30.5 if flows else 30.0)
    assert fills.open_time_s(phase, replace(fill, opened_s=NOW_S + 9.0), NOW_S) == 30.0


def test_the_expected_time_follows_the_plan_s_own_limits() -> None:
    """Claim: margins are the plan's, not the defaults."""
    plan = full_plan(Limits(time_margin=0.5, time_margin_s=60.0, learn_s=50.0))
    fill = running(plan, opened_s=NOW_S - 50.0, time_limit_s=1e9)
    after = fills._limited(plan, fill, NOW_S)
    assert after.expected is not None
    assert after.time_limit_s == pytest.approx(50.0 + after.expected.high_s * 1.5 + 60.0)
