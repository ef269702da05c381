"""Each bench works and gives figures that can be. How good they are is for the bench to say: a
busy machine must not fail a test.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.mosquitto import find_mosquitto

pytestmark = pytest.mark.slow

HERE = Path(__file__).parent
BROKERS = ["embedded", "mosquitto"]


def bench(name: str, *arguments: str) -> Any:
    """Run a bench as a person does and return its JSON."""
    command = [sys.executable, str(HERE / f"{name}.py"), *arguments, "--json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=110, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


def needs(broker: str) -> None:
    if broker == "mosquitto" and find_mosquitto() is None:
        pytest.skip("mosquitto is not installed")


@pytest.mark.parametrize("broker", BROKERS)
def test_latency(broker: str) -> None:
    """A wet probe releases the relay through the engine and through the guard alone, each within
    the second that hazard W06 allows, and the way through the broker is the longer one.
    """
    needs(broker)
    result = bench("latency", "--repeat", "6", "--broker", broker, "--debounce", "no debounce")
    ways = result["brokers"][broker]
    engine, guard = ways["engine, no debounce"], ways["guard, no debounce"]
    assert engine["n"] >= 6
    assert guard["n"] >= 6
    assert 0 < guard["p50_ms"] < engine["p50_ms"] < engine["max_ms"] < 1000
    assert 0 < ways["floor"]["p50_ms"] < engine["p50_ms"]


def test_the_default_debounce_shows() -> None:
    """With the probe's default hold the local trip comes after 0.2 s and within the second."""
    result = bench("latency", "--repeat", "3", "--broker", "embedded", "--debounce", "default")
    guard = result["brokers"]["embedded"]["guard, default"]
    assert 200 <= guard["p50_ms"] <= guard["max_ms"] < 1000


@pytest.mark.parametrize("how", [*BROKERS, "memory"])
def test_speed(how: str) -> None:
    """A short fill ends as it should however its messages travel, many times faster than it
    would in real time.
    """
    needs(how)
    result = bench("speed", "--rounds", "1", "--litres", "10", "--how", how)
    (one,) = result["hows"][how]["rounds"]
    assert one["fill_s"] > 60
    assert 0 < one["cpu_s"] < one["fill_s"] / 5
    assert (one["broker_cpu_s"] > 0) == (how == "mosquitto")


def test_footprint() -> None:
    """The program is ready, then armed, within seconds, in a memory that a small Pi has."""
    result = bench("footprint", "--rounds", "1", "--settle", "0.1")
    (one,) = result["rounds"]
    assert 0.05 < one["ready_s"] <= one["armed_s"] < 10
    assert 20 < one["rss_mb"] < 120
    assert one["exit"] == 0


def test_balance() -> None:
    """Every fault that the level must see is met within its bound, whatever the seed, and healthy
    fills raise no alarm.
    """
    result = bench("balance_table", "--seeds", "1", "--hours", "3")
    for name, each in result["faults"].items():
        assert each["right"] > 0, name
        if each["bound_s"] is not None:
            assert each["met"] == each["seeds"] == 1, name
            assert 0 < each["median_s"] <= each["worst_s"] <= each["bound_s"], name
    nothing = result["nothing"]
    assert nothing["hours"] >= 3
    assert nothing["ends"] == {"done": nothing["fills"]}
    assert nothing["alarms"] == []


def test_faults() -> None:
    """The table of faults is made by the real command, for either config."""
    result = bench("faults", "--only", "leak", "--full")
    assert list(result["configs"]) == ["river", "full"]
    for verdicts in result["configs"].values():
        assert verdicts["leak"]["cause"] == "W06"
        assert verdicts["leak"]["exit"] == 3
        assert 0 < verdicts["leak"]["spilled_l"] < 0.5
