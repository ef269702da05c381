"""The record: history, export."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from monitor.cli.common import emit, find_config, pick, with_config, with_json
from monitor.errors import ExitCode

JOURNAL = click.option("--journal", type=click.Path(dir_okay=False, path_type=Path),
                       help="The record to read; the config's by default.")  # fmt: skip


def record_path(config_path: str | None, journal: Path | None) -> Path:
    """Return the record's file: the one named, or the config's."""
    if journal is not None:
        return journal
    config, _ = find_config(config_path)
    return Path(config.journal.path)


@click.command()
@with_config
@JOURNAL
@click.option("--station", help="Only this station's fills.")
@click.option("--limit", type=click.IntRange(1, 100_000), default=20, show_default=True,
              help="How many fills, the newest first.")
@click.option("--trend", is_flag=True,
              help="Instead: the flow at the start of each fill, how much the filter has lost, and "
              "the day when it will be too slow.")
@click.option("--too-slow-lpm", type=click.FloatRange(0.1, 100.0),
              help="What is too slow, for --trend; by default the flow_floor_lpm of the limits, "
              "below which a fill runs out of time.")
@with_json
def history(
    config_path: str | None,
    journal: Path | None,
    station: str | None,
    limit: int,
    trend: bool,
    too_slow_lpm: float | None,
    as_json: bool,
) -> int:
    """List fills and drains: litres, minutes, forecast and truth, temperature, how they ended."""
    from monitor.journal.history import as_dict, render_history
    from monitor.journal.reader import JournalReader

    if trend:
        return _trend(config_path, journal, station, too_slow_lpm, as_json)
    with JournalReader(record_path(config_path, journal)) as reader:
        fills = reader.list_fills(limit, station)
    if as_json:
        for each in fills:
            emit(as_dict(each))
    else:
        click.echo(render_history(fills))
    return ExitCode.OK


def _trend(
    config_path: str | None,
    journal: Path | None,
    station: str | None,
    too_slow_lpm: float | None,
    as_json: bool,
) -> int:
    """Tell the trend over one station's fills: those of the world its newest fill was in."""
    from monitor.journal.reader import JournalReader
    from monitor.replay.clogging import FILLS_MAX, as_lines, as_text, flow_trend

    config, _ = find_config(config_path)
    chosen = pick(config, station)
    with JournalReader(record_path(config_path, journal)) as reader:
        fills = reader.list_fills(FILLS_MAX, chosen.id)
        notes = reader.notes(what="cartridge", station=chosen.id, limit=FILLS_MAX)
    told = flow_trend(
        chosen.id,
        fills,
        notes,
        simulated=bool(fills) and fills[0].simulated,
        too_slow_lpm=too_slow_lpm or chosen.limits.flow_floor_lpm,
    )
    if as_json:
        for line in as_lines(told):
            emit(line)
    else:
        click.echo(as_text(told))
    return ExitCode.OK


@click.command()
@click.argument("fill", default="last")
@with_config
@JOURNAL
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path),
              help="Write to this file; to standard output by default.")
@click.option("--senml", is_flag=True,
              help="Instead: every reading pack of it as SenML (RFC 8428), one a line.")
@with_json
def export(
    fill: str,
    config_path: str | None,
    journal: Path | None,
    out: Path | None,
    senml: bool,
    as_json: bool,
) -> int:
    """Write a fill's samples as CSV: temperatures, flow, volume, level.

    FILL is an id, its start, or last.
    """
    if senml:
        return _packs(fill, record_path(config_path, journal), out)
    from monitor.journal.export import save_csv, write_csv
    from monitor.journal.history import as_dict
    from monitor.journal.reader import JournalReader

    with JournalReader(record_path(config_path, journal)) as reader:
        record = reader.fill(fill)
        samples = reader.samples(record.id)
    if as_json:
        for sample in samples:
            emit({"fill": record.id, "simulated": record.simulated, **as_dict(sample)})
    elif out is not None:
        rows = save_csv(record, samples, out)
        click.echo(f"{rows} rows written to {out}")
    else:
        write_csv(record, samples, sys.stdout)
    return ExitCode.OK


def _packs(fill: str, record: Path, out: Path | None) -> int:
    """Write the packs that the engine heard during a fill, as they came."""
    from monitor.core.events import Heard
    from monitor.journal.reader import JournalReader
    from monitor.journal.tape import decode
    from monitor.link.senml import encode_pack

    with JournalReader(record) as reader:
        tape = reader.inputs(reader.fill(fill).id)
    inputs = (decode(line.kind, line.payload) for line in tape)
    lines = [encode_pack(each.pack).decode() for each in inputs if isinstance(each, Heard)]
    text = "".join(f"{line}\n" for line in lines)
    if out is None:
        click.echo(text, nl=False)
    else:
        out.write_text(text, encoding="utf-8")
        click.echo(f"{len(lines)} packs written to {out}")
    return ExitCode.OK
