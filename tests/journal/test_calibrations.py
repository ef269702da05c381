"""Calibrations in the record: the newest of each part, with its date, beside a running engine."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import inf, nan
from pathlib import Path

import pytest

from monitor.journal import bounds, calibrations, schema
from monitor.journal.calibrations import found, keep
from monitor.journal.history import as_dict
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmMark, CalibrationMark, FillEnd, FillStart, Outcome
from monitor.journal.schema import JournalError
from monitor.journal.store import Row, Stamped, Store
from monitor.journal.writer import JournalWriter

Start = Callable[..., FillStart]
Filled = Callable[..., None]

SATURDAY = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
METER = CalibrationMark("river", "meter", "flow", 446.2, 0.008, 5, "450 pulses/L on GPIO 24",
                        "A.B.", simulated=False)  # fmt: skip
DEPTH = CalibrationMark("river", "depth", "level", -0.004, 0.003, 20, "mcp3208", "A.B.",
                        simulated=False, scale=1.012)  # fmt: skip


def at(day: int) -> Callable[[], datetime]:
    return lambda: SATURDAY + timedelta(days=day)


@pytest.fixture
def kept(path: Path, start: Start, filled: Filled) -> Path:
    """A record with one fill."""
    filled(path, start(), [])
    return path


def test_a_calibration_is_read_back_as_it_was_made(kept: Path) -> None:
    """Every number, who, when, and for what: to the last bit."""
    keep(kept, DEPTH, at(3))
    (told,) = found(kept, "river", False)
    assert (told.part, told.what, told.value, told.scale, told.uncertainty, told.n) == (
        "depth", "level", -0.004, 1.012, 0.003, 20,
    )  # fmt: skip
    assert (told.basis, told.by, told.wall) == ("mcp3208", "A.B.", SATURDAY + timedelta(days=3))
    assert as_dict(told)["wall"] == "2026-03-10T09:00:00.000Z"


def test_the_newest_of_each_part_counts(kept: Path) -> None:
    """A part measured again has its newer calibration only; another part keeps its own."""
    keep(kept, METER, at(0))
    keep(kept, DEPTH, at(1))
    keep(kept, replace(METER, value=448.0), at(2))
    told = found(kept, "river", False)
    assert [(each.part, each.value) for each in told] == [("depth", -0.004), ("meter", 448.0)]


def test_stations_and_simulations_keep_to_themselves(kept: Path) -> None:
    """A calibration made in a simulation is none of the real part, and one station's is its own."""
    keep(kept, replace(METER, simulated=True), at(0))
    keep(kept, replace(METER, station="sump", value=500.0), at(0))
    assert found(kept, "river", False) == ()
    assert [each.value for each in found(kept, "river", True)] == [446.2]
    assert [each.value for each in found(kept, "sump", False)] == [500.0]


def test_it_goes_in_beside_a_running_engine(kept: Path) -> None:
    """While an engine writes the same record both get in, and neither loses anything."""
    engine = JournalWriter(kept, wall=at(0))
    assert engine.flush()
    keep(kept, METER, at(0))
    engine.alarm(AlarmMark("river", "W06", "top", 1.0, "wet"))
    assert engine.flush()
    keep(kept, DEPTH, at(0))
    assert engine.close(5.0)
    assert engine.health.ok
    with JournalReader(kept) as reader:
        assert len(reader.calibrations("river", False)) == 2
        assert len(reader.alarms()) == 1


def test_without_a_record_nothing_is_made(path: Path) -> None:
    """A command on another machine is told where to go, and leaves no file behind."""
    with pytest.raises(JournalError, match="run this on the engine's machine"):
        keep(path, METER, at(0))
    assert not path.exists()
    assert found(path, "river", False) == found(None, "river", False) == ()


@pytest.mark.parametrize("bad", [{"value": nan}, {"uncertainty": inf}, {"scale": nan}])
def test_what_is_no_number_is_refused(kept: Path, bad: dict[str, float]) -> None:
    """A calibration with a number that is none does not get in."""
    with pytest.raises(JournalError, match="the record refused it"):
        keep(kept, replace(METER, **bad), at(0))
    assert found(kept, "river", False) == ()


def test_a_clock_that_was_never_set_gives_no_date(kept: Path) -> None:
    """On a Pi without a battery clock a calibration would have a wrong date: it is refused."""
    with pytest.raises(JournalError, match="the clock was never set: it says 1970-01-01"):
        keep(kept, METER, lambda: datetime(1970, 1, 1, tzinfo=UTC))
    assert found(kept, "river", False) == ()


def test_a_record_that_is_held_by_another_is_told(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A locked record gives an error with the way out, soon, and nothing is half in."""
    monkeypatch.setattr(schema, "BUSY_MS", 20)
    other = sqlite3.connect(kept, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(JournalError, match="as the user that the engine runs as"):
        keep(kept, METER, at(0))
    other.execute("ROLLBACK")
    other.close()
    assert found(kept, "river", False) == ()


def test_an_older_record_is_brought_up_to_date(path: Path) -> None:
    """A record that knew no calibrations takes one; read before that, it has none."""
    schema.open_for_writing(path, SATURDAY, schema.MIGRATIONS[:3]).close()
    assert found(path, "river", False) == ()
    keep(path, METER, at(0))
    assert [each.part for each in found(path, "river", False)] == ["meter"]


def test_a_damaged_record_has_none(kept: Path) -> None:
    """A file that is no database gives no calibration, and the engine starts by its config."""
    keep(kept, METER, at(0))
    kept.write_bytes(b"\xa5" * 4096)
    assert found(kept, "river", False) == ()


def test_old_calibrations_go_but_never_the_newest_of_a_part(
    path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often one part is measured, the list is bounded and another part's stays."""
    monkeypatch.setattr(bounds, "LIST_MAX_ROWS", 5)
    rows: list[Row] = [
        DEPTH,
        *(replace(METER, value=440.0 + n) for n in range(40)),
        start("f1", simulated=False),
        FillEnd("f1", Outcome.DONE),
    ]
    store = Store(path, at(0))
    assert store.write([Stamped(row, SATURDAY) for row in rows], safe=False) == []
    store.close()
    assert [(e.part, e.value) for e in found(path, "river", False)] == [
        ("depth", -0.004), ("meter", 479.0),
    ]  # fmt: skip
    with JournalReader(path) as reader:
        (count,) = reader._link.execute("SELECT count(*) FROM calibration").fetchone()
    assert count == 6


def test_names_are_cleaned(kept: Path) -> None:
    """Initials with control characters cannot play tricks on a terminal."""
    keep(kept, replace(METER, by="A\x1b[31m"), at(0))
    (told,) = found(kept, "river", False)
    assert told.by == "A\N{REPLACEMENT CHARACTER}[31m"
    assert calibrations.found(kept, "river", False) == (told,)
