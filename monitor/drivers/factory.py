"""Opening the pins: a real chip through lgpio, or mock pins for trying things out."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from gpiozero import PinUnknownPi
from gpiozero.pins.mock import MockFactory

from monitor.drivers.gpio import PinFactory
from monitor.errors import HardwareError

KINDS = ("auto", "lgpio", "mock")


def open_factory(kind: str) -> PinFactory:
    """Return a pin factory: "mock" for pins of the mind, "lgpio" or "auto" for the Pi's own.

    Raises:
        HardwareError: the kind is unknown, lgpio is missing, this is no Pi, or its GPIO chip may
            not be opened.
    """
    if kind not in KINDS:
        raise HardwareError(
            f"there are no pins of the kind {kind!r}",
            where="hardware.pins",
            allowed=", ".join(KINDS),
            fix='"auto" on a Raspberry Pi',
        )
    if kind == "mock":
        mock: PinFactory = MockFactory()
        return mock
    return _open_lgpio()


def _open_lgpio() -> PinFactory:
    try:
        module = _import_lgpio()
        factory: Any = module.LGPIOFactory()
    except ImportError as error:
        raise _no_pins(
            f"the pin library lgpio is not installed: {error}",
            "install the package python3-lgpio, or the extra brimwatch[pi]",
        ) from error
    except OSError as error:
        raise _no_pins(
            f"lgpio could not make its pipe: {error}",
            "set LG_WD to a folder that this user may write",
        ) from error
    except PinUnknownPi as error:
        raise _no_pins(
            "this is not a Raspberry Pi", "use `brimwatch simulate` to try things without one"
        ) from error
    except Exception as error:
        raise _no_pins(
            f"the GPIO chip could not be opened: {error}",
            "let the user into the group gpio, and see that /dev/gpiochip0 is there",
        ) from error
    factory.pin_class = steady(module)
    pins: PinFactory = factory
    return pins


def _no_pins(what: str, fix: str) -> HardwareError:
    return HardwareError(what, where="hardware.pins", allowed="a Raspberry Pi with lgpio", fix=fix)


def _import_lgpio() -> Any:
    """Import gpiozero's lgpio pins without moving the program to another folder.

    On import lgpio makes a pipe in the working folder, which a service may not write; given LG_WD,
    it changes to that folder instead, and stays there.
    """
    if not os.environ.get("LG_WD"):
        os.environ["LG_WD"] = tempfile.mkdtemp(prefix="brimwatch-pins-")
        atexit.register(shutil.rmtree, os.environ["LG_WD"], ignore_errors=True)
    here = Path.cwd()
    try:
        from gpiozero.pins import lgpio  # noqa: PLC0415 - importing it makes a pipe
    finally:
        os.chdir(here)
    return lgpio


def steady(module: Any) -> type:
    """Return gpiozero's lgpio pin class, but claiming an output at its level in one call.

    The inherited way claims the line low and then corrects it: an active-low relay would click.
    """

    class SteadyPin(module.LGPIOPin):  # type: ignore[misc]
        """An lgpio pin whose first level as an output is the one asked for."""

        def output_with_state(self, state: float) -> None:
            """Claim the line as an output at `state`."""
            self.when_changed = None
            module.lgpio.gpio_claim_output(self._factory._handle, self._number, int(bool(state)))

    return SteadyPin
