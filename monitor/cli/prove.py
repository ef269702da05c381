"""`brimwatch prove`: the guided proof tests, one by one or all, on the running station."""

from __future__ import annotations

import asyncio
import re
import sys
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

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
from monitor.cli.people import broker_url, quiet_logs, whoever
from monitor.errors import ConfigError, ExitCode, RefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.config import Config, Station
    from monitor.prove.onlooker import Onlooker
    from monitor.prove.runner import Result
    from monitor.prove.steps import Proof, Step

INITIALS = re.compile(r"\w[\w.\- ]{0,31}")
WIDTH = 96


class Terminal:
    """A person at a terminal. With `yes` nobody is asked: what has to be seen by eye counts as
    seen, and the result says so.
    """

    def __init__(self, *, as_json: bool, yes: bool, station: str) -> None:
        """Choose how to speak."""
        self._json, self._yes, self._station = as_json, yes, station
        self.unseen: list[str] = []

    def show(self, proof: Proof, step: Step) -> None:
        """Show a step: do, expect, otherwise."""
        if self._json:
            emit({"station": self._station, "kind": "step", "part": proof.part, "do": step.do,
                  "expect": step.expect, "otherwise": f"stop: {step.otherwise}"})  # fmt: skip
            return
        click.echo(f"\n{proof.title}")
        for word, text in (("do", step.do), ("expect", step.expect), ("otherwise", step.otherwise)):
            stop = "STOP: " if word == "otherwise" else ""
            click.echo(_paragraph(f"  {word + ':':<11}", stop + text))

    async def ready(self) -> None:
        """Wait for Enter."""
        if not self._yes:
            self._say("Press Enter when all is so, or Ctrl-C to leave it.")
            await typed_line()

    def now(self, text: str) -> None:
        """Say what to do this very moment."""
        if text:
            self._say(f">>> {text}")

    async def saw(self, question: str) -> bool:
        """Ask until the answer is yes or no."""
        if self._yes:
            self.unseen.append(question)
            return True
        while True:
            self._say(f"{question} [y/n]")
            answer = (await typed_line()).strip().lower()
            if answer in ("y", "yes", "n", "no"):
                return answer[0] == "y"

    def tell(self, result: Result) -> None:
        """Tell how a proof ended."""
        if self._json:
            emit({"station": self._station, "kind": "result", **asdict(result),
                  "not_asked": self.unseen})  # fmt: skip
        else:
            word = "PASSED" if result.passed else "FAILED"
            times = ", ".join(f"{name} {value:.2f}" for name, value in result.times.items())
            mark = f"{SIMULATION} " if result.simulated else ""
            told = f"{word} {result.part}: {result.text}" + (f" ({times})" if times else "")
            click.echo(_paragraph("", mark + told))
            for question in self.unseen:
                click.echo(_paragraph("  ", f"nobody was asked: {question}"))
        self.unseen = []

    def _say(self, text: str) -> None:
        if self._json:
            emit({"station": self._station, "kind": "now", "text": text})
        else:
            click.echo(text)


def _paragraph(head: str, text: str) -> str:
    return textwrap.fill(
        text, width=WIDTH, initial_indent=head, subsequent_indent=" " * max(len(head), 2),
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


async def typed_line() -> str:
    """Return a line that a person types, without a thread that Ctrl-C would have to wait for."""
    loop = asyncio.get_running_loop()
    typed = asyncio.Event()
    loop.add_reader(sys.stdin.fileno(), typed.set)
    try:
        await typed.wait()
    finally:
        loop.remove_reader(sys.stdin.fileno())
    line = sys.stdin.readline()
    if not line:
        raise click.Abort
    return line


def _initials(_ctx: click.Context, _param: click.Parameter, value: str | None) -> str | None:
    if value is not None and INITIALS.fullmatch(value) is None:
        raise click.BadParameter(f"{value!r}: 1 to 32 letters, digits, dots, dashes or spaces")
    return value


with_initials = click.option(
    "--by", callback=_initials, help="Your initials, for the record; your user name by default."
)


@click.command()
@with_station
@with_config
@click.option("--part", "part", help="Only this: a sensor's name, or one that the list shows.")
@click.option("--all", "every", is_flag=True, help="All of them, in the order of the list.")
@with_initials
@click.option(
    "--yes",
    is_flag=True,
    help="Ask nothing: all is as each step asks for, and seen by whoever is there.",
)
@with_json
def prove(
    station: str | None,
    config_path: str | None,
    part: str | None,
    every: bool,
    by: str | None,
    yes: bool,
    as_json: bool,
) -> int:
    """Prove the parts by hand, step by step: do, expect, otherwise stop.

    Each step waits for the real edge through pin, node, broker and engine, and times it. What has
    passed is noted; an unattended fill asks for it. Without --part or --all: the list.
    """
    from monitor.app import plan_of
    from monitor.prove.steps import proofs_of

    quiet_logs()
    config, _ = find_config(config_path)
    chosen = pick(config, station)
    known = proofs_of(chosen, plan_of(chosen).proven, network=not config.broker.embedded)
    if part is None and not every:
        _list(chosen.id, known, as_json)
        return ExitCode.OK
    proofs = known if part is None else tuple(each for each in known if each.part == part)
    if not proofs:
        raise ConfigError(
            f"there is nothing to prove of {part!r}",
            where=f"station.{chosen.id}",
            allowed=", ".join(each.part for each in known),
            fix="meter and level probe are proven by `brimwatch calibrate`",
        )
    in_person(yes)
    terminal = Terminal(as_json=as_json, yes=yes, station=chosen.id)
    return asyncio.run(_prove(config, chosen, proofs, terminal, by or whoever()))


def in_person(yes: bool) -> None:
    """Raise RefusedError when nobody can be asked, and nobody has said that it shall be done."""
    if not yes and not sys.stdin.isatty():
        raise RefusedError(
            "nobody is at the terminal: standard input is none",
            allowed="a person who stands at the tank and answers",
            fix="run it in a terminal, or say --yes if somebody is there all the same",
        )


def _list(station: str, proofs: Sequence[Proof], as_json: bool) -> None:
    for proof in proofs:
        if as_json:
            emit({"station": station, "part": proof.part, "title": proof.title,
                  "noted": bool(proof.notes), "steps": len(proof.steps)})  # fmt: skip
        else:
            noted = "" if proof.notes else "  (nothing to note)"
            click.echo(f"{proof.part:<14} {proof.title}{noted}")
    if not as_json:
        click.echo("Prove one with --part NAME, or all of them with --all.")


def onlooker_at(config: Config, station: Station, by: str) -> Onlooker:
    """Return someone who looks on at a station, not yet entered."""
    from monitor.app import Surroundings, guest_link, new_id
    from monitor.clock import MonotonicClock
    from monitor.prove.onlooker import Onlooker

    clock = MonotonicClock()
    link = guest_link(station.id, Surroundings(url=broker_url(config), clock=clock), readings=True)
    return Onlooker(station=station.id, link=link, new_id=new_id, by=by, now_s=clock.now_s)


async def _prove(
    config: Any, station: Station, proofs: Sequence[Proof], terminal: Terminal, by: str
) -> int:
    from monitor.prove.runner import Runner

    async with onlooker_at(config, station, by) as look:
        runner = Runner(look=look, station=station, person=terminal)
        for proof in proofs:
            result = await runner.prove(proof)
            terminal.tell(result)
            if not result.passed:
                return ExitCode.STOPPED  # any "otherwise" ends the day
    return ExitCode.OK
