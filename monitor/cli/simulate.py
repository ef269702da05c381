"""`brimwatch simulate`: the whole program on invented water."""

from __future__ import annotations

import math
import shutil
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.common import SIMULATION, emit, find_config, pick, with_config, with_json
from monitor.errors import ExitCode
from monitor.simulate.faults import fault, offered

if TYPE_CHECKING:
    from monitor.config import Station
    from monitor.stage import Script

PLAIN_EVERY_S = 60.0  # simulated seconds between two lines where no bar can be drawn


class Speed(click.ParamType[float | None]):
    """A positive number, or `max`."""

    name = "N|max"

    def convert(self, value: Any, param: Any, ctx: Any) -> float | None:
        """Return the factor, None for as fast as it goes."""
        if value is None or value == "max":
            return None
        try:
            factor = float(value)
        except (TypeError, ValueError):
            factor = math.nan
        if not (math.isfinite(factor) and factor > 0):
            self.fail(f"{value!r} is not a speed: give a number above 0, or max", param, ctx)
        return factor


class Teller:
    """Tells a person how it goes: a bar on a terminal, plain lines elsewhere, nothing for JSON."""

    def __init__(self, *, quiet: bool) -> None:
        """Choose by what standard output is."""
        self._quiet = quiet
        self._live = not quiet and sys.stdout.isatty()
        self._told = ""
        self._told_s = -math.inf
        self._drawn = False

    def status(self, data: dict[str, Any]) -> None:
        """Tell a status, if it is news."""
        if self._quiet:
            return
        fill = data.get("fill") or {}
        sentence, elapsed_s = str(data.get("sentence", "")), float(fill.get("elapsed_s") or 0.0)
        if self._live:
            self._bar(sentence, fill)
        elif data.get("phase") != self._told or elapsed_s - self._told_s >= PLAIN_EVERY_S:
            click.echo(f"{SIMULATION} {sentence}")
            self._told, self._told_s = str(data.get("phase")), elapsed_s

    def _bar(self, sentence: str, fill: dict[str, Any]) -> None:
        need_l = float(fill.get("need_l") or 0.0)
        share = min(1.0, float(fill.get("delivered_l") or 0.0) / need_l) if need_l else 0.0
        width = shutil.get_terminal_size().columns
        full = round(share * 20)
        line = f"{SIMULATION} [{'=' * full}{' ' * (20 - full)}] {sentence}"
        click.echo("\r\x1b[K" + line[: max(20, width - 1)], nl=False)
        self._drawn = True

    def line(self, text: str) -> None:
        """Tell something once."""
        if not self._quiet:
            click.echo(("\r\x1b[K" if self._drawn else "") + f"{SIMULATION} {text}")
            self._drawn = False

    def alarm(self, data: dict[str, Any]) -> None:
        """Tell an alarm when it is raised."""
        if data.get("state") == "B":
            self.line(f"ALARM {data['id']} ({data['severity']}): {data['message']} {data['todo']}")


def _list_faults(as_json: bool, station: Station) -> None:
    from monitor.simulate.fitting import fitted

    for spec in offered(fitted(station)):
        if as_json:
            emit({"simulated": True, "fault": spec.name, "hazard": spec.hazard, "line": spec.line})
        else:
            click.echo(f"{spec.name:<18} {spec.hazard:<4} {spec.line}")


def _told(verdict: dict[str, Any], teller: Teller) -> None:
    """Tell a person the verdict."""
    teller.line(f"outcome: {verdict['outcome']}" + (
        f", cause {verdict['cause']}" if verdict["cause"] else ""))  # fmt: skip
    if verdict.get("refused"):
        teller.line(verdict["refused"])
    if verdict["temp_min_c"] is None and verdict["drained_l"]:
        teller.line(f"{verdict['drained_l']:.1f} L out, {verdict['spilled_l']} L on the floor")
        if verdict["drain_stopped_by_person"]:
            teller.line("the water ran on: a person who was called stopped it")
        return
    if verdict.get("fill_s") is not None and verdict.get("delivered_l") is not None:
        teller.line(
            f"{verdict['delivered_l']:.1f} L in {verdict['fill_s'] / 60:.1f} min, "
            f"incoming water {verdict['temp_min_c']} to {verdict['temp_max_c']} °C, "
            f"{verdict['spilled_l']} L on the floor"
        )
    if verdict["valve_closed_after_s"] is not None:
        teller.line(f"valve shut {verdict['valve_closed_after_s']} s after the fault began")
    if verdict["stopcock_shut_by_person"]:
        teller.line("the valve did not shut: a person who was called shut the stopcock")


@click.command()
@with_config
@click.option("--station", help="Which station of the config; the only one by default.")
@click.option("--once", is_flag=True, help="Play one fill, tell how it ended, and exit.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True,
              help="The same seed plays the same water.")
@click.option("--speed", type=Speed(), default="60", show_default=True,
              help="How much faster than real; max for as fast as it goes.")
@click.option("--fault", "fault_name", help="Put one fault in; see --list-faults.")
@click.option("--fault-at", type=click.FloatRange(0.0, 86400.0),
              help="When, in simulated seconds; without it, where the fault's table says.")
@click.option("--list-faults", is_flag=True,
              help="List the faults that the station can have, one line each, and exit.")
@click.option("--broker", "broker_url", help="Use this broker instead of one of its own.")
@click.option("--broker-pid", type=click.IntRange(2),
              help="That broker's process, which you allow to be killed by the fault.")
@click.option("--journal", type=click.Path(dir_okay=False, path_type=Path),
              help="Keep the record here. Without it: none with --once, else the config's.")
@click.option("--litres", type=click.FloatRange(0.0, 1e6), help="Ask for so many litres.")
@click.option("--start-level", type=click.FloatRange(0.0, 10.0),
              help="Metres of water to begin with.")
@click.option("--head", type=click.FloatRange(0.1, 100.0), help="Mains pressure in metres of head.")
@click.option("--taps", is_flag=True, help="Other taps in the house are opened now and then.")
@click.option("--port", type=click.IntRange(0, 65535),
              help="Where its own broker listens; any free port with --once, else the config's.")
@click.option("--verbose", is_flag=True, help="Show the program's log.")
@with_json
def simulate(list_faults: bool, as_json: bool, verbose: bool, **options: Any) -> int:
    """Play an unattended fill with invented water, and faults if you like.

    The real program runs: drivers, broker, rules, record. Only what lies beyond the pins is
    invented. No pin and no bus of this machine is touched.
    """
    if list_faults:
        config, _ = find_config(options["config_path"])
        _list_faults(as_json, pick(config, options["station"]))
        return ExitCode.OK
    if options["fault_name"] is not None:
        fault(options["fault_name"])  # an unknown name is told before anything is loaded
    from monitor.logs import configure
    from monitor.simulate import lockstep
    from monitor.stage import Stage, exit_code, governor_for

    configure(simulated=True, level="info" if verbose else "critical")
    teller = Teller(quiet=as_json)
    script = _script(teller, as_json, verbose, options)
    governor = governor_for(script.fault, options["speed"])
    # An end asked for by the system is an end asked for by a person: the valve shuts first.
    signal.signal(signal.SIGTERM, lambda _sign, _frame: signal.raise_signal(signal.SIGINT))
    verdict = lockstep.run(Stage(script).play(), governor=governor)
    if as_json:
        emit(verdict)
    return exit_code(verdict)


def _script(teller: Teller, quiet: bool, verbose: bool, options: dict[str, Any]) -> Script:
    """Return what is to be played, from the options of the command."""
    from monitor.stage import Script

    config, text = find_config(options["config_path"])
    once, port, journal = options["once"], options["port"], options["journal"]
    if port is None:
        port = 0 if once else config.broker.port
    if journal is None and not once:
        journal = Path(config.journal.path)
    return Script(
        config=config,
        text=text,
        station=pick(config, options["station"]).id,
        seed=options["seed"],
        fault=options["fault_name"],
        fault_at_s=options["fault_at"],
        broker_url=options["broker_url"],
        broker_pid=options["broker_pid"],
        port=port,
        journal=journal,
        litres=options["litres"],
        start_level_m=options["start_level"],
        head_m=options["head"],
        taps=options["taps"],
        once=once,
        verbose=verbose,
        quiet=quiet,
        on_status=teller.status,
        on_alarm=teller.alarm,
        on_note=teller.line,
        on_verdict=lambda verdict: _told(verdict, teller),
    )
