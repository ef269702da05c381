"""Proof tests at a simulated station: the real roles, and a hand at the pins."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.config import Leak, Station
from monitor.journal.reader import JournalReader
from monitor.logs import configure
from monitor.prove.onlooker import Onlooker
from monitor.prove.runner import Result, Runner
from monitor.prove.steps import HANDS_S
from support.rehearsals import BY, Rehearsal, Volunteer, config_of, known, prove, rehearse

RIVER = ("float_high", "floor", "valve")
LONG_S = 3000.0


@pytest.fixture(autouse=True)
def _quiet() -> None:
    configure(simulated=True, level="critical")


async def unattended(stage: Rehearsal, station: Station) -> str:
    """Ask for an unattended fill; return what refuses it, or "" once it fills. Then stop it."""
    async with stage.onlooker(station) as look:
        reply = await look.ask("fill", litres=20.0, to="litres")
        assert reply.ok, reply.text

        def seen() -> str | None:
            return look.refused or ("" if look.status.get("phase") == "filling" else None)

        refused = await look.until(seen, 60.0)
        await look.ask("stop")
        return refused


def test_a_station_is_proven_and_then_fills_unattended(tmp_path: Path) -> None:
    """Claim (S11): an unattended fill is refused until float, probe and valve have been proven, and
    starts once they have; the record has each proof with its date, the initials, and that it was
    simulated.
    """
    said: list[str] = []
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        said.append(await unattended(stage, station))
        for part in RIVER:
            results.extend(await prove(stage, station, part))
            if part != RIVER[-1]:
                said.append(await unattended(stage, station))
        said.append(await unattended(stage, station))

    rehearse(work, journal=tmp_path / "record.db")
    assert [each.passed for each in results] == [True] * 3
    assert all(each.noted and each.simulated for each in results)
    for refused in said[:-1]:
        assert "was never proven" in refused
    assert said[-1] == ""
    with JournalReader(tmp_path / "record.db") as reader:
        notes = reader.notes(what="proof")
    assert [(note.part, note.by, note.simulated) for note in notes] == [
        (part, BY, True) for part in reversed(RIVER)
    ]


def test_every_part_of_a_full_station_is_proven() -> None:
    """Claim: with everything fitted each proof passes, one after the other, each within its bound;
    and the station is at rest afterwards, with no alarm left over.
    """
    results: list[Result] = []
    left: list[object] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        parts = [part for part in known(station) if part not in ("kill", "network")]
        results.extend(await prove(stage, station, *parts))
        async with stage.onlooker(station) as look:
            data = (await look.ask("status")).data
            left.extend([data["phase"], [alarm["key"] for alarm in data["alarms"]]])

    rehearse(work, config=config_of("full"))
    by_part = {each.part: each for each in results}
    assert [each.text for each in results if not each.passed] == []
    assert len(by_part) == 12
    for part in ("float_high", "float_over", "float_low", "sump_high", "sump_low", "storage",
                 "floor"):  # fmt: skip
        assert 0.0 <= by_part[part].times["tripped_known_s"] <= 1.0
    assert by_part["incoming"].times["rose_c"] >= 1.0
    valve = by_part["valve"].times
    assert valve["open_dry_s"] == pytest.approx(15.0, abs=2.0)  # 13 s without flow, from 1 s on
    assert valve["wet_l"] == pytest.approx(2.0, abs=0.4)
    assert 0.0 < valve["ran_on_s"] <= 4.0
    assert 0.0 <= by_part["guard"].times["probe_to_relay_s"] <= 1.0
    assert left[0] in ("idle", "done")
    # Nobody has said yet that the return pump runs; whatever the tests raised is gone.
    assert set(left[1]) <= {"pump-off"}  # type: ignore[call-overload]


@pytest.mark.parametrize(("part", "fault"), [("kill", "node-killed"), ("network", "network-cut")])
def test_what_dies_in_mid_fill_is_seen_to_shut(part: str, fault: str) -> None:
    """Claim: with the program at the pins killed (SIGKILL, a process of its own), or its cable
    pulled, the engine knows within three seconds, the fill is over, nothing opens again by itself
    when the program or the network is back; and the water of the world did stop.
    """
    results: list[Result] = []
    flows: list[float] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        results.extend(await prove(stage, station, part))
        await asyncio.sleep(30.0)
        flows.append(stage.world.plant.inflow_lpm)

    rehearse(work, fault=fault, fault_at_s=1e6)
    (result,) = results
    assert result.passed, result.text
    assert 0.0 < result.times["engine_knew_s"] <= 3.0
    assert not result.noted
    assert flows == [0.0]


# --- what must not pass ---


def failing(part: str, spoil: str, *, lazy: bool = False, denies: bool = False) -> Result:
    """Prove a part at a station with something wrong, and return how that ended."""
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        world, volunteer = stage.world, Volunteer(stage, station, lazy=lazy, denies=denies)
        if spoil and hasattr(world.plant, spoil):
            setattr(world.plant, spoil, spoil != "stopcock_open")
        elif spoil == "held":
            pin = station.sensors["float_high"].pin  # type: ignore[union-attr]
            stage.hand.hold(pin, True)
            await asyncio.sleep(5.0)
        elif spoil:
            world.inject(spoil, at_s=stage.now_s)
            await asyncio.sleep(5.0)
        async with asyncio.timeout(LONG_S):
            results.extend(await prove(stage, station, part, person=volunteer))
        assert volunteer.shown
        await asyncio.sleep(60.0)
        assert spoil == "valve-stuck-open" or world.plant.inflow_lpm == 0.0
        async with stage.onlooker(station) as look:
            facts = await look.ask("note", what="proof", part="nothing")
            assert not facts.ok  # a part that nobody knows is never noted

    rehearse(work)
    (result,) = results
    assert not result.passed
    assert not result.noted
    return result


@pytest.mark.parametrize(
    ("part", "spoil", "words"),
    [
        ("float_high", "held", "reads so before it is touched"),
        ("float_high", "float-wire-broken", "reads so before it is touched"),
        ("valve", "no-flow", "no water came"),
        ("valve", "valve-stuck-open", "SHUT THE STOPCOCK"),
        ("incoming", "temp-gone", "not seen within"),
    ],
)
def test_a_broken_part_is_not_proven(part: str, spoil: str, words: str) -> None:
    """Claim: a float that is high already or cut, a valve without water or that does not shut, and
    a thermometer that is not there end the proof with the reason, and nothing is noted.
    """
    assert words in failing(part, spoil).text


@pytest.mark.parametrize("part", ["float_high", "floor", "incoming"])
def test_what_nobody_touches_is_not_proven(part: str) -> None:
    """Claim: without the edge there is no proof, however long one waits."""
    result = failing(part, "", lazy=True)
    assert f"not seen within {HANDS_S:.0f} s" in result.text


def test_a_stopcock_that_is_not_shut_is_found_out() -> None:
    """Claim: in the valve's dry test the first tenth of a litre ends it, and the valve shuts."""
    result = failing("valve", "", lazy=True)  # he does not touch the stopcock, which is open
    assert "water flows: the stopcock is not shut" in result.text


@pytest.mark.parametrize("part", ["valve", "guard", "people"])
def test_what_a_person_has_not_seen_is_not_proven(part: str) -> None:
    """Claim: where only eyes can tell, a No ends the proof."""
    assert "a person has not seen it" in failing(part, "", denies=True).text


def test_a_probe_that_stays_dry_does_not_prove_the_guard() -> None:
    """Claim: a fill that ends at its litres with the probe dry is no proof of the guard."""
    result = failing("guard", "", lazy=True)
    assert "the valve was shut, and not by the probe" in result.text


def test_nothing_is_proven_while_something_else_goes_on() -> None:
    """Claim: in mid-fill no proof begins, and the fill is left alone."""
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        async with stage.onlooker(station) as look:
            assert (await look.ask("fill", litres=30.0, attended=True)).ok
            await look.told(lambda data: data["phase"] == "filling" or None, 60.0)
            results.extend(await prove(stage, station, "floor"))
            assert (await look.ask("status")).data["phase"] == "filling"
            await look.ask("stop")

    rehearse(work)
    assert "the station is not at rest: Filling." in results[0].text


def test_a_refused_fill_is_told_with_its_reason() -> None:
    """Claim: a valve test at a station whose float is high is refused by the pre-fill checks, in
    their own words: there is no second way to open the valve.
    """
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        stage.hand.hold(station.sensors["float_high"].pin, True)  # type: ignore[union-attr]
        results.extend(await prove(stage, station, "valve"))
        assert stage.world.truth.delivered_l == 0.0

    rehearse(work)
    assert "the float is high" in results[0].text


def test_leaving_in_the_middle_shuts_the_valve() -> None:
    """Claim: whoever breaks off a test with the valve open leaves it shut, whatever there was left
    to wait for.
    """

    async def work(stage: Rehearsal, station: Station) -> None:
        async def test() -> None:
            await prove(stage, station, "guard", person=Volunteer(stage, station, lazy=True))

        task = asyncio.create_task(test())
        while stage.world.plant.inflow_lpm == 0.0:  # noqa: ASYNC110 - simulated
            await asyncio.sleep(0.25)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(station.valve.closing_s + 1.0)
        assert stage.world.plant.inflow_lpm == 0.0
        async with stage.onlooker(station) as look:
            data = (await look.ask("status")).data
        assert (data["phase"], data["cause_key"]) == ("stopped", "person")

    rehearse(work)


def test_without_an_engine_or_a_node_it_says_who_is_missing() -> None:
    """Claim: a station that nobody runs is told as such, in seconds."""
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        there = replace(station, id="elsewhere")
        look: Onlooker = stage.onlooker(there)
        async with look:
            runner = Runner(look=look, station=there, person=Volunteer(stage, there))
            results.append(await runner.prove(known(station)["floor"]))

    rehearse(work)
    assert "no engine answers for the station 'elsewhere'" in results[0].text


def test_a_probe_that_opens_when_wet_is_proven_as_well() -> None:
    """Claim: the hand does to the pin what water does to this probe, and the proof sees it."""
    config = config_of()
    river = config.stations["river"]
    floor = river.sensors["floor"]
    assert isinstance(floor, Leak)
    sensors = {**river.sensors, "floor": floor.model_copy(update={"wet_when": "open"})}
    config = replace(config, stations={"river": replace(river, sensors=sensors)})
    results: list[Result] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        results.extend(await prove(stage, station, "floor"))

    rehearse(work, config=config)
    assert results[0].passed, results[0].text
