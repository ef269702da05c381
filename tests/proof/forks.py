"""Forks of a process that has everything loaded: a pool of them, and the test session in each.

A fork starts in a few milliseconds with all libraries in place, and what it breaks ends with it.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.util
import json
import os
import resource
import selectors
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib.machinery import ModuleSpec, SourceFileLoader
from itertools import count
from pathlib import Path
from time import perf_counter
from types import CodeType
from typing import Any, Final

EXAMPLES: Final = 20  # of each hypothesis test, always the same ones
TEST_CPU_S: Final = 20.0  # the longest test takes a quarter of it
FORK_S: Final = 240.0  # by the wall clock, for what waits instead of computing
MEMORY_B: Final = 4 << 30
PASSED, FAILED, INTERRUPTED, USAGE = 0, 1, 2, 4  # pytest's exit codes
PLUGINS: Final = ("pytest_asyncio.plugin", "pytest_timeout", "_hypothesis_pytestplugin")


def load_runner() -> None:
    """Load pytest and hypothesis as every fork will use them, whatever runs this process."""
    for name in [n for n in os.environ if n.startswith(("PYTEST", "COV"))]:
        del os.environ[name]
    os.environ |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "CI": "true"}
    for name in ("pytest", "hypothesis", "hypothesis.stateful", *PLUGINS):
        importlib.import_module(name)
    settings = importlib.import_module("hypothesis").settings
    settings.register_profile(
        "mutate", max_examples=EXAMPLES, deadline=None, derandomize=True, database=None
    )


class _Planted(SourceFileLoader):
    """Loads a module from code that is not in its file."""

    code: CodeType

    def get_code(self, fullname: str) -> CodeType:
        return self.code


class Finder(importlib.abc.MetaPathFinder):
    """Give one module's import other code than its file has."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self.name, self.path, self.code = name, path, code
        self.used = False

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> (
        ModuleSpec | None
    ):  # fmt: skip
        """Return a spec for the one module."""
        if fullname != self.name:
            return None
        self.used = True
        loader = _Planted(fullname, str(self.path))
        loader.code = self.code
        return importlib.util.spec_from_file_location(fullname, self.path, loader=loader)


class Watch:
    """A pytest plugin: likely killers first, a limit on each test, and who failed."""

    def __init__(self, first: Iterable[str]) -> None:
        self.first = {node: rank for rank, node in enumerate(first)}
        self.by = ""
        self.file_s: Counter[str] = Counter()
        signal.setitimer(signal.ITIMER_PROF, TEST_CPU_S)  # for the imports

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Put the tests that killed the mutants before this one at the front."""
        items.sort(key=lambda item: self.first.get(item.nodeid, len(self.first)))

    def pytest_runtest_logstart(self) -> None:
        """Begin a test's time; the signal's own effect ends the process."""
        signal.setitimer(signal.ITIMER_PROF, TEST_CPU_S)

    def pytest_collectreport(self, report: Any) -> None:
        """Note a test module that cannot be imported."""
        if report.failed:
            self.by = self.by or f"import of {report.nodeid}"

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Note how long each file takes and the first test that fails."""
        self.file_s[report.nodeid.partition("::")[0]] += report.duration
        if report.failed:
            self.by = self.by or report.nodeid


def session(files: Iterable[str], first: Iterable[str], tb: str = "no") -> dict[str, Any]:
    """Run test files in this very process and tell how it went."""
    import pytest

    watch = Watch(first)
    plugins = [watch, *(importlib.import_module(name) for name in PLUGINS)]
    options = ["-x", "-q", f"--tb={tb}", "--no-header", "--assert=plain", "-p", "no:cacheprovider",
               "-p", "no:faulthandler", "--hypothesis-profile=mutate"]  # fmt: skip
    code = int(pytest.main([*options, *files], plugins=plugins))
    by = "" if code == PASSED else watch.by or "import of a conftest.py"
    return {"code": code, "by": by, "file_s": watch.file_s}


class RunnerError(Exception):
    """What runs the tests failed, so nothing was learned from them."""


@dataclass(frozen=True, slots=True)
class Death:
    """A fork was ended by a signal: a limit of time, or a crash of the interpreter."""

    why: str


@dataclass(slots=True)
class Child:
    """A fork and what it has written so far."""

    pid: int
    pipe: int
    began: float
    told: bytearray = field(default_factory=bytearray)


def _fork(work: Callable[[], Any], log: Path) -> Child:
    """Run a function in a fork; what it returns comes back as JSON through a pipe."""
    ours, theirs = os.pipe()
    pid = os.fork()
    if pid:
        os.close(theirs)
        return Child(pid, ours, perf_counter())
    try:
        sink = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_B, MEMORY_B))
        try:
            result = {"result": work()}
        except Exception:  # noqa: BLE001  # the mender of tools wants to see it, whatever it is
            result = {"fault": traceback.format_exc()}
        told = json.dumps(result).encode()
        while told:
            told = told[os.write(theirs, told) :]
    finally:
        sys.stdout.flush()
        os._exit(0)


def _ended(child: Child) -> Any:
    """Wait for a fork whose pipe is closed; return what it told, or a `Death`."""
    os.close(child.pipe)
    _, status = os.waitpid(child.pid, 0)
    code = os.waitstatus_to_exitcode(status)
    if code in (-signal.SIGPROF, -signal.SIGKILL):
        return Death("time limit")
    if code < 0:
        return Death(f"signal {-code}")
    told = json.loads(child.told or '{"fault": "a fork told nothing"}')
    if "fault" in told:
        raise RunnerError(told["fault"])
    return told["result"]


class Pool:
    """Up to `jobs` forks at a time."""

    def __init__(self, jobs: int, log: Path) -> None:
        self.jobs, self.log = jobs, log
        self._count = count()
        self._open = selectors.DefaultSelector()

    def run(self, works: Iterable[tuple[Any, Callable[[], Any]]],
            done: Callable[[Any, Any, float], None]) -> None:  # fmt: skip
        """Run each work in a fork; `done` gets its name, its result or `Death`, and its seconds."""
        waiting = iter(works)
        more = True
        try:
            while more or self._open.get_map():
                while more and len(self._open.get_map()) < self.jobs:
                    name, work = next(waiting, (None, None))
                    if work is None:
                        more = False
                        break
                    log = self.log.with_suffix(f".{next(self._count) % self.jobs}")
                    child = _fork(work, log)
                    self._open.register(child.pipe, selectors.EVENT_READ, (name, child))
                if self._open.get_map():
                    self._look(done)
        finally:
            self._end_all()

    def _look(self, done: Callable[[Any, Any, float], None]) -> None:
        for key, _ in self._open.select(timeout=1.0):
            name, child = key.data
            part = os.read(child.pipe, 1 << 16)
            child.told += part
            if not part:
                self._open.unregister(child.pipe)
                done(name, _ended(child), perf_counter() - child.began)
        for key in list(self._open.get_map().values()):
            if perf_counter() - key.data[1].began > FORK_S:
                os.kill(key.data[1].pid, signal.SIGKILL)

    def _end_all(self) -> None:
        """Leave no fork behind, whatever stopped this process."""
        for key in list(self._open.get_map().values()):
            _, child = key.data
            self._open.unregister(child.pipe)
            os.kill(child.pid, signal.SIGKILL)
            os.close(child.pipe)
            os.waitpid(child.pid, 0)
