"""`brimwatch calibrate`: what a bucket, a ruler and an ice bath say of the sensors."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from monitor.cli.common import SIMULATION, emit, find_config, pick, with_config, with_json
from monitor.cli.people import quiet_logs, whoever
from monitor.cli.prove import in_person, onlooker_at, typed_line, with_initials
from monitor.cli.record import JOURNAL, record_path
from monitor.errors import ConfigError, ExitCode, LinkError, RefusedError

if TYPE_CHECKING:
    from monitor.config import Config, Flow, Station
    from monitor.config.parts import Sensor
    from monitor.prove.onlooker import Onlooker

RUNS = 3
BUCKET_L = 10.0
READINGS = 10
READ_S = 60.0
F = TypeVar("F", bound=Callable[..., Any])
P = TypeVar("P", bound="Sensor")


@click.group()
def calibrate() -> None:
    """Measure what meter, level probe and thermometers are worth; kept in the record with its date.

    The engine uses it from its next start on, and `brimwatch status` shows it. Run it on the
    engine's machine. With all numbers as options nothing is asked.
    """


def _common(command: F) -> F:
    """Give a command what all of them take."""
    station = click.argument("station", required=False)
    part = click.option("--part", help="Which sensor, where there are several of its kind.")
    for option in (with_json, with_initials, JOURNAL, part, with_config, station):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True)
class _Job:
    """One calibration to be done: where, by whom, and how to tell it."""

    config: Config
    station: Station
    part: str
    record: Path
    by: str
    as_json: bool

    def keep(self, what: str, value: float, uncertainty: float, n: int, *, scale: float = 1.0,
             simulated: bool, text: str, **more: Any) -> int:  # fmt: skip
        """Put it into the record, and tell it."""
        from monitor.calibrated import basis_of
        from monitor.clock import MonotonicClock
        from monitor.journal.calibrations import keep
        from monitor.journal.rows import CalibrationMark

        basis = basis_of(self.station.sensors[self.part])
        mark = CalibrationMark(self.station.id, self.part, what, value, uncertainty, n, basis,
                               self.by, simulated, scale)  # fmt: skip
        keep(self.record, mark, MonotonicClock().wall)
        if self.as_json:
            emit({"station": self.station.id, "part": self.part, "what": what, "value": value,
                  "scale": scale, "uncertainty": uncertainty, "n": n, "by": self.by,
                  "basis": basis, "simulated": simulated, "text": text, **more})  # fmt: skip
        else:
            front = f"{SIMULATION} " if simulated else ""
            click.echo(f"{front}{self.station.id}: {self.part}: {text}")
            click.echo("Kept. The engine uses it from its next start on.")
        return ExitCode.OK

    @property
    def mock(self) -> bool:
        """Whether the config's pins are none; what is given in numbers counts as made there."""
        return self.config.hardware.pins == "mock"

    def live(self, work: Callable[[Onlooker], Awaitable[Any]]) -> tuple[Any, bool]:
        """Look on at the running station; return what was seen, and whether it is simulated."""

        async def go() -> tuple[Any, bool]:
            async with onlooker_at(self.config, self.station, self.by) as look:
                await look.ask("status")
                try:
                    seen = await work(look)
                except TimeoutError:
                    raise LinkError(
                        f"{self.part} gives no readings", fix="see `brimwatch status`"
                    ) from None
                return seen, look.status.get("simulated") is True

        return asyncio.run(go())


def _job(
    kind: type[P], config_path: str | None, station: str | None, part: str | None,
    journal: Path | None, by: str | None, as_json: bool,
) -> tuple[_Job, P]:  # fmt: skip
    """Find the sensor that is meant: the named one, or the only one of its kind."""
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)
    fitted = {name: each for name, each in chosen.sensors.items() if isinstance(each, kind)}
    if part is None and len(fitted) == 1:
        part = next(iter(fitted))
    if part is None or part not in fitted:
        what = "which one?" if part is None else f"there is no such sensor {part!r}"
        raise ConfigError(
            what if fitted else "there is no sensor of this kind",
            where=f"station.{chosen.id}",
            allowed=", ".join(fitted),
            fix="name one with --part" if fitted else "",
        )
    record = record_path(config_path, journal)
    return _Job(config, chosen, part, record, by or whoever(), as_json), fitted[part]


def _sound(result: Any) -> Any:
    """Return a result, or refuse with the reason that stands in its place."""
    if isinstance(result, str):
        raise RefusedError(result, fix="nothing was kept; measure again")
    return result


async def _number(question: str) -> float:
    """Ask a person for a number, until it is one."""
    while True:
        click.echo(f"{question} ", nl=False)
        try:
            return float((await typed_line()).strip().replace(",", "."))
        except ValueError:
            click.echo("A number, please.")


async def _enter(text: str) -> None:
    click.echo(text)
    await typed_line()


# --- flow ---


@calibrate.command()
@_common
@click.option(
    "--litres",
    type=float,
    multiple=True,
    help="Litres in the bucket, by scale or by mark; once for each run.",
)
@click.option(
    "--pulses",
    type=float,
    multiple=True,
    help="Pulses of the meter in the same run; once for each --litres.",
)
@click.option(
    "--reading",
    "reading_l",
    type=click.FloatRange(0.0, 100.0),
    default=0.1,
    show_default=True,
    help="How close the bucket can be read: this many litres to either side.",
)
@click.option(
    "--runs",
    type=click.IntRange(RUNS, 30),
    default=RUNS,
    show_default=True,
    help="How many buckets to fill, when asked for.",
)
@click.option(
    "--bucket",
    "bucket_l",
    type=click.FloatRange(1.0, 1000.0),
    default=BUCKET_L,
    show_default=True,
    help="Litres to let into each of them.",
)
def flow(
    station: str | None, config_path: str | None, part: str | None, journal: Path | None,
    by: str | None, as_json: bool, litres: tuple[float, ...], pulses: tuple[float, ...],
    reading_l: float, runs: int, bucket_l: float,
) -> int:  # fmt: skip
    """Bucket test: litres against pulses, three times or more; the mean with its uncertainty."""
    from monitor.config import Flow
    from monitor.core.calibration import PERCENT, bucket_test

    if len(litres) != len(pulses):
        raise click.UsageError("give as many --pulses as --litres: one of each for a run")
    job, meter = _job(Flow, config_path, station, part, journal, by, as_json)
    done: Sequence[tuple[float, float]] = list(zip(litres, pulses, strict=True))
    simulated = job.mock
    if not done:
        in_person(yes=False)
        done, simulated = job.live(lambda look: _buckets(look, job, meter, runs, bucket_l))
    result = _sound(bucket_test(done, reading_l, meter.pulses_per_litre))
    return job.keep(
        "flow", result.pulses_per_litre, result.uncertainty, result.runs, simulated=simulated,
        text=f"{result.pulses_per_litre:.1f} pulses/L, ±{result.uncertainty * PERCENT:.2f} % "
        f"(95 %, {result.runs} runs); the config says {meter.pulses_per_litre:g}, "
        f"{result.shift * PERCENT:+.1f} %",
        standard=result.standard, shift=result.shift,
    )  # fmt: skip


async def _buckets(
    look: Onlooker, job: _Job, meter: Flow, runs: int, bucket_l: float
) -> list[tuple[float, float]]:
    """Fill a bucket several times, each by an attended fill: nothing else opens the valve."""
    from monitor.prove.opening import poured

    done = []
    for run in range(1, runs + 1):
        await _enter(
            f"Run {run} of {runs}: put the hose into the empty bucket, which must hold "
            f"{bucket_l * 1.2:.0f} L. Press Enter; the valve opens, and shuts by the meter."
        )
        pulses = await poured(look, job.part, bucket_l)
        click.echo(f"{pulses} pulses, {pulses / meter.pulses_per_litre:.2f} L by the config.")
        done.append((await _number("Litres in the bucket:"), float(pulses)))
    return done


# --- level ---


@calibrate.command()
@_common
@click.option(
    "--ruler",
    "ruler_m",
    type=float,
    multiple=True,
    help="Metres of water by the ruler; twice, at a low and at a high water.",
)
@click.option(
    "--reported",
    "reported_m",
    type=float,
    multiple=True,
    help="Metres by the probe then, by the config alone; twice.",
)
@click.option(
    "--volts",
    "volts_v",
    type=float,
    multiple=True,
    help="Or: volts at the converter's input then; twice.",
)
@click.option(
    "--reading",
    "reading_m",
    type=click.FloatRange(0.0, 0.1),
    default=0.002,
    show_default=True,
    help="How close the ruler can be read, in metres to either side.",
)
def level(
    station: str | None, config_path: str | None, part: str | None, journal: Path | None,
    by: str | None, as_json: bool, ruler_m: tuple[float, ...], reported_m: tuple[float, ...],
    volts_v: tuple[float, ...], reading_m: float,
) -> int:  # fmt: skip
    """Two points: a low and a high water, by the ruler and by the probe."""
    from monitor.config import Level
    from monitor.core.calibration import two_points, volts_for

    job, probe = _job(Level, config_path, station, part, journal, by, as_json)
    if volts_v:
        reported_m = tuple(
            (volts - probe.zero_v) * probe.span_m / (probe.full_v - probe.zero_v)
            for volts in volts_v
        )
    given = (len(ruler_m), len(reported_m))
    if given not in ((0, 0), (2, 2)):
        raise click.UsageError("give --ruler twice, and --reported or --volts twice, or none")
    points, simulated, readings = list(zip(reported_m, ruler_m, strict=True)), job.mock, 1
    if not points:
        in_person(yes=False)
        points, simulated = job.live(lambda look: _heights(look, job))
        readings = READINGS
    result = _sound(two_points(
        points[0], points[1], ruler_m=reading_m, probe_sd_m=probe.noise_m / sqrt(readings),
        at_m=job.station.vessel.mark_m, span_m=probe.span_m,
    ))  # fmt: skip
    zero_v, full_v = volts_for(result.scale, result.offset_m, zero_v=probe.zero_v,
                               full_v=probe.full_v, span_m=probe.span_m)  # fmt: skip
    return job.keep(
        "level", result.offset_m, result.uncertainty_m, 2 * readings, scale=result.scale,
        simulated=simulated,
        text=f"{result.scale:.4f} × its reading {result.offset_m:+.4f} m, "
        f"±{result.uncertainty_m:.4f} m at the mark (95 %); the same in the config: "
        f"zero_v = {zero_v:.4f}, full_v = {full_v:.4f}",
        zero_v=zero_v, full_v=full_v,
    )  # fmt: skip


async def _heights(look: Onlooker, job: _Job) -> list[tuple[float, float]]:
    """Read the probe and ask for the ruler, at two heights of the water."""
    points = []
    for which in ("low", "high"):
        await _enter(f"Bring the water to a {which} height and let it come to rest. Press Enter.")
        values = await look.gather(job.part, READINGS, READ_S)
        reported_m = sum(values) / len(values)
        click.echo(f"The probe reports {reported_m:.4f} m.")
        points.append((reported_m, await _number("Metres by the ruler:")))
    return points


# --- temperature ---


@calibrate.command()
@_common
@click.option("--ice", is_flag=True, help="It hangs in crushed ice and water, well stirred.")
@click.option(
    "--reference",
    "reference_c",
    type=float,
    help="Or: what a good thermometer beside it says, in °C.",
)
@click.option(
    "--reference-error",
    "error_c",
    type=click.FloatRange(0.0, 2.0),
    default=0.1,
    show_default=True,
    help="How well that temperature is known, °C to either side.",
)
@click.option(
    "--reported",
    "reported_c",
    type=float,
    multiple=True,
    help="What it reports, by itself alone; three times or more. Left out: the next "
    f"{READINGS} readings of the running station are taken.",
)
def temperature(
    station: str | None, config_path: str | None, part: str | None, journal: Path | None,
    by: str | None, as_json: bool, ice: bool, reference_c: float | None, error_c: float,
    reported_c: tuple[float, ...],
) -> int:  # fmt: skip
    """Ice point, or a comparison with a good thermometer: what to add to its readings."""
    from monitor.config import Ds18b20
    from monitor.core.calibration import ICE_C, compared

    if ice == (reference_c is not None):
        raise click.UsageError("give --ice, or --reference with a temperature")
    job, _ = _job(Ds18b20, config_path, station, part, journal, by, as_json)
    true_c = ICE_C if reference_c is None else reference_c
    readings: Sequence[float] = reported_c
    simulated = job.mock
    if not readings:
        readings, simulated = job.live(lambda look: look.gather(job.part, READINGS, READ_S))
    result = _sound(compared(readings, true_c, error_c))
    return job.keep(
        "temperature", result.offset_c, result.uncertainty_c, result.readings,
        simulated=simulated,
        text=f"{result.offset_c:+.3f} °C to be added, ±{result.uncertainty_c:.3f} °C (95 %, "
        f"{result.readings} readings at {true_c:.2f} °C)",
        true_c=true_c,
    )  # fmt: skip
