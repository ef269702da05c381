"""Our DS18B20 reading against the part's datasheet, the maker's CRC note and the kernel's text.

Sources: Maxim/Analog Devices, DS18B20 datasheet (Table 1 "Temperature/Data Relationship", the
configuration register, the scratchpad map); Maxim application note 27 for the CRC; Linux
`Documentation/w1/slaves/w1_therm.rst` and `drivers/w1/slaves/w1_therm.c` for the text. CRCs marked
"computed" come from the reference library crccheck, which also checks every vector here.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.reading import Fault
from monitor.drivers.ds18b20 import crc8, scratchpad_temp_c, w1_slave_temp_c

crccheck = pytest.importorskip("crccheck.crc")
pytestmark = pytest.mark.external


def pad(raw: int, *, config: int = 0x7F, byte_6: int | None = None) -> bytes:
    """Return a scratchpad as a healthy part has it, with the reference library's CRC.

    Datasheet: byte 5 is FFh, byte 7 is 10h. Byte 6 of the parts this was seen on counts down from
    10h with the low four bits of the reading.
    """
    sixth = 0x10 - (raw & 0x0F) if byte_6 is None else byte_6
    data = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, config, 0xFF, sixth, 0x10])
    return data + bytes([crccheck.Crc8Maxim.calc(data)])


def w1(data: bytes, verdict: str = "YES", milli: int = 0) -> str:
    shown = " ".join(f"{byte:02x}" for byte in data)
    return f"{shown} : crc={data[8]:02x} {verdict}\n{shown} t={milli}\n"


# Datasheet Table 1 and its neighbours; the last column is the kernel's integer, cut toward zero.
REGISTER = [
    (0x07D0, 125.0, 125000),
    (0x0550, 85.0, 85000),
    (0x0191, 25.0625, 25062),
    (0x0172, 23.125, 23125),
    (0x00A2, 10.125, 10125),
    (0x0008, 0.5, 500),
    (0x0000, 0.0, 0),
    (0xFFFF, -0.0625, -62),
    (0xFFF8, -0.5, -500),
    (0xFF5E, -10.125, -10125),
    (0xFE6F, -25.0625, -25062),
    (0xFC90, -55.0, -55000),
]


@pytest.mark.parametrize(("raw", "temp_c", "milli"), REGISTER)
def test_register_rows(raw: int, temp_c: float, milli: int) -> None:
    """Each row of the datasheet's table comes out exactly, and as the kernel's own number."""
    read_c = scratchpad_temp_c(pad(raw))
    assert read_c == temp_c
    assert isinstance(read_c, float)
    assert math.trunc(read_c * 1000) == milli
    assert w1_slave_temp_c(w1(pad(raw), milli=milli)) == temp_c


def test_insufficient_power_row() -> None:
    """07FFh (127.9375 °C) is what the part leaves when it had too little power to convert."""
    assert scratchpad_temp_c(pad(0x07FF)) is Fault.LOW_POWER
    assert scratchpad_temp_c(pad(0x07FF, byte_6=0x0C)) is Fault.LOW_POWER


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"123456789", 0xA1),  # check value in the CRC catalogues
        (bytes.fromhex("021CB801000000"), 0xA2),  # Maxim application note 27, the ROM example
        (bytes.fromhex("1212A2145F12AA12"), 0x6D),  # published; computed
        (bytes.fromhex("28A2D984000001"), 0x08),  # computed
        (bytes.fromhex("72014B467FFF0E10"), 0x57),
        (bytes.fromhex("73014B467FFF0D10"), 0x41),
        (bytes.fromhex("1D014B467FFF0C10"), 0xDD),
        (bytes.fromhex("51014B467FFF0C10"), 0xAB),
        (bytes.fromhex("50054B467FFF0C10"), 0x1C),  # computed
        (bytes.fromhex("FF074B467FFF0C10"), 0xA6),  # computed
        (bytes.fromhex("5EFF4B467FFF0210"), 0xB6),  # computed
        (bytes(8), 0x00),
        (b"\xff" * 8, 0xC9),
    ],
)
def test_crc_vectors(data: bytes, crc: int) -> None:
    """Published CRCs come out, agree with the reference library, and bring the CRC to zero."""
    assert crc8(data) == crc == crccheck.Crc8Maxim.calc(data)
    assert crc8(data + bytes([crc])) == 0


@given(st.binary(max_size=40))
def test_crc_is_the_reference_crc(data: bytes) -> None:
    """For any bytes our CRC is the reference library's."""
    assert crc8(data) == crccheck.Crc8Maxim.calc(data)


@pytest.mark.parametrize(
    ("text", "temp_c"),
    [
        ("72 01 4b 46 7f ff 0e 10 57", 23.125),
        ("73 01 4b 46 7f ff 0d 10 41", 23.1875),
        ("1d 01 4b 46 7f ff 0c 10 dd", 17.8125),
        ("51 01 4b 46 7f ff 0c 10 ab", 21.0625),
    ],
)
def test_scratchpads_seen_in_public(text: str, temp_c: float) -> None:
    """Whole scratchpads from public reports read as the temperatures printed with them."""
    assert scratchpad_temp_c(bytes.fromhex(text)) == temp_c


@pytest.mark.parametrize(
    ("config", "temp_c"), [(0x1F, -25.5), (0x3F, -25.25), (0x5F, -25.125), (0x7F, -25.0625)]
)
def test_undefined_bits_are_cleared(config: int, temp_c: float) -> None:
    """At 9, 10, 11 and 12 bits the datasheet leaves 3, 2, 1 and 0 low bits undefined."""
    assert scratchpad_temp_c(pad(0xFE6F, config=config)) == temp_c


@pytest.mark.parametrize("config", [0x1F, 0x3F, 0x5F, 0x7F])
def test_low_power_at_every_resolution(config: int) -> None:
    """The insufficient-power value is known whatever the undefined bits hold."""
    assert scratchpad_temp_c(pad(0x07FF, config=config)) is Fault.LOW_POWER
    assert scratchpad_temp_c(pad(0x07F8, config=0x1F)) is Fault.LOW_POWER


def test_power_on_value_and_true_85() -> None:
    """85 °C with byte 6 = 0Ch is the power-on pattern (as in w1_therm.c); with 10h it is hot."""
    assert scratchpad_temp_c(bytes.fromhex("50054B467FFF0C101C")) is Fault.POWER_ON
    assert scratchpad_temp_c(pad(0x0550)) == 85.0
    assert scratchpad_temp_c(pad(0x0551)) == 85.0625


@pytest.mark.parametrize("raw", [0x07D1, 0x07E0, 0xFC8F, 0xFC00, 0x8000, 0x7FFF])
def test_outside_the_range_of_the_part(raw: int) -> None:
    """The part measures from -55 to +125 °C; no other value can be true."""
    assert scratchpad_temp_c(pad(raw)) is Fault.RANGE


def test_all_zero_scratchpad_passes_the_crc_and_means_nothing() -> None:
    """Nine zero bytes have a right CRC and read 0.000 °C; a real part's config byte is never 0."""
    assert crc8(bytes(9)) == 0
    assert w1_slave_temp_c(w1(bytes(9))) is Fault.BLANK


def test_idle_bus_fails_the_crc() -> None:
    """Nine FFh, an idle bus, fail the CRC."""
    assert scratchpad_temp_c(b"\xff" * 9) is Fault.CRC


def test_yes_is_needed() -> None:
    """On NO the kernel's t= comes from the bad bytes, so nothing in the text is a reading."""
    good = pad(0x0191)
    assert w1_slave_temp_c(w1(good, milli=25062)) == 25.0625
    assert w1_slave_temp_c(w1(good, verdict="NO", milli=25062)) is Fault.CRC


def test_t_is_never_used() -> None:
    """The bytes count, whatever t= says."""
    assert w1_slave_temp_c(w1(pad(0x0191), milli=99999)) == 25.0625


@pytest.mark.parametrize("text", ["", "\n", "   \n \n"])
def test_empty_file(text: str) -> None:
    """Newer kernels hand out an empty file for a failed conversion: that is its own fault."""
    assert w1_slave_temp_c(text) is Fault.EMPTY


@pytest.mark.parametrize("flip", range(72))
def test_any_flipped_bit_is_caught(flip: int) -> None:
    """A CRC-8 finds every single wrong bit, also when the kernel's YES is wrong."""
    data = bytearray(pad(0x0191))
    data[flip // 8] ^= 1 << flip % 8
    assert w1_slave_temp_c(w1(bytes(data))) is Fault.CRC


def test_cut_text_is_never_a_reading() -> None:
    """However short a read was cut, anything less than the whole first line is a fault."""
    whole = w1(pad(0x0191), milli=25062)
    first_line = whole.index("YES") + len("YES")
    assert w1_slave_temp_c(whole[:first_line]) == 25.0625
    for length in range(first_line):
        assert isinstance(w1_slave_temp_c(whole[:length]), Fault)


@given(st.text(max_size=200))
def test_any_text_is_survived(text: str) -> None:
    """No text raises, and none without nine good bytes is a reading."""
    assert isinstance(w1_slave_temp_c(text), Fault)


@given(st.binary(max_size=20))
def test_any_bytes_are_survived(data: bytes) -> None:
    """No bytes raise; what does come out is a temperature the part can measure."""
    read = scratchpad_temp_c(data)
    assert isinstance(read, Fault) or -55 <= read <= 125
