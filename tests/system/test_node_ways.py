"""A node with a valve and a drain: each way has its own guard, and never both are open."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import product
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.app import Surroundings, node_of, sensors_of, trips_of
from monitor.cli.common import sample_text
from monitor.clock import MonotonicClock
from monitor.config import Drain, loads
from monitor.config.parts import Float
from monitor.core import guard as guard_core
from monitor.core.exchange import AlarmNotice, Presence, Way, Withdraw
from monitor.core.guard import GuardPhase
from monitor.core.limits import DEFAULTS
from monitor.core.reading import Kind, Sample
from support.rigs import until
from support.twoway import RELAYS, STATION, TRIPS, TwoWay

# Readings far oftener than a config may ask for, and the shortest permit: short tests.
LIVELY = replace(DEFAULTS, reading_period_s=0.05, permit_ttl_s=1.0, suspect_s=0.5)
OTHER = {Way.IN: Way.OUT, Way.OUT: Way.IN}
both_ways = pytest.mark.parametrize("way", list(Way))


def lively(**more: Any) -> TwoWay:
    return TwoWay(limits=more.pop("limits", LIVELY), **more)


# --- leave for one way is leave for no other ---


@both_ways
async def test_a_permit_opens_its_own_way_and_no_other(way: Way) -> None:
    """A permit for one way energises that relay alone; the packs say which one is on, and only
    that way's guard has anything to report.
    """
    async with lively() as node:
        await node.opened("f1", way)
        assert not node.on(OTHER[way])
        await node.heard()
        assert (node.packs[-1].valve_open, node.packs[-1].drain_open) == (
            way is Way.IN,
            way is Way.OUT,
        )
        assert (node.last(way).valve_open, node.last(way).fill) == (True, "f1")
        assert (node.last(OTHER[way]).valve_open, node.last(OTHER[way]).fill) == (False, None)
        assert node.gate(OTHER[way]).state.phase is GuardPhase.SHUT


@both_ways
async def test_the_end_of_one_way_is_not_the_end_of_the_other(way: Way) -> None:
    """A withdrawal shuts the way it names. One for the other way changes nothing here, even when
    it names the same fill, and spends that fill there alone.
    """
    async with lively() as node:
        await node.opened("f1", way)
        node.withdraw("f1", OTHER[way])
        await until(lambda: "f1" in node.gate(OTHER[way]).state.spent)
        await node.heard()
        assert node.on(way)
        node.leave()
        node.withdraw("f1", way)
        await until(lambda: not node.on(way))
        await until(lambda: not node.last(way).valve_open)
        assert node.last(way).cause is None  # the engine's own doing


async def test_a_node_without_a_drain_takes_no_leave_to_drain() -> None:
    """Where no drain is fitted a permit to drain opens nothing, least of all the valve, and a
    withdrawal of one shuts nothing.
    """
    async with lively(drain=False) as node:
        node.lead("f1", Way.OUT)
        await node.heard()
        assert not node.on(Way.IN)
        node.leave()
        await node.opened("f2", Way.IN)
        node.withdraw("f2", Way.OUT)
        await node.heard()
        assert node.on(Way.IN)
        assert not any(pack.drain_open for pack in node.packs)
        assert {report.way for report in node.reports} == {Way.IN}


@both_ways
async def test_one_fill_after_the_other_may_go_both_ways(way: Way) -> None:
    """Once one way has ended, the other opens: nothing of the first is held against it."""
    async with lively() as node:
        await node.opened("f1", way)
        node.leave()
        node.withdraw("f1", way)
        await until(lambda: not node.on(way))
        await node.opened("f2", OTHER[way])
        await node.heard()
        assert node.on(OTHER[way])
        assert not node.on(way)
        assert not node.sounding


# --- never both ---


@both_ways
async def test_leave_for_both_ways_at_once_is_leave_for_none(way: Way) -> None:
    """With one way open, a permit for the other shuts both at once and for good: neither fill
    opens anything again, both guards say C12, people hear of it here. A new fill alone may open.
    """
    async with lively() as node:
        seen = [False]
        relays = [node.factory.pin(pin) for pin in RELAYS.values()]
        for pin in relays:
            change = pin._change_state

            def changed(value: bool, change: Any = change) -> Any:
                done = change(value)
                seen[0] = seen[0] or all(each.state for each in relays)
                return done

            pin._change_state = changed
        await node.opened("f1", way)
        node.lead("f2", OTHER[way])
        await until(lambda: not node.on(way))
        await node.heard()
        assert not node.on(way)
        assert not node.on(OTHER[way])
        assert not seen[0], "both relays were on"
        for each, fill in ((way, "f1"), (OTHER[way], "f2")):
            assert node.gate(each).state.cause == "C12"
            assert (node.last(each).valve_open, node.last(each).fill) == (False, fill)
            assert node.last(each).cause == "C12"
        assert node.sounding
        node.leave()
        await node.opened("f3", OTHER[way])


@both_ways
async def test_a_paused_way_leaves_the_other_free_and_cannot_come_back_into_it(way: Way) -> None:
    """In a hold the relay is off, so the other way may open; if the first fill then goes on, both
    are shut.
    """
    async with lively() as node:
        await node.opened("f1", way)
        node.leave()
        node.gate(way).act(_hold(node, "f1", way), time.monotonic())
        assert not node.on(way)
        await node.opened("f2", OTHER[way])
        node.lead("f1", way)
        await until(lambda: not node.on(OTHER[way]))
        await node.heard()
        assert [node.gate(each).state.cause for each in Way] == ["C12", "C12"]
        assert not node.on(way)


def _hold(node: TwoWay, fill: str, way: Way) -> Any:
    seq = node.gate(way).state.seq + 1
    return Withdraw(STATION, "e0", seq, "b0", fill, "T01", True, way)


@both_ways
async def test_a_relay_that_reads_as_on_keeps_the_other_way_shut(
    way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A relay that cannot be read counts as on (the driver says so), so the other way stays shut
    although its own guard has leave.
    """
    async with lively() as node:
        monkeypatch.setattr(type(node.gate(way).relay), "energised", _unreadable(RELAYS[way]))
        node.lead("f1", OTHER[way])
        await node.heard()
        assert not node.on(OTHER[way])
        assert node.gate(OTHER[way]).state.cause == "C12"


def _unreadable(pin: int) -> property:
    """Return the property of a relay that reads as on whatever it is."""

    def energised(self: Any) -> bool:
        device = self._output._device
        return bool(device.pin.info.name == f"GPIO{pin}" or device.value)

    return property(energised)


# --- what shuts which way ---

STOPS = {
    ("high", Way.IN): "mark",
    ("over", Way.IN): "W01",
    ("sump", Way.IN): "W08",
    ("floor", Way.IN): "W06",
    ("low", Way.OUT): "low-mark",
    ("store", Way.OUT): "W21",
    ("floor", Way.OUT): "W06",
}
SENSORS = ("high", "over", "sump", "low", "store", "floor")


@pytest.mark.parametrize(("sensor", "way"), list(product(SENSORS, Way)))
async def test_each_sensor_shuts_the_way_it_must_and_no_other(sensor: str, way: Way) -> None:
    """Water too high does not stop a drain, water too low does not stop a fill, a wet floor stops
    both. The guard shuts by itself, with the sensor's own cause, and no pack says that the sensor
    has tripped and its relay is on: it is off within the very pass that finds out.
    """
    cause = STOPS.get((sensor, way))
    async with lively() as node:
        await node.opened("f1", way)
        if sensor == "floor":
            node.wet()
        else:
            node.trip(sensor)
        await until(lambda: _value(node, sensor) == 1.0)
        if cause is None:
            await node.heard()
            assert node.on(way)
            return
        await until(lambda: not node.last(way).valve_open)
        assert node.last(way).cause == node.gate(way).state.cause == cause
        assert not [
            pack
            for pack in node.packs
            if (pack.valve_open or pack.drain_open) and _said(pack.samples, sensor) == 1.0
        ]
        assert node.sounding == (cause not in ("mark", "low-mark"))
        await node.heard()
        assert not node.on(way)  # the permits have gone on all the while


def _said(samples: tuple[Sample, ...], sensor: str) -> float | None:
    return next(sample.value for sample in samples if sample.sensor == sensor)


def _value(node: TwoWay, sensor: str) -> float | None:
    return _said(node.packs[-1].samples, sensor)


async def test_a_wet_probe_blocks_both_ways_until_it_is_dry() -> None:
    """A wet floor shuts the way that is open and keeps the other one shut; dry again, neither opens
    for the old fill, and both do for new ones.
    """
    async with lively() as node:
        await node.opened("f1", Way.OUT)
        node.wet()
        await until(lambda: not node.on(Way.OUT))
        assert [gate.state.phase for gate in node.node.gates.values()] == [GuardPhase.BLOCKED] * 2
        node.lead("f2", Way.IN)
        await node.heard()
        assert not node.on(Way.IN)
        node.leave()
        node.wet(on=False)
        await until(lambda: all(not gate.trip for gate in node.node.gates.values()))
        node.permit("f1", Way.OUT)
        await node.heard(2)
        assert not node.on(Way.OUT)
        await node.opened("f3", Way.OUT)


async def test_the_low_float_of_a_tank_that_is_empty_is_no_alarm() -> None:
    """Water below the low mark is where a drain has brought it: a drain does not begin, a fill
    does, and nothing sounds.
    """
    async with lively() as node:
        node.trip("low")
        await until(lambda: node.gate(Way.OUT).trip == "low-mark")
        node.lead("f1", Way.OUT)
        await node.heard()
        assert not node.on(Way.OUT)
        node.leave()
        await node.opened("f2", Way.IN)
        assert not node.sounding


@pytest.mark.parametrize(("sensor", "way", "cause"), [
    ("high", Way.IN, "S01"),
    ("over", Way.IN, "S01"),
    ("sump", Way.IN, "W08"),
    ("floor", Way.IN, "S02"),
    ("low", Way.OUT, "W23"),
    ("store", Way.OUT, "W21"),
    ("floor", Way.OUT, "S02"),
])  # fmt: skip
async def test_a_sensor_that_cannot_be_read_shuts_its_way(
    sensor: str, way: Way, cause: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sensor that has nothing to say is as good as a tripped one, and sounds."""
    async with lively() as node:
        await node.opened("f1", way)
        driver = next(each for each in node.sensors if each.id == sensor)
        monkeypatch.setattr(driver, "_read", lambda: None)
        await until(lambda: not node.on(way))
        await until(lambda: not node.last(way).valve_open)
        assert node.last(way).cause == cause
        assert node.sounding


async def test_the_worst_of_several_trips_is_the_one_told() -> None:
    """A wet floor outranks a full waste vessel, which outranks an end that was to be expected."""
    gate = TwoWay().gate(Way.OUT)

    def look(*tripped: str) -> str:
        gate.look([Sample(name, Kind.FLOAT, 0.0, float(name in tripped)) for name in SENSORS])
        return gate.trip

    assert look() == ""
    assert look("low") == "low-mark"
    assert look("low", "store") == look("store", "low") == "W21"
    assert look("low", "store", "floor") == "W06"
    unread = [Sample(name, Kind.FLOAT, 0.0, None) for name in ("low", "store")]
    assert gate.look(unread)
    assert gate.trip == "W21"
    assert not gate.look(unread)  # no news
    assert gate.look([Sample("low", Kind.FLOAT, 0.0, 1.0), Sample("floor", Kind.LEAK, 0.0, None)])
    assert gate.trip == "S02"  # a fault outranks an end too


async def test_a_trip_sounds_with_nothing_running() -> None:
    """A full sump or a wet floor is told beside the tank although no way was open. A waste vessel
    that is full and stands there is not: who wants to drain is told then.
    """
    async with lively() as node:
        assert not node.sounding
        node.trip("store")
        await until(lambda: node.gate(Way.OUT).trip == "W21")
        await node.heard()
        assert not node.sounding
        node.trip("sump")
        await until(lambda: node.sounding)
        node.trip("sump", on=False)
        await until(lambda: not node.sounding)
        node.wet()
        await until(lambda: node.sounding)


async def test_an_alarm_the_engine_has_taken_over_is_sounded_by_its_word() -> None:
    """Once the engine has spoken, the sounder is the engine's; a new trip of either way takes it
    back.
    """
    async with lively() as node:
        await node.opened("f1", Way.OUT)
        node.trip("store")
        await until(lambda: node.sounding)
        node.leave()
        node.engine.send(AlarmNotice(STATION, {"sound": False}))
        await until(lambda: not node.sounding)
        await node.heard()
        assert not node.sounding  # the same trip is no news
        node.trip("over")
        await until(lambda: node.sounding)


# --- silence, stalls and faults ---


@both_ways
async def test_silence_shuts_either_way(way: Way) -> None:
    """Hazard C02: with no permit coming and the broker answering, the relay is let go within the
    permit's life, and the guard of that way names the engine.
    """
    async with lively() as node:
        await node.opened("f1", way)
        node.leave()
        began_s = time.monotonic()
        await until(lambda: not node.on(way))
        assert time.monotonic() - began_s <= LIVELY.permit_ttl_s + 0.3
        await until(lambda: not node.last(way).valve_open)
        assert node.last(way).cause == "C02"
        assert [each.role for each in node.presences if each.online].count("node") >= 2  # asked


@both_ways
async def test_a_permit_ends_on_time_between_two_readings(way: Way) -> None:
    """The end of a permit does not wait for the next pass, be it the drain's or the valve's."""
    async with lively(limits=replace(LIVELY, reading_period_s=4.0)) as node:
        await node.opened("f1", way)
        node.leave()
        began_s, packs = node.packs[-1].uptime_s, len(node.packs)
        await until(lambda: not node.on(way))
        assert time.monotonic() - began_s <= LIVELY.permit_ttl_s + 0.3
        assert len(node.packs) == packs


@both_ways
async def test_a_blocked_loop_lets_go_of_either_relay(way: Way) -> None:
    """Hazard C06: the one watch lets the drain go as it does the valve while the loop stands
    still, and afterwards neither way opens for a fill of before.
    """
    stall_s = 0.5
    async with lively(limits=replace(LIVELY, loop_stall_s=stall_s)) as node:
        await node.opened("f1", way)
        time.sleep(stall_s + 0.5 + 0.3)  # noqa: ASYNC251 - blocking the loop is the point
        assert not node.on(way), "the watch's own thread has not let go"
        await node.heard()
        assert not node.on(way)
        assert [gate.state.cause for gate in node.node.gates.values()].count("C06") == 1
        assert node.gate(way).state.cause == "C06"
        assert node.last(way).cause == "C06"


@both_ways
async def test_a_release_that_fails_keeps_no_other_relay_on(
    way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shutting one way needs nothing of the other: with one relay's release raising, the watch lets
    the other one go all the same.
    """
    stall_s = 0.5

    def failing() -> None:
        raise OSError("put in by a test")

    monkeypatch.setattr("threading.excepthook", lambda _details: None)
    async with lively(limits=replace(LIVELY, loop_stall_s=stall_s)) as node:
        await node.opened("f1", way)
        with monkeypatch.context() as patch:
            patch.setattr(node.gate(OTHER[way]).relay, "release", failing)
            time.sleep(stall_s + 0.5 + 0.3)  # noqa: ASYNC251 - blocking the loop is the point
            assert not node.on(way)


@both_ways
async def test_an_error_in_a_guard_lets_both_relays_go(
    way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exception while one guard is stepped shuts the other way too, and the node lives on."""
    step, struck = guard_core.step, []

    def failing(state: Any, given: Any, *rest: Any) -> Any:
        if getattr(given, "fill", "") == "f2" and not struck:
            struck.append(given)
            raise RuntimeError("put in by a test")
        return step(state, given, *rest)

    async with lively() as node:
        await node.opened("f1", way)
        monkeypatch.setattr(guard_core, "step", failing)
        node.permit("f2", OTHER[way])
        await until(lambda: bool(struck))
        await until(lambda: not node.on(way))
        await node.heard()
        assert not node.on(Way.IN)
        assert not node.on(Way.OUT)
        assert node.gate(way).state.cause == "C06"
        assert not node.running.done()


@both_ways
async def test_a_guard_that_fails_for_ever_ends_the_node_with_both_ways_shut(
    way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where not even a failure can be stepped, every relay is let go all the same."""

    def failing(*_: Any) -> Any:
        raise RuntimeError("put in by a test")

    async with lively() as node:
        await node.opened("f1", way)
        monkeypatch.setattr(guard_core, "step", failing)
        await until(node.running.done)
        assert not node.on(Way.IN)
        assert not node.on(Way.OUT)
        with pytest.raises(RuntimeError, match="put in by a test"):
            await node.running


@both_ways
async def test_a_node_that_ends_shuts_both_ways_and_says_so(way: Way) -> None:
    """An orderly end lets go of the relay before the node is gone, with the cause C05."""
    async with lively() as node:
        await node.opened("f1", way)
        node.stop.set()
        await until(node.running.done)
        assert not node.on(way)
        await until(lambda: not node.last(way).valve_open)
        assert node.last(way).cause == "C05"


# --- what it says of itself ---


async def test_both_guards_are_told_anew_after_a_lost_connection() -> None:
    """A broker that comes back hears of both ways, whether or not anything has changed."""
    async with lively() as node:
        await until(lambda: {report.way for report in node.reports} == set(Way))
        node.reports.clear()
        node.hub.drop("node")
        await until(lambda: {report.way for report in node.reports} == set(Way))


@pytest.mark.parametrize("simulated", [True, False])
async def test_a_node_on_pins_that_are_not_there_says_so(simulated: bool) -> None:
    """The presence that a node sends by itself says whether its pins are simulated (hazard P05)."""
    async with lively(simulated=simulated) as node:
        await node.opened("f1", Way.IN)
        node.presences.clear()
        node.leave()
        await until(lambda: bool(node.presences))  # it asks whose silence this is
        assert node.presences == [Presence(STATION, "node", "b0", True, simulated)]


# --- as it is put together ---


@pytest.mark.parametrize(("by", "has_gate"), [("valve", True), ("pump", True), ("hose", False)])
async def test_a_config_with_a_drain_makes_a_node_with_two_gates(by: Any, has_gate: bool) -> None:
    """A drain's valve or pump has a relay of its own, released at once and on the pin that the
    config says; a hose has none. Each way is given the sensors that stop it.
    """
    config = loads(sample_text(), "sample")
    roles = {"over": 10, "sump_high": 9, "sump_low": 19, "low": 11, "storage_full": 6}
    floats: dict[str, Any] = {
        role: Float(kind="float", role=role, pin=pin)  # type: ignore[arg-type]
        for role, pin in roles.items()
    }
    station = config.stations[STATION]
    pin = None if by == "hose" else 5
    station = replace(station, drain=Drain(by=by, pin=pin), sensors={**station.sensors, **floats})
    factory = MockFactory()
    around = Surroundings(url="mqtt://127.0.0.1:1", clock=MonotonicClock(), simulated=True)
    node = node_of(config, station, factory, around, sensors_of(config, station, factory))
    try:
        assert list(node.gates) == ([Way.IN, Way.OUT] if has_gate else [Way.IN])
        if has_gate:
            node.gates[Way.OUT].relay.energise()
            assert factory.pin(5).state
            assert not factory.pin(station.valve.pin).state
        names = {"float_high": "high", "sump_high": "sump", "storage_full": "store"}
        for way, trips in trips_of(station).items():
            assert {names.get(name, name): trip for name, trip in trips.items()} == TRIPS[way]
            assert has_gate is (way in node.gates) or way is Way.IN
    finally:
        for gate in node.gates.values():
            gate.relay.close()
        assert node._buzzer is not None
        node._buzzer.close()


async def test_a_node_whose_sensors_have_not_spoken_is_blocked_both_ways() -> None:
    """Before the first pass nothing is known to be well, so nothing may open."""
    node = TwoWay()
    assert [gate.state.phase for gate in node.node.gates.values()] == [GuardPhase.BLOCKED] * 2
    assert not node.on(Way.IN)
    assert not node.on(Way.OUT)
