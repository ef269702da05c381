"""What a DS18B20's scratchpad and the kernel's `w1_slave` text mean: pure, total, exact.

Sources: the DS18B20 datasheet (Table 1, scratchpad, configuration register), Maxim application note
27 (the CRC-8), and the Linux kernel's `Documentation/w1/slaves/w1_therm.rst` with its driver
`drivers/w1/slaves/w1_therm.c`.
"""

from __future__ import annotations

import re

from monitor.core.reading import Fault

SCRATCHPAD_BYTES = 9
STEP_C = 1 / 16
LOW_C = -55.0
HIGH_C = 125.0
POWER_ON_C = 85.0

_POWER_ON_RAW = 0x0550
_POWER_ON_BYTE_6 = 0x0C  # a real 85.0 °C leaves 10h here: 10h less the low four bits of the reading
_LOW_POWER_RAW = 0x07FF
# Byte 4 is 0 R1 R0 1 1 1 1 1; the fewer bits of resolution, the more low bits are undefined.
_CONFIG_FIXED_MASK = 0x9F
_CONFIG_FIXED = 0x1F
_CRC_POLYNOMIAL_REFLECTED = 0x8C

_FIRST_LINE = re.compile(
    r"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)\s*(?:\n|$)", re.ASCII | re.IGNORECASE
)


def crc8(data: bytes) -> int:
    """Return the Dallas/Maxim CRC-8 of `data` (x^8 + x^5 + x^4 + 1, reflected, from 0).

    Over data followed by their own CRC it gives 0.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (_CRC_POLYNOMIAL_REFLECTED if crc & 1 else 0)
    return crc


def scratchpad_temp_c(pad: bytes) -> float | Fault:
    """Return the temperature in a nine-byte scratchpad, or why it holds none.

    Undefined low bits of a coarser resolution are cleared. Bytes 5 and 7 are not looked at: the
    datasheet fixes them, but second-source parts differ there.
    """
    if len(pad) != SCRATCHPAD_BYTES or crc8(pad) != 0:
        return Fault.CRC
    # All zeros pass the CRC. So does whatever a shorted bus made of a part without a config byte.
    if pad[4] & _CONFIG_FIXED_MASK != _CONFIG_FIXED:
        return Fault.BLANK
    undefined_bits = 3 - (pad[4] >> 5)
    mask = -1 << undefined_bits
    raw = int.from_bytes(pad[:2], "little", signed=True) & mask
    if raw == _POWER_ON_RAW and pad[6] == _POWER_ON_BYTE_6:
        return Fault.POWER_ON
    if raw == _LOW_POWER_RAW & mask:
        return Fault.LOW_POWER
    temp_c = raw * STEP_C
    return temp_c if LOW_C <= temp_c <= HIGH_C else Fault.RANGE


def w1_slave_temp_c(text: str) -> float | Fault:
    """Return the temperature in the text of a `w1_slave` file, or why it holds none.

    Only the nine bytes of the first line count. The kernel's own `t=` is not used: beside a NO it
    comes from the bad bytes. Text that cannot be checked counts as a failed check.
    """
    if not text.strip():
        return Fault.EMPTY
    match = _FIRST_LINE.match(text)
    if match is None or match[3].upper() != "YES":
        return Fault.CRC
    pad = bytes.fromhex(match[1])
    return scratchpad_temp_c(pad) if pad[-1] == int(match[2], 16) else Fault.CRC
