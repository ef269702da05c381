"""`brimwatch replay`: recorded readings through the same core."""

from __future__ import annotations

import gc
from pathlib import Path

import click

from monitor.cli.common import emit, find_config, pick, with_config, with_json
from monitor.cli.record import JOURNAL, record_path
from monitor.errors import ExitCode

SQLITE = b"SQLite format 3\0"


@click.command()
@click.argument("file", required=False, type=click.Path(dir_okay=False, path_type=Path))
@with_config
@click.option("--station", help="Which station of the config; the only one by default.")
@click.option("--target-level-m", type=click.FloatRange(0.0, 10.0, min_open=True),
              help="Where the water should end; the config's mark by default.")
@click.option("--target-l", type=click.FloatRange(0.0, 1e6, min_open=True),
              help="How many litres should go in, by the meter, instead of a level.")
@JOURNAL
@click.option("--fill", "fill_id", help="Play a fill of the record instead of a file: its id, "
              "its start, or last.")  # fmt: skip
@with_json
def replay(
    file: Path | None,
    config_path: str | None,
    station: str | None,
    target_level_m: float | None,
    target_l: float | None,
    journal: Path | None,
    fill_id: str | None,
    as_json: bool,  # taken like everywhere; a replay is for programs and always prints JSON
) -> int:
    """Play recorded readings through the same core, as fast as it goes, and print JSON lines.

    FILE is a table of t_s,sensor,value (a meter gives its cumulative count, a level metres, floats
    and probes 0 or 1, `valve` what somebody else commanded), or SenML packs, one a line, or a
    record. With --fill a fill of the record is played again, and its decisions are held against the
    recorded ones; exit code 1 says that they differ.
    """
    if file is not None and _is_record(file):
        file, journal, fill_id = None, file, fill_id or "last"
    if (file is None) == (fill_id is None):
        raise click.UsageError("give a FILE, or --fill and a fill of the record")
    if target_level_m is not None and target_l is not None:
        raise click.UsageError("give --target-level-m or --target-l, not both")
    from monitor.app import plan_of
    from monitor.replay.run import replayed
    from monitor.replay.tape import played

    gc.freeze()  # what is loaded stays: looking through it for garbage would cost a tenth
    config, _ = find_config(config_path)
    if file is None:
        same = True
        for line in played(record_path(config_path, journal), fill_id or "", config):
            same = line.get("same", same)
            emit(line)
        return ExitCode.OK if same else ExitCode.UNEXPECTED
    chosen = pick(config, station)
    for line in replayed(file, chosen, plan_of(chosen), level_m=target_level_m, litres=target_l):
        emit(line)
    return ExitCode.OK


def _is_record(file: Path) -> bool:
    """Say whether a file is a database (its first bytes are fixed: sqlite.org/fileformat.html)."""
    try:
        with file.open("rb") as data:
            return data.read(len(SQLITE)) == SQLITE
    except OSError:
        return False  # the reader tells why it cannot be read
