"""What `check` says of the machine it runs on, each on a machine laid out in a folder."""

from __future__ import annotations

import ctypes
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli.check import check
from monitor.config import Config, load, loads
from monitor.wiring import machine as looked_at
from monitor.wiring.machine import FREE_MIN_BYTES, Machine, Report, clock_synchronised, inspect

ROOT = Path(__file__).parents[1]
SIMULATE = ROOT / "monitor" / "simulate"
RIVER = (SIMULATE / "river.toml").read_text()
FULL = (SIMULATE / "full.toml").read_text()
ADDRESSES = ("28-00000b71a9e5", "28-00000b71c0d3")
UNIT = "etc/systemd/system/brimwatch-node.service"
LEAVE_FOR_SPI = "[Service]\nSupplementaryGroups=spi\nDeviceAllow=char-spi rw\n"
Change = Callable[[Machine], Machine]


def put(machine: Machine, path: str, text: str = "") -> None:
    file = machine.root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)


def take(machine: Machine, path: str) -> None:
    (machine.root / path).unlink()


@pytest.fixture
def pi(tmp_path: Path) -> Machine:
    """Lay out a Pi on which nothing is wrong.

    The model's text and its closing NUL are those of the device tree; the files below /sys are
    those of the kernel's ABI documents (sysfs-class-watchdog) and of w1-gpio; the rest is from
    memory of Raspberry Pi OS.
    """
    machine = Machine(
        root=tmp_path,
        host="hall",
        usable=lambda _: True,
        installed=lambda _: True,
        free_bytes=lambda _: FREE_MIN_BYTES,
        synchronised=lambda: True,
    )
    put(machine, "proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.5\0")
    put(machine, "dev/gpiochip0")
    put(machine, "dev/spidev0.0")
    put(machine, "dev/spidev0.1")
    put(machine, "sys/bus/w1/devices/w1_bus_master1/w1_master_name", "w1_bus_master1\n")
    for address in ADDRESSES:
        put(machine, f"sys/bus/w1/devices/{address}/w1_slave")
    put(machine, "sys/class/watchdog/watchdog0/state", "active\n")
    put(machine, "sys/class/watchdog/watchdog0/timeout", "10\n")
    put(machine, "boot/firmware/config.txt", "dtparam=spi=on\ndtoverlay=w1-gpio\n")
    put(machine, UNIT, (ROOT / "deploy/systemd/brimwatch-node.service").read_text())
    put(machine, f"{UNIT}.d/override.conf", LEAVE_FOR_SPI)
    return machine


@pytest.fixture
def full() -> Config:
    return load(SIMULATE / "full.toml")


def test_a_machine_with_nothing_wrong_is_told_so(pi: Machine, full: Config) -> None:
    """Claim: no finding on a Pi that has everything, with every part fitted and with few."""
    for config in (full, load(SIMULATE / "river.toml")):
        report = inspect(config, pi)
        assert report == Report("Raspberry Pi 4 Model B Rev 1.5", ())
        assert report.lines() == ["This machine (Raspberry Pi 4 Model B Rev 1.5): nothing wrong."]
        assert report.as_dicts() == []
        assert not report.stops


# --- one thing wrong at a time ---


@dataclass(frozen=True)
class Wrong:
    """A change to the machine, where the finding points, words of it and of its fix, its weight."""

    change: Callable[[Machine], Machine | None]
    where: str
    words: str
    fix: str
    stops: bool = True


def _without_spi_leave(machine: Machine) -> None:
    take(machine, f"{UNIT}.d/override.conf")


def _one_unit_without_watch(machine: Machine) -> None:
    text = (machine.root / UNIT).read_text().replace("WatchdogSec=3\n", "")
    put(machine, UNIT, text)


def _no_one_wire(machine: Machine) -> None:
    take(machine, "sys/bus/w1/devices/w1_bus_master1/w1_master_name")
    (machine.root / "sys/bus/w1/devices/w1_bus_master1").rmdir()


def _no_incoming(machine: Machine) -> None:
    (machine.root / "sys/bus/w1/devices" / ADDRESSES[0]).rename(machine.root / "gone")


def _another_incoming(machine: Machine) -> None:
    _no_incoming(machine)
    put(machine, "sys/bus/w1/devices/28-0123456789ab/w1_slave")


def _no_watchdog(machine: Machine) -> None:
    (machine.root / "sys/class/watchdog/watchdog0").rename(machine.root / "gone")


WRONG = {
    "no pin library": Wrong(
        lambda m: replace(m, installed=lambda name: name != "lgpio"),
        "hardware.pins", "lgpio is not installed", "python3-lgpio",
    ),
    "no chip": Wrong(
        lambda m: take(m, "dev/gpiochip0"), "/dev/gpiochip0", "no GPIO chip", "kernel"
    ),
    "not in the group": Wrong(
        lambda m: replace(m, usable=lambda path: "gpiochip" not in path.name),
        "/dev/gpiochip0", "may not use the pins", "usermod -aG gpio",
    ),
    "no 1-Wire": Wrong(
        _no_one_wire, "/sys/bus/w1/devices", "no 1-Wire bus", "dtoverlay=w1-gpio",
    ),
    "thermometer away": Wrong(
        _no_incoming, ADDRESSES[0], "does not answer", "4.7 kΩ",
    ),
    "another address": Wrong(
        _another_incoming, ADDRESSES[0], "does not answer", "28-0123456789ab",
    ),
    "1-Wire on the valve's pin": Wrong(
        lambda m: put(m, "boot/firmware/config.txt", "dtoverlay=w1-gpio,gpiopin=17\n"),
        "GPIO 17, valve", "1-Wire is on and takes it", "gpiopin=17",
    ),
    "1-Wire elsewhere, old place of the file": Wrong(
        lambda m: (take(m, "boot/firmware/config.txt"),
                   put(m, "boot/config.txt", "dtoverlay=w1-gpio,pullup=1,gpiopin=26\n"), None)[-1],
        "config.txt", "GPIO 26", "gpiopin=26", stops=False,
    ),
    "SPI off": Wrong(
        lambda m: take(m, "dev/spidev0.0"), "/dev/spidev0.0", "is off", "dtparam=spi=on",
        stops=False,
    ),
    "not in the group of SPI": Wrong(
        lambda m: replace(m, usable=lambda path: "spidev" not in path.name),
        "/dev/spidev0.0", "may not use", "usermod -aG spi",
    ),
    "service without leave for SPI": Wrong(
        _without_spi_leave, UNIT, "may not use the Pi's own SPI", "hardware/level.md",
    ),
    "service that nobody watches": Wrong(
        _one_unit_without_watch, UNIT, "no WatchdogSec", "deploy/systemd", stops=False,
    ),
    "clock": Wrong(
        lambda m: replace(m, synchronised=lambda: False),
        "clock", "kept by no server", "timedatectl", stops=False,
    ),
    "disk nearly full": Wrong(
        lambda m: replace(m, free_bytes=lambda _: FREE_MIN_BYTES - 1),
        "brimwatch.db", "255 MiB left", "make room", stops=False,
    ),
    "no watchdog": Wrong(
        _no_watchdog, "/sys/class/watchdog", "no hardware watchdog", "dtparam=watchdog",
        stops=False,
    ),
    "watchdog off": Wrong(
        lambda m: put(m, "sys/class/watchdog/watchdog0/state", "inactive\n"),
        "/sys/class/watchdog", "is off", "RuntimeWatchdogSec=10", stops=False,
    ),
    "watchdog slow": Wrong(
        lambda m: put(m, "sys/class/watchdog/watchdog0/timeout", "60\n"),
        "/sys/class/watchdog", "after 60 s", "RuntimeWatchdogSec=10", stops=False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("wrong", WRONG.values(), ids=list(WRONG))
def test_one_thing_wrong_is_one_finding_with_its_place_and_fix(
    pi: Machine, full: Config, wrong: Wrong
) -> None:
    """Claim: each thing is found, alone, where it is, with a fix, and weighed rightly."""
    report = inspect(full, wrong.change(pi) or pi)
    (found,) = report.findings
    assert wrong.where in found.where
    assert wrong.words in found.wrong
    assert wrong.fix in found.fix
    assert found.stops == report.stops == wrong.stops
    (line,) = report.lines()
    assert line.startswith("This machine (Raspberry Pi 4 Model B Rev 1.5): ")
    assert ("WRONG" in line) == wrong.stops
    assert f"Fix: {found.fix}." in line
    (told,) = report.as_dicts()
    assert told["ok"] is not wrong.stops
    assert (told["key"], told["wrong"], told["fix"]) == (found.where, found.wrong, found.fix)


def test_what_the_config_does_not_use_is_not_missed(pi: Machine) -> None:
    """Claim: without a level probe no SPI is looked for, and with an own choice of pins neither."""
    take(pi, "dev/spidev0.0")
    take(pi, "dev/spidev0.1")
    _without_spi_leave(pi)
    assert inspect(loads(RIVER), pi).findings == ()
    own = "channel = 0\nclock_pin = 19\nmosi_pin = 20\nmiso_pin = 21\nselect_pin = 26"
    assert inspect(loads(FULL.replace("channel = 0", own)), pi).findings == ()


@pytest.mark.parametrize(
    ("pin", "shows", "bus"),
    [(8, None, "SPI"), (2, "dev/i2c-1", "I2C"), (14, "dev/serial0", "the serial console"),
     (4, None, "1-Wire")],
)  # fmt: skip
def test_a_pin_that_a_bus_takes_is_told(pi: Machine, pin: int, shows: str | None, bus: str) -> None:
    """Claim: a pin that the config was allowed to use is told of while its bus is on, not else."""
    text = RIVER.replace("pin = 22", f"pin = {pin}")
    text = text.replace("[hardware]", f"[hardware]\nallow_reserved = [{pin}]")
    config = loads(text)
    if shows:
        assert inspect(config, pi).findings == ()
        put(pi, shows)
    (found,) = inspect(config, pi).findings
    assert found.where == f"GPIO {pin}, float_high"
    assert bus in found.wrong
    assert found.stops


def test_a_chip_of_another_number_will_do(pi: Machine, full: Config) -> None:
    """Claim: one chip that may be used is enough, whatever its number."""
    put(pi, "dev/gpiochip4")
    only_4 = replace(pi, usable=lambda path: path.name != "gpiochip0")
    assert inspect(full, only_4).findings == ()


def test_a_clock_that_cannot_be_asked_is_no_finding(pi: Machine, full: Config) -> None:
    """Claim: not knowing is not the same as wrong."""
    assert inspect(full, replace(pi, synchronised=lambda: None)).findings == ()


def test_a_disk_that_cannot_be_asked_is_told(pi: Machine, full: Config) -> None:
    """Claim: an error of the disk is a finding and no crash."""

    def broken(_: Path) -> int:
        raise OSError(5, "Input/output error")

    (found,) = inspect(full, replace(pi, free_bytes=broken)).findings
    assert "Input/output error" in found.wrong


def test_the_disk_is_that_of_the_record(pi: Machine, tmp_path: Path) -> None:
    """Claim: the record's folder is asked, or the nearest above it that is there."""
    asked: list[Path] = []
    machine = replace(pi, free_bytes=lambda folder: asked.append(folder) or FREE_MIN_BYTES)
    (tmp_path / "var" / "lib").mkdir(parents=True)
    inspect(loads(RIVER.replace('"brimwatch.db"', '"/var/lib/not/yet/a.db"')), machine)
    assert asked == [tmp_path / "var" / "lib"]


# --- where not everything can be looked at ---


def test_a_machine_that_is_no_pi_is_told_once(tmp_path: Path, full: Config) -> None:
    """Claim: elsewhere there is one note and no finding, however much is missing."""
    nothing = Machine(root=tmp_path, installed=lambda _: False, synchronised=lambda: False)
    for model in (None, "Some other board\0"):
        if model:
            put(nothing, "proc/device-tree/model", model)
        report = inspect(full, nothing)
        assert report.findings == ()
        assert len(report.lines()) == len(report.as_dicts()) == 1
        assert "no Raspberry Pi" in report.lines()[0]
        assert not report.stops


def test_with_mock_pins_only_the_rest_is_looked_at(pi: Machine) -> None:
    """Claim: mock pins need no chip and no bus; clock, disk and watchdog are asked all the same."""
    take(pi, "dev/gpiochip0")
    _no_one_wire(pi)
    machine = replace(pi, installed=lambda _: False, synchronised=lambda: False)
    report = inspect(loads(RIVER.replace('pins = "auto"', 'pins = "mock"')), machine)
    assert [found.where for found in report.findings] == ["clock"]
    assert '"mock"' in report.note


@pytest.mark.parametrize("host", ["hall", "attic"])
def test_of_several_pis_only_this_ones_parts_are_looked_for(pi: Machine, host: str) -> None:
    """Claim: with two Pis in a config, the one whose node has this machine's name is looked at; if
    none has, its buses are not, and a note says so.
    """
    pond = RIVER[RIVER.index("[station.river]") :].replace("[station.river", "[station.pond")
    pond = pond.replace("[station.pond]", "[station.pond]\nnode = 'yard'").replace("a9e5", "ffff")
    river = RIVER.replace("[station.river]", "[station.river]\nnode = 'hall'")
    report = inspect(loads(f"{river}\n{pond}"), replace(pi, host=host))
    assert report.findings == ()
    assert ("attic" in report.note) == (host == "attic")
    _no_incoming(pi)
    found = inspect(loads(f"{river}\n{pond}"), replace(pi, host=host)).findings
    assert [ADDRESSES[0] in each.where for each in found] == ([True] if host == "hall" else [])


def test_a_huge_or_garbled_file_does_no_harm(pi: Machine, full: Config) -> None:
    """Claim: what stands in a file of settings cannot break the check."""
    (pi.root / "boot/firmware/config.txt").write_bytes(b"\xff\x00dtoverlay=w1-gpio,gpiopin=" * 9999)
    put(pi, "sys/class/watchdog/watchdog0/timeout", "soon\n")
    assert inspect(full, pi).findings == ()


def test_a_node_that_is_no_service_is_not_missed(pi: Machine, full: Config) -> None:
    """Claim: who runs it by hand is not told of a unit that is not installed."""
    take(pi, UNIT)
    _without_spi_leave(pi)
    assert inspect(full, pi).findings == ()


def test_a_real_machine_is_asked_without_root(tmp_path: Path) -> None:
    """Claim: the questions that tests stand in for elsewhere work here: what may be used, what is
    installed, how much is free.
    """
    machine = Machine()
    file = tmp_path / "chip"
    assert not machine.usable(file)
    file.touch()
    assert machine.usable(file)
    assert machine.installed("json")
    assert not machine.installed("no_such_module_anywhere")
    stat = os.statvfs(tmp_path)
    assert machine.free_bytes(tmp_path) == pytest.approx(stat.f_bavail * stat.f_frsize, rel=0.05)
    assert machine.synchronised() in (True, False, None)


# --- the clock itself ---


@pytest.mark.parametrize(
    ("state", "kept"),
    [(0, True), (1, True), (2, True), (3, True), (4, True), (5, False), (-1, None)],
)
def test_the_kernels_word_on_its_clock(
    monkeypatch: pytest.MonkeyPatch, state: int, kept: bool | None
) -> None:
    """Claim: of adjtimex(2)'s states only TIME_ERROR (5) means that no server keeps the clock;
    -1 is a call that failed; the states are those of linux/timex.h. It is asked without a wish:
    `modes` is 0, so nothing is set.
    """
    asked: list[bytes] = []

    class Library:
        @staticmethod
        def adjtimex(buffer: ctypes.Array[ctypes.c_char]) -> int:
            asked.append(buffer.raw)
            return state

    monkeypatch.setattr(ctypes, "CDLL", lambda _: Library)
    assert clock_synchronised() is kept
    assert set(asked[0]) == {0}
    # struct timex takes 208 bytes on 64-bit Linux (linux/timex.h), which the kernel fills.
    assert len(asked[0]) >= 208


def test_a_system_without_the_call_does_not_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Claim: where there is no adjtimex the answer is that nobody knows."""
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    assert clock_synchronised() is None


# --- the command ---


def checked(monkeypatch: pytest.MonkeyPatch, machine: Machine, *words: str) -> Result:
    """Run the command as if on that machine."""
    monkeypatch.setattr(looked_at, "inspect", lambda config: inspect(config, machine))
    return CliRunner().invoke(
        check, ["--config", str(SIMULATE / "full.toml"), *words], standalone_mode=False
    )


def test_check_tells_what_is_wrong_with_the_machine(
    monkeypatch: pytest.MonkeyPatch, pi: Machine
) -> None:
    """Claim: what would keep a node from working is told and makes the exit code 2, also in JSON;
    what could be better is told, and leaves it 0; `--no-machine` looks at nothing.
    """
    late = replace(pi, synchronised=lambda: False)
    run = checked(monkeypatch, late)
    assert run.return_value == 0
    assert "could be better: clock" in " ".join(run.output.split())
    take(pi, "dev/gpiochip0")
    run = checked(monkeypatch, pi)
    assert run.return_value == 2
    assert "WRONG: /dev/gpiochip0: there is no GPIO chip" in " ".join(run.output.split())
    run = checked(monkeypatch, pi, "--json")
    assert run.return_value == 2
    objects = [json.loads(line) for line in run.output.splitlines()]
    assert [each.get("key") for each in objects if not each["ok"]] == ["/dev/gpiochip0", None]
    run = checked(monkeypatch, pi, "--no-machine")
    assert run.return_value == 0
    assert "This machine" not in run.output
