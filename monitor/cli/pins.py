"""What to wire where: the pin table of a config, and its drawing."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import (
    SIMULATION,
    emit,
    find_config,
    pick,
    with_config,
    with_json,
    with_station,
)
from monitor.errors import ConfigError, ExitCode


@click.command()
@with_station
@with_config
@with_json
@click.option(
    "--svg", type=click.Path(dir_okay=False, path_type=Path), help="Draw the header into FILE too."
)
def pins(station: str | None, config_path: str | None, as_json: bool, svg: Path | None) -> int:
    """Say which wire goes where: pin, direction, pull, active level, state at boot, colour.

    All Pis of the config; with STATION, only the one that it hangs on.
    """
    from monitor.wiring.drawing import drawn
    from monitor.wiring.table import plugs, text, wires

    config, _ = find_config(config_path)
    nodes = wires(config, None if station is None else pick(config, station))
    mock = config.hardware.pins == "mock"
    for node, rows in nodes.items():
        if as_json:
            for row in rows:
                emit({**row.as_dict(), "simulated": mock})
        else:
            click.echo("\n".join([f"{config.file}: {node}", "", *text(rows), ""]))
    if not as_json:
        for line in plugs(config, nodes):
            click.echo(line)
        if mock:
            click.echo(f'{SIMULATION}: hardware.pins is "mock", so none of these is touched')
    if svg is not None:
        _save(svg, drawn(config.site.title, nodes, plugs(config, nodes)))
        if not as_json:
            click.echo(f"drawn in {svg}")
    return ExitCode.OK


def _save(file: Path, drawing: str) -> None:
    try:
        file.write_text(drawing, encoding="utf-8")
    except OSError as error:
        raise ConfigError(
            f"cannot be written: {error.strerror}",
            where=str(file),
            allowed="a file in a folder that you may write",
            fix="give --svg another name",
        ) from None
