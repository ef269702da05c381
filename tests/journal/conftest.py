"""Shared pieces for the tests of the record: an invented clock and invented fills."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.journal import writer as writer_module
from monitor.journal.rows import FillEnd, FillSample, FillStart, Outcome
from monitor.journal.store import Row, Stamped, Store
from monitor.journal.writer import Health, JournalWriter

STARTED = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


class TickingWall:
    """A wall clock that moves one millisecond with every look."""

    def __init__(self) -> None:
        self.looks = 0

    def __call__(self) -> datetime:
        self.looks += 1
        return STARTED + timedelta(milliseconds=self.looks)


@pytest.fixture
def wall() -> TickingWall:
    return TickingWall()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


@pytest.fixture
def journal(path: Path, wall: TickingWall) -> Iterator[JournalWriter]:
    """A writer on a fresh file, closed afterwards."""
    writer = JournalWriter(path, wall=wall)
    yield writer
    assert writer.close(5.0)


@pytest.fixture
def quick_retries(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the writer try again after 20 ms instead of a second."""
    monkeypatch.setattr(writer_module, "PAUSE_FIRST_S", 0.02)
    monkeypatch.setattr(writer_module, "PAUSE_MAX_S", 0.02)
    monkeypatch.setattr(writer_module, "COMMIT_EVERY_S", 0.02)


@pytest.fixture
def start() -> Callable[..., FillStart]:
    """Make a start of the museum's invented river tank."""

    def make(fill: str = "f1", **changes: object) -> FillStart:
        known: dict[str, object] = {
            "id": fill,
            "station": "river",
            "at_s": 100.0,
            "started_by": "volunteer",
            "attended": False,
            "simulated": True,
            "need_l": 420.0,
        }
        return FillStart(**(known | changes))  # type: ignore[arg-type]

    return make


@pytest.fixture
def sample() -> Callable[..., FillSample]:
    """Make a sample of a steady 10 L/min fill at 24.5 °C."""

    def make(t_s: float, fill: str = "f1", **changes: object) -> FillSample:
        known: dict[str, object] = {
            "fill": fill,
            "t_s": t_s,
            "temp_c": 24.5,
            "flow_lpm": 10.0,
            "volume_l": t_s / 6,
            "phase": "filling",
        }
        return FillSample(**(known | changes))  # type: ignore[arg-type]

    return make


@pytest.fixture
def until() -> Callable[[JournalWriter, Callable[[Health], bool]], Health]:
    """Wait, at most five seconds, until a writer's health is as told; return it."""

    def wait(writer: JournalWriter, good: Callable[[Health], bool]) -> Health:
        deadline_s = time.monotonic() + 5.0
        while not good(writer.health):
            assert time.monotonic() < deadline_s, writer.health
            time.sleep(0.005)
        return writer.health

    return wait


@pytest.fixture
def filled() -> Callable[..., None]:
    """Make a whole record with one finished fill."""

    def make(path: Path, start: FillStart, samples: list[FillSample]) -> None:
        store = Store(path, lambda: STARTED)
        rows: list[Row] = [start, *samples, FillEnd(start.id, Outcome.DONE)]
        assert store.write([Stamped(row, STARTED) for row in rows], safe=False) == []
        store.close()

    return make
