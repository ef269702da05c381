"""One fill from beginning to end, by the real command, with nothing wrong."""

from __future__ import annotations

import math
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.common import sample_text
from monitor.config import Flow, loads
from monitor.simulate.plant import GRAVITY_MS2, LPM_PER_M3S, Rig
from monitor.stage import Script
from monitor.stage.script import rig_of
from support.commands import SMALL, Done, brimwatch

NEED_L = 420.0  # 2.0 m x 0.7 m x (0.57 m - 0.27 m)
KEYS = {
    *("outcome", "cause", "delivered_l", "fill_s", "spilled_l", "valve_closed_after_s"),
    *("alarms", "temp_min_c", "temp_max_c"),
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Play the museum's whole fill once."""
    folder = tmp_path_factory.mktemp("whole")
    return brimwatch("simulate", "--once", "--speed", "max", "--json", cwd=folder)


def test_a_fill_ends_at_the_mark_by_itself(whole: Done) -> None:
    """Claim: a fill with nothing wrong is done without anybody, at the mark, with a dry floor,
    the litres right within the meter's own uncertainty, and one JSON object last on stdout.
    """
    config = loads(sample_text(), "sample")
    meter = next(iter(config.stations["river"].fitted(Flow).values()))
    verdict = whole.last
    assert set(verdict) >= KEYS
    assert (whole.code, verdict["outcome"], verdict["cause"]) == (0, "done", None)
    assert verdict["simulated"] is True
    assert verdict["alarms"] == []
    assert verdict["level_m"] == pytest.approx(0.57, abs=0.005)
    assert verdict["delivered_l"] == pytest.approx(NEED_L, rel=meter.uncertainty)
    assert verdict["true_delivered_l"] == pytest.approx(NEED_L, rel=0.005)
    assert verdict["spilled_l"] == 0.0
    assert verdict["valve_closed_after_s"] is None  # counted from a fault, and there was none
    # The pipe's standing water comes first, at the room's 20 °C; the mixed water is 25 °C.
    assert verdict["temp_min_c"] == pytest.approx(20.0, abs=0.5)
    assert verdict["temp_max_c"] == pytest.approx(25.0, abs=0.5)


def epanet_flow_lpm(rig: Rig, prefix: Path) -> float:
    """Return the rig's flow by EPANET 2.2 (Rossman et al., EPANET 2.2 User Manual,
    EPA/600/R-20/133, 2020), run through WNTR (Klise et al., EPA/600/R-20/185).

    The hose ends above the rim, so it pours into a reservoir of that height. The filter's loss
    grows with the square of the flow, which is what EPANET calls a minor loss: k = 2 g A² r.
    """
    area_m2 = math.pi * rig.hose_bore_m**2 / 4
    filter_k = 2 * GRAVITY_MS2 * area_m2**2 * rig.filter_m_per_lpm2 * LPM_PER_M3S**2
    losses_k = rig.minor_k + rig.solenoid_k + filter_k
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own and its dependencies'
        import wntr

        net: Any = wntr.network.WaterNetworkModel()
        net.options.hydraulic.headloss = "H-W"
        net.options.hydraulic.accuracy = 1e-6
        net.options.time.duration = 0
        net.add_reservoir("mains", rig.head_m)
        net.add_reservoir("air", rig.tank_elevation_m + rig.hose_end_m)
        net.add_junction("joint", base_demand=0.0, elevation=rig.tank_elevation_m)
        stub_m, bore_m, c = 0.01, rig.hose_bore_m, rig.hose_c
        net.add_pipe("hose", "mains", "joint", rig.hose_length_m - stub_m, bore_m, c)
        net.add_pipe("valve", "joint", "air", stub_m, bore_m, c, minor_loss=losses_k)
        run: Any = wntr.sim.EpanetSimulator(net).run_sim(file_prefix=str(prefix))
    return float(run.link["flowrate"]["hose"].iloc[0]) * LPM_PER_M3S


@pytest.mark.external
def test_a_fill_takes_as_long_as_epanet_says(whole: Done, tmp_path: Path) -> None:
    """Claim: the fill time the program records is that of EPANET's flow for the same pipes,
    within 0.5 % (the mains' invented wander averages out over a fill; its 1 % stays below that).
    """
    config = loads(sample_text(), "sample")
    rig = rig_of(config.stations["river"], Script(config=config, station="river"))
    flow_lpm = epanet_flow_lpm(rig, tmp_path / "net")
    assert rig.need_l == pytest.approx(NEED_L)
    # A valve that travels for a second passes, over that second, about what it passes in half.
    expected_s = NEED_L / flow_lpm * 60 + rig.open_time_s / 2
    assert whole.last["fill_s"] == pytest.approx(expected_s, rel=0.005)
    # Without the filter the flow is a different one: the check can tell.
    without = epanet_flow_lpm(
        Rig(filter_m_per_lpm2=0.0, hose_end_m=rig.hose_end_m), tmp_path / "bare"
    )
    assert abs(without / flow_lpm - 1) > 0.005


def test_the_same_seed_plays_the_same_water_and_another_seed_does_not(tmp_path: Path) -> None:
    """Claim: two runs with one seed end in the same verdict, word for word; another seed's water
    differs.
    """
    args = ("simulate", "--once", "--speed", "max", "--json", *SMALL, "--seed")
    with ThreadPoolExecutor(2) as both:
        runs = list(both.map(lambda seed: brimwatch(*args, seed, cwd=tmp_path), ("7", "7", "8")))
    assert [run.code for run in runs] == [0, 0, 0]
    assert runs[0].out == runs[1].out
    told = [{k: v for k, v in run.last.items() if k != "seed"} for run in runs]
    assert told[0] != told[2]


def test_more_pressure_fills_sooner(tmp_path: Path) -> None:
    """Claim: the house's own pressure decides how long it takes: a quarter of the head, about
    half the flow (all losses of the rig go with Q^1.852 to Q²).
    """
    times_s = []
    for head_m in ("26.23", "7.48"):  # 25 m and 6.25 m above the hose's end at 1.23 m
        done = brimwatch("simulate", "--once", "--speed", "max", "--json", *SMALL,
                         "--head", head_m, cwd=tmp_path)  # fmt: skip
        assert (done.code, done.last["outcome"]) == (0, "done")
        times_s.append(done.last["fill_s"])
    assert 4 ** (1 / 2) <= times_s[1] / times_s[0] <= 4 ** (1 / 1.852) + 0.05


def test_people_are_told_in_words_and_every_line_says_simulation(tmp_path: Path) -> None:
    """Claim: without --json the run tells its phases and its end in plain lines, each marked."""
    done = brimwatch("simulate", "--once", "--speed", "max", *SMALL, cwd=tmp_path)
    assert done.code == 0
    assert done.lines
    assert [line for line in done.lines if not line.startswith("SIMULATION ")] == []
    for words in ("Filling.", "outcome: done", "0.0 L on the floor"):
        assert words in done.out


def test_other_taps_in_the_house_are_no_fault(tmp_path: Path) -> None:
    """Claim (W13): a tap that is opened elsewhere slows the fill, and that is all: no alarm, and
    the water ends at the mark.
    """
    # This seed's first tap takes a third of the head from the 62nd to the 170th second.
    args = ("simulate", "--once", "--speed", "max", "--json", *SMALL, "--seed", "49")
    calm = brimwatch(*args, cwd=tmp_path).last
    done = brimwatch(*args, "--taps", cwd=tmp_path)
    assert (done.code, done.last["outcome"], done.last["alarms"]) == (0, "done", [])
    assert done.last["level_m"] == pytest.approx(0.57, abs=0.005)
    assert 15.0 < done.last["fill_s"] - calm["fill_s"] < 40.0
