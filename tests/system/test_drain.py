"""Letting water out, putting it back, one fill at a time, and what must be proven before: the real
program on invented water, asked by commands that are processes of their own.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.publish
import pytest

from monitor.app import plan_of
from monitor.cli.common import sample_text
from monitor.config import load
from monitor.core.exchange import Way
from monitor.journal.reader import JournalReader
from support.commands import (
    FULL_TOML,
    ROOT,
    Background,
    brimwatch,
    wait_until,
    without,
    write_config,
)
from support.desk import Desk
from support.mosquitto import Mosquitto, find_mosquitto
from support.plays import ended_as_its_row_says, nothing_came_to_harm, play, station_of

FULL = FULL_TOML.read_text()
QUICK = ("--speed", "120")
LOW_M = 0.53  # a low mark near the mark, so that a drain takes minutes
CHANGED_L = (0.57 - LOW_M) * 2.0 * 0.7 * 1000.0  # of the museum's 2.0 m by 0.7 m
NEARLY_FULL = ("--litres", "5", "--start-level", "0.5664285714")
LEVEL_SD_M = 0.002  # as the config says of its probe
UNPROVEN = (sys.executable, str(ROOT / "tests" / "support" / "unproven.py"))


@contextmanager
def broker_of(kind: str) -> Iterator[str | None]:
    """Have a broker: its own is None."""
    if kind == "embedded":
        yield None
        return
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed: nothing was tried over a real broker")
    with Mosquitto() as broker:
        yield broker.url


def in_water(text: str, folder: Path, *more: str, url: str | None = None) -> Desk:
    """Return a simulation whose tank is all but full, with a low mark not far below."""
    low = {"station__river__drain__to_m": str(LOW_M)} if "[station.river.drain]" in text else {}
    return Desk(folder, *NEARLY_FULL, *more, base=text, url=url, speed=QUICK, **low)


def events_of(folder: Path, kind: str) -> list[tuple[str, float]]:
    """Return what the record keeps of one kind of event, and when, in order."""
    with JournalReader(folder / "record.db") as reader:
        found = [(e.text, e.at_s) for e in reader.events() if e.kind == kind]
    return sorted(((text, at_s) for text, at_s in found if at_s is not None), key=lambda e: e[1])


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_whole_water_change(kind: str, tmp_path: Path) -> None:
    """Claim: the pump lets water out down to the low mark and not below, with the heater's plug off
    before the first drop; the fill puts back what went out; the heater goes on again once the fill
    is done; the pump's plug is the word that the pump runs; the record has both ways.
    """
    with broker_of(kind) as url:
        desk = in_water(FULL, tmp_path, url=url)
        with desk.simulation as simulation:
            simulation.said("SIMULATION Done")
            assert desk.told("status")["heater_on"] is True
            drained = desk.ask("change", "--wait")
            assert drained.code == 0
            assert "Drained" in drained.lines[-1]
            assert "Start the fill when you are done" in drained.lines[-1]
            status = desk.told("status")
            assert (status["phase"], status["heater_on"]) == ("done", False)
            assert status["drained_l"] == pytest.approx(CHANGED_L, abs=5.0)
            assert status["level_m"] == pytest.approx(LOW_M, abs=3 * LEVEL_SD_M)

            filled = desk.ask("fill", "--attended", "--wait")
            assert filled.code == 0
            assert "Done" in filled.lines[-1]
            status = desk.told("status")
            assert (status["phase"], status["heater_on"]) == ("done", True)
            assert status["drained_l"] == 0.0
            assert (status["fill"]["way"], status["fill"]["attended"]) == ("in", True)
            assert status["pump_confirmed"] is False
            plugged(desk, url, "museum/river/pump/state", "ON")
            wait_until(lambda: desk.told("status")["pump_confirmed"] is True, 10.0)

            _recorded(desk.history())
            _in_order(tmp_path)


def plugged(desk: Desk, url: str | None, topic: str, payload: str) -> None:
    """Say what a mains plug says when somebody presses its button."""
    port = desk.port if url is None else int(url.rpartition(":")[2])
    paho.mqtt.publish.single(topic, payload, qos=1, hostname="127.0.0.1", port=port)


def _recorded(rows: list[dict[str, Any]]) -> None:
    fill, drain, first = rows
    assert [row["way"] for row in rows] == ["in", "out", "in"]
    assert [row["outcome"] for row in rows] == ["done"] * 3
    assert [row["attended"] for row in rows] == [True, False, False]
    assert drain["delivered_l"] == pytest.approx(CHANGED_L, abs=5.0)
    assert fill["drained_l"] == pytest.approx(drain["delivered_l"], abs=0.1)
    assert first["drained_l"] is None
    # What went in is what went out: by the meter (3 %) and by two readings of the level.
    assert fill["delivered_l"] == pytest.approx(drain["delivered_l"], rel=0.03, abs=4.0)


def _in_order(folder: Path) -> None:
    """The heater's plug goes off before the water falls, and on when it is up again."""
    plugs = events_of(folder, "plug")
    assert [text for text, _ in plugs] == ["heater off", "heater on"]
    phases = events_of(folder, "phase")
    drains_s = next(at_s for text, at_s in phases if text == "draining")
    shut_s = [at_s for text, at_s in phases if text == "closing"][-1]
    assert plugs[0][1] < drains_s < shut_s < plugs[1][1]


def test_a_person_stops_a_drain_and_lets_out_less(tmp_path: Path) -> None:
    """Claim: stop ends a drain as it ends a fill, the record says how much had gone, and after a
    reset another drain runs to its litres.
    """
    desk = Desk(tmp_path, *NEARLY_FULL, base=FULL, speed=QUICK)  # 420 L above the low mark
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        started = desk.ask("drain")
        assert started.code == 0
        assert "Draining" in started.lines[-1]
        assert desk.ask("fill", "--litres", "5").code == 6  # one thing at a time
        assert desk.ask("stop").code == 0
        wait_until(lambda: desk.told("status")["valve_open"] is False, 10.0)
        status = desk.told("status")
        assert (status["phase"], status["cause_key"]) == ("stopped", "person")
        assert desk.ask("drain", "--litres", "5").code == 6
        assert desk.ask("reset").code == 0
        more = desk.ask("drain", "--litres", "3", "--wait")
        assert more.code == 0
        assert "Drained" in more.lines[-1]
        rows = desk.history()
    assert [(row["way"], row["outcome"], row["cause"]) for row in rows[:2]] == [
        ("out", "done", ""),
        ("out", "stopped", "person"),
    ]
    assert 0.0 < rows[1]["delivered_l"] < 420.0


def test_a_drain_that_cannot_be_is_refused_with_words(tmp_path: Path) -> None:
    """Claim: below the low mark nothing is let out, and two ways to say how much are one too many;
    the words say what is allowed.
    """
    desk = in_water(FULL, tmp_path)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        deep = desk.ask("drain", "--level", "0.3")
        assert deep.code == 6
        assert "below the low mark at 0.53 m" in deep.out
        both = desk.ask("drain", "--litres", "5", "--percent", "5")
        assert (both.code, both.out) == (2, "")
        assert desk.told("status")["phase"] == "done"


def test_a_station_without_a_drain_says_so(tmp_path: Path) -> None:
    """Claim: `drain` and `change` where no drain is fitted are refused, and say what is missing."""
    desk = in_water(sample_text(), tmp_path)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        for verb in ("drain", "change"):
            refused = desk.ask(verb, "--litres", "5")
            assert refused.code == 6
            assert "lets no water out" in refused.out
            assert "drain]" in refused.out


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_full_vessel_for_the_waste_water_stops_the_pump(kind: str, tmp_path: Path) -> None:
    """Claim (W21): over either broker the drain is shut within a second of the float, and not a
    drop runs over.
    """
    with broker_of(kind) as url:
        broker = () if url is None else ("--broker", url)
        played = play("storage-full", tmp_path, "--config", str(FULL_TOML), *broker,
                      "--start-level", "0.40")  # fmt: skip
    ended_as_its_row_says(played)
    nothing_came_to_harm(played, station_of(FULL))
    verdict = played.verdict
    assert verdict["drain_released_after_s"] - verdict["reached_after_s"] <= 1.0
    assert played.record is not None
    assert played.record.way is Way.OUT


def by_hose() -> str:
    """Return the config of a tank that a person's hose drains: no relay, no vessel of its own."""
    text = without(without(FULL, "station.river.sensor.storage"), "station.river.drain")
    return text + f'\n[station.river.drain]\nby = "hose"\nto_m = {LOW_M}\n'


def test_a_persons_hose_is_watched_and_told_and_never_switched(tmp_path: Path) -> None:
    """Claim: brimwatch says that the hose is the person's, tells what goes out, says when it is
    enough and that the hose must come out, and opens nothing all the while.
    """
    desk = in_water(by_hose(), tmp_path)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        drained = desk.ask("drain", "--litres", "20", "--wait", "--json")
        assert drained.code == 0
        told = [each["text"] for each in drained.objects]
        assert "by your hose" in told[0]
        assert any("Stay with the hose" in text for text in told)
        assert "Drained" in told[-1]
        assert desk.told("status")["valve_open"] is False
        with JournalReader(tmp_path / "record.db") as reader:
            record = reader.fill("last")
            alarms = [(each.rule, each.severity) for each in reader.alarms(fill=record.id)]
    assert (record.way, record.outcome) == (Way.OUT, "done")
    # By a hose of ten millimetres a litre more may run until it is out.
    assert record.delivered_l == pytest.approx(20.0, abs=3.0)
    # Nobody has said that the pump runs again after the fill: on a slow machine that is told, too.
    assert set(alarms) - {("W10", "medium")} == {("W23", "medium")}


# --- one supply ---


def two_stations() -> str:
    """Return a config of two stations that draw on one supply."""
    text = sample_text()
    second = text[text.index("[station.river]") :].replace("station.river", "station.lake")
    second = second.replace("[station.lake]\n", '[station.lake]\nnode = "lake-pi"\n', 1)
    second = re.sub(r'address = "28-\w+"', 'address = "28-00000b71f00d"', second)
    return f"{text}\n{second}"


def test_two_stations_of_one_supply_fill_one_after_the_other(tmp_path: Path) -> None:
    """Claim (W24): while one fills the other's fill is refused and says which reason; once the
    first is over it runs.
    """
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed: two programs have no broker in common")
    with Mosquitto() as broker:
        config = write_config(tmp_path, two_stations(), url=broker.url)
        common = ("--config", str(config))

        def playing(station: str) -> Background:
            return Background(
                "simulate", *common, "--station", station, "--broker", broker.url, "--litres", "60",
                "--speed", "5", "--journal", str(tmp_path / f"{station}.db"), cwd=tmp_path,
            )  # fmt: skip

        with playing("river") as first:
            first.said("SIMULATION Filling.")
            with playing("lake") as second:
                second.said("SIMULATION", "another station draws on the same supply")
                second.said("SIMULATION outcome: refused")
                again = brimwatch("fill", "lake", "--litres", "5", *common, cwd=tmp_path)
                assert again.code == 6
                assert "wait until it is done" in again.out
                assert brimwatch("stop", "river", *common, cwd=tmp_path).code == 0
                first.said("Stopped by a person")
                then = brimwatch("fill", "lake", "--litres", "5", *common, cwd=tmp_path)
                assert then.code == 0
                assert "Filling" in then.lines[-1]


# --- proofs ---


def test_what_was_never_proven_is_not_left_alone(tmp_path: Path) -> None:
    """Claim (S02, S11): a station new from the box refuses to fill unattended and says why; once
    every part is noted as proven, and only then, it fills alone; with a person beside it, before.
    """
    desk = Desk(tmp_path, "--litres", "60", "--start-level", "0.5271428571", speed=QUICK,
                command=UNPROVEN)  # fmt: skip
    parts = plan_of(load(desk.config).stations["river"]).proven
    assert parts == ("float_high", "floor", "valve")
    some = ("--litres", "3", "--to", "litres", "--wait")
    with desk.simulation as simulation:
        simulation.said("SIMULATION outcome: refused")
        attended = desk.ask("fill", "--attended", *some)
        assert attended.code == 0
        assert "stay beside the tank" in attended.lines[0]
        for part in parts:
            refused = desk.ask("fill", *some)
            assert refused.code == 6
            assert "never proven" in refused.out
            assert "stay beside the tank" in refused.out
            noted = desk.ask("note", "river", "proof", "--part", part)
            assert noted.code == 0
            assert part in noted.out
        assert desk.ask("fill", *some).code == 0
        rows = desk.history()
    assert [(row["attended"], row["outcome"]) for row in rows] == [(False, "done"), (True, "done")]


def test_a_note_about_nothing_is_refused(tmp_path: Path) -> None:
    """Claim: only what is fitted can be proven, and the words say what that is."""
    desk = Desk(tmp_path, *NEARLY_FULL, speed=QUICK)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        refused = desk.told("note", "river", "proof", "--part", "lamp")
        assert (refused["code"], refused["ok"]) == (6, False)
        assert "float_high, floor, valve" in refused["text"]
        wrong = desk.ask("note", "river", "weather")
        assert (wrong.code, wrong.out) == (2, "")
        assert "proof" in wrong.err
        assert json.dumps(desk.told("note", "river", "people")["text"])
