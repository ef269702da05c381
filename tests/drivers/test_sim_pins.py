"""The simulated pins: gpiozero's own devices work on them, on simulated time, in bounded memory."""

from __future__ import annotations

from typing import Any

import pytest
from gpiozero import Button, PinFixedPull, PinSetInput

from monitor.simulate.pins import HISTORY_MAX, SimFactory

PIN = 22


class Clock:
    now_s = 50.0


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def factory(clock: Clock) -> SimFactory:
    return SimFactory(lambda: clock.now_s)


def test_gpiozero_devices_work_on_every_kind_of_pins(bench: Any) -> None:
    """A stock gpiozero button reads and fires as on any pins."""
    button = Button(PIN, pin_factory=bench.factory)
    presses: list[str] = []
    button.when_pressed = lambda: presses.append("down")
    button.when_released = lambda: presses.append("up")
    assert not button.is_pressed
    bench.drive(PIN, False)
    assert button.is_pressed
    bench.drive(PIN, False)
    bench.drive(PIN, True)
    assert presses == ["down", "up"]
    button.close()


def test_ticks_are_simulated(factory: SimFactory, clock: Clock) -> None:
    """Edges carry the simulated time, or the very moment the world gives for them."""
    heard: list[tuple[float, bool]] = []

    def edge(ticks: float, state: bool) -> None:
        heard.append((ticks, bool(state)))

    pin = factory.pin(PIN)
    pin.input_with_pull("up")
    pin.when_changed = edge
    clock.now_s = 60.0
    pin.drive(False)
    pin.drive(True, 59.5)
    pin.pulse(59.75)
    assert heard == [(60.0, False), (59.5, True), (59.75, False), (59.75, True)]
    pin.edges = "falling"
    pin.pulse()
    assert heard[4:] == [(60.0, False)]
    assert factory.ticks_diff(factory.ticks(), 55.0) == 5.0


def test_wire_is_stronger_than_the_pull(factory: SimFactory) -> None:
    """A level the world holds survives the claim of the pin; a cut wire leaves it to the pull."""
    pin = factory.pin(PIN)
    pin.drive(False)
    pin.input_with_pull("up")
    assert pin.state == 0
    pin.undrive()
    assert pin.state == 1
    pin.pull = "down"
    assert pin.state == 0
    pin.drive(True)
    pin.pull = "down"
    assert pin.state == 1
    with pytest.raises(PinFixedPull):
        factory.pin(2).pull = "down"


def test_world_cannot_drive_an_output(factory: SimFactory) -> None:
    """Driving an output is a mistake in the wiring and is told as one."""
    pin = factory.pin(PIN)
    pin.output_with_state(True)
    with pytest.raises(PinSetInput):
        pin.drive_low()
    assert pin.state == 1


def test_outputs_are_reported_with_their_time(clock: Clock) -> None:
    """Each change of an output is heard once, with its moment; None when it is given up."""
    heard: list[tuple[int, bool | None, float]] = []
    factory = SimFactory(lambda: clock.now_s, on_output=lambda *change: heard.append(change))
    pin = factory.pin(PIN)
    pin.drive(True)
    pin.output_with_state(False)
    clock.now_s = 51.0
    pin.state = True
    pin.state = True
    clock.now_s = 52.0
    pin.state = False
    pin.close()
    assert heard == [(PIN, False, 50.0), (PIN, True, 51.0), (PIN, False, 52.0), (PIN, None, 52.0)]
    assert pin.state == 1  # the world still drives it


def test_history_is_bounded(factory: SimFactory) -> None:
    """A million pulses leave no more than a few states behind; the newest are kept."""
    pin = factory.pin(PIN)
    pin.input_with_pull("up")
    for _ in range(1000):
        pin.pulse()
    assert len(pin.states) == HISTORY_MAX
    pin.clear_states()
    pin.drive_low()
    pin.assert_states([True, False])
