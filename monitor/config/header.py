"""The Pi's 40-pin header: which place is what, what a bus takes, how a pin is pulled at power-on.

The same on every model with 40 pins (B+ and later, the Zeros included). tests/test_pins.py holds
the places against the pin library's own tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

PITCH_MM: Final = 2.54
ROWS: Final = 20  # of two places each: odd ones in the first column, even ones in the second

V3, V5, GROUND = "3.3 V", "5 V", "0 V"
SUPPLIES: Final[Mapping[int, str]] = {
    **dict.fromkeys((1, 17), V3),
    **dict.fromkeys((2, 4), V5),
    **dict.fromkeys((6, 9, 14, 20, 25, 30, 34, 39), GROUND),
}
# The GPIO number (the chip's, BCM) of each place that is no supply.
GPIO_AT: Final[Mapping[int, int]] = {
    3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10,
    21: 9, 22: 25, 23: 11, 24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19,
    36: 16, 37: 26, 38: 20, 40: 21,
}  # fmt: skip
PLACE_OF: Final[Mapping[int, int]] = {gpio: place for place, gpio in GPIO_AT.items()}

# BCM2835 ARM Peripherals, alternate function table, column "Pull" (from memory): GPIO 0 to 8 are
# pulled up at power-on, 9 to 27 down. The other chips of the family agree on the header's pins.
LAST_PULLED_UP: Final = 8

ONE_WIRE_PIN: Final = 4  # where the overlay w1-gpio puts it unless told otherwise


@dataclass(frozen=True, slots=True)
class Bus:
    """A bus of the Pi's own: the pins it takes, the line in config.txt that switches it on.

    `shows` is what exists below / while it is on, as a pattern. Both are "" where there is none.
    """

    name: str
    pins: tuple[int, ...]
    switch: str
    shows: str


# The lines are those of the firmware's overlays README; what shows them is from memory.
BUSES: Final = (
    Bus("the identity chip of an add-on board", (0, 1), "", ""),
    Bus("I2C", (2, 3), "dtparam=i2c_arm=on", "dev/i2c-1"),
    Bus("1-Wire", (ONE_WIRE_PIN,), "dtoverlay=w1-gpio", "sys/bus/w1/devices/w1_bus_master*"),
    Bus("SPI", (8, 7, 11, 10, 9), "dtparam=spi=on", "dev/spidev0.*"),
    Bus("the serial console", (14, 15), "enable_uart=1", "dev/serial0"),
)
RESERVED: Final[Mapping[int, str]] = {pin: bus.name for bus in BUSES for pin in bus.pins}


def pulled_up(gpio: int) -> bool:
    """Return whether a pin is pulled up at power-on; if not, it is pulled down."""
    return gpio <= LAST_PULLED_UP
