"""A simulated DS18B20, and the text that the Linux kernel shows of one."""

from __future__ import annotations

import math
import os
import random
from pathlib import Path

W1_PERIOD_S = 1.0  # A 12-bit conversion takes up to 750 ms (DS18B20 datasheet).
W1_LAG_S = 2.0  # Invented: a probe in flowing water.
W1_BIAS_C = 0.2  # Invented; the datasheet allows 0.5 °C.
W1_NOISE_C = 0.03  # Invented.
W1_MIN_C, W1_MAX_C = -55.0, 125.0
W1_STEPS_PER_C = 16
W1_TAIL = (0x4B, 0x46, 0x7F, 0xFF)  # TH and TL as delivered, 12 bit, reserved.
W1_POWER_ON = bytes((0x50, 0x05, *W1_TAIL, 0x0C, 0x10))  # 85 °C before any conversion.


class W1Probe:
    """A DS18B20 in water, as the Linux kernel shows it: one folder with one text file."""

    def __init__(self, folder: Path, water_c: float, now_s: float, rng: random.Random) -> None:
        self._folder = folder
        self._rng = rng
        self._bias_c = rng.uniform(-W1_BIAS_C, W1_BIAS_C)
        self._temp_c = water_c
        self._seen_s = now_s
        self._due_s = -math.inf
        self._gone = False
        self._handle: int | None = None
        self._length = -1

    def __del__(self) -> None:
        """Give the file back."""
        if self._handle is not None:
            os.close(self._handle)

    def hang(self, there_c: float) -> None:
        """Have hung at this temperature for long already."""
        self._temp_c = there_c

    def advance(self, now_s: float, water_c: float, *, gone: bool, power_on: bool) -> None:
        """Follow the water, and write the file once a second."""
        change_c = water_c - self._temp_c
        self._temp_c += change_c * -math.expm1(-max(now_s - self._seen_s, 0.0) / W1_LAG_S)
        self._seen_s = now_s
        if gone and not self._gone and self._handle is not None:
            os.close(self._handle)
            self._handle = None
            (self._folder / "w1_slave").unlink(missing_ok=True)
            self._folder.rmdir()
        self._gone = gone
        if gone or now_s < self._due_s:
            return
        self._due_s = now_s + W1_PERIOD_S
        shown_c = self._temp_c + self._bias_c + self._rng.gauss(0.0, W1_NOISE_C)
        text = w1_text(W1_POWER_ON if power_on else scratchpad(shown_c))
        self._write(text.encode("ascii"))

    def _write(self, content: bytes) -> None:
        """Put the text into the file, in one go: a reader never sees half of it."""
        if self._handle is None:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self._folder / "w1_slave", os.O_RDWR | os.O_CREAT, 0o644)
        os.pwrite(self._handle, content, 0)
        if len(content) != self._length:
            os.ftruncate(self._handle, len(content))
            self._length = len(content)


def scratchpad(temp_c: float) -> bytes:
    """Return the first eight bytes of a 12-bit DS18B20's memory at this temperature.

    Two's complement in steps of 1/16 °C (DS18B20 datasheet, table 1). Byte 6 is 10h less the low
    four bits on the parts we know of (from memory).
    """
    held_c = min(max(temp_c, W1_MIN_C), W1_MAX_C)
    low, high = round(held_c * W1_STEPS_PER_C).to_bytes(2, "little", signed=True)
    return bytes((low, high, *W1_TAIL, 0x10 - (low & 0x0F), 0x10))


def w1_text(memory: bytes) -> str:
    """Return what the kernel's w1_therm driver writes for these eight bytes, with their CRC.

    The kernel divides in C, which cuts toward zero: -0.0625 °C is -62 thousandths.
    """
    crc = _crc8(memory)
    shown = " ".join(f"{byte:02x}" for byte in (*memory, crc))
    raw = int.from_bytes(memory[:2], "little", signed=True)
    milli = int(raw * 1000 / W1_STEPS_PER_C)
    return f"{shown} : crc={crc:02x} YES\n{shown} t={milli}\n"


def _crc8(data: bytes) -> int:
    """Return the 1-Wire CRC: x^8 + x^5 + x^4 + 1, reflected, from zero (Maxim AN27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc
