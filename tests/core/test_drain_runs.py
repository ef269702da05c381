"""A drain that runs on is seen by the level, soon and not for nothing; and a drain that was only
asked for has let nothing out yet.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.conditions import Picture
from monitor.core.exchange import Way
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.reading import Kind
from support.stories import DEPTH, LOW, LOW_L, MARK_L, Story, full_plan, river_plan

RUNS, HOSE = RULES[BY_KEY["drain-runs"]], RULES[BY_KEY["hose-out"]]
MORE_L = DEFAULTS.drain_over_l + 0.01
ENDED = Picture(
    now_s=1000.0, phase=Phase.SETTLING, way=Way.OUT, elapsed_s=60.0, level_m=0.4, low_m=0.27
)  # fmt: skip


class Noisy(Story):
    """A story whose level probe has a noise of its own."""

    sd_m = 0.001
    rng = random.Random(0)

    def _fitted(self) -> Iterator[tuple[str, Kind, float, None]]:
        for sensor, kind, value, none in super()._fitted():
            noise_m = self.rng.gauss(0.0, self.sd_m) if sensor == DEPTH else 0.0
            yield sensor, kind, value + noise_m, none


def drained(seed: int, sd_m: float) -> Noisy:
    """Return a tank of which fifteen litres were let out at 15 L/min, just told to stop."""
    story = Noisy(plan=full_plan(), before_l=MARK_L, drain_lpm=15.0)
    story.rng, story.sd_m = random.Random(seed), sd_m
    story.begin()
    assert story.ask("drain", litres=15.0).ok
    story.until(Phase.SETTLING, 300.0)
    return story


@pytest.mark.parametrize(
    ("changes", "raised"),
    [
        ({}, False),
        ({"gone_l": DEFAULTS.drain_over_l}, False),
        ({"gone_l": MORE_L}, True),
        ({"gone_l": MORE_L, "phase": Phase.CLOSING}, True),
        ({"gone_l": MORE_L, "phase": Phase.STOPPED}, True),
        ({"gone_l": MORE_L, "phase": Phase.DONE}, False),
        ({"gone_l": MORE_L, "by_hose": True}, False),
        ({"gone_l": MORE_L, "way": Way.IN}, False),
        ({"gone_l": MORE_L, "elapsed_s": 0.0}, False),
        ({"low_hit": True}, True),
        ({"low_hit": True, "elapsed_s": 0.0}, False),
    ],
)
def test_when_a_drain_runs_on(changes: dict[str, Any], raised: bool) -> None:
    """Claim (W23): litres that surely went after the end, or the low float, say so; nothing that
    was there before the drain began does.
    """
    assert RUNS.raised(replace(ENDED, **changes)) is raised


@pytest.mark.parametrize("phase", [Phase.CLOSING, Phase.SETTLING, Phase.DONE, Phase.STOPPED])
def test_a_hose_is_to_be_taken_out_only_once_it_has_drained(phase: Phase) -> None:
    """Claim (W23): a drain by hose that was asked for a moment ago is not over yet."""
    hose = replace(ENDED, phase=phase, by_hose=True)
    assert HOSE.raised(hose)
    assert not HOSE.raised(replace(hose, elapsed_s=0.0))


@pytest.mark.parametrize("seed", range(8))
def test_a_siphon_is_seen_within_a_minute(seed: int) -> None:
    """Claim (W23): 6 L/min that run on are told within 60 s of the close command, with a probe that
    is off by half a millimetre at each reading, far above the low mark.
    """
    story = drained(seed, 0.0005)
    shut_s = story.now_s
    story.goes_lpm = 6.0
    story.run(60.0)
    assert story.alarm("drain-runs") == "B"
    assert story.alarmed("drain-runs") - shut_s <= 60.0
    assert story.phase is Phase.STOPPED


@pytest.mark.parametrize("seed", range(3))
def test_a_siphon_that_hides_in_the_noise_is_seen_at_the_low_float(seed: int) -> None:
    """Claim (W23): what the level cannot tell from noise in the minute after a drain, the low float
    tells when the water comes to it, at once, however long that takes.
    """
    story = drained(seed, 0.002)
    story.goes_lpm = 1.0
    story.until(Phase.DONE, 90.0)
    story.run(600.0)
    assert story.raised() == set()
    story.others[LOW] = 1.0
    story.edge()
    assert story.alarm("drain-runs") == "B"


@pytest.mark.parametrize("sd_m", [0.0003, 0.001, 0.002])
def test_a_drain_that_ends_as_it_should_raises_nothing(sd_m: float) -> None:
    """Claim (W23): noise up to what the config says of the probe is no water."""
    for seed in range(12):
        story = drained(seed, sd_m).until(Phase.DONE, 90.0)
        assert story.raised() == set()


def test_after_a_siphon_the_tank_can_be_filled_again() -> None:
    """Claim (W23): water below the low mark does not come back by itself. Once it stands still a
    person resets, and the refill may start.
    """
    story = drained(1, 0.001)
    story.goes_lpm = 6.0
    story.run(90.0)
    assert not story.ask("reset").ok or story.alarm("drain-runs") == "A"
    story.run(1200.0)
    story.goes_lpm = 0.0
    story.run(DEFAULTS.watch_after_s)
    assert story.tank_l < MARK_L - 100.0
    assert story.ask("reset").ok
    assert story.phase is Phase.IDLE


def test_a_drain_asked_for_at_the_low_mark_is_refused_and_no_alarm() -> None:
    """Claim: without a level probe the low float keeps a drain from starting, and the drain that
    never was is none that ran on.
    """
    plan = river_plan(drain="pump", low_m=0.27, lows=(LOW,))
    story = Story(plan=plan, before_l=LOW_L).begin()
    story.fill(20.0).finish()
    story.edge(high=False)
    story.others[LOW] = 1.0
    story.run(2.0)
    assert story.ask("drain", litres=50.0).ok
    story.until(Phase.IDLE)
    assert story.raised() == set()


def test_a_thermometer_that_hangs_in_the_air_is_told_whatever_is_known_of_the_tank() -> None:
    """Claim (T05): it needs no temperature of the tank to see that nothing answers to the flow."""
    story = Story(slug_c=0.0).begin().fill(420.0).run(DEFAULTS.dead_s + 10.0)
    assert story.alarm("temp-dead") == "B"
    well = Story().begin().fill(420.0).run(DEFAULTS.dead_s + 10.0)
    assert well.raised() == set()
