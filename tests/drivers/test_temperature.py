"""DS18B20 sensors over a folder laid out as the kernel lays out its own."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.temperature import Ds18b20, list_sensors, read_w1_slave
from monitor.errors import HardwareError

ADDRESS = "28-00000b71a9e5"  # invented
PERIOD_S = 0.02


class Bus:
    """One fake sensor on a fake 1-Wire bus."""

    def __init__(self, root: Path, pad: Callable[..., bytes], text: Callable[..., str]) -> None:
        self.root = root
        self.pad = pad
        self.text = text
        self.file = root / ADDRESS / "w1_slave"
        self.file.parent.mkdir()

    def write(self, text: str) -> None:
        """Replace the file in one go, so that no read sees half of it."""
        fresh = self.root / "fresh"
        fresh.write_text(text)
        fresh.replace(self.file)

    def show(self, raw: int, **kwargs: int) -> None:
        self.write(self.text(self.pad(raw, **kwargs)))

    def sensor(self, timeout_s: float = 2.0) -> Ds18b20:
        return Ds18b20(
            sensor_id="incoming",
            address=ADDRESS,
            root=self.root,
            period_s=PERIOD_S,
            timeout_s=timeout_s,
        )


@pytest.fixture
def bus(tmp_path: Path, w1_pad: Callable[..., bytes], w1_text: Callable[..., str]) -> Bus:
    return Bus(tmp_path, w1_pad, w1_text)


def now() -> float:
    return asyncio.get_running_loop().time()


async def until(condition: Callable[[], bool]) -> None:
    """Wait until something is so, at most five seconds."""
    async with asyncio.timeout(5):
        while not condition():  # noqa: ASYNC110 - samples are asked for, they set no event
            await asyncio.sleep(PERIOD_S / 4)


async def test_reads_and_publishes(bus: Bus) -> None:
    """Each new reading is published with the time its read began, and sampled as such."""
    bus.show(0x0191)
    heard: list[Sample] = []
    began_s = now()
    async with bus.sensor() as sensor:
        assert (sensor.id, sensor.kind) == ("incoming", Kind.TEMPERATURE)
        sensor.watch(heard.append)
        assert sensor.sample(began_s).fault is Fault.MISSING
        await until(lambda: len(heard) >= 3)
        bus.show(0xFF5E)
        await until(lambda: heard[-1].value == -10.125)
        sample = sensor.sample(now())
    assert heard[0].value == 25.0625
    assert began_s <= heard[0].at_s < heard[1].at_s < heard[2].at_s
    assert (sample.value, sample.fault, sample.count) == (-10.125, None, None)
    assert sensor.sample(now()).fault is Fault.MISSING


async def test_bad_read_is_bridged_for_three_periods(bus: Bus) -> None:
    """One bad read keeps the last good value with its age; then the fault shows, and is told."""
    bus.show(0x0191)
    heard: list[Sample] = []
    async with bus.sensor() as sensor:
        await until(lambda: sensor.sample(now()).value is not None)
        sensor.watch(heard.append)
        bus.write("")
        await until(lambda: bool(heard) and heard[-1].fault is not None)
        good = [sample for sample in heard if sample.fault is None]
        last_good_s = good[-1].at_s if good else 0.0
        assert heard[-1].fault is Fault.EMPTY
        assert heard[-1].value is None
        assert heard[-1].at_s - last_good_s > 3 * PERIOD_S
        await asyncio.sleep(5 * PERIOD_S)
        assert [sample.fault for sample in heard[len(good) :]] == [Fault.EMPTY]
        bus.show(0x0191)
        await until(lambda: sensor.sample(now()).value == 25.0625)


async def test_freshness_is_exact(bus: Bus) -> None:
    """Up to three periods old a reading counts, later or from the future or at NaN it does not."""
    bus.show(0x0191)
    async with bus.sensor() as sensor:
        await until(lambda: sensor.sample(now()).value is not None)
        at_s = sensor.sample(now()).at_s
        assert sensor.sample(at_s + 2.9 * PERIOD_S) == Sample(
            "incoming", Kind.TEMPERATURE, at_s, 25.0625
        )
        for odd_s in (at_s + 3.1 * PERIOD_S, at_s - 1.0, float("nan"), float("inf")):
            assert sensor.sample(odd_s).value is None
            assert sensor.sample(odd_s).fault is not None


@pytest.mark.parametrize(
    ("raw", "byte_6", "fault"),
    [(0x0550, 0x0C, Fault.POWER_ON), (0x07FF, 0x0C, Fault.LOW_POWER), (0x07E0, 0x10, Fault.RANGE)],
)
async def test_fault_values_are_never_readings(
    bus: Bus, raw: int, byte_6: int, fault: Fault
) -> None:
    """Power-on, low-power and impossible values come out as faults, each by its name."""
    bus.show(raw, byte_6=byte_6)
    async with bus.sensor() as sensor:
        await until(lambda: sensor.sample(now()).fault is fault)


async def test_first_85_is_not_believed(bus: Bus) -> None:
    """Exactly 85 °C as the first reading is a power-on value even unmarked; the second counts."""
    bus.show(0x0550, byte_6=0x10)
    heard: list[Sample] = []
    async with bus.sensor() as sensor:
        sensor.watch(heard.append)
        await until(lambda: len(heard) >= 2)
    assert [(sample.value, sample.fault) for sample in heard[:2]] == [
        (None, Fault.POWER_ON),
        (85.0, None),
    ]


async def test_sensor_gone_and_back(bus: Bus) -> None:
    """A folder that vanishes is a missing sensor, and one that returns is read again."""
    bus.show(0x0191)
    async with bus.sensor() as sensor:
        await until(lambda: sensor.sample(now()).value is not None)
        bus.file.rename(bus.root / "away")
        await until(lambda: sensor.sample(now()).fault is Fault.MISSING)
        (bus.root / "away").rename(bus.file)
        await until(lambda: sensor.sample(now()).value == 25.0625)


async def test_hung_read_is_missing_and_costs_one_thread(bus: Bus) -> None:
    """A read that hangs times out, starts no second one, leaves the loop free, and may return."""
    os.mkfifo(bus.file)  # opening a pipe that nobody writes to blocks, as a hung bus does
    async with bus.sensor(timeout_s=0.05) as sensor:
        await asyncio.sleep(0.3)
        assert sensor.sample(now()).fault is Fault.MISSING
        hung = [thread for thread in threading.enumerate() if thread.name == "w1 read"]
        assert len(hung) == 1
        with bus.file.open("w") as pipe:  # lets the hung read go
            pipe.write(bus.text(bus.pad(0x0191)))
        hung[0].join(5)
        bus.show(0x00A2)
        await until(lambda: sensor.sample(now()).value == 10.125)


async def test_driver_failure_is_a_fault(
    bus: Bus, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """An error nobody foresaw is a fault with a log entry, and reading goes on after it."""
    bus.show(0x0191)

    def broken(_: Path) -> float:
        raise RuntimeError("unforeseen")

    async with bus.sensor() as sensor:
        with monkeypatch.context() as patch:
            patch.setattr("monitor.drivers.temperature.read_w1_slave", broken)
            await until(lambda: sensor.sample(now()).fault is Fault.ERROR)
        await until(lambda: sensor.sample(now()).value == 25.0625)
    assert "unforeseen" in caplog.text


def test_hung_read_does_not_keep_the_program_from_ending(bus: Bus) -> None:
    """A program whose read hangs for ever ends at once all the same."""
    os.mkfifo(bus.file)
    program = f"""
import asyncio, pathlib
from monitor.drivers.temperature import Ds18b20

async def main():
    async with Ds18b20(
        sensor_id="a", address="{ADDRESS}", root=pathlib.Path({str(bus.root)!r}), timeout_s=0.05
    ):
        await asyncio.sleep(0.2)

asyncio.run(main())
"""
    began_s = time.monotonic()
    subprocess.run([sys.executable, "-W", "error", "-c", program], check=True, timeout=20)
    assert time.monotonic() - began_s < 10


def test_read_never_raises(tmp_path: Path) -> None:
    """A file that is gone, a folder in its place, and bytes that are no text are all faults."""
    assert read_w1_slave(tmp_path / "gone" / "w1_slave") is Fault.MISSING
    assert read_w1_slave(tmp_path) is Fault.MISSING
    (tmp_path / "binary").write_bytes(bytes(range(256)) * 100)
    assert read_w1_slave(tmp_path / "binary") is Fault.CRC


def test_list_sensors(tmp_path: Path) -> None:
    """Only folders of family 28 with a whole address are listed, sorted; no bus gives none."""
    for name in ("28-00000b71a9e5", "28-0000000000aa", "10-000802aabbcc", "w1_bus_master1", "28-x"):
        (tmp_path / name).mkdir()
    assert list_sensors(tmp_path) == ["28-0000000000aa", "28-00000b71a9e5"]
    assert list_sensors(tmp_path / "nowhere") == []


@pytest.mark.parametrize("address", ["", "28-", "10-00000b71a9e5", "28-00000B71A9E5", "../28-0"])
def test_wrong_address_is_refused(tmp_path: Path, address: str) -> None:
    """What is no DS18B20 address is refused before any file is opened."""
    with pytest.raises(HardwareError, match="twelve lower-case hexadecimal digits"):
        Ds18b20(sensor_id="incoming", address=address, root=tmp_path)


@pytest.mark.parametrize(("period_s", "timeout_s"), [(0.0, 1.0), (1.0, 0.0), (float("nan"), 1.0)])
def test_times_must_be_above_zero(tmp_path: Path, period_s: float, timeout_s: float) -> None:
    """A period or time-out that is no time would spin."""
    with pytest.raises(HardwareError, match="above 0 s"):
        Ds18b20(
            sensor_id="incoming",
            address=ADDRESS,
            root=tmp_path,
            period_s=period_s,
            timeout_s=timeout_s,
        )
