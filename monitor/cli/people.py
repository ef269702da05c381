"""What people ask of a running station: fill, stop, reset, ack, status, follow."""

from __future__ import annotations

import asyncio
import getpass
from collections.abc import AsyncIterator, Callable
from typing import Any

import click

from monitor.cli.common import (
    emit,
    find_config,
    mark,
    pick,
    status_lines,
    with_config,
    with_json,
    with_station,
)
from monitor.errors import ExitCode, LinkError

CONTACT_S = 5.0  # without an answer by then there is nobody
CHECKS_S = 75.0  # the longest a pre-fill check may take, and a little more


def broker_url(config: Any) -> str:
    """Return where the broker of a config answers people on this machine."""
    broker = config.broker
    if broker.embedded:
        return f"mqtt://127.0.0.1:{broker.port}"
    return str(broker.url.get_secret_value())


def whoever() -> str:
    """Return the user's name, as the record keeps it."""
    try:
        return getpass.getuser()[:32]
    except (OSError, KeyError):
        return "somebody"


class Guest:
    """Someone at the broker who looks on and asks."""

    def __init__(self, config: Any, station: str) -> None:
        """Aim at a station; `open` connects."""
        from monitor.app import Surroundings, guest_link, new_id
        from monitor.clock import MonotonicClock

        self.station = station
        self._id = new_id()
        around = Surroundings(url=broker_url(config), clock=MonotonicClock())
        self._link = guest_link(station, around, replies_to=self._id)

    async def __aenter__(self) -> Guest:
        """Connect, or say that nobody is there."""
        up = asyncio.Event()
        self._link.on_connection(lambda ok: up.set() if ok else None)
        await self._link.__aenter__()
        try:
            await asyncio.wait_for(up.wait(), CONTACT_S)
        except TimeoutError:
            await self._link.__aexit__(None, None, None)
            raise LinkError(
                "the broker does not answer", fix="start `brimwatch run` or `brimwatch simulate`"
            ) from None
        return self

    async def __aexit__(self, *details: Any) -> None:
        """Disconnect."""
        await self._link.__aexit__(*details)

    async def messages(self, patience_s: float | None) -> AsyncIterator[Any]:
        """Yield messages until one does not come within `patience_s`."""
        stream = self._link.incoming()
        while True:
            try:
                incoming = await asyncio.wait_for(anext(stream), patience_s)
            except (TimeoutError, StopAsyncIteration):
                return
            yield incoming.message

    async def ask(self, verb: str, args: dict[str, Any]) -> Any:
        """Ask and return the reply.

        Raises:
            LinkError: no answer.
        """
        from monitor.core.exchange import Reply, Request

        self._link.send(Request(self.station, self._id, verb, whoever(), args))
        async for message in self.messages(CONTACT_S):
            if isinstance(message, Reply) and message.id == self._id:
                return message
        raise LinkError(
            f"the broker answers, but no engine does for the station {self.station!r}",
            fix="start the engine (`brimwatch engine` or `brimwatch run`)",
        )


def quiet_logs() -> None:
    """Keep the log out of what a person reads."""
    from monitor.logs import configure

    configure(level="critical")


def ask(
    config_path: str | None, station: str | None, as_json: bool, verb: str, args: dict[str, Any]
) -> int:
    """Ask for one thing and tell the answer."""
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)

    async def go() -> Any:
        async with Guest(config, chosen.id) as guest:
            return await guest.ask(verb, args)

    reply = asyncio.run(go())
    if as_json:
        emit({"station": chosen.id, "ok": reply.ok, "text": reply.text, **reply.data})
    else:
        click.echo(mark(f"{chosen.id}: {reply.text}", reply.data))
    return ExitCode.OK if reply.ok else ExitCode.REFUSED


@click.command()
@with_station
@with_config
@click.option("--litres", type=click.FloatRange(0.0, 1e6), help="How many litres to let in.")
@click.option("--level", "level_m", type=click.FloatRange(0.0, 10.0),
              help="Or: how high the water stands now, in metres; it is filled up to the mark.")
@click.option("--attended", is_flag=True,
              help="You stay beside the tank: checks that only count when nobody is there are left "
              "out, and the record says so.")
@click.option("--to", type=click.Choice(["mark", "litres"]), default="mark", show_default=True,
              help="What ends the fill: the float at the mark, or the litres by the meter.")
@click.option("--wait", is_flag=True, help="Stay until the fill has ended, and show how it goes.")
@with_json
def fill(
    station: str | None,
    config_path: str | None,
    litres: float | None,
    level_m: float | None,
    attended: bool,
    to: str,
    wait: bool,
    as_json: bool,
) -> int:
    """Start a fill: the pre-fill checks run, then the valve opens. Without litres or height it is
    what the level probe says is missing up to the mark, or what was drained.
    """
    if litres is not None and level_m is not None:
        raise click.UsageError("give --litres, or --level for the water's height now, not both")
    args: dict[str, Any] = {"to": to, "attended": attended}
    args.update({"litres": litres} if litres is not None else {})
    args.update({"level_m": level_m} if level_m is not None else {})
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)
    return asyncio.run(request_and_see(config, chosen.id, "fill", args, wait, as_json))


async def request_and_see(
    config: Any, station: str, verb: str, args: dict[str, Any], wait: bool, as_json: bool
) -> int:
    """Ask for a fill or a drain, and see what its checks say, or with `wait` how it ends."""

    def tell(text: str, data: dict[str, Any]) -> None:
        if as_json:
            emit({"station": station, "text": text, **data})
        else:
            click.echo(mark(f"{station}: {text}", data))

    async with Guest(config, station) as guest:
        reply = await guest.ask(verb, args)
        tell(reply.text, {"ok": reply.ok, **reply.data})
        if not reply.ok:
            return ExitCode.REFUSED
        return await _see(guest, reply.data.get("fill"), wait, tell)


async def _see(
    guest: Guest, fill_id: Any, wait: bool, tell: Callable[[str, dict[str, Any]], None]
) -> int:
    """Wait for the checks, or for the end of the fill."""
    from monitor.core.exchange import AlarmNotice, Status

    last = ""
    async for message in guest.messages(CHECKS_S):
        if isinstance(message, AlarmNotice) and "refused" in message.data:
            tell(str(message.data["refused"]), message.data)
            return ExitCode.REFUSED
        if not isinstance(message, Status):
            continue
        data = message.data
        if (data.get("fill") or {}).get("id") != fill_id:
            continue
        phase, sentence = str(data.get("phase")), str(data.get("sentence"))
        if phase != last or wait:
            tell(sentence, {"phase": phase, "simulated": data.get("simulated")})
        last = phase
        if phase == "done":
            return ExitCode.OK
        if phase == "stopped":
            return ExitCode.STOPPED
        if phase in ("filling", "draining") and not wait:
            return ExitCode.OK
    raise LinkError("the station has fallen silent", fix="look at it")


@click.command()
@with_station
@with_config
@with_json
def stop(station: str | None, config_path: str | None, as_json: bool) -> int:
    """Shut the valve now. Needs no password and is never refused."""
    return ask(config_path, station, as_json, "stop", {})


@click.command()
@with_station
@with_config
@with_json
def reset(station: str | None, config_path: str | None, as_json: bool) -> int:
    """Let go of a stop, once nothing is wrong any more. Opens nothing."""
    return ask(config_path, station, as_json, "reset", {})


@click.command()
@with_station
@with_config
@click.option("--alarm", "key", help="Only this alarm, by its key; all of them by default.")
@with_json
def ack(station: str | None, config_path: str | None, key: str | None, as_json: bool) -> int:
    """Say that you have seen the alarms. Changes nothing else."""
    return ask(config_path, station, as_json, "ack", {"key": key} if key else {})


@click.command()
@with_station
@with_config
@with_json
def pump(station: str | None, config_path: str | None, as_json: bool) -> int:
    """Say that the return pump runs again after the fill."""
    return ask(config_path, station, as_json, "pump", {})


@click.command()
@with_station
@with_config
@with_json
def status(station: str | None, config_path: str | None, as_json: bool) -> int:
    """Say what is happening, until when, and what is wrong."""
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)

    async def go() -> Any:
        async with Guest(config, chosen.id) as guest:
            return await guest.ask("status", {})

    data = asyncio.run(go()).data
    if as_json:
        emit({"station": chosen.id, **data})
    else:
        click.echo("\n".join(status_lines(chosen.id, data)))
    return ExitCode.OK


@click.command()
@with_station
@with_config
@with_json
def follow(station: str | None, config_path: str | None, as_json: bool) -> int:
    """Say each change as it happens, a line each, until Ctrl-C."""
    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)
    asyncio.run(_follow(config, chosen.id, as_json))
    return ExitCode.OK


async def _follow(config: Any, station: str, as_json: bool) -> None:
    from monitor.core.exchange import AlarmNotice, Presence, Status

    phase, simulated = "", False
    async with Guest(config, station) as guest:
        async for message in guest.messages(None):
            match message:
                case Status(data=data) if data.get("phase") != phase:
                    phase, simulated = str(data.get("phase")), data.get("simulated") is True
                    _line(station, as_json, str(data.get("sentence")), {"kind": "phase", **data})
                case AlarmNotice(data=data):
                    text = data.get("refused") or (
                        f"ALARM {data.get('id')} [{data.get('state')}] {data.get('message')}"
                    )
                    _line(station, as_json, str(text), {"kind": "alarm", **data})
                case Presence(role=role, online=online):
                    word = "is here" if online else "has gone"
                    data = {"kind": "presence", "role": role, "online": online}
                    data["simulated"] = simulated  # the retained status comes before
                    _line(station, as_json, f"the {role} {word}", data)
                case _:
                    pass


def _line(station: str, as_json: bool, text: str, data: dict[str, Any]) -> None:
    if as_json:
        emit({"station": station, "text": text, **data})
    else:
        click.echo(mark(f"{station}: {text}", data))
