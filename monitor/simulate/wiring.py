"""Which part of the simulated rig hangs on which pin of the program's."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.errors import ConfigError


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelProbe:
    """A level probe on a converter: what its voltage means, and how far one reading is off.

    `noise_m` is the probe's own noise (one standard deviation, invented); the waves are the water's
    (`plant.Plant.surface_m`).
    """

    select_pin: int
    channel: int
    zero_v: float
    full_v: float
    span_m: float
    reference_v: float
    noise_m: float = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Which BCM pin goes where, and what its levels mean. What is None is not fitted.

    A closed float loop pulls its pin low. `float_normally_closed` opens the loop of each float when
    the water is where it should not be, so that a broken wire reads the same.
    """

    float_pin: int
    leak_pin: int
    flow_pin: int
    relay_pin: int
    high_float_pin: int | None = None
    low_float_pin: int | None = None
    sump_high_pin: int | None = None
    sump_low_pin: int | None = None
    store_pin: int | None = None
    drain_pin: int | None = None
    level: LevelProbe | None = None
    float_normally_closed: bool = True
    leak_wet_high: bool = False
    relay_active_high: bool = True
    drain_active_high: bool = True
    pulses_per_litre: float = 450.0
    w1_address: str = "28-00000b71a9e5"
    tank_w1_address: str | None = None

    def __post_init__(self) -> None:
        """Raise ConfigError for an address that no DS18B20 has."""
        for name in ("w1_address", "tank_w1_address"):
            address = getattr(self, name)
            if address is not None and not re.fullmatch(r"28-[0-9a-f]{12}", address):
                raise ConfigError(
                    f"{name} is {address!r}",
                    where="wiring",
                    allowed="28- and twelve of 0123456789abcdef",
                )

    @property
    def rest_high(self) -> tuple[int, ...]:
        """The output pins that a resistor pulls high while nobody drives them."""
        relays = (
            (self.relay_pin, self.relay_active_high),
            (self.drain_pin, self.drain_active_high),
        )
        return tuple(pin for pin, active in relays if pin is not None and not active)
