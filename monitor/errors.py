"""What can go wrong, told so that a person can act: what, where, what is allowed, how to fix.

Every error of ours is a `BrimwatchError` and also the fitting error of the standard library, and
every one leads to a stated exit code.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar


class ExitCode(IntEnum):
    """What the command `brimwatch` returns to the shell."""

    OK = 0
    UNEXPECTED = 1
    USAGE = 2
    STOPPED = 3
    OUT_OF_CONTROL = 4
    NO_CONTACT = 5
    REFUSED = 6
    INTERRUPTED = 130

    @property
    def meaning(self) -> str:
        """Return one line for people."""
        return _MEANINGS[self]


_MEANINGS = {
    ExitCode.OK: "done, or nothing wrong",
    ExitCode.UNEXPECTED: "something unexpected went wrong; the log says what",
    ExitCode.USAGE: "wrong use of the command, or a bad config",
    ExitCode.STOPPED: "stopped by a rule or a person; the water is under control",
    ExitCode.OUT_OF_CONTROL: "stopped, but the water is not under control: "
    "the valve did not shut",
    ExitCode.NO_CONTACT: "no contact with the broker or the station",
    ExitCode.REFUSED: "refused, by the checks before a fill or by what the station is doing",
    ExitCode.INTERRUPTED: "ended by Ctrl-C",
}


class BrimwatchError(Exception):
    """The base of every error that brimwatch raises on purpose.

    Args:
        what: what is wrong, as a sentence without its full stop.
        where: the place it is wrong in (a file and key, a pin, an address).
        allowed: what would have been right.
        fix: what the reader can do about it.
    """

    exit_code: ClassVar[ExitCode] = ExitCode.UNEXPECTED

    def __init__(self, what: str, *, where: str = "", allowed: str = "", fix: str = "") -> None:
        """Keep the four parts; see the class."""
        super().__init__(what)
        self.what = what
        self.where = where
        self.allowed = allowed
        self.fix = fix

    def __str__(self) -> str:
        """Return the parts that are known, in the order a reader needs them."""
        return told(self.what, where=self.where, allowed=self.allowed, fix=self.fix)


class LinkError(BrimwatchError, ConnectionError):
    """The broker or the other side of the link cannot be reached, or spoke nonsense."""

    exit_code = ExitCode.NO_CONTACT


class HardwareError(BrimwatchError, OSError):
    """A pin, a bus or a device does not do what it must."""


class RefusedError(BrimwatchError, PermissionError):
    """A fill was asked for and the checks before it did not all pass."""

    exit_code = ExitCode.REFUSED


class ConfigError(BrimwatchError, ValueError):
    """The config, or a part of it, cannot be used."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a config: `key` is dotted, as in `station.river.vessel.mark_m`."""

    file: str
    key: str
    wrong: str
    allowed: str
    fix: str

    def __str__(self) -> str:
        """Return the problem in one line."""
        where = f"{self.file}: {self.key}" if self.key else self.file
        return told(self.wrong, where=where, allowed=self.allowed, fix=self.fix)


class ConfigErrors(ConfigError):  # noqa: N818 - the plural is the point
    """Every problem of one config at once, so that they can be fixed in one sitting."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        """Keep the problems, of which there is at least one."""
        count = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}"
        file = problems[0].file if problems else ""
        super().__init__(f"the config has {count}", where=file)
        self.problems = problems

    def __str__(self) -> str:
        """Return one line for the whole and one for each problem."""
        return "\n".join([super().__str__(), *(f"- {problem}" for problem in self.problems)])


def told(what: str, *, where: str = "", allowed: str = "", fix: str = "") -> str:
    """Return one line: `where: what (allowed: …). Fix: …`, leaving out what is unknown."""
    text = f"{where}: {what}" if where else what
    if allowed:
        text += f" (allowed: {allowed})"
    return f"{text}. Fix: {fix}." if fix else text
