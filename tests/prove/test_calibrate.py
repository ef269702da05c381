"""Calibrations from the bucket to the engine: measured, kept, told, used, and refused."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from monitor.app import plan_of
from monitor.calibrated import basis_of, calibrated
from monitor.cli import calibrate as command
from monitor.cli.calibrate import _Job, calibrate
from monitor.cli.common import status_lines
from monitor.config import Config, Flow, Level, Station, loads
from monitor.core.calibration import FLOW_FLOOR
from monitor.errors import BrimwatchError
from monitor.journal.calibrations import found, keep
from monitor.journal.rows import CalibrationMark, CalibrationRecord, FillEnd, FillStart, Outcome
from monitor.journal.store import Stamped, Store
from monitor.logs import configure
from monitor.prove.opening import poured
from monitor.replay.tape import played
from support.commands import config_text
from support.rehearsals import ROOT, Rehearsal, config_of, rehearse

SATURDAY = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
TRUE_K = 480.0  # the meter's, where the config says 450
FULL = (ROOT / "monitor" / "simulate" / "full.toml").read_text()
# Three buckets of about ten litres, alike to 0.2 %.
RUNS = ("--litres", "10.00", "--pulses", "4490", "--litres", "10.20", "--pulses", "4570",
        "--litres", "9.90", "--pulses", "4452")  # fmt: skip


@pytest.fixture(autouse=True)
def _quiet() -> None:
    configure(simulated=True, level="critical")


def record_at(path: Path) -> Path:
    """Make a record with one fill."""
    store = Store(path, lambda: SATURDAY)
    start = FillStart("f1", "river", 0.0, "volunteer", True, False, 20.0)
    store.write([Stamped(row, SATURDAY) for row in (start, FillEnd("f1", Outcome.DONE))], safe=True)
    store.close()
    return path


def mark(part: str, what: str, station: Station, value: float, **more: Any) -> CalibrationMark:
    """Make a calibration that fits the station's config."""
    told: dict[str, Any] = {"uncertainty": 0.005, "n": 3, "by": "A.B.", "simulated": True, **more}
    return CalibrationMark(station.id, part, what, value, basis=basis_of(station.sensors[part]),
                           **told)  # fmt: skip


# --- by the engine ---


def test_a_bucket_makes_the_litres_right(tmp_path: Path) -> None:
    """Claim: a meter that gives 480 pulses a litre where the config says 450 lets 6 % too little
    in; three buckets find its constant, and from the engine's next start on a fill is right, the
    status shows the calibration, and the fill can be played again by its own constant.
    """
    journal = tmp_path / "record.db"
    litres: list[float] = []
    runs: list[tuple[float, float]] = []
    told: list[dict[str, Any]] = []

    async def twenty(stage: Rehearsal, station: Station) -> None:
        before_l = stage.world.truth.delivered_l
        async with stage.onlooker(station) as look:
            told.append((await look.ask("status")).data)
            await poured(look, "meter", 20.0)
        litres.append(stage.world.truth.delivered_l - before_l)

    async def buckets(stage: Rehearsal, station: Station) -> None:
        await twenty(stage, station)
        async with stage.onlooker(station) as look:
            for _ in range(3):
                before_l = stage.world.truth.delivered_l
                pulses = await poured(look, "meter", 10.0)
                runs.append((stage.world.truth.delivered_l - before_l, float(pulses)))

    rehearse(buckets, journal=journal, meter_k=TRUE_K)
    args = [word for run in runs for word in ("--litres", f"{run[0]:.2f}", "--pulses", str(run[1]))]
    done = run_cli(tmp_path, "flow", *args, "--reading", "0.02", pins="mock", journal=journal)
    assert done[-1]["value"] == pytest.approx(TRUE_K, rel=0.005)
    assert done[-1]["simulated"] is True
    rehearse(twenty, journal=journal, meter_k=TRUE_K)

    overrun_l = 0.4  # what still comes while the valve shuts: half of its second, at 11 L/min, and
    # up to a second until the reading that ends it
    assert litres[0] == pytest.approx(20.0 * 450 / TRUE_K, abs=overrun_l)
    assert litres[1] == pytest.approx(20.0, abs=overrun_l)
    assert told[0]["calibrations"] == []
    (shown,) = told[1]["calibrations"]
    assert (shown["part"], shown["what"], shown["unused"]) == ("meter", "flow", None)
    assert shown["value"] == done[-1]["value"]
    assert shown["on"] == date.today().isoformat()  # noqa: DTZ011 - only the date is compared
    last = list(played(journal, "last", config_of()))[-1]
    assert (last["same"], last["differences"]) == (True, [])


def test_level_and_temperature_are_corrected_before_a_rule_sees_them(tmp_path: Path) -> None:
    """Claim: the node sends what its sensors say by the config; what the engine makes of it is the
    calibrated reading, of the level and of a thermometer.
    """
    journal = tmp_path / "record.db"
    full = config_of("full")
    station = full.stations["river"]
    seen: list[dict[str, float]] = []

    async def look_on(stage: Rehearsal, station: Station) -> None:
        async with stage.onlooker(station) as look:
            await look.gather("incoming", 3, 30.0)
            sensors = (await look.ask("status")).data["sensors"]
            raw = {name: look.value(name) for name in ("depth", "incoming", "tank")}
            seen.append({name: sensors[name]["value"] - (raw[name] or 0.0) for name in raw})

    rehearse(look_on, config=full, journal=journal)
    keep(journal, mark("depth", "level", station, -0.004, scale=1.02), lambda: SATURDAY)
    keep(journal, mark("incoming", "temperature", station, 0.31), lambda: SATURDAY)
    rehearse(look_on, config=full, journal=journal)
    assert seen[0] == pytest.approx({"depth": 0.0, "incoming": 0.0, "tank": 0.0}, abs=1e-3)
    level_m = 0.57 - 0.06 / 1.4
    assert seen[1]["depth"] == pytest.approx(0.02 * level_m - 0.004, abs=1e-3)
    assert seen[1]["incoming"] == pytest.approx(0.31, abs=1e-3)
    assert seen[1]["tank"] == pytest.approx(0.0, abs=1e-3)


# --- what is used, and what is not ---


def kept(what: CalibrationMark) -> CalibrationRecord:
    fields = {name: getattr(what, name) for name in what.__slots__}
    return CalibrationRecord(id=1, wall=SATURDAY, **fields)


def test_a_meter_is_counted_by_its_own_constant() -> None:
    """Claim: constant and uncertainty of the plan are the measured ones; the flow that the node
    tells by the config's constant is made the same; nothing else of the station changes.
    """
    river = config_of().stations["river"]
    meter = river.sensors["meter"]
    assert isinstance(meter, Flow)
    used = calibrated(river, [kept(mark("meter", "flow", river, 500.0, uncertainty=0.02))])
    plan = plan_of(used.station)
    assert (plan.pulses_per_litre, plan.flow_uncertainty) == (500.0, 0.02)
    assert used.corrections["meter"].scale == pytest.approx(450.0 / 500.0)
    assert replace(used.station, sensors=river.sensors) == river
    assert {**used.station.sensors, "meter": meter} == dict(river.sensors)


def test_no_meter_is_believed_too_well() -> None:
    """Claim: a bucket is filled at one flow; a constant good to 0.1 % there counts as 1 %."""
    river = config_of().stations["river"]
    used = calibrated(river, [kept(mark("meter", "flow", river, 450.0, uncertainty=0.001))])
    assert plan_of(used.station).flow_uncertainty == FLOW_FLOOR


@pytest.mark.parametrize(
    ("part", "what", "more", "words"),
    [
        ("meter", "flow", {"value": 600.0}, "more than 20 % away"),
        ("meter", "flow", {"value": 0.0}, "more than 20 % away"),
        ("meter", "flow", {"basis": "600 pulses/L on GPIO 24"}, "was made for 600 pulses/L"),
        ("meter", "level", {}, "no such part"),
        ("gone", "flow", {}, "no such part"),
        ("depth", "level", {"value": 0.06}, "5 cm is the most"),
        ("depth", "level", {"value": 0.0, "scale": 1.2}, "5 cm is the most"),
        ("depth", "level", {"value": 0.0, "basis": "mcp3008"}, "was made for mcp3008"),
        ("tank", "temperature", {"value": 1.2}, "replace it"),
        ("tank", "temperature", {"value": 0.1, "basis": "28-0123456789ab"}, "measure anew"),
        ("tank", "speed", {"value": 0.1}, "no such part"),
    ],
)
def test_what_does_not_fit_is_told_and_not_used(
    part: str, what: str, more: dict[str, Any], words: str
) -> None:
    """Claim: a calibration of another meter, probe or address, or beyond its bounds, whatever put
    it into the record, changes nothing, and people are told why.
    """
    river = config_of("full").stations["river"]
    there = part if part in river.sensors else "meter"
    made = kept(mark(there, what, river, 450.0))
    used = calibrated(river, [replace(made, part=part, **more)])
    assert used.station == river
    assert used.corrections == {}
    assert words in used.told[0]["unused"]


@pytest.mark.parametrize(
    ("part", "line"),
    [
        ("pulses_per_litre = 450", "pulses_per_litre = 480"),
        ("zero_v = 0.5", "zero_v = 0.6"),
        ("span_m = 1.0", "span_m = 1.1"),
        ('address = "28-00000b71c0d3"', 'address = "28-00000b71c0d4"'),
        ("pin = 24", "pin = 26"),
    ],
)
def test_a_changed_config_outlives_the_calibration(part: str, line: str) -> None:
    """Claim: whoever corrects the config's number, or fits another part, has the old calibration
    set aside by that; it is never applied on top.
    """
    before = config_of("full").stations["river"]
    changed = loads(FULL.replace(part, line), "full").stations["river"]
    made = [
        kept(mark("meter", "flow", before, 460.0)),
        kept(mark("depth", "level", before, 0.01)),
        kept(mark("tank", "temperature", before, 0.2)),
    ]
    assert [told["unused"] for told in calibrated(before, made).told] == [None] * 3
    unused = [told["part"] for told in calibrated(changed, made).told if told["unused"]]
    assert len(unused) == 1


def test_the_status_tells_them_to_people() -> None:
    """Claim: date, value and uncertainty in plain words, and loudly what is not used."""
    river = config_of("full").stations["river"]
    told = calibrated(river, [
        kept(mark("meter", "flow", river, 446.2, uncertainty=0.008)),
        kept(mark("depth", "level", river, -0.004, scale=1.012, uncertainty=0.003)),
        kept(mark("tank", "temperature", river, 1.4, uncertainty=0.12)),
    ]).told  # fmt: skip
    assert status_lines("river", {"sentence": "No fill.", "calibrations": told})[1:] == [
        "  meter: measured 2026-03-07 by A.B.: 446.2 pulses/L, ±0.8 %",
        "  depth: measured 2026-03-07 by A.B.: 1.0120 × its reading -0.0040 m, ±0.0030 m",
        (
            "  tank: measured 2026-03-07 by A.B.: +1.40 °C, ±0.12 °C; "
            "NOT USED: an offset of +1.40 °C is beyond ±1 °C: replace it"
        ),
    ]


# --- the command ---


def job(part: str, config: Config, folder: Path) -> _Job:
    """Make a calibration to be done at a terminal."""
    return _Job(config, config.stations["river"], part, folder / "record.db", "A.B.", as_json=False)


def typing(monkeypatch: pytest.MonkeyPatch, lines: Callable[[], Iterator[str]]) -> None:
    """Put somebody at the terminal who types these lines, as they come to mind."""
    typed = lines()

    async def line() -> str:
        return next(typed) + "\n"

    monkeypatch.setattr(command, "typed_line", line)


def test_a_person_is_led_through_three_buckets(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: asked for at a terminal, each bucket is one attended fill; a slip of the finger is
    asked again, a comma is a point, and litres and pulses come out run by run.
    """
    runs: list[tuple[float, float]] = []

    async def work(stage: Rehearsal, station: Station) -> None:
        def lines() -> Iterator[str]:
            for _ in range(3):
                before_l = stage.world.truth.delivered_l
                yield ""
                yield "ten"
                yield f"{stage.world.truth.delivered_l - before_l:.3f}".replace(".", ",")

        typing(monkeypatch, lines)
        meter = station.sensors["meter"]
        assert isinstance(meter, Flow)
        async with stage.onlooker(station) as look:
            there = job("meter", config_of(), tmp_path)
            runs.extend(await command._buckets(look, there, meter, 3, 10.0))

    rehearse(work)
    assert len(runs) == 3
    assert [litres for litres, _ in runs] == pytest.approx([10.2] * 3, abs=0.3)
    assert [pulses / litres for litres, pulses in runs] == pytest.approx([450.0] * 3, rel=0.005)


def test_a_person_is_led_through_two_heights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: at each height the mean of ten readings stands against the ruler."""
    points: list[tuple[float, float]] = []
    full = config_of("full")

    async def work(stage: Rehearsal, station: Station) -> None:
        typing(monkeypatch, lambda: iter(["", "0.527", "", "0.527"]))
        async with stage.onlooker(station) as look:
            points.extend(await command._heights(look, job("depth", full, tmp_path)))

    rehearse(work, config=full)
    assert [ruler for _, ruler in points] == [0.527, 0.527]
    assert [reported for reported, _ in points] == pytest.approx([0.527] * 2, abs=0.003)


def run_cli(folder: Path, *args: str, pins: str = "auto", journal: Path | None = None,
            text: str | None = None) -> list[dict[str, Any]]:  # fmt: skip
    """Run the command with --json; errors of ours are raised."""
    record = journal or folder / "record.db"
    config = folder / "tank.toml"
    body = text or config_text(hardware__pins=json.dumps(pins))
    config.write_text(body.replace('path = "brimwatch.db"', f"path = {json.dumps(str(record))}"))
    kind, *rest = args
    done = CliRunner().invoke(calibrate, [kind, "--config", str(config), "--json", *rest],
                              standalone_mode=False)  # fmt: skip
    if done.exception is not None:
        raise done.exception
    return [json.loads(line) for line in done.output.splitlines()]


def test_a_bucket_test_in_numbers(tmp_path: Path) -> None:
    """Claim: litres and pulses as options, run by run, give the constant, keep it with the person's
    initials, and say so.
    """
    record = record_at(tmp_path / "record.db")
    (told,) = run_cli(tmp_path, "flow", *RUNS, "--reading", "0.02", "--by", "C.D.")
    mean = (449.0 + 4570 / 10.2 + 4452 / 9.9) / 3
    assert told["value"] == pytest.approx(mean)
    assert told["shift"] == pytest.approx(mean / 450 - 1)
    assert (told["n"], told["by"], told["simulated"]) == (3, "C.D.", False)
    (there,) = found(record, "river", False)
    assert (there.value, there.uncertainty) == (told["value"], told["uncertainty"])
    assert there.basis == "450 pulses/L on GPIO 24"


def test_two_points_in_numbers(tmp_path: Path) -> None:
    """Claim: metres reported, or volts, against the ruler give the same line, and the volts that do
    the same in the config.
    """
    record_at(tmp_path / "record.db")
    ruler = ("--ruler", "0.10", "--ruler", "0.57")
    by_m = run_cli(tmp_path, "level", *ruler, "--reported", "0.11", "--reported", "0.59", text=FULL)
    by_v = run_cli(tmp_path, "level", *ruler, "--volts", "0.72", "--volts", "1.68", text=FULL)
    for key in ("value", "scale", "zero_v", "full_v"):
        assert by_m[0][key] == pytest.approx(by_v[0][key])
    assert by_m[0]["scale"] == pytest.approx(0.47 / 0.48)
    # By the new volts 0.72 V are 0.10 m.
    zero_v, full_v = by_m[0]["zero_v"], by_m[0]["full_v"]
    assert (0.72 - zero_v) / (full_v - zero_v) == pytest.approx(0.10)


def test_an_ice_bath_and_a_comparison_in_numbers(tmp_path: Path) -> None:
    """Claim: of several thermometers one is named; the newest calibration of a part counts."""
    record = record_at(tmp_path / "record.db")
    reported = ("--reported", "0.25", "--reported", "0.25", "--reported", "0.1875")
    run_cli(tmp_path, "temperature", "--ice", *reported, "--part", "tank", text=FULL)
    (told,) = run_cli(
        tmp_path, "temperature", "--reference", "0.5", *reported, "--part", "tank", text=FULL
    )
    assert told["value"] == pytest.approx(0.5 - (0.25 + 0.25 + 0.1875) / 3)
    (there,) = found(record, "river", False)
    assert (there.part, there.value, there.basis) == ("tank", told["value"], "28-00000b71c0d3")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("flow", *RUNS[:8]), "2 runs are given"),
        (("flow", "--litres", "10", *RUNS), "as many --pulses as --litres"),
        (("flow", *RUNS, "--part", "bucket"), "no such sensor 'bucket'"),
        (("flow",), "nobody is at the terminal"),
        (("flow", *[word.replace("44", "64").replace("457", "657") for word in RUNS]),
         "correct pulses_per_litre"),
        (("level", "--ruler", "0.1"), "give --ruler twice"),
        (("level", "--ruler", "0.1", "--ruler", "0.5", "--reported", "0.2", "--reported", "0.6"),
         "10.0 cm, and 5 cm is the most"),
        (("temperature", "--part", "tank"), "give --ice, or --reference"),
        (("temperature", "--ice"), "which one?"),
        (("temperature", "--ice", "--part", "tank", *(("--reported", "0.75") * 3)),
         "broken thermometer; replace it"),
        (("temperature", "--ice", "--part", "tank", "--by", "\x1b"), "1 to 32 letters"),
    ],
)  # fmt: skip
def test_what_cannot_be_kept_is_refused_in_words(
    tmp_path: Path, args: tuple[str, ...], words: str
) -> None:
    """Claim: nothing half done gets into the record; the message says what is wrong."""
    record = record_at(tmp_path / "record.db")
    with pytest.raises((BrimwatchError, click.ClickException)) as caught:
        run_cli(tmp_path, *args, text=FULL)
    shown = getattr(caught.value, "message", "") or str(caught.value)
    assert words in shown
    assert found(record, "river", False) == ()


def test_there_must_be_such_a_sensor(tmp_path: Path) -> None:
    """Claim: without a level probe there is nothing to measure at two points."""
    record_at(tmp_path / "record.db")
    with pytest.raises(BrimwatchError, match="there is no sensor of this kind"):
        run_cli(tmp_path, "level", "--ruler", "0.1", "--ruler", "0.5")


def test_what_was_measured_without_pins_is_of_a_simulation(tmp_path: Path) -> None:
    """Claim: numbers given under a config whose pins are none never count for a real tank."""
    record = record_at(tmp_path / "record.db")
    run_cli(tmp_path, "flow", *RUNS, pins="mock")
    assert found(record, "river", False) == ()
    assert len(found(record, "river", True)) == 1


def test_each_kind_has_its_basis() -> None:
    """Claim: what a calibration is made for names the part's own numbers."""
    river = config_of("full").stations["river"]
    depth = river.sensors["depth"]
    assert isinstance(depth, Level)
    assert basis_of(depth) == "mcp3208 select 8 channel 0: 0.5 V, 2.5 V at 1 m"
    assert basis_of(river.sensors["floor"]) == ""
