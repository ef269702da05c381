"""The command `brimwatch` as people run it: a process of its own, in a folder of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.cli.common import PLACES, VARIABLE, sample_text

ROOT = Path(__file__).parents[2]
COMMAND = (sys.executable, "-m", "monitor.cli")
MACHINES_OWN = PLACES[-1]  # a config that a machine with a real tank has
PATIENCE_S = 60.0
FULL_TOML = ROOT / "monitor" / "simulate" / "full.toml"  # everything fitted

# A tenth of the museum's fill: from 0.527 m, 60 L up to the mark, six minutes of water.
SMALL = ("--litres", "60", "--start-level", "0.5271428571")
SMALL_L = 60.0


def _heed_interrupts() -> None:
    """Undo what a shell does to jobs in its background, which never see Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def surroundings(**more: str) -> dict[str, str]:
    """Return the environment of a command: this checkout, and no config of anybody's."""
    kept = {name: text for name, text in os.environ.items() if name != VARIABLE}
    if MACHINES_OWN.is_file():
        kept[VARIABLE] = str(ROOT / "monitor" / "simulate" / "river.toml")
    return {**kept, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", **more}


@dataclass(frozen=True)
class Done:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        return self.out.splitlines()

    @property
    def objects(self) -> list[dict[str, Any]]:
        """The JSON objects on standard output: each line must be one."""
        return [json.loads(line) for line in self.lines]

    @property
    def last(self) -> dict[str, Any]:
        """The JSON object on the last line of standard output."""
        found: dict[str, Any] = json.loads(self.lines[-1])
        return found


def brimwatch(*args: str, cwd: Path, within_s: float = PATIENCE_S) -> Done:
    """Run the command to its end."""
    run = subprocess.run(
        [*COMMAND, *args],
        cwd=cwd,
        env=surroundings(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=within_s,
        check=False,
    )
    done = Done(run.returncode, run.stdout, run.stderr)
    assert "Traceback" not in done.err, done.err
    return done


class Background:
    """The command while it runs, as a context manager: leaving it kills what is left."""

    def __init__(
        self,
        *args: str,
        cwd: Path,
        env: Mapping[str, str] | None = None,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._command = command
        self._args, self._cwd, self._env = args, cwd, dict(env or {})
        self._name = f"{args[0]}-{time.monotonic_ns()}"
        self.process: subprocess.Popen[bytes]

    def __enter__(self) -> Self:
        self._out = self._cwd / f"{self._name}.out"
        self._err = self._cwd / f"{self._name}.err"
        with self._out.open("wb") as out, self._err.open("wb") as err:
            self.process = subprocess.Popen(
                [*self._command, *self._args],
                cwd=self._cwd,
                env=surroundings(**self._env),
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                preexec_fn=_heed_interrupts,  # noqa: PLW1509 - it touches one signal only
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.process.kill()
        self.process.wait()

    @property
    def out(self) -> str:
        return self._out.read_text()

    @property
    def err(self) -> str:
        return self._err.read_text()

    def said(self, *words: str, within_s: float = 30.0) -> str:
        """Wait for a line on standard output that holds all these words; return it."""
        found: list[str] = []

        def look() -> bool:
            found[:] = [x for x in self.out.splitlines() if all(word in x for word in words)]
            return bool(found) or self.process.poll() is not None

        wait_until(look, within_s, lambda: f"{words} not in:\n{self.out}\n{self.err}")
        assert found, f"ended without {words}:\n{self.out}\n{self.err}"
        return found[-1]

    def send(self, sign: signal.Signals) -> None:
        self.process.send_signal(sign)

    def end(self, sign: signal.Signals | None = None, *, within_s: float = 30.0) -> Done:
        """Wait for the end, after a signal if one is given."""
        if sign is not None:
            self.send(sign)
        try:
            code = self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"still running:\n{self.out}\n{self.err}") from None
        done = Done(code, self.out, self.err)
        assert "Traceback" not in done.err, done.err
        return done


def wait_until(
    condition: Callable[[], bool], within_s: float, tell: Callable[[], str] = lambda: ""
) -> float:
    """Wait until a condition holds; return how many seconds that took, fail when it does not."""
    began_s = time.monotonic()
    while not condition():
        assert time.monotonic() - began_s < within_s, tell() or "it did not come in time"
        time.sleep(0.01)
    return time.monotonic() - began_s


def config_text(base: str | None = None, /, **changes: str | None) -> str:
    """Return the museum's config, or `base`, with lines changed, or taken out with None. `a__b__c`
    names the first line that begins with `c`, in or after the table `[a.b]`.
    """
    lines = (sample_text() if base is None else base).splitlines()
    for name, value in changes.items():
        *tables, key = name.split("__")
        first = lines.index(f"[{'.'.join(tables)}]")
        spot = next(
            i for i in range(first, len(lines)) if lines[i].partition("=")[0].strip() == key
        )
        lines[spot] = "" if value is None else f"{key} = {value}"
    return "\n".join(lines) + "\n"


def without(text: str, table: str) -> str:
    """Return a config without one of its tables."""
    head, found, rest = text.partition(f"[{table}]\n")
    assert found, f"no table [{table}]"
    return head + rest.partition("\n\n")[2]


def write_config(
    folder: Path, base: str | None = None, /, *, url: str | None = None, **changes: str | None
) -> Path:
    """Write the museum's config, or `base`, with lines changed, its record inside the same folder;
    `url` is a broker to use instead of one of its own.
    """
    ours: dict[str, str | None] = {"journal__path": json.dumps(str(folder / "record.db"))}
    if url is not None:
        ours |= {"broker__url": json.dumps(url), "broker__port": None}
    path = folder / "tank.toml"
    path.write_text(config_text(base, **{**ours, **changes}))
    return path
