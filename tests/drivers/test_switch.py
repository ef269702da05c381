"""Float switches and leak probes, on every kind of pins."""

from __future__ import annotations

import asyncio
import logging
import math
import threading
from collections.abc import Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest

from monitor.core.debounce import Debounce
from monitor.core.reading import Fault, Kind, Sample
from monitor.drivers.switch import POLL_S, FloatSwitch, LeakProbe, Switch
from monitor.errors import HardwareError

PIN = 22
SLACK_S = 1e-6  # simulated time is exact but for rounding

Simulated = Callable[[Any], None]


@asynccontextmanager
async def entered(bench: Any, switch: Switch, high: bool):
    """Enter a switch whose wire is at a level from the moment its pull-up comes on."""
    asyncio.get_running_loop().call_later(0.005, bench.drive, PIN, high)
    async with switch:
        yield switch


def low_float(bench: Any) -> FloatSwitch:
    return FloatSwitch(sensor_id="main", pin=PIN, factory=bench.factory)


class Log:
    """The samples a watcher was given, with the loop's time of each."""

    def __init__(self, switch: Switch) -> None:
        self.heard: list[tuple[float, Sample]] = []
        switch.watch(self.hear)

    def hear(self, sample: Sample) -> None:
        self.heard.append((asyncio.get_running_loop().time(), sample))

    @property
    def values(self) -> list[float | None]:
        return [sample.value for _, sample in self.heard]


@pytest.mark.parametrize(("high", "value"), [(False, 0.0), (True, 1.0)])
def test_first_state_is_read_at_the_start(
    bench: Any, simulated: Simulated, high: bool, value: float
) -> None:
    """A loop that is already open or closed gives no edge, and is known all the same."""

    async def story() -> None:
        async with entered(bench, low_float(bench), high) as switch:
            assert (switch.id, switch.kind) == ("main", Kind.FLOAT)
            assert switch.sample(7.0) == Sample("main", Kind.FLOAT, 7.0, value)

    simulated(story())


def test_open_loop_trips_after_its_hold(bench: Any, simulated: Simulated) -> None:
    """High water or a broken wire is told after hold_s, and its end after release_s."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        async with entered(bench, low_float(bench), False) as switch:
            log = Log(switch)
            began_s = loop.time()
            bench.drive(PIN, True)
            await asyncio.sleep(5)
            bench.drive(PIN, False)
            await asyncio.sleep(5)
        assert log.values == [1.0, 0.0]
        assert log.heard[0][0] - began_s == pytest.approx(0.5, abs=SLACK_S)
        assert log.heard[1][0] - began_s == pytest.approx(6.0, abs=SLACK_S)
        assert log.heard[0][1].at_s == log.heard[0][0]

    simulated(story())


@pytest.mark.parametrize("wet_when", ["closed", "open"])
def test_leak_is_told_within_its_second(bench: Any, simulated: Simulated, wet_when: str) -> None:
    """Either kind of probe is told wet 0.2 s after the water, and dry before it."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        wet = wet_when == "open"
        probe = LeakProbe(sensor_id="floor", pin=PIN, factory=bench.factory, wet_when=wet_when)
        async with entered(bench, probe, not wet) as switch:
            log = Log(switch)
            assert switch.sample(0.0).value == 0.0
            assert switch.kind is Kind.LEAK
            began_s = loop.time()
            bench.drive(PIN, wet)
            await asyncio.sleep(1)
        assert log.values == [1.0]
        assert log.heard[0][0] - began_s == pytest.approx(0.2, abs=SLACK_S)

    simulated(story())


@pytest.mark.parametrize(
    ("driver", "bound_s"), [(FloatSwitch, 1.75), (LeakProbe, 0.6)], ids=["float", "leak"]
)
def test_chatter_cannot_starve_the_trip(
    bench: Any, simulated: Simulated, driver: type[Switch], bound_s: float
) -> None:
    """Toggling every 30 ms, a contact trips bound_s after its first edge at the latest."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        switch = driver(sensor_id="main", pin=PIN, factory=bench.factory)
        quiet = driver is LeakProbe
        async with entered(bench, switch, quiet):
            log = Log(switch)
            began_s = loop.time()
            level = quiet
            while loop.time() < began_s + 4:
                level = not level
                bench.drive(PIN, level)
                await asyncio.sleep(0.03)
        assert log.values == [1.0]
        assert log.heard[0][0] - began_s == pytest.approx(bound_s, abs=SLACK_S)

    simulated(story())


def test_splash_is_no_trip(bench: Any, simulated: Simulated) -> None:
    """One short contact is forgotten: no false alarm."""

    async def story() -> None:
        async with entered(bench, low_float(bench), False) as switch:
            log = Log(switch)
            for _ in range(20):
                bench.drive(PIN, True)
                await asyncio.sleep(0.1)
                bench.drive(PIN, False)
                await asyncio.sleep(3)
            assert switch.sample(0.0).value == 0.0
        assert log.values == []

    simulated(story())


def test_contact_shorter_than_the_loop_counts_as_chatter(bench: Any, simulated: Simulated) -> None:
    """Contacts that are over before the loop looks still add up to a trip within the bound."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        async with entered(bench, low_float(bench), False) as switch:
            log = Log(switch)
            began_s = loop.time()
            while loop.time() < began_s + 3:
                bench.drive(PIN, True)
                bench.drive(PIN, False)
                await asyncio.sleep(0.2)
        assert log.values[0] == 1.0
        assert log.heard[0][0] - began_s == pytest.approx(1.75, abs=SLACK_S)

    simulated(story())


def test_polling_steps_in_for_lost_edges(bench: Any, simulated: Simulated) -> None:
    """With no edge ever coming, a trip is late by at most one poll period."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        async with entered(bench, low_float(bench), False) as switch:
            log = Log(switch)
            bench.deafen(PIN)
            await asyncio.sleep(1.1)
            began_s = loop.time()
            bench.drive(PIN, True)
            await asyncio.sleep(2)
        assert log.values == [1.0]
        assert 0.5 <= log.heard[0][0] - began_s <= 0.5 + POLL_S + SLACK_S

    simulated(story())


def test_sample_polls_too(bench: Any, simulated: Simulated) -> None:
    """A sample looks at the pin itself, so edges and polling may both be late."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        async with entered(bench, low_float(bench), False) as switch:
            bench.deafen(PIN)
            log = Log(switch)
            bench.drive(PIN, True)
            began_s = loop.time()
            assert switch.sample(0.0).value == 0.0
            await asyncio.sleep(1)
        assert log.heard[0][0] - began_s == pytest.approx(0.5, abs=SLACK_S)

    simulated(story())


def test_storm_of_edges_asks_the_loop_once(
    bench: Any, simulated: Simulated, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten thousand edges before the loop comes round queue one call, not ten thousand."""

    async def story() -> None:
        loop = asyncio.get_running_loop()
        asked: list[object] = []
        plain = loop.call_soon_threadsafe

        def counting(callback: Any, *args: Any) -> Any:
            asked.append(callback)
            return plain(callback, *args)

        async with entered(bench, low_float(bench), False):
            monkeypatch.setattr(loop, "call_soon_threadsafe", counting)
            for _ in range(5000):
                bench.drive(PIN, True)
                bench.drive(PIN, False)
            assert len(asked) == 1
            await asyncio.sleep(0.01)
            bench.drive(PIN, True)
            assert len(asked) == 2

    simulated(story())


async def test_edges_from_another_thread(bench: Any) -> None:
    """The trip comes through when the edge is brought by a thread that is not the loop's."""
    told = asyncio.Event()
    debounce = Debounce(hold_s=0.02, bound_s=0.1, release_s=0.02)
    switch = FloatSwitch(
        sensor_id="main", pin=PIN, factory=bench.factory, debounce=debounce, poll_s=0.5
    )
    async with entered(bench, switch, False):
        switch.watch(lambda _: told.set())
        await asyncio.sleep(0.01)
        began_s = asyncio.get_running_loop().time()
        thread = threading.Thread(target=bench.drive, args=(PIN, True))
        thread.start()
        await asyncio.wait_for(told.wait(), 5)
        thread.join()
        assert switch.sample(0.0).value == 1.0
        # Half a second is the poll: sooner than that, it was the edge that brought the news.
        assert asyncio.get_running_loop().time() - began_s < 0.4


def test_unreadable_pin_is_a_fault_until_it_reads_again(
    bench: Any,
    simulated: Simulated,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A pin that fails to read is told as a fault, logged once, and comes back by itself."""

    async def story() -> None:
        async with entered(bench, low_float(bench), False) as switch:
            log = Log(switch)
            with monkeypatch.context() as patch:

                def broken(_: object) -> bool:
                    raise OSError("bus error")

                patch.setattr(type(bench.factory.pin(PIN)), "_get_state", broken)
                assert switch.sample(3.0) == Sample("main", Kind.FLOAT, 3.0, None, Fault.ERROR)
                await asyncio.sleep(2)
            await asyncio.sleep(2)
            assert switch.sample(4.0).value == 0.0
        assert [(sample.value, sample.fault) for _, sample in log.heard] == [
            (None, Fault.ERROR),
            (0.0, None),
        ]

    simulated(story())
    errors = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert len(errors) == 1
    assert f"GPIO {PIN}" in errors[0].getMessage()


def test_edge_callback_never_raises(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """With the loop gone, an edge is swallowed: an exception would silence every other pin."""
    switch = low_float(bench)
    loop = asyncio.new_event_loop()
    loop.run_until_complete(switch.__aenter__())
    loop.close()
    bench.drive(PIN, False)
    bench.drive(PIN, True)
    assert caplog.text.count("could not be handled") == 1
    switch._line.close()  # the loop that would do it is gone


def test_pin_is_claimed_and_given_back(bench: Any, simulated: Simulated) -> None:
    """A pin in use is refused with its number; once given back it can be claimed again."""

    async def story() -> None:
        first, second = low_float(bench), low_float(bench)
        assert first.sample(1.0).fault is Fault.MISSING
        async with entered(bench, first, False):
            with pytest.raises(HardwareError, match=rf"GPIO {PIN}.*already in use"):
                await second.__aenter__()
        assert first.sample(2.0).fault is Fault.MISSING
        async with entered(bench, second, False):
            assert second.sample(3.0).value == 0.0

    simulated(story())


def test_cancelled_entry_gives_the_pin_back(bench: Any, simulated: Simulated) -> None:
    """A start that is called off while the line settles leaves the pin free."""

    async def story() -> None:
        first, second = low_float(bench), low_float(bench)
        entering = asyncio.get_running_loop().create_task(first.__aenter__())
        await asyncio.sleep(0.001)
        entering.cancel()
        await asyncio.wait({entering})
        assert entering.cancelled()
        async with entered(bench, second, False):
            assert second.sample(3.0).value == 0.0

    simulated(story())


def test_no_such_pin(bench: Any, simulated: Simulated) -> None:
    """A number that is no GPIO is an error of ours that says what to do."""

    async def story() -> None:
        with pytest.raises(HardwareError, match=r"GPIO 99.*Fix: "):
            await FloatSwitch(sensor_id="main", pin=99, factory=bench.factory).__aenter__()

    simulated(story())


@pytest.mark.parametrize(
    ("driver", "debounce", "poll_s"),
    [
        (FloatSwitch, Debounce(0.8, 2.0, 1.0), 0.25),
        (FloatSwitch, Debounce(0.5, 2.8, 1.0), 0.25),
        (FloatSwitch, Debounce(0.5, 2.0, 61.0), 0.25),
        (FloatSwitch, Debounce(0.5, 2.0, 0.4), 0.25),
        (FloatSwitch, Debounce(0.5, 2.0, 1.0), 0.6),
        (FloatSwitch, Debounce(0.5, 2.0, 1.0), 0.0),
        (FloatSwitch, Debounce(math.nan, 2.0, 1.0), 0.25),
        (LeakProbe, Debounce(0.2, 0.8, 1.0), 0.25),
        (LeakProbe, Debounce(0.2, math.inf, 1.0), 0.25),
    ],
)
def test_debounce_beyond_the_hazard_bounds_is_refused(
    bench: Any, driver: type[Switch], debounce: Debounce, poll_s: float
) -> None:
    """No debounce with its polling may delay a trip past what the hazard catalogue allows."""
    with pytest.raises(HardwareError, match="allowed: "):
        driver(sensor_id="main", pin=PIN, factory=bench.factory, debounce=debounce, poll_s=poll_s)
