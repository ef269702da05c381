"""What people do around a fill: let water out, note what was proven, set alarms aside."""

from __future__ import annotations

import asyncio
from typing import Any

import click

from monitor.cli.common import find_config, pick, with_config, with_json, with_station
from monitor.cli.people import ask, quiet_logs, request_and_see

MINUTES_MAX = 24 * 60


def _amount(command: Any) -> Any:
    """Give a command the ways to say how much is to go out."""
    for option in (
        click.option("--attended", is_flag=True,
                     help="You stay beside the tank, as with `brimwatch fill --attended`."),
        click.option("--wait", is_flag=True, help="Stay until it has ended."),
        click.option("--level", "level_m", type=click.FloatRange(0.0, 10.0),
                     help="Or: how high the water should stand then, in metres."),
        click.option("--percent", type=click.FloatRange(0.0, 100.0),
                     help="Or: the share of what the vessel holds at its mark."),
        click.option("--litres", type=click.FloatRange(0.0, 1e6),
                     help="How many litres to let out; without any of these, to the low mark."),
    ):  # fmt: skip
        command = option(command)
    return command


def _let_out(
    verb: str, station: str | None, config_path: str | None, as_json: bool, wait: bool,
    attended: bool, **how: Any,
) -> int:  # fmt: skip
    args = {name: value for name, value in how.items() if value is not None}
    if len(args) > 1:
        raise click.UsageError("give one of --litres, --percent and --level")
    args["attended"] = attended
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)
    return asyncio.run(request_and_see(config, chosen.id, verb, args, wait, as_json))


@click.command()
@with_station
@with_config
@_amount
@with_json
def drain(
    station: str | None, config_path: str | None, litres: float | None, percent: float | None,
    level_m: float | None, wait: bool, attended: bool, as_json: bool,
) -> int:  # fmt: skip
    """Let water out, never below the low mark. By a hose of your own it is watched and told."""
    return _let_out("drain", station, config_path, as_json, wait, attended,
                    litres=litres, percent=percent, level_m=level_m)  # fmt: skip


@click.command()
@with_station
@with_config
@_amount
@with_json
def change(
    station: str | None, config_path: str | None, litres: float | None, percent: float | None,
    level_m: float | None, wait: bool, attended: bool, as_json: bool,
) -> int:  # fmt: skip
    """Change water: let it out now; `brimwatch fill` then puts as much back."""
    return _let_out("change", station, config_path, as_json, wait, attended,
                    litres=litres, percent=percent, level_m=level_m)  # fmt: skip


@click.command()
@with_station
@click.argument("state", type=click.Choice(["on", "off"]))
@with_config
@with_json
def heater(station: str | None, state: str, config_path: str | None, as_json: bool) -> int:
    """Say that you have switched the heater on or off, where no plug tells it."""
    return ask(config_path, station, as_json, "heater", {"state": state})


@click.command()
@with_station
@click.argument("what", type=click.Choice(["proof", "cartridge", "people"]))
@click.option("--part", default="", help="For a proof: the sensor's name in the config, or valve.")
@with_config
@with_json
def note(
    station: str | None, what: str, part: str, config_path: str | None, as_json: bool
) -> int:
    """Note what you have proven by hand, a new cartridge, or that people can be reached."""
    args = {"what": what, "part": part} if what == "proof" else {"what": what}
    return ask(config_path, station, as_json, "note", args)


@click.command()
@with_station
@with_config
@click.option("--alarm", "key", required=True, help="The alarm's key, as `status --json` shows it.")
@click.option("--minutes", type=click.FloatRange(1, MINUTES_MAX), required=True,
              help="For how long; then it comes back by itself.")
@click.option("--why", required=True, help="The reason, for whoever finds it shelved.")
@with_json
def shelve(
    station: str | None, config_path: str | None, key: str, minutes: float, why: str, as_json: bool
) -> int:
    """Set an alarm aside for a while. None that closes the valve or tells of water can be."""
    return ask(config_path, station, as_json, "shelve",
               {"key": key, "minutes": minutes, "why": why})  # fmt: skip


@click.command()
@with_station
@with_config
@click.option("--alarm", "key", required=True, help="The alarm's key.")
@with_json
def unshelve(station: str | None, config_path: str | None, key: str, as_json: bool) -> int:
    """Bring a shelved alarm back now."""
    return ask(config_path, station, as_json, "unshelve", {"key": key})


@click.command()
@with_station
@with_config
@click.option("--alarm", "key", required=True, help="The alarm's key.")
@click.option("--why", required=True, help="The reason, for whoever finds it so.")
@with_json
def retire(
    station: str | None, config_path: str | None, key: str, why: str, as_json: bool
) -> int:
    """Take an alarm out of service until somebody restores it: its part is broken or taken out."""
    return ask(config_path, station, as_json, "remove", {"key": key, "why": why})


@click.command()
@with_station
@with_config
@click.option("--alarm", "key", required=True, help="The alarm's key.")
@with_json
def restore(station: str | None, config_path: str | None, key: str, as_json: bool) -> int:
    """Put an alarm back into service."""
    return ask(config_path, station, as_json, "restore", {"key": key})
