"""The commands as people run them: against a node and an engine in real time, over a real broker.

The pins are mock pins, and the hand is this test's. A terminal is a pseudo-terminal.
"""

from __future__ import annotations

import asyncio
import json
import os
import pty
import signal
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import click
import pytest

from monitor.app import Surroundings, engine_of
from monitor.cli.calibrate import calibrate
from monitor.cli.prove import prove
from monitor.clock import MonotonicClock
from monitor.config import load
from monitor.journal.calibrations import found
from monitor.journal.reader import JournalReader
from monitor.journal.writer import JournalWriter
from support.commands import COMMAND, brimwatch, surroundings, write_config
from support.mosquitto import Mosquitto, find_mosquitto
from support.stand import Stand, until

FLOAT, PROBE = 22, 23
SOON = "\n[station.river.limits]\nno_flow_s = 4.0\ncheck_quiet_s = 2.0\n"


class Station(Stand):
    """A node at mock pins and its engine, with a record of their own."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        super().__init__(folder, broker)
        self.config_path.write_text(self.config_path.read_text() + SOON)
        self.station = load(self.config_path).stations["river"]
        self.journal = folder / "record.db"
        self.clock = MonotonicClock()
        self.writer = JournalWriter(self.journal, wall=self.clock.wall)
        around = Surroundings(url=broker.url, clock=self.clock)
        self.engine = engine_of(self.station, around, self.writer)
        self.engine_task: asyncio.Task[None]

    async def start(self) -> None:
        await super().start()
        self.engine_task = asyncio.create_task(self.engine.run(self.stop), name="engine")
        await until(lambda: bool(self.engine.state.senses.tracks), 10.0)
        await until(lambda: self.engine.state.senses.tracks["float_high"].value == 0.0, 10.0)

    async def end(self) -> None:
        await super().end()
        await asyncio.gather(self.engine_task, return_exceptions=True)
        assert await self.writer.aclose()


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Station]:
    """A running station; nothing of it is proven."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed: no command was tried over a real broker")
    async with AsyncExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        there = Station(tmp_path, broker)
        stack.push_async_callback(there.end)
        await there.start()
        yield there


class Shell:
    """The command in a process of its own, its output read line by line as it comes."""

    def __init__(self, *args: str, cwd: Path, terminal: bool) -> None:
        self._args, self._cwd, self._terminal = args, cwd, terminal
        self.text = ""

    async def __aenter__(self) -> Shell:
        self._mine, theirs = pty.openpty() if self._terminal else os.pipe()
        self.process = await asyncio.create_subprocess_exec(
            *COMMAND, *self._args, cwd=self._cwd, env=surroundings(),
            stdin=theirs if self._terminal else asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        )  # fmt: skip
        os.close(theirs)
        self._reader = asyncio.create_task(self._read())
        return self

    async def __aexit__(self, *details: object) -> None:
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        await self._reader
        os.close(self._mine)

    async def _read(self) -> None:
        assert self.process.stdout is not None
        while chunk := await self.process.stdout.read(4096):
            self.text += chunk.decode()

    async def said(self, words: str, within_s: float = 30.0) -> None:
        await until(lambda: words in self.text, within_s)

    def type(self, line: str) -> None:
        os.write(self._mine, line.encode() + b"\n")

    async def code(self, within_s: float = 30.0) -> int:
        code = await asyncio.wait_for(self.process.wait(), within_s)
        await self._reader
        return code

    @property
    def objects(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.text.splitlines()]


def shell(station: Station, *args: str, terminal: bool = False) -> Shell:
    args = (*args, "--config", str(station.config_path))
    return Shell(*args, cwd=station.config_path.parent, terminal=terminal)


async def test_a_float_is_proven_from_its_pin_to_the_record(station: Station) -> None:
    """Claim: the command waits for the real edge (pin, node, broker, engine), tells how soon the
    engine knew, and the record has the proof, with the initials.
    """
    async with shell(station, "prove", "--part", "float_high", "--by", "E.F.", "--yes",
                     "--json") as run:  # fmt: skip
        await run.said("Lift the float")
        await asyncio.sleep(0.3)
        station.factory.pin(FLOAT).drive_high()
        await run.said("Let it hang again")
        station.factory.pin(FLOAT).drive_low()
        assert await run.code() == 0
    lift, lower, result = run.objects
    assert [lift["kind"], lower["kind"], result["kind"]] == ["step", "step", "result"]
    assert (result["passed"], result["noted"], result["simulated"]) == (True, True, False)
    assert 0.0 < result["times"]["tripped_known_s"] < 1.0
    assert station.writer.flush()
    with JournalReader(station.journal) as reader:
        (note,) = reader.notes()
    assert (note.what, note.part, note.by) == ("proof", "float_high", "E.F.")


async def test_a_wet_probe_trips_alarms_and_is_let_go_again(station: Station) -> None:
    """Claim: the probe's proof waits for the alarm itself; once it is dry the station is let go."""
    async with shell(station, "prove", "--part", "floor", "--yes") as run:
        await run.said("Wet the probe")
        station.factory.pin(PROBE).drive_low()
        await run.said("Dry the probe")
        assert station.engine.state.phase.value == "stopped"
        station.factory.pin(PROBE).drive_high()
        assert await run.code() == 0
    assert "PASSED floor: noted: proof floor" in run.text
    assert station.engine.state.phase.value == "idle"


@pytest.mark.slow
async def test_at_a_terminal_a_person_answers(station: Station) -> None:
    """Claim: the valve is not opened before Enter; what only ears can tell is asked, and a No ends
    it: not proven, exit code 3, and the relay was on once and is off.
    """
    async with shell(station, "prove", "--part", "valve", terminal=True) as run:
        await run.said("Press Enter")
        await asyncio.sleep(3.0)
        assert not station.relay.on
        run.type("")
        await run.said("[y/n]")
        assert station.relay.opened_since(0.0)
        assert not station.relay.on
        run.type("perhaps")
        run.type("n")
        assert await run.code() == 3
    assert run.text.count("[y/n]") == 2
    assert "FAILED valve: a person has not seen it" in run.text
    with JournalReader(station.journal) as reader:
        assert reader.notes() == ()


async def test_ctrl_c_in_the_middle_shuts_the_valve(station: Station) -> None:
    """Claim: Ctrl-C while the valve is open has it shut at once, and the exit code is 130."""
    async with shell(station, "prove", "--part", "valve", terminal=True) as run:
        await run.said("Press Enter")
        run.type("")
        await until(lambda: station.relay.on, 20.0)
        run.process.send_signal(signal.SIGINT)
        assert await run.code() == 130
    await until(lambda: not station.relay.on, 2.0)
    await until(lambda: station.engine.state.cause_key == "person", 2.0)


@pytest.mark.slow
async def test_an_ice_bath_is_measured_at_the_running_station(station: Station) -> None:
    """Claim: without numbers the next ten readings are taken; real pins make a real calibration.

    The stand's water has 25 °C, so the comparison is with that.
    """
    async with shell(station, "calibrate", "temperature", "--reference", "25.2", "--json") as run:
        assert await run.code(40.0) == 0
    (told,) = run.objects
    assert told["value"] == pytest.approx(0.2)
    assert (told["n"], told["simulated"]) == (10, False)
    (there,) = found(station.journal, "river", False)
    assert (there.part, there.value) == ("incoming", told["value"])


@pytest.mark.slow
async def test_a_bucket_that_gives_no_pulse_is_refused(station: Station) -> None:
    """Claim: asked for at a terminal, a bucket is filled by an attended fill; without a pulse there
    is no run, and nothing is kept.
    """
    async with shell(station, "calibrate", "flow", terminal=True) as run:
        await run.said("Run 1 of 3")
        assert not station.relay.on
        run.type("")
        assert await run.code(60.0) == 3
    assert "no pulse came: open the stopcock" in run.text
    assert station.relay.opened_since(0.0)
    assert found(station.journal, "river", False) == ()


# --- without a station ---


def test_the_list_shows_all_there_is(tmp_path: Path) -> None:
    """Claim: without --part or --all nothing is done; what could be proven is listed, and where all
    is one program no cable is.
    """
    done = brimwatch("prove", "--config", str(write_config(tmp_path)), cwd=tmp_path)
    assert done.code == 0
    assert [line.split()[0] for line in done.lines[:-1]] == [
        "float_high", "floor", "incoming", "valve", "guard", "kill", "people",
    ]  # fmt: skip
    assert "--all" in done.lines[-1]
    told = brimwatch("prove", "--json", "--config", str(write_config(tmp_path)), cwd=tmp_path)
    noted = [each["part"] for each in told.objects if each["noted"]]
    assert noted == ["float_high", "floor", "valve", "people"]


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("--all",), 6, "nobody is at the terminal: standard input is none"),
        (("--part", "meter", "--yes"), 2, "nothing to prove of 'meter'"),
        (("--part", "floor", "--by", "a;b"), 2, "1 to 32 letters"),
        (("--part", "floor", "--yes"), 5, "the broker does not answer"),
    ],
)
def test_it_says_what_stands_in_the_way(
    tmp_path: Path, args: tuple[str, ...], code: int, words: str
) -> None:
    """Claim: without a person, a known name, or a broker: words, and the right exit code."""
    config = write_config(tmp_path, broker__port="18999")
    done = brimwatch("prove", "--config", str(config), *args, cwd=tmp_path)
    assert (done.code, words in done.err) == (code, True), done


def test_every_option_says_what_it_is_for() -> None:
    """Claim: no option of these commands is without its sentence."""
    commands = [prove, *calibrate.commands.values()]
    assert sorted(calibrate.commands) == ["flow", "level", "temperature"]
    mute = [
        f"{command.name} {option.name}"
        for command in commands
        for option in command.params
        if isinstance(option, click.Option) and not option.help
    ]
    assert mute == []
    assert all(command.help for command in commands)
