"""A running simulation, and people at it: each command is a process of its own, over the broker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from support.commands import COMMAND, Background, Done, brimwatch, wait_until, write_config
from support.mosquitto import free_port

SPEED = ("--speed", "60")


class Desk:
    """A simulation with a config of its own, not yet started, and commands aimed at it."""

    def __init__(
        self,
        folder: Path,
        *more: str,
        base: str | None = None,
        url: str | None = None,
        command: Sequence[str] = COMMAND,
        speed: Sequence[str] = SPEED,
        **changes: str | None,
    ) -> None:
        self.folder = folder
        self.port = free_port()
        ours = changes if url is not None else {"broker__port": str(self.port), **changes}
        self.config = write_config(folder, base, url=url, **ours)
        broker = () if url is None else ("--broker", url)
        self.simulation = Background(
            "simulate", "--config", str(self.config), *broker, *speed, *more,
            cwd=folder, command=command,
        )  # fmt: skip

    def ask(self, verb: str, *args: str) -> Done:
        """Run a command to its end."""
        return brimwatch(verb, *args, "--config", str(self.config), cwd=self.folder)

    def told(self, verb: str, *args: str) -> dict[str, Any]:
        """Ask with --json; the answer is one object, and marked as simulated."""
        done = self.ask(verb, *args, "--json")
        assert len(done.lines) == 1, done
        assert done.last["simulated"] is True
        return {**done.last, "code": done.code}

    def history(self) -> list[dict[str, Any]]:
        """Return the record's fills, the newest first, once that one's end is written too."""
        rows: list[dict[str, Any]] = []

        def ended() -> bool:
            rows[:] = self.ask("history", "--json").objects
            return bool(rows) and rows[0]["ended"] is not None

        wait_until(ended, 10.0)
        return rows

    def follow(self, *args: str) -> Background:
        """Follow the station in the background."""
        return Background("follow", "--config", str(self.config), *args, cwd=self.folder)
