"""The record and the config: history, export, check."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from monitor.cli.common import emit, find_config, with_config, with_json
from monitor.errors import ConfigErrors, ExitCode

JOURNAL = click.option("--journal", type=click.Path(dir_okay=False, path_type=Path),
                       help="The record to read; the config's by default.")  # fmt: skip


def _path(config_path: str | None, journal: Path | None) -> Path:
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
@with_json
def history(
    config_path: str | None, journal: Path | None, station: str | None, limit: int, as_json: bool
) -> int:
    """List the fills: litres, minutes, forecast against truth, water temperature, how it ended."""
    from monitor.journal.history import as_dict, render_history
    from monitor.journal.reader import JournalReader

    with JournalReader(_path(config_path, journal)) as reader:
        fills = reader.list_fills(limit, station)
    if as_json:
        for each in fills:
            emit(as_dict(each))
    else:
        click.echo(render_history(fills))
    return ExitCode.OK


@click.command()
@click.argument("fill", default="last")
@with_config
@JOURNAL
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path),
              help="Write to this file; to standard output by default.")
@with_json
def export(
    fill: str, config_path: str | None, journal: Path | None, out: Path | None, as_json: bool
) -> int:
    """Write a fill's temperature, flow and volume as CSV. FILL is an id, its start, or last."""
    from monitor.journal.export import save_csv, write_csv
    from monitor.journal.history import as_dict
    from monitor.journal.reader import JournalReader

    with JournalReader(_path(config_path, journal)) as reader:
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


@click.command()
@with_config
@with_json
def check(config_path: str | None, as_json: bool) -> int:
    """Check a config and list every mistake at once, with what is allowed and how to fix it."""
    try:
        config, _ = find_config(config_path)
    except ConfigErrors as errors:
        for problem in errors.problems:
            if as_json:
                emit({"ok": False, "file": problem.file, "key": problem.key,
                      "wrong": problem.wrong, "allowed": problem.allowed, "fix": problem.fix})
            else:
                click.echo(str(problem))
        return ExitCode.USAGE
    from monitor.app import plan_of

    for station in config.stations.values():
        plan_of(station)
    names = list(config.stations)
    if as_json:
        emit({"ok": True, "file": config.file, "stations": names})
    else:
        click.echo(f"{config.file}: nothing wrong ({len(names)} station(s): {', '.join(names)})")
    return ExitCode.OK
