"""The valve relay and the buzzer, on every kind of pins: off unless somebody says on."""

from __future__ import annotations

import subprocess
import sys
import threading
from typing import Any

import pytest

from monitor.drivers.buzzer import Sounder
from monitor.drivers.relay import Relay
from monitor.errors import HardwareError
from monitor.simulate.pins import SimFactory

PIN = 17

active_levels = pytest.mark.parametrize("active_high", [True, False], ids=["high", "low"])


def break_writing(monkeypatch: pytest.MonkeyPatch, bench: Any) -> None:
    def broken(_: object, value: object) -> None:
        raise OSError(f"cannot write {value}")

    monkeypatch.setattr(type(bench.factory.pin(PIN)), "_set_state", broken)


@active_levels
def test_relay_from_claim_to_close(bench: Any, active_high: bool) -> None:
    """Created released; on and off at its own level; gone from the pin when closed."""
    relay = Relay(pin=PIN, factory=bench.factory, active_high=active_high)
    assert bench.output(PIN) is not active_high
    assert bench.output(PIN) is not None
    assert not relay.energised
    relay.energise()
    assert bench.output(PIN) is active_high
    assert relay.energised
    relay.release()
    relay.release()
    assert bench.output(PIN) is not active_high
    assert not relay.energised
    relay.energise()
    relay.close()
    relay.close()
    assert bench.output(PIN) is None
    assert not relay.energised


@active_levels
def test_energised_is_read_back(bench: Any, active_high: bool) -> None:
    """What counts is the level of the pin, not what was last asked of it."""
    relay = Relay(pin=PIN, factory=bench.factory, active_high=active_high)
    relay.energise()
    bench.factory.pin(PIN).state = not active_high
    assert not relay.energised
    relay.close()


@active_levels
def test_claiming_never_passes_through_on(active_high: bool) -> None:
    """From the claim to the close, a relay that nobody energised is never on, whatever the pull."""
    heard: list[bool | None] = []
    factory = SimFactory(lambda: 0.0, on_output=lambda pin, level, at_s: heard.append(level))
    for pull in ("up", "down"):
        factory.pin(PIN).input_with_pull(pull)
        relay = Relay(pin=PIN, factory=factory, active_high=active_high)
        relay.release()
        relay.close()
    assert heard
    assert active_high not in heard
    assert heard[-1] is None


def test_release_from_many_threads(bench: Any) -> None:
    """Any thread may release at any moment, also one that races with close."""
    relay = Relay(pin=PIN, factory=bench.factory)
    failures: list[BaseException] = []

    def hammer() -> None:
        try:
            for _ in range(300):
                relay.release()
        except BaseException as error:  # noqa: BLE001 - the test asserts that there is none
            failures.append(error)

    threads = [threading.Thread(target=hammer) for _ in range(8)]
    relay.energise()
    for thread in threads:
        thread.start()
    relay.close()
    for thread in threads:
        thread.join()
    assert failures == []
    assert bench.output(PIN) is None


def test_closed_relay_cannot_be_energised(bench: Any) -> None:
    """After close there is no way back: energise is an error, and the pin stays free."""
    relay = Relay(pin=PIN, factory=bench.factory)
    relay.close()
    with pytest.raises(HardwareError, match=f"GPIO {PIN}"):
        relay.energise()
    assert bench.output(PIN) is None
    relay.release()


def test_pin_in_use_is_refused(bench: Any) -> None:
    """Two outputs on one pin are an error that names the pin."""
    relay = Relay(pin=PIN, factory=bench.factory)
    with pytest.raises(HardwareError, match=rf"GPIO {PIN}.*already in use"):
        Sounder(pin=PIN, factory=bench.factory)
    relay.close()


def test_failed_write_lets_the_line_go(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """If off cannot be written, the pin becomes an input: the pull on the relay then decides."""
    relay = Relay(pin=PIN, factory=bench.factory)
    relay.energise()
    break_writing(monkeypatch, bench)
    relay.release()
    assert bench.output(PIN) is None
    assert not relay.energised
    assert "cannot be switched off" in caplog.text
    with pytest.raises(HardwareError, match="could not be switched on"):
        relay.energise()
    relay.close()


def test_unreadable_relay_counts_as_energised(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """When nobody can tell, the valve may be open: that is said, and logged once."""

    def broken(_: object) -> bool:
        raise OSError("cannot read")

    relay = Relay(pin=PIN, factory=bench.factory)
    with monkeypatch.context() as patch:
        patch.setattr(type(bench.factory.pin(PIN)), "_get_state", broken)
        assert relay.energised
        assert relay.energised
    assert caplog.text.count("cannot be read back") == 1
    assert not relay.energised
    relay.close()


def test_nothing_works_and_nothing_raises(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Release and close keep quiet even when the pin fails in every way."""

    def broken(*_: object) -> None:
        raise OSError("dead")

    relay = Relay(pin=PIN, factory=bench.factory)
    line = type(bench.factory.pin(PIN))
    with monkeypatch.context() as patch:
        patch.setattr(line, "_set_state", broken)
        patch.setattr(line, "_set_function", broken)
        relay.release()
        relay.close()
    assert not relay.energised


@pytest.mark.parametrize("ending", ["", "raise SystemExit(3)", "raise ValueError('crash')"])
def test_relay_is_released_when_the_program_ends(ending: str) -> None:
    """Running off the end, exiting or crashing releases the relay and gives the pin back."""
    program = f"""
import sys
from monitor.drivers.relay import Relay
from monitor.simulate.pins import SimFactory

def tell(pin, level, at_s):
    print(level, file=sys.stdout, flush=True)

Relay(pin={PIN}, factory=SimFactory(lambda: 0.0, on_output=tell)).energise()
{ending}
"""
    result = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=30
    )
    assert result.stdout.split() == ["False", "True", "False", "None"]


@active_levels
def test_buzzer(bench: Any, active_high: bool) -> None:
    """Silent when made, sounds on demand, silent and free when closed."""
    buzzer = Sounder(pin=PIN, factory=bench.factory, active_high=active_high)
    assert bench.output(PIN) is not active_high
    assert not buzzer.sounding
    buzzer.sound(True)
    assert bench.output(PIN) is active_high
    assert buzzer.sounding
    buzzer.sound(False)
    assert bench.output(PIN) is not active_high
    buzzer.sound(True)
    buzzer.close()
    assert bench.output(PIN) is None


def test_dead_buzzer_never_raises(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A buzzer that cannot sound is logged once and keeps nobody from shutting a valve."""
    buzzer = Sounder(pin=PIN, factory=bench.factory)
    break_writing(monkeypatch, bench)
    buzzer.sound(True)
    buzzer.sound(True)
    buzzer.sound(False)
    assert caplog.text.count("stays silent") == 1
    buzzer.close()
