"""People at a running simulation: each command is a process of its own, over the broker."""

from __future__ import annotations

import csv
import io
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import pytest

from support.commands import (
    FULL_TOML,
    SMALL,
    Background,
    brimwatch,
    surroundings,
    wait_until,
    without,
    write_config,
)
from support.desk import Desk
from support.mosquitto import free_port

CONTACT_S = 6.0  # without a broker a command says so by then


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A simulation of the whole museum fill, 42 real seconds long; nobody waits for its end."""
    desk = Desk(tmp_path)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Filling.")
        yield desk


def test_a_person_looks_stops_resets_and_fills_again(desk: Desk) -> None:
    """Claim: status tells how it goes, stop shuts the valve and is recorded as a person's, nothing
    starts before a reset, a reset opens nothing, and then another fill runs to its litres.
    """
    text = desk.ask("status")
    assert text.code == 0
    assert text.lines[0].startswith("SIMULATION river: Filling.")
    assert any("L/min" in line for line in text.lines)
    status = desk.told("status")
    assert (status["phase"], status["valve_open"], status["alarms"]) == ("filling", True, [])
    assert status["flow_lpm"] == pytest.approx(10.0, rel=0.1)
    assert desk.told("ack")["code"] == 0  # nothing to acknowledge is no error
    again = desk.told("fill", "--litres", "20")
    assert (again["code"], again["ok"]) == (6, False)  # one fill at a time

    stopped = desk.ask("stop")
    assert stopped.code == 0
    assert stopped.out.startswith("SIMULATION river: ")
    wait_until(lambda: desk.told("status")["valve_open"] is False, 10.0)
    status = desk.told("status")
    assert (status["phase"], status["cause_key"]) == ("stopped", "person")
    assert "Stopped by a person. The valve is shut." in status["sentence"]
    refused = desk.ask("fill", "--litres", "20")
    assert refused.code == 6
    assert "reset" in refused.out
    assert desk.told("reset")["ok"] is True
    status = desk.told("status")
    assert (status["phase"], status["valve_open"]) == ("idle", False)

    second = desk.ask("fill", "--litres", "20", "--to", "litres", "--wait")
    assert second.code == 0
    assert [line for line in second.lines if not line.startswith("SIMULATION river: ")] == []
    assert "Done: 20 L went in." in second.lines[-1]

    fills = desk.history()
    assert [(fill["outcome"], fill["cause"]) for fill in fills] == [
        ("done", ""),
        ("stopped", "person"),
    ]
    assert all(fill["simulated"] is True for fill in fills)
    assert fills[0]["delivered_l"] == pytest.approx(20.0, abs=0.6)  # its 3 % meter
    table = desk.ask("history")
    assert table.code == 0
    rows = [line for line in table.lines if "of 20" in line or "of 420" in line]
    assert len(rows) == 2
    assert all("SIMULATED" in row for row in rows)


def test_the_samples_of_a_fill_come_out_as_a_table_once_a_second(desk: Desk) -> None:
    """Claim: export writes RFC 4180 CSV that Python's csv module reads, one row a second, and the
    same rows to a file and as JSON.
    """
    desk.simulation.said("SIMULATION Filling. 10 of")
    desk.ask("stop")
    wait_until(lambda: desk.told("status")["phase"] == "stopped", 10.0)
    target = desk.folder / "fill.csv"
    told = desk.ask("export", "last", "--out", str(target))
    assert told.code == 0
    text = target.read_bytes().decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    columns = ["t_s", "wall", "temp_c", "flow_lpm", "volume_l", "phase", "level_m", "tank_c"]
    assert list(rows[0]) == columns
    assert {(row["level_m"], row["tank_c"]) for row in rows} == {("", "")}  # neither is fitted
    assert told.out.startswith(f"{len(rows)} rows")
    assert text.count("\r\n") == text.count("\n") == len(rows) + 1
    times_s = [float(row["t_s"]) for row in rows]
    assert len(rows) > 50
    steps_s = [b - a for a, b in pairwise(times_s)]
    whole = [step_s for step_s in steps_s if step_s == pytest.approx(1.0, abs=0.01)]
    assert len(whole) >= 0.95 * len(steps_s)  # edges (the stop) bring a row of their own
    assert max(steps_s) < 1.5
    volumes_l = [float(row["volume_l"]) for row in rows]
    assert volumes_l == sorted(volumes_l)
    flowing = [row for row in rows if row["flow_lpm"] and float(row["flow_lpm"]) > 9.0]
    assert len(flowing) > 50
    assert all(19.0 < float(row["temp_c"]) < 26.0 for row in rows if row["temp_c"])
    as_json = desk.ask("export", "last", "--json").objects
    assert [sample["t_s"] for sample in as_json] == times_s
    assert all(sample["simulated"] is True for sample in as_json)


def test_follow_says_each_change_once_and_marks_every_line(desk: Desk) -> None:
    """Claim: `follow` tells each change in a line of its own, as text and as JSON, all of it
    marked, and ends on Ctrl-C without a fuss.
    """
    with desk.follow() as text, desk.follow("--json") as data:
        text.said("Filling.")
        data.said('"phase": "filling"')
        desk.ask("stop")
        text.said("Stopped by a person.")
        data.said('"phase": "stopped"')
        desk.ask("reset")
        text.said("No fill. The valve is shut.")
        data.said('"phase": "idle"')
        told, objects = text.end(signal.SIGINT), data.end(signal.SIGINT).objects
    assert told.code == 130
    assert [line for line in told.lines if not line.startswith("SIMULATION river: ")] == []
    assert [line for line in objects if line.get("simulated") is not True] == []
    phases = [each["phase"] for each in objects if each["kind"] == "phase"]
    assert phases == ["filling", "stopped", "idle"]


def test_an_alarm_is_seen_acknowledged_and_stays_until_its_cause_is_gone(tmp_path: Path) -> None:
    """Claim (P02, P03): acknowledging says who has seen it and changes nothing else; a reset while
    the floor is wet is refused with the reason, and the valve stays shut.
    """
    desk = Desk(tmp_path, "--fault", "leak", "--fault-at", "30")
    with desk.simulation as simulation, desk.follow("--json"):
        assert "(top)" in simulation.said("SIMULATION ALARM W06")
        status = desk.told("status")
        assert (status["phase"], status["cause"]) == ("stopped", "W06")
        assert [alarm["id"] for alarm in status["alarms"]] == ["W06"]
        assert status["alarms"][0]["acked_by"] is None
        assert any("ALARM W06" in line for line in desk.ask("status").lines)
        assert desk.told("ack")["ok"] is True
        status = desk.told("status")
        assert status["alarms"][0]["acked_by"]
        assert status["valve_open"] is False
        refused = desk.ask("reset")
        assert refused.code == 6
        assert "Water on the floor" in refused.out
        assert desk.told("status")["phase"] == "stopped"
        assert desk.ask("fill", "--litres", "20").code == 6
        simulation.said("SIMULATION outcome: stopped, cause W06")
        done = simulation.end(signal.SIGTERM)
    assert [line for line in done.lines if not line.startswith("SIMULATION ")] == []


# --- with everything fitted ---

FULL = FULL_TOML.read_text()
NEARLY_FULL = ("--litres", "5", "--start-level", "0.5664285714")


def test_the_table_has_the_level_and_the_tanks_temperature(tmp_path: Path) -> None:
    """Claim: where a level probe and a thermometer in the tank are fitted their columns are full:
    the level rises by what the meter counted, and the tank is as warm as it is.
    """
    desk = Desk(tmp_path, *SMALL, base=FULL, speed=("--speed", "120"))
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        out = desk.ask("export", "last").out
    rows = list(csv.DictReader(io.StringIO(out, newline="")))
    levels_m = [float(row["level_m"]) for row in rows]
    rise_l = (levels_m[-1] - levels_m[0]) * 2.0 * 0.7 * 1000.0  # of 2.0 m by 0.7 m
    # Two readings, each off by 2 mm (one standard deviation), which are 2.8 L.
    assert rise_l == pytest.approx(float(rows[-1]["volume_l"]), abs=3 * 2.8 * 2**0.5)
    assert all(abs(float(row["tank_c"]) - 24.0) < 0.5 for row in rows)


def test_a_person_says_that_the_heater_is_off_where_no_plug_does(tmp_path: Path) -> None:
    """Claim: a heater nobody has spoken of counts as on and keeps a drain from starting; a person's
    word is taken, and shown; where a plug tells it, a person's word is not asked for.
    """
    text = without(without(FULL, "station.river.plug.heater"), "station.river.heater")
    text += "\n[station.river.heater]\nexposed_m = 0.35\n"
    desk = Desk(tmp_path, *NEARLY_FULL, base=text)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        refused = desk.ask("drain", "--litres", "5")
        assert refused.code == 6
        assert "the heater is on, as far as anybody knows" in refused.out
        assert desk.ask("heater", "river", "off").code == 0
        assert desk.told("status")["heater_on"] is False
        drained = desk.ask("drain", "--litres", "5", "--wait")
        assert drained.code == 0
        assert "Drained" in drained.lines[-1]
        assert desk.ask("heater", "river", "on").code == 0
        assert desk.told("status")["heater_on"] is True
        wrong = desk.ask("heater", "river", "warm")
        assert (wrong.code, wrong.out) == (2, "")
        assert "on, off" in " ".join(wrong.err.split()) or "'on', 'off'" in wrong.err


def test_a_heater_with_a_plug_speaks_for_itself(tmp_path: Path) -> None:
    """Claim: what a plug tells a person cannot say otherwise."""
    desk = Desk(tmp_path, *NEARLY_FULL, base=FULL)
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        refused = desk.told("heater", "river", "off")
        assert (refused["code"], refused["ok"]) == (6, False)
        assert "plug tells it" in refused["text"]
        assert desk.told("status")["heater_on"] is True


def test_an_alarm_that_can_wait_is_set_aside_and_comes_back(tmp_path: Path) -> None:
    """Claim: an alarm that merely warns is shelved for a while or taken out of service, with who
    and why; it stays in sight as what it is, and put back it is raised anew while it is true.
    """
    desk = Desk(tmp_path, *NEARLY_FULL, "--fault", "desk-killed", "--fault-at", "10", base=FULL)
    key = ("--alarm", "desk-quiet")

    def stands() -> bool:
        return "desk-quiet" in [alarm["key"] for alarm in desk.told("status")["alarms"]]

    why = ("--why", "a page is being updated")
    with desk.simulation as simulation:
        simulation.said("SIMULATION ALARM C16")
        simulation.said("SIMULATION Done")
        assert desk.ask("shelve", *key, "--minutes", "300", *why).code == 0
        assert not stands()
        (aside,) = desk.told("status")["set_aside"]
        assert (aside["key"], aside["state"], aside["why"]) == ("desk-quiet", "G", why[1])
        assert aside["by"]
        assert 0.0 < aside["for_s"] <= 300 * 60
        line = next(each for each in desk.ask("status").lines if "desk-quiet" in each)
        assert "shelved" in line
        assert why[1] in line
        assert desk.ask("unshelve", *key).code == 0
        assert stands()

        assert desk.ask("retire", *key, *why).code == 0
        assert not stands()
        assert [each["state"] for each in desk.told("status")["set_aside"]] == ["I"]
        assert any("out of service" in each for each in desk.ask("status").lines)
        assert desk.ask("unshelve", *key).code == 6
        assert desk.ask("restore", *key).code == 0
        assert stands()
        assert desk.told("status")["set_aside"] == []


def test_what_tells_of_water_is_never_set_aside(tmp_path: Path) -> None:
    """Claim: an alarm of water or harm cannot be shelved or retired, nor one that does not exist,
    nor any without a reason or for longer than a day; each refusal says why.
    """
    desk = Desk(tmp_path, *NEARLY_FULL, base=FULL)
    minutes, why = ("--minutes", "10"), ("--why", "no reason")
    with desk.simulation as simulation:
        simulation.said("SIMULATION Done")
        for key in ("leak", "valve-flows", "hose-off", "heater-dry", "sump-low"):
            for verb in (("shelve", *minutes), ("retire",)):
                refused = desk.told(*verb, "--alarm", key, *why)
                assert (refused["code"], refused["ok"]) == (6, False), key
                assert key in refused["text"]
        unknown = desk.told("retire", "--alarm", "lamp", *why)
        assert (unknown["code"], unknown["ok"]) == (6, False)
        assert "'lamp'" in unknown["text"]
        assert desk.told("status")["set_aside"] == []
        for lacking in (("--alarm", "meter-off", *minutes), ("--alarm", "meter-off", *why),
                        ("--alarm", "meter-off", "--minutes", "5000", *why)):  # fmt: skip
            wrong = desk.ask("shelve", *lacking)
            assert (wrong.code, wrong.out) == (2, "")


def test_a_fill_beside_which_a_person_stays_is_recorded_as_that(tmp_path: Path) -> None:
    """Claim: `fill --attended` does without the desk, which an unattended one does not; the record
    and the status say which it was.
    """
    desk = Desk(tmp_path, "--litres", "60", "--start-level", "0.5271428571", "--fault",
                "desk-killed", "--fault-at", "0.25", base=FULL)  # fmt: skip
    some = ("--litres", "5", "--to", "litres")
    with desk.simulation as simulation:
        simulation.said("SIMULATION outcome: refused")
        refused = desk.ask("fill", *some)
        assert refused.code == 6
        assert "desk" in refused.out
        assert "stay beside the tank" in refused.out
        filled = desk.ask("fill", "--attended", *some, "--wait")
        assert filled.code == 0
        assert "stay beside the tank" in filled.lines[0]
        assert desk.told("status")["fill"]["attended"] is True
        (row,) = desk.history()
    assert (row["attended"], row["outcome"]) == (True, "done")


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM], ids=lambda sign: sign.name)
def test_a_signal_ends_a_simulation_with_the_valve_shut(sign: signal.Signals, desk: Desk) -> None:
    """Claim: Ctrl-C and a system's request to end both end the fill first: its record is closed,
    the program goes within seconds, and leaves no traceback and no broker behind.
    """
    wait_until(lambda: desk.told("status")["valve_open"] is True, 10.0)
    done = desk.simulation.end(sign, within_s=5.0)
    assert (done.code, done.err.strip()) == (130, "")
    fill = desk.history()[0]
    assert (fill["outcome"], fill["cause"]) == ("stopped", "person")
    assert fill["ended"] is not None
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", desk.port), timeout=2.0)


def test_without_a_broker_every_command_says_so_soon(tmp_path: Path) -> None:
    """Claim: with nobody there a command ends with exit code 5 and says what to do; `status` does
    so within 6 s, not counting how long this machine takes to start a command at all.
    """
    config = ("--config", str(write_config(tmp_path, broker__port=str(free_port()))))
    began_s = time.monotonic()
    brimwatch("check", *config, cwd=tmp_path)
    checked_s = time.monotonic()
    done = [brimwatch("status", *config, cwd=tmp_path)]
    assert time.monotonic() - checked_s <= CONTACT_S + (checked_s - began_s)
    with ExitStack() as stack:
        runs = [
            stack.enter_context(Background(*command, *config, cwd=tmp_path))
            for command in (("follow",), ("stop",), ("fill", "--litres", "20"))
        ]
        done += [run.end() for run in runs]
    for each in done:
        assert (each.code, each.out) == (5, "")
        assert "the broker does not answer" in each.err
        assert "Fix: start" in each.err


def test_a_broker_without_an_engine_is_told_apart(tmp_path: Path) -> None:
    """Claim: where the broker answers and no engine does, exit code 5 says just that."""
    port = free_port()
    config = write_config(tmp_path, broker__port=str(port))
    broker = subprocess.Popen(
        [sys.executable, "-m", "monitor.link.broker", "--port", str(port)],
        env=surroundings(), stdout=subprocess.PIPE,
    )  # fmt: skip
    with broker:
        try:
            assert broker.stdout is not None
            assert broker.stdout.readline()
            done = brimwatch("status", "--config", str(config), cwd=tmp_path)
        finally:
            broker.kill()
    assert done.code == 5
    assert "no engine" in done.err
    assert "'river'" in done.err


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("status", "lake"), ("'lake'", "river")),
        (("statsu",), ("'statsu'", "'status'")),
        (("fill", "--litres", "5", "--level", "0.3"), ("--litres", "--level")),
        (("shelve",), ("--alarm",)),
        (("note", "river", "weather"), ("'weather'", "proof")),
        (("simulate", "--speed", "0"), ("'0'", "above 0")),
        (("history", "--limit", "0"), ("--limit",)),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_a_mistyped_command_is_told_what_would_be_right(
    args: tuple[str, ...], words: tuple[str, ...], tmp_path: Path
) -> None:
    """Claim: wrong use exits with 2 and names what is known or allowed."""
    done = brimwatch(*args, cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    for word in words:
        assert word in done.err


def test_a_record_that_is_not_there_is_told_in_a_line(tmp_path: Path) -> None:
    """Claim: history and export without a record fail in one line, and make no file."""
    config = write_config(tmp_path)
    for verb in ("history", "export"):
        done = brimwatch(verb, "--config", str(config), cwd=tmp_path)
        assert done.code != 0
        assert done.out == ""
        assert "record.db" in done.err
    assert list(tmp_path.iterdir()) == [config]


def test_every_object_of_a_simulation_is_marked(tmp_path: Path) -> None:
    """Claim (P05): the fault list and the verdict say that they are of a simulation, too."""
    faults = brimwatch("simulate", "--list-faults", "--json", cwd=tmp_path).objects
    assert faults
    assert all(each["simulated"] is True for each in faults)
    assert json.dumps(faults)  # plain values only
