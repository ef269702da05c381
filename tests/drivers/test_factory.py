"""Opening pins: the kinds, the errors, and how a real chip's lines are claimed."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import gpiozero.pins
import pytest
from gpiozero import OutputDevice
from gpiozero.pins.mock import MockFactory

from monitor.drivers.factory import open_factory
from monitor.drivers.relay import Relay
from monitor.errors import HardwareError

PIN = 17
PI_3B = 0xA02082


class FakeChip(ModuleType):
    """Stands in for the module lgpio: same calls, and a record of the levels lines are driven to.

    It follows lgpio's documented signatures (`gpio_claim_output(handle, gpio, level=0, lFlags=0)`),
    so it shows what is asked of a chip, not what a chip makes of it.
    """

    SET_PULL_NONE = SET_BIAS_DISABLE = 128
    SET_PULL_UP = SET_BIAS_PULL_UP = 32
    SET_PULL_DOWN = SET_BIAS_PULL_DOWN = 64
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3

    class error(Exception):  # noqa: N801, N818 - lgpio's own name
        """What lgpio raises."""

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.driven: list[int] = []
        self.output = False
        self.chip_missing = False

    def gpiochip_open(self, chip: int) -> int:
        if self.chip_missing:
            raise self.error("can not open gpiochip")
        return chip

    def gpiochip_close(self, handle: int) -> int:
        return 0

    def gpio_claim_input(self, handle: int, gpio: int, flags: int = 0) -> int:
        self.output = False
        return 0

    def gpio_claim_output(self, handle: int, gpio: int, level: int = 0, flags: int = 0) -> int:
        self.output = True
        self.driven.append(level)
        return 0

    def gpio_get_mode(self, handle: int, gpio: int) -> int:
        return 2 if self.output else 0

    def gpio_write(self, handle: int, gpio: int, level: int) -> int:
        self.driven.append(int(level))
        return 0

    def gpio_read(self, handle: int, gpio: int) -> int:
        return self.driven[-1]


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeChip]:
    """A fake lgpio, with this machine passing for a Pi; leaves no trace."""
    fake = FakeChip()
    monkeypatch.setitem(sys.modules, "lgpio", fake)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.delattr(gpiozero.pins, "lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: PI_3B)
    monkeypatch.setenv("LG_WD", "/")
    yield fake
    from gpiozero.pins.local import LocalPiFactory

    LocalPiFactory.pins.clear()
    LocalPiFactory._reservations.clear()
    sys.modules.pop("gpiozero.pins.lgpio", None)
    if hasattr(gpiozero.pins, "lgpio"):
        del gpiozero.pins.lgpio


def test_mock() -> None:
    """Pins for trying things out need no hardware."""
    assert isinstance(open_factory("mock"), MockFactory)


def test_unknown_kind() -> None:
    """A kind that does not exist is refused with those that do."""
    with pytest.raises(HardwareError, match=r"hardware\.pins.*auto, lgpio, mock"):
        open_factory("magic")


def test_lgpio_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without lgpio the error says what to install."""
    monkeypatch.setenv("LG_WD", str(tmp_path))
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    with pytest.raises(HardwareError, match=r"not installed.*python3-lgpio"):
        open_factory("auto")


def test_no_pi(chip: FakeChip, monkeypatch: pytest.MonkeyPatch) -> None:
    """On another machine the error points to the simulation."""

    def unknown() -> int:
        raise gpiozero.PinUnknownPi("no revision here")

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", unknown)
    with pytest.raises(HardwareError, match=r"not a Raspberry Pi.*brimwatch simulate"):
        open_factory("auto")


def test_chip_closed_to_us(chip: FakeChip) -> None:
    """Without access to the chip the error names the group that has it."""
    chip.chip_missing = True
    with pytest.raises(HardwareError, match=r"can not open gpiochip.*group gpio"):
        open_factory("lgpio")


def test_folder_not_writable(chip: FakeChip, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where lgpio cannot make its pipe the error names the variable that moves it."""

    def refuse(_: int) -> int:
        raise PermissionError("no pipe here")

    monkeypatch.setattr(chip, "gpiochip_open", refuse)
    with pytest.raises(HardwareError, match=r"no pipe here.*LG_WD"):
        open_factory("lgpio")


def test_stays_in_its_folder(
    chip: FakeChip, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A folder for lgpio is made when none is set, and the program does not move there."""
    monkeypatch.delenv("LG_WD")
    monkeypatch.chdir(tmp_path)
    open_factory("auto")
    made = Path(os.environ["LG_WD"])
    assert made.is_dir()
    assert Path.cwd() == tmp_path
    made.rmdir()


@pytest.mark.parametrize("active_high", [True, False], ids=["high", "low"])
def test_relay_is_claimed_at_its_off_level(chip: FakeChip, active_high: bool) -> None:
    """A real chip is asked for the relay's off level from the first moment, in one call."""
    relay = Relay(pin=PIN, factory=open_factory("lgpio"), active_high=active_high)
    off = 0 if active_high else 1
    assert chip.driven == [off]
    relay.energise()
    relay.release()
    assert chip.driven == [off, 1 - off, off]
    relay.close()
    assert not chip.output


def test_inherited_way_would_click_an_active_low_relay(chip: FakeChip) -> None:
    """The reason for our own pin class: gpiozero's claims low first, then corrects it."""
    from gpiozero.pins.lgpio import LGPIOFactory

    plain: Any = LGPIOFactory()
    device = OutputDevice(PIN, active_high=False, initial_value=False, pin_factory=plain)
    assert chip.driven == [0, 1]
    device.close()
