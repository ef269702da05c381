from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import sin
from typing import Any

import pytest

from monitor.config import Station
from monitor.core.exchange import ReadingPack
from monitor.core.reading import Kind, Sample
from monitor.link.senml import encode_pack
from monitor.replay.frames import RecordingError
from support.recordings import MARK_M, NEED_L, START_M, Played, Water, pipe_first

Play = Callable[..., Played]
FULL_S = NEED_L / 10.0 * 60.0  # at 10 L/min
OPENS_S = 20.0
ENOUGH_L = NEED_L + 2.0  # somebody shuts the valve some seconds late


# --- a fill in which nothing is wrong ---


def test_a_good_fill_is_foretold_and_closed_at_its_mark(play: Play) -> None:
    """Claim: a healthy recording raises nothing but the end, within 1 % of the true time; every
    forecast is at most ten seconds after the one before; and nine of ten intervals hold the truth.
    """
    told = play(Water(open_until_l=ENOUGH_L))
    assert told.ids == set()
    assert [(c["cause"], c["hold"]) for c in told.of("close")] == [("mark", False)]
    end_s = told.close("mark")
    assert end_s == pytest.approx(OPENS_S + FULL_S, rel=0.01)
    times = [f["t_s"] for f in told.of("forecast")]
    assert times[0] <= OPENS_S + 1
    assert max(b - a for a, b in pairwise(times)) <= 10.0
    assert times[-1] > end_s - 10.0
    held = [f["low_s"] <= end_s - f["t_s"] <= f["high_s"] for f in told.of("forecast")]
    assert sum(held) / len(held) >= 0.9


def test_forecasts_have_the_promised_fields(play: Play) -> None:
    """Claim: every line has the fields that programs were promised, in order of time, as JSON."""
    told = play(Water(seconds=300, wet_from_s=250))
    fields = {
        "forecast": {"t_s", "remaining_s", "low_s", "high_s", "remaining_l", "flow_lpm"},
        "alarm": {"t_s", "id", "severity", "cause"},
        "close": {"t_s", "cause"},
        "summary": {"t_s"},
    }
    assert {line["kind"] for line in told} == set(fields)
    for line in told:
        assert fields[line["kind"]] <= set(line)
        json.dumps(line, allow_nan=False)
    times = [line["t_s"] for line in told]
    assert times == sorted(times)
    for line in told.of("forecast"):
        assert line["low_s"] <= line["remaining_s"] <= line["high_s"]


def test_the_same_recording_gives_the_same_lines(play: Play) -> None:
    """Claim: a replay draws no chance and reads no clock."""
    water = Water(seconds=400, wet_from_s=300)
    assert play(water) == play(water)


@pytest.mark.parametrize("seed", range(2, 5))
def test_no_fault_no_alarm(play: Play, seed: int) -> None:
    """Claim: other noise, a tap opened for a minute and a slow decline of flow raise nothing."""

    def flow(since_s: float) -> float:
        tap = 0.8 if 900 < since_s < 960 else 1.0
        return 10.0 * tap * (1.0 - 0.02 * since_s / 2600.0)

    told = play(Water(flow_lpm=flow, seed=seed, open_until_l=ENOUGH_L, seconds=2800))
    assert told.ids == set()
    assert [c["cause"] for c in told.of("close")] == ["mark"]


# --- somebody else's valve ---


def test_a_valve_that_never_closes_is_named(play: Play) -> None:
    """Claim: when the command ends and the water does not, W04 is told within 15 s (hazard W04)."""
    shut_s = OPENS_S + FULL_S
    told = play(Water(seconds=2900, keeps_on=True, open_until_s=shut_s))
    first = next(a["t_s"] for a in told.of("alarm") if a["id"] == "W04")
    assert 0.0 < first - shut_s <= 15.0
    assert "W01" in told.ids  # and then the water is above the mark


def test_a_valve_held_open_past_the_target_is_named(play: Play) -> None:
    """Claim: where the command never ends, the core closes at the mark, gives somebody half a
    minute to end it, and then tells of water that goes on.
    """
    told = play(Water(seconds=2900))
    end_s = told.close("mark")
    first = next(a["t_s"] for a in told.of("alarm") if a["id"] == "W04")
    assert 30.0 <= first - end_s <= 32.0


def test_a_pause_by_somebody_else_is_no_fault_and_no_end(play: Play) -> None:
    """Claim: a valve shut for a minute in mid-fill is a hold: one fill, no alarm, and the end at
    the mark.
    """
    rows = [(t, s, v) for t, s, v in Water(open_until_s=620, noise_m=0.001).rows() if t < 680]
    at_l = 100.0
    later = Water(quiet_s=0, noise_m=0.001, level_m=START_M + at_l / 1400.0, seconds=2100,
                  open_until_l=ENOUGH_L - at_l, seed=9)  # fmt: skip
    rows += [(t + 680, s, v + (at_l * 450 if s == "meter" else 0.0)) for t, s, v in later.rows()]
    told = play("\n".join(["t_s,sensor,value", *(f"{t},{s},{v:.6f}" for t, s, v in rows)]))
    assert told.ids == set()
    assert len(told.summary["fills"]) == 1
    assert told.close("mark") == pytest.approx(680 + (NEED_L - at_l) * 6, rel=0.01)
    assert not [f for f in told.of("forecast") if 621 < f["t_s"] < 680]


def test_a_valve_that_stays_shut_ends_the_fill_and_the_next_opening_is_another(play: Play) -> None:
    """Claim: a command that ended for long is the end, told as somebody else's."""
    first = list(Water(seconds=900, open_until_s=320).rows())
    again = Water(quiet_s=0, level_m=START_M + 50.0 / 1400.0, seconds=200, seed=4)
    rows = first + [(t + 900, s, v + 50.0 * 450 * (s == "meter")) for t, s, v in again.rows()]
    told = play("\n".join(["t_s,sensor,value", *(f"{t},{s},{v:.6f}" for t, s, v in rows)]))
    fills = told.summary["fills"]
    assert [f["ended_by"] for f in fills] == ["the valve stayed shut", "end of the recording"]
    assert fills[0]["delivered_l"] == pytest.approx(50.0, abs=0.5)
    assert told.of("close") == []
    assert told.ids == set()


def test_without_a_valve_a_fill_begins_with_the_first_flow(play: Play) -> None:
    """Claim: what flows before the reading that shows it is counted too."""
    told = play(Water(leave_out=("valve",), open_until_l=ENOUGH_L))
    (fill,) = told.summary["fills"]
    assert fill["begun_by"] == "flow"
    assert abs(fill["begun_s"] - OPENS_S) <= 1.0
    assert fill["delivered_l"] == pytest.approx(NEED_L, rel=0.01)
    assert told.close("mark") == pytest.approx(OPENS_S + FULL_S, rel=0.01)
    assert told.ids == set()


# --- what goes wrong ---


@pytest.mark.parametrize(
    ("change", "at_s", "cause", "within_s"),
    [
        ({"wet_from_s": 600}, 600, "W06", 1),
        ({"temp_c": pipe_first(lambda s: 45.0 if s > 580 else 25.0)}, 601, "T01", 1),
        ({"temp_c": pipe_first(lambda s: 15.0 if s > 580 else 25.0)}, 601, "T02", 30),
        ({"flow_lpm": lambda s: 0.0 if s > 580 else 10.0}, 601, "W15", 30),
        ({"arrives": lambda s: 0.0 if s > 580 else 1.0}, 601, "W02", 60),
        ({"arrives": lambda s: 0.7 if s > 580 else 1.0}, 601, "W03", 300),
        ({"flow_lpm": lambda s: -4.0 if s > 580 else 10.0}, 601, "W12", 60),
        ({"high_from_m": 0.35}, 20 + 672, "S01", 2),
        ({"cut": (600, 640)}, 600, "C06", 10),
    ],
    ids=["leak", "scald", "cold", "no-flow", "hose-off", "split", "back-siphon", "float", "gap"],
)  # fmt: skip
def test_a_fault_is_told_in_time_with_its_cause(
    play: Play, change: dict[str, Any], at_s: float, cause: str, within_s: float
) -> None:
    """Claim: the core names each fault of a recording within the bound of the hazard catalogue, as
    an alarm and as what it would have done.
    """
    told = play(Water(seconds=1200, **change))
    assert cause in told.ids
    assert -1.0 <= told.close(cause) - at_s <= within_s
    first = told.of("alarm")[0]
    assert first["id"] == cause


def test_after_its_close_the_core_goes_on_watching(play: Play) -> None:
    """Claim: a recorded valve stays open whatever the core would do; what then goes wrong is told
    too, once closed nothing is closed again, and forecasts say that they come after.
    """
    told = play(Water(seconds=1200, wet_from_s=300, arrives=lambda s: 0.0 if s > 580 else 1.0))
    assert told.ids == {"W06", "W02"}
    assert [c["cause"] for c in told.of("close")] == ["W06"]
    late = [f for f in told.of("forecast") if f["t_s"] > 301]
    assert late
    assert all(f["after_close"] == "W06" for f in late)


def test_holds_are_told_as_such_and_the_third_is_for_good(play: Play) -> None:
    """Claim: three cold spells make two holds and a close, as with our own valve."""

    def temp_c(since_s: float) -> float:
        return 15.0 if 300 <= since_s % 600 < 340 else 25.0

    told = play(Water(seconds=2000, temp_c=temp_c))
    assert [(c["cause"], c["hold"]) for c in told.of("close")] == [
        ("T02", True), ("T02", True), ("T02", False)
    ]  # fmt: skip


# --- what is not recorded ---


def test_what_is_not_recorded_is_said_and_the_rest_is_judged(play: Play) -> None:
    """Claim: with a meter and a level alone the hose is still found off, and the summary names what
    was missing.
    """
    only = ("float_high", "floor", "incoming", "tank")
    told = play(Water(seconds=1200, leave_out=only, arrives=lambda s: 0.0 if s > 580 else 1.0))
    assert told.ids == {"W02"}
    assert told.summary["not_recorded"] == list(only)


def test_a_meter_alone_is_watched_by_volume(play: Play) -> None:
    """Claim: without a level the litres from the config's start to the mark decide: more of them is
    W01, and the forecast says that it rests on the meter.
    """
    told = play(Water(seconds=3000, leave_out=("depth",)))
    assert told.of("forecast")[-1]["by"] == "meter"
    assert told.ids == {"W01"}
    assert NEED_L < (told.close("W01") - OPENS_S) / 6.0 < NEED_L * 1.07 + 4.0


def test_a_level_alone_tells_the_end(play: Play) -> None:
    """Claim: without a meter the level tells the end within 2 %, and says so."""
    told = play(Water(seconds=2700, leave_out=("meter", "valve"), open_until_l=ENOUGH_L))
    assert told.close("mark") == pytest.approx(OPENS_S + FULL_S, rel=0.02)
    assert {f["by"] for f in told.of("forecast")[1:]} == {"level"}
    assert told.summary["fills"][0]["begun_by"] == "level"
    half = next(f for f in told.of("forecast") if f["t_s"] >= OPENS_S + FULL_S / 2)
    assert half["remaining_s"] == pytest.approx(FULL_S / 2, rel=0.05)


def test_a_thermometer_alone_raises_nothing_but_its_own(play: Play) -> None:
    """Claim: without meter and level no volume is judged, and a scalding stream is told at once."""
    bare = ("meter", "depth", "float_high", "floor", "tank")
    calm = play(Water(seconds=900, leave_out=bare))
    assert calm.ids == set()
    scalds = pipe_first(lambda s: 50.0 if s > 580 else 25.0)
    hot = play(Water(seconds=900, leave_out=bare, temp_c=scalds))
    assert hot.ids == {"T01"}


@pytest.mark.parametrize("every_s", [5, 10, 30])
def test_a_slower_recording_is_judged_by_its_own_pace(play: Play, every_s: int) -> None:
    """Claim: a healthy recording with a reading every so often is healthy, and its end is told
    within one reading and 1 %.
    """
    told = play(Water(every_s=every_s, seconds=2760, open_until_l=ENOUGH_L,
                      temp_c=lambda s: 25.0 + sin(s / 100)))  # fmt: skip
    assert told.ids == set()
    assert told.close("mark") == pytest.approx(OPENS_S + FULL_S, abs=every_s + 0.01 * FULL_S)
    times = [f["t_s"] for f in told.of("forecast")]
    assert max(b - a for a, b in pairwise(times)) <= max(10.0, every_s)


# --- targets ---


def test_a_target_in_litres_is_the_meters(play: Play) -> None:
    """Claim: with --target-l the fill ends at so many litres by the meter."""
    told = play(Water(seconds=900), litres=100.0)
    assert told.close("litres") == pytest.approx(OPENS_S + 600, abs=2)


def test_a_target_level_stands_in_for_the_mark(play: Play) -> None:
    """Claim: with --target-level-m the water should end there."""
    told = play(Water(seconds=1500), level_m=START_M + 150.0 / 1400.0)
    assert told.close("mark") == pytest.approx(OPENS_S + 900, rel=0.02)
    assert told.summary["target_level_m"] == pytest.approx(START_M + 150.0 / 1400.0)


def test_a_target_that_cannot_be_is_refused(play: Play, river: Station) -> None:
    """Claim: a level above the rim, no litres, and a mark that nothing measures are told."""
    with pytest.raises(RecordingError, match=r"a target of 0\.7 m is not in the vessel"):
        play(Water(seconds=60), level_m=0.7)
    with pytest.raises(RecordingError, match=r"a target of 0\.5 L"):
        play(Water(seconds=60), litres=0.5)
    nowhere = replace(river, vessel=river.vessel.model_copy(update={"start_m": None}))
    with pytest.raises(RecordingError, match="nobody knows how much"):
        play(Water(seconds=60, leave_out=("depth",)), station=nowhere)


def test_a_full_vessel_is_not_filled(play: Play) -> None:
    """Claim: where the water is at the mark when the valve opens, it would not have been opened."""
    told = play(Water(seconds=120, level_m=MARK_M + 0.002, flow_lpm=lambda _s: 0.0))
    assert [c["cause"] for c in told.of("close")] == ["W18"]


# --- packs ---


def packs(water: Water, boot: str = "boot-a") -> list[str]:
    """Return a recording as a node's packs."""
    kinds = {"float_high": Kind.FLOAT, "floor": Kind.LEAK, "incoming": Kind.TEMPERATURE,
             "tank": Kind.TEMPERATURE, "meter": Kind.FLOW, "depth": Kind.LEVEL}  # fmt: skip
    by_time: dict[float, dict[str, float]] = {}
    for t_s, sensor, value in water.rows():
        by_time.setdefault(t_s, {})[sensor] = value
    lines, before = [], 0.0
    for seq, (t_s, seen) in enumerate(by_time.items()):
        flow_lpm = (seen["meter"] - before) / 450.0 * 60.0
        before = seen["meter"]
        samples = tuple(
            Sample(name, kind, t_s, flow_lpm if kind is Kind.FLOW else seen[name], None,
                   int(seen[name]) if kind is Kind.FLOW else None)
            for name, kind in kinds.items()
        )  # fmt: skip
        pack = ReadingPack("river", "river", boot, seq, t_s, samples, seen["valve"] > 0.0)
        lines.append(encode_pack(pack).decode())
    return lines


def test_packs_and_a_table_of_the_same_water_decide_the_same(play: Play) -> None:
    """Claim: the format changes nothing: the same fault at the same second, the same end."""
    faulty = Water(seconds=900, wet_from_s=600)
    assert play("\n".join(packs(faulty))).close("W06") == play(faulty).close("W06")
    good = Water(open_until_l=ENOUGH_L)
    by_packs = play("\n".join(packs(good)))
    assert by_packs.ids == set()
    assert by_packs.close("mark") == pytest.approx(play(good).close("mark"), abs=8)


def test_a_repeated_pack_counts_once_and_a_bad_one_is_named(play: Play) -> None:
    """Claim: what a broker sends twice is left out, and a line that is no pack is told."""
    lines = packs(Water(seconds=60))
    told = play("\n".join([*lines[:30], lines[29], *lines[30:]]))
    assert told.summary["dropped"] == 1
    with pytest.raises(RecordingError, match="line 3: no reading pack of station river"):
        play("\n".join([*lines[:2], '[{"n":"x"}]', *lines[2:]]))
    later = packs(Water(seconds=3))
    swapped = later[2].replace('"seq","v":2', '"seq","v":0')
    with pytest.raises(RecordingError, match="line 2: the time goes back"):
        play("\n".join([swapped, later[1]]))


def test_a_node_that_restarts_in_mid_fill_ends_it(play: Play) -> None:
    """Claim: a new boot in mid-fill is told as C05, as it would have been."""
    first = packs(Water(seconds=300))
    second = packs(Water(seconds=60, quiet_s=0, level_m=START_M + 46.0 / 1400.0), boot="boot-b")
    told = play("\n".join([*first, *second]))
    assert "C05" in told.ids
    assert told.close("C05") == pytest.approx(300.0, abs=3.0)
