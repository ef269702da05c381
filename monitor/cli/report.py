"""`brimwatch report`: one fill as a page to keep or to print."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import emit, find_config, with_config, with_json
from monitor.cli.record import JOURNAL, record_path
from monitor.errors import ExitCode


@click.command()
@click.argument("fill", default="last")
@with_config
@JOURNAL
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path),
              help="The page's file; fill-ID.html by default.")
@click.option("--png", type=click.Path(dir_okay=False, path_type=Path),
              help="Draw the charts into this file too; needs the extra `plot`.")
@with_json
def report(
    fill: str,
    config_path: str | None,
    journal: Path | None,
    out: Path | None,
    png: Path | None,
    as_json: bool,
) -> int:
    """Write a fill as one HTML page: flow, volume, level, temperature, forecast, events.

    FILL is an id, its start, or last. The page needs no network and no script, and prints well.
    """
    from monitor.journal.reader import JournalReader
    from monitor.replay.page import page
    from monitor.replay.tape import plan_for_fill
    from monitor.replay.trace import traced

    config, _ = find_config(config_path)
    with JournalReader(record_path(config_path, journal)) as reader:
        record = reader.fill(fill)
        known = record.station in config.stations
        trace = traced(reader, record, plan_for_fill(record, config) if known else None)
    title = config.stations[record.station].title if known else record.station
    target = out or Path(f"fill-{record.id}.html")
    target.write_text(page(trace, title), encoding="utf-8")
    if png is not None:
        from monitor.replay.plot import save_png

        save_png(trace, title, png)
    told = {"fill": record.id, "simulated": record.simulated, "page": str(target),
            "png": str(png) if png is not None else None,
            "forecasts": len(trace.cone)}  # fmt: skip
    if as_json:
        emit(told)
    else:
        click.echo(f"written: {target}" + (f" and {png}" if png is not None else ""))
    return ExitCode.OK
