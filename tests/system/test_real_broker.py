"""The same fills and faults over a real mosquitto, and that broker struck down from outside."""

from __future__ import annotations

import contextlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor.cli.common import sample_text
from monitor.config import loads
from monitor.errors import BrimwatchError
from monitor.journal.reader import JournalReader
from monitor.simulate.faults import FAULTS
from monitor.simulate.plant import Plant, Rig
from monitor.stage import Script
from monitor.stage.script import rig_of
from support.commands import SMALL, Background, Done, brimwatch, wait_until
from support.mosquitto import Mosquitto, find_mosquitto

pytestmark = pytest.mark.skipif(
    find_mosquitto() is None, reason="mosquitto is not installed: no real broker was tried"
)

SHUT_WITHIN_S = 3.0  # hazard C03
MID_FILL_S = 30.0
SIMILAR_S = 0.05  # two runs that hear a reading at slightly different moments


def play(folder: Path, *more: str) -> Done:
    return brimwatch("simulate", "--once", "--speed", "max", "--json", *SMALL, *more, cwd=folder)


@pytest.mark.parametrize("fault", [None, "leak", "engine-killed", "node-frozen"])
def test_a_real_broker_changes_nothing(fault: str | None, tmp_path: Path) -> None:
    """Claim: outcome, cause, alarms and exit code are those of the program's own broker, and the
    valve shuts within the same bound.
    """
    strike = ("--fault", fault, "--fault-at", "100.25") if fault else ()
    with Mosquitto() as broker, ThreadPoolExecutor(1) as aside:
        other = aside.submit(play, tmp_path, *strike)
        given = play(tmp_path, "--broker", broker.url, *strike)
        own = other.result()
        assert broker.process is not None
        assert broker.process.poll() is None  # nobody touched it
    for key in ("outcome", "cause", "recorded_as", "alarms"):
        assert given.last[key] == own.last[key], key
    assert given.code == own.code == (3 if fault else 0)
    assert given.last["true_delivered_l"] == pytest.approx(own.last["true_delivered_l"], abs=0.02)
    if fault is not None:
        shut_s = given.last["valve_closed_after_s"]
        assert shut_s == pytest.approx(own.last["valve_closed_after_s"], abs=SIMILAR_S)
        if fault != "leak":  # a leak's bound counts from the wet probe; see test_faults.py
            assert shut_s <= (FAULTS[fault].bound_s or 0.0)


def test_a_given_broker_is_killed_when_its_process_is_given_too(tmp_path: Path) -> None:
    """Claim (C03): with --broker-pid the fault really kills that process, the valve is shut within
    3 s, and the program ends by itself without a broker.
    """
    with Mosquitto() as broker:
        assert broker.process is not None
        pid = str(broker.process.pid)
        done = play(tmp_path, "--broker", broker.url, "--broker-pid", pid,
                    "--fault", "broker-killed", "--fault-at", "100.25")  # fmt: skip
        assert broker.process.wait(5) == -9
    assert (done.code, done.last["outcome"], done.last["cause"]) == (3, "stopped", "C03")
    assert done.last["valve_closed_after_s"] <= SHUT_WITHIN_S


def test_a_given_broker_that_is_not_ours_is_left_alone(tmp_path: Path) -> None:
    """Claim: without --broker-pid the same fault cuts the connections and kills nothing."""
    with Mosquitto() as broker:
        done = play(tmp_path, "--broker", broker.url, "--fault", "broker-killed")
        assert broker.process is not None
        assert broker.process.poll() is None
    assert (done.code, done.last["cause"]) == (3, "C03")
    assert done.last["valve_closed_after_s"] <= SHUT_WITHIN_S


def closing_water_l(rig: Rig) -> float:
    """Return the litres that pass while the rig's valve travels shut, by the plant itself."""
    plant = Plant(rig)
    plant.energise(True)
    plant.advance(60.0)
    before_l = plant.delivered_l
    plant.energise(False)
    plant.advance(60.0 + rig.close_time_s + 1.0)
    return plant.delivered_l - before_l


@pytest.mark.parametrize("strike", ["kill", pytest.param("freeze", marks=pytest.mark.slow)])
def test_a_broker_struck_down_from_outside_shuts_the_valve(strike: str, tmp_path: Path) -> None:
    """Claim (C03): nobody tells the simulation that its broker is killed, or frozen in its tracks;
    the valve is shut within 3 simulated seconds all the same, the cause is the broker, and the
    program ends by itself.

    The broker dies after the last reading that the engine recorded. What went in after that
    reading, less what passes a closing valve, says for how long the valve stayed open.
    """
    path = tmp_path / "record.db"
    with Mosquitto() as broker:
        args = ("simulate", "--once", "--speed", "50", "--json", "--broker", broker.url, *SMALL)
        with Background(*args, "--journal", str(path), cwd=tmp_path) as run:
            wait_until(lambda: filled_for_s(path) > MID_FILL_S, 30.0, lambda: run.err)
            (broker.kill if strike == "kill" else broker.freeze)()
            done = run.end(within_s=60.0)
    verdict = done.last
    assert (done.code, verdict["outcome"], verdict["cause"]) == (3, "stopped", "C03")
    assert verdict["alarms"] == ["C03"]
    with JournalReader(path) as reader:
        record = reader.fill("last")
        last = [each for each in reader.samples(record.id) if each.phase == "filling"][-1]
    assert record.outcome == "stopped"
    assert last.flow_lpm is not None
    config = loads(sample_text(), "sample")
    rig = rig_of(config.stations["river"], Script(config=config, station="river"))
    after_l = verdict["true_delivered_l"] - last.volume_l
    open_s = (after_l - closing_water_l(rig)) / last.flow_lpm * 60
    assert 0.0 < open_s + rig.close_time_s <= SHUT_WITHIN_S


def filled_for_s(path: Path) -> float:
    """Return how far the last fill in a record has come, in its own seconds; 0 without one."""
    with contextlib.suppress(BrimwatchError), JournalReader(path) as reader:
        samples = list(reader.samples(reader.fill("last").id))
        return samples[-1].t_s if samples else 0.0
    return 0.0
