"""What on this machine would keep a config from working: pins, buses, clock, disk, watchdog.

One function for each thing looked at. All of them read through a `Machine`, so that tests lay out
a machine of their own. Nothing here needs root, and nothing is changed.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import re
import shutil
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.config.header import BUSES, ONE_WIRE_PIN
from monitor.config.parts import SPI_BUS, SPI_SELECTS, Config, Ds18b20, Level, Station
from monitor.errors import told
from monitor.wiring.table import Wire, wires

FREE_MIN_BYTES: Final = 256 * 1024 * 1024  # the record may grow to twice this, over many years
MIB: Final = 1024 * 1024
HARDWARE_WATCHDOG_MAX_S: Final = 15  # hazard C06: a kernel that hangs is restarted by then
UNIT_WATCHDOG_MAX_S: Final = 5  # hazard C06: a program that hangs
TIME_ERROR: Final = 5  # adjtimex(2): the clock is not synchronised
TIMEX_BYTES: Final = 512  # more than struct timex takes anywhere
TEXT_MAX: Final = 64 * 1024  # of a settings file
BOOT_FILES: Final = ("boot/firmware/config.txt", "boot/config.txt")
BOOT_FILE: Final = "/boot/firmware/config.txt"
UNIT: Final = "etc/systemd/system/brimwatch-node.service"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong with the machine; `stops` when a node would not work with it."""

    where: str
    wrong: str
    fix: str
    stops: bool = True

    def __str__(self) -> str:
        """Return it in one line."""
        return told(self.wrong, where=self.where, fix=self.fix)


@dataclass(frozen=True, slots=True)
class Report:
    """What was found. `note` says what was not looked at, and why; "" when all was."""

    name: str
    findings: tuple[Finding, ...]
    note: str = ""

    @property
    def stops(self) -> bool:
        """Whether something would keep a node from working."""
        return any(finding.stops for finding in self.findings)

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        head = f"This machine ({self.name}): " if self.name else "This machine: "
        lines = [f"{head}{self.note}."] if self.note else []
        if not self.findings and self.name:
            lines.append(f"{head}nothing wrong.")
        return lines + [
            f"{head}{'WRONG' if finding.stops else 'could be better'}: {finding}"
            for finding in self.findings
        ]

    def as_dicts(self) -> list[dict[str, Any]]:
        """Return one object for each finding, for JSON; one with the note, if there is one."""
        found: list[dict[str, Any]] = [
            {"ok": not finding.stops, "machine": self.name, "key": finding.where,
             "wrong": finding.wrong, "fix": finding.fix}
            for finding in self.findings
        ]  # fmt: skip
        if self.note:
            found.append({"ok": True, "machine": self.name, "note": self.note})
        return found


def clock_synchronised() -> bool | None:
    """Return whether the kernel's clock is kept by a server; None when it does not tell."""
    try:
        adjtimex = ctypes.CDLL(None).adjtimex
        state = int(adjtimex(ctypes.create_string_buffer(TIMEX_BYTES)))  # all zero: only read
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != TIME_ERROR


def _usable(path: Path) -> bool:
    return os.access(path, os.R_OK | os.W_OK)


def _installed(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


def _free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine as far as it is looked at: the root of its files, and what no file tells."""

    root: Path = Path("/")
    host: str = ""
    usable: Callable[[Path], bool] = _usable
    installed: Callable[[str], bool] = _installed
    free_bytes: Callable[[Path], int] = _free_bytes
    synchronised: Callable[[], bool | None] = clock_synchronised

    def at(self, path: str) -> Path:
        """Return where a path of the machine is; one that is relative counts as it is."""
        return self.root / path.lstrip("/") if path.startswith("/") else Path(path)

    def find(self, pattern: str) -> list[Path]:
        """Return what matches a pattern below the root, sorted."""
        return sorted(self.root.glob(pattern))

    def text(self, path: str) -> str:
        """Return the beginning of a file below the root; "" when it cannot be read."""
        try:
            with (self.root / path).open("rb") as stream:
                return stream.read(TEXT_MAX).decode(errors="replace").rstrip("\0\n")
        except OSError:
            return ""


def inspect(config: Config, machine: Machine | None = None) -> Report:
    """Return what is wrong on a machine, this one by default, for a config."""
    machine = machine or Machine(host=socket.gethostname())
    name = machine.text("proc/device-tree/model")
    if not name.startswith("Raspberry Pi"):
        return Report("", (), "it is no Raspberry Pi, so neither pins and buses nor clock, disk "
                      "and watchdog were looked at")  # fmt: skip
    found = [*pin_library(machine), *gpio_chip(machine)] if config.hardware.pins != "mock" else []
    here, note = _stations_here(config, machine)
    if config.hardware.pins != "mock" and here:
        rows = [row for node in wires(config, here[0]).values() for row in node]
        parts = [part for station in here for part in station.sensors.values()]
        found += taken_buses(machine, rows)
        addresses = [part.address for part in parts if isinstance(part, Ds18b20)]
        found += one_wire(machine, config.hardware.w1_root, addresses)
        found += one_wire_pin(machine, rows, used=bool(addresses))
        probes = [part for part in parts if isinstance(part, Level)]
        found += spi(machine, probes)
        found += unit(machine, probes)
    found += clock(machine)
    found += disk(machine, config.journal.path)
    found += watchdog(machine)
    return Report(name, tuple(found), note)


def _stations_here(config: Config, machine: Machine) -> tuple[list[Station], str]:
    """Return the stations that hang on this Pi, and a note when that cannot be told."""
    if config.hardware.pins == "mock":
        return [], 'hardware.pins is "mock", so its pins and buses were not looked at'
    stations = list(config.stations.values())
    nodes = {station.node for station in stations}
    if len(nodes) == 1:
        return stations, ""
    here = [station for station in stations if station.node == machine.host]
    if here:
        return here, ""
    named = f"its name, {machine.host}, is none of the nodes {', '.join(sorted(nodes))}"
    return [], f"{named}, so its buses were not looked at"


def pin_library(machine: Machine) -> Iterator[Finding]:
    """Look for the library that drives the pins."""
    if not machine.installed("lgpio"):
        fix = ("install the package python3-lgpio, and make the environment with "
               "--system-site-packages")  # fmt: skip
        yield Finding("hardware.pins", "the pin library lgpio is not installed", fix)


def gpio_chip(machine: Machine) -> Iterator[Finding]:
    """Look for a GPIO chip that this user may open."""
    chips = machine.find("dev/gpiochip*")
    if not chips:
        yield Finding("/dev/gpiochip0", "there is no GPIO chip",
                      "use the kernel of Raspberry Pi OS, version 5.10 or newer")  # fmt: skip
    elif not any(map(machine.usable, chips)):
        wrong = "this user may not use the pins"
        yield Finding("/dev/gpiochip0", wrong, "sudo usermod -aG gpio $USER, then log in again")


def taken_buses(machine: Machine, rows: list[Wire]) -> Iterator[Finding]:
    """Look for pins that a bus of the Pi's own takes while it is on."""
    for bus in BUSES:
        if not bus.shows or not machine.find(bus.shows):
            continue
        for row in rows:
            # A bus's own wires bear its name, which no part's name can hold: those are lower case.
            if row.gpio in bus.pins and bus.name not in row.signal:
                fix = f"take {bus.switch} out of {BOOT_FILE} and start anew, or use another pin"
                yield Finding(f"GPIO {row.gpio}, {row.signal}", f"{bus.name} is on and takes it",
                              fix)  # fmt: skip


def one_wire(machine: Machine, w1_root: str, addresses: list[str]) -> Iterator[Finding]:
    """Look for the 1-Wire bus and the thermometers on it."""
    if not addresses:
        return
    folder = machine.at(w1_root)
    if not folder.is_dir() or not any(folder.glob("w1_bus_master*")):
        fix = f"add dtoverlay=w1-gpio to {BOOT_FILE} and start anew"
        yield Finding(w1_root, "there is no 1-Wire bus", fix)
        return
    there = sorted(entry.name for entry in folder.glob("28-*"))
    for address in addresses:
        if address not in there:
            others = [each for each in there if each not in addresses]
            fix = (f"if it is one of {', '.join(others)}, write that address" if others else
                   "look at its three wires and the 4.7 kΩ between data and 3.3 V")  # fmt: skip
            yield Finding(f"{w1_root}/{address}", "this thermometer does not answer", fix)


def one_wire_pin(machine: Machine, rows: list[Wire], *, used: bool) -> Iterator[Finding]:
    """Look for a 1-Wire bus that was moved to another pin than the table says."""
    boot = next(filter(None, map(machine.text, BOOT_FILES)), "")
    for match in re.finditer(r"^\s*dtoverlay=w1-gpio\S*?gpiopin=(\d+)", boot, re.MULTILINE):
        pin = int(match[1])
        taken = [row.signal for row in rows if row.gpio == pin and "1-Wire" not in row.signal]
        fix = f"take gpiopin={pin} out of {BOOT_FILE} and start anew, or use another pin"
        if taken:
            yield Finding(f"GPIO {pin}, {taken[0]}", "1-Wire is on and takes it", fix)
        elif used and pin != ONE_WIRE_PIN:
            wrong = f"1-Wire is on GPIO {pin}, and `brimwatch pins` says GPIO {ONE_WIRE_PIN}"
            yield Finding(BOOT_FILE, wrong, fix, stops=False)


def spi(machine: Machine, probes: list[Level]) -> Iterator[Finding]:
    """Look for the Pi's own SPI where a level probe's converter uses its pins."""
    for select in sorted({part.select_pin for part in probes if _own_spi(part)}):
        device = f"dev/spidev0.{SPI_SELECTS.index(select)}"
        if not (machine.root / device).exists():
            fix = f"add dtparam=spi=on to {BOOT_FILE} and start anew"
            wrong = "the Pi's own SPI is off: the converter's bits would be moved one by one"
            yield Finding(f"/{device}", wrong, fix, stops=False)
        elif not machine.usable(machine.root / device):
            fix = "sudo usermod -aG spi $USER, then log in again"
            yield Finding(f"/{device}", "this user may not use the Pi's own SPI", fix)


def _own_spi(part: Level) -> bool:
    pins = (part.clock_pin, part.mosi_pin, part.miso_pin)
    return pins == SPI_BUS and part.select_pin in SPI_SELECTS


def unit(machine: Machine, probes: list[Level]) -> Iterator[Finding]:
    """Look at the service of the node, where it is installed."""
    service = machine.text(UNIT)
    if not service:
        return
    extras = [machine.text(str(each.relative_to(machine.root)))
              for each in machine.find(f"{UNIT}.d/*.conf")]  # fmt: skip
    settings = "\n".join([service, *extras])
    limits_s = re.findall(r"^WatchdogSec=(\d+)s?\s*$", settings, re.MULTILINE)
    if not limits_s or not 0 < int(limits_s[-1]) <= UNIT_WATCHDOG_MAX_S:
        wrong = "nobody restarts the node when it freezes: no WatchdogSec of up to 5 s"
        yield Finding(f"/{UNIT}", wrong, "install the unit from deploy/systemd anew", stops=False)
    if any(map(_own_spi, probes)) and "char-spi " not in settings:
        fix = ("sudo systemctl edit brimwatch-node, and add the three lines that hardware/level.md "
               "gives")  # fmt: skip
        yield Finding(f"/{UNIT}", "the service may not use the Pi's own SPI", fix)


def clock(machine: Machine) -> Iterator[Finding]:
    """Look whether the time of day is kept by a server."""
    if machine.synchronised() is False:
        wrong = "the time of day is kept by no server: dates and the age of proof tests are a guess"
        fix = "sudo timedatectl set-ntp true, and see that the network is up"
        yield Finding("clock", wrong, fix, stops=False)


def disk(machine: Machine, journal: str) -> Iterator[Finding]:
    """Look at the room for the record."""
    folder = machine.at(journal).absolute().parent
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    try:
        free = machine.free_bytes(folder)
    except OSError as error:
        yield Finding(journal, f"its disk cannot be read: {error.strerror}",
                      "move journal.path to another disk", stops=False)  # fmt: skip
        return
    if free < FREE_MIN_BYTES:
        wrong = f"its disk has {free // MIB} MiB left"
        fix = f"make room for {FREE_MIN_BYTES // MIB} MiB, or move journal.path to another disk"
        yield Finding(journal, wrong, fix, stops=False)


def watchdog(machine: Machine) -> Iterator[Finding]:
    """Look whether the hardware restarts a Pi that hangs, soon enough."""
    fix = ("write [Manager] and RuntimeWatchdogSec=10 into "
           "/etc/systemd/system.conf.d/watchdog.conf and start anew")  # fmt: skip
    dogs = machine.find("sys/class/watchdog/watchdog*")
    active = [dog for dog in dogs if _word(dog / "state") == "active"]
    if not dogs:
        missing = f"add dtparam=watchdog=on to {BOOT_FILE} and start anew"
        yield Finding("/sys/class/watchdog", "there is no hardware watchdog", missing, stops=False)
    elif not active:
        wrong = "the hardware watchdog is off: a Pi that hangs with the valve open would stay so"
        yield Finding("/sys/class/watchdog", wrong, fix, stops=False)
    else:
        times_s = [int(word) for dog in active if (word := _word(dog / "timeout")).isdecimal()]
        if times_s and min(times_s) > HARDWARE_WATCHDOG_MAX_S:
            wrong = f"a Pi that hangs is restarted after {min(times_s)} s"
            yield Finding("/sys/class/watchdog", wrong, fix, stops=False)


def _word(file: Path) -> str:
    try:
        return file.read_text(errors="replace").strip()
    except OSError:
        return ""
