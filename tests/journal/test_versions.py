"""Records of other versions and other programs."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.core.exchange import Way
from monitor.journal import schema
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmMark, FillSample, FillStart
from monitor.journal.writer import Health, JournalWriter

Start = Callable[..., FillStart]
Sample = Callable[..., FillSample]
Until = Callable[[JournalWriter, Callable[[Health], bool]], Health]
Wall = Callable[[], datetime]
Filled = Callable[..., None]

NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("form", range(1, schema.SCHEMA_VERSION))
def test_an_older_record_is_migrated(path: Path, sample: Sample, wall: Wall, form: int) -> None:
    """A record of an earlier form keeps its fills and samples and gains what came later; a reader
    of it says what to do until then. What nobody had noted is not known: an old fill went in.
    """
    old = schema.open_for_writing(path, NOW, schema.MIGRATIONS[:form])
    old.execute(
        "INSERT INTO fill (id, station, started, started_by, attended, simulated, delivered_l) "
        "VALUES ('old', 'river', '2026-01-03T10:00:00.000Z', 'volunteer', 1, 0, 411.5)"
    )
    old.execute("INSERT INTO fill_sample (fill, t_ms, temp_c, flow_lpm, volume_l, phase) "
        "VALUES (1, 1000, 24.5, 10.0, 0.2, 'filling')")
    old.close()
    with pytest.raises(schema.OlderRecordError, match="start the engine once"):
        JournalReader(path)
    journal = JournalWriter(path, wall=wall)
    journal.alarm(AlarmMark("river", "W06", "top", 1.0, "wet"))
    assert journal.flush()
    assert journal.close()
    with JournalReader(path) as reader:
        fill = reader.fill("last")
        assert (fill.id, fill.attended, fill.delivered_l) == ("old", True, 411.5)
        assert (fill.way, fill.start_flow_lpm, fill.overrun_l, fill.drained_l) == (
            Way.IN,
            None,
            None,
            None,
        )
        assert reader.samples("old") == (sample(1.0, fill="old", volume_l=0.2),)
        assert reader.samples("old")[0].level_m is None
        assert (fill.pulses_per_litre, fill.flow_uncertainty) == (None, None)
        assert (reader.inputs("old"), reader.notes()) == ((), ())
        assert reader.calibrations("river", False) == ()
        assert len(reader.alarms()) == 1
        versions = reader._link.execute("SELECT version FROM meta ORDER BY version").fetchall()
    assert [version for (version,) in versions] == list(range(1, schema.SCHEMA_VERSION + 1))


def test_a_failed_migration_changes_nothing(path: Path, start: Start, filled: Filled) -> None:
    """A step that breaks half-way is undone whole, and the record stays usable as it was."""
    filled(path, start(), [])
    step = ("ALTER TABLE fill ADD COLUMN colour TEXT", "CREATE NONSENSE")
    with pytest.raises(sqlite3.OperationalError):
        schema.open_for_writing(path, NOW, (*schema.MIGRATIONS, step))
    with JournalReader(path) as reader:
        assert reader.fill("last").id == "f1"
        names = [row["name"] for row in reader._link.execute("PRAGMA table_info(fill)")]
    assert "colour" not in names


@pytest.mark.usefixtures("quick_retries")
@pytest.mark.parametrize("kind", ["newer", "foreign"])
def test_a_record_of_others_is_left_alone(
    path: Path, start: Start, until: Until, kind: str, filled: Filled
) -> None:
    """A later brimwatch's record and another program's database are refused by reader and writer,
    with the way out, and not one byte of them is changed.
    """
    if kind == "newer":
        filled(path, start(), [])
        link = sqlite3.connect(path)
        link.execute("INSERT INTO meta VALUES (99, '2031-01-01T00:00:00.000Z')")
    else:
        link = sqlite3.connect(path)
        link.execute("CREATE TABLE meta (version INTEGER)")
    link.commit()
    link.close()
    before = digest(path)
    error, words = {
        "newer": (schema.NewerRecordError, "update brimwatch"),
        "foreign": (schema.ForeignFileError, "name another file"),
    }[kind]
    with pytest.raises(error, match=words):
        JournalReader(path)
    journal = JournalWriter(path, wall=lambda: NOW)
    journal.begin_fill(start())
    assert words in until(journal, lambda now: not now.ok).text
    assert not journal.flush(0.05)
    assert not journal.close()
    assert digest(path) == before
    assert [file.name for file in path.parent.iterdir()] == [path.name]
